"""The picture of a note with its vibrato taken out: straight where the line is right, and only there."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from vibstudy.errors import VibstudyError
from vibstudy.figures.straight import (
    SHOWN_DB,
    draw_straightened,
    picture_of,
    straightened_picture,
)

RATE_HZ, F0_HZ, EXTENT_CENTS = 22_050, 330.0, 30.0
TIME_S = np.arange(0.0, 1.5, 0.005)
SWING = np.sin(2 * np.pi * 5.5 * TIME_S)


def sung(cents: np.ndarray, noise: float = 0.001) -> np.ndarray:
    """Ten harmonics on a course given at `TIME_S`."""
    at = np.arange(round(1.5 * RATE_HZ)) / RATE_HZ
    turn = 2 * np.pi * np.cumsum(F0_HZ * 2 ** (np.interp(at, TIME_S, cents) / 1200)) / RATE_HZ
    sound = sum(np.sin(k * turn) / k for k in range(1, 11))
    return sound + noise * np.random.default_rng(1).standard_normal(len(at))


def picture(times: float):
    """The picture that a line makes which swings `times` as wide as the note."""
    line = F0_HZ * 2 ** (times * EXTENT_CENTS * SWING / 1200)
    return straightened_picture(sung(EXTENT_CENTS * SWING), RATE_HZ, TIME_S, line)


def test_only_the_true_line_makes_the_note_steady():
    shares = {times: picture(times).straight_share for times in (0.0, 0.7, 1.0, 1.3)}
    assert shares[1.0] > 0.97
    # a third of 30 cents too little or too much still is an index of modulation near 1 at the tenth harmonic
    assert max(shares[0.0], shares[0.7], shares[1.3]) < shares[1.0] - 0.02
    assert shares[0.0] < 0.75
    assert picture(0.0).played_share == pytest.approx(shares[0.0], abs=0.02)


def ridge_cents(level: np.ndarray, frequency_hz: np.ndarray, harmonic: int) -> float:
    """How far the darkest bin about a harmonic wanders (standard deviation), cents."""
    near = np.abs(frequency_hz / F0_HZ - harmonic) < 0.4
    weight = 10 ** (level[near] / 10) * (level[near] > -15)
    centre = (frequency_hz[near, None] * weight).sum(axis=0) / weight.sum(axis=0)
    return float(np.std(1200 * np.log2(centre / (harmonic * F0_HZ))))


def test_waves_are_seen_as_played_and_not_in_the_other():
    seen = picture(1.0)
    for harmonic in (4, 8):
        played = ridge_cents(seen.played_db, seen.frequency_hz, harmonic)
        assert played == pytest.approx(EXTENT_CENTS / np.sqrt(2), rel=0.2)
        assert ridge_cents(seen.straight_db, seen.frequency_hz, harmonic) < 0.1 * played


def test_what_is_shown():
    seen = picture(1.0)
    assert seen.harmonics == 10
    assert seen.pitch_hz == pytest.approx(F0_HZ, rel=0.001)
    assert seen.played_db.shape == seen.straight_db.shape == (len(seen.frequency_hz), len(seen.time_s))
    assert seen.played_db.min() >= -SHOWN_DB and seen.played_db.max() <= 0.0
    grey = seen.grey(straight=True)
    assert grey.dtype == np.uint8 and grey.min() < 10 and grey.max() == 255
    assert "10 harmonics" in seen.words()


def test_harmonics_deep_in_noise_are_left_out():
    line = F0_HZ * 2 ** (EXTENT_CENTS * SWING / 1200)
    noisy = straightened_picture(sung(EXTENT_CENTS * SWING, 2.0), RATE_HZ, TIME_S, line)
    assert 1 <= noisy.harmonics < 10


def test_too_short_or_elsewhere_is_no_picture():
    sound = sung(0 * TIME_S)
    line = np.full(len(TIME_S), F0_HZ)
    assert straightened_picture(sound, RATE_HZ, TIME_S[:40], line[:40]) is None
    assert straightened_picture(sound, RATE_HZ, TIME_S + 1.0, line) is None
    assert straightened_picture(sound, RATE_HZ, TIME_S, np.full(len(TIME_S), np.nan)) is None
    note = pd.Series({"onset_s": 0.1, "offset_s": 0.2})
    with pytest.raises(VibstudyError, match="measured line"):
        picture_of(sound, RATE_HZ, pd.DataFrame({"time_s": TIME_S, "f0_hz": line}), note)


def test_a_note_of_the_table_on_its_clock():
    line = pd.DataFrame({"time_s": TIME_S + 7.0, "f0_hz": F0_HZ * 2 ** (EXTENT_CENTS * SWING / 1200)})
    note = pd.Series({"onset_s": 7.2, "offset_s": 8.3})
    seen = picture_of(sung(EXTENT_CENTS * SWING), RATE_HZ, line, note, origin_s=7.0)
    assert seen.straight_share > 0.95


def test_figure_tells_its_numbers():
    figure, table = draw_straightened(picture(1.0))
    assert [axis.get_title(loc="left") for axis in figure.axes] == ["As played", "Vibrato taken out"]
    assert table["steady_share"].tolist() == sorted(table["steady_share"])
    assert f"{100 * table['steady_share'].iloc[1]:.0f} %" in figure.caption


def test_the_page_takes_the_longest_of_each_stretch():
    from vibstudy.pages.straight import chosen_notes

    onset_s = np.arange(12.0)
    notes = pd.DataFrame(
        {
            "onset_s": onset_s,
            "duration_s": np.where(onset_s % 3 == 1, 0.9, 0.6),
            "quality": "ok",
            "usable": True,
            "has_vibrato": onset_s != 4,
            "rate_hz": 5.0,
            "extent_cents": 20.0,
        }
    )
    assert chosen_notes(notes)["onset_s"].tolist() == [1.0, 3.0, 7.0, 10.0]
    assert chosen_notes(notes.iloc[:1])["onset_s"].tolist() == [0.0]
    assert chosen_notes(notes[notes["onset_s"] == 4]).empty
