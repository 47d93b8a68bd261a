"""Note lists made by hand: what is read, and how every mistake is told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from vibstudy.corpus.settings import Settings
from vibstudy.errors import VibstudyError
from vibstudy.notes.lists import listed_notes, read_note_list
from vibstudy.pitch.contour import Contour
from vibstudy.recording import measure_file, tables

from .signals import tone

RATE_HZ = 22_050
QUICK = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "solo_notes.csv"
    path.write_text(text, encoding="utf-8", newline="")
    return path


def told(tmp_path: Path, text: str) -> list[tuple[int | None, str, str]]:
    """Row, column and what was got of every problem."""
    with pytest.raises(VibstudyError) as refusal:
        read_note_list(written(tmp_path, text))
    assert all(problem.file == "solo_notes.csv" and problem.message for problem in refusal.value.problems)
    return [(problem.row, problem.column, problem.got) for problem in refusal.value.problems]


def test_a_list_by_hand(tmp_path):
    """440 Hz is A4, F#4 369.994 Hz, Bb3 233.082 Hz (equal temperament, A4 = 440 Hz: ISO 16)."""
    frame = read_note_list(
        written(
            tmp_path,
            "onset_s,offset_s,pitch,label,mine\n2.0,2.9,Bb3,,x\n0.50,1.2,F#4,first note,\n"
            "1.2,2.0,440,trill,\n3,3.5,,,\n",
        )
    )
    assert frame["onset_s"].tolist() == [0.5, 1.2, 2.0, 3.0]
    assert frame["offset_s"].tolist() == [1.2, 2.0, 2.9, 3.5]
    assert frame["pitch_hz"].tolist() == pytest.approx([369.994, 440, 233.082, np.nan], abs=1e-3, nan_ok=True)
    assert frame["label"].fillna("-").tolist() == ["first note", "trill", "-", "-"]


def test_times_alone_are_enough(tmp_path):
    frame = read_note_list(written(tmp_path, "onset_s,offset_s\n0,1\n"))
    assert frame["pitch_hz"].isna().all()
    assert frame["label"].isna().all()


def test_a_spreadsheet_with_semicolons_and_decimal_commas(tmp_path):
    frame = read_note_list(written(tmp_path, "\ufeffonset_s;offset_s;pitch\r\n0,5;1,25;c♯5\r\n"))
    assert frame.loc[0, ["onset_s", "offset_s"]].tolist() == [0.5, 1.25]
    assert frame.at[0, "pitch_hz"] == pytest.approx(554.365, abs=1e-3)


def test_all_mistakes_are_told_at_once(tmp_path):
    text = (
        "onset_s,offset_s,pitch\n0.5,1.0,A4\n1:02.5,64,A4\n3,2,A4\n,4,H4\n5,six,9999\n-1,0.2,\n"
        "7,8,A\n7.5,9,A4\n"
    )
    assert told(tmp_path, text) == [
        (3, "onset_s", "1:02.5"),
        (4, "offset_s", "2"),
        (5, "onset_s", ""),
        (5, "pitch", "H4"),
        (6, "offset_s", "six"),
        (6, "pitch", "9999"),
        (7, "onset_s", "-1"),
        (8, "pitch", "A"),
        (9, "onset_s", "7.5"),
    ]


def test_how_short_a_note_and_how_long_an_overlap_may_be(tmp_path):
    """30 ms, two frames of the line, and 20 ms, as near as a cut is drawn by hand."""
    assert told(tmp_path, "onset_s,offset_s\n1,1.029\n2,2.031\n") == [(2, "offset_s", "1.029")]
    assert told(tmp_path, "onset_s,offset_s\n1,2\n1.981,3\n2.979,4\n") == [(4, "onset_s", "2.979")]


def test_repairs_say_what_would_be_right(tmp_path):
    with pytest.raises(VibstudyError) as refusal:
        read_note_list(written(tmp_path, "onset_s,offset_s,pitch\n1:02.5,64,H4\n"))
    words = str(refusal.value)
    assert "Write 62.5" in words
    assert "F#4 or Bb3" in words


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("onset_s,pitch\n1,A4\n", [(1, "offset_s", "")]),
        ("onset,offset_s\n1,2\n", [(1, "onset", "")]),
        ("begin,end\n1,2\n", [(1, "onset_s", ""), (1, "offset_s", "")]),
        ("onset_s,offset_s\n", [(None, "", "")]),
        ("", [(None, "", "")]),
        ("onset_s,offset_s\n1,2,3\n", [(2, "", "3")]),
    ],
    ids=["no offset", "near name", "other names", "no notes", "empty", "cells beyond the header"],
)
def test_headers_and_empty_files(tmp_path, text, expected):
    with pytest.raises(VibstudyError) as refusal:
        read_note_list(written(tmp_path, text))
    assert [(p.row, p.column, p.got) for p in refusal.value.problems] == expected


