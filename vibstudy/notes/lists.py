"""Note lists made by hand: where the user says the notes are. They win over the machine.

Format
------
A CSV file, one row a note; further columns are passed over.

``onset_s``, ``offset_s``
    Where the note begins and ends, in s as a player's clock shows them (file time: with a speed factor
    the tables hold true time).
``pitch`` (optional)
    The note that sounds: Hz (``370``), or its name in scientific pitch notation, C4 being middle C
    (``F#4``, ``Bb3``). It overrules the tracker where the two are further apart than a vibrato reaches, what
    all listed notes are off together (up to three semitones: another tuning, a disc at another speed) set
    aside; the figures of the table are still measured.
``label`` (optional)
    Any words; they are kept in the table. ``trill`` and ``ornament`` say what the note is: such notes
    get no vibrato figures.

Notes may stand in any order but must not overlap by more than 20 ms. A listed note that alternates like
a trill is marked as one (:mod:`vibstudy.notes.trill`), said or not.

References
----------
RFC 4180 (CSV). Scientific pitch notation: R. W. Young, Terminology for logarithmic frequency units,
JASA 11(1):134-139, 1939 (from memory). Names are read by librosa.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.corpus.cells import HIGHEST
from vibstudy.corpus.texttable import TextTable, read_text_table
from vibstudy.errors import Problem, VibstudyError, few, nearest
from vibstudy.notes.kinds import longest_swing
from vibstudy.notes.segment import FoundNotes
from vibstudy.notes.trill import ANYBODY, Habit
from vibstudy.pitch.contour import Contour
from vibstudy.pitch.follow import REACH_CENTS
from vibstudy.units import ratio, to_cents

COLUMNS = ("onset_s", "offset_s", "pitch", "label")
KINDS = ("trill", "ornament")

_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)")
_CLOCK = re.compile(r"(?:(\d+):)?(\d{1,3}):(\d{1,2}(?:[.,]\d+)?)")
_NAME = re.compile(r"([A-Ga-g])(#|b|♯|♭)?(-?\d)")
_HEADER_ALIKE = 0.8
_LEAST_S, _OVERLAP_S = 0.03, 0.02
_PITCH_HZ = (20.0, 5000.0)
_OFF_CENTS = 300.0
_GOT = 80
_MOST_BYTES = 1_000_000
"""Thirty thousand notes, read in seconds; an hour of music has ten thousand."""


def read_note_list(path: str | Path) -> pd.DataFrame:
    """Read and check a note list.

    Parameters
    ----------
    path : path
        CSV file as described in the module.

    Returns
    -------
    DataFrame
        In time order: `onset_s`, `offset_s` (file time), `pitch_hz` (NaN where not given; names at
        A4 = 440 Hz) and `label` (missing where empty).

    Raises
    ------
    VibstudyError
        With every problem: row as a spreadsheet shows it, column, what was got, what would be right.
    """
    table = read_text_table(path, COLUMNS, _MOST_BYTES)
    file = Path(path).name
    problems = [replace(problem, file=file) for problem in table.problems]
    problems += _header_problems(table.header, file)
    if problems:
        raise VibstudyError(problems)
    if not table.rows:
        raise VibstudyError("there is a header but no note", file, repair="Write one row for each note")
    rows = _rows(table, file, problems)
    problems += _overlaps(rows, file)
    if problems:
        raise VibstudyError(sorted(few(problems), key=lambda problem: problem.row or 0))
    frame = pd.DataFrame(rows).sort_values("onset_s", kind="stable", ignore_index=True)
    return frame.drop(columns="row").astype({"label": "string"})


def listed_notes(
    samples: np.ndarray, rate_hz: float, contour: Contour, listed: pd.DataFrame, *, habit: Habit = ANYBODY
) -> FoundNotes:
    """Notes of a list as :func:`vibstudy.notes.segment.find_notes` gives those it finds.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        Mono sound.
    rate_hz : float > 0
        Sample rate, Hz.
    contour : Contour
        Coarse pitch of the line.
    listed : DataFrame
        As :func:`read_note_list` gives it, in s from the first sample.
    habit : Habit
        What is known of the player before anything is heard.

    Returns
    -------
    FoundNotes
        Errors of the edges are not known; `note_label` holds the label, `named` says if a pitch was given.
        The line keeps the pitches given.
    """
    f0 = np.full(len(contour.time_s), np.nan)
    notes = []
    off = ratio(_off_together_cents(contour, listed))
    for row in listed.to_dict("records"):
        onset, offset, label = float(row["onset_s"]), float(row["offset_s"]), row["label"]
        inside = (contour.time_s >= onset) & (contour.time_s <= offset)
        f0[inside] = _at_pitch(contour.f0_hz[inside], off * float(row["pitch_hz"]))
        heard = f0[inside]
        pitch = float(np.nanmedian(heard)) if np.isfinite(heard).any() else off * float(row["pitch_hz"])
        notes.append(
            {
                "onset_s": onset,
                "offset_s": offset,
                "onset_se_s": np.nan,
                "offset_se_s": np.nan,
                "pitch_hz": pitch,
                "note_kind": _kind(samples, rate_hz, onset, offset, pitch, label, habit),
                "quality": "ok",
                "note_label": label,
                "named": bool(np.isfinite(row["pitch_hz"])),
            }
        )
    line = Contour(contour.time_s, f0, np.where(np.isfinite(f0), contour.confidence, 0.0), contour.tracker)
    return FoundNotes(notes, line)


def _off_together_cents(contour: Contour, listed: pd.DataFrame) -> float:
    """How far the line lies above the pitches given, median of the notes in which it may be the soloist's."""
    off = []
    for onset_s, offset_s, given_hz in listed[["onset_s", "offset_s", "pitch_hz"]].to_numpy(dtype=float):
        heard_hz = contour.f0_hz[(contour.time_s >= onset_s) & (contour.time_s <= offset_s)]
        if np.isfinite(heard_hz).any():
            off.append(to_cents(np.nanmedian(heard_hz), given_hz))
    near = [cents for cents in off if abs(cents) <= _OFF_CENTS]
    return float(np.median(near)) if near else 0.0


