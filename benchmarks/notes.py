"""How well the notes are found: bars, measured on sounds with known truth.

Run with ``uv run python -m benchmarks.notes`` (needs the program FluidSynth and the SoundFont
FluidR3_GM; about three minutes of CPU). ``--keep FOLDER`` keeps the rendered sound for another run.

Material
--------
The melodies of ``melodies.py``, played dry by four solo instruments with an invented player's
freedom: rubato of 0 or 15 %, slurs as overlapping notes or as one voice that changes pitch (MIDI
legato pedal, controller 68), tonguing with gaps of 10–40 ms, staccato, vibrato (controller 1, up
to ± 50 cents at 8.2 Hz) on most long notes; alone and with a piano of equal RMS level.

Truth
-----
A SoundFont note starts slowly and rings on after its end, so its MIDI times are not when it is
heard. Neighbouring notes are rendered on separate tracks, whose sum is the sound measured. A note
begins where its own level (10 ms windows) first comes within 15 dB of its early peak (Vos and Rasch
1981, Percept. Psychophys. 29(4):323-335: perceived onset 6 to 15 dB below the maximum, from
memory) and is louder than the other notes of the line; it ends where it has fallen 10 dB from its
level at note-off, or where the next note begins. Scores against bare MIDI times stand beside.

Scores
------
The notes found are laid on the score of their melody (MIDI, at written pitch, so that the
transposition must be found). Ornaments are not in the score; 3 % of its notes have another pitch than
the one played, and 3 % of the notes found are taken away. Each take is also laid on scores of other melodies.
"""

from __future__ import annotations

import argparse
import itertools
import pickle
import subprocess
import tempfile
import time
from collections import defaultdict
from dataclasses import dataclass, field, replace
from pathlib import Path

import mido
import mir_eval
import numpy as np
import pandas as pd
import soundfile
from rich.console import Console
from rich.table import Table
from swift_f0 import SwiftF0

from benchmarks.melodies import MELODIES, STEPS, Melody, read, save_midi, tempo_map, without_graces
from vibstudy.errors import VibstudyError
from vibstudy.notes.score import align_score
from vibstudy.notes.segment import segment_notes
from vibstudy.pitch.contour import Contour

RATE_HZ = 22050
SOUNDFONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
INSTRUMENTS = {"alto sax": (65, -5), "oboe": (68, 0), "clarinet": (71, -3), "flute": (73, 3)}
STEMS = 3
TRACKER = SwiftF0(threads=1, spin=False)
BARS = {"solo": 0.96, "with piano": 0.88}


@dataclass(frozen=True)
class Played:
    """One note as played: MIDI times in s, number, velocity."""

    onset_s: float
    offset_s: float
    midi: int
    velocity: int


@dataclass(frozen=True)
class Score:
    """Counts over one or more takes: `truth`, `found`, matched without and with offsets."""

    truth: int = 0
    found: int = 0
    matched: int = 0
    matched_offset: int = 0
    errors_s: list[float] = field(default_factory=list)

    def __add__(self, other: Score) -> Score:
        return Score(
            self.truth + other.truth,
            self.found + other.found,
            self.matched + other.matched,
            self.matched_offset + other.matched_offset,
            self.errors_s + other.errors_s,
        )

    def row(self) -> list[str]:
        """F1, F1 with offsets, recall, precision, median absolute onset error in ms."""
        f1, with_offsets = (2 * n / (self.truth + self.found) for n in (self.matched, self.matched_offset))
        error = 1000 * np.median(np.abs(self.errors_s))
        shares = (f1, with_offsets, self.matched / self.truth, self.matched / self.found)
        return [f"{value:.3f}" for value in shares] + [f"{error:.1f}"]


@dataclass(frozen=True)
class Take:
    """One rendered melody: the sound, what was played, and the truth (onset, offset in s)."""

    name: str
    instrument: str
    samples: np.ndarray
    piano: np.ndarray
    played: list[Played]
    truth_s: np.ndarray

    @property
    def pitch_hz(self) -> np.ndarray:
        return 440.0 * np.exp2((np.array([note.midi for note in self.played]) - 69) / 12)


BEND_SEMITONES = 24


