"""The command line as a user meets it: words, exit codes, and what is written."""

from __future__ import annotations

import math
import os
import re
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from rich.console import Console

import vibstudy
from tests.fake_study import measure as fake_measure
from tests.fake_study import write_study
from tests.invented_study import invented_notes
from vibstudy import cli
from vibstudy.corpus.batch import Outcome, explain
from vibstudy.pages.first_look import next_steps, player_rows
from vibstudy.playing.tones import SAMPLE_RATE_HZ, ToneSpec, make_tone
from vibstudy.schema import MANIFEST_COLUMNS
from vibstudy.stats.claims import read_claims

TEN_FAULTS = """\
recording_id,path,player,decade,region,medium,start_s,end_s,speed_factor,tuning_hz,acompaniment
a,audio/tone.wav,P,1955,north,,,,,,
a,audio/tone.wav,P,1950,north,,0.1,0.2,,,
b,audio/ton.wav,P,1950,north,,,,,,
c/d,audio/tone.wav,P,1950,north,,0.2,0.3,,,
e,audio/tone.wav,,1950,north,,0.3,0.4,,,
f,audio/tone.wav,P,1950,north,acustic_disc,0.4,0.5,,,
g,audio/tone.wav,P,1950,north,,0.9,0.5,,,
h,audio/tone.wav,P,1950,north,,0.5,0.6,96,,
i,audio/tone.wav,P,1950,north,,0.6,0.7,,4400,
"""


def tone(path: Path, rate_hz: float = 5.5, extent_cents: float = 30.0, seconds: float = 2.0) -> None:
    """A tone of eight harmonics at 440 Hz with a sine vibrato."""
    time_s = np.arange(int(22050 * seconds)) / 22050
    f0_hz = 440 * 2 ** (extent_cents / 1200 * np.sin(2 * np.pi * rate_hz * time_s))
    phase = 2 * np.pi * np.cumsum(f0_hz) / 22050
    samples = sum(np.sin(k * phase) / k for k in range(1, 9))
    fade = np.clip(np.minimum(time_s, seconds - time_s) / 0.05, 0, 1)
    path.parent.mkdir(exist_ok=True)
    sf.write(path, 0.1 * samples * fade, 22050)


@pytest.fixture
def study(tmp_path, monkeypatch):
    """The current folder: a study with one sound file."""
    tone(tmp_path / "audio" / "tone.wav")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def quick(monkeypatch):
    """Let the stand-in do the measuring, in this process."""

    def serial(function, tasks, on_done, workers=0, cluster=None):
        for index, task in enumerate(tasks):
            try:
                on_done(Outcome(index, function(task)))
            except Exception as error:
                on_done(Outcome(index, None, "measure", *explain(error.__cause__ or error)))

    monkeypatch.setattr("vibstudy.measure.run_batch", serial)
    monkeypatch.setattr("vibstudy.measure._measure_file", fake_measure)


def run(capsys, *words: str) -> tuple[int, str, str]:
    code = cli.main(words)
    shown = capsys.readouterr()
    assert "Traceback" not in shown.out + shown.err
    return code, shown.out, shown.err


# --- help


def test_help_lists_the_commands_quickly():
    command = [sys.executable, "-c", "import sys; from vibstudy.cli import main; sys.exit(main(['--help']))"]
    began = time.process_time()
    shown = subprocess.run(command, capture_output=True, text=True, check=True, encoding="utf-8").stdout
    assert time.process_time() - began < 5
    for name in ("demo", "new", "check", "measure", "status", "lab", "tone"):
        assert name in shown


def test_help_does_not_load_what_only_measuring_needs():
    heavy = {"pandas", "scipy", "librosa", "matplotlib", "onnxruntime", "pyarrow", "joblib"}
    script = "import sys, vibstudy.cli; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout
    assert not heavy & set(loaded.split())


