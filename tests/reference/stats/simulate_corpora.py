"""Write the simulated corpora whose models R has fitted; the numbers are invented.

Run ``python simulate_corpora.py`` here, then ``Rscript reference_numbers.R``. Both outputs are kept,
so that neither R nor this script is needed to run the tests.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).parent


def corpus(
    seed: int,
    recordings: list[int],
    notes: tuple[int, int],
    sd: dict[str, float],
    pieces: int = 0,
    slope: float = 0.0,
    heavy: bool = False,
) -> pd.DataFrame:
    """One invented corpus.

    `recordings` gives the number of recordings of each player; `notes` the range of notes a
    recording; `sd` the deviations of player, recording, piece and note; `slope` that of the players'
    own trends by decade.
    """
    rng = np.random.default_rng(seed)
    rows = []
    piece_effect = rng.normal(0, sd.get("piece", 0.0), max(pieces, 1))
    for player, count in enumerate(recordings):
        draw = rng.standard_t(3) / np.sqrt(3) if heavy else rng.normal()
        level, trend = sd["player"] * draw, slope * rng.normal()
        period = (1930, 1950, 1970)[player % 3] if len(recordings) > 8 else (1930, 1960)[player % 2]
        region = "AB"[(player // 3) % 2] if len(recordings) > 8 else "AB"[(player // 2) % 2]
        for recording in range(count):
            decade = period + 10 * int(rng.integers(0, 3))
            piece = int(rng.integers(0, pieces)) if pieces else 0
            own = rng.normal(0, sd["recording"])
            for _ in range(int(rng.integers(*notes))):
                midi = int(rng.integers(55, 82))
                se = rng.uniform(0.05, 0.6)
                value = (
                    5.8
                    - 0.006 * (period - 1950)
                    + 0.2 * (region == "B")
                    + 0.01 * (midi - 68)
                    + level
                    + trend * (decade - 1950) / 30
                    + own
                    + (piece_effect[piece] if pieces else 0.0)
                    + rng.normal(0, sd["note"])
                    + rng.normal(0, se) * sd.get("measured", 0.0)
                )
                rows.append(
                    (f"p{player:02d}", f"r{recording}", f"w{piece}", period, decade, region, midi, value, se)
                )
    frame = pd.DataFrame(
        rows, columns=["player", "recording", "piece", "period", "decade", "region", "midi", "rate", "se"]
    )
    frame["rate"] = frame["rate"].round(4)
    frame["se"] = frame["se"].round(4)
    frame["weight"] = (1 / (sd["note"] ** 2 + frame["se"] ** 2)).round(5)
    frame["extent"] = np.round(2 ** (frame["rate"] - 1), 3)
    chance = 1 / (1 + np.exp(-2.0 * (frame["rate"] - 5.8)))
    frame["present"] = (rng.random(len(frame)) < chance).astype(int)
    return frame


USUAL = {"player": 0.5, "recording": 0.25, "note": 0.5}

USUAL_PIECES = {**USUAL, "piece": 0.4}
MEASURED = {**USUAL_PIECES, "measured": 1.0}

CORPORA: dict[str, pd.DataFrame] = {
    "balanced": corpus(1, [3] * 8, (6, 7), USUAL),
    "six_players": corpus(2, [2] * 6, (8, 9), USUAL),
    "unbalanced": corpus(3, [1, 6, 2, 1, 5, 3, 2, 4, 1, 3], (2, 12), USUAL),
    "one_recording": corpus(4, [1, 1, 1, 2, 1, 3, 1, 1, 2, 1, 1, 1], (4, 10), USUAL),
    "crossed": corpus(5, [4] * 9, (4, 7), USUAL_PIECES, pieces=6),
    "crossed_unbalanced": corpus(6, [1, 7, 2, 5, 3, 2, 1, 4, 3, 2], (2, 10), USUAL_PIECES, pieces=5),
    "boundary_player": corpus(101, [3] * 8, (5, 8), {"player": 0.0, "recording": 0.25, "note": 0.5}),
    "boundary_recording": corpus(10, [4] * 9, (4, 8), {"player": 0.5, "recording": 0.0, "note": 0.8}),
    "slope": corpus(9, [6] * 12, (4, 5), USUAL, slope=0.7),
    "slope_independent": corpus(14, [5] * 10, (4, 7), USUAL, slope=0.6),
    "weighted": corpus(11, [3] * 9, (4, 9), {**USUAL, "measured": 1.0}),
    "weighted_crossed": corpus(12, [2, 5, 3, 1, 4, 3, 2, 6, 2], (3, 9), MEASURED, pieces=6),
    "heavy_tailed": corpus(13, [3] * 12, (4, 8), USUAL, heavy=True),
    "presence": corpus(21, [4] * 12, (6, 12), USUAL),
    "presence_crossed": corpus(22, [6] * 12, (6, 11), USUAL_PIECES, pieces=8),
    "presence_boundary": corpus(23, [4] * 10, (6, 11), {"player": 0.6, "recording": 0.0, "note": 0.1}),
}  # fmt: skip


def main() -> None:
    for name, frame in CORPORA.items():
        frame.to_csv(HERE / f"{name}.csv", index=False, lineterminator="\n")
        print(f"{name:20s} {len(frame):5d} notes")


if __name__ == "__main__":
    main()
