"""Which notes count: one rule for claims, models, tables and figures.

* A *proper* note is a note (no trill, no ornament) that was not rejected by ear.
* An *assessable* note (in tables: ``judged``) is a proper note long enough to tell vibrato from its absence
  (:func:`telling_length_s`). Shares of notes with vibrato are shares of these.
  A note that vibrates in loudness alone (``vibrato_in``), as in the air vibrato of flutes, has vibrato here
  (:func:`with_air_vibrato`) and in models of presence; it has no rate and no extent of the pitch.
* A *vibrato* note is a proper, usable note with vibrato, of any length, with a rate and an extent.

A note is ``usable`` when it is the soloist's and measured as well as its errors say. Remarks alone take no
note out: it is weighed by its errors, and to drop the short ones, or those with accompaniment, would change
the question. What a table does not tell (neither ``usable`` nor ``quality``, say) leaves no note out.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from vibstudy.errors import VibstudyError
from vibstudy.schema import HARMLESS, reasons_of

VIBRATO_FIGURES = frozenset([
    "rate_hz", "extent_cents", "extent_first_cents", "extent_above_cents", "extent_below_cents",
    "centre_shift_cents", "vibrato_onset_s", "vibrato_fraction", "rate_slope_hz_per_s",
    "extent_growth_cents_per_s", "rate_irregularity", "extent_irregularity", "waveform",
    "pulses_per_beat", "fusion_share",
])  # fmt: skip
"""Columns that describe a vibrato, and are taken from vibrato notes only."""


def is_proper(notes: pd.DataFrame) -> np.ndarray:
    """Return whether each note is a proper one [shape=(n,)]."""
    keep = np.ones(len(notes), bool)
    if "note_kind" in notes:
        keep &= notes["note_kind"].fillna("note").eq("note").to_numpy(bool)
    if "reviewed" in notes:
        keep &= ~notes["reviewed"].fillna("auto").eq("rejected").to_numpy(bool)
    return keep


def is_usable(notes: pd.DataFrame) -> np.ndarray:
    """Return whether rate and extent of each note count [shape=(n,)]; where that is not said, by remarks."""
    keep = np.ones(len(notes), bool)
    if "quality" in notes:
        codes, cells = pd.factorize(notes["quality"], use_na_sentinel=False)  # thousands of notes, few cells
        keep &= np.array([HARMLESS.issuperset(reasons_of(cell)) for cell in cells], dtype=bool)[codes]
    if "usable" in notes:
        said = notes["usable"].astype("boolean")
        keep = np.where(said.isna(), keep, said.fillna(False).to_numpy(bool))
    return keep


def in_loudness_alone(notes: pd.DataFrame) -> np.ndarray:
    """Return whether each note vibrates in loudness alone [shape=(n,)]; False where that is not said."""
    if "vibrato_in" not in notes:
        return np.zeros(len(notes), bool)
    return notes["vibrato_in"].eq("loudness").fillna(False).to_numpy(bool)


def with_air_vibrato(notes: pd.DataFrame) -> pd.DataFrame:
    """Return the table with ``has_vibrato`` true, too, of notes that vibrate in loudness alone."""
    alone = in_loudness_alone(notes)
    if not alone.any():
        return notes
    return notes.assign(has_vibrato=notes["has_vibrato"].astype("boolean").mask(alone, True))


def telling_length_s(notes: pd.DataFrame) -> float:
    """Return the length from which on a note without vibrato is called straight, not too short to tell.

    Vibrato shows on a shorter note than its absence does: on notes shorter than this, vibrato may be
    found but never denied, so that a share of them would be too high. The length is the one that parts
    straight notes from undecided ones best (largest difference of the two shares above it, Youden 1950,
    Cancer 3(1):32-35). 0 when no note is undecided; the longest undecided note when none is straight.
    """
    kept = notes[is_proper(notes)]
    length = kept["duration_s"].to_numpy(float)
    undecided = np.sort(length[kept["has_vibrato"].isna().to_numpy(bool)])
    straight = np.sort(length[kept["has_vibrato"].eq(False).fillna(False).to_numpy(bool)])
    if not len(undecided):
        return 0.0
    if not len(straight):
        return float(undecided[-1])
    straight_above = 1 - np.arange(len(straight)) / len(straight)
    undecided_above = 1 - np.searchsorted(undecided, straight, side="left") / len(undecided)
    return float(straight[np.argmax(straight_above - undecided_above)])


def is_assessable(notes: pd.DataFrame, from_s: float | None = None) -> np.ndarray:
    """Return whether each note is an assessable one [shape=(n,)]; `from_s` as in :func:`assessable_notes`."""
    keep = is_proper(notes) & notes["has_vibrato"].notna().to_numpy(bool)
    if "duration_s" in notes:
        least = telling_length_s(notes) if from_s is None else from_s
        keep &= (notes["duration_s"] >= least).fillna(False).to_numpy(bool)
    return keep


def is_vibrato(notes: pd.DataFrame) -> np.ndarray:
    """Return whether each note is a vibrato note [shape=(n,)]."""
    keep = is_proper(notes) & is_usable(notes)
    if "has_vibrato" in notes:
        keep &= notes["has_vibrato"].eq(True).fillna(False).to_numpy(bool)
    for name in ("rate_hz", "extent_cents"):
        if name in notes:
            keep &= notes[name].notna().to_numpy(bool)
    return keep


def is_observed(notes: pd.DataFrame, outcome: str) -> np.ndarray:
    """Return of which notes it is told what a model of `outcome` asks about [shape=(n,)].

    Of a figure of vibrato: notes in the model, and notes that are usable and known to be straight. The
    share of these among the proper notes is what a noisy recording loses.
    """
    told = is_countable(notes, outcome)
    if outcome in notes:
        told &= notes[outcome].notna().to_numpy(bool)
    if outcome in VIBRATO_FIGURES and "has_vibrato" in notes:
        straight = notes["has_vibrato"].eq(False).fillna(False).to_numpy(bool)
        told |= is_proper(notes) & is_usable(notes) & straight
    return told


def is_countable(notes: pd.DataFrame, outcome: str) -> np.ndarray:
    """Return whether each note may stand in a model of `outcome` [shape=(n,)]."""
    if outcome == "has_vibrato":
        return is_assessable(notes)
    if outcome == "vibrates":
        return is_proper(notes) & notes["vibrates"].notna().to_numpy(bool)
    return is_vibrato(notes) if outcome in VIBRATO_FIGURES else is_proper(notes)


def assessable_notes(notes: pd.DataFrame, from_s: float | None = None) -> pd.DataFrame:
    """Return the notes of which it is known whether they have vibrato; ``has_vibrato`` is plain bool.

    It is true, too, of notes that vibrate in loudness alone.

    Parameters
    ----------
    notes : DataFrame
        Note table of the study.
    from_s : float | None
        Only notes at least this long; None takes :func:`telling_length_s` of `notes`.
    """
    notes = with_air_vibrato(notes)
    chosen = notes[is_assessable(notes, from_s)].reset_index(drop=True)
    return chosen.assign(has_vibrato=chosen["has_vibrato"].astype(bool))


def lost_notes(notes: pd.DataFrame, outcome: str = "extent_cents") -> pd.DataFrame:
    """Return the proper notes that measuring lost: in no model of `outcome`, nor known to be straight."""
    return notes[is_proper(notes) & ~is_observed(notes, outcome)].reset_index(drop=True)


def vibrato_notes(notes: pd.DataFrame) -> pd.DataFrame:
    """Return the notes whose rate and extent can be used."""
    chosen = notes[is_vibrato(notes)].reset_index(drop=True)
    return chosen.assign(has_vibrato=chosen["has_vibrato"].astype(bool))


def need(frame: pd.DataFrame, columns: Iterable[str], what: str) -> None:
    """Raise a plain sentence when `frame` has no rows or lacks one of `columns`."""
    missing = [name for name in columns if name not in frame or not frame[name].notna().any()]
    if missing:
        raise VibstudyError(
            f"{what} cannot be shown: this study has no values of {', '.join(missing)}"
            if len(frame)
            else f"{what} cannot be shown: there are no notes or recordings for it in this study"
        )
