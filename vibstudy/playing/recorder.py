"""Record a take in the notebook and hold it against a target at once.

The page (``recorder.js``) takes plain samples from the browser's microphone, with the browser's own
processing switched off where it allows that, and sends them to the kernel. They are written as a WAV file
of 24 bits beside the practice history and measured like any take (:mod:`vibstudy.playing.practice`). A
browser gives its microphone only to pages of this computer or by https, and asks first; where it does not,
the page says what to do instead. Nothing leaves the computer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import anywidget
import numpy as np
import traitlets

from vibstudy.corpus.atomic import replacing
from vibstudy.corpus.files import LOWEST_RATE_HZ
from vibstudy.errors import VibstudyError
from vibstudy.playing.practice import Target, comparison_cells, in_words, practise
from vibstudy.sound.writing import wav_bytes

_HERE = Path(__file__).parent
_SHORTEST_S = 0.3
_ELSEWHERE = (
    "Recording needs a running notebook: type vibstudy lab in the study's folder, then run this cell."
)


class Recorder(anywidget.AnyWidget):
    """Record takes in a notebook.

    Parameters
    ----------
    folder : path
        Where takes are written; made when the first one is.
    target : Target
        What is practised.
    history : path
        The practice history.
    beat_bpm : float | None
        Metronome value.
    """

    _esm = _HERE / "recorder.js"
    _css = _HERE / "recorder.css"
    view = traitlets.Dict().tag(sync=True)

    def __init__(
        self, folder: str | Path, target: Target, history: str | Path, beat_bpm: float | None = None
    ):
        super().__init__()
        self._folder, self._target, self._history, self._beat = Path(folder), target, Path(history), beat_bpm
        self.last: Path | None = None
        self.on_msg(self._receive)

    def _repr_mimebundle_(self, **options: Any) -> tuple[dict[str, Any], dict[str, Any]] | None:
        """The widget; in pages and in notebooks that do not run, a sentence in its place."""
        shown = super()._repr_mimebundle_(**options)
        if shown is not None:
            shown[0]["text/html"] = shown[0]["text/plain"] = _ELSEWHERE
        return shown

    def _receive(self, _: Any, content: Mapping[str, Any], buffers: Sequence[Any]) -> None:
        if not isinstance(content, Mapping) or content.get("do") != "take":
            return
        try:
            samples, rate_hz = np.frombuffer(buffers[0], "<f4"), float(content["rate_hz"])
        except (LookupError, TypeError, ValueError, OverflowError):
            self.view = {"say": "This take could not be understood; nothing was kept."}
            return
        try:
            self.last = write_take(samples, rate_hz, self._folder)
            compared, values, history = practise(self.last, self._target, self._history, self._beat)
        except VibstudyError as error:
            self.view = {"say": " ".join(map(str, error.problems))}
        else:
            say = f"{self.last.name} is take {len(history)} of your history."
            self.view = {"say": say, "words": in_words(values), "rows": comparison_cells(compared)}


def write_take(samples: np.ndarray, rate_hz: float, folder: Path) -> Path:
    """Write a take as ``take-DATE-TIME.wav`` (24 bits, one channel) and return its path.

    Raises
    ------
    VibstudyError
        When it is too short to hold a note, or holds no sound.
    """
    if not (rate_hz >= LOWEST_RATE_HZ and np.isfinite(samples).all()):
        raise VibstudyError(
            "the browser sent no sound", got=f"{rate_hz:g} samples a second", repair="Record it again"
        )
    if len(samples) < _SHORTEST_S * rate_hz:
        raise VibstudyError(
            "this take is too short to hold a note", repair="Press Record, play, then press Stop"
        )
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"take-{datetime.now():%Y%m%d-%H%M%S}.wav"
    with replacing(path) as stream:
        stream.write(wav_bytes(np.clip(samples, -1.0, 1.0), rate_hz, "PCM_24"))
    return path
