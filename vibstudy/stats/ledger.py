"""An append-only log that shows what was written before what.

``results/claims_log.csv`` has one row for every recording when it is first seen, for every claim when
its wording is first seen or it is gone, for every verdict that is new, and for settings, tags and edits that
changed. The order of rows is the evidence: a claim
that stands above a recording was written before that recording was measured.

Each row ends with a link: the SHA-256 of the link above and of the row itself. A row that is changed,
removed or put in later breaks the chain, and :meth:`Ledger.broken` tells where. This guards against
slips and forgetting; it is no proof against someone who writes the whole file anew.

============  =====================================================================================
``at_utc``    date and time, UTC (ISO 8601)
``event``     recording, settings, tags, edits, claim, withdrawn or verdict
``name``      recording_id, file, or the claim's id
``sha256``    of the sound file; of the settings, of a recording's tags, of all edits; of the claim's content
``detail``    by which notes a recording is known again; "first" or "changed"; the claim's sentence and
              whether it is exploratory (JSON); "reworded", "taken out" or "pooled"; the verdict, its look and
              its figures (JSON)
``link``      SHA-256 of the link above, a line feed, and the five cells joined by tabs
============  =====================================================================================
"""

from __future__ import annotations

import csv
import hashlib
import io
import os
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from vibstudy.corpus.untrusted import TEMPORARY, as_text, read_bytes
from vibstudy.errors import VibstudyError

FIELDS = ("at_utc", "event", "name", "sha256", "detail")
FILE_NAME = "claims_log.csv"
EVENTS = frozenset(["recording", "settings", "tags", "edits", "claim", "withdrawn", "verdict"])

Row = tuple[str, str, str, str, str]


class Ledger:
    """The log of claims.

    Parameters
    ----------
    path : path
        The CSV file; made with the first row.
    """

    def __init__(self, path: Path):
        self.path = path
        self.rows: list[Row] = []
        self.links: list[str] = []
        self._odd: int | None = None
        self._places: dict[tuple[str, ...], int] = {}
        if os.path.lexists(path):  # a link that leads nowhere is told, not written over
            self._read()

    def _read(self) -> None:
        text = as_text(read_bytes(self.path, "log of claims"), self.path, "log of claims")
        try:
            lines = list(csv.reader(io.StringIO(text, newline="")))
        except csv.Error as error:
            raise VibstudyError(
                f"the log of claims cannot be read: {error}",
                file=str(self.path),
                repair="Restore it from a backup, or move it away to begin a new one.",
            ) from None
        if not lines or tuple(lines[0]) != (*FIELDS, "link"):
            raise VibstudyError(
                "this is no log of claims",
                file=str(self.path),
                got=",".join(lines[0]) if lines else "an empty file",
                repair="Restore it from a backup, or move it away to begin a new one.",
            )
        for number, line in enumerate(lines[1:], start=2):
            if len(line) == len(FIELDS) + 1:
                self._enter((line[0], line[1], line[2], line[3], line[4]), line[5])
            elif line and self._odd is None:
                self._odd = number

    def _enter(self, row: Row, link: str) -> None:
        self._places.setdefault(row[1:4], len(self.rows))
        self.rows.append(row)
        self.links.append(link)

    @classmethod
    def made_of(cls, path: Path, rows: Iterable[Row]) -> Ledger:
        """Write a log of rows that have their times already, and return it."""
        made = cls(path)
        for row in rows:
            made._enter(row, _link(made.links[-1] if made.links else "", row))
        made._write()
        return made

    @property
    def broken(self) -> int | None:
        """Row number, as a spreadsheet shows it, of the first row that does not follow; None if whole."""
        if self._odd is not None:
            return self._odd
        link = ""
        for k, (row, found) in enumerate(zip(self.rows, self.links, strict=True)):
            link = _link(link, row)
            if link != found:
                return k + 2
        return None

    def first(self, event: str, name: str, sha256: str) -> int | None:
        """Place of the first row with this event, name and hash, or None."""
        return self._places.get((event, name, sha256))

    def append(self, events: Iterable[tuple[str, str, str, str]], now: datetime | None = None) -> None:
        """Add (event, name, sha256, detail) rows and write the file anew in one step."""
        at = (now or datetime.now(UTC)).astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        added = [(at, *event) for event in events]
        if not added:
            return
        for row in added:
            self._enter(row, _link(self.links[-1] if self.links else "", row))
        self._write()

    @property
    def text(self) -> str:
        """The whole file."""
        stream = io.StringIO(newline="")
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow((*FIELDS, "link"))
        writer.writerows((*row, link) for row, link in zip(self.rows, self.links, strict=True))
        return stream.getvalue()

    def _write(self) -> None:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        temporary = self.path.with_name(self.path.name + TEMPORARY)
        with temporary.open("w", encoding="utf-8", newline="") as file:
            file.write(self.text)
        try:
            temporary.replace(self.path)
        except PermissionError:
            temporary.unlink(missing_ok=True)
            raise VibstudyError(
                "the log of claims cannot be written",
                file=str(self.path),
                repair="Close the program that has it open, then run the same command again.",
            ) from None


def _link(previous: str, row: Sequence[str]) -> str:
    return hashlib.sha256((previous + "\n" + "\t".join(row)).encode("utf-8")).hexdigest()
