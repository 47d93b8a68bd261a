"""The written tables: Parquet and CSV, with their dictionary beside them, and how to read them back.

Each file is written under a temporary name and then put in its place in one step, and only when its
content has changed. Tables are put together in batches, so that memory does not grow with the corpus.

CSV for spreadsheets
    A text cell that begins with ``= + - @``, a tab, a line break or one of the full-width forms of those
    signs would be run as a formula. It gets an apostrophe in front; a cell that begins with apostrophes
    and then such a sign gets one more, so that :func:`unguard` restores every text exactly. Numbers are
    untouched.

References
----------
OWASP, CSV Injection, https://owasp.org/www-community/attacks/CSV_Injection (from memory).
Frictionless Data Package and Table Schema, https://specs.frictionlessdata.io (open standards).
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import IO, Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from vibstudy.corpus.files import sha256_of
from vibstudy.corpus.names import name_problems
from vibstudy.corpus.untrusted import TEMPORARY, demand_file
from vibstudy.errors import Problem, VibstudyError, nearest
from vibstudy.schema import (
    LOG_COLUMNS,
    MANIFEST_COLUMNS,
    NOTE_COLUMNS,
    PANDAS_TYPES,
    PROVENANCE_COLUMNS,
    QUANTITY_COLUMNS,
    RECORDING_COLUMNS,
    ROOM_COLUMNS,
    Column,
    table_schema,
)

NO_ROOM = {
    getattr(errno, "EDQUOT", errno.ENOSPC): "your share of the disk is full",
    errno.ENOSPC: "the disk is full",
    errno.EFBIG: "this file would be larger than this disk allows",
}
"""What stands in the way of writing, by the system's number."""

ARROW_TYPES = {"string": pa.string(), "number": pa.float64(), "integer": pa.int64(), "boolean": pa.bool_()}
_ANEW = "Run 'vibstudy measure': it writes the tables anew"
_GUARD = "^('*[=+\\-@\\t\\r\\n＝＋－＠])"
_MOST_COLUMNS = 500
"""300 of a manifest's, and the program's own 130."""
_GUARDED = "^'('*[=+\\-@\\t\\r\\n＝＋－＠])"
_BATCH_ROWS = 50_000
_BATCH_PARTS = 500
"""Notes, and recordings, of a batch: a table of few rows takes some fifty times their size."""
NULLABLE = {pa.int64(): pd.Int64Dtype(), pa.bool_(): pd.BooleanDtype(), pa.string(): pd.StringDtype()}
_TAGS = tuple(replace(column, constraints={}) for column in MANIFEST_COLUMNS)

TABLES: dict[str, tuple[str, tuple[Column, ...]]] = {
    "notes.csv": ("Notes", (*NOTE_COLUMNS, *ROOM_COLUMNS, *PROVENANCE_COLUMNS)),
    "recordings.csv": ("Recordings", (*RECORDING_COLUMNS, *PROVENANCE_COLUMNS)),
    "log.csv": ("What happened to each recording", LOG_COLUMNS),
    "quantities.csv": ("Every number of the results, and what it counts", QUANTITY_COLUMNS),
}
"""The tables in CSV: title, and the dictionary of their columns."""

# --- text cells in CSV


def guard(text: pa.ChunkedArray | pa.Array) -> pa.ChunkedArray | pa.Array:
    """Texts as they may stand in a spreadsheet."""
    return pc.replace_substring_regex(text, _GUARD, r"'\1")


def unguard(cells: pd.Series) -> pd.Series:
    """Texts as they were before :func:`guard`."""
    return cells.str.replace(_GUARDED, r"\1", regex=True)


def guard_text(text: str) -> str:
    """One text as :func:`guard` writes it."""
    return re.sub(_GUARD, r"'\1", text)


def unguard_text(text: str) -> str:
    """One text as it was before :func:`guard`."""
    return re.sub(_GUARDED, r"\1", text)


