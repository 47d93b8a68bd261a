"""Packages, scores, ids and disks that mean no good: all is told, nothing is believed, nothing hangs."""

from __future__ import annotations

import csv
import functools
import getpass
import json
import os
import re
import resource
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.parcel_study import (
    CLAIMS,
    HOST,
    LOGIN,
    PRIVATE,
    cells,
    log_again,
    packed,
    put,
    reviewed_study,
    seal,
    swap,
)
from vibstudy import cli
from vibstudy.corpus.atomic import replacing
from vibstudy.corpus.cells import KEPT_NAMES, id_fault
from vibstudy.corpus.manifest import check_manifest, inspect_manifest
from vibstudy.corpus.results import read_notes, read_recordings
from vibstudy.corpus.store import Store
from vibstudy.corpus.texttable import MOST_CELLS, MOST_ROWS, read_text_table
from vibstudy.corpus.untrusted import TEMPORARY, as_json, as_toml, read_bytes
from vibstudy.decisions.edits import edits_text, make_edit, read_edits
from vibstudy.errors import MOST_ALIKE, VibstudyError
from vibstudy.notes.lists import read_note_list
from vibstudy.notes.scorefile import MOST
from vibstudy.notes.written import read_score
from vibstudy.paper import assemble as making
from vibstudy.paper.contents import FILES, Contents, own_columns
from vibstudy.paper.package import make_package
from vibstudy.paper.verify import verify_package
from vibstudy.stats.claimfile import Claim, Contrast, claims_text, read_claims
from vibstudy.stats.history import Recordings, bygone_tests, past_of
from vibstudy.stats.ledger import Ledger

SLOWEST_S = 5.0


@pytest.fixture(scope="module")
def study(tmp_path_factory) -> Path:
    return reviewed_study(tmp_path_factory.mktemp("parcel") / "my study")


@pytest.fixture(scope="module")
def package(study) -> Path:
    return packed(study, study.parent / "package")


@pytest.fixture(scope="module", autouse=True)
def remembered():
    """Models and verdicts of the same tables are computed once for the module."""
    keep = pytest.MonkeyPatch()
    models, verdicts = making.standard_models, making.evaluate_claims

    def content(frame: pd.DataFrame) -> str:
        return f"{list(frame.columns)}{pd.util.hash_pandas_object(frame).to_numpy().tobytes().hex()}"

    def cached(function: Callable, key: Callable) -> Callable:
        known: dict = {}

        @functools.wraps(function)
        def call(*given):
            asked = key(*given)
            if asked not in known:
                known[asked] = function(*given)
            return known[asked].copy()

        return call

    keep.setattr(making, "standard_models", cached(models, content))
    keep.setattr(
        making,
        "evaluate_claims",
        cached(verdicts, lambda claims, notes, log, hashes: f"{claims}{content(notes)}{log.rows}{hashes}"),
    )
    yield
    keep.undo()


@pytest.fixture
def copy(package, tmp_path) -> Path:
    return shutil.copytree(package, tmp_path / "copy")


def told(folder: Path) -> list:
    """Problems of a package; each names a file and a repair, in time."""
    began = time.process_time()
    try:
        problems = verify_package(folder).problems
    except VibstudyError as error:
        problems = error.problems
    assert time.process_time() - began < SLOWEST_S
    for problem in problems:
        assert problem.file and problem.repair and problem.message, problem
        assert len(str(problem)) < 1500
    return problems


# --- 60 tamperings and more: `SLIPS` leave the hashes as they are, `FORGERIES` seal the package again


def descriptor(alter: Callable[[dict], object]) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        path = folder / "datapackage.json"
        content = json.loads(path.read_bytes())
        alter(content)
        path.write_text(json.dumps(content, indent=1, ensure_ascii=False, sort_keys=True), encoding="utf-8")

    return change


def resource_of(content: dict, name: str) -> dict:
    return next(item for item in content["resources"] if item["path"] == name)


