"""What the page of one recording shows: its sound and line, its medium, its notes, and how far to trust it.

Everything is plain data for the template ``recording.html``: texts (escaped there), and points of drawings
in the drawing's own units. The drawings are made in :mod:`vibstudy.pages.drawing`; how far to trust the
figures is said in :mod:`vibstudy.pages.trust`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.corpus.entries import number_of
from vibstudy.figures.quantities import mean_of
from vibstudy.figures.recording import note_name
from vibstudy.pages.drawing import Row
from vibstudy.pages.straight import NotePictures
from vibstudy.pages.trust import reason_words, usable
from vibstudy.sound.media import MediaFindings
from vibstudy.sound.room import Room
from vibstudy.stats.selection import vibrato_notes


@dataclass(frozen=True, eq=False)
class RecordingPage:
    """Content of one recording's page.

    Parameters
    ----------
    name : str
        recording_id.
    tags : dict of str to str
        The manifest's cells.
    verdict : str
        Most, part or few of the notes can be used.
    doubts : list of str
        Sentences on how far to trust the figures.
    cards : list of (str, str)
        A figure and what it is.
    rows : list of Row
    missing_sound : str
        Why the sound could not be drawn; "" when it was.
    medium, tuning, wow : list of str
        Sentences.
    scatter, steps : dict
        Drawings: rate against extent, and notes about the tempered scale.
    measured, rejected : list of dict
        Rows of the two tables of notes.
    straightened : list of NotePictures
        Some notes as played, and with their vibrato taken out.
    expected : list of dict
        Rows of the table of what to expect of the medium.
    sound : str
        The sound as a data URI; "" when the page holds none.
    begins_s, row_s : float
        Time of the sound's first sample, and length of a row.
    """

    name: str
    tags: dict[str, str]
    verdict: str
    doubts: list[str]
    cards: list[tuple[str, str]]
    rows: list[Row]
    missing_sound: str
    medium: list[str]
    tuning: list[str]
    wow: list[str]
    room: list[str]
    scatter: dict[str, Any]
    steps: dict[str, Any]
    measured: list[dict[str, str]]
    rejected: list[dict[str, str]]
    expected: list[dict[str, str]] = field(default_factory=list)
    straightened: list[NotePictures] = field(default_factory=list)
    sound: str = ""
    begins_s: float = 0.0
    row_s: float = 1.0


# --- tables


def note_rows(notes: pd.DataFrame, alone: bool = False) -> Iterator[tuple[bool, dict[str, str]]]:
    """Yield each note as texts for the table, and whether it is usable."""
    fine = usable(notes)
    for number, (sure, note) in enumerate(zip(fine, notes.to_dict("records"), strict=True), start=1):
        heard = note["has_vibrato"]
        kind = note.get("note_kind")
        yield (
            bool(sure),
            {
                "number": str(number),
                "at": f"{int(note['onset_s'] // 60)}:{note['onset_s'] % 60:04.1f}",
                "name": note_name(note["midi"]) if pd.notna(note["midi"]) else "",
                "duration": _text(note["duration_s"], 2),
                "vibrato": (str(kind) if pd.notna(kind) and kind != "note" else "not known")
                if pd.isna(heard)
                else ("yes" if heard else "none"),
                "rate": _with_error(note["rate_hz"], note["rate_se_hz"], 2),
                "extent": _with_error(note["extent_cents"], note["extent_se_cents"], 1),
                "delay": _text(note["vibrato_onset_s"], 2),
                "snr": _text(note["snr_db"], 0),
                "why": "rejected by ear"
                if note["reviewed"] == "rejected"
                else reason_words(note["quality"], alone),
            },
        )


def expected_words(cell: Mapping[Any, Any]) -> dict[str, str]:
    """Return a row of the table of what to expect, as texts."""
    return {
        "extent": f"{cell['extent_cents']:g}",
        "found": f"{100 * cell['found']:.0f} %",
        "bias": "" if pd.isna(cell["extent_bias_cents"]) else f"{cell['extent_bias_cents']:+z.1f}",
        "error": _text(cell["extent_error_cents"], 1),
        "rate_error": _text(cell["rate_error_hz"], 2),
    }


# --- sentences


def medium_words(recording: Mapping[str, Any]) -> list[str]:
    """Say what was found about the medium, from the recording's row."""
    names = (
        "low_edge_hz high_edge_hz noise_db noise_tilt_db_per_octave programme_db hum_hz hum_db clicks_per_s "
        "clipped_fraction clipped_runs_per_s codec_cutoff_hz dc"
    )
    figures = {name: number_of(recording, name) for name in names.split()}
    known = {name: np.nan if value is None else value for name, value in figures.items()}
    channel = recording.get("channel")
    found = MediaFindings(
        channel=str(channel) if pd.notna(channel) else "not known",
        hum_lines_hz=(),
        noise_freqs_hz=np.empty(0),
        noise_density=np.empty(0),
        **known,
    )
    tilt = known["noise_tilt_db_per_octave"]
    if not np.isfinite(tilt):
        return found.sentences()
    return [*found.sentences(), f"The noise tilts by {round(tilt):+d} dB an octave (white noise: 0)."]


