"""Tables, logs and decisions that are damaged, from elsewhere or too large: told with file and repair, in time."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.parcel_study import reviewed_study
from vibstudy.corpus.manifest import inspect_manifest
from vibstudy.corpus.results import read_notes, read_recordings
from vibstudy.corpus.texttable import MOST_CELLS, MOST_ROWS, read_text_table
from vibstudy.decisions.edits import edits_text, make_edit, read_edits
from vibstudy.errors import MOST_ALIKE, VibstudyError
from vibstudy.stats.claimfile import read_claims
from vibstudy.stats.history import Recordings, bygone_tests, past_of
from vibstudy.stats.ledger import Ledger

SLOWEST_S = 5.0


@pytest.fixture(scope="module")
def study(tmp_path_factory) -> Path:
    return reviewed_study(tmp_path_factory.mktemp("parcel") / "my study")


# --- pages of a large study


def test_tables_are_read_once_for_all_pages(tmp_path, monkeypatch):
    from benchmarks import pages as bench
    from vibstudy.pages.write import write_pages
    from vibstudy.study import Study

    study = bench.invented_study(tmp_path, 6)
    counts = {"notes": 0, "manifest": 0}
    for name in counts:
        real = getattr(Study, name)

        def counted(self, name=name, real=real):
            counts[name] += 1
            return real(self)

        monkeypatch.setattr(Study, name, counted)
    assert write_pages(study).made == 6
    assert counts["notes"] == 1 and counts["manifest"] <= 2
    manifest = (study / "corpus_manifest.csv").read_text().splitlines()
    (study / "corpus_manifest.csv").write_text("\n".join([manifest[0], *manifest[:0:-1]]) + "\n")
    assert write_pages(study).made == 0, "another order of the manifest changes no page"


# --- tables of a study from elsewhere


def spoilt(name: str) -> Callable[[Path], object]:
    """What may lie where a table of results should."""

    def column(column: str, values: Callable[[int], object]) -> Callable[[Path], object]:
        def change(folder: Path) -> None:
            table = pq.read_table(folder / "notes.parquet")
            with_it = table.append_column if column not in table.column_names else None
            place = table.column_names.index(column) if with_it is None else 0
            values_of = pa.array([values(k) for k in range(table.num_rows)])
            table = with_it(column, values_of) if with_it else table.set_column(place, column, values_of)
            pq.write_table(table, folder / "notes.parquet")

        return change

    def twice(folder: Path) -> None:
        table = pq.read_table(folder / "notes.parquet")
        pq.write_table(table.append_column("player", table["player"]), folder / "notes.parquet")

    def content(file: str, data: bytes) -> Callable[[Path], object]:
        return lambda folder: (folder / file).write_bytes(data)

    def linked(file: str, to: str) -> Callable[[Path], object]:
        return lambda folder: ((folder / file).unlink(), (folder / file).symlink_to(to))

    def made_folder(folder: Path) -> None:
        (folder / "notes.parquet").unlink()
        (folder / "notes.parquet").mkdir()

    return {
        "no table": content("notes.parquet", b"PAR1" + b"x" * 500 + b"PAR1"),
        "nothing": content("notes.parquet", b""),
        "a folder": made_folder,
        "a device": linked("notes.parquet", "/dev/zero"),
        "lists": column("rate_hz", lambda _: [1.0]),
        "parts": column("player", lambda _: {"a": 1}),
        "words for numbers": column("rate_hz", lambda _: "5"),
        "bytes": column("player", lambda _: b"\xff"),
        "dates": column("decade", lambda _: pd.Timestamp("1930-01-01")),
        "a column twice": twice,
        "no recordings": content("recordings.csv", b""),
        "Latin letters": content("recordings.csv", b"recording_id,player\nx,\xff\n"),
        "a quotation mark": content("recordings.csv", b'"recording_id\n'),
        "another file": linked("recordings.csv", "/etc/passwd"),
        "5,000 columns": content("recordings.csv", ",".join(f"c{k}" for k in range(5000)).encode() + b"\n"),
        "words in counts": content("recordings.csv", b"recording_id,notes\nx,many\n"),
    }[name]


SPOILT = """no table|nothing|a folder|a device|lists|parts|words for numbers|bytes|dates|a column twice|no recordings
Latin letters|a quotation mark|another file|5,000 columns|words in counts""".replace("\n", "|").split("|")


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
@pytest.mark.parametrize("name", SPOILT)
def test_damaged_results_are_told_with_file_and_repair(name, study, tmp_path):
    results = shutil.copytree(study / "results", tmp_path / "results")
    spoilt(name)(results)
    with pytest.raises(VibstudyError) as told_of:
        read_notes(results)
        read_recordings(results)
    assert all(problem.file and problem.repair for problem in told_of.value.problems)


@pytest.mark.parametrize(
    "text",
    ["[]", '{"resources": [1]}', '{"resources": null}', "[" * 100_000,
     '{"resources": [{"path": "recordings.csv"}]}',
     '{"resources": [{"path": "recordings.csv", "schema": {"fields": [{"name": "player", "type": "x"}]}}]}'],
)  # fmt: skip
def test_a_damaged_description_of_the_tables_is_passed_over(text, study, tmp_path):
    results = shutil.copytree(study / "results", tmp_path / "results")
    (results / "datapackage.json").write_text(text)
    assert len(read_recordings(results)) == len(read_recordings(study / "results"))


# --- logs and tables of too much


@pytest.mark.parametrize(
    "row",
    [("verdict", '{"look": "x"}'), ("verdict", '{"look": "x", "players": Infinity, "recordings": [1]}'),
     ("verdict", "[" * 50_000), ("claim", '{"sentence": {"a": [1]}}'),
     ("verdict", '{"look": "x", "players": 0, "recordings": 0}'), ("recording", "tel 030 555"), ("recording", "nan/60 1e999/4")],
)  # fmt: skip
def test_what_no_program_logs_is_passed_over(row, study, tmp_path):
    path = tmp_path / "claims_log.csv"
    shutil.copy(study / "results" / "claims_log.csv", path)
    ledger, claims = Ledger(path), read_claims(study / "claims.toml")
    ledger.append([(row[0], claims[0].id, claims[0].sha256, row[1])])
    past_of(claims[0], ledger)
    bygone_tests(claims[1:], ledger)
    Recordings(ledger).first("none", "f" * 64, "0.00/60")


BAD_CELLS = {
    "near names": (
        "player,region",
        lambda k: f"Player {k % 7}{chr(97 + k % 26)}{chr(97 + k // 26 % 26)},R{k:x}",
    ),
    "own words": ("player,region,medium,accompaniment", lambda k: f"P,R,tape_l{k},orchestr{k}"),
    "no numbers": ("player,region,start_s,end_s,tuning_hz", lambda k: f",,a{k},b{k},c{k}"),
}


@pytest.mark.parametrize("kind", BAD_CELLS)
def test_a_table_full_of_mistakes_is_checked_in_time_and_told_in_few_words(kind, tmp_path):
    """Four thousand rows here; the limit is thirty times as many. Each cell is looked at once."""
    names, cells_of = BAD_CELLS[kind]
    path = tmp_path / "corpus_manifest.csv"
    rows = "".join(f"x/{k},f{k}/no.wav,1950,{cells_of(k)}\n" for k in range(4000))
    path.write_text(f"recording_id,path,decade,{names}\n{rows}", encoding="utf-8")
    began = time.process_time()
    found = inspect_manifest(path)
    assert time.process_time() - began < 2.0
    assert all(len(of) < 900 for of in (found.problems, found.notes))
    (rest,) = [p for p in found.problems if p.column == "path" and "rows from here" in p.message]
    assert rest.row == 2 + MOST_ALIKE and "3,900 rows from here to row 4001 are such" in rest.message


@pytest.mark.parametrize(
    ("text", "words"),
    [("a,b\n" + "x,y\n" * (MOST_ROWS + 1), f"{MOST_ROWS:,} rows"),
     ("a,b\n" + ("x," * (MOST_CELLS // 2) + "\n") * 3, f"{MOST_CELLS:,} cells")],
)  # fmt: skip
def test_a_table_of_too_much_is_refused_at_once(text, words, tmp_path):
    path = tmp_path / "corpus_manifest.csv"
    path.write_text(text, encoding="utf-8")
    began = time.process_time()
    with pytest.raises(VibstudyError, match=words):
        read_text_table(path)
    assert time.process_time() - began < SLOWEST_S


def test_ten_thousand_decisions_are_read_in_time(tmp_path):
    note = {"recording_id": "take000", "note_id": "take000/0001", "onset_s": 0.5, "offset_s": 1.0}
    path = tmp_path / "edits.csv"
    edit = make_edit("=Ear", note, "0" * 64, "accept", why="-5 cents")
    path.write_text(edits_text([edit] * 10_000), encoding="utf-8")
    began = time.process_time()
    edits, problems = read_edits(path)
    assert time.process_time() - began < 2.0, "a hundred thousand would take longer than anybody waits"
    assert edits == [edit] * 10_000 and not problems
