"""A study without its sound: a Frictionless data package for others.

What goes out, and what is looked for that should not, is told first (:mod:`vibstudy.paper.contents`).

What stays behind
    Paths. The manifest's ``comment`` and the labels of note lists made by hand
    (:data:`vibstudy.paper.contents.REMARKS`), and what listeners wrote of their decisions, unless asked
    for. Always: remarks in ``claims.toml``, and who the
    listeners are: they become "listener 1", "listener 2", in the order of their first decision. Of the time
    of a decision only the date is kept; the clock of ``edits.csv`` counts decisions in millionths of a
    second.
Everything in a package follows from its parts (:mod:`vibstudy.paper.parts`): :mod:`vibstudy.paper.assemble`.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path, PurePosixPath

import pandas as pd

from vibstudy.corpus.atomic import write_json, write_text
from vibstudy.corpus.results import read_notes, read_recordings
from vibstudy.corpus.tables import TABLES, write_frame
from vibstudy.corpus.untrusted import TEMPORARY, as_text, read_bytes
from vibstudy.decisions.apply import edit_files
from vibstudy.decisions.edits import EDITS_NAME, Edit, edits_text, merge_edits, read_edits
from vibstudy.errors import Problem, VibstudyError, raise_any
from vibstudy.paper.assemble import DESCRIPTOR, environment, write_parts
from vibstudy.paper.contents import (
    FILES,
    REMARKS,
    Contents,
    left_behind,
    needed_columns,
    own_columns,
    sound_names,
    told_files,
    told_names,
    told_paths,
)
from vibstudy.paper.parts import ENVIRONMENT, NOTES, PATH_COLUMNS, RECORDINGS, About, numbered, read_parts
from vibstudy.schema import PROVENANCE_COLUMNS, typed
from vibstudy.stats.claimfile import claims_text
from vibstudy.stats.claims import CLAIMS_FILE, read_claims
from vibstudy.stats.ledger import FILE_NAME as LOG_FILE
from vibstudy.stats.logbook import log_new


def make_package(
    study: str | Path,
    out: str | Path,
    about: About | None = None,
    remarks: bool = False,
    approve: Callable[[Contents], bool] | None = None,
) -> list[Path]:
    """Write the package of a measured study.

    Parameters
    ----------
    study : path
        Study folder.
    out : path
        Folder to make; an earlier package there is replaced.
    about : About | None
    remarks : bool
        Let remarks of listeners and the columns :data:`~vibstudy.paper.contents.REMARKS` go along.
    approve : callable | None
        Is given what would go out; nothing is written when it returns False.

    Returns
    -------
    list of Path
        The files; empty when it was not approved.

    Raises
    ------
    VibstudyError
        When nothing is measured, a cell holds a path, or `out` is another folder. Nothing is written.
    """
    study, out, about = Path(study), Path(out), about or About()
    notes, recordings = read_notes(study), read_recordings(study)
    _demand_place(out)
    unseen = [text for text in (about.title, about.author, about.licence) if not text.isprintable()]
    if unseen:
        message = "title, author or licence holds what cannot be printed, or a new line"
        raise VibstudyError(message, got=unseen[0][:80], repair="Write it in one line")
    left = PATH_COLUMNS if remarks else (*PATH_COLUMNS, *REMARKS)
    claims = read_claims(study / CLAIMS_FILE) if (study / CLAIMS_FILE).is_file() else []
    problems = needed_columns(claims, notes, left)
    if claims:  # the log goes along: it holds every recording and claim
        log_new(study, claims, recordings, notes)
    edits, listeners, said, unreadable = _anonymous(study, set(recordings["recording_id"]), remarks)
    sounds = sound_names(recordings)
    with tempfile.TemporaryDirectory(prefix="vibstudy-") as name:
        raw = Path(name)
        for table, frame in ((NOTES, notes), (RECORDINGS, _without_file_names(recordings))):
            columns = TABLES[table][1]
            known = [column for column in columns if column not in PROVENANCE_COLUMNS]
            write_frame(raw / table, typed(frame.drop(columns=list(left), errors="ignore"), known), columns)
        write_json(raw / ENVIRONMENT, environment(study))
        if claims:
            write_text(raw / CLAIMS_FILE, claims_text(claims))
            log = study / "results" / LOG_FILE
            write_text(raw / LOG_FILE, as_text(read_bytes(log), log))
        if edits:
            write_text(raw / EDITS_NAME, edits_text(edits))
        parts = read_parts(raw, about)
        spoken_of = [path for path in raw.iterdir() if path.suffix != ".csv" or path.name == LOG_FILE]
        texts = {path.name: path.read_text(encoding="utf-8") for path in spoken_of}
    frames = {NOTES: (parts.notes, 2), RECORDINGS: (parts.recordings, 2)}
    frames |= {name: (pd.DataFrame({"": text.splitlines()}), 1) for name, text in texts.items()}
    if edits:
        frames[EDITS_NAME] = (pd.DataFrame([asdict(edit) for edit in parts.edits]), 2)
    frames["--title and --author"] = (pd.DataFrame({"": [about.title, about.author, about.licence]}), 1)
    for name, (frame, row) in frames.items():
        problems += told_paths(frame, name, sounds, row)
    raise_any(problems)
    draft = out.with_name(out.name + TEMPORARY)
    shutil.rmtree(draft, ignore_errors=True)
    try:
        draft.mkdir(parents=True)
        write_parts(draft, parts)
        names = [p for name, (frame, row) in frames.items() for p in told_names(frame, name, row)]
        contents = Contents(
            tuple(told_files(draft, parts)),
            tuple(own_columns(parts)),
            tuple(left_behind(notes, recordings, left, listeners, said)),
            (*unreadable, *names),
        )
        if approve is not None and not approve(contents):
            return []
        if out.exists():
            shutil.rmtree(out)
        draft.rename(out)
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    return sorted(out.iterdir())


def _demand_place(out: Path) -> None:
    """Refuse a folder that is there and holds anything but an earlier package."""
    if not out.exists() and not out.is_symlink():
        return
    if (
        out.is_symlink()
        or not (out / DESCRIPTOR).is_file()
        or any(path.name not in FILES for path in out.iterdir())
    ):
        raise VibstudyError(
            "this folder is there already, and is no package", str(out), repair="Name another with --out"
        )


def _anonymous(
    study: Path, recordings: set[str], remarks: bool
) -> tuple[list[Edit], int, int, list[Problem]]:
    """Decisions without who made them; how many listeners and remarks there were; what was unreadable."""
    read = [read_edits(path) for path in edit_files(study)]
    merged, differing = merge_edits(*(found for found, _ in read))
    kept = [edit for edit in merged if edit.recording_id in recordings]
    listeners: dict[str, str] = {}
    names = {edit.edit_id: f"{number:032x}" for number, edit in enumerate(kept, start=1)}
    out = []
    for number, edit in enumerate(kept, start=1):
        who = listeners.setdefault(edit.who, f"listener {len(listeners) + 1}")
        value = names.get(edit.value, "0" * 32) if edit.what == "undo" else edit.value
        why = edit.why if remarks else ""
        out.append(replace(numbered(edit, number), who=who, value=value, why=why))
    unreadable = [*differing, *(problem for _, own in read for problem in own)]
    return out, len(listeners), sum(bool(edit.why) for edit in kept), unreadable


def _without_file_names(recordings: pd.DataFrame) -> pd.DataFrame:
    """What was said of a score or a file, without the file's name."""
    out = recordings.copy()
    called = {"path": "the sound file", "audio_path": "the sound file", "score_path": "the score"}
    for name in PATH_COLUMNS:
        for row, text in recordings[name].dropna().astype(str).items() if name in recordings else ():
            words = called.get(name, "the note list")
            for column in ("score_problem", "score_fit", "remarks"):
                said = out[column].get(row) if column in out else None
                if isinstance(said, str):
                    for spelling in (text, PurePosixPath(text.replace("\\", "/")).name):
                        said = said.replace(spelling, words) if spelling else said
                    out.at[row, column] = said
    return out
