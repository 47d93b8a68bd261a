"""How far a recording's figures can be trusted, in a share, a line and sentences.

Of the notes of at least :data:`TELLING_S` and not too short to tell, the share that is ``usable``: most
(:data:`MOST` and more), part (:data:`PART` and more), or few. The limits are ours; the share is printed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.figures.data import plural
from vibstudy.schema import HARMLESS, QUALITY_REASONS, reasons_of
from vibstudy.stats.selection import is_usable

TELLING_S = 0.3
MOST, PART = 0.8, 0.5


def usable(notes: pd.DataFrame) -> pd.Series:
    """Return which notes' figures count, boolean [shape=(n,)]."""
    heard = notes["reviewed"].fillna("auto").ne("rejected").astype(bool)
    return heard & is_usable(notes)


def trusted_share(notes: pd.DataFrame) -> float:
    """Return the share of usable notes among those long enough to tell; NaN without any."""
    long = notes[telling(notes)]
    return float(usable(long).mean()) if len(long) else float("nan")


def telling(notes: pd.DataFrame) -> pd.Series:
    """Return which notes are long enough to tell, boolean [shape=(n,)]."""
    short = notes["quality"].fillna("ok").astype(str).str.contains("too_short")
    long = (notes["duration_s"] >= TELLING_S) & ~short & notes["note_kind"].fillna("note").eq("note")
    return long.fillna(False).astype(bool)


def verdict_words(share: float) -> str:
    """Say in a line how much of a recording can be used."""
    if not np.isfinite(share):
        return "There is no note long enough to measure."
    if share >= MOST:
        return "Most of its notes can be used."
    return "Part of its notes can be used." if share >= PART else "Few of its notes can be used."


def doubts(recording: Mapping[str, Any], notes: pd.DataFrame) -> list[str]:
    """Return sentences on what to mind before using this recording's figures."""
    said = []
    share = trusted_share(notes)
    if np.isfinite(share):
        said.append(
            f"{100 * share:.0f} % of the notes long enough to tell can be used, with their errors; the "
            "others are listed below with the reason, and figures and models leave them out."
        )
    counted = Counter(word for cell in notes["quality"] for word in reasons_of(cell) if word not in HARMLESS)
    for word, count in counted.most_common(3):
        said.append(f"{plural(count, 'note')}: {QUALITY_REASONS.get(word, word)}.")
    used = notes[usable(notes)]
    low, high = (used[name].astype(float).median() for name in ("rate_low_hz", "rate_high_hz"))
    if np.isfinite(low) and np.isfinite(high) and high - low > 0.005:
        said.append(
            f"Its true speed is not known. Over the speeds plausible for this medium the median rate could "
            f"be anything from {low:.2f} to {high:.2f} Hz; the extent does not depend on the speed."
        )
    snr = used["snr_db"].astype(float).median()
    if np.isfinite(snr) and snr < 15:
        said.append(
            f"The line stands only {snr:.0f} dB above noise and other players: standard errors are larger."
        )
    if number_of(recording, "wow_hz") is not None:
        said.append("The disc or tape sways; the sway was taken out before vibrato was measured.")
    if (number_of(recording, "high_edge_hz") or np.inf) < 2500:
        said.append("Its upper harmonics are missing: timbre and intensity figures say little.")
    return said


def number_of(recording: Mapping[str, Any], name: str) -> float | None:
    """Return a figure of a recording; None where it is missing."""
    value = recording.get(name)
    return None if value is None or pd.isna(value) else float(value)


def reason_words(quality: Any) -> str:
    """Say the reasons of a ``quality`` cell in words."""
    return "; ".join(QUALITY_REASONS.get(word, word) for word in reasons_of(quality)) or "nothing against it"
