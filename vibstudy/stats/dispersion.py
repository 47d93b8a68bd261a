"""Dispersion: are the players of one group more alike than those of another?

The spread (standard deviation) of players' figures in each group, what sampling adds to it taken out
(:mod:`vibstudy.stats.answers`), and the ratio of the two.

Model: player p of group g has the figure ``m_p ~ N(mu_g, tau_g² + v_p)``, with ``v_p`` the known sampling
variance. The ratio rho = tau_end / tau_start is judged by the likelihood ratio of the restricted likelihood
(Patterson & Thompson 1971, Biometrika 58:545-554). Its chi-square limit is far off with few players, so its
distribution is simulated at each ratio from the model fitted there (parametric bootstrap), and the interval
holds all ratios that are not rejected. Where sampling errors vanish the statistic is a function of the ratio
of variances alone, and the test is the two-sided likelihood-ratio form of the F test.

The ratio is looked for from 1/30 to 30; an estimate, or an end of the interval, there means "beyond".
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from vibstudy.stats.answers import Answer, counts, player_figures, sides, too_few
from vibstudy.stats.selection import is_countable

DRAWS = 999
"""Simulated corpora at each ratio: the error of a p near 0.05 is 0.007."""

_WIDEST = 30.0  # ratio at the ends of the grid
_STEP = np.log(_WIDEST) / 24
_RATIOS = np.arange(-24, 25)  # in steps of the logarithm
_TAUS = np.arange(-46, 23)  # of a spread from 1/700 to 23 times


def compare_spread(
    notes: pd.DataFrame, by: str, start: object, end: object, outcome: str = "extent_cents", seed: int = 0
) -> Answer:
    """Compare how much players differ in two groups.

    Parameters
    ----------
    notes : DataFrame
        Note table of the study.
    by : str
        A tag, e.g. "decade".
    start, end : object
        Two of its values.
    outcome : str
        A column of the note table; extents are taken as log2.
    seed : int
        For the simulated corpora.

    Returns
    -------
    Answer
        Spread between the players of `end` over that of `start`: below 1 is more alike.
    """
    used = notes[is_countable(notes, outcome)]
    side, rows, left = sides(used, by, start, end)
    used = used[rows]
    figures = player_figures(used, [outcome])
    groups = side.reindex(list(figures.players)).to_numpy()
    table = pd.DataFrame({
        "side": groups, "value": figures.values[:, 0], "se": np.sqrt(figures.errors[:, 0, 0]),
        "recordings": figures.recordings, "notes": figures.notes,
    }, index=pd.Index(figures.players, name="player"))  # fmt: skip
    base: dict[str, Any] = {
        "question": f"Do players differ more in {outcome} in {by} {end} than in {start}?",
        "unit": "times the spread",
        "table": table,
        "method": f"restricted likelihood ratio of spreads, {DRAWS} simulated corpora at each ratio",
        "cautions": (*left, *figures.cautions),
        **counts(used),
    }
    reason = too_few(table["side"])
    if reason:
        return Answer(**base, cannot_tell=reason)
    value, error = table["value"].to_numpy(), table["se"].to_numpy() ** 2
    values, errors = ([of[groups == k] for k in (0, 1)] for of in (value, error))
    ratio, low, high, p = spread_ratio(values, errors, np.random.default_rng(seed))
    if low <= 1 / _WIDEST and high >= _WIDEST:  # both ends of the grid: nothing is told
        reason = "the players' figures differ no more than sampling makes them"
        return Answer(**base, cannot_tell=reason)
    return Answer(**base, estimate=ratio, low=low, high=high, p=p)


def spread_ratio(
    values: list[np.ndarray], errors: list[np.ndarray], rng: np.random.Generator, draws: int = DRAWS
) -> tuple[float, float, float, float]:
    """Ratio of spreads (second over first), its 95 % interval, and p for equal spreads."""
    whole = np.sqrt(np.mean([np.var(v, ddof=1) for v in values]))
    if not whole > 0:
        return np.nan, 0.0, np.inf, np.nan
    taus = whole * np.exp(_STEP * _TAUS)
    own = [_restricted(v[None], e, taus)[0] for v, e in zip(values, errors, strict=True)]
    observed = _statistic(own[0][None], own[1][None])[0]
    drawn = [rng.standard_normal((draws, len(v))) for v in values]
    p = np.empty(len(_RATIOS))
    for place, step in enumerate(_RATIOS):
        first, second = _pairs(int(step))
        best = int(np.argmax(own[0][first] + own[1][second]))
        tau = taus[first][best], taus[second][best]
        lines = [
            _restricted(z * np.sqrt(t**2 + e), e, taus) for z, t, e in zip(drawn, tau, errors, strict=True)
        ]
        simulated = _statistic(lines[0], lines[1], only=place)[:, 0]
        p[place] = (1 + np.sum(simulated >= observed[place] - 1e-9)) / (draws + 1)
    kept = np.exp(_STEP * _RATIOS[p > 0.05])
    # as far as the grid goes
    ratio = float(np.clip(taus[np.argmax(own[1])] / taus[np.argmax(own[0])], 1 / _WIDEST, _WIDEST))
    if not len(kept):  # beyond the grid
        low, high = (_WIDEST, np.inf) if ratio > 1 else (0.0, 1 / _WIDEST)
    else:  # half a step outwards: the grid's rounding is never to the reader's harm
        low, high = float(kept.min() * np.exp(-_STEP / 2)), float(kept.max() * np.exp(_STEP / 2))
    return ratio, low, high, float(p[_RATIOS == 0][0])


def _restricted(values: np.ndarray, errors: np.ndarray, taus: np.ndarray) -> np.ndarray:
    """Restricted log likelihood of each corpus [shape=(n, players)] at each tau [shape=(n, taus)]."""
    weight = 1 / (taus[:, None] ** 2 + errors)
    total = weight.sum(axis=1)
    left = values**2 @ weight.T - (values @ weight.T) ** 2 / total
    return 0.5 * (np.log(weight).sum(axis=1) - np.log(total) - left)


def _pairs(step: int) -> tuple[slice, slice]:
    """Places of tau_start and tau_end = rho tau_start on the grid."""
    size = len(_TAUS) - abs(step)
    return slice(max(-step, 0), max(-step, 0) + size), slice(max(step, 0), max(step, 0) + size)


def _statistic(first: np.ndarray, second: np.ndarray, only: int | None = None) -> np.ndarray:
    """Likelihood-ratio statistic of each corpus at each ratio [shape=(n, ratios)]."""
    free = first.max(axis=1) + second.max(axis=1)
    columns = []
    for step in _RATIOS if only is None else _RATIOS[[only]]:
        a, b = _pairs(int(step))
        columns.append(2 * (free - (first[:, a] + second[:, b]).max(axis=1)))
    return np.stack(columns, axis=1)
