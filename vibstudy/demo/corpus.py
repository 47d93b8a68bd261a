"""The invented corpus: its model, its sound and its truth. The players and what they record: :mod:`.cast`.

EVERY NAME HERE IS INVENTED: players, regions, schools, melodies and recordings. The audio is
synthesised. Nothing in it says anything about real playing.

The generating model
--------------------
``d`` is decades since 1960. A note with vibrato has

    rate_hz           = 5.60 - 0.10 d + (0.40 in Sunamar) + player + recording + note
    log(extent_cents) = log(20) - 0.07 d - (0.35 in Sunamar) + 0.16 log2(duration / 0.7 s)
                        + (0.15 on the peak of a phrase) + player + recording + note

with standard deviations

    ==========  =======  ==================
    level       rate Hz  log extent
    ==========  =======  ==================
    player      0.25     0.18, and the style
    recording   0.10     0.08
    note        0.18     0.15
    ==========  =======  ==================

Style is a player's own: "continuous" players vibrate on nearly every note, a little narrower (-0.12
on the log scale); "ornamental" players keep it for long notes and peaks, a little wider (+0.12):

    logit P(vibrato)  = 3.5 (continuous) or -1.0 (ornamental)
                        + 1.6 log2(duration / 0.5 s) + (1.2 on the peak of a phrase)

There is no vibrato on a note that would hold fewer than one and a half cycles. Regions Aubrisk and
Keldria have the same true rate and extent. Medium, room and accompaniment have no effect on the playing:
they only make it harder to measure.

A studio rings for 0.25 to 0.4 s, the direct sound 8 to 14 dB above its tail; a hall for 1.0 to 2.2 s, the
direct sound 3 to 9 dB above (by ear; common practice, no source). Soloist and piano stand in the same room.

The traps
---------
Nearly all early recordings from Keldria are worn electrical discs by two star players whose
vibrato is wide (+0.50 on the log scale, given, not drawn), in the melodies with the most notes. A
t-test over notes therefore finds Keldria wide, wide early vibrato in Keldria, and wide vibrato on
discs; a model that knows players and recordings does not claim it. The stars also make the period
effect on extent look larger than it is. Two more traps, of rooms and of accompaniment, stand in :mod:`.cast`.

Randomness
----------
Each player and each recording has its own generator, made from the seed and the name, so that a
recording is the same whatever is rendered with it, in whatever order, by however many workers.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import soundfile
from joblib import Parallel, delayed
from scipy.signal import fftconvolve

from vibstudy.corpus import MANIFEST_NAME
from vibstudy.corpus.atomic import replacing
from vibstudy.demo.cast import Player, Recording, manifest, recordings
from vibstudy.demo.media import through_medium
from vibstudy.demo.melodies import Tone, accompany
from vibstudy.demo.scores import score_name, write_score
from vibstudy.demo.synthesis import SAMPLE_RATE_HZ, Note, Vibrato, Voice, render_line
from vibstudy.sound.room import Room
from vibstudy.units import to_hz

DEFAULT_SEED = 1
"""The seed of the demonstration. Its draw lies near the middle of those of seeds 1 to 40."""

_RATE_HZ, _EXTENT_CENTS = 5.60, 20.0
_RATE_A_DECADE, _LOG_EXTENT_A_DECADE = -0.10, -0.07
_RATE_REGION = {"Aubrisk": 0.0, "Keldria": 0.0, "Sunamar": 0.40}
_LOG_EXTENT_REGION = {"Aubrisk": 0.0, "Keldria": 0.0, "Sunamar": -0.35}
_LOG_EXTENT_A_DOUBLING, _LOG_EXTENT_PEAK = 0.16, 0.15
_RATE_SD = {"player": 0.25, "recording": 0.10, "note": 0.18}
_LOG_EXTENT_SD = {"player": 0.18, "recording": 0.08, "note": 0.15}
_LOG_EXTENT_STYLE = {"continuous": -0.12, "ornamental": 0.12}
_LOGIT_STYLE = {"continuous": 3.5, "ornamental": -1.0}
_LOGIT_A_DOUBLING, _LOGIT_PEAK = 1.6, 1.2
_LOG_EXTENT_STAR = 0.50
_FEWEST_CYCLES = 1.5
_LEAD_IN_S = 0.3
_LEVEL_RMS, _LEVEL_PEAK = 0.1, 0.7
_ROOMS = {"studio": ((0.25, 0.40), (8.0, 14.0)), "hall": ((1.0, 2.2), (3.0, 9.0))}
"""Decay (s) and direct sound over the tail (dB), from and to."""
_PIANO_BELOW_DB = {True: (0.0, 3.0), False: (8.0, 12.0)}
_RING_OUT = 0.5
"""Share of the room's decay that is kept after the last note: 30 dB of it."""


