"""The same passage by several players, to hear and to see: one page that needs nothing else, and a figure.

Each player is heard by itself, one after the other, and, where the takes lie on a score, in alternation bar
by bar. All are as loud as each other (:func:`vibstudy.pages.examples.gain_for`); pieces that are joined are
faded by :data:`JOIN_S`, with :data:`GAP_S` between players. The figure
(:func:`vibstudy.figures.passage.passage_ribbons`) is saved beside it, and its notes as a table.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from io import BytesIO
from pathlib import Path

import numpy as np
import pandas as pd

from vibstudy.corpus.results import read_notes
from vibstudy.errors import VibstudyError
from vibstudy.figures.passage import Take, passage_ribbons, takes_by_hand, takes_of_bars
from vibstudy.figures.saving import save_figure
from vibstudy.pages.examples import gain_for, wav_uri
from vibstudy.pages.html import data_uri
from vibstudy.pages.sounding import page_of, write_sounding
from vibstudy.sound.writing import fades
from vibstudy.study import Study

GAP_S = 0.5
JOIN_S = 0.02
"""Short against a note, long enough that no click is heard."""
_PICTURE_DPI = 130
"""A slide's figure of 10 in fills a projector of 1,300 pixels."""


@dataclass(frozen=True)
class Passage:
    """What is compared.

    Parameters
    ----------
    piece, movement : str | None
        As in the manifest.
    bars : tuple of int | None
        First and last measure.
    takes : tuple of str
        Instead: "recording_id,from,to".
    """

    piece: str | None = None
    movement: str | None = None
    bars: tuple[int, int] | None = None
    takes: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """Piece and bars, for titles."""
        if self.bars is None:
            return ""
        parts = [self.piece or "", self.movement or "", f"bars {self.bars[0]} to {self.bars[1]}"]
        return ", ".join(part for part in parts if part)


def bars_from_text(text: str) -> tuple[int, int]:
    """Return first and last of "5-8", or of "5".

    Raises
    ------
    VibstudyError
        When it is neither.
    """
    parts = text.split("-")
    try:
        numbers = [int(part) for part in parts]
    except ValueError:
        numbers = []
    if len(numbers) not in (1, 2) or numbers[0] > numbers[-1] or numbers[0] < 0:
        raise VibstudyError("these are no bars", got=text, repair="Write them as 5-8, or as 5")
    return numbers[0], numbers[-1]


def find_takes(notes: pd.DataFrame, wanted: Passage) -> list[Take]:
    """Return the takes of a passage, by its bars or by hand."""
    if wanted.takes:
        return takes_by_hand(notes, wanted.takes)
    if wanted.piece is None or wanted.bars is None:
        raise VibstudyError(
            "which passage?",
            repair="Name a piece and bars, --piece NAME --bars 5-8, or takes: --take RECORDING,12.5,18",
        )
    return takes_of_bars(notes, wanted.piece, *wanted.bars, wanted.movement)


def sounds_of(study: Study, takes: Sequence[Take]) -> tuple[list[np.ndarray], float]:
    """Return the sound of each take, as loud as each other, at one sample rate."""
    import soxr

    cuts, rate_hz = [], None
    for take in takes:
        sound = study.audio(take.recording_id)
        first = max(0, round((take.from_s - sound.origin_s) * sound.rate_hz))
        cut = np.asarray(sound.samples[first : round((take.to_s - sound.origin_s) * sound.rate_hz)], float)
        rate_hz = rate_hz or sound.rate_hz
        if sound.rate_hz != rate_hz:
            cut = soxr.resample(cut, sound.rate_hz, rate_hz)
        cuts.append(cut * gain_for(cut, rate_hz))
    return cuts, float(rate_hz or 1.0)


def in_alternation(takes: Sequence[Take], cuts: Sequence[np.ndarray], rate_hz: float) -> np.ndarray | None:
    """Return the takes bar by bar, all players in each bar; None when they lie on no score."""
    if any(take.notes["place"].isna().any() for take in takes):
        return None
    parts = []
    for bar in sorted(set().union(*(take.notes["measure"].astype(int) for take in takes))):
        for take, cut in zip(takes, cuts, strict=True):
            own = take.notes[take.notes["measure"].astype(int) == bar]
            if len(own):
                begin, end = (
                    float(own["onset_s"].min()) - take.from_s,
                    float(own["offset_s"].max()) - take.from_s,
                )
                piece = cut[max(0, round(begin * rate_hz)) : round(end * rate_hz)]
                parts.append(piece * fades(len(piece), rate_hz, JOIN_S))
    return np.concatenate(parts)


def write_passage_page(
    study_folder: str | Path, wanted: Passage, out: str | Path | None = None
) -> tuple[Path, list[str]]:
    """Write the page and the figure ``passage`` in the study's figures.

    Parameters
    ----------
    study_folder : path
        Study folder, with its sound.
    wanted : Passage
    out : path | None
        HTML file; None is ``passage.html`` in the study.

    Returns
    -------
    path : Path
    players : list of str
        The rows, from above.
    """
    study, path = page_of(study_folder, out, "passage")
    takes = find_takes(read_notes(study.folder), wanted)
    lines = {take.recording_id: study.line(take.recording_id) for take in takes}
    takes = [_within(take, lines[take.recording_id]["time_s"]) for take in takes]
    cuts, rate_hz = sounds_of(study, takes)
    gap = np.zeros(round(GAP_S * rate_hz))
    turns = [part for cut in cuts for part in (cut * fades(len(cut), rate_hz, JOIN_S), gap)][:-1]
    sounds = {take.name: wav_uri(cut, rate_hz) for take, cut in zip(_named(takes), cuts, strict=True)}
    sounds["One after the other"] = wav_uri(np.concatenate(turns), rate_hz)
    bars = in_alternation(takes, cuts, rate_hz)
    if bars is not None:
        sounds["In alternation, bar by bar"] = wav_uri(bars, rate_hz)
    figure, table = passage_ribbons(lines, _named(takes), "column", wanted.words)
    save_figure(figure, table, study.figures, "passage")
    slide, _ = passage_ribbons(lines, _named(takes), "slide", wanted.words)
    stream = BytesIO()
    slide.savefig(stream, format="png", dpi=_PICTURE_DPI)
    picture = data_uri("image/png", stream.getvalue())
    shown = {"title": wanted.words or "The same passage", "sounds": sounds, "picture": picture}
    write_sounding(path, "passage", study, **shown, caption=slide.caption)
    return path, [take.name for take in takes]


def _within(take: Take, time_s: pd.Series) -> Take:
    """The take as far as there is sound."""
    return replace(take, from_s=max(take.from_s, time_s.min()), to_s=min(take.to_s, time_s.max()))


def _named(takes: Sequence[Take]) -> list[Take]:
    """The takes, with the recording added to names that would stand twice."""
    names = [take.name for take in takes]
    return [
        Take(t.recording_id, t.from_s, t.to_s, f"{t.name} ({t.recording_id}, {t.from_s:.1f} s)", t.notes)
        if names.count(t.name) > 1
        else t
        for t in takes
    ]
