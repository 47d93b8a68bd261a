"""What an enemy, or bad luck, puts into the files: nothing runs, nothing hangs, everything is said in words.

Limits: five seconds and a gigabyte for any formula, filter or table. Packages are attacked in
``test_hostile_packages.py``, files, scores and tables in those beside it.
"""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile
from rich.console import Console

from tests.review_study import make_review_study
from vibstudy import cli, read_notes
from vibstudy.corpus.manifest import inspect_manifest
from vibstudy.corpus.names import mended_name, name_fault
from vibstudy.decisions.edits import EDITS_NAME, make_edit, read_edits, why_unusable
from vibstudy.errors import MOST_ALIKE, VibstudyError
from vibstudy.sound.reading import read_audio
from vibstudy.stats import fit_mixed
from vibstudy.stats.claims import Claim, Contrast, evaluate_claims, read_claims, run_claims
from vibstudy.terminal import shown

LIMIT_S = 5.0


# --- formulas and filters


def test_no_formula_or_filter_runs_code_hangs_or_grows(tmp_path: Path) -> None:
    canary = tmp_path / "canary"
    script = Path(__file__).with_name("hostile_fuzz.py")
    done = subprocess.run(
        [sys.executable, str(script), "2000", str(canary)],
        capture_output=True,
        text=True,
        check=False,
        timeout=400,
        cwd=tmp_path,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    *found, counts = done.stdout.strip().splitlines()
    assert found == []
    tried, understood = (int(part.split()[0]) for part in counts.split(", ")[:2])
    assert tried >= 2000
    assert understood >= 100  # enough of them are read to the end
    assert not canary.exists()


def attacked(canary: Path) -> tuple[pd.DataFrame, str]:
    """A note table with the column, and the term, that once ran code."""
    code = f"__import__('os').system('touch {canary}')"
    rng = np.random.default_rng(1)
    frame = pd.DataFrame(
        {
            "player": [f"Player {k % 8}" for k in range(96)],
            "recording_id": [f"take{k % 24}" for k in range(96)],
            "decade": 1930 + 10 * (np.arange(96) % 5),
            "rate_hz": 5 + rng.random(96),
            f"decade` + {code}": rng.random(96),
        }
    )
    return frame, f"{{`decade` + {code}}}"


def test_a_claim_runs_nothing(tmp_path: Path) -> None:
    notes, term = attacked(tmp_path / "canary")
    for adjust in (term, f"I(`decade` * 0 + {term[12:-1]})", "`" + notes.columns[-1]):
        claim = Claim("x", "x", "rate_hz", Contrast("decade", 1930, 1970), "lower", adjust=(adjust,))
        row = evaluate_claims([claim], notes).iloc[0]
        assert row["verdict"] == "not testable here"
        assert "the formula cannot be read at letter" in row["reason"]
    assert not (tmp_path / "canary").exists()


def test_a_claims_file_names_columns_and_forms_only(tmp_path: Path) -> None:
    file = tmp_path / "claims.toml"
    file.write_text(
        '[[claim]]\nid = "a"\nsentence = "s"\noutcome = "rate_hz + open(1)"\nexpect = "lower"\n'
        'contrast = { column = "decade) + (midi", from = 1, to = 9e400 }\n'
        'adjust = ["region", "{x}", "eval(1)"]\ncrossed = ["a`b"]\nfilter = "decade > __import__(1)"\n'
        "margin = 1e400\n",
        encoding="utf-8",
    )
    with pytest.raises(VibstudyError) as error:
        read_claims(file)
    found = error.value.problems
    assert {problem.column for problem in found} == {
        "outcome", "column", "to", "adjust", "crossed", "filter", "margin",
    }  # fmt: skip
    assert all(problem.message.startswith("claim a: ") and problem.file == str(file) for problem in found)
    assert sum("at letter" in problem.message for problem in found) >= 3


# --- names of columns


@pytest.mark.parametrize(
    "name",
    ["a`b", "{x}", "a[0]", "a]", "x(1)", 'a"b', "a'b", "two\nlines", "a\rb", "a\x00b", "a\u200bb", "", 7],
)
def test_names_with_signs_are_refused_and_mended(name: object) -> None:
    assert name_fault(name)
    assert name_fault(mended_name(name)) == ""


@pytest.mark.parametrize("name", ["rate_hz", "vibrato type", "a:b", "a-b", "Größe", "名前", "__class__", "C"])
def test_other_names_are_kept(name: str) -> None:
    assert name_fault(name) == ""


def test_a_manifest_with_such_names_is_refused_with_the_place(tmp_path: Path) -> None:
    file = tmp_path / "corpus_manifest.csv"
    file.write_text(
        'recording_id,path,player,decade,region,a`b,{c},"two\nlines",mood\nx,x.wav,P,1950,N,1,2,3,4\n',
        encoding="utf-8",
    )
    found = [p for p in inspect_manifest(file, audio=False).problems if "cannot be called so" in p.message]
    assert [p.column for p in found] == ["a`b", "{c}", "two\nlines"]
    assert all(p.row == 1 and p.file == str(file) and "Rename it, for example" in p.repair for p in found)


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_a_table_with_such_names_is_refused(tmp_path: Path, kind: str) -> None:
    notes = pd.DataFrame({"recording_id": ["x"], "a`b": [1.0]})
    if kind == "csv":
        notes.to_csv(tmp_path / "notes.csv", index=False)
    else:
        notes.to_parquet(tmp_path / "notes.parquet")
    with pytest.raises(VibstudyError, match=r"notes\..*column a`b: .*backtick.*Rename it, for example 'a_b'"):
        read_notes(tmp_path)


# --- the terminal


MARKED = ["Kell [attrib.]", "One [/red]", "[link=file:///x]Two[/link]", "Three :boom:", "Four \x1b[31m\u202e"]


def marked_study(folder: Path) -> None:
    """A measured study whose players are called as above; a level of each region rests on one of them."""
    rows = [
        (MARKED[k % 5], f"rec{k % 5}", 1930 + 40 * (k % 5 == 0), f"R{k % 5} [b]", 5.5 + 0.01 * (k % 7), False)
        for k in range(60)
    ]
    names = ["player", "recording_id", "decade", "region", "rate_hz", "exclude"]
    notes = pd.DataFrame(rows, columns=names)
    results = folder / "results"
    results.mkdir()
    notes.assign(has_vibrato=True, note_id=[f"n{k}" for k in range(60)]).to_csv(
        results / "notes.csv", index=False
    )
    recordings = notes.drop_duplicates("recording_id")[["recording_id", "player"]]
    recordings.assign(audio_sha256="").to_csv(results / "recordings.csv", index=False)
    (folder / "claims.toml").write_text(
        '[[claim]]\nid = "a"\nsentence = "Was it [bold] or [/red]?"\noutcome = "rate_hz"\nexpect = "lower"\n'
        'contrast = { column = "region", from = "R0 [b]", to = "R1 [b]" }\n',
        encoding="utf-8",
    )


def test_claims_show_names_as_they_are_written(tmp_path: Path) -> None:
    marked_study(tmp_path)
    stream = io.StringIO()
    assert run_claims(tmp_path, Console(file=stream, width=400, force_terminal=False)) == 0
    assert "Was it [bold] or [/red]?" in stream.getvalue()
    assert "All notes of region R0 [b] are by one player (Kell [attrib.])" in stream.getvalue()


def test_status_shows_names_as_they_are_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros(22050), 22050)
    rows = [f"rec{k},a.wav,{name},1950,{name}" for k, name in enumerate([*MARKED[:2], MARKED[3]])]
    (tmp_path / "corpus_manifest.csv").write_text(
        "\n".join(["recording_id,path,player,decade,region", *rows]), encoding="utf-8"
    )
    assert cli.main(["status", str(tmp_path / "corpus_manifest.csv")]) == 0
    said = " ".join(capsys.readouterr().out.split())
    for word in ("[attrib.]", "[/red]", ":boom:"):
        assert word in said


