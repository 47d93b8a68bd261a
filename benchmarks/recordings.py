"""How well recordings as they are get measured: bars, on sounds whose truth is known.

Run with ``uv run python -m benchmarks.recordings`` (needs the programs FluidSynth and ffmpeg, and the
SoundFont FluidR3_GM; about eight minutes). ``--parts accompaniment disc tuning formats odd`` chooses,
``--seed`` draws other takes, ``--keep FOLDER`` keeps the rendered sound, ``--out FOLDER`` writes one row a
note as CSV.

Material
--------
Melodies of ``melodies.py``, their bars in another order, at another tempo and in another key for each seed,
played by sampled winds through FluidSynth, an instrument from outside the
project (SoundFont Technical Specification 2.04: controller 1 turns the vibrato oscillator up to 50
cents, a triangle, section 8.4.6; its rate is generator 24, set note by note through NRPN 120, section
9.6). Tenor saxophone, clarinet and trombone samples are nearly straight and take the oscillator at 4.5
to 7.5 Hz and 0 to 50 cents; alto saxophone, oboe and flute samples carry their players' own vibrato.
Accompaniments are rendered apart and added at equal RMS level; a piano 12 dB softer stands beside. For the
78s the takes of a soloist follow each other as one side of three minutes.

Truth
-----
The same soloist alone, measured by the same program; how far that is from the oscillator's published
figure is a row of its own. A note with vibrato that is said to have none counts as an extent of 0, and
one without that is said to have some as one of 0, too. "Wrong" is more than 5 cents or 0.3 Hz off, or
another pitch. Extent is half of peak-to-peak.
"""

from __future__ import annotations

import argparse
import subprocess
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import mido
import numpy as np
import pandas as pd
import soundfile
from rich.console import Console
from rich.table import Table
from scipy.signal import butter, sosfiltfilt

from benchmarks.melodies import MELODIES, STEPS, Melody, read
from vibstudy.corpus.settings import Settings
from vibstudy.recording import RecordingResult, measure_file

RATE_HZ = 44_100
SOUNDFONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
OSCILLATOR_HZ, OSCILLATOR_CENTS = 8.176, 50.0
LONG_S = 0.3
WRONG_CENTS, WRONG_HZ = 5.0, 0.3
SURE_CENTS, SURE_HZ = 1.0, 0.08
"""The truth of a note must be known this well (standard error) to be one."""

DISC_SURE_HZ = 0.025
"""On a disc the true rate must be known to half of the bar; all rates are told besides."""

STRAIGHT_P = 0.2
"""A note alone counts as straight from this p on; below, whether it has vibrato is not known even alone."""

DISC_SPEED, DISC_WOW_HZ, DISC_WOW = 0.96, 1.304, 0.003


@dataclass(frozen=True)
class Soloist:
    """A sampled instrument: General MIDI program from 0, transposition, whether the oscillator plays."""

    name: str
    program: int
    transpose: int
    oscillator: bool


@dataclass(frozen=True)
class Sounded:
    """One note as sent: times in s, MIDI number, velocity, oscillator's rate and depth."""

    onset_s: float
    offset_s: float
    midi: int
    velocity: int = 100
    rate_hz: float = OSCILLATOR_HZ
    depth: int = 0


SOLOISTS = (
    Soloist("tenor saxophone", 66, -12, True),
    Soloist("clarinet", 71, -3, True),
    Soloist("trombone", 57, -14, True),
    Soloist("alto saxophone", 65, -5, False),
    Soloist("oboe", 68, 0, False),
    Soloist("flute", 73, 3, False),
)
SUITED = ("andante", "arioso", "leaps", "portato", "chromatic", "pairs", "octaves", "overture", "cadenza")
"""Melodies with many notes long enough to carry vibrato."""

TAKES_EACH = 4

ACCOMPANIMENTS = {"piano": 0, "strings": 48, "second wind": 71, "piano, softer": 0}
SOFTER_DB = 12.0


# --- playing


def drawn(melody: Melody, soloist: Soloist, rng: np.random.Generator) -> tuple[Melody, Soloist]:
    """A melody with its later bars in another order, at another tempo and, by the soloist, in another key."""
    order = [0, *1 + rng.permutation(len(melody.chords.split()) - 1)]  # the first names the key
    bars, chord_names = melody.tokens.split("|"), melody.chords.split()
    other = replace(
        melody,
        bpm=melody.bpm * rng.uniform(0.85, 1.1),
        chords=" ".join(chord_names[i] for i in order),
        tokens="|".join(bars[i] for i in order),
    )
    return other, replace(soloist, transpose=soloist.transpose + int(rng.integers(-3, 4)))


