"""Where direct sound ends: harmonics at rest, with a tail that decays freely, or others who come in."""

from dataclasses import replace

import numpy as np
import pytest

from vibstudy.pitch.course import RELEASE_S, Bank, slow_levels
from vibstudy.pitch.ending import DECAYS_S, _going_on, _steady_until, last_frame

HOP_S, FRAMES, HARMONICS = 0.0035, 300, 8
ENDS = 200  # of the direct sound, where it ends


@pytest.mark.parametrize("band_hz", [10.0, 25.0, 60.0])
def test_noise_of_a_band_has_its_width_times_its_length_values(band_hz):
    """Independent complex values (Nyquist); so few bins tell up to a fifth fewer of a wide band."""
    rng = np.random.default_rng(4)
    rows, around = 60, 8 * FRAMES
    noise = np.fft.fft(rng.standard_normal((rows, around)) + 1j * rng.standard_normal((rows, around)))
    noise[:, np.abs(np.fft.fftfreq(around, HOP_S)) > band_hz / 2] = 0.0
    rest = np.fft.ifft(noise)[:, :FRAMES]
    bank = replace(bank_of(1.0, 0.0, 1), b=rest)
    assert bank.coloured(rest).mean() == pytest.approx(band_hz * HOP_S * FRAMES, rel=0.25)


def bank_of(gain, noise, seed):
    """Steady harmonics times `gain` plus independent noise of amplitude `noise`, both [shape=(frames,)]."""
    rng = np.random.default_rng(seed)
    shape = (HARMONICS, FRAMES)
    steady = np.exp(2j * np.pi * rng.random((HARMONICS, 1))) * gain
    b = steady + noise * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)) / np.sqrt(2)
    b *= 10 ** (-0.4 * np.arange(HARMONICS))[:, None]  # 8 dB a harmonic
    time_s = HOP_S * np.arange(FRAMES)
    order = np.arange(1, HARMONICS + 1)
    return Bank(time_s, HOP_S, b, order, np.full(FRAMES, 440.0), slow_levels(time_s), 1 / HOP_S)


def falling(decay_s, level):
    """A tail of this level until the direct sound ends, and its free decay (60 dB in `decay_s`) after it."""
    since_s = HOP_S * np.maximum(np.arange(FRAMES) - ENDS, 0)
    return level * 10 ** (-3 * since_s / decay_s)


@pytest.mark.parametrize("decay_s", [0.4, 1.2, 2.5])
@pytest.mark.parametrize("level", [0.3, 1.0])
def test_a_note_ends_where_only_its_tail_sounds_on(decay_s, level):
    gain = (np.arange(FRAMES) < ENDS).astype(float)
    for seed in range(4):
        assert abs(last_frame(bank_of(gain, falling(decay_s, level), seed), 24) - ENDS) * HOP_S < 0.065


def in_hall(seed, behind, tail_db, others_db):
    """A vibrato of ± 20 cents, its tail (white, 60 dB in 1.2 s), others' tones; `behind` frames more."""
    rng = np.random.default_rng(seed)
    order, begun = np.arange(1, HARMONICS + 1), 400
    t = HOP_S * np.arange(-begun, ENDS + behind)
    turn = np.exp(1j * order[:, None] * 0.85 * np.sin(2 * np.pi * 6 * t))  # 20 cents of 440 Hz at 6 Hz
    direct = turn * ((np.arange(len(t)) >= begun) & (np.arange(len(t)) < begun + ENDS))
    response = rng.standard_normal((HARMONICS, begun)) + 1j * rng.standard_normal((HARMONICS, begun))
    response *= 10 ** (-3 * HOP_S * np.arange(begun) / 1.2)
    tail = np.stack([np.convolve(*each)[: len(t)] for each in zip(response, direct, strict=True)])
    steady = np.abs(tail[:, begun + 100 : begun + ENDS]) ** 2
    b = direct + 10 ** (tail_db / 20) * tail / np.sqrt(steady.mean(axis=1))[:, None]
    for _ in range(3):
        apart_hz, struck_s = rng.uniform(-60, 60, (HARMONICS, 1)), rng.uniform(-0.5, t[-1])
        fading = np.exp(-np.maximum(t - struck_s, 0.0) / 0.8) * (t > struck_s) * 10 ** (others_db / 20)
        b += fading / np.sqrt(3) * np.exp(2j * np.pi * (apart_hz * t + rng.random((HARMONICS, 1))))
    b *= np.conj(turn)
    b += 0.05 * (rng.standard_normal(b.shape) + 1j * rng.standard_normal(b.shape))
    b = (10 ** (-0.4 * np.arange(HARMONICS))[:, None] * b)[:, begun:]
    time_s = HOP_S * np.arange(ENDS + behind)
    return Bank(time_s, HOP_S, b, order, np.full(len(time_s), 440.0), slow_levels(time_s), 100.0)


