"""The words of verdicts: what :mod:`vibstudy.stats.examine` found as data becomes sentences here only."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from vibstudy.errors import listed
from vibstudy.stats.claimfile import Plan
from vibstudy.stats.diagnosis import few_players_text
from vibstudy.stats.finding import Finding, Other
from vibstudy.stats.history import Past
from vibstudy.stats.looks import Standing
from vibstudy.stats.remarks import Remark

Values = Mapping[str, Any]


def _gap(v: Values) -> str:
    span = f"{v['first']:g}" if v["first"] == v["last"] else f"{v['first']:g} to {v['last']:g}"
    return f"There are no recordings of {v['column']} {span}: the claim reaches over them."


def _reach(v: Values) -> str:
    return f"The notes cover {v['column']} {v['low']:g} to {v['high']:g} only: the claim reaches beyond them."


def _widened(v: Values) -> str:
    players = f"{v['players']} player{'s' if v['players'] != 1 else ''}"
    return f"{v['column']} {v['value']:g} is represented by {v['band']} ({players})."


def _thin(v: Values) -> str:
    sides = ", ".join(f"{v['column']} {side} ({n})" for side, n in v["sides"])
    return f"Few players stand for {sides}."


def _bend(v: Values) -> str:
    word = "bends" if v["p"] < 0.05 else "is not shown to bend"
    return (
        f"The change with {v['column']} {word} (test of a curve against a straight line: {p_text(v['p'])})."
    )


def _slope(v: Values) -> str:
    what = "there is a steady change" if v["p"] < 0.05 else "no steady change is shown"
    return f"Beside the break {what} with {v['column']} ({p_text(v['p'])})."


def _shares(v: Values) -> str:
    first, second = v["shares"]
    return (
        f"Of the notes of {v['labels'][0]} {100 * first:.0f} % could be told, of {v['labels'][1]} "
        f"{100 * second:.0f} %: the notes left may differ though the playing did not."
    )


def _turned(v: Values) -> str:
    n = v["others"]
    more = f"; {n} other player{'s' if n > 1 else ''} would turn it, too" if n else ""
    return f"Before Holm it is {v['own']}, and without {v['player']} it would be {v['verdict']}{more}."


REMARKS: dict[str, Callable[[Values], str]] = {
    # beside a verdict
    "reach": _reach,
    "gap": _gap,
    "widened": _widened,
    "thin": _thin,
    "spare": lambda v: few_players_text(v["players"], v["terms"]),
    "missing": lambda v: (
        f"{100 * v['share']:.0f} % of the notes that could count are left out: their value is missing, or "
        "not to be trusted."
    ),
    "inflated": lambda v: (
        f"{v['column']} is entangled with the other terms: the interval is {v['factor']:.1f} times as wide "
        "as if it stood alone."
    ),
    "bend": _bend,
    "slope beside break": _slope,
    "shares": _shares,
    "limits": lambda v: (
        f"With the {v['notes']} notes in which no vibrato was found, each straight or narrower than could be "
        f"found in it, it is {v['estimate']:+.3g} % ({v['low']:+.3g} to {v['high']:+.3g})."
    ),
    "rests on": lambda v: f"The comparison rests on {v['player']}: without this player it cannot be made.",
    "turned": _turned,
    # why a claim cannot be tested
    "problem": lambda v: v["text"][:1].upper() + v["text"][1:],
    "no note": lambda v: f"No note passes the filter {v['filter']!r}.",
    "no value": lambda v: f"No note chosen has a value of {v['column']}.",
    "one value": lambda v: f"All notes chosen have the same {v['column']}: there is nothing to compare.",
    "same band": lambda v: (
        f"{v['column']} {v['start']:g} and {v['end']:g} lie in the same band: there is nothing to compare."
    ),
    "empty side": lambda v: f"None of the notes chosen has {v['column']} {v['value']}.",
    "empty cell": lambda v: (
        f"No note chosen has both {v['columns'][0]} {v['values'][0]} and {v['columns'][1]} {v['values'][1]}."
    ),
    "one player": lambda v: (
        f"All notes of {v['column']} {v['value']} are by one player ({v['player']}): this corpus cannot tell "
        f"the {v['column']} from the player."
    ),
    "not converged": lambda v: "The model did not converge.",
    "separated": lambda v: f"All notes of {v['level']} are alike: the odds are infinite.",
    "no error": lambda v: f"These recordings cannot judge {v['column']}: its error cannot be estimated.",
    "aliased": lambda v: (
        f"This corpus cannot tell the comparison from the other terms ({', '.join(v['columns'])} cannot be "
        "estimated): a cell is empty, or two tags go together without exception."
    ),
    "twins": lambda v: (
        f"{v['columns'][0]} and {v['columns'][1]} go together without exception: these recordings cannot "
        "tell them apart."
    ),
}
"""Sentence of each kind of remark."""

QUIET = frozenset(["bend", "slope beside break"])
"""Remarks that are a caution only when their p is below 0.05."""


def said(remark: Remark) -> str:
    """A remark as a sentence, without its advice."""
    return REMARKS[remark.kind](remark.values)


def advised(remark: Remark) -> str:
    """A remark as a sentence, and its advice."""
    return f"{said(remark)} {remark.advice}".rstrip()


def is_caution(remark: Remark) -> bool:
    """Whether a remark warns, or only tells what was done."""
    return remark.kind not in QUIET or remark.values["p"] < 0.05


def p_text(p: float) -> str:
    """A p-value as it is printed."""
    return "p < 0.001" if p < 0.001 else f"p = {p:.3f}"


def compared(finding: Finding) -> str:
    """What a claim compares."""
    c, labels = finding.claim.contrast, finding.labels
    if not labels:
        labels = tuple(map(str, (c.start, c.end, c.across_start, c.across_end)))
    what = f"{c.column} {labels[1]} against {labels[0]}"
    if c.shape == "trend":
        what += " along a straight line"
    if c.across:
        what = f"change of that difference ({what}) from {c.across} {labels[2]} to {labels[3]}"
    return what


def p_kind(finding: Finding) -> str:
    """Which p is given."""
    expect, margin = finding.claim.expect, finding.claim.margin
    leans = finding.evidence.support <= finding.evidence.against
    if margin is not None and (expect, leans) in (("equal", True), ("different", False)):
        return "p for a difference below the margin"
    if margin is not None:
        return (
            "p for a difference beyond the margin"
            if leans or expect == "equal"
            else ("p for a difference short of the margin")
        )
    return "p"


def qualification(finding: Finding, turned: Sequence[Other]) -> str:
    """What takes from a verdict, as a clause that follows "but"; "" when nothing does."""
    tags = [_named(other.name) for other in turned if other.kind == "tag"]
    clauses = []
    if tags:
        clauses.append(
            f"these recordings cannot tell {finding.claim.contrast.column} from {listed(tags, 'or')}"
        )
    if any(other.kind == "line" for other in turned):
        clauses.append("these recordings cannot tell a steady change from one that turns on its way")
    if any(other.kind == "scale" for other in turned):
        clauses.append("it does not show where shares of notes are compared in place of odds")
    if any(other.kind not in ("tag", "line", "scale") for other in turned):
        clauses.append("the notes lost to measuring could make it")
    return ", and ".join(clauses)


def other_words(other: Other, finding: Finding) -> str:
    """What one change of the model gives, as a sentence."""
    what = {
        "chance to be kept": "With notes weighted by the chance to be kept",
        "lowest": "Were the notes lost the lowest",
        "highest": "Were the notes lost the highest",
        "limits": "With the notes in which no vibrato was found",
        "bend": "Were the change free to bend",
        "shares": "As a difference of the shares of notes",
    }.get("" if other.kind == "tag" else other.name, f"With {_named(other.name)} in the model")
    if other.evidence is None:
        return f"{what} nothing is left to compare."
    unit = f" {finding.unit}" if finding.unit else ""
    if other.kind == "scale":
        unit = " percentage points"
    return f"{what} it is {other.estimate:+.3g}{unit} ({other.low:+.3g} to {other.high:+.3g})."


def _named(tag: str) -> str:
    return TAG_NAMES.get(tag, tag)


TAG_NAMES = {
    "speed_known": "whether the speed is known",
    "lineage": "teacher",
    "midi": "register",
    "duration_s": "the length of the notes",
}
"""Tags whose columns are not called as one speaks of them."""


def answer(finding: Finding, verdict: str, p: float, sequence: Standing, but: str = "") -> str:
    """The verdict as a sentence; `but` takes from it."""
    if finding.obstacle is not None:
        return f"Not testable here. {advised(finding.obstacle)}"
    f, unit = finding, f" {finding.unit}" if finding.unit else ""
    word = (
        verdict.capitalize()
        + (" (provisional)" if sequence.provisional else "")
        + (f", but {but}" if but else "")
    )
    kind = f"{p_kind(f)} {p_text(p).removeprefix('p ')}"
    return (
        f"{word}: {compared(f)}: {f.estimate:+.3g}{unit} ({sequence.interval_per_cent:.3g} % interval "
        f"{sequence.low:+.3g} to {sequence.high:+.3g}; {kind} after Holm; {f.players} players, "
        f"{f.recordings} recordings, {f.notes} notes)."
    )


def passing(sequence: Standing) -> str:
    """Why a decided verdict is none for good, as a clause that follows "but"."""
    if sequence.beyond:
        return "the plan's 5 % were spent by earlier looks"
    return "it holds only as long as this is the only look at the corpus"


def sequence_words(sequence: Standing, plan: Plan | None, is_passing: bool = False) -> str:
    """How the looks enter; "" for a first look that nothing is to be said of."""
    late = " The plan was written after the first look, and does not count." if sequence.late else ""
    if sequence.provisional:
        why = "beyond the plan" if sequence.beyond else "without a plan"
        return (
            f"Look {sequence.look} at a growing corpus {why}: provisional; p and interval are as wide as "
            f"looks cost that nobody planned.{late}"
        )
    if is_passing:
        return (
            "A first look without a plan is judged at 5 %, as the only one. Were the corpus to grow and to "
            "be tested again, only half of that was due to it, and the verdict would not stand."
        )
    if plan is not None and sequence.share < 1 and not sequence.late:
        return (
            f"Look {sequence.look}, at {sequence.size} of {plan.size} {plan.unit} planned: p and interval "
            "are as wide as the plan allows by now."
        )
    return late.strip()


def _s(count: int) -> str:
    return "s" if count != 1 else ""


def history_words(past: Past, look: int) -> str:
    """How often a claim was worded and looked at, and what changed since; "" for one wording, one look."""
    parts = []
    if past.wordings > 1 or look > 1:
        parts.append(f"{past.wordings} wording{_s(past.wordings)}, {look} look{_s(look)}")
    changed = [
        f"{name} {count} time{'s' if count > 1 else ''}" for name, count in (past.changes or {}).items()
    ]
    if changed:
        parts.append(f"changed since the first look: {', '.join(changed)}")
    return "; ".join(parts)
