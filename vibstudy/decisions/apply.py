"""Listeners' decisions put into a study: the notes of a recording, and the tables of the results folder.

What was measured stays as it is in the cache. Decisions are applied to a copy of it, notes whose edges or
octave changed are measured again from the user's file (once: their figures are kept, too), and the joint
tables are written with the outcome. So every run starts from the measurement, and taking a decision back
restores it.
"""

from __future__ import annotations

import contextlib
import json
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.parquet as pq

from vibstudy.corpus.atomic import replacing, write_json
from vibstudy.corpus.entries import Recording, plain_value
from vibstudy.corpus.manifest import read_manifest
from vibstudy.corpus.settings import Settings, load_settings
from vibstudy.corpus.store import METHOD_VERSION, Store, read_notes, read_recordings, recordings_of
from vibstudy.corpus.tables import parquet_bytes, to_arrow
from vibstudy.decisions.edits import EDITS_NAME, Edit, append_edit, merge_edits, read_edits
from vibstudy.decisions.effects import EditReport, apply_edits, standing_edits
from vibstudy.decisions.phrase import PhraseReader
from vibstudy.errors import Problem, VibstudyError
from vibstudy.schema import NOTE_COLUMNS, typed

DECIDED_NAME = "decided.parquet"
_NAMES = [column.name for column in NOTE_COLUMNS]


def edit_files(folder: Path) -> list[Path]:
    """The study's own ``edits.csv``, then other listeners' copies beside it (``edits-anything.csv``)."""
    own = [path for path in (folder / EDITS_NAME,) if path.exists()]
    return own + sorted(folder.glob("edits-*.csv"))


@dataclass(frozen=True, eq=False)
class Edited:
    """Notes of one recording with the decisions applied, and what became of each decision."""

    notes: pd.DataFrame
    report: EditReport
    problems: list[Problem]


class ReviewedStudy:
    """A study with its decisions.

    Parameters
    ----------
    manifest : path
        The manifest; ``edits.csv`` stands beside it.
    out : path | None
        Results folder; None: ``results`` beside the manifest.
    settings : Settings | None
        None: ``study.toml`` beside the manifest, or the defaults.
    """

    def __init__(self, manifest: str | Path, out: str | Path | None = None, settings: Settings | None = None):
        self.manifest_path = Path(manifest).absolute()
        self.folder = self.manifest_path.parent
        self.out = self.folder / "results" if out is None else Path(out)
        self.settings = settings or load_settings(self.folder)
        self.store = Store(self.out)
        read = [read_edits(path) for path in edit_files(self.folder)]
        merged, differing = merge_edits(*(found for found, _ in read))
        self.problems = [problem for _, own in read for problem in own] + differing
        self.edits: dict[str, list[Edit]] = defaultdict(list)
        for edit in merged:
            self.edits[edit.recording_id].append(edit)

    @property
    def edits_path(self) -> Path:
        """The file of decisions."""
        return self.folder / EDITS_NAME

    @cached_property
    def manifest(self) -> pd.DataFrame:
        """The manifest, typed."""
        return read_manifest(self.manifest_path)

    @cached_property
    def recordings(self) -> dict[str, Recording]:
        """Recordings that are not excluded, by recording_id."""
        return {item.recording_id: item for item in recordings_of(self.manifest, self.folder)}

    @cached_property
    def measured(self) -> pd.DataFrame:
        """``recordings.csv``; empty when there is none."""
        try:
            return read_recordings(self.out)
        except VibstudyError:
            return pd.DataFrame({"recording_id": []})

    def audio_sha256(self, recording_id: str) -> dict[str, str]:
        """Hash of a recording's sound, as measured, by recording; empty when it is not known."""
        known = self._facts(recording_id).get("audio_sha256")
        return {recording_id: str(known)} if known else {}

    @cached_property
    def reader(self) -> PhraseReader:
        """Reads phrases from the user's files."""
        return PhraseReader(self.recordings, self.settings, self._facts)

    def _facts(self, recording_id: str) -> dict[str, Any]:
        """What was found over a whole recording; from the joint table where there is no cache."""
        try:
            return self.store.recording(recording_id)
        except VibstudyError:
            rows = self.measured[self.measured["recording_id"].eq(recording_id)]
            found = {} if rows.empty else rows.iloc[0].to_dict()
            return {str(name): value for name, value in found.items() if pd.notna(value)}

    def add(self, edit: Edit) -> None:
        """Store a decision; it is on the disk when this returns."""
        append_edit(self.edits_path, edit)
        self.edits[edit.recording_id].append(edit)

    def all_edits(self) -> list[Edit]:
        """Every decision."""
        return [edit for own in self.edits.values() for edit in own]

    def decided(self, who: str | None = None) -> set[str]:
        """Notes with a decision that stands (cycles counted are none); of one listener, or of all."""
        return {
            edit.note_id
            for edit in standing_edits(self.all_edits())
            if edit.what != "count" and who in (None, edit.who)
        }

    def as_measured(self, recording_id: str) -> pd.DataFrame:
        """Notes of a recording as measured, without tags; from the joint table where there is no cache."""
        try:
            return self.store.notes(recording_id)
        except VibstudyError:
            path = self.out / "notes.parquet"
            if not path.exists():
                raise
            table = pq.read_table(path, filters=[("recording_id", "=", recording_id)])
            frame = table.to_pandas()
            return typed(frame[[name for name in frame if name in _NAMES]], NOTE_COLUMNS)

    def outcome(self, recording_id: str) -> tuple[pd.DataFrame, EditReport]:
        """Notes of a recording with the decisions applied; changed ones not measured yet."""
        return apply_edits(
            self.as_measured(recording_id),
            self.edits.get(recording_id, ()),
            self.audio_sha256(recording_id),
        )

    def edited(self, recording_id: str) -> Edited:
        """Notes of a recording with the decisions applied, and changed ones measured again."""
        notes, report = self.outcome(recording_id)
        problems = list(report.problems)
        rows: list[dict[str, Any]] = []
        kept = _Kept(self.store, self.settings, recording_id)
        for row in ({str(k): v for k, v in item.items()} for item in notes.to_dict("records")):
            if row["note_id"] in report.remeasure:
                try:
                    row |= kept.columns(self.reader, row, report.remeasure[row["note_id"]])
                except (VibstudyError, OSError) as error:
                    message = f"this edited note could not be measured again: {error}"
                    problems.append(Problem(message, EDITS_NAME, got=row["note_id"]))
            rows.append(row)
        kept.save()
        frame = typed(pd.DataFrame(rows, columns=list(notes.columns)), NOTE_COLUMNS) if rows else notes
        return Edited(frame, report, problems)

    def notes(self, columns: Sequence[str] | None = None) -> pd.DataFrame:
        """The note table with tags and with all decisions applied.

        Parameters
        ----------
        columns : sequence of str | None
            Columns to read; None reads all.
        """
        wanted = None if columns is None else list(dict.fromkeys(["recording_id", "onset_s", *columns]))
        table = read_notes(self.out, wanted)
        known = set(table["recording_id"])
        changed = {name: self.edited(name).notes for name in self.edits if name in known}
        if changed:
            parts = [
                _with_tags_of(part, changed[str(name)]) if name in changed else part
                for name, part in table.groupby("recording_id", sort=False)
            ]
            table = pd.concat(parts, ignore_index=True)
        return table if columns is None else table[list(columns)]


