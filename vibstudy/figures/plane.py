"""Rate against extent: a panel a period, and a portrait of every player."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from vibstudy.figures.data import (
    assessable_notes,
    axis_label,
    by_player,
    groups_in,
    need,
    player_weights,
    plural,
    short_names,
    size_words,
    vibrato_notes,
)
from vibstudy.figures.quantities import marked, player_means, player_shares
from vibstudy.figures.style import (
    EXTENT_NOTE,
    FAINT,
    INK,
    MUTED,
    PANEL_LETTERS,
    HouseFigure,
    Look,
    Page,
    broken,
    each_group,
    house_style,
    legend_below,
    legend_markers,
    log_extent_axis,
    looks,
    separate_labels,
    shade,
)
from vibstudy.units import FUSION_POINTS, fusion_limit_cents

_SHARE_INSIDE = 0.5
"""Half of a period's notes lie inside its line."""

_LEAST_FOR_CONTOUR = 20
"""Notes from which on a density is worth drawing."""

_MOST_PORTRAITS = 24
_RIBBON_S = 1.0
"""Length of the typical note that is drawn in a portrait, s."""


def _density_contour(ax: Axes, notes: pd.DataFrame, colour: str, line: Any) -> None:
    """Outline the smallest area that holds half of `notes`, every player counting the same."""
    import seaborn as sns

    sns.kdeplot(
        notes, x="rate_hz", y="extent_cents", weights=player_weights(notes), ax=ax,
        levels=[1 - _SHARE_INSIDE], colors=[colour], linestyles=[line], gridsize=160, cut=4,
    )  # fmt: skip


def rate_extent_plane(
    notes: pd.DataFrame, size: str = "column", group: str = "region", outlines: bool = True
) -> tuple[HouseFigure, pd.DataFrame]:
    """Draw players in the plane of rate and extent, a panel a period, with the period's density.

    Parameters
    ----------
    notes : DataFrame
        Note table with ``player, recording_id``, and `group` and ``period`` if known. Extent is drawn on a
        logarithmic axis.
    size : {"column", "slide"}
        What the figure is for.
    group : str
        Tag told by colour and marker.
    outlines : bool
        Outline where half of a period's notes lie.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        One row a player and period: mean rate and extent (mean of the recordings' means), counts, tags.
    """
    used = vibrato_notes(notes)
    need(used, ["rate_hz", "extent_cents", "player"], "The rate-extent plane")
    periods = groups_in(used, "period") if "period" in used else []
    least = _LEAST_FOR_CONTOUR if outlines else np.inf
    parts = [(str(name), used[used["period"] == name]) for name in periods] or [("", used)]
    tables = [
        by_player(part, ["rate_hz", "extent_cents"], group).assign(panel=name).sort_values("player")
        for name, part in parts
    ]
    table = pd.concat(tables, ignore_index=True)
    groups = sorted(table[group].dropna().unique()) if group in table else []
    coded, names = looks(groups), short_names(used["player"])
    with house_style(size) as page:
        wide = size == "slide"
        shape = (1, len(parts)) if wide else (len(parts), 1)
        figure = page.figure(0.5 if wide else 0.3 + 0.62 * len(parts))
        axes = figure.subplots(*shape, sharex=True, sharey=True, squeeze=False).ravel()
        low, high = used["rate_hz"].quantile([0.01, 0.99])
        rates = table["rate_hz"]
        span_x = min(float(low), rates.min()) - 0.3, max(float(high), rates.max()) + 0.3
        sides: tuple[str, ...] = ()
        for place, (ax, (period, part)) in enumerate(zip(axes, parts, strict=True)):
            log_extent_axis(ax.yaxis, used["extent_cents"].quantile([0.01, 0.99]), table["extent_cents"])
            ax.set_xlim(span_x)
            if len(part) >= least:
                _density_contour(ax, part, shade(place, len(parts)), "-")
            _panel(ax, table[table["panel"] == period], coded, group, names, page)
            if period:
                ax.set_title(
                    f"{period}  ({plural(part['player'].nunique(), 'player')})", fontsize=page.small_pt
                )
            sides = _fusion(ax, span_x, page, place == 0)
        figure.supylabel(axis_label("extent_cents"), fontsize=page.font_pt)
        axes[-1].set_xlabel(axis_label("rate_hz"))
        handles = legend_markers(coded, mec=INK, mew=0.3)
        if len(sides) > 1:
            handles.append(Line2D([], [], color=MUTED, ls=(0, (1, 1)), label="fusion limit (rule of thumb)"))
        if any(len(part) >= least for _, part in parts):
            handles.append(Line2D([], [], color=shade(1, 2), label="half of the period's notes"))
        legend_below(figure, handles, columns=2)
        contour = (
            " Lines enclose half of each period's notes, every player counting the same; the later "
            "the darker."
        )
        figure.caption = (
            "Rate and extent by player (markers: means of the recordings' means)"
            f"{', a panel a period' if periods else ''}."
            f"{contour if periods and outlines else ''} {_FUSION_WORDS[sides]}: a rule of thumb "
            "(20 cents at 5 Hz, 100 cents at 8 Hz)."
            f"{_straight_words(notes)} {EXTENT_NOTE} {size_words(used)} with vibrato."
        )
    return figure, table.rename(columns={"panel": "period_shown"})


