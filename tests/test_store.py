"""The results folder: what is kept, when it is measured again and why, and the tables.

Outside sources: SHA-256 of "abc" from FIPS 180-4 / NIST's examples; the Frictionless validator for the
data package; OWASP's list of signs that begin a formula (CSV Injection; from memory).
"""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from frictionless import validate
from hypothesis import given
from hypothesis import strategies as st

import vibstudy
from tests import fake_study
from tests.fake_study import write_study
from vibstudy.corpus import store as store_module
from vibstudy.corpus.atomic import put_in_place, replacing
from vibstudy.corpus.entries import Entry, Recording, pack
from vibstudy.corpus.manifest import read_manifest
from vibstudy.corpus.settings import Settings
from vibstudy.corpus.store import Store, read_log, read_notes, read_recordings, recordings_of, stamp_file
from vibstudy.corpus.tables import guard, unguard, write_frame
from vibstudy.errors import VibstudyError
from vibstudy.schema import NOTE_COLUMNS

SETTINGS = Settings()


def save(store: Store, recording: Recording, settings: Settings = SETTINGS) -> Entry:
    stamps = {role: stamp_file(path) for role, path in recording.files.items()}
    result = fake_study.measure(Path(recording.audio_path), settings, recording.row)
    return store.save(recording, settings, stamps, pack(result), 0.5)


def one(folder: Path, text: str = "sound", **row) -> Recording:
    folder.mkdir(exist_ok=True)
    path = folder / "a.wav"
    path.write_text(text)
    return Recording("a", str(path), {"recording_id": "a", "path": "a.wav", **row})


def study(folder: Path, count: int = 4, **columns) -> tuple[Store, pd.DataFrame, dict[str, Entry]]:
    """A store with every recording of a small study in it, the manifest and the entries."""
    frame = read_manifest(write_study(folder, count, **columns))
    store = Store(folder / "results")
    entries = {}
    with store.writing():
        for recording in recordings_of(frame, folder):
            entries[recording.recording_id] = save(store, recording)
        store.write_tables(frame, entries)
    return store, frame, entries


# --- entries and why


def test_stamp_is_sha_256(tmp_path):
    path = tmp_path / "abc"
    path.write_bytes(b"abc")  # FIPS 180-4, example of one block
    assert stamp_file(path).sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_new_then_up_to_date(tmp_path):
    store, recording = Store(tmp_path / "out"), one(tmp_path)
    assert store.why(recording, SETTINGS) == "it is new"
    save(store, recording)
    assert store.why(recording, SETTINGS) == ""
    assert sorted(path.name for path in (tmp_path / "out" / "cache" / "a").iterdir()) == [
        "key.json",
        "line.parquet",
        "notes.arrow",
        "recording.json",
    ]


def test_stored_tables_come_back(tmp_path):
    store, recording = Store(tmp_path / "out"), one(tmp_path)
    save(store, recording)
    result = fake_study.measure(Path(recording.audio_path), SETTINGS, recording.row)
    notes = store.notes("a")
    assert list(notes.columns) == [column.name for column in NOTE_COLUMNS]
    np.testing.assert_array_equal(notes["rate_hz"], result.notes["rate_hz"])
    assert notes["has_vibrato"].tolist() == result.notes["has_vibrato"].tolist()
    assert notes["intensity_p"].isna().all(), "what was not measured is missing, not 0"
    pd.testing.assert_frame_equal(store.line("a"), result.line)
    assert store.recording("a")["notes"] == len(notes)
    with pytest.raises(VibstudyError, match="has not been measured"):
        store.notes("b")


def test_changed_sound_is_told(tmp_path):
    store = Store(tmp_path / "out")
    save(store, one(tmp_path, "sound"))
    assert store.why(one(tmp_path, "other sound"), SETTINGS) == "the sound file changed"


def test_changed_settings_are_told(tmp_path):
    store, recording = Store(tmp_path / "out"), one(tmp_path)
    save(store, recording)
    why = store.why(recording, Settings(fmin_hz=80, tracker="pyin", workers=3))
    assert why == (
        "the setting tracker changed from swift-f0 to pyin; the setting fmin_hz changed from 45 to 80"
    )


