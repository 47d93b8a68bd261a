"""Steps of the method asked alone, over grids that lie close about their thresholds, for :mod:`tests.pinned`.

A take passes a threshold here and there; a grid passes every one a step is made of, at little cost. What a
step is right about is tested elsewhere; this says which numbers it rests on.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

from tests.pinned_statistics import told

CASES: dict[str, Callable[[float], Any]] = {}


def grid(function: Callable[[float], Any]) -> Callable[[float], Any]:
    """Enter a grid under its function's name."""
    CASES[f"grid: {function.__name__.replace('_', ' ')}"] = lambda jitter: told(function(jitter))
    return function


def held_line(
    rng: np.random.Generator, lengths_s: Any, cents: Any, swing: float, rate_hz: float = 6.0
) -> Any:
    """A held line of these pitches (NaN: rest), about which the pitch heard swings."""
    from vibstudy.notes.line import HOP_S, HeldLine

    frames = np.maximum(np.rint(np.asarray(lengths_s) / HOP_S), 1).astype(int)
    held = np.repeat(np.asarray(cents, dtype=float), frames)
    time_s = np.arange(len(held)) * HOP_S
    heard = held + swing * np.sin(2 * np.pi * rate_hz * time_s) + rng.normal(0, 1.0, len(held))
    return HeldLine(time_s, held, heard, np.ones(len(held)), np.zeros(len(held)))


@grid
def spans(jitter: float) -> Any:
    """Leaps to harmonics and half cycles given back, of all lengths and distances."""
    from vibstudy.notes.spans import held_spans, join_half_cycles, swing_cents
    from vibstudy.pitch.contour import Contour
    from vibstudy.units import to_hz

    rng = np.random.default_rng(21)
    out = {}
    for swing in (0.0, 40.0, 90.0):
        found = []
        for away in (*np.arange(20, 130, 10), 1160, 1230, 1290, 1900, 2360):
            for length_s in np.arange(0.05, 0.42, 0.03):
                for neighbour_s in (0.12, 0.2, 0.26, 0.6):
                    lengths, pitch = [0.3, neighbour_s, length_s, neighbour_s], [np.nan, 0, away, 0]
                    line = held_line(rng, lengths, pitch, swing * (1 + jitter))
                    share = rng.uniform(0, 1)
                    own = np.where(rng.random(len(line.cents)) < share, line.held_cents, 0.0)
                    tracked = to_hz(np.where(np.isfinite(line.held_cents), np.minimum(own, 1200), np.nan))
                    voiced = np.isfinite(tracked)
                    contour = Contour(line.time_s, tracked, voiced.astype(float), voiced)
                    kept = held_spans(line, contour)
                    joined = join_half_cycles(line, kept)
                    found.append((len(kept), len(joined), joined[0].length, swing_cents(line, joined[0])))
        out[f"swing {swing:g}"] = pd.DataFrame(found, columns=["kept", "joined", "first_s", "swing_cents"])
    return out


@grid
def names_of_notes(jitter: float) -> Any:
    """Short notes that lean on longer ones; notes whose line jumps, or whose edges are unsure."""
    from vibstudy.notes import segment

    kept: list[str] = []
    for length_s in np.arange(0.02, 0.18, 0.005):
        for gap_s in (0.0, 0.015, 0.026, 0.034, 0.05):
            for ratio in (1.0, 1.3, 1.7, 2.2):
                ends = 0.5 + length_s
                notes = [
                    {"onset_s": 0.5, "offset_s": ends, "note_kind": "note"},
                    {
                        "onset_s": ends + gap_s,
                        "offset_s": ends + gap_s + ratio * length_s,
                        "note_kind": "note",
                    },
                ]
                named = segment._name_kinds(notes, 0.08 * (1 + jitter))
                kept.append(",".join(note["note_kind"] for note in named) or "none")
    rng = np.random.default_rng(22)
    quality = []
    for jump in np.arange(60, 200, 10):
        for place_s in np.arange(0.01, 0.06, 0.006):
            line = held_line(rng, [0.6], [0.0], 0.0)
            hit = np.abs(line.time_s - place_s) < 0.008
            line.cents[hit] += jump
            note = {
                "note_kind": "note",
                "onset_s": 0.0,
                "offset_s": 0.6,
                "onset_se_s": 0.0,
                "offset_se_s": 0.0,
            }
            quality.append(segment._quality(line, note))
    for se in np.arange(0.005, 0.045, 0.002):
        note = {"note_kind": "note", "onset_s": 0.0, "offset_s": 0.6}
        quality.append(segment._quality(line, {**note, "onset_se_s": se, "offset_se_s": 0.0}))
        quality.append(segment._quality(line, {**note, "onset_se_s": 0.0, "offset_se_s": se}))
    return {"kinds": pd.Series(kept).value_counts(), "quality": pd.Series(quality).value_counts()}


@grid
def notes_of_the_soloist(jitter: float) -> Any:
    """Short, soft and low notes, beside an accompaniment and alone."""
    from dataclasses import replace

    from vibstudy.notes import segment
    from vibstudy.notes.edges import Levels

    rng = np.random.default_rng(23)
    out = {}
    for alone in (1.0, 0.0):
        kept = []
        for _ in range(12):
            lengths = np.where(rng.random(40) < 0.5, rng.uniform(0.03, 0.25, 40), 0.6)
            cents = np.where(lengths < 0.5, rng.uniform(-2400, 300, 40), 0.0)
            line = held_line(rng, lengths, cents, 0.0)
            carried = np.repeat(
                rng.uniform(-16, 2, 40), np.maximum(np.rint(lengths / segment.HOP_S), 1).astype(int)
            )
            line = replace(line, alone=np.full(len(line.cents), alone), carried_db=carried)
            count = int(line.time_s[-1] / 0.005) + 1
            softer = np.repeat(rng.uniform(-30, 0, 40), np.maximum(np.rint(lengths / 0.005), 1).astype(int))
            levels = np.resize(softer, count) * (1 + jitter)
            onset = np.concatenate([[0.0], np.cumsum(lengths)[:-1]])
            notes = [
                {"onset_s": a, "offset_s": a + b, "pitch_hz": 440 * 2 ** (c / 1200)}
                for a, b, c in zip(onset, lengths, cents, strict=True)
            ]
            found = segment._soloist_only(line, Levels(levels, levels, np.full(count, alone), 0.005), notes)
            kept += [note["onset_s"] for note in found]
        out[f"alone {alone:g}"] = kept
    return out


