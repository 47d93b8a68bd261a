"""A note in its phrase: read from the user's file, measured again between any edges.

Only the seconds around the note are read. The tracker runs once a phrase, and its line is kept in
memory with the sound of the last few phrases; measuring a note between new edges then takes the
refinement and the fit alone (:func:`vibstudy.recording.found.find_note`,
:func:`vibstudy.recording.measured.measure_vibrato`): the same calls that measured it at first, with the same
channel, clicks bridged, and the wow found over the whole recording taken out.

What can differ from the first measurement of the same edges: the tracker and the search for clicks see the
phrase instead of the whole recording. The octave, which all notes of a recording tell together, is that of
the note's row.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from vibstudy.corpus.entries import Recording, number_of
from vibstudy.corpus.settings import Settings
from vibstudy.errors import VibstudyError
from vibstudy.pitch.contour import Contour
from vibstudy.pitch.refine import NoteLine
from vibstudy.recording.found import FoundNote, SoloLine, find_line, find_note, within_range
from vibstudy.recording.measured import measure_vibrato
from vibstudy.schema import is_usable, quality_of, reasons_of
from vibstudy.sound.clicks import repair_clicks
from vibstudy.sound.reading import Audio, read_audio
from vibstudy.sound.room import Room
from vibstudy.sound.wow import Wow
from vibstudy.units import nearest_note
from vibstudy.vibrato.realised import VibratoFit

AROUND_S = 2.5
"""Sound read before and after a note."""
LEAST_AROUND_S = 0.3
SAME_PITCH_OCTAVES = 1.0 / 24.0
_KEPT_PHRASES = 4
_KEPT_REASONS = {"clipped"}
"""Doubts that stay with a note whatever its edges; all others are looked into again. (That a note lies far
from the recording's others is not: who mends a note has heard that it is the soloist's.)"""


@dataclass(frozen=True, eq=False)
class Phrase:
    """Sound around a note.

    Parameters
    ----------
    audio : Audio
        As it is in the file: to be heard and seen.
    bridged : Audio
        With clicks bridged: to be measured.
    contour : Contour
        The soloist's line; times from the first sample.
    rows : list of dict
        Notes found on it, with what the tracker said of their octave; likewise.
    """

    audio: Audio
    bridged: Audio
    contour: Contour
    rows: list[dict[str, Any]]

    @property
    def start_s(self) -> float:
        """First sample, on the clock of the note table."""
        return self.audio.origin_s

    @property
    def end_s(self) -> float:
        """End, on the clock of the note table."""
        return self.audio.origin_s + self.audio.duration_s

    def known(self, onset_s: float, offset_s: float) -> dict[str, Any]:
        """What was known of the pitch of the note found there: ``octave_below``, ``named``."""
        shared = [min(row["offset_s"], offset_s) - max(row["onset_s"], onset_s) for row in self.rows]
        if max(shared, default=0.0) <= 0.0:
            return {"octave_below": 0.0}
        row = self.rows[int(np.argmax(shared))]
        return {key: row[key] for key in ("octave_below", "named") if key in row}

    def cut(self, start_s: float, end_s: float) -> np.ndarray:
        """Samples between two times of the note table's clock."""
        rate = self.audio.rate_hz
        first = max(0, round((start_s - self.start_s) * rate))
        return self.audio.samples[first : max(first, round((end_s - self.start_s) * rate))]


@dataclass(frozen=True, eq=False)
class Measured:
    """A note measured again: its columns, its line (times from the first sample of the phrase), its fit."""

    columns: dict[str, Any]
    line: NoteLine | None
    fit: VibratoFit | None