_TONIC = {"soprano wind": 70, "alto wind": 63, "tenor wind": 56}
_VOICE = {
    "soprano wind": Voice(1000, 14, 200, ((900, 2, 0.5), (2500, 3, 0.4)), breath_db=-40),
    "alto wind": Voice(760, 13, 180, ((620, 2, 0.5), (1700, 3, 0.4), (3200, 2, 0.3)), breath_db=-41),
    "tenor wind": Voice(620, 12, 150, ((480, 2, 0.5), (1300, 3, 0.4), (2500, 2, 0.3)), breath_db=-41),
}


@dataclass(frozen=True, eq=False)
class Rendered:
    """A recording's sound (float, within ±1) and its truth, note by note and as a whole."""

    samples: np.ndarray
    notes: pd.DataFrame
    summary: dict[str, object]


def _generator(seed: int, name: str) -> np.random.Generator:
    """Generator of one named thing, independent of all others."""
    return np.random.default_rng([seed, *name.encode("utf-8")])


def true_effects() -> pd.DataFrame:
    """Return what the generating model holds, in the terms of the models fitted to it.

    Returns
    -------
    DataFrame
        One row an effect: ``outcome`` (rate_hz, or log_extent: of cents, natural), ``term`` (decade, or a
        region against Aubrisk), ``true``, and ``meaning`` in words.
    """
    rows = []
    for outcome, words, decade, region in (
        ("rate_hz", "Rate", _RATE_A_DECADE, _RATE_REGION),
        ("log_extent", "Log extent", _LOG_EXTENT_A_DECADE, _LOG_EXTENT_REGION),
    ):
        rows.append((outcome, "decade", decade, f"{words}, change a decade"))
        rows += [
            (outcome, name, region[name], f"{words}, {name} against Aubrisk")
            for name in ("Keldria", "Sunamar")
        ]
    return pd.DataFrame(rows, columns=["outcome", "term", "true", "meaning"])


@dataclass(frozen=True)
class Effects:
    """A share of the model: rate (Hz) and log extent (of cents)."""

    rate_hz: float
    log_extent: float

    def __add__(self, other: Effects) -> Effects:
        return Effects(self.rate_hz + other.rate_hz, self.log_extent + other.log_extent)


@dataclass(frozen=True)
class _Hand:
    """How a player plays: what the model and the sound need."""

    effects: Effects
    voice: Voice
    triangle: float
    upward: float
    rate_irregularity: float
    extent_irregularity: float
    intensity_db: float
    intensity_phase_rad: float
    timbre_db: float
    scooping: float


def _hand(player: Player, seed: int) -> _Hand:
    """Draw a player's habits."""
    rng = _generator(seed, f"player {player.name}")
    log_extent = _LOG_EXTENT_SD["player"] * rng.standard_normal() + _LOG_EXTENT_STYLE[player.style]
    if player.star:
        log_extent = _LOG_EXTENT_STAR
    base = _VOICE[player.instrument]
    voice = Voice(
        cutoff_hz=base.cutoff_hz * rng.uniform(0.93, 1.07),
        rolloff_db_per_octave=base.rolloff_db_per_octave + rng.uniform(-1, 1),
        highpass_hz=base.highpass_hz,
        resonances=tuple(
            (hz * rng.uniform(0.94, 1.06), db + rng.uniform(-1, 1), width)
            for hz, db, width in base.resonances
        ),
        breath_db=base.breath_db + rng.uniform(-2, 2),
    )
    return _Hand(
        effects=Effects(_RATE_SD["player"] * rng.standard_normal(), log_extent),
        voice=voice,
        triangle=rng.uniform(0, 0.6),
        upward=rng.uniform(0.2, 0.8),
        rate_irregularity=rng.uniform(0.015, 0.05),
        extent_irregularity=rng.uniform(0.03, 0.10),
        intensity_db=rng.uniform(0.2, 1.4),
        intensity_phase_rad=rng.normal(0, 0.5),
        timbre_db=rng.uniform(0.1, 0.8),
        scooping=rng.uniform(0.05, 0.3),
    )