@grid
def beats_of_a_bar(jitter: float) -> Any:
    """Strength of the places of a bar, to the sixteenth and the triplet, in metres of 2 to 9 beats."""
    from vibstudy.notes.written import _strength

    places = sorted({*np.arange(0, 9, 0.125), *np.arange(0, 9, 1 / 3), *np.arange(0, 9, 1 / 6)})
    return {
        f"{bar} beats, from {part}": [_strength(x, bar) for x in places[part : part + 12] if x < bar]
        for bar in (2.0, 3.0, 4.0, 5.0, 6.0, 8.0)
        for part in range(0, len(places), 12)
        if places[part] < bar
    }


@grid
def edges_of_levels(jitter: float) -> Any:
    """Attacks, endings and silences of all depths and lengths."""
    from vibstudy.notes.edges import Levels, attack, ending, silent_between

    rng = np.random.default_rng(24)
    rows = []
    for depth in np.arange(6, 40, 2.0):
        for lasts_s in (0.01, 0.03, 0.08, 0.2):
            time_s = np.arange(0, 1.2, 0.005)
            rise = np.clip((time_s - 0.3) / lasts_s, 0, 1) - np.clip((time_s - 0.9) / lasts_s, 0, 1)
            db = -20 - depth * (1 - rise) + rng.normal(0, 0.3, len(time_s)) * (1 + jitter)
            db += 1.5 * np.sin(2 * np.pi * 6 * time_s)
            levels = Levels(db, db, np.ones(len(db)), 0.005)
            edges = (attack(levels, 0.1, 0.32, 0.6), ending(levels, 0.35, 1.15))
            hole = -20 - depth * np.exp(-(((time_s - 0.6) / (lasts_s / 2)) ** 2))
            silence = silent_between(Levels(hole, hole, np.ones(len(db)), 0.005), 0.4, 0.6, 0.8)
            rows.append([*((e.time_s, e.se_s) if e else (-1.0, -1.0) for e in edges), silence or -1.0])
    flat = [[*a, *b, c] for a, b, c in rows]
    columns = ["attack_s", "attack_se_s", "ending_s", "ending_se_s", "silence_s"]
    frame = pd.DataFrame(flat, columns=columns)
    return {f"from {part}": frame.iloc[part : part + 12] for part in range(0, len(frame), 12)}


@grid
def steps_under_vibrato(jitter: float) -> Any:
    """Steps of the pitch with a vibrato that goes on, and changes of the spectrum without one."""
    from tests.signals import RATE_HZ
    from vibstudy.notes.edges import pitch_change, step_under_vibrato

    rng = np.random.default_rng(25)
    steps = []
    for step in (50.0, 100.0, 160.0, 230.0):
        for swing in (8.0, 15.0, 18.0, 23.0, 30.0, 60.0):
            for off_s in (-0.06, -0.02, 0.03, 0.075):
                line = held_line(rng, [0.4, 0.4], [0.0, step], swing * (1 + jitter))
                found = step_under_vibrato(line, 0.4 + off_s, 0.0, 0.8)
                steps.append((found.time_s, found.se_s) if found else (-1.0, -1.0))
    changes = []
    for crossfade_s in (0.005, 0.02, 0.06, 0.12):
        for length_s in (0.03, 0.1, 0.4):
            for ratio in (1.06, 1.5):
                time_s = np.arange(round(0.8 * RATE_HZ)) / RATE_HZ
                share = np.clip((time_s - 0.4) / crossfade_s + 0.5, 0, 1)
                sound = sum(
                    part * np.sin(2 * np.pi * k * f * time_s) / k
                    for part, f in ((1 - share, 330.0), (share, 330.0 * ratio))
                    for k in range(1, 9)
                )
                sound = sound + 1e-3 * rng.standard_normal(len(time_s)) * (1 + jitter)
                found = pitch_change(sound, RATE_HZ, 0.41, 0.4 - length_s, 0.4 + length_s, ratio > 1.1)
                changes.append((found.time_s, found.se_s))
    parts = {"steps": steps, "changes": changes}
    return {
        f"{name} from {part}": found[part : part + 12]
        for name, found in parts.items()
        for part in range(0, len(found), 12)
    }


@grid
def fits_of_vibrato(jitter: float) -> Any:
    """Detection and fit on drawn lines: short, long, late, ending early, of all shapes, with some noise."""
    from vibstudy.pitch.calculus import running_integral
    from vibstudy.vibrato.detect import detect
    from vibstudy.vibrato.fit import fit_vibrato
    from vibstudy.vibrato.noise import Series, thin

    rng = np.random.default_rng(26)
    out = {}
    for number in range(72):
        duration_s = float(rng.choice([0.35, 0.5, 0.7, 1.0, 1.6, 2.6]))
        rate_hz, extent = rng.uniform(4.2, 8.5), float(rng.choice([6.0, 15.0, 40.0]))
        starts_s = float(rng.choice([0.0, 0.07, 0.09, 0.15, 0.4])) * (duration_s > 0.6)
        ends_s = duration_s - float(rng.choice([0.0, 0.0, 0.25])) * (duration_s > 0.9)
        second, growth, wander = (
            rng.choice([0.0, 0.25]),
            rng.choice([-0.4, 0.0, 0.5]),
            rng.choice([0.0, 0.06]),
        )
        time_s = np.arange(0, duration_s, 0.004)
        psi = 2 * np.pi * rate_hz * time_s * (1 + wander * np.sin(3.1 * time_s + number))
        gate = np.clip((time_s - starts_s) * rate_hz + 0.5, 0, 1) * np.clip(
            (ends_s - time_s) * rate_hz + 0.5, 0, 1
        )
        cents = (
            gate
            * extent
            * (1 + growth * (time_s / duration_s - 0.5))
            * (np.cos(psi) + second * np.cos(2 * psi))
        )
        if number % 3 == 2:
            cents = gate * extent * (1 - 2 * np.abs(np.mod(psi / np.pi, 2) - 1))
        cents += 8 * np.exp(-time_s / 0.02) + 5 * time_s
        noise = rng.normal(0, float(rng.choice([0.002, 0.02])) * extent / 6, len(time_s))
        integral = running_integral(cents, 0.004) + 0.05 * noise * (1 + jitter)
        at_s, values = thin(time_s, integral, 64.0 if duration_s >= 1.5 else 100.0)
        found = detect(Series(at_s, values, True, duration_s), 3.0, 10.0, anywhere=number % 2 == 0)
        fit = fit_vibrato(time_s, integral, duration_s, found.rate_hz, found.noise, None)
        out[f"{number} found"] = [found.p, found.rate_hz, found.start_s, found.end_s, found.limit]
        kept = {} if fit is None else {k: v for k, v in vars(fit).items() if isinstance(v, float)}
        shown = ("rate_hz", "rate_se_hz", "extent_cents", "extent_se_cents", "start_s", "straight_cents")
        kept = {k: v for k, v in kept.items() if k in shown or number % 4 == 0}
        out[f"{number} fit"] = {k: v for k, v in kept.items() if np.isfinite(v)}
    return out


