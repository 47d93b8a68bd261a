"""Does a single star carry the effect? Leave out one player, or one recording, at a time.

Leaving out a player refits the whole model. Leaving out a recording keeps the variance parameters and
solves again for the fixed effects (exact for these): with I the notes left out, ::

    b(-I) = b - Phi X'V^-1 E (E'P E)^-1 E'P y,    E selects the notes I

so that thousands of recordings cost one fit.

References
----------
Belsley, Kuh & Welsch 1980, Regression Diagnostics (change in units of the standard error);
Christensen, Pearson & Johnson 1992, Technometrics 34(1):38-45 (mixed models).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import linalg

from vibstudy.errors import VibstudyError
from vibstudy.stats.engine import MAX_GAIN, fit_lmm, polish
from vibstudy.stats.fitted import FittedModel, Scale
from vibstudy.stats.frames import Prepared, estimable_columns
from vibstudy.stats.moments import Solution
from vibstudy.stats.player_rows import PlayerRows
from vibstudy.stats.resampling import contrast_row
from vibstudy.stats.smallsample import Inference, inference_of_rows
from vibstudy.stats.terms import RandomTerm, random_design
from vibstudy.threads import one_thread

if TYPE_CHECKING:
    from vibstudy.stats.mixed import MixedResult

LARGE_CHANGE = 1.0
"""A change of more than this many standard errors counts as large."""


@one_thread
def leave_out(
    result: MixedResult,
    unit: str = "player",
    level: float = 0.95,
    label: str | None = None,
    row: np.ndarray | None = None,
) -> pd.DataFrame:
    """Fixed effects with each player, or each recording, left out in turn.

    Parameters
    ----------
    result : MixedResult
    unit : {"player", "recording"}
    level : float
        Confidence level by which ``changes_verdict`` is judged (players only).
    label : str | None
        Follow this one term or contrast; None follows every term.
    row : ndarray [shape=(p,)] or None
        Follow this combination of the estimated terms instead.

    Returns
    -------
    DataFrame
        ``left_out, notes, term, all, estimate, change, change_in_se, se, df, p, changes_verdict``. An
        estimate is missing where the rest cannot give it; ``se, df, p`` are missing for recordings.
        ``change_in_se`` counts in standard errors of the fit without the player, since a single
        outlying player also inflates the error of the fit with him (recordings: of the full fit).
    """
    labels, rows = list(result.names), np.eye(len(result.names))
    if row is not None:
        labels, rows = [label or "contrast"], row[None, :]
    elif label is not None:
        labels, rows = [label], contrast_row(result, label)[None, :]
    if unit == "player":
        return _without_players(result, level, labels, rows)
    if unit == "recording":
        return _without_recordings(result, level, labels, rows)
    raise VibstudyError("no such unit", column="unit", got=str(unit), repair="Use player or recording.")


def _term(result: MixedResult, unit: str) -> RandomTerm:
    prepared = result.prepared
    names = {
        "player": [prepared.player],
        "recording": [f"{prepared.player}:{prepared.recording}", prepared.recording, prepared.player],
    }[unit]
    for name in names:
        for term in prepared.terms:
            if term.group == name:
                return term
    raise VibstudyError(f"The model has no {unit} to leave out.")


def _frame(full: pd.DataFrame, label: str, notes: int, without: pd.DataFrame, level: float) -> pd.DataFrame:
    """Rows of one unit left out; `without` is the same table as `full`, fitted without it."""
    change = without["estimate"] - full["estimate"]
    before, after = (table["p"] < 1 - level for table in (full, without))
    turned = np.sign(without["estimate"]) != np.sign(full["estimate"])
    flips = without["p"].notna() & ((before != after) | (before & after & turned))
    return pd.DataFrame(
        {
            "left_out": label,
            "notes": notes,
            "term": full.index,
            "all": full["estimate"].to_numpy(),
            "estimate": without["estimate"].to_numpy(),
            "change": change.to_numpy(),
            "change_in_se": (change / without["se"].fillna(full["se"])).to_numpy(),
            "se": without["se"].to_numpy(),
            "df": without["df"].to_numpy(),
            "p": without["p"].to_numpy(),
            "changes_verdict": flips.to_numpy(),
        }
    )


def _without_players(
    result: MixedResult, level: float, labels: Sequence[str], rows: np.ndarray
) -> pd.DataFrame:
    from vibstudy.stats.mixed import MixedResult

    term = _term(result, "player")
    full = result.infer(list(rows), labels, level)
    factors = {t.group: f for t, f in zip(result.prepared.terms, result.fit.factors, strict=True)}
    apart = _Apart(result)
    parts = []
    for code, label in enumerate(term.levels):
        rest = apart.without(code)
        if rest is not None:
            parts.append(_frame(full, label, apart.notes[code], rest.infer(list(rows), labels, level), level))
            continue
        keep = term.codes != code
        prepared = subset(result.prepared, keep)
        table = full * np.nan
        enough = len(prepared.y) > len(prepared.kept) + 1
        if enough and prepared.kept == result.prepared.kept:  # else what is left estimates something else
            near = [factors[t.group] for t in prepared.terms]
            fit = fit_lmm(prepared.y, prepared.estimable, prepared.terms, prepared.weights, near)
            table = MixedResult(prepared, fit, result.df).infer(list(rows), labels, level)
        parts.append(_frame(full, label, int((~keep).sum()), table, level))
    return pd.concat(parts, ignore_index=True)


class _Apart:
    """A fit whose players no note ties together: leaving one out takes away his cross-products.

    So a player costs the same whatever the number of notes.
    """

    def __init__(self, result: MixedResult):
        self.result = result
        moments, player = result.fit.solution.moments, result.prepared.terms[0]
        w = result.prepared.weights
        self._moments = moments
        self._possible = (
            player.group == result.prepared.player
            and len(moments.a) == len(player.levels) > 2
            and result.prepared.shared is None
        )
        self.notes = np.bincount(player.codes, minlength=len(player.levels))
        self._log_weights = np.bincount(
            player.codes, np.zeros(len(player.codes)) if w is None else np.log(w), len(player.levels)
        )
        if self._possible:
            self._rows = PlayerRows.of(result.prepared.estimable, player)
            self._carries = np.linalg.eigvalsh(self._rows.own)[:, -1] > 1 - _NEARLY_ALL
            people = pd.factorize(result.prepared.frame[result.prepared.player])[0]
            self._whole = np.bincount(people)[people] == self.notes[player.codes]
            self._first = np.unique(player.codes, return_index=True)[1]

    def without(self, code: int) -> _Rest | None:
        """The fit without the player of a code; None where it takes the notes to find it."""
        n = len(self.result.prepared.y) - int(self.notes[code]) if self._possible else 0
        if not self._possible or self._carries[code] or n <= len(self.result.prepared.kept) + 1:
            return None
        block = int(self._moments.homes[0][0][code])
        moments = self._moments.without(block, int(self.notes[code]), float(self._log_weights[code]))
        if any(not 1 < len(term.levels) < n for term in moments.terms):
            return None
        solution, gain = polish(moments, self.result.fit.factors)
        if gain >= MAX_GAIN:
            return None
        part = self.result.prepared.players
        alone = bool(self._whole[self._first[code]])  # else he is counted as another player, too
        part = replace(part, players=self._people - alone)
        return _Rest(solution, inference_of_rows(solution, self._rows.without(code), part, self.result.df))

    @cached_property
    def _people(self) -> int:
        return int(self.result.prepared.frame[self.result.prepared.player].nunique())


_NEARLY_ALL = 1e-6
"""Share of a direction that all other players must keep, or the notes are asked for it."""


class _Rest(FittedModel):
    """A fit without one player, of which only the inference is asked."""

    def __init__(self, solution: Solution, inference: Inference):
        self._solution, self._judge = solution, inference

    @property
    def beta(self) -> np.ndarray:
        """Fixed effects [shape=(p,)]."""
        return self._solution.beta

    @property
    def inference(self) -> Inference:
        """Covariance and degrees of freedom of the fixed effects."""
        return self._judge


def subset(prepared: Prepared, keep: np.ndarray) -> Prepared:
    """The same model over some of its notes; random factors left with one level are dropped."""
    terms = []
    for term in prepared.terms:
        used, codes = np.unique(term.codes[keep], return_inverse=True)
        if 1 < len(used) < int(keep.sum()):
            levels = tuple(term.levels[k] for k in used)
            terms.append(replace(term, codes=codes, levels=levels, design=term.design[keep]))
    x = prepared.x[keep]
    return replace(
        prepared,
        frame=prepared.frame[keep],
        y=prepared.y[keep],
        x=x,
        kept=tuple(k for k in estimable_columns(x) if k in prepared.kept),
        terms=tuple(terms),
        players=replace(prepared.players, players=_count(prepared, keep)),
        weights=None if prepared.weights is None else prepared.weights[keep],
        shared=None if prepared.shared is None else prepared.shared[np.flatnonzero(keep)],
    )


def _count(prepared: Prepared, keep: np.ndarray) -> int:
    return prepared.frame.loc[keep, prepared.player].nunique() if prepared.player else 0


def _without_recordings(
    result: MixedResult, level: float, labels: Sequence[str], rows: np.ndarray
) -> pd.DataFrame:
    full = result.infer(list(rows), labels, level)
    term = _term(result, "recording")
    prepared, solution = result.prepared, result.fit.solution
    x, z = prepared.estimable, random_design(prepared.terms, len(prepared.y))[0]
    w = np.ones(len(prepared.y)) if prepared.weights is None else prepared.weights
    residual = prepared.y - x @ solution.beta
    t, xy = solution.flat_t, solution.moments.flat(solution.moments.b)
    tzx = t @ xy[:, :-1]
    tze = solution.random_effects
    vx = w[:, None] * (x - z @ tzx)  # s2 V^-1 X
    ve = w * (residual - z @ tze)
    phi = solution.covariance / solution.sigma**2
    parts = []
    missing = np.full(len(labels), np.nan)
    for code, label in enumerate(term.levels):
        out = np.flatnonzero(term.codes == code)
        own = z[out]
        columns = np.unique(own.indices)
        dense = own[:, columns].toarray() * w[out, None]
        block = np.diag(w[out]) - dense @ t[columns][:, columns].toarray() @ dense.T
        block -= vx[out] @ phi @ vx[out].T
        estimates = missing
        if np.linalg.cond(block) < 1e12:  # else a term rests on this recording alone
            change = phi @ vx[out].T @ linalg.solve(block, ve[out], assume_a="sym")
            estimates = rows @ (solution.beta - change)
        table = (full * np.nan).assign(estimate=estimates)
        parts.append(_frame(full, label, len(out), table, level))
    return pd.concat(parts, ignore_index=True)


def influence_sentences(
    frame: pd.DataFrame,
    unit: str = "player",
    most: int = 5,
    model: FittedModel | None = None,
    words: Mapping[str, str] | None = None,
) -> list[str]:
    """What :func:`leave_out` found, in sentences, strongest first; the intercept is left aside.

    Parameters
    ----------
    frame : DataFrame
    unit : {"player", "recording"}
    most : int
        At most this many changed effects are told.
    model : FittedModel | None
        The model `frame` was made from: effects are told in the reader's units (per cent where the model
        is logarithmic). None tells them as they stand in `frame`.
    words : mapping of str to str | None
        Term to words; the others as the model words them.
    """

    def said(term: str) -> str:
        return (words or {}).get(term) or (term if model is None else model.term_words(term))

    scale, suffix = Scale(), ""
    if model is not None:
        scale, suffix = model.scale, model.scale.unit(model.prepared.outcome_column)
        suffix = f" {suffix}" if suffix else ""
    effects = frame[frame["term"] != "Intercept"]
    lost = effects[effects["estimate"].isna()]
    sentences = [
        f"Without {unit} {label} the model cannot be fitted: {_names(rows['term'].map(said))} rests on it "
        "alone."
        for label, rows in lost.groupby("left_out", sort=False)
    ]
    moved = effects[effects["changes_verdict"] | (effects["change_in_se"].abs() > LARGE_CHANGE)]
    moved = moved.sort_values("change_in_se", key=np.abs, ascending=False)
    for row in moved.head(most).to_dict("records"):
        p = f" (p = {row['p']:.2g})" if np.isfinite(row["p"]) else ""
        ending = "; the verdict would change." if row["changes_verdict"] else "."
        without, full = scale.shown([row["estimate"], row["all"]])
        sentences.append(
            f"Without {unit} {row['left_out']}, {said(row['term'])} would be {without:+.3g}{suffix} "
            f"instead of {full:+.3g}{suffix}{p}{ending}"
        )
    if len(moved) > most:
        sentences.append(f"{len(moved) - most} further changes of this kind are in the table.")
    if sentences:
        return sentences
    changes = "changes no verdict and " if unit == "player" else ""
    return [
        f"No single {unit} carries an effect: leaving out any one {changes}moves no estimate by more than "
        "a standard error."
    ]


def _names(terms: Sequence[str] | pd.Series) -> str:
    return ", ".join(dict.fromkeys(map(str, terms)))
