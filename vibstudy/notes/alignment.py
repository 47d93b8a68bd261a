"""The cheapest way to lay the played notes on a part: pitch and length first, then the local tempo as well.

The definition stands in :mod:`vibstudy.notes.score`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vibstudy.notes.written import WrittenNote, WrittenPart

_GAP, _UNPLAYED = 0.55, 0.01
_OTHER_PITCH, _OCTAVE = 0.9, 0.6
"""Prices, against 0 for the written pitch. Another pitch is dearer than one note left out and cheaper than
one left out and one added (1.1), so that a wrong note stays on its written one; an octave, often the
tracker's error, costs hardly more than a gap. Before and after what is played, a gap costs next to nothing.
Chosen by sense; ``benchmarks/notes.py`` counts what comes of them."""
_LENGTH_WEIGHT, _LENGTH_MOST = 0.12, 0.3
"""An octave of length (a crotchet for a quaver) costs so much, and no length more than a third of a pitch."""
_TIME_WEIGHT = 1.2
"""A beat off the expected onset costs so much, more than any pitch; further off counts as a beat."""
_NEVER = 1e6
SAME_SEMITONES = 0.6
"""A played note is of the written pitch within 60 cents: half a semitone and the widest intonation."""
_SHIFTS, _MOST_SHIFT = 5, 36
"""Transpositions tried, and the furthest: three octaves."""
_FOLLOWED = 6
"""Drafts of which the passes with tempo are made."""
CUT_NOTES, _CUT_BEATS = 4, 1.5
"""So many written notes in a row that are not played, or beats that pass too soon, are a cut."""
_NEAR_NOTES = 9
"""Onsets that the local tempo is drawn through."""
_SLOWEST = 2.5
"""The local tempo stays within this factor of that of the whole."""
_SHORTEST_S, _SHORTEST_BEATS = 0.03, 0.05
"""Shorter notes count as so long when lengths are compared."""


@dataclass(frozen=True, eq=False)
class Played:
    """The played notes: onset and length in s, pitch in semitones (MIDI), tuning taken out."""

    onset: np.ndarray
    length: np.ndarray
    pitch: np.ndarray


@dataclass(frozen=True, eq=False)
class Alignment:
    """One way to lay the played notes on a part; `written_of[i]` is -1 for an added note."""

    part: WrittenPart
    order: str
    notes: list[WrittenNote]
    shift: int
    written_of: np.ndarray
    expected_s: np.ndarray
    cost: float


@dataclass(frozen=True, eq=False)
class _Draft:
    """A first pass; `main` are the notes that are no grace notes, with `position` in beats."""

    part: WrittenPart
    order: str
    notes: list[WrittenNote]
    shift: int
    main: np.ndarray
    position: np.ndarray
    pitch_cost: np.ndarray
    note_cost: np.ndarray
    pairs: np.ndarray
    cost: float


def best_alignment(played: Played, parts: list[WrittenPart]) -> Alignment | None:
    """The cheapest of every part, order of repeats and likely transposition; None without notes."""
    drafts = [
        _draft(played, part, order, notes, shift)
        for part in parts
        for order, notes in part.orders.items()
        if sum(not note.grace for note in notes) >= 2
        for shift in _likely_shifts(played, notes, part.transposition)
    ]
    likely = sorted(drafts, key=lambda draft: draft.cost)[:_FOLLOWED]
    return min((_follow(played, draft) for draft in likely), key=lambda found: found.cost, default=None)


def _likely_shifts(played: Played, notes: list[WrittenNote], said: int) -> list[int]:
    """Transpositions that bring the two pitch counts together best; the score's own comes first."""
    heard = np.bincount(np.clip(np.rint(played.pitch).astype(int), 0, 127), minlength=128)
    written = np.array([note.written_midi for note in notes])
    scale = len(notes) / len(played.pitch)

    def overlap(shift: int) -> float:
        wanted = np.bincount(np.clip(written + shift, 0, 127), minlength=128)
        return float(np.minimum(heard * scale, wanted).sum())

    likely = sorted(range(-_MOST_SHIFT, _MOST_SHIFT + 1), key=overlap, reverse=True)[:_SHIFTS]
    return list(dict.fromkeys([said, *likely]))


def _draft(played: Played, part: WrittenPart, order: str, notes: list[WrittenNote], shift: int) -> _Draft:
    """First pass: pitch and length alone."""
    main = np.array([i for i, note in enumerate(notes) if not note.grace])
    position = np.array([notes[i].position for i in main])
    beats = np.array([notes[i].beats for i in main])
    pitch_cost = _pitch_cost(played.pitch, np.array([notes[i].written_midi for i in main]) + shift)
    span = max(played.onset[-1] - played.onset[0], 1e-3) / max(position[-1] - position[0], 1e-3)
    ratio = np.log2(
        np.maximum(played.length, _SHORTEST_S)[:, None] / (np.maximum(beats, _SHORTEST_BEATS) * span)
    )
    length_cost = np.minimum(_LENGTH_WEIGHT * np.abs(ratio - np.median(ratio)), _LENGTH_MOST)
    note_cost = pitch_cost + length_cost
    pairs, cost = _cheapest(note_cost)
    return _Draft(part, order, notes, shift, main, position, pitch_cost, note_cost, pairs, cost)


