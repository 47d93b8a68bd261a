"""A written part as a list of notes: MusicXML or MIDI, repeats unfolded on demand.

Conventions
-----------
A *beat* is the felt beat: the lower figure of the time signature, or the dotted value in compound
time (6/8, 9/8, 12/8: a multiple of three eighths or shorter, more than three). Positions and lengths
count in it, so that tempo is in felt beats a minute. `beat` counts from 1 at the bar line.

*Beat strength* halves with each level of the metrical grid: 1 the first beat of the bar, 1/2 a beat
that halves the bar (or any other beat in triple time), 1/4 the other beats, 1/8 half a beat and so
on to 1/64, and 0 elsewhere (the metrical grid of F. Lerdahl and R. Jackendoff, A Generative Theory of
Tonal Music, 1983; from memory).

What is not safe or not quick to read is refused first: :mod:`vibstudy.notes.scorefile`.

References
----------
MusicXML 4.0, W3C Music Notation Community Group, https://www.w3.org/2021/06/musicxml40/ . Standard
MIDI Files 1.0. Read with partitura (C. Cancino-Chacón et al., Music Encoding Conference 2022).
"""

from __future__ import annotations

import bisect
import io
import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from vibstudy.errors import VibstudyError
from vibstudy.notes.scorefile import (
    LONGEST_METRE,
    MOST,
    TOP_MIDI,
    XML_NAMES,
    checked_midi,
    checked_score,
    refused,
    unreadable,
)

_MOST_ORDERS = 8  # orders of repeats that are tried against the sound
_MOST_REPEATS = 5  # of more repeats no other orders are tried


@dataclass(frozen=True)
class WrittenNote:
    """One note of the part.

    Parameters
    ----------
    written_midi : int
        As notated, before transposition.
    position : float
        Beats from the beginning of the part, repeats counted.
    beats : float
        Notated length, ties added; 0 for a grace note.
    measure : int
        Measure number as printed.
    beat : float
        Beat in the measure, from 1.
    strength : float
        Beat strength, 1 to 0.
    slur : str
        "first", "inside", "last" or "none".
    dynamic : str
        Written dynamic in force ("mf"); "" when none is.
    hairpin : str
        "crescendo", "diminuendo" or "".
    grace : bool
        Whether it is a grace note.
    trill : bool
        Whether it bears a trill's sign.
    """

    written_midi: int
    position: float
    beats: float
    measure: int
    beat: float
    strength: float
    slur: str
    dynamic: str
    hairpin: str
    grace: bool
    trill: bool = False


@dataclass(frozen=True)
class WrittenPart:
    """One part, with the orders in which it may be played.

    Parameters
    ----------
    name : str
        Name of the part.
    transposition : int
        Semitones from written to sounding pitch, as the score says; 0 when it says nothing.
    orders : dict of str to list of WrittenNote
        The notes in playing order: "as written, all repeats", "without repeats" and others.
    """

    name: str
    transposition: int
    orders: dict[str, list[WrittenNote]]


def read_score(path: str | Path) -> list[WrittenPart]:
    """Read the parts of a score that hold notes.

    Parameters
    ----------
    path : path
        MusicXML (``.musicxml``, ``.xml``) or MIDI (``.mid``, ``.midi``).

    Raises
    ------
    VibstudyError
        When the file cannot be read or is not safe to read.
    """
    path = Path(path)
    content = checked_score(path)
    parts = _load(path, content, path.suffix.lower() in XML_NAMES)
    parts = [part for part in parts if next(iter(part.orders.values()))]
    for part in parts:
        _check_range(path, part)
    if not parts:
        raise refused(path, "no notes in this score", "Export a part that holds the soloist's notes.")
    return parts


def _check_range(path: Path, part: WrittenPart) -> None:
    """Refuse pitches that no note has, and time that runs backwards or for days."""
    longest = MOST["measures"] * LONGEST_METRE
    for note in (note for notes in part.orders.values() for note in notes):
        if not (0 <= note.written_midi <= TOP_MIDI and abs(part.transposition) <= TOP_MIDI):
            message = f"a note of pitch {str(note.written_midi + part.transposition)[:20]}, where C4 is 60"
        elif not (note.beats >= 0 and note.position >= 0 and note.position + note.beats <= longest):
            message = f"a note from beat {note.position:g}, {note.beats:g} beats long"
        else:
            continue
        what = f"Pitches are from 0 to {TOP_MIDI}, and a part lasts {longest:,} beats at most."
        raise refused(path, f"measure {note.measure}: {message}", what)


