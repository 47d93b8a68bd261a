r"""Likelihood of a course in a room whose tail is the note's own past.

Why
---
:mod:`vibstudy.pitch.course` takes what is not steady for noise that knows nothing of the course. Behind a
player at some distance it is mostly the room's tail, and that is the note's own sound of a moment before: it
went the same course. In low harmonics it moves slowly, so that a course half as wide as the true one, along
which the tail looks nearly steady, was often the likelier one; of courses that were settled from a start at
the truth and from elsewhere, the wrong one won in 20 of 50 notes far away in a recital hall, and in 18 of 25
in a small studio. With the tail's own covariance it won in 2 and in 4.

Model
-----
Harmonic *k* of a course whose fundamental has the phase :math:`\theta(t)` is, frame by frame,

.. math:: y_k(t) = l_k(t)\, s_k(t) + \int_0^t h_k(\tau)\, s_k(t - \tau)\, d\tau + \text{noise},
          \qquad s_k(t) = e^{i k \theta(t)},

slow levels *l* of variance without bound (as in :mod:`~vibstudy.pitch.course`), a room's response *h* that is
white but falls exponentially (Polack's model of late reverberation, 1993; from memory), and white noise. So
*y* is Gaussian, and the covariance of its tail obeys

.. math:: C(t + \Delta, t' + \Delta) = e^{-2 a \Delta} C(t, t') + s(t + \Delta)\, \overline{s(t' + \Delta)},
          \qquad a = \ln(10^3) / T.

The power of each harmonic is profiled out; *T* is `DECAY_S` in every room, for the likeliest of three found
no better courses. The likeliest course and shares of white noise are found together by the quasi-Newton steps
of L-BFGS, in coordinates in which what the direct sound tells of them has unit curvature.
It has many optima. Of notes far away that were left astray, 27 to 36 of 38 were so because nothing was tried
near the likeliest course; a start from the sound without most of its room (:mod:`vibstudy.sound.dereverb`)
finds more than a search about what was found did, in less time.
"""

from __future__ import annotations

from typing import NamedTuple

import numba
import numpy as np
from scipy.linalg import solve_triangular
from scipy.optimize import OptimizeResult, minimize

from vibstudy.pitch.calculus import running_integral
from vibstudy.pitch.course import Bank, Course
from vibstudy.pitch.hermitian import invert, whiten
from vibstudy.pitch.refine import CENTS_PER_NEPER
from vibstudy.pitch.tail import kept, pieces

DECAY_S = 1.2  # of any room
WHITE = (0.01, 0.1, 1.0, 30.0)  # power of white noise over that of the tail; the last: hardly any tail
FREE = 1e3  # variance of the levels over that of the tail: none would be as well
SILENT = 1e-12  # of the loudest row's power
FRAMES_HZ, TOP_HZ = 70.0, 5000.0
"""Frames a second and harmonics that are asked."""
TURNS = 40  # at most: steps
FARTHEST = 100.0
"""In coordinates of unit curvature a step so long promises 5,000 of log likelihood, more than any note has to
say; beyond, a course leads where its phase is no number."""
POLISHED = 0.2
"""Of log likelihood: a course that gains less in a step stands still, 0.2 cents from where it would with a
quarter of that."""
HOPE = 2.0
"""A course is given up that would not be the likeliest if it gained so many times what its slope promises: it
spares three in ten of all steps, and in simulated rooms as many notes are right."""
PIECE_FRAMES = 45
"""For speed, what is farther apart is taken for independent. With 30 extents far away would be 2.8 % narrow,
not 2.5, and 92 % of their intervals hold, not 94."""


