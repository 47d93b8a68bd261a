"""Would another reasonable choice of notes, tracker or speed tell another story?

Each check refits the model under one change and reports the same contrast again:

* stricter quality (only notes marked ok; a higher signal-to-noise ratio; surer vibrato);
* each recording medium left out in turn;
* another tracker's note table of the same recordings;
* notes lost to measuring, where they are given: each note weighted by the chance to be kept, and the two
  worst cases (:mod:`vibstudy.stats.missingness`);
* uncertain playback speed: rate and times of each recording are moved by a random factor, many times.

A conclusion that holds under all of them rests on the music; one that does not rests on the choice.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from vibstudy.errors import VibstudyError
from vibstudy.stats.fitted import Scale
from vibstudy.stats.missingness import chance_weights, trimmed
from vibstudy.stats.mixed import MixedResult, fit_mixed
from vibstudy.stats.resampling import Refit, contrast_row
from vibstudy.threads import one_thread

MEDIUM_SPEED_SD = {"acoustic_disc": 0.03, "electrical_disc": 0.01, "tape_lp": 0.005}
"""Standard deviation of the relative playback speed by medium: common practice, no source."""

_FACTOR = re.compile(r"(?:C\()?(`[^`]+`|[^\[\]()]+)\)?\[T\.(.*)\]")
"""A level of a factor, as the models name it."""

_SPEED_POWER = {"hz": 1.0, "s": -1.0}
"""Power of the speed factor by the unit a column ends with; cents do not change."""


@dataclass(frozen=True)
class Sensitivity:
    """Result of :func:`check_sensitivity`.

    Parameters
    ----------
    label : str
        The term or contrast followed, in words.
    table : DataFrame
        One row a check: ``check, notes, players, estimate, low, high, p, same_direction,
        same_verdict, remark``; the first row is the model itself. Estimates are on the model's scale.
    scale : Scale
        The way back to the reader's.
    unit : str
        Unit of what is told: that of the outcome, or per cent where the model is logarithmic.
    """

    label: str
    table: pd.DataFrame = field(compare=False)
    scale: Scale = field(default_factory=Scale, repr=False)
    unit: str = field(default="", repr=False)

    @property
    def shown(self) -> pd.DataFrame:
        """The table with estimates and intervals as the sentences tell them, in :attr:`unit`."""
        columns = ("estimate", "low", "high")
        return self.table.assign(**{name: self.scale.shown(self.table[name]) for name in columns})

    @property
    def sentences(self) -> list[str]:
        """What moved the result, in sentences."""
        table = self.shown
        base, rest = table.iloc[0], table.iloc[1:]
        unit = f" {self.unit}" if self.unit else ""
        told = rest[rest["remark"] == ""]
        changed = told[~(told["same_direction"] & told["same_verdict"])]
        out = [
            f"{_opening(row.check)}: {self.label} would be {_with_interval(row, unit)} instead of "
            f"{_with_interval(base, unit)}."
            for row in changed.itertuples()
        ]
        if told.shape[0] and not out:
            out.append(
                f"{_opening(self.label)} keeps its direction and verdict in all {len(told)} checks made."
            )
        return out + [
            f"{_opening(row.check)}: {row.remark}" for row in rest[rest["remark"] != ""].itertuples()
        ]

    def __str__(self) -> str:
        return "\n".join(self.sentences)


def _with_interval(row: Any, unit: str) -> str:
    """Estimate and interval of a row; what cannot be judged has none."""
    known = np.isfinite(row.low) and np.isfinite(row.high)
    interval = f" ({row.low:+.3g} to {row.high:+.3g}{unit})" if known else ""
    return f"{row.estimate:+.3g}{unit}{interval}"


def _opening(check: object) -> str:
    text = str(check)
    return text[:1].upper() + text[1:]


@one_thread
def check_sensitivity(
    notes: pd.DataFrame,
    formula: str,
    label: str,
    other_trackers: Mapping[str, pd.DataFrame] | None = None,
    lost: pd.DataFrame | None = None,
    speed_sd: float | Mapping[str, float] = MEDIUM_SPEED_SD,
    speed_draws: int = 50,
    seed: int | np.random.Generator = 1,
    words: str = "",
    **settings: Any,
) -> Sensitivity:
    """Refit under other reasonable choices and follow one term or contrast.

    Parameters
    ----------
    notes : DataFrame
    formula : str
    label : str
        Term or contrast, as the model names it.
    other_trackers : mapping of str to DataFrame
        Note tables of the same recordings by other trackers.
    lost : DataFrame | None
        Notes that should have a value and have none that counts: what measuring lost.
    speed_sd : float or mapping
        Standard deviation of a recording's relative speed, for all or by medium (others: certain).
    speed_draws : int
        Refits with drawn speeds; 0 skips the check.
    seed : int or Generator
    words : str
        What `label` is called in sentences; "" as the model words it.
    **settings
        Passed to :func:`vibstudy.stats.fit_mixed`.
    """
    base = fit_mixed(notes, formula, **settings)
    row = contrast_row(base, label)
    rows = [_row("as fitted", base, row)]
    for check, selected in _selections(notes).items():
        rows.append(_refit(check, selected, formula, label, settings))
    for tracker, table in (other_trackers or {}).items():
        rows.append(_refit(f"tracker {tracker}", table, formula, label, settings))
    if lost is not None and len(lost):
        rows += _lost(notes, lost, formula, label, base.prepared.outcome_column, settings)
    if speed_draws:
        rows += _speed(base, row, notes, speed_sd, speed_draws, seed)
    table = pd.DataFrame(rows)
    first = table.iloc[0]
    table["same_direction"] = np.sign(table["estimate"]) == np.sign(first["estimate"])
    table["same_verdict"] = (table["p"] < 0.05) == (first["p"] < 0.05)
    unit = base.scale.unit(base.prepared.outcome_column)
    return Sensitivity(words or base.term_words(label), table, base.scale, unit)


def _selections(notes: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Stricter choices of notes, those that leave out some but not all."""
    masks: dict[str, pd.Series] = {}
    if "quality" in notes:
        masks["only notes of quality ok"] = notes["quality"].eq("ok").fillna(False)
    if "snr_db" in notes:
        masks["only notes 20 dB above the noise"] = notes["snr_db"].ge(20).fillna(False)
    if "vibrato_p" in notes:
        masks["only vibrato surer than 1 in 1000"] = notes["vibrato_p"].le(0.001).fillna(False)
    if "medium" in notes:
        for medium in sorted(notes["medium"].dropna().astype(str).unique()):
            masks[f"without {medium}"] = notes["medium"].astype("string").ne(medium).fillna(True)
    return {
        check: notes[mask.to_numpy(bool)] for check, mask in masks.items() if 0 < int(mask.sum()) < len(notes)
    }


