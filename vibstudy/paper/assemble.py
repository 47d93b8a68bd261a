"""A package written from its parts: tables, models and verdicts, citation, licence, descriptor.

Everything in a package follows from its parts (:mod:`vibstudy.paper.parts`) by :func:`write_parts`, which
is how :mod:`vibstudy.paper.verify` checks one.

References
----------
Frictionless Data Package 1.0, https://specs.frictionlessdata.io/data-package/ (open standard).
Citation File Format 1.2.0, https://citation-file-format.github.io (open standard).
"""

from __future__ import annotations

import json
import platform
from collections.abc import Mapping
from dataclasses import asdict
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import pandas as pd

from vibstudy import __version__
from vibstudy.corpus.atomic import write_json, write_text
from vibstudy.corpus.files import sha256_of
from vibstudy.corpus.settings import load_settings
from vibstudy.corpus.store import METHOD_VERSION
from vibstudy.corpus.tables import TABLES, write_frame, write_package
from vibstudy.decisions.edits import EDITS_NAME, edits_text
from vibstudy.errors import VibstudyError
from vibstudy.figures.data import vibrato_notes
from vibstudy.paper.contents import FILES
from vibstudy.paper.parts import ENVIRONMENT, NOTES, RECORDINGS, About, Parts
from vibstudy.schema import table_schema
from vibstudy.stats.claimfile import claims_text
from vibstudy.stats.claims import CLAIMS_FILE, evaluate_claims
from vibstudy.stats.effects import add_decades
from vibstudy.stats.ledger import FILE_NAME as LOG_FILE
from vibstudy.stats.ledger import Ledger
from vibstudy.stats.logbook import hashes_of
from vibstudy.study import formula

DESCRIPTOR = "datapackage.json"
ALWAYS = (NOTES, RECORDINGS, ENVIRONMENT, "CITATION.cff", "LICENCE.txt", "README.txt", DESCRIPTOR)
"""Files that every package has."""

UNNAMED = "Author not named"
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


README = """\
{title}

Data without sound, as a Frictionless data package. Extent is half of the peak-to-peak
deviation (± cents). An empty cell means: not known.

{files}

Check it: vibstudy verify FOLDER
A difference between recordings that happened to be made and kept is no proof of its cause.
"""


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

    Decades are counted in tens of years from the middle of the corpus
    (:func:`vibstudy.stats.effects.add_decades`), so that the intercept is of that decade.

    Returns
    -------
    DataFrame
        ``model, formula, term, estimate, se, df, t, p, low, high, players, recordings, notes``; empty
        where the study is too small for a model.
    """
    from vibstudy.stats import fit_mixed

    rows = []
    used = vibrato_notes(add_decades(notes) if "decade" in notes else notes)
    players, recordings = (used[name].nunique() for name in ("player", "recording_id"))
    counts = {"players": players, "recordings": recordings, "notes": len(used)}
    for name, outcome in MODELS.items() if len(used) else ():
        text = formula(outcome, used, ("decades", "region"))
        try:
            table = fit_mixed(used, text).table()
        except VibstudyError:
            continue
        for term, row in table.iterrows():
            figures = {key: float(row[key]) for key in ("estimate", "se", "df", "t", "p", "low", "high")}
            rows.append({"model": name, "formula": text, "term": str(term), **figures, **counts})
    return pd.DataFrame(rows)


def write_parts(folder: Path, parts: Parts) -> None:
    """Write a whole package from its parts.

    Raises
    ------
    VibstudyError
        When a claim cannot be tested.
    """
    tables = {NOTES: parts.notes, RECORDINGS: parts.recordings}
    write_package(
        folder, {name: write_frame(folder / name, frame, TABLES[name][1]) for name, frame in tables.items()}
    )
    further = {}
    models = standard_models(parts.notes)
    if len(models):
        further["models.csv"] = models
    if parts.claims:
        write_text(folder / CLAIMS_FILE, claims_text(parts.claims))
        write_text(folder / LOG_FILE, parts.log)
        ledger = Ledger(folder / LOG_FILE)
        hashes = hashes_of(parts.recordings)
        further["claims.csv"] = evaluate_claims(parts.claims, parts.notes, ledger, hashes)
    for name, table in further.items():
        write_frame(folder / name, table)
    if parts.edits:
        write_text(folder / EDITS_NAME, edits_text(parts.edits))
    write_json(folder / ENVIRONMENT, parts.environment)
    write_text(folder / "CITATION.cff", citation(parts.about))
    write_text(folder / "LICENCE.txt", _licence_text(parts.about.licence))
    write_text(folder / "README.txt", _readme(folder, parts.about))
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
            schema = table_schema([], further[file.name])
            for item in schema["fields"]:
                item |= {"description": "", "source": "this tool"}
            entry |= {"format": "csv", "mediatype": "text/csv", "schema": schema}
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
    return README.format(title=about.title, files="\n".join(lines))