WAITED = [
    ("new NEW", {"pandas", "nbformat", "jupytext", "jsonschema"}),
    ("check", {"scipy", "matplotlib", "partitura", "onnxruntime", "librosa", "joblib"}),
    ("measure", {"scipy.stats", "scipy.signal", "seaborn", "IPython", "librosa", "statsmodels.stats"}),
]


@pytest.mark.parametrize(("line", "heavy"), WAITED)
def test_the_way_to_the_first_look_loads_only_what_it_needs(study, tmp_path, line, heavy):
    write_study(study, {"a": "to be sound"})
    spec = ToneSpec(392.0, 5.5, 30.0, duration_s=1.5)
    sf.write(study / "audio" / "a.wav", make_tone(spec), SAMPLE_RATE_HZ, subtype="PCM_16")
    words = line.replace("NEW", str(tmp_path / "new")).split()
    script = f"import sys; from vibstudy.cli import main; print(main({words!r})); print(*sys.modules)"
    command = [sys.executable, "-c", script]
    ran = subprocess.run(command, capture_output=True, text=True, cwd=study, check=True)
    *_, code, loaded = ran.stdout.splitlines()
    assert code == "0" and not heavy & set(loaded.split())
    page = study / "results" / "first-look.html"
    assert words != ["measure"] or "<img" in page.read_text(encoding="utf-8")


@pytest.mark.parametrize("command", ["demo", "new", "check", "measure", "status", "lab", "claims"])
def test_every_command_explains_itself(capsys, command):
    code, out, _ = run(capsys, command, "--help")
    assert code == 0 and "Usage: vibstudy" in out


def test_version(capsys):
    assert run(capsys, "--version")[:2] == (0, f"vibstudy {vibstudy.__version__}\n")


@pytest.mark.parametrize("words", [("chek",), ("measure", "--wrokers", "2"), ("measure", "--workers", "two")])
def test_a_slip_in_the_command_is_told(capsys, words):
    code, _, err = run(capsys, *words)
    assert code == 2 and "Usage" in err


# --- check and measure


def test_ten_faults_ten_messages_nothing_written(study, capsys):
    (study / "corpus_manifest.csv").write_text(TEN_FAULTS)
    for command in ("check", "measure"):
        code, _, err = run(capsys, command)
        lines = err.splitlines()
        assert code == 2
        assert len(lines) == 11 and lines[-1].startswith("10 problems")
        for row in range(2, 11):
            assert any(f"row {row}," in line for line in lines), row
        assert "Did you mean 'accompaniment'?" in err
        assert sorted(path.name for path in study.iterdir()) == ["audio", "corpus_manifest.csv"]


def test_check_says_when_nothing_is_wrong(study, capsys):
    (study / "corpus_manifest.csv").write_text(
        "recording_id;path;player;decade;region\na;audio/tone.wav;P;1950;n\n"
    )
    code, out, err = run(capsys, "check")
    assert code == 0 and err == ""
    assert "1 recording, nothing to mend" in out and "cells are separated by semicolons" in out


def test_check_looks_at_the_settings_too(study, capsys):
    (study / "corpus_manifest.csv").write_text(
        "recording_id,path,player,decade,region\na,audio/tone.wav,P,1950,n\n"
    )
    (study / "study.toml").write_text("[measure]\ntraker = 'pyin'\n")
    code, _, err = run(capsys, "check")
    assert code == 2 and "Did you mean 'tracker'?" in err


def test_measuring_for_real_with_no_other_file_present(study, capsys):
    tone(study / "audio" / "second.wav", 6.5, 50.0)
    (study / "audio" / "bad.wav").write_bytes(b"not sound" * 99)
    (study / "my table.csv").write_text(
        "recording_id,path,player,decade,region\n"
        "good,audio/tone.wav,P,1950,n\nbad,audio/bad.wav,P,1950,n\ntwo,audio/second.wav,Q,1950,n\n"
    )
    code, out, err = run(capsys, "measure", "my table.csv", "--out", "elsewhere/deep", "--workers", "1")
    assert code == 1
    assert "2 measured, 0 unchanged, 1 failed" in out
    assert "bad: " in err and "audio/bad.wav" in err
    notes = vibstudy.read_notes("elsewhere/deep").set_index("recording_id")
    assert notes.loc["good", "rate_hz"] == pytest.approx(5.5, abs=0.02)
    assert notes.loc["good", "extent_cents"] == pytest.approx(30.0, abs=0.5)
    assert notes.loc["two", "rate_hz"] == pytest.approx(6.5, abs=0.02)
    assert notes.loc["two", "extent_cents"] == pytest.approx(50.0, abs=0.5)
    log = (study / "elsewhere" / "deep" / "log.csv").read_text()
    assert '"bad",' in log and "false" in log


