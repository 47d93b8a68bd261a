"""Practice: a take against a target, and its history."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile as sf

from invented_study import invented_notes
from vibstudy import cli
from vibstudy.errors import VibstudyError
from vibstudy.report.practice import (
    against_target,
    make_target,
    practise,
    progress,
    read_history,
    remember,
    summary,
    target_like,
)
from vibstudy.report.style import smallest_letter_pt
from vibstudy.report.tones import SAMPLE_RATE_HZ, ToneSpec, join, make_tone
from vibstudy.schema import NOTE_COLUMNS, typed


def write_take(path: Path, *tones: tuple[float, float, float]) -> Path:
    """A take of reference tones (rate, extent, pitch), 1.5 s each."""
    specs = [ToneSpec(hz, rate, extent, duration_s=1.5) for rate, extent, hz in tones]
    sf.write(path, join([make_tone(spec) for spec in specs]), SAMPLE_RATE_HZ, subtype="PCM_24")
    return path


@pytest.fixture
def notes():
    """Five notes worked by hand: on target, fast, wide, straight, too short."""
    frame = pd.DataFrame(
        {
            "recording_id": "take",
            "note_id": [f"take/{k}" for k in range(5)],
            "onset_s": np.arange(5.0),
            "duration_s": 1.0,
            "midi": 69,
            "note_kind": "note",
            "quality": "ok",
            "has_vibrato": pd.array([True, True, True, False, pd.NA], "boolean"),
            "rate_hz": [5.1, 6.0, 4.9, np.nan, np.nan],
            "rate_se_hz": 0.02,
            "extent_cents": [21.0, 20.0, 40.0, np.nan, np.nan],
            "extent_se_cents": 0.2,
            "rate_irregularity": [0.02, 0.04, 0.03, np.nan, np.nan],
            "extent_irregularity": [0.1, 0.2, 0.3, np.nan, np.nan],
            "extent_growth_cents_per_s": [1.0, 2.0, 3.0, np.nan, np.nan],
            "reviewed": "auto",
        }
    )
    return typed(frame, NOTE_COLUMNS)


def test_note_by_note(notes):
    target = make_target(5, 20)
    compared = against_target(notes, target, beat_bpm=72)
    assert compared["verdict"].tolist() == [
        "on target",
        "faster by 1.0 Hz",
        "wider by 20 cents",
        "straight",
        "too short to tell",
    ]
    assert compared["pulses_per_beat"].iloc[0] == pytest.approx(5.1 * 60 / 72)
    values = summary(notes, compared, target, 72)
    assert values["straight_share"] == pytest.approx(1 / 4)
    assert values["on_target_share"] == pytest.approx(1 / 3)
    assert values["rate_hz"] == 5.1 and values["extent_cents"] == 21.0
    assert values["rate_steadiness"] == pytest.approx(0.97)
    assert values["extent_steadiness"] == pytest.approx(0.8)
    assert values["pulses_per_beat"] == pytest.approx(4.25)


def test_the_standard_error_widens_the_target(notes):
    notes["rate_se_hz"] = 0.4
    assert against_target(notes, make_target(5, 20))["verdict"].iloc[1] == "on target"


def test_a_free_target_judges_nothing(notes):
    compared = against_target(notes, make_target(None, None))
    assert (compared["verdict"].iloc[:3] == "on target").all()
    assert compared["pulses_per_beat"].isna().all()


def test_targets_below_zero_are_told_together():
    with pytest.raises(VibstudyError) as error:
        make_target(-1, 0)
    assert len(error.value.problems) == 2


def test_like_a_group_is_its_middle_80_per_cent(tmp_path):
    notes = invented_notes()
    notes.to_parquet(tmp_path / "notes.parquet")
    one = notes[(notes["player"] == "Player Birch") & notes["rate_hz"].notna()]
    target = target_like(tmp_path, "player birch")
    inside = one["rate_hz"].between(*target.rate_hz).mean()
    assert inside == pytest.approx(0.8, abs=0.03)
    assert one["extent_cents"].between(*target.extent_cents).mean() == pytest.approx(0.8, abs=0.03)
    assert "1950" not in target_like(tmp_path, "Keldria").words
    with pytest.raises(VibstudyError, match="Did you mean"):
        target_like(tmp_path, "Keldri")


def test_every_player_of_a_group_counts_the_same(tmp_path):
    """Nine hundred notes of one player at 7 Hz do not outweigh a hundred of another at 5 Hz."""
    rate = np.r_[np.full(900, 7.0), np.full(100, 5.0)]
    frame = invented_notes(players=1, recordings=1, notes=1)
    frame = pd.concat([frame] * 1000, ignore_index=True).assign(
        rate_hz=rate,
        extent_cents=20.0,
        has_vibrato=True,
        quality="ok",
        region="Here",
        player=np.where(rate == 7, "A", "B"),
    )
    typed(frame, NOTE_COLUMNS).to_parquet(tmp_path / "notes.parquet")
    assert target_like(tmp_path, "Here").rate_hz == (5.0, 7.0)


# --- history


def test_history_is_appended_and_a_take_enters_once(tmp_path, notes):
    path = tmp_path / "practice.csv"
    takes = [tmp_path / name for name in ("=a.wav", "b.wav")]
    for number, take in enumerate(takes):
        take.write_bytes(b"take %d" % number)
    target = make_target(5, 20)
    values = summary(notes, against_target(notes, target), target, None)
    remember(path, takes[0], values, datetime(2031, 5, 1, tzinfo=UTC))
    remember(path, takes[1], values, datetime(2031, 5, 8, tzinfo=UTC))
    again = remember(path, takes[0], values | {"rate_hz": 5.5}, datetime(2031, 5, 9, tzinfo=UTC))
    assert again["take"].tolist() == ["=a.wav", "b.wav"]
    assert again["practised_utc"].tolist() == ["2031-05-01T00:00:00Z", "2031-05-08T00:00:00Z"]
    assert again["rate_hz"].tolist() == [5.5, 5.1]
    back = read_history(path)
    pd.testing.assert_frame_equal(back, again, check_dtype=False)
    assert str(tmp_path) not in path.read_text(encoding="utf-8")
    figure, table = progress(back)
    assert smallest_letter_pt(figure) >= 7 and len(table) == 2
    assert not list(tmp_path.glob("*tmp*"))


def test_another_file_is_not_overwritten(tmp_path):
    path = tmp_path / "mine.csv"
    path.write_text("a,b\n1,2\n", encoding="utf-8")
    take = write_take(tmp_path / "t.wav", (5, 20, 440))
    with pytest.raises(VibstudyError, match="no practice history"):
        practise(take, make_target(5, 20), path)
    assert path.read_text(encoding="utf-8") == "a,b\n1,2\n"


# --- the command


def test_a_take_from_sound_to_history(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    take = write_take(tmp_path / "take.wav", (5, 20, 440), (6.5, 20, 392), (5, 45, 349))
    code = cli.main(["practice", str(take), "--rate", "5", "--extent", "20", "--beat", "75"])
    out = capsys.readouterr().out
    assert code == 0
    assert "4.00 pulses to the beat at 75" in out and "1 take in practice.csv" in out
    history = read_history(Path("practice.csv"))
    assert history["on_target_share"].item() == pytest.approx(1 / 3)
    assert history["rate_hz"].item() == pytest.approx(5, abs=0.05)
    assert Path("practice_progress.png").stat().st_size > 0


def test_bad_input_is_told(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    sf.write("silence.wav", np.zeros(44100), 44100)
    assert cli.main(["practice", "silence.wav", "--rate", "5"]) == 2
    assert cli.main(["practice", "silence.wav", "--like", "Nobody"]) == 2
    assert cli.main(["practice", "none.wav", "--rate", "5"]) == 2
    assert cli.main(["practice", "silence.wav", "--beat", "-1"]) == 2
    assert "Traceback" not in capsys.readouterr().err
    assert not Path("practice.csv").exists()
