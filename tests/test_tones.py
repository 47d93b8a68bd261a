"""Reference tones and re-synthesised notes hold the vibrato that was asked for."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile as sf
from scipy.optimize import minimize_scalar
from scipy.signal import butter, hilbert, resample_poly, sosfiltfilt
from scipy.special import iv, jv

from tests.fluid import TENOR_SAX, Tone, need_fluidsynth, render
from tests.pinned_takes import in_room
from vibstudy import cli, measure_recording
from vibstudy.errors import VibstudyError
from vibstudy.playing.resynthesis import cut_note, cut_out, scale_vibrato, vibrato_cents
from vibstudy.playing.tones import (
    HIGHEST_PEAK_DBFS,
    SAMPLE_RATE_HZ,
    ToneRequest,
    ToneSpec,
    describe,
    ladder,
    make_tone,
    numbers_from_text,
    pitch_cents,
    pitch_from_text,
    rate_from_pulses,
    write_tones,
)


def measured(spec: ToneSpec, folder: Path) -> pd.Series:
    """What the tool itself finds in the tone, as written to a file."""
    path = folder / "tone.wav"
    pad = np.zeros(SAMPLE_RATE_HZ // 4)
    sf.write(path, np.concatenate([pad, make_tone(spec), pad]), SAMPLE_RATE_HZ, subtype="PCM_24")
    notes = measure_recording(path)
    return notes.loc[notes["duration_s"].idxmax()]


def line_amplitude(sound: np.ndarray, frequency_hz: float) -> complex:
    """Amplitude of one spectral line (Hann window, whose side lobes do not reach the next line)."""
    window = np.hanning(len(sound))
    t = np.arange(len(sound)) / SAMPLE_RATE_HZ
    return 2 * np.sum(window * sound * np.exp(-2j * np.pi * frequency_hz * t)) / window.sum()


def sidebands(spec: ToneSpec) -> tuple[float, float]:
    """Rate and extent from the sidebands of a pure tone.

    With a = extent * ln 2 / 1200 the frequency is f0 exp(a sin wt) = f0 (I0(a) + 2 I1(a) sin wt + ...)
    (Abramowitz & Stegun 9.6.35), so that the carrier stands at f0 I0(a) and the modulation index is
    2 f0 I1(a) / rate; the line n rates away has the amplitude |J_n(index)| (ibid. 9.1.42).
    """
    sound = make_tone(spec)
    sound = sound[SAMPLE_RATE_HZ // 10 : -SAMPLE_RATE_HZ // 10]  # without the fades
    a = spec.extent_cents * np.log(2) / 1200
    carrier_hz = spec.pitch_hz * iv(0, a)

    def power(rate_hz: float) -> float:
        return -sum(abs(line_amplitude(sound, carrier_hz + n * rate_hz)) ** 2 for n in (-2, -1, 1, 2))

    bounds = (spec.rate_hz - 0.1, spec.rate_hz + 0.1)
    rate_hz = minimize_scalar(power, bounds=bounds, method="bounded", options={"xatol": 1e-5}).x
    lines = np.array(
        [
            np.hypot(*(abs(line_amplitude(sound, carrier_hz + side * n * rate_hz)) for side in (-1, 1)))
            / np.sqrt(2)
            for n in range(4)
        ]
    )
    lines /= np.sqrt(lines[0] ** 2 + 2 * np.sum(lines[1:] ** 2))

    def misfit(extent_cents: float) -> float:
        index = 2 * spec.pitch_hz * iv(1, extent_cents * np.log(2) / 1200) / rate_hz
        model = np.abs(jv(np.arange(4), index))
        model /= np.sqrt(model[0] ** 2 + 2 * np.sum(model[1:] ** 2))
        return float(np.sum((model - lines) ** 2))

    bounds = (0.5 * spec.extent_cents, 1.5 * spec.extent_cents)
    return rate_hz, minimize_scalar(misfit, bounds=bounds, method="bounded", options={"xatol": 1e-6}).x


CASES = [(440.0, 5.0, 20.0), (233.08, 4.8, 35.0), (311.13, 7.0, 50.0), (587.33, 6.2, 8.0)]


@pytest.mark.parametrize(("pitch_hz", "rate_hz", "extent_cents"), CASES)
def test_bessel_sidebands_are_those_asked_for(pitch_hz, rate_hz, extent_cents):
    spec = ToneSpec(pitch_hz, rate_hz, extent_cents, timbre="pure", duration_s=8)
    found_rate, found_extent = sidebands(spec)
    assert found_rate == pytest.approx(rate_hz, abs=0.01)
    assert found_extent == pytest.approx(extent_cents, abs=0.2)


@pytest.mark.parametrize("waveform", ["sine", "triangle"])
@pytest.mark.parametrize(("pitch_hz", "rate_hz", "extent_cents"), CASES[:3])
def test_the_tool_measures_what_was_asked_for(waveform, pitch_hz, rate_hz, extent_cents, tmp_path):
    note = measured(ToneSpec(pitch_hz, rate_hz, extent_cents, waveform=waveform), tmp_path)
    assert note["has_vibrato"]
    assert note["pitch_hz"] == pytest.approx(pitch_hz, rel=1e-3)
    assert note["rate_hz"] == pytest.approx(rate_hz, abs=0.01)
    assert note["extent_cents"] == pytest.approx(extent_cents, abs=0.2)
    assert note["waveform"] == pytest.approx(float(waveform == "triangle"), abs=0.1)


def test_delay_growth_and_level_are_measured_too(tmp_path):
    spec = ToneSpec(
        330,
        5.5,
        30,
        delay_s=0.8,
        growth_cents_per_s=8,
        intensity_db=2,
        intensity_phase_deg=60,
        duration_s=4.8,
    )
    note = measured(spec, tmp_path)
    assert note["vibrato_onset_s"] == pytest.approx(0.8, abs=0.08)
    assert note["extent_growth_cents_per_s"] == pytest.approx(8, abs=0.8)
    assert note["extent_cents"] == pytest.approx(30, abs=1.0)
    assert note["intensity_depth_db"] == pytest.approx(2, abs=0.15)
    assert note["intensity_phase_rad"] == pytest.approx(np.pi / 3, abs=0.1)


def test_triangle_is_exact():
    """Half of peak-to-peak is the extent, it is straight between, and it starts upwards from the centre."""
    spec = ToneSpec(440, 4, 60, waveform="triangle")
    found = pitch_cents(spec, np.array([0, 1 / 32, 1 / 16, 1 / 8, 3 / 16]))
    np.testing.assert_allclose(found, [0, 30, 60, 0, -60], atol=1e-9)


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"delay_s": 0.5, "growth_cents_per_s": 8},
        {"waveform": "triangle", "intensity_db": 3, "intensity_phase_deg": 90, "delay_s": 0.37},
        {"timbre": "pure", "extent_cents": 300.0, "rate_hz": 8.0},
    ],
)
def test_no_clicks_and_a_limited_peak(options):
    """A click is a sample that a smooth sound of this band would not hold: nothing above the partials."""
    sound = make_tone(ToneSpec(**{"duration_s": 2.0, **options}))
    assert np.abs(sound).max() == pytest.approx(0.1)
    assert abs(sound[0]) < 1e-4 and abs(sound[-1]) < 1e-4
    high = sosfiltfilt(butter(8, 16_000, "high", fs=SAMPLE_RATE_HZ, output="sos"), sound)
    assert np.abs(high).max() < 1e-5  # -100 dBFS
    broken = sound.copy()
    broken[SAMPLE_RATE_HZ:] *= -1  # the check would hear a jump
    assert (
        np.abs(sosfiltfilt(butter(8, 16_000, "high", fs=SAMPLE_RATE_HZ, output="sos"), broken)).max() > 1e-5
    )


def test_loud_tones_are_refused():
    assert HIGHEST_PEAK_DBFS == -12
    with pytest.raises(VibstudyError, match="-11"):
        ToneSpec(peak_dbfs=-11)


def test_all_problems_at_once():
    with pytest.raises(VibstudyError) as error:
        ToneSpec(pitch_hz=5, rate_hz=99, waveform="square", growth_cents_per_s=99)
    assert len(error.value.problems) == 4


def test_limits_of_an_extent_are_told_with_their_sign():
    with pytest.raises(VibstudyError, match=r"extent_cents is outside ± 0 to ± 600 cents \(got '700'\)"):
        ToneSpec(extent_cents=700)


def test_pulses_to_a_beat():
    """Four to a beat at 72 are 288 a minute (arithmetic)."""
    assert rate_from_pulses(4, 72) == pytest.approx(288 / 60)
    assert ToneRequest(pulses=4, beat_bpm=72).rates_hz() == pytest.approx([4.8])
    with pytest.raises(VibstudyError, match="metronome"):
        ToneRequest(pulses=4).rates_hz()


@pytest.mark.parametrize(("text", "hz"), [("440", 440), ("A4", 440), ("Bb3", 233.0819), ("C4", 261.6256)])
def test_pitches(text, hz):
    """Tempered frequencies at A4 = 440 Hz (ISO 16), handbook values."""
    assert pitch_from_text(text) == pytest.approx(hz, abs=1e-3)


def test_words_that_mean_nothing_are_told():
    for call in (lambda: pitch_from_text("H9x"), lambda: numbers_from_text("5;6", "the rate")):
        with pytest.raises(VibstudyError):
            call()


def test_ladders():
    base = ToneSpec()
    assert [s.extent_cents for s in ladder(base, [5], [0, 10, 40])] == [0, 10, 40]
    assert [s.rate_hz for s in ladder(base, [4, 5, 6], [20])] == [4, 5, 6]
    with pytest.raises(VibstudyError, match="not in both"):
        ladder(base, [4, 5], [10, 20])


def test_a_ladder_in_a_file(tmp_path, capsys):
    code = cli.main(
        [
            "tone",
            str(tmp_path / "l.wav"),
            "--extent",
            "10,40",
            "--duration",
            "1",
            "--pulses",
            "4",
            "--beat",
            "72",
        ]
    )
    out = capsys.readouterr().out
    assert code == 0
    assert "Caution" in out and "4.8 Hz" in out and "± 40 cents" in out
    notes = measure_recording(tmp_path / "l.wav")
    assert notes["extent_cents"].tolist() == pytest.approx([10, 40], abs=0.5)
    assert notes["rate_hz"].tolist() == pytest.approx([4.8, 4.8], abs=0.05)


def test_a_bad_request_leaves_no_file(tmp_path, capsys):
    assert cli.main(["tone", str(tmp_path / "l.wav"), "--level", "-3"]) == 2
    assert cli.main(["tone", str(tmp_path / "no" / "l.wav")]) == 2
    assert "Traceback" not in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_growth_with_a_ladder_is_checked_for_each_step(tmp_path):
    with pytest.raises(VibstudyError, match="below 0"):
        write_tones(ToneRequest(extent="5,40"), tmp_path / "l.wav", growth_cents_per_s=10)


# --- real notes


NOTE = Tone(0.4, 2.0, 58)


@pytest.fixture(scope="module")
def saxophone(tmp_path_factory):
    need_fluidsynth()
    return render(tmp_path_factory.mktemp("sax") / "sax.wav", [NOTE], TENOR_SAX, cc1=127)


def remaining_cents(sound: np.ndarray, sample_rate_hz: float) -> float:
    """Extent at the published 8.176 Hz, from the phase of the fundamental (scipy's analytic signal)."""
    band = butter(4, [NOTE.pitch_hz * 0.75, NOTE.pitch_hz * 1.3], "band", fs=sample_rate_hz, output="sos")
    phase = np.unwrap(np.angle(hilbert(sosfiltfilt(band, sound))))
    t = np.arange(len(sound)) / sample_rate_hz
    inside = (t > 0.3) & (t < 1.5)
    t, phase = t[inside], phase[inside]
    w = 2 * np.pi * 8.176
    columns = np.column_stack([np.cos(w * t), np.sin(w * t), *(t**k for k in range(6))])
    a, b = np.linalg.lstsq(columns, phase, rcond=None)[0][:2]
    return float(np.hypot(a, b) * w / (2 * np.pi * NOTE.pitch_hz) * 1200 / np.log(2))


def envelope_db(sound: np.ndarray, sample_rate_hz: float) -> np.ndarray:
    """Level around each of twenty harmonics (whole spectrum, half way to the next harmonics)."""
    power = np.abs(np.fft.rfft(sound)) ** 2
    order = np.fft.rfftfreq(len(sound), 1 / sample_rate_hz) / NOTE.pitch_hz
    return 10 * np.log10([power[np.abs(order - k) < 0.5].sum() for k in range(1, 21)])


def test_vibrato_removed_halved_doubled(saxophone, tmp_path):
    note = cut_note(saxophone, 1.2)
    assert remaining_cents(note.samples, note.rate_hz) == pytest.approx(
        50 * 127 / 128 * 8 / np.pi**2, abs=1.5
    )
    plain = envelope_db(note.samples, note.rate_hz)
    for factor in (0.0, 0.5, 2.0):
        sound = scale_vibrato(note, factor)
        assert len(sound) == len(note.samples)
        assert remaining_cents(sound, note.rate_hz) == pytest.approx(factor * 50 * 0.804, abs=2)
        if factor < 1:
            assert np.abs(envelope_db(sound, note.rate_hz) - plain).max() < 1.5
        path = tmp_path / f"{factor}.wav"
        sf.write(path, sound, round(note.rate_hz), subtype="PCM_24")
        found = measure_recording(path)
        extent = found.loc[found["duration_s"].idxmax(), "extent_cents"]
        if factor == 0:
            assert pd.isna(extent) or extent <= 2
        else:
            assert extent == pytest.approx(factor * 49.6, abs=2)


def test_the_unchanged_note_is_unchanged(saxophone):
    note = cut_note(saxophone, 1.2)
    np.testing.assert_array_equal(scale_vibrato(note, 1.0), note.samples)
    with pytest.raises(VibstudyError):
        scale_vibrato(note, -1)


def test_level_vibrato_is_taken_away_too(tmp_path):
    path = tmp_path / "t.wav"
    spec = ToneSpec(294, 5.5, 40, intensity_db=3, duration_s=2.5)
    pad = np.zeros(SAMPLE_RATE_HZ // 4)
    sf.write(path, np.concatenate([pad, make_tone(spec), pad]), SAMPLE_RATE_HZ, subtype="PCM_24")
    note = cut_note(path, 1.5)
    straight = scale_vibrato(note, 0.0, level=True)
    sf.write(path, straight, round(note.rate_hz), subtype="PCM_24")
    found = measure_recording(path)
    row = found.loc[found["duration_s"].idxmax()]
    assert pd.isna(row["extent_cents"]) or row["extent_cents"] < 2
    assert pd.isna(row["intensity_depth_db"]) or row["intensity_depth_db"] < 0.3


@pytest.mark.parametrize("seed", [0, 1])
def test_in_a_room_the_whole_vibrato_is_changed(seed):
    """Far from the microphone: read as a window reads it, a quarter or less of this vibrato would go."""
    spec = ToneSpec(pitch_hz=330.0, rate_hz=6.0, extent_cents=30.0, duration_s=2.0)
    dry = resample_poly(make_tone(spec), 1, 2)
    rate_hz = SAMPLE_RATE_HZ // 2
    before = np.zeros(round(0.2 * rate_hz))
    heard = in_room(np.random.default_rng(seed), np.concatenate([before, dry]), 2.0, 0.5)
    note = cut_out(heard, rate_hz, 0.2, 2.2)
    assert note.fit.extent_cents == pytest.approx(30.0, rel=0.03)
    hann = np.hanning(len(note.line.time_s))
    turn = np.exp(-2j * np.pi * spec.rate_hz * note.line.time_s)
    assert 2 * abs(np.sum(hann * turn * vibrato_cents(note))) / hann.sum() == pytest.approx(30.0, rel=0.05)


def test_versions_from_the_command_line(saxophone, tmp_path, capsys):
    words = ["tone", str(tmp_path / "n.wav"), "--from", str(saxophone)]
    assert cli.main(words) == 2  # which note?
    assert cli.main([*words, "--at", "99"]) == 2
    assert "nearest lasts from" in capsys.readouterr().err
    assert cli.main([*words, "--at", "1.2"]) == 0
    out = capsys.readouterr().out
    assert "Rights" in out and "Caution" in out
    names = sorted(path.name for path in tmp_path.iterdir())
    assert names == ["n_as_played.wav", "n_doubled.wav", "n_halved.wav", "n_without.wav"]
    for path in tmp_path.iterdir():
        assert np.abs(sf.read(path)[0]).max() <= 0.1001


@pytest.mark.parametrize(("extent", "side"), [(20.0, "not above"), (20.4, "above")])
def test_a_tone_at_the_fusion_limit_is_not_above_it(extent, side):
    """Common practice: at 5 Hz, 20 cents *or less* are heard as richer tone."""
    assert f"; {side} the fusion limit" in describe(ToneSpec(rate_hz=5.0, extent_cents=extent))


def test_a_level_that_is_too_high_is_named_as_on_the_command_line(tmp_path, capsys):
    assert cli.main(["tone", str(tmp_path / "a.wav"), "--level", "0"]) != 0
    assert "the level" in capsys.readouterr().err
