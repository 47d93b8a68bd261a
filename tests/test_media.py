"""What the medium did: clicks, noise, bandwidth, hum, codec, tuning, speed, wow."""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, sosfilt, welch

from vibstudy.sound.clicks import repair_clicks
from vibstudy.sound.media import MediaMeter, codec_cutoff, find_media, simulate_medium
from vibstudy.sound.reading import read_audio, read_excerpt
from vibstudy.sound.tuning import SPEED_RANGES, estimate_tuning, rate_range
from vibstudy.sound.wow import ROTATION_HZ, estimate_wow, weighting_db

RATE_HZ = 22050
SOUNDFONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")


def needs(program: str, file: Path | None = None):
    """Skip without `program`; in continuous integration it must be there."""
    missing = shutil.which(program) is None or (file is not None and not file.exists())
    return pytest.mark.skipif(
        missing and os.environ.get("CI") != "true", reason=f"install {program} to run this test"
    )


def reed(seconds: float = 10.0, rate: float = RATE_HZ, seed: int = 0) -> np.ndarray:
    """Detached reed-like notes: many harmonics under a formant, tongued attacks with a burst of breath."""
    rng = np.random.default_rng(seed)
    out = np.zeros(round(seconds * rate))
    for i, start in enumerate(np.arange(0.2, seconds - 0.6, 0.5)):
        t = np.arange(round(0.42 * rate)) / rate
        f0 = [233.1, 311.1, 174.6, 392.0, 261.6][i % 5]
        phases = rng.uniform(0, 2 * np.pi, int(8000 / f0))
        wave = sum(
            np.cos(2 * np.pi * k * f0 * t + phase) / (1 + (k * f0 / 1200) ** 2)
            for k, phase in enumerate(phases, start=1)
        )
        breath = sosfilt(
            butter(2, [800, 6000], "bandpass", fs=rate, output="sos"), rng.standard_normal(len(t))
        )
        envelope = np.minimum(1, t / 0.012) * np.minimum(1, (t[-1] - t) / 0.04)
        note = envelope * wave + np.exp(-t / 0.015) * breath
        first = round(start * rate)
        out[first : first + len(t)] += note
    return 0.5 * out / np.abs(out).max()


def hiss(n: int, level: float, seed: int = 1) -> np.ndarray:
    return level * np.random.default_rng(seed).standard_normal(n)


def write(path: Path, samples: np.ndarray, rate: float = RATE_HZ) -> Path:
    soundfile.write(path, samples, int(rate), subtype="FLOAT")
    return path


def db(power: float) -> float:
    return 10 * np.log10(power)


# --- clicks --------------------------------------------------------------------------------------


def with_clicks(samples: np.ndarray, per_s: float, seed: int = 2) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    out = samples.copy()
    loud = np.sqrt(np.mean(samples**2))
    places = np.sort(rng.integers(3000, len(out) - 3000, round(per_s * len(out) / RATE_HZ)))
    for place in places:
        t = np.arange(rng.integers(1, 14))
        height = rng.choice([-1, 1]) * loud * 10 ** (rng.uniform(6, 20) / 20)
        out[place : place + len(t)] += height * np.exp(-t / 4) * np.cos(t * rng.uniform(0, 2))
    return out, places


def test_a_clean_attack_stays_untouched():
    clean = reed() + hiss(10 * RATE_HZ, 1e-4)
    repaired, clicks = repair_clicks(clean, RATE_HZ)
    assert len(clicks) == 0
    assert np.array_equal(repaired, clean)


@pytest.mark.parametrize("noise_db", [-50, -25])
def test_clicks_are_found_and_bridged(noise_db):
    clean = reed() + hiss(10 * RATE_HZ, 0.1 * 10 ** (noise_db / 20))
    clicked, places = with_clicks(clean, 8)
    repaired, clicks = repair_clicks(clicked, RATE_HZ)
    found = [bool(((clicks.begins <= p + 2) & (clicks.ends > p)).any()) for p in places]
    assert np.mean(found) > 0.9
    false = [np.abs(places - begin).min() > 40 for begin in clicks.begins]
    assert np.sum(false) <= 2
    before, after = np.mean((clicked - clean) ** 2), np.mean((repaired - clean) ** 2)
    assert db(after) < db(before) - 6
    outside = np.ones(len(clean), bool)
    for begin, end in zip(clicks.begins, clicks.ends, strict=True):
        outside[begin:end] = False
    assert np.array_equal(repaired[outside], clicked[outside])


