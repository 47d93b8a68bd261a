"""Mixed models, small-sample inference, claims, confounds, power and agreement."""

from typing import Any

_HOMES = {
    "fit_mixed": "mixed",
    "MixedResult": "mixed",
    "measurement_weights": "mixed",
    "holm": "multiple",
    "tost": "multiple",
}

__all__ = list(_HOMES)


def __getattr__(name: str) -> Any:
    # Lazy: importing one statistic must not pay for all of them.
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