def _at_pitch(heard_hz: np.ndarray, given_hz: float) -> np.ndarray:
    """The line within a note, the pitch given where the tracker was elsewhere or silent."""
    if not np.isfinite(given_hz):
        return heard_hz
    with np.errstate(invalid="ignore"):
        near = np.abs(to_cents(heard_hz, given_hz)) <= REACH_CENTS
    return np.where(near, heard_hz, given_hz)


def _kind(
    samples: np.ndarray,
    rate_hz: float,
    onset_s: float,
    offset_s: float,
    pitch_hz: float,
    label: Any,
    habit: Habit,
) -> str:
    said = "" if pd.isna(label) else str(label).strip().lower()
    if said in KINDS:
        return said
    if not np.isfinite(pitch_hz):
        return "note"
    longest = longest_swing(samples, rate_hz, onset_s, offset_s, pitch_hz, habit)
    alternates = longest is not None and longest.end_s - longest.begin_s > 0.5 * (offset_s - onset_s)
    return longest.kind if longest is not None and alternates else "note"


# --- checks


def _header_problems(header: list[str], file: str) -> list[Problem]:
    unknown = [name for name in header if name not in COLUMNS]
    problems = []
    for name in COLUMNS:
        if name in header:
            continue
        alike = next((own for own in unknown if nearest(own.replace(" ", "_"), [name], _HEADER_ALIKE)), None)
        if alike is not None:
            problems.append(Problem("no such column", file, 1, alike, repair=f"Did you mean {name!r}?"))
        elif name in COLUMNS[:2]:
            problems.append(
                Problem("this column is missing", file, 1, name, repair="Add it: seconds from the beginning")
            )
    return problems


