"""What to expect: rooms and other players take from the figures what they take from a study's notes.

The medium is made by hand: white noise 50 dB below the tones and the whole band, so that what is lost is the
room's or the piano's.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest
import soundfile

from vibstudy import cli
from vibstudy.errors import VibstudyError
from vibstudy.playing.expected import SHOWN, _irregular, _played, expected_errors, expected_of
from vibstudy.playing.piano import chords, struck_string
from vibstudy.sound.media import MediaFindings, find_media
from vibstudy.sound.room import Room

RATE_HZ = 22_050


def test_no_minus_stands_before_a_bias_of_zero():
    shown = {name: pattern.format(-1e-4) for _, name, _, pattern in SHOWN if "bias" in name}
    assert shown == {"extent_bias_cents": "+0.00", "rate_bias_hz": "+0.000"}


@cache
def medium() -> MediaFindings:
    """A quiet one, found in a tone with little noise."""
    import tempfile

    rng = np.random.default_rng(1)
    time_s = np.arange(6 * RATE_HZ) / RATE_HZ
    tone = sum(np.sin(2 * np.pi * 330 * k * time_s) / k for k in range(1, 20)) * (time_s % 2 < 1.5)
    with tempfile.NamedTemporaryFile(suffix=".wav") as file:
        soundfile.write(file.name, 0.1 * tone + 3e-4 * rng.standard_normal(len(time_s)), RATE_HZ)
        return find_media(file.name)


def expected(**asked) -> pd.Series:
    """One cell: 6 Hz, 25 cents."""
    rng = np.random.default_rng(5)
    table = expected_errors(medium(), rng, rates_hz=(6.0,), extents_cents=(25.0,), tones=4, **asked)
    return table.iloc[0]


def test_a_hall_is_not_promised_to_be_free_of_errors():
    dry, hall = expected(), expected(room=Room(2.0, 0.0, 0.0, 0.0))
    assert dry["usable"] == dry["found"] == 1.0
    assert dry["extent_error_cents"] < 0.5
    assert hall["usable"] < 1.0 or hall["extent_error_cents"] > 1.5 * dry["extent_error_cents"]


def test_a_loud_piano_takes_notes():
    assert expected(piano_db=0.0)["usable"] < 1.0


def test_short_notes_have_larger_errors():
    short = expected(tone_s=0.5)
    assert short["rate_error_hz"] > expected()["rate_error_hz"]


def test_truth_is_what_was_played():
    """Extrema of the course against the means told; a steady vibrato against what was asked."""
    rng = np.random.default_rng(2)
    cents, rate, extent = _irregular(rng, 20 * RATE_HZ, 6.0, 30.0)
    turns = np.flatnonzero(np.diff(np.sign(np.diff(cents))))
    assert np.abs(cents[turns]).mean() == pytest.approx(extent, rel=0.01)
    assert len(turns) / 2 / 20 == pytest.approx(rate, abs=0.06)
    assert rate == pytest.approx(6.0, rel=0.02) and extent == pytest.approx(30.0, rel=0.03)


def test_piano_is_as_loud_as_asked():
    alone, _ = _played(np.random.default_rng(3), 440.0, 6.0, 20.0, 2, 1.0, Room(), None)
    both, _ = _played(np.random.default_rng(3), 440.0, 6.0, 20.0, 2, 1.0, Room(), -6.0)
    assert 20 * np.log10((both - alone).std() / alone.std()) == pytest.approx(-6.0, abs=0.01)


def test_a_string_is_slightly_sharp_and_decays():
    """The n-th partial of a stiff string lies at n f sqrt(1 + B n²) (Fletcher 1964, JASA 36:203-209)."""
    hammer = np.zeros(2 * RATE_HZ)
    hammer[0] = 1.0
    sound = struck_string(hammer, 220.0, RATE_HZ)
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound))))
    for number in (1, 5, 8):
        expected_hz = 220.0 * number * np.sqrt(1 + 4e-4 * number**2)
        near = slice(round(2 * (expected_hz - 40)), round(2 * (expected_hz + 40)))
        assert near.start / 2 + spectrum[near].argmax() / 2 == pytest.approx(expected_hz, abs=0.5)
    assert sound[RATE_HZ:].std() < 0.6 * sound[:RATE_HZ].std()
    assert chords(RATE_HZ, RATE_HZ, 440.0, np.random.default_rng(1)).std() == pytest.approx(1.0)


def test_a_room_needs_both_facts(tmp_path):
    path = tmp_path / "dry.wav"
    time_s = np.arange(3 * RATE_HZ) / RATE_HZ
    soundfile.write(path, 0.1 * np.sin(2 * np.pi * 440 * time_s), RATE_HZ)
    with pytest.raises(VibstudyError, match="--direct"):
        expected_of(path, tmp_path / "out", decay_s=2.0)
    assert cli.main(["expect", str(path), "--out", str(tmp_path / "out"), "--decay", "-1"]) == 2
    assert not list(tmp_path.glob("out*"))
