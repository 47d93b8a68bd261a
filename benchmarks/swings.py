"""Swings of every kind through the whole program: what is called a trill, unclear, or usable vibrato.

    uv run python -m benchmarks.swings [--count 30] [--seed 3] [--kinds WORD ...] [--unnamed]

Needs the programs FluidSynth and sox, and the SoundFonts FluidR3_GM and TimGM6mb, of which each makes half of
the sampled sounds. A sound is one file whose instrument is named, unless ``--unnamed``. Printed for each
kind, with what it should be: in how many files trills, or unclear notes, make up more than half of what
sounds; in how many a note is usable vibrato, and one of ± 25 cents or more, the smallest trill; notes a file.

* *Fingers*: two notes in turn that overlap by up to 12 ms, 4.7 to 8.5 times a second, half cycles uneven by
  10 % and of unequal length; short ones, such as grow quicker, after a held note, with a turn at the end.
* *Lips* and *smooth*: one note bent between two plateaus that scatter by 7 cents, the way between them 0.3 to
  0.9 (0.2 to 0.6) of a half cycle, straight or a cosine.
* *Vibrato*: ± 30 to 80 cents at 5 to 7 Hz, rate and extent drawn anew for each cycle (6 and 9 %), a third of
  them triangles; and others as their names say.
* *Plain*: invented tones that have no vibrato, treated by sox, tongued, bent, or falling.
"""

from __future__ import annotations

import argparse
import itertools
import subprocess
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import soundfile
from rich.console import Console
from rich.table import Table

from benchmarks.notes import RATE_HZ, SOUNDFONT, Played, render, tone
from benchmarks.trills import in_a_room
from vibstudy.corpus.settings import settings_from
from vibstudy.notes.alternation import LEAST_CENTS
from vibstudy.recording import measure_file
from vibstudy.stats.selection import is_vibrato

FONTS = (SOUNDFONT, SOUNDFONT.with_name("TimGM6mb.sf2"))
WOODS = {
    "flute": (73, 60, 90),
    "oboe": (68, 58, 86),
    "clarinet": (71, 50, 88),
    "bassoon": (70, 36, 70),
    "cor anglais": (69, 52, 78),
    "soprano saxophone": (64, 58, 84),
    "alto saxophone": (65, 50, 80),
    "tenor saxophone": (66, 46, 74),
    "baritone saxophone": (67, 40, 68),
}
"""Program of General MIDI, lowest and highest note."""
BRASS = {"horn": (60, 46, 74), "trumpet": (56, 55, 80), "trombone": (57, 42, 68), "tuba": (58, 33, 58)}
EVERY = WOODS | BRASS
START_S, STEP_S = 0.3, 0.004

Rng = np.random.Generator
Family = dict[str, tuple[int, int, int]]
Sound = tuple[np.ndarray, str]
Range = tuple[float, float]


def drawn(rng: Rng, family: Family) -> tuple[str, int, int, Path]:
    """An instrument, its program, a note of it, and a SoundFont."""
    name = str(rng.choice(sorted(family)))
    program, low, high = family[name]
    return name, program, int(rng.integers(low, high + 1)), FONTS[int(rng.integers(2))]


def half_cycles(rng: Rng, rate_hz: float, length_s: float, uneven: float, quicker: float = 1.0) -> np.ndarray:
    """Times at which the half cycles of a trill begin, and its end."""
    share, at = rng.uniform(0.4, 0.6), [0.0]
    while at[-1] < length_s:
        rate = rate_hz * quicker ** (at[-1] / length_s - 0.5)
        own = share if len(at) % 2 else 1.0 - share
        at.append(at[-1] + own / rate * float(np.exp(uneven * rng.standard_normal())))
    return np.array(at)


def between_plateaus(rng: Rng, at_s: np.ndarray, glide: float, levels: np.ndarray) -> np.ndarray:
    """Course from plateau to plateau, every :data:`STEP_S`; a way takes `glide` of a half cycle."""
    time_s = np.arange(0, at_s[-1], STEP_S)
    course = np.full(len(time_s), levels[0], dtype=float)
    cosine = rng.uniform() < 0.5
    for i in range(1, len(at_s) - 1):
        width = glide * min(at_s[i] - at_s[i - 1], at_s[i + 1] - at_s[i])
        way = np.clip((time_s - at_s[i]) / max(width, 1e-4) + 0.5, 0.0, 1.0)
        course += (levels[i] - levels[i - 1]) * (0.5 - 0.5 * np.cos(np.pi * way) if cosine else way)
    return course


