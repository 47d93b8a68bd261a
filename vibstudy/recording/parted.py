"""Notes that are several, and pieces that are one.

:func:`find_repeated` parts a note that a room or others ran together; :func:`rejoin` makes one note of two
where only the line leapt. :func:`joined_at_true_pitch` makes pieces whole at their true pitch, once the
octaves of a recording are settled. A cut that a room or another's attack made is undone where the pieces
are found (:mod:`vibstudy.vibrato.oversegmentation`), but not where they may be notes an octave or a twelfth
apart: beside a piano, whose notes lie between the lines of a note, and of weak fundamental, of which the line
holds the second harmonic. What their own sound, and all notes together, say of their pitch answers that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from vibstudy.pitch.contour import Contour
from vibstudy.pitch.refine import NoteLine
from vibstudy.recording.found import OCTAVE_ODDS, FoundNote, find_note
from vibstudy.schema import reasons_of
from vibstudy.sound.reading import Audio
from vibstudy.vibrato.oversegmentation import merge_oversegmented

TOUCHING_S, LEAP_SEMITONES, SAME_SEMITONES = 0.03, 4.0, 0.6
DIP_S, ATTACK_DIP_DB = 0.06, 5.4
"""Two notes that touch are one where only the line leapt between them and the level does not dip."""
SILENCE_SE_S = 0.016
"""Error of where a silence under a room's tail begins and ends."""


def find_repeated(
    audio: Audio,
    contour: Contour,
    row: Mapping[Any, Any],
    octaves: np.ndarray | None = None,
    before_hz: float | None = None,
) -> list[tuple[Mapping[Any, Any], FoundNote]]:
    """A note, or the several it is; each with its row.

    Where a room's tail, or others, hid the silence between notes on one pitch, or the line held the upper of
    two notes an octave apart through both: the harmonics that the lower has and the upper has not begin or
    cease within (:func:`vibstudy.pitch.octaves.look_between`), and what lies before and after says surely
    which is which.

    Parameters
    ----------
    audio, contour, row, octaves, before_hz
        As for :func:`find_note`. A note that somebody names is one.
    """
    note = find_note(audio, contour, row, octaves, before_hz)
    leaps_s = note.octave.leaps_s if note.octave is not None and note.values["note_kind"] == "note" else None
    if leaps_s is not None:
        left, right = _parted(audio, contour, row, (leaps_s, leaps_s), octaves, before_hz)
        if {_surely_lower(left[-1][1]), _surely_lower(right[0][1])} == {True, False}:
            return left + right
    if note.silent_s is None:
        return [(row, note)]
    left, right = _parted(audio, contour, row, note.silent_s, octaves, before_hz)
    return left + right


def _parted(
    audio: Audio,
    contour: Contour,
    row: Mapping[Any, Any],
    silent_s: tuple[float, float],
    octaves: np.ndarray | None,
    before_hz: float | None,
) -> tuple[list[tuple[Mapping[Any, Any], FoundNote]], list[tuple[Mapping[Any, Any], FoundNote]]]:
    """What lies before and after a silence within a note; arguments of :func:`find_repeated`."""
    end_s, begin_s = silent_s
    known = {key: value for key, value in row.items() if key != "straight"}
    ended, begun = (
        {**known, f"{edge}_s": at_s, f"{edge}_se_s": SILENCE_SE_S}
        for edge, at_s in (("offset", end_s), ("onset", begin_s))
    )
    left = find_repeated(audio, contour, ended, octaves, before_hz)
    tail_of = left[-1][1].line
    before_hz = tail_of.reference_hz if tail_of else before_hz
    return left, find_repeated(audio, contour, begun, octaves, before_hz)


def _surely_lower(note: FoundNote) -> bool | None:
    """Whether a note lies an octave below the line, by its own sound; None where that is not sure."""
    octave = note.octave
    if octave is None or abs(octave.odds) < OCTAVE_ODDS or octave.parts not in (1, 2):
        return None
    return octave.parts == 2


