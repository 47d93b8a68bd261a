"""Notes from sound: where each note of the solo line begins and ends.

Definition
----------
A note lasts from the attack (or the change of pitch) that starts it to the attack, change of pitch
or silence that ends it. Pitch, level and spectrum decide together:

1. The line of held pitches (:mod:`vibstudy.notes.line`). A vibrato of ±100 cents is held through,
   a semitone step is followed.
2. Spans of one held pitch (:mod:`vibstudy.notes.spans`).
3. Kinds: quick alternations are told apart (:mod:`vibstudy.notes.kinds`): a trill becomes one note of kind
   "trill", a wide vibrato one plain note, and what may be either one note of kind "unclear".
4. Repeated notes are parted at their attacks (:mod:`vibstudy.notes.attacks`).
5. What only rings on before a rest is no note (:mod:`vibstudy.notes.resonances`).
6. Edges to a few milliseconds, with errors (:mod:`vibstudy.notes.edges`).
7. What is likely the accompaniment's is dropped; short notes that lean on a neighbour are ornaments, but
   beside silence those on its own pitch are how it begins to speak, or its end.

Conventions
-----------
Times in s from the first sample given. Pitch is the median over the note in Hz, for a trill that of
its lower note. Kinds: "note"; "trill"; "unclear" (a trill or a wide vibrato); "ornament", a note shorter
than 0.12 s that leans on a longer
neighbour (grace note, turn).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.notes.attacks import split_at_attacks, with_held_ends
from vibstudy.notes.edges import (
    Edge,
    Levels,
    attack,
    ending,
    harmonic_levels,
    has_low_note,
    pitch_change,
    silent_between,
    step_under_vibrato,
)
from vibstudy.notes.kinds import classify_spans, swing_columns
from vibstudy.notes.line import HOP_S, HeldLine, hold_line
from vibstudy.notes.resonances import without_resonances
from vibstudy.notes.spans import SAME_CENTS, Solo, Span, heard, held_spans, join_half_cycles
from vibstudy.notes.trill import ANYBODY, Habit
from vibstudy.pitch.contour import Contour
from vibstudy.units import to_cents, to_hz

COLUMNS = ("onset_s", "offset_s", "onset_se_s", "offset_se_s", "pitch_hz", "note_kind", "quality")

ORNAMENT_S = 0.12
"""Shorter notes that lean on a longer neighbour are ornaments (common practice, no source)."""
_TOUCHING_S = 0.1  # less than a breath
_REST_S = 0.25  # the longest rest that the line was seen to hold through, and so far it may be off
_SMALL_STEP_CENTS = 260.0  # a wider step is told by its spectrum whatever vibrates
_SOLOIST = -0.5  # log odds from which a note is the soloist's: a lost one is worse than one too many
_LEANING_S, _LEAST_ORNAMENT_S = 0.03, 0.045  # no gap is heard; shorter ones are frames of error
_JUMP_CENTS = 120.0  # from frame to frame: no vibrato moves so fast
_UNSURE_S = 0.015  # a frame of the line: a tongued note's edge is known better


@dataclass(frozen=True, eq=False)
class FoundNotes:
    """The notes of a line, and the line itself, mended.

    Parameters
    ----------
    rows : list of dict
        One a note, in the order of time; keys as the columns of :func:`segment_notes`.
    line : Contour
        Pitch of the soloist every 16 ms: the tracker's own where it followed the soloist, else the
        nearest peak of the spectrum's salience; nothing outside the notes. Of use where the tracker
        went over to another instrument or an octave away.
    """

    rows: list[dict[str, Any]]
    line: Contour


def segment_notes(
    samples: np.ndarray, rate_hz: float, contour: Contour, *, min_note_s: float = 0.08, habit: Habit = ANYBODY
) -> pd.DataFrame:
    """Find the notes of a monophonic line.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        Mono sound.
    rate_hz : float > 0
        Sample rate, Hz.
    contour : Contour
        Coarse pitch of the line.
    min_note_s : float > 0
        Shorter notes are dropped, unless they lean on a neighbour (ornaments). In s.
    habit : Habit
        What is known of the player before anything is heard.

    Returns
    -------
    DataFrame
        One row a note in time order: `onset_s`, `offset_s`, `onset_se_s`, `offset_se_s` (s),
        `pitch_hz`, `note_kind` ("note", "trill", "unclear" or "ornament") and `quality` ("ok" or reasons of
        :data:`vibstudy.schema.QUALITY_REASONS` joined by ";").

    See Also
    --------
    find_notes : the same, with the line of pitch mended.
    """
    return _frame(find_notes(samples, rate_hz, contour, min_note_s=min_note_s, habit=habit).rows)


def find_notes(
    samples: np.ndarray, rate_hz: float, contour: Contour, *, min_note_s: float = 0.08, habit: Habit = ANYBODY
) -> FoundNotes:
    """Find the notes of a monophonic line and mend its contour; parameters of :func:`segment_notes`."""
    if len(contour.time_s) < 3 or len(samples) < 0.2 * rate_hz:  # of less no line can be held
        return FoundNotes([], contour)
    line = hold_line(samples, rate_hz, contour)
    solo = Solo(samples, rate_hz, line, habit)
    spans = held_spans(line, contour)
    if not spans:
        return FoundNotes([], contour)
    spans = join_half_cycles(line, classify_spans(solo, spans))
    levels = harmonic_levels(samples, rate_hz, line)
    spans = [part for span in spans for part in split_at_attacks(solo, levels, span)]
    spans = with_held_ends(solo, levels, spans)
    spans = join_half_cycles(line, spans)  # the line may have gone on to the next note in the last half cycle
    spans = without_resonances(solo, levels, spans)
    notes = _soloist_only(line, levels, _place_edges(solo, levels, spans))
    notes = _name_kinds(_with_own_ends(notes), min_note_s)
    for note in notes:
        note["quality"] = _quality(line, note)
    return FoundNotes(notes, _mend(line, contour, notes))


def _mend(line: HeldLine, contour: Contour, notes: list[dict]) -> Contour:
    """The heard line within the notes, as a contour."""
    cents = np.where(np.isfinite(line.cents), line.cents, line.held_cents)
    inside = np.zeros(len(cents), dtype=bool)
    for note in notes:
        inside |= (line.time_s >= note["onset_s"]) & (line.time_s <= note["offset_s"])
    f0 = np.where(inside, to_hz(cents), np.nan)
    confidence = np.interp(line.time_s, contour.time_s, contour.confidence)
    return Contour(line.time_s, f0, np.where(np.isfinite(f0), confidence, 0.0), contour.tracker)


def _with_own_ends(notes: list[dict]) -> list[dict]:
    """Give a note what is too short for its own, leans on it on its own pitch, and is beside silence.

    A grace note or a turn is on another pitch. On the same one a sound begins to speak, or fades in beats.
    """
    out: list[dict] = []
    for i, note in enumerate(notes):
        before, last = [None, None, *out[-2:]][-2:]
        following = notes[i + 1] if i + 1 < len(notes) else None
        if last and _is_end_of(note, last, following):
            out[-1] = {**last, **{key: note[key] for key in ("offset_s", "offset_se_s")}}
        elif last and _is_end_of(last, note, before):
            out[-1] = {**note, **{key: last[key] for key in ("onset_s", "onset_se_s")}}
        else:
            out.append(note)
    return out


def _is_end_of(part: dict, note: dict, beyond: dict | None) -> bool:
    """Whether a part is the begin or the end of a note that it touches, with silence `beyond` it."""
    leans = _leans_on(part, note) and "trill" not in (part["note_kind"], note["note_kind"])
    short = part["offset_s"] - part["onset_s"] < ORNAMENT_S
    same = abs(to_cents(part["pitch_hz"], note["pitch_hz"])) < SAME_CENTS
    return leans and short and same and (beyond is None or _gap_s(part, beyond) > _TOUCHING_S)


def _gap_s(one: dict, other: dict) -> float:
    """Time between two notes, in whichever order; less than 0 where they overlap."""
    return max(one["onset_s"] - other["offset_s"], other["onset_s"] - one["offset_s"])


def _leans_on(part: dict, note: dict) -> bool:
    """Whether no gap is heard between a part and a longer note."""
    length = part["offset_s"] - part["onset_s"]
    return abs(_gap_s(part, note)) < _LEANING_S and note["offset_s"] - note["onset_s"] > 1.5 * length


def _name_kinds(notes: list[dict], min_note_s: float) -> list[dict]:
    """Mark ornaments; drop what is too short and leans on nothing."""
    named = []
    for i, note in enumerate(notes):
        length = note["offset_s"] - note["onset_s"]
        leans = any(_leans_on(note, other) for other in [*notes[i + 1 : i + 2], *notes[max(i - 1, 0) : i]])
        if note["note_kind"] == "note" and _LEAST_ORNAMENT_S <= length < ORNAMENT_S and leans:
            named.append({**note, "note_kind": "ornament"})
        elif length >= min_note_s:
            named.append(note)
    return named


def _quality(line: HeldLine, note: dict) -> str:
    """Reasons not to trust a note, joined by ";"; "ok" when there are none."""
    # without two frames at the edges
    inside = (line.time_s > note["onset_s"] + 0.03) & (line.time_s < note["offset_s"] - 0.03)
    cents = line.cents[inside]
    reasons = []
    if note["note_kind"] == "note" and np.count_nonzero(np.abs(np.diff(cents)) > _JUMP_CENTS) > 1:
        reasons.append("unsteady")
    if note["onset_se_s"] > _UNSURE_S or note["offset_se_s"] > 2 * _UNSURE_S:
        reasons.append("edge_unsure")
    return ";".join(reasons) or "ok"


def _frame(notes: list[dict]) -> pd.DataFrame:
    frame = pd.DataFrame(notes, columns=list(COLUMNS))
    for column in COLUMNS[:5]:
        frame[column] = frame[column].astype("float64")
    for column in COLUMNS[5:]:
        frame[column] = frame[column].astype("string")
    return frame


def _soloist_only(line: HeldLine, levels: Levels, notes: list[dict]) -> list[dict]:
    """Drop what is likely a note of the accompaniment, or an echo, heard in a rest of the soloist.

    Such notes are short, weak and low. The log odds of a note with others sounding (level between 0.7 and
    4 kHz, length, octaves below the middle of the line) come from a logistic regression on renderings
    with piano. Where the soloist is alone or much the louder, only weak notes are in doubt.
    """
    # keeps a logarithm from zero
    lengths = np.array([max(note["offset_s"] - note["onset_s"], 0.01) for note in notes])
    level = np.array(
        [
            np.median(levels.after_db[levels.index(note["onset_s"]) : levels.index(note["offset_s"]) + 1])
            for note in notes
        ]
    )
    octave = np.log2([note["pitch_hz"] for note in notes])
    # a median by sounding time, in steps of 20 ms
    weight = np.maximum(np.rint(lengths / 0.02), 1).astype(int)
    softer = level - np.median(np.repeat(level, weight))
    below = np.minimum(octave - np.median(np.repeat(octave, weight)), 0.0)
    alone, carried = np.ones(len(notes)), np.zeros(len(notes))
    for i, note in enumerate(notes):
        inside = (line.time_s >= note["onset_s"] - HOP_S) & (line.time_s <= note["offset_s"] + HOP_S)
        if inside.any():
            alone[i], carried[i] = line.alone[inside].mean(), line.carried_db[inside].mean()
    long = 1.4 * np.log(lengths / 0.1)  # weights of the regression: per e-fold of length, dB, octave
    # an octave below the middle it bends
    accompanied = long + 1.5 * (carried + 5.9) + 1.2 * below + 4.5 * np.minimum(below + 1.0, 0.0)
    # alone, only weak notes are in doubt: 16 dB below the middle
    by_itself = long + 0.4 * (softer + 16.0) + 2.0 * np.clip(below + 0.8, -1.5, 0.0)
    odds = np.where(alone < 0.5, accompanied, by_itself)  # the likelier
    return [note for note, odd in zip(notes, odds, strict=True) if odd > _SOLOIST]


def _joint(solo: Solo, left: Span, right: Span) -> Edge | None:
    """Edge between two spans that touch or nearly so; None when a rest lies between."""
    if right.begin - left.end > _TOUCHING_S or right.after_rest:
        return None
    near = (left.end + right.begin) / 2
    if abs(right.cents - left.cents) < SAME_CENTS:  # the same note again: level tells where
        return Edge(near, 0.004)  # tongued: the dip tells to a frame of 5 ms
    joint = None
    if abs(right.cents - left.cents) <= _SMALL_STEP_CENTS and "trill" not in (left.kind, right.kind):
        joint = step_under_vibrato(solo.line, near, left.begin, right.end)
    low = has_low_note(left.cents, right.cents)
    return joint or pitch_change(solo.samples, solo.rate_hz, near, left.begin, right.end, low)


def _parted_by_silence(levels: Levels, spans: list[Span]) -> list[Span]:
    """Put a short rest that the line held through, or nearly, between the notes on its two sides."""
    parted = list(spans)
    for i, (left, right) in enumerate(itertools.pairwise(spans)):
        if right.begin - left.end > _TOUCHING_S:
            continue
        left = parted[i]
        silence = silent_between(
            levels, max(left.begin, left.end - _REST_S), right.begin, min(right.end, right.begin + _REST_S)
        )
        if silence is not None:
            parted[i], parted[i + 1] = (
                replace(left, end=silence),
                replace(right, begin=silence, after_rest=True),
            )
    return parted


def _place_edges(solo: Solo, levels: Levels, spans: list[Span]) -> list[dict]:
    """Give every rough span its edges."""
    spans = _parted_by_silence(levels, spans)
    joints = [
        None,
        *(_joint(solo, left, right) for left, right in itertools.pairwise(spans)),
        None,
    ]
    notes = []
    for i, span in enumerate(spans):
        before, after = joints[i], joints[i + 1]
        start = before.time_s if before else span.begin
        # frames of the line: one after a joint, five after a rest
        earliest = before.time_s - 0.02 if before else max(start - 0.08, spans[i - 1].end if i else 0.0)
        # the slowest attack; half a frame
        onset = attack(levels, earliest, start, min(start + 0.2, span.end)) or before or Edge(start, 0.008)
        following = spans[i + 1].begin if i + 1 < len(spans) else np.inf
        stop = after.time_s if after else min(span.end + 0.05, following)  # three frames of the line
        offset = ending(levels, onset.time_s, stop) or after or Edge(span.end, 0.016)  # a frame of the line
        own = heard(solo.line, onset.time_s, offset.time_s)
        pitch = span.cents if span.kind == "trill" or not len(own) else np.median(own)
        notes.append(
            {
                "onset_s": max(onset.time_s, 0.0),
                "offset_s": offset.time_s,
                "onset_se_s": onset.se_s,
                "offset_se_s": offset.se_s,
                "pitch_hz": float(to_hz(pitch)),
                "note_kind": span.kind,
                "quality": "ok",
                **({} if span.swing is None else swing_columns(span.swing)),
            }
        )
    return _one_at_a_time(notes)


def _one_at_a_time(notes: list[dict]) -> list[dict]:
    """Notes of some length; none lasts into the next, and one that begins after the next is none."""
    kept: list[dict] = []
    for note in notes:
        if note["offset_s"] <= note["onset_s"]:
            continue
        while kept:
            kept[-1]["offset_s"] = min(kept[-1]["offset_s"], note["onset_s"])
            if kept[-1]["offset_s"] > kept[-1]["onset_s"]:
                break
            kept.pop()
        kept.append(note)
    return kept
