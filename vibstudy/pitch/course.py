r"""How likely a course of the pitch is: what it makes of a note's harmonics.

Harmonic *k* (of every channel) demodulated at a base line is

.. math:: b_k(t) = a_k(t)\, e^{i k (\psi(t) - \psi_b(t))} + n_k(t), \qquad \psi = 2\pi\int f\,dt,

with a complex level :math:`a_k` that changes slowly (cosines up to `LEVEL_HZ`, and exponentials for attack
and release) and noise of unknown power. Levels and powers are profiled out (variable projection): the log
likelihood of a course is

.. math:: -\sum_k N_k \ln\frac{\|b_k e^{-ik\psi} - P_k\|^2}{\|b_k\|^2},

*P* the projection on the slow levels, :math:`N_k` the number of independent values of what is left over (its
bandwidth times the note's length: tail and other players are coloured).

A course is a sum of cosines up to `COURSE_HZ`, with a prior that falls with frequency, and of two bends at
the ends. :func:`settle` finds the likeliest one near a start, by damped Gauss-Newton steps with analytic
derivatives.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import NamedTuple

import numba
import numpy as np
import scipy.fft

from vibstudy.pitch.calculus import integral_of_columns, running_integral, to_root
from vibstudy.pitch.demodulate import NOISE_BANDWIDTH, Demodulator
from vibstudy.pitch.refine import CENTS_PER_NEPER

LEVEL_HZ = 1.7  # levels may change up to here: below the slowest vibrato
ATTACK_S, RELEASE_S = 0.025, 0.025
COURSE_HZ = 16.0
WIDE_CENTS, KNEE_HZ = 60.0, 7.0
"""Prior of the course: standard deviation of a component of a note of 1 s at 0 Hz; where it has halved."""
WIDE_SHIFT_CENTS, EDGE_CENTS = 100.0, 15.0  # of the steady part; of the bends at both ends
FLOOR = 1e-4  # no more than 40 dB of a harmonic counts as steady: levels that are not so slow, rounding
ROUGH_CENTS = 2.0  # error of a rough course, found on simulated notes in rooms
SETTLED = 0.05  # of log likelihood: a course that gains less stands still


def slow_levels(t: np.ndarray, cents: np.ndarray | None = None) -> np.ndarray:
    """Orthonormal columns of what a harmonic's complex level may do [shape=(n, m)]; `cents` [n, ...], too."""
    alone = _slow_levels(len(t), float(t[-1] - t[0]))
    return alone if cents is None else np.linalg.qr(np.column_stack([alone, cents]))[0]


@lru_cache(maxsize=64)
def _slow_levels(n: int, span: float) -> np.ndarray:
    """Of `n` frames, evenly over so many seconds; asked several times of one note."""
    since = np.linspace(0.0, span, n)
    j = np.arange(1 + int(2.0 * LEVEL_HZ * span))
    edges = np.exp(-np.stack([since / ATTACK_S, (span - since) / RELEASE_S], axis=1))
    columns = np.concatenate([np.cos(np.pi * j * since[:, None] / span), edges], axis=1)
    levels = np.linalg.qr(columns)[0]
    levels.flags.writeable = False
    return levels


