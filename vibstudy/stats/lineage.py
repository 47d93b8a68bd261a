"""Are pupils nearer to their teachers than to others of their decade and region?

The manifest's optional column ``teacher`` names, on the pupil's recordings, a player of the same corpus
(spelt as in ``player``). Each player is described by mean rate, mean log2 extent, continuity of use and mean
onset delay, each in standard deviations over the corpus; the distance of two players is the root mean square
difference of the figures both have.

Pupils mostly play in the decades and region of their teachers, and would resemble them for that alone. So the
players' descriptions are exchanged among players of the same decade and region (strata), and pairs stay: p is
the share of exchanges in which pairs are on average as near as observed (a permutation test within strata;
Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9(1):39, on why 1 is added). Under the null hypothesis,
that lineage adds nothing to decade and region, it is exact. A player's decade and region are those of most of
his notes.

The estimate is the mean distance of pairs over its mean under exchange: 1 = no nearer than others, 0.5 = half
as far. Its interval leaves out one teacher at a time (jackknife of the logarithm, Student's t with teachers
- 1 degrees of freedom; Tukey 1958): pupils of one teacher are not independent.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy import sparse, stats

from vibstudy.corpus.spelling import near_pairs
from vibstudy.errors import Problem, raise_any
from vibstudy.stats.answers import Answer, counts, usual
from vibstudy.stats.frames import check_columns
from vibstudy.stats.selection import need, vibrato_notes
from vibstudy.stats.usage import usage_index

LEAST_TEACHERS = 3
"""For an interval over teachers; below, one lineage would speak for all."""

DRAWS = 4999

UNNAMED = (
    "no teachers are named. Add a column 'teacher' to the manifest and write into the rows of each pupil who "
    "taught him, spelt as in the column 'player'; rows without a teacher in this corpus stay empty"
)
"""Why nothing is said of teachers in a study whose manifest names none."""


def lineages(notes: pd.DataFrame) -> pd.DataFrame:
    """Return pairs of pupil and teacher who are both in the corpus: ``pupil, teacher``.

    Raises
    ------
    VibstudyError
        When the column is not there, a player has two teachers, or is said to teach himself.
    """
    check_columns(notes, ["teacher"])
    pairs = notes.dropna(subset=["teacher"])[["player", "teacher"]].astype(str).drop_duplicates()
    pairs.columns = ["pupil", "teacher"]
    problems = [
        Problem(
            "this player has two teachers", column="teacher", got=", ".join(own["teacher"]),
            repair=f"Give {pupil} one",
        )
        for pupil, own in pairs.groupby("pupil")
        if len(own) > 1
    ]  # fmt: skip
    problems += [
        Problem("a player is named as his own teacher", column="teacher", got=name)
        for name in pairs.loc[pairs["pupil"] == pairs["teacher"], "pupil"]
    ]
    raise_any(problems)
    return pairs[pairs["teacher"].isin(notes["player"].astype(str))].reset_index(drop=True)


def lineage_of(notes: pd.DataFrame) -> pd.Series:
    """Name of each note's lineage: all players whom teachers link, one name; others by themselves."""
    players = notes["player"].astype(str)
    pairs = (
        pd.DataFrame({"pupil": players, "teacher": notes["teacher"]}).dropna().astype(str).drop_duplicates()
    )
    names, codes = np.unique([*players.unique(), *pairs["pupil"], *pairs["teacher"]], return_inverse=True)
    taught = codes[-2 * len(pairs) :].reshape(2, -1) if len(pairs) else np.zeros((2, 0), int)
    links = sparse.coo_matrix((np.ones(len(pairs)), tuple(taught)), shape=(len(names), len(names)))
    parts = sparse.csgraph.connected_components(links, directed=False)[1]
    first = pd.Series(names).groupby(parts).min()
    return players.map(dict(zip(names, first.loc[parts], strict=True))).astype("string")


def descriptions(notes: pd.DataFrame) -> pd.DataFrame:
    """Return players' rate, log2 extent, continuity and onset delay, each in standard deviations."""
    used = vibrato_notes(notes)
    need(used, ["rate_hz", "extent_cents"], "Whether pupils are near to their teachers")
    figures = pd.DataFrame({"rate": used["rate_hz"], "log_extent": np.log2(used["extent_cents"])}).astype(
        float
    )
    if "vibrato_onset_s" in used:
        figures["delay"] = used["vibrato_onset_s"].astype(float)
    takes = figures.groupby([used["player"].astype(str), used["recording_id"].astype(str)]).mean()
    table = takes.groupby(level=0).mean()
    usage = usage_index(notes)
    table["continuity"] = usage.set_index(usage["player"].astype(str))["continuity"].reindex(table.index)
    spread = table.std(ddof=1)
    return ((table - table.mean()) / spread.where(spread > 0)).dropna(axis=1, how="all")


