"""Notes from sound: every way a note can begin and end, on voices whose notes are known.

Scored as musicians would: an onset within 50 ms and a pitch within 50 cents is right (mir_eval's measure,
Raffel et al., ISMIR 2014). Instruments from outside the project: FluidSynth with FluidR3_GM.
"""

from __future__ import annotations

import warnings

import mir_eval
import numpy as np
import pandas as pd
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import decimate, fftconvolve, lfilter

from tests import fluid
from vibstudy.notes.alternation import Alternation, _unevenness, find_alternations
from vibstudy.notes.fine import FinePitch, fine_pitch, sounding_base_hz
from vibstudy.notes.kinds import _in_register
from vibstudy.notes.line import HeldLine
from vibstudy.notes.segment import COLUMNS, _one_at_a_time, segment_notes
from vibstudy.notes.spans import Span, join_half_cycles
from vibstudy.notes.trill import Habit
from vibstudy.pitch.contour import Contour
from vibstudy.pitch.trackers import track_line
from vibstudy.schema import QUALITY_REASONS

RATE_HZ = 22_050
PAD_S = 0.3


def found_in(samples: np.ndarray, min_note_s: float = 0.08) -> pd.DataFrame:
    contour = track_line(samples, RATE_HZ, "swift-f0")
    return segment_notes(samples, RATE_HZ, contour, min_note_s=min_note_s)


def voice(cents: np.ndarray, level_db: np.ndarray | float = 0.0, base_hz: float = 440.0, seed: int = 0):
    """Twelve harmonics with the given pitch and level at every sample, silence around them; SNR 40 dB."""
    rng = np.random.default_rng(seed)
    phase = 2 * np.pi * np.cumsum(base_hz * np.exp2(cents / 1200)) / RATE_HZ
    sound = sum(np.cos(k * phase + rng.uniform(0, 2 * np.pi)) / k for k in range(1, 13) if k * base_hz < 9000)
    time_s = np.arange(len(cents)) / RATE_HZ
    fade = np.clip(np.minimum(time_s, time_s[-1] - time_s) / 0.02, 0, 1)
    sound = 0.1 * sound * fade * 10 ** (np.asarray(level_db) / 20)
    pad = np.zeros(round(PAD_S * RATE_HZ))
    sound = np.concatenate([pad, sound, pad])
    return (sound + 1e-3 * rng.standard_normal(len(sound))).astype(np.float32)


def clock(seconds: float) -> np.ndarray:
    return np.arange(round(seconds * RATE_HZ)) / RATE_HZ


def steps(
    cents: list[float], lengths_s: list[float], slope_s: float = 0.006
) -> tuple[np.ndarray, np.ndarray]:
    """Pitch at every sample that moves from one value to the next at once; and where it moves, s."""
    time_s = clock(sum(lengths_s))
    edges = np.cumsum(lengths_s)[:-1]
    curve = np.full(len(time_s), float(cents[0]))
    for step, edge in zip(np.diff(cents), edges, strict=True):
        curve += step / (1 + np.exp(-np.clip((time_s - edge) / slope_s, -50, 50)))
    return curve, edges


# --- one note


@pytest.mark.parametrize("base_hz", [98.0, 233.0, 440.0, 1047.0])
def test_a_plain_note_has_its_edges(base_hz):
    found = found_in(voice(np.zeros(round(0.8 * RATE_HZ)), base_hz=base_hz))
    assert len(found) == 1
    note = found.iloc[0]
    assert note["onset_s"] == pytest.approx(PAD_S, abs=0.015)
    assert note["offset_s"] == pytest.approx(PAD_S + 0.8, abs=0.03)
    assert note["pitch_hz"] == pytest.approx(base_hz, rel=0.003)
    assert (note["note_kind"], note["quality"]) == ("note", "ok")


@pytest.mark.parametrize("seed", range(8))
def test_a_hundred_cents_at_eight_hertz_split_nothing(seed):
    rng = np.random.default_rng(seed)
    time_s = clock(rng.uniform(0.5, 2.5))
    turn = 2 * np.pi * 8 * time_s + rng.uniform(0, 2 * np.pi)
    sound = voice(100 * np.sin(turn), rng.uniform(0, 3) * np.sin(turn + 1), rng.uniform(110, 1000), seed)
    found = found_in(sound)
    assert len(found) == 1
    assert found["note_kind"].item() == "note"


def test_a_note_that_dies_away_stays_one():
    time_s = clock(3.0)
    found = found_in(voice(np.zeros(len(time_s)), -10 * time_s))
    assert len(found) == 1
    assert found["offset_s"].item() - found["onset_s"].item() > 2.5


def test_intensity_vibrato_is_no_tonguing():
    time_s = clock(2.0)
    assert len(found_in(voice(np.zeros(len(time_s)), 3 * np.sin(2 * np.pi * 6 * time_s)))) == 1


def in_a_room(samples: np.ndarray, seed: int) -> np.ndarray:
    """With echoes from 8 ms on, 6 dB below the direct sound together, gone by 60 dB after 1.3 s."""
    rng = np.random.default_rng(seed)
    time_s = clock(1.5)
    echoes = rng.standard_normal(len(time_s)) * 10 ** (-3 * time_s / 1.3) * (time_s > 0.008)
    echoes *= 10 ** (-6 / 20) / np.sqrt(np.sum(echoes**2))
    return (samples + fftconvolve(samples, echoes)[: len(samples)]).astype(np.float32)


