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

from vibstudy.corpus.entries import number_of
from vibstudy.figures.data import plural
from vibstudy.figures.quantities import LEFT_OUT, why_left_out
from vibstudy.schema import QUALITY_REASONS, reasons_of
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
    short = _remarked(notes, "too_short")
    long = (notes["duration_s"] >= TELLING_S) & ~short & notes["note_kind"].fillna("note").eq("note")
    return long.fillna(False).astype(bool)


def _remarked(notes: pd.DataFrame, reason: str) -> pd.Series:
    return notes["quality"].map(lambda quality: reason in reasons_of(quality)).astype(bool)


def verdict_words(share: float) -> str:
    """Say in a line how much of a recording can be used."""
    if not np.isfinite(share):
        return "There is no note long enough to measure."
    if share >= MOST:
        return "Most of its notes that are long enough to tell can be used."
    word = "Part" if share >= PART else "Few"
    return f"{word} of its notes that are long enough to tell can be used."


def doubts(recording: Mapping[str, Any], notes: pd.DataFrame) -> list[str]:
    """Return sentences on what to mind before using this recording's figures."""
    said = []
    share, alone = trusted_share(notes), plays_alone(recording)
    if np.isfinite(share):
        some = "; figures and models do without those left out. Each is counted here under one reason; the "
        some += "table below lists all its reasons"
        said.append(f"{used_words(notes)}{some if _left_out(notes) else ''}.")
    words = LEFT_OUT | (ALONE if alone else {})
    for reason, count in _left_out(notes).most_common(3):
        said.append(f"{plural(count, 'note')}: {words[reason]}.")
    listed, long = recording.get("notes_path"), notes[telling(notes)]
    unheard = _remarked(long, "noisy").sum()
    if listed is not None and pd.notna(listed) and unheard > 0.5 * len(long):
        said.append(
            "Most notes of its list are not heard at the pitch listed. A note list names the notes that "
            "sound, not those written for a transposing instrument."
        )
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
            f"The line stands only {snr:.0f} dB above noise{'' if alone else ' and other players'}: "
            "standard errors "
            "are larger."
        )
    if number_of(recording, "wow_hz") is not None:
        said.append("The disc or tape sways; the sway was taken out before vibrato was measured.")
    if (number_of(recording, "high_edge_hz") or np.inf) < 2500:
        said.append("Its upper harmonics are missing: timbre and intensity figures say little.")
    return said


ALONE: dict[str, str] = {
    "masked": "noise or the room covers it: no single vibrato fits",
    "noisy": "its harmonics are no stronger than the noise",
}
"""Words of reasons where nobody accompanies: it cannot have been another player."""


def plays_alone(recording: Mapping[str, Any]) -> bool:
    """Whether the manifest says that nobody accompanies."""
    value = recording.get("accompaniment")
    return value is not None and not pd.isna(value) and str(value) == "none"


def reason_words(quality: Any, alone: bool = False) -> str:
    """Say the reasons of a ``quality`` cell in words, true to whether the soloist plays `alone`."""
    words = QUALITY_REASONS | (ALONE if alone else {})
    return "; ".join(words.get(word, word) for word in reasons_of(quality)) or "nothing against it"


def used_words(notes: pd.DataFrame) -> str:
    """Say how many notes can be used, of how many, and why not the others: "15 of 65 usable (48 too
    short)"."""
    counted = _left_out(notes)
    short = [f"{counted[name]:,} {words}" for name, words in SHORT_WORDS.items() if counted[name]]
    text = f"{len(notes) - counted.total():,} of {len(notes):,} usable"
    return f"{text} ({', '.join(short)})" if short else text


def _left_out(notes: pd.DataFrame) -> Counter[str]:
    """Count notes left out by reason, each under one (:data:`vibstudy.figures.quantities.LEFT_OUT`)."""
    why = why_left_out(notes)
    return Counter(why[why != ""])


SHORT_WORDS: dict[str, str] = {
    "no_note": "no single note", "rejected": "rejected", "too_short": "too short", "masked": "covered",
    "octave_unsure": "octave unsure", "unsteady": "unsteady", "no_answer": "not told",
}  # fmt: skip
"""Reasons of :data:`vibstudy.figures.quantities.LEFT_OUT` in a word or two."""