def _sides(notes: pd.DataFrame, label: str) -> np.ndarray | None:
    """Which side of a term or contrast each note stands on: -1, 1, or 0 for neither."""
    factor = _FACTOR.fullmatch(label)
    if factor is None:
        if label not in notes or not pd.api.types.is_numeric_dtype(notes[label].dtype):
            return None
        values = notes[label].astype(float).to_numpy()
        middle = (np.nanmin(values) + np.nanmax(values)) / 2
        return np.where(np.isnan(values), 0, np.where(values < middle, -1, 1))
    column, level = factor.group(1).strip("`"), factor.group(2)
    if column not in notes:
        return None
    texts = notes[column].astype("string")
    first = sorted(notes[column].dropna().unique())[0]
    side = np.where(texts == level, 1, np.where(texts == str(first), -1, 0))
    return side if set(side) >= {-1, 1} else None


def _lost(
    notes: pd.DataFrame,
    lost: pd.DataFrame,
    formula: str,
    label: str,
    outcome: str,
    settings: Mapping[str, Any],
) -> list[dict[str, Any]]:
    """Rows on what the notes lost could do."""
    everything = pd.concat([notes, lost], ignore_index=True)
    kept = np.arange(len(everything)) < len(notes)
    rows = []
    weights = chance_weights(everything, kept)
    if weights is not None and "weights" not in settings:
        weighted = {**settings, "weights": weights[kept]}
        rows.append(_refit("notes weighted by the chance to be kept", notes, formula, label, weighted))
    side = _sides(everything, label)
    if side is None:
        return rows
    first, second = (float(kept[side == way].mean()) for way in (-1, 1))
    values = notes[outcome].astype("Float64").to_numpy(float, na_value=np.nan)
    for lowest, words in ((True, "lowest"), (False, "highest")):
        left = notes[trimmed(values, side[kept], (first, second), lowest)]
        if len(left) < len(notes):
            check = f"worst case: the notes lost were the {words}"
            rows.append(_refit(check, left, formula, label, settings))
    return rows


