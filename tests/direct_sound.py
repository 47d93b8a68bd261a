"""A note's harmonics in a tail of known power and decay, made step by step from the definition."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np

from vibstudy.pitch.refine import NoteLine

FINE_S, EVERY = 0.001, 4  # steps of the sound, and of them to a frame of the line


def in_tail(
    rng: np.random.Generator,
    depth_db: float,
    *,
    direct_db: float = 3.0,
    decay_s: float = 0.5,
    brighter: float = 0.0,
    extent_cents: float = 20.0,
    rate_hz: float = 5.7,
    f0_hz: float = 400.0,
    duration_s: float = 0.9,
    harmonics: int = 10,
) -> tuple[NoteLine, Any, complex]:
    """A note's line, its fit, and the modulation (amplitude and lead) put on its first harmonic, dB.

    Each harmonic's direct sound swings by `extent_cents` at `rate_hz`, its level by `depth_db`, by `brighter`
    of it more from harmonic to harmonic. Its tail is the sum of what it was at every step before, each with a
    complex normal factor; white noise lies 18 dB below the tail.
    """
    n = round(duration_s / FINE_S)
    t = FINE_S * np.arange(n)
    lead, start = rng.uniform(-np.pi, np.pi, 2)
    psi = 2 * np.pi * rate_hz * t + start
    cents = extent_cents * np.cos(psi)
    swing = 2 * np.pi * f0_hz * FINE_S * np.cumsum(2 ** (cents / 1200) - 1)
    fall = 10 ** (-3 * t / decay_s)
    rows = []
    for k in range(1, harmonics + 1):
        level_db = depth_db * (1 + brighter * (k - 1)) * np.cos(psi + lead)
        sound = 10 ** (level_db / 20) * np.exp(1j * k * swing)
        response = fall * _normal(rng, n) / np.sqrt(np.sum(fall**2))
        heard = 10 ** (direct_db / 20) * np.exp(2j * np.pi * rng.random()) * sound
        heard = (heard + np.convolve(response, sound)[:n]) * np.exp(-1j * k * swing) + 0.12 * _normal(rng, n)
        rows.append(10 ** (-1.5 * k / 20) * heard[::EVERY])
    at = t[::EVERY]
    line = NoteLine(
        onset_s=0.0,
        offset_s=duration_s,
        time_s=at,
        reference_hz=f0_hz,
        cents=cents[::EVERY],
        integral=np.zeros(len(at)),
        harmonic_db=(20 * np.log10(np.abs(rows))).astype(np.float32),
        weight=np.full(harmonics, 1 / harmonics),
        snr_db=15.0,
        halves=np.zeros(len(at)),
        balance=0.5,
        disagreement=1.0,
        straightened=True,
        rows=np.array(rows, dtype=np.complex64),
    )
    fit = SimpleNamespace(time_s=at, phase_rad=psi[::EVERY], start_s=0.0, end_s=duration_s)
    return line, fit, depth_db * np.exp(1j * lead)


def _normal(rng: np.random.Generator, n: int) -> np.ndarray:
    """Complex normal values of power 1."""
    return np.sqrt(0.5) * (rng.standard_normal(n) + 1j * rng.standard_normal(n))
