"""One claim put to the note table: the test, or the reason why there is none, and what stands beside it.

The rules are described in :mod:`vibstudy.stats.claims`. Everything found is data (:class:`Finding`,
:class:`vibstudy.stats.remarks.Remark`); the words are :mod:`vibstudy.stats.words`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.errors import VibstudyError
from vibstudy.stats.claimfile import Claim, Contrast
from vibstudy.stats.fitted import FittedModel, Scale, unit_of
from vibstudy.stats.frames import check_columns
from vibstudy.stats.lost import WARN_FROM, chance_weights, told_shares, trimmed
from vibstudy.stats.multiple import Evidence, evidence
from vibstudy.stats.remarks import NotTestable, Remark
from vibstudy.stats.selection import VIBRATO_FIGURES, is_countable, is_proper
from vibstudy.stats.spans import axis_of, is_number, joined, level_text
from vibstudy.stats.threads import one_thread
from vibstudy.stats.tokens import name_text

ALPHA = 0.05
PRESENCE = frozenset(["has_vibrato", "has_intensity_vibrato", "vibrates"])
FEW_PLAYERS_A_SIDE = 3
MANY_MISSING = 0.2
"""Share of notes without a value from which on it is told: one in five."""

TAGS = ("medium", "decade", "region", "school", "accompaniment", "room", "instrument", "speed_known")
"""What a comparison may be confounded with; ``speed_known``: whether the manifest gives a speed factor."""


@dataclass(frozen=True, eq=False)
class Reply:
    """The contrast of one fitted model.

    Parameters
    ----------
    estimate, se, df, margin : float
        On the model's scale; the margin with the sign that the expectation gives it.
    evidence : Evidence
    low, high, shown : float
        95 % interval and estimate as they are shown: per cent where the model is logarithmic.
    model : FittedModel
    row : ndarray [shape=(p,)]
    formula : str
    """

    estimate: float
    se: float
    df: float
    margin: float
    evidence: Evidence
    shown: float
    low: float
    high: float
    model: FittedModel
    row: np.ndarray
    formula: str


@dataclass(frozen=True)
class Other:
    """The same contrast under one change of model or notes.

    Parameters
    ----------
    kind : str
        tag, weights, worst case.
    name : str
        Which: the tag, "narrowest", ...
    evidence : Evidence | None
        None where the change leaves nothing to compare.
    estimate, low, high : float
        As shown.
    """

    kind: str
    name: str
    evidence: Evidence | None
    estimate: float = np.nan
    low: float = np.nan
    high: float = np.nan


@dataclass(frozen=True)
class Finding:
    """What the corpus says to one claim, before correction for the number of claims and looks.

    Parameters
    ----------
    claim : Claim
    obstacle : Remark | None
        Why it cannot be tested here; None when it can.
    estimate, low, high : float
        Difference *to* minus *from* in `unit`, with its 95 % interval.
    unit : str
    evidence : Evidence
        p for and against the claim.
    df : float
    players, recordings, notes : int
    labels : tuple of str
        What is compared: the two sides, and the two of the column it changes across.
    remarks : tuple of Remark
    others : tuple of Other
        What changes of the model say.
    told : tuple of float
        Share of notes of each side that could be told.
    formula, method : str
    raw : tuple of float
        Estimate, standard error and margin on the model's scale.
    used : tuple of str
        Recordings.
    look : str
        What tells this look from another one: the notes that each recording gave, and its side.
    """

    claim: Claim
    obstacle: Remark | None = None
    estimate: float = np.nan
    low: float = np.nan
    high: float = np.nan
    unit: str = ""
    evidence: Evidence = field(default_factory=lambda: Evidence(np.nan, np.nan))
    df: float = np.nan
    players: int = 0
    recordings: int = 0
    notes: int = 0
    labels: tuple[str, ...] = ()
    remarks: tuple[Remark, ...] = ()
    others: tuple[Other, ...] = ()
    told: tuple[float, float] = (np.nan, np.nan)
    formula: str = ""
    method: str = ""
    raw: tuple[float, float, float] = (np.nan, np.nan, np.nan)
    used: tuple[str, ...] = field(default=(), repr=False)
    look: str = ""
    scale: Scale | None = field(default=None, repr=False, compare=False)

    @property
    def p(self) -> float:
        """The p that is corrected: of the side the data lean to."""
        return float("nan") if self.obstacle else self.evidence.p

    def verdict(self, factor: float = 1.0) -> str:
        """The verdict, p raised by `factor`."""
        return "not testable here" if self.obstacle else self.evidence.verdict(factor, ALPHA)

    def turned_by(self, factor: float = 1.0) -> list[Other]:
        """Changes of the model under which a decided verdict would not stand, their own p uncorrected.

        Corrected as the claim itself, a tag would be called a rival for the degrees of freedom it costs.
        """
        verdict = self.verdict(factor)
        if verdict not in ("supported", "against"):
            return []
        return [o for o in self.others if o.evidence is None or o.evidence.verdict(1.0, ALPHA) != verdict]

    def interval(self, level: float) -> tuple[float, float]:
        """Interval of `level`, as shown."""
        from scipy import stats

        estimate, se, _ = self.raw
        half = float(stats.t.ppf(0.5 + level / 2, self.df)) * se
        low, high = shown(self.scale, [estimate - half, estimate + half])
        return low, high


def shown(scale: Scale | None, values: Sequence[float]) -> list[float]:
    """Differences as they are shown: per cent where the model is logarithmic."""
    if scale is None or not scale.changed:
        return [float(v) for v in values]
    return [float(v) for v in 100 * (scale.ratio(pd.Series(list(values), dtype=float)) - 1)]


@one_thread
def examine(
    claim: Claim, notes: pd.DataFrame, player: str = "player", recording: str = "recording_id"
) -> Finding:
    """Test one claim on a note table; whatever stands in the way becomes the obstacle."""
    try:
        question = Question(claim, notes, player, recording)
        return _finding(question, question.ask())
    except NotTestable as problem:
        return Finding(claim, problem.remark)
    except VibstudyError as problem:
        text = " ".join(str(item) for item in problem.problems)
        return Finding(claim, Remark("problem", {"text": text}))


class Question:
    """A claim made ready: notes chosen, columns made, sides known. It can be asked in several ways.

    Attributes
    ----------
    chosen : DataFrame
        Proper notes that pass the filter, with the columns the model needs.
    countable : ndarray [shape=(n,)]
        Which of them may stand in a model.
    axis, across : Axis
        The columns compared.
    """

    def __init__(
        self,
        claim: Claim,
        notes: pd.DataFrame,
        player: str = "player",
        recording: str = "recording_id",
        contrast: Contrast | None = None,
    ):
        self.claim, self.player, self.recording = claim, player, recording
        self.contrast = c = contrast or claim.contrast
        names = [
            claim.outcome,
            c.column,
            *([c.across] if c.across else []),
            *claim.crossed,
            player,
            recording,
        ]
        check_columns(notes, names)
        notes = notes.reset_index(drop=True)
        chosen = _chosen(claim, notes)
        self.countable = is_countable(notes, claim.outcome)[chosen.index]
        known = self.countable & chosen[claim.outcome].notna().to_numpy(bool)
        if not known.any():
            raise NotTestable(Remark("no value", {"column": claim.outcome}))
        across = None
        if c.across:
            across = axis_of(c, c.across, chosen, known, player, notes, self._pairs(c, chosen))
        self.axis = axis_of(c, c.column, chosen, known, player, notes)
        self.across = across
        parts = [chosen, self.axis.columns, *([across.columns] if across else [])]
        if "speed_factor" in chosen and "speed_known" not in chosen:
            parts.append(
                pd.DataFrame(
                    {"speed_known": np.where(chosen["speed_factor"].notna(), "yes", "no")}, chosen.index
                )
            )
        self.chosen, self.known = pd.concat(parts, axis=1), known
        if across is not None:
            self._check_cells()

    @staticmethod
    def _pairs(c: Contrast, chosen: pd.DataFrame) -> pd.Series | None:
        """The two levels whose difference changes: each band needs players at both."""
        if is_number(chosen[c.column]) and not c.factor:
            return None
        texts = chosen[c.column].map(level_text, na_action="ignore").astype(object)
        return texts.where(texts.isin([level_text(c.start), level_text(c.end)]))

    def _check_cells(self) -> None:
        """Refuse a change of a difference one of whose four cells is empty."""
        assert self.across is not None
        if "trend" in (self.axis.shape, self.across.shape) or "curve" in (self.axis.shape, self.across.shape):
            return
        for way, first in zip((-1, 1), self.axis.labels, strict=True):
            for other, second in zip((-1, 1), self.across.labels, strict=True):
                if not np.any(self.known & (self.axis.side == way) & (self.across.side == other)):
                    values = {"columns": (self.axis.column, self.across.column), "values": (first, second)}
                    raise NotTestable(Remark("empty cell", values))

    @property
    def left(self) -> str:
        """Left side of the formula."""
        name = name_text(self.claim.outcome)
        return f"log2({name})" if self.claim.scale == "log" else name

    def formula(self, extra: Sequence[str] = ()) -> str:
        """The model's formula, with `extra` terms."""
        own = set()
        for axis in (self.axis, self.across):
            if axis is not None:
                own |= {axis.column, axis.term, name_text(axis.column), f"C({name_text(axis.column)})"}
        adjust = [term for term in self.claim.adjust if term not in own]
        return f"{self.left} ~ {' + '.join([joined(self.axis, self.across), *adjust, *extra])}"

    def adjusted(self) -> str:
        """All terms but the outcome, as one text, to see what is in the model already."""
        return self.formula().partition("~")[2]

    def ask(
        self,
        extra: Sequence[str] = (),
        keep: np.ndarray | None = None,
        weights: np.ndarray | None = None,
        **settings: Any,
    ) -> Reply:
        """Fit the model and reply with the contrast.

        Parameters
        ----------
        extra : sequence of str
            Further terms.
        keep : ndarray of bool [shape=(n,)] or None
            Which of the chosen notes; all countable ones by default.
        weights : ndarray [shape=(n,)] or None
        **settings
            Passed to the fit.
        """
        from vibstudy.stats.mixed import fit_mixed
        from vibstudy.stats.presence import PresenceResult, fit_presence

        mask = self.countable if keep is None else self.countable & keep
        frame = self.chosen[mask]
        formula = self.formula(extra)
        presence = self.claim.outcome in PRESENCE
        if weights is not None and not presence:
            settings["weights"] = weights[mask]
        fit = fit_presence if presence else fit_mixed
        model = fit(
            frame,
            formula,
            player=self.player,
            recording=self.recording,
            crossed=self.claim.crossed,
            **settings,
        )
        if not model.converged:
            raise NotTestable(Remark("not converged", {"text": model.diagnose().sentences[0]}))
        separated = model.separated() if isinstance(model, PresenceResult) else []
        column = next(iter(self.axis.start))
        ends = [f"{column} {level_text(at[column])}" for at in (self.axis.start, self.axis.end)]
        for level in separated:
            if level in ends:
                raise NotTestable(Remark("separated", {"level": level}))
        return self._reply(model, formula)

    def _reply(self, model: FittedModel, formula: str) -> Reply:
        row = self._row(model)
        if reason := model.untestable(row):
            raise NotTestable(Remark("problem", {"text": reason}))
        values = model.infer([row]).iloc[0]
        estimate, se, df = (float(values[name]) for name in ("estimate", "se", "df"))
        if not np.isfinite([estimate, se, df]).all():
            raise NotTestable(Remark("no error", {"column": self.axis.column}))
        margin = self._margin(model.scale)
        found = evidence(self.claim.expect, estimate, se, df, margin)
        point, low, high = shown(model.scale, [float(values[name]) for name in ("estimate", "low", "high")])
        return Reply(estimate, se, df, margin, found, point, low, high, model, row, formula)

    def _margin(self, scale: Scale) -> float:
        given, expect = self.claim.margin, self.claim.expect
        if given is None:
            return float("nan")
        if not scale.changed:
            return -given if expect == "lower" else given
        if expect == "lower":  # lower by at least 10 per cent: 0.9 times
            return -scale.margin(1 / (1 - given / 100))
        return scale.margin(1 + given / 100)

    def _row(self, model: FittedModel) -> np.ndarray:
        """The contrast over the estimated terms."""
        from vibstudy.stats.marginal import Grid

        grid, axis, across = Grid(model.prepared), self.axis, self.across
        for name in [*axis.start, *(across.start if across else [])]:
            if name not in model.prepared.frame:
                raise NotTestable(Remark("aliased", {"columns": (axis.column,)}))

        def difference(extra: Mapping[str, Any]) -> np.ndarray:
            return grid.row({**axis.end, **extra}) - grid.row({**axis.start, **extra})

        full = difference(across.end) - difference(across.start) if across else difference({})
        row = grid.reduce(full)
        if row is None or np.allclose(row, 0):
            tied = tuple(model.prepared.aliased) or (axis.column,)
            raise NotTestable(Remark("aliased", {"columns": tied}))
        return row