def test_a_missing_list_is_named(tmp_path):
    with pytest.raises(VibstudyError, match="no such file"):
        read_note_list(tmp_path / "gone.csv")


@QUICK
@given(
    st.lists(
        st.tuples(st.integers(0, 400), st.integers(40, 3000), st.integers(24, 100)), min_size=1, max_size=12
    )
)
def test_any_good_list_comes_back_sorted(tmp_path, rows):
    """Gaps and lengths in ms, pitches as MIDI numbers."""
    ends = np.cumsum([gap + length for gap, length, _ in rows]) / 1000
    notes = [
        (end - length / 1000, end, 440 * 2 ** ((midi - 69) / 12))
        for end, (_, length, midi) in zip(ends, rows, strict=True)
    ]
    lines = [f"{onset:.3f},{offset:.3f},{hz:.6f}" for onset, offset, hz in notes]
    frame = read_note_list(written(tmp_path, "\n".join(["onset_s,offset_s,pitch", *lines[::-1]])))
    assert np.allclose(frame[["onset_s", "offset_s", "pitch_hz"]].to_numpy(float), notes, atol=1e-3)


@QUICK
@given(st.text(max_size=200))
def test_any_text_gives_notes_or_problems(tmp_path, text):
    path = tmp_path / "solo_notes.csv"
    path.write_bytes(b"onset_s,offset_s,pitch\n" + text.encode("utf-8", "surrogatepass"))
    try:
        frame = read_note_list(path)
    except VibstudyError as error:
        assert error.problems
    else:
        assert (frame["offset_s"] > frame["onset_s"]).all()


def listed(*rows: tuple[float, float, float, str | None]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["onset_s", "offset_s", "pitch_hz", "label"])


def voice(cents: np.ndarray, base_hz: float = 440.0) -> np.ndarray:
    phase = 2 * np.pi * np.cumsum(base_hz * 2 ** (cents / 1200)) / RATE_HZ
    return sum(np.cos(k * phase) / k for k in range(1, 9)).astype(np.float32) * 0.1


def contour(length_s: float, hz: float) -> Contour:
    time_s = np.arange(0, length_s, 0.016)
    return Contour(time_s, np.full(len(time_s), hz), np.ones(len(time_s)), "a line")


def test_the_pitch_given_overrules_a_tracker_an_octave_away():
    found = listed_notes(
        voice(np.zeros(2 * RATE_HZ)),
        RATE_HZ,
        contour(2, 220),
        listed((0.1, 0.9, 440, None), (1, 1.9, np.nan, None)),
    )
    assert [row["pitch_hz"] for row in found.rows] == [440, 220]
    time_s = found.line.time_s
    assert set(found.line.f0_hz[(time_s > 0.1) & (time_s < 0.9)]) == {440}
    assert np.isnan(found.line.f0_hz[(time_s > 0.91) & (time_s < 0.99)]).all()


@pytest.mark.parametrize(("ratio", "own"), [(7 / 6, True), (6 / 5, False), (5 / 4, False)])
def test_a_third_above_the_pitch_given_is_another_player(ratio, own):
    """Just intervals: 267 cents may be a wide vibrato's crest; 316 and 386 are thirds."""
    found = listed_notes(
        voice(np.zeros(RATE_HZ)), RATE_HZ, contour(1, 440 * ratio), listed((0.1, 0.9, 440, None))
    )
    assert found.rows[0]["pitch_hz"] == pytest.approx(440 * ratio if own else 440)


