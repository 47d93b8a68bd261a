"""Robustness of a claim's test: remarks on what it rests on, and the same contrast asked otherwise."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from vibstudy.errors import VibstudyError
from vibstudy.schema import (
    LOG_COLUMNS,
    MANIFEST_COLUMNS,
    NOTE_COLUMNS,
    PROVENANCE_COLUMNS,
    RECORDING_COLUMNS,
    ROOM_COLUMNS,
    SCORE_COLUMNS,
)
from vibstudy.stats.finding import ALPHA, Finding, Other
from vibstudy.stats.missingness import WARN_FROM, chance_weights, trimmed
from vibstudy.stats.multiple import evidence
from vibstudy.stats.predictors import ENOUGH, is_number
from vibstudy.stats.question import PRESENCE, Question, Reply
from vibstudy.stats.remarks import NotTestable, Remark
from vibstudy.stats.selection import VIBRATO_FIGURES
from vibstudy.stats.tokens import name_text

FEW_PLAYERS_A_SIDE = 3
MANY_MISSING = 0.2
"""Share of notes without a value from which on it is told: one in five."""

TAGS = ("medium", "decade", "region", "school", "accompaniment", "room", "instrument", "speed_known")
"""What a comparison may be confounded with; ``speed_known``: whether the manifest gives a speed factor."""

FURTHER_TAGS = ("piece", "tempo_bpm")
"""Columns of the manifest that are looked at beside :data:`TAGS`, as are all that the user added, and the
players' lineage where teachers are named."""

NOTE_TAGS = {"midi": "midi", "duration_s": "log2(duration_s)"}
"""What is played: register and length of the notes, and how they enter a model."""

MOST_FURTHER = 20
"""So many of the user's own columns are looked at, in the order of the table: each is a fit."""

_OURS = frozenset(
    column.name
    for columns in (NOTE_COLUMNS, SCORE_COLUMNS, ROOM_COLUMNS, RECORDING_COLUMNS, PROVENANCE_COLUMNS,
                    MANIFEST_COLUMNS, LOG_COLUMNS)
    for column in columns
) | {"measurement"}  # fmt: skip


def plain_remarks(question: Question, reply: Reply) -> list[Remark]:
    """Return what the test rests on: few players, values missing, terms that are tied."""
    from vibstudy.stats.confounds import INFLATION_LIMIT, inflation
    from vibstudy.stats.diagnosis import players_to_spare

    out = []
    names = question.chosen[question.player].astype(str).to_numpy()
    for axis in question.axes:
        if axis.shape in ("trend", "curve"):
            continue
        counts = [len(set(names[question.known & (axis.side == way)])) for way in (-1, 1)]
        thin = [(v, n) for v, n in zip(axis.labels, counts, strict=True) if n < FEW_PLAYERS_A_SIDE]
        if thin:
            out.append(Remark("thin", {"column": axis.column, "sides": thin}))
    spare = players_to_spare(reply.model)
    if spare is not None:
        out.append(Remark("spare", {"players": spare[0], "terms": spare[1]}))
    out += _missing(question, len(reply.model.prepared.y))
    factors = inflation(reply.model.prepared)["factor"]
    own = factors[[str(name) == question.axis.term for name in factors.index]]
    if question.across is None and len(own) and own.max() > INFLATION_LIMIT:
        out.append(Remark("inflated", {"column": question.axis.column, "factor": float(own.max())}))
    return out


def _missing(question: Question, used: int) -> list[Remark]:
    """Many notes that should have a value have none; notes without vibrato are not expected to."""
    outcome = question.claim.outcome
    chosen = question.chosen[question.axis.columns.notna().all(axis=1)]  # in the span claimed
    expected = len(chosen)
    if "has_vibrato" in chosen and outcome not in PRESENCE:
        vibrating = int(chosen["has_vibrato"].astype("boolean").fillna(False).sum())
        expected = vibrating if vibrating >= used else expected
    share = 1 - used / expected
    return [Remark("missing", {"share": share})] if share > MANY_MISSING else []


def share_others(question: Question) -> list[Other]:
    """The contrast of shares of notes, in place of odds.

    Of players who vibrate always or never the odds are infinite: how far players differ in odds cannot be
    estimated, and chance is called real in one corpus of ten. Shares are bounded, and their model holds.
    """
    if question.claim.outcome not in PRESENCE or np.isfinite(question.claim.margin or np.nan):
        return []
    return [Other.of("scale", "shares", _try(question, as_share=True), 100)]


def beside_line(question: Question) -> tuple[list[Remark], list[Other]]:
    """A trend with a bend in the model: whether there is one, and the change from end to end beside it."""
    axis = question.axis
    if question.across is not None:
        return [], []
    name = str(axis.bends.columns[0])
    reply = _try(question, extra=[name_text(name)])
    p = float(reply.model.table()["p"].get(name, np.nan)) if reply else np.nan
    remarks = [Remark("bend", {"column": axis.column, "p": p, "shape": axis.shape})] if np.isfinite(p) else []
    return remarks, [Other.of("line", "bend", reply)]


