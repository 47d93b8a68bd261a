"""Practice: a take, note by note, against a target, and the history over weeks.

Definitions
-----------
target
    A rate (Hz) and an extent (± cents, half of peak-to-peak). With a group of a study as model, the
    target is the middle 80 % of its notes (10th to 90th percentile, every player counting the same).
on target
    Inside that range; for a single value within :data:`RATE_ROOM_HZ`, or :data:`EXTENT_ROOM` of the extent,
    widened by twice the note's standard error (common practice, no source).
steadiness
    1 minus the irregularity from cycle to cycle (coefficient of variation), of rate and of extent.
straight notes
    Share of those notes, long enough to tell, that have no vibrato.
pulses to the beat
    rate * 60 / beats a minute.

The history is a plain table, one row a take and target. A take practised against the same target again
takes the place of its row; the file is replaced in one step.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from rich.table import Table

from vibstudy.corpus.files import sha256_of
from vibstudy.corpus.names import name_problems
from vibstudy.corpus.results import read_notes
from vibstudy.corpus.tables import unguard, write_frame
from vibstudy.corpus.texttable import MOST_COLUMNS
from vibstudy.corpus.untrusted import as_text, read_bytes
from vibstudy.errors import Problem, VibstudyError, first_of, nearest, raise_any
from vibstudy.figures.data import assessable_notes, player_weights, plural, vibrato_notes
from vibstudy.figures.recording import note_name
from vibstudy.figures.style import COLOURS, EXTENT_NOTE, FAINT, HouseFigure, house_style
from vibstudy.vibrato.note import pulses_per_beat

RATE_ROOM_HZ = 0.3
EXTENT_ROOM = 0.2
MIDDLE = (0.1, 0.9)
FEWEST_NOTES = 10
"""Vibrato notes from which a group can be learnt from."""

GROUP_TAGS = ("player", "region", "school", "decade", "instrument", "piece", "medium")
_PROGRESS = {"rate_hz": "Rate (Hz)", "extent_cents": "Extent (± cents)", "on_target_share": "On target (%)"}
_MOST_HISTORY_BYTES = 10_000_000
"""Thirty thousand takes, each a line of some 300 letters."""
_DRAWN = ("rate_hz", "extent_cents", "on_target_share", "straight_share")
_TEXTS = {"practised_utc": "string", "take": "string", "target": "string", "sha256": "string"}


@dataclass(frozen=True)
class Target:
    """What is practised.

    Parameters
    ----------
    words : str
        The target as the user told it.
    rate_hz, extent_cents : tuple of float | None
        Lowest and highest; None when it is left free. Extent is half of peak-to-peak.
    """

    words: str
    rate_hz: tuple[float, float] | None
    extent_cents: tuple[float, float] | None


def make_target(rate_hz: float | None, extent_cents: float | None) -> Target:
    """Return the target of single values; None leaves one free."""
    problems = [
        Problem(f"a target {name} is above 0", got=f"{value:g}", repair=f"As in --{name} {example}")
        for name, value, example in (("rate", rate_hz, "5"), ("extent", extent_cents, "20"))
        if value is not None and not 0 < value < np.inf
    ]
    raise_any(problems)
    words = [f"{rate_hz:g} Hz"] if rate_hz else []
    words += [f"± {extent_cents:g} cents"] if extent_cents else []
    return Target(
        ", ".join(words) or "no target",
        (rate_hz - RATE_ROOM_HZ, rate_hz + RATE_ROOM_HZ) if rate_hz else None,
        (extent_cents * (1 - EXTENT_ROOM), extent_cents * (1 + EXTENT_ROOM)) if extent_cents else None,
    )


def target_like(study: str | Path, group: str) -> Target:
    """Return the middle 80 % of a player or group of a measured study.

    Parameters
    ----------
    study : path
        Study folder, or its results.
    group : str
        A value of one of :data:`GROUP_TAGS`; upper and lower case count the same.

    Raises
    ------
    VibstudyError
        When there is no such group, or it has too few notes with vibrato.
    """
    notes = read_notes(study)
    known: dict[str, str] = {}
    written: list[str] = []
    for tag in GROUP_TAGS:
        for value in notes[tag].dropna().astype(str).unique() if tag in notes else ():
            if known.setdefault(value.lower(), tag) == tag:
                written.append(value)
    found = known.get(group.lower())
    if found is None:
        hint = nearest(group, written) or f"Known are: {first_of(written)}"
        raise VibstudyError("this study has no such player or group", got=group, repair=hint)
    used = vibrato_notes(notes[notes[found].astype("string").str.lower() == group.lower()])
    if len(used) < FEWEST_NOTES:
        raise VibstudyError(
            "too few notes with vibrato to learn from",
            str(study),
            got=f"{group}: {len(used)}",
            repair=f"Choose a group with at least {FEWEST_NOTES}",
        )
    rate, extent = _middle(used, "rate_hz"), _middle(used, "extent_cents")
    words = (
        f"like {group} ({found}; {len(used)} notes): {rate[0]:.2f} to {rate[1]:.2f} Hz, "
        f"± {extent[0]:.0f} to {extent[1]:.0f} cents"
    )
    return Target(words, rate, extent)


def spans_to_follow(notes: pd.DataFrame) -> pd.DataFrame:
    """Return the middle 80 % of each player with at least :data:`FEWEST_NOTES` vibrato notes.

    Returns
    -------
    DataFrame
        ``player, vibrato_notes, rate_low_hz, rate_high_hz, extent_low_cents, extent_high_cents``.
    """
    used = vibrato_notes(notes)
    rows = []
    for player, own in used.groupby("player", observed=True):
        if len(own) >= FEWEST_NOTES:
            rows.append((str(player), len(own), *_middle(own, "rate_hz"), *_middle(own, "extent_cents")))
    if not rows:
        raise VibstudyError(f"No player has the {FEWEST_NOTES} notes with vibrato that a target needs")
    ends = ["rate_low_hz", "rate_high_hz", "extent_low_cents", "extent_high_cents"]
    return pd.DataFrame(rows, columns=["player", "vibrato_notes", *ends])


def players_to_follow(notes: pd.DataFrame) -> pd.DataFrame:
    """Return :func:`spans_to_follow` to be read.

    Returns
    -------
    DataFrame
        ``player, vibrato_notes``, and ``rate, extent`` as text: "5.1 to 5.9 Hz", "± 14 to 30 cents".
    """
    spans = spans_to_follow(notes)
    rate = [f"{row.rate_low_hz:.1f} to {row.rate_high_hz:.1f} Hz" for row in spans.itertuples()]
    extent = [
        f"± {row.extent_low_cents:.0f} to {row.extent_high_cents:.0f} cents" for row in spans.itertuples()
    ]
    return spans[["player", "vibrato_notes"]].assign(rate=rate, extent=extent)


def _middle(notes: pd.DataFrame, name: str) -> tuple[float, float]:
    """10th and 90th percentile, every player counting the same."""
    values = notes[name].to_numpy(float)
    low, high = np.quantile(values, MIDDLE, weights=player_weights(notes), method="inverted_cdf")
    return float(low), float(high)


def against_target(notes: pd.DataFrame, target: Target, beat_bpm: float | None = None) -> pd.DataFrame:
    """Compare a take with the target, note by note.

    Parameters
    ----------
    notes : DataFrame
        Note table of the take.
    target : Target
    beat_bpm : float | None
        Metronome value.

    Returns
    -------
    DataFrame
        ``note, onset_s, duration_s, rate_hz, extent_cents, rate_steadiness, extent_steadiness,
        extent_growth_cents_per_s, pulses_per_beat, verdict``, one row a note.
    """
    as_measured = ["onset_s", "duration_s", "rate_hz", "extent_cents"]
    rows = []
    for number, note in enumerate(notes.to_dict("records"), 1):
        row: dict[str, Any] = {
            "note": f"{number} {note_name(note['midi'])}" if pd.notna(note["midi"]) else str(number)
        }
        row |= {name: note[name] for name in as_measured}
        row |= {f"{what}_steadiness": 1 - note[f"{what}_irregularity"] for what in ("rate", "extent")}
        row["extent_growth_cents_per_s"] = note["extent_growth_cents_per_s"]
        row["pulses_per_beat"] = float(pulses_per_beat(note["rate_hz"], beat_bpm)) if beat_bpm else np.nan
        rows.append(row | {"verdict": _verdict(note, target)})
    return pd.DataFrame(rows)


def _verdict(note: dict, target: Target) -> str:
    if pd.isna(note["has_vibrato"]):
        return "too short to tell"
    if not note["has_vibrato"]:
        return "straight"
    words = []
    for name, se, span, unit, less, more, digits in (
        ("rate_hz", "rate_se_hz", target.rate_hz, "Hz", "slower", "faster", 1),
        ("extent_cents", "extent_se_cents", target.extent_cents, "cents", "narrower", "wider", 0),
    ):
        if span is None:
            continue
        room = 2 * (note[se] if pd.notna(note[se]) else 0.0)
        centre = 0.5 * (span[0] + span[1])
        if note[name] < span[0] - room:
            words.append(f"{less} by {centre - note[name]:.{digits}f} {unit}")
        elif note[name] > span[1] + room:
            words.append(f"{more} by {note[name] - centre:.{digits}f} {unit}")
    if target.rate_hz is None and target.extent_cents is None:
        return ""
    return ", ".join(words) or "on target"


def summary(notes: pd.DataFrame, compared: pd.DataFrame, target: Target, beat_bpm: float | None) -> dict:
    """Return the take's figures: the columns of the history but its time and file."""
    known = assessable_notes(notes)
    used = vibrato_notes(notes)
    verdicts = compared["verdict"]
    with_vibrato = ~verdicts.isin(["straight", "too short to tell"])

    def median(name: str) -> float:
        return float(used[name].median()) if len(used) else float("nan")

    rate, unknown = median("rate_hz"), (float("nan"), float("nan"))
    ends = (*(target.rate_hz or unknown), *(target.extent_cents or unknown))
    names = [
        f"target_{name}" for name in ("rate_low_hz", "rate_high_hz", "extent_low_cents", "extent_high_cents")
    ]
    return {
        "target": target.words,
        **dict(zip(names, ends, strict=True)),
        "notes": len(notes),
        "straight_share": float(1 - known["has_vibrato"].mean()) if len(known) else float("nan"),
        "on_target_share": float((verdicts[with_vibrato] == "on target").mean())
        if with_vibrato.any() and (target.rate_hz or target.extent_cents)
        else float("nan"),
        "rate_hz": rate,
        "extent_cents": median("extent_cents"),
        "rate_steadiness": 1 - median("rate_irregularity"),
        "extent_steadiness": 1 - median("extent_irregularity"),
        "extent_growth_cents_per_s": median("extent_growth_cents_per_s"),
        "beat_bpm": beat_bpm if beat_bpm else float("nan"),
        "pulses_per_beat": float(pulses_per_beat(rate, beat_bpm)) if beat_bpm else float("nan"),
    }


