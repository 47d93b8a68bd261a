"""Reading: formats, rates, channels, speed, blocks, damaged files."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

from vibstudy.errors import VibstudyError
from vibstudy.sound.channel import tonal_snr
from vibstudy.sound.reading import clipped_runs, iter_blocks, read_audio

RATE_HZ, EXTENT_CENTS, PITCH_HZ = 5.5, 40.0, 440.0


def needs(program: str):
    """Skip without `program`; in continuous integration it must be there."""
    missing = shutil.which(program) is None and os.environ.get("CI") != "true"
    return pytest.mark.skipif(missing, reason=f"install the program {program} to run this test")


def tone(rate: float, seconds: float = 3.0, harmonics: int = 4, lead_s: float = 0.0) -> np.ndarray:
    """A tone with vibrato of known rate and extent; silent for the first `lead_s`."""
    t = np.arange(round(seconds * rate)) / rate
    f0 = PITCH_HZ * 2 ** (EXTENT_CENTS / 1200 * np.sin(2 * np.pi * RATE_HZ * t))
    phase = 2 * np.pi * np.cumsum(f0) / rate
    wave = sum(np.sin(k * phase) / k for k in range(1, harmonics + 1))
    return 0.2 * wave * (t >= lead_s)


def vibrato_of(samples: np.ndarray, rate: float, about_hz: float = PITCH_HZ) -> tuple[float, float, float]:
    """Rate, extent and mean pitch by the analytic signal of the first harmonic (independent of ours)."""
    from scipy.optimize import curve_fit
    from scipy.signal import butter, hilbert, sosfiltfilt

    band = butter(4, [about_hz * 0.6, about_hz * 1.5], "bandpass", fs=rate, output="sos")
    phase = np.unwrap(np.angle(hilbert(sosfiltfilt(band, samples.astype(float)))))
    f0 = np.gradient(phase) * rate / (2 * np.pi)
    t = np.arange(len(f0)) / rate
    inside = (t > 0.4) & (t < t[-1] - 0.4)
    t, cents = t[inside], 1200 * np.log2(f0[inside] / about_hz)

    def model(t, mean, a, b, rate_hz):
        return mean + a * np.sin(2 * np.pi * rate_hz * t) + b * np.cos(2 * np.pi * rate_hz * t)

    (mean, a, b, rate_hz), _ = curve_fit(model, t, cents, [0, 30, 10, RATE_HZ * about_hz / PITCH_HZ])
    return rate_hz, float(np.hypot(a, b)), about_hz * 2 ** (mean / 1200)


@pytest.fixture
def folder(tmp_path):
    return tmp_path


# --- formats -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "subtype", "rate"),
    [
        ("a.wav", "PCM_16", 8000),
        ("a.wav", "PCM_16", 11025),
        ("a.wav", "PCM_24", 22050),
        ("a.wav", "FLOAT", 44100),
        ("a.wav", "PCM_U8", 44100),
        ("a.wav", "PCM_24", 96000),
        ("a.wav", "PCM_32", 192000),
        ("a.flac", "PCM_24", 48000),
        ("a.aiff", "PCM_16", 44100),
        ("a.ogg", "VORBIS", 44100),
        ("a.mp3", "MPEG_LAYER_III", 44100),
        ("a.mp3", "MPEG_LAYER_III", 16000),
    ],
)
def test_format_and_rate_leave_the_vibrato_alone(folder, name, subtype, rate):
    path = folder / name
    soundfile.write(path, tone(rate), rate, subtype=subtype)
    audio = read_audio(path)
    assert audio.rate_hz == 22050 and audio.samples.dtype == np.float32
    assert audio.file_rate_hz == rate and audio.channel == "mono"
    assert audio.duration_s == pytest.approx(3.0, abs=0.06)
    assert audio.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    rate_hz, extent_cents, pitch_hz = vibrato_of(audio.samples, audio.rate_hz)
    assert rate_hz == pytest.approx(RATE_HZ, abs=0.01)
    assert extent_cents == pytest.approx(EXTENT_CENTS, abs=0.3)
    assert 1200 * np.log2(pitch_hz / PITCH_HZ) == pytest.approx(0, abs=0.3)


@needs("ffmpeg")
@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("a.m4a", ["-c:a", "aac", "-b:a", "128k"]),
        ("a.mp3", ["-c:a", "libmp3lame", "-q:a", "6"]),
        ("a.opus", ["-c:a", "libopus", "-b:a", "48k"]),
    ],
)
def test_codecs_of_ffmpeg(folder, name, options):
    soundfile.write(folder / "source.wav", tone(44100, lead_s=0.5), 44100)
    path = folder / name
    subprocess.run(["ffmpeg", "-v", "error", "-i", folder / "source.wav", *options, path], check=True)
    audio = read_audio(path)
    onset_s = np.flatnonzero(np.abs(audio.samples) > 0.05)[0] / audio.rate_hz
    assert onset_s == pytest.approx(0.5, abs=0.03)
    rate_hz, extent_cents, _ = vibrato_of(audio.samples[round(0.55 * 22050) :], audio.rate_hz)
    assert rate_hz == pytest.approx(RATE_HZ, abs=0.01)
    assert extent_cents == pytest.approx(EXTENT_CENTS, abs=0.3)


@needs("ffmpeg")
def test_video_with_and_without_sound(folder):
    soundfile.write(folder / "source.wav", tone(44100), 44100)
    picture = ["-f", "lavfi", "-i", "color=c=gray:s=64x64:d=3"]
    video, mute = folder / "film.mp4", folder / "mute.mp4"
    subprocess.run(
        ["ffmpeg", "-v", "error", "-i", folder / "source.wav", *picture, "-shortest", video], check=True
    )
    subprocess.run(["ffmpeg", "-v", "error", *picture, mute], check=True)
    audio = read_audio(video)
    assert "by ffmpeg" in audio.format
    assert vibrato_of(audio.samples, audio.rate_hz)[1] == pytest.approx(EXTENT_CENTS, abs=0.3)
    with pytest.raises(VibstudyError, match="holds no sound"):
        read_audio(mute)


def test_without_ffmpeg_the_message_says_what_to_install(folder, monkeypatch):
    path = folder / "a.m4a"
    path.write_bytes(b"\x00\x00\x00\x20ftypM4A " + bytes(200))
    monkeypatch.setattr(shutil, "which", lambda name: None)
    with pytest.raises(VibstudyError, match="ffmpeg"):
        read_audio(path)


# --- speed and time ------------------------------------------------------------------------------


@pytest.mark.parametrize("factor", [0.96, 1.0, 1.035])
def test_speed_factor_divides_pitch_and_rate_and_leaves_extent(folder, factor):
    """Arithmetic: a speed error k multiplies pitch and rate by k and divides times by k."""
    true = tone(44100, seconds=4.0)
    # A file that plays at `factor` of true speed: the same samples, announced at another rate.
    path = folder / "a.wav"
    soundfile.write(path, true, round(44100 * factor), subtype="FLOAT")
    factor = round(44100 * factor) / 44100
    slow = read_audio(path)
    assert vibrato_of(slow.samples, 22050, PITCH_HZ * factor)[0] == pytest.approx(RATE_HZ * factor, abs=0.005)
    right = read_audio(path, speed_factor=factor)
    assert right.duration_s == pytest.approx(4.0, abs=1e-3)
    rate_hz, extent_cents, pitch_hz = vibrato_of(right.samples, right.rate_hz)
    assert rate_hz == pytest.approx(RATE_HZ, abs=0.002)
    assert extent_cents == pytest.approx(EXTENT_CENTS, abs=0.05)
    assert 1200 * np.log2(pitch_hz / PITCH_HZ) == pytest.approx(0, abs=0.05)


@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.mp3", "a.ogg"])
def test_part_of_a_file_starts_where_it_should(folder, name):
    rng = np.random.default_rng(3)
    whole = tone(44100, 6.0) * 0.5 + 0.02 * rng.standard_normal(6 * 44100)
    soundfile.write(folder / name, whole, 44100)
    full = read_audio(folder / name)
    part = read_audio(folder / name, start_s=2.0, end_s=4.5)
    assert part.origin_s == 2.0 and part.duration_s == pytest.approx(2.5, abs=1e-3)
    middle = slice(2000, 40000)
    shifted = full.samples[round(2.0 * 22050) :][middle]
    assert np.abs(part.samples[middle] - shifted).max() < 2e-3


def test_mp3_in_small_pieces_is_the_whole(folder):
    """The reference is libsndfile's one-go decoding."""
    soundfile.write(folder / "a.mp3", tone(44100), 44100)
    whole, _ = soundfile.read(folder / "a.mp3", dtype="float32")
    ours = read_audio(folder / "a.mp3", rate_hz=44100)
    assert np.abs(ours.samples + np.float32(ours.dc) - whole).max() < 1e-6


