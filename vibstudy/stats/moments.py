"""Cross-products of a linear mixed model, and its likelihood's derivatives from them.

Model
-----
::

    y = X b + Z u + e,   Var(u) = s2 * L L',   Var(e) = s2 * W^-1
    V = Var(y) = s2 * H,  H = W^-1 + Z D Z',   D = L L'

The n notes enter only through Z'WZ, Z'WX, X'WX (and the same with y), so that an evaluation costs the
same whatever n is. Random effects that no note ties together fall apart into blocks (a player with his
recordings and his own slopes); every evaluation then costs the cube of the largest block times their
number. A crossed factor ties all players together: one block. With T = L (I + L'Z'WZ L)^-1 L' the
Woodbury identity gives ::

    X'H^-1 X = X'WX - (Z'WX)' T (Z'WX),   Z'H^-1 Z = Z'WZ - Z'WZ T Z'WZ

V is linear in its parameters g: V = sum_r g_r G_r, with G_0 = W^-1 (residual) and one G_r for each
variance or covariance of a random term. First and second derivatives of the restricted deviance
follow from P = V^-1 - V^-1 X (X'V^-1 X)^-1 X'V^-1::

    d dev / d g_r       = tr(P G_r) - y'P G_r P y
    d2 dev / d g_r d g_s = -tr(P G_r P G_s) + 2 y'P G_r P G_s P y
    expected information = tr(P G_r P G_s) / 2

References
----------
Bates et al. 2015, J. Stat. Softw. 67(1) (relative covariance factor L);
Searle, Casella & McCulloch 1992, Variance Components, ch. 6 (derivatives of the likelihood).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from scipy import linalg, sparse

from vibstudy.stats.terms import RandomTerm, Seat

_ROUNDING = 1e-14
"""Share of the sum of squares below which a residual sum of squares is rounding."""


@dataclass(frozen=True, eq=False)
class Moments:
    """Weighted cross-products of a mixed model, by blocks of random effects that notes tie together.

    Build with :meth:`of`. `a` = Z'WZ [shape=(blocks, m, m)], `b` = Z'W[X y] [shape=(blocks, m, p + 1)],
    `c` = [X y]'W[X y] [shape=(blocks, p + 1, p + 1)] over the notes of each block; the outcome is the last
    column of `b` and `c`. Blocks are padded with zeros to the size of the largest. `homes` gives, for each
    term, the block of each level and its place among the levels there.
    """

    terms: tuple[RandomTerm, ...]
    a: np.ndarray
    b: np.ndarray
    c: np.ndarray
    n: int
    log_weights: float
    blocks: tuple[Seat, ...] = field(default=())
    homes: tuple[tuple[np.ndarray, np.ndarray], ...] = field(default=())
    note_block: np.ndarray = field(default_factory=lambda: np.zeros(0, int))

    @classmethod
    def of(
        cls, y: np.ndarray, x: np.ndarray, terms: Sequence[RandomTerm], weights: np.ndarray | None = None
    ) -> Moments:
        """Pass once over the notes.

        Parameters
        ----------
        y : ndarray [shape=(n,)]
        x : ndarray [shape=(n, p)], full column rank
        terms : sequence of RandomTerm
        weights : ndarray [shape=(n,), > 0] or None
            Residual variance of note i is s2 / weights[i].
        """
        w = np.ones(len(y)) if weights is None else np.asarray(weights, float)
        homes, count = homes_of(terms)
        block = homes[0][0][terms[0].codes] if terms else np.zeros(len(y), int)
        blocks, m, start = [], 0, 0
        for index, (term, (_, place)) in enumerate(zip(terms, homes, strict=True)):
            width, size = int(place.max()) + 1, len(term.levels)
            for column in range(len(term.columns)):
                blocks.append(Seat(index, column, slice(start, start + size), slice(m, m + width)))
                m, start = m + width, start + size
        none = np.zeros((count, 0, 0))
        empty = cls(tuple(terms), np.zeros((count, m, m)), none, none, 0, 0.0, tuple(blocks), homes, block)
        return empty.over(y, x, w)

    @cached_property
    def _seats(self) -> tuple[list[np.ndarray], list[np.ndarray], list[np.ndarray]]:
        """Seat and value of each random column of every note; the notes of each block."""
        terms = self.terms
        seats = [s.seat.start + self.homes[s.term][1][terms[s.term].codes] for s in self.blocks]
        values = [terms[s.term].design[:, s.column] for s in self.blocks]
        order = np.argsort(self.note_block, kind="stable")
        cuts = np.searchsorted(self.note_block[order], np.arange(1, len(self.a)))
        return seats, values, np.split(order, cuts)

    def over(self, y: np.ndarray, x: np.ndarray, w: np.ndarray) -> Moments:
        """The same model with another outcome and other weights; a note of weight 0 is not there.

        Parameters
        ----------
        y : ndarray [shape=(n,)]
        x : ndarray [shape=(n, p)], full column rank over the notes that are there
        w : ndarray [shape=(n,), >= 0]
        """
        xy, block, (seats, values, notes) = np.column_stack([x, y]), self.note_block, self._seats
        count, m = self.a.shape[:2]
        a, b = np.zeros((count, m, m)), np.zeros((count, m, xy.shape[1]))
        for i, (seat, value) in enumerate(zip(seats, values, strict=True)):
            weighted, row = w * value, block * m + seat
            for k in range(xy.shape[1]):
                b[:, :, k] += _summed(row, weighted * xy[:, k], count * m).reshape(count, m)
            for j in range(i + 1):
                part = _summed(row * m + seats[j], weighted * values[j], a.size).reshape(a.shape)
                a += part if i == j else part + part.transpose(0, 2, 1)
        c = np.zeros((count, xy.shape[1], xy.shape[1]))
        for k, own in enumerate(notes):
            c[k] = xy[own].T @ (w[own, None] * xy[own])
        there = w > 0
        log_weights = float(np.sum(np.log(w, where=there, out=np.zeros(len(w)))))
        return replace(self, a=a, b=b, c=c, n=int(there.sum()), log_weights=log_weights)

    @property
    def p(self) -> int:
        """Number of fixed effects."""
        return self.c.shape[1] - 1

    @cached_property
    def total(self) -> np.ndarray:
        """[X y]'W[X y] over all notes."""
        return self.c.sum(axis=0)

    def with_outcome(self, z: sparse.csr_matrix, x: np.ndarray, y: np.ndarray, w: np.ndarray) -> Moments:
        """The same model with another outcome."""
        b, c, wy = self.b.copy(), self.c.copy(), w * y
        b[:, :, -1] = self.seated(np.asarray(z.T @ wy))
        count, p = len(c), self.p
        for k in range(p):
            c[:, k, -1] = c[:, -1, k] = np.bincount(self.note_block, wy * x[:, k], count)
        c[:, -1, -1] = np.bincount(self.note_block, wy * y, count)
        return replace(self, b=b, c=c)

    def without(self, block: int, n: int, log_weights: float) -> Moments:
        """The same without the `n` notes of one block; its terms know their levels, no notes.

        Parameters
        ----------
        block : int
        n : int
            Number of its notes.
        log_weights : float
            Sum of the logarithms of their weights.
        """
        terms, homes, blocks = [], [], []
        for term, (own, place) in zip(self.terms, self.homes, strict=True):
            keep = own != block
            levels = tuple(level for level, kept in zip(term.levels, keep, strict=True) if kept)
            terms.append(replace(term, levels=levels, codes=term.codes[:0], design=term.design[:0]))
            homes.append((own[keep] - (own[keep] > block), place[keep]))
        start = 0
        for seat in self.blocks:
            size = len(terms[seat.term].levels)
            blocks.append(replace(seat, span=slice(start, start + size)))
            start += size
        a, b, c = (np.delete(part, block, axis=0) for part in (self.a, self.b, self.c))
        return replace(
            self, terms=tuple(terms), a=a, b=b, c=c, n=self.n - n, log_weights=self.log_weights - log_weights,
            blocks=tuple(blocks), homes=tuple(homes), note_block=self.note_block[:0],
        )  # fmt: skip

    def rotated(self, rotation: np.ndarray) -> Moments:
        """The same notes with [X y] times `rotation` in place of [X y]."""
        return replace(self, b=self.b @ rotation, c=rotation.T @ self.c @ rotation)

    def flat(self, seated: np.ndarray) -> np.ndarray:
        """Values by block and seat [shape=(blocks, m, ...)] in the order of :func:`random_design`."""
        parts = [seated[self.homes[s.term][0], s.seat.start + self.homes[s.term][1]] for s in self.blocks]
        return np.concatenate(parts) if parts else np.zeros((0, *seated.shape[2:]))

    def seated(self, flat: np.ndarray) -> np.ndarray:
        """Inverse of :meth:`flat`, for one value a random effect; empty seats hold 0."""
        out = np.zeros(self.a.shape[:2])
        for s in self.blocks:
            out[self.homes[s.term][0], s.seat.start + self.homes[s.term][1]] = flat[s.span]
        return out

    def lambda_(self, factors: Sequence[np.ndarray]) -> np.ndarray:
        """Relative covariance factor of the random effects of any block [shape=(m, m)]."""
        out = np.zeros(self.a.shape[1:])
        for first in self.blocks:
            for second in self.blocks:
                if first.term == second.term and first.column >= second.column:
                    rows = np.arange(first.seat.start, first.seat.stop)
                    cols = np.arange(second.seat.start, second.seat.stop)
                    out[rows, cols] = factors[first.term][first.column, second.column]
        return out

    def at(self, factors: Sequence[np.ndarray], sigma: float | None = None) -> Solution:
        """Solve for the fixed effects, given the relative covariance factors.

        Parameters
        ----------
        factors : sequence of ndarray [shape=(columns, columns)]
            Lower-triangular factor of each random term, relative to the residual deviation.
        sigma : float | None
            Residual standard deviation; None takes its REML estimate.
        """
        return Solution(self, tuple(np.asarray(f, float) for f in factors), sigma)


