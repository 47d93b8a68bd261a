"""The draft and its tables as files: LaTeX, Word, HTML, CSV.

LaTeX is plain: ``article`` with booktabs and graphicx, for pdfTeX or XeTeX. Everything that comes from
the user's tables is escaped.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from vibstudy.corpus.tables import put_in_place, write_frame, write_text
from vibstudy.figures.style import EXTENT_NOTE
from vibstudy.paper.figures import PaperFigure
from vibstudy.paper.references import WORKS
from vibstudy.paper.text import Book, as_printed

_TEX = {
    "\\": r"\textbackslash{}", "&": r"\&", "%": r"\%", "$": r"\$", "#": r"\#", "_": r"\_", "{": r"\{",
    "}": r"\}", "~": r"\textasciitilde{}", "^": r"\textasciicircum{}", "<": r"\textless{}",
    ">": r"\textgreater{}", "±": r"$\pm$", "\N{MINUS SIGN}": "$-$", "×": r"$\times$", "♯": r"$\sharp$",
    "♭": r"$\flat$", "≤": r"$\le$", "≥": r"$\ge$", "“": "``", "”": "''", "–": "--", "²": r"$^2$",
    "·": r"$\cdot$", "…": r"\dots{}",
}  # fmt: skip
"""Characters that LaTeX would take for commands, or that its oldest engine lacks."""


_HASH = re.compile(r"[0-9a-f]{40,}")
"""A hash, which may be broken at the end of a line."""


@dataclass(frozen=True)
class PrintedTable:
    """A table as it is printed.

    Parameters
    ----------
    name : str
        File name without ending; the name in the book.
    title : str
        Caption.
    columns : tuple of (str, str, str)
        Column, head, and pattern of :func:`~vibstudy.paper.text.as_printed`.
    """

    name: str
    title: str
    columns: tuple[tuple[str, str, str], ...]

    def cells(self, table: pd.DataFrame) -> tuple[list[str], list[list[str]]]:
        """Return heads and rows as text; missing values are blank."""
        used = [column for column in self.columns if column[0] in table]
        rows = [
            ["" if pd.isna(row[name]) else as_printed(row[name], pattern) for name, _, pattern in used]
            for row in table.to_dict("records")
        ]
        return [head for _, head, _ in used], rows


PRINTED = (
    PrintedTable(
        "players",
        f"Players: share of notes with vibrato, mean rate and extent. {EXTENT_NOTE}",
        (
            ("player", "Player", "text"),
            ("region", "Region", "text"),
            ("recordings", "Rec.", "count"),
            ("notes", "Notes", "count"),
            ("share_with_vibrato", "Vibrato", "share"),
            ("rate_hz", "Rate (Hz)", ".2f"),
            ("extent_cents", "Extent (± cents)", ".1f"),
        ),
    ),
    PrintedTable(
        "claims",
        "Claims: estimates with intervals; p after Holm.",
        (
            ("claim", "Claim", "text"),
            ("estimate", "Estimate", "+.2f"),
            ("low", "Low", "+.2f"),
            ("high", "High", "+.2f"),
            ("unit", "Unit", "text"),
            ("df", "df", ".1f"),
            ("p_holm", "p", "p alone"),
            ("verdict", "Verdict", "text"),
        ),
    ),
    PrintedTable(
        "models",
        "Mixed models of rate (Hz) and of the natural logarithm of extent (± cents); decade in years, "
        "regions against the first in the alphabet.",
        (
            ("model", "Model", "text"),
            ("term", "Term", "term"),
            ("estimate", "Estimate", "+.4f"),
            ("se", "SE", ".4f"),
            ("df", "df", ".1f"),
            ("t", "t", "+.2f"),
            ("p", "p", "p alone"),
            ("low", "Low", "+.4f"),
            ("high", "High", "+.4f"),
        ),
    ),
    PrintedTable(
        "media",
        "The sound of the recordings by medium: medians, and numbers of recordings.",
        (
            ("medium", "Medium", "text"),
            ("recordings", "Rec.", "count"),
            ("above_noise_db", "Above noise (dB)", ".0f"),
            ("high_edge_hz", "Up to (Hz)", ",.0f"),
            ("clicks_per_s", "Clicks (1/s)", ".1f"),
            ("hum", "Hum", "count"),
            ("clipped", "Clipped", "count"),
            ("cut_off", "Cut off", "count"),
            ("wow", "Wow", "count"),
        ),
    ),
    PrintedTable(
        "quality",
        "Why notes are not to be trusted in full.",
        (("reason", "Mark", "text"), ("meaning", "Meaning", "text"), ("notes", "Notes", "count"),
         ("share", "Share", "share")),
    ),
)  # fmt: skip
"""Tables printed in the draft."""


def tex(text: Any) -> str:
    """Return `text` for LaTeX."""
    escaped = "".join(_TEX.get(character, character) for character in str(text))
    return _HASH.sub(lambda found: r"\allowbreak{}".join(re.findall(".{1,16}", found.group())), escaped)


_LABELS = {label: key for key, (label, _, _) in WORKS.items()}
_LABEL = "|".join(re.escape(label) for label in _LABELS)
_CITED = re.compile(rf"\(((?:{_LABEL})(?:; (?:{_LABEL}))*)\)")
"""Works cited in a sentence: "(Holm 1979)", "(Harris et al. 2020; Virtanen et al. 2020)"."""


def tex_citing(text: str) -> str:
    """Return a paragraph for LaTeX, its works cited by the keys of ``references.bib``."""
    pieces = _CITED.split(text)  # sentence, labels, sentence, labels, ...
    found = [tex(pieces[0])]
    for labels, sentence in zip(pieces[1::2], pieces[2::2], strict=True):
        keys = ",".join(_LABELS[label] for label in labels.split("; "))
        found += [rf"\citep{{{keys}}}", tex(sentence)]
    return "".join(found)


def environment(latex: bool) -> Any:
    """Return the templates: HTML is escaped by itself; LaTeX has its own brackets and the filter ``tex``."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    loader = PackageLoader("vibstudy.paper", "templates")
    if not latex:
        return Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    found = Environment(
        loader=loader, autoescape=False, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
        block_start_string="<%", block_end_string="%>", variable_start_string="<<", variable_end_string=">>",
        comment_start_string="<#", comment_end_string="#>",
    )  # fmt: skip
    found.filters["tex"] = tex
    found.filters["tex_citing"] = tex_citing
    return found


