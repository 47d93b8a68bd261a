"""The listening page: notes to play in a lecture, in one file that needs nothing else.

An example (:mod:`vibstudy.pages.examples`) is a note or a phrase of the study, as played and without its
vibrato (:mod:`vibstudy.playing.resynthesis`; of a phrase, each note whose vibrato can be taken away), and in
other manners where they are asked for: wider or narrower, quicker or slower, or with the typical vibrato of
another group (:mod:`vibstudy.playing.manner`). With it stand its line and a cursor that runs along it.
Sounds, lines and the little program that moves the cursor stand in the page itself: it works from a memory
stick, on a computer without a network, and asks for nothing from one (its content security policy forbids
it).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.corpus.results import read_notes
from vibstudy.errors import Problem, VibstudyError, nearest, raise_any
from vibstudy.figures.data import vibrato_notes
from vibstudy.figures.recording import telling_phrase
from vibstudy.pages.examples import PLOT, STRAIGHT, Version, make_example, make_phrase, shared_reach
from vibstudy.pages.sounding import page_of, write_sounding
from vibstudy.playing.manner import Manner, in_manner, own_manner, typical_manner
from vibstudy.playing.resynthesis import scale_vibrato
from vibstudy.stats.filters import select
from vibstudy.stats.selection import is_usable

MOST_VERSIONS = 12
"""Versions of an example: more buttons than a listener can compare, and each is a sound in the page."""


def versions_of(
    notes: pd.DataFrame,
    *,
    wider: Sequence[float] = (),
    quicker: Sequence[float] = (),
    like: Sequence[str] = (),
    seed: int = 0,
) -> dict[str, Version]:
    """Return the versions of an example, in words.

    Parameters
    ----------
    notes : DataFrame
        Note table of the study.
    wider : sequence of float [range 0..4]
        Factors of extent; the shape of the vibrato stays the player's.
    quicker : sequence of float [range 0.3..3]
        Factors of rate; the extent stays.
    like : sequence of str
        Filters (:mod:`vibstudy.stats.filters`): the typical vibrato of their notes.
    seed : int
        Of what differs from cycle to cycle in a new vibrato.

    Raises
    ------
    VibstudyError
        With every factor out of range and every filter that finds nothing, and for more than
        :data:`MOST_VERSIONS`.
    """
    limits = (("extent", wider, 0.0, 4.0), ("rate", quicker, 0.3, 3.0))
    problems = [
        Problem(
            f"a factor of {what} is outside {low:g} to {high:g}", got=f"{factor:g}", repair="Choose another"
        )
        for what, factors, low, high in limits
        for factor in factors
        if not low <= factor <= high
    ]
    count = len(wider) + len(quicker) + len(like)
    if count > MOST_VERSIONS:
        problems.append(
            Problem(
                f"{count} versions of each example; at most {MOST_VERSIONS} are made",
                repair="Choose those that a listener can keep in mind, or make several pages",
            )
        )
    used, manners = vibrato_notes(notes), {}
    for text in like:
        try:
            manners[text] = typical_manner(used[select(used, text)])
        except VibstudyError as error:
            problems += [replace(problem, got=problem.got or text) for problem in error.problems]
    raise_any(problems)

    def scaled(factor: float) -> Version:
        return lambda note: scale_vibrato(note, factor)

    def paced(factor: float) -> Version:
        return lambda note: in_manner(note, own_manner(note, factor), seed)

    def given(manner: Manner) -> Version:
        return lambda note: in_manner(note, manner, seed)

    made = dict(STRAIGHT)
    made |= {f"Vibrato {factor:g} times as wide": scaled(factor) for factor in wider}
    made |= {f"Vibrato {factor:g} times as quick": paced(factor) for factor in quicker}
    made |= {f"Like {text} ({manner.words})": given(manner) for text, manner in manners.items()}
    return made


def chosen_notes(notes: pd.DataFrame, wanted: Sequence[str], most: int) -> pd.DataFrame:
    """Return the notes named, or the longest clean vibrato note of each player, the oldest first.

    Raises
    ------
    VibstudyError
        With every name that is not there, or when no note has vibrato.
    """
    used = vibrato_notes(notes)
    if wanted:
        known = used.set_index("note_id", drop=False)
        problems = [
            Problem("there is no such note with vibrato", got=name, repair=nearest(name, list(known.index)))
            for name in wanted
            if name not in known.index
        ]
        raise_any(problems)
        return known.loc[list(wanted)].reset_index(drop=True)
    if used.empty:
        raise VibstudyError("no note of this study has a vibrato to listen to")
    clean = used[used["quality"].eq("ok").fillna(False)]
    pool = clean if len(clean) else used
    longest = pool.sort_values("duration_s", ascending=False, kind="stable").drop_duplicates("player")
    order = [name for name in ("decade", "player", "note_id") if name in longest]
    return longest.head(most).sort_values(order, ignore_index=True)


def chosen_phrases(notes: pd.DataFrame, most: int) -> list[pd.DataFrame]:
    """Return a phrase of each player (:func:`telling_phrase`), those with the most vibrato first.

    It begins and ends with a note that can be used: what stands outside may be the accompaniment's.
    """
    found = [_its_own(telling_phrase(own)) for _, own in notes.groupby("player") if len(vibrato_notes(own))]
    found.sort(key=lambda phrase: -int(phrase["has_vibrato"].eq(True).fillna(False).sum()))
    return found[:most]


def _its_own(phrase: pd.DataFrame) -> pd.DataFrame:
    """The phrase from its first to its last usable note."""
    fine = np.flatnonzero(is_usable(phrase))
    return phrase.iloc[fine[0] : fine[-1] + 1].reset_index(drop=True)


def write_listening_page(
    study_folder: str | Path,
    out: str | Path | None = None,
    wanted: Sequence[str] = (),
    most: int = 8,
    phrases: int = 3,
    **manners: Any,
) -> tuple[Path, int]:
    """Write the page.

    Parameters
    ----------
    study_folder : path
        Study folder, with its sound.
    out : path | None
        HTML file; None is ``listening.html`` in the study.
    wanted : sequence of str
        note_id of the examples; empty chooses.
    most : int
        How many notes are chosen.
    phrases : int
        How many phrases are chosen, too; none when notes are named.
    **manners
        Other versions: ``wider, quicker, like, seed`` of :func:`versions_of`.

    Returns
    -------
    path : Path
    examples : int
    """
    study, path = page_of(study_folder, out, "listening")
    notes = read_notes(study.folder)
    versions = versions_of(notes, **manners)
    rows = chosen_notes(notes, wanted, most)
    chosen = [] if wanted else chosen_phrases(notes, phrases)
    reach = shared_reach(pd.concat([rows, *(vibrato_notes(phrase) for phrase in chosen)]))
    made = [make_example(study, row, reach, versions) for _, row in rows.iterrows()]
    made += [make_phrase(study, phrase, reach, versions) for phrase in chosen]
    examples = [example for example in made if example is not None]
    if not examples:
        raise VibstudyError("none of these notes could be cut out", repair="Choose others")
    write_sounding(path, "listening", study, examples=examples, more=len(versions) > 1, plot=PLOT)
    return path, len(examples)
