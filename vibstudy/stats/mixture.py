"""Are there two kinds of use, continuous and narrow, occasional and wide, or one that varies?

Each player is a point: continuity (:mod:`vibstudy.stats.usage`; arcsine of its root, so that shares near 0
and 1 are as even as others) and mean log2 extent. One normal distribution is compared with a mixture of two
of the same covariance (unequal ones have no largest likelihood: Day 1969, Biometrika 56:463-474; from
memory). The likelihood ratio has no known distribution here; it is simulated from the single normal fitted
(McLachlan 1987, Appl. Stat. 36:318-324), every corpus fitted from the same starts by as many EM steps as the
observed one.

The estimate is the distance of the two kinds in standard deviations within a kind (Mahalanobis), which is
drawn outwards by choosing the best split: read it only where p is small. Two normal distributions also
fit one long-tailed distribution better than one normal: "two kinds" is a summary, and the table says for
each player how surely he belongs to the second.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from vibstudy.stats.answers import Answer, counts, player_figures
from vibstudy.stats.selection import need, vibrato_notes
from vibstudy.stats.usage import usage_index

LEAST_PLAYERS = 12
"""Even kinds five standard deviations apart are found in 16 and 25 of 100 corpora of 8 and 10 players, in 40
of 12, 63 of 16 and 88 of 24 (simulated, 300 corpora each)."""

APART = 4.0
"""Standard deviations between the kinds for which it is told how often they would be found."""

LEAST_POWER = 0.8
"""Power usually asked for: common practice, no source."""

DRAWS = 399
"""Simulated corpora: p is known to 0.011 at 0.05."""

_STEPS = 60
_ANGLES = np.arange(6) * np.pi / 6  # starts: six cuts through the cloud
_LEAST_WEIGHT = 1e-9


def kinds_of_use(notes: pd.DataFrame, seed: int = 0) -> Answer:
    """Ask whether players fall into two kinds.

    Parameters
    ----------
    notes : DataFrame
        Note table of the study. A player without any vibrato has no extent, and is left out and counted.
    seed : int
        For the simulated corpora.

    Returns
    -------
    Answer
        Distance of the kinds in standard deviations; ``table``: ``continuity, log2_extent, second``
        (probability to belong to the wider kind).
    """
    used = vibrato_notes(notes)
    need(used, ["extent_cents", "player", "recording_id"], "Whether there are two kinds of use")
    figures = player_figures(used, ["extent_cents"])
    table = pd.DataFrame(
        {"log2_extent": figures.values[:, 0]}, index=pd.Index(figures.players, name="player")
    )
    usage = usage_index(notes).assign(player=lambda t: t["player"].astype(str)).set_index("player")
    table.insert(0, "continuity", usage["continuity"].reindex(table.index))
    table = table.dropna()
    without = len(usage.index.difference(table.index))
    base: dict[str, Any] = {
        "question": "Are there two kinds of use of vibrato?",
        "unit": "standard deviations apart, if there are two",
        "method": f"one normal distribution against two, {DRAWS} simulated corpora",
        "cautions": (f"Players without vibrato that could be measured: {without}, left out.",)
        if without
        else (),
        **counts(used[used["player"].astype(str).isin(table.index)]),
    }
    if len(table) < LEAST_PLAYERS:
        reason = f"{len(table)} players with vibrato, where {LEAST_PLAYERS} are the least"
        return Answer(**base, table=table, cannot_tell=reason)
    points = np.column_stack([np.arcsin(np.sqrt(table["continuity"])), table["log2_extent"]])
    statistic, distance, second = two_kinds(points[None])
    if np.linalg.matrix_rank(points - points.mean(axis=0), tol=1e-6) < 2:
        return Answer(
            **base, table=table, cannot_tell="continuity and extent do not vary apart between players"
        )
    rng = np.random.default_rng(seed)
    # points are whitened before they are fitted, so that every normal distribution serves for the null
    null, _, _ = two_kinds(rng.standard_normal((DRAWS, *points.shape)))
    p = float((1 + np.sum(null >= statistic[0] - 1e-9)) / (DRAWS + 1))
    table["second"] = second[0]
    larger = int(np.sum(second[0] > 0.5))
    of = f"{min(larger, len(table) - larger)} of {len(table)} players"
    base["cautions"] = (*base["cautions"], f"The smaller kind would be {of}.")
    if p < 0.05:
        return Answer(**base, table=table, estimate=float(distance[0]), p=p)
    apart = rng.standard_normal((DRAWS, *points.shape))
    apart[..., 0] += APART * (rng.random(apart.shape[:2]) < 0.5)
    power = float(np.mean(two_kinds(apart)[0] > np.quantile(null, 0.95)))
    if power < LEAST_POWER:
        reason = (
            f"one kind would do (p = {p:.2g}), but two kinds {APART:g} standard deviations apart would be "
            f"found in only {100 * power:.0f} of 100 corpora of so many players"
        )
        return Answer(**base, table=table, cannot_tell=reason)
    return Answer(**base, table=table, estimate=float(distance[0]), p=p)


def two_kinds(points: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Fit one and two normal distributions to many corpora at once.

    Parameters
    ----------
    points : ndarray [shape=(corpora, players, 2)]

    Returns
    -------
    statistic : ndarray [shape=(corpora,)]
        Twice the difference of the log likelihoods.
    distance : ndarray [shape=(corpora,)]
        Mahalanobis distance of the two means.
    second : ndarray [shape=(corpora, players)]
        Probability to belong to the one with the larger second coordinate.
    """
    corpora, n, _ = points.shape
    centred = points - points.mean(axis=1, keepdims=True)
    root = np.linalg.cholesky(np.einsum("cni,cnj->cij", centred, centred) / n)
    white = np.swapaxes(np.linalg.solve(root, np.swapaxes(centred, 1, 2)), 1, 2)
    axes = np.stack([np.cos(_ANGLES), np.sin(_ANGLES)])
    along = np.moveaxis(white @ axes, 2, 1)  # corpora, starts, players
    first = 0.9 * (along > np.median(along, axis=2, keepdims=True)) + 0.05  # starts: nearly sure halves
    member = first.reshape(-1, n)
    x = np.repeat(white, len(_ANGLES), axis=0)
    logl = distance = np.empty(0)
    for _ in range(_STEPS):
        share = np.clip(member.mean(axis=1), _LEAST_WEIGHT, 1 - _LEAST_WEIGHT)
        mean1 = np.einsum("cn,cni->ci", member, x) / (n * share)[:, None]
        mean0 = -mean1 * (share / (1 - share))[:, None]  # the whole is centred
        gap = mean1 - mean0
        # covariance within = identity - share (1 - share) gap gap'
        c = share * (1 - share)
        inside = np.maximum(1 - c * np.sum(gap**2, axis=1), 1e-12)
        pull = gap + gap * (c * np.sum(gap**2, axis=1) / inside)[:, None]  # inverse covariance times gap
        distance = np.sqrt(np.sum(gap * pull, axis=1))
        middle = (mean1 + mean0) / 2
        score = np.einsum("cni,ci->cn", x - middle[:, None], pull) + np.log(share / (1 - share))[:, None]
        quadratic = np.sum((x - mean0[:, None]) ** 2, axis=2)
        quadratic += (np.einsum("cni,ci->cn", x - mean0[:, None], gap) ** 2) * (c / inside)[:, None]
        base = np.log(1 - share)[:, None] - 0.5 * quadratic - 0.5 * np.log(inside)[:, None]
        logl = np.sum(base + np.logaddexp(0, score), axis=1)
        member = 1 / (1 + np.exp(-np.clip(score, -700, 700)))
    single = -0.5 * np.sum(white**2, axis=(1, 2))
    each = logl.reshape(corpora, -1)
    best = np.argmax(each, axis=1)
    pick = np.arange(corpora) * len(_ANGLES) + best
    second = member[pick]
    up = np.einsum("cn,cn->c", second - second.mean(axis=1, keepdims=True), points[:, :, 1]) >= 0
    second = np.where(up[:, None], second, 1 - second)
    return 2 * (each.max(axis=1) - single), distance[pick], second
