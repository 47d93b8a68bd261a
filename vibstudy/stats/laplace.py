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

import itertools
import warnings
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import linalg, optimize, sparse, special

from vibstudy.stats.moments import homes_of
from vibstudy.stats.terms import RandomTerm, pack, random_design, unpack
from vibstudy.threads import one_thread

_STEP = 1e-3
"""Step of the differences of the gradient, in standard errors (variances: of themselves)."""


def _cells(x: np.ndarray, terms: Sequence[RandomTerm]) -> tuple[np.ndarray, np.ndarray]:
    """Notes alike in all but their outcome: the first of each kind, and the kind of each note."""
    keys = [*x.T, *(t.codes for t in terms), *(c for t in terms for c in t.design.T)]
    kinds = pd.DataFrame(dict(enumerate(keys))).groupby(list(range(len(keys))), sort=False).ngroup()
    cell = kinds.to_numpy()
    return np.unique(cell, return_index=True)[1], cell


@dataclass(frozen=True, eq=False)
class _Mode:
    """The mode of the penalised likelihood.

    Parameters
    ----------
    beta : ndarray [shape=(p,)]
    u : ndarray [shape=(blocks * m,)]
        Effects in units of their deviations, by block and seat.
    value : float
        Penalised deviance.
    curvature : ndarray [shape=(blocks, m, m)]
        S, by blocks.
    log_det : float
        Of S.
    """

    beta: np.ndarray
    u: np.ndarray
    value: float
    curvature: np.ndarray
    log_det: float


