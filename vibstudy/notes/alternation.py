"""Trill, vibrato or neither: one decision about a pitch that goes to and fro, with its probability.

Definition
----------
The pitch is taken from the sound itself, every 2.5 ms through windows of three periods of the tone, since a
tracker's frame rounds a trill into a sine. It *alternates* where it crosses the middle between its running
extremes at least five times in a row, each time within 25 to 350 ms, there and back 3.6 times a second or
more, and comes to the same two levels again; what is slower is a melody.

A trill stays on its two notes and jumps; a vibrato sweeps. Each half cycle is measured on its own, so that
neither needs a constant rate. Its *fullness* is the mean distance from the middle over that of the plateau
(the median of its inner half): 1 for a square wave, 0.69 for a sine, 0.67 for a triangle. Fingers are often
quicker in one direction, so the fuller of the two sides counts. A jump is not seen
at once but through the window and after the finger's 12 ms: a trill whose half cycle lasts h is expected to
have a fullness of 1 - (0.012 s + half the window) / 2 h. The log odds of a trill are those of

* the fullness: normal about what is expected of a trill (spread 0.06), or of a vibrato, 0.704 (0.018). A
  room, whose echoes are late, makes plateaus of the turns of a vibrato and pulls its harmonics apart: with a,
  the share of the interval by which they disagree in the quieter quarter of the time, a vibrato is expected
  at 0.704 + a / 2 (at most 0.754), and both spreads grow by a / 4 (root of squares), as by the error of the
  fullness over the half cycles. Where there is but one harmonic, a is taken to be 0.1;
* jumps of level: fingers change it at once, breath and resonance with the pitch's turns. What the mean
  cycle of the level holds of the third to the sixth harmonic of the cycle (root of squares, dB) is log-
  normal, about 0.5 dB for trills and 0.14 dB for vibratos (spread 1). A room makes such jumps of a
  vibrato, too: by the share of a in 0.1 the witness counts less. (Jumps of timbre were tried: in noise they
  tell nothing.);
* the interval: 1 or 2 semitones (spread 25 cents) against the width of a vibrato, log-normal about 30 cents
  (spread 0.45) or, of singers, about 120 (spread 0.5), weighed by what the player is known to be
  (:class:`Habit`);
* before anything is heard: :data:`TRILL_ODDS`, or what a score's sign says.

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
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter, percentile_filter, uniform_filter1d

from vibstudy.pitch.ranges import is_voice

HOP_S = 0.0025
SURE_P = 0.9
"""Probability from which on it is told that it is a trill."""
DOUBT_P = 0.05
"""Probability from which on it is not told that it is a vibrato: one trill among vibratos spoils more than a
vibrato left out."""
TRILL_ODDS = 0.1
"""Trills to vibratos, before anything is heard (common practice, no source)."""

_TOP_HZ, _HARMONICS = 1500.0, 6
_AROUND_S = 0.5  # of the running extremes: a cycle of the slowest alternation and more
_EXTREMES = (12, 88)
_HYSTERESIS = 0.35
_HALF_CYCLE_S = (0.025, 0.35)
_LEAST_HALF_CYCLES, _LEAST_RATE_HZ = 5, 3.6
LEAST_CENTS, _MOST_CENTS = 50.0, 330.0
"""Intervals of trills, of which quarter tones and minor thirds are the smallest and the largest."""
_SAME_CENTS, _SAME_SHARE = 30.0, 0.45
_FINGER_S = 0.012
_TRILL_SPREAD, _VIBRATO_FULLNESS, _VIBRATO_SPREAD = 0.06, 0.704, 0.018
_LEAST_FULLNESS = 0.72
_ROOM_APART, _ROOM_FULLER, _ROOM_SPREAD = 0.1, 0.5, 0.25
_USUAL_SPREAD, _USUAL_COUNT = 0.08, 3  # of half cycles, and what that is worth where few are heard
_JUMP_DB, _JUMP_SPREAD, _LEAST_JUMP_DB = (0.5, 0.14), 1.0, 0.06
_JUMP_ORDERS = (3, 6)
_STEPS_CENTS, _STEP_SPREAD_CENTS = (100.0, 200.0), 25.0
_NARROW_CENTS, _NARROW_SPREAD = 30.0, 0.45
_WIDE_CENTS, _WIDE_SPREAD = 120.0, 0.5


@dataclass(frozen=True)
class Habit:
    """What is known of a player before anything is heard.

    Parameters
    ----------
    odds : float > 0
        Of a trill against a vibrato.
    wide_share : float [range 0..1]
        Share of vibratos that are as wide as a singer's. Of 90 vibratos of ± 10 cents and more by players of
        flute, bassoon, trombone and cello none was; a third is half-way between them and singers.
    """

    odds: float = TRILL_ODDS
    wide_share: float = 0.3

    @classmethod
    def of(cls, instrument: object) -> Habit:
        """Of an instrument as the manifest names it; as of anybody's where it is not known."""
        if not isinstance(instrument, str):
            return cls()
        return cls(wide_share=0.9 if is_voice(instrument) else 0.02)


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
        if self.trill_p >= SURE_P:
            return "trill"
        return "unclear" if self.trill_p > DOUBT_P else "note"


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
        for first, last in _runs(halves, level, least_cents)
    ]
    return [swing for swing in found if swing.rate_hz >= _LEAST_RATE_HZ]


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
    return list(itertools.pairwise(cuts.tolist()))


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
            if j > i + 1 and abs(level[j] - level[j - 2]) > max(_SAME_CENTS, _SAME_SHARE * step[j - 1]):
                break
            j += 1
        long_enough = j - i >= _LEAST_HALF_CYCLES
        if long_enough:
            runs.append((i, j))
        i = j if long_enough else i + 1
    return runs


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
    fuller = max((full[upper], full[~upper]), key=lambda side: side.mean())
    fullness, freedom = float(fuller.mean()), len(fuller) - 1
    spread = _USUAL_COUNT * _USUAL_SPREAD**2 + float(np.sum((fuller - fullness) ** 2))
    error = float(np.sqrt(spread / (_USUAL_COUNT + freedom) / len(fuller)))
    low, high = float(np.median(level[~upper])), float(np.median(level[upper]))
    apart = float(np.percentile(pitch.apart_cents[halves[0][0] : halves[-1][1]], 25)) / (high - low)
    apart = apart if np.isfinite(apart) else _ROOM_APART
    expected = 1 - (_FINGER_S + _half_window_s(pitch.base_hz)) / (2 * half_s)
    log_odds = np.log(habit.odds) + _by_shape(fullness, error, expected, apart)
    log_odds += _by_jumps(_jumps_db(pitch.level_db, halves), apart) + _by_width(high - low, habit.wide_share)
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