def bent(program: int, midi: int, semitones: np.ndarray, font: Path) -> np.ndarray:
    bends = [(START_S + i * STEP_S, float(value)) for i, value in enumerate(semitones)]
    return render([Played(START_S, bends[-1][0], midi, 90)], program, [], [bends], font)


def fingered(
    rng: Rng,
    length_s: Range = (1.2, 3.0),
    rate_hz: Range = (4.7, 8.5),
    quicker: Range = (1.0, 1.0),
    held_s: float = 0.0,
    turn: bool = False,
) -> Sound:
    name, program, midi, font = drawn(rng, WOODS)
    step = int(rng.integers(1, 3))
    at = START_S + held_s + half_cycles(rng, rng.uniform(*rate_hz), rng.uniform(*length_s), 0.1, 1.0)
    if quicker != (1.0, 1.0):
        at = START_S + half_cycles(rng, 5.5, rng.uniform(*length_s), 0.1, rng.uniform(*quicker))
    first = 1 if held_s else int(rng.integers(2))
    plan = [(START_S, START_S + held_s, midi)] if held_s else []
    plan += [(a, b, midi + step * ((i + first) % 2)) for i, (a, b) in enumerate(itertools.pairwise(at))]
    if turn:
        lower, end = midi - int(rng.integers(1, 3)), float(at[-1])
        plan += [(end, end + 0.09, lower), (end + 0.09, end + 0.18, midi), (end + 0.18, end + 0.78, midi + 2)]
    notes = [Played(a, b + rng.uniform(0.0, 0.012), pitch, 90) for a, b, pitch in plan]
    return render(notes, program, [], None, font), name


def glided(rng: Rng, family: Family, glide: Range) -> Sound:
    name, program, midi, font = drawn(rng, family)
    at = half_cycles(rng, rng.uniform(4.5, 8.0), rng.uniform(1.2, 3.0), 0.12)
    levels = rng.normal(0, 0.1) + int(rng.integers(1, 3)) * (np.arange(len(at)) % 2.0)
    levels += 0.07 * rng.standard_normal(len(at))
    levels[1::2] += rng.normal(0, 0.12)
    return bent(program, midi, between_plateaus(rng, at, rng.uniform(*glide), levels), font), name


def cycles(rng: Rng, time_s: np.ndarray, rate_hz: float, extent_cents: float) -> np.ndarray:
    """A vibrato whose rate and extent change from cycle to cycle, cents."""
    count = int(time_s[-1] * rate_hz * 1.6) + 6
    at = np.arange(count) / rate_hz
    rate = rate_hz * (1 + 0.06 * np.interp(time_s, at, rng.standard_normal(count)))
    extent = extent_cents * (1 + 0.09 * np.interp(time_s, at, rng.standard_normal(count)))
    phase = 2 * np.pi * np.cumsum(rate) * (time_s[1] - time_s[0]) + rng.uniform(0, 2 * np.pi)
    wave = np.sin(phase)
    return extent * (wave if rng.uniform() < 0.67 else 2 / np.pi * np.arcsin(wave))


def vibrated(
    rng: Rng,
    family: Family = EVERY,
    extent_cents: Range = (30.0, 80.0),
    rate_hz: Range = (5.0, 7.0),
    length_s: Range = (1.0, 2.5),
    from_share: float = 0.0,
) -> Sound:
    name, program, midi, font = drawn(rng, family)
    time_s = np.arange(0, rng.uniform(*length_s), STEP_S)
    cents = cycles(rng, time_s, rng.uniform(*rate_hz), rng.uniform(*extent_cents))
    if from_share:
        cents *= np.clip((time_s / time_s[-1] - from_share) / 0.1, 0.0, 1.0)
    return bent(program, midi, rng.normal(0, 0.1) + cents / 100, font), name


def sung(rng: Rng) -> Sound:
    """A vowel of three formants, ± 70 to 130 cents."""
    base_hz = 440 * 2 ** ((int(rng.integers(50, 80)) - 69 + rng.normal(0, 0.1)) / 12)
    time_s = np.arange(round(rng.uniform(1.0, 2.5) * RATE_HZ)) / RATE_HZ
    pitch_hz = base_hz * 2 ** (cycles(rng, time_s, rng.uniform(5, 6.5), rng.uniform(70, 130)) / 1200)
    phase = 2 * np.pi * np.cumsum(pitch_hz) / RATE_HZ
    vowel = ((700, 1100, 2600), (300, 2200, 2900), (350, 750, 2600))[int(rng.integers(3))]
    sound = np.zeros(len(time_s))
    for k in range(1, 25):
        formants = zip(vowel, (100, 120, 200), (1.0, 0.6, 0.4), strict=True)
        gain = 0.02 + sum(a / (1 + ((k * pitch_hz - centre) / width) ** 2) for centre, width, a in formants)
        sound += np.where(k * pitch_hz < 9500, gain / k * np.cos(k * phase), 0.0)
    sound *= np.clip(np.minimum(time_s, time_s[-1] - time_s) / 0.05, 0.0, 1.0) / np.std(sound)
    sound = np.pad(sound, round(START_S * RATE_HZ)) + 0.01 * rng.standard_normal(
        len(sound) + 2 * round(START_S * RATE_HZ)
    )
    return sound.astype(np.float32), "soprano" if base_hz > 330 else "tenor"


