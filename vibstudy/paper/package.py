"""A study without its sound: a Frictionless data package, and how to check one.

What is in it stands in :data:`FILES`. There is no sound in it, and no path: columns that name files are
left out, and a cell in which a path of a disk, or the name of a sound file, still stands is told before
anything is written.

Checking re-reads the tables, compares every hash, fits the models and tests the claims again, and
compares every figure with what the package says.

References
----------
Frictionless Data Package 1.0, https://specs.frictionlessdata.io/data-package/ (open standard).
Citation File Format 1.2.0, https://citation-file-format.github.io (open standard).
"""

from __future__ import annotations

import json
import platform
import re
import shutil
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
import pandas as pd

from vibstudy import __version__
from vibstudy.corpus.files import sha256_of
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
from vibstudy.errors import Problem, VibstudyError
from vibstudy.figures.data import vibrato_notes
from vibstudy.schema import NOTE_COLUMNS, PROVENANCE_COLUMNS, RECORDING_COLUMNS, table_schema
from vibstudy.stats.claims import CLAIMS_FILE, hashes_of, judge_claims, log_new, read_claims
from vibstudy.stats.ledger import FILE_NAME as LOG_FILE
from vibstudy.stats.ledger import Ledger
from vibstudy.study import formula

FILES = {
    "notes.csv": "every note, with the tags of its recording",
    "recordings.csv": "every recording; sound files are known by their hash alone",
    "claims.toml": "the claims as they were written",
    "claims.csv": "their verdicts, with every figure",
    "claims_log.csv": "when each claim was written",
    "models.csv": "mixed models of rate and of log extent on decade and region",
    "edits.csv": "what listeners decided",
    "environment.json": "settings, and versions of everything that computed a figure",
    "CITATION.cff": "how to cite the data (Citation File Format 1.2.0)",
    "LICENCE.txt": "what others may do with the data",
    "README.txt": "what is what",
    "datapackage.json": "descriptor: tables, columns, units, hashes",
}
"""Files of a package; claims, models and edits only where the study has them."""

PATH_COLUMNS = ("path", "audio_path", "score_path", "notes_path")
"""Columns that name files of the user's disk."""

SOUND_ENDINGS = (".wav", ".flac", ".mp3", ".ogg", ".aif", ".aiff", ".m4a", ".opus", ".mp4")

LICENCES = {
    "CC-BY-4.0": ("Creative Commons Attribution 4.0", "https://creativecommons.org/licenses/by/4.0/"),
    "CC0-1.0": ("Creative Commons Zero 1.0", "https://creativecommons.org/publicdomain/zero/1.0/"),
    "ODC-By-1.0": ("Open Data Commons Attribution 1.0", "https://opendatacommons.org/licenses/by/1-0/"),
}
"""Licences for data (SPDX names)."""

COMPUTING = (
    "numpy", "scipy", "pandas", "pyarrow", "librosa", "soundfile", "soxr", "swift-f0", "onnxruntime",
    "mixedlm", "statsmodels", "matplotlib",
)  # fmt: skip
"""Libraries whose versions may change a figure."""

MODELS = {"rate": "rate_hz", "extent": "log(extent_cents)"}
TOLERANCE = 1e-4
"""Relative difference up to which a figure counts as the same on another machine."""

_DISK_PATH = re.compile(
    r"(?<![\w.:/])(?:/(?:[\w.~-]+/)+[\w.~-]*|~/[\w.~-]+|[A-Za-z]:[\\/][^\s\"']+|\\\\[^\s\"']+)"
)
_FIGURES = ("estimate", "low", "high", "p", "p_holm", "df", "se", "t", "players", "recordings", "notes")


@dataclass(frozen=True)
class About:
    """What is said of the data.

    Parameters
    ----------
    title, author : str
        For the citation.
    licence : str
        SPDX name.
    """

    title: str = "Vibrato measured note by note"
    author: str = ""
    licence: str = "CC-BY-4.0"


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


def judged(folder: Path, claims_file: Path, log_file: Path) -> pd.DataFrame:
    """Return the verdicts on the claims of a file, from the tables of a folder."""
    ledger = Ledger(log_file) if log_file.exists() else None
    hashes = hashes_of(read_recordings(folder))
    return judge_claims(read_claims(claims_file), read_notes(folder), ledger, hashes)


def make_package(study: str | Path, out: str | Path, about: About | None = None) -> list[Path]:
    """Write the package of a measured study.

    Parameters
    ----------
    study : path
        Study folder.
    out : path
        Folder to make; an earlier package there is replaced.
    about : About | None

    Returns
    -------
    list of Path
        The files.

    Raises
    ------
    VibstudyError
        When nothing is measured, a cell holds a path, or `out` is another folder. Nothing is written.
    """
    study, out, about = Path(study), Path(out), about or About()
    notes = read_notes(study).drop(columns=list(PATH_COLUMNS), errors="ignore")
    recordings = read_recordings(study)
    sounds = _sound_names(recordings)
    recordings = recordings.drop(columns=list(PATH_COLUMNS), errors="ignore")
    if out.exists() and (not (out / "datapackage.json").is_file() or (out / "results").exists()):
        raise VibstudyError(
            Problem(
                "this folder is there already, and is no package", str(out), repair="Name another with --out"
            )
        )
    if (study / CLAIMS_FILE).is_file():  # the log goes along: it holds every recording and claim
        log_new(study, read_claims(study / CLAIMS_FILE), hashes_of(recordings))
    problems = [*_told_paths(notes, "notes.csv", sounds), *_told_paths(recordings, "recordings.csv", sounds)]
    texts = {
        name: source.read_text(encoding="utf-8")
        for name, source in (
            (CLAIMS_FILE, study / CLAIMS_FILE),
            (LOG_FILE, study / "results" / LOG_FILE),
            ("edits.csv", study / "edits.csv"),
        )
        if source.is_file()
    }
    for name, text in texts.items():
        problems += _told_paths(pd.DataFrame({"": text.splitlines()}), name, sounds, first_row=1)
    if problems:
        raise VibstudyError(problems)
    draft = out.with_name(out.name + TEMPORARY)
    shutil.rmtree(draft, ignore_errors=True)
    try:
        draft.mkdir(parents=True)
        _write_all(draft, notes, recordings, texts, study, about)
        if out.exists():
            shutil.rmtree(out)
        draft.rename(out)
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    return sorted(out.iterdir())


