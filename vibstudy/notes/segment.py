"""Notes from sound: where each note of the solo line begins and ends.

(see line.py, edges.py)
"""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from vibstudy.notes.edges import Edge, Levels, attack, ending, harmonic_levels, pitch_change, step_under_vibrato
from vibstudy.notes.line import HeldLine, hold_line, to_hz
from vibstudy.pitch.contour import Contour

COLUMNS = ("onset_s", "offset_s", "onset_se_s", "offset_se_s", "pitch_hz", "note_kind", "quality")

_DIP_DB = 2.65
_DIP_S = 0.025
_RISE_DB = 4.2
_RISE_S = 0.015
_NO_SPLIT_S = 0.06
_WIDE_S = 0.06
_SHARP = 0.4
_TOUCHING_S = 0.1
_SMALL_STEP_CENTS = 260.0
_HALF_CYCLE_S = 0.13
_SWING_CENTS = 15.0


def segment_notes(
    samples: np.ndarray, rate_hz: float, contour: Contour, *, min_note_s: float = 0.08
) -> pd.DataFrame:
    """Find the notes of a monophonic line.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        Mono sound.
    rate_hz : float > 0
        Sample rate, Hz.
    contour : Contour
        Coarse pitch of the line.
    min_note_s : float > 0
        Shorter notes are dropped, unless they lean on a neighbour (ornaments). In s.

    Returns
    -------
    DataFrame
        One row a note in time order: `onset_s`, `offset_s`, `onset_se_s`, `offset_se_s` (s),
        `pitch_hz`, `note_kind` ("note", "trill" or "ornament") and `quality` ("ok" or reasons of
        :data:`vibstudy.schema.QUALITY_REASONS` joined by ";").
    """
    if len(contour.time_s) < 3 or len(samples) < 0.2 * rate_hz:
        return _frame([])
    line = hold_line(samples, rate_hz, contour)
    spans = _join_half_cycles(line, _spans(line))
    if not spans:
        return _frame([])
    levels = harmonic_levels(samples, rate_hz, line)
    spans = [part for span in spans for part in _split_at_attacks(levels, *span)]
    notes = _place_edges(samples, rate_hz, line, levels, spans)
    return _frame([note for note in notes if note["offset_s"] - note["onset_s"] >= min_note_s / 2])


def _frame(notes: list[dict]) -> pd.DataFrame:
    frame = pd.DataFrame(notes, columns=list(COLUMNS))
    for column in COLUMNS[:5]:
        frame[column] = frame[column].astype("float64")
    for column in COLUMNS[5:]:
        frame[column] = frame[column].astype("string")
    return frame


def _spans(line: HeldLine) -> list[tuple[float, float, float]]:
    """Rough onset, offset (s) and held pitch (cents) of every held pitch."""
    label = np.nan_to_num(line.held_cents, nan=1e9)
    starts = np.flatnonzero(np.diff(label, prepend=-1e9))
    ends = np.append(starts[1:], len(label))
    half = (line.time_s[1] - line.time_s[0]) / 2
    return [
        (line.time_s[a] - half, line.time_s[b - 1] + half, label[a])
        for a, b in zip(starts, ends, strict=True)
        if label[a] < 1e9
    ]


def _join_half_cycles(
    line: HeldLine, spans: list[tuple[float, float, float]]
) -> list[tuple[float, float, float]]:
    """Give the first or last half cycle of a wide vibrato back to its note.

    A short span beside a longer one is part of it when its pitch stays within the swing of the
    longer one's vibrato. Beside a straight note the swing is small, and a step is kept.
    """
    joined = list(spans)
    i = 0
    while i < len(joined):
        begin, end, cents = joined[i]
        for j in (i - 1, i + 1):
            if end - begin > _HALF_CYCLE_S or not 0 <= j < len(joined):
                continue
            other = joined[j]
            touching = abs(other[1] - begin) < 1e-6 if j < i else abs(other[0] - end) < 1e-6
            if touching and other[1] - other[0] > 1.5 * (end - begin) and _within_swing(line, other, (begin, end)):
                joined[j] = (min(other[0], begin), max(other[1], end), other[2])
                del joined[i]
                i -= 1
                break
        i += 1
    return joined


