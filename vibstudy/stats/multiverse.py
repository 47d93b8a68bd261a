"""Multiverse analysis: many reasonable ways to ask the same question, all of them asked.

Somebody else would have taken stricter notes, or held the medium equal, or drawn a curve. Each such choice is
defensible; all combinations of them are fitted, and the model of the claim without each player in turn. The
share of ways that agree says how much of a verdict is the music, and how much the choice.

======== ======================================= =======================================
choice   as claimed                              otherwise
======== ======================================= =======================================
notes    all that count                          only notes of quality "ok"
medium   as the claim says                       held equal
length   as the claim says                       held equal (octaves of duration)
room     as the claim says                       held equal (``room_decay_s``, or ``room``)
slopes   players' own                            none
time     the decades named                       a curve
======== ======================================= =======================================

References
----------
Simonsohn, Simmons & Nelson 2020, Nat. Hum. Behav. 4:1208-1214 (specification curve).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.errors import VibstudyError
from vibstudy.stats.claimfile import Claim
from vibstudy.stats.finding import ALPHA
from vibstudy.stats.multiple import Evidence, evidence
from vibstudy.stats.question import PRESENCE, Question, Reply, shown
from vibstudy.stats.remarks import NotTestable
from vibstudy.stats.robustness import NOTE_TAGS
from vibstudy.threads import one_thread

HELD_EQUAL = {"medium": ("medium",), "length": ("duration_s",), "room": ("room_decay_s", "room")}
"""What can be held equal, by the first of these columns that the notes have."""


@dataclass(frozen=True)
class Ways:
    """All ways to ask one claim.

    Parameters
    ----------
    claim : Claim
    table : DataFrame
        One row a way, sorted by estimate: ``claim``, one column a choice that could be made (what was
        chosen), ``without`` (a player; "" for none), ``estimate, low, high, p, verdict`` (before
        correction), ``notes_used, as_claimed``.
    unit : str
    lost : int
        Ways that could not be fitted.
    """

    claim: Claim
    table: pd.DataFrame = field(compare=False)
    unit: str = ""
    lost: int = 0

    @property
    def verdict(self) -> str:
        """Verdict of the way claimed, before correction."""
        return str(self.table.loc[self.table["as_claimed"], "verdict"].iloc[0])

    @property
    def agree(self) -> int:
        """Number of ways with the same verdict."""
        return int((self.table["verdict"] == self.verdict).sum())

    @property
    def same_direction(self) -> int:
        """Number of ways with the same sign."""
        sign = np.sign(self.table.loc[self.table["as_claimed"], "estimate"].iloc[0])
        return int((np.sign(self.table["estimate"]) == sign).sum())


def choices_of(question: Question) -> dict[str, tuple[str, str]]:
    """The choices that these notes allow: as claimed, and otherwise."""
    used = question.chosen[question.known]
    model = question.adjusted()

    def varies(column: str) -> bool:
        return column in used and used[column].dropna().astype(str).nunique() > 1 and column not in model

    out: dict[str, tuple[str, str]] = {}
    strict = used["quality"].eq("ok").fillna(False) if "quality" in used else None
    if strict is not None and 0 < int(strict.sum()) < len(used):
        out["notes"] = ("all", "strict")
    for name, columns in HELD_EQUAL.items():
        if any(map(varies, columns)):
            out[name] = ("not held equal", "held equal")
    if question.claim.outcome not in PRESENCE:
        out["slopes"] = ("own", "none")
    axis = question.axis
    # of fewer values no curve can be told from bands
    if axis.shape == "bands" and question.across is None and used[axis.column].nunique() > 4:
        out["time"] = ("bands", "curve")
    return out


@one_thread
def all_ways(claim: Claim, notes: pd.DataFrame) -> Ways:
    """Ask a claim in every reasonable way.

    Raises
    ------
    VibstudyError
        When it cannot be tested as claimed.
    """
    try:
        question = Question(claim, notes)
        base = question.ask()
    except NotTestable as problem:
        from vibstudy.stats.words import said

        raise VibstudyError(f"The claim {claim.id!r} cannot be tested: {said(problem.remark)}") from None
    questions = {"bands": question}
    choices = choices_of(question)
    if "time" in choices:
        try:
            curved = replace(claim.contrast, shape="curve")
            questions["curve"] = Question(claim, notes, curved)
        except (NotTestable, VibstudyError):
            del choices["time"]
    rows, lost = [], 0
    for picked in itertools.product(*choices.values()):
        way = dict(zip(choices, picked, strict=True))
        first = all(value == choices[name][0] for name, value in way.items())
        try:
            reply = base if first else _ask(questions[way.get("time", "bands")], way)
        except (NotTestable, VibstudyError):
            lost += 1
            continue
        figures = reply.shown, reply.low, reply.high
        row = _row("", figures, reply.evidence, len(reply.model.prepared.y))
        rows.append({**way, **row, "as_claimed": first})
    plain = {name: pair[0] for name, pair in choices.items()}
    rows += [{**plain, **row, "as_claimed": False} for row in _without_players(question, base)]
    table = pd.DataFrame(rows)
    table.insert(0, "claim", claim.id)
    unit = base.model.scale.unit(claim.outcome)
    return Ways(claim, table.sort_values("estimate", kind="stable", ignore_index=True), unit, lost)


def _ask(question: Question, way: dict[str, str]) -> Reply:
    chosen = question.chosen
    extra: list[str] = []
    settings: dict[str, Any] = {}
    keep = None
    if way.get("notes") == "strict":
        keep = chosen["quality"].eq("ok").fillna(False).to_numpy(bool)
    for name, columns in HELD_EQUAL.items():
        if way.get(name) == "held equal":
            column = next(column for column in columns if column in chosen)
            extra.append(NOTE_TAGS.get(column, column))
    if way.get("slopes") == "none":
        settings["slopes"] = ()
    return question.ask(extra, keep, **settings)


def _row(without: str, figures: Sequence[float], found: Evidence, notes: int) -> dict[str, Any]:
    return {
        "without": without,
        **dict(zip(("estimate", "low", "high"), figures, strict=True)),
        "p": found.p,
        "verdict": found.verdict(1.0, ALPHA),
        "notes_used": notes,
    }


def _without_players(question: Question, base: Reply) -> list[dict[str, Any]]:
    from scipy import stats

    from vibstudy.stats.influence import leave_out
    from vibstudy.stats.mixed import MixedResult

    if not isinstance(base.model, MixedResult):
        return []
    rows = []
    for left in leave_out(base.model, row=base.row).to_dict("records"):
        estimate, se, df = (float(left[name]) for name in ("estimate", "se", "df"))
        if not np.isfinite([estimate, se, df]).all():
            continue
        found = evidence(question.claim.expect, estimate, se, df, base.margin)
        half = float(stats.t.ppf(1 - ALPHA / 2, df)) * se
        figures = shown(base.model.scale, [estimate, estimate - half, estimate + half])
        used = len(base.model.prepared.y) - int(left["notes"])
        rows.append(_row(str(left["left_out"]), figures, found, used))
    return rows
