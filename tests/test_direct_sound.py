"""Loudness vibrato of the direct sound, against notes in tails made from the definition, and formulas."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vibstudy.pitch.straighten import straighten_note
from vibstudy.pitch.tail import covariance, kept
from vibstudy.vibrato.direct import FEWEST_HARMONICS, of_direct_sound, tells_direct_sound
from vibstudy.vibrato.note import measure_note

from .direct_sound import in_tail
from .signals import RATE_HZ, tone
from .test_straighten import in_room, pooled

NOTES = 20


def told(depth_db: float, **where) -> tuple[np.ndarray, np.ndarray]:
    """Errors of the modulation (complex, dB, turned so that the truth is real), and standard errors."""
    rng = np.random.default_rng(11)
    off, se = [], []
    for _ in range(NOTES):
        line, fit, true = in_tail(rng, depth_db, **where)
        step = of_direct_sound(line, fit)
        turn = np.exp(-1j * np.angle(true)) if depth_db else 1.0
        off.append(step.depth * np.exp(1j * step.phase_rad) * turn - depth_db)
        se.append(step.depth_se)
    return np.array(off), np.array(se)


@pytest.mark.parametrize(
    "where", [{}, {"direct_db": 0.0, "decay_s": 1.2}, {"direct_db": 10.0, "decay_s": 2.0}]
)
@pytest.mark.parametrize("depth_db", [0.0, 0.5, 1.0, 3.0])
def test_depth_in_a_tail_of_its_own_past(depth_db, where):
    off, se = told(depth_db, **where)
    right = np.abs(np.abs(off + depth_db) - depth_db) <= max(1.0, 0.15 * depth_db)
    assert np.mean(right) >= 0.9
    assert np.mean(np.abs(np.abs(off + depth_db) - depth_db) <= 1.96 * se) >= 0.9
    assert np.sqrt(np.mean(np.abs(off) ** 2)) < 0.75
    assert np.median(se) < 1.0
    if depth_db >= 1.0:
        assert abs(np.mean(off.real)) < 0.2


def test_a_dry_note_tells_its_depth_to_a_hundredth():
    off, se = told(2.0, direct_db=45.0)
    assert np.abs(off).max() < 0.05
    assert np.median(se) < 0.1


def test_the_depth_is_that_of_the_loud_harmonics():
    """Level moves a tenth more from one harmonic to the next: the whole swings as at their mean number."""
    share = 10 ** (-0.15 * np.arange(10))
    mean = np.sum(share * np.arange(10)) / share.sum()
    off, _ = told(2.0, direct_db=10.0, brighter=0.1)
    assert np.mean(off.real) == pytest.approx(2.0 * 0.1 * mean, abs=0.12)


def test_covariance_is_the_sum_over_the_past():
    rng = np.random.default_rng(3)
    sound = rng.standard_normal(23) + 1j * rng.standard_normal(23)
    keep = kept(0.5, 0.01)
    assert keep == pytest.approx(10 ** (-6 * 0.01 / 0.5))
    real, imag = covariance(sound, 4, 1, 5, keep)
    seen = real + 1j * imag
    at = 2 + 4 * np.arange(1, 5)
    for i, a in enumerate(at):
        for j, b in enumerate(at[i:], start=i):
            past = sum(keep**tau * sound[a - tau] * sound[b - tau].conj() for tau in range(a + 1))
            assert seen[i, j] == pytest.approx((1 - keep) * past)
    assert np.all(seen[np.tril_indices(4, -1)] == 0.0)


@pytest.mark.parametrize(("rate_hz", "decay_s"), [(5.0, 0.4), (6.0, 1.2), (7.0, 2.5)])
def test_a_tail_passes_the_modulation_that_halls_pass(rate_hz, decay_s):
    """Houtgast & Steeneken 1973 (Acustica 28:66-73): 1 / sqrt(1 + (2 pi F T / 13.8)^2) of an intensity's."""
    step_s, every = 0.001, 8
    t = step_s * np.arange(round((4 * decay_s + 1) / step_s))
    sound = np.sqrt(1 + 0.2 * np.cos(2 * np.pi * rate_hz * t)).astype(complex)
    frames = len(t) // every
    power = np.array(
        [covariance(sound, every, i, i + 1, kept(decay_s, step_s))[0, 0, 0] for i in range(frames)]
    )
    at = t[every // 2 :: every][:frames]
    late = at > at[-1] - 0.9  # the tail has come to rest
    turn = 2 * np.pi * rate_hz * at[late]
    columns = np.stack([np.ones_like(turn), np.cos(turn), np.sin(turn)], axis=1)
    mean, *swing = np.linalg.lstsq(columns, power[late], rcond=None)[0]
    passes = 1 / np.hypot(1, 2 * np.pi * rate_hz * decay_s / 13.8)
    assert np.hypot(*swing) / mean / 0.2 == pytest.approx(passes, rel=0.03)


def test_what_cannot_be_told():
    line, _, _ = in_tail(np.random.default_rng(1), 1.0)
    assert tells_direct_sound(line)
    assert not tells_direct_sound(replace(line, rows=None))
    few = np.where(np.arange(10) < FEWEST_HARMONICS - 1, line.weight, 0.0)
    assert not tells_direct_sound(replace(line, weight=few))
    assert not tells_direct_sound(line.until(0.2))


def test_a_silent_channel_changes_nothing():
    line, fit, _ = in_tail(np.random.default_rng(1), 1.0)
    both = np.stack([line.rows, np.zeros_like(line.rows)], axis=1).reshape(20, -1)
    alone, beside = of_direct_sound(line, fit), of_direct_sound(replace(line, rows=both), fit)
    assert beside.depth == pytest.approx(alone.depth) and beside.depth_se == pytest.approx(alone.depth_se)


@pytest.mark.parametrize(
    ("depth_db", "decay_s", "direct_db"), [(2.0, 1.2, 3.0), (0.0, 1.2, 3.0), (2.0, 0.8, 3.0)]
)
def test_from_the_sound_of_a_note_in_a_room(depth_db, decay_s, direct_db):
    """All the way: what is played is known again within a decibel by nearly all."""
    right = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        sound = tone(
            rng, f0_hz=330.0, rate_hz=5.6, extent_cents=24.0, duration_s=1.1, level_db=depth_db, snr_db=45.0
        )
        samples = in_room(sound.samples, decay_s, direct_db, rng)
        straight = straighten_note(samples, RATE_HZ, pooled(sound, samples, 330.0))
        values, _ = measure_note(straight.line)
        right.append(abs(values["intensity_depth_db"] - depth_db) <= 1.0)
    assert np.mean(right) > 0.8
