"""Random terms of a mixed model: their levels, columns and covariance factors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import sparse


@dataclass(frozen=True, eq=False)
class RandomTerm:
    """One random factor with the columns whose effect varies between its levels.

    Parameters
    ----------
    group : str
        Name as shown, e.g. "player" or "player:recording_id".
    codes : ndarray of int [shape=(n,), range 0..levels-1]
        Level of each note.
    levels : tuple of str
        Names of the levels.
    columns : tuple of str
        "Intercept" and the names of random slopes.
    design : ndarray [shape=(n, columns)]
        Values of these columns; a column of ones for the intercept.
    correlated : bool
        Whether the columns' effects may be correlated.
    units : tuple of float
        Size of each column's unit in its own scale: what is shown of its effect is divided by it.
    """

    group: str
    codes: np.ndarray
    levels: tuple[str, ...]
    columns: tuple[str, ...]
    design: np.ndarray
    correlated: bool = True
    units: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if not self.units:
            object.__setattr__(self, "units", (1.0,) * len(self.columns))

    @property
    def free(self) -> list[tuple[int, int]]:
        """Free entries (row, column) of the lower-triangular factor, column by column."""
        size = len(self.columns)
        return [(i, j) for j in range(size) for i in range(j, size) if self.correlated or i == j]


def random_intercepts(group: str, codes: np.ndarray, levels: Sequence[str]) -> RandomTerm:
    """Return the random term ``(1 | group)``."""
    return RandomTerm(group, codes, tuple(levels), ("Intercept",), np.ones((len(codes), 1)))


@dataclass(frozen=True, eq=False)
class Seat:
    """Where one column of one random term sits among the random effects.

    `span` counts in the order of :func:`random_design`, `seat` within each block of :class:`Moments`.
    """

    term: int
    column: int
    span: slice
    seat: slice = field(default_factory=lambda: slice(0, 0))


def random_design(terms: Sequence[RandomTerm], n: int) -> tuple[sparse.csr_matrix, tuple[Seat, ...]]:
    """Return Z, sparse [shape=(n, q)], and where each term's columns sit in it."""
    rows = np.arange(n)
    parts, blocks, start = [], [], 0
    for index, term in enumerate(terms):
        size = len(term.levels)
        for column in range(len(term.columns)):
            parts.append(sparse.csr_matrix((term.design[:, column], (rows, term.codes)), shape=(n, size)))
            blocks.append(Seat(index, column, slice(start, start + size)))
            start += size
    z = sparse.hstack(parts, format="csr") if parts else sparse.csr_matrix((n, 0))
    return z, tuple(blocks)


def same_within(x: np.ndarray, codes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """First row of each group, and which columns are the same throughout every group."""
    first = x[np.unique(codes, return_index=True)[1]]
    return first, np.all(np.isclose(x, first[codes]), axis=0)


def pack(terms: Sequence[RandomTerm], factors: Sequence[np.ndarray]) -> np.ndarray:
    """Free entries of the factors as one vector."""
    return np.array([f[i, j] for t, f in zip(terms, factors, strict=True) for i, j in t.free])


def unpack(terms: Sequence[RandomTerm], vector: np.ndarray) -> tuple[np.ndarray, ...]:
    """Lower-triangular factors from their free entries."""
    factors, start = [], 0
    for term in terms:
        factor = np.zeros((len(term.columns), len(term.columns)))
        for i, j in term.free:
            factor[i, j] = vector[start]
            start += 1
        factors.append(factor)
    return tuple(factors)
