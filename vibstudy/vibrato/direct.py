r"""How much of a vibrato is loudness, in a room: the depth of the direct sound, told from its own tail.

Why
---
Behind a note in a room its own past goes on. It beats with the direct sound at the vibrato's rate, as if the
player made it, most in the low harmonics, which are the loudest. A regression of levels on the vibrato's
phase takes that beating for noise of a power to be guessed from how far harmonics differ. But what kind of
noise it is is known: what the note has sung a moment before.

Model
-----
Harmonic *k*, brought back to the swing of its pitch :math:`\theta_k(t)`, is complex Gaussian:

.. math:: z_k(t) = l_k(t)\, s_k(t) + \int_0^t h_k(\tau)\, s_k(t - \tau)\, d\tau + \text{noise}, \qquad
          s_k(t) = e^{\kappa (g_{k,1} \cos\psi + g_{k,2} \sin\psi) + i\theta_k(t)},

with a slow complex level :math:`l_k` (as in :mod:`vibstudy.pitch.course`, here drawn from a normal law,
mostly steady), a tail as in :mod:`vibstudy.pitch.tail`, white noise, and the modulation :math:`g_k` in dB
(:math:`\kappa = \ln 10 / 20`) in step with the fitted phase ψ while the vibrato lasts. The tail is that of
the modulated sound; so what a hall fills up between two crests needs no putting back.

Estimate
--------
1. The power of each harmonic is profiled out. Direct over tail and decay, common to all harmonics, and the
   white share of each are the likeliest of a grid, at the modulation found so far. The room's own figures
   (:mod:`vibstudy.sound.room`) are not asked: with its decay it came out no better, and many takes do not
   tell it.
2. The modulation of each harmonic by scoring: the derivative of the likelihood by what the modulation does to
   the direct sound alone, whose mean is nought at the truth whatever the direct sound's level, divided by the
   square of the direct sound's change as the harmonic shows it (Gauss-Newton). Its inverse is the variance.
3. Together: what harmonic *k* says is a line over *k* (brightness moves, too), its own deviation from it
   (resonances, near reflections), and that variance. The power of the own deviations is not known: all of
   :data:`OWN_DB` are averaged over by how likely they make what is seen. The depth is that of all harmonics
   by their power, line and deviations as likely as what is seen makes them.
4. Depth is freed of the bias that noise gives to an amplitude, as in :mod:`vibstudy.vibrato.level`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numba
import numpy as np

from vibstudy.pitch.calculus import running_integral
from vibstudy.pitch.course import ATTACK_S, LEVEL_HZ, RELEASE_S
from vibstudy.pitch.hermitian import whiten
from vibstudy.pitch.refine import NoteLine
from vibstudy.pitch.tail import covariance, kept, pieces
from vibstudy.vibrato.level import Modulation
from vibstudy.vibrato.realised import VibratoFit

FEWEST_HARMONICS, FEWEST_FRAMES = 4, 12
"""A line over fewer harmonics has no rest to judge it by; two cycles of the fastest vibrato take so long."""
FRAMES_HZ, PIECE_FRAMES = 50.0, 64
"""Frames a second, and how many are looked at together; for speed, what is farther apart is independent."""
DECAYS_S = (0.15, 0.4, 1.2, 3.0)
DIRECT = tuple(10.0 ** (db / 10.0) for db in (-4, 0, 4, 8, 14))  # power of the direct sound over the tail's
WHITE = (0.02, 0.2, 4.0)  # of white noise over the tail's; the last: hardly any tail
SOME = 3  # every so manieth harmonic is asked for the decay: for speed
START_DECAY_S, START_DIRECT, START_WHITE = 1.2, 4.0, 0.1
SLOW, EDGE = 0.06, 0.25
"""Power of each slow part of a level, and of attack and release, over the steady one's; a third and three
times as much do as well (``benchmarks/rooms.py``, near)."""
DEPTH_DB, BRIGHTER_DB = 3.0, 0.15
"""Standard deviation, before anything is heard, of each quadrature of the modulation, and of how much more it
is from one harmonic to the next: where level moves by a decibel, that of the next harmonic moves by about a
tenth more (:mod:`vibstudy.demo.synthesis`, after Worman 1971)."""
SILENT = 1e-12  # of the loudest row's power: a channel without sound
OWN_DB = np.geomspace(0.02, 2.0, 9)
FIRST_TURNS, TURNS = 2, 2
"""Scoring steps before noise and tail are settled, and after; more change nothing."""
ROOM_SE = 1.5
"""By this the errors in simulated rooms are larger than the model says, whose own are as it says: a room's
reflections are few at first, and no pure exponential (``benchmarks/rooms.py``, near, seed 7202)."""
DB = math.log(10.0) / 20.0


@dataclass(frozen=True, eq=False)
class _Rows:
    """Harmonics at frames, and what their direct sound may do.

    `z` [rows, n] with their swing, of power 1; `order` [rows]; `power` [rows]; `tone` [rows, fine] at fine
    steps, `every` of them to a frame; `fine_steps` [fine, 2] and `steps` [n, 2]: what 1 dB of each quadrature
    does to the logarithm of the amplitude; `levels` [n, p]: what slow levels do, each with a variance of 1;
    `ends`: of the pieces.
    """

    z: np.ndarray
    order: np.ndarray
    power: np.ndarray
    tone: np.ndarray
    every: int
    step_s: float
    fine_steps: np.ndarray
    levels: np.ndarray
    ends: np.ndarray
    steps: np.ndarray = field(init=False)
    frames: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        frames = self.every // 2 + self.every * np.arange(self.z.shape[1])
        object.__setattr__(self, "frames", frames)
        object.__setattr__(self, "steps", self.fine_steps[frames])

    @classmethod
    def of(cls, line: NoteLine, fit: VibratoFit) -> _Rows:
        assert line.rows is not None
        channels = len(line.rows) // len(line.weight)
        total = np.mean(line.rows.real**2 + line.rows.imag**2, axis=1)
        heard = np.flatnonzero((np.repeat(line.weight, channels) > 0.0) & (total > SILENT * total.max()))
        every = _every(line)
        frames = np.arange(every // 2, len(line.time_s), every)
        order = heard // channels + 1.0
        f0 = line.f0_hz
        swing = 2.0 * np.pi * running_integral(f0 - f0.mean(), line.hop_s)
        tone = np.exp(1j * order[:, None] * swing)
        z = line.rows[np.ix_(heard, frames)] * tone[:, frames]
        power = np.mean(z.real**2 + z.imag**2, axis=1)
        time_s = line.time_s - line.onset_s
        psi = np.interp(time_s, fit.time_s, fit.phase_rad)
        gate = (time_s >= fit.start_s) & (time_s <= fit.end_s)
        return cls(
            z / np.sqrt(power)[:, None],
            order,
            power,
            tone,
            every,
            line.hop_s,
            DB * gate[:, None] * np.stack([np.cos(psi), np.sin(psi)], axis=1),
            _levels(time_s[frames]),
            pieces(len(frames), PIECE_FRAMES),
        )

    def tails(self, row: int, db: np.ndarray, decay_s: float) -> list[np.ndarray]:
        """Covariance of a row's tail in each piece [2, n, n], its modulation being `db` [2]."""
        sound = self.tone[row] * np.exp(self.fine_steps @ db)
        keep = kept(decay_s, self.step_s)
        return [covariance(sound, self.every, first, last, keep) for first, last in pairwise(self.ends)]

    def columns(self, db: np.ndarray) -> np.ndarray:
        """Each row, what slow levels do to it, and that by each quadrature [shape=(rows, n, 1 + 3 p)]."""
        direct = (self.tone[:, self.frames] * np.exp(db @ self.steps.T))[:, :, None] * self.levels
        return np.concatenate(
            [self.z[:, :, None], direct, self.steps[:, :1] * direct, self.steps[:, 1:] * direct], axis=2
        )


