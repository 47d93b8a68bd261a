"""Which notes to hear first.

By suspicion
    Points of a note = doubts in its ``quality`` (one each; ``too_short`` and ``few_cycles`` say little
    about a mistake and count 0 and 0.5), plus what its rate and its extent stand out from their player's
    others: robust z (distance from the player's median over 1.4826 times the median absolute deviation;
    of log extent), counted from 2 on, at most 4 each. Players with fewer than 8 measured notes are not
    compared. Most points first; ties in the order of the table.

By lot
    A sample stratified by decade and region: each stratum gets the same number as far as it reaches, the
    rest goes round. Drawn with a seed and shuffled, so that neither player nor decade can be guessed from
    the order.

Only the columns needed are read, so that 50,000 notes take a few megabytes.

References
----------
1.4826 makes the median absolute deviation estimate the standard deviation of normal values: Rousseeuw &
Croux 1993, J. Am. Stat. Assoc. 88(424):1273-1283.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.corpus.entries import number_of
from vibstudy.corpus.store import read_notes
from vibstudy.errors import VibstudyError
from vibstudy.schema import REASONS, reasons_of

NEEDED = ("recording_id", "note_id", "onset_s", "offset_s", "rate_hz", "extent_cents", "quality", "reviewed")
TAGS = ("player", "decade", "region", "medium")
POINTS = {reason.name: reason.suspicion for reason in REASONS}
Z_FROM = 2.0
Z_MOST = 4.0
FEWEST_TO_COMPARE = 8
_TO_SIGMA = 1.4826


def read_queue_columns(directory: str | Path) -> pd.DataFrame:
    """The columns of the note table that a queue needs, with the tags the study has."""
    import pyarrow.parquet as pq

    for folder in (Path(directory), Path(directory) / "results"):
        if (folder / "notes.parquet").exists():
            names = pq.read_schema(folder / "notes.parquet").names
            return read_notes(folder, [name for name in (*NEEDED, *TAGS) if name in names])
    frame = read_notes(directory)
    return frame[[name for name in (*NEEDED, *TAGS) if name in frame]]


def by_suspicion(notes: pd.DataFrame, decided: Collection[str] = ()) -> pd.DataFrame:
    """Notes with the most doubtful first.

    Parameters
    ----------
    notes : DataFrame
        Note table with the columns of :data:`NEEDED`; ``player`` where known.
    decided : collection of str
        ``note_id`` of notes that need not be heard any more. Notes whose ``reviewed`` is not auto are left
        out, too.

    Returns
    -------
    DataFrame
        The notes in order, with ``points``, and from where to where the player's other notes lie:
        ``rate_from_hz, rate_to_hz, extent_from_cents, extent_to_cents`` (:func:`apart_words`).
    """
    queue = notes[notes["reviewed"].fillna("auto").eq("auto") & ~notes["note_id"].isin(list(decided))]
    players = notes["player"] if "player" in notes else pd.Series("", index=notes.index)
    extents = notes["extent_cents"].where(notes["extent_cents"] > 0)
    rate, rate_usual = apart(notes["rate_hz"], players)
    extent, extent_usual = apart(np.log(extents), players)
    quality = queue["quality"].fillna("ok").astype(str)
    doubts = {text: sum(POINTS.get(word, 1.0) for word in reasons_of(text)) for text in quality.unique()}
    points = quality.map(doubts).astype(float)
    for z in (rate.loc[queue.index], extent.loc[queue.index]):
        points += (z.abs().clip(upper=Z_MOST + Z_FROM) - Z_FROM).clip(lower=0).fillna(0.0)
    queue = queue.assign(
        points=points,
        rate_from_hz=rate_usual["from"],
        rate_to_hz=rate_usual["to"],
        extent_from_cents=np.exp(extent_usual["from"]),
        extent_to_cents=np.exp(extent_usual["to"]),
    )
    return queue.sort_values("points", ascending=False, kind="stable").reset_index(drop=True)


def apart(values: pd.Series, groups: pd.Series) -> tuple[pd.Series, pd.DataFrame]:
    """Distance of each value from its group's median, in robust standard deviations; and what is usual there.

    Both are missing in small groups (:data:`FEWEST_TO_COMPARE`) and where all values are the same.

    Parameters
    ----------
    values : Series of float
        Missing values stay missing.
    groups : Series
        Group of each value.

    Returns
    -------
    z : Series of float
    usual : DataFrame
        ``from, to``: :data:`Z_FROM` standard deviations either way.
    """
    values = values.astype("float64")
    by = values.groupby(groups, dropna=False)
    middle, count = by.transform("median"), by.transform("count")
    spread = _TO_SIGMA * (values - middle).abs().groupby(groups, dropna=False).transform("median")
    known = (count >= FEWEST_TO_COMPARE) & (spread > 0)
    middle, spread = middle.where(known), spread.where(known)
    return (values - middle) / spread, pd.DataFrame(
        {"from": middle - Z_FROM * spread, "to": middle + Z_FROM * spread}
    )


def apart_words(row: Mapping[str, Any], item: Mapping[str, Any]) -> list[str]:
    """How a note stands apart from its player's others, as its figures are now.

    Parameters
    ----------
    row : mapping
        The note: ``rate_hz, extent_cents``.
    item : mapping
        Its place in the queue, from :func:`by_suspicion`.
    """
    said = []
    for name, unit in (("rate", "hz"), ("extent", "cents")):
        keys = (f"{name}_{unit}", f"{name}_from_{unit}", f"{name}_to_{unit}")
        cells = (number_of(row if k == 0 else item, key) for k, key in enumerate(keys))
        figure, low, high = (np.nan if cell is None else cell for cell in cells)
        if figure < low or figure > high:  # never where one of them is missing
            way = "above" if figure > high else "below"
            said.append(f"its {name} is far {way} the player's other notes")
    return said


def by_lot(notes: pd.DataFrame, size: int, seed: int) -> pd.DataFrame:
    """A random sample, stratified by decade and region, in random order.

    Parameters
    ----------
    notes : DataFrame
        Note table with the columns of :data:`NEEDED`; ``decade`` and ``region`` where known.
    size : int > 0
        Notes wanted; all when there are fewer.
    seed : int
        The same seed and table give the same sample, whatever has been heard.
    """
    if size < 1:
        raise VibstudyError("a sample needs at least one note", column="size", got=str(size))
    rng = np.random.default_rng(seed)
    pool = notes.reset_index(drop=True)
    keys = [name for name in ("decade", "region") if name in pool]
    whole = {"all": np.arange(len(pool))}
    strata = pool.groupby(keys, dropna=False, sort=True).indices if keys else whole
    layers = [rng.permutation(np.asarray(own)) for own in strata.values()]
    order = rng.permutation(len(layers))
    drawn: list[int] = []
    depth = 0
    while len(drawn) < min(size, len(pool)):
        layer = [int(layers[i][depth]) for i in order if depth < len(layers[i])]
        drawn += layer[: size - len(drawn)]
        depth += 1
    return pool.iloc[rng.permutation(drawn)].reset_index(drop=True)
