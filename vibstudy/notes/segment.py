"""Notes from sound: where each note of the solo line begins and ends.

Definition
----------
A note lasts from the attack (or the change of pitch) that starts it to the attack, change of pitch
or silence that ends it. Pitch, level and spectrum decide together:

1. The line of held pitches (:mod:`vibstudy.notes.line`). A vibrato of ±100 cents is held through,
   a semitone step is followed.
2. Quick alternations are told apart (:mod:`vibstudy.notes.alternation`): a trill becomes one note
   of kind "trill", a wide vibrato one plain note, and what may be either one note of kind "unclear". The
   first and the last note of a trill, before and after it alternates, belong to it when they are short.
3. Repeated notes: inside a held pitch, a dip of level deeper than 2.65 dB within 25 ms on both
   sides, or a rise of more than 4.2 dB in 15 ms, starts a new note. Intensity vibrato of ±3 dB at 8
   Hz dips 2.1 dB in 25 ms. In company the mean of a dip's depths within 40 and 60 ms must be more than
   5.4 dB. Dips faster than 12 a second are beats with another sound, not tonguing. While the pitch swings
   regularly, one of several dips must be 9 dB deep, or 1.8 times as deep as the note's dips mostly are:
   a room, whose echoes are a moment late, turns a swing of pitch into one of level.
4. Edges to a few milliseconds, with errors (:mod:`vibstudy.notes.edges`).

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
from scipy.ndimage import maximum_filter1d, minimum_filter1d, uniform_filter1d
from scipy.signal import find_peaks

from vibstudy.notes.alternation import LEAST_CENTS, Alternation, FinePitch, find_alternations, fine_pitch
from vibstudy.notes.edges import (
    Edge,
    Levels,
    attack,
    ending,
    harmonic_levels,
    pitch_change,
    step_under_vibrato,
)
from vibstudy.notes.line import HOP_S, HeldLine, hold_line, to_cents, to_hz
from vibstudy.pitch.contour import Contour

COLUMNS = ("onset_s", "offset_s", "onset_se_s", "offset_se_s", "pitch_hz", "note_kind", "quality")

ORNAMENT_S = 0.12
_TOUCHING_S = 0.1
_SMALL_STEP_CENTS = 260.0
_LOW_CENTS = -1365.0  # 200 Hz
_HALF_CYCLE_S = 0.16
_SWING_CENTS = 15.0
_DIP_DB, _DIP_S = 2.65, 0.025
_WIDE_S, _SHARP = 0.06, 0.4
_COMPANY_DIP_DB, _COMPANY_DIP_S = 5.4, 0.04
_RISE_DB, _RISE_S = 4.2, 0.015
_NO_SPLIT_S = 0.06
_OVER_VIBRATO, _DEEP_DB, _REGULAR_CENTS = 1.8, 9.0, 20.0
_TONGUE_S, _LEAST_BEATS = 0.085, 3
_BEATS_S, _SLOW_S, _SLOW_DIP_DB = 0.08, 0.4, 4.0
_SOLOIST = -0.5
_SHORT_S = 0.22
_LEANING_S, _LEAST_ORNAMENT_S = 0.03, 0.045
_JUMP_CENTS = 120.0
_UNSURE_S = 0.015
_AGITATED_CENTS = 30.0
_ALTERNATION_CENTS, _BREAK_S, _STUMBLE_S = 330.0, 0.1, 0.45
_MARGIN_S = 0.02
_MULTIPLES = np.arange(1, 7)
_LEAST_FOLLOWED = 4
_ONE_STEP_CENTS = 34.0  # of the grid of the line
_LEAP_S = 0.3
_SAME_CENTS = 60.0


@dataclass(frozen=True)
class _Span:
    """A held pitch between two rough edges, s; `cents` re 440 Hz."""

    begin: float
    end: float
    cents: float
    kind: str = "note"
    swing: Alternation | None = None

    @property
    def length(self) -> float:
        return self.end - self.begin


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


def swing_columns(swing: Alternation) -> dict[str, float]:
    """Columns of a note that alternates: how likely a trill, and a trill's rate and interval."""
    columns = {"trill_p": swing.trill_p}
    if swing.kind != "note":
        columns |= {"trill_rate_hz": swing.rate_hz, "trill_interval_cents": swing.interval_cents}
    return columns


