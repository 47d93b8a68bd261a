"""Claims and effects as estimation plots: the players behind a contrast, and the difference with its
interval.

Nothing is fitted here: verdicts and effects come in as frames (:func:`vibstudy.stats.evaluate_claims`,
:func:`vibstudy.stats.effects.standard_effects`).

References
----------
Estimation plots: Gardner & Altman 1986, BMJ 292:746-750.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from vibstudy.errors import VibstudyError
from vibstudy.figures.data import need, plural
from vibstudy.figures.quantities import mean_of
from vibstudy.figures.style import (
    FAINT,
    INK,
    MUTED,
    HouseFigure,
    Page,
    broken,
    house_style,
    legend_below,
    legend_marker,
)
from vibstudy.stats.claimfile import Claim

VERDICT_LOOKS: dict[str, dict[str, Any]] = {
    "supported": {"marker": "o", "mfc": INK, "color": INK},
    "against": {"marker": "X", "mfc": INK, "color": INK},
    "undecided": {"marker": "D", "mfc": "white", "color": INK},
}
QUALIFIED = ", but see the text"
"""What is added to a verdict from which something takes: drawn open."""

DIRECTIONS: dict[str, tuple[str, str]] = {
    "rate_hz": ("slower", "faster"),
    "extent_cents": ("narrower", "wider"),
    "extent_first_cents": ("narrower", "wider"),
    "has_vibrato": ("rarer", "more often"),
    "vibrates": ("rarer", "more often"),
    "vibrato_onset_s": ("earlier", "later"),
    "intensity_depth_db": ("shallower", "deeper"),
    "duration_s": ("shorter", "longer"),
    "level_db": ("softer", "louder"),
}
"""What a difference below and above zero is called."""

MODEL_DIRECTIONS = {"rate": DIRECTIONS["rate_hz"], "extent": DIRECTIONS["extent_cents"],
                    "presence": DIRECTIONS["has_vibrato"]}  # fmt: skip


def directions(outcome: str) -> tuple[str, str]:
    """Return the words for below and above zero."""
    return DIRECTIONS.get(outcome, ("lower", "higher"))


def claim_sides(claims: Sequence[Claim], notes: pd.DataFrame) -> pd.DataFrame:
    """Return the players' means on both sides of each claim that can be asked.

    Returns
    -------
    DataFrame
        ``claim, side`` ("from" or "to"), ``label, player, value, notes``; value in the outcome's own unit,
        in per cent of notes for presence.
    """
    from vibstudy.stats.question import Question
    from vibstudy.stats.remarks import NotTestable

    rows = []
    for claim in claims:
        try:
            question = Question(claim, notes)
        except (NotTestable, VibstudyError):
            continue
        used = question.chosen[question.known].assign(_side=question.axis.side[question.known])
        for way, side, label in zip((-1, 1), ("from", "to"), question.axis.labels, strict=True):
            for player, own in used[used["_side"] == way].groupby("player", observed=True):
                values = own[claim.outcome]
                share = claim.outcome in ("has_vibrato", "vibrates")
                value = 100 * float(values.astype(float).mean()) if share else mean_of(claim.outcome, values)
                rows.append((claim.id, side, str(label), str(player), value, len(own)))
    return pd.DataFrame(rows, columns=["claim", "side", "label", "player", "value", "notes"])


def claims_forest(
    claims: pd.DataFrame,
    sides: pd.DataFrame | None = None,
    margins: Mapping[str, float] | None = None,
    size: str = "column",
) -> tuple[HouseFigure, pd.DataFrame]:
    """Draw each claim: its players left, the difference with interval and margin right.

    Parameters
    ----------
    claims : DataFrame
        From :func:`vibstudy.stats.evaluate_claims`; needs ``sentence, unit, estimate, low, high, verdict``;
        takes ``claim, but, outcome, reason``. A claim that could not be tested is a grey row.
    sides : DataFrame | None
        From :func:`claim_sides`.
    margins : mapping of str to float | None
        Margin of each claim that has one, in the unit of its estimate.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        The claims drawn, in the order drawn, ``margin`` beside them.
    """
    if claims.empty:
        raise VibstudyError("The claims cannot be shown: claims.toml holds none")
    need(claims, ["sentence", "verdict"], "The claims")
    if not claims["estimate"].notna().any():
        raise VibstudyError(
            "The claims cannot be drawn: none of them could be tested on this study. "
            "`vibstudy claims` says why for each"
        )
    table = claims.reset_index(drop=True).copy()
    table["unit"] = table["unit"].fillna("").astype(str)
    but = table["but"].fillna("").astype(str) if "but" in table else pd.Series("", table.index)
    table["shown"] = table["verdict"].astype(str) + np.where(but.ne(""), QUALIFIED, "")
    table["margin"] = [(margins or {}).get(str(name), np.nan) for name in table.get("claim", table.index)]
    with house_style(size) as page:
        letters = 66 if size == "column" else 78
        titles = [textwrap.fill(str(sentence), letters) for sentence in table["sentence"]]
        lines = [title.count("\n") + 1 for title in titles]
        tested = table["estimate"].notna().to_numpy(bool)
        heights = [
            (1.3 * deep + (7.2 if good else 1.6)) * page.font_pt / 72
            for deep, good in zip(lines, tested, strict=True)
        ]
        figure = page.figure((sum(heights) + 3.5 * page.font_pt / 72) / page.width_in)
        bands = figure.subfigures(len(table), 1, height_ratios=heights, squeeze=False)[:, 0]
        for band, title, row, good in zip(bands, titles, table.to_dict("records"), tested, strict=True):
            colour = INK if good else MUTED
            band.suptitle(title, fontsize=page.small_pt, x=0.01, ha="left", color=colour)
            if not good:
                words = {"color": MUTED, "style": "italic", "fontsize": page.small_pt}
                band.text(0.02, 0.1, "not testable here", va="bottom", **words)
                continue
            left, right = band.subplots(1, 2, width_ratios=[1, 1.15])
            own = sides[sides["claim"] == row.get("claim")] if sides is not None else pd.DataFrame()
            _draw_sides(left, own, row, page)
            _draw_difference(right, row, page)
        shown = [
            legend_marker(name, **look_of(name))
            for verdict in VERDICT_LOOKS
            for name in (verdict, verdict + QUALIFIED)
            if (table.loc[tested, "shown"] == name).any()
        ]
        if table["margin"].notna().any():
            shown.append(Line2D([], [], color=FAINT, lw=4, label="within the margin"))
        legend_below(figure, shown, columns=2)
        unable = int((~tested).sum())
        figure.caption = (
            "Claims: left, the players' means on both sides; right, the model's difference with its "
            "interval. In brackets stands the number of players, one on both sides is linked; intervals "
            "are of 95 % unless looks at a growing corpus widen them. "
            f"n = {plural(len(table), 'claim')}"
            + (f", {unable} of them not testable here (grey)." if unable else ".")
        )
    return figure, table.drop(columns="shown")


def _draw_sides(ax: Axes, own: pd.DataFrame, row: dict, page: Page) -> None:
    """Players' means: the side compared from above, the side compared to below."""
    ax.tick_params(axis="y", length=0)
    if own.empty:
        ax.set_axis_off()
        return
    labels = []
    for place, side in enumerate(("from", "to")):
        part = own[own["side"] == side]
        labels.append(broken(f"{part['label'].iloc[0]} ({len(part)})", 18) if len(part) else "")
        ax.plot(part["value"], np.full(len(part), place), ls="", marker="o", mfc="white", mec=INK,
                ms=0.8 * page.marker_pt, mew=0.5 * page.line_pt, zorder=3)  # fmt: skip
    both = own.pivot_table(index="player", columns="side", values="value").dropna()
    if {"from", "to"} <= set(both):
        for player in both.to_dict("records"):
            ax.plot([player["from"], player["to"]], [0, 1], color=FAINT, lw=0.6 * page.line_pt, zorder=1)
    ax.set(ylim=(1.5, -0.5))
    ax.set_yticks([0, 1], labels)
    outcome = str(row.get("outcome", ""))
    if outcome.startswith("extent"):
        from vibstudy.figures.style import log_extent_axis

        log_extent_axis(ax.xaxis, own["value"])
    else:
        ax.margins(x=0.12)
        ax.xaxis.set_major_locator(_few_ticks())
    units = {"rate_hz": "Hz", "has_vibrato": "% of notes", "vibrates": "% of notes"}
    ax.set_xlabel("± cents" if outcome.startswith("extent") else units.get(outcome, row["unit"]))


