"""More steps asked alone, for :mod:`tests.pinned`: small calls that a number of the method shows in."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.pinned_grids import grid, held_line
from tests.pinned_statistics import notes_of
from tests.signals import RATE_HZ


@grid
def edges_of_a_span(jitter: float) -> Any:
    """A note whose sound begins and ends before, at and after its rough edges, alone and before another."""
    from vibstudy.notes.edges import Levels
    from vibstudy.notes.segment import _place_edges
    from vibstudy.notes.spans import Solo, Span
    from vibstudy.notes.trill import ANYBODY

    rng = np.random.default_rng(51)
    line = held_line(rng, [0.3, 0.5, 0.4, 0.4], [np.nan, 0.0, np.nan, 200.0], 0.0)
    solo = Solo(np.zeros(1, np.float32), RATE_HZ, line, ANYBODY)
    out = {}
    for gap_s in (0.13, 0.4):
        rows = []
        for off_s in np.arange(-0.16, 0.09, 0.02):
            time_s = np.arange(0, 1.6, 0.005)
            sounds = np.clip(np.minimum(time_s - 0.3 - off_s, 0.8 + off_s - time_s) / 0.02, 0, 1)
            db = 40 * (sounds - 1) + rng.normal(0, 0.1, len(time_s)) * (1 + jitter)
            levels = Levels(db, db, np.ones(len(db)), 0.005)
            spans = [Span(0.3, 0.8, 0.0), Span(0.8 + gap_s, 1.6, 200.0)]
            rows.append(
                [[note[k] for k in ("onset_s", "offset_s", "onset_se_s", "offset_se_s")]
                 for note in _place_edges(solo, levels, spans)]
            )  # fmt: skip
        out[f"rest of {gap_s:g} s"] = {str(k): row for k, row in enumerate(rows)}
    return out


@grid
def low_for_the_tracker(jitter: float) -> Any:
    """Tones where the range of one tracker's network begins, and a swing that another's frame smooths."""
    from vibstudy.pitch.trackers import track_line

    rng = np.random.default_rng(52)
    time_s = np.arange(round(0.5 * RATE_HZ)) / RATE_HZ
    out = {}
    for f_hz in (46.0, 50.0, 54.0, 58.0, 63.0, 70.0):
        sound = sum(np.sin(2 * np.pi * k * f_hz * time_s) / k for k in range(1, 12)) * 0.1
        sound = sound + 0.03 * rng.standard_normal(len(time_s)) * (1 + jitter)
        found = track_line(sound, RATE_HZ, "swift-f0", fmin_hz=40.0)
        out[f"{f_hz:g} Hz"] = [np.nanmean(found.f0_hz), np.mean(found.voiced), found.confidence.mean()]
    swing = 440 * 2 ** (50 * np.sin(2 * np.pi * 7 * time_s) / 1200)
    sound = 0.1 * np.sin(2 * np.pi * np.cumsum(swing) / RATE_HZ) * (1 + jitter)
    found = track_line(sound, RATE_HZ, "pyin", fmin_hz=200.0, fmax_hz=900.0)
    out["swing"] = [np.nanmax(found.f0_hz), np.nanmin(found.f0_hz), len(found.f0_hz)]
    return out


@grid
def cycles_of_two_crests(jitter: float) -> Any:
    """Vibrato whose second harmonic is as large as its first, nearly."""
    from vibstudy.pitch.calculus import running_integral
    from vibstudy.vibrato.fit import fit_vibrato

    out = {}
    time_s = np.arange(0, 1.4, 0.004)
    psi = 2 * np.pi * 5.0 * time_s
    for second in (0.4, 0.7, 0.9, -0.5, -0.9):
        cents = 30 * (np.cos(psi) + second * np.sin(2 * psi)) + np.random.default_rng(53).normal(
            0, 0.5, len(time_s)
        ) * (1 + jitter)
        fit = fit_vibrato(time_s, running_integral(cents, 0.004), 1.4, 5.0, np.array([1e-4, 1e-8, 1e-10]))
        out[f"{second:g}"] = None if fit is None else {
            k: v for k, v in vars(fit).items() if isinstance(v, float) and np.isfinite(v)
        }  # fmt: skip
    return out


@grid
def answers_at_the_level(jitter: float) -> Any:
    """Intervals nobody asked another level for, and verdicts about the level of 5 %."""
    from vibstudy.stats import check_sensitivity, fit_mixed

    notes = notes_of(jitter)
    result = fit_mixed(notes, "log(extent_cents) ~ C(decade) + region")
    first, second = sorted(notes["region"].unique())[:2]
    out: dict[str, Any] = {"compared": result.compare({"region": first}, {"region": second})}
    for effect in (0.3, 0.35, 0.45, 0.6):
        moved = notes.assign(rate_hz=notes["rate_hz"] + effect * (notes["school"] == "old"))
        found = check_sensitivity(moved, "rate_hz ~ school", "school[T.old]", speed_draws=0)
        out[f"moved by {effect:g}"] = found.table[["p", "same_verdict"]]
    return out


@grid
def swings_that_die_away(jitter: float) -> Any:
    """To and fro between two levels that come together, until noise alone is left, or not quite."""
    from vibstudy.notes.alternation import _described, _half_cycles, find_alternations
    from vibstudy.notes.fine import HOP_S, FinePitch
    from vibstudy.notes.trill import ANYBODY

    out: dict[str, Any] = {}
    for number, fall in enumerate((0.05, 0.15, 0.25, 0.4)):
        time_s = np.arange(0, 1.5, HOP_S)
        swing = 60 * np.exp(-((time_s / 0.75) ** 2) * fall * 8) * np.tanh(4 * np.sin(2 * np.pi * 6 * time_s))
        noise = np.random.default_rng(54 + number).normal(0, 1.0, len(time_s)) * (1 + jitter)
        pitch = FinePitch(swing + noise, 5.0 + time_s, np.full(len(time_s), -20.0), 440.0)
        halves = _half_cycles(pitch.cents)
        level = np.array([np.median(pitch.cents[a:b]) for a, b in halves])
        out[f"falling {fall:g}"] = {
            "half cycles": [b for _, b in halves],
            "found": find_alternations(pitch, least_cents=25.0),
            "whole": _described(pitch.cents, halves, level, pitch, ANYBODY),
        }
    return out


def written_notes(midi: Any, position: Any, beats: Any) -> Any:
    from vibstudy.notes.written import WrittenNote

    return [
        WrittenNote(int(m), float(at), float(b), 1, 1.0 + at, 1.0, "none", "", "", False)
        for m, at, b in zip(midi, position, beats, strict=True)
    ]


@grid
def prices_of_an_alignment(jitter: float) -> Any:
    """What leaving out, lengths and tempo cost; the drafts followed, the right one in every place."""
    from vibstudy.notes import alignment
    from vibstudy.notes.written import WrittenPart

    out: dict[str, Any] = {}
    out["left out"] = [alignment._cheapest(np.eye(n, m, 1) * 0.8)[1] for n in (1, 2) for m in (2, 3, 5)]
    midi = [60, 62, 64, 65, 67, 69]
    lengths = np.array([0.025, 0.035, 0.06, 0.5, 1.2, 9.0]) * (1 + jitter)
    played = alignment.Played(np.arange(6) * 0.5, lengths, np.array(midi, float))
    beats = [0.04, 0.06, 0.2, 1.0, 1.0, 1.0]
    part = WrittenPart("solo", 0, {"once": written_notes(midi, np.arange(6.0), beats)})
    draft = alignment._draft(played, part, "once", part.orders["once"], 0)
    out["lengths"] = {str(k): draft.note_cost[k, k] for k in range(6)}
    out["transpositions"] = alignment._likely_shifts(played, part.orders["once"], 0)
    out["tempo"] = {
        f"{factor:g}": alignment._expected(
            np.array([0, 1, 2, 3, 3 + factor, 3 + 2 * factor]), np.arange(6.0), np.arange(6.0)
        )
        for factor in (0.1, 0.3, 5.0, 20.0)
    }
    onset = np.cumsum([0, 1, 1, 3, 1, 1, 1, 1, 3, 1, 1.0])
    played = alignment.Played(onset, np.full(11, 0.9), 60 + np.array([0, 4, 2, 7, 5, 9, 4, 0, 2, 7, 3.0]))
    gaps = [np.cumsum([0, *(3 if k in where else 1 for k in range(10))]) for where in
            ([0, 1], [1, 2], [3, 4], [4, 5], [0, 9], [2, 7], [6, 7], [5, 8], [0, 5], [3, 9])]  # fmt: skip
    for place in (3, 4, 5, 6, 7):
        order = [*gaps[:5], *gaps[6:]]
        order.insert(place, gaps[5])
        parts = [
            WrittenPart(str(k), 0, {"once": written_notes(played.pitch, at, np.ones(11))})
            for k, at in enumerate(order)
        ]
        found = alignment.best_alignment(played, parts)
        out[f"right at {place}"] = None if found is None else [found.part.name, found.cost]
    return out


@grid
def pieces_beside_a_rest(jitter: float) -> Any:
    """A string that rings on after a note, and an octave before one, of many lengths and levels."""
    from vibstudy.notes import resonances
    from vibstudy.notes.edges import Levels
    from vibstudy.notes.segment import _with_own_ends
    from vibstudy.notes.spans import Solo, Span
    from vibstudy.notes.trill import ANYBODY

    rng = np.random.default_rng(53)
    time_s = np.arange(round(1.6 * RATE_HZ)) / RATE_HZ
    level_s = np.arange(0, 1.6, 0.005)

    def tone(f_hz: float, begin_s: float, end_s: float) -> np.ndarray:
        sounds = np.clip(np.minimum(time_s - begin_s, end_s - time_s) / 0.01, 0, 1)
        return sounds * sum(np.sin(2 * np.pi * k * f_hz * time_s + k * k) / k for k in range(1, 13))

    def count(joint_s: float, spans: list[Span], parts: np.ndarray) -> list[float]:
        sound = parts + 1e-3 * rng.standard_normal(len(time_s)) * (1 + jitter)
        line = held_line(rng, [joint_s, 1.6 - joint_s], [0.0, 0.0], 0.0)
        solo = Solo(sound.astype(np.float32), RATE_HZ, line, ANYBODY)
        softer = spans[1].length < spans[0].length
        db = np.where((level_s < joint_s + (-0.02 if softer else 0.02)) == softer, 0.0, -6.0)
        levels = Levels(db, db, np.ones(len(db)), 0.005)
        change = resonances._change_db(solo, *spans, of=spans[int(softer)])
        return [change, len(resonances.without_resonances(solo, levels, spans))]

    def cents(f_hz: float) -> float:
        return float(1200 * np.log2(f_hz / 440))

    out: dict[str, Any] = {}
    for f_hz in (98.0, 196.0, 262.0):
        below, note = cents(f_hz), cents(f_hz * 1.0595)
        for before_db in (-90, -26, -20, -14, -8, -3):
            ring = tone(f_hz, 0.1, 0.9) * 10 ** (before_db / 20) + tone(f_hz, 0.9, 1.15)
            spans = [Span(0.1, 0.9, note), Span(0.9, 1.15, below)]
            sound = tone(f_hz * 1.0595, 0.1, 0.9) + 0.4 * ring
            out[f"ring {f_hz:g} Hz {before_db} dB"] = count(0.9, spans, sound)
            sounds_on = tone(2 * f_hz, 0.3, 0.42) + 10 ** (before_db / 20) * tone(2 * f_hz, 0.4, 1.2)
            spans = [Span(0.3, 0.42, cents(2 * f_hz)), Span(0.42, 1.2, below)]
            odd = tone(f_hz, 0.4, 1.2) - tone(2 * f_hz, 0.4, 1.2) / 2
            out[f"speaks {f_hz:g} Hz {before_db} dB"] = count(0.42, spans, odd + 0.5 * sounds_on)
    whole = tone(98.0, 0.1, 1.4) * 0.3 + tone(104.0, 0.1, 0.9)
    for length_s in (0.2, 0.27, 0.29, 0.31, 0.33, 0.4):
        for gap_s in (0.0, 0.07, 0.09, 0.11, 0.13):
            spans = [Span(0.1, 0.9 - gap_s, cents(104.0)), Span(0.9, 0.9 + length_s, cents(98.0))]
            out[f"ring of {length_s:g} s after {gap_s:g}"] = count(0.9, spans, whole)
    for length_s in (0.1, 0.13, 0.145, 0.155, 0.17, 0.2):
        both = tone(220.0, 0.3, 1.2) * 0.5 + tone(110.0, 0.3 + length_s, 1.2)
        spans = [Span(0.3, 0.3 + length_s, cents(220.0)), Span(0.3 + length_s, 1.2, cents(110.0))]
        out[f"speaks for {length_s:g} s"] = count(0.3 + length_s, spans, both)
    ends = {}
    for length_s in (0.1, 0.115, 0.125, 0.14):
        for gap_s in (0.0, 0.02, 0.028, 0.032, 0.05):
            for away in (0.0, 55.0, 65.0):
                pair = [
                    {"onset_s": a, "offset_s": b, "onset_se_s": 0.0, "offset_se_s": 0.0, "note_kind": "note",
                     "pitch_hz": 440 * 2 ** (up / 1200)}
                    for a, b, up in ((0.0, 0.5, 0.0), (0.5 + gap_s, 0.5 + gap_s + length_s, away))
                ]  # fmt: skip
                ends[f"{length_s:g} {gap_s:g} {away:g}"] = len(_with_own_ends(pair))
    return out | {"ends": ends}


@grid
def at_the_shortest_and_the_longest(jitter: float) -> Any:
    """From which length on a course is followed, and straightened; where long notes are looked through."""
    from vibstudy.pitch.contour import Contour
    from vibstudy.pitch.course import Bank
    from vibstudy.pitch.demodulate import Demodulator
    from vibstudy.pitch.follow import followed
    from vibstudy.pitch.refine import refine_note
    from vibstudy.pitch.straighten import straighten_note, straightened_sound
    from vibstudy.vibrato.detect import _windows
    from vibstudy.vibrato.span import _end

    time_s, frames_s = np.arange(RATE_HZ) / RATE_HZ, np.arange(0.0, 1.0, 0.01)
    f0_hz = 440 * 2 ** (30 * np.sin(2 * np.pi * 6 * time_s) / 1200)
    sound = sum(np.sin(2 * np.pi * k * np.cumsum(f0_hz) / RATE_HZ) / k for k in range(1, 9)) * 0.1
    sound = sound + 1e-3 * np.random.default_rng(57).standard_normal(len(sound)) * (1 + jitter)
    contour = Contour(frames_s, np.full(100, 440.0), np.ones(100), np.full(100, True))
    out: dict[str, Any] = {}
    for length_s in np.arange(0.03, 0.18, 0.01):
        demodulator = Demodulator.of_note(sound, RATE_HZ, 0.3, 0.3 + length_s, 440.0)
        bank = Bank.along([demodulator], 0.3, np.full(demodulator.frames, 440.0), 8)
        line = refine_note(sound, RATE_HZ, contour, 0.3, 0.3 + length_s)
        straight = line is not None and straighten_note(sound, RATE_HZ, line) is not None
        out[f"{length_s:.2f} s"] = [followed(bank, 440.0) is not None, line is not None, straight]
    for length_s in (0.8, 3.0, 5.0, 8.0, 12.0):
        out[f"windows of {length_s:g} s"] = _windows(length_s, 3.0, True)
    for falls in np.arange(4.0, 13.0):
        end = _end(np.array([1.0, 0.9, 0.8]), np.array([falls, 0.0, 3.0]) * (1 + jitter))
        out[f"falls by {falls:g}"] = [end.time_s, end.se_s]
    straight = straightened_sound(sound, RATE_HZ, frames_s[10:90], 440 + frames_s[10:90])
    return out | {"straightened": [len(straight), np.std(straight), *straight[5000:5004]]}
