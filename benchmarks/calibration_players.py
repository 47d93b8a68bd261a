"""Rows of ``benchmarks/calibration.py`` in which players are what is hard: their own slopes, bridges between
periods, unequal spreads.

Players differ by a standard deviation of 0.25, recordings by 0.12, notes by 0.3 (log units), 8 players of 4
recordings of 20 to 40 notes, unless a row says otherwise. Nothing is there to find in the first run of each
row; in the second, an effect that an oracle (generalised least squares with the true variances) finds in
80 of 100 corpora.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from vibstudy.stats import fit_mixed
from vibstudy.stats.engine import plain_start, polish
from vibstudy.stats.multiple import tost
from vibstudy.stats.smallsample import make_inference
from vibstudy.stats.terms import random_design

LEVEL = 0.05
PLAYER_SD, RECORDING_SD, NOTE_SD = 0.25, 0.12, 0.3
ORACLE_POWER = 0.8


@dataclass(frozen=True)
class Row:
    """One kind of corpus.

    Parameters
    ----------
    name : str
    kind : str
        What is compared: "note number", "note factor", "decade", "period", "groups".
    own_sd : float
        By how much the effect differs between players.
    players : int
    bridges : int
        Players in both periods.
    spreads : tuple of float
        Standard deviation of the players of each group.
    first : int
        Players of the first group.
    even : bool
        As many recordings of every player, and as many notes of every recording.
    equal : bool
        The claim "equal", the truth at the margin: false support.
    """

    name: str
    kind: str
    own_sd: float = 0.0
    players: int = 8
    bridges: int = 0
    spreads: tuple[float, float] = (PLAYER_SD, PLAYER_SD)
    first: int = 4
    even: bool = True
    equal: bool = False


def rows() -> list[Row]:
    """The rows of the table, in their order."""
    out = []
    for even in (True, False):
        tail = "" if even else ", unbalanced"
        for sd in (0.05, 0.1):
            out.append(Row(f"number within players, slopes {sd}{tail}", "note number", sd, even=even))
        out.append(Row(f"factor within players, own effects 0.1{tail}", "note factor", 0.1, even=even))
        for sd in (0.05, 0.1):
            out.append(Row(f"decade within players, slopes {sd}{tail}", "decade", sd, even=even))
        out.append(Row(f"decade within players, no slopes{tail}", "decade", 0.0, even=even))
    out += [Row(f"period, {k} of 8 players in both", "period", 0.2, bridges=k) for k in (1, 2, 3, 4, 8)]
    out += [
        Row(f"decade, {k} of 8 players over several decades", "some decades", 0.1, bridges=k)
        for k in (1, 2, 4)
    ]
    out.append(Row("period, the only modern player in both", "lone", 0.2))
    pairs = [(3, 9), (4, 8), (4, 4), (6, 6), (2, 10)]
    for first, second in pairs:
        for spreads in ((0.45, 0.15), (0.15, 0.45), (0.25, 0.25)):
            label = f"groups, {first} players SD {spreads[0]} against {second} SD {spreads[1]}"
            out.append(Row(label, "groups", 0.0, first + second, spreads=spreads, first=first))
    out.append(Row("equal at its margin, 4 against 4 players", "groups", equal=True))
    out.append(Row("equal at its margin, decade within players", "decade", 0.1, equal=True))
    return out


class Corpus:
    """Draws corpora of one row and fits them with the tool's own code."""

    def __init__(self, row: Row, rng: np.random.Generator):
        self.row, self.rng = row, rng
        self.frame = self._frame()
        x = self.frame["x"].to_numpy(float)
        self.formula = "y ~ C(x)" if row.kind in ("note factor", "period", "lone", "groups") else "y ~ x"
        self.template = fit_mixed(self.frame.assign(y=self._outcome()), self.formula)
        prepared = self.template.prepared
        self.design = prepared.estimable
        self.contrast = np.array([0.0, 1.0])
        self._z = random_design(prepared.terms, len(x))[0]
        self._ones = np.ones(len(x))
        variance = self._true_variance(x)
        whole = np.column_stack([np.ones(len(x)), x])
        weighted = np.linalg.solve(variance, whole)
        self.oracle = np.linalg.solve(whole.T @ weighted, weighted.T)[1]  # estimate = oracle @ y
        self.oracle_se = float(np.sqrt(self.oracle @ variance @ self.oracle))
        self.effect = float(stats.norm.ppf(0.975) + stats.norm.ppf(ORACLE_POWER)) * self.oracle_se
        self.margin = 2 * float(stats.norm.ppf(0.975)) * self.oracle_se

    def _frame(self) -> pd.DataFrame:
        d, rng = self.row, self.rng
        rows = []
        for player in range(d.players):
            recordings = 4 if d.even else int(rng.integers(2, 7))
            for recording in range(recordings):
                notes = 30 if d.even else int(rng.integers(3, 41))
                x = self._x_of(player, recording)
                rows += [(player, f"{player}/{recording}", x)] * notes
        frame = pd.DataFrame(rows, columns=["player", "recording_id", "x"])
        if d.kind == "note number":
            frame["x"] = rng.normal(size=len(frame))
        if d.kind == "note factor":
            frame["x"] = (rng.random(len(frame)) < 0.4).astype(int)
        return frame

    def _x_of(self, player: int, recording: int) -> int:
        d = self.row
        if d.kind == "decade":
            return recording if d.even else int(self.rng.integers(0, 5))
        if d.kind == "period":
            return (recording % 2) if player < d.bridges else player % 2
        if d.kind == "some decades":
            return recording if player < d.bridges else player % 4
        if d.kind == "lone":
            return int(player == 0 and recording >= 2)
        return int(player >= d.first)

    def _codes(self) -> tuple[np.ndarray, np.ndarray]:
        return self.frame["player"].to_numpy(), pd.factorize(self.frame["recording_id"])[0]

    def _outcome(self) -> np.ndarray:
        d, rng, x = self.row, self.rng, self.frame["x"].to_numpy(float)
        player, recording = self._codes()
        sd = np.where(np.arange(d.players) < d.first, *d.spreads) if d.kind == "groups" else PLAYER_SD
        y = (sd * rng.normal(size=d.players))[player]
        y = y + RECORDING_SD * rng.normal(size=recording.max() + 1)[recording]
        y += NOTE_SD * rng.normal(size=len(x))
        if d.own_sd and d.kind in ("note number", "decade", "some decades"):
            y += (d.own_sd * rng.normal(size=d.players))[player] * x
        elif d.own_sd:
            y += (d.own_sd * rng.normal(size=(d.players, 2)))[player, x.astype(int)]
        return y

    def _true_variance(self, x: np.ndarray) -> np.ndarray:
        d = self.row
        player, recording = self._codes()
        sd = np.where(np.arange(d.players) < d.first, *d.spreads) if d.kind == "groups" else PLAYER_SD
        same = player[:, None] == player
        out = same * (sd * np.ones(d.players))[player] ** 2
        out = out + RECORDING_SD**2 * (recording[:, None] == recording) + NOTE_SD**2 * np.eye(len(x))
        if d.own_sd and d.kind in ("note number", "decade", "some decades"):
            out += d.own_sd**2 * same * np.outer(x, x)
        elif d.own_sd:
            out += d.own_sd**2 * same * (x[:, None] == x)
        return out

    def one(self, effect: float) -> dict[str, float]:
        """Draw one corpus: p of no effect, p of the true one, and whether the oracle finds it."""
        y = self._outcome() + effect * self.frame["x"].to_numpy(float)
        prepared = self.template.prepared
        moments = self.template.fit.solution.moments.with_outcome(self._z, self.design, y, self._ones)
        solution = polish(moments, plain_start(prepared.terms))[0]
        inference = make_inference(solution, self.design, prepared.terms, prepared.players, self.template.df)
        if inference.reason(self.contrast):
            return {"refused": 1.0}
        estimate = float(self.contrast @ solution.beta)
        se, df = float(np.sqrt(inference.variance(self.contrast))), inference.df(self.contrast)
        found = {
            "p": 2 * stats.t.sf(abs(estimate) / se, df),
            "p true": 2 * stats.t.sf(abs(estimate - effect) / se, df),
            "df": df,
            "oracle": 2 * stats.norm.sf(abs(self.oracle @ y) / self.oracle_se),
        }
        if self.row.equal:
            found["p"] = tost(estimate, se, df, self.margin).p
        return found


def calibrate(row: Row, corpora: int, seed: int) -> dict[str, object]:
    """False alarms, intervals and power of one row."""
    corpus = Corpus(row, np.random.default_rng(seed))
    null = pd.DataFrame([corpus.one(corpus.margin if row.equal else 0.0) for _ in range(corpora)])
    there = pd.DataFrame([corpus.one(0.0 if row.equal else corpus.effect) for _ in range(corpora // 4)])
    label = {"design": row.name, "method": "verdict of the tool", "corpora": corpora}
    if "refused" in null:
        return {**label, "refused_percent": 100 * null["refused"].mean()}
    both = pd.concat([null, there])
    return {
        **label,
        "false_alarms_percent": 100 * np.mean(null["p"] < LEVEL),
        "coverage_percent": 100 * np.mean(both["p true"] >= LEVEL),
        "power_percent": 100 * np.mean(there["p"] < LEVEL),
        "oracle_percent": np.nan if row.equal else 100 * np.mean(there["oracle"] < LEVEL),
        "median_df": both["df"].median(),
        "refused_percent": 0.0,
    }