def _chosen(claim: Claim, notes: pd.DataFrame) -> pd.DataFrame:
    from vibstudy.stats.filters import select

    keep = select(notes, claim.filter) if claim.filter.strip() else np.ones(len(notes), bool)
    keep &= is_proper(notes)
    if not keep.any():
        raise NotTestable(Remark("no note", {"filter": claim.filter}))
    chosen = notes[keep]
    if claim.scale == "log":
        positive = pd.to_numeric(chosen[claim.outcome], errors="coerce") > 0
        chosen = chosen.assign(**{claim.outcome: chosen[claim.outcome].where(positive.fillna(False))})
    return chosen


def _finding(question: Question, reply: Reply) -> Finding:
    claim, model = question.claim, reply.model
    frame = model.prepared.frame
    player = str(model.prepared.player)
    pairs = frame[[player, question.recording]].drop_duplicates()
    unit = unit_of(claim.outcome)
    if model.scale.changed:
        unit = "% of the odds" if model.scale.kind == "logit" else "%"
    across = question.across
    finding = Finding(
        claim,
        estimate=reply.shown,
        low=reply.low,
        high=reply.high,
        unit=unit,
        evidence=reply.evidence,
        df=reply.df,
        players=int(frame[player].nunique()),
        recordings=len(pairs),
        notes=len(frame),
        labels=(*question.axis.labels, *(across.labels if across else ())),
        told=told_shares(question.chosen, claim.outcome, question.axis.side),
        formula=reply.formula,
        method=f"t, {model.inference.label} df",
        raw=(reply.estimate, reply.se, reply.margin),
        used=tuple(frame[question.recording].astype(str).unique()),
        look=_look(question, frame),
        scale=model.scale,
    )
    remarks = [*question.axis.remarks, *(across.remarks if across else ()), *_plain_remarks(question, reply)]
    twins = _twins(question)
    if twins:
        return replace(finding, obstacle=twins, remarks=tuple(remarks))
    remarks += _bend_remarks(question, reply)
    remarks += _share_remarks(finding)
    others = []
    if reply.evidence.p < ALPHA:  # only a decided verdict can be turned
        others = [*_tag_others(question), *_lost_others(question, finding)]
    remarks += _player_remarks(finding, reply)
    return replace(finding, remarks=tuple(remarks), others=tuple(others))


