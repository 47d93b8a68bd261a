"""What listeners decided about notes: an append-only table.

``edits.csv`` in the study folder, one line a decision, never rewritten. An undo is one more line.

====================  =====================================================================
column                meaning
====================  =====================================================================
edit_id               uuid4, hexadecimal: the same decision in two copies is one decision
made_at               UTC, ISO 8601
who                   the listener, as they sign
recording_id
audio_sha256          hash of the sound that was heard
note_id               the note, and where it began and ended, in s, when the decision was made:
note_onset_s,         the note is found again by both, so that a decision survives notes being
note_offset_s         numbered anew
what                  one of :data:`KINDS`
value                 JSON; what it holds is told in :data:`KINDS`
why                   the listener's words
version               version of vibstudy
====================  =====================================================================

A line that was cut off while it was written is reported and skipped.
What decisions do to a note table: :mod:`vibstudy.decisions.effects`.

Texts are guarded for spreadsheets as in :mod:`vibstudy.corpus.tables`.
"""

from __future__ import annotations

import csv
import io
import json
import os
import uuid
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from vibstudy import __version__
from vibstudy.corpus.tables import guard_text, unguard_text
from vibstudy.corpus.untrusted import read_bytes
from vibstudy.errors import Problem, VibstudyError

EDITS_NAME = "edits.csv"

KINDS: dict[str, str] = {
    "accept": "the note is right as it stands; value null",
    "reject": "not a note of the soloist, or not to be used; value null",
    "edges": "the note begins and ends elsewhere; value [onset_s, offset_s]",
    "octave": "octaves between the pitch measured and the pitch heard; value a whole number",
    "split": "two notes; value the time in s where the second begins",
    "join": "one note with the following; value the offset_s of that one",
    "trill": "a trill, not vibrato; value null",
    "count": "vibrato cycles counted by ear or eye; value [cycles, seconds]",
    "undo": "takes back one decision; value its edit_id",
}
"""What can be decided, and what ``value`` holds."""

LATEST_S = 1e6
"""No recording lasts eleven days: a later time is a slip, or damage."""
HEARD_AS_PITCH_HZ = 20.0
"""Faster cycles are heard as a tone and cannot be counted (the lower limit of hearing, common practice)."""


@dataclass(frozen=True)
class Edit:
    """One decision; the fields are the columns of ``edits.csv``."""

    edit_id: str
    made_at: str
    who: str
    recording_id: str
    audio_sha256: str
    note_id: str
    note_onset_s: float
    note_offset_s: float
    what: str
    value: Any = None
    why: str = ""
    version: str = __version__


COLUMNS: tuple[str, ...] = tuple(item.name for item in fields(Edit))


def make_edit(
    who: str, note: Mapping[str, Any], audio_sha256: str, what: str, value: Any = None, why: str = ""
) -> Edit:
    """A new decision, now.

    Parameters
    ----------
    who : str
        The listener.
    note : mapping
        ``recording_id, note_id, onset_s, offset_s`` of the note as the listener saw it.
    audio_sha256 : str
        Hash of the sound heard.
    what, value
        As in :data:`KINDS`.
    why : str
        Reason, free.
    """
    return Edit(
        edit_id=uuid.uuid4().hex,
        made_at=datetime.now(UTC).isoformat(timespec="microseconds"),
        who=one_line(who),
        recording_id=str(note["recording_id"]),
        audio_sha256=audio_sha256,
        note_id=str(note["note_id"]),
        note_onset_s=round(float(note["onset_s"]), 6),
        note_offset_s=round(float(note["offset_s"]), 6),
        what=what,
        value=value,
        why=one_line(why),
    )


def one_line(text: str) -> str:
    """The text as one line of letters that can be seen: a decision is one line of the file."""
    return " ".join("".join(c if c.isprintable() else " " for c in str(text)).split())


# --- the file


def append_edit(path: str | Path, edit: Edit) -> None:
    """Add one decision to the file; it is on the disk when this returns.

    A program that is killed in the middle leaves at most one line that is cut off; the next decision
    begins a new one.
    """
    path = Path(path)
    with path.open("ab") as stream:
        lead = b""
        if stream.tell() == 0:
            lead = _line(COLUMNS)
        elif _cut_off(path):
            lead = b"\n"
        stream.write(lead + _line(_cells(edit)))
        stream.flush()
        os.fsync(stream.fileno())


def _cut_off(path: Path) -> bool:
    with path.open("rb") as stream:
        stream.seek(-1, os.SEEK_END)
        return stream.read(1) != b"\n"


def _cells(edit: Edit) -> list[str]:
    cells = asdict(edit) | {"value": "" if edit.value is None else json.dumps(edit.value)}
    for name in ("note_onset_s", "note_offset_s"):
        cells[name] = f"{cells[name]:.6f}"
    return [guard_text(str(cells[name])) for name in COLUMNS]


def _line(cells: Iterable[str]) -> bytes:
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\n").writerow(cells)
    return text.getvalue().encode("utf-8")


def edits_text(edits: Iterable[Edit]) -> str:
    """The whole file of these decisions, in their order."""
    return b"".join([_line(COLUMNS), *(_line(_cells(edit)) for edit in edits)]).decode("utf-8")