def render(
    notes: list[Played],
    program: int,
    controls: list[tuple[float, int, int]],
    bends: list[list[tuple[float, float]]] | None = None,
    soundfont: Path = SOUNDFONT,
) -> np.ndarray:
    """Return the sound of `notes`, dry, mono.

    `controls` are (time in s, controller, value); `bends` holds one list of (time in s, semitones) a note.
    """
    messages = [(0.0, 0, mido.Message("program_change", program=program))]
    for control, value in ((101, 0), (100, 0), (6, BEND_SEMITONES), (38, 0)):
        messages.append((0.0, 0, mido.Message("control_change", control=control, value=value)))
    for when, semitones in itertools.chain.from_iterable(bends or []):
        bend = round(8192 * semitones / BEND_SEMITONES)
        messages.append((when, 1, mido.Message("pitchwheel", pitch=min(bend, 8191))))
    for when, control, value in controls:
        messages.append((when, 1, mido.Message("control_change", control=control, value=value)))
    for note in notes:
        messages.append((note.onset_s, 3, mido.Message("note_on", note=note.midi, velocity=note.velocity)))
        messages.append((note.offset_s, 2, mido.Message("note_off", note=note.midi)))
    messages.sort(key=lambda message: (round(message[0] * 1000), message[1]))
    track, last = mido.MidiTrack(), 0
    track.append(mido.MetaMessage("set_tempo", tempo=1_000_000))
    for when, _, message in messages:
        tick = round(when * 1000)
        track.append(message.copy(time=tick - last))
        last = tick
    track.append(mido.MetaMessage("end_of_track", time=1000))
    with tempfile.TemporaryDirectory() as folder:
        score, sound = Path(folder) / "a.mid", Path(folder) / "a.wav"
        mido.MidiFile(ticks_per_beat=1000, tracks=[track]).save(score)
        command = ["fluidsynth", "-niq", "-R", "0", "-C", "0", "-g", "0.5", "-r", str(RATE_HZ)]
        command += ["-F", str(sound), str(soundfont), str(score)]
        subprocess.run(command, check=True, capture_output=True)
        samples, _ = soundfile.read(sound, dtype="float32")
    return samples.mean(axis=1)


def play(
    melody: Melody, shift: int, rng: np.random.Generator, rubato: float
) -> tuple[list[Played], list[tuple[float, int, int]]]:
    """Return the notes and vibrato controls of an invented player's reading of a melody."""
    written = read(melody)
    seconds = tempo_map(written[-1].start + written[-1].beats, melody.bpm, rubato, rng)
    notes, controls = [], []
    for i, note in enumerate(written):
        onset, end = 0.5 + seconds(note.start), 0.5 + seconds(note.start + note.beats)
        length = end - onset
        follows = i + 1 < len(written) and abs(written[i + 1].start - note.start - note.beats) < 1e-6
        if note.slurred and follows:
            offset = end + rng.uniform(0.01, 0.03)
        elif note.mark == "staccato":
            offset = onset + 0.5 * length
        elif note.mark == "portato":
            offset = end - rng.uniform(0.005, 0.02)
        else:
            offset = end - rng.uniform(0.01, 0.04)
        notes.append(Played(onset, offset, note.midi + shift, int(rng.integers(75, 110))))
        controls.append((onset, 1, 0))
        if length > 0.45 and rng.uniform() < 0.75:
            controls.append((onset + rng.uniform(0.0, 0.25), 1, int(rng.integers(40, 128))))
    return notes, controls


def same_length(sounds: list[np.ndarray]) -> list[np.ndarray]:
    """Pad `sounds` with silence to the longest."""
    length = max(map(len, sounds))
    return [np.pad(sound, (0, length - len(sound))) for sound in sounds]


def levels_db(samples: np.ndarray) -> np.ndarray:
    """Level of 10 ms windows every 1 ms, dB."""
    half = round(0.005 * RATE_HZ)
    energy = np.concatenate([[0.0], np.cumsum(samples.astype(float) ** 2)])
    centre = np.arange(0, len(samples), RATE_HZ / 1000).astype(int)
    first, last = np.clip(centre - half, 0, None), np.clip(centre + half, None, len(samples))
    return 10 * np.log10((energy[last] - energy[first]) / (2 * half) + 1e-12)


