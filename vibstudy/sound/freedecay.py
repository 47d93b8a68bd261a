r"""How likely a decay is, and how much of the sound is direct, from levels about the ends of notes.

Model
-----
With the direct sound's power :math:`D` and the tail's :math:`R` while the note lasts, both re their sum, the
power in a harmonic's band about the end :math:`t_0` is

.. math:: p_i(t) = D\,s(t) + R\,(s * e)(t) + c_i\,g_i(t), \qquad e(t) = b\,e^{-bt}, \quad b = 6 \ln 10 / T,

where :math:`s` is the release, a step rounded by a normal law (release and window together), and :math:`g_i`
what sounds beside that harmonic at the same time, which the soloist has not touched: noise, leakage and other
players, so an accompaniment that rings on is no room. Each band has a floor of its own, :math:`c_i g_i`,
20 dB below a soft harmonic and 55 below a loud one. (The median over all bands of a common tail and unlike
floors bends long before the median of the floors: read with one floor for all, decays of 0.4 s came out a
quarter longer, and so the direct sound 6 to 10 dB louder.) :math:`c_i` is the same for all within
:data:`BESIDE_DB`; where nothing can be read beside a harmonic, within the spread of the floors of the other
bands. What is common to all is free: a player's breath stands in the bands of harmonics more than between.

Likelihood
----------
A free decay's level in a narrow band scatters about the exponential (Ratnam et al. 2003, JASA
114(5):2877-2892; Löllmann et al. 2010, IWAENC), by :data:`SCATTER_DB`; a band that other players share does
so without limit. Levels in dB are therefore taken about their medians with errors that are two-sided
exponential where they are large. The median of the diffuse field's power lies 1.6 dB below its mean (an
exponential law, Schroeder 1962, JAES 10(3)), which is put back. A decay's complex amplitude keeps
:math:`e^{-bt/2}` of itself, so levels within :math:`2/b` say the same, as do those within a window: so many
fewer values are independent.

What is told
------------
The likeliest decay. Its error, and the direct sound with its own, are those of the likelihood over all levels
of direct sound, the decay, the end and the release being the likeliest for each: a direct sound may pass for
a tail where the release is slow, and what cannot be told is left open. (A jackknife
over groups of notes about one likeliest answer gave 4 dB to direct sounds that were 8 to 10 dB off.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from typing import Any

import numba
import numpy as np

BESIDE_DB = 5.0
"""How far the power of others in a harmonic's band may differ from that beside it (standard deviation)."""
SCATTER_DB = 5.6
"""Standard deviation of the level of power whose law is exponential (Schroeder 1962)."""
ROBUST_DB = 4.0
"""Deviations beyond it have a two-sided exponential law: such a level's own median deviation is 3.3 dB."""
WINDOW_S = 0.06
"""Over which levels say the same because their windows overlap: Hann windows of 46 and 93 ms."""
LEAST_DIRECT_DB, MOST_DIRECT_DB, EVERY_DB = -10.0, 25.0, 2.5
"""Direct sound that is looked at: with less there is no step at a note's end to read it from, with more no
tail stands above the floors. The likelihood is wider than its steps."""
NOTHING_LOG = 1.0
"""Standard error of the log of a decay of which nothing is told: that of studio or church."""
DECAYS_S = (0.2, 4.0)
"""Beyond these the number of independent levels is as for them: no start runs away by it."""