def link(name: str, target: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        (folder / name).unlink()
        (folder / name).symlink_to(target)

    return change


def linked_twin(folder: Path) -> None:
    shutil.copy(folder / "notes.csv", folder.parent / "twin.csv")
    link("notes.csv", str(folder.parent / "twin.csv"))(folder)


def pipe(folder: Path) -> None:
    (folder / "README.txt").unlink()
    os.mkfifo(folder / "README.txt")


def folder_for_file(folder: Path) -> None:
    (folder / "edits.csv").unlink()
    (folder / "edits.csv").mkdir()


SLIPS: dict[str, Callable[[Path], None]] = {
    "a digit in the notes": put("notes.csv", 1, "midi", "61"),
    "a figure in the claims": put("claims.csv", 1, "p", "0.001"),
    "the licence is missing": lambda f: (f / "LICENCE.txt").unlink(),
    "the notes are missing": lambda f: (f / "notes.csv").unlink(),
    "a further table": lambda f: (f / "extra.csv").write_text("a\n1\n"),
    "a hidden file": lambda f: (f / ".hidden").write_text("x"),
    "a folder": lambda f: (f / "results").mkdir(),
    "a parquet file of notes": lambda f: (f / "notes.parquet").write_bytes(b"PAR1"),
    "a link to its twin": linked_twin,
    "a link out": link("edits.csv", "/etc/passwd"),
    "a link to itself": link("edits.csv", "edits.csv"),
    "a link to a device": link("README.txt", "/dev/zero"),
    "a pipe": pipe,
    "a folder for a file": folder_for_file,
    "no resources": descriptor(lambda d: d.update(resources=[])),
    "resources are words": descriptor(lambda d: d.update(resources=["notes.csv"])),
    "an absolute path": descriptor(lambda d: resource_of(d, "README.txt").update(path="/etc/passwd")),
    "a path upwards": descriptor(lambda d: resource_of(d, "README.txt").update(path="../notes.csv")),
    "a resource twice": descriptor(lambda d: d["resources"].append(d["resources"][0])),
    "a resource less": descriptor(lambda d: d["resources"].pop()),
    "the descriptor names itself": descriptor(lambda d: resource_of(d, "README.txt").update(path="datapackage.json")),
    "a hash that is none": descriptor(lambda d: d["resources"][0].update(hash="sha256:0")),
    "another kind of hash": descriptor(lambda d: d["resources"][0].update(hash="md5:" + "0" * 32)),
    "a negative size": descriptor(lambda d: d["resources"][0].update(bytes=-1)),
    "a size that is true": descriptor(lambda d: d["resources"][0].update(bytes=True)),
    "the descriptor is a list": lambda f: (f / "datapackage.json").write_text("[]"),
    "a key twice": swap("datapackage.json", '"resources": [', '"resources": [], "resources": ['),
    "a key twice inside": swap("datapackage.json", '"bytes":', '"bytes": 1, "bytes":'),
}  # fmt: skip


def without(name: str) -> Callable[[Path], None]:
    return lambda folder: (folder / name).unlink()


def last_digit(folder: Path) -> None:
    """The estimate in an answer, changed by one in its last digit."""
    file = folder / "claims.csv"
    text = file.read_text(encoding="utf-8")
    changed = re.sub(r"(\d)( Hz \(95 %)", lambda m: f"{(int(m[1]) + 1) % 10}{m[2]}", text, count=1)
    assert changed != text
    file.write_text(changed, encoding="utf-8")


def drop(row: int) -> Callable[[list], object]:
    return lambda rows: rows.pop(row)


def forged_dates(rows: list) -> None:
    """Claims move to the top, with the dates they have."""
    rows[:] = [row for row in rows if row[1] == "claim"] + [row for row in rows if row[1] != "claim"]


def beside_rounding(old: str, new: str) -> Callable[[Path], None]:
    """Change words of an answer, hidden behind a figure that differs as another computer's might."""

    def change(folder: Path) -> None:
        rows = list(csv.reader((folder / "claims.csv").read_text(encoding="utf-8").splitlines()))
        estimate = float(rows[1][rows[0].index("estimate")])
        put("claims.csv", 1, "estimate", repr(estimate * (1 + 1e-6)))(folder)
        swap("claims.csv", old, new)(folder)

    return change


def backdated(rows: list) -> None:
    forged_dates(rows)
    rows[:] = [("2023-01-01T00:00:00Z" if row[1] == "claim" else row[0], *row[1:]) for row in rows]


FORGERIES: dict[str, Callable[[Path], None]] = {
    "models emptied": cells("models.csv", lambda rows: rows.__delitem__(slice(1, None))),
    "models left out": without("models.csv"),
    "a false first row": put("models.csv", 1, "estimate", "5.5"),
    "a term's estimate": put("models.csv", 2, "estimate", "-0.012"),
    "a term's p": put("models.csv", 2, "p", "0.0001"),
    "a standard error made missing": put("models.csv", 2, "se", ""),
    "a standard error made NaN": put("models.csv", 2, "se", "nan"),
    "a term renamed": put("models.csv", 2, "term", "year"),
    "a row of models more": cells("models.csv", lambda rows: rows.append(rows[-1])),
    "a row of models less": cells("models.csv", drop(1)),
    "models in another order": cells("models.csv", lambda rows: rows.__setitem__(slice(1, None), rows[:0:-1])),
    "a column of models less": cells("models.csv", lambda rows: [row.pop() for row in rows]),
    "two columns of models changed over": cells("models.csv", lambda rows: [row.insert(3, row.pop(4)) for row in rows]),
    "another formula": put("models.csv", 1, "formula", "rate_hz ~ decade"),
    "claims left out": without("claims.csv"),
    "claims and their file left out": lambda f: [without(n)(f) for n in ("claims.csv", "claims.toml")],
    "an estimate where there is none": put("claims.csv", 2, "estimate", "0.5"),
    "an estimate taken away": put("claims.csv", 1, "estimate", ""),
    "a verdict": put("claims.csv", 2, "verdict", "supported"),
    "an answer": put("claims.csv", 2, "answer", "Supported: rate rose by 3 Hz."),
    "the last digit of an answer": last_digit,
    "a standing": put("claims.csv", 1, "standing", "written first"),
    "a date of writing": put("claims.csv", 1, "written_utc", "2023-01-01T00:00:00Z"),
    "a sentence in the verdicts": put("claims.csv", 1, "sentence", "Vibrato became much slower."),
    "a sentence in the claims": swap("claims.toml", "Vibrato became slower.", "Vibrato became much slower."),
    "a caveat taken away": put("claims.csv", 1, "caveats", ""),
    "what is expected": swap("claims.toml", 'expect = "lower"', 'expect = "higher"'),
    "a remark in the claims": lambda f: (f / "claims.toml").write_text("# trust me\n" + (f / "claims.toml").read_text()),
    "a claim twice in the verdicts": cells("claims.csv", lambda rows: rows.append(rows[-1])),
    "a claim taken out of the verdicts": cells("claims.csv", drop(2)),
    "a claim taken out of the claims": lambda f: (f / "claims.toml").write_text(CLAIMS.split("[[claim]]")[1].join(["[[claim]]", ""])),
    "a column of claims more": cells("claims.csv", lambda rows: [row.append("x") for row in rows]),
    "a row of the log changed": swap("claims_log.csv", "Vibrato became slower.", "Vibrato slowed."),
    "a row of the log taken out": cells("claims_log.csv", drop(2)),
    "a row of the log cut short": cells("claims_log.csv", lambda rows: rows[2].pop()),
    "claims moved up in the log": log_again(forged_dates),
    "claims dated back in the log": log_again(backdated),
    "an impossible date in the log": log_again(lambda rows: rows.__setitem__(0, ("2023-01-01T00:00:00Z", "thing", *rows[0][2:]))),
    "another recording in the log": log_again(lambda rows: rows.__setitem__(0, (*rows[0][:3], "f" * 64, ""))),
    "a claim left out of the log": log_again(
        lambda rows: rows.remove([row for row in rows if row[1] == "claim"][-1])
    ),
    "the log left out": without("claims_log.csv"),
    "a recording's player": put("recordings.csv", 1, "player", "Player Nobody"),
    "a recording's decade": put("recordings.csv", 1, "decade", "1990"),
    "a recording's own column": put("recordings.csv", 1, "tutor", "Teacher Oak"),
    "a recording's count": put("recordings.csv", 3, "notes", "5"),
    "a recording's hash": put("recordings.csv", 1, "audio_sha256", "e" * 64),
    "a recording twice": cells("recordings.csv", lambda rows: rows.append(rows[1])),
    "a recording less": cells("recordings.csv", drop(3)),
    "a recording called upwards": swap("recordings.csv", '"take010"', '"../take010"'),
    "a note's player": put("notes.csv", 30, "player", "Player Nobody"),
    "a note less": cells("notes.csv", drop(40)),
    "a note twice": cells("notes.csv", lambda rows: rows.append(rows[-1])),
    "a note's rate": cells("notes.csv", lambda rows: [row.__setitem__(rows[0].index("rate_hz"), "9.5") for row in rows[30:40]]),
    "a note's rate endless": put("notes.csv", 30, "rate_hz", "inf"),
    "a note's rate a word": put("notes.csv", 30, "rate_hz", "fast"),
    "a note's rate NaN": put("notes.csv", 30, "rate_hz", "nan"),
    "a negative extent": put("notes.csv", 30, "extent_cents", "-20.0"),
    "a note's pitch written otherwise": put("notes.csv", 30, "pitch_hz", "4.4e2"),
    "a note perhaps with vibrato": swap("notes.csv", ",true,", ",perhaps,"),
    "a note rejected by nobody": put("notes.csv", 60, "reviewed", "rejected"),
    "another note of a heard recording rejected": put("notes.csv", 6, "reviewed", "rejected"),
    "a decision that changed nothing": put("notes.csv", 2, "reviewed", "auto"),
    "a decision with a time of day": swap("edits.csv", "T00:00:00.000002", "T20:15:00.000002"),
    "a column of notes called as code": swap("notes.csv", '"tutor"', '"`tutor` + __import__(\'os\').system(\'x\')"'),
    "a column of notes twice": swap("notes.csv", '"tutor"', '"player"'),
    "a column of paths": swap("notes.csv", '"tutor"', '"path"'),
    "a column of the tool renamed": swap("notes.csv", '"rate_hz"', '"rate"'),
    "a mark in front of the notes": lambda f: (f / "notes.csv").write_bytes(b"\xef\xbb\xbf" + (f / "notes.csv").read_bytes()),
    "an empty line": lambda f: (f / "notes.csv").write_bytes((f / "notes.csv").read_bytes() + b"\n"),
    "a listener's name": swap("edits.csv", "listener 1", "Anna Example"),
    "a decision on another recording": swap("edits.csv", "take000,", "take999,"),
    "decisions left out": without("edits.csv"),
    "a decision of no kind": swap("edits.csv", "accept", "adore"),
    "another version": swap("environment.json", '"vibstudy": "', '"vibstudy": "9.'),
    "a setting of another kind": swap("environment.json", '"false_alarm": 0.01', '"false_alarm": "0.01"'),
    "a setting more": swap("environment.json", '"false_alarm"', '"trust": 1, "false_alarm"'),
    "a setting twice": swap("environment.json", '"false_alarm"', '"false_alarm": 0.5, "false_alarm"'),
    "an endless setting": swap("environment.json", '"false_alarm": 0.01', '"false_alarm": 1e999'),
    "a word in the README": swap("README.txt", "half of the peak-to-peak", "the peak-to-peak"),
    "another licence": swap("LICENCE.txt", "Creative Commons Zero", "No licence"),
    "another author": swap("CITATION.cff", "A. Nonymous", "B. Nonymous"),
    "another title in the descriptor": descriptor(lambda d: d.update(title="Other data")),
    "another author in the descriptor": descriptor(lambda d: d["contributors"][0].update(title="B. Nonymous")),
    "another licence in the descriptor": descriptor(lambda d: d["licenses"][0].update(name="CC-BY-4.0")),
    "another unit in the descriptor": swap("datapackage.json", '"unit": "± cents"', '"unit": "cents, peak to peak"'),
    "another word in the descriptor": swap("datapackage.json", "HALF", "ALL"),
    "another type in the descriptor": swap("datapackage.json", '"type": "number"', '"type": "string"'),
    "a key more in the descriptor": descriptor(lambda d: d.update(verified=True)),
    "a yes in the descriptor made a one": swap("datapackage.json", '"required": true', '"required": 1'),
    "a title that steers the terminal": lambda f: [
        swap("datapackage.json", "Invented data", "Invented\\u001b[31m data")(f), swap("README.txt", "Invented", "Invented\x1b[31m")(f),
        swap("CITATION.cff", "Invented", "Invented\\u001b[31m")(f),
    ],
    "players of an answer": beside_rounding("; 6 players", "; 7 players"),
    "notes of an answer": beside_rounding("73 notes).", "74 notes)."),
    "the interval of an answer": beside_rounding("(95 % interval", "(96 % interval"),
    "the p of an answer": beside_rounding("p = 0.106", "p = 0.105"),
    "the players of a caveat": beside_rounding("(3 players)", "(4 players)"),
    "a count with a point": put("claims.csv", 1, "players", "6.0"),
    "a count of notes and a bit": put("claims.csv", 1, "notes", "73.005"),
    "a decision at the end of the calendar": lambda f: (f / "edits.csv").write_text(re.sub(r"[-T:0-9]{19}\.000001\+00:00", "9999-12-31T23:59:59.000001-23:00", (f / "edits.csv").read_text())),
    "a decision at its beginning": lambda f: (f / "edits.csv").write_text(re.sub(r"[-T:0-9]{19}\.000001\+00:00", "0001-01-01T00:00:00.000001+23:00", (f / "edits.csv").read_text())),
    "a listener left out of the count": swap("edits.csv", "listener 2", "listener 3", -1),
    "a listener counted otherwise": swap("edits.csv", "listener 2", "listener 02", -1),
    "a value where a decision has none": swap("edits.csv", ",accept,,", ",accept,5,"),
    "another method": lambda f: (f / "environment.json").write_text(re.sub(r'("method_version": )', r"\g<1>9", (f / "environment.json").read_text())),
    "a setting out of range": swap("environment.json", '"false_alarm": 0.01', '"false_alarm": -7.5'),
    "the author is a number": descriptor(lambda d: d["contributors"][0].update(title=5)),
}  # fmt: skip


def test_there_are_enough_of_them():
    assert len(SLIPS) + len(FORGERIES) >= 60


@pytest.mark.parametrize("name", SLIPS)
def test_a_slip_is_found(name, copy):
    SLIPS[name](copy)
    assert told(copy)
    assert cli.main(["verify", str(copy)]) in (1, 2)


@pytest.mark.parametrize("name", FORGERIES)
def test_a_forgery_is_found(name, copy):
    FORGERIES[name](copy)
    seal(copy)
    found = told(copy)
    assert found
    assert "not as it was packed" not in str(found[0]), "it must be found by what it says, not by its hash"


def test_the_descriptor_is_as_the_program_writes_it(copy):
    path = copy / "datapackage.json"
    path.write_bytes(path.read_bytes() + b" \n")
    assert [problem.file for problem in told(copy)] == ["datapackage.json"]


def test_an_untouched_package_verifies(package, capsys):
    found = verify_package(package)
    assert found.problems == [] and found.files == len(list(package.iterdir())) == len(FILES)
    assert len(found.figures) > 100
    assert cli.main(["verify", str(package)]) == 0
    assert "does not prove that the notes were measured" in capsys.readouterr().out.replace("\n", " ")


@pytest.mark.parametrize(
    "name", ["notes.csv", "recordings.csv", "claims.csv", "models.csv", "claims_log.csv"]
)
def test_the_forger_changes_nothing_but_what_is_meant(name, copy):
    """Written again and sealed without a change it still verifies: what is found above is the change."""
    cells(name, lambda rows: None)(copy)
    log_again(lambda rows: None)(copy)
    seal(copy)
    assert told(copy) == []


def test_nothing_is_read_after_the_first_wrong_hash(copy, monkeypatch):
    swap("claims.toml", "slower", "faster")(copy)
    for name in ("read_parts", "write_parts"):
        monkeypatch.setattr(f"vibstudy.paper.verify.{name}", lambda *_: pytest.fail("it was looked at"))
    assert [problem.file for problem in told(copy)] == ["claims.toml"]


def test_what_cannot_be_proved_is_said(copy):
    """A log written anew as a whole, with verdicts to match, agrees with itself: the module says so."""
    log_again(backdated)(copy)
    put("claims.csv", 1, "standing", "written first")(copy)
    put("claims.csv", 2, "standing", "written first")(copy)
    for row in (1, 2):
        put("claims.csv", row, "written_utc", "2023-01-01T00:00:00Z")(copy)
    seal(copy)
    assert told(copy) == []
    import vibstudy.paper.verify as module

    assert "not that the log was not written anew as a whole" in " ".join(module.__doc__.split())


# --- damage


def damage(path: Path) -> dict[str, Callable[[], object]]:
    content = path.read_bytes()
    middle = len(content) // 2
    flipped = content[:middle] + bytes([content[middle] ^ 0x10]) + content[middle + 1 :]
    kinds: dict[str, bytes] = {
        "cut in half": content[:middle],
        "a byte less": content[:-1],
        "empty": b"",
        "a bit flipped": flipped,
        "NULs": content[:middle] + b"\0" * 9 + content[middle:],
        "Latin letters": content[:middle] + "Ünglück".encode("latin-1") + content[middle:],
        "UTF-16": content.decode("utf-8").encode("utf-16"),
        "nested deeply": b"[" * 100_000,
        "huge numbers": re.sub(rb"\d+", b"9" * 5000, content[:2000], count=5) + content[2000:],
        "an archive": b"PK\x03\x04" + content,
        "one long line": b"a," * 200_000,
        "quotes": content.replace(b"\n", b'"\n', 3),
    }

    def linked() -> None:
        path.unlink()
        path.symlink_to("/dev/zero")

    def piped() -> None:
        path.unlink()
        os.mkfifo(path)

    def sparse() -> None:
        with path.open("r+b") as stream:
            stream.truncate(20_000_000_000)

    made: dict[str, Callable[[], object]] = {
        name: functools.partial(path.write_bytes, data) for name, data in kinds.items()
    }
    return made | {"a device": linked, "a pipe": piped, "20 GB of nothing": sparse}


@pytest.mark.parametrize("name", sorted(FILES))
def test_damage_is_told_with_file_and_repair(name, package, tmp_path):
    """Fifteen kinds of damage of each of twelve files, and sealed again where that can be."""
    for kind in damage(package / name):
        for sealed in (False, True):
            if sealed and (kind in ("a device", "a pipe", "20 GB of nothing") or name == "datapackage.json"):
                continue
            if sealed and kind == "a bit flipped" and name == "edits.csv":
                continue  # another digit of where a note began: nothing in a package could tell
            if sealed and kind == "a bit flipped" and name == "environment.json":
                continue  # another letter in the name of a version: nor that
            folder = shutil.copytree(package, tmp_path / "damaged")
            damage(folder / name)[kind]()
            if sealed:
                seal(folder)
            assert told(folder), (kind, sealed)
            shutil.rmtree(folder)


def test_random_damage_in_a_child_process(package, tmp_path):
    """Hypothesis in a process of its own: no code of a package runs, nothing takes long or much memory."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.fuzz_packages", str(package), "2000"],
        capture_output=True,
        text=True,
        timeout=280,
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])},
    )
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    assert not (tmp_path / "canary").exists()
    tried = {name: int(count) for count, name in re.findall(r"(\d+) ([a-z ]+)", done.stdout)}
    assert tried["as they are"] + tried["sealed"] + tried["made again"] >= 2000, done.stdout
    assert tried["read to the end"] >= 10, done.stdout


# --- what goes out


def test_nothing_of_the_listeners_goes_out(package):
    words = [*PRIVATE, LOGIN if len(LOGIN) > 2 else PRIVATE[0], HOST or PRIVATE[0], "supervisor", "030 555"]
    for path in package.iterdir():
        text = path.read_bytes().decode("utf-8")
        for word in words:
            assert not re.search(rf"(?<!\w){re.escape(word)}(?!\w)", text, re.IGNORECASE), (path.name, word)
        assert "/tmp" not in text and str(Path.home()) not in text, path.name
    edits, problems = read_edits(package / "edits.csv")
    assert not problems and {edit.who for edit in edits} == {"listener 1", "listener 2"}
    assert all(edit.why == "" and edit.made_at[11:19] == "00:00:00" for edit in edits)
    assert [edit.made_at for edit in edits] == sorted(edit.made_at for edit in edits)
    assert "comment" not in pd.read_csv(package / "notes.csv").columns
    assert pd.read_csv(package / "notes.csv")["note_label"].isna().all()
    assert not list(package.rglob("*.parquet"))


def test_remarks_go_along_when_asked_for(study, tmp_path):
    make_package(study, tmp_path / "p", remarks=True)
    notes = pd.read_csv(tmp_path / "p" / "notes.csv")
    assert notes["comment"].eq(PRIVATE[0]).all() and notes["note_label"].eq(PRIVATE[0]).all()
    assert all(edit.why == PRIVATE[0] for edit in read_edits(tmp_path / "p" / "edits.csv")[0])
    assert told(tmp_path / "p") == []


def test_what_goes_out_is_told_before_it_is_written(study, tmp_path):
    seen: list[Contents] = []

    def refuse(contents: Contents) -> bool:
        assert not (tmp_path / "p").exists()
        seen.append(contents)
        return False

    assert make_package(study, tmp_path / "p", approve=refuse) == []
    assert list(tmp_path.iterdir()) == []
    text = "\n".join(seen[0].lines())
    for part in (
        "144 notes",
        "12 recordings",
        "2 claims",
        "4 decisions",
        "tutor",
        "comment",
        "4 remarks",
        "2 listeners",
    ):
        assert part in text, part
    parts = SimpleNamespace(
        notes=["rate_hz", "player"], recordings=["tuning_hz_manifest", "tutor", "notes_manifest"]
    )
    assert own_columns(parts) == ["tutor", "notes_manifest"]  # the first is ours, beside what was measured


def test_the_name_of_a_file_cannot_steer_the_terminal(copy, capsys):
    (copy / "\x1b[2Jgone\u202e.csv").write_text("x")
    assert cli.main(["verify", str(copy)]) == 1
    said = capsys.readouterr().err
    assert "\x1b" not in said and "\u202e" not in said and "x1b[2Jgone" in said


def test_more_claims_than_can_be_meant_are_not_fitted(copy):
    block = 'sentence = "x"\noutcome = "rate_hz"\nexpect = "lower"\ncontrast = {column = "decade", from = 1, to = 2}\n'
    (copy / "claims.toml").write_text("".join(f'[[claim]]\nid = "c{k}"\n{block}' for k in range(300)))
    seal(copy)
    assert "at most 200 are tested" in str(told(copy)[0])


def test_a_login_name_in_a_cell_is_told(study, tmp_path, monkeypatch):
    monkeypatch.setattr(getpass, "getuser", lambda: "Elm")
    seen: list[Contents] = []
    make_package(study, tmp_path / "p", approve=lambda contents: bool(seen.append(contents)))
    assert any("your login name stands here" in str(p) and p.column == "tutor" for p in seen[0].to_look_at)


def test_the_command_shows_it_and_asks_only_on_a_terminal(study, tmp_path, capsys, monkeypatch):
    import typer

    asked = []
    monkeypatch.setattr(typer, "confirm", lambda *_, **__: asked.append(1) or False)
    out = str(tmp_path / "p")
    assert cli.main(["package", str(study), "--out", out]) == 0
    assert "This goes out:" in capsys.readouterr().out and Path(out).is_dir() and not asked
    shutil.rmtree(out)
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    assert cli.main(["package", str(study), "--out", out]) == 0
    assert "Nothing was written" in capsys.readouterr().out and not Path(out).exists() and asked
    assert cli.main(["package", str(study), "--out", out, "--yes"]) == 0 and Path(out).is_dir()


def test_a_claim_on_a_remark_is_told(study, tmp_path):
    folder = shutil.copytree(study, tmp_path / "s")
    with (folder / "claims.toml").open("a", encoding="utf-8") as stream:
        stream.write('\n[[claim]]\nid = "x"\nsentence = "x"\noutcome = "rate_hz"\nexpect = "lower"\n')
        stream.write('contrast = { column = "comment", from = "a", to = "b" }\n')
    with pytest.raises(VibstudyError, match="claim x needs a column of remarks"):
        make_package(folder, tmp_path / "p")


def test_a_folder_with_something_else_in_it_is_not_replaced(study, tmp_path):
    make_package(study, tmp_path / "p")
    (tmp_path / "p" / "thesis.txt").write_text("precious", encoding="utf-8")
    with pytest.raises(VibstudyError, match="no package"):
        make_package(study, tmp_path / "p")
    (tmp_path / "link").symlink_to(tmp_path / "p")
    with pytest.raises(VibstudyError, match="no package"):
        make_package(study, tmp_path / "link")
    assert (tmp_path / "p" / "thesis.txt").read_text() == "precious"


def test_claims_are_written_as_they_are_read(tmp_path):
    words = 'Ton "é" \\ \n\t\x7f \u2028 [red] # no'
    contrast = Contrast("decade", 1e-5, "x", True, "region", words, 4.5)
    terms, filtered = ("piece", "log(midi)"), "medium != 'digital'"
    claim = Claim(words, words, "rate_hz", contrast, "equal", 0.1, terms, ("piece",), filtered, "log", True)
    (tmp_path / "claims.toml").write_text(
        claims_text([claim, Claim("b", "b", "rate_hz", Contrast("decade", 0, 1), "lower")])
    )
    found = read_claims(tmp_path / "claims.toml")
    assert found[0] == claim and found[0].sha256 == claim.sha256 and found[1].contrast.start == 0


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


# --- scores


def score(
    measures: int, notes: int, time_text: str = "<beats>4</beats><beat-type>4</beat-type>", bar: str = ""
) -> str:
    note = "<note><pitch><step>A</step><octave>4</octave></pitch><duration>1</duration><type>quarter</type></note>"
    first = f"<attributes><divisions>1</divisions><time>{time_text}</time></attributes>"
    bars = [
        f'<measure number="{k + 1}">{first if k == 0 else ""}{note * notes}{bar}</measure>'
        for k in range(measures)
    ]
    return (
        '<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>x</part-name></score-part>'
        f'</part-list><part id="P1">{"".join(bars)}</part></score-partwise>'
    )


REPEAT = '<barline location="right"><repeat direction="backward"/></barline>'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (score(4, 4, "<beats>0</beats><beat-type>4</beat-type>"), "<beats> is 0"),
        (score(4, 4, "<beats>4</beats><beat-type>0</beat-type>"), "<beat-type> is 0"),
        (score(4, 4, "<beats>99999999999999999999</beats><beat-type>4</beat-type>"), "<beats> is 9999"),
        (score(2000, 100), "200,000 notes; at most 10,000"),
        (score(8000, 1), "8,000 measures; at most 4,000"),
        (score(60, 4, bar=REPEAT), "60 repeats; at most 24"),
        (score(60, 4, bar=REPEAT.replace("backward", "forward")), "60 repeats; at most 24"),
        (score(1, 1, bar="<direction><direction-type><words>dolce</words></direction-type></direction>" * 1001), "1,001 words"),
        (score(1, 1, bar="<direction/>" * 6000), "directions; at most 5,000"),
        (score(1, 1).replace("<divisions>1", "<divisions>0"), "<divisions> is 0"),
        (score(1, 1, bar="<x/>" * 400_000), "elements; at most 300,000"),
    ],
    ids=range(11),
)  # fmt: skip
def test_a_score_of_too_much_is_refused_with_the_count(text, words, tmp_path):
    (tmp_path / "s.musicxml").write_text(text)
    began = time.process_time()
    with pytest.raises(VibstudyError) as refusal:
        read_score(tmp_path / "s.musicxml")
    assert words in str(refusal.value) and refusal.value.problems[0].repair
    assert time.process_time() - began < SLOWEST_S


MIDI_NOTE = b"\x00\x90\x3c\x40\x78\x80\x3c\x40"


def midi_file(path: Path, numerator: int, power: int, notes: int) -> Path:
    """A MIDI file of semiquavers written byte by byte, after the standard; the lower figure is 2 ** power."""
    note = b"\x00\x90\x3c\x40" + b"\x78\x80\x3c\x40"
    track = b"\x00\xff\x58\x04" + bytes([numerator, power, 24, 8]) + note * notes + b"\x00\xff\x2f\x00"
    head = b"MThd" + (6).to_bytes(4, "big") + b"\x00\x00\x00\x01" + (480).to_bytes(2, "big")
    path.write_bytes(head + b"MTrk" + len(track).to_bytes(4, "big") + track)
    return path


@pytest.mark.parametrize(
    ("numerator", "power", "notes", "words"),
    [
        (0, 2, 8, "time signature of 0/4"),
        (4, 7, 8, "time signature of 4/128"),
        (4, 2, 12_000, "12,000 notes"),
        (4, 2, 200_000, "larger than 500 kB"),
        (1, 6, 9000, "measures; at most 4,000"),
    ],
)
def test_a_midi_file_of_too_much_is_refused(numerator, power, notes, words, tmp_path):
    path = midi_file(tmp_path / "s.mid", numerator, power, notes)
    began = time.process_time()
    with pytest.raises(VibstudyError) as refusal:
        read_score(path)
    assert words in str(refusal.value) and refusal.value.problems[0].repair
    assert time.process_time() - began < SLOWEST_S


def test_a_long_part_is_read_in_time(tmp_path):
    """As many measures as are read: it took minutes when each note asked the library for its maps."""
    import partitura  # noqa: F401 - loading it is not what is timed

    (tmp_path / "s.musicxml").write_text(score(1500, 2))
    began = time.process_time()
    (part,) = read_score(tmp_path / "s.musicxml")
    assert time.process_time() - began < SLOWEST_S
    assert MOST["measures"] >= 1500
    notes = part.orders["as written"]
    assert len(notes) == 3000 and notes[-1].measure == 1500
    assert [note.beat for note in notes[2:4]] == [1, 2]


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


# --- logs, scores and tables from elsewhere


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


@pytest.mark.parametrize(
    ("old", "new"),
    [("<octave>4", "<octave>999999"), ("<octave>4", "<octave>-50"), ("<divisions>", "<divisions>-"),
     ("<duration>", "<duration>9999999"), ("</time>", "</time><transpose><chromatic>99999999999999999999</chromatic></transpose>")],
)  # fmt: skip
def test_a_score_of_notes_that_cannot_be_is_refused(old, new, tmp_path):
    text = score(4, 4)
    path = tmp_path / "s.musicxml"
    assert old in text
    path.write_text(text, encoding="utf-8")
    read_score(path)
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(VibstudyError, match=r"line 1: .*(pitch|beat)|<divisions> is"):
        read_score(path)


@pytest.mark.parametrize(
    ("events", "division", "words"),
    [(b"\x00\xff\x51\x03\x00\x00\x00" + MIDI_NOTE, 480, "tempo"), (MIDI_NOTE, 0, "frames"),
     (b"\x00\x90\x3c\x40" * 9000, 480, "no note in this score ends"), (b"", 480, "no notes"),
     (MIDI_NOTE + b"\xff\xff\xff\x7f" + MIDI_NOTE[1:], 480, "longer than 10,000 beats"),
     (b"\x00\xff\x59\x02\x7f\x05" + MIDI_NOTE, 480, "cannot be read as MIDI"),
     (b"\x00\xff\x51\x03\xff\xff\xff" + MIDI_NOTE, 32767, ""), (MIDI_NOTE * 9, 1, ""),
     (b"\x00\xb0\x01\x01" + b"\x00\x01\x02" * 160_000 + MIDI_NOTE, 480, "")],
    ids=range(9),
)  # fmt: skip
def test_times_of_a_midi_file_that_cannot_be_are_refused_and_odd_ones_read(events, division, words, tmp_path):
    """Tempo, division and intervals at both ends of what the standard's fields hold."""
    track = events + b"\x00\xff\x2f\x00"
    head = b"MThd\x00\x00\x00\x06\x00\x00\x00\x01" + division.to_bytes(2, "big")
    path = tmp_path / "s.mid"
    path.write_bytes(head + b"MTrk" + len(track).to_bytes(4, "big") + track)
    began = time.process_time()
    if not words:
        (part,) = read_score(path)
        assert [note.written_midi for note in part.orders["as written"]][:1] == [60]
    else:
        with pytest.raises(VibstudyError, match=words):
            read_score(path)
    assert time.process_time() - began < SLOWEST_S


def test_a_score_that_is_too_much_is_refused_before_the_library_is_loaded(tmp_path):
    (tmp_path / "s.musicxml").write_text(score(4100, 2))
    script = (
        "import sys; from vibstudy.notes.written import read_score\n"
        "try: read_score('s.musicxml')\nexcept Exception as error: print(error, 'partitura' in sys.modules)"
    )
    command = [sys.executable, "-c", script]
    ran = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, check=True)
    assert "4,100 measures" in ran.stdout and ran.stdout.strip().endswith("False")


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


def test_private_words_are_really_in_the_study(study):
    """What must not go out is there to begin with."""
    edits = (study / "edits.csv").read_text(encoding="utf-8")
    assert PRIVATE[0] in edits and PRIVATE[1] in edits and LOGIN in edits
    assert PRIVATE[0] in (study / "claims.toml").read_text(encoding="utf-8")