@dataclass(frozen=True, eq=False)
class Bank:
    """Harmonics at rest along a base line.

    `time_s` [n] of the frames from the note's onset; `b` complex [rows, n]; `order` [rows], ascending: the
    number of each row's harmonic, as often as there are channels; `base_hz` [n]; `levels` [n, m];
    `bandwidth_hz` of the window.
    """

    time_s: np.ndarray
    hop_s: float
    b: np.ndarray
    order: np.ndarray
    base_hz: np.ndarray
    levels: np.ndarray
    bandwidth_hz: float

    @classmethod
    def along(cls, demodulators: list[Demodulator], onset_s: float, base_hz: np.ndarray, count: int) -> Bank:
        """Bring the first `count` harmonics of every channel to rest along a base line [shape=(n,)]."""
        first = demodulators[0]
        rows = [channel.rest(base_hz, count) for channel in demodulators]
        time_s = first.time_s - onset_s
        return cls(
            time_s,
            first.hop / first.rate_hz,
            np.stack(rows, axis=1).reshape(-1, len(time_s)),
            np.repeat(np.arange(1, count + 1), len(rows)),
            base_hz,
            slow_levels(time_s),
            NOISE_BANDWIDTH / first.window_s,
        )

    @cached_property
    def total(self) -> np.ndarray:
        """Power of each row times frames."""
        return np.einsum("ij,ij->i", self.b.real, self.b.real) + np.einsum(
            "ij,ij->i", self.b.imag, self.b.imag
        )

    def thinned(self) -> tuple[Bank, np.ndarray]:
        """Every other frame, and which these are: enough to search with."""
        at = np.arange(0, len(self.time_s), 2)
        time_s = self.time_s[at]
        bank = replace(
            self,
            time_s=time_s,
            hop_s=2.0 * self.hop_s,
            b=np.ascontiguousarray(self.b[:, at]),
            base_hz=self.base_hz[at],
            levels=slow_levels(time_s),
        )
        return bank, at

    def until(self, frames: int) -> Bank:
        """With the first frames only."""
        if frames == len(self.time_s):
            return self
        time_s = self.time_s[:frames]
        return replace(
            self,
            time_s=time_s,
            b=self.b[:, :frames],
            base_hz=self.base_hz[:frames],
            levels=slow_levels(time_s),
        )

    def reflected(self, cents: np.ndarray) -> Bank:
        """With levels that may follow a course [shape=(n, ...)], too, as reflections make them."""
        return replace(self, levels=slow_levels(self.time_s, cents))

    def first(self, most: int) -> Bank:
        """With the first harmonics only."""
        rows = self.order <= most
        return replace(self, b=self.b[rows], order=self.order[rows])

    def white(self) -> np.ndarray:
        """Independent values of each row if its noise is white."""
        n = self.b.shape[1]
        return np.full(len(self.b), n * min(1.0, self.bandwidth_hz * self.hop_s))

    def coloured(self, rest: np.ndarray) -> np.ndarray:
        """Independent values of each row of what is left over: its bandwidth times the time it lasts."""
        n = rest.shape[1]
        spectrum = scipy.fft.fft(rest, 2 * n, axis=1)  # NumPy's takes one row at a time
        power = spectrum.real**2 + spectrum.imag**2
        # over some bins, as the expectation of the square of a periodogram is twice that of the spectrum
        running = np.cumsum(np.concatenate([power, power[:, :8]], axis=1), axis=1)
        smooth = running[:, 8:] - running[:, :-8]
        seen = smooth.sum(axis=1) ** 2 / np.maximum((smooth**2).sum(axis=1), 1e-300) / 2.0
        return np.minimum(seen, self.white())


@dataclass(frozen=True, eq=False)
class Course:
    """A smooth course: cosines and two exponentials [n, p], with the weights of their prior [p]."""

    basis: np.ndarray
    weight: np.ndarray

    @classmethod
    def over(cls, time_s: np.ndarray) -> Course:
        """Any course up to `COURSE_HZ`, with its prior."""
        since, span = time_s - time_s[0], time_s[-1] - time_s[0]
        j = np.arange(1 + int(2.0 * COURSE_HZ * span))
        edges = np.exp(-np.stack([since / ATTACK_S, (span - since) / RELEASE_S], axis=1))
        basis = np.concatenate([np.cos(np.pi * j * since[:, None] / span), edges], axis=1)
        sd = WIDE_CENTS / (1.0 + (j / (2.0 * span * KNEE_HZ)) ** 2) / np.sqrt(max(span, 0.2))
        sd[0] = WIDE_SHIFT_CENTS
        return cls(basis, np.append(sd, [EDGE_CENTS] * 2) ** -2.0)

    def below(self, time_s: np.ndarray, top_hz: float) -> Course:
        """Without what is quicker than `top_hz`."""
        slow = np.arange(self.basis.shape[1]) <= 2.0 * top_hz * (time_s[-1] - time_s[0])
        slow[-2:] = True
        return Course(self.basis[:, slow], self.weight[slow])

    def along_with(self, cents: np.ndarray) -> Course:
        """With a share of another line's movement [shape=(n,)], from none to about all of it."""
        return Course(np.column_stack([self.basis, cents]), np.append(self.weight, 1.0))

    def start(self, cents: np.ndarray) -> np.ndarray:
        """Coefficients of a rough course [shape=(n,)]."""
        normal = self.basis.T @ self.basis / ROUGH_CENTS**2 + np.diag(self.weight)
        return np.linalg.solve(normal, self.basis.T @ cents / ROUGH_CENTS**2)