@pytest.mark.parametrize("seed", range(4))
def test_a_room_does_not_cut_vibrato(seed):
    """Its echoes are a moment late, and so at another pitch: the level dips with every cycle."""
    time_s = clock(2.0)
    swing = 35 * np.sin(2 * np.pi * (4.8 + 0.5 * seed) * time_s)
    sound = in_a_room(voice(swing, base_hz=[349, 466, 587, 698][seed], seed=seed), seed)
    found = found_in(sound)
    lengths = found["offset_s"] - found["onset_s"]
    assert lengths.max() > 1.8


def test_a_tongue_is_heard_through_vibrato():
    time_s = clock(1.6)
    dip = -7 * np.exp(-(((time_s - 0.8) / 0.012) ** 2))
    found = found_in(voice(30 * np.sin(2 * np.pi * 5.5 * time_s), dip, seed=3))
    assert len(found) == 2
    assert found["onset_s"].iloc[1] == pytest.approx(PAD_S + 0.8, abs=0.03)


@pytest.mark.parametrize("rate_hz", [5.0, 7.0, 9.0])
def test_hard_tonguing_is_no_beating(rate_hz):
    """Each dip and the rise after it are one attack."""
    time_s = clock(1.6)
    to_dip = np.abs((time_s * rate_hz + 0.5) % 1 - 0.5) / rate_hz
    found = found_in(voice(np.zeros(len(time_s)), -12 * np.exp(-0.5 * (to_dip / 0.015) ** 2)))
    assert len(found) == pytest.approx(1.6 * rate_hz, abs=1)


def test_a_soft_attack_is_less_certain_than_a_hard_one():
    time_s = clock(1.0)
    hard = found_in(voice(np.zeros(len(time_s))))
    soft = found_in(voice(np.zeros(len(time_s)), np.minimum(0, 40 * (time_s / 0.3 - 1))))
    assert 0 < hard["onset_se_s"].item() < soft["onset_se_s"].item()


# --- what is no note of its own


@pytest.mark.parametrize(
    ("lengths_s", "levels_db", "notes"),
    [
        ((0.1, 0.6), (-12.0, 0.0), 1),  # it begins to speak
        ((0.6, 0.03, 0.1), (0.0, -12.0, -3.0), 1),  # it ends in a beat
        ((0.6, 0.03, 0.25), (0.0, -12.0, -3.0), 2),  # what is long enough is begun anew
        ((0.14, 0.03, 0.14), (0.0, -12.0, -3.0), 2),  # neither leans on the other
    ],
)
def test_beside_silence_an_ornament_on_its_own_pitch_is_the_notes(lengths_s, levels_db, notes):
    level_db = np.repeat(levels_db, [round(one * RATE_HZ) for one in lengths_s])
    found = found_in(voice(np.zeros(len(level_db)), level_db))
    assert len(found) == notes
    assert found["onset_s"].iloc[0] == pytest.approx(PAD_S, abs=0.02)
    assert found["offset_s"].iloc[-1] == pytest.approx(PAD_S + sum(lengths_s), abs=0.04)


def test_between_notes_a_quick_one_on_the_same_pitch_stays():
    lengths_s = (0.5, 0.03, 0.1, 0.5)
    level_db = np.repeat((0.0, -12.0, 0.0, 0.0), [round(one * RATE_HZ) for one in lengths_s])
    cents = np.where(np.arange(len(level_db)) < 0.63 * RATE_HZ, 0.0, 300.0)
    assert len(found_in(voice(cents, level_db))) == 3


def together(*voices: np.ndarray) -> np.ndarray:
    size = max(map(len, voices))
    return np.sum([np.pad(one, (0, size - len(one))) for one in voices], axis=0)


@pytest.mark.parametrize(("begun", "notes"), [(False, 1), (True, 2)])
def test_a_string_that_rings_on_is_no_note_and_a_soft_last_one_is(begun, notes):
    stopped, ringing_s = 0.8, 1.05
    time_s = clock(ringing_s)
    decay_db = -8.0 - 20.0 * np.maximum(time_s - stopped, 0.0)
    level_db = np.where(time_s < stopped, -90.0, decay_db) if begun else decay_db
    note = voice(np.zeros(round(stopped * RATE_HZ)), base_hz=103.8)
    found = found_in(together(note, voice(np.zeros(len(time_s)), level_db, base_hz=98.0, seed=1)))
    assert len(found) == notes
    assert found["pitch_hz"].iloc[0] == pytest.approx(103.8, rel=0.01)
    assert found["offset_s"].iloc[0] == pytest.approx(PAD_S + stopped, abs=0.03)


@pytest.mark.parametrize(("upper_db", "later_db", "notes"), [(-8.0, -8.0, 1), (6.0, -40.0, 2)])
def test_a_note_begins_with_a_harmonic_that_sounds_on(upper_db, later_db, notes):
    time_s = clock(0.9)
    low_db, high_db = np.where(time_s < 0.1, [[-90.0], [upper_db]], [[0.0], [later_db]])
    found = found_in(together(voice(time_s * 0, low_db, base_hz=110.0), voice(time_s * 0, high_db, 220.0)))
    assert len(found) == notes
    assert found["onset_s"].iloc[0] == pytest.approx(PAD_S, abs=0.03)
    assert found["pitch_hz"].iloc[-1] == pytest.approx(110.0, rel=0.005)


# --- from note to note


@pytest.mark.parametrize("seed", range(5))
def test_semitone_steps_are_found_under_vibrato(seed):
    rng = np.random.default_rng(seed)
    cents = list(np.cumsum(rng.choice([-100, 100], 6)))
    curve, edges = steps(cents, list(rng.uniform(0.3, 1.2, 6)))
    swing = 50 * np.sin(2 * np.pi * rng.uniform(4.5, 8) * np.arange(len(curve)) / RATE_HZ)
    onsets = found_in(voice(curve + swing, base_hz=rng.uniform(150, 900), seed=seed))["onset_s"].to_numpy()
    assert len(onsets) == 6
    assert np.abs(onsets[1:] - PAD_S - edges).max() < 0.05


