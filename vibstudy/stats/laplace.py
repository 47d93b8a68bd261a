"""Likelihood of a binomial mixed model by Laplace's approximation, and its optimum.

Model: logit P(y = 1) = X b + Z L u, u standard normal, L diagonal (the random columns are uncorrelated). With
the mode u* of the penalised likelihood ::

    deviance = -2 log lik(y | u*) + |u*|² + log det S,   S = L'Z'WZL + I,   W = p (1 - p) at u*

Its derivatives are exact: the first two parts change only directly (u* is their mode), and ::

    d log det S = tr(S^-1 dS),  dW = W (1 - 2p) d eta,  S du* = d(L'Z')(y - p) - L'Z'W (X db + Z dL u*)

Restricted likelihood
---------------------
Maximum likelihood makes the players differ too little, as it takes the fixed effects for known. Integrated
out like the random ones, with (b*, u*) the mode of both ::

    restricted deviance = -2 log lik(y | b*, u*) + |u*|² + log det S + log det(X'WX - X'WZL S^-1 L'Z'WX)

This is what glmmTMB does with ``REML = TRUE``; in the linear case it is REML.

References
----------
Bates et al. 2015, J. Stat. Softw. 67(1); Breslow & Clayton 1993, J. Am. Stat. Assoc. 88(421):9-25.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from functools import cached_property
from typing import TypeAlias

import numpy as np
import pandas as pd
from scipy import linalg, optimize, sparse, special

from vibstudy.stats.terms import RandomTerm, pack, random_design, unpack
from vibstudy.stats.threads import one_thread

DENSE = 200_000
"""Entries of a design up to which full products are quicker than sparse ones (1.2 s instead of 20 s for
20,000 notes of 40 players with a number; 27 ms instead of 95 ms for 500 notes of 8)."""

_STEP = 1e-3
"""Step of the differences of the gradient, in standard errors (variances: of themselves)."""


Matrix: TypeAlias = "np.ndarray | sparse.csr_matrix"


def _cells(x: np.ndarray, terms: Sequence[RandomTerm]) -> tuple[np.ndarray, np.ndarray]:
    """Notes alike in all but their outcome: the first of each kind, and the kind of each note."""
    keys = [*x.T, *(t.codes for t in terms), *(c for t in terms for c in t.design.T)]
    kinds = pd.DataFrame(dict(enumerate(keys))).groupby(list(range(len(keys))), sort=False).ngroup()
    cell = kinds.to_numpy()
    return np.unique(cell, return_index=True)[1], cell


def _weighted_square(matrix: Matrix, weight: np.ndarray) -> np.ndarray:
    """matrix' diag(weight) matrix."""
    if isinstance(matrix, np.ndarray):
        return matrix.T @ (weight[:, None] * matrix)
    return np.asarray((matrix.T @ matrix.multiply(weight[:, None])).toarray())