def tuning_words(recording: Mapping[str, Any]) -> list[str]:
    """Say both readings of the tuning, and what is known of the speed."""
    words = recording.get("tuning_words")
    said = [str(words)] if pd.notna(words) and str(words) else []
    tuning = number_of(recording, "tuning_hz")
    if not said and tuning is not None:
        said = [f"Notes are named at A4 = {tuning:.1f} Hz ({recording.get('tuning_source')})."]
    factor = number_of(recording, "speed_factor")
    if factor is not None and factor != 1:
        said.append(
            f"The manifest says that the file plays at {factor:g} of its true speed; pitch, rates and times "
            "are corrected for it."
        )
    return said


def wow_words(recording: Mapping[str, Any]) -> list[str]:
    """Say whether the speed sways."""
    rate, depth, weighted = (
        number_of(recording, name) for name in ("wow_hz", "wow_percent", "wow_weighted_percent")
    )
    if rate is None or depth is None:
        return ["No sway common to all notes was found."]
    said = [f"All notes sway together by ± {depth:.2f} % at {rate:.3f} Hz; it was taken out."]
    if weighted is not None:
        said.append(
            f"Weighted after the shape of IEC 60386 (the table is from memory, so about): ± {weighted:.2f} %."
        )
    return said


def room_words(recording: Mapping[str, Any]) -> list[str]:
    """Say what is known of the room."""
    return Room.from_columns(recording).sentences()


def cards(recording: Mapping[str, Any], notes: pd.DataFrame) -> list[tuple[str, str]]:
    """Return the few figures at the head of the page."""
    with_vibrato = vibrato_notes(notes)
    out = [(f"{len(notes):,}", "notes found"), (f"{len(with_vibrato):,}", "usable notes with vibrato")]
    if len(with_vibrato):
        rate, extent = (mean_of(name, with_vibrato[name]) for name in ("rate_hz", "extent_cents"))
        out += [(f"{rate:.2f} Hz", "mean rate"), (f"± {extent:.1f} cents", "mean extent (geometric)")]
    tuning = number_of(recording, "tuning_hz")
    if tuning is not None:
        out.append((f"{tuning:.1f} Hz", "A4 as it sounds"))
    return out


def tags_of(recording: Mapping[str, Any], manifest_columns: list[str]) -> dict[str, str]:
    """Return the manifest's cells that are filled, as texts."""
    out = {}
    for name in manifest_columns:
        value = recording.get(name)
        if name in ("recording_id", "audio_path", "manifest_row", "path", "exclude") or pd.isna(value):
            continue
        if name == "tuning_hz":  # what was measured stands above what was given: it has its own place
            continue
        out[name.replace("_", " ")] = f"{value:.10g}" if isinstance(value, float) else str(value)
    return out


def _text(value: Any, decimals: int) -> str:
    return "" if pd.isna(value) else f"{float(value):.{decimals}f}"


def _with_error(value: Any, error: Any, decimals: int) -> str:
    if pd.isna(value):
        return ""
    text = _text(value, decimals)
    return text if pd.isna(error) else f"{text} (s.e. {float(error):.{decimals}f})"
