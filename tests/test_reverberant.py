"""Likelihood of a course whose tail is its own past: known courses under tails that are known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import OptimizeResult

from vibstudy.pitch import reverberant
from vibstudy.pitch.course import Course
from vibstudy.pitch.reverberant import WHITE, InRoom, _covariance, _tails

from .test_follow import HOP_S, bank_of, swing

FAR = 6.3  # power of the tail over the direct sound's: 8 dB


def asked(tail: float, seed: int, frames: int = 140):
    cents = swing(np.arange(frames) * HOP_S)
    bank = bank_of(cents, tail, seed)
    return cents, bank, Course.over(bank.time_s)


def test_covariance_is_that_of_a_response_that_falls():
    """Against the plain sum over the response, and a piece against its part of the whole."""
    rng = np.random.default_rng(3)
    tone, keep = np.exp(1j * np.cumsum(rng.standard_normal(12))), 0.8
    heard = np.array(
        [[keep ** (0.5 * lag) * tone[t - lag] if lag <= t else 0.0 for lag in range(12)] for t in range(12)]
    )
    plain = heard @ heard.conj().T
    plain *= 12 / np.trace(plain).real
    levels = np.cos(np.arange(12))[:, None] * np.ones((12, 2))
    free = levels @ levels.T
    plain += free * np.outer(tone, tone.conj()) + 0.3 * np.eye(12)
    tails, _ = _tails(tone.real.copy(), tone.imag.copy(), keep, 12)
    for first, last in ((0, 12), (5, 9)):
        real, imag = _covariance(tails, free, tone.real.copy(), tone.imag.copy(), 0.3, first, last)
        assert_allclose(real + 1j * imag, np.triu(plain[first:last, first:last]), rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("frames", [60, 300])  # one piece, and several
def test_slope_is_that_of_the_cost(frames):
    cents, bank, course = asked(1.0, 1, frames)
    room = InRoom(bank, course)
    x = course.start(0.8 * cents)
    room.with_noise(x)
    _, slope, by_white, *_ = room.cost_and_slope(x)

    def cost(x: np.ndarray) -> float:
        return room.cost_and_slope(x).cost

    for way in np.random.default_rng(frames).standard_normal((4, len(x))):
        step = 1e-5 * way
        assert_allclose(slope @ way, (cost(x + step) - cost(x - step)) / 2e-5, rtol=1e-4)
    white, costs = room._white.copy(), []
    for step in (1e-5, -1e-5):
        room._white = white * np.exp(step * np.arange(len(white)))
        costs.append(cost(x))
    assert_allclose(by_white @ np.arange(len(white)), (costs[0] - costs[1]) / 2e-5, rtol=1e-4)


def test_curvature_is_that_of_the_cost_where_all_else_is_white_noise():
    """Expected against differences of slopes; a tail would tell of the course, too."""
    cents, bank, course = asked(0.1, 2, 150)
    room = InRoom(bank, course)
    x, _ = room.settled(course.start(cents))
    room._white[:] = WHITE[-1]
    known = room.cost_and_slope(x, expected=True).known
    ways = np.random.default_rng(1).standard_normal((6, len(x))) @ np.linalg.inv(np.linalg.cholesky(known))
    ratios = []
    for way in ways:
        after, before = (room.cost_and_slope(x + step * way).slope @ way for step in (1e-3, -1e-3))
        ratios.append((after - before) / 2e-3 / (way @ known @ way))
    assert 0.5 < np.min(ratios) < np.max(ratios) < 1.2


def test_what_is_expected_is_told_only_where_it_is_asked():
    cents, bank, course = asked(1.0, 3)
    room = InRoom(bank, course)
    x = course.start(cents)
    room.with_noise(x)
    plain, whole = room.cost_and_slope(x), room.cost_and_slope(x, expected=True)
    assert plain.known.size == 0 < whole.known.size
    assert plain.cost == whole.cost
    assert_allclose(plain.slope, whole.slope)
    assert_allclose(plain.by_white, whole.by_white)


def test_a_course_without_hope_is_given_up():
    """From one that is surely worse, no step is taken; where nothing is to be beaten, all are."""
    cents, bank, course = asked(FAR, 4)
    room = InRoom(bank, course)
    _, cost = room.settled(course.start(cents))
    off = course.start(1.5 * cents)
    start = room.with_noise(off)
    left, _ = room.settled(off, below=cost - 1e6)
    settled, found = room.settled(off)
    assert np.std(course.basis @ (left - off)) < np.std(course.basis @ (settled - off))
    assert found < start


def test_far_in_a_room_the_course_played_is_likelier_than_one_half_as_wide():
    """Each as likely as it gets nearby."""
    apart = []
    for seed in range(8):
        cents, bank, course = asked(FAR, seed)
        costs = [InRoom(bank, course).settled(course.start(share * cents))[1] for share in (1.0, 0.5)]
        apart.append(costs[1] - costs[0])
    assert np.median(apart) > 20.0
    assert np.min(apart) > -3.0  # the same one, as near as the steps come


def test_a_course_that_runs_away_is_held(monkeypatch):
    """A line search may ask for any course within its bounds: also there the likelihood is a number."""
    found = []

    def outermost(asked_of, start, *, bounds: list, **_):
        worst = np.array([most for _, most in bounds])
        cost, slope = asked_of(start)
        assert np.isfinite(slope).all()
        cost, slope = asked_of(worst)
        assert np.isfinite(cost)
        assert np.isfinite(slope).all()
        found.append(worst)
        return OptimizeResult(x=start, fun=cost)

    cents, bank, course = asked(1.0, 6, 60)
    monkeypatch.setattr(reverberant, "minimize", outermost)
    InRoom(bank, course).settled(course.start(cents))
    assert len(found) == 1
