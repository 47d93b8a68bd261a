"""Do verdicts on claims keep their promise where a reviewer would attack them?

Corpora without (or with a known) difference are drawn and each claim is put to them. Rows:

=====================  ==================================================================================
decades named          flat until 1960, then a step; claimed: a change from 1930 to 1960. Named decades
                       against the straight line
margins                the difference lies exactly on the margin: "by at least", "equal", "different"
growing corpus         6 to 20 players, tested six times: false alarms at some look, careless, with a plan,
                       and of the provisional verdicts without one
notes lost             one era with piano, one alone, equally wide; whether vibrato is found depends on its
                       extent where there is a piano. Bias of the ratio against the same model of the true
                       extents: notes found, weighted by the chance to be kept, the two worst cases, the notes
                       not found as far as their limits allow, and all notes were they known with their errors
rivals                 medium changes the figures and mostly, or always, goes with the period: how often
                       "supported" stands without a "but"
=====================  ==================================================================================

Run ``python -m benchmarks.calibration_claims --corpora 2000``; the table goes to
``docs/tables/calibration_claims.csv``. ``--quick`` makes a small one in a minute and writes nothing.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from fnmatch import fnmatchcase
from pathlib import Path

import numpy as np
import pandas as pd

from vibstudy.stats.beside import lost_replies
from vibstudy.stats.censored import ask_with_limits
from vibstudy.stats.claimfile import Claim, Contrast
from vibstudy.stats.examine import examine
from vibstudy.stats.looks import nominal_level
from vibstudy.stats.lost import told_shares
from vibstudy.stats.mixed import fit_mixed
from vibstudy.stats.multiple import evidence
from vibstudy.stats.question import Question
from vibstudy.stats.remarks import NotTestable

TABLE = Path(__file__).parent.parent / "docs" / "tables" / "calibration_claims.csv"
LEVEL = 0.05
PLAYER_SD, RECORDING_SD, NOTE_SD = 0.25, 0.12, 0.30
"""On the log scale, as the players of the demonstration differ, and some more."""

Row = dict[str, object]


def _row(design: str, what: str, values: np.ndarray | list, unit: str = "%") -> Row:
    found = np.asarray(values, float)
    return {
        "design": design,
        "what": what,
        "corpora": len(found),
        "value": float(np.nanmean(found)) * (100 if unit == "%" else 1),
        "unit": unit,
    }


def careers(rng: np.random.Generator, players: int, step: float) -> pd.DataFrame:
    """Players with careers of three decades from 1930 on; log extent falls by `step` after 1960."""
    rows = []
    for player in range(players):
        begin, own, slope = int(rng.integers(0, 6)), rng.normal(0, PLAYER_SD), rng.normal(0, 0.05)
        for take in range(4):
            decade = begin + int(rng.integers(0, 3))
            level = own + slope * (decade - begin - 1) + rng.normal(0, RECORDING_SD) - step * (decade > 3)
            for extent in np.exp(np.log(25) + level + rng.normal(0, NOTE_SD, 10)):
                rows.append((f"p{player}", f"p{player}/{take}", 1930 + 10 * decade, extent))
    return pd.DataFrame(rows, columns=["player", "recording_id", "decade", "extent_cents"])


def decades_named(corpora: int, seed: int) -> list[Row]:
    """A step after 1960 is no change from 1930 to 1960."""
    rng = np.random.default_rng(seed)
    alarms: dict[str, list[float]] = {"named decades": [], "straight line": []}
    power: dict[str, list[float]] = {"named decades": [], "straight line": []}
    for k in range(corpora):
        notes = careers(rng, 16, 0.30)
        for name, shape in (("named decades", "bands"), ("straight line", "trend")):
            for store, end in ((alarms, 1960), (power, 2000)):
                if store is power and k % 4:
                    continue
                claim = Claim(
                    "c",
                    "",
                    "extent_cents",
                    Contrast("decade", 1930, end, shape=shape),
                    "different",
                    scale="log",
                )
                try:
                    store[name].append(Question(claim, notes).ask().evidence.p < LEVEL)
                except NotTestable:
                    store[name].append(np.nan)
    rows = [_row("step after 1960, claimed 1930 to 1960", f"false alarms, {n}", v) for n, v in alarms.items()]
    return rows + [_row("step of 26 %, claimed 1930 to 2000", f"found, {n}", v) for n, v in power.items()]


def periods(rng: np.random.Generator, players: int, effect: float, recordings: int = 3) -> pd.DataFrame:
    """Players of two periods, and an outcome on a plain scale."""
    player = np.repeat(np.arange(players), recordings * 12)
    take = np.repeat(np.arange(players * recordings), 12)
    y = (
        effect * (player % 2)
        + rng.normal(0, PLAYER_SD, players)[player]
        + rng.normal(0, RECORDING_SD, players * recordings)[take]
        + rng.normal(0, NOTE_SD, len(player))
    )
    period = np.where(player % 2, "late", "early")
    frame = pd.DataFrame({"player": player.astype(str), "recording_id": take.astype(str), "period": period})
    return frame.assign(y=y)


def margins(corpora: int, seed: int) -> list[Row]:
    """The truth lies on the margin: 5 % is right for each."""
    rng = np.random.default_rng(seed)
    found: dict[str, list[float]] = {}
    for _ in range(corpora):
        table = fit_mixed(periods(rng, 16, 0.5), "y ~ period").table()
        row = table.iloc[1] * (-1 if "early" in str(table.index[1]) else 1)
        for expect, margin in (("higher", 0.5), ("equal", 0.5), ("different", 0.5)):
            e = evidence(expect, row["estimate"], abs(row["se"]), abs(row["df"]), margin)
            found.setdefault(f"{expect}, false support", []).append(e.support < LEVEL)
            found.setdefault(f"{expect}, false against", []).append(e.against < LEVEL)
    return [_row("difference on the margin, 8 players a side", name, v) for name, v in found.items()]


def growing(corpora: int, seed: int) -> list[Row]:
    """No difference; 6, 9, 12, 14, 17 and 20 players."""
    rng, sizes = np.random.default_rng(seed), (6, 9, 12, 14, 17, 20)
    ways = ("each at 5 %", "with a plan of 20 players", "without a plan: provisional", "without: first look")
    found: dict[str, list[float]] = {name: [] for name in ways}
    power: list[float] = []
    planned = [nominal_level([s / 20 for s in sizes[: k + 1]], ()) for k in range(len(sizes))]
    free = [nominal_level((), sizes[: k + 1]) for k in range(len(sizes))]
    for k in range(2 * corpora):
        effect = 0.0 if k < corpora else 0.4
        if effect and k % 4:
            continue
        notes = periods(rng, 20, effect)
        order = notes["player"].astype(int)
        hits = dict.fromkeys(ways, False)
        for look, size in enumerate(sizes):
            row = fit_mixed(notes[order < size], "y ~ period").table().iloc[1]
            p = float(row["p"])
            levels = (LEVEL, planned[look], free[look], LEVEL if look == 0 else 0.0)
            for name, level in zip(ways, levels, strict=True):
                hits[name] |= p < level
        if effect:
            power.append(hits["with a plan of 20 players"])
        else:
            for name, hit in hits.items():
                found[name].append(hit)
    rows = [_row("6 to 20 players, six looks", f"false alarms, {name}", v) for name, v in found.items()]
    return [*rows, _row("6 to 20 players, six looks", "difference of 0.4 found, with a plan", power)]


TIMES = 3.5
"""An extent is found that is so many times its error."""


def lossy(rng: np.random.Generator, players: int = 16, straight: float = 0.0) -> pd.DataFrame:
    """One era with piano and one alone, equally wide; a piano hides what is narrow."""
    rows = []
    for player in range(players):
        piano = player % 2 == 1
        own = rng.normal(0, PLAYER_SD)
        for take in range(3):
            level = own + rng.normal(0, RECORDING_SD)
            for _ in range(25):
                duration = float(np.exp(rng.normal(-0.3, 0.5)))
                extent = float(np.exp(np.log(20) + level + 0.16 * np.log2(duration) + rng.normal(0, NOTE_SD)))
                # the error of a note's extent: a piano adds, length takes off (Cramér-Rao: duration ** -1/2)
                se = (4.0 if piano else 1.5) * rng.lognormal(0, 0.3) / np.sqrt(duration)
                vibrates = bool(rng.random() >= straight)
                # the length of an arrow (amplitude and phase of the vibrato) with noise on both its parts
                measured = float(np.hypot(vibrates * extent + rng.normal(0, se), rng.normal(0, se)))
                era, beside = ("late", "piano") if piano else ("early", "none")
                take_id = f"p{player}/{take}"
                rows.append((f"p{player}", take_id, era, beside, duration, measured, se, extent, vibrates))
    columns = ["player", "recording_id", "period", "accompaniment", "duration_s", "measured_cents",
               "extent_se_cents", "true_cents", "vibrates_truly"]  # fmt: skip
    notes = pd.DataFrame(rows, columns=columns)
    limit = TIMES * notes["extent_se_cents"]
    found = notes["measured_cents"] > limit
    return notes.assign(
        extent_cents=notes["measured_cents"].where(found),
        extent_limit_cents=limit,
        has_vibrato=found,
        usable=found,
    )


def notes_lost(corpora: int, seed: int) -> list[Row]:
    """Bias of the ratio late / early, and false verdicts; the truth is 1."""
    out = []
    for straight, label in ((0.0, ""), (0.3, ", 3 of 10 notes straight")):
        out += _notes_lost(corpora, seed, straight, f"one era with piano, one alone, equally wide{label}")
    return out


def _notes_lost(corpora: int, seed: int, straight: float, design: str) -> list[Row]:
    rng = np.random.default_rng(seed)
    claim = Claim(
        "c", "", "extent_cents", Contrast("period", "early", "late"), "higher", adjust=(), scale="log"
    )
    logs: dict[str, list[float]] = {}
    alarms: dict[str, list[float]] = {}
    holds: list[float] = []
    shares = []
    for _ in range(corpora):
        notes = lossy(rng, straight=straight)
        question = Question(claim, notes)
        base = question.ask()
        told = told_shares(question.chosen, "extent_cents", question.axis.side)
        shares.append(told[0] - told[1])
        replies = {"notes found": base}
        for _kind, name, reply in lost_replies(question, told):
            if reply is not None:
                replies[f"worst case {name}" if _kind == "worst case" else name] = reply
        limits = ask_with_limits(question, base)
        if limits is not None:
            replies["notes with their limits"] = limits
            holds.append(limits.low < 0 < limits.high)
        everything = notes[notes["vibrates_truly"]].assign(usable=True, has_vibrato=True)
        truth = Question(claim, everything.assign(extent_cents=everything["true_cents"])).ask()
        known = everything.assign(extent_cents=everything["measured_cents"])
        replies["all notes, were they known"] = Question(claim, known).ask()
        for name, reply in replies.items():
            logs.setdefault(name, []).append(np.log1p(reply.shown / 100) - np.log1p(truth.shown / 100))
            alarms.setdefault(name, []).append(reply.evidence.verdict() == "supported")
        finding = examine(claim, notes)
        plain = finding.verdict() == "supported" and not finding.turned_by()
        alarms.setdefault("notes found, without a but", []).append(plain)
    rows = [_row(design, "difference of the shares told", shares)]
    rows += [
        _row(design, f"bias of the ratio, {name}", np.expm1([np.mean(v)] * len(v)))
        for name, v in logs.items()
    ]
    rows.append(_row(design, "interval holds 1, notes with their limits", holds))
    return rows + [_row(design, f"'wider' supported, {name}", v) for name, v in alarms.items()]


def rivals(corpora: int, seed: int) -> list[Row]:
    """Only the medium matters; it goes with the period mostly, or always."""
    rng = np.random.default_rng(seed)
    claim = Claim("c", "", "extent_cents", Contrast("period", "early", "late"), "higher", scale="log")
    rows = []
    for label, mixed in (
        ("medium goes with the period always", 0.0),
        ("medium goes with it in 8 of 10", 0.2),
    ):
        found: dict[str, list[float]] = {"supported": [], "supported without a but": [], "not testable": []}
        for _ in range(corpora):
            notes = periods(rng, 16, 0.0)
            takes = notes["recording_id"].drop_duplicates()
            other = dict(zip(takes, rng.random(len(takes)) < mixed, strict=True))
            late = (notes["period"] == "late") ^ notes["recording_id"].map(other)
            notes = notes.assign(
                medium=np.where(late, "tape_lp", "electrical_disc"),
                extent_cents=np.exp(np.log(20) + 0.5 * late + notes["y"]),
            )
            finding = examine(claim, notes)
            supported = finding.verdict() == "supported"
            found["supported"].append(supported)
            found["supported without a but"].append(supported and not finding.turned_by())
            found["not testable"].append(finding.obstacle is not None)
        rows += [_row(label, name, v) for name, v in found.items()]
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--corpora", type=int, default=2000, help="simulated corpora a row (default 2000)")
    parser.add_argument("--seed", type=int, default=101, help="first seed")
    parser.add_argument("--only", nargs="+", metavar="ROW", help="make only these (* is any text)")
    parser.add_argument("--quick", action="store_true", help="40 corpora a row, nothing written")
    arguments = parser.parse_args()
    corpora = 40 if arguments.quick else arguments.corpora
    jobs: list[tuple[str, Callable[[int, int], list[Row]], int]] = [
        ("decades named", decades_named, corpora),
        ("margins", margins, corpora),
        ("growing corpus", growing, corpora),
        ("notes lost", notes_lost, max(20, corpora // 10)),  # a mean: ten times fewer tell it
        ("rivals", rivals, max(20, corpora // 10)),
    ]
    old = pd.read_csv(TABLE) if TABLE.exists() else pd.DataFrame()
    rows: list[Row] = []
    for k, (label, job, count) in enumerate(jobs):
        if arguments.only and not any(fnmatchcase(label, pattern) for pattern in arguments.only):
            continue
        started = time.process_time()
        fresh = [{"row": label, **row} for row in job(count, arguments.seed + k)]
        rows += fresh
        print(f"{label}: {time.process_time() - started:.0f} s", flush=True)
        print(pd.DataFrame(fresh).to_string(index=False), flush=True)
        if not arguments.quick:
            table = pd.DataFrame(rows)
            kept = old[~old["row"].isin(table["row"])] if len(old) else old
            table = pd.concat([kept, table], ignore_index=True)
            order = {name: place for place, (name, _, _) in enumerate(jobs)}
            table = table.sort_values("row", key=lambda c: c.map(order), kind="stable", ignore_index=True)
            table.to_csv(TABLE, index=False, float_format="%.2f", lineterminator="\n")


if __name__ == "__main__":
    main()
