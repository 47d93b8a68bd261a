"""Notes from sound: where each note of the solo line begins and ends.

Definition
----------
A note lasts from the attack (or the change of pitch) that starts it to the attack, change of pitch
or silence that ends it. Pitch, level and spectrum decide together:

1. The line of held pitches (:mod:`vibstudy.notes.line`). A vibrato of ±100 cents is held through,
   a semitone step is followed.
2. Quick alternations are told apart (:mod:`vibstudy.notes.alternation`): a trill becomes one note
   of kind "trill", a slow wide vibrato one plain note.
3. Repeated notes: inside a held pitch, a dip of level deeper than 2.65 dB within 25 ms on both
   sides, or a rise of more than 4.2 dB in 15 ms, starts a new note. Intensity vibrato of ±3 dB at 8
   Hz dips 2.1 dB in 25 ms.
4. Edges to a few milliseconds, with errors (:mod:`vibstudy.notes.edges`).

Conventions
-----------
Times in s from the first sample given. Pitch is the median over the note in Hz, for a trill that of
its lower note. Kinds: "note"; "trill"; "ornament", a note shorter than 0.12 s that leans on a longer
neighbour (grace note, turn).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from vibstudy.notes.alternation import describe_swing, fine_pitch
from vibstudy.notes.edges import (
    Edge,
    Levels,
    attack,
    ending,
    harmonic_levels,
    pitch_change,
    step_under_vibrato,
)
from vibstudy.notes.line import HOP_S, HeldLine, hold_line, to_hz
from vibstudy.pitch.contour import Contour

COLUMNS = ("onset_s", "offset_s", "onset_se_s", "offset_se_s", "pitch_hz", "note_kind", "quality")

ORNAMENT_S = 0.12
_TOUCHING_S = 0.1
_SMALL_STEP_CENTS = 260.0
_LOW_CENTS = -1365.0  # 200 Hz
_HALF_CYCLE_S = 0.13
_SWING_CENTS = 15.0
_DIP_DB, _DIP_S = 2.65, 0.025
_WIDE_S, _SHARP = 0.06, 0.4
_COMPANY_DIP_DB, _COMPANY_DIP_S = 4.5, 0.04
_RISE_DB, _RISE_S = 4.2, 0.015
_NO_SPLIT_S = 0.06
_SOLOIST = -0.5
_SHORT_S = 0.22
_AGITATED_CENTS = 30.0
_ALTERNATION_CENTS = 300.0
_SAME_CENTS = 60.0


@dataclass(frozen=True)
class _Span:
    """A held pitch between two rough edges, s; `cents` re 440 Hz."""

    begin: float
    end: float
    cents: float
    kind: str = "note"

    @property
    def length(self) -> float:
        return self.end - self.begin


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
        `pitch_hz`, `note_kind` ("note", "trill" or "ornament") and `quality` ("ok" or reasons of
        :data:`vibstudy.schema.QUALITY_REASONS` joined by ";").
    """
    if len(contour.time_s) < 3 or len(samples) < 0.2 * rate_hz:
        return _frame([])
    line = hold_line(samples, rate_hz, contour)
    spans = _spans(line)
    if not spans:
        return _frame([])
    spans = _resolve_alternations(samples, rate_hz, line, spans)
    spans = _join_half_cycles(line, spans)
    levels = harmonic_levels(samples, rate_hz, line)
    spans = [part for span in spans for part in _split_at_attacks(levels, span)]
    notes = _soloist_only(line, _place_edges(samples, rate_hz, line, levels, spans))
    return _frame([note for note in notes if note["offset_s"] - note["onset_s"] >= min_note_s / 2])


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
    starts = np.flatnonzero(np.diff(label, prepend=-1e9))
    ends = np.append(starts[1:], len(label))
    half = (line.time_s[1] - line.time_s[0]) / 2
    return [
        _Span(float(line.time_s[a] - half), float(line.time_s[b - 1] + half), float(label[a]))
        for a, b in zip(starts, ends, strict=True)
        if label[a] < 1e9
    ]


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
    agitated = [s.length < _SHORT_S or _swing(line, s) >= _AGITATED_CENTS for s in spans]
    resolved: list[_Span] = []
    i = 0
    while i < len(spans):
        j = i + 1
        if agitated[i]:
            lowest = highest = spans[i].cents
            while j < len(spans) and agitated[j] and _touches(spans[j - 1], spans[j]):
                lowest, highest = min(lowest, spans[j].cents), max(highest, spans[j].cents)
                if highest - lowest > _ALTERNATION_CENTS:
                    break
                j += 1
            resolved += _resolve(samples, rate_hz, line, spans[i:j])
        else:
            resolved.append(spans[i])
        i = j
    return _absorb(resolved)