def test_a_bridged_sine_is_the_sine():
    """An autoregressive gap in a sine has an exact answer: the sine."""
    t = np.arange(RATE_HZ) / RATE_HZ
    clean = 0.3 * np.sin(2 * np.pi * 440 * t) + hiss(len(t), 1e-4)
    clicked = clean.copy()
    clicked[10000:10008] += 0.8
    repaired, clicks = repair_clicks(clicked, RATE_HZ)
    assert len(clicks) == 1
    assert np.abs(repaired[9990:10020] - clean[9990:10020]).max() < 0.005


@pytest.mark.parametrize("samples", [np.zeros(RATE_HZ), np.zeros(10), np.ones(RATE_HZ) * 0.1])
def test_nothing_to_repair(samples):
    repaired, clicks = repair_clicks(samples, RATE_HZ)
    assert len(clicks) == 0 and np.array_equal(repaired, samples)


def _length(n: int) -> bytes:
    """Variable-length quantity of the Standard MIDI File 1.0."""
    out = [n & 127]
    while n := n >> 7:
        out.insert(0, n & 127 | 128)
    return bytes(out)


def rendered(folder: Path, program: int, tuning_cents: float = 0.0) -> Path:
    """Twenty detached notes of one General MIDI program by FluidSynth, tuned off by `tuning_cents`."""
    pitches = np.random.default_rng(0).integers(55, 80, 20)
    bend = round(8192 + 8192 * tuning_cents / 200)
    track = b"\x00" + bytes([0xC0, program]) + b"\x00" + bytes([0xE0, bend & 127, bend >> 7])
    for i, pitch in enumerate(pitches):
        track += _length(24 if i else 0) + bytes([0x90, int(pitch), 100])
        track += _length(456) + bytes([0x80, int(pitch), 0])
    track += b"\x00\xff\x2f\x00"
    header = b"MThd" + struct.pack(">IHHH", 6, 0, 1, 480)
    midi, wav = folder / "notes.mid", folder / "notes.wav"
    midi.write_bytes(header + b"MTrk" + struct.pack(">I", len(track)) + track)
    command = ["fluidsynth", "-ni", "-R", "0", "-C", "0", "-r", "44100", "-F", wav, SOUNDFONT, midi]
    subprocess.run(command, check=True, capture_output=True)
    return wav


@needs("fluidsynth", SOUNDFONT)
@pytest.mark.parametrize("program", [0, 40, 56, 65, 71])
def test_rendered_instruments_have_no_clicks(tmp_path, program):
    """Piano, violin, trumpet, alto saxophone, clarinet (FluidSynth with FluidR3)."""
    audio = read_audio(rendered(tmp_path, program))
    repaired, clicks = repair_clicks(audio.samples, audio.rate_hz)
    assert len(clicks) <= 1
    assert db(np.mean((repaired - audio.samples) ** 2) / np.mean(audio.samples**2) + 1e-12) < -50


# --- media findings ------------------------------------------------------------------------------


def test_noise_level_and_tilt(tmp_path):
    clean = reed(20)
    white = find_media(write(tmp_path / "a.wav", clean + hiss(len(clean), 0.01)))
    assert white.noise_db == pytest.approx(-40, abs=1.5)
    assert white.noise_tilt_db_per_octave == pytest.approx(0, abs=0.5)
    n = len(clean)
    shape = 1 / np.sqrt(np.maximum(np.fft.rfftfreq(n, 1 / RATE_HZ), 20))
    pink = np.fft.irfft(np.fft.rfft(hiss(n, 1.0)) * shape, n)
    pink *= 0.01 / pink.std()
    found = find_media(write(tmp_path / "b.wav", clean + pink))
    # Pink noise falls by 3.01 dB an octave (its definition).
    assert found.noise_tilt_db_per_octave == pytest.approx(-3.01, abs=0.6)
    loud = np.sqrt(np.mean(clean**2))
    assert found.programme_db == pytest.approx(20 * np.log10(loud), abs=3)


