"""What rooms and accompaniment take from the figures: winds of known vibrato in simulated rooms, one table.

    uv run python -m benchmarks.rooms [--seed 1] [--quick] [--rows studio church] [--takes 12]
        [--save NOW.csv] [--beside BEFORE.csv] [--notes NOTES.csv]

Needs the program FluidSynth and the SoundFont FluidR3_GM. ``--beside`` puts the figures an
earlier version saved behind today's, in brackets. About half an hour of CPU; ``--quick`` takes a third.

Material
--------
Melodies of ``melodies.py``, drawn anew for each seed as in ``recordings.py``, with notes of their own
vibrato. *Sampled*: winds of a SoundFont whose samples are nearly straight, moved by the SoundFont's vibrato
oscillator (tenor saxophone, clarinet, trombone; in rows of their own, low winds: baritone saxophone, French
horn, tenor saxophone in its low register). Winds of TimGM6mb were left out: their samples have a vibrato of
their own, of 8 cents, so that no truth is known. *Synthetic*: the tone of :mod:`vibstudy.demo.synthesis`,
whose vibrato differs from cycle to cycle (rate by 5 %, extent by 7.5 %), fades in, grows or shrinks, and
moves level and timbre. *Weak fundamental*: the synthetic ones 10 to 25 dB below their own octave, whose
harmonics are the even ones, moving alike; and duller by up to 10 dB an octave. Every sixth note is straight.
Repeated notes are tied: to part them is another question (``repeated.py``).

Rooms: pyroomacoustics, image sources and ray tracing, a shoebox for each of studio, recital room and
church, whose absorption is set by its own Schroeder integration (Schroeder 1965, JASA 37:409-412) to the
decay named. The microphone stands at 0.5, 1.2 and 2.3 times the distance at which direct sound and diffuse
field of a room are equal, :math:`0.057 \\sqrt{V / T}` (Kuttruff, Room Acoustics, from memory). ``direct``
is read from the responses: energy of the first 2 ms against all that follows, dB, mean over the takes. The
accompaniment plays 2 m behind the soloist in the same room. A spaced pair stands 1 m apart. A 78's band is
300-3,500 Hz. Where it says *listed*, a list names the soloist's notes.

Truth
-----
The synthesiser's curves. Sampled: rate as sent (generator 24), depth by controller 1, 50 cents at full, a
triangle (SoundFont Technical Specification 2.04, sections 8.4.6 and 9.1.6), whose first harmonic is 8/π² of
its peak. Synthetic: the curve that sounds. Extent is HALF of peak-to-peak; where the tables have
``extent_first_cents`` that is held against the first harmonic and is what is judged, else ``extent_cents``
against the peak. Room: the responses' own decay and ratio.

Columns
-------
Notes are the written ones of 0.5 s and more with vibrato. *right*: found within 60 cents. *usable*: right,
usable (``quality`` ok in versions without that column), with a rate and an extent. *bias, median, p95* of
the extent's relative error, of the rate's error, *held* by the 95 % interval: of usable ones. *wrong*: off
by more than 25 %, 0.3 Hz or 60 cents, or said to be straight, among all that are trusted. *odds*: of use,
per doubling of extent, with 95 % limits. *straight*: straight notes said to have vibrato, of those trusted.
*depth*: loudness vibrato within 1 dB or 15 % of the truth. *T* and *D/R*: ``room_decay_s`` over the tail's,
and ``direct_to_room_db`` less the truth, which takes the first 15 ms for direct as that column does, medians
over takes; *D/R held* by its 95 % interval.
"""

from __future__ import annotations

import argparse
import hashlib
import tempfile
import time
import warnings
from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyroomacoustics as pra
import soundfile
import soxr
from rich.box import SIMPLE
from rich.console import Console
from rich.table import Table
from scipy.signal import butter, fftconvolve, sosfiltfilt
from statsmodels.api import Logit, add_constant
from statsmodels.tools.sm_exceptions import PerfectSeparationError, PerfectSeparationWarning

