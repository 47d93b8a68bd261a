"""Run one function over many tasks on all cores, or on a cluster; nothing stops the others.

Contract
--------
* Every task ends in exactly one :class:`Outcome`: its value, or why there is none. That covers
  exceptions, memory errors and worker processes that die.
* Outcomes are handed over as they come, in any order, so that each can be stored at once.
* A value depends on its task alone: each task runs in a worker process of its own with one thread for
  linear algebra, for any number of workers.
* When a worker dies, the tasks it may have been at are tried again one at a time: only the one that
  brings its worker down alone has failed.
* Ctrl-C goes to the caller after the workers have been stopped.

Workers are started afresh (loky), never forked, so that it is the same on every system.
"""

from __future__ import annotations

import contextlib
import errno
import faulthandler
import multiprocessing
import os
import signal
import threading
import time
import traceback
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, CancelledError, Executor, Future, wait
from dataclasses import dataclass
from typing import Any

from vibstudy.errors import Problem, VibstudyError

_AHEAD = 2
"""Tasks handed out for each worker, so that none waits."""
_IDLE_S = 60
_WATCH_S = 1
_FETCH_S = 60
"""A value that a cluster does not hand over within this time was lost with its worker."""
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


@dataclass(frozen=True)
class Outcome:
    """What became of a task.

    Parameters
    ----------
    index : int
        Position of the task.
    value : Any
        What the function gave; None when it failed.
    step : str
        Where it failed, as named by :func:`step`; "" otherwise.
    message : str
        Why it failed, and the repair; "" when it worked.
    detail : str
        The programmer's details of an unexpected failure.
    seconds : float
        Time it took.
    """

    index: int
    value: Any = None
    step: str = ""
    message: str = ""
    detail: str = ""
    seconds: float = 0.0


class _StepFailedError(Exception):
    """Carries the step's name; the failure itself is its cause."""

    def __init__(self, name: str):
        super().__init__(name)
        self.name = name


@contextlib.contextmanager
def step(name: str) -> Iterator[None]:
    """Name what is being done, so that a failure says where it happened. The innermost name counts."""
    try:
        yield
    except _StepFailedError:
        raise
    except Exception as error:
        raise _StepFailedError(name) from error


def run_batch(
    function: Callable[[Any], Any],
    tasks: Sequence[Any],
    on_done: Callable[[Outcome], None],
    workers: int = 0,
    cluster: str | None = None,
) -> None:
    """Run `function` on each of `tasks`.

    Parameters
    ----------
    function : callable
        Pure; can be pickled.
    tasks : sequence
        Can be pickled.
    on_done : callable
        Called in this process with each outcome.
    workers : int
        Worker processes; 0 = one for each core this process may use.
    cluster : str | None
        Address of a Dask scheduler to use instead of this computer.

    Raises
    ------
    VibstudyError
        When the cluster cannot be used.
    """
    if not tasks:
        return
    if cluster:
        with _cluster(cluster) as client:
            places = max(1, sum(client.nthreads().values()))
            _run_on_cluster(client, _AHEAD * places, function, tasks, on_done)
        return
    import joblib

    workers = min(workers or joblib.cpu_count(), len(tasks))
    waiting = list(range(len(tasks)))
    while waiting:
        with _workers(workers) as executor:
            waiting, suspects = _run(executor, _AHEAD * workers, function, tasks, waiting, on_done)
        while suspects:
            with _workers(1) as executor:
                suspects, guilty = _run(executor, 1, function, tasks, suspects, on_done)
            for index in guilty:
                on_done(_died(index))


def _run(
    executor: Executor,
    at_once: int,
    function: Callable[[Any], Any],
    tasks: Sequence[Any],
    waiting: Sequence[int],
    on_done: Callable[[Outcome], None],
) -> tuple[list[int], list[int]]:
    """Run the waiting tasks, `at_once` of them handed out at a time.

    Returns
    -------
    left, suspects : list of int
        Empty when all went well; when a worker died: tasks not handed out, and those at work then.
    """
    queue = deque(waiting)
    running: dict[Future[Outcome], int] = {}
    try:
        while queue or running:
            while queue and len(running) < at_once:
                running[executor.submit(_attempt, function, queue[0], tasks[queue[0]])] = queue[0]
                queue.popleft()
            done, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in done:
                error = future.exception()
                if isinstance(error, BrokenExecutor):
                    raise error
                index = running.pop(future)
                on_done(_unreturned(index, error) if error else future.result())
    except BrokenExecutor:
        wait(running)
        for future in [future for future in running if not future.exception()]:
            running.pop(future)
            on_done(future.result())
    return list(queue), list(running.values())


def _run_on_cluster(
    client: Any,
    at_once: int,
    function: Callable[[Any], Any],
    tasks: Sequence[Any],
    on_done: Callable[[Outcome], None],
) -> None:
    """Run all tasks with a Dask client, `at_once` of them handed out at a time."""
    from distributed import KilledWorker, as_completed

    queue = deque(range(len(tasks)))
    running: dict[Any, int] = {}
    finished = as_completed(loop=client.loop)

    def hand_out() -> None:
        index = queue.popleft()
        future = client.submit(_attempt_apart, function, index, tasks[index], pure=False)
        running[future] = index
        finished.add(future)

    while queue and len(running) < at_once:
        hand_out()
    for future in finished:
        index = running.pop(future)
        try:
            outcome = future.result(timeout=_FETCH_S)
        except (KilledWorker, TimeoutError, CancelledError):
            outcome = _died(index)
        future.cancel()  # what the cluster still holds of it would be computed again when a worker is lost
        on_done(outcome)
        if queue:
            hand_out()


