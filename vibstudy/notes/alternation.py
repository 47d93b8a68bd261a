"""Trill, vibrato or neither: one decision about a pitch that goes to and fro, with its probability.

Definition
----------
The pitch is taken from the sound itself, every 2.5 ms through windows of three periods of the tone, since a
tracker's frame rounds a trill into a sine. It *alternates* where it crosses the middle between its running
extremes at least five times in a row, each time within 25 to 350 ms (what is shorter is a glitch), there and
back 3.6 times a second or more (2.4 times where it does so ten times), and comes to the same two levels
again; what is slower is a melody. Half cycles of half the interval belong to it: the swings of a vibrato come
and go, those of a trill stay.

A trill stays on its two notes and jumps; a vibrato sweeps. Each half cycle is measured on its own, so that
neither needs a constant rate. Its *fullness* is the mean distance from the middle over that of the plateau
(the median of its inner half): 1 for a square wave, 0.69 for a sine, 0.67 for a triangle. Fingers are often
quicker in one direction, so the fuller of the two sides counts (its median half cycle), which even for a
sine is beyond its true one by the error over the square root of π. A jump is not seen at once but through the
window and after the finger's 12 ms: a trill whose half cycle lasts h is expected to have a fullness of
1 - (0.012 s + half the window) / 2 h. A *round* trill, as of lips, slide or voice, glides from note to note,
at most through the whole half cycle, when it is as round as a vibrato. The log odds of a trill, quick or
round by what the player plays (:class:`Habit`), are those of

* the fullness: of a quick trill normal about what is expected (spread 0.06), of a round one even between that
  and a vibrato's, of a vibrato normal about that of a sine (0.018). A room, whose echoes are late, makes
  plateaus of the turns of a vibrato and pulls its harmonics apart: with a, the share of the interval by which
  they disagree in the quieter quarter of the time, a vibrato's is greater by a / 2 (at most 0.05), and all
  spreads grow by a / 4 (root of squares), as by the error of the fullness over the half cycles. Where there
  is but one harmonic, a is taken to be 0.1;
* jumps of level: fingers change it at once, breath, lips and resonance with the pitch's turns. What the mean
  cycle of the level holds of the third to the sixth harmonic of the cycle (root of squares, dB) is
  log-normal, about 0.5 dB for quick trills and half of the round ones, 0.14 dB for others (spread 1). A room
  makes such jumps of a vibrato, too: by the share of a in 0.1 the witness counts less. (Jumps of timbre were
  tried: in noise they tell nothing.);
* the interval: 1 or 2 semitones or, as trill fingerings are, a little less (:data:`_STEPS`), against the
  width of a vibrato, log-normal about what the player's mostly are (spread 0.45) or, of singers, about
  120 cents (spread 0.5);
* the place in the scale: a vibrato swings about a degree of the tempered scale, so does a trill of a tone,
  but the middle of a trill of a semitone lies between two degrees: normal about either (spread 15 cents and
  what is not known of the tuning, root of squares), or, one time in seven, anywhere;
* before anything is heard: :data:`TRILL_ODDS`, or, under a score's sign, :data:`SIGN_ODDS`.

Shapes, jumps and widths were measured on trills and vibratos of six orchestral instruments
(``benchmarks/real_sounds.py``, development half), on vibratos of ± 25-110 cents at 4-8.5 Hz by twelve
programs of a SoundFont, and on trills and vibratos in 780 invented rooms (``benchmarks/trills.py``). Above
:data:`SURE_P` it is a trill, below :data:`DOUBT_P` a vibrato; between it is *unclear*: such a note has no
figures of vibrato and counts in no model.

References
----------
Mean over maximum of the sine and the triangle, on the inner half of a half cycle: elementary integrals.
Widths of singers: E. Prame, JASA 102(1), 1997, 616-621: ± 71 cents, tones from ± 34 to ± 123 (from memory).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.ndimage import median_filter, percentile_filter, uniform_filter1d
from scipy.special import ndtr

from vibstudy.pitch.ranges import is_brass, is_voice, is_wind
from vibstudy.units import to_cents

HOP_S = 0.0025
SURE_P = 2.0 / 3.0
"""Probability from which on it is told that it is a trill. No model takes it either way: a wrong word costs
twice a missing one."""
DOUBT_P = 0.05
"""Probability from which on it is not told that it is a vibrato: one trill among vibratos spoils more than a
vibrato left out."""
TRILL_ODDS = 0.1
"""Trills to vibratos, before anything is heard (common practice, no source)."""
SIGN_ODDS = 20.0
"""The same of a note that swings under a trill's sign (common practice, no source)."""
TUNING_SE_CENTS = 15.0
"""Spread about A = 440 Hz of a tuning that is not known (common practice, no source)."""