def test_nothing_steers_the_terminal() -> None:
    assert shown("a\x1b[2J\x07\u202eb\x9b1m\rc") == r"a\x1b[2J\x07\u202eb\x9b1m\rc"
    assert shown("two\r\nlines\tand é ♯ 名") == "two\nlines\tand é ♯ 名"
    assert shown("\ud800").encode("utf-8") == rb"\ud800"


# --- tables and sound


def refused(path: Path) -> str:
    """The only problem of a manifest, found in time."""
    began = time.process_time()
    problems = inspect_manifest(path).problems
    assert time.process_time() - began < LIMIT_S
    return str(problems[0])


@pytest.mark.parametrize("columns", [5_000, 100_000])
def test_thousands_of_columns_are_told_at_once(tmp_path: Path, columns: int) -> None:
    file = tmp_path / "corpus_manifest.csv"
    header = ["recording_id", "path", "player", "decade", "region", *(f"own{k}" for k in range(columns))]
    row = ["x", "x.wav", "P", "1950", "N", *(["1"] * columns)]
    file.write_text(",".join(header) + "\n" + ",".join(row) + "\n", encoding="utf-8")
    assert f"the table has {columns + 5:,} columns; at most 300 are read" in refused(file)


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_links_to_themselves_are_told(tmp_path: Path) -> None:
    manifest, sound = tmp_path / "corpus_manifest.csv", tmp_path / "loop.wav"
    manifest.symlink_to(manifest.name)
    assert "this is a link that leads to itself" in refused(manifest)
    manifest.unlink()
    sound.symlink_to("other.wav")
    (tmp_path / "other.wav").symlink_to("loop.wav")
    manifest.write_text("recording_id,path,player,decade,region\nx,loop.wav,P,1950,N\n", encoding="utf-8")
    assert "row 2, column path: this is a link that leads to itself" in refused(manifest)
    with pytest.raises(VibstudyError, match=r"loop\.wav: this is a link that leads to itself"):
        read_audio(sound)
    assert cli.main(["measure", str(manifest)]) == 1


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_a_link_to_what_is_gone_is_told(tmp_path: Path) -> None:
    """Its name stands in the folder: that no such file is there would be no help."""
    (tmp_path / "old.wav").symlink_to("gone.wav")
    manifest = tmp_path / "corpus_manifest.csv"
    manifest.write_text("recording_id,path,player,decade,region\nx,old.wav,P,1950,N\n", encoding="utf-8")
    assert "row 2, column path: this is a link to 'gone.wav', which is not there" in refused(manifest)


