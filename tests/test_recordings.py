"""Recordings as they are, small and quick: the bars of benchmarks/recordings.py on a few takes.

The soloists are sampled winds played by FluidSynth from a General MIDI SoundFont; their vibrato is the
SoundFont's own oscillator (SoundFont Technical Specification 2.04, sections 8.1.3, 8.4.6, 9.6), set note by
note. The truth under accompaniment is the same take alone.
"""

from __future__ import annotations

import shutil
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fluid import need_fluidsynth
from signals import RATE_HZ, tone
from vibstudy.pitch.company import look_around
from vibstudy.pitch.contour import Contour
from vibstudy.pitch.octaves import carries, lower_odds, octave_below, settle_octaves, share_between
from vibstudy.pitch.refine import refine_note
from vibstudy.pitch.trackers import track_line
from vibstudy.recording import find_note
from vibstudy.sound.reading import Audio
from vibstudy.vibrato.covered import is_covered
from vibstudy.vibrato.note import measure_note

sys.path.insert(0, str(Path(__file__).parent.parent / "benchmarks"))

import recordings as bench

ANDANTE = next(melody for melody in bench.MELODIES if melody.name == "andante")
TENOR, CLARINET, *_ = bench.SOLOISTS


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    need_fluidsynth()
    return tmp_path_factory.mktemp("takes")


@pytest.fixture(scope="module")
def take(folder):
    """A clarinet's line with vibrato on most notes, its sound, and what is measured of it alone."""
    line = bench.solo_line(ANDANTE, CLARINET, np.random.default_rng(5))
    sound = bench.render(line, CLARINET.program, folder / "solo.wav")
    return line, sound, bench.measured(sound, folder).notes


def compared(take, folder: Path, kind: str, below_db: float) -> pd.DataFrame:
    line, sound, alone = take
    if kind == "second wind":
        other = bench.render(bench.second_line(line), 68, folder / "other.wav")
    else:
        held = kind == "strings"
        other = bench.render(
            bench.chords(ANDANTE, CLARINET, held), bench.ACCOMPANIMENTS[kind], folder / f"{kind}.wav"
        )
    mix = bench.measured(bench.mixed(sound, other, below_db), folder).notes
    return bench.judged(bench.compare(line, alone, mix))


def test_oscillator_of_the_soundfont_is_measured_at_any_rate(take):
    """The published figure: rate as set, extent 50 cents times controller / 128."""
    line, _, alone = take
    off = []
    for note in line:
        heard = bench._sharing(alone, note, 0.5)
        if note.depth and note.offset_s - note.onset_s > 0.7 and not heard.empty:
            row = heard.iloc[0]
            off.append((row["rate_hz"] - note.rate_hz, row["extent_cents"] - 50.0 * note.depth / 128))
    rate_off, extent_off = np.abs(np.array(off)).T
    assert len(off) >= 8
    assert np.median(rate_off) < 0.03 and np.median(extent_off) < 0.7
    assert rate_off.max() < 0.25 and extent_off.max() < 4


@pytest.mark.parametrize(("kind", "right"), [("piano", 0.9), ("strings", 0.75)])
def test_soloist_is_followed_through_company_as_loud(take, folder, kind, right):
    rows = compared(take, folder, kind, 0.0)
    found = bench.summary(rows)
    assert found["found on the right pitch"] >= right
    assert found["right or flagged, of those found"] >= 0.97
    assert found["wrong, yet ok"] <= 0.1  # one of few: the benchmark counts hundreds


def test_soft_piano_leaves_figures_right(take, folder):
    """A piano 12 dB softer: most notes can be used, and they are right."""
    rows = compared(take, folder, "piano", 12.0)
    found = bench.summary(rows)
    assert found["found on the right pitch"] >= 0.95  # the tracker hears two B4 a twelfth too high
    assert not (rows["off_pitch"] & rows["ok"] & rows["solo"]).any()
    assert found["marked ok"] >= 0.6
    assert found["wrong, yet ok"] == 0
    assert found["extent error, median (c)"] <= 1


def test_second_wind_as_loud_is_right_or_flagged(take, folder):
    assert (
        bench.summary(compared(take, folder, "second wind", 0.0))["right or flagged, of those found"] >= 0.97
    )


