"""Trills against wide vibratos, dry and in rooms: where the spreads in notes/trill.py come from.

    uv run python -m benchmarks.trills [--count 120] [--seed 3] [--soundfont FILE]

Needs the program FluidSynth and a SoundFont (FluidR3_GM). Prints, for each of seven cases, how often a sound
is called a trill, unclear or a vibrato, and mean, spread, 5 % and 95 % of its fullness and of its gap:

* vibratos of ± 30-80 cents at 5-7 Hz and of ± 25-110 cents at 4-8.5 Hz, by pitch bend, twelve programs;
* trills of one or two semitones at 4.7-9 Hz, half cycles uneven by 20 %, tongued or by pitch bend;
* the first of these vibratos, and the trills, in invented rooms;
* vibratos of ± 25-85 cents, and trills, of an invented voice in such rooms (echoes of 0.5-2.2 s, direct
  sound 2 dB below to 12 dB above them), with the share of the interval by which the harmonics disagree.
"""

from __future__ import annotations

import argparse
import itertools
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table
from scipy.signal import fftconvolve

from benchmarks.notes import RATE_HZ, SOUNDFONT, Played, render, tone
from vibstudy.notes.alternation import Alternation, find_alternations
from vibstudy.notes.fine import fine_pitch

LOW, HIGH = (70, 66, 42, 60), (65, 68, 69, 71, 73, 56, 40, 52)
"""Programs of General MIDI: bassoon, tenor sax, cello, horn; and higher ones."""
STEP_S = 0.004


def longest(samples: np.ndarray, begin_s: float, end_s: float, base_hz: float) -> Alternation | None:
    """The longest alternation heard."""
    swings = find_alternations(fine_pitch(samples, RATE_HZ, begin_s, end_s, base_hz))
    return max(swings, key=lambda swing: swing.half_cycles, default=None)


def program_and_note(rng: np.random.Generator) -> tuple[int, int]:
    program = int(rng.choice(LOW + HIGH))
    return program, int(rng.integers(40, 74) if program in LOW else rng.integers(58, 80))


def bent_vibrato(
    rng: np.random.Generator,
    rates_hz: tuple[float, float],
    extents_cents: tuple[float, float],
    soundfont: Path = SOUNDFONT,
    echoes: bool = False,
) -> Alternation | None:
    """A vibrato by pitch bend, sine or triangle, whose rate moves by up to 15 %; with echoes: in a room."""
    program, midi = program_and_note(rng)
    length, rate, extent = rng.uniform(0.8, 2.0), rng.uniform(*rates_hz), rng.uniform(*extents_cents)
    time = np.arange(0, length, STEP_S)
    phase = 2 * np.pi * (rate * time + rng.uniform(-0.07, 0.07) * rate * time**2 / length) + rng.uniform(0, 6)
    wave = np.sin(phase) if rng.uniform() < 0.67 else 2 / np.pi * np.arcsin(np.sin(phase))
    bends = [(0.3 + at, extent * y / 100) for at, y in zip(time, wave, strict=True)]
    sound = render([Played(0.3, 0.3 + length, midi, 90)], program, [], [bends], soundfont)
    sound = in_a_room(sound, rng) if echoes else sound
    return longest(sound, 0.35, 0.27 + length, 440 * 2 ** ((midi - 69) / 12))


def rendered_trill(
    rng: np.random.Generator, soundfont: Path = SOUNDFONT, echoes: bool = False
) -> Alternation | None:
    """A trill of uneven half cycles, as separate notes or as one that is bent; with echoes: in a room."""
    program, midi = program_and_note(rng)
    step, rate, length = int(rng.integers(1, 3)), rng.uniform(4.7, 9.0), rng.uniform(0.8, 2.0)
    onsets = [0.5]
    while onsets[-1] < 0.5 + length:
        onsets.append(onsets[-1] + 0.5 / rate * rng.uniform(0.8, 1.2))
    pairs = list(itertools.pairwise(onsets))
    if rng.uniform() < 0.5:
        bends = [(at, step * (i % 2)) for i, (at, _) in enumerate(pairs)]
        sound = render([Played(onsets[0], onsets[-1], midi, 90)], program, [], [bends], soundfont)
    else:
        notes = [
            Played(a, b + rng.uniform(0, 0.015), midi + step * (i % 2), 90) for i, (a, b) in enumerate(pairs)
        ]
        sound = render(notes, program, [], soundfont=soundfont)
    sound = in_a_room(sound, rng) if echoes else sound
    return longest(sound, 0.52, onsets[-1] - 0.02, 440 * 2 ** ((midi + step / 2 - 69) / 12))