def test_what_all_notes_are_off_together_is_no_other_player():
    """A disc a minor third fast, whose one note the tracker heard a minor third lower: where it was given."""
    line = contour(3, 440 * 2 ** (250 / 1200))
    line.f0_hz[line.time_s > 2.0] = 440.0
    rows = listed(*((0.1 + k, 0.9 + k, 440, None) for k in range(3)))
    found = listed_notes(voice(np.zeros(3 * RATE_HZ)), RATE_HZ, line, rows)
    assert [row["pitch_hz"] for row in found.rows] == pytest.approx([440 * 2 ** (250 / 1200)] * 3)
    # at true speed it is the other way round
    line.f0_hz[:] = 440.0
    line.f0_hz[line.time_s > 2.0] *= 2 ** (200 / 1200)
    found = listed_notes(voice(np.zeros(3 * RATE_HZ)), RATE_HZ, line, rows)
    assert [row["pitch_hz"] for row in found.rows] == pytest.approx([440] * 3)


def kinds(found) -> list[str]:
    return [row["note_kind"] for row in found.rows]


def test_a_listed_trill_is_no_note_said_or_not():
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    trill = np.where(np.sin(2 * np.pi * 7 * time_s) > 0, 200.0, 0.0)
    vibrato = 40 * np.sin(2 * np.pi * 5.5 * time_s)
    sound = voice(np.concatenate([trill, vibrato]))
    rows = listed((0.1, 1.9, np.nan, None), (2.1, 3.9, np.nan, None))
    assert kinds(listed_notes(sound, RATE_HZ, contour(4, 466), rows)) == ["trill", "note"]
    said = listed((2.1, 3.9, 440, " Ornament "))
    assert kinds(listed_notes(sound, RATE_HZ, contour(4, 440), said)) == ["ornament"]


def test_a_silent_stretch_without_pitch_stays_unknown():
    silent = Contour(np.arange(0, 1, 0.016), np.full(63, np.nan), np.zeros(63), "a line")
    found = listed_notes(np.zeros(RATE_HZ, np.float32), RATE_HZ, silent, listed((0.2, 0.8, np.nan, None)))
    assert np.isnan([row["pitch_hz"] for row in found.rows]).all()


# --- in place of the segmentation


@pytest.fixture(scope="module")
def study(tmp_path_factory) -> Path:
    """Four seconds of one tone, which the list calls two notes and a rest; the file plays 4 % slow."""
    import soundfile

    folder = tmp_path_factory.mktemp("study")
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    noise = 1e-4 * np.random.default_rng(0).standard_normal(len(time_s))
    soundfile.write(folder / "a.wav", voice(30 * np.sin(2 * np.pi * 5 * time_s)) + noise, RATE_HZ)
    (folder / "list.csv").write_text("onset_s,offset_s,label\n0.5,1.5,one\n2.0,3.5,two\n", encoding="utf-8")
    return folder


def test_the_list_wins_over_the_machine(study):
    from vibstudy import measure_recording

    notes = measure_recording(study / "a.wav", notes_path=str(study / "list.csv"))
    assert notes[["onset_s", "offset_s"]].to_numpy().tolist() == [[0.5, 1.5], [2.0, 3.5]]
    assert notes["note_label"].tolist() == ["one", "two"]
    assert notes["onset_se_s"].isna().all()
    assert notes["rate_hz"].tolist() == pytest.approx([5, 5], abs=0.1)
    assert notes["pitch_hz"].tolist() == pytest.approx([440, 440], rel=0.002)


def test_listed_times_are_file_time(study):
    """A file that plays 4 % slow: true time is file time x 0.96, true rate is rate / 0.96."""
    from vibstudy import measure_recording

    notes = measure_recording(study / "a.wav", notes_path=str(study / "list.csv"), speed_factor=0.96)
    assert notes["onset_s"].tolist() == pytest.approx([0.48, 1.92])
    assert notes["rate_hz"].tolist() == pytest.approx([5 / 0.96] * 2, abs=0.1)


@pytest.mark.parametrize("medium", ["electrical_disc", None])
def test_the_medium_gives_the_range_of_true_rates(study, medium):
    """A disc's speed was within some per cent of its nominal one: rates are known within as much."""
    from vibstudy import measure_recording
    from vibstudy.sound.tuning import SPEED_RANGES

    notes = measure_recording(study / "a.wav", notes_path=str(study / "list.csv"), medium=medium)
    if medium is None:
        assert notes[["rate_low_hz", "rate_high_hz"]].isna().all(axis=None)
    else:
        speeds = SPEED_RANGES[medium]
        assert speeds.low < 1 < speeds.high
        assert notes["rate_low_hz"].tolist() == pytest.approx((notes["rate_hz"] * speeds.low).tolist())
        assert notes["rate_high_hz"].tolist() == pytest.approx((notes["rate_hz"] * speeds.high).tolist())