def test_changed_cells_that_matter_are_told_and_others_not(tmp_path):
    store = Store(tmp_path / "out")
    save(store, one(tmp_path, tempo_bpm=72.0, player="A"))
    assert store.why(one(tmp_path, tempo_bpm=72.0, player="B"), SETTINGS) == ""
    why = store.why(one(tmp_path, tempo_bpm=72.0, medium="tape_lp"), SETTINGS)
    assert why == "medium in the manifest changed from empty to tape_lp"
    why = store.why(one(tmp_path, tempo_bpm=80.0, start_s=1.5), SETTINGS)
    assert why == (
        "start_s in the manifest changed from empty to 1.5; tempo_bpm in the manifest changed from 72 to 80"
    )


def test_changed_method_is_told(tmp_path, monkeypatch):
    store, recording = Store(tmp_path / "out"), one(tmp_path)
    save(store, recording)
    monkeypatch.setattr(store_module, "METHOD_VERSION", store_module.METHOD_VERSION + 1)
    assert "the method changed" in store.why(recording, SETTINGS)


def test_score_and_note_list_count_by_their_content(tmp_path):
    store = Store(tmp_path / "out")
    score = tmp_path / "score.mid"
    score.write_text("score")
    save(store, one(tmp_path))
    assert store.why(one(tmp_path, score_path=str(score)), SETTINGS) == "the score was added"
    save(store, one(tmp_path, score_path=str(score)))
    assert store.why(one(tmp_path, score_path=str(score)), SETTINGS) == ""
    score.write_text("another")
    assert store.why(one(tmp_path, score_path=str(score)), SETTINGS) == "the score changed"
    assert store.why(one(tmp_path), SETTINGS) == "the score was removed"


def test_moved_or_touched_file_is_not_measured_again(tmp_path):
    store, recording = Store(tmp_path / "out"), one(tmp_path)
    save(store, recording)
    os.utime(recording.audio_path, ns=(1, 1))
    assert store.why(recording, SETTINGS) == ""
    moved = one(tmp_path / "elsewhere")
    assert store.why(moved, SETTINGS) == ""
    store.remember("a", store.plan(moved, SETTINGS))
    assert store.entry("a").stamps["audio"]["mtime_ns"] == Path(moved.audio_path).stat().st_mtime_ns


def test_untouched_file_is_not_read_again(tmp_path, monkeypatch):
    store, recording = Store(tmp_path / "out"), one(tmp_path)
    save(store, recording)
    monkeypatch.setattr(store_module, "stamp_file", lambda path: pytest.fail("read again"))
    assert store.why(recording, SETTINGS) == ""


def test_setting_unknown_to_an_older_version_has_not_changed(tmp_path):
    store, recording = Store(tmp_path / "out"), one(tmp_path)
    save(store, recording)
    key = tmp_path / "out" / "cache" / "a" / "key.json"
    content = json.loads(key.read_text())
    del content["inputs"]["settings"]["second_opinion"]
    key.write_text(json.dumps(content))
    assert store.why(recording, SETTINGS) == ""


@pytest.mark.parametrize("name", ["notes.arrow", "line.parquet", "recording.json"])
def test_damaged_entry_is_measured_again(tmp_path, name):
    store, recording = Store(tmp_path / "out"), one(tmp_path)
    save(store, recording)
    path = tmp_path / "out" / "cache" / "a" / name
    path.write_bytes(path.read_bytes()[:10])
    assert store.why(recording, SETTINGS) == "what was stored is damaged"
    path.unlink()
    assert store.why(recording, SETTINGS) == "what was stored is damaged"


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b'{"unknown": 1}', b"\xff", b"{}", b'{"inputs": 3}'])
def test_damaged_key_is_measured_again(tmp_path, content):
    store, recording = Store(tmp_path / "out"), one(tmp_path)
    save(store, recording)
    (tmp_path / "out" / "cache" / "a" / "key.json").write_bytes(content)
    assert store.why(recording, SETTINGS) in ("it is new", "what was stored is damaged")


def test_failure_takes_the_place_of_what_was_stored_and_is_tried_again(tmp_path):
    store, recording = Store(tmp_path / "out"), one(tmp_path)
    save(store, recording)
    store.save_failure("a", "read", "the disk is full", "", 0.1)
    assert store.why(recording, SETTINGS) == "it failed last time (the disk is full)"
    save(store, recording)
    assert store.why(recording, SETTINGS) == ""


