"""A note in another manner: what was asked for is what is measured, and nothing clicks."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from scipy.signal import hilbert

from tests import signals
from vibstudy.errors import VibstudyError
from vibstudy.pitch.refine import refine_note
from vibstudy.pitch.trackers import track_line
from vibstudy.playing.manner import Manner, in_manner, manner_cents, typical_manner
from vibstudy.playing.resynthesis import PAD_S, cut_out
from vibstudy.vibrato.note import measure_note

LASTS_S = 1.6


@pytest.fixture(scope="module")
def notes():
    """A note with vibrato of pitch and level, and a straight one."""
    rng = np.random.default_rng(31)
    kinds = {
        "vibrato": {"extent_cents": 40, "level_db": 1.5, "level_lead_rad": 0.5, "rate_cv": 0.05},
        "straight": {"extent_cents": 0},
    }
    cut = {}
    for name, kind in kinds.items():
        tone = signals.tone(rng, f0_hz=330, rate_hz=5.3, duration_s=LASTS_S, **kind)
        cut[name] = cut_out(tone.samples, signals.RATE_HZ, tone.onset_s, tone.offset_s, straight=True)
    return cut


def measured(sound: np.ndarray):
    sound = sound.astype(np.float32)
    line = refine_note(sound, signals.RATE_HZ, track_line(sound, signals.RATE_HZ), PAD_S, PAD_S + LASTS_S)
    return measure_note(line)


@pytest.mark.parametrize("name", ["vibrato", "straight"])
@pytest.mark.parametrize("manner", [Manner(6.5, 20), Manner(4.5, 60, 0.3)], ids=["quiet", "late"])
def test_the_vibrato_asked_for_is_the_one_measured(notes, name, manner):
    sound = in_manner(notes[name], manner)
    values, fit = measured(sound)
    assert fit.rate_hz == pytest.approx(manner.rate_hz, abs=0.05)
    assert fit.extent_cents == pytest.approx(manner.extent_cents, abs=1.0)
    assert values["vibrato_onset_s"] == pytest.approx(manner.delay_s, abs=0.05)
    if name == "vibrato":  # the level goes with it, at the new rate
        assert values["intensity_depth_db"] == pytest.approx(1.5, abs=0.4)


def test_a_growing_vibrato_goes_whole():
    """What is left of it would beat with a quiet new one."""
    since_s = np.linspace(0, LASTS_S, 4000)
    growing = (10 + 40 * since_s / LASTS_S) * np.sin(2 * np.pi * 5.3 * since_s)
    tone = signals.tone(
        np.random.default_rng(32), f0_hz=330, extent_cents=0, duration_s=LASTS_S, snr_db=50, cents=growing
    )
    note = cut_out(tone.samples, signals.RATE_HZ, tone.onset_s, tone.offset_s)
    _, fit = measured(in_manner(note, Manner(4.0, 5.0)))
    assert fit.rate_hz == pytest.approx(4.0, abs=0.05)
    assert fit.extent_cents == pytest.approx(5.0, abs=0.1)


def test_a_straight_manner_takes_the_vibrato_away(notes):
    assert measured(in_manner(notes["vibrato"], Manner(5, 0)))[1] is None


def test_nothing_clicks_and_the_envelope_stays(notes):
    note = notes["vibrato"]
    sound = in_manner(note, Manner(6.0, 50, 0.2, 0.05, 0.1), seed=3)
    assert len(sound) == len(note.samples)
    # a click is a step: the largest one is no larger than the sound's own, higher pitch allowed for
    assert np.abs(np.diff(sound, 2)).max() < 1.3 * np.abs(np.diff(note.samples, 2)).max()
    window = np.hanning(
        round(0.4 * signals.RATE_HZ)
    )  # over two cycles and more: the level in step is its own

    def envelope_db(x: np.ndarray) -> np.ndarray:
        return 10 * np.log10(np.convolve(np.abs(hilbert(x)) ** 2, window / window.sum(), "valid"))

    assert np.abs(envelope_db(sound) - envelope_db(note.samples)).max() < 1.5


def test_cycles_differ_as_asked_and_by_the_seed():
    manner = Manner(5.0, 30.0, 0.0, 0.1, 0.2)
    time_s = np.arange(0, 20, 0.001)
    cents, phase = manner_cents(manner, time_s, 20.0, np.random.default_rng(1))
    begins = np.interp(2 * np.pi * np.arange(101), phase, time_s)
    rates = 1 / np.diff(begins)
    assert 1 / np.diff(begins).mean() == pytest.approx(5.0, rel=0.01)
    assert rates.std() / rates.mean() == pytest.approx(0.1, abs=0.015)
    peaks = [np.abs(cents[(time_s >= a) & (time_s < b)]).max() for a, b in pairwise(begins)]
    assert np.mean(peaks) == pytest.approx(30.0, rel=0.03)
    assert 0.1 < np.std(peaks) / np.mean(peaks) < 0.25
    again, _ = manner_cents(manner, time_s, 20.0, np.random.default_rng(1))
    other, _ = manner_cents(manner, time_s, 20.0, np.random.default_rng(2))
    assert np.array_equal(cents, again) and not np.array_equal(cents, other)


def test_a_typical_manner_counts_every_player_the_same():
    notes = pd.DataFrame(
        {
            "player": ["A"] * 9 + ["B"],
            "rate_hz": [5.0] * 9 + [7.0],
            "extent_cents": [20.0] * 9 + [40.0],
            "vibrato_onset_s": 0.1,
            "rate_irregularity": 0.05,
            "extent_irregularity": np.nan,
        }
    )
    manner = typical_manner(notes)
    assert manner.rate_hz in (5.0, 7.0) and manner.extent_irregularity == 0.0
    two = pd.concat([notes, notes[notes["player"] == "B"].assign(player="C")], ignore_index=True)
    assert typical_manner(two) == Manner(7.0, 40.0, 0.1, 0.05, 0.0)
    with pytest.raises(VibstudyError, match="no note with vibrato"):
        typical_manner(notes.head(0))


def test_what_cannot_be_asked_for_is_told_at_once():
    with pytest.raises(VibstudyError) as error:
        Manner(40.0, -1.0, np.nan)
    assert len(error.value.problems) == 3
