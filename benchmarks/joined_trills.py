"""Trills joined from real single notes: heard as trills by players and on fingerings nothing was tuned on?

    uv run python -m benchmarks.joined_trills FOLDER [--half held-out] [--count 40] [--seed 1]

FOLDER holds single notes as for ``benchmarks/real_sounds.py``, whose pattern of names and halves are taken.
Two notes of one instrument, length, dynamic and articulation sound in turn, each going on in its file while
the other is heard, with crossfades of 8-14 ms, for 0.9 to 2 s (or as long as the shorter file is), 60 dB
above white noise; half cycles are uneven by 20 % between the sides and by 10 % from one to the next. They are
no player's trills: nobody's fingers, lips or resonances join the notes. Of each case, by instrument and
for all, it is told how many are heard as trills (more than half of what sounds), unclear, or otherwise:

* ``quick``: a semitone or a tone at 4.7-8 Hz; ``room``: the same in an invented room;
* ``slow``: at 3-4 Hz, which the definition calls a melody where it does not go on;
* ``quickens``: from 3-4 to 6.5-8 Hz;
* ``third``: quick, three or four semitones: a tremolo. Up to a minor third it counts as a trill.
"""

from __future__ import annotations

import argparse
import re
from collections import Counter, defaultdict
from itertools import pairwise
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

from benchmarks.notes import RATE_HZ
from benchmarks.real_sounds import DEVELOPMENT, PATTERN, SINGLE, midi
from benchmarks.trills import in_a_room
from vibstudy.notes.segment import find_notes
from vibstudy.notes.trill import Habit
from vibstudy.pitch.trackers import track_line
from vibstudy.sound.reading import read_audio

PLUCKED_OR_BOWED = frozenset({"guitar", "banjo", "mandolin", "double-bass", "cello"})
LENGTHS = ("1", "15", "long")
CASES = ("quick", "room", "slow", "quickens", "third")
Key = tuple[str, str, str, str, int]


def single_notes(folder: Path, half: str) -> dict[Key, Path]:
    """Files of single notes by winds of one half."""
    found = {}
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        known = re.fullmatch(PATTERN, path.stem)
        if known is None or not SINGLE.fullmatch(known["articulation"]):
            continue
        instrument, length = known["instrument"], known["length"]
        wanted = (instrument in DEVELOPMENT) == (half == "development") and length in LENGTHS
        if wanted and instrument not in PLUCKED_OR_BOWED and path.stat().st_size:  # one of the set is empty
            key = (instrument, length, known["dynamic"], known["articulation"], midi(known["pitch"]))
            found[key] = path
    return found


def sounding(path: Path) -> np.ndarray:
    """The file from where it is 15 dB below its loudest to where it is so again."""
    samples = read_audio(path).samples
    power = np.convolve(samples**2, np.ones(441) / 441, "same")
    loud = np.flatnonzero(power > 0.03 * power.max())
    return samples[loud[0] : loud[-1]] if len(loud) else samples[:0]


