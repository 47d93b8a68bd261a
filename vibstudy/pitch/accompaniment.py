r"""Accompaniment: who else sounds beside a note, another line as strong, or the octave or twelfth below.

Both are told from the spectrum of the whole note (Hann window). A line of the note is what lies within the
swing of its pitch about a multiple of it. What is left belongs to others:

other_db, other_hz
    The strongest other pitch (100 to 1500 Hz, not a simple multiple or fraction of the note's): power at
    its multiples over the power of the note's own lines. A second player as loud gives about 0 dB, a chord
    of four tones as loud as the note -6 dB.
below_db
    Power halfway between the note's lines, at the odd multiples of half its pitch, over the power of its
    first four lines: high when the note is really an octave lower.
twelfth_db
    The same at the thirds between the lines: high when the note is really a twelfth lower.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.fft import next_fast_len, rfft

from vibstudy.pitch.refine import NoteLine
from vibstudy.units import ratio

_HARMONICS = 16
_TOP_HZ = 5000.0
_LOWEST_HZ = 60.0
_PITCHES_HZ = np.geomspace(100.0, 1500.0, 600)
_MULTIPLES_HZ = _PITCHES_HZ[:, None] * np.arange(1, _HARMONICS + 1)
_RELATED = np.log2(np.array([1 / 4, 1 / 3, 1 / 2, 1.0, 2.0, 3.0]))
_RELATED_OCTAVES = 0.06
_HANN = np.hanning(1 << 16).astype(np.float32)
_HALVES = np.array([0.5, 1.5, 2.5, 3.5])
_THIRDS = np.array([1.0, 2.0, 4.0, 5.0]) / 3.0
_HALF_STEP = 0.012  # of a pitch: how far from its multiples another's line may lie


@dataclass(frozen=True)
class Accompaniment:
    """What else sounds; see the module. dB, and Hz."""

    other_db: float
    below_db: float
    twelfth_db: float
    other_hz: float


def find_accompaniment(samples: np.ndarray, rate_hz: float, line: NoteLine) -> Accompaniment:
    """Look for another line, and for the octave below, while a note sounds.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        The sound `line` was refined from.
    rate_hz : float
        Its sampling rate.
    line : NoteLine
        The note.
    """
    first = max(0, round(line.onset_s * rate_hz))
    sound = samples[first : round(line.offset_s * rate_hz)].astype(np.float32)
    size = next_fast_len(2 * len(sound), real=True)
    f0 = line.reference_hz
    top_hz = min(_TOP_HZ, (_HARMONICS + 0.5) * f0)
    spectrum = rfft(sound * _hann(len(sound)), size)[: int(top_hz * size / rate_hz) + 1]
    power = spectrum.real**2 + spectrum.imag**2
    f_hz = np.arange(len(power)) * (rate_hz / size)
    rank = round(0.95 * (len(line.cents) - 1))
    swing = float(ratio(np.partition(np.abs(line.cents), rank)[rank])) - 1.0
    blur_hz = rate_hz / len(sound)

    def near(centres_hz: np.ndarray) -> np.ndarray:
        reach = np.maximum(2.5 * blur_hz, centres_hz * swing + 1.5 * blur_hz)
        inside = np.zeros(len(power), dtype=bool)
        edges = np.searchsorted(f_hz, [centres_hz - reach, centres_hz + reach])
        for begin, end in edges.T:
            inside[begin:end] = True
        return inside

    lines_hz = np.arange(f0, top_hz, f0)
    own = near(lines_hz)
    own_power = float(power[own].sum()) + 1e-30
    others = np.where(own | (f_hz < _LOWEST_HZ), np.float32(0.0), power)
    other, other_hz = _strongest(others, f_hz[1], blur_hz, f0)
    first_lines = float(power[near(lines_hz[:4])].sum()) + 1e-30
    below, twelfth = (
        _db(float(power[near(f0 * between)].sum()) / first_lines) for between in (_HALVES, _THIRDS)
    )
    return Accompaniment(_db(other / own_power), below, twelfth, other_hz)


def _strongest(power: np.ndarray, bin_hz: float, blur_hz: float, f0: float) -> tuple[float, float]:
    """Greatest power at the multiples of a pitch that is no simple relation of `f0`, and that pitch."""
    other = np.abs(np.log2(_PITCHES_HZ / f0)[:, None] - _RELATED).min(axis=1) > _RELATED_OCTAVES
    multiples = _MULTIPLES_HZ[other]
    running = np.concatenate([[0.0], np.cumsum(power, dtype=np.float64)])
    low, high = (
        np.clip(multiples * ((1.0 + sign * _HALF_STEP) / bin_hz) + sign * blur_hz / bin_hz, 0, len(power))
        for sign in (-1.0, 1.0)
    )
    sums = (running[high.astype(np.int32)] - running[low.astype(np.int32)]).sum(axis=1)
    best = int(sums.argmax())
    return float(sums[best]), float(_PITCHES_HZ[other][best])


def _hann(length: int) -> np.ndarray:
    """Hann window, from a table: close enough for a look, and in a fifth of the time."""
    return _HANN[np.linspace(0, len(_HANN) - 1, length).astype(np.int32)]


def _db(ratio: float) -> float:
    return float(10.0 * np.log10(ratio + 1e-12))
