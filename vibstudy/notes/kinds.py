"""Kinds of spans: which held pitches are a trill, a wide vibrato or what may be either.

Definition
----------
Spans that touch, are short or swing, and stay within a minor third (or are harmonics of pitches that do) make
a chain, with the held pitch that it begins from or ends on. Where the sound alternates in it
(:mod:`vibstudy.notes.alternation`) for what is told a trill or unclear, the chain becomes one span; the notes
a trill begins from and ends on are given to it when they are short, and what swings between the same two
pitches too few times to tell. A vibrato so wide that the line followed it becomes one span again.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vibstudy.notes.alternation import LEAST_CENTS, SAME_SHARE, Alternation, find_alternations
from vibstudy.notes.fine import FinePitch, fine_pitch, sounding_base_hz
from vibstudy.notes.spans import MULTIPLES, SAME_CENTS, Solo, Span, heard, swing_cents, touches
from vibstudy.notes.trill import TUNING_SE_CENTS, Habit
from vibstudy.sound.tuning import Tuning, estimate_tuning
from vibstudy.units import to_cents, to_hz

_SHORT_S = 0.22  # longer than any note of a trill: half a cycle at 2.3 Hz
_AGITATED_CENTS = 30.0  # spread or swing of the pitch from which on an alternation is looked for
_HELD_THROUGH_CENTS = (
    135.0  # a semitone and the step of the line's grid: some notes of such a trill are held through
)
_ALTERNATION_CENTS = 330.0  # the widest trill, a minor third
_HELD_S = 0.5  # looked into of what is held beside: a running extreme's window
_BREAK_S = 0.1  # a rest within a trill is shorter
_STUMBLE_S = 0.45  # two cycles of a slow trill
_MARGIN_S = 0.02  # beside the rough edges, where the line's windows hold two notes
_LEAST_FOLLOWED = 4  # half cycles of a vibrato that was followed instead of held; fewer may be a melody
_RATIOS = np.array([i / j for i in MULTIPLES for j in MULTIPLES])  # between two harmonics of one pitch
_LEAST_TUNED, _CHANCE_P = 5, 0.01  # as the words on a recording's tuning
_ANY_CENTS = 40.0  # of a tuning not known: any place in the scale is as likely, within a tenth
_OCTAVE_CENTS = 900.0  # swings wider than this are leaps of the line


def swing_columns(swing: Alternation) -> dict[str, float]:
    """Columns of a note that alternates: how likely a trill, and a trill's rate and interval."""
    columns = {"trill_p": swing.trill_p}
    if swing.kind != "note":
        columns |= {"trill_rate_hz": swing.rate_hz, "trill_interval_cents": swing.interval_cents}
    return columns


def longest_swing(
    samples: np.ndarray, rate_hz: float, begin_s: float, end_s: float, pitch_hz: float, habit: Habit
) -> Alternation | None:
    """The longest alternation between two times that are known; None where there is none."""
    found = find_alternations(
        fine_pitch(samples, rate_hz, begin_s + _MARGIN_S, end_s - _MARGIN_S, pitch_hz), habit=habit
    )
    return max(found, key=lambda swing: swing.end_s - swing.begin_s, default=None)


def classify_spans(solo: Solo, spans: list[Span]) -> list[Span]:
    """Make each trill, and each wide vibrato that was followed instead of held, one span."""
    agitated = [s.length < _SHORT_S or _agitated(solo, s) for s in spans]
    solo = _tuned(solo, spans, agitated)
    resolved: list[Span] = []
    i = 0
    while i < len(spans):
        j = i + 1
        if agitated[i]:
            lowest = highest = spans[i].cents
            known = [lowest]
            while j < len(spans) and agitated[j] and spans[j].begin - spans[j - 1].end < _BREAK_S:
                long = min(spans[j - 1].length, spans[j].length) >= _SHORT_S  # than any note of a trill
                if long and abs(spans[j].cents - spans[j - 1].cents) > _HELD_THROUGH_CENTS:
                    break
                cents = _in_register(spans[j], known)
                lowest, highest = min(lowest, cents), max(highest, cents)
                if highest - lowest > _ALTERNATION_CENTS:
                    break
                known.append(cents)
                j += 1
        if agitated[i]:
            chain, begin, end = spans[i:j], spans[i].begin, spans[j - 1].end
            if resolved and _leads_into(resolved[-1], chain[0], lowest, highest):
                chain = [resolved.pop(), *chain]
                begin = max(chain[0].begin, begin - _HELD_S)
            if j < len(spans) and not agitated[j] and _leads_into(chain[-1], spans[j], lowest, highest):
                chain, j = [*chain, spans[j]], j + 1
                end = min(chain[-1].end, end + _HELD_S)
            resolved += _resolve(solo, chain, begin, end)
        else:
            resolved.append(spans[i])
        i = j
    return _with_slow_ends(solo, resolved)


