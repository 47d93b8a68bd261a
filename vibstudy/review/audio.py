"""A note made audible.

Every sound is brought to a safe level and faded in and out (:func:`vibstudy.sound.writing.safe_level`).
"""

from __future__ import annotations

import numpy as np

from vibstudy.decisions.phrase import Measured
from vibstudy.sound.writing import safe_level, wav_bytes
from vibstudy.units import to_hz

_TONE_FADE_S = 0.12


def wav(samples: np.ndarray, rate_hz: float) -> bytes:
    """A 16-bit WAV file at a safe level."""
    return wav_bytes(safe_level(samples, rate_hz), rate_hz)


def half_speed(samples: np.ndarray) -> np.ndarray:
    """Twice as long at the same pitch."""
    from librosa.effects import time_stretch

    return time_stretch(np.ascontiguousarray(samples, dtype=np.float32), rate=0.5, n_fft=1024)


def vibrato_tone(measured: Measured, duration_s: float, rate_hz: float) -> np.ndarray:
    """A sine at the note's pitch with the fitted vibrato alone (straight where there is none).

    Drift, scoops, noise and timbre of the note are left out. Faded in over 0.12 s.
    """
    time_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    pitch = measured.columns["pitch_hz"]
    pitch = pitch if np.isfinite(pitch) else 440.0
    cents = np.zeros(len(time_s))
    fit = measured.fit
    if fit is not None:
        cents = np.interp(time_s, fit.time_s, fit.envelope_cents * np.cos(fit.phase_rad), left=0.0, right=0.0)
    tone = np.sin(2.0 * np.pi * np.cumsum(to_hz(cents, pitch)) / rate_hz)
    fade = min(_TONE_FADE_S, duration_s / 3.0)
    return tone * np.clip(np.minimum(time_s, duration_s - time_s) / fade, 0.0, 1.0)
