"""What may stand in the cells of the manifest: numbers, decades, words, names; and what is wrong with them.

Cells are text, missing where empty, in a frame indexed by the row a spreadsheet shows. Each rule looks at
a whole column at once, or at a whole table, and says of every bad cell what is wrong and what would be right.

References
----------
File names avoid what Windows reserves ("Naming Files, Paths, and Namespaces", Microsoft Learn; from memory).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from functools import lru_cache

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from vibstudy.corpus.untrusted import TEMPORARY
from vibstudy.errors import MOST_ALIKE, Problem, closest, did_you_mean, row_problems
from vibstudy.schema import MANIFEST_COLUMNS, Column

GOT = 200
"""Letters of a cell repeated in a message."""

_KNOWN = {column.name: column for column in MANIFEST_COLUMNS}
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
_ALIKE = 0.75  # a word this near a known one is a slip; one that is farther is the user's own category
_LISTED = 8
_MOST_WORDS = 1000
"""Different words of a column that are looked at for slips, each in 0.1 ms; categories are fewer."""
_PLAIN_ID = r"[A-Za-z0-9_-]{6,120}"
"""No name so written can be one that :func:`id_fault` refuses: those without a dot are shorter."""
HIGHEST = 1e9  # where a column has no upper limit: no clock and no frequency goes there

Bad = tuple[pd.Series, Callable[[int, str], tuple[str, str]]]
"""Bad cells of a column [bool, shape=(n,)]; and what is wrong with one, and its repair, from row and text."""


def look_at_cells(text: pd.DataFrame, file: str) -> tuple[list[Problem], list[Problem]]:
    """Problems and notes of all cells.

    Parameters
    ----------
    text : DataFrame
        The manifest's cells.
    file : str
        Its name, for the messages.
    """
    problems: list[Problem] = []
    for name, (bad, words) in _all_rules(text):
        rows = bad.index[bad]
        shown = text[name].reindex(rows[: MOST_ALIKE + 1]).dropna().to_dict() if name in text else {}

        def problem(row: int, name=name, shown=shown, words=words) -> Problem:
            got = shown.get(row, "")
            message, repair = words(row, got)
            return Problem(message, file, row, name, got[:GOT], repair)

        problems += row_problems(rows.tolist(), problem)
    return problems, [*_own_categories(text, file), *_decimal_commas(text, file)]


def filled(cells: pd.Series) -> Iterator[tuple[int, str]]:
    """Row numbers and text of the cells that are not empty."""
    present = cells.dropna()
    return zip(present.index.tolist(), present.tolist(), strict=True)


def numbers(cells: pd.Series) -> pd.Series:
    """Cells as float; missing where empty or no number. A decimal comma is understood."""
    good = cells.str.fullmatch(_NUMBER, na=False).astype(bool)
    texts = cells.where(good).str.replace(",", ".", regex=False)
    try:  # ten times as fast as one by one
        plain = pa.array(texts.str.removeprefix("+"), pa.string(), from_pandas=True)
        found = pd.Series(pc.cast(plain, pa.float64()).to_numpy(zero_copy_only=False), cells.index)
    except pa.ArrowInvalid:
        found = texts.astype("float64")
    return found.where(np.isfinite(found))  # "1e999" is none


def decades(cells: pd.Series) -> pd.Series:
    """Cells as the number of the decade's year ("1950s" is 1950); missing where it is none."""
    return cells.str.extract(f"^{_DECADE}$", expand=False).astype("float64")


def values(column: Column, cells: pd.Series) -> pd.Series:
    """Cells of a column of numbers as float."""
    return decades(cells) if column.name == "decade" else numbers(cells)


def excluded(text: pd.DataFrame) -> pd.Series:
    """Rows that are kept but not measured [bool, shape=(n,)]."""
    if "exclude" not in text:
        return pd.Series(False, index=text.index)
    return text["exclude"].str.lower().isin(_TRUE).astype(bool)


def _all_rules(text: pd.DataFrame) -> Iterator[tuple[str, Bad]]:
    """The column to point at, and the outcome of each rule."""
    for column in MANIFEST_COLUMNS:
        if column.name not in text:
            continue
        cells = text[column.name]
        if column.constraints.get("required"):
            yield column.name, _empty(column, cells)
        present = cells.dropna()
        if column.type in ("number", "integer"):
            for bad in _number_rules(column, present):
                yield column.name, bad
        if column.type == "boolean":
            yield column.name, _neither_true_nor_false(present)
        if "enum" in column.constraints:
            yield column.name, _slips(column, present)
        if column.name == "recording_id":
            yield column.name, _unsafe(present)
            yield column.name, _repeated(present)
    if {"start_s", "end_s"} <= set(text):
        yield "end_s", _ends_first(text)
    if {"year", "decade"} <= set(text):
        yield "decade", _other_decade(text)
    dates = [name for name in ("decade", "year") if name in text]
    if dates:
        words = "neither decade nor year is given", "Give one of them, a good guess if need be"
        yield "decade", (text[dates].isna().all(axis=1), lambda _, __: words)