def _guarded(table: pa.Table) -> pa.Table:
    for position, item in enumerate(table.schema):
        column, kind = table.column(position), item.type
        if pa.types.is_dictionary(kind):  # pandas' categories
            kind = kind.value_type
            column = column.cast(kind)
        if pa.types.is_string(kind) or pa.types.is_large_string(kind):
            table = table.set_column(position, item.name, guard(column))
    # a table may have a column for each medium or region, as the manifest names them
    return table.rename_columns([guard_text(name) for name in table.column_names])


# --- writing


@contextlib.contextmanager
def replacing(path: Path) -> Iterator[IO[bytes]]:
    """A stream whose content takes the place of `path` in one step, when it differs."""
    demand_place(path)
    temporary = path.with_name(f"{path.name}.{os.getpid()}{TEMPORARY}")
    try:
        with temporary.open("wb") as stream:
            yield stream
        put_in_place(temporary, path)
    except BaseException as error:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        if isinstance(error, OSError) and error.errno in NO_ROOM:
            raise VibstudyError(
                Problem(
                    NO_ROOM[error.errno],
                    str(path),
                    repair="Make room and run the same command again; what was finished before is kept",
                )
            ) from None
        raise


def demand_place(path: Path) -> None:
    """Refuse to write where there is no folder, or where something stands that is no file.

    Raises
    ------
    VibstudyError
        For these; a device would be lost, were it replaced.
    """
    if path.is_dir():
        raise VibstudyError("this is a folder, not a file", str(path), repair="Name a file in it")
    if not path.parent.is_dir():
        raise VibstudyError("there is no such folder", str(path.parent), repair="Make it first")
    if path.exists() and not path.is_file():
        raise VibstudyError("this is not an ordinary file", str(path), repair="Choose another name")


def put_in_place(temporary: Path, path: Path) -> None:
    """Let `temporary` take the place of `path`; drop it when the content is the same."""
    if (
        path.exists()
        and path.stat().st_size == temporary.stat().st_size
        and sha256_of(path) == sha256_of(temporary)
    ):
        temporary.unlink()
        return
    try:
        temporary.replace(path)
    except PermissionError:
        raise VibstudyError(
            "this file cannot be replaced",
            str(path),
            repair="Close the program that has it open, then run the same command again; nothing is lost",
        ) from None


def json_bytes(content: Mapping[str, Any]) -> bytes:
    """Content of a JSON file."""
    return json.dumps(content, indent=1, ensure_ascii=False, sort_keys=True).encode()


def write_text(path: Path, text: str) -> None:
    """Write a text file in one step."""
    with replacing(path) as stream:
        stream.write(text.encode("utf-8"))


def write_json(path: Path, content: Mapping[str, Any]) -> None:
    """Write a JSON file in one step."""
    with replacing(path) as stream:
        stream.write(json_bytes(content))


def parquet_bytes(table: pa.Table) -> bytes:
    """Content of a Parquet file."""
    stream = pa.BufferOutputStream()
    pq.write_table(table, stream, compression="zstd")
    return stream.getvalue().to_pybytes()


def arrow_bytes(table: pa.Table) -> bytes:
    """Content of an Arrow file: for a table of few rows read twenty times as fast as Parquet."""
    stream = pa.BufferOutputStream()
    with pa.ipc.new_stream(stream, table.schema) as writer:
        writer.write_table(table)
    return stream.getvalue().to_pybytes()


def read_part(path: Path) -> pa.Table:
    """The notes of one recording, from an Arrow file or from Parquet."""
    if path.suffix == ".arrow":
        with path.open("rb") as stream:
            return pa.ipc.open_stream(stream.read()).read_all()
    return pq.ParquetFile(path).read()


def _part_schema(path: Path) -> pa.Schema:
    if path.suffix == ".arrow":
        with path.open("rb") as stream:
            return pa.ipc.open_stream(stream.read()).schema
    return pq.read_schema(path).remove_metadata()


