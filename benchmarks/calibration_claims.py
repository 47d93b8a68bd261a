"""Do verdicts on claims keep their promise where a reviewer would attack them?

Corpora without (or with a known) difference are drawn and each claim is put to them. Rows:

=====================  ==================================================================================
decades named          flat until 1960, then a step; claimed: a change from 1930 to 1960. Named decades
                       and a trend against a straight line over all decades
margins                the difference lies exactly on the margin: "by at least", "equal", "different"
growing corpus         6 to 20 players, tested six times: false alarms at some look, careless, with a plan,
                       without one (for good, and with a first look that holds only as the only one); how
                       often their intervals hold, and how often a difference is found
notes lost             one era with piano, one alone, equally wide; whether vibrato is found depends on its
                       extent where there is a piano: notes found, weighted by the chance to be kept, the two
                       worst cases, the notes not found as far as their limits allow, and all notes, were they
                       found, as measured. Bias of the ratio: geometric mean over the corpora of its quotient
                       by what the same model makes of the true extents of the same notes, less 1. The plain
                       ratio less 1 holds the luck of the players drawn besides
rivals                 medium changes the figures and mostly, or always, goes with the period: how often
                       "supported" stands without a "but"
=====================  ==================================================================================

Run ``python -m benchmarks.calibration_claims --corpora 2000`` (75 minutes of one core), or in parts:
``--only "notes lost" --first 400 --corpora 100``. What each corpus gave is kept in ``build/``; the table of
all parts there goes to ``docs/tables/calibration_claims.csv``. ``--quick`` makes a small one in two minutes.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from fnmatch import fnmatchcase
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from vibstudy.stats.censored import ask_with_limits
from vibstudy.stats.claimfile import Claim, Contrast
from vibstudy.stats.examine import examine
from vibstudy.stats.looks import lasting, nominal_level, standing_of
from vibstudy.stats.missingness import observed_shares
from vibstudy.stats.mixed import fit_mixed
from vibstudy.stats.multiple import evidence
from vibstudy.stats.question import Question
from vibstudy.stats.remarks import NotTestable
from vibstudy.stats.robustness import lost_replies

TABLE = Path(__file__).parent.parent / "docs" / "tables" / "calibration_claims.csv"
LEVEL = 0.05
PLAYER_SD, RECORDING_SD, NOTE_SD = 0.25, 0.12, 0.30
"""On the log scale, as the players of the demonstration differ, and some more."""

Outcomes = dict[tuple[str, str], float]
"""What one corpus gave, by design and what was asked: a share, true or false, or the logarithm of a ratio."""

BIAS = ("bias of the ratio", "ratio less 1")
"""What begins so is the logarithm of a ratio."""


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


def decades_named(rng: np.random.Generator, k: int) -> Outcomes:
    """A step after 1960 is no change from 1930 to 1960."""
    notes = careers(rng, 16, 0.30)
    out: Outcomes = {}
    for end, label in ((1960, "false alarms"), (2000, "found")):
        if end == 2000 and k % 4:
            continue
        design = f"step of 26 % after 1960, claimed 1930 to {end}"
        for name, shape in (("named decades", "bands"), ("trend over the span claimed", "trend")):
            contrast = Contrast("decade", 1930, end, shape=shape)
            claim = Claim("c", "", "extent_cents", contrast, "different", scale="log")
            try:
                out[design, f"{label}, {name}"] = float(Question(claim, notes).ask().evidence.p < LEVEL)
            except NotTestable:
                out[design, f"{label}, {name}"] = np.nan
        p = fit_mixed(notes, "log2(extent_cents) ~ decade").table().loc["decade", "p"]
        out[design, f"{label}, straight line over all decades"] = float(p < LEVEL)
    return out


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


def margins(rng: np.random.Generator, _: int) -> Outcomes:
    """The truth lies on the margin: 5 % is right for what asks on one side only, 2.5 % for each of two."""
    design, out = "difference on the margin, 8 players a side", {}
    table = fit_mixed(periods(rng, 16, 0.5), "y ~ period").table()
    row = table.iloc[1] * (-1 if "early" in str(table.index[1]) else 1)
    for expect in ("higher", "equal", "different"):
        e = evidence(expect, row["estimate"], abs(row["se"]), abs(row["df"]), 0.5)
        out[design, f"{expect}, false support"] = float(e.support < LEVEL)
        out[design, f"{expect}, false against"] = float(e.against < LEVEL)
    return out


SIZES = (6, 9, 12, 14, 17, 20)
ASKED = [standing_of(0.5, SIZES[:k], SIZES[k], None).nominal for k in range(len(SIZES))]
LASTING = [
    nominal_level([s / SIZES[k] for s in SIZES[: k + 1]], spending=lasting(6 / SIZES[k])) for k in range(6)
]
PLANNED = [standing_of(0.5, SIZES[:k], SIZES[k], 20).nominal for k in range(len(SIZES))]
LEVELS = {
    "each at 5 %": [LEVEL] * 6,
    "with a plan of 20 players": PLANNED,
    "without a plan: for good": LASTING,
    "without a plan: also as the only look": ASKED,
    "only look, at 6 players": [LEVEL, *[0.0] * 5],
    "only look, at 20 players": [*[0.0] * 5, LEVEL],
}
"""What p of each look must fall below."""


def growing(rng: np.random.Generator, k: int) -> Outcomes:
    """6, 9, 12, 14, 17 and 20 players without a difference. Every fourth corpus once more with one."""
    design, out = "6 to 20 players, six looks", {}
    for effect in (0.0, 0.4) if k % 4 == 0 else (0.0,):
        notes = periods(rng, 20, effect)
        order = notes["player"].astype(int)
        found = [fit_mixed(notes[order < size], "y ~ period").table().iloc[1] for size in SIZES]
        p = np.array([row["p"] for row in found])
        true = [(abs(row["estimate"]) - effect) / row["se"] for row in found]
        p_true = 2 * stats.t.sf(np.abs(true), [row["df"] for row in found])
        for name, level in LEVELS.items():
            if effect:
                out[design, f"difference of 0.4 found, {name}"] = float(np.any(p < level))
            else:
                out[design, f"false alarms, {name}"] = float(np.any(p < level))
            if name in INTERVALS:
                out[f"{design}, difference of {effect:g}", f"all intervals hold, {name}"] = float(
                    np.all(p_true >= level)
                )
                out[f"{design}, difference of {effect:g}", f"last interval holds, {name}"] = float(
                    p_true[-1] >= level[-1]
                )
    return out


INTERVALS = ("with a plan of 20 players", "without a plan: also as the only look")
"""Ways whose intervals are looked at; of a corpus without a plan the first is a plain one of 95 %."""


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


def notes_lost(rng: np.random.Generator, _: int) -> Outcomes:
    """Bias of the ratio late / early, and false verdicts; the truth is 1."""
    out: Outcomes = {}
    for straight, label in ((0.0, ""), (0.3, ", 3 of 10 notes straight")):
        design = f"one era with piano, one alone, equally wide{label}"
        found = _notes_lost(lossy(rng, straight=straight))
        out |= {(design, what): value for what, value in found.items()}
    return out


def _notes_lost(notes: pd.DataFrame) -> dict[str, float]:
    claim = Claim("c", "", "extent_cents", Contrast("period", "early", "late"), "higher", scale="log")
    question = Question(claim, notes)
    base = question.ask()
    told = observed_shares(question.chosen, "extent_cents", question.axis.side)
    replies = {"notes found": base}
    for kind, name, reply in lost_replies(question, told):
        if reply is not None:
            replies[f"worst case {name}" if kind == "worst case" else name] = reply
    limits = ask_with_limits(question, base)
    if limits is not None:
        replies[LIMITS] = limits
    everything = notes[notes["vibrates_truly"]].assign(usable=True, has_vibrato=True)
    known = everything.assign(extent_cents=everything["measured_cents"])
    replies["all notes, were they found"] = Question(claim, known).ask()
    replies[KNOWS] = Question(claim, everything.assign(extent_cents=everything["true_cents"])).ask()
    truth = float(np.log1p(replies[KNOWS].shown / 100))
    finding = examine(claim, notes)
    out = {"difference of the shares told": told[0] - told[1]}
    for name, reply in replies.items():
        ratio = float(np.log1p(reply.shown / 100))
        if name in (LIMITS, KNOWS):
            out[f"ratio less 1, {name}"] = ratio
        if name != KNOWS:
            out[f"bias of the ratio, {name}"] = ratio - truth
        out[f"'wider' supported, {name}"] = float(reply.evidence.verdict() == "supported")
    if limits is not None:
        out[f"interval holds 1, {LIMITS}"] = float(limits.low < 0 < limits.high)
    plain = finding.verdict() == "supported" and not finding.turned_by()
    return out | {"'wider' supported, notes found, without a but": float(plain)}


LIMITS, KNOWS = "notes with their limits", "true extents of all notes"


def rivals(rng: np.random.Generator, _: int) -> Outcomes:
    """Only the medium matters; it goes with the period mostly, or always."""
    claim = Claim("c", "", "extent_cents", Contrast("period", "early", "late"), "higher", scale="log")
    out: Outcomes = {}
    for label, mixed in (
        ("medium goes with the period always", 0.0),
        ("medium goes with it in 8 of 10", 0.2),
    ):
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
        out[label, "supported"] = float(supported)
        out[label, "supported without a but"] = float(supported and not finding.turned_by())
        out[label, "not testable"] = float(finding.obstacle is not None)
    return out


JOBS: dict[str, Callable[[np.random.Generator, int], Outcomes]] = {
    "decades named": decades_named,
    "margins": margins,
    "growing corpus": growing,
    "notes lost": notes_lost,
    "rivals": rivals,
}


def table_of(outcomes: pd.DataFrame) -> pd.DataFrame:
    """Mean and Monte-Carlo standard error of each figure, in per cent."""
    rows = []
    for key, values in outcomes.groupby(["row", "design", "what"], sort=False)["value"]:
        found = values.dropna().to_numpy(float)
        mean, error = found.mean(), found.std(ddof=1) / np.sqrt(len(found))
        if key[2].startswith(BIAS):
            mean, error = np.expm1(mean), np.exp(mean) * error
        rows.append((*key, len(found), 100 * mean, 100 * error, "%"))
    return pd.DataFrame(rows, columns=["row", "design", "what", "corpora", "value", "error", "unit"])


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--corpora", type=int, default=2000, help="simulated corpora a row (default 2000)")
    parser.add_argument("--first", type=int, default=0, help="number of the first one: each has its own seed")
    parser.add_argument("--seed", type=int, default=101)
    parser.add_argument("--only", nargs="+", metavar="ROW", help="make only these (* is any text)")
    parser.add_argument("--folder", type=Path, default=Path("build/calibration_claims"))
    parser.add_argument("--quick", action="store_true", help="40 corpora a row, nothing written")
    arguments = parser.parse_args()
    places = range(arguments.first, arguments.first + (40 if arguments.quick else arguments.corpora))
    for number, (label, job) in enumerate(JOBS.items()):
        if arguments.only and not any(fnmatchcase(label, pattern) for pattern in arguments.only):
            continue
        started, rows = time.process_time(), []
        for k in places:
            rng = np.random.default_rng([arguments.seed, number, k])
            rows += [(label, k, *key, value) for key, value in job(rng, k).items()]
        fresh = pd.DataFrame(rows, columns=["row", "corpus", "design", "what", "value"])
        print(f"{label}: {time.process_time() - started:.0f} s", flush=True)
        print(table_of(fresh).to_string(index=False), flush=True)
        if not arguments.quick:
            arguments.folder.mkdir(parents=True, exist_ok=True)
            name = f"{number}_{arguments.seed}_{arguments.first:06d}_{len(places)}.csv"
            fresh.to_csv(arguments.folder / name, index=False)
    if not arguments.quick:
        parts = [pd.read_csv(path) for path in sorted(arguments.folder.glob("*.csv"))]
        table = table_of(pd.concat(parts).drop_duplicates(["row", "corpus", "design", "what"]))
        old = pd.read_csv(TABLE) if TABLE.exists() else table.iloc[:0]
        table = pd.concat([old[~old["row"].isin(table["row"])], table], ignore_index=True)
        order = {name: place for place, name in enumerate(JOBS)}
        table = table.sort_values("row", key=lambda c: c.map(order), kind="stable", ignore_index=True)
        table.to_csv(TABLE, index=False, float_format="%.2f", lineterminator="\n")


if __name__ == "__main__":
    main()
