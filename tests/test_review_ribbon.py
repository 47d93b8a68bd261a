"""What the listening room draws of a note, against signals of known truth and small cases by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import soundfile

from tests import signals
from vibstudy.corpus.settings import Settings
from vibstudy.corpus.store import Recording
from vibstudy.decisions.phrase import PhraseReader
from vibstudy.review.ribbon import (
    SPECTRUM,
    fold,
    folded,
    harmonics_shown,
    loudness_share,
    ribbon,
    spectra,
    staff,
)


def seen(tmp_path, **how):
    """A tone of known vibrato in its phrase, measured."""
    tone = signals.tone(np.random.default_rng(8), duration_s=1.6, f0_hz=311.0, **how)
    soundfile.write(tmp_path / "tone.wav", tone.samples, round(signals.RATE_HZ))
    reader = PhraseReader({"tone": Recording("tone", str(tmp_path / "tone.wav"), {})}, Settings())
    edges = signals.PAD_S, signals.PAD_S + 1.6
    return reader.phrase("tone", *edges), reader.measure({"recording_id": "tone"}, *edges)


@pytest.fixture(scope="module")
def swaying(tmp_path_factory):
    return seen(tmp_path_factory.mktemp("tone"), rate_hz=5.7, extent_cents=40.0)


def test_ten_decibels_less_is_half_as_loud():
    """Stevens 1955, J. Acoust. Soc. Am. 27:815: loudness doubles with every 10 dB (from memory)."""
    share = loudness_share(np.array([-30.0, -20.0, -40.0, np.nan]))
    assert share.tolist() == [0.5, 1.0, 0.25, 0.0]
    assert loudness_share(np.array([np.nan])).tolist() == [0.0]


def test_the_ribbon_lies_where_the_pitch_is(swaying):
    phrase, measured = swaying
    drawn = ribbon(measured.line, phrase.start_s)
    assert {len(values) for values in drawn.values()} == {len(drawn["t"])}
    assert drawn["t"][0] >= signals.PAD_S and drawn["t"][-1] <= signals.PAD_S + 1.6
    assert 0.5 * np.ptp(np.array(drawn["cents"], float)) == pytest.approx(40.0, abs=1.5)
    assert max(drawn["loud"]) == 1.0 and min(drawn["loud"]) > 0.3
    assert np.abs(np.array(drawn["bright"], float)).max() < 0.3  # a tone of one timbre


def test_a_bright_half_is_shaded_apart(swaying):
    _, measured = swaying
    line = measured.line
    later = line.time_s > line.time_s.mean()
    harmonics = line.harmonic_db.copy()
    harmonics[4:, later] += 20.0
    shade = np.array(ribbon(replace(line, harmonic_db=harmonics), 0.0)["bright"], float)
    assert shade[later].mean() - shade[~later].mean() > 0.5


def test_folded_cycles_give_the_extent_back(swaying):
    _, measured = swaying
    line = measured.line
    found = fold(line, line.onset_s + measured.fit.start_s, line.onset_s + measured.fit.end_s, 5.7)
    assert found.extent_cents == pytest.approx(40.0, abs=1.0)
    assert len(found.each) in (7, 8) and found.openness_cents < 1.5
    quarter = len(found.mean) // 4
    assert np.argmax(found.mean) == pytest.approx(quarter, abs=2)  # begins where it rises
    assert found.mean[0] == pytest.approx(0.0, abs=2.0)


def synthetic(swaying, cents_of):
    """The line of another course, on the frames of a real one."""
    line = swaying[1].line
    t = line.time_s - line.time_s[0]
    fine = np.linspace(0, t[-1], 20001)
    values = cents_of(fine)
    whole = np.concatenate([[0.0], np.cumsum(0.5 * (values[1:] + values[:-1])) * fine[1]])
    return replace(line, cents=cents_of(t), integral=np.interp(t, fine, whole))


def test_drift_leaves_the_cycles_where_they_are(swaying):
    line = synthetic(swaying, lambda t: 30 * np.cos(2 * np.pi * 6 * t) + 80 * t - 20)
    found = fold(line, line.time_s[0], line.time_s[-1], 6.0)
    assert found.extent_cents == pytest.approx(30.0, abs=0.5) and found.openness_cents < 0.8


def test_an_uneven_rate_opens_the_bundle(swaying):
    """By hand: cycles a tenth of a cycle early and late differ by 2 pi * 0.1 * extent at the crossing."""
    even = synthetic(swaying, lambda t: 30 * np.sin(2 * np.pi * 5 * t))
    uneven = synthetic(
        swaying, lambda t: 30 * np.sin(2 * np.pi * (5 * t + 0.1 * np.sin(2 * np.pi * 1.25 * t)))
    )
    tight, open_ = (fold(line, line.time_s[0], line.time_s[-1], 5.0) for line in (even, uneven))
    assert tight.openness_cents < 0.5 and open_.openness_cents > 4.0
    assert open_.extent_cents < tight.extent_cents


def test_the_shape_can_be_read_off(swaying):
    def triangle(t):
        return 30 * (2 / np.pi) * np.arcsin(np.sin(2 * np.pi * 5 * t))

    line = synthetic(swaying, triangle)
    mean = fold(line, line.time_s[0], line.time_s[-1], 5.0).mean
    assert np.abs(mean - triangle(np.arange(64) / 64 / 5)).max() < 1.5


def test_too_short_to_fold(swaying):
    line = swaying[1].line
    assert fold(line, line.time_s[0], line.time_s[0] + 0.1, 5.0) is None
    assert folded(replace(swaying[1], fit=None)) is None


def ridge_spread(picture, about):
    """Spread, in rows, of the highest harmonic's strongest place from column to column."""
    rows = about["rows"] // (about["last"] - about["first"] + 1)
    return np.argmax(picture[:rows, 40:-40].astype(float), axis=0).std()


