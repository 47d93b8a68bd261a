"""Ranges of instruments, and notes above and below what the tracker's network hears by itself.

Names and frequencies of notes: equal temperament at A4 = 440 Hz (ISO 16).
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.signals import RATE_HZ, tone
from vibstudy.corpus.settings import Settings
from vibstudy.pitch.ranges import RANGES_MIDI, range_hz, range_midi
from vibstudy.pitch.trackers import track_line
from vibstudy.recording.found import within_range


@pytest.mark.parametrize(
    ("words", "name"),
    [
        ("flute", "flute"),
        ("Alto Flute", "alto flute"),
        ("tenor sax", "tenor saxophone"),
        ("Bass clarinet in B-flat", "bass clarinet"),
        ("French horn", "horn"),
        ("double-bass", None),
        ("double bass", "double bass"),
        ("voice (soprano)", "soprano"),
        ("theremin", None),
        ("", None),
        (None, None),
        (np.nan, None),
    ],
)
def test_the_longest_name_that_fits_counts(words, name):
    assert range_midi(words) == (RANGES_MIDI[name] if name else None)


def test_ranges_in_hz():
    """A4 = 440 Hz, C4 = 261.63 Hz (ISO 16); lowest notes of violin (G3) and cello (C2): common practice."""
    assert range_hz("violin")[0] == pytest.approx(196.00, abs=0.01)
    assert range_hz("cello")[0] == pytest.approx(65.41, abs=0.01)
    low, high = range_hz("oboe", 2.0)
    assert low == pytest.approx(range_hz("oboe")[0] / 2 ** (2 / 12))
    assert high == pytest.approx(range_hz("oboe")[1] * 2 ** (2 / 12))
    assert all(low < high for low, high in RANGES_MIDI.values())


def test_the_range_is_looked_for_unless_the_study_says_otherwise():
    own = within_range(Settings(), {"instrument": "contrabassoon"})
    assert own.fmin_hz < 30 and own.fmax_hz < 600
    assert within_range(Settings(), {"instrument": "theremin"}) == Settings()
    assert within_range(Settings(), {}) == Settings()
    said = Settings(fmin_hz=100.0)
    assert within_range(said, {"instrument": "contrabassoon"}) == said


@pytest.mark.parametrize(
    ("f0_hz", "fmin_hz"),
    [(36.7, 27.0), (58.0, 45.0), (880.0, 45.0), (2349.3, 45.0), (3520.0, 45.0), (4100.0, 45.0)],
)
def test_high_and_low_notes_are_heard_where_they_are(f0_hz, fmin_hz):
    """D1, B flat 1, A5, D7, A7 and about C8."""
    sound = tone(np.random.default_rng(1), f0_hz=f0_hz, extent_cents=10.0, duration_s=0.8, snr_db=30)
    line = track_line(sound.samples, RATE_HZ, fmin_hz=fmin_hz)
    inside = (line.time_s > sound.onset_s + 0.1) & (line.time_s < sound.offset_s - 0.1)
    assert np.mean(line.voiced[inside]) > 0.9
    assert np.nanmedian(line.f0_hz[inside]) == pytest.approx(f0_hz, rel=0.01)


def test_strong_upper_harmonics_make_no_high_note():
    """A tone of 400 Hz whose fifth and sixth harmonics are the strongest by 10 dB."""
    time_s = np.arange(round(0.8 * RATE_HZ)) / RATE_HZ
    sound = sum((0.3 if k in (5, 6) else 0.1) * np.cos(2 * np.pi * 400 * k * time_s) for k in range(1, 11))
    line = track_line(sound.astype(np.float32), RATE_HZ)
    assert np.nanmedian(line.f0_hz) == pytest.approx(400, rel=0.01)
    assert not np.any(line.f0_hz > 1000)