@dataclass(frozen=True, eq=False)
class _Noise:
    """Decay of the tail, direct sound over it, and white noise over it, of each row [rows]."""

    decay_s: float
    direct: float
    white: np.ndarray


def _every(line: NoteLine) -> int:
    return max(1, round(1.0 / (FRAMES_HZ * line.hop_s)))


def tells_direct_sound(line: NoteLine) -> bool:
    """Whether a note was straightened, is long enough and has harmonics enough to be asked."""
    if line.rows is None or np.sum(line.weight > 0.0) < FEWEST_HARMONICS:
        return False
    return len(line.time_s) >= FEWEST_FRAMES * _every(line)


def of_direct_sound(line: NoteLine, fit: VibratoFit) -> Modulation:
    """Modulation of a note's direct sound in step with its vibrato, dB.

    Parameters
    ----------
    line : NoteLine
        The note, of which :func:`tells_direct_sound`.
    fit : VibratoFit
        Its vibrato.
    """
    rows = _Rows.of(line, fit)
    count = len(rows.z)
    share = rows.power / rows.power.sum()
    db = np.zeros((count, 2))
    noise = _Noise(START_DECAY_S, START_DIRECT, np.full(count, START_WHITE))
    tails = [rows.tails(i, db[i], noise.decay_s) for i in range(count)]
    for turns, settled in ((FIRST_TURNS, False), (TURNS, True)):
        if settled:
            noise, tails = _noise(rows, db)
            share = rows.power / (1.0 + (1.0 + noise.white) / noise.direct)
            share /= share.sum()
        for _ in range(turns):
            slope, information = _scored(rows, db, tails, noise)
            whole_db, spread, db = _together(db, slope, information, rows.order, share)
    found = Modulation.of(whole_db, spread)
    return replace(found, depth_se=ROOM_SE * found.depth_se)