_TOP_HZ, _HARMONICS = 1500.0, 6
_PARTS, _BETWEEN_SHARE, _LOWEST_HZ, _LOOKS = (2, 3, 5), 0.1, 26.0, 60
# the share was 0.16 and more for the two of 60 trills that were read at a harmonic, 0.08 and less for others
_AROUND_S = 0.5  # of the running extremes: a cycle of the slowest alternation and more
_EXTREMES = (12, 88)
_HYSTERESIS = 0.35
_HALF_CYCLE_S = (0.025, 0.35)
_LEAST_HALF_CYCLES, _LEAST_RATE_HZ = 5, 3.6
_SLOW_HALF_CYCLES, _SLOW_RATE_HZ = 10, 2.4  # no melody goes to and fro so often (common practice, no source)
LEAST_CENTS, _MOST_CENTS = 50.0, 330.0
"""Intervals of trills, of which quarter tones and minor thirds are the smallest and the largest."""
_SAME_CENTS, SAME_SHARE = 30.0, 0.45
_FINGER_S = 0.012
_TRILL_SPREAD, _VIBRATO_FULLNESS, _VIBRATO_SPREAD = 0.06, 0.689, 0.018
_ROOM_APART, _ROOM_FULLER, _ROOM_SPREAD = 0.1, 0.5, 0.25
_USUAL_SPREAD, _USUAL_COUNT = 0.08, 3  # of half cycles, and what that is worth where few are heard
_JUMP_DB, _JUMP_SPREAD, _LEAST_JUMP_DB = (0.5, 0.14), 1.0, 0.06
_JUMP_ORDERS = (3, 6)
_STEPS = ((88.0, 0.18, 50.0), (181.0, 0.12, 0.0))
"""Trills of a semitone and of a tone: width (geometric mean of 39 and 36), its spread (log), and how
far the middle lies from a degree of the scale, cents."""
_PLACE_CENTS, _ANYWHERE = 15.0, 0.15
_NARROW_SPREAD = 0.45
_WIDE_CENTS, _WIDE_SPREAD = 120.0, 0.5


@dataclass(frozen=True)
class Habit:
    """What is known of a player before anything is heard.

    Parameters
    ----------
    odds : float > 0
        Of a trill against a vibrato.
    usual_cents : float > 0
        Middle width of vibratos that are not as wide as a singer's.
    wide_share : float [range 0..1]
        Share of those that are.
    round_share : float [range 0..1]
        Share of trills that glide from note to note, as lips, slide and voice do.
    tuning_cents, tuning_se_cents : float
        Tuning of the take re A = 440 Hz, and its error.
    """

    odds: float = TRILL_ODDS
    usual_cents: float = 30.0
    wide_share: float = 0.3
    round_share: float = 0.1
    tuning_cents: float = 0.0
    tuning_se_cents: float = TUNING_SE_CENTS

    @classmethod
    def of(cls, instrument: object, tuning_hz: float | None = None) -> Habit:
        """Of an instrument as the manifest names it; as of anybody's where it is not known.

        Of 177 vibratos of ± 5 cents and more by orchestral players of flute, bassoon and trombone none was
        wider than ± 30 cents (at 95 %, wide ones are at most 1.7 %); their median is ± 9, that of 181 by
        cellists ± 11. The shares of saxophones, strings, brass and voices are common practice, no source.

        Parameters
        ----------
        instrument : object
            Any words; missing values are not known.
        tuning_hz : float > 0 | None
            Where it is given for the take.
        """
        habit = cls()
        if is_voice(instrument):
            habit = cls(wide_share=0.9)
        elif is_wind(instrument):
            habit = cls(usual_cents=20.0, wide_share=0.01, round_share=0.5 if is_brass(instrument) else 0.1)
        elif isinstance(instrument, str):
            habit = cls(wide_share=0.1)
        if tuning_hz:
            habit = replace(habit, tuning_cents=float(to_cents(tuning_hz)), tuning_se_cents=0.0)
        return habit


ANYBODY = Habit()
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
        Median of the lower and of the upper plateaus.
    half_cycles : int
        How many.
    fullness, fullness_se : float
        Of the fuller side: 1 for a square wave, 0.69 for a sine.
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
    trill_p: float

    @property
    def interval_cents(self) -> float:
        """Upper less lower plateau."""
        return self.high_cents - self.low_cents

    @property
    def kind(self) -> str:
        """``trill``, ``unclear`` or ``note`` (a vibrato)."""
        return kind_of(self.trill_p)


