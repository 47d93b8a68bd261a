"""Pooling the packages of several invented studies: what is joined, what stays apart, what is refused."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
from rich.console import Console

from tests.invented_study import invented_notes
from tests.test_package import CLAIMS, write_measured_study
from vibstudy import cli
from vibstudy.corpus.manifest import check_manifest
from vibstudy.corpus.results import read_notes, read_recordings
from vibstudy.errors import VibstudyError
from vibstudy.pages.listening import write_listening_page
from vibstudy.pages.write import write_pages
from vibstudy.paper.origins import FOLDER, joined_by
from vibstudy.paper.package import About, make_package
from vibstudy.paper.parts import PACKAGE_FOLDER
from vibstudy.paper.pool import _named, pool_packages
from vibstudy.paper.write import write_paper
from vibstudy.stats.claims import read_claims, run_claims
from vibstudy.stats.effects import standard_models
from vibstudy.stats.history import (
    Recordings,
    bygone_tests,
    detail_of,
    newly_withdrawn,
    pooled_rows,
    withdrawn,
)
from vibstudy.stats.ledger import Ledger

OTHER = CLAIMS.replace('expect = "lower"', 'expect = "different"')


def _recorded(study: str, players: int = 8, seed: int = 7) -> pd.DataFrame:
    """Notes of a study whose first player is known to all, the others to this one alone."""
    notes = invented_notes(players=players, notes=20, seed=seed)
    known = notes["player"] == "Player Aster"
    notes["player"] = notes["player"].where(known, notes["player"] + f" of {study}")
    return notes


@pytest.fixture(scope="module")
def packages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pool")
    out = {}
    for k, (name, claims) in enumerate({"north": CLAIMS, "south": OTHER}.items()):
        study = write_measured_study(folder / f"{name}-study", _recorded(name, seed=k + 1), claims)
        for file in ("notes", "recordings"):  # hashes of their own
            path = study / "results" / f"{file}.csv"
            path.write_text(path.read_text().replace("0" * 60, f"{k + 1:060d}"))
        out[name] = folder / name
        make_package(study, out[name], About())
    return out


def _claims_of(folder, text):
    (folder / "claims.toml").write_text(text)
    return read_claims(folder / "claims.toml")


def _pool(packages, out, names=None):
    return pool_packages([str(path) for path in packages.values()], out, names)


def test_two_studies_become_one_and_their_claims_are_answered(packages, tmp_path):
    found = _pool(packages, tmp_path / "pooled")
    notes, recordings = read_notes(found.folder), read_recordings(found.folder)
    assert found.studies == {"north": 24, "south": 24} and len(recordings) == 48
    one = read_notes(packages["south"])
    own = notes[notes["study"] == "south"].reset_index(drop=True)
    assert len(own) == len(one) and notes["note_id"].is_unique
    pd.testing.assert_series_equal(own["rate_hz"], one["rate_hz"])
    assert (own["recording_id"] == "south." + one["recording_id"]).all()
    claims = {claim.id: claim for claim in read_claims(found.folder / "claims.toml")}
    assert set(claims) == {"slower", "nowhere", "south-slower"}  # "nowhere" is the same in both
    assert all(claim.crossed == ("study",) for claim in claims.values())
    assert sorted(path.name for path in (found.folder / "logs").iterdir()) == ["north.csv", "south.csv"]
    log = Ledger(found.folder / "results" / "claims_log.csv")
    assert log.broken is None
    assert {row[2].split(".")[0] for row in log.rows if row[1] == "claim"} == {"north", "south"}
    assert run_claims(found.folder, Console(quiet=True)) == 0
    verdicts = pd.read_csv(found.folder / "results" / "claims.csv").set_index("claim")
    assert verdicts.loc["slower", "players"] == 16
    assert verdicts.loc["slower", "verdict"] != "not testable here"
    assert verdicts.loc["slower", "standing"].startswith("written after measuring")


def test_that_there_is_no_sound_is_told_once_not_for_each_recording(packages, tmp_path):
    _pool(packages, tmp_path / "pooled")
    (problem,) = check_manifest(tmp_path / "pooled" / "corpus_manifest.csv")
    assert problem.row is None and "no recording has a sound file" in str(problem)
    assert "'vibstudy pool' made has figures alone" in problem.repair


def test_a_pooled_study_is_written_up_by_the_settings_of_its_studies(packages, tmp_path):
    """Nothing of it was measured here: what the draft says of measuring comes from the packages."""
    _pool(packages, tmp_path / "pooled")
    path = tmp_path / "pooled" / FOLDER / "north.json"
    own = json.loads(path.read_text())
    own["settings"]["fmin_hz"], own["libraries"]["numpy"] = 60.0, "1.99"
    path.write_text(json.dumps(own))
    report = write_paper(tmp_path / "pooled")
    draft = re.sub("<.*?>", "", (report.folder / "draft.html").read_text())
    assert "of studies that were measured apart: north (24 recordings by 8 players)" in draft
    assert "between 60 or 45 and 4200 Hz" in draft and "were measured with different settings" in draft
    assert re.search(r"numpy 1\.99 or \d", draft)
    assert not (report.folder / "slides_with_sound.html").exists()
    effects = pd.read_csv(tmp_path / "pooled" / "results" / "quantities.csv")
    assert (effects["kind"] == "model").any()
    assert "the study is therefore a random factor" in draft
    notes = read_notes(tmp_path / "pooled")
    (fitted,) = (
        found
        for model, variant, found, _ in standard_models(notes, crossed=joined_by(tmp_path / "pooled"))
        if model == "rate" and not variant
    )
    assert "study" in fitted.variance_components().index.get_level_values("group")


def test_what_needs_the_sound_of_a_pooled_study_says_so_once(packages, tmp_path):
    _pool(packages, tmp_path / "pooled")
    for needs in (write_pages, write_listening_page):
        with pytest.raises(VibstudyError, match=r"no recording has a sound file.*joined from packages"):
            needs(tmp_path / "pooled")


def test_logs_are_joined_and_what_was_taken_out_still_counts(tmp_path):
    claims = [replace(claim, crossed=()) for claim in _claims_of(tmp_path, CLAIMS) if claim.id == "slower"]
    (kept,) = claims
    times = [datetime(2026, 1, day, tzinfo=UTC) for day in (1, 2, 3)]
    ledgers = {}
    for study in ("north", "south"):
        ledgers[study] = log = Ledger(tmp_path / f"{study}.csv")
        log.append([("recording", "one", "aa" + study, "")], times[0 if study == "north" else 1])
        log.append([("claim", kept.id, kept.sha256, detail_of(kept))], times[1])
    gone = detail_of(kept)
    ledgers["south"].append([("claim", "gone", "ff", gone), ("verdict", "gone", "ff", "{}")], times[1])
    ledgers["south"].append([("withdrawn", "gone", "ff", "taken out")], times[2])
    rows = pooled_rows(ledgers, dict.fromkeys(ledgers, claims))
    assert [row[0] for row in rows] == sorted(row[0] for row in rows)
    assert [row[2] for row in rows if row[1] == "recording"] == ["north.one", "south.one"]
    log = Ledger.made_of(tmp_path / "joined.csv", rows)
    assert Ledger(tmp_path / "joined.csv").broken is None
    pooled = [replace(kept, crossed=("study",))]
    assert bygone_tests(pooled, log) == 1  # what goes on is counted once, what was taken out still
    assert withdrawn(pooled, log) == ["south.gone"]
    assert newly_withdrawn(pooled, log) == []
    assert Recordings(log).first("another name", "aasouth") == 2  # north's claim came between
    alone = Ledger.made_of(tmp_path / "alone.csv", pooled_rows(ledgers, {}))
    assert bygone_tests(pooled, alone) == 2  # a claim that does not go on stays a test that was made


def test_players_of_one_name_stay_apart_until_a_table_says_otherwise(packages, tmp_path):
    apart = _pool(packages, tmp_path / "apart")
    assert {"Player Aster (north)", "Player Aster (south)"} <= set(read_notes(apart.folder)["player"])
    assert any("'Player Aster' of north and south are kept apart" in sentence for sentence in apart.told)
    assert apart.players == 16
    table = tmp_path / "names.csv"
    table.write_text(
        "study,player,pooled\nnorth,Player Aster,A. Aster\nsouth,Player Aster,A. Aster\n"
        "south,Player Birch of south,Player Birch of north\n"
    )
    joined = _pool(packages, tmp_path / "joined", table)
    names = read_notes(joined.folder)["player"]
    assert joined.players == 15 and names.eq("A. Aster").any() and not names.eq("Player Aster").any()
    # a name of the table that a player without a row has, too, is not his
    assert {"Player Birch of north", "Player Birch of north (north)"} <= set(names)


def test_names_that_are_not_there_are_all_told(packages, tmp_path):
    table = tmp_path / "names.csv"
    table.write_text(
        "study,player,pooled\nnoth,Player Aster,A\nnorth,Player Astr,A\n"
        "south,Player Aster,\nsouth,Player Aster,A\n"
    )
    with pytest.raises(VibstudyError) as told:
        _pool(packages, tmp_path / "pooled", table)
    text = str(told.value)
    assert len(told.value.problems) == 3 and "row 2" in text and "Did you mean 'Player Aster'" in text
    assert not (tmp_path / "pooled").exists()


def test_a_package_that_does_not_agree_with_itself_is_not_pooled(packages, tmp_path):
    import shutil

    bad = tmp_path / "south"
    shutil.copytree(packages["south"], bad)
    text = (bad / "notes.csv").read_text()
    (bad / "notes.csv").write_text(text.replace(",440.", ",441.", 1) if ",440." in text else text + "\n")
    with pytest.raises(VibstudyError, match=r"notes\.csv"):
        pool_packages([str(packages["north"]), str(bad)], tmp_path / "pooled")
    assert not (tmp_path / "pooled").exists()


def test_the_same_sound_in_two_studies_counts_once_or_is_a_question(packages, tmp_path):
    twice = [f"a={packages['north']}", f"b={packages['north']}"]
    with pytest.raises(VibstudyError, match="are the same sound, of two players"):
        pool_packages(twice, tmp_path / "pooled")
    players = sorted(set(read_notes(packages["north"])["player"]))
    table = tmp_path / "names.csv"
    rows = [f"{study},{player},{player}" for study in "ab" for player in players]
    table.write_text("\n".join(["study,player,pooled", *rows]))
    found = pool_packages(twice, tmp_path / "pooled", table)
    assert found.studies == {"a": 24, "b": 0} and found.players == 8
    np.testing.assert_array_equal(
        read_notes(found.folder)["rate_hz"], read_notes(packages["north"])["rate_hz"]
    )
    assert sum("is the same sound as" in sentence for sentence in found.told) == 24


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (["north"], "nothing to pool"),
        (["north", "north"], "two packages have this name"),
        (["a b=north", "south"], "letters, digits"),
        (["north", "gone"], "no folder here"),
    ],
)
def test_what_cannot_be_pooled_is_told(packages, tmp_path, given, words):
    folder = packages["north"].parent
    texts = [
        f"{t.partition('=')[0]}={folder / t.partition('=')[2]}" if "=" in t else str(folder / t)
        for t in given
    ]
    with pytest.raises(VibstudyError, match=words):
        pool_packages(texts, tmp_path / "pooled")


def test_an_archive_is_to_be_unpacked_first(packages, tmp_path):
    archive = tmp_path / "north.zip"
    archive.write_bytes(b"PK\x05\x06" + bytes(18))
    with pytest.raises(VibstudyError, match=r"north\.zip: there is no folder here\. Unpack the package"):
        pool_packages([str(archive), f"south={packages['south']}"], tmp_path / "out")


def test_packages_as_they_are_made_have_the_names_of_their_studies(tmp_path):
    texts = [str(tmp_path / study / PACKAGE_FOLDER) for study in ("berlin", "graz")]
    assert {name: str(path) for name, path in _named(texts).items()} == dict(
        zip(("berlin", "graz"), texts, strict=True)
    )


def test_pool_from_the_command_line(packages, tmp_path, capsys):
    out = tmp_path / "pooled"
    arguments = ["pool", *map(str, packages.values()), "--out", str(out)]
    assert cli.main(arguments) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "north (24 recordings), south (24 recordings); 16 players" in told
    assert cli.main(arguments) == 2  # the folder is there now
    before = (out / "results" / "notes.csv").read_bytes()
    assert cli.main(["claims", str(out)]) == 0
    assert "16 players, 48 recordings" in " ".join(capsys.readouterr().out.split())
    assert cli.main(["measure", str(out)]) == 2  # there is no sound, and nothing is lost for that
    assert (out / "results" / "notes.csv").read_bytes() == before