def bend_remarks(question: Question, reply: Reply) -> list[Remark]:
    """Test whether time bends beside the decades compared; of a break, whether there is a slope besides."""
    from vibstudy.stats.mixed import MixedResult, fit_mixed
    from vibstudy.stats.presence import fit_presence

    axis, bends = question.axis, question.axis.bends
    if question.across is not None or bends.empty:
        return []
    fit = fit_mixed if isinstance(reply.model, MixedResult) else fit_presence
    name = str(bends.columns[-1])
    formula = question.formula([name_text(name)])
    if axis.shape == "bands":  # asked beside a line, not beside the bands, which can bend as they like
        formula = formula.replace(f"~ {axis.term}", f"~ {name_text(axis.column)}", 1)
    kept = question.chosen.drop(columns=list(bends), errors="ignore")
    frame = pd.concat([kept, bends], axis=1)[question.countable]
    try:
        table = fit(frame, formula, question.player, question.recording, question.claim.crossed).table()
    except VibstudyError:
        return []
    p = float(table["p"].get(name, np.nan))
    if not np.isfinite(p):
        return []
    kind = "slope beside break" if axis.shape == "break" else "bend"
    return [Remark(kind, {"column": axis.column, "p": p, "shape": axis.shape})]


def share_remarks(finding: Finding) -> list[Remark]:
    """Return whether the sides lost different shares of their notes."""
    first, second = finding.told
    if not abs(first - second) >= WARN_FROM:
        return []
    return [Remark("shares", {"labels": finding.labels[:2], "shares": finding.told})]


def twin_tag(question: Question) -> Remark | None:
    """A tag that goes together with what is compared, level by level, without exception."""
    for tag in _tags(question):
        axis = question.axis
        name = next(iter(axis.start))
        own = name if axis.shape in ("break", "levels") else axis.column
        pairs = _different(question.chosen.loc[question.known, [own, tag]])
        if len(pairs) > 1 and not pairs[own].duplicated().any() and not pairs[tag].duplicated().any():
            return Remark("twins", {"columns": (axis.column, tag)})
    return None


def _tags(question: Question) -> list[str]:
    """Tags that differ among the notes used and are not in the model."""
    model = question.adjusted()
    used = question.chosen[question.known]
    skip = {axis.column for axis in question.axes}
    if skip & {"decade", "year"}:
        skip |= {"decade", "year"}
    tags = [tag for tag in TAGS if tag in used and tag not in skip and tag not in model]
    return [tag for tag in tags if used[tag].nunique() > 1]


def tag_others(question: Question) -> list[Other]:
    """The contrast with each tag in the model.

    A tag is held equal. One whose levels divide both sides more finely (schools within regions), and a column
    of texts with few players a level (pieces, teachers), is a further random factor: what its notes have in
    common is drawn once a level, as a player's is.
    """
    out = []
    own = [_entering(question, tag, _divides(question, tag)) for tag in _tags(question)]
    for tag, extra, drawn, tells in [*own, *_further_terms(question), *_note_terms(question)]:
        reply = _try(question, extra=extra, drawn=drawn)
        if reply or tells:
            out.append(Other.of("tag", tag, reply))
    return out


Entering = tuple[str, list[str], list[str], bool]
"""A tag, the terms and the random factors by which it enters the model, and whether it is a rival where the
model cannot hold both."""


def _entering(question: Question, tag: str, drawn: bool) -> Entering:
    if drawn:
        return tag, [], [tag], False
    return tag, [name_text(tag)], [], _is_confounder(question, tag)


def _further_terms(question: Question) -> list[Entering]:
    out: list[Entering] = []
    for tag in _further_tags(question):
        used = question.chosen.loc[question.known, tag]
        if is_number(used):
            out.append((tag, [name_text(tag)], [], True))
            continue
        players = question.chosen.loc[question.known, question.player].nunique()
        out.append(_entering(question, tag, players < ENOUGH * used.nunique() or _divides(question, tag)))
    return out


def _note_terms(question: Question) -> list[Entering]:
    """Register and length of the notes: what is played, where it is not what is asked."""
    used, model = question.chosen[question.known], question.adjusted()
    skip = {question.claim.outcome, *(axis.column for axis in question.axes)}
    return [
        (name, [term], [], False)
        for name, term in NOTE_TAGS.items()
        if name in used and name not in skip and name not in model and used[name].nunique() > 1
    ]


def _further_tags(question: Question) -> list[str]:
    """Columns that say one thing of a recording, and the same of several players, and are in no model yet."""
    c, used = question.claim, question.chosen[question.known]
    made = {name for axis in question.axes for name in [axis.column, *axis.columns, *axis.bends]}
    skip = {question.player, question.recording, c.outcome, *c.crossed, *TAGS, *made}
    model, out = question.adjusted(), []
    for tag in used:
        if not isinstance(tag, str):  # a formula cannot name it
            continue
        if tag in skip or (tag in _OURS and tag not in FURTHER_TAGS) or tag in model:
            continue
        known = _different(used[[question.recording, question.player, tag]])
        if known[question.recording].duplicated().any() or known[tag].nunique() < 2:
            continue
        shared = known[[question.player, tag]].drop_duplicates()[tag].duplicated().any()
        if not shared and not is_number(used[tag]):
            continue  # a finer name of the player or the recording
        if not any(_names(used, axis.column, tag) for axis in question.axes):
            out.append(tag)
    return out[:MOST_FURTHER]


