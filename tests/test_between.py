"""The mean spectrum between two notes: trills and vibratos of a known pitch, dry and in a room."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.signal import fftconvolve

from vibstudy.notes.alternation import find_alternations
from vibstudy.notes.between import _power, _take_turns, seen_between
from vibstudy.notes.fine import fine_pitch
from vibstudy.notes.trill import DOUBT_P, Habit, Swing, kind_of, trill_probability

RATE_HZ, TURNS_HZ = 22_050, 6.0
TIME_S = np.arange(round(1.5 * RATE_HZ)) / RATE_HZ
VIBRATO = 50.0 * np.sin(2 * np.pi * TURNS_HZ * TIME_S)
CUTS = np.rint(np.arange(19) / 18 * len(TIME_S)).astype(int)
UPPER = np.arange(18) % 2 == 0
SEEDS = (7, 10, 23)
TRILL = gaussian_filter1d(50.0 * np.sign(VIBRATO), 0.004 * RATE_HZ)


def sung(cents: np.ndarray, room: bool, harmonics: int = 10) -> np.ndarray:
    """A voice on A4; `room`: echoes of 1.2 s as strong as the direct sound."""
    rng = np.random.default_rng(8)
    phase = 2 * np.pi * np.cumsum(440 * np.exp2(cents / 1200)) / RATE_HZ
    sound = sum(np.cos(k * phase + rng.uniform(0, 6)) / k for k in range(1, harmonics + 1))
    if room:
        echoes = rng.standard_normal(len(TIME_S)) * 10 ** (-3 * TIME_S / 1.2)
        echoes[: round(0.01 * RATE_HZ)] = 0.0
        sound = sound + fftconvolve(sound, echoes / np.linalg.norm(echoes))[: len(sound)]
    return sound.astype(np.float32)


def far(cents: np.ndarray, seed: int) -> np.ndarray:
    """The voice where echoes of 1.5 s are 3 dB louder than the direct sound."""
    rng = np.random.default_rng(seed)
    echoes = rng.standard_normal(len(TIME_S)) * 10 ** (-3 * TIME_S / 1.5)
    echoes *= 10 ** (3 / 20) / np.linalg.norm(echoes)
    sound = sung(cents, False)
    return (sound + fftconvolve(sound, echoes)[: len(sound)]).astype(np.float32)


def between(cents: np.ndarray, room: bool, about_cents: float = 50.0, harmonics: int = 10):
    low_hz, high_hz = (440 * 2 ** (side * about_cents / 1200) for side in (-1, 1))
    return seen_between(sung(cents, room, harmonics), RATE_HZ, low_hz, high_hz, CUTS, UPPER)


@pytest.mark.parametrize("room", [False, True])
def test_a_trill_leaves_empty_what_a_vibrato_fills(room):
    trill, vibrato = (between(cents, room).gap_db for cents in (TRILL, VIBRATO))
    assert trill < -9 and -5.5 < vibrato < 0


@pytest.mark.parametrize("about_cents", [30.0, 42.0, 60.0])
def test_the_levels_are_the_notes_wherever_they_were_looked_for(about_cents):
    """Also where a room draws the plateaus nearer to each other."""
    found = between(TRILL, True, about_cents)
    low, high = (about_cents * (2 * share - 1) for share in (found.low, found.high))
    assert (low, high) == pytest.approx((-50, 50), abs=6)


def test_harmonics_too_close_tell_nothing():
    assert between(TRILL, False, harmonics=10) is not None
    low_hz, high_hz = 440 * 2 ** (-0.2 / 12), 440 * 2 ** (0.2 / 12)
    assert seen_between(sung(TRILL, False), RATE_HZ, low_hz, high_hz, CUTS // 10, UPPER) is None
    assert seen_between(np.zeros(9000, np.float32), RATE_HZ, 440.0, 466.0, CUTS[:5], UPPER[:4]) is None


@pytest.mark.parametrize("times", [1.0, 1.25, 2.2, 4.5])
def test_what_is_strongest_at_the_edge_of_what_is_looked_at_is_no_level(times):
    """A trill so many times as wide as it was looked for, also at twice the distance: of the widest only
    the slope is seen."""
    found = between(times * TRILL, False)
    assert (found is None) == (times > 4)
    if found is not None:
        assert (found.low, found.high) == pytest.approx((0.5 - times / 2, 0.5 + times / 2), abs=0.11)


@pytest.mark.parametrize("room", [False, True])
def test_notes_that_do_not_take_turns_have_no_gap(room):
    """Two tones held all the while leave between them as little as a trill does."""
    assert between(TRILL, room).turns and np.isfinite(between(TRILL, room).gap_db)
    held = sum(sung(np.full(len(TIME_S), cents), room) for cents in (-50.0, 50.0))
    low_hz, high_hz = (440 * 2 ** (cents / 1200) for cents in (-50, 50))
    for sound, upper in ((held, UPPER), (sung(TRILL, room), ~UPPER)):
        found = seen_between(sound, RATE_HZ, low_hz, high_hz, CUTS, upper)
        assert not found.turns and np.isnan(found.gap_db)


def test_noise_beside_a_trill_leaves_it_one_and_noise_alone_tells_nothing():
    rng = np.random.default_rng(3)
    trill, told, turns = sung(TRILL, False), [], []
    low_hz, high_hz = (440 * 2 ** (cents / 1200) for cents in (-50, 50))
    for _ in range(20):
        noise = rng.standard_normal(len(trill)).astype(np.float32)
        found = seen_between(noise, RATE_HZ, low_hz, high_hz, CUTS, UPPER)
        told.append(found is not None)
        turns.append(found is not None and found.turns)
        louder = trill / np.std(trill) + noise
        assert seen_between(louder, RATE_HZ, low_hz, high_hz, CUTS, UPPER).gap_db < -6
    assert np.mean(told) <= 0.2 and np.mean(turns) <= 0.05


def test_many_harmonics_tell_turns_that_few_do_not():
    """An upper note 1 dB louder in its half cycles; noise of 5 dB in each harmonic and half cycle."""
    rng = np.random.default_rng(5)
    heard = {
        count: np.mean(
            [
                _take_turns(
                    np.where(UPPER, 1.0, 0.0) + 5 * rng.standard_normal((count, 18)), np.ones(count), UPPER
                )
                for _ in range(40)
            ]
        )
        for count in (1, 40)
    }
    assert heard[1] < 0.3 and heard[40] > 0.5
    few = np.array([0, 3, 7, 12])
    assert _take_turns(np.tile(np.where(UPPER[few], 3.0, 0.0), (40, 1)), np.ones(40), UPPER[few])


def swing_of(**seen: float) -> float:
    """Probability of a swing of a semitone that is as full and as sudden as any trill."""
    known = Swing(0.92, 0.03, 0.3, 0.05, 0.08, 0.004, 0.1, 0.6, 95.0, 50.0, turns=None, half_cycles=20)
    return trill_probability(replace(known, **seen), Habit())


def test_a_short_swing_whose_levels_take_no_turns_is_no_trill_however_full_it_is():
    """Noise, or others, drew the pitch: the surer, the less is made of it."""
    assert swing_of() > 0.9 and swing_of(turns=True, half_cycles=6) > 0.8
    assert swing_of(turns=False, half_cycles=4, apart=0.4) < DOUBT_P
    assert kind_of(swing_of(turns=False, half_cycles=8, apart=0.2)) == "unclear"
    assert swing_of(turns=False, half_cycles=30, apart=0.05) > 0.9
    assert (
        swing_of(turns=False, half_cycles=8) < swing_of(half_cycles=8) < swing_of(turns=True, half_cycles=8)
    )
    assert swing_of(apart=0.6, half_cycles=6) < 0.2 < 0.5 < swing_of(apart=0.05, half_cycles=6)


def test_what_is_surely_a_vibrato_stays_one_whether_it_takes_turns_or_not():
    """Narrow, round and even."""
    round_one = {"fullness": 0.69, "interval_cents": 60.0, "uneven": 0.0, "jumps_db": 0.1}
    assert all(swing_of(turns=turns, half_cycles=8, **round_one) < DOUBT_P for turns in (True, False, None))
    assert swing_of(turns=False, half_cycles=3, apart=1.0, **round_one) < DOUBT_P


@pytest.mark.parametrize("seed", [3, 5, 6])
def test_noise_over_a_straight_note_makes_no_trill(seed):
    """A4 and white noise as loud: swings of its pitch are none, over all that a line may hold."""
    rng = np.random.default_rng(seed)
    tone = sung(np.zeros(len(TIME_S)), False)
    sound = tone / np.std(tone) * 0.3 + rng.standard_normal(len(tone)).astype(np.float32)
    swings = [
        swing
        for base_hz in (330.0, 392.0, 523.0, 587.0, 659.0, 698.0, 740.0, 784.0)
        for swing in find_alternations(
            fine_pitch(sound, RATE_HZ, 0.05, 1.45, base_hz), habit=Habit.of("flute")
        )
    ]
    assert swings and not any(swing.kind == "trill" for swing in swings)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_trill_far_from_the_microphone_is_heard_by_its_spectrum(seed):
    """Tail 3 dB louder than the direct sound; a vibrato as wide is none there, either."""
    kinds = [
        {swing.kind for swing in find_alternations(fine_pitch(far(cents, seed), RATE_HZ, 0.05, 1.45, 440.0))}
        for cents in (TRILL, VIBRATO)
    ]
    assert "trill" in kinds[0] and "trill" not in kinds[1]


def test_a_gap_that_few_harmonics_tell_says_less():
    swing = Swing(0.78, 0.04, 0.1, 0.05, 0.08, 0.004, 0.2, 0.3, 95.0, 0.0)
    sure, unsure = (
        trill_probability(replace(swing, gap_db=-7.5, gap_se_db=error), Habit()) for error in (0.5, 3.0)
    )
    assert sure > 2 * unsure
    many, one = (between(VIBRATO, True, harmonics=count) for count in (10, 3))
    assert one.gap_se_db > 1.5 * many.gap_se_db


def test_an_empty_gap_tells_a_trill_and_a_filled_one_tells_next_to_nothing():
    """A swing of a semitone about a degree that is as full as either, by its shape alone unclear."""
    swing = Swing(0.78, 0.04, 0.1, 0.05, 0.08, 0.004, 0.2, 0.3, 95.0, 0.0)

    def odds(gap_db: float) -> float:
        p = trill_probability(replace(swing, gap_db=gap_db), Habit())
        return p / (1 - p)

    empty, not_told = odds(-13.0), odds(np.nan)
    assert empty > 20 * not_told
    assert all(0.2 * not_told <= odds(gap_db) <= 1.1 * not_told for gap_db in (-3.0, 0.0, 5.0))
    assert all(
        empty <= odds(gap_db) < 100 * not_told for gap_db in (-20.0, -40.0)
    )  # emptier is no less a trill


@pytest.mark.parametrize("length", [40, 1500, 6537])
def test_power_in_windows_is_that_of_the_fourier_sum(length):
    rng, turns = np.random.default_rng(3), np.array([0.031, 0.05, 0.2])
    sound = rng.standard_normal(2 * length).astype(np.float32)
    power, centres = _power(sound, turns, length)
    t = np.arange(length)
    for own, centre in zip(power, centres, strict=True):
        part = np.hanning(length) * sound[centre - length // 2 :][:length]
        whole = np.abs(np.exp(2j * np.pi * turns[:, None] * t) @ part) ** 2
        np.testing.assert_allclose(own, whole * 8 / (3 * (length - 1)), rtol=1e-3)