def _look(question: Question, frame: pd.DataFrame) -> str:
    side = pd.Series(question.axis.side, index=question.chosen.index)
    used = question.chosen[question.countable].reset_index(drop=True).loc[frame.index]
    counts = (
        pd.DataFrame(
            {
                "recording": frame[question.recording].astype(str).to_numpy(),
                "side": side[question.countable].reset_index(drop=True).loc[used.index].to_numpy(),
            }
        )
        .groupby(["recording", "side"])
        .size()
        .reset_index()
    )
    content = json.dumps([[str(name), int(way), int(n)] for name, way, n in counts.to_numpy().tolist()])
    return hashlib.sha256(content.encode()).hexdigest()[:16]


# --- what stands beside the test


def _plain_remarks(question: Question, reply: Reply) -> list[Remark]:
    from vibstudy.stats.confounds import INFLATION_LIMIT, inflation
    from vibstudy.stats.diagnosis import players_to_spare

    out = []
    names = question.chosen[question.player].astype(str).to_numpy()
    for axis in (question.axis, question.across):
        if axis is None or axis.shape in ("trend", "curve"):
            continue
        counts = [len(set(names[question.known & (axis.side == way)])) for way in (-1, 1)]
        thin = [(v, n) for v, n in zip(axis.labels, counts, strict=True) if n < FEW_PLAYERS_A_SIDE]
        if thin:
            out.append(Remark("thin", {"column": axis.column, "sides": thin}))
    spare = players_to_spare(reply.model)
    if spare is not None:
        out.append(Remark("spare", {"players": spare[0], "terms": spare[1]}))
    out += _missing(question, len(reply.model.prepared.y))
    factors = inflation(reply.model.prepared)[0]["factor"]
    own = factors[[str(name) == question.axis.term for name in factors.index]]
    if question.across is None and len(own) and own.max() > INFLATION_LIMIT:
        out.append(Remark("inflated", {"column": question.axis.column, "factor": float(own.max())}))
    return out