def printed_tables(book: Book) -> list[tuple[PrintedTable, list[str], list[list[str]]]]:
    """Return the printed tables that have rows."""
    return [
        (table, *table.cells(book.tables[table.name]))
        for table in PRINTED
        if len(book.tables.get(table.name, ()))
    ]


def write_tables(book: Book, folder: Path) -> None:
    """Write every table as CSV, the printed ones as LaTeX and Word, too."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in book.tables.items():
        if len(frame.columns):
            write_frame(folder / f"{name}.csv", frame)
    write_frame(folder / "numbers.csv", book.numbers())
    template = environment(latex=True).get_template("table.tex")
    for table, heads, rows in printed_tables(book):
        write_text(folder / f"{table.name}.tex", template.render(heads=heads, rows=rows, align=_align(rows)))
        _write_docx(
            folder / f"{table.name}.docx", lambda document, t=(table, heads, rows): _docx_table(document, *t)
        )


_TEXT_CM = 15.2
"""Width of the text on the page of python-docx's own template."""

_WORDY = re.compile(r"[^\W\d]{2,}")


def _align(rows: Sequence[Sequence[str]]) -> str:
    """Text to the left, numbers to the right."""
    return "".join(
        "l" if any(_WORDY.search(cell) for cell in column) else "r" for column in zip(*rows, strict=True)
    )


# --- the draft


def write_tex(book: Book, drawn: Sequence[PaperFigure], title: str, path: Path) -> None:
    """Write the draft as LaTeX; figures and tables are read from the folders beside it."""
    page = environment(latex=True).get_template("paper.tex")
    text = page.render(title=title, sections=book.sections, figures=drawn, tables=printed_tables(book))
    write_text(path, text)