def _resolve(samples: np.ndarray, rate_hz: float, line: HeldLine, chain: list[_Span]) -> list[_Span]:
    """One span when the whole chain is a trill or a vibrato; else its parts, each looked at."""
    whole = _Span(chain[0].begin, chain[-1].end, float(np.mean([s.cents for s in chain])))
    if len(chain) == 1:
        return [_as_trill(samples, rate_hz, line, whole) or whole]
    if len(chain) >= 4 and _two_pitches(chain):
        trill = _as_trill(samples, rate_hz, line, whole)
        if trill:
            return [trill]
        if all(s.length < _SHORT_S for s in chain[1:-1]) and _sweeps(samples, rate_hz, line, whole):
            return [replace(whole, cents=float(np.median(_heard(line, whole.begin, whole.end))))]
    return [(s.length >= _SHORT_S and _as_trill(samples, rate_hz, line, s)) or s for s in chain]


def _two_pitches(chain: list[_Span]) -> bool:
    """Whether the held pitches lie in two groups, visited in turn or nearly so."""
    cents = np.array([s.cents for s in chain])
    low, high = cents.min(), cents.max()
    return bool(np.all((cents - low < _SAME_CENTS) | (high - cents < _SAME_CENTS)))


def _fine(samples: np.ndarray, rate_hz: float, line: HeldLine, span: _Span) -> tuple[np.ndarray, float]:
    """Fine pitch over the span, less its first and last 20 ms, and its reference in cents."""
    heard = _heard(line, span.begin, span.end)
    if len(heard) < 4:
        return np.empty(0), span.cents
    middle = float(np.mean(np.percentile(heard, [10, 90])))
    return fine_pitch(samples, rate_hz, span.begin + 0.02, span.end - 0.02, float(to_hz(middle))), middle


def _as_trill(samples: np.ndarray, rate_hz: float, line: HeldLine, span: _Span) -> _Span | None:
    """Return the span as a trill at its lower pitch, or None when it is no trill."""
    if span.length < 0.25:
        return None
    cents, middle = _fine(samples, rate_hz, line, span)
    swing = describe_swing(cents)
    if swing is None or not swing.is_trill:
        return None
    return replace(span, cents=middle - swing.half_cents, kind="trill")


def _sweeps(samples: np.ndarray, rate_hz: float, line: HeldLine, span: _Span) -> bool:
    swing = describe_swing(_fine(samples, rate_hz, line, span)[0])
    return swing is not None and swing.is_vibrato


def _absorb(spans: list[_Span]) -> list[_Span]:
    """Join touching trills on the same pitches, and short touching parts of them."""
    out: list[_Span] = []
    for span in spans:
        last = out[-1] if out else None
        if last and _touches(last, span) and "trill" in (last.kind, span.kind):
            trill, other = (last, span) if last.kind == "trill" else (span, last)
            near = -_SAME_CENTS < other.cents - trill.cents < _ALTERNATION_CENTS
            if near and (other.kind == "trill" or other.length < _SHORT_S):
                out[-1] = replace(trill, begin=last.begin, end=span.end)
                continue
        out.append(span)
    return out


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
                i -= 1
                break
        i += 1
    return joined


