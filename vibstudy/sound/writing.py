"""Sound made fit for ears: faded in and out, at a safe level, as a WAV file."""

from __future__ import annotations

from io import BytesIO

import numpy as np

SAFE_LEVEL_DB = -23.0
"""Level of listening examples, dB re full scale (RMS): about the loudness of broadcast programmes."""
SAFE_PEAK = 0.5
"""Highest peak of a listening example, re full scale."""
_FADE_S = 0.01


def fades(n: int, rate_hz: float, fade_s: float) -> np.ndarray:
    """Gain [shape=(n,), range 0..1] that fades in and out over `fade_s` each (raised cosine)."""
    length = min(round(fade_s * rate_hz), n // 2)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(length) / max(length, 1))
    return np.concatenate([ramp, np.ones(n - 2 * length), ramp[::-1]])


def safe_level(samples: np.ndarray, rate_hz: float) -> np.ndarray:
    """Return `samples` at a safe listening level, faded in and out.

    Level -23 dB re full scale (RMS), peaks at most half of full scale.
    """
    cut = np.asarray(samples, dtype=float) * fades(len(samples), rate_hz, _FADE_S)
    loudness = float(np.sqrt(np.mean(cut**2))) if len(cut) else 0.0
    if loudness > 0:
        cut *= 10 ** (SAFE_LEVEL_DB / 20) / loudness
        cut *= min(1.0, SAFE_PEAK / float(np.abs(cut).max()))
    return cut


def wav_bytes(samples: np.ndarray, rate_hz: float, subtype: str = "PCM_16") -> bytes:
    """Return a WAV file, of 16 bits or as libsndfile's `subtype` says."""
    import soundfile

    stream = BytesIO()
    soundfile.write(stream, samples, round(rate_hz), format="WAV", subtype=subtype)
    return stream.getvalue()
