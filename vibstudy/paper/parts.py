"""The parts of a package that everything else in it follows from, read by the program's own list and schema.

A package says of itself what it holds; nothing of that is believed here. Which files there are, which
columns, and what a column holds is told by this program (:mod:`vibstudy.schema`, the manifest's dictionary);
columns of the user's own are numbers when every cell is one, as in a manifest, else text.

Read are ``notes.csv``, ``recordings.csv``, ``claims.toml``, ``claims_log.csv``, ``edits.csv`` and
``environment.json``. They must agree with each other:

* every note's recording is listed, no recording or note is listed twice, a note has the tags of its
  recording, and a recording has as many notes as it says, unless a listener decided on it;
* every recording and every claim stands in the log, whose rows follow each other in time and by their chain;
* decisions are on recordings that are there; a note that somebody decided on has a decision;
* settings and versions are all there and are possible.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pacsv

from vibstudy.corpus.cells import id_fault
from vibstudy.corpus.manifest import own_column
from vibstudy.corpus.names import name_fault
from vibstudy.corpus.settings import Settings
from vibstudy.corpus.tables import ARROW_TYPES, NULLABLE, TABLES, unguard
from vibstudy.corpus.untrusted import MOST_BYTES, as_json, read_bytes
from vibstudy.decisions.edits import EDITS_NAME, Edit, read_edits
from vibstudy.decisions.effects import standing_edits
from vibstudy.errors import Problem, VibstudyError, raise_any
from vibstudy.schema import MANIFEST_COLUMNS, NOTE_COLUMNS, PROVENANCE_COLUMNS, RECORDING_COLUMNS
from vibstudy.stats.claimfile import CLAIMS_FILE, Claim, read_claims
from vibstudy.stats.ledger import EVENTS, Ledger
from vibstudy.stats.ledger import FILE_NAME as LOG_FILE
from vibstudy.stats.logbook import hashes_of

NOTES, RECORDINGS, ENVIRONMENT = "notes.csv", "recordings.csv", "environment.json"

PACKAGE_FOLDER = "data-package"
"""What 'vibstudy package' calls the folder it makes in a study."""
PATH_COLUMNS = ("path", "audio_path", "score_path", "notes_path")
"""Columns that name files of the user's disk; never in a package."""

MOST_TABLE_BYTES = 4_000_000_000
"""The notes of ten thousand recordings take half of it."""
MOST_COLUMNS = 500
MOST_CLAIMS = 200
"""Each is a model to fit; corrected for so many, no claim could be upheld."""
AGAIN = "Fetch the package again; if it is so at its source, tell its author"
"""What whoever checks a package can do."""

_NUMBER = re.compile(r"-?\d+(\.\d+)?([eE][+-]?\d+)?")
_FORMS = {
    "number": _NUMBER,
    "integer": re.compile(r"-?\d{1,18}"),
    "boolean": re.compile("true|false"),
}
_WORDS = {"number": "a number", "integer": "a whole number", "boolean": "true or false"}
_WHOLE_COLUMNS = (*NOTE_COLUMNS, *RECORDING_COLUMNS)
_VERSIONS = ("vibstudy", "python", "system", "seeds")


@dataclass(frozen=True)
class About:
    """What is said of the data.

    Parameters
    ----------
    title, author : str
        For the citation.
    licence : str
        SPDX name.
    """

    title: str = "Vibrato measured note by note"
    author: str = ""
    licence: str = "CC-BY-4.0"


@dataclass(frozen=True, eq=False)
class Parts:
    """What the rest of a package follows from.

    Parameters
    ----------
    notes, recordings : DataFrame
        The tables, typed.
    claims : list of Claim
    log : str
        Text of the log of claims; "" without claims.
    edits : list of Edit
        Decisions of listeners.
    environment : dict
        Settings and versions.
    about : About
    """

    notes: pd.DataFrame
    recordings: pd.DataFrame
    environment: dict[str, Any]
    about: About = field(default_factory=About)
    claims: list[Claim] = field(default_factory=list)
    log: str = ""
    edits: list[Edit] = field(default_factory=list)