def _within_swing(line: HeldLine, note: _Span, part: _Span) -> bool:
    heard = _heard(line, part.begin, part.end)
    return len(heard) > 0 and bool(np.median(np.abs(heard - note.cents)) <= _swing(line, note) + _SWING_CENTS)


def _split_at_attacks(levels: Levels, span: _Span) -> list[_Span]:
    """Split a held pitch where its level dips or rises quicker than any vibrato."""
    a, b = levels.index(span.begin), levels.index(span.end)
    near, middle, wide = (round(t / levels.hop_s) for t in (_DIP_S, _COMPANY_DIP_S, _WIDE_S))
    rise, edge = (round(t / levels.hop_s) for t in (_RISE_S, _NO_SPLIT_S))
    db = levels.after_db[a:b]
    if span.kind == "trill" or len(db) < 2 * edge + 2:
        return [span]
    here = np.arange(edge, len(db) - edge)
    dip, wide_dip = _depth(db, here, near), _depth(db, here, wide)
    lowest = minimum_filter1d(db, 2 * near + 1)[here] == db[here]
    risen = db[here + rise] - db[here]
    if levels.alone[a:b].mean() < 0.5:
        attacks = lowest & (_depth(db, here, middle) > _COMPANY_DIP_DB)
    else:
        attacks = lowest & (dip > _DIP_DB) & (dip > _SHARP * wide_dip)
        attacks |= (risen > _RISE_DB) & (maximum_filter1d(risen, 2 * near + 1) == risen)
    cuts: list[int] = []
    for i in here[attacks]:
        if not cuts or i - cuts[-1] >= edge:
            cuts.append(int(i))
    bounds = [span.begin, *((a + i) * levels.hop_s for i in cuts), span.end]
    return [replace(span, begin=x, end=y) for x, y in itertools.pairwise(bounds)]


def _depth(db: np.ndarray, here: np.ndarray, reach: int) -> np.ndarray:
    """How far `db[here]` lies below the lower of the maxima within `reach` frames on each side."""
    around = np.lib.stride_tricks.sliding_window_view(db, reach + 1).max(axis=1)
    return np.minimum(around[here - reach], around[here]) - db[here]


def _soloist_only(line: HeldLine, notes: list[dict]) -> list[dict]:
    """Drop, in company, what is likely a note of the accompaniment heard in a rest of the soloist.

    Short, weak between 1 and 2 kHz, or far below the rest of the line: a weighted sum fitted
    (logistic regression) to renderings with piano.
    """
    if line.alone.min() >= 0.5:
        return notes
    weights = [max(1, round((note["offset_s"] - note["onset_s"]) / 0.02)) for note in notes]
    middle = float(np.median(np.repeat([note["pitch_hz"] for note in notes], weights)))
    return [note for note in notes if _soloist(line, note, middle) > _SOLOIST]


def _soloist(line: HeldLine, note: dict, middle_hz: float) -> float:
    """Log odds that a note is the soloist's; infinite where the soloist is alone."""
    inside = (line.time_s >= note["onset_s"] - HOP_S) & (line.time_s <= note["offset_s"] + HOP_S)
    if not inside.any() or line.alone[inside].mean() >= 0.5:
        return np.inf
    carried = float(line.carried_db[inside].mean())
    below = min(float(np.log2(note["pitch_hz"] / middle_hz)), 0.0)
    length = max(note["offset_s"] - note["onset_s"], 0.01)
    return 1.4 * float(np.log(length / 0.1)) + 0.47 * (carried + 7.0) + 4.5 * below


def _joint(samples: np.ndarray, rate_hz: float, line: HeldLine, left: _Span, right: _Span) -> Edge | None:
    """Edge between two spans that touch or nearly so; None when a rest lies between."""
    if right.begin - left.end > _TOUCHING_S:
        return None
    near = (left.end + right.begin) / 2
    if left.cents == right.cents:
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
            }
        )
    return notes