def test_measure_twice_keeps_what_is_measured(study, capsys, quick):
    write_study(study, 3)
    code, out, _ = run(capsys, "measure")
    assert code == 0 and "3 measured, 0 unchanged" in out and "1 of 3  rec000" in out
    code, out, _ = run(capsys, "measure")
    assert code == 0 and "0 measured, 3 unchanged" in out
    code, out, _ = run(capsys, "measure", "--no-cache")
    assert "3 measured, 0 unchanged" in out
    code, out, _ = run(capsys, "measure", "--tracker", "pyin")
    assert "3 measured, 0 unchanged" in out
    code, _, err = run(capsys, "measure", "--tracker", "pyn")
    assert code == 2 and "Did you mean 'pyin'?" in err
    code, _, err = run(capsys, "measure", "--settings", "none.toml")
    assert code == 2 and "no such settings file" in err


def test_ctrl_c_keeps_what_is_done(study, capsys, quick, monkeypatch):
    write_study(study, 3)

    def interrupted(path, settings, row):
        if row["recording_id"] == "rec001":
            raise KeyboardInterrupt
        return fake_measure(path, settings, row)

    with monkeypatch.context() as patch:
        patch.setattr("vibstudy.measure._measure_file", interrupted)
        code, _, err = run(capsys, "measure")
    assert code == 130 and "the same command goes on" in err
    code, out, _ = run(capsys, "measure")
    assert code == 0 and "2 measured, 1 unchanged" in out


def test_results_that_cannot_be_written_are_told(study, capsys, quick):
    write_study(study, 1)
    (study / "results").write_text("in the way")
    code, _, err = run(capsys, "measure")
    assert code == 2 and "results cannot be written here" in err


# --- status


def test_status_shows_coverage_and_reasons(study, capsys, quick):
    write_study(study, {"a": "sound", "b": "CORRUPT", "c": "sound"}, exclude=["", "", "x"])
    assert "0 of 2 recordings measured" in run(capsys, "status")[1]
    assert run(capsys, "measure")[0] == 1
    code, out, _ = run(capsys, "status")
    assert code == 0
    assert re.search(r"1920 .*1 \(1\)", out)
    assert "1 of 2 recordings measured" in out and "1 excluded" in out
    assert "Failed last time (1):" in out and "b: " in out
    (study / "audio" / "a.wav").write_text("another sound")
    assert "the sound file changed: a" in run(capsys, "status")[1]
    assert "a would be measured: the sound file changed" in run(capsys, "status", "--why", "a")[1]
    assert "it failed last time" in run(capsys, "status", "--why", "b")[1]
    code, _, err = run(capsys, "status", "--why", "bb")
    assert code == 2 and "Did you mean 'b'?" in err


def test_status_names_files_that_are_not_there(study, capsys, quick):
    write_study(study, {"a": "sound", "b": "sound"})
    assert run(capsys, "measure")[0] == 0
    assert "not there" not in run(capsys, "status")[1]
    (study / "audio" / "a.wav").unlink()
    shown = run(capsys, "status")[1]
    assert "Files that are not there (1)" in shown and "audio/a.wav" in "".join(shown.split())
    assert "2 of 2 recordings measured" in shown  # what was measured of it still holds