def _empty(column: Column, cells: pd.Series) -> Bad:
    return cells.isna(), lambda _, __: ("this cell must not be empty", column.definition)


# --- numbers


def _number_rules(column: Column, cells: pd.Series) -> Iterator[Bad]:
    found = values(column, cells)
    low, high = (column.constraints.get(limit) for limit in ("minimum", "maximum"))
    within = found.between(-np.inf if low is None else low, HIGHEST if high is None else high)
    step = 10 if column.name == "decade" else 1
    yield found.isna(), lambda _, got: _no_number(column, got)
    yield found.notna() & ~within, lambda _, got: _out_of_range(column, low, high)
    if column.type == "integer":
        yield within & (found % step != 0), lambda _, got: _not_whole(column, got)


def _no_number(column: Column, got: str) -> tuple[str, str]:
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


def _out_of_range(column: Column, low: float | None, high: float | None) -> tuple[str, str]:
    unit = f" {column.unit}" if column.unit else ""
    allowed = f"{low:g}{unit} or more" if high is None else f"{low:g} to {high:g}{unit}"
    hint = "; a percentage is written as a share, 96 % as 0.96" if column.name == "speed_factor" else ""
    return "this value is out of range", f"Allowed: {allowed}{hint}"


def _not_whole(column: Column, got: str) -> tuple[str, str]:
    if column.name == "decade":
        year = int(re.sub(r"\D.*", "", got))
        return "this is a year, not a decade", f"Write {year // 10 * 10}, or give the year in a column 'year'"
    return "this is not a whole number", "Write it without decimals"


def _ends_first(text: pd.DataFrame) -> Bad:
    start = text["start_s"]
    return numbers(start) >= numbers(text["end_s"]), lambda row, _: (
        f"the part ends before it begins (start_s {start.at[row]})",
        "end_s must be greater than start_s",
    )


def _other_decade(text: pd.DataFrame) -> Bad:
    year, decade = numbers(text["year"]), decades(text["decade"])
    right = year // 10 * 10
    bad = year.notna() & (decade % 10 == 0) & (right != decade)
    return bad, lambda row, _: (
        f"the year {text['year'].at[row]} is not in this decade",
        f"Write {right.at[row]:.0f}, or mend the year",
    )


# --- words


def _neither_true_nor_false(cells: pd.Series) -> Bad:
    words = "this is neither true nor false", "Write true or false, or leave the cell empty"
    return ~cells.str.lower().isin(_TRUE | _FALSE), lambda _, __: words


def _slips(column: Column, cells: pd.Series) -> Bad:
    """A word near a known one is a slip; one far from them all is the user's own category."""
    slips = _own_words(column, cells)
    bad = cells.isin({cell for cell, right in slips.items() if right})
    return bad, lambda _, got: ("no such word", did_you_mean(slips[got]))


def _own_words(column: Column, cells: pd.Series) -> dict[str, str]:
    """Words that are not known, each with the known word it may be a slip of, or ""."""
    known = tuple(column.constraints["enum"])
    words = [word for word in cells.unique() if word not in known]
    return {word: _meant(word, known) for word in words[:_MOST_WORDS]} | dict.fromkeys(
        words[_MOST_WORDS:], ""
    )


@lru_cache(maxsize=4096)
def _meant(word: str, known: tuple[str, ...]) -> str:
    return closest(word, known, _ALIKE)


def _own_categories(text: pd.DataFrame, file: str) -> Iterator[Problem]:
    for column in MANIFEST_COLUMNS:
        known = column.constraints.get("enum")
        if known and column.name in text:
            slips = _own_words(column, text[column.name].dropna())
            own = [word for word, meant in slips.items() if not meant]
            if own:
                message = f"kept as categories of your own: {', '.join(map(repr, own[:_LISTED]))}"
                yield Problem(message, file, column=column.name, repair=f"Known are {', '.join(known)}")


def _decimal_commas(text: pd.DataFrame, file: str) -> Iterator[Problem]:
    for column in MANIFEST_COLUMNS:
        if column.type == "number" and column.name in text:
            cells = text[column.name]
            commas = cells[cells.str.contains(",", na=False) & numbers(cells).notna()]
            for row, cell in list(filled(commas))[:1]:
                yield Problem("a comma was read as a decimal point", file, row, column.name, cell)


# --- names


def _repeated(cells: pd.Series) -> Bad:
    """Capitals do not tell two names apart: on many disks they are one folder."""
    names = cells.str.casefold()
    first = {name: row for row, name in reversed(list(filled(names)))}
    return names.duplicated(), lambda _, got: (
        f"row {first[got.casefold()]} has this name, too",
        "Give each recording its own name (capitals do not count)",
    )


def _unsafe(cells: pd.Series) -> Bad:
    odd = cells[~cells.str.fullmatch(_PLAIN_ID).astype(bool)]
    bad = pd.Series(False, index=cells.index)
    bad[odd.index] = np.array([bool(id_fault(name)) for name in odd.tolist()], bool)
    return bad, lambda _, got: (
        f"this name cannot name a file: {id_fault(got)}",
        f"For example {_safe_id(got)!r}",
    )


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