def _few_ticks() -> Any:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(4)


_WIDEST = 10.0
"""An interval that reaches this many times as far as the others, or as its other end, is cut, with an arrow:
it tells nothing but that nothing is known, and would press the others together."""


def _draw_difference(ax: Axes, row: dict, page: Page) -> None:
    look = look_of(row["shown"])
    low, high = float(row["low"]), float(row["high"])
    margin = float(row["margin"])
    if np.isfinite(margin):
        ax.axvspan(-margin, margin, color=FAINT, alpha=0.6, lw=0)
    ax.axvline(0, color=MUTED, lw=0.6 * page.line_pt, ls=(0, (1, 1)), zorder=0)
    ax.plot(row["estimate"], 0, ls="", zorder=3, **look)
    ends = [float(row["estimate"]), 0.0] + ([-margin, margin] if np.isfinite(margin) else [])
    shorter = min(abs(high - ends[0]), abs(ends[0] - low))
    furthest = _WIDEST * max(shorter if np.isfinite(shorter) else 0.0, *map(abs, ends)) or 1.0
    cut = {side: not np.isfinite(end) or abs(end - ends[0]) > furthest for side, end in ((0, low), (1, high))}
    ends += [end for side, end in ((0, low), (1, high)) if not cut[side]]
    reach = max(ends) - min(ends) or 1.0
    limits = (min(ends) - 0.08 * reach, max(ends) + 0.08 * reach)
    ax.set(ylim=(-1, 1), yticks=[], xlim=limits)
    shown = [limits[side] if cut[side] else end for side, end in ((0, low), (1, high))]
    ax.plot(shown, [0, 0], color=INK, solid_capstyle="butt")
    for side, marker in ((0, "<"), (1, ">")):
        if cut[side]:  # it goes on, further than could be drawn beside the others
            ax.plot(limits[side], 0, ls="", marker=marker, color=INK, clip_on=False, zorder=3)
    ax.xaxis.set_major_locator(_few_ticks())
    ax.spines["left"].set_visible(False)
    below, above = directions(str(row.get("outcome", "")))
    unit = str(row["unit"]).replace("% of the odds", "% odds")
    ax.set_xlabel(f"{below} ← {unit} → {above}".replace("  ", " "), fontsize=page.small_pt)


