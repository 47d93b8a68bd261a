"""The octave of a note, where the line held and the tracker or the sound disagree.

In company the line of notes is held high, since the soloist mostly lies above the accompaniment
(:mod:`vibstudy.notes.line`); a low note of the soloist can then be taken for its own second harmonic. A
tracker that says the octave below through nearly all of the note is right: on 530 notes of six sampled
winds, alone and with piano and strings as loud as they, it was never wrong when it said so in at least
:data:`STEADY` of the frames. With less, the sound of the note decides (:mod:`vibstudy.pitch.company`).

Where there is sound between the lines of a note, it may be an octave lower than the line says, or another
player may sound there. The note is then refined at the lower pitch, too. If it is the true one, the harmonics
between carry the same modulation as the others and get their share of the weight; if they belong to someone
else, they disagree and lose it. The log odds (:func:`lower_odds`) are a logistic regression on this share and
the level between the lines: 1,400 notes of six sampled winds with piano and strings. The same evidence for a
twelfth misled as often as it helped (a piano's bass a twelfth below sounds on the soloist's own lines). So a
note is taken a twelfth lower only where no one else is loud (a clarinet beside a soft piano), and marked
then, too.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from vibstudy.pitch.contour import Contour
from vibstudy.pitch.refine import NoteLine

STEADY = 0.85
BETWEEN_DB = -8.0
"""Less sound between the lines than this (re the note's own) never made it lower."""
_ODDS = (3.6, 5.2, 0.58)
_LEAST_SHARE, _MOST_DB = 0.02, 5.0
SPARSE = 0.1
"""A note with less of its weight on harmonics between the second (or third) ones is likely higher."""
CARRIED_SHARE, CARRIED_CENTS = 0.3, 12.0
"""With more of the weight between, and the line as near as this to the one held, a note is an octave lower:
5 notes of 5 of a saxophone beside a piano as loud; of 940 notes rightly held none came near."""
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
    shares : list of float
        For each note the share of frames in which the tracker says the octave below; those from
        :data:`STEADY` on were moved.
    """
    f0 = line.f0_hz.copy()
    shares = []
    for note in notes:
        onset, offset = float(note["onset_s"]), float(note["offset_s"])
        share = octave_below(line, tracked, onset, offset)
        if share >= STEADY:
            f0[(line.time_s >= onset) & (line.time_s <= offset)] /= 2.0
        shares.append(share)
    return replace(line, f0_hz=f0), shares


def lower_odds(lower: NoteLine, between_db: float) -> float:
    """Log odds that a note is an octave lower than the line says.

    Parameters
    ----------
    lower : NoteLine
        The note refined at that lower pitch.
    between_db : float
        Level between the lines of the higher pitch: :attr:`vibstudy.pitch.company.Company.below_db`.
    """
    constant, by_share, by_level = _ODDS
    share = share_between(lower, 2)
    return constant + by_share * np.log10(share + _LEAST_SHARE) + by_level * min(between_db, _MOST_DB)


def carries(lower: NoteLine, line: NoteLine) -> bool:
    """Tell whether the harmonics between those of `line` move as it does, and weigh.

    Parameters
    ----------
    lower : NoteLine
        The note refined an octave lower, along `line`.
    line : NoteLine
        The note as it was held.
    """
    apart = lower.cents - np.interp(lower.time_s, line.time_s, line.cents)
    return share_between(lower, 2) > CARRIED_SHARE and float(np.std(apart)) < CARRIED_CENTS


def share_between(line: NoteLine, parts: int) -> float:
    """Share of the weight on harmonics that are no multiples of `parts`, 0..1."""
    between = np.arange(1, len(line.weight) + 1) % parts > 0
    return float(line.weight[between].sum())