def in_a_room(samples: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    time = np.arange(round(1.5 * RATE_HZ)) / RATE_HZ
    echoes = rng.standard_normal(len(time)) * 10 ** (-3 * time / rng.uniform(0.5, 2.2))
    echoes *= time > rng.uniform(0.003, 0.02)
    echoes *= 10 ** (-rng.uniform(-2.0, 12.0) / 20) / np.sqrt(np.sum(echoes**2))
    return (samples + fftconvolve(samples, echoes)[: len(samples)]).astype(np.float32)


def room(rng: np.random.Generator, trill: bool) -> Alternation | None:
    base_hz, rate = float(np.exp(rng.uniform(np.log(110), np.log(1300)))), rng.uniform(4.5, 8.0)
    turn = 2 * np.pi * rate * np.arange(round(1.5 * RATE_HZ)) / RATE_HZ + rng.uniform(0, 6)
    if trill:
        cents = rng.choice([50.0, 100.0]) * np.tanh(rng.uniform(3, 9) * np.sin(turn))
    else:
        cents = rng.uniform(25, 85) * np.sin(turn)
    return longest(in_a_room(tone(cents, base_hz, rng), rng), 0.32, 1.78, base_hz)


def spread_of(values: np.ndarray, digits: int) -> str:
    """Mean, spread, 5 % and 95 %."""
    known = values[np.isfinite(values)]
    return " ".join(
        f"{value:.{digits}f}" for value in (known.mean(), known.std(), *np.quantile(known, [0.05, 0.95]))
    )


def cases(
    soundfont: Path = SOUNDFONT,
) -> Iterator[tuple[str, Callable[[np.random.Generator], Alternation | None]]]:
    yield "vibrato ± 30-80 c, 5-7 Hz", lambda rng: bent_vibrato(rng, (5.0, 7.0), (30.0, 80.0), soundfont)
    yield "vibrato ± 25-110 c, 4-8.5 Hz", lambda rng: bent_vibrato(rng, (4.0, 8.5), (25.0, 110.0), soundfont)
    yield "trill, 4.7-9 Hz", lambda rng: rendered_trill(rng, soundfont)
    yield (
        "vibrato ± 30-80 c in a room",
        lambda rng: bent_vibrato(rng, (5.0, 7.0), (30.0, 80.0), soundfont, True),
    )
    yield "trill in a room", lambda rng: rendered_trill(rng, soundfont, True)
    yield "vibrato ± 25-85 c, voice in a room", lambda rng: room(rng, False)
    yield "trill, voice in a room", lambda rng: room(rng, True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=120, help="sounds of each case")
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--soundfont", type=Path, default=SOUNDFONT, help="another for what is rendered")
    options = parser.parse_args()
    table = Table(title=f"{options.count} sounds of each case")
    for head in ("case", "trill", "unclear", "note", "none", "fullness: mean, spread, 5 %, 95 %", "gap, dB"):
        table.add_column(head)
    rng = np.random.default_rng(options.seed)
    for name, make in cases(options.soundfont):
        swings = [make(rng) for _ in range(options.count)]
        kinds = ["none" if swing is None else swing.kind for swing in swings]
        heard = [swing for swing in swings if swing is not None]
        shares = [
            f"{100 * kinds.count(kind) / len(kinds):.1f} %" for kind in ("trill", "unclear", "note", "none")
        ]
        full = spread_of(np.array([swing.fullness for swing in heard]), 3)
        gap = spread_of(np.array([swing.gap_db for swing in heard]), 1)
        table.add_row(name, *shares, full, gap)
    Console(width=140).print(table)


if __name__ == "__main__":
    main()
