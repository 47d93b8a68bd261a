"""Measure a whole corpus: the manifest in, the tables out; only what is new or changed is measured.

Each recording is one task: a pure function of the file's bytes, the settings and the manifest's row
(:func:`vibstudy.recording.measure_file`). Its result is stored as it comes, so that a run can be broken
off at any moment and goes on where it stopped. A recording that cannot be measured is a row of the log.
The tables are written with what listeners decided (``edits.csv``).
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from vibstudy.corpus.batch import Outcome, explain, run_batch, step
from vibstudy.corpus.entries import Entry, Measured, Packed, Recording, Stamp, pack
from vibstudy.corpus.manifest import inspect_manifest
from vibstudy.corpus.settings import Settings
from vibstudy.corpus.store import Store, recordings_of, stamp_file
from vibstudy.errors import Problem, VibstudyError

if TYPE_CHECKING:
    from vibstudy.decisions.apply import Decided
    from vibstudy.recording import measure_recording

__all__ = ["MeasureReport", "Progress", "measure_corpus", "measure_recording"]

MeasureFile = Callable[[Path, Settings, Mapping[str, Any]], Measured]


def __getattr__(name: str) -> Any:
    # Lazy: a run that finds nothing to do must not pay for loading the measuring code.
    if name == "measure_recording":
        from vibstudy.recording import measure_recording

        return measure_recording
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


@dataclass(frozen=True)
class Progress:
    """Where a run stands, after a recording is done (or at the start, with no recording).

    Parameters
    ----------
    done, total : int
        Recordings done in this run, and to do.
    failed : int
        Of the done ones, those that failed.
    recording_id : str
        The one just done; "" at the start.
    notes : int | None
        Notes found in it.
    message : str
        Why it failed; "" when it did not.
    """

    done: int
    total: int
    failed: int
    recording_id: str = ""
    notes: int | None = None
    message: str = ""


@dataclass(frozen=True, eq=False)
class MeasureReport:
    """What a run did.

    Parameters
    ----------
    out : Path
        Results folder.
    measured, unchanged, failed, excluded : int
        Recordings measured now, kept from before, not measurable, and excluded in the manifest.
    seconds : float
        Time taken.
    log : DataFrame
        One row a recording (:data:`vibstudy.schema.LOG_COLUMNS`).
    notes : list of Problem
        What the manifest's check had to remark.
    decisions : list of Problem | None
        Listeners' decisions that could not be applied; None when there are no decisions.
    """

    out: Path
    measured: int
    unchanged: int
    failed: int
    excluded: int
    seconds: float
    log: pd.DataFrame
    notes: list[Problem]
    decisions: list[Problem] | None = None

    @property
    def failures(self) -> list[tuple[str, str]]:
        """Recordings that failed, and why."""
        bad = self.log[self.log["success"].eq(False).fillna(False)]
        return list(zip(bad["recording_id"], bad["message"], strict=True))


def measure_corpus(
    manifest: str | Path,
    out: str | Path,
    settings: Settings | None = None,
    workers: int | None = None,
    progress: Callable[[Progress], None] | None = None,
    cluster: str | None = None,
    fresh: bool = False,
    function: MeasureFile | None = None,
) -> MeasureReport:
    """Measure every recording of a manifest that is new or changed, and write the tables.

    Parameters
    ----------
    manifest : path
        The manifest.
    out : path
        Results folder.
    settings : Settings | None
        None: the defaults.
    workers : int | None
        Worker processes, 0 = all cores; None: as in the settings. The results do not depend on it.
    progress : callable | None
        Called after each recording.
    cluster : str | None
        Address of a Dask scheduler.
    fresh : bool
        Measure everything again.
    function : callable | None
        Measures one recording; None: :func:`vibstudy.recording.measure_file`.

    Returns
    -------
    MeasureReport

    Raises
    ------
    VibstudyError
        With every problem of the manifest, when it has any; then nothing has been written.
    """
    began = time.perf_counter()
    settings = settings or Settings()
    inspection = inspect_manifest(manifest, audio=False)
    if inspection.frame is None:  # as it must be mended anyway, tell what is wrong with the sound, too
        raise VibstudyError(inspect_manifest(manifest, audio=True).problems)
    frame = inspection.frame
    recordings = recordings_of(frame, Path(manifest).absolute().parent)
    store = Store(out)
    with store.writing():
        run = _Run(store, settings, recordings, progress, fresh)
        run.measure(function or _measure_file, settings.workers if workers is None else workers, cluster)
        decided = _decided(manifest, store.out, settings, run.entries)
        log = store.write_tables(frame, run.entries, decided.parts if decided else None)
    return MeasureReport(
        store.out,
        run.done - run.failed,
        len(recordings) - run.done,
        run.failed,
        len(frame) - len(recordings),
        time.perf_counter() - began,
        log,
        inspection.notes,
        decided.problems if decided else None,
    )


def _decided(
    manifest: str | Path, out: Path, settings: Settings, entries: Mapping[str, Entry]
) -> Decided | None:
    """What listeners decided, when there are files of decisions beside the manifest."""
    if not any(Path(manifest).absolute().parent.glob("edits*.csv")):
        return None
    from vibstudy.decisions.apply import ReviewedStudy, decided_notes

    study = ReviewedStudy(manifest, out, settings)
    return decided_notes(study, [name for name, entry in entries.items() if not entry.failed])


def check_lists_and_scores(beside: Mapping[str, Mapping[str, str]]) -> list[Problem]:
    """Every problem of the note lists and scores that a manifest names.

    Whether a score fits its recording is told when the recording is measured.

    Parameters
    ----------
    beside : mapping of str to mapping of str to str
        As :func:`vibstudy.corpus.manifest.inspect_manifest` tells them.
    """
    problems: list[Problem] = []
    for column, read in (("notes_path", _read_list), ("score_path", _read_score)):
        for cell, path in beside.get(column, {}).items():
            try:
                read(path)
            except VibstudyError as error:
                problems += [replace(problem, file=cell) for problem in error.problems]
    return problems


def _read_list(path: str | Path) -> None:
    from vibstudy.notes.lists import read_note_list  # not loaded where there is none

    read_note_list(path)


def _read_score(path: str | Path) -> None:
    from vibstudy.notes.written import read_score  # what passes here is not refused when it is measured

    read_score(path)


class _Run:
    """One run over a corpus: what to do, what was done."""

    def __init__(
        self,
        store: Store,
        settings: Settings,
        recordings: list[Recording],
        progress: Callable[[Progress], None] | None,
        fresh: bool,
    ):
        self.store = store
        self.settings = settings
        self.progress = progress
        self.entries: dict[str, Entry] = {}
        self.todo: list[Recording] = []
        self.done = 0
        self.failed = 0
        for recording in recordings:
            plan = store.plan(recording, settings)
            if fresh or plan.reason or plan.entry is None:
                self.todo.append(recording)
            else:
                store.remember(recording.recording_id, plan)
                self.entries[recording.recording_id] = plan.entry.outcome()

    def measure(self, function: MeasureFile, workers: int, cluster: str | None) -> None:
        self._tell(Progress(0, len(self.todo), 0))
        task = partial(_measure_one, function, self.settings)
        run_batch(task, self.todo, self._store_outcome, workers, cluster)

    def _store_outcome(self, outcome: Outcome) -> None:
        recording = self.todo[outcome.index]
        entry = None
        if outcome.message:  # in the tables files are named as in the manifest, not as on this computer
            message = outcome.message.replace(recording.audio_path, str(recording.row["path"]))
            outcome = replace(outcome, message=message)
        else:
            stamps, packed = outcome.value
            try:
                entry = self.store.save(recording, self.settings, stamps, packed, outcome.seconds).outcome()
            except Exception as error:
                message, detail = explain(error)
                outcome = replace(outcome, value=None, step="store", message=message, detail=detail)
        if entry is None:
            entry = self._failure(recording.recording_id, outcome)
        self.entries[recording.recording_id] = entry
        self.done += 1
        self.failed += entry.failed
        where = self.done, len(self.todo), self.failed
        self._tell(Progress(*where, recording.recording_id, entry.notes, entry.message))

    def _failure(self, recording_id: str, outcome: Outcome) -> Entry:
        what = (outcome.step, outcome.message, outcome.detail, outcome.seconds)
        try:
            return self.store.save_failure(recording_id, *what)
        except (OSError, VibstudyError):  # the log still tells it
            return Entry(step=what[0], message=what[1], detail=what[2], seconds=what[3])

    def _tell(self, progress: Progress) -> None:
        if self.progress is not None:
            self.progress(progress)


def _measure_one(
    function: MeasureFile, settings: Settings, recording: Recording
) -> tuple[dict[str, Stamp], Packed]:
    """Measure one recording, in a worker; files are hashed before and must still be the same after."""
    with step("read"):
        stamps = {role: stamp_file(path) for role, path in recording.files.items()}
    with step("measure"):
        result = function(Path(recording.audio_path), settings, recording.row)
    with step("read"):
        for role, path in recording.files.items():
            now = Path(path).stat()
            if (now.st_size, now.st_mtime_ns) != (stamps[role].size, stamps[role].mtime_ns):
                raise VibstudyError(
                    "this file changed while it was being measured", path, repair="Run it again"
                )
    with step("store"):
        return stamps, pack(result)


def _measure_file(path: Path, settings: Settings, row: Mapping[str, Any]) -> Measured:
    from vibstudy.recording import measure_file

    return measure_file(path, settings, row)