def test_a_portamento_is_cut_inside_its_glide():
    """Half a second, a glide of 120 ms up a fourth, half a second."""
    curve = np.interp(clock(1.12), [0.5, 0.62], [0, 500])
    found = found_in(voice(curve))
    assert len(found) == 2
    assert PAD_S + 0.48 < found["onset_s"].iloc[1] < PAD_S + 0.64
    assert 1200 * np.log2(found["pitch_hz"].to_numpy() / 440) == pytest.approx([0, 500], abs=15)


def test_a_soft_tongue_divides_a_repeated_note():
    time_s = clock(1.2)
    dip = -5 * np.exp(-(((time_s - 0.6) / 0.012) ** 2))
    found = found_in(voice(np.zeros(len(time_s)), dip))
    assert len(found) == 2
    assert found["onset_s"].iloc[1] == pytest.approx(PAD_S + 0.6, abs=0.03)


def test_a_note_repeated_a_little_higher_is_cut_at_its_tongue():
    """The second note stands 30 cents higher: less than a step, so that level tells where it begins."""
    time_s = clock(2.0)
    away = np.clip(np.abs(time_s - 1.45) / 0.05, 0, 1)
    curve = np.where(time_s < 1.45, 0.0, 30.0) + 30 * np.sin(2 * np.pi * 5 * time_s)
    found = found_in(voice(curve, 60 * (away - 1), base_hz=155))
    assert len(found) == 2
    assert found["onset_s"].iloc[1] == pytest.approx(PAD_S + 1.48, abs=0.04)


def test_beats_with_another_sound_are_no_tonguing():
    """With a softer voice a minor ninth below, whose second harmonic beats 20 times a second."""
    time_s = clock(1.5)
    low = voice(np.zeros(len(time_s)), base_hz=349.23 / 2 * 2 ** (-1 / 12), seed=1)
    found = found_in(voice(np.zeros(len(time_s)), base_hz=349.23) + 0.6 * low)
    assert len(found) == 1


def test_a_breath_is_silence_between_two_notes():
    time_s = clock(1.4)
    away = np.clip(np.minimum(np.abs(time_s - 0.6), np.abs(time_s - 0.8)) / 0.02, 0, 1)
    level = np.where((time_s > 0.6) & (time_s < 0.8), -60 * away, 0.0)
    found = found_in(voice(np.zeros(len(time_s)), level))
    assert len(found) == 2
    assert found["offset_s"].iloc[0] == pytest.approx(PAD_S + 0.6, abs=0.04)
    assert found["onset_s"].iloc[1] == pytest.approx(PAD_S + 0.8, abs=0.03)


@pytest.mark.parametrize("seed", range(4))
def test_a_note_ends_where_its_rest_begins(seed):
    """Rests of 0.15 s, which the line holds through now and then, between notes with and without vibrato."""
    rng = np.random.default_rng(seed)
    cents, level_db, edges, at = [], [], [], PAD_S
    for step in rng.choice([-300, -200, -100, 100, 200, 300, 0], 5).cumsum():
        time_s, rest = clock(rng.uniform(0.4, 0.9)), clock(0.15)
        swing = rng.uniform(0, 35) * np.sin(2 * np.pi * rng.uniform(4.5, 6.5) * time_s)
        fade = np.clip(np.minimum(time_s, time_s[-1] - time_s) / 0.015, 1e-4, 1)
        cents += [step + swing, np.full(len(rest), float(step))]
        level_db += [20 * np.log10(fade), np.full(len(rest), -90.0)]
        edges.append((at, at + len(time_s) / RATE_HZ))
        at = edges[-1][1] + 0.15
    base_hz = float(np.exp(rng.uniform(np.log(150), np.log(900))))
    found = found_in(voice(np.concatenate(cents), np.concatenate(level_db), base_hz, seed))
    np.testing.assert_allclose(found[["onset_s", "offset_s"]].to_numpy(float), edges, atol=0.03)


VOWELS_HZ = ((700, 1220, 2600), (300, 2300, 3000), (400, 800, 2600), (530, 1840, 2480))
"""First three formants of four vowels, rounded (Peterson and Barney 1952, JASA 24:175-184; from memory)."""


def sung(cents: np.ndarray, base_hz: float, vowel: tuple[int, ...]) -> np.ndarray:
    """A buzz through three formants, faded in and out."""
    phase = 2 * np.pi * np.cumsum(base_hz * np.exp2(cents / 1200)) / RATE_HZ
    sound = sum(np.cos(k * phase) / k**1.2 for k in range(1, int(min(40, 7500 / base_hz)) + 1))
    for centre, width in zip(vowel, (80, 100, 140), strict=True):
        radius, turn = np.exp(-np.pi * width / RATE_HZ), 2 * np.pi * centre / RATE_HZ
        sound = lfilter([1 - radius], [1, -2 * radius * np.cos(turn), radius**2], sound)
    time_s = clock(len(cents) / RATE_HZ)
    return 0.1 * sound / np.std(sound) * np.clip(np.minimum(time_s, time_s[-1] - time_s) / 0.03, 0, 1)