def test_origin_is_at_true_speed(folder):
    soundfile.write(folder / "a.wav", tone(44100, 6.0), 44100)
    part = read_audio(folder / "a.wav", start_s=2.0, speed_factor=0.96)
    assert part.start_s == 2.0
    assert part.origin_s == pytest.approx(1.92)
    assert part.duration_s == pytest.approx(4 * 0.96, abs=1e-3)


def test_blocks_are_the_recording(folder):
    rng = np.random.default_rng(4)
    soundfile.write(folder / "a.wav", 0.1 * rng.standard_normal(44100 * 11), 44100, subtype="FLOAT")
    full = read_audio(folder / "a.wav", start_s=0.5, speed_factor=0.97)
    blocks = list(iter_blocks(folder / "a.wav", 3.0, 0.5, start_s=0.5, speed_factor=0.97))
    assert [b.origin_s for b in blocks] == pytest.approx(
        [0.485 + 2.5 * i for i in range(len(blocks))], abs=1e-4
    )
    for block in blocks:
        first = round((block.origin_s - full.origin_s) * 22050)
        there = full.samples[first : first + len(block.samples)]
        assert np.abs(there - block.samples - (there - block.samples).mean()).max() < 1e-6
    end_s = blocks[-1].origin_s + blocks[-1].duration_s
    assert end_s == pytest.approx(full.origin_s + full.duration_s, abs=1e-4)