def solo_line(melody: Melody, soloist: Soloist, rng: np.random.Generator) -> list[Sounded]:
    """The melody as a soloist plays it, each note detached and with its own vibrato."""
    beat = 60 / melody.bpm
    notes = []
    for note in read(melody):
        length = note.beats * beat
        notes.append(
            Sounded(
                0.5 + note.start * beat,
                0.5 + note.start * beat + max(length - 0.04, 0.9 * length),
                note.midi + soloist.transpose,
                int(rng.integers(85, 110)),
                playable(rng.uniform(4.5, 7.5)),
                int(rng.choice((0, 40, 64, 90, 127))) if soloist.oscillator else 0,
            )
        )
    return notes


def _steps(rate_hz: float) -> int:
    """Generator 24: steps of 4 cents re 8.176 Hz."""
    return round(1200 * np.log2(rate_hz / OSCILLATOR_HZ) / 4)


def playable(rate_hz: float) -> float:
    """The nearest rate that can be sent."""
    return float(OSCILLATOR_HZ * 2 ** (4 * _steps(rate_hz) / 1200))


def chords(melody: Melody, soloist: Soloist, held: bool) -> list[Sounded]:
    """A bass and a triad: struck on every beat, or held through the bar."""
    beat = 60 / melody.bpm
    centre = 55 + min(soloist.transpose + 12, 5)
    tonic = STEPS[melody.chords[0]] + soloist.transpose
    out = []
    for bar, name in enumerate(melody.chords.split()):
        root = STEPS[name[0]] + len(name[1:]) + soloist.transpose
        minor = (root - tonic) % 12 in (2, 4, 9, 11)
        tones = [(root + above) % 12 for above in (0, 3 if minor else 4, 7)]
        pitches = [36 + root % 12] + [centre + (tone - centre) % 12 for tone in tones]
        steps = [(0, melody.beats_per_bar)] if held else [(i, 1) for i in range(melody.beats_per_bar)]
        for step, beats in steps:
            start = 0.5 + (bar * melody.beats_per_bar + step) * beat
            out += [Sounded(start, start + 0.95 * beats * beat, pitch, 80) for pitch in pitches]
    return out


def second_line(solo: Sequence[Sounded]) -> list[Sounded]:
    """A line in the same register: a third or sixth below the soloist, moving with it."""
    return [Sounded(n.onset_s, n.offset_s, n.midi - (4, 9, 3, 8)[i % 4], 90) for i, n in enumerate(solo)]


def render(
    notes: Sequence[Sounded], program: int, path: Path, cents: float = 0.0, soundfont: Path = SOUNDFONT
) -> np.ndarray:
    """Mono sound of one part; `cents` tunes the whole synthesiser (MIDI master tuning, RPN 1 and 2)."""
    if not path.exists():
        score = mido.MidiFile(ticks_per_beat=1000)
        score.tracks.append(_track(notes, program, cents))
        score.save(path.with_suffix(".mid"))
        command = ["fluidsynth", "-ni", "-q", "-g", "0.6", "-R", "0", "-C", "0", "-r", str(RATE_HZ)]
        subprocess.run(
            [*command, "-F", str(path), str(soundfont), str(path.with_suffix(".mid"))],
            check=True,
            capture_output=True,
            timeout=120,
        )
    samples, _ = soundfile.read(path, always_2d=True)
    return samples.mean(axis=1)


def _track(notes: Sequence[Sounded], program: int, cents: float) -> mido.MidiTrack:
    timed: list[tuple[float, int, mido.Message]] = [(0.0, 0, mido.Message("program_change", program=program))]
    semitones = round(cents / 100)
    fine = round(8192 + (cents - 100 * semitones) * 81.92)
    timed += _controls(0.0, {101: 0, 100: 2, 6: 64 + semitones})
    timed += _controls(0.001, {101: 0, 100: 1, 38: fine & 127, 6: fine >> 7})
    for note in notes:
        rate = 8192 + _steps(note.rate_hz)
        before = max(note.onset_s - 0.002, 0.0)
        timed += _controls(before, {1: note.depth, 99: 120, 98: 24, 38: rate & 127, 6: rate >> 7})
        timed.append((note.onset_s, 2, mido.Message("note_on", note=note.midi, velocity=note.velocity)))
        timed.append((note.offset_s, 0, mido.Message("note_off", note=note.midi)))
    timed.sort(key=lambda entry: entry[:2])
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=1_000_000)])
    last = 0
    for at_s, _, message in timed:
        tick = round(at_s * 1000)
        track.append(message.copy(time=tick - last))
        last = tick
    return track


