"""Rate, extent and the rest against signals whose truth is known, and against outside references."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.testing import assert_allclose
from scipy.fft import idct
from scipy.interpolate import BSpline
from scipy.special import jv

from tests.signals import PAD_S, RATE_HZ, bound, tone
from vibstudy.errors import VibstudyError
from vibstudy.pitch.calculus import running_integral
from vibstudy.pitch.contour import Contour
from vibstudy.pitch.refine import refine_note
from vibstudy.pitch.trackers import track_line
from vibstudy.recording import measure_recording
from vibstudy.units import fusion_limit_cents
from vibstudy.vibrato.detect import Search, _independent
from vibstudy.vibrato.fit import fit_vibrato
from vibstudy.vibrato.level import is_articulated
from vibstudy.vibrato.noise import Series
from vibstudy.vibrato.note import measure_note, pulses_per_beat


def measure(sound, **settings):
    contour = track_line(sound.samples, RATE_HZ)
    line = refine_note(sound.samples, RATE_HZ, contour, sound.onset_s + 0.01, sound.offset_s - 0.01)
    return measure_note(line, **settings)[0]


@pytest.mark.parametrize(
    ("f0_hz", "rate_hz", "extent_cents"),
    [(110, 4, 60), (233, 5, 35), (440, 5, 10), (440, 7, 50), (700, 3.5, 8), (1200, 8, 120)],
)
@pytest.mark.parametrize("triangle", [False, True])
def test_rate_and_extent_of_steady_vibrato(f0_hz, rate_hz, extent_cents, triangle):
    rng = np.random.default_rng(3)
    sound = tone(
        rng,
        f0_hz=f0_hz,
        rate_hz=rate_hz,
        extent_cents=extent_cents,
        duration_s=1.2,
        snr_db=20,
        triangle=triangle,
    )
    got = measure(sound)
    assert got["has_vibrato"]
    assert_allclose(got["rate_hz"], rate_hz, atol=0.01)
    assert_allclose(got["extent_cents"], extent_cents, atol=max(0.005 * extent_cents, 0.3))
    assert_allclose(got["waveform"], 1.0 if triangle else 0.0, atol=0.15)
    assert got["vibrato_onset_s"] < 0.03
    assert got["vibrato_fraction"] > 0.95


def test_efficiency_and_intervals_for_a_perfect_sine():
    truth = {"f0_hz": 330.0, "rate_hz": 6.0, "extent_cents": 25.0, "duration_s": 1.2}
    rate_bound, extent_bound = bound(**(truth | {"duration_s": 1.18}), snr_db=15)
    errors, ses = [], []
    for seed in range(24):
        got = measure(tone(np.random.default_rng(seed), snr_db=15, **truth))
        errors.append((got["rate_hz"] - 6.0, got["extent_cents"] - 25.0))
        ses.append((got["rate_se_hz"], got["extent_se_cents"]))
    errors, ses = np.array(errors), np.array(ses)
    rmse = np.sqrt(np.mean(errors**2, axis=0))
    assert rmse[0] < 1.35 * rate_bound
    assert rmse[1] < 1.35 * extent_bound
    assert np.all(np.mean(np.abs(errors) < 1.96 * ses, axis=0) > 0.87)
    # the bound of the extent takes the cycle for a sine; the error holds that it may be something near it
    assert np.all(np.median(ses, axis=0) < np.array([1.25 * rate_bound, 1.5 * extent_bound]))


def test_bends_of_the_attack_do_not_pull_at_the_rate():
    at_s, errors, held = np.linspace(0, 0.8, 81), [], []
    for seed in range(14):
        rng = np.random.default_rng(seed)
        bends = np.interp(at_s, [0, 0.02, 0.04, 0.06, 0.09], [*rng.normal(0, 20, 4), 0])
        got = measure(tone(rng, duration_s=0.8, snr_db=25, extent_cents=25, triangle=True, cents=bends))
        errors.append(got["rate_hz"] - 5.5)
        held.append(abs(errors[-1]) < 1.96 * got["rate_se_hz"])
    assert np.sqrt(np.mean(np.square(errors))) < 0.03
    assert np.mean(held) >= 0.75


def test_a_rooms_last_reflections_do_not_pull_at_the_rate():
    """At the end the pitch of 35 ms before is heard, and rises; the rate played is 5.5 Hz throughout."""
    time_s, rate_hz = np.arange(0.0, 0.75, 0.0032), 5.5
    off = {False: [], True: []}
    for seed in range(4):
        rng = np.random.default_rng(seed)
        cents = 25.0 * np.sin(2 * np.pi * rate_hz * time_s + rng.uniform(0, 2 * np.pi))
        into_end_s = np.maximum(time_s - time_s[-1] + 0.05, 0.0)
        late = np.interp(time_s - 0.035, time_s, cents) + 400.0 * into_end_s
        integral = running_integral(np.where(into_end_s > 0.0, late, cents), 0.0032)
        integral += rng.normal(0.0, 0.0015, len(time_s))
        for drawn, errors in off.items():
            noise = np.array([1e-6, 1e-8, 1e-12])
            fit = fit_vibrato(time_s, integral, time_s[-1] + 0.0016, rate_hz, noise, drawn=drawn)
            errors.append(abs(fit.rate_hz - rate_hz))
    assert max(off[False]) > 0.1
    assert max(off[True]) < 0.02


def test_triangles_of_low_notes_in_noise_are_not_narrowed():
    """The window takes from the corners of a fast triangle; noise hides what tells it from a sine."""
    rng = np.random.default_rng(1)
    cell = {"f0_hz": 110, "rate_hz": 8, "duration_s": 0.8, "triangle": True}
    noisy = [measure(tone(rng, extent_cents=10, snr_db=20, **cell))["extent_cents"] for _ in range(14)]
    assert_allclose(np.mean(noisy), 10, atol=0.3)
    assert_allclose(measure(tone(rng, extent_cents=10, snr_db=60, **cell))["extent_cents"], 10, atol=0.05)


def test_realised_means_of_an_irregular_vibrato():
    covered, irregularity = [], []
    for seed in range(20):
        sound = tone(
            np.random.default_rng(seed),
            duration_s=1.6,
            rate_cv=0.06,
            extent_cv=0.12,
            snr_db=25,
            extent_cents=30,
        )
        got = measure(sound)
        inside = (sound.time_s > sound.onset_s + 0.01) & (sound.time_s < sound.offset_s - 0.01)
        psi = sound.psi[inside]
        rate = (psi[-1] - psi[0]) / (2 * np.pi * np.ptp(sound.time_s[inside]))
        covered.append(
            (
                abs(got["rate_hz"] - rate) < 1.96 * got["rate_se_hz"],
                abs(got["extent_cents"] - sound.extent[inside].mean()) < 1.96 * got["extent_se_cents"],
            )
        )
        irregularity.append((got["rate_irregularity"], got["extent_irregularity"]))
    assert np.all(np.mean(covered, axis=0) > 0.8)
    # a mean over a cycle of a curve through unit normal knots varies less than the knots
    assert_allclose(np.median(irregularity, axis=0), [0.042, 0.08], rtol=0.35)


def test_a_perfect_sine_has_no_irregularity():
    got = measure(tone(np.random.default_rng(0), duration_s=2.0, snr_db=20))
    assert got["rate_irregularity"] < 0.005
    assert got["extent_irregularity"] < 0.01


def test_delay_growth_and_centre_shift():
    rng = np.random.default_rng(5)
    lift = np.r_[np.zeros(40), np.linspace(0, 12, 6), np.full(54, 12.0)]
    got = measure(tone(rng, duration_s=2.0, delay_s=0.8, extent_cents=35, snr_db=30, cents=lift))
    assert_allclose(got["vibrato_onset_s"], 0.79, atol=0.03)
    assert_allclose(got["vibrato_fraction"], 1.2 / 2.0, atol=0.03)
    assert_allclose(got["centre_shift_cents"], 12.0, atol=3.0)
    assert_allclose([got["extent_above_cents"], got["extent_below_cents"]], 35.0, atol=1.5)


def test_a_late_beginning_is_found_and_its_error_is_in_the_rate():
    errors, held = [], []
    for seed in range(10):
        delay = 0.3 + 0.06 * seed
        got = measure(tone(np.random.default_rng(seed), duration_s=2.0, delay_s=delay))
        errors.append((got["rate_hz"] - 5.5, got["vibrato_onset_s"] - (delay - 0.01)))
        held.append((got["rate_se_hz"], got["vibrato_onset_se_s"]))
    errors, held = np.abs(errors), 2.5 * np.array(held)
    assert np.all(np.sqrt(np.mean(errors**2, axis=0)) < [0.01, 0.006])
    assert np.mean(errors < held) >= 0.9


def test_a_straight_note_has_none_and_a_short_one_cannot_tell():
    straight = measure(tone(np.random.default_rng(1), extent_cents=0.0, snr_db=25))
    assert straight["has_vibrato"] is False
    assert "rate_hz" not in straight
    short = measure(tone(np.random.default_rng(1), extent_cents=0.0, duration_s=0.3))
    assert short["has_vibrato"] is None
    assert "too_short" in short["quality"]


def test_the_limit_is_where_vibrato_begins_to_be_found():
    """Found above the limit, not below it; noise and shortness raise it."""

    def notes(extent_cents, duration_s=0.7, jitter_cents=2.5):
        found = []
        for seed in range(8):
            rng = np.random.default_rng(seed)
            t = np.arange(0.0, duration_s + 0.01, 0.01)
            cents = extent_cents * np.sin(2 * np.pi * 5.5 * t + rng.uniform(0, 6))
            cents += jitter_cents * rng.standard_normal(len(t))
            sound = tone(rng, f0_hz=300.0, cents=cents, extent_cents=0.0, duration_s=duration_s, snr_db=15)
            found.append(measure(sound))
        limit = np.median([n["extent_limit_cents"] for n in found])
        return limit, np.mean([n["vibrato_p"] < 0.01 for n in found])

    limit = notes(0.0)[0]
    assert 1.5 < limit < 15.0
    assert notes(0.5 * limit)[1] <= 0.25
    assert notes(2.0 * limit)[1] >= 0.75
    assert notes(0.0, jitter_cents=5.0)[0] > 1.3 * limit
    assert notes(0.0, duration_s=1.6)[0] < 0.7 * limit


def test_short_narrow_vibrato_is_detected():
    found = [
        measure(tone(np.random.default_rng(seed), extent_cents=8, duration_s=0.5, snr_db=20))["has_vibrato"]
        for seed in range(20)
    ]
    assert np.mean([bool(f) for f in found]) >= 0.95


def test_air_alone_is_intensity_and_not_pitch():
    got = measure(tone(np.random.default_rng(2), extent_cents=0.0, level_db=2.0, duration_s=1.5, snr_db=30))
    assert got["has_vibrato"] is False
    assert got["has_intensity_vibrato"] is True
    assert_allclose(got["intensity_rate_hz"], 5.5, atol=0.2)
    assert_allclose(got["intensity_depth_db"], 2.0, atol=0.15)


@pytest.mark.parametrize("lead_rad", [-1.0, 0.0, 1.5])
def test_intensity_depth_and_phase(lead_rad):
    sound = tone(
        np.random.default_rng(4),
        level_db=1.5,
        level_lead_rad=lead_rad,
        duration_s=1.5,
        snr_db=30,
        extent_cents=25,
    )
    got = measure(sound)
    assert_allclose(got["intensity_depth_db"], 1.5, atol=0.1)
    assert_allclose(got["intensity_phase_rad"], lead_rad, atol=0.15)
    assert got["timbre_depth"] < 5.0  # all harmonics rise and fall alike


def test_pulses_per_beat_and_fusion_limit():
    # Arithmetic: 288 pulses a minute are 4.8 Hz, four to a beat at 72.
    assert_allclose(pulses_per_beat(288 / 60, 72), 4.0)
    # A rule of thumb; common practice, no source: 20 cents at 5 Hz, a semitone at 8 Hz.
    assert_allclose(
        fusion_limit_cents(np.array([4.0, 5.0, 6.5, 8.0])), [20, 20, np.sqrt(2000), 100], rtol=1e-12
    )


def test_four_to_a_beat_at_72():
    got = measure(tone(np.random.default_rng(6), rate_hz=4.8, duration_s=2.0), tempo_bpm=72.0)
    assert_allclose(got["pulses_per_beat"], 4.0, atol=0.02)


@pytest.mark.parametrize("extent_cents", [20.0, 70.0])
def test_triangle_of_20_and_70_cents_at_5_hz(extent_cents):
    # Half of peak-to-peak is the triangle's peak; its fundamental is only 8/pi^2 of it (Fourier series).
    got = measure(
        tone(np.random.default_rng(7), rate_hz=5, extent_cents=extent_cents, triangle=True, duration_s=1.5)
    )
    assert_allclose(got["extent_cents"], extent_cents, atol=0.4)
    assert_allclose(got["waveform"], 1.0, atol=0.05)


def test_a_strong_second_harmonic_has_its_extent():
    """A second harmonic of 0.55 of the first: one crest is nearly two, half of peak-to-peak is as it is."""
    begin_rad = np.random.default_rng(3).uniform(0, 2 * np.pi)
    psi = 2 * np.pi * 5.5 * np.linspace(PAD_S, PAD_S + 1.5, 3001) + begin_rad
    for phase_rad in (0.0, np.pi / 2):
        second = 30 * 0.55 * np.cos(2 * psi + phase_rad)
        truth = np.ptp(30 * np.cos(psi) + second) / 2
        row = measure(tone(np.random.default_rng(3), duration_s=1.5, cents=second))
        assert row["extent_cents"] == pytest.approx(truth, abs=0.5)


def test_extent_agrees_with_sidebands_of_the_sound():
    """Independent reading: carrier and sidebands of an FM tone stand as Bessel functions (scipy).

    J_n of the index f0 * extent * ln2 / (1200 * rate): 440 Hz, 50 c, 6 Hz give 2.11795 (linearised).
    """
    f0, rate, extent, seconds = 440.0, 6.0, 50.0, 4.0
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    deviation = f0 * extent * np.log(2) / 1200
    index = deviation / rate
    assert_allclose(index, 2.11795, atol=5e-5)
    samples = 0.3 * np.sin(2 * np.pi * f0 * t + index * np.sin(2 * np.pi * rate * t))
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(t))))
    bins = np.round((f0 + rate * np.arange(-4, 5)) * seconds).astype(int)
    lines = spectrum[bins] / np.sqrt(np.sum(spectrum[bins] ** 2))
    assert_allclose(lines, np.abs(jv(np.arange(-4, 5), index)), atol=0.01)
    samples = samples.astype(np.float32)
    line = refine_note(samples, RATE_HZ, track_line(samples, RATE_HZ), 0.05, seconds - 0.05)
    got = measure_note(line)[0]
    # frequency is a sinusoid in Hz here: in cents the extremes are 49.3 below and 50.7 above, mean 50
    assert_allclose(got["extent_cents"], 50.0, atol=0.1)
    assert_allclose(got["rate_hz"], rate, atol=0.002)


@pytest.mark.parametrize(("extent", "difference"), [(20, 0.05776), (50, 0.36100), (100, 1.44376)])
def test_arithmetic_mean_pitch_is_above_the_geometric(extent, difference):
    # Identity e^2 ln2 / 4800 cents, checked numerically; Brown & Vaughn 1996 (JASA 100:1728) found the two
    # indistinguishable by ear.
    sound = tone(np.random.default_rng(8), rate_hz=6, extent_cents=extent, duration_s=2.0, snr_db=60)
    line = refine_note(
        sound.samples, RATE_HZ, track_line(sound.samples, RATE_HZ), sound.onset_s, sound.offset_s
    )
    whole = (line.time_s >= line.time_s[0]) & (line.time_s < line.time_s[0] + 11 / 6)  # whole cycles
    f0 = line.f0_hz[whole]
    got = 1200 * np.log2(f0.mean() / np.exp(np.log(f0).mean()))
    assert_allclose(got, difference, atol=0.01)


def _steady(path: Path) -> None:
    t = np.arange(int(4.0 * 44100)) / 44100
    samples = sum(np.sin(2 * np.pi * 330 * k * t) / k for k in range(1, 9)) * 0.15
    soundfile.write(path, samples, 44100)


def _need(program: str) -> None:
    if shutil.which(program) is None:
        message = f"{program} is not installed (Debian: apt-get install {program})"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)


def _long_note(path: Path):
    notes = measure_recording(path)
    return notes.loc[notes["duration_s"].idxmax()]


def test_ffmpeg_vibrato_filter(tmp_path):
    """ffmpeg's vibrato filter reads a delay line of 5 ms (libavfilter/af_vibrato.c) back and forth.

    delay(t) = 5 ms * d * (1 + sin)/2 roughly, so frequency swings by the factor 1 -+ pi * rate * d * 5 ms.
    """
    _need("ffmpeg")
    _steady(tmp_path / "steady.wav")
    rate, depth = 5.5, 0.4
    subprocess.run(
        ["ffmpeg", "-v", "error", "-i", "steady.wav", "-af", f"vibrato=f={rate}:d={depth}", "out.wav"],
        cwd=tmp_path,
        check=True,
    )
    note = _long_note(tmp_path / "out.wav")
    swing = np.pi * rate * depth * 0.005
    extent = 600 * np.log2((1 + swing) / (1 - swing))
    assert_allclose(note["rate_hz"], rate, atol=0.02)
    assert_allclose(note["extent_cents"], extent, rtol=0.03)


def test_ffmpeg_tremolo_filter_is_intensity_not_pitch(tmp_path):
    """Tremolo of depth d multiplies by 1 - d/2 + d/2 sin: half peak-to-peak 10 log10(1/(1 - d)) dB."""
    _need("ffmpeg")
    _steady(tmp_path / "steady.wav")
    subprocess.run(
        ["ffmpeg", "-v", "error", "-i", "steady.wav", "-af", "tremolo=f=5:d=0.3", "out.wav"],
        cwd=tmp_path,
        check=True,
    )
    note = _long_note(tmp_path / "out.wav")
    assert not bool(note["has_vibrato"])
    assert bool(note["has_intensity_vibrato"])
    assert_allclose(note["intensity_rate_hz"], 5.0, atol=0.15)
    assert_allclose(note["intensity_depth_db"], -10 * np.log10(1 - 0.3), atol=0.15)


def test_tremolo_effect_of_sox_is_intensity_not_pitch(tmp_path):
    """sox's tremolo of depth d (manual page of sox 14.4) swings the amplitude between 1 - d and 1."""
    _need("sox")
    _steady(tmp_path / "steady.wav")
    subprocess.run(["sox", "steady.wav", "out.wav", "tremolo", "6", "35"], cwd=tmp_path, check=True)
    note = _long_note(tmp_path / "out.wav")
    assert not bool(note["has_vibrato"])
    assert bool(note["has_intensity_vibrato"])
    assert_allclose(note["intensity_rate_hz"], 6.0, atol=0.15)
    assert_allclose(note["intensity_depth_db"], -10 * np.log10(1 - 0.35), atol=0.2)