def look_of(shown: str) -> dict[str, Any]:
    """Return the marker of a verdict, open where something takes from it."""
    look = VERDICT_LOOKS.get(shown.removesuffix(QUALIFIED), VERDICT_LOOKS["undecided"])
    return {**look, "mfc": "white"} if shown.endswith(QUALIFIED) else look


MODEL_UNITS = {
    "rate": "rate in Hz", "extent": "extent in per cent",
    "presence": "the odds of vibrato in times (logarithmic axis; 1 is no difference)",
}  # fmt: skip
"""What the effects of a model are in, as a caption says it."""

TITLES = {"rate": "Rate", "extent": "Extent", "presence": "Odds of vibrato"}
"""Heads of the panels of effects."""


def effects_forest(effects: pd.DataFrame, size: str = "column") -> tuple[HouseFigure, pd.DataFrame]:
    """Draw the effects of models, a panel a model: differences, and odds on a logarithmic axis.

    Parameters
    ----------
    effects : DataFrame
        From :func:`vibstudy.stats.effects.standard_effects` or
        :func:`vibstudy.stats.effects.effects_in_table`: ``model, variant, term, words, estimate, low,
        high, unit, judged, players, notes``. Effects of variants stand side by side; levels ("Intercept")
        are not drawn.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        The rows drawn, those that cannot be judged (grey) among them.
    """
    need(effects, ["model", "words"], "The effects")
    table = effects[effects["term"] != "Intercept"].reset_index(drop=True)
    need(table, ["estimate"], "The effects")
    models = list(dict.fromkeys(table["model"]))
    variants = list(dict.fromkeys(table["variant"]))
    per = {model: list(dict.fromkeys(table.loc[table["model"] == model, "words"])) for model in models}
    with house_style(size) as page:
        letters = 30 if size == "column" else 44
        ticks = {model: [broken(words, letters) for words in per[model]] for model in models}
        deepest = max(label.count("\n") + 1 for labels in ticks.values() for label in labels)
        row_in = max(2.5, 1.3 * deepest) * page.small_pt / 72
        axes_in = 5.2 * page.font_pt / 72
        heights = [len(per[model]) * row_in + axes_in for model in models]
        figure = page.figure((sum(heights) + 3 * page.font_pt / 72) / page.width_in)
        axes = figure.subplots(len(models), 1, squeeze=False, height_ratios=heights)[:, 0]
        for ax, model in zip(axes, models, strict=True):
            rows = table[table["model"] == model]
            _draw_effects(ax, rows, per[model], variants, page)
            ax.set_yticks(range(len(per[model])), ticks[model])
            ax.set_title(TITLES.get(model, str(model)))
        handles = [
            legend_marker(
                variant or "decades and groups" if len(variants) > 1 else "estimate", **_variant_look(place)
            )
            for place, variant in enumerate(variants)
        ]
        handles.append(Line2D([], [], color=INK, label="95 % interval"))
        legend_below(figure, handles, columns=2)
        counts = "; ".join(
            f"{TITLES.get(str(model), str(model)).lower()}: {plural(int(own['players'].iloc[0]), 'player')}, "
            f"{plural(int(own['notes'].iloc[0]), 'note')}"
            for model, own in table.groupby("model", sort=False)
        )
        unable = int((~table["judged"].astype(bool)).sum())
        said = [MODEL_UNITS[model] for model in models if model in MODEL_UNITS]
        figure.caption = (
            f"Effects in mixed models, with 95 % intervals: {', '.join(said)}."
            + (f" Grey: {plural(unable, 'effect')} that these recordings cannot judge." if unable else "")
            + f" n = {counts}."
        )
    return figure, table