@grid
def probabilities_of_straight_notes(jitter: float) -> Any:
    """Straight notes drawn with the spectra of white noise, jitter and wander, of five lengths."""
    from scipy.fft import idct

    from vibstudy.vibrato.detect import Search
    from vibstudy.vibrato.noise import Series

    rng = np.random.default_rng(28)
    out = {}
    for duration_s in (0.5, 0.7, 1.0, 1.45, 2.4):
        time_s = np.arange(0.005, duration_s, 1 / 100 if duration_s < 1.5 else 1 / 64)
        series = Series(time_s, time_s, True, duration_s)
        search = Search(series, 3.0, 10.0, anywhere=True)
        for name, mix in (
            ("white", (1.0, 0.0, 0.0)),
            ("jitter", (0.3, 1.0, 0.0)),
            ("wander", (0.01, 0.0, 1.0)),
        ):
            root = np.sqrt(np.array(mix) @ series.noise_shapes(means=True))
            spectra = np.append(np.zeros((8, 1)), rng.standard_normal((8, len(root))) * root, axis=1)
            lines = idct(spectra * (1 + jitter), type=2, norm="ortho", axis=1)
            out[f"{name}, {duration_s} s"] = [search.test(values).p for values in lines]
    return out


@grid
def levels_in_step(jitter: float) -> Any:
    """What of a level is in step with a vibrato, of several harmonics; attacks that are no breath."""
    from vibstudy.vibrato.level import harmonic_depth_db, in_step, is_articulated
    from vibstudy.vibrato.noise import Series

    rng = np.random.default_rng(27)
    out = {}
    for number, (duration_s, depth) in enumerate([(0.4, 1.0), (0.8, 3.0), (2.0, 0.3)]):
        time_s = np.arange(0, duration_s, 1 / 64)
        psi = 2 * np.pi * 5.5 * time_s
        gate = np.clip(time_s * 8, 0, 1)
        for count in (1, 2, 3, 5, 8):
            order = np.arange(1.0, count + 1)
            db = depth * np.cos(psi[:, None] - 0.5 - 0.1 * order) * gate[:, None] + 3 * time_s[:, None]
            db = db + rng.normal(0, 0.4, (len(time_s), count)) * (1 + jitter)
            steps = in_step(Series(time_s, db, False, duration_s), psi, gate)
            out[f"{number} {count} steps"] = [vars(step) for step in steps][:6]
            out[f"{number} {count} depth"] = harmonic_depth_db(db.T, psi, gate)
    sharp = np.arange(0.5, 6.0, 0.25)
    time_s = np.arange(0, 1.5, 1 / 64)
    dips = [-np.exp(x * (np.cos(2 * np.pi * 5 * time_s) - 1)) + 0.2 * time_s for x in sharp]
    out["articulated"] = [is_articulated(level) for level in dips]
    few = [harmonic_depth_db(dips[0][None, :n], 2 * np.pi * 5 * time_s[:n], np.ones(n)) for n in range(5, 14)]
    out["few"] = [float(x) if np.isfinite(x) else -1.0 for x in few]
    return out


@grid
def direct_sounds(jitter: float) -> Any:
    """Loudness of direct sounds in tails, from hardly any to nearly all."""
    from tests.direct_sound import in_tail
    from vibstudy.vibrato.direct import of_direct_sound, tells_direct_sound

    rng = np.random.default_rng(28)
    out = {}
    for direct_db, decay_s in [(-4.0, 0.3), (1.0, 0.9), (6.0, 0.25), (6.0, 2.0), (15.0, 3.0), (40.0, 0.5)]:
        for depth_db, duration_s in [(0.4, 0.5), (3.0, 0.8), (6.0, 2.2)]:
            line, fit, _ = in_tail(
                rng, depth_db, direct_db=direct_db, decay_s=decay_s, brighter=0.1, duration_s=duration_s
            )
            line = replace(line, cents=line.cents * (1 + jitter))
            out[f"{direct_db} {decay_s} {depth_db}"] = vars(of_direct_sound(line, fit))
    line, _, _ = in_tail(rng, 1.0)
    out["long enough"] = [float(tells_direct_sound(line.until(end_s))) for end_s in np.arange(0.1, 0.5, 0.01)]
    return out


@grid
def very_short_notes(jitter: float) -> Any:
    """Lines of notes from 5 to 200 ms, and their measures."""
    from tests.signals import RATE_HZ
    from vibstudy.pitch.contour import Contour
    from vibstudy.pitch.refine import refine_note
    from vibstudy.vibrato.note import measure_note

    time_s = np.arange(round(0.6 * RATE_HZ)) / RATE_HZ
    rng = np.random.default_rng(28)
    out = {}
    for f_hz in (150.0, 660.0, 2400.0):
        turn = 2 * np.pi * (f_hz * time_s - f_hz * 0.02 * np.cos(2 * np.pi * 6 * time_s) / (2 * np.pi * 6))
        sound = sum(np.sin(k * turn) / k for k in range(1, 20) if k * f_hz < 0.49 * RATE_HZ)
        sound = 0.1 * sound + 1e-4 * rng.standard_normal(len(time_s)) * (1 + jitter)
        frames_s = np.arange(0, 0.6, 0.01)
        pitch = np.full(len(frames_s), f_hz)
        pitch[20:24] *= 2 ** (np.array([2.6, 3.2, 3.8, 5.0]) / 12)  # frames of error
        contour = Contour(frames_s, pitch, np.ones(len(pitch)), np.full(len(pitch), True))
        for length_s in (0.005, 0.01, 0.015, 0.02, 0.03, 0.05, 0.1, 0.14, 0.17, 0.2, 0.25, 0.3, 0.4):
            line = refine_note(sound, RATE_HZ, contour, 0.1, 0.1 + length_s)
            if line is None:
                out[f"{f_hz:g} Hz, {length_s:g} s"] = "none"
                continue
            values, _ = measure_note(line, rate_min_hz=3.0, rate_max_hz=10.0, false_alarm=0.01)
            numbers = {k: v for k, v in values.items() if isinstance(v, int | float) and np.isfinite(v)}
            numbers |= {"snr_db": line.snr_db, "frames": len(line.time_s), "cents": float(np.ptp(line.cents))}
            out[f"{f_hz:g} Hz, {length_s:g} s"] = numbers
    return out