def shaped(rng: Rng, semitones: Callable[[np.ndarray], Any]) -> Sound:
    """An invented tone of some course, with a player's jitter of a cent."""
    name, _, midi, _ = drawn(rng, EVERY)
    time_s = np.arange(0, rng.uniform(1.0, 2.5), 1 / RATE_HZ)
    at = np.arange(0, time_s[-1] + 0.2, 0.06)
    cents = 100 * semitones(time_s) + np.interp(time_s, at, rng.standard_normal(len(at)))
    return tone(cents, 440 * 2 ** ((midi - 69 + rng.normal(0, 0.1)) / 12), rng), name


def straight(rng: Rng) -> Sound:
    return shaped(rng, np.zeros_like)


def falling(rng: Rng) -> Sound:
    far, last = rng.uniform(1.0, 5.0), rng.uniform(0.1, 0.4)
    return shaped(rng, lambda t: -far * np.clip((t - t[-1] + last) / last, 0.0, 1.0) ** 1.5)


def bending(rng: Rng) -> Sound:
    far, lasts, at = rng.uniform(-1.0, -0.3), rng.uniform(0.1, 0.3), rng.uniform(0.2, 0.7)
    return shaped(rng, lambda t: far * np.exp(-0.5 * ((t - at * t[-1]) / lasts) ** 2))


def sliding(rng: Rng) -> Sound:
    far = rng.uniform(2.0, 7.0) * rng.choice([-1, 1])
    return shaped(rng, lambda t: far * np.clip((t / t[-1] - 0.3) / 0.4, 0.0, 1.0))


def tongued(rng: Rng) -> Sound:
    """One pitch, five to eight times a second."""
    name, program, midi, font = drawn(rng, EVERY)
    at = START_S + np.arange(0, rng.uniform(1.0, 2.0), 1 / rng.uniform(5.0, 8.0))
    gap = rng.uniform(0.01, 0.05)
    notes = [Played(a, b - gap, midi, int(rng.integers(80, 100))) for a, b in itertools.pairwise(at)]
    return render(notes, program, [], None, font), name


def fluttered(rng: Rng) -> Sound:
    """The level goes to and fro 18 to 30 times a second, with the noise of the tongue."""
    samples, name = straight(rng)
    time_s = np.arange(len(samples)) / RATE_HZ
    at = np.arange(0, time_s[-1] + 0.1, 0.04)
    rate = rng.uniform(18, 30) * (1 + 0.1 * np.interp(time_s, at, rng.standard_normal(len(at))))
    dips = rng.uniform(0.3, 0.9) * (0.5 + 0.5 * np.sin(2 * np.pi * np.cumsum(rate) / RATE_HZ))
    noise = 0.05 * np.std(samples) * rng.standard_normal(len(samples))
    return ((samples + noise) * (1 - dips)).astype(np.float32), name


def treated(sound: Sound, *effect: object) -> Sound:
    """The same through an effect of sox."""
    samples, name = sound
    with tempfile.TemporaryDirectory() as folder:
        before, after = Path(folder) / "a.wav", Path(folder) / "b.wav"
        soundfile.write(before, 0.5 * samples / np.abs(samples).max(), RATE_HZ)
        command = ["sox", str(before), str(after), *map(str, effect)]
        subprocess.run(command, check=True, capture_output=True)
        changed, _ = soundfile.read(after, dtype="float32")
    return changed, name


def roomy(sound: Sound, rng: Rng) -> Sound:
    return in_a_room(sound[0], rng), sound[1]


