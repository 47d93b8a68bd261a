"""With what the figures of a study were measured: its settings, and the versions of what computed them.

A study joined from packages (:mod:`vibstudy.paper.pool`) was measured elsewhere, by the settings and versions
of each package: they lie in its folder :data:`FOLDER`, one file a study. What differs between them is told as
what it is, several values; who reads "45 or 60" is told that each is that of some of the studies.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from vibstudy.corpus.atomic import write_json
from vibstudy.paper.assemble import environment
from vibstudy.paper.book import SEVERAL
from vibstudy.paper.parts import read_environment

FOLDER = "measured-with"
STUDY = "study"
"""The column, and the random factor, that tells joined studies apart."""


def keep_origins(folder: Path, environments: Mapping[str, Mapping[str, Any]]) -> None:
    """Write settings and versions of each joined study into the study folder."""
    (folder / FOLDER).mkdir(parents=True)
    for study, own in environments.items():
        write_json(folder / FOLDER / f"{study}.json", dict(own))


def origins(folder: Path) -> dict[str, dict[str, Any]]:
    """Settings and versions by joined study; under the name "" those of a study measured here."""
    files = sorted((folder / FOLDER).glob("*.json"))
    return {path.stem: read_environment(path) for path in files} or {"": environment(folder)}


def joined_by(folder: Path) -> tuple[str, ...]:
    """Return the random factor that joined studies add to every model; none of a study measured here."""
    return (STUDY,) if (folder / FOLDER).is_dir() else ()


def together(folder: Path, found: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """Settings and versions as one, with all values of what differs; libraries of this computer counted in.

    Parameters
    ----------
    folder : path
        Study folder.
    found : mapping
        From :func:`origins`.
    """
    here = environment(folder)
    every = list(found.values())
    computed = [*(own["libraries"] for own in every), here["libraries"]]  # the models are this computer's
    return {
        **here,
        "python": _values([*(own["python"] for own in every), here["python"]]),
        "method_version": _values(own["method_version"] for own in every),
        "libraries": {
            name: _values(own[name] for own in computed if name in own)
            for name in dict.fromkeys(name for own in computed for name in own)
        },
        "settings": {name: _values(own["settings"][name] for own in every) for name in every[0]["settings"]},
    }


def differing(found: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """Names of the settings in which joined studies differ."""
    every = [own["settings"] for own in found.values()]
    return [name for name in every[0] if any(own[name] != every[0][name] for own in every)]


def settings_of(found: Mapping[str, Mapping[str, Any]], recordings: pd.DataFrame) -> list[Mapping[str, Any]]:
    """Settings with which each recording was measured, in their order."""
    if STUDY not in recordings or "" in found:
        return [next(iter(found.values()))["settings"]] * len(recordings)
    return [found[str(name)]["settings"] for name in recordings[STUDY]]


def _values(found: Iterable[Any]) -> Any:
    """The value, where all agree; else all of them, as text."""
    alike = list(dict.fromkeys(found))
    if len(alike) == 1:
        return alike[0]
    return SEVERAL.join(f"{value:g}" if isinstance(value, float) else str(value) for value in alike)
