"""The book of a draft: its tables and sections, and which cell of which table each printed number is.

Every number is put into the text by :meth:`Book.cite`, which formats a cell of a table and remembers which. What
is remembered is written as ``numbers.csv``; whoever reads the draft can look up each number. Figures and tables
are numbered in the order in which they are spoken of (:meth:`Book.see`).
"""

from __future__ import annotations

# Sentences of the draft read best unbroken:
# ruff: noqa: E501
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

MINUS = "\N{MINUS SIGN}"
SEVERAL = " or "
"""Between the values of a setting in which joined studies differ."""


NUMBER = re.compile(r"\d+(?:[.,]\d+)*")
"""A number as it is printed."""


_LEVEL = re.compile(r"\[T\.([^\]]*)\]")
"""A level of a factor, as the models name it."""


@dataclass(frozen=True)
class Citation:
    """A number, or a whole cell, that stands in the text.

    Parameters
    ----------
    section : str
        Heading it stands under.
    printed : str
        As it stands there.
    table, column : str
        Where it comes from.
    row : int
        Row of that table, the first is 1.
    pattern : str
        How it is formatted.
    """

    section: str
    printed: str
    table: str
    row: int
    column: str
    pattern: str


@dataclass
class Section:
    """A heading, its paragraphs, and the tables and figures first spoken of there, as (kind, name, number)."""

    title: str
    paragraphs: list[str] = field(default_factory=list)
    floats: list[tuple[str, str, int]] = field(default_factory=list)
    appendix: bool = False


@dataclass
class Book:
    """The tables of the paper, and what of them stands in the text."""

    tables: dict[str, pd.DataFrame] = field(default_factory=dict)
    sections: list[Section] = field(default_factory=list)
    citations: list[Citation] = field(default_factory=list)
    drawn: Sequence[str] = ()

    def begin(self, title: str, appendix: bool = False) -> None:
        """Open a section."""
        self.sections.append(Section(title, appendix=appendix))

    def see(self, *names: str) -> str:
        """Return " (Figure 1, Table 2)" for figures ("figure claims") and tables ("table claims") that there are.

        They are numbered in the order in which they are spoken of; one spoken of first stands below the section
        that is open. "" when there is none of them.
        """
        words = []
        for kind, _, name in (wanted.partition(" ") for wanted in names):
            if not (name in self.drawn if kind == "figure" else len(self.tables.get(name, ()))):
                continue
            known = [found for section in self.sections for found in section.floats if found[0] == kind]
            number = next((found[2] for found in known if found[1] == name), 0)
            if not number:
                number = len(known) + 1
                self.sections[-1].floats.append((kind, name, number))
            words.append(f"{kind.capitalize()} {self._number(kind, name, number)}")
        return f" ({', '.join(words)})" if words else ""

    def _number(self, kind: str, name: str, number: int) -> str:
        """Note a number of a figure or table among what is cited."""
        title = self.sections[-1].title
        table = self.tables.setdefault("floats", pd.DataFrame(columns=["kind", "name", "number"]))
        at = table.index[(table["kind"] == kind) & (table["name"] == name)]
        if not len(at):
            new = pd.DataFrame([{"kind": kind, "name": name, "number": number}])
            table = self.tables["floats"] = pd.concat([table, new], ignore_index=True)
            at = table.index[-1:]
        self.citations.append(Citation(title, str(number), "floats", int(at[0]) + 1, "number", "count"))
        return str(number)

    def numbered(self, kind: str) -> list[tuple[str, int]]:
        """Return name and number of the figures or tables spoken of, in order."""
        return [(name, n) for section in self.sections for what, name, n in section.floats if what == kind]

    def say(self, text: str) -> None:
        """Add a paragraph to the section that is open."""
        self.sections[-1].paragraphs.append(" ".join(text.split()))

    def cite(self, table: str, row: int, column: str, pattern: str = "text") -> str:
        """Return a cell as it is printed, and remember it. `row` counts from 0."""
        printed = as_printed(self.tables[table][column].iloc[row], pattern)
        title = self.sections[-1].title
        self.citations.append(Citation(title, printed, table, row + 1, column, pattern))
        return printed

    def setting(self, name: str, pattern: str = "g") -> str:
        """Return a value of the table of settings; several, of studies joined, as they stand."""
        row = self.tables["settings"]["setting"].tolist().index(name)
        if SEVERAL in str(self.tables["settings"]["value"].iloc[row]):
            pattern = "text"
        return self.cite("settings", row, "value", "text" if pattern == "text" else f"number {pattern}")

    def reference(self, *keys: str) -> str:
        """Return "(Holm 1979)" for works of the table of references."""
        known = self.tables["references"]["key"].tolist()
        labels = [self.cite("references", known.index(key), "label") for key in keys]
        return f"({'; '.join(labels)})"

    def numbers(self) -> pd.DataFrame:
        """Return what stands in the text, one row a citation."""
        return pd.DataFrame([vars(citation) for citation in self.citations])


def as_printed(value: Any, pattern: str) -> str:
    """Format a value: "text"; "term" ("region Keldria" of "region[T.Keldria]"); "p" ("= 0.012"), "p alone"; "share" (per cent); "number FORMAT" for a text that holds a number; or a
    format of Python, with a true minus sign.
    """
    if pattern == "text":
        return str(value)
    if pattern == "term":
        return _LEVEL.sub(r" \1", str(value))
    if pattern == "p":
        return "< 0.001" if value < 0.001 else f"= {value:.3f}"
    if pattern == "p alone":
        return "< 0.001" if value < 0.001 else f"{value:.3f}"
    if pattern == "share":
        return f"{100 * value:.0f} %"
    if pattern.startswith("number "):
        return format(float(value), pattern.removeprefix("number ")).replace("-", MINUS)
    if pattern == "count":
        return f"{int(value):,}"
    return format_number(float(value), pattern)


_LARGEST_PRINTED = 1e6
"""An end of an interval beyond it, as odds of all against none have, tells only that it has no end."""


def format_number(value: float, pattern: str) -> str:
    """Format a number in full with a true minus sign; beyond :data:`_LARGEST_PRINTED`, "∞"."""
    if abs(value) > _LARGEST_PRINTED:
        sign = "+" if pattern.startswith("+") and value > 0 else "-" if value < 0 else ""
        return f"{sign}∞".replace("-", MINUS)
    text = format(value, re.sub(r"^([+ ]?)(?=[\d.]*f$)", r"\1z", pattern))  # z: no minus before a zero
    if "e+" in text:
        text = format(float(text), "+,.0f" if pattern.startswith("+") else ",.0f")
    return text.replace("-", MINUS)
