"""Large studies: workers, memory, and a corpus of a hundred thousand recordings, on this machine.

    uv run python -m benchmarks.scale [--recordings 2000] [--minutes 60] [--corpus 100000] [--skip PART]

Four parts, each of which can be skipped:

workers
    Short generated recordings, measured by one worker, two workers and a Dask cluster of two; are the
    tables equal byte for byte, and how long does a second run take that finds nothing to do? Efficiency is
    (time of one worker) / (2 × time of two); it means something only while nothing else runs.
memory
    One long generated file, stereo at 44.1 kHz; the peak of the worker that measures it.
corpus
    A store filled with invented results of very many recordings: what a user waits for, and memory.
claims
    Ten different claims, most of them decided, on 20,000 invented notes of 24 players with slopes of their
    own, with everything that stands beside a verdict; and every reasonable way to ask one of extents and one
    of presence.

Every step runs in a process of its own. "CPU" is that of the step's own process, without its workers;
memory is resident memory, looked at every 50 ms, of the largest process of the step.
"""

from __future__ import annotations

import argparse
import hashlib
import multiprocessing
import os
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import psutil
import soundfile
from rich.console import Console
from rich.table import Table

from tests import fake_study
from vibstudy.corpus.entries import Packed, pack
from vibstudy.corpus.manifest import read_manifest
from vibstudy.corpus.overview import state
from vibstudy.corpus.settings import Settings
from vibstudy.corpus.store import Store, read_notes, read_recordings, recordings_of, stamp_file
from vibstudy.measure import MeasureReport, measure_corpus
from vibstudy.stats.claimfile import Claim, Contrast
from vibstudy.stats.claims import evaluate_claims
from vibstudy.stats.multiverse import all_ways

PARTS = ("workers", "memory", "corpus", "claims")
TABLES = ("notes.parquet", "notes.csv", "recordings.csv")
RATE_HZ = 22050
_WATCH_S = 0.05
_DIFFERENT = 64
"""Different invented results that the large store holds over and over."""


@dataclass(frozen=True)
class Step:
    """What a step gave and took."""

    value: Any
    seconds: float
    cpu_s: float
    peak_mb: float


def _run_step(function: Callable[..., Any], arguments: tuple, answer: Any) -> None:
    began, cpu = time.perf_counter(), time.process_time()
    value = function(*arguments)
    answer.send((value, time.perf_counter() - began, time.process_time() - cpu))


def apart(function: Callable[..., Any], *arguments: Any) -> Step:
    """Run a step in a fresh process, and watch the memory of it and of the workers it starts."""
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe()
    process = context.Process(target=_run_step, args=(function, arguments, there))
    process.start()
    there.close()
    ended = threading.Event()
    peak = 0

    def watch() -> None:
        nonlocal peak
        while not ended.wait(_WATCH_S):
            try:
                step = psutil.Process(process.pid)
                family = [step, *step.children(recursive=True)]
                peak = max(peak, *(member.memory_info().rss for member in family))
            except psutil.Error:
                continue

    watcher = threading.Thread(target=watch)
    watcher.start()
    try:
        value, seconds, cpu_s = here.recv()
    finally:
        ended.set()
        watcher.join()
        process.join()
    return Step(value, seconds, cpu_s, peak / 2**20)


# --- sound


