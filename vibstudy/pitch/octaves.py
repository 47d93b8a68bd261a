"""The octave of a note, where the line held and the tracker disagree.

In company the line of notes is held high, since the soloist mostly lies above the accompaniment
(:mod:`vibstudy.notes.line`); a low note of the soloist can then be taken for its own second harmonic. A
tracker that says the octave below through nearly all of the note is right: on 530 notes of six sampled
winds, alone and with piano and strings as loud as they, it was never wrong when it said so in at least
:data:`STEADY` of the frames. With less, the sound of the note decides (:mod:`vibstudy.pitch.company`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from vibstudy.pitch.contour import Contour

STEADY = 0.85
_NEAR_OCTAVES = 0.06
_EDGE_S = 0.03


def octave_below(line: Contour, tracked: Contour, onset_s: float, offset_s: float) -> float:
    """Share of a note's frames in which the tracker says the octave below the line, 0..1.

    Parameters
    ----------
    line, tracked : Contour
        The line held, and the tracker's own, of the same sound.
    onset_s, offset_s : float
        The note.
    """
    held = _inside(line, onset_s, offset_s)
    said = _inside(tracked, onset_s, offset_s)
    if not np.isfinite(held).any() or not len(said):
        return 0.0
    apart = np.log2(said / np.nanmedian(held))
    return float(np.mean(np.abs(apart + 1.0) < _NEAR_OCTAVES))


def _inside(contour: Contour, onset_s: float, offset_s: float) -> np.ndarray:
    inner = (contour.time_s >= onset_s + _EDGE_S) & (contour.time_s <= offset_s - _EDGE_S)
    return contour.f0_hz[inner]


def settle_octaves(
    line: Contour, tracked: Contour, notes: Iterable[Mapping[Any, Any]]
) -> tuple[Contour, list[float]]:
    """Move notes down an octave where the tracker says so.

    Parameters
    ----------
    line, tracked : Contour
        The line held, and the tracker's own, of the same sound.
    notes : iterable of mapping
        Notes with ``onset_s`` and ``offset_s``.

    Returns
    -------
    line : Contour
        The line, octaves settled.
    doubt : list of float
        For each note the share of frames in which the tracker says the octave below what was settled.
    """
    f0 = line.f0_hz.copy()
    doubt = []
    for note in notes:
        onset, offset = float(note["onset_s"]), float(note["offset_s"])
        share = octave_below(line, tracked, onset, offset)
        if share >= STEADY:
            f0[(line.time_s >= onset) & (line.time_s <= offset)] /= 2.0
            share = 0.0
        doubt.append(share)
    return replace(line, f0_hz=f0), doubt