from benchmarks.melodies import MELODIES, Melody
from benchmarks.recordings import (
    OSCILLATOR_CENTS,
    SOLOISTS,
    SUITED,
    Soloist,
    Sounded,
    accompanied,
    drawn,
    mixed,
    playable,
    render,
    sharing,
    solo_line,
)
from benchmarks.recordings import RATE_HZ as SYNTHESISER_HZ
from vibstudy.corpus.settings import Settings
from vibstudy.demo.synthesis import SAMPLE_RATE_HZ, Note, Vibrato, Voice, render_line
from vibstudy.recording import measure_file

LONG_S, TIED_S = 0.5, 0.2
ROOM_COLUMNS = ("room_decay_s", "room_decay_se_s", "direct_to_room_db", "direct_to_room_se_db")
PITCH_CENTS, WRONG_SHARE, WRONG_HZ = 60.0, 0.25, 0.3
DIRECT_S, EARLY_S = 0.002, 0.015
IMAGES, SCATTERING = 3, 0.4
"""Order of images, beyond which rays are traced, and scattered share of a reflection: of the pairs tried, the
tail nearest to one exponential. With 12 and 0.15 it falls half as fast for a while as later."""
DELAY = pra.constants.get("frac_delay_length") // 2
"""Samples from the beginning of a simulated response to where its direct sound is greatest."""

DISC_BAND_HZ = (300.0, 3500.0)


WEAK_DB, STEEPER_DB = (10.0, 25.0), 10.0
SAMPLED = tuple(soloist for soloist in SOLOISTS if soloist.oscillator)
LOW = (
    Soloist("baritone saxophone", 67, -24, True),
    Soloist("French horn", 60, -19, True),
    Soloist("tenor saxophone, low", 66, -21, True),
)
SYNTHETIC = {  # cut-off and resonances of three invented winds; the transposition of their line
    "synthetic high": (Voice(1000, 14, 200, ((900, 2, 0.5), (2500, 3, 0.4)), breath_db=-40), -2),
    "synthetic middle": (Voice(760, 13, 180, ((620, 2, 0.5), (1700, 3, 0.4)), breath_db=-41), -7),
    "synthetic low": (Voice(620, 12, 150, ((480, 2, 0.5), (1300, 3, 0.4)), breath_db=-41), -14),
}


@dataclass(frozen=True)
class Room:
    """A shoebox: its size in m, and the decay (60 dB) its absorption is set to, s."""

    size_m: tuple[float, float, float]
    decay_s: float


ROOMS = {
    "studio": Room((5.0, 4.0, 3.0), 0.4),
    "recital": Room((16.0, 11.0, 7.0), 1.2),
    "church": Room((30.0, 16.0, 12.0), 2.5),
}
PLACES = {"near": 0.5, "middle": 1.2, "far": 2.3}
"""Distances, in those at which direct sound and diffuse field are equal."""


@dataclass(frozen=True)
class Row:
    """A line of the table: where, with whom (how many dB softer), and how it is recorded."""

    name: str
    room: str = ""
    place: str = ""
    accompaniment: str = ""
    below_db: float = 0.0
    stereo: bool = False
    disc: bool = False
    low: bool = False
    listed: bool = False
    weak: bool = False