class Look(NamedTuple):
    """Likelihood of a course.

    `cost`; the rows along it, `still` [2 rows, n]; their slow `levels` [2 rows, m], real parts of all rows
    first, then imaginary ones; `lost` [rows]: power times frames of what is left over.
    """

    cost: float
    still: np.ndarray
    levels: np.ndarray
    lost: np.ndarray

    def rest(self, bank: Bank) -> np.ndarray:
        """What is left over [shape=(rows, n)], complex."""
        real, imag = np.split(self.still - self.levels @ bank.levels.T, 2)
        return real + 1j * imag


class _Question(NamedTuple):
    """What a course is asked of: fields of a bank, of a course, and what follows from them.

    `turn` [n, p]: phase of the fundamental for each coefficient; the pitch of the base line is near enough.
    `products` [m, m p]: its sums with the products of every two columns of the levels.
    """

    b: np.ndarray
    order: np.ndarray
    base_hz: np.ndarray
    hop_s: float
    levels: np.ndarray
    total: np.ndarray
    basis: np.ndarray
    weight: np.ndarray
    counts: np.ndarray
    turn: np.ndarray
    products: np.ndarray

    @classmethod
    def of(cls, bank: Bank, course: Course, counts: np.ndarray) -> _Question:
        radians = 2.0 * np.pi / CENTS_PER_NEPER * bank.base_hz
        turn = running_integral(radians[:, None] * course.basis, bank.hop_s)
        n, m = bank.levels.shape
        pairs = bank.levels[:, :, None] * bank.levels[:, None, :]
        products = (pairs.reshape(n, m * m).T @ turn).reshape(m, -1)
        b, base_hz, levels, basis = (
            np.ascontiguousarray(values) for values in (bank.b, bank.base_hz, bank.levels, course.basis)
        )
        return cls(
            b,
            bank.order,
            base_hz,
            bank.hop_s,
            levels,
            bank.total,
            basis,
            course.weight,
            counts,
            turn,
            products,
        )


@numba.njit(cache=True, error_model="numpy")
def _look(question, x):
    """Likelihood of a course of these coefficients, as fields of a :class:`Look`."""
    b, order, levels = question.b, question.order, question.levels
    rows, n = b.shape
    cents = np.dot(question.basis, x)
    away_hz = np.empty((n, 1))
    for t in range(n):
        away_hz[t, 0] = question.base_hz[t] * np.exp(cents[t] / CENTS_PER_NEPER) - question.base_hz[t]
    psi = integral_of_columns(away_hz, question.hop_s)
    back, power, done = np.empty((2, n)), np.zeros((2, n)), 0
    for t in range(n):
        angle = 2.0 * np.pi * psi[t, 0]
        back[0, t], back[1, t] = np.cos(angle), -np.sin(angle)
    power[0] = 1.0
    still = np.empty((2 * rows, n))
    for row in range(rows):
        for _ in range(order[row] - done):
            for t in range(n):
                u, v = power[0, t], power[1, t]
                power[0, t] = u * back[0, t] - v * back[1, t]
                power[1, t] = u * back[1, t] + v * back[0, t]
        done = order[row]
        for t in range(n):
            u, v = b[row, t].real, b[row, t].imag
            still[row, t] = u * power[0, t] - v * power[1, t]
            still[rows + row, t] = u * power[1, t] + v * power[0, t]
    level = np.dot(still, levels)
    cost, lost = 0.0, question.total.copy()
    for row in range(rows):
        for a in range(levels.shape[1]):  # they are orthonormal
            lost[row] -= level[row, a] ** 2 + level[rows + row, a] ** 2
        lost[row] = max(lost[row], FLOOR * question.total[row])
        cost += question.counts[row] * np.log(lost[row] / question.total[row])
    for j in range(len(x)):
        cost += 0.5 * question.weight[j] * x[j] ** 2
    return cost, still, level, lost


