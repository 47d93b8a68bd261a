"""Predictors: how a column of a claim enters the model, as levels, bands, a line, a curve or a break.

Time is not a line. A claim that names two decades is about these decades, and so it is tested:

========  ==========================================================================================
bands     each decade by itself; the two named are compared. Where fewer than :data:`ENOUGH` players stand
          for a named decade, its band is widened towards the other one, at most to the middle between them.
          It never grows outwards: what changed outside the span claimed cannot count for it. Players are
          counted before any outcome is looked at. The default of ``decade`` and ``year``
trend     a straight line, of time over the span claimed, else over all notes. Whether it bends is tested,
          too, and a verdict is asked once more with a bend in the model, the same at both ends of the span
          claimed: a line drawn through the decades with most recordings says nothing of those with few.
          Where they lie evenly the bend takes next to nothing from it. The default of other numbers
curve     a curve with :data:`CURVE_TERMS` degrees of freedom (Legendre polynomials)
break     all before against all from a year on; whether there is a trend besides is tested, too
levels    a factor's own levels; also of numbers with four values or fewer, unless a trend is claimed
========  ==========================================================================================
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.errors import VibstudyError, unknown
from vibstudy.stats.claimfile import TIMES, Contrast
from vibstudy.stats.remarks import NotTestable, Remark
from vibstudy.stats.tokens import LARGEST, name_text

ENOUGH = 4
"""Players a side from which on false alarms stay near 5 %, see benchmarks/calibration_claims.py."""

STEP = 10.0
"""Width of a band of time: a decade."""

CURVE_TERMS = 3
"""A curve can rise, fall and rise again: what two turns within a century of recordings need."""


@dataclass(frozen=True, eq=False)
class Axis:
    """One column of a claim, ready for the model.

    Parameters
    ----------
    column, shape : str
    term : str
        What stands in the formula.
    columns : DataFrame
        New columns of the note table that the term needs; may be empty.
    start, end : dict
        Settings of the model's columns that are compared.
    side : ndarray [shape=(n,)]
        -1 for notes that stand for the start, 1 for the end, 0 for others.
    labels : tuple of str
        What the two sides are called.
    bends : DataFrame
        A column that the line or break leaves out, to test whether it bends; may be empty. A line's is the
        square of the way from the middle of the span claimed: 1 at both its ends.
    remarks : tuple of Remark
    """

    column: str
    shape: str
    term: str
    columns: pd.DataFrame
    start: dict[str, Any]
    end: dict[str, Any]
    side: np.ndarray
    labels: tuple[str, str]
    bends: pd.DataFrame
    remarks: tuple[Remark, ...] = field(default=())


def level_text(value: Any) -> str:
    """A level as it is written: whole numbers without a decimal point."""
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)


def is_number(values: pd.Series) -> bool:
    """Whether a column holds numbers (true and false are none)."""
    return pd.api.types.is_numeric_dtype(values.dtype) and not pd.api.types.is_bool_dtype(values.dtype)


@dataclass(frozen=True, eq=False)
class _Asked:
    """Two ends of a column, among the notes chosen, of which some have an outcome."""

    column: str
    start: Any
    end: Any
    chosen: pd.DataFrame
    known: np.ndarray
    player: str
    every: pd.DataFrame

    def demand_players(self, side: np.ndarray, labels: Sequence[str]) -> None:
        """Both sides need notes, and are not to be told from a single player."""
        names = self.chosen[self.player].astype(str).to_numpy()
        sides = [set(names[self.known & (side == way)]) for way in (-1, 1)]
        for label, players in zip(labels, sides, strict=True):
            if not players:
                raise NotTestable(Remark("empty side", {"column": self.column, "value": label}))
        for label, players in zip(labels, sides, strict=True):
            if len(players) == 1 and not sides[0] & sides[1]:
                values = {"column": self.column, "value": label, "player": next(iter(players))}
                raise NotTestable(Remark("one player", values))


def axis_of(
    contrast: Contrast,
    column: str,
    chosen: pd.DataFrame,
    known: np.ndarray,
    player: str,
    every: pd.DataFrame,
    other: pd.Series | None = None,
) -> Axis:
    """Prepare one column of a claim.

    Parameters
    ----------
    contrast : Contrast
    column : str
        Its column, or the one it changes across.
    chosen : DataFrame
        Notes the claim is about.
    known : ndarray [shape=(n,)]
        Which of them have an outcome.
    player : str
    every : DataFrame
        The whole note table: misspelt levels are mended from it.
    other : Series | None
        The column it changes across (or is changed by): bands then need players at each of its levels.
    """
    first = column == contrast.column
    start = contrast.start if first else contrast.across_start
    end = contrast.end if first else contrast.across_end
    asked = _Asked(column, start, end, chosen, known, player, every)
    shape = contrast.shape_of(column, is_number(every[column]))
    if shape == "levels":
        return _levels(asked)
    values = chosen[column].astype("Float64").to_numpy(float, na_value=np.nan)
    if shape == "break":
        return _break(contrast, values, chosen.index, known)
    start, end = _number(column, start), _number(column, end)
    asked = replace(asked, start=start, end=end)
    seen = values[known & np.isfinite(values)]
    found = np.unique(seen)
    if len(found) < 2:
        raise NotTestable(Remark("one value", {"column": column}))
    plain = shape == "trend" and not (first and contrast.shape) and {start, end} <= set(found.tolist())
    if plain and len(found) <= CURVE_TERMS + 1:
        return _levels(asked)
    remarks = _reach(column, start, end, seen)
    if shape == "bands":
        return _bands(asked, values, other, remarks)
    inside = (values >= min(start, end)) & (values <= max(start, end))
    columns, term = pd.DataFrame(index=chosen.index), name_text(column)
    if shape == "trend" and column in TIMES and np.any(known & np.isfinite(values) & ~inside):
        values = np.where(inside, values, np.nan)
        seen = values[known & inside]
        if len(np.unique(seen)) < 2:
            raise NotTestable(Remark("one value", {"column": column}))
        term = name_text(f"{column}_span")
        columns[f"{column}_span"] = values
    near_start = np.abs(values - start) < np.abs(values - end)
    side = np.where(np.isfinite(values), np.where(near_start, -1, 1), 0)
    labels = (level_text(start), level_text(end))
    if shape == "curve":
        return _curve(asked, values, seen, side, labels, remarks)
    bend = (2 * (values - start) / (end - start) - 1) ** 2
    bends = pd.DataFrame({f"{column}_bend": bend}, index=chosen.index)
    name = str(next(iter(columns), column))
    return Axis(column, shape, term, columns, {name: start}, {name: end}, side, labels, bends, tuple(remarks))


def _number(column: str, value: Any) -> float:
    if not isinstance(value, int | float) or isinstance(value, bool):
        raise VibstudyError(
            "is a number, and is compared with a text",
            column=column,
            got=str(value),
            repair="Write a number without quotation marks, or factor = true in the contrast.",
        )
    if not abs(value) <= LARGEST:
        raise VibstudyError(f"is compared with no number up to {LARGEST:.0f}", column=column)
    return float(value)


def _reach(column: str, start: float, end: float, seen: np.ndarray) -> list[Remark]:
    """What lies between or beyond the recordings there are."""
    remarks = []
    low, high = float(seen.min()), float(seen.max())
    if min(start, end) < low or max(start, end) > high:
        remarks.append(Remark("reach", {"column": column, "low": low, "high": high}))
    if column in TIMES:
        inside = np.unique(
            np.floor(seen[(seen >= min(start, end)) & (seen <= max(start, end))] / STEP) * STEP
        )
        edges = np.unique(np.concatenate([inside, np.floor(np.array([start, end]) / STEP) * STEP]))
        for a, b in itertools.pairwise(edges):
            if b - a > STEP and a >= low - STEP and b <= high + STEP:
                remarks.append(Remark("gap", {"column": column, "first": a + STEP, "last": b - STEP}))
    return remarks


def _levels(asked: _Asked) -> Axis:
    column, chosen = asked.column, asked.chosen
    start, end = (_level(asked.every, column, value) for value in (asked.start, asked.end))
    texts = chosen[column].map(level_text, na_action="ignore").astype(object).to_numpy()
    side = np.where(texts == start, -1, np.where(texts == end, 1, 0))
    asked.demand_players(side, (start, end))
    term = f"C({name_text(column)})" if is_number(chosen[column]) else name_text(column)
    empty = pd.DataFrame(index=chosen.index)
    return Axis(column, "levels", term, empty, {column: start}, {column: end}, side, (start, end), empty)


def _level(notes: pd.DataFrame, column: str, value: Any) -> str:
    levels = sorted({level_text(v) for v in notes[column].dropna().unique()})
    if level_text(value) in levels:
        return level_text(value)
    text = level_text(value)
    raise VibstudyError(unknown("no note has this level", text, levels, "The levels are", 20, column=column))


def _break(contrast: Contrast, values: np.ndarray, index: pd.Index, known: np.ndarray) -> Axis:
    column, cut = contrast.column, float(contrast.cut or 0.0)
    inside = np.isfinite(values)
    if contrast.start is not None:
        low, high = sorted((_number(column, contrast.start), _number(column, contrast.end)))
        inside &= (values >= low) & (values <= high)
    side = np.where(inside, np.where(values < cut, -1, 1), 0)
    before, after = f"before {cut:g}", f"from {cut:g} on"
    for label, way in ((before, -1), (after, 1)):
        if not np.any(known & (side == way)):
            raise NotTestable(Remark("empty side", {"column": column, "value": label}))
    name = f"{column}_break"
    texts = pd.Series(np.where(side == -1, before, after), index=index, dtype="string")
    columns = pd.DataFrame({name: texts.mask(side == 0)})
    middle, spread = float(np.mean(values[inside])), float(np.std(values[inside]) or 1.0)
    bends = pd.DataFrame({f"{column}_bend": (values - middle) / spread}, index=index)
    return Axis(
        column, "break", name_text(name), columns, {name: before}, {name: after}, side, (before, after), bends
    )


def _bands(asked: _Asked, values: np.ndarray, other: pd.Series | None, remarks: list[Remark]) -> Axis:
    column, start, end = asked.column, asked.start, asked.end
    chosen, known = asked.chosen, asked.known
    times = column in TIMES
    step = STEP if times else abs(end - start) / 4
    origin = 0.0 if times else min(start, end)
    with np.errstate(invalid="ignore"):
        place = np.floor((values - origin) / step)
    ends = np.floor((np.array([start, end]) - origin) / step)
    if ends[0] == ends[1]:
        raise NotTestable(Remark("same band", {"column": column, "start": start, "end": end}))
    names = chosen[asked.player].astype(str).to_numpy()
    groups = np.zeros(len(chosen), int) if other is None else pd.factorize(other)[0]
    most = int(abs(ends[1] - ends[0]) + 1) // 2
    side, spans = np.zeros(len(chosen), int), []
    for way, own, far in ((-1, ends[0], ends[1]), (1, ends[1], ends[0])):
        inward = np.sign(far - own)
        for width in range(most):
            inner = own + width * inward
            member = (place >= min(own, inner)) & (place <= max(own, inner))
            counts = [len(set(names[member & known & (groups == g)])) for g in np.unique(groups[known])]
            if min(counts) >= ENOUGH:
                break
        if not np.any(member & known):
            band = _band_text(own, own, step, origin)
            raise NotTestable(Remark("empty side", {"column": column, "value": band}))
        members = place[member & known]
        low, high = float(members.min()), float(members.max())
        side[member] = way
        spans.append((low, high))
        if (low, high) != (own, own):
            band, players = _band_text(low, high, step, origin), len(set(names[member & known]))
            told = {"column": column, "value": origin + own * step, "band": band, "players": players}
            remarks.append(Remark("widened", told))
    texts = [_band_text(low, high, step, origin) for low, high in spans]
    labels = np.array([_band_text(p, p, step, origin) if np.isfinite(p) else None for p in place], object)
    labels[side == -1], labels[side == 1] = texts
    name = f"{column}_band"
    columns = pd.DataFrame({name: pd.array(labels, dtype="string")}, index=chosen.index)
    asked.demand_players(side, texts)
    empty = pd.DataFrame(index=chosen.index)
    seen = values[known & np.isfinite(values)]
    bend = ((values - seen.mean()) / seen.std()) ** 2
    bends = pd.DataFrame({column: values, f"{column}_bend": bend}, index=chosen.index)
    return Axis(
        column, "bands", name_text(name), columns, {name: texts[0]}, {name: texts[1]}, side,
        (texts[0], texts[1]), bends if len(np.unique(seen)) > 2 else empty, tuple(remarks),
    )  # fmt: skip


def _band_text(low: float, high: float, step: float, origin: float) -> str:
    first = f"{origin + low * step:g}"
    return first if low == high else f"{first} to {origin + high * step:g}"


def _curve(
    asked: _Asked,
    values: np.ndarray,
    seen: np.ndarray,
    side: np.ndarray,
    labels: tuple[str, str],
    remarks: list[Remark],
) -> Axis:
    column, index = asked.column, asked.chosen.index
    terms = min(CURVE_TERMS, len(np.unique(seen)) - 1)
    low, high = float(seen.min()), float(seen.max())

    def basis(at: np.ndarray) -> np.ndarray:
        return np.polynomial.legendre.legvander(2 * (at - low) / (high - low) - 1, terms)[:, 1:]

    names = [f"{column}_curve{k}" for k in range(1, terms + 1)]
    columns = pd.DataFrame(basis(values), columns=names, index=index)
    ends = basis(np.array([asked.start, asked.end]))
    settings = [dict(zip(names, row, strict=True)) for row in ends.tolist()]
    return Axis(
        column, "curve", " + ".join(map(name_text, names)), columns, settings[0], settings[1], side, labels,
        pd.DataFrame(index=index), tuple(remarks),
    )  # fmt: skip


def joined(first: Axis, second: Axis | None) -> str:
    """Terms of a contrast, or of its change across another column."""
    if second is None:
        return first.term
    if len(first.term.split(" + ")) == len(second.term.split(" + ")) == 1:
        return f"{first.term} * {second.term}"
    return f"({first.term}) * ({second.term})"
