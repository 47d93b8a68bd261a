"""What is looked for in a score before it is read: is it one, is it safe, can it be read in time?

A score comes from anywhere. XML is parsed without network, without loading a document type and
without expanding entities; a file that declares entities of its own is refused, and so is a
compressed file (nothing is unpacked). What the reader would take minutes for, or choke on, is counted first
(:data:`MOST`) and refused with the count; pitches and lengths that no note has, with their line.

References
----------
MusicXML 4.0, W3C Music Notation Community Group, https://www.w3.org/2021/06/musicxml40/ . Standard
MIDI Files 1.0.
"""

from __future__ import annotations

import io
import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from vibstudy.corpus.untrusted import read_bytes
from vibstudy.errors import VibstudyError

XML_NAMES = (".musicxml", ".xml")
MIDI_NAMES = (".mid", ".midi")
_MOST_BYTES = 30_000_000
_MOST_MIDI_BYTES = 500_000
"""Ten thousand notes take a fifth of it."""
MOST = {
    "notes": 10_000,
    "measures": 4_000,
    "parts": 50,
    "repeats": 24,
    "slurs, ties and other signs": 20_000,
    "dynamics and other directions": 5_000,
    "words": 400,
    "letters of words": 20_000,
    "changes of metre, key, clef or tempo": 2_000,
    "elements": 300_000,
}
"""Most of each in a score. Reading 10,000 notes took 3 s of one core, 4,000 measures 2 s, 1,000 words 2 s
(2026). The library names the parts between repeats by letters, of which it has 52."""
LONGEST_METRE = 64  # no metre in print is longer
_MOST_BEATS = 10_000  # longer than any movement
TOP_MIDI = 127
_TOP_OCTAVE = 9  # of MusicXML's type "octave"


def checked_score(path: Path) -> bytes:
    """Content of a score, XML looked through."""
    content = _read_bytes(path)
    name = path.suffix.lower()
    if name == ".mxl" or content[:2] == b"PK":
        raise refused(path, "compressed scores are not unpacked", "Export it uncompressed, as .musicxml.")
    if name not in XML_NAMES + MIDI_NAMES:
        raise refused(
            path, "not a score this tool reads", "Export it as MusicXML (.musicxml) or MIDI (.mid)."
        )
    if name in XML_NAMES:
        _check_xml(path, content)
    return content


def refused(path: Path, message: str, repair: str) -> VibstudyError:
    """The error that refuses a score."""
    return VibstudyError(message, file=path.name, repair=repair)


def _read_bytes(path: Path) -> bytes:
    try:
        return read_bytes(path, "score", "Check the path in score_path", _MOST_BYTES)
    except VibstudyError as error:
        raise VibstudyError([replace(problem, file=path.name) for problem in error.problems]) from None


def _check_xml(path: Path, content: bytes) -> None:
    """Refuse XML that is malformed, declares entities or is no partwise MusicXML."""
    from lxml import etree

    parser = etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False)
    try:
        tree = etree.parse(io.BytesIO(content), parser)
    except etree.XMLSyntaxError as error:
        raise refused(path, f"not well-formed XML ({error.msg})", "Export it again as MusicXML.") from None
    root = tree.getroot()
    own = tree.docinfo.internalDTD
    if own is not None and (list(own.iterentities()) or list(own.iterelements())):
        raise refused(
            path, "it declares its own document type or entities", "Export it again as plain MusicXML."
        )
    if etree.QName(root).localname != "score-partwise":
        raise refused(
            path,
            f"its root is <{etree.QName(root).localname}>, not <score-partwise>",
            "Export it as partwise MusicXML.",
        )
    _check_counts(path, _xml_counts(root))
    for name, most in (("beats", LONGEST_METRE), ("beat-type", LONGEST_METRE), ("divisions", 100_000)):
        for element in root.iter(name):
            text = (element.text or "").strip()
            if text and not 1 <= _whole(text, 1) <= most:
                raise refused(
                    path,
                    f"line {element.sourceline}: <{name}> is {text[:20]}",
                    f"Write a whole number from 1 to {most:,}.",
                )
    _check_notes(path, root)


def _check_notes(path: Path, root: Any) -> None:
    """Refuse pitches that no note has, and lengths that none has, with the line."""
    low, high = -TOP_MIDI, TOP_MIDI
    for element in root.iter("chromatic"):
        if not low <= _whole(element.text, 0) <= high:
            got = (element.text or "").strip()[:20]
            what = f"line {element.sourceline}: a transposition by {got} semitones of pitch"
            raise refused(path, what, f"It is from {low} to {high}.")
    sounding, divisions = 0, 1
    for element in root.iter("note", "divisions"):
        if element.tag == "divisions":
            divisions = _whole(element.text, 1)
            continue
        pitch = element.find("pitch")
        sounding += pitch is not None
        step, octave = (
            ("A", 4) if pitch is None else (pitch.findtext("step"), _whole(pitch.findtext("octave"), -1))
        )
        if (step or "").strip() not in set("ABCDEFG") or not 0 <= octave <= _TOP_OCTAVE:
            got = f"{(step or '').strip()[:20]}{str(octave)[:20]}"
            what = f"line {element.sourceline}: a note of pitch {got}"
            raise refused(path, what, f"A pitch is a step from A to G and an octave from 0 to {_TOP_OCTAVE}.")
        written = element.findtext("duration")  # a grace note has none
        length = 0 if written is None else _whole(written, -1) / max(divisions, 1)
        if not 0 <= length <= _MOST_BEATS:
            what = f"line {element.sourceline}: a note of duration {(written or '').strip()[:20]}"
            raise refused(path, what, f"A note lasts {_MOST_BEATS:,} beats at most.")
    if not sounding:
        raise refused(path, "no notes in this score", "Export a part that holds the soloist's notes.")


