"""The batch: one outcome a task whatever happens, the same for any number of workers, and resumable."""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile

from tests import fake_study
from tests.fake_study import write_study
from tests.fake_tasks import work
from tests.signals import RATE_HZ, tone
from vibstudy.corpus import store as store_module
from vibstudy.corpus.batch import explain, run_batch
from vibstudy.corpus.store import Store, read_notes
from vibstudy.errors import Problem, VibstudyError
from vibstudy.measure import measure_corpus
from vibstudy.recording import measure_recording

TABLES = ("notes.parquet", "notes.csv", "recordings.csv")


def outcomes(tasks, workers=2, **keywords):
    found = {}

    def on_done(outcome):
        assert outcome.index not in found, "one outcome a task"
        found[outcome.index] = outcome

    run_batch(work, tasks, on_done, workers, **keywords)
    assert sorted(found) == list(range(len(tasks)))
    return [found[index] for index in sorted(found)]


def test_no_tasks_need_no_workers():
    assert outcomes([]) == []


def test_every_failure_is_an_outcome_and_the_rest_goes_on():
    found = outcomes([1, "problem", "named", "memory", "lock", None, 2])
    assert [outcome.value for outcome in found if not outcome.message] == [2, 4]
    assert found[1].message == "too short. Use a longer one." and found[1].step == "measure"
    assert found[2].message.startswith("the disk is full") and found[2].step == "inner"
    assert "not enough memory" in found[3].message
    assert found[4].message
    assert "TypeError" in found[5].detail and "TypeError" in found[5].message
    assert all(outcome.seconds >= 0 for outcome in found)


@pytest.mark.parametrize("workers", [1, 2])
def test_a_worker_that_dies_takes_nothing_with_it(workers, capfd):
    found = outcomes([1, "die", 2, 3, "crash", 4], workers)
    assert [outcome.value for outcome in found if not outcome.message] == [2, 4, 6, 8]
    assert "the worker process died" in found[1].message and "the worker process died" in found[4].message
    assert capfd.readouterr().err == "", "a crash is a row, not a dump on the screen"


def test_the_caller_leaves_early_and_no_worker_stays():
    pids = []

    def on_done(outcome):
        pids.append(outcome.value)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_batch(work, ["pid"] * 8, on_done, 2)
    assert len(pids) == 1
    assert _all_gone(pids)


def _all_gone(pids: list[int], seconds: float = 20) -> bool:
    deadline = time.monotonic() + seconds
    while any(map(_alive, pids)) and time.monotonic() < deadline:
        time.sleep(0.1)
    return not any(map(_alive, pids))


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except OSError:
        return False
    return True


def test_tasks_run_in_workers_with_one_thread_of_linear_algebra():
    pid, threads = outcomes(["pid", "threads"], 1)
    assert pid.value != os.getpid()
    assert threads.value and set(threads.value) == {1}


@pytest.mark.parametrize(
    ("error", "expected"),
    [
        (FileNotFoundError(2, "No such file", "x.wav"), "x.wav: the file is no longer there"),
        (
            PermissionError(13, "Permission denied", "x.wav"),
            "x.wav: reading or writing this file is not allowed",
        ),
        (OSError(28, "No space left on device"), "the disk is full. Make room"),
        (VibstudyError([Problem("a"), Problem("b")]), "a. b."),
        (ZeroDivisionError("by zero"), "an unexpected error happened (ZeroDivisionError: by zero)"),
    ],
)
def test_failures_in_words(error, expected):
    assert expected in explain(error)[0]


def test_a_cluster_that_does_not_answer_is_told():
    with pytest.raises(VibstudyError, match="the cluster does not answer"):
        run_batch(work, [1], lambda outcome: None, cluster="nonsense://x")


# --- a corpus


def measured(folder: Path, texts, workers=2, **keywords):
    """Measure an invented study with the stand-in; the report and the results folder."""
    manifest = folder / "corpus_manifest.csv"
    if texts is not None:
        manifest = write_study(folder, texts)
    report = measure_corpus(
        manifest, folder / "results", workers=workers, function=fake_study.measure, **keywords
    )
    return report, folder / "results"


def tables(out: Path) -> dict[str, bytes]:
    return {name: (out / name).read_bytes() for name in TABLES}


