"""One thread for small matrices.

The matrices here have tens to hundreds of rows. Spread over the processor's cores they gain nothing,
and where anything else is running the threads wait for each other: measured, ten times as long for a model,
and fourteen for the vibrato of a note of 1.6 s.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

import numpy as np  # noqa: F401 - must be loaded before the controller looks for its libraries
import scipy.linalg  # noqa: F401 - likewise
from threadpoolctl import ThreadpoolController

_P = ParamSpec("_P")
_T = TypeVar("_T")
_CONTROLLER = ThreadpoolController()


def one_thread(function: Callable[_P, _T]) -> Callable[_P, _T]:
    """Let the linear algebra of a function use one thread."""

    @wraps(function)
    def limited(*args: _P.args, **kwargs: _P.kwargs) -> _T:
        with _CONTROLLER.limit(limits=1, user_api="blas"):
            return function(*args, **kwargs)

    return limited
