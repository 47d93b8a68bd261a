"""Malformed files, hundreds of them, made here and given to the command line as a user would give them.

For each: no traceback and no fault of the tool, an end within :data:`SECONDS`, and where the input cannot
be used, exit code 2 and lines that each name the place and the repair. Nothing is stored as binary: a case
is a function that writes a study, or bytes made from a seed.
"""

from __future__ import annotations

import csv
import io
import json
import os
import random
import re
import struct
import unicodedata
from collections.abc import Callable
from functools import cache
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from vibstudy.cli import FAULT, UNUSABLE, main
from vibstudy.corpus.settings import Settings, load_settings
from vibstudy.decisions.edits import COLUMNS, EDITS_NAME, read_edits
from vibstudy.errors import Problem, VibstudyError
from vibstudy.notes.lists import read_note_list
from vibstudy.notes.written import read_score
from vibstudy.sound.reading import read_audio
from vibstudy.stats.claimfile import read_claims

SECONDS = 5
"""No input may keep the user waiting longer; a hang ends the run and shows where it hung."""

RATE_HZ = 22050
HEADER = "recording_id,path,player,decade,region"
ROW = "a,audio/a.wav,Player,1950,north"

Write = Callable[[Path], object]
"""Writes a case into a study folder that is sound otherwise."""

# --- a sound study


