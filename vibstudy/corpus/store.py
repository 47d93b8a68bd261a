"""The results folder: one entry a recording, kept until something that matters changes.

::

    results/notes.parquet, notes.csv, recordings.csv, log.csv, datapackage.json
    results/cache/<recording_id>/notes.arrow      notes as measured
                                 line.parquet     pitch and level against time
                                 recording.json   figures of the recording
                                 key.json         what went in, and what came out
                                 failure.json     instead of all these: why it could not be measured

An entry is made in a temporary folder and put in its place in one step, so that a break at any moment
leaves either the old entry, the new one, or none. Tags of the manifest are joined when the tables are
written: changing a tag measures nothing again.

What went in
    SHA-256 of the sound file, of the score and of the note list; the settings that change figures; the
    row's cells :data:`vibstudy.schema.FIGURE_CELLS`; :data:`METHOD_VERSION`. Names and dates of
    files do not count. Size and date of a file are remembered with its hash, so that an untouched file is
    not read again.

One writer at a time: a lock of the operating system, which ends with the program that holds it, however
it ends.
"""

from __future__ import annotations

# A corpus may hold a hundred thousand recordings, and os.path is many times faster than pathlib:
# ruff: noqa: PTH116, PTH118, PTH123
import contextlib
import hashlib
import json
import os
import platform
import shutil
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from vibstudy import __version__
from vibstudy.corpus.atomic import write_json
from vibstudy.corpus.entries import STORED, Entry, Packed, Plan, Recording, Stamp, differences, plain_value
from vibstudy.corpus.files import sha256_of
from vibstudy.corpus.manifest import resolve
from vibstudy.corpus.results import read_log, read_notes, read_recordings
from vibstudy.corpus.settings import Settings
from vibstudy.corpus.tables import (
    read_part,
    rename_clashing,
    write_frame,
    write_notes,
    write_package,
)
from vibstudy.corpus.untrusted import TEMPORARY
from vibstudy.errors import Problem, VibstudyError
from vibstudy.schema import (
    FIGURE_CELLS,
    LOG_COLUMNS,
    NOTE_COLUMNS,
    PROVENANCE_COLUMNS,
    RECORDING_COLUMNS,
    ROOM_COLUMNS,
    typed,
)

__all__ = [
    "METHOD_VERSION",
    "Store",
    "read_log",
    "read_notes",
    "read_recordings",
    "recordings_of",
    "stamp_file",
]

METHOD_VERSION = 29
"""Raise it whenever a change of the method changes figures: everything is then measured again."""

_KEPT_INSIDE = ["wow_cycle"]
"""Kept with a recording for measuring its notes again; not for the tables."""
_DAMAGED = "what was stored is damaged"
_LOCK_S = 0.5


def stamp_file(path: str | Path) -> Stamp:
    """Hash of a file, with its size and date.

    Raises
    ------
    OSError
        When it cannot be read.
    """
    before = os.stat(path)
    return Stamp(sha256_of(path), before.st_size, before.st_mtime_ns)


def recordings_of(manifest: pd.DataFrame, base: Path) -> list[Recording]:
    """Rows of a manifest that are not excluded, ready to be measured.

    Parameters
    ----------
    manifest : DataFrame
        As :func:`vibstudy.corpus.manifest.read_manifest` gives it.
    base : Path
        Folder of the manifest.
    """
    rows = manifest[~manifest["exclude"]].copy()
    for name in ("score_path", "notes_path"):
        if name in rows:
            given = rows[name].notna()
            rows.loc[given, name] = resolve(base, rows.loc[given, name])
    plain = rows.drop(columns=["audio_path", "manifest_row"]).astype(object)
    plain = plain.where(plain.notna(), None)
    return [
        Recording(str(row["recording_id"]), path, {str(name): value for name, value in row.items()})
        for row, path in zip(plain.to_dict("records"), rows["audio_path"], strict=True)
    ]


