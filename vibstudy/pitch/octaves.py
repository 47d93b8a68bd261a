"""The octave of a note, where the line held, the tracker and the sound disagree.

With accompaniment the line of notes is held high, since the soloist mostly lies above the accompaniment
(:mod:`vibstudy.notes.line`); a low note of the soloist can then be taken for its own second or third
harmonic, and a high one for a note of the accompaniment an octave below. Which pitch is the true one is told
from the harmonics that it has and a multiple of it has not: those *between*. They are brought to rest along
the line held (:func:`vibstudy.pitch.refine.harmonics_along`), and asked (:class:`Between`):

- Are they all there, as strong as their neighbours? Others' notes give some of them only.
- Do they keep step with the line through the whole note? Others' notes have another modulation, and partials
  that are no exact multiples.
- Do they swell and fade as their neighbours do? A piano's decay.
- How likely are they lines along the note's own course, however soft, rather than silent, or others' lines of
  steady pitch (:attr:`Between.own`)? So a weak fundamental is heard, as where a wind's second harmonic is far
  stronger: what a room or others leave there is no line along that course.
- Do they sound in a stretch of the note only (:attr:`Between.partly`)? Then they are no weak fundamental, but
  the line held the upper of two notes an octave apart through both, or another sounds; where the octave is
  sure on both sides and not the same, the note leaps there (:attr:`Octave.leaps_s`).

The answers give the log odds that the lower pitch is the true one, by logistic regression, in which a lower
note of weak fundamental is an answer of its own. For the octave they also count in what share of the frames
the tracker says the lower octave (:func:`octave_below`); for the twelfth how much the note stands out; for a
pitch that may be an octave too low, what share of the weight its odd harmonics have.

A note alone often leaves a weak fundamental open; the notes of a recording together do not
(:func:`lower_among`).

Learnt (``benchmarks/octaves.py``) from notes of six sampled winds of two SoundFonts beside a piano, strings
and a second wind, and of sampled and invented winds in rooms, some of weak fundamental (10 to 25 dB below
the second harmonic, and duller). On takes left out, of 3,683 notes 402 were an octave lower; 18 of these
were missed and 16 others moved. Of notes of weak fundamental an octave lower missed were 15 of 364 dry, 124
of 447 near in a recital room, 270 of 490 in its middle, 324 of 493 near beside a piano 6 dB softer; of 73
others none was moved. At the twelfth there was no error. Of 1,335 notes 31 were an octave higher; 7 missed,
15 others moved, all of weak fundamental. Learnt from one SoundFont and told of the other's notes beside a
piano: 2 of 55 missed, 4 of 593 moved; no error at the twelfth.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import astuple, dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.fft import fft, fftfreq, next_fast_len
from scipy.special import betainc, expit, logsumexp

from vibstudy.pitch.accompaniment import Accompaniment
from vibstudy.pitch.calculus import running_integral
from vibstudy.pitch.contour import Contour
from vibstudy.pitch.course import FLOOR
from vibstudy.pitch.demodulate import COURSE_S, NOISE_BANDWIDTH, slow_course
from vibstudy.pitch.refine import NoteLine, harmonics_along
from vibstudy.units import ratio

LOWER_ABOVE_DB, TWELFTH_ABOVE_DB = -28.0, -8.0
"""With less sound between its lines (:mod:`vibstudy.pitch.accompaniment`), no note was lower."""
LOWER_SHARE_ABOVE = 0.2
"""With more of the frames said an octave lower by the tracker, the octave below is looked into."""
HIGHER_BELOW = 0.35
"""With less of the weight on odd harmonics, the octave above is looked into."""
SPARSE = 0.1
"""A note with less of its weight on harmonics between the third ones is likely higher."""
# constant, then the figures in the order of Between, then what the question counts besides
_LOWER = np.array(
    [
        [6.942, 0.126, 0.199, -1.091, 0.124, 0.048, 0.741, 3.511],
        [-2.762, 0.003, 0.0, -0.264, 0.0, 0.043, 1.013, 1.928],  # of weak fundamental
    ]
)
_TWELFTH = np.array([[7.482, 0.255, 0.381, -0.638, -0.004]])
_HIGHER = np.array([[4.990, 0.086, 0.0, -0.266, 0.050, 0.088, 0.936, 3.891]])
WEAK_SHARE = 0.008
"""Share of notes that are lower and of weak fundamental, before anything is heard. Of 0.024, as the cases
counted that the weights were learnt from, down to 0.003 it makes the truth likeliest on 37 other takes of
``benchmarks/rooms.py``, 837 notes of weak fundamental and 424 others, the others counted ten times."""
LEAP_ODDS = 2.0
"""Log odds from which on the octave is not doubted."""
_SHARE_REACH = 10.0
"""Log odds of the least and the greatest share of a recording's notes that is looked at."""
_ASKED = {2.0: (2, 2), 3.0: (3, 3), 0.5: (2, 1)}
_NEAR_OCTAVES = 0.06
_EDGE_S = 0.03
LEAST_S = 0.12
"""A note on either side of a leap lasts so long: a shorter one is an ornament."""
STEP_S = 0.015
_HEARD_DB = 50.0  # a harmonic between softer neighbours (re the strongest) says nothing
_OTHERS_CENTS = 45.0  # so far from a harmonic another's line is not the next semitone's
_MOST_APART_DB, _DECAY_DB_S = 8.0, (-30.0, 10.0)