@cache
def sound(kind: str = "WAV", seconds: float = 0.3, subtype: str | None = None) -> bytes:
    """A tone in a format that libsndfile writes."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    stream = io.BytesIO()
    soundfile.write(stream, 0.1 * np.sin(2 * np.pi * 440 * time_s), RATE_HZ, subtype, format=kind)
    return stream.getvalue()


def write_study(folder: Path) -> Path:
    """A study of one sound recording; its manifest."""
    (folder / "audio").mkdir()
    (folder / "audio" / "a.wav").write_bytes(sound())
    (folder / "corpus_manifest.csv").write_text(f"{HEADER}\n{ROW}\n", encoding="utf-8")
    return folder / "corpus_manifest.csv"


def raw(name: str, content: bytes | str) -> Write:
    """A file of the study with this content."""
    data = content.encode("utf-8", "surrogatepass") if isinstance(content, str) else content
    return lambda folder: (folder / name).write_bytes(data)


def table(**cells: str) -> str:
    """A manifest of one row with these cells changed or added."""
    row = dict(zip(HEADER.split(","), ROW.split(","), strict=True)) | cells
    text = io.StringIO(newline="")
    csv.writer(text).writerows([row.keys(), row.values()])
    return text.getvalue()


def both(*writes: Write) -> Write:
    return lambda folder: [write(folder) for write in writes]


def nonsense(seed: int, size: int) -> bytes:
    return random.Random(seed).randbytes(size)


def flipped(data: bytes, seed: int, count: int = 4) -> bytes:
    """`data` with some bytes changed."""
    rng, changed = random.Random(seed), bytearray(data)
    for _ in range(count):
        changed[rng.randrange(len(changed))] = rng.randrange(256)
    return bytes(changed)


# --- cases: name to (what writes it, whether it must be refused; None: either)

Cases = dict[str, tuple[Write, bool | None]]
MAGIC = {
    "zip": b"PK\x03\x04",
    "ole": b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1",
    "pdf": b"%PDF-1.7",
    "png": b"\x89PNG\r\n\x1a\n",
    "gzip": b"\x1f\x8b\x08",
    "utf-16": b"\xff\xfe",
}
NOT_NUMBERS = ("nan", "inf", "-inf", "1e999", "abc", "0x10", "1.2.3", "--5", "1 000 000 000", "٣", "½")


def manifest_cases() -> Cases:
    name = "corpus_manifest.csv"
    texts: dict[str, bytes | str] = {
        "empty": b"",
        "blank": " \n\n \r\n",
        "only a byte order mark": b"\xef\xbb\xbf",
        "zeros": bytes(64),
        "header only": HEADER + "\n",
        "no header": ROW + "\n",
        "column twice": f"{HEADER},path\n{ROW},x\n",
        "nameless column": f"{HEADER},,x\n{ROW},1,2\n",
        "formula as column": f"{HEADER},=cmd|calc\n{ROW},1\n",
        "too many cells": f"{HEADER}\n{ROW},1,2\n",
        "open quotation mark": f'{HEADER}\n"a,audio/a.wav,Player,1950,north\n',
        "a cell of 200,000 letters": f"{HEADER}\n{ROW}{'x' * 200_000}\n",
        "5,000 columns without name": f"{HEADER}{',' * 5000}x\n{ROW}\n",
        "old Mac line ends, no cells": "\r" * 500,
        "half a character": f"{HEADER}\n".encode() + b"\xe2\x82",
        "lone surrogate": f"{HEADER}\na,audio/\ud800.wav,Player,1950,north\n",
        "the same name in capitals": f"{HEADER}\n{ROW}\nA,audio/a.wav,Player,1950,north\n",
        "the same name twice": f"{HEADER}\n{ROW}\n{ROW}\n",
    }
    refused = dict.fromkeys(texts, True) | {"a cell of 200,000 letters": None, "half a character": None}
    cases = {key: (raw(name, text), refused[key]) for key, text in texts.items()}
    for kind, magic in MAGIC.items():
        cases[f"{kind} by name a CSV"] = (raw(name, magic + nonsense(1, 400)), True)
    for seed in range(10):
        cases[f"nonsense {seed}"] = (raw(name, nonsense(seed, 300)), True)
    for column in HEADER.split(","):
        cut = "\n".join(
            ",".join(
                cell for cell, key in zip(line.split(","), HEADER.split(","), strict=True) if key != column
            )
            for line in (HEADER, ROW)
        )
        cases[f"without {column}"] = (raw(name, cut), True)
        cases[f"empty {column}"] = (raw(name, table(**{column: ""})), True)
        cases[f"misspelt {column}"] = (raw(name, table().replace(column, f"{column[:-1]}x", 1)), True)
    for column in ("start_s", "end_s", "tuning_hz", "speed_factor", "tempo_bpm", "decade", "year"):
        for value in (*NOT_NUMBERS[:8], "-1", "99999"):
            accepted = None if (column, value) == ("end_s", "99999") else True
            cases[f"{column} = {value}"] = (raw(name, table(**{column: value})), accepted)
    names = (
        "../up",
        "a/b",
        "a\\b",
        "..",
        "nul",
        "COM1",
        "x" * 300,
        "tab\there",
        "end.",
        "-rf",
        "=1+1",
        "a:b",
    )
    for value in (*names, "a*b", 'a"b', "a\u202eb", "a\u200bb", "\u0000"):
        cases[f"recording_id {value[:12]!r}"] = (raw(name, table(recording_id=value)), None)
    for value in (
        *("nowhere.wav", "audio", ".", "../../../../etc/passwd", "http://x.invalid/a.wav", "file:///a.wav"),
        *("C:\\music\\a.wav", "\\\\server\\a.wav", "~nobody-here/a.wav", "audio/a.wav/a.wav", "a\tb.wav"),
        *(os.devnull, "x" * 5000, "/".join("x" * 3000), "audio/\u0000.wav", "con:", "audio/a.wav\n", "|ls"),
    ):
        accepted = None if value == "audio/a.wav\n" else True
        cases[f"path {value[:30]!r}"] = (raw(name, table(path=value)), accepted)
    for column, value in (("medium", "mp3"), ("accompaniment", "band"), ("exclude", "perhaps")):
        accepted = column == "exclude"  # the other two may be the user's own words
        cases[f"{column} = {value}"] = (raw(name, table(**{column: value})), accepted)
    cases["end before start"] = (raw(name, table(start_s="0.2", end_s="0.1")), True)
    cases["start after the file"] = (raw(name, table(start_s="100")), True)
    cases["manifest is a folder"] = (_folder_for_file(name), True)
    return cases


def _folder_for_file(name: str) -> Write:
    def write(folder: Path) -> None:
        (folder / name).unlink(missing_ok=True)
        (folder / name).mkdir()

    return write


def settings_cases() -> Cases:
    name = "study.toml"
    texts: dict[str, bytes | str] = {
        "no TOML": "fmin_hz 50",
        "binary": nonsense(3, 200),
        "not UTF-8": b"[measure]\n# caf\xe9\n",
        "nested too deeply": "x = " + "[" * 100_000,
        "unclosed text": '[measure]\ntracker = "pyin',
        "key twice": "[measure]\nfmin_hz = 50\nfmin_hz = 60\n",
        "table unknown": "[mesure]\n",
        "key unknown": "[measure]\nfmin = 50\n",
        "key in the wrong table": "[run]\nfmin_hz = 50\n",
        "key without table": "fmin_hz = 50\n",
        "table as number": "measure = 3\n",
        "array of tables": "[[measure]]\n",
        "a number of 5,000 digits": f"[run]\nworkers = {'9' * 5000}\n",
        "limits crossed": "[measure]\nfmin_hz = 3000\nfmax_hz = 100\n",
    }
    cases: Cases = {key: (raw(name, text), True) for key, text in texts.items()}
    for key in Settings.__dataclass_fields__:
        place = Settings.__dataclass_fields__[key].metadata["table"]
        for value in ("nan", "-1e300", "[1, 2]", "1979-05-27", '"no such word"'):
            cases[f"{key} = {value}"] = (raw(name, f"[{place}]\n{key} = {value}\n"), True)
    cases["settings are a folder"] = (_folder_for_file(name), True)
    return cases


CLAIM = {
    "id": '"x"',
    "sentence": '"It became slower."',
    "outcome": '"rate_hz"',
    "contrast": '{ column = "decade", from = 1930, to = 1970 }',
    "expect": '"lower"',
}


def claim(**changed: str) -> str:
    keys = CLAIM | changed
    return "[[claim]]\n" + "".join(f"{key} = {value}\n" for key, value in keys.items() if value)


def claims_cases() -> Cases:
    name = "claims.toml"
    texts: dict[str, bytes | str] = {
        "no TOML": "it became slower",
        "binary": nonsense(4, 200),
        "not UTF-8": b"# caf\xe9\n",
        "nested too deeply": "x = " + "[" * 100_000,
        "single brackets": claim().replace("[[claim]]", "[claim]"),
        "claim a number": "claim = 5\n",
        "claims a list of words": 'claim = ["slower"]\n',
        "claim a text": 'claim = "slower"\n',
        "other table": "[[claims]]\n",
        "the same id twice": claim() + claim(),
        "a number of 5,000 digits": claim(margin="9" * 5000),
    }
    for key in CLAIM:
        texts[f"without {key}"] = claim(**{key: ""})
        texts[f"{key} a number"] = claim(**{key: "3"})
        texts[f"{key} a date"] = claim(**{key: "1979-05-27"})
    for key, values in {
        "expect": ('"slower"', '["lower"]', '"equal"', "true"),
        "margin": ("0", "-1", "nan", "inf", '"wide"', "true", "[1]"),
        "scale": ('"cubic"', "[1]", "{}"),
        "adjust": ("3", "{}", "[[1]]"),
        "filter": ("3", "[]"),
        "contrast": ("{}", '{ column = "decade" }', "{ column = 3, from = 1, to = 2 }", "[]", "{ x = 1 }"),
        "exploratory": ('"yes"', "1"),
        "nonsense": ("1",),
    }.items():
        for value in values:
            texts[f"{key} = {value}"] = claim(**{key: value})
    for column in ('["a"]', "nan", "1979-05-27"):
        texts[f"contrast of {column}"] = claim(contrast=f"{{ column = {column}, from = 1, to = 2 }}")
    texts["from a list"] = claim(contrast='{ column = "decade", from = [1], to = [2] }')
    texts["from not a number"] = claim(contrast='{ column = "decade", from = nan, to = 3 }')
    texts["across a number"] = claim(
        contrast='{ column = "region", from = "a", to = "b", across = 3, across_from = 1, across_to = 2 }'
    )
    cases: Cases = {key: (raw(name, text), True) for key, text in texts.items()}
    cases["claims are a folder"] = (_folder_for_file(name), True)
    return cases


def list_cases() -> Cases:
    texts: dict[str, bytes | str] = {
        "empty": b"",
        "header only": "onset_s,offset_s\n",
        "no header": "0.1,0.2\n",
        "binary": nonsense(5, 300),
        "zeros": bytes(99),
        "only onsets": "onset_s\n0.1\n",
        "overlapping": "onset_s,offset_s\n0.1,0.3\n0.2,0.4\n",
        "backwards": "onset_s,offset_s\n0.3,0.1\n",
        "one moment": "onset_s,offset_s\n0.1,0.1\n",
        "open quotation mark": 'onset_s,offset_s\n"0.1,0.2\n',
        "negative": "onset_s,offset_s\n-1,0.2\n",
    } | {f"{kind} by name a CSV": magic + nonsense(6, 200) for kind, magic in MAGIC.items()}
    for value in (*NOT_NUMBERS, "1e-999x", "1:2:3:4", "-0:01"):
        texts[f"onset {value}"] = f"onset_s,offset_s\n{value},0.25\n"
    for value in ("H4", "A", "-440", "nan", "1e9", "A99", "0", "♯", "A4 B4", "4" * 400):
        texts[f"pitch {value[:9]}"] = f"onset_s,offset_s,pitch\n0.1,0.25,{value}\n"
    cases: Cases = {key: (_named("notes_path", "list.csv", text), True) for key, text in texts.items()}
    cases["list is a folder"] = (raw("corpus_manifest.csv", table(notes_path="audio")), True)
    cases["list is missing"] = (raw("corpus_manifest.csv", table(notes_path="list.csv")), True)
    return cases


def _named(column: str, file: str, content: bytes | str) -> Write:
    """A file that the manifest names in `column`."""
    return both(raw("corpus_manifest.csv", table(**{column: file})), raw(file, content))


NOTE = "<note><pitch><step>A</step><octave>4</octave></pitch><duration>4</duration></note>"
DIVISIONS = (
    "<attributes><divisions>4</divisions><time><beats>4</beats><beat-type>4</beat-type></time></attributes>"
)


def music(inside: str = DIVISIONS + NOTE * 4, before: str = "") -> str:
    """A part in MusicXML of one measure."""
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>{before}<score-partwise version="4.0"><part-list>'
        '<score-part id="P1"><part-name>Solo</part-name></score-part></part-list>'
        f'<part id="P1"><measure number="1">{inside}</measure></part></score-partwise>'
    )


@cache
def midi() -> bytes:
    """Four notes as a standard MIDI file."""
    track = mido.MidiTrack(
        mido.Message(kind, note=69 + k, velocity=64, time=length)
        for k in range(4)
        for kind, length in (("note_on", 0), ("note_off", 480))
    )
    stream = io.BytesIO()
    mido.MidiFile(tracks=[track], ticks_per_beat=480).save(file=stream)
    return stream.getvalue()


def score_cases() -> Cases:
    lol = "".join(f'<!ENTITY l{k} "{f"&l{k - 1};" * 10}">' for k in range(1, 12))
    xml: dict[str, bytes | str] = {
        "empty": b"",
        "blank": "   ",
        "text": "not a score",
        "unclosed": music()[:-9],
        "another root": "<html><body/></html>",
        "timewise": music().replace("partwise", "timewise"),
        "no part": "<score-partwise/>",
        "a part that is not listed": music().replace('<part id="P1">', '<part id="P2">'),
        "no notes": music(DIVISIONS),
        "rests only": music(DIVISIONS + "<note><rest/><duration>4</duration></note>"),
        "entities in entities": music("&l11;", f'<!DOCTYPE score-partwise [<!ENTITY l0 "ha">{lol}]>'),
        "a file as entity": music("&x;", '<!DOCTYPE s [<!ENTITY x SYSTEM "file:///etc/passwd">]>'),
        "an address as entity": music("&x;", '<!DOCTYPE s [<!ENTITY x SYSTEM "http://x.invalid/">]>'),
        "a parameter entity": music("", '<!DOCTYPE s [<!ENTITY % x SYSTEM "file:///etc/passwd"> %x;]>'),
        "unknown entity": music("&nothing;"),
        "an encoding that is none": music().replace("UTF-8", "klingon"),
        "says UTF-16": music().replace("UTF-8", "UTF-16"),
        "nested too deeply": "<a>" * 5000,
        "an octave that is none": music(DIVISIONS + NOTE.replace("<octave>4", "<octave>up")),
        "a step that is none": music(DIVISIONS + NOTE.replace("<step>A", "<step>H")),
        "a duration that is none": music(DIVISIONS + NOTE.replace("<duration>4", "<duration>long")),
        "a pitch without step": music(DIVISIONS + NOTE.replace("<step>A</step>", "")),
        "compressed by name": b"PK\x03\x04" + nonsense(7, 200),
        "a gzip": b"\x1f\x8b\x08" + nonsense(8, 200),
    }
    either = {
        "beats that are none": music(DIVISIONS.replace("<beats>4", "<beats>many") + NOTE),
        "divisions that are none": music(DIVISIONS.replace("<divisions>4", "<divisions>x") + NOTE),
        "no divisions": music(NOTE),
        "divisions of 0": music(DIVISIONS.replace("<divisions>4", "<divisions>0") + NOTE),
        "negative divisions": music(DIVISIONS.replace("<divisions>4", "<divisions>-4") + NOTE),
        "a bar of 0/0": music(DIVISIONS.replace(">4</beat", ">0</beat") + NOTE),
        "an endless note": music(DIVISIONS + NOTE.replace("<duration>4", "<duration>999999999999")),
        "a negative note": music(DIVISIONS + NOTE.replace("<duration>4", "<duration>-4")),
        "octave 99": music(DIVISIONS + NOTE.replace("<octave>4", "<octave>99")),
        "a document type by address": music(
            before='<!DOCTYPE score-partwise SYSTEM "http://x.invalid/x.dtd">'
        ),
        "an include": music('<xi:include xmlns:xi="http://www.w3.org/2001/XInclude" href="/etc/passwd"/>'),
        "back before the beginning": music(DIVISIONS + "<backup><duration>400</duration></backup>" + NOTE),
        "a backward repeat only": music(
            DIVISIONS + NOTE + '<barline><repeat direction="backward" times="99999"/></barline>'
        ),
        "dal segno to nowhere": music(DIVISIONS + NOTE + '<direction><sound dalsegno="x"/></direction>'),
    }
    head = b"MThd\x00\x00\x00\x06"
    mid: dict[str, tuple[bytes, bool | None]] = {
        "empty": (b"", True),
        "magic only": (b"MThd", True),
        "no track": (head + struct.pack(">HHH", 1, 0, 480), True),
        "65,535 tracks": (head + struct.pack(">HHH", 1, 65535, 480), True),
        "no ticks": (midi()[:12] + b"\x00\x00" + midi()[14:], None),
        "film frames for ticks": (midi()[:12] + b"\xe7\x28" + midi()[14:], None),
        "a track of 4 GB": (midi()[:18] + b"\xff\xff\xff\xff" + midi()[22:], True),
        "an endless length": (midi()[:22] + b"\xff" * 200, True),
        "sound": (sound(), True),
    }
    for seed in range(12):
        mid[f"nonsense {seed}"] = (head + nonsense(seed, 200), True)
        if seed != 10:  # a pause of eight thousand bars, which partitura lays out one by one
            mid[f"bytes changed {seed}"] = (flipped(midi(), seed), None)
    for size in (10, 16, 25, 40):
        mid[f"cut off after {size} bytes"] = (midi()[:size], True)
    cases: Cases = {f"xml {key}": (_named("score_path", "a.musicxml", x), True) for key, x in xml.items()}
    cases |= {f"xml {key}": (_named("score_path", "a.musicxml", x), None) for key, x in either.items()}
    cases |= {f"midi {key}": (_named("score_path", "a.mid", x), bad) for key, (x, bad) in mid.items()}
    for seed in range(8):
        changed = flipped(music().encode(), seed, 3)
        cases[f"xml bytes changed {seed}"] = (_named("score_path", "a.musicxml", changed), None)
    for name in ("a.mxl", "a.pdf", "a.mscz", "a"):
        cases[f"score {name}"] = (_named("score_path", name, music()), True)
    return cases


def wav(**fields: int) -> bytes:
    """A WAV file whose header says what it likes."""
    value = {"size": 8036, "format": 1, "channels": 1, "rate": RATE_HZ, "bytes": 2 * RATE_HZ, "block": 2}
    value |= {"bits": 16, "data": 8000} | fields
    return struct.pack(
        "<4sI4s4sIHHIIHH4sI",
        *(b"RIFF", value["size"], b"WAVE", b"fmt ", 16, value["format"], value["channels"], value["rate"]),
        *(value["bytes"], value["block"], value["bits"], b"data", value["data"]),
    ) + bytes(range(256)) * (8000 // 256)


def floats(values: list[float], rate_hz: int = RATE_HZ) -> bytes:
    stream = io.BytesIO()
    soundfile.write(stream, np.array(values, "float32"), rate_hz, "FLOAT", format="WAV")
    return stream.getvalue()


def audio_cases() -> dict[str, tuple[str, bytes, bool | None]]:
    """Name to the file's name, its bytes, and whether it must be refused."""
    cases: dict[str, tuple[str, bytes, bool | None]] = {
        "empty": ("a.wav", b"", True),
        "one byte": ("a.wav", b"R", True),
        "zeros": ("a.wav", bytes(5000), True),
        "text": ("a.wav", b"this is no sound", True),
        "web page": ("a.mp3", b"<!DOCTYPE html><html>404</html>", True),
        "no samples": ("a.wav", floats([]), True),
        "one sample": ("a.wav", floats([0.1]), True),
        "ten samples": ("a.wav", floats([0.1] * 10), True),
        "silence": ("a.wav", floats([0.0] * RATE_HZ), None),
        "not a number": ("a.wav", floats([0.1] * 4000 + [float("nan")] + [0.1] * 4000), None),
        "infinite": ("a.wav", floats([0.1] * 4000 + [float("inf")] + [0.1] * 4000), None),
        "enormous": ("a.wav", floats([1e38, -1e38] * 4000), None),
        "one frame a second": ("a.wav", floats([0.1] * 100, 1), None),
        "a FLAC by name a WAV": ("a.wav", sound("FLAC"), False),
        "a WAV by name an MP3": ("a.mp3", sound(), False),
        "a WAV without ending": ("a", sound(), False),
        "MIDI": ("a.wav", midi(), True),
        "MusicXML": ("a.wav", music().encode(), True),
        "a play list": ("a.wav", b"#EXTM3U\nfile:///etc/passwd\n", True),
        "a play list for ffmpeg": ("a.m4a", b"ffconcat version 1.0\nfile /etc/passwd\n", True),
        "a play list of the net": ("a.m4a", b"#EXTM3U\n#EXTINF:1,\nhttp://x.invalid/a.ts\n", True),
    }  # fmt: skip
    for field, values in {
        "channels": (0, 2, 1025, 65535),
        "rate": (0, 1, 2**31 - 1, 2**32 - 1),
        "bits": (0, 7, 255, 65535),
        "block": (0, 65535),
        "format": (0, 2, 3, 17, 85, 65534, 65535),
        "data": (0, 1, 2**31, 2**32 - 1),
        "size": (0, 1, 2**32 - 1),
    }.items():
        for value in values:
            cases[f"WAV with {field} = {value}"] = ("a.wav", wav(**{field: value}), None)
    for kind in ("WAV", "FLAC", "OGG", "MP3", "AIFF", "RF64", "AU", "CAF"):
        whole = sound(kind)
        for size in (4, 12, 30, 60, len(whole) // 2):
            bad = True if size < 13 else None
            cases[f"{kind} cut off after {size} bytes"] = (f"a.{kind.lower()}", whole[:size], bad)
        for seed in range(3):
            changed = flipped(whole[:400], seed, 8) + whole[400:]
            cases[f"{kind}, bytes changed {seed}"] = (f"a.{kind.lower()}", changed, None)
    for kind, magic in {
        "RIFF": b"RIFF\xff\xff\xff\xffWAVE",
        "FLAC": b"fLaC\x00\x00\x00\x22",
        "OGG": b"OggS\x00\x02",
        "ID3": b"ID3\x04\x00\x00\x7f\x7f\x7f\x7f",
        "AIFF": b"FORM\x7f\xff\xff\xffAIFFCOMM",
        "MP4": b"\x00\x00\x00\x20ftypM4A ",
        "MKV": b"\x1aE\xdf\xa3",
        "ASF": b"0&\xb2u\x8ef\xcf\x11",
        "CAF": b"caff\x00\x01\x00\x00desc",
        **MAGIC,
    }.items():
        cases[f"nonsense that begins like {kind}"] = ("a.wav", magic + nonsense(9, 3000), None)
    return cases


def edit(**changed: str) -> bytes:
    cells = dict.fromkeys(COLUMNS, "") | {
        "edit_id": "1f", "made_at": "2026-01-02T03:04:05+00:00", "who": "Ann", "recording_id": "a",
        "audio_sha256": "00", "note_id": "a/0001", "note_onset_s": "0.1", "note_offset_s": "0.3",
        "what": "accept",
    }  # fmt: skip
    text = io.StringIO(newline="")
    csv.writer(text).writerow((cells | changed)[name] for name in COLUMNS)
    return text.getvalue().encode("utf-8", "surrogatepass")


def edit_cases() -> dict[str, bytes]:
    """Lines of ``edits.csv``, each to be left out and reported."""
    cases = {
        "binary": nonsense(10, 40).replace(b"\n", b"") + b"\n",
        "zeros": bytes(40) + b"\n",
        "cut off": edit()[:40] + b"\n",
        "too many cells": edit().rstrip() + b",x,y\n",
        "open quotation mark": b'"' + edit(),
        "a cell of 200,000 letters": edit(why="x" * 200_000, what="?"),
        "not UTF-8": edit(what="\ud800"),
    }
    for name in ("edit_id", "recording_id", "note_id", "made_at", "what", "note_onset_s"):
        cases[f"without {name}"] = edit(**{name: ""})
    for value in ("yesterday", "2026-13-45", "9" * 50):
        cases[f"made at {value[:12]}"] = edit(made_at=value)
    for value in ("nan", "inf", "x", "-1", "0.4"):
        cases[f"onset {value}"] = edit(note_onset_s=value)
    for what, values in {
        "dance": ("",),
        "edges": ("", "3", "[1]", "[2, 1]", "[NaN, 1]", '["a", 1]', "{}", "[" * 5000),
        "octave": ("", "1.5", "99", "true", '"1"'),
        "split": ("", "-1", "Infinity", "[]"),
        "join": ("", "0", '"x"'),
        "count": ("", "[1]", "[-1, 2]", "[1, 0]"),
        "undo": ("", "3", '""'),
    }.items():
        for value in values:
            cases[f"{what} {value[:12]}"] = edit(what=what, value=value)
    return cases


WORDS: dict[str, list[str]] = {
    "unknown command": ["mesure"],
    "unknown option": ["check", "--fast"],
    "no such manifest": ["measure", "nowhere.csv"],
    "no such settings": ["measure", "--settings", "nowhere.toml"],
    "workers below 0": ["measure", "--workers", "-1"],
    "workers in words": ["measure", "--workers", "many"],
    "no such tracker": ["measure", "--tracker", "ear"],
    "status of nothing": ["status", "nowhere.csv"],
    "why of nothing": ["status", "--why", "b"],
    "lab without notebooks": ["lab", "nowhere"],
    "pages without results": ["pages", "."],
    "review without results": ["review", "."],
    "claims without results": ["claims", "."],
    "listening without results": ["listening", "."],
    "paper without results": ["paper", "."],
    "package without results": ["package", "."],
    "verify nothing": ["verify", "nowhere"],
    "verify a study": ["verify", "."],
    "expect of nothing": ["expect", "nowhere.wav"],
    "expect of a device": ["expect", os.devnull],
    "expect of a folder": ["expect", "audio"],
    "expect of no sound": ["expect", "corpus_manifest.csv"],
    "expect at no pitch": ["expect", "audio/a.wav", "--pitch", "nan"],
    "practice of nothing": ["practice", "nowhere.wav", "--rate", "5"],
    "practice at a negative rate": ["practice", "audio/a.wav", "--rate", "-5"],
    "practice like nobody": ["practice", "audio/a.wav", "--like", "Nobody"],
    "tone of no pitch": ["tone", "--pitch", "H9"],
    "tone at 0 Hz": ["tone", "--pitch", "0"],
    "tone at no number": ["tone", "--pitch", "nan"],
    "tone too loud": ["tone", "--level", "0"],
    "tone of no length": ["tone", "--duration", "0"],
    "tone of an endless length": ["tone", "--duration", "inf"],
    "tone of 30 years": ["tone", "--duration", "1e9"],
    "tone at no rate": ["tone", "--rate", "fast"],
    "tone with no extent": ["tone", "--extent", "-3"],
    "tone of no waveform": ["tone", "--waveform", "saw"],
    "tone into a folder": ["tone", "audio"],
    "tone into nowhere": ["tone", "nowhere/tone.wav"],
    "a note of nothing": ["tone", "--from", "nowhere.wav", "--at", "1"],
    "a note at no moment": ["tone", "--from", "audio/a.wav"],
    "new study in a file": ["new", "corpus_manifest.csv"],
    "demo in a file": ["demo", "--into", "corpus_manifest.csv"],
}  # fmt: skip

CHECKED: Cases = {
    f"{family}: {name}": case
    for family, cases in (
        ("manifest", manifest_cases()),
        ("settings", settings_cases()),
        ("note list", list_cases()),
        ("score", score_cases()),
    )
    for name, case in cases.items()
}
CLAIMS = claims_cases()
AUDIO = audio_cases()
EDITS = edit_cases()
COUNT = len(CHECKED) + len(CLAIMS) + len(AUDIO) + len(EDITS) + len(WORDS)

# --- what is demanded of each


@pytest.fixture(scope="module", autouse=True)
def _warm(tmp_path_factory):
    """What is loaded once is not counted to the first case."""
    folder = tmp_path_factory.mktemp("warm")
    write_study(folder)
    _named("score_path", "a.musicxml", music())(folder)
    assert main(["check", str(folder)]) == 0
    for words in (["pages"], ["paper"], ["claims"], ["review"], ["listening"], ["package"]):
        main([*words, str(folder)])
    main(["practice", str(folder / "audio" / "a.wav"), "--history", str(folder / "practice.csv")])
    main(["tone", "--pitch", "H9"])
    read_score(folder / "a.musicxml")


@pytest.fixture
def study(tmp_path, monkeypatch) -> Path:
    write_study(tmp_path)
    monkeypatch.chdir(tmp_path)
    return tmp_path


timely = pytest.mark.timeout(SECONDS, func_only=True)


def told(words: list[str], capsys, refused: bool | None) -> str:
    """Run a command; what it says. Judges the exit code, and that nothing of Python shows."""
    capsys.readouterr()
    code = main(words)
    said = capsys.readouterr()
    text = said.out + said.err
    assert code != FAULT and "Traceback" not in text and "unexpected error" not in text, text
    if refused is not None:
        assert (code == UNUSABLE) == refused, f"{code}: {text}"
    if code == UNUSABLE:
        assert said.err.strip(), "a reason is told"
    return said.err if code == UNUSABLE else ""


def judge_lines(text: str) -> None:
    """Each line names a place and, after what is wrong, a repair."""
    for line in text.splitlines():
        if not re.fullmatch(r"\d+ problems\. Mend them .*\.", line):
            said = re.sub(r" \(got (['\"]).*?\1\)(?=\.|$)", "", line)
            assert re.search(r"[^\s:]+(, [^:]+)?: ", said), f"no place: {line[:300]}"
            assert re.search(r"[.?] \S", f"{said} "[:-1]), f"no repair: {line[:300]}"


def judge(problems: list[Problem]) -> None:
    assert problems
    for problem in problems:
        assert problem.file and problem.message and problem.repair, problem


@timely
@pytest.mark.parametrize("case", CHECKED)
def test_check_tells_what_is_wrong_and_how_to_mend_it(case, study, capsys):
    write, refused = CHECKED[case]
    write(study)
    judge_lines(told(["check", "corpus_manifest.csv"], capsys, refused))


@timely
@pytest.mark.parametrize("case", CLAIMS)
def test_claims_with_mistakes_are_refused(case, study, capsys):
    write, _ = CLAIMS[case]
    write(study)
    told(["claims", str(study)], capsys, True)
    with pytest.raises(VibstudyError) as caught:
        read_claims(study)
    judge(caught.value.problems)


@timely
@pytest.mark.parametrize("case", AUDIO)
def test_files_that_are_not_sound(case, study, capsys):
    name, content, refused = AUDIO[case]
    (study / "audio" / name).write_bytes(content)
    raw("corpus_manifest.csv", table(path=f"audio/{name}"))(study)
    judge_lines(told(["check", "corpus_manifest.csv"], capsys, refused))
    try:
        audio = read_audio(study / "audio" / name)
    except VibstudyError as error:
        judge(error.problems)
    else:
        assert refused is not True
        assert np.isfinite(audio.samples).all() and audio.duration_s > 0


@timely
@pytest.mark.parametrize("case", EDITS)
def test_decisions_that_cannot_be_read_are_left_out(case, tmp_path):
    path = tmp_path / EDITS_NAME
    path.write_bytes(",".join(COLUMNS).encode() + b"\n" + edit() + EDITS[case] + edit(edit_id="2e"))
    edits, problems = read_edits(path)
    assert [item.edit_id for item in edits] == ["1f", "2e"], "the others hold"
    judge(problems)
    assert {problem.row for problem in problems} == {3}


@timely
@pytest.mark.parametrize("case", WORDS)
def test_commands_that_cannot_be_done(case, study, capsys):
    told(WORDS[case], capsys, True)


def test_there_are_three_hundred(capsys):
    with capsys.disabled():
        print(f"\n{COUNT} malformed inputs")
    assert COUNT >= 300


# --- what is unusual and right


UNUSUAL = {
    "spaces": "a take  with spaces.wav",
    "composed": unicodedata.normalize("NFC", "café Ünïcode.wav"),
    "decomposed": unicodedata.normalize("NFD", "café Ünïcode.wav"),
    "other scripts": "日本語 🎷 العربية.wav",
    "apostrophe and comma": "d'amour, (take 1) [x] #2 %41.wav",
    "200 letters": "x" * 196 + ".wav",
    "no ending": "take",
    "beginning with a dash": "-take.wav",
}


@timely
@pytest.mark.parametrize("written", ["as it is", "NFC", "NFD", "\\"])
@pytest.mark.parametrize("name", UNUSUAL)
def test_unusual_names_are_found(name, written, study, capsys):
    (study / "audio" / UNUSUAL[name]).write_bytes(sound())
    path = f"audio/{UNUSUAL[name]}"
    path = unicodedata.normalize(written, path) if written.startswith("NF") else path
    path = path.replace("/", "\\") if written == "\\" else path
    raw("corpus_manifest.csv", table(path=path))(study)
    told(["check", "corpus_manifest.csv"], capsys, False)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
@timely
@pytest.mark.parametrize("column", ["path", "score_path", "notes_path", "manifest"])
def test_a_pipe_is_no_file(column, study, capsys):
    os.mkfifo(study / "pipe.wav")
    if column != "manifest":
        raw("corpus_manifest.csv", table(**{column: "pipe.wav"}))(study)
    words = ["check", "pipe.wav" if column == "manifest" else "corpus_manifest.csv"]
    assert "not an ordinary file" in told(words, capsys, True)


@timely
@pytest.mark.parametrize("read", [read_audio, read_score, read_note_list, read_claims, load_settings])
@pytest.mark.parametrize("path", [os.devnull, "a\0b", "x" * 5000])
def test_readers_refuse_what_is_no_file(read, path, tmp_path):
    if read is read_score and "\0" in path:
        return  # the manifest's check has refused it before
    with pytest.raises(VibstudyError) as caught:
        read(path)
    judge(caught.value.problems)


# --- any bytes at all


def _read(read: Callable[[Path], object], path: Path, content: bytes) -> None:
    path.write_bytes(content)
    try:
        read(path)
    except VibstudyError as error:
        judge(error.problems)


def _toml(keys: list[str]) -> st.SearchStrategy[bytes]:
    """Text that looks like settings or claims."""
    value = st.one_of(
        st.integers().map(str),
        st.floats().map(lambda number: repr(number)),
        st.text(max_size=8).map(json.dumps),
        st.sampled_from(["true", "[]", "{}", "[1, 'a']", "1979-05-27", "nan", "{ a = 1 }"]),
    )
    line = st.tuples(st.sampled_from(keys), value).map(" = ".join)
    return st.lists(line, max_size=6).map(lambda lines: "\n".join(lines).encode("utf-8", "replace"))


@pytest.mark.parametrize(
    ("read", "name", "lead"),
    [(read_claims, "claims.toml", b"[[claim]]\n"), (load_settings, "study.toml", b"[measure]\n")],
)
def test_any_settings_and_claims(read, name, lead, tmp_path):
    keys = [*CLAIM, "margin", "adjust"] if name == "claims.toml" else list(Settings.__dataclass_fields__)

    @hypothesis_settings(max_examples=80, deadline=None, database=None)
    @given(st.one_of(st.binary(max_size=60), _toml(keys)))
    def any_bytes(content):
        _read(read, tmp_path / name, lead + content)

    any_bytes()


@pytest.mark.parametrize(
    ("read", "name", "lead"),
    [
        (read_score, "a.mid", b"MThd\x00\x00\x00\x06\x00\x01\x00\x01\x01\xe0MTrk"),
        (read_score, "a.musicxml", b"<score-partwise>"),
        (read_note_list, "a.csv", b"onset_s,offset_s,pitch\n"),
        (read_audio, "a.wav", wav()[:36]),
    ],
)
def test_any_bytes(read, name, lead, tmp_path):
    # what libsndfile cannot read is tried with the program ffmpeg, which takes its time
    @hypothesis_settings(max_examples=10 if read is read_audio else 60, deadline=None, database=None)
    @given(st.binary(max_size=100))
    def any_bytes(content):
        _read(read, tmp_path / name, lead + content)

    any_bytes()


@hypothesis_settings(max_examples=200, deadline=None, database=None)
@given(st.binary(max_size=200))
def test_any_line_of_decisions(content):
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / EDITS_NAME
        path.write_bytes(edit() + content)
        edits, problems = read_edits(path)
    assert edits and all(problem.repair for problem in problems)
