"""Sound made fit for ears: a safe level, faded in and out."""

from __future__ import annotations

import numpy as np

SAFE_LEVEL_DB = -23.0
"""Level of listening examples, dB re full scale (RMS): about the loudness of broadcast programmes."""
_SAFE_PEAK = 0.5
_FADE_S = 0.01


def safe_level(samples: np.ndarray, rate_hz: float) -> np.ndarray:
    """Return `samples` at a safe listening level, faded in and out.

    Level -23 dB re full scale (RMS), peaks below half of full scale.
    """
    cut = np.array(samples, dtype=float)
    fade = min(int(_FADE_S * rate_hz), len(cut) // 2)
    if fade:
        ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(fade) / fade)
        cut[:fade] *= ramp
        cut[len(cut) - fade :] *= ramp[::-1]
    loudness = float(np.sqrt(np.mean(cut**2))) if len(cut) else 0.0
    if loudness > 0:
        cut *= 10 ** (SAFE_LEVEL_DB / 20) / loudness
        cut *= min(1.0, _SAFE_PEAK / float(np.abs(cut).max()))
    return cut