def pupils_near_teachers(
    notes: pd.DataFrame, strata: tuple[str, ...] = ("decade", "region"), draws: int = DRAWS, seed: int = 0
) -> Answer:
    """Test whether pupils are nearer to their teachers than decade and region explain.

    Parameters
    ----------
    notes : DataFrame
        Note table of the study; without a teacher in its column ``teacher`` the answer says how to add them.
    strata : tuple of str
        Tags within which players are exchanged.
    draws : int
        Exchanges drawn.
    seed : int
        For these.
    """
    question = f"Are pupils nearer to their teachers than to others of their {' and '.join(strata)}?"
    if "teacher" not in notes or notes["teacher"].isna().all():
        rests: dict[str, Any] = counts(notes)
        return Answer(question, cannot_tell=UNNAMED, **rests)
    all_pairs = lineages(notes)
    table = descriptions(notes)
    pairs = all_pairs[all_pairs["pupil"].isin(table.index) & all_pairs["teacher"].isin(table.index)]
    stratum = _strata(notes, table.index, strata)
    place = {name: k for k, name in enumerate(table.index)}
    pupil, teacher = (np.array([place[n] for n in pairs[c]], int) for c in ("pupil", "teacher"))
    names = " and ".join(strata)
    base: dict[str, Any] = {
        "question": question,
        "unit": "of the distance to others",
        "method": f"permutation within {names}; jackknife over teachers",
        **counts(notes[notes["player"].astype(str).isin({*pairs["pupil"], *pairs["teacher"]})]),
    }
    far = distances(table.to_numpy(float))
    rows = pairs.assign(distance=far[pupil, teacher]).reset_index(drop=True)
    base["cautions"] = _misspelt(notes)
    taught = len(set(pairs["teacher"]))
    if taught < LEAST_TEACHERS:
        reason = f"{len(pairs)} pupils of {taught} teachers, where {LEAST_TEACHERS} teachers are the least"
        return Answer(**base, table=rows, cannot_tell=reason)
    observed, expected, p, smallest = nearness(
        far, pupil, teacher, stratum, draws, np.random.default_rng(seed)
    )
    if smallest > 0.05:
        reason = f"there are so few others of the same {names} that p cannot fall below {smallest:.2g}"
        return Answer(**base, table=rows, cannot_tell=reason)
    rows["expected"] = expected
    ratio = float(observed.mean() / expected.mean())
    low, high = _jackknife(observed, expected, teacher)
    return Answer(**base, table=rows, estimate=ratio, low=low, high=high, p=p)


def distances(figures: np.ndarray) -> np.ndarray:
    """Root mean square difference of the figures that both players have [shape=(n, n)]."""
    return np.sqrt(np.nanmean((figures[:, None] - figures[None]) ** 2, axis=2))


def _misspelt(notes: pd.DataFrame) -> tuple[str, ...]:
    """Teachers who are no players here, but are spelt nearly as one."""
    players = set(notes["player"].astype(str))
    absent = sorted(set(notes["teacher"].dropna().astype(str)) - players)
    return tuple(
        f"Teacher {teacher!r} is no player here; is {player!r} meant?"
        for teacher, player in near_pairs([*absent, *sorted(players)])  # in this order
        if teacher not in players and player in players
    )


def nearness(
    far: np.ndarray,
    pupil: np.ndarray,
    teacher: np.ndarray,
    stratum: np.ndarray,
    draws: int,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Exchange players within strata.

    Parameters
    ----------
    far : ndarray [shape=(n, n)]
        Distances of players.
    pupil, teacher : ndarray of int [shape=(pairs,)]
        Places of the two of each pair.
    stratum : ndarray of int [shape=(n,)]
    draws : int
    rng : Generator

    Returns
    -------
    observed, expected : ndarray [shape=(pairs,)]
        Distance of each pair, and its mean under exchange.
    p, smallest : float
        The smallest p is what these strata allow.
    """
    moved = _exchanges(stratum, draws, rng)
    exchanged = far[moved[:, pupil], moved[:, teacher]]
    observed, means = far[pupil, teacher], exchanged.mean(axis=1)
    p = (1 + np.sum(means <= observed.mean() + 1e-12)) / (draws + 1)
    return observed, exchanged.mean(axis=0), float(p), float(np.mean(means <= means.min() + 1e-12))


def _strata(notes: pd.DataFrame, players: pd.Index, strata: tuple[str, ...]) -> np.ndarray:
    check_columns(notes, list(strata))
    label = notes[list(strata)].astype("string").fillna("").agg("\t".join, axis=1)
    return usual(label, notes["player"], list(players))


def _exchanges(stratum: np.ndarray, draws: int, rng: np.random.Generator) -> np.ndarray:
    """Whose description each player gets, in each draw [shape=(draws, players)]."""
    moved = np.tile(np.arange(len(stratum)), (draws, 1))
    for s in np.unique(stratum):
        own = np.flatnonzero(stratum == s)
        moved[:, own] = own[np.argsort(rng.random((draws, len(own))), axis=1)]
    return moved


def _jackknife(observed: np.ndarray, expected: np.ndarray, teacher: np.ndarray) -> tuple[float, float]:
    whole = np.log(observed.sum() / expected.sum())
    names = np.unique(teacher)
    without = np.array([np.log(observed[teacher != k].sum() / expected[teacher != k].sum()) for k in names])
    k = len(names)
    pseudo = k * whole - (k - 1) * without
    half = stats.t.ppf(0.975, k - 1) * pseudo.std(ddof=1) / np.sqrt(k)
    return float(np.exp(whole - half)), float(np.exp(whole + half))