@dataclass(frozen=True)
class Between:
    """Harmonics of a pitch that are no multiples of `parts`, beside the multiples next to them.

    Parameters
    ----------
    weakest_db : float
        Lower tenth of their level re the mean of the neighbours', as far as they keep step with the line
        through the whole note.
    middle_db, lowest_db : float
        Median, and the least of the first ones (up to 3 `parts`), of the same level as far as they are
        slow (:data:`vibstudy.pitch.demodulate.COURSE_S`).
    apart_db : float
        How far the course of their level strays from that of the multiples (standard deviation), at most 8.
    decay_db_s : float
        How much quicker they rise than the multiples, dB/s, from -30 to 10.
    own : float
        Log likelihood ratio, compressed (inverse hyperbolic sine): each may be the note's own, against each
        being silent or another's line of steady pitch (:func:`_own`).
    partly : float
        Log likelihood ratio, compressed as `own`, of being such lines in a stretch of the note only against
        all the while (:func:`_change`); at least 0.
    changes_s : tuple of float
        When they begin, or cease, to be lines along the note's course, s from the first sample
        (:func:`_change`); none where they are or are not all the while.
    """

    weakest_db: float
    middle_db: float
    apart_db: float
    lowest_db: float
    decay_db_s: float
    own: float
    partly: float = 0.0
    changes_s: tuple[float, ...] = ()

    def odds(self, weights: np.ndarray, *more: float) -> np.ndarray:
        """Log odds that they are the note's own, in each of the ways that the rows of weights tell.

        Of a constant, of as many of the figures as there are weights, and of `more`.
        """
        figures = (1.0, *astuple(self))
        return weights @ (*figures[: weights.shape[1] - len(more)], *more)


class Octave(NamedTuple):
    """What a note alone tells of its pitch; from :func:`true_pitch`.

    Parameters
    ----------
    parts : float
        By what to divide the pitch held: 1, 2, 3 or a half.
    odds : float
        Log odds of the likeliest other pitch: above 0 when `parts` is not 1, 0 when the note is too short to
        tell, -inf when there was no reason to ask.
    lower : ndarray [shape=(2,)] | None
        Log odds of the octave below, of full and of weak fundamental, against the pitch held; -inf when there
        was no reason to ask, None when the note is too short to tell.
    leaps_s : float | None
        When first it leaps to the octave below, or from it, s from the first sample.
    """

    parts: float
    odds: float
    lower: np.ndarray | None
    leaps_s: float | None = None


def octave_below(line: Contour, tracked: Contour, onset_s: float, offset_s: float) -> float:
    """Share of a note's frames in which the tracker says the octave below the line, 0..1.

    Parameters
    ----------
    line, tracked : Contour
        The line held, and the tracker's own, of the same sound.
    onset_s, offset_s : float
        The note.
    """
    held = _inside(line, onset_s, offset_s)
    said = _inside(tracked, onset_s, offset_s)
    if not np.isfinite(held).any() or not len(said):
        return 0.0
    apart = np.log2(said / np.nanmedian(held))
    return float(np.mean(np.abs(apart + 1.0) < _NEAR_OCTAVES))


