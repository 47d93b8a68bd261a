"""Agreement of machine and ear, of two listeners, of counted and measured cycles, of a note measured twice.

The statistics stand in :mod:`vibstudy.stats.agreement`; here the decisions of listeners are made into what
those take.

* *Machine against ear*: notes heard, with the machine's own quality (before any correction) and the medium.
  Accepted = left as measured; edited and rejected count against the machine.
* *Two listeners*: the last word of each on the notes both heard: accepted, edited or rejected. The two who
  share the most notes are compared.
* *Counted cycles*: cycles counted over the marked stretch, divided by its length, against the rate
  measured. A count that is off by half a cycle over 1.5 s is off by a third of a cycle a second.
* *Measured again*: notes whose edges a listener moved, before and after.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.corpus import MANIFEST_NAME
from vibstudy.decisions.apply import ReviewedStudy
from vibstudy.decisions.edits import Edit
from vibstudy.decisions.effects import verdicts
from vibstudy.figures.style import COLOURS, INK, MUTED, HouseFigure, house_style
from vibstudy.stats.agreement import Kappa, Limits, acceptance, cohen_kappa, icc, limits_of_agreement

FEWEST_PAIRS = 3
"""Pairs needed before limits of agreement or an intraclass correlation are given."""


def heard_notes(study: ReviewedStudy) -> pd.DataFrame:
    """Notes that somebody decided on: the machine's figures and quality, ``reviewed``, and the medium."""
    parts = []
    for name in _heard(study):
        notes, _ = study.outcome(name)
        parts.append(notes.assign(medium=study.recordings[name].row.get("medium") or "not given"))
    if not parts:
        return pd.DataFrame({"note_id": [], "reviewed": [], "quality": [], "medium": [], "doubted": []})
    notes = pd.concat(parts, ignore_index=True)
    notes = notes[notes["reviewed"].isin(["accepted", "edited", "rejected"])].reset_index(drop=True)
    notes["doubted"] = np.where(notes["quality"].fillna("ok").eq("ok"), "no doubt", "doubtful")
    return notes


def _heard(study: ReviewedStudy) -> list[str]:
    """Recordings of the manifest on which a decision stands."""
    return [name for name in study.edits if name in study.recordings]


def machine_against_ear(heard: pd.DataFrame) -> pd.DataFrame:
    """Accept rates with Wilson's 95 % interval: all, by quality, by medium.

    Returns
    -------
    DataFrame
        ``notes`` (which), ``heard, accepted, share, low, high``.
    """
    parts = [acceptance(heard).assign(notes="all")]
    for column, words in (("doubted", "quality: "), ("medium", "medium: ")):
        table = acceptance(heard, [column])
        parts.append(table.assign(notes=words + table[column].astype(str)).drop(columns=column))
    table = pd.concat(parts, ignore_index=True)
    return table[["notes", "heard", "accepted", "share", "low", "high"]]


def two_listeners(edits: Sequence[Edit]) -> tuple[str, str, Kappa] | None:
    """Kappa of the two listeners who share the most notes; None when no two share any."""
    words = verdicts(edits)
    wide = words.pivot(index="note_id", columns="who", values="verdict")
    shared = {
        pair: int(wide[list(pair)].notna().all(axis=1).sum())
        for pair in combinations(sorted(wide.columns), 2)
    }
    if not shared or max(shared.values()) == 0:
        return None
    first, second = max(shared, key=lambda pair: shared[pair])
    return first, second, cohen_kappa(wide[first], wide[second])


def counted_rates(study: ReviewedStudy) -> pd.DataFrame:
    """Cycles counted against the rate measured: ``note_id, who, counted_hz, measured_hz``.

    Of several counts of one listener for one note the last holds.
    """
    rows = []
    for name in _heard(study):
        notes, report = study.outcome(name)
        if not report.counts:
            continue
        if report.remeasure:
            notes = study.edited(name).notes
        rates = notes.set_index("note_id")["rate_hz"]
        rows += [
            (note_id, edit.who, edit.value[0] / edit.value[1], float(rates[note_id]))
            for edit, note_id in report.counts
        ]
    frame = pd.DataFrame(rows, columns=["note_id", "who", "counted_hz", "measured_hz"])
    return frame.drop_duplicates(["note_id", "who"], keep="last").dropna().reset_index(drop=True)


