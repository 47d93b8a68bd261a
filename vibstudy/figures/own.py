"""The user's own titles, labels and sizes of figures, and the group that is compared: ``figures.toml``.

::

    group = "school"             # what is compared beside the decades: a column of the manifest whose
                                 # cells are words; region when nothing is said

    [rate_and_extent]            # a figure, by the name of its file
    title = "Rate and extent"
    x = "Pulses a second"
    y = "Width"
    width_mm = 120               # 40 to 400; letters keep their size
    height_mm = 90

A file is needed only for what is to be otherwise. All texts are data: none is read as markup or mathematics.
A figure with several labelled axes keeps its own labels.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import pandas as pd
from pandas.api.types import is_numeric_dtype

from vibstudy.corpus.settings import read_toml
from vibstudy.errors import Problem, nearest, raise_any
from vibstudy.figures.style import HouseFigure
from vibstudy.schema import NOTE_COLUMNS, RECORDING_COLUMNS

FILE_NAME = "figures.toml"
DEFAULT_GROUP = "region"
FIGURES = (
    "coverage", "claims", "effects", "rate_and_extent", "rate_over_decades", "extent_over_decades",
    "extent_by_period_and_region", "portraits", "vibrato_by_length", "usage_by_player", "along_a_phrase",
    "intensity_and_pitch", "model_check", "power", "measured_against_truth",
)  # fmt: skip
"""Figures by name; those that ask a claim in many ways are named ``ways_1_ID``."""

SMALLEST_MM, LARGEST_MM = 40.0, 400.0
"""From half a column of a journal to the long side of A3."""

MOST_LETTERS = 200
"""A longer title or label is a caption, and would not fit."""


_NO_GROUPS = {
    "player",
    "decade",
    "path",
    "score_path",
    "notes_path",
    "comment",
    "tracker",
    "vibstudy_version",
}
"""Columns of words that are compared by themselves, or say nothing of how one plays."""


@dataclass(frozen=True)
class OwnFigure:
    """What is otherwise in one figure; None: as it is drawn."""

    title: str | None = None
    x: str | None = None
    y: str | None = None
    width_mm: float | None = None
    height_mm: float | None = None


@dataclass(frozen=True)
class Own:
    """What ``figures.toml`` says."""

    group: str = DEFAULT_GROUP
    figures: dict[str, OwnFigure] = field(default_factory=dict)


def read_own(folder: str | Path, notes: pd.DataFrame) -> Own:
    """Read the ``figures.toml`` of a study; what it does not say is as ever.

    Parameters
    ----------
    folder : path
        Study folder.
    notes : DataFrame
        The note table, with the manifest's columns, one of which `group` must be.

    Raises
    ------
    VibstudyError
        With every unknown key, wrong kind of value, and size out of range.
    """
    file = Path(folder) / FILE_NAME
    if not file.is_file():
        return Own()
    content = read_toml(
        file, "settings of figures", "Leave it out to draw figures as they are", 'title = "…" below [FIGURE]'
    )
    problems: list[Problem] = []
    group = content.pop("group", DEFAULT_GROUP)
    if not isinstance(group, str) or not group.strip():
        problems.append(_problem(file, "group", "is the name of a column in quotation marks", group))
    elif group != DEFAULT_GROUP and group not in (found := _groups(notes)):
        repair = nearest(group, found) or f"It may be {', '.join(found)}"
        what = "is no column of the manifest that parts the players by words"
        problems.append(_problem(file, "group", what, group, repair))
    figures = {}
    for name, table in content.items():
        if not isinstance(table, dict):
            repair = nearest(name, ["group"]) or "Keys stand below the name of a figure in brackets"
            problems.append(_problem(file, name, "no such key", table, repair))
        elif name not in FIGURES and not name.startswith("ways_"):
            repair = nearest(name, FIGURES) or f"Figures are {', '.join(FIGURES)}"
            problems.append(_problem(file, name, "there is no such figure", name, repair))
        else:
            figures[name] = _figure(file, name, table, problems)
    raise_any(problems)
    return Own(group, figures)


def _groups(notes: pd.DataFrame) -> list[str]:
    """Columns of the manifest that may be compared: words that several recordings share."""
    ours = {column.name for column in (*NOTE_COLUMNS, *RECORDING_COLUMNS)} | _NO_GROUPS
    return [str(name) for name in notes if name not in ours and not is_numeric_dtype(notes[name].dtype)]


def _figure(file: Path, name: str, table: dict[str, Any], problems: list[Problem]) -> OwnFigure:
    known = [item.name for item in fields(OwnFigure)]
    good: dict[str, Any] = {}
    for key, value in table.items():
        where = f"{name}.{key}"
        if key not in known:
            repair = nearest(key, known) or f"Keys are {', '.join(known)}"
            problems.append(_problem(file, where, "no such key", key, repair))
        elif key.endswith("_mm"):
            fits = isinstance(value, int | float) and not isinstance(value, bool)
            if fits and SMALLEST_MM <= value <= LARGEST_MM:
                good[key] = float(value)
            else:
                what = f"is a number from {SMALLEST_MM:.0f} to {LARGEST_MM:.0f}"
                problems.append(_problem(file, where, what, value))
        elif isinstance(value, str) and len(value) <= MOST_LETTERS and value.isprintable():
            good[key] = value
        else:
            what = f"is a text in one line, in quotation marks, of at most {MOST_LETTERS} letters"
            problems.append(_problem(file, where, what, value))
    return OwnFigure(**good)


def _problem(file: Path, key: str, what: str, got: Any, repair: str = "") -> Problem:
    return Problem(what, str(file), column=key, got=str(got)[:60], repair=repair)


def put_on(figure: HouseFigure, own: OwnFigure | None) -> HouseFigure:
    """Put the user's title, labels and size on a figure."""
    if own is None:
        return figure
    if own.title is not None:
        figure.suptitle(own.title, x=0.01, ha="left")
    for text, labelled, whole in ((own.x, "x", figure._supxlabel), (own.y, "y", figure._supylabel)):  # type: ignore[attr-defined]
        if text is None:
            continue
        if whole is not None:
            whole.set_text(text)
            continue
        axes = [ax for ax in figure.axes if ax.get_visible() and getattr(ax, f"get_{labelled}label")()]
        if len({getattr(ax, f"get_{labelled}label")() for ax in axes}) == 1:
            for ax in axes:
                getattr(ax, f"set_{labelled}label")(text)
    width, height = figure.get_size_inches()
    figure.set_size_inches(
        own.width_mm / 25.4 if own.width_mm else width, own.height_mm / 25.4 if own.height_mm else height
    )
    return figure