def test_worn_disc_played_slow(take, folder):
    """Wow, clicks, narrow band, noise 10 dB below and 4 % slow: rate and extent come out, given the speed."""
    line, sound, _ = take
    thrice = np.tile(sound, 3)  # as long as a side, so that wow can be told from drift
    length = len(sound) / bench.RATE_HZ
    longer = [
        replace(note, onset_s=note.onset_s + k * length, offset_s=note.offset_s + k * length)
        for k in range(3)
        for note in line
    ]
    alone = bench.measured(thrice, folder).notes
    disc = bench.through_disc(thrice, np.random.default_rng(2))
    found = bench.measured(disc, folder, speed_factor=bench.DISC_SPEED)
    assert found.recording["wow_hz"] == pytest.approx(bench.DISC_WOW_HZ, abs=0.02)
    assert found.recording["wow_percent"] == pytest.approx(100 * bench.DISC_WOW, abs=0.08)
    rows = bench.judged(bench.compare(longer, alone, found.notes))
    ok = rows[rows["known"] & rows["ok"]]
    assert len(ok) > 10
    assert ok["rate_error"].quantile(0.95) < 0.05
    assert ok["extent_error"].quantile(0.95) < 2
    assert not (ok["has_vibrato"].fillna(False) & (ok["true_extent"] == 0)).any()


def test_tuning_of_a_mistuned_duo(folder):
    """MIDI master tuning (RPN 1) is the truth; the samples' own tuning is taken off."""
    off = {}
    for tuning_hz in (440.0, 428.0):
        cents = float(1200 * np.log2(tuning_hz / 440))
        line = bench.solo_line(ANDANTE, TENOR, np.random.default_rng(1))
        solo = bench.render(line, TENOR.program, folder / f"tuned_{tuning_hz:.0f}.wav", cents)
        piano = bench.render(
            bench.chords(ANDANTE, TENOR, False), 0, folder / f"tuned_piano_{tuning_hz:.0f}.wav", cents
        )
        found = bench.measured(bench.mixed(solo, piano, 6.0), folder).recording["tuning_hz"]
        off[tuning_hz] = 1200 * np.log2(found / tuning_hz)
    assert off[428.0] - off[440.0] == pytest.approx(0, abs=2)


def test_odd_files_give_a_row_each(tmp_path):
    if shutil.which("ffmpeg") is None:
        pytest.skip("needs ffmpeg: apt-get install ffmpeg")
    log = bench.odd(tmp_path, 1).set_index("recording_id")
    good = {"silence_wav", "offset_wav", "cut_off_mp3", "video_mp4", "wrong_ending_wav", "noise_wav"}
    assert set(log.index[log["success"].astype(bool)]) == good
    failed = log[~log["success"].astype(bool)]
    assert set(failed.index) == {
        "no_bytes_wav", "no_samples_wav", "one_sample_wav", "not_numbers_wav", "text_wav"
    }  # fmt: skip
    assert failed["message"].str.len().min() > 20
    assert not failed["message"].str.contains("Traceback|Error").any()
    assert (log.loc[["offset_wav", "video_mp4", "wrong_ending_wav"], "notes"] == 4).all()
    assert log.loc["silence_wav", "notes"] == 0
    for name, words in (
        ("silence_wav", "silent"),
        ("cut_off_mp3", "ends early"),
        ("wrong_ending_wav", "MP3"),
    ):
        assert words in log.loc[name, "remarks"]


# --- the parts


def held(hz: float, seconds: float, **options) -> tuple:
    sound = tone(np.random.default_rng(4), f0_hz=hz, duration_s=seconds, **options)
    return sound, track_line(sound.samples, RATE_HZ)


def test_snr_is_that_of_white_noise():
    """Truth by arithmetic: the noise in the band of the harmonics used."""
    for snr_db in (30.0, 20.0, 10.0):
        sound, contour = held(440.0, 1.5, snr_db=snr_db)
        line = refine_note(sound.samples, RATE_HZ, contour, sound.onset_s + 0.03, sound.offset_s - 0.03)
        used = len(line.harmonic_db)
        expected = snr_db - 10 * np.log10(used * 440.0 / (RATE_HZ / 2))
        assert line.snr_db == pytest.approx(expected, abs=1.5)


def test_halves_hold_error_only():
    """Both halves carry the same vibrato: their difference is far smaller, and grows with the noise."""
    sizes = []
    for snr_db in (40.0, 15.0):
        sound, contour = held(330.0, 1.2, snr_db=snr_db, extent_cents=40.0)
        line = refine_note(sound.samples, RATE_HZ, contour, sound.onset_s + 0.03, sound.offset_s - 0.03)
        sizes.append(np.std(np.gradient(line.halves, line.hop_s)))
        assert sizes[-1] < 0.2 * np.std(line.cents)
        assert 0.15 < line.balance <= 0.5
        assert not is_covered(line, measure_note(line)[0])
    assert sizes[0] < sizes[1]