@pytest.mark.parametrize(
    "command",
    ["check", "measure", "status", "pages", "claims", "paper", "package", "listening", "lab", "review"],
)
def test_a_mistyped_study_is_told_as_such(study, capsys, command):
    (study / "my-study").mkdir()
    (study / "my-study" / "corpus_manifest.csv").write_text("recording_id,path,player,decade,region\n")
    code, out, err = run(capsys, command, "my-stuyd")
    assert code == 2 and out == ""
    assert err == "my-stuyd: there is no such study or table of recordings. Did you mean 'my-study'?\n"
    code, _, err = run(capsys, command, "audio")
    assert code == 2 and "this folder is no study: it holds no corpus_manifest.csv" in err


@pytest.mark.parametrize(("folders", "told"), [(3, ": s00, s01, s02.\n"), (14, "s11 and 2 more.\n")])
def test_studies_to_choose_from_are_counted(study, capsys, folders, told):
    for number in range(folders):
        (study / f"s{number:02}").mkdir()
        (study / f"s{number:02}" / "corpus_manifest.csv").touch()
    code, _, err = run(capsys, "check", "elsewhere")
    assert code == 2 and err.endswith(told)


# --- the first look


def test_measuring_ends_with_a_first_look(study, capsys, quick):
    write_study(study, {"a": "sound", "b": "CORRUPT"})
    _, out, _ = run(capsys, "measure")
    page = study / "results" / "first-look.html"
    assert f"Open {page.relative_to(study)} in a browser" in out
    text = page.read_text(encoding="utf-8")
    assert "What to do next" in text and "vibstudy status" in text  # one of them failed
    assert "soloist?</li>" in text  # a question ends with its own mark
    before = page.stat().st_mtime_ns
    run(capsys, "measure")
    assert page.stat().st_mtime_ns == before  # nothing new: left as it is


def test_the_first_look_of_a_study_holds_everybody_and_escapes_names():
    notes = invented_notes(players=3, recordings=2)
    notes["player"] = notes["player"].astype("object").replace("Player Aster", "<b>Aster</b>")
    straight = notes[notes["player"] == "Player Birch"].index
    notes.loc[straight, "has_vibrato"] = False
    rows = player_rows(notes)
    assert [row.player for row in rows] == sorted(notes["player"].unique())
    birch = next(row for row in rows if row.player == "Player Birch")
    assert birch.with_vibrato == 0 and birch.long_enough > 0 and math.isnan(birch.rate_hz)
    others = sum(row.notes for row in rows)
    assert others == len(notes)
    assert any("Add players" in why for _, why in next_steps(notes, 0))
    assert not any("No note can be used" in why for _, why in next_steps(notes, 0))
    bare = notes["recording_id"].iloc[0]
    without = notes.assign(usable=notes["usable"] & (notes["recording_id"] != bare))
    assert any(why.endswith(f"No note can be used of: {bare}") for _, why in next_steps(without, 0))


# --- expect


def test_expect_leaves_the_folder_of_sound_alone(study, capsys, monkeypatch):
    monkeypatch.setattr("vibstudy.playing.expected.RATES_HZ", (6.0,))
    monkeypatch.setattr("vibstudy.playing.expected.EXTENTS_CENTS", (20.0,))
    (study / "corpus_manifest.csv").write_text("recording_id,path,player,decade,region\n")
    code, out, _ = run(capsys, "expect", "audio/tone.wav")
    assert code == 0 and "tone_expected.csv" in out
    assert sorted(path.name for path in (study / "audio").iterdir()) == ["tone.wav"]
    assert (study / "tone_expected.csv").is_file()


# --- new and lab


