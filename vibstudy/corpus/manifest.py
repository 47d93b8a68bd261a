"""The manifest: one row a recording, the only file the user must write.

:data:`vibstudy.schema.MANIFEST_COLUMNS` is the dictionary of its columns; the checks
(:mod:`vibstudy.corpus.cells`), the template and the documentation are made from it. Columns it does not
know pass through into every table, so that they can be modelled.

Checking tells everything at once. A *problem* must be mended before anything is measured; a *note* says
what was understood, and what may be a slip. Row numbers are those a spreadsheet shows.

Conventions: times in s of the file as a player's clock shows them; ``speed_factor`` is the speed of the
file over true speed; ``decade`` is the first year of the decade (1950 for 1950-1959); an empty cell is
unknown.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from vibstudy.corpus.cells import GOT, excluded, filled, look_at_cells, numbers, values
from vibstudy.corpus.files import Folder, probe_audio
from vibstudy.corpus.spelling import near_pairs
from vibstudy.corpus.texttable import read_text_table
from vibstudy.errors import MOST_ALIKE, Problem, VibstudyError, closest, did_you_mean, row_problems
from vibstudy.schema import MANIFEST_COLUMNS

ADDED_COLUMNS = ("audio_path", "manifest_row")
"""What :func:`read_manifest` adds: absolute path of the sound, and the row in the spreadsheet."""

_KNOWN = {column.name: column for column in MANIFEST_COLUMNS}
_FILES = {"path": True, "score_path": False, "notes_path": False}  # name: is it sound?
_TEXT = {pa.large_string(): pd.StringDtype(na_value=np.nan)}.get
_HEADER_ALIKE = 0.8
_PROBE_THREADS = 8
_END_SLACK_S = 0.02
NO_SOUND = "no recording has a sound file"
_NO_SOUND = (
    "Name each one's. A study that 'vibstudy pool' made has figures alone: 'claims', 'questions' and 'paper' "
    "work with it; what needs the sound is done in the studies that it was joined from"
)


@dataclass
class Inspection:
    """What was found in a manifest.

    Parameters
    ----------
    problems : list of Problem
        What must be mended.
    notes : list of Problem
        What was understood, and what may be a slip.
    frame : DataFrame | None
        The manifest, typed; None when there are problems.
    rows : int
        Recordings listed.
    beside : dict of str to dict of str to str
        Note lists and scores that are there, named by rows not excluded: column to cell to absolute path.
        They are known even where the manifest has problems.
    """

    problems: list[Problem] = field(default_factory=list)
    notes: list[Problem] = field(default_factory=list)
    frame: pd.DataFrame | None = None
    rows: int = 0
    beside: dict[str, dict[str, str]] = field(default_factory=dict)


def check_manifest(path: str | Path, audio: bool = True) -> list[Problem]:
    """Every problem of every row.

    Parameters
    ----------
    path : path
        The manifest.
    audio : bool
        Look into the sound files, too. Whether they exist is always looked at.

    Returns
    -------
    list of Problem
        Empty when the manifest can be used.
    """
    return inspect_manifest(path, audio).problems


def read_manifest(path: str | Path, silent: bool = False) -> pd.DataFrame:
    """The manifest as a typed frame.

    Parameters
    ----------
    path : path
        The manifest.
    silent : bool
        Take a study joined from packages, too, which names no sound file at all.

    Returns
    -------
    DataFrame
        One row a recording, in the order of the file, columns as in the file (``decade`` filled from
        ``year``), then ``audio_path`` (absolute) and ``manifest_row``. ``exclude`` is never missing.

    Raises
    ------
    VibstudyError
        With every problem. The sound files themselves are not opened.
    """
    inspection = inspect_manifest(path, audio=False, silent=silent)
    if inspection.frame is None:
        raise VibstudyError(inspection.problems)
    return inspection.frame


def inspect_manifest(path: str | Path, audio: bool = True, silent: bool = False) -> Inspection:
    """Problems, notes and, when there are no problems, the typed frame.

    Without `audio`, files that are not there are notes: the other recordings can be worked with. With
    `silent`, a table that names no file at all is none to complain of.
    """
    found = Inspection()
    try:
        table = read_text_table(path, _KNOWN)
    except VibstudyError as error:
        found.problems = error.problems
        return found
    file = str(path)
    found.problems += table.problems
    found.notes += table.notes
    found.rows = len(table.rows)
    _look_at_header(table.header, file, found)
    text = _text_frame(table.header, table.rows, table.numbers)
    problems, notes = look_at_cells(text, file)
    if "path" in text and len(text) > 1 and text["path"].isna().all():
        problems = [problem for problem in problems if problem.column != "path"]
        if not silent:
            problems.append(Problem(NO_SOUND, file, column="path", repair=_NO_SOUND))
    found.problems += problems
    found.notes += notes
    files = _look_at_files(text, Path(path).absolute().parent, file, found, audio)
    _look_at_spelling(text, file, found)
    if not table.rows:
        found.problems.append(
            Problem("there is a header but no recording", file, repair="Write one row for each recording")
        )
    order = {name: position for position, name in enumerate(text.columns)}
    for listed in (found.problems, found.notes):
        listed.sort(key=lambda problem: (problem.row or 0, order.get(problem.column, -1)))
    if not found.problems:
        found.frame = _typed(text, files)
    return found


def _text_frame(header: list[str], rows: list[list[str]], numbers: list[int]) -> pd.DataFrame:
    """Cells as text, missing where empty, indexed by spreadsheet row; known words in their usual form."""
    index = pd.Index(numbers, dtype="int64")
    columns: dict[str, pd.Series] = {}
    for name, column in zip(header, zip(*rows, strict=True) if rows else ((),) * len(header), strict=True):
        if not name or name in columns:
            continue
        texts = pa.array(column, pa.large_string())
        ascii_only = pc.all(pc.string_is_ascii(texts)).as_py()
        cells = pd.Series(pc.if_else(pc.equal(texts, ""), None, texts).to_pandas(types_mapper=_TEXT))
        cells.index = index
        if name not in _FILES and ascii_only is False:
            cells = cells.str.normalize("NFC")
        vocabulary = _KNOWN[name].constraints.get("enum") if name in _KNOWN else None
        if vocabulary:
            usual = cells.str.lower().str.replace(r"[\s_-]+", "_", regex=True)
            cells = usual.where(usual.isin(vocabulary), cells)
        columns[name] = cells
    return pd.DataFrame(columns, columns=pd.Index(list(columns), dtype="str"), index=index)


# --- header


def _look_at_header(header: list[str], file: str, found: Inspection) -> None:
    absent = [name for name in _KNOWN if name not in header]
    required = [name for name, column in _KNOWN.items() if column.constraints.get("required")]
    if "year" not in header:
        required.append("decade")
    unknown = [name for name in header if name and name not in _KNOWN]
    renamed = {}
    for name in unknown:
        if name in ADDED_COLUMNS:
            found.problems.append(
                Problem("this column name is the tool's own", file, column=name, repair="Rename the column")
            )
            continue
        right = closest(re.sub(r"[\s.-]+", "_", name.strip().lower()), absent, _HEADER_ALIKE)
        if right:
            renamed[right] = name
            found.problems.append(Problem("no such column", file, column=name, repair=did_you_mean(right)))
    for name in (name for name in required if name in absent and name not in renamed):
        instead = " (or year)" if name == "decade" else ""
        repair = f"Add it: {_KNOWN[name].definition}"
        found.problems.append(Problem(f"this column is missing{instead}", file, column=name, repair=repair))
    for name in absent:
        stem = name.rsplit("_", 1)[0]
        if stem != name and stem in unknown and stem not in renamed.values():
            told, repair = (
                "this column passes through as a tag of your own",
                "If the tool should use it, call it",
            )
            found.notes.append(Problem(told, file, column=stem, repair=f"{repair} {name!r}"))


# --- files


def _look_at_files(
    text: pd.DataFrame, base: Path, file: str, found: Inspection, audio: bool
) -> dict[str, dict[int, str]]:
    """Absolute paths of the named files, by column and row; problems for those that cannot be used."""
    out = excluded(text)
    left_out = lost = set(out.index[out])
    folder = Folder(base)
    files: dict[str, dict[int, str]] = {}
    for name in (name for name in _FILES if name in text):
        files[name], faults = {}, {}
        for row, cell in filled(text[name]):
            files[name][row], message, repair = folder.find(cell)
            if message and row not in left_out:
                faults[row] = message, cell[:GOT], repair

        def problem(row: int, name=name, faults=faults) -> Problem:
            message, cell, repair = faults[row]
            return Problem(message, file, row, name, cell, repair)

        listed = found.problems if audio else found.notes  # one missing file must not stop the others
        listed += row_problems(list(faults), problem)
        if name == "path":
            lost = faults.keys() | left_out
        else:
            there = [(text[name][row], path) for row, path in files[name].items()
                     if row not in faults and row not in left_out]  # fmt: skip
            found.beside[name] = dict(there)
    usable = {row: path for row, path in files.get("path", {}).items() if row not in lost}
    if audio:
        _look_into_audio(text, usable, file, found)
    _note_same_part(text, usable, file, found)
    return files


def _look_into_audio(text: pd.DataFrame, paths: dict[int, str], file: str, found: Inspection) -> None:
    unique = list(dict.fromkeys(paths.values()))
    with ThreadPoolExecutor(_PROBE_THREADS) as pool:
        probes = dict(zip(unique, pool.map(probe_audio, unique), strict=True))
    names = text["path"].to_dict() if paths else {}
    faulty = [row for row, path in paths.items() if probes[path].fault]
    noted = [row for row, path in paths.items() if not probes[path].fault and probes[path].note]

    def fault(row: int) -> Problem:
        probe = probes[paths[row]]
        return Problem(probe.fault or probe.note, file, row, "path", names[row][:GOT], probe.repair)

    found.problems += row_problems(faulty, fault)
    found.notes += row_problems(noted, fault)
    lengths = pd.Series({row: probes[path].duration_s for row, path in paths.items()}, dtype=float)
    for name in ("start_s", "end_s"):
        if name in text:
            _look_at_times(name, numbers(text[name]).reindex(lengths.index), lengths, file, found)


def _look_at_times(name: str, times: pd.Series, lengths: pd.Series, file: str, found: Inspection) -> None:
    """Times in s that are not in the files, whose lengths in s are unknown (NaN) where there is a fault."""
    beyond = times >= lengths if name == "start_s" else times > lengths + _END_SLACK_S

    def problem(row: int) -> Problem:
        got, length = f"{times[row]:g}", f"file is {lengths[row]:.2f} s long"
        if name == "start_s":
            return Problem("the part begins after the end of the file", file, row, name, got, f"The {length}")
        return Problem(f"the {length}: it will be measured to its end", file, row, name, got)

    listed = found.problems if name == "start_s" else found.notes
    listed += row_problems(times.index[beyond].tolist(), problem)


def _note_same_part(text: pd.DataFrame, paths: dict[int, str], file: str, found: Inspection) -> None:
    """The same sound measured twice counts twice in the statistics: say so."""
    times = [text[name].fillna("").to_dict() for name in ("start_s", "end_s") if name in text]
    first: dict[tuple[str, ...], int] = {}
    again: dict[int, int] = {}
    for row, path in paths.items():
        earlier = first.setdefault((path, *(cells[row] for cells in times)), row)
        if earlier != row:
            again[row] = earlier
    repair = "Counted twice, it weighs twice: exclude one, or give start_s and end_s"

    def problem(row: int) -> Problem:
        message = f"the same part of the same file as in row {again[row]}"
        return Problem(message, file, row, "path", str(text.at[row, "path"])[:GOT], repair)

    found.notes += row_problems(list(again), problem)


# --- spelling


def _look_at_spelling(text: pd.DataFrame, file: str, found: Inspection) -> None:
    for name in ("player", "region"):
        if name not in text:
            continue
        cells = text[name].dropna()
        counts = cells.value_counts()
        first_row = {cell: row for row, cell in reversed(list(filled(cells)))}
        repair = (
            f"If they are the same {name}, spell them the same way, or one will count as two; "
            "otherwise leave them"
        )
        pairs = near_pairs(cells)
        for first, second in pairs[:MOST_ALIKE]:
            common, rare = sorted((first, second), key=lambda spelling: -counts[spelling])
            found.notes.append(
                Problem(f"this looks like {common!r}", file, first_row[rare], name, rare[:GOT], repair)
            )
        if more := pairs[MOST_ALIKE:]:
            found.notes.append(
                Problem(f"{len(more):,} more pairs of names look alike", file, column=name, repair=repair)
            )


# --- types


def _typed(text: pd.DataFrame, files: dict[str, dict[int, str]]) -> pd.DataFrame:
    columns = {name: _typed_column(str(name), text[name]) for name in text}
    if "year" in columns:
        decade = columns["year"] // 10 * 10
        columns["decade"] = columns["decade"].fillna(decade) if "decade" in columns else decade
    columns["exclude"] = excluded(text)
    columns["audio_path"] = pd.Series(files["path"], index=text.index, dtype="string")
    columns["manifest_row"] = pd.Series(text.index, index=text.index, dtype="int64")
    return pd.DataFrame(columns).reset_index(drop=True)


def _typed_column(name: str, cells: pd.Series) -> pd.Series:
    column = _KNOWN.get(name)
    if column is not None and column.type in ("number", "integer"):
        found = values(column, cells)
        return found if column.type == "number" else found.astype("Int64")
    return own_column(cells) if column is None else cells.astype("string")


def own_column(cells: pd.Series) -> pd.Series:
    """A column of the user's own: numbers when every cell is one, else text ("007" is text)."""
    present = cells.dropna()
    if present.empty or present.str.match(r"[+-]?0\d|.*,").any():
        return cells.astype("string")
    found = numbers(cells)
    if found.count() < len(present):
        return cells.astype("string")
    return found.astype("Int64") if present.str.fullmatch(r"[+-]?\d{1,15}").all() else found


def resolve(base: str | Path, names: Iterable[str]) -> list[str]:
    """Absolute paths of files as a manifest in folder `base` names them."""
    folder = Folder(Path(base).absolute())
    return [folder.find(name)[0] for name in names]