class Store:
    """The results folder of a study.

    Parameters
    ----------
    out : path
        The folder; made when something is first written.
    """

    def __init__(self, out: str | Path):
        self.out = Path(out)
        self.cache = self.out / "cache"
        self._temporary = self.cache / TEMPORARY

    # --- one writer

    @contextlib.contextmanager
    def writing(self) -> Iterator[None]:
        """Hold the folder for writing; leftovers of a writer that was broken off are removed.

        Raises
        ------
        VibstudyError
            When another program writes there, or the folder cannot be written to.
        """
        from filelock import FileLock, Timeout

        who = self.cache / "writer.json"
        try:
            self.cache.mkdir(parents=True, exist_ok=True)
            lock = FileLock(self.cache / "writer.lock", timeout=_LOCK_S)
            lock.acquire()
        except Timeout:
            raise VibstudyError(_busy(self.out, who)) from None
        except OSError as error:
            raise VibstudyError(
                f"results cannot be written here: {error.strerror or error}",
                str(self.out),
                repair="Choose another folder with --out, or allow writing to this one",
            ) from None
        try:
            self._clear()
            since = datetime.now(UTC).isoformat(timespec="seconds")
            write_json(who, {"pid": os.getpid(), "host": platform.node(), "since": since})
            yield
        finally:
            who.unlink(missing_ok=True)
            shutil.rmtree(self._temporary, ignore_errors=True)
            lock.release()

    def _clear(self) -> None:
        shutil.rmtree(self._temporary, ignore_errors=True)
        for folder in (self.out, self.cache):
            for path in folder.glob(f"*{TEMPORARY}"):
                if path.is_dir() and not path.is_symlink():
                    shutil.rmtree(path, ignore_errors=True)
                else:
                    path.unlink(missing_ok=True)

    # --- entries

    def entry(self, recording_id: str) -> Entry | None:
        """What is stored of a recording; None when nothing is, or when it is damaged."""
        for name in ("key.json", "failure.json"):
            try:
                with open(os.path.join(self.cache, recording_id, name), "rb") as stream:
                    return Entry(**json.load(stream))
            except FileNotFoundError:
                continue
            except (OSError, ValueError, TypeError):
                return None
        return None

    def why(self, recording: Recording, settings: Settings) -> str:
        """Why the recording would be measured (again); "" when what is stored holds."""
        return self.plan(recording, settings).reason

    def plan(self, recording: Recording, settings: Settings) -> Plan:
        """Compare what is stored with what would go in now.

        Files are read only when their size or date changed.
        """
        entry = self.entry(recording.recording_id)
        if entry is None:
            return Plan("it is new")
        if entry.failed:
            return Plan(f"it failed last time ({entry.message})", entry)
        try:
            stamps = {role: _stamp(path, entry.stamps.get(role)) for role, path in recording.files.items()}
        except FileNotFoundError:  # perhaps on a disk that is not connected: what was measured still holds
            return Plan("", entry)
        except OSError as error:
            return Plan(f"a file cannot be read any more ({error.strerror or error})", entry)
        try:
            changes = differences(entry.inputs, _inputs(recording, settings, stamps))
            if not changes and not self._whole(recording.recording_id, entry):
                changes = [_DAMAGED]
        except (KeyError, TypeError, AttributeError):
            changes = [_DAMAGED]
        return Plan("; ".join(changes), entry, stamps)

    def _whole(self, recording_id: str, entry: Entry) -> bool:
        folder = os.path.join(self.cache, recording_id)
        try:
            return all(os.stat(os.path.join(folder, name)).st_size == entry.outputs[name] for name in STORED)
        except OSError:
            return False

    def save(
        self,
        recording: Recording,
        settings: Settings,
        stamps: Mapping[str, Stamp],
        packed: Packed,
        seconds: float,
    ) -> Entry:
        """Store what was measured from files with these stamps.

        Raises
        ------
        OSError
            When the disk is full, or writing is not allowed.
        """
        digest = hashlib.sha256()
        folder = self._begin(recording.recording_id)
        for name, content in packed.files.items():
            digest.update(content)
            (folder / name).write_bytes(content)
        return self._finish(
            recording.recording_id,
            "key.json",
            seconds,
            inputs=_inputs(recording, settings, stamps),
            stamps={role: asdict(stamp) for role, stamp in stamps.items()},
            outputs={name: len(content) for name, content in packed.files.items()}
            | {"content": digest.hexdigest()},
            notes=packed.notes,
            step="store",
            remark=packed.remark,
        )

    def save_failure(self, recording_id: str, step: str, message: str, detail: str, seconds: float) -> Entry:
        """Store why a recording could not be measured; what was stored of it before is dropped."""
        self._begin(recording_id)
        return self._finish(recording_id, "failure.json", seconds, step=step, message=message, detail=detail)

    def _begin(self, recording_id: str) -> Path:
        folder = self._temporary / recording_id
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        return folder

    def _finish(self, recording_id: str, key: str, seconds: float, **further: Any) -> Entry:
        """Write what became of a recording beside its files, and put all in place."""
        now = datetime.now(UTC).isoformat(timespec="seconds")
        entry = Entry(seconds=round(seconds, 3), finished_at=now, version=__version__, **further)
        write_json(self._temporary / recording_id / key, asdict(entry))
        """Put the finished entry in its place: a folder can be renamed in one step, but not over another."""
        made, place = self._temporary / recording_id, self.cache / recording_id
        if place.exists():
            old = self._temporary / f"{recording_id}{TEMPORARY}"
            shutil.rmtree(old, ignore_errors=True)
            place.replace(old)
            made.replace(place)
            shutil.rmtree(old, ignore_errors=True)
        else:
            made.replace(place)
        return entry

    def remember(self, recording_id: str, plan: Plan) -> None:
        """Note new sizes and dates of files whose content is the same, so that they are not read again."""
        stamps = {role: asdict(stamp) for role, stamp in plan.stamps.items()}
        if plan.entry is not None and stamps and stamps != plan.entry.stamps:
            write_json(self.cache / recording_id / "key.json", asdict(plan.entry) | {"stamps": stamps})

    def notes(self, recording_id: str) -> pd.DataFrame:
        """Notes of one recording as measured, without tags."""
        return typed(read_part(self._stored(recording_id, "notes.arrow")).to_pandas(), NOTE_COLUMNS)

    def line(self, recording_id: str) -> pd.DataFrame:
        """Pitch and level of one recording against time."""
        return pd.read_parquet(self._stored(recording_id, "line.parquet"))

    def recording(self, recording_id: str) -> dict[str, Any]:
        """Figures of one recording."""
        return json.loads(self._stored(recording_id, "recording.json").read_text(encoding="utf-8"))

    def _stored(self, recording_id: str, name: str) -> Path:
        path = self.cache / recording_id / name
        if not path.exists():
            raise VibstudyError(
                "this recording has not been measured", got=recording_id, repair="Run 'vibstudy measure'"
            )
        return path

    # --- tables

    def write_tables(
        self, manifest: pd.DataFrame, entries: Mapping[str, Entry], decided: Mapping[str, Path] | None = None
    ) -> pd.DataFrame:
        """Write the tables from the stored entries, where something changed; the log is returned.

        Parameters
        ----------
        manifest : DataFrame
            As :func:`vibstudy.corpus.manifest.read_manifest` gives it.
        entries : mapping
            By recording, in any order. Rows of the manifest without one are excluded ones.
        decided : mapping of str to Path | None
            Note tables to stand in for the measured ones, by recording: those with listeners' decisions.
        """
        decided = decided or {}
        log = _log(manifest, entries)
        good = {name: entry for name, entry in entries.items() if not entry.failed}
        measured = manifest[manifest["recording_id"].isin(list(good))].reset_index(drop=True)
        tags = measured.drop(columns=["recording_id", "audio_path", "manifest_row"])
        done = {name: good[name] for name in measured["recording_id"]}
        schemas = {"log.csv": write_frame(self.out / "log.csv", log, LOG_COLUMNS)}
        fingerprint = _fingerprint(tags, done, decided)
        if self._tables_state(fingerprint) != self._stored_state():
            schemas |= self._write_measured(tags, done, decided)
            write_json(self.cache / "tables.json", self._tables_state(fingerprint))
        write_package(self.out, schemas)
        return log

    def _write_measured(
        self, tags: pd.DataFrame, done: Mapping[str, Entry], decided: Mapping[str, Path]
    ) -> dict[str, Any]:
        recordings = pd.DataFrame([self.recording(name) | {"recording_id": name} for name in done])
        recordings = typed(recordings, RECORDING_COLUMNS).drop(columns=_KEPT_INSIDE, errors="ignore")
        recordings["vibstudy_version"] = [entry.version for entry in done.values()]
        provenance = recordings[[column.name for column in PROVENANCE_COLUMNS if column.name in recordings]]
        room = recordings[[column.name for column in ROOM_COLUMNS]]
        recordings = recordings.drop(columns=list(provenance))
        own = rename_clashing(tags, [*recordings, *provenance]).set_axis(recordings.index)
        joined = pd.concat([recordings, own, provenance], axis=1)
        parts = [decided.get(name, self.cache / name / "notes.arrow") for name in done]
        return {
            "notes.csv": write_notes(self.out, parts, tags, pd.concat([room, provenance], axis=1)),
            "recordings.csv": write_frame(
                self.out / "recordings.csv", joined, (*RECORDING_COLUMNS, *PROVENANCE_COLUMNS)
            ),
        }

    def _tables_state(self, fingerprint: str) -> dict[str, Any]:
        """What the tables were made from, and their sizes: an edited or lost table is written again."""
        paths = [self.out / name for name in ("notes.parquet", "notes.csv", "recordings.csv")]
        return {"from": fingerprint} | {
            path.name: path.stat().st_size if path.exists() else -1 for path in paths
        }

    def _stored_state(self) -> dict[str, Any] | None:
        try:
            return json.loads((self.cache / "tables.json").read_bytes())
        except (OSError, ValueError):
            return None