def read_history(path: Path) -> pd.DataFrame:
    """Return the history, oldest first; empty when there is none yet.

    Raises
    ------
    VibstudyError
        When the file is something else.
    """
    if not path.exists():
        return pd.DataFrame()
    content = read_bytes(path, "practice history", most_bytes=_MOST_HISTORY_BYTES)
    text = as_text(content, path, "practice history")
    repair = "Name another file with --history; nothing was changed"
    names = text.partition("\n")[0].count(",") + 1
    if names > MOST_COLUMNS:
        raise VibstudyError(f"this table has {names:,} columns", str(path), 1, repair=repair)
    try:
        history = pd.read_csv(io.StringIO(text), dtype=_TEXTS)
    except (ValueError, pd.errors.ParserError):
        history = pd.DataFrame()
    missing = [name for name in (*_TEXTS, *_DRAWN) if name not in history]
    if missing:
        got = f"without {', '.join(missing)}"
        raise VibstudyError("this is no practice history", str(path), got=got, repair=repair)
    faults = name_problems(history, str(path), 1)
    for name in history.columns.difference(list(_TEXTS)):
        numbers = pd.to_numeric(history[name], errors="coerce")
        wrong = np.flatnonzero(~np.isfinite(numbers.to_numpy(float)) & history[name].notna().to_numpy())
        if len(wrong):
            row = int(wrong[0])
            got = str(history[name].iloc[row])[:80]
            faults.append(Problem("this is not a number", str(path), row + 2, str(name)[:80], got, repair))
    raise_any(faults)
    for name in _TEXTS:
        history[name] = unguard(history[name])
    return history


