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

import pandas as pd

from vibstudy.corpus.cells import GOT, excluded, filled, look_at_cells, numbers, values
from vibstudy.corpus.files import Folder, Probe, probe_audio
from vibstudy.corpus.outside import TEMPORARY
from vibstudy.corpus.spelling import near_pairs
from vibstudy.corpus.texttable import read_text_table
from vibstudy.errors import Problem, VibstudyError, closest, did_you_mean
from vibstudy.schema import MANIFEST_COLUMNS

ADDED_COLUMNS = ("audio_path", "manifest_row")
"""What :func:`read_manifest` adds: absolute path of the sound, and the row in the spreadsheet."""

_KNOWN = {column.name: column for column in MANIFEST_COLUMNS}
_FILES = {"path": True, "score_path": False, "notes_path": False}  # name: is it sound?
_NUMBER = r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?"
_DECADE = r"(\d{4})(?:s|'s|[.,]0*)?"
_CLOCK = re.compile(r"(?:(\d+):)?(\d{1,3}):(\d{1,2}(?:\.\d+)?)")
_TRUE = {"true", "yes", "y", "1", "x", "t"}
_FALSE = {"false", "no", "n", "0", "f"}
_RESERVED = {"con", "prn", "aux", "nul", "conin$", "conout$"} | {
    f"{port}{n}" for port in ("com", "lpt") for n in "123456789¹²³"
}
KEPT_NAMES = ("tables.json", "writer.json", "writer.lock")
"""Files of the tool's own where the folders of recordings are (:mod:`vibstudy.corpus.store`)."""
_ID_BYTES = 120
_HEADER_ALIKE = 0.8
_PROBE_THREADS = 8
_END_SLACK_S = 0.02


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
    """

    problems: list[Problem] = field(default_factory=list)
    notes: list[Problem] = field(default_factory=list)
    frame: pd.DataFrame | None = None
    rows: int = 0


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


def read_manifest(path: str | Path) -> pd.DataFrame:
    """The manifest as a typed frame.

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
    inspection = inspect_manifest(path, audio=False)
    if inspection.frame is None:
        raise VibstudyError(inspection.problems)
    return inspection.frame


def inspect_manifest(path: str | Path, audio: bool = True) -> Inspection:
    """Problems, notes and, when there are no problems, the typed frame.

    Without `audio`, files that are not there are notes: the other recordings can be worked with.
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
    frame = pd.DataFrame(rows, columns=pd.Index(header, dtype="str"), index=numbers, dtype="str")
    frame = frame.loc[:, ~frame.columns.duplicated() & (frame.columns != "")]
    for name in frame:
        cells = frame[name]
        if name not in _FILES and not cells.map(str.isascii).all():
            cells = cells.str.normalize("NFC")
        vocabulary = _KNOWN[name].constraints.get("enum") if name in _KNOWN else None
        if vocabulary:
            usual = cells.str.lower().str.replace(r"[\s_-]+", "_", regex=True)
            cells = usual.where(usual.isin(vocabulary), cells)
        frame[name] = cells.where(cells != "")
    return frame


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
        right = closest(_snake(name), absent, _HEADER_ALIKE)
        if right:
            renamed[right] = name
            found.problems.append(Problem("no such column", file, column=name, repair=did_you_mean(right)))
    for name in (name for name in required if name in absent and name not in renamed):
        instead = " (or year)" if name == "decade" else ""
        found.problems.append(
            Problem(
                f"this column is missing{instead}",
                file,
                column=name,
                repair=f"Add it: {_KNOWN[name].definition}",
            )
        )
    for name in absent:
        stem = name.rsplit("_", 1)[0]
        if stem != name and stem in unknown and stem not in renamed.values():
            found.notes.append(
                Problem(
                    "this column passes through as a tag of your own",
                    file,
                    column=stem,
                    repair=f"If the tool should use it, call it {name!r}",
                )
            )


def _snake(name: str) -> str:
    return re.sub(r"[\s.-]+", "_", name.strip().lower())


# --- cells


def _numbers(cells: pd.Series) -> pd.Series:
    """Cells as float; missing where empty or no number. A decimal comma is understood."""
    good = cells.str.fullmatch(_NUMBER, na=False).astype(bool)
    numbers = cells.where(good).str.replace(",", ".", regex=False).astype("float64")
    return numbers.where(np.isfinite(numbers))  # "1e999" is none


def _decades(cells: pd.Series) -> pd.Series:
    """Cells as the number of the decade's year ("1950s" is 1950); missing where it is none."""
    return cells.str.extract(f"^{_DECADE}$", expand=False).astype("float64")


