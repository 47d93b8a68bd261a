"""The room, against exponential tails of known decay and against another library's rooms."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pyroomacoustics as pra
import pytest
from scipy.signal import fftconvolve

from vibstudy.demo.synthesis import SAMPLE_RATE_HZ, Note, Vibrato, Voice, render_line
from vibstudy.pages.recording import room_words
from vibstudy.pitch.contour import Contour
from vibstudy.pitch.refine import refine_note
from vibstudy.recording.found import FoundNote
from vibstudy.recording.measured import _without_tail
from vibstudy.sound.freedecay import (
    _STARTS,
    _Bands,
    _climbed,
    _values_a_unit,
    _with_common_floor,
    free_decay,
)
from vibstudy.sound.room import MOST_RELEASES, Room, RoomMeter, end_of_direct

VOICE = Voice(760, 13, 180, ((620, 2, 0.5), (1700, 3, 0.4)), breath_db=-41)
STEPS = (0, 2, 4, 7, 5, 9, 11, 12, 7, 4)


@cache
def line(seed: int = 1) -> tuple[np.ndarray, list[dict]]:
    """Forty tongued notes of 0.55 s, with vibrato, and where they are."""
    rng = np.random.default_rng(seed)
    pitches = 63 + rng.permutation(np.tile(STEPS, 4))
    pitches[1:][np.diff(pitches) == 0] += 3
    notes = [
        Note(0.3 + 0.6 * i, 0.86 + 0.6 * i, int(midi), vibrato=Vibrato(5.5, 20.0, 0.1))
        for i, midi in enumerate(pitches)
    ]
    sung = render_line(notes, VOICE, rng, length_s=27.0)
    rows = sung.truth[["onset_s", "offset_s", "pitch_hz"]].assign(note_kind="note").to_dict("records")
    return sung.samples / np.abs(sung.samples).max(), rows


def room_of(samples: np.ndarray) -> Room:
    meter = RoomMeter()
    meter.add(samples.astype(np.float32), SAMPLE_RATE_HZ, line()[1])
    return meter.room()


def tail(decay_s: float, direct_db: float, seed: int = 0) -> np.ndarray:
    """Impulse response: one direct sample, and noise that decays."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(1.3 * decay_s * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    h = rng.standard_normal(len(t)) * 10 ** (-3 * t / decay_s)
    h *= 10 ** (-direct_db / 20) / np.sqrt(np.sum(h**2))
    h[0] += 1.0
    return h


@pytest.mark.parametrize(("decay_s", "direct_db"), [(1.0, 3.0), (1.8, 0.0), (2.6, 6.0)])
def test_an_exponential_tail_is_measured(decay_s, direct_db):
    room = room_of(fftconvolve(line()[0], tail(decay_s, direct_db)))
    assert room.decay_s == pytest.approx(decay_s, rel=0.15)
    assert room.direct_db == pytest.approx(direct_db, abs=3.0)
    assert 0 < room.decay_se_s < 0.25 * decay_s


def test_decay_of_another_librarys_room():
    """Schroeder integration by pyroomacoustics (Schroeder 1965, JASA 37:409-412) of its own room."""
    pra.random.seed(3)
    absorption, _ = pra.inverse_sabine(1.5, (14.0, 11.0, 7.0))
    hall = pra.ShoeBox(
        (14.0, 11.0, 7.0),
        fs=SAMPLE_RATE_HZ,
        materials=pra.Material(absorption, scattering=0.4),
        max_order=3,
        ray_tracing=True,
    )
    hall.set_ray_tracing(receiver_radius=0.5, n_rays=20_000)
    hall.add_source([3.0, 5.0, 1.5])
    hall.add_microphone([4.3, 5.4, 1.7])
    hall.compute_rir()
    response = hall.rir[0][0]
    expected = pra.experimental.measure_rt60(response, SAMPLE_RATE_HZ, decay_db=30)
    delay = int(np.abs(response).argmax())
    room = room_of(fftconvolve(line()[0], response)[delay:])
    assert room.decay_s == pytest.approx(expected, rel=0.15)