def remember(path: Path, take: Path, values: dict, at: datetime | None = None) -> pd.DataFrame:
    """Enter a take into the history file and return the whole history.

    Parameters
    ----------
    path : Path
        History, a CSV file; made when missing.
    take : Path
        The recording; only its name and hash are kept.
    values : dict
        From :func:`summary`.
    at : datetime | None
        When; None is now.
    """
    history = read_history(path)
    sha256 = sha256_of(take)
    now = (at or datetime.now(UTC)).astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    row = {"practised_utc": now, "take": take.name, **values, "sha256": sha256}
    if len(history):
        same = (history["sha256"] == sha256) & (history["target"] == values["target"])
        if same.any():
            row["practised_utc"] = history.loc[same, "practised_utc"].iloc[0]
        history = history[~same]
    entered = pd.DataFrame([row])
    history = pd.concat([history, entered], ignore_index=True) if len(history) else entered
    history = history.sort_values("practised_utc", kind="stable").reset_index(drop=True)
    write_frame(path, history)
    return history


def progress(history: pd.DataFrame, size: str = "column") -> tuple[HouseFigure, pd.DataFrame]:
    """Draw rate, extent and the share on target over the takes, with the target's range.

    Parameters
    ----------
    history : DataFrame
        From :func:`read_history`.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure, table
    """
    names = ["practised_utc", "take", "rate_hz", "extent_cents", "on_target_share", "straight_share"]
    bands = [str(name) for name in history if str(name).startswith("target_")]
    table = history[[*names, *bands]].reset_index(drop=True)
    x = np.arange(1, len(table) + 1)
    with house_style(size) as page:
        figure = page.figure(1.15)
        axes = figure.subplots(3, 1, sharex=True)
        for ax, (name, label) in zip(axes, _PROGRESS.items(), strict=True):
            scale = 100 if name == "on_target_share" else 1
            stem, _, unit = name.rpartition("_")
            low, high = f"target_{stem}_low_{unit}", f"target_{stem}_high_{unit}"
            if low in table and table[low].notna().any():
                ends = (np.append(table[end], table[end].iloc[-1]) for end in (low, high))
                edges = np.append(x - 0.5, x[-1] + 0.5)
                ax.fill_between(edges, *ends, step="post", color=FAINT, linewidth=0)
            ax.plot(x, scale * table[name], color=COLOURS[0], marker="o")
            ax.set_ylabel(label)
        axes[2].set_ylim(-5, 105)
        axes[2].set_xlabel("Take")
        axes[2].set_xlim(0.5, len(table) + 0.5)
        axes[2].xaxis.get_major_locator().set_params(integer=True, min_n_ticks=1)
        figure.align_ylabels(axes)
    figure.caption = (
        f"Medians of {plural(len(table), 'take')}, {table['practised_utc'].iloc[0][:10]} to "
        f"{table['practised_utc'].iloc[-1][:10]}; grey: the target of each take. {EXTENT_NOTE}"
    )
    return figure, table


