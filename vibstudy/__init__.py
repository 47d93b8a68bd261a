"""Comparative vibrato study from recordings.

Conventions, everywhere in the package:

* time in seconds, pitch in Hz and in cents re 440 Hz, levels in dB re full scale;
* *rate* is vibrato cycles per second (Hz);
* *extent* is HALF of the peak-to-peak pitch deviation (± cents); *width* is twice the extent;
* a value that is not known is missing (NaN or NA), never 0.
"""

from typing import Any

__all__ = ["__version__", "fit_mixed", "measure_corpus", "measure_recording", "read_notes"]

_HOMES = {
    "measure_recording": "vibstudy.measure",
    "measure_corpus": "vibstudy.measure",
    "read_notes": "vibstudy.corpus.store",
    "fit_mixed": "vibstudy.stats",
}


def __getattr__(name: str) -> Any:
    # Lazy: `vibstudy --help` must not pay for scipy, librosa and onnxruntime.
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(_HOMES[name]), name)
    if name == "__version__":
        from importlib.metadata import PackageNotFoundError, version

        try:
            return version("vibstudy")
        except PackageNotFoundError:  # running from a source tree that was never installed
            return "0+unknown"
    raise AttributeError(f"module 'vibstudy' has no attribute {name!r}")
