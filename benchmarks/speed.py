"""Speed and memory of measuring, of its steps and of the usual trackers, on the same sound, in one run.

    uv run python -m benchmarks.speed [--seconds 120] [--rounds 3] [--minutes 60]

CPU time (user and system, all threads of the process), as the median of several rounds that take turns, so
that a busy machine weighs on all methods alike. The sound is the invented demo corpus. pYIN is timed plain,
as librosa gives it (C2 to C7, 93 ms frames, hop of 11.6 ms), and as the tracker of this tool. Each method has
a process of its own for the peak of memory; a file of an hour shows that it does not grow with length.
"""

from __future__ import annotations

import argparse
import multiprocessing
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from unittest.mock import patch

import numpy as np
import soundfile
from rich.console import Console
from rich.table import Table
from threadpoolctl import threadpool_limits

from benchmarks.memory import rss_mb
from vibstudy.corpus.settings import Settings
from vibstudy.demo.corpus import write_demo_corpus
from vibstudy.errors import VibstudyError
from vibstudy.pitch.trackers import track_line
from vibstudy.recording import measure_file
from vibstudy.sound.reading import read_audio

STEPS = {
    "medium (clicks, noise, hum)": (
        "vibstudy.sound.media.MediaMeter.add",
        "vibstudy.recording.flow.codec_cutoff",
    ),
    "tracker": ("vibstudy.pitch.trackers.track_line",),
    "notes": ("vibstudy.notes.segment.find_notes",),
    "pitch from the waveform": ("vibstudy.recording.found.refine_note",),
    "straightening": (
        "vibstudy.recording.found.straighten_note",
        "vibstudy.vibrato.oversegmentation.straighten_note",
        "vibstudy.recording.found.other_vibrates",
    ),
    "wow": ("vibstudy.recording.flow.estimate_wow",),
    "vibrato": ("vibstudy.recording.measured.measure_note",),
    "tables": ("vibstudy.recording.flow.result_of",),
}
"""What each step calls; reading and what is left over is the rest of the whole."""

SAMPLE_RATE_HZ = 22050
EXCERPT_S = 6.0


def plain_pyin(samples: np.ndarray) -> None:
    """pYIN as librosa's own documentation calls it."""
    import librosa

    librosa.pyin(samples, fmin=65.4, fmax=2093.0, sr=SAMPLE_RATE_HZ, frame_length=2048, hop_length=256)


WHOLE, PLAIN = "vibstudy, the whole of measure", "plain pYIN, line only"
TRACKERS = ("swift-f0", "pyin", "crepe-tiny", "crepe-full")


def method(name: str) -> Callable[[Path], object]:
    """What is timed under this name; takes a file."""
    if name == WHOLE:
        return lambda path: measure_file(path, Settings(), {})
    if name == PLAIN:
        return lambda path: plain_pyin(_samples(path))
    return lambda path: track_line(_samples(path), SAMPLE_RATE_HZ, name.split(",")[0])


def method_names() -> list[str]:
    """Names of the methods whose weights are installed."""
    names = [WHOLE]
    for tracker in TRACKERS:
        try:
            track_line(np.zeros(SAMPLE_RATE_HZ, dtype=np.float32), SAMPLE_RATE_HZ, tracker)
        except VibstudyError:
            continue
        names.append(f"{tracker}, line only")
    return [*names, PLAIN]


def _samples(path: Path) -> np.ndarray:
    return read_audio(path).samples


def cpu_seconds(call: Callable[[Path], object], files: list[Path]) -> float:
    """CPU time of this process, all its threads, for `call` on each file."""
    begin = time.process_time()
    for path in files:
        call(path)
    return time.process_time() - begin


@contextmanager
def step_times() -> Iterator[dict[str, float]]:
    """CPU seconds spent in each of :data:`STEPS` meanwhile."""
    spent = dict.fromkeys(STEPS, 0.0)

    def timed(step: str, function: Callable) -> Callable:
        def wrapper(*args: object, **kwargs: object) -> object:
            begin = time.process_time()
            try:
                return function(*args, **kwargs)
            finally:
                spent[step] += time.process_time() - begin

        return wrapper

    with ExitStack() as stack:
        for step, targets in STEPS.items():
            for target in targets:
                patcher = patch(target)
                original, _ = patcher.get_original()
                stack.enter_context(patch(target, timed(step, original)))
        yield spent


