"""The only module that calls a mixed-model library.

``mixedlm`` (compiled core, lme4's formula syntax) finds the variance parameters; a few Newton steps
on the exact derivatives of :mod:`vibstudy.stats.moments` then sharpen them, and the same derivatives
say whether the optimum was reached, independently of the library's own word. ``statsmodels`` fits
the same model by another road on request (:func:`cross_check`).

Used of mixedlm: ``lmer`` and ``glmer``. Not used, because they did not agree with R when checked
(version 1.3.0): its Kenward–Roger degrees of freedom.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import version

import numpy as np
import pandas as pd
from scipy import linalg

from vibstudy.errors import VibstudyError
from vibstudy.stats.moments import Moments, RandomTerm, Solution, pack, unpack

_SNAP = 1e-4
"""Relative deviations below this are tried at exactly zero."""

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
    frame, formula = _lme4_frame(y, x, terms)
    import mixedlm

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # convergence and boundary are judged below, once
        try:
            fit = mixedlm.lmer(formula, frame, REML=True, weights=weights)
        except (ValueError, RuntimeError, np.linalg.LinAlgError) as problem:
            raise VibstudyError(f"The mixed model could not be fitted: {problem}") from problem
    solution, gain = polish(moments, unpack(terms, np.asarray(fit.theta, float)))
    return EngineFit(solution.factors, solution, gain < MAX_GAIN, gain, f"mixedlm {version('mixedlm')}")


def fit_glmm(
    y: np.ndarray, x: np.ndarray, terms: Sequence[RandomTerm]
) -> tuple[tuple[np.ndarray, ...], np.ndarray, bool, str]:
    """Fit a binomial mixed model (logit) by Laplace's approximation.

    Returns
    -------
    tuple
        Covariance factors, fixed effects [shape=(p,)], whether it converged, and the engine.
    """
    import mixedlm

    frame, formula = _lme4_frame(y, x, terms)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            fit = mixedlm.glmer(formula, frame)
        except (ValueError, RuntimeError, np.linalg.LinAlgError) as problem:
            raise VibstudyError(f"The presence model could not be fitted: {problem}") from problem
    factors = unpack(terms, np.abs(np.asarray(fit.theta, float)))
    return factors, np.asarray(fit.beta, float), bool(fit.converged), f"mixedlm {version('mixedlm')}"


def _lme4_frame(y: np.ndarray, x: np.ndarray, terms: Sequence[RandomTerm]) -> tuple[pd.DataFrame, str]:
    """Columns with plain names, and the formula over them, so that no name needs quoting."""
    columns: dict[str, np.ndarray] = {"y": y}
    fixed = []
    for k in range(x.shape[1]):
        columns[f"x{k}"] = x[:, k]
        fixed.append(f"x{k}")
    bars = []
    for k, term in enumerate(terms):
        columns[f"g{k}"] = np.array([f"l{code:06d}" for code in range(len(term.levels))])[term.codes]
        names = []
        for column in range(len(term.columns)):
            columns[f"z{k}c{column}"] = term.design[:, column]
            names.append(f"z{k}c{column}")
        if all(name == "Intercept" for name in term.columns):
            bars.append(f"(1|g{k})")
        else:
            bar = "|" if term.correlated else "||"
            bars.append(f"(0 + {' + '.join(names)} {bar} g{k})")
    return pd.DataFrame(columns), f"y ~ 0 + {' + '.join(fixed)} + {' + '.join(bars)}"


def polish(moments: Moments, factors: Sequence[np.ndarray], steps: int = 20) -> tuple[Solution, float]:
    """Sharpen variance parameters by Newton steps; return the solution and the gain still expected.

    Entries near the boundary are set to exactly zero where that does not raise the deviance, and
    stay there unless the deviance falls away from zero.
    """
    terms = moments.terms
    vector = pack(terms, factors)
    diagonal = np.array([i == j for t in terms for i, j in t.free])
    vector[diagonal] = np.abs(vector[diagonal])
    vector = _snap(moments, vector, diagonal)
    solution = moments.at(unpack(terms, vector))
    gain = np.inf
    for _ in range(steps):
        step, gain = _newton(solution, vector, diagonal)
        if gain < 1e-10:
            break
        better = _line_search(moments, vector, step, diagonal, solution.deviance)
        if better is None:
            break
        vector, solution = better
    return solution, float(gain)


def _snap(moments: Moments, vector: np.ndarray, diagonal: np.ndarray) -> np.ndarray:
    for k in np.flatnonzero(diagonal & (vector < _SNAP)):
        trial = vector.copy()
        trial[k] = 0.0
        here, there = (moments.at(unpack(moments.terms, v)).deviance for v in (vector, trial))
        if there <= here + 1e-6:
            vector = trial
    return vector


def _newton(solution: Solution, vector: np.ndarray, diagonal: np.ndarray) -> tuple[np.ndarray, float]:
    """Newton step of the factor entries (sigma profiled out), and the gain it promises.

    At a zero diagonal entry the first derivative vanishes by symmetry: it stays at zero if the second
    derivative is positive.
    """
    gradient, hessian = solution.factor_gradient, solution.factor_hessian
    entries = len(vector)
    profiled = (
        hessian[:entries, :entries]
        - np.outer(hessian[:entries, -1], hessian[-1, :entries]) / (hessian[-1, -1])
    )
    fixed = diagonal & (vector == 0.0) & (np.diag(profiled) >= 0)
    step = np.zeros(entries)
    moving = ~fixed
    if not moving.any():
        return step, 0.0
    g, h = gradient[:entries][moving], profiled[np.ix_(moving, moving)]
    values, vectors = linalg.eigh(h)
    values = np.maximum(np.abs(values), 1e-8 * max(1.0, float(np.max(np.abs(values)))))
    part = vectors.T @ g
    step[moving] = -vectors @ (part / values)
    leaving = moving & diagonal & (vector == 0.0)
    step[leaving] = 0.1
    gain = float(np.sum(part**2 / values) / 2) if not leaving.any() else np.inf
    return step, gain


def _line_search(
    moments: Moments, vector: np.ndarray, step: np.ndarray, diagonal: np.ndarray, deviance: float
) -> tuple[np.ndarray, Solution] | None:
    for scale in 0.5 ** np.arange(12):
        trial = vector + scale * step
        trial[diagonal] = np.maximum(trial[diagonal], 0.0)
        solution = moments.at(unpack(moments.terms, trial))
        if solution.deviance < deviance:
            return trial, solution
    return None


def cross_check(y: np.ndarray, x: np.ndarray, terms: Sequence[RandomTerm]) -> dict[str, np.ndarray | float]:
    """Fit the same model (random intercepts, no weights) with statsmodels.

    Powell's method is asked for: the default (BFGS) stops short of the optimum on small corpora.

    Returns
    -------
    dict
        ``beta`` [shape=(p,)], ``se`` [shape=(p,)], ``variances`` (one a random term, in order),
        ``sigma`` and ``deviance`` (restricted).
    """
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

    n = len(y)
    matrices, names, columns = [], [], []
    for term in terms:
        indicator = np.zeros((n, len(term.levels)))
        indicator[np.arange(n), term.codes] = 1.0
        matrices.append([indicator])
        names.append(term.group)
        columns.append([list(term.levels)])
    spec = VCSpec(names, columns, matrices)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = MixedLM(y, x, groups=np.zeros(n), exog_vc=spec).fit(reml=True, method="powell")
    return {
        "beta": np.asarray(fit.fe_params),
        "se": np.asarray(fit.bse_fe),
        "variances": np.asarray(fit.vcomp),
        "sigma": float(np.sqrt(fit.scale)),
        "deviance": float(-2 * fit.llf),
    }