def test_steady_tone_of_sox_is_straight(tmp_path):
    """A steady triangle tone made by sox, an independent synthesiser."""
    _need("sox")
    subprocess.run(
        ["sox", "-n", "-r", "44100", "-b", "24", "out.wav", "synth", "3", "triangle", "440", "gain", "-12"],
        cwd=tmp_path,
        check=True,
    )
    note = _long_note(tmp_path / "out.wav")
    assert not bool(note["has_vibrato"])
    assert_allclose(note["pitch_hz"], 440.0, rtol=1e-5)


def test_a_note_on_which_the_tracker_heard_nothing_is_not_measured():
    empty = Contour(np.arange(10) * 0.016, np.full(10, np.nan), np.zeros(10), "none")
    assert refine_note(np.zeros(4000, dtype=np.float32), RATE_HZ, empty, 0.0, 0.15) is None


def test_speed_error_scales_rate_and_times_but_not_extent(tmp_path):
    sound = tone(np.random.default_rng(9), duration_s=2.0, extent_cents=30, delay_s=0.6)
    soundfile.write(tmp_path / "a.wav", sound.samples, RATE_HZ, subtype="FLOAT")
    true = measure_recording(tmp_path / "a.wav").iloc[0]
    slow = measure_recording(tmp_path / "a.wav", speed_factor=0.96).iloc[0]
    # where vibrato begins late, the rate is known no better than its beginning: to a hundredth of a hertz
    assert_allclose(
        slow["rate_hz"], true["rate_hz"] / 0.96, atol=2.0 * (slow["rate_se_hz"] + true["rate_se_hz"])
    )
    assert_allclose([slow["rate_hz"], true["rate_hz"]], [5.5 / 0.96, 5.5], atol=0.02)
    assert_allclose(slow["pitch_hz"], true["pitch_hz"] / 0.96, rtol=1e-5)
    assert_allclose(slow["vibrato_onset_s"], true["vibrato_onset_s"] * 0.96, atol=0.02)
    assert_allclose(slow["extent_cents"], true["extent_cents"], atol=0.15)