ROWS = (
    Row("dry"),
    *(Row(f"{room} {place}", room, place) for room in ROOMS for place in PLACES),
    Row("recital middle, stereo", "recital", "middle", stereo=True),
    Row("recital far, stereo", "recital", "far", stereo=True),
    Row("studio near, piano -6 dB", "studio", "near", "piano", 6.0),
    Row("studio near, piano as loud", "studio", "near", "piano"),
    Row("recital near, piano -6 dB", "recital", "near", "piano", 6.0),
    Row("recital near, piano as loud", "recital", "near", "piano"),
    Row("recital middle, piano -6 dB", "recital", "middle", "piano", 6.0),
    Row("recital middle, piano as loud", "recital", "middle", "piano"),
    Row("recital middle, piano as loud, stereo", "recital", "middle", "piano", stereo=True),
    Row("dry, piano -12 dB", accompaniment="piano", below_db=12.0),
    Row("dry, piano as loud", accompaniment="piano"),
    Row("dry, strings as loud", accompaniment="strings"),
    Row("dry, second wind as loud", accompaniment="second wind"),
    Row("dry, second wind as loud, listed", accompaniment="second wind", listed=True),
    Row("78, dry", disc=True),
    Row("78, studio near, piano -6 dB", "studio", "near", "piano", 6.0, disc=True),
    Row("low winds, dry", low=True),
    Row("low winds, recital near", "recital", "near", low=True),
    Row("low winds, recital middle", "recital", "middle", low=True),
    Row("low winds, dry, piano as loud", accompaniment="piano", low=True),
    Row("weak fundamental, dry", weak=True),
    Row("weak fundamental, recital near", "recital", "near", weak=True),
    Row("weak fundamental, recital middle", "recital", "middle", weak=True),
    Row("weak fundamental, recital near, piano -6 dB", "recital", "near", "piano", 6.0, weak=True),
)


@dataclass(frozen=True)
class Take:
    """A soloist alone and dry at `SAMPLE_RATE_HZ`, how, and the truth: one row a note."""

    soloist: Soloist
    melody: Melody
    line: list[Sounded]
    samples: np.ndarray
    truth: pd.DataFrame


# --- takes


def takes_of(low: bool, count: int, seed: int, folder: Path, *, weak: bool = False) -> list[Take]:
    """Takes of `count` soloists: sampled and synthetic by turns, low winds, or those of weak fundamental."""
    takes = []
    for number in range(count):
        rng = np.random.default_rng([seed, number, int(low)])
        named = rng.choice(SUITED)
        melody = next(m for m in MELODIES if m.name == named)
        half, odd = divmod(number, 2)
        if weak:
            name = list(SYNTHETIC)[number % len(SYNTHETIC)]
            takes.append(synthetic_take(name, melody, rng, float(rng.uniform(*WEAK_DB))))
        elif odd and not low:
            takes.append(synthetic_take(list(SYNTHETIC)[half % len(SYNTHETIC)], melody, rng))
        else:
            soloist = LOW[number % len(LOW)] if low else SAMPLED[half % len(SAMPLED)]
            takes.append(sampled_take(soloist, melody, rng, folder / f"{seed}_{int(low)}_{number}"))
    return takes


def tied(line: Sequence[Sounded]) -> list[Sounded]:
    """The line with repeated notes tied."""
    out: list[Sounded] = []
    for note in line:
        if out and out[-1].midi == note.midi and note.onset_s - out[-1].offset_s < TIED_S:
            out[-1] = replace(out[-1], offset_s=note.offset_s)
        else:
            out.append(note)
    return out


def sampled_take(soloist: Soloist, melody: Melody, rng: np.random.Generator, stem: Path) -> Take:
    """A melody played by FluidSynth."""
    melody, soloist = drawn(melody, soloist, rng)
    line = [
        replace(
            note,
            rate_hz=playable(note.rate_hz),
            depth=int(rng.choice((30, 45, 64, 90, 127))) if rng.random() > 1 / 6 else 0,
        )
        for note in tied(solo_line(melody, soloist, rng))
    ]
    sound = render(line, soloist.program, stem.with_suffix(".wav"))
    truth = pd.DataFrame(
        {
            "onset_s": [note.onset_s for note in line],
            "offset_s": [note.offset_s for note in line],
            "pitch_hz": [440 * 2 ** ((note.midi - 69) / 12) for note in line],
            "has_vibrato": [note.depth > 0 for note in line],
            "rate_hz": [note.rate_hz for note in line],
            "extent_cents": [OSCILLATOR_CENTS * note.depth / 128 for note in line],
        }
    )
    truth["extent_first_cents"] = truth["extent_cents"] * 8 / np.pi**2
    return Take(soloist, melody, line, resampled(sound), truth)


def resampled(samples: np.ndarray) -> np.ndarray:
    """From the synthesiser's rate to that of everything here."""
    return soxr.resample(samples, SYNTHESISER_HZ, SAMPLE_RATE_HZ)


