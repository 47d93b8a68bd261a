"""One example to hear: its sound at a safe level in each version, and the picture of its line.

Level: all versions get the gain that brings the sound as played to :data:`LOUDNESS_LUFS` (ITU-R BS.1770
loudness), or less where peaks would pass :data:`SAFE_PEAK`. A sound too short to have such a loudness (below
0.4 s) is levelled by its RMS. Fades of :data:`FADE_S`. The picture is the partial ``example.html``, of the
sizes :data:`PLOT`; the listening page and the slides draw it alike.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.figures.data import plural
from vibstudy.figures.recording import note_name, note_words
from vibstudy.pages.html import data_uri
from vibstudy.playing.resynthesis import PAD_S, RealNote, cut_out, scale_vibrato, vibrato_cents
from vibstudy.sound.writing import SAFE_LEVEL_DB, SAFE_PEAK, fades, wav_bytes
from vibstudy.study import Study
from vibstudy.units import to_midi

LOUDNESS_LUFS = -23.0
FADE_S = 0.03
_SHORTEST_FOR_LOUDNESS_S = 0.4

WIDTH, HEIGHT = 720, 220
LEFT, RIGHT, TOP, BOTTOM = 56, 12, 20, 34
"""The plot, in its own units, and the room around it."""
PLOT = {"width": WIDTH, "height": HEIGHT, "left": LEFT, "right": RIGHT, "top": TOP, "bottom": BOTTOM}
LEAST_REACH_CENTS = 25.0
"""A quiet vibrato of ± 10 cents still fills two fifths of a plot of this reach."""
_NAME_WIDTH = 34
"""A note's name with its accidental, in units of the plot."""


@dataclass(frozen=True, eq=False)
class Example:
    """One example of the page.

    Parameters
    ----------
    title, words : str
        Heading, and what was measured.
    sounds : dict of str to str
        Words to data URI.
    plot : dict
        What the page draws: ``played, without`` (lists of polylines), ``ticks_x, ticks_y, names`` and
        ``duration_s``.
    """

    title: str
    words: str
    sounds: dict[str, str]
    plot: dict[str, Any]


def gain_for(samples: np.ndarray, rate_hz: float) -> float:
    """Return the gain that brings a sound to :data:`LOUDNESS_LUFS`."""
    import pyloudnorm

    peak = float(np.abs(samples).max(initial=0.0))
    if peak == 0.0:
        return 1.0
    if len(samples) > _SHORTEST_FOR_LOUDNESS_S * rate_hz:
        meter = pyloudnorm.Meter(rate_hz, block_size=_SHORTEST_FOR_LOUDNESS_S)
        gain = 10.0 ** ((LOUDNESS_LUFS - meter.integrated_loudness(np.asarray(samples, float))) / 20.0)
    else:
        gain = 10.0 ** (SAFE_LEVEL_DB / 20.0) / float(np.sqrt(np.mean(np.square(samples))))
    return min(gain, SAFE_PEAK / peak)


def wav_uri(samples: np.ndarray, rate_hz: float) -> str:
    """Return a sound, faded in and out, as a data URI (16-bit WAV)."""
    faded = samples * fades(len(samples), rate_hz, FADE_S)
    packed = wav_bytes(np.clip(faded, -SAFE_PEAK, SAFE_PEAK), rate_hz)
    return data_uri("audio/wav", packed)


def shared_reach(notes: pd.DataFrame) -> float:
    """Return how far the plots of a page reach from a note's mean, in cents: one scale for all examples.

    Old against new can be compared at a glance only on one scale; and about its own mean a narrow vibrato
    shows, too. Single cycles reach beyond the mean one, and ride on the note's drift.
    """
    widest = notes["extent_cents"].astype(float).max() if len(notes) else np.nan
    return max(LEAST_REACH_CENTS, 1.7 * float(widest)) if np.isfinite(widest) else LEAST_REACH_CENTS


def _ticks_y(axes: _Axes) -> list[tuple[float, str]]:
    step = next(size for size in (10, 20, 50, 100, 200, 500) if axes.high / size <= 3 or size == 500)
    top = step * np.floor(axes.high / step)
    return [(axes.y(c), f"{c:+.0f}" if c else "0") for c in np.arange(-top, top + 1, step)]


def _plot(axes: _Axes, played: list[str], without: list[str], names: Sequence[Any] = ()) -> dict[str, Any]:
    """What the template draws: lines as played and without vibrato, ticks and names of notes."""
    return {
        "played": played, "without": without, "ticks_x": axes.ticks_x(), "ticks_y": _ticks_y(axes),
        "names": list(names), "duration_s": axes.duration_s,
    }  # fmt: skip


def plot_of(note: RealNote, reach_cents: float) -> dict[str, Any]:
    """Return polylines of the line as played and without its vibrato, and the ticks."""
    played = note.line.cents
    axes = _Axes(len(note.samples) / note.rate_hz, -reach_cents, reach_cents)
    without = axes.points(note.line.time_s, played - vibrato_cents(note))
    return _plot(axes, [axes.points(note.line.time_s, played)], [without])


