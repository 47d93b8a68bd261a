"""Tasks for the batch that fail in every way. Imports little, so that workers start quickly."""

from __future__ import annotations

import ctypes
import os
import threading
import time

from vibstudy.corpus.batch import step
from vibstudy.errors import Problem, VibstudyError


def work(task):
    """A task is a word, or a number to be doubled."""
    if task == "die":
        os._exit(9)
    if task == "crash":
        ctypes.string_at(0)
    if task == "lock":
        return threading.Lock()  # cannot be sent back
    if task == "memory":
        raise MemoryError
    if task == "problem":
        raise VibstudyError(Problem("too short", repair="Use a longer one"))
    if task == "named":
        with step("outer"), step("inner"):
            raise OSError(28, "No space left on device")
    if task == "pid":
        time.sleep(0.2)
        return os.getpid()
    if task == "threads":
        import numpy as np
        from threadpoolctl import threadpool_info

        np.dot(np.ones((64, 64)), np.ones((64, 64)))
        return [pool["num_threads"] for pool in threadpool_info()]
    return 2 * task