def _levels(time_s: np.ndarray) -> np.ndarray:
    """Columns of a slow level, as large as they are likely to be [shape=(n, p)]."""
    since, span = time_s - time_s[0], time_s[-1] - time_s[0]
    j = np.arange(1 + int(2.0 * LEVEL_HZ * span))
    slow = np.cos(np.pi * j * since[:, None] / span) * np.where(j > 0, math.sqrt(SLOW), 1.0)
    edges = np.exp(-np.stack([since / ATTACK_S, (span - since) / RELEASE_S], axis=1))
    return np.concatenate([slow, math.sqrt(EDGE) * edges], axis=1)


@numba.njit(cache=True)
def _products(tail, white, columns):
    """Products of columns [n, c] with one another, whitened by a tail and `white` noise [c, c]; log det.

    `tail` [2, n, n]: real and imaginary parts of its covariance.
    """
    noise, (n, count) = tail.copy(), columns.shape
    planes, out = np.empty((2, n, count)), np.empty((count, count), dtype=np.complex128)
    for i in range(n):
        noise[0, i, i] += white
        for a in range(count):
            planes[0, i, a], planes[1, i, a] = columns[i, a].real, columns[i, a].imag
    log_det = whiten(noise, planes)
    real, imag = (
        np.dot(planes[0].T, planes[0]) + np.dot(planes[1].T, planes[1]),
        np.dot(planes[0].T, planes[1]),
    )
    for a in range(count):
        for b in range(count):
            out[a, b] = complex(real[a, b], imag[a, b] - imag[b, a])
    return out, log_det


def _noise(rows: _Rows, db: np.ndarray) -> tuple[_Noise, list[list[np.ndarray]]]:
    """The likeliest noise, and its tail at each row; decay and direct sound are asked of some harmonics."""
    some, count = range(0, len(rows.z), SOME), len(rows.z)
    columns = rows.columns(db)[:, :, : 1 + rows.levels.shape[1]]
    tails = {(i, decay_s): rows.tails(i, db[i], decay_s) for i in some for decay_s in DECAYS_S}
    at = {decay_s: [_costs(columns[i], tails[i, decay_s], rows.ends) for i in some] for decay_s in DECAYS_S}
    whole = {decay_s: np.min(costs, axis=1).sum(axis=0) for decay_s, costs in at.items()}
    decay_s = min(whole, key=lambda one: float(whole[one].min()))
    asked = dict(zip(some, at[decay_s], strict=True))
    for i in set(range(count)) - set(some):
        tails[i, decay_s] = rows.tails(i, db[i], decay_s)
        asked[i] = _costs(columns[i], tails[i, decay_s], rows.ends)
    costs = np.array([asked[i] for i in range(count)])
    best = int(np.argmin(costs.min(axis=1).sum(axis=0)))
    noise = _Noise(decay_s, DIRECT[best], np.array(WHITE)[np.argmin(costs[:, :, best], axis=1)])
    return noise, [tails[i, decay_s] for i in range(count)]


def _costs(columns: np.ndarray, tails: list[np.ndarray], ends: np.ndarray) -> np.ndarray:
    """Minus log likelihood of a row for each of `WHITE` and of `DIRECT`."""
    left, log_det = np.zeros((2, len(WHITE), len(DIRECT)))
    for tail, (first, last) in zip(tails, pairwise(ends), strict=True):
        _add_costs(left, log_det, tail, np.array(WHITE), np.array(DIRECT), columns[first:last])
    return len(columns) * np.log(left) + log_det