def measured_again(study: ReviewedStudy) -> pd.DataFrame:
    """Notes that were edited and are still one note, before and after.

    Returns
    -------
    DataFrame
        ``note_id, rate_hz, rate_again_hz, extent_cents, extent_again_cents``; notes with vibrato in both.
    """
    parts = []
    for name in _heard(study):
        if not study.outcome(name)[1].remeasure:
            continue
        before = study.as_measured(name).set_index("note_id")
        after = study.edited(name)
        again = after.notes.set_index("note_id").loc[list(after.report.remeasure)]
        again = again[["rate_hz", "extent_cents"]].set_axis(["rate_again_hz", "extent_again_cents"], axis=1)
        both = before[["rate_hz", "extent_cents"]].join(again, how="inner")
        parts.append(both.dropna().reset_index())
    columns = ["note_id", "rate_hz", "rate_again_hz", "extent_cents", "extent_again_cents"]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def pair_words(first: pd.Series, second: pd.Series, unit: str, form: str = "ICC(2,1)") -> str:
    """Intraclass correlation and limits of agreement of two measurements, in a sentence."""
    if len(first) < FEWEST_PAIRS:
        return f"Only {len(first)} pairs so far; at least {FEWEST_PAIRS} are needed."
    limits = limits_of_agreement(first, second)
    text = (
        f"n = {limits.n}: bias {limits.bias:+z.2f} {unit}, 95 % of differences between "
        f"{limits.lower:+z.2f} and {limits.upper:+z.2f} {unit}"
    )
    if np.ptp(first) > 0 or np.ptp(second) > 0:
        row = icc(np.column_stack([first, second])).loc[form]
        text += f"; {form} = {row['icc']:.2f} (95 % interval {row['low']:.2f} to {row['high']:.2f})"
    return f"{text}.".replace("-", "\N{MINUS SIGN}")


def sentence_for_the_paper(study: ReviewedStudy) -> str:
    """What was reviewed and how it went, as a sentence for the method section."""
    heard = heard_notes(study)
    if heard.empty:
        return "No note has been reviewed by ear yet: nothing can be said of machine and ear."
    row = acceptance(heard).iloc[0]
    text = (
        f"Of {int(row['heard'])} notes reviewed by ear, {int(row['accepted'])} "
        f"({100 * row['share']:.0f} %; 95 % Wilson interval {100 * row['low']:.0f} to "
        f"{100 * row['high']:.0f} %) were accepted as measured, "
        f"{int((heard['reviewed'] == 'edited').sum())} were corrected and "
        f"{int((heard['reviewed'] == 'rejected').sum())} rejected"
    )
    listeners = two_listeners(study.all_edits())
    if listeners is not None and np.isfinite(listeners[2].kappa):
        kappa = listeners[2]
        text += (
            f"; two listeners agreed on {100 * kappa.agreement:.0f} % of {kappa.n} notes (Cohen's kappa "
            f"{kappa.kappa:.2f}, 95 % interval {kappa.low:.2f} to {kappa.high:.2f})"
        )
    counted = counted_rates(study)
    if len(counted) >= FEWEST_PAIRS:
        limits = limits_of_agreement(counted["counted_hz"], counted["measured_hz"])
        text += (
            f"; rates measured and counted by ear differed by {limits.bias:+z.2f} Hz on average "
            f"(95 % limits of agreement {limits.lower:+z.2f} to {limits.upper:+z.2f} Hz, n = {limits.n})"
        )
    return f"{text}."


def limits_figure(
    limits: Limits, words: str, unit: str, size: str = "column"
) -> tuple[HouseFigure, pd.DataFrame]:
    """Difference against mean of two measurements, with the limits of agreement.

    Parameters
    ----------
    limits : Limits
        From :func:`vibstudy.stats.agreement.limits_of_agreement`.
    words : str
        What was compared, as "measured minus counted rate".
    unit : str
        Unit of both.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        The pairs drawn.
    """
    with house_style(size) as page:
        figure = page.figure(0.7)
        axes = figure.subplots()
        axes.plot(limits.pairs["mean"], limits.pairs["difference"], "o", color=COLOURS[0], alpha=0.8)
        axes.axhline(0.0, color=MUTED, linewidth=0.5 * page.line_pt)
        lines: list[tuple[float, float, float, Any]] = [
            (limits.bias, limits.bias_low, limits.bias_high, "-"),
            (limits.lower, limits.lower_low, limits.lower_high, (0, (5, 1.5))),
            (limits.upper, limits.upper_low, limits.upper_high, (0, (5, 1.5))),
        ]
        for value, low, high, dash in lines:
            axes.axhline(value, color=INK, linestyle=dash)
            axes.axhspan(low, high, color=INK, alpha=0.1, linewidth=0)
        axes.set_xlabel(f"mean of the two ({unit})")
        axes.set_ylabel(f"difference ({unit})")
    figure.caption = (
        f"{words[:1].upper()}{words[1:]}, against the mean of the two. Line: mean difference; dashes: "
        f"95 % limits of agreement (Bland & Altman); grey: their 95 % intervals. n = {limits.n} notes."
    )
    return figure, limits.pairs


def open_review(folder: str | Path) -> ReviewedStudy:
    """The decisions of a study folder."""
    return ReviewedStudy(Path(folder) / MANIFEST_NAME)
