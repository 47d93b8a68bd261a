"""What the store holds of a recording, as data; what goes into it, and what is different from last time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import pandas as pd

from vibstudy.corpus.atomic import json_bytes
from vibstudy.corpus.tables import arrow_bytes, parquet_bytes, to_arrow
from vibstudy.schema import NOTE_COLUMNS, PROVENANCE_COLUMNS, typed

_FILE_FIELDS = {"audio": "the sound file", "score": "the score", "notes": "the note list"}
STORED = ("notes.arrow", "line.parquet", "recording.json")


class Measured(Protocol):
    """What measuring a recording gives: its notes, its line of pitch and level, its own figures."""

    @property
    def notes(self) -> pd.DataFrame:
        """One row a note."""

    @property
    def line(self) -> pd.DataFrame:
        """Pitch and level against time."""

    @property
    def recording(self) -> Mapping[str, Any]:
        """Figures of the recording."""


@dataclass(frozen=True)
class Stamp:
    """A file's content, and what tells cheaply that it was not touched since."""

    sha256: str
    size: int
    mtime_ns: int


@dataclass(frozen=True)
class Recording:
    """One row of the manifest, ready to be measured.

    Parameters
    ----------
    recording_id : str
        Safe as a folder name.
    audio_path : str
        Absolute.
    row : mapping
        The row's cells; None where empty; `score_path` and `notes_path` absolute.
    """

    recording_id: str
    audio_path: str
    row: Mapping[str, Any]

    @property
    def files(self) -> dict[str, str]:
        """Files whose content changes the figures, by role."""
        paths = {
            "audio": self.audio_path,
            "score": self.row.get("score_path"),
            "notes": self.row.get("notes_path"),
        }
        return {role: path for role, path in paths.items() if path}


@dataclass(frozen=True)
class Entry:
    """What the store holds of a recording.

    Parameters
    ----------
    inputs : dict
        What went in: method, settings, row, files.
    stamps : dict
        Hash, size and date of each file, by role.
    outputs : dict
        Size of each stored table; "content", their joint hash.
    notes : int | None
        Notes found; None for a failure.
    seconds : float
        Time it took.
    finished_at : str
        UTC, ISO 8601.
    version : str
        Version of vibstudy.
    step, message, detail : str
        For a failure: where it happened, why, and the programmer's details.
    remark : str
        For a success: what could not be used (a score of something else).
    """

    inputs: dict[str, Any] = field(default_factory=dict)
    stamps: dict[str, dict[str, Any]] = field(default_factory=dict)
    outputs: dict[str, Any] = field(default_factory=dict)
    notes: int | None = None
    seconds: float = 0.0
    finished_at: str = ""
    version: str = ""
    step: str = ""
    message: str = ""
    detail: str = ""
    remark: str = ""

    @property
    def failed(self) -> bool:
        """Whether the recording could not be measured."""
        return bool(self.message)

    def outcome(self) -> Entry:
        """What came out, without what went in: all that the tables need, in a fraction of the memory."""
        return replace(self, inputs={}, stamps={})


@dataclass(frozen=True)
class Plan:
    """What to do with a recording.

    Parameters
    ----------
    reason : str
        Why it would be measured (again); "" when what is stored holds.
    entry : Entry | None
        What is stored.
    stamps : mapping
        Its files as they are now, by role; empty when one is not there.
    """

    reason: str
    entry: Entry | None = None
    stamps: Mapping[str, Stamp] = field(default_factory=dict)


@dataclass(frozen=True)
class Packed:
    """What measuring gave, as the files to be stored.

    Parameters
    ----------
    files : mapping
        Content by name, in the order of the store.
    notes : int
        Notes found.
    remark : str
        What could not be used.
    """

    files: Mapping[str, bytes]
    notes: int
    remark: str = ""


def pack(result: Measured) -> Packed:
    """Make the files of an entry. Done by the worker, so that the one writer only writes."""
    provenance = [column.name for column in PROVENANCE_COLUMNS]  # joined when the tables are written
    measured = result.notes.drop(columns=provenance, errors="ignore")
    notes = to_arrow(typed(measured, NOTE_COLUMNS), NOTE_COLUMNS)
    contents = (
        arrow_bytes(notes),
        parquet_bytes(to_arrow(result.line)),
        json_bytes(_plain(result.recording)),
    )
    remark = str(result.recording.get("score_problem") or "")
    return Packed(dict(zip(STORED, contents, strict=True)), notes.num_rows, remark)


def differences(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    """What is different between what went in then and now, in words.

    A setting that the old version did not know has not changed.
    """
    words = []
    if old["method"] != new["method"]:
        words.append(f"the method changed (version {old['method']} to {new['method']})")
    for role, called in _FILE_FIELDS.items():
        before, now = old["files"].get(role), new["files"].get(role)
        if before != now:
            how = "changed" if before and now else "was added" if now else "was removed"
            words.append(f"{called} {how}")
    for name, value in new["settings"].items():
        before = old["settings"].get(name, value)
        if before != value:
            words.append(f"the setting {name} changed from {_said(before)} to {_said(value)}")
    for name, value in new["row"].items():
        before = old["row"].get(name)
        if before != value:
            words.append(f"{name} in the manifest changed from {_said(before)} to {_said(value)}")
    return words


def _said(value: Any) -> str:
    return "empty" if value in (None, "") else f"{value:g}" if isinstance(value, float) else str(value)


def plain_value(value: Any) -> Any:
    """A value for JSON: plain Python, missing as None."""
    if hasattr(value, "item"):
        value = value.item()
    return None if value is pd.NA or value != value else value


def number_of(row: Mapping[Any, Any], name: str) -> float | None:
    """The number in a cell of a row; None where there is none."""
    value = plain_value(row.get(name))
    return None if value is None else float(value)


def _plain(values: Mapping[str, Any]) -> dict[str, Any]:
    return {str(name): plain_value(value) for name, value in values.items()}
