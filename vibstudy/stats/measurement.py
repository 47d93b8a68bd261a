"""What is known of the notes' errors: their own, those that many share, and those that differ by group.

A note's own error
------------------
A note varies about its recording by a true scatter t and by its measurement error se, so its weight is
1 / (t² + se²). For a logarithm the error is relative, se / value, and the value is the *fitted* one:
divided by the measured value, notes that came out large by chance would count as the surest, and a mean of
extents was drawn up by 9 %. Fit and weights are therefore made in turn until they agree.

An error that notes share
-------------------------
The speed of a transfer, or the pitch standard of an era, moves all its notes alike, and no number of notes
averages it out. Estimates stay as they are; with E the notes of each level times the error's standard
deviation, ::

    Cov(b) = (X'V^-1 X)^-1 + B B',   B = (X'V^-1 X)^-1 X'V^-1 E

Notes' variances by group
-------------------------
The residual variance of each group is set to its REML estimate, sum w e² / sum (1 - h) over its notes, h
their leverage, in turn with the fit until they agree (Pinheiro & Bates 2000, Mixed-Effects Models in S and
S-PLUS, sec. 5.2: varIdent).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import sparse

from vibstudy.errors import VibstudyError
from vibstudy.stats.engine import EngineFit, fit_lmm
from vibstudy.stats.fitted import Scale
from vibstudy.stats.frames import Prepared, check_columns, prepare
from vibstudy.stats.moments import Solution
from vibstudy.stats.terms import random_design

ROUNDS = 50
"""Weights and fit are made in turn at most so often; they agree to 1e-9 after 3 to 20 rounds."""


def measurement_weights(
    notes: pd.DataFrame,
    formula: str,
    player: str = "player",
    recording: str | None = "recording_id",
    crossed: Sequence[str] = (),
    slopes: str | Sequence[str] | None = "auto",
    spread: str = "auto",
) -> np.ndarray:
    """Weights from the standard errors of the outcome, one a note; missing for notes the model cannot use.

    t² is the residual variance of the unweighted fit less the mean of se², at least a tenth of the residual
    variance. The outcome's standard error is the column named ``..._se_<unit>`` (``rate_hz`` has
    ``rate_se_hz``); for a logarithm it is se / fitted value / ln(base).

    Parameters are those of :func:`vibstudy.stats.fit_mixed`.
    """
    prepared = prepare(
        notes, formula, player, recording, crossed, slopes=() if slopes is None else slopes,
        slope_correlation=False, spread=spread,
    )  # fmt: skip
    column = prepared.outcome_column
    stem, _, unit = column.rpartition("_")
    name = f"{stem}_se_{unit}"
    if name not in notes:
        raise VibstudyError(
            f"{column} has no standard error in the note table",
            column=name,
            repair='Leave weights="measurement" out, or give weights of your own.',
        )
    place = prepared.frame.index.to_numpy()
    se = notes[name].to_numpy(dtype=float, na_value=np.nan)[place]
    known = np.isfinite(se)
    scale = Scale.of(prepared.outcome)
    fit = fit_lmm(prepared.y, prepared.estimable, prepared.terms)
    variance = fit.solution.sigma**2
    weights = np.ones(len(se))
    for _ in range(ROUNDS):
        relative = se
        if scale.changed:
            relative = se / scale.base ** fitted_values(fit.solution, prepared) / np.log(scale.base)
        # errors explain nine tenths of it at most
        scatter = max(variance - float(np.nanmean(relative**2)), 0.1 * variance)
        before, weights = (
            weights,
            np.where(known, 1 / (scatter + np.where(known, relative, 0.0) ** 2), np.nan),
        )
        if not scale.changed or np.allclose(weights[known], before[known], rtol=1e-9, atol=0):
            break
        used = np.where(known, weights, 1e-9 * np.nanmean(weights))  # unknown errors: as good as left out
        fit = fit_lmm(prepared.y, prepared.estimable, prepared.terms, used / used.mean(), fit.factors)
    out = np.full(len(notes), np.nan)
    out[place] = weights
    return out


def fitted_values(solution: Solution, prepared: Prepared) -> np.ndarray:
    """Fixed part and predicted random effects of each note."""
    z = random_design(prepared.terms, len(prepared.y))[0]
    return np.asarray(prepared.estimable @ solution.beta + z @ solution.random_effects)


def shared_errors(
    notes: pd.DataFrame, prepared: Prepared, shared: Mapping[str, float | str | Mapping[str, float]]
) -> sparse.csr_matrix:
    """The errors that notes share, one column a level [shape=(n, levels)]."""
    check_columns(notes, [*shared, *(name for name in shared.values() if isinstance(name, str))])
    scale = Scale.of(prepared.outcome)
    parts = []
    for column, given in shared.items():
        codes, levels = pd.factorize(notes[column].iloc[prepared.frame.index].astype(str), sort=True)
        if isinstance(given, str):
            sizes = notes[given].to_numpy(dtype=float, na_value=np.nan)[prepared.frame.index]
        elif isinstance(given, Mapping):
            sizes = np.array([float(given.get(str(level), 0.0)) for level in levels])[codes]
        else:
            sizes = np.full(len(codes), float(given))
        wrong = ~(sizes >= 0)
        if wrong.any():
            raise VibstudyError(
                f"{int(wrong.sum())} notes have no shared error, or a negative one",
                column=given if isinstance(given, str) else column,
                got=str(sizes[wrong][0]),
                repair="A standard deviation of 0 stands for no error.",
            )
        sizes = sizes / np.log(scale.base) if scale.changed else sizes
        parts.append(
            sparse.csr_matrix((sizes, (np.arange(len(codes)), codes)), shape=(len(codes), len(levels)))
        )
    return sparse.hstack(parts, format="csr")


def carried(solution: Solution, x: np.ndarray, prepared: Prepared) -> np.ndarray:
    """Covariance of the fixed effects that shared errors bring [shape=(p, p)]."""
    w = np.ones(len(x)) if prepared.weights is None else prepared.weights
    z = random_design(prepared.terms, len(x))[0]
    we = sparse.diags(w) @ prepared.shared
    zx = np.asarray(z.T @ (w[:, None] * x))
    moved = np.asarray(we.T @ x).T - zx.T @ (solution.flat_t @ (z.T @ we)).toarray()
    b = solution.covariance @ moved / solution.sigma**2
    return b @ b.T


def notes_spread_weights(notes: pd.DataFrame, prepared: Prepared, column: str) -> Prepared:
    """The model with the notes' variance estimated apart for each level of a column."""
    check_columns(notes, [column])
    codes, levels = pd.factorize(notes[column].iloc[prepared.frame.index].astype(str), sort=True)
    given = np.ones(len(codes)) if prepared.weights is None else prepared.weights
    variance = np.ones(len(levels))
    fit: EngineFit | None = None
    for _ in range(ROUNDS):
        weights = given / variance[codes]
        start = None if fit is None else fit.factors
        fit = fit_lmm(prepared.y, prepared.estimable, prepared.terms, weights, start)
        residual = prepared.y - fitted_values(fit.solution, prepared)
        spare = np.bincount(codes, 1 - leverage(fit.solution, prepared, weights), len(levels))
        before, variance = variance, np.bincount(codes, given * residual**2, len(levels)) / spare
        if np.allclose(variance, before, rtol=1e-9, atol=0):
            break
    weights = given / variance[codes]
    said = ", ".join(f"{level} {np.sqrt(v):.3g}" for level, v in zip(levels, variance, strict=True))
    remark = f"The notes' standard deviation by {column}: {said}."
    spreads = pd.Series(np.sqrt(variance), index=pd.Index(levels, name=column), name="sd")
    weights = weights / weights.mean()
    return replace(prepared, weights=weights, notes_sd=spreads, remarks=(*prepared.remarks, remark))


def leverage(solution: Solution, prepared: Prepared, weights: np.ndarray) -> np.ndarray:
    """Share of each note in its own fitted value, fixed and random part together [shape=(n,)]."""
    x, z = prepared.estimable, random_design(prepared.terms, len(weights))[0]
    t = solution.flat_t
    random = np.asarray((z @ t).multiply(z).sum(axis=1)).ravel()
    swept = x - z @ (t @ np.asarray(z.T @ (weights[:, None] * x)))
    fixed = np.einsum("ij,jk,ik->i", swept, solution.covariance / solution.sigma**2, swept)
    return weights * (random + fixed)