def _follow(played: Played, draft: _Draft) -> Alignment:
    """Two more passes, which follow the local tempo; grace notes get their played notes at the end."""
    pairs, cost, position, pitch_cost = draft.pairs, draft.cost, draft.position, draft.pitch_cost
    expected = np.full(len(position), np.nan)
    for _ in range(2):
        right = pairs[pitch_cost[pairs[:, 0], pairs[:, 1]] < 0.5]
        if len(right) < 3:
            break
        late, expected = _lateness(played.onset, right, position)
        pairs, cost = _cheapest(draft.note_cost + _TIME_WEIGHT * np.minimum(late, 1.0))
    written_of = np.full(len(played.onset), -1)
    written_of[pairs[:, 0]] = draft.main[pairs[:, 1]]
    expected_s = np.interp([note.position for note in draft.notes], position, expected)
    _give_graces(played, draft.notes, draft.shift, written_of)
    return Alignment(draft.part, draft.order, draft.notes, draft.shift, written_of, expected_s, cost)


def _lateness(onset: np.ndarray, pairs: np.ndarray, position: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How far each onset is from the one expected at each written position, and the expected ones.

    Tempo is followed in each stretch between cuts by itself; at a cut either side may be right.

    Returns
    -------
    late : ndarray [shape=(played, written)]
        Beats.
    expected_s : ndarray [shape=(written,)]
    """
    beats, seconds = np.diff(position[pairs[:, 1]]), np.diff(onset[pairs[:, 0]])
    typical = np.median(seconds / np.maximum(beats, 1e-3))
    too_soon = beats - seconds / max(typical, 1e-3) > _CUT_BEATS
    breaks = np.flatnonzero(too_soon | (np.diff(pairs[:, 1]) > CUT_NOTES)) + 1
    stretches = [part for part in np.split(pairs, breaks) if len(part) >= 3] or [pairs]
    late = np.full((len(onset), len(position)), np.inf)
    expected, away = np.full(len(position), np.nan), np.full(len(position), np.inf)
    for k, part in enumerate(stretches):
        first = stretches[k - 1][-1, 1] + 1 if k else 0
        last = stretches[k + 1][0, 1] if k + 1 < len(stretches) else len(position)
        here = slice(first, last)
        at = position[part[:, 1]]
        due, beat_s = _expected(onset[part[:, 0]], at, position[here])
        late[:, here] = np.minimum(late[:, here], np.abs(onset[:, None] - due) / beat_s)
        distance = np.maximum(np.maximum(at[0] - position[here], position[here] - at[-1]), 0.0)
        nearer = distance < away[here]
        expected[here] = np.where(nearer, due, expected[here])
        away[here] = np.where(nearer, distance, away[here])
    return late, expected


def _pitch_cost(pitch: np.ndarray, sounding: np.ndarray) -> np.ndarray:
    """0 for the written pitch, then other pitch; an octave costs less."""
    away = np.abs(pitch[:, None] - sounding)
    octave = np.abs(away - 12) < SAME_SEMITONES
    return np.where(away < SAME_SEMITONES, 0.0, np.where(octave, _OCTAVE, _OTHER_PITCH))


def _cheapest(cost: np.ndarray) -> tuple[np.ndarray, float]:
    """Pairs (played, written) of the cheapest alignment [n, 2], and its cost.

    Written notes before the first and after the last one played cost next to nothing.
    """
    from librosa.sequence import dtw

    # no narrower than high: librosa would take the written notes for the played ones
    padded = np.full((cost.shape[0] + 1, max(cost.shape) + 1), _NEVER)
    padded[0], padded[:, 0] = 0.0, 0.0
    padded[1:, 1 : cost.shape[1] + 1] = cost
    total, path = dtw(
        C=padded,
        subseq=True,
        weights_add=np.array([0.0, _GAP, _GAP]),
        weights_mul=np.array([1.0, 0.0, 0.0]),
    )
    path = path[::-1]
    kept = np.all(np.diff(path, axis=0) == 1, axis=1)
    left_out = cost.shape[1] - (path[-1, 1] - path[0, 1])
    return path[1:][kept] - 1, float(total[-1].min() + _UNPLAYED * left_out)


def _expected(onset: np.ndarray, at: np.ndarray, position: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Onset expected at each written position, s, and seconds a beat there, from the pairs."""
    beat_s = np.full(len(position), np.nan)
    expected = np.full(len(position), np.nan)
    whole = np.polyfit(at, onset, 1) if np.ptp(at) > 0 else np.array([1.0, onset[0]])
    for j, beat in enumerate(position):
        near = np.argsort(np.abs(at - beat), kind="stable")[:_NEAR_NOTES]
        weight = 1 / (1 + np.abs(at[near] - beat))
        if np.ptp(at[near]) > 0:
            slope, start = _line(at[near] - beat, onset[near], weight)
        else:
            slope, start = whole[0], float(np.median(onset[near]))
        slope = float(np.clip(slope, abs(whole[0]) / _SLOWEST, _SLOWEST * abs(whole[0])))
        expected[j], beat_s[j] = start, max(slope, 1e-3)
    return expected, beat_s


def _line(x: np.ndarray, y: np.ndarray, weight: np.ndarray) -> tuple[float, float]:
    """Slope and value at 0 of a line through points; the worst outliers count less (one reweighting)."""
    slope, start = np.polyfit(x, y, 1, w=weight)
    error = np.abs(y - slope * x - start)
    scale = np.median(error) + 1e-3
    slope, start = np.polyfit(x, y, 1, w=weight / (1 + error / scale))
    return float(slope), float(start)


def _give_graces(played: Played, notes: list[WrittenNote], shift: int, written_of: np.ndarray) -> None:
    """Give each grace note the unmatched played note of its pitch that comes just before its main note."""
    place = {int(j): i for i, j in enumerate(written_of) if j >= 0}
    for j, note in enumerate(notes):
        if not note.grace:
            continue
        after = next((k for k in range(j + 1, len(notes)) if not notes[k].grace), -1)
        i = place.get(after, -1) - (after - j)
        if (
            0 <= i < len(written_of)
            and written_of[i] < 0
            and abs(played.pitch[i] - note.written_midi - shift) < SAME_SEMITONES
        ):
            written_of[i] = j