def _missing(question: Question, used: int) -> list[Remark]:
    """Many notes that should have a value have none; notes without vibrato are not expected to."""
    chosen, outcome = question.chosen, question.claim.outcome
    expected = len(chosen)
    if "has_vibrato" in chosen and outcome not in PRESENCE:
        vibrating = int(chosen["has_vibrato"].astype("boolean").fillna(False).sum())
        expected = vibrating if vibrating >= used else expected
    share = 1 - used / expected
    return [Remark("missing", {"share": share})] if share > MANY_MISSING else []


def _bend_remarks(question: Question, reply: Reply) -> list[Remark]:
    """Test what a line leaves out: whether it bends; of a break, whether there is a slope besides."""
    from vibstudy.stats.mixed import MixedResult, fit_mixed

    axis, bends = question.axis, question.axis.bends
    if question.across is not None or bends.empty or not isinstance(reply.model, MixedResult):
        return []
    name = str(bends.columns[-1])
    formula = question.formula([name_text(name)])
    if axis.shape == "bands":  # asked beside a line, not beside the bands, which can bend as they like
        formula = formula.replace(f"~ {axis.term}", f"~ {name_text(axis.column)}", 1)
    kept = question.chosen.drop(columns=list(bends), errors="ignore")
    frame = pd.concat([kept, bends], axis=1)[question.countable]
    try:
        table = fit_mixed(
            frame, formula, question.player, question.recording, crossed=question.claim.crossed
        ).table()
    except VibstudyError:
        return []
    p = float(table["p"].get(name, np.nan))
    if not np.isfinite(p):
        return []
    kind = "slope beside break" if axis.shape == "break" else "bend"
    return [Remark(kind, {"column": axis.column, "p": p, "shape": axis.shape})]


