"""What the further questions share: an answer as data, players' figures with errors, two groups compared.

An :class:`Answer` holds figures; :meth:`Answer.sentence` is the only place where words are made of them.
Where a corpus is too small, ``cannot_tell`` says why, and p and interval are missing: nothing is shown that
could be quoted in spite of it.

A player's figure
-----------------
Notes of a recording resemble each other, and so do recordings of a player. A player's figure is the mean
of the recordings' means, recording r weighted by ``1 / (q + 1 / n_r)``, with ``n_r`` its notes and ``q`` the
variance between recordings over that of notes. Its sampling error follows from the same two variances,
which are pooled over all players (unbiased moments of the nested, unbalanced design: Searle, Casella &
McCulloch 1992, *Variance Components*, ch. 3; from memory). Where no player has two recordings, the
difference between recordings cannot be told from that between players, and is part of it.

Two groups
----------
The player is the unit. A player who stands in both groups is left out and counted: players compared
within themselves are a question of their own. Groups are compared by Welch's t (Welch 1947, Biometrika
34:28-35), which lets the groups' spreads differ.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from vibstudy.errors import Problem, VibstudyError
from vibstudy.stats.claimfile import LOG_BY_DEFAULT
from vibstudy.stats.frames import check_columns
from vibstudy.stats.selection import need

LEAST_A_SIDE = 4
"""Players on each side of a comparison: with 3 against 9 players and the spread of the 3 three times as
large, Welch's t gives 6 to 7 % false alarms where 5 % is promised (simulated in the tests)."""


@dataclass(frozen=True, eq=False)
class Answer:
    """The answer to one question.

    Parameters
    ----------
    question : str
    estimate, low, high : float
        In `unit`; the interval is a 95 % one. Missing where the corpus cannot tell.
    unit : str
    p : float
        Probability of so large a difference if there were none; missing where there is no test.
    players, recordings, notes : int
        What it rests on.
    method : str
        How estimate, interval and p were found.
    cannot_tell : str
        Why this corpus is too small for the question; "" when it is not.
    cautions : tuple of str
        What to know before quoting it.
    table : DataFrame
        One row a player, pair or group: what the answer was computed from.
    """

    question: str
    estimate: float = np.nan
    low: float = np.nan
    high: float = np.nan
    unit: str = ""
    p: float = np.nan
    players: int = 0
    recordings: int = 0
    notes: int = 0
    method: str = ""
    cannot_tell: str = ""
    cautions: tuple[str, ...] = ()
    table: pd.DataFrame = field(default_factory=pd.DataFrame)

    def sentence(self) -> str:
        """The answer in words."""
        rests = f"{self.players} players, {self.recordings} recordings, {self.notes} notes"
        if self.cannot_tell:
            return f"{self.question} These recordings cannot tell: {self.cannot_tell} ({rests})."
        swing = "± " if self.unit.startswith("± ") else ""  # "± 25 cents", not "25 ± cents"
        unit = f" {self.unit.removeprefix(swing)}" if self.unit else ""
        figures = [f"{swing}{self.estimate:.3g}{unit}"] if np.isfinite(self.estimate) else []
        if np.isfinite(self.low) or np.isfinite(self.high):
            figures.append(f"95 % interval {self.low:.3g} to {self.high:.3g}")
        if np.isfinite(self.p):
            figures.append("p < 0.001" if self.p < 0.001 else f"p = {self.p:.3f}")
        return " ".join([f"{self.question} {', '.join(figures)} ({rests}).", *self.cautions])


def counts(notes: pd.DataFrame) -> dict[str, int]:
    """Players, recordings and notes of a frame, as :class:`Answer` takes them."""
    return {
        "players": int(notes["player"].nunique()),
        "recordings": int(notes["recording_id"].nunique()),
        "notes": len(notes),
    }


def on_scale(notes: pd.DataFrame, outcome: str) -> pd.Series:
    """Values of a column, as log2 where it is modelled so in claims; not positive is missing there."""
    check_columns(notes, [outcome])
    values = pd.to_numeric(notes[outcome], errors="coerce").astype(float)
    if outcome in LOG_BY_DEFAULT:
        return pd.Series(np.log2(values.where(values > 0)), index=values.index)
    return values


def usual(labels: pd.Series, players: pd.Series, order: Sequence[str]) -> np.ndarray:
    """Group number of each player of `order`: that of most of his notes."""
    found = {
        str(name): str(own.mode().iat[0])
        for name, own in labels.groupby(players.astype(str))
        if own.notna().any()
    }
    return np.unique([found.get(str(name), "") for name in order], return_inverse=True)[1]