def _within_swing(
    line: HeldLine, note: tuple[float, float, float], part: tuple[float, float]
) -> bool:
    own = line.cents[(line.time_s >= note[0]) & (line.time_s <= note[1])]
    swing = np.nanpercentile(np.abs(own - note[2]), 90) if np.isfinite(own).any() else 0.0
    other = line.cents[(line.time_s >= part[0]) & (line.time_s <= part[1])]
    away = np.nanmedian(np.abs(other - note[2])) if np.isfinite(other).any() else np.inf
    return away <= swing + _SWING_CENTS


def _split_at_attacks(
    levels: Levels, begin: float, end: float, cents: float
) -> list[tuple[float, float, float]]:
    """Split a held pitch where its level dips or rises quicker than any vibrato."""
    a, b = levels.index(begin), levels.index(end)
    near, rise, edge, wide = (round(t / levels.hop_s) for t in (_DIP_S, _RISE_S, _NO_SPLIT_S, _WIDE_S))
    db = levels.after_db[a:b]
    if len(db) < 2 * edge + 2:
        return [(begin, end, cents)]
    here = np.arange(edge, len(db) - edge)
    dip, wide_dip = _depth(db, here, near), _depth(db, here, wide)
    lowest = minimum_filter1d(db, 2 * near + 1)[here] == db[here]
    risen = db[here + rise] - db[here]
    steep = (risen > _RISE_DB) & (maximum_filter1d(risen, 2 * near + 1) == risen)
    cuts = []
    for i in here[(lowest & (dip > _DIP_DB) & (dip > _SHARP * wide_dip)) | steep]:
        if not cuts or i - cuts[-1] >= edge:
            cuts.append(int(i))
    bounds = [begin, *((a + i) * levels.hop_s for i in cuts), end]
    return [(x, y, cents) for x, y in itertools.pairwise(bounds)]


def _depth(db: np.ndarray, here: np.ndarray, reach: int) -> np.ndarray:
    """How far `db[here]` lies below the lower of the maxima within `reach` frames on each side."""
    around = np.lib.stride_tricks.sliding_window_view(db, reach + 1).max(axis=1)
    return np.minimum(around[here - reach], around[here]) - db[here]


def _place_edges(
    samples: np.ndarray,
    rate_hz: float,
    line: HeldLine,
    levels: Levels,
    spans: list[tuple[float, float, float]],
) -> list[dict]:
    """Give every rough span its edges."""
    joints: list[Edge | None] = [None]
    for left, right in itertools.pairwise(spans):
        if right[0] - left[1] > _TOUCHING_S:
            joints.append(None)
        elif left[2] == right[2]:
            joints.append(Edge(right[0], 0.004))
        else:
            low = min(left[2], right[2]) < -1365
            near = (left[1] + right[0]) / 2
            joint = None
            if abs(right[2] - left[2]) <= _SMALL_STEP_CENTS:
                joint = step_under_vibrato(line, near, left[0], right[1])
            joints.append(joint or pitch_change(samples, rate_hz, near, left[0], right[1], low))
    joints.append(None)
    notes = []
    for i, (begin, end, _) in enumerate(spans):
        before, after = joints[i], joints[i + 1]
        start = before.time_s if before else begin
        earliest = before.time_s - 0.02 if before else max(begin - 0.08, spans[i - 1][1] if i else 0.0)
        onset = attack(levels, earliest, start, min(start + 0.2, end)) or before or Edge(begin, 0.008)
        stop = after.time_s if after else min(end + 0.05, spans[i + 1][0] if i + 1 < len(spans) else np.inf)
        offset = ending(levels, onset.time_s, stop) or after or Edge(end, 0.016)
        inside = (line.time_s >= onset.time_s) & (line.time_s <= offset.time_s) & np.isfinite(line.cents)
        notes.append(
            {
                "onset_s": max(onset.time_s, 0.0),
                "offset_s": offset.time_s,
                "onset_se_s": onset.se_s,
                "offset_se_s": offset.se_s,
                "pitch_hz": float(to_hz(np.median(line.cents[inside]))) if inside.any() else np.nan,
                "note_kind": "note",
                "quality": "ok",
            }
        )
    return notes
