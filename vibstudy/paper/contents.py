"""What goes out in a package, told before it does; and what is looked for that should not.

No sound goes out, and no path: columns that name files are left out, and a cell in which a path of a disk,
or the name of a sound file, still stands is told before anything is written.
"""

from __future__ import annotations

import getpass
import platform
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

import pandas as pd

from vibstudy.decisions.edits import EDITS_NAME
from vibstudy.errors import Problem
from vibstudy.figures.data import plural
from vibstudy.paper.parts import NOTES, PATH_COLUMNS, RECORDINGS, Parts
from vibstudy.schema import MANIFEST_COLUMNS, NOTE_COLUMNS, PROVENANCE_COLUMNS, RECORDING_COLUMNS
from vibstudy.stats.claims import CLAIMS_FILE

FILES = {
    "notes.csv": "every note, with the tags of its recording",
    "recordings.csv": "every recording; sound files are known by their hash alone",
    "claims.toml": "the claims as they were written",
    "claims.csv": "their verdicts, with every figure",
    "claims_log.csv": "when each claim was written",
    "models.csv": "mixed models of rate and of log extent on decade and region",
    "edits.csv": "what listeners decided; dates are true, clock times only count",
    "environment.json": "settings, and versions of everything that computed a figure",
    "CITATION.cff": "how to cite the data (Citation File Format 1.2.0)",
    "LICENCE.txt": "what others may do with the data",
    "README.txt": "what is what",
    "datapackage.json": "descriptor: tables, columns, units, hashes",
}
"""Files of a package; claims, models and edits only where the study has them."""

REMARKS = ("comment", "note_label")
"""Columns of free words, which stay behind unless asked for."""

SOUND_ENDINGS = (".wav", ".flac", ".mp3", ".ogg", ".aif", ".aiff", ".m4a", ".opus", ".mp4")
DISK_PATH = re.compile(
    r"(?<![\w.:/])(?:/(?:[\w.~-]+/)+[\w.~-]*|~/[\w.~-]+|[A-Za-z]:[\\/][^\s\"']+|\\\\[^\s\"']+)"
)


@dataclass(frozen=True)
class Contents:
    """What would go out, told before it does.

    Parameters
    ----------
    files : tuple of (str, str)
        Each file, and what is in it.
    own_columns : tuple of str
        Columns of the user's own that go along.
    behind : tuple of str
        What stays behind.
    to_look_at : tuple of Problem
        What may be meant for the user's eyes alone.
    """

    files: tuple[tuple[str, str], ...]
    own_columns: tuple[str, ...]
    behind: tuple[str, ...]
    to_look_at: tuple[Problem, ...]

    def lines(self) -> list[str]:
        """The contents as lines of text."""
        told = ["This goes out:", *(f"  {name:18} {what}" for name, what in self.files)]
        if self.own_columns:
            told.append(f"Columns of your own that go along: {', '.join(self.own_columns)}.")
        told.append(f"This stays behind: {'; '.join(self.behind)}.")
        if self.to_look_at:
            told += ["Look whether this should go out:", *(f"  {problem}" for problem in self.to_look_at)]
        return told


def needed_columns(claims: list[Any], notes: pd.DataFrame, left: tuple[str, ...]) -> list[Problem]:
    """Claims that name a column which stays behind: its verdict could not be computed again."""
    problems = []
    for claim in claims:
        c = claim.contrast
        named = " ".join([claim.outcome, c.column, c.across, *claim.adjust, *claim.crossed, claim.filter])
        words = set(re.findall(r"\w+", named))
        for name in left:
            if name in words and name in notes:
                what = "of your disk's paths" if name in PATH_COLUMNS else "of remarks"
                repair = "Copy what is needed into a column of another name, and claim on that"
                if name in REMARKS:
                    repair = "Pack with --remarks, or copy what is needed into a column of another name"
                message = f"claim {claim.id} needs a column {what}, which stays behind"
                problems.append(Problem(message, CLAIMS_FILE, column=name, repair=repair))
    return problems