@dataclass(frozen=True, eq=False)
class PlayerFigures:
    """Figures of players with their sampling errors.

    Parameters
    ----------
    players : tuple of str [length=n]
    values : ndarray [shape=(n, k)]
    errors : ndarray [shape=(n, k, k)]
        Sampling covariance of each player's figures.
    recordings, notes : ndarray of int [shape=(n,)]
    apart : bool
        Whether recordings can be told from players: some player has two.
    """

    players: tuple[str, ...]
    values: np.ndarray
    errors: np.ndarray
    recordings: np.ndarray
    notes: np.ndarray
    apart: bool

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to know of the errors."""
        if self.apart:
            return ()
        return ("No player has two recordings: what differs between recordings counts as between players.",)


def player_figures(notes: pd.DataFrame, outcomes: Sequence[str]) -> PlayerFigures:
    """Return players' mean figures and the sampling errors of these.

    Parameters
    ----------
    notes : DataFrame
        Notes that count; those without a value of every outcome are left out.
    outcomes : sequence of str
        Columns; extents as log2.
    """
    data = pd.DataFrame({name: on_scale(notes, name) for name in outcomes})
    data["player"], data["recording_id"] = notes["player"].astype(str), notes["recording_id"].astype(str)
    data = data.dropna()
    names = list(outcomes)
    by_recording = data.groupby(["player", "recording_id"], sort=True)[names]
    means, sizes = by_recording.mean(), by_recording.size().to_numpy(float)
    apart = data[names].to_numpy(float) - by_recording.transform("mean").to_numpy(float)
    k = len(names)
    players, codes = np.unique(means.index.get_level_values("player"), return_inverse=True)
    value = means.to_numpy(float)
    n, takes = np.bincount(codes, sizes, len(players)), np.bincount(codes, minlength=len(players))
    free = len(data) - len(means)
    note = apart.T @ apart / free if free > 0 else np.zeros((k, k))
    centre = np.column_stack([np.bincount(codes, sizes * value[:, j], len(players)) / n for j in range(k)])
    off = value - centre[codes]
    between = (off * sizes[:, None]).T @ off - (takes - 1).sum() * note
    scale = float(np.sum(n - np.bincount(codes, sizes**2, len(players)) / n))
    known = scale > 0
    take = _at_least_zero(between / scale) if known else np.zeros((k, k))
    varied = np.diag(note) > 0
    q = float(np.mean(np.diag(take)[varied] / np.diag(note)[varied])) if varied.any() else 1.0
    weight = 1 / (q + 1 / sizes)
    total = np.bincount(codes, weight, len(players))
    values = np.column_stack(
        [np.bincount(codes, weight * value[:, j], len(players)) / total for j in range(k)]
    )
    of_takes = np.bincount(codes, weight**2, len(players)) / total**2
    of_notes = np.bincount(codes, weight**2 / sizes, len(players)) / total**2
    errors = of_takes[:, None, None] * take + of_notes[:, None, None] * note
    return PlayerFigures(tuple(players), values, errors, takes, n.astype(int), known)


def _at_least_zero(covariance: np.ndarray) -> np.ndarray:
    """The nearest covariance matrix: negative eigenvalues become 0."""
    roots, axes = np.linalg.eigh((covariance + covariance.T) / 2)
    return (axes * np.maximum(roots, 0)) @ axes.T


def sides(
    notes: pd.DataFrame, by: str, start: object, end: object
) -> tuple[pd.Series, np.ndarray, tuple[str, ...]]:
    """Side (0 start, 1 end) of each player who stands on one side only, their notes, and what was left out.

    Raises
    ------
    VibstudyError
        When a column or a level is not there.
    """
    check_columns(notes, [by])
    need(notes, [by], "A comparison of groups")
    texts = notes[by].astype("string")
    there = set(texts.dropna())
    repair = f"There are: {', '.join(sorted(there))}"
    absent = [str(level) for level in (start, end) if str(level) not in there]
    if absent:
        raise VibstudyError(
            [Problem("no note has this value", column=by, got=level, repair=repair) for level in absent]
        )
    side = texts.map({str(start): 0.0, str(end): 1.0}).astype(float)
    player = notes["player"].astype(str)
    range_ = side.groupby(player).agg(["min", "max"]).dropna()
    both = range_.index[range_["min"] != range_["max"]]
    left = (f"Left out, since on both sides: {', '.join(both)}.",) if len(both) else ()
    of_player = range_.loc[range_["min"] == range_["max"], "min"].astype(int)
    return of_player, (side.notna() & player.isin(of_player.index)).to_numpy(), left


def too_few(side: pd.Series, what: str = "players") -> str:
    """Why two sides are too small to be compared; "" when they are not."""
    first, second = int((side == 0).sum()), int((side == 1).sum())
    if min(first, second) >= LEAST_A_SIDE:
        return ""
    least = f"where {LEAST_A_SIDE} on each side are the least for an honest answer"
    return f"{first} and {second} {what}, {least}"


def welch(first: np.ndarray, second: np.ndarray) -> tuple[float, float, float, float]:
    """Difference of means (second less first), 95 % interval and p by Welch's t."""
    a, b = np.asarray(first, float), np.asarray(second, float)
    found = stats.ttest_ind(b, a, equal_var=False)
    interval = found.confidence_interval(0.95)
    return float(b.mean() - a.mean()), float(interval.low), float(interval.high), float(found.pvalue)
