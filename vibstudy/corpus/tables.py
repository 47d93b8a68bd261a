"""The written tables: Parquet and CSV, with their dictionary beside them.

Each file is written whole or not at all (:mod:`vibstudy.corpus.atomic`). Tables are put together in batches,
so that memory does not grow with the corpus.

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

import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from vibstudy.corpus.atomic import replacing, write_json
from vibstudy.corpus.files import sha256_of
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

ARROW_TYPES = {"string": pa.string(), "number": pa.float64(), "integer": pa.int64(), "boolean": pa.bool_()}
_GUARD = "^('*[=+\\-@\\t\\r\\n＝＋－＠])"
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
    described = {resource["path"]: resource for resource in descriptor(out)}
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


def descriptor(out: Path) -> list[dict[str, Any]]:
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
