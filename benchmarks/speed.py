"""Speed of measuring, of its parts and of the usual trackers, on the same sound, in one run.

    uv run python benchmarks/speed.py [--seconds 120]

CPU time of one core, in multiples of real time; peak memory of the process. The sound is the invented demo
corpus. pYIN runs at the hop this tool gives it (11.6 ms).
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table
from threadpoolctl import threadpool_limits

from vibstudy.corpus.settings import Settings
from vibstudy.demo.corpus import write_demo_corpus
from vibstudy.errors import VibstudyError
from vibstudy.pitch.trackers import track_line
from vibstudy.recording import measure_file
from vibstudy.sound.reading import read_audio


def cpu_seconds(call: Callable[[], object]) -> float:
    """CPU time of this process for `call`."""
    begin = time.process_time()
    call()
    return time.process_time() - begin


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=120.0)
    args = parser.parse_args()
    console = Console(width=100)
    with tempfile.TemporaryDirectory() as folder, threadpool_limits(limits=1):
        write_demo_corpus(Path(folder), workers=1)
        files, sounds, total = [], [], 0.0
        for path in sorted((Path(folder) / "audio").iterdir())[::3]:
            audio = read_audio(path)
            files.append(path)
            sounds.append(audio.samples)
            total += audio.duration_s
            if total > args.seconds:
                break
        rate = audio.rate_hz
        measure_file(files[0], Settings(), {"recording_id": "warm-up"})
        rows = [("vibstudy measure, whole", lambda: [measure_file(f, Settings(), {}) for f in files], total)]
        short = sounds[: max(1, len(sounds) // 6)]
        short_s = sum(len(s) for s in short) / rate
        for name in ("swift-f0", "pyin", "crepe-tiny", "crepe-full"):
            try:
                track_line(np.zeros(22050, dtype=np.float32), rate, name)
            except VibstudyError:
                continue
            few, seconds = (sounds, total) if name == "swift-f0" else (short, short_s)
            rows.append(
                (f"{name}, line only", lambda n=name, few=few: [track_line(s, rate, n) for s in few], seconds)
            )
        table = Table(title=f"{total:.0f} s of sound, one core")
        for head in ("method", "× real time", "ms a second of sound"):
            table.add_column(head, justify="left" if head == "method" else "right")
        for name, call, seconds in rows:
            spent = cpu_seconds(call)
            table.add_row(name, f"{seconds / spent:.1f}", f"{1000 * spent / seconds:.1f}")
        console.print(table)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (
        1024 if sys.platform != "darwin" else 1024**2
    )
    console.print(f"Peak memory of the process: {peak:.0f} MB")


if __name__ == "__main__":
    main()