def _leads_into(left: Span, right: Span, lowest: float, highest: float) -> bool:
    """Whether a held note may be what a swing between two pitches begins or ends with."""
    cents = [span.cents for span in (left, right)]
    within = max(*cents, highest) - min(*cents, lowest) <= _ALTERNATION_CENTS
    return touches(left, right) and left.kind == right.kind == "note" and within


def _tuned(solo: Solo, spans: list[Span], agitated: list[bool]) -> Solo:
    """Know the tuning of the take from its notes that do not swing, where it is not given and they agree.

    Where others agree on one that is far from the usual, they may all be trills, or the take runs at a wrong
    speed: then it is not known at all.
    """
    if not solo.habit.tuning_se_cents:
        return solo

    def tuning(own: list[Span]) -> Tuning:
        pitch_hz = [float(to_hz(np.median(heard(solo.line, s.begin, s.end)))) for s in own]
        return estimate_tuning(pitch_hz, [span.length for span in own])

    long = [s for s in spans if s.length >= _SHORT_S and len(heard(solo.line, s.begin, s.end))]
    calm = tuning([s for s, moves in zip(spans, agitated, strict=True) if not moves and s in long])
    every = tuning(long)
    if calm.notes >= _LEAST_TUNED and calm.chance_p < _CHANCE_P:
        cents, error = float(to_cents(calm.tuning_hz)), calm.se_cents
    elif every.notes >= 3 and abs(to_cents(every.tuning_hz)) > 2 * TUNING_SE_CENTS:
        cents, error = 0.0, _ANY_CENTS
    else:
        return solo
    return replace(solo, habit=replace(solo.habit, tuning_cents=cents, tuning_se_cents=error))


def _with_slow_ends(solo: Solo, spans: list[Span]) -> list[Span]:
    """Give a trill what touches it and swings as widely between its pitches, but too few times to tell.

    Two that touch on the same pitches are one: the line was held longer on one note.
    """
    out: list[Span] = []
    for span in spans:
        last = out[-1] if out else None
        if last and touches(last, span) and last.swing and span.swing and last.kind == span.kind != "note":
            away = (
                span.swing.low_cents - last.swing.low_cents,
                span.swing.high_cents - last.swing.high_cents,
            )
            if max(np.abs(away)) < SAME_CENTS:
                out[-1] = replace(max(last, span, key=lambda one: one.length), begin=last.begin, end=span.end)
                continue
        if last and touches(last, span) and (last.kind == "note") != (span.kind == "note"):
            trill, other = (span, last) if last.kind == "note" else (last, span)
            assert trill.swing is not None
            fine, middle = _fine(solo, other)
            if len(fine.cents):
                ends = middle + np.percentile(fine.cents, [10, 90])
                away = np.abs(ends - (trill.swing.low_cents, trill.swing.high_cents))
                interval = trill.swing.interval_cents
                if np.ptp(ends) > 0.7 * interval and away.max() < max(SAME_CENTS / 2, SAME_SHARE * interval):
                    out[-1] = replace(trill, begin=last.begin, end=span.end)
                    continue
        out.append(span)
    return out


def _in_register(span: Span, near_cents: list[float]) -> float:
    """Pitch of a span; of a short one far from others, that near to them of which it is a harmonic.

    The line easily goes over to a harmonic for one note of a trill, or holds different ones for the two.
    """
    if span.length >= _SHORT_S or min(abs(span.cents - cents) for cents in near_cents) < _ALTERNATION_CENTS:
        return span.cents
    lower = span.cents - 1200.0 * np.log2(_RATIOS)
    away = np.abs(lower[:, None] - np.array(near_cents)).min(axis=1)
    return float(lower[np.argmin(away)])


def _agitated(solo: Solo, span: Span) -> bool:
    """Whether the pitch swings, by the line or (where a reverberant trill hides it) by the sound."""
    if swing_cents(solo.line, span) >= _AGITATED_CENTS:
        return True
    cents = _fine(solo, span)[0].cents
    return len(cents) > 0 and float(np.ptp(np.percentile(cents, [10, 90]))) >= _AGITATED_CENTS