def test_one_sample_is_told_as_one(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "x.wav", np.zeros(1), 22050)
    with pytest.raises(VibstudyError, match=r"\(got '1 sample'\)"):
        read_audio(tmp_path / "x.wav")


def test_sound_of_a_thousand_samples_a_second_is_told(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "x.wav", np.sin(np.arange(4000)), 1000)
    with pytest.raises(VibstudyError, match=r"too few samples a second for music \(got '1000'\)"):
        read_audio(tmp_path / "x.wav")
    manifest = tmp_path / "corpus_manifest.csv"
    manifest.write_text("recording_id,path,player,decade,region\nx,x.wav,P,1950,N\n", encoding="utf-8")
    assert "1000 samples a second: too few for music" in refused(manifest)


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("value", [1e10, 1e30, 3e38, -3e38])
@pytest.mark.filterwarnings("error")
def test_samples_that_are_no_sound_are_told(tmp_path: Path, value: float, channels: int) -> None:
    samples = 0.3 * np.sin(0.1 * np.arange(44100))[:, None].repeat(channels, axis=1)
    samples[20000, -1] = value
    soundfile.write(tmp_path / "x.wav", samples.astype("float32"), 22050, subtype="FLOAT")
    with pytest.raises(
        VibstudyError, match=rf"where full scale is 1 \(got 'first at 0\.9070 s, channel {channels}'"
    ):
        read_audio(tmp_path / "x.wav")


# --- the review room, and what it starts


