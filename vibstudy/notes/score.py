"""The score beside the sound: which written note each played note is.

Definition
----------
Played and written notes are two sequences. The alignment is the cheapest way to turn one into the
other by keeping, leaving out and adding notes (dynamic time warping with one price for a note left
out or added: librosa's, Müller 2015, ch. 3; as a sequence alignment, Needleman and Wunsch 1970, J.
Mol. Biol. 48(3):443-453). A first pass compares pitch and length; two more passes also compare each
onset with the one expected from the local tempo of the pass before, so that rubato is followed and
repeated notes find their place.

- *Transposition*: those that bring the two sets of pitches together best are tried, and what the
  score itself says; the cheapest stays (a written alto part sounds 9 semitones lower).
- *Repeats*: every way through the repeats is tried; the cheapest stays.
- *Cuts*: four or more written notes in a row that are not played, within the played range.
- *Tuning*: the circular mean of the played cents is taken out first.
- *Refusal*: fewer than half of the played notes on a written note of their pitch, or onsets that
  scatter about the local tempo by more than 0.16 beats while quality is poor: the score is of
  something else. (Measured: 0.12 beats at most for the right score, with 15 % rubato, wrong notes,
  ornaments or a piano; 0.20 at least over 182 pairs of melody and wrong score.)

Conventions
-----------
Beats and beat strength as in :mod:`vibstudy.notes.written`. `local_tempo_bpm` is in these beats a
minute, a straight line through the onsets within three beats of the note. `alignment_quality` is 0
to 1: pitch (1 or 1/2) × how near the onset is to the expected one (1 at 0, 0.6 at a quarter of a
beat) × share of the neighbours (three each way) that are matched; 0 for a note that is not written.
Below 0.3 `score_match` says "unsure".
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from vibstudy.errors import VibstudyError
from vibstudy.notes.written import WrittenNote, WrittenPart, read_score
from vibstudy.schema import SCORE_COLUMNS, typed

_GAP, _UNPLAYED = 0.55, 0.01
_OTHER_PITCH = 0.9
_NEVER = 1e6
_OCTAVE = 0.6
_LENGTH_WEIGHT, _LENGTH_MOST = 0.12, 0.3
_TIME_WEIGHT = 1.2
_SHIFTS, _MOST_SHIFT = 5, 36
_FOLLOWED = 6
_TEMPO_BEATS = 3.0
_LEAST_SHARE = 0.5
_MOST_SCATTER_BEATS = 0.16
_POOR_QUALITY = 0.45
_UNSURE_QUALITY = 0.3
_CUT_NOTES, _CUT_BEATS = 4, 1.5
_NEIGHBOURS = 3
_LEAST_NOTES = 6


@dataclass(frozen=True)
class AlignmentReport:
    """What the alignment found.

    Parameters
    ----------
    part : str
        Name of the part aligned.
    transposition : int
        Semitones from written to sounding pitch.
    order : str
        Which way through the repeats.
    tempo_bpm : float
        Median local tempo, felt beats a minute.
    matched, other_pitch, unsure, added, missing : int
        Notes; `missing` counts written notes in the played range that were not found.
    cuts : list of (int, int, int)
        First measure, last measure and number of notes of each passage left out.
    share : float
        Share of the played notes on a written note of their pitch.
    remarks : list of str
        What the user should know, in plain words.
    """

    part: str
    transposition: int
    order: str
    tempo_bpm: float
    matched: int
    other_pitch: int
    unsure: int
    added: int
    missing: int
    cuts: list[tuple[int, int, int]]
    share: float
    remarks: list[str] = field(default_factory=list)

    def words(self) -> str:
        """The report in one line."""
        counts = (
            f"{self.matched} notes matched, {self.other_pitch} with another pitch, {self.unsure} unsure, "
            f"{self.added} not written, {self.missing} written but not found."
        )
        return " ".join([f"{self.part}: {counts}", *self.remarks])


@dataclass(frozen=True, eq=False)
class _Played:
    """The played notes: onset and length in s, pitch in semitones (MIDI), tuning taken out."""

    onset: np.ndarray
    length: np.ndarray
    pitch: np.ndarray


@dataclass(frozen=True, eq=False)
class _Alignment:
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


def align_score(
    notes: pd.DataFrame, score_path: str | Path
) -> tuple[pd.DataFrame, pd.DataFrame, AlignmentReport]:
    """Lay the played notes on the score.

    Parameters
    ----------
    notes : DataFrame
        Notes in time order with `onset_s`, `offset_s` and `pitch_hz`.
    score_path : path
        MusicXML or MIDI.

    Returns
    -------
    notes : DataFrame
        As given, with :data:`vibstudy.schema.SCORE_COLUMNS`.
    missing : DataFrame
        Written notes not found in the played range: `written_midi, measure, beat, notated_beats,
        expected_s` and `cut` (number of the cut it belongs to; missing for a single note).
    report : AlignmentReport

    Raises
    ------
    VibstudyError
        When the score cannot be read, or is of something else.
    """
    path = Path(score_path)
    parts = read_score(path)
    played = _played(notes)
    if len(played.onset) < _LEAST_NOTES:
        raise VibstudyError(
            f"too few notes to align a score with ({len(played.onset)} found, {_LEAST_NOTES} needed)",
            file=path.name,
            repair="Leave score_path empty for this recording.",
        )
    best = _best_alignment(played, parts)
    if best is None:
        raise VibstudyError("the score holds no melody", file=path.name)
    tempo = _local_tempo(played, best)
    quality = _qualities(played, best, tempo)
    _refuse_other_music(path, played, best, quality)
    table = _with_columns(notes, played, best, tempo, quality)
    missing, cuts = _missing(best)
    return table, missing, _report(best, table, missing, cuts)


def _played(notes: pd.DataFrame) -> _Played:
    usable = notes["pitch_hz"].notna().to_numpy()
    frame = notes[usable]
    pitch = 69 + 12 * np.log2(frame["pitch_hz"].to_numpy(float) / 440.0)
    if len(pitch):
        pitch = pitch - np.angle(np.mean(np.exp(2j * np.pi * pitch))) / (2 * np.pi)
    onset = frame["onset_s"].to_numpy(float)
    return _Played(onset, frame["offset_s"].to_numpy(float) - onset, pitch)


def _best_alignment(played: _Played, parts: list[WrittenPart]) -> _Alignment | None:
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


def _likely_shifts(played: _Played, notes: list[WrittenNote], said: int) -> list[int]:
    """Transpositions that bring the two pitch counts together best; the score's own comes first."""
    heard = np.bincount(np.clip(np.rint(played.pitch).astype(int), 0, 127), minlength=128)
    written = np.array([note.written_midi for note in notes])
    scale = len(notes) / len(played.pitch)

    def overlap(shift: int) -> float:
        wanted = np.bincount(np.clip(written + shift, 0, 127), minlength=128)
        return float(np.minimum(heard * scale, wanted).sum())

    likely = sorted(range(-_MOST_SHIFT, _MOST_SHIFT + 1), key=overlap, reverse=True)[:_SHIFTS]
    return list(dict.fromkeys([said, *likely]))