def _inside(contour: Contour, onset_s: float, offset_s: float) -> np.ndarray:
    inner = (contour.time_s >= onset_s + _EDGE_S) & (contour.time_s <= offset_s - _EDGE_S)
    return contour.f0_hz[inner]


def look_between(
    samples: np.ndarray, rate_hz: float, line: NoteLine, parts: int, below: int
) -> Between | None:
    """Look at the harmonics of a `below`-th of a note's pitch that are no multiples of `parts`.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        The sound `line` was refined from.
    rate_hz : float > 0
        Its sampling rate.
    line : NoteLine
        The note.
    parts : int > 1
        Which harmonics are those between: 2: the odd ones; 3: all but every third.
    below : int > 0
        The pitch asked about: that of the note (1), or a half or third of it.

    Returns
    -------
    Between | None
        None when the note is too short to tell, or has no such harmonics.
    """
    time_s, harmonics = harmonics_along(samples, rate_hz, line, below)
    between = np.arange(1, len(harmonics) + 1) % parts > 0
    if not len(time_s) or between.all():
        return None
    hop_s = time_s[1] - time_s[0]
    courses = slow_course(harmonics, hop_s)
    power = courses.real**2 + courses.imag**2
    slow_db = _db(power.mean(axis=1))
    steady_db = _db(np.abs(harmonics.mean(axis=1)) ** 2)
    multiples = np.flatnonzero(~between)
    steady, slow, heard = [], [], []
    for k in np.flatnonzero(between):
        at = np.searchsorted(multiples, k)
        beside = multiples[max(at - 1, 0) : at + 1]
        if slow_db[beside].max() > slow_db[multiples].max() - _HEARD_DB:
            steady.append(steady_db[k] - steady_db[beside].mean())
            slow.append(slow_db[k] - slow_db[beside].mean())
            heard.append(k)
    if not steady:
        return None
    apart = _db(power[between].sum(axis=0)) - _db(power[~between].sum(axis=0))
    since_s = time_s - time_s.mean()
    partly, changes_s = _change(harmonics[heard], power[heard], time_s)
    return Between(
        # the same in benchmarks/octaves.py, which learns the weights
        weakest_db=float(np.quantile(steady, 0.1)),
        middle_db=float(np.median(slow)),
        lowest_db=float(min(slow[: 3 * parts])),
        apart_db=min(float(apart.std()), _MOST_APART_DB),
        decay_db_s=float(np.clip(since_s @ apart / (since_s @ since_s), *_DECAY_DB_S)),
        own=float(np.arcsinh(_own(harmonics[heard], power[heard], np.array(heard) + 1, time_s, line, below))),
        partly=float(np.arcsinh(partly)),
        changes_s=changes_s,
    )


