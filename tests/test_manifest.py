"""The manifest's check: every fault of every row, with place and repair, and never a traceback.

Outside sources: RFC 4180 section 2 for CSV quoting; UAX #15 for composed and decomposed letters (its
example, A with ring); names Windows reserves as listed in "Naming Files, Paths, and Namespaces"
(Microsoft Learn; from memory).
"""

from __future__ import annotations

import csv
import shutil
import unicodedata
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile as sf
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from vibstudy.corpus.manifest import (
    ADDED_COLUMNS,
    check_manifest,
    inspect_manifest,
    read_manifest,
)
from vibstudy.corpus.spelling import near_pairs
from vibstudy.errors import VibstudyError
from vibstudy.schema import MANIFEST_COLUMNS

HEADER = "recording_id,path,player,decade,region"


@pytest.fixture
def folder(tmp_path):
    """A folder with one second of a 440 Hz tone in audio/tone.wav."""
    (tmp_path / "audio").mkdir()
    tone = 0.1 * np.sin(2 * np.pi * 440 * np.arange(22050) / 22050)
    sf.write(tmp_path / "audio" / "tone.wav", tone, 22050)
    return tmp_path


def write(folder: Path, text: str | bytes) -> Path:
    path = folder / "corpus_manifest.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def rows(folder: Path, *lines: str, header: str = HEADER) -> Path:
    return write(folder, "\n".join([header, *lines]) + "\n")


def told(path: Path, audio: bool = True) -> list[tuple[int | None, str, str]]:
    return [(problem.row, problem.column, str(problem)) for problem in check_manifest(path, audio)]


def only(path: Path, audio: bool = True) -> str:
    found = told(path, audio)
    assert len(found) == 1, found
    return found[0][2]


def notes(path: Path) -> list[str]:
    found = inspect_manifest(path)
    assert not found.problems, found.problems
    return [str(note) for note in found.notes]


GOOD = "a,audio/tone.wav,P. Invented,1950,north"


# --- what is read


def test_a_good_row_is_read_and_typed(folder):
    path = rows(
        folder,
        "a,audio/tone.wav,P. Invented,1950s,north,440.5,0.96,72,yes,007,3,2.5,hello",
        "b,audio/tone.wav,P. Invented,1960,north,,,,,008,4,3.5,",
        header=HEADER + ",tuning_hz,speed_factor,tempo_bpm,exclude,opus,catalogue,weight,label",
    )
    frame = read_manifest(path)
    assert list(frame.columns) == [*path.read_text().splitlines()[0].split(","), *ADDED_COLUMNS]
    assert list(frame["decade"]) == [1950, 1960]
    assert frame["tuning_hz"].tolist()[0] == 440.5 and np.isnan(frame["tuning_hz"][1])
    assert frame["exclude"].tolist() == [True, False]
    assert frame["opus"].tolist() == ["007", "008"], "a number with leading zeros is text"
    assert str(frame["catalogue"].dtype) == "Int64" and str(frame["weight"].dtype) == "float64"
    assert frame["label"].isna().tolist() == [False, True]
    assert frame["manifest_row"].tolist() == [2, 3]
    assert frame["audio_path"][0] == str(folder / "audio" / "tone.wav")


def test_year_stands_for_decade(folder):
    path = rows(
        folder,
        "a,audio/tone.wav,P,1957,north",
        header=HEADER.replace("decade", "year"),
    )
    frame = read_manifest(path)
    assert frame["decade"].tolist() == [1950] and frame["year"].tolist() == [1957]


def test_remark_rows_and_blank_rows_are_passed_over_but_counted(folder):
    path = rows(folder, "# an example,x,,,", "", GOOD, ",,,,", "b,audio/none.wav,P,1950,north")
    (row, column, _text), *more = told(path)
    assert (row, column) == (6, "path") and not more