@pytest.mark.slow
def test_an_hour_in_blocks_needs_little_memory(folder):
    """An hour of stereo at 44.1 kHz, in a process of its own, below 400 MB."""
    import sys

    piece = np.column_stack([tone(44100, 10.0)] * 2).astype(np.float32)
    with soundfile.SoundFile(folder / "hour.flac", "w", 44100, 2) as out:
        for _ in range(360):
            out.write(piece)
    program = (
        "import re, sys\n"
        "from vibstudy.sound.reading import iter_blocks\n"
        "total = sum(b.duration_s for b in iter_blocks(sys.argv[1], 60, 0))\n"
        "status = open('/proc/self/status').read()\n"
        "print(total, int(re.search(r'VmHWM:\\s+(\\d+)', status)[1]) / 1024)"
    )
    if not Path("/proc/self/status").exists():  # getrusage would count the parent's memory too
        pytest.skip("the peak of memory is read from /proc, which only Linux has")
    done = subprocess.run(
        [sys.executable, "-c", program, folder / "hour.flac"], capture_output=True, text=True, check=True
    )
    total_s, megabytes = map(float, done.stdout.split())
    assert total_s == pytest.approx(3600, abs=0.01)
    assert megabytes < 400


# --- channels ------------------------------------------------------------------------------------


def stereo(left, right):
    return np.column_stack([left, right])


