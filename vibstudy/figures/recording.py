"""One recording, and one note of it, up close."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle
from matplotlib.patheffects import withStroke

from vibstudy.errors import VibstudyError
from vibstudy.figures.data import need, plural, vibrato_notes
from vibstudy.figures.style import (
    BAND,
    EXTENT_NOTE,
    FAINT,
    INK,
    LINE,
    MUTED,
    SOUNDING,
    HouseFigure,
    Page,
    house_style,
    legend_below,
    readable_log_axis,
)
from vibstudy.schema import reasons_of
from vibstudy.stats.usage import add_context
from vibstudy.units import FUSION_POINTS, fusion_limit_cents, to_cents, to_midi

_FFT_S = 0.046
_SHOWN_DB = 70.0
_LOG_TICKS = (50, 100, 200, 500, 1000, 2000, 5000)
_MOST_COLUMNS = 2000


NOTE_NAMES = ("C", "C♯", "D", "E♭", "E", "F", "F♯", "G", "A♭", "A", "B♭", "B")


def note_name(midi: float) -> str:
    """Return the name of a tempered note: 69 is A4 (MIDI 1.0 numbering, C4 = 60)."""
    number = round(float(midi))
    return f"{NOTE_NAMES[number % 12]}{number // 12 - 1}"


def _spectrogram_db(samples: np.ndarray, rate_hz: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return time (s), frequency (Hz) and level (dB re the loudest, floored) for drawing."""
    from scipy.signal import ShortTimeFFT
    from scipy.signal.windows import hann

    size = int(_FFT_S * rate_hz)
    hop = max(size // 4, len(samples) // _MOST_COLUMNS, 1)
    analysis = ShortTimeFFT(hann(size), hop=hop, fs=rate_hz, mfft=2 * size)
    power = analysis.spectrogram(samples)
    level = 10 * np.log10(np.maximum(power / max(power.max(), 1e-30), 10 ** (-_SHOWN_DB / 10)))
    return analysis.t(len(samples)), analysis.f, level


def unbroken(line: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return time and pitch for drawing, with a gap wherever the line has one."""
    time_s, f0_hz = line["time_s"].to_numpy(float), line["f0_hz"].to_numpy(float)
    steps = np.diff(time_s)
    gaps = np.flatnonzero(steps > 2.5 * np.median(steps)) + 1 if len(steps) else np.array([], int)
    return np.insert(time_s, gaps, np.nan), np.insert(f0_hz, gaps, np.nan)


def recording_close_up(
    samples: np.ndarray,
    rate_hz: float,
    line: pd.DataFrame,
    notes: pd.DataFrame,
    start_s: float | None = None,
    end_s: float | None = None,
    origin_s: float = 0.0,
    size: str = "column",
) -> tuple[HouseFigure, pd.DataFrame]:
    """Draw a stretch of one recording: spectrogram with the line, and the notes with their vibrato.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        Sound of the whole recording, at true speed.
    rate_hz : float
        Sample rate.
    line : DataFrame
        The measured line: ``time_s, f0_hz`` (missing where there is no note).
    notes : DataFrame
        The recording's rows of the note table.
    start_s, end_s : float | None
        Stretch to show; None = from the beginning, to the end.
    origin_s : float
        Time of the first sample on the clock of the note table.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        The notes in the stretch: onset, offset, pitch, vibrato figures.
    """
    last_s = origin_s + len(samples) / rate_hz
    start_s = origin_s if start_s is None else max(start_s, origin_s)
    end_s = last_s if end_s is None else min(end_s, last_s)
    shown = notes[(notes["offset_s"] > start_s) & (notes["onset_s"] < end_s)].reset_index(drop=True)
    need(shown, ["pitch_hz"], "The recording")
    part = line[line["time_s"].between(start_s, end_s)]
    sound = samples[int((start_s - origin_s) * rate_hz) : int((end_s - origin_s) * rate_hz)]
    time_s, frequency_hz, level_db = _spectrogram_db(np.asarray(sound, float), rate_hz)
    low_hz = 0.7 * float(shown["pitch_hz"].min())
    high_hz = min(rate_hz / 2, max(4000.0, 3 * float(shown["pitch_hz"].max())))
    with house_style(size) as page:
        figure = page.figure(1.35)
        above, below = figure.subplots(2, 1, sharex=True, height_ratios=[1.2, 1])
        keep = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
        greys: dict[str, Any] = {"cmap": "Greys", "shading": "nearest", "rasterized": True}
        above.pcolormesh(start_s + time_s, frequency_hz[keep], level_db[keep], **greys)
        # white in the harmonic's black, else the line is grey on black in print
        edge = [withStroke(linewidth=2.7 * page.line_pt, foreground="white")]
        above.plot(*unbroken(part), color=LINE, lw=0.9 * page.line_pt, path_effects=edge)
        above.set_yscale("log")
        readable_log_axis(above.yaxis, [tick for tick in _LOG_TICKS if low_hz <= tick <= high_hz])
        above.set(ylim=(low_hz, high_hz), ylabel="Frequency (Hz)", title="Spectrogram and the line found")

        extents = shown["extent_cents"].astype(float).max()
        reach = 1.8 * (extents if np.isfinite(extents) else 20.0)
        for row in shown.to_dict("records"):
            inside = part[part["time_s"].between(row["onset_s"], row["offset_s"])]
            cents = to_cents(inside["f0_hz"].to_numpy(float), float(row["pitch_hz"]))
            below.plot(inside["time_s"], cents, color=LINE, lw=0.9 * page.line_pt)
            below.axvline(row["onset_s"], color=FAINT, lw=0.5 * page.line_pt, zorder=0)
            if pd.notna(row["has_vibrato"]) and row["has_vibrato"] and pd.notna(row["extent_cents"]):
                corner, lasts = (row["onset_s"], -row["extent_cents"]), row["offset_s"] - row["onset_s"]
                band: dict[str, Any] = {"facecolor": BAND, "alpha": 0.35, "lw": 0, "zorder": 0}
                below.add_patch(Rectangle(corner, lasts, 2 * row["extent_cents"], **band))
            seen_s = min(row["offset_s"], end_s) - max(row["onset_s"], start_s)
            if seen_s > 0.075 * (end_s - start_s) and pd.notna(row["midi"]):
                name: dict[str, Any] = {"va": "top", "fontsize": page.small_pt, "clip_on": True}
                below.text(max(row["onset_s"], start_s), 0.99 * reach, f" {note_name(row['midi'])}", **name)
        below.set(xlabel="Time (s)", ylabel="Re note's mean (cents)", title="Each note around its own mean")
        below.set(ylim=(-reach, reach), xlim=(start_s, end_s))
        handles = [
            Line2D([], [], color=LINE, label="measured line"),
            Patch(facecolor=BAND, alpha=0.35, label="extent, where vibrato was found"),
        ]
        legend_below(figure, handles, columns=2)
        with_vibrato = int(shown["has_vibrato"].fillna(False).astype(bool).sum())
        figure.caption = (
            f"{shown['recording_id'].iloc[0]}, {start_s:.1f} to {end_s:.1f} s. Above: spectrogram with the "
            "measured line. Below: the line of each note around the note's mean pitch; bands show the extent "
            f"of notes with vibrato. {EXTENT_NOTE} n = {plural(len(shown), 'note')}, {with_vibrato} with "
            "vibrato."
        )
    wanted = ["note_id", "onset_s", "offset_s", "midi", "pitch_hz", "has_vibrato", "rate_hz", "extent_cents"]
    return figure, shown[[name for name in wanted if name in shown]]


PHRASE_S = (3.0, 10.0)
"""Shortest and longest phrase that is chosen to be shown or heard."""


def telling_phrase(notes: pd.DataFrame) -> pd.DataFrame:
    """Return the notes of the phrase that shows most.

    Phrases are those of :func:`vibstudy.stats.usage.add_context`. Taken is one with a vibrato that can be
    used; if there is a choice one of :data:`PHRASE_S`, then one with straight notes too, then the one with
    the most vibrato notes.
    """
    table = add_context(notes)
    marks = {
        "used": table["note_id"].isin(vibrato_notes(notes)["note_id"]),
        "straight": table["has_vibrato"].eq(False).fillna(False).astype(bool),
    }
    grouped = table.assign(**marks).groupby(["recording_id", "phrase"], sort=False, observed=True)
    phrases = grouped.agg({"used": "sum", "straight": "any", "onset_s": "min", "offset_s": "max"})
    phrases = phrases[phrases["used"] > 0]
    if phrases.empty:
        raise VibstudyError("No phrase can be shown: no note of this study has a vibrato that can be used")
    phrases["fits"] = (phrases["offset_s"] - phrases["onset_s"]).between(*PHRASE_S)
    best = phrases.sort_values(["fits", "straight", "used"], ascending=False, kind="stable").index[0]
    return grouped.get_group(best).drop(columns=list(marks)).reset_index(drop=True)


def vibrato_span(notes: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Return where vibrato begins and ends on each note, s; missing where there is none."""
    yes = notes["has_vibrato"].eq(True).fillna(False).to_numpy(bool)
    delay_s = notes["vibrato_onset_s"].astype(float).fillna(0.0)
    lasts_s = notes["vibrato_fraction"].astype(float).fillna(1.0) * (notes["offset_s"] - notes["onset_s"])
    start_s = (notes["onset_s"] + delay_s).where(yes)
    return start_s, (start_s + lasts_s).clip(upper=notes["offset_s"])


def name_pitches(axis: Any, midi: Iterable[float]) -> None:
    """Mark the pitch axis (MIDI numbers) with the names of the notes that occur, not too many."""
    ticks = sorted({int(number) for number in midi if pd.notna(number)})
    while len(ticks) > _MOST_NAMES:
        ticks = ticks[::2]
    apart = (ticks[-1] - ticks[0]) / _MOST_NAMES if ticks else 0.0
    for tick in list(ticks[1:]):  # names nearer than a line of letters would lie on each other
        if tick - max(kept for kept in ticks if kept < tick) < apart:
            ticks.remove(tick)
    axis.set_yticks(ticks, [note_name(number) for number in ticks])
    axis.set(ylabel="Pitch")


def phrase_strip(
    line: pd.DataFrame, phrase: pd.DataFrame, size: str = "column"
) -> tuple[HouseFigure, pd.DataFrame]:
    """Draw where vibrato is put along a phrase: the pitch, and under it a strip of the notes.

    Parameters
    ----------
    line : DataFrame
        The recording's measured line: ``time_s, f0_hz``.
    phrase : DataFrame
        Its notes in the phrase, from :func:`telling_phrase` or of your choice.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        The notes, with ``vibrato_start_s, vibrato_end_s``.
    """
    need(phrase, ["onset_s", "offset_s", "midi"], "The phrase")
    table = phrase.reset_index(drop=True)
    table["vibrato_start_s"], table["vibrato_end_s"] = vibrato_span(table)
    yes = table["vibrato_start_s"].notna()
    start_s, end_s = float(table["onset_s"].min()) - 0.1, float(table["offset_s"].max()) + 0.1
    part = line[line["time_s"].between(start_s, end_s)]
    with house_style(size) as page:
        figure = page.figure(0.86)
        above, strip = figure.subplots(2, 1, sharex=True, height_ratios=[3, 1])
        time_s, f0_hz = unbroken(part)
        above.plot(time_s, to_midi(f0_hz), color=LINE, lw=0.9 * page.line_pt)
        name_pitches(above, table["midi"])
        for row in table.to_dict("records"):
            _strip_note(strip, row, (end_s - start_s) / page.width_in, page)
        strip.set(ylim=(-1.6, 1.1), yticks=[], xlim=(start_s, end_s), xlabel="Time (s)", ylabel="Vibrato")
        strip.spines["left"].set_visible(False)
        legend_of_boxes(figure)
        figure.caption = (
            f"{table['recording_id'].iloc[0]}, {start_s:.1f} to {end_s:.1f} s: where vibrato is put along a "
            "phrase. Above: the measured pitch. Below: one box a note, filled where vibrato lasts; figures "
            f"are its extent in ± cents. {EXTENT_NOTE} n = {plural(len(table), 'note')}, {int(yes.sum())} "
            "with vibrato."
        )
    wanted = ["note_id", "onset_s", "offset_s", "midi", "has_vibrato", "rate_hz", "extent_cents"]
    wanted += ["vibrato_start_s", "vibrato_end_s"]
    return figure, table[[name for name in wanted if name in table]]


_MOST_NAMES = 8
"""Note names on the axis of a phrase."""


def _strip_note(axis: Any, row: dict[Any, Any], seconds_per_in: float, page: Page) -> None:
    """One box of the strip."""
    draw_note_box(axis, row, 0.0, 1.0, page)
    if pd.notna(row["vibrato_start_s"]) and pd.notna(row["extent_cents"]):
        text = f"{row['extent_cents']:.0f}"
        room_in = (row["offset_s"] - row["onset_s"]) / seconds_per_in
        if room_in > 0.62 * len(text) * page.small_pt / 72:
            axis.text(
                0.5 * (row["onset_s"] + row["offset_s"]), -0.25, text,
                ha="center", va="top", fontsize=page.small_pt,
            )  # fmt: skip


def draw_note_box(axis: Any, row: dict[Any, Any], bottom: float, height: float, page: Page) -> None:
    """A note as a box as long as it lasts, filled where vibrato lasts; hatched where it cannot be told."""
    told = pd.notna(row["has_vibrato"])
    box: dict[str, Any] = {"lw": 0.5 * page.line_pt, "edgecolor": INK if told else MUTED}
    lasts = row["offset_s"] - row["onset_s"]
    hatch = None if told else "////"
    axis.add_patch(Rectangle((row["onset_s"], bottom), lasts, height, facecolor="white", hatch=hatch, **box))
    if pd.notna(row["vibrato_start_s"]):
        width = row["vibrato_end_s"] - row["vibrato_start_s"]
        axis.add_patch(Rectangle((row["vibrato_start_s"], bottom), width, height, facecolor=SOUNDING, lw=0))


def legend_of_boxes(figure: HouseFigure) -> None:
    """Says below what :func:`draw_note_box` draws."""
    handles = [
        Patch(facecolor=SOUNDING, edgecolor=INK, label="vibrato"),
        Patch(facecolor="white", edgecolor=INK, label="straight"),
        Patch(facecolor="white", edgecolor=MUTED, hatch="////", label="too short to tell"),
    ]
    legend_below(figure, handles, columns=3)


def fitted_vibrato(line: pd.DataFrame, note: pd.Series) -> pd.DataFrame:
    """Lay the note's measured rate and extent over its line: slow drift plus one sine.

    Rate and extent are the table's; drift (a cubic) and phase are fitted by least squares, so that
    the curve can be held against the line.

    Parameters
    ----------
    line : DataFrame
        ``time_s, f0_hz`` of the recording.
    note : Series
        One row of the note table, with vibrato.

    Returns
    -------
    DataFrame
        ``time_s``, ``line_cents`` (re the note's mean pitch) and ``vibrato_cents`` (missing before
        the vibrato's onset).
    """
    inside = line[line["time_s"].between(note["onset_s"], note["offset_s"]) & line["f0_hz"].notna()]
    if len(inside) < 8 or not np.isfinite(float(note["rate_hz"])):
        raise VibstudyError(f"Note {note['note_id']} has no vibrato to draw")
    time_s = inside["time_s"].to_numpy(float)
    cents = to_cents(inside["f0_hz"].to_numpy(float), float(note["pitch_hz"]))
    delay = float(note["vibrato_onset_s"]) if pd.notna(note.get("vibrato_onset_s")) else 0.0
    vibrating = time_s >= note["onset_s"] + delay
    length = float(note["offset_s"] - note["onset_s"])
    scaled = 2 * (time_s - float(note["onset_s"])) / length - 1
    drift = np.polynomial.chebyshev.chebvander(scaled, 3)
    angle = 2 * np.pi * float(note["rate_hz"]) * time_s
    design = np.column_stack([drift, np.cos(angle), np.sin(angle)])[vibrating]
    weights, *_ = np.linalg.lstsq(design, cents[vibrating], rcond=None)
    phase = np.arctan2(-weights[5], weights[4])
    curve = drift @ weights[:4] + float(note["extent_cents"]) * np.cos(angle + phase)
    return pd.DataFrame(
        {"time_s": time_s, "line_cents": cents, "vibrato_cents": np.where(vibrating, curve, np.nan)}
    )


def note_close_up(
    line: pd.DataFrame, note: pd.Series, size: str = "column"
) -> tuple[HouseFigure, pd.DataFrame]:
    """Draw one note: its line in cents and the vibrato measured on it.

    Parameters
    ----------
    line : DataFrame
        ``time_s, f0_hz`` of the recording.
    note : Series
        One row of the note table, with vibrato.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        As :func:`fitted_vibrato`.
    """
    table = fitted_vibrato(line, note)
    extent = float(note["extent_cents"])
    with house_style(size) as page:
        figure = page.figure(0.7)
        ax = figure.add_subplot()
        middle = float(np.nanmedian(table["vibrato_cents"]))
        ax.axhspan(middle - extent, middle + extent, color=BAND, alpha=0.25, lw=0)
        ax.plot(table["time_s"], table["line_cents"], color=INK)
        ax.plot(table["time_s"], table["vibrato_cents"], color=LINE, ls=(0, (4, 1.2)), lw=0.9 * page.line_pt)
        reach = max(1.6 * extent, float(np.nanpercentile(np.abs(table["line_cents"] - middle), 95)))
        name = f"{note_name(note['midi'])}: " if pd.notna(note.get("midi")) else ""
        ax.set_title(f"{name}{float(note['rate_hz']):.2f} Hz, ± {extent:.1f} cents")
        ax.set(xlabel="Time (s)", ylabel="Pitch re note's mean (cents)")
        ax.set(ylim=(middle - 1.3 * reach, middle + 1.3 * reach))
        handles = [
            Line2D([], [], color=INK, label="measured line"),
            Line2D([], [], color=LINE, ls=(0, (4, 1.2)), label="rate and extent of the table"),
        ]
        legend_below(figure, handles, columns=2)
        figure.caption = (
            f"One note ({note['note_id']}): the measured line, and a sine with the table's rate "
            f"({float(note['rate_hz']):.2f} Hz) and extent (± {extent:.1f} cents) laid over it. The band is "
            f"the extent above and below the note's centre. {EXTENT_NOTE} n = 1 note."
        )
    return figure, table


def kind_words(note_kind: object, quality: object = None) -> str:
    """Say why it is not told of a note whether it has vibrato; `quality` is the cell of its remarks."""
    kinds = {"trill": "a trill", "ornament": "an ornament", "unclear": "a trill or a wide vibrato"}
    reasons = reasons_of(quality) if isinstance(quality, str) else []
    whose = {"masked", "octave_unsure"} <= set(reasons) and "too_short" not in reasons
    return kinds.get(str(note_kind), "it may be another player's" if whose else "too short to tell")


def note_words(note: pd.Series) -> str:
    """Say a note's vibrato in words, with standard errors where they are known."""

    def value(name: str, decimals: int) -> str:
        if pd.isna(note.get(name)):
            return "not known"
        return f"{float(note[name]):.{decimals}f}"

    name = note_name(note["midi"]) if pd.notna(note.get("midi")) else f"{float(note['pitch_hz']):.0f} Hz"
    if pd.isna(note["has_vibrato"]):
        why = kind_words(note.get("note_kind"), note.get("quality"))
        return f"{name}: {why}. Whether it has vibrato is not told."
    if not bool(note["has_vibrato"]):
        return f"{name}: straight, no vibrato found."
    return (
        f"{name}: {value('rate_hz', 2)} Hz (standard error {value('rate_se_hz', 2)}), "
        f"± {value('extent_cents', 1)} cents (standard error {value('extent_se_cents', 1)}), "
        f"beginning {value('vibrato_onset_s', 2)} s into the note.{_lead_words(note)}"
    )


def _lead_words(note: pd.Series) -> str:
    """Say which leads where pitch and loudness swing together, as in air vibrato; nothing elsewhere.

    The error of the phase is that of the depth as an angle; within two of them it is not told which leads.
    """
    names = ("intensity_phase_rad", "intensity_depth_db", "intensity_depth_se_db")
    phase, depth_db, error_db = (float(v) if pd.notna(v := note.get(name)) else np.nan for name in names)
    if str(note.get("vibrato_in")) != "both" or not np.isfinite(phase + depth_db + error_db):
        return ""
    unsure_rad = 2.0 * np.arctan2(error_db, depth_db)
    start = f" Its loudness swings, too, by ± {depth_db:.1f} dB,"
    if abs(phase) <= unsure_rad:
        return f"{start} and is greatest where the pitch is highest."
    if np.pi - abs(phase) <= unsure_rad:
        return f"{start} and is greatest where the pitch is lowest."
    ahead = "ahead of" if phase > 0 else "behind"
    turn, milliseconds = abs(phase) / (2 * np.pi), abs(phase) / (2 * np.pi * float(note["rate_hz"])) * 1000
    leads = "loudness leads" if phase > 0 else "pitch leads"
    return f"{start} {turn:.2f} of a cycle ({milliseconds:.0f} ms) {ahead} the pitch: {leads}."


def heard_numbers(note: pd.Series) -> dict[str, tuple[float, str]]:
    """Return the numbers of :func:`hearing_words` that stand in no table: name, value and unit."""
    rate, extent = float(note["rate_hz"]), float(note["extent_cents"])
    swing = {"whole swing of the note": (2 * extent, "cents")}
    (slow, _), (fast, _) = FUSION_POINTS
    if not slow <= rate <= fast:
        return swing
    return swing | {"fusion limit at its rate": (float(fusion_limit_cents(rate)), "cents")}


def hearing_words(note: pd.Series) -> str:
    """Say how a vibrato note may be heard: its whole swing, the rule of thumb, pulses to the beat."""
    rate, extent = float(note["rate_hz"]), float(note["extent_cents"])
    words = (
        f"From its lowest to its highest point this vibrato swings {2 * extent:.0f} cents, "
        f"{rate:.1f} times a second."
    )
    (slow, _), (fast, _) = FUSION_POINTS
    if slow <= rate <= fast:
        limit = float(fusion_limit_cents(rate))
        heard = "as a richer tone rather than a moving pitch" if extent < limit else "as a pitch that moves"
        words += (
            " As a rule of thumb among players (common practice, no source), at this rate the two ways of "
            f"hearing meet near ± {limit:.0f} cents: this one would be heard {heard}. Let your own ear judge."
        )
    if pd.notna(note.get("pulses_per_beat")) and pd.notna(note.get("tempo_bpm")):
        pulses = float(note["pulses_per_beat"])
        words += (
            f" At {float(note['tempo_bpm']):.0f} beats a minute it makes {pulses:.1f} pulses to the beat."
        )
    return words