def _rows(table: TextTable, file: str, problems: list[Problem]) -> list[dict]:
    """Rows as numbers; what cannot be read goes to `problems`."""
    place = {name: table.header.index(name) for name in COLUMNS if name in table.header}
    rows = []
    for number, cells in zip(table.numbers, table.rows, strict=True):
        cell = {name: cells[i] for name, i in place.items()}
        onset = _seconds(cell["onset_s"], file, number, "onset_s", problems)
        offset = _seconds(cell["offset_s"], file, number, "offset_s", problems)
        if offset - onset < _LEAST_S:  # false where one is not known
            problems.append(_too_short(file, number, onset, cell["offset_s"]))
        pitch = _pitch(cell.get("pitch", ""), file, number, problems)
        label = cell.get("label") or None
        rows.append({"row": number, "onset_s": onset, "offset_s": offset, "pitch_hz": pitch, "label": label})
    return rows


def _too_short(file: str, row: int, onset_s: float, got: str) -> Problem:
    return Problem(
        f"the note ends before it begins, or within {1000 * _LEAST_S:.0f} ms (onset_s {onset_s:g})",
        file,
        row,
        "offset_s",
        got[:_GOT],
        "offset_s must be greater than onset_s",
    )


def _seconds(text: str, file: str, row: int, column: str, problems: list[Problem]) -> float:
    if _NUMBER.fullmatch(text):
        value = float(text.replace(",", "."))
        if 0 <= value <= HIGHEST:
            return value
        message, repair = "no recording has this time", "Count seconds from the beginning of the file"
    elif not text:
        message, repair = "this cell must not be empty", "Write seconds from the beginning of the file"
    elif clock := _CLOCK.fullmatch(text):
        hours, minutes, seconds = (float((part or "0").replace(",", ".")) for part in clock.groups())
        message = "this is a clock time, not seconds"
        repair = f"Write {hours * 3600 + minutes * 60 + seconds:g}"
    else:
        message, repair = "this is not a number", "Write seconds, for example 12.35"
    problems.append(Problem(message, file, row, column, text[:_GOT], repair))
    return float("nan")


def _pitch(text: str, file: str, row: int, problems: list[Problem]) -> float:
    """Pitch in Hz; NaN where the cell is empty or wrong."""
    if not text:
        return float("nan")
    hz = None
    if _NUMBER.fullmatch(text):
        hz = float(text.replace(",", "."))
    elif name := _NAME.fullmatch(text):
        import librosa

        letter, accidental, octave = name.groups()
        hz = float(librosa.note_to_hz(f"{letter.upper()}{accidental or ''}{octave}"))
    if hz is not None and _PITCH_HZ[0] <= hz <= _PITCH_HZ[1]:
        return hz
    message = "this is neither a frequency nor a note" if hz is None else "this pitch is out of range"
    low, high = _PITCH_HZ
    repair = f"Write Hz ({low:g} to {high:g}) or a name with its octave, such as F#4 or Bb3 (C4 is middle C)"
    problems.append(Problem(message, file, row, "pitch", text[:_GOT], repair))
    return float("nan")


def _overlaps(rows: list[dict], file: str) -> list[Problem]:
    known = sorted((row for row in rows if row["onset_s"] < row["offset_s"]), key=lambda row: row["onset_s"])
    problems = []
    last = None
    for row in known:
        if last is not None and last["offset_s"] - row["onset_s"] > _OVERLAP_S:
            problems.append(
                Problem(
                    f"this note begins before the one in row {last['row']} ends ({last['offset_s']:g} s)",
                    file,
                    row["row"],
                    "onset_s",
                    f"{row['onset_s']:g}",
                    "A line has one note at a time: end the other one earlier",
                )
            )
        if last is None or row["offset_s"] > last["offset_s"]:
            last = row
    return problems
