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
from vibstudy.stats.laplace import LaplaceFit
from vibstudy.stats.mixed import MixedResult
from vibstudy.stats.moments import Solution
from vibstudy.stats.presence import PresenceResult
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


ORACLE_POWER = 0.8
PRESENCE_SD, PRESENCE_RECORDING_SD = 0.8, 0.4
"""How far players and recordings differ in the rows of presence, log odds."""


def known_p(result: PresenceResult, term: str, sds: tuple[np.ndarray, ...]) -> tuple[float, float]:
    """p and standard error of a term by an oracle: the same model, all variances known."""
    likelihood = result.fit.likelihood
    start = np.concatenate([result.beta, np.zeros(likelihood.effects)])
    *_, mode = likelihood.restricted(start, sds)
    beta = mode[: len(result.beta)]
    place = result.names.index(term)
    se = float(np.sqrt(LaplaceFit(likelihood, beta, sds).covariance_given[place, place]))
    return float(2 * stats.norm.sf(abs(beta[place]) / se)), se


def _presence_rows(
    design: str, one: Callable[[float], tuple[dict[str, float], dict[str, float], float]], corpora: int
) -> list[dict[str, object]]:
    """Rows of the table.

    `one` draws a corpus with an effect; it gives each method's p of no effect and of the true one, and the
    oracle's standard error, which says what effect the oracle finds in `ORACLE_POWER` of the corpora.
    """
    drawn = [one(0.0) for _ in range(corpora)]
    effect = (stats.norm.ppf(0.975) + stats.norm.ppf(ORACLE_POWER)) * float(np.mean([d[2] for d in drawn]))
    with_it = [one(effect) for _ in range(corpora // 4)]
    null = pd.DataFrame([d[0] for d in drawn])
    there, true = (pd.DataFrame([d[k] for d in with_it]) for k in (0, 1))
    oracle = 100 * np.mean(there["oracle, all variances known"] < LEVEL)
    return [
        {
            "design": design,
            "method": name,
            "corpora": len(null),
            "false_alarms_percent": 100 * np.mean(null[name] < LEVEL),
            "coverage_percent": 100 * np.mean(pd.concat([null[name], true[name]]) >= LEVEL)
            if name in true
            else np.nan,
            "power_percent": 100 * np.mean(there[name] < LEVEL),
            "oracle_percent": oracle,
        }
        for name in null
    ]


def calibrate_presence(players: int, corpora: int, seed: int) -> list[dict[str, object]]:
    """The presence model: two periods, three recordings of twelve notes a player."""
    rng = np.random.default_rng(seed)
    rows = [(p, f"{p}/{r}", p % 2) for p in range(players) for r in range(3) for _ in range(12)]
    frame = pd.DataFrame(rows, columns=["player", "recording_id", "period"])
    recordings = pd.factorize(frame["recording_id"])[0]
    sds = (np.array([[PRESENCE_SD]]), np.array([[PRESENCE_RECORDING_SD]]))
    term = "C(period)[T.1]"

    def one(effect: float) -> tuple[dict[str, float], dict[str, float], float]:
        eta = 0.4 + effect * frame["period"] + PRESENCE_SD * rng.normal(size=players)[frame["player"]]
        eta = eta + PRESENCE_RECORDING_SD * rng.normal(size=recordings.max() + 1)[recordings]
        frame["present"] = (rng.random(len(frame)) < 1 / (1 + np.exp(-eta))).astype(int)
        result = fit_presence(frame, "present ~ C(period)")
        row = result.table().loc[term]
        found = []
        for away in (abs(row["estimate"]), abs(row["estimate"] - effect)):
            t = 2 * stats.t.sf(away / row["se"], row["df"])
            found.append({"between-within t": t, "Wald z": 2 * stats.norm.sf(away / result.likelihood_se[1])})
        table = pd.crosstab(frame["period"], frame["present"])
        found[0]["chi-square over notes"] = stats.chi2_contingency(table, correction=False).pvalue
        found[0]["oracle, all variances known"], se = known_p(result, term, sds)
        return found[0], found[1], se

    return _presence_rows(f"{players} players, presence", one, corpora)


def calibrate_presence_within(own_sd: float, corpora: int, seed: int) -> list[dict[str, object]]:
    """Presence by a factor within 8 players, whose own effects of it differ by `own_sd` (log odds)."""
    rng = np.random.default_rng(seed)
    player, recording = np.repeat(np.arange(8), 100), np.repeat(np.arange(32), 25)
    term = "C(long)[T.1]"
    known = {"player": PRESENCE_SD, "player:recording_id": PRESENCE_RECORDING_SD, "player:long": own_sd}

    def one(effect: float) -> tuple[dict[str, float], dict[str, float], float]:
        long = (rng.random(800) < 0.4).astype(int)
        eta = 0.4 + PRESENCE_SD * rng.normal(size=8)[player] + effect * long
        eta += PRESENCE_RECORDING_SD * rng.normal(size=32)[recording]
        eta += own_sd * rng.normal(size=(8, 2))[player, long]
        frame = pd.DataFrame({"player": player, "recording_id": recording, "long": long})
        frame["present"] = (rng.random(800) < 1 / (1 + np.exp(-eta))).astype(int)
        zero, true = {}, {}
        for name, slopes in {"verdict of the tool": "auto", "without own effects": None}.items():
            result = fit_presence(frame, "present ~ C(long)", slopes=slopes)
            row = result.table().loc[term]
            zero[name] = float(row["p"])
            true[name] = float(2 * stats.t.sf(abs(row["estimate"] - effect) / row["se"], row["df"]))
            if slopes:
                sds = tuple(np.array([[known[t.group]]]) for t in result.prepared.terms)
                zero["oracle, all variances known"], se = known_p(result, term, sds)
        return zero, true, se

    return _presence_rows(f"presence, factor within players, own effects {own_sd}", one, corpora)


def joined(old: pd.DataFrame, fresh: dict[str, object]) -> dict[str, object]:
    """A row of the table with as many corpora more: shares by their corpora, medians likewise."""
    same = old[(old["design"] == fresh["design"]) & (old["method"] == fresh["method"])]
    if same.empty:
        return fresh
    row, out = same.iloc[0], dict(fresh)
    before, now = float(row["corpora"]), float(str(fresh["corpora"]))
    out["corpora"] = int(before + now)
    for name, value in fresh.items():
        if name.endswith("_percent") or name == "median_df":
            known = [(w, float(str(v))) for w, v in ((before, row[name]), (now, value)) if pd.notna(v)]
            out[name] = sum(w * v for w, v in known) / sum(w for w, _ in known) if known else np.nan
    return out


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
    parser.add_argument(
        "--add",
        action="store_true",
        help="join the new corpora to those of the stored rows; give a seed that no stored row had",
    )
    parser.add_argument("--quick", action="store_true", help="100 corpora a row, nothing written")
    arguments = parser.parse_args()
    if arguments.add and not arguments.only:
        parser.error("--add needs --only: the rows that get more corpora")
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
        if arguments.add:
            found = [joined(old, row) for row in found]
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
