"""The decades as a time line: recordings, who made them, the media they were made on, and the models' lines.

Nothing is fitted here: the lines come in as a frame (:func:`vibstudy.study.lines_over_decades`).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.patheffects import withStroke

from vibstudy.figures.data import (
    axis_label,
    by_recording,
    groups_in,
    need,
    quantity,
    short_names,
    size_words,
    vibrato_notes,
)
from vibstudy.figures.style import (
    FAINT,
    INK,
    MUTED,
    HouseFigure,
    Page,
    each_group,
    extent_words,
    hatches,
    house_style,
    legend_below,
    legend_markers,
    log_extent_axis,
    looks,
    separate_labels,
)
from vibstudy.schema import in_words

_MOST_NAMED = 6
"""Players named in the figure; more would cover the points at one column."""

_LEAST_FOR_NAMES = 2
"""A player of one recording is a point, not a course."""


def change_over_decades(
    notes: pd.DataFrame,
    outcome: str,
    lines: pd.DataFrame | None = None,
    size: str = "column",
    group: str = "region",
) -> tuple[HouseFigure, pd.DataFrame]:
    """Draw each recording against its decade, each player's linked, with media and the models' lines.

    Parameters
    ----------
    notes : DataFrame
        Note table with ``decade``, and `group` and ``medium`` if known.
    outcome : str
        A numeric column, such as ``extent_cents``; extents stand on a logarithmic axis.
    lines : DataFrame | None
        The models' estimates: ``decade, estimate, low, high``, in the unit of `outcome`; ``variant`` tells
        several apart ("" is drawn with its interval, others as broken lines).
    size : {"column", "slide"}
        What the figure is for.
    group : str
        Tag told by colour and marker.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        ``what`` ("recording" or "model"), ``decade``, the mean or estimate with its interval, and the
        recording's tags.
    """
    used = vibrato_notes(notes)
    need(used, [outcome, "decade"], f"{quantity(outcome)} over the decades")
    points = by_recording(used, outcome, group).rename(columns={outcome: "value"})
    points = points.dropna(subset=["decade"]).reset_index(drop=True)
    groups = groups_in(points, group) if group in points else []
    coded = looks(groups)
    points["drawn_at"] = _beside(points, group, groups)
    media = _media(points)
    with house_style(size) as page:
        strip_in = 1.7 * page.small_pt / 72
        figure = page.figure(0.72 + (len(media) * strip_in + 0.25) / page.width_in)
        main_in = figure.get_size_inches()[1] - len(media) * strip_in - 0.25
        if len(media):
            heights = [len(media) * strip_in, main_in]
            band, ax = figure.subplots(2, 1, sharex=True, height_ratios=heights, gridspec_kw={"hspace": 0.02})
            _draw_media(band, media, page)
        else:
            ax = figure.add_subplot()
        for _, rows in points.sort_values("decade").groupby("player", observed=True, sort=False):
            if len(rows) >= _LEAST_FOR_NAMES:
                ax.plot(rows["drawn_at"], rows["value"], color=FAINT, lw=0.6 * page.line_pt, zorder=1)
        for rows, look in each_group(points, group, coded):
            ax.plot(rows["drawn_at"], rows["value"], ls="", alpha=0.85, mec=INK, mew=0.3, zorder=3, **look)
        handles = [*legend_markers(coded), *_draw_lines(ax, lines, page)]
        decades = sorted(points["decade"].astype(int).unique())
        ax.set_xticks(decades[:: max(1, len(decades) // 6)])
        ax.set(
            xlim=(decades[0] - 6, decades[-1] + 6),
            xlabel=axis_label("decade"),
            ylabel=axis_label(outcome).replace(", ", ",\n"),
        )
        if outcome.startswith("extent"):
            log_extent_axis(ax.yaxis, points["value"])
        handles.append(Line2D([], [], color=FAINT, lw=page.line_pt, label="one player"))
        legend_below(figure, handles, columns=2)
        _name_players(ax, points, page)
        figure.caption = _caption(outcome, lines, media, used)
    parts = [points.assign(what="recording")]
    if lines is not None:
        parts.append(lines.assign(what="model"))
    return figure, pd.concat(parts, ignore_index=True)


def _beside(points: pd.DataFrame, group: str, groups: list) -> pd.Series:
    """Where each recording is drawn: groups beside one another within a decade, players a little apart."""
    shift = {name: 2.4 * (k - (len(groups) - 1) / 2) for k, name in enumerate(groups)}
    at = points["decade"].astype(float)
    if groups:
        at = at + points[group].astype(object).map(shift).astype(float).fillna(0.0)
    own = points.groupby(["decade", *([group] if groups else [])], observed=True)
    place, count = own.cumcount(), own["value"].transform("size")
    return at + 1.6 * (place - (count - 1) / 2) / count.clip(lower=2)


def _media(points: pd.DataFrame) -> pd.DataFrame:
    """First and last decade of each medium, the earliest first."""
    if "medium" not in points or not points["medium"].notna().any():
        return pd.DataFrame(columns=["medium", "first", "last", "recordings"])
    found = points.groupby("medium", observed=True)["decade"].agg(["min", "max", "size"])
    found = found.rename(columns={"min": "first", "max": "last", "size": "recordings"}).reset_index()
    return found.sort_values(["first", "last"], ignore_index=True)


def _draw_media(ax: Axes, media: pd.DataFrame, page: Page) -> None:
    """One shaded bar a medium over the decades it covers, its name beside or in it."""
    coded = hatches(sorted(media["medium"]))
    low, high = media["first"].min() - 6, media["last"].max() + 6
    for place, row in enumerate(media.to_dict("records")):
        first, width = row["first"] - 4.5, row["last"] - row["first"] + 9
        ax.add_patch(
            Rectangle((first, place - 0.4), width, 0.8, facecolor="#EDEDED", edgecolor=MUTED,
                      hatch=coded[row["medium"]], lw=0.4)
        )  # fmt: skip
        look: dict[str, Any] = {"va": "center", "fontsize": page.small_pt}
        if width > 0.24 * (high - low):  # within the bar
            paper = {"facecolor": "white", "edgecolor": "none", "pad": 0.4, "alpha": 0.85}
            x, look = first + width / 2, {**look, "ha": "center", "bbox": paper}
        elif first + width < high - 0.35 * (high - low):
            x, look = first + width + 1, {**look, "ha": "left"}
        else:
            x, look = first - 1, {**look, "ha": "right"}
        ax.text(x, place, f"{in_words(row['medium'])} ({row['recordings']})", **look)
    ax.set(ylim=(len(media) - 0.4, -0.6), yticks=[])
    ax.tick_params(bottom=False, labelbottom=False)
    ax.spines[:].set_visible(False)


def _draw_lines(ax: Axes, lines: pd.DataFrame | None, page: Page) -> list[Line2D]:
    if lines is None or lines.empty:
        return []
    handles = []
    variants = lines["variant"] if "variant" in lines else pd.Series("", lines.index)
    for variant, rows in lines.groupby(variants, sort=False):
        x = rows["decade"].to_numpy(float)
        if not variant:
            low, high = (rows[name].to_numpy(float) for name in ("low", "high"))
            ax.fill_between(x, low, high, color=MUTED, alpha=0.2, lw=0, zorder=0)
        look: dict[str, Any] = {"color": INK, "lw": 1.2 * page.line_pt}
        if variant:  # white in black: seen also where it lies on the other
            edge = withStroke(linewidth=1.7 * page.line_pt, foreground=INK)
            look = {"color": "white", "lw": 0.7 * page.line_pt, "ls": (0, (7, 3)), "path_effects": [edge]}
        ax.plot(x, rows["estimate"], zorder=4, **look)
        handles.append(Line2D([], [], label=str(variant) or "mixed model, 95 % interval", **look))
    return handles


def _name_players(ax: Axes, points: pd.DataFrame, page: Page) -> None:
    """Name the players whose recordings lie farthest from the middle, once each."""
    names = short_names(points["player"])
    away = (np.log(points["value"]) - np.log(points["value"]).median()).abs()
    far = points.assign(away=away).sort_values("away", ascending=False, kind="stable")
    named = far.drop_duplicates("player").head(_MOST_NAMED)
    separate_labels(
        ax,
        named["drawn_at"].to_numpy(float),
        named["value"].to_numpy(float),
        [names[player] for player in named["player"]],
        page,
        (points["drawn_at"].to_numpy(float), points["value"].to_numpy(float)),
    )


def _caption(outcome: str, lines: pd.DataFrame | None, media: pd.DataFrame, used: pd.DataFrame) -> str:
    model_words = ""
    if lines is not None and len(lines):
        model_words = " Line and band: mixed-model estimate with its 95 % interval"
        held = "variant" in lines and (lines["variant"] != "").any()
        model_words += "; broken: the same with the medium held equal." if held else "."
    media_words = " Bars above: the decades of each medium, with its recordings." if len(media) else ""
    return (
        f"{quantity(outcome)} over the decades. Each point is the mean of one recording; a player's "
        "are linked, "
        f"and those farthest from the middle are named.{media_words}{model_words}{extent_words(outcome)} "
        f"{size_words(used)} with vibrato."
    )