def test_cells_quoted_as_rfc_4180_shows(folder):
    # RFC 4180, section 2, rules 6 and 7: commas, line breaks and doubled quotes inside quotes
    path = write(
        folder, f'{HEADER},comment\r\n{GOOD},"b ""bb"", c\r\nand more"\r\nb,audio/x.wav,P,1950,north,\r\n'
    )
    found = inspect_manifest(path)
    assert [(problem.row, problem.column) for problem in found.problems] == [(3, "path")]
    path = write(folder, f'{HEADER},comment\r\n{GOOD},"b ""bb"", c\r\nand more"\r\n')
    assert read_manifest(path)["comment"].tolist() == ['b "bb", c\r\nand more']


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (f"\ufeff{HEADER}\n{GOOD}\n".encode(), None),
        (f"{HEADER}\n{GOOD}\n".encode("utf-16"), "UTF-16"),
        (f"{HEADER}\n{GOOD}\n".encode("utf-32"), "UTF-32"),
        (b"\0\0\xfe\xff" + f"{HEADER}\n{GOOD}\n".encode("utf-32-be"), "UTF-32"),
        (f"{HEADER}\n{GOOD.replace('north', 'nördlich')}\n".encode("cp1252"), "Windows-1252"),
        (f"{HEADER}\n{GOOD}\n".replace(",", ";").encode(), "semicolons"),
        (f"{HEADER}\n{GOOD}\n".replace(",", "\t").encode(), "tabs"),
        (f"sep=;\n{HEADER}\n{GOOD}\n".replace(",", ";").encode(), "semicolons"),
        (f"{HEADER}\r{GOOD}\r".encode(), None),
    ],
)
def test_what_spreadsheets_write_is_read_and_said(folder, content, expected):
    path = write(folder, content)
    found = inspect_manifest(path)
    assert not found.problems
    assert len(found.frame) == 1 and found.frame["player"][0] == "P. Invented"
    if expected is None:
        assert not found.notes
    else:
        assert any(expected in str(note) for note in found.notes)


def test_windows_1252_letters_come_out_right(folder):
    path = write(folder, f"{HEADER}\n{GOOD.replace('north', 'Île')}\n".encode("cp1252"))
    assert read_manifest(path)["region"][0] == "Île"


def test_decimal_commas_are_read_and_said(folder):
    path = write(folder, f"{HEADER};speed_factor\n{GOOD};0,96\n".replace(",", ";").replace("0;96", "0,96"))
    assert read_manifest(path)["speed_factor"].tolist() == [0.96]
    assert any("comma was read as a decimal point (got '0,96')" in note for note in notes(path))


def test_composed_and_decomposed_letters_are_one(folder):
    # UAX #15: U+00C5 and U+0041 U+030A are canonically equivalent
    composed, decomposed = "\u00c5ke", "A\u030ake"
    assert unicodedata.normalize("NFC", decomposed) == composed
    shutil.copy(folder / "audio" / "tone.wav", folder / "audio" / f"{decomposed}.wav")
    path = rows(folder, f"a,audio/{composed}.wav,{composed},1950,north", GOOD.replace("a,", "b,", 1))
    assert read_manifest(path)["audio_path"][0].endswith(f"{decomposed}.wav")
    path = rows(folder, f"{composed},audio/tone.wav,P,1950,x", f"{decomposed},audio/tone.wav,P,1950,x")
    assert "row 2 has this name, too" in only(path)
    path = rows(folder, f"a,audio/tone.wav,{composed},1950,x", f"b,audio/{composed}.wav,{decomposed},1950,x")
    assert read_manifest(path)["player"].nunique() == 1


def test_windows_separators_and_long_names_with_spaces(folder):
    name = "a very long name " * 8 + "ü (take 2) [live].wav"
    shutil.copy(folder / "audio" / "tone.wav", folder / "audio" / name)
    path = rows(folder, f"a,audio\\{name},P,1950,north")
    assert Path(read_manifest(path)["audio_path"][0]).is_file()


