"""Some notes of a recording as played and with their vibrato taken out, for its page.

The longest usable note with vibrato of each of :data:`MOST` stretches of the recording. Any other note can be
looked at in notebook 2.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.corpus.entries import number_of
from vibstudy.errors import VibstudyError
from vibstudy.figures.recording import note_name
from vibstudy.figures.straight import SHORTEST_S, StraightenedPicture, picture_of
from vibstudy.pages.html import data_uri
from vibstudy.sound.reading import read_audio
from vibstudy.stats.selection import is_vibrato

MOST = 4
PIXELS = (420, 300)
"""Size of a picture: it is shown no larger, and weighs about 40 kB."""
_GREYS = 16
_MARGIN_S = 0.05


@dataclass(frozen=True)
class NotePictures:
    """A note's two pictures as data URIs, and what is said of them."""

    title: str
    played: str
    straight: str
    harmonics: int
    duration_s: float
    words: str


def chosen_notes(notes: pd.DataFrame, most: int = MOST) -> pd.DataFrame:
    """Return the longest usable vibrato note of each of `most` stretches, in the order of time."""
    good = notes[is_vibrato(notes) & (notes["duration_s"] > 2 * SHORTEST_S).to_numpy(bool)]
    if good.empty:
        return good
    stretch = pd.cut(good["onset_s"].astype(float), most, labels=False) if len(good) > 1 else 0
    longest = good.groupby(stretch)["duration_s"].idxmax() if len(good) > 1 else good.index
    return good.loc[longest].sort_values("onset_s")


def note_pictures(row: Mapping[str, Any], line: pd.DataFrame, notes: pd.DataFrame) -> list[NotePictures]:
    """Make the pictures of a recording's page.

    Parameters
    ----------
    row : mapping
        The recording's row: ``audio_path, speed_factor``.
    line : DataFrame
        Its measured line.
    notes : DataFrame
        Its notes in the order of time.

    Returns
    -------
    list of NotePictures
        Fewer where the sound cannot be read.
    """
    speed = number_of(row, "speed_factor") or 1.0
    made = []
    for note in chosen_notes(notes).to_dict("records"):
        begin = max(0.0, note["onset_s"] - _MARGIN_S) / speed
        try:
            audio = read_audio(row["audio_path"], begin, (note["offset_s"] + _MARGIN_S) / speed, speed)
            picture = picture_of(audio.samples, audio.rate_hz, line, pd.Series(note), audio.origin_s)
        except VibstudyError:
            continue
        minutes, seconds = divmod(float(note["onset_s"]), 60)
        made.append(
            NotePictures(
                f"{note_name(note['midi'])} at {minutes:.0f}:{seconds:04.1f}, {note['rate_hz']:.1f} Hz, "
                f"± {note['extent_cents']:.0f} cents",
                _uri(picture, straight=False),
                _uri(picture, straight=True),
                picture.harmonics,
                float(note["duration_s"]),
                picture.words(),
            )
        )
    return made


def _uri(picture: StraightenedPicture, *, straight: bool) -> str:
    from PIL import Image

    image = Image.fromarray(np.ascontiguousarray(picture.grey(straight)[::-1]))
    packed = io.BytesIO()
    image.resize(PIXELS, Image.Resampling.BOX).quantize(_GREYS).save(packed, "PNG", optimize=True)
    return data_uri("image/png", packed.getvalue())
