"""What the corpus holds: the coverage map."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.patches import Patch, Rectangle

from vibstudy.corpus.overview import coverage
from vibstudy.figures.data import axis_label, groups_in, need, plural
from vibstudy.figures.style import (
    FAINT,
    INK,
    LETTER_EM,
    MUTED,
    HouseFigure,
    broken,
    hatches,
    house_style,
    legend_below,
)
from vibstudy.schema import in_words


def coverage_table(recordings: pd.DataFrame, group: str = "region") -> pd.DataFrame:
    """Count players and recordings by decade and group, empty cells too.

    Parameters
    ----------
    recordings : DataFrame
        One row a recording: ``recording_id, player, decade, region``, and ``medium`` if known.

    Returns
    -------
    DataFrame
        One row a cell: ``decade``, the group, ``players, recordings`` and a count for each medium.
    """
    need(recordings, ["decade", group, "player"], "The coverage of the corpus")
    known = recordings.dropna(subset=["decade", group])
    decades = range(int(known["decade"].min()), int(known["decade"].max()) + 1, 10)
    cells = pd.MultiIndex.from_product([decades, groups_in(known, group)], names=["decade", group])
    table = coverage(known, group).reindex(cells, fill_value=0)
    if "medium" in known and known["medium"].notna().any():
        media = known.groupby(["decade", group, "medium"], observed=True).size().unstack(fill_value=0)
        table = table.join(media.reindex(cells, fill_value=0))
    return table.astype(int).reset_index()


def coverage_map(
    recordings: pd.DataFrame, size: str = "column", group: str = "region"
) -> tuple[HouseFigure, pd.DataFrame]:
    """Draw players and recordings by decade and group, with the medium as a bar in each cell.

    Parameters
    ----------
    recordings : DataFrame
        As in :func:`coverage_table`.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        The plotted numbers (:func:`coverage_table`).
    """
    table = coverage_table(recordings, group)
    decades, regions = sorted(table["decade"].unique()), list(dict.fromkeys(table[group]))
    media = [name for name in table.columns if name not in ("decade", group, "players", "recordings")]
    most = max(1, int(table["recordings"].max()))
    with house_style(size) as page:
        figure = page.figure_of_lines(3.2 * len(decades) + 10)
        ax = figure.add_subplot()
        coded = hatches(media)
        bar: dict[str, Any] = {"facecolor": "white", "edgecolor": INK, "lw": 0.3}
        for cell in table.to_dict("records"):
            x, y = regions.index(cell[group]), decades.index(cell["decade"])
            shade = 1 - 0.22 * cell["recordings"] / most
            ax.add_patch(
                Rectangle((x - 0.48, y - 0.46), 0.96, 0.92, facecolor=str(shade), edgecolor=FAINT, lw=0.5)
            )
            if not cell["recordings"]:
                ax.text(x, y, "none", ha="center", va="center", color=MUTED, fontsize=page.small_pt)
                continue
            words = f"{cell['players']} pl · {cell['recordings']} rec"
            ax.text(x, y - 0.1, words, ha="center", va="center", fontsize=page.small_pt)
            left = x - 0.48
            for medium in media:
                width = 0.96 * cell[medium] / cell["recordings"]
                ax.add_patch(Rectangle((left, y + 0.24), width, 0.22, hatch=coded[medium], **bar))
                left += width
        ax.set(xlim=(-0.5, len(regions) - 0.5), ylim=(len(decades) - 0.5, -0.5))
        room = int(0.8 * page.width_in * 72 / (LETTER_EM * page.small_pt) / len(regions)) - 1
        ax.set_xticks(
            range(len(regions)),
            [broken(name, max(room, 9)) for name in regions],
            rotation=0 if len(regions) <= 4 else 30,
        )
        ax.set_yticks(range(len(decades)), [f"{decade}s" for decade in decades])
        ax.set(xlabel=axis_label(group), ylabel=axis_label("decade"))
        ax.tick_params(length=0)
        ax.spines[:].set_visible(False)
        if media:
            handles = [Patch(hatch=coded[name], label=in_words(name), **bar) for name in media]
            legend_below(
                figure, handles, columns=min(3, len(media)), title="pl: players, rec: recordings; bar: medium"
            )
        empty = int(np.sum(table["recordings"] == 0))
        figure.caption = (
            "Coverage of the corpus: players (pl) and recordings (rec) by decade and "
            f"{group.replace('_', ' ')}; the bar in "
            "each cell shows the medium of its recordings. "
            f"n = {plural(recordings['player'].nunique(), 'player')}, "
            f"{plural(len(recordings), 'recording')}; {empty} of {len(table)} cells are empty."
        )
        figure.numbers = {"cells": (len(table), ""), "empty cells": (empty, "")}
    return figure, table


def coverage_words(recordings: pd.DataFrame) -> str:
    """Say what the corpus holds, and how unevenly."""
    table = coverage_table(recordings)
    filled = table[table["recordings"] > 0]
    per_player = recordings.groupby("player", observed=True).size().sort_values(ascending=False)
    most = ", ".join(f"{player} ({count})" for player, count in per_player.head(2).items())
    how_often = (
        f"Each player was recorded {plural(int(per_player.max()), 'time')}."
        if per_player.nunique() == 1
        else f"Players differ in how often they were recorded, from {per_player.min()} to "
        f"{per_player.max()} times; most often: {most}."
    )
    return (
        f"The corpus holds {plural(len(recordings), 'recording')} by "
        f"{plural(recordings['player'].nunique(), 'player')} from "
        f"{plural(recordings['region'].nunique(), 'region')}, from the {table['decade'].min()}s to the "
        f"{table['decade'].max()}s. Of the {plural(len(table), 'combination')} of a decade and a region, "
        f"{len(table) - len(filled)} have no recording and {int((filled['players'] == 1).sum())} have only "
        f"one player. {how_often}"
    )


def coverage_numbers(recordings: pd.DataFrame) -> dict[str, tuple[float, str]]:
    """Return the numbers of :func:`coverage_words` that count combinations of a decade and a region."""
    table = coverage_table(recordings)
    return {
        "regions": (recordings["region"].nunique(), ""),
        "combinations of a decade and a region": (len(table), ""),
        "combinations without a recording": (int((table["recordings"] == 0).sum()), ""),
        "combinations with one player": (int((table["players"] == 1).sum()), ""),
    }