def test_a_note_that_falls_silent_has_a_gap_even_where_its_pitch_is_given(tmp_path):
    import soundfile

    from vibstudy import measure_recording

    time_s = np.arange(3 * RATE_HZ) / RATE_HZ
    noise = 1e-5 * np.random.default_rng(0).standard_normal(len(time_s))
    heard = (time_s < 1.5) * voice(30 * np.sin(2 * np.pi * 5 * time_s))
    soundfile.write(tmp_path / "a.wav", heard + noise, RATE_HZ)
    (tmp_path / "list.csv").write_text("onset_s,offset_s,pitch\n0.1,0.9,440\n1.0,2.0,440\n", encoding="utf-8")
    notes = measure_recording(tmp_path / "a.wav", notes_path=str(tmp_path / "list.csv"))
    assert notes["voiced_fraction"].tolist() == pytest.approx([1.0, 0.5], abs=0.06)
    assert ["gap" in quality.split(";") for quality in notes["quality"]] == [False, True]


def test_a_gap_of_the_tracker_counts_where_the_line_goes_on(tmp_path, monkeypatch):
    """The line held through a gap is whole; how far the note was heard is told by the tracker's own."""
    import soundfile

    from vibstudy import measure_recording
    from vibstudy.pitch import trackers

    def deaf_for_a_while(*args):
        contour = track_line(*args)
        contour.f0_hz[(contour.time_s > 1.0) & (contour.time_s < 1.3)] = np.nan
        return contour

    track_line = trackers.track_line
    monkeypatch.setattr(trackers, "track_line", deaf_for_a_while)
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    soundfile.write(tmp_path / "a.wav", voice(30 * np.sin(2 * np.pi * 5 * time_s)), RATE_HZ)
    notes = measure_recording(tmp_path / "a.wav")
    assert len(notes) == 1
    assert notes["voiced_fraction"][0] == pytest.approx(1 - 0.3 / 2, abs=0.02)


def test_only_the_part_measured_counts(study):
    from vibstudy import measure_recording

    notes = measure_recording(study / "a.wav", notes_path=str(study / "list.csv"), start_s=1.8)
    assert notes["onset_s"].tolist() == pytest.approx([2.0])
    with pytest.raises(VibstudyError, match="no note of this list begins"):
        measure_recording(study / "a.wav", notes_path=str(study / "list.csv"), start_s=3.8)


def test_notes_after_the_end_of_the_sound_are_refused(study):
    from vibstudy import measure_recording

    late = study / "late.csv"
    late.write_text("onset_s,offset_s\n1,2\n63,64\n", encoding="utf-8")
    with pytest.raises(VibstudyError, match=r"late\.csv.*1 listed notes begin after the end"):
        measure_recording(study / "a.wav", notes_path=str(late))


def test_blocks_do_not_lose_or_double_listed_notes(study, monkeypatch):
    import vibstudy.recording.flow
    from vibstudy import measure_recording

    path = study / "many.csv"
    onsets = np.arange(0.1, 3.7, 0.3)
    path.write_text(
        "onset_s,offset_s\n" + "".join(f"{a:.2f},{a + 0.29:.2f}\n" for a in onsets), encoding="utf-8"
    )
    monkeypatch.setattr(vibstudy.recording.flow, "BLOCK_S", 1.0)
    monkeypatch.setattr(vibstudy.recording.flow, "OVERLAP_S", 0.8)
    notes = measure_recording(study / "a.wav", notes_path=str(path))
    assert notes["onset_s"].tolist() == pytest.approx(onsets.round(2).tolist())


def test_check_tells_mistakes_of_the_list(study, capsys):
    from vibstudy.cli import main

    (study / "bad.csv").write_text("onset_s,offset_s,pitch\n1,2,H4\n3,2,\n", encoding="utf-8")
    manifest = study / "corpus_manifest.csv"
    manifest.write_text(
        "recording_id,path,player,Dekade,region,notes_path\na,a.wav,Invented,1950,Nowhere,bad.csv\n",
        encoding="utf-8",
    )
    assert main(["check", str(manifest)]) == 2
    words = " ".join("".join(capsys.readouterr()).split())
    assert "Did you mean 'decade'?" in words  # what is wrong in the table does not hide the list
    assert "bad.csv, row 2, column pitch" in words
    assert "bad.csv, row 3, column offset_s" in words
    assert "Traceback" not in words