def synthetic_take(name: str, melody: Melody, rng: np.random.Generator, weak_db: float | None = None) -> Take:
    """A melody played by our own synthesis; `weak_db` below its own octave, and duller, if given."""
    voice, transpose = SYNTHETIC[name]
    melody, soloist = drawn(melody, Soloist(name, -1, transpose, False), rng)
    line = tied(solo_line(melody, soloist, rng))
    notes = [
        replace(
            drawn_note(note, rng, -10.0), vibrato=drawn_vibrato(note, rng) if rng.random() > 1 / 6 else None
        )
        for note in line
    ]
    length_s = line[-1].offset_s + 0.5
    steeper = 0.0 if weak_db is None else float(rng.uniform(0.0, STEEPER_DB))
    upper_rng = deepcopy(rng)
    lower = replace(voice, rolloff_db_per_octave=voice.rolloff_db_per_octave + steeper)
    sung = render_line(notes, lower, rng, length_s=length_s)
    samples = sung.samples
    if weak_db is not None:
        upper = [replace(note, midi=note.midi + 12) for note in notes]
        samples = 10 ** (-weak_db / 20) * samples
        samples += render_line(upper, voice, upper_rng, length_s=length_s).samples
    truth = sung.truth.reindex(
        columns=[
            *("onset_s", "offset_s", "pitch_hz", "has_vibrato", "rate_hz", "extent_cents", "waveform"),
            "intensity_depth_db",
        ]
    )
    first = 1 / (1 + truth["waveform"] / 9 + truth["waveform"] / 25)  # see `cycle_shape`
    truth["extent_first_cents"] = truth["extent_cents"] * first
    return Take(soloist, melody, line, samples, truth)


def drawn_note(note: Sounded, rng: np.random.Generator, softest_db: float) -> Note:
    """A note as sent, of an invented wind: its intonation and loudness, no vibrato yet."""
    return Note(
        note.onset_s,
        note.offset_s,
        note.midi,
        cents=float(rng.normal(0, 5)),
        level_db=float(rng.uniform(softest_db, -2)),
        swell_db=float(rng.uniform(0, 3)),
        attack_s=0.03,
    )


def drawn_vibrato(note: Sounded, rng: np.random.Generator) -> Vibrato | None:
    """A vibrato that differs from cycle to cycle; None of a short note."""
    if note.offset_s - note.onset_s < 0.3:
        return None
    return Vibrato(
        note.rate_hz,
        float(np.exp(rng.uniform(np.log(9), np.log(55)))),
        delay_s=float(rng.uniform(0.06, 0.15)),
        growth=float(rng.normal(0, 0.15)),
        rate_slope_hz_per_s=float(rng.normal(0, 0.2)),
        rate_irregularity=0.05,
        extent_irregularity=0.075,
        triangle=float(rng.uniform(0, 0.5)),
        upward=bool(rng.random() < 0.5),
        intensity_depth_db=float(rng.choice((0.0, rng.uniform(0.5, 3.0)))),
        intensity_phase_rad=float(rng.uniform(-1, 1)),
        timbre_depth_db=float(rng.uniform(0, 1)),
    )


# --- rooms


@dataclass(frozen=True)
class Responses:
    """Impulse responses at two microphones, of soloist and accompanist [shape=(2, 2, n)], and their facts.

    Each begins with the direct sound. `decay_s` is Schroeder's, `direct_db` direct to rest at the first
    microphone, both of the soloist.
    """

    sound: np.ndarray
    decay_s: float
    direct_db: float

    def tail_decay_s(self) -> float:
        """Schroeder's decay of what comes later than `EARLY_S`, of the soloist.

        Of a whole response near, the first 5 dB are the direct sound's own step.
        """
        return schroeder_decay_s(self.sound[0, 0], EARLY_S)

    def early_db(self) -> float:
        """Direct sound with what follows it within `EARLY_S`, over the rest, of the soloist."""
        return over_rest_db(self.sound[0, 0], EARLY_S)