_LOW = np.array([math.log(0.05), LEAST_DIRECT_DB, -0.16, 0.008])
_HIGH = np.array([math.log(20.0), 30.0, 0.06, 0.06])
_STEPS = np.array([1e-3, 1e-2, 1e-4, 1e-4])
"""For the slopes of the model: in log s, dB, s, s."""
_KNOWN, _KNOWN_SD = np.array([-0.05, math.log(0.025)]), np.array([0.04, math.log(1.7)])
"""What is known of end and release before they are looked at (s, log of s; standard deviations). Where the
next note begins, which is where an end was found, is seen 20 ms late near and 90 ms late far; a tongue closes
within some 60 ms, a standard deviation of 17, the windows' is 7 to 13, and ends scatter by 15."""
_STARTS = tuple(np.array([math.log(t), d, -0.03, 0.02]) for t in (0.4, 1.5) for d in (-3.0, 6.0))
_DIRECT = 1
_FLOORS_DB = (-30.0, 40.0)
_UNHEARD_DB, _UNHEARD_SD_DB = (
    -40.0,
    12.0,
)  # of floors, where nothing is heard beside any band: 20 to 60 dB down
_COMMON_ROUNDS, _COMMON_CLOSE_DB = 4, 0.3  # what is left is a tenth of what a floor is known by
_LEAST_SHARE = 0.3  # floors less known than so are not blown up
_ROUNDS, _MOST_DAMPED = 30, 1e7
_CLOSE, _CLOSER = 0.5, 0.02  # of a unit of log likelihood, for starts and for what is told
_UNLIKELY = 12.0  # log likelihood below the best: e^-12 adds nothing
_EXPONENTIAL_MEDIAN_DB = -10 * math.log10(math.log(2))


@dataclass(frozen=True)
class FreeDecay:
    """What ends of notes tell: log of the decay in s and direct sound in dB, each with its standard error.

    Parameters
    ----------
    likeliest : ndarray [shape=(4,)]
        Parameters of :func:`power`.
    log_decay, log_decay_se, direct_db, direct_se_db : float
        The figures.
    """

    likeliest: np.ndarray
    log_decay: float
    log_decay_se: float
    direct_db: float
    direct_se_db: float


@numba.njit(cache=True)
def power(p, time_s):
    """Median power of direct sound and tail about the end, re that before it.

    Parameters
    ----------
    p : ndarray [shape=(4,)]
        Log of the decay in s, direct to room in dB, when the end is, how rounded (s).
    time_s : ndarray
        From the end that was found.
    """
    out = np.empty(len(time_s))
    ratio, falls = 10 ** (p[1] / 10), 6 * math.log(10) / math.exp(p[0]) * p[3]
    for i in range(len(time_s)):
        x = (time_s[i] - p[2]) / p[3]
        direct = _below(-x)
        tail = direct + math.exp(min(-falls * x + 0.5 * falls**2, 0.0)) * _below(x - falls)
        scatter = 10 ** (-0.1 * _EXPONENTIAL_MEDIAN_DB * ratio / (1 + ratio) * _below(x))
        out[i] = (ratio * direct + tail * scatter) / (1 + ratio)
    return out


@numba.njit(cache=True)
def _below(x):
    """Share of the normal law below a value."""
    return 0.5 * math.erfc(-x / math.sqrt(2.0))


