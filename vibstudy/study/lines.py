"""What notebooks and the draft ask of a model: formula, lines over a number, means, parts of variance."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from vibstudy.errors import VibstudyError
from vibstudy.stats.effects import middle_decade, standard_models

if TYPE_CHECKING:
    from vibstudy.stats.fitted import FittedModel
    from vibstudy.stats.mixed import MixedResult


def formula(outcome: str, notes: pd.DataFrame, terms: Sequence[str]) -> str:
    """Return ``"outcome ~ terms"`` with those of `terms` that differ within `notes`.

    A small study may have one region or one decade; a term that never changes cannot be in a model.

    Parameters
    ----------
    outcome : str
        Left side, such as ``log(extent_cents)``.
    notes : DataFrame
        Note table.
    terms : sequence of str
        Names of columns.
    """
    varying = [name for name in terms if name in notes and notes[name].nunique() > 1]
    return f"{outcome} ~ {' + '.join(varying) or '1'}"


def model_line(model: FittedModel, variable: str, values: np.ndarray) -> pd.DataFrame:
    """Return the model's mean and 95 % interval along a number of its formula.

    Other factors are averaged with equal weight and other numbers held at their mean, as for the
    model's marginal means. A logarithmic outcome is taken back to its own unit, presence to a probability.

    Returns
    -------
    DataFrame
        `variable`, ``estimate, low, high``.
    """
    from scipy.stats import t

    from vibstudy.stats.marginal import Grid

    grid, beta, inference = Grid(model.prepared), model.beta, model.inference
    rows = []
    for value in values:
        row = grid.reduce(grid.row({variable: float(value)}))
        if row is None:
            rows.append((value, np.nan, np.nan, np.nan))
            continue
        estimate = float(row @ beta)
        half = float(np.sqrt(row @ inference.covariance @ row) * t.ppf(0.975, inference.df(row)))
        rows.append((value, estimate, estimate - half, estimate + half))
    line = pd.DataFrame(rows, columns=[variable, "estimate", "low", "high"])
    if model.scale.changed:
        for name in ("estimate", "low", "high"):
            line[name] = model.scale.value(line[name])
    return line


def line_over_decades(model: FittedModel, centre: int) -> pd.DataFrame:
    """Return the line of a model with ``decades`` over the decades of its notes.

    Parameters
    ----------
    model : FittedModel
        Fitted on notes of :func:`vibstudy.stats.effects.add_decades`.
    centre : int
        Where decades are counted from (:func:`vibstudy.stats.effects.middle_decade`).

    Returns
    -------
    DataFrame
        ``decades, estimate, low, high, decade``.
    """
    if "decades" not in model.prepared.frame:
        raise VibstudyError("No line over the decades can be drawn: all notes are of one decade")
    used = model.prepared.frame["decades"].astype(float)
    values = np.linspace(used.min(), used.max(), 41)
    return model_line(model, "decades", values).assign(decade=centre + 10 * values)


def lines_over_decades(
    notes: pd.DataFrame, outcome: str, group: str = "region", crossed: Sequence[str] = ()
) -> pd.DataFrame:
    """Return the lines of the standard models of rate or extent, without and with the medium held equal.

    Returns
    -------
    DataFrame
        As :func:`line_over_decades`, with ``variant``; a model that these recordings cannot judge has no
        line.

    Raises
    ------
    VibstudyError
        When all notes are of one decade.
    """
    wanted = {"rate_hz": "rate", "extent_cents": "extent"}[outcome]
    parts = [
        line_over_decades(fitted, middle_decade(notes)).assign(variant=variant)
        for model, variant, fitted, _ in standard_models(notes, group, crossed)
        if model == wanted and "decades" in fitted.prepared.frame
    ]
    if not parts:
        raise VibstudyError("No line over the decades can be drawn: all notes are of one decade")
    lines = pd.concat(parts, ignore_index=True)
    return lines[lines["low"].notna()].reset_index(drop=True)


def means_by(model: FittedModel, factor: str, by: str) -> pd.DataFrame:
    """Return the marginal means of a model of a logarithm, in the outcome's own unit; empty cells left out.

    Returns
    -------
    DataFrame
        The two factors, ``estimate, low, high`` and what else the model tells of its means.
    """
    means = model.means(factor, by=[by]).dropna(subset=["mean"]).drop(columns=["low", "high"])
    return means.rename(columns=lambda name: name.removeprefix("typical_")).rename(
        columns={"typical": "estimate"}
    )


def parts_of_variance(model: MixedResult) -> pd.DataFrame:
    """Return what the fixed effects leave unexplained, in three parts.

    Where each group of players has a variance of its own, they are averaged by their notes.

    Returns
    -------
    DataFrame
        ``part`` (between players, between recordings of a player, between notes of a recording), ``sd``
        on the model's scale, ``share`` of the sum of the variances.
    """
    found = model.variance_components().reset_index()
    names = {"player": "between players", "residual": "between notes of a recording"}
    found["part"] = found["group"].map(names).fillna("between recordings of a player")
    shares = found.groupby("part", sort=False)["share"].sum()
    rest = found[found["group"] == "residual"].iloc[0]
    sd = np.sqrt(rest["variance"] * shares / rest["share"])
    return pd.DataFrame({"part": shares.index, "sd": sd.to_numpy(), "share": shares.to_numpy()})