def _controls(at_s: float, values: dict[int, int]) -> list[tuple[float, int, mido.Message]]:
    return [
        (at_s, 1, mido.Message("control_change", control=control, value=value))
        for control, value in values.items()
    ]


def mixed(solo: np.ndarray, other: np.ndarray, below_db: float) -> np.ndarray:
    """Both together [shape=(..., n)], `other` at the soloist's RMS less `below_db`."""
    size = max(solo.shape[-1], other.shape[-1])
    solo, other = (
        np.pad(part, [(0, 0)] * (part.ndim - 1) + [(0, size - part.shape[-1])]) for part in (solo, other)
    )
    return solo + other * np.sqrt(np.mean(solo**2) / np.mean(other**2)) * 10 ** (-below_db / 20)


def through_disc(samples: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """As a worn 78 played slow: wow, 250-3500 Hz, noise 10 dB below the music, clicks; then 4 % slow."""
    t = np.arange(len(samples)) / RATE_HZ
    turn = 2 * np.pi * DISC_WOW_HZ
    sound = np.interp(t - DISC_WOW / turn * np.cos(turn * t), t, samples)
    slow = np.interp(np.arange(round(len(sound) / DISC_SPEED)) * DISC_SPEED, np.arange(len(sound)), sound)
    band = butter(4, (250, 3500), "bandpass", fs=RATE_HZ, output="sos")
    music, noise = sosfiltfilt(band, np.stack([slow, rng.standard_normal(len(slow))]))
    out = music + noise * music.std() / noise.std() * 10 ** (-10 / 20)
    for start in rng.integers(0, len(out) - 60, round(8 * len(out) / RATE_HZ)):
        length = int(rng.integers(20, 50))
        out[start : start + length] += (
            music.std() * rng.lognormal(1.5, 0.7) * np.hanning(length) * rng.choice((-1, 1))
        )
    return out


def measured(samples: np.ndarray, folder: Path, **row: object) -> RecordingResult:
    """Write a take as a 16-bit file and measure it whole, as the command does."""
    path = folder / "take.wav"
    soundfile.write(path, 0.5 * samples / np.abs(samples).max(), RATE_HZ, subtype="PCM_16")
    return measure_file(path, Settings(), {"recording_id": "take", **row})


# --- comparing


def compare(line: Sequence[Sounded], alone: pd.DataFrame, mix: pd.DataFrame) -> pd.DataFrame:
    """One row a note of the soloist of at least 0.3 s, and one a note found where the soloist has none."""
    rows, taken = [], set()
    for note in line:
        if note.offset_s - note.onset_s < LONG_S:
            taken |= set(sharing(mix, note, 0.0).index)
            continue
        true, found = sharing(alone, note, 0.5), sharing(mix, note, 0.5)
        taken |= set(sharing(mix, note, 0.0).index)
        row = {"midi": note.midi, "onset_s": note.onset_s, "sent_hz": note.rate_hz, "depth": note.depth}
        if true.empty or abs(_cents(true.iloc[0]["pitch_hz"], note.midi)) > 60:
            continue  # even alone it is not found: a matter of the notes' own benchmark
        row |= _told(true.iloc[0], "true_") | {"solo": True, "found": not found.empty}
        if not found.empty:
            row |= _told(found.iloc[0], "")
        rows.append(row)
    for index, other in mix.iterrows():
        if index not in taken and other["duration_s"] >= LONG_S and other["note_kind"] == "note":
            rows.append({"solo": False, "found": True, "onset_s": other["onset_s"]} | _told(other, ""))
    return pd.DataFrame(rows)


def sharing(found: pd.DataFrame, note: Sounded, share: float) -> pd.DataFrame:
    """Notes found that last through more than `share` of a note sent, most first."""
    begin = found["onset_s"].clip(lower=note.onset_s)
    shared = (found["offset_s"].clip(upper=note.offset_s) - begin) / (note.offset_s - note.onset_s)
    return found.assign(shared=shared)[shared > share].sort_values("shared", ascending=False)


def _told(row: pd.Series, prefix: str) -> dict[str, object]:
    names = (
        "pitch_hz",
        "has_vibrato",
        "vibrato_p",
        "rate_hz",
        "rate_se_hz",
        "extent_cents",
        "extent_se_cents",
        "extent_first_cents",
    )
    return {prefix + name: row[name] for name in (*names, "quality", "snr_db", "duration_s")}


def _cents(pitch_hz: float, midi: int) -> float:
    return 1200 * np.log2(pitch_hz / 440) - 100 * (midi - 69)


def judged(rows: pd.DataFrame) -> pd.DataFrame:
    """Add what is right, what is wrong, and what says so."""
    rows = rows.copy()
    for prefix in (
        "true_",
        "",
    ):  # the first harmonic: what noise and other players do to a cycle's shape is no error
        heard = rows[prefix + "has_vibrato"].fillna(False).astype(bool)
        rows[prefix + "extent"] = rows[prefix + "extent_first_cents"].where(heard, 0.0)
    told = rows["has_vibrato"].notna() & rows["true_has_vibrato"].notna()
    rows["known"] = (
        rows["solo"]
        & (rows["true_quality"] == "ok")
        & (rows["true_extent_se_cents"].fillna(0) < SURE_CENTS)
        & (rows["true_rate_se_hz"].fillna(0) < SURE_HZ)
        & (rows["true_has_vibrato"].fillna(False).astype(bool) | (rows["true_vibrato_p"] > STRAIGHT_P))
    )
    rows["off_pitch"] = ~(np.abs(1200 * np.log2(rows["pitch_hz"] / rows["true_pitch_hz"])) < 50)
    rows["extent_error"] = np.abs(rows["extent"] - rows["true_extent"]).where(told)
    both = told & rows["true_has_vibrato"].fillna(False) & rows["has_vibrato"].fillna(False)
    rows["rate_error"] = np.abs(rows["rate_hz"] - rows["true_rate_hz"]).where(both.astype(bool))
    rows["ok"] = rows["found"] & (rows["quality"] == "ok")
    rows["wrong"] = (
        (rows["off_pitch"] & rows["found"])
        | (rows["extent_error"] > WRONG_CENTS)
        | (rows["rate_error"] > WRONG_HZ)
    )
    return rows


def summary(rows: pd.DataFrame) -> dict[str, float]:
    """The bars of one kind of mixture; shares are of 1."""
    own = rows[rows["solo"]]
    known = own[own["known"]]
    ok = known[known["ok"]]
    right = known["found"] & ~known["wrong"]
    flagged = known["found"] & ~known["ok"]
    other = rows[~rows["solo"]]
    return {
        "notes": len(own),
        "found on the right pitch": (own["found"] & ~own["off_pitch"]).mean(),
        "marked ok": known["ok"].mean(),
        "extent error, median (c)": ok["extent_error"].median(),
        "extent error, 95th percentile (c)": ok["extent_error"].quantile(0.95),
        "rate error, 95th percentile (Hz)": ok["rate_error"].quantile(0.95),
        "wrong, yet ok": (known["ok"] & known["wrong"]).sum() / max(known["ok"].sum(), 1),
        "right or flagged, of those found": (right | flagged).sum() / max(known["found"].sum(), 1),
        "not found": (~known["found"]).mean(),
        "notes of others, ok": int(other["ok"].sum()),
    }


# --- the parts


def alone_takes(
    folder: Path, seed: int, soundfont: Path = SOUNDFONT
) -> list[tuple[Soloist, Melody, list[Sounded], np.ndarray]]:
    """Every soloist with melodies drawn anew for each seed."""
    takes = []
    for number, named in enumerate(SOLOISTS):
        rng = np.random.default_rng([seed, number])
        for name in rng.choice(SUITED, TAKES_EACH, replace=False):
            melody, soloist = drawn(next(m for m in MELODIES if m.name == name), named, rng)
            line = solo_line(melody, soloist, rng)
            path = folder / f"{seed}_{soloist.program}_{name}.wav"
            sound = render(line, soloist.program, path, soundfont=soundfont)
            takes.append((soloist, melody, line, sound))
    return takes


def accompanied(
    stem: Path,
    kind: str,
    soloist: Soloist,
    melody: Melody,
    line: Sequence[Sounded],
    soundfont: Path = SOUNDFONT,
) -> tuple[np.ndarray, float]:
    """Sound of an accompaniment, and by how many dB it is to be softer; `stem` begins its file's name."""
    program = ACCOMPANIMENTS[kind]
    if kind == "second wind":
        program = 68 if soloist.program == 71 else 71
        other = second_line(line)
    else:
        other = chords(melody, soloist, held=kind == "strings")
    path = stem.with_name(f"{stem.name}_{kind.split()[0].strip(',')}_{soloist.program}_{melody.name}.wav")
    below_db = SOFTER_DB if kind.endswith("softer") else 0.0
    return render(other, program, path, soundfont=soundfont), below_db


def accompaniment(folder: Path, seed: int, kinds: Sequence[str] = tuple(ACCOMPANIMENTS)) -> pd.DataFrame:
    """All soloists with all accompaniments, as loud as they or softer; one row a note."""
    rows = []
    for soloist, melody, line, sound in alone_takes(folder, seed):
        alone = measured(sound, folder).notes
        for kind in kinds:
            other, below_db = accompanied(folder / str(seed), kind, soloist, melody, line)
            mix = measured(mixed(sound, other, below_db), folder)
            rows.append(
                compare(line, alone, mix.notes).assign(kind=kind, soloist=soloist.name, melody=melody.name)
            )
    return judged(pd.concat(rows, ignore_index=True))


def oscillator(folder: Path, seed: int) -> dict[str, float]:
    """Soloists alone against what the SoundFont says its oscillator does."""
    rate, extent = [], []
    for soloist, _, line, sound in alone_takes(folder, seed):
        if not soloist.oscillator:
            continue
        found = measured(sound, folder).notes
        for note in line:
            heard = sharing(found, note, 0.5)
            if note.depth and note.offset_s - note.onset_s > 0.6 and not heard.empty:
                rate.append(heard.iloc[0]["rate_hz"] - note.rate_hz)
                extent.append(heard.iloc[0]["extent_cents"] - OSCILLATOR_CENTS * note.depth / 128)
    return {
        "notes": len(rate),
        "rate off, median (Hz)": float(np.nanmedian(np.abs(rate))),
        "extent off, median (c)": float(np.nanmedian(np.abs(extent))),
        "extent off, 95th percentile (c)": float(np.nanquantile(np.abs(extent), 0.95)),
    }


def disc(folder: Path, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Each soloist's takes as one side of a worn, slow 78, alone and with a piano 10 dB softer."""
    rows, wow = [], []
    rng = np.random.default_rng([seed, 78])
    takes = alone_takes(folder, seed)
    for soloist in SOLOISTS:
        line: list[Sounded] = []
        parts: dict[str, list[np.ndarray]] = {"alone": [], "78, alone": [], "78, with piano": []}
        begin = 0.0
        for player, melody, notes, sound in (take for take in takes if take[0].name == soloist.name):
            path = folder / f"{seed}_piano_{soloist.program}_{melody.name}.wav"
            piano = render(chords(melody, player, held=False), 0, path)
            both = mixed(sound, piano, 10.0)
            alone = np.pad(sound, (0, len(both) - len(sound)))
            line += [replace(n, onset_s=n.onset_s + begin, offset_s=n.offset_s + begin) for n in notes]
            parts["alone"].append(alone)
            parts["78, alone"].append(alone)
            parts["78, with piano"].append(both)
            begin += len(both) / RATE_HZ
        truth = measured(np.concatenate(parts.pop("alone")), folder).notes
        for kind, music in parts.items():
            side = through_disc(np.concatenate(music), rng)
            found = measured(side, folder, speed_factor=DISC_SPEED)
            rows.append(compare(line, truth, found.notes).assign(kind=kind, soloist=soloist.name))
            wow.append({"kind": kind, "wow_hz": found.recording["wow_hz"], "p": found.recording["wow_p"]})
    return judged(pd.concat(rows, ignore_index=True)), pd.DataFrame(wow)


def disc_summary(rows: pd.DataFrame, wow: pd.DataFrame) -> dict[str, float]:
    """The bars of the 78s."""
    known = rows[rows["known"]]
    ok = known[known["ok"]]
    straight = ok[~ok["true_has_vibrato"].fillna(True).astype(bool)]
    false = straight["has_vibrato"].fillna(False)
    well_known = ok["true_rate_se_hz"] < DISC_SURE_HZ
    return {
        "recordings": len(wow),
        "wow found": wow["wow_hz"].notna().mean(),
        "wow off, greatest (Hz)": (wow["wow_hz"] - DISC_WOW_HZ).abs().max(),
        "notes": len(known),
        "found on the right pitch": (known["found"] & ~known["off_pitch"]).mean(),
        "marked ok": known["ok"].mean(),
        "straight notes": len(straight),
        "false vibrato": false.mean(),
        "false vibrato near the wow": (false & (straight["rate_hz"] < 3)).mean(),
        "rate error, median (Hz)": ok["rate_error"].median(),
        "rate error, 95th percentile (Hz)": ok["rate_error"][well_known].quantile(0.95),
        "the same, the truth less well known, too": ok["rate_error"].quantile(0.95),
        "extent error, median (c)": ok["extent_error"].median(),
        "extent error, 95th percentile (c)": ok["extent_error"].quantile(0.95),
        "right or flagged, of those found": (~known["wrong"] | ~known["ok"])[known["found"]].mean(),
    }


def tuning(folder: Path, seed: int) -> pd.DataFrame:
    """One melody of each of three soloists with piano, the synthesiser tuned from 415 to 466 Hz."""
    rows = []
    for soloist in SOLOISTS[:3]:
        melody = MELODIES[0]
        line = solo_line(melody, soloist, np.random.default_rng([seed, soloist.program]))
        own = 0.0
        for tuning_hz in (440.0, 415.3, 422.0, 428.0, 432.0, 435.0, 438.0, 442.0, 446.0, 452.5, 458.0, 466.0):
            cents = float(1200 * np.log2(tuning_hz / 440))
            parts = [
                render(
                    notes,
                    program,
                    folder / f"tuned_{soloist.program}_{program}_{tuning_hz:.0f}.wav",
                    cents,
                )
                for notes, program in ((line, soloist.program), (chords(melody, soloist, held=False), 0))
            ]
            found = measured(mixed(parts[0], parts[1], 6.0), folder).recording
            # whole semitones cannot be told from another key; samples have a tuning of their own
            off = 1200 * np.log2(found["tuning_hz"] / tuning_hz) - own
            off -= 100 * round(off / 100)
            if tuning_hz == 440.0:
                own = off
                continue
            rows.append(
                {
                    "soloist": soloist.name,
                    "tuned to (Hz)": tuning_hz,
                    "found (Hz)": found["tuning_hz"],
                    "off (c)": off,
                    "standard error (c)": found["tuning_se_cents"],
                }
            )
    return pd.DataFrame(rows)


FORMATS: tuple[tuple[str, str | None, int, int], ...] = (
    ("wav", "PCM_16", 8000, 1),
    ("wav", "PCM_16", 11025, 1),
    ("wav", "PCM_16", 16000, 1),
    ("wav", "PCM_16", 22050, 2),
    ("wav", "PCM_16", 44100, 1),
    ("wav", "PCM_24", 44100, 2),
    ("wav", "FLOAT", 48000, 6),
    ("wav", "PCM_24", 96000, 2),
    ("wav", "FLOAT", 192000, 1),
    ("flac", "PCM_16", 44100, 1),
    ("flac", "PCM_24", 96000, 6),
    ("aiff", "PCM_24", 48000, 2),
    ("ogg", "VORBIS", 44100, 2),
    ("mp3", "MPEG_LAYER_III", 44100, 2),
    ("mp3", "MPEG_LAYER_III", 16000, 1),
    ("m4a", None, 44100, 2),
    ("opus", None, 48000, 2),
    ("mp4", None, 48000, 2),
)


def formats(folder: Path, seed: int) -> pd.DataFrame:
    """Four tones of known vibrato in every format: the furthest extent from the same tones' in float WAV."""
    rows, base = [], None
    every = (("wav", "FLOAT", 44100, 1), *FORMATS)
    for suffix, subtype, rate, channels in every:
        path = folder / f"tones.{suffix}"
        _write_as(path, _known_tones(rate, seed), rate, channels, subtype)
        found = measure_file(path, Settings(), {"recording_id": "tones"}).notes
        extent = found.loc[found["duration_s"] > 1, "extent_cents"].to_numpy()
        base = extent if base is None else base
        same = len(extent) == len(base)
        rows.append(
            {
                "format": suffix,
                "coding": subtype or "by ffmpeg",
                "rate (Hz)": rate,
                "channels": channels,
                "notes": len(extent),
                "furthest (c)": np.abs(extent - base).max() if same else np.nan,
            }
        )
    return pd.DataFrame(rows[1:])


def _known_tones(rate: int, seed: int) -> np.ndarray:
    """Four tones within 4 kHz, sampled at `rate`."""
    rng = np.random.default_rng(seed)
    out = np.zeros(round(8.4 * rate))
    for number, (f0, hz, cents) in enumerate(((220, 5, 20), (311, 6.5, 45), (247, 4.2, 70), (392, 7.5, 10))):
        t = np.arange(round(1.6 * rate)) / rate
        phase = 2 * np.pi * f0 * _cycle_integral(t, hz, cents)
        wave = sum(np.cos(k * phase + rng.uniform(0, 6)) / k for k in range(1, 9))
        wave *= np.clip(np.minimum(t, 1.6 - t) / 0.02, 0, 1)
        first = round((0.3 + 2 * number) * rate)
        out[first : first + len(t)] = 0.15 * wave
    return out


def _cycle_integral(t: np.ndarray, rate_hz: float, cents: float) -> np.ndarray:
    """Integral of 2^(cents cos(2πft) / 1200), exact to a millionth of a period."""
    fine = np.linspace(0, t[-1], 200_000)
    ratio = 2 ** (cents * np.cos(2 * np.pi * rate_hz * fine) / 1200)
    step = fine[1] - fine[0]
    return np.interp(t, fine, np.concatenate([[0], np.cumsum(0.5 * (ratio[1:] + ratio[:-1]) * step)]))


def _write_as(path: Path, samples: np.ndarray, rate: int, channels: int, subtype: str | None) -> None:
    frames = np.repeat(samples[:, None], channels, axis=1)
    if subtype is not None:
        soundfile.write(path, frames, rate, subtype=subtype)
        return
    source = path.with_suffix(".source.wav")
    soundfile.write(source, frames, rate, subtype="PCM_24")
    command = ["ffmpeg", "-nostdin", "-v", "error", "-y", "-i", str(source)]
    if path.suffix == ".mp4":
        command += ["-f", "lavfi", "-i", "color=c=gray:s=64x64:d=8", "-shortest"]
    subprocess.run([*command, "-b:a", "160k", str(path)], check=True, capture_output=True)


def odd(folder: Path, seed: int) -> pd.DataFrame:
    """What a corpus of spoilt files gives: one row each in the log."""
    from vibstudy.measure import measure_corpus

    folder = folder / "odd"
    folder.mkdir(exist_ok=True)
    tones = _known_tones(44100, seed)
    for name, write in _odd_files(tones).items():
        write(folder / name)
    names = list(_odd_files(tones))
    manifest = folder / "corpus_manifest.csv"
    pd.DataFrame(
        {
            "recording_id": [name.replace(".", "_") for name in names],
            "path": names,
            "player": "Invented Player",
            "decade": 1950,
            "region": "Nowhere",
        }
    ).to_csv(manifest, index=False)
    report = measure_corpus(manifest, folder / "results", workers=1, fresh=True)
    log = report.log[["recording_id", "step", "success", "notes", "message"]]
    recordings = pd.read_csv(folder / "results" / "recordings.csv")
    remarks = recordings.set_index("recording_id")["remarks"].astype(str).replace("nan", "")
    return log.assign(remarks=[remarks.get(name, "") for name in log["recording_id"]])


def _odd_files(tones: np.ndarray) -> dict[str, Callable[[Path], object]]:
    broken = tones.copy()
    broken[5000] = np.nan

    def truncated(path: Path) -> None:
        soundfile.write(path, tones, 44100, format="MP3")
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])

    def mpeg_named_wav(path: Path) -> None:
        soundfile.write(path, tones, 44100, format="MP3")

    return {
        "no_bytes.wav": lambda path: path.write_bytes(b""),
        "no_samples.wav": lambda path: soundfile.write(path, np.zeros(0), 44100),
        "one_sample.wav": lambda path: soundfile.write(path, np.zeros(1), 44100),
        "silence.wav": lambda path: soundfile.write(path, np.zeros(3 * 44100), 44100),
        "offset.wav": lambda path: soundfile.write(path, 0.4 + tones, 44100),
        "not_numbers.wav": lambda path: soundfile.write(path, broken, 44100, subtype="FLOAT"),
        "cut_off.mp3": truncated,
        "video.mp4": lambda path: _write_as(path, tones, 48000, 2, None),
        "wrong_ending.wav": mpeg_named_wav,
        "text.wav": lambda path: path.write_text("this is no sound", encoding="utf-8"),
        "noise.wav": lambda path: soundfile.write(
            path, 0.1 * np.random.default_rng(0).standard_normal(3 * 44100), 44100
        ),
    }