@numba.njit(cache=True, error_model="numpy")
def _slopes(question, x, still, level, lost):
    """Gradient and curvature of the cost."""
    levels, turn, products = question.levels, question.turn, question.products
    rows, m = len(lost), levels.shape[1]
    crossed, weighted = np.empty((2 * rows, m)), np.empty((2 * rows, m))
    for row in range(rows):
        weight = 2.0 * question.counts[row] / lost[row] * question.order[row]
        for a in range(m):
            real, imag = level[row, a], level[rows + row, a]
            crossed[row, a], crossed[rows + row, a] = weight * imag, -weight * real
            weighted[row, a] = weight * question.order[row] * real
            weighted[rows + row, a] = weight * question.order[row] * imag
    # the expected curvature (Fisher): the steady part alone tells of the phase, what is left over does not
    power = np.dot(weighted.T, level)
    score, moved = np.dot(crossed.T, still), np.dot(levels, power)
    n, p = turn.shape
    along, turned = np.empty(n), np.empty((n, p))
    for t in range(n):
        along[t], heavy = 0.0, 0.0
        for a in range(m):
            along[t] += levels[t, a] * score[a, t]
            heavy += levels[t, a] * moved[t, a]
        for j in range(p):
            turned[t, j] = turn[t, j] * heavy
    gradient = np.dot(turn.T, along)
    # less what the levels take
    taken = np.dot(power, products).reshape(m * m, p)
    curvature = np.dot(turned.T, turn) - np.dot(products.reshape(m * m, p).T, taken)
    for j in range(p):
        gradient[j] += question.weight[j] * x[j]
        curvature[j, j] += question.weight[j]
    return gradient, curvature


@numba.njit(cache=True, error_model="numpy")
def _step(curvature, gradient, damping):
    """Solution of the damped normal equations."""
    p = len(gradient)
    root, step = curvature.copy(), gradient.copy()
    for j in range(p):
        root[j, j] *= 1.0 + damping
    to_root(root)
    for i in range(p):
        for k in range(i):
            step[i] -= root[i, k] * step[k]
        step[i] /= root[i, i]
    for i in range(p - 1, -1, -1):
        for k in range(i + 1, p):
            step[i] -= root[k, i] * step[k]
        step[i] /= root[i, i]
    return step


def log_evidence(bank: Bank, course: Course, x: np.ndarray, counts: np.ndarray, now: Look) -> float:
    """Log likelihood of a kind of course as a whole, by Laplace's approximation about its likeliest one.

    What a coefficient gains is charged with how much narrower than its prior the sound makes it, so that
    kinds of courses with few and with many coefficients can be compared (Kass & Raftery 1995, JASA
    90:773-795).
    """
    _, curvature = _slopes(_Question.of(bank, course, counts), x, now.still, now.levels, now.lost)
    return 0.5 * float(np.log(course.weight).sum() - np.linalg.slogdet(curvature)[1]) - now.cost


def look(bank: Bank, course: Course, x: np.ndarray, counts: np.ndarray) -> Look:
    """Likelihood of a course."""
    return Look(*_look(_Question.of(bank, course, counts), x))


def power_of(rows: np.ndarray) -> np.ndarray:
    """Power of each row times its length."""
    return np.einsum("ij,ij->i", rows.real, rows.real) + np.einsum("ij,ij->i", rows.imag, rows.imag)


def settle(
    bank: Bank, course: Course, x: np.ndarray, counts: np.ndarray, turns: int, enough: float = SETTLED
) -> tuple[np.ndarray, Look]:
    """Damped Gauss-Newton steps until the course stands still, or gains less than `enough`."""
    x, *now = _settled(_Question.of(bank, course, counts), x, turns, enough)
    return x, Look(*now)


@numba.njit(cache=True, error_model="numpy")
def _settled(question, x, turns, enough):
    cost, still, level, lost = _look(question, x)
    gradient, curvature = _slopes(question, x, still, level, lost)
    damping = 1e-3
    for turn in range(turns):
        new_x = x - _step(curvature, gradient, damping)
        new_cost, new_still, new_level, new_lost = _look(question, new_x)
        gain = cost - new_cost
        if gain > 0.0:
            x, cost, still, level, lost = new_x, new_cost, new_still, new_level, new_lost
            damping *= 0.1
            if gain < enough:
                break
            if turn < turns - 1:
                gradient, curvature = _slopes(question, x, still, level, lost)
        elif damping > 1e3:
            break
        else:
            damping = max(10.0 * damping, 1e-2)
    return x, cost, still, level, lost
