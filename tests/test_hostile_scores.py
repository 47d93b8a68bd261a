"""Scores of too much, or of notes that cannot be: refused with the count, in time."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest

from vibstudy.errors import VibstudyError
from vibstudy.notes.scorefile import MOST
from vibstudy.notes.written import read_score

SLOWEST_S = 5.0


def score(
    measures: int, notes: int, time_text: str = "<beats>4</beats><beat-type>4</beat-type>", bar: str = ""
) -> str:
    note = "<note><pitch><step>A</step><octave>4</octave></pitch><duration>1</duration><type>quarter</type></note>"
    first = f"<attributes><divisions>1</divisions><time>{time_text}</time></attributes>"
    bars = [
        f'<measure number="{k + 1}">{first if k == 0 else ""}{note * notes}{bar}</measure>'
        for k in range(measures)
    ]
    return (
        '<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>x</part-name></score-part>'
        f'</part-list><part id="P1">{"".join(bars)}</part></score-partwise>'
    )


REPEAT = '<barline location="right"><repeat direction="backward"/></barline>'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (score(4, 4, "<beats>0</beats><beat-type>4</beat-type>"), "<beats> is 0"),
        (score(4, 4, "<beats>4</beats><beat-type>0</beat-type>"), "<beat-type> is 0"),
        (score(4, 4, "<beats>99999999999999999999</beats><beat-type>4</beat-type>"), "<beats> is 9999"),
        (score(2000, 100), "200,000 notes; at most 10,000"),
        (score(8000, 1), "8,000 measures; at most 4,000"),
        (score(60, 4, bar=REPEAT), "60 repeats; at most 24"),
        (score(60, 4, bar=REPEAT.replace("backward", "forward")), "60 repeats; at most 24"),
        (score(1, 1, bar="<direction><direction-type><words>dolce</words></direction-type></direction>" * 1001), "1,001 words"),
        (score(1, 1, bar="<direction/>" * 6000), "directions; at most 5,000"),
        (score(1, 1).replace("<divisions>1", "<divisions>0"), "<divisions> is 0"),
        (score(1, 1, bar="<x/>" * 400_000), "elements; at most 300,000"),
    ],
    ids=range(11),
)  # fmt: skip
def test_a_score_of_too_much_is_refused_with_the_count(text, words, tmp_path):
    (tmp_path / "s.musicxml").write_text(text)
    began = time.process_time()
    with pytest.raises(VibstudyError) as refusal:
        read_score(tmp_path / "s.musicxml")
    assert words in str(refusal.value) and refusal.value.problems[0].repair
    assert time.process_time() - began < SLOWEST_S


MIDI_NOTE = b"\x00\x90\x3c\x40\x78\x80\x3c\x40"


def midi_file(path: Path, numerator: int, power: int, notes: int) -> Path:
    """A MIDI file of semiquavers written byte by byte, after the standard; the lower figure is 2 ** power."""
    note = b"\x00\x90\x3c\x40" + b"\x78\x80\x3c\x40"
    track = b"\x00\xff\x58\x04" + bytes([numerator, power, 24, 8]) + note * notes + b"\x00\xff\x2f\x00"
    head = b"MThd" + (6).to_bytes(4, "big") + b"\x00\x00\x00\x01" + (480).to_bytes(2, "big")
    path.write_bytes(head + b"MTrk" + len(track).to_bytes(4, "big") + track)
    return path


@pytest.mark.parametrize(
    ("numerator", "power", "notes", "words"),
    [
        (0, 2, 8, "time signature of 0/4"),
        (4, 7, 8, "time signature of 4/128"),
        (4, 2, 12_000, "12,000 notes"),
        (4, 2, 200_000, "larger than 500 kB"),
        (1, 6, 9000, "measures; at most 4,000"),
    ],
)
def test_a_midi_file_of_too_much_is_refused(numerator, power, notes, words, tmp_path):
    path = midi_file(tmp_path / "s.mid", numerator, power, notes)
    began = time.process_time()
    with pytest.raises(VibstudyError) as refusal:
        read_score(path)
    assert words in str(refusal.value) and refusal.value.problems[0].repair
    assert time.process_time() - began < SLOWEST_S


def test_a_long_part_is_read_in_time(tmp_path):
    """As many measures as are read: it took minutes when each note asked the library for its maps."""
    import partitura  # noqa: F401 - loading it is not what is timed

    (tmp_path / "s.musicxml").write_text(score(1500, 2))
    began = time.process_time()
    (part,) = read_score(tmp_path / "s.musicxml")
    assert time.process_time() - began < SLOWEST_S
    assert MOST["measures"] >= 1500
    notes = part.orders["as written"]
    assert len(notes) == 3000 and notes[-1].measure == 1500
    assert [note.beat for note in notes[2:4]] == [1, 2]


@pytest.mark.parametrize(
    ("old", "new"),
    [("<octave>4", "<octave>999999"), ("<octave>4", "<octave>-50"), ("<divisions>", "<divisions>-"),
     ("<duration>", "<duration>9999999"), ("</time>", "</time><transpose><chromatic>99999999999999999999</chromatic></transpose>")],
)  # fmt: skip
def test_a_score_of_notes_that_cannot_be_is_refused(old, new, tmp_path):
    text = score(4, 4)
    path = tmp_path / "s.musicxml"
    assert old in text
    path.write_text(text, encoding="utf-8")
    read_score(path)
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(VibstudyError, match=r"line 1: .*(pitch|beat)|<divisions> is"):
        read_score(path)


@pytest.mark.parametrize(
    ("events", "division", "words"),
    [(b"\x00\xff\x51\x03\x00\x00\x00" + MIDI_NOTE, 480, "tempo"), (MIDI_NOTE, 0, "frames"),
     (b"\x00\x90\x3c\x40" * 9000, 480, "no note in this score ends"), (b"", 480, "no notes"),
     (MIDI_NOTE + b"\xff\xff\xff\x7f" + MIDI_NOTE[1:], 480, "longer than 10,000 beats"),
     (b"\x00\xff\x59\x02\x7f\x05" + MIDI_NOTE, 480, "cannot be read as MIDI"),
     (b"\x00\xff\x51\x03\xff\xff\xff" + MIDI_NOTE, 32767, ""), (MIDI_NOTE * 9, 1, ""),
     (b"\x00\xb0\x01\x01" + b"\x00\x01\x02" * 160_000 + MIDI_NOTE, 480, "")],
    ids=range(9),
)  # fmt: skip
def test_times_of_a_midi_file_that_cannot_be_are_refused_and_odd_ones_read(events, division, words, tmp_path):
    """Tempo, division and intervals at both ends of what the standard's fields hold."""
    track = events + b"\x00\xff\x2f\x00"
    head = b"MThd\x00\x00\x00\x06\x00\x00\x00\x01" + division.to_bytes(2, "big")
    path = tmp_path / "s.mid"
    path.write_bytes(head + b"MTrk" + len(track).to_bytes(4, "big") + track)
    began = time.process_time()
    if not words:
        (part,) = read_score(path)
        assert [note.written_midi for note in part.orders["as written"]][:1] == [60]
    else:
        with pytest.raises(VibstudyError, match=words):
            read_score(path)
    assert time.process_time() - began < SLOWEST_S


def test_a_score_that_is_too_much_is_refused_before_the_library_is_loaded(tmp_path):
    (tmp_path / "s.musicxml").write_text(score(4100, 2))
    script = (
        "import sys; from vibstudy.notes.written import read_score\n"
        "try: read_score('s.musicxml')\nexcept Exception as error: print(error, 'partitura' in sys.modules)"
    )
    command = [sys.executable, "-c", script]
    ran = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, check=True)
    assert "4,100 measures" in ran.stdout and ran.stdout.strip().endswith("False")