def kind_of(trill_p: float) -> str:
    """``trill``, ``unclear`` or ``note`` (a vibrato), by the probability of a trill."""
    if trill_p >= SURE_P:
        return "trill"
    return "unclear" if trill_p > DOUBT_P else "note"


def under_a_sign(trill_p: float) -> float:
    """Probability of a trill where the score's sign asks for one: other odds before anything is heard."""
    odds = SIGN_ODDS / TRILL_ODDS * trill_p
    return odds / (odds + 1.0 - trill_p)


@dataclass(frozen=True, eq=False)
class FinePitch:
    """Pitch of the sound itself, every 2.5 ms.

    Parameters
    ----------
    cents : ndarray [shape=(n,)]
        From the pitch it was taken about.
    apart_cents : ndarray [shape=(n,)]
        How far the harmonics disagree (weighted standard deviation); NaN where there is but one.
    level_db : ndarray [shape=(n,)]
        Level of the sound in the same windows.
    base_hz : float
        The pitch it was taken about: it tells the window.
    """

    cents: np.ndarray
    apart_cents: np.ndarray
    level_db: np.ndarray
    base_hz: float


def fine_pitch(
    samples: np.ndarray, rate_hz: float, begin_s: float, end_s: float, base_hz: float
) -> FinePitch:
    """Pitch every 2.5 ms, from the phase of the low harmonics of `base_hz`."""
    half = int(_half_window_s(base_hz) * rate_hz)
    hop = round(HOP_S * rate_hz)
    centres = np.arange(round(begin_s * rate_hz), round(end_s * rate_hz), hop)
    centres = centres[(centres >= half) & (centres < len(samples) - half)]
    if len(centres) < 3:
        return FinePitch(np.empty(0), np.empty(0), np.empty(0), base_hz)
    at = np.arange(-half, half)
    frames = np.lib.stride_tricks.sliding_window_view(samples, 2 * half)[centres - half]
    order = np.arange(1, max(1, min(_HARMONICS, int(0.4 * rate_hz / base_hz))) + 1)
    turn = 2 * np.pi * base_hz * order / rate_hz
    angle = at[:, None] * turn
    tones = np.hanning(2 * half)[:, None] * np.concatenate([np.cos(angle), np.sin(angle)], axis=1)
    parts = frames.astype(np.float32) @ tones.astype(np.float32)
    harmonics = parts[:, : len(order)] - 1j * parts[:, len(order) :]
    change = harmonics[1:] * harmonics[:-1].conj()
    weight = np.abs(change) * order**2
    low = weight * (
        (order == 1) | (order * base_hz <= _TOP_HZ)
    )  # the phase of higher ones may wrap in a jump
    away = np.angle(change * np.exp(-1j * turn * hop)) / (turn * hop)
    deviation = (low * away).sum(axis=1) / (low.sum(axis=1) + 1e-20)
    rest = np.angle(change * np.exp(-1j * turn * hop * (1 + deviation[:, None]))) / (turn * hop)
    spread = np.sqrt((weight * rest**2).sum(axis=1) / (weight.sum(axis=1) + 1e-20))
    apart = 1200 / np.log(2) * spread if len(order) > 1 else np.full(len(away), np.nan)
    power = np.square(frames[:-1], dtype=np.float64) @ np.hanning(2 * half) ** 2
    cents = 1200 * np.log2(np.maximum(1 + deviation, 0.5))
    return FinePitch(cents, apart, 10 * np.log10(power + 1e-12), base_hz)


def _half_window_s(base_hz: float) -> float:
    return max(1.5 / base_hz, 0.004)


