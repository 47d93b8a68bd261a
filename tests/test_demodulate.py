"""Harmonics brought to rest: against plain sums, and against SciPy's spline."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.interpolate import CubicSpline
from scipy.signal.windows import blackman

from vibstudy.pitch.calculus import Spline
from vibstudy.pitch.demodulate import PERIODS, Demodulator

RATE_HZ = 22050


@pytest.mark.parametrize(("f0_hz", "harmonics"), [(440.0, 9), (98.0, 3), (1700.0, 1)])
def test_harmonics_are_windowed_sums_of_the_sound_turned_back(f0_hz, harmonics):
    rng = np.random.default_rng(int(f0_hz))
    sound = rng.standard_normal(6000).astype(np.float32)
    demodulator = Demodulator(sound, RATE_HZ, 0.0, f0_hz)
    line_hz = f0_hz * (1.0 + 0.02 * np.sin(2 * np.pi * 6 * demodulator.time_s))
    found = demodulator.rest(line_hz, harmonics)
    length = round(demodulator.window_s * RATE_HZ)
    assert length >= round(PERIODS * RATE_HZ / f0_hz)
    window = blackman(length + 2)[1:-1] / blackman(length + 2)[1:-1].sum()
    turns = CubicSpline(demodulator.time_s, line_hz, bc_type="natural").antiderivative()
    for frame in (demodulator.overlap, len(line_hz) // 2, len(line_hz) - 1 - demodulator.overlap):
        first = round(demodulator.time_s[frame] * RATE_HZ - 0.5 * (length - 1))
        own = np.arange(first, first + length)
        for k in range(harmonics):
            plain = np.sum(window * sound[own] * np.exp(-2j * np.pi * (k + 1) * turns(own / RATE_HZ)))
            assert_allclose(found[k, frame], plain, atol=1e-5)


@pytest.mark.parametrize("points", [3, 4, 50])
def test_integral_of_the_spline_is_scipys(points):
    rng = np.random.default_rng(points)
    values, step_s = rng.standard_normal(points), 0.004
    time_s = np.arange(points) * step_s
    scipys = CubicSpline(time_s, values, bc_type="natural")
    integral = scipys.antiderivative()
    spline = Spline(values, step_s)
    assert_allclose(spline.integral(), integral(time_s), atol=1e-13)
    before, per_step, count = 3.5, 11, 4 + 11 * (points - 1) + 5
    at_s = (np.arange(count) - before) * step_s / per_step
    # beyond its ends the outermost pieces go on
    assert_allclose(spline.integral_between(per_step, before, count), integral(at_s), atol=1e-13)