@grid
def what_is_heard_of_a_note(jitter: float) -> Any:
    """Notes that swing in pitch, in loudness and in both, by little and by much, and what masks them."""
    from dataclasses import replace

    from tests.signals import RATE_HZ
    from vibstudy.pitch.contour import Contour
    from vibstudy.pitch.refine import refine_note
    from vibstudy.vibrato.masked import is_masked
    from vibstudy.vibrato.note import measure_note

    rng = np.random.default_rng(31)
    frames_s = np.arange(0, 1.3, 0.01)
    contour = Contour(
        frames_s, np.full(len(frames_s), 440.0), np.ones(len(frames_s)), np.full(len(frames_s), True)
    )
    out, masks = {}, []
    for length_s in (0.42, 0.62, 1.6):
        for cents, db in (
            (0, 0),
            (1.7, 0),
            (2.5, 0.6),
            (4, 0.15),
            (4, 0.24),
            (0, 0.4),
            (0, 0.6),
            (0, 3),
            (25, 2),
        ):
            time_s = np.arange(round((length_s + 0.1) * RATE_HZ)) / RATE_HZ
            swing = np.sin(2 * np.pi * 5.2 * time_s)
            phase = 2 * np.pi * 440 * np.cumsum(2 ** (cents * swing / 1200)) / RATE_HZ
            sound = 10 ** (db * swing / 20) * sum(np.sin(k * phase) / k for k in range(1, 9))
            sound = 0.1 * sound + 10 ** rng.uniform(-5, -2) * rng.standard_normal(len(time_s)) * (1 + jitter)
            line = refine_note(sound, RATE_HZ, contour, 0.05, 0.05 + length_s)
            assert line is not None
            values, fit = measure_note(line, rate_min_hz=3.0, rate_max_hz=10.0, false_alarm=0.01)
            asked = (
                "has_vibrato",
                "extent_cents",
                "intensity_depth_db",
                "has_intensity_vibrato",
                "vibrates",
                "vibrato_in",
            )
            numbers = {k: values[k] for k in asked if k in values and values[k] == values[k]}
            out[f"{length_s:g} s, {cents:g} cents, {db:g} dB"] = numbers
            sway = np.cumsum(np.sin(2 * np.pi * 6 * line.time_s)) * line.hop_s
            for snr_db in (4.0, 5.5, 7.0, 15.0, 20.0):
                for apart in (0.8, 1.2, 1.8, 2.5, 3.6, 5.0, 7.5):
                    for balance in (0.13, 0.17):
                        other = replace(line, snr_db=snr_db, halves=apart * 1.4 * sway, balance=balance)
                        masks.append(int(is_masked(other, fit)) + 2 * int(is_masked(other, None)))
            reflected = np.sqrt(2.0) * np.gradient(line.halves, line.hop_s)
            for factor in range(1, 14):
                if fit is not None:
                    wide = {"seen_rate_se_hz": 0.02 * factor, "seen_first_se_cents": 0.1 * factor}
                    straightened = replace(line, straightened=factor % 2 == 0, reflected=reflected)
                    masks.append(int(is_masked(straightened, replace(fit, **wide))))
    return out | {f"masked from {part}": masks[part : part + 40] for part in range(0, len(masks), 40)}


@grid
def other_players(jitter: float) -> Any:
    """A second pitch beside a note, more or less loud, that swings more or less."""
    from tests.signals import RATE_HZ
    from vibstudy.pitch.accompaniment import find_accompaniment
    from vibstudy.pitch.contour import Contour
    from vibstudy.pitch.other_player import other_vibrates
    from vibstudy.pitch.refine import refine_note

    rng = np.random.default_rng(32)
    time_s = np.arange(round(0.9 * RATE_HZ)) / RATE_HZ
    frames_s = np.arange(0, 0.9, 0.01)
    contour = Contour(
        frames_s, np.full(len(frames_s), 440.0), np.ones(len(frames_s)), np.full(len(frames_s), True)
    )
    out = {}
    for ratio in (0.6674, 1.19):
        for db in (0.0, -6.0, -12.0):
            for cents in (0.0, 2.0, 3.5, 6.0, 20.0):
                sound = 2e-3 * rng.standard_normal(len(time_s)) * (1 + jitter)
                for hz, swing, level in ((440.0, 0.0, 0.0), (440.0 * ratio, cents, db)):
                    f_hz = hz * 2 ** (swing * np.sin(2 * np.pi * 5.8 * time_s) / 1200)
                    phase = 2 * np.pi * np.cumsum(f_hz) / RATE_HZ
                    sound += 0.1 * 10 ** (level / 20) * sum(np.sin(k * phase) / k for k in range(1, 9))
                line = refine_note(sound, RATE_HZ, contour, 0.05, 0.85)
                assert line is not None
                found = find_accompaniment(sound, RATE_HZ, line)
                moves = other_vibrates(sound, RATE_HZ, line, 440.0 * ratio)
                out[f"{ratio:g}, {db:g} dB, {cents:g} cents"] = {**vars(found), "moves": moves}
    return out