def counts(report):
    return report.measured, report.unchanged, report.failed, report.excluded


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A study measured without a break by two workers."""
    folder = tmp_path_factory.mktemp("whole")
    report, _ = measured(folder, {f"rec{number:03d}": f"sound {number} SLOW" for number in range(24)})
    assert counts(report) == (24, 0, 0, 0)
    return folder


@pytest.fixture
def copy(whole, tmp_path):
    """A copy of it, results and all."""
    return Path(shutil.copytree(whole, tmp_path / "copy"))


@pytest.fixture
def unmeasured(copy):
    """A copy of it without results."""
    shutil.rmtree(copy / "results")
    return copy


def test_the_number_of_workers_does_not_change_the_tables(whole, unmeasured):
    _, out = measured(unmeasured, None, workers=1)
    assert tables(out) == tables(whole / "results")


@pytest.fixture(scope="module")
def cluster():
    from distributed import LocalCluster

    with LocalCluster(n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None) as local:
        yield local.scheduler_address


def test_a_process_started_anew_gives_the_same_notes(tmp_path):
    # Windows and macOS start processes by `spawn`: nothing of this one is there
    path = tmp_path / "tone.wav"
    soundfile.write(path, tone(np.random.default_rng(1)).samples, RATE_HZ)
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        there = pool.submit(measure_recording, path).result()
    assert there["has_vibrato"].tolist() == [True]
    pd.testing.assert_frame_equal(there, measure_recording(path))


def test_on_a_cluster_too_a_death_takes_nothing_with_it(cluster):
    found = outcomes([1, "die", 2, "problem", 3], cluster=cluster)
    assert [outcome.value for outcome in found if not outcome.message] == [2, 4, 6]
    assert "the worker process died" in found[1].message and "too short" in found[3].message


def test_a_cluster_gives_the_same_tables(whole, unmeasured, cluster):
    report, out = measured(unmeasured, None, cluster=cluster)
    assert counts(report) == (24, 0, 0, 0)
    assert tables(out) == tables(whole / "results")


def _dask(*words: str) -> subprocess.Popen:
    """A process of Dask's command, as the page on many recordings starts it."""
    program = [sys.executable, "-m", "dask", *words, "--no-dashboard"]
    root = str(Path(__file__).parents[1])
    return subprocess.Popen(program, cwd=root, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


@pytest.mark.slow
def test_a_computer_that_is_switched_off_in_mid_run_takes_nothing_with_it(whole, unmeasured, tmp_path):
    """A scheduler and two workers as separate programs; one worker is killed when six recordings are done."""
    address = tmp_path / "scheduler.json"
    scheduler = _dask("scheduler", "--scheduler-file", str(address), "--port", "0", "--host", "127.0.0.1")
    workers = []
    try:
        while not address.exists() or not address.read_text():
            assert scheduler.poll() is None
            time.sleep(0.05)
        where = json.loads(address.read_text())["address"]
        workers = [
            _dask("worker", where, "--nthreads", "1", "--no-nanny", "--host", "127.0.0.1") for _ in "ab"
        ]

        def progress(now):
            if now.done == 6:
                workers[0].kill()

        report, out = measured(unmeasured, None, cluster=where, progress=progress)
        assert workers[0].wait(10) == -signal.SIGKILL and workers[1].poll() is None
        assert counts(report) == (24, 0, 0, 0)
        assert tables(out) == tables(whole / "results")
    finally:
        for process in (*workers, scheduler):
            process.kill()
            process.wait()


def test_the_second_run_measures_nothing(copy):
    out = copy / "results"
    before = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}
    report, _ = measured(copy, None)
    assert counts(report) == (0, 24, 0, 0)
    assert {path: path.read_bytes() for path in out.rglob("*") if path.is_file()} == before


def test_only_what_is_new_or_changed_is_measured(copy):
    texts = {path.stem: path.read_text() for path in sorted((copy / "audio").iterdir())}
    report, out = measured(copy, texts | {"rec003": "another sound", "new": "a new one"}, workers=1)
    assert counts(report) == (2, 23, 0, 0)
    assert read_notes(out)["recording_id"].nunique() == 25


def test_fresh_measures_everything(whole, copy):
    report, out = measured(copy, None, workers=1, fresh=True)
    assert counts(report) == (24, 0, 0, 0)
    assert tables(out) == tables(whole / "results")


def test_one_bad_recording_never_stops_a_batch(tmp_path):
    texts = {
        "a": "sound",
        "b": "CORRUPT",
        "c": "sound",
        "d": "DIE",
        "e": "MEMORY",
        "f": "FAULT",
        "g": "sound",
    }
    seen = []
    report, out = measured(tmp_path, texts, workers=1, progress=seen.append)
    assert counts(report) == (3, 0, 4, 0)
    assert set(read_notes(out)["recording_id"]) == {"a", "c", "g"}
    why = dict(report.failures)
    assert "cannot be read as sound" in why["b"] and "Copy it again" in why["b"]
    assert "audio/b.wav" in why["b"] and str(tmp_path) not in why["b"], "no path of this computer in the log"
    assert "worker process died" in why["d"]
    assert "ZeroDivisionError" in why["f"]
    assert "ZeroDivisionError" in Store(out).entry("f").detail
    assert [progress.done for progress in seen] == list(range(8))
    assert seen[-1].failed == 4 and seen[-1].total == 7


