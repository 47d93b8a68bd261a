"""What lies between the two notes of an alternation, in the mean spectrum of all of it.

Definition
----------
A trill stays on its two notes and hardly ever sounds between them, a vibrato passes through all that is
between its turns; and the echoes of a room sound where the notes do, whenever they come. So the mean spectrum
over the whole stretch tells a trill even where a room blurs its jumps: it is empty between two pitches.

The power is taken at pitches about the two, at every harmonic that holds them at least :data:`_CYCLES`
cycles of the alternation apart (closer ones its sidebands fill), up to :data:`_TOP_HZ`, through Hann windows
whose main lobe is a third of the distance, and averaged over the harmonics (dB, by the square root of their
power). The *levels* are where it is strongest on either side of the middle: echoes of the other note draw
plateaus of the pitch nearer to each other than the notes are. The *gap* is the mean power over the middle
three tenths between the levels, over that at the levels (dB).

Two things are no answer. What is strongest at the edge of what is looked at is no level: something else, or
the slope of the note's own line, goes on there. And the two notes of an alternation *take turns*, each is
louder in its own half cycles than in the other's, also where echoes leave of it nearly as much. What stands
at the levels all the while, as a piano's note, or by chance, as noise, is as strong in either: where upper
less lower level (dB, the same average, in windows half as long) is not greater above than below by
:data:`_SURELY` of its error over the half cycles, nothing is told.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np

_CYCLES, _TOP_HZ = 8.0, 5000.0
_WINDOW = 12.0  # over the distance of the two: a main lobe (4 over the window) of a third of it
_LEAST_POWER = 0.003  # of the strongest harmonic; below it is noise
_AROUND = np.linspace(-0.6, 1.6, 45)  # 0 and 1: the two pitches; farther apart neighbours of a scale may be
_APART, _MIDDLE = 0.3, 0.15  # of the distance: least of the levels, and half of what is their middle
_SURELY = 2.0  # the usual 95 %; of 120 vibratos and trills by an invented voice in rooms 114 have 4 and more
_USUAL_SPREAD_DB, _USUAL_COUNT = 5.0, 3  # of a half cycle, in rooms and dry, and what that is worth


@dataclass(frozen=True)
class Between:
    """Levels of an alternation in its mean spectrum, and how empty it is between them.

    Parameters
    ----------
    low, high : float
        The levels, as shares of the way from the lower to the upper pitch they were looked for about.
    gap_db : float
        Power between them over that at them.
    """

    low: float
    high: float
    gap_db: float


def seen_between(
    sound: np.ndarray,
    sampling_hz: float,
    low_hz: float,
    high_hz: float,
    cuts: np.ndarray,
    upper: np.ndarray,
) -> Between | None:
    """What the mean spectrum holds about two pitches; None where no harmonic tells, or something else sounds.

    Parameters
    ----------
    sound : ndarray [shape=(n,)]
        The alternation.
    sampling_hz : float > 0
        Its sampling rate.
    low_hz, high_hz : float > 0
        Where about the two pitches are.
    cuts : ndarray of int [shape=(half cycles + 1,)]
        First sample of each half cycle, and the end of the last.
    upper : ndarray of bool [shape=(half cycles,)]
        Whether it is on the upper note.
    """
    if high_hz <= low_hz or not len(sound):
        return None
    apart_hz = high_hz - low_hz
    cycles_hz = 0.5 * len(upper) * sampling_hz / (cuts[-1] - cuts[0])
    first = max(
        int(np.ceil(_CYCLES * cycles_hz / apart_hz)), int(_WINDOW / apart_hz * sampling_hz / len(sound)) + 1
    )
    orders = range(first, int(min(_TOP_HZ, 0.42 * sampling_hz) / high_hz) + 1)
    if not orders:
        return None

    sound = sound.astype(np.float32)

    def power(order: int, places: np.ndarray, window: float) -> tuple[np.ndarray, np.ndarray]:
        """At places from the lower to the upper pitch, frame by frame; and the frames' centres."""
        pitches_hz = order * low_hz * (high_hz / low_hz) ** places
        return _power(sound, pitches_hz / sampling_hz, int(window / (order * apart_hz) * sampling_hz))

    mean = np.array([power(order, _AROUND, _WINDOW)[0].mean(axis=0) for order in orders])
    total = mean.mean(axis=1)
    told = total > max(_LEAST_POWER * total.max(), 1e-20)
    if not told.any():
        return None
    weights = np.sqrt(total[told])
    spectrum = np.average(10 * np.log10(mean[told] / total[told, None] + 1e-6), axis=0, weights=weights)
    below, beyond = _AROUND <= 0.5 - _APART / 2, _AROUND >= 0.5 + _APART / 2
    low, high = (float(_AROUND[side][np.argmax(spectrum[side])]) for side in (below, beyond))
    if low == _AROUND[0] or high == _AROUND[-1]:
        return None
    levels = np.array([low, high])
    in_turn = [_by_halves(*power(order, levels, _WINDOW / 2), cuts) for order in np.array(orders)[told]]
    if not _take_turns(np.array(in_turn), weights, upper):
        return None
    inner = low + (high - low) * np.linspace(0.5 - _MIDDLE, 0.5 + _MIDDLE, 13)
    middle_db = 10 * np.log10(np.mean(10 ** (np.interp(inner, _AROUND, spectrum) / 10)))
    return Between(low, high, float(middle_db - np.interp(levels, _AROUND, spectrum).mean()))