def _values(column: Column, cells: pd.Series) -> pd.Series:
    return _decades(cells) if column.name == "decade" else _numbers(cells)


def _is_number(column: Column) -> Callable[[pd.Series], pd.Series]:
    return lambda cells: _values(column, cells).notna()


def _is_within(column: Column) -> Callable[[pd.Series], pd.Series]:
    low = column.constraints.get("minimum", -np.inf)
    high = column.constraints.get("maximum", 1e9)

    def within(cells: pd.Series) -> pd.Series:
        values = _values(column, cells)
        return values.isna() | values.between(low, high)

    return within


def _is_whole(column: Column) -> Callable[[pd.Series], pd.Series]:
    step = 10 if column.name == "decade" else 1
    within = _is_within(column)

    def whole(cells: pd.Series) -> pd.Series:
        values = _values(column, cells)
        return values.isna() | (values % step == 0) | ~within(cells)

    return whole


def _is_boolean(cells: pd.Series) -> pd.Series:
    return cells.str.lower().isin(_TRUE | _FALSE)


def _is_in_vocabulary(column: Column) -> Callable[[pd.Series], pd.Series]:
    """A word far from every known one is the user's own category; one that is near is a slip."""
    words = column.constraints["enum"]

    def known(cells: pd.Series) -> pd.Series:
        slips = {
            cell for cell in cells.unique() if cell not in words and nearest(cell, words, _CATEGORY_ALIKE)
        }
        return ~cells.isin(slips)

    return known


def _is_safe_id(cells: pd.Series) -> pd.Series:
    return cells.map(lambda cell: not id_fault(cell)).astype(bool)


def id_fault(name: str) -> str:
    """Why `name` cannot name a folder on every system; "" when it can."""
    bad = sorted({letter for letter in name if letter in '<>:"/\\|?*' or not letter.isprintable()})
    if bad:
        return f"it holds {' '.join(ascii(letter)[1:-1] for letter in bad)}"
    if name.endswith(".") or name.startswith("."):
        return "it begins or ends with a dot"
    if name.split(".")[0].lower().strip() in _RESERVED:
        return "Windows keeps this name for itself"
    if name.lower() in KEPT_NAMES or name.lower().endswith(TEMPORARY):
        return "the tool keeps this name for a file of its own"
    if len(name.encode("utf-8", "replace")) > _ID_BYTES:
        return f"it is longer than {_ID_BYTES} bytes"
    return ""


def _safe_id(name: str) -> str:
    """A name near `name` that is safe."""
    text = re.sub(r"[^\w .+-]+", "_", name).strip("._ ") or "recording"
    if text.split(".")[0].lower() in _RESERVED:
        stem, dot, rest = text.partition(".")
        text = f"{stem.strip()}_1{dot}{rest}"
    if text.lower() in KEPT_NAMES or text.lower().endswith(TEMPORARY):
        text = text.replace(".", "_")
    while len(text.encode()) > _ID_BYTES:
        text = text[:-1].rstrip("._ ")
    return text


def _is_unique_id(cells: pd.Series) -> pd.Series:
    """Capitals do not tell two names apart: on many disks they are one folder."""
    return ~cells.str.casefold().duplicated()


def _checks(column: Column) -> list[pa.Check]:
    import pandera.pandas as pa

    checks = []
    if column.type in ("number", "integer"):
        checks += [
            pa.Check(_is_number(column), name="number"),
            pa.Check(_is_within(column), name="range"),
        ]
    if column.type == "integer":
        checks.append(pa.Check(_is_whole(column), name="whole"))
    if column.type == "boolean":
        checks.append(pa.Check(_is_boolean, name="boolean"))
    if "enum" in column.constraints:
        checks.append(pa.Check(_is_in_vocabulary(column), name="vocabulary"))
    if column.name == "recording_id":
        checks += [pa.Check(_is_safe_id, name="safe_id"), pa.Check(_is_unique_id, name="unique_id")]
    return checks