@pytest.mark.parametrize(("seed", "base_hz"), [(1, 130.8), (2, 220.0), (3, 440.0)])
def test_one_note_where_a_singer_sings_one(seed, base_hz):
    """± 100 cents at 5.5 Hz, three vowels parted by consonants (noise, 0.06-0.12 s) or by nothing."""
    rng = np.random.default_rng(seed)
    pieces, steps = (
        [np.zeros(round(PAD_S * RATE_HZ))],
        rng.choice([-300, -200, -100, 100, 200, 300], 5).cumsum(),
    )
    for step, gap_s in zip(steps, rng.permutation([0.0, 0.06, 0.06, 0.12, 0.12]), strict=True):
        time_s = clock(rng.uniform(0.6, 1.2))
        swing = 100 * np.clip(time_s / 0.25, 0, 1) * np.sin(2 * np.pi * 5.5 * time_s + rng.uniform(0, 6))
        pieces.append(sung(step + swing, base_hz, VOWELS_HZ[rng.integers(4)]))
        consonant = rng.standard_normal(round(gap_s * RATE_HZ))
        pieces.append(0.015 * consonant * np.hanning(len(consonant)))
    sound = np.concatenate([*pieces, np.zeros(round(PAD_S * RATE_HZ))])
    sound = (sound + 3e-4 * rng.standard_normal(len(sound))).astype(np.float32)
    contour = track_line(sound, RATE_HZ, "swift-f0")
    found = segment_notes(sound, RATE_HZ, contour, habit=Habit.of("voice"))
    assert len(found) == 5
    away = 1200 * np.log2(found["pitch_hz"].to_numpy(float) / base_hz) - steps
    assert np.abs(away).max() < 100  # the median over cycles that are not whole
    assert found["note_kind"].ne("trill").all()


def test_a_grace_note_is_an_ornament():
    curve, edges = steps([0, 400, 200], [0.6, 0.075, 0.8])
    found = found_in(voice(curve))
    assert found["note_kind"].tolist() == ["note", "ornament", "note"]
    assert found["onset_s"].iloc[1:].to_numpy() - PAD_S == pytest.approx(edges, abs=0.03)


def test_a_turn_is_marked():
    """The note above, the note, the note below, the note: each of the first three 90 ms."""
    curve, _ = steps([0, 200, 0, -100, 0], [0.6, 0.09, 0.09, 0.09, 0.8])
    found = found_in(voice(curve))
    kinds = found["note_kind"].tolist()
    assert (kinds[0], kinds[-1]) == ("note", "note")
    assert "ornament" in kinds[1:-1]
    assert "note" not in kinds[1:-1]


@pytest.mark.parametrize(("rate_hz", "step"), [(6, 100), (7.5, 200), (9, 100), (6.5, 200)])
def test_a_trill_is_one_trill(rate_hz, step):
    time_s = clock(1.6)
    away = np.tanh(8 * np.sin(2 * np.pi * rate_hz * time_s))
    found = found_in(voice(step / 2 * (1 + away)))
    assert found["note_kind"].tolist() == ["trill"]
    assert found["pitch_hz"].item() == pytest.approx(440, rel=0.012)  # named by its lower note


@pytest.mark.parametrize(
    ("held_s", "after_db", "kinds"),
    [(0.45, 0.0, ["trill"]), (0.45, 20.0, ["trill", "note"]), (2.0, 0.0, ["trill", "note"])],
)
def test_what_is_held_of_a_trill_is_the_trills(held_s, after_db, kinds):
    """On its lower note, no longer than the trill, not begun anew."""
    trill = 50 * (1 + np.tanh(8 * np.sin(2 * np.pi * 6 * clock(1.4))))
    held = clock(held_s)
    dip_db = -after_db * np.exp(-(((held - 0.08) / 0.02) ** 2))
    sound = voice(np.concatenate([trill, 0 * held]), np.concatenate([0 * trill, dip_db]))
    assert found_in(sound)["note_kind"].tolist() == kinds


