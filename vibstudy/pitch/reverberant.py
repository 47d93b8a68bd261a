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
of L-BFGS, in coordinates of unit curvature in the simpler likelihood: a tenth of a second for a note of one.
Of notes that it still leaves astray, half are so because nothing was tried near the likeliest course.
"""

from __future__ import annotations

import itertools

import numba
import numpy as np
from scipy.linalg import solve_triangular
from scipy.linalg.lapack import zpotrf, zpotri, zpotrs
from scipy.optimize import minimize

from vibstudy.pitch.calculus import running_integral
from vibstudy.pitch.course import SETTLED, Bank, Course, curvature_of
from vibstudy.pitch.refine import CENTS_PER_NEPER
from vibstudy.pitch.tail import kept, pieces

DECAY_S = 1.2  # of any room
WHITE = (0.01, 0.1, 1.0, 30.0)  # power of white noise over that of the tail; the last: hardly any tail
FREE = 1e3  # variance of the levels over that of the tail: none would be as well
SILENT = 1e-12  # of the loudest row's power
FRAMES_HZ, TOP_HZ = 70.0, 5000.0
"""Frames a second and harmonics that are asked."""
SHARES, LATE_S = (0.6, 0.8, 1.25, 1.6, 2.2), (-0.03, -0.015, 0.015, 0.03)
"""Of a course's movement, and by how much later: where else it is looked for."""
ROUNDS, TURNS = 3, 40  # at most: moves; steps
PIECE_FRAMES = 45  # for speed, what is farther apart is taken for independent


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
        self._order = bank.order[rows[heard]]
        self._y = y[heard] / np.sqrt(power[heard])[:, None]
        levels = np.linalg.qr(bank.levels[self._at])[0]
        self._free = FREE * levels @ levels.T
        self._ends = pieces(len(self._at), PIECE_FRAMES)
        self._keep = kept(DECAY_S, step * bank.hop_s)
        self._white = np.full(len(self._order), WHITE[0])

    def search(self, starts: list[np.ndarray]) -> tuple[np.ndarray, float]:
        """Find the likeliest course from starts, and from shrunk, stretched, early and late ones.

        Parameters
        ----------
        starts : list of ndarray [shape=(p,)]
            Coefficients of courses, cents.

        Returns
        -------
        course : ndarray [shape=(p,)]
            Coefficients, cents.
        cost : float
            Minus its log likelihood, and its prior's.
        """
        tried = [(self.with_noise(x), self._white, x) for x in starts]
        cost, self._white, x = min(tried, key=lambda one: one[0])
        x, cost = self._settled(x, cost)
        for _ in range(ROUNDS):
            before = self._white
            moves = [(self.cost(moved), moved) for moved in self._moves(x)]
            near_cost, near = min(moves, key=lambda one: one[0])
            moved, moved_cost = self._settled(near, near_cost)
            if moved_cost > cost - SETTLED:
                self._white = before
                break
            x, cost = moved, moved_cost
        return x, cost

    def settled(self, x: np.ndarray) -> tuple[np.ndarray, float]:
        """The likeliest course near one, and its cost: coefficients in cents as for :meth:`search`."""
        return self._settled(x, self.with_noise(x))

    def _moves(self, x: np.ndarray) -> list[np.ndarray]:
        """Courses that differ from one as those differ that were taken for one another."""
        cents, time_s = self.course.basis @ x, self.bank.time_s
        swing = cents - cents.mean()
        wider = [cents.mean() + share * swing for share in SHARES]
        later = [np.interp(time_s - late_s, time_s, cents) for late_s in LATE_S]
        return [self.course.start(moved) for moved in wider + later]

    def with_noise(self, x: np.ndarray) -> float:
        """Cost of a course (coefficients, cents) with the likeliest noise of `WHITE`, which is taken."""
        theta, each = self._phase(x), []
        for white in WHITE:
            self._white = np.full(len(self._order), white)
            each.append(self._rows(theta)[0])
        self._white = np.array(WHITE)[np.argmin(each, axis=0)]
        return float(np.min(each, axis=0).sum() + self._prior(x))

    def cost(self, x: np.ndarray) -> float:
        """Minus log likelihood of a course and its prior."""
        return float(self._rows(self._phase(x))[0].sum() + self._prior(x))

    def cost_and_slope(self, x: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        """The same, and its gradient: by the course, and by the logarithm of each row's white noise."""
        costs, slope, by_white = self._rows(self._phase(x), slopes=True)
        ratio = np.exp(self.course.basis @ x / CENTS_PER_NEPER)
        radians = 2.0 * np.pi / CENTS_PER_NEPER * self.bank.base_hz * ratio
        turn = running_integral(radians[:, None] * self.course.basis, self.bank.hop_s)[self._at]
        gradient = turn.T @ slope + self.course.weight * x
        return float(costs.sum() + self._prior(x)), gradient, by_white

    def _settled(self, x: np.ndarray, cost: float) -> tuple[np.ndarray, float]:
        """The likeliest course near one of a cost, with the likeliest noise, and what that costs."""
        root = np.linalg.cholesky(curvature_of(self.bank, self.course, x, self.bank.white()))
        free = len(x)

        def there(z: np.ndarray) -> np.ndarray:
            return x + solve_triangular(root, z[:free], trans=1, lower=True)

        def asked(z: np.ndarray) -> tuple[float, np.ndarray]:
            self._white = np.exp(z[free:])
            cost, gradient, by_white = self.cost_and_slope(there(z))
            return cost, np.append(solve_triangular(root, gradient, lower=True), by_white)

        start = np.append(np.zeros(free), np.log(self._white))
        bounds = [(None, None)] * free + [(np.log(WHITE[0]), np.log(WHITE[-1]))] * len(self._white)
        enough = {"maxiter": TURNS, "ftol": SETTLED / abs(cost)}
        found = minimize(asked, start, jac=True, method="L-BFGS-B", bounds=bounds, options=enough)
        self._white = np.exp(found.x[free:])
        return there(found.x), float(found.fun)

    def _prior(self, x: np.ndarray) -> float:
        return 0.5 * float(self.course.weight @ x**2)

    def _phase(self, x: np.ndarray) -> np.ndarray:
        """Phase of the fundamental re the base line at the frames asked."""
        away_hz = self.bank.base_hz * np.expm1(self.course.basis @ x / CENTS_PER_NEPER)
        return 2.0 * np.pi * running_integral(away_hz, self.bank.hop_s)[self._at]

    def _rows(self, theta: np.ndarray, *, slopes: bool = False) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Cost of each row [shape=(rows,)]; if asked for, how it changes with frames' phases and noise."""
        costs, slope, n = np.empty(len(self._order)), np.zeros(len(theta)), len(theta)
        by_white = np.zeros(len(self._order))
        width = int(np.diff(self._ends).max())
        for row, order in enumerate(self._order):
            tone, y = np.exp(1j * order * theta), self._y[row]
            tails, share = _tails(tone, self._keep, width)
            log_det, power, parts = 0.0, 0.0, []
            for first, last in itertools.pairwise(self._ends):
                covariance = _covariance(tails, self._free, tone, self._white[row], first, last)
                # what stands by rows is the conjugate's by columns
                root, _ = zpotrf(covariance.T, lower=1, clean=0, overwrite_a=1)
                log_det += 2.0 * float(np.log(root.diagonal().real).sum())
                solved, _ = zpotrs(root, y[first:last].conj(), lower=1)
                power += float((y[first:last] @ solved).real)
                parts.append((first, root, solved.conj()))
            costs[row] = log_det + n * np.log(power)
            if slopes:
                own = np.zeros((n, width), dtype=np.complex128)
                for first, root, explained in parts:
                    _set_slope(own, zpotri(root, lower=1, overwrite_c=1)[0].T, explained, n / power, first)
                _add_slope(slope, own, tone, self._free, self._keep, share, order)
                by_white[row] = self._white[row] * float(own[:, 0].real.sum())
        return costs, slope, by_white


@numba.njit(cache=True)
def _tails(tone, keep, width):
    """Covariance of the tail at each frame with the `width` from there on, one on average; its scale."""
    n = len(tone)
    out, tail, power = np.zeros((n, width), dtype=np.complex128), 0.0, 0.0
    for _ in range(n):
        tail = keep * tail + 1.0
        power += tail / n
    share = 1.0 / power
    for i in range(n):
        for d in range(min(width, n - i)):
            out[i, d] = share * tone[i] * tone[i + d].conjugate()
            if i > 0:
                out[i, d] += keep * out[i - 1, d]
    return out, share


@numba.njit(cache=True)
def _covariance(tails, free, tone, white, first, last):
    """Covariance of a piece, its upper part, by rows; `free` [n, n]: of the levels of the direct sound."""
    n = last - first
    out = np.zeros((n, n), dtype=np.complex128)
    for i in range(n):
        for j in range(i, n):
            both = tone[first + i] * tone[first + j].conjugate()
            out[i, j] = tails[first + i, j - i] + free[first + i, first + j] * both
        out[i, i] += white
    return out


@numba.njit(cache=True)
def _set_slope(own, inverse, explained, count, first):
    """How a row's cost changes with its covariance in a piece, by frame and distance [n, width]."""
    n = len(explained)
    for i in range(n):
        for j in range(i, n):
            own[first + i, j - i] = inverse[i, j] - count * explained[i] * explained[j].conjugate()


@numba.njit(cache=True)
def _add_slope(slope, own, tone, free, keep, share, order):
    """Add how a row's cost changes with the phase of each frame."""
    n, width = own.shape
    later = np.zeros(width, dtype=np.complex128)  # of the sound of this frame in all later ones
    for i in range(n - 1, -1, -1):
        for d in range(min(width, n - i)):
            later[d] = own[i, d] + keep * later[d]
            both = (share * later[d] + free[i, i + d] * own[i, d]).conjugate()
            both *= tone[i] * tone[i + d].conjugate()
            slope[i] -= 2.0 * order * both.imag
            slope[i + d] += 2.0 * order * both.imag
