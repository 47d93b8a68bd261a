"""The same written notes, played by several players: the strongest comparison a corpus holds.

How fast and how wide a note vibrates depends on its pitch, length, place in the phrase and dynamic. Where two
groups of players play the same piece, all of that is the same by design. Notes that were matched with a score
(``score_match`` = matched) and that players of both groups play are kept; the written note (piece, movement,
measure, beat, written pitch) is a random factor crossed with player and recording
(:func:`vibstudy.stats.fit_mixed` with ``crossed``), which takes out what the notes differ by.
"""

from __future__ import annotations

from typing import Any

import pandas as pd

from vibstudy.stats.answers import Answer, counts, sides, too_few
from vibstudy.stats.claimfile import LOG_BY_DEFAULT
from vibstudy.stats.fitted import unit_of
from vibstudy.stats.frames import check_columns
from vibstudy.stats.mixed import fit_mixed
from vibstudy.stats.selection import is_countable

PLACE = ("piece", "movement", "measure", "beat", "written_midi")
"""What names a written note; ``movement`` may be missing."""

LEAST_NOTES = 10
"""Written notes played in both groups: with 10 the spread between written notes is known to a quarter
(standard error of a standard deviation with 9 degrees of freedom: 1 / sqrt(18))."""


def shared_notes(notes: pd.DataFrame, by: str, start: object, end: object) -> pd.DataFrame:
    """Return the notes on written notes of both groups, with ``written_note`` and ``side``."""
    check_columns(notes, ["score_match", *(name for name in PLACE if name != "movement"), by])
    side, rows, _ = sides(notes, by, start, end)
    keep = rows & notes["score_match"].eq("matched").fillna(False).to_numpy(bool)
    keep &= notes[["piece", "measure", "beat", "written_midi"]].notna().all(axis=1).to_numpy(bool)
    chosen = notes[keep]
    named = chosen[[name for name in PLACE if name in chosen]].astype("string").fillna("")
    key = named.iloc[:, 0].str.cat(named.iloc[:, 1:], sep=" | ")
    chosen = chosen.assign(written_note=key, side=chosen["player"].astype(str).map(side))
    both = chosen.groupby("written_note")["side"].nunique() == 2
    return chosen[chosen["written_note"].isin(both.index[both])].reset_index(drop=True)


def compare_same_notes(
    notes: pd.DataFrame, by: str, start: object, end: object, outcome: str = "rate_hz"
) -> Answer:
    """Compare two groups of players on the written notes that both play.

    Parameters
    ----------
    notes : DataFrame
        Note table of the study, with the columns of a score.
    by : str
        A tag, e.g. "decade".
    start, end : object
        Two of its values.
    outcome : str
        A column; extents are compared as ratios.
    """
    check_columns(notes, [outcome])
    countable = notes[is_countable(notes, outcome) & notes[outcome].notna().to_numpy(bool)]
    left = sides(notes, by, start, end)[2]
    used = shared_notes(countable, by, start, end)
    logged = outcome in LOG_BY_DEFAULT
    players = used.drop_duplicates("player")["side"]
    written = used["written_note"].nunique()
    base: dict[str, Any] = {
        "question": f"On the same written notes, how does {outcome} of {by} {end} compare with {start}?",
        "unit": "times" if logged else unit_of(outcome),
        "method": "mixed model: player, recording, and written note crossed with both",
        "cautions": (*left, f"{written} written notes are shared."),
        **counts(used),
    }
    reason = too_few(players, "players of shared written notes")
    if not reason and written < LEAST_NOTES:
        reason = f"{written} written notes are played in both groups, where {LEAST_NOTES} are the least"
    if reason:
        return Answer(**base, cannot_tell=reason)
    text = f"log2({outcome}) ~ side" if logged else f"{outcome} ~ side"
    result = fit_mixed(used.assign(side=used["side"].astype(float)), text, crossed=("written_note",))
    row = result.table().loc["side"]
    estimate, low, high, p = (float(value) for value in row[["estimate", "low", "high", "p"]].to_numpy(float))
    if logged:
        estimate, low, high = 2**estimate, 2**low, 2**high
    return Answer(**{**base, "table": result.table()}, estimate=estimate, low=low, high=high, p=p)
