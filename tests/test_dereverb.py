"""Sound without most of its room: known direct sound under tails that are known, and files read in parts."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile
from numpy.testing import assert_array_equal
from scipy.signal import fftconvolve

from vibstudy.pitch.straighten import straighten_note
from vibstudy.sound.dereverb import RATE_HZ, WINDOW, Dereverberated, dereverberated
from vibstudy.sound.reading import read_audio

from .signals import RATE_HZ as SOUND_RATE_HZ
from .test_straighten import off_cents, played, pooled


def phrase(notes: int, seed: int):
    """Notes one after the other, and where each begins, s."""
    sounds = [played(seed + number)[:2] for number in range(notes)]
    starts_s = np.cumsum([0.0, *(len(sound.samples) / SOUND_RATE_HZ for sound, _ in sounds[:-1])])
    return sounds, starts_s, np.concatenate([sound.samples for sound, _ in sounds])


def heard_in(
    samples: np.ndarray, decay_s: float, direct_db: float, seed: int, rate_hz: float, channels: int = 2
):
    """In a room whose tail begins after 40 ms, the tail different in each channel [channels, n]."""
    rng, n = np.random.default_rng(seed), round(decay_s * rate_hz)
    out = []
    for _ in range(channels):
        tail = rng.standard_normal(n) * 10.0 ** (-3.0 * np.arange(n) / rate_hz / decay_s)
        tail[: round(0.04 * rate_hz)] = 0.0
        wet = fftconvolve(samples, tail)[: len(samples)]
        out.append(samples + wet * np.std(samples) / np.std(wet) * 10.0 ** (-direct_db / 20.0))
    return np.array(out)


@pytest.mark.parametrize(("channels", "least_db"), [(1, 0.8), (2, 2.5)])
def test_a_tail_is_taken_away(channels, least_db):
    """What is not the direct sound; two microphones tell more than one."""
    _, _, samples = phrase(12, 500)
    samples = samples[::2]  # about 11 kHz: only ratios count
    both = heard_in(samples, 1.5, -6.0, 1, RATE_HZ, channels)
    before = both.mean(axis=0) - samples
    after = dereverberated(both) - samples
    assert 20 * np.log10(np.std(before) / np.std(after)) > least_db


def test_far_away_more_notes_are_found():
    """Sixteen notes, the tail 11 dB above the direct sound, with and without what both microphones tell."""
    sounds, starts_s, samples = phrase(16, 700)
    both = heard_in(samples, 1.8, -11.0, 2, SOUND_RATE_HZ)
    mean = both.mean(axis=0).astype(np.float32)
    off = []
    for (sound, f0), start_s in zip(sounds, starts_s, strict=True):
        first = round(start_s * SOUND_RATE_HZ)
        own = mean[first : first + len(sound.samples)]
        line = pooled(sound, own, f0)
        told = Dereverberated.of(both, SOUND_RATE_HZ, origin_s=start_s)
        plain = Dereverberated(lambda *_: (np.zeros((1, 0)), 0.0))  # nothing is heard in it
        off.append(
            [off_cents(straighten_note(own, SOUND_RATE_HZ, line, dry).line, sound) for dry in (told, plain)]
        )
    told, plain = np.transpose(off)
    assert np.sum(told < 12.0) >= np.sum(plain < 12.0) + 3


@pytest.mark.parametrize("length", [0, 1, WINDOW - 1, WINDOW + 1, 3 * WINDOW])
def test_hardly_any_sound_gives_as_many_samples(length):
    for sound in (np.zeros((2, length)), np.random.default_rng(0).standard_normal((2, length))):
        got = dereverberated(sound)
        assert got.shape == (length,)
        assert got.dtype == np.float32
        assert np.isfinite(got).all()


def test_two_channels_that_are_the_same_are_one():
    one = heard_in(phrase(3, 900)[2], 1.0, 0.0, 3, SOUND_RATE_HZ, 1)
    assert_array_equal(dereverberated(np.repeat(one, 2, axis=0)), dereverberated(one))


def test_a_piece_is_the_same_however_much_is_read(tmp_path):
    """From the file; the file may hold what was not to be read, numbers that are none included."""
    rate_hz = 44100
    sound = np.random.default_rng(4).standard_normal((40 * rate_hz, 2)).astype(np.float32) * 0.1
    sound[-5:] = np.nan
    path = tmp_path / "wide.wav"
    soundfile.write(path, sound, rate_hz, subtype="FLOAT")
    whole = read_audio(path, 0.0, 39.0, channel="mid").dereverberated
    part = read_audio(path, 10.0, 20.0, channel="mid").dereverberated
    samples, start_s = whole.about(12.0, 13.0)
    again, again_s = part.about(2.0, 3.0)
    assert_array_equal(samples, again)
    assert np.isfinite(samples).all()
    assert (start_s, again_s) == (0.0, -10.0)
    assert abs(len(samples) / RATE_HZ - 35.0) < 0.01
    later, later_s = whole.about(31.0, 32.0)
    assert later_s == 25.0
    assert abs(len(later) / RATE_HZ - 15.0) < 0.01


def test_a_slow_disc_is_read_at_true_speed(tmp_path):
    rate_hz = 32000
    path = tmp_path / "slow.wav"
    soundfile.write(path, np.random.default_rng(5).standard_normal((4 * rate_hz, 2)) * 0.1, rate_hz)
    samples, _ = read_audio(path, speed_factor=0.5, channel="mid").dereverberated.about(0.5, 1.0)
    assert abs(len(samples) / RATE_HZ - 2.0) < 0.01


@pytest.mark.parametrize("ending", ["mp3", "ogg"])
def test_where_a_place_is_not_found_at_once_what_was_read_is_asked(tmp_path, ending):
    path = tmp_path / f"sound.{ending}"
    soundfile.write(path, np.random.default_rng(6).standard_normal((6 * 44100, 2)) * 0.1, 44100)
    samples, start_s = read_audio(path, 2.0, 5.0).dereverberated.about(1.0, 1.5)
    assert start_s == 0.0
    assert abs(len(samples) / RATE_HZ - 3.0) < 0.01
