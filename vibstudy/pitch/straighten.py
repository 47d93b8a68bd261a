r"""Pitch of one note by straightening it: in rooms and in company, where a pooled phase is drawn astray.

Why
---
A room, or a piano, adds to every harmonic sound that does not carry this moment's pitch. The phase of the
sum is drawn towards the past, and a vibrato read from it (:mod:`vibstudy.pitch.refine`) shrinks by a tenth
to three quarters. Another question is not drawn: which course of the pitch, taken out of harmonic *k* with
*k* times its phase, turns most of the sound into steady lines? The direct sound of every harmonic becomes
steady at the true course and nowhere else; tail and company do not.

Definition
----------
Harmonic *k* (of every channel) demodulated at a base line is

.. math:: b_k(t) = a_k(t)\, e^{i k (\psi(t) - \psi_b(t))} + n_k(t), \qquad \psi = 2\pi\int f\,dt,

with a complex level :math:`a_k` that changes slowly (cosines up to `LEVEL_HZ`, and exponentials for attack
and release) and noise of unknown power. Levels and powers are profiled out (variable projection): the log
likelihood of a course is

.. math:: -\sum_k N_k \ln\frac{\|b_k e^{-ik\psi} - P_k\|^2}{\|b_k\|^2},

*P* the projection on the slow levels, :math:`N_k` the number of independent values of what is left over (its
bandwidth times the note's length: tail and company are coloured).

1. *Chase.* The same likelihood of short chirps (`WINDOW_S`) on a grid of pitch and slope, and the best path
   through it (Viterbi 1967) whose slope changes as a vibrato's may. It needs no start, and no vibrato.
   A second start are cycles each like its neighbours: the best sinusoids of `CYCLES_S` on a grid of rate,
   extent and phase, and the best path through them.
2. *Course.* Cosines up to `COURSE_HZ` with a prior that falls with frequency, by damped Gauss-Newton steps
   with analytic derivatives. A rough course is a radian off in a low harmonic and many in a high one, so the
   lowest are looked at first (up to `FIRST_HZ`), and a quarter more at each step. Where both starts find the
   same course it stands. Else half a cycle may still be drawn: what each cycle's neighbours do is a new
   start, itself and as a prior of the chase, as long as the likelihood gains.
3. *Score.* What is left of the phase in each frame, one step of maximum likelihood with the weights of the
   straightened harmonics. It gives back what the prior took, and leaves noise white in the integral, as
   :class:`~vibstudy.pitch.refine.NoteLine` has it: whoever fits a vibrato sees the noise that there is.

4. *End.* The note ends with its direct sound, where what is steady falls to `ENDED` of what it mostly says.

Related: harmonic chirp models (Christensen & Jensen; Grover, Kundu & Mitra 2021, doi 10.1049/sil2.12038),
time-warped spectra (Weruaga & Képesi; Cancela, López & Rocamora, DAFx-10).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.signal import resample_poly

from vibstudy.pitch.refine import (
    _NOISE_BANDWIDTH,
    CENTS_PER_NEPER,
    MAX_HARMONICS,
    NoteLine,
    _Demodulator,
    _slope,
    _slope_gain,
    _snr_db,
    running_integral,
    slow_course,
)

LEVEL_HZ = 1.7  # levels may change up to here: below the slowest vibrato
ATTACK_S, RELEASE_S = 0.025, 0.025
COURSE_HZ = 16.0
WIDE_CENTS, KNEE_HZ = 60.0, 7.0
"""Prior of the course: standard deviation of a component of a note of 1 s at 0 Hz; where it has halved."""
WIDE_SHIFT_CENTS, EDGE_CENTS = 100.0, 15.0  # of the steady part; of the bends at both ends
FLOOR = 1e-4  # no more than 40 dB of a harmonic counts as steady: levels that are not so slow, rounding
WINDOW_S, CHASE_HOP_S = 0.072, 0.016  # 56 to 96 ms find the course as often
CHASE_CENTS, CHASE_STEP_CENTS = 132.0, 6.0
CHASE_TOP_HZ = 5000.0  # from there on a step of the grid is wider than a chirp's line
CHASE_ERROR_CENTS = 2.0  # of the best path, found on simulated notes in rooms
STEEPEST, TURN = 7, 3
"""Slopes, and their changes from hop to hop, in steps of the grid a hop: ±100 cents at 8 Hz."""
TURN_PRICE = 0.1
FIRST_HZ, NEXT = 900.0, 1.25
"""Harmonics up to here first, and a quarter more at each step. With nine at once figures were far off in a
quarter of the notes whose tail is as loud as the direct sound, with steps in a tenth (simulated rooms)."""
CYCLES_S = 0.55  # about three cycles: they still look alike, and no two courses do
CYCLE_HZ = np.arange(3.5, 9.6, 0.5)
CYCLE_CENTS = np.array([6.0, 8.5, 12.0, 17.0, 24.0, 34.0, 48.0, 68.0, 95.0])
CYCLE_PHASES = 12
OFFSETS = np.arange(-10, 11, 2)
"""Grid of cycles: as fine as a chirp of `WINDOW_S` tells apart; offsets in steps of the chase's grid."""
REGULAR_TOP_HZ = 1.5  # size and phase of regular cycles change below
REGULAR_HZ = np.arange(3.0, 10.01, 0.1)
NEIGHBOURS = 0.8  # cycles, standard deviation of the window
NEAR_SHARE, NEAR_CENTS = 0.2, 3.0
"""How near neighbours are taken to be: as a share of their swing, and at least."""
AGREED = 1.0  # of log likelihood: two starts have found the same course
SETTLED = 0.05  # of log likelihood: a course that gains less stands still
LEAST_FRAMES = 24
ENDED = 0.4
"""Of what a frame usually says: in simulated rooms this finds the end to -45 to 30 ms, where it was drawn out
by up to 0.7 s. With 0.2, a tail is taken for the note more often."""


