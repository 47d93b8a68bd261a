"""Inference by simulation: parametric bootstrap and player-level permutation.

**Parametric bootstrap.** The model is fitted without the contrast (the null), new outcomes are drawn
from it, the full model is fitted to each, and p is the share of simulated \\|t\\| at least as large as
the observed one. The interval inverts the distribution of (estimate - truth) / se drawn from the full
model (bootstrap-t).

**Player-level permutation.** For terms that do not vary within a player. Each player is reduced to
one figure (the mean of his notes, within-player terms removed), these are regressed on the
player-level terms, and residuals of the regression without the tested term are exchanged between
players (Freedman & Lane). Needs no normal distribution, but many players: with 3 against 3 the
smallest p there can be is 2/20.

References
----------
Davison & Hinkley 1997, Bootstrap Methods and their Application, ch. 4 (p-values), 5.2 (bootstrap-t);
Freedman & Lane 1983, J. Bus. Econ. Stat. 1(4):292-298; Phipson & Smyth 2010, Stat. Appl. Genet. Mol.
Biol. 9(1):39 (why 1 is added).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from vibstudy.errors import VibstudyError, unknown
from vibstudy.stats.engine import polish
from vibstudy.stats.marginal import Grid
from vibstudy.stats.moments import Solution
from vibstudy.stats.terms import random_design, same_within
from vibstudy.threads import one_thread

if TYPE_CHECKING:
    from vibstudy.stats.mixed import MixedResult

MAX_ENUMERATED = 20_000
"""Permutations are enumerated up to this number, drawn at random above it."""


@dataclass(frozen=True)
class Resampled:
    """A test by simulation.

    Parameters
    ----------
    label : str
        The term or contrast.
    estimate, t : float
        Observed.
    p : float
    smallest_p : float
        The smallest p this test can give here.
    draws : int
        Simulated data sets, or permutations.
    low, high : float
        Interval; missing for permutation.
    method : str
    """

    label: str
    estimate: float
    t: float
    p: float
    smallest_p: float
    draws: int
    low: float
    high: float
    method: str


class Refit:
    """Fits the same model to new outcomes, from cross-products made once."""

    def __init__(self, result: MixedResult):
        prepared = result.prepared
        self._x = prepared.estimable
        self._z = random_design(prepared.terms, len(prepared.y))[0]
        self._w = np.ones(len(prepared.y)) if prepared.weights is None else prepared.weights
        self._base = result.fit.solution.moments
        self._start = result.fit.factors
        self._terms = prepared.terms

    def __call__(self, y: np.ndarray) -> Solution:
        """Fit by REML."""
        return polish(self._base.with_outcome(self._z, self._x, y, self._w), self._start)[0]

    def simulate(self, solution: Solution, beta: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Draw outcomes from the model at `solution`'s variances and `beta`."""
        effects = np.zeros(self._z.shape[1])
        spans = {(b.term, b.column): b.span for b in solution.moments.blocks}
        for k, (term, factor) in enumerate(zip(self._terms, solution.factors, strict=True)):
            draws = rng.standard_normal((len(term.levels), len(term.columns))) @ (solution.sigma * factor).T
            for column in range(len(term.columns)):
                effects[spans[k, column]] = draws[:, column]
        noise = solution.sigma * rng.standard_normal(len(self._x)) / np.sqrt(self._w)
        return self._x @ beta + self._z @ effects + noise


def contrast_row(result: MixedResult, label: str) -> np.ndarray:
    """Row over the estimated terms of a term or contrast, by its name."""
    if label in result.names:
        return np.eye(len(result.names))[result.names.index(label)]
    grid = Grid(result.prepared)
    choices = list(result.names)
    for name in [*result.prepared.factors, *result.prepared.covariates]:
        for found, row in result._comparisons(grid, name, {}):
            choices.append(found)
            if found == label:
                reduced = grid.reduce(row)
                if reduced is None:
                    raise VibstudyError(f"These notes cannot estimate {label!r}.")
                return reduced
    raise VibstudyError(unknown("no such term or contrast", label, choices, "There are"))


