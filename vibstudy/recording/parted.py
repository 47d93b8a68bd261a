"""Pieces of one note made whole at their true pitch, once the octaves of a recording are settled.

A cut that a room or another's attack made is undone where the pieces are found
(:mod:`vibstudy.vibrato.oversegmentation`), but not where they may be notes an octave or a twelfth apart:
beside a piano, whose notes lie between the lines of a note, and of weak fundamental, of which the line holds
the second harmonic. What their own sound, and all notes together, say of their pitch answers that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from vibstudy.pitch.contour import Contour
from vibstudy.recording.found import FoundNote, find_repeated
from vibstudy.sound.reading import Audio
from vibstudy.vibrato.oversegmentation import merge_oversegmented


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
    whole = merge_oversegmented(audio.samples, audio.rate_hz, true, asked, settled=True)
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
