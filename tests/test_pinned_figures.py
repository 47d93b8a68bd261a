"""No figure changes unnoticed: invented takes and questions give what is stored of them.

It is no proof of truth. Who changes a method on purpose raises ``METHOD_VERSION`` and stores the figures
again, with ``uv run python -m tests.pinned``; see :mod:`tests.pinned`.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchmarks import constants
from tests import pinned

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def stored() -> dict[str, dict[str, str]]:
    return pinned.stored()


@pytest.mark.parametrize("name", pinned.names())
def test_figures_are_as_stored(name, stored):
    changed = pinned.differences(stored.get(name, {}), pinned.figures(name))
    again = "raise METHOD_VERSION and run 'uv run python -m tests.pinned', if it was meant"
    assert not changed, f"{len(changed)} figures changed ({again}):\n" + "\n".join(changed[:12])


def test_what_is_stored_is_of_these_cases_and_hardly_any_of_it_is_left_out(stored):
    assert set(stored) == set(pinned.names())
    values = [value for case in stored.values() for value in case.values()]
    assert len(values) > 10_000
    assert np.mean([value == pinned.UNSTEADY for value in values]) < 0.03


@pytest.mark.parametrize(
    ("stored_as", "now", "same"),
    [
        ("1.23456", "1.23457", True),
        ("1.23456", "1.236", False),
        ("1e-08", "2e-08", False),
        ("-2e-14", "3e-14", True),
        ("1e-14", "1e-11", False),
        ("~", "5", True),
        ("", "0", False),
        ("True", "False", False),
        ("ok", "ok", True),
        ("inf", "inf", True),
        ("inf", "12000", False),
        ("ok", "1", False),
    ],
)
def test_what_is_the_same_figure(stored_as, now, same):
    assert pinned.same(stored_as, now) is same


def test_a_figure_that_is_gone_or_new_is_a_difference():
    assert pinned.differences({"a": "1", "b": "2"}, {"a": "1", "c": "3"}) == [
        "b: 2 -> nothing",
        "c: nothing -> 3",
    ]


def test_what_only_rounding_moved_is_stored_as_it_was():
    before = {"a": "1.23456", "b": "1", "c": "~", "d": "5", "e": "ok"}
    now = {"a": "1.23457", "b": "2", "c": "3", "d": "~", "e": "ok", "f": "6"}
    assert pinned.kept(before, now) == {"a": "1.23456", "b": "2", "c": "3", "d": "~", "e": "ok", "f": "6"}


def test_what_comes_out_otherwise_anywhere_stands_on_an_edge():
    plain = {"a": "1", "b": "2", "c": "ok", "d": "4"}
    moved, other = {"a": "1", "b": "2", "c": "ok"}, {"a": "1.00001", "b": "3", "c": "ok", "d": "4"}
    kept = pinned.steady(plain, moved, other)
    assert kept == {"a": "1", "b": "~", "c": "ok", pinned.MORE: "~"}
    assert pinned.steady(plain, plain) == plain
    for run in (plain, moved, other):
        assert not pinned.differences(kept, run)
    assert pinned.differences(kept, {"a": "2", "b": "2"}) == ["a: 1 -> 2", "c: ok -> nothing"]


def test_another_processor_rounds_with_kernels_of_its_own(monkeypatch):
    children = []
    monkeypatch.setattr(pinned.subprocess, "run", lambda *of, **how: children.append((of, how)) or Child)
    assert pinned.elsewhere(["a", "b"], "Nehalem") == {"a": {"x": "1"}}
    (((called,), how),) = children
    assert called[-2:] == ["a", "b"] and how["env"]["OPENBLAS_CORETYPE"] == "Nehalem"


class Child:
    stdout = 'a word of a library\n{"a": {"x": "1"}}\n'


def test_every_number_listed_as_free_is_one_of_the_method():
    """What is listed and gone would stop the whole count."""
    files = [path for room in constants.ROOMS for path in sorted((ROOT / "vibstudy" / room).glob("*.py"))]
    found = [number for path in files for number in constants.constants(path.relative_to(ROOT))]
    assert len(constants.free(found)) > 50
