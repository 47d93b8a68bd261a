"""Read a table that a person wrote: a CSV file as spreadsheet programs save it.

What is accepted, and said in a note
    a byte-order mark, UTF-16 or UTF-32, Windows-1252 letters, semicolons, tabs or bars between the cells, a
    first line ``sep=;``.
What is refused, with the place
    no text at all (a spreadsheet or sound file under a wrong name), a quotation mark never closed, more than
    :data:`MOST_COLUMNS` columns, :data:`MOST_ROWS` rows or :data:`MOST_CELLS` cells, cells beyond the header,
    a column twice (capitals do not count), without a name or with one that :mod:`vibstudy.corpus.names`
    refuses.

Rows are numbered as a spreadsheet shows them: the header is row 1, blank rows count, a line break inside
a quoted cell does not. Rows whose first cell begins with ``#`` are remarks and are passed over.

References
----------
RFC 4180, Common Format and MIME Type for CSV Files (open standard).
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from vibstudy.corpus.names import name_fault, name_problems
from vibstudy.corpus.untrusted import read_bytes
from vibstudy.errors import Problem, VibstudyError, row_problems

_DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
_WIDE = {
    codecs.BOM_UTF32_LE: "UTF-32",  # before UTF-16, whose mark it begins with
    codecs.BOM_UTF32_BE: "UTF-32",
    codecs.BOM_UTF16_LE: "UTF-16",
    codecs.BOM_UTF16_BE: "UTF-16",
}
_KINDS = (
    (b"PK\x03\x04", "a spreadsheet or archive"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet"),
    (b"RIFF", "a sound file"),
    (b"fLaC", "a sound file"),
    (b"OggS", "a sound file"),
    (b"ID3", "a sound file"),
    (b"%PDF", "a PDF"),
)
MOST_COLUMNS = 300
"""Most columns of a table: each is looked at for 3 ms, and repeated on every note."""

MOST_ROWS = 120_000
"""More than the 100,000 recordings that ``benchmarks/scale.py`` works with; a row is looked at in 0.1 ms."""
MOST_CELLS = 2_500_000
"""So many rows of 25 cells: 20,000 rows of 40 cells took some 5 s of one busy core (2026)."""
MOST_TEXT_BYTES = 60_000_000
"""So many cells of 20 letters; in memory a letter takes up to four bytes, three times over."""

_FORMULA_START = re.compile(r"[=+\-@\t\r\n＝＋－＠]")


@dataclass
class TextTable:
    """A table as text.

    Parameters
    ----------
    header : list of str
        Column names, trimmed.
    rows : list of list of str
        Cells, trimmed, each row as long as the header.
    numbers : list of int
        Spreadsheet row number of each row.
    problems, notes : list of Problem
        What must be mended; what was accepted and should be known.
    """

    header: list[str]
    rows: list[list[str]]
    numbers: list[int]
    problems: list[Problem] = field(default_factory=list)
    notes: list[Problem] = field(default_factory=list)


def read_text_table(
    path: str | Path, known: Iterable[str] = (), most_bytes: int = MOST_TEXT_BYTES
) -> TextTable:
    """Read a table of text cells.

    Parameters
    ----------
    path : path
        The file.
    known : iterable of str
        Column names to expect: they tell the separator.
    most_bytes : int
        A longer file is refused.

    Returns
    -------
    TextTable

    Raises
    ------
    VibstudyError
        When the file is missing, is not text, is empty, or cannot be cut into cells.
    """
    file = str(path)
    text, notes = _decode(_read_bytes(path, most_bytes), file)
    if not text.strip():
        raise VibstudyError(
            "the file is empty", file, repair="The first row must hold the names of the columns"
        )
    first_row = 1
    hint = re.match(r"sep=(.)(\r\n|\r|\n)", text)
    if hint:  # a spreadsheet's own remark on the separator
        text, first_row = text[hint.end() :], 2
    delimiter = hint.group(1) if hint else _delimiter(text, set(known))
    if delimiter != ",":
        name = _DELIMITERS.get(delimiter, repr(delimiter))
        notes.append(Problem(f"cells are separated by {name}; read as such", file))
    records = _records(text, delimiter, file)
    table = _shape(records, first_row, file)
    table.notes[:0] = notes
    return table


def _read_bytes(path: str | Path, most_bytes: int) -> bytes:
    file = Path(path)
    try:
        return read_bytes(path, most_bytes=most_bytes)
    except VibstudyError as error:
        (problem,) = error.problems
        hint = _only_csv(file) or _only_csv(file.parent)
        raise VibstudyError(replace(problem, repair=hint or problem.repair)) from None


def _only_csv(folder: Path) -> str:
    try:
        names = sorted(item.name for item in folder.glob("*.csv"))[:5] if folder.is_dir() else []
    except (OSError, ValueError):
        return ""
    return f"In that folder: {', '.join(names)}" if names else ""


def _decode(raw: bytes, file: str) -> tuple[str, list[Problem]]:
    for start, kind in _KINDS:
        if raw.startswith(start):
            raise VibstudyError(
                f"this is {kind}, not a CSV file", file, repair="In the spreadsheet, save it as 'CSV UTF-8'"
            )
    for mark, name in _WIDE.items():
        if raw.startswith(mark):
            try:
                return raw.decode(name), [Problem(f"the file is in {name}; read as such", file)]
            except UnicodeDecodeError:
                raise _not_text(file) from None
    if b"\x00" in raw:
        raise _not_text(file)
    try:
        # the mark itself is common and harmless, so it is not worth a note
        return raw.decode("utf-8-sig"), []
    except UnicodeDecodeError as error:
        row = raw[: error.start].count(b"\n") + 1
        told = "the file is not UTF-8; read as Windows-1252 (Western European)"
        repair = "Look whether accented letters are right; saving as 'CSV UTF-8' settles it"
        return raw.decode("cp1252", errors="replace"), [Problem(told, file, row, repair=repair)]


def _not_text(file: str) -> VibstudyError:
    return VibstudyError("this is not a text file", file, repair="In the spreadsheet, save it as 'CSV UTF-8'")


def _delimiter(text: str, known: set[str]) -> str:
    """The separator under which the first line shows the most known names, then the most cells."""
    line = next((line for line in text.splitlines() if line.strip()), "")

    def score(delimiter: str) -> tuple[int, int]:
        try:
            record = next(csv.reader([line], delimiter=delimiter), [])
        except csv.Error:  # under a wrong separator the whole line is one cell, and may be too long for one
            return 0, 0
        cells = [cell.strip().lower() for cell in record]
        return len(known.intersection(cells)), len(cells)

    return max(_DELIMITERS, key=score)


def _records(text: str, delimiter: str, file: str) -> list[list[str]]:
    """Cut into records; strictly first, so that an unclosed quotation mark does not swallow the rest."""
    records: list[list[str]] = []
    try:
        strict = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        for record in _counted(strict, file):
            records.append(record)
        return records
    except csv.Error as error:
        row = len(records) + 1
        if "unexpected end" in str(error):
            raise VibstudyError(
                "a quotation mark opened in this row is never closed",
                file,
                row,
                repair='Close it, or write "" for a quotation mark inside a quoted cell',
            ) from None
    try:
        return list(_counted(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter), file))
    except csv.Error as error:
        raise VibstudyError(
            f"this row cannot be read: {error}",
            file,
            row,
            repair="Look for a very long cell or a stray quotation mark in it",
        ) from None


def _counted(records: Iterable[list[str]], file: str) -> Iterator[list[str]]:
    """The records, when they are not too many."""
    cells = 0
    for row, record in enumerate(records, start=1):
        cells += len(record)
        if row > MOST_ROWS or cells > MOST_CELLS:
            what = f"{MOST_ROWS:,} rows" if row > MOST_ROWS else f"{MOST_CELLS:,} cells"
            repair = "Keep one row for each recording and the columns that are needed"
            raise VibstudyError(f"the table has more than {what}", file, row, repair=repair)
        yield record


def _shape(records: Sequence[Sequence[str]], first_row: int, file: str) -> TextTable:
    numbered = (
        (number, list(map(str.strip, record))) for number, record in enumerate(records, start=first_row)
    )
    header_row, header = next(((number, cells) for number, cells in numbered if any(cells)), (0, []))
    if not header:
        raise VibstudyError(
            "the file is empty", file, repair="The first row must hold the names of the columns"
        )
    while header and not header[-1]:
        header.pop()
    if len(header) > MOST_COLUMNS:
        raise VibstudyError(
            f"the table has {len(header):,} columns; at most {MOST_COLUMNS} are read",
            file,
            header_row,
            repair="Leave out the columns that no claim, model or figure uses",
        )
    table = TextTable(header, [], [], problems=_header_problems(header, header_row, file))
    too_long: dict[int, str] = {}
    for number, cells in numbered:
        if not any(cells) or cells[0].startswith("#"):
            continue
        if len(cells) != len(header):
            extra = next((cell for cell in cells[len(header) :] if cell), "")
            if extra:
                too_long[number] = extra
            cells = (cells + [""] * len(header))[: len(header)]
        table.rows.append(cells)
        table.numbers.append(number)
    repair = 'Put a cell that holds a separator into quotation marks: "like, this"'
    message = "this row has more cells than the header"
    table.problems += row_problems(
        list(too_long), lambda row: Problem(message, file, row, got=too_long[row][:80], repair=repair)
    )
    return table


def _header_problems(header: Sequence[str], row: int, file: str) -> list[Problem]:
    problems = []
    for position, name in enumerate(header, start=1):
        if not name:
            problems.append(Problem(f"column {position} has no name", file, row, repair="Give it a name"))
        elif name_fault(name):
            problems += name_problems([name], file, row)
        elif name.casefold() in map(str.casefold, header[: position - 1]):
            capitals = "" if name in header[: position - 1] else " (capitals do not count)"
            told = f"this column stands twice{capitals}"
            problems.append(Problem(told, file, row, name, repair="Remove or rename one of them"))
        elif _FORMULA_START.match(name):
            told = "a spreadsheet would take this column name for a formula"
            problems.append(Problem(told, file, row, name, repair="Begin the name with a letter"))
    return problems
