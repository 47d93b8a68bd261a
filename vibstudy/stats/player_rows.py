"""What a design has of each player: its rows gathered by player, and contrasts that one player alone carries.

Inference by players (:mod:`vibstudy.stats.smallsample`) asks which columns are constant within every player,
or within the levels of a further random factor, and how many units are left over there. Leaving out a player
(:mod:`vibstudy.stats.influence`) asks the same of the rest without passing over the notes again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from vibstudy.stats.terms import RandomTerm, same_within


@dataclass(frozen=True, eq=False)
class PlayerRows:
    """What of the design the judgement by players needs, gathered by player.

    Parameters
    ----------
    levels : tuple of str
    first : ndarray [shape=(players, p)]
        The design at the first note of each player.
    moves : ndarray [shape=(players, p)]
        By how much it moves away from there.
    largest : ndarray [shape=(players, p)]
        Its largest size.
    design : ndarray [shape=(players, columns)]
        Columns of the player's own part at the first note.
    own : ndarray [shape=(players, p, p)]
        Each player's share in the information on the fixed effects, whitened: they sum to the identity.
    root : ndarray [shape=(p, p)]
        Upper triangle with root' root = X'X.
    coarse : tuple
        Of further random factors: which columns are constant within their levels, and by how many the levels
        outnumber these.
    """

    levels: tuple[str, ...]
    first: np.ndarray
    moves: np.ndarray
    largest: np.ndarray
    design: np.ndarray
    own: np.ndarray
    root: np.ndarray
    coarse: tuple[tuple[np.ndarray, int], ...] = ()

    @classmethod
    def of(cls, x: np.ndarray, player: RandomTerm, further: Sequence[RandomTerm] = ()) -> PlayerRows:
        """Pass once over the notes.

        Parameters
        ----------
        x : ndarray [shape=(n, p)], full column rank
        player : RandomTerm
        further : sequence of RandomTerm
            The other random factors.
        """
        whole, root = np.linalg.qr(x)
        order = np.argsort(player.codes, kind="stable")
        starts = np.searchsorted(player.codes[order], np.arange(len(player.levels)))
        first = x[order[starts]]
        p = x.shape[1]
        own = np.zeros((len(player.levels), p, p))
        for i in range(p):
            for j in range(i + 1):
                own[:, i, j] = np.bincount(player.codes, whole[:, i] * whole[:, j], len(own))
                own[:, j, i] = own[:, i, j]
        moves = np.abs(x - first[player.codes])[order]
        return cls(
            player.levels,
            first,
            np.maximum.reduceat(moves, starts, axis=0),
            np.maximum.reduceat(np.abs(x)[order], starts, axis=0),
            player.design[order[starts]],
            own,
            root,
            tuple(_spare(x, term) for term in further if term.columns == ("Intercept",)),
        )

    @property
    def between(self) -> np.ndarray:
        """Columns that are constant within every player [shape=(p,)]."""
        return np.all(self.moves <= 1e-8 + 1e-5 * np.abs(self.first), axis=0)

    @property
    def moved(self) -> np.ndarray:
        """Which columns move within which players [shape=(players, p)]."""
        return self.moves > 1e-9 * self.largest.max(axis=0)

    def without(self, code: int) -> PlayerRows:
        """The same without one player, who must not carry a direction alone."""
        lower = np.linalg.cholesky(np.eye(len(self.root)) - self.own[code])
        keep = np.arange(len(self.levels)) != code
        half = np.linalg.solve(lower, self.own[keep])
        return PlayerRows(
            tuple(level for k, level in enumerate(self.levels) if k != code),
            self.first[keep],
            self.moves[keep],
            self.largest[keep],
            self.design[keep],
            np.linalg.solve(lower, half.transpose(0, 2, 1)),
            lower.T @ self.root,
            self.coarse,
        )


class LonePlayers:
    """Contrasts that one player alone makes estimable.

    Parameters
    ----------
    rows : PlayerRows
    """

    def __init__(self, rows: PlayerRows):
        self._root, self._levels = rows.root, rows.levels
        self._lost: list[tuple[int, np.ndarray]] = []
        for code, values in enumerate(np.linalg.eigvalsh(rows.own)):
            if values[-1] > 1 - _ALL_OF_IT:  # all there is of a direction is this player's
                values, vectors = np.linalg.eigh(rows.own[code])
                self._lost.append((code, vectors[:, values > 1 - _ALL_OF_IT]))

    def reason(self, contrast: np.ndarray) -> str:
        """Why a contrast cannot be tested; "" when it can."""
        whitened = linalg.solve_triangular(self._root, contrast, trans="T")
        for code, vectors in self._lost:
            if np.max(np.abs(vectors.T @ whitened)) > 1e-6 * np.linalg.norm(whitened):
                return f"It rests on one player, {self._levels[code]}: it cannot be told from this player."
        return ""


_ALL_OF_IT = 1e-9
"""A share that differs from one by rounding."""


def constant_within(x: np.ndarray, term: RandomTerm) -> tuple[np.ndarray, int]:
    """Columns that are constant within every level of a term, and how many of them are independent."""
    first, constant = same_within(x, term.codes)
    return constant, int(np.linalg.matrix_rank(first[:, constant])) if constant.any() else 0


def _spare(x: np.ndarray, term: RandomTerm) -> tuple[np.ndarray, int]:
    constant, rank = constant_within(x, term)
    return constant, max(len(term.levels) - rank, 1)


def unbiased(x: np.ndarray, term: RandomTerm) -> float:
    """Factor by which maximum likelihood makes the variance of a term too small: n / (n - k).

    As with a sample's variance: the n levels have given away k degrees of freedom to the columns that differ
    between them alone (Patterson & Thompson 1971, Biometrika 58:545-554, for the linear case).
    """
    n, k = len(term.levels), constant_within(x, term)[1]
    return n / max(n - k, 1)