def _variant_look(place: int) -> dict[str, Any]:
    return {"marker": "os^D"[place % 4], "mfc": INK if place == 0 else "white", "color": INK, "mec": INK}


def _draw_effects(ax: Axes, rows: pd.DataFrame, words: list[str], variants: list[str], page: Page) -> None:
    model, unit = str(rows["model"].iloc[0]), str(rows["unit"].iloc[0])
    odds = unit.startswith("times")
    if odds:
        ax.set_xscale("log")
    apart = 0.34 if len(variants) > 1 else 0.0
    for place, variant in enumerate(variants):
        for row in rows[rows["variant"] == variant].to_dict("records"):
            y = words.index(row["words"]) + apart * (place - (len(variants) - 1) / 2)
            if not row["judged"]:
                continue
            ax.plot([row["low"], row["high"]], [y, y], color=INK, lw=0.7 * page.line_pt)
            ax.plot(row["estimate"], y, ls="", zorder=3, ms=0.8 * page.marker_pt, **_variant_look(place))
    ax.axvline(1 if odds else 0, color=MUTED, lw=0.6 * page.line_pt, ls=(0, (1, 1)), zorder=0)
    known = rows[rows["judged"].astype(bool)]
    for word, own in rows[~rows["judged"].astype(bool)].groupby("words", sort=False):
        y = float(words.index(str(word)))
        if (known["words"] == word).any():  # beside the effect that can be judged, and clear of its line
            y += 0.85 * apart * np.sign(variants.index(own["variant"].iloc[0]) - (len(variants) - 1) / 2)
        ax.text(0.99, y, "cannot be judged", ha="right", va="center", color=MUTED, style="italic",
                fontsize=page.small_pt, transform=ax.get_yaxis_transform())  # fmt: skip
    if len(known):
        places = [variants.index(variant) - (len(variants) - 1) / 2 for variant in known["variant"]]
        lines = [words.index(word) + apart * p for word, p in zip(known["words"], places, strict=True)]
        _fit_limits(ax, known, odds, lines)
    elif odds:
        ax.set_xlim(0.4, 2.5)
        _odds_ticks(ax, 0.4, 2.5)
    below, above = MODEL_DIRECTIONS.get(model, ("lower", "higher"))
    ax.set(ylim=(len(words) - 0.5, -0.6), xlabel=f"{below} ← {'× odds' if odds else unit} → {above}")
    ax.spines["left"].set_visible(False)
    ax.tick_params(axis="y", length=0)


