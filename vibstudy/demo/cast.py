"""Who plays what, when, where and on which medium: the invented cast. Nothing random in it.

Where recordings are made
-------------------------
Unevenly, as in real archives. Before 1960 nearly all are made in dry studios; from 1980 on most are made in
halls; the recordings of 1950 and 1970 all come from studios. Rooms change nothing of the playing. But whoever
measures vibrato in the phase of a wet sound finds it narrower than it is, and so finds a change with the
decades that is the rooms'. ``truth/recordings.csv`` has each room's decay and direct sound.

Who accompanies
---------------
In the 1950s all play with a piano about as loud as they are; in the 1970s all play alone; elsewhere every
third has a piano, 8 to 12 dB softer. Beside a loud piano wide vibrato is measured with fewer doubts than
narrow. So who compares only the notes without a remark finds the 1950s wider than they were
(:func:`vibstudy.demo.summary.selection_trap` holds it against the truth).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from vibstudy.demo.melodies import MELODIES, Melody
from vibstudy.demo.scores import score_name

INVENTED = "invented: synthesised for the demonstration, no real player, place or recording"
"""What stands in the manifest's comment column."""

WITH_LOUD_PIANO, ALONE = 1950, 1970
"""The decades of the trap that lies in who accompanies."""


@dataclass(frozen=True)
class Player:
    """An invented player.

    Parameters
    ----------
    name, region, school : str
        Invented.
    instrument : {"soprano wind", "alto wind", "tenor wind"}
        Sets the range and the tone.
    style : {"continuous", "ornamental"}
        See the module's model.
    recordings : tuple of (int, int)
        Decade, number of recordings.
    star : bool
        Whether the player is one of the two whose wide vibrato is given.
    """

    name: str
    region: str
    school: str
    instrument: str
    style: str
    recordings: tuple[tuple[int, int], ...]
    star: bool = False

    @property
    def key(self) -> str:
        """Short name, for file names."""
        return self.name.split()[-1].lower()


PLAYERS: tuple[Player, ...] = (
    Player("Ilse Morvane", "Aubrisk", "Old Aubrisk", "alto wind", "continuous", ((1930, 2), (1940, 2))),
    Player("Tobin Arkhell", "Aubrisk", "Old Aubrisk", "tenor wind", "ornamental", ((1940, 1), (1950, 2))),
    Player("Perrin Duskvale", "Aubrisk", "Old Aubrisk", "alto wind", "ornamental", ((1950, 2), (1960, 2))),
    Player("Maud Letherine", "Aubrisk", "New Aubrisk", "soprano wind", "continuous", ((1960, 1), (1970, 2))),
    Player("Casper Vanholt", "Aubrisk", "New Aubrisk", "alto wind", "continuous", ((1970, 1), (1980, 2))),
    Player("Nella Briskow", "Aubrisk", "New Aubrisk", "tenor wind", "ornamental", ((1990, 2), (2000, 2))),
    Player(
        "Oskar Threnning", "Keldria", "Keldrian", "alto wind", "continuous", ((1930, 4), (1940, 3)), star=True
    ),
    Player(
        "Livia Drummelin",
        "Keldria",
        "Keldrian",
        "tenor wind",
        "continuous",
        ((1930, 2), (1940, 3)),
        star=True,
    ),
    Player(
        "Jorun Paskel", "Keldria", "Keldrian", "alto wind", "ornamental", ((1940, 1), (1950, 1), (1960, 2))
    ),
    Player("Emeric Stallowen", "Keldria", "Keldrian", "soprano wind", "continuous", ((1970, 2), (1980, 2))),
    Player("Wenna Corrisk", "Keldria", "Keldrian", "alto wind", "ornamental", ((1990, 2), (2000, 1))),
    Player("Rafe Solanter", "Sunamar", "Harbour", "alto wind", "ornamental", ((1930, 2), (1940, 1))),
    Player(
        "Dita Marrowind", "Sunamar", "Harbour", "tenor wind", "continuous", ((1940, 1), (1950, 2), (1960, 1))
    ),
    Player("Quill Abernaz", "Sunamar", "Harbour", "soprano wind", "ornamental", ((1960, 1), (1970, 2))),
    Player("Sabine Ortolane", "Sunamar", "Hillside", "alto wind", "continuous", ((1980, 2), (1990, 2))),
    Player("Hale Fennimaro", "Sunamar", "Hillside", "soprano wind", "ornamental", ((1990, 1), (2000, 3))),
)