def _row(check: str, result: MixedResult, row: np.ndarray) -> dict[str, Any]:
    values = result.infer([row]).iloc[0]
    players = next((len(t.levels) for t in result.prepared.terms if t.group == result.prepared.player), 0)
    return {
        "check": check,
        "notes": len(result.prepared.y),
        "players": players,
        **{name: float(values[name]) for name in ("estimate", "low", "high", "p")},
        "remark": "",
    }


def _failed(check: str, notes: int, why: str) -> dict[str, Any]:
    blank = dict.fromkeys(("estimate", "low", "high", "p"), np.nan)
    return {"check": check, "notes": notes, "players": 0, **blank, "remark": why}


def _refit(
    check: str, notes: pd.DataFrame, formula: str, label: str, settings: Mapping[str, Any]
) -> dict[str, Any]:
    try:
        result = fit_mixed(notes, formula, **settings)
    except VibstudyError as problem:
        return _failed(check, len(notes), f"cannot be fitted ({problem.problems[0].message}).")
    try:
        return _row(check, result, contrast_row(result, label))
    except VibstudyError:
        return _failed(check, len(notes), "the notes left cannot give it.")


def _speed(
    base: MixedResult,
    row: np.ndarray,
    notes: pd.DataFrame,
    speed_sd: float | Mapping[str, float],
    draws: int,
    seed: int | np.random.Generator,
) -> list[dict[str, Any]]:
    """One row: the mean estimate over drawn speeds, its interval widened by their spread."""
    prepared = base.prepared
    power = _SPEED_POWER.get(prepared.outcome_column.rpartition("_")[2], 0.0)
    if power == 0.0 or prepared.recording is None:
        return []
    codes, levels = pd.factorize(prepared.frame[prepared.recording].astype(str))
    sd = _recording_sd(notes.reset_index(drop=True).loc[prepared.frame.index], codes, len(levels), speed_sd)
    if not np.any(sd > 0):
        return []
    rng, refit = np.random.default_rng(seed), Refit(base)
    estimates = np.empty(draws)
    for k in range(draws):
        shift = power * (rng.normal(size=len(levels)) * sd)[codes]
        if base.scale.changed:
            moved = prepared.y + shift / np.log(base.scale.base)
        else:
            moved = prepared.y * np.exp(shift)
        estimates[k] = row @ refit(moved).beta
    first = _row("playback speed uncertain", base, row)
    half = (first["high"] - first["low"]) / 2
    wide = float(np.hypot(half, 1.96 * estimates.std(ddof=1)))
    estimate = float(estimates.mean())
    t = estimate / (float(np.sqrt(base.inference.variance(row))) * wide / half)
    p = float(2 * stats.t.sf(abs(t), base.inference.df(row)))
    return [{**first, "estimate": estimate, "low": estimate - wide, "high": estimate + wide, "p": p}]


def _recording_sd(
    notes: pd.DataFrame, codes: np.ndarray, count: int, speed_sd: float | Mapping[str, float]
) -> np.ndarray:
    if not isinstance(speed_sd, Mapping):
        return np.full(count, float(speed_sd))
    if "medium" not in notes:
        return np.zeros(count)
    media = notes["medium"].astype("string").fillna("").to_numpy()
    first = np.unique(codes, return_index=True)[1]
    return np.array([speed_sd.get(str(media[k]), 0.0) for k in first])
