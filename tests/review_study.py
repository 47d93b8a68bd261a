"""A tiny invented study for the tests of the review room: short synthesised recordings, measured."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import soundfile

from tests import signals

PITCHES_HZ = (300.0, 340.0, 380.0, 300.0)


def make_review_study(folder: Path, recordings: int = 2, phrases: int = 1) -> Path:
    """A measured study; each phrase is four notes of 0.9 s whose vibrato is known."""
    from vibstudy.measure import measure_corpus

    (folder / "audio").mkdir(parents=True)
    rng = np.random.default_rng(5)
    rows = []
    for number in range(recordings):
        tones = [
            signals.tone(
                rng, rate_hz=5.0 + 0.3 * k, extent_cents=25.0 + 5 * k, duration_s=0.9, f0_hz=f0
            ).samples
            for _ in range(phrases)
            for k, f0 in enumerate(PITCHES_HZ)
        ]
        name = f"take{number}"
        soundfile.write(folder / "audio" / f"{name}.wav", np.concatenate(tones), round(signals.RATE_HZ))
        rows.append(
            {
                "recording_id": name,
                "path": f"audio/{name}.wav",
                "player": f"Player {['Aster', 'Birch', 'Cedar'][number % 3]}",
                "decade": 1950 + 10 * number,
                "region": ("Keldria", "Aubrisk")[number % 2],
                "medium": ("tape_lp", "digital")[number % 2],
            }
        )
    pd.DataFrame(rows).to_csv(folder / "corpus_manifest.csv", index=False)
    report = measure_corpus(folder / "corpus_manifest.csv", folder / "results", workers=1)
    assert report.failures == []
    return folder
