"""Planning: how many more players or recordings, and which ones next.

**Power** is the share of studies that would find a difference (p below alpha) if it were as large as
supposed. It is simulated from the fitted corpus: new players are copies of the design of players of
the same cell (same fixed terms, as many recordings and notes), new recordings copies of a player's own;
their outcomes are drawn from the fitted variances, the model is fitted to each drawn study, and
the test of the tool itself decides.

Power at the *observed* difference says nothing that p does not say already (Hoenig & Heisey 2001, Am.
Stat. 55(1):19-24): suppose the smallest difference that would matter.

**Next recordings** are ranked by how much each would narrow the interval of the contrast, the variances
taken as fitted.

References
----------
Green & MacLeod 2016, Methods Ecol. Evol. 7(4):493-498 (power of mixed models by simulation).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
import pandas as pd

from vibstudy.errors import VibstudyError
from vibstudy.stats.engine import polish
from vibstudy.stats.fitted import unit_of
from vibstudy.stats.marginal import Grid
from vibstudy.stats.mixed import MixedResult
from vibstudy.stats.moments import Moments
from vibstudy.stats.resampling import contrast_row
from vibstudy.stats.smallsample import make_inference
from vibstudy.stats.terms import RandomTerm, random_design, same_within
from vibstudy.threads import one_thread

TARGET = 0.8  # power usually asked for: common practice, no source

WORTH = 0.005
"""A recording that narrows the interval by less than this share of it is not advised."""


@dataclass(frozen=True)
class Power:
    """Simulated power of a contrast.

    Parameters
    ----------
    label : str
        The term or contrast.
    difference : float
        On the model's scale.
    shown : str
        The difference as the reader gave it.
    table : DataFrame
        ``added`` (players a cell, or recordings a player), ``what``, ``players, recordings, power, low,
        high`` (Wilson's 95 % interval of the simulation).
    target : float
    """

    label: str
    difference: float
    shown: str
    table: pd.DataFrame = field(compare=False)
    target: float = TARGET

    def needed(self, what: str) -> int | None:
        """Smallest number added that reaches the target: "players a cell" or "recordings a player"."""
        rows = self.table[(self.table["what"] == what) & (self.table["power"] >= self.target)]
        return None if rows.empty else int(rows["added"].min())

    @property
    def sentences(self) -> list[str]:
        """The answer in words."""
        now = self.table[self.table["added"] == 0]["power"].mean()
        goal = f"{100 * self.target:.0f} %"
        first = (
            f"A difference of {self.shown} in {self.label} would be found by {100 * now:.0f} % of studies "
            "like this one."
        )
        if now >= self.target:
            return [first + " No more recordings are needed for it."]
        out = [first]
        for what in dict.fromkeys(self.table["what"]):
            rows = self.table[self.table["what"] == what]
            need = self.needed(what)
            if need is not None:
                row = rows[rows["added"] == need].iloc[0]
                out.append(
                    f"With {need} more {what} ({row['players']} players, {row['recordings']} recordings in "
                    f"all) it would be {100 * row['power']:.0f} %, at least {goal}."
                )
            else:
                row = rows.loc[rows["added"].idxmax()]
                out.append(f"{row['added']} more {what} would still give only {100 * row['power']:.0f} %.")
        return out

    def __str__(self) -> str:
        return " ".join(self.sentences)


@one_thread
def simulate_power(
    result: MixedResult,
    label: str,
    difference: float,
    at: float | None = None,
    players: Sequence[int] = (0, 1, 2, 3, 4, 6, 8, 12),
    recordings: Sequence[int] = (0, 1, 2, 4, 8),
    draws: int = 200,
    alpha: float = 0.05,
    target: float = TARGET,
    seed: int | np.random.Generator = 1,
) -> Power:
    """Simulate the power to see a difference, with more players and with more recordings.

    Parameters
    ----------
    result : MixedResult
        The model fitted to what there is.
    label : str
        Term or contrast, as the model names it; must vary as the question does.
    difference : float
        The smallest difference that would matter, in the outcome's unit. With a logarithmic outcome in
        per cent, or in the outcome's unit when `at` is given.
    at : float | None
        Value from which a difference of a logarithmic outcome counts, e.g. 40 (cents).
    players : sequence of int
        Numbers of players added to each cell of the player-level terms; stops when clearly enough.
    recordings : sequence of int
        Numbers of recordings added to each player.
    draws : int
        Simulated studies for each number.
    alpha : float
    target : float
    seed : int or Generator
    """
    if difference == 0:
        raise VibstudyError("the difference to be seen must not be 0", column="difference", got="0")
    rng = np.random.default_rng(seed)
    row = contrast_row(result, label)
    size, shown = _on_scale(result, difference, at)

    @cache  # both ways to grow start from the same corpus
    def outcome(more_players: int, more_recordings: int) -> tuple[int, int, float, float, float]:
        study = _Study.of(result, more_players, more_recordings, rng)
        found = sum(study.finds(row, size, alpha, rng) for _ in range(draws))
        return (study.players, study.recordings, *_wilson(found, draws))

    ways = {
        "players a cell": [(number, 0) for number in players],
        "recordings a player": [(0, number) for number in recordings],
    }
    rows = []
    for what, steps in ways.items():
        for step in steps:
            simulated = outcome(*step)
            rows.append((sum(step), what, *simulated))
            if simulated[2] > target + 0.15:  # well above what was asked
                break
    columns = ["added", "what", "players", "recordings", "power", "low", "high"]
    return Power(label, size, shown, pd.DataFrame(rows, columns=columns), target)


def _on_scale(result: MixedResult, difference: float, at: float | None) -> tuple[float, str]:
    unit = f" {unit_of(result.prepared.outcome_column)}".rstrip()
    if not result.scale.changed:
        return difference, f"{abs(difference):g}{unit}"
    if at is None:
        ratio, shown = 1 + difference / 100, f"{abs(difference):g} %"
    else:
        ratio, shown = (at + difference) / at, f"{abs(difference):g}{unit} (from {at:g})"
    if ratio <= 0:
        raise VibstudyError("the difference takes the outcome below 0", got=str(difference))
    return float(np.log(ratio) / np.log(result.scale.base)), shown


def _wilson(found: int, draws: int) -> tuple[float, float, float]:
    from statsmodels.stats.proportion import proportion_confint

    low, high = proportion_confint(found, draws, method="wilson")
    return found / draws, float(low), float(high)


class _Study:
    """A study of the fitted corpus' kind, with players or recordings added."""

    def __init__(self, result: MixedResult, rows: np.ndarray, terms: list[RandomTerm]):
        prepared = result.prepared
        self._result, self._terms = result, tuple(terms)
        self._x = prepared.estimable[rows]
        self._w = np.ones(len(rows)) if prepared.weights is None else prepared.weights[rows]
        self._z = random_design(terms, len(rows))[0]
        self._base = Moments.of(np.zeros(len(rows)), self._x, terms, self._w)
        counts = {t.group: len(t.levels) for t in terms}
        self.players = counts.get(str(prepared.player), 0)
        self.recordings = counts.get(f"{prepared.player}:{prepared.recording}", self.players)

    @classmethod
    def of(
        cls, result: MixedResult, more_players: int, more_recordings: int, rng: np.random.Generator
    ) -> _Study:
        """Copy players within their cell, or recordings within their player."""
        prepared = result.prepared
        player = next((t for t in prepared.terms if t.group == prepared.player), None)
        if player is None:
            raise VibstudyError("The model has no players to add.")
        nested = next(
            (t for t in prepared.terms if t.group == f"{prepared.player}:{prepared.recording}"), None
        )
        recording = player.codes if nested is None else nested.codes
        chunks = [(np.arange(len(player.codes)), player.codes, recording)]
        next_player, next_recording = player.codes.max() + 1, recording.max() + 1
        for codes in _cells(prepared.estimable, player.codes):
            for _ in range(more_players):
                rows = np.flatnonzero(player.codes == rng.choice(codes))
                own = np.unique(recording[rows], return_inverse=True)[1]
                chunks.append((rows, np.full(len(rows), next_player), next_recording + own))
                next_player, next_recording = next_player + 1, next_recording + own.max() + 1
        for code in np.unique(player.codes) if more_recordings else ():
            own = np.unique(recording[player.codes == code])
            for chosen in rng.choice(own, more_recordings):
                rows = np.flatnonzero(recording == chosen)
                chunks.append((rows, player.codes[rows], np.full(len(rows), next_recording)))
                next_recording += 1
        rows, players, recordings = (np.concatenate(part) for part in zip(*chunks, strict=True))
        terms = []
        for term in prepared.terms:
            codes = players if term is player else recordings if term is nested else term.codes[rows]
            levels = tuple(str(k) for k in range(int(codes.max()) + 1))
            terms.append(replace(term, codes=codes, levels=levels, design=term.design[rows]))
        return cls(result, rows, terms)

    def finds(self, row: np.ndarray, size: float, alpha: float, rng: np.random.Generator) -> bool:
        """Draw one such study with a difference of `size`; whether the test finds it."""
        from scipy import stats

        solution = self._result.fit.solution
        beta = solution.beta + row * (size - row @ solution.beta) / (row @ row)
        y = self._x @ beta + solution.sigma * rng.standard_normal(len(self._x)) / np.sqrt(self._w)
        effects = []
        for term, factor in zip(self._terms, solution.factors, strict=True):
            draw = rng.standard_normal((len(term.levels), len(term.columns))) @ (solution.sigma * factor).T
            effects.append(draw.T.ravel())
        y += self._z @ np.concatenate(effects)
        drawn = polish(self._base.with_outcome(self._z, self._x, y, self._w), solution.factors)[0]
        inference = make_inference(
            drawn, self._x, self._terms, self._result.prepared.players, self._result.df
        )
        t = (row @ drawn.beta) / np.sqrt(inference.variance(row))
        p = 2 * stats.t.sf(abs(t), inference.df(row))
        return bool(p < alpha and np.sign(t) == np.sign(size))


def _cells(x: np.ndarray, codes: np.ndarray) -> list[np.ndarray]:
    """Players grouped by the fixed terms that do not vary within any player."""
    first, constant = same_within(x, codes)
    _, cell = np.unique(np.round(first[:, constant], 9), axis=0, return_inverse=True)
    cell = np.ravel(cell)
    return [np.flatnonzero(cell == k) for k in range(int(cell.max()) + 1)]


# --- which recordings next


@dataclass(frozen=True)
class Plan:
    """Which recordings to add next.

    Parameters
    ----------
    label : str
    table : DataFrame
        One row a candidate, best first: ``what`` (a new player, or one more recording of a player),
        ``place`` (the new player's tags, or the player), ``player``, ``narrower`` (by what share of
        itself the interval would shrink).
    """

    label: str
    table: pd.DataFrame = field(compare=False)

    @property
    def sentences(self) -> list[str]:
        """The advice in words."""
        if not (self.table["narrower"] >= WORTH).any():
            return ["No recording that could be added would narrow this interval."]
        out = []
        for k, row in enumerate(self.table[self.table["narrower"] >= WORTH].head(3).to_dict("records")):
            opening = "Most would help" if k == 0 else "Then"
            out.append(
                f"{opening}: {row['what']} ({row['place']}), which would narrow the interval of "
                f"{self.label} by {100 * row['narrower']:.0f} %."
            )
        return out

    def __str__(self) -> str:
        return " ".join(self.sentences)


@one_thread
def plan_next(
    result: MixedResult,
    label: str,
    by: Sequence[str] = ("decade", "region"),
    recordings: int | None = None,
    notes: int | None = None,
) -> Plan:
    """Rank what could be added next by how much it would narrow the interval of a contrast.

    Parameters
    ----------
    result : MixedResult
    label : str
        Term or contrast.
    by : sequence of str
        Columns of the formula that a new player may be chosen by; others stay at their mean.
    recordings, notes : int | None
        Recordings of a new player, and notes a recording; None takes the median of the corpus.
    """
    prepared = result.prepared
    row = contrast_row(result, label)
    player = next((t for t in prepared.terms if t.group == prepared.player), None)
    if player is None:
        raise VibstudyError("The model has no players to add.")
    nested = next((t for t in prepared.terms if t.group == f"{prepared.player}:{prepared.recording}"), player)
    counts = np.bincount(nested.codes)
    notes = int(np.median(counts)) if notes is None else notes
    own = pd.Series(nested.codes).groupby(player.codes).nunique()
    recordings = int(own.median()) if recordings is None else recordings
    before = _half_width(result, row, [])
    found = []
    for place, design in _new_cells(result, by):
        added = [(design, len(player.levels), len(nested.levels) + k, notes) for k in range(recordings)]
        found.append(("a new player", place, "", _half_width(result, row, added)))
    for code, name in enumerate(player.levels):
        design = prepared.estimable[player.codes == code].mean(axis=0)
        added = [(design, code, len(nested.levels), notes)]
        found.append(("one more recording", str(name), name, _half_width(result, row, added)))
    table = pd.DataFrame(found, columns=["what", "place", "player", "after"])
    table["narrower"] = 1 - table["after"] / before
    table = table[table["narrower"] > 1e-6].drop(columns="after")
    return Plan(label, table.sort_values("narrower", ascending=False, ignore_index=True, kind="stable"))


def _new_cells(result: MixedResult, by: Sequence[str]) -> list[tuple[str, np.ndarray]]:
    """Every combination of levels (or values found) of the tags `by` in the formula, with its design row."""
    prepared, grid = result.prepared, Grid(result.prepared)
    tags = [tag for tag in by if tag in prepared.factors or tag in prepared.covariates]
    if not tags:
        tags = [*prepared.factors]
    values = [prepared.factors.get(tag) or sorted(prepared.frame[tag].unique().tolist()) for tag in tags]
    cells = []
    for combination in itertools.product(*values):
        settings = dict(zip(tags, combination, strict=True))
        design = grid.reduce(grid.row(settings))
        if design is not None:
            cells.append((", ".join(f"{k} {v}" for k, v in settings.items()), design))
    return cells


def _half_width(
    result: MixedResult, row: np.ndarray, added: Sequence[tuple[np.ndarray, int, int, int]]
) -> float:
    """Standard error of the contrast with (design, player, recording, notes) added, variances as fitted."""
    prepared, solution = result.prepared, result.fit.solution
    x = [prepared.estimable, *(np.tile(d, (n, 1)) for d, _, _, n in added)]
    terms = []
    for term in prepared.terms:
        codes = [term.codes]
        for _, player, recording, n in added:
            if term.group == prepared.player:
                codes.append(np.full(n, player))
            elif term.group == f"{prepared.player}:{prepared.recording}":
                codes.append(np.full(n, recording))
            else:  # a crossed factor: a level as the corpus has it
                codes.append(np.resize(np.arange(len(term.levels)), n))
        joined = np.concatenate(codes)
        levels = tuple(str(k) for k in range(int(joined.max()) + 1))
        alike = [int(np.argmin(np.sum((prepared.estimable - d) ** 2, axis=1))) for d, *_ in added]
        fresh = [np.tile(term.design[k], (n, 1)) for k, (*_, n) in zip(alike, added, strict=True)]
        terms.append(replace(term, codes=joined, levels=levels, design=np.vstack([term.design, *fresh])))
    weights = prepared.weights
    if weights is not None:
        weights = np.concatenate([weights, *(np.ones(n) for *_, n in added)])
    stacked = np.vstack(x)
    moments = Moments.of(np.zeros(len(stacked)), stacked, terms, weights)
    covariance = moments.at(solution.factors, solution.sigma).covariance
    return float(np.sqrt(row @ covariance @ row))