def test_new_makes_an_explained_folder_and_overwrites_nothing(study, capsys):
    code, out, _ = run(capsys, "new", "my study")
    assert code == 0 and "my study is ready" in out
    folder = study / "my study"
    for name in ("corpus_manifest.csv", "study.toml", "claims.toml", "README.txt"):
        assert (folder / name).is_file() and f"made  {name}" in out
    text = (folder / "README.txt").read_text(encoding="utf-8")
    assert all(column.name in text for column in MANIFEST_COLUMNS)
    assert max(map(len, text.splitlines())) < 110
    assert len(list((folder / "notebooks").glob("*.ipynb"))) >= 5
    assert not read_claims(folder / "claims.toml"), "the examples are remarks"
    code, _, err = run(capsys, "check", "my study")
    assert code == 2 and err.count("\n") == 1 and "a header but no recording" in err
    (folder / "study.toml").write_text("# mine\n")
    (folder / "claims.toml").unlink()
    code, out, _ = run(capsys, "new", "my study")
    assert "kept  study.toml" in out and "made  claims.toml" in out
    assert (folder / "study.toml").read_text() == "# mine\n"


def test_the_example_of_a_new_study_is_right_once_it_is_no_remark(study, capsys):
    run(capsys, "new", "s")
    path = study / "s" / "corpus_manifest.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("# example", "example"), encoding="utf-8")
    tone(study / "s" / "audio" / "example_1954.wav", seconds=49)
    assert run(capsys, "check", str(path))[0] == 0


def test_new_where_nothing_can_be_made(study, capsys):
    (study / "file").write_text("in the way")
    code, _, err = run(capsys, "new", "file/study")
    assert code == 2 and "cannot be made" in err


def test_lab_starts_jupyter_on_the_notebooks(study, capsys, monkeypatch):
    (study / "corpus_manifest.csv").write_text("recording_id,path,player,decade,region\n")
    code, _, err = run(capsys, "lab")
    assert code == 2 and "no notebooks here" in err
    (study / "notebooks").mkdir()
    (study / "notebooks" / "01.ipynb").write_text("{}")
    called = []

    class Server:
        def __init__(self, command, env):
            called.append(command)

        def wait(self):
            return 0

        poll = wait

    monkeypatch.setattr(subprocess, "Popen", Server)
    assert run(capsys, "lab")[0] == 0
    assert called[0][:4] == [sys.executable, "-m", "jupyter", "lab"]
    assert f"--ServerApp.root_dir={study}" in called[0]


# --- faults of the tool


def test_a_fault_is_one_sentence_and_a_file(study, capsys, quick, monkeypatch):
    write_study(study, 1)
    monkeypatch.setattr("platformdirs.user_log_path", lambda *_, **__: study / "logs")

    def broken(*_, **__):
        raise ZeroDivisionError("invented fault")

    monkeypatch.setattr("vibstudy.measure.measure_corpus", broken)
    code, out, err = run(capsys, "measure")
    assert code == 3 and out == "" and err.count("\n") == 1
    (file,) = (study / "logs").iterdir()
    assert str(file) in err and "ZeroDivisionError" in file.read_text()
    with pytest.raises(ZeroDivisionError):
        cli.main(["measure", "--debug"])


def test_a_console_without_the_letters_does_not_stop_it(study):
    (study / "corpus_manifest.csv").write_text(
        "recording_id,path,player,decade,region\n♪?,x.wav,♪,1950,n\n", "utf-8"
    )
    done = subprocess.run(
        [sys.executable, "-c", "import sys; from vibstudy.cli import main; sys.exit(main(['check']))"],
        env=os.environ | {"PYTHONIOENCODING": "ascii"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2 and "Traceback" not in done.stderr and "it holds ?" in done.stderr


def test_the_listening_notebook_opens_alone(tmp_path, monkeypatch):
    """Beside JupyterLab's list of files 28 px of a window of 390 were left to the room."""
    from vibstudy.review import launch

    started = []

    class Server:
        def __init__(self, command, env):
            started.extend(command)

        def wait(self):
            return 0

        def poll(self):
            return 0

    monkeypatch.setattr(launch.subprocess, "Popen", Server)
    (tmp_path / "notebooks").mkdir()
    (tmp_path / "notebooks" / f"{launch.NOTEBOOK}.ipynb").write_text("{}")
    assert launch.run_review(tmp_path, Console(quiet=True)) == 0
    assert f"--LabApp.default_url=/doc/tree/notebooks/{launch.NOTEBOOK}.ipynb" in started
