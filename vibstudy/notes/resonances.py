"""What is no note of its own beside a rest: strings that ring on after a note, and how it begins to speak.

Definition
----------
A note begins where its own harmonics rise, and ends where they fall. After a note is over, open strings and
the instrument ring on at pitches of their own: what follows a note on another pitch, and leads to a rest, is
such a resonance where it is short and softer, and its harmonics had no attack
(:data:`vibstudy.notes.edges.ATTACK_DB`): they sounded before. Asked are those that the note does not hide.
And before a low note speaks, a harmonic of it may sound alone: what comes from a rest and is a harmonic of
the note it leads to is that note's where it is short and softer, and its harmonics do not end
(:data:`vibstudy.notes.edges.END_DB`) when the note comes.

Of 85 last notes of melodies, winds and strings of two SoundFonts, dry and in a reverberator, the harmonics
rose by 21 dB and more; those of seven resonances of a real cello by 7 to 13. Before real cellos spoke, their
harmonics fell by 4 to 9 dB (four).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import scipy.fft

from vibstudy.notes.edges import ATTACK_DB, END_DB, Levels, has_low_note, pitch_change
from vibstudy.notes.line import hann
from vibstudy.notes.spans import MULTIPLES, SAME_CENTS, Solo, Span
from vibstudy.units import to_hz

_REST_S = 0.1  # less is no breath
_RING_S = 0.3  # what sounds longer is held: the line of pitch follows no decay of 60 dB in 1 s for so long
_SPEAKS_S = 0.15  # the slowest attack
_HARMONICS, _TOP_HZ, _BAND_CENTS = 12, 8000.0, 30.0  # bands half as wide as two pitches are one
_WINDOWS_S = 0.0464, 0.0929  # of high and low notes: twice those for changes of pitch, to part harmonics
_HOP_S, _REACH_S = 0.01, 0.25
_LOBE = 2.0  # half of a Hann window's main lobe, times its length
_STRONG_DB = 20.0  # below the strongest harmonic: what counts


def without_resonances(solo: Solo, levels: Levels, spans: list[Span]) -> list[Span]:
    """Drop what only rings on before a rest; give a note what it begins to speak with after one."""
    out = list(spans)
    for i in range(len(out) - 1, 0, -1):
        if _rests(out, i + 1) and _rings_on(solo, levels, out[i - 1], out[i]):
            del out[i]
    for i in range(len(out) - 2, -1, -1):
        if _rests(out, i) and _speaks(solo, levels, out[i], out[i + 1]):
            out[i : i + 2] = [replace(out[i + 1], begin=out[i].begin)]
    return out


def _rests(spans: list[Span], i: int) -> bool:
    """Whether there is a rest before the span of a number."""
    return i in (0, len(spans)) or spans[i].begin - spans[i - 1].end > _REST_S


def _rings_on(solo: Solo, levels: Levels, note: Span, part: Span) -> bool:
    """Whether a span after a note is softer and its harmonics have no attack."""
    if part.length > _RING_S or abs(part.cents - note.cents) < SAME_CENTS:
        return False
    return _touching_and_softer(levels, note, part) and _change_db(solo, note, part, of=part) < ATTACK_DB


def _speaks(solo: Solo, levels: Levels, part: Span, note: Span) -> bool:
    """Whether a span before a note is softer, a harmonic of it, and does not end with it."""
    away = part.cents - note.cents - 1200.0 * np.log2(MULTIPLES[1:])
    if part.length > _SPEAKS_S or np.abs(away).min() > SAME_CENTS:
        return False
    return _touching_and_softer(levels, note, part) and _change_db(solo, part, note, of=part) < END_DB


def _touching_and_softer(levels: Levels, note: Span, part: Span) -> bool:
    if max(part.begin - note.end, note.begin - part.end) > _REST_S or {part.kind, note.kind} != {"note"}:
        return False
    most = [levels.after_db[levels.index(s.begin) : levels.index(s.end) + 1].max() for s in (note, part)]
    return bool(most[1] < most[0])


def _change_db(solo: Solo, left: Span, right: Span, of: Span) -> float:
    """How far the harmonics `of` one of two spans rise or fall where they meet, mean by amplitude, dB."""
    low = has_low_note(left.cents, right.cents)
    near_s = 0.5 * (left.end + right.begin)
    at_s = pitch_change(solo.samples, solo.rate_hz, near_s, left.begin, right.end, low).time_s
    window_s = _WINDOWS_S[int(low)]
    time_s = np.arange(max(left.begin, at_s - _REACH_S), min(right.end, at_s + _REACH_S), _HOP_S)
    f0_hz, other_hz = (float(to_hz(one.cents)) for one in (of, left if of is right else right))
    level_db = _harmonic_db(solo, f0_hz, time_s, window_s)
    if of is right:  # of what rings on only lines that the note's own do not hide
        level_db = level_db[_parted(f0_hz * np.arange(1, len(level_db) + 1), other_hz, window_s)]
    since_s = time_s - at_s
    beside = since_s > window_s / 2 if of is right else since_s < -window_s / 2
    joint = np.abs(since_s) <= window_s
    if not len(level_db) or not beside.any() or not joint.any():
        return np.inf
    own = level_db[:, beside].max(axis=1)
    strong = own > own.max() - _STRONG_DB
    change = own - level_db[:, joint].min(axis=1)
    return float(np.average(change[strong], weights=10 ** (own[strong] / 20)))


def _parted(lines_hz: np.ndarray, other_hz: float, window_s: float) -> np.ndarray:
    """Which lines lie outside of the main lobes of another pitch's."""
    away_hz = np.abs((lines_hz + other_hz / 2) % other_hz - other_hz / 2)
    return away_hz > _LOBE / window_s


def _harmonic_db(solo: Solo, f0_hz: float, time_s: np.ndarray, window_s: float) -> np.ndarray:
    """Level of the harmonics of a pitch [harmonic, time], dB."""
    length = 2 * round(window_s * solo.rate_hz / 2)
    first = np.rint(time_s * solo.rate_hz).astype(int)
    padded = np.pad(np.asarray(solo.samples, dtype=np.float32), length // 2)
    frames = np.lib.stride_tricks.sliding_window_view(padded, length)[np.clip(first, 0, len(padded) - length)]
    spectrum = scipy.fft.rfft(frames * hann(length), 2 * length, axis=1)
    power = spectrum.real**2 + spectrum.imag**2
    centre_hz = f0_hz * np.arange(1, _HARMONICS + 1)
    centre_hz = centre_hz[centre_hz < min(_TOP_HZ, 0.45 * solo.rate_hz)]
    edges = to_hz([-_BAND_CENTS, _BAND_CENTS], centre_hz[:, None])
    begin, end = (edges * (2 * length / solo.rate_hz)).T
    bands = [power[:, int(a) : int(b) + 2].sum(axis=1) for a, b in zip(begin, end, strict=True)]
    return 10 * np.log10(np.array(bands) + 1e-12)  # a scale: only differences of level are used