def test_a_slow_alternation_is_a_trill_when_it_goes_on():
    """Three times a second: four notes are a melody, twenty a trill."""
    rounds = {
        times: found_in(voice(100 * (np.arange(round(times / 6 * RATE_HZ)) * 6 // RATE_HZ % 2)))["note_kind"]
        for times in (4, 20)
    }
    assert "trill" not in set(rounds[4])
    assert rounds[20].iloc[0] == "trill"


def alternations_of(cents: np.ndarray) -> list[Alternation]:
    return find_alternations(FinePitch(cents, np.zeros(len(cents)), np.zeros(len(cents)), 440.0))


def test_square_sine_and_triangle_have_their_fullness():
    """Mean over the median of the inner half: (2/π)/cos(π/8) for a sine, 2/3 for a triangle."""
    time_s = np.arange(0, 2, 0.0025)
    turn = 2 * np.pi * 6 * time_s
    square, sine = 100 * np.sign(np.sin(turn)), 100 * np.sin(turn)
    triangle = 200 / np.pi * np.arcsin(np.sin(turn))
    swings = [alternations_of(curve)[0] for curve in (square, sine, triangle)]
    assert swings[0].fullness > 0.95
    assert swings[1].fullness == pytest.approx(2 / np.pi / np.cos(np.pi / 8), abs=0.015)
    assert swings[2].fullness == pytest.approx(2 / 3, abs=0.015)
    assert [swing.kind for swing in swings] == ["trill", "note", "note"]
    assert [swing.rate_hz for swing in swings] == pytest.approx([6, 6, 6], abs=0.05)
    assert swings[0].interval_cents == pytest.approx(200, abs=1)


def test_a_stumbling_trill_is_a_trill():
    """Half cycles of 50 to 150 ms: no one rate, but two plateaus."""
    rng = np.random.default_rng(5)
    side = np.repeat(np.arange(16) % 2, rng.integers(20, 60, 16))
    (swing,) = alternations_of(100.0 * side + rng.normal(0, 4, len(side)))
    assert swing.kind == "trill"
    assert swing.interval_cents == pytest.approx(100, abs=4)


@pytest.mark.parametrize("wild_cents", [-400.0, 400.0])
def test_a_trill_that_fills_a_short_sound_is_heard(wild_cents):
    """Five notes in 0.4 s, whose fading end may say anything of the pitch: that is no level of the swing."""
    curve = 160.0 * np.repeat([1, 0, 1, 0, 1], [28, 30, 38, 30, 38])
    curve[-6:] = wild_cents
    (swing,) = alternations_of(curve)
    assert swing.kind == "trill" and swing.half_cycles == 5


def test_a_note_held_on_the_level_of_a_trill_counts_as_one_of_its_notes():
    """Three quick notes and a longer one before or after them; with none, or on a third pitch, a melody."""
    quick = 100.0 * np.repeat([1, 0, 1], 36)
    held, elsewhere = np.zeros(160), np.full(160, -150.0)
    for parts in ([held, quick], [quick, held]):
        assert [swing.half_cycles for swing in alternations_of(np.concatenate(parts))] == [3]
    for parts in ([quick], [elsewhere, quick], [held, 100 + held, held]):
        assert not alternations_of(np.concatenate(parts))


def test_an_offset_makes_no_notes_of_silence():
    """A file whose offset lies in its tone alone, taken out over the whole: the silence is then a step."""
    sound = np.pad(voice(np.zeros(round(0.6 * RATE_HZ))), (0, 3 * RATE_HZ))
    sound[round(PAD_S * RATE_HZ) : round((PAD_S + 0.6) * RATE_HZ)] += 0.2
    notes = found_in((sound - sound.mean()).astype(np.float32))
    assert len(notes) == 1
    assert notes["offset_s"][0] < PAD_S + 0.75


def test_what_may_be_either_is_unclear():
    """A wide sine with somewhat flattened crests; the same swing, narrow, is a vibrato."""
    turn = 2 * np.pi * 6 * np.arange(0, 2, 0.0025)
    flat = np.tanh(1.2 * np.sin(turn)) / np.tanh(1.2)
    assert [alternations_of(half * flat)[0].kind for half in (100, 27)] == ["unclear", "note"]


def test_jumps_of_level_and_a_players_habit_tell_a_trill():
    """The same rounded swing of a semitone: with keys or breath, by an oboist, a singer, anybody."""
    time_s = np.arange(0, 2, 0.0025)
    turn = 2 * np.pi * 6 * time_s
    cents = 50 * np.tanh(1.4 * np.sin(turn)) / np.tanh(1.4)
    apart = np.zeros(len(cents))

    def p(level_db: np.ndarray, habit: Habit) -> float:
        (swing,) = find_alternations(FinePitch(cents, apart, level_db, 440.0), habit=habit)
        return swing.trill_p

    breath, keys = 2 * np.sin(turn), 2 * np.sign(np.sin(turn))
    assert p(keys, Habit()) > p(breath, Habit()) + 0.05
    by_player = [p(breath, Habit.of(name)) for name in ("voice", None, "oboe in C")]
    assert by_player == sorted(by_player) and by_player[2] > by_player[0] + 0.2
    assert p(breath, Habit(odds=1.0)) > p(breath, Habit()) + 0.05


@given(
    st.lists(st.tuples(st.integers(8, 60), st.floats(-150, 150), st.floats(-40, 40)), min_size=4, max_size=12)
)
@settings(deadline=None, max_examples=200)
def test_any_swings_are_described(steps):
    """Levels that hardly take turns, drifts and cut ends: a probability, and no complaint."""
    cents = np.concatenate([np.linspace(at, at + drift, n) for n, at, drift in steps])
    with np.errstate(divide="raise", over="raise", invalid="raise"), warnings.catch_warnings():
        warnings.simplefilter("error")
        for swing in alternations_of(cents):
            assert 0.0 <= swing.trill_p <= 1.0


def test_without_a_whole_half_cycle_on_one_side_times_tell_nothing():
    length, upper = np.array([20, 30, 30]), np.array([True, False, False])
    whole = np.array([False, True, True])
    assert _unevenness(length, upper, whole) == (0.0, pytest.approx(np.log(14)))
    told, told_se = _unevenness(length, upper, np.ones(3, dtype=bool))
    assert told == pytest.approx(np.log(20 / 30))
    assert told_se < np.log(14)


def test_times_above_and_below_tell_a_trill():
    """The same rounded swing, evenly or resting on its lower note."""

    def p(lower_share: float) -> float:
        at = (6 * np.arange(0, 2, 0.0025)) % 1.0
        lower = at < lower_share
        turn = np.where(lower, 0.5 + at / lower_share / 2, (at - lower_share) / (1 - lower_share) / 2)
        return alternations_of(75 * np.tanh(1.2 * np.sin(2 * np.pi * turn)))[0].trill_p

    assert p(0.62) > 0.9 > p(0.5)


def test_a_short_trill_between_held_notes_is_heard():
    """Three times up and down from a note that is held before and after it."""
    turns = 100 * (np.arange(round(0.5 * RATE_HZ)) * 12 // RATE_HZ % 2 == 0)
    held = np.zeros(round(0.7 * RATE_HZ))
    notes = found_in(voice(np.concatenate([held, turns, held])))
    assert notes["note_kind"].tolist() == ["note", "trill", "note"]
    (trill,) = notes[notes["note_kind"].eq("trill")].to_dict("records")
    assert trill["onset_s"] == pytest.approx(PAD_S + 0.7, abs=0.04)
    assert trill["offset_s"] == pytest.approx(PAD_S + 1.2 - 1 / 12, abs=0.06)


def test_a_trill_whose_notes_were_followed_at_their_harmonics_is_one_chain():
    """Two notes a tone apart, followed at their third harmonics, once at the fifth of the upper."""
    known = [1200 * np.log2(3), 1200 * np.log2(3) + 200]
    fifth = 1200 * np.log2(5) + 200
    assert _in_register(Span(0.0, 0.1, fifth), known) == pytest.approx(known[1], abs=1)
    assert _in_register(Span(0.0, 0.1, known[1]), known[:1]) == known[1]
    assert _in_register(Span(0.0, 0.5, fifth), known) == fifth  # longer than any note of a trill


def test_the_place_in_the_scale_tells_a_round_trill_from_a_vibrato():
    """± 50 cents of a sine on a horn: between two degrees a lip trill, about one a vibrato."""
    swing = 50 * np.sin(2 * np.pi * 6 * np.arange(0, 2, 0.0025))

    def kind(away_cents: float, habit: Habit) -> str:
        still = np.zeros(len(swing))
        base_hz = 440 * 2 ** (away_cents / 1200)
        (found,) = find_alternations(FinePitch(swing, still, still, base_hz), habit=habit)
        return found.kind

    horn = Habit.of("horn in F", tuning_hz=440)
    assert [kind(away, horn) for away in (50, 250, 0)] == ["trill", "trill", "note"]
    assert kind(0, Habit.of("horn", tuning_hz=440 * 2 ** (-50 / 1200))) == "trill"
    assert kind(0, Habit.of("alto sax")) == kind(0, Habit()) == "note"


def test_a_glitch_parts_no_half_cycle():
    side = np.repeat(np.arange(12) % 2, 30)
    curve = 100.0 * side
    curve[[100, 101, 102, 103, 104, 210, 211, 212, 213]] += 60 - 2 * curve[100]
    (swing,) = alternations_of(curve)
    assert swing.half_cycles >= 10 and swing.kind == "trill"


def test_half_cycles_of_25_to_350_ms_belong_to_an_alternation():
    """In frames of 2.5 ms: 11 are a half cycle and 9 are a glitch; 138 are one and 146 are a note held."""
    for frames, found in ((11, 1), (9, 0)):
        assert len(alternations_of(100.0 * np.repeat(np.arange(24) % 2, frames))) == found
    for frames, counts in ((138, [17]), (146, [8, 8])):
        lengths = np.full(17, 60)
        lengths[8] = frames
        curve = 100.0 * np.repeat(np.arange(17) % 2, lengths)
        assert [swing.half_cycles for swing in alternations_of(curve)] == counts


def harmonics_of(base_hz: float, even: float, seconds: float) -> np.ndarray:
    """Twelve harmonics; `even`: amplitude of the even ones, of the others 1."""
    time_s = clock(seconds)
    return sum((1.0 if k % 2 else even) * np.cos(2 * np.pi * k * base_hz * time_s + k) for k in range(1, 13))


@pytest.mark.parametrize(("base_hz", "parts"), [(220.0, 2), (220.0, 3), (220.0, 5), (27.5, 2)])
def test_a_pitch_taken_at_a_harmonic_is_brought_down(base_hz, parts):
    """Down to the lowest A of a piano, 27.5 Hz."""
    sound = harmonics_of(base_hz, 1.0, 1.0).astype(np.float32)
    pitch = fine_pitch(sound, RATE_HZ, 0.0, 1.0, parts * base_hz)
    assert sounding_base_hz(sound, RATE_HZ, 0.0, pitch) == pytest.approx(base_hz)


@pytest.mark.parametrize(("share", "parts"), [(0.08, 1), (0.12, 2)])
def test_what_lies_between_harmonics_must_hold_a_tenth_of_the_power(share, parts):
    sound = harmonics_of(220.0, float(np.sqrt((1 - share) / share)), 1.0).astype(np.float32)
    pitch = fine_pitch(sound, RATE_HZ, 0.0, 1.0, 440.0)
    assert sounding_base_hz(sound, RATE_HZ, 0.0, pitch) == pytest.approx(440.0 / parts)


@pytest.mark.parametrize(("seconds", "notes"), [(0.144, 1), (0.176, 2)])
def test_half_a_cycle_of_three_hertz_is_given_back(seconds, notes):
    """It lasts 167 ms; what is longer, in frames of 16 ms, is no half cycle of a vibrato but a note."""
    time_s = np.arange(0, 1 + seconds, 0.016)
    after = time_s >= 1.0
    cents = np.where(after, 90.0, 100 * np.sin(2 * np.pi * 3 * time_s))
    line = HeldLine(time_s, np.where(after, 100.0, 0.0), cents, np.ones(len(cents)), np.zeros(len(cents)))
    spans = [Span(0.0, 1.0, 0.0), Span(1.0, 1.0 + seconds, 100.0)]
    assert len(join_half_cycles(line, spans)) == notes


def test_a_scale_and_a_slow_alternation_are_no_trill():
    scale = np.repeat([0, 200, 400, 500, 700, 900], 60)
    slow = np.repeat(np.tile([0, 200], 6), 100)
    assert alternations_of(scale - 450.0) == alternations_of(slow - 100.0) == []


def test_a_note_beside_silence_has_sure_edges():
    """A swell of 0.12 s and a fall of 0.15 s: slow, but nothing else can be heard there."""
    time_s = clock(1.5)
    level = -60 * np.clip(1 - time_s / 0.12, 0, 1) - 60 * np.clip(1 - (1.5 - time_s) / 0.15, 0, 1)
    found = found_in(voice(np.zeros(len(time_s)), level))
    assert found["quality"].tolist() == ["ok"]


def test_a_slow_drift_parts_no_note():
    """30 cents up and down again in ten seconds, as in a long swell."""
    time_s = clock(10.0)
    found = found_in(voice(15 * np.sin(2 * np.pi * time_s / 10)))
    assert len(found) == 1


@pytest.mark.parametrize("base_hz", [41.2, 69.3])
def test_low_notes_are_not_parted_by_their_periods(base_hz):
    """E1 and C sharp 2, whose periods are as long as a window of levels (23 ms) or half of it."""
    sound = voice(np.zeros(round(1.0 * RATE_HZ)), base_hz=base_hz)
    contour = track_line(sound, RATE_HZ, "swift-f0", fmin_hz=30.0)
    found = segment_notes(sound, RATE_HZ, contour)
    assert len(found) == 1
    assert found["pitch_hz"].item() == pytest.approx(base_hz, rel=0.01)


# --- instruments from outside


def line_of_tones(rng: np.random.Generator, count: int, lowest: int) -> list[fluid.Tone]:
    """Stepwise notes of 0.25 to 0.8 s: some tongued with a gap of 30 ms, some slurred."""
    tones, at, midi = [], 0.3, lowest + 5
    for _ in range(count):
        midi = int(np.clip(midi + rng.choice([-4, -2, -1, 1, 2, 3, 5]), lowest, lowest + 14))
        length = rng.uniform(0.25, 0.8)
        tones.append(
            fluid.Tone(at, at + length + rng.choice([-0.03, 0.015]), midi, int(rng.integers(80, 110)))
        )
        at += length
    return tones


def heard(path) -> np.ndarray:
    samples, rate_hz = soundfile.read(path, dtype="float32")
    return np.ascontiguousarray(samples.mean(axis=1)[:: rate_hz // RATE_HZ]).astype(np.float32)


def f1(tones: list[fluid.Tone], found: pd.DataFrame) -> tuple[float, float]:
    """F1 and median onset error, s; sampled instruments speak up to 40 ms after their MIDI time."""
    truth = np.array([(tone.onset_s, tone.offset_s) for tone in tones])
    pitch = np.array([tone.pitch_hz for tone in tones])
    estimate = found[["onset_s", "offset_s"]].to_numpy()
    late = float(np.median([np.min(np.abs(estimate[:, 0] - onset)) for onset in truth[:, 0]]))
    pairs = mir_eval.transcription.match_notes(
        truth + late, pitch, estimate, found["pitch_hz"].to_numpy(), offset_ratio=None
    )
    return 2 * len(pairs) / (len(truth) + len(estimate)), late


@pytest.mark.parametrize(("program", "lowest"), [(65, 58), (71, 60), (fluid.TENOR_SAX, 52)])
def test_rendered_melodies_are_found(tmp_path, program, lowest):
    fluid.need_fluidsynth()
    tones = line_of_tones(np.random.default_rng(program), 24, lowest)
    value, late = f1(tones, found_in(heard(fluid.render(tmp_path / "a.wav", tones, program))))
    assert value >= 0.88  # against bare MIDI times; benchmarks/notes.py counts from when a note is heard
    assert late < 0.045


def test_rendered_melody_with_piano(tmp_path):
    fluid.need_fluidsynth()
    tones = line_of_tones(np.random.default_rng(7), 24, 60)
    end = tones[-1].offset_s
    chords = [
        fluid.Tone(at, at + 0.7, 48 + step, 80)
        for number, at in enumerate(np.arange(0.3, end, 0.75))
        for step in ((0, 4, 7), (5, 9, 12), (7, 11, 14))[number % 3]
    ]
    path = fluid.render(tmp_path / "a.wav", tones, 65, accompaniment=chords, accompaniment_volume=70)
    value, _ = f1(tones, found_in(heard(path)))
    assert value >= 0.85


@pytest.mark.parametrize(("program", "midi"), [(65, 53), (66, 44), (66, 53), (67, 37), (67, 41), (70, 34)])
@pytest.mark.parametrize("cc1", [0, 75])
def test_low_notes_keep_their_octave(tmp_path, program, midi, cc1):
    """Saxophones and bassoon, whose low notes have weak fundamentals."""
    fluid.need_fluidsynth()
    tones = [fluid.Tone(0.3 + 1.35 * k, 1.5 + 1.35 * k, midi) for k in range(3)]
    found = found_in(heard(fluid.render(tmp_path / "a.wav", tones, program, cc1=cc1)))
    assert len(found) == 3
    assert 69 + 12 * np.log2(found["pitch_hz"].to_numpy() / 440) == pytest.approx([midi] * 3, abs=0.3)


@pytest.mark.parametrize(("program", "midi"), [(65, 65), (66, 62)])
def test_a_dissonant_bass_splits_nothing(tmp_path, program, midi):
    """A piano a minor ninth below beats 16 to 20 times a second with the note."""
    fluid.need_fluidsynth()
    tones = [fluid.Tone(0.3 + 1.35 * k, 1.5 + 1.35 * k, midi) for k in range(3)]
    bass = [fluid.Tone(tone.onset_s, tone.offset_s, midi - 13, 90) for tone in tones]
    found = found_in(heard(fluid.render(tmp_path / "a.wav", tones, program, accompaniment=bass)))
    assert len(found) == 3


@pytest.mark.parametrize(
    ("program", "rate_hz", "step", "ringing"),
    [(65, 6.5, 2, False), (68, 8, 1, True), (71, 7, 1, False), (73, 9, 2, True)],
)
def test_rendered_trills_are_never_plain_notes(tmp_path, program, rate_hz, step, ringing):
    fluid.need_fluidsynth()
    onsets = np.arange(0.5, 2.3, 0.5 / rate_hz)
    tones = [
        fluid.Tone(at, at + 0.5 / rate_hz + 0.01, 69 + step * (j % 2), 90) for j, at in enumerate(onsets)
    ]
    found = found_in(heard(fluid.render(tmp_path / "a.wav", tones, program)))
    plain = found[found["note_kind"] == "note"]
    assert not ((plain["offset_s"] - plain["onset_s"]) > 2.5 / rate_hz).any()
    kinds = ["trill", "unclear"] if ringing else ["trill"]  # notes that ring on hide the jumps of quick ones
    assert found["note_kind"].isin(kinds).any()


# --- properties


def well_formed(found: pd.DataFrame, end_s: float) -> bool:
    lengths = found["offset_s"] - found["onset_s"]
    overlap = found["offset_s"].to_numpy()[:-1] - found["onset_s"].to_numpy()[1:]
    reasons = {reason for cell in found["quality"] for reason in cell.split(";")}
    return (
        tuple(found.columns) == COLUMNS
        and found["onset_s"].is_monotonic_increasing
        and bool((lengths > 0).all())
        and bool((overlap < 1e-3).all())
        and bool(found["onset_s"].ge(0).all() and found["offset_s"].le(end_s + 0.05).all())
        and set(found["note_kind"]) <= {"note", "trill", "unclear", "ornament"}
        and reasons <= {"ok", *QUALITY_REASONS}
    )


@settings(max_examples=20, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    pieces=st.lists(
        st.tuples(st.floats(-900, 900), st.floats(0.04, 0.6), st.floats(0, 120), st.floats(3, 9)),
        min_size=1,
        max_size=6,
    ),
)
def test_any_voice_gives_a_table_in_order(seed, pieces):
    """Pieces: cents, length in s, extent in cents, rate in Hz."""
    curve = np.concatenate(
        [cents + extent * np.sin(2 * np.pi * rate * clock(length)) for cents, length, extent, rate in pieces]
    )
    sound = voice(curve, seed=seed)
    assert well_formed(found_in(sound), len(sound) / RATE_HZ)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10**6), voiced=st.floats(0, 1))
def test_any_contour_gives_a_table_in_order(seed, voiced):
    """A tracker that is wrong everywhere, over noise."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0, 2, 0.016)
    f0 = np.where(rng.random(len(time_s)) < voiced, np.exp(rng.uniform(4, 7.5, len(time_s))), np.nan)
    sound = rng.normal(0, 0.05, 2 * RATE_HZ).astype(np.float32)
    contour = Contour(time_s, f0, rng.random(len(time_s)), "chance")
    assert well_formed(segment_notes(sound, RATE_HZ, contour), 2.0)


@given(st.lists(st.tuples(st.floats(0, 9), st.floats(0, 9)), max_size=12))
def test_notes_whose_edges_cross_leave_the_others_whole(edges):
    """Edges are found one by one: a late attack may come to lie behind the next note's."""
    notes = [{"onset_s": onset, "offset_s": offset} for onset, offset in edges]
    kept = _one_at_a_time([dict(note) for note in notes])
    onsets, offsets = ([note[key] for note in kept] for key in ("onset_s", "offset_s"))
    assert all(onset < offset for onset, offset in zip(onsets, offsets, strict=True))
    assert all(offset <= onset for offset, onset in zip(offsets, onsets[1:], strict=False))
    # a note lost had no length, or another began before it did
    for number, (onset, offset) in enumerate(edges):
        later = [begin for begin, end in edges[number + 1 :] if end > begin]
        assert onset in onsets or offset <= onset or min(later) <= onset


def test_a_file_of_half_the_rate_has_the_same_notes():
    """At 11,025 Hz its spectrum ends below 8 kHz, up to which it is looked at."""
    cents, edges = steps([0, 200, 400], [0.5, 0.5, 0.5])
    sound = decimate(voice(cents), 2).astype(np.float32)
    notes = segment_notes(sound, RATE_HZ / 2, track_line(sound, RATE_HZ / 2, "swift-f0"), min_note_s=0.08)
    assert notes["onset_s"].to_numpy() == pytest.approx(PAD_S + np.array([0, *edges]), abs=0.02)


def test_level_does_not_matter():
    curve, _ = steps([0, 200, -100], [0.5, 0.6, 0.7])
    sound = voice(curve)
    contour = track_line(sound, RATE_HZ, "swift-f0")
    loud, soft = (segment_notes(gain * sound, RATE_HZ, contour) for gain in (2.0, 0.05))
    pd.testing.assert_frame_equal(loud, soft, atol=2e-3)


@pytest.mark.parametrize("samples", [0, 100, 3 * RATE_HZ])
def test_silence_holds_no_notes(samples):
    silence = np.zeros(samples, dtype=np.float32)
    empty = Contour(
        np.arange(0, samples / RATE_HZ, 0.016),
        *(np.full(len(np.arange(0, samples / RATE_HZ, 0.016)), v) for v in (np.nan, 0.0)),
        "none",
    )
    found = segment_notes(silence, RATE_HZ, empty)
    assert len(found) == 0
    assert tuple(found.columns) == COLUMNS
