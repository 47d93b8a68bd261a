"""What a comparison rests on: players, models, their checks, and the ways to ask a claim.

Nothing is fitted here: models and their tables come in, figures and exactly the numbers drawn go out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from scipy.stats import norm, shapiro

from vibstudy.figures.contrasts import VERDICT_LOOKS, directions
from vibstudy.figures.data import (
    axis_label,
    groups_in,
    need,
    plural,
    quantity,
    short_names,
    size_words,
    vibrato_notes,
)
from vibstudy.figures.quantities import mean_of
from vibstudy.figures.style import (
    FAINT,
    INK,
    MINUS,
    MUTED,
    SOUNDING,
    HouseFigure,
    broken,
    extent_words,
    house_style,
    legend_below,
    legend_marker,
    log_extent_axis,
    looks,
)

if TYPE_CHECKING:
    from vibstudy.stats.mixed import MixedResult
    from vibstudy.stats.multiverse import Ways


def players_apart(
    notes: pd.DataFrame, outcome: str, group: str, size: str = "column"
) -> tuple[HouseFigure, pd.DataFrame]:
    """Draw every note, player by player, group by group: what a comparison of groups rests on.

    Parameters
    ----------
    notes : DataFrame
        Note table.
    outcome : str
        A numeric column.
    group : str
        The tag whose groups are compared, such as ``region``.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        One row a player and group: number of notes and mean, and the group's mean over players.
    """
    used = vibrato_notes(notes)
    need(used, [outcome, group, "player"], f"{quantity(outcome)} player by player")
    grouped = used.groupby([group, "player"], observed=True)[outcome]
    means = grouped.agg(lambda own: mean_of(outcome, own)).astype(float)
    table = pd.DataFrame({"notes": grouped.size(), "mean": means}).reset_index()
    table["mean_of_players"] = table.groupby(group, observed=True)["mean"].transform(
        lambda own: mean_of(outcome, own)
    )
    groups = groups_in(used, group)
    coded, order = looks(groups), {name: k for k, name in enumerate(groups)}
    table = table.sort_values([group, "mean"], key=lambda c: c.map(order) if c.name == group else c)
    table = table.reset_index(drop=True)
    # A gap of one place between groups.
    table["place"] = np.arange(len(table)) + table[group].map(order).astype(float)
    with house_style(size) as page:
        figure = page.figure_of_lines(1.45 * (len(table) + len(groups)) + 5)
        ax = figure.add_subplot()
        for row in table.to_dict("records"):
            own = used.loc[(used["player"] == row["player"]) & (used[group] == row[group]), outcome]
            ax.plot(own, [row["place"]] * len(own), ls="", marker="|", ms=page.marker_pt, color="#B4B4B4")
            ax.plot(row["mean"], row["place"], ls="", mec=INK, mew=0.3, zorder=3, **coded[row[group]].scatter)
        handles = []
        for name, look in coded.items():
            rows, line = table[table[group] == name], {"color": look.colour, "ls": look.line}
            ends = rows["place"].min() - 0.5, rows["place"].max() + 0.5
            ax.vlines(rows["mean_of_players"].iloc[0], *ends, **line)
            handles.append(Line2D([], [], marker=look.marker, label=str(name), **line))
        figure.numbers = {
            "players drawn": (used["player"].nunique(), "players"),
            "recordings drawn": (used["recording_id"].nunique(), "recordings"),
            "notes drawn": (len(used), "notes"),
        }
        called = short_names(table["player"])
        ax.set_yticks(table["place"], [called[player] for player in table["player"]])
        if outcome.startswith("extent"):
            log_extent_axis(ax.xaxis, used[outcome])
        ax.set(ylim=(table["place"].max() + 0.8, -0.8), xlabel=axis_label(outcome))
        legend_below(figure, handles, columns=3)
        figure.caption = (
            f"{quantity(outcome)} player by player. Each stroke is a note, each marker a player's mean, each "
            f"line the mean of a group's players.{extent_words(outcome)} {size_words(used)} with vibrato."
        )
    return figure, table.drop(columns="place")


def false_alarms(p_values: pd.DataFrame, size: str = "column") -> tuple[HouseFigure, pd.DataFrame]:
    """Draw how often tests cry "significant" when there is nothing to find.

    Parameters
    ----------
    p_values : DataFrame
        One column a test, one row a trial in which the null hypothesis is true.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        One row a test: ``test, trials, share_below_5_percent``.
    """
    tests = list(p_values.columns)
    shares = (p_values < 0.05).mean().to_numpy(float)
    table = pd.DataFrame({"test": tests, "trials": len(p_values), "share_below_5_percent": shares})
    with house_style(size) as page:
        figure = page.figure_of_lines(2.6 * len(tests) + 6)
        ax = figure.add_subplot()
        for place, share in enumerate(shares):
            ax.barh(place, 100 * share, color=SOUNDING, height=0.6)
            ax.text(100 * share + 1, place, f"{100 * share:.0f} %", va="center", fontsize=page.small_pt)
        ax.axvline(5, color=INK, ls=(0, (1, 1)), lw=0.8 * page.line_pt)
        ax.text(5, -0.75, " 5 % is what it promises", fontsize=page.small_pt, va="center")
        ax.set_yticks(range(len(tests)), tests)
        ax.set(
            xlim=(0, max(20, 115 * table["share_below_5_percent"].max())),
            ylim=(len(tests) - 0.4, -1.1),
            xlabel="False alarms (% of trials)",
        )
        figure.caption = (
            "False alarms: how often each test reports a difference at the 5 % level between two groups that "
            f"were made by lot. n = {plural(len(p_values), 'trial')}."
        )
    return figure, table


def model_check(model: MixedResult, size: str = "column") -> tuple[HouseFigure, pd.DataFrame]:
    """Draw what a mixed model leaves over: its residuals, and the players' own deviations.

    Parameters
    ----------
    model : MixedResult
        From :func:`vibstudy.stats.fit_mixed`.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        ``what`` ("note" or "player"); for notes ``expected`` (normal quantile) and ``standardised``
        residual, for players ``level``, ``effect`` (predicted deviation, in the model's unit) and the same
        ``standardised`` by their spread.
    """
    residual = model.residuals()["standardised"].sort_values().to_numpy(float)
    expected = norm.ppf((np.arange(len(residual)) + 0.5) / len(residual))
    effects = model.random_effects()
    players = effects[(effects["group"] == model.prepared.player) & (effects["column"] == "Intercept")]
    players = players.sort_values("effect")
    need(players, ["effect"], "The check of the model")
    with house_style(size) as page:
        figure = page.figure(0.62)
        left, right = figure.subplots(1, 2)
        reach = 1.06 * float(np.abs(np.concatenate([expected, residual])).max())
        left.plot([-reach, reach], [-reach, reach], color=MUTED, lw=0.6 * page.line_pt)
        left.plot(expected, residual, ls="", marker=".", ms=0.5 * page.marker_pt, color=INK)
        left.set(xlim=(-reach, reach), ylim=(-reach, reach))
        left.set(xlabel="Expected (SD)", ylabel="Residual (SD)", title="Notes")
        places = norm.ppf((np.arange(len(players)) + 0.5) / len(players))
        spread = float(players["effect"].std(ddof=0)) or 1.0
        ends = 1.15 * max(float(np.abs(places).max()), 0.5)
        right.plot([-ends, ends], [-ends, ends], color=MUTED, lw=0.6 * page.line_pt)
        right.plot(places, players["effect"] / spread, ls="", marker="o", color=INK, mec="white", mew=0.3)
        right.set(xlim=(-ends, ends))
        right.set(xlabel="Expected (SD)", ylabel="Player's deviation (SD)", title="Players")
        signs = {"notes": bend_p(residual), "players": bend_p(players["effect"].to_numpy(float))}
        said = " ".join(_sign_words(name, p) for name, p in signs.items())
        figure.numbers = {f"p of a sign in the {name}": (p, "") for name, p in signs.items()} | {
            "players": (len(players), "players"),
            "notes": (len(residual), "notes"),
        }
        figure.caption = (
            f"Check of the model {model.formula}. Left: residuals of the notes against a normal "
            "distribution; right: the players' predicted deviations. On the lines everything is as assumed. "
            f"{said} n = {plural(len(players), 'player')}, {plural(len(residual), 'note')}."
        )
    parts = [
        pd.DataFrame({"expected": expected, "standardised": residual}).assign(what="note"),
        players[["level", "effect"]].assign(
            what="player", expected=places, standardised=players["effect"] / spread
        ),
    ]
    return figure, pd.concat(parts, ignore_index=True)


_FEWEST_FOR_TEST = 8
"""Values from which on Shapiro and Wilk's test is worth asking; fewer say nothing against anything."""

_MOST_FOR_TEST = 5000
"""Values up to which its p is known (Royston 1995, Appl. Stat. 44(4):547-551)."""


def bend_p(values: np.ndarray) -> float:
    """Return p of Shapiro and Wilk's test of a normal distribution; NaN for too few or too many values."""
    if not _FEWEST_FOR_TEST <= len(values) <= _MOST_FOR_TEST or not np.ptp(values) > 0:
        return float("nan")
    return float(shapiro(values).pvalue)


def _sign_words(name: str, p: float) -> str:
    if np.isnan(p):
        return f"The {name} are too few or too many for a test."
    if p >= 0.05:
        return f"No sign against it in the {name} (p = {p:.2f})."
    return f"The {name} deviate from it (p {'< 0.001' if p < 0.001 else f'= {p:.3f}'}): look where."


def without_each_player(
    changes: pd.DataFrame, words: str, size: str = "column"
) -> tuple[HouseFigure, pd.DataFrame]:
    """Draw one effect with each player left out in turn: does a single star carry it?

    Parameters
    ----------
    changes : DataFrame
        From :func:`vibstudy.stats.leave_out` for one term: ``left_out, all, estimate,
        changes_verdict``.
    words : str
        What the effect is, with its unit, for the axis.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        `changes`, in the order drawn (from the top).
    """
    need(changes, ["estimate"], "The effect without each player")
    table = changes.sort_values("estimate", ignore_index=True)
    with house_style(size) as page:
        figure = page.figure_of_lines(1.5 * len(table) + 6)
        ax = figure.add_subplot()
        names = short_names(table["left_out"])
        whole = float(table["all"].iloc[0])
        ax.axvline(whole, color=INK, ls=(0, (5, 1.5)), lw=0.8 * page.line_pt)
        ax.axvline(0, color=MUTED, ls=(0, (1, 1)), lw=0.6 * page.line_pt)
        kinds = (("verdict stands", False, INK, "o"), ("verdict would change", True, "white", "D"))
        handles = [Line2D([], [], color=INK, ls=(0, (5, 1.5)), label="all players")]
        for label, changed, colour, shape in kinds:
            rows = table[table["changes_verdict"].astype(bool) == changed]
            if len(rows):
                look: dict[str, Any] = {"marker": shape, "mfc": colour, "mec": INK, "mew": 0.5 * page.line_pt}
                ax.plot(rows["estimate"], rows.index, ls="", **look)
                handles.append(legend_marker(label, **look))
        ax.set_yticks(range(len(table)), [f"without {names[name]}" for name in table["left_out"]])
        ax.set(ylim=(len(table) - 0.4, -0.6), xlabel=broken(words, 36))
        legend_below(figure, handles, columns=2)
        figure.caption = (
            f"{words}: the estimate with each player left out in turn, and with all of them (dashed). "
            f"n = {plural(len(table), 'player')}."
        )
    return figure, table


_OTHERWISE = {
    "notes": "strict notes only",
    "medium": "medium held equal",
    "length": "length held equal",
    "room": "room held equal",
    "slopes": "no own slopes",
    "time": "a curve over time",
}
"""What is done otherwise than claimed, a row of dots each."""


def _cut_far_intervals(ax: Axes, table: pd.DataFrame, places: np.ndarray, claimed: int) -> None:
    """Keep every estimate and zero in sight, and the claimed interval with its own width about it.

    A way whose interval reaches farther cannot judge: it ends in an arrow, and does not press the others
    flat.
    """
    low, high = table["low"].to_numpy(float), table["high"].to_numpy(float)
    width = high[claimed] - low[claimed]
    estimates = [float(table["estimate"].min()), float(table["estimate"].max()), 0.0]
    bottom = max(min([*estimates, low[claimed] - width]), min(0.0, float(np.nanmin(low))))
    top = min(max([*estimates, high[claimed] + width]), max(0.0, float(np.nanmax(high))))
    pad = 0.05 * (top - bottom)
    bottom, top = bottom - pad, top + pad
    ax.set_ylim(bottom, top)
    for beyond, y, marker in ((low < bottom, 0.0, "v"), (high > top, 1.0, "^")):
        if beyond.any():  # an empty line, not clipped, would press the layout flat
            ax.plot(places[beyond], np.full(int(beyond.sum()), y), ls="", marker=marker, color=INK, ms=3,
                    clip_on=False, transform=ax.get_xaxis_transform())  # fmt: skip


def ways_figure(ways: Ways, size: str = "column") -> tuple[HouseFigure, pd.DataFrame]:
    """Draw a claim asked in every reasonable way: all estimates in order, and below what was chosen.

    Parameters
    ----------
    ways : Ways
        From :func:`vibstudy.stats.multiverse.all_ways`.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        The ways, in the order drawn.
    """
    table = ways.table
    rows = [name for name in _OTHERWISE if name in table]
    places = np.arange(len(table))
    with house_style(size) as page:
        lines = 10 + 1.35 * (len(rows) + 1)
        figure = page.figure((lines * 1.25 * page.font_pt / 72 + 0.9) / page.width_in)
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=[10, 1.35 * (len(rows) + 1)])
        for verdict, look in VERDICT_LOOKS.items():
            own = (table["verdict"] == verdict).to_numpy(bool)
            if not own.any():
                continue
            part = table[own]
            upper.vlines(places[own], part["low"], part["high"], color=look["color"], lw=0.5 * page.line_pt)
            upper.plot(places[own], part["estimate"], ls="", ms=0.6 * page.marker_pt, zorder=3, **look)
        claimed = int(np.flatnonzero(table["as_claimed"])[0])
        for ax in (upper, lower):
            ax.axvline(claimed, color=FAINT, lw=3 * page.line_pt, zorder=-1)
        upper.axhline(0, color=MUTED, lw=0.6 * page.line_pt, ls=(0, (1, 1)), zorder=0)
        _cut_far_intervals(upper, table, places, claimed)
        below, above = directions(ways.claim.outcome)
        upper.set_ylabel(f"{below} ← {ways.unit} → {above}" if ways.unit else f"{below} ← → {above}")
        upper.tick_params(bottom=False)
        for k, name in enumerate([*rows, "without"]):
            first = table.loc[table["as_claimed"], name].iloc[0]
            chosen = (table[name] != first).to_numpy(bool)
            lower.plot(places[chosen], np.full(int(chosen.sum()), k), ls="", marker="s", color=INK,
                       ms=0.45 * page.marker_pt)  # fmt: skip
            lower.plot(places[~chosen], np.full(int((~chosen).sum()), k), ls="", marker=".", color=FAINT,
                       ms=0.3 * page.marker_pt)  # fmt: skip
        lower.set(
            yticks=range(len(rows) + 1), ylim=(len(rows) + 0.6, -0.6), xticks=[], xlim=(-1, len(table)),
            yticklabels=[*(_OTHERWISE[name] for name in rows), "without a player"],
            xlabel=f"{len(table)} ways, by estimate",
        )  # fmt: skip
        lower.tick_params(left=False)
        for side in ("left", "bottom"):
            lower.spines[side].set_visible(False)
        handles = [
            legend_marker(f"{verdict} ({int((table['verdict'] == verdict).sum())})", **look)
            for verdict, look in VERDICT_LOOKS.items()
            if (table["verdict"] == verdict).any()
        ]
        legend_below(figure, handles, columns=3)
        base = table[table["as_claimed"]].iloc[0]
        said = f"{base['estimate']:+.{1 if ways.unit.startswith('%') else 2}f} {ways.unit}".rstrip()
        said = said.replace("-", MINUS)
        figure.numbers = {
            "ways to ask": (len(table), ""),
            "ways with the same verdict": (ways.agree, ""),
            "ways with the same direction": (ways.same_direction, ""),
            "ways that could not be fitted": (ways.lost, ""),
        } | {f"ways {verdict}": (int(n), "") for verdict, n in table["verdict"].value_counts().items()}
        lost = f" {plural(ways.lost, 'way')} could not be fitted." if ways.lost else ""
        figure.caption = (
            f"“{ways.claim.sentence}” asked in {plural(len(table), 'way')}: estimates with their 95 % "
            "intervals in order, verdicts before any correction, and what was done otherwise than claimed "
            "(squares); an arrow is an interval that goes on. The "
            f"grey bar is the model as claimed ({said}, {ways.verdict}). "
            f"{ways.agree} of {len(table)} ways give that verdict, {ways.same_direction} the same direction."
            f"{lost} n = {plural(int(base['notes_used']), 'note')} in the model as claimed."
        )
    return figure, table
