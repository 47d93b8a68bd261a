"""The first look at a study: one page, made in seconds at the end of measuring.

It shows rate against extent of the players measured so far, how many notes of each player could be used and
of how many that is, and what to do next. It is a look, not a result: nothing is tested here, and the page
says so. ``first-look.html`` asks for nothing from a network and runs no script; all texts of the manifest are
escaped. It is put in its place whole; where it cannot be made (nobody has vibrato yet), it says why.
"""

from __future__ import annotations

from base64 import b64encode
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import pandas as pd

from vibstudy import __version__
from vibstudy.corpus.atomic import write_text
from vibstudy.corpus.results import is_demo, read_log, read_notes
from vibstudy.errors import VibstudyError, first_of
from vibstudy.figures.data import assessable_notes, measured_counts
from vibstudy.figures.plane import rate_extent_plane
from vibstudy.figures.quantities import player_means
from vibstudy.pages import FIRST_LOOK
from vibstudy.pages.html import templates
from vibstudy.stats.selection import is_usable

FEW_PLAYERS = 8
"""Fewer players than this, and most comparisons of groups stay undecided (``vibstudy.stats.power``)."""
_DPI = 150


@dataclass(frozen=True)
class Picture:
    """A figure inside the page: PNG as base64, and its caption."""

    data: str
    caption: str


@dataclass(frozen=True)
class PlayerRow:
    """What is measured of a player: counts, and the means of the frame of results (NaN: none)."""

    player: str
    recordings: int
    notes: int
    long_enough: int
    with_vibrato: int
    usable: int
    rate_hz: float
    extent_cents: float


def write_first_look(results: str | Path, study_name: str = "") -> Path:
    """Write ``first-look.html`` into the results.

    Parameters
    ----------
    results : path
        Results folder, measured.
    study_name : str
        Heading; the name of the folder above when "".

    Returns
    -------
    Path
        The page.

    Raises
    ------
    VibstudyError
        When nothing was measured.
    """
    folder = Path(results)
    notes = read_notes(folder)
    log = read_log(folder)
    failed = log[log["success"].eq(False).fillna(False)]
    page = folder / FIRST_LOOK
    text = templates().get_template("first_look.html").render(
        name=study_name or folder.absolute().parent.name,
        demo=is_demo(folder.absolute().parent),
        picture=_picture(notes),
        rows=player_rows(notes),
        failed=list(zip(failed["recording_id"], failed["message"], strict=True)),
        steps=next_steps(notes, len(failed)),
        version=__version__,
    )  # fmt: skip
    write_text(page, text)
    return page


def renewed_first_look(results: str | Path, changed: bool) -> Path | None:
    """The page, written when something `changed` or there is none; None when nothing was measured."""
    page = Path(results) / FIRST_LOOK
    if page.is_file() and not changed:
        return page
    try:
        return write_first_look(results)
    except VibstudyError:
        return None


def _picture(notes: pd.DataFrame) -> Picture | str:
    """The figure, or why there is none."""
    try:
        figure, _ = rate_extent_plane(notes, outlines=False)
    except VibstudyError as error:
        return str(error)
    stream = BytesIO()
    figure.savefig(stream, format="png", dpi=_DPI)
    return Picture(b64encode(stream.getvalue()).decode(), figure.caption)


def player_rows(notes: pd.DataFrame) -> list[PlayerRow]:
    """One row a player, in alphabetical order; a player without vibrato is a row, too."""
    if notes.empty:
        return []
    counts = measured_counts(notes, "player").sort_values("player")
    rates, extents = (
        player_means(notes, outcome)["value"].reindex(counts["player"])
        for outcome in ("rate_hz", "extent_cents")
    )
    return [
        PlayerRow(**{str(name): count for name, count in row.items()}, rate_hz=rate, extent_cents=extent)
        for row, rate, extent in zip(counts.to_dict("records"), rates, extents, strict=True)
    ]


def next_steps(notes: pd.DataFrame, failed: int) -> list[tuple[str, str]]:
    """What to do next: a command and why, the most pressing first."""
    steps = []
    if failed:
        steps.append(("vibstudy status", "what failed, and why"))
    look = "look at each recording: is the line on the soloist?"
    recordings = notes["recording_id"].astype(str)
    used = set(recordings[is_usable(notes)])
    if bare := [name for name in dict.fromkeys(recordings) if name not in used]:
        look += f" No note can be used of: {first_of(bare, 5)}"
    steps.append(("vibstudy pages", look))
    if len(assessable_notes(notes)):
        steps.append(("vibstudy review", "hear a sample of the notes, accept or correct them"))
    steps.append(("vibstudy lab", "read the notebooks, beginning with 01"))
    players = notes["player"].nunique() if "player" in notes else 0
    if players < FEW_PLAYERS:
        steps.append(("", f"Add players: with {players}, most comparisons will stay undecided"))
    steps.append(("vibstudy claims", "once your claims are written down, test them"))
    return steps