def _load(path: Path, content: bytes, is_xml: bool) -> list[WrittenPart]:
    import partitura

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            if is_xml:
                score = partitura.load_musicxml(io.BytesIO(content))
            else:
                score = partitura.load_score_midi(checked_midi(path, content))
            return [_read_part(part, f"part {number}") for number, part in enumerate(score.parts, start=1)]
        except VibstudyError:
            raise
        except Exception as error:  # the library raises whatever its parser stumbles on
            raise unreadable(path, "MusicXML" if is_xml else "MIDI", error) from None


def _read_part(part: Any, fallback: str) -> WrittenPart:
    from partitura import score as kinds

    reader = _Reader(part)
    notes = reader.notes()
    transpositions = [t.chromatic or 0 for t in part.iter_all(kinds.Transposition)]
    return WrittenPart(
        str(part.part_name or fallback),
        int(transpositions[0]) if transpositions else 0,
        {name: _in_order(notes, spans, reader.position) for name, spans in _orders(part).items()},
    )


def _orders(part: Any) -> dict[str, list[tuple[int, int]]]:
    """Ways through the part as spans of its own time: with all repeats, without, and some others."""
    from partitura import score as kinds

    whole = [(part.first_point.t, part.last_point.t)] if part.first_point else [(0, 0)]
    if not any(True for kind in (kinds.Repeat, kinds.DaCapo, kinds.DalSegno) for _ in part.iter_all(kind)):
        return {"as written": whole}
    orders: dict[str, list[tuple[int, int]]] = {}
    for name, choice in (
        ("all repeats", {"all_repeats": True}),
        ("no repeats", {"no_repeats": True}),
    ):
        paths = kinds.get_paths(part, **choice)
        if paths:
            orders[name] = _path_spans(paths[0])
    repeats = sum(1 for _ in part.iter_all(kinds.Repeat))
    # ways double with every repeat, and the library makes them all
    for path in kinds.get_paths(part)[:_MOST_ORDERS] if repeats <= _MOST_REPEATS else []:
        spans = _path_spans(path)
        if spans not in orders.values():
            orders[f"repeats played as {path}"] = spans
    return orders or {"as written": whole}


def _path_spans(path: Any) -> list[tuple[int, int]]:
    return [(path.segments[key].start.t, path.segments[key].end.t) for key in path.path]


def _in_order(
    notes: list[tuple[int, WrittenNote]], spans: list[tuple[int, int]], position: Callable[[int], float]
) -> list[WrittenNote]:
    """The notes in playing order; `notes` holds time and note, `position` gives beats of a time."""
    played: list[WrittenNote] = []
    begin = 0.0
    for first, last in spans:
        shift = begin - position(first)
        played += [
            replace(note, position=note.position + shift) for time, note in notes if first <= time < last
        ]
        begin += position(last) - position(first)
    return played