class _Bands:
    """Levels of all bands as one row of values, and what is known of their floors."""

    def __init__(self, own: Sequence[np.ndarray], beside: Sequence[np.ndarray], time_s: np.ndarray) -> None:
        level, ground = np.concatenate(own), np.concatenate(beside)
        says = (np.isfinite(level) & (time_s > 0)).any(axis=1)  # after the end
        level, ground = level[says], ground[says]
        heard = np.isfinite(ground).any(axis=1)
        course, offset = np.full(len(time_s), _UNHEARD_DB), np.zeros(len(ground))
        spread = _UNHEARD_SD_DB
        if heard.any():
            known = np.isfinite(ground).any(axis=0)
            middle = float(np.nanmedian(ground))
            course = np.full(len(time_s), middle)
            course[known] = np.nanmedian(ground[:, known], axis=0)
            offset[heard] = np.nanmedian(ground[heard] - course, axis=1)
            floors = np.nanmedian(ground[heard], axis=1)
            spread = 1.4826 * float(np.median(np.abs(floors - np.median(floors))))
        ground = np.where(np.isfinite(ground), ground, course + offset[:, None])
        heard_at = np.isfinite(level)
        self.band, self.at = np.nonzero(heard_at)
        self.level, self.ground = level[heard_at].astype(float), ground[heard_at].astype(float)
        self.sd_db = np.where(heard, BESIDE_DB, math.hypot(max(spread, BESIDE_DB), BESIDE_DB))
        self.count = len(level)
        self.time_s = time_s

    def common_floor(self, fit: _Fit, unit: float) -> float:
        """By how much all floors lie above what is beside them, dB: their mean, each as far as it is heard.

        A soloist's own breath and what other notes leave stand in the bands of harmonics more than between.
        """
        heard, floor = power(fit.p, self.time_s)[self.at], 10 ** (0.1 * (fit.floors[self.band] + self.ground))
        told = self.per_band((floor / (heard + floor)) ** 2) / unit
        share = told / (told + 1 / self.sd_db**2)  # of a floor that is its own, the rest is what was expected
        if share.sum() < 1.0:
            return 0.0
        return float(np.sum(share * fit.floors / np.maximum(share, _LEAST_SHARE)) / share.sum())

    def raised(self, by_db: float) -> _Bands:
        """The same bands, what is expected of all their floors lying so much higher."""
        bands = copy(self)
        bands.ground = self.ground + by_db
        return bands

    def per_band(self, values: np.ndarray) -> np.ndarray:
        """Sum of values in each band."""
        return np.bincount(self.band, values, self.count)


@dataclass(frozen=True)
class _Fit:
    """Likeliest parameters and floors (dB re `ground`); -log likelihood, its curvature in the free ones."""

    p: np.ndarray
    floors: np.ndarray
    cost: float
    curvature: np.ndarray

    def log_decay_variance(self) -> float:
        """Of the log of the decay, the direct sound being held; parameters on their bounds are held, too."""
        free = np.array([0, 2, 3])
        moves = np.flatnonzero((self.p[free] > _LOW[free]) & (self.p[free] < _HIGH[free]))
        if 0 not in moves:
            return NOTHING_LOG**2
        told = np.linalg.inv(self.curvature[np.ix_(moves, moves)] + 1e-9 * np.eye(len(moves)))[0, 0]
        return min(float(told), NOTHING_LOG**2)


def _values_a_unit(log_decay: float) -> float:
    """Squares of deviations, dB², that are a unit of log likelihood: of as many values as say the same."""
    hop_s = 0.016
    same_s = WINDOW_S + 2 * float(np.clip(math.exp(log_decay), *DECAYS_S)) / (6 * math.log(10))
    return 2 * SCATTER_DB**2 * (1 + same_s / hop_s)


def _climbed(
    bands: _Bands,
    p: np.ndarray,
    floors: np.ndarray,
    unit: float,
    free: Sequence[int] = (0, 1, 2, 3),
    close: float = _CLOSER,
) -> _Fit:
    """Likeliest parameters and floors from a start."""
    heard = (bands.level, 10 ** (0.1 * bands.ground), bands.at, bands.band, bands.time_s)
    return _Fit(*_climb(heard, unit / bands.sd_db**2, p, floors, unit, np.array(free), close * unit))


