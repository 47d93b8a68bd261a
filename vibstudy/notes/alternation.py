"""Where a pitch goes to and fro between two levels, and what is seen of it.

Definition
----------
The pitch (:mod:`vibstudy.notes.fine`) *alternates* where it crosses the middle between its running extremes
at least four times in a row, each time within 25 to 350 ms (what is shorter is a glitch), there and back so
often that no melody does (4.5 Hz; five times 3.6, falling to 2.4 at ten), and comes to the same two levels
again; what is slower is a melody. Half cycles of half the interval belong to it: the swings of a vibrato
come and go, those of a trill stay. What the sound's begin or end cuts counts as a half cycle, but has no
shape; beyond them the pitch is taken to go on as in a mirror, for the last frame of a fading end may say
anything. A longer note on one of the levels, before or after, counts as once more.

Each half cycle is measured on its own, so that neither a trill nor a vibrato needs a constant rate. Its
*fullness* is the mean distance from the middle over that of the plateau (the median of its inner half): 1 for
a square wave, 0.69 for a sine, 0.67 for a triangle. Fingers are often quicker in one direction, so the fuller
of the two sides counts (its median half cycle), which even for a sine is beyond its true one by the error
over the square root of π. Where the mean spectrum (:mod:`vibstudy.notes.between`) holds the two levels
farther apart than the plateaus, they are these. Whether it is a trill then is told by
:mod:`vibstudy.notes.trill`.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter, percentile_filter, uniform_filter1d

from vibstudy.notes.between import seen_between
from vibstudy.notes.fine import HOP_S, FinePitch, half_window_s
from vibstudy.notes.trill import ANYBODY, Habit, Swing, kind_of, trill_probability
from vibstudy.units import to_cents, to_hz

_AROUND_S = 0.5  # of the running extremes: a cycle of the slowest alternation and more
_EXTREMES = (12, 88)
_HYSTERESIS = 0.35
_HALF_CYCLE_S = (0.025, 0.35)
_LEAST_HALF_CYCLES = 4
_LEAST_COUNTS, _LEAST_RATES_HZ = (4, 5, 10), (4.5, 3.6, 2.4)
"""Half cycles and their least rate, between these in proportion: no melody goes to and fro so often and so
fast (common practice, no source)."""
LEAST_CENTS, _MOST_CENTS = 50.0, 330.0
"""Intervals of trills, of which quarter tones and minor thirds are the smallest and the largest."""
_SAME_CENTS, SAME_SHARE = 30.0, 0.45
_USUAL_SPREAD, _USUAL_COUNT = 0.08, 3  # of half cycles, and what that is worth where few are heard
_USUAL_LENGTHS = 0.1  # the same of their lengths (log)
_JUMP_ORDERS = (3, 6)
_CYCLE = 48  # points of a mean cycle: eight for each turn of its highest harmonic


@dataclass(frozen=True)
class Alternation:
    """A stretch in which the pitch goes to and fro between two levels.

    Parameters
    ----------
    begin_s, end_s : float
        From the first value of the pitch.
    rate_hz : float
        Cycles (there and back) a second.
    low_cents, high_cents : float
        Of the lower and of the upper note.
    half_cycles : int
        How many.
    fullness, fullness_se : float
        Of the fuller side: 1 for a square wave, 0.69 for a sine.
    gap_db : float
        Power between the two levels over that at them, in the mean spectrum; NaN where it is not told.
    trill_p : float
        Probability that it is a trill.
    """

    begin_s: float
    end_s: float
    rate_hz: float
    low_cents: float
    high_cents: float
    half_cycles: int
    fullness: float
    fullness_se: float
    gap_db: float
    trill_p: float

    @property
    def interval_cents(self) -> float:
        """Upper less lower note."""
        return self.high_cents - self.low_cents

    @property
    def kind(self) -> str:
        """``trill``, ``unclear`` or ``note`` (a vibrato)."""
        return kind_of(self.trill_p)


def find_alternations(
    pitch: FinePitch, *, least_cents: float = LEAST_CENTS, habit: Habit = ANYBODY
) -> list[Alternation]:
    """Find where a pitch goes to and fro between two levels, and whether it is a trill.

    Parameters
    ----------
    pitch : FinePitch
        From :func:`fine_pitch`.
    least_cents : float
        Smallest distance of the two levels.
    habit : Habit
        Of the player.

    Returns
    -------
    list of Alternation
        In the order of time; none overlap.
    """
    cents = pitch.cents
    if len(cents) < _LEAST_HALF_CYCLES * _HALF_CYCLE_S[0] / HOP_S:
        return []
    smooth = median_filter(np.clip(cents, -500.0, 500.0), 7)
    halves = _half_cycles(smooth)
    level = np.array([np.median(smooth[a + (b - a) // 4 : b - (b - a) // 4 + 1]) for a, b in halves])
    found = []
    for first, last, count in _runs(halves, level, least_cents / 2):  # a vibrato's swings come and go
        swing = _described(smooth, halves[first:last], level[first:last], pitch, habit)
        least_hz = np.interp(count, _LEAST_COUNTS, _LEAST_RATES_HZ)
        if swing.interval_cents >= least_cents and swing.rate_hz >= least_hz:
            found.append(swing)
    return found


def _half_cycles(smooth: np.ndarray) -> list[tuple[int, int]]:
    """Frames between one crossing of the middle and the next."""
    width = min(round(_AROUND_S / HOP_S), len(smooth))
    low, high = (
        uniform_filter1d(percentile_filter(smooth, q, size=width, mode="reflect"), width // 2 + 1)
        for q in _EXTREMES
    )
    away = (smooth - (low + high) / 2) / np.maximum((high - low) / 2, 5.0)
    side = np.where(away > _HYSTERESIS, 1, np.where(away < -_HYSTERESIS, -1, 0))
    told = np.flatnonzero(side)
    turns = told[1:][side[told][1:] != side[told][:-1]]
    crossed = np.flatnonzero(np.diff(np.sign(away)) != 0) + 1
    before = np.searchsorted(crossed, turns, side="right") - 1
    cuts = np.unique(crossed[before[before >= 0]])
    return _with_ends(_without_glitches(cuts.tolist()), len(smooth))


def _with_ends(cuts: list[int], frames: int) -> list[tuple[int, int]]:
    """Half cycles between cuts, and what lies before the first and after the last of them."""
    if not cuts:
        return []
    least = round(_HALF_CYCLE_S[0] / HOP_S)
    begin, end = [0] * (cuts[0] >= least), [frames] * (frames - cuts[-1] >= least)
    return list(itertools.pairwise(begin + cuts + end))


def _without_glitches(cuts: list[int]) -> list[int]:
    """Cuts without those on both sides of what is shorter than any half cycle, the shortest first."""
    least = round(_HALF_CYCLE_S[0] / HOP_S)
    while len(cuts) > 1:
        lengths = [b - a for a, b in itertools.pairwise(cuts)]
        shortest = min(range(len(lengths)), key=lengths.__getitem__)
        if lengths[shortest] >= least:
            break
        del cuts[shortest : shortest + 2]
    return cuts


def _runs(halves: list[tuple[int, int]], level: np.ndarray, least_cents: float) -> list[tuple[int, int, int]]:
    """Stretches that alternate between the same two levels: first and last (exclusive) half cycle, and count.

    A longer note beside them, on one of the levels, counts with them.
    """
    quick = [_HALF_CYCLE_S[0] <= (b - a) * HOP_S <= _HALF_CYCLE_S[1] for a, b in halves]
    step = np.abs(np.diff(level))
    swings = (step >= least_cents) & (step <= _MOST_CENTS)

    def comes_back(at: int, way: int) -> bool:
        """Whether a half cycle is on the level of the one two before it (`way` -1) or after it (1)."""
        between = min(at, at + way)
        near = max(_SAME_CENTS, SAME_SHARE * step[between])
        return bool(swings[between]) and abs(level[at] - level[at + 2 * way]) <= near

    runs, i = [], 0
    while i < len(halves):
        j = i
        while j < len(halves) and quick[j]:
            if j > i and not (swings[i] if j == i + 1 else comes_back(j, -1)):
                break
            j += 1
        first, last = (i + at for at in _without_long_ends([b - a for a, b in halves[i:j]]))
        count = last - first
        if count >= _LEAST_HALF_CYCLES - 1:
            count += (first > 0 and comes_back(first - 1, 1)) or (last < len(halves) and comes_back(last, -1))
        if count >= _LEAST_HALF_CYCLES:
            runs.append((first, last, count))
        i = j if count >= _LEAST_HALF_CYCLES else i + 1
    return runs


def _without_long_ends(lengths: list[int]) -> tuple[int, int]:
    """First and last (exclusive) half cycle but for those at the ends that another note, held, is part of."""
    first, last = 0, len(lengths)
    usual = np.median(lengths) if lengths else 0
    while first < last and lengths[first] > 2 * usual:
        first += 1
    while last > first and lengths[last - 1] > 2 * usual:
        last -= 1
    return first, last


def _described(
    smooth: np.ndarray, halves: list[tuple[int, int]], level: np.ndarray, pitch: FinePitch, habit: Habit
) -> Alternation:
    padded = np.concatenate([level[1:2], level, level[-2:-1]])
    middle = level / 2 + (padded[:-2] + padded[2:]) / 4
    full = np.array(
        [
            np.minimum(np.abs(smooth[a:b] - m) / max(abs(at - m), 5.0), 1.15).mean()
            for (a, b), at, m in zip(halves, level, middle, strict=True)
        ]
    )
    upper = level > middle
    whole = np.array([a > 0 and b < len(smooth) for a, b in halves])  # what the sound cuts has no shape
    inner = [half for half, own in zip(halves, whole, strict=True) if own]
    begin, end = inner[0][0], inner[-1][1]
    half_s = (end - begin) * HOP_S / len(inner)
    sides = [side for side in (full[upper & whole], full[~upper & whole]) if len(side)]
    fuller = max(sides, key=np.median)
    fullness, freedom = float(np.median(fuller)), len(fuller) - 1
    spread = _USUAL_COUNT * _USUAL_SPREAD**2 + float(np.sum((fuller - fullness) ** 2))
    error = float(np.sqrt(spread / (_USUAL_COUNT + freedom) / len(fuller)))
    low, high = float(np.median(level[~upper])), float(np.median(level[upper]))
    apart = float(np.percentile(pitch.apart_cents[begin:end], 25)) / (high - low)
    seen_low, seen_high, gap_db, gap_se_db, turns = _seen(pitch, inner, upper[whole], (low, high))
    uneven, uneven_se = _unevenness(np.array([b - a for a, b in halves]), upper, whole)
    seen = Swing(
        fullness,
        error,
        uneven,
        uneven_se,
        half_s,
        half_window_s(pitch.base_hz),
        apart,
        _jumps_db(pitch.level_db, inner),
        seen_high - seen_low,
        to_cents(pitch.base_hz) + (seen_low + seen_high) / 2,
        gap_db,
        gap_se_db,
        turns,
        len(halves),
    )
    trill_p = trill_probability(seen, habit)
    if kind_of(trill_p) != "note":
        low, high = seen_low, seen_high
    return Alternation(
        halves[0][0] * HOP_S,
        halves[-1][1] * HOP_S,
        0.5 / half_s,
        low,
        high,
        len(halves),
        fullness,
        error,
        gap_db,
        trill_p,
    )


def _seen(
    pitch: FinePitch, halves: list[tuple[int, int]], upper: np.ndarray, levels_cents: tuple[float, float]
) -> tuple[float, float, float, float, bool | None]:
    """Levels (cents) and gap by the mean spectrum where it tells; levels no nearer than the plateaus."""
    low, high = levels_cents
    hop = round(HOP_S * pitch.sampling_hz)
    begin, end = halves[0][0], halves[-1][1]
    between = seen_between(
        pitch.sound[begin * hop : end * hop],
        pitch.sampling_hz,
        float(to_hz(low, pitch.base_hz)),
        float(to_hz(high, pitch.base_hz)),
        hop * np.array([begin, *(b for _, b in halves)]) - hop * begin,
        upper,
    )
    if between is None:
        return low, high, np.nan, np.nan, None
    if between.high - between.low > 1:
        low, high = (low + share * (high - low) for share in (between.low, between.high))
    return low, high, between.gap_db, between.gap_se_db, between.turns


def _unevenness(length: np.ndarray, upper: np.ndarray, whole: np.ndarray) -> tuple[float, float]:
    """How much longer the pitch is above than below (mean log of the half cycles), and its error.

    Where none is whole on one side, it may have lasted as long as any.
    """
    if not 0 < np.sum(upper & whole) < np.sum(whole):
        return 0.0, float(np.log(_HALF_CYCLE_S[1] / _HALF_CYCLE_S[0]))
    sides = [np.log(length[side & whole]) for side in (upper, ~upper)]
    squares = sum(float(np.sum((side - side.mean()) ** 2)) for side in sides)
    freedom = _USUAL_COUNT + sum(len(side) - 1 for side in sides)
    variance = (_USUAL_COUNT * _USUAL_LENGTHS**2 + squares) / freedom
    error = np.sqrt(variance * sum(1 / len(side) for side in sides))
    return float(sides[0].mean() - sides[1].mean()), float(error)


def _jumps_db(level_db: np.ndarray, halves: list[tuple[int, int]]) -> float:
    """What the mean cycle of the level holds above its second harmonic, dB."""
    first, last = _JUMP_ORDERS
    turn = np.exp(-2j * np.pi * np.outer(np.arange(first, last + 1), np.arange(_CYCLE) / _CYCLE))
    parts = []
    for i, ((begin, _), (_, end)) in enumerate(itertools.pairwise(halves)):
        cycle = np.interp(np.linspace(begin, end, _CYCLE, endpoint=False), np.arange(len(level_db)), level_db)
        parts.append(turn @ cycle * (-1.0) ** (i * np.arange(first, last + 1)))  # begun half a cycle later
    return float(np.linalg.norm(np.mean(parts, axis=0))) * 2 / _CYCLE
