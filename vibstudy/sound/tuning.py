"""Tuning reference of a recording from the pitches of its notes.

The pitches, modulo 100 cents, are averaged on the circle with weights (robustly: a note played far
from the grid pulls no more than one at its edge). The result lies within 50 cents of 440 Hz.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True)
class Tuning:
    """Tuning reference: A4 in Hz with the standard error in cents."""

    tuning_hz: float
    se_cents: float


def estimate_tuning(pitch_hz: ArrayLike, weight: ArrayLike) -> Tuning:
    """Estimate A4 from note pitches (Hz) with weights (seconds); 440 Hz when there are no notes."""
    pitch = np.asarray(pitch_hz, dtype=float)
    w = np.asarray(weight, dtype=float)
    if not len(pitch):
        return Tuning(440.0, float("nan"))
    angle = 2.0 * np.pi * 12.0 * np.log2(pitch / 440.0)
    mean = np.sum(w * np.exp(1j * angle))
    shift = float(np.angle(mean))
    rest = np.angle(np.exp(1j * (angle - shift))) * 100.0 / (2.0 * np.pi)
    effective = np.sum(w) ** 2 / np.sum(w**2)
    se = float(np.sqrt(np.average(rest**2, weights=w) / max(effective - 1.0, 1.0)))
    return Tuning(440.0 * 2.0 ** (shift / (2.0 * np.pi) / 12.0), se)
