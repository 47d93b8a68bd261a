"""The melodies of the demonstration, made for it, and a plain accompaniment.

Notation
--------
``semitones:beats`` above the tonic, ``r:beats`` a rest, ``~`` slurred from the note before, ``!`` the
peak of the phrase, ``|`` a phrase mark for the reader's eye.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vibstudy.demo.synthesis import SAMPLE_RATE_HZ
from vibstudy.playing.piano import struck_string


@dataclass(frozen=True)
class Tone:
    """A written note: semitones above the tonic (None = rest), beats, whether slurred, whether a peak."""

    semitones: int | None
    beats: float
    slurred: bool
    peak: bool


@dataclass(frozen=True)
class Melody:
    """A melody: title, beats a minute, mode ("major", "minor"), notation as in the module."""

    title: str
    tempo_bpm: int
    mode: str
    notation: str

    def tones(self) -> list[Tone]:
        """Return the written notes and rests, in order."""
        tones = []
        for token in self.notation.replace("|", " ").split():
            pitch, beats = token.rstrip("!").lstrip("~").split(":")
            semitones = None if pitch == "r" else int(pitch)
            tones.append(Tone(semitones, float(beats), token.startswith("~"), token.endswith("!")))
        return tones

    @property
    def note_count(self) -> int:
        """How many notes are written."""
        return sum(tone.semitones is not None for tone in self.tones())


MELODIES: tuple[Melody, ...] = (
    Melody(
        "The Ferry at Dusk",
        66,
        "major",
        "7:1 ~9:.5 ~7:.5 12:2! ~11:.5 ~9:.5 7:1.5 r:.5 | 5:.5 ~7:.5 9:1 7:.5 ~5:.5 4:1 2:.5 ~0:2",
    ),
    Melody(
        "Salt Road",
        82,
        "minor",
        "0:.5 ~2:.5 3:1 3:.5 3:.5 ~5:.5 ~7:.5 8:1.5! ~7:.5 r:.5 | 7:.5 ~5:.5 3:.5 ~2:.5 3:1 0:1 r:.5 |"
        " -2:.5 ~0:.5 2:.5 ~3:.5 5:1 7:.5 ~5:.5 3:.5 ~2:.5 0:2",
    ),
    Melody(
        "Lantern Air",
        60,
        "major",
        "4:2 ~5:.5 ~7:.5 9:2.5! ~7:.5 r:.5 | 5:.5 ~4:1 2:.5 4:1 ~2:.5 0:2",
    ),
    Melody(
        "Three Windows",
        88,
        "major",
        "0:.5 0:.5 4:.5 ~7:.5 9:1 7:1 | 5:.5 5:.5 9:.5 ~12:.5 14:1.5! ~12:.5 r:.5 |"
        " 11:.5 ~12:.5 ~9:.5 ~7:.5 9:1 5:1 4:.5 ~5:.5 7:.5 4:.5 2:1 2:.5 ~0:.5 0:2",
    ),
    Melody(
        "Cradle of Reeds",
        72,
        "major",
        "7:1 4:.5 5:1 ~2:.5 4:1.5 r:.5 | 7:1 ~9:.5 11:1 ~7:.5 12:2! r:.5 | 9:.5 ~7:.5 ~5:.5 4:1 2:.5 0:2",
    ),
    Melody(
        "Quarry Dance",
        108,
        "major",
        "0:.5 2:.25 ~4:.25 5:.5 7:.5 7:.5 ~9:.5 7:1 | 5:.5 ~4:.5 2:.5 4:.5 0:1 r:.5 |"
        " 9:.5 9:.25 ~11:.25 12:1.5! ~9:.5 11:.5 ~7:.5 9:1 r:.5 |"
        " 5:.5 ~7:.25 ~5:.25 4:.5 2:.5 -1:.5 ~2:.5 0:1.5 r:.5 | 0:.5 ~4:.5 7:1 0:2",
    ),
    Melody(
        "Slow March for an Empty Square",
        76,
        "minor",
        "0:1 0:.75 ~2:.25 3:1 2:1 | 5:1 5:.75 ~7:.25 8:1.5! ~7:.5 r:.5 | 3:1 2:.75 ~3:.25 0:.5 ~-1:.5 0:2",
    ),
    Melody(
        "Letter Without Address",
        56,
        "major",
        "12:2 ~11:.5 ~9:.5 7:2 r:.5 | 9:.5 ~7:.5 4:1.5! 5:.5 2:.5 ~0:2",
    ),
)
"""All melodies, in the order in which recordings take them."""

_TRIADS = {
    "major": ((0, 4, 7), (5, 9, 0), (7, 11, 2), (9, 0, 4), (2, 5, 9)),
    "minor": ((0, 3, 7), (5, 8, 0), (7, 11, 2), (8, 0, 3), (3, 7, 10)),
}
_BEATS_A_CHORD = 2.0


def harmonise(melody: Melody) -> list[tuple[float, tuple[int, ...]]]:
    """Return (beat, triad) pairs: every two beats the triad that holds most of the melody.

    Triads are pitch classes above the tonic, root first. The last is the tonic's.
    """
    tones = melody.tones()
    ends = np.cumsum([tone.beats for tone in tones])
    chords: list[tuple[float, tuple[int, ...]]] = []
    for beat in np.arange(0, ends[-1], _BEATS_A_CHORD):

        def held(triad: tuple[int, ...], beat: float = beat) -> float:
            return sum(
                max(0.0, min(end, beat + _BEATS_A_CHORD) - max(end - tone.beats, beat))
                for tone, end in zip(tones, ends, strict=True)
                if tone.semitones is not None and tone.semitones % 12 in triad
            )

        chords.append((float(beat), max(_TRIADS[melody.mode], key=held)))
    chords[-1] = (chords[-1][0], _TRIADS[melody.mode][0])
    return chords


def accompany(
    melody: Melody,
    tonic: int,
    seconds_at_beat: tuple[np.ndarray, np.ndarray],
    count: int,
    tuning_hz: float,
    rng: np.random.Generator,
) -> np.ndarray:
    """Render piano-like chords under the melody, an octave or two below it.

    Parameters
    ----------
    melody : Melody
        What is accompanied.
    tonic : int
        MIDI number of the melody's tonic.
    seconds_at_beat : (ndarray, ndarray)
        Beats and the times at which they were played, both increasing.
    count : int
        Samples to render.
    tuning_hz : float
        Frequency of A4.
    rng : numpy Generator
        For touch and timing.

    Returns
    -------
    ndarray [shape=(count,)]
        Not normalised.
    """
    strikes: dict[int, np.ndarray] = {}
    for beat, triad in harmonise(melody):
        start_s = float(np.interp(beat, *seconds_at_beat))
        bass = tonic - 24 + triad[0]
        for midi in (bass, *(tonic - 12 + step for step in triad)):
            at = int((start_s + abs(rng.normal(0, 0.008))) * SAMPLE_RATE_HZ)
            if at < count:
                strikes.setdefault(midi, np.zeros(count))[at] += rng.uniform(0.8, 1.2)
    sound = np.zeros(count)
    for midi, hammer in strikes.items():
        sound += struck_string(hammer, tuning_hz * 2 ** ((midi - 69) / 12), SAMPLE_RATE_HZ)
    return sound
