"""A note as the listening room shows it: what is drawn, and what is said of it.

Everything of the study that is shown travels as text and numbers; the page sets it as text, never as markup.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.corpus.entries import number_of
from vibstudy.decisions.phrase import Measured, Phrase
from vibstudy.figures.recording import kind_words
from vibstudy.review.queue import apart_words
from vibstudy.review.ribbon import around, fitted, folded, note_name, ribbon, spectra, staff
from vibstudy.schema import QUALITY_REASONS, reasons_of
from vibstudy.terminal import shown

STATES = {"auto": "not decided", "accepted": "right", "edited": "mended", "rejected": "left out"}
"""What ``reviewed`` is called in the room."""
TAGS = ("player", "decade", "region", "medium")


@dataclass(frozen=True, eq=False)
class Shown:
    """The note being listened to.

    Parameters
    ----------
    row : dict
        Its row of the note table as it is now, decisions applied and measured again.
    notes : DataFrame
        Notes of the recording, decisions applied.
    octaves : int
        Octaves from the pitch measured to the pitch decided.
    phrase : Phrase
    measured : Measured
    """

    row: dict[str, Any]
    notes: pd.DataFrame
    octaves: int
    phrase: Phrase
    measured: Measured

    @property
    def edges(self) -> tuple[float, float]:
        """Where the note begins and ends, in s."""
        return float(self.row["onset_s"]), float(self.row["offset_s"])

    @property
    def limits(self) -> tuple[float, float]:
        """How far its ends may be moved."""
        return self.phrase.start_s, self.phrase.end_s

    @property
    def vibrato(self) -> tuple[float, float]:
        """Where vibrato lasts; the whole note where there is none."""
        (onset, offset), fit = self.edges, self.measured.fit
        return (onset, offset) if fit is None else (onset + fit.start_s, onset + fit.end_s)

    @property
    def vibrato_s(self) -> float:
        """How long vibrato lasts."""
        start, end = self.vibrato
        return float(end - start)

    @property
    def pitch_hz(self) -> float:
        """Pitch that 0 cents stands for."""
        line, pitch = self.measured.line, self.measured.columns["pitch_hz"]
        if line is not None:
            return float(line.reference_hz)
        return float(pitch) if np.isfinite(pitch) else 440.0

    @cached_property
    def pictures(self) -> tuple[bytes, dict[str, Any] | None]:
        """The two spectra; nothing where no line was found."""
        line = self.measured.line
        return (b"", None) if line is None else spectra(self.phrase, line)

    def view(self, item: Mapping[str, Any], blind: bool, decided: Collection[str]) -> dict[str, Any]:
        """What the page needs to draw and say, besides the pixels of :attr:`pictures`."""
        onset, offset = self.edges
        line, fit, start = self.measured.line, self.measured.fit, self.phrase.start_s
        state = str(self.row.get("reviewed") or "auto")
        kind = str(self.row.get("note_kind") or "note")
        words = STATES.get(state, state)
        return {
            "title": "A note, blind" if blind else str(self.row["note_id"]),
            "tags": [] if blind else _tags(item),
            "span": list(self.limits),
            "edges": [onset, offset],
            "octaves": self.octaves,
            "state": state,
            "state_words": words if kind == "note" else f"{words}, {kind}",
            "pitch_hz": self.pitch_hz,
            "ribbon": None if line is None else ribbon(line, start),
            "around": around(self.phrase, self.pitch_hz),
            "fit": None if fit is None else fitted(fit, onset),
            "vibrato": None if fit is None else [float(v) for v in self.vibrato],
            "cycles": folded(self.measured),
            "spectra": self.pictures[1],
            "staff": staff(self.notes, str(self.row["note_id"]), self.limits, decided),
            "figures": figures(self.row),
            "doubts": doubts(self.row, item),
        }


def row_of(notes: pd.DataFrame, item: Mapping[str, Any]) -> dict[str, Any] | None:
    """The note of the queue as it is now: by its name, or, for the second half of a split, by its place."""
    found = notes[notes["note_id"].eq(item["note_id"])] if item["note_id"] is not None else notes.iloc[:0]
    if found.empty:
        middle = 0.5 * (item["onset_s"] + item["offset_s"])
        found = notes[(notes["onset_s"] <= middle) & (notes["offset_s"] > middle)]
    if found.empty:
        return None
    return {str(name): value for name, value in found.iloc[0].items()}


def _tags(item: Mapping[str, Any]) -> list[str]:
    known = [item.get(name) for name in TAGS]
    return [shown(str(value)) for value in known if value is not None and not pd.isna(value)]


def figures(row: Mapping[str, Any]) -> list[list[str]]:
    """Label and value of each figure, with its standard error."""

    def number(name: str) -> float:
        value = number_of(row, name)
        return np.nan if value is None else value

    def with_error(name: str, error: str, places: int, unit: str) -> str:
        value, se = number(name), number(error)
        if not np.isfinite(value):
            return "–"
        text = f"{value:z.{places}f}".replace("-", "\N{MINUS SIGN}")  # z: no minus before a zero
        smallest = 10.0**-places
        error_text = f"se < {smallest:.{places}f}" if se < smallest else f"se {se:.{places}f}"
        return f"{text} {unit}" if not np.isfinite(se) else f"{text} {unit} ({error_text})"

    extent = with_error("extent_cents", "extent_se_cents", 1, "cents")
    return [
        ["Pitch", _pitch_words(number("midi"), number("pitch_cents"), number("pitch_hz"))],
        ["Length", with_error("duration_s", "", 2, "s")],
        ["Vibrato", _vibrato_words(row)],
        ["Rate", with_error("rate_hz", "rate_se_hz", 2, "Hz")],
        ["Extent", extent if extent == "–" else f"± {extent}"],
        ["Begins after", with_error("vibrato_onset_s", "vibrato_onset_se_s", 2, "s")],
        ["Signal to noise", with_error("snr_db", "", 0, "dB")],
    ]  # fmt: skip


def _vibrato_words(row: Mapping[str, Any]) -> str:
    has = row.get("has_vibrato")
    if has is None or pd.isna(has):
        return kind_words(row.get("note_kind"), row.get("quality"))
    return "yes" if has else "none found"


def _pitch_words(midi: float, cents: float, hertz: float) -> str:
    if not np.isfinite(hertz):
        return "–"
    if not np.isfinite(midi):
        return f"{hertz:.1f} Hz"
    off = f" {round(cents):+d} cents".replace("-", "\N{MINUS SIGN}") if np.isfinite(cents) else ""
    return f"{note_name(midi)}{off}, {hertz:.1f} Hz"


def doubts(row: Mapping[str, Any], item: Mapping[str, Any]) -> list[str]:
    """Why the note is doubtful as it is now: a reason that an edit has healed is gone."""
    said = [QUALITY_REASONS.get(reason, reason) for reason in reasons_of(row.get("quality"))]
    return said + apart_words(row, item)
