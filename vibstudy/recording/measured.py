"""The vibrato of the notes found, and whether each is usable, once the whole recording is known.

Wow common to all notes is taken out of a note's line before its vibrato is measured; where the room is known,
the note ends with its direct sound, and what the room took from a loudness vibrato is put back. A note is
doubted where others cover it or it is theirs, where it lies beyond its instrument's range, and where it lies
far from the recording's line, with accompaniment or soft. It is usable when it is a note and every doubt is
harmless.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.integrate import cumulative_trapezoid

from vibstudy.corpus.settings import Settings
from vibstudy.pitch.ranges import range_hz
from vibstudy.pitch.refine import NoteLine
from vibstudy.recording.found import ACCOMPANIED_BELOW_DB, LOOK_BELOW_DB, FoundNote, number_in
from vibstudy.schema import is_usable, quality_of
from vibstudy.sound.room import Room, end_of_direct
from vibstudy.sound.tuning import rate_range
from vibstudy.sound.wow import Wow
from vibstudy.units import to_hz
from vibstudy.vibrato.direct import tells_direct_sound
from vibstudy.vibrato.masked import is_masked, may_hide_vibrato
from vibstudy.vibrato.note import measure_note

OTHER_ABOVE_DB, OTHER_OF_STRAIGHT_DB = -5.0, -7.0
"""Another player may be as loud beside a vibrato that is measured well: nobody else moves like that, unless
the other has vibrato, too. A straight note may itself be the other's."""
MARGIN_SEMITONES = 2.0
"""So far beyond its instrument's range the octave of a note is doubted."""
REGISTER_BELOW_DB = 22.0
"""A note that stands out by less is accompanied where its register is concerned."""
OUT_OF_REGISTER_SEMITONES, SOFTER_BELOW_DB = 17.0, 6.0
"""Accompanied notes, or those softer than most by so much, are doubted so far from the middle of the line."""


def doubt_register(notes: Sequence[FoundNote], reference_hz: Sequence[float]) -> None:
    """Doubt notes far from where the recording's line mostly lies, accompanied or soft: a bass, a harmonic.

    Parameters
    ----------
    notes : sequence of FoundNote
        All of a recording; their reasons are added to, in place.
    reference_hz : sequence of float
        Of their lines; NaN where a note has none.
    """
    octaves = np.log2(reference_hz)
    if not np.isfinite(octaves).any():
        return
    away = 12.0 * np.abs(octaves - np.nanmedian(octaves))
    level_db = np.array([note.values.get("level_db", np.nan) for note in notes])
    softer_db = np.nanmedian(level_db) - level_db
    for note, semitones, db in zip(notes, away, softer_db, strict=True):
        accompanied = note.values.get("snr_db", np.inf) < REGISTER_BELOW_DB
        if (accompanied or db > SOFTER_BELOW_DB) and semitones > OUT_OF_REGISTER_SEMITONES:
            note.reasons.append("masked")


def measure_vibrato(
    note: FoundNote, wow: Wow, settings: Settings, row: Mapping[str, Any], room: Room | None = None
) -> None:
    """Add pitch, vibrato and quality to a note's columns.

    Parameters
    ----------
    note : FoundNote
        From :func:`find_note`; completed in place.
    wow : Wow
        Of the whole recording: taken out of the line first.
    settings : Settings
        Range of rates, level of false alarms.
    row : mapping
        The recording's cells of the manifest: ``tempo_bpm``, ``speed_factor``, ``medium``.
    room : Room | None
        Of the whole recording: what it takes from a loudness vibrato is put back.
    """
    _without_wow(note, wow)
    if room is not None:
        _without_tail(note, room)
    line = note.line
    if line is not None:
        # a trill is named by its lower note
        if note.values["note_kind"] != "trill" or pd.isna(note.values["pitch_hz"]):
            note.values["pitch_hz"] = float(to_hz(np.mean(line.cents), line.reference_hz))
        if note.values["note_kind"] == "note":
            vibrato, note.fit = measure_note(
                line,
                rate_min_hz=settings.vibrato_min_hz,
                rate_max_hz=settings.vibrato_max_hz,
                false_alarm=settings.false_alarm,
                tempo_bpm=number_in(row, "tempo_bpm"),
            )
            note.reasons += vibrato.pop("quality")
            # what is told of the direct sound alone owes nothing to the room
            if room is not None and not (note.fit is not None and tells_direct_sound(line)):
                vibrato = _without_room(vibrato, room, line.straightened and note.fit is not None)
            note.values |= vibrato
        played = range_hz(row.get("instrument"), MARGIN_SEMITONES)
        if played is not None and not played[0] <= note.values["pitch_hz"] <= played[1]:
            note.reasons.append("octave_unsure")
        covered, moving = _is_masked(note, line), note.values.get("has_vibrato")
        if covered or (note.other_vibrates and moving is not None and not (note.named and moving)):
            note.theirs = bool(moving) and not covered and "masked" not in note.reasons
            note.reasons.append("masked")
        elif (
            moving is not None
            and note.fit is None
            and may_hide_vibrato(line, note.values["extent_limit_cents"])
        ):
            note.values |= {"has_vibrato": None, "vibrates": note.values["vibrates"] or None}
    if number_in(row, "speed_factor") is None and "rate_hz" in note.values:
        low, high = rate_range(row.get("medium"), note.values["rate_hz"])
        note.values |= {"rate_low_hz": low, "rate_high_hz": high}
    note.unclaimed = not note.named and {"masked", "octave_unsure"} <= set(note.reasons)
    note.values["quality"] = quality_of(note.reasons)
    note.values["usable"] = is_usable(note.values["note_kind"], note.reasons)