def test_bandwidth_of_a_band_limited_transfer(tmp_path):
    band = butter(6, [250, 3500], "bandpass", fs=RATE_HZ, output="sos")
    narrow = sosfilt(band, reed(20)) + hiss(20 * RATE_HZ, 3e-3)
    found = find_media(write(tmp_path / "a.wav", narrow))
    assert 140 < found.low_edge_hz < 290
    assert 2800 < found.high_edge_hz < 4700
    wide = find_media(write(tmp_path / "b.wav", reed(20) + hiss(20 * RATE_HZ, 1e-5)))
    assert wide.high_edge_hz > 7000
    noise = find_media(write(tmp_path / "c.wav", hiss(20 * RATE_HZ, 0.05)))
    assert np.isnan(noise.low_edge_hz) and np.isnan(noise.high_edge_hz)


@pytest.mark.parametrize("mains_hz", [50, 60])
@pytest.mark.parametrize("speed_factor", [1.0, 0.96])
def test_hum(tmp_path, mains_hz, speed_factor):
    t = np.arange(20 * RATE_HZ) / RATE_HZ
    hum = 0.002 * np.sin(2 * np.pi * mains_hz * t) + 0.001 * np.sin(2 * np.pi * 3 * mains_hz * t)
    path = write(tmp_path / "a.wav", reed(20) + hiss(len(t), 1e-3) + hum)
    found = find_media(path, speed_factor=speed_factor)
    assert found.hum_hz == mains_hz
    assert found.hum_db == pytest.approx(db(0.002**2 / 2 + 0.001**2 / 2), abs=1.5)
    assert mains_hz in found.hum_lines_hz and set(found.hum_lines_hz) <= {mains_hz, 3 * mains_hz}


def test_no_hum_is_invented(tmp_path):
    found = find_media(write(tmp_path / "a.wav", reed(20) + hiss(20 * RATE_HZ, 1e-3)))
    assert np.isnan(found.hum_hz) and found.hum_lines_hz == ()


def test_clicks_and_clipping_are_counted(tmp_path):
    clicked, places = with_clicks(reed(20), 5)
    wave = clicked + hiss(len(clicked), 1e-3)
    found = find_media(write(tmp_path / "a.wav", wave))
    assert found.clicks_per_s == pytest.approx(len(places) / 20, rel=0.15)
    clipped = np.clip(4 * reed(20), -0.8, 0.8)
    found = find_media(write(tmp_path / "b.wav", clipped))
    assert found.clipped_fraction == pytest.approx(np.mean(np.abs(clipped) >= 0.8), rel=0.35)
    assert any("clipped" in sentence for sentence in found.sentences())


@needs("ffmpeg")
@pytest.mark.parametrize(
    ("name", "options", "low_hz", "high_hz"),
    [
        ("a.mp3", ["-b:a", "64k", "-cutoff", "11000"], 10000, 12500),
        ("a.mp3", ["-b:a", "128k", "-cutoff", "16000"], 15000, 17000),
        ("a.m4a", ["-c:a", "aac", "-b:a", "96k", "-cutoff", "15000"], 14000, 17500),
    ],
)
def test_codec_cutoff(tmp_path, name, options, low_hz, high_hz):
    source = write(tmp_path / "s.wav", reed(6, 44100) + hiss(6 * 44100, 2e-3), 44100)
    subprocess.run(["ffmpeg", "-v", "error", "-i", source, *options, tmp_path / name], check=True)
    assert low_hz < codec_cutoff(*read_excerpt(tmp_path / name)) < high_hz
    assert np.isnan(codec_cutoff(*read_excerpt(source)))


def test_gentle_fall_is_no_codec():
    gentle = sosfilt(butter(4, 8000, fs=44100, output="sos"), hiss(4 * 44100, 0.1))
    assert np.isnan(codec_cutoff([gentle], 44100))
    assert np.isnan(codec_cutoff([np.zeros(44100)], 44100))


def test_blocks_add_up_to_the_whole(tmp_path):
    path = write(tmp_path / "a.wav", reed(20) + hiss(20 * RATE_HZ, 1e-3))
    meter = MediaMeter()
    for start in range(0, 20, 5):
        meter.add(read_audio(path, start, start + 5))
    parts, whole = meter.findings(), find_media(path)
    assert parts.noise_db == pytest.approx(whole.noise_db, abs=0.5)
    assert parts.high_edge_hz == pytest.approx(whole.high_edge_hz, rel=0.15)
    with pytest.raises(ValueError):
        MediaMeter().findings()


