"""How much vibrato in all: how far the pitch swings, averaged over all the time that sounds.

A player who vibrates widely on one note in ten may swing less in all than one who vibrates narrowly
throughout. Straight notes count as none, so that the question has two parts (a two-part model: Cragg 1971,
Econometrica 39:829-844; Duan, Manning, Morris & Newhouse 1983, J. Bus. Econ. Stat. 1:115-126; from memory):

* **share**: of a player's sounding time in assessable notes (:mod:`vibstudy.stats.selection`), the share with
  vibrato: the length of each note with vibrato times its share with vibrato, over the length of all;
* **extent**: ± cents while vibrato lasts, weighted by the time it lasts, over the notes whose extent can be
  used. So notes whose vibrato is seen but cannot be measured count in the share, and are taken to be as
  wide as the player's others;
* **amount** = share x extent: ± cents, averaged over all sounding time.

Within a player time is the weight; between players each counts once, since who was recorded for longest must
not speak for a period. Intervals are those of Student's t over the players' figures (players - 1 degrees of
freedom; two groups by Welch). A bootstrap of players was not taken: it is too narrow with few clusters
(Cameron, Gelbach & Miller 2008, Rev. Econ. Stat. 90:414-427; from memory). Amounts are not logged: a player
without vibrato has none.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from vibstudy.stats.answers import Answer, sides, too_few, welch
from vibstudy.stats.selection import assessable_notes, in_loudness_alone, is_vibrato, need

LEAST_PLAYERS = 3
"""With two players the spread is one difference, and the interval reaches 12.7 standard errors."""

PARTS = {"share": "", "extent_cents": "± cents", "amount_cents": "± cents"}


def player_amounts(notes: pd.DataFrame) -> pd.DataFrame:
    """Return share, extent and amount of each player.

    Parameters
    ----------
    notes : DataFrame
        Note table of the study.

    Returns
    -------
    DataFrame
        Indexed by player: ``recordings, notes, sounding_s, share`` (0 to 1), ``extent_cents`` (missing
        without vibrato), ``amount_cents`` (0 without vibrato; missing when there is vibrato, but none
        that could be measured).
    """
    assessable = assessable_notes(notes)
    need(assessable, ["duration_s", "player", "recording_id"], "How much vibrato there is")
    seconds = assessable["duration_s"].to_numpy(float)
    in_pitch = ~in_loudness_alone(assessable)  # it has an extent
    has = assessable["has_vibrato"].to_numpy(bool) & in_pitch
    player = assessable["player"].astype(str).to_numpy()
    fraction = _column(assessable, "vibrato_fraction")
    usable = has & is_vibrato(assessable) & np.isfinite(_column(assessable, "extent_cents"))
    known = has & np.isfinite(fraction)
    typical = pd.Series(np.where(known, fraction * seconds, 0)).groupby(player).sum() / pd.Series(
        np.where(known, seconds, 0)
    ).groupby(player).sum().replace(0, np.nan)
    # a note seen to vibrate, whose beginning is not known, vibrates as long as the player's others
    fraction = np.where(known, fraction, pd.Series(player).map(typical.fillna(1.0)).to_numpy(float))
    vibrating = np.where(has, fraction, 0.0) * seconds
    wide = np.where(usable, vibrating, 0.0)
    sums = pd.DataFrame({
        "sounding_s": seconds, "vibrating": vibrating, "measured": wide,
        "swing": np.where(usable, wide * _column(assessable, "extent_cents"), 0.0),
    }).groupby(player).sum()  # fmt: skip
    grouped = assessable.groupby(player)
    out = pd.DataFrame({
        "recordings": grouped["recording_id"].nunique(), "notes": grouped.size(),
        "sounding_s": sums["sounding_s"], "share": sums["vibrating"] / sums["sounding_s"],
        "extent_cents": sums["swing"] / sums["measured"].where(sums["measured"] > 0),
    })  # fmt: skip
    out["amount_cents"] = (out["share"] * out["extent_cents"]).where(out["share"] > 0, 0.0)
    return out.rename_axis("player")


def vibrato_amount(notes: pd.DataFrame) -> Answer:
    """Say how much vibrato there is in all.

    Returns
    -------
    Answer
        Estimate in ± cents over all sounding time; ``table`` as of :func:`player_amounts`.
    """
    table = player_amounts(notes)
    known = table["amount_cents"].dropna().to_numpy(float)
    base = _base("How much vibrato is there in all?", notes, table)
    if len(known) < LEAST_PLAYERS:
        return Answer(**base, cannot_tell=f"{len(known)} players, where {LEAST_PLAYERS} are the least")
    if not known.any():
        return Answer(
            **base, cannot_tell="no player here uses any, so that it is not known how players differ"
        )
    estimate, low, high = _mean(known)
    return Answer(**base, estimate=estimate, low=low, high=high)


def amount_by_group(notes: pd.DataFrame, by: str) -> pd.DataFrame:
    """Return share, extent and amount of each group, with intervals by players.

    Parameters
    ----------
    notes : DataFrame
    by : str
        A tag, e.g. "decade". A player counts in each group he plays in.

    Returns
    -------
    DataFrame
        Indexed by group and part (share, extent_cents, amount_cents): ``estimate, low, high, players``; the
        interval is missing with fewer than three players.
    """
    need(notes, [by], "How much vibrato there is")
    rows = []
    for level, own in notes.groupby(by, observed=True):
        table = player_amounts(own)
        for part in PARTS:
            values = table[part].dropna().to_numpy(float)
            estimate, low, high = _mean(values, 1.0 if part == "share" else np.inf)
            rows.append((level, part, estimate, low, high, len(values)))
    return pd.DataFrame(rows, columns=[by, "part", "estimate", "low", "high", "players"]).set_index(
        [by, "part"]
    )


def compare_amounts(notes: pd.DataFrame, by: str, start: object, end: object) -> Answer:
    """Say how much more vibrato in all there is in one group than in another.

    Parameters
    ----------
    notes : DataFrame
    by : str
        A tag.
    start, end : object
        Two of its values; the difference is always `end` minus `start`.
    """
    side, rows, left = sides(notes, by, start, end)
    chosen = notes[rows]
    table = player_amounts(chosen)
    table["side"] = side.reindex(table.index)
    table = table.dropna(subset=["amount_cents"])
    base = _base(f"How much more vibrato in all in {by} {end} than in {start}?", chosen, table)
    base["cautions"] = left
    reason = too_few(table["side"])
    if reason:
        return Answer(**base, cannot_tell=reason)
    values = [table.loc[table["side"] == k, "amount_cents"].to_numpy(float) for k in (0, 1)]
    estimate, low, high, p = welch(*values)
    base["unit"] = base["unit"].removeprefix("± ") + " (half of peak-to-peak)"  # a difference has a sign
    return Answer(**base, estimate=estimate, low=low, high=high, p=p)


def _base(question: str, notes: pd.DataFrame, table: pd.DataFrame) -> dict[str, Any]:
    return {
        "question": question, "unit": "± cents over all sounding time", "table": table,
        "method": "share of sounding time with vibrato x extent; Student's t over players",
        "players": len(table), **{name: int(table[name].sum()) for name in ("recordings", "notes")},
    }  # fmt: skip


def _mean(values: np.ndarray, most: float = np.inf) -> tuple[float, float, float]:
    if len(values) == 0:
        return np.nan, np.nan, np.nan
    centre = float(values.mean())
    if len(values) < LEAST_PLAYERS:
        return centre, np.nan, np.nan
    half = float(stats.t.ppf(0.975, len(values) - 1) * values.std(ddof=1) / np.sqrt(len(values)))
    return centre, max(centre - half, 0.0), min(centre + half, most)


def _column(frame: pd.DataFrame, name: str) -> np.ndarray:
    if name not in frame:
        return np.full(len(frame), np.nan)
    return frame[name].to_numpy(dtype=float, na_value=np.nan)
