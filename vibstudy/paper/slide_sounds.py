"""Sounds of the slides: the study's own examples, beside the figures that they let hear.

After the change over decades stand pairs, a note of the oldest players against one of the newest, on one
scale of pitch; after the phrase stands the phrase. Sounds and plots are those of the listening page
(:mod:`vibstudy.pages.examples`): one loudness, faded, no peak above what is safe.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from vibstudy.errors import VibstudyError
from vibstudy.figures.data import vibrato_notes
from vibstudy.pages.examples import Example, make_example, make_phrase, shared_reach
from vibstudy.study import Study

PAIRS = 2
"""Old against modern: more than two pairs tire a hall (common practice, no source)."""


@dataclass(frozen=True)
class SoundSlide:
    """One slide with sound: a sentence, and one or two examples side by side."""

    sentence: str
    examples: tuple[Example, ...]


def old_and_modern(notes: pd.DataFrame) -> list[pd.DataFrame]:
    """Return pairs of notes (two rows each, the older first), of different players and decades.

    Of each player the clean note whose extent is known best; the oldest against the newest, then the next of
    both.
    """
    if "decade" not in notes or notes["decade"].isna().all():
        return []
    best = _surest(notes)
    rows = best.drop_duplicates("player").sort_values(["decade", "player"], ignore_index=True)
    found = [rows.iloc[[k, len(rows) - 1 - k]] for k in range(min(PAIRS, len(rows) // 2))]
    return [pair for pair in found if pair["decade"].iloc[0] < pair["decade"].iloc[1]]


def _surest(notes: pd.DataFrame) -> pd.DataFrame:
    """The clean vibrato notes, those whose extent is known best first."""
    used = vibrato_notes(notes[notes["decade"].notna()])
    clean = used[used["quality"].eq("ok").fillna(False)]
    return (clean if len(clean) else used).sort_values("extent_se_cents", kind="stable")


def _clear(study: Study, notes: pd.DataFrame, chosen: pd.Series, reach: float) -> Example | None:
    """The example of a note, or of the next of the same player and decade whose line is clear."""
    own = notes[(notes["player"] == chosen["player"]) & (notes["decade"] == chosen["decade"])]
    made = (make_example(study, row, reach) for _, row in own.head(_MOST_TRIED).iterrows())
    return next((example for example in made if example is not None), None)


_MOST_TRIED = 4
"""Notes of a player that are tried: a second each, and the next are no better known."""


def sound_slides(
    study: Study, notes: pd.DataFrame, phrase: pd.DataFrame | None
) -> dict[str, list[SoundSlide]]:
    """Return the slides with sound by the figure that they follow; none where sound files are not there.

    Parameters
    ----------
    study : Study
    notes : DataFrame
        Note table.
    phrase : DataFrame | None
        Notes of the phrase that the figure ``along_a_phrase`` shows.
    """
    found: dict[str, list[SoundSlide]] = {}
    try:
        pairs = old_and_modern(notes)
        reach = shared_reach(pd.concat(pairs)) if pairs else 0.0
        surest = _surest(notes) if pairs else notes
        for pair in pairs:
            made = [_clear(study, surest, row, reach) for _, row in pair.iterrows()]
            examples = tuple(example for example in made if example is not None)
            if len(examples) == len(pair):
                old, new = (f"the {int(decade)}s" for decade in pair["decade"])
                sentence = f"A note of {old} against one of {new}, on one scale."
                found.setdefault("extent_over_decades", []).append(SoundSlide(sentence, examples))
        if phrase is not None:
            example = make_phrase(study, phrase, shared_reach(phrase))
            if example is not None:
                slide = SoundSlide("The phrase, as played and without its vibrato.", (example,))
                found["along_a_phrase"] = [slide]
    except (VibstudyError, OSError):  # a study may be written up where its sound is not
        return {}
    return found


def following(found: Mapping[str, Sequence[SoundSlide]], names: Sequence[str]) -> dict[str, list[SoundSlide]]:
    """Return the slides by a figure that is there: what has lost its figure follows the last one."""
    out: dict[str, list[SoundSlide]] = {}
    for name, slides in found.items():
        out.setdefault(name if name in names else names[-1], []).extend(slides)
    return out