def heard(notes: list[Played], stems: list[np.ndarray]) -> np.ndarray:
    """Return onset and offset, s, of every note as the module's docstring defines them."""
    own = [levels_db(stem) for stem in stems]
    times = np.zeros((len(notes), 2))
    for i, note in enumerate(notes):
        mine = own[i % len(stems)]
        rest = [level for j, level in enumerate(own) if j != i % len(stems)]
        others = np.max(rest, axis=0) if rest else np.full_like(mine, -120.0)
        on, off = round(note.onset_s * 1000), round(note.offset_s * 1000)
        peak = mine[on : min(on + 150, off)].max()
        begun = (mine[on:off] >= peak - 15) & (mine[on:off] >= others[on:off])
        times[i, 0] = on + (int(np.argmax(begun)) if begun.any() else 20)
        ended = mine[off : off + 400] < mine[max(off - 10, on)] - 10
        times[i, 1] = off + (int(np.argmax(ended)) if ended.any() else 40)
    times[:-1, 1] = np.minimum(times[:-1, 1], times[1:, 0])
    return times / 1000


Bends = list[tuple[float, int]]


def as_one_voice(notes: list[Played], slurred: list[bool]) -> tuple[list[Played], list[Bends]]:
    """Join every slur into one held note; its bends, (time in s, semitones), give the others."""
    held, bends = [], []
    for i, note in enumerate(notes):
        if i and slurred[i - 1] and notes[i - 1].midi != note.midi:
            held[-1] = replace(held[-1], offset_s=note.offset_s)
            bends[-1].append((note.onset_s, note.midi - held[-1].midi))
        else:
            held.append(note)
            bends.append([(note.onset_s, 0)])
    return held, bends


def heard_as_one(notes: list[Played], held: list[Played], stems: list[np.ndarray]) -> np.ndarray:
    """Onset and offset, s, when slurs are bends: a bend is heard at once."""
    edges = heard(held, stems)
    times = np.array([(note.onset_s, note.offset_s) for note in notes])
    times[:-1, 1] = np.minimum(times[:-1, 1], times[1:, 0])
    for note, (onset, offset) in zip(held, edges, strict=True):
        times[[other.onset_s == note.onset_s for other in notes], 0] = onset
        times[[other.offset_s == note.offset_s for other in notes], 1] = offset
    return times


def accompaniment(melody: Melody, seconds: float, shift: int) -> list[Played]:
    """Broken chords under the melody, four to a bar (the bars keep the nominal tempo)."""
    bar = 60 / melody.bpm * melody.beats_per_bar
    notes, bars = [], melody.chords.split()
    for i in range(int(np.ceil(seconds / bar))):
        name = bars[i % len(bars)]
        root = 48 + STEPS[name[0]] + len(name[1:]) + shift
        for j, chord in enumerate(((0, 12), (16, 19), (7, 12), (16, 19))):
            start = 0.5 + i * bar + j * bar / 4
            notes += [Played(start, start + bar / 4, root + step, 80) for step in chord]
    return notes


def rms(samples: np.ndarray) -> float:
    """RMS of what sounds (windows within 40 dB of the loudest)."""
    level = levels_db(samples)
    return float(np.sqrt(np.mean(10 ** (level[level > level.max() - 40] / 10))))


def make_takes(instruments: dict[str, tuple[int, int]] = INSTRUMENTS) -> list[Take]:
    """Render every melody with every instrument."""
    takes = []
    for k, (instrument, (program, shift)) in enumerate(instruments.items()):
        for i, melody in enumerate(MELODIES):
            rng = np.random.default_rng([k, i])
            written = read(melody)
            notes, controls = play(melody, shift, rng, 0.15 if (i + k) % 2 else 0.0)
            if (i + k) % 4 == 3:
                slurred = [note.slurred for note in written]
                held, bends = as_one_voice(notes, slurred)
                stems = same_length(
                    [render(held[j::STEMS], program, controls, bends[j::STEMS]) for j in range(STEMS)]
                )
                truth = heard_as_one(notes, held, stems)
            else:
                stems = same_length([render(notes[j::STEMS], program, controls) for j in range(STEMS)])
                truth = heard(notes, stems)
            solo = np.sum(stems, axis=0)
            length = len(solo)
            piano = render(accompaniment(melody, length / RATE_HZ - 1.0, shift % 12 - 12), 0, [])
            piano = np.pad(piano, (0, max(0, length - len(piano))))[:length]
            piano = piano * (rms(solo) / rms(piano))
            takes.append(Take(melody.name, instrument, solo, piano.astype(np.float32), notes, truth))
    return takes