def test_known_words_may_be_capitalised(folder):
    path = rows(folder, f"{GOOD},Tape LP,Piano", header=f"{HEADER},medium,accompaniment")
    frame = read_manifest(path)
    assert (frame["medium"][0], frame["accompaniment"][0]) == ("tape_lp", "piano")


# --- what is wrong, one by one


@pytest.mark.parametrize(
    ("header", "row", "column", "expected"),
    [
        ("", "a,audio/ton.wav,P,1950,north", "path", "Did you mean 'tone.wav'?"),
        ("", "a,audio/Tone.WAV,P,1950,north", "path", "Did you mean 'tone.wav'?"),
        ("", "a,audio/tone.flac,P,1950,north", "path", "Did you mean 'tone.wav'?"),
        ("", "a,audio/oboe.wav,P,1950,north", "path", "Put the file into audio"),  # alike in the ending alone
        ("", "a,sound/tone.wav,P,1950,north", "path", "there is no folder sound"),
        (
            "",
            "a,audio,P,1950,north",
            "path",
            "a folder, not a file (got 'audio'). Name a file in it, such as tone",
        ),
        ("", "a,C:\\music\\x.wav,P,1950,north", "path", "another computer"),
        ("", "a,https://example.org/x.wav,P,1950,north", "path", "an address, not a file"),
        ("", "a,,P,1950,north", "path", "must not be empty"),
        ("", "a/b,audio/tone.wav,P,1950,north", "recording_id", "it holds / (got 'a/b'). For example 'a_b'"),
        ("", "CON,audio/tone.wav,P,1950,north", "recording_id", "Windows keeps this name"),
        ("", "com7.take,audio/tone.wav,P,1950,north", "recording_id", "Windows keeps this name"),
        ("", "..,audio/tone.wav,P,1950,north", "recording_id", "begins or ends with a dot"),
        ("", "x" * 300 + ",audio/tone.wav,P,1950,north", "recording_id", "longer than 120 bytes"),
        ("", "a,audio/tone.wav,P,1955,north", "decade", "Write 1950, or give the year in a column 'year'"),
        ("", "a,audio/tone.wav,P,50s,north", "decade", "Write four digits, for example 1950"),
        ("", "a,audio/tone.wav,P,c. 1957,north", "decade", "Write 1950"),
        ("", "a,audio/tone.wav,P,1740,north", "decade", "Allowed: 1850 to 2100"),
        ("", "a,audio/tone.wav,P,,north", "decade", "neither decade nor year"),
        (",year", f"{GOOD},1961", "decade", "the year 1961 is not in this decade"),
        (",year", f"{GOOD},1957.5", "year", "not a whole number"),
        (",speed_factor", f"{GOOD},96", "speed_factor", "Allowed: 0.5 to 2; a percentage"),
        (",speed_factor", f"{GOOD},96 %", "speed_factor", "Write only the number, for example 96"),
        (",tuning_hz", f"{GOOD},4400", "tuning_hz", "Allowed: 380 to 480 Hz"),
        (",tuning_hz", f"{GOOD},nan", "tuning_hz", "not a number"),
        (",tuning_hz", f"{GOOD},1e999", "tuning_hz", "not a number"),
        (",tempo_bpm", f"{GOOD},6", "tempo_bpm", "Allowed: 20 to 400 beats/min"),
        (",start_s", f"{GOOD},1:20", "start_s", "a clock time, not seconds (got '1:20'). Write 80"),
        (",start_s", f"{GOOD},-1", "start_s", "Allowed: 0 s or more"),
        (
            ",start_s",
            f"{GOOD},5",
            "start_s",
            "begins after the end of the file (got '5'). The file is 1.00 s",
        ),
        (",start_s,end_s", f"{GOOD},0.5,0.5", "end_s", "ends before it begins (start_s 0.5)"),
        (",exclude", f"{GOOD},maybe", "exclude", "neither true nor false"),
        (",medium", f"{GOOD},acustic_disc", "medium", "Did you mean 'acoustic_disc'?"),
        (",accompaniment", f"{GOOD},pianno", "accompaniment", "Did you mean 'piano'?"),
        (",score_path", f"{GOOD},audio/tone.mid", "score_path", "no such file"),
        ("", f"{GOOD},1,2", "", "more cells than the header (got '1'). Put a cell that holds a separator"),
    ],
)
def test_one_fault_gives_one_message_with_place_and_repair(folder, header, row, column, expected):
    path = rows(folder, row, header=HEADER + header)
    (number, where, text), *more = told(path)
    assert not more, more
    assert (number, where) == (2, column)
    assert expected in text
    assert str(path) in text


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        ("recording_id,path,playr,decade,region", "column playr: no such column. Did you mean 'player'?"),
        (
            "Recording ID,path,player,decade,region",
            "Recording ID: no such column. Did you mean 'recording_id'?",
        ),
        ("recording_id,path,player,x,region", "column decade: this column is missing (or year)"),
        (f"{HEADER},acompaniment", "Did you mean 'accompaniment'?"),
        (f"{HEADER},region", "column region: this column stands twice"),
        (f"{HEADER},Region", "column Region: this column stands twice (capitals do not count)"),
        (f"{HEADER},,label", "column 6 has no name"),
        (f"{HEADER},=1+1", "take this column name for a formula"),
        (f"{HEADER},audio_path", "this column name is the tool's own"),
    ],
)
def test_faults_of_the_header(folder, header, expected):
    path = rows(folder, GOOD + ",x,y"[: 2 * (header.count(",") - 4)], header=header)
    assert expected in only(path)


