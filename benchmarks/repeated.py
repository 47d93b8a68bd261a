"""Notes repeated on one pitch, in simulated rooms: how many are parted, and how many single ones are cut.

    uv run python -m benchmarks.repeated [--seed 1] [--takes 12] [--rows "recital near" ...]

Needs the program FluidSynth and the SoundFont FluidR3_GM. A take is a line of some fourteen notes of 0.35 to
1.6 s, half of them in groups of two or three on one pitch with gaps of 30 to 120 ms, straight or with a
vibrato of their own; winds, rooms and places are those of ``rooms.py``. Truth is what was sent to the
synthesiser.

*parted*: repeated notes of which one was found to begin within 60 ms. *merged*: not, but a note that counts
goes on over the silence. *cut*: notes of which two pieces of 60 ms and more were found; *counting*: of these,
notes one of whose later pieces counts.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import soundfile

from benchmarks.melodies import MELODIES
from benchmarks.recordings import Sounded, playable, render
from benchmarks.rooms import (
    ROWS,
    SAMPLED,
    SYNTHETIC,
    Row,
    Take,
    drawn_note,
    drawn_vibrato,
    resampled,
    sound_of,
)
from vibstudy.corpus.settings import Settings
from vibstudy.demo.synthesis import SAMPLE_RATE_HZ, render_line
from vibstudy.recording import measure_file

MIDDLE_MIDI = dict(zip([*(one.name for one in SAMPLED), *SYNTHETIC], (57, 66, 55, 71, 66, 58), strict=True))
GAPS_S, BETWEEN_S = (0.03, 0.05, 0.08, 0.12), (0.02, 0.05)
GROUPS, REACH = 8, 6  # of notes a take; semitones about the middle
NEAR_S, PIECE_S = 0.06, 0.06
USUAL = ("dry", "studio near", "studio middle", "recital near", "recital middle", "church near")


def line_of(middle: int, rng: np.random.Generator) -> tuple[list[Sounded], list[bool]]:
    """Notes as sent, and which of them repeat the one before."""
    at_s, midi, line, repeats = 0.5, middle, [], []
    for _ in range(GROUPS):
        steps = [step for step in range(-REACH, REACH + 1) if abs(middle + step - midi) > 1]
        midi = middle + int(rng.choice(steps))
        count = int(rng.choice((1, 1, 2, 3)))
        rate_hz, depth = playable(rng.uniform(4.5, 7.0)), int(rng.choice((0, 30, 45, 64, 90)))
        for number in range(count):
            length_s = rng.uniform(0.35, 0.9) if count > 1 else rng.uniform(0.5, 1.6)
            line.append(Sounded(at_s, at_s + length_s, midi, int(rng.integers(85, 110)), rate_hz, depth))
            repeats.append(number > 0)
            at_s += length_s + float(rng.choice(GAPS_S if number + 1 < count else BETWEEN_S))
    return line, repeats


def takes_of(count: int, seed: int, folder: Path) -> Iterator[Take]:
    """Sampled and synthetic winds by turns."""
    for number in range(count):
        rng = np.random.default_rng([seed, number, 77])
        soloist, name = SAMPLED[number // 2 % len(SAMPLED)], list(SYNTHETIC)[number // 2 % len(SYNTHETIC)]
        line, repeats = line_of(MIDDLE_MIDI[name if number % 2 else soloist.name], rng)
        if number % 2:
            notes = [
                replace(drawn_note(note, rng, -7.0), vibrato=drawn_vibrato(note, rng) if note.depth else None)
                for note in line
            ]
            samples = render_line(notes, SYNTHETIC[name][0], rng, length_s=line[-1].offset_s + 0.5).samples
        else:
            samples = resampled(render(line, soloist.program, folder / f"{seed}_{number}.wav"))
        truth = pd.DataFrame(
            [(note.onset_s, note.offset_s) for note in line], columns=["onset_s", "offset_s"]
        )
        yield Take(soloist, MELODIES[0], line, samples, truth.assign(repeats=repeats))


def counted(truth: pd.DataFrame, found: pd.DataFrame) -> dict[str, int]:
    """What became of the notes of one take."""
    onset, offset, usable = (found[name].to_numpy() for name in ("onset_s", "offset_s", "usable"))
    sums = dict.fromkeys(("notes", "repeated", "parted", "merged", "cut", "counting"), 0)
    for note in truth.itertuples():
        sums["notes"] += 1
        inside = np.flatnonzero((onset > note.onset_s + PIECE_S) & (onset < note.offset_s - PIECE_S / 2))
        later = [
            i
            for i in inside
            if np.any(np.minimum(offset, onset[i]) - np.maximum(onset, note.onset_s) > PIECE_S)
        ]
        sums["cut"] += bool(later)
        sums["counting"] += bool(usable[later].any())
        if note.repeats:
            parted = bool(np.any(np.abs(onset - note.onset_s) < NEAR_S))
            over = (onset < note.onset_s - 0.1) & (offset > note.onset_s + 0.1)
            sums["repeated"] += 1
            sums["parted"] += parted
            sums["merged"] += not parted and bool(usable[over].any())
    return sums


def run(row: Row, takes: list[Take], seed: int, folder: Path, cache: Path) -> pd.Series:
    """All takes in one room."""
    sums = []
    for number, take in enumerate(takes):
        sound, _ = sound_of(row, take, number, seed, folder, cache)
        path = folder / "take.wav"
        soundfile.write(path, 0.5 * sound.T / np.abs(sound).max(), SAMPLE_RATE_HZ, subtype="PCM_16")
        sums.append(counted(take.truth, measure_file(path, Settings(), {"recording_id": "take"}).notes))
    return pd.DataFrame(sums).sum()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--takes", type=int, default=12)
    parser.add_argument("--rows", nargs="+", default=USUAL, choices=[row.name for row in ROWS], metavar="ROW")
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "vibstudy-rooms")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        takes = list(takes_of(args.takes, args.seed, folder))
        table = {
            row.name: run(row, takes, args.seed, folder, args.cache) for row in ROWS if row.name in args.rows
        }
    print(f"Seed {args.seed}\n{pd.DataFrame(table).T.to_string()}")


if __name__ == "__main__":
    main()
