"""Sharing a study without its sound: the package validates, verifies, and gives nothing private away."""

from __future__ import annotations

import getpass
import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import yaml
from frictionless import validate

from tests.invented_study import invented_notes
from vibstudy import cli
from vibstudy.corpus.tables import write_frame, write_package
from vibstudy.errors import VibstudyError
from vibstudy.paper.assemble import citation
from vibstudy.paper.contents import DISK_PATH, FILES, SOUND_ENDINGS
from vibstudy.paper.package import make_package
from vibstudy.paper.parts import About
from vibstudy.paper.verify import verify_package
from vibstudy.schema import NOTE_COLUMNS, RECORDING_COLUMNS

CLAIMS = """\
[[claim]]
id = "slower"
sentence = "Vibrato became slower."
outcome = "rate_hz"
contrast = { column = "decade", from = 1930, to = 2000, shape = "trend" }
expect = "lower"

[[claim]]
id = "nowhere"
sentence = "Nobody can tell."
outcome = "rate_hz"
contrast = { column = "medium", from = "digital", to = "wire" }
expect = "higher"
"""


def write_measured_study(folder: Path, notes: pd.DataFrame | None = None, claims: str = CLAIMS) -> Path:
    """A study folder with tables, claims and paths, as measuring leaves it; no sound."""
    notes = invented_notes(players=8, notes=20) if notes is None else notes
    notes = notes.assign(
        path="audio/" + notes["recording_id"] + ".flac", tracker="invented 1", vibstudy_version="0"
    )
    results = folder / "results"
    results.mkdir(parents=True)
    recordings = notes.groupby("recording_id", sort=False).agg(
        notes=("note_id", "size"), player=("player", "first"), decade=("decade", "first"),
        region=("region", "first"), path=("path", "first"), medium=("medium", "first"),
    ).reset_index()  # fmt: skip
    recordings = recordings.assign(speed_factor=1.0, tuning_source="estimated", tuning_hz=440.0)
    recordings["audio_sha256"] = [f"{k:064x}" for k in range(len(recordings))]
    schemas = {
        "notes.csv": write_frame(results / "notes.csv", notes, NOTE_COLUMNS),
        "recordings.csv": write_frame(results / "recordings.csv", recordings, RECORDING_COLUMNS),
    }
    write_package(results, schemas)
    notes.to_parquet(results / "notes.parquet")
    if claims:
        (folder / "claims.toml").write_text(claims, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    return write_measured_study(tmp_path_factory.mktemp("a place") / "my study")


@pytest.fixture(scope="module")
def package(study):
    out = study.parent / "package"
    make_package(study, out, About("Invented data", 'A. "Nonymous"', "CC0-1.0"))
    return out


def test_the_standards_own_validator_accepts_it(package):
    """frictionless, the reference implementation of the Data Package standard."""
    report = validate(str(package / "datapackage.json"))
    assert report.valid, report.flatten(["title", "message"])
    tables = {task.place for task in report.tasks if task.type == "table"}
    assert {"notes.csv", "recordings.csv", "claims.csv", "models.csv"} <= tables


def test_the_validator_would_see_a_fault(package, tmp_path):
    for path in package.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    text = (tmp_path / "notes.csv").read_text(encoding="utf-8").replace(",true,", ",perhaps,", 1)
    (tmp_path / "notes.csv").write_text(text, encoding="utf-8")
    assert not validate(str(tmp_path / "datapackage.json")).valid


def test_nothing_private_is_in_it(package, study):
    """No path of the disk, no user name, no sound, no name of a sound file."""
    private = [str(study), str(study.resolve()), str(study.parent), study.parent.name, str(Path.home())]
    user = re.compile(rf"\b{re.escape(getpass.getuser())}\b")
    for path in package.rglob("*"):
        data = path.read_bytes()
        assert path.suffix in (".csv", ".json", ".toml", ".txt", ".cff")
        assert path.suffix not in SOUND_ENDINGS
        assert data[:4] not in (b"RIFF", b"fLaC", b"OggS", b"FORM")
        text = data.decode("utf-8")
        assert not any(word in text for word in private), path.name
        assert not user.search(text), path.name
        assert "audio/" not in text and not any(ending in text.lower() for ending in SOUND_ENDINGS), path.name
        assert not re.search(r"(?<![\w.:/])/(home|root|Users|mnt)\b|[A-Z]:\\", text), path.name


def test_it_holds_what_it_says(package):
    descriptor = json.loads((package / "datapackage.json").read_text(encoding="utf-8"))
    named = {resource["path"] for resource in descriptor["resources"]}
    assert named | {"datapackage.json"} == {path.name for path in package.iterdir()} <= set(FILES)
    assert descriptor["licenses"][0]["name"] == "CC0-1.0"
    assert descriptor["contributors"][0]["title"] == 'A. "Nonymous"'
    notes = next(r for r in descriptor["resources"] if r["path"] == "notes.csv")["schema"]["fields"]
    extent = next(item for item in notes if item["name"] == "extent_cents")
    assert extent["unit"] == "± cents" and "HALF" in extent["description"]
    assert not any(item["name"] == "path" for item in notes)
    settings = json.loads((package / "environment.json").read_text(encoding="utf-8"))["settings"]
    assert settings["false_alarm"] == 0.01


def test_it_verifies(package):
    found = verify_package(package)
    assert found.problems == []
    assert set(found.figures["table"]) == {"models.csv", "claims.csv"}
    assert len(found.figures) > 20 and found.figures["relative"].max() <= 1e-9


def test_a_changed_file_is_found_and_ends_the_check(package, tmp_path, capsys):
    for path in package.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    claims = pd.read_csv(tmp_path / "claims.csv")
    claims["estimate"] += 0.01
    claims.to_csv(tmp_path / "claims.csv", index=False)
    found = verify_package(tmp_path)
    assert [str(problem) for problem in found.problems] == [
        "claims.csv: this file is not as it was packed. Fetch the package again."
    ]
    assert len(found.figures) == 0
    (tmp_path / "LICENCE.txt").unlink()
    assert "LICENCE.txt: this file is missing" in "\n".join(map(str, verify_package(tmp_path).problems))
    assert cli.main(["verify", str(tmp_path)]) == 1
    assert "does not agree" in capsys.readouterr().err


@pytest.mark.parametrize(
    "text",
    [
        "/home/anna/takes/a",
        r"C:\Users\Anna\a",
        "see ~/takes/x",
        r"\\server\share\a",
        "D:/takes/a",
        "(/mnt/x/y)",
    ],
)
def test_paths_are_recognised(text):
    assert DISK_PATH.search(text)


@pytest.mark.parametrize("text", ["and/or", "1930/40", "https://example.org/a/b", "c/d/e", "take1/0003"])
def test_other_slashes_are_not(text):
    assert not DISK_PATH.search(text)


@pytest.mark.parametrize("remark", ["from /home/anna/rips/side1", "was take001.flac"])
def test_a_path_in_a_cell_is_told_and_nothing_written(tmp_path, remark):
    notes = invented_notes(players=2, recordings=2, notes=5)
    notes["source"] = ["fine", *[remark] * (len(notes) - 1)]
    notes["comment"] = remark  # stays behind, so that it needs no mending
    study = write_measured_study(tmp_path / "s", notes)
    with pytest.raises(VibstudyError, match=r"notes.csv, row 3, column source") as refusal:
        make_package(study, tmp_path / "out")
    assert "column comment" not in str(refusal.value)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["s"]


def test_a_folder_of_something_else_is_left_alone(study, tmp_path):
    (tmp_path / "thesis.txt").write_text("precious", encoding="utf-8")
    for out in (tmp_path, study):
        with pytest.raises(VibstudyError, match="no package"):
            make_package(study, out)
    assert (tmp_path / "thesis.txt").exists() and (study / "results").is_dir()


def test_a_small_study_without_claims(tmp_path, capsys):
    notes = invented_notes(players=1, recordings=1, notes=6, vibrato=False)
    study = write_measured_study(tmp_path / "s", notes, claims="")
    assert cli.main(["package", str(study)]) == 0
    assert cli.main(["package", str(study)]) == 0  # an earlier package is replaced
    assert cli.main(["verify", str(study / "data-package")]) == 1
    assert "nothing is proved" in capsys.readouterr().err
    assert validate(str(study / "data-package" / "datapackage.json")).valid
    assert not (study / "data-package" / "claims.csv").exists()
    assert cli.main(["verify", str(tmp_path)]) == 2
    assert cli.main(["package", str(tmp_path)]) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_the_citation_is_yaml():
    found = yaml.safe_load(citation(About('Tone: "A"', "Ås, B.", "CC-BY-4.0")))
    assert found["title"] == 'Tone: "A"' and found["authors"] == [{"name": "Ås, B."}]
    assert found["cff-version"] == "1.2.0" and found["type"] == "dataset"


def test_missing_stays_missing(package):
    frame = pd.read_csv(package / "notes.csv")
    assert frame["rate_hz"].isna().any() and not np.isclose(frame["rate_hz"].dropna(), 0).any()