class _Reader:
    """Reads the notes of one part; partitura's time is in divisions."""

    def __init__(self, part: Any):
        from partitura import score as kinds

        self.part = part
        self.measures = [
            (m.start.t, m.end.t, _printed_number(m)) for m in part.iter_all(kinds.Measure) if m.end
        ]
        # the library makes these maps anew each time they are asked for
        self._quarter_map, self._signature_map = part.quarter_map, part.time_signature_map
        self._known_quarters: dict[int, float] = {}
        slurs = [(s.start.t, s.end.t) for s in part.iter_all(kinds.Slur) if s.start and s.end]
        self.slurs = np.array(slurs or np.zeros((0, 2)), float)
        louds = list(part.iter_all(kinds.LoudnessDirection, include_subclasses=True))
        self.dynamics = sorted(
            (d.start.t, str(d.text)) for d in louds if isinstance(d, kinds.ConstantLoudnessDirection)
        )
        self.hairpins = [
            (
                d.start.t,
                d.end.t if d.end else d.start.t,
                "crescendo" if isinstance(d, kinds.IncreasingLoudnessDirection) else "diminuendo",
            )
            for d in louds
            if isinstance(d, kinds.DynamicLoudnessDirection)
        ]
        self.hairpin_spans = np.array([h[:2] for h in self.hairpins] or np.zeros((0, 2)), float)
        self.dynamic_starts = [start for start, _ in self.dynamics]
        self.starts = np.array([m[0] for m in self.measures] or [0])
        self.beat_quarters = [self._beat_quarters(m[0]) for m in self.measures] or [1.0]
        self.bar_beats = [self._bar_beats(m[0]) for m in self.measures]
        lengths = [
            self._quarters(m[0], m[1]) / b for m, b in zip(self.measures, self.beat_quarters, strict=False)
        ]
        self.begins = np.cumsum([0.0, *lengths])

    def position(self, time: int) -> float:
        """Beats from the beginning of the part."""
        i = self._measure(time)
        start = self.measures[i][0] if self.measures else 0
        return float(self.begins[i] + self._quarters(start, time) / self.beat_quarters[i])

    def _measure(self, time: int) -> int:
        return int(np.clip(np.searchsorted(self.starts, time, side="right") - 1, 0, len(self.starts) - 1))

    def notes(self) -> list[tuple[int, WrittenNote]]:
        """Time in divisions, and the note; the top note of a chord."""
        top: dict[tuple[int, bool], Any] = {}
        order = []
        graces: dict[int, int] = {}
        for note in self.part.notes_tied:
            grace = note.duration_tied == 0
            if grace:
                graces[note.start.t] = graces.get(note.start.t, 0) + 1
                order.append((note.start.t, -1.0 / graces[note.start.t], note, True))
                continue
            key = (note.start.t, grace)
            if key not in top or note.midi_pitch > top[key].midi_pitch:
                top[key] = note
        order += [(time, 0.0, note, False) for (time, _), note in top.items()]
        return [
            self._describe(time, note, grace) for time, _, note, grace in sorted(order, key=lambda o: o[:2])
        ]

    def _describe(self, time: int, note: Any, grace: bool) -> tuple[int, WrittenNote]:
        i = self._measure(time)
        start, end, number = self.measures[i] if self.measures else (0, time, 0)
        unit = self.beat_quarters[i]
        inside = self._quarters(start, time) / unit
        bar = self.bar_beats[i] if self.measures else self._bar_beats(start)
        if i == 0 and self.measures:  # an upbeat counts back from its bar line
            missing = bar - self._quarters(start, end) / unit
            inside_bar = inside + max(missing, 0.0)
        else:
            inside_bar = inside
        written = WrittenNote(
            int(note.midi_pitch),
            self.position(time),
            0.0 if grace else self._quarters(time, time + note.duration_tied) / unit,
            number,
            round(inside_bar + 1, 6),
            _strength(inside_bar, bar),
            self._slur(time, note.duration_tied),
            self._dynamic(time),
            self._hairpin(time),
            grace,
            "trill-mark" in (getattr(note, "ornaments", None) or ()),  # grace notes have none
        )
        return time, written

    def _quarters(self, first: int, last: int) -> float:
        return self._quarter(last) - self._quarter(first)

    def _quarter(self, time: int) -> float:
        if time not in self._known_quarters:
            self._known_quarters[time] = float(self._quarter_map(time))
        return self._known_quarters[time]

    def _signature(self, time: int) -> tuple[int, int]:
        beats, unit = self._signature_map(time)[:2]
        return int(beats), int(unit)

    def _beat_quarters(self, time: int) -> float:
        beats, unit = self._signature(time)
        compound = unit >= 8 and beats % 3 == 0 and beats > 3  # 6/8, 9/8, 12/8, also in sixteenths
        return (12.0 if compound else 4.0) / unit  # a dotted beat in compound metres

    def _bar_beats(self, time: int) -> float:
        beats, unit = self._signature(time)
        return beats * 4.0 / unit / self._beat_quarters(time)  # quarters of a whole note

    def _slur(self, time: int, length: int) -> str:
        first, last = self.slurs.T
        found = np.flatnonzero((first == time) | ((first < time) & (time < last)))
        if not len(found):
            return "none"
        if first[found[0]] == time:
            return "first"
        return "last" if time + length >= last[found[0]] else "inside"

    def _hairpin(self, time: int) -> str:
        first, last = self.hairpin_spans.T
        found = np.flatnonzero((first <= time) & (time < last))
        return self.hairpins[found[0]][2] if len(found) else ""

    def _dynamic(self, time: int) -> str:
        at = bisect.bisect_right(self.dynamic_starts, time)
        return self.dynamics[at - 1][1] if at else ""


def _printed_number(measure: Any) -> int:
    """The library counts measures from 1 and keeps the printed number as a name: a pick-up may be 0."""
    name = str(measure.name or "")
    return int(name) if name.isdecimal() else int(measure.number or 0)


def _strength(position: float, bar_beats: float) -> float:
    """Beat strength of a position in beats from the bar line."""

    def on(grid: float) -> bool:
        return abs(position / grid - round(position / grid)) < 1e-3

    if on(bar_beats):
        return 1.0
    if bar_beats % 2 == 0 and bar_beats > 2 and on(bar_beats / 2):
        return 0.5
    # beats of a bar by halves: 4/4 has a weaker middle
    weight = 0.25 if bar_beats % 2 == 0 and bar_beats > 2 else 0.5
    grid = 1.0
    while weight > 0.01:  # to 1/64: the 16th of a beat (a 64th note in 4/4), the 32nd in bars of three
        if on(grid) or (grid < 1 and on(grid * 2 / 3)):  # also triplets of it
            return weight
        grid, weight = grid / 2, weight / 2
    return 0.0