def test_silence_and_short_files_do_not_fail(tmp_path):
    for samples in (np.zeros(5 * RATE_HZ), hiss(2000, 0.1)):
        found = find_media(write(tmp_path / "a.wav", samples))
        assert found.sentences() and set(found.columns()) >= {"noise_db", "hum_hz", "codec_cutoff_hz"}


def test_simulated_medium_is_found_again(tmp_path):
    band = butter(4, [250, 3500], "bandpass", fs=RATE_HZ, output="sos")
    recording = sosfilt(band, reed(20)) + hiss(20 * RATE_HZ, 6e-3)
    found = find_media(write(tmp_path / "a.wav", recording))
    tones = reed(20, seed=5) * 0.01
    simulated = simulate_medium(tones, RATE_HZ, found, np.random.default_rng(0))
    again = find_media(write(tmp_path / "b.wav", simulated))
    assert again.noise_db == pytest.approx(found.noise_db, abs=1.5)
    assert np.log2(again.high_edge_hz / found.high_edge_hz) == pytest.approx(0, abs=0.5)
    assert again.programme_to_noise_db == pytest.approx(found.programme_to_noise_db, abs=4)
    f_hz, density = welch(simulated[: RATE_HZ // 5], RATE_HZ, nperseg=1024)  # before the first note
    assert db(density[(f_hz > 5000) & (f_hz < 9000)].mean()) == pytest.approx(db(6e-3**2 / 11025), abs=2)
    same = simulate_medium(tones, RATE_HZ, found, np.random.default_rng(0))
    assert np.array_equal(same, simulated)


# --- tuning and speed ----------------------------------------------------------------------------


def scale(tuning_hz: float, n: int, seed: int, spread_cents: float = 8.0):
    rng = np.random.default_rng(seed)
    midi = rng.choice([55, 57, 59, 60, 62, 64, 65, 67, 69, 71, 72], n)
    cents = 100 * (midi - 69) + rng.normal(0, spread_cents, n)
    cents[: n // 15] += rng.uniform(-50, 50, n // 15)  # some notes are just wrong
    return tuning_hz * 2 ** (cents / 1200), rng.uniform(0.2, 2, n)


def folded(a_hz: float, b_hz: float) -> float:
    return float((1200 * np.log2(a_hz / b_hz) + 50) % 100 - 50)


@settings(max_examples=40, deadline=None)
@given(st.floats(415, 466), st.integers(0, 10_000))
def test_tuning_is_recovered(tuning_hz, seed):
    found = estimate_tuning(*scale(tuning_hz, 120, seed))
    assert abs(folded(found.tuning_hz, tuning_hz)) < 3
    assert abs(1200 * np.log2(found.tuning_hz / 440)) <= 50.001
    assert found.se_cents < 2.5 and found.chance_p < 1e-6


def test_tuning_within_two_cents_and_standard_error_is_right():
    offs, inside = [], []
    for seed in range(150):
        tuning_hz = 415 + seed % 52
        found = estimate_tuning(*scale(tuning_hz, 80, seed))
        off = folded(found.tuning_hz, tuning_hz)
        offs.append(abs(off))
        inside.append(abs(off) < 1.96 * found.se_cents)
    assert np.quantile(offs, 0.9) < 2
    assert 0.9 < np.mean(inside) <= 1


@needs("fluidsynth", SOUNDFONT)
@pytest.mark.parametrize("tuning_hz", [427.5, 435.0, 452.0])
def test_tuning_of_a_rendered_clarinet(tmp_path, tuning_hz):
    """FluidSynth bends all notes alike; pitches from the peak of the spectrum, independent of ours."""
    found = []
    for off_cents in (1200 * np.log2(tuning_hz / 440), 0.0):
        audio = read_audio(rendered(tmp_path, 71, off_cents))
        notes = [audio.samples[round((0.5 * i + 0.1) * RATE_HZ) :][: round(0.3 * RATE_HZ)] for i in range(20)]
        found.append(estimate_tuning([spectral_pitch(note) for note in notes]).tuning_hz)
    # The samples' own tuning is the soundfont's; the difference is what was asked for.
    assert folded(found[0] / found[1] * 440, tuning_hz) == pytest.approx(0, abs=2)


def spectral_pitch(samples: np.ndarray) -> float:
    """Fundamental by the third harmonic of a clarinet tone, its peak interpolated over zero padding."""
    size = 1 << 18
    power = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), size))
    step = RATE_HZ / size
    first = int(np.argmax(power[: round(1000 / step)]))
    third = slice(round(2.9 * first), round(3.1 * first))
    return float((third.start + np.argmax(power[third])) * step / 3)


