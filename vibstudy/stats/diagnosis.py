"""One verdict on a fitted model, in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from vibstudy.stats.player_rows import constant_within

if TYPE_CHECKING:
    from vibstudy.stats.fitted import FittedModel

NEAR_ZERO = 0.01
"""A random deviation below this share of the residual deviation counts as near zero."""

NOT_CONVERGED_ADVICE = (
    "Leave out a term (a random slope first), or put the numbers in the formula on similar scales with "
    "scale()."
)


@dataclass(frozen=True)
class Diagnosis:
    """What to think of a fitted model.

    Parameters
    ----------
    verdict : str
        "sound", "simplify" (a random term is zero or a correlation is perfect), "few players" or
        "not converged".
    converged : bool
        Whether the optimum was reached, judged by the exact derivatives.
    boundary : tuple of str
        Random terms estimated as zero, or perfectly correlated.
    sentences : tuple of str
        The verdict in words, most important first.
    influence : DataFrame | None
        See :func:`vibstudy.stats.influence.leave_out`.
    """

    verdict: str
    converged: bool
    boundary: tuple[str, ...]
    sentences: tuple[str, ...]
    influence: pd.DataFrame | None = field(default=None, compare=False)

    def __str__(self) -> str:
        return "\n".join(self.sentences)


def diagnose(
    result: FittedModel, influence: pd.DataFrame | None = None, further: Sequence[str] = ()
) -> Diagnosis:
    """Judge a fitted model.

    Parameters
    ----------
    result : FittedModel
    influence : DataFrame | None
        What :func:`vibstudy.stats.influence.leave_out` found, to be kept with the verdict.
    further : sequence of str
        Sentences to append.
    """
    boundary, advice = _boundary(result)
    spare = players_to_spare(result)
    few = [] if spare is None else [few_players_text(*spare)]
    if not result.converged:
        verdict = "not converged"
        opening = f"The fit did not converge: do not use its numbers. {NOT_CONVERGED_ADVICE}"
    elif boundary:
        verdict = "simplify"
        opening = "The fit converged, on a boundary: its fixed effects can be used."
    elif few:
        verdict, opening = "few players", "The fit converged."
    else:
        verdict, opening = "sound", "The fit converged, and no random term is near zero."
    sentences = (opening, *advice, *few, *result.remarks, *_dropped(result), *further)
    return Diagnosis(verdict, result.converged, tuple(boundary), sentences, influence)


def _boundary(result: FittedModel) -> tuple[list[str], list[str]]:
    """Random terms on a boundary, and what to do about each."""
    names, advice = [], []
    levels = (
        result.prepared.terms[0].columns[: result.prepared.players.groups] if result.prepared.terms else ()
    )
    for term, factor in zip(result.prepared.terms, result.relative_factors, strict=True):
        deviations = np.sqrt(np.sum(factor**2, axis=1))
        for column, deviation in zip(term.columns, deviations, strict=True):
            if deviation >= NEAR_ZERO:
                continue
            name = term.group if column == "Intercept" else f"{column} by {term.group}"
            if column in levels:
                name = f"{term.group} of {column}"
            names.append(name)
            advice.append(_zero_advice(result, term.group, column, name))
        if len(term.columns) > 1 and term.correlated and np.all(deviations >= NEAR_ZERO):
            correlation = factor @ factor.T / np.outer(deviations, deviations)
            # a correlation of 0.9999: one direction has no variance
            if np.linalg.eigvalsh(correlation)[0] < 1e-4:
                names.append(f"correlation by {term.group}")
                advice.append(
                    f"The random effects of {term.group} are perfectly correlated: fit again with "
                    "slope_correlation=False, or without the slope."
                )
    return names, advice


def _zero_advice(result: FittedModel, group: str, column: str, name: str) -> str:
    prepared = result.prepared
    part = prepared.players
    if part.spread and column.startswith(f"{part.spread} ") and group == prepared.player:
        return (
            f"Once the fixed terms are counted, players of {column} differ by no more than their notes lead "
            "one to expect: their variance is estimated as zero; the tests stay valid."
        )
    if part.own and column != "Intercept":
        return (
            f"By this estimate {column} makes the same difference with every player; the test allows for the "
            "players' differing unseen."
        )
    if part.own and group not in {prepared.player, f"{prepared.player}:{prepared.recording}"}:
        return f"The variance of {name} is estimated as zero; the test counts it as uncertain."
    if column != "Intercept":
        return f"The variance of {name} is estimated as zero: leave it out of slopes."
    if group == prepared.player:
        return (
            f"Once the fixed terms are counted, {name}s differ by no more than their notes lead one to "
            f"expect: the variance of {name} is estimated as zero. Keep {name} in the model, since the "
            "study samples players; the tests stay valid, and somewhat cautious."
        )
    if group in (f"{prepared.player}:{prepared.recording}", prepared.recording):
        return (
            f"The variance of {name} is estimated as zero: recordings of a player agree. recording=None "
            "would give the same fixed effects."
        )
    return f"The variance of {name} is estimated as zero: it may be left out of crossed."


def players_to_spare(result: FittedModel) -> tuple[int, int] | None:
    """Number of players and of terms that differ between them, when fewer than four remain to judge by."""
    term = next((t for t in result.prepared.terms if t.group == result.prepared.player), None)
    if term is None:
        return None
    between = constant_within(result.prepared.estimable, result.prepared.terms[0])[1]
    # with three chance can hardly be told
    return (len(term.levels), between) if len(term.levels) - between < 4 else None


def few_players_text(players: int, terms: int) -> str:
    """What :func:`players_to_spare` found, in words."""
    return (
        f"{players} players carry {terms} terms that differ between players: only "
        f"{max(players - terms, 0)} remain to judge chance by. Treat p-values and intervals with reserve."
    )


def _dropped(result: FittedModel) -> list[str]:
    total = result.dropped.iloc[0]
    if total["dropped"] == 0:
        return []
    missing = result.dropped[result.dropped["by"] == "missing"]
    columns = ", ".join(f"{row.level} ({row.dropped})" for row in missing.itertuples())
    return [
        f"{total['dropped']} of {total['notes']} notes were left out for missing values: {columns}. "
        "See result.dropped for the count by decade, region and player."
    ]