def _draft(played: _Played, part: WrittenPart, order: str, notes: list[WrittenNote], shift: int) -> _Draft:
    """First pass: pitch and length alone."""
    main = np.array([i for i, note in enumerate(notes) if not note.grace])
    position = np.array([notes[i].position for i in main])
    beats = np.array([notes[i].beats for i in main])
    pitch_cost = _pitch_cost(played.pitch, np.array([notes[i].written_midi for i in main]) + shift)
    span = max(played.onset[-1] - played.onset[0], 1e-3) / max(position[-1] - position[0], 1e-3)
    ratio = np.log2(np.maximum(played.length, 0.03)[:, None] / (np.maximum(beats, 0.05) * span))
    length_cost = np.minimum(_LENGTH_WEIGHT * np.abs(ratio - np.median(ratio)), _LENGTH_MOST)
    note_cost = pitch_cost + length_cost
    pairs, cost = _cheapest(note_cost)
    return _Draft(part, order, notes, shift, main, position, pitch_cost, note_cost, pairs, cost)


def _follow(played: _Played, draft: _Draft) -> _Alignment:
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
    return _Alignment(draft.part, draft.order, draft.notes, draft.shift, written_of, expected_s, cost)


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
    breaks = np.flatnonzero(too_soon | (np.diff(pairs[:, 1]) > _CUT_NOTES)) + 1
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
    """0 within 60 cents, then other pitch; an octave (often the tracker's error) costs less."""
    away = np.abs(pitch[:, None] - sounding)
    octave = np.abs(away - 12) < 0.6
    return np.where(away < 0.6, 0.0, np.where(octave, _OCTAVE, _OTHER_PITCH))


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
        near = np.argsort(np.abs(at - beat), kind="stable")[:9]
        weight = 1 / (1 + np.abs(at[near] - beat))
        if np.ptp(at[near]) > 0:
            slope, start = _line(at[near] - beat, onset[near], weight)
        else:
            slope, start = whole[0], float(np.median(onset[near]))
        slope = float(np.clip(slope, 0.4 * abs(whole[0]), 2.5 * abs(whole[0])))
        expected[j], beat_s[j] = start, max(slope, 1e-3)
    return expected, beat_s