def line_of(samples: np.ndarray) -> Contour:
    """Contour of the solo line by swift-f0."""
    found = TRACKER.detect(samples, RATE_HZ)
    f0 = np.where(found.confidence >= 0.5, found.pitch_hz, np.nan)
    return Contour(found.timestamps, f0, found.confidence, "swift-f0")


def score(truth_s: np.ndarray, pitch_hz: np.ndarray, found: pd.DataFrame) -> Score:
    """Compare found notes with the truth."""
    estimate = found[["onset_s", "offset_s"]].to_numpy()
    arguments = (truth_s, pitch_hz, estimate, found["pitch_hz"].to_numpy())
    pairs = mir_eval.transcription.match_notes(*arguments, offset_ratio=None)
    with_offsets = mir_eval.transcription.match_notes(*arguments, offset_ratio=0.2)
    errors = [estimate[j, 0] - truth_s[i, 0] for i, j in pairs]
    return Score(len(truth_s), len(estimate), len(pairs), len(with_offsets), errors)


def tone(cents: np.ndarray, base_hz: float, rng: np.random.Generator, am_db: np.ndarray | float = 0.0):
    """A tone of 12 harmonics whose pitch is `cents` from `base_hz` at each sample; SNR 35 dB."""
    phase = 2 * np.pi * np.cumsum(base_hz * np.exp2(cents / 1200)) / RATE_HZ
    level = rng.uniform(4, 10)
    sound = np.zeros(len(cents))
    for k in range(1, 13):
        if k * base_hz < 9000:
            sound += 10 ** (-level * np.log2(k) / 20) * np.cos(k * phase + rng.uniform(0, 2 * np.pi))
    sound *= 10 ** (am_db / 20)
    ramp = np.minimum(1, np.arange(len(sound)) / (0.03 * RATE_HZ))
    sound *= ramp * ramp[::-1]
    sound *= 0.1 / np.sqrt(np.mean(sound**2))
    silence = np.zeros(round(0.3 * RATE_HZ))
    sound = np.concatenate([silence, sound, silence])
    return (sound + 0.1 * 10 ** (-35 / 20) * rng.standard_normal(len(sound))).astype(np.float32)


def wide_vibrato(count: int, rng: np.random.Generator, exact: bool) -> tuple[int, int]:
    """Return how many of `count` single notes were split or lost: ± 100 cents at 8 Hz when `exact`."""
    split = lost = 0
    for _ in range(count):
        rate = 8.0 if exact else rng.uniform(4, 8)
        extent = 100.0 if exact else rng.uniform(30, 100)
        seconds = np.arange(round(rng.uniform(0.5, 2.5) * RATE_HZ)) / RATE_HZ
        turn = 2 * np.pi * rate * seconds + rng.uniform(0, 2 * np.pi)
        depth = rng.uniform(0, 3)
        sound = tone(
            extent * np.sin(turn),
            rng.uniform(110, 1000),
            rng,
            depth * np.sin(turn + rng.uniform(0, 2 * np.pi)),
        )
        found = segment_notes(sound, RATE_HZ, line_of(sound))
        split += len(found) > 1
        lost += len(found) == 0
    return split, lost