def told_files(folder: Path, parts: Parts) -> Iterator[tuple[str, str]]:
    """Yield each file that is there, and what is in it."""
    sizes = {
        NOTES: f"{plural(len(parts.notes), 'note')}, {plural(parts.notes.shape[1], 'column')}: ",
        RECORDINGS: f"{plural(len(parts.recordings), 'recording')}: ",
        CLAIMS_FILE: f"{plural(len(parts.claims), 'claim')}: ",
        EDITS_NAME: f"{plural(len(parts.edits), 'decision')}: ",
    }
    for name, what in FILES.items():
        if (folder / name).exists():
            yield name, sizes.get(name, "") + what


def own_columns(parts: Parts) -> list[str]:
    """Return the columns of the user's own."""
    tool = (*MANIFEST_COLUMNS, *NOTE_COLUMNS, *RECORDING_COLUMNS, *PROVENANCE_COLUMNS)
    known = {column.name for column in tool}
    known |= {f"{column.name}_manifest" for column in MANIFEST_COLUMNS}  # beside what was measured
    return [str(name) for name in dict.fromkeys([*parts.notes, *parts.recordings]) if name not in known]


def left_behind(
    notes: pd.DataFrame, recordings: pd.DataFrame, left: tuple[str, ...], listeners: int, said: int
) -> Iterator[str]:
    """Yield what stays behind, in words."""
    yield "the sound, and every path"
    there = [
        name
        for name in left
        if name in REMARKS and any(t[name].notna().any() for t in (notes, recordings) if name in t)
    ]
    if there:
        yield f"the columns {', '.join(there)} (--remarks lets them go along)"
    if listeners:
        yield f"names of {plural(listeners, 'listener')}, and the times of day when they decided"
    if said and "comment" in left:
        yield f"{plural(said, 'remark')} of listeners (--remarks lets them go along)"


def told_names(frame: pd.DataFrame, file: str, first_row: int) -> Iterator[Problem]:
    """Cells in which the user's login name or the computer's name stands, the first of each column."""
    try:
        login = getpass.getuser()
    except (OSError, KeyError):  # a user without a name
        login = ""
    names = {"login name": login, "computer's name": platform.node()}
    for called, word in names.items():
        if len(word) < 3:
            continue
        pattern = re.compile(rf"(?<!\w){re.escape(word)}(?!\w)", re.IGNORECASE)
        for name in frame:
            rows = (row for row, text in _texts(frame[name], first_row) if pattern.search(text))
            if (row := next(rows, None)) is not None:
                told = f"your {called} stands here"
                yield Problem(told, file, row, str(name), word, "Take it out if it is one")


def _texts(values: pd.Series, first_row: int) -> Iterator[tuple[int, str]]:
    if pd.api.types.is_string_dtype(values) or values.dtype == object:
        yield from enumerate(values.astype("string").fillna(""), first_row)


def sound_names(recordings: pd.DataFrame) -> set[str]:
    """Names of the sound files, as the manifest has them and without their folder."""
    names: set[str] = set()
    for column in PATH_COLUMNS:
        for text in recordings[column].dropna().astype(str) if column in recordings else ():
            names |= {text, PurePosixPath(text.replace("\\", "/")).name}
    return {name for name in names if name.lower().endswith(SOUND_ENDINGS)}


def told_paths(frame: pd.DataFrame, file: str, sounds: set[str], first_row: int = 2) -> list[Problem]:
    """Cells in which a path of a disk or the name of a sound file stands, the first of each column."""
    problems = []
    home = str(Path.home())
    for name in frame:
        for row, text in _texts(frame[name], first_row):
            hit = DISK_PATH.search(text)
            bad = hit.group() if hit else next((s for s in (*sounds, home) if len(s) > 1 and s in text), "")
            if bad:
                repair = "Take it out of the manifest or the claims, and run 'vibstudy measure' again"
                told = "a path of your disk would be given away"
                problems.append(Problem(told, file, row, str(name), bad, repair))
                break
    return problems
