"""Means by period and group, and intensity beside pitch.

Every function takes a frame and returns the figure and exactly the numbers drawn. Where a model is
drawn, its estimates come in as a frame too: nothing is fitted here.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from vibstudy.figures.data import (
    axis_label,
    by_player,
    groups_in,
    need,
    quantity,
    size_words,
    vibrato_notes,
)
from vibstudy.figures.quantities import mean_of
from vibstudy.figures.style import (
    INK,
    HouseFigure,
    each_group,
    extent_words,
    house_style,
    legend_below,
    legend_marker,
    legend_markers,
    log_extent_axis,
    looks,
)


def marginal_means(
    means: pd.DataFrame,
    outcome: str,
    notes: pd.DataFrame | None = None,
    x: str = "period",
    group: str = "region",
    size: str = "column",
) -> tuple[HouseFigure, pd.DataFrame]:
    """Draw a model's means by two factors, with intervals and the players behind them.

    Parameters
    ----------
    means : DataFrame
        Columns `x` and `group`, ``estimate, low, high``, in the unit of `outcome`.
    outcome : str
        What is shown; gives the axis its label.
    notes : DataFrame | None
        Note table; its players' means are drawn pale behind the estimates.
    x, group : str
        Factor along the axis and factor told apart by marker; `group` may be missing from `means`.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        ``what`` ("model" or "player") and the drawn numbers.
    """
    need(means, [x, "estimate"], "The means")
    positions = {name: k for k, name in enumerate(groups_in(means, x))}
    groups = groups_in(means, group) if group in means else [None]
    coded = looks(groups)
    offsets = {name: 0.2 * (k - (len(groups) - 1) / 2) for k, name in enumerate(groups)}

    def placed(frame: pd.DataFrame) -> pd.Series:
        base = frame[x].astype("object").map(positions).astype(float)
        return base if groups == [None] else base + frame[group].map(offsets).astype(float)

    drawn = means.assign(drawn_at=placed(means))
    parts = [drawn.assign(what="model")]
    with house_style(size) as page:
        figure = page.figure(0.9)
        ax = figure.add_subplot()
        if notes is not None:
            tags = [name for name in (x, group) if name in notes and name in means]
            used = vibrato_notes(notes).dropna(subset=[*tags, outcome])
            values = used.groupby(["player", *tags], observed=True)[outcome]
            players = values.agg(lambda own: mean_of(outcome, own)).astype(float).reset_index(name="value")
            players["drawn_at"] = placed(players)
            ax.plot(
                players["drawn_at"] + 0.06, players["value"], ls="", marker=".", color="#9A9A9A", zorder=1
            )
            parts.append(players.assign(what="player"))
        for name in groups:
            rows = drawn if name is None else drawn[drawn[group] == name]
            estimate = rows["estimate"].to_numpy(float)
            ends = [estimate - rows["low"].to_numpy(float), rows["high"].to_numpy(float) - estimate]
            ax.errorbar(
                rows["drawn_at"], estimate, np.vstack(ends), ls="", mec=INK, mew=0.3, ecolor=INK,
                elinewidth=0.8 * page.line_pt, capsize=2, zorder=3, **coded[name].scatter,
            )  # fmt: skip
        ax.set_xticks(list(positions.values()), [str(name) for name in positions])
        ax.set(xlim=(-0.5, len(positions) - 0.5), xlabel=axis_label(x), ylabel=axis_label(outcome))
        if outcome.startswith("extent"):
            shown = [
                part[name] for part in parts for name in ("value", "estimate", "low", "high") if name in part
            ]
            log_extent_axis(ax.yaxis, *shown)
        handles = [] if groups == [None] else legend_markers(coded)
        if notes is not None:
            handles.append(legend_marker("one player", marker=".", color="#9A9A9A"))
        if handles:
            legend_below(figure, handles, columns=2)
        n_words = f" {size_words(vibrato_notes(notes))} with vibrato." if notes is not None else ""
        by = axis_label(x).lower() + ("" if groups == [None] else f" and {axis_label(group).lower()}")
        behind = " Small points: single players." if notes is not None else ""
        lone = "low" in drawn and drawn["low"].isna().any()
        alone = " Without a bar: an error that cannot be estimated." if lone else ""
        figure.caption = (
            f"{quantity(outcome)} by {by}: mixed-model means with 95 % intervals.{behind}"
            f"{alone}{extent_words(outcome)}{n_words}"
        )
    return figure, pd.concat(parts, ignore_index=True)


def intensity_against_pitch(
    notes: pd.DataFrame, size: str = "column", group: str = "region"
) -> tuple[HouseFigure, pd.DataFrame]:
    """Draw depth of level modulation against extent of pitch modulation, note by note.

    Parameters
    ----------
    notes : DataFrame
        Note table with ``intensity_depth_db``.
    size : {"column", "slide"}
        What the figure is for.
    group : str
        Tag told by colour and marker.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        ``what`` ("note" or "player"), extent and depth.
    """
    used = vibrato_notes(notes)
    need(used, ["intensity_depth_db"], "Intensity against pitch")
    used = used[used["intensity_depth_db"].notna()]
    players = by_player(used, ["extent_cents", "intensity_depth_db"], group)
    with house_style(size) as page:
        figure = page.figure(0.9)
        ax = figure.add_subplot()
        ax.plot(used["extent_cents"], used["intensity_depth_db"], ls="", marker=".", ms=0.4 * page.marker_pt,
                color="#B4B4B4")  # fmt: skip
        coded = looks(groups_in(players, group) if group in players else [])
        for rows, look in each_group(players, group, coded):
            ax.plot(rows["extent_cents"], rows["intensity_depth_db"], ls="", mec=INK, mew=0.3, **look)
        ax.set(
            ylim=(0, float(used["intensity_depth_db"].quantile(0.995)) * 1.05),
            xlabel=axis_label("extent_cents"),
            ylabel=axis_label("intensity_depth_db").replace(", ", ",\n"),
        )
        log_extent_axis(ax.xaxis, used["extent_cents"].quantile([0.005, 0.995]), players["extent_cents"])
        handles = [legend_marker("one note", marker=".", color="#B4B4B4"), *legend_markers(coded)]
        legend_below(figure, handles, columns=2, title="Large markers: players")
        figure.caption = (
            "Intensity vibrato against pitch vibrato: small points are notes, large markers the means of "
            "players. Extent and depth are half of peak-to-peak; notes beyond the 99.5th percentile are not "
            f"drawn. {size_words(used)} with both figures."
        )
    columns = ["player", "recording_id", "extent_cents", "intensity_depth_db"]
    table = pd.concat([players.assign(what="player"), used[columns].assign(what="note")], ignore_index=True)
    return figure, table