def test_what_was_measured_of_a_lost_file_is_kept(tmp_path):
    store, recording = Store(tmp_path / "out"), one(tmp_path)
    save(store, recording)
    Path(recording.audio_path).unlink()
    plan = store.plan(recording, SETTINGS)
    assert plan.reason == "" and plan.entry is not None
    store.remember(recording.recording_id, plan)
    assert store.entry(recording.recording_id) == plan.entry


# --- one writer


def test_second_writer_is_told_who_writes(tmp_path):
    store = Store(tmp_path / "out")
    with store.writing():
        script = (
            "import sys; from vibstudy.corpus.store import Store\n"
            "from vibstudy.errors import VibstudyError\n"
            "try:\n    Store(sys.argv[1]).writing().__enter__()\n"
            "except VibstudyError as error:\n    print(error)"
        )
        told = subprocess.run(
            [sys.executable, "-c", script, str(tmp_path / "out")], capture_output=True, text=True, check=True
        ).stdout
    assert f"another vibstudy is writing results here (process {os.getpid()} on " in told
    with store.writing():
        pass


def test_lock_of_a_killed_writer_does_not_stick(tmp_path):
    script = (
        "import os, sys; from vibstudy.corpus.store import Store\n"
        "writing = Store(sys.argv[1]).writing(); writing.__enter__()\n"
        "folder = Store(sys.argv[1])._begin('half'); (folder / 'notes.arrow').write_text('half')\n"
        "os._exit(9)"
    )
    subprocess.run([sys.executable, "-c", script, str(tmp_path / "out")], check=False)
    assert (tmp_path / "out" / "cache" / "writer.json").exists()
    with Store(tmp_path / "out").writing():
        pass
    left = sorted(path.name for path in (tmp_path / "out" / "cache").iterdir())
    assert left == ["writer.lock"], "what the killed writer left is gone"


def test_results_folder_that_cannot_be_made_is_told(tmp_path):
    (tmp_path / "out").write_text("a file")
    with pytest.raises(VibstudyError, match="results cannot be written here"):
        Store(tmp_path / "out").writing().__enter__()


# --- writing in one step


def test_a_break_while_writing_leaves_the_old_file(tmp_path):
    path = tmp_path / "table.csv"
    path.write_text("old")
    with pytest.raises(KeyboardInterrupt), replacing(path) as stream:
        stream.write(b"ne")
        raise KeyboardInterrupt
    assert path.read_text() == "old"
    assert [item.name for item in tmp_path.iterdir()] == ["table.csv"]


def test_same_content_leaves_the_file_untouched(tmp_path):
    path = tmp_path / "table.csv"
    path.write_text("same")
    os.utime(path, ns=(1, 1))
    with replacing(path) as stream:
        stream.write(b"same")
    assert path.stat().st_mtime_ns == 1


def test_file_open_in_another_program_is_told(tmp_path, monkeypatch):
    path, temporary = tmp_path / "notes.csv", tmp_path / "new"
    path.write_text("old")
    temporary.write_text("new")

    def refuse(self, target):
        raise PermissionError(13, "in use")

    monkeypatch.setattr(Path, "replace", refuse)
    with pytest.raises(VibstudyError, match="Close the program that has it open"):
        put_in_place(temporary, path)


# --- tables


def test_tables_hold_the_notes_with_the_manifests_tags(tmp_path):
    store, frame, _ = study(tmp_path, 4, label=["w", "x", "y", "z"], catalogue=[1, 2, 3, 4])
    notes = read_notes(store.out)
    assert notes["recording_id"].drop_duplicates().tolist() == frame["recording_id"].tolist()
    assert len(notes) == sum(len(store.notes(name)) for name in frame["recording_id"])
    tags = notes.drop_duplicates("recording_id").set_index("recording_id")
    for name in ("path", "player", "decade", "region", "label", "catalogue"):
        assert tags[name].tolist() == frame[name].tolist()
    assert "audio_path" not in notes and "manifest_row" not in notes, "no path of this computer"
    assert str(tmp_path) not in (store.out / "notes.csv").read_text()
    assert list(notes.columns[-2:]) == ["tracker", "vibstudy_version"]
    assert set(notes["tracker"]) == {"invented 1"} and set(notes["vibstudy_version"]) == {
        vibstudy.__version__
    }
    recordings = read_recordings(store.out)
    assert recordings["recording_id"].tolist() == frame["recording_id"].tolist()
    assert recordings["notes"].sum() == len(notes)
    assert read_log(store.out)["success"].tolist() == [True] * 4