def _resolve(solo: Solo, chain: list[Span], begin: float, end: float) -> list[Span]:
    """Make what alternates between two times of touching spans one span each; the others stay as they are."""
    whole = Span(begin, end, float(np.mean([span.cents for span in chain])))
    parts = list(chain)
    for swing in _joined(alternations(solo, whole)):
        if swing.kind == "note":
            parts = _held_through(solo, parts, swing)
        else:
            own = _between(parts, swing.begin_s, swing.end_s)
            middle = own[0].cents if len(own) == 1 else (swing.low_cents + swing.high_cents) / 2
            cents = swing.low_cents if swing.kind == "trill" else middle
            one = Span(swing.begin_s, swing.end_s, cents, swing.kind, swing)
            parts = [*_between(parts, -np.inf, one.begin), one, *_between(parts, one.end, np.inf)]
    return _ends_given_back(parts)


def _held_through(solo: Solo, parts: list[Span], swing: Alternation) -> list[Span]:
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
    one = Span(begin, end, float(np.median(heard(solo.line, begin, end))), swing=swing)
    return [*parts[:first], one, *parts[last + 1 :]]


def alternations(solo: Solo, span: Span, least_cents: float = LEAST_CENTS) -> list[Alternation]:
    """Alternations in a span; times from the first sample, cents re 440 Hz."""
    pitch, middle = _sounding(solo, span)
    begin = span.begin + _MARGIN_S
    return [
        replace(
            swing,
            begin_s=begin + swing.begin_s,
            end_s=begin + swing.end_s,
            low_cents=middle + swing.low_cents,
            high_cents=middle + swing.high_cents,
        )
        for swing in find_alternations(pitch, least_cents=least_cents, habit=solo.habit)
    ]


def _joined(swings: list[Alternation]) -> list[Alternation]:
    """Join alternations on the same two pitches that a stumble parted; the longer tells the kind."""
    out: list[Alternation] = []
    for swing in swings:
        last = out[-1] if out else None
        if (
            last
            and swing.begin_s - last.end_s < _STUMBLE_S
            and abs(swing.low_cents - last.low_cents) < SAME_CENTS
            and abs(swing.high_cents - last.high_cents) < SAME_CENTS
        ):
            longer = max(last, swing, key=lambda one: one.half_cycles)
            out[-1] = replace(longer, begin_s=last.begin_s, end_s=swing.end_s)
        else:
            out.append(swing)
    return out


def _between(chain: list[Span], begin: float, end: float) -> list[Span]:
    """The parts of spans that lie between two times."""
    parts = [replace(s, begin=max(s.begin, begin), end=min(s.end, end)) for s in chain]
    return [part for part in parts if part.length > 1e-6]


def _ends_given_back(spans: list[Span]) -> list[Span]:
    """Give a trill the note it begins from and the one it ends on, when they are short."""
    out: list[Span] = []
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


def _belongs(alternating: Span, span: Span) -> bool:
    assert alternating.swing is not None
    low, high = alternating.swing.low_cents, alternating.swing.high_cents
    return (
        span.kind == "note" and span.length < _SHORT_S and low - SAME_CENTS < span.cents < high + SAME_CENTS
    )


def _fine(solo: Solo, span: Span) -> tuple[FinePitch, float]:
    """Fine pitch over the span, less its first and last 20 ms, and its reference in cents."""
    own = heard(solo.line, span.begin, span.end)
    if len(own) < 4:
        return FinePitch(np.empty(0), np.empty(0), np.empty(0), float(to_hz(span.cents))), span.cents
    low = float(np.percentile(own, 10))
    near = (
        [_in_register(Span(0.0, 0.0, cents), [low]) for cents in own] if np.ptp(own) > _OCTAVE_CENTS else own
    )
    own = np.asarray(near)
    middle = float(np.mean(np.percentile(own, [10, 90])))
    begin, end = span.begin + _MARGIN_S, span.end - _MARGIN_S
    return fine_pitch(solo.samples, solo.rate_hz, begin, end, float(to_hz(middle))), middle


def _sounding(solo: Solo, span: Span) -> tuple[FinePitch, float]:
    """The same, about the pitch that sounds where the line held a harmonic of it.

    Its harmonics agree better: those of an accompaniment do not move together.
    """
    pitch, middle = _fine(solo, span)
    if len(pitch.cents) < 4:
        return pitch, middle
    begin, end = span.begin + _MARGIN_S, span.end - _MARGIN_S
    base_hz = sounding_base_hz(solo.samples, solo.rate_hz, begin, pitch)
    if base_hz < pitch.base_hz:
        lower = fine_pitch(solo.samples, solo.rate_hz, begin, end, base_hz)
        if len(lower.cents) and np.median(lower.apart_cents) < np.median(pitch.apart_cents):
            return lower, float(to_cents(base_hz))
    return pitch, middle