def schroeder_decay_s(response: np.ndarray, since_s: float | None = None) -> float:
    """Decay by Schroeder's integration, of what comes so much later than the direct sound, or of all."""
    begin = 0 if since_s is None else round(since_s * SAMPLE_RATE_HZ) + DELAY
    return float(pra.experimental.measure_rt60(response[begin:], SAMPLE_RATE_HZ, decay_db=30))


def over_rest_db(response: np.ndarray, until_s: float) -> float:
    """Energy of a response until so long after its direct sound, over that of the rest."""
    power, until = response**2, round(until_s * SAMPLE_RATE_HZ) + DELAY
    return float(10 * np.log10(power[:until].sum() / power[until:].sum()))


def responses(name: str, place: str, seed: int, cache: Path) -> Responses:
    """Responses of a room, its positions drawn by the seed; kept in `cache`."""
    room = ROOMS[name]
    facts = repr((room, PLACES[place], IMAGES, SCATTERING, seed, pra.__version__))
    key = hashlib.sha256(facts.encode()).hexdigest()[:16]
    path = cache / f"{name}_{place}_{seed}_{key}.npz"
    if not path.exists():
        cache.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=cache, suffix=".npz", delete=False) as file:
            np.savez(file, **vars(_simulated(room, place, seed)))
        Path(file.name).replace(path)
    with np.load(path) as kept:
        return Responses(kept["sound"], float(kept["decay_s"]), float(kept["direct_db"]))


def _simulated(room: Room, place: str, seed: int) -> Responses:
    rng = np.random.default_rng([seed, *place.encode(), round(100 * room.decay_s)])
    size = np.array(room.size_m)
    critical_m = 0.057 * np.sqrt(size.prod() / room.decay_s)
    soloist = np.array([*(size[:2] * rng.uniform((0.18, 0.35), (0.28, 0.65))), 1.5])
    turn = rng.uniform(-0.5, 0.5)
    ahead = np.array([np.cos(turn), np.sin(turn), 0.0])
    across = np.array([-ahead[1], ahead[0], 0.0])
    microphone = soloist + PLACES[place] * critical_m * ahead + [0, 0, 0.2]
    microphones = [np.clip(microphone + side * across, 0.2, size - 0.2) for side in (-0.5, 0.5)]
    accompanist = np.clip(soloist - min(2.0, 0.15 * size[0]) * ahead + 0.5 * across, 0.3, size - 0.3)
    asked_s = room.decay_s
    for _ in range(3):
        found = _shoebox(room, asked_s, (soloist, accompanist), microphones, seed)
        if abs(found.decay_s / room.decay_s - 1) < 0.03:
            break
        asked_s *= room.decay_s / found.decay_s
    return found


def _shoebox(
    room: Room, decay_s: float, sources: Sequence[np.ndarray], microphones: Sequence[np.ndarray], seed: int
) -> Responses:
    """One simulation; `decay_s` by Sabine's formula."""
    pra.random.seed(seed)
    absorption, _ = pra.inverse_sabine(decay_s, room.size_m)
    with warnings.catch_warnings():  # of its own number of rays, which is not used
        warnings.simplefilter("ignore", UserWarning)
        shoebox = pra.ShoeBox(
            room.size_m,
            fs=SAMPLE_RATE_HZ,
            materials=pra.Material(absorption, scattering=SCATTERING),
            max_order=IMAGES,
            ray_tracing=True,
        )
        shoebox.set_ray_tracing(receiver_radius=0.5, n_rays=60_000)
    for source in sources:
        shoebox.add_source(source)
    shoebox.add_microphone_array(np.array(microphones).T)
    shoebox.compute_rir()
    straight = [
        [
            response[round(np.linalg.norm(source - microphone) / shoebox.c * SAMPLE_RATE_HZ) :]
            for source, response in zip(sources, heard, strict=True)
        ]
        for microphone, heard in zip(microphones, shoebox.rir, strict=True)
    ]
    size = max(len(part) for row in straight for part in row)
    sound = np.array([[np.pad(part, (0, size - len(part))) for part in row] for row in straight])
    decay = np.mean([schroeder_decay_s(row[0]) for row in sound])
    return Responses(sound, float(decay), over_rest_db(sound[0, 0], DIRECT_S))