def _by_shape(fullness: float, error: float, expected: float, apart: float) -> float:
    """Log likelihood ratio of a trill of `expected` fullness against a vibrato."""
    sine = _VIBRATO_FULLNESS + _ROOM_FULLER * min(apart, _ROOM_APART)
    error = float(np.hypot(error, _ROOM_SPREAD * apart))
    trill = _log_normal(fullness, max(expected, _LEAST_FULLNESS), np.hypot(_TRILL_SPREAD, error))
    return trill - _log_normal(fullness, sine, np.hypot(_VIBRATO_SPREAD, error))


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


def _by_width(interval_cents: float, wide_share: float) -> float:
    """Log likelihood ratio of a trill, by the distance of its two notes."""
    steps = [_log_normal(interval_cents, at, _STEP_SPREAD_CENTS) for at in _STEPS_CENTS]
    step = float(np.logaddexp.reduce(steps) - np.log(len(steps)))
    narrow = _log_normal(np.log(interval_cents / _NARROW_CENTS), 0.0, _NARROW_SPREAD) + np.log1p(-wide_share)
    wide = _log_normal(np.log(interval_cents / _WIDE_CENTS), 0.0, _WIDE_SPREAD) + np.log(wide_share)
    return step - float(np.logaddexp(narrow, wide) - np.log(interval_cents))


def _log_normal(value: float, mean: float, spread: float) -> float:
    return float(-0.5 * ((value - mean) / spread) ** 2 - np.log(spread))
