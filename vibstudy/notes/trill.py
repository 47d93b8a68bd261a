"""Trill or vibrato: how likely a pitch that goes to and fro is a trill, by what was seen of it.

Definition
----------
A trill stays on its two notes and jumps; a vibrato sweeps. Seen of each half cycle is its *fullness*, the
mean distance from the middle over that of the plateau: 1 for a square wave, 0.69 for a sine, 0.67 for a
triangle (:mod:`vibstudy.notes.alternation`). A jump is not seen at once but through the window and after the
finger's 12 ms: a trill whose half cycle lasts h is expected to have a fullness of
1 - (0.012 s + half the window) / 2 h. A *round* trill, as of lips, slide or voice, glides from note to note,
at most through the whole half cycle, when it is as round as a vibrato. The log odds of a trill, quick or
round by what the player plays (:class:`Habit`), are those of

* the fullness: of a quick trill normal about what is expected (spread 0.06), of a round one even between that
  and a vibrato's, of a vibrato normal about that of a sine (0.018). A room, whose echoes are late, makes
  plateaus of the turns of a vibrato and pulls its harmonics apart: with a, the share of the interval by which
  they disagree in the quieter quarter of the time, a vibrato's is greater by a / 2, beyond 0.1 by 0.3 of
  the rest (to 0.4), and all spreads grow by 0.4 a (at most 0.08; root of squares), as by the error of the
  fullness over the half cycles. Where there is but one harmonic, a is taken to be 0.1;
* how unlike the times above and below the middle are (difference of mean logs): a vibrato swings evenly about
  its middle (normal, spread 0.1), fingers rest longer on one of the notes (0.4), both with the error; a room
  makes a vibrato uneven, too (2 a, root of squares). Trills of a second by six instruments have 0.25 (median;
  95 %: 0.8), vibratos of SoundFonts 0.02 (0.1), of players of flute, cello and trombone 0.14;
* jumps of level: fingers change it at once, breath, lips and resonance with the pitch's turns. What the mean
  cycle of the level holds of the third to the sixth harmonic of the cycle (root of squares, dB) is
  log-normal, about 0.5 dB for quick trills and half of the round ones, 0.14 dB for others (spread 1). A room
  makes such jumps of either: 7 a dB more (root of squares). (Jumps of timbre were tried: in noise they tell
  nothing. So was how much the plateaus scatter, 2 % of the interval for fingers, 7 for vibratos: what it
  tells the others tell, too.);
* what the mean spectrum holds between the two notes, where they take turns (:mod:`vibstudy.notes.between`):
  between the turns of vibratos 3.2 dB less than at them (normal, spread 1.2; two of a hundred hold anything),
  between the notes of most quick trills 13 dB less (5), both with the error; what is emptier still says as
  much as that. Of one in five (-6 dB and more: 11 of 100 trills of the development half, 10 of 36 by
  bassoons), and of round ones, it is as of vibratos: a gap that is filled says something against a trill, one
  that is empty much for it, in rooms, too;
* the interval: 1 or 2 semitones or, as trill fingerings are, a little less (:data:`_STEPS`), against the
  width of a vibrato, log-normal about what the player's mostly are (spread 0.45) or, of singers, about
  120 cents (spread 0.5);
* the place in the scale: a vibrato swings about a degree of the tempered scale, so does a trill of a tone,
  but the middle of a trill of a semitone lies between two degrees: normal about either (spread 15 cents and
  what is not known of the tuning, root of squares), or, one time in seven, anywhere;
* before anything is heard: :data:`TRILL_ODDS`, or, under a score's sign, :data:`SIGN_ODDS`.

A third thing may draw a pitch to and fro: noise, or others that sound with it. Such a *chance* swing is as
full and as wide as a trill, and before anything is heard as likely; but

* its levels take turns in the mean spectrum (:mod:`vibstudy.notes.between`) one time in four, a trill's nine
  times in ten (in rooms 0.87, dry 0.96 of 205 and 91 trills of the development half); told where anything
  stands at them;
* it does not go on: after its third half cycle two of three have another, and so forth (the median has four,
  the longest of 40 had eleven); of trills 0.97 (the median has thirty);
* its harmonics do not agree: their share a is log-normal about 0.5 (spread 0.45), a trill's 0.1 in the mean
  (exponential; dry 0.04, in rooms 0.13).

What is by chance says nothing of the note in which it is heard, which is left as it was. (Chance swings were
those of straight notes and narrow vibratos with a piano, strings or an organ beside them, dry and in rooms,
and of vibratos in noise, all by a SoundFont.)

Shapes, jumps and widths were measured on trills and vibratos of six orchestral instruments
(``benchmarks/real_sounds.py``, development half), on vibratos of ± 25-110 cents at 4-8.5 Hz by twelve
programs of a SoundFont, and on trills and vibratos in 700 invented rooms (``benchmarks/trills.py``). Above
:data:`SURE_P` it is a trill, below :data:`DOUBT_P` a vibrato, or none; between it is *unclear*: such a note
has no figures of vibrato and counts in no model.

References
----------
Mean over maximum of the sine and the triangle, on the inner half of a half cycle: elementary integrals.
Widths of singers: E. Prame, JASA 102(1), 1997, 616-621: ± 71 cents, tones from ± 34 to ± 123 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.special import ndtr

from vibstudy.pitch.ranges import is_brass, is_voice, is_wind
from vibstudy.units import to_cents

SURE_P = 0.5
"""Probability from which on it is told that it is a trill, being likelier. No model takes it either way."""
DOUBT_P = 0.05
"""Probability from which on it is not told that it is a vibrato: one trill among vibratos spoils more than a
vibrato left out."""
TRILL_ODDS = 0.1
"""Trills to vibratos, before anything is heard (common practice, no source)."""
SIGN_ODDS = 20.0
"""The same of a note that swings under a trill's sign (common practice, no source)."""
TUNING_SE_CENTS = 15.0
"""Spread about A = 440 Hz of a tuning that is not known (common practice, no source)."""

