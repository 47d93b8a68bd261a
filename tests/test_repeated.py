"""Notes repeated on one pitch whose silence a room fills; against what was played, and by hand."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from vibstudy.pitch.course import Bank, slow_levels
from vibstudy.pitch.repeated import _lost, silences
from vibstudy.recording import measure_recording

from .signals import RATE_HZ, tone
from .test_straighten import in_room

HOP_S, FRAMES, HARMONICS = 0.0035, 300, 8
TIME_S = HOP_S * np.arange(FRAMES)
CENTS = 30.0 * np.sin(2 * np.pi * 5.5 * TIME_S)


def bank_of(gain, seed, noise=0.5):
    """Steady harmonics times `gain` [shape=(frames,) or (harmonics, frames)] in independent noise."""
    rng = np.random.default_rng(seed)
    shape = (HARMONICS, FRAMES)
    b = np.exp(2j * np.pi * rng.random((HARMONICS, 1))) * gain
    b = b + noise * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)) / np.sqrt(2)
    b *= 10 ** (-0.4 * np.arange(HARMONICS))[:, None]  # 8 dB a harmonic
    order = np.arange(1, HARMONICS + 1)
    return Bank(TIME_S, HOP_S, b, order, 440.0 * 2 ** (CENTS / 1200), slow_levels(TIME_S), 1 / HOP_S)


def silent(begin, end):
    return ((np.arange(FRAMES) < begin) | (np.arange(FRAMES) >= end)).astype(float)


@pytest.mark.parametrize("frames", [12, 24, 60])
def test_a_silence_under_a_tail_is_found_where_it_is(frames):
    for seed in range(4):
        found = silences(bank_of(silent(140, 140 + frames), seed), onset_s=2.0)
        np.testing.assert_allclose(found.likeliest(), 2.0 + HOP_S * np.array([140, 140 + frames]), atol=0.02)
        begins_s = 2.0 + HOP_S * 140
        assert found.near(begins_s - 0.05, 0.06) and not found.near(begins_s - 0.2, 0.06)


def test_what_is_no_silence_parts_no_note():
    """A steady note; loudness vibrato of 4 dB, in step with the pitch or behind; dips by turns."""
    in_step = 10 ** (CENTS / 30.0 * 4.0 / 20.0)
    behind = 10 ** (np.cos(2 * np.pi * 5.5 * TIME_S) * 4.0 / 20.0)
    by_turns = np.array([silent(20 + 30 * k, 45 + 30 * k) for k in range(HARMONICS)])
    for gain in (np.ones(FRAMES), in_step, behind, by_turns):
        for seed in range(4):
            assert silences(bank_of(gain, seed), 0.0).likeliest() is None


def test_no_silence_is_looked_for_in_a_short_note():
    bank = bank_of(np.ones(FRAMES), 1).until(60)  # 0.21 s: two ornaments
    none = silences(bank, 0.0)
    assert (len(none.gain), none.likeliest(), none.near(0.1, 0.06)) == (0, None, False)


def test_power_beside_each_silence_is_the_projection_of_the_other_frames():
    bank = bank_of(np.ones(FRAMES), 0)
    values = np.concatenate([bank.b.real, bank.b.imag]).T.copy()
    begins, lengths = np.array([40, 200]), np.array([4, 40])
    found = _lost(values, bank.levels, bank.total, begins, lengths, 230)
    assert np.isinf(found[1, 1]).all()  # ends too late
    for i, j in ((0, 0), (0, 1), (1, 0)):
        others = silent(begins[i], begins[i] + lengths[j]) > 0
        levels = np.linalg.qr(bank.levels[others])[0]  # orthonormal, by NumPy
        steady = (np.abs(bank.b[:, others] @ levels) ** 2).sum(axis=1)
        np.testing.assert_allclose(found[i, j], bank.total - steady, rtol=1e-9)


@pytest.mark.parametrize("seed", [3, 4])
def test_a_hall_makes_no_long_note_of_two(tmp_path, seed):
    rng = np.random.default_rng(seed)
    more = {"f0_hz": 392.0, "rate_hz": 5.6, "extent_cents": 28.0, "duration_s": 0.7, "snr_db": 45.0}
    sounds = [tone(rng, rate_cv=0.04, **more).samples for _ in range(2)]
    first = tone(rng, **more)
    gap = round(0.08 * RATE_HZ)
    onset, offset = (round(at * RATE_HZ) for at in (first.onset_s, first.offset_s))
    assert sounds[0].shape == sounds[1].shape
    both = np.zeros(len(sounds[0]) + offset - onset + gap)
    for at, sound in zip((0, offset - onset + gap), sounds, strict=True):
        both[at : at + len(sound)] += sound
    heard = in_room(np.pad(both, (0, RATE_HZ)), 1.2, 6.0, rng)
    soundfile.write(tmp_path / "hall.wav", 0.5 * heard / np.abs(heard).max(), RATE_HZ)
    notes = measure_recording(tmp_path / "hall.wav")
    begun_s = [first.onset_s, first.onset_s + (offset - onset + gap) / RATE_HZ]
    np.testing.assert_allclose(notes["onset_s"], begun_s, atol=0.03)
    assert notes["usable"].all()
    np.testing.assert_allclose(notes["extent_first_cents"], 28.0, rtol=0.12)
