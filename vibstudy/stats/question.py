"""A claim made ready to be asked: notes chosen, columns made, sides known; and the reply of one model."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.stats.claimfile import Claim, Contrast
from vibstudy.stats.diagnosis import NOT_CONVERGED_ADVICE
from vibstudy.stats.fitted import FittedModel, Scale
from vibstudy.stats.frames import check_columns
from vibstudy.stats.lineage import lineage_of
from vibstudy.stats.multiple import Evidence, evidence
from vibstudy.stats.predictors import Axis, axis_of, is_number, joined, level_text
from vibstudy.stats.remarks import NotTestable, Remark
from vibstudy.stats.selection import is_countable, is_proper, with_air_vibrato
from vibstudy.stats.tokens import name_text

PRESENCE = frozenset(["has_vibrato", "has_intensity_vibrato", "vibrates"])


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


def shown(scale: Scale | None, values: Sequence[float]) -> list[float]:
    """Differences as they are shown: per cent where the model is logarithmic."""
    return (scale or Scale()).shown(values)


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

    player, recording = "player", "recording_id"

    def __init__(self, claim: Claim, notes: pd.DataFrame, contrast: Contrast | None = None):
        self.claim = claim
        self.contrast = c = contrast or claim.contrast
        random = (*claim.crossed, self.player, self.recording)
        check_columns(notes, [claim.outcome, *filter(None, (c.column, c.across)), *random])
        self._notes = notes
        notes = notes.reset_index(drop=True)
        if claim.outcome == "has_vibrato":
            notes = with_air_vibrato(notes)
        chosen = _chosen(claim, notes)
        self.countable = is_countable(notes, claim.outcome)[chosen.index]
        known = self.countable & chosen[claim.outcome].notna().to_numpy(bool)
        if not known.any():
            raise NotTestable(Remark("no value", {"column": claim.outcome}))
        across = None
        if c.across:
            across = axis_of(c, c.across, chosen, known, self.player, notes, self._pairs(c, chosen))
        self.axis = axis_of(c, c.column, chosen, known, self.player, notes)
        self.across = across
        parts = [chosen, self.axis.columns, *([across.columns] if across else [])]
        if self.axis.shape == "trend":
            parts.append(self.axis.bends)
        if "speed_factor" in chosen and "speed_known" not in chosen:
            known_speed = np.where(chosen["speed_factor"].notna(), "yes", "no")
            parts.append(pd.DataFrame({"speed_known": known_speed}, chosen.index))
        if "teacher" in notes and "lineage" not in notes and notes["teacher"].notna().any():
            parts.append(lineage_of(notes)[chosen.index].rename("lineage").to_frame())
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
    def axes(self) -> list[Axis]:
        """The column compared, and the one its change is asked across, if any."""
        return [self.axis] if self.across is None else [self.axis, self.across]

    @property
    def left(self) -> str:
        """Left side of the formula."""
        name = name_text(self.claim.outcome)
        return f"log2({name})" if self.claim.scale == "log" else name

    def formula(self, extra: Sequence[str] = ()) -> str:
        """The model's formula, with `extra` terms."""
        own = set()
        for axis in self.axes:
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
        drawn: Sequence[str] = (),
        as_share: bool = False,
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
        drawn : sequence of str
            Further random factors.
        as_share : bool
            Whether presence is modelled as a share, by the linear model, in place of its odds.
        **settings
            Passed to the fit.
        """
        from vibstudy.stats.mixed import fit_mixed
        from vibstudy.stats.presence import PresenceResult, fit_presence

        mask = self.countable if keep is None else self.countable & keep
        frame = self.chosen[mask]
        formula = self.formula(extra)
        presence = self.claim.outcome in PRESENCE and not as_share
        if as_share:
            shares = frame[self.claim.outcome].astype("Float64")
            frame = frame.assign(**{self.claim.outcome: shares})
        if weights is not None and not presence:
            settings["weights"] = weights[mask]
        fit = fit_presence if presence else fit_mixed
        crossed = (*self.claim.crossed, *drawn)
        model = fit(frame, formula, self.player, self.recording, crossed, **settings)
        if not model.converged:
            raise NotTestable(Remark("not converged", advice=NOT_CONVERGED_ADVICE))
        column = next(iter(self.axis.start))
        ends = [f"{column} {level_text(at[column])}" for at in (self.axis.start, self.axis.end)]
        for level in model.separated() if isinstance(model, PresenceResult) else ():
            if level in ends:
                raise NotTestable(Remark("separated", {"level": level}, advice="Report the counts."))
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
        if not {name for one in self.axes for name in one.start} <= set(model.prepared.frame):
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