def _share_remarks(finding: Finding) -> list[Remark]:
    first, second = finding.told
    if not abs(first - second) >= WARN_FROM:
        return []
    return [Remark("shares", {"labels": finding.labels[:2], "shares": finding.told})]


def _twins(question: Question) -> Remark | None:
    """A tag that goes together with what is compared, level by level, without exception."""
    for tag in _tags(question):
        axis = question.axis
        name = next(iter(axis.start))
        own = name if axis.shape in ("break", "levels") else axis.column
        pairs = question.chosen.loc[question.known, [own, tag]].dropna().astype(str).drop_duplicates()
        if len(pairs) > 1 and not pairs[own].duplicated().any() and not pairs[tag].duplicated().any():
            return Remark("twins", {"columns": (axis.column, tag)})
    return None


def _tags(question: Question) -> list[str]:
    """Tags that differ among the notes used and are not in the model."""
    model = question.adjusted()
    used = question.chosen[question.known]
    skip = {question.axis.column, question.across.column if question.across else ""}
    if skip & {"decade", "year"}:
        skip |= {"decade", "year"}
    return [
        tag
        for tag in TAGS
        if tag in used
        and tag not in skip
        and tag not in model
        and used[tag].dropna().astype(str).nunique() > 1
    ]


def _tag_others(question: Question) -> list[Other]:
    """The contrast with each tag in the model."""
    out = []
    for tag in _tags(question):
        try:
            reply = question.ask([name_text(tag)])
        except (NotTestable, VibstudyError):
            if _is_rival(question, tag):
                out.append(Other("tag", tag, None))
            continue
        out.append(Other("tag", tag, reply.evidence, reply.shown, reply.low, reply.high))
    return out


def _is_rival(question: Question, tag: str) -> bool:
    """Whether no level of the tag stands on both sides, and one side has a single level.

    Several levels on both sides, each within one, are a finer division of the sides (schools within regions),
    no rival to them.
    """
    side = question.axis.side
    levels = [
        set(question.chosen.loc[question.known & (side == way), tag].dropna().astype(str)) for way in (-1, 1)
    ]
    fewest = min(len(levels[0]), len(levels[1]))
    return fewest == 1 and not levels[0] & levels[1]


def _lost_others(question: Question, finding: Finding) -> list[Other]:
    """The contrast with weights for the notes lost, and in the two worst cases."""
    if not abs(finding.told[0] - finding.told[1]) >= WARN_FROM:
        return []
    return [
        Other(kind, name, None) if reply is None else
        Other(kind, name, reply.evidence, reply.shown, reply.low, reply.high)
        for kind, name, reply in lost_replies(question, finding.told)
    ]  # fmt: skip


def lost_replies(question: Question, told: tuple[float, float]) -> list[tuple[str, str, Reply | None]]:
    """Ask with weights for the notes lost, and in the two worst cases."""
    outcome = question.claim.outcome
    if outcome in PRESENCE:
        return []
    out: list[tuple[str, str, Reply | None]] = []
    lost = np.ones(len(question.chosen), bool)
    if outcome in VIBRATO_FIGURES and "has_vibrato" in question.chosen:
        from vibstudy.stats.selection import is_told

        straight = is_told(question.chosen, outcome) & ~question.known
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


def _player_remarks(finding: Finding, reply: Reply) -> list[Remark]:
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
        alone.append(Remark("turned", {"player": name, "verdict": other, "others": len(turning) - 1}))
    return alone
