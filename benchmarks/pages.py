"""What a page of a recording costs in a small and in a large study: invented rows, no sound.

Run: ``uv run python -m benchmarks.pages [RECORDINGS ...]``. Printed are the seconds before the first
page, the seconds of a page (median of those made), and the seconds to find out that nothing changed.
"""

from __future__ import annotations

import contextlib
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from vibstudy.pages.write import write_pages

PAGES = 8
NOTES = 30


class _Enough(Exception):
    """So many pages are timed."""


def invented_study(folder: Path, recordings: int) -> Path:
    """A study folder as measuring leaves it; only the first pages can be drawn."""
    rng = np.random.default_rng(1)
    count = recordings * NOTES
    number = np.repeat(np.arange(recordings), NOTES)
    onset = np.tile(np.arange(NOTES) * 0.8, recordings)
    notes = pd.DataFrame(
        {
            "recording_id": [f"take{k:05d}" for k in number],
            "note_id": [f"take{k:05d}/{n % NOTES:04d}" for n, k in enumerate(number)],
            "onset_s": onset, "offset_s": onset + 0.7, "duration_s": 0.7, "note_kind": "note",
            "pitch_hz": 440.0, "midi": 69, "has_vibrato": True, "quality": "ok", "reviewed": "auto",
            "rate_hz": rng.normal(5.5, 0.3, count), "rate_se_hz": 0.05,
            "extent_cents": rng.normal(30, 5, count), "extent_se_cents": 0.8, "snr_db": 25.0,
        }
    )  # fmt: skip
    names = sorted(set(notes["recording_id"]))
    manifest = pd.DataFrame(
        {
            "recording_id": names, "path": [f"audio/{name}.wav" for name in names],
            "player": [f"Player {k % 40}" for k in range(recordings)],
            "decade": [1930 + 10 * (k % 8) for k in range(recordings)],
            "region": [("Keldria", "Aubrisk")[k % 2] for k in range(recordings)],
        }
    )  # fmt: skip
    (folder / "audio").mkdir()
    results = folder / "results"
    results.mkdir()
    manifest.to_csv(folder / "corpus_manifest.csv", index=False)
    from vibstudy.corpus.tables import write_frame, write_package
    from vibstudy.schema import LOG_COLUMNS, NOTE_COLUMNS, RECORDING_COLUMNS, typed

    notes = typed(notes.merge(manifest.drop(columns="path"), on="recording_id"), NOTE_COLUMNS)
    measured = typed(
        pd.DataFrame({"recording_id": names, "notes": NOTES, "duration_s": 24.0, "audio_sha256": "0" * 64}),
        RECORDING_COLUMNS,
    )
    log = typed(pd.DataFrame({"recording_id": names, "success": True, "notes": NOTES}), LOG_COLUMNS)
    notes.to_parquet(results / "notes.parquet")
    write_package(
        results,
        {
            "notes.csv": write_frame(results / "notes.csv", notes, NOTE_COLUMNS),
            "recordings.csv": write_frame(results / "recordings.csv", measured, RECORDING_COLUMNS),
            "log.csv": write_frame(results / "log.csv", log, LOG_COLUMNS),
        },
    )
    line = pd.DataFrame(
        {"time_s": np.arange(0, 24, 0.01), "f0_hz": 440.0, "level_db": -20.0, "note_number": 1}
    )
    for name in names if recordings <= PAGES else names[: PAGES + 1]:
        (results / "cache" / name).mkdir(parents=True)
        line.to_parquet(results / "cache" / name / "line.parquet")
    return folder


def main() -> None:
    """Print the table."""
    print("recordings  before first (s)  a page (s)  nothing changed, a page (s)")
    for count in [int(word) for word in sys.argv[1:]] or [50, 5000]:
        with tempfile.TemporaryDirectory() as name:
            study = invented_study(Path(name), count)
            once, again = _seconds(study), _seconds(study)
        made, left = np.median(np.diff(once)), np.median(np.diff(again))
        print(f"{count:10,}  {once[0]:16.2f}  {made:10.3f}  {left:10.3f}")


def _seconds(study: Path) -> list[float]:
    """When each page was begun, in s."""
    began, times = time.perf_counter(), []

    def told(done: int, of: int, name: str) -> None:
        times.append(time.perf_counter() - began)
        if done == PAGES:
            raise _Enough

    with contextlib.suppress(_Enough):
        write_pages(study, progress=told)
    return times


if __name__ == "__main__":
    main()
