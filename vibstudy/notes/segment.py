"""Notes from sound: where each note of the solo line begins and ends.

(see line.py, edges.py)
"""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd

from vibstudy.notes.edges import Edge, Levels, attack, ending, harmonic_levels, pitch_change
from vibstudy.notes.line import HeldLine, hold_line, to_hz
from vibstudy.pitch.contour import Contour

COLUMNS = ("onset_s", "offset_s", "onset_se_s", "offset_se_s", "pitch_hz", "note_kind", "quality")

_DIP_DB = 5.0
_TOUCHING_S = 0.1


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
    spans = _spans(line)
    if not spans:
        return _frame([])
    levels = harmonic_levels(samples, rate_hz, line)
    spans = [part for span in spans for part in _split_at_dips(levels, *span)]
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


def _split_at_dips(
    levels: Levels, begin: float, end: float, cents: float
) -> list[tuple[float, float, float]]:
    """Split a held pitch where the level dips and rises like a new attack. Times, s."""
    a, b = levels.index(begin), levels.index(end)
    db = levels.after_db[a:b]
    reach = round(0.04 / levels.hop_s)
    cuts = []
    for i in range(2 * reach, len(db) - reach):
        near = db[i - reach : i + reach + 1]
        if db[i] == near.min() and min(near[:reach].max(), near[reach + 1 :].max()) - db[i] > _DIP_DB:
            cuts.append((a + i) * levels.hop_s)
    bounds = [begin, *cuts, end]
    return [(x, y, cents) for x, y in itertools.pairwise(bounds)]


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
            joints.append(pitch_change(samples, rate_hz, near, left[0], right[1], low))
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
