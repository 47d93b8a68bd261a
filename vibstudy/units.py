"""Pitch in Hz, in cents and as notes."""

from __future__ import annotations

from typing import Any

import numpy as np

CONCERT_HZ = 440.0
"""A4 (ISO 16)."""


def to_cents(f0_hz: Any, reference_hz: Any = CONCERT_HZ) -> Any:
    """Cents from a reference to frequencies in Hz."""
    return 1200.0 * np.log2(np.asarray(f0_hz) / reference_hz)


def to_hz(cents: Any, reference_hz: Any = CONCERT_HZ) -> Any:
    """Frequency in Hz from cents re a reference."""
    return reference_hz * np.exp2(np.asarray(cents) / 1200.0)


def to_midi(f0_hz: Any, tuning_hz: Any = CONCERT_HZ) -> Any:
    """MIDI number, with its fraction, of frequencies in Hz at a tuning (A4 = 69)."""
    return 69.0 + 12.0 * np.log2(f0_hz / tuning_hz)


def nearest_note(f0_hz: Any, tuning_hz: float) -> tuple[Any, Any]:
    """Nearest tempered note (MIDI number, range 0..127), and cents from the nearest tempered pitch."""
    semitones = to_midi(f0_hz, tuning_hz)
    nearest = np.round(semitones)
    return np.clip(nearest, 0, 127), 100.0 * (semitones - nearest)