@pytest.mark.parametrize("others_db", [0.0, 4.0])
@pytest.mark.parametrize("behind", [15, 30])
def test_a_note_ends_though_the_line_outlasts_it_by_little_and_others_sound(behind, others_db):
    """Levels may bend at the last frame: for 50 to 100 ms they explain a tail 3 dB above the direct sound."""
    ends = [last_frame(in_hall(seed, behind, 3.0, others_db), 24) - ENDS for seed in range(16)]
    assert np.abs(ends).max() * HOP_S < 0.036


@pytest.mark.parametrize("after", [0.3, 0.6, 1.2])
def test_a_note_goes_on_though_others_come_in_or_go(after):
    noise = np.where(np.arange(FRAMES) < ENDS, 0.6, after)
    for seed in range(4):
        assert last_frame(bank_of(np.ones(FRAMES), noise, seed), 24) == FRAMES


@pytest.mark.parametrize("after", [0.7, 1.4, 2.0])
@pytest.mark.parametrize("noise", [1.5, 3.0])
def test_a_note_goes_on_under_louder_others(noise, after):
    """Steady levels explain little more than of noise alone, and a new chord is up to 6 dB louder."""
    changing = noise * np.where(np.arange(FRAMES) < ENDS, 1.0, after)
    for seed in range(6):
        assert last_frame(bank_of(np.ones(FRAMES), changing, seed), 24) > 0.8 * FRAMES


def test_a_short_note_is_left_as_it_is():
    bank = bank_of(np.ones(FRAMES), np.full(FRAMES, 0.1), 1)
    assert last_frame(bank.until(26), 24) == 26


def test_steady_power_until_each_end_is_the_projection_on_slow_levels():
    bank = bank_of(np.ones(FRAMES), np.ones(FRAMES), 0)
    ends = np.array([24, 111, 200, FRAMES])
    found = _steady_until(bank.b.real.T.copy(), HOP_S, ends)
    for end, power in zip(ends, found, strict=True):
        levels = slow_levels(bank.time_s[:end])  # orthonormal, by NumPy's QR
        np.testing.assert_allclose(power, ((bank.b.real[:, :end] @ levels) ** 2).sum(axis=1), rtol=1e-9)


def test_levels_that_go_on_over_an_end_are_the_weighted_least_squares():
    bank = bank_of(np.ones(FRAMES), np.where(np.arange(FRAMES) < ENDS, 0.3, 1.0), 0)
    rng = np.random.default_rng(1)
    power, floor = rng.uniform(0.5, 2.0, (FRAMES, HARMONICS)), np.full(HARMONICS, 1e-4)
    ends, independent = np.array([60, 111, 200, FRAMES - 6]), np.linspace(0.5, 1.0, HARMONICS)
    values = np.concatenate([bank.b.real, bank.b.imag]).T.copy()
    costs, behind = _going_on(values, bank.levels.copy(), power, floor, HOP_S, ends, independent)
    to_last = HOP_S * np.arange(FRAMES)[::-1]
    for number, end in enumerate(ends):
        until = np.maximum(end - 1 - np.arange(FRAMES), 0) * HOP_S
        bend = np.where(np.arange(FRAMES) < end, np.exp(-until / RELEASE_S), 0.0)
        basis, left = np.column_stack([bank.levels, bend]), np.empty((HARMONICS, FRAMES))
        for row, own in enumerate(bank.b):
            noise = np.where(np.arange(FRAMES) < end, power[:end, row].mean(), power[end:, row].mean())
            level = np.linalg.lstsq(basis / np.sqrt(noise)[:, None], own / np.sqrt(noise), rcond=None)[0]
            left[row] = np.abs(own - basis @ level) ** 2 + floor[row]
        by_decay = []
        for decay_s in DECAYS_S:  # the likeliest variance falls so that the frames' mean of these is it
            fall = np.log(1e6) / decay_s
            at_last = (left[:, end:] * np.exp(-fall * to_last[end:])).mean(axis=1)
            by_decay.append(independent @ (np.log(at_last)[:, None] + fall * to_last[end:]).sum(axis=1))
        before = end * independent @ np.log(left[:, :end].mean(axis=1))
        assert costs[number] == pytest.approx(before + min(by_decay), rel=1e-9)
        np.testing.assert_allclose(behind[number], left[:, end:].mean(axis=1), rtol=1e-9)