LOW = {name: EVERY[name] for name in ("bassoon", "horn")}
KINDS: dict[str, tuple[str, Callable[[Rng], Sound]]] = {
    "trill, fingers": ("trill", fingered),
    "trill, fingers, room": ("trill", lambda r: roomy(fingered(r), r)),
    "trill, 0.5-0.9 s": ("trill", lambda r: fingered(r, (0.5, 0.9), (5.5, 8.5))),
    "trill, quickening": ("trill", lambda r: fingered(r, (2.0, 3.5), quicker=(1.3, 2.2))),
    "trill, main note held first": ("trill", lambda r: fingered(r, held_s=r.uniform(0.2, 0.7))),
    "trill, turn at the end": ("trill", lambda r: fingered(r, turn=True)),
    "trill, lips": ("trill", lambda r: glided(r, BRASS, (0.3, 0.9))),
    "trill, lips, room": ("trill", lambda r: roomy(glided(r, BRASS, (0.3, 0.9)), r)),
    "trill, smooth": ("trill", lambda r: glided(r, WOODS, (0.2, 0.6))),
    "trill, overdrive": ("trill", lambda r: treated(fingered(r), "overdrive", 15)),
    "trill, reverb": ("trill", lambda r: treated(fingered(r), "reverb", int(r.integers(30, 80)))),
    "vibrato": ("vibrato", vibrated),
    "vibrato, bassoon and horn": ("vibrato", lambda r: vibrated(r, LOW)),
    "vibrato, room": ("vibrato", lambda r: roomy(vibrated(r), r)),
    "vibrato, ± 8-30 cents": ("vibrato", lambda r: vibrated(r, EVERY, (8.0, 30.0))),
    "vibrato, 3 Hz, wide": ("vibrato", lambda r: vibrated(r, EVERY, (30.0, 60.0), (2.8, 3.5), (1.5, 3.0))),
    "vibrato, 9 Hz, narrow": ("vibrato", lambda r: vibrated(r, EVERY, (6.0, 15.0), (8.5, 9.5))),
    "vibrato, last third": (
        "vibrato",
        lambda r: vibrated(r, EVERY, (15.0, 35.0), length_s=(1.8, 3.0), from_share=0.67),
    ),
    "singer": ("vibrato", sung),
    "straight": ("plain", straight),
    "flanger": ("plain", lambda r: treated(straight(r), "flanger")),
    "tremolo": (
        "plain",
        lambda r: treated(straight(r), "tremolo", r.uniform(4.5, 7), int(r.integers(20, 60))),
    ),
    "flutter tongue": ("plain", fluttered),
    "tonguing": ("plain", tongued),
    "fall": ("plain", falling),
    "bend": ("plain", bending),
    "glissando": ("plain", sliding),
}


def measured(sound: Sound, folder: Path, settings: Any, named: bool) -> pd.DataFrame:
    samples, name = sound
    path = folder / "sound.wav"
    soundfile.write(path, 0.5 * samples / np.abs(samples).max(), RATE_HZ)
    row = {"recording_id": "sound"} | ({"instrument": name} if named else {})
    return measure_file(path, settings, row).notes


def counted(notes: pd.DataFrame) -> list[str]:
    """What is said of a file."""
    length = notes.groupby("note_kind")["duration_s"].sum()
    said = [kind for kind in ("trill", "unclear") if length.get(kind, 0.0) > 0.5 * length.sum()]
    vibrato = is_vibrato(notes)
    wide = vibrato & notes.get("extent_cents", pd.Series(0.0, notes.index)).ge(LEAST_CENTS / 2).to_numpy()
    return said + ["vibrato"] * bool(vibrato.any()) + ["wide"] * bool(wide.any())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=30, help="sounds of each kind")
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--kinds", nargs="*", help="only those whose names hold one of these words")
    parser.add_argument("--unnamed", action="store_true", help="name no instrument")
    options = parser.parse_args()
    table = Table(title=f"{options.count} sounds of each kind, seed {options.seed}")
    heads = ("trill", "unclear", "vibrato", "wide")
    for head in ("kind", "should be", *heads, "notes a file"):
        table.add_column(head)
    settings = settings_from({})
    with tempfile.TemporaryDirectory() as folder:
        for number, (kind, (wanted, make)) in enumerate(KINDS.items()):
            if options.kinds and not any(word in kind for word in options.kinds):
                continue
            rng = np.random.default_rng([options.seed, number])
            said: Counter[str] = Counter()
            found = 0
            for _ in range(options.count):
                notes = measured(make(rng), Path(folder), settings, not options.unnamed)
                found += len(notes)
                said.update(counted(notes) if len(notes) else [])
            shares = [f"{100 * said[head] / options.count:.0f} %" for head in heads]
            table.add_row(kind, wanted, *shares, f"{found / options.count:.1f}")
    Console(width=120).print(table)


if __name__ == "__main__":
    main()