def test_parquet_and_csv_hold_the_same(tmp_path):
    store, _, _ = study(tmp_path, 4, label=["=1+1", "'", "'=x", "-5"], remark=["", "a,b", 'q"', "ü"])
    parquet = read_notes(store.out)
    (store.out / "notes.parquet").unlink()
    text = read_notes(tmp_path)
    pd.testing.assert_frame_equal(parquet, text)
    assert set(text["label"]) == {"=1+1", "'", "'=x", "-5"}
    assert str(text["decade"].dtype) == "Int64" and str(text["has_vibrato"].dtype) == "boolean"


def test_a_table_of_the_users_own_is_not_taken_for_the_results(tmp_path):
    store, _, _ = study(tmp_path, 2)
    for name in ("notes.csv", "recordings.csv", "log.csv"):
        (tmp_path / name).write_text("onset_s;offset_s\n0,5;1,2\n", encoding="utf-8")
    for read in (read_notes, read_recordings, read_log):
        pd.testing.assert_frame_equal(read(tmp_path), read(store.out))


def test_columns_may_be_chosen(tmp_path):
    store, _, _ = study(tmp_path)
    assert list(read_notes(store.out, ["rate_hz", "player"]).columns) == ["rate_hz", "player"]
    with pytest.raises(VibstudyError, match="Did you mean 'rate_hz'"):
        read_notes(store.out, ["rate_h"])
    (store.out / "notes.parquet").unlink()
    assert list(read_notes(store.out, ["rate_hz", "player"]).columns) == ["rate_hz", "player"]
    with pytest.raises(VibstudyError, match="there are no results here"):
        read_notes(tmp_path / "audio")
    (store.out / "log.csv").unlink()
    with pytest.raises(VibstudyError, match=r"the results here lack log\.csv"):
        read_log(store.out)


def test_data_package_is_valid(tmp_path):
    store, _, _ = study(tmp_path, 4, medium=["tape_lp", "wire", "", "digital"], label=["=1", "a", "", "@b"])
    report = validate(str(store.out / "datapackage.json"))
    assert report.valid, report.flatten(["title", "message"])
    described = json.loads((store.out / "datapackage.json").read_text(encoding="utf-8"))
    fields = {item["name"]: item for item in described["resources"][0]["schema"]["fields"]}
    assert fields["extent_cents"]["unit"] == "± cents" and "HALF" in fields["extent_cents"]["description"]
    assert fields["region"]["source"] == "manifest" and fields["decade"]["type"] == "integer"


def test_columns_named_like_the_tools_stand_beside(tmp_path):
    store, _, _ = study(
        tmp_path,
        2,
        notes=["remark", "another"],
        tuning_hz=[440, 442],
        tracker=["me", "you"],
        rate_hz=["fast", "slow"],
    )
    notes = read_notes(store.out)
    assert set(notes["notes"]) == {"remark", "another"}
    assert set(notes["rate_hz_manifest"]) == {"fast", "slow"} and notes["rate_hz"].dtype == "float64"
    assert set(notes["tracker_manifest"]) == {"me", "you"} and set(notes["tracker"]) == {"invented 1"}
    recordings = read_recordings(store.out)
    assert recordings["notes_manifest"].tolist() == ["remark", "another"]
    assert recordings["tuning_hz_manifest"].tolist() == [440, 442]


def test_unchanged_tables_are_left_alone_and_edited_or_lost_ones_written_again(tmp_path):
    store, frame, entries = study(tmp_path)
    names = ("notes.parquet", "notes.csv", "recordings.csv", "log.csv", "datapackage.json")
    before = {name: (store.out / name).read_bytes() for name in names}
    for name in names:
        os.utime(store.out / name, ns=(1, 1))
    store.write_tables(frame, entries)
    assert all((store.out / name).stat().st_mtime_ns == 1 for name in names)
    (store.out / "notes.csv").write_text("edited")
    (store.out / "recordings.csv").unlink()
    store.write_tables(frame, entries)
    assert {name: (store.out / name).read_bytes() for name in names} == before