def _summed(index: np.ndarray, values: np.ndarray, size: int) -> np.ndarray:
    return np.bincount(index, values, size)


def homes_of(terms: Sequence[RandomTerm]) -> tuple[tuple[tuple[np.ndarray, np.ndarray], ...], int]:
    """For each term the block of each level and its place there; and the number of blocks."""
    if not terms:
        return (), 1
    sizes = [len(t.levels) for t in terms]
    starts = np.concatenate([[0], np.cumsum(sizes)])
    first = np.concatenate([terms[0].codes] * len(terms))
    other = np.concatenate([start + t.codes for start, t in zip(starts[:-1], terms, strict=True)])
    ties = sparse.coo_matrix((np.ones(len(first)), (first, other)), shape=(starts[-1], starts[-1]))
    count, label = sparse.csgraph.connected_components(ties, directed=False)
    homes = []
    for start, size in zip(starts[:-1], sizes, strict=True):
        own = label[start : start + size]
        place, seen = np.zeros(size, int), np.zeros(count, int)
        for level, block in enumerate(own):
            place[level] = seen[block]
            seen[block] += 1
        homes.append((own, place))
    return tuple(homes), count


class Solution:
    """The model solved at given variance parameters, with derivatives of its likelihood.

    Attributes
    ----------
    beta : ndarray [shape=(p,)]
        Generalised-least-squares fixed effects.
    sigma : float
        Residual standard deviation (of a note with weight 1).
    """

    def __init__(self, moments: Moments, factors: tuple[np.ndarray, ...], sigma: float | None):
        self.moments, self.factors = moments, factors
        m, p = moments, moments.p
        self._lambda = m.lambda_(factors)
        s = self._lambda.T @ m.a @ self._lambda
        s[:, np.arange(s.shape[1]), np.arange(s.shape[1])] += 1.0
        self._chol = np.linalg.cholesky(s)
        root = np.linalg.solve(self._chol, np.broadcast_to(self._lambda.T, s.shape))
        self._half = root  # T = root' root
        half = root @ m.b
        reduced = m.total - np.einsum("kij,kil->jl", half, half)  # [X y]' H^-1 [X y]
        self._information = reduced[:p, :p]
        self._root = linalg.cholesky(self._information, lower=True)
        self.beta = linalg.cho_solve((self._root, True), reduced[:p, p])
        left = float(reduced[p, p] - reduced[:p, p] @ self.beta)
        self._rss = max(left, _ROUNDING * float(m.total[p, p]))  # a perfect fit leaves rounding, not zero
        self.sigma = float(np.sqrt(self._rss / (m.n - p))) if sigma is None else float(sigma)

    @cached_property
    def covariance(self) -> np.ndarray:
        """Covariance of the fixed effects [shape=(p, p)], variance parameters taken as known."""
        return self.sigma**2 * linalg.cho_solve((self._root, True), np.eye(self.moments.p))

    @property
    def _log_det(self) -> float:
        return float(2 * np.sum(np.log(np.diagonal(self._chol, axis1=1, axis2=2))))

    @property
    def deviance(self) -> float:
        """Restricted deviance, -2 log REML, with the constant (n - p) log 2 pi."""
        m = self.moments
        return float(
            self._log_det
            + 2 * np.sum(np.log(np.diag(self._root)))
            - m.log_weights
            + self._rss / self.sigma**2
            + (m.n - m.p) * np.log(2 * np.pi * self.sigma**2)
        )

    @cached_property
    def t(self) -> np.ndarray:
        """The matrix T of the module's definition, by blocks [shape=(blocks, m, m)]."""
        return self._half.transpose(0, 2, 1) @ self._half

    @cached_property
    def flat_t(self) -> sparse.csr_matrix:
        """T in the order of :func:`random_design`, sparse [shape=(q, q)]."""
        m = self.moments
        seats = np.full(m.a.shape[:2], -1)
        for s in m.blocks:
            seats[m.homes[s.term][0], s.seat.start + m.homes[s.term][1]] = np.arange(
                s.span.start, s.span.stop
            )
        taken = seats >= 0
        pairs = taken[:, :, None] & taken[:, None, :]
        rows = np.broadcast_to(seats[:, :, None], pairs.shape)[pairs]
        cols = np.broadcast_to(seats[:, None, :], pairs.shape)[pairs]
        size = int(taken.sum())
        return sparse.csr_matrix((self.t[pairs], (rows, cols)), shape=(size, size))

    @cached_property
    def random_effects(self) -> np.ndarray:
        """Predicted random effects (BLUP) [shape=(q,)], in the order of :func:`random_design`."""
        b = self.moments.b
        return self.moments.flat(self.t @ (b[:, :, -1:] - b[:, :, :-1] @ self.beta[:, None]))[:, 0]

    # -- parameters in which V is linear ------------------------------------------------------

    @cached_property
    def parameters(self) -> list[tuple[int, int, int]]:
        """(term, row, column) of each variance or covariance; (-1, 0, 0) is the residual."""
        return [(-1, 0, 0)] + [(k, i, j) for k, t in enumerate(self.moments.terms) for i, j in t.free]

    @cached_property
    def _sides(self) -> list[list[tuple[slice, slice]]]:
        """Blocks (a, b) of the random effects that each parameter's G ties together."""
        span = {(b.term, b.column): b.seat for b in self.moments.blocks}
        sides: list[list[tuple[slice, slice]]] = [[]]
        for k, i, j in self.parameters[1:]:
            pairs = {(i, j), (j, i)}
            sides.append([(span[k, first], span[k, second]) for first, second in sorted(pairs)])
        return sides

    @cached_property
    def _traces(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """tr(V^-1 G_r), tr(V^-1 G_r V^-1 G_s), and the forms X'V^-1 G_r V^-1 X and Q_rs.

        X here is [X e], e the residual y - X beta, in its last column and row.
        """
        m, size = self.moments, len(self.parameters)
        a, t = m.a, self.t
        shift = np.eye(m.p + 1)
        shift[: m.p, m.p] = -self.beta
        b, c = m.b @ shift, shift.T @ m.total @ shift
        ta = t @ a
        k = a - a @ ta
        f = np.eye(a.shape[1]) - ta
        k2 = f.transpose(0, 2, 1) @ a @ f
        tb = t @ b
        n_ = b - a @ tb
        fn = f.transpose(0, 2, 1) @ n_
        m2 = c - 2 * _over(b, tb) + _over(tb, a @ tb)
        s2 = self.sigma**2
        single, double = np.zeros(size), np.zeros((size, size))
        forms = np.zeros((size, m.p + 1, m.p + 1))
        second = np.zeros((size, size, m.p + 1, m.p + 1))
        diagonal = np.einsum("kii->", ta)
        single[0] = m.n - diagonal
        double[0, 0] = m.n - 2 * diagonal + np.sum(ta * ta.transpose(0, 2, 1))
        forms[0], second[0, 0] = m2, m2 - _over(n_, t @ n_)
        if all(i == j for _, i, j in self.parameters):  # each ties one column to itself: sums over squares
            seats = np.zeros((size - 1, a.shape[1]))
            for r in range(1, size):
                seats[r - 1, self._sides[r][0][0]] = 1.0
            single[1:] = seats @ np.einsum("kii->i", k)
            double[1:, 0] = double[0, 1:] = seats @ np.einsum("kii->i", k2)
            double[1:, 1:] = seats @ np.einsum("kij,kij->ij", k, k) @ seats.T
            width = m.p + 1
            masked = seats[:, None, :, None] * n_
            moved = (k @ masked).reshape(size - 1, -1, width)
            masked = masked.reshape(moved.shape).transpose(0, 2, 1)
            forms[1:] = masked @ n_.reshape(-1, width)
            second[1:, 0] = masked @ fn.reshape(-1, width)
            second[0, 1:] = second[1:, 0].transpose(0, 2, 1)
            rows, columns = masked.reshape((size - 1) * width, -1), moved.transpose(1, 0, 2)
            both = rows @ columns.reshape(-1, (size - 1) * width)
            second[1:, 1:] = both.reshape(size - 1, width, size - 1, width).transpose(0, 2, 1, 3)
            return single / s2, double / s2**2, forms / s2**2, second / s2**3
        for r in range(1, size):
            for ra, rb in self._sides[r]:
                single[r] += np.einsum("kii->", k[:, rb, ra])
                double[r, 0] += np.einsum("kii->", k2[:, rb, ra])
                forms[r] += _over(n_[:, ra], n_[:, rb])
                second[r, 0] += _over(n_[:, ra], fn[:, rb])
                for s in range(1, size):
                    for sa, sb in self._sides[s]:
                        double[r, s] += np.sum(k[:, sb, ra] * k[:, rb, sa].transpose(0, 2, 1))
                        second[r, s] += _over(n_[:, ra], k[:, rb, sa] @ n_[:, sb])
            double[0, r] = double[r, 0]
            second[0, r] = second[r, 0].T
        return single / s2, double / s2**2, forms / s2**2, second / s2**3

    @property
    def forms(self) -> tuple[np.ndarray, np.ndarray]:
        """X'V^-1 G_r V^-1 X [shape=(r, p, p)] and X'V^-1 G_r V^-1 G_s V^-1 X [shape=(r, r, p, p)]."""
        p = self.moments.p
        return self._traces[2][:, :p, :p], self._traces[3][:, :, :p, :p]

    @property
    def known_means(self) -> np.ndarray:
        """tr(V^-1 G_r V^-1 G_s) [shape=(r, r)]: the same, were the fixed effects known."""
        return self._traces[1]

    @cached_property
    def expected(self) -> np.ndarray:
        """tr(P G_r P G_s) [shape=(r, r)]: twice the expected information."""
        first, second = self.forms
        phi = self.covariance
        q = np.einsum("ij,rsji->rs", phi, second)
        half = np.einsum("ij,rjk->rik", phi, first)
        return self._traces[1] - 2 * q + np.einsum("rij,sji->rs", half, half)

    @cached_property
    def gradient(self) -> np.ndarray:
        """Derivative of the restricted deviance by each parameter."""
        first, _ = self.forms
        single = self._traces[0] - np.einsum("ij,rji->r", self.covariance, first)
        return single - self._traces[2][:, -1, -1]

    @cached_property
    def hessian(self) -> np.ndarray:
        """Second derivatives of the restricted deviance by the parameters."""
        p = self.moments.p
        cross = self._traces[2][:, :p, -1]
        quadratic = self._traces[3][:, :, -1, -1] - cross @ self.covariance @ cross.T
        return -self.expected + quadratic + quadratic.T

    @cached_property
    def covariance_slopes(self) -> np.ndarray:
        """Derivative of the covariance of the fixed effects by each parameter [shape=(r, p, p)]."""
        phi = self.covariance
        return np.einsum("ij,rjk,kl->ril", phi, self.forms[0], phi)

    # -- the same by (factor entries, sigma), in which the boundary is an ordinary point ------

    @cached_property
    def _chain(self) -> tuple[np.ndarray, np.ndarray]:
        """Jacobian and second derivatives of the parameters by (factor entries..., sigma)."""
        entries = [(k, i, j) for k, t in enumerate(self.moments.terms) for i, j in t.free]
        size, sigma = len(entries) + 1, self.sigma
        jacobian = np.zeros((size, size))
        curvature = np.zeros((size, size, size))
        jacobian[0, -1], curvature[0, -1, -1] = 2 * sigma, 2.0
        for r, (k, i, j) in enumerate(self.parameters[1:], start=1):
            factor = self.factors[k]
            product = float(factor[i] @ factor[j])
            jacobian[r, -1], curvature[r, -1, -1] = 2 * sigma * product, 2 * product
            for first, (k1, a1, b1) in enumerate(entries):
                if k1 != k:
                    continue
                slope = (i == a1) * factor[j, b1] + (j == a1) * factor[i, b1]
                jacobian[r, first] = sigma**2 * slope
                curvature[r, first, -1] = curvature[r, -1, first] = 2 * sigma * slope
                for second, (k2, a2, b2) in enumerate(entries):
                    if k2 == k and b1 == b2:
                        both = (i == a1) * (j == a2) + (j == a1) * (i == a2)
                        curvature[r, first, second] = sigma**2 * both
        return jacobian, curvature

    @property
    def factor_gradient(self) -> np.ndarray:
        """Derivative of the restricted deviance by (factor entries..., sigma)."""
        return self.gradient @ self._chain[0]

    @property
    def factor_hessian(self) -> np.ndarray:
        """Second derivatives of the restricted deviance by (factor entries..., sigma)."""
        jacobian, curvature = self._chain
        return jacobian.T @ self.hessian @ jacobian + np.einsum("r,rij->ij", self.gradient, curvature)

    @property
    def factor_slopes(self) -> np.ndarray:
        """Derivative of the covariance of the fixed effects by (factor entries..., sigma)."""
        return np.einsum("rk,rij->kij", self._chain[0], self.covariance_slopes)


def _over(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Sum of first' second over the blocks."""
    size = first.shape[-1]
    return first.reshape(-1, size).T @ np.ascontiguousarray(second).reshape(-1, second.shape[-1])
