"""Fixtures every test may use."""

from __future__ import annotations

import numpy as np
import pytest


@pytest.fixture(autouse=True)
def _global_random_state_untouched():
    """A test fails when it, or what it calls, draws from numpy's global random state."""
    before = np.random.get_state()  # noqa: NPY002 - the thing guarded against
    yield
    after = np.random.get_state()  # noqa: NPY002
    same = all(np.array_equal(a, b) for a, b in zip(before, after, strict=True))
    assert same, "numpy's global random state was touched: pass a seed or a Generator"