@pytest.fixture(scope="module")
def heard(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_review_study(tmp_path_factory.mktemp("heard") / "study", recordings=1)


DEEP: list = []
for _ in range(2000):
    DEEP = [DEEP]

MESSAGES = [
    [],
    None,
    "accept",
    7,
    {},
    {"do": []},
    {"do": {}},
    {"do": "nothing"},
    {"do": "who", "who": ["a"]},
    {"do": "who", "who": DEEP},
    {"do": "go", "to": float("inf")},
    {"do": "go", "to": float("nan")},
    {"do": "go", "to": []},
    {"do": "sound", "which": 10**5000},
    {"do": "sound", "which": ["note"]},
    {"do": "octave", "by": 10**400},
    {"do": "octave", "by": float("nan")},
    {"do": "octave", "by": True},
    {"do": "octave", "by": 7},
    {"do": "edges", "onset_s": 10**400, "offset_s": 1},
    {"do": "edges", "onset_s": float("inf"), "offset_s": float("-inf")},
    {"do": "edges", "onset_s": float("nan"), "offset_s": float("nan")},
    {"do": "edges", "onset_s": [0], "offset_s": {}},
    {"do": "split", "at_s": float("inf")},
    {"do": "split", "at_s": 10**400},
    {"do": "count", "cycles": 1e308},
    {"do": "count", "cycles": 1000},
    {"do": "count", "cycles": 10**400},
    {"do": "count", "cycles": float("inf")},
    {"do": "count", "cycles": -1},
    {"do": "count"},
    {"do": "reject", "why": DEEP},
    {"do": "reject", "why": 10**5000},
]


def test_messages_that_no_page_sends_change_nothing(heard: Path) -> None:
    from vibstudy.review.queue import by_suspicion, read_queue_columns
    from vibstudy.review.room import ReviewRoom

    room = ReviewRoom(heard, by_suspicion(read_queue_columns(heard)), "Ear")
    for message in MESSAGES:
        room.receive(message)
        assert room.view["say"], message
        assert (room.view["place"], room.view["who"], room.view["empty"]) == (0, "Ear", False), message
    assert not (heard / EDITS_NAME).exists()
    room.receive({"do": "go", "to": 10**400})  # any number is a place: the last
    assert room.view["place"] == room.view["total"] - 1
    room.receive({"do": "count", "cycles": 3})
    assert len(read_edits(heard / EDITS_NAME)[0]) == 1


@pytest.mark.parametrize(
    ("what", "value"),
    [
        ("count", [1e308, 1.0]),
        ("count", [10**400, 1.0]),
        ("count", [500, 1.0]),
        ("edges", [0, 1e308]),
        ("edges", [0, 10**400]),
        ("split", 10**400),
        ("octave", 10**400),
    ],
)
def test_decisions_of_a_colleague_that_no_one_can_make(tmp_path: Path, what: str, value: object) -> None:
    note = {"recording_id": "x", "note_id": "x/1", "onset_s": 0.0, "offset_s": 1.0}
    edit = make_edit("Ear", note, "a" * 64, what, value)
    assert "does not fit" in why_unusable(edit)


@pytest.mark.parametrize("value", [1e308, -1e308, 1e160])
def test_numbers_that_no_measurement_gives_are_told(value: float) -> None:
    notes = pd.DataFrame({"player": list("aabbccdd"), "recording_id": list("abcdefgh")})
    notes["rate_hz"], notes["decade"] = np.linspace(5.0, 6.0, 8), [1930, 1960] * 4
    notes.loc[3, "rate_hz"] = value
    with pytest.raises(VibstudyError, match="no measurement gives it"):
        fit_mixed(notes, "rate_hz ~ decade")


def test_dates_out_of_the_calendar_are_told(tmp_path: Path) -> None:
    from vibstudy.decisions.edits import append_edit, in_order

    note = {"recording_id": "x", "note_id": "x/1", "onset_s": 0.0, "offset_s": 1.0}
    file = tmp_path / EDITS_NAME
    append_edit(file, make_edit("Ear", note, "a" * 64, "accept"))
    year = file.read_text(encoding="utf-8").splitlines()[1].split(",")[1][:4]
    file.write_text(file.read_text(encoding="utf-8").replace(f",{year}-", ",0001-").replace("+00:00", ""))
    edits, problems = read_edits(file)
    assert len(edits) + len(problems) == 1
    in_order(edits)


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_the_notebook_server_ends_with_the_program(tmp_path: Path, number: int) -> None:
    """A stand-in for the server, started by the same call, must be gone when `lab` is ended."""
    stand_in, mark = tmp_path / "server", tmp_path / "pid"
    stand_in.write_text(f"#!/bin/sh\necho $$ > {mark}.new && mv {mark}.new {mark}\nexec sleep 300\n")
    stand_in.chmod(0o755)
    (tmp_path / "notebooks").mkdir()
    (tmp_path / "notebooks" / "01.ipynb").write_text("{}")
    (tmp_path / "corpus_manifest.csv").write_text("recording_id,path,player,decade,region\n")
    code = (  # what a shell starts in the background is deaf to Ctrl-C, and so is what that starts
        "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler); "
        f"from vibstudy import cli; sys.executable = {str(stand_in)!r}; "
        f"sys.exit(cli.main(['lab', {str(tmp_path)!r}]))"
    )
    program = subprocess.Popen([sys.executable, "-c", code])
    try:
        deadline = time.monotonic() + 120
        while not mark.exists():
            assert program.poll() is None and time.monotonic() < deadline
            time.sleep(0.05)
        server = int(mark.read_text())
        program.send_signal(number)
        assert program.wait(60) == (128 + number if number == signal.SIGTERM else 0)
        with pytest.raises(ProcessLookupError):
            os.kill(server, 0)
    finally:
        program.kill()
        program.wait()


# --- what else comes from outside, and where answers go


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes of POSIX")
@pytest.mark.parametrize("kind", ["pipe", "link out", "device", "long"])
def test_a_signature_that_is_no_file_is_passed_over(heard: Path, kind: str) -> None:
    """A pipe waited for ever, a device filled the memory, and a link showed a file of the computer."""
    from vibstudy.review.queue import by_suspicion, read_queue_columns
    from vibstudy.review.room import ReviewRoom

    queue = by_suspicion(read_queue_columns(heard)).head(1)
    plain = ReviewRoom(heard, queue).who
    path, secret = heard / "results" / "listener.txt", heard.parent / "secret.txt"
    secret.write_text("Secret", encoding="utf-8")
    {
        "pipe": lambda: os.mkfifo(path),
        "link out": lambda: path.symlink_to(secret),
        "device": lambda: path.symlink_to("/dev/zero"),
        "long": lambda: path.write_text("Long " * 100_000, encoding="utf-8"),
    }[kind]()
    try:
        room = ReviewRoom(heard, queue)
        assert room.who == plain
        room.receive({"do": "who", "who": "Ear"})
        assert room.who == "Ear" and not room.view["say"]
        assert secret.read_text(encoding="utf-8") == "Secret"
        if kind in ("link out", "long"):  # a pipe and a device stay what they are
            assert not path.is_symlink() and ReviewRoom(heard, queue).who == "Ear"
    finally:
        path.unlink()


def test_what_is_no_file_is_not_replaced(tmp_path: Path) -> None:
    """A device named as the file to write was replaced, where the system allows it."""
    from vibstudy.corpus.atomic import write_text

    (tmp_path / "folder").mkdir()
    places = {tmp_path / "folder": "a folder", Path(): "a folder", tmp_path / "none" / "x": "no such folder"}
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe")
        places[tmp_path / "pipe"] = "not an ordinary file"
    before = sorted(tmp_path.iterdir())
    for path, words in places.items():
        with pytest.raises(VibstudyError, match=words):
            write_text(path, "x")
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.parametrize("value", ["0x" + "f" * 5000, "9223372036854775808", "[[1, -9223372036854775809]]"])
def test_whole_numbers_that_no_reader_must_know_are_refused(tmp_path: Path, value: str) -> None:
    """TOML 1.0, "Integer": 64 bits are asked for, and an error for more than can be kept exactly."""
    from vibstudy.corpus.settings import load_settings

    (tmp_path / "study.toml").write_text(f"[run]\nworkers = {value}\n", encoding="utf-8")
    (tmp_path / "claims.toml").write_text(f"[[claim]]\nid = {value}\n", encoding="utf-8")
    for read in (load_settings, read_claims):
        with pytest.raises(VibstudyError, match="more than 64 bits"):
            read(tmp_path)


def test_files_full_of_mistakes_are_told_in_few_words(tmp_path: Path) -> None:
    from vibstudy.corpus.settings import load_settings
    from vibstudy.notes.lists import read_note_list

    notes = tmp_path / "notes.csv"
    notes.write_text("onset_s,offset_s,pitch\n" + "a,1,A4\n" * 5000 + "0,1,\n" * 5000, encoding="utf-8")
    (tmp_path / "study.toml").write_text("[run]\n" + "".join(f"k{k} = 1\n" for k in range(5000)))
    for read, path, kinds in ((read_note_list, notes, 2), (load_settings, tmp_path, 1)):
        with pytest.raises(VibstudyError) as refusal:
            read(path)
        assert len(refusal.value.problems) == kinds * (MOST_ALIKE + 1)
        assert sum("from here on are such" in p.message for p in refusal.value.problems) == kinds


@pytest.mark.parametrize("seconds", ["9" * 400, "1" + "0" * 12])
def test_times_of_a_note_list_that_no_clock_shows_are_told(tmp_path: Path, seconds: str) -> None:
    from vibstudy.notes.lists import read_note_list

    (tmp_path / "notes.csv").write_text(f"onset_s,offset_s\n0,{seconds}\n", encoding="utf-8")
    with pytest.raises(VibstudyError, match="no recording has this time"):
        read_note_list(tmp_path / "notes.csv")


def test_a_take_ends_where_its_sound_ends(heard: Path) -> None:
    from vibstudy.pages.passage import Passage, write_passage_page

    takes = ("take0,-1e308,1e308", "take0,0,1e12")
    write_passage_page(heard, Passage(takes=takes), heard / "passage.html")
    table = pd.read_csv(heard / "figures" / "passage.csv")
    assert len(table) == 8 and table["name"].str.endswith("s)").all()
