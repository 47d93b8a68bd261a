"""Packages that mean no good, and what goes out in a good one: all is told, nothing is believed, nothing hangs."""

from __future__ import annotations

import functools
import getpass
import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest

from tests.parcel_forgeries import FORGERIES, SLIPS, backdated
from tests.parcel_study import HOST, LOGIN, PRIVATE, cells, log_again, packed, put, reviewed_study, seal, swap
from vibstudy import cli
from vibstudy.decisions.edits import read_edits
from vibstudy.errors import VibstudyError
from vibstudy.paper import assemble as making
from vibstudy.paper.contents import FILES, Contents, own_columns
from vibstudy.paper.package import make_package
from vibstudy.paper.verify import verify_package
from vibstudy.stats.claimfile import Claim, Contrast, claims_text, read_claims

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


# --- tampered with


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


def test_private_words_are_really_in_the_study(study):
    """What must not go out is there to begin with."""
    edits = (study / "edits.csv").read_text(encoding="utf-8")
    assert PRIVATE[0] in edits and PRIVATE[1] in edits and LOGIN in edits
    assert PRIVATE[0] in (study / "claims.toml").read_text(encoding="utf-8")