# --- printing


BARS: dict[str, dict[str, tuple[str, float]]] = {
    "piano": {
        "found on the right pitch": (">=", 0.95),
        "extent error, median (c)": ("<=", 1.0),
        "extent error, 95th percentile (c)": ("<=", 4.0),
        "wrong, yet ok": ("<=", 0.01),
    },
    "strings": {"right or flagged, of those found": (">=", 0.97)},
    "second wind": {"right or flagged, of those found": (">=", 0.97)},
    "disc": {
        "wow found": (">=", 1.0),
        "wow off, greatest (Hz)": ("<=", 0.02),
        "false vibrato": ("<=", 0.01),
        "rate error, 95th percentile (Hz)": ("<=", 0.05),
        "extent error, 95th percentile (c)": ("<=", 2.0),
    },
}


def show_bars(columns: dict[str, dict[str, float]], bars: dict[str, str], title: str) -> None:
    """Print figures, one column a kind, each with its bar where it has one."""
    table = Table(title=title)
    table.add_column("")
    for name in columns:
        table.add_column(name, justify="right")
    for quantity in next(iter(columns.values())):
        cells = []
        for name, values in columns.items():
            sign, bar = BARS.get(bars.get(name, ""), {}).get(quantity, ("", np.nan))
            value = values[quantity]
            met = value >= bar if sign == ">=" else value <= bar
            cells.append(
                f"{value:.4g}" + (f"  ({sign} {bar:g} {'met' if met else 'NOT MET'})" if sign else "")
            )
        table.add_row(quantity, *cells)
    Console(width=150).print(table)


