"""The methods of the draft: the steps that ran, with their settings and versions, from the table of settings."""

from __future__ import annotations

# Sentences of the draft read best unbroken:
# ruff: noqa: E501
from collections.abc import Sequence

import pandas as pd

from vibstudy.paper.book import Book
from vibstudy.paper.text import of_word
from vibstudy.stats.claims import Claim


def _some(book: Book, setting: str) -> bool:
    """Whether a count among the settings is not 0."""
    table = book.tables["settings"]
    return not table.loc[table["setting"] == setting, "value"].isin(["0"]).all()


def write_methods(
    book: Book,
    notes: pd.DataFrame,
    recordings: pd.DataFrame,
    claims: Sequence[Claim],
    differing: Sequence[str] = (),
) -> None:
    """The steps that ran, with their settings and versions; `differing`: settings in which joined studies differ."""
    book.begin("Methods")
    s = book.setting
    text = (
        f"Recordings were read at true speed as one channel at {s('working_rate_hz')} Hz. The line of notes was "
        f"found by {s('tracker_used', 'text')} between {s('fmin_hz')} and {s('fmax_hz')} Hz; sounds shorter than "
        f"{s('min_note_s')} s were not taken for notes."
    )
    if _some(book, "recordings_range_of_instrument"):
        text += (
            f" In {s('recordings_range_of_instrument')} recordings notes were looked for within the range of their "
            "instrument."
        )
    changed = (
        int((recordings["speed_factor"].astype(float) != 1.0).sum()) if "speed_factor" in recordings else 0
    )
    if changed:
        text += (
            f" The speed of {s('recordings_speed_corrected')} recordings was corrected as the manifest says."
        )
    if _some(book, "recordings_sway_removed"):
        text += f" In {s('recordings_sway_removed')} recordings a sway common to all notes was taken out."
    if differing:
        text += " The joined studies were measured with different settings: where two values are named here, each is that of some of them."
    book.say(text)
    book.say(
        "A tracker's line says only where the notes are, since its frames smooth the vibrato. Pitch was then "
        "measured from the phase of the harmonics, weighted by their signal to noise "
        f"{book.reference('rife1974')}. A note's pitch is the mean over the note {book.reference('brown1996')}."
    )
    text = (
        "Where a room or other players come near a note, the phase is not the soloist's alone. There the pitch is the "
        "course that, taken out of every harmonic, turns most of the sound into steady lines; where part of a note "
        "is the room's tail, which is the note's own past, the course had to explain the tail, too. Where "
        "most of it is, the course was also looked for in the sound from which the room had been predicted and "
        f"taken away {book.reference('nakatani2010')}; what decides is the sound as recorded."
    )
    if _some(book, "recordings_room_told"):
        text += (
            f" In {s('recordings_room_told')} recordings the ends of notes told how long the room rings and how far "
            "the direct sound stands above it; how much of a vibrato is loudness is there the direct sound's."
        )
    book.say(text)
    book.say(
        f"Vibrato was looked for between {s('vibrato_min_hz')} and {s('vibrato_max_hz')} Hz. A note counts as "
        "having vibrato when a straight note with the same noise would look so with a probability below "
        f"{s('false_alarm')}, the search over rates counted {book.reference('baluev2008')}. Rate is the mean number "
        "of cycles a second while vibrato lasts. Extent is half of the peak-to-peak deviation (± cents)."
    )
    tuning = f"Notes were named at the tuning estimated from the notes in {s('recordings_tuning_estimated')} recordings"
    if _some(book, "recordings_tuning_given"):
        tuning += f", and at the manifest's in {s('recordings_tuning_given')}"
    tuning += "."
    listened = (
        f" Listeners accepted {s('notes_accepted')}, edited {s('notes_edited')} and rejected "
        f"{s('notes_rejected')} notes."
    )
    reviewed = bool((notes["reviewed"].astype("string") != "auto").fillna(False).any())
    book.say(tuning + (listened if reviewed else " All notes are as measured; none was edited by hand."))
    book.say(
        "Trills were told from vibrato by their plateaus and jumps, by how empty the spectrum is between their notes, "
        "and by their width and place in the scale. Trills, ornaments and notes rejected by ear were left out. Rate and extent are those of the notes with "
        "vibrato whose figures can be trusted, the same in text, tables and figures; shares of notes with vibrato "
        "are shares of the notes long enough for its absence to show."
    )
    _write_statistics(book, claims)
    libraries = ", ".join(
        f"{book.cite('software', row, 'name')} {book.cite('software', row, 'version')}"
        for row in range(len(book.tables["software"]))
    )
    book.say(f"Software: {libraries} {book.reference('harris2020', 'virtanen2020')}.")


def _write_statistics(book: Book, claims: Sequence[Claim]) -> None:
    if len(book.tables["models"]) or len(claims):
        book.say(
            "Differences were estimated by mixed models with the recording nested in the player "
            f"{book.reference('laird1982')}, with degrees of freedom after Satterthwaite "
            f"{book.reference('satterthwaite1946')}. Extent was modelled on a logarithmic scale. Intervals are "
            f"{book.setting('interval_per_cent')} % intervals, each by itself."
        )
    if not claims:
        return
    text = (
        f"{book.setting('claims')} {of_word(len(claims), 'claim')} {'is' if len(claims) == 1 else 'are'} answered, of which "
        f"{book.setting('claims_written_first')} had been written down before the recordings were measured; p was "
        f"corrected by Holm over every confirmatory claim ever logged that could be tested "
        f"{book.reference('holm1979')}, and a claim counts as supported below {book.setting('significance')}. A "
        "decided verdict was put to the model with each further tag of the recordings, and with register and "
        "length of the notes, in it."
    )
    if int(book.tables["settings"].set_index("setting")["value"].get("claims_gone", 0)):
        text += (
            f" The log holds {book.setting('claims_gone')} further tests, withdrawn or worded otherwise since, which "
            "the correction counts."
        )
    if any(claim.expect == "equal" for claim in claims):
        text += f" Claims of equality were tested by two one-sided tests {book.reference('schuirmann1987')}."
    book.say(text)
