"""Fixtures every test may use."""

from __future__ import annotations

import os
import sys

# Before numpy is loaded: threads for matrices of tens of rows wait for each other as soon as anything else
# runs. With two of them the tests of the vibrato took 42 s of processor time, with one 9.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402
import pytest  # noqa: E402

# Where Python is told to keep no compiled modules, each of the hundred processes that the tests start would
# compile numpy, pandas and scipy again, for seconds: not as it is on a musician's computer.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False


@pytest.fixture(autouse=True)
def _global_random_state_untouched():
    """A test fails when it, or what it calls, draws from numpy's global random state."""
    before = np.random.get_state()  # noqa: NPY002 - the thing guarded against
    yield
    after = np.random.get_state()  # noqa: NPY002
    same = all(np.array_equal(a, b) for a, b in zip(before, after, strict=True))
    assert same, "numpy's global random state was touched: pass a seed or a Generator"


LONGEST = (
    *("test_notebooks", "test_pinned_figures", "test_hostile_packages", "test_review", "test_review_browser"),
    *("test_batch", "test_recordings", "test_readme", "test_bad_input", "test_pool", "test_stats_claims"),
    *("test_figures", "test_stats_verdicts", "test_listening", "test_paper", "test_pages", "test_accessible"),
    *(
        "test_demo",
        "test_stats_questions",
        "test_cli",
        "test_hostile",
        "test_hostile_tables",
        "test_segment",
        "test_stats_reference",
    ),
    *("test_vibrato", "test_straighten", "test_media"),
)
"""Files that take longest, first: else one worker is left with them while the other has nothing to do."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    place = {name: k for k, name in enumerate(LONGEST)}
    items.sort(key=lambda item: place.get(item.path.stem, len(place)))
