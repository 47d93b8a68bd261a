"""The plain summaries under the figures. Which notes they take: :mod:`vibstudy.stats.selection`.

Definitions
-----------
* A *period* is a run of decades between cut years, named ``1900–1929``.
* Means and counts are those of :mod:`vibstudy.figures.quantities`: of a player, the mean of the means of the
  player's recordings, so that a recording with many notes does not outvote the others.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.errors import VibstudyError
from vibstudy.figures.quantities import mean_of, player_means
from vibstudy.schema import label as column_label
from vibstudy.stats.selection import assessable_notes, need, vibrato_notes
from vibstudy.stats.selection import telling_length_s as telling_length_s

_TAG_LABELS = {
    "decade": "Decade",
    "period": "Period",
    "region": "Region",
    "player": "Player",
    "medium": "Medium",
    "accompaniment": "Accompaniment",
    "recording_id": "Recording",
    "tempo_bpm": "Tempo (beats/min)",
}


def axis_label(name: str) -> str:
    """Return the axis label of a column: title and unit; tags of the manifest are known too.

    Extents and depths say that they are half of peak-to-peak.
    """
    text = _TAG_LABELS.get(name) or column_label(name)
    if text == name:  # a tag of the user's own
        text = name.replace("_", " ").capitalize()
    return f"{text}, half of peak-to-peak" if "(±" in text else text


def quantity(name: str) -> str:
    """Return what a column is, without its unit, for running text: "Extent"."""
    return (_TAG_LABELS.get(name) or column_label(name)).partition(" (")[0]


def plural(count: int, one: str) -> str:
    """Return "1 note", "2 notes", "1,204 notes"."""
    return f"{count:,} {one if count == 1 else one + 's'}"


def size_words(frame: pd.DataFrame) -> str:
    """Return "n = 12 players, 36 recordings, 1,204 notes" for what `frame` holds."""
    parts = [
        plural(frame[name].nunique(), word)
        for name, word in (("player", "player"), ("recording_id", "recording"))
        if name in frame
    ]
    return "n = " + ", ".join([*parts, plural(len(frame), "note")])


def family_name(name: str) -> str:
    """Return the family name: the last word that is no number, and the number after it."""
    words = str(name).split()
    last = next((k for k in range(len(words) - 1, -1, -1) if not words[k].isdigit()), 0)
    return " ".join(words[last:]) or str(name)


def short_names(players: Iterable[Any]) -> dict[Any, str]:
    """Return the name of each player in figures, in the order of the names.

    The family name; where several share it, with as many letters of the first name as tell them apart. A name
    of more than :data:`LONGEST_NAME` letters is cut, where that leaves it the only one of its kind.
    """
    everyone = list(dict.fromkeys(players))
    families: dict[str, list[Any]] = {}
    for player in everyone:
        families.setdefault(family_name(player), []).append(player)
    found = {}
    for family, sharing in families.items():
        firsts = {player: str(player).removesuffix(family).strip() for player in sharing}
        letters = 0
        while letters < 40 and len({first[:letters] for first in firsts.values()}) < len(sharing):
            letters += 1
        for player, first in firsts.items():
            dot = "." if letters < len(first) else ""
            found[player] = f"{first[:letters]}{dot} {family}" if letters else family
    cut = {
        player: name if len(name) <= LONGEST_NAME else f"{name[: LONGEST_NAME - 1].rstrip()}…"
        for player, name in found.items()
    }
    alone = pd.Series(cut).value_counts()
    order = sorted(everyone, key=lambda player: (family_name(player), found[player]))
    return {player: cut[player] if alone[cut[player]] == 1 else found[player] for player in order}


LONGEST_NAME = 20
"""Letters of a name in a figure, from which on it would press the rest of a column of 85 mm together."""


def add_period(frame: pd.DataFrame, cuts: Sequence[int]) -> pd.DataFrame:
    """Return `frame` with a column ``period`` made from ``decade``.

    Parameters
    ----------
    frame : DataFrame
        Needs ``decade`` (year in which the decade begins).
    cuts : sequence of int
        Years at which a new period begins, increasing. With no cut there is one period.

    Returns
    -------
    DataFrame
        ``period`` is an ordered category named after the decades that the frame holds, such as
        "1900–1929".
    """
    need(frame, ["decade"], "The periods")
    decade = frame["decade"].astype("Float64")
    edges = [-np.inf, *sorted(cuts), np.inf]
    names, periods = [], pd.Series(pd.NA, index=frame.index, dtype="object")
    for low, high in pairwise(edges):
        inside = ((decade >= low) & (decade < high)).fillna(False)
        if inside.any():
            first, last = int(decade[inside].min()), int(decade[inside].max()) + 9
            names.append(f"{first}\N{EN DASH}{last}")
            periods[inside] = names[-1]
    return frame.assign(period=pd.Categorical(periods, categories=names, ordered=True))


def default_cuts(decades: pd.Series) -> list[int]:
    """Return two cut years (or one, or none) that share the decades of a corpus about evenly."""
    found = sorted(int(d) for d in decades.dropna().unique())
    if len(found) < 2:
        return []
    parts = np.array_split(np.array(found), min(3, len(found)))
    return [int(part[0]) for part in parts[1:]]


def by_recording(notes: pd.DataFrame, outcome: str, group: str | None = None) -> pd.DataFrame:
    """Return one row a recording: its tags (`group` too), number of notes and mean `outcome`."""
    need(notes, [outcome, "recording_id", "player"], quantity(outcome))
    wanted = ("player", "decade", "period", "region", "medium", *([group] if group else []))
    tags = [name for name in dict.fromkeys(wanted) if name in notes]
    known = notes[notes[outcome].notna()]
    grouped = known.groupby("recording_id", sort=False, observed=True)
    table = grouped[tags].first()
    table["notes"] = grouped.size()
    table[outcome] = grouped[outcome].agg(lambda values: mean_of(outcome, values)).astype(float)
    return table.reset_index()


def by_player(notes: pd.DataFrame, outcomes: Sequence[str], group: str | None = None) -> pd.DataFrame:
    """Return one row a player: tags, counts, and for each outcome the mean of the recordings' means.

    A tag is given where all recordings of the player share it, otherwise "several".
    """
    need(notes, [*outcomes, "recording_id", "player"], "The players' means")
    grouped = notes.groupby("player", sort=False, observed=True)
    table = pd.DataFrame({"recordings": grouped["recording_id"].nunique(), "notes": grouped.size()})
    for tag in dict.fromkeys(("region", "period", *([group] if group else []))):
        if tag in notes:
            first, how_many = grouped[tag].first().astype("object"), grouped[tag].nunique()
            table[tag] = first.where(how_many <= 1, "several")
    for outcome in outcomes:
        table[outcome] = player_means(notes, outcome)["value"].reindex(table.index)
    return table.reset_index()


def measured_counts(notes: pd.DataFrame, by: str) -> pd.DataFrame:
    """Count, for each value of the tag `by`, what could be judged.

    Returns
    -------
    DataFrame
        `by`, ``recordings, notes, long_enough`` (assessable notes), ``with_vibrato`` (of these) and
        ``usable`` (vibrato notes of any length, for rate and extent).
    """
    need(notes, [by, "recording_id"], "How much could be measured")
    grouped = notes.groupby(by, observed=True)
    assessable, usable = assessable_notes(notes), vibrato_notes(notes)
    table = pd.DataFrame({"recordings": grouped["recording_id"].nunique(), "notes": grouped.size()})
    table["long_enough"] = assessable.groupby(by, observed=True).size()
    table["with_vibrato"] = assessable.groupby(by, observed=True)["has_vibrato"].sum()
    table["usable"] = usable.groupby(by, observed=True).size()
    return table.fillna(0).astype(int).reset_index()


def clearest_recording(notes: pd.DataFrame) -> str:
    """Return the recording with the most vibrato to see, unaccompanied if there is one.

    Most: the sum over its notes of extent times length. When no note has vibrato, the recording with
    the most notes.
    """
    need(notes, ["recording_id"], "A recording")
    candidates = vibrato_notes(notes)
    if candidates.empty:
        return str(notes["recording_id"].value_counts().index[0])
    if "accompaniment" in candidates:
        alone = candidates[candidates["accompaniment"].fillna("none") == "none"]
        candidates = alone if len(alone) else candidates
    area = candidates["extent_cents"] * candidates["duration_s"]
    return str(area.groupby(candidates["recording_id"], observed=True).sum().idxmax())


def longest_vibrato_note(notes: pd.DataFrame) -> pd.Series:
    """Return the row of the longest note with vibrato."""
    vibrating = vibrato_notes(notes)
    need(vibrating, ["duration_s"], "A note with vibrato")
    return vibrating.sort_values("duration_s").iloc[-1]


def two_largest(notes: pd.DataFrame, tag: str) -> tuple[str, str]:
    """Return the two groups of `tag` with the most notes, in alphabetical order."""
    counts = notes[tag].value_counts()
    counts = counts[counts > 0]
    if len(counts) < 2:
        raise VibstudyError(
            f"Two groups are needed to compare, but there are {len(counts)} with vibrato notes in {tag}"
        )
    first, second = sorted(counts.index[:2])
    return str(first), str(second)


def need_players(notes: pd.DataFrame, least: int) -> None:
    """Raise a plain sentence when `notes` are by fewer than `least` players."""
    players = notes["player"].nunique()
    if players < least:
        raise VibstudyError(
            f"This takes at least {least} players with vibrato notes; here there are {players}"
        )


def player_weights(notes: pd.DataFrame) -> np.ndarray:
    """Return weights [shape=(n_notes,)] that give every player the same total, and sum to 1."""
    per_player = notes.groupby("player", observed=True)["player"].transform("size").to_numpy(float)
    weights = 1.0 / per_player
    return weights / weights.sum()


def groups_in(frame: pd.DataFrame, name: str) -> list:
    """Return the values of a tag in their natural order (category order, else sorted)."""
    values = frame[name].dropna()
    if isinstance(values.dtype, pd.CategoricalDtype):
        present = set(values.unique())
        return [value for value in values.cat.categories if value in present]
    return sorted(values.unique())


def match_truth(notes: pd.DataFrame, truth: pd.DataFrame, onset_tolerance_s: float = 0.05) -> pd.DataFrame:
    """Pair measured notes with the notes that were really played.

    Pairs within a recording by onset (within `onset_tolerance_s`) and pitch (within 50 cents),
    as many as possible (:func:`mir_eval.transcription.match_notes`).

    Parameters
    ----------
    notes, truth : DataFrame
        Need ``recording_id, onset_s, offset_s, pitch_hz``.

    Returns
    -------
    DataFrame
        One row a true note, its columns prefixed ``true_``, with the columns of the measured note
        beside it, missing where it was not found.
    """
    import mir_eval

    found = []
    for recording_id, played in truth.groupby("recording_id", sort=False):
        heard = notes[(notes["recording_id"] == recording_id) & notes["pitch_hz"].notna()]
        played = played.reset_index(drop=True)
        pairs = (
            mir_eval.transcription.match_notes(
                played[["onset_s", "offset_s"]].to_numpy(float),
                played["pitch_hz"].to_numpy(float),
                heard[["onset_s", "offset_s"]].to_numpy(float),
                heard["pitch_hz"].to_numpy(float),
                onset_tolerance=onset_tolerance_s,
                pitch_tolerance=50.0,
                offset_ratio=None,
            )
            if len(heard)
            else []
        )
        partner = pd.Series(-1, index=played.index)
        for true_row, heard_row in pairs:
            partner[true_row] = heard_row
        beside = heard.reset_index(drop=True).reindex(partner.where(partner >= 0)).reset_index(drop=True)
        beside["recording_id"] = recording_id
        found.append(pd.concat([played.add_prefix("true_"), beside], axis=1))
    if not found:
        raise VibstudyError("Truth and measurement cannot be paired: the truth table is empty")
    return pd.concat(found, ignore_index=True)