def _stamp(path: str, remembered: Mapping[str, Any] | None) -> Stamp:
    """Stamp of a file: the remembered one when size and date are the same."""
    if remembered is not None:
        now = os.stat(path)
        if now.st_size == remembered.get("size") and now.st_mtime_ns == remembered.get("mtime_ns"):
            return Stamp(**remembered)
    return stamp_file(path)


def _inputs(recording: Recording, settings: Settings, stamps: Mapping[str, Stamp]) -> dict[str, Any]:
    """What the figures depend on."""
    return {
        "method": METHOD_VERSION,
        "settings": settings.measure_key(),
        "row": {name: plain_value(recording.row.get(name)) for name in FIGURE_CELLS},
        "files": {role: stamp.sha256 for role, stamp in stamps.items()},
    }


def _fingerprint(tags: pd.DataFrame, done: Mapping[str, Entry], decided: Mapping[str, Path]) -> str:
    """Hash of everything the tables of notes and recordings are made from."""
    digest = hashlib.sha256()
    for columns in (NOTE_COLUMNS, RECORDING_COLUMNS, PROVENANCE_COLUMNS):
        digest.update(repr([(column.name, column.type) for column in columns]).encode())
    digest.update(repr([(name, e.outputs["content"], e.version) for name, e in done.items()]).encode())
    for name, path in sorted(decided.items()):
        digest.update(name.encode() + b"\0" + path.read_bytes())
    digest.update(repr([(name, str(tags[name].dtype)) for name in tags]).encode())
    digest.update(pd.util.hash_pandas_object(tags, index=False).to_numpy().tobytes())
    return digest.hexdigest()


def _log(manifest: pd.DataFrame, entries: Mapping[str, Entry]) -> pd.DataFrame:
    rows = []
    for name, excluded in zip(manifest["recording_id"], manifest["exclude"], strict=True):
        entry = entries.get(name)
        if entry is None:
            message = "excluded in the manifest" if excluded else "not measured yet"
            rows.append({"recording_id": name, "message": message})
        else:
            kept = {key: getattr(entry, key) for key in ("step", "seconds", "notes", "finished_at")}
            message = entry.message or entry.remark
            rows.append({"recording_id": name, "success": not entry.failed, "message": message, **kept})
    return typed(pd.DataFrame(rows), LOG_COLUMNS)


def _busy(out: Path, who: Path) -> Problem:
    try:
        writer = json.loads(who.read_bytes())
        by = f" (process {writer['pid']} on {writer['host']}, since {writer['since']})"
    except (OSError, ValueError, KeyError, TypeError):
        by = ""
    return Problem(
        f"another vibstudy is writing results here{by}",
        str(out),
        repair="Wait until it has finished, or stop it; the lock ends with that program",
    )