def rejoin(
    audio: Audio,
    contour: Contour,
    left_row: Mapping[Any, Any],
    left: FoundNote,
    right_row: Mapping[Any, Any],
    right: FoundNote,
) -> tuple[dict[str, Any], FoundNote] | None:
    """Make one note of two that were parted where only the line leapt, to an octave and back, say.

    Notes whose octave was told (no ``octave_below``), as those listed by hand, stay as they are.

    Parameters
    ----------
    audio, contour
        As for :func:`find_note`.
    left_row, right_row : mapping
        The two notes as they were found.
    left, right : FoundNote
        The same, measured.

    Returns
    -------
    (dict, FoundNote) | None
        The whole note. None when they are two: they do not touch, their true pitch is not the same, or the
        level dips between them as at an attack.
    """
    told = left_row.get("octave_below") is None or right_row.get("octave_below") is None
    plain = left.values["note_kind"] == right.values["note_kind"] == "note" and not told
    touching = right_row["onset_s"] - left_row["offset_s"] < TOUCHING_S
    if not (plain and touching and left.line is not None and right.line is not None):
        return None
    held_hz = [
        float(np.nanmedian(contour.f0_hz[(contour.time_s >= begin) & (contour.time_s <= end)]))
        for begin, end in ((row["onset_s"], row["offset_s"]) for row in (left_row, right_row))
    ]
    parts = np.divide(held_hz, (left.line.reference_hz, right.line.reference_hz))
    leap = abs(12.0 * np.log2(held_hz[1] / held_hz[0]))
    apart = abs(12.0 * np.log2(right.line.reference_hz / left.line.reference_hz))
    if leap < LEAP_SEMITONES or apart > SAME_SEMITONES:
        return None
    true_hz = contour.f0_hz / np.where(contour.time_s < right_row["onset_s"], *parts)
    row = {**left_row, **{key: right_row[key] for key in ("offset_s", "offset_se_s") if key in right_row}}
    whole = find_note(audio, replace(contour, f0_hz=true_hz), {**row, "octave_below": None, "straight": None})
    if whole.line is None or _dip_db(whole.line, right_row["onset_s"]) > ATTACK_DIP_DB:
        return None
    whole.reasons += reasons_of(right_row.get("quality"))
    whole.reasons += ["octave_unsure"] if "octave_unsure" in left.reasons + right.reasons else []
    return row, whole


def _dip_db(line: NoteLine, time_s: float) -> float:
    """How far the level dips near a time: below the lower of the maxima on both sides."""
    since_s = line.time_s - time_s
    before = line.level_db[(since_s > -DIP_S) & (since_s <= 0.0)]
    after = line.level_db[(since_s < DIP_S) & (since_s >= 0.0)]
    inside = line.level_db[np.abs(since_s) < 0.3 * DIP_S]
    if not (len(before) and len(after) and len(inside)):
        return 0.0
    return float(min(before.max(), after.max()) - inside.min())


def joined_at_true_pitch(
    audio: Audio,
    contour: Contour,
    rows: Sequence[Mapping[Any, Any]],
    notes: Sequence[FoundNote],
    octaves: np.ndarray | None = None,
) -> list[FoundNote]:
    """Notes of a piece of sound, those that were parted made whole.

    Parameters
    ----------
    audio, contour, octaves
        As for :func:`vibstudy.recording.found.find_note`.
    rows, notes : sequence
        As they were found, in the order of time, octaves settled. Those listed by hand stay as they are.

    Returns
    -------
    list of FoundNote
        Those that were not parted are the same objects.
    """
    if not rows or any(row.get("octave_below") is None for row in rows):  # none, or listed
        return list(notes)
    true_hz = contour.f0_hz.copy()
    asked: list[dict[str, Any]] = []
    for place, (row, note) in enumerate(zip(rows, notes, strict=True)):
        asked.append({**row, "place": place, "octave_below": 0.0})
        if note.line is None:
            continue
        inside = (contour.time_s >= row["onset_s"]) & (contour.time_s <= row["offset_s"])
        true_hz[inside] *= note.line.reference_hz / np.nanmedian(contour.f0_hz[inside])
        asked[-1]["pitch_hz"] = note.line.reference_hz
    true = replace(contour, f0_hz=true_hz)
    whole = merge_oversegmented(
        audio.samples, audio.rate_hz, true, asked, settled=True, dry=audio.dereverberated
    )
    out: list[FoundNote] = []
    for row, end in zip(whole, [*(row["place"] for row in whole[1:]), len(notes)], strict=True):
        pieces = notes[row["place"] : end]
        if len(pieces) == 1:
            out += pieces
            continue
        before = out[-1].line if out else None
        known = {**row, "octave_below": None}
        found = find_repeated(audio, true, known, octaves, before.reference_hz if before else None)
        longest = max(pieces, key=lambda piece: piece.values["duration_s"])
        for _, note in found:
            note.octave = longest.octave
            note.reasons += ["octave_unsure"] * ("octave_unsure" in longest.reasons)
        out += [note for _, note in found]
    return out