def some_files(audio: Path, seconds: float) -> tuple[list[Path], float]:
    """Every third recording of a folder up to `seconds` of sound, and how long they are."""
    files: list[Path] = []
    total = 0.0
    for path in sorted(audio.iterdir())[::3]:
        files.append(path)
        total += soundfile.info(path).duration
        if total >= seconds:
            break
    return files, total


def long_file(path: Path, pieces: list[Path], minutes: float) -> None:
    """One long file out of short ones."""
    rate = soundfile.info(pieces[0]).samplerate
    with soundfile.SoundFile(path, "w", rate, 1, "PCM_16") as out:
        while out.frames < 60 * minutes * rate:
            for piece in pieces:
                samples, own = soundfile.read(piece, always_2d=True)
                assert own == rate
                out.write(samples[:, 0])


def _peak_mb(name: str, path: Path, result: multiprocessing.Queue) -> None:
    with threadpool_limits(limits=1):
        seconds = cpu_seconds(method(name), [path])
    result.put((rss_mb(), seconds))


def in_own_process(name: str, path: Path) -> tuple[float, float]:
    """Peak memory (MB) and CPU seconds of one method on one file, in a process of its own."""
    context = multiprocessing.get_context("spawn")
    result = context.Queue()
    process = context.Process(target=_peak_mb, args=(name, path, result))
    process.start()
    found = result.get()
    process.join()
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=120.0, help="sound to be timed on")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--minutes", type=float, default=60.0, help="length of the long file; 0: none")
    parser.add_argument("--demo", type=Path, help="a demo study that is there already")
    args = parser.parse_args()
    console = Console(width=110)
    with tempfile.TemporaryDirectory() as scratch, threadpool_limits(limits=1):
        folder = args.demo or Path(scratch)
        if args.demo is None:
            write_demo_corpus(folder, workers=1)
        files, total = some_files(folder / "audio", args.seconds)
        names = method_names()
        excerpt = Path(scratch) / "excerpt.flac"
        samples, rate = soundfile.read(files[0], stop=round(EXCERPT_S * soundfile.info(files[0]).samplerate))
        soundfile.write(excerpt, samples, rate)
        # the usual routes are slow: an excerpt says enough
        few = {name: files if name in (WHOLE, "swift-f0, line only") else [excerpt] for name in names}
        length = {name: sum(soundfile.info(path).duration for path in few[name]) for name in names}
        for name in names:
            method(name)(excerpt)  # what is loaded or compiled once does not count
        spent: dict[str, list[float]] = {name: [] for name in names}
        steps: dict[str, list[float]] = {step: [] for step in STEPS}
        for _ in range(args.rounds):
            for name in names:
                spent[name].append(cpu_seconds(method(name), few[name]))
            with step_times() as seconds:
                cpu_seconds(method(WHOLE), files)
            for step, value in seconds.items():
                steps[step].append(value)
        ms = {name: 1000 * float(np.median(spent[name])) / length[name] for name in names}
        step_ms = {step: 1000 * float(np.median(values)) / total for step, values in steps.items()}
        peaks = {name: in_own_process(name, excerpt)[0] for name in names}
        _print(console, ms, step_ms, peaks, total)
        if args.minutes:
            _long(console, files, args.minutes)


def _long(console: Console, files: list[Path], minutes: float) -> None:
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "long.flac"
        long_file(path, files, minutes)
        peak, seconds = in_own_process(WHOLE, path)
        length_s = soundfile.info(path).duration
    console.print(
        f"A file of {length_s / 60:.0f} minutes: {length_s / seconds:.1f} × real time, "
        f"peak memory {peak:.0f} MB"
    )


def _print(
    console: Console, ms: dict[str, float], steps: dict[str, float], peaks: dict[str, float], total: float
) -> None:
    plain = ms[PLAIN]
    table = Table(title=f"{total:.0f} s of sound, CPU time of one core, median of the rounds")
    for head in ("method", "× real time", "ms a second of sound", "× plain pYIN", "peak memory (MB)"):
        table.add_column(head, justify="left" if head == "method" else "right")
    for name, value in ms.items():
        cells = (f"{1000 / value:.1f}", f"{value:.1f}", f"{plain / value:.1f}", f"{peaks[name]:.0f}")
        table.add_row(name, *cells)
        if name == WHOLE:
            for step, share in (steps | {"reading and the rest": value - sum(steps.values())}).items():
                table.add_row(f"  {step}", "", f"{share:.1f}", "", "")
    console.print(table)


if __name__ == "__main__":
    main()