@dataclass(frozen=True)
class Recording:
    """One invented recording: who, when, what, on which medium."""

    recording_id: str
    player: Player
    decade: int
    melody: Melody
    medium: str
    accompaniment: str
    loud_piano: bool
    room: str
    tempo_bpm: int
    has_score: bool

    @property
    def path(self) -> str:
        """Audio file, relative to the study folder."""
        return f"audio/{self.recording_id}.flac"


def recordings() -> list[Recording]:
    """All recordings of the corpus, in order. Nothing random in it."""
    corpus: list[Recording] = []
    for player in PLAYERS:
        number = 0
        for decade, count in player.recordings:
            for _ in range(count):
                place = len(corpus)
                melody = _choose_melody(player, place)
                corpus.append(
                    Recording(
                        recording_id=f"{player.key}_{decade}_{number + 1}",
                        player=player,
                        decade=decade,
                        melody=melody,
                        medium=_medium(decade, number),
                        accompaniment=_accompaniment(decade, place),
                        loud_piano=decade == WITH_LOUD_PIANO,
                        room=_room(decade, place),
                        tempo_bpm=melody.tempo_bpm + 5 * place % 7 - 3,
                        has_score=place % 3 != 2,
                    )
                )
                number += 1
    return corpus


def _choose_melody(player: Player, place: int) -> Melody:
    """The stars play the melodies with the most notes; the others go round all."""
    if player.star:
        return sorted(MELODIES, key=lambda melody: -melody.note_count)[place % 3]
    return MELODIES[place % len(MELODIES)]


def _medium(decade: int, number: int) -> str:
    if decade <= 1940:
        return "electrical_disc"
    if decade == 1950:
        return "tape_lp" if number % 2 else "electrical_disc"
    return "tape_lp" if decade <= 1970 else "digital"


def _accompaniment(decade: int, place: int) -> str:
    if decade in (WITH_LOUD_PIANO, ALONE):
        return "piano" if decade == WITH_LOUD_PIANO else "none"
    return "piano" if place % 3 == 1 else "none"


def _room(decade: int, place: int) -> str:
    """One in five is made in a hall before 1950, every other in the 1960s, three in four from 1980 on."""
    if decade in (WITH_LOUD_PIANO, ALONE):
        return "studio"
    if decade < 1950:
        return "hall" if place % 5 == 0 else "studio"
    if decade == 1960:
        return "hall" if place % 2 else "studio"
    return "studio" if place % 4 == 0 else "hall"


def manifest(chosen: Sequence[Recording] | None = None) -> pd.DataFrame:
    """Return the manifest, one row a recording: of `chosen`, or of the whole corpus."""
    return pd.DataFrame(
        [
            {
                "recording_id": recording.recording_id,
                "path": recording.path,
                "player": recording.player.name,
                "decade": recording.decade,
                "region": recording.player.region,
                "school": recording.player.school,
                "instrument": recording.player.instrument,
                "piece": recording.melody.title,
                "medium": recording.medium,
                "accompaniment": recording.accompaniment,
                "room": recording.room,
                "tempo_bpm": recording.tempo_bpm,
                "score_path": score_name(recording.melody) if recording.has_score else None,
                "comment": INVENTED,
            }
            for recording in (recordings() if chosen is None else chosen)
        ]
    )