def test_half_semitone_rule():
    """415.3 Hz is one semitone below 440 Hz (arithmetic): the sound cannot tell them apart."""
    assert estimate_tuning(*scale(415.305, 100, 3)).tuning_hz == pytest.approx(440, abs=1)


def test_both_readings_in_words():
    semitones = np.arange(-12, 12)
    text = estimate_tuning(436.0 * 2 ** (semitones / 12)).words()
    assert "436.0 Hz" in text and "at 440 Hz, playing 0.9 % slow" in text
    assert "fast" in estimate_tuning(444.0 * 2 ** (semitones / 12)).words()
    assert "427.0 Hz fits as well" in estimate_tuning(452.4 * 2 ** (semitones / 12)).words()
    assert estimate_tuning(440.0 * 2 ** (semitones / 12)).words() == "Tuned to 440.0 Hz (± 0 cents)."
    rng = np.random.default_rng(1)
    assert "no common tuning" in estimate_tuning(rng.uniform(200, 800, 30)).words()


def test_tuning_without_notes_is_missing():
    empty = estimate_tuning([])
    assert np.isnan(empty.tuning_hz) and np.isnan(empty.se_cents) and empty.notes == 0
    assert np.isnan(estimate_tuning([np.nan, 0]).tuning_hz)
    one = estimate_tuning([441.0, np.nan], [1.0, np.nan], [-20, np.nan])
    assert one.tuning_hz == pytest.approx(441) and np.isnan(one.se_cents)


def test_rate_range_of_media():
    """74 to 82 rpm over 1900-1925 (Gelatt 1955, p. 66), played at 78.26 rpm: arithmetic."""
    low, high = rate_range("acoustic_disc", 6.0)
    assert low == pytest.approx(6 * 74 / 78.26) and high == pytest.approx(6 * 82 / 78.26)
    assert rate_range("digital", 5.5) == (5.5, 5.5)
    assert np.isnan(rate_range(None, 6.0)).all() and np.isnan(rate_range("wire", 6.0)).all()
    for name, speeds in SPEED_RANGES.items():
        assert speeds.low <= 1 <= speeds.high and speeds.source, name


# --- wow -----------------------------------------------------------------------------------------


def played(
    seed: int, seconds: float = 90.0, wow_hz: float = 0.0, wow_cents: float = 0.0, beat_s: float = 0.0
):
    """Pitch of notes with scoops, drift, vibrato and noise, less each note's mean."""
    rng = np.random.default_rng(seed)
    start, parts, number = 0.0, [], 0
    while start < seconds:
        length = beat_s or rng.choice([0.25, 0.4, 0.6, 0.8, 1.2, 2.0]) * rng.uniform(0.9, 1.1)
        t = np.arange(round((length - 0.06) * 100)) / 100
        strong = 1.5 if beat_s and number % 2 else 1.0
        cents = -20 * strong * rng.uniform(0.5, 1.5) * np.exp(-t / 0.06)
        cents += np.cumsum(rng.normal(0, 0.8, len(t))) + rng.normal(0, 8) * t
        if length > 0.35 and rng.random() < 0.7:
            cents += rng.uniform(10, 50) * np.sin(2 * np.pi * rng.uniform(4.5, 7) * t + rng.uniform(0, 6))
        cents += wow_cents * np.sin(2 * np.pi * wow_hz * (start + t) + 1.0) + rng.normal(0, 2, len(t))
        parts.append((start + t, cents - cents.mean(), np.full(len(t), number)))
        start, number = start + length, number + 1
    return tuple(np.concatenate(part) for part in zip(*parts, strict=True))


@pytest.mark.parametrize(("rotation", "percent"), [("78 rpm", 0.3), ("45 rpm", 0.35), ("33⅓ rpm", 0.5)])
def test_wow_is_found(rotation, percent):
    cents = 1200 * np.log2(1 + percent / 100)
    found = estimate_wow(*played(1, 120, ROTATION_HZ[rotation], cents))
    assert found.found and found.p < 1e-3
    assert found.rate_hz == pytest.approx(ROTATION_HZ[rotation], abs=0.005)
    assert found.rotation == rotation
    assert found.depth_cents == pytest.approx(cents, abs=3 * found.depth_se_cents + 0.05 * cents)
    assert found.depth_percent == pytest.approx(percent, rel=0.3)
    assert found.phase_rad == pytest.approx(1.0, abs=0.4)
    assert rotation in found.words()


