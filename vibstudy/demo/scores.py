"""The scores of the invented melodies, as MusicXML 4.0 files written with partitura.

Every melody is written once, in C with its tonic on C5, whatever the instrument and the key it sounds in:
the alignment finds the transposition by itself. Bars are of four quarters. The peak of a phrase stands
under *f*, all else under *mf*.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from vibstudy.corpus.atomic import replacing
from vibstudy.demo.melodies import Melody, Tone

_DIVISIONS = 4
_TONIC_OCTAVE = 5
_STEPS = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
_ALTER = {"": 0, "#": 1, "b": -1}


def score_name(melody: Melody) -> str:
    """File name of a melody's score, relative to the study folder."""
    return f"scores/{re.sub(r'[^a-z]+', '_', melody.title.lower())}.musicxml"


def _slurs(tones: list[Tone]) -> list[tuple[int, int]]:
    """First and last tone of every slur."""
    slurs: list[tuple[int, int]] = []
    for k, tone in enumerate(tones):
        if tone.slurred and slurs and slurs[-1][1] == k - 1:
            slurs[-1] = (slurs[-1][0], k)
        elif tone.slurred:
            slurs.append((k - 1, k))
    return slurs


def write_score(melody: Melody, path: Path) -> None:
    """Write the score of a melody, whole or not at all."""
    import partitura
    from partitura import score

    part = score.Part("P1", "Solo", quarter_duration=_DIVISIONS)
    part.add(score.TimeSignature(4, 4), 0)
    tones = melody.tones()
    written: list[Any] = []
    at, loud = 0, ""
    for tone in tones:
        length = round(tone.beats * _DIVISIONS)
        note = None
        if tone.semitones is not None:
            name = _STEPS[tone.semitones % 12]
            note = score.Note(
                step=name[0], octave=_TONIC_OCTAVE + tone.semitones // 12, alter=_ALTER[name[1:]], voice=1
            )
            part.add(note, at, at + length)
            if loud != (loud := "f" if tone.peak else "mf"):
                part.add(score.ConstantLoudnessDirection(loud), at)
        written.append(note)
        at += length
    for first, last in _slurs(tones):
        begin, end = written[first], written[last]
        part.add(score.Slur(begin, end), begin.start.t, end.end.t)
    score.add_measures(part)
    score.tie_notes(part)
    content = partitura.save_musicxml(part)
    with replacing(path) as stream:
        stream.write(content)
