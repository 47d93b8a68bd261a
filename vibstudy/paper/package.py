"""A study without its sound: a Frictionless data package for others.

What is in it stands in :data:`FILES`. There is no sound in it, and no path: columns that name files are
left out, and a cell in which a path of a disk, or the name of a sound file, still stands is told before
anything is written.

What stays behind
    Paths. The manifest's ``comment`` and the labels of note lists made by hand (:data:`REMARKS`), and what
    listeners wrote of their decisions, unless asked for. Always: remarks in ``claims.toml``, and who the
    listeners are: they become "listener 1", "listener 2", in the order of their first decision. Of the time
    of a decision only the date is kept; the clock of ``edits.csv`` counts decisions in millionths of a
    second.
Everything in a package follows from its parts (:mod:`vibstudy.paper.parts`) by :func:`write_parts`, which
is how :mod:`vibstudy.paper.verify` checks one.

References
----------
Frictionless Data Package 1.0, https://specs.frictionlessdata.io/data-package/ (open standard).
Citation File Format 1.2.0, https://citation-file-format.github.io (open standard).
"""

from __future__ import annotations

import getpass
import json
import platform
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path, PurePosixPath
from typing import Any

import pandas as pd

from vibstudy import __version__
from vibstudy.corpus.files import sha256_of
from vibstudy.corpus.outside import as_text, read_bytes
from vibstudy.corpus.settings import load_settings
from vibstudy.corpus.store import METHOD_VERSION
from vibstudy.corpus.tables import (
    TEMPORARY,
    read_notes,
    read_recordings,
    replacing,
    write_frame,
    write_json,
    write_package,
)
from vibstudy.decisions.apply import edit_files
from vibstudy.decisions.edits import EDITS_NAME, Edit, edits_text, merge_edits, read_edits
from vibstudy.errors import Problem, VibstudyError
from vibstudy.figures.data import plural, vibrato_notes
from vibstudy.paper.parts import (
    ENVIRONMENT,
    NOTES,
    PATH_COLUMNS,
    RECORDINGS,
    About,
    Parts,
    numbered,
    read_parts,
)
from vibstudy.schema import (
    MANIFEST_COLUMNS,
    NOTE_COLUMNS,
    PROVENANCE_COLUMNS,
    RECORDING_COLUMNS,
    ROOM_COLUMNS,
    table_schema,
    typed,
)
from vibstudy.stats.claimfile import claims_text
from vibstudy.stats.claims import CLAIMS_FILE, hashes_of, judge_claims, log_new, read_claims
from vibstudy.stats.ledger import FILE_NAME as LOG_FILE
from vibstudy.stats.ledger import Ledger
from vibstudy.study import formula

DESCRIPTOR = "datapackage.json"

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

ALWAYS = (NOTES, RECORDINGS, ENVIRONMENT, "CITATION.cff", "LICENCE.txt", "README.txt", DESCRIPTOR)
"""Files that every package has."""

REMARKS = ("comment", "note_label")
"""Columns of free words, which stay behind unless asked for."""
UNNAMED = "Author not named"

SOUND_ENDINGS = (".wav", ".flac", ".mp3", ".ogg", ".aif", ".aiff", ".m4a", ".opus", ".mp4")

LICENCES = {
    "CC-BY-4.0": ("Creative Commons Attribution 4.0", "https://creativecommons.org/licenses/by/4.0/"),
    "CC0-1.0": ("Creative Commons Zero 1.0", "https://creativecommons.org/publicdomain/zero/1.0/"),
    "ODC-By-1.0": ("Open Data Commons Attribution 1.0", "https://opendatacommons.org/licenses/by/1-0/"),
}
"""Licences for data (SPDX names)."""

COMPUTING = (
    "numpy", "scipy", "pandas", "pyarrow", "librosa", "soundfile", "soxr", "swift-f0", "onnxruntime",
    "statsmodels", "matplotlib",
)  # fmt: skip
"""Libraries whose versions may change a figure."""

MODELS = {"rate": "rate_hz", "extent": "log(extent_cents)"}