def test_wow_at_a_free_frequency_and_its_removal():
    time_s, cents, note = played(2, 150, 2.1, 4.0)
    found = estimate_wow(time_s, cents, note)
    assert found.found and found.rate_hz == pytest.approx(2.1, abs=0.005) and found.rotation == ""
    true = 4.0 * np.sin(2 * np.pi * 2.1 * time_s + 1.0)
    assert np.std(true - found.cents(time_s)) < 0.25 * np.std(true)


def test_wow_follows_its_phase_through_a_long_recording():
    time_s, cents, note = played(3, 700, 1.304, 5.0)
    shifted = np.where(time_s > 360, 1.304 * 2 * np.pi * 0.2, 0.0)  # the needle was lifted
    cents = (
        cents
        - 5 * np.sin(2 * np.pi * 1.304 * time_s + 1)
        + 5 * np.sin(2 * np.pi * 1.304 * time_s + 1 + shifted)
    )
    found = estimate_wow(time_s, cents, note)
    assert found.found and len(found.stretches) == 2
    turn = np.angle(found.stretches[1] / found.stretches[0])
    assert turn == pytest.approx(1.304 * 2 * np.pi * 0.2, abs=0.5)


@pytest.mark.parametrize("beat_s", [0.0, 0.5, 0.7667])
def test_no_wow_is_invented(beat_s):
    """Scoops, drift and vibrato, free or on a strict beat with every second note stronger."""
    p = np.array([(w.p, w.found) for w in (estimate_wow(*played(s, 60, beat_s=beat_s)) for s in range(25))])
    assert not p[:, 1].any()
    if beat_s == 0:
        assert np.mean(p[:, 0] < 0.05) < 0.25  # 25 draws at 5 %: 7 or more once in 6000 times


def partly_on_the_beat(seed: int, wow_cents: float):
    """Two notes to a turn of the disc at first, free afterwards."""
    turn_s = 1 / ROTATION_HZ["78 rpm"]
    strict = played(seed, 30, 1 / turn_s, wow_cents, turn_s / 2)
    time_s, cents, note = played(seed + 1, 60, 1 / turn_s, wow_cents)
    free = (time_s + turn_s * round(32 / turn_s), cents, note + strict[2].max() + 1)
    return tuple(np.concatenate(both) for both in zip(strict, free, strict=True))


def test_notes_at_two_phases_of_the_wow_do_not_hide_it():
    assert all(estimate_wow(*partly_on_the_beat(seed, 5.0)).found for seed in range(5))
    assert not any(estimate_wow(*partly_on_the_beat(seed, 0.0)).found for seed in range(25))


def test_too_few_notes_tell_nothing():
    time_s, cents, note = played(4, 6)
    few = estimate_wow(time_s, cents, note)
    assert not few.found and np.isnan(few.rate_hz) and "Too few" in few.words()
    np.testing.assert_array_equal(few.cents(time_s), 0.0)
    nothing = estimate_wow(np.zeros(0), np.zeros(0), np.zeros(0))
    assert not nothing.found


def test_absence_says_how_much_would_have_been_found():
    none = estimate_wow(*played(5, 120))
    assert not none.found and 0.5 < none.limit_cents < 4
    assert "No wow found" in none.words()
    half, double = (estimate_wow(*played(5, 120, 1.7, k * none.limit_cents)) for k in (0.3, 2.0))
    assert not half.found and double.found


def test_weighting_has_the_shape_of_the_standard():
    """AES standards blog, 16 February 2009: greatest at 4 Hz, ~6 dB an octave, steeper below 0.5 Hz."""
    f_hz = np.geomspace(0.1, 200, 200)
    db_ = np.array([weighting_db(f) for f in f_hz])
    assert weighting_db(4.0) == 0 and db_.max() <= 0
    below, above = f_hz < 4, f_hz > 4
    assert np.all(np.diff(db_[below]) > 0) and np.all(np.diff(db_[above]) < 0)
    assert 10 < weighting_db(0.4) - weighting_db(0.2) < 20
    assert 3 < weighting_db(1.0) - weighting_db(0.5) < 9
    assert 3 < weighting_db(20.0) - weighting_db(40.0) < 7