def test_changed_tag_reaches_the_tables_without_measuring(tmp_path):
    store, _, entries = study(tmp_path)
    frame = read_manifest(write_study(tmp_path, 4, region=["east"] * 4))
    assert all(store.why(recording, SETTINGS) == "" for recording in recordings_of(frame, tmp_path))
    store.write_tables(frame, entries)
    assert set(read_notes(store.out)["region"]) == {"east"}


def test_excluded_and_failed_recordings_are_in_the_log_only(tmp_path):
    store, frame, entries = study(tmp_path, 4, exclude=["x", "", "", ""])
    entries["rec001"] = store.save_failure("rec001", "read", "the disk is full", "", 0.1)
    log = store.write_tables(frame, entries)
    assert log["success"].isna().tolist() == [True, False, False, False]
    assert log["message"].tolist()[:2] == ["excluded in the manifest", "the disk is full"]
    assert log["step"].tolist()[1] == "read"
    assert set(read_notes(store.out)["recording_id"]) == {"rec002", "rec003"}
    assert read_recordings(store.out)["recording_id"].tolist() == ["rec002", "rec003"]


def test_nothing_measured_gives_empty_tables(tmp_path):
    frame = read_manifest(write_study(tmp_path, 2, exclude=["x", "x"]))
    store = Store(tmp_path / "results")
    with store.writing():
        store.write_tables(frame, {})
    assert len(read_notes(store.out)) == 0 and len(read_recordings(store.out)) == 0
    assert [column.name for column in NOTE_COLUMNS] == list(read_notes(store.out).columns)[
        : len(NOTE_COLUMNS)
    ]


def test_recordings_may_bring_columns_of_their_own(tmp_path):
    frame = read_manifest(write_study(tmp_path, 2))
    store = Store(tmp_path / "results")
    entries = {}
    for number, recording in enumerate(recordings_of(frame, tmp_path)):
        result = fake_study.measure(Path(recording.audio_path), SETTINGS, recording.row)
        result.notes["beat"] = 1 if number else 1.5
        result.notes[f"only_{number}"] = "here"
        stamps = {"audio": stamp_file(recording.audio_path)}
        entries[recording.recording_id] = store.save(recording, SETTINGS, stamps, pack(result), 0.1)
    store.write_tables(frame, entries)
    notes = read_notes(store.out)
    assert set(notes["beat"]) == {1.0, 1.5}
    assert notes.loc[notes["recording_id"] == "rec001", "only_0"].isna().all()


# --- formulas


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠"])
def test_no_text_begins_a_formula(sign):
    # OWASP, CSV Injection: signs that begin a formula
    (cell,) = guard(pa.array([f"{sign}cmd|' /C calc'!A0"])).to_pylist()
    assert cell.startswith("'")


def test_no_cell_and_no_heading_of_a_table_is_a_formula(tmp_path):
    """Texts of all kinds, and columns named after what the manifest holds, as in the table of coverage."""
    formula = '=HYPERLINK("http://x.invalid","x")'
    kinds = {"plain": object, "text": "str", "typed": "string", "one of a few": "category"}
    frame = pd.DataFrame({name: pd.Series([formula, "a", None], dtype=kind) for name, kind in kinds.items()})
    write_frame(tmp_path / "t.csv", frame.assign(**{formula: 1, "+1": -2.5}))
    with (tmp_path / "t.csv").open(encoding="utf-8", newline="") as stream:
        heading, first, *others = csv.reader(stream)
    assert heading == [*kinds, f"'{formula}", "'+1"]
    assert first == [f"'{formula}"] * 4 + ["1", "-2.5"]
    assert [row[:4] for row in others] == [["a"] * 4, [""] * 4]


@given(st.lists(st.one_of(st.none(), st.text(), st.text("'=+-@\t\ra", max_size=4))))
def test_guarding_is_undone_exactly(texts):
    cells = guard(pa.array(texts, pa.string())).to_pylist()
    assert all(cell is None or cell[:1] not in ("=", "+", "-", "@", "\t", "\r") for cell in cells)
    back = unguard(pd.Series(cells, dtype="string"))
    assert [None if text is pd.NA else text for text in back] == texts


def test_written_numbers_are_untouched(tmp_path):
    store, _, _ = study(tmp_path, 3, shift=[-1, -2, -3])
    with (store.out / "notes.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert {row["shift"] for row in rows} == {"-1", "-2", "-3"}