def _levels(t: np.ndarray) -> np.ndarray:
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
    def along(cls, demodulators: list[_Demodulator], onset_s: float, base_hz: np.ndarray, count: int) -> Bank:
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
            _levels(time_s),
            _NOISE_BANDWIDTH / first.window_s,
        )

    @property
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
            levels=_levels(time_s),
        )
        return bank, at

    def until(self, frames: int) -> Bank:
        """With the first frames only."""
        time_s = self.time_s[:frames]
        return replace(
            self, time_s=time_s, b=self.b[:, :frames], base_hz=self.base_hz[:frames], levels=_levels(time_s)
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


def _phasors(psi: np.ndarray, order: np.ndarray) -> np.ndarray:
    """exp(-i k psi) [shape=(rows, n)]."""
    turns = np.empty((int(order[-1]), len(psi)), dtype=complex)
    turns[:] = np.exp(-1j * psi)
    np.multiply.accumulate(turns, axis=0, out=turns)
    return turns if len(turns) == len(order) else turns[order - 1]


class _Chase:
    """Likelihood of short chirps on a grid of pitch and slope, re the bank's steady base."""

    def __init__(self, bank: Bank, f0_hz: float):
        half = max(2, round(0.5 * WINDOW_S / bank.hop_s))
        hop = max(1, round(CHASE_HOP_S / bank.hop_s))
        self.centres = np.arange(half, bank.b.shape[1] - half, hop)
        self.time_s = bank.time_s[self.centres]
        self.cents = np.arange(-CHASE_CENTS, CHASE_CENTS + 1e-9, CHASE_STEP_CENTS)
        if self.short:
            return
        reach = np.arange(-half, half + 1)
        tau, window = reach * bank.hop_s, np.hanning(2 * half + 3)[1:-1]
        slopes = np.arange(-STEEPEST, STEEPEST + 1) * (CHASE_STEP_CENTS / (hop * bank.hop_s))
        swing = self.cents[:, None, None] * tau + 0.5 * slopes[:, None] * tau**2
        one = np.exp(-2j * np.pi * f0_hz / CENTS_PER_NEPER * swing).reshape(-1, len(tau)).T
        one = np.ascontiguousarray(one, dtype=np.complex64)
        self.score = np.zeros((len(self.centres), one.shape[1]), dtype=np.float32)
        place = self.centres[:, None] + reach
        chirps = np.ones_like(one)
        independent = np.float32(hop * min(1.0, bank.bandwidth_hz * bank.hop_s))
        for k in range(1, int(bank.order[-1]) + 1):
            if k * f0_hz > CHASE_TOP_HZ:
                break
            chirps *= one
            for row in np.flatnonzero(bank.order == k):
                pieces = bank.b[row][place]
                total = window.sum() * ((pieces.real**2 + pieces.imag**2) @ window) + 1e-300
                caught = (pieces * (window / np.sqrt(total)[:, None])).astype(np.complex64) @ chirps
                lost = 1.0 - (caught.real**2 + caught.imag**2)
                self.score -= independent * np.log(np.maximum(lost, np.float32(0.01)))

    @property
    def short(self) -> bool:
        """Whether the note holds too few chirps."""
        return len(self.centres) < 3

    def course(self, near: np.ndarray | None = None, near_sd: float = np.inf) -> np.ndarray:
        """The likeliest course at `time_s`, cents; with `near`, a normal prior round it."""
        score = self.score
        if near is not None:
            away = 0.5 * ((self.cents - near[self.centres][:, None]) / near_sd) ** 2
            score = score - np.repeat(away, score.shape[1] // len(self.cents), axis=1).astype(np.float32)
        path = _best_path(score, len(self.cents))
        return self.cents[path // (score.shape[1] // len(self.cents))]

    def regular(self) -> tuple[np.ndarray, float]:
        """The likeliest course of cycles each like its neighbours, cents at `time_s`; and its rate, Hz.

        In windows of `CYCLES_S` the likeliest sinusoid of each rate and phase; of these the best path, whose
        windows agree where they overlap.
        """
        hop_s = float(self.time_s[1] - self.time_s[0])
        size = min(len(self.centres), max(4, round(CYCLES_S / hop_s)))
        count = 1 + -(-2 * (len(self.centres) - size) // size)
        firsts = np.unique(np.linspace(0, len(self.centres) - size, count).round().astype(int))
        grid = _cycles(size, hop_s)
        slopes = 2 * STEEPEST + 1
        score = self.score.reshape(len(self.centres), -1, slopes)
        # a course beyond the grid is as likely as at its edge
        beyond = grid.reach + int(np.abs(OFFSETS).max())
        score = np.pad(score, ((0, 0), (beyond, beyond), (0, 0)), mode="edge")
        per = score.shape[1] * slopes
        flat = score.reshape(-1)
        kept, curves = [], []
        for first in firsts:
            at = grid.place + ((first + np.arange(size)) * per + (beyond + len(self.cents) // 2) * slopes)
            sums = np.stack([flat[at + offset * slopes].sum(axis=-1) for offset in OFFSETS])
            sums = sums.transpose(1, 3, 0, 2).reshape(
                len(CYCLE_HZ), CYCLE_PHASES, -1
            )  # rate, phase; offset, extent
            best = sums.argmax(axis=2)
            offset, extent = np.divmod(best, len(CYCLE_CENTS))
            kept.append(np.take_along_axis(sums, best[:, :, None], axis=2).ravel())
            own = grid.curves[np.arange(len(CYCLE_HZ))[:, None], extent, np.arange(CYCLE_PHASES)]
            curves.append((own + OFFSETS[offset][:, :, None] * CHASE_STEP_CENTS).reshape(-1, size))
        back, total = [], kept[0]
        for i in range(1, len(firsts)):
            shared = size - (firsts[i] - firsts[i - 1])
            one, other = curves[i - 1][:, size - shared :], curves[i][:, :shared]
            apart = (one**2).sum(axis=1)[:, None] + (other**2).sum(axis=1) - 2.0 * one @ other.T
            near = (NEAR_SHARE * other.std(axis=1) + NEAR_CENTS) ** 2
            each = total[:, None] - COURSE_HZ * hop_s * apart / (2.0 * near)
            back.append(each.argmax(axis=0))
            total = each.max(axis=0) + kept[i]
        path = [int(total.argmax())]
        for before in reversed(back):
            path.append(int(before[path[-1]]))
        path.reverse()
        weight, course = np.zeros(len(self.centres)), np.zeros(len(self.centres))
        window = np.hanning(size + 2)[1:-1]
        for first, own, state in zip(firsts, curves, path, strict=True):
            weight[first : first + size] += window
            course[first : first + size] += window * own[state]
        return course / weight, float(np.median(CYCLE_HZ[np.array(path) // CYCLE_PHASES]))


@dataclass(frozen=True, eq=False)
class _Cycles:
    """Sinusoids on a grid: `curves` [rates, extents, phases, size], cents.

    `place`: in a flat grid of pitch and slope, re no offset; `reach` of the pitch in steps.
    """

    curves: np.ndarray
    place: np.ndarray
    reach: int


@lru_cache(maxsize=64)
def _cycles(size: int, hop_s: float) -> _Cycles:
    tau = (np.arange(size) - 0.5 * (size - 1)) * hop_s
    phase = np.arange(CYCLE_PHASES) * (2.0 * np.pi / CYCLE_PHASES)
    turn = np.exp(1j * (2.0 * np.pi * CYCLE_HZ[:, None, None] * tau + phase[:, None]))[:, None]
    turn = CYCLE_CENTS[:, None, None] * turn
    curves = turn.imag
    steps = np.rint(curves / CHASE_STEP_CENTS).astype(np.int32)
    rise = turn.real * (2.0 * np.pi * CYCLE_HZ[:, None, None, None] * hop_s / CHASE_STEP_CENTS)
    slope = np.clip(np.rint(rise).astype(np.int32), -STEEPEST, STEEPEST) + STEEPEST
    return _Cycles(curves, steps * (2 * STEEPEST + 1) + slope, int(np.abs(steps).max()))


def _best_path(score: np.ndarray, pitches: int) -> np.ndarray:
    """State of each frame on the best path; states are pitches times slopes."""
    before, price = _transitions(pitches)
    states = np.arange(score.shape[1])
    back = np.empty(score.shape, dtype=np.int32)
    best = score[0]
    for i in range(1, len(score)):
        each = best[before] - price
        choice = each.argmax(axis=0)
        back[i] = before[choice, states]
        best = each[choice, states] + score[i]
    path = np.empty(len(score), dtype=int)
    path[-1] = int(best.argmax())
    for i in range(len(score) - 1, 0, -1):
        path[i - 1] = back[i, path[i]]
    return path


@lru_cache(maxsize=4)
def _transitions(pitches: int) -> tuple[np.ndarray, np.ndarray]:
    """States that may come before each state, and what that costs; both [shape=(ways, states)].

    From one hop to the next the pitch moves by the mean of both slopes, to the grid's step below or above.
    """
    slopes = 2 * STEEPEST + 1
    pitch, slope = np.divmod(np.arange(pitches * slopes), slopes)
    before, price = [], []
    for turn in range(-TURN, TURN + 1):
        old = slope + turn
        twice = slope + old - 2 * STEEPEST
        for moved in (twice // 2, -(-twice // 2)):
            fits = (old >= 0) & (old < slopes) & (pitch >= moved) & (pitch - moved < pitches)
            before.append(np.where(fits, (pitch - moved) * slopes + old, 0))
            price.append(np.where(fits, TURN_PRICE * turn**2, 1e6))
    return np.array(before), np.array(price, dtype=np.float32)


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

    @classmethod
    def regular(cls, time_s: np.ndarray, rate_hz: float) -> Course:
        """Drift, and cycles of about one rate whose size and phase change slowly."""
        since, span = time_s - time_s[0], time_s[-1] - time_s[0]
        j = np.arange(1 + int(2.0 * REGULAR_TOP_HZ * span))
        slow = np.cos(np.pi * j * since[:, None] / span)
        turn = np.exp(2j * np.pi * rate_hz * since)[:, None]
        edges = np.exp(-np.stack([since / ATTACK_S, (span - since) / RELEASE_S], axis=1))
        basis = np.concatenate([slow, slow * turn.real, slow * turn.imag, edges], axis=1)
        sd = WIDE_CENTS / (1.0 + j) / np.sqrt(max(span, 0.2))
        sd[0] = WIDE_SHIFT_CENTS
        return cls(basis, np.concatenate([sd, sd, sd, [EDGE_CENTS] * 2]) ** -2.0)

    def below(self, time_s: np.ndarray, top_hz: float) -> Course:
        """Without what is quicker than `top_hz`."""
        slow = np.arange(self.basis.shape[1]) <= 2.0 * top_hz * (time_s[-1] - time_s[0])
        slow[-2:] = True
        return Course(self.basis[:, slow], self.weight[slow])

    def start(self, cents: np.ndarray) -> np.ndarray:
        """Coefficients of a rough course [shape=(n,)]."""
        normal = self.basis.T @ self.basis / CHASE_ERROR_CENTS**2 + np.diag(self.weight)
        return np.linalg.solve(normal, self.basis.T @ cents / CHASE_ERROR_CENTS**2)


@dataclass(frozen=True, eq=False)
class Look:
    """Likelihood of a course: its cost; the rows along it and what is left over of them; power of that."""

    cost: float
    still: np.ndarray
    rest: np.ndarray
    lost: np.ndarray


def _look(bank: Bank, course: Course, x: np.ndarray, counts: np.ndarray) -> Look:
    hz = bank.base_hz * np.exp(course.basis @ x / CENTS_PER_NEPER)
    still = bank.b * _phasors(2.0 * np.pi * running_integral(hz - bank.base_hz, bank.hop_s), bank.order)
    rest = still - (still @ bank.levels) @ bank.levels.T
    lost = np.maximum(power_of(rest), FLOOR * bank.total)
    cost = counts @ np.log(lost / bank.total) + 0.5 * course.weight @ x**2
    return Look(float(cost), still, rest, lost)


def _slopes(
    bank: Bank, course: Course, x: np.ndarray, counts: np.ndarray, turn: np.ndarray, now: Look
) -> tuple[np.ndarray, np.ndarray]:
    """Gradient and curvature of the cost. `turn`: phase of the fundamental for each coefficient."""
    weight = 2.0 * counts / now.lost * bank.order
    gradient = turn.T @ (weight @ (np.conj(now.rest) * now.still).imag) + course.weight * x
    moved = weight * bank.order @ (now.still.real**2 + now.still.imag**2)
    curvature = turn.T @ (moved[:, None] * turn)
    # what the levels take
    taken = np.sqrt(weight * bank.order)[:, None, None] * now.still[:, None, :] * bank.levels.T
    taken = taken.reshape(-1, len(moved))
    taken = np.concatenate([taken.real, taken.imag]) @ turn
    curvature -= taken.T @ taken
    curvature.ravel()[:: len(x) + 1] += course.weight
    return gradient, curvature


def power_of(rows: np.ndarray) -> np.ndarray:
    """Power of each row times its length."""
    return np.einsum("ij,ij->i", rows.real, rows.real) + np.einsum("ij,ij->i", rows.imag, rows.imag)


def settle(
    bank: Bank, course: Course, x: np.ndarray, counts: np.ndarray, turns: int, enough: float = SETTLED
) -> tuple[np.ndarray, Look]:
    """Damped Gauss-Newton steps until the course stands still, or gains less than `enough`."""
    # the pitch of the base line is near enough: the cost itself says whether a step was good
    turn = running_integral(
        (2.0 * np.pi / CENTS_PER_NEPER * bank.base_hz)[:, None] * course.basis, bank.hop_s
    )
    now, damping = _look(bank, course, x, counts), 1e-3
    slopes = None
    for _ in range(turns):
        gradient, curvature = slopes = slopes or _slopes(bank, course, x, counts, turn, now)
        damped = curvature.copy()
        damped.ravel()[:: len(x) + 1] *= 1.0 + damping
        new_x = x - cho_solve(cho_factor(damped, check_finite=False), gradient, check_finite=False)
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


def search(bank: Bank, f0_hz: float, course: Course, rounds: int = 4) -> tuple[np.ndarray, Look] | None:
    """The likeliest course that is found: from chirps, then again near what each cycle's neighbours do."""
    stages = [bank.first(most) for most in _first_harmonics(bank, f0_hz)]

    def settled(cents: np.ndarray, gently: bool) -> tuple[np.ndarray, Look]:
        x = course.start(cents)
        if gently:
            for few in stages:
                x, _ = settle(few, course, x, few.white(), 3, AGREED)
        return settle(bank, course, x, bank.white(), 12)

    chase = _Chase(bank, f0_hz)
    if chase.short:
        return None
    best = settled(np.interp(bank.time_s, chase.time_s, chase.course()), True)
    cycles, rate_hz = chase.regular()
    regular = Course.regular(bank.time_s, rate_hz)
    x = regular.start(np.interp(bank.time_s, chase.time_s, cycles))
    for few in (*stages, bank):
        x, _ = settle(few, regular, x, few.white(), 4, AGREED)
    other = settled(regular.basis @ x, False)
    agreed = abs(best[1].cost - other[1].cost) < AGREED
    best = min(best, other, key=lambda found: found[1].cost)
    for _ in range(0 if agreed else rounds):
        near, swing = _neighbours(bank.time_s, course.basis @ best[0])
        chased = chase.course(near, max(NEAR_SHARE * swing, NEAR_CENTS))
        others = (settled(near, False), settled(np.interp(bank.time_s, chase.time_s, chased), True))
        other = min(others, key=lambda found: found[1].cost)
        if other[1].cost > best[1].cost - SETTLED:
            break
        best = other
    return best


def _first_harmonics(bank: Bank, f0_hz: float) -> list[int]:
    """How many harmonics are looked at first, step by step: a rough course is radians off in the others."""
    count = int(bank.order[-1])
    if f0_hz * count <= FIRST_HZ:
        return []
    tops_hz = np.geomspace(FIRST_HZ, f0_hz * count, 2 + int(np.log(f0_hz * count / FIRST_HZ) / np.log(NEXT)))
    lowest = bank.order[0]  # of a rival only some harmonics are asked
    return [n for n in dict.fromkeys(np.maximum(np.rint(tops_hz / f0_hz), 1)) if lowest <= n < count]


def _neighbours(time_s: np.ndarray, cents: np.ndarray) -> tuple[np.ndarray, float]:
    """What a course would be if each cycle did as its neighbours do, and its median swing, cents.

    Round each time a sinusoid on a line, of the rate that is strongest in the whole course, is fitted over
    `NEIGHBOURS` cycles; what strays from it counts less (iterated weights).
    """
    t = time_s - time_s.mean()
    drift = np.linalg.qr(np.vander(t, 3))[0]
    turns = np.exp(2j * np.pi * REGULAR_HZ[:, None] * t)
    rate = REGULAR_HZ[np.argmax(np.abs(turns @ (cents - drift @ (drift.T @ cents))))]
    y, at = cents[::2], time_s[::4]
    tau = time_s[::2] - at[:, None]
    columns = np.stack(
        [np.ones_like(tau), tau, np.cos(2 * np.pi * rate * tau), np.sin(2 * np.pi * rate * tau)], axis=2
    )
    window = np.exp(-0.5 * (tau * rate / NEIGHBOURS) ** 2)
    trust = np.ones(len(y))
    for _ in range(4):
        weighted = columns * (window * trust)[:, :, None]
        normal = weighted.transpose(0, 2, 1) @ columns
        normal[:, range(4), range(4)] *= 1.001
        found = np.linalg.solve(normal, (weighted.transpose(0, 2, 1) @ y)[:, :, None])[:, :, 0]
        course = found[:, 0] + found[:, 2]
        strayed = y - np.interp(time_s[::2], at, course)
        spread = 1.48 * np.median(np.abs(strayed)) + 0.5
        trust = (1.0 + (strayed / (1.5 * spread)) ** 2) ** -2.0
    return np.interp(time_s, at, course), float(np.median(np.hypot(found[:, 2], found[:, 3])))


@dataclass(frozen=True, eq=False)
class Straightened:
    """A note's line found by straightening.

    Parameters
    ----------
    line : NoteLine
        The line.
    gain : float
        By how much its log likelihood exceeds that of the line it was to improve.
    steady : ndarray [shape=(harmonics,)]
        Share of each harmonic's power that became steady.
    """

    line: NoteLine
    gain: float
    steady: np.ndarray


def straighten_note(
    samples: np.ndarray, rate_hz: float, line: NoteLine, *, rounds: int = 4
) -> Straightened | None:
    """Find the course of a note's pitch that straightens its harmonics.

    Parameters
    ----------
    samples : ndarray [shape=(n,) or (channels, n)]
        The sound `line` was refined from; every channel is a witness of its own.
    rate_hz : float > 0
        Its sampling rate.
    line : NoteLine
        The note as it is known: where it is, and about which pitch.
    rounds : int >= 0
        How often the search is taken up again at most; 0 for a look.

    Returns
    -------
    Straightened | None
        None when the note is too short.
    """
    f0 = line.reference_hz
    demodulators = [
        _Demodulator.of_note(channel, rate_hz, line.onset_s, line.offset_s, f0)
        for channel in np.atleast_2d(samples)
    ]
    frames = demodulators[0].frames
    if frames < LEAST_FRAMES:
        return None

    highest_hz = f0 * 2.0 ** (CHASE_CENTS / 1200.0)
    count = int(np.clip(0.485 * rate_hz / highest_hz, 1, MAX_HARMONICS))

    def along(base_hz: np.ndarray) -> Bank:
        return Bank.along(demodulators, line.onset_s, base_hz, count)

    steady = along(np.full(frames, f0))
    thin, at = steady.thinned()
    course = Course.over(steady.time_s)
    found = search(thin, f0, replace(course, basis=course.basis[at]), rounds)
    if found is None:
        return None
    x, seen = settle(steady, course, found[0], steady.white(), 3)
    counts = steady.coloured(seen.rest)
    x, _ = settle(steady, course, x, counts, 4)
    bank = along(f0 * np.exp(course.basis @ x / CENTS_PER_NEPER))
    straight = _scored(bank, line, counts)
    last = _last_frame(bank)
    as_known = along(np.interp(straight.time_s, line.time_s, line.f0_hz))
    as_found = along(straight.f0_hz)
    gain = float(counts @ np.log(_lost(as_known) / _lost(as_found)))
    if LEAST_FRAMES <= last < frames:
        bank = bank.until(last)
        ended = replace(line, offset_s=line.onset_s + float(bank.time_s[-1]))
        straight = _scored(bank, ended, counts * (last / frames))
    return Straightened(straight, gain, 1.0 - _lost(bank) / bank.total)


def _last_frame(bank: Bank) -> int:
    """How many frames there are until the direct sound ends: what is left of it says little of the phase."""
    steady = slow_course(bank.b, bank.hop_s)
    noise = np.maximum(power_of(bank.b - steady), FLOOR * bank.total)
    told = (bank.order**2 / noise) @ (steady.real**2 + steady.imag**2)
    return int(np.flatnonzero(told > ENDED * np.median(told))[-1]) + 1


def _lost(bank: Bank) -> np.ndarray:
    """Power of each row that is not steady along the base line."""
    rest = bank.b - (bank.b @ bank.levels) @ bank.levels.T
    return np.maximum(power_of(rest), FLOOR * bank.total)


def _scored(bank: Bank, line: NoteLine, counts: np.ndarray) -> NoteLine:
    """The base line of a bank and, frame by frame, what is left over of its harmonics' phase."""
    level = (bank.b @ bank.levels) @ bank.levels.T
    noise = np.maximum(power_of(bank.b - level), FLOOR * bank.total) / counts
    slope = (bank.order / noise)[:, None] * (np.conj(level) * bank.b).imag
    weight = (bank.order**2 / noise)[:, None] * (level.real**2 + level.imag**2)
    whole = weight.sum(axis=0)
    phase = slope.sum(axis=0) / whole
    share = (weight / whole).mean(axis=1)
    halves, balance = _halves(slope, weight, share)
    own = weight * (slope / weight - phase) ** 2
    disagreement = float(own.sum() / max(own.size - own.shape[1], 1))
    reference = float(np.exp(np.mean(np.log(bank.base_hz))))
    base = CENTS_PER_NEPER * np.log(bank.base_hz / reference)
    gain = CENTS_PER_NEPER / (2.0 * np.pi * bank.base_hz)
    integral_se = gain / np.sqrt(2.0 * whole)
    n = len(base)
    by_harmonic = np.bincount(bank.order, share, minlength=bank.order[-1] + 1)[1:]
    channels = len(bank.b) // int(bank.order[-1])
    power = (bank.b.real**2 + bank.b.imag**2).reshape(-1, channels, n).mean(axis=1)
    return replace(
        line,
        time_s=bank.time_s + line.onset_s,
        reference_hz=reference,
        cents=base + _slope(phase, bank.hop_s) * gain,
        cents_se=integral_se * _slope_gain(bank.hop_s, n),
        integral=running_integral(base, bank.hop_s) + gain * phase,
        integral_se=integral_se,
        harmonic_db=(10.0 * np.log10(2.0 * power + 1e-20)).astype(np.float32),
        weight=by_harmonic,
        snr_db=_snr_db(
            bank.b,
            slow_course(bank.b, bank.hop_s),
            line.reference_hz,
            bank.hop_s,
            _NOISE_BANDWIDTH / bank.bandwidth_hz,
        ),
        halves=gain * halves,
        balance=balance,
        disagreement=disagreement,
        straightened=True,
    )


def _halves(slope: np.ndarray, weight: np.ndarray, share: np.ndarray) -> tuple[np.ndarray, float]:
    """Half the difference of the phase from two halves of the rows, and the share of the lighter one."""
    sums, weights, held = np.zeros((2, slope.shape[1])), np.zeros((2, slope.shape[1])), [0.0, 0.0]
    for row in np.argsort(-share, kind="stable"):  # the heaviest first, each to the lighter half
        half = int(held[1] < held[0])
        held[half] += share[row]
        sums[half] += slope[row]
        weights[half] += weight[row]
    balance = min(held) / sum(held)
    if balance <= 0.0:
        return np.zeros(slope.shape[1]), 0.0
    return (sums[0] / weights[0] - sums[1] / weights[1]) * np.sqrt(balance * (1.0 - balance)), balance


def straightened_sound(
    samples: np.ndarray, rate_hz: float, time_s: np.ndarray, f0_hz: np.ndarray
) -> np.ndarray:
    """A note with its movement of pitch taken out: to be seen, or heard.

    Time is warped so that the pitch stands still. In a spectrogram of it the direct sound stands in straight
    lines where the line is right.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        The sound the line was found in.
    rate_hz : float > 0
        Its sampling rate.
    time_s, f0_hz : ndarray [shape=(frames,)]
        The note's line; times from the first sample.

    Returns
    -------
    ndarray [shape=(m,), float32]
        The note from its first frame to its last, at `rate_hz`, and at the line's geometric mean.
    """
    first, last = (round(rate_hz * at_s) for at_s in (time_s[0], time_s[-1]))
    sound = resample_poly(np.asarray(samples[first : last + 1], dtype=np.float64), 4, 1)
    at_s = np.arange(len(sound)) / (4.0 * rate_hz)
    ratio = np.interp(at_s, time_s - time_s[0], f0_hz / np.exp(np.mean(np.log(f0_hz))))
    warped_s = np.append(0.0, np.cumsum(0.5 * (ratio[1:] + ratio[:-1]))) / (4.0 * rate_hz)
    even_s = np.arange(0.0, warped_s[-1], 1.0 / rate_hz)
    return np.interp(np.interp(even_s, warped_s, at_s), at_s, sound).astype(np.float32)