def to_arrow(frame: pd.DataFrame, columns: Iterable[Column] = ()) -> pa.Table:
    """Arrow table of a frame: NaN is missing, known columns have the dictionary's type."""
    table = pa.Table.from_pandas(frame, preserve_index=False).replace_schema_metadata(None)
    known = {column.name: column for column in columns}
    fields = []
    for item in table.schema:
        kind = ARROW_TYPES[known[item.name].type] if item.name in known else item.type
        if pa.types.is_large_string(kind) or pa.types.is_null(kind):
            kind = pa.string()
        elif pa.types.is_floating(kind):
            kind = kind if item.name not in known else pa.float64()
        fields.append(pa.field(item.name, kind))
    return table.cast(pa.schema(fields))


def write_frame(path: Path, frame: pd.DataFrame, columns: Iterable[Column] = ()) -> pa.Schema:
    """Write a small table as CSV; its schema is returned."""
    table = to_arrow(frame, columns)
    with replacing(path) as stream:
        pacsv.write_csv(_guarded(table), stream)
    return table.schema


def write_notes(out: Path, parts: Sequence[Path], tags: pd.DataFrame, provenance: pd.DataFrame) -> pa.Schema:
    """Join the note tables of many recordings into ``notes.parquet`` and ``notes.csv``.

    Parameters
    ----------
    out : Path
        Results folder.
    parts : sequence of Path [shape=(n,)]
        Arrow or Parquet file of each recording, in the order wanted.
    tags, provenance : DataFrame [shape=(n, ...)]
        Columns to repeat on each note of the recording: the user's, renamed by :func:`beside` where the
        tool has such a column, and the tool's.

    Returns
    -------
    pyarrow.Schema
        Columns written.
    """
    measured = _joint_schema(parts)
    own = rename_clashing(tags, [*measured.names, *provenance])
    known = (*ROOM_COLUMNS, *PROVENANCE_COLUMNS)
    tag_table = to_arrow(pd.concat([own.set_axis(provenance.index), provenance], axis=1), known)
    schema = pa.schema([*measured, *tag_table.schema])
    with (
        replacing(out / "notes.parquet") as parquet_stream,
        replacing(out / "notes.csv") as csv_stream,
        pq.ParquetWriter(parquet_stream, schema, compression="zstd") as parquet,
        pacsv.CSVWriter(csv_stream, schema) as text,
    ):
        for batch in _batches(parts, measured, tag_table):
            parquet.write_table(batch)
            text.write_table(_guarded(batch))
    return schema


def _joint_schema(parts: Sequence[Path]) -> pa.Schema:
    """Columns of all parts: those of the dictionary first, in its order."""
    known = {column.name: pa.field(column.name, ARROW_TYPES[column.type]) for column in NOTE_COLUMNS}
    schemas = {_part_schema(part) for part in parts}
    ordered = sorted(schemas, key=str)
    found = pa.unify_schemas(ordered, promote_options="permissive") if ordered else pa.schema([])
    return pa.schema([*known.values(), *(item for item in found if item.name not in known)])


def _batches(parts: Sequence[Path], measured: pa.Schema, tags: pa.Table) -> Iterator[pa.Table]:
    """Notes with their tags, some thousands at a time; the cut depends on the notes alone."""
    gathered: list[pa.Table] = []
    rows: list[int] = []

    def batch() -> pa.Table:
        notes = pa.concat_tables(gathered)
        repeated = tags.take(pa.array(rows, pa.int64()))
        for item in repeated.schema:
            notes = notes.append_column(item, repeated.column(item.name))
        return notes.combine_chunks()

    for position, part in enumerate(parts):
        table = _conform(read_part(part), measured)
        gathered.append(table)
        rows += [position] * table.num_rows
        if len(rows) >= _BATCH_ROWS or len(gathered) >= _BATCH_PARTS:
            yield batch()
            gathered, rows = [], []
    if gathered:
        yield batch()


