"""Links, devices, deep texts, names the tool keeps and full disks: told in words, what was there stays."""

from __future__ import annotations

import json
import os
import re
import resource
import time
from pathlib import Path

import pandas as pd
import pytest

from vibstudy import cli
from vibstudy.corpus.atomic import replacing
from vibstudy.corpus.cells import KEPT_NAMES, id_fault
from vibstudy.corpus.manifest import check_manifest
from vibstudy.corpus.store import Store
from vibstudy.corpus.untrusted import TEMPORARY, as_json, as_toml, read_bytes
from vibstudy.decisions.edits import read_edits
from vibstudy.errors import VibstudyError
from vibstudy.notes.lists import read_note_list
from vibstudy.stats.claimfile import read_claims
from vibstudy.stats.ledger import Ledger

SLOWEST_S = 5.0


# --- the guarded reader


def test_links_out_pipes_devices_and_sizes_are_refused(tmp_path):
    home = tmp_path / "home"
    home.mkdir()
    (tmp_path / "secret.csv").write_text("onset_s,offset_s\n0,1\n")
    (home / "list.csv").write_text("onset_s,offset_s\n0,1\n")
    (home / "in.csv").symlink_to("list.csv")
    (home / "out.csv").symlink_to("../secret.csv")
    (home / "self.csv").symlink_to("self.csv")
    (home / "zero.csv").symlink_to("/dev/zero")
    os.mkfifo(home / "pipe.csv")
    (home / "long.csv").write_bytes(b"x" * 200)
    assert len(read_note_list(home / "in.csv")) == 1
    for name, words in {
        "out.csv": "leads out of its folder",
        "self.csv": "leads to itself",
        "zero.csv": "leads out of its folder",
        "pipe.csv": "not an ordinary file",
    }.items():
        for read in (read_note_list, check_manifest_raising, read_claims, Ledger, read_edits_raising):
            with pytest.raises(VibstudyError) as refusal:
                read(home / name)
            assert words in str(refusal.value), (name, read)
            assert all(problem.repair for problem in refusal.value.problems)
    for path, words in (
        (home / "none.csv", "no such file"),
        (home / "\0.csv", "cannot be opened"),
        (home, "folder"),
    ):
        with pytest.raises(VibstudyError, match=words):
            read_note_list(path)
    with pytest.raises(VibstudyError, match=r"larger than 0\.0001 MB"):
        read_bytes(home / "long.csv", most_bytes=100)
    assert read_bytes(home / "list.csv") == b"onset_s,offset_s\n0,1\n"


def check_manifest_raising(path: Path) -> None:
    raise VibstudyError(check_manifest(path))


def read_edits_raising(path: Path) -> None:
    raise VibstudyError(read_edits(path)[1])


@pytest.mark.parametrize(
    "text",
    [
        '{"a": 1, "a": 2}',
        '{"a": NaN}',
        '{"a": 1e999}',
        '{"a": -Infinity}',
        "[" * 30 + "]" * 30,
        "9" * 5000,
        "",
        "{",
        "\ufeff\0",
    ],
)
def test_loose_json_is_refused(text):
    with pytest.raises(VibstudyError):
        as_json(text.encode(), "x.json")


def test_strings_of_brackets_are_not_deep():
    assert as_json(json.dumps({"a": '[{"' * 50}).encode(), "x.json") == {"a": '[{"' * 50}


@pytest.mark.parametrize(
    "text", ["a." * 100_000 + "a = 1", "[" + "a." * 100_000 + "a]", "x = {" + '"a" . ' * 50_000 + "a = 1}"]
)
def test_a_name_of_many_parts_does_not_take_for_ever(text):
    began = time.process_time()
    with pytest.raises(VibstudyError):
        as_toml(text.encode(), "x.toml")
    assert time.process_time() - began < SLOWEST_S


