"""Some sixty tamperings with a package: `SLIPS` leave its hashes as they are, `FORGERIES` are sealed again."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
from collections.abc import Callable
from pathlib import Path

from tests.parcel_study import CLAIMS, cells, log_again, put, swap


def descriptor(alter: Callable[[dict], object]) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        path = folder / "datapackage.json"
        content = json.loads(path.read_bytes())
        alter(content)
        path.write_text(json.dumps(content, indent=1, ensure_ascii=False, sort_keys=True), encoding="utf-8")

    return change


def resource_of(content: dict, name: str) -> dict:
    return next(item for item in content["resources"] if item["path"] == name)


def link(name: str, target: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        (folder / name).unlink()
        (folder / name).symlink_to(target)

    return change


def linked_twin(folder: Path) -> None:
    shutil.copy(folder / "notes.csv", folder.parent / "twin.csv")
    link("notes.csv", str(folder.parent / "twin.csv"))(folder)


def pipe(folder: Path) -> None:
    (folder / "README.txt").unlink()
    os.mkfifo(folder / "README.txt")


def folder_for_file(folder: Path) -> None:
    (folder / "edits.csv").unlink()
    (folder / "edits.csv").mkdir()


SLIPS: dict[str, Callable[[Path], None]] = {
    "a digit in the notes": put("notes.csv", 1, "midi", "61"),
    "a figure in the claims": put("claims.csv", 1, "p", "0.001"),
    "the licence is missing": lambda f: (f / "LICENCE.txt").unlink(),
    "the notes are missing": lambda f: (f / "notes.csv").unlink(),
    "a further table": lambda f: (f / "extra.csv").write_text("a\n1\n"),
    "a hidden file": lambda f: (f / ".hidden").write_text("x"),
    "a folder": lambda f: (f / "results").mkdir(),
    "a parquet file of notes": lambda f: (f / "notes.parquet").write_bytes(b"PAR1"),
    "a link to its twin": linked_twin,
    "a link out": link("edits.csv", "/etc/passwd"),
    "a link to itself": link("edits.csv", "edits.csv"),
    "a link to a device": link("README.txt", "/dev/zero"),
    "a pipe": pipe,
    "a folder for a file": folder_for_file,
    "no resources": descriptor(lambda d: d.update(resources=[])),
    "resources are words": descriptor(lambda d: d.update(resources=["notes.csv"])),
    "an absolute path": descriptor(lambda d: resource_of(d, "README.txt").update(path="/etc/passwd")),
    "a path upwards": descriptor(lambda d: resource_of(d, "README.txt").update(path="../notes.csv")),
    "a resource twice": descriptor(lambda d: d["resources"].append(d["resources"][0])),
    "a resource less": descriptor(lambda d: d["resources"].pop()),
    "the descriptor names itself": descriptor(lambda d: resource_of(d, "README.txt").update(path="datapackage.json")),
    "a hash that is none": descriptor(lambda d: d["resources"][0].update(hash="sha256:0")),
    "another kind of hash": descriptor(lambda d: d["resources"][0].update(hash="md5:" + "0" * 32)),
    "a negative size": descriptor(lambda d: d["resources"][0].update(bytes=-1)),
    "a size that is true": descriptor(lambda d: d["resources"][0].update(bytes=True)),
    "the descriptor is a list": lambda f: (f / "datapackage.json").write_text("[]"),
    "a key twice": swap("datapackage.json", '"resources": [', '"resources": [], "resources": ['),
    "a key twice inside": swap("datapackage.json", '"bytes":', '"bytes": 1, "bytes":'),
}  # fmt: skip


def without(name: str) -> Callable[[Path], None]:
    return lambda folder: (folder / name).unlink()


def last_digit(folder: Path) -> None:
    """The estimate in an answer, changed by one in its last digit."""
    file = folder / "claims.csv"
    text = file.read_text(encoding="utf-8")
    changed = re.sub(r"(\d)( Hz \(95 %)", lambda m: f"{(int(m[1]) + 1) % 10}{m[2]}", text, count=1)
    assert changed != text
    file.write_text(changed, encoding="utf-8")


def drop(row: int) -> Callable[[list], object]:
    return lambda rows: rows.pop(row)


def forged_dates(rows: list) -> None:
    """Claims move to the top, with the dates they have."""
    rows[:] = [row for row in rows if row[1] == "claim"] + [row for row in rows if row[1] != "claim"]


def beside_rounding(old: str, new: str) -> Callable[[Path], None]:
    """Change words of an answer, hidden behind a figure that differs as another computer's might."""

    def change(folder: Path) -> None:
        rows = list(csv.reader((folder / "claims.csv").read_text(encoding="utf-8").splitlines()))
        estimate = float(rows[1][rows[0].index("estimate")])
        put("claims.csv", 1, "estimate", repr(estimate * (1 + 1e-6)))(folder)
        swap("claims.csv", old, new)(folder)

    return change


def backdated(rows: list) -> None:
    forged_dates(rows)
    rows[:] = [("2023-01-01T00:00:00Z" if row[1] == "claim" else row[0], *row[1:]) for row in rows]