@dataclass(frozen=True, eq=False)
class Plan:
    """What will be played in a recording, before any of it sounds.

    Parameters
    ----------
    notes : list of Note
        The line.
    fixed, player, recording : Effects
        The model's shares: period and region; player; recording.
    seconds_at_beat : (ndarray, ndarray)
        Beats, and when they fall.
    tuning_hz : float
        Frequency of A4.
    voice : Voice
        The player's tone.
    """

    notes: list[Note]
    fixed: Effects
    player: Effects
    recording: Effects
    seconds_at_beat: tuple[np.ndarray, np.ndarray]
    tuning_hz: float
    voice: Voice


def plan(recording: Recording, seed: int = DEFAULT_SEED) -> Plan:
    """Draw one recording from the model."""
    hand = _hand(recording.player, seed)
    rng = _generator(seed, f"plan {recording.recording_id}")
    own = Effects(
        _RATE_SD["recording"] * rng.standard_normal(), _LOG_EXTENT_SD["recording"] * rng.standard_normal()
    )
    tuning_hz = float(to_hz(rng.normal(0, 6)))
    fixed = _fixed_part(recording)
    notes, seconds_at_beat = _perform(recording, hand, fixed + hand.effects + own, rng)
    return Plan(notes, fixed, hand.effects, own, seconds_at_beat, tuning_hz, hand.voice)


def render(recording: Recording, seed: int = DEFAULT_SEED) -> Rendered:
    """Render one recording, with its truth."""
    drawn = plan(recording, seed)
    rng = _generator(seed, f"sound {recording.recording_id}")
    notes, tuning_hz = drawn.notes, drawn.tuning_hz
    room = drawn_room(recording, seed)
    length_s = notes[-1].end_s + 0.5 + _RING_OUT * room.decay_s
    line = render_line(notes, drawn.voice, rng, length_s=length_s, tuning_hz=tuning_hz)
    places = _generator(seed, f"response {recording.recording_id}")
    samples = _in_room(line.samples, room, places)
    if recording.accompaniment == "piano":
        tonic = _TONIC[recording.player.instrument]
        piano = accompany(recording.melody, tonic, drawn.seconds_at_beat, len(samples), tuning_hz, rng)
        below_db = rng.uniform(*_PIANO_BELOW_DB[recording.loud_piano])
        samples += _in_room(piano, room, places) * 10 ** (-below_db / 20)
        samples /= samples.std()
    samples = through_medium(samples, recording.medium, rng)
    samples *= min(_LEVEL_RMS / samples.std(), _LEVEL_PEAK / np.abs(samples).max())
    summary = {
        **_tags(recording),
        "room_decay_s": room.decay_s,
        "direct_to_room_db": room.direct_db,
        "tuning_hz": tuning_hz,
        "duration_s": len(samples) / SAMPLE_RATE_HZ,
        "notes": len(notes),
        "fixed_rate_hz": drawn.fixed.rate_hz,
        "fixed_log_extent": drawn.fixed.log_extent,
        "player_rate_hz": drawn.player.rate_hz,
        "player_log_extent": drawn.player.log_extent,
        "recording_rate_hz": drawn.recording.rate_hz,
        "recording_log_extent": drawn.recording.log_extent,
    }
    return Rendered(samples, _label(line.truth, recording, notes), summary)


def drawn_room(recording: Recording, seed: int = DEFAULT_SEED) -> Room:
    """Draw the room of a recording: its decay, and how much of the sound is direct."""
    rng = _generator(seed, f"room {recording.recording_id}")
    decay_s, direct_db = (float(rng.uniform(*span)) for span in _ROOMS[recording.room])
    return Room(decay_s, 0.0, direct_db, 0.0)