def joined(
    rng: np.random.Generator, lower: np.ndarray, upper: np.ndarray, case: str, length_s: float
) -> np.ndarray | None:
    """Two notes in turn, with silence about them; None where they are too short."""
    length_s = min(length_s, len(lower) / RATE_HZ, len(upper) / RATE_HZ) - 0.08
    if length_s < 0.75:
        return None
    begins_hz = rng.uniform(3.0, 4.0) if case in ("slow", "quickens") else rng.uniform(4.7, 8.0)
    uneven, held_s = rng.normal(0, 0.2), rng.uniform(0.0, 0.15)
    at, cuts = 0.0, [0.0]
    while at < length_s:
        rate_hz = begins_hz
        if case == "quickens":
            rate_hz += (rng.uniform(6.5, 8.0) - begins_hz) * min(1.5 * at / length_s, 1.0)
        side = len(cuts) % 2
        half_s = 0.5 / rate_hz * np.exp((-uneven if side else uneven) / 2) * rng.uniform(0.9, 1.1)
        at += half_s + (held_s if len(cuts) == 1 else 0.0)
        cuts.append(min(at, length_s))
    if cuts[-1] - cuts[-2] < 0.03:
        cuts.pop(-2)
    count = round(length_s * RATE_HZ)
    gate = np.zeros(count)
    for i, (begin, end) in enumerate(pairwise(cuts)):
        gate[round(begin * RATE_HZ) : round(end * RATE_HZ)] = i % 2
    width = round(rng.uniform(0.008, 0.014) * RATE_HZ)
    fade = np.hanning(width + 2)[1:-1]
    gate = np.convolve(np.pad(gate, width, mode="edge"), fade / fade.sum(), "same")[width:-width]
    own, other = (note[:count] / np.sqrt(np.mean(note[:count] ** 2)) for note in (lower, upper))
    sound = own * np.cos(np.pi / 2 * gate) + other * np.sin(np.pi / 2 * gate)
    sound[-441:] *= np.linspace(1, 0, 441)
    sound = np.concatenate([np.zeros(RATE_HZ // 4), 0.1 * sound, np.zeros(RATE_HZ // 2)])
    return (sound + 1e-4 * rng.standard_normal(len(sound))).astype(np.float32)


def heard_as(sound: np.ndarray, instrument: str) -> str:
    """``trill`` or ``unclear`` where more than half of what sounds is, else ``other``."""
    contour = track_line(sound, RATE_HZ)
    rows = find_notes(sound, RATE_HZ, contour, habit=Habit.of(instrument.replace("-", " "))).rows
    lengths: dict[str, float] = defaultdict(float)
    for row in rows:
        lengths[row["note_kind"]] += row["offset_s"] - row["onset_s"]
    for kind in ("trill", "unclear"):
        if lengths[kind] > 0.5 * sum(lengths.values()):
            return kind
    return "other"


def heard(notes: dict[Key, Path], case: str, count: int, seed: int) -> dict[str, Counter[str]]:
    """How many of a case are heard as what, by instrument and for all."""
    rng = np.random.default_rng(seed)
    by_instrument = defaultdict(list)
    for key in sorted(notes):
        for step in (3, 4) if case == "third" else (1, 2):
            if (*key[:4], key[4] + step) in notes:
                by_instrument[key[0]].append((notes[key], notes[(*key[:4], key[4] + step)]))
    kinds: dict[str, Counter[str]] = defaultdict(Counter)
    for at in range(1, 6 * count):
        name = sorted(by_instrument)[at % len(by_instrument)]
        pairs = by_instrument[name]
        files = pairs[int(rng.integers(len(pairs)))]
        sound = joined(rng, sounding(files[0]), sounding(files[1]), case, rng.uniform(0.9, 2.0))
        if sound is None:
            continue
        if case == "room":
            sound = in_a_room(np.concatenate([sound, np.zeros(RATE_HZ // 2, np.float32)]), rng)
        kind = heard_as(sound, name)
        kinds[name][kind] += 1
        kinds["all"][kind] += 1
        if sum(kinds["all"].values()) == count:
            break
    return kinds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--half", choices=("development", "held-out"), default="held-out")
    parser.add_argument("--count", type=int, default=40, help="sounds of each case")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--case", choices=CASES, help="only this one")
    options = parser.parse_args()
    notes = single_notes(options.folder, options.half)
    if not notes:
        parser.error(f"no single note of the {options.half} half in {options.folder}")
    table = Table(title=f"{options.count} trills of each case, joined from single notes")
    for head in ("case", "instrument", "trill", "unclear", "other"):
        table.add_column(head)
    for case in CASES if options.case is None else (options.case,):
        for name, kinds in sorted(heard(notes, case, options.count, options.seed).items()):
            table.add_row(case, name, *(str(kinds[kind]) for kind in ("trill", "unclear", "other")))
    Console(width=100).print(table)


if __name__ == "__main__":
    main()
