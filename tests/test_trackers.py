"""Coarse trackers: right line, right time, honest errors; CREPE against torchcrepe."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from vibstudy.errors import VibstudyError
from vibstudy.pitch import crepe
from vibstudy.pitch.contour import Contour
from vibstudy.pitch.trackers import TRACKERS, second_opinion, track_line

RATE_HZ = 22050
REFERENCE = Path(__file__).parent / "reference" / "crepe" / "torchcrepe.npz"
LIGHT = ["swift-f0", "pyin", "crepe-tiny"]


def cents(a, b):
    return 1200 * np.log2(a / b)


def sung(f0_hz: np.ndarray, harmonics: int = 8) -> np.ndarray:
    phase = 2 * np.pi * np.cumsum(f0_hz) / RATE_HZ
    return (0.2 * sum(np.sin(k * phase) / k for k in range(1, harmonics + 1))).astype(np.float32)


def full_installed() -> bool:
    try:
        crepe.weights_path("full")
    except VibstudyError:
        return False
    return True


@pytest.mark.parametrize("tracker", LIGHT)
def test_time_of_a_frame_is_its_centre(tracker):
    """Rising and falling glide of 0.9 octave/s: a shift of 5 ms in time would show as 5.4 cents each way."""
    t = np.arange(3 * RATE_HZ) / RATE_HZ
    shift = []
    for direction in (1, -1):
        line = 330 * 2 ** (direction * 0.9 * (t - 1.5))
        contour = track_line(sung(line), RATE_HZ, tracker)
        inside = contour.voiced & (contour.time_s > 0.3) & (contour.time_s < 2.7)
        assert inside.sum() * contour.hop_s > 2.3
        true = 330 * 2 ** (direction * 0.9 * (contour.time_s[inside] - 1.5))
        shift.append(direction * np.median(cents(contour.f0_hz[inside], true)))
    assert abs(np.mean(shift) / 1200 / 0.9) < 0.003


@pytest.mark.parametrize("tracker", LIGHT)
def test_leaps_rests_and_pitches(tracker):
    pitches = [220.0, 440.0, 0.0, 587.3, 146.8, 311.1]
    t = np.arange(3 * RATE_HZ) / RATE_HZ
    place = (t / 0.5).astype(int)
    line = np.array(pitches)[place]
    wave = np.where(line > 0, sung(np.maximum(line, 50)), 0)
    wave += 1e-4 * np.random.default_rng(0).standard_normal(len(wave))
    contour = track_line(wave, RATE_HZ, tracker)
    within = (contour.time_s % 0.5 > 0.1) & (contour.time_s % 0.5 < 0.4) & (contour.time_s < 3)
    true = np.array(pitches)[(contour.time_s[within] / 0.5).astype(int)]
    heard = contour.f0_hz[within]
    sounding = true > 0
    assert np.mean(np.abs(cents(heard[sounding], true[sounding])) < 25) > 0.97
    assert not np.isfinite(heard[~sounding]).any()
    assert not np.any(contour.f0_hz == 0)


@pytest.mark.parametrize("level_db", [0, -40, -70])
def test_a_quiet_transfer_is_heard_like_a_loud_one(level_db):
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    contour = track_line(sung(0 * t + 440) * 10 ** (level_db / 20), RATE_HZ)
    assert contour.voiced.mean() > 0.95


@pytest.mark.parametrize("tracker", LIGHT)
def test_noise_and_silence_are_unvoiced(tracker):
    hiss = 0.1 * np.random.default_rng(1).standard_normal(RATE_HZ).astype(np.float32)
    assert track_line(hiss, RATE_HZ, tracker).voiced.mean() < 0.06
    assert track_line(np.zeros(RATE_HZ, np.float32), RATE_HZ, tracker).voiced.mean() == 0


@pytest.mark.parametrize("tracker", LIGHT)
@pytest.mark.parametrize("rate_hz", [16000, 44100])
def test_other_sampling_rates(tracker, rate_hz):
    t = np.arange(rate_hz) / rate_hz
    contour = track_line(np.sin(2 * np.pi * 440 * t) + 0.5 * np.sin(2 * np.pi * 880 * t), rate_hz, tracker)
    assert np.nanmedian(contour.f0_hz) == pytest.approx(440, rel=0.005)
    assert contour.time_s[-1] == pytest.approx(1, abs=0.05)


@pytest.mark.parametrize("tracker", LIGHT)
def test_a_few_samples_are_no_reason_to_fail(tracker):
    assert len(track_line(np.zeros(60, np.float32), RATE_HZ, tracker).time_s) >= 1


def test_unknown_tracker_names_the_nearest():
    with pytest.raises(VibstudyError, match="Did you mean 'swift-f0'"):
        track_line(np.zeros(1000), RATE_HZ, "swiftf0")
    with pytest.raises(VibstudyError, match="Known: swift-f0"):
        track_line(np.zeros(1000), RATE_HZ, "ear")
    with pytest.raises(VibstudyError, match="lowest pitch"):
        track_line(np.zeros(1000), RATE_HZ, fmin_hz=500, fmax_hz=100)
    assert set(LIGHT) < set(TRACKERS)


def test_second_opinion_in_octaves():
    a = Contour(np.arange(5) * 0.016, np.array([200.0, 200, 200, np.nan, 200]), np.ones(5), "a")
    b = Contour(
        np.arange(9) * 0.01, np.array([200.0, 200, 400, 400, 400, 100, 100, np.nan, np.nan]), np.ones(9), "b"
    )
    # frames of b nearest to 0, 16, 32, 48, 64 ms: 0, 2, 3, 5, 6
    np.testing.assert_allclose(second_opinion(a, b), [0, 1, 1, np.nan, -1])
    one = Contour(np.zeros(1), np.array([100.0]), np.ones(1), "b")
    np.testing.assert_allclose(second_opinion(a, one), [-1, -1, -1, np.nan, -1])


# --- CREPE ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "size",
    [
        "tiny",
        pytest.param(
            "full", marks=pytest.mark.skipif(not full_installed(), reason="install the extra crepe-full")
        ),
    ],
)
def test_activations_agree_with_torchcrepe(size):
    """torchcrepe 0.0.24, an independent port with its own weights; see reference/crepe/make_reference.py."""
    reference = np.load(REFERENCE)
    ours = crepe.activations(reference["samples"].astype(np.float32) / 32768, int(reference["rate_hz"]), size)
    assert ours.shape == reference[size].shape
    assert np.abs(ours - reference[size]).max() <= 1e-4
    assert reference[size].max() > 0.8  # there is something to agree on


def test_bins_of_crepe_lie_where_the_tones_are():
    """Pure arithmetic truth: harmonic tones of known pitch over four octaves."""
    pitches = 110 * 2 ** (np.arange(0, 48, 5) / 12)
    errors = []
    for pitch in pitches:
        wave = sung(np.full(RATE_HZ // 2, pitch), 5)
        f0, _ = crepe.decode(crepe.activations(wave, RATE_HZ), viterbi=False)
        errors.append(cents(np.median(f0), pitch))
    assert np.abs(errors).max() < 15 and abs(np.mean(errors)) < 5


def test_decoding_by_hand():
    activation = np.zeros((3, 360), np.float32)
    activation[:, 100] = 0.8
    activation[1, 101] = 0.8
    activation[2, 106] = 0.5  # further than four bins away: not averaged in
    f0, confidence = crepe.decode(activation, viterbi=False)
    np.testing.assert_allclose(cents(f0, crepe.BIN_HZ[100]), [0, 10, 0], atol=1e-6)
    np.testing.assert_allclose(confidence, 0.8, atol=1e-6)


def test_path_ignores_one_wild_frame_and_follows_a_leap():
    activation = np.full((40, 360), 0.01, np.float32)
    activation[:20, 100] = 0.9
    activation[20:, 160] = 0.9
    activation[8, 100], activation[8, 200] = 0.6, 0.7
    smooth, _ = crepe.decode(activation)
    rough, _ = crepe.decode(activation, viterbi=False)
    assert cents(rough[8], crepe.BIN_HZ[100]) > 1000
    np.testing.assert_allclose(cents(smooth[:20], crepe.BIN_HZ[100]), 0, atol=1)
    np.testing.assert_allclose(cents(smooth[20:], crepe.BIN_HZ[160]), 0, atol=1)


def test_missing_weights_say_what_to_install(monkeypatch):
    def missing(name):
        raise ModuleNotFoundError(name)

    monkeypatch.setattr(crepe, "import_module", missing)
    with pytest.raises(VibstudyError, match=r"vibstudy\[crepe-full\]"):
        crepe.weights_path("full")
    with pytest.raises(VibstudyError, match="tiny, full"):
        crepe.weights_path("huge")