_FINGER_S = 0.012
_TRILL_SPREAD, _VIBRATO_FULLNESS, _VIBRATO_SPREAD = 0.06, 0.689, 0.018
_ROOM_APARTS, _ROOM_FULLER = (0.0, 0.1, 0.4), (0.0, 0.05, 0.14)
_ROOM_SPREAD, _MOST_ROOM_SPREAD, _ROOM_JUMP_DB = 0.4, 0.08, 7.0
_ONE_HARMONIC_APART = 0.1
_UNEVEN, _ROOM_UNEVEN = (0.4, 0.1), 2.0
_JUMP_DB, _JUMP_SPREAD, _LEAST_JUMP_DB = (0.5, 0.14), 1.0, 0.06
_GAP_DB, _GAP_SPREAD, _FILLED = (-13.0, -3.2), (5.0, 1.2), 0.2
_ANY_GAP_DB, _ANY_GAP = 30.0, 0.02
_TURNS, _GOES_ON, _FEWEST = (0.9, 0.25), (0.97, 0.67), 3
"""Of trills and of chance swings: share that takes turns, and that goes on after a half cycle."""
_TRILL_APART, _CHANCE_APART, _CHANCE_APART_SPREAD = 0.1, 0.5, 0.45
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


@dataclass(frozen=True)
class Swing:
    """What was seen of a pitch that goes to and fro.

    Parameters
    ----------
    fullness, fullness_se : float
        Of the fuller side: 1 for a square wave, 0.69 for a sine.
    uneven, uneven_se : float
        Mean log of the time that a half cycle is above the middle over the time it is below.
    half_s : float > 0
        Mean length of a half cycle.
    window_s : float > 0
        Half of the window it was seen through.
    apart : float >= 0
        Share of the interval by which its harmonics disagree; NaN where there is but one.
    jumps_db : float >= 0
        What the mean cycle of the level holds above its second harmonic.
    interval_cents : float > 0
        Upper less lower note.
    middle_cents : float
        Between them, re A = 440 Hz.
    gap_db : float
        Power between them over that at them, in the mean spectrum; NaN where it is not told.
    gap_se_db : float
        Its error.
    turns : bool | None
        Whether its levels take turns in the mean spectrum; None where that is not told.
    half_cycles : float >= 0
        How many; NaN where that is not known.
    """

    fullness: float
    fullness_se: float
    uneven: float
    uneven_se: float
    half_s: float
    window_s: float
    apart: float
    jumps_db: float
    interval_cents: float
    middle_cents: float
    gap_db: float = np.nan
    gap_se_db: float = 0.0
    turns: bool | None = None
    half_cycles: float = np.nan