@numba.njit(cache=True)
def _add_costs(left, log_det, tail, white, direct, columns):
    """Add what is left of a piece [white, direct], and its determinant (by Woodbury's identity)."""
    p = columns.shape[1] - 1
    for i in range(len(white)):
        each, own = _products(tail, white[i], columns)
        for j in range(len(direct)):
            seen, along = np.zeros((2, p, p)), np.empty((2, p, 1))
            for a in range(p):
                along[0, a, 0], along[1, a, 0] = each[1 + a, 0].real, each[1 + a, 0].imag
                for b in range(a, p):
                    seen[0, a, b] = direct[j] * each[1 + a, 1 + b].real
                    seen[1, a, b] = direct[j] * each[1 + a, 1 + b].imag
                seen[0, a, a] += 1.0
            log_det[i, j] += own + whiten(seen, along)
            left[i, j] += each[0, 0].real - direct[j] * np.sum(along**2)


def _scored(
    rows: _Rows, db: np.ndarray, tails: list[list[np.ndarray]], noise: _Noise
) -> tuple[np.ndarray, np.ndarray]:
    """Slope of each row's log likelihood by the modulation of its direct sound [rows, 2]; information."""
    count, n = rows.z.shape
    p = rows.levels.shape[1]
    scale = np.repeat([1.0, math.sqrt(noise.direct)], [1, 3 * p])
    each = np.empty((count, len(rows.ends) - 1, 1 + 3 * p, 1 + 3 * p), dtype=np.complex128)
    for i, columns in enumerate(scale * rows.columns(db)):
        for j, (first, last) in enumerate(pairwise(rows.ends)):
            each[i, j], _ = _products(tails[i][j], noise.white[i], columns[first:last])
    level = slice(1, 1 + p)
    # with the direct sound's levels as unknown as they are
    known = np.linalg.solve(np.eye(p) + each[..., level, level], each[..., level, :])
    each = each - np.swapaxes(each[..., level, :].conj(), -1, -2) @ known
    power = each[..., 0, 0].real.sum(axis=1) / n
    likely = each[..., level, 0]
    # two by two: a product of three at once goes through every combination
    moved = each[..., 1 + p :, 1 + p :].reshape(count, -1, 4 * p, p) @ likely[..., None]
    slope = (
        2.0 * np.einsum("rqi,rqci->rc", likely.conj(), each[..., 1 + p :, 0].reshape(count, -1, 2, p)).real
    )
    change = np.einsum("rqi,rqcid->rcd", likely.conj(), moved.reshape(count, -1, 2, p, 2))
    across = each[..., level, 1 + p :].reshape(count, -1, p, 2, p)
    charge = 2.0 * np.einsum("rqici->rc", across).real
    return slope / power[:, None] - charge, 2.0 * change.real / power[:, None, None]


def _together(
    db: np.ndarray, slope: np.ndarray, information: np.ndarray, order: np.ndarray, share: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What rows say together: modulation of the whole [2], its covariance, and the line's at each row."""
    information = information + 1e-6 * np.eye(2)
    said = np.einsum("rij,rj->ri", information, db) + slope
    away = order - share @ order
    own = OWN_DB[:, None, None, None] ** 2
    weight = np.linalg.inv(information + own * (information @ information))  # [own, rows, 2, 2]
    shape = np.concatenate([information, away[:, None, None] * information], axis=2)
    weighed = np.swapaxes(shape, 1, 2) @ weight
    normal = (weighed @ shape).sum(axis=1)
    normal += np.diag(np.repeat([DEPTH_DB, BRIGHTER_DB], 2) ** -2.0)
    right = np.einsum("orij,rj->oi", weighed, said)
    found = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
    alone = np.einsum("ri,ori->o", said, np.einsum("orij,rj->ori", weight, said))
    likelihood = np.linalg.slogdet(weight)[1].sum(axis=1) - np.linalg.slogdet(normal)[1]
    likelihood -= alone - np.sum(right * found, axis=1)
    odds = np.exp(0.5 * (likelihood - likelihood.max()))
    odds /= odds.sum()
    mean = odds @ found
    # of each row's own deviation something is seen, too
    seen = own * (weight @ information)  # [own, rows, 2, 2]
    left = said - np.einsum("rij,oj->ori", shape, found)
    shared = share[:, None, None] * np.swapaxes(seen, 2, 3)
    whole = found[:, :2] + np.einsum("orij,orj->oi", shared, left)
    by_line = np.eye(2, 4) - (shared @ shape).sum(axis=1)
    not_seen = share[:, None, None] ** 2 * (np.eye(2) - information @ seen)
    unseen = OWN_DB[:, None, None] ** 2 * not_seen.sum(axis=1)
    centre = odds @ whole
    off = whole - centre
    spread = by_line @ np.linalg.inv(normal) @ np.swapaxes(by_line, 1, 2) + unseen
    spread = np.einsum("o,oij->ij", odds, spread) + (odds * off.T) @ off
    return centre, spread, mean[:2] + away[:, None] * mean[2:]