def test_a_missing_file_is_said_plainly(tmp_path):
    with pytest.raises(VibstudyError, match=r"nowhere\.wav"):
        measure_recording(tmp_path / "nowhere.wav")


@pytest.mark.parametrize("place", ["end", "middle"])
def test_a_short_vibrato_in_a_long_note_is_found(place):
    """Three cycles of ± 15 cents in 3 s, 20 dB: far shorter than the whole note and its later part."""
    found, away = [], []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        rate = rng.uniform(5, 7)
        start = 3.0 - 3 / rate if place == "end" else rng.uniform(0.6, 1.8)
        time_s = np.arange(0, 3.01, 0.005)
        swing = (
            15 * np.sin(2 * np.pi * rate * (time_s - start)) * (time_s >= start) * (time_s < start + 3 / rate)
        )
        sound = tone(
            rng, f0_hz=rng.uniform(200, 700), extent_cents=0.0, duration_s=3.0, snr_db=20, cents=swing
        )
        line = refine_note(
            sound.samples,
            RATE_HZ,
            track_line(sound.samples, RATE_HZ),
            sound.onset_s + 0.005,
            sound.offset_s - 0.005,
        )
        values, _ = measure_note(line)
        if values["has_vibrato"]:
            assert values["vibrato_onset_s"] == pytest.approx(start, abs=0.12)
            away.append(abs(values["rate_hz"] - rate))
        found.append(values["has_vibrato"] is True)
    assert sum(found) >= 5
    assert np.median(away) < 0.3


