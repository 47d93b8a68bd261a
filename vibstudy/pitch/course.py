r"""How likely a course of the pitch is: what it makes of a note's harmonics.

Harmonic *k* (of every channel) demodulated at a base line is

.. math:: b_k(t) = a_k(t)\, e^{i k (\psi(t) - \psi_b(t))} + n_k(t), \qquad \psi = 2\pi\int f\,dt,

with a complex level :math:`a_k` that changes slowly (cosines up to `LEVEL_HZ`, and exponentials for attack
and release) and noise of unknown power. Levels and powers are profiled out (variable projection): the log
likelihood of a course is

.. math:: -\sum_k N_k \ln\frac{\|b_k e^{-ik\psi} - P_k\|^2}{\|b_k\|^2},

*P* the projection on the slow levels, :math:`N_k` the number of independent values of what is left over (its
bandwidth times the note's length: tail and company are coloured).

A course is a sum of cosines up to `COURSE_HZ`, with a prior that falls with frequency, and of two bends at
the ends. :func:`settle` finds the likeliest one near a start, by damped Gauss-Newton steps with analytic
derivatives.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numba
import numpy as np
from scipy.linalg.lapack import dposv

from vibstudy.pitch.calculus import running_integral
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


def slow_levels(t: np.ndarray) -> np.ndarray:
    """Orthonormal columns of what a harmonic's complex level may do [shape=(n, m)]."""
    since, span = t - t[0], t[-1] - t[0]
    j = np.arange(1 + int(2.0 * LEVEL_HZ * span))
    edges = np.exp(-np.stack([since / ATTACK_S, (span - since) / RELEASE_S], axis=1))
    return np.linalg.qr(np.concatenate([np.cos(np.pi * j * since[:, None] / span), edges], axis=1))[0]


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
        power = np.abs(np.fft.fft(rest, 2 * n, axis=1)) ** 2
        # over some bins, as the expectation of the square of a periodogram is twice that of the spectrum
        running = np.cumsum(np.concatenate([power, power[:, :8]], axis=1), axis=1)
        smooth = running[:, 8:] - running[:, :-8]
        seen = smooth.sum(axis=1) ** 2 / np.maximum((smooth**2).sum(axis=1), 1e-300) / 2.0
        return np.clip(seen, 4.0, self.white())


@numba.njit(cache=True)
def _turned_back(b, order, psi):
    """Rows times exp(-i k psi) [shape=(rows, 2, n)], real and imaginary parts apart."""
    rows, n = b.shape
    back = np.empty((2, n))
    for t in range(n):
        back[0, t], back[1, t] = np.cos(psi[t]), -np.sin(psi[t])
    power, done = np.zeros((2, n)), 0
    power[0] = 1.0
    out = np.empty((rows, 2, n))
    for row in range(rows):
        for _ in range(order[row] - done):
            for t in range(n):
                x, y = power[0, t], power[1, t]
                power[0, t] = x * back[0, t] - y * back[1, t]
                power[1, t] = x * back[1, t] + y * back[0, t]
        done = order[row]
        for t in range(n):
            x, y = b[row, t].real, b[row, t].imag
            out[row, 0, t] = x * power[0, t] - y * power[1, t]
            out[row, 1, t] = x * power[1, t] + y * power[0, t]
    return out


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


@dataclass(frozen=True, eq=False)
class Look:
    """Likelihood of a course.

    `cost`; the rows along it, `still` [rows, 2, n]; their slow `levels` [rows, 2, m], real and imaginary
    parts apart; `lost` [rows]: power times frames of what is left over.
    """

    cost: float
    still: np.ndarray
    levels: np.ndarray
    lost: np.ndarray

    def rest(self, bank: Bank) -> np.ndarray:
        """What is left over [shape=(rows, n)], complex."""
        real, imag = (self.still - self.levels @ bank.levels.T).transpose(1, 0, 2)
        return real + 1j * imag


def _look(bank: Bank, course: Course, x: np.ndarray, counts: np.ndarray) -> Look:
    hz = bank.base_hz * np.exp(course.basis @ x / CENTS_PER_NEPER)
    psi = 2.0 * np.pi * running_integral(hz - bank.base_hz, bank.hop_s)
    still = _turned_back(bank.b, bank.order, psi)
    levels = still @ bank.levels
    # the columns of the levels are orthonormal
    lost = np.maximum(bank.total - np.einsum("ijk,ijk->i", levels, levels), FLOOR * bank.total)
    cost = counts @ np.log(lost / bank.total) + 0.5 * course.weight @ x**2
    return Look(float(cost), still, levels, lost)