def _in_room(samples: np.ndarray, room: Room, rng: np.random.Generator) -> np.ndarray:
    """Return `samples` as heard from one place to another of a room, RMS 1."""
    wet = fftconvolve(samples, room.response(SAMPLE_RATE_HZ, rng))[: len(samples)]
    return wet / wet.std()


def _tags(recording: Recording) -> dict[str, object]:
    player = recording.player
    return {
        "recording_id": recording.recording_id,
        "player": player.name,
        "region": player.region,
        "decade": recording.decade,
        "medium": recording.medium,
        "accompaniment": recording.accompaniment,
        "room": recording.room,
        "style": player.style,
        "star": player.star,
    }


def _label(truth: pd.DataFrame, recording: Recording, notes: list[Note]) -> pd.DataFrame:
    """Name the notes, and add what was written of them."""
    written = [tone for tone in recording.melody.tones() if tone.semitones is not None]
    truth = truth.assign(
        slurred=[note.slurred for note in notes],
        phrase_peak=[tone.peak for tone in written],
        beats=[tone.beats for tone in written],
    )
    truth.insert(0, "recording_id", recording.recording_id)
    truth.insert(1, "note_id", [f"{recording.recording_id}/{number + 1}" for number in range(len(truth))])
    return truth


def _fixed_part(recording: Recording) -> Effects:
    """The part of the model that is the same for all players."""
    decades, region = (recording.decade - 1960) / 10, recording.player.region
    return Effects(
        _RATE_HZ + _RATE_A_DECADE * decades + _RATE_REGION[region],
        float(np.log(_EXTENT_CENTS)) + _LOG_EXTENT_A_DECADE * decades + _LOG_EXTENT_REGION[region],
    )


def _perform(
    recording: Recording, hand: _Hand, expected: Effects, rng: np.random.Generator
) -> tuple[list[Note], tuple[np.ndarray, np.ndarray]]:
    """Play the melody: notes in seconds, and the seconds at which its beats fell."""
    tones = recording.melody.tones()
    seconds_a_beat = 60 / recording.tempo_bpm
    followed = [*tones[1:], None]
    phrase_ends = [after is None or after.semitones is None for after in followed]
    lengths_s = np.array([tone.beats for tone in tones]) * seconds_a_beat
    lengths_s *= 1 + np.clip(0.025 * rng.standard_normal(len(tones)), -0.06, 0.06)
    lengths_s *= np.where(phrase_ends, 1.1, 1.0)
    starts_s = _LEAD_IN_S + np.concatenate([[0.0], np.cumsum(lengths_s)])
    beats = np.concatenate([[0.0], np.cumsum([tone.beats for tone in tones])])
    arch = np.sin(np.pi * beats[:-1] / beats[-1])
    notes = []
    for i, tone in enumerate(tones):
        if tone.semitones is None:
            continue
        after = followed[i]
        tongued_next = not phrase_ends[i] and after is not None and not after.slurred
        gap_s = rng.uniform(0.004, 0.015) if tongued_next else 0.0
        duration_s = float(lengths_s[i] - gap_s)
        notes.append(
            Note(
                start_s=float(starts_s[i]),
                end_s=float(starts_s[i]) + duration_s,
                midi=_TONIC[recording.player.instrument] + tone.semitones,
                cents=float(rng.normal(0, 5)),
                level_db=float(min(0.0, -8 + 5 * arch[i] + 2 * tone.peak + rng.normal(0, 0.8))),
                swell_db=float(rng.uniform(0, 2.5) if tone.beats >= 1 else 0.0),
                slurred=tone.slurred,
                attack_s=float(rng.uniform(0.02, 0.06)),
                release_s=float(rng.uniform(0.02, 0.04) if tongued_next else rng.uniform(0.06, 0.12)),
                glide_s=float(rng.uniform(0.015, 0.04)),
                scoop_cents=float(rng.uniform(20, 60) if rng.random() < hand.scooping else 0.0),
                vibrato=_draw_vibrato(tone, duration_s, recording.player, hand, expected, rng),
            )
        )
    return notes, (beats, starts_s)