def segment_notes(
    samples: np.ndarray, rate_hz: float, contour: Contour, *, min_note_s: float = 0.08
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
    return _frame(find_notes(samples, rate_hz, contour, min_note_s=min_note_s).rows)


def find_notes(
    samples: np.ndarray, rate_hz: float, contour: Contour, *, min_note_s: float = 0.08
) -> FoundNotes:
    """Find the notes of a monophonic line and mend its contour; parameters of :func:`segment_notes`."""
    if len(contour.time_s) < 3 or len(samples) < 0.2 * rate_hz:
        return FoundNotes([], contour)
    line = hold_line(samples, rate_hz, contour)
    spans = _without_leaps(contour, _spans(line))
    if not spans:
        return FoundNotes([], contour)
    spans = _resolve_alternations(samples, rate_hz, line, spans)
    spans = _join_half_cycles(line, spans)
    levels = harmonic_levels(samples, rate_hz, line)
    spans = [part for span in spans for part in _split_at_attacks(samples, rate_hz, line, levels, span)]
    notes = _soloist_only(line, levels, _place_edges(samples, rate_hz, line, levels, spans))
    notes = _name_kinds(notes, min_note_s)
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


def _name_kinds(notes: list[dict], min_note_s: float) -> list[dict]:
    """Mark ornaments; drop what is too short and leans on nothing."""
    named = []
    for i, note in enumerate(notes):
        length = note["offset_s"] - note["onset_s"]
        leans = any(
            abs(gap) < _LEANING_S and other["offset_s"] - other["onset_s"] > 1.5 * length
            for gap, other in (
                (notes[i + 1]["onset_s"] - note["offset_s"], notes[i + 1])
                if i + 1 < len(notes)
                else (9, note),
                (note["onset_s"] - notes[i - 1]["offset_s"], notes[i - 1]) if i else (9, note),
            )
        )
        if note["note_kind"] == "note" and _LEAST_ORNAMENT_S <= length < ORNAMENT_S and leans:
            named.append({**note, "note_kind": "ornament"})
        elif length >= min_note_s:
            named.append(note)
    return named


def _quality(line: HeldLine, note: dict) -> str:
    """Reasons not to trust a note, joined by ";"; "ok" when there are none."""
    inside = (line.time_s > note["onset_s"] + 0.03) & (line.time_s < note["offset_s"] - 0.03)
    cents = line.cents[inside]
    reasons = []
    if note["note_kind"] == "note" and np.count_nonzero(np.abs(np.diff(cents)) > _JUMP_CENTS) > 1:
        reasons.append("unsteady")
    if len(cents) and np.mean(~np.isfinite(cents)) > 0.15:
        reasons.append("gap")
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


def _spans(line: HeldLine) -> list[_Span]:
    """Every held pitch with its rough edges."""
    label = np.nan_to_num(line.held_cents, nan=1e9)
    starts = np.flatnonzero(np.abs(np.diff(label, prepend=-1e9)) > _ONE_STEP_CENTS)  # drift is no new note
    ends = np.append(starts[1:], len(label))
    half = (line.time_s[1] - line.time_s[0]) / 2
    return [
        _Span(float(line.time_s[a] - half), float(line.time_s[b - 1] + half), float(np.median(label[a:b])))
        for a, b in zip(starts, ends, strict=True)
        if label[a] < 1e9
    ]


def _without_leaps(contour: Contour, spans: list[_Span]) -> list[_Span]:
    """Give a note the short spans in which the line leapt to one of its harmonics, the tracker did not."""
    joined = list(spans)
    i = 0
    while i < len(joined):
        span = joined[i]
        for j in (i - 1, i + 1):
            if span.length > _LEAP_S or not 0 <= j < len(joined):
                continue
            other = joined[j]
            near = _touches(other, span) if j < i else _touches(span, other)
            away = np.abs(span.cents - other.cents - 1200.0 * np.log2(_MULTIPLES[1:]))
            if not near or other.length < span.length or away.min() > _SAME_CENTS:
                continue
            inside = (contour.time_s >= span.begin) & (contour.time_s <= span.end)
            with np.errstate(invalid="ignore"):
                said = np.abs(to_cents(contour.f0_hz[inside]) - other.cents) < 2 * _SAME_CENTS
            if len(said) and said.mean() > 0.5:
                joined[j] = replace(other, begin=min(other.begin, span.begin), end=max(other.end, span.end))
                del joined[i]
                i = max(i - 2, -1)
                break
        i += 1
    out: list[_Span] = []
    for span in joined:  # what lay on both sides of the leap is one note
        if out and _touches(out[-1], span) and abs(out[-1].cents - span.cents) < _ONE_STEP_CENTS:
            out[-1] = replace(out[-1], end=span.end)
        else:
            out.append(span)
    return out


def _heard(line: HeldLine, begin: float, end: float) -> np.ndarray:
    """Pitch heard between two times, cents, without gaps."""
    cents = line.cents[(line.time_s >= begin) & (line.time_s <= end)]
    return cents[np.isfinite(cents)]


def _swing(line: HeldLine, span: _Span) -> float:
    """How far the pitch swings about the one held (90th percentile), cents."""
    own = _heard(line, span.begin, span.end)
    return float(np.percentile(np.abs(own - span.cents), 90)) if len(own) else 0.0


def _touches(left: _Span, right: _Span) -> bool:
    return right.begin - left.end < 1e-6


def _resolve_alternations(
    samples: np.ndarray, rate_hz: float, line: HeldLine, spans: list[_Span]
) -> list[_Span]:
    """Make each trill, and each wide vibrato that was followed instead of held, one span."""
    agitated = [s.length < _SHORT_S or _agitated(samples, rate_hz, line, s) for s in spans]
    resolved: list[_Span] = []
    i = 0
    while i < len(spans):
        j = i + 1
        if agitated[i]:
            lowest = highest = spans[i].cents
            while j < len(spans) and agitated[j] and spans[j].begin - spans[j - 1].end < _BREAK_S:
                if min(spans[j - 1].length, spans[j].length) >= _SHORT_S:  # longer than any note of a trill
                    break
                cents = _in_register(spans[j], lowest)
                lowest, highest = min(lowest, cents), max(highest, cents)
                if highest - lowest > _ALTERNATION_CENTS:
                    break
                j += 1
        resolved += _resolve(samples, rate_hz, line, spans[i:j]) if agitated[i] else [spans[i]]
        i = j
    return _with_slow_ends(samples, rate_hz, line, resolved)


def _with_slow_ends(samples: np.ndarray, rate_hz: float, line: HeldLine, spans: list[_Span]) -> list[_Span]:
    """Give a trill what touches it and swings as widely between its pitches, but too few times to tell.

    Two that touch on the same pitches are one: the line was held longer on one note.
    """
    out: list[_Span] = []
    for span in spans:
        last = out[-1] if out else None
        if last and _touches(last, span) and last.swing and span.swing and last.kind == span.kind != "note":
            away = (
                span.swing.low_cents - last.swing.low_cents,
                span.swing.high_cents - last.swing.high_cents,
            )
            if max(np.abs(away)) < _SAME_CENTS:
                out[-1] = replace(max(last, span, key=lambda one: one.length), begin=last.begin, end=span.end)
                continue
        if last and _touches(last, span) and (last.kind == "note") != (span.kind == "note"):
            trill, other = (span, last) if last.kind == "note" else (last, span)
            assert trill.swing is not None
            fine = _fine(samples, rate_hz, line, other)[0].cents
            low, high = trill.swing.low_cents - _SAME_CENTS, trill.swing.high_cents + _SAME_CENTS
            wide = len(fine) and np.ptp(np.percentile(fine, [10, 90])) > 0.7 * trill.swing.interval_cents
            if wide and low < other.cents < high:
                out[-1] = replace(trill, begin=last.begin, end=span.end)
                continue
        out.append(span)
    return out


def _in_register(span: _Span, near_cents: float) -> float:
    """Pitch of a span; of a short one that lies near a multiple of another's pitch, an alternative near it.

    The line easily goes over to a harmonic for one note of a trill.
    """
    if span.length >= _SHORT_S:
        return span.cents
    lower = span.cents - 1200.0 * np.log2(_MULTIPLES)
    return float(lower[np.argmin(np.abs(lower - near_cents))])


def _agitated(samples: np.ndarray, rate_hz: float, line: HeldLine, span: _Span) -> bool:
    """Whether the pitch swings, by the line or (where a reverberant trill hides it) by the sound."""
    if _swing(line, span) >= _AGITATED_CENTS:
        return True
    cents = _fine(samples, rate_hz, line, span)[0].cents
    return len(cents) > 0 and float(np.ptp(np.percentile(cents, [10, 90]))) >= _AGITATED_CENTS


def _resolve(samples: np.ndarray, rate_hz: float, line: HeldLine, chain: list[_Span]) -> list[_Span]:
    """Make what alternates in a chain of touching spans one span each; the others stay as they are."""
    whole = _Span(chain[0].begin, chain[-1].end, float(np.mean([s.cents for s in chain])))
    parts = list(chain)
    for swing in _joined(_alternations(samples, rate_hz, line, whole)):
        if swing.kind == "note":
            parts = _held_through(line, parts, swing)
        else:
            cents = swing.low_cents if swing.kind == "trill" else (swing.low_cents + swing.high_cents) / 2
            one = _Span(swing.begin_s, swing.end_s, cents, swing.kind, swing)
            parts = [*_between(parts, -np.inf, one.begin), one, *_between(parts, one.end, np.inf)]
    return _ends_given_back(parts)


def _held_through(line: HeldLine, parts: list[_Span], swing: Alternation) -> list[_Span]:
    """Make one span of those in which a wide vibrato was followed instead of held."""
    middle = [(part.begin + part.end) / 2 for part in parts]
    inside = [i for i, at in enumerate(middle) if swing.begin_s < at < swing.end_s]
    if not inside:
        return parts
    first, last = inside[0], inside[-1]
    if any(parts[i].length >= _SHORT_S for i in inside[1:-1]) or any(parts[i].swing for i in inside):
        return parts
    if len(inside) == 1:
        return [*parts[:first], replace(parts[first], swing=swing), *parts[last + 1 :]]
    if len(inside) < _LEAST_FOLLOWED:
        longest = max(inside, key=lambda i: parts[i].length)
        return [replace(part, swing=swing) if i == longest else part for i, part in enumerate(parts)]
    begin, end = parts[first].begin, parts[last].end
    one = _Span(begin, end, float(np.median(_heard(line, begin, end))), swing=swing)
    return [*parts[:first], one, *parts[last + 1 :]]


def _alternations(
    samples: np.ndarray, rate_hz: float, line: HeldLine, span: _Span, least_cents: float = LEAST_CENTS
) -> list[Alternation]:
    """Alternations in a span; times from the first sample, cents re 440 Hz."""
    pitch, middle = _fine(samples, rate_hz, line, span)
    begin = span.begin + _MARGIN_S
    return [
        replace(
            swing,
            begin_s=begin + swing.begin_s,
            end_s=begin + swing.end_s,
            low_cents=middle + swing.low_cents,
            high_cents=middle + swing.high_cents,
        )
        for swing in find_alternations(pitch, least_cents=least_cents)
    ]


def _joined(swings: list[Alternation]) -> list[Alternation]:
    """Join alternations on the same two pitches that a stumble parted; the longer tells the kind."""
    out: list[Alternation] = []
    for swing in swings:
        last = out[-1] if out else None
        if (
            last
            and swing.begin_s - last.end_s < _STUMBLE_S
            and abs(swing.low_cents - last.low_cents) < _SAME_CENTS
            and abs(swing.high_cents - last.high_cents) < _SAME_CENTS
        ):
            longer = max(last, swing, key=lambda one: one.half_cycles)
            out[-1] = replace(longer, begin_s=last.begin_s, end_s=swing.end_s)
        else:
            out.append(swing)
    return out


def _between(chain: list[_Span], begin: float, end: float) -> list[_Span]:
    """The parts of spans that lie between two times."""
    parts = [replace(s, begin=max(s.begin, begin), end=min(s.end, end)) for s in chain]
    return [part for part in parts if part.length > 1e-6]


def _ends_given_back(spans: list[_Span]) -> list[_Span]:
    """Give a trill the note it begins from and the one it ends on, when they are short."""
    out: list[_Span] = []
    for span in spans:
        last = out[-1] if out else None
        if last and last.kind != "note" and _belongs(last, span):
            out[-1] = replace(last, end=span.end)
        elif span.kind != "note":
            begin = span.begin
            while (
                out
                and not out[-1].swing
                and _belongs(span, out[-1])
                and span.begin - out[-1].begin < _SHORT_S
            ):
                begin = out.pop().begin
            out.append(replace(span, begin=begin))
        else:
            out.append(span)
    return out


def _belongs(alternating: _Span, span: _Span) -> bool:
    assert alternating.swing is not None
    low, high = alternating.swing.low_cents, alternating.swing.high_cents
    return (
        span.kind == "note" and span.length < _SHORT_S and low - _SAME_CENTS < span.cents < high + _SAME_CENTS
    )


def _fine(samples: np.ndarray, rate_hz: float, line: HeldLine, span: _Span) -> tuple[FinePitch, float]:
    """Fine pitch over the span, less its first and last 20 ms, and its reference in cents."""
    heard = _heard(line, span.begin, span.end)
    if len(heard) < 4:
        return FinePitch(np.empty(0), np.empty(0), float(to_hz(span.cents))), span.cents
    low = float(np.percentile(heard, 10))
    near = [_in_register(_Span(0.0, 0.0, cents), low) for cents in heard] if np.ptp(heard) > 900.0 else heard
    heard = np.asarray(near)
    middle = float(np.mean(np.percentile(heard, [10, 90])))
    begin, end = span.begin + _MARGIN_S, span.end - _MARGIN_S
    return fine_pitch(samples, rate_hz, begin, end, float(to_hz(middle))), middle


def _join_half_cycles(line: HeldLine, spans: list[_Span]) -> list[_Span]:
    """Give the first or last half cycle of a wide vibrato back to its note.

    A short span beside a longer one is part of it when its pitch stays within the swing of the
    longer one's vibrato. Beside a straight note the swing is small, and a step is kept.
    """
    joined = list(spans)
    i = 0
    while i < len(joined):
        span = joined[i]
        for j in (i - 1, i + 1):
            if span.length > _HALF_CYCLE_S or not 0 <= j < len(joined):
                continue
            other = joined[j]
            touching = _touches(other, span) if j < i else _touches(span, other)
            if touching and other.length > 1.5 * span.length and _within_swing(line, other, span):
                joined[j] = replace(other, begin=min(other.begin, span.begin), end=max(other.end, span.end))
                del joined[i]
                i = max(i - 2, -1)  # the one before may now belong too
                break
        i += 1
    return joined


def _within_swing(line: HeldLine, note: _Span, part: _Span) -> bool:
    heard = _heard(line, part.begin, part.end)
    return len(heard) > 0 and bool(np.median(np.abs(heard - note.cents)) <= _swing(line, note) + _SWING_CENTS)


def _split_at_attacks(
    samples: np.ndarray, rate_hz: float, line: HeldLine, levels: Levels, span: _Span
) -> list[_Span]:
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
        attacks = lowest & (0.5 * (_depth(db, here, middle) + wide_dip) > _COMPANY_DIP_DB)
    else:
        attacks = lowest & (dip > _DIP_DB) & (dip > _SHARP * wide_dip)
        attacks |= (risen > _RISE_DB) & (maximum_filter1d(risen, 2 * near + 1) == risen)
    if _beats(attacks, levels.hop_s):
        attacks = np.isin(here, _slow_dips(db, levels.hop_s))
    if attacks.sum() > 1:
        usual = _usual_depth(wide_dip[lowest], _cycles(samples, rate_hz, line, span))
        attacks &= wide_dip > min(_OVER_VIBRATO * usual, _DEEP_DB)
    cuts: list[int] = []
    for i in here[attacks]:
        if not cuts or i - cuts[-1] >= edge:
            cuts.append(int(i))
    bounds = [span.begin, *((a + i) * levels.hop_s for i in cuts), span.end]
    return [replace(span, begin=x, end=y) for x, y in itertools.pairwise(bounds)]


def _cycles(samples: np.ndarray, rate_hz: float, line: HeldLine, span: _Span) -> int:
    """How often the pitch swings, regularly; 0 when it does not."""
    swings = _alternations(samples, rate_hz, line, span, least_cents=_REGULAR_CENTS)
    if not swings:
        return 0
    return round(max(swings, key=lambda swing: swing.half_cycles).rate_hz * span.length)


def _usual_depth(depths: np.ndarray, cycles: int) -> float:
    """Median of the deepest dips, one a cycle: those that a room or an instrument makes of the vibrato."""
    return float(np.median(np.sort(depths)[-cycles:])) if cycles and len(depths) else 0.0


def _beats(attacks: np.ndarray, hop_s: float) -> bool:
    """Whether dips follow each other faster than any tongue: beats with another sound."""
    return int(np.sum(np.diff(np.flatnonzero(attacks)) * hop_s < _TONGUE_S)) >= _LEAST_BEATS


def _slow_dips(db: np.ndarray, hop_s: float) -> np.ndarray:
    """Dips that remain when beats are averaged out."""
    power = uniform_filter1d(10 ** (db / 10), round(_BEATS_S / hop_s))
    smooth = 10 * np.log10(power + 1e-12)
    return find_peaks(-smooth, prominence=_SLOW_DIP_DB, wlen=round(_SLOW_S / hop_s))[0]


def _depth(db: np.ndarray, here: np.ndarray, reach: int) -> np.ndarray:
    """How far `db[here]` lies below the lower of the maxima within `reach` frames on each side."""
    around = np.lib.stride_tricks.sliding_window_view(db, reach + 1).max(axis=1)
    return np.minimum(around[here - reach], around[here]) - db[here]


def _soloist_only(line: HeldLine, levels: Levels, notes: list[dict]) -> list[dict]:
    """Drop what is likely a note of the accompaniment, or an echo, heard in a rest of the soloist.

    Such notes are short, weak and low. The log odds of a note in company (level between 0.7 and
    4 kHz, length, octaves below the middle of the line) come from a logistic regression on renderings
    with piano. Where the soloist is alone or much the louder, only weak notes are in doubt.
    """
    lengths = np.array([max(note["offset_s"] - note["onset_s"], 0.01) for note in notes])
    level = np.array(
        [
            np.median(levels.after_db[levels.index(note["onset_s"]) : levels.index(note["offset_s"]) + 1])
            for note in notes
        ]
    )
    octave = np.log2([note["pitch_hz"] for note in notes])
    weight = np.maximum(np.rint(lengths / 0.02), 1).astype(int)
    softer = level - np.median(np.repeat(level, weight))
    below = np.minimum(octave - np.median(np.repeat(octave, weight)), 0.0)
    alone, carried = np.ones(len(notes)), np.zeros(len(notes))
    for i, note in enumerate(notes):
        inside = (line.time_s >= note["onset_s"] - HOP_S) & (line.time_s <= note["offset_s"] + HOP_S)
        if inside.any():
            alone[i], carried[i] = line.alone[inside].mean(), line.carried_db[inside].mean()
    long = 1.4 * np.log(lengths / 0.1)
    in_company = long + 1.5 * (carried + 5.9) + 1.2 * below + 4.5 * np.minimum(below + 1.0, 0.0)
    by_itself = long + 0.4 * (softer + 16.0) + 2.0 * np.clip(below + 0.8, -1.5, 0.0)
    odds = np.where(alone < 0.5, in_company, by_itself)
    return [note for note, odd in zip(notes, odds, strict=True) if odd > _SOLOIST]


def _joint(samples: np.ndarray, rate_hz: float, line: HeldLine, left: _Span, right: _Span) -> Edge | None:
    """Edge between two spans that touch or nearly so; None when a rest lies between."""
    if right.begin - left.end > _TOUCHING_S:
        return None
    near = (left.end + right.begin) / 2
    if abs(right.cents - left.cents) < _SAME_CENTS:  # the same note again: level tells where
        return Edge(near, 0.004)
    joint = None
    if abs(right.cents - left.cents) <= _SMALL_STEP_CENTS and left.kind == right.kind == "note":
        joint = step_under_vibrato(line, near, left.begin, right.end)
    low = min(left.cents, right.cents) < _LOW_CENTS
    return joint or pitch_change(samples, rate_hz, near, left.begin, right.end, low)


def _place_edges(
    samples: np.ndarray, rate_hz: float, line: HeldLine, levels: Levels, spans: list[_Span]
) -> list[dict]:
    """Give every rough span its edges."""
    joints = [
        None,
        *(_joint(samples, rate_hz, line, left, right) for left, right in itertools.pairwise(spans)),
        None,
    ]
    notes = []
    for i, span in enumerate(spans):
        before, after = joints[i], joints[i + 1]
        start = before.time_s if before else span.begin
        earliest = before.time_s - 0.02 if before else max(start - 0.08, spans[i - 1].end if i else 0.0)
        onset = attack(levels, earliest, start, min(start + 0.2, span.end)) or before or Edge(start, 0.008)
        following = spans[i + 1].begin if i + 1 < len(spans) else np.inf
        stop = after.time_s if after else min(span.end + 0.05, following)
        offset = ending(levels, onset.time_s, stop) or after or Edge(span.end, 0.016)
        heard = _heard(line, onset.time_s, offset.time_s)
        pitch = span.cents if span.kind == "trill" or not len(heard) else np.median(heard)
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