_MOST_ODDS, _MOST_PER_CENT = 1000.0, 900.0
"""A thousand times the odds, ten times the extent: more than players can differ by, whose extents lie between
about ± 10 and ± 100 cents (common practice, no source)."""


def _fit_limits(ax: Axes, known: pd.DataFrame, odds: bool, places: list[float]) -> None:
    """Show all intervals whole; where one reaches absurdly far, an arrow at the edge says so."""
    scale = (lambda x: np.log(np.maximum(x, 1e-9))) if odds else (lambda x: x)
    low, high = (scale(known[name].to_numpy(float)) for name in ("low", "high"))
    largest = float(np.abs(scale(known["estimate"].to_numpy(float))).max())
    far = _WIDEST * max(largest, float(((high - low) / 2).min())) or 1.0
    if odds or str(known["unit"].iloc[0]).startswith("%"):
        far = min(far, np.log(_MOST_ODDS) if odds else _MOST_PER_CENT)
    far = max(far, 1.1 * largest)
    first, last = (
        min(0.0, float(np.clip(low, -far, far).min())),
        max(0.0, float(np.clip(high, -far, far).max())),
    )
    pad = 0.04 * (last - first)
    ends = np.array([first - pad, last + pad])
    ax.set_xlim(*(np.exp(ends) if odds else ends))
    if odds:
        _odds_ticks(ax, *np.exp(ends))
    for place, a, b in zip(places, low, high, strict=True):
        for beyond, x, marker in ((a < ends[0], 0.0, "<"), (b > ends[1], 1.0, ">")):
            if beyond:
                ax.plot(x, place, marker=marker, color=INK, clip_on=False, transform=ax.get_yaxis_transform(),
                        ms=4)  # fmt: skip


_ODDS_TICKS = (0.001, 0.01, 0.1, 0.2, 0.5, 1, 2, 5, 10, 100, 1000)


def _odds_ticks(ax: Axes, low: float, high: float) -> None:
    from vibstudy.figures.style import readable_log_axis

    ticks = [tick for tick in _ODDS_TICKS if low <= tick <= high]
    if len(ticks) > 6 or low < _ODDS_TICKS[0] or high > _ODDS_TICKS[-1]:
        first, last = int(np.ceil(np.log10(low))), int(np.floor(np.log10(high)))
        step = max(1, -(-(last - first) // 4))  # five at most, 1 among them
        ticks = [10.0**power for power in range(first, last + 1) if power % step == 0]
    readable_log_axis(ax.xaxis, ticks)
