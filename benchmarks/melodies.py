"""Fourteen short melodies, written for this benchmark, and how to play them.

A melody is a line of tokens, one a note: ``name:beats`` and marks. ``r`` is a rest; ``~`` slurs the
note to the next; ``'`` is staccato; ``=`` is tongued softly (portato); ``*`` before a name is a
grace note (its time is taken from the note after it); ``|`` is a bar line and says nothing.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path

import mido
import numpy as np

STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


@dataclass(frozen=True)
class Melody:
    """One melody: `tokens` as above, tempo, chords (roots, one a bar) and beats in a bar."""

    name: str
    bpm: float
    beats_per_bar: int
    chords: str
    tokens: str


MELODIES = (
    Melody(
        "andante",
        76,
        4,
        "C F G C A D G C",
        "E5:1~ G5:.5~ F5:.5~ E5:1 C5:1 | A4:1~ C5:.5~ D5:.5~ F5:1.5~ E5:.5 | D5:1~ B4:1~ G4:1 r:1 | "
        "C5:2~ E5:2 | A5:1~ G5:.5~ E5:.5 C5:2 | D5:.5~ F5:.5~ A5:1~ G5:.5~ F5:.5 D5:1 | "
        "G5:1.5~ F5:.5~ D5:1~ B4:1 | C5:3 r:1",
    ),
    Melody(
        "chromatic",
        84,
        4,
        "A D E A D B E A",
        "A4:.5~ A#4:.5~ B4:.5~ C5:.5~ C#5:.5~ D5:.5~ D#5:.5~ E5:.5 | F5:1~ E5:.5~ D#5:.5~ D5:2 | "
        "G#4:.5~ A4:.5~ A#4:.5~ B4:.5 E5:1 r:1 | C5:1~ B4:1~ A#4:1~ A4:1 | "
        "F5:.5~ E5:.5~ F5:.5~ F#5:.5~ G5:.5~ G#5:.5 A5:1 | A5:.5~ G#5:.5~ G5:.5~ F#5:.5~ F5:1 B4:1 | "
        "D5:.5~ C#5:.5~ C5:.5~ B4:.5~ A#4:.5~ B4:.5~ G#4:1 | A4:3 r:1",
    ),
    Melody(
        "march",
        108,
        4,
        "F C F A D G C F",
        "C5:.5 C5:.5 F5:1 F5:.5 F5:.5 A5:1 | G5:.5 G5:.5 G5:.5 E5:.5 C5:1 r:1 | "
        "F5:.5 F5:.5 F5:.5 F5:.5 A5:1 C6:1 | C#5:.5 C#5:.5 E5:1 A4:1 A4:1 | "
        "D5:.75 D5:.25 D5:1 F5:1 D5:1 | G5:.5 G5:.5 F5:.5 F5:.5 D5:1 B4:1 | "
        "C5:.5 D5:.5 E5:.5 E5:.5 G5:1 C5:1 | F5:1 F5:1 F5:1 r:1",
    ),
    Melody(
        "gigue",
        126,
        3,
        "G D G C D G A D E A D G",
        "D5:.5' G5:.5' B5:.5' A5:.5' G5:.5' F#5:.5' | A5:1' F#5:.5' D5:1' A4:.5' | "
        "B4:.5' D5:.5' G5:.5' D5:.5' B4:.5' G4:.5' | C5:1' E5:.5' G5:1' E5:.5' | "
        "F#5:.5' F#5:.5' F#5:.5' A5:1' F#5:.5' | G5:1.5 B4:1' r:.5 | E5:1' C#5:.5' A4:1' E5:.5' | "
        "F#5:.5' E5:.5' D5:.5' A4:1.5 | G5:1' E5:.5' B4:1' G4:.5' | C#5:.5' E5:.5' A5:.5' G5:1' E5:.5' | "
        "F#5:1' A5:.5' C5:1' D5:.5' | G4:2 r:1",
    ),
    Melody(
        "pairs",
        92,
        4,
        "D G A D B E A D",
        "D5:.5~ E5:.5 F#5:.5' F#5:.5' A5:.5~ F#5:.5 D5:.5' D5:.5' | B4:.5~ D5:.5 G5:.5 G5:.5 B5:1 G5:1 | "
        "A5:.25~ G5:.25 E5:.25 C#5:.25 A4:1 E5:.5~ C#5:.5 A4:1 | D5:.25 D5:.25 F#5:.5 A5:1~ F#5:1 r:1 | "
        "B4:.5~ C#5:.5 D5:.5' D5:.5' F#5:.5~ D5:.5 B4:.5' B4:.5' | G5:.5~ F#5:.5 E5:.5 E5:.5 B4:2 | "
        "C#5:.25~ D5:.25 E5:.25 G5:.25 A5:1 C#5:.5 C#5:.5 E5:1 | D5:3 r:1",
    ),
    Melody(
        "leaps",
        72,
        4,
        "C A F G E A D C",
        "C5:1~ G5:1~ E5:.5~ C6:.5~ G5:1 | A4:1~ E5:.5~ C6:.5~ A5:1 E5:1 | F4:1~ C5:1~ A5:1~ F5:1 | "
        "G4:.5~ D5:.5~ B5:.5~ G5:.5~ D5:1 r:1 | E5:1~ B4:.5~ G5:.5~ B5:1~ E5:1 | "
        "A4:1~ C5:.5~ A5:.5~ E5:1~ C6:1 | D5:1~ A5:.5~ F5:.5~ G4:1~ B4:1 | C5:3 r:1",
    ),
    Melody(
        "arioso",
        58,
        4,
        "D G A D G E A D",
        "A4:2~ D5:1.5~ E5:.5 | *E5:.1 D5:2 B4:1~ G4:1 | *F#5:.1 E5:1.5~ C#5:.5~ A4:2 | D5:3~ F#5:1 | "
        "G5:2.5~ F#5:.5~ *F#5:.1 E5:1 | B4:1~ E5:1~ G5:1.5~ F#5:.5 | *D5:.1 C#5:2 E5:1~ C#5:1 | D5:3 r:1",
    ),
    Melody(
        "octaves",
        88,
        4,
        "F B C F D G C F",
        "F4:1 F5:1 C5:.5 C6:.5 A5:1 | A#4:1~ A#5:1~ F5:1 D5:1 | C5:.5 C6:.5 G5:.5 G4:.5 E5:1 C5:1 | "
        "F5:2~ F4:1 r:1 | D5:1~ D6:1~ A5:.5 A4:.5 F5:1 | G4:.5 G5:.5 B4:.5 B5:.5 D5:1 G5:1 | "
        "C5:1~ C6:1~ A#5:.5~ G5:.5 E5:1 | F5:3 r:1",
    ),
    Melody(
        "overture",
        66,
        4,
        "E A B E C A B E",
        "E5:.75 E5:.25 G5:.75 F#5:.25 E5:1 B4:1 | A4:.75 C5:.25 E5:.75 A5:.25 G5:1 E5:1 | "
        "D#5:.75 F#5:.25 B5:1 A5:.75 F#5:.25 D#5:1 | E5:1.5~ G5:.5~ B5:1 r:1 | "
        "C5:.75 C5:.25 E5:.75 G5:.25 C6:1 G5:1 | A5:.75 G5:.25 F#5:.75 E5:.25 C5:1 A4:1 | "
        "B4:.75 D#5:.25 F#5:.75 A5:.25 G5:.5~ F#5:.5 D#5:1 | E5:3 r:1",
    ),
    Melody(
        "pentatonic",
        100,
        4,
        "G E C D G E D G",
        "D5:.5 E5:1 G5:.5~ A5:1 G5:1 | E5:.5 B4:1 D5:.5~ E5:1.5 r:.5 | G4:.5 A4:1 C5:.5 D5:1~ E5:1 | "
        "A5:.5 A5:1 G5:.5~ E5:1 D5:1 | B5:.5 A5:.5 G5:1~ E5:.5 D5:.5 B4:1 | E5:1.5 E5:.5 G5:1 r:1 | "
        "A4:.5 D5:1 D5:.5~ E5:1 A5:1 | G5:2.5 r:1.5",
    ),
    Melody(
        "triplets",
        80,
        3,
        "C D E F# G# A# D C",
        "C5:.333~ D5:.333~ E5:.334 F#5:.333~ G#5:.333~ A#5:.334 C6:1 | "
        "D5:.333~ E5:.333~ F#5:.334 A5:.333~ F#5:.333~ D5:.334 E5:1 | "
        "E5:.333 E5:.333 E5:.334 G#5:.333 G#5:.333 G#5:.334 B4:1 | A#4:.333~ C5:.333~ D5:.334 F#5:1 A#4:1 | "
        "B4:.333~ D5:.333~ G5:.334 B5:.333~ G5:.333~ D5:.334 B4:1 | "
        "C5:.333 D#5:.333 G#5:.334 C6:.333~ G#5:.333~ D#5:.334 C5:1 | "
        "D5:.333~ F5:.333~ A#5:.334 A5:.333~ F#5:.333~ D5:.334 F#5:1 | C5:2 r:1",
    ),
    Melody(
        "cadenza",
        69,
        4,
        "G G C C A D G G",
        "G4:.5~ B4:.25~ D5:.25~ G5:1~ F#5:.25~ G5:.25~ A5:.5~ B5:1 | "
        "r:1 B5:.25~ A5:.25~ G5:.25~ F#5:.25 E5:2 | "
        "C5:.25~ E5:.25~ G5:.25~ C6:.25 B5:1~ A5:.5~ G5:.5~ E5:1 | E5:.5~ D5:.25~ C5:.25~ A4:2 r:1 | "
        "A4:.25~ C5:.25~ E5:.25~ A5:.25~ G#5:1~ A5:1~ E5:1 | "
        "F#5:.5~ E5:.5~ D5:1~ C5:.25~ A4:.25~ F#4:.5 D5:1 | "
        "B4:.25~ D5:.25~ G5:.25~ B5:.25 A5:1.5~ F#5:.5~ D5:1 | G5:3 r:1",
    ),
    Melody(
        "portato",
        72,
        4,
        "A D E A F# B E A",
        "C#5:1= C#5:1= E5:1= E5:1 | F#5:1= F#5:.5= F#5:.5= D5:1= D5:1 | "
        "B4:.5= B4:.5= B4:.5= B4:.5 G#5:1 r:1 | "
        "A5:1= A5:1= E5:.5= E5:.5= C#5:1 | A#4:1= C#5:.5= C#5:.5= F#5:2 | "
        "D#5:.5= D#5:.5= F#5:.5= F#5:.5 B5:2 | "
        "G#5:.5= G#5:.5= E5:.5= E5:.5 D5:1= D5:1 | A4:1= A4:2 r:1",
    ),
    Melody(
        "waltz",
        138,
        3,
        "A# F A# D# F A# G C F G C F A# A# F A#",
        "D5:2~ F5:1 | A5:2~ G5:1 | F5:1 D5:1' D5:1' | D#5:2~ G5:1 | A5:1~ G5:1~ F5:1 | D5:2 r:1 | "
        "B4:1 B4:1' D5:1' | G5:2~ E5:1 | F5:1 C5:1' C5:1' | G5:1~ F#5:1~ G5:1 | A#5:2~ G5:1 | "
        "A5:1 F5:1' C5:1' | "
        "D5:1~ C#5:1~ D5:1 | F5:1~ E5:1~ F5:1 | A5:1 C5:1' F5:1' | A#5:2 r:1",
    ),
)


@dataclass(frozen=True)
class Written:
    """One written note: `midi`, `start` and `beats` in beats, `slurred` to the next, `mark`."""

    midi: int
    start: float
    beats: float
    slurred: bool
    mark: str


def note_number(name: str) -> int:
    """MIDI number of a name such as ``A#4`` (A4 = 69)."""
    step, sharp, octave = re.fullmatch(r"([A-G])(#?)(-?\d)", name).groups()
    return 12 * (int(octave) + 1) + STEPS[step] + len(sharp)


