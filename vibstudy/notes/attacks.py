"""Repeated notes: where a held pitch is begun again.

Definition
----------
A dip of level deeper than 2.65 dB within 25 ms on both sides, or a rise of more than 4.2 dB in 15 ms,
starts a new note. Intensity vibrato of ± 3 dB at 8 Hz dips 2.1 dB in 25 ms. With accompaniment the mean of a
dip's depths within 40 and 60 ms must be more than 5.4 dB. Dips faster than 12 a second are beats with another
sound, not tonguing. While the pitch swings regularly, one of several dips must be 9 dB deep, or 1.8 times
as deep as the note's dips mostly are: a room, whose echoes are a moment late, turns a swing of pitch into
one of level. A trill and what is held on its lower note before or after it, not begun anew and shorter than
the trill, are one note.
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d, uniform_filter1d
from scipy.signal import find_peaks

from vibstudy.notes.edges import Levels
from vibstudy.notes.kinds import alternations
from vibstudy.notes.spans import SAME_CENTS, Solo, Span, heard, touches

_DIP_DB, _DIP_S = 2.65, 0.025  # deeper than the steepest vibrato of loudness
_WIDE_S, _SHARP = 0.06, 0.4  # a dip much deeper within 60 ms than within 25 is a swell
_COMPANY_DIP_DB, _COMPANY_DIP_S = 5.4, 0.04  # another's sound fills dips and makes shallow ones
_RISE_DB, _RISE_S = 4.2, 0.015
_NO_SPLIT_S = 0.06  # beside an edge the level rises and falls by itself
_OVER_VIBRATO, _DEEP_DB, _REGULAR_CENTS = 1.8, 9.0, 20.0
_TONGUE_S, _LEAST_BEATS = 0.085, 3  # twelve a second
_HELD_CENTS = SAME_CENTS / 2  # of the lower note of a trill: less than half of the narrowest
_BEATS_S, _SLOW_S, _SLOW_DIP_DB = 0.08, 0.4, 4.0  # of dips that remain when such beats are averaged out


def split_at_attacks(solo: Solo, levels: Levels, span: Span) -> list[Span]:
    """Split a held pitch where its level dips or rises quicker than any vibrato."""
    a, b = levels.index(span.begin), levels.index(span.end)
    near, middle, wide = (round(t / levels.hop_s) for t in (_DIP_S, _COMPANY_DIP_S, _WIDE_S))
    rise, edge = (round(t / levels.hop_s) for t in (_RISE_S, _NO_SPLIT_S))
    db = levels.after_db[a:b]
    if span.kind != "note" or len(db) < 2 * edge + 2:
        return [span]
    here = np.arange(edge, len(db) - edge)
    dip, wide_dip = _depth(db, here, near), _depth(db, here, wide)
    lowest = minimum_filter1d(db, 2 * near + 1)[here] == db[here]
    risen = db[here + rise] - db[here]
    if levels.alone[a:b].mean() < 0.5:
        dips = attacks = lowest & (0.5 * (_depth(db, here, middle) + wide_dip) > _COMPANY_DIP_DB)
    else:
        dips = lowest & (dip > _DIP_DB) & (dip > _SHARP * wide_dip)
        attacks = dips | (risen > _RISE_DB) & (maximum_filter1d(risen, 2 * near + 1) == risen)
    if _beats(dips, levels.hop_s):  # a dip and the rise after it are one attack
        attacks = np.isin(here, _slow_dips(db, levels.hop_s))
    if attacks.sum() > 1:
        usual = _usual_depth(wide_dip[lowest], _cycles(solo, span))
        attacks &= wide_dip > min(_OVER_VIBRATO * usual, _DEEP_DB)
    cuts: list[int] = []
    for i in here[attacks]:
        if not cuts or i - cuts[-1] >= edge:
            cuts.append(int(i))
    bounds = [span.begin, *((a + i) * levels.hop_s for i in cuts), span.end]
    return [replace(span, begin=x, end=y) for x, y in itertools.pairwise(bounds)]


def with_held_ends(solo: Solo, levels: Levels, spans: list[Span]) -> list[Span]:
    """Give a trill what it is begun from, and held on after it, on its lower note: one written note.

    What is as long as the trill, or begun anew, is a note of its own. Where it cannot be told whether it is
    a trill, the pitch held may lie anywhere in the swing: a vibrato that ends does not leave its note.
    """
    out: list[Span] = []
    for span in spans:
        while out and _one_written_note(solo, levels, out[-1], span):
            last = out.pop()
            span = replace(span if last.kind == "note" else last, begin=last.begin, end=span.end)
        out.append(span)
    return out


def _one_written_note(solo: Solo, levels: Levels, left: Span, right: Span) -> bool:
    if not touches(left, right) or (left.kind == "note") == (right.kind == "note"):
        return False
    swinging, held = (right, left) if left.kind == "note" else (left, right)
    assert swinging.swing is not None
    own = heard(solo.line, held.begin, held.end)
    if not len(own) or held.length >= swinging.swing.end_s - swinging.swing.begin_s:
        return False
    low, high = swinging.swing.low_cents, swinging.swing.high_cents
    top = low if swinging.kind == "trill" else high
    if not low - _HELD_CENTS < np.median(own) < top + _HELD_CENTS:
        return False
    return not _begun_anew(solo, levels, swinging, right.begin)


def _begun_anew(solo: Solo, levels: Levels, trill: Span, at_s: float) -> bool:
    """Whether there is an attack beside a trill, other than the changes of its notes."""
    joint = Span(at_s - 2 * _NO_SPLIT_S, at_s + 2 * _NO_SPLIT_S, trill.cents)
    if len(split_at_attacks(solo, levels, joint)) == 1:
        return False
    assert trill.swing is not None
    near, wide = (round(t / levels.hop_s) for t in (_DIP_S, _WIDE_S))
    db = np.pad(levels.after_db, wide, mode="edge")
    here = wide + np.arange(levels.index(trill.begin), levels.index(trill.end))
    lowest = minimum_filter1d(db, 2 * near + 1)[here] == db[here]
    usual = _usual_depth(_depth(db, here, wide)[lowest], trill.swing.half_cycles)
    there = wide + np.arange(levels.index(joint.begin), levels.index(joint.end))
    return bool(_depth(db, there, wide).max() > min(_OVER_VIBRATO * usual, _DEEP_DB))


def _cycles(solo: Solo, span: Span) -> int:
    """How often the pitch swings, regularly; 0 when it does not."""
    swings = alternations(solo, span, least_cents=_REGULAR_CENTS)
    if not swings:
        return 0
    return round(max(swings, key=lambda swing: swing.half_cycles).rate_hz * span.length)


def _usual_depth(depths: np.ndarray, cycles: int) -> float:
    """Median of the deepest dips, one a cycle: those that a room or an instrument makes of the vibrato."""
    return float(np.median(np.sort(depths)[-cycles:])) if cycles and len(depths) else 0.0


def _beats(dips: np.ndarray, hop_s: float) -> bool:
    """Whether dips follow each other faster than any tongue: beats with another sound."""
    return int(np.sum(np.diff(np.flatnonzero(dips)) * hop_s < _TONGUE_S)) >= _LEAST_BEATS


def _slow_dips(db: np.ndarray, hop_s: float) -> np.ndarray:
    """Dips that remain when beats are averaged out."""
    power = uniform_filter1d(10 ** (db / 10), round(_BEATS_S / hop_s))
    smooth = 10 * np.log10(power + 1e-12)
    return find_peaks(-smooth, prominence=_SLOW_DIP_DB, wlen=round(_SLOW_S / hop_s))[0]


def _depth(db: np.ndarray, here: np.ndarray, reach: int) -> np.ndarray:
    """How far `db[here]` lies below the lower of the maxima within `reach` frames on each side."""
    around = np.lib.stride_tricks.sliding_window_view(db, reach + 1).max(axis=1)
    return np.minimum(around[here - reach], around[here]) - db[here]