class Laplace:
    """Laplace likelihood of one data set; notes alike in all but their outcome are counted together.

    Parameters
    ----------
    y : ndarray of 0 and 1 [shape=(n,)]
    x : ndarray [shape=(n, p)]
    terms : sequence of RandomTerm
        Their columns uncorrelated.
    """

    def __init__(self, y: np.ndarray, x: np.ndarray, terms: Sequence[RandomTerm]):
        self.terms = tuple(terms)
        first, cell = _cells(x, self.terms)
        self.number, self.true = np.bincount(cell).astype(float), np.bincount(cell, y)
        z, self.blocks = random_design(terms, len(y))
        self.x, self.z = x[first], z[first]
        if self.z.shape[0] * (x.shape[1] + self.z.shape[1]) < DENSE:
            self.z = self.z.toarray()
        self._mode = np.zeros(self.z.shape[1])
        self._places = [
            (b.span.start + terms[b.term].codes[first], terms[b.term].design[first, b.column])
            for b in self.blocks
        ]

    def fixed_only(self) -> Laplace:
        """The same notes without random effects."""
        flat = copy(self)
        flat.terms, flat.blocks, flat._places = (), (), []
        flat.z, flat._mode = flat.z[:, :0], flat._mode[:0]
        return flat

    def scales(self, factors: Sequence[np.ndarray]) -> np.ndarray:
        """Diagonal of L [shape=(q,)]."""
        out = np.zeros(self.z.shape[1])
        for b in self.blocks:
            out[b.span] = factors[b.term][b.column, b.column]
        return out

    def spread(self, factors: Sequence[np.ndarray]) -> Matrix:
        """Z L [shape=(cells, q)]."""
        scales = self.scales(factors)
        if isinstance(self.z, np.ndarray):
            return self.z * scales
        return (self.z @ sparse.diags(scales)).tocsr()

    def mode(self, beta: np.ndarray, zl: Matrix) -> tuple[np.ndarray, np.ndarray, float]:
        """Mode of u [shape=(q,)], the Cholesky factor there, and the penalised deviance."""
        fixed = self.x @ beta
        u = self._mode
        value = self._penalised(fixed, zl, u)
        for _ in range(50):
            p = special.expit(fixed + zl @ u)
            curvature = _weighted_square(zl, self.number * p * (1 - p))
            curvature[np.diag_indices_from(curvature)] += 1.0
            chol = linalg.cholesky(curvature, lower=True)
            slope = zl.T @ (self.true - self.number * p) - u
            step = linalg.cho_solve((chol, True), slope)
            if float(slope @ step) < 1e-18:
                break
            for scale in 0.5 ** np.arange(10):
                trial = self._penalised(fixed, zl, u + scale * step)
                if trial <= value + 1e-10 * (1 + abs(value)):  # rounding must not stop the last steps
                    u, value = u + scale * step, trial
                    break
            else:
                break
        self._mode = u  # a good start for the next call, and without effect on its result
        return u, chol, value

    def _penalised(self, fixed: np.ndarray, zl: Matrix, u: np.ndarray) -> float:
        eta = fixed + zl @ u
        return float(2 * np.sum(self.number * np.logaddexp(0, eta) - self.true * eta) + u @ u)

    def deviance(self, beta: np.ndarray, factors: Sequence[np.ndarray]) -> float:
        """-2 log likelihood."""
        _, chol, value = self.mode(beta, self.spread(factors))
        return value + 2 * float(np.sum(np.log(np.diag(chol))))

    def restricted(
        self, point: np.ndarray, factors: Sequence[np.ndarray], rounds: int = 50
    ) -> tuple[float, np.ndarray]:
        """-2 log restricted likelihood (infinite where the odds are), and its mode.

        Parameters
        ----------
        point : ndarray [shape=(p + q,)]
            Fixed effects, and effects in units of their deviations: where the search begins.
        factors : sequence of ndarray
        rounds : int
            Newton steps at most.
        """
        x, zl, number, true = self.x, self.spread(factors), self.number, self.true
        p = x.shape[1]
        design: Matrix
        if isinstance(zl, np.ndarray):
            design = np.hstack([x, zl])
        else:
            design = sparse.hstack([sparse.csr_matrix(x), zl], format="csr")
        prior = np.concatenate([np.zeros(p), np.ones(zl.shape[1])])

        def penalised(at: np.ndarray) -> float:
            eta = design @ at
            return float(2 * np.sum(number * np.logaddexp(0, eta) - true * eta) + at @ (prior * at))

        value = penalised(point)
        for _ in range(rounds):
            chance = special.expit(design @ point)
            weight = number * chance * (1 - chance)
            curvature = _weighted_square(design, weight)
            curvature[np.diag_indices_from(curvature)] += prior
            if not np.isfinite(curvature).all():  # deviations beyond all measure
                return np.inf, point
            try:
                chol = linalg.cholesky(curvature, lower=True)
            except linalg.LinAlgError:
                return np.inf, point
            slope = design.T @ (true - number * chance) - prior * point
            step = linalg.cho_solve((chol, True), slope)
            if float(slope @ step) < 1e-12:
                return value + 2 * float(np.sum(np.log(np.diag(chol)))), point
            for scale in 0.5 ** np.arange(10):
                trial = penalised(point + scale * step)
                if trial <= value + 1e-10 * (1 + abs(value)):
                    point, value = point + scale * step, trial
                    break
            else:
                break
        return np.inf, point  # odds without end: the mode runs away

    def with_gradient(self, beta: np.ndarray, factors: Sequence[np.ndarray]) -> tuple[float, np.ndarray]:
        """-2 log likelihood, and its derivatives by `beta` and by the diagonal entries of the factors."""
        scales, zl = self.scales(factors), self.spread(factors)
        u, chol, value = self.mode(beta, zl)
        inverse = linalg.cho_solve((chol, True), np.eye(len(u)))
        p = special.expit(self.x @ beta + zl @ u)
        w, left = self.number * p * (1 - p), self.true - self.number * p
        crossed = []  # for each random column, z_k' S^-1 L'z of every note
        for rows, own in self._places:
            total = np.zeros(len(p))
            for columns, value_ in self._places:
                total += value_ * scales[columns] * inverse[rows, columns]
            crossed.append(own * total)
        h = sum(
            (scales[rows] * c for (rows, _), c in zip(self._places, crossed, strict=True)), np.zeros(len(p))
        )
        v = w * (1 - 2 * p) * h
        a = inverse @ (zl.T @ v)
        moved = w * (zl @ a)
        gradient = [self.x.T @ (v - 2 * left - moved)]
        for block, (rows, own), c in zip(self.blocks, self._places, crossed, strict=True):
            direct = own * u[rows]
            slope = direct @ (v - 2 * left - moved) + 2 * np.sum(w * c)
            slope += a[block.span] @ np.bincount(rows - block.span.start, own * left, len(a[block.span]))
            gradient.append(np.array([slope]))
        return value + 2 * float(np.sum(np.log(np.diag(chol)))), np.concatenate(gradient)