class InRoom:
    """What courses of a note are asked of, and how likely they are.

    Parameters
    ----------
    bank : Bank
        Its harmonics along a steady base line.
    course : Course
        The courses there are.
    """

    def __init__(self, bank: Bank, course: Course):
        self.bank, self.course = bank, course
        step = max(1, round(1.0 / (FRAMES_HZ * bank.hop_s)))
        self._at = np.arange(step // 2, len(bank.time_s), step)
        rows = np.flatnonzero((bank.order * bank.base_hz[0] <= TOP_HZ) | (bank.order <= bank.order[0] + 1))
        y = bank.b[np.ix_(rows, self._at)]
        power = np.mean(y.real**2 + y.imag**2, axis=1)
        heard = power > SILENT * power.max()
        levels = np.linalg.qr(bank.levels[self._at])[0]
        self._question = _Question(
            y[heard] / np.sqrt(power[heard])[:, None],
            bank.order[rows[heard]],
            levels,
            FREE * levels @ levels.T,
            pieces(len(self._at), PIECE_FRAMES),
            kept(DECAY_S, step * bank.hop_s),
        )
        self._white = np.full(len(self._question.order), WHITE[0])

    def with_noise(self, x: np.ndarray) -> float:
        """Cost of a course (coefficients, cents) with the likeliest noise of `WHITE`, which is taken."""
        turned, each = self._turned(x), []
        for white in WHITE:
            each.append(_costs(self._question, turned, np.full(len(self._white), white)))
        self._white = np.array(WHITE)[np.argmin(each, axis=0)]
        return float(np.min(each, axis=0).sum() + self._prior(x))

    def cost_and_slope(self, x: np.ndarray, expected: bool = False) -> _Slopes:
        """Minus log likelihood of a course and its prior; how it changes with course and log of white noise.

        The `expected` curvature is told where it is asked for.
        """
        costs, *there = _slopes(self._question, self._turned(x), self._white, expected)
        slope, by_white, known, known_white = there
        ratio = np.exp(self.course.basis @ x / CENTS_PER_NEPER)
        radians = 2.0 * np.pi / CENTS_PER_NEPER * self.bank.base_hz * ratio
        turn = running_integral(radians[:, None] * self.course.basis, self.bank.hop_s)[self._at]
        return _Slopes(
            float(costs.sum() + self._prior(x)),
            turn.T @ slope + self.course.weight * x,
            by_white,
            turn.T @ (known @ turn) + np.diag(self.course.weight) if expected else np.zeros((0, 0)),
            known_white,
        )

    def settled(self, x: np.ndarray, below: float = np.inf) -> tuple[np.ndarray, float]:
        """The likeliest course near one, with the likeliest noise, and what it costs.

        Parameters
        ----------
        x : ndarray [shape=(p,)]
            Coefficients of a course, cents.
        below : float
            Left unsettled where there is no hope of a cost below this.

        Returns
        -------
        course : ndarray [shape=(p,)]
            Coefficients, cents.
        cost : float
            Minus its log likelihood, and its prior's.
        """
        cost = self.with_noise(x)
        first = [self.cost_and_slope(x, expected=True)]
        root, scale = np.linalg.cholesky(first[0].known), np.sqrt(1.0 + first[0].known_white)
        free, promised = len(x), 0.0

        def there(z: np.ndarray) -> np.ndarray:
            return x + solve_triangular(root, z[:free], trans=1, lower=True)

        def asked(z: np.ndarray) -> tuple[float, np.ndarray]:
            nonlocal promised
            self._white = np.exp(z[free:] / scale)
            at = first.pop() if first else self.cost_and_slope(there(z))  # the start is asked for first
            slope = np.append(solve_triangular(root, at.slope, lower=True), at.by_white / scale)
            promised = 0.5 * float(slope @ slope)  # where the curvature is one
            return at.cost, slope

        def hoped(intermediate_result: OptimizeResult) -> None:
            if intermediate_result.fun - HOPE * promised > below:
                raise StopIteration

        start = np.append(np.zeros(free), scale * np.log(self._white))
        least, most = (scale * np.log(white) for white in (WHITE[0], WHITE[-1]))
        bounds = [(-FARTHEST, FARTHEST)] * free + list(zip(least, most, strict=True))
        until = {"maxiter": TURNS, "ftol": POLISHED / abs(cost)}
        found = minimize(
            asked, start, jac=True, method="L-BFGS-B", bounds=bounds, options=until, callback=hoped
        )
        self._white = np.exp(found.x[free:] / scale)
        return there(found.x), float(found.fun)

    def _prior(self, x: np.ndarray) -> float:
        return 0.5 * float(self.course.weight @ x**2)

    def _turned(self, x: np.ndarray) -> np.ndarray:
        """How each row turns along a course, re the base line, at the frames asked [2, rows, n]."""
        away_hz = self.bank.base_hz * np.expm1(self.course.basis @ x / CENTS_PER_NEPER)
        theta = 2.0 * np.pi * running_integral(away_hz, self.bank.hop_s)[self._at]
        phase = self._question.order[:, None] * theta
        return np.stack([np.cos(phase), np.sin(phase)])


class _Slopes(NamedTuple):
    """Cost of a course; its slope and expected curvature, by coefficients [p] and by white noise [rows]."""

    cost: float
    slope: np.ndarray
    by_white: np.ndarray
    known: np.ndarray
    known_white: np.ndarray


class _Question(NamedTuple):
    """What is asked, along no course yet.

    `y` [rows, n] of power 1; `order` [rows]; `levels` [n, m], slow, and what they are `free` to do [n, n];
    `ends` of the pieces; `keep`: share of the tail's power that is left after a frame.
    """

    y: np.ndarray
    order: np.ndarray
    levels: np.ndarray
    free: np.ndarray
    ends: np.ndarray
    keep: float


@numba.njit(cache=True, error_model="numpy")
def _tails(real, imag, keep, width):
    """Covariance of the tail at each frame with the `width` from there on, one on average; its scale."""
    n = len(real)
    out, tail, power = np.zeros((2, n, width)), 0.0, 0.0
    for _ in range(n):
        tail = keep * tail + 1.0
        power += tail / n
    share = 1.0 / power
    for i in range(n):
        many, u, v = min(width, n - i), share * real[i], share * imag[i]
        for d in range(many):
            out[0, i, d] = u * real[i + d] + v * imag[i + d]
            out[1, i, d] = v * real[i + d] - u * imag[i + d]
        if i > 0:
            for d in range(many):
                out[0, i, d] += keep * out[0, i - 1, d]
                out[1, i, d] += keep * out[1, i - 1, d]
    return out, share


@numba.njit(cache=True, error_model="numpy")
def _covariance(tails, free, real, imag, white, first, last):
    """Covariance of a piece, its upper part [2, n, n]; `free` [n, n]: of the levels of the direct sound."""
    n = last - first
    out = np.zeros((2, n, n))
    for i in range(n):
        u, v = real[first + i], imag[first + i]
        for j in range(i, n):
            x, y, level = real[first + j], imag[first + j], free[first + i, first + j]
            out[0, i, j] = tails[0, first + i, j - i] + level * (u * x + v * y)
            out[1, i, j] = tails[1, first + i, j - i] + level * (v * x - u * y)
        out[0, i, i] += white
    return out


@numba.njit(cache=True, error_model="numpy", fastmath=True)
def _explain(own, heard, ends, explained):
    """Multiply an inverse, its upper part by frame and distance [2, n, width], by what is heard [2, n]."""
    explained[:] = 0.0
    for piece in range(len(ends) - 1):
        for i in range(ends[piece], ends[piece + 1]):
            many, u, v, s, t = ends[piece + 1] - i, heard[0, i], heard[1, i], 0.0, 0.0
            a, b, p, q = own[0, i], own[1, i], heard[0, i:], heard[1, i:]
            x, z = explained[0, i:], explained[1, i:]
            for d in range(1, many):
                s += a[d] * p[d] - b[d] * q[d]
                t += a[d] * q[d] + b[d] * p[d]
                x[d] += a[d] * u + b[d] * v
                z[d] += a[d] * v - b[d] * u
            explained[0, i] += a[0] * u + s
            explained[1, i] += a[0] * v + t


@numba.njit(cache=True, error_model="numpy")
def _costs(question, turned, white):
    """Cost of each row [shape=(rows,)]; `turned` [2, rows, n]: how each turns, real and imaginary."""
    y, ends = question.y, question.ends
    (rows, n), width = y.shape, np.diff(ends).max()
    costs = np.empty(rows)
    for row in range(rows):
        real, imag = turned[0, row], turned[1, row]
        tails, _ = _tails(real, imag, question.keep, width)
        log_det, power = 0.0, 0.0
        for piece in range(len(ends) - 1):
            first, last = ends[piece], ends[piece + 1]
            z = np.empty((2, last - first, 1))
            z[0, :, 0], z[1, :, 0] = y[row, first:last].real, y[row, first:last].imag
            covariance = _covariance(tails, question.free, real, imag, white[row], first, last)
            log_det += whiten(covariance, z)
            power += np.sum(z**2)
        costs[row] = log_det + n * np.log(power)
    return costs


@numba.njit(cache=True, error_model="numpy", fastmath={"contract"})
def _slopes(question, turned, white, expected):
    """Cost of each row; slope by the phase of each frame [n], and by the logarithm of white noise [rows].

    Last, if it is asked for, the `expected` curvature by phases [n, n] and by white noise [rows]; by phases
    it is what the direct sound tells of them, less what its slow levels take.
    """
    y, ends, levels, free, keep = question.y, question.ends, question.levels, question.free, question.keep
    (rows, n), width = y.shape, np.diff(ends).max()
    costs, slope, by_white = np.empty(rows), np.zeros(n), np.empty(rows)
    known, known_white = np.zeros((n, n) if expected else (0, 0)), np.zeros(rows)
    own, later, change = np.empty((2, n, width)), np.empty((2, width)), np.empty(width)
    heard, explained = np.empty((2, n)), np.empty((2, n))
    for row in range(rows):
        order = question.order[row]
        heard[0], heard[1] = y[row].real, y[row].imag
        real, imag = turned[0, row], turned[1, row]
        tails, share = _tails(real, imag, keep, width)
        log_det, power, trace, square = 0.0, 0.0, 0.0, 0.0
        for piece in range(len(ends) - 1):
            first, last = ends[piece], ends[piece + 1]
            covariance = _covariance(tails, free, real, imag, white[row], first, last)
            log_det += invert(covariance)
            for i in range(first, last):
                a, b = own[0, i], own[1, i]
                p, q = covariance[0, i - first, i - first :], covariance[1, i - first, i - first :]
                for d in range(last - i):
                    a[d], b[d] = p[d], q[d]
                if expected:
                    for d in range(last - i):
                        square += 2.0 * (a[d] * a[d] + b[d] * b[d])
                    square -= a[0] * a[0]
                trace += a[0]
        _explain(own, heard, ends, explained)
        for i in range(n):
            power += explained[0, i] * heard[0, i] + explained[1, i] * heard[1, i]
        count = n / power
        costs[row] = log_det + n * np.log(power)
        if expected:
            _add_expected(known, 2.0 * count * order * order, own, heard, ends, levels, real, imag)
        by_white[row] = 0.0
        for piece in range(len(ends) - 1):
            first, last = ends[piece], ends[piece + 1]
            for i in range(first, last):
                many, s, t = last - i, count * explained[0, i], count * explained[1, i]
                a, b, x, z = own[0, i], own[1, i], explained[0, i:last], explained[1, i:last]
                for d in range(many):
                    a[d] -= s * x[d] + t * z[d]
                    b[d] -= t * x[d] - s * z[d]
                by_white[row] += white[row] * a[0]
                a[many:] = 0.0
                b[many:] = 0.0
        if expected:
            known_white[row] = white[row] ** 2 * (square - trace * trace / n)
        _add_slope(slope, own, later, change, real, imag, free, keep, share, order)
    for i in range(len(known)):
        for j in range(i + 1, n):
            known[j, i] = known[i, j]
    return costs, slope, by_white, known, known_white


@numba.njit(cache=True, error_model="numpy", fastmath={"contract"})
def _add_expected(known, weight, own, heard, ends, levels, real, imag):
    """Add what a row's direct sound is expected to tell of the phase of each frame, upper part.

    `own` [2, n, width]: the inverse of its covariance; `heard` [2, n].
    """
    n = len(known)
    still, direct = np.empty((n, 2)), np.empty((2, n))
    for i in range(n):
        u, v = heard[0, i], heard[1, i]
        still[i, 0], still[i, 1] = u * real[i] + v * imag[i], v * real[i] - u * imag[i]
    steady = np.dot(levels, np.dot(levels.T, still))
    for i in range(n):
        direct[0, i] = steady[i, 0] * real[i] - steady[i, 1] * imag[i]
        direct[1, i] = steady[i, 1] * real[i] + steady[i, 0] * imag[i]
    for piece in range(len(ends) - 1):
        for i in range(ends[piece], ends[piece + 1]):
            u, v, told = weight * direct[0, i], weight * direct[1, i], known[i, i : ends[piece + 1]]
            a, b, p, q = own[0, i], own[1, i], direct[0, i:], direct[1, i:]
            for d in range(len(told)):
                told[d] += a[d] * (u * p[d] + v * q[d]) - b[d] * (u * q[d] - v * p[d])


@numba.njit(cache=True, error_model="numpy", fastmath={"contract"})
def _add_slope(slope, own, later, change, real, imag, free, keep, share, order):
    """Add how a row's cost changes with the phase of each frame; `later`, `change`: room for its sums.

    `own` [2, n, width]: how it changes with the covariance.
    """
    _, n, width = own.shape
    later[:] = 0.0  # of the sound of this frame in all later ones
    for i in range(n - 1, -1, -1):
        many, u, v, turned = min(width, n - i), 2.0 * order * real[i], 2.0 * order * imag[i], 0.0
        a, b, below = own[0, i], own[1, i], free[i, i:]
        p, q, x, z, out = later[0], later[1], real[i:], imag[i:], slope[i:]
        for d in range(many):
            p[d] = a[d] + keep * p[d]
            q[d] = b[d] + keep * q[d]
            change[d] = (share * p[d] + below[d] * a[d]) * (v * x[d] - u * z[d]) - (
                share * q[d] + below[d] * b[d]
            ) * (u * x[d] + v * z[d])
        for d in range(many):
            out[d] += change[d]
            turned += change[d]
        slope[i] -= turned