def _line(x: np.ndarray, y: np.ndarray, weight: np.ndarray) -> tuple[float, float]:
    """Slope and value at 0 of a line through points; the worst outliers count less (one reweighting)."""
    slope, start = np.polyfit(x, y, 1, w=weight)
    error = np.abs(y - slope * x - start)
    scale = np.median(error) + 1e-3
    slope, start = np.polyfit(x, y, 1, w=weight / (1 + error / scale))
    return float(slope), float(start)


def _give_graces(played: _Played, notes: list[WrittenNote], shift: int, written_of: np.ndarray) -> None:
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
            and abs(played.pitch[i] - note.written_midi - shift) < 0.6
        ):
            written_of[i] = j


def _right(played: _Played, found: _Alignment) -> np.ndarray:
    """Whether each played note lies on a written note of its pitch."""
    sounding = np.array([note.written_midi + found.shift for note in found.notes])
    return (found.written_of >= 0) & (np.abs(played.pitch - sounding[found.written_of]) < 0.6)


def _refuse_other_music(path: Path, played: _Played, found: _Alignment, quality: np.ndarray) -> None:
    right = _right(played, found)
    share = float(right.mean())
    no_tempo = quality.mean() < _POOR_QUALITY and _scatter(played, found, right) > _MOST_SCATTER_BEATS
    if share >= _LEAST_SHARE and not no_tempo:
        return
    why = (
        "its notes can be laid under the recording only in a rhythm that follows no tempo"
        if share >= _LEAST_SHARE
        else f"at best {share:.0%} of the played notes are in it, {_LEAST_SHARE:.0%} are needed"
    )
    raise VibstudyError(
        f"this score does not fit the recording: {why}",
        file=path.name,
        column="score_path",
        got=f"part {found.part.name!r}, {found.shift:+d} semitones",
        repair="Check that it is the same piece and movement, or leave score_path empty.",
    )


def _scatter(played: _Played, found: _Alignment, right: np.ndarray) -> float:
    """Median distance of the matched onsets from the local tempo, beats (each left out of its fit)."""
    i = np.flatnonzero(right)
    if len(i) < 4:
        return np.inf
    at = np.array([found.notes[j].position for j in found.written_of[i]])
    onset = played.onset[i]
    away = []
    for k in range(len(i)):
        near = np.argsort(np.abs(at - at[k]), kind="stable")
        near = near[near != k][:6]
        if np.ptp(at[near]) <= 0:
            continue
        slope, start = np.polyfit(at[near] - at[k], onset[near], 1)
        away.append(abs(onset[k] - start) / max(abs(slope), 1e-3))
    return float(np.median(away)) if away else np.inf


def _local_tempo(played: _Played, found: _Alignment) -> np.ndarray:
    """Felt beats a minute around each played note; between its neighbours where too few onsets are near."""
    right = np.flatnonzero(_right(played, found))
    at = np.array([found.notes[j].position for j in found.written_of[right]])
    onset = played.onset[right]
    tempo = np.full(len(played.onset), np.nan)
    for i, j in enumerate(found.written_of):
        if j < 0:
            continue
        near = np.abs(at - found.notes[j].position) <= _TEMPO_BEATS
        if near.sum() >= 3 and np.ptp(at[near]) > 0:
            slope = np.polyfit(at[near], onset[near], 1)[0]
            if slope > 0:
                tempo[i] = 60.0 / slope
    known = np.isfinite(tempo)
    return np.interp(played.onset, played.onset[known], tempo[known]) if known.any() else tempo


def _qualities(played: _Played, found: _Alignment, tempo: np.ndarray) -> np.ndarray:
    on = found.written_of >= 0
    right = _right(played, found)
    typical = np.nanmedian(tempo) if np.isfinite(tempo).any() else 60.0
    late = (
        np.abs(played.onset - found.expected_s[found.written_of])
        * np.where(np.isfinite(tempo), tempo, typical)
        / 60
    )
    quality = np.zeros(len(on))
    for i in np.flatnonzero(on):
        around = np.r_[max(0, i - _NEIGHBOURS) : i, i + 1 : min(len(on), i + 1 + _NEIGHBOURS)]
        near = 1.0 / (1.0 + (late[i] / 0.3) ** 2) if np.isfinite(late[i]) else 0.5
        quality[i] = (1.0 if right[i] else 0.5) * near * (right[around].mean() if len(around) else 1.0)
    return quality