def read_parts(folder: Path, about: About) -> Parts:
    """Read the parts from a folder.

    Raises
    ------
    VibstudyError
        With every problem found.
    """
    problems: list[Problem] = []

    def attempt(read: Any, *arguments: Any) -> Any:
        try:
            return read(*arguments)
        except VibstudyError as error:
            problems.extend(_short(problem) for problem in error.problems)
            return None

    notes = attempt(read_table, folder / NOTES)
    recordings = attempt(read_table, folder / RECORDINGS)
    environment = attempt(read_environment, folder / ENVIRONMENT)
    claims: list[Claim] = []
    ledger, log = None, ""
    if (folder / CLAIMS_FILE).exists():
        claims = attempt(read_claims, folder / CLAIMS_FILE) or []
    if (folder / LOG_FILE).exists():
        ledger = attempt(Ledger, folder / LOG_FILE)
        log = ledger.text if ledger is not None else ""
    edits: list[Edit] = []
    if (folder / EDITS_NAME).exists():
        edits, found = read_edits(folder / EDITS_NAME)
        problems += map(_short, found)
    raise_any(problems)
    parts = Parts(notes, recordings, environment, about, claims, log, edits)
    problems += _own_faults(parts)
    problems = problems or [*_table_faults(parts), *_log_faults(parts, ledger), *_edit_faults(parts)]
    raise_any(problems)
    return parts


def _short(problem: Problem) -> Problem:
    """The same, with the file's name alone and a repair."""
    where, repair = Path(problem.file).name, problem.repair or AGAIN
    return replace(problem, file=where, got=problem.got[:80], repair=repair)


# --- tables


def read_table(path: Path) -> pd.DataFrame:
    """A table of a package, typed by the program's dictionary.

    Raises
    ------
    VibstudyError
        With the row and column of what cannot be.
    """
    header = _header(path)
    kinds = column_kinds(path.name, header)
    options = pacsv.ConvertOptions(
        column_types={name: ARROW_TYPES[kind or "string"] for name, kind in kinds.items()},
        null_values=[""],
        strings_can_be_null=True,
        true_values=["true"],
        false_values=["false"],
    )
    try:
        table = pacsv.read_csv(
            path, parse_options=pacsv.ParseOptions(newlines_in_values=True), convert_options=options
        )
    except pa.ArrowException:
        raise VibstudyError(_bad_cell(path, kinds)) from None
    frame = table.to_pandas(types_mapper=NULLABLE.get)
    for name, kind in kinds.items():
        if not kind:
            frame[name] = own_column(frame[name])
        if isinstance(frame[name].dtype, pd.StringDtype):
            frame[name] = unguard(frame[name])
    problems = list(_out_of_range(frame, path.name))
    raise_any(problems)
    return frame


def _header(path: Path) -> list[str]:
    dictionary = [column.name for column in TABLES[path.name][1] if column not in PROVENANCE_COLUMNS]
    try:
        with path.open(encoding="utf-8", newline="") as stream:
            header = next(csv.reader([stream.readline(1_000_000)]), [])
    except (UnicodeDecodeError, csv.Error):
        header = []
    if header[: len(dictionary)] != dictionary:
        at = next((k for k, name in enumerate(dictionary) if header[k : k + 1] != [name]), 0)
        got = header[at][:80] if at < len(header) else ""
        message = f"column {at + 1} should be {dictionary[at]}"
        raise VibstudyError(message, path.name, 1, got=got, repair=AGAIN)
    problems = [
        Problem(fault, path.name, 1, name[:80], repair=AGAIN)
        for name in header
        if (fault := _name_fault(name, header))
    ]
    if len(header) > MOST_COLUMNS:
        problems = [Problem(f"it has more than {MOST_COLUMNS} columns", path.name, 1, repair=AGAIN)]
    raise_any(problems)
    return header