@grid
def costs_of_a_line(jitter: float) -> Any:
    """What two witnesses make every pitch cost, on drawn frames; how surely the soloist is alone."""
    from vibstudy.notes import line as lines

    rng = np.random.default_rng(33)
    n, peaks = 4000, 6
    note = np.repeat(rng.uniform(-2400, 1200, n // 50), 50)
    tracked = note + rng.normal(0, 20, n) + rng.choice([0, 0, 0, 1200, -1200, 300], n)
    tracked[rng.random(n) < 0.1] = np.nan
    cents = (
        note[:, None] + rng.choice([0, 700, 1200, 1902, -1200], (n, peaks)) + rng.normal(0, 15, (n, peaks))
    )
    strength = np.sort(rng.uniform(0.4, 1, (n, peaks)))[:, ::-1] * (1 + jitter)
    grid_cents = np.arange(-2700, 2400, 100 / 3)
    out: dict[str, Any] = {}
    for share in (0.0, 0.3, 0.75, 0.86, 0.93):
        power = np.clip(share + rng.normal(0, 0.02, n), 0, 1)
        view = lines._View(
            cents, strength, rng.uniform(1.2, 2, n), rng.uniform(-60, -20, n), rng.uniform(-60, -20, n),
            power, power + rng.uniform(-0.1, 0.1, n),
        )  # fmt: skip
        agreeing = np.where(rng.random(n) < 0.9 + share / 10, cents[:, 0], tracked)
        alone = lines._alone(view, agreeing)
        low = lines._with_low_pitch(view, agreeing - 1200 * (rng.random(n) < 0.5), alone)
        out[f"{share:g} explained"] = {
            "alone": alone,
            "low": int(np.isfinite(low.peaks[:, -1]).sum()),
            "carried": lines._carried(view, np.where(share < 0.8, alone * 0.6, alone), power < 0.1),
        }
    by_peak, by_tracker = lines._peak_cost(view, grid_cents), lines._tracker_cost(tracked, grid_cents)
    for name, cost in (("peaks", by_peak), ("tracker", by_tracker)):
        out[name] = [float(cost.mean()), float(cost.std()), float(cost.max()), float(np.median(cost))]
    register = lines._register_cost(note, grid_cents)
    out["register"] = [float(register.mean()), float(register.max()), int((register > 0).sum())]
    reach = lines._within_reach(grid_cents, tracked[:200], cents[:200, 0])
    out["reach"] = [len(reach), float(reach[0])]
    heard = lines._heard(note, tracked, cents)
    out["heard"] = [float(np.nanmean(heard)), int(np.isfinite(heard).sum())]
    return out


@grid
def high_and_low_for_the_tracker(jitter: float) -> Any:
    """Stretches that are asked again at another speed, for their strongest frequency is a high one."""
    from vibstudy.pitch import trackers
    from vibstudy.pitch.contour import Contour

    rate_hz, rng = 16000, np.random.default_rng(34)
    frames_s = np.arange(0, 1.6, 0.016)
    out = []
    for f_hz in (1300.0, 1500.0, 1650.0, 1800.0, 2300.0):
        for sure in (0.5, 0.7, 0.85, 0.95):
            for level_db in (-46.0, -34.0, -10.0):
                for length_s in (0.02, 0.06, 0.3):
                    time_s = np.arange(round(1.6 * rate_hz)) / rate_hz
                    sound = np.where(time_s < 0.8, np.sin(2 * np.pi * 440 * time_s), 0.0)
                    late = (time_s > 1.1) & (time_s < 1.1 + length_s)
                    sound += 10 ** (level_db / 20) * np.where(late, np.sin(2 * np.pi * f_hz * time_s), 0)
                    sound += 1e-5 * rng.standard_normal(len(time_s)) * (1 + jitter)
                    confidence = np.where(frames_s < 0.8, 0.99, sure)
                    contour = Contour(frames_s, np.full(len(frames_s), 440.0), confidence, confidence > 0.6)
                    found = trackers._bright(sound.astype(np.float32), rate_hz, contour)
                    out.append([len(found), *(found[0] if found else (0, 0))])
    flat = pd.DataFrame(out, columns=["stretches", "begin", "end"])
    return {f"from {part}": flat.iloc[part : part + 12] for part in range(0, len(flat), 12)}


@grid
def frames_an_octave_below(jitter: float) -> Any:
    """Shares of frames that the tracker hears an octave lower, more or less exactly."""
    from vibstudy.pitch.contour import Contour
    from vibstudy.pitch.octaves import octave_below

    frames_s = np.arange(0, 0.5, 0.01)
    everywhere = np.full(len(frames_s), True)
    line = Contour(frames_s, np.full(len(frames_s), 440.0), np.ones(len(frames_s)), everywhere)
    shares = []
    for off in np.arange(0.0, 0.3, 0.01):
        for begins_s in (0.0, 0.02, 0.05, 0.1):
            tracked = np.where((frames_s > begins_s) & (frames_s < 0.3), 220.0 * 2**off, 440.0)
            other = Contour(frames_s, tracked * (1 + jitter), np.ones(len(frames_s)), everywhere)
            shares.append(octave_below(line, other, 0.0, 0.4))
    return [shares[part : part + 12] for part in range(0, len(shares), 12)]


@grid
def ends_of_statistics(jitter: float) -> Any:
    """What a spread ratio far out, few players, a take known again and two figures of a table come to."""
    from vibstudy.stats.diagnosis import players_to_spare
    from vibstudy.stats.dispersion import spread_ratio
    from vibstudy.stats.history import same_notes
    from vibstudy.stats.usage import DYNAMIC_STEPS

    rng = np.random.default_rng(29)
    out: dict[str, Any] = {"dynamics": DYNAMIC_STEPS}
    for ratio in (1 / 60, 1 / 12, 1.0, 4.0, 12.0, 25.0, 60.0):
        values = [rng.normal(0, 1, 7) * (1 + jitter), ratio * rng.normal(0, 1, 9)]
        errors = [np.full(7, 0.01), np.full(9, 0.01)]
        out[f"ratio {ratio:g}"] = list(spread_ratio(values, errors, np.random.default_rng(1), draws=99))
        few = [[x[:3] for x in part] for part in (values, errors)]
        out[f"ratio {ratio:g}, of few"] = list(spread_ratio(*few, np.random.default_rng(1), draws=99))
    spare = []
    for players in range(2, 9):
        codes = np.repeat(np.arange(players), 3)
        x = np.stack([np.ones(len(codes)), codes % 2], axis=1)
        term = SimpleNamespace(group="player", codes=codes, levels=tuple(map(str, range(players))))
        prepared = SimpleNamespace(terms=[term], player="player", estimable=x)
        spare.append(players_to_spare(SimpleNamespace(prepared=prepared)) or (0, 0))  # type: ignore[arg-type]
    out["spare"] = spare
    prints = [
        " ".join(f"{0.5 * k + (k == 3) * off:.2f}/60" for k in range(12)) for off in np.arange(0, 0.06, 0.01)
    ]
    out["known again"] = [same_notes(prints[0], other) for other in prints]
    return out


@grid
def attacks_in_company(jitter: float) -> Any:
    """Dips of all depths and widths beside others; dips once a cycle of a vibrato, one of them deeper."""
    from tests.signals import RATE_HZ
    from vibstudy.notes.attacks import split_at_attacks
    from vibstudy.notes.edges import Levels
    from vibstudy.notes.spans import Solo, Span
    from vibstudy.notes.trill import ANYBODY

    rng = np.random.default_rng(41)
    time_s = np.arange(round(1.5 * RATE_HZ)) / RATE_HZ
    level_s = np.arange(0.0, 1.5, 0.005)

    def parts(swing: float, alone: float, *dips: tuple[float, float, float]) -> int:
        f_hz = 440 * 2 ** (swing * np.sin(2 * np.pi * 5.5 * time_s) / 1200)
        phase = 2 * np.pi * np.cumsum(f_hz) / RATE_HZ
        samples = 0.1 * sum(np.sin(k * phase) / k for k in range(1, 6)) * (1 + jitter)
        solo = Solo(samples, RATE_HZ, held_line(rng, [1.5], [0.0], swing, 5.5), ANYBODY)
        db = -20 + 0.02 * rng.standard_normal(len(level_s))
        for at_s, depth, wide_s in dips:
            db -= depth * np.exp(-0.5 * ((level_s - at_s) / wide_s) ** 2)
        return len(split_at_attacks(solo, Levels(db, db, np.full(len(db), alone), 0.005), Span(0, 1.49, 0)))

    out: dict[str, Any] = {}
    for wide_s in (0.012, 0.02, 0.03, 0.045):
        out[f"dips {wide_s:g} s"] = [
            parts(0.0, 0.0, (0.3, 0.8 * depth, wide_s), (0.8, depth, wide_s))
            for depth in np.arange(4.0, 15.0)
        ]
    for usual in (3.0, 4.0, 6.0, 7.0):
        cycles = [((i + 0.5) / 5.5, usual, 0.015) for i in range(8)]
        for alone in (1.0, 0.6, 0.4, 0.0):
            out[f"dips of {usual:g} dB, alone {alone:g}"] = [
                parts(45.0, alone, *cycles, (cycles[4][0], deeper, 0.015)) for deeper in np.arange(0, 8, 0.75)
            ]
    for count in (3, 4, 5):
        out[f"{count} dips"] = [
            parts(0.0, 1.0, *((0.3 + i * apart_s, 8.0, 0.01) for i in range(count)))
            for apart_s in np.arange(0.06, 0.11, 0.005)
        ]
    beats = [(0.15 + 0.07 * i, 5.0, 0.01) for i in range(18)]
    for wide_s in (0.02, 0.05, 0.1, 0.14):
        out[f"{wide_s:g} s among beats"] = [
            parts(0.0, 1.0, *beats, (0.75, depth, wide_s)) for depth in np.arange(2.0, 14.0)
        ]
    return out


@grid
def what_lies_between(jitter: float) -> Any:
    """Harmonics between the multiples that come and go, or hardly sound."""
    from tests.signals import RATE_HZ
    from vibstudy.pitch.contour import Contour
    from vibstudy.pitch.octaves import look_between
    from vibstudy.pitch.refine import refine_note
    from vibstudy.recording.found import find_note
    from vibstudy.sound.reading import Audio

    rng = np.random.default_rng(42)
    time_s = np.arange(round(0.9 * RATE_HZ)) / RATE_HZ
    frames_s = np.arange(0, 0.9, 0.01)
    everywhere = np.full(len(frames_s), True)
    contour = Contour(frames_s, np.full(len(frames_s), 220.0), np.ones(len(frames_s)), everywhere)
    turn = 2 * np.pi * 220 * time_s
    noise = rng.standard_normal(len(time_s)) * (1 + jitter)
    out: dict[str, Any] = {}
    for slope_db_s, sway_db in ((-60.0, 0.0), (-25.0, 0.0), (0.0, 9.0), (0.0, 12.0), (9.0, 0.0), (12.0, 0.0)):
        gain = 10 ** ((slope_db_s * (time_s - 0.45) + sway_db * np.sin(2 * np.pi * 2.2 * time_s)) / 20)
        sound = 0.05 * sum((gain if k % 2 else 1.0) * np.sin(k * turn) / k for k in range(1, 11))
        line = refine_note(sound + 1e-4 * noise, RATE_HZ, contour, 0.05, 0.85)
        assert line is not None
        between = look_between(sound + 1e-4 * noise, RATE_HZ, line, 2, 1)
        assert between is not None
        out[f"{slope_db_s:g} dB/s, {sway_db:g} dB"] = vars(between)
    doubts = []
    for softer_db in np.arange(9.0, 19.0):
        outer = 10 ** (-softer_db / 20)
        sound = sum((1.0 if k % 3 == 0 else outer) * np.sin(k * turn) / k for k in range(1, 16))
        sound = (0.05 * sound + 4e-3 * noise).astype(np.float32)
        audio = Audio(sound, RATE_HZ, RATE_HZ, 1, 0.9, "mono", "", 1.0, 0.0, 1.0, 0.0)
        found = find_note(audio, contour, {"onset_s": 0.05, "offset_s": 0.85, "octave_below": None})
        doubts.append(int("octave_unsure" in found.reasons))
    return out | {"doubts": doubts}


@grid
def silences_and_ends_along_a_course(jitter: float) -> Any:
    """Harmonics that are silent for a while, early and late; that end, or go on more softly."""
    from tests.test_ending import ENDS, FRAMES, falling
    from tests.test_ending import bank_of as ending
    from tests.test_repeated import bank_of, silent
    from vibstudy.pitch.ending import last_frame
    from vibstudy.pitch.repeated import silences

    out: dict[str, Any] = {}
    begins, lengths = (18, 26, 32, 38, 46, 140), (6, 14, 22, 44, 58, 66, 74, 82, 100, 130)
    for begin in begins:
        found = [silences(bank_of(silent(begin, begin + n) * (1 + jitter), 1), 0.0) for n in lengths]
        out[f"from {begin}"] = [one.likeliest() or (0.0, 0.0) for one in found]
    late = [silences(bank_of(silent(FRAMES - end - 12, FRAMES - end), 2), 0.0) for end in begins]
    out["late"] = [one.likeliest() or (0.0, 0.0) for one in late]
    for softer in np.arange(0.0, 0.65, 0.05):
        gain = np.where(np.arange(FRAMES) < ENDS, 1.0, softer) * (1 + jitter)
        out[f"goes on at {softer:.2g}"] = [
            last_frame(ending(gain, falling(decay_s, level), 3), 24)
            for decay_s in (0.3, 1.2, np.inf)
            for level in (0.3, 1.0)
        ]
    return out


@grid
def notes_of_few_frames(jitter: float) -> Any:
    """Two notes of some hundredths of a second; levels of notes that are little but attack and release."""
    from tests.signals import RATE_HZ
    from vibstudy.notes.edges import pitch_change
    from vibstudy.vibrato.note import level_series

    time_s = np.arange(round(0.2 * RATE_HZ)) / RATE_HZ
    sound = np.sin(2 * np.pi * np.where(time_s < 0.1, 440.0, 660.0) * time_s) * (1 + jitter)
    lengths_s = np.arange(0.012, 0.05, 0.0025)
    edges = [pitch_change(sound, RATE_HZ, 0.101, 0.1 - each / 2, 0.1 + each / 2, False) for each in lengths_s]
    levels = []
    for frames in range(22, 40):
        frames_s = 0.0035 * np.arange(frames)
        line = SimpleNamespace(time_s=frames_s, onset_s=0.0, offset_s=frames_s[-1])
        series = level_series(line, np.arange(frames) * (1 + jitter))  # type: ignore[arg-type]
        levels.append([len(series.values), float(series.values[0])])
    return {
        "change_s": [edge.time_s for edge in edges[:8]], "later_s": [edge.time_s for edge in edges[8:]],
        "error_s": [edge.se_s for edge in edges[:8]], "later_error_s": [edge.se_s for edge in edges[8:]],
        "levels": levels[:9], "longer": levels[9:],
    }  # fmt: skip


@grid
def notes_cut_by_a_room(jitter: float) -> Any:
    """Pieces of a note: how near in time and pitch; in noise, of a slow vibrato, beside a lower pitch."""
    from tests.signals import RATE_HZ
    from tests.test_repeated import bank_of, silent
    from vibstudy.pitch.contour import Contour
    from vibstudy.pitch.repeated import silences
    from vibstudy.vibrato import oversegmentation as parted

    def pieces(begins_s: float, cents: float) -> list[dict[str, Any]]:
        one = {"onset_s": 0.05, "offset_s": 0.3, "pitch_hz": 440.0, "note_kind": "note", "quality": "ok"}
        return [one, {**one, "onset_s": begins_s, "offset_s": 0.6, "pitch_hz": 440 * 2 ** (cents / 1200)}]

    rng = np.random.default_rng(43)
    time_s = np.arange(round(0.65 * RATE_HZ)) / RATE_HZ
    frames_s = np.arange(0, 0.65, 0.01)
    everywhere = np.full(len(frames_s), True)
    contour = Contour(frames_s, np.full(len(frames_s), 440.0), np.ones(len(frames_s)), everywhere)
    silence = silences(bank_of(silent(140, 165) * (1 + jitter), 1), 0.0)
    begins_s = np.arange(0.36, 0.47, 0.01)
    out: dict[str, Any] = {
        "touching": [len(parted._runs(pieces(0.3 + gap_s, 0.0))) for gap_s in np.arange(0.012, 0.05, 0.005)],
        "same": [len(parted._runs(pieces(0.3, cents))) for cents in np.arange(35.0, 85.0, 6.0)],
        "near a silence": [int(silence.near(at_s, parted.CUT_S)) for at_s in begins_s],
    }
    for noise, rate_hz, lower in (
        (0.004, 5.5, 0.0),
        (0.009, 5.5, 0.0),
        (0.009, 2.15, 0.0),
        (0.009, 1.91, 0.0),
        (0.009, 1.4, 0.0),
        (0.006, 5.5, 0.2),
        (0.006, 5.5, 0.3),
    ):
        phase = 2 * np.pi * 440 * time_s - 440 * 0.02 / rate_hz * np.cos(2 * np.pi * rate_hz * time_s)
        sound = 0.1 * sum(np.sin(k * phase) / k for k in range(1, 6))
        sound += 0.1 * lower * sum(np.sin(k * phase / 2) / k for k in range(1, 12, 2))
        sound += noise * rng.standard_normal(len(time_s)) * (1 + jitter)
        found = parted.merge_oversegmented(sound, RATE_HZ, contour, pieces(0.3, 0.0))
        gains = [row["straight"].gain for row in found if "straight" in row]
        out[f"noise {noise:g}, {rate_hz:g} Hz, lower {lower:g}"] = [len(found), *gains]
    return out


@grid
def vibrato_that_ends_before_its_note(jitter: float) -> Any:
    """Ends early by a part of a cycle to one and a half."""
    from vibstudy.pitch.calculus import running_integral
    from vibstudy.vibrato.detect import detect
    from vibstudy.vibrato.fit import fit_vibrato
    from vibstudy.vibrato.noise import Series, thin

    rng = np.random.default_rng(44)
    out: dict[str, Any] = {}
    for duration_s, error in ((1.0, 3e-3), (1.6, 1e-3)):
        time_s = np.arange(0, duration_s, 0.004)
        ends = []
        for early in np.arange(0.2, 1.6, 0.12):
            gate = np.clip((duration_s - early / 5.0 - time_s) * 5.0 + 0.5, 0, 1)
            cents = gate * 25.0 * np.sin(2 * np.pi * 5.0 * time_s)
            integral = running_integral(cents, 0.004) + 0.003 * rng.standard_normal(len(time_s)) * (
                1 + jitter
            )
            at_s, values = thin(time_s, integral, 64.0 if duration_s >= 1.5 else 100.0)
            found = detect(Series(at_s, values, True, duration_s), 3.0, 10.0)
            fit = fit_vibrato(time_s, integral, duration_s, found.rate_hz, found.noise, None)
            ends.append(fit.end_s if fit else -1.0)
        out[f"{duration_s:g} s, {error:g}"] = ends
    return out


@grid
def trills_with_a_rest(jitter: float) -> Any:
    """Alternations of all widths, held beside or not, with a rest of some hundredths of a second within."""
    from tests.signals import RATE_HZ
    from vibstudy.notes.kinds import classify_spans
    from vibstudy.notes.spans import Solo, Span
    from vibstudy.notes.trill import ANYBODY

    rng = np.random.default_rng(45)
    out: dict[str, Any] = {}
    for cents in (100.0, 200.0, 310.0, 350.0):
        kinds = []
        for rest_s in np.arange(0.02, 0.16, 0.0155):
            lengths = [0.3, *[0.09] * 6, rest_s, *[0.09] * 6, 0.3]
            pitch = [0.0, *[cents, 0.0] * 3, np.nan, *[cents, 0.0] * 3, 0.0]
            line = held_line(rng, lengths, pitch, 0.0)
            edges = np.concatenate([[0.0], np.cumsum(lengths)])
            time_s = np.arange(round(edges[-1] * RATE_HZ)) / RATE_HZ
            place = np.minimum(np.searchsorted(edges, time_s, side="right") - 1, len(pitch) - 1)
            there = np.nan_to_num(np.array(pitch))[place]
            phase = 2 * np.pi * np.cumsum(440 * 2 ** (there / 1200)) / RATE_HZ
            sound = np.where(
                np.isnan(np.array(pitch)[place]), 0.0, sum(np.sin(k * phase) / k for k in (1, 2, 3))
            )
            sound = 0.1 * sound + 1e-4 * rng.standard_normal(len(time_s)) * (1 + jitter)
            spans = [
                Span(float(begin), float(end), level)
                for begin, end, level in zip(edges, edges[1:], pitch, strict=False)
                if level == level
            ]
            found = classify_spans(Solo(sound, RATE_HZ, line, ANYBODY), spans)
            kinds.append([sum(span.kind == kind for span in found) for kind in ("note", "trill", "unclear")])
        out[f"{cents:g} cents"] = kinds
    return out


@grid
def other_players_in_part(jitter: float) -> Any:
    """A second player's vibrato, two of whose harmonics go under in something else, more and more."""
    from tests.signals import RATE_HZ
    from vibstudy.pitch.contour import Contour
    from vibstudy.pitch.other_player import other_vibrates
    from vibstudy.pitch.refine import refine_note

    rng = np.random.default_rng(46)
    time_s = np.arange(round(1.9 * RATE_HZ)) / RATE_HZ
    frames_s, slow_s = np.arange(0, 1.9, 0.01), np.arange(0, 1.95, 0.012)
    everywhere = np.full(len(frames_s), True)
    contour = Contour(frames_s, np.full(len(frames_s), 440.0), np.ones(len(frames_s)), everywhere)
    turn = 2 * np.pi * 523.6 * 2 ** (25.0 * np.sin(2 * np.pi * 5.8 * time_s) / 1200)
    other = np.cumsum(turn) / RATE_HZ
    moves = []
    for rough in (5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 12.0, 15.0):
        sound = 1e-3 * rng.standard_normal(len(time_s)) * (1 + jitter)
        for k in range(1, 9):
            sound += 0.1 / k * (np.sin(2 * np.pi * 440.0 * k * time_s) + np.sin(k * other))
            if k in (3, 4):
                beside = np.interp(time_s, slow_s, rng.standard_normal(len(slow_s)))
                sound += 0.1 / k * rough * beside * np.cos(k * other)
        line = refine_note(sound, RATE_HZ, contour, 0.05, 1.85)
        assert line is not None
        moves.append(int(other_vibrates(sound, RATE_HZ, line, 523.6)))
    return {"moves": moves}


@grid
def advice_on_recordings(jitter: float) -> Any:
    """How many further recordings are advised, by how much they narrow the interval."""
    from vibstudy.stats.power import Plan

    narrower = np.arange(0.0, 0.012, 0.0005) * (1 + jitter)
    tables = [pd.DataFrame({"what": ["a"], "place": ["b"], "narrower": [each]}) for each in narrower]
    worth = [int("Most would help" in Plan("c", table).sentences[0]) for table in tables]
    return [worth[:12], worth[12:]]


@grid
def rules_of_statistics(jitter: float) -> Any:
    """What use of vibrato is called, variances near zero, an interval, and a vibrato at the slow end."""
    from tests.signals import RATE_HZ
    from vibstudy.pitch.contour import Contour
    from vibstudy.pitch.refine import refine_note
    from vibstudy.stats.diagnosis import _boundary
    from vibstudy.stats.usage import _use
    from vibstudy.vibrato.note import measure_note

    shares = np.arange(0.1, 1.0, 0.04)
    kinds = ("continuous", "straight", "ornamental", "between")
    out: dict[str, Any] = {
        "continuous": [kinds.index(_use(x, 1.0, 0.0)) for x in shares[-12:]],
        "straight": [kinds.index(_use(0.0, x, 0.0)) for x in shares[:12]],
        "ornamental": [kinds.index(_use(0.3, 0.7, x)) for x in shares[:12]],
    }
    near = []
    for deviation in np.arange(0.006, 0.016, 0.001):
        term = SimpleNamespace(group="place", columns=("Intercept",), correlated=False)
        prepared = SimpleNamespace(
            terms=[term],
            players=SimpleNamespace(groups=0, spread=None, own=False),
            player="player",
            recording="recording_id",
        )
        model = SimpleNamespace(prepared=prepared, relative_factors=[np.array([[deviation]])])
        near.append(len(_boundary(model)[0]))  # type: ignore[arg-type]
    out["near zero"] = near
    time_s = np.arange(round(1.6 * RATE_HZ)) / RATE_HZ
    frames_s = np.arange(0, 1.6, 0.01)
    everywhere = np.full(len(frames_s), True)
    contour = Contour(frames_s, np.full(len(frames_s), 440.0), np.ones(len(frames_s)), everywhere)
    for rate_hz in (2.0, 3.4):
        f_hz = 440 * 2 ** (15 * np.sin(2 * np.pi * rate_hz * time_s) / 1200)
        sound = 0.1 * np.sin(2 * np.pi * np.cumsum(f_hz) / RATE_HZ) * (1 + jitter)
        sound += 1e-3 * np.random.default_rng(47).standard_normal(len(time_s))
        line = refine_note(sound, RATE_HZ, contour, 0.05, 1.55)
        assert line is not None
        values, _ = measure_note(line)
        out[f"{rate_hz:g} Hz"] = {
            k: values[k] for k in ("has_vibrato", "rate_hz", "vibrato_p") if k in values
        }
    return out