def _panel(
    ax: Axes, table: pd.DataFrame, coded: dict[Any, Look], group: str, names: dict[Any, str], page: Page
) -> None:
    ax.set(xlabel="", ylabel="")
    for rows, look in each_group(table, group, coded):
        ax.plot(rows["rate_hz"], rows["extent_cents"], ls="", mec=INK, mew=0.3, zorder=4, **look)
    if coded and "several" in set(table[group]) and "several" not in coded:
        rows = table[table[group] == "several"]
        ax.plot(rows["rate_hz"], rows["extent_cents"], ls="", marker="*", color=INK, zorder=4)
    separate_labels(
        ax,
        table["rate_hz"].to_numpy(float),
        table["extent_cents"].to_numpy(float),
        [names[player] for player in table["player"]],
        page,
    )


_MOVING, _RICHER = "heard as moving pitch", "heard as richer tone"
_FUSION_WORDS = {
    (_MOVING, _RICHER): "The dotted line is the fusion limit, above which vibrato tends to be heard as "
    "moving pitch and below it as a richer tone",
    (_MOVING,): "All of it lies above the fusion limit, where vibrato tends to be heard as moving pitch",
    (_RICHER,): "All of it lies below the fusion limit, where vibrato tends to be heard as a richer tone",
}


def _fusion(ax: Axes, span_x: tuple[float, float], page: Page, name_sides: bool) -> tuple[str, ...]:
    """The fusion limit between its two points, nothing beyond them; its sides in view are named once.

    Returns
    -------
    tuple of str
        The sides in view. The limit rises with the rate, so the slow wide corner tells of the one and the
        fast narrow corner of the other.
    """
    (slow, _), (fast, _) = FUSION_POINTS
    x = np.linspace(max(slow, span_x[0]), max(min(fast, span_x[1]), slow), 160)
    ax.plot(x, fusion_limit_cents(x), color=MUTED, ls=(0, (1, 1)), lw=page.line_pt, zorder=1)
    low, high = ax.get_ylim()
    moving, richer = high > fusion_limit_cents(span_x[0]), low < fusion_limit_cents(span_x[1])
    if name_sides:
        small: dict[str, Any] = {"fontsize": page.small_pt, "color": MUTED, "style": "italic"}
        small["transform"] = ax.transAxes
        if moving:
            ax.text(0.01, 0.99, _MOVING, va="top", ha="left", **small)
        if richer:
            ax.text(0.99, 0.01, _RICHER, va="bottom", ha="right", **small)
    return (*((_MOVING,) if moving else ()), *((_RICHER,) if richer else ()))


def _straight_words(notes: pd.DataFrame) -> str:
    """Name the players of whom no vibrato was found: they have no place in a plane of rate and extent."""
    assessable = assessable_notes(notes)
    heard = (
        assessable["has_vibrato"].astype(bool).groupby(assessable["player"], sort=False, observed=True).any()
    )
    straight = list(heard.index[~heard])
    if not straight:
        return ""
    names = short_names(straight)
    return f" Without vibrato, and so not in the plane: {', '.join(names.values())} (0 %)."