@cache
def manifest_schema() -> pa.DataFrameSchema:
    """The pandera schema of the manifest's text cells (empty cells missing).

    Columns are not required here: which are missing is told together with the near spellings.
    """
    import pandera.pandas as pa

    return pa.DataFrameSchema(
        {
            column.name: pa.Column(
                None,
                checks=_checks(column),
                nullable=not column.constraints.get("required", False),
                required=False,
            )
            for column in MANIFEST_COLUMNS
        },
        checks=[
            pa.Check(_start_before_end, name="order"),
            pa.Check(_year_in_decade, name="year_in_decade"),
            pa.Check(_dated, name="dated"),
        ],
    )


def _start_before_end(frame: pd.DataFrame) -> pd.Series:
    if "start_s" not in frame or "end_s" not in frame:
        return pd.Series(True, index=frame.index)
    return ~(_numbers(frame["start_s"]) >= _numbers(frame["end_s"]))


def _year_in_decade(frame: pd.DataFrame) -> pd.Series:
    if "year" not in frame or "decade" not in frame:
        return pd.Series(True, index=frame.index)
    year, decade = _numbers(frame["year"]), _decades(frame["decade"])
    return year.isna() | decade.isna() | (decade % 10 != 0) | (year // 10 * 10 == decade)


def _dated(frame: pd.DataFrame) -> pd.Series:
    present = [name for name in ("decade", "year") if name in frame]
    if not present:
        return pd.Series(True, index=frame.index)
    return frame[present].notna().any(axis=1)


def _look_at_cells(text: pd.DataFrame, file: str, found: Inspection) -> None:
    import pandera.pandas as pa

    try:
        manifest_schema().validate(text, lazy=True)
    except pa.errors.SchemaErrors as error:
        cases, rows = error.failure_cases, _Rows(text)
        seen = set()
        for column, check, value, row in zip(
            cases["column"], cases["check"], cases["failure_case"], cases["index"], strict=True
        ):
            if check in _WHOLE_ROW:
                column = _WHOLE_ROW[check]
                value = text.at[row, column] if column in text else ""
            key = (row, column, check)
            if key not in seen:
                seen.add(key)
                got = "" if value is None or value != value else str(value)
                found.problems.append(_problem(check, file, int(row), str(column), got, rows))
    _note_own_categories(text, file, found)
    _note_decimal_commas(text, file, found)


_WHOLE_ROW = {"order": "end_s", "year_in_decade": "decade", "dated": "decade"}
"""Checks that look at several columns, and the column to point at."""


class _Rows:
    """What a message about one row may need to know of the others."""

    def __init__(self, text: pd.DataFrame):
        self._text = text

    def cell(self, row: int, column: str) -> str:
        return str(self._text.at[row, column])

    def first_with_id(self, name: str) -> int:
        return self._first[name.casefold()]

    @cached_property
    def _first(self) -> dict[str, int]:
        first: dict[str, int] = {}
        for row, name in _filled(self._text["recording_id"]):
            first.setdefault(name.casefold(), row)
        return first


def _problem(check: str, file: str, row: int, column: str, got: str, rows: _Rows) -> Problem:
    message, repair = _WORDS[check](_KNOWN[column], got, row, rows)
    return Problem(message, file, row, column, got[:_GOT], repair)


def _say_empty(column: Column, got: str, row: int, rows: _Rows) -> tuple[str, str]:
    return "this cell must not be empty", column.definition


def _say_number(column: Column, got: str, row: int, rows: _Rows) -> tuple[str, str]:
    clock = _CLOCK.fullmatch(got)
    if clock and column.unit == "s":
        hours, minutes, seconds = (float(part or 0) for part in clock.groups())
        return "this is a clock time, not seconds", f"Write {hours * 3600 + minutes * 60 + seconds:g}"
    if column.name == "decade":
        year = re.search(r"(1[89]|20)\d\d", got)
        hint = f"Write {int(year.group()) // 10 * 10}" if year else "Write four digits, for example 1950"
        return "this is not a decade", hint
    digits = re.search(r"\d+(?:[.,]\d+)?", got)
    hint = f"Write only the number, for example {digits.group()}" if digits else "Write digits"
    return "this is not a number", f"{hint}; leave the cell empty when it is not known"


def _say_range(column: Column, got: str, row: int, rows: _Rows) -> tuple[str, str]:
    low, high = (column.constraints.get(limit) for limit in ("minimum", "maximum"))
    unit = f" {column.unit}" if column.unit else ""
    allowed = f"{low:g}{unit} or more" if high is None else f"{low:g} to {high:g}{unit}"
    hint = "; a percentage is written as a share, 96 % as 0.96" if column.name == "speed_factor" else ""
    return "this value is out of range", f"Allowed: {allowed}{hint}"


def _say_whole(column: Column, got: str, row: int, rows: _Rows) -> tuple[str, str]:
    if column.name == "decade":
        year = int(re.sub(r"\D.*", "", got))
        return "this is a year, not a decade", f"Write {year // 10 * 10}, or give the year in a column 'year'"
    return "this is not a whole number", "Write it without decimals"


def _say_boolean(column: Column, got: str, row: int, rows: _Rows) -> tuple[str, str]:
    return "this is neither true nor false", "Write true or false, or leave the cell empty"


def _say_vocabulary(column: Column, got: str, row: int, rows: _Rows) -> tuple[str, str]:
    return "no such word", nearest(got, column.constraints["enum"], _CATEGORY_ALIKE)


def _say_safe_id(column: Column, got: str, row: int, rows: _Rows) -> tuple[str, str]:
    return f"this name cannot name a file: {id_fault(got)}", f"For example {_safe_id(got)!r}"


def _say_unique_id(column: Column, got: str, row: int, rows: _Rows) -> tuple[str, str]:
    first = rows.first_with_id(got)
    return f"row {first} has this name, too", "Give each recording its own name (capitals do not count)"


def _say_order(column: Column, got: str, row: int, rows: _Rows) -> tuple[str, str]:
    start = rows.cell(row, "start_s")
    return f"the part ends before it begins (start_s {start})", "end_s must be greater than start_s"


def _say_year_in_decade(column: Column, got: str, row: int, rows: _Rows) -> tuple[str, str]:
    year = rows.cell(row, "year")
    decade = int(float(_numbers(pd.Series([year]))[0])) // 10 * 10
    return f"the year {year} is not in this decade", f"Write {decade}, or mend the year"


def _say_dated(column: Column, got: str, row: int, rows: _Rows) -> tuple[str, str]:
    return "neither decade nor year is given", "Give one of them, a good guess if need be"


_WORDS: dict[str, Callable[[Column, str, int, _Rows], tuple[str, str]]] = {
    "not_nullable": _say_empty,
    "number": _say_number,
    "range": _say_range,
    "whole": _say_whole,
    "boolean": _say_boolean,
    "vocabulary": _say_vocabulary,
    "safe_id": _say_safe_id,
    "unique_id": _say_unique_id,
    "order": _say_order,
    "year_in_decade": _say_year_in_decade,
    "dated": _say_dated,
}


def _note_own_categories(text: pd.DataFrame, file: str, found: Inspection) -> None:
    for column in MANIFEST_COLUMNS:
        words = column.constraints.get("enum")
        if not words or column.name not in text:
            continue
        own = [word for word in text[column.name].dropna().unique() if word not in words]
        own = [word for word in own if not nearest(word, words, _CATEGORY_ALIKE)]
        if own:
            listed = ", ".join(repr(word) for word in own[:_CATEGORY_LIST])
            found.notes.append(
                Problem(
                    f"kept as categories of your own: {listed}",
                    file,
                    column=column.name,
                    repair=f"Known are {', '.join(words)}",
                )
            )


def _note_decimal_commas(text: pd.DataFrame, file: str, found: Inspection) -> None:
    for column in MANIFEST_COLUMNS:
        if column.type == "number" and column.name in text:
            commas = text[column.name].str.contains(",", na=False) & _numbers(text[column.name]).notna()
            if commas.any():
                row, cell = next(_filled(text[column.name][commas]))
                found.notes.append(
                    Problem("a comma was read as a decimal point", file, row, column.name, cell)
                )


# --- files


def _look_at_files(
    text: pd.DataFrame, base: Path, file: str, found: Inspection, audio: bool
) -> dict[str, dict[int, str]]:
    """Absolute paths of the named files, by column and row; problems for those that cannot be used."""
    left_out = excluded(text)
    folder = Folder(base)
    files: dict[str, dict[int, str]] = {}
    for name in (name for name in _FILES if name in text):
        files[name] = {}
        for row, cell in filled(text[name]):
            path, message, repair = folder.find(cell)
            if message and not left_out[row]:
                listed = found.problems if audio else found.notes  # one missing file must not stop the others
                listed.append(Problem(message, file, row, name, cell[:GOT], repair))
            files[name][row] = path
    lost = {problem.row for problem in (*found.problems, *found.notes) if problem.column == "path"}
    usable = {r: path for r, path in files.get("path", {}).items() if not left_out[r] and r not in lost}
    if audio:
        _look_into_audio(text, usable, file, found)
    _note_same_part(text, usable, file, found)
    return files


def _look_into_audio(text: pd.DataFrame, paths: dict[int, str], file: str, found: Inspection) -> None:
    unique = list(dict.fromkeys(paths.values()))
    with ThreadPoolExecutor(_PROBE_THREADS) as pool:
        probes = dict(zip(unique, pool.map(probe_audio, unique), strict=True))
    times = {name: numbers(text[name]).to_dict() for name in ("start_s", "end_s") if name in text}
    names = text["path"].to_dict() if paths else {}
    for row, path in paths.items():
        probe, cell = probes[path], names[row][:GOT]
        if probe.fault:
            found.problems.append(Problem(probe.fault, file, row, "path", cell, probe.repair))
            continue
        if probe.note:
            found.notes.append(Problem(probe.note, file, row, "path", cell))
        for name, cells in times.items():
            _look_at_time(name, cells[row], probe, file, row, found)


def _look_at_time(name: str, value_s: float, probe: Probe, file: str, row: int, found: Inspection) -> None:
    length = f"the file is {probe.duration_s:.2f} s long"
    if name == "start_s" and value_s >= probe.duration_s:
        found.problems.append(
            Problem("the part begins after the end of the file", file, row, name, f"{value_s:g}", length)
        )
    if name == "end_s" and value_s > probe.duration_s + _END_SLACK_S:
        found.notes.append(
            Problem(f"{length}: it will be measured to its end", file, row, name, f"{value_s:g}")
        )


def _note_same_part(text: pd.DataFrame, paths: dict[int, str], file: str, found: Inspection) -> None:
    """The same sound measured twice counts twice in the statistics: say so."""
    times = [text[name].fillna("").to_dict() for name in ("start_s", "end_s") if name in text]
    first: dict[tuple[str, ...], int] = {}
    for row, path in paths.items():
        earlier = first.setdefault((path, *(cells[row] for cells in times)), row)
        if earlier != row:
            found.notes.append(
                Problem(
                    f"the same part of the same file as in row {earlier}",
                    file,
                    row,
                    "path",
                    str(text.at[row, "path"])[:GOT],
                    "Counted twice, it weighs twice: exclude one, or give start_s and end_s",
                )
            )


# --- spelling


def _look_at_spelling(text: pd.DataFrame, file: str, found: Inspection) -> None:
    for name in ("player", "region"):
        if name not in text:
            continue
        cells = text[name].dropna()
        counts = cells.value_counts()
        for first, second in near_pairs(cells):
            common, rare = sorted((first, second), key=lambda spelling: -counts[spelling])
            row, _ = next(filled(cells[cells == rare]))
            found.notes.append(
                Problem(
                    f"this looks like {common!r}",
                    file,
                    row,
                    name,
                    rare,
                    "If they are the same, spell them the same way; otherwise leave them",
                )
            )


# --- types


def _typed(text: pd.DataFrame, files: dict[str, dict[int, str]]) -> pd.DataFrame:
    columns = {}
    for name in text:
        columns[name] = _typed_column(str(name), text[name])
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
        values = _values(column, cells)
        return values if column.type == "number" else values.astype("Int64")
    return own_column(cells) if column is None else cells.astype("string")


def own_column(cells: pd.Series) -> pd.Series:
    """A column of the user's own: numbers when every cell is one, else text ("007" is text)."""
    present = cells.dropna()
    leading_zero = present.str.match(r"[+-]?0\d").any()
    if present.empty or numbers(present).isna().any() or leading_zero or present.str.contains(",").any():
        return cells.astype("string")
    found = numbers(cells)
    return found.astype("Int64") if present.str.fullmatch(r"[+-]?\d{1,15}").all() else found


def resolve(base: str | Path, names: Iterable[str]) -> list[str]:
    """Absolute paths of files as a manifest in folder `base` names them."""
    folder = Folder(Path(base).absolute())
    return [folder.find(name)[0] for name in names]
