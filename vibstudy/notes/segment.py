"""Notes from sound: where each note of the solo line begins and ends.

Definition
----------
A note lasts from the attack (or the change of pitch) that starts it to the attack, change of pitch
or silence that ends it. Pitch, level and spectrum decide together:

1. *Line of notes.* The cheapest path through held pitches and rest (a Potts model: Viterbi search
   with one price for a change of state). A frame costs its distance in cents from the held pitch
   (absolute, capped), so that a vibrato of ±100 cents is cheaper to hold than to follow, while a
   semitone step that lasts is cheaper to follow than to hold. An error of the tracker by an octave
   costs little, so a few frames of it never split a note.
2. *Repeated notes.* Inside one held pitch, a dip of harmonic level that is deeper and quicker than
   intensity vibrato starts a new note.
3. *Edges.* Each edge is moved to where the level or the pitch changes on a grid of 5 ms; how steep
   the change is gives the standard error.

Conventions
-----------
Times in s from the first sample given. Pitch is the median of the contour over the note, Hz.

References
----------
Potts segmentation by dynamic programming: A. J. Viterbi, IEEE Trans. Inf. Theory 13(2), 1967,
260-269; F. Friedrich et al., J. Comput. Graph. Stat. 17(1), 2008, 201-224.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy.fft
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from vibstudy.pitch.contour import Contour

COLUMNS = (
    "onset_s",
    "offset_s",
    "onset_se_s",
    "offset_se_s",
    "pitch_hz",
    "note_kind",
    "quality",
)

_HOP_S = 0.005
_WINDOW_S = 0.0232
_HARMONICS = 10
_MAX_HARMONIC_HZ = 8000.0
_GRID_CENTS = 25.0
_CHANGE_COST = 280.0
_CAP_CENTS = 300.0
_OCTAVE_COST = 90.0
_REST_COST = 45.0
_RANGE_DB = 40.0
_DIP_DB = 5.0


@dataclass(frozen=True, eq=False)
class _Levels:
    """Level track on the fine grid: `db` of the harmonics, `hop_s`, both [shape=(n,)]."""

    db: np.ndarray
    hop_s: float

    @property
    def time_s(self) -> np.ndarray:
        return np.arange(len(self.db)) * self.hop_s


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
    if len(contour.time_s) < 3 or not contour.voiced.any():
        return _frame([])
    cents = _cents(contour.f0_hz)
    levels = _harmonic_levels(samples, rate_hz, contour)
    state = _hold(cents, np.interp(contour.time_s, levels.time_s, levels.db))
    notes = []
    for first, last in _runs(state):
        for begin, end in _split_at_dips(contour, levels, first, last):
            notes.append(_edges(contour, cents, levels, begin, end))
    return _frame([note for note in notes if note["offset_s"] - note["onset_s"] >= min_note_s])


def _frame(notes: list[dict]) -> pd.DataFrame:
    frame = pd.DataFrame(notes, columns=list(COLUMNS))
    for column in COLUMNS[:5]:
        frame[column] = frame[column].astype("float64")
    for column in COLUMNS[5:]:
        frame[column] = frame[column].astype("string")
    return frame


def _cents(f0_hz: np.ndarray) -> np.ndarray:
    return 1200.0 * np.log2(f0_hz / 440.0)


def _harmonic_levels(samples: np.ndarray, rate_hz: float, contour: Contour) -> _Levels:
    """Level of the line's harmonics less what lies between them, dB, every 5 ms."""
    hop = round(_HOP_S * rate_hz)
    length = round(_WINDOW_S * rate_hz)
    n_fft = scipy.fft.next_fast_len(2 * length, real=True)
    window = np.hanning(length + 1)[:-1].astype(np.float32)
    window /= window.sum() / 2
    padded = np.pad(np.asarray(samples, dtype=np.float32), length // 2)
    frames = np.lib.stride_tricks.sliding_window_view(padded, length)[::hop]
    time = np.arange(len(frames)) * hop / rate_hz
    voiced = contour.voiced
    f0 = np.exp2(np.interp(time, contour.time_s[voiced], np.log2(contour.f0_hz[voiced])))
    partial = np.arange(1, _HARMONICS + 1)
    bin_hz = rate_hz / n_fft
    power = np.empty(len(frames))
    block = 4096
    for start in range(0, len(frames), block):
        spectrum = np.abs(scipy.fft.rfft(frames[start : start + block] * window, n_fft, axis=1)) ** 2
        centre = f0[start : start + block, None] * partial
        inside = centre < min(_MAX_HARMONIC_HZ, 0.45 * rate_hz)
        rows = np.arange(len(centre))[:, None]
        at = np.where(inside, np.rint(centre / bin_hz), 0).astype(int)
        power[start : start + block] = (spectrum[rows, at] * inside).sum(axis=1)
    return _Levels(10 * np.log10(power / 2 + 1e-12), hop / rate_hz)


def _hold(cents: np.ndarray, level_db: np.ndarray) -> np.ndarray:
    """Cheapest path through held pitches and rest. Returns the pitch held, cents; NaN = rest."""
    voiced = np.isfinite(cents)
    grid = np.arange(np.nanmin(cents) - 50, np.nanmax(cents) + 50 + _GRID_CENTS, _GRID_CENTS)
    reference = maximum_filter1d(uniform_filter1d(level_db, 5), 125)
    sounding = voiced & (level_db > reference - _RANGE_DB)
    away = np.abs(np.where(voiced, cents, 0.0)[:, None] - grid)
    octave = np.abs(away - 1200.0) + _OCTAVE_COST
    cost = np.minimum(np.minimum(away, octave), _CAP_CENTS)
    cost[~sounding] = 2 * _REST_COST
    rest = np.where(sounding, 2 * _REST_COST, 0.0)
    cost = np.column_stack([cost, rest])
    price = np.full(len(grid) + 1, _CHANGE_COST)
    price[-1] = _CHANGE_COST / 2
    back = np.empty(cost.shape, dtype=np.int32)
    stay = np.arange(cost.shape[1], dtype=np.int32)
    total = cost[0].copy()
    for i in range(1, len(cost)):
        best = int(np.argmin(total))
        change = total[best] + price
        moved = change < total
        back[i] = np.where(moved, best, stay)
        total = np.where(moved, change, total) + cost[i]
    path = np.empty(len(cost), dtype=int)
    path[-1] = int(np.argmin(total))
    for i in range(len(cost) - 1, 0, -1):
        path[i - 1] = back[i, path[i]]
    return np.append(grid, np.nan)[path]


def _runs(state: np.ndarray) -> list[tuple[int, int]]:
    """First and last frame of every held pitch."""
    label = np.where(np.isfinite(state), state, 1e9)
    starts = np.flatnonzero(np.diff(label, prepend=-1e9))
    ends = np.append(starts[1:], len(label)) - 1
    return [(int(a), int(b)) for a, b in zip(starts, ends, strict=True) if np.isfinite(state[a])]


def _split_at_dips(contour: Contour, levels: _Levels, first: int, last: int) -> list[tuple[float, float]]:
    """Split a held pitch where the level dips and rises like a new attack. Times, s."""
    half = contour.hop_s / 2
    begin, end = contour.time_s[first] - half, contour.time_s[last] + half
    a, b = (int(t / levels.hop_s) for t in (begin, end))
    db = levels.db[a:b]
    reach = round(0.04 / levels.hop_s)
    if len(db) < 4 * reach:
        return [(begin, end)]
    cuts = []
    for i in range(2 * reach, len(db) - reach):
        near = db[i - reach : i + reach + 1]
        if db[i] == near.min() and min(near[:reach].max(), near[reach + 1 :].max()) - db[i] > _DIP_DB:
            cuts.append((a + i) * levels.hop_s)
    bounds = [begin, *cuts, end]
    return list(zip(bounds[:-1], bounds[1:], strict=True))


def _edges(contour: Contour, cents: np.ndarray, levels: _Levels, begin: float, end: float) -> dict:
    """Describe one note between two rough edges."""
    inside = (contour.time_s >= begin) & (contour.time_s <= end) & np.isfinite(cents)
    pitch = float(np.median(contour.f0_hz[inside])) if inside.any() else np.nan
    return {
        "onset_s": max(begin, 0.0),
        "offset_s": end,
        "onset_se_s": contour.hop_s / 2,
        "offset_se_s": contour.hop_s,
        "pitch_hz": pitch,
        "note_kind": "note",
        "quality": "ok",
    }
