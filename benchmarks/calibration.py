"""Which way of computing p-values and intervals keeps its promise with few players?

Simulated corpora without any effect: how often does each method call one real at the 5 % level (false
alarms; 5 % is right)? And half as many again with an effect: how often, over all of them, does its 95 %
interval hold the truth? The naive t-test over notes and Wald's z stand beside the methods of the tool.

Each row is one design: so many players, the comparison made (two periods of players, a trend over
the players' decades, a trend within players over their recordings, ...), balanced or not, and the
distribution of players about their mean. Long-tailed players: Student's t with 5 degrees of freedom
(kurtosis 9, against 3); heavy-tailed: with 3 (kurtosis infinite).

The parametric bootstrap is calibrated by the warp-speed method (Giacomini, Politis & White 2013, Econ.
Theory 29(3):567-589): one bootstrap sample for each corpus, pooled.

Rows in which the players are what is hard (own slopes, bridges between periods, unequal spreads) come from
``calibration_players.py``: there the tool's own verdict is counted, and its power beside an oracle's.

Run ``python -m benchmarks.calibration --corpora 4000`` (about 40 minutes of one core); the table goes
to ``docs/tables/calibration.csv``. ``--quick`` makes a small one in a minute and writes nothing.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from benchmarks.calibration_players import calibrate as calibrate_players
from benchmarks.calibration_players import rows as player_rows
from vibstudy.stats import fit_mixed, fit_presence
from vibstudy.stats.engine import EngineFit
from vibstudy.stats.mixed import MixedResult
from vibstudy.stats.moments import Solution
from vibstudy.stats.resampling import Refit, _fit_null, permutation_test
from vibstudy.stats.smallsample import BetweenWithin, KenwardRoger, Satterthwaite

TABLE = Path(__file__).parent.parent / "docs" / "tables" / "calibration.csv"
LEVEL = 0.05


@dataclass(frozen=True)
class Design:
    """One kind of corpus."""

    name: str
    players: int
    compare: str = "periods"  # periods, three periods, player decades, recording decades
    balanced: bool = False
    player_sd: float = 0.5
    recording_sd: float = 0.25
    note_sd: float = 0.5
    tail_df: int = 0  # Student's t of the players; 0 is normal
    pieces: int = 0
    resampling: bool = False
    recordings: int = 3
    notes: int = 20

    @property
    def label(self) -> str:
        """The design in words."""
        return f"{self.players} players, {self.name}"


def long_tailed() -> list[Design]:
    """Rows with long-tailed players."""
    return [
        Design("unbalanced, long-tailed", players, tail_df=5, resampling=True) for players in (6, 8, 12, 20)
    ]


def designs() -> list[Design]:
    """All other rows of the table."""
    out = []
    for players in (6, 8, 12, 20):
        out += [
            Design("balanced", players, balanced=True),
            Design("unbalanced", players, resampling=True),
            Design("unbalanced, players alike", players, player_sd=0.2),
            Design("unbalanced, heavy-tailed", players, tail_df=3, resampling=True),
            Design("unbalanced, trend over players", players, "player decades"),
            Design("unbalanced, trend within players", players, "recording decades"),
        ]
    out += [
        Design("unbalanced, three periods", 12, "three periods"),
        Design("unbalanced, pieces crossed", 12, pieces=8),
        Design("balanced, players identical", 8, balanced=True, player_sd=0.0, resampling=True),
    ]
    return out


class Corpus:
    """Draws corpora of one design and fits them with the tool's own code."""

    def __init__(self, design: Design, rng: np.random.Generator):
        self.design, self.rng = design, rng
        self.frame = self._frame()
        formula, self.term = {
            "periods": ("y ~ C(period)", "C(period)[T.1]"),
            "three periods": ("y ~ C(period)", "C(period)[T.2]"),
            "player decades": ("y ~ decade", "decade"),
            "recording decades": ("y ~ decade", "decade"),
        }[design.compare]
        crossed = ("piece",) if design.pieces else ()
        self.result = fit_mixed(
            self.frame.assign(y=self._outcome(0.0)), formula, crossed=crossed, slopes=None, spread="equal"
        )
        self.refit = Refit(self.result)
        self.x = self.result.prepared.estimable
        self.row = np.eye(self.x.shape[1])[self.result.names.index(self.term)]

    def _frame(self) -> pd.DataFrame:
        d, rng = self.design, self.rng
        periods = 3 if d.compare == "three periods" else 2
        rows = []
        for player in range(d.players):
            recordings = d.recordings if d.balanced else int(rng.integers(1, 7))
            for recording in range(recordings):
                notes = d.notes if d.balanced else int(rng.integers(3, 41))
                decade = player % 5 if d.compare == "player decades" else int(rng.integers(0, 5))
                piece = int(rng.integers(0, d.pieces)) if d.pieces else 0
                rows += [(player, f"{player}/{recording}", player % periods, decade, piece)] * notes
        return pd.DataFrame(rows, columns=["player", "recording_id", "period", "decade", "piece"])

    def _outcome(self, effect: float) -> np.ndarray:
        d, rng, f = self.design, self.rng, self.frame
        draw = rng.normal(size=d.players)
        if d.tail_df:
            draw = rng.standard_t(d.tail_df, d.players) / np.sqrt(d.tail_df / (d.tail_df - 2))
        recordings = pd.factorize(f["recording_id"])[0]
        y = d.player_sd * draw[f["player"]]
        y = y + d.recording_sd * rng.normal(size=recordings.max() + 1)[recordings]
        y += d.note_sd * rng.normal(size=len(f))
        if d.pieces:
            y += 0.25 * rng.normal(size=d.pieces)[f["piece"]]
        if effect:
            y += effect * self.x @ self.row
        return y

    def p_values(self, effect: float) -> dict[str, float]:
        """Draw one corpus; p of each method that the effect is `effect`, which is true."""
        y = self._outcome(effect)
        solution = self.refit(y)
        self.last = self._as_result(y, solution)
        estimate = self.row @ solution.beta - effect
        methods = {
            "Satterthwaite": Satterthwaite(solution),
            "Kenward-Roger": KenwardRoger(solution),
            "between-within": BetweenWithin(solution.covariance, self.x, self.result.prepared.terms),
        }
        p = {}
        for name, method in methods.items():
            t = estimate / np.sqrt(self.row @ method.covariance @ self.row)
            p[name] = 2 * stats.t.sf(abs(t), method.df(self.row))
        z = estimate / np.sqrt(self.row @ solution.covariance @ self.row)
        p["Wald z"] = 2 * stats.norm.sf(abs(z))
        p["t-test over notes"] = self._naive(y, effect)
        p["t-test over player means"] = self._means(y, effect)
        return p

    def _naive(self, y: np.ndarray, effect: float) -> float:
        inverse = np.linalg.inv(self.x.T @ self.x)
        beta = inverse @ self.x.T @ y
        df = len(y) - self.x.shape[1]
        variance = np.sum((y - self.x @ beta) ** 2) / df * (self.row @ inverse @ self.row)
        return float(2 * stats.t.sf(abs(self.row @ beta - effect) / np.sqrt(variance), df))

    def _means(self, y: np.ndarray, effect: float) -> float:
        if self.design.compare == "recording decades":
            return float("nan")
        codes = self.frame["player"].to_numpy()
        means = np.bincount(codes, y) / np.bincount(codes)
        x = self.x[np.unique(codes, return_index=True)[1]]
        inverse = np.linalg.inv(x.T @ x)
        beta = inverse @ x.T @ means
        df = len(means) - x.shape[1]
        variance = np.sum((means - x @ beta) ** 2) / df * (self.row @ inverse @ self.row)
        return float(2 * stats.t.sf(abs(self.row @ beta - effect) / np.sqrt(variance), df))

    def _as_result(self, y: np.ndarray, solution: Solution) -> MixedResult:
        return MixedResult(
            replace(self.result.prepared, y=y), EngineFit(solution.factors, solution, True, 0.0, "")
        )

    def bootstrap_t(self) -> tuple[float, float]:
        """|t| of the last corpus, and one |t| drawn from the null fitted to it."""
        null, beta = _fit_null(self.last, self.row)
        return self._t(self.last.fit.solution), self._t(self.refit(self.refit.simulate(null, beta, self.rng)))

    def _t(self, solution: Solution) -> float:
        return float(abs(self.row @ solution.beta) / np.sqrt(self.row @ solution.covariance @ self.row))

    def permutation_p(self) -> float:
        """p of the player-level permutation test for the last corpus."""
        return permutation_test(self.last, self.term, draws=999, seed=self.rng).p