def read(melody: Melody) -> list[Written]:
    """Return the written notes of a melody."""
    notes, now, waiting = [], 0.0, []
    for token in melody.tokens.replace("|", " ").split():
        name, rest = token.split(":")
        beats, marks = re.fullmatch(r"([\d.]+)([~'=]*)", rest).groups()
        beats = float(beats)
        if name == "r":
            now += beats
        elif name.startswith("*"):
            waiting.append((note_number(name[1:]), beats))
        else:
            whole = beats
            for midi, taken in waiting:
                notes.append(Written(midi, now, taken, True, "grace"))
                now, beats = now + taken, beats - taken
            waiting.clear()
            mark = {"'": "staccato", "=": "portato"}.get(marks.replace("~", ""), "tongued")
            notes.append(Written(note_number(name), now, beats, "~" in marks, mark))
            now += beats
            assert whole > 0
    return notes


def without_graces(written: list[Written]) -> list[Written | None]:
    """The notes as a score without ornaments has them: None for a grace note, whose time goes to the next."""
    plain: list[Written | None] = []
    for i, note in enumerate(written):
        before = written[i - 1] if i else None
        if note.mark == "grace":
            plain.append(None)
        elif before is not None and before.mark == "grace":
            plain.append(replace(note, start=before.start, beats=before.beats + note.beats))
        else:
            plain.append(note)
    return plain


