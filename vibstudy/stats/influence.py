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

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import linalg

from vibstudy.errors import Problem, VibstudyError
from vibstudy.stats.frames import Prepared, estimable_columns
from vibstudy.stats.resampling import contrast_row
from vibstudy.stats.terms import RandomTerm, random_design
from vibstudy.stats.threads import one_thread

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
        return _without_recordings(result, labels, rows)
    raise VibstudyError(
        Problem("no such unit", column="unit", got=str(unit), repair="Use player or recording.")
    )


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
    from vibstudy.stats.engine import fit_lmm
    from vibstudy.stats.mixed import MixedResult

    term = _term(result, "player")
    full = result.infer(list(rows), labels, level)
    factors = {t.group: f for t, f in zip(result.prepared.terms, result.fit.factors, strict=True)}
    parts = []
    for code, label in enumerate(term.levels):
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


def _without_recordings(result: MixedResult, labels: Sequence[str], rows: np.ndarray) -> pd.DataFrame:
    full = result.infer(list(rows), labels, 0.95)
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
        parts.append(_frame(full, label, len(out), table, 0.95))
    return pd.concat(parts, ignore_index=True)


def influence_sentences(frame: pd.DataFrame, unit: str = "player", most: int = 5) -> list[str]:
    """What :func:`leave_out` found, in sentences, strongest first; the intercept is left aside.

    Parameters
    ----------
    frame : DataFrame
    unit : {"player", "recording"}
    most : int
        At most this many changed effects are told.
    """
    effects = frame[frame["term"] != "Intercept"]
    lost = effects[effects["estimate"].isna()]
    sentences = [
        f"Without {unit} {label} the model cannot be fitted: {_names(rows['term'])} rests on it alone."
        for label, rows in lost.groupby("left_out", sort=False)
    ]
    moved = effects[effects["changes_verdict"] | (effects["change_in_se"].abs() > LARGE_CHANGE)]
    moved = moved.sort_values("change_in_se", key=np.abs, ascending=False)
    for row in moved.head(most).to_dict("records"):
        p = f" (p = {row['p']:.2g})" if np.isfinite(row["p"]) else ""
        ending = "; the verdict would change." if row["changes_verdict"] else "."
        sentences.append(
            f"Without {unit} {row['left_out']}, {row['term']} would be {row['estimate']:.3g} instead of "
            f"{row['all']:.3g}{p}{ending}"
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