def calibrate(design: Design, corpora: int, seed: int) -> list[dict[str, object]]:
    """False alarms and coverage of every method for one design."""
    corpus = Corpus(design, np.random.default_rng(seed))
    alarms: dict[str, list[float]] = {}
    pairs: list[tuple[float, float]] = []
    for _ in range(corpora):
        for name, p in corpus.p_values(0.0).items():
            alarms.setdefault(name, []).append(p)
        if design.resampling:
            pairs.append(corpus.bootstrap_t())
            alarms.setdefault("player-level permutation", []).append(corpus.permutation_p())
    if design.resampling:
        observed, drawn = np.array(pairs).T
        pooled = np.sort(drawn)
        alarms["parametric bootstrap"] = list(1 - np.searchsorted(pooled, observed) / len(pooled))
    covered: dict[str, list[float]] = {}
    for _ in range(corpora // 2):
        for name, p in corpus.p_values(0.5).items():
            covered.setdefault(name, []).append(p)
    rows = []
    for name, p in alarms.items():
        if np.isnan(p).all():
            continue
        inside = np.mean(np.array(p + covered[name]) >= LEVEL) if name in covered else np.nan
        rows.append(
            {
                "design": design.label,
                "method": name,
                "corpora": len(p),
                "false_alarms_percent": 100 * np.mean(np.array(p) < LEVEL),
                "coverage_percent": 100 * inside,
            }
        )
    return rows


def calibrate_presence(players: int, corpora: int, seed: int) -> list[dict[str, object]]:
    """The presence model: two periods, three recordings of twelve notes a player."""
    rng = np.random.default_rng(seed)
    rows = [(p, f"{p}/{r}", p % 2) for p in range(players) for r in range(3) for _ in range(12)]
    frame = pd.DataFrame(rows, columns=["player", "recording_id", "period"])
    recordings = pd.factorize(frame["recording_id"])[0]

    def p_values(effect: float) -> dict[str, float]:
        eta = 0.4 + effect * frame["period"] + 0.8 * rng.normal(size=players)[frame["player"]]
        eta = eta + 0.4 * rng.normal(size=recordings.max() + 1)[recordings]
        frame["present"] = (rng.random(len(frame)) < 1 / (1 + np.exp(-eta))).astype(int)
        result = fit_presence(frame, "present ~ C(period)")
        row = result.table().loc["C(period)[T.1]"]
        away = abs(row["estimate"] - effect)
        p = {
            "between-within t": 2 * stats.t.sf(away / row["se"], row["df"]),
            "Wald z": 2 * stats.norm.sf(away / result.likelihood_se[1]),
        }
        if not effect:
            table = pd.crosstab(frame["period"], frame["present"])
            p["chi-square over notes"] = stats.chi2_contingency(table, correction=False).pvalue
        return p

    alarms = pd.DataFrame([p_values(0.0) for _ in range(corpora)])
    both = pd.concat([alarms, pd.DataFrame([p_values(1.0) for _ in range(corpora // 2)])])
    both["chi-square over notes"] = np.nan
    return [
        {
            "design": f"{players} players, presence",
            "method": name,
            "corpora": corpora,
            "false_alarms_percent": 100 * np.mean(alarms[name] < LEVEL),
            "coverage_percent": 100 * np.mean(both[name] >= LEVEL) if both[name].notna().any() else np.nan,
        }
        for name in alarms
    ]


def calibrate_presence_within(own_sd: float, corpora: int, seed: int) -> list[dict[str, object]]:
    """Presence by a factor within 8 players, whose own effects of it differ by `own_sd` (log odds)."""
    rng = np.random.default_rng(seed)
    player, recording = np.repeat(np.arange(8), 100), np.repeat(np.arange(32), 25)
    found: dict[str, list[float]] = {"verdict of the tool": [], "without own effects": []}
    for _ in range(corpora):
        long = (rng.random(800) < 0.4).astype(int)
        eta = 0.4 + 0.8 * rng.normal(size=8)[player] + 0.4 * rng.normal(size=32)[recording]
        eta += own_sd * rng.normal(size=(8, 2))[player, long]
        frame = pd.DataFrame({"player": player, "recording_id": recording, "long": long})
        frame["present"] = (rng.random(800) < 1 / (1 + np.exp(-eta))).astype(int)
        for name, slopes in zip(found, ("auto", None), strict=True):
            result = fit_presence(frame, "present ~ C(long)", slopes=slopes)
            found[name].append(float(result.table().loc["C(long)[T.1]", "p"]))
    return [
        {
            "design": f"presence, factor within players, own effects {own_sd}",
            "method": name,
            "corpora": corpora,
            "false_alarms_percent": 100 * np.mean(np.array(p) < LEVEL),
            "coverage_percent": 100 * np.mean(np.array(p) >= LEVEL),
        }
        for name, p in found.items()
    ]


def told(row: dict[str, object]) -> str:
    """False alarms of a row in per cent, with their Monte-Carlo error."""
    if "false_alarms_percent" not in row:
        return f"refused {row['refused_percent']:.0f}"
    share = float(str(row["false_alarms_percent"])) / 100
    return f"{100 * share:.1f} ± {100 * np.sqrt(share * (1 - share) / int(str(row['corpora']))):.1f}"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--corpora", type=int, default=4000, help="simulated corpora a row (default 4000)")
    parser.add_argument("--presence", type=int, default=2000, help="simulated corpora of the presence rows")
    parser.add_argument(
        "--only",
        nargs="+",
        metavar="ROW",
        help="make only these rows (* is any text); others are kept",
    )
    parser.add_argument("--seed", type=int, default=1, help="seed of the first row (default 1)")
    parser.add_argument("--quick", action="store_true", help="100 corpora a row, nothing written")
    arguments = parser.parse_args()
    corpora = 100 if arguments.quick else arguments.corpora
    presence = 20 if arguments.quick else arguments.presence
    jobs: list[tuple[str, Callable[[int], list[dict[str, object]]]]] = [
        (d.label, lambda seed, d=d: calibrate(d, corpora, seed)) for d in designs()
    ]
    jobs += [
        (f"{n} players, presence", lambda seed, n=n: calibrate_presence(n, presence, seed)) for n in (8, 12)
    ]
    jobs += [(d.label, lambda seed, d=d: calibrate(d, corpora, seed)) for d in long_tailed()]
    jobs += [
        (f"{n} players, presence", lambda seed, n=n: calibrate_presence(n, presence, seed)) for n in (6, 20)
    ]
    jobs += [
        (r.name, lambda seed, r=r: [calibrate_players(r, max(corpora // 2, 1), seed)]) for r in player_rows()
    ]
    jobs += [
        (
            f"presence, factor within players, own effects {sd}",
            lambda seed, sd=sd: calibrate_presence_within(sd, presence, seed),
        )
        for sd in (0.0, 0.5)
    ]
    place = {label: k for k, (label, _) in enumerate(jobs)}
    old = pd.read_csv(TABLE) if arguments.only and TABLE.exists() else pd.DataFrame()
    rows: list[dict[str, object]] = []
    for seed, (label, job) in enumerate(
        jobs, start=arguments.seed
    ):  # a row keeps its seed, whichever rows are made
        if arguments.only and not any(fnmatchcase(label, pattern) for pattern in arguments.only):
            continue
        started = time.process_time()
        found = job(seed)
        rows += found
        shown = ", ".join(f"{r['method']} {told(r)}" for r in found)
        print(f"{label:50s} {time.process_time() - started:5.0f} s  {shown}", flush=True)
        if not arguments.quick:
            fresh = pd.DataFrame(rows)
            kept = old[~old["design"].isin(fresh["design"])] if len(old) else old
            table = pd.concat([kept, fresh], ignore_index=True)
            table = table.sort_values("design", key=lambda d: d.map(place), kind="stable", ignore_index=True)
            table.to_csv(TABLE, index=False, float_format="%.2f", lineterminator="\n")
    table = pd.DataFrame(rows)
    print(table.pivot(index="design", columns="method", values="false_alarms_percent").round(1).to_string())


if __name__ == "__main__":
    main()