def _without_wow(note: FoundNote, wow: Wow) -> None:
    """Take the wow out of a note's line."""
    if note.line is None or not wow.found:
        return
    deviation = wow.cents(note.origin_s + note.line.time_s)
    integral = cumulative_trapezoid(deviation, dx=note.line.hop_s, initial=0.0)
    note.line = replace(note.line, cents=note.line.cents - deviation, integral=note.line.integral - integral)


def _without_tail(note: FoundNote, room: Room) -> None:
    """Let a note end where its direct sound does, by its level, where its harmonics were not asked.

    Those of a line that a room may draw were (:mod:`vibstudy.pitch.ending`): their level, in which tail and
    direct sound beat, says no more. Ends known otherwise (a list, a listener) have no error.
    """
    line = note.line
    if line is None or line.drawn or not np.isfinite(note.values.get("offset_se_s", np.nan)):
        return
    end_s = end_of_direct(line.time_s, line.level_db, room)
    if end_s is None or end_s >= line.offset_s:
        return
    if np.mean(line.time_s <= end_s) < 0.5:  # the tail of a short note, or another's: not this note's end
        return
    note.line = line.until(end_s)
    note.values["offset_s"] = note.origin_s + end_s
    note.values["duration_s"] = end_s - line.onset_s


def _without_room(vibrato: Mapping[str, Any], room: Room, swings: bool) -> dict[str, Any]:
    """Columns of a note's vibrato, loudness freed of what the room takes from it."""
    freed = dict(vibrato)
    rate_hz = freed.get("rate_hz", freed.get("intensity_rate_hz"))
    if rate_hz is None or not np.isfinite(rate_hz):
        return freed
    passed = room.modulation(float(rate_hz), swings=swings)
    if "intensity_depth_db" in freed:
        freed["intensity_depth_db"] /= abs(passed)
        own = freed["intensity_depth_se_db"] / abs(passed)
        of_room = freed["intensity_depth_db"] * room.modulation_se(float(rate_hz), swings=swings)
        freed["intensity_depth_se_db"] = float(np.hypot(own, of_room))
    if "intensity_phase_rad" in freed:
        phase = freed["intensity_phase_rad"] - np.angle(passed)
        freed["intensity_phase_rad"] = float(np.angle(np.exp(1j * phase)))
    return freed


def _is_masked(note: FoundNote, line: NoteLine) -> bool:
    """Tell whether others cover the note, or, where it is straight, it may be theirs.

    Nobody covers a note that stands out and is mostly steady: however short its vibrato, it counts with its
    errors, as one whose line nothing draws.
    """
    moving = note.values.get("has_vibrato")
    if moving is None:
        return False
    if moving and line.snr_db >= ACCOMPANIED_BELOW_DB and not line.covered:
        return False
    if moving and note.values["extent_first_cents"] < 1.96 * note.values["extent_first_se_cents"]:
        return True  # its 95 % interval holds none
    if moving:
        return is_masked(line, note.fit)
    limit_cents = note.values["extent_limit_cents"]
    looked_at = note.other_db > OTHER_ABOVE_DB or line.snr_db < LOOK_BELOW_DB
    return note.other_db > OTHER_OF_STRAIGHT_DB or (looked_at and is_masked(line, note.fit, limit_cents))