@pytest.mark.parametrize("name", ["label", "style", "school2", "take", "nationality", "date"])
def test_columns_of_ones_own_pass_silently(folder, name):
    path = rows(folder, f"{GOOD},x,y", header=f"{HEADER},school,{name}")
    assert not notes(path)


def test_a_name_without_its_unit_is_remarked_not_refused(folder):
    path = rows(folder, f"{GOOD},72", header=f"{HEADER},tempo")
    assert "If the tool should use it, call it 'tempo_bpm'" in notes(path)[0]


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", "the file is empty"),
        (b"\n\n , \n", "the file is empty"),
        (HEADER.encode() + b"\n", "there is a header but no recording"),
        (b"PK\x03\x04rest of a spreadsheet", "a spreadsheet or archive, not a CSV file"),
        (b"RIFF....WAVE", "a sound file, not a CSV file"),
        (HEADER.encode() + b"\na\x00b", "not a text file"),
        (f'{HEADER}\n{GOOD}\nb,"audio/x.wav,P,1950,north\n'.encode(), "row 3: a quotation mark"),
    ],
)
def test_files_that_are_no_table(folder, content, expected):
    assert expected in only(write(folder, content))


def test_a_cell_beyond_what_csv_reads(folder):
    limit = csv.field_size_limit(1000)  # other libraries change it for the whole program
    try:
        path = write(folder, f'{HEADER}\na,"{"x" * 2000}",P,1950,north\n')
        assert "row 2: this row cannot be read" in only(path)
    finally:
        csv.field_size_limit(limit)


def test_missing_manifest_names_the_tables_in_the_folder(folder):
    rows(folder, GOOD)
    assert "In that folder: corpus_manifest.csv" in only(folder / "manifest.csv")
    assert "a folder, not a file" in only(folder)


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", "empty (0 bytes)"),
        (b"<!DOCTYPE html><html>", "a web page"),
        (b"%PDF-1.4 ...", "it is a PDF"),
        (b"MThd\x00\x00\x00\x06", "a MIDI file"),
        (b"\x00" * 4096, "nothing but zeros"),
        (b"RIFF\x24\x00\x00\x00WAVEfmt ", "cannot be read as sound"),
        (b"\x81\x82 not sound at all " * 50, "cannot be read as sound"),
        (b"not sound at all \n" * 50, "this is not a sound file: it is text"),
        ("kein Ton, sondern Wörter ".encode() * 50, "this is not a sound file: it is text"),
        (b"a letter is cut at 512 bytes" * 18 + " rückwärts 123".encode(), "it is text"),
    ],
)
def test_sound_files_that_are_none(folder, content, expected):
    (folder / "audio" / "bad.wav").write_bytes(content)
    path = rows(folder, GOOD, "b,audio/bad.wav,P,1950,north")
    (row, column, text), *more = told(path)
    assert not more and (row, column) == (3, "path") and expected in text
    assert not told(path, audio=False), "the sound itself is only opened when asked to"