def noise(seed, level, n=3 * 44100):
    return level * np.random.default_rng(seed).standard_normal(n)


def _chosen(folder, frames):
    soundfile.write(folder / "a.wav", frames, 44100, subtype="FLOAT")
    return read_audio(folder / "a.wav")


def test_identical_channels_give_mid(folder):
    wave = tone(44100)
    assert _chosen(folder, stereo(wave, wave)).channel == "mid"


def test_mono_disc_played_in_stereo_gives_mid(folder):
    """Independent noise of the two groove walls: mid gains 3 dB (arithmetic)."""
    wave = tone(44100)
    audio = _chosen(folder, stereo(wave + noise(1, 0.05), wave + noise(2, 0.05)))
    assert audio.channel == "mid"


def test_one_spoilt_channel_gives_the_other(folder):
    wave = tone(44100)
    assert _chosen(folder, stereo(wave + noise(1, 0.1), wave + noise(2, 0.003))).channel == "right"
    assert _chosen(folder, stereo(wave + noise(1, 0.003), noise(2, 0.1))).channel == "left"


def test_reversed_polarity_gives_side(folder):
    wave = tone(44100)
    audio = _chosen(folder, stereo(wave + noise(1, 0.01), -wave + noise(2, 0.01)))
    assert audio.channel == "side"
    assert vibrato_of(audio.samples, 22050)[1] == pytest.approx(EXTENT_CENTS, abs=0.3)


def test_hall_in_the_side_is_not_chosen(folder):
    wave, hall = tone(44100), 0.03 * np.roll(tone(44100), 900)
    audio = _chosen(folder, stereo(wave + hall + noise(1, 0.02), wave - hall + noise(1, 0.02)))
    assert audio.channel == "mid"


def test_six_channels(folder):
    wave = tone(44100)
    frames = np.column_stack([noise(i, 0.05) for i in range(6)])
    frames[:, 2] = wave + noise(9, 0.005)
    audio = _chosen(folder, frames)
    assert audio.channels == 6 and audio.channel == "channel 3"
    assert vibrato_of(audio.samples, 22050)[1] == pytest.approx(EXTENT_CENTS, abs=0.3)


def test_tonal_snr_orders_noise():
    values = [tonal_snr(tone(44100) + noise(5, level), 44100)[1] for level in (0.3, 0.1, 0.03, 0.01)]
    assert np.all(np.diff(values) > 5)
    assert tonal_snr(np.zeros(44100), 44100) == (-300.0, -300.0)


# --- levels --------------------------------------------------------------------------------------


def test_dc_is_removed_and_said(folder):
    soundfile.write(folder / "a.wav", tone(44100) + 0.2, 44100, subtype="FLOAT")
    audio = read_audio(folder / "a.wav")
    assert audio.dc == pytest.approx(0.2, abs=0.005)
    assert abs(audio.samples.mean()) < 1e-4


def test_clipping_is_counted_and_placed(folder):
    wave = tone(44100, 2.0)
    wave[44100:] = np.clip(wave[44100:] * 3, -0.5, 0.5)  # clipped, then not at full scale
    soundfile.write(folder / "a.wav", wave, 44100)
    audio = read_audio(folder / "a.wav")
    truth = np.mean(np.abs(wave) >= 0.5)
    assert audio.clipped_fraction == pytest.approx(truth, rel=0.15)
    assert audio.clipped_s.min() == pytest.approx(1.0, abs=0.01) and audio.clipped_s.max() < 2.0


@pytest.mark.parametrize("f_hz", [30.0, 100.0, 440.0])
@pytest.mark.parametrize("rate", [22050, 96000])
def test_round_peaks_are_not_clipping(f_hz, rate):
    wave = 0.999 * np.sin(2 * np.pi * f_hz * np.arange(2 * rate) / rate)
    assert len(clipped_runs(np.round(wave * 32767) / 32768)[0]) == 0