def test_prose_with_dots_is_no_name():
    prose = " ".join(f"Word{k}." for k in range(40))
    assert as_toml(f'sentence = "{prose}" # {prose}'.encode(), "x.toml") == {"sentence": prose}


# --- names the tool keeps


@pytest.mark.parametrize(
    "name", [*KEPT_NAMES, "Tables.JSON", "WRITER.lock", f"x{TEMPORARY}", f"X{TEMPORARY.upper()}", "con", "NUL.x", "com¹",
             "CONIN$", ".", "..", "take.", ".take", "a/b", "a\\b", "a:b", "a\tb"],
)  # fmt: skip
def test_a_name_the_tool_keeps_is_no_recording(name, tmp_path):
    assert id_fault(name)
    (tmp_path / "m.csv").write_text(
        f'recording_id,path,player,decade,region\n"{name}",a.wav,P,1950,R\n', encoding="utf-8"
    )
    found = [p for p in check_manifest(tmp_path / "m.csv", audio=False) if p.column == "recording_id"]
    assert found and found[0].repair
    assert not id_fault(re.search(r"'(.*)'", found[0].repair).group(1))


def test_every_file_the_store_makes_beside_the_entries_is_kept(tmp_path):
    store = Store(tmp_path / "results")
    with store.writing():
        store.write_tables(_no_recordings(), {})
        names = {path.name for path in store.cache.iterdir()}
    assert names and all(id_fault(name) for name in names | {f"notes.csv.1{TEMPORARY}"})


def _no_recordings() -> pd.DataFrame:
    return pd.DataFrame(
        {"recording_id": [], "audio_path": [], "manifest_row": [], "exclude": [], "player": []}, dtype=object
    )


def test_a_folder_left_under_a_temporary_name_does_not_stop_the_next_writer(tmp_path):
    store = Store(tmp_path)
    (store.cache / f"x{TEMPORARY}" / "inside").mkdir(parents=True)
    with store.writing():
        pass
    assert not (store.cache / f"x{TEMPORARY}").exists()


# --- a full disk


def test_a_full_disk_is_told_and_leaves_what_was_there(tmp_path):
    """A limit on the size of files stands for the full disk; the kernel refuses in the middle of the table."""
    (tmp_path / "notes.csv").write_text("old", encoding="utf-8")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, before[1]))
    try:
        with (
            pytest.raises(
                VibstudyError, match=r"notes\.csv: this file would be larger than this disk allows"
            ),
            replacing(tmp_path / "notes.csv") as stream,
        ):
            for _ in range(100):
                stream.write(b"x" * 1000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert [path.name for path in tmp_path.iterdir()] == ["notes.csv"]
    assert (tmp_path / "notes.csv").read_text() == "old"


@pytest.mark.parametrize("number", [28, 122, 30, 5])
def test_trouble_of_the_system_is_no_mistake_of_the_tool(number, monkeypatch, capsys, tmp_path):
    def full(*_, **__):
        raise OSError(number, os.strerror(number), str(tmp_path / "results"))

    monkeypatch.setattr("vibstudy.measure.measure_corpus", full)
    (tmp_path / "corpus_manifest.csv").write_text("recording_id\n")
    assert cli.main(["measure", str(tmp_path)]) == cli.UNUSABLE
    said = capsys.readouterr().err
    assert "made a mistake" not in said and "as they were" not in said
    assert {28: "the disk is full", 122: "share of the disk is full"}.get(number, "disk") in said


def test_a_mistake_does_not_promise_more_than_is_so(monkeypatch, capsys, tmp_path):
    def fault(*_, **__):
        raise KeyError("x")

    monkeypatch.setattr("vibstudy.measure.measure_corpus", fault)
    (tmp_path / "corpus_manifest.csv").write_text("recording_id\n")
    assert cli.main(["measure", str(tmp_path)]) == cli.FAULT
    said = capsys.readouterr().err
    assert "Your files are as they were" not in said and "What was finished before is kept" in said