def practise(
    take: Path,
    target: Target,
    history_file: Path,
    beat_bpm: float | None = None,
) -> tuple[pd.DataFrame, dict, pd.DataFrame]:
    """Measure a take, compare it, enter it into the history and draw the progress beside it.

    Returns
    -------
    compared : DataFrame
        From :func:`against_target`.
    values : dict
        From :func:`summary`.
    history : DataFrame
    """
    from vibstudy.figures.saving import save_figure
    from vibstudy.recording import measure_recording

    if beat_bpm is not None and not 0 < beat_bpm < np.inf:
        raise VibstudyError("a metronome value is above 0", got=f"{beat_bpm:g}", repair="As in --beat 72")
    read_history(history_file)  # tell a wrong file before the work
    try:
        notes = measure_recording(take)
    except Exception as error:
        if isinstance(error.__cause__, VibstudyError):  # a take that is no sound, told without its step
            raise error.__cause__ from None
        raise
    if notes.empty:
        raise VibstudyError(
            "no note was heard in this take",
            str(take),
            repair="Record closer to the microphone, one line alone",
        )
    compared = against_target(notes, target, beat_bpm)
    values = summary(notes, compared, target, beat_bpm)
    history = remember(history_file, take, values)
    figure, table = progress(history)
    save_figure(figure, table, history_file.parent, f"{history_file.stem}_progress", formats=("png", "pdf"))
    return compared, values, history


