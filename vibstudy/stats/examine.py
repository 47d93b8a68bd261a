"""One claim put to the note table: the test, or the reason why there is none, and what stands beside it.

The rules are described in :mod:`vibstudy.stats.claims`. Everything found is data (:class:`Finding`,
:class:`vibstudy.stats.remarks.Remark`); the words are :mod:`vibstudy.stats.words`.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace

import pandas as pd

from vibstudy.errors import VibstudyError, stopped
from vibstudy.stats.claimfile import Claim
from vibstudy.stats.finding import ALPHA, Finding
from vibstudy.stats.missingness import observed_shares
from vibstudy.stats.question import Question, Reply
from vibstudy.stats.remarks import NotTestable, Remark
from vibstudy.stats.robustness import (
    bend_remarks,
    beside_line,
    limit_others,
    lost_others,
    plain_remarks,
    player_remarks,
    share_others,
    share_remarks,
    tag_others,
    twin_tag,
)
from vibstudy.threads import one_thread


@one_thread
def examine(claim: Claim, notes: pd.DataFrame) -> Finding:
    """Test one claim on a note table; whatever stands in the way becomes the obstacle."""
    try:
        question = Question(claim, notes)
        return _finding(question, question.ask())
    except NotTestable as problem:
        return Finding(claim, problem.remark)
    except VibstudyError as problem:
        text = " ".join(str(replace(item, repair="")) for item in problem.problems)
        advice = " ".join(stopped(item.repair) for item in problem.problems if item.repair)
        return Finding(claim, Remark("problem", {"text": text}, advice))


def _finding(question: Question, reply: Reply) -> Finding:
    claim, model = question.claim, reply.model
    frame = model.prepared.frame
    player = str(model.prepared.player)
    pairs = frame[[player, question.recording]].drop_duplicates()
    finding = Finding(
        claim,
        estimate=reply.shown,
        low=reply.low,
        high=reply.high,
        unit=model.scale.unit(claim.outcome),
        evidence=reply.evidence,
        df=reply.df,
        players=int(frame[player].nunique()),
        recordings=len(pairs),
        notes=len(frame),
        labels=tuple(label for axis in question.axes for label in axis.labels),
        told=observed_shares(question.chosen, claim.outcome, question.axis.side),
        formula=reply.formula,
        method=f"t, {model.inference.label} df",
        raw=(reply.estimate, reply.se, reply.margin),
        used=tuple(frame[question.recording].astype(str).unique()),
        look=_look(question, frame),
        scale=model.scale,
    )
    remarks = [
        *(remark for axis in question.axes for remark in axis.remarks),
        *plain_remarks(question, reply),
    ]
    twin = twin_tag(question)
    if twin:
        return replace(finding, obstacle=twin, remarks=tuple(remarks))
    said, bent = (
        beside_line(question) if question.axis.shape == "trend" else (bend_remarks(question, reply), [])
    )
    remarks += said
    remarks += share_remarks(finding)
    others = []
    if reply.evidence.p < ALPHA:  # only a decided verdict can be turned
        others = [*tag_others(question), *bent, *share_others(question), *lost_others(question, finding)]
        limits, said = limit_others(question, reply)
        others += limits
        remarks += said
    remarks += player_remarks(finding, reply)
    return replace(finding, remarks=tuple(remarks), others=tuple(others))


def _look(question: Question, frame: pd.DataFrame) -> str:
    side = pd.Series(question.axis.side[question.countable]).loc[frame.index].to_numpy()
    names = frame[question.recording].astype(str)
    counts = names.groupby([names, side]).size().reset_index(name="notes").to_numpy().tolist()
    content = json.dumps([[str(name), int(way), int(n)] for name, way, n in counts])
    return hashlib.sha256(content.encode()).hexdigest()[:16]
