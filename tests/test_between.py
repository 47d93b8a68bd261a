"""The mean spectrum between two notes: trills and vibratos of a known pitch, dry and in a room."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.signal import fftconvolve

from vibstudy.notes.alternation import find_alternations
from vibstudy.notes.between import seen_between
from vibstudy.notes.fine import fine_pitch
from vibstudy.notes.trill import Habit, Swing, trill_probability

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
def test_notes_that_do_not_take_turns_tell_nothing(room):
    """Two tones held all the while leave between them as little as a trill does; so does noise by chance."""
    assert between(TRILL, room) is not None
    held = sum(sung(np.full(len(TIME_S), cents), room) for cents in (-50.0, 50.0))
    low_hz, high_hz = (440 * 2 ** (cents / 1200) for cents in (-50, 50))
    assert seen_between(held, RATE_HZ, low_hz, high_hz, CUTS, UPPER) is None
    assert seen_between(sung(TRILL, room), RATE_HZ, low_hz, high_hz, CUTS, ~UPPER) is None


def test_noise_beside_a_trill_leaves_it_one_and_noise_alone_tells_nothing():
    rng = np.random.default_rng(3)
    trill, told = sung(TRILL, False), []
    low_hz, high_hz = (440 * 2 ** (cents / 1200) for cents in (-50, 50))
    for _ in range(20):
        noise = rng.standard_normal(len(trill)).astype(np.float32)
        told.append(seen_between(noise, RATE_HZ, low_hz, high_hz, CUTS, UPPER) is not None)
        louder = trill / np.std(trill) + noise
        assert seen_between(louder, RATE_HZ, low_hz, high_hz, CUTS, UPPER).gap_db < -6
    assert np.mean(told) <= 0.05


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