def write_html(book: Book, drawn: Sequence[PaperFigure], title: str, path: Path, figures: Path) -> None:
    """Write the draft as one HTML file that holds its figures."""
    pictures = {
        figure.name: base64.b64encode((figures / "column" / f"{figure.name}.svg").read_bytes()).decode(
            "ascii"
        )
        for figure in drawn
    }
    page = environment(latex=False).get_template("paper.html")
    references = _used_references(book)
    text = page.render(
        title=title, sections=book.sections, figures=drawn, pictures=pictures,
        tables=printed_tables(book), references=references,
    )  # fmt: skip
    write_text(path, text)


def write_reproducibility(book: Book, title: str, path: Path) -> None:
    """Write the page of versions, seeds, settings and hashes as one HTML file."""
    parts = {
        "Computer, seeds, files": ("reproducibility", "what", "value"),
        "Software": ("software", "name", "version"),
        "Settings that ran": ("settings", "setting", "value"),
        "Claims: SHA-256 of what was tested": ("claims", "claim", "sha256"),
    }
    rows = {
        heading: book.tables[name][[what, value]].to_numpy().tolist()
        for heading, (name, what, value) in parts.items()
        if len(book.tables[name])
    }
    page = environment(latex=False).get_template("reproducibility.html")
    write_text(path, page.render(title=title, parts=rows.items()))


def _used_references(book: Book) -> list[str]:
    table = book.tables["references"]
    used = {citation.row - 1 for citation in book.citations if citation.table == "references"}
    return [str(table["entry"].iloc[row]) for row in sorted(used)]


def write_docx(book: Book, drawn: Sequence[PaperFigure], title: str, path: Path, figures: Path) -> None:
    """Write the draft for Word."""
    from docx.shared import Cm

    def fill(document: Any) -> None:
        document.core_properties.title = title
        document.core_properties.author = ""
        document.core_properties.comments = ""
        document.add_heading(title, 0)
        for section in book.sections:
            document.add_heading(section.title, 1)
            for paragraph in section.paragraphs:
                document.add_paragraph(paragraph)
        document.add_heading("Tables", 1)
        for table in printed_tables(book):
            _docx_table(document, *table)
        document.add_heading("Figures", 1)
        for number, figure in enumerate(drawn, 1):
            document.add_picture(str(figures / "column" / f"{figure.name}.png"), width=Cm(11))
            document.paragraphs[-1].paragraph_format.keep_with_next = True
            document.add_paragraph(f"Figure {number}. {figure.caption}", style="Caption")
        document.add_heading("References", 1)
        for entry in _used_references(book):
            document.add_paragraph(entry)

    _write_docx(path, fill)


def _write_docx(path: Path, fill: Any) -> None:
    from docx import Document
    from docx.shared import Pt

    document = Document()
    document.styles["Normal"].font.size = Pt(10.5)
    fill(document)
    temporary = path.with_name(f"{path.name}.vibstudy-tmp")
    document.save(str(temporary))
    put_in_place(temporary, path)


def _docx_table(document: Any, table: PrintedTable, heads: list[str], rows: list[list[str]]) -> None:
    from docx.enum.text import WD_ALIGN_PARAGRAPH
    from docx.shared import Cm, Pt

    document.add_paragraph(table.title, style="Caption").paragraph_format.keep_with_next = True
    grid = document.add_table(rows=1 + len(rows), cols=len(heads), style="Light Shading")
    grid.autofit = False
    lengths = [max(len(text) for text in column) + 8 for column in zip(heads, *rows, strict=True)]
    widths = [Cm(_TEXT_CM * min(length, 34) / sum(min(n, 34) for n in lengths)) for length in lengths]
    for column, width in zip(grid.columns, widths, strict=True):
        column.width = width
    for number, (row, cells) in enumerate(zip(grid.rows, [heads, *rows], strict=True)):
        for cell, text, side, width in zip(row.cells, cells, _align(rows), widths, strict=True):
            cell.width = width
            paragraph = cell.paragraphs[0]
            run = paragraph.add_run(text)
            run.font.size = Pt(7.5)
            run.bold = number == 0
            if side == "r":
                paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
    document.add_paragraph()
