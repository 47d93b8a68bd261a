"""The written tables of a results folder, read back.

Notes from Parquet where it is there, else from CSV; what was guarded for spreadsheets is restored
(:func:`vibstudy.corpus.tables.unguard`), and each column has the type that the dictionary gives it. A table
that is damaged, holds a column twice, of the wrong kind or of a name no column may have is refused, with the
file and the repair: results may come from somebody else.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from vibstudy.corpus.names import name_problems
from vibstudy.corpus.tables import NULLABLE, TABLES, descriptor, unguard
from vibstudy.corpus.untrusted import demand_file
from vibstudy.errors import Problem, VibstudyError, nearest, raise_any
from vibstudy.schema import (
    PANDAS_TYPES,
)

_ANEW = "Run 'vibstudy measure': it writes the tables anew"


_MOST_COLUMNS = 500
"""300 of a manifest's, and the program's own 130."""


def read_notes(directory: str | Path, columns: Sequence[str] | None = None) -> pd.DataFrame:
    """The note table of a study.

    Parameters
    ----------
    directory : path
        Results folder, or the study folder that holds ``results``.
    columns : sequence of str | None
        Columns to read; None reads all.

    Returns
    -------
    DataFrame
        One row a note, typed by :mod:`vibstudy.schema`; unknown is missing.

    Raises
    ------
    VibstudyError
        When there are no results, a column does not exist, or has a name that no column may have.
    """
    folder = _results(Path(directory), "notes")
    if (folder / "notes.parquet").exists():
        path = folder / "notes.parquet"
        with _told(path):
            schema = pq.read_schema(path)
            _check_names(schema.names, path)
            _check_kinds(schema, path)
            _demand(columns, schema.names)
            table = pq.read_table(path, columns=None if columns is None else list(columns))
            return table.to_pandas(types_mapper=NULLABLE.get)
    return _read_csv(folder, "notes.csv", columns)


def read_recordings(directory: str | Path) -> pd.DataFrame:
    """The recordings measured, one row each, typed; `directory` as in :func:`read_notes`."""
    return _read_csv(_results(Path(directory), "recordings"), "recordings.csv", None)


def read_log(directory: str | Path) -> pd.DataFrame:
    """What happened to each row of the manifest; `directory` as in :func:`read_notes`."""
    return _read_csv(_results(Path(directory), "log"), "log.csv", None)


def read_quantities(directory: str | Path) -> pd.DataFrame:
    """The frame of results, typed; `directory` as in :func:`read_notes`."""
    return _read_csv(_results(Path(directory), "quantities"), "quantities.csv", None)


def is_demo(study: Path) -> bool:
    """Whether the truth of a study is known, since it is the invented one."""
    return (study / "truth" / "truth.csv").is_file()


def _results(directory: Path, stem: str) -> Path:
    folders = (directory / "results", directory)  # a study folder may hold a notes.csv of the user's own
    for folder in folders:
        if any((folder / f"{stem}{suffix}").exists() for suffix in (".parquet", ".csv")):
            return folder
    for folder in folders:
        if any((folder / name).exists() for name in TABLES):
            raise VibstudyError(
                f"the results here lack {stem}.csv",
                str(folder),
                repair="'vibstudy measure' writes it again; what is measured is not measured again",
            )
    raise VibstudyError("there are no results here", str(directory), repair="Run 'vibstudy measure' first")


@contextlib.contextmanager
def _told(path: Path) -> Iterator[None]:
    """Damage of a table told as such, whatever the library makes of it."""
    demand_file(path, "table")
    try:
        yield
    except (pa.ArrowException, pd.errors.ParserError, pd.errors.EmptyDataError, OSError, ValueError) as error:
        if isinstance(error, VibstudyError):
            raise
        raise VibstudyError(f"this table is damaged: {str(error)[:200]}", str(path), repair=_ANEW) from None


def _check_kinds(schema: pa.Schema, path: Path) -> None:
    """Refuse a column twice, and one that holds what a column of its name cannot."""
    known = {column.name: column.type for column in TABLES["notes.csv"][1]}

    def numeric(kind: pa.DataType) -> bool:
        return pa.types.is_floating(kind) or pa.types.is_integer(kind)

    plain = {
        "string": lambda kind: pa.types.is_string(kind) or pa.types.is_large_string(kind),
        "number": numeric,
        "integer": numeric,  # whole numbers with gaps are floats to many programs
        "boolean": pa.types.is_boolean,
    }
    problems = []
    for item in schema:
        kind = item.type.value_type if pa.types.is_dictionary(item.type) else item.type
        wanted = [known[item.name]] if item.name in known else [*plain]
        if schema.names.count(item.name) > 1:
            problems.append(Problem("this column stands twice", str(path), column=item.name, repair=_ANEW))
        elif not pa.types.is_null(kind) and not any(plain[word](kind) for word in wanted):
            message = f"this column should hold {' or '.join(wanted)}"
            problems.append(Problem(message, str(path), None, item.name, str(kind)[:80], _ANEW))
    raise_any(problems)


def _check_names(names: Sequence[str], path: Path, row: int | None = None) -> None:
    if len(names) > _MOST_COLUMNS:
        message = f"the table has {len(names):,} columns; this program writes some 400 at most"
        raise VibstudyError(message, str(path), row, repair=_ANEW)
    problems = name_problems(names, str(path), row)
    raise_any(problems)


def _demand(columns: Sequence[str] | None, names: Sequence[str]) -> None:
    problems = [
        Problem("the table has no such column", column=name, repair=nearest(name, names))
        for name in columns or ()
        if name not in names
    ]
    raise_any(problems)


def _read_csv(folder: Path, name: str, columns: Sequence[str] | None) -> pd.DataFrame:
    """A CSV as it was before it was written for spreadsheets, typed by its Table Schema."""
    path = folder / name
    with _told(path):
        header = [str(column) for column in pd.read_csv(path, nrows=0, encoding="utf-8")]
        _check_names(header, path, row=1)
        _demand(columns, header)
        types = {column.name: column.type for column in TABLES[name][1]}
        for resource in descriptor(folder):
            if resource["path"] == name:
                types |= {item["name"]: item["type"] for item in resource["schema"]["fields"]}
        kinds = {column: PANDAS_TYPES[types.get(column, "string")] for column in header}
        wanted = header if columns is None else list(columns)
        frame = pd.read_csv(
            path, usecols=wanted, dtype=kinds, keep_default_na=False, na_values=[""], encoding="utf-8"
        )
        for column in wanted:
            if kinds[column] == "string":
                frame[column] = unguard(frame[column])
        return frame[wanted]