class Laplace:
    """Laplace likelihood of one data set; notes alike in all but their outcome are counted together.

    Random effects that no note ties together fall apart into blocks (:mod:`vibstudy.stats.moments`): the cost
    is the cube of the largest block times their number, and a pass over the notes.

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
        self.x, self.blocks = x[first], random_design(terms, len(y))[1]
        homes, self._count = homes_of(self.terms)
        self._seats: list[np.ndarray] = []  # of every random column: the seat of each note, its value there
        self._places: list[np.ndarray] = []  # and its seat within the block
        self._own: list[np.ndarray] = []
        widths = [int(place.max()) + 1 for _, place in homes]
        starts = np.concatenate([[0], np.cumsum([widths[b.term] for b in self.blocks])]).astype(int)
        self._m = int(starts[-1])
        self._order = np.zeros(0, int)  # seats of the random effects as random_design orders them
        for b, start in zip(self.blocks, starts[:-1], strict=True):
            block, place = homes[b.term]
            codes = terms[b.term].codes[first]
            self._order = np.concatenate([self._order, block * self._m + start + place])
            self._seats.append(block[codes] * self._m + start + place[codes])
            self._places.append(start + place[codes])
            self._own.append(terms[b.term].design[first, b.column])
        self._spans = [slice(a, b) for a, b in itertools.pairwise(starts)]
        n, size = len(self.x), self._count * self._m
        z = [
            sparse.csr_matrix((o, (np.arange(n), r)), shape=(n, size))
            for o, r in zip(self._own, self._seats, strict=True)
        ]
        self._z = sum(z[1:], z[0]).T.tocsr() if z else sparse.csr_matrix((size, n))
        self._start = np.zeros(size)
        self._pairs = [  # of every two random columns: where their product stands in S, and its size
            (self._seats[i] * self._m + self._places[j], self._own[i] * self._own[j], i == j)
            for i in range(len(self.blocks))
            for j in range(i + 1)
        ]

    def fixed_only(self) -> Laplace:
        """The same notes without random effects."""
        flat = copy(self)
        flat.terms, flat.blocks, flat._m, flat._count = (), (), 0, 1
        flat._seats, flat._places, flat._own, flat._spans, flat._pairs = [], [], [], [], []
        flat._z, flat._start, flat._order = self._z[:0], np.zeros(0), np.zeros(0, int)
        return flat

    @property
    def effects(self) -> int:
        """Number of random effects, with the empty seats of small blocks."""
        return len(self._start)

    def scales(self, factors: Sequence[np.ndarray]) -> np.ndarray:
        """Diagonal of L, by block and seat [shape=(blocks * m,)]."""
        out = np.zeros(self._m)
        for b, span in zip(self.blocks, self._spans, strict=True):
            out[span] = factors[b.term][b.column, b.column]
        return np.tile(out, self._count)

    def in_order(self, u: np.ndarray) -> np.ndarray:
        """Random effects by block and seat, in the order of :func:`random_design`."""
        return u[self._order]

    def _eta(self, beta: np.ndarray, effects: np.ndarray) -> np.ndarray:
        eta = self.x @ beta
        for seat, own in zip(self._seats, self._own, strict=True):
            eta += own * effects[seat]
        return eta

    def _curvature(self, weight: np.ndarray, scales: np.ndarray) -> np.ndarray:
        """S, by blocks [shape=(blocks, m, m)]."""
        m, size = self._m, self._count * self._m**2
        out = np.zeros((self._count, m, m))
        for place, product, same in self._pairs:
            part = np.bincount(place, weight * product, size).reshape(out.shape)
            out += part if same else part + part.transpose(0, 2, 1)
        own = scales.reshape(self._count, m)
        out *= own[:, :, None] * own[:, None, :]
        out[:, np.arange(m), np.arange(m)] += 1.0
        return out

    def _penalised(self, beta: np.ndarray, scales: np.ndarray, u: np.ndarray) -> float:
        eta = self._eta(beta, scales * u)
        return float(2 * np.sum(self.number * np.logaddexp(0, eta) - self.true * eta) + u @ u)

    def _solved(self, curvature: np.ndarray, right: np.ndarray) -> np.ndarray:
        """S^-1 times vectors by block and seat [shape=(blocks * m, ...)]."""
        if len(curvature) == 1:  # a crossed factor ties all together: by symmetry half the work
            return np.asarray(linalg.solve(curvature[0], right, assume_a="pos"))
        shape = (len(curvature), curvature.shape[1], -1)
        return np.linalg.solve(curvature, right.reshape(shape)).reshape(right.shape)

    def _weights(self, eta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Chances, weights and what is left of the outcomes."""
        p = special.expit(eta)
        return p, self.number * p * (1 - p), self.true - self.number * p

    def mode(self, beta: np.ndarray, factors: Sequence[np.ndarray]) -> _Mode:
        """The mode of the random effects, the fixed ones given."""
        scales = self.scales(factors)
        u = self._start
        value = self._penalised(beta, scales, u)
        for _ in range(50):
            _, w, left = self._weights(self._eta(beta, scales * u))
            curvature = self._curvature(w, scales)
            slope = scales * (self._z @ left) - u
            step = self._solved(curvature, slope)
            if float(slope @ step) < 1e-18:
                break
            for scale in 0.5 ** np.arange(10):
                trial = self._penalised(beta, scales, u + scale * step)
                if trial <= value + 1e-10 * (1 + abs(value)):  # rounding must not stop the last steps
                    u, value = u + scale * step, trial
                    break
            else:
                break
        self._start = u  # a good start for the next call, and without effect on its result
        return _Mode(beta, u, value, curvature, _log_det(curvature))

    def deviance(self, beta: np.ndarray, factors: Sequence[np.ndarray]) -> float:
        """-2 log likelihood."""
        found = self.mode(beta, factors)
        return found.value + found.log_det

    def restricted_mode(self, point: np.ndarray, factors: Sequence[np.ndarray]) -> _Mode | None:
        """The mode of fixed and random effects together; None where the odds are infinite.

        Parameters
        ----------
        point : ndarray [shape=(p + blocks * m,)]
            Fixed effects, and effects in units of their deviations: where the search begins.
        factors : sequence of ndarray
        """
        scales, p = self.scales(factors), self.x.shape[1]
        beta, u = point[:p], point[p:]
        value = self._penalised(beta, scales, u)
        for _ in range(50):
            _, w, left = self._weights(self._eta(beta, scales * u))
            curvature = self._curvature(w, scales)
            if not np.isfinite(curvature).all():  # deviations beyond all measure
                return None
            mixed, rest = self._rest(curvature, scales, w)
            slope, below = self.x.T @ left, scales * (self._z @ left) - u
            try:
                log_det = _log_det(curvature) + _log_det(rest[None])
                with warnings.catch_warnings():
                    warnings.simplefilter("error", linalg.LinAlgWarning)
                    first = linalg.solve(rest, slope - mixed.T @ below, assume_a="pos")
            except (linalg.LinAlgError, linalg.LinAlgWarning):  # of an effect nothing is left to know
                return None
            second = self._solved(curvature, below) - mixed @ first
            if float(slope @ first + below @ second) < 1e-12:
                return _Mode(beta, u, value, curvature, log_det)
            for scale in 0.5 ** np.arange(10):
                trial = self._penalised(beta + scale * first, scales, u + scale * second)
                if trial <= value + 1e-10 * (1 + abs(value)):
                    beta, u, value = beta + scale * first, u + scale * second, trial
                    break
            else:
                break
        return None  # odds without end: the mode runs away

    def information(self, beta: np.ndarray, factors: Sequence[np.ndarray]) -> np.ndarray:
        """Information on the fixed effects, the variances taken as known [shape=(p, p)]."""
        found, scales = self.mode(beta, factors), self.scales(factors)
        w = self._weights(self._eta(beta, scales * found.u))[1]
        return self._rest(found.curvature, scales, w)[1]

    def _rest(
        self, curvature: np.ndarray, scales: np.ndarray, w: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """S^-1 L'Z'WX, and the information on the fixed effects that the random ones leave."""
        weighted = w[:, None] * self.x
        tied = scales[:, None] * (self._z @ weighted)
        mixed = self._solved(curvature, tied)
        return mixed, self.x.T @ weighted - tied.T @ mixed

    def restricted(
        self, point: np.ndarray, factors: Sequence[np.ndarray]
    ) -> tuple[float, np.ndarray, np.ndarray]:
        """-2 log restricted likelihood (infinite where the odds are), its slopes by the factors, its mode.

        Parameters as of :meth:`restricted_mode`.
        """
        found = self.restricted_mode(point, factors)
        if found is None:
            return np.inf, np.full(len(self.blocks), np.nan), point
        value = found.value + found.log_det
        return value, self._slopes(found, factors, free=True)[1], np.concatenate([found.beta, found.u])

    def with_gradient(self, beta: np.ndarray, factors: Sequence[np.ndarray]) -> tuple[float, np.ndarray]:
        """-2 log likelihood, and its derivatives by `beta` and by the diagonal entries of the factors."""
        found = self.mode(beta, factors)
        return found.value + found.log_det, np.concatenate(self._slopes(found, factors, free=False))

    def _slopes(
        self, found: _Mode, factors: Sequence[np.ndarray], free: bool
    ) -> tuple[np.ndarray, np.ndarray]:
        """Derivatives by the fixed effects (`free`: integrated out, none) and by the factors' entries.

        With D the design of all that is integrated out (Z L, or X and Z L), d log det S needs D S^-1 D' of
        every note with itself, and S^-1 D' of every note at its own seats.
        """
        scales, x = self.scales(factors), self.x
        p, w, left = self._weights(self._eta(found.beta, scales * found.u))
        inverse = np.linalg.inv(found.curvature).ravel()
        m = self._m
        across = []  # for each random column, S^-1 L'z of every note at its seat
        for seat in self._seats:
            total = np.zeros(len(w))
            for other, place, own in zip(self._seats, self._places, self._own, strict=True):
                total += own * scales[other] * inverse[seat * m + place]
            across.append(total)
        h = np.zeros(len(w))
        if free:
            mixed, rest = self._rest(found.curvature, scales, w)
            toward = x - self._eta_of(scales[:, None] * mixed)
            share = np.linalg.solve(rest, toward.T).T
            h = np.einsum("ij,ij->i", x, share)
            across = [
                total - np.einsum("ij,ij->i", mixed[seat], share)
                for total, seat in zip(across, self._seats, strict=True)
            ]
        for seat, own, total in zip(self._seats, self._own, across, strict=True):
            h += own * scales[seat] * total
        v = w * (1 - 2 * p) * h
        below = scales * (self._z @ v)
        if free:
            first = np.linalg.solve(rest, x.T @ v - mixed.T @ below)
            a = self._solved(found.curvature, below) - mixed @ first
            moved = w * self._eta(first, scales * a)
        else:
            a = self._solved(found.curvature, below)
            moved = w * self._eta(np.zeros(x.shape[1]), scales * a)
        pull = v - 2 * left - moved
        by_factor = []
        for span, seat, own, total in zip(self._spans, self._seats, self._own, across, strict=True):
            slope = float(own * found.u[seat] @ pull + 2 * np.sum(w * own * total))
            mine = np.zeros(m, bool)
            mine[span] = True
            seats = np.flatnonzero(np.tile(mine, self._count))
            slope += float(a[seats] @ np.bincount(seat, own * left, len(a))[seats])
            by_factor.append(slope)
        return (np.zeros(0) if free else x.T @ pull), np.array(by_factor)

    def _eta_of(self, effects: np.ndarray) -> np.ndarray:
        """Z times several effects [shape=(cells, columns)]."""
        return np.asarray(self._z.T @ effects)


def _log_det(curvature: np.ndarray) -> float:
    return 2 * float(np.sum(np.log(np.diagonal(np.linalg.cholesky(curvature), axis1=1, axis2=2))))


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
        # of a difference: log odds
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
        return _floored_inverse(self.likelihood.information(self.beta, self.factors))

    @cached_property
    @one_thread
    def random_effects(self) -> np.ndarray:
        """Mode of the random effects, on the logit scale, in the order of ``likelihood.blocks``."""
        lik = self.likelihood
        return lik.in_order(lik.scales(self.factors) * lik.mode(self.beta, self.factors).u)

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
    where = np.concatenate([beta, np.zeros(likelihood.effects)])

    def at(vector: np.ndarray) -> tuple[float, np.ndarray]:
        nonlocal where
        value, slopes, found = likelihood.restricted(where, unpack(terms, vector))
        where = found if np.isfinite(value) else where
        return value, slopes

    with np.errstate(invalid="ignore", over="ignore"):  # infinite odds are met, and turned away from
        if not np.isfinite(at(start)[0]):
            return None
        found = optimize.minimize(at, start, jac=True, method="BFGS", options={"gtol": 1e-3, "maxiter": 100})
        if not (np.isfinite(found.fun) and np.max(np.abs(found.jac)) < STUCK):  # near infinite odds
            found = optimize.minimize(
                lambda vector: at(vector)[0], start, method="Nelder-Mead", options={"maxiter": 400}
            )
    return unpack(terms, np.abs(found.x)) if np.isfinite(found.fun) else None


STUCK = 0.1
"""A search that ends on a slope of the restricted deviance above this has met infinite odds: less moves a
deviation by no more than a tenth of what it is uncertain by."""

SNAP = 1e-2
"""Deviations (log odds) below this are tried at exactly zero: they change a probability by at most 0.3 %."""

GRADIENT = 0.01
"""Largest derivative of the deviance, per standard error, at an optimum."""