def _change(rows: np.ndarray, slow: np.ndarray, time_s: np.ndarray) -> tuple[float, tuple[float, ...]]:
    """By how much it is likelier that harmonics [shape=(rows, frames)] sound in a stretch only, and its ends.

    Of all stretches that one in which it is likeliest that they are lines along the course, by what a line
    explains of each row's slow power, as in :func:`_own`, against the whole note, the stretch charged. A room
    hides such lines, too, so no more counts than what is missing elsewhere: how unlikely so little power is
    of a row that goes on as strong. Nothing, and no ends, where the whole is likelier.
    """
    n, hop_s = len(time_s), time_s[1] - time_s[0]
    least = round(LEAST_S / hop_s)
    if n < 2 * least + 2:
        return 0.0, ()
    inner = np.arange(least, n - least, max(round(STEP_S / hop_s), 1))
    begin, end = (each.ravel() for each in np.meshgrid([0, *inner], [*inner, n], indexing="ij"))
    tried = end - begin >= least
    begin, end = begin[tried], end[tried]
    sums, powers = (np.cumsum(np.pad(each, ((0, 0), (1, 0))), axis=1) for each in (rows, slow))
    frames = end - begin
    steady = np.abs(sums[:, end] - sums[:, begin]) ** 2 / frames
    values = NOISE_BANDWIDTH / COURSE_S * hop_s * frames
    share = steady / np.maximum(powers[:, end] - powers[:, begin], 1e-300)
    gain = np.maximum(-values * np.log(np.maximum(1.0 - share, FLOOR)) - np.log(values), 0.0).sum(axis=0)
    best = int(np.argmax(gain))
    whole = gain[(begin == 0) & (end == n)].max(initial=0.0)
    likelier = float(gain[best] - whole - np.log(len(gain)))
    outside = (powers[:, -1] - powers[:, end[best]] + powers[:, begin[best]]) / max(n - frames[best], 1)
    left = np.minimum(outside * frames[best] / np.maximum(steady[:, best], 1e-300), 1.0)
    left = np.maximum(left, FLOOR)
    missing = NOISE_BANDWIDTH / COURSE_S * hop_s * (n - frames[best]) * np.sum(left - 1.0 - np.log(left))
    likelier = min(likelier, float(missing))
    if likelier <= 0.0:
        return 0.0, ()
    return likelier, tuple(float(time_s[at]) for at in (begin[best], end[best]) if 0 < at < n)


def _own(
    rows: np.ndarray, slow: np.ndarray, order: np.ndarray, time_s: np.ndarray, line: NoteLine, below: int
) -> float:
    """Log likelihood ratio of harmonics [shape=(rows, frames)]: each may be the note's own, or none is.

    What a line explains of a row's slow power, in as many independent values as this has, counts by the
    likelihood of :mod:`vibstudy.pitch.course`; amplitude and phase, and the pitch of another's line, are
    charged (Schwarz 1978, Ann. Stat. 6:461-464). The kinds of row are equally likely beforehand.
    """
    hop_s = time_s[1] - time_s[0]
    f0_hz = line.reference_hz / below
    away_hz = np.interp(time_s, line.time_s, line.f0_hz) / below - f0_hz
    turn = 2.0 * np.pi * running_integral(away_hz, hop_s)
    size = next_fast_len(4 * len(time_s))
    still = np.abs(fft(rows * np.exp(1j * order[:, None] * turn), size, axis=1) / len(time_s)) ** 2
    lasts_s = len(time_s) * hop_s
    reach_hz = np.maximum(order * f0_hz * (ratio(_OTHERS_CENTS) - 1.0), 2.0 / lasts_s)
    near = np.abs(fftfreq(size, hop_s)) <= reach_hz[:, None]
    values = NOISE_BANDWIDTH / COURSE_S * lasts_s
    charge = np.log(values)

    def gain(steady: np.ndarray) -> np.ndarray:
        return -values * np.log(np.maximum(1.0 - steady / slow.mean(axis=1), FLOOR)) - charge

    others = np.logaddexp(0.0, gain(np.where(near, still, 0.0).max(axis=1)) - charge)
    own = np.logaddexp(others, gain(np.abs(rows.mean(axis=1)) ** 2))
    return float(np.sum(own - np.log(3.0) - others + np.log(2.0)))


def octave_candidates(
    line: NoteLine, accompaniment: Accompaniment, lower_share: float
) -> dict[float, tuple[int, int]]:
    """Other pitches that there is reason to ask about; parameters of :func:`true_pitch`.

    Returns
    -------
    dict
        Divisor of the pitch (2, 3 or a half): `parts` and `below` of :func:`look_between`.
    """
    reasons = {
        2.0: accompaniment.below_db > LOWER_ABOVE_DB or lower_share > LOWER_SHARE_ABOVE,
        3.0: accompaniment.twelfth_db > TWELFTH_ABOVE_DB,
        0.5: share_between(line, 2) < HIGHER_BELOW,
    }
    return {divisor: _ASKED[divisor] for divisor, reason in reasons.items() if reason}