@numba.njit(cache=True)
def _climb(heard, precision, p, floors, unit, free, close):
    """Fields of a :class:`_Fit`: Gauss-Newton, damped; floors are eliminated band by band.

    `heard`: levels, power beside them, their time and band by number, all times.
    """
    _, _, at, band, time_s = heard
    off, share, every, cost = _compared(heard, precision, unit, p, floors)
    slopes, damped = np.empty((len(free), len(time_s))), 1e-3
    for _ in range(_ROUNDS):
        now = power(p, time_s)
        for j, i in enumerate(free):
            beside = p.copy()
            beside[i] += _STEPS[i]
            slopes[j] = (power(beside, time_s) - now) / _STEPS[i]
        own, pull, cross, square, right = _normal(off, share, every, at, band, slopes, len(floors))
        own, pull = own + precision, pull - precision * floors
        far, by = _known(p)
        for j, i in enumerate(free):
            if i >= 2:
                square[j, j] += unit * by[i - 2] ** 2
                right[j] -= unit * by[i - 2] * far[i - 2]
        better = False
        while damped < _MOST_DAMPED:
            held = own * (1 + damped)
            left = square + damped * np.diag(np.diag(square)) - np.dot(cross / held, cross.T)
            next_p, step = p.copy(), _bounded(left, right - np.dot(cross, pull / held), p[free], free)
            for j, i in enumerate(free):
                next_p[i] = min(max(p[i] + step[j], _LOW[i]), _HIGH[i])
            next_floors = floors + (pull - np.dot((next_p - p)[free], cross)) / held
            next_floors = np.minimum(np.maximum(next_floors, _FLOORS_DB[0]), _FLOORS_DB[1])
            next_off, next_share, next_every, next_cost = _compared(
                heard, precision, unit, next_p, next_floors
            )
            if next_cost < cost:
                better = True
                break
            damped = 4 * max(damped, 1e-4)
        if not better:
            break
        gain = cost - next_cost
        p, floors, off, share, every, cost = next_p, next_floors, next_off, next_share, next_every, next_cost
        damped = max(damped / 6, 1e-7)
        if gain < close:
            break
    return p, floors, cost / unit, (square - np.dot(cross / own, cross.T)) / unit


@numba.njit(cache=True)
def _compared(heard, precision, unit, p, floors):
    """How far levels are off (dB), the floor's share of each and their power; -log likelihood by `unit`."""
    level, ground, at, band, time_s = heard
    off, share, every, bent = np.empty(len(level)), np.empty(len(level)), np.empty(len(level)), 0.0
    sound, floor, (far, _) = power(p, time_s), 10 ** (0.1 * floors), _known(p)
    for i in range(len(level)):
        own = floor[band[i]] * ground[i]
        every[i] = sound[at[i]] + own
        share[i] = own / every[i]
        off[i] = level[i] - 10 * np.log10(every[i])
        bent += 2 * ROBUST_DB**2 * (np.sqrt(1 + (off[i] / ROBUST_DB) ** 2) - 1)
    return off, share, every, bent + 0.5 * np.sum(precision * floors**2) + 0.5 * unit * np.sum(far**2)


@numba.njit(cache=True)
def _normal(off, share, every, at, band, slopes, count):
    """Normal equations of floors, of parameters whose `slopes` [free, times] are given, and between them."""
    free = len(slopes)
    own, pull, cross = np.zeros(count), np.zeros(count), np.zeros((free, count))
    square, right, slope = np.zeros((free, free)), np.zeros(free), np.empty(free)
    for i in range(len(off)):
        weight = 1 / np.sqrt(1 + (off[i] / ROBUST_DB) ** 2)
        own[band[i]] += weight * share[i] * share[i]
        pull[band[i]] += weight * share[i] * off[i]
        for j in range(free):
            slope[j] = slopes[j, at[i]] * (10 / math.log(10) / every[i])
            cross[j, band[i]] += weight * slope[j] * share[i]
            right[j] += weight * slope[j] * off[i]
            for k in range(j + 1):
                square[j, k] += weight * slope[j] * slope[k]
    for j in range(free):
        for k in range(j):
            square[k, j] = square[j, k]
    return own, pull, cross, square, right


@numba.njit(cache=True)
def _known(p):
    """How far end and release are from what is known of them, in standard deviations, and its slopes."""
    return (np.array([p[2], math.log(p[3])]) - _KNOWN) / _KNOWN_SD, np.array([1.0, 1 / p[3]]) / _KNOWN_SD