_DISK_PATH = re.compile(
    r"(?<![\w.:/])(?:/(?:[\w.~-]+/)+[\w.~-]*|~/[\w.~-]+|[A-Za-z]:[\\/][^\s\"']+|\\\\[^\s\"']+)"
)


def environment(study: Path) -> dict[str, Any]:
    """Return settings and versions of everything that computed a figure."""
    versions = {}
    for name in COMPUTING:
        try:
            versions[name] = version(name)
        except PackageNotFoundError:
            continue
    return {
        "vibstudy": __version__,
        "method_version": METHOD_VERSION,
        "python": platform.python_version(),
        "system": f"{platform.system()} {platform.machine()}",
        "libraries": versions,
        "settings": asdict(load_settings(study)),
        "seeds": "none: nothing in measuring, models or claims is drawn by lot",
    }


def standard_models(notes: pd.DataFrame) -> pd.DataFrame:
    """Fit rate and log extent on decade and region; one row a term.

    Returns
    -------
    DataFrame
        ``model, formula, term, estimate, se, df, t, p, low, high, players, recordings, notes``; empty
        where the study is too small for a model.
    """
    from vibstudy.stats import fit_mixed

    rows = []
    used = vibrato_notes(notes)
    counts = {
        "players": used["player"].nunique(),
        "recordings": used["recording_id"].nunique(),
        "notes": len(used),
    }
    for name, outcome in MODELS.items():
        if used.empty:
            continue
        text = formula(outcome, used, ("decade", "region"))
        try:
            table = fit_mixed(used, text).table()
        except VibstudyError:
            continue
        for term, row in table.iterrows():
            figures = {key: float(row[key]) for key in ("estimate", "se", "df", "t", "p", "low", "high")}
            rows.append({"model": name, "formula": text, "term": str(term), **figures, **counts})
    return pd.DataFrame(rows)


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
        Let remarks of listeners and the columns :data:`REMARKS` go along.
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
        raise VibstudyError(Problem(message, got=unseen[0][:80], repair="Write it in one line"))
    left = PATH_COLUMNS if remarks else (*PATH_COLUMNS, *REMARKS)
    claims = read_claims(study / CLAIMS_FILE) if (study / CLAIMS_FILE).is_file() else []
    problems = _told_needed(claims, notes, left)
    if claims:  # the log goes along: it holds every recording and claim
        log_new(study, claims, recordings, notes)
    edits, listeners, said, unreadable = _anonymous(study, set(recordings["recording_id"]), remarks)
    sounds = _sound_names(recordings)
    with tempfile.TemporaryDirectory(prefix="vibstudy-") as name:
        raw = Path(name)
        _write_frame(
            raw / NOTES, notes.drop(columns=list(left), errors="ignore"), (*NOTE_COLUMNS, *ROOM_COLUMNS)
        )
        spoken = _without_file_names(recordings).drop(columns=list(left), errors="ignore")
        _write_frame(raw / RECORDINGS, spoken, RECORDING_COLUMNS)
        write_json(raw / ENVIRONMENT, environment(study))
        if claims:
            _write_text(raw / CLAIMS_FILE, claims_text(claims))
            log = study / "results" / LOG_FILE
            _write_text(raw / LOG_FILE, as_text(read_bytes(log), log))
        if edits:
            _write_text(raw / EDITS_NAME, edits_text(edits))
        parts = read_parts(raw, about)
        texts = {
            path.name: path.read_text(encoding="utf-8") for path in raw.iterdir() if path.suffix != ".csv"
        }
        texts |= {
            path: (raw / path).read_text(encoding="utf-8") for path in (LOG_FILE,) if (raw / path).exists()
        }
    frames = {NOTES: (parts.notes, 2), RECORDINGS: (parts.recordings, 2)}
    frames |= {name: (pd.DataFrame({"": text.splitlines()}), 1) for name, text in texts.items()}
    if edits:
        frames[EDITS_NAME] = (pd.DataFrame([asdict(edit) for edit in parts.edits]), 2)
    frames["--title and --author"] = (pd.DataFrame({"": [about.title, about.author, about.licence]}), 1)
    for name, (frame, row) in frames.items():
        problems += _told_paths(frame, name, sounds, row)
    if problems:
        raise VibstudyError(problems)
    draft = out.with_name(out.name + TEMPORARY)
    shutil.rmtree(draft, ignore_errors=True)
    try:
        draft.mkdir(parents=True)
        write_parts(draft, parts)
        names = [p for name, (frame, row) in frames.items() for p in _told_names(frame, name, row)]
        contents = Contents(
            tuple(_told_files(draft, parts)),
            tuple(_own_columns(parts)),
            tuple(_behind(notes, recordings, left, listeners, said)),
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
            Problem(
                "this folder is there already, and is no package", str(out), repair="Name another with --out"
            )
        )


