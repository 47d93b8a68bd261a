"""What the decisions of listeners do to a note table.

Rules
-----
* Decisions are taken in order of time (then of id). Where two listeners decide differently about the
  same thing, the later decision holds and the conflict is reported.
* A decision finds its note when the two stretches of time share at least half of what they cover
  together; the note of the same id goes first.
* A decision on sound that has changed since, or on a note that is no longer there, is stale: it is
  reported, stays in the file, and changes nothing.
* An octave is counted from the pitch that was measured, so that two listeners who say the same do not
  add up.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.decisions.edits import EDITS_NAME, Edit, in_order, why_unusable, words_of
from vibstudy.errors import Problem
from vibstudy.schema import NOTE_COLUMNS, quality_of, reasons_of

SAME_EDGE_S = 0.03
"""Edges nearer than this are the same edge."""
_DISAGREE = "two listeners disagree; the later decision holds"
_SHARED = 0.5
_MEASURED = [column.name for column in NOTE_COLUMNS]
VIBRATO_COLUMNS = tuple(
    name
    for name in _MEASURED[_MEASURED.index("has_vibrato") :]
    if name not in ("snr_db", "quality", "reviewed")
)
"""Columns that only a note with edges and pitch as measured can have."""
_OF_VIBRATO = {"too_short", "few_cycles", "outlier_harmonics"}
"""Reasons that speak of a vibrato: a trill has none."""


@dataclass(frozen=True)
class EditReport:
    """What became of each decision. Each is in exactly one of the four first fields.

    Parameters
    ----------
    applied : tuple of Edit
    undone : tuple of Edit
        Taken back, and the undos themselves.
    stale : tuple of (Edit, str)
        Not applied, and why.
    counts : tuple of (Edit, str)
        Counted cycles, and the note they belong to; they change no note.
    conflicts : tuple of (Edit, Edit)
        Earlier decision, and the later one of another listener that holds.
    remeasure : dict
        Notes whose figures are missing until measured again: note_id to octave shift.
    """

    applied: tuple[Edit, ...] = ()
    undone: tuple[Edit, ...] = ()
    stale: tuple[tuple[Edit, str], ...] = ()
    counts: tuple[tuple[Edit, str], ...] = ()
    conflicts: tuple[tuple[Edit, Edit], ...] = ()
    remeasure: dict[str, int] = field(default_factory=dict)

    @property
    def problems(self) -> list[Problem]:
        """What the listeners should know."""
        stale = [
            Problem(
                f"decision not applied: {why}", EDITS_NAME, got=words_of(edit), repair="Hear the note again"
            )
            for edit, why in self.stale
        ]
        conflicts = [
            Problem(
                f"{_DISAGREE}: {words_of(b)}", EDITS_NAME, got=words_of(a), repair="Hear the note together"
            )
            for a, b in self.conflicts
        ]
        return stale + conflicts


def apply_edits(
    notes: pd.DataFrame, edits: Iterable[Edit], audio_sha256: Mapping[str, str] | None = None
) -> tuple[pd.DataFrame, EditReport]:
    """Put decisions into a note table as measured.

    Parameters
    ----------
    notes : DataFrame
        Note table as measured, not yet edited.
    edits : iterable of Edit
        In any order.
    audio_sha256 : mapping of str to str | None
        Hash of each recording's sound now; None: not checked.

    Returns
    -------
    notes : DataFrame
        A new table of the same columns. ``reviewed`` is set; figures that no longer hold are missing.
    report : EditReport
    """
    standing, undone, stale = _standing(edits)
    present = set(notes["recording_id"])
    own: dict[str, list[Edit]] = {}
    for edit in standing:
        if edit.recording_id in present:
            own.setdefault(edit.recording_id, []).append(edit)
        else:
            stale.append((edit, "this recording is not among those measured"))
    parts, tables = [], []
    for name, part in notes.groupby("recording_id", sort=False, dropna=False):
        if name in own:
            table = _Table(part, None if audio_sha256 is None else audio_sha256.get(str(name)))
            for edit in own[str(name)]:
                table.take(edit)
            tables.append(table)
            part = table.frame(notes)
        parts.append(part)
    frame = pd.concat(parts, ignore_index=True) if tables else notes.copy()
    return frame, EditReport(
        applied=tuple(edit for table in tables for edit in table.applied),
        undone=tuple(undone),
        stale=(*stale, *(item for table in tables for item in table.stale)),
        counts=tuple(item for table in tables for item in table.counts),
        conflicts=tuple(item for table in tables for item in table.conflicts),
        remeasure={name: octaves for table in tables for name, octaves in table.remeasure().items()},
    )


def standing_edits(edits: Iterable[Edit]) -> list[Edit]:
    """Decisions that were not taken back, in order of time."""
    return _standing(edits)[0]


def _standing(edits: Iterable[Edit]) -> tuple[list[Edit], list[Edit], list[tuple[Edit, str]]]:
    """Decisions that were not taken back, those that were (with their undos), and undos of nothing."""
    ordered = in_order({edit.edit_id: edit for edit in edits}.values())
    known = {edit.edit_id for edit in ordered}
    gone: set[str] = set()
    stale: list[tuple[Edit, str]] = []
    for edit in reversed(ordered):  # an undo may itself have been taken back
        if edit.what == "undo" and edit.edit_id not in gone:
            if edit.value in known:
                gone.add(edit.value)
            else:
                stale.append((edit, "the decision it takes back is not in this file"))
    standing = [edit for edit in ordered if edit.edit_id not in gone and edit.what != "undo"]
    strays = {edit.edit_id for edit, _ in stale}
    undone = [
        edit for edit in ordered
        if edit.edit_id not in strays and (edit.edit_id in gone or edit.what == "undo")
    ]  # fmt: skip
    return standing, undone, stale


class _Table:
    """Notes of one recording while decisions are taken one after the other."""

    def __init__(self, notes: pd.DataFrame, audio_sha256: str | None):
        self.rows: list[dict[str, Any]] = [
            {str(name): value for name, value in row.items()} for row in notes.to_dict("records")
        ]
        self.audio_sha256 = audio_sha256
        self.octaves: dict[str, int] = {}
        self.changed: set[str] = set()
        self.last: dict[tuple[str, str], Edit] = {}
        self.applied: list[Edit] = []
        self.stale: list[tuple[Edit, str]] = []
        self.counts: list[tuple[Edit, str]] = []
        self.conflicts: list[tuple[Edit, Edit]] = []

    def frame(self, like: pd.DataFrame) -> pd.DataFrame:
        rows = sorted(self.rows, key=lambda row: row["onset_s"])
        return pd.DataFrame(rows, columns=list(like.columns)).astype(like.dtypes.to_dict())

    def remeasure(self) -> dict[str, int]:
        return {
            row["note_id"]: self.octaves.get(row["note_id"], 0)
            for row in self.rows
            if row["note_id"] in self.changed
        }

    def take(self, edit: Edit) -> None:
        """Apply a decision, or say why not."""
        why = why_unusable(edit)
        if not why and self.audio_sha256 is not None and edit.audio_sha256 != self.audio_sha256:
            why = "the sound file has changed since"
        row = None if why else self._find(edit)
        if row is None:
            self.stale.append((edit, why or "the note is no longer there"))
            return
        if edit.what == "count":
            self.counts.append((edit, row["note_id"]))
            return
        why = getattr(self, f"_{edit.what}")(row, edit)
        if why:
            self.stale.append((edit, why))
            return
        self._note_conflict(row, edit)
        self.applied.append(edit)

    def _find(self, edit: Edit) -> dict[str, Any] | None:
        shares = [
            _shared(edit.note_onset_s, edit.note_offset_s, row["onset_s"], row["offset_s"])
            for row in self.rows
        ]
        fitting = [i for i, share in enumerate(shares) if share >= _SHARED]
        if not fitting:
            # A note that another decision has split or lengthened is still the note of that name.
            fitting = [
                i for i, row in enumerate(self.rows)
                if row["note_id"] == edit.note_id and shares[i] > 0 and edit.note_id in self.changed
            ]  # fmt: skip
        if not fitting:
            return None
        return self.rows[max(fitting, key=lambda i: (self.rows[i]["note_id"] == edit.note_id, shares[i]))]

    def _note_conflict(self, row: dict[str, Any], edit: Edit) -> None:
        topic = "verdict" if edit.what in ("accept", "reject") else edit.what
        before = self.last.get((row["note_id"], topic))
        if before is not None and before.who != edit.who and not _alike(before, edit):
            self.conflicts.append((before, edit))
        self.last[row["note_id"], topic] = edit

    @staticmethod
    def _without_vibrato(row: dict[str, Any]) -> dict[str, Any]:
        own = (name for name in VIBRATO_COLUMNS if name in row)
        return {name: pd.NA if name.startswith("has_") else np.nan for name in own}

    def _mark(self, row: dict[str, Any]) -> None:
        """A changed note: what was measured within its old edges or at its old pitch no longer holds."""
        row |= self._without_vibrato(row)
        row["reviewed"] = "edited"
        self.changed.add(row["note_id"])

    def _move(self, row: dict[str, Any], onset_s: float, offset_s: float) -> None:
        row |= {"onset_s": onset_s, "offset_s": offset_s, "duration_s": offset_s - onset_s}
        self._mark(row)

    def _accept(self, row: dict[str, Any], edit: Edit) -> str:
        edited = row["note_id"] in self.changed or (row["note_id"], "trill") in self.last
        row["reviewed"] = "edited" if edited else "accepted"
        return ""

    def _reject(self, row: dict[str, Any], edit: Edit) -> str:
        row["reviewed"] = "rejected"
        return ""

    def _edges(self, row: dict[str, Any], edit: Edit) -> str:
        self._move(row, float(edit.value[0]), float(edit.value[1]))
        return ""

    def _octave(self, row: dict[str, Any], edit: Edit) -> str:
        change = edit.value - self.octaves.get(row["note_id"], 0)
        self.octaves[row["note_id"]] = edit.value
        if row.get("pitch_hz") is not None:
            row["pitch_hz"] *= 2.0**change
        self._mark(row)
        return ""

    def _split(self, row: dict[str, Any], edit: Edit) -> str:
        at, onset, offset = float(edit.value), row["onset_s"], row["offset_s"]
        edges = [row["onset_s"] for row in self.rows] + [row["offset_s"] for row in self.rows]
        if min(abs(edge - at) for edge in edges) < SAME_EDGE_S:
            near = min(abs(at - onset), abs(at - offset)) < SAME_EDGE_S
            return "" if near else "another note begins or ends there"
        if not onset < at < offset:
            return "the place of the split is outside the note"
        taken = {other["note_id"] for other in self.rows}
        number = next(k for k in range(2, len(self.rows) + 3) if f"{row['note_id']}.{k}" not in taken)
        second = row | {"note_id": f"{row['note_id']}.{number}"}
        self.octaves[second["note_id"]] = self.octaves.get(row["note_id"], 0)
        self.rows.append(second)
        self._move(second, at, offset)
        self._move(row, onset, at)
        return ""

    def _join(self, row: dict[str, Any], edit: Edit) -> str:
        until = float(edit.value)
        if abs(row["offset_s"] - until) < SAME_EDGE_S:
            return ""
        following = [
            other
            for other in self.rows
            if row["onset_s"] < other["onset_s"] and other["offset_s"] < until + SAME_EDGE_S
        ]
        if not following or max(other["offset_s"] for other in following) < until - SAME_EDGE_S:
            return "the following note is no longer there"
        self.rows = [other for other in self.rows if all(other is not gone for gone in following)]
        self._move(row, row["onset_s"], max(other["offset_s"] for other in following))
        return ""

    def _trill(self, row: dict[str, Any], edit: Edit) -> str:
        row |= self._without_vibrato(row)
        reasons = [reason for reason in reasons_of(row.get("quality")) if reason not in _OF_VIBRATO]
        row |= {"note_kind": "trill", "reviewed": "edited", "quality": quality_of(reasons)}
        return ""


def _shared(a0: float, a1: float, b0: float, b1: float) -> float:
    """Time in both stretches over time in either."""
    both = min(a1, b1) - max(a0, b0)
    return max(both, 0.0) / max(max(a1, b1) - min(a0, b0), 1e-9)


def _alike(a: Edit, b: Edit) -> bool:
    if a.what != b.what:
        return False
    if a.what in ("edges", "split", "join"):
        pair = [np.atleast_1d(np.asarray(edit.value, float)) for edit in (a, b)]
        return bool(np.all(np.abs(pair[0] - pair[1]) < SAME_EDGE_S))
    return a.value == b.value


def verdicts(edits: Sequence[Edit]) -> pd.DataFrame:
    """Each listener's last word on each note: ``note_id, who, verdict`` (accepted, edited, rejected)."""
    last: dict[tuple[str, str], str] = {}
    for edit in standing_edits(edits):
        key = (edit.note_id, edit.who)
        if edit.what == "reject":
            last[key] = "rejected"
        elif edit.what == "accept":
            last[key] = "edited" if last.get(key) == "edited" else "accepted"
        elif edit.what != "count":
            last[key] = "edited"
    rows = [(note, who, verdict) for (note, who), verdict in last.items()]
    return pd.DataFrame(rows, columns=["note_id", "who", "verdict"])
