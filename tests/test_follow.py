"""Courses followed through a note: known courses of harmonics, alone, under a tail and backwards."""

import numpy as np
import pytest

from vibstudy.pitch.course import Bank, Course, slow_levels
from vibstudy.pitch.follow import BEHIND, LEAST_HOPS, SURVIVORS, _phase_at, _phasors, _survivors, followed
from vibstudy.pitch.straighten import search

F0_HZ, HOP_S, HARMONICS = 500.0, 0.0065, 10


def swing(time_s):
    """Cents of a vibrato whose rate and extent change."""
    return 24 * (1 + 0.3 * time_s) * np.sin(2 * np.pi * (5.3 * time_s + 0.4 * time_s**2) + 0.7)


def bank_of(cents, tail, seed=0):
    """Harmonics of a course along a steady base, with what a room adds of its past (power `tail` re direct).

    The tail of 1.2 s is exponential noise that the harmonics are convolved with (Schroeder 1962, the model of
    a diffuse room).
    """
    rng = np.random.default_rng(seed)
    time_s = np.arange(len(cents)) * HOP_S
    hz = F0_HZ * (2 ** (cents / 1200) - 1)
    psi = 2 * np.pi * HOP_S * np.concatenate([[0], np.cumsum(0.5 * (hz[1:] + hz[:-1]))])
    order = np.arange(1, HARMONICS + 1)
    direct = np.exp(1j * order[:, None] * psi)
    past = np.exp(-6.9 * np.arange(1, 200) * HOP_S / 1.2)
    past *= np.sqrt(tail / (past**2).sum())
    rows = []
    for row in direct:
        echo = past * (rng.standard_normal(len(past)) + 1j * rng.standard_normal(len(past))) / np.sqrt(2)
        rows.append(row + np.convolve(row, np.concatenate([[0], echo]))[: len(row)])
    return Bank(
        time_s, HOP_S, np.array(rows), order, np.full(len(cents), F0_HZ), slow_levels(time_s), 1 / HOP_S
    )


def strays(found, cents):
    """Root mean square of the difference, ends left out."""
    return float(np.std((found - cents)[8:-8]))


@pytest.mark.parametrize("tail", [0.0, 1.0, 1.6])
@pytest.mark.parametrize("backwards", [False, True])
def test_a_course_is_followed_under_its_own_tail(tail, backwards):
    cents = swing(np.arange(140) * HOP_S)
    found = followed(bank_of(cents, tail), F0_HZ, backwards=backwards)
    assert strays(found, cents) < 5.0
    assert found.shape == cents.shape


@pytest.mark.parametrize("tail", [0.0, 1.0])
def test_the_sharpest_turns_of_a_wide_quick_vibrato_are_followed(tail):
    """±50 cents at 7.5 Hz: 111,000 cents per s² at its crests, to which the bends tried reach."""
    cents = 50 * np.sin(2 * np.pi * 7.5 * np.arange(140) * HOP_S + 0.7)
    assert strays(followed(bank_of(cents, tail), F0_HZ), cents) < 5.0


def test_backwards_is_forwards_of_the_sound_backwards():
    cents = swing(np.arange(120) * HOP_S)
    bank = bank_of(cents, 0.5)
    turned = Bank(
        bank.time_s, HOP_S, bank.b[:, ::-1].conj(), bank.order, bank.base_hz, bank.levels, bank.bandwidth_hz
    )
    np.testing.assert_array_equal(followed(bank, F0_HZ, backwards=True), followed(turned, F0_HZ)[::-1])


def test_the_search_is_nearer_than_what_was_followed():
    cents = swing(np.arange(140) * HOP_S)
    bank = bank_of(cents, 1.0, seed=3)
    course = Course.over(bank.time_s)
    x, seen = search(bank, F0_HZ, course)
    assert strays(course.basis @ x, cents) < 1.5
    assert seen.cost < 0.0


def test_a_straight_note_stays_straight():
    found = followed(bank_of(np.zeros(100), 1.0, seed=5), F0_HZ)
    assert np.std(found[8:-8]) < 3.0


def test_phasors_are_cosine_and_sine():
    rng = np.random.default_rng(8)
    phase, cents, slope = (
        rng.uniform(-300, 300, 500),
        rng.uniform(-130, 130, 500),
        rng.uniform(-2700, 2700, 500),
    )
    out = np.empty((2, 500), dtype=np.float32)
    _phasors(phase, 1.6, 0.006, cents, slope, out)
    angle = _phase_at(phase, 1.6, 0.006, cents, slope, 0.0)
    np.testing.assert_allclose(out, [np.cos(angle), -np.sin(angle)], atol=3e-7)


def test_too_few_hops():
    assert followed(bank_of(np.zeros(3 * LEAST_HOPS - 1), 0.0), F0_HZ) is None


@pytest.mark.parametrize("cells", [50, 401, 1500])
def test_the_likeliest_courses_survive(cells):
    best = np.random.default_rng(cells).uniform(0.0, 25.0, cells)
    best[::7] = -np.inf  # cells that no course leads to
    most = np.sort(best)[-min(SURVIVORS, cells)]
    expected = np.flatnonzero(best >= max(most, best.max() - BEHIND))
    np.testing.assert_array_equal(_survivors(best), expected)
    assert len(_survivors(np.ones(cells))) == min(cells, SURVIVORS)