def sounding_base_hz(samples: np.ndarray, rate_hz: float, begin_s: float, pitch: FinePitch) -> float:
    """The pitch that a fine pitch was taken about, or its half, third or fifth where it is but a harmonic.

    A lower pitch sounds where its harmonics between those of the one it was taken about, less what lies
    half-way between them, hold more than :data:`_BETWEEN_SHARE` of their power, along the line; of several,
    the one for which they hold most.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        Sound.
    rate_hz : float > 0
        Its sampling rate.
    begin_s : float
        Where `pitch` begins.
    pitch : FinePitch
        From :func:`fine_pitch`.
    """
    base_hz, hop = pitch.base_hz, round(HOP_S * rate_hz)
    shares = {base_hz: _BETWEEN_SHARE}
    since = max(int(begin_s * rate_hz), int(_half_window_s(base_hz) * rate_hz))
    for parts in _PARTS:
        lower = base_hz / parts
        half = int(2 / lower * rate_hz)  # a window of four periods, which parts its harmonics
        step = max(half // hop, len(pitch.cents) // _LOOKS, 1)
        at = since + np.arange(0, len(pitch.cents), step) * hop
        inside = (at >= half) & (at < len(samples) - half)
        if lower < _LOWEST_HZ or inside.sum() < 3:
            continue
        cents = pitch.cents[::step][inside]
        frames = np.lib.stride_tricks.sliding_window_view(samples, 2 * half)[at[inside] - half]
        count = min(3 * parts, int(0.4 * rate_hz / lower))
        turn = -1j * np.pi * np.arange(-half, half) * lower / rate_hz
        sound = frames * np.hanning(2 * half)
        half_step = np.exp(turn * 2.0 ** (cents[:, None] / 1200))
        tone = half_step.copy()
        power = np.empty((2 * count, len(frames)))
        for row in power:  # whole harmonics, and half-way between
            tone *= half_step
            row[:] = np.abs(np.vecdot(tone, sound)) ** 2
        whole, beside = power[::2], power[1::2]
        between = np.arange(1, count + 1) % parts > 0
        share = (whole[between] - beside[between]).sum(axis=0) / (whole.sum(axis=0) + 1e-20)
        shares[lower] = float(np.median(share))
    return max(shares, key=shares.__getitem__)


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
    found = [
        _described(smooth, halves[first:last], level[first:last], pitch, habit)
        for first, last in _runs(
            halves, level, least_cents / 2
        )  # those of a vibrato come and go, a trill's stay
    ]
    return [
        s
        for s in found
        if s.interval_cents >= least_cents
        and s.rate_hz >= (_LEAST_RATE_HZ if s.half_cycles < _SLOW_HALF_CYCLES else _SLOW_RATE_HZ)
    ]


def _half_cycles(smooth: np.ndarray) -> list[tuple[int, int]]:
    """Frames between one crossing of the middle and the next."""
    width = min(round(_AROUND_S / HOP_S), len(smooth))
    low, high = (
        uniform_filter1d(percentile_filter(smooth, q, size=width, mode="nearest"), width // 2 + 1)
        for q in _EXTREMES
    )
    away = (smooth - (low + high) / 2) / np.maximum((high - low) / 2, 5.0)
    side = np.where(away > _HYSTERESIS, 1, np.where(away < -_HYSTERESIS, -1, 0))
    told = np.flatnonzero(side)
    turns = told[1:][side[told][1:] != side[told][:-1]]
    crossed = np.flatnonzero(np.diff(np.sign(away)) != 0) + 1
    before = np.searchsorted(crossed, turns, side="right") - 1
    cuts = np.unique(crossed[before[before >= 0]])
    return list(itertools.pairwise(_without_glitches(cuts.tolist())))


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


def _runs(halves: list[tuple[int, int]], level: np.ndarray, least_cents: float) -> list[tuple[int, int]]:
    """First and last (exclusive) half cycles of stretches that alternate between the same two levels."""
    step = np.abs(np.diff(level))
    quick = [_HALF_CYCLE_S[0] <= (b - a) * HOP_S <= _HALF_CYCLE_S[1] for a, b in halves]
    runs, i = [], 0
    while i < len(halves):
        j = i
        while j < len(halves) and quick[j]:
            if j > i and not least_cents <= step[j - 1] <= _MOST_CENTS:
                break
            if j > i + 1 and abs(level[j] - level[j - 2]) > max(_SAME_CENTS, SAME_SHARE * step[j - 1]):
                break
            j += 1
        first, last = _without_long_ends([b - a for a, b in halves[i:j]])
        long_enough = last - first >= _LEAST_HALF_CYCLES
        if long_enough:
            runs.append((i + first, i + last))
        i = j if long_enough else i + 1
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
    count = len(halves)
    half_s = (halves[-1][1] - halves[0][0]) * HOP_S / count
    upper = level > middle
    fuller = max((full[upper], full[~upper]), key=np.median)
    fullness, freedom = float(np.median(fuller)), len(fuller) - 1
    spread = _USUAL_COUNT * _USUAL_SPREAD**2 + float(np.sum((fuller - fullness) ** 2))
    error = float(np.sqrt(spread / (_USUAL_COUNT + freedom) / len(fuller)))
    low, high = float(np.median(level[~upper])), float(np.median(level[upper]))
    apart = float(np.percentile(pitch.apart_cents[halves[0][0] : halves[-1][1]], 25)) / (high - low)
    apart = apart if np.isfinite(apart) else _ROOM_APART
    expected = 1 - (_FINGER_S + _half_window_s(pitch.base_hz)) / (2 * half_s)
    quick, rounded = _by_shape(fullness, error, expected, apart)
    jumps = _by_jumps(_jumps_db(pitch.level_db, halves), apart)
    middle_cents = to_cents(pitch.base_hz) + (low + high) / 2
    log_odds = np.log(habit.odds) + _by_steps(high - low, middle_cents, habit)
    log_odds += np.logaddexp(
        np.log1p(-habit.round_share) + quick + jumps,
        np.log(habit.round_share / 2) + rounded + np.logaddexp(0.0, jumps),
    )
    return Alternation(
        halves[0][0] * HOP_S,
        halves[-1][1] * HOP_S,
        0.5 / half_s,
        low,
        high,
        count,
        fullness,
        error,
        float(1 / (1 + np.exp(-np.clip(log_odds, -50, 50)))),
    )


def _by_shape(fullness: float, error: float, expected: float, apart: float) -> tuple[float, float]:
    """Log likelihood ratios against a vibrato: of a trill by fingers, `expected` so full, and a round one."""
    sine = _VIBRATO_FULLNESS + error / np.sqrt(np.pi) + _ROOM_FULLER * min(apart, _ROOM_APART)
    expected = max(expected, sine + _VIBRATO_SPREAD)
    error = float(np.hypot(error, _ROOM_SPREAD * apart))
    spread = float(np.hypot(_VIBRATO_SPREAD, error))
    vibrato = _log_normal(fullness, sine, spread)
    fingers = _log_normal(fullness, expected, float(np.hypot(_TRILL_SPREAD, error)))
    below = ndtr((fullness - np.array([sine, expected])) / spread)
    rounded = float(np.log((below[0] - below[1]) / (expected - sine) + 1e-30))
    return fingers - vibrato, rounded - vibrato


def _jumps_db(level_db: np.ndarray, halves: list[tuple[int, int]]) -> float:
    """What the mean cycle of the level holds above its second harmonic, dB."""
    first, last = _JUMP_ORDERS
    turn = np.exp(-2j * np.pi * np.outer(np.arange(first, last + 1), np.arange(_CYCLE) / _CYCLE))
    parts = []
    for i, ((begin, _), (_, end)) in enumerate(itertools.pairwise(halves)):
        cycle = np.interp(np.linspace(begin, end, _CYCLE, endpoint=False), np.arange(len(level_db)), level_db)
        parts.append(turn @ cycle * (-1.0) ** (i * np.arange(first, last + 1)))  # begun half a cycle later
    return float(np.linalg.norm(np.mean(parts, axis=0))) * 2 / _CYCLE


def _by_jumps(jumps_db: float, apart: float) -> float:
    """Log likelihood ratio of a trill, by the jumps of level."""
    trill, vibrato = np.log(max(jumps_db, _LEAST_JUMP_DB) / np.array(_JUMP_DB)) / _JUMP_SPREAD
    return max(1.0 - apart / _ROOM_APART, 0.0) * float(vibrato**2 - trill**2) / 2


def _by_steps(interval_cents: float, middle_cents: float, habit: Habit) -> float:
    """Log likelihood ratio of a trill, by the distance of its two notes and their place in the scale."""
    spread = float(np.hypot(_PLACE_CENTS, habit.tuning_se_cents))

    def place(from_degree_cents: float) -> float:
        away = (middle_cents - habit.tuning_cents - from_degree_cents + 50.0) % 100.0 - 50.0
        near = _log_normal(away + np.array([-100.0, 0.0, 100.0]), 0.0, spread)
        return float(np.logaddexp.reduce([*(near + np.log1p(-_ANYWHERE)), np.log(_ANYWHERE / 100.0)]))

    steps = [_log_normal(np.log(interval_cents / step), 0.0, own) + place(at) for step, own, at in _STEPS]
    step = float(np.logaddexp.reduce(steps) - np.log(len(steps)))
    share = habit.wide_share
    narrow = _log_normal(np.log(interval_cents / habit.usual_cents), 0.0, _NARROW_SPREAD) + np.log1p(-share)
    wide = _log_normal(np.log(interval_cents / _WIDE_CENTS), 0.0, _WIDE_SPREAD) + np.log(share)
    return step - float(np.logaddexp(narrow, wide)) - place(0.0)


def _log_normal(value: Any, mean: float, spread: float) -> Any:
    """Log of the normal density."""
    return -0.5 * ((value - mean) / spread) ** 2 - np.log(spread) - 0.5 * np.log(2 * np.pi)
