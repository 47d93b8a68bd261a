"""Which pitches an instrument plays: used where the manifest names one.

The range narrows (or widens) what the tracker looks for, so that a note is not put where the instrument has
none; a note beyond the range is kept and doubted (``octave_unsure``), never moved. Sounding pitches, MIDI
numbers, of good players. Common practice, no source (written from memory of orchestration handbooks).
"""

from __future__ import annotations

import re

RANGES_MIDI: dict[str, tuple[int, int]] = {
    "piccolo": (74, 108),
    "flute": (59, 101),
    "alto flute": (55, 91),
    "bass flute": (48, 84),
    "recorder": (53, 105),
    "oboe": (58, 93),
    "oboe d'amore": (56, 88),
    "cor anglais": (52, 84),
    "english horn": (52, 84),
    "clarinet": (49, 96),
    "e-flat clarinet": (55, 100),
    "basset horn": (41, 88),
    "bass clarinet": (34, 86),
    "contrabass clarinet": (22, 70),
    "bassoon": (34, 77),
    "contrabassoon": (21, 65),
    "saxophone": (36, 95),
    "soprano saxophone": (56, 95),
    "alto saxophone": (49, 92),
    "tenor saxophone": (44, 87),
    "baritone saxophone": (36, 81),
    "bass saxophone": (32, 72),
    "horn": (34, 78),
    "trumpet": (52, 91),
    "cornet": (52, 88),
    "flugelhorn": (52, 86),
    "trombone": (28, 80),
    "bass trombone": (26, 77),
    "euphonium": (28, 79),
    "tuba": (24, 72),
    "violin": (55, 108),
    "viola": (48, 96),
    "cello": (36, 91),
    "violoncello": (36, 91),
    "double bass": (24, 79),
    "voice": (36, 90),
    "soprano": (55, 90),
    "mezzo-soprano": (53, 86),
    "alto": (50, 82),
    "tenor": (45, 76),
    "baritone": (40, 72),
    "bass": (35, 69),
}
"""Lowest and highest sounding note by name. A name may hold more words: the longest that fits counts."""

VOICES = frozenset({"voice", "soprano", "mezzo-soprano", "alto", "tenor", "baritone", "bass"})
BRASS = frozenset(
    {"horn", "trumpet", "cornet", "flugelhorn", "trombone", "bass trombone", "euphonium", "tuba"}
)
STRINGS = frozenset({"violin", "viola", "cello", "violoncello", "double bass"})

_SHORT = {"sax": "saxophone", "singer": "voice", "eb": "e-flat", "bari": "baritone"}


def range_midi(instrument: object) -> tuple[int, int] | None:
    """Lowest and highest note of an instrument as the manifest names it; None when it is not known.

    Parameters
    ----------
    instrument : object
        Any words; missing values are not known.

    Returns
    -------
    (int, int) | None
        MIDI numbers of :data:`RANGES_MIDI`.
    """
    name = _named(instrument)
    return None if name is None else RANGES_MIDI[name]


def is_voice(instrument: object) -> bool:
    """Whether an instrument as the manifest names it is a singer; False where it is not known."""
    return _named(instrument) in VOICES


def is_brass(instrument: object) -> bool:
    """Whether an instrument as the manifest names it is blown with the lips; False where it is not known."""
    return _named(instrument) in BRASS


def is_wind(instrument: object) -> bool:
    """Whether it is a wind, but no saxophone, whose players may vibrate widely; False where not known."""
    name = _named(instrument)
    return name is not None and name not in VOICES | STRINGS and not name.endswith("saxophone")


def _named(instrument: object) -> str | None:
    if not isinstance(instrument, str):
        return None
    words = re.findall(r"[\w'-]+", instrument.lower().replace("_", " "))
    text = f" {' '.join(_SHORT.get(word, word) for word in words)} "
    named = [name for name in RANGES_MIDI if f" {name} " in text]
    return max(named, key=len, default=None)


def range_hz(instrument: object, margin_semitones: float = 0.0) -> tuple[float, float] | None:
    """The same in Hz (A4 = 440 Hz), widened by a margin on both sides; None when not known."""
    found = range_midi(instrument)
    if found is None:
        return None
    low, high = found[0] - margin_semitones, found[1] + margin_semitones
    return 440.0 * 2 ** ((low - 69) / 12), 440.0 * 2 ** ((high - 69) / 12)
