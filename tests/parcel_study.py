"""A reviewed study to be packed, as its owner has it, and ways to change a package and seal it again."""

from __future__ import annotations

import csv
import getpass
import hashlib
import json
import platform
import re
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from tests.invented_study import invented_notes
from tests.test_package import write_measured_study
from vibstudy.decisions.edits import append_edit, make_edit
from vibstudy.paper.package import make_package
from vibstudy.paper.parts import About
from vibstudy.stats.claims import read_claims
from vibstudy.stats.ledger import Ledger
from vibstudy.stats.logbook import hashes_of

LOGIN = getpass.getuser()
HOST = platform.node()
PRIVATE = ("my supervisor said so, tel 030 555 0172", "Zephyrine Quillfeather")
CLAIMS = f"""\
# {PRIVATE[0]}
[[claim]]
id = "slower"
sentence = "Vibrato became slower."
outcome = "rate_hz"
contrast = {{ column = "decade", from = 1930, to = 2000 }}
expect = "lower"

[[claim]]
id = "nowhere"
sentence = "Nobody can tell."
outcome = "rate_hz"
contrast = {{ column = "medium", from = "digital", to = "wire" }}
expect = "higher"
"""


def reviewed_study(folder: Path, players: int = 6, notes: int = 12) -> Path:
    """A study folder with decisions of two listeners, remarks, comments, file names and a log."""
    table = invented_notes(players=players, notes=notes, recordings=2)
    heard = table["recording_id"].eq("take000") & table["note_id"].str.endswith(("/0001", "/0002"))
    table["reviewed"] = table["reviewed"].mask(heard, "accepted")
    table["comment"] = PRIVATE[0]
    table["note_label"] = PRIVATE[0]
    table["tutor"] = "Teacher Elm"
    study = write_measured_study(folder, table, CLAIMS)
    recordings = pd.read_csv(study / "results" / "recordings.csv")
    recordings["comment"] = PRIVATE[0]
    recordings["tutor"] = "Teacher Elm"
    recordings["score_path"] = f"scores/{PRIVATE[1]}.mid"
    recordings["score_problem"] = f"{PRIVATE[1]}.mid: no notes in this score."
    recordings.to_csv(study / "results" / "recordings.csv", index=False)
    hashes = hashes_of(recordings)
    ledger = Ledger(study / "results" / "claims_log.csv")
    ledger.append(
        [("recording", name, sha, "") for name, sha in hashes.items()],
        datetime(2024, 1, 5, 20, 15, tzinfo=UTC),
    )
    ledger.append(
        [("claim", c.id, c.sha256, c.sentence) for c in read_claims(study / "claims.toml")],
        datetime(2024, 2, 5, 20, 15, tzinfo=UTC),
    )
    for row in table[heard].to_dict("records"):
        for who in (LOGIN, PRIVATE[1]):
            append_edit(study / "edits.csv", make_edit(who, row, hashes["take000"], "accept", why=PRIVATE[0]))
    return study


def packed(study: Path, out: Path) -> Path:
    """Its package."""
    make_package(study, out, About("Invented data", "A. Nonymous", "CC0-1.0"))
    return out


def seal(folder: Path) -> None:
    """Enter sizes and hashes of all files into the descriptor again, as a forger would."""
    path = folder / "datapackage.json"
    descriptor = json.loads(path.read_bytes())
    resources = []
    for item in descriptor["resources"]:
        file = folder / item["path"]
        if file.is_file():
            content = file.read_bytes()
            item |= {"bytes": len(content), "hash": f"sha256:{hashlib.sha256(content).hexdigest()}"}
            resources.append(item)
    descriptor["resources"] = resources
    path.write_text(json.dumps(descriptor, indent=1, ensure_ascii=False, sort_keys=True), encoding="utf-8")


def swap(name: str, old: str, new: str, count: int = 1) -> Callable[[Path], None]:
    """Replace a text in a file."""

    def change(folder: Path) -> None:
        text = (folder / name).read_bytes().decode("utf-8")
        assert old in text, (name, old)
        (folder / name).write_bytes(text.replace(old, new, count).encode("utf-8"))

    return change


def cells(name: str, alter: Callable[[list[list[str]]], Any]) -> Callable[[Path], None]:
    """Change the rows of a table in place; columns whose texts are in quotation marks keep them."""

    def change(folder: Path) -> None:
        text = (folder / name).read_text(encoding="utf-8")
        rows = list(csv.reader(text.splitlines()))
        raw = [re.findall(r'("(?:[^"]|"")*"|[^,]*)(?:,|$)', line) for line in text.splitlines()]
        quoted = {head: any(line[k][:1] == '"' for line in raw[1:]) for k, head in enumerate(rows[0])}
        blank = {head: any(line[k] == '""' for line in raw[1:]) for k, head in enumerate(rows[0])}
        marked = raw[0][0].startswith('"')
        alter(rows)
        lines = [",".join(_quoted(cell) if marked else cell for cell in rows[0])]
        for row in rows[1:]:
            lines.append(
                ",".join(
                    _quoted(cell) if quoted.get(head) and (cell or blank[head]) else cell
                    for head, cell in zip([*rows[0], *[""] * len(row)], row, strict=False)
                )
            )
        (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")

    return change


def _quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"'


def put(name: str, row: int, column: str, value: str) -> Callable[[Path], None]:
    """Change one cell: `row` counts from 1 below the header."""

    def alter(rows: list[list[str]]) -> None:
        rows[row][rows[0].index(column)] = value

    return cells(name, alter)


def log_again(alter: Callable[[list[Any]], None]) -> Callable[[Path], None]:
    """Change the rows of the log and forge its chain."""

    def change(folder: Path) -> None:
        path = folder / "claims_log.csv"
        old = Ledger(path)
        rows = list(old.rows)
        alter(rows)
        path.unlink()
        new = Ledger(path)
        for row in rows:
            new.append([row[1:]], datetime.strptime(row[0], "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC))

    return change