@dataclass(frozen=True)
class _Axes:
    """Time and pitch to the units of the plot."""

    duration_s: float
    low: float
    high: float

    def x(self, time_s: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * time_s / self.duration_s

    def y(self, pitch: float) -> float:
        share = (min(max(pitch, self.low), self.high) - self.low) / (self.high - self.low)
        return TOP + (HEIGHT - TOP - BOTTOM) * (1.0 - share)

    def points(self, time_s: np.ndarray, pitch: np.ndarray) -> str:
        return " ".join(f"{self.x(t):.1f},{self.y(p):.1f}" for t, p in zip(time_s, pitch, strict=True))

    def ticks_x(self) -> list[tuple[float, str]]:
        step_s = next(s for s, most in ((0.2, 1.2), (0.5, 5.0), (1.0, np.inf)) if self.duration_s <= most)
        return [(self.x(t), f"{t:g}") for t in np.round(np.arange(0.0, self.duration_s, step_s), 3)]


Version = Callable[[RealNote], np.ndarray]
"""Makes another sound of a note, of the same length."""


STRAIGHT: dict[str, Version] = {"Without its vibrato": lambda note: scale_vibrato(note, 0.0)}


def make_example(
    study: Study, note: pd.Series, reach_cents: float, versions: Mapping[str, Version] = STRAIGHT
) -> Example | None:
    """Return the example of a note of the study.

    None when its vibrato cannot be taken away, or when what its line does besides is larger than its vibrato:
    noise or a room would be bent into the sound, and its picture would show nothing.
    """
    sound = study.audio(str(note["recording_id"]))
    onset_s, offset_s = (float(note[name]) - sound.origin_s for name in ("onset_s", "offset_s"))
    cut = cut_out(sound.samples, sound.rate_hz, onset_s, offset_s)
    if cut is None:
        return None
    vibrato = vibrato_cents(cut)
    if np.std(cut.line.cents - vibrato) > np.std(vibrato):
        return None
    gain = gain_for(cut.samples, cut.rate_hz)
    who = who_plays(note)
    pitch = f", {note_name(note['midi'])}" if pd.notna(note["midi"]) else ""
    return Example(
        f"{who}{pitch}" if who else str(note["note_id"]),
        f"{note['note_id']}. {note_words(note)}",
        {
            "As played": wav_uri(gain * cut.samples, cut.rate_hz),
            **{words: wav_uri(gain * make(cut), cut.rate_hz) for words, make in versions.items()},
        },
        plot_of(cut, reach_cents),
    )


def make_phrase(
    study: Study, phrase: pd.DataFrame, reach_cents: float, versions: Mapping[str, Version] = STRAIGHT
) -> Example | None:
    """Return the example of a phrase (:func:`~vibstudy.figures.recording.telling_phrase`).

    Note after note is replaced by its version, where its vibrato can be taken away; None when it can of
    none.
    """
    sound = study.audio(str(phrase["recording_id"].iloc[0]))
    rate_hz = sound.rate_hz
    begin_s, end_s = float(phrase["onset_s"].min()) - PAD_S, float(phrase["offset_s"].max()) + PAD_S
    first = max(0, round((begin_s - sound.origin_s) * rate_hz))
    origin_s = sound.origin_s + first / rate_hz
    played = np.asarray(sound.samples[first : round((end_s - sound.origin_s) * rate_hz)], float)
    made = {words: played.copy() for words in versions}
    notes = []
    for row in phrase[phrase["has_vibrato"].eq(True).fillna(False)].to_dict("records"):
        begin, end = row["onset_s"] - origin_s, row["offset_s"] - origin_s
        note = cut_out(played, rate_hz, begin, end)
        if note is None:
            continue
        notes.append(note)
        where = slice(note.first, note.first + len(note.samples))
        for words, make in versions.items():
            # outside the note the warp leaves the sound alone; its neighbours may be changed already
            made[words][where] = make(replace(note, samples=made[words][where]))
    if not notes:
        return None
    gain = gain_for(played, rate_hz)
    tags = phrase.iloc[0]
    return Example(
        f"{who_plays(tags)}: a phrase" if who_plays(tags) else "A phrase",
        f"{tags['recording_id']}, {begin_s + PAD_S:.1f} to {end_s - PAD_S:.1f} s. Of its "
        f"{plural(len(phrase), 'note')} {len(notes)} change their vibrato in the other "
        f"{'version' if len(made) == 1 else 'versions'}.",
        {
            "As played": wav_uri(gain * played, rate_hz),
            **{words: wav_uri(gain * sound, rate_hz) for words, sound in made.items()},
        },
        _plot_of_phrase(study, phrase, notes, origin_s, len(played) / rate_hz, reach_cents),
    )


def _plot_of_phrase(
    study: Study,
    phrase: pd.DataFrame,
    notes: Sequence[RealNote],
    origin_s: float,
    duration_s: float,
    reach_cents: float,
) -> dict[str, Any]:
    """Return a line a note about its own mean as played, and of `notes` without their vibrato."""
    line = study.line(str(phrase["recording_id"].iloc[0]))
    axes = _Axes(duration_s, -reach_cents, reach_cents)
    played, names, last = [], [], -np.inf
    for row in phrase.to_dict("records"):
        own = line[line["time_s"].between(row["onset_s"], row["offset_s"]) & line["f0_hz"].notna()]
        cents = 100.0 * to_midi(own["f0_hz"].to_numpy(float))
        played.append(axes.points(own["time_s"].to_numpy() - origin_s, cents - cents.mean()))
        x = axes.x(row["onset_s"] - origin_s)
        if pd.notna(row["midi"]) and x - last >= _NAME_WIDTH:
            names.append((x, note_name(row["midi"])))
            last = x
    without = []
    for note in notes:
        time_s = note.line.time_s + note.first / note.rate_hz
        cents = note.line.cents - vibrato_cents(note)
        without.append(axes.points(time_s, cents - note.line.cents.mean()))
    return _plot(axes, played, without, names)


def who_plays(tags: pd.Series) -> str:
    """Return player, decade and region of a note, as far as they are known."""
    return ", ".join(str(tags[name]) for name in ("player", "decade", "region") if pd.notna(tags.get(name)))