class PhraseReader:
    """Phrases of a study's recordings; the last few are kept.

    Parameters
    ----------
    recordings : mapping of str to Recording
        By recording_id.
    settings : Settings
        As they measured the study.
    facts : callable | None
        Gives what was found over a whole recording (``recording.json``), by recording_id: tuning, channel,
        wow. None: nothing is known; notes get no name.
    """

    def __init__(
        self,
        recordings: Mapping[str, Recording],
        settings: Settings,
        facts: Callable[[str], Mapping[str, Any]] | None = None,
    ):
        self.recordings = recordings
        self.settings = settings
        self._facts = facts or (lambda _: {})
        self._kept: OrderedDict[tuple[str, float, float], Phrase] = OrderedDict()

    def phrase(self, recording_id: str, onset_s: float, offset_s: float) -> Phrase:
        """Sound around a note: a kept phrase that holds it with some margin, or a new one.

        Raises
        ------
        VibstudyError
            When the recording is not in the manifest, or its file cannot be read.
        """
        for key, phrase in self._kept.items():
            if key[0] == recording_id and key[1] <= onset_s and offset_s <= key[2]:
                self._kept.move_to_end(key)
                return phrase
        recording = self._recording(recording_id)
        speed = number_of(recording.row, "speed_factor") or 1.0
        first = number_of(recording.row, "start_s") or 0.0
        last = number_of(recording.row, "end_s")
        start = max((onset_s - AROUND_S) / speed, first)
        end = (offset_s + AROUND_S) / speed
        end = end if last is None else min(end, last)
        channel = self._facts(recording_id).get("channel")
        audio = read_audio(recording.audio_path, start, end, speed, channel=channel)
        bridged = replace(audio, samples=repair_clicks(audio.samples, audio.rate_hz)[0])
        solo = find_line(
            bridged, within_range(self.settings, recording.row), instrument=recording.row.get("instrument")
        )
        phrase = Phrase(audio, bridged, _whole_line(solo), solo.rows)
        # at the ends of the recording there is no margin to ask for
        low = audio.origin_s + (0.0 if start <= first else LEAST_AROUND_S)
        at_end = phrase.end_s < offset_s + AROUND_S - 0.05
        high = phrase.end_s - (0.0 if at_end else LEAST_AROUND_S)
        self._kept[recording_id, low, high] = phrase
        while len(self._kept) > _KEPT_PHRASES:
            self._kept.popitem(last=False)
        return phrase

    def _recording(self, recording_id: str) -> Recording:
        if recording_id not in self.recordings:
            raise VibstudyError("no such recording in the manifest", got=recording_id)
        return self.recordings[recording_id]

    def measure(
        self, note: Mapping[str, Any], onset_s: float, offset_s: float, octave_shift: int = 0
    ) -> Measured:
        """Measure a note of the table between the edges given.

        Parameters
        ----------
        note : mapping
            Its row: ``recording_id``, and ``note_kind`` and ``quality`` where they are known.
        onset_s, offset_s : float
            Edges, on the clock of the note table.
        octave_shift : int
            Octaves from the pitch measured to the true one.
        """
        name = str(note["recording_id"])
        phrase = self.phrase(name, onset_s, offset_s)
        row, edges = self._recording(name).row, (onset_s, offset_s)
        facts = self._facts(name)
        wow, room = Wow.from_json(facts.get("wow_cycle")), Room.from_columns(facts)
        with threadpool_limits(limits=1):
            found = _measure(phrase, note, edges, octave_shift, self.settings, row, wow, room)
        pitch, tuning = found.columns["pitch_hz"], facts.get("tuning_hz")
        if tuning and pitch and np.isfinite(pitch):
            midi, cents = nearest_note(pitch, tuning)
            found.columns.update(midi=int(midi), pitch_cents=float(cents))
        return found


def remeasure(
    recording: Recording,
    onset_s: float,
    offset_s: float,
    octave_shift: int = 0,
    settings: Settings | None = None,
) -> dict[str, Any]:
    """Columns of one note between the edges given, from the user's file.

    Parameters
    ----------
    recording : Recording
        From :func:`vibstudy.corpus.store.recordings_of`.
    onset_s, offset_s : float
        Edges, in s from the beginning of the file, at true speed.
    octave_shift : int
        Octaves from the pitch measured to the true one.
    settings : Settings | None
        None: the defaults.
    """
    reader = PhraseReader({recording.recording_id: recording}, settings or Settings())
    note = {"recording_id": recording.recording_id}
    return reader.measure(note, onset_s, offset_s, octave_shift).columns