@one_thread
def parametric_bootstrap(
    result: MixedResult,
    label: str,
    draws: int = 999,
    seed: int | np.random.Generator = 1,
    level: float = 0.95,
) -> Resampled:
    """Test a term or contrast by parametric bootstrap.

    Parameters
    ----------
    result : MixedResult
    label : str
        As :meth:`MixedResult.table` or :meth:`MixedResult.contrasts` names it.
    draws : int
        Simulated data sets, for the test and again for the interval.
    seed : int or Generator
    level : float
    """
    rng = np.random.default_rng(seed)
    row = contrast_row(result, label)
    refit, solution = Refit(result), result.fit.solution
    estimate, t = _t(solution, row)
    null_solution, null_beta = _fit_null(result, row)
    null = [abs(_t(refit(refit.simulate(null_solution, null_beta, rng)), row)[1]) for _ in range(draws)]
    around = []
    for _ in range(draws):
        drawn = refit(refit.simulate(solution, solution.beta, rng))
        around.append((row @ drawn.beta - estimate) / _se(drawn, row))
    lower, upper = np.quantile(around, [(1 - level) / 2, (1 + level) / 2])
    se = _se(solution, row)
    return Resampled(
        label,
        estimate,
        t,
        (1 + int(np.sum(np.array(null) >= abs(t)))) / (draws + 1),
        1 / (draws + 1),
        draws,
        estimate - float(upper) * se,
        estimate - float(lower) * se,
        "parametric bootstrap",
    )


def _se(solution: Solution, row: np.ndarray) -> float:
    return float(np.sqrt(row @ solution.covariance @ row))


def _t(solution: Solution, row: np.ndarray) -> tuple[float, float]:
    estimate = float(row @ solution.beta)
    return estimate, estimate / _se(solution, row)


def _fit_null(result: MixedResult, row: np.ndarray) -> tuple[Solution, np.ndarray]:
    """Variances under the null that row @ beta = 0, and the null's fixed effects in full length."""
    basis = null_basis(row)
    full = result.fit.solution.moments
    rotation = np.zeros((full.p + 1, basis.shape[1] + 1))
    rotation[: full.p, : basis.shape[1]], rotation[-1, -1] = basis, 1.0
    solution = polish(full.rotated(rotation), result.fit.factors)[0]
    return solution, basis @ solution.beta


def null_basis(row: np.ndarray) -> np.ndarray:
    """Orthonormal basis of the coefficients with row @ beta = 0 [shape=(p, p - 1)]."""
    return np.linalg.svd(row[None, :])[2][1:].T


@one_thread
def permutation_test(
    result: MixedResult, label: str, draws: int = 9999, seed: int | np.random.Generator = 1
) -> Resampled:
    """Test a player-level term or contrast by exchanging players.

    Raises
    ------
    VibstudyError
        When the term varies within players, or the model has no player.
    """
    prepared = result.prepared
    term = next((t for t in prepared.terms if t.group == prepared.player), None)
    if term is None:
        raise VibstudyError("The model has no player to exchange.")
    x, row = prepared.estimable, contrast_row(result, label)
    first, between = same_within(x, term.codes)
    if np.any(np.abs(row[~between]) > 1e-9):
        raise VibstudyError(
            "varies within players: exchanging players says nothing of it",
            column=label,
            repair="Use the table of the model.",
        )
    within = x[:, ~between] @ result.beta[~between]
    players = len(term.levels)
    figures = np.bincount(term.codes, prepared.y - within) / np.bincount(term.codes)
    design, contrast = first[:, between], row[between]
    if players <= design.shape[1]:
        raise VibstudyError(f"{players} players are too few to test {label!r}.")
    reduced = design @ null_basis(contrast)
    fitted = reduced @ np.linalg.lstsq(reduced, figures, rcond=None)[0]
    orders, exact = _orders(players, draws, np.random.default_rng(seed))
    values = np.abs(_t_of(design, contrast, fitted + (figures - fitted)[orders]))
    observed = _t_of(design, contrast, figures[None, :])
    at_least = int(np.sum(values >= abs(observed[0]) - 1e-9))
    largest = int(np.sum(values >= values.max() - 1e-9))
    size = len(orders)
    return Resampled(
        label,
        float(row @ result.beta),
        float(observed[0]),
        at_least / size if exact else (at_least + 1) / (size + 1),
        largest / size if exact else 1 / (size + 1),
        size,
        math.nan,
        math.nan,
        "player-level permutation",
    )


def _orders(players: int, draws: int, rng: np.random.Generator) -> tuple[np.ndarray, bool]:
    if math.factorial(players) <= MAX_ENUMERATED:
        return np.array(list(itertools.permutations(range(players)))), True
    return np.array([rng.permutation(players) for _ in range(draws)]), False


def _t_of(design: np.ndarray, contrast: np.ndarray, figures: np.ndarray) -> np.ndarray:
    """t of a contrast in least squares, for each row of `figures` [shape=(draws, players)]."""
    inverse = np.linalg.inv(design.T @ design)
    beta = figures @ design @ inverse
    residual = figures - beta @ design.T
    variance = np.sum(residual**2, axis=1) / (len(design) - design.shape[1])
    return beta @ contrast / np.sqrt(np.maximum(variance, 1e-300) * (contrast @ inverse @ contrast))
