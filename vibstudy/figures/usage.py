"""Where vibrato is put: by length of note, by player, along the score, and against the beat."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import Arc

from vibstudy.errors import VibstudyError
from vibstudy.figures.data import assessable_notes, axis_label, need, plural, short_names, size_words
from vibstudy.figures.recording import draw_note_box, legend_of_boxes, name_pitches, unbroken, vibrato_span
from vibstudy.figures.style import (
    INK,
    LINE,
    MARKERS,
    MUTED,
    PANEL_LETTERS,
    SOUNDING,
    HouseFigure,
    Page,
    broken,
    house_style,
    legend_below,
    legend_marker,
    readable_log_axis,
)
from vibstudy.stats.usage import TempoTest, length_curve, recording_correlation
from vibstudy.units import to_midi

_FEWEST_IN_BIN = 4
_MOST_BINS = 6
_DURATION_TICKS = (0.1, 0.2, 0.5, 1, 2, 5)
USES = ("continuous", "ornamental", "between", "straight")


def vibrato_by_length(
    notes: pd.DataFrame, index: pd.DataFrame | None = None, size: str = "column"
) -> tuple[HouseFigure, pd.DataFrame]:
    """Draw the share of notes with vibrato against their length, a panel a player, with a fitted curve.

    Parameters
    ----------
    notes : DataFrame
        Note table.
    index : DataFrame | None
        From :func:`~vibstudy.stats.usage.usage_index`; its ``use`` stands in the panels.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        ``player, use, duration_s, share, low, high, notes, what``: "class" (a class of length of the
        player with at least four notes; duration is the class's geometric mean) and "curve" (the fit with
        its 95 % band, :func:`~vibstudy.stats.usage.length_curve`).
    """
    assessable = assessable_notes(notes)
    need(assessable, ["duration_s", "player"], "Vibrato by length of note")
    classes = _by_length(assessable)
    names = short_names(assessable["player"])
    kinds = {} if index is None else index.set_index("player")["use"].to_dict()
    counts = assessable.groupby("player", observed=True).size()
    drawn = [player for player in names if counts.get(player, 0) >= _FEWEST_IN_BIN]
    if not drawn:
        raise VibstudyError(
            f"Vibrato by length of note cannot be shown: no player has {_FEWEST_IN_BIN} notes that are long "
            "enough to tell"
        )
    left_out = len(names) - len(drawn[:_MOST_PANELS])
    drawn = drawn[:_MOST_PANELS]
    rho = recording_correlation(assessable)
    low, high = assessable["duration_s"].astype(float).quantile([0.02, 0.98])
    grid = np.geomspace(low, max(high, 1.01 * low), 41)
    parts = []
    with house_style(size) as page:
        columns = min(len(drawn), 6 if size == "slide" else 4)
        rows = -(-len(drawn) // columns)
        cell = page.width_in / columns
        figure = page.figure(
            (rows * (0.72 * cell + 2.6 * page.small_pt / 72) + 4 * page.font_pt / 72) / page.width_in
        )
        axes = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False).ravel()
        for ax, player in zip(axes, drawn, strict=False):
            own = assessable[assessable["player"] == player]
            curve = length_curve(own, rho, grid)
            points = classes[classes["player"] == player]
            ax.fill_between(grid, 100 * curve["low"], 100 * curve["high"], color=MUTED, alpha=0.3, lw=0)
            ax.plot(grid, 100 * curve["share"], color=INK)
            ax.plot(points["duration_s"], 100 * points["share"], ls="", marker="o", mfc="white", mec=INK,
                    ms=0.7 * page.marker_pt)  # fmt: skip
            use = kinds.get(player, "one player")
            title = "\n".join([broken(names[player], PANEL_LETTERS), *([use] if kinds else [])])
            ax.set_title(title, fontsize=page.small_pt, pad=2)
            ax.text(0.97, 0.06, str(len(own)), ha="right", fontsize=page.small_pt, transform=ax.transAxes)
            tags = {"player": player, "use": use}
            parts += [points.assign(what="class", **tags), curve.assign(what="curve", notes=len(own), **tags)]
        axes[0].set_xscale("log")
        readable_log_axis(
            axes[0].xaxis, [tick for tick in _DURATION_TICKS if low <= tick <= high] or [round(low, 2)]
        )
        axes[0].set(ylim=(-6, 106), xlim=(low / 1.1, high * 1.1), yticks=[0, 50, 100])
        for ax in axes[len(drawn) :]:
            ax.set_visible(False)
        figure.supxlabel(axis_label("duration_s"), fontsize=page.font_pt)
        figure.supylabel("Notes with vibrato (%)", fontsize=page.font_pt)
        shown = assessable[assessable["player"].isin(drawn)]
        figure.caption = (
            "Share of notes with vibrato against the length of the note, a panel a player, with the "
            "number of notes "
            "long enough to tell. Points: classes of length with at least "
            f"{_FEWEST_IN_BIN} notes; line and band: fitted curve with its 95 % interval, notes of a "
            "recording taken "
            f"for as alike as they are. {size_words(shown)}"
            + (f"; {plural(left_out, 'player')} not drawn." if left_out else ".")
        )
    table = pd.concat(parts, ignore_index=True)
    return figure, table[["player", "use", "what", "duration_s", "share", "low", "high", "notes"]]


_MOST_PANELS = 24
"""Panels that can be read at one column."""


def _by_length(assessable: pd.DataFrame) -> pd.DataFrame:
    """Share of each player's notes in two to six classes of length, with equally many notes of the corpus
    in each."""
    per_player = assessable.groupby("player", observed=True).size().median()
    bins = int(np.clip(per_player // (2 * _FEWEST_IN_BIN), 2, _MOST_BINS))
    assessable = assessable.assign(
        length=pd.qcut(assessable["duration_s"].astype(float), bins, labels=False, duplicates="drop")
    )
    centre = assessable.groupby("length")["duration_s"].apply(
        lambda d: float(np.exp(np.log(d.astype(float)).mean()))
    )
    grouped = assessable.groupby(["player", "length"], observed=True)["has_vibrato"]
    table = pd.DataFrame({"share": grouped.mean(), "notes": grouped.size()}).reset_index()
    table["duration_s"] = table["length"].map(centre)
    return table[table["notes"] >= _FEWEST_IN_BIN].drop(columns="length").reset_index(drop=True)


def usage_by_player(index: pd.DataFrame, size: str = "column") -> tuple[HouseFigure, pd.DataFrame]:
    """Draw each player's continuity and ornament gap with their intervals.

    Parameters
    ----------
    index : DataFrame
        From :func:`~vibstudy.stats.usage.usage_index`.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        `index`, in the order drawn (from the top).
    """
    need(index, ["continuity"], "The usage index")
    coded: dict[str, dict[str, Any]] = {
        use: {"marker": marker, "mec": INK, "color": INK if use == "continuous" else "white"}
        for use, marker in zip(USES, MARKERS, strict=False)
    }
    with house_style(size) as page:
        figure = page.figure_of_lines(1.7 * len(index) + 7)
        left, right = figure.subplots(1, 2, sharey=True)
        places = np.arange(len(index))
        for ax, name in ((left, "continuity"), (right, "gap")):
            for use in USES:
                here = (index["use"] == use).to_numpy()
                rows = index[here]
                ends = rows[f"{name}_low"], rows[f"{name}_high"]
                ax.hlines(places[here], *ends, color=INK, lw=0.6 * page.line_pt)
                ax.plot(rows[name], places[here], ls="", mew=0.6, **coded[use])
        left.set(xlim=(-0.08, 1.08), xlabel="Continuity", yticks=places, ylim=(len(index) - 0.5, -0.5))
        called = short_names(index["player"])
        left.set_yticklabels([called[player] for player in index["player"]])
        reach = float(np.nanmin([0.0, index["gap_low"].min()]))
        right.set(xlim=(min(-0.1, reach) - 0.03, 1.08), xlabel="Ornament gap")
        right.axvline(0, color=MUTED, lw=0.6 * page.line_pt, ls=(0, (1, 1)))
        right.tick_params(axis="y", length=0)
        handles = [
            legend_marker(use, mew=0.3, **look) for use, look in coded.items() if (index["use"] == use).any()
        ]
        legend_below(figure, handles, columns=2)
        figure.caption = (
            "Use of vibrato by player, 95 % intervals. Continuity: share of notes with vibrato, standardised "
            "for length of note. Ornament gap: share among long notes minus share among short ones. "
            f"n = {plural(len(index), 'player')}, {plural(int(index['recordings'].sum()), 'recording')}, "
            f"{plural(int(index['notes'].sum()), 'note')} long enough to tell."
        )
    return figure, index.copy()


def along_the_score(
    line: pd.DataFrame, notes: pd.DataFrame, size: str = "column"
) -> tuple[HouseFigure, pd.DataFrame]:
    """Draw where vibrato is put along a passage: the measured pitch, and under it what is written.

    Parameters
    ----------
    line : DataFrame
        The recording's measured line: ``time_s, f0_hz``.
    notes : DataFrame
        Its notes in the passage, in time order, with the columns of the score.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        ``note_id, onset_s, offset_s, pitch_hz, score_match, written_midi, notated_beats, measure, beat,
        slur_position, dynamic, has_vibrato, extent_cents, vibrato_start_s, vibrato_end_s``.
    """
    need(notes, ["onset_s", "offset_s", "pitch_hz", "score_match"], "The passage beside its score")
    if not notes["measure"].notna().any():
        raise VibstudyError("No note of this passage lies on the score: choose another passage")
    table = notes.reset_index(drop=True)
    table["vibrato_start_s"], table["vibrato_end_s"] = vibrato_span(table)
    start_s, end_s = float(table["onset_s"].min()) - 0.1, float(table["offset_s"].max()) + 0.1
    part = line[line["time_s"].between(table["onset_s"].min(), table["offset_s"].max())]
    with house_style(size) as page:
        figure = page.figure(1.0)
        above, strip = figure.subplots(2, 1, sharex=True, height_ratios=[3, 2])
        time_s, f0_hz = unbroken(part)
        above.plot(time_s, to_midi(f0_hz), color=LINE, lw=0.9 * page.line_pt)
        name_pitches(above, to_midi(table["pitch_hz"].astype(float)).round())
        bars = _bar_lines(table)
        for ax in (above, strip):
            for bar_s in bars.values():
                ax.axvline(bar_s, color=MUTED, lw=0.6 * page.line_pt, zorder=0)
        _draw_written(strip, table, page)
        for measure, bar_s in bars.items():
            strip.text(
                bar_s, 1.02, f" {measure}", fontsize=page.small_pt, transform=strip.get_xaxis_transform()
            )
        strip.set(xlim=(start_s, end_s), yticks=[], xlabel="Time (s)", ylabel="Written")
        legend_of_boxes(figure)
        yes = int(table["vibrato_start_s"].notna().sum())
        figure.caption = (
            f"A phrase beside its score: {table['recording_id'].iloc[0]}, {start_s:.1f} to {end_s:.1f} s. "
            "Above: the measured pitch. Below: the written notes (height: written pitch; arcs: slurs; "
            "letters: dynamics; lines: bars with their numbers), each as long as it was played "
            "and filled where vibrato lasts; notes not written are left out. "
            f"n = {plural(len(table), 'note')}, {yes} with vibrato."
        )
    return figure, table[[name for name in _ALONG if name in table]]


_ALONG: tuple[str, ...] = (
    *("note_id", "onset_s", "offset_s", "pitch_hz", "score_match", "written_midi", "notated_beats"),
    *("measure", "beat", "slur_position", "dynamic", "has_vibrato", "extent_cents"),
    *("vibrato_start_s", "vibrato_end_s"),
)


def _bar_lines(table: pd.DataFrame) -> dict[int, float]:
    """Time of the bar line of each measure, s, from its first note and the local tempo."""
    known = table[table["measure"].notna() & table["local_tempo_bpm"].notna()]
    first = known.drop_duplicates("measure")
    begin = first["onset_s"] - (first["beat"] - 1) * 60 / first["local_tempo_bpm"]
    start = float(table["onset_s"].min()) - 0.1
    return {int(m): float(s) for m, s in zip(first["measure"], begin, strict=True) if s >= start}


def _draw_written(strip: Axes, table: pd.DataFrame, page: Page) -> None:
    """Boxes of the written notes, filled where vibrato lasts; slurs and dynamics."""
    written = table[table["written_midi"].notna()]
    height = max(1.0, float(np.ptp(written["written_midi"].astype(float))) / 9)
    slur_s: float | None = None
    said = ""
    low, high = float(written["written_midi"].min()), float(written["written_midi"].max())
    for row in written.to_dict("records"):
        onset, offset, pitch = (float(row[name]) for name in ("onset_s", "offset_s", "written_midi"))
        draw_note_box(strip, row, pitch, height, page)
        if row["slur_position"] == "first":
            slur_s = onset
        elif row["slur_position"] == "last" and slur_s is not None:
            top = high + 1.4 * height
            middle = 0.5 * (slur_s + offset)
            arc = Arc((middle, top), offset - slur_s, 1.6 * height, theta1=0, theta2=180, color=INK)
            arc.set_linewidth(0.7 * page.line_pt)
            strip.add_patch(arc)
            slur_s = None
        if pd.notna(row["dynamic"]) and row["dynamic"] != said:
            said = row["dynamic"]
            strip.text(onset, low - 0.4 * height, said, va="top", style="italic", weight="bold")
    strip.set_ylim(low - 2.6 * height, high + 2.6 * height)


def pulses_and_beat(test: TempoTest, size: str = "column") -> tuple[HouseFigure, pd.DataFrame]:
    """Draw pulses per beat by player, and the test of whole pulses.

    Parameters
    ----------
    test : TempoTest
        From :func:`~vibstudy.stats.usage.tempo_test`.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        The notes drawn: ``player, recording_id, pulses_per_beat``.
    """
    table = test.notes[["player", "recording_id", "pulses_per_beat"]].reset_index(drop=True)
    players = list(test.players["player"])
    recordings = table["recording_id"].nunique()
    with house_style(size) as page:
        figure = page.figure_of_lines(1.5 * len(players) + 11 + 6)
        above, below = figure.subplots(2, 1, height_ratios=[1.5 * len(players), 11])
        low, high = table["pulses_per_beat"].astype(float).quantile([0.005, 0.995])
        for whole in range(int(np.floor(low)), int(np.ceil(high)) + 1):
            above.axvline(whole, color=MUTED, lw=0.6 * page.line_pt, zorder=0)
        # Recordings of a player stand a little above one another, so that tempos can be told apart.
        for place, player in enumerate(players):
            own = table[table["player"] == player]
            order = {name: k for k, name in enumerate(own["recording_id"].unique())}
            lift = own["recording_id"].map(order).to_numpy(float) / max(1, len(order) - 1) - 0.5
            at = place + 0.5 * (lift if len(order) > 1 else 0 * lift)
            dot: dict[str, Any] = {"marker": ".", "ms": 0.4 * page.marker_pt, "color": SOUNDING, "alpha": 0.6}
            above.plot(own["pulses_per_beat"], at, ls="", **dot)
        called = short_names(players)
        above.set_yticks(range(len(players)), [called[player] for player in players])
        above.set(xlim=(low - 0.3, high + 0.3), ylim=(len(players) - 0.4, -0.6))
        above.set_xlabel(axis_label("pulses_per_beat"))
        draws, *_ = below.hist(test.null, bins=40, color="#B4B4B4")
        below.set_ylim(top=1.25 * np.max(draws))  # room for words above them
        below.axvline(test.statistic, color=LINE, lw=1.4 * page.line_pt)
        side = "left" if test.statistic < np.median(test.null) + np.ptp(test.null) / 4 else "right"
        below.annotate(
            f"observed, p = {test.p:.2g}", (test.statistic, 1.0), xycoords=("data", "axes fraction"),
            xytext=(3, -2), textcoords="offset points", va="top", ha=side, fontsize=page.small_pt,
        )  # fmt: skip
        below.set(xlabel="Closeness to whole pulses", ylabel="Draws", yticks=[])
        figure.caption = (
            "Vibrato pulses to the beat. Above: every note, recordings of a player one above the other; "
            "lines mark whole pulses. Below: closeness to whole pulses (line) against what it would be if "
            f"rates had nothing to do with the beat (grey). n = {plural(len(players), 'player')}, "
            f"{plural(recordings, 'recording')}, {plural(len(table), 'note')} with vibrato and a known tempo."
        )
    return figure, table