def _different(columns: pd.DataFrame) -> pd.DataFrame:
    """Different rows without a missing value, as texts."""
    return columns.dropna().drop_duplicates().astype(str).drop_duplicates()


def _names(used: pd.DataFrame, column: str, tag: str) -> bool:
    """Whether a tag only names values of a column (a period of decades): it tells nothing more."""
    return not used[[column, tag]].dropna().drop_duplicates()[column].duplicated().any()


def _divides(question: Question, tag: str) -> bool:
    """Whether each level of a tag stands on one side, and each side has several, of several players."""
    levels = _levels_by_side(question, tag)
    return not levels[0] & levels[1] and min(map(len, levels)) > 1


def _levels_by_side(question: Question, tag: str) -> list[set[str]]:
    side = question.axis.side
    chosen = question.chosen[tag]
    return [set(map(str, chosen[question.known & (side == way)].dropna().unique())) for way in (-1, 1)]


def _is_confounder(question: Question, tag: str) -> bool:
    """Whether no level of the tag stands on both sides, and one side has a single level.

    Several levels on both sides, each within one, are a finer division of the sides (schools within regions),
    no confounder.
    """
    levels = _levels_by_side(question, tag)
    fewest = min(len(levels[0]), len(levels[1]))
    return fewest == 1 and not levels[0] & levels[1]


def lost_others(question: Question, finding: Finding) -> list[Other]:
    """The contrast with weights for the notes lost, and in the two worst cases."""
    if not abs(finding.told[0] - finding.told[1]) >= WARN_FROM:
        return []
    return [Other.of(*found) for found in lost_replies(question, finding.told)]


def limit_others(question: Question, reply: Reply) -> tuple[list[Other], list[Remark]]:
    """The contrast with the notes in which no vibrato was found, and what it says."""
    from vibstudy.stats.censored import ask_with_limits, hidden

    count = int(hidden(question).sum())
    if not count:
        return [], []
    found = ask_with_limits(question, reply)
    if found is None:
        return [], []
    values = {"notes": count, "estimate": found.shown, "low": found.low, "high": found.high}
    return [Other.of("limits", "limits", found)], [Remark("limits", values)]


def lost_replies(question: Question, told: tuple[float, float]) -> list[tuple[str, str, Reply | None]]:
    """Ask with weights for the notes lost, and in the two worst cases."""
    outcome = question.claim.outcome
    if outcome in PRESENCE:
        return []
    out: list[tuple[str, str, Reply | None]] = []
    lost = np.ones(len(question.chosen), bool)
    if outcome in VIBRATO_FIGURES and "has_vibrato" in question.chosen:
        from vibstudy.stats.selection import is_observed

        straight = is_observed(question.chosen, outcome) & ~question.known
        lost = ~straight  # known to be straight: nothing of vibrato is lost with it
    weights = np.ones(len(question.chosen))
    found = chance_weights(question.chosen[lost], question.known[lost])
    if found is not None:
        weights[lost] = found
        out.append(("weights", "chance to be kept", _try(question, weights=weights)))
    values = question.chosen[outcome].astype("Float64").to_numpy(float, na_value=np.nan)
    for lowest in (True, False):
        keep = np.ones(len(values), bool)
        keep[question.known] = trimmed(
            values[question.known], question.axis.side[question.known], told, lowest
        )
        if not keep.all():
            out.append(("worst case", "lowest" if lowest else "highest", _try(question, keep=keep)))
    return out


def _try(question: Question, **settings: Any) -> Reply | None:
    try:
        return question.ask(**settings)
    except (NotTestable, VibstudyError):
        return None


def player_remarks(finding: Finding, reply: Reply) -> list[Remark]:
    """Whether the verdict, before Holm, hangs on a single player."""
    from vibstudy.stats.influence import leave_out
    from vibstudy.stats.mixed import MixedResult

    if not isinstance(reply.model, MixedResult):
        return []
    verdict = finding.verdict()
    alone, turning = [], []
    for left in leave_out(reply.model, row=reply.row).to_dict("records"):
        if np.isnan(left["estimate"]):
            alone.append(Remark("rests on", {"player": left["left_out"]}))
            continue
        without = evidence(finding.claim.expect, left["estimate"], left["se"], left["df"], reply.margin)
        if without.verdict(1.0, ALPHA) != verdict:
            turning.append((abs(left["change_in_se"]), left["left_out"], without.verdict(1.0, ALPHA)))
    if turning:
        _, name, other = max(turning)
        alone.append(
            Remark("turned", {"player": name, "own": verdict, "verdict": other, "others": len(turning) - 1})
        )
    return alone