class LaplaceFit:
    """A binomial mixed model at its estimates.

    Parameters
    ----------
    likelihood : Laplace
    beta : ndarray [shape=(p,)]
    factors : tuple of ndarray
        Covariance factor of each random term, on the logit scale.
    """

    def __init__(self, likelihood: Laplace, beta: np.ndarray, factors: tuple[np.ndarray, ...]):
        self.likelihood, self.beta, self.factors = likelihood, beta, factors

    @cached_property
    @one_thread
    def deviance(self) -> float:
        """-2 log likelihood."""
        return self.likelihood.deviance(self.beta, self.factors)

    @cached_property
    @one_thread
    def covariance(self) -> np.ndarray:
        """Covariance of the fixed effects, variances counted as estimated (differences of the gradient)."""
        terms, p = self.likelihood.terms, len(self.beta)
        given = np.sqrt(np.diag(self.covariance_given))
        vector = pack(terms, self.factors)
        free = np.flatnonzero(vector != 0)  # a zero variance stays where it is
        start = np.concatenate([self.beta, vector[free]])
        steps = np.concatenate([given, np.maximum(np.abs(vector[free]), 0.1)]) * _STEP

        def slope(point: np.ndarray) -> np.ndarray:
            moved = vector.copy()
            moved[free] = point[p:]
            found = self.likelihood.with_gradient(point[:p], unpack(terms, moved))[1]
            return np.concatenate([found[:p], found[p:][free]])

        rows = [slope(start + move) - slope(start - move) for move in np.diag(steps)]
        hessian = np.array(rows) / (2 * steps[:, None])
        hessian = (hessian + hessian.T) / 2
        values = linalg.eigvalsh(hessian * np.outer(steps, steps))
        if values[0] <= 1e-10 * values[-1]:
            return self.covariance_given
        return 2 * linalg.inv(hessian)[:p, :p]

    @cached_property
    @one_thread
    def covariance_given(self) -> np.ndarray:
        """Covariance of the fixed effects, the variances taken as known."""
        lik = self.likelihood
        zl = lik.spread(self.factors)
        u, chol, _ = lik.mode(self.beta, zl)
        probability = special.expit(lik.x @ self.beta + zl @ u)
        weighted = lik.x * (lik.number * probability * (1 - probability))[:, None]
        half = linalg.solve_triangular(chol, np.asarray(zl.T @ weighted), lower=True)
        return _floored_inverse(lik.x.T @ weighted - half.T @ half)

    @cached_property
    @one_thread
    def random_effects(self) -> np.ndarray:
        """Mode of the random effects, on the logit scale, in the order of ``likelihood.blocks``."""
        lik = self.likelihood
        u, *_ = lik.mode(self.beta, lik.spread(self.factors))
        return lik.scales(self.factors) * u

    @property
    @one_thread
    def gradient(self) -> float:
        """Largest derivative of the deviance by a fixed effect, in units of its standard error."""
        given = np.sqrt(np.diag(self.covariance_given))
        found = self.likelihood.with_gradient(self.beta, self.factors)[1]
        return float(np.max(np.abs(found[: len(self.beta)]) * given))