def _whole(text: str | None, otherwise: int) -> int:
    """A whole number as written, of 18 digits at most; `otherwise` where there is none."""
    try:
        return max(-(10**18), min(int((text or "")[:400]), 10**18))
    except ValueError:
        return otherwise


def _xml_counts(root: Any) -> dict[str, int]:
    """How many of what :data:`MOST` limits."""
    seen: Counter[Any] = Counter(element.tag for element in root.iter())
    return {
        "notes": seen["note"],
        "measures": seen["measure"],
        "parts": seen["part"],
        "repeats": max((_repeats(part) for part in root.iter("part")), default=0),
        "slurs, ties and other signs": sum(seen[name] for name in ("slur", "tie", "tied", "tuplet", "beam")),
        "dynamics and other directions": seen["direction"],
        "words": seen["words"],
        "letters of words": sum(len(element.text or "") for element in root.iter("words")),
        "changes of metre, key, clef or tempo": sum(seen[name] for name in ("attributes", "sound")),
        "elements": sum(seen.values()),
    }


def _repeats(part: Any) -> int:
    """Repeats of a part; two endings, and each other jump, count as one more."""
    ways = Counter(element.get("direction") for element in part.iter("repeat"))
    back = max(ways["backward"], ways["forward"])
    endings = sum(element.get("type") == "start" for element in part.iter("ending"))
    return back + math.ceil(endings / 2) + sum(1 for _ in part.iter("segno", "coda"))


def _check_counts(path: Path, counts: Mapping[str, int]) -> None:
    for name, count in counts.items():
        if count > MOST[name]:
            raise refused(
                path,
                f"it holds {count:,} {name}; at most {MOST[name]:,} are read",
                "Export the soloist's part alone, with repeats written out.",
            )


def checked_midi(path: Path, content: bytes) -> Any:
    """The MIDI file, when it is not too much and its metres can be."""
    import mido

    if len(content) > _MOST_MIDI_BYTES:
        raise refused(path, f"larger than {_MOST_MIDI_BYTES // 1000} kB", "Export the soloist's part alone.")
    try:
        midi = mido.MidiFile(file=io.BytesIO(content), clip=True)
    except Exception as error:  # the library raises whatever its parser stumbles on
        raise unreadable(path, "MIDI", error) from None
    if midi.ticks_per_beat <= 0:
        raise refused(path, "it counts time in frames, not in beats", "Export it with ticks a beat.")
    ticks = max((sum(m.time for m in track) for track in midi.tracks), default=0)
    if ticks > _MOST_BEATS * midi.ticks_per_beat:
        raise refused(path, f"longer than {_MOST_BEATS:,} beats", "Export the part that is played.")
    messages = [message for track in midi.tracks for message in track]
    metres = [message for message in messages if message.type == "time_signature"]
    changes = [message for message in messages if message.type in ("key_signature", "set_tempo")]
    if any(message.type == "set_tempo" and message.tempo == 0 for message in changes):
        raise refused(path, "a tempo without end: 0 s a beat", "Write a tempo, or none.")
    ends = sum(
        message.type == "note_off" or (message.type == "note_on" and not message.velocity)
        for message in messages
    )
    notes = sum(message.type == "note_on" and message.velocity > 0 for message in messages)
    if not notes or not ends:
        message = "no note in this score ends" if notes else "no notes in this score"
        raise refused(path, message, "Export a part that holds the soloist's notes.")
    _check_counts(
        path,
        {
            "notes": notes,
            "parts": len(midi.tracks),
            "changes of metre, key, clef or tempo": len(metres) + len(changes),
        },
    )
    for metre in metres:
        if not (1 <= metre.numerator <= LONGEST_METRE and metre.denominator <= LONGEST_METRE):
            raise refused(
                path,
                f"a time signature of {metre.numerator}/{metre.denominator}",
                f"Both figures are from 1 to {LONGEST_METRE}.",
            )
    shortest = min((metre.numerator / metre.denominator for metre in metres), default=1.0)
    bars = ticks / (4 * midi.ticks_per_beat * shortest)  # quarters of a whole note
    _check_counts(path, {"measures": math.ceil(bars)})
    return midi


def unreadable(path: Path, kind: str, error: Exception) -> VibstudyError:
    """The same for what a library stumbled on."""
    what = f"cannot be read as {kind} ({type(error).__name__}: {str(error)[:200]})"
    return refused(path, what, f"Export it again as {kind}.")
