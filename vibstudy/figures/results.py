"""The figures of the results: rate and extent, change, means, portraits, intensity.

Every function takes a frame and returns the figure and exactly the numbers drawn. Where a model is
drawn, its estimates come in as a frame too: nothing is fitted here.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from vibstudy.figures.data import (
    axis_label,
    by_player,
    by_recording,
    groups_in,
    judged_notes,
    need,
    player_weights,
    plural,
    quantity,
    short_name,
    size_words,
    vibrato_notes,
)
from vibstudy.figures.style import (
    COLOURS,
    EXTENT_NOTE,
    FAINT,
    INK,
    MUTED,
    HouseFigure,
    Page,
    house_style,
    legend_below,
    looks,
    readable_log_axis,
    separate_labels,
)
from vibstudy.vibrato.note import FUSION_POINTS, fusion_limit_cents

_EXTENT_TICKS = (1, 2, 5, 10, 20, 50, 100, 200)
_SHARE_INSIDE = 0.5
_MOST_PORTRAITS = 24


def _markers(page: Page, coded: dict, names: Sequence[Any]) -> list[Line2D]:
    return [
        Line2D([], [], ls="", color=coded[name].colour, marker=coded[name].marker, label=str(name))
        for name in names
    ]


def _lines(coded: dict, names: Sequence[Any]) -> list[Line2D]:
    return [Line2D([], [], color=coded[name].colour, ls=coded[name].line, label=str(name)) for name in names]


def _extent_axis(axis: Any, values: pd.Series) -> tuple[float, float]:
    """Make `axis` logarithmic around `values` and return its limits."""
    low, high = 0.8 * float(values.min()), 1.25 * float(values.max())
    readable_log_axis(axis, [tick for tick in _EXTENT_TICKS if low <= tick <= high])
    return low, high


def _density_contour(ax: Axes, notes: pd.DataFrame, colour: str, line: Any) -> None:
    """Outline the smallest area that holds half of `notes`, every player counting the same."""
    import seaborn as sns

    sns.kdeplot(
        notes, x="rate_hz", y="extent_cents", weights=player_weights(notes), ax=ax,
        levels=[1 - _SHARE_INSIDE], colors=[colour], linestyles=[line], gridsize=160, cut=4,
    )  # fmt: skip


def rate_extent_plane(notes: pd.DataFrame, size: str = "column") -> tuple[HouseFigure, pd.DataFrame]:
    """Draw players in the plane of rate and extent, with each period's density.

    Parameters
    ----------
    notes : DataFrame
        Note table with ``player, recording_id``, and ``region`` and ``period`` if known. Extent is
        drawn on a logarithmic axis.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        One row a player: mean rate and extent (mean of the recordings' means), counts, tags.
    """
    used = vibrato_notes(notes)
    need(used, ["rate_hz", "extent_cents", "player"], "The rate-extent plane")
    table = by_player(used, ["rate_hz", "extent_cents"]).sort_values("player").reset_index(drop=True)
    periods = groups_in(used, "period") if "period" in used else []
    regions = sorted(table["region"].dropna().unique()) if "region" in table else []
    with house_style(size) as page:
        figure = page.figure(1.12)
        ax = figure.add_subplot()
        low, high = used["rate_hz"].quantile([0.01, 0.99])
        span_x = (float(low) - 0.3, float(high) + 0.3)
        ax.set_yscale("log")
        span_y = _extent_axis(ax.yaxis, used["extent_cents"].quantile([0.01, 0.99]))
        x = np.linspace(*span_x, 160)
        handles: list[Any] = []
        period_looks = looks(periods)
        for period in periods:
            part = used[used["period"] == period]
            if len(part) >= 20:
                _density_contour(ax, part, period_looks[period].colour, period_looks[period].line)
                handles += _lines(period_looks, [period])
        # The rule of thumb is known between its two points; nothing is drawn beyond them.
        limit_x = np.clip(x, FUSION_POINTS[0][0], FUSION_POINTS[1][0])
        ax.plot(limit_x, fusion_limit_cents(limit_x), color=MUTED, ls=(0, (1, 1)), lw=page.line_pt)
        handles.append(Line2D([], [], color=MUTED, ls=(0, (1, 1)), label="fusion limit (rule of thumb)"))
        # Regions are told apart by shape alone: colour already means the period.
        shapes = looks(regions)
        for region in regions or [None]:
            rows = table if region is None else table[table["region"] == region]
            ax.plot(
                rows["rate_hz"],
                rows["extent_cents"],
                ls="",
                marker=shapes[region].marker if region is not None else "o",
                color=INK,
                mec="white",
                mew=0.5,
                zorder=4,
            )
            if region is not None:
                handles.append(Line2D([], [], ls="", color=INK, marker=shapes[region].marker, label=region))
        ax.set(xlim=span_x, ylim=span_y, xlabel=axis_label("rate_hz"), ylabel=axis_label("extent_cents"))
        legend_below(figure, handles, columns=2)
        separate_labels(
            ax,
            table["rate_hz"].to_numpy(float),
            table["extent_cents"].to_numpy(float),
            [short_name(name) for name in table["player"]],
            page.small_pt,
        )
        contour = (
            " Lines enclose half of each period's notes, every player counting the same." if periods else ""
        )
        figure.caption = (
            f"Rate and extent by player (markers: means of the recordings' means).{contour} The dotted line "
            "is the fusion limit, above which vibrato tends to be heard as moving pitch: a rule of thumb "
            f"(20 cents at 5 Hz, 100 cents at 8 Hz). {EXTENT_NOTE} {size_words(used)} with vibrato."
        )
    return figure, table


def change_over_decades(
    notes: pd.DataFrame, outcome: str, band: pd.DataFrame | None = None, size: str = "column"
) -> tuple[HouseFigure, pd.DataFrame]:
    """Draw each recording against its decade, with the mixed model's estimate and interval.

    Parameters
    ----------
    notes : DataFrame
        Note table with ``decade``, and ``region`` if known.
    outcome : str
        A numeric column, such as ``extent_cents``.
    band : DataFrame | None
        The model's estimates: ``decade, estimate, low, high``, in the unit of `outcome`.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        ``what`` ("recording" or "model"), ``decade``, the mean or estimate with its interval, and the
        recording's tags.
    """
    used = vibrato_notes(notes)
    need(used, [outcome, "decade"], f"{quantity(outcome)} over the decades")
    points = by_recording(used, outcome).rename(columns={outcome: "value"})
    regions = groups_in(points, "region") if "region" in points else []
    coded = looks(regions)
    shift = {name: 2.2 * (k - (len(regions) - 1) / 2) for k, name in enumerate(regions)}
    points["drawn_at"] = points["decade"].astype(float) + (
        points["region"].map(shift).astype(float) if regions else 0.0
    )
    with house_style(size) as page:
        figure = page.figure(0.95)
        ax = figure.add_subplot()
        for region in regions or [None]:
            rows = points if region is None else points[points["region"] == region]
            look = coded[region].scatter if region is not None else {"color": INK, "marker": "o"}
            ax.plot(rows["drawn_at"], rows["value"], ls="", alpha=0.75, mec=INK, mew=0.3, **look)
        handles = _markers(page, coded, regions)
        if band is not None:
            x = band["decade"].to_numpy(float)
            ax.fill_between(
                x, band["low"].astype(float), band["high"].astype(float), color=MUTED, alpha=0.25, lw=0
            )
            ax.plot(x, band["estimate"], color=INK, lw=1.3 * page.line_pt)
            handles.append(Line2D([], [], color=INK, label="mixed model, 95 % interval"))
        decades = sorted(points["decade"].dropna().astype(int).unique())
        ax.set_xticks(decades[:: max(1, len(decades) // 6)])
        ax.set(
            xlim=(decades[0] - 6, decades[-1] + 6), xlabel=axis_label("decade"), ylabel=axis_label(outcome)
        )
        if handles:
            legend_below(figure, handles, columns=2)
        extent_words = f" {EXTENT_NOTE}" if outcome.startswith("extent") else ""
        model_words = (
            " Line and band: mixed-model estimate with its 95 % interval." if band is not None else ""
        )
        figure.caption = (
            f"{quantity(outcome)} over the decades. Each point is the mean of one recording; regions "
            f"stand side by side within a decade.{model_words}{extent_words} {size_words(used)} with vibrato."
        )
    table = pd.concat(
        [points.assign(what="recording"), *([] if band is None else [band.assign(what="model")])],
        ignore_index=True,
    )
    return figure, table


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
            players = used.groupby(["player", *tags], observed=True)[outcome].mean().reset_index()
            players = players.rename(columns={outcome: "value"})
            players["drawn_at"] = placed(players)
            ax.plot(
                players["drawn_at"] + 0.06, players["value"], ls="", marker=".", color="#9A9A9A", zorder=1
            )
            parts.append(players.assign(what="player"))
        for name in groups:
            rows = drawn if name is None else drawn[drawn[group] == name]
            estimate = rows["estimate"].to_numpy(float)
            ax.errorbar(
                rows["drawn_at"],
                estimate,
                yerr=np.vstack(
                    [estimate - rows["low"].to_numpy(float), rows["high"].to_numpy(float) - estimate]
                ),
                ls="",
                marker=coded[name].marker,
                color=coded[name].colour,
                mec=INK,
                mew=0.3,
                ecolor=INK,
                elinewidth=0.8 * page.line_pt,
                capsize=2,
                zorder=3,
            )
        ax.set_xticks(list(positions.values()), [str(name) for name in positions])
        ax.set(xlim=(-0.5, len(positions) - 0.5), xlabel=axis_label(x), ylabel=axis_label(outcome))
        handles = [] if groups == [None] else _markers(page, coded, groups)
        if notes is not None:
            handles.append(Line2D([], [], ls="", marker=".", color="#9A9A9A", label="one player"))
        if handles:
            legend_below(figure, handles, columns=2)
        extent_words = f" {EXTENT_NOTE}" if outcome.startswith("extent") else ""
        n_words = f" {size_words(vibrato_notes(notes))} with vibrato." if notes is not None else ""
        by = axis_label(x).lower() + ("" if groups == [None] else f" and {axis_label(group).lower()}")
        behind = " Small points: single players." if notes is not None else ""
        figure.caption = (
            f"{quantity(outcome)} by {by}: mixed-model means with 95 % intervals.{behind}"
            f"{extent_words}{n_words}"
        )
    return figure, pd.concat(parts, ignore_index=True)


def player_portraits(notes: pd.DataFrame, size: str = "column") -> tuple[HouseFigure, pd.DataFrame]:
    """Draw one small panel a player: all notes in the plane of rate and extent.

    Parameters
    ----------
    notes : DataFrame
        Note table. More than 24 players: those with most vibrato notes are drawn, and the caption
        says so.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        One row a player drawn: means, counts, share of judged notes with vibrato.
    """
    judged, used = judged_notes(notes), vibrato_notes(notes)
    need(used, ["rate_hz", "extent_cents", "player"], "The players' portraits")
    table = by_player(used, ["rate_hz", "extent_cents"])
    share = judged.groupby("player", observed=True)["has_vibrato"].mean()
    table["share_with_vibrato"] = table["player"].map(share)
    table = table.nlargest(_MOST_PORTRAITS, "notes")
    table = table.sort_values("player", key=lambda names: names.map(short_name), ignore_index=True)
    columns = 4 if len(table) > 9 else 3 if len(table) > 4 else max(1, min(2, len(table)))
    rows = -(-len(table) // columns)
    with house_style(size) as page:
        cell = page.width_in / columns
        row_in = 0.85 * cell + 2.6 * page.font_pt / 72
        figure = page.figure((rows * row_in + 4.5 * page.font_pt / 72) / page.width_in)
        axes = np.atleast_1d(figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)).ravel()
        span_x = tuple(used["rate_hz"].quantile([0.005, 0.995]) + np.array([-0.3, 0.3]))
        axes[0].set_yscale("log")
        everyone = used.sample(min(len(used), 1500), random_state=0)
        for ax, row in zip(axes, table.to_dict("records"), strict=False):
            own = used[used["player"] == row["player"]]
            ax.plot(everyone["rate_hz"], everyone["extent_cents"], ls="", marker=".", ms=1, color=FAINT)
            ax.plot(own["rate_hz"], own["extent_cents"], ls="", marker=".", ms=2.5, color=COLOURS[0])
            ax.plot(
                row["rate_hz"],
                row["extent_cents"],
                marker="+",
                color=COLOURS[1],
                ms=1.8 * page.marker_pt,
                mew=page.line_pt,
            )
            ax.set_title(
                f"{short_name(row['player'])}\n{row['share_with_vibrato']:.0%} vib.",
                fontsize=page.small_pt,
                pad=2,
            )
            ax.set_xlim(span_x)
        for ax in axes[len(table) :]:
            ax.set_visible(False)
        axes[0].set_ylim(_extent_axis(axes[0].yaxis, used["extent_cents"].quantile([0.005, 0.995])))
        figure.supylabel(axis_label("extent_cents"), fontsize=page.font_pt)
        figure.supxlabel(axis_label("rate_hz"), fontsize=page.font_pt)
        left_out = used["player"].nunique() - len(table)
        figure.caption = (
            "Portraits: every vibrato note of each player (dark), over the notes of all players (pale); the "
            "cross is the player's mean. Under the name: share of notes with vibrato, of those long enough "
            f"to tell. {EXTENT_NOTE} {size_words(used)} with vibrato"
            + (f"; {plural(left_out, 'player')} with fewer notes not drawn." if left_out else ".")
        )
    return figure, table


def intensity_against_pitch(notes: pd.DataFrame, size: str = "column") -> tuple[HouseFigure, pd.DataFrame]:
    """Draw depth of level modulation against extent of pitch modulation, note by note.

    Parameters
    ----------
    notes : DataFrame
        Note table with ``intensity_depth_db``.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        ``what`` ("note" or "player"), extent and depth.
    """
    used = vibrato_notes(notes)
    need(used, ["intensity_depth_db"], "Intensity against pitch")
    used = used[used["intensity_depth_db"].notna()]
    players = by_player(used, ["extent_cents", "intensity_depth_db"])
    with house_style(size) as page:
        figure = page.figure(0.9)
        ax = figure.add_subplot()
        ax.plot(used["extent_cents"], used["intensity_depth_db"], ls="", marker=".", ms=1.5, color="#B4B4B4")
        regions = groups_in(players, "region") if "region" in players else []
        coded = looks(regions)
        for region in regions or [None]:
            rows = players if region is None else players[players["region"] == region]
            look = coded[region].scatter if region is not None else {"color": INK, "marker": "o"}
            ax.plot(rows["extent_cents"], rows["intensity_depth_db"], ls="", mec=INK, mew=0.3, **look)
        ax.set(
            xlim=(0, float(used["extent_cents"].quantile(0.995)) * 1.05),
            ylim=(0, float(used["intensity_depth_db"].quantile(0.995)) * 1.05),
            xlabel=axis_label("extent_cents"),
            ylabel=axis_label("intensity_depth_db").replace(", ", ",\n"),
        )
        handles = [
            Line2D([], [], ls="", marker=".", color="#B4B4B4", label="one note"),
            *(_markers(page, coded, regions) if regions else []),
        ]
        legend_below(figure, handles, columns=2, title="Large markers: players")
        figure.caption = (
            "Intensity vibrato against pitch vibrato: small points are notes, large markers the means of "
            "players. Extent and depth are half of peak-to-peak; notes beyond the 99.5th percentile are not "
            f"drawn. {size_words(used)} with both figures."
        )
    columns = ["player", "recording_id", "extent_cents", "intensity_depth_db"]
    table = pd.concat([players.assign(what="player"), used[columns].assign(what="note")], ignore_index=True)
    return figure, table