FORGERIES: dict[str, Callable[[Path], None]] = {
    "models emptied": cells("models.csv", lambda rows: rows.__delitem__(slice(1, None))),
    "models left out": without("models.csv"),
    "a false first row": put("models.csv", 1, "estimate", "5.5"),
    "a term's estimate": put("models.csv", 2, "estimate", "-0.012"),
    "a term's p": put("models.csv", 2, "p", "0.0001"),
    "a standard error made missing": put("models.csv", 2, "se", ""),
    "a standard error made NaN": put("models.csv", 2, "se", "nan"),
    "a term renamed": put("models.csv", 2, "term", "year"),
    "a row of models more": cells("models.csv", lambda rows: rows.append(rows[-1])),
    "a row of models less": cells("models.csv", drop(1)),
    "models in another order": cells("models.csv", lambda rows: rows.__setitem__(slice(1, None), rows[:0:-1])),
    "a column of models less": cells("models.csv", lambda rows: [row.pop() for row in rows]),
    "two columns of models changed over": cells("models.csv", lambda rows: [row.insert(3, row.pop(4)) for row in rows]),
    "another formula": put("models.csv", 1, "formula", "rate_hz ~ decade"),
    "claims left out": without("claims.csv"),
    "claims and their file left out": lambda f: [without(n)(f) for n in ("claims.csv", "claims.toml")],
    "an estimate where there is none": put("claims.csv", 2, "estimate", "0.5"),
    "an estimate taken away": put("claims.csv", 1, "estimate", ""),
    "a verdict": put("claims.csv", 2, "verdict", "supported"),
    "an answer": put("claims.csv", 2, "answer", "Supported: rate rose by 3 Hz."),
    "the last digit of an answer": last_digit,
    "a standing": put("claims.csv", 1, "standing", "written first"),
    "a date of writing": put("claims.csv", 1, "written_utc", "2023-01-01T00:00:00Z"),
    "a sentence in the verdicts": put("claims.csv", 1, "sentence", "Vibrato became much slower."),
    "a sentence in the claims": swap("claims.toml", "Vibrato became slower.", "Vibrato became much slower."),
    "a caveat taken away": put("claims.csv", 1, "caveats", ""),
    "what is expected": swap("claims.toml", 'expect = "lower"', 'expect = "higher"'),
    "a remark in the claims": lambda f: (f / "claims.toml").write_text("# trust me\n" + (f / "claims.toml").read_text()),
    "a claim twice in the verdicts": cells("claims.csv", lambda rows: rows.append(rows[-1])),
    "a claim taken out of the verdicts": cells("claims.csv", drop(2)),
    "a claim taken out of the claims": lambda f: (f / "claims.toml").write_text(CLAIMS.split("[[claim]]")[1].join(["[[claim]]", ""])),
    "a column of claims more": cells("claims.csv", lambda rows: [row.append("x") for row in rows]),
    "a row of the log changed": swap("claims_log.csv", "Vibrato became slower.", "Vibrato slowed."),
    "a row of the log taken out": cells("claims_log.csv", drop(2)),
    "a row of the log cut short": cells("claims_log.csv", lambda rows: rows[2].pop()),
    "claims moved up in the log": log_again(forged_dates),
    "claims dated back in the log": log_again(backdated),
    "an impossible date in the log": log_again(lambda rows: rows.__setitem__(0, ("2023-01-01T00:00:00Z", "thing", *rows[0][2:]))),
    "another recording in the log": log_again(lambda rows: rows.__setitem__(0, (*rows[0][:3], "f" * 64, ""))),
    "a claim left out of the log": log_again(
        lambda rows: rows.remove([row for row in rows if row[1] == "claim"][-1])
    ),
    "the log left out": without("claims_log.csv"),
    "a recording's player": put("recordings.csv", 1, "player", "Player Nobody"),
    "a recording's decade": put("recordings.csv", 1, "decade", "1990"),
    "a recording's own column": put("recordings.csv", 1, "tutor", "Teacher Oak"),
    "a recording's count": put("recordings.csv", 3, "notes", "5"),
    "a recording's hash": put("recordings.csv", 1, "audio_sha256", "e" * 64),
    "a recording twice": cells("recordings.csv", lambda rows: rows.append(rows[1])),
    "a recording less": cells("recordings.csv", drop(3)),
    "a recording called upwards": swap("recordings.csv", '"take010"', '"../take010"'),
    "a note's player": put("notes.csv", 30, "player", "Player Nobody"),
    "a note less": cells("notes.csv", drop(40)),
    "a note twice": cells("notes.csv", lambda rows: rows.append(rows[-1])),
    "a note's rate": cells("notes.csv", lambda rows: [row.__setitem__(rows[0].index("rate_hz"), "9.5") for row in rows[30:40]]),
    "a note's rate endless": put("notes.csv", 30, "rate_hz", "inf"),
    "a note's rate a word": put("notes.csv", 30, "rate_hz", "fast"),
    "a note's rate NaN": put("notes.csv", 30, "rate_hz", "nan"),
    "a negative extent": put("notes.csv", 30, "extent_cents", "-20.0"),
    "a note's pitch written otherwise": put("notes.csv", 30, "pitch_hz", "4.4e2"),
    "a note perhaps with vibrato": swap("notes.csv", ",true,", ",perhaps,"),
    "a note rejected by nobody": put("notes.csv", 60, "reviewed", "rejected"),
    "another note of a heard recording rejected": put("notes.csv", 6, "reviewed", "rejected"),
    "a decision that changed nothing": put("notes.csv", 2, "reviewed", "auto"),
    "a decision with a time of day": swap("edits.csv", "T00:00:00.000002", "T20:15:00.000002"),
    "a column of notes called as code": swap("notes.csv", '"tutor"', '"`tutor` + __import__(\'os\').system(\'x\')"'),
    "a column of notes twice": swap("notes.csv", '"tutor"', '"player"'),
    "a column of paths": swap("notes.csv", '"tutor"', '"path"'),
    "a column of the tool renamed": swap("notes.csv", '"rate_hz"', '"rate"'),
    "a mark in front of the notes": lambda f: (f / "notes.csv").write_bytes(b"\xef\xbb\xbf" + (f / "notes.csv").read_bytes()),
    "an empty line": lambda f: (f / "notes.csv").write_bytes((f / "notes.csv").read_bytes() + b"\n"),
    "a listener's name": swap("edits.csv", "listener 1", "Anna Example"),
    "a decision on another recording": swap("edits.csv", "take000,", "take999,"),
    "decisions left out": without("edits.csv"),
    "a decision of no kind": swap("edits.csv", "accept", "adore"),
    "another version": swap("environment.json", '"vibstudy": "', '"vibstudy": "9.'),
    "a setting of another kind": swap("environment.json", '"false_alarm": 0.01', '"false_alarm": "0.01"'),
    "a setting more": swap("environment.json", '"false_alarm"', '"trust": 1, "false_alarm"'),
    "a setting twice": swap("environment.json", '"false_alarm"', '"false_alarm": 0.5, "false_alarm"'),
    "an endless setting": swap("environment.json", '"false_alarm": 0.01', '"false_alarm": 1e999'),
    "a word in the README": swap("README.txt", "half of the peak-to-peak", "the peak-to-peak"),
    "another licence": swap("LICENCE.txt", "Creative Commons Zero", "No licence"),
    "another author": swap("CITATION.cff", "A. Nonymous", "B. Nonymous"),
    "another title in the descriptor": descriptor(lambda d: d.update(title="Other data")),
    "another author in the descriptor": descriptor(lambda d: d["contributors"][0].update(title="B. Nonymous")),
    "another licence in the descriptor": descriptor(lambda d: d["licenses"][0].update(name="CC-BY-4.0")),
    "another unit in the descriptor": swap("datapackage.json", '"unit": "± cents"', '"unit": "cents, peak to peak"'),
    "another word in the descriptor": swap("datapackage.json", "HALF", "ALL"),
    "another type in the descriptor": swap("datapackage.json", '"type": "number"', '"type": "string"'),
    "a key more in the descriptor": descriptor(lambda d: d.update(verified=True)),
    "a yes in the descriptor made a one": swap("datapackage.json", '"required": true', '"required": 1'),
    "a title that steers the terminal": lambda f: [
        swap("datapackage.json", "Invented data", "Invented\\u001b[31m data")(f), swap("README.txt", "Invented", "Invented\x1b[31m")(f),
        swap("CITATION.cff", "Invented", "Invented\\u001b[31m")(f),
    ],
    "players of an answer": beside_rounding("; 6 players", "; 7 players"),
    "notes of an answer": beside_rounding("73 notes).", "74 notes)."),
    "the interval of an answer": beside_rounding("(95 % interval", "(96 % interval"),
    "the p of an answer": beside_rounding("p = 0.106", "p = 0.105"),
    "the players of a caveat": beside_rounding("(3 players)", "(4 players)"),
    "a count with a point": put("claims.csv", 1, "players", "6.0"),
    "a count of notes and a bit": put("claims.csv", 1, "notes", "73.005"),
    "a decision at the end of the calendar": lambda f: (f / "edits.csv").write_text(re.sub(r"[-T:0-9]{19}\.000001\+00:00", "9999-12-31T23:59:59.000001-23:00", (f / "edits.csv").read_text())),
    "a decision at its beginning": lambda f: (f / "edits.csv").write_text(re.sub(r"[-T:0-9]{19}\.000001\+00:00", "0001-01-01T00:00:00.000001+23:00", (f / "edits.csv").read_text())),
    "a listener left out of the count": swap("edits.csv", "listener 2", "listener 3", -1),
    "a listener counted otherwise": swap("edits.csv", "listener 2", "listener 02", -1),
    "a value where a decision has none": swap("edits.csv", ",accept,,", ",accept,5,"),
    "another method": lambda f: (f / "environment.json").write_text(re.sub(r'("method_version": )', r"\g<1>9", (f / "environment.json").read_text())),
    "a setting out of range": swap("environment.json", '"false_alarm": 0.01', '"false_alarm": -7.5'),
    "the author is a number": descriptor(lambda d: d["contributors"][0].update(title=5)),
}  # fmt: skip