# --- one line of the table


def sound_of(
    row: Row, take: Take, number: int, seed: int, folder: Path, cache: Path
) -> tuple[np.ndarray, Responses | None]:
    """What is recorded [shape=(channels, n)], and the room it is recorded in."""
    parts = [take.samples]
    if row.accompaniment:
        stem = folder / f"{seed}_{int(row.low)}_{number}"
        soloist = replace(take.soloist, program=take.soloist.program % 128)
        other, _ = accompanied(stem, row.accompaniment, soloist, take.melody, take.line)
        parts.append(resampled(other))
    room = responses(row.room, row.place, seed, cache) if row.room else None
    if room is not None:
        channels = 2 if row.stereo else 1
        parts = [
            np.array([fftconvolve(part, room.sound[channel, source])[DELAY:] for channel in range(channels)])
            for source, part in enumerate(parts)
        ]
    sound = np.atleast_2d(mixed(*parts, row.below_db) if row.accompaniment else parts[0])
    if row.disc:
        sound = sosfiltfilt(butter(4, DISC_BAND_HZ, "bandpass", fs=SAMPLE_RATE_HZ, output="sos"), sound)
    return sound, room


def notes_of(
    row: Row, takes: Sequence[Take], seed: int, folder: Path, cache: Path
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """All takes of a row, measured: one row a written note; one row a take."""
    notes, rooms = [], []
    for number, take in enumerate(takes):
        sound, room = sound_of(row, take, number, seed, folder, cache)
        path = folder / "take.wav"
        soundfile.write(path, 0.5 * sound.T / np.abs(sound).max(), SAMPLE_RATE_HZ, subtype="PCM_16")
        cells = {"recording_id": "take"}
        if row.listed:
            cells["notes_path"] = str(folder / "take.csv")
            listed = take.truth[["onset_s", "offset_s", "pitch_hz"]].rename(columns={"pitch_hz": "pitch"})
            listed.to_csv(cells["notes_path"], index=False)
        begin = time.process_time()
        found = measure_file(path, Settings(), cells)
        cpu_s = time.process_time() - begin
        rooms.append(
            {
                "row": row.name,
                "soloist": take.soloist.name,
                "cpu_s": cpu_s,
                "duration_s": sound.shape[1] / SAMPLE_RATE_HZ,
                "true_decay_s": room.tail_decay_s() if room else np.nan,
                "true_direct_db": room.direct_db if room else np.nan,
                "true_early_db": room.early_db() if room else np.nan,
                **{name: found.recording.get(name, np.nan) for name in ROOM_COLUMNS},
            }
        )
        notes.append(compared(take.truth, found.notes).assign(row=row.name, soloist=take.soloist.name))
    return pd.concat(notes, ignore_index=True), pd.DataFrame(rooms)


def compared(truth: pd.DataFrame, found: pd.DataFrame) -> pd.DataFrame:
    """Every written note of `LONG_S` and more beside the note found that fills most of it."""
    told = (
        *("onset_s", "offset_s", "pitch_hz", "has_vibrato", "vibrato_p", "rate_hz", "rate_se_hz"),
        *(
            "extent_cents",
            "extent_se_cents",
            "extent_first_cents",
            "extent_first_se_cents",
            "intensity_depth_db",
        ),
        *("intensity_depth_se_db", "snr_db", "quality", "usable", "note_kind"),
    )
    rows = []
    for note in truth[truth["offset_s"] - truth["onset_s"] >= LONG_S].itertuples():
        match = sharing(found, note, 0.5)
        row = {f"true_{name}": value for name, value in note._asdict().items() if name != "Index"}
        row["found"] = not match.empty
        if row["found"]:
            row |= {name: match.iloc[0][name] for name in told if name in match}
        rows.append(row)
    frame = pd.DataFrame(rows).reindex(columns=[*rows[0], *(name for name in told if name not in rows[0])])
    if "usable" not in found:
        frame["usable"] = frame["quality"] == "ok"
    return frame


def judged(notes: pd.DataFrame) -> pd.DataFrame:
    """Add what is right, what is used and what is wrong."""
    notes = notes.copy()
    first = "extent_first_cents" if notes["extent_first_cents"].notna().any() else "extent_cents"
    vibrates = notes["has_vibrato"].fillna(False).astype(bool)
    moved = notes["true_has_vibrato"].astype(bool)
    off = np.abs(1200 * np.log2(notes["pitch_hz"].astype(float) / notes["true_pitch_hz"]))
    notes["right"] = notes["found"] & (off < PITCH_CENTS)
    notes["trusted"] = (
        notes["found"] & notes["usable"].fillna(False).astype(bool) & notes["has_vibrato"].notna()
    )
    notes["used"] = notes["right"] & notes["trusted"] & vibrates & moved
    notes["extent_error"] = notes[first] / notes["true_" + first] - 1
    notes["rate_error"] = notes["rate_hz"] - notes["true_rate_hz"]
    extent_se = notes[first.replace("_cents", "_se_cents")]
    notes["extent_held"] = np.abs(notes[first] - notes["true_" + first]) <= 1.96 * extent_se
    notes["rate_held"] = np.abs(notes["rate_error"]) <= 1.96 * notes["rate_se_hz"]
    far = (np.abs(notes["extent_error"]) > WRONG_SHARE) | (np.abs(notes["rate_error"]) > WRONG_HZ)
    notes["wrong"] = notes["trusted"] & moved & (~notes["right"] | ~vibrates | far)
    depth, true_depth = notes["intensity_depth_db"], notes.get("true_intensity_depth_db", np.nan)
    notes["depth_right"] = (np.abs(depth - true_depth) <= np.maximum(1.0, 0.15 * true_depth)).where(
        notes["used"] & np.isfinite(depth) & np.isfinite(true_depth)
    )
    return notes


def odds_per_doubling(notes: pd.DataFrame) -> tuple[float, float, float]:
    """Odds of use per doubling of the true extent, with 95 % limits; NaN where all or none are used."""
    used = notes["used"].astype(float)
    unknown = (np.nan, np.nan, np.nan)
    if not 3 <= used.sum() <= len(used) - 3:
        return unknown
    octaves = np.log2(notes["true_extent_cents"])
    with warnings.catch_warnings():
        warnings.simplefilter("error", PerfectSeparationWarning)
        try:
            fit = Logit(used, add_constant(octaves - octaves.mean())).fit(disp=0)
            return tuple(np.exp([fit.params.iloc[1], *fit.conf_int().iloc[1]]))
        except (PerfectSeparationError, PerfectSeparationWarning):
            return unknown


FIGURES = {  # column -> its form
    "direct": "{:+.1f}",
    "notes": "{:.0f}",
    "right": "{:.0%}",
    "usable": "{:.0%}",
    "extent bias": "{:+.1%}",
    "extent median": "{:.1%}",
    "extent p95": "{:.0%}",
    "extent held": "{:.0%}",
    "rate p95": "{:.2f}",
    "rate held": "{:.0%}",
    "wrong": "{:.1%}",
    "odds": "{:.2f}",
    "odds low": "{:.2f}",
    "odds high": "{:.2f}",
    "straight": "{:.0%}",
    "depth": "{:.0%}",
    "T": "{:.2f}",
    "D/R": "{:+.1f}",
    "D/R held": "{:.0%}",
    "x real time": "{:.1f}",
}


def summary(notes: pd.DataFrame, rooms: pd.DataFrame) -> dict[str, float]:
    """One line of the table."""
    own = notes[notes["true_has_vibrato"].astype(bool)]
    used = own[own["used"]]
    trusted = own["trusted"].sum()
    straight = notes[~notes["true_has_vibrato"].astype(bool) & notes["trusted"] & notes["right"]]
    odds = odds_per_doubling(own)
    told = rooms["room_decay_s"] / rooms["true_decay_s"]
    off_db = rooms["direct_to_room_db"] - rooms["true_early_db"]
    return {
        "direct": rooms["true_direct_db"].mean(),
        "notes": len(own),
        "right": own["right"].mean(),
        "usable": own["used"].mean(),
        "extent bias": used["extent_error"].mean(),
        "extent median": used["extent_error"].abs().median(),
        "extent p95": used["extent_error"].abs().quantile(0.95),
        "extent held": used["extent_held"].mean(),
        "rate p95": used["rate_error"].abs().quantile(0.95),
        "rate held": used["rate_held"].mean(),
        "wrong": own["wrong"].sum() / trusted if trusted else np.nan,
        **dict(zip(("odds", "odds low", "odds high"), odds, strict=True)),
        "straight": straight["has_vibrato"].astype(float).mean(),
        "depth": own["depth_right"].astype(float).mean(),
        "T": told.median(),
        "D/R": off_db.median(),
        "D/R held": (off_db.abs() <= 1.96 * rooms["direct_to_room_se_db"])[off_db.notna()].mean(),
        "x real time": rooms["duration_s"].sum() / rooms["cpu_s"].sum(),
    }


def show(table: pd.DataFrame, beside: pd.DataFrame | None, title: str) -> None:
    """Print all lines; behind each figure, in brackets, that of another version."""
    printed = Table(title=title, box=SIMPLE, padding=(0, 0))
    printed.add_column("", no_wrap=True)
    for name in FIGURES:
        printed.add_column(name, justify="right")
    for row, values in table.iterrows():
        cells = []
        for name, form in FIGURES.items():
            figures = [values[name]]
            if (
                beside is not None
                and row in beside.index
                and name in beside
                and name not in ("direct", "notes")
            ):
                figures.append(beside.loc[row, name])
            now, *before = [form.format(value) if np.isfinite(value) else "-" for value in figures]
            cells.append(now + "".join(f" ({value})" for value in before))
        printed.add_row(str(row), *cells)
    Console(width=270 if beside is not None else 200).print(printed)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="a third of the takes")
    parser.add_argument("--takes", type=int, default=12, help="takes a row")
    parser.add_argument("--rows", nargs="+", default=None, help="rows whose names hold one of these words")
    parser.add_argument(
        "--apart", action="store_true", help="sampled and synthetic winds in lines of their own"
    )
    parser.add_argument("--save", type=Path, default=None, help="CSV for --beside of a later version")
    parser.add_argument("--beside", type=Path, default=None, help="CSV that another version saved")
    parser.add_argument("--notes", type=Path, default=None, help="CSV of all notes")
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "vibstudy-rooms")
    args = parser.parse_args()
    rows = [row for row in ROWS if args.rows is None or any(word in row.name for word in args.rows)]
    if not rows:
        parser.error(
            f"--rows: no row holds any of {args.rows}; rows are {', '.join(row.name for row in ROWS)}"
        )
    lines, every = {}, []
    with tempfile.TemporaryDirectory() as scratch:
        takes = {
            (low, weak): takes_of(
                low, args.takes // 3 if args.quick else args.takes, args.seed, Path(scratch), weak=weak
            )
            for low, weak in {(row.low, row.weak) for row in rows}
        }
        for row in rows:
            notes, rooms = notes_of(row, takes[row.low, row.weak], args.seed, Path(scratch), args.cache)
            notes = judged(notes)
            every.append(notes)
            lines[row.name] = summary(notes, rooms)
            if args.apart and not (row.low or row.weak):
                for kind, chosen in (("sampled", False), ("synthetic", True)):
                    part = notes["soloist"].str.startswith("synthetic") == chosen
                    own = rooms["soloist"].str.startswith("synthetic") == chosen
                    lines[f"{row.name}: {kind}"] = summary(notes[part], rooms[own])
    table = pd.DataFrame.from_dict(lines, orient="index")
    show(table, pd.read_csv(args.beside, index_col=0) if args.beside else None, f"Seed {args.seed}")
    if args.save:
        table.to_csv(args.save, float_format="%.6g")
    if args.notes:
        pd.concat(every, ignore_index=True).to_csv(args.notes, index=False, float_format="%.6g")


if __name__ == "__main__":
    main()
