"""Held pitches as spans of time, and which of them belong together whatever alternates in them.

Definition
----------
A span is a stretch in which the line holds one pitch (a slow drift parts nothing). A short one that lies on a
harmonic of its longer neighbour, where the tracker stayed on the neighbour's pitch, is the neighbour's; so is
one no longer than half a cycle of a slow vibrato whose pitch stays within the neighbour's swing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vibstudy.notes.alternation import Alternation
from vibstudy.notes.line import HeldLine, to_cents
from vibstudy.notes.trill import Habit
from vibstudy.pitch.contour import Contour

MULTIPLES = np.arange(1, 7)
"""Harmonics that the line was seen to leap to."""
SAME_CENTS = 60.0
"""Two pitches nearer than this are one: a little more than half a semitone."""
_ONE_STEP_CENTS = 34.0  # of the grid of the line
_LEAP_S = 0.3  # a longer one is a note of its own
_HALF_CYCLE_S = 0.16  # of a vibrato of 3 Hz
_SWING_CENTS = 15.0  # beyond the 90th percentile of the swing: its extremes


@dataclass(frozen=True)
class Span:
    """A held pitch between two rough edges, s; `cents` re 440 Hz; what was told of it by its swing."""

    begin: float
    end: float
    cents: float
    kind: str = "note"
    swing: Alternation | None = None
    after_rest: bool = False

    @property
    def length(self) -> float:
        """Seconds between the edges."""
        return self.end - self.begin


@dataclass(frozen=True, eq=False)
class Solo:
    """What all steps look at: the sound, the line held in it, and what is known of the player."""

    samples: np.ndarray
    rate_hz: float
    line: HeldLine
    habit: Habit


def held_spans(line: HeldLine, contour: Contour) -> list[Span]:
    """Every held pitch with its rough edges, leaps to harmonics given back; `contour` as it was tracked."""
    return _without_leaps(contour, _held(line))


def _held(line: HeldLine) -> list[Span]:
    """Every held pitch with its rough edges."""
    label = np.nan_to_num(line.held_cents, nan=1e9)
    starts = np.flatnonzero(np.abs(np.diff(label, prepend=-1e9)) > _ONE_STEP_CENTS)  # drift is no new note
    ends = np.append(starts[1:], len(label))
    half = (line.time_s[1] - line.time_s[0]) / 2
    return [
        Span(float(line.time_s[a] - half), float(line.time_s[b - 1] + half), float(np.median(label[a:b])))
        for a, b in zip(starts, ends, strict=True)
        if label[a] < 1e9
    ]


def _without_leaps(contour: Contour, spans: list[Span]) -> list[Span]:
    """Give a note the short spans in which the line leapt to one of its harmonics, the tracker did not."""
    joined = list(spans)
    i = 0
    while i < len(joined):
        span = joined[i]
        for j in (i - 1, i + 1):
            if span.length > _LEAP_S or not 0 <= j < len(joined):
                continue
            other = joined[j]
            near = touches(other, span) if j < i else touches(span, other)
            away = np.abs(span.cents - other.cents - 1200.0 * np.log2(MULTIPLES[1:]))
            if not near or other.length < span.length or away.min() > SAME_CENTS:
                continue
            inside = (contour.time_s >= span.begin) & (contour.time_s <= span.end)
            with np.errstate(invalid="ignore"):
                said = np.abs(to_cents(contour.f0_hz[inside]) - other.cents) < 2 * SAME_CENTS
            if len(said) and said.mean() > 0.5:  # most of its frames
                joined[j] = replace(other, begin=min(other.begin, span.begin), end=max(other.end, span.end))
                del joined[i]
                i = max(i - 2, -1)
                break
        i += 1
    out: list[Span] = []
    for span in joined:  # what lay on both sides of the leap is one note
        if out and touches(out[-1], span) and abs(out[-1].cents - span.cents) < _ONE_STEP_CENTS:
            out[-1] = replace(out[-1], end=span.end)
        else:
            out.append(span)
    return out


def heard(line: HeldLine, begin: float, end: float) -> np.ndarray:
    """Pitch heard between two times, cents, without gaps."""
    cents = line.cents[(line.time_s >= begin) & (line.time_s <= end)]
    return cents[np.isfinite(cents)]


def swing_cents(line: HeldLine, span: Span) -> float:
    """How far the pitch swings about the one held (90th percentile), cents."""
    own = heard(line, span.begin, span.end)
    # one frame in ten may be an error
    return float(np.percentile(np.abs(own - span.cents), 90)) if len(own) else 0.0


def touches(left: Span, right: Span) -> bool:
    """Whether nothing lies between two spans."""
    return right.begin - left.end < 1e-6


def join_half_cycles(line: HeldLine, spans: list[Span]) -> list[Span]:
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
            touching = touches(other, span) if j < i else touches(span, other)
            touching &= abs(other.cents - span.cents) > _ONE_STEP_CENTS  # the same pitch again is a new note
            # a cycle or more beside half a one
            if touching and other.length > 1.5 * span.length and _withinswing_cents(line, other, span):
                joined[j] = replace(other, begin=min(other.begin, span.begin), end=max(other.end, span.end))
                del joined[i]
                i = max(i - 2, -1)  # the one before may now belong too
                break
        i += 1
    return joined


def _withinswing_cents(line: HeldLine, note: Span, part: Span) -> bool:
    own = heard(line, part.begin, part.end)
    return len(own) > 0 and bool(
        np.median(np.abs(own - note.cents)) <= swing_cents(line, note) + _SWING_CENTS
    )