def _name_fault(name: str, header: Sequence[str]) -> str:
    if not name.strip():
        return "a column has no name"
    if header.count(name) > 1:
        return "this column stands twice"
    if name in PATH_COLUMNS:
        return "a column of paths does not belong in a package"
    fault = name_fault(name)
    return f"a column cannot be called so: {fault}" if fault else ""


def column_kinds(table: str, header: Sequence[str]) -> dict[str, str]:
    """What each column holds; "" for one of the user's own."""
    known = {column.name: column.type for column in (*MANIFEST_COLUMNS, *TABLES[table][1])}
    return {name: known.get(name, "") for name in header}


def _bad_cell(path: Path, kinds: Mapping[str, str]) -> Problem:
    """The first cell that is not what its column holds."""
    for row, cells in _records(path):
        if isinstance(cells, str):
            return Problem(cells, path.name, row, repair=AGAIN)
        if len(cells) != len(kinds):
            got = f"{len(cells)} cells"
            return Problem(f"this row should have {len(kinds)} cells", path.name, row, "", got, AGAIN)
        for cell, (name, kind) in zip(cells, kinds.items(), strict=True):
            if cell and kind in _FORMS and not _FORMS[kind].fullmatch(cell):
                return Problem(f"this is not {_WORDS[kind]}", path.name, row, name, cell[:80], AGAIN)
    return Problem("this table cannot be read", path.name, repair=AGAIN)


def _records(path: Path) -> Iterator[tuple[int, list[str] | str]]:
    """Rows of a CSV file after the header; the reason in words where reading ends."""
    row = 1
    try:
        with path.open(encoding="utf-8", newline="") as stream:
            for row, cells in enumerate(csv.reader(stream, strict=True), start=1):
                if row > 1:
                    yield row, cells
    except UnicodeDecodeError:
        yield row + 1, "this is not UTF-8 text, here or a little later"
    except csv.Error as error:
        yield row + 1, f"this row cannot be read: {error}"


def _out_of_range(frame: pd.DataFrame, file: str) -> Iterator[Problem]:
    limits = {column.name: column.constraints for column in TABLES[file][1]}
    for name in frame:
        values = frame[name]
        bad = pd.Series(False, index=frame.index)
        allowed = limits.get(str(name), {})
        if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
            numbers = values.to_numpy(float, na_value=np.nan)
            with np.errstate(invalid="ignore"):
                wrong = np.isinf(numbers) | (numbers < allowed.get("minimum", -np.inf))
                bad |= wrong | (numbers > allowed.get("maximum", np.inf))
        if "enum" in allowed:
            bad |= ~values.isin(allowed["enum"]) & values.notna()
        if allowed.get("required"):
            bad |= values.isna()
        yield from _first_bad(values, bad, "this value cannot be", file)


# --- do the parts agree?


def _own_faults(parts: Parts) -> Iterator[Problem]:
    """Names twice or unsafe."""
    ids = parts.recordings["recording_id"]
    for row, name in enumerate(ids, start=2):
        if pd.isna(name) or id_fault(str(name)):
            fault = "" if pd.isna(name) else f": {id_fault(str(name))}"
            message = f"a recording cannot be called so{fault}"
            yield Problem(message, RECORDINGS, row, "recording_id", str(name)[:80], AGAIN)
            return
    tables = ((parts.recordings, RECORDINGS, "recording_id"), (parts.notes, NOTES, "note_id"))
    for frame, file, column in tables:
        yield from _first_bad(frame[column], frame[column].duplicated(), "this name stands twice", file)


def _first_bad(values: pd.Series, bad: pd.Series, message: str, file: str) -> Iterator[Problem]:
    """The problem of the first bad cell of a column, if there is one."""
    if bad.any():
        row = int(np.argmax(bad.to_numpy()))
        yield Problem(message, file, row + 2, str(values.name), str(values.iloc[row])[:80], AGAIN)