def trill_probability(seen: Swing, habit: Habit = ANYBODY) -> float:
    """Probability [range 0..1] that a swing is a trill, and neither a vibrato nor there by chance."""
    apart = seen.apart if np.isfinite(seen.apart) else _ONE_HARMONIC_APART
    expected = 1 - (_FINGER_S + seen.window_s) / (2 * seen.half_s)
    quick, rounded = _by_shape(seen.fullness, seen.fullness_se, expected, apart)
    jumps = _by_jumps(seen.jumps_db, apart)
    log_odds = np.log(habit.odds) + _by_steps(seen.interval_cents, seen.middle_cents, habit)
    log_odds += _by_times(seen.uneven, seen.uneven_se, apart)
    log_odds += np.logaddexp(
        np.log1p(-habit.round_share) + quick + jumps + _by_gap(seen.gap_db, seen.gap_se_db),
        np.log(habit.round_share / 2) + rounded + np.logaddexp(0.0, jumps),
    )
    by_chance = log_odds + _chance_ratio(seen)
    return float(np.exp(log_odds - np.logaddexp.reduce([0.0, log_odds, by_chance])))


def kind_of(trill_p: float) -> str:
    """``trill``, ``unclear`` or ``note`` (a vibrato), by the probability of a trill."""
    if trill_p >= SURE_P:
        return "trill"
    return "unclear" if trill_p > DOUBT_P else "note"


def under_a_sign(trill_p: float) -> float:
    """Probability of a trill where the score's sign asks for one: other odds before anything is heard."""
    odds = SIGN_ODDS / TRILL_ODDS * trill_p
    return odds / (odds + 1.0 - trill_p)


def _by_shape(fullness: float, error: float, expected: float, apart: float) -> tuple[float, float]:
    """Log likelihood ratios against a vibrato: of a trill by fingers, `expected` so full, and a round one."""
    sine = _VIBRATO_FULLNESS + error / np.sqrt(np.pi) + float(np.interp(apart, _ROOM_APARTS, _ROOM_FULLER))
    expected = max(expected, sine + _VIBRATO_SPREAD)
    error = float(np.hypot(error, min(_ROOM_SPREAD * apart, _MOST_ROOM_SPREAD)))
    spread = float(np.hypot(_VIBRATO_SPREAD, error))
    vibrato = _log_normal(fullness, sine, spread)
    fingers = _log_normal(fullness, expected, float(np.hypot(_TRILL_SPREAD, error)))
    below = ndtr((fullness - np.array([sine, expected])) / spread)
    rounded = float(np.log((below[0] - below[1]) / (expected - sine) + 1e-30))
    return fingers - vibrato, rounded - vibrato


def _by_times(uneven: float, error: float, apart: float) -> float:
    """Log likelihood ratio of a trill, by how unlike the times above and below the middle are."""
    trill, vibrato = np.sqrt(np.square(_UNEVEN) + error**2 + (_ROOM_UNEVEN * apart) ** 2)
    return float(_log_normal(uneven, 0.0, trill) - _log_normal(uneven, 0.0, vibrato))


def _chance_ratio(seen: Swing) -> float:
    """Log likelihood ratio of a swing by chance against a trill."""
    ratio = 0.0
    if seen.turns is not None:
        trill, chance = (share if seen.turns else 1 - share for share in _TURNS)
        ratio += np.log(chance / trill)
    if np.isfinite(seen.half_cycles):
        more = max(seen.half_cycles - _FEWEST, 0)
        trill, chance = (np.log1p(-share) + more * np.log(share) for share in _GOES_ON)
        ratio += chance - trill
    if np.isfinite(seen.apart):
        apart = max(seen.apart, 1e-3)  # keeps a logarithm from zero
        chance = _log_normal(np.log(apart / _CHANCE_APART), 0.0, _CHANCE_APART_SPREAD) - np.log(apart)
        ratio += chance + apart / _TRILL_APART + np.log(_TRILL_APART)
    return float(ratio)


def _by_jumps(jumps_db: float, apart: float) -> float:
    """Log likelihood ratio of a trill, by the jumps of level."""
    usual = np.hypot(_JUMP_DB, _ROOM_JUMP_DB * apart)
    trill, vibrato = np.log(max(jumps_db, _LEAST_JUMP_DB) / usual) / _JUMP_SPREAD
    return float(vibrato**2 - trill**2) / 2


def _by_gap(gap_db: float, error_db: float) -> float:
    """Log likelihood ratio of a quick trill, by what lies between its notes."""
    if not np.isfinite(gap_db):
        return 0.0
    gap_db = max(gap_db, _GAP_DB[0])  # what is emptier still is no less a trill
    trill, vibrato = (
        np.exp(_log_normal(gap_db, *of)) for of in zip(_GAP_DB, np.hypot(_GAP_SPREAD, error_db), strict=True)
    )
    return float(
        np.log(_FILLED + (1 - _FILLED) * trill / ((1 - _ANY_GAP) * vibrato + _ANY_GAP / _ANY_GAP_DB))
    )


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
