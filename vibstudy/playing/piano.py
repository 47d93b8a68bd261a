"""A piano-like accompaniment, synthesised: struck strings, for the demonstration and for what to expect.

A string is a sum of decaying partials, a little sharp of whole multiples (stiffness; Fletcher & Rossing,
*The Physics of Musical Instruments*, ch. 12; the figures here are by ear).
"""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

STIFFNESS = 4e-4
_PARTIALS = 8
CHORD = (-24.0, -12.0, -8.0, -5.0)
"""Semitones from the tone above: bass and a triad."""
CHORD_S = 0.7
"""Mean time from chord to chord."""


def struck_string(hammer: np.ndarray, f0_hz: float, rate_hz: float) -> np.ndarray:
    """Decaying, slightly stretched partials: each a two-pole resonator hit by the hammer.

    Parameters
    ----------
    hammer : ndarray [shape=(n,)]
        Impulses where the string is struck.
    f0_hz : float
        Its fundamental.
    rate_hz : float
        Sampling rate.

    Returns
    -------
    ndarray [shape=(n,)]
    """
    sound = np.zeros(len(hammer))
    for number in range(1, _PARTIALS + 1):
        frequency_hz = number * f0_hz * np.sqrt(1 + STIFFNESS * number**2)
        decay_s = 1.1 * (220 / f0_hz) ** 0.4 / (1 + 0.35 * (number - 1))
        radius = np.exp(-1 / (decay_s * rate_hz))
        angle = 2 * np.pi * frequency_hz / rate_hz
        gain = number**-1.3 * radius * np.sin(angle)
        sound += lfilter([gain], [1, -2 * radius * np.cos(angle), radius**2], hammer)
    return sound


def chords(count: int, rate_hz: float, pitch_hz: float, rng: np.random.Generator) -> np.ndarray:
    """Chords under tones about a pitch, struck at irregular times, in keys drawn anew each time.

    Parameters
    ----------
    count : int
        Samples.
    rate_hz : float
        Sampling rate.
    pitch_hz : float
        Middle of the tones above.
    rng : numpy.random.Generator
        For times, keys and touch.

    Returns
    -------
    ndarray [shape=(count,), RMS 1]
    """
    strikes: dict[int, np.ndarray] = {}
    at_s = 0.0
    while at_s * rate_hz < count:
        root = int(rng.integers(-6, 6))
        for step in CHORD:
            hammer = strikes.setdefault(root + int(step), np.zeros(count))
            hammer[int(at_s * rate_hz)] += rng.uniform(0.8, 1.2)
        at_s += CHORD_S * rng.uniform(0.6, 1.4)
    sound = sum(
        (struck_string(hammer, pitch_hz * 2 ** (key / 12), rate_hz) for key, hammer in strikes.items()),
        np.zeros(count),
    )
    return sound / max(float(sound.std()), 1e-12)