def test_text_under_the_name_of_an_mp3_is_told_by_nobody_else(folder, capfd):
    """The decoder of MP3 prints to the terminal itself what it looks for."""
    (folder / "audio" / "bad.mp3").write_bytes(b"hello\n" * 100)
    assert "this is not a sound file: it is text" in only(rows(folder, "b,audio/bad.mp3,P,1950,north"))
    assert capfd.readouterr() == ("", "")


def test_what_its_decoder_refuses_is_not_called_missing(folder):
    (folder / "audio" / "bad.mp3").write_bytes(b"not sound at all \x01" * 500)
    assert "does not exist" not in only(rows(folder, "a,audio/bad.mp3,P,1950,north"))


def test_sound_whose_header_is_text_is_sound(folder):
    sf.write(folder / "audio" / "a.nist", np.zeros(9000), 22050, format="NIST", subtype="PCM_16")
    assert not told(rows(folder, "b,audio/a.nist,P,1950,north"))


def test_wave_file_without_frames(folder):
    sf.write(folder / "audio" / "none.wav", np.zeros(0), 22050)
    assert "holds no sound" in only(rows(folder, "a,audio/none.wav,P,1950,north"))


def test_name_that_does_not_fit_the_contents_is_remarked(folder):
    sf.write(folder / "audio" / "liar.wav", np.zeros(2000), 22050, format="FLAC")
    assert "the file is FLAC; read as FLAC" in notes(rows(folder, "a,audio/liar.wav,P,1950,north"))[0]


def test_end_past_the_file_and_same_part_twice_are_remarked(folder):
    path = rows(folder, f"{GOOD},9", GOOD.replace("a,", "b,", 1) + ",9", header=f"{HEADER},end_s")
    text = "\n".join(notes(path))
    assert "the file is 1.00 s long: it will be measured to its end" in text
    assert "row 3, column path: the same part of the same file as in row 2" in text


def test_excluded_rows_need_no_file(folder):
    path = rows(folder, "a,audio/lost.wav,P,1950,north,x", f"b{GOOD[1:]},", header=f"{HEADER},exclude")
    assert read_manifest(path)["exclude"].tolist() == [True, False]


def test_every_fault_of_every_row_at_once(folder):
    path = rows(
        folder,
        "a,audio/tone.wav,P,1950,north,acustic_disc,5,4,96",
        "A,audio/lost.wav,,1955,north,digital,1:20,,1",
        "b?,audio/tone.wav,P,50s,,tape_lp,,,",
        header=f"{HEADER},medium,start_s,end_s,speed_factor",
    )
    found = [(row, column) for row, column, _ in told(path)]
    assert found == [
        (2, "medium"),
        (2, "start_s"),
        (2, "end_s"),
        (2, "speed_factor"),
        (3, "recording_id"),
        (3, "path"),
        (3, "player"),
        (3, "decade"),
        (3, "start_s"),
        (4, "recording_id"),
        (4, "decade"),
        (4, "region"),
    ]
    with pytest.raises(VibstudyError) as caught:
        read_manifest(path)
    assert len(caught.value.problems) == len(found) - 2, "all but those of the sound files"


# --- spelling


