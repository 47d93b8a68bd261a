"""Missing notes: those lost to measuring, and what their loss could do to a comparison.

A noisy or accompanied recording keeps its wide vibrato and loses its narrow one. When one side of a
comparison loses more than the other, the notes left differ, though the playing did not. What was not found
for being narrow is modelled (:mod:`vibstudy.stats.censored`); for what else was lost three things are done:

* the share of notes that could be told (:func:`vibstudy.stats.selection.is_observed`) is counted by side;
* **weights**: each note left stands for its like that were lost; the chance to be kept is modelled by
  length, level, register, accompaniment and room (logistic regression; Horvitz & Thompson 1952, J. Am. Stat.
  Assoc. 47:663-685). This mends what these tell, and only that. Where the extent itself decides whether a
  note is kept, they mend nothing: with one era beside a piano, equally wide, the ratio came out 22 % too
  large from the notes kept, 23 % so weighted, and 1 to 2 % with each note's limit
  (``benchmarks/calibration_claims.py``). So they are shown beside a verdict, and never in place of it;
* **worst cases**: from the side that lost less, as many more notes are taken away as the other side lost
  more, once its narrowest and once its widest (Lee 2009, Rev. Econ. Stud. 76(3):1071-1102). The truth lies
  between, if what loses a note on one side never saves it on the other.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import optimize, special

from vibstudy.stats.selection import is_observed, is_proper

WARN_FROM = 0.15
"""Difference of the shares from which on it is told: 15 percentage points."""

LEAST_CHANCE = 0.05
"""No note stands for more than twenty: where fewer are kept, nothing is known of those lost."""

NUMBERS = ("duration_s", "level_db", "midi", "room_decay_s", "direct_to_room_db")
FACTORS = ("accompaniment", "room")


def observed_shares(notes: pd.DataFrame, outcome: str, side: np.ndarray) -> tuple[float, float]:
    """Share of the proper notes of each side that could be told; missing for a side without notes."""
    proper, told = is_proper(notes), is_observed(notes, outcome)
    counts = [int((proper & (side == way)).sum()) for way in (-1, 1)]
    found = [int((told & proper & (side == way)).sum()) for way in (-1, 1)]
    first, second = (f / c if c else float("nan") for f, c in zip(found, counts, strict=True))
    return first, second


def chance_weights(notes: pd.DataFrame, kept: np.ndarray) -> np.ndarray | None:
    """Weights of notes: one over the chance that a note like it is kept [shape=(n,)].

    Parameters
    ----------
    notes : DataFrame
        Kept and lost notes.
    kept : ndarray of bool [shape=(n,)]

    Returns
    -------
    ndarray | None
        None where nothing was lost, or no column tells why.
    """
    columns = {}
    for name in NUMBERS:
        if name not in notes:
            continue
        values = notes[name].astype("Float64").to_numpy(float, na_value=np.nan)
        if name == "duration_s":
            with np.errstate(divide="ignore", invalid="ignore"):
                values = np.log2(values)
        if name == "level_db" and "recording_id" in notes:  # a disc's level in the file says nothing
            values = (
                values
                - pd.Series(values)
                .groupby(notes["recording_id"].astype(str).to_numpy())
                .transform("median")
                .to_numpy()
            )
        known = np.isfinite(values)
        if known.sum() < 2 or np.nanstd(values[known]) == 0:
            continue
        columns[name] = np.where(known, (values - values[known].mean()) / values[known].std(), 0.0)
        if not known.all():
            columns[f"{name} missing"] = (~known).astype(float)
    for name in FACTORS:
        if name in notes:
            levels = pd.get_dummies(notes[name].astype("string").fillna("(missing)"), drop_first=True)
            columns |= {f"{name} {level}": levels[level].to_numpy(float) for level in levels}
    if kept.all() or not kept.any() or not columns:
        return None
    design = np.column_stack([np.ones(len(notes)), *columns.values()])
    chance = special.expit(design @ _logistic(design, kept.astype(float)))
    return 1 / np.clip(chance, LEAST_CHANCE, 1.0)


def _logistic(design: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """Coefficients of a logistic regression.

    A little ridge keeps a column that parts kept and lost completely from running away.
    """

    def loss(at: np.ndarray) -> tuple[float, np.ndarray]:
        eta = design @ at
        value = float(np.sum(np.logaddexp(0, eta) - kept * eta) + at @ at / 2)
        return value, design.T @ (special.expit(eta) - kept) + at

    def curvature(at: np.ndarray) -> np.ndarray:
        chance = special.expit(design @ at)
        return design.T @ ((chance * (1 - chance))[:, None] * design) + np.eye(len(at))

    start = np.zeros(design.shape[1])
    return optimize.minimize(loss, start, jac=True, hess=curvature, method="trust-exact").x


def trimmed(values: np.ndarray, side: np.ndarray, shares: tuple[float, float], lowest: bool) -> np.ndarray:
    """Return which notes are left when the side that lost less gives up its lowest, or highest, notes.

    Parameters
    ----------
    values, side : ndarray [shape=(n,)]
        Outcome, and side, of the notes kept.
    shares : tuple of float
        Share told of each side.
    lowest : bool
        Whether the lowest are given up.
    """
    keep = np.ones(len(values), bool)
    if not all(np.isfinite(shares)) or min(shares) <= 0 or shares[0] == shares[1]:
        return keep
    way, excess = (-1, 1 - shares[1] / shares[0]) if shares[0] > shares[1] else (1, 1 - shares[0] / shares[1])
    own = np.flatnonzero(side == way)
    order = own[np.argsort(values[own], kind="stable")]
    count = round(excess * len(own))
    keep[order[:count] if lowest else order[len(own) - count :]] = False
    return keep