def save_midi(path: Path, notes: list[Written], beats_per_bar: int) -> None:
    """Write a score as a MIDI file; beats are quarters."""
    track, last = mido.MidiTrack(), 0
    track.append(mido.MetaMessage("time_signature", numerator=beats_per_bar, denominator=4))
    for note in notes:
        start, end = (round(960 * beats) for beats in (note.start, note.start + note.beats))
        track.append(mido.Message("note_on", note=note.midi, velocity=80, time=start - last))
        track.append(mido.Message("note_off", note=note.midi, time=end - start))
        last = end
    mido.MidiFile(ticks_per_beat=960, tracks=[track]).save(path)


def tempo_map(beats: float, bpm: float, rubato: float, rng: np.random.Generator):
    """Return a function from beats to seconds; the local tempo swings by ± `rubato` (a share)."""
    grid = np.arange(0, beats + 2, 0.25)
    period = rng.uniform(6, 10)
    swing = np.sin(2 * np.pi * (grid / period + rng.uniform()))
    local = bpm * (1 + rubato * np.clip(0.8 * swing + 0.2 * rng.standard_normal(len(grid)), -1, 1))
    seconds = np.concatenate([[0.0], np.cumsum(0.25 * 60 / local)[:-1]])
    return lambda beat: np.interp(beat, grid, seconds)