def _attempt_apart(function: Callable[[Any], Any], index: int, task: Any) -> Outcome:
    """Run one task beside the cluster's worker, in a process of its own, which alone dies if it dies."""
    if not hasattr(_beside, "executor"):
        # a cluster's worker is a daemon, which may not start processes unless told so; ours end with it
        multiprocessing.current_process()._config["daemon"] = False  # type: ignore[attr-defined]
        _beside.executor = _start_workers(1)
    try:
        return _beside.executor.submit(_attempt, function, index, task).result()
    except BrokenExecutor:
        del _beside.executor
        return _died(index)


_beside = threading.local()
"""The process beside this thread of a cluster's worker: kept, since starting one takes a second or two."""


def _unreturned(index: int, error: BaseException) -> Outcome:
    """Outcome of a task whose value could not be sent back."""
    message, detail = explain(error)
    return Outcome(index, step="measure", message=message, detail=detail)


def _died(index: int) -> Outcome:
    return Outcome(
        index,
        step="measure",
        message="the worker process died while measuring this recording, perhaps for lack of memory. Close "
        "other programs, or cut the recording with start_s and end_s; it is tried again next time.",
    )


@contextlib.contextmanager
def _workers(count: int) -> Iterator[Executor]:
    """Fresh worker processes; stopped at once when the caller leaves early."""
    executor = _start_workers(count)
    stopped_early = True
    try:
        yield executor
        stopped_early = False
    finally:
        executor.shutdown(wait=True, kill_workers=stopped_early)


def _start_workers(count: int) -> Any:
    from joblib.externals.loky import ProcessPoolExecutor

    return ProcessPoolExecutor(
        max_workers=count,
        timeout=_IDLE_S,
        env=dict.fromkeys(_THREADS, "1"),
        initializer=_settle_worker,
        initargs=(os.getpid(),),
    )


def _settle_worker(parent: int) -> None:
    """Leave Ctrl-C to the parent, crash without a dump on its screen, and end when it ends."""
    faulthandler.enable(os.open(os.devnull, os.O_WRONLY))  # loky would enable it with the screen
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: int) -> None:
    while os.getppid() == parent:  # on Windows it stays the same; there the idle time ends the worker
        time.sleep(_WATCH_S)
    os._exit(1)


@contextlib.contextmanager
def _cluster(address: str) -> Iterator[Any]:
    """A client of the Dask cluster."""
    try:
        from distributed import Client
    except ImportError:
        raise VibstudyError(
            "a cluster needs the extra 'cluster'", repair="Install it: pip install 'vibstudy[cluster]'"
        ) from None
    try:
        client = Client(address, timeout="10s", set_as_default=False)
    except (OSError, ValueError) as error:
        raise VibstudyError(
            f"the cluster does not answer: {error}",
            got=address,
            repair="Give the scheduler's address, such as tcp://host:8786",
        ) from None
    with client:
        yield client


def _attempt(function: Callable[[Any], Any], index: int, task: Any) -> Outcome:
    """Run one task in a worker; a failure becomes an outcome."""
    from threadpoolctl import threadpool_limits

    began = time.perf_counter()
    name = "measure"
    try:
        with threadpool_limits(1):
            return Outcome(index, function(task), seconds=time.perf_counter() - began)
    except Exception as error:
        failure: BaseException = error
        if isinstance(error, _StepFailedError):
            name, failure = error.name, error.__cause__ or error
        message, detail = explain(failure)
        return Outcome(index, None, name, message, detail, time.perf_counter() - began)


def explain(error: BaseException) -> tuple[str, str]:
    """Say in words what went wrong; details for a programmer when it was not foreseen."""
    if isinstance(error, VibstudyError):
        return " ".join(str(problem) for problem in error.problems), ""
    if isinstance(error, MemoryError):
        repair = "Close other programs or use fewer workers"
        return str(Problem("there was not enough memory", repair=repair)), ""
    if isinstance(error, OSError) and error.errno in _OS_ERRORS:
        message, repair = _OS_ERRORS[error.errno]
        return str(Problem(message, file=str(error.filename or ""), repair=repair)), ""
    detail = "".join(traceback.format_exception(error))
    return f"an unexpected error happened ({type(error).__name__}: {error}); please report it", detail


_OS_ERRORS = {
    errno.ENOENT: ("the file is no longer there", "Put it back, or mend its path in the manifest"),
    errno.EACCES: ("reading or writing this file is not allowed", "Allow it in the file's permissions"),
    errno.EPERM: ("reading or writing this file is not allowed", "Allow it in the file's permissions"),
    errno.ENOSPC: ("the disk is full", "Make room and run the same command again"),
    getattr(errno, "EDQUOT", -1): (
        "your share of the disk is full",
        "Make room and run the same command again",
    ),
    errno.EROFS: ("this disk can only be read", "Choose another folder with --out"),
    errno.EIO: ("the disk reports an error at this file", "Copy the file again from its source"),
    errno.ELOOP: ("this is a link that leads to itself", "Put the file itself in its place"),
    errno.ENAMETOOLONG: ("the file name is too long", "Use a shorter name"),
}