def _floored_inverse(information: np.ndarray) -> np.ndarray:
    """Inverse; a direction without information (infinite odds) gets a huge variance, not an error."""
    size = np.sqrt(np.maximum(np.diag(information), 1e-20 * np.max(np.diag(information))))
    values, vectors = linalg.eigh(information / np.outer(size, size))
    values = np.maximum(values, 1e-12)
    return (vectors / values) @ vectors.T / np.outer(size, size)


@one_thread
def maximise(likelihood: Laplace) -> tuple[np.ndarray, tuple[np.ndarray, ...], bool]:
    """Fixed effects and factors of greatest likelihood, and whether they were reached.

    From a fit without random effects and deviations of 0.5, by the quasi-Newton method of Broyden, Fletcher,
    Goldfarb and Shanno in units of the standard errors. Turning the sign of a deviation changes nothing, so
    that zero is an ordinary point.
    """
    terms, p = likelihood.terms, likelihood.x.shape[1]
    flat = likelihood.fixed_only()
    start = optimize.minimize(
        lambda b: flat.with_gradient(b, ()), np.zeros(p), jac=True, method="BFGS", options={"gtol": 1e-3}
    ).x
    size = np.concatenate(
        [np.sqrt(np.diag(LaplaceFit(flat, start, ()).covariance_given)), np.ones(len(likelihood.blocks))]
    )
    size = np.minimum(size, 10.0)
    point = np.concatenate([start, np.full(len(likelihood.blocks), 0.5)])

    def at(scaled: np.ndarray) -> tuple[float, np.ndarray]:
        moved = scaled * size
        value, slope = likelihood.with_gradient(moved[:p], unpack(terms, moved[p:]))
        return value, slope * size

    found = optimize.minimize(
        at, point / size, jac=True, method="BFGS", options={"gtol": 1e-5, "maxiter": 500}
    )
    end = found.x * size
    deviations = np.abs(end[p:])
    for k in np.flatnonzero((deviations > 0) & (deviations < SNAP)):
        trial = np.where(np.arange(len(deviations)) == k, 0.0, deviations)
        if likelihood.deviance(end[:p], unpack(terms, trial)) <= found.fun + 1e-6:
            deviations = trial
    return end[:p], unpack(terms, deviations), bool(np.max(np.abs(found.jac)) < GRADIENT)


@one_thread
def restricted_factors(
    likelihood: Laplace, beta: np.ndarray, factors: Sequence[np.ndarray]
) -> tuple[np.ndarray, ...] | None:
    """Factors of greatest restricted likelihood; None where odds are infinite and it has no optimum.

    Parameters
    ----------
    likelihood : Laplace
    beta, factors
        Of greatest likelihood: where the search begins.
    """
    terms = likelihood.terms
    start = np.maximum(np.abs(pack(terms, factors)), 0.1)  # off zero, which is a crest or a bottom
    where = np.concatenate([beta, np.zeros(likelihood.z.shape[1])])

    def at(vector: np.ndarray) -> float:
        nonlocal where
        value, found = likelihood.restricted(where, unpack(terms, vector))
        where = found if np.isfinite(value) else where
        return value

    with np.errstate(invalid="ignore", over="ignore"):  # infinite odds are met, and turned away from
        if not np.isfinite(at(start)):
            return None
        options = {"eps": 1e-4, "gtol": 1e-3, "maxiter": 100}
        found = optimize.minimize(at, start, method="BFGS", options=options)
        if not np.isfinite([found.fun, *found.jac]).all():  # near infinite odds slopes say nothing
            found = optimize.minimize(at, start, method="Nelder-Mead", options={"maxiter": 400})
    return unpack(terms, np.abs(found.x)) if np.isfinite(found.fun) else None


SNAP = 1e-2
"""Deviations (log odds) below this are tried at exactly zero: they change a probability by at most 0.3 %."""

GRADIENT = 0.01
"""Largest derivative of the deviance, per standard error, at an optimum."""