def test_what_a_vibrato_is_carried_by():
    """Loudness alone (± 2 dB at 5 Hz), pitch alone, both."""
    rng = np.random.default_rng(3)
    told = []
    for extent, level in ((0.0, 2.0), (25.0, 0.0), (25.0, 2.0), (0.0, 0.0)):
        sound = tone(rng, extent_cents=extent, rate_hz=5.0, duration_s=1.5, snr_db=35, level_db=level)
        line = refine_note(
            sound.samples,
            RATE_HZ,
            track_line(sound.samples, RATE_HZ),
            sound.onset_s + 0.005,
            sound.offset_s - 0.005,
        )
        values, _ = measure_note(line)
        told.append((values["vibrates"], values.get("vibrato_in")))
    assert told == [(True, "loudness"), (True, "pitch"), (True, "both"), (False, None)]


def test_tonguing_is_no_breath():
    """Dips of a fifth of the cycle, and bursts; a sine, one with a second harmonic of 0.3, and a swell."""
    turn = 2 * np.pi * 5 * np.arange(0, 1.6, 1 / 64)
    dips = -4 * np.exp(4 * (np.cos(turn) - 1))
    breath = np.cos(turn) + 0.3 * np.cos(2 * turn)
    assert is_articulated(dips) and is_articulated(-dips)
    for level in (2 * np.cos(turn), breath, -breath, breath + 6 * (turn / turn[-1]) ** 2):
        assert not is_articulated(level)