def show_frame(frame: pd.DataFrame, title: str) -> None:
    """Print a table as it is."""
    table = Table(title=title)
    for name in frame:
        table.add_column(str(name), overflow="fold")
    for row in frame.itertuples(index=False):
        table.add_row(*(f"{value:.3f}" if isinstance(value, float) else str(value) for value in row))
    Console(width=150).print(table)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    every = ("accompaniment", "disc", "tuning", "formats", "odd")
    parser.add_argument("--parts", nargs="+", choices=every, default=list(every))
    parser.add_argument("--kinds", nargs="+", choices=list(ACCOMPANIMENTS), default=list(ACCOMPANIMENTS))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, default=None)
    parser.add_argument("--out", type=Path, default=None)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = args.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        tables = run(args.parts, folder, args.seed, args.kinds)
    if args.out:
        args.out.mkdir(parents=True, exist_ok=True)
        for name, frame in tables.items():
            frame.to_csv(args.out / f"recordings_{name}.csv", index=False, float_format="%.6g")


def run(parts: Sequence[str], folder: Path, seed: int, kinds: Sequence[str]) -> dict[str, pd.DataFrame]:
    """Measure and print the parts asked for; one table each."""
    tables = {}
    if "accompaniment" in parts:
        rows = tables["accompaniment"] = accompaniment(folder, seed, kinds)
        columns = {kind: summary(part) for kind, part in rows.groupby("kind", sort=False)}
        show_bars(
            columns,
            {kind: kind for kind in columns},
            "Accompaniment as loud as the soloist, and a piano 12 dB softer",
        )
        show_bars(
            {"alone": oscillator(folder, seed)}, {}, "Soloists alone against the SoundFont's oscillator"
        )
    if "disc" in parts:
        rows, wow = disc(folder, seed)
        tables["disc"] = rows
        columns = {
            kind: disc_summary(part, wow[wow["kind"] == kind])
            for kind, part in rows.groupby("kind", sort=False)
        }
        show_bars(columns, dict.fromkeys(columns, "disc"), "A worn 78 played 4 % slow, speed_factor given")
    for name, measure in (("tuning", tuning), ("formats", formats), ("odd", odd)):
        if name in parts:
            tables[name] = measure(folder, seed)
            show_frame(tables[name], name.capitalize())
    return tables


if __name__ == "__main__":
    main()
