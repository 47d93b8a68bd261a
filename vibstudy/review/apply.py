"""Listeners' decisions put into a study: the notes of a recording, and the tables of the results folder.

What was measured stays as it is in the cache. Decisions are applied to a copy of it, notes whose edges or
octave changed are measured again from the user's file, and the joint tables are written with the outcome.
So every run starts from the measurement, and taking a decision back restores it.
"""

from __future__ import annotations

import tempfile
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.parquet as pq

from vibstudy.corpus.manifest import read_manifest
from vibstudy.corpus.settings import Settings, load_settings
from vibstudy.corpus.store import Recording, Store, read_notes, read_recordings, recordings_of
from vibstudy.corpus.tables import parquet_bytes, to_arrow, write_notes, write_package
from vibstudy.errors import Problem, VibstudyError
from vibstudy.review.edits import (
    EDITS_NAME,
    Edit,
    EditReport,
    append_edit,
    apply_edits,
    merge_edits,
    read_edits,
    standing_edits,
)
from vibstudy.review.phrase import PhraseReader
from vibstudy.schema import NOTE_COLUMNS, PROVENANCE_COLUMNS, typed

MANIFEST_NAME = "corpus_manifest.csv"
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

    @cached_property
    def audio_sha256(self) -> dict[str, str]:
        """Hash of each recording's sound, as measured."""
        if "audio_sha256" not in self.measured:
            return {}
        known = self.measured[self.measured["audio_sha256"].notna()]
        return dict(zip(known["recording_id"], known["audio_sha256"], strict=True))

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
            self.as_measured(recording_id), self.edits.get(recording_id, ()), self.audio_sha256
        )

    def edited(self, recording_id: str) -> Edited:
        """Notes of a recording with the decisions applied, and changed ones measured again."""
        notes, report = self.outcome(recording_id)
        problems = list(report.problems)
        rows: list[dict[str, Any]] = []
        for row in ({str(k): v for k, v in item.items()} for item in notes.to_dict("records")):
            if row["note_id"] in report.remeasure:
                try:
                    octaves = report.remeasure[row["note_id"]]
                    row |= self.reader.measure(row, row["onset_s"], row["offset_s"], octaves).columns
                except (VibstudyError, OSError) as error:
                    problems.append(
                        Problem(
                            f"this edited note could not be measured again: {error}",
                            EDITS_NAME,
                            got=row["note_id"],
                        )
                    )
            rows.append(row)
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


def _with_tags_of(old: pd.DataFrame, notes: pd.DataFrame) -> pd.DataFrame:
    """New notes of a recording with the columns of the old ones."""
    tags = {str(name): [old[name].iloc[0]] * len(notes) for name in old if name not in _NAMES}
    joined = notes.assign(**tags).reindex(columns=list(old.columns))
    return joined.astype({name: old[name].dtype for name in old})


def apply_to_results(
    manifest: str | Path, out: str | Path | None = None, settings: Settings | None = None
) -> list[Problem] | None:
    """Write the note tables of a study again with the listeners' decisions in them.

    To be called after measuring. The cache is only read.

    Returns
    -------
    list of Problem | None
        Stale and conflicting decisions, lines that could not be read; None when there are no decisions
        or no results.
    """
    manifest = Path(manifest)
    if not edit_files(manifest.absolute().parent):
        return None
    study = ReviewedStudy(manifest, out, settings)
    if study.measured.empty or not (study.edits or study.problems):
        return None
    names = [str(name) for name in study.measured["recording_id"]]
    problems = list(study.problems) + _strays(study, names)
    with study.store.writing(), tempfile.TemporaryDirectory(prefix="vibstudy-") as temporary:
        parts = []
        for number, name in enumerate(names):
            part = study.store.cache / name / "notes.parquet"
            if name in study.edits:
                edited = study.edited(name)
                problems += edited.problems
                part = Path(temporary) / f"{number}.parquet"
                part.write_bytes(parquet_bytes(to_arrow(edited.notes, NOTE_COLUMNS)))
            parts.append(part)
        rows = study.manifest.set_index("recording_id").loc[names].reset_index()
        tags = rows.drop(columns=["recording_id", "audio_path", "manifest_row"])
        provenance = study.measured[[c.name for c in PROVENANCE_COLUMNS if c.name in study.measured]]
        write_package(study.out, {"notes.csv": write_notes(study.out, parts, tags, provenance)})
    return problems


def _strays(study: ReviewedStudy, names: Iterable[str]) -> list[Problem]:
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
