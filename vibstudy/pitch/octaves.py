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

The answers give the log odds that the lower pitch is the true one, by logistic regression. For the octave
they also count in what share of the frames the tracker says the lower octave (:func:`octave_below`); for
the twelfth how much the note stands out; for a pitch that may be an octave too low, what share of the
weight its odd harmonics have.

Learnt (``benchmarks/octaves.py``) from notes of six sampled winds of two SoundFonts beside a piano, strings
and a second wind. On takes left out, of 6,948 notes with sound between the lines 1,249 were an octave
lower; 39 of these were missed and 32 others moved. Of 2,903 notes 156 were a twelfth lower; 4 missed, 3
others moved. Of 2,658 notes 63 were an octave higher; 29 missed, 7 others moved. Learnt from one SoundFont
and told of the other's notes beside a piano: 3 of 116 missed, 1 of 750 moved; no error at the twelfth. Of
the 78 errors of the first two 69 had log odds within 3 of even.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vibstudy.pitch.accompaniment import Accompaniment
from vibstudy.pitch.contour import Contour
from vibstudy.pitch.demodulate import slow_course
from vibstudy.pitch.refine import NoteLine, harmonics_along

LOWER_ABOVE_DB, TWELFTH_ABOVE_DB = -12.0, -8.0
"""With less sound between its lines (:mod:`vibstudy.pitch.accompaniment`), no note was lower."""
LOWER_SHARE_ABOVE = 0.2
"""With more of the frames said an octave lower by the tracker, the octave below is looked into."""
HIGHER_BELOW = 0.35
"""With less of the weight on odd harmonics, the octave above is looked into."""
SPARSE = 0.1
"""A note with less of its weight on harmonics between the third ones is likely higher."""
# constant, then the figures in the order of Between.odds, then what the question counts besides
_LOWER = np.array([13.63, 0.232, 0.433, -1.667, 0.310, 0.079, 3.331])
_TWELFTH = np.array([10.973, 0.318, 0.566, -1.463, 0.185])
_HIGHER = np.array([12.257, 0.138, 0.148, -0.833, 0.203, 0.126, 6.092])
_ASKED = {2.0: (2, 2), 3.0: (3, 3), 0.5: (2, 1)}
_NEAR_OCTAVES = 0.06
_EDGE_S = 0.03
_HEARD_DB = 50.0  # a harmonic between softer neighbours (re the strongest) says nothing
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
    """

    weakest_db: float
    middle_db: float
    lowest_db: float
    apart_db: float
    decay_db_s: float

    def odds(self, weights: np.ndarray, *more: float) -> float:
        """Constant and weighted sum of as many of the figures as there are weights, then of `more`."""
        figures = (1.0, self.weakest_db, self.middle_db, self.apart_db, self.lowest_db, self.decay_db_s)
        return float(np.dot(weights, (*figures[: len(weights) - len(more)], *more)))


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
    steady, slow = [], []
    for k in np.flatnonzero(between):
        at = np.searchsorted(multiples, k)
        beside = multiples[max(at - 1, 0) : at + 1]
        if slow_db[beside].max() > slow_db[multiples].max() - _HEARD_DB:
            steady.append(steady_db[k] - steady_db[beside].mean())
            slow.append(slow_db[k] - slow_db[beside].mean())
    if not steady:
        return None
    apart = _db(power[between].sum(axis=0)) - _db(power[~between].sum(axis=0))
    since_s = time_s - time_s.mean()
    return Between(
        # the same in benchmarks/octaves.py, which learns the weights
        weakest_db=float(np.quantile(steady, 0.1)),
        middle_db=float(np.median(slow)),
        lowest_db=float(min(slow[: 3 * parts])),
        apart_db=min(float(apart.std()), _MOST_APART_DB),
        decay_db_s=float(np.clip(since_s @ apart / (since_s @ since_s), *_DECAY_DB_S)),
    )


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
) -> tuple[float, float]:
    """By what to divide the pitch of a note to have the true one: 1, 2, 3 or a half.

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

    Returns
    -------
    parts : float
        The divisor.
    odds : float
        Log odds of the likeliest other pitch: above 0 when `parts` is not 1, 0 when the note is too short to
        tell, -inf when there was no reason to ask.
    """
    counted = {
        2.0: (_LOWER, lower_share),
        3.0: (_TWELFTH, line.snr_db),
        0.5: (-_HIGHER, share_between(line, 2)),
    }
    odds = {}
    for divisor, (parts, below) in octave_candidates(line, accompaniment, lower_share).items():
        found = look_between(samples, rate_hz, line, parts, below)
        odds[divisor] = 0.0 if found is None else found.odds(*counted[divisor])
    likeliest = max(odds, key=odds.__getitem__, default=1.0)
    best = odds.get(likeliest, -np.inf)
    return (likeliest if best > 0.0 else 1.0), best


def share_between(line: NoteLine, parts: int) -> float:
    """Share of the weight on harmonics that are no multiples of `parts`, 0..1."""
    between = np.arange(1, len(line.weight) + 1) % parts > 0
    return float(line.weight[between].sum())


def _db(power: np.ndarray) -> np.ndarray:
    return 10.0 * np.log10(power + 1e-20)
