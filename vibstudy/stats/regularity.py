"""Is vibrato more regular in one group than in another: within notes, and from note to note.

Two questions that are often taken for one:

* **within notes** (location of irregularity): how much rate or extent varies from cycle to cycle, the columns
  ``rate_irregularity`` and ``extent_irregularity``, from which measurement noise is already taken out.
  A player's figure is the log of the root mean square over his notes: a note whose irregularity
  was all noise is a 0 that counts, and has no logarithm of its own. Where a whole player has none beyond
  noise, there is no ratio, and leaving him out would leave out the most regular: it cannot be told;
* **from note to note** (scale): how much rate, or log2 extent, of notes differs within a recording: always
  the same vibrato, or each note its own. A recording's figure is the log of the standard deviation, freed of
  the bias of few notes (Bartlett & Kendall 1946, Suppl. J. R. Stat. Soc. 8:128-138: the mean of log
  chi-square is digamma(f/2) + log 2); a player's is their mean, weighted by degrees of freedom. Measurement
  error is in it: a group recorded on noisier media looks less regular, which is told when the notes' errors
  say so.

Both are compared between groups by players (:mod:`vibstudy.stats.answers`), as ratios: 0.8 = a fifth
more regular.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy.special import digamma

from vibstudy.stats.answers import Answer, counts, on_scale, sides, too_few, welch
from vibstudy.stats.claimfile import LOG_BY_DEFAULT
from vibstudy.stats.selection import need, vibrato_notes

IRREGULARITY = {"rate_hz": "rate_irregularity", "extent_cents": "extent_irregularity"}
ERRORS = {"rate_hz": "rate_se_hz", "extent_cents": "extent_se_cents"}

NONE = 1e-9
"""Irregularity (a share of rate or extent) below this is what rounding leaves of none."""

ERROR_SHARE = 0.1
"""Difference between groups, as a share of the variance from note to note, from which measurement error is
told: it moves the ratio of standard deviations by 5 %."""


def compare_regularity(
    notes: pd.DataFrame,
    by: str,
    start: object,
    end: object,
    outcome: str = "rate_hz",
    where: Literal["within notes", "from note to note"] = "within notes",
) -> Answer:
    """Compare the irregularity of two groups.

    Parameters
    ----------
    notes : DataFrame
        Note table of the study.
    by : str
        A tag, e.g. "decade".
    start, end : object
        Two of its values.
    outcome : {"rate_hz", "extent_cents"}
    where : {"within notes", "from note to note"}

    Returns
    -------
    Answer
        Irregularity of `end` over that of `start`: below 1 is more regular.
    """
    used = vibrato_notes(notes)
    column = IRREGULARITY[outcome] if where == "within notes" else outcome
    need(used, [column, by], "Whether vibrato is more regular")
    side, rows, left = sides(used, by, start, end)
    used = used[rows]
    table = _within(used, column) if where == "within notes" else _from_note_to_note(used, outcome)
    table["side"] = side.reindex(table.index)
    used = used[used["player"].astype(str).isin(table.index)]
    base: dict[str, Any] = {
        "question": f"Is {outcome} less regular {where} in {by} {end} than in {start}?",
        "unit": "times as irregular",
        "table": table,
        "method": "log irregularity of players, Welch's t",
        **counts(used),
    }
    reason = too_few(table["side"])
    none = table.index[~np.isfinite(table["log"])]
    if not reason and len(none):
        reason = f"beyond noise there is none at all in {', '.join(none)}, and no ratio to that"
    if reason:
        return Answer(**base, cannot_tell=reason, cautions=left)
    *figures, p = welch(*(table.loc[table["side"] == k, "log"].to_numpy(float) for k in (0, 1)))
    estimate, low, high = (float(np.exp(figure)) for figure in figures)
    if where == "from note to note":
        left = (*left, *_noise_caution(used, outcome, side))
    return Answer(**base, estimate=estimate, low=low, high=high, p=p, cautions=left)


def _within(notes: pd.DataFrame, column: str) -> pd.DataFrame:
    square = notes[column].astype(float) ** 2
    grouped = square.groupby(notes["player"].astype(str))
    table = pd.DataFrame({"log": grouped.mean(), "notes": grouped.count()})
    table = table[table["notes"] > 0]
    some = table["log"].where(table["log"] > NONE**2, 0.0)
    with np.errstate(divide="ignore"):
        return table.assign(log=0.5 * np.log(some))


def _from_note_to_note(notes: pd.DataFrame, outcome: str) -> pd.DataFrame:
    values = on_scale(notes, outcome)
    kept = values.notna()
    keys = [notes.loc[kept, name].astype(str) for name in ("player", "recording_id")]
    grouped = values[kept].groupby(keys)
    recordings = pd.DataFrame({"variance": grouped.var(), "free": grouped.size() - 1}).reset_index()
    recordings = recordings[(recordings["free"] > 0) & (recordings["variance"] > 0)]
    half = recordings["free"] / 2
    recordings["log"] = 0.5 * (np.log(recordings["variance"]) - digamma(half) + np.log(half))
    recordings["weighted"] = recordings["log"] * recordings["free"]
    sums = recordings.groupby("player")[["weighted", "free"]].sum()
    return pd.DataFrame({"log": sums["weighted"] / sums["free"], "notes": sums["free"].astype(int)})


def _noise_caution(notes: pd.DataFrame, outcome: str, side: pd.Series) -> tuple[str, ...]:
    """Say when the groups' measurement errors differ enough to look like regularity."""
    if ERRORS[outcome] not in notes:
        return ()
    error = notes[ERRORS[outcome]].astype(float)
    if outcome in LOG_BY_DEFAULT:
        error = error / notes[outcome].astype(float) / np.log(2)
    player = notes["player"].astype(str)
    values = on_scale(notes, outcome)
    centred = values - values.groupby(notes["recording_id"]).transform("mean")
    noise = (error**2).groupby(player.map(side)).mean()
    if abs(noise.get(1, np.nan) - noise.get(0, np.nan)) <= ERROR_SHARE * float((centred**2).mean()):
        return ()
    noisier = "second" if noise[1] > noise[0] else "first"
    return (f"The {noisier} group is measured less exactly, which looks like less regular.",)
