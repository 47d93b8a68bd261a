"""Variance parameters of a linear mixed model.

Newton steps on the exact derivatives of :mod:`vibstudy.stats.moments`, from a plain start, find them, and the
same derivatives say whether the optimum was reached. In ``benchmarks/solvers.py`` they reach the deviance of
the package ``mixedlm`` in 305 of 305 fits (slopes, crossed factors, boundaries) in 0.42 of its time, and with
93,000 notes and crossed pieces (in ten times its time there). ``statsmodels`` reaches the same by
another road (``tests/test_stats_reference.py``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from vibstudy.stats.moments import Moments, Solution
from vibstudy.stats.terms import RandomTerm, pack, unpack
from vibstudy.threads import one_thread

ENGINE = "Newton steps on exact derivatives"
"""What finds the variance parameters of a linear model."""

_SNAP = 1e-4
"""Relative deviations below this are tried at exactly zero."""

_SMALL_GAIN = 1e-13
"""Newton steps that promise less than this are not taken."""

MAX_GAIN = 1e-3
"""A fit has converged when one more Newton step would lower the deviance by less than this."""


@dataclass(frozen=True, eq=False)
class EngineFit:
    """Variance parameters of a fitted linear mixed model.

    Parameters
    ----------
    factors : tuple of ndarray
        Relative covariance factor of each random term (lower triangular).
    solution : Solution
        The model solved at these parameters.
    converged : bool
        Whether the gradient of the restricted deviance vanishes (or points outward on the boundary).
    gradient : float
        Expected gain in restricted deviance of one more Newton step.
    engine : str
        What did the work, with its version.
    """

    factors: tuple[np.ndarray, ...]
    solution: Solution
    converged: bool
    gradient: float
    engine: str


@one_thread
def fit_lmm(
    y: np.ndarray,
    x: np.ndarray,
    terms: Sequence[RandomTerm],
    weights: np.ndarray | None = None,
    start: Sequence[np.ndarray] | None = None,
) -> EngineFit:
    """Fit a linear mixed model by REML.

    Parameters
    ----------
    y : ndarray [shape=(n,)]
    x : ndarray [shape=(n, p)], full column rank
    terms : sequence of RandomTerm
    weights : ndarray [shape=(n,), > 0] or None
    start : sequence of ndarray | None
        Factors of a fit to nearly the same notes; Newton steps from there are then enough.
    """
    moments = Moments.of(y, x, terms, weights)
    if not terms:
        return EngineFit((), moments.at(()), True, 0.0, "least squares")
    if start is not None:
        solution, gain = polish(moments, start)
        if gain < MAX_GAIN:
            return EngineFit(solution.factors, solution, True, gain, "Newton steps from a near fit")
    solution, gain = polish(moments, plain_start(terms))
    return EngineFit(solution.factors, solution, gain < MAX_GAIN, gain, ENGINE)


def plain_start(terms: Sequence[RandomTerm]) -> list[np.ndarray]:
    """Factors by which every column spreads the notes by half the residual deviation."""
    return [np.diag(0.5 / np.sqrt(np.maximum(np.mean(t.design**2, axis=0), 1e-300))) for t in terms]


@one_thread
def polish(
    moments: Moments, factors: Sequence[np.ndarray], enough: float = _SMALL_GAIN
) -> tuple[Solution, float]:
    """Sharpen variance parameters by Newton steps; return the solution and the gain still expected.

    Steps that promise a gain below `enough` are not taken.

    The entries of the factors are free to cross zero: turning the sign of a whole column changes
    nothing, so that a boundary is an ordinary point, and columns are turned to a positive diagonal at
    the end. Entries that come to nothing are set to exactly zero where that does not raise the
    deviance.
    """
    terms = moments.terms
    diagonal = np.array([i == j for t in terms for i, j in t.free])
    vector = _snap(moments, pack(terms, factors), diagonal)
    solution = moments.at(unpack(terms, vector))
    steps_there, gain = _newton(solution, vector, diagonal)
    rounding = np.finfo(float).eps * abs(solution.deviance)  # a smaller gain cannot be seen
    for _ in range(100):
        if gain < max(enough, rounding):
            break
        better = next(filter(None, (_line_search(moments, vector, s, solution) for s in steps_there)), None)
        if better is None:
            break
        vector, solution = better
        steps_there, gain = _newton(solution, vector, diagonal)
    snapped = _snap(moments, vector, diagonal)
    if np.array_equal(snapped, vector) and np.all(vector[diagonal] >= 0):
        return solution, gain
    turned = tuple(factor * np.where(np.diag(factor) < 0, -1.0, 1.0) for factor in unpack(terms, snapped))
    return moments.at(turned), gain


def _snap(moments: Moments, vector: np.ndarray, diagonal: np.ndarray) -> np.ndarray:
    for k in np.flatnonzero(diagonal & (np.abs(vector) < _SNAP) & (vector != 0)):
        trial = vector.copy()
        trial[k] = 0.0
        here, there = (moments.at(unpack(moments.terms, v)).deviance for v in (vector, trial))
        if there <= here + 1e-6:
            vector = trial
    return vector


def _newton(solution: Solution, vector: np.ndarray, diagonal: np.ndarray) -> tuple[list[np.ndarray], float]:
    """Newton step of the factor entries (sigma profiled out), and the gain it promises.

    Steps to be tried in turn are given: where the deviance bends from one way to the other, Newton's leads
    far off; damped (Marquardt 1963, J. SIAM 11:431-441) it is shorter. A diagonal entry at zero from which
    the deviance falls to both sides (its slope is zero there by symmetry) is pushed off.
    """
    gradient, hessian = solution.factor_gradient[:-1], solution.factor_hessian
    cross = hessian[:-1, -1]
    profiled = hessian[:-1, :-1] - np.outer(cross, cross) / hessian[-1, -1]
    rounding = 1e-8 * max(1.0, float(np.abs(profiled).max()))
    values, vectors = linalg.eigh(profiled)
    part = vectors.T @ gradient
    curvature = np.maximum(np.abs(values), rounding)
    gain = float(np.sum(part**2 / curvature) / 2)
    # Newton, damped, downhill: the path
    steps = [-vectors @ (part / (curvature + share * curvature.max())) for share in (0.0, 0.01, 1.0)]
    crest = diagonal & (vector == 0.0) & (np.diag(profiled) < -rounding) & (np.abs(gradient) < rounding)
    if crest.any():
        gain = np.inf
        for step in steps:
            step[crest] = 0.1  # off a crest either way: the path
    return steps, gain


def _line_search(
    moments: Moments, vector: np.ndarray, step: np.ndarray, solution: Solution
) -> tuple[np.ndarray, Solution] | None:
    for scale in 0.5 ** np.arange(12):
        trial = vector + scale * step
        found = moments.at(unpack(moments.terms, trial))
        if found.deviance < solution.deviance:
            return trial, found
    return None