class _Kept:
    """Figures of edited notes of one recording, kept so that they are measured once.

    They go when the recording is measured anew, with all that is stored of it.
    """

    def __init__(self, store: Store, settings: Settings, recording_id: str):
        folder = store.cache / recording_id
        self._path = folder / "edited.json" if folder.is_dir() else None
        self._settings = [METHOD_VERSION, settings.measure_key()]
        self._old: dict[str, Any] = {}
        self._new: dict[str, Any] = {}
        if self._path is not None:
            try:
                self._old = json.loads(self._path.read_bytes())
            except (OSError, ValueError):
                self._old = {}

    def columns(self, reader: PhraseReader, row: Mapping[str, Any], octaves: int) -> dict[str, Any]:
        """Columns of a note between its new edges."""
        asked = [row[name] for name in ("onset_s", "offset_s", "note_kind", "quality")]
        key = json.dumps([*self._settings, octaves, *asked], sort_keys=True, default=str)
        found = self._old.get(key)
        if found is None:
            measured = reader.measure(row, row["onset_s"], row["offset_s"], octaves).columns
            found = {name: plain_value(value) for name, value in measured.items()}
        self._new[key] = found
        return found

    def save(self) -> None:
        """Keep the figures; a folder that cannot be written to only costs time."""
        if self._path is None or self._new == self._old:
            return
        with contextlib.suppress(OSError, VibstudyError):
            write_json(self._path, self._new)


def _with_tags_of(old: pd.DataFrame, notes: pd.DataFrame) -> pd.DataFrame:
    """New notes of a recording with the columns of the old ones."""
    tags = {str(name): [old[name].iloc[0]] * len(notes) for name in old if name not in _NAMES}
    joined = notes.assign(**tags).reindex(columns=list(old.columns))
    return joined.astype({name: old[name].dtype for name in old})


@dataclass(frozen=True)
class Decided:
    """What the tables of a study take from its listeners.

    Parameters
    ----------
    parts : mapping of str to Path
        Note table of each recording with decisions, to stand in for what was measured.
    problems : list of Problem
        Stale and conflicting decisions, lines that could not be read.
    """

    parts: Mapping[str, Path]
    problems: list[Problem]


def decided_notes(study: ReviewedStudy, measured: Collection[str]) -> Decided | None:
    """Apply all decisions, and keep the outcome beside what was measured.

    To be called while the store is held for writing.

    Parameters
    ----------
    study : ReviewedStudy
        The study; its cache holds what was measured.
    measured : collection of str
        Recordings that could be measured.

    Returns
    -------
    Decided | None
        None when there are no decisions.
    """
    if not (study.edits or study.problems):
        return None
    parts: dict[str, Path] = {}
    problems = list(study.problems) + _strays(study, measured)
    for name in sorted(study.edits.keys() & set(measured)):
        edited = study.edited(name)
        problems += edited.problems
        parts[name] = study.store.cache / name / DECIDED_NAME
        content = parquet_bytes(to_arrow(edited.notes, NOTE_COLUMNS))
        if not parts[name].exists() or parts[name].read_bytes() != content:
            with replacing(parts[name]) as stream:
                stream.write(content)
    return Decided(parts, problems)


def _strays(study: ReviewedStudy, names: Collection[str]) -> list[Problem]:
    known = set(names)
    return [
        Problem(
            f"{len(own)} decisions not applied: this recording is not among those measured",
            EDITS_NAME,
            got=name,
            repair="Put it back into the manifest, or measure it",
        )
        for name, own in study.edits.items()
        if name not in known
    ]
