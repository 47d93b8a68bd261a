"""One claim put to the note table: the test, or the reason why there is none, and its caveats.

The rules are described in :mod:`vibstudy.stats.claims`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.errors import Problem, VibstudyError, nearest
from vibstudy.stats.claimfile import LARGEST, Claim, Contrast
from vibstudy.stats.fitted import FittedModel, unit_of
from vibstudy.stats.frames import check_columns
from vibstudy.stats.multiple import tost
from vibstudy.stats.selection import is_countable, is_proper
from vibstudy.stats.threads import one_thread
from vibstudy.stats.tokens import name_text

ALPHA = 0.05
PRESENCE = frozenset(["has_vibrato", "has_intensity_vibrato", "vibrates"])
FEW_PLAYERS_A_SIDE = 3
MANY_MISSING = 0.2


@dataclass(frozen=True)
class Finding:
    """What the corpus says to one claim, before correction for the number of claims.

    Parameters
    ----------
    claim : Claim
    reason : str
        Why it cannot be tested here; "" when it can.
    estimate, low, high : float
        Difference *to* minus *from* in `unit`, with its 95 % interval.
    unit : str
    p : float
        Two-sided, or of the equivalence test.
    df : float
    players, recordings, notes : int
    caveats : tuple of str
    formula, method : str
    raw : tuple of float
        Estimate, standard error and margin on the model's scale.
    """

    claim: Claim
    reason: str = ""
    estimate: float = np.nan
    low: float = np.nan
    high: float = np.nan
    unit: str = ""
    p: float = np.nan
    df: float = np.nan
    players: int = 0
    recordings: int = 0
    notes: int = 0
    caveats: tuple[str, ...] = ()
    formula: str = ""
    method: str = ""
    raw: tuple[float, float, float] = (np.nan, np.nan, np.nan)
    used: tuple[str, ...] = field(default=(), repr=False)

    def verdict(self, p: float) -> str:
        """The verdict at a corrected `p`."""
        if self.reason:
            return "not testable here"
        estimate, se, margin = self.raw
        if self.claim.expect == "equal":
            if p < ALPHA:
                return "supported"
            half = _half(self)
            return "against" if abs(estimate) - half > margin else "undecided"
        if p < ALPHA:
            wanted = {"lower": estimate < 0, "higher": estimate > 0, "different": True}
            return "supported" if wanted[self.claim.expect] else "against"
        no_difference = (
            self.claim.expect == "different"
            and np.isfinite(margin)
            and tost(estimate, se, self.df, margin).equivalent
        )
        return "against" if no_difference else "undecided"


def _half(finding: Finding) -> float:
    from scipy import stats

    return float(stats.t.ppf(1 - ALPHA / 2, finding.df)) * finding.raw[1]


class _NotTestable(Exception):
    """The corpus cannot answer; the message is the reason."""


@one_thread
def examine(
    claim: Claim, notes: pd.DataFrame, player: str = "player", recording: str = "recording_id"
) -> Finding:
    """Test one claim on a note table; whatever stands in the way becomes the reason."""
    try:
        return _examine(claim, notes, player, recording)
    except _NotTestable as problem:
        return Finding(claim, reason=str(problem))
    except VibstudyError as problem:
        return Finding(claim, reason=" ".join(str(item) for item in problem.problems))


def _examine(claim: Claim, notes: pd.DataFrame, player: str, recording: str) -> Finding:
    c = claim.contrast
    names = [claim.outcome, c.column, *([c.across] if c.across else []), *claim.crossed, player, recording]
    check_columns(notes, names)
    notes = notes.reset_index(drop=True)
    chosen = _chosen(claim, notes)
    countable = chosen[is_countable(notes, claim.outcome)[chosen.index]]
    numeric = {name: _is_number(notes[name]) for name in (c.column, c.across) if name}
    c = _settled(claim, notes, numeric)
    known = countable[countable[claim.outcome].notna()]
    if known.empty:
        raise _NotTestable(f"No note chosen has a value of {claim.outcome}.")
    _check_sides(claim, c, known, numeric, player)
    formula = claim.formula(numeric)
    model = _fit(claim, countable, formula, player, recording)
    row = _row(model, c, numeric)
    caveats = _caveats(claim, model, chosen, known, numeric, player)
    return _with_influence(_finding(claim, model, row, formula, caveats, recording), model, row)


def _chosen(claim: Claim, notes: pd.DataFrame) -> pd.DataFrame:
    from vibstudy.stats.filters import select

    keep = select(notes, claim.filter) if claim.filter.strip() else np.ones(len(notes), bool)
    keep &= is_proper(notes)
    if not keep.any():
        raise _NotTestable(f"No note passes the filter {claim.filter!r}.")
    chosen = notes[keep]
    if claim.scale == "log":
        positive = pd.to_numeric(chosen[claim.outcome], errors="coerce") > 0
        chosen = chosen.assign(**{claim.outcome: chosen[claim.outcome].where(positive.fillna(False))})
    return chosen


def _is_number(values: pd.Series) -> bool:
    return pd.api.types.is_numeric_dtype(values.dtype) and not pd.api.types.is_bool_dtype(values.dtype)


def _settled(claim: Claim, notes: pd.DataFrame, numeric: Mapping[str, bool]) -> Contrast:
    """The contrast with its levels as the table holds them; a misspelt level names the nearest."""
    c = claim.contrast
    settled: dict[str, Any] = {}
    for column, keys in ((c.column, ("start", "end")), (c.across, ("across_start", "across_end"))):
        if not column:
            continue
        as_factor = not numeric[column] or (column == c.column and c.factor)
        for key in keys:
            value = getattr(c, key)
            settled[key] = _level(notes, column, value) if as_factor else _number(column, value)
    return replace(c, **settled)


def _level(notes: pd.DataFrame, column: str, value: Any) -> str:
    levels = sorted({level_text(v) for v in notes[column].dropna().unique()})
    if level_text(value) in levels:
        return level_text(value)
    raise VibstudyError(
        Problem(
            "no note has this level",
            column=column,
            got=str(value),
            repair=nearest(level_text(value), levels) or f"The levels are: {', '.join(levels[:20])}.",
        )
    )


def level_text(value: Any) -> str:
    """A level as it is written: whole numbers without a decimal point."""
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)


def _number(column: str, value: Any) -> float:
    if not isinstance(value, int | float) or isinstance(value, bool):
        raise VibstudyError(
            Problem(
                "is a number, and is compared with a text",
                column=column,
                got=str(value),
                repair="Write a number without quotation marks, or factor = true in the contrast.",
            )
        )
    if not abs(value) <= LARGEST:
        raise VibstudyError(Problem(f"is compared with no number up to {LARGEST:.0f}", column=column))
    return float(value)


def _check_sides(
    claim: Claim, c: Contrast, known: pd.DataFrame, numeric: Mapping[str, bool], player: str
) -> None:
    """Refuse comparisons one side of which has no notes, or rests on a single player."""
    for column, values in ((c.column, (c.start, c.end)), (c.across, (c.across_start, c.across_end))):
        if not column:
            continue
        if numeric[column] and not (column == c.column and c.factor):
            if known[column].nunique() < 2:
                raise _NotTestable(f"All notes chosen have the same {column}: there is nothing to compare.")
            continue
        players = known.groupby(known[column].map(level_text, na_action="ignore"), observed=True)[player]
        counts = players.nunique()
        for value in values:
            if counts.get(value, 0) == 0:
                raise _NotTestable(f"None of the notes chosen has {column} {value}.")
        shared = set(players.get_group(values[0])) & set(players.get_group(values[1]))
        lone = [value for value in values if counts[value] == 1]
        if lone and not shared:
            one = players.get_group(lone[0]).iloc[0]
            raise _NotTestable(
                f"All notes of {column} {lone[0]} are by one player ({one}): this corpus cannot tell the "
                f"{column} from the player."
            )
    if c.across and not (numeric[c.across] or (numeric[c.column] and not c.factor)):
        cells = pd.crosstab(known[c.column].map(level_text), known[c.across].map(level_text))
        for a in (c.start, c.end):
            for b in (c.across_start, c.across_end):
                if cells.get(b, pd.Series(dtype=int)).get(a, 0) == 0:
                    raise _NotTestable(f"No note chosen has both {c.column} {a} and {c.across} {b}.")


def _fit(claim: Claim, chosen: pd.DataFrame, formula: str, player: str, recording: str) -> FittedModel:
    from vibstudy.stats.mixed import fit_mixed
    from vibstudy.stats.presence import PresenceResult, fit_presence

    fit = fit_presence if claim.outcome in PRESENCE else fit_mixed
    model = fit(chosen, formula, player=player, recording=recording, crossed=claim.crossed)
    if not model.converged:
        raise _NotTestable("The model did not converge: " + model.diagnose().sentences[0])
    separated = model.separated() if isinstance(model, PresenceResult) else []
    c = claim.contrast
    involved = [level for level in separated if level in (f"{c.column} {c.start}", f"{c.column} {c.end}")]
    if involved:
        raise _NotTestable(f"All notes of {involved[0]} are alike: the odds are infinite. Report the counts.")
    return model


def _row(model: FittedModel, c: Contrast, numeric: Mapping[str, bool]) -> np.ndarray:
    """The contrast over the estimated terms."""
    from vibstudy.stats.marginal import Grid

    grid = Grid(model.prepared)

    def difference(extra: Mapping[str, Any]) -> np.ndarray:
        return grid.row({c.column: c.end, **extra}) - grid.row({c.column: c.start, **extra})

    if c.across:
        full = difference({c.across: c.across_end}) - difference({c.across: c.across_start})
    else:
        full = difference({})
    row = grid.reduce(full)
    if row is None or np.allclose(row, 0):
        tied = ", ".join(model.prepared.aliased) or c.column
        raise _NotTestable(
            f"This corpus cannot tell the comparison from the other terms ({tied} cannot be estimated): a "
            "cell is empty, or two tags go together without exception."
        )
    return row


def _finding(
    claim: Claim, model: FittedModel, row: np.ndarray, formula: str, caveats: Sequence[str], recording: str
) -> Finding:
    if reason := model.untestable(row):
        raise _NotTestable(reason)
    values = model.infer([row]).iloc[0]
    estimate, se, df = float(values["estimate"]), float(values["se"]), float(values["df"])
    margin = np.nan
    if claim.margin is not None:
        margin = model.scale.margin(1 + claim.margin / 100) if model.scale.changed else claim.margin
    p = tost(estimate, se, df, margin).p if claim.expect == "equal" else float(values["p"])
    shown = values[["estimate", "low", "high"]]
    unit = unit_of(claim.outcome)
    if model.scale.changed:
        shown = pd.Series(100 * (model.scale.ratio(shown) - 1), index=shown.index)
        unit = "% of the odds" if model.scale.kind == "logit" else "%"
    frame = model.prepared.frame
    pairs = frame[[str(model.prepared.player), recording]].drop_duplicates()
    return Finding(
        claim,
        "",
        float(shown["estimate"]),
        float(shown["low"]),
        float(shown["high"]),
        unit,
        p,
        df,
        int(frame[str(model.prepared.player)].nunique()),
        len(pairs),
        len(frame),
        tuple(caveats),
        formula,
        f"t, {model.inference.label} df",
        (estimate, se, margin),
        tuple(frame[recording].astype(str).unique()),
    )


# --- caveats


def _caveats(
    claim: Claim,
    model: FittedModel,
    chosen: pd.DataFrame,
    known: pd.DataFrame,
    numeric: Mapping[str, bool],
    player: str,
) -> list[str]:
    c = claim.contrast
    caveats = _side_caveats(c, known, numeric, player)
    diagnosis = model.diagnose()
    caveats += [s for s in diagnosis.sentences if "remain to judge chance by" in s]
    caveats += _missing_caveat(claim, chosen, len(model.prepared.y))
    caveats += _medium_caveat(claim, known)
    caveats += _inflation_caveat(model, c)
    return caveats


def _side_caveats(c: Contrast, known: pd.DataFrame, numeric: Mapping[str, bool], player: str) -> list[str]:
    out = []
    for column, start, end in ((c.column, c.start, c.end), (c.across, c.across_start, c.across_end)):
        if not column:
            continue
        if numeric[column] and not (column == c.column and c.factor):
            low, high = float(known[column].min()), float(known[column].max())
            if min(start, end) < low or max(start, end) > high:
                out.append(
                    f"The notes cover {column} {low:g} to {high:g} only: the claim reaches beyond them."
                )
            continue
        counts = known.groupby(known[column].map(level_text), observed=True)[player].nunique()
        thin = [
            f"{column} {v} ({counts[v]})"
            for v in (level_text(start), level_text(end))
            if counts.get(v, 0) < FEW_PLAYERS_A_SIDE
        ]
        if thin:
            out.append(f"Few players stand for {', '.join(thin)}.")
    return out


def _missing_caveat(claim: Claim, chosen: pd.DataFrame, used: int) -> list[str]:
    """Many notes that should have a value have none; notes without vibrato are not expected to."""
    expected = len(chosen)
    if "has_vibrato" in chosen and claim.outcome not in PRESENCE:
        vibrating = int(chosen["has_vibrato"].astype("boolean").fillna(False).sum())
        expected = vibrating if vibrating >= used else expected
    missing = 1 - used / expected
    if missing <= MANY_MISSING:
        return []
    return [
        f"{100 * missing:.0f} % of the notes that could count are left out: their value is missing, or not "
        "to be trusted."
    ]


def _medium_caveat(claim: Claim, known: pd.DataFrame) -> list[str]:
    named = [claim.contrast.column, claim.contrast.across, *claim.adjust]
    if "medium" not in known or any("medium" in name for name in named):
        return []
    media = known["medium"].dropna().astype(str).unique()
    if len(media) < 2:
        return []
    pairs = known[[claim.contrast.column, "medium"]].dropna().drop_duplicates()
    if pairs[claim.contrast.column].duplicated().any():
        return []
    return [f"Each {claim.contrast.column} has a single medium: the difference may be one of media."]


def _inflation_caveat(model: FittedModel, c: Contrast) -> list[str]:
    from vibstudy.stats.confounds import INFLATION_LIMIT, inflation

    factors = inflation(model.prepared)[0]["factor"]
    column = name_text(c.column)
    factors = factors[[str(name) in (column, f"C({column})") for name in factors.index]]
    if c.across or factors.empty or factors.max() <= INFLATION_LIMIT:
        return []
    return [
        f"{c.column} is entangled with the other terms: the interval is {factors.max():.1f} times as wide as "
        "if it stood alone."
    ]


def _with_influence(finding: Finding, model: FittedModel, row: np.ndarray) -> Finding:
    """Add the caveat that the verdict, before Holm, hangs on a single player."""
    from vibstudy.stats.influence import leave_out
    from vibstudy.stats.mixed import MixedResult

    if not isinstance(model, MixedResult):
        return finding
    verdict, margin = finding.verdict(finding.p), finding.raw[2]
    alone, turning = [], []
    for left in leave_out(model, row=row).to_dict("records"):
        if np.isnan(left["estimate"]):
            alone.append(left["left_out"])
            continue
        equal = finding.claim.expect == "equal"
        p = tost(left["estimate"], left["se"], left["df"], margin).p if equal else left["p"]
        without = replace(finding, df=left["df"], raw=(left["estimate"], left["se"], margin))
        if without.verdict(p) != verdict:
            turning.append((abs(left["change_in_se"]), left["left_out"], without.verdict(p)))
    caveats = [f"The comparison rests on {name}: without this player it cannot be made." for name in alone]
    if turning:
        _, name, other = max(turning)
        others = len(turning) - 1
        more = f"; {others} other player{'s' if others > 1 else ''} would turn it, too" if others else ""
        caveats.append(f"Without {name} the verdict, before Holm, would be {other!r}{more}.")
    return replace(finding, caveats=(*finding.caveats, *caveats))
