"""The study's settings: defaults, template, and every fault named at once."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibstudy.corpus.settings import (
    TABLES,
    Settings,
    describe,
    load_settings,
    settings_from,
    template,
)
from vibstudy.errors import VibstudyError

ROOT = Path(__file__).parents[1]


def problems_of(call, *arguments, **keywords) -> list[str]:
    with pytest.raises(VibstudyError) as caught:
        call(*arguments, **keywords)
    return [str(problem) for problem in caught.value.problems]


def load(tmp_path: Path, text: str) -> Settings:
    path = tmp_path / "study.toml"
    path.write_bytes(text.encode("utf-8", "surrogatepass") if isinstance(text, str) else text)
    return load_settings(path)


def test_no_file_gives_the_defaults(tmp_path):
    assert load_settings(None) == load_settings(tmp_path) == Settings()


def test_template_reads_back_as_the_defaults(tmp_path):
    assert load(tmp_path, template()) == Settings()


def test_template_names_every_key_with_its_meaning():
    text = " ".join(line.lstrip("# ") for line in template().splitlines())
    for item in fields(Settings):
        assert f"{item.name} = " in text
        assert item.metadata["help"] in text
        assert item.metadata["table"] in TABLES


def test_study_of_the_repository_is_the_template():
    assert (ROOT / "study.toml").read_text(encoding="utf-8") == template()


def test_description_has_a_row_for_each_key():
    assert [row["key"] for row in describe()] == [item.name for item in fields(Settings)]
    assert {row["table"] for row in describe()} == set(TABLES)


def test_every_default_lies_within_its_own_limits():
    Settings(**{item.name: item.default for item in fields(Settings)})


def test_whole_numbers_stand_for_numbers_and_folders_for_their_file(tmp_path):
    settings = load(tmp_path, "[measure]\nfmin_hz = 60\n[run]\nworkers = 2\n")
    assert (settings.fmin_hz, settings.workers) == (60.0, 2)
    assert isinstance(settings.fmin_hz, float)
    assert load_settings(tmp_path) == settings


def test_byte_order_mark_is_accepted(tmp_path):
    assert load(tmp_path, "\ufeff[measure]\nfmin_hz = 60\n").fmin_hz == 60


def test_all_faults_are_told_at_once(tmp_path):
    text = """
fmin_hz = 50
[mesure]
a = 1
[measure]
trackr = "pyin"
tracker = "swift"
fmin_hz = 1
fmax_hz = "high"
tuning_hz = nan
workers = 2
[run]
workers = 1.5
"""
    found = "\n".join(problems_of(load, tmp_path, text))
    for expected in (
        "key fmin_hz: this setting stands in the wrong place. Move it below the line [measure]",
        "[mesure]: no such table. Did you mean 'measure'?",
        "[measure] trackr: no such setting. Did you mean 'tracker'?",
        "[measure] tracker: no such choice (got 'swift'). Did you mean 'swift-f0'?",
        "[measure] fmin_hz: this value is out of range (got '1'). Allowed: 20 to 4000 Hz",
        "[measure] fmax_hz: this must be a number (got 'high')",
        "[measure] tuning_hz: this value is out of range (got 'nan')",
        "[measure] workers: this setting stands in the wrong place. Move it below the line [run]",
        "[run] workers: this must be a whole number (got '1.5')",
    ):
        assert expected in found
    assert len(found.splitlines()) == 9
    assert found.count("study.toml") == 9


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ({"fmin_hz": 900.0, "fmax_hz": 800.0}, "fmin_hz must be below fmax_hz"),
        ({"vibrato_min_hz": 7.0, "vibrato_max_hz": 5.0}, "vibrato_min_hz must be below vibrato_max_hz"),
        ({"second_opinion": "swift-f0"}, "the second opinion is the same tracker"),
        ({"tuning_hz": 300.0}, "Allowed: 380 to 480 Hz, or 0"),
        ({"workers": True}, "this must be a whole number"),
        ({"traker": "pyin"}, "Did you mean 'tracker'?"),
    ],
)
def test_keywords_are_checked_like_the_file(values, expected):
    assert expected in "\n".join(problems_of(settings_from, values))


def test_missing_file_broken_text_and_wrong_encoding(tmp_path):
    assert "no such settings file" in problems_of(load_settings, tmp_path / "other.toml")[0]
    assert "not valid TOML" in problems_of(load, tmp_path, "[measure\n")[0]
    path = tmp_path / "latin.toml"
    path.write_bytes(b"[measure]\n# \xe9\n")
    assert "row 2: the settings file is not UTF-8" in problems_of(load_settings, path)[0]


def test_measure_key_leaves_out_what_does_not_change_figures():
    assert Settings(workers=3).measure_key() == Settings().measure_key()
    assert Settings(fmin_hz=60).measure_key() != Settings().measure_key()


@given(st.binary(max_size=300))
def test_any_bytes_give_settings_or_problems(tmp_path_factory, content):
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_bytes(content)
    try:
        load_settings(path)
    except VibstudyError as error:
        assert all(problem.message and problem.file for problem in error.problems)


_WORDS = st.sampled_from([*TABLES, *(item.name for item in fields(Settings)), "x", "a b", "é"])
_VALUES = st.one_of(
    st.booleans().map(lambda value: str(value).lower()),
    st.integers().map(str),
    st.floats().map(repr),
    st.sampled_from(['"pyin"', '""', "[1, 2]", "{a = 1}", "1979-05-27", "inf", "-nan", "9" * 5000]),
)


@given(st.lists(st.one_of(_WORDS.map(lambda word: f"[{word}]"), st.tuples(_WORDS, _VALUES).map(" = ".join))))
def test_any_table_of_settings_gives_settings_or_problems(tmp_path_factory, lines):
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    try:
        assert isinstance(load_settings(path), Settings)
    except VibstudyError as error:
        assert all(str(problem) for problem in error.problems)