def test_straightened_lines_are_straight(swaying):
    phrase, measured = swaying
    pixels, about = spectra(phrase, measured.line)
    rows, columns = SPECTRUM
    played, straight = np.frombuffer(pixels, np.uint8).reshape(2, rows, columns)
    assert ridge_spread(played, about) > 2.0  # sways
    assert ridge_spread(straight, about) < 0.6
    assert played.max() == straight.max() == 255


def test_a_wrong_line_leaves_them_crooked(swaying):
    """The picture is a check: with half of the vibrato in the line, half of the sway is left."""
    phrase, measured = swaying
    wrong = replace(measured.line, cents=0.5 * measured.line.cents)
    pixels, about = spectra(phrase, wrong)
    played, straight = np.frombuffer(pixels, np.uint8).reshape(2, *SPECTRUM)
    assert ridge_spread(straight, about) > 0.3 * ridge_spread(played, about)


def test_harmonics_beyond_the_sound_are_not_shown(swaying):
    line = replace(swaying[1].line, reference_hz=4000.0)
    first, last = harmonics_shown(line, 22050.0)
    assert first == 1 and (last + 0.5) * 4000.0 < 11025.0


def test_notes_stand_on_the_staff_where_music_writes_them():
    """Common notation: G clef, E4 is the bottom line, B4 the middle one, F5 the top one; F clef, G2, A3."""
    notes = pd.DataFrame(
        {
            "note_id": list("abcd"),
            "onset_s": [0.0, 1.0, 2.0, 9.0],
            "offset_s": [1.0, 2.0, 3.0, 10.0],
            "midi": [64, 70, pd.NA, 64],
            "pitch_hz": [329.6, 466.2, 698.5, 329.6],
            "reviewed": ["auto", "rejected", "accepted", "auto"],
        }
    )
    drawn = staff(notes, "b", (0.0, 5.0), {"a"})
    assert drawn["clef"] == "G" and [note["step"] for note in drawn["notes"]] == [0, 4, 8]
    assert [note["sign"] for note in drawn["notes"]] == ["", "♭", ""]
    assert [note["name"] for note in drawn["notes"]] == ["E4", "B♭4", "F5"]
    assert [note["decided"] for note in drawn["notes"]] == [True, True, True]
    assert [note["here"] for note in drawn["notes"]] == [False, True, False]
    assert drawn["notes"][1]["out"]
    low = staff(notes.assign(midi=[43, 57, 46, 40]), "a", (0.0, 5.0), ())
    assert low["clef"] == "F" and [note["step"] for note in low["notes"]] == [0, 8, 2]
    assert not low["notes"][0]["decided"]
    assert staff(notes.head(0), "a", (0.0, 5.0), ()) == {"clef": "G", "notes": []}
