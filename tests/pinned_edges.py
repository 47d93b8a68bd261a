"""Edges, names and lists of notes at the numbers they turn on, for :mod:`tests.pinned`."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from tests.pinned_grids import grid, held_line
from tests.pinned_steps import written_notes
from tests.pinned_thresholds import refused
from tests.signals import RATE_HZ


def tones(f0_hz: float, db: Any, each_s: float, rate_hz: float = RATE_HZ, seed: int = 61) -> np.ndarray:
    """A tone of twelve harmonics whose level is drawn through these points, in a little noise."""
    time_s = np.arange(round(each_s * len(db) * rate_hz)) / rate_hz
    level = np.interp(time_s, (np.arange(len(db)) + 0.5) * each_s, db)
    sound = sum(
        np.sin(2 * np.pi * k * f0_hz * time_s + k) / k for k in range(1, 13) if k * f0_hz < rate_hz / 2
    )
    noise = np.random.default_rng(seed).standard_normal(len(time_s))
    return 0.05 * 10 ** (level / 20) * sound + 1e-3 * noise


@grid
def levels_of_harmonics(jitter: float) -> Any:
    """Tones from the contrabass's lowest to the violin's highest, alone and with others."""
    from vibstudy.notes.edges import harmonic_levels
    from vibstudy.notes.line import HOP_S, HeldLine, to_cents

    out: dict[str, Any] = {}
    for rate_hz in (RATE_HZ, 16_000):
        for f0_hz in (48.0, 65.0, 100.0, 130.0, 180.0, 240.0, 400.0, 700.0, 850.0, 1150.0, 1600.0):
            sound = tones(f0_hz, [0.0, 0.0, -20.0, 0.0], 0.05, rate_hz) * (1 + jitter)
            time_s = np.arange(0, 0.2, HOP_S)
            held = np.full(len(time_s), float(to_cents(f0_hz)))
            for alone in (1.0, 0.0):
                line = HeldLine(time_s, held, held, np.full(len(held), alone), np.zeros(len(held)))
                found = harmonic_levels(sound, rate_hz, line)
                out[f"{rate_hz} {f0_hz:g} Hz, {alone:g}"] = [found.after_db.mean(), found.after_db.min()]
    return out


@grid
def changes_near_the_ends(jitter: float) -> Any:
    """Changes of the spectrum a few frames from the first and last, and after a rest of some depth."""
    from vibstudy.notes.edges import _crossing, pitch_change

    out: dict[str, Any] = {}
    for first_s, last_s in ((0.28, 0.5), (0.285, 0.5), (0.29, 0.5), (0.1, 0.315), (0.1, 0.31), (0.1, 0.305)):
        sound = np.concatenate([tones(300.0, [0.0] * 6, 0.05), tones(400.0, [0.0] * 6, 0.05)]) * (1 + jitter)
        for near_s in (first_s + 0.01, 0.3, last_s - 0.01):
            out[f"{first_s:g} to {last_s:g}, {near_s:g}"] = pitch_change(
                sound, RATE_HZ, near_s, first_s, last_s, False
            )
    for depth in (22.0, 24.5, 27.5, 30.0):
        soft = [tones(400.0, [-70.0], 0.06), tones(400.0, [-depth], 0.04), tones(400.0, [0.0] * 4, 0.05)]
        sound = np.concatenate([tones(300.0, [0.0] * 6, 0.05), *soft])
        out[f"rest of {depth:g} dB"] = pitch_change(sound * (1 + jitter), RATE_HZ, 0.3, 0.05, 0.55, False)
    time_s = np.arange(12) * 0.005
    for name, leans in {
        "never": np.full(12, 0.3),
        "falling": np.linspace(0.2, -0.2, 12),
        "slow": np.linspace(-0.75, 0.75, 12),
        "steps": np.repeat([-0.8, -0.6, -0.4, 0.4, 0.6, 0.8], 2),
    }.items():
        out[name] = [_crossing(time_s, leans, change) for change in (3, 6, 9)]
    return out


@grid
def steps_of_a_few_frames(jitter: float) -> Any:
    """Steps under a vibrato between notes of a few frames, at the ends of what is tried, fitted poorly."""
    from vibstudy.notes.edges import step_under_vibrato

    out: dict[str, Any] = {}
    rng = np.random.default_rng(62)
    for frames in (5, 7, 9, 11):
        for begins in (3.5, 4.5, 5.5, 7.5):
            line = held_line(rng, [0.4, 0.4], [0.0, 120.0], 40.0 * (1 + jitter))
            first_s = 0.4 - begins * 0.016
            out[f"{frames} frames, {begins:g} before"] = [
                step_under_vibrato(line, 0.4, first_s, 0.4 + frames * 0.016),
                step_under_vibrato(line, 0.4, 0.4 - frames * 0.016, 0.8 - first_s),
            ]
    for off_s in (-0.09, -0.08, -0.072, 0.072, 0.08, 0.1):
        line = held_line(rng, [0.4, 0.4], [0.0, 120.0], 40.0, 5.0)
        out[f"off by {off_s:g} s"] = step_under_vibrato(line, 0.4 + off_s, 0.0, 0.8)
    for rate_hz in (8.4, 8.9, 9.6):
        line = held_line(rng, [0.4, 0.4], [0.0, 120.0], 40.0, rate_hz)
        out[f"{rate_hz:g} Hz"] = step_under_vibrato(line, 0.4, 0.0, 0.8)
    for step in (25.0, 40.0, 50.0, 60.0, 80.0):
        line = held_line(rng, [0.4, 0.4], [0.0, step], 60.0)
        line.cents[:] += 10 * np.sin(2 * np.pi * 15 * line.time_s)
        out[f"step of {step:g} cents"] = step_under_vibrato(line, 0.4, 0.0, 0.8)
    return {
        key: [vars(x) if x else None for x in (v if isinstance(v, list) else [v])] for key, v in out.items()
    }


@grid
def endings_and_attacks(jitter: float) -> Any:
    """Endings before a crest, into silence soon and late, and such as were never loud."""
    from vibstudy.notes.edges import Levels, attack, ending

    out: dict[str, Any] = {}
    time_s = np.arange(0, 1.2, 0.005)
    for name, db in {
        **{f"crest {c:g} s": np.interp(time_s, [0, 0.5, 0.6, 0.8 - c, 0.8, 1.2], [0, 0, -14, -14, -6, -6])
           for c in (0.015, 0.02, 0.025, 0.035, 0.045)},
        **{f"silent after {s:g} s": np.interp(time_s, [0, 0.7, 0.72, 0.8 + s, 0.81 + s, 1.2],
                                              [0, 0, -12, -12, -40, -40]) for s in (0.08, 0.12, 0.17, 0.2)},
        **{f"swelling {s:g}": np.interp(time_s, [0, 0.72, 0.73, 0.9], [-s, 0, -12, -12]) for s in (6.0, 9.0)},
        "steps": np.where(time_s < 0.7, -5.0, np.where(time_s < 0.705, 0.0, -15.0)),
    }.items():  # fmt: skip
        levels = Levels(db * (1 + jitter), db, np.ones(len(db)), 0.005)
        found = (
            ending(levels, 0.1, 0.8),
            attack(Levels(db[::-1], db[::-1], levels.alone, 0.005), 0.2, 0.4, 0.9),
        )
        out[name] = [vars(edge) if edge else None for edge in found]
    return out


@grid
def notes_of_a_line_in_short(jitter: float) -> Any:
    """Joints of every step and pitch, rests held through, jumps at the edges, and short notes by default."""
    from vibstudy.notes import segment
    from vibstudy.notes.edges import Levels
    from vibstudy.notes.spans import Solo, Span
    from vibstudy.notes.trill import ANYBODY
    from vibstudy.pitch.contour import Contour

    def tracked(length_s: float, rest_s: float) -> tuple[np.ndarray, Contour]:
        rest = np.zeros(round(rest_s * RATE_HZ))
        sound = np.concatenate([rest, tones(440.0, [0.0] * 4, length_s / 4), rest]) * (1 + jitter)
        time_s = np.arange(0, len(sound) / RATE_HZ, 0.01)
        sounds = np.abs(time_s - len(sound) / RATE_HZ / 2) < length_s / 2
        return sound, Contour(time_s, np.where(sounds, 440.0, np.nan), sounds * 1.0, sounds)

    out: dict[str, Any] = {}
    rng = np.random.default_rng(63)
    sound = np.concatenate([tones(440.0, [0.0] * 8, 0.05), tones(520.0, [0.0] * 8, 0.05)]) * (1 + jitter)
    for step in (0.0, 150.0, 200.0, 300.0, 330.0):
        for cents in (-1900.0, -1500.0, -1200.0, -900.0, 0.0):
            line = held_line(rng, [0.4, 0.4], [cents, cents + step], 40.0)
            solo = Solo(sound, RATE_HZ, line, ANYBODY)
            edge = segment._joint(solo, Span(0.0, 0.4, cents), Span(0.4, 0.8, cents + step))
            out[f"{cents:g} by {step:g}"] = vars(edge) if edge else None
    spans = [Span(0.0, 0.5, 0.0), Span(0.52, 1.0, 200.0)]
    for at_s in (0.22, 0.28, 0.34, 0.68, 0.74, 0.8):
        db = np.where(np.abs(np.arange(0, 1.2, 0.005) - at_s) < 0.02, -40.0, 0.0)
        parted = segment._parted_by_silence(Levels(db, db, np.ones(len(db)), 0.005), spans)
        out[f"rest at {at_s:g}"] = [[span.begin, span.end] for span in parted]
    for off_s in np.arange(0.005, 0.06, 0.005):
        line = held_line(rng, [0.6], [0.0], 0.0)
        line.cents[np.abs(line.time_s - off_s) < 0.009] += 200
        note = {"note_kind": "note", "onset_s": 0.0, "offset_s": 0.6, "onset_se_s": 0.0, "offset_se_s": 0.0}
        late = {**note, "offset_s": off_s + 0.05}
        out[f"jump {off_s:.3f} s"] = [segment._quality(line, note), segment._quality(line, late)]
    line = held_line(rng, [0.4, 0.4], [0.0, 400.0], 0.0)
    for before_s in (0.01, 0.017, 0.023, 0.03):
        place = np.arange(0, 1.0, 0.005)
        db = np.where(np.abs(place - 0.4 + before_s) < 0.003, -18.0, 0.0)
        levels = Levels(db, db, np.ones(len(db)), 0.005)
        placed = segment._place_edges(
            Solo(sound, RATE_HZ, line, ANYBODY), levels, [Span(0.0, 0.4, 0.0), Span(0.4, 0.8, 400.0)]
        )
        out[f"dip {before_s:g} s before"] = [[note["onset_s"], note["onset_se_s"]] for note in placed]
    for length_s in (0.06, 0.07, 0.09, 0.1):
        sound, contour = tracked(length_s, 0.2)
        found = segment.segment_notes(sound, RATE_HZ, contour)
        out[f"alone {length_s:g} s"] = [len(found), len(segment.find_notes(sound, RATE_HZ, contour).rows)]
    for length_s in (0.15, 0.19, 0.21, 0.25):
        out[f"all of {length_s:g} s"] = len(
            segment.find_notes(tracked(length_s, 0.0)[0], RATE_HZ, tracked(length_s, 0.0)[1]).rows
        )
    return out


@grid
def soloists_and_others(jitter: float) -> Any:
    """Weak, short and low notes one by one among long ones, with others and alone."""
    from vibstudy.notes import segment
    from vibstudy.notes.edges import Levels

    out: dict[str, Any] = {}
    lengths = np.array(
        [0.4, 0.6, 0.5, 0.4, 0.021, 0.029, 0.031, 0.04, 0.05, 0.06, 0.08, 0.1, 0.13, 0.17, 0.3]
    )
    onset = np.concatenate([[0.0], np.cumsum(lengths)[:-1]])
    for alone in (1.0, 0.7, 0.6, 0.4, 0.3, 0.0):
        for octaves in (0.0, -0.7, -1.2, -2.0):
            for carried in np.arange(-13.0, 0.0, 1.5):
                cents = np.where(lengths < 0.35, 1200.0 * octaves, 0.0)
                line = held_line(np.random.default_rng(64), lengths, cents, 0.0)
                line = replace(
                    line, alone=np.full(len(line.cents), alone), carried_db=np.full(len(line.cents), carried)
                )
                soft = np.where(lengths < 0.35, 2.5 * carried, 0.0)
                at = np.searchsorted(onset, np.arange(0, line.time_s[-1], 0.005), side="right") - 1
                levels = Levels(soft[at], soft[at], np.ones(len(at)), 0.005)
                notes = [
                    {"onset_s": a, "offset_s": a + b, "pitch_hz": 440 * 2 ** (c / 1200) * (1 + jitter)}
                    for a, b, c in zip(onset, lengths, cents, strict=True)
                ]
                kept = segment._soloist_only(line, levels, notes)
                name = f"alone {alone:g}, {octaves:g} octaves, {carried:g} dB"
                out[name] = " ".join(str(int(1000 * (n["offset_s"] - n["onset_s"]) + 0.5)) for n in kept)[
                    -24:
                ]
    lengths = np.array([0.031, 0.031, 0.031, 0.09])
    line = held_line(np.random.default_rng(65), lengths, np.zeros(4), 0.0)
    notes = [
        {"onset_s": a, "offset_s": a + b, "pitch_hz": 440.0} for a, b in zip(onset, lengths, strict=False)
    ]
    for k in range(4):
        notes[k] |= {"onset_s": float(np.sum(lengths[:k])), "offset_s": float(np.sum(lengths[: k + 1]))}
    at = np.arange(0, 0.19, 0.005)
    levels = Levels(np.where(at < 0.095, 0.0, -20.0), np.zeros(len(at)), np.ones(len(at)), 0.005)
    out["by sounding time"] = len(segment._soloist_only(line, levels, notes))
    return out


@grid
def tunings_of_a_take(jitter: float) -> Any:
    """Two to six notes a third of a semitone off, calm or agitated, by which a player is known or not."""
    from vibstudy.notes import kinds
    from vibstudy.notes.spans import Solo, Span
    from vibstudy.notes.trill import ANYBODY

    out: dict[str, Any] = {}
    for count in (2, 3, 4, 5, 6, 7):
        for spread in (0.0, 9.0, 14.0, 18.0, 24.0):
            cents = 30.0 + 200 * np.arange(count) + spread * np.resize([1.0, -1.0, 0.0], count)
            line = held_line(np.random.default_rng(66), [0.4] * count, cents, 0.0)
            spans = [Span(0.4 * k, 0.4 * k + 0.4, float(c)) for k, c in enumerate(cents * (1 + jitter))]
            for agitated in (False, True):
                solo = Solo(np.zeros(1), RATE_HZ, line, ANYBODY)
                habit = kinds._tuned(solo, spans, [agitated] * count).habit
                out[f"{count} by {spread:g}, {agitated}"] = [habit.tuning_cents, habit.tuning_se_cents]
    return out


@grid
def swings_joined_and_held_through(jitter: float) -> Any:
    """Swings on the same pitches after stumbles of all lengths; vibratos followed for some half cycles."""
    from types import SimpleNamespace
    from unittest.mock import patch

    from vibstudy.notes import kinds
    from vibstudy.notes.alternation import Alternation
    from vibstudy.notes.spans import Solo, Span
    from vibstudy.notes.trill import ANYBODY

    swing = Alternation(0.0, 1.0, 6.0, -50.0 * (1 + jitter), 50.0, 12, 0.7, 0.05, np.nan, 0.02)
    out: dict[str, Any] = {}
    for gap_s in (0.25, 0.33, 0.4, 0.5, 0.57, 0.7):
        joined = kinds._joined([swing, replace(swing, begin_s=1.0 + gap_s, end_s=2.0 + gap_s)])
        out[f"after {gap_s:g} s"] = [one.end_s for one in joined]
    line = held_line(np.random.default_rng(68), [1.2], [0.0], 50.0)
    for count in (2, 3, 4, 5, 6):
        parts = [Span(0.15 * k, 0.15 * k + 0.15, 50.0 * (-1) ** k) for k in range(count)]
        held = kinds._held_through(Solo(np.zeros(1), RATE_HZ, line, ANYBODY), parts, swing)
        out[f"{count} half cycles"] = [[span.begin, span.end, span.swing is not None] for span in held]
    trill = Span(0.0, 1.0, -50.0, "trill", replace(swing, trill_p=0.99))
    for width in (24.0, 34.0, 36.0, 44.0, 46.0):
        slow: Any = SimpleNamespace(cents=np.linspace(-width, width, 81) / 0.8)
        with patch.object(kinds, "_fine", lambda solo, span, slow=slow: (slow, 0.0)):
            spans = kinds._with_slow_ends(
                Solo(np.zeros(1), RATE_HZ, line, ANYBODY), [trill, Span(1.0, 1.5, 0.0)]
            )
        out[f"slow end of {width:g}"] = [span.end for span in spans]
    return out


@grid
def soft_after_loud(jitter: float) -> Any:
    """A tone that falls by more than the line's range, and goes on: its line is held again later."""
    from vibstudy.notes.line import hold_line
    from vibstudy.pitch.contour import Contour

    sound = tones(440.0, [0.0], 4.0)
    sound[RATE_HZ // 2 :] *= 0.005
    time_s = np.arange(0, 4.0, 0.01)
    contour = Contour(time_s, np.full(400, 440.0), np.ones(400), np.ones(400, bool))
    line = hold_line((sound * (1 + jitter)).astype(np.float32), RATE_HZ, contour)
    held = np.isfinite(line.held_cents)
    return [int(held.sum()), *np.flatnonzero(np.diff(held)).tolist()]


@grid
def leaps_to_high_harmonics(jitter: float) -> Any:
    """A note whose line leaps to its third, fifth, sixth or seventh harmonic, as the tracker does not."""
    from vibstudy.notes.spans import held_spans
    from vibstudy.pitch.contour import Contour
    from vibstudy.units import to_hz

    out: dict[str, Any] = {}
    for harmonic in (3, 4, 5, 6, 7, 8):
        leap = 1200 * np.log2(harmonic) * (1 + jitter)
        line = held_line(np.random.default_rng(67), [0.4, 0.1, 0.4], [0.0, leap, 0.0], 0.0)
        sounds = np.ones(len(line.time_s), bool)
        contour = Contour(line.time_s, np.full(len(sounds), float(to_hz(0.0))), sounds * 1.0, sounds)
        out[str(harmonic)] = [span.length for span in held_spans(line, contour)]
    return out


def _aligned(count: int) -> Any:
    """A score of ten notes laid on the first few."""
    import tempfile
    from pathlib import Path

    from tests.pinned_takes import score
    from vibstudy.notes.score import align_score

    steps = [(step, 4, 2) for step in "CDEFGABCDE"]
    hertz = 440 * 2 ** ((np.array([60, 62, 64, 65, 67, 69, 71, 60, 62, 64.0]) - 69) / 12)
    played = pd.DataFrame({"onset_s": np.arange(10.0), "offset_s": np.arange(10.0) + 0.9, "pitch_hz": hertz})
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "score.musicxml"
        path.write_text(score(*steps), encoding="utf-8")
        return align_score(played.head(count), path)


@grid
def scores_and_lists_at_their_limits(jitter: float) -> Any:
    """Metres, places of a bar, scores of few or of half the notes, and cells of note lists."""
    import tempfile
    from pathlib import Path
    from types import SimpleNamespace

    from vibstudy.notes import lists, score, written
    from vibstudy.notes.alignment import Alignment, Played
    from vibstudy.notes.written import WrittenPart
    from vibstudy.pitch.contour import Contour

    out: dict[str, Any] = {}
    for beats, unit in (
        (3, 8),
        (4, 8),
        (6, 8),
        (9, 8),
        (12, 8),
        (3, 4),
        (6, 4),
        (9, 16),
        (6, 16),
        (8, 8),
        (4, 4),
    ):
        reader: Any = SimpleNamespace(_signature=lambda time, b=beats, u=unit: (b, u))
        out[f"{beats}/{unit}"] = written._Reader._beat_quarters(reader, 0)
    out["places"] = {f"1/{2**k}": written._strength(1 / 2**k, 4.0) for k in range(1, 9)}
    part = WrittenPart("solo", 0, {})
    pitch = np.array([60, 62, 64, 65, 67, 69, 71, 72, 74, 76.0])
    for right in (3, 4, 5, 6, 7):
        notes = written_notes(np.where(np.arange(10) < right, pitch, pitch + 3), np.arange(10.0), np.ones(10))
        played = Played(np.arange(10.0) * (1 + jitter), np.ones(10), pitch)
        found = Alignment(part, "", notes, 0, np.arange(10), np.arange(10.0), 0.0)
        quality = score._qualities(played, found, np.full(10, 60.0))
        accepted = refused(lambda p=played, f=found: score._refuse_other_music(Path("a"), p, f, np.ones(10)))
        out[f"{right} of 10"] = [accepted is None, quality.mean()]
    unknown = Alignment(part, "", notes, 0, np.arange(10), np.full(10, np.nan), 0.0)
    few = [refused(lambda n=n: len(_aligned(n))) for n in (4, 5, 6, 7)]
    out["of few notes"] = [found if isinstance(found, str) else "laid" for found in few]
    out["no tempo"] = score._qualities(played, unknown, np.full(10, np.nan))
    time_s = np.arange(0, 5.0, 0.01)
    contour = Contour(time_s, 440 * 2 ** (np.array([180, 230, 280, 320, 370])[time_s.astype(int)] / 1200),
                      np.ones(500), np.ones(500, bool))  # fmt: skip
    listed = pd.DataFrame({"onset_s": np.arange(5.0), "offset_s": np.arange(5.0) + 0.9, "pitch_hz": 440.0})
    out["off together"] = lists._off_together_cents(contour, listed)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "list.csv"
        for name, text in {
            **{f"{ms} ms": f"onset_s,offset_s\n1.0,1.{ms:03}\n" for ms in (22, 27, 33, 38)},
            **{f"over by {ms} ms": f"onset_s,offset_s\n1.0,2.{ms:03}\n2.0,3.0\n" for ms in (15, 18, 22, 25)},
            **{
                f"{hz} Hz": f"onset_s,offset_s,pitch\n1.0,2.0,{hz}\n"
                for hz in (15, 19, 22, 25, 3600, 4800, 5200, 6400)
            },
            **{
                word: f"{word},offset_s\n1.0,2.0\n"
                for word in ("onset", "onset_sec", "onsets", "onse_t", "set_s")
            },
        }.items():
            path.write_text(text, encoding="utf-8")
            found = refused(lambda: lists.read_note_list(path))
            out[name] = found if isinstance(found, str) else len(found)
    return out
