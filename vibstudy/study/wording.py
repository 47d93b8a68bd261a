"""How notebooks say numbers: p-values, estimates with their intervals, effects of a model, tables.

A number that these recordings cannot tell is said to be so; minus signs are true ones. Effects on a
logarithmic outcome are in per cent, on presence in times the odds.
"""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from vibstudy.stats.fitted import FittedModel


_TOO_LARGE = 8.0
"""Log odds, or a standard error of them, beyond which a presence model has nothing to hold on to."""


def table_html(table: pd.DataFrame, decimals: int | Mapping[str, int] = 2, index: bool = False) -> str:
    """Return a table as HTML: numbers rounded, p-values readable, names from the manifest escaped."""

    def words(name: str, value: Any) -> str:
        if pd.isna(value):
            return ""
        if name in ("p", "p_holm"):
            return p_words(float(value)).removeprefix("p = ").removeprefix("p ")
        if isinstance(value, float | np.floating):
            places = decimals if isinstance(decimals, int) else decimals.get(name, 2)
            return f"{value:.{places}f}"
        return str(value)

    shown = table.reset_index() if index else table
    right = {name: pd.api.types.is_numeric_dtype(shown[name]) for name in shown.columns}

    def cell(tag: str, name: Any, text: str) -> str:
        return f'<{tag} style="text-align:{"right" if right[name] else "left"}">{html.escape(text)}</{tag}>'

    head = "".join(cell("th", name, str(name)) for name in shown.columns)
    rows = "".join(
        "<tr>" + "".join(cell("td", name, words(str(name), value)) for name, value in row.items()) + "</tr>"
        for row in shown.to_dict("records")
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"


_UNITS = {"_hz": "Hz", "_cents": "cents", "_s": "s", "_db": "dB", "(%)": "%"}


def unit_of(column: str) -> str:
    """Return the unit that the name of a column tells; "" for none."""
    counted = column.rpartition("_")[2].rpartition(" ")[2]
    if counted in ("notes", "players", "recordings"):
        return counted
    return next((unit for ending, unit in _UNITS.items() if column.endswith(ending)), "")


def scale_of(model: FittedModel, unit: str) -> tuple[str, Callable[[float], float]]:
    """The unit in which effects of a model are said, and how to come to it."""
    if model.scale.kind == "log":
        return "%", lambda value: 100 * float(np.expm1(value * np.log(model.scale.base)))
    return (
        ("times the odds", lambda value: float(np.exp(value)))
        if model.scale.kind == "logit"
        else (unit, float)
    )


def p_words(p: float) -> str:
    """Return a p-value as it is printed: "p = 0.03", "p < 0.001"."""
    if np.isnan(p):
        return "p not known"
    return "p < 0.001" if p < 0.001 else f"p = {p:.2g}" if p < 0.1 else f"p = {p:.2f}"


def estimate_words(row: pd.Series, unit: str) -> str:
    """Return "+0.12 Hz (95 % interval +0.04 to +0.20; t(13.2) = 3.10, p = 0.008)" of a model's row."""
    values = [f"{row[name]:+z.2f}" for name in ("estimate", "low", "high")]
    return _with_interval(row, values, f" {unit}" if unit else "")


def ratio_words(row: pd.Series, base: float = math.e) -> str:
    """Return "+12 % (95 % interval +3 % to +20 %; t(13.2) = 3.10, p = 0.008)" of a log model's row."""
    values = [f"{100 * (base ** row[name] - 1):+z.0f} %" for name in ("estimate", "low", "high")]
    return _with_interval(row, values)


def odds_words(row: pd.Series) -> str:
    """Return "2.1 times (95 % interval 1.5 to 2.9; t(13.2) = 4.4, p < 0.001)" of a presence model's row."""
    if abs(row["estimate"]) > _TOO_LARGE or row["se"] > _TOO_LARGE:
        return "cannot be told here (all or none of these notes have vibrato)"
    return _with_interval(row, [_times(np.exp(row[name])) for name in ("estimate", "low", "high")], " times")


def _times(factor: float) -> str:
    """Return a factor to two figures: 0.95, 1.0, 12, 1,200."""
    if factor >= 10:
        return f"{float(f'{factor:.2g}'):,.0f}"
    return f"{factor:.1f}" if factor >= 1 else f"{factor:.2g}"


def _with_interval(row: pd.Series, values: list[str], unit: str = "") -> str:
    if pd.isna(row["estimate"]):
        return "these recordings cannot judge it"
    if pd.isna(row["p"]):
        return f"{values[0]}{unit}, which these recordings cannot judge".replace("-", "\N{MINUS SIGN}")
    text = (
        f"{values[0]}{unit} (95 % interval {values[1]} to {values[2]}; "
        f"t({row['df']:.1f}) = {row['t']:.2f}, {p_words(float(row['p']))})"
    )
    return text.replace("-", "\N{MINUS SIGN}")


def effects_in_words(model: FittedModel, wording: Mapping[str, str], unit: str = "") -> str:
    """Say each effect of a model in a line: estimate, interval, t, p.

    Parameters
    ----------
    model : FittedModel
        From ``fit_mixed`` or ``fit_presence``.
    wording : mapping of str to str
        Term to words. Levels of a factor that are not listed are worded "B against A".
    unit : str
        Unit of the outcome, for outcomes modelled as they are.

    Returns
    -------
    str
        A Markdown list. Effects on a logarithmic outcome are in per cent, on presence in times the odds.
    """
    say = {
        "identity": lambda row: estimate_words(row, unit),
        "log": lambda row: ratio_words(row, model.scale.base),
        "logit": odds_words,
    }
    lines = []
    for term, row in model.table().iterrows():
        words = wording.get(str(term)) or model.level_words(str(term))
        if words:
            lines.append(f"- {words}: {say[model.scale.kind](row)}.")
    return "\n".join(lines) or "Nothing differs within this study that could have an effect."


def worded_effects(models: Mapping[str, FittedModel], wording: Mapping[str, str]) -> pd.DataFrame:
    """Return the effects of models of "rate", "extent" or "presence" in words, to be drawn.

    Returns
    -------
    DataFrame
        As :func:`vibstudy.stats.effects.effects_of`, the terms that have words (:func:`effects_in_words`).
    """
    from vibstudy.stats.effects import effects_of

    parts = []
    for name, model in models.items():
        frame = model.prepared.frame
        counts = {
            "players": frame[str(model.prepared.player)].nunique(),
            "recordings": frame[str(model.prepared.recording)].nunique(),
            "notes": len(frame),
        }
        own = effects_of(name, "", model, 0, counts)
        words = [wording.get(term) or model.level_words(term) for term in own["term"].astype(str)]
        parts.append(own.assign(words=words)[[bool(word) for word in words]])
    return pd.concat(parts, ignore_index=True)