def _conform(table: pa.Table, schema: pa.Schema) -> pa.Table:
    if table.schema.equals(schema):
        return table
    columns = [
        table.column(item.name).cast(item.type)
        if item.name in table.column_names
        else pa.nulls(table.num_rows, item.type)
        for item in schema
    ]
    return pa.table(columns, schema=schema)


def rename_clashing(tags: pd.DataFrame, taken: Iterable[str]) -> pd.DataFrame:
    """Tags renamed where the tool has a column of that name: ``notes`` becomes ``notes_manifest``."""
    names = set(taken)
    return tags.rename(columns={name: f"{name}_manifest" for name in tags if name in names})


def write_package(out: Path, schemas: Mapping[str, pa.Schema]) -> None:
    """Write ``datapackage.json``: each CSV with its size, hash and Table Schema.

    A table that is not among `schemas` keeps its description.

    Parameters
    ----------
    out : Path
        Results folder.
    schemas : mapping
        File name to the columns written.
    """
    described = {resource["path"]: resource for resource in _descriptor(out)}
    for name, schema in schemas.items():
        title, columns = TABLES[name]
        path = out / name
        described[name] = {
            "name": path.stem,
            "path": name,
            "title": title,
            "format": "csv",
            "mediatype": "text/csv",
            "encoding": "utf-8",
            "bytes": path.stat().st_size,
            "hash": f"sha256:{sha256_of(path)}",
            "schema": table_schema([*_TAGS, *columns], schema.empty_table().to_pandas()),
        }
    write_json(
        out / "datapackage.json",
        {
            "name": "vibrato-study",
            "title": "Vibrato measured note by note",
            "description": "Extent is half of the peak-to-peak deviation (± cents). Empty means not known. "
            "A text that a spreadsheet would run as a formula has an apostrophe in front.",
            "resources": [described[name] for name in TABLES if name in described],
        },
    )


def _descriptor(out: Path) -> list[dict[str, Any]]:
    """The tables described in ``datapackage.json``, as far as they are described as this program does."""
    try:
        found = json.loads((out / "datapackage.json").read_text(encoding="utf-8"))["resources"]
        return [
            item for item in found if {field["name"]: PANDAS_TYPES[field["type"]] for field in _fields(item)}
        ]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return []


def _fields(resource: Mapping[str, Any]) -> list[Mapping[str, str]]:
    return resource["schema"]["fields"] if resource["path"] in TABLES else []


# --- reading


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


def _results(directory: Path, stem: str) -> Path:
    folders = (directory, directory / "results")
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
        raise VibstudyError(
            Problem(f"this table is damaged: {str(error)[:200]}", str(path), repair=_ANEW)
        ) from None


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
    if problems:
        raise VibstudyError(problems)


def _check_names(names: Sequence[str], path: Path, row: int | None = None) -> None:
    if len(names) > _MOST_COLUMNS:
        message = f"the table has {len(names):,} columns; this program writes some 400 at most"
        raise VibstudyError(Problem(message, str(path), row, repair=_ANEW))
    problems = name_problems(names, str(path), row)
    if problems:
        raise VibstudyError(problems)


def _demand(columns: Sequence[str] | None, names: Sequence[str]) -> None:
    problems = [
        Problem("the table has no such column", column=name, repair=nearest(name, names))
        for name in columns or ()
        if name not in names
    ]
    if problems:
        raise VibstudyError(problems)


def _read_csv(folder: Path, name: str, columns: Sequence[str] | None) -> pd.DataFrame:
    """A CSV as it was before it was written for spreadsheets, typed by its Table Schema."""
    path = folder / name
    with _told(path):
        header = [str(column) for column in pd.read_csv(path, nrows=0, encoding="utf-8")]
        _check_names(header, path, row=1)
        _demand(columns, header)
        types = {column.name: column.type for column in TABLES[name][1]}
        for resource in _descriptor(folder):
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