def semitone_steps(count: int, rng: np.random.Generator) -> tuple[int, int, int]:
    """Return steps found within 50 and 100 ms, and false steps, of `count` under ± 50 c vibrato."""
    near = close = false = 0
    for _ in range(count // 5):
        lengths = rng.uniform(0.3, 1.2, 6)
        places = np.cumsum(np.append(0, rng.choice([-100, 100], 5)))
        seconds = np.arange(round(lengths.sum() * RATE_HZ)) / RATE_HZ
        edges = np.cumsum(lengths)[:-1]
        slope = rng.uniform(0.004, 0.012)
        cents = sum(
            step / (1 + np.exp(-np.clip((seconds - edge) / slope, -50, 50)))
            for step, edge in zip(np.diff(places), edges, strict=True)
        )
        turn = 2 * np.pi * rng.uniform(4.5, 8) * seconds
        sound = tone(cents + 50 * np.sin(turn), rng.uniform(150, 900), rng, rng.uniform(0, 2) * np.sin(turn))
        onsets = segment_notes(sound, RATE_HZ, line_of(sound))["onset_s"].to_numpy()[1:]
        away = np.abs(onsets[:, None] - (0.3 + edges)) if len(onsets) else np.full((1, 5), 9.0)
        near += int((away.min(axis=0) < 0.05).sum())
        close += int((away.min(axis=0) < 0.1).sum())
        false += int((away.min(axis=1) >= 0.1).sum()) if len(onsets) else 0
    return near, close, false


def rendered_trills(count: int, rng: np.random.Generator) -> dict[str, int]:
    """Return how many of `count` rendered trills (6-9 Hz, 1 or 2 semitones) came out as what.

    "one trill"; "trill and rest" (a trill, and short notes at its ends); "short notes" (all shorter
    than two cycles, so that nothing can pass for vibrato); "plain note" (the failure).
    """
    outcomes: dict[str, int] = defaultdict(int)
    programs = [program for program, _ in INSTRUMENTS.values()]
    for i in range(count):
        rate, step = rng.uniform(6, 9), int(rng.integers(1, 3))
        low, length = int(rng.integers(60, 80)), rng.uniform(1.2, 2.0)
        onsets = np.arange(0.5, 0.5 + length, 0.5 / rate)
        notes = [
            Played(onset, onset + 0.5 / rate + rng.uniform(0, 0.015), low + step * (j % 2), 90)
            for j, onset in enumerate(onsets)
        ]
        if i % 2:
            held = [replace(notes[0], offset_s=notes[-1].offset_s)]
            sound = render(held, programs[i % 4], [], [[(note.onset_s, note.midi - low) for note in notes]])
        else:
            sound = render(notes, programs[i % 4], [])
        found = segment_notes(sound, RATE_HZ, line_of(sound))
        plain = found[found["note_kind"] == "note"]
        trills = int((found["note_kind"] == "trill").sum())
        if ((plain["offset_s"] - plain["onset_s"]) > 2.5 / rate).any():
            outcomes["plain note"] += 1
        elif trills == 1 and len(found) == 1:
            outcomes["one trill"] += 1
        else:
            outcomes["trill and rest" if trills else "short notes"] += 1
    return dict(outcomes)


def melodies_table(takes: list[Take]) -> Table:
    """Score every take, alone and with piano."""
    scores: dict[tuple[str, str], Score] = defaultdict(Score)
    spent = sounded = 0.0
    for take in takes:
        played = np.array([(note.onset_s, note.offset_s) for note in take.played])
        for setting, sound in (("solo", take.samples), ("with piano", take.samples + take.piano)):
            line = line_of(sound.astype(np.float32))
            start = time.process_time()
            found = segment_notes(sound.astype(np.float32), RATE_HZ, line)
            spent, sounded = spent + time.process_time() - start, sounded + len(sound) / RATE_HZ
            result = score(take.truth_s, take.pitch_hz, found)
            for group in ("all", take.instrument):
                scores[setting, group] += result
            scores[setting, "all, bare MIDI times"] += score(played, take.pitch_hz, found)
    table = Table(
        title=f"Melodies: {len(takes)} takes ({1000 * spent / sounded:.1f} ms of CPU a second of sound)"
    )
    for head in (
        "",
        "notes",
        "F1",
        "F1 with offsets",
        "recall",
        "precision",
        "onset error, median ms",
        "bar",
    ):
        table.add_column(head, justify="left" if not head else "right")
    for (setting, group), result in sorted(
        scores.items(), key=lambda item: (item[0][0], item[0][1] != "all")
    ):
        bar = f"F1 {BARS[setting]}" if group == "all" else ""
        table.add_row(f"{setting}: {group}", str(result.truth), *result.row(), bar)
    return table


def aligned(take: Take, found: pd.DataFrame, rng: np.random.Generator) -> tuple[int, int, bool]:
    """Lay found notes on the score of their melody; the score has no ornaments, and the player slips.

    3 % of the written notes are another pitch than played, and 3 % of the played ones are taken away.

    Returns
    -------
    notes, right : int
        Notes found rightly that are written, and those of them that are laid on their written note.
    refused : bool
    """
    melody = next(melody for melody in MELODIES if melody.name == take.name)
    plain = without_graces(read(melody))
    written = [note for note in plain if note is not None]
    few = max(1, round(0.03 * len(written)))
    for j in rng.choice(len(written), few, replace=False):
        written[j] = replace(written[j], midi=written[j].midi + int(rng.choice([-2, -1, 1, 2])))
    found = found.drop(index=rng.choice(len(found), few, replace=False)).reset_index(drop=True)
    estimate = found[["onset_s", "offset_s"]].to_numpy()
    pairs = mir_eval.transcription.match_notes(
        take.truth_s, take.pitch_hz, estimate, found["pitch_hz"].to_numpy(), offset_ratio=None
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "score.mid"
        save_midi(path, written, melody.beats_per_bar)
        try:
            table, _, _ = align_score(found, path)
        except VibstudyError:
            return len(pairs), 0, True
    place = (table["measure"] - 1) * melody.beats_per_bar + table["beat"] - 1
    told = [(plain[i], place[j]) for i, j in pairs if plain[i] is not None]
    right = [pd.notna(where) and abs(float(where) - note.start) < 0.02 for note, where in told]
    return len(told), sum(right), False


def alignment_table(takes: list[Take]) -> Table:
    """Score alignment of every take; and of every melody with every other one's score."""
    counts: dict[str, np.ndarray] = defaultdict(lambda: np.zeros(3, dtype=int))
    unrelated = np.zeros(2, dtype=int)
    for number, take in enumerate(takes):
        for setting, sound in (("solo", take.samples), ("with piano", take.samples + take.piano)):
            sound = sound.astype(np.float32)
            found = segment_notes(sound, RATE_HZ, line_of(sound))
            counts[setting] += aligned(take, found, np.random.default_rng(number))
            if setting == "solo":
                others = [melody for melody in MELODIES if melody.name != take.name]
                for other in others[number % 4 :: 4]:
                    unrelated += (1, refused(found, other))
    table = Table(title="Laid on the score (rubato 0 or 15 %, ornaments not written, 3 % wrong, 3 % missing)")
    for head in ("case", "result", "bar"):
        table.add_column(head)
    for setting, (notes, right, lost) in counts.items():
        words = f"{right / notes:.1%} of {notes} notes on their written note; {lost} scores refused"
        table.add_row(setting, words, "98 %" if setting == "solo" else "")
    table.add_row("unrelated scores", f"{unrelated[1]} of {unrelated[0]} refused", "all")
    return table


def refused(found: pd.DataFrame, other: Melody) -> bool:
    """Whether the score of another melody is refused."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "score.mid"
        save_midi(path, read(other), other.beats_per_bar)
        try:
            align_score(found, path)
        except VibstudyError:
            return True
    return False


def cases_table(count: int) -> Table:
    """Wide vibrato, semitone steps and trills; `count` of each vibrato case."""
    table = Table(title="Special cases")
    for head in ("case", "result", "bar"):
        table.add_column(head)
    split, lost = wide_vibrato(count, np.random.default_rng(1), exact=True)
    table.add_row(f"{count} notes, ± 100 c at 8 Hz", f"{split} split, {lost} lost", "0 split of 500")
    split, lost = wide_vibrato(count, np.random.default_rng(2), exact=False)
    table.add_row(f"{count} notes, ± 30-100 c at 4-8 Hz", f"{split} split, {lost} lost", "")
    steps = count // 5 * 5
    near, close, false = semitone_steps(count, np.random.default_rng(3))
    found = f"{near / steps:.1%} within 50 ms, {close / steps:.1%} within 100 ms, {false} false"
    table.add_row(f"{steps} legato semitones, ± 50 c at 4.5-8 Hz", found, "97 %")
    outcomes = rendered_trills(100, np.random.default_rng(4))
    told = ", ".join(f"{value} {name}" for name, value in outcomes.items())
    table.add_row("100 rendered trills, 6-9 Hz", told, "0 plain note")
    return table


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--keep", type=Path, help="folder that keeps the rendered melodies")
    parser.add_argument("--cases", type=int, default=500, help="notes of each vibrato case")
    options = parser.parse_args()
    console = Console()
    store = options.keep / "takes.pkl" if options.keep else None
    if store and store.exists():
        takes = pickle.loads(store.read_bytes())
    else:
        takes = make_takes()
        if store:
            options.keep.mkdir(parents=True, exist_ok=True)
            store.write_bytes(pickle.dumps(takes))
    console.print(melodies_table(takes))
    console.print(alignment_table(takes))
    console.print(cases_table(options.cases))


if __name__ == "__main__":
    main()