def _write_all(
    folder: Path,
    notes: pd.DataFrame,
    recordings: pd.DataFrame,
    texts: Mapping[str, str],
    study: Path,
    about: About,
) -> None:
    schemas = {
        "notes.csv": write_frame(folder / "notes.csv", notes, (*NOTE_COLUMNS, *PROVENANCE_COLUMNS)),
        "recordings.csv": write_frame(
            folder / "recordings.csv", recordings, (*RECORDING_COLUMNS, *PROVENANCE_COLUMNS)
        ),
    }
    write_package(folder, schemas)
    for name, text in texts.items():
        _write_text(folder / name, text)
    further = {}
    # from the tables as written: whoever checks the package starts from the same figures
    models = standard_models(read_notes(folder))
    if len(models):
        further["models.csv"] = models
    if CLAIMS_FILE in texts:
        claims = judged(folder, folder / CLAIMS_FILE, folder / LOG_FILE)
        if len(claims):
            further["claims.csv"] = claims
    for name, table in further.items():
        write_frame(folder / name, table)
    write_json(folder / "environment.json", environment(study))
    _write_text(folder / "CITATION.cff", citation(about))
    _write_text(folder / "LICENCE.txt", _licence_text(about.licence))
    _write_text(folder / "README.txt", _readme(folder, about))
    _describe(folder, further, about)


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
        "contributors": [{"title": about.author or "Author not named", "role": "author"}],
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
        f"  - name: {quoted(about.author or 'Author not named', ensure_ascii=False)}\n"
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
        if not (pd.api.types.is_string_dtype(frame[name]) or frame[name].dtype == object):
            continue
        for row, text in enumerate(frame[name].astype("string").fillna(""), first_row):
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


# --- checking


@dataclass(frozen=True, eq=False)
class Verification:
    """What checking a package found.

    Parameters
    ----------
    figures : DataFrame
        ``table, row, figure, stored, again, relative``: every figure compared.
    problems : list of Problem
        What does not agree; empty when all does.
    """

    figures: pd.DataFrame
    problems: list[Problem]


def verify_package(folder: str | Path) -> Verification:
    """Compare every hash, fit the models and test the claims again, compare every figure.

    Raises
    ------
    VibstudyError
        When there is no package.
    """
    folder = Path(folder)
    try:
        descriptor = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
        resources = {resource["path"]: resource for resource in descriptor["resources"]}
    except (OSError, ValueError, KeyError, TypeError):
        raise VibstudyError(
            Problem("there is no data package here", str(folder), repair="'vibstudy package' makes one")
        ) from None
    problems = []
    for name, resource in resources.items():
        path = folder / name
        if not path.is_file():
            problems.append(Problem("this file is missing", name))
        elif resource.get("hash") != f"sha256:{sha256_of(path)}":
            problems.append(Problem("this file is not as it was packed", name, repair="Fetch it again"))
    found: list[pd.DataFrame] = []
    present = {name for name in resources if (folder / name).is_file()}
    if {"notes.csv", "recordings.csv"} <= present:
        if "models.csv" in present:
            again = standard_models(read_notes(folder))
            found.append(_compare(folder / "models.csv", again, ("model", "term")))
        if {"claims.csv", CLAIMS_FILE} <= present:
            again = judged(folder, folder / CLAIMS_FILE, folder / LOG_FILE)
            found.append(_compare(folder / "claims.csv", again, ("claim",)))
    figures = pd.concat(found, ignore_index=True) if found else pd.DataFrame()
    for row in figures[~figures["relative"].le(TOLERANCE)].to_dict("records") if len(figures) else ():
        message = f"{row['row']}: {row['figure']} comes out as {row['again']}"
        problems.append(Problem(message, row["table"], got=str(row["stored"])))
    return Verification(figures, problems)


def _compare(path: Path, again: pd.DataFrame, keys: tuple[str, ...]) -> pd.DataFrame:
    """Every figure and verdict of a stored table beside the new one."""
    stored = pd.read_csv(path, encoding="utf-8", keep_default_na=False, na_values=[""])
    before, after = ({_key(row, keys): row for row in t.to_dict("records")} for t in (stored, again))
    rows = []
    for key in {**before, **after}:
        for figure in (*_FIGURES, "verdict"):
            if figure in stored:
                old, new = (side.get(key, {}).get(figure, np.nan) for side in (before, after))
                rows.append((path.name, key, figure, old, new, _relative(old, new)))
    return pd.DataFrame(rows, columns=["table", "row", "figure", "stored", "again", "relative"])


def _key(row: Mapping[Any, Any], keys: tuple[str, ...]) -> str:
    return " ".join(str(row[key]) for key in keys)


def _relative(old: Any, new: Any) -> float:
    if isinstance(old, str) or isinstance(new, str):
        return 0.0 if old == new else np.inf
    if pd.isna(old) and pd.isna(new):
        return 0.0
    if pd.isna(old) or pd.isna(new):
        return np.inf
    return abs(float(new) - float(old)) / max(abs(float(old)), 1e-12)