@dataclass(frozen=True, eq=False)
class _Ways:
    """What the coefficients of a course do: to the phase, and to the phase weighted by slow levels.

    `turn` [n, p]: phase of the fundamental for each coefficient; the pitch of the base line is near enough.
    `products` [m, m, p]: its sums with the products of every two columns of the levels.
    """

    turn: np.ndarray
    products: np.ndarray

    @classmethod
    def of(cls, bank: Bank, course: Course) -> _Ways:
        radians = 2.0 * np.pi / CENTS_PER_NEPER * bank.base_hz
        turn = running_integral(radians[:, None] * course.basis, bank.hop_s)
        n, m = bank.levels.shape
        pairs = bank.levels[:, :, None] * bank.levels[:, None, :]
        return cls(turn, (pairs.reshape(n, m * m).T @ turn).reshape(m, m, -1))


def _slopes(
    bank: Bank, course: Course, x: np.ndarray, counts: np.ndarray, ways: _Ways, now: Look
) -> tuple[np.ndarray, np.ndarray]:
    """Gradient and curvature of the cost."""
    weight = 2.0 * counts / now.lost * bank.order
    n, m = bank.levels.shape
    real, imag = now.levels[:, 0], now.levels[:, 1]
    crossed = np.stack([weight[:, None] * imag, -weight[:, None] * real], axis=1).reshape(-1, m)
    still = now.still.reshape(-1, n)
    gradient = np.einsum("ta,at->t", bank.levels, crossed.T @ still) @ ways.turn + course.weight * x
    # the expected curvature (Fisher): the steady part alone tells of the phase, what is left over does not
    both = now.levels.reshape(-1, m)
    power = (both * np.repeat(weight * bank.order, 2)[:, None]).T @ both
    moved = np.einsum("ta,ta->t", bank.levels @ power, bank.levels)
    curvature = (ways.turn * moved[:, None]).T @ ways.turn
    # what the levels take
    taken = ways.products.reshape(m, -1)
    curvature -= taken.reshape(m * m, -1).T @ (power @ taken).reshape(m * m, -1)
    curvature.ravel()[:: len(x) + 1] += course.weight
    return gradient, curvature


def log_evidence(bank: Bank, course: Course, x: np.ndarray, counts: np.ndarray, now: Look) -> float:
    """Log likelihood of a kind of course as a whole, by Laplace's approximation about its likeliest one.

    What a coefficient gains is charged with how much narrower than its prior the sound makes it, so that
    kinds of courses with few and with many coefficients can be compared (Kass & Raftery 1995, JASA
    90:773-795).
    """
    _, curvature = _slopes(bank, course, x, counts, _Ways.of(bank, course), now)
    return 0.5 * float(np.log(course.weight).sum() - np.linalg.slogdet(curvature)[1]) - now.cost


def power_of(rows: np.ndarray) -> np.ndarray:
    """Power of each row times its length."""
    return np.einsum("ij,ij->i", rows.real, rows.real) + np.einsum("ij,ij->i", rows.imag, rows.imag)


def settle(
    bank: Bank, course: Course, x: np.ndarray, counts: np.ndarray, turns: int, enough: float = SETTLED
) -> tuple[np.ndarray, Look]:
    """Damped Gauss-Newton steps until the course stands still, or gains less than `enough`."""
    ways = _Ways.of(bank, course)
    now, damping = _look(bank, course, x, counts), 1e-3
    slopes = None
    for _ in range(turns):
        gradient, curvature = slopes = slopes or _slopes(bank, course, x, counts, ways, now)
        damped = curvature.copy()
        damped.ravel()[:: len(x) + 1] *= 1.0 + damping
        new_x = x - dposv(damped, gradient)[1]
        new = _look(bank, course, new_x, counts)
        gain = now.cost - new.cost
        if gain > 0.0:
            x, now, damping, slopes = new_x, new, 0.1 * damping, None
            if gain < enough:
                break
        elif damping > 1e3:
            break
        else:
            damping = max(10.0 * damping, 1e-2)
    return x, now