def _measure(
    phrase: Phrase,
    note: Mapping[str, Any],
    edges_s: tuple[float, float],
    octave_shift: int,
    settings: Settings,
    row: Mapping[str, Any],
    wow: Wow,
    room: Room,
) -> Measured:
    kind = note.get("note_kind")
    found: dict[str, Any] = {
        "onset_s": edges_s[0] - phrase.start_s,
        "offset_s": edges_s[1] - phrase.start_s,
        "quality": quality_of(_KEPT_REASONS.intersection(reasons_of(note.get("quality")))),
        "note_kind": "note" if kind is None or pd.isna(kind) else str(kind),
    }
    found |= phrase.known(found["onset_s"], found["offset_s"])
    matched = note.get("score_match")
    if isinstance(matched, str) and matched == "matched":
        found["named"] = True
    again = find_note(phrase.bridged, phrase.contour, found)
    away = _octaves_away(again, note)
    shift = octave_shift if away is None else away
    if shift:  # from the pitch measured, which may be lower than the line
        shifted = _shifted(phrase.contour, again, shift)
        again = find_note(phrase.bridged, shifted, found | {"octave_below": None})
    local = note.get("local_tempo_bpm")  # beside a score, pulses per beat follow the rubato
    tempo = row.get("tempo_bpm") if local is None or pd.isna(local) else local
    measure_vibrato(again, wow, settings, {**row, "tempo_bpm": tempo}, room)
    if octave_shift or away is not None:  # the ear has settled it, or all notes of the recording
        reasons = [reason for reason in again.reasons if reason != "octave_unsure"]
        doubted = not octave_shift and "octave_unsure" in reasons_of(note.get("quality"))
        reasons += ["octave_unsure"] * doubted
        again.values["quality"] = quality_of(reasons)
        again.values["usable"] = is_usable(again.values["note_kind"], reasons)
    return Measured(again.values, again.line, again.fit)


def _octaves_away(measured: FoundNote, note: Mapping[str, Any]) -> int | None:
    """Octaves from the pitch measured to that in the note's row; None where they are no octaves apart."""
    pitch_hz = number_of(note, "pitch_hz")
    if not pitch_hz or measured.line is None:
        return None
    octaves = float(np.log2(pitch_hz / measured.line.reference_hz))
    return round(octaves) if abs(octaves - round(octaves)) < SAME_PITCH_OCTAVES else None


def _whole_line(solo: SoloLine) -> Contour:
    """The line of the notes; between them, where edges may be moved to, the tracker's."""
    line, tracked = solo.line, solo.tracked
    near = tracked.nearest(line.time_s)
    f0_hz = np.where(np.isfinite(line.f0_hz), line.f0_hz, tracked.f0_hz[near])
    confidence = np.where(np.isfinite(line.f0_hz), line.confidence, tracked.confidence[near])
    return replace(line, f0_hz=f0_hz, confidence=confidence)


def _shifted(contour: Contour, measured: FoundNote, octaves: int) -> Contour:
    """The contour, octaves away from the pitch that was measured on it."""
    onset_s = measured.values["onset_s"] - measured.origin_s
    inside = (contour.time_s >= onset_s) & (contour.time_s <= onset_s + measured.values["duration_s"])
    heard = contour.f0_hz[inside & contour.voiced]
    parts = 1.0
    if measured.line is not None and len(heard):
        apart = float(np.median(heard)) / measured.line.reference_hz
        parts = min((0.5, 1.0, 2.0, 3.0), key=lambda part: abs(np.log(apart / part)))
    return replace(contour, f0_hz=contour.f0_hz * 2.0**octaves / parts)