_CUT_OFF = "A line cut off is a decision that was being saved when the program ended: decide it again"
_FOREIGN = "The file is not as the listening room wrote it: put back the copy that no other program has saved"


def read_edits(path: str | Path) -> tuple[list[Edit], list[Problem]]:
    """All decisions of a file, in the order of the file; lines that cannot be read are problems.

    A file that does not exist holds none.
    """
    path = Path(path)
    if not os.path.lexists(path):
        return [], []
    edits: list[Edit] = []
    problems: list[Problem] = []
    try:
        content = read_bytes(path, "file of decisions")
    except VibstudyError as error:  # one listener's file must not stop the others
        return [], error.problems
    lines = content.splitlines(keepends=True)
    repair = _CUT_OFF if lines and _read_line(lines[0]) == list(COLUMNS) else _FOREIGN
    for row, line in enumerate(lines, start=1):
        found = _read_line(line)
        if found == list(COLUMNS) or not line.strip():
            continue
        edit = _edit(found)
        if isinstance(edit, Edit):
            edits.append(edit)
        else:
            message = f"this decision cannot be read and is left out: {edit}"
            got = line.decode("utf-8", "replace").strip()[:120]
            problems.append(Problem(message, path.name, row, got=got, repair=repair))
    return edits, problems


def _read_line(line: bytes) -> list[str]:
    text = line.decode("utf-8", "replace").lstrip("\ufeff").rstrip("\r\n")
    try:
        return next(csv.reader([text], strict=True), [])
    except csv.Error:
        return []


def _edit(cells: list[str]) -> Edit | str:
    """The decision of a line, or why it is none."""
    if len(cells) != len(COLUMNS):
        return f"it has {len(cells)} cell{'' if len(cells) == 1 else 's'} instead of {len(COLUMNS)}"
    given: dict[str, Any] = dict(zip(COLUMNS, map(unguard_text, cells), strict=True))
    try:
        for name in ("note_onset_s", "note_offset_s"):
            given[name] = float(given[name])
        given["value"] = json.loads(given["value"]) if given["value"] else None
        datetime.fromisoformat(given["made_at"]).astimezone(UTC)  # a day outside the calendar cannot be
        _moment(given["made_at"])
        edit = Edit(**given)
    except (ValueError, TypeError, RecursionError, OverflowError):
        return "a cell is not what its column needs"
    return why_unusable(edit) or edit


def why_unusable(edit: Edit) -> str:
    """What is wrong with a decision's own values; "" when nothing is."""
    if not edit.edit_id or not edit.note_id or not edit.recording_id:
        return "it names no note"
    if not 0 <= edit.note_onset_s < edit.note_offset_s <= LATEST_S:
        return "its note does not end after it begins"
    value, what = edit.value, edit.what
    if what not in KINDS:
        return f"{what!r} is not one of {', '.join(KINDS)}"
    good = {
        "accept": lambda: value is None,
        "reject": lambda: value is None,
        "trill": lambda: value is None,
        "edges": lambda: _numbers(value, 2) and 0 <= value[0] < value[1],
        "octave": lambda: isinstance(value, int) and not isinstance(value, bool) and -4 <= value <= 4,
        "split": lambda: _numbers([value], 1) and value > 0,
        "join": lambda: _numbers([value], 1) and value > edit.note_onset_s,
        "count": lambda: _numbers(value, 2) and _countable(*value),
        "undo": lambda: isinstance(value, str) and value != "",
    }.get(what, lambda: True)
    return "" if good() else f"its value does not fit: {KINDS[what]}"


def _countable(cycles: float, seconds: float) -> bool:
    return seconds > 0 and 0 <= cycles <= 1 + HEARD_AS_PITCH_HZ * seconds


def _numbers(value: Any, count: int) -> bool:
    return (
        isinstance(value, list)
        and len(value) == count
        and all(isinstance(v, int | float) and not isinstance(v, bool) and abs(v) <= LATEST_S for v in value)
    )


def merge_edits(*copies: Iterable[Edit]) -> tuple[list[Edit], list[Problem]]:
    """Join the decisions of several copies of a study, in order of time; none is lost.

    Returns
    -------
    edits : list of Edit
        One of each ``edit_id``.
    problems : list of Problem
        Decisions of one id whose contents differ (someone changed the file by hand): both are told,
        the first copy's is kept.
    """
    known: dict[str, Edit] = {}
    problems = []
    for copy in copies:
        for edit in copy:
            kept = known.setdefault(edit.edit_id, edit)
            if kept != edit:
                message = f"one decision reads differently in two copies; kept is {words_of(kept)}"
                repair = "Decide again what should hold"
                problems.append(Problem(message, EDITS_NAME, got=words_of(edit), repair=repair))
    return in_order(known.values()), problems


def in_order(edits: Iterable[Edit]) -> list[Edit]:
    """Decisions in order of time, then of id."""
    return sorted(edits, key=lambda edit: (_moment(edit.made_at), edit.edit_id))


def _moment(made_at: str) -> float:
    return datetime.fromisoformat(made_at).timestamp()


def words_of(edit: Edit) -> str:
    """A decision in a line: who decided what on which note, and when."""
    value = "" if edit.value is None else f" {json.dumps(edit.value)}"
    return f"{edit.who}: {edit.what}{value} on {edit.note_id} ({edit.made_at[:19]})"