def test_windows_that_overlap_count_as_fewer():
    """Apart they are two, one twice is one; the whole note and its later half lie between (by hand)."""
    assert _independent(np.array([[0.0, 1.0], [1.0, 2.0]])) == pytest.approx(2.0)
    assert _independent(np.array([[0.0, 1.0], [0.0, 1.0]])) == pytest.approx(1.0, abs=1e-6)
    both = (np.sqrt(1.5) + np.sqrt(0.5)) ** 2 / 2  # correlated by 0.5 ** 2 / 0.5 = 0.5
    assert _independent(np.array([[0.0, 1.0], [0.5, 1.0]])) == pytest.approx(both)


@pytest.mark.parametrize("bend_cents", [-60.0, 40.0])
def test_a_bend_at_the_end_is_no_wide_last_cycle(bend_cents):
    rng = np.random.default_rng(6)
    time_s = np.arange(0, 1.6, 0.002)
    cents = 20 * np.sin(2 * np.pi * 5.5 * time_s) + bend_cents * np.clip((time_s - 1.4) / 0.2, 0, 1)
    sound = tone(rng, extent_cents=0.0, duration_s=1.6 - 0.002, snr_db=35, cents=cents)
    line = refine_note(
        sound.samples,
        RATE_HZ,
        track_line(sound.samples, RATE_HZ),
        sound.onset_s + 0.005,
        sound.offset_s - 0.005,
    )
    values, _ = measure_note(line)
    assert values["extent_cents"] == pytest.approx(20.0, rel=0.1)