def _power(sound: np.ndarray, turns: np.ndarray, length: int) -> tuple[np.ndarray, np.ndarray]:
    """Power at frequencies (of the sampling rate) in windows that follow by half of their length."""
    hop = max(length // 2, 1)
    frames = np.lib.stride_tricks.sliding_window_view(sound, length)[::hop]
    parts = np.square(frames @ _tones(turns, length), dtype=np.float64)
    power = (parts[:, : len(turns)] + parts[:, len(turns) :]) * 8 / (3 * max(length - 1, 1))
    return power, np.arange(len(frames)) * hop + length // 2


@numba.njit(cache=True)
def _tones(turns, length):
    """Tones through a Hann window, real parts, then imaginary ones [shape=(length, 2 tones)]."""
    count = len(turns)
    out = np.empty((length, 2 * count), dtype=np.float32)
    u, v, real, imag = (
        np.cos(2.0 * np.pi * turns),
        np.sin(2.0 * np.pi * turns),
        np.ones(count),
        np.zeros(count),
    )
    for t in range(length):
        left, right = out[t, :count], out[t, count:]
        window = 0.5 - 0.5 * np.cos(2.0 * np.pi * t / max(length - 1, 1))
        for i in range(count):
            x, y = real[i], imag[i]
            left[i], right[i] = window * x, window * y
            real[i], imag[i] = x * u[i] - y * v[i], x * v[i] + y * u[i]
    return out


def _by_halves(power: np.ndarray, centres: np.ndarray, cuts: np.ndarray) -> np.ndarray:
    """Upper less lower level (dB) in each half cycle; NaN where no window's centre is in it."""
    count = len(cuts) - 1
    half = np.clip(np.searchsorted(cuts, centres, side="right") - 1, 0, count - 1)
    low, high = (10 * np.log10(np.bincount(half, own, count) + 1e-20) for own in power.T)
    return np.where(np.bincount(half, minlength=count) > 0, high - low, np.nan)


def _take_turns(levels_db: np.ndarray, weights: np.ndarray, upper: np.ndarray) -> bool:
    """Whether upper less lower level [harmonic, half cycle] surely is greater in the upper half cycles."""
    weight = weights[:, None] * np.isfinite(levels_db)
    known = weight.sum(axis=0) > 0
    level = np.nansum(weight * levels_db, axis=0)[known] / weight.sum(axis=0)[known]
    sides = [level[upper[known] == side] for side in (True, False)]
    if not all(map(len, sides)):
        return False
    squares = sum(float(np.sum((side - side.mean()) ** 2)) for side in sides)
    freedom = _USUAL_COUNT + sum(len(side) - 1 for side in sides)
    variance = (_USUAL_COUNT * _USUAL_SPREAD_DB**2 + squares) / freedom
    error = np.sqrt(variance * sum(1 / len(side) for side in sides))
    return bool(sides[0].mean() - sides[1].mean() > _SURELY * error)
