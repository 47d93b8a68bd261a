"""How well the notes are found: bars, measured on sounds with known truth.

Run with ``uv run python benchmarks/notes.py`` (needs the program FluidSynth and the SoundFont
FluidR3_GM; about three minutes). ``--keep FOLDER`` keeps the rendered sound for another run.

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
"""

from __future__ import annotations

import argparse
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import mido
import mir_eval
import numpy as np
import soundfile
from melodies import MELODIES, STEPS, Melody, read, tempo_map

from vibstudy.notes.segment import segment_notes
from vibstudy.pitch.contour import Contour

RATE_HZ = 22050
SOUNDFONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
INSTRUMENTS = {"alto sax": (65, -5), "oboe": (68, 0), "clarinet": (71, -3), "flute": (73, 3)}
STEMS = 3


@dataclass(frozen=True)
class Played:
    """One note as played: MIDI times in s, number, velocity."""

    onset_s: float
    offset_s: float
    midi: int
    velocity: int


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


def render(
    notes: list[Played], program: int, controls: list[tuple[float, int, int]], *, one_voice: bool = False
) -> np.ndarray:
    """Return the sound of `notes`, dry, mono. `controls` are (time in s, controller, value)."""
    messages = [(0.0, 0, mido.Message("program_change", program=program))]
    if one_voice:
        messages.append((0.0, 1, mido.Message("control_change", control=68, value=127)))
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
        score, sound, setup = (Path(folder) / name for name in ("a.mid", "a.wav", "setup"))
        mido.MidiFile(ticks_per_beat=1000, tracks=[track]).save(score)
        setup.write_text("setlegatomode 0 1\n" if one_voice else "", encoding="utf-8")
        command = ["fluidsynth", "-niq", "-R", "0", "-C", "0", "-g", "0.5", "-r", str(RATE_HZ)]
        command += ["-f", str(setup), "-F", str(sound), str(SOUNDFONT), str(score)]
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
            one_voice = (i + k) % 4 == 3
            notes, controls = play(melody, shift, rng, 0.15 if (i + k) % 2 else 0.0)
            count = 1 if one_voice else STEMS
            stems = [render(notes[j::count], program, controls, one_voice=one_voice) for j in range(count)]
            length = max(map(len, stems))
            stems = [np.pad(stem, (0, length - len(stem))) for stem in stems]
            solo = np.sum(stems, axis=0)
            piano = render(accompaniment(melody, length / RATE_HZ - 1.0, shift % 12 - 12), 0, [])
            piano = np.pad(piano, (0, max(0, length - len(piano))))[:length]
            piano = piano * (rms(solo) / rms(piano))
            takes.append(
                Take(melody.name, instrument, solo, piano.astype(np.float32), notes, heard(notes, stems))
            )
    return takes


def line_of(samples: np.ndarray) -> Contour:
    """Contour of the solo line by swift-f0."""
    from swift_f0 import SwiftF0

    found = SwiftF0(threads=1, spin=False).detect(samples, RATE_HZ)
    f0 = np.where(found.confidence >= 0.5, found.pitch_hz, np.nan)
    return Contour(found.timestamps, f0, found.confidence, "swift-f0")


def score(truth_s: np.ndarray, pitch_hz: np.ndarray, found) -> dict[str, float]:
    """F1 without and with offsets, and the median onset error of the matched notes (s)."""
    estimate = found[["onset_s", "offset_s"]].to_numpy()
    pitches = found["pitch_hz"].to_numpy()
    arguments = (truth_s, pitch_hz, estimate, pitches)
    pairs = mir_eval.transcription.match_notes(*arguments, offset_ratio=None)
    error = [estimate[j, 0] - truth_s[i, 0] for i, j in pairs]
    with_offset = mir_eval.transcription.match_notes(*arguments, offset_ratio=0.2)
    return {
        "truth": len(truth_s),
        "found": len(estimate),
        "matched": len(pairs),
        "matched_offset": len(with_offset),
        "errors": error,
    }
