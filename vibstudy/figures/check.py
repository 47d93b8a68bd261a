"""Measured against truth, for a corpus whose truth is known."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from vibstudy.figures.data import axis_label, groups_in, need, plural
from vibstudy.figures.style import (
    EXTENT_NOTE,
    MINUS,
    MUTED,
    HouseFigure,
    each_group,
    house_style,
    legend_below,
    legend_markers,
    looks,
)


def error_table(pairs: pd.DataFrame, group: str | None = None) -> pd.DataFrame:
    """Summarise the errors of rate and extent.

    Parameters
    ----------
    pairs : DataFrame
        From :func:`~vibstudy.figures.data.match_truth`: ``rate_hz, true_rate_hz,
        extent_cents, true_extent_cents``.
    group : str | None
        Column to split by.

    Returns
    -------
    DataFrame
        One row an outcome (and group): ``n``, ``bias`` (mean of measured minus true), ``median_abs``
        and ``abs_95`` (95th percentile of the absolute error).
    """
    rows = []
    for outcome in ("rate_hz", "extent_cents"):
        known = pairs.dropna(subset=[outcome, f"true_{outcome}"])
        parts: list[tuple] = [("all", known)]
        if group is not None:
            parts = [(name, known[known[group] == name]) for name in groups_in(known, group)]
        for name, part in parts:
            error = part[outcome].to_numpy(float) - part[f"true_{outcome}"].to_numpy(float)
            if len(error):
                size = np.abs(error)
                rows.append(
                    (outcome, name, len(error), error.mean(), np.median(size), np.quantile(size, 0.95))
                )
    return pd.DataFrame(rows, columns=["outcome", "group", "n", "bias", "median_abs", "abs_95"])


def measured_against_truth(
    pairs: pd.DataFrame, group: str | None = None, size: str = "column"
) -> tuple[HouseFigure, pd.DataFrame]:
    """Draw measured against true rate and extent, and the errors below.

    Parameters
    ----------
    pairs : DataFrame
        As in :func:`error_table`.
    group : str | None
        Column told apart by marker, such as ``accompaniment``.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        The pairs drawn: measured, true and error of both outcomes.
    """
    outcomes: Sequence[str] = ("rate_hz", "extent_cents")
    need(pairs, [*outcomes, *(f"true_{name}" for name in outcomes)], "Measured against truth")
    table = pairs.dropna(subset=[*outcomes, *(f"true_{name}" for name in outcomes)]).reset_index(drop=True)
    groups = groups_in(table, group) if group is not None else []
    coded = looks(groups)
    with house_style(size) as page:
        figure = page.figure(1.05)
        axes = figure.subplots(2, 2, height_ratios=[1.5, 1], sharex="col")
        for (above, below), outcome in zip(axes.T, outcomes, strict=True):
            table[f"error_{outcome}"] = table[outcome] - table[f"true_{outcome}"]
            for rows, look in each_group(table, str(group), coded):
                common = {"ls": "", "ms": 0.45 * page.marker_pt, "mew": 0, "alpha": 0.6, **look}
                above.plot(rows[f"true_{outcome}"], rows[outcome], **common)
                below.plot(rows[f"true_{outcome}"], rows[f"error_{outcome}"], **common)
            low, high = (f(table[f"true_{outcome}"].astype(float)) for f in (np.min, np.max))
            pad = 0.06 * (high - low) or 0.1
            seen = table[outcome].astype(float)
            floor, ceiling = min(low, float(seen.min())) - pad, max(high, float(seen.max())) + pad
            above.plot([low - pad, high + pad], [low - pad, high + pad], color=MUTED, lw=0.6 * page.line_pt)
            below.axhline(0, color=MUTED, lw=0.6 * page.line_pt)
            size_of = table[f"error_{outcome}"].abs().astype(float)
            usual = float(size_of.quantile(0.95))
            reach = 1.08 * float(size_of.max()) or 0.1
            short, unit = ("Rate", "Hz") if outcome == "rate_hz" else ("Extent", "± cents")
            above.set(
                xlim=(low - pad, high + pad),
                ylim=(floor, ceiling),
                ylabel=f"Measured ({unit})",
                title=short if outcome == "rate_hz" else "Extent, half of\npeak-to-peak",
            )
            # Linear up to the usual error, logarithmic beyond: the small are told apart and none is cut off.
            below.set_yscale("symlog", linthresh=usual or 0.1)
            below.axhspan(-usual, usual, color=MUTED, alpha=0.2, lw=0)
            below.set_yticks([-usual, 0, usual], [f"−{usual:.2g}", "0", f"+{usual:.2g}"])
            below.minorticks_off()
            below.set(
                ylim=(-reach, reach),
                xlabel=f"True {short.lower()} ({unit})",
                ylabel=f"Error ({unit.removeprefix('± ')})",
            )
        if groups:
            legend_below(figure, legend_markers(coded), columns=3, title=axis_label(str(group)))
        errors = error_table(table)
        words = "; ".join(
            f"{'Rate' if row.outcome == 'rate_hz' else 'extent'}: median absolute error {row.median_abs:.2g} "
            f"{'Hz' if row.outcome == 'rate_hz' else 'cents'}, bias {row.bias:+.2g}".replace("-", MINUS)
            for row in errors.itertuples()
        )
        figure.numbers = {
            f"{row.outcome}, {name}": (getattr(row, name), "Hz" if row.outcome == "rate_hz" else "cents")
            for row in errors.itertuples()
            for name in ("median_abs", "bias")
        } | {"notes with vibrato, found and measured": (len(table), "notes")}
        figure.caption = (
            "Measured against truth, note by note; below, the errors: the band holds 95 % of them "
            "and is drawn "
            "to scale, larger ones are drawn together (logarithmically), and none is left out. "
            f"{words}. {EXTENT_NOTE} n = {plural(len(table), 'note')} with vibrato, found and measured."
        )
    keep = [
        name for name in ("recording_id", "note_id", "true_duration_s", "duration_s", group) if name in table
    ]
    numbers = [name for outcome in outcomes for name in (outcome, f"true_{outcome}", f"error_{outcome}")]
    return figure, table[[*keep, *numbers]]