# --- whose note it is


def two_players() -> np.ndarray:
    """Two lines as loud a fifth apart, each with a vibrato of its own."""
    rng = np.random.default_rng(7)
    one, other = (
        tone(rng, f0_hz=f0, rate_hz=rate, extent_cents=extent, rate_cv=0.04, snr_db=45.0, duration_s=1.2)
        for f0, rate, extent in ((330.0, 5.2, 25.0), (494.3, 6.4, 20.0))
    )
    return 0.2 * (one.samples + other.samples)


@pytest.mark.parametrize(("pitch", "usable"), [("", False), ("E4", True)])
def test_a_list_says_whose_note_it_is(tmp_path, pitch, usable):
    soundfile.write(tmp_path / "two.wav", two_players(), RATE_HZ, subtype="PCM_16")
    path = written(tmp_path, f"onset_s,offset_s,pitch\n0.05,1.15,{pitch}\n")
    cells = {"recording_id": "two", "notes_path": str(path)}
    found = measure_file(tmp_path / "two.wav", Settings(), cells).notes
    assert found["usable"].tolist() == [usable]
    assert found["quality"].str.contains("masked").tolist() == [not usable]
    if usable:
        assert found["rate_hz"].iloc[0] == pytest.approx(5.2, abs=0.25)


def test_a_score_says_whose_note_it_is(monkeypatch):
    """Of two notes that may be another player's the one that is written is the soloist's; noise stays."""

    def beside(notes, row):
        return notes.assign(score_match=pd.array(["matched", "added", "matched"], dtype="string")), {}

    monkeypatch.setattr(tables, "_beside_score", beside)
    note = {"onset_s": 0.0, "offset_s": 1.0, "duration_s": 1.0, "pitch_hz": 440.0, "level_db": -20.0}
    rows = [note | {"note_kind": "note", "quality": "masked;few_cycles", "usable": False} for _ in range(3)]
    line = tables.line_frame([])
    found = tables.result_of(
        rows, line, {}, Settings(), {"recording_id": "x"}, [True, True, False], [False] * 3
    ).notes
    assert found["quality"].tolist() == ["few_cycles", "masked;few_cycles", "masked;few_cycles"]
    assert found["usable"].tolist() == [True, False, False]


def test_presence_is_left_open_where_whose_note_it_is_is_not_known(monkeypatch):
    """Straight or not; what the score has is the soloist's, and so is a covered note of a sure pitch."""

    def beside(notes, row):
        return notes.assign(score_match=pd.array([pd.NA, pd.NA, "matched", pd.NA], dtype="string")), {}

    monkeypatch.setattr(tables, "_beside_score", beside)
    note = {"onset_s": 0.0, "offset_s": 1.0, "duration_s": 1.0, "pitch_hz": 440.0, "level_db": -20.0}
    note |= {"note_kind": "note", "quality": "masked;octave_unsure", "usable": False, "vibrates": True}
    rows = [note | {"has_vibrato": moving} for moving in (True, False, False, False)]
    stray = [True, True, True, False]
    line = tables.line_frame([])
    found = tables.result_of(rows, line, {}, Settings(), {"recording_id": "x"}, [False] * 4, stray).notes
    assert found["has_vibrato"].isna().tolist() == [True, True, False, False]
    assert found["vibrates"].isna().tolist() == [True, True, False, False]


def test_a_soft_bass_note_is_no_straight_note_of_a_flute(tmp_path):
    """Below its range, and far softer: a piano's, which would be counted as straight."""
    rng = np.random.default_rng(11)
    notes = [
        tone(rng, f0_hz=f0, extent_cents=extent, snr_db=35.0, duration_s=0.7).samples * loud
        for f0, extent, loud in ((523.3, 0.0, 0.3), (587.3, 25.0, 0.3), (77.8, 0.0, 0.1), (659.3, 25.0, 0.3))
    ]
    soundfile.write(tmp_path / "flute.wav", np.concatenate(notes), RATE_HZ, subtype="PCM_16")
    cells = {"recording_id": "x", "instrument": "flute"}
    found = measure_file(tmp_path / "flute.wav", Settings(fmin_hz=50.0), cells).notes
    low = found["pitch_hz"] < 100.0
    assert low.sum() == 1 and set(found.loc[low, "quality"].iloc[0].split(";")) >= {"masked", "octave_unsure"}
    assert found["has_vibrato"].isna().tolist() == low.tolist()
