"""Sound files opened and read.

Files are read with libsndfile (WAV, FLAC, OGG, MP3, AIFF, ...) and, where it cannot, decoded by the
``ffmpeg`` program when that is installed (M4A, sound of a video, ...).
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import numpy as np

from vibstudy.corpus.files import LOWEST_RATE_HZ, SHORTEST_S, SUFFIXES, link_fault, near_file
from vibstudy.errors import Problem, VibstudyError, did_you_mean, raise_any


def check_file(path: Path) -> None:
    """Raise VibstudyError when there is no file, or nothing in it."""
    try:
        _check_is_file(path)
    except (OSError, ValueError) as error:  # a name that no file can have, or a folder that may not be read
        raise VibstudyError(
            f"the file cannot be opened: {getattr(error, 'strerror', None) or error}",
            file=str(path),
            repair="Check the name and folder, and that reading it is allowed",
        ) from None


def _check_is_file(path: Path) -> None:
    if path.is_dir():
        raise VibstudyError(
            "this is a folder, not a sound file", file=str(path), repair="Name one file in it"
        )
    if fault := link_fault(path):
        raise VibstudyError(fault, str(path), repair="Put the sound file itself in its place")
    if not path.exists():
        near = ""
        if path.parent.is_dir():
            near = near_file(path.name, (entry.name for entry in path.parent.iterdir()))
        repair = did_you_mean(near) or "Check the name and folder"
        raise VibstudyError("no such file", file=str(path), repair=repair)
    if not path.is_file():  # a device or a pipe may never end
        raise VibstudyError("this is not an ordinary file", file=str(path), repair="Name a sound file")
    if path.stat().st_size == 0:
        raise VibstudyError("the file is empty (0 bytes)", file=str(path), repair="Copy or export it again")


@contextmanager
def opened(path: Path) -> Iterator[tuple]:
    """Yield (open soundfile.SoundFile, list of remarks, container and coding in words)."""
    import soundfile

    class Sequential(soundfile.SoundFile):
        # soundfile seeks after every read of a seekable file, which garbles MP3 read in chunks.
        def seekable(self) -> bool:
            return False

    remarks: list[str] = []
    try:
        handle = Sequential(str(path))
    except (soundfile.LibsndfileError, TypeError, ValueError):
        handle = None
    if handle is not None:
        with handle:
            suffixes = SUFFIXES.get(handle.format)
            if suffixes and path.suffix.lower() not in suffixes:
                remarks.append(f"the contents are {handle.format}, though the name ends in {path.suffix!r}")
            yield handle, remarks, f"{handle.format} {handle.subtype}"
        return
    with tempfile.TemporaryDirectory(prefix="vibstudy-") as folder:
        decoded = Path(folder) / "decoded.wav"
        _decode(path, decoded)
        remarks.append("decoded by ffmpeg")
        with Sequential(str(decoded)) as handle:
            yield handle, remarks, f"{handle.format} {handle.subtype} by ffmpeg"


def _decode(path: Path, target: Path) -> None:
    """Decode the first sound track of `path` to a float WAV with the ffmpeg program."""
    program = shutil.which("ffmpeg")
    if program is None:
        raise VibstudyError(
            "this file cannot be read as WAV, FLAC, OGG, MP3 or AIFF",
            file=str(path),
            repair="Export it as WAV or FLAC, or install the program ffmpeg, which reads M4A and video",
        )
    command = [program, "-nostdin", "-v", "error", "-protocol_whitelist", "file", "-i", str(path.resolve())]
    command += ["-map", "0:a:0", "-c:a", "pcm_f32le", "-rf64", "auto", "-y", str(target)]
    done = subprocess.run(
        command, capture_output=True, text=True, encoding="utf-8", errors="replace", check=False
    )
    if target.exists() and target.stat().st_size > 100:
        return
    said = [line for line in done.stderr.splitlines() if line.strip()]
    if "matches no streams" in done.stderr:
        message, repair = "the file holds no sound", "Choose a file with a sound track"
    else:
        message = "the file is not sound that can be decoded, or it is damaged"
        repair = "Play it to the end to check it, then export it again as WAV or FLAC"
    raise VibstudyError(message, file=str(path), got=said[-1][-200:] if said else "", repair=repair)


def span(path: Path, handle, start_s: float | None, end_s: float | None) -> tuple[int, int]:
    """First and last + 1 frame to read, checked against the length of the file."""
    rate = handle.samplerate
    if rate < LOWEST_RATE_HZ:
        message = "the file says it holds too few samples a second for music"
        raise VibstudyError(message, str(path), got=str(rate), repair="Copy or export it again")
    length_s = handle.frames / rate
    first = 0 if start_s is None else round(start_s * rate)
    last = handle.frames if end_s is None else min(round(end_s * rate), handle.frames)
    problems = []

    def wrong(message: str, column: str, got: str, repair: str = "") -> None:
        problems.append(Problem(message, str(path), column=column, got=got, repair=repair))

    if first < 0:
        wrong("the start is before the beginning", "start_s", str(start_s))
    if length_s >= SHORTEST_S and first >= handle.frames:
        lasts = f"The recording lasts {length_s:.2f} s"
        wrong("the start is after the end of the recording", "start_s", str(start_s), lasts)
    elif start_s is not None and end_s is not None and end_s <= start_s:
        clock = "Both are seconds as a player's clock shows them"
        wrong("the end is not after the start", "end_s", f"start_s {start_s}, end_s {end_s}", clock)
    elif last - first < max(SHORTEST_S * rate, 2):
        count = max(last - first, 0)
        got = f"{count} sample{'s' * (count != 1)}"
        message = f"the sound is shorter than {SHORTEST_S} s: nothing to measure"
        wrong(message, "", got, "Check that the export was complete")
    raise_any(problems)
    return first, last


def read_or_nothing(handle, frames: int) -> np.ndarray:
    """Next frames; an empty array where a damaged file cannot be read further."""
    import soundfile

    try:
        return handle.read(frames, dtype="float32", always_2d=True)
    except soundfile.LibsndfileError:
        return np.empty((0, handle.channels), dtype=np.float32)


def seek(handle, frame: int) -> None:
    """Go to a frame; in a damaged file stay, so that the next read finds nothing."""
    import soundfile

    with suppress(soundfile.LibsndfileError):
        handle.seek(frame)