def _write_frame(path: Path, frame: pd.DataFrame, columns: Any) -> None:
    write_frame(path, typed(frame, columns), (*columns, *PROVENANCE_COLUMNS))


def _told_needed(claims: list[Any], notes: pd.DataFrame, left: tuple[str, ...]) -> list[Problem]:
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
        out.append(
            replace(
                numbered(edit, number),
                who=who,
                value=value,
                why=edit.why if remarks else "",
            )
        )
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


def _told_files(folder: Path, parts: Parts) -> Iterator[tuple[str, str]]:
    sizes = {
        NOTES: f"{plural(len(parts.notes), 'note')}, {plural(parts.notes.shape[1], 'column')}: ",
        RECORDINGS: f"{plural(len(parts.recordings), 'recording')}: ",
        CLAIMS_FILE: f"{plural(len(parts.claims), 'claim')}: ",
        EDITS_NAME: f"{plural(len(parts.edits), 'decision')}: ",
    }
    for name, what in FILES.items():
        if (folder / name).exists():
            yield name, sizes.get(name, "") + what


def _own_columns(parts: Parts) -> list[str]:
    tool = (*MANIFEST_COLUMNS, *NOTE_COLUMNS, *RECORDING_COLUMNS, *PROVENANCE_COLUMNS)
    known = {column.name for column in tool}
    return [str(name) for name in dict.fromkeys([*parts.notes, *parts.recordings]) if name not in known]


def _behind(
    notes: pd.DataFrame, recordings: pd.DataFrame, left: tuple[str, ...], listeners: int, said: int
) -> Iterator[str]:
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


def _told_names(frame: pd.DataFrame, file: str, first_row: int) -> Iterator[Problem]:
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
            for row, text in _texts(frame[name], first_row):
                if pattern.search(text):
                    column = str(name)
                    yield Problem(
                        f"your {called} stands here", file, row, column, word, "Take it out if it is one"
                    )
                    break


def _texts(values: pd.Series, first_row: int) -> Iterator[tuple[int, str]]:
    if pd.api.types.is_string_dtype(values) or values.dtype == object:
        yield from enumerate(values.astype("string").fillna(""), first_row)


def write_parts(folder: Path, parts: Parts) -> None:
    """Write a whole package from its parts.

    Raises
    ------
    VibstudyError
        When a claim cannot be tested.
    """
    tables = {
        NOTES: (parts.notes, (*NOTE_COLUMNS, *ROOM_COLUMNS)),
        RECORDINGS: (parts.recordings, RECORDING_COLUMNS),
    }
    schemas = {
        name: write_frame(folder / name, frame, (*columns, *PROVENANCE_COLUMNS))
        for name, (frame, columns) in tables.items()
    }
    write_package(folder, schemas)
    further = {}
    models = standard_models(parts.notes)
    if len(models):
        further["models.csv"] = models
    if parts.claims:
        _write_text(folder / CLAIMS_FILE, claims_text(parts.claims))
        _write_text(folder / LOG_FILE, parts.log)
        ledger = Ledger(folder / LOG_FILE)
        further["claims.csv"] = judge_claims(parts.claims, parts.notes, ledger, hashes_of(parts.recordings))
    for name, table in further.items():
        write_frame(folder / name, table)
    if parts.edits:
        _write_text(folder / EDITS_NAME, edits_text(parts.edits))
    write_json(folder / ENVIRONMENT, parts.environment)
    _write_text(folder / "CITATION.cff", citation(parts.about))
    _write_text(folder / "LICENCE.txt", _licence_text(parts.about.licence))
    _write_text(folder / "README.txt", _readme(folder, parts.about))
    _describe(folder, further, parts.about)