@numba.njit(cache=True)
def _bounded(left, right, p, free):
    """Step of a normal equation; parameters that would go beyond their bounds stay."""
    step, moves = np.zeros(len(right)), np.ones(len(right), dtype=np.bool_)
    while moves.any():
        at = np.flatnonzero(moves)
        small = left[at][:, at] + 1e-9 * np.eye(len(at))
        step[:] = 0.0
        step[at] = np.linalg.solve(small, right[at])
        beyond = moves & (((p <= _LOW[free]) & (step < 0)) | ((p >= _HIGH[free]) & (step > 0)))
        if not beyond.any():
            break
        step[beyond] = 0.0
        moves &= ~beyond
    return np.where(moves, step, 0.0)


def free_decay(own: Sequence[np.ndarray], beside: Sequence[np.ndarray], time_s: np.ndarray) -> FreeDecay:
    """What levels about the ends of notes tell.

    Parameters
    ----------
    own, beside : sequence of ndarray [shape=(bands, times)]
        Of each end: levels in the bands of its harmonics and beside them, dB re the harmonic's own while it
        lasts; NaN where another note comes into the band.
    time_s : ndarray [shape=(times,)]
        From the end of the note, every 16 ms.
    """
    bands = _Bands(own, beside, time_s)
    none = np.zeros(bands.count)
    tried = [_climbed(bands, p, none, _values_a_unit(p[0]), close=_CLOSE) for p in _STARTS]
    # what a unit is differs between starts: one for all, that of the likeliest
    unit = _values_a_unit(min(tried, key=_cost).p[0])
    best = min((_climbed(bands, fit.p, fit.floors, unit) for fit in tried), key=_cost)
    unit = _values_a_unit(best.p[0])
    best = _climbed(bands, best.p, best.floors, unit)
    bands, best = _with_common_floor(bands, best, unit)
    fits = _beside_best(bands, best, unit)
    weight = np.exp(min(fit.cost for fit in fits) - np.array([fit.cost for fit in fits]))
    weight /= weight.sum()
    log_decay, direct = (np.array([fit.p[i] for fit in fits]) for i in (0, _DIRECT))
    variance = np.array([fit.log_decay_variance() for fit in fits])
    direct_db = float(weight @ direct)
    return FreeDecay(
        best.p,
        float(best.p[0]),
        math.sqrt(weight @ (variance + (log_decay - best.p[0]) ** 2)),
        direct_db,
        math.sqrt(weight @ (direct - direct_db) ** 2 + EVERY_DB**2 / 12),
    )


def _with_common_floor(bands: _Bands, fit: _Fit, unit: float) -> tuple[_Bands, _Fit]:
    """Bands whose floors lie as much higher as they do together, and the likeliest parameters then."""
    for _ in range(_COMMON_ROUNDS):
        higher = bands.common_floor(fit, unit)
        bands = bands.raised(higher)
        fit = _climbed(bands, fit.p, fit.floors - higher, unit)
        if abs(higher) < _COMMON_CLOSE_DB:
            break
    return bands, fit


def _cost(fit: _Fit) -> float:
    return fit.cost


def _beside_best(bands: _Bands, best: _Fit, unit: float) -> list[_Fit]:
    """The likeliest of each direct sound that is not out of question, outwards from the likeliest of all."""
    levels = np.arange(LEAST_DIRECT_DB, MOST_DIRECT_DB + 0.1, EVERY_DB)
    first = int(np.argmin(np.abs(levels - best.p[_DIRECT])))
    fits: list[Any] = []
    for outwards in (levels[first:], levels[:first][::-1]):
        fit = best
        for level in outwards:
            p = fit.p.copy()
            p[_DIRECT] = level
            fit = _climbed(bands, p, fit.floors, unit, free=(0, 2, 3))
            fits.append(fit)
            if fit.cost > best.cost + _UNLIKELY:
                break
    return fits