def test_a_rival_and_the_octave_below_are_seen():
    sound, contour = held(440.0, 1.2, snr_db=50.0, extent_cents=20.0)
    span = (sound.onset_s + 0.03, sound.offset_s - 0.03)
    line = refine_note(sound.samples, RATE_HZ, contour, *span)
    alone = look_around(sound.samples, RATE_HZ, line)
    assert alone.rival_db < -15 and alone.below_db < -20
    other, _ = held(587.3, 1.2, snr_db=50.0, extent_cents=20.0)
    assert look_around(sound.samples + other.samples, RATE_HZ, line).rival_db == pytest.approx(0, abs=2)
    # the same sound taken an octave too high: its odd harmonics stand between the lines
    high = Contour(contour.time_s, 2 * contour.f0_hz, contour.confidence, contour.tracker)
    wrong = refine_note(sound.samples, RATE_HZ, high, *span)
    assert look_around(sound.samples, RATE_HZ, wrong).below_db > 0
    third = Contour(contour.time_s, 3 * contour.f0_hz, contour.confidence, contour.tracker)
    higher = refine_note(sound.samples, RATE_HZ, third, *span)
    assert look_around(sound.samples, RATE_HZ, higher).twelfth_db > 0
    # refined at the true pitch, the harmonics between have their share; at a pitch too low, they have none
    assert lower_odds(line, 0.0) > 0
    assert share_between(line, 3) > 0.5
    low = Contour(contour.time_s, contour.f0_hz / 2, contour.confidence, contour.tracker)
    lower = refine_note(sound.samples, RATE_HZ, low, *span)
    assert lower_odds(lower, alone.below_db) < -5
    assert carries(line, wrong) and not carries(lower, line)
    # another player's straight note an octave below sounds between the lines, but does not move as they do
    bass, _ = held(220.0, 1.2, snr_db=50.0, extent_cents=0.0)
    both = sound.samples + 0.5 * bass.samples
    held_line = refine_note(both, RATE_HZ, contour, *span)
    assert not carries(refine_note(both, RATE_HZ, low, *span), held_line)


def test_a_line_an_octave_too_high_is_mended_by_the_sound_unless_the_octave_was_told():
    sound, contour = held(294.0, 1.2, snr_db=20.0, extent_cents=20.0)
    high = Contour(contour.time_s, 2 * contour.f0_hz, contour.confidence, contour.tracker)
    audio = Audio(
        samples=sound.samples,
        rate_hz=RATE_HZ,
        file_rate_hz=RATE_HZ,
        channels=1,
        duration_s=len(sound.samples) / RATE_HZ,
        channel="mono",
        sha256="",
        peak=1.0,
        clipped_fraction=0.0,
        speed_factor=1.0,
        start_s=0.0,
    )
    note = {"onset_s": sound.onset_s, "offset_s": sound.offset_s}
    mended = find_note(audio, high, note | {"octave_below": 0.0})
    assert mended.line.reference_hz == pytest.approx(294.0, rel=0.002)
    assert "octave_unsure" in mended.reasons
    told = find_note(audio, high, note)
    assert told.line.reference_hz == pytest.approx(2 * 294.0, rel=0.002)


def test_octaves_are_settled_by_a_steady_tracker_only():
    time_s = np.arange(0, 1, 0.016)
    line = Contour(time_s, np.full(len(time_s), 440.0), np.ones(len(time_s)), "")
    for share, settled in ((1.0, 220.0), (0.6, 440.0)):
        f0 = np.where(np.arange(len(time_s)) < share * len(time_s), 220.0, 441.0)
        tracked = Contour(time_s, f0, np.ones(len(time_s)), "")
        assert octave_below(line, tracked, 0.0, 1.0) == pytest.approx(share, abs=0.05)
        after, shares = settle_octaves(line, tracked, [{"onset_s": 0.0, "offset_s": 1.0}])
        assert np.allclose(after.f0_hz, settled)
        assert shares == pytest.approx([share], abs=0.05)
    assert octave_below(line, Contour(np.zeros(0), np.zeros(0), np.zeros(0), ""), 0.0, 1.0) == 0.0
