"""Pitch in Hz, in cents and as notes; from which extent on vibrato is heard as moving pitch."""

from __future__ import annotations

from typing import Any

import numpy as np

CONCERT_HZ = 440.0
"""A4 (ISO 16)."""
FUSION_POINTS = ((5.0, 20.0), (8.0, 100.0))
"""Rate (Hz) and extent (± cents) of the fusion limit at its two ends (common practice, no source)."""


def to_cents(f0_hz: Any, reference_hz: Any = CONCERT_HZ) -> Any:
    """Cents from a reference to frequencies in Hz."""
    return 1200.0 * np.log2(np.asarray(f0_hz) / reference_hz)


def to_hz(cents: Any, reference_hz: Any = CONCERT_HZ) -> Any:
    """Frequency in Hz from cents re a reference."""
    return reference_hz * ratio(cents)


def ratio(cents: Any) -> Any:
    """Ratio of the two frequencies of an interval: 2 for 1200 cents."""
    return np.exp2(np.asarray(cents) / 1200.0)


def to_midi(f0_hz: Any, tuning_hz: Any = CONCERT_HZ) -> Any:
    """MIDI number, with its fraction, of frequencies in Hz at a tuning (A4 = 69)."""
    return 69.0 + 12.0 * np.log2(f0_hz / tuning_hz)


def nearest_note(f0_hz: Any, tuning_hz: float) -> tuple[Any, Any]:
    """Nearest tempered note (MIDI number, range 0..127), and cents from the nearest tempered pitch."""
    semitones = to_midi(f0_hz, tuning_hz)
    nearest = np.round(semitones)
    return np.clip(nearest, 0, 127), 100.0 * (semitones - nearest)


def fusion_limit_cents(rate_hz: Any) -> Any:
    """Extent (± cents) at which vibrato of this rate is heard as moving pitch. A rule of thumb."""
    (r0, e0), (r1, e1) = FUSION_POINTS
    return np.exp(np.interp(rate_hz, [r0, r1], np.log([e0, e1])))