@pytest.mark.parametrize(
    ("names", "pairs"),
    [
        (["J. Doe", "J Doe", "j doe"], 3),
        (["J. Doe", "Jane Doe"], 1),
        (["Élan", "Elan"], 1),
        (["Doe, Jane", "Jane Doe"], 1),
        (["Doe Jane", "Jane Roe"], 0),
        (["Anna Meierhofer", "Anna Meyerhofer"], 1),
        (["Player 1", "Player 2", "Player 11"], 0),
        (["Player A", "Player B"], 0),
        (["north", "south", "northern isles", "southern isles"], 0),
    ],
)
def test_two_spellings_of_one_name(names, pairs):
    assert len(near_pairs(names)) == pairs


def test_spelling_is_remarked_with_the_rarer_one_as_the_slip(folder):
    (folder / "audio" / "two.wav").write_bytes((folder / "audio" / "tone.wav").read_bytes())
    path = rows(
        folder,
        "a,audio/tone.wav,J Doe,1950,north,0,0.2",
        "b,audio/tone.wav,J. Doe,1950,north,0.2,0.4",
        "c,audio/tone.wav,J. Doe,1950,north,0.4,0.6",
        header=f"{HEADER},start_s,end_s",
    )
    assert "row 2, column player: this looks like 'J. Doe' (got 'J Doe')" in notes(path)[0]


# --- anything at all


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=5000)
@given(st.binary(max_size=400))
def test_any_bytes_give_a_frame_or_problems(folder, content):
    inspection = inspect_manifest(write(folder, content))
    assert bool(inspection.problems) == (inspection.frame is None)


_ODD = (
    r"a audio/tone.wav audio .. /dev/null ~ \\x\y 1950 1955 1950s 0 -1 1e400 nan 0x10 1,5 1:2:3 true x # "
    "=1+1 CON tape"
)
_CELL = st.one_of(
    st.sampled_from(["", "\u0663", "\u0301", "\x85", *_ODD.split()]),
    st.text(max_size=12),
    st.integers().map(str),
    st.floats().map(str),
)
_NAMES = st.one_of(st.sampled_from([column.name for column in MANIFEST_COLUMNS]), st.text(max_size=8))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=5000, max_examples=60)
@given(
    st.lists(_NAMES, max_size=10),
    st.lists(st.lists(_CELL, min_size=15, max_size=15), max_size=6),
    st.sampled_from([",", ";", "\t"]),
)
def test_any_table_gives_a_frame_or_problems(folder, further, cells, separator):
    names = [*HEADER.split(","), *further]
    frame = pd.DataFrame([row[: len(names)] for row in cells], columns=range(len(names)))
    path = folder / "corpus_manifest.csv"
    text = frame.to_csv(index=False, header=names, sep=separator, escapechar="\\")
    inspection = inspect_manifest(write(folder, text.encode("utf-8", "replace")))
    assert bool(inspection.problems) == (inspection.frame is None)
    for problem in [*inspection.problems, *inspection.notes]:
        assert problem.message and problem.file == str(path)
    if inspection.frame is not None:
        used = inspection.frame[~inspection.frame["exclude"]]
        assert used["audio_path"].map(lambda name: Path(name).is_file()).all()
        assert inspection.frame["decade"].notna().all()


def test_every_column_is_documented():
    for column in MANIFEST_COLUMNS:
        assert column.title and column.definition.endswith(".")


@pytest.mark.parametrize(("length", "told"), [("true", False), ("longer", True), ("not known", False)])
def test_a_copy_broken_off_is_told(tmp_path, length, told):
    """libsndfile reads what is there of a WAV whose header promises more; a pipe does not know the length."""
    path = tmp_path / "take.wav"
    sf.write(path, 0.1 * np.sin(np.arange(44_100)), 44_100)
    content = path.read_bytes()
    if length == "longer":
        path.write_bytes(content[:40_000])
    if length == "not known":
        path.write_bytes(content[:4] + b"\xff\xff\xff\xff" + content[8:])
    found = inspect_manifest(write(tmp_path, "recording_id,path,player,decade,region\nx,take.wav,P,1950,N\n"))
    assert not found.problems
    assert [note.row for note in found.notes if "broken off" in note.message] == [2] * told
