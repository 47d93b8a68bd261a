r"""The background against which vibrato must stand out.

Model
-----
A note that is held straight still moves. Written for the running integral of the pitch, in means of ``n``
blocks, its second-order properties are

.. math:: D_k = v + s_1 (\lambda_k - \tfrac{1}{6})
          + s_2 (\lambda_k^2 - \tfrac{1}{4} \lambda_k + \tfrac{1}{120}),
          \qquad \lambda_k = 1 / (4 \sin^2(\pi k / 2n)),

in the basis of the discrete cosine transform (type 2), which diagonalises a random walk:

* ``v``: measurement noise of the phase, white in the integral, blue in the pitch;
* ``s1``: jitter, white in the pitch, a random walk in the integral;
* ``s2``: wander, a random walk in the pitch.

The means of blocks move less than points would: differences of a random walk's have the covariances 4/6 and
1/6, second differences of its integral's 66/120, 26/120 and 1/120 (cubic and quintic B-splines at whole
numbers). At a rate of 64 values a second jitter of 24 Hz has less than half of the power that points have.
The test for presence is of means. Where vibrato is fitted the background is that of points, without 1/6,
1/4 and 1/120: with that of means a doubled vibrato of ± 99 cents came out 3 % too narrow, and a steady rate
of 5 Hz 0.07 Hz too quick.

A steady pitch, a linear and a quadratic drift, and an exponential scoop at each edge of the note are fixed
effects. While the sound builds up, the pitch may bend in ways that no scoop tells: where vibrato is fitted,
hats over the first `ATTACK_KNOTS_S` are random effects, the smaller the later, so that the attack does not
pull at the phase of the vibrato. Where a room sounds on, the last moments of a line are its
reflections': they carry the pitch of some hundredths of a second before, all harmonics alike. So the same is
done at its end (`TAIL_KNOTS_S`): of 14 notes in simulated rooms whose rates were farthest off for their error
12 were right but for their ends (``benchmarks/rooms.py``). The same model serves a series that is not
integrated (level in dB); then ``v`` is white noise and ``s1`` a random walk of the level.

Likelihoods are maximised over a grid of the two ratios, all at once. Where vibrato is fitted, the
variances are estimated by REML with average-information steps (Gilmour, Thompson & Cullis 1995,
Biometrics 51(4):1440-1450) in the logarithms of the variances.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.fft import dct
from scipy.interpolate import BSpline
from scipy.linalg.lapack import dgesv, dpotrf, dpotri

JITTER_CROSSOVERS_HZ = np.array([np.inf, 1.5, 3.0, 6.0, 10.0, 18.0, 40.0])  # infinite: none
# some octave and a half apart: a grid, refined by REML
WANDER_CROSSOVERS_HZ = np.array([1.5, 4.5, 12.0, 32.0])
SCOOPS_S = (0.015, 0.045)  # time constants of the pitch's settling at the beginning of a note
# as fine as an attack bends, coarser as it dies away
ATTACK_KNOTS_S = np.array([0.0, 0.015, 0.03, 0.05, 0.075, 0.1, 0.13, 0.17, 0.21])
ATTACK_FADE_S = 0.06  # in which the bends of the attack die away
RELEASE_S = 0.03  # and of its leaving at the end
# likewise before the end, where a room's first reflections last; half and twice as long do as well
TAIL_KNOTS_S = np.array([0.0, 0.015, 0.03, 0.05, 0.075])
TAIL_FADE_S = 0.03


def _hats(knots_s: np.ndarray) -> BSpline:
    """Running integrals of hats over all knots but the last."""
    hats = BSpline(np.pad(knots_s, 1, mode="edge"), np.eye(len(knots_s))[:, :-1], 1)
    return hats.antiderivative()


_ATTACK, _TAIL = _hats(ATTACK_KNOTS_S), _hats(TAIL_KNOTS_S)
FEW = 96  # values that a matrix transforms faster than the fast transform
GAIN = 0.05  # of log likelihood, below which variances stay as they are


@dataclass(frozen=True, eq=False)
class Series:
    """A uniform series of one note, with the columns of its background.

    Parameters
    ----------
    time_s : ndarray [shape=(n,)]
        Time from the note's onset.
    values : ndarray [shape=(n,)]
        Running integral of the pitch (cents s), or a level (dB).
    integrated : bool
        Whether `values` is a running integral.
    duration_s : float
        Length of the note.
    """

    time_s: np.ndarray
    values: np.ndarray
    integrated: bool
    duration_s: float

    @property
    def step_s(self) -> float:
        """Seconds between values."""
        return float(self.time_s[1] - self.time_s[0])

    @property
    def span_s(self) -> float:
        """Time the values cover."""
        return len(self.time_s) * self.step_s

    def spectrum(self, columns: np.ndarray, top_hz: float = np.inf) -> np.ndarray:
        """Cosine transform along the first axis [shape=(m, ...)]; the constant is left out."""
        n = len(self.time_s)
        if n <= FEW:
            return np.tensordot(_cosines(n)[: self.bins(top_hz)], columns, axes=1)
        return dct(columns, type=2, norm="ortho", axis=0)[1 : self.bins(top_hz) + 1]

    def bins(self, top_hz: float = np.inf) -> int:
        """Number of values of the spectrum up to `top_hz`."""
        n = len(self.time_s)
        return n - 1 if np.isinf(top_hz) else min(n - 1, int(2.0 * top_hz * self.span_s))

    def eigenvalues(self) -> np.ndarray:
        """Random-walk eigenvalues [shape=(n - 1,)]."""
        n = len(self.time_s)
        return 1.0 / (4.0 * np.sin(0.5 * np.pi * np.arange(1, n) / n) ** 2)

    def background(self) -> np.ndarray:
        """Steady value, drift and scoops of a straight note [shape=(n, p)]; the constant is left out."""
        t = self.time_s
        x = 2.0 * t / self.duration_s - 1.0
        columns = [x]
        if self.duration_s > 0.25:  # a bend needs a quarter of a second to show
            columns.append(x**2)
        if self.duration_s > 0.4:  # to and fro as in vibrato/detect.py
            columns.append(x**3)
        if self.duration_s > 0.3:  # shorter notes have no steady part beside their attack
            columns += [np.exp(-t / scoop) for scoop in SCOOPS_S]
            columns.append(np.exp(-(self.duration_s - t) / RELEASE_S))
        return np.stack(columns, axis=1)

    def attack(self) -> np.ndarray:
        """Running integrals of the bends of the attack, 1 cent high at the onset [shape=(n, hats)]."""
        knots = ATTACK_KNOTS_S
        return _ATTACK(np.minimum(self.time_s, knots[-1])) * np.exp(-knots[:-1] / ATTACK_FADE_S)

    def tail(self) -> np.ndarray:
        """The same of what a room makes of the end, 1 cent high at the end [shape=(n, hats)]."""
        knots = TAIL_KNOTS_S
        before_end = np.minimum(self.duration_s - self.time_s, knots[-1])
        return -_TAIL(before_end) * np.exp(-knots[:-1] / TAIL_FADE_S)

    def noise_grid(self, means: bool = False) -> np.ndarray:
        """Relative v, s1, s2 over the grid of crossovers [shape=(grid, 3)]."""
        return _noise_grid(self.step_s, means)

    def noise_shapes(self, means: bool = False) -> np.ndarray:
        """What v, s1 and s2 multiply [shape=(3, n - 1)]; of `means` of blocks, or as at points."""
        return np.stack([np.ones(len(self.time_s) - 1), *_shapes(self.eigenvalues(), means)])


@lru_cache(maxsize=FEW)
def _cosines(n: int) -> np.ndarray:
    """Matrix of the cosine transform without the constant [shape=(n - 1, n)]."""
    return dct(np.eye(n), type=2, norm="ortho", axis=0)[1:]


def _shapes(eigen: np.ndarray, means: bool) -> tuple[np.ndarray, np.ndarray]:
    """Spectra of jitter and wander from the eigenvalues of a random walk at points."""
    return (eigen - 1.0 / 6.0, eigen**2 - eigen / 4.0 + 1.0 / 120.0) if means else (eigen, eigen**2)


@lru_cache(maxsize=256)
def _noise_grid(step_s: float, means: bool) -> np.ndarray:
    def at(f_hz: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return _shapes(1.0 / (4.0 * np.sin(np.pi * np.minimum(f_hz * step_s, 0.5)) ** 2), means)

    jitter, wander = (
        np.repeat(JITTER_CROSSOVERS_HZ, len(WANDER_CROSSOVERS_HZ)),
        np.tile(WANDER_CROSSOVERS_HZ, len(JITTER_CROSSOVERS_HZ)),
    )
    s1 = np.where(np.isfinite(jitter), 1.0 / at(jitter)[0], 0.0)
    s2 = np.where(np.isfinite(wander), (1.0 + s1 * at(wander)[0]) / at(wander)[1], 0.0)
    return np.stack([np.ones_like(s1), s1, s2], axis=1)


def thin(time_s: np.ndarray, values: np.ndarray, rate_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Block means at about `rate_hz` (along the last axis)."""
    step = float(time_s[1] - time_s[0])
    block = max(1, round(1.0 / (rate_hz * step)))
    n = len(time_s) // block * block
    shape = (*values.shape[:-1], n // block, block)
    return time_s[:n].reshape(-1, block).mean(axis=1), values[..., :n].reshape(shape).mean(axis=-1)


@dataclass
class MixedFit:
    """Result of :func:`fit_variances`.

    Parameters
    ----------
    coefficients : ndarray [shape=(p + q,)]
        Fixed effects, then random effects (predicted).
    covariance : ndarray [shape=(p + q, p + q)]
        Covariance of their errors.
    noise : ndarray [shape=(3,)]
        v, s1, s2.
    spread : ndarray [shape=(groups,)]
        Variance of each group of random effects.
    residual : ndarray [shape=(n - 1,)]
        Residual in the transformed domain.
    variance : ndarray [shape=(n - 1,)]
        Variance of each transformed value.
    deviance : float
        -2 log restricted likelihood, less a constant.
    falling : ndarray of bool [shape=(3 + groups,)]
        Variances that the last step made less than half: on their way to nothing.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    noise: np.ndarray
    spread: np.ndarray
    residual: np.ndarray
    variance: np.ndarray
    deviance: float
    falling: np.ndarray


def _diagonal(matrix: np.ndarray) -> np.ndarray:
    """View of the diagonal of a contiguous matrix, that can be written to."""
    return matrix.ravel(order="K")[:: len(matrix) + 1]


def _inverse(matrix: np.ndarray) -> tuple[np.ndarray, float]:
    """Inverse of a positive definite matrix, whose diagonal is raised a little in place; log determinant."""
    _diagonal(matrix)[:] *= 1.0 + 1e-11
    factor, info = dpotrf(matrix, lower=1)
    if info:
        scale = 1.0 / np.sqrt(_diagonal(matrix))
        scaled = matrix * scale * scale[:, None]
        log_det = np.linalg.slogdet(scaled)[1] - 2.0 * np.sum(np.log(scale))
        return np.linalg.pinv(scaled, rcond=1e-10, hermitian=True) * scale * scale[:, None], float(log_det)
    log_det = 2.0 * float(np.sum(np.log(_diagonal(factor))))
    lower, _ = dpotri(factor, lower=1)  # its upper triangle is zero, as dpotrf left it
    full = lower + lower.T
    _diagonal(full)[:] *= 0.5
    return full, log_det


def _step(variances, scale, pulled, quad, trace, w, design, inverse) -> tuple[np.ndarray, float]:
    """One average-information step, kept within a factor of the old values; and what it should gain.

    `scale` is what all variances together are to be multiplied by (their REML estimate when their ratios are
    as they are): the step is made from there.
    """
    weighted = pulled * w
    crossed = weighted @ design
    information = weighted @ pulled.T - crossed @ inverse @ crossed.T
    # in log variances, so that a variance that is not there runs to zero, not below
    half = 0.5 * variances
    information *= half * variances[:, None] / scale
    score = half * (quad / scale - trace)
    _diagonal(information)[:] += 0.05 * half * trace + 1e-9  # damping: the path, not the optimum
    step = np.clip(dgesv(information, score)[2], -0.9, 3.0)  # to a tenth or twentyfold at most: the path
    return scale * variances * np.where(step < 0.0, 1.0 + step, np.exp(step)), float(score @ step)


def fit_variances(
    y: np.ndarray,
    fixed: np.ndarray,
    random: list[np.ndarray],
    shapes: np.ndarray,
    noise: np.ndarray,
    spread: np.ndarray,
    iterations: int,
    least: float | np.ndarray = 0.0,
) -> MixedFit:
    """REML estimate of the background's and the random effects' variances.

    Parameters
    ----------
    y : ndarray [shape=(m,)]
        Transformed values.
    fixed : ndarray [shape=(m, p)]
        Transformed fixed columns.
    random : list of ndarray [shape=(m, q_g)], q_g > 0
        Transformed random columns of each group, scaled so that their prior variances are equal.
    shapes : ndarray [shape=(3, m)]
        What v, s1 and s2 multiply.
    noise : ndarray [shape=(3,)]
        Start values of v, s1, s2 (0 = left out).
    spread : ndarray [shape=(groups,)]
        Start values of the groups' variances.
    iterations : int
        Number of updates at most; fewer where the next would gain less than `GAIN` in log likelihood.
    least : float or ndarray [shape=(groups,)]
        Variances of the groups that are there for certain, at least.
    """
    p, m = fixed.shape[1], len(y)
    sizes = np.array([block.shape[1] for block in random], dtype=int)
    design = np.concatenate([fixed, *random], axis=1)
    drawn = design[:, p:]
    member = np.repeat(np.eye(len(sizes)), sizes, axis=0)  # the group of each random column
    floor = 1e-12 * (y @ y / m + 1e-30)
    pulled = np.empty((3 + len(sizes), m))
    settled = False
    falling = np.zeros(3 + len(sizes), dtype=bool)
    for iteration in range(iterations + 1):
        variance = np.maximum(noise @ shapes, floor)
        w = 1.0 / variance
        weighted = design * w[:, None]
        normal = design.T @ weighted
        each = np.maximum(spread, 1e-300)
        _diagonal(normal)[p:] += member @ (1.0 / each)
        inverse, log_det = _inverse(normal)
        coefficients = inverse @ (y @ weighted)
        residual = y - design @ coefficients
        if iteration == iterations or settled:
            break
        scored = w * residual  # P y
        leverage = np.maximum(w - np.einsum("ij,ij->i", weighted @ inverse, weighted), 0.0)
        np.multiply(shapes, scored, out=pulled[:3])  # K_i P y
        u = member * coefficients[p:, None] / each
        np.matmul(drawn, u, out=pulled[3:].T)
        held = _diagonal(inverse)[p:] @ member
        quad = np.append(pulled[:3] @ scored, np.einsum("ij,ij->j", u, u))
        trace = np.append(shapes @ leverage, np.maximum(sizes - held / each, 1e-9) / each)
        scale = max(float(y @ scored) / (m - p), 1e-9)
        variances, gain = _step(np.append(noise, spread), scale, pulled, quad, trace, w, design, inverse)
        falling = variances < 0.5 * scale * np.append(noise, spread)
        noise, spread = variances[:3], np.maximum(variances[3:], least)
        falling[3:] &= variances[3:] >= least
        settled = gain < GAIN and abs(np.log(scale)) < 0.1  # within a tenth
    deviance = float(y @ (w * residual) + np.sum(np.log(variance)) + log_det + sizes @ np.log(each))
    return MixedFit(coefficients, inverse, noise, spread, residual, variance, deviance, falling)