def true_pitch(
    samples: np.ndarray, rate_hz: float, line: NoteLine, accompaniment: Accompaniment, lower_share: float
) -> Octave:
    """Tell the pitch of a note from its own sound.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        The sound `line` was refined from.
    rate_hz : float > 0
        Its sampling rate.
    line : NoteLine
        The note as it was held.
    accompaniment : Accompaniment
        What else sounds.
    lower_share : float [range 0..1]
        From :func:`octave_below`.
    """
    counted = {
        2.0: (_LOWER, lower_share),
        3.0: (_TWELFTH, line.snr_db),
        0.5: (_HIGHER, share_between(line, 2)),
    }
    odds: dict[float, float] = {}
    leaps_s: float | None = None
    lower: np.ndarray | None = np.full(len(_LOWER), -np.inf)
    for divisor, (parts, below) in octave_candidates(line, accompaniment, lower_share).items():
        found = look_between(samples, rate_hz, line, parts, below)
        ways = None if found is None else found.odds(*counted[divisor])
        if divisor == 2.0 and ways is not None and found is not None:
            ways = ways - np.array([0.0, found.partly])  # what is heard but now and then is no fundamental
            leaps_s = _leap(samples, rate_hz, line, found, lower_share)
        lower = ways if divisor == 2.0 else lower
        own = 0.0 if ways is None else float(logsumexp(ways))
        odds[divisor] = own if divisor > 1.0 else -own
    likeliest = max(odds, key=odds.__getitem__, default=1.0)
    best = odds.get(likeliest, -np.inf)
    return Octave(likeliest if best > 0.0 else 1.0, best, lower, leaps_s)


def _leap(
    samples: np.ndarray, rate_hz: float, line: NoteLine, found: Between, lower_share: float
) -> float | None:
    """The first change with the octave below surely on one side and surely not on the other."""
    edges = (line.onset_s, *found.changes_s, line.offset_s)
    surely = []
    for begin_s, end_s in itertools.pairwise(edges if found.changes_s else ()):
        part = look_between(samples, rate_hz, replace(line, onset_s=begin_s, offset_s=end_s), *_ASKED[2.0])
        odds = 0.0 if part is None else float(logsumexp(part.odds(_LOWER, lower_share)))
        surely.append(int(np.sign(odds)) if abs(odds) > LEAP_ODDS else 0)
    turns = (at for at, (one, other) in enumerate(itertools.pairwise(surely)) if one * other < 0)
    at = next(turns, None)
    return None if at is None else found.changes_s[at]


def lower_among(notes: Sequence[np.ndarray]) -> np.ndarray:
    """Log odds that each of the notes of one player is an octave lower, told from all of them.

    That a fundamental is weak is the instrument's doing, and the room's: where most notes are of weak
    fundamental, so is one whose own is not heard, and where none is, another's sound is no weak fundamental.
    So the share of such notes is not that of all recordings but this one's, which is unknown: its prior is a
    beta distribution whose mean is what was learnt and which counts as one note; its posterior follows from
    all notes, and is integrated over. (That the line was held high beside others is a note's own affair.)

    Parameters
    ----------
    notes : sequence of ndarray [shape=(2,)]
        :attr:`Octave.lower` of each, with the share learnt.
    """
    odds = np.reshape(notes, (len(notes), 1, 2))
    steps = np.arange(-_SHARE_REACH, _SHARE_REACH + 1.0)
    edges = betainc(WEAK_SHARE, 1.0 - WEAK_SHARE, expit(steps[:-1] + 0.5))
    prior = np.diff(np.concatenate([[0.0], edges, [1.0]]))
    weak = expit(steps)
    others = np.log((1.0 - weak) / (1.0 - WEAK_SHARE))
    lower = np.logaddexp(others + odds[..., 0], np.log(weak / WEAK_SHARE) + odds[..., 1])
    whole = np.logaddexp(others, lower)
    likely = np.log(prior) + whole.sum(axis=0)
    likely = likely - whole
    return logsumexp(likely + lower, axis=1) - logsumexp(likely + others, axis=1)


def share_between(line: NoteLine, parts: int) -> float:
    """Share of the weight on harmonics that are no multiples of `parts`, 0..1."""
    between = np.arange(1, len(line.weight) + 1) % parts > 0
    return float(line.weight[between].sum())


def _db(power: np.ndarray) -> np.ndarray:
    return 10.0 * np.log10(power + 1e-20)
