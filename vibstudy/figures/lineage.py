"""Teachers and pupils: how near each pupil plays to the teacher, beside what decade and region explain."""

from __future__ import annotations

import pandas as pd

from vibstudy.figures.data import need, plural, short_names
from vibstudy.figures.style import INK, MUTED, HouseFigure, house_style, legend_below, legend_marker


def lineages(pairs: pd.DataFrame, size: str = "column") -> tuple[HouseFigure, pd.DataFrame]:
    """Draw the distance of each pupil and teacher, and of players exchanged with them.

    Parameters
    ----------
    pairs : DataFrame
        Table of :func:`vibstudy.stats.pupils_near_teachers`: ``pupil, teacher, distance`` in standard
        deviations, and ``expected`` (missing where the corpus could not tell).
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        `pairs`, in the order drawn (from the top): by teacher, the nearest pupil first.
    """
    need(pairs, ["pupil", "teacher", "distance"], "How near pupils are to their teachers")
    table = pairs.sort_values(["teacher", "distance"], ignore_index=True)
    first = ~table["teacher"].duplicated()
    rows = table.index + first.cumsum() - 1  # an empty row between lineages
    compared = "expected" in table and table["expected"].notna().any()
    with house_style(size) as page:
        figure = page.figure_of_lines(1.5 * (rows.max() + 1) + 8)
        ax = figure.add_subplot()
        ax.plot(table["distance"], rows, ls="", color=INK, marker="o", mec=INK, mew=0.3)
        handles = [legend_marker("teacher", color=INK, marker="o", mec=INK, mew=0.3)]
        words = ""
        if compared:
            ax.hlines(
                rows, table["distance"], table["expected"], color=MUTED, lw=0.6 * page.line_pt, zorder=0
            )
            ax.plot(table["expected"], rows, ls="", color=MUTED, marker="|", mew=page.line_pt)
            handles.append(legend_marker("others like them", color=MUTED, marker="|", mew=page.line_pt))
            words = " Bars: players of the same decade and region put in the place of the two."
        called = short_names([*table["pupil"], *table["teacher"]])
        names = zip(table["pupil"], table["teacher"], strict=True)
        ax.set_yticks(rows, [f"{called[pupil]} of {called[teacher]}" for pupil, teacher in names])
        ax.set(ylim=(rows.max() + 0.6, -0.6), xlabel="Distance (standard deviations)")
        ax.set_xlim(left=0)
        legend_below(figure, handles, columns=2)
        figure.caption = (
            "How near each pupil plays to the teacher, over rate, log extent, continuity and onset delay "
            f"together.{words} n = {plural(len(table), 'pupil')} of {plural(int(first.sum()), 'teacher')}."
        )
    return figure, table