ENDS_S = np.arange(-0.29, 1.0, 0.016)


def ends(decay_s: float, step_db: float, floors: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Levels of bands about ends of notes: a decay that scatters after a step, over a floor of each band."""
    tail = np.where(ENDS_S < 0, 0.0, -60 / decay_s * ENDS_S - step_db)
    scatter = 10 * np.log10(rng.exponential(size=(*floors.shape[:2], len(ENDS_S)))) * (ENDS_S > 0)
    return 10 * np.log10(10 ** (0.1 * (tail + scatter)) + 10 ** (0.1 * floors))


def test_floors_of_their_own_do_not_lengthen_a_short_decay():
    """One decay of 0.4 s over floors 18 to 55 dB down: their pooled median bends long before the floor."""
    rng = np.random.default_rng(11)
    own = ends(0.4, 3.0, rng.uniform(-55, -18, (30, 4, 1)), rng)
    told = free_decay(list(own), list(np.full_like(own, np.nan)), ENDS_S)
    assert np.exp(told.log_decay) == pytest.approx(0.4, rel=0.1)
    assert told.log_decay_se < 0.2


def test_floors_may_all_lie_above_what_is_beside_them():
    """Decays of 1.2 s into floors 6 dB above those between the harmonics, as a player's breath makes them."""
    rng = np.random.default_rng(12)
    floors = rng.uniform(-32, -22, (30, 4, 1))
    own = ends(1.2, 2.0, floors, rng)
    told = free_decay(list(own), list(np.broadcast_to(floors - 6.0, own.shape)), ENDS_S)
    assert np.exp(told.log_decay) == pytest.approx(1.2, rel=0.1)


def test_bands_keep_what_is_beside_them_while_a_common_floor_is_sought():
    """So that whoever asks them again, of another decay, asks the same."""
    rng = np.random.default_rng(12)
    floors = rng.uniform(-32, -22, (30, 4, 1))
    own = ends(1.2, 2.0, floors, rng)
    bands = _Bands(list(own), list(np.broadcast_to(floors - 6.0, own.shape)), ENDS_S)
    before, unit = bands.ground.copy(), _values_a_unit(0.0)
    fit = _climbed(bands, _STARTS[0], np.zeros(bands.count), unit)
    higher, _ = _with_common_floor(bands, fit, unit)
    np.testing.assert_array_equal(bands.ground, before)
    assert np.median(higher.ground - before) == pytest.approx(6.0, abs=2.0)


def test_a_short_decay_far_away_is_told_and_its_direct_sound_is_not_told_wrong():
    """Half of the direct sound of the tail, and a release of 60 ms: a fall that begins late may be either."""
    dry = line()[0]
    heard = fftconvolve(dry, tail(0.4, -3.0, seed=1))[: len(dry)]
    heard = heard / np.abs(heard).max() + 0.01 * np.random.default_rng(1).standard_normal(len(dry))
    room = room_of(heard)
    assert room.decay_s == pytest.approx(0.4, rel=0.1)
    assert not abs(room.direct_db + 3.0) > 1.96 * room.direct_se_db


def test_a_dry_line_has_no_room():
    assert not room_of(line()[0]).known
    assert np.isnan(list(Room().columns().values())).all()


def test_held_tones_of_others_are_no_room():
    """A piano's strings ring on for seconds; nothing in the bands beside says so otherwise."""
    samples = line()[0]
    rng = np.random.default_rng(4)
    t = np.arange(len(samples)) / SAMPLE_RATE_HZ
    other = np.zeros(len(samples))
    for start in np.arange(0.3, 24.0, 0.6):
        ringing = (t > start) & (t < start + 4.0)  # 87 dB down
        since = t[ringing] - start
        ring = np.exp(-since / 0.4)
        for midi in rng.choice(np.arange(48, 72), 3, replace=False):
            f = 440 * 2 ** ((midi - 69) / 12)
            other[ringing] += ring * sum(np.sin(2 * np.pi * k * f * since) / k for k in range(1, 9))
    other *= samples.std() / other.std()
    assert not room_of(samples + other).known


def test_too_little_is_no_room():
    meter = RoomMeter()
    assert not meter.room().known
    samples, rows = line()
    meter.add(samples.astype(np.float32), SAMPLE_RATE_HZ, rows[:2])
    assert not meter.room().known
    meter.add(np.zeros(100, dtype=np.float32), SAMPLE_RATE_HZ, rows)  # notes outside the sound
    assert not meter.room().known


def test_time_and_memory_are_bound():
    samples, rows = line()
    meter = RoomMeter()
    for _ in range(10):
        meter.add(samples.astype(np.float32), SAMPLE_RATE_HZ, rows)
    assert len(meter._own) == MOST_RELEASES


def test_the_page_says_it():
    assert "nothing can be told" in room_words(Room().columns())[0]
    words = room_words(Room(1.84, 0.12, -3.2, 0.8).columns())
    assert words == [
        "The room rings for 1.8 ± 0.1 s (decay by 60 dB).",
        "The direct sound is 3 ± 1 dB below it.",
    ]


def test_the_modulation_an_exponential_tail_passes():
    """Houtgast & Steeneken 1973: without direct sound 1 / sqrt(1 + (2 pi F T / 13.8)^2)."""
    for rate_hz, decay_s in ((5.0, 1.0), (6.0, 2.0), (2.0, 0.5)):
        expected = 1 / np.hypot(1, 2 * np.pi * rate_hz * decay_s / 13.8)
        assert abs(Room(decay_s, 0.1, -60.0, 1.0).modulation(rate_hz)) == pytest.approx(expected, rel=0.002)
    assert abs(Room(1.0, 0.1, 40.0, 1.0).modulation(5.0)) == pytest.approx(1.0, abs=1e-3)
    assert Room().modulation(5.0) == Room(1.0, 0.1).modulation(5.0) == 1.0


def test_loudness_vibrato_in_a_room_is_known_again():
    """Noise whose intensity swings, heard in a tail: share and lag are those of the formula."""
    rng = np.random.default_rng(7)
    room, rate_hz, depth = Room(1.0, 0.1, 0.0, 0.5), 5.0, 0.6
    t = np.arange(60 * SAMPLE_RATE_HZ) / SAMPLE_RATE_HZ
    sound = rng.standard_normal(len(t)) * np.sqrt(1 + depth * np.cos(2 * np.pi * rate_hz * t))
    heard = fftconvolve(sound, room.response(SAMPLE_RATE_HZ, rng))[: len(t)][SAMPLE_RATE_HZ:]
    turn = np.exp(-2j * np.pi * rate_hz * t[SAMPLE_RATE_HZ:])
    passed = 2 * np.mean(heard**2 * turn) / np.mean(heard**2) / depth
    assert abs(passed - room.modulation(rate_hz)) < 0.03


def test_response_has_the_decay_and_ratio_asked_for():
    response = Room(1.5, 0.1, 3.0, 1.0).response(SAMPLE_RATE_HZ, np.random.default_rng(1))
    assert 10 * np.log10(1 / np.sum(response[1:] ** 2)) == pytest.approx(3.0, abs=1e-6)
    assert pra.experimental.measure_rt60(response[1:], SAMPLE_RATE_HZ, decay_db=30) == pytest.approx(
        1.5, rel=0.05
    )
    assert len(Room().response(SAMPLE_RATE_HZ, np.random.default_rng(1))) == 1


@pytest.mark.parametrize("direct_db", [-6.0, 0.0, 6.0])
def test_where_the_pitch_swings_levels_are_those_of_a_rice_law(direct_db):
    """A modulated tone in complex normal noise (Rice 1944), which a very long tail leaves unmodulated."""
    rng = np.random.default_rng(8)
    psi = np.linspace(0, 2 * np.pi, 200_000, endpoint=False)
    noise = (rng.standard_normal(len(psi)) + 1j * rng.standard_normal(len(psi))) * np.sqrt(0.5)
    tone = 10 ** ((direct_db + 1.0 * np.cos(psi)) / 20)
    depth = 2 * np.mean(20 * np.log10(np.abs(tone + noise)) * np.cos(psi))
    room = Room(1000.0, 0.1, direct_db, 1.0)
    assert depth == pytest.approx(abs(room.modulation(5.0, swings=True)), abs=0.03)
    assert room.modulation_se(5.0, swings=True) > 0.0


def test_errors_of_decay_and_direct_sound_reach_the_modulation():
    sure, unsure = Room(1.0, 0.0, 0.0, 0.0), Room(1.0, 0.2, 0.0, 3.0)
    assert sure.modulation_se(5.0) == 0.0
    drier = abs(Room(1.0, 0.2, 3.0, 3.0).modulation(5.0)) / abs(sure.modulation(5.0)) - 1
    assert drier < unsure.modulation_se(5.0) < 2 * drier
    assert Room().modulation_se(5.0) == 0.0


@pytest.mark.parametrize(("decay_s", "direct_db"), [(1.2, 6.0), (2.0, 0.0)])
def test_a_note_ends_where_its_direct_sound_does(decay_s, direct_db):
    """A level that falls at once by the direct sound, then by 60 dB in the decay, with a decibel of noise."""
    rng = np.random.default_rng(2)
    time_s = np.arange(0.0, 2.0, 0.01)
    room = Room(decay_s, 0.1, direct_db, 1.0)
    level = np.where(time_s < 1.4, 0.0, -10 * np.log10(1 + 10 ** (direct_db / 10)))
    level = level - 60 / decay_s * np.maximum(time_s - 1.4, 0.0) + rng.standard_normal(len(time_s))
    assert end_of_direct(time_s, level, room) == pytest.approx(1.42, abs=0.05)
    assert end_of_direct(time_s, level, Room()) is None
    diminuendo = -6.0 * time_s + rng.standard_normal(len(time_s))
    assert end_of_direct(time_s, diminuendo, room) is None
    assert end_of_direct(time_s[:6], level[:6], room) is None


@pytest.mark.parametrize("drawn", [False, True])
def test_the_end_of_a_note_is_asked_of_its_harmonics_or_of_its_level(drawn):
    """A tone of 1.4 s whose tail (direct sound 6 dB above it) the line holds for 0.6 s more."""
    rng = np.random.default_rng(2)
    t = np.arange(2 * SAMPLE_RATE_HZ) / SAMPLE_RATE_HZ
    fall_db = np.where(t < 1.4, 0.0, -10 * np.log10(1 + 10**0.6) - 50.0 * (t - 1.4))
    tone = 10 ** (fall_db / 20) * sum(np.sin(2 * np.pi * 440.0 * k * t) / k for k in range(1, 7))
    samples = 0.2 * tone + 1e-4 * rng.standard_normal(len(t))
    every = np.arange(0.0, 2.0, 0.01)
    known = Contour(every, np.full(len(every), 440.0), np.ones(len(every)), "known")
    line = refine_note(samples, SAMPLE_RATE_HZ, known, 0.0, 2.0)
    values = {"offset_s": 2.0, "duration_s": 2.0, "offset_se_s": 0.01}
    note = FoundNote(values, [], replace(line, drawn=drawn), 0.0)
    _without_tail(note, Room(1.2, 0.1, 6.0, 1.0))
    assert note.values["offset_s"] == (2.0 if drawn else pytest.approx(1.42, abs=0.05))


def test_a_note_of_digital_silence_tells_nothing():
    """Where nothing sounds no band is its harmonic's."""
    meter = RoomMeter()
    notes = [
        {"onset_s": at, "offset_s": at + 0.5, "pitch_hz": 440.0, "note_kind": "note"}
        for at in (0.5, 1.5, 2.5)
    ]
    meter.add(np.zeros(5 * 22_050, dtype=np.float32), 22_050, notes)
    assert not np.isfinite(meter.room().decay_s)