def player_portraits(
    notes: pd.DataFrame, size: str = "column", group: str = "region"
) -> tuple[HouseFigure, pd.DataFrame]:
    """Draw a small panel a player, in the order of decades: all notes in the plane of rate and extent.

    Parameters
    ----------
    notes : DataFrame
        Note table. More than 24 players: those with most assessable notes are drawn, and the caption
        says so. A straight player has a panel, too.
    size : {"column", "slide"}
        What the figure is for.
    group : str
        Tag told by colour.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        One row a player drawn: means, counts, share of assessable notes with vibrato (0 to 1).
    """
    used = vibrato_notes(notes)
    need(used, ["rate_hz", "extent_cents", "player"], "The players' portraits")
    table = _portrait_table(notes, group)
    left_out = max(0, len(table) - _MOST_PORTRAITS)
    table = table.nlargest(_MOST_PORTRAITS, "judged", keep="first")
    names = short_names(notes["player"].dropna())
    order = {player: k for k, player in enumerate(names)}
    table["order"] = table["player"].map(order)
    table = table.sort_values(["decade", "order"], na_position="last", ignore_index=True).drop(
        columns="order"
    )
    groups = sorted(table[group].dropna().unique()) if group in table else []
    coded = looks(groups)
    columns = 6 if size == "slide" else 4 if len(table) > 9 else 3 if len(table) > 4 else max(1, len(table))
    columns = min(columns, len(table))
    rows = -(-len(table) // columns)
    with house_style(size) as page:
        cell = page.width_in / columns
        row_in = 0.95 * cell + 3.6 * page.small_pt / 72
        figure = page.figure((rows * row_in + 6.5 * page.font_pt / 72) / page.width_in)
        axes = np.atleast_1d(figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)).ravel()
        span_x = tuple(used["rate_hz"].quantile([0.005, 0.995]) + np.array([-0.3, 0.3]))
        everyone = used.sample(min(len(used), 1500), random_state=0)
        for ax, row in zip(axes, table.to_dict("records"), strict=False):
            own = used[used["player"] == row["player"]]
            look = (
                coded[row[group]].scatter
                if groups and pd.notna(row[group])
                else {"color": INK, "marker": "o"}
            )
            pale = {"color": FAINT, "marker": "."}
            # an edge: light markers would be lost in the pale ones where there is no colour
            for cloud, share, drawn, edge in ((everyone, 0.4, pale, 0.0), (own, 0.42, look, 0.25)):
                ax.plot(
                    cloud["rate_hz"], cloud["extent_cents"], ls="", ms=share * page.marker_pt,
                    **{"mew": edge, "mec": INK, **drawn},
                )  # fmt: skip
            if np.isfinite(row["rate_hz"]):
                ax.plot(row["rate_hz"], row["extent_cents"], marker="+", color=INK, ms=1.8 * page.marker_pt,
                        mew=page.line_pt)  # fmt: skip
            ax.set_title(
                f"{broken(names[row['player']], PANEL_LETTERS)}\n{_when(row)}\n"
                f"{100 * row['share_with_vibrato']:.0f} % of {row['judged']}",
                fontsize=page.small_pt, pad=2,
            )  # fmt: skip
            ax.set_xlim(span_x)
            log_extent_axis(ax.yaxis, used["extent_cents"].quantile([0.005, 0.995]))
        low, high = axes[0].get_ylim()
        axes[0].set_ylim(low, high * 2.2)  # room for the typical notes
        for ax, row in zip(axes, table.to_dict("records"), strict=False):
            _ribbon(ax, row, coded[row[group]].colour if groups and pd.notna(row[group]) else INK, page)
        for ax in axes[len(table) :]:
            ax.set_visible(False)
        label = axis_label("extent_cents")  # longer than a single row of panels is high
        figure.supylabel(label if rows > 1 else label.replace(", ", ",\n"), fontsize=page.font_pt)
        figure.supxlabel(axis_label("rate_hz"), fontsize=page.font_pt)
        legend_below(figure, legend_markers(coded), columns=3, place="outside upper center")
        figure.caption = (
            "Portraits in the order of the players' first decades: every vibrato note of each player in the "
            f"colour and shape of the {group.replace('_', ' ')}, over the notes of all players (pale); the "
            "cross is the "
            "player's mean. Above: one second of a typical note, all on one scale. Under the name: "
            "decades, and "
            "share of notes with vibrato, of how many long enough to tell. "
            f"{EXTENT_NOTE} {size_words(used)} with vibrato"
            + (f"; {plural(left_out, 'player')} with fewer notes not drawn." if left_out else ".")
        )
    return figure, table


def _portrait_table(notes: pd.DataFrame, group: str) -> pd.DataFrame:
    """One row a player of whom notes could be judged or measured."""
    whole = marked(notes)
    shares = player_shares(whole)
    means = {name: player_means(whole, name)["value"] for name in ("rate_hz", "extent_cents")}
    players = list(dict.fromkeys([*shares.index, *means["rate_hz"].index]))
    own = notes[notes["player"].isin(players)].groupby("player", observed=True)
    table = pd.DataFrame(index=pd.Index(players, name="player"))
    table["recordings"] = own["recording_id"].nunique()
    table["notes"] = whole[whole["_vibrato"]].groupby("player", observed=True).size()
    table["judged"] = shares["denominator"].reindex(players)
    table["share_with_vibrato"] = shares["value"].reindex(players) / 100
    for name, values in means.items():
        table[name] = values.reindex(players)
    for name, pick in (("decade", "min"), ("last_decade", "max")):
        table[name] = own["decade"].agg(pick).astype("Float64") if "decade" in notes else pd.NA
    if group in notes:
        first = own[group].agg(lambda values: values.iloc[0] if values.nunique() == 1 else "several")
        table[group] = first.astype(object)
    counts = table[["notes", "judged"]].fillna(0).astype(int)
    return table.assign(notes=counts["notes"], judged=counts["judged"]).reset_index()


def _when(row: dict) -> str:
    if pd.isna(row["decade"]):
        return "undated"
    first, last = int(row["decade"]), int(row["last_decade"])
    return f"{first}s" if first == last else f"{first}–{last % 100:02d}"


def _ribbon(ax: Axes, row: dict, colour: str, page: Page) -> None:
    """One second of the player's typical note, over the top of the panel; flat where there is no vibrato."""
    inset = ax.inset_axes((0.04, 0.8, 0.92, 0.2))
    time_s = np.linspace(0, _RIBBON_S, 300)
    there = np.isfinite(row["rate_hz"]) and np.isfinite(row["extent_cents"])
    cents = row["extent_cents"] * np.sin(2 * np.pi * row["rate_hz"] * time_s) if there else 0 * time_s
    inset.plot(time_s, cents, color=colour, lw=0.8 * page.line_pt)
    inset.set(xlim=(0, _RIBBON_S), ylim=(-60, 60))
    inset.axis("off")