def _describe(folder: Path, further: Mapping[str, pd.DataFrame], about: About) -> None:
    """Complete the descriptor: further tables and files, licence, author."""
    path = folder / "datapackage.json"
    descriptor = json.loads(path.read_text(encoding="utf-8"))
    known = {resource["path"] for resource in descriptor["resources"]}
    for file in sorted(folder.iterdir()):
        if file.name in known or file == path:
            continue
        entry: dict[str, Any] = {
            "name": file.name.lower().replace(".", "-").replace("_", "-"),
            "path": file.name,
            "bytes": file.stat().st_size,
            "hash": f"sha256:{sha256_of(file)}",
            "encoding": "utf-8",
        }
        if file.name in further:
            entry |= {
                "format": "csv",
                "mediatype": "text/csv",
                "schema": table_schema([], further[file.name]),
            }
            for item in entry["schema"]["fields"]:
                item |= {"description": "", "source": "this tool"}
        descriptor["resources"].append(entry)
    title, url = LICENCES.get(about.licence, (about.licence, ""))
    licence = {"name": about.licence, "title": title} | ({"path": url} if url else {})
    descriptor |= {
        "title": about.title,
        "licenses": [licence],
        "contributors": [{"title": about.author or UNNAMED, "role": "author"}],
    }
    write_json(path, descriptor)


def citation(about: About) -> str:
    """Return the citation file."""
    quoted = json.dumps  # a JSON string is a YAML string
    return (
        "cff-version: 1.2.0\n"
        "type: dataset\n"
        'message: "Please cite these data as below."\n'
        f"title: {quoted(about.title, ensure_ascii=False)}\n"
        "authors:\n"
        f"  - name: {quoted(about.author or UNNAMED, ensure_ascii=False)}\n"
        f"license: {quoted(about.licence)}\n"
    )


def _licence_text(licence: str) -> str:
    title, url = LICENCES.get(licence, (licence, ""))
    return (
        f"These data are under the licence: {title}{f' ({url})' if url else ''}.\n\n"
        "It covers the figures in this folder. The recordings they were measured from are not part of it; "
        "their own rights are untouched.\n"
    )


def _readme(folder: Path, about: About) -> str:
    later = ("README.txt", "datapackage.json")
    lines = [f"{name:18} {what}" for name, what in FILES.items() if name in later or (folder / name).exists()]
    return "\n".join(
        [
            about.title,
            "",
            "Data without sound, as a Frictionless data package. Extent is half of the peak-to-peak",
            "deviation (± cents). An empty cell means: not known.",
            "",
            *lines,
            "",
            "Check it: vibstudy verify FOLDER",
            "A difference between recordings that happened to be made and kept is no proof of its cause.",
            "",
        ]
    )


def _write_text(path: Path, text: str) -> None:
    with replacing(path) as stream:
        stream.write(text.encode("utf-8"))


def _sound_names(recordings: pd.DataFrame) -> set[str]:
    """Names of the sound files, as the manifest has them and without their folder."""
    names: set[str] = set()
    for column in PATH_COLUMNS:
        for text in recordings[column].dropna().astype(str) if column in recordings else ():
            names |= {text, PurePosixPath(text.replace("\\", "/")).name}
    return {name for name in names if name.lower().endswith(SOUND_ENDINGS)}


def _told_paths(frame: pd.DataFrame, file: str, sounds: set[str], first_row: int = 2) -> list[Problem]:
    """Cells in which a path of a disk or the name of a sound file stands, the first of each column."""
    problems = []
    home = str(Path.home())
    for name in frame:
        for row, text in _texts(frame[name], first_row):
            hit = _DISK_PATH.search(text)
            bad = hit.group() if hit else next((s for s in (*sounds, home) if len(s) > 1 and s in text), "")
            if bad:
                problems.append(
                    Problem(
                        "a path of your disk would be given away",
                        file,
                        row,
                        str(name),
                        bad,
                        "Take it out of the manifest or the claims, and run 'vibstudy measure' again",
                    )
                )
                break
    return problems
