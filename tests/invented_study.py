"""An invented note table for the tests of the figures, the usage model and the notebooks.

Every player, region and recording is invented. The numbers come straight from a model with known
truth; no sound is made or measured.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from vibstudy.schema import NOTE_COLUMNS, typed

REGIONS = ("Keldria", "Aubrisk", "Sunamar")
SURNAMES = (
    "Aster Birch Cedar Dogwood Elder Fern Gorse Hazel Iris Juniper Larch Maple Nettle Oxlip Poppy Rowan"
)


def invented_notes(
    players: int = 16,
    recordings: int = 3,
    notes: int = 30,
    seed: int = 7,
    vibrato: bool = True,
    decades: tuple[int, ...] = (1930, 1940, 1950, 1960, 1970, 1980, 1990, 2000),
) -> pd.DataFrame:
    """Return a typed note table with the manifest's tags.

    Odd players vibrate nearly everywhere, even ones mostly on long notes. Extent grows by 1.5 cents
    a decade from 22 cents, rate falls by 0.05 Hz a decade from 6 Hz.
    """
    rng = np.random.default_rng(seed)
    rows = []
    for p in range(players):
        name = f"Player {SURNAMES.split()[p % 16]}" + ("" if p < 16 else f" {p // 16 + 1}")
        region = REGIONS[p % len(REGIONS)]
        rate_p, extent_p = rng.normal(0, 0.3), rng.normal(0, 0.25)
        for r in range(recordings):
            decade = decades[(p * recordings + r) * len(decades) // (players * recordings)]
            medium = "electrical_disc" if decade < 1950 else "tape_lp" if decade < 1990 else "digital"
            step = (decade - decades[0]) / 10
            rate_r, extent_r = rng.normal(0, 0.12), rng.normal(0, 0.08)
            tempo, clock = float(rng.choice([60, 72, 84, 96])), 0.3
            recording_id = f"take{p:02d}{r}"
            for k in range(notes):
                duration = float(np.exp(rng.normal(-0.7, 0.6)))
                chance = 0.93 if p % 2 else 1 / (1 + np.exp(-4 * (np.log2(duration) + 0.6)))
                known = duration > 0.28
                has = bool(vibrato and known and rng.random() < chance)
                rate = 6.0 - 0.05 * step + rate_p + rate_r + rng.normal(0, 0.25)
                extent = float(np.exp(np.log(22 + 1.5 * step) + extent_p + extent_r + rng.normal(0, 0.25)))
                midi = int(rng.integers(55, 80))
                rows.append(
                    {
                        "recording_id": recording_id,
                        "note_id": f"{recording_id}/{k:04d}",
                        "onset_s": clock,
                        "offset_s": clock + duration,
                        "duration_s": duration,
                        "note_kind": "note",
                        "pitch_hz": 440 * 2 ** ((midi - 69) / 12),
                        "midi": midi,
                        "pitch_cents": rng.normal(0, 8),
                        "level_db": -20 + rng.normal(0, 4),
                        "has_vibrato": has if known else pd.NA,
                        "vibrato_p": 1e-4 if has else 0.4,
                        "rate_hz": rate if has else np.nan,
                        "rate_se_hz": 0.05 if has else np.nan,
                        "extent_cents": extent if has else np.nan,
                        "extent_se_cents": 0.8 if has else np.nan,
                        "vibrato_onset_s": min(0.15, duration / 4) if has else np.nan,
                        "vibrato_fraction": 0.8 if has else np.nan,
                        "intensity_depth_db": abs(extent / 20 + rng.normal(0, 0.4)) if has else np.nan,
                        "pulses_per_beat": rate * 60 / tempo if has else np.nan,
                        "snr_db": rng.normal(25, 4),
                        "quality": "ok" if known else "too_short",
                        "reviewed": "auto",
                        "player": name,
                        "decade": decade,
                        "region": region,
                        "medium": medium,
                        "accompaniment": "piano" if r % 3 == 2 else "none",
                        "piece": f"Study {r + 1}",
                        "tempo_bpm": tempo,
                    }
                )
                clock += duration + (0.5 if k % 8 == 7 else 0.0)
    return typed(pd.DataFrame(rows), NOTE_COLUMNS)