def test_files_that_vanish_or_are_locked_away_are_rows(tmp_path, monkeypatch):
    manifest = write_study(tmp_path, {"a": "sound", "b": "sound", "c": "sound"})
    (tmp_path / "audio" / "c.wav").chmod(0)
    locked = not os.access(tmp_path / "audio" / "c.wav", os.R_OK)

    def vanish(progress):
        if progress.done == 0:
            (tmp_path / "audio" / "b.wav").unlink()

    report = measure_corpus(
        manifest, tmp_path / "results", workers=1, function=fake_study.measure, progress=vanish
    )
    why = dict(report.failures)
    assert "audio/b.wav: the file is no longer there" in why["b"]
    assert not locked or "not allowed" in why["c"]
    assert report.log.set_index("recording_id")["step"]["b"] == "read"


def test_one_missing_file_stops_nothing(tmp_path):
    manifest = write_study(tmp_path, {"a": "sound", "b": "sound"})
    assert measure_corpus(manifest, tmp_path / "results", workers=1, function=fake_study.measure).failed == 0
    for name in "ab":
        (tmp_path / "audio" / f"{name}.wav").rename(tmp_path / f"{name}.wav")
    (tmp_path / "results" / "cache" / "b" / "key.json").unlink()  # b was never measured
    report = measure_corpus(manifest, tmp_path / "results", workers=1, function=fake_study.measure)
    assert counts(report) == (0, 1, 1, 0)
    assert dict(report.failures).keys() == {"b"}
    assert [note.message for note in report.notes] == ["there is no such file"] * 2


def test_a_full_disk_is_a_row(tmp_path, monkeypatch):
    real = Store.save

    def save(self, recording, *rest):
        if recording.recording_id == "rec001":
            raise OSError(28, "No space left on device")
        return real(self, recording, *rest)

    monkeypatch.setattr(store_module.Store, "save", save)
    report, _ = measured(tmp_path, 3, workers=1)
    assert counts(report) == (2, 0, 1, 0)
    assert report.failures == [("rec001", "the disk is full. Make room and run the same command again.")]


def test_faulty_manifest_writes_nothing(tmp_path):
    manifest = write_study(tmp_path, {"a": "sound", "b": ""}, tempo_bpm=["fast", "9"])
    with pytest.raises(VibstudyError) as caught:
        measure_corpus(manifest, tmp_path / "results", function=fake_study.measure)
    text = str(caught.value)
    assert "not a number" in text and "20 to 400" in text
    assert "0 bytes" in text, "as it must be mended anyway, the sound is looked at, too"
    assert not (tmp_path / "results").exists()


# --- breaks

RUN = """
import sys
from tests import fake_study
from vibstudy.measure import measure_corpus
if __name__ == "__main__":
    measure_corpus(sys.argv[1], sys.argv[2], workers=2, function=fake_study.measure,
                   progress=lambda p: print(p.done, flush=True))
"""


def start(manifest: Path, out: Path) -> subprocess.Popen:
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parent.parent)}
    command = [sys.executable, "-c", RUN, str(manifest), str(out)]
    return subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, text=True)


def workers_of(pid: int) -> list[int]:
    """Worker processes of `pid` (Linux only)."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            parent = int((folder / "stat").read_text().rsplit(")", 1)[1].split()[1])
            if parent == pid and "popen_loky" in (folder / "cmdline").read_text():
                found.append(int(folder.name))
    return found


def break_off(process: subprocess.Popen, rng: random.Random, kills: int) -> None:
    """Kill workers of the run, and at last the run itself, at random moments."""
    process.stdout.readline()
    for left in reversed(range(kills)):
        time.sleep(rng.uniform(0, 0.6))
        workers = workers_of(process.pid)
        victims = workers if left else [process.pid]
        if victims and process.poll() is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(rng.choice(victims), signal.SIGKILL)
    process.wait(120)
    process.stdout.close()
    assert _all_gone(workers), "workers end with the run they work for"


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="finds worker processes in /proc, which Linux has")
@pytest.mark.timeout(1200)
@pytest.mark.parametrize(("starts", "kills"), [(1, 3), pytest.param(5, 4, marks=pytest.mark.slow)])
def test_killed_at_random_moments_and_resumed_equals_an_unbroken_run(whole, unmeasured, starts, kills):
    rng = random.Random(1)
    manifest, out = unmeasured / "corpus_manifest.csv", unmeasured / "results"
    for number in range(starts):
        process = start(manifest, out)
        break_off(process, rng, kills)
        if number % 3 == 2:  # begin afresh now and then, so that there is something left to break
            shutil.rmtree(out)
    report, _ = measured(unmeasured, None, workers=1)
    assert report.failed == 0
    assert tables(out) == tables(whole / "results")
    assert _names(out) == _names(whole / "results"), "no temporary files left"


def _names(folder: Path) -> list[Path]:
    return sorted(path.relative_to(folder) for path in folder.rglob("*"))
