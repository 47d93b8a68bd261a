"""A study whose "recordings" are short texts, and a quick stand-in for measuring one.

The stand-in's figures are a pure function of the file's bytes, the settings and the row, like the real
one's. Words in the text make it fail in the ways real recordings do.
"""

from __future__ import annotations

import hashlib
import os
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from vibstudy.errors import Problem, VibstudyError


@dataclass(frozen=True, eq=False)
class Result:
    notes: pd.DataFrame
    line: pd.DataFrame
    recording: dict


def measure(path, settings, row) -> Result:
    text = Path(path).read_text(encoding="utf-8")
    if "CORRUPT" in text:
        raise VibstudyError(Problem("the file cannot be read as sound", str(path), repair="Copy it again"))
    if "DIE" in text:
        os._exit(9)
    if "MEMORY" in text:
        raise MemoryError
    if "FAULT" in text:
        raise ZeroDivisionError("invented fault")
    if "SLOW" in text:
        time.sleep(0.05)
    key = f"{text}|{settings.measure_key()}|{row.get('tempo_bpm')}"
    rng = np.random.default_rng(int(hashlib.sha256(key.encode()).hexdigest()[:8], 16))
    count = int(rng.integers(1, 6))
    name = row["recording_id"]
    notes = pd.DataFrame(
        {
            "recording_id": name,
            "note_id": [f"{name}/{number:04d}" for number in range(1, count + 1)],
            "onset_s": np.arange(count, dtype=float),
            "offset_s": np.arange(count) + 0.8,
            "duration_s": 0.8,
            "midi": rng.integers(50, 80, count),
            "has_vibrato": rng.random(count) > 0.5,
            "rate_hz": np.where(rng.random(count) > 0.3, rng.normal(5.5, 0.4, count), np.nan),
            "extent_cents": rng.normal(30, 5, count),
            "quality": "ok",
            "reviewed": "auto",
        }
    )
    line = pd.DataFrame({"time_s": np.arange(50) / 100, "f0_hz": rng.normal(440, 5, 50)})
    recording = {"recording_id": name, "duration_s": float(count), "notes": count, "tracker": "invented 1"}
    return Result(notes, line, recording)


def write_study(folder: Path, texts: dict[str, str] | int, **columns: list) -> Path:
    """A manifest with one file a recording; further columns by name. Its path is returned."""
    if isinstance(texts, int):
        texts = {f"rec{number:03d}": f"sound {number}" for number in range(texts)}
    (folder / "audio").mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        (folder / "audio" / f"{name}.wav").write_text(text, encoding="utf-8")
    count = len(texts)
    table = {
        "recording_id": list(texts),
        "path": [f"audio/{name}.wav" for name in texts],
        "player": [f"Player {number % 5}" for number in range(count)],
        "decade": [1920 + 10 * (number % 8) for number in range(count)],
        "region": [("north", "south")[number % 2] for number in range(count)],
    }
    path = folder / "corpus_manifest.csv"
    pd.DataFrame(table | columns).to_csv(path, index=False)
    return path