def _draw_vibrato(
    tone: Tone,
    duration_s: float,
    player: Player,
    hand: _Hand,
    expected: Effects,
    rng: np.random.Generator,
) -> Vibrato | None:
    """Draw the vibrato of one note from the model; None for a straight note."""
    logit = _LOGIT_STYLE[player.style] + _LOGIT_A_DOUBLING * np.log2(duration_s / 0.5)
    present = rng.random() < 1 / (1 + np.exp(-logit - _LOGIT_PEAK * tone.peak))
    rate_hz = expected.rate_hz + _RATE_SD["note"] * rng.standard_normal()
    log_extent = (
        expected.log_extent
        + _LOG_EXTENT_A_DOUBLING * np.log2(duration_s / 0.7)
        + _LOG_EXTENT_PEAK * tone.peak
        + _LOG_EXTENT_SD["note"] * rng.standard_normal()
    )
    if player.style == "continuous":
        delay_s = float(rng.uniform(0.04, 0.12))
    else:
        delay_s = float(min(rng.uniform(0.12, 0.45) * duration_s, 0.7))
    lasting_s = duration_s - delay_s
    if not present or lasting_s * rate_hz < _FEWEST_CYCLES:
        return None
    return Vibrato(
        rate_hz=float(rate_hz),
        extent_cents=float(np.exp(log_extent)),
        delay_s=delay_s,
        fade_in_s=float(min(rng.uniform(0.06, 0.2), 2 * delay_s)),
        growth=float(np.clip(rng.normal(0.1, 0.25), -0.6 / lasting_s, 0.6 / lasting_s)),
        rate_slope_hz_per_s=float(np.clip(rng.normal(0.1, 0.25), -0.6 / lasting_s, 0.6 / lasting_s)),
        rate_irregularity=hand.rate_irregularity,
        extent_irregularity=hand.extent_irregularity,
        triangle=hand.triangle,
        upward=bool(rng.random() < hand.upward),
        intensity_depth_db=hand.intensity_db,
        intensity_phase_rad=hand.intensity_phase_rad,
        timbre_depth_db=hand.timbre_db,
    )


def write_demo_corpus(
    folder: Path,
    seed: int = DEFAULT_SEED,
    workers: int | None = None,
    chosen: Sequence[Recording] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> None:
    """Write the corpus: audio, truth and manifest.

    Parameters
    ----------
    folder : Path
        Where ``audio/``, ``scores/``, ``truth/truth.csv``, ``truth/recordings.csv`` and
        ``corpus_manifest.csv`` go.
        Audio already there is written again.
    seed : int
        Another seed, another corpus of the same kind.
    workers : int | None
        Processes; None for all cores. The result does not depend on it.
    chosen : sequence of Recording | None
        Some of :func:`recordings`; None for all.
    progress : callable | None
        Called with (recordings done, recordings in all).
    """
    corpus = list(chosen) if chosen is not None else recordings()
    (folder / "audio").mkdir(parents=True, exist_ok=True)
    (folder / "truth").mkdir(exist_ok=True)
    (folder / "scores").mkdir(exist_ok=True)
    for melody in dict.fromkeys(recording.melody for recording in corpus if recording.has_score):
        write_score(melody, folder / score_name(melody))
    parallel = Parallel(n_jobs=workers or -1, return_as="generator")
    tables = []
    for done in parallel(delayed(_write_recording)(folder, recording, seed) for recording in corpus):
        tables.append(done)
        if progress is not None:
            progress(len(tables), len(corpus))
    write_csv(pd.concat([notes for notes, _ in tables], ignore_index=True), folder / "truth" / "truth.csv")
    write_csv(pd.DataFrame([summary for _, summary in tables]), folder / "truth" / "recordings.csv")
    write_csv(manifest(corpus), folder / MANIFEST_NAME)


def _write_recording(folder: Path, recording: Recording, seed: int) -> tuple[pd.DataFrame, dict[str, object]]:
    rendered = render(recording, seed)
    path = folder / recording.path
    with replacing(path) as stream:
        soundfile.write(stream, rendered.samples, SAMPLE_RATE_HZ, format="FLAC", subtype="PCM_16")
    return rendered.notes, rendered.summary


def write_csv(frame: pd.DataFrame, path: Path) -> None:
    """Write `frame` as CSV, whole or not at all, numbers to seven digits."""
    with replacing(path) as stream:
        frame.to_csv(stream, index=False, encoding="utf-8", lineterminator="\n", float_format="%.7g")
