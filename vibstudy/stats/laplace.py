"""Likelihood of a binomial mixed model by Laplace's approximation.

Model: logit P(y = 1) = X b + Z L u, u standard normal. With the mode u* of the penalised likelihood ::

    deviance = -2 log lik(y | u*) + |u*|² + log det(L'Z'WZL + I),   W = p (1 - p) at u*

References
----------
Bates et al. 2015, J. Stat. Softw. 67(1); Breslow & Clayton 1993, J. Am. Stat. Assoc. 88(421):9-25.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
from scipy import linalg, sparse, special

from vibstudy.stats.moments import RandomTerm, pack, random_design, unpack
from vibstudy.stats.threads import one_thread

_STEP = 1e-3
"""Step of the numerical first derivatives, in standard errors."""

_CURVATURE_STEP = 1e-2
"""Step of the numerical second derivatives, in standard errors (variances: of themselves)."""


class Laplace:
    """Laplace likelihood of one data set.

    Parameters
    ----------
    y : ndarray of 0 and 1 [shape=(n,)]
    x : ndarray [shape=(n, p)]
    terms : sequence of RandomTerm
    """

    def __init__(self, y: np.ndarray, x: np.ndarray, terms: Sequence[RandomTerm]):
        self.y, self.x, self.terms = y, x, tuple(terms)
        self.z, self.blocks = random_design(terms, len(y))
        self._mode = np.zeros(self.z.shape[1])

    def factor(self, factors: Sequence[np.ndarray]) -> sparse.csr_matrix:
        """L, sparse [shape=(q, q)]."""
        size = self.z.shape[1]
        out = sparse.lil_matrix((size, size))
        for first in self.blocks:
            for second in self.blocks:
                if first.term == second.term and first.column >= second.column:
                    value = factors[first.term][first.column, second.column]
                    for k in range(first.span.stop - first.span.start):
                        out[first.span.start + k, second.span.start + k] = value
        return out.tocsr()

    def _spread(self, factors: Sequence[np.ndarray]) -> sparse.csr_matrix:
        """Z L, sparse [shape=(n, q)]."""
        return (self.z @ self.factor(factors)).tocsr()

    def mode(self, beta: np.ndarray, zl: sparse.csr_matrix) -> tuple[np.ndarray, np.ndarray, float]:
        """Mode of u [shape=(q,)], the Cholesky factor there, and the penalised deviance."""
        fixed = self.x @ beta
        u = self._mode
        value = self._penalised(fixed, zl, u)
        for _ in range(50):
            p = special.expit(fixed + zl @ u)
            curvature = (zl.T @ zl.multiply((p * (1 - p))[:, None])).toarray()
            curvature[np.diag_indices_from(curvature)] += 1.0
            chol = linalg.cholesky(curvature, lower=True)
            slope = zl.T @ (self.y - p) - u
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

    def _penalised(self, fixed: np.ndarray, zl: sparse.csr_matrix, u: np.ndarray) -> float:
        eta = fixed + zl @ u
        return float(2 * np.sum(np.logaddexp(0, eta) - self.y * eta) + u @ u)

    def deviance(self, beta: np.ndarray, factors: Sequence[np.ndarray]) -> float:
        """-2 log likelihood."""
        _, chol, value = self.mode(beta, self._spread(factors))
        return value + 2 * float(np.sum(np.log(np.diag(chol))))


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
        """Covariance of the fixed effects, variances counted as estimated (numerical Hessian)."""
        terms, p = self.likelihood.terms, len(self.beta)
        given = np.sqrt(np.diag(self.covariance_given))
        vector = pack(terms, self.factors)
        free = np.flatnonzero(vector != 0)  # a zero variance stays where it is
        start = np.concatenate([self.beta, vector[free]])
        steps = np.concatenate([given, np.maximum(np.abs(vector[free]), 0.1)]) * _CURVATURE_STEP

        def at(point: np.ndarray) -> float:
            moved = vector.copy()
            moved[free] = point[p:]
            return self.likelihood.deviance(point[:p], unpack(terms, moved))

        hessian = _second_derivatives(at, start, steps)
        values = linalg.eigvalsh(hessian * np.outer(steps, steps))
        if values[0] <= 1e-10 * values[-1]:
            return self.covariance_given
        return 2 * linalg.inv(hessian)[:p, :p]

    @cached_property
    @one_thread
    def covariance_given(self) -> np.ndarray:
        """Covariance of the fixed effects, the variances taken as known."""
        lik = self.likelihood
        zl = lik._spread(self.factors)
        u, chol, _ = lik.mode(self.beta, zl)
        probability = special.expit(lik.x @ self.beta + zl @ u)
        weighted = lik.x * (probability * (1 - probability))[:, None]
        half = linalg.solve_triangular(chol, np.asarray(zl.T @ weighted), lower=True)
        return _floored_inverse(lik.x.T @ weighted - half.T @ half)

    @cached_property
    @one_thread
    def random_effects(self) -> np.ndarray:
        """Mode of the random effects, on the logit scale, in the order of ``likelihood.blocks``."""
        lik = self.likelihood
        u, *_ = lik.mode(self.beta, lik._spread(self.factors))
        return np.asarray(lik.factor(self.factors) @ u)

    @property
    @one_thread
    def gradient(self) -> float:
        """Largest derivative of the deviance by a fixed effect, in units of its standard error."""
        given = np.sqrt(np.diag(self.covariance_given))
        slopes = []
        for k, step in enumerate(given * _STEP):
            move = np.zeros(len(self.beta))
            move[k] = step
            up, down = (self.likelihood.deviance(self.beta + s * move, self.factors) for s in (1, -1))
            slopes.append(abs(up - down) / (2 * _STEP))
        return float(max(slopes))


def _floored_inverse(information: np.ndarray) -> np.ndarray:
    """Inverse; a direction without information (infinite odds) gets a huge variance, not an error."""
    size = np.sqrt(np.maximum(np.diag(information), 1e-20 * np.max(np.diag(information))))
    values, vectors = linalg.eigh(information / np.outer(size, size))
    values = np.maximum(values, 1e-12)
    return (vectors / values) @ vectors.T / np.outer(size, size)


def _second_derivatives(function, start: np.ndarray, steps: np.ndarray) -> np.ndarray:
    """Hessian by central differences."""
    size = len(start)
    centre = function(start)
    moves = np.diag(steps)
    ups = np.array([function(start + move) for move in moves])
    downs = np.array([function(start - move) for move in moves])
    hessian = np.diag((ups - 2 * centre + downs) / steps**2)
    for i in range(size):
        for j in range(i):
            both = function(start + moves[i] + moves[j]) + function(start - moves[i] - moves[j])
            cross = (both - ups[i] - ups[j] - downs[i] - downs[j] + 2 * centre) / (2 * steps[i] * steps[j])
            hessian[i, j] = hessian[j, i] = cross
    return hessian