def tone(seconds: float, pitch_hz: float, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    """A note with vibrato of 5.5 Hz, ± 30 cents, six harmonics, SNR about 40 dB."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    swing = 30 / 1200 * np.log(2) * pitch_hz / rate_hz * np.sin(2 * np.pi * rate_hz * time_s)
    phase = 2 * np.pi * (pitch_hz * time_s) - swing
    edge = np.clip(np.minimum(time_s, seconds - time_s) / 0.03, 0, 1)
    sound = edge * sum(np.sin(k * phase) / k for k in range(1, 7)) * 0.1
    return (sound + 0.001 * rng.standard_normal(len(time_s))).astype("float32")


def write_manifest(folder: Path, names: list[str], suffix: str) -> Path:
    count = np.arange(len(names))
    path = folder / "corpus_manifest.csv"
    pd.DataFrame(
        {
            "recording_id": names,
            "path": [f"audio/{name}{suffix}" for name in names],
            "player": [f"Player {number}" for number in count // 25],
            "decade": 1920 + 10 * (count % 8),
            "region": np.where(count // 25 % 2, "north", "south"),
        }
    ).to_csv(path, index=False)
    return path


def write_short(folder: Path, count: int) -> Path:
    """Recordings of about a second; the manifest is returned."""
    rng = np.random.default_rng(1)
    (folder / "audio").mkdir()
    names = [f"rec{number:05d}" for number in range(count)]
    for name in names:
        sound = np.concatenate(
            [np.zeros(1000, "float32"), tone(1.0, rng.uniform(200, 700), rng.uniform(4.5, 7), rng)]
        )
        soundfile.write(folder / "audio" / f"{name}.flac", sound, RATE_HZ, subtype="PCM_16")
    return write_manifest(folder, names, ".flac")


def write_long(folder: Path, minutes: float) -> Path:
    """One recording, stereo at 44.1 kHz, written note by note; the manifest is returned."""
    rng = np.random.default_rng(2)
    (folder / "audio").mkdir()
    rest = np.zeros(2000, "float32")
    phrase = [
        np.concatenate([tone(length, pitch, 5.5, rng), rest])
        for length, pitch in zip(rng.uniform(0.3, 2, 60), rng.uniform(200, 700, 60), strict=True)
    ]
    with soundfile.SoundFile(folder / "audio" / "long.flac", "w", 2 * RATE_HZ, 2, "PCM_16") as out:
        left = round(60 * minutes * 2 * RATE_HZ)
        while left > 0:
            note = np.repeat(phrase[int(rng.integers(len(phrase)))], 2)[:left]
            left -= len(note)
            out.write(note[:, None] + 0.001 * rng.standard_normal((len(note), 2)).astype("float32"))
    return write_manifest(folder, ["long"], ".flac")


# --- the steps (each in a process of its own)


def measure(manifest: Path, out: Path, workers: int, cluster: str | None = None) -> tuple[int, int, int]:
    report = measure_corpus(manifest, out, workers=workers, cluster=cluster)
    return _said(report)


def measure_invented(manifest: Path, out: Path) -> tuple[int, int, int]:
    return _said(measure_corpus(manifest, out, workers=1, function=fake_study.measure))


def _said(report: MeasureReport) -> tuple[int, int, int]:
    return report.measured, report.unchanged, report.failed


def measure_on_own_cluster(manifest: Path, out: Path) -> tuple[int, int, int]:
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        return measure(manifest, out, 2, cluster.scheduler_address)


def count_rows(manifest: Path) -> int:
    return len(read_manifest(manifest))


def count_measured(manifest: Path, out: Path) -> int:
    return len(state(read_manifest(manifest), manifest.parent, out, Settings()).measured)


def count_notes(out: Path, columns: list[str] | None) -> int:
    return len(read_notes(out, columns))


def count_recordings(out: Path) -> int:
    return len(read_recordings(out))


# --- the parts


def compare_workers(folder: Path, count: int, table: Table) -> None:
    manifest = write_short(folder, count)
    runs: dict[str, Callable[[Path, Path], tuple[int, int, int]]] = {
        "1 worker": partial(measure, workers=1),
        "2 workers": partial(measure, workers=2),
        "Dask cluster of 2": measure_on_own_cluster,
    }
    found: dict[str, Step] = {}
    hashes: dict[str, list[str]] = {}
    for name, function in runs.items():
        out = folder / name.replace(" ", "-")
        found[name] = apart(function, manifest, out)
        hashes[name] = [hashlib.sha256((out / file).read_bytes()).hexdigest() for file in TABLES]
        row(table, f"{count:,} recordings, {name}", found[name], remark=counts(found[name]))
    equal = len({tuple(hash_) for hash_ in hashes.values()}) == 1
    one, two = found["1 worker"].seconds, found["2 workers"].seconds
    efficiency = one / (2 * two)
    table.add_row("  tables equal byte for byte", "", "", "", "yes" if equal else "NO")
    table.add_row("  efficiency of 2 workers (bar 0.85)", "", "", "", f"{efficiency:.2f}")
    again = apart(measure, manifest, folder / "1-worker", 1)
    row(table, "  again, nothing changed", again, remark=counts(again))
    table.add_row(
        "  the same for 1,000 rows (bar 3 s)", f"{1000 * again.seconds / count:.2f}",
        f"{1000 * again.cpu_s / count:.2f}", "", "",
    )  # fmt: skip


def measure_long(folder: Path, minutes: float, table: Table) -> None:
    manifest = write_long(folder, minutes)
    found = apart(measure, manifest, folder / "results", 1)
    row(table, f"a file of {minutes:g} minutes (bar 600 MB)", found, remark=counts(found))


def fill(folder: Path, count: int) -> Path:
    """A store as if `count` recordings had been measured; the manifest is returned."""
    (folder / "audio").mkdir()
    names = [f"rec{number:06d}" for number in range(count)]
    for name in names:
        (folder / "audio" / f"{name}.wav").write_bytes(name.encode())
    manifest = write_manifest(folder, names, ".wav")
    settings = Settings()
    store = Store(folder / "results")
    results: list[Packed] = []
    with store.writing():
        for number, recording in enumerate(recordings_of(read_manifest(manifest), folder)):
            if number < _DIFFERENT:
                path = Path(recording.audio_path)
                results.append(pack(fake_study.measure(path, settings, recording.row)))
            stamps = {"audio": stamp_file(recording.audio_path)}
            store.save(recording, settings, stamps, results[number % _DIFFERENT], 0.0)
    return manifest


def walk_through(folder: Path, count: int, table: Table) -> None:
    manifest = fill(folder, count)
    out = folder / "results"
    some = ["recording_id", "player", "rate_hz", "extent_cents"]
    steps: dict[str, tuple] = {
        "read the manifest": (count_rows, manifest),
        "status": (count_measured, manifest, out),
        "write the tables": (measure_invented, manifest, out),
        "measure again, nothing changed": (measure_invented, manifest, out),
        "read_notes, four columns": (count_notes, out, some),
        "read_notes, all columns": (count_notes, out, None),
        "read_recordings": (count_recordings, out),
    }
    for name, step in steps.items():
        found = apart(*step)
        remark = counts(found) if isinstance(found.value, tuple) else f"{found.value:,} rows"
        row(table, f"{count:,} recordings: {name}", found, remark)


def many_notes(players: int = 24, recordings: int = 12, notes: int = 70, seed: int = 3) -> pd.DataFrame:
    """A note table of players with careers of three decades; extent, rate and presence change with time."""
    rng = np.random.default_rng(seed)
    takes = players * recordings
    take = np.repeat(np.arange(takes), notes)
    player, n = take // recordings, len(take)

    def own(sd: float) -> np.ndarray:
        return rng.normal(0, sd, players)[player]

    def noise() -> np.ndarray:
        return rng.normal(0, 0.12, takes)[take] + rng.normal(0, 0.3, n)

    career = np.tile(np.arange(recordings) // 4, players)[take]
    decade = rng.integers(0, 6, players)[player] + career
    region = player % 2
    piano = (rng.random(takes) < 0.4 + 0.3 * (decade[::notes] > 3))[take]
    duration, midi = np.exp(rng.normal(-0.7, 0.6, n)), np.round(rng.normal(67, 6, n)).clip(50, 90)
    octave, length = (midi - 67) / 6, np.log2(duration)
    trend = -0.12 * (decade - 3)
    log_extent = np.log(24) + trend + 0.15 * region + 0.15 * length + own(0.25) + own(0.05) * career
    log_extent += (0.1 + own(0.1)) * octave + noise()
    rate = 6 + trend + 0.35 * region + own(0.3) + (0.1 + own(0.08)) * octave + noise()
    se = np.where(piano, 3.0, 1.2) * rng.lognormal(0, 0.3, n) / np.sqrt(duration)
    arrow = (rng.random(n) < 0.8) * np.exp(log_extent) + rng.normal(0, se)
    extent = np.hypot(arrow, rng.normal(0, se))
    found = extent > 3.5 * se
    told = found | (duration > 0.3)
    year = 1930 + 10 * decade
    return pd.DataFrame(
        {
            "recording_id": [f"take {k}" for k in take],
            "player": [f"Player {k}" for k in player],
            "decade": year,
            "region": np.where(region, "south", "north"),
            "medium": np.where(year < 1950, "electrical_disc", np.where(year < 1990, "tape_lp", "digital")),
            "accompaniment": np.where(piano, "piano", "none"),
            "instrument": np.where(player % 3 == 0, "viola", "violin"),
            "room_decay_s": rng.uniform(0.1, 1.5, takes)[take],
            "duration_s": duration,
            "midi": midi,
            "level_db": rng.normal(-20, 4, n),
            "quality": np.where(told, np.where(rng.random(n) < 0.9, "ok", "tentative"), "too_short"),
            "extent_limit_cents": 3.5 * se,
            "extent_se_cents": np.where(found, se, np.nan),
            "extent_cents": np.where(found, extent, np.nan),
            "rate_hz": np.where(found, rate, np.nan),
            "has_vibrato": pd.array(found, dtype="boolean"),
            "usable": found,
        }
    ).assign(has_vibrato=lambda f: f["has_vibrato"].mask(~told))


def _claim(outcome: str, contrast: Contrast, expect: str, *adjust: str) -> Claim:
    scale = "log" if outcome == "extent_cents" else "plain"
    return Claim(f"{outcome} {contrast.column}", "", outcome, contrast, expect, adjust=adjust, scale=scale)


_DECADES, _REGIONS = Contrast("decade", 1930, 1980), Contrast("region", "north", "south")
TEN = (
    _claim("extent_cents", _DECADES, "lower", "region", "midi"),
    _claim("rate_hz", _DECADES, "lower", "region", "midi"),
    _claim("extent_cents", _REGIONS, "higher", "decade", "midi"),
    _claim("rate_hz", _REGIONS, "higher", "decade", "log2(duration_s)"),
    _claim("extent_cents", Contrast("midi", 60, 72), "higher", "region", "log2(duration_s)"),
    _claim("extent_cents", Contrast("duration_s", 0.3, 1.0), "higher", "midi", "region"),
    _claim("extent_cents", Contrast("decade", 1930, 1980, shape="trend"), "lower", "region"),
    _claim("rate_hz", Contrast("decade", None, None, cut=1960.0), "lower", "midi"),
    _claim("has_vibrato", _DECADES, "different", "midi", "log2(duration_s)"),
    _claim("extent_cents", Contrast("region", "north", "south", across="decade", across_start=1930,
                                    across_end=1980), "lower", "midi"),
)  # fmt: skip


def judge_ten() -> tuple[int, int]:
    table = evaluate_claims(TEN, many_notes())
    return len(table), int(table["verdict"].isin(["supported", "against"]).sum())


def ask_in_all_ways(claim: Claim) -> int:
    return len(all_ways(claim, many_notes()).table)


def judge_many_notes(_: Path, __: None, table: Table) -> None:
    found = apart(judge_ten)
    remark = "{} claims, {} decided".format(*found.value)
    table.add_row("20,160 notes: ten claims (bar 20 s of CPU)", f"{found.seconds:.1f}", f"{found.cpu_s:.1f}",
                  f"{found.peak_mb:.0f}", remark)  # fmt: skip
    for claim in (TEN[0], TEN[8]):
        ways = apart(ask_in_all_ways, claim)
        row(table, f"  ways to ask: {claim.id} (bar 60 s)", ways, f"{ways.value} ways")


def counts(found: Step) -> str:
    measured, unchanged, failed = found.value
    return f"{measured:,} measured, {unchanged:,} unchanged, {failed:,} failed"


def row(table: Table, name: str, found: Step, remark: str) -> None:
    table.add_row(name, f"{found.seconds:.1f}", f"{found.cpu_s:.1f}", f"{found.peak_mb:.0f}", remark)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--recordings", type=int, default=2000, help="short recordings to be measured")
    parser.add_argument("--minutes", type=float, default=60.0, help="length of the long file")
    parser.add_argument("--corpus", type=int, default=100_000, help="recordings of the filled store")
    parser.add_argument("--skip", action="append", choices=PARTS, default=[], help="leave out a part")
    args = parser.parse_args()
    table = Table(title=f"{os.cpu_count()} cores, load before the run {psutil.getloadavg()[0]:.1f}")
    for head in ("step", "s", "CPU s", "peak MB", ""):
        table.add_column(head, justify="right" if head in ("s", "CPU s", "peak MB") else "left")
    parts: dict[str, tuple[Callable[[Path, Any, Table], None], float]] = {
        "workers": (compare_workers, args.recordings),
        "memory": (measure_long, args.minutes),
        "corpus": (walk_through, args.corpus),
        "claims": (judge_many_notes, None),
    }
    for name, (part, size) in parts.items():
        if name not in args.skip:
            with tempfile.TemporaryDirectory() as folder:
                part(Path(folder), size, table)
    Console(width=120).print(table)


if __name__ == "__main__":
    main()