def test_no_vibrato_is_wider_than_its_line(monkeypatch):
    """Two slow cycles and a drift may undo each other in the fit: such a figure is none."""
    from dataclasses import replace

    from vibstudy.vibrato import note

    fitted = note.fit_vibrato
    monkeypatch.setattr(
        note, "fit_vibrato", lambda *a, **k: replace(fitted(*a, **k), first_cents=4e8, extent_cents=4e8)
    )
    sound = tone(np.random.default_rng(5), f0_hz=300.0, rate_hz=5.5, extent_cents=25.0, snr_db=30.0)
    assert not measure(sound).get("has_vibrato") and "extent_cents" not in measure(sound)
    monkeypatch.undo()
    assert measure(sound)["extent_cents"] == pytest.approx(25, rel=0.1)


def test_the_background_is_that_of_means_of_blocks():
    """Random walks drawn finely, and B-splines (scipy's), whose values at whole numbers are covariances."""
    blocks, fine, draws = 64, 25, 1000
    walk = np.cumsum(np.random.default_rng(6).standard_normal((draws, blocks * fine)), axis=1) / np.sqrt(fine)
    means = walk.reshape(draws, blocks, fine).mean(axis=2).T
    series = Series(np.arange(blocks) / 64.0, np.zeros(blocks), True, 1.0)
    _, jitter, wander = series.noise_shapes(means=True)
    drawn = np.mean(series.spectrum(means) ** 2, axis=1)
    assert_allclose(np.mean((drawn / jitter)[3:].reshape(-1, 10), axis=1), 1.0, rtol=0.06)

    turn = np.pi * np.arange(1, blocks) / blocks
    for degree, order, shape in ((3, 1, jitter), (5, 2, wander)):
        spline = BSpline.basis_element(np.arange(degree + 2) - (degree + 1) / 2, extrapolate=False)
        lags = np.arange(-(degree // 2), degree // 2 + 1)
        spectrum = sum(spline(lag) * np.cos(lag * turn) for lag in lags)
        assert_allclose(shape, spectrum / (4 * np.sin(turn / 2) ** 2) ** order, rtol=1e-9)


@pytest.mark.parametrize("duration_s", [0.7, 1.6])
def test_straight_notes_of_any_colour_are_as_rarely_called_vibrato(duration_s):
    """White phase noise, jitter, wander: drawn with the spectra of means of blocks."""
    rng = np.random.default_rng(12)
    time_s = np.arange(0.005, duration_s, 0.01)
    series = Series(time_s, time_s, True, duration_s)
    search = Search(series, 3.0, 10.0)
    shapes = series.noise_shapes(means=True)
    shares = []
    for mix in ((1.0, 0.0, 0.0), (0.3, 1.0, 0.0), (0.01, 0.0, 1.0)):
        root = np.sqrt(np.array(mix) @ shapes)
        spectra = np.append(np.zeros((400, 1)), rng.standard_normal((400, len(root))) * root, axis=1)
        found = [search.test(values).p for values in idct(spectra, type=2, norm="ortho", axis=1)]
        shares.append(np.mean(np.array(found) < 0.1))
    assert max(shares) < min(4.0 * min(shares), 0.2)