def _with_columns(
    notes: pd.DataFrame, played: _Played, found: _Alignment, tempo: np.ndarray, quality: np.ndarray
) -> pd.DataFrame:
    right = _right(played, found)
    rows = []
    for i, j in enumerate(found.written_of):
        written = found.notes[j] if j >= 0 else None
        rows.append(
            {
                "score_match": _match(written, bool(right[i]), float(quality[i])),
                "written_midi": written.written_midi if written else pd.NA,
                "notated_beats": written.beats if written else np.nan,
                "measure": written.measure if written else pd.NA,
                "beat": written.beat if written else np.nan,
                "beat_strength": written.strength if written else np.nan,
                "slur_position": written.slur if written else pd.NA,
                "dynamic": (written.dynamic or pd.NA) if written else pd.NA,
                "hairpin": (written.hairpin or pd.NA) if written else pd.NA,
                "local_tempo_bpm": tempo[i],
                "alignment_quality": quality[i],
            }
        )
    usable = notes["pitch_hz"].notna().to_numpy()
    frame = pd.DataFrame(rows, index=np.flatnonzero(usable)).reindex(range(len(notes)))
    columns = typed(frame, SCORE_COLUMNS)
    return notes.assign(**{column.name: columns[column.name].array for column in SCORE_COLUMNS})


def _match(written: WrittenNote | None, right: bool, quality: float) -> str:
    if written is None:
        return "added"
    if quality < _UNSURE_QUALITY:
        return "unsure"
    return "matched" if right else "other_pitch"


def _missing(found: _Alignment) -> tuple[pd.DataFrame, list[tuple[int, int, int]]]:
    """Written notes of the played range that were not found, and the cuts among them."""
    hit = np.unique(found.written_of[found.written_of >= 0])
    rows, cuts = [], []
    for first, last in itertools.pairwise(hit):
        gap = range(first + 1, last)
        cut: int | None = None
        if len(gap) >= _CUT_NOTES:
            cuts.append((found.notes[gap[0]].measure, found.notes[gap[-1]].measure, len(gap)))
            cut = len(cuts)
        for j in gap:
            note = found.notes[j]
            rows.append(
                {
                    "written_midi": note.written_midi,
                    "measure": note.measure,
                    "beat": note.beat,
                    "notated_beats": note.beats,
                    "expected_s": np.nan if cut else found.expected_s[j],
                    "cut": cut,
                }
            )
    columns = ["written_midi", "measure", "beat", "notated_beats", "expected_s", "cut"]
    frame = pd.DataFrame(rows, columns=columns)
    return frame.astype({"written_midi": "Int64", "measure": "Int64", "cut": "Int64"}), cuts


def missing_words(missing: pd.DataFrame) -> list[str]:
    """Name the written notes that were not found, one by one; those of cuts are told by the report."""
    import librosa

    single = missing[missing["cut"].isna()]
    return [
        f"{librosa.midi_to_note(midi, unicode=False)} in measure {measure}, beat {beat:g}"
        for midi, measure, beat in zip(single["written_midi"], single["measure"], single["beat"], strict=True)
    ]


def _report(
    found: _Alignment, table: pd.DataFrame, missing: pd.DataFrame, cuts: list[tuple[int, int, int]]
) -> AlignmentReport:
    counts = table["score_match"].value_counts()
    hit = found.written_of[found.written_of >= 0]
    remarks = []
    if found.shift:
        way = "lower" if found.shift < 0 else "higher"
        remarks.append(f"The part sounds {abs(found.shift)} semitones {way} than written.")
    if (found.shift - found.part.transposition) % 12:  # an octave is left out by many programs
        remarks.append(f"The score itself says {found.part.transposition:+d} semitones.")
    if len(found.part.orders) > 1:
        remarks.append(f"Way through the repeats: {found.order}.")
    remarks += [f"Not played: {number} notes, measures {first} to {last}." for first, last, number in cuts]
    if hit.min() > 0:
        remarks.append(f"The recording begins in measure {found.notes[hit.min()].measure}.")
    if hit.max() < len(found.notes) - 1:
        remarks.append(f"The recording ends in measure {found.notes[hit.max()].measure}.")
    return AlignmentReport(
        found.part.name,
        found.shift,
        found.order,
        float(table["local_tempo_bpm"].median()),
        int(counts.get("matched", 0)),
        int(counts.get("other_pitch", 0)),
        int(counts.get("unsure", 0)),
        int(counts.get("added", 0)),
        len(missing),
        cuts,
        float(counts.get("matched", 0)) / max(len(table), 1),
        remarks,
    )
