"""Are rate and extent traded: do players with faster vibrato have a narrower one?

Both figures of each player are modelled at once. Player p has ``(rate, log2 extent) ~ N(mu_g, T + V_p)``:
T is how players differ, V_p what sampling adds to the player's two figures
(:mod:`vibstudy.stats.answers`), and the correlation asked for is that of T. A correlation of the
means as they stand mixes in the correlation of notes, and is drawn towards 0 by sampling.

The interval holds every correlation whose restricted profile likelihood is not below that of the best by
more than ``(f + 1) log(1 + t² / f) / 2``, with t the 97.5 % point of Student's t and f = players - groups - 1
its degrees of freedom: without sampling error this is exactly the t test of no correlation. Fisher's z of
the same size (half width 1.96 / sqrt(f - 1)) agrees with it for large numbers.

With `within`, players are compared with others of the same group only: two periods that differ in both
figures would otherwise make a correlation of their own.

References
----------
Restricted likelihood: Patterson & Thompson 1971, Biometrika 58:545-554. Fisher 1921, Metron 1:3-32 (z).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize, stats

from vibstudy.stats.answers import Answer, PlayerFigures, counts, player_figures, usual
from vibstudy.stats.selection import need, vibrato_notes

LEAST_FREE = 4
"""Degrees of freedom: with 3 a correlation of 0.87 is not told from none (0.81 with 4)."""

_GRID = np.tanh(np.linspace(-2.65, 2.65, 41))  # correlations to ±0.99, even in Fisher's z


def trade(notes: pd.DataFrame, within: str | None = None) -> Answer:
    """Return the players' correlation of rate and log extent.

    Parameters
    ----------
    notes : DataFrame
        Note table of the study.
    within : str | None
        A tag, e.g. "decade": compare players with others of the same value. A player belongs where most of
        his notes are.
    """
    used = vibrato_notes(notes)
    need(
        used, ["rate_hz", "extent_cents", *([within] if within else [])], "Whether rate and extent are traded"
    )
    figures = player_figures(used, ["rate_hz", "extent_cents"])
    groups = _groups(used, figures.players, within)
    table = pd.DataFrame({
        "rate_hz": figures.values[:, 0], "log2_extent": figures.values[:, 1], "group": groups,
        "rate_se_hz": np.sqrt(figures.errors[:, 0, 0]), "log2_extent_se": np.sqrt(figures.errors[:, 1, 1]),
    }, index=pd.Index(figures.players, name="player"))  # fmt: skip
    base: dict[str, Any] = {
        "question": "Do players with faster vibrato have a wider (+) or narrower (-) one?",
        "unit": "correlation between players",
        "table": table,
        "method": "bivariate restricted likelihood of players' means, sampling errors taken out",
        "cautions": figures.cautions,
        **counts(used),
    }
    free = len(groups) - len(set(groups)) - 1
    if free < LEAST_FREE:
        degrees = f"{max(free, 0)} degree{'' if free == 1 else 's'} of freedom"
        reason = f"{len(groups)} players in {len(set(groups))} groups leave {degrees}"
        return Answer(**base, cannot_tell=f"{reason}, where {LEAST_FREE} are the least")
    estimate, low, high, p = correlation(figures, groups)
    if high - low > 1.9:  # nearly all of -1 to 1
        return Answer(**base, cannot_tell="players differ too little, beside sampling, for a correlation")
    return Answer(**base, estimate=estimate, low=low, high=high, p=p)


def _groups(notes: pd.DataFrame, players: tuple[str, ...], within: str | None) -> np.ndarray:
    if within is None:
        return np.zeros(len(players), int)
    return usual(notes[within].astype("string"), notes["player"], players)


def correlation(figures: PlayerFigures, groups: np.ndarray) -> tuple[float, float, float, float]:
    """Correlation of players' two figures, 95 % interval, and p for none.

    Parameters
    ----------
    figures : PlayerFigures
        With two values a player.
    groups : ndarray of int [shape=(n,)]
    """
    scale = figures.values.std(axis=0, ddof=1)
    values, errors = figures.values / scale, figures.errors / np.outer(scale, scale)
    x = (groups[:, None] == np.unique(groups)).astype(float)

    def deviance(tau: np.ndarray, rho: float) -> float:
        t1, t2 = np.exp(tau)
        a, b = t1**2 + errors[:, 0, 0], t2**2 + errors[:, 1, 1]
        c = rho * t1 * t2 + errors[:, 0, 1]
        det = a * b - c**2
        total = float(np.log(det).sum())
        inverse = np.stack([np.stack([b, -c], -1), np.stack([-c, a], -1)], -2) / det[:, None, None]
        for g in range(x.shape[1]):
            own = x[:, g] > 0
            information = inverse[own].sum(axis=0)
            sums = np.einsum("pij,pj->i", inverse[own], values[own])
            total += float(np.einsum("pi,pij,pj->", values[own], inverse[own], values[own]))
            total += float(np.log(np.linalg.det(information)) - sums @ np.linalg.solve(information, sums))
        return total

    # of a search: the spreads are of the order of 1 when scaled
    profile, start = np.empty(len(_GRID)), np.log([0.8, 0.8])
    middle = len(_GRID) // 2
    for order in (range(middle, len(_GRID)), range(middle - 1, -1, -1)):
        at = start
        for k in order:
            found = optimize.minimize(
                deviance, at, (_GRID[k],), "L-BFGS-B", bounds=[(np.log(1e-3), np.log(10))] * 2
            )
            # off the bounds, for the next
            profile[k], at = found.fun, np.clip(found.x, np.log(0.05), np.log(5))
    drop = profile - profile.min()
    free = len(groups) - x.shape[1] - 1
    allowed = (free + 1) * np.log1p(stats.t.ppf(0.975, free) ** 2 / free)
    t = np.sqrt(free * np.expm1(drop[middle] / (free + 1)))
    low, high = _end(drop[::-1], _GRID[::-1], allowed), _end(drop, _GRID, allowed)
    return float(_GRID[np.argmin(drop)]), low, high, float(2 * stats.t.sf(t, free))


def _end(drop: np.ndarray, grid: np.ndarray, allowed: float) -> float:
    """Where the drop passes what is allowed, looked for along `grid`; its end when it does not."""
    inside = int(np.flatnonzero(drop <= allowed).max())
    if inside == len(grid) - 1:
        return float(grid[-1])
    return float(np.interp(allowed, drop[inside : inside + 2], grid[inside : inside + 2]))
