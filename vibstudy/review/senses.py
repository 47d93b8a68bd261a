"""A note in its phrase, made visible and audible.

Every sound is brought to a safe level and faded in and out (:func:`vibstudy.sound.writing.safe_level`).
"""

from __future__ import annotations

import numpy as np

from vibstudy.decisions.phrase import Measured, Phrase
from vibstudy.sound.writing import safe_level, wav_bytes

_TONE_HARMONICS = (1.0, 0.4, 0.2, 0.1)
_TONE_FADE_S = 0.12

# --- to be seen


def picture(phrase: Phrase, low_hz: float, high_hz: float, rows: int = 160, columns: int = 760) -> np.ndarray:
    """Spectrogram of a phrase for the screen.

    Parameters
    ----------
    low_hz, high_hz : float
        Lowest and highest frequency; rows are evenly spaced in log frequency.

    Returns
    -------
    ndarray [shape=(rows, columns), uint8]
        The first row is the highest frequency; 255 is the loudest, 0 is 60 dB below it.
    """
    from scipy.ndimage import map_coordinates

    hop_s, step_hz, level = phrase.levels
    wanted_hz = np.geomspace(high_hz, low_hz, rows)
    wanted_s = (np.arange(columns) + 0.5) / columns * phrase.audio.duration_s
    at = np.meshgrid(wanted_hz / step_hz, wanted_s / hop_s, indexing="ij")
    shown = map_coordinates(level, at, order=1, mode="nearest")
    return np.clip(255.0 * (1.0 + (shown - shown.max()) / 60.0), 0, 255).astype(np.uint8)


# --- to be heard


def wav(samples: np.ndarray, rate_hz: float) -> bytes:
    """A 16-bit WAV file at a safe level."""
    return wav_bytes(safe_level(samples, rate_hz), rate_hz)


def half_speed(samples: np.ndarray) -> np.ndarray:
    """Twice as long at the same pitch."""
    from librosa.effects import time_stretch

    return time_stretch(np.ascontiguousarray(samples, dtype=np.float32), rate=0.5, n_fft=1024)


def vibrato_tone(measured: Measured, duration_s: float, rate_hz: float) -> np.ndarray:
    """A plain tone at the note's pitch with the fitted vibrato alone (straight where there is none).

    Drift, scoops and noise of the note are left out. Faded in over 0.12 s.
    """
    time_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    pitch = measured.columns["pitch_hz"]
    pitch = pitch if np.isfinite(pitch) else 440.0
    cents = np.zeros(len(time_s))
    fit = measured.fit
    if fit is not None:
        cents = np.interp(time_s, fit.time_s, fit.envelope_cents * np.cos(fit.phase_rad), left=0.0, right=0.0)
    phase = 2.0 * np.pi * np.cumsum(pitch * 2.0 ** (cents / 1200.0)) / rate_hz
    tone = np.zeros(len(time_s))
    for k, share in enumerate(_TONE_HARMONICS, 1):
        if k * pitch < 0.45 * rate_hz:
            tone += share * np.sin(k * phase)
    fade = min(_TONE_FADE_S, duration_s / 3.0)
    return tone * np.clip(np.minimum(time_s, duration_s - time_s) / fade, 0.0, 1.0)