def _table_faults(parts: Parts) -> Iterator[Problem]:
    notes, recordings = parts.notes, parts.recordings.set_index("recording_id")
    stray = ~notes["recording_id"].isin(recordings.index)
    if stray.any():
        yield from _first_bad(notes["recording_id"], stray, "this recording is not listed", NOTES)
        return
    decided = {edit.recording_id for edit in parts.edits}
    counted = notes["recording_id"].value_counts()
    for row, (name, said) in enumerate(recordings["notes"].items(), start=2):
        there = int(counted.get(name, 0))
        if pd.notna(said) and int(said) != there and name not in decided:
            message = f"{there} notes of this recording are in {NOTES}"
            yield Problem(message, RECORDINGS, row, "notes", str(said), AGAIN)
    tool = {column.name for column in _WHOLE_COLUMNS}
    for name in [name for name in notes if name in recordings and name not in tool]:
        theirs = notes["recording_id"].map(recordings[name])
        differs = ~((notes[name] == theirs).fillna(False) | (notes[name].isna() & theirs.isna())).astype(bool)
        message = f"this note has another {name} than its recording"
        yield from _first_bad(notes[name], differs, message, NOTES)


def _log_faults(parts: Parts, ledger: Ledger | None) -> Iterator[Problem]:
    if (ledger is None) != (not parts.claims):
        there, lacking = (LOG_FILE, CLAIMS_FILE) if ledger is not None else (CLAIMS_FILE, LOG_FILE)
        yield Problem(f"there is {there}, but no claim in {lacking}", lacking, repair=AGAIN)
    if len(parts.claims) > MOST_CLAIMS:
        yield Problem(f"it holds more than {MOST_CLAIMS} claims", CLAIMS_FILE, repair=AGAIN)
        return
    if ledger is None:
        return
    if ledger.broken is not None:
        message = "this row does not follow the one above: the log was changed, and dates in it prove nothing"
        yield Problem(message, LOG_FILE, ledger.broken, "link", repair=AGAIN)
        return
    before = ""
    for number, (at, event, name, _, _) in enumerate(ledger.rows, start=2):
        try:
            datetime.strptime(at, "%Y-%m-%dT%H:%M:%SZ")
        except ValueError:
            yield Problem("this is no time", LOG_FILE, number, "at_utc", at[:80], AGAIN)
            return
        if at < before:
            yield Problem("this row is older than the one above", LOG_FILE, number, "at_utc", at, AGAIN)
            return
        if event not in EVENTS or not name:
            yield Problem("no such event", LOG_FILE, number, "event", event[:80], AGAIN)
            return
        before = at
    for name, sha256 in hashes_of(parts.recordings).items():
        if ledger.first("recording", name, sha256) is None:
            message = "this recording is not in the log as it is listed"
            yield Problem(message, LOG_FILE, got=name, repair=AGAIN)
            return
    for claim in parts.claims:
        place = ledger.first("claim", claim.id, claim.sha256)
        if place is None:
            yield Problem("this claim is not in the log as it reads", LOG_FILE, got=claim.id, repair=AGAIN)


def numbered(edit: Edit, number: int) -> Edit:
    """The decision as it stands in a package: known by its number, and the day it was made.

    The clock counts decisions in millionths of a second, so that their order is kept and nothing else.
    """
    day = datetime.fromisoformat(edit.made_at).astimezone(UTC).date()
    counted = datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(microseconds=number)
    return replace(edit, edit_id=f"{number:032x}", made_at=counted.isoformat(timespec="microseconds"))