def test_clipped_runs_by_hand():
    samples = np.array([0, 0.3, 0.8, 0.8, 0.8, 0.2, -0.8, -0.8, 0.1, 0.8, 0.8, 0.8, 0.8, 0])
    begins, lengths = clipped_runs(samples)
    assert begins.tolist() == [2, 9] and lengths.tolist() == [3, 4]


def test_silence_is_read_and_said(folder):
    soundfile.write(folder / "a.wav", np.zeros(44100), 44100)
    audio = read_audio(folder / "a.wav")
    assert not audio.samples.any() and any("silent" in remark for remark in audio.remarks)


# --- files that cannot be used -------------------------------------------------------------------


def test_no_such_file_names_the_nearest(folder):
    soundfile.write(folder / "sonata_1.wav", tone(8000), 8000)
    with pytest.raises(VibstudyError, match=r"sonata_1\.wav"):
        read_audio(folder / "sonata1.wav")


def test_folder_and_empty_file(folder):
    with pytest.raises(VibstudyError, match="folder"):
        read_audio(folder)
    (folder / "a.wav").touch()
    with pytest.raises(VibstudyError, match="0 bytes"):
        read_audio(folder / "a.wav")


@pytest.mark.parametrize("samples", [0, 1, 100])
def test_too_short(folder, samples):
    soundfile.write(folder / "a.wav", np.zeros(samples), 44100)
    with pytest.raises(VibstudyError, match="shorter than"):
        read_audio(folder / "a.wav")


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_not_a_number_is_placed(folder, bad):
    frames = stereo(tone(44100), tone(44100))
    frames[66150, 1] = bad
    soundfile.write(folder / "a.wav", frames, 44100, subtype="FLOAT")
    with pytest.raises(VibstudyError, match=r"1\.5000 s, channel 2"):
        read_audio(folder / "a.wav")


def test_text_named_wav(folder):
    (folder / "a.wav").write_text("not sound at all\n" * 50, encoding="utf-8")
    with pytest.raises(VibstudyError, match=r"cannot be read|not sound"):
        read_audio(folder / "a.wav")


def test_wrong_extension_is_read_and_said(folder):
    soundfile.write(folder / "a.mp3", tone(44100), 44100)
    (folder / "a.mp3").rename(folder / "a.wav")
    audio = read_audio(folder / "a.wav")
    assert any("though the name ends in '.wav'" in remark for remark in audio.remarks)
    assert vibrato_of(audio.samples, 22050)[1] == pytest.approx(EXTENT_CENTS, abs=0.3)


@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.mp3", "a.ogg", "a.aiff"])
def test_truncated_file_gives_its_beginning_or_a_clear_error(folder, name):
    path = folder / name
    soundfile.write(path, tone(44100, 6.0), 44100)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    audio = read_audio(path)
    assert 1.2 < audio.duration_s < 4.0
    assert vibrato_of(audio.samples, 22050)[1] == pytest.approx(EXTENT_CENTS, abs=0.3)


def test_header_without_sound(folder):
    path = folder / "a.flac"
    soundfile.write(path, tone(44100, 6.0), 44100)
    path.write_bytes(path.read_bytes()[:100])
    with pytest.raises(VibstudyError):
        read_audio(path)


def test_bad_parts_and_speeds_are_refused(folder):
    soundfile.write(folder / "a.wav", tone(44100), 44100)
    with pytest.raises(VibstudyError, match=r"lasts 3\.00 s"):
        read_audio(folder / "a.wav", start_s=7)
    with pytest.raises(VibstudyError, match="not after the start"):
        read_audio(folder / "a.wav", start_s=2, end_s=1)
    with pytest.raises(VibstudyError, match="before the beginning"):
        read_audio(folder / "a.wav", start_s=-1)
    for factor in (0, -1, float("nan")):
        with pytest.raises(VibstudyError, match="speed factor"):
            read_audio(folder / "a.wav", speed_factor=factor)
