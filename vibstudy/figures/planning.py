"""Planning: the power of a study that grows, and how small a difference could be decided.

Nothing is simulated here: tables of :mod:`vibstudy.stats.power` and :mod:`vibstudy.stats.detectable` come in,
figures and exactly the numbers drawn go out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.ticker import MaxNLocator

from vibstudy.figures.data import (
    need,
    plural,
)
from vibstudy.figures.style import (
    INK,
    LINES,
    MARKERS,
    MUTED,
    HouseFigure,
    house_style,
)

if TYPE_CHECKING:
    from vibstudy.stats.power import Power


_WAYS = {
    "players a cell": "more players",
    "recordings a player": "the same players, more recordings",
}
"""The two ways a corpus can grow, by their name in :class:`vibstudy.stats.power.Power`."""


def power_curves(power: Power, size: str = "column") -> tuple[HouseFigure, pd.DataFrame]:
    """Draw how the chance to find a difference grows with the players, and with more recordings of the
    same ones.

    Parameters
    ----------
    power : Power
        From :func:`vibstudy.stats.simulate_power`.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        ``power.table``: one row a point.
    """
    table = power.table
    need(table, ["recordings", "power"], "The power")
    ways = [way for way in _WAYS if (table["what"] == way).any()]
    axes_of = {"players a cell": "players", "recordings a player": "recordings"}
    words = {"players": "Players", "recordings": "Recordings"}
    with house_style(size) as page:
        figure = page.figure(0.62)
        axes = figure.subplots(1, len(ways), sharey=True, squeeze=False)[0]
        for ax, way in zip(axes, ways, strict=True):
            column = axes_of[way]
            rows = table[table["what"] == way].sort_values(column)
            ax.axhline(100 * power.target, color=MUTED, lw=0.6 * page.line_pt, ls=(0, (1, 1)))
            ax.fill_between(rows[column], 100 * rows["low"], 100 * rows["high"], color=INK, alpha=0.15, lw=0)
            ax.plot(rows[column], 100 * rows["power"], ls="-", marker="o", color=INK)
            ax.set(ylim=(0, 104), xlabel=words[column])
            ax.set_title(_WAYS[way].replace(", ", ",\n"), fontsize=page.small_pt)
            ax.xaxis.set_major_locator(MaxNLocator(4, integer=True))
        axes[0].set_ylabel("Studies that find it (%)")
        axes[0].text(
            0.02, 100 * power.target + 1.5, f"{100 * power.target:.0f} %: what is commonly asked for",
            fontsize=page.small_pt, color=MUTED, va="bottom", transform=axes[0].get_yaxis_transform(),
            clip_on=False,
        )  # fmt: skip
        now = table.iloc[0]
        figure.caption = (
            f"Power: the share of simulated studies that find a difference of {power.shown} "
            f"in {power.label}, as players join (left) or the same players are recorded more often "
            "(right); the first "
            "point of each line is the corpus as it is. Bands are 95 % intervals of the simulation. "
            f"Today n = {plural(int(now['players']), 'player')}, "
            f"{plural(int(now['recordings']), 'recording')}."
        )
    return figure, table


def reach_curves(reach: pd.DataFrame, size: str = "column") -> tuple[HouseFigure, pd.DataFrame]:
    """Draw how small a difference the claims could be decided on, by the players a side.

    Parameters
    ----------
    reach : DataFrame
        From :func:`vibstudy.stats.detectable.reach_table`.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        ``claim, unit, players`` (a side), ``difference`` (found by 80 % of studies).
    """
    from vibstudy.stats.detectable import reach_curve

    need(reach, ["se"], "What the corpus could decide")
    units = list(dict.fromkeys(reach["unit"]))
    most = 4 * int(reach[["players_from", "players_to"]].to_numpy().max())
    curves = []
    with house_style(size) as page:
        wide = size == "slide"
        shape = (1, len(units)) if wide else (len(units), 1)
        figure = page.figure(0.45 if wide else 0.12 * len(reach) + 0.62 * len(units))
        axes = figure.subplots(*shape, squeeze=False, sharex=True).ravel()
        for ax, unit in zip(axes, units, strict=True):
            own = reach[reach["unit"] == unit].reset_index(drop=True)
            for place, row in enumerate(own.to_dict("records")):
                today = (row["players_from"] + row["players_to"]) / 2
                sides = np.unique([*np.arange(2, most + 1), today]).astype(float)
                values = reach_curve(row, sides)
                style, marker = LINES[place % len(LINES)], MARKERS[place % len(MARKERS)]
                ax.plot(sides, values, color=INK, ls=style)
                ax.plot(today, values[sides == today], color=INK, marker=marker, mfc="white", ls=style,
                        label=str(row["claim"]), clip_on=False, zorder=4)  # fmt: skip
                part = pd.DataFrame({"players": sides, "difference": values})
                curves.append(part.assign(claim=row["claim"], unit=unit))
            top = 1.3 * float(own["reach"].max())
            ax.set(ylim=(0, top), xlim=(0, most), ylabel=f"Difference found ({unit})".replace(" ()", ""))
            ax.xaxis.set_major_locator(MaxNLocator(6, integer=True))
            ax.yaxis.set_major_locator(MaxNLocator(4))
            ax.legend(fontsize=page.small_pt, loc="upper right", handlelength=3, labelspacing=0.3)
        axes[-1].set_xlabel("Players a side")
        figure.caption = (
            "What could be decided: the smallest difference that 80 % of studies of this kind would find, "
            "by the players a side (of a claim of equality: the smallest margin); markers: the corpus as it "
            "is. "
            "Reckoned from the errors of the contrasts, without correction for other tests. "
            f"n = {plural(len(reach), 'claim')} that could be tested."
        )
    return figure, pd.concat(curves, ignore_index=True)[["claim", "unit", "players", "difference"]]
