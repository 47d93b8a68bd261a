"""Questions to the ear: pairs of sounds without names, and the listener's own fusion limit, in one file.

For a lecture, a seminar or alone. The page holds all it needs and asks nothing of a network.

Pairs
-----
Two sounds, A and B, as loud as each other (:func:`vibstudy.pages.examples.gain_for`), whose order was
drawn from a seed. Questions:

* which has vibrato? A note as played and without its vibrato;
* which is of GROUP? Two notes of two groups of the study (by default the first and the last period), each
  by another player where there is one, next to each other in pitch;
* which has the vibrato of GROUP? The same note with the typical vibrato of the one group and of the other
  (:mod:`vibstudy.playing.manner`), where nothing else differs.

Hands are counted, the answer is shown, and the exact binomial chance of guessing as many or more right is
given. It holds where answers are given without knowing those of others, and it speaks of these listeners
and these notes.

Limit
-----
An up-down procedure (Levitt 1971, J. Acoust. Soc. Am. 49(2B):467-477, doi 10.1121/1.1912375: two down, one
up; 70.7 % of the answers are "it moves") on the extent of a tone at chosen rates. The limit is the
geometric mean of the turns after the rough ones, with their standard error. The study's notes are counted
against it. One tone in six is straight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.corpus.results import read_notes
from vibstudy.errors import VibstudyError
from vibstudy.figures.data import add_period, default_cuts, vibrato_notes
from vibstudy.figures.recording import note_words
from vibstudy.pages.examples import gain_for, wav_uri, who_plays
from vibstudy.pages.sounding import page_of, write_sounding
from vibstudy.playing.manner import Manner, in_manner, typical_manner
from vibstudy.playing.resynthesis import RealNote, cut_out, scale_vibrato
from vibstudy.playing.tones import FADE_S, PEAK_DBFS
from vibstudy.stats.filters import select
from vibstudy.study import Study
from vibstudy.units import FUSION_POINTS

SETTINGS = {
    "turns": 10,
    "rough_turns": 2,
    "rough_ratio": 2.0**0.5,
    "fine_ratio": 2.0**0.25,
    "narrowest_cents": 2.0,
    "widest_cents": 200.0,
    "most_trials": 60,
    "straight_every": 6,
    "tone_s": 1.6,
    "fade_s": FADE_S,
    "peak_dbfs": PEAK_DBFS,
}
"""The up-down procedure: large steps until two turns, then small ones (Levitt's advice); a tone lasts 8
cycles of 5 Hz."""
RATES_HZ = (5.0, 6.5, 8.0)
"""Offered: the ends of the rule of thumb and its middle."""
TONE_HZ = 440.0
_SHORTEST_S = 0.7
"""Notes of pairs: shorter ones have too few cycles to be judged by ear (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Pair:
    """One pair of the page.

    Parameters
    ----------
    question, words : str
        What is asked, and what is told with the answer.
    sounds : dict of str to str
        "A" and "B" to data URI.
    answer : str
        "A" or "B".
    """

    question: str
    words: str
    sounds: dict[str, str]
    answer: str


@dataclass(frozen=True, eq=False)
class Group:
    """Vibrato notes of one group, under the name that the page shows."""

    name: str
    notes: pd.DataFrame


def two_groups(notes: pd.DataFrame, filters: Sequence[str]) -> list[Group]:
    """Return the two groups that the pairs compare; none when the notes are of one period.

    Parameters
    ----------
    notes : DataFrame
        Note table.
    filters : sequence of str
        Two filters (:mod:`vibstudy.stats.filters`), or none: the first and the last period.

    Raises
    ------
    VibstudyError
        When a filter cannot be read, or finds no vibrato note.
    """
    used = vibrato_notes(notes)
    if filters:
        if len(filters) != 2:
            raise VibstudyError(
                "two groups are compared", got=str(len(filters)), repair="Give --group twice, or not at all"
            )
        groups = [Group(text, used[select(used, text)]) for text in filters]
        for group in groups:
            if group.notes.empty:
                raise VibstudyError("this group has no note with vibrato", got=group.name)
        return groups
    if "decade" not in used or used["decade"].dropna().empty:
        return []
    periods = add_period(used, default_cuts(used["decade"]))
    names = [name for name in periods["period"].cat.categories if (periods["period"] == name).any()]
    if len(names) < 2:
        return []
    return [Group(str(name), periods[periods["period"] == name]) for name in (names[0], names[-1])]


def make_pairs(
    study: Study, notes: pd.DataFrame, groups: Sequence[Group], most: int, seed: int
) -> list[Pair]:
    """Return up to `most` pairs, the questions in turn."""
    rng = np.random.default_rng(seed)
    used = vibrato_notes(notes)
    used = used[used["duration_s"] >= _SHORTEST_S]
    order = used.iloc[rng.permutation(len(used))].sort_values(
        "quality", key=lambda q: q.ne("ok"), kind="stable"
    )
    single = order.drop_duplicates("player") if len(order) else order
    makers: list[Any] = [_with_or_without]
    if groups:
        makers += [_of_which_group, _which_manner]
    manners = [typical_manner(group.notes) for group in groups]
    pairs: list[Pair] = []
    taken: set[str] = set()
    for turn in range(most * 3):
        if len(pairs) == most:
            break
        pool = single[~single["note_id"].isin(taken)]
        if pool.empty:
            single, pool = order, order[~order["note_id"].isin(taken)]
        if pool.empty:
            break
        row = pool.iloc[0]
        taken.add(str(row["note_id"]))
        pair = makers[turn % len(makers)](study, row, groups, manners, rng, taken)
        if pair is not None:
            pairs.append(pair)
    return pairs


_Sound = tuple[np.ndarray, float]


def _pair(question: str, words: str, right: _Sound, wrong: _Sound, rng: Any) -> Pair:
    """Two sounds (samples, sample rate) in an order drawn by lot; the first is the right answer."""
    sides = ["A", "B"] if rng.random() < 0.5 else ["B", "A"]
    uris = [wav_uri(gain_for(*sound) * sound[0], sound[1]) for sound in (right, wrong)]
    return Pair(question, words, dict(sorted(zip(sides, uris, strict=True))), sides[0])


def cut_of(study: Study, note: Any) -> RealNote | None:
    """Return a note of the study cut out of its recording; None when it has no line."""
    sound = study.audio(str(note["recording_id"]))
    onset_s, offset_s = (float(note[name]) - sound.origin_s for name in ("onset_s", "offset_s"))
    return cut_out(sound.samples, sound.rate_hz, onset_s, offset_s, straight=True)


def _with_or_without(
    study: Study, row: pd.Series, groups: Any, manners: Any, rng: Any, taken: Any
) -> Pair | None:
    cut = cut_of(study, row)
    if cut is None or cut.fit is None:
        return None
    straight = scale_vibrato(cut, 0.0, level=True)
    words = f"{who_plays(row)}: {note_words(row)}"
    return _pair("Which has vibrato?", words, (cut.samples, cut.rate_hz), (straight, cut.rate_hz), rng)


def _of_which_group(
    study: Study, row: pd.Series, groups: Sequence[Group], manners: Any, rng: Any, taken: set[str]
) -> Pair | None:
    """The note's partner: of the other group, by another player, next in pitch."""
    own = next((i for i, group in enumerate(groups) if row["note_id"] in set(group.notes["note_id"])), None)
    if own is None:
        return None
    other = groups[1 - own].notes
    other = other[(other["duration_s"] >= _SHORTEST_S) & ~other["note_id"].isin(taken)]
    elsewhere = other[other["player"] != row["player"]]
    pool = elsewhere if len(elsewhere) else other
    if pool.empty:
        return None
    partner = pool.iloc[int(np.argmin((pool["midi"] - row["midi"]).abs().fillna(np.inf).to_numpy()))]
    taken.add(str(partner["note_id"]))
    both = [row, partner] if own == 0 else [partner, row]
    cuts = [cut_of(study, note) for note in both]
    if cuts[0] is None or cuts[1] is None:
        return None
    asked = int(rng.integers(2))
    sounds = [(cut.samples, cut.rate_hz) for cut in cuts if cut is not None]
    words = (
        f"{groups[asked].name}: {who_plays(both[asked])}, {note_words(both[asked])} "
        f"The other: {who_plays(both[1 - asked])}, {note_words(both[1 - asked])}"
    )
    return _pair(f"Which is of {groups[asked].name}?", words, sounds[asked], sounds[1 - asked], rng)


def _which_manner(
    study: Study, row: pd.Series, groups: Sequence[Group], manners: Sequence[Manner], rng: Any, taken: Any
) -> Pair | None:
    cut = cut_of(study, row)
    if cut is None:
        return None
    asked = int(rng.integers(2))
    seed = int(rng.integers(2**31))
    sounds = [(in_manner(cut, manner, seed), cut.rate_hz) for manner in manners]
    words = (
        f"The same note of {who_plays(row)} twice: with the typical vibrato of {groups[asked].name} "
        f"({manners[asked].words}) and of {groups[1 - asked].name} ({manners[1 - asked].words})."
    )
    question = f"Which has the vibrato of {groups[asked].name}?"
    return _pair(question, words, sounds[asked], sounds[1 - asked], rng)


def limit_data(notes: pd.DataFrame, groups: Sequence[Group]) -> dict[str, Any]:
    """Return what the limit's procedure needs: settings, the rule of thumb, and rate and extent of notes."""
    counted = {"All notes": vibrato_notes(notes)} | {group.name: group.notes for group in groups}
    return {
        "settings": SETTINGS,
        "pitch_hz": TONE_HZ,
        "rule": [list(point) for point in FUSION_POINTS],
        "notes": {
            name: np.round(own[["rate_hz", "extent_cents"]].dropna().to_numpy(float), 3).tolist()
            for name, own in counted.items()
        },
    }


def write_audience_page(
    study_folder: str | Path,
    out: str | Path | None = None,
    filters: Sequence[str] = (),
    most: int = 6,
    seed: int = 0,
) -> tuple[Path, int]:
    """Write the page.

    Parameters
    ----------
    study_folder : path
        Study folder, with its sound.
    out : path | None
        HTML file; None is ``audience.html`` in the study.
    filters : sequence of str
        Two groups as filters; empty: the first and the last period.
    most : int
        How many pairs.
    seed : int
        Draws notes and orders; the same seed gives the same page.

    Returns
    -------
    path : Path
    pairs : int
    """
    study, path = page_of(study_folder, out, "audience")
    notes = read_notes(study.folder)
    groups = two_groups(notes, filters)
    pairs = make_pairs(study, notes, groups, most, seed)
    if not pairs:
        raise VibstudyError("no note of this study has a vibrato to ask about")
    write_sounding(path, "audience", study, pairs=pairs, rates=RATES_HZ, data=limit_data(notes, groups))
    return path, len(pairs)