def in_words(values: dict) -> Sequence[str]:
    """Say a take's figures."""

    def share(value: float) -> str:
        return "not known" if np.isnan(value) else f"{100 * value:.0f} %"

    free = np.isnan(values["target_rate_low_hz"]) and np.isnan(values["target_extent_low_cents"])
    lines = [
        "No target: name one with --rate, --extent or --like." if free else f"Target: {values['target']}."
    ]
    if np.isnan(values["rate_hz"]):
        return [*lines, f"{plural(values['notes'], 'note')}, none with a vibrato that can be measured."]
    whole, straight = plural(values["notes"], "note"), share(values["straight_share"])
    heard = f"{whole}; {straight} of those long enough are straight"
    if not np.isnan(values["on_target_share"]):
        heard += f"; {share(values['on_target_share'])} of those with vibrato are on target"
    lines.append(f"{heard}.")
    lines.append(
        f"Median: {values['rate_hz']:.2f} Hz, ± {values['extent_cents']:.1f} cents "
        f"({2 * values['extent_cents']:.0f} from peak to peak), growing by "
        f"{values['extent_growth_cents_per_s']:+z.1f} cents a second; steadiness of rate "
        f"{share(values['rate_steadiness'])}, of extent {share(values['extent_steadiness'])}."
    )
    if not np.isnan(values["pulses_per_beat"]):
        lines.append(f"{values['pulses_per_beat']:.2f} pulses to the beat at {values['beat_bpm']:g}.")
    return lines


def comparison_cells(compared: pd.DataFrame) -> list[list[str]]:
    """Return the comparison as text, heads first: steadiness of rate / extent, growth in cents/s."""
    beat = compared["pulses_per_beat"].notna().any()
    heads = ["note", "at s", "long s", "Hz", "± cents", "steady %", "growth", *(["to beat"] if beat else [])]
    rows = [[*heads, "against the target"]]
    for row in compared.to_dict("records"):
        steady = [_cell(100 * row[name], ".0f") for name in ("rate_steadiness", "extent_steadiness")]
        cells = [row["note"], *(_cell(row[name], ".2f") for name in ("onset_s", "duration_s", "rate_hz"))]
        cells += [_cell(row["extent_cents"], ".1f"), "/".join(filter(None, steady))]
        cells.append(_cell(row["extent_growth_cents_per_s"], "+z.1f"))
        rows.append([*cells, *([_cell(row["pulses_per_beat"], ".2f")] if beat else []), row["verdict"]])
    return rows


def as_table(compared: pd.DataFrame) -> pd.DataFrame:
    """Return the comparison as a table of text for a notebook."""
    heads, *rows = comparison_cells(compared)
    return pd.DataFrame(rows, columns=heads)


def as_rich_table(compared: pd.DataFrame) -> Table:
    """Return the comparison as a table for the terminal."""
    heads, *rows = comparison_cells(compared)
    shown = Table(box=None, pad_edge=False)
    for head in heads[:-1]:
        shown.add_column(head, justify="left" if head == "note" else "right", no_wrap=True)
    shown.add_column(heads[-1])
    for row in rows:
        shown.add_row(*row)
    return shown


def _cell(value: float, pattern: str) -> str:
    return "" if pd.isna(value) else format(value, pattern)
