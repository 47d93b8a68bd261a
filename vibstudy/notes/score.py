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
- *Trills*: where the note that swings bears the sign, a trill is likelier
  (:func:`vibstudy.notes.trill.under_a_sign`): `trill_p` and `note_kind` are told anew.
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
from vibstudy.notes.alignment import CUT_NOTES, SAME_SEMITONES, Alignment, Played, best_alignment
from vibstudy.notes.trill import kind_of, under_a_sign
from vibstudy.notes.written import WrittenNote, read_score
from vibstudy.schema import SCORE_COLUMNS, typed
from vibstudy.units import to_midi

_TEMPO_BEATS = 3.0
"""To each side of a note, for its local tempo: a bar or less."""
_LEAST_SHARE = 0.5
_MOST_SCATTER_BEATS, _SCATTER_NOTES = 0.16, 6
_POOR_QUALITY = 0.45
"""Beyond these a score is of something else, as measured above; scatter is that about so many neighbours."""
_UNSURE_QUALITY = 0.3
_NEIGHBOURS = 3
_HALF_LATE_BEATS = 0.3
"""Quality is half at so many beats from the expected onset, and half where none is expected."""
_LEAST_NOTES = 6
"""Fewer fit by chance."""


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
        As given, with :data:`vibstudy.schema.SCORE_COLUMNS`; `trill_p` and `note_kind`, where there are
        any, with what the signs of trills say.
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
    best = best_alignment(played, parts)
    if best is None:
        raise VibstudyError("the score holds no melody", file=path.name)
    tempo = _local_tempo(played, best)
    quality = _qualities(played, best, tempo)
    _refuse_other_music(path, played, best, quality)
    table = _with_columns(notes, played, best, tempo, quality)
    missing, cuts = _missing(best)
    return table, missing, _report(best, table, missing, cuts)


def _played(notes: pd.DataFrame) -> Played:
    usable = notes["pitch_hz"].notna().to_numpy()
    frame = notes[usable]
    pitch = to_midi(frame["pitch_hz"].to_numpy(float))
    if len(pitch):
        pitch = pitch - np.angle(np.mean(np.exp(2j * np.pi * pitch))) / (2 * np.pi)
    onset = frame["onset_s"].to_numpy(float)
    return Played(onset, frame["offset_s"].to_numpy(float) - onset, pitch)


def _right(played: Played, found: Alignment) -> np.ndarray:
    """Whether each played note lies on a written note of its pitch."""
    sounding = np.array([note.written_midi + found.shift for note in found.notes])
    return (found.written_of >= 0) & (np.abs(played.pitch - sounding[found.written_of]) < SAME_SEMITONES)


def _refuse_other_music(path: Path, played: Played, found: Alignment, quality: np.ndarray) -> None:
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


def _scatter(played: Played, found: Alignment, right: np.ndarray) -> float:
    """Median distance of the matched onsets from the local tempo, beats (each left out of its fit)."""
    i = np.flatnonzero(right)
    if len(i) < 4:
        return np.inf
    at = np.array([found.notes[j].position for j in found.written_of[i]])
    onset = played.onset[i]
    away = []
    for k in range(len(i)):
        near = np.argsort(np.abs(at - at[k]), kind="stable")
        near = near[near != k][:_SCATTER_NOTES]
        if np.ptp(at[near]) <= 0:
            continue
        slope, start = np.polyfit(at[near] - at[k], onset[near], 1)
        away.append(abs(onset[k] - start) / max(abs(slope), 1e-3))
    return float(np.median(away)) if away else np.inf


def _local_tempo(played: Played, found: Alignment) -> np.ndarray:
    """Felt beats a minute around each played note; between its neighbours where too few onsets are near."""
    right = np.flatnonzero(_right(played, found))
    at = np.array([found.notes[j].position for j in found.written_of[right]])
    onset = played.onset[right]
    tempo = np.full(len(played.onset), np.nan)
    for i, j in enumerate(found.written_of):
        if j < 0:
            continue
        near = np.abs(at - found.notes[j].position) <= _TEMPO_BEATS
        if near.sum() >= 3 and np.ptp(at[near]) > 0:  # a line through two tells nothing of its error
            slope = np.polyfit(at[near], onset[near], 1)[0]
            if slope > 0:
                tempo[i] = 60.0 / slope
    known = np.isfinite(tempo)
    return np.interp(played.onset, played.onset[known], tempo[known]) if known.any() else tempo


def _qualities(played: Played, found: Alignment, tempo: np.ndarray) -> np.ndarray:
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
        # as said above
        near = 1.0 / (1.0 + (late[i] / _HALF_LATE_BEATS) ** 2) if np.isfinite(late[i]) else 0.5
        # another pitch: half
        quality[i] = (1.0 if right[i] else 0.5) * near * (right[around].mean() if len(around) else 1.0)
    return quality


def _with_columns(
    notes: pd.DataFrame, played: Played, found: Alignment, tempo: np.ndarray, quality: np.ndarray
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
    table = notes.assign(**{column.name: columns[column.name].array for column in SCORE_COLUMNS})
    signed = np.zeros(len(notes), dtype=bool)
    signed[usable] = [j >= 0 and found.notes[j].trill for j in found.written_of]
    return _told_by_signs(table, signed) if "trill_p" in notes else table


def _told_by_signs(table: pd.DataFrame, signed: np.ndarray) -> pd.DataFrame:
    """The same with `trill_p` and `note_kind` of the notes that bear a sign told anew."""
    signed = signed & table["trill_p"].notna().to_numpy() & table["score_match"].ne("unsure").to_numpy()
    told = [under_a_sign(p) for p in table.loc[signed, "trill_p"].astype(float)]
    table.loc[signed, "trill_p"] = told
    table.loc[signed, "note_kind"] = [kind_of(p) for p in told]
    return table


def _match(written: WrittenNote | None, right: bool, quality: float) -> str:
    if written is None:
        return "added"
    if quality < _UNSURE_QUALITY:
        return "unsure"
    return "matched" if right else "other_pitch"


def _missing(found: Alignment) -> tuple[pd.DataFrame, list[tuple[int, int, int]]]:
    """Written notes of the played range that were not found, and the cuts among them."""
    hit = np.unique(found.written_of[found.written_of >= 0])
    rows, cuts = [], []
    for first, last in itertools.pairwise(hit):
        gap = range(first + 1, last)
        cut: int | None = None
        if len(gap) >= CUT_NOTES:
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
    found: Alignment, table: pd.DataFrame, missing: pd.DataFrame, cuts: list[tuple[int, int, int]]
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