def _edit_faults(parts: Parts) -> Iterator[Problem]:
    hashes = hashes_of(parts.recordings)
    listeners: dict[str, str] = {}
    for number, edit in enumerate(parts.edits, start=1):
        texts = (edit.who, edit.recording_id, edit.note_id, edit.version, edit.why)
        fault = ""
        if edit.recording_id not in hashes:
            fault = "the recording of this decision is not listed"
        elif edit.who != listeners.setdefault(edit.who, f"listener {len(listeners) + 1}"):
            fault = "listeners are called 'listener 1', 'listener 2', in the order of their first decision"
        elif not all(map(str.isprintable, texts)) or not re.fullmatch(r"[0-9a-f]{64}|", edit.audio_sha256):
            fault = "this decision holds what none can"
        elif edit != numbered(edit, number):
            fault = "this decision is not numbered and dated as decisions in a package are"
        if fault:
            got = f"{edit.who}, {edit.recording_id}"[:80]
            yield Problem(fault, EDITS_NAME, number + 1, got=got, repair=AGAIN)
            return
    yield from _verdict_faults(parts, hashes)


def _verdict_faults(parts: Parts, hashes: Mapping[str, str]) -> Iterator[Problem]:
    """Notes that are said to be decided on without a decision, and the other way round."""
    standing = standing_edits(parts.edits)
    named = {edit.note_id for edit in standing}
    heard = {
        (edit.recording_id, edit.note_id, edit.note_onset_s, edit.note_offset_s)
        for edit in standing
        if edit.what in ("accept", "reject") and edit.audio_sha256 == hashes[edit.recording_id]
    }
    asked = {edit.recording_id for edit in standing}
    columns = ("recording_id", "note_id", "onset_s", "offset_s", "reviewed")
    for row, values in enumerate(zip(*(parts.notes[name] for name in columns), strict=True), start=2):
        recording_id, note_id, onset, offset, reviewed = values
        decided = pd.notna(reviewed) and reviewed != "auto"
        # a note split in two keeps its name
        first = str(note_id).removeprefix(f"{recording_id}").split(".")[0]
        known = recording_id in asked and (note_id in named or f"{recording_id}{first}" in named)
        if decided and not known:
            message = "no decision is on this note"
        elif not decided and (recording_id, note_id, round(onset, 6), round(offset, 6)) in heard:
            message = "there is a decision on this note"
        else:
            continue
        yield Problem(message, NOTES, row, "reviewed", str(reviewed)[:80], AGAIN)
        return


def read_environment(path: Path) -> dict[str, Any]:
    """Settings and versions with which a packed study was measured.

    Raises
    ------
    VibstudyError
        Where the file holds anything else.
    """
    found = as_json(read_bytes(path, most_bytes=MOST_BYTES), path, "file of settings and versions", AGAIN)

    def wrong(what: str, column: str = "") -> VibstudyError:
        return VibstudyError(what, path.name, column=column, repair=AGAIN)

    wanted = {*_VERSIONS, "method_version", "libraries", "settings"}
    if not isinstance(found, dict) or set(found) != wanted:
        raise wrong(f"it should hold {', '.join(sorted(wanted))}, and no more")
    if not all(isinstance(found[name], str) and len(found[name]) < 200 for name in _VERSIONS):
        raise wrong("a version is not text")
    libraries, settings = found["libraries"], found["settings"]
    if not isinstance(found["method_version"], int) or isinstance(found["method_version"], bool):
        raise wrong("this is not a whole number", "method_version")
    if not isinstance(libraries, dict) or not all(
        isinstance(value, str) and len(value) < 100 for value in libraries.values()
    ):
        raise wrong("this should hold names and versions", "libraries")
    defaults = asdict(Settings())
    if not isinstance(settings, dict) or set(settings) != {item.name for item in fields(Settings)}:
        raise wrong("these are not the settings of this program", "settings")
    for name, value in settings.items():
        if type(value) is not type(defaults[name]):
            raise wrong(f"the setting {name} is not of its kind", "settings")
    try:
        Settings(**settings)
    except VibstudyError as error:
        raise VibstudyError(
            [replace(p, file=path.name, got=p.got[:80], repair=AGAIN) for p in error.problems]
        ) from None
    return found
