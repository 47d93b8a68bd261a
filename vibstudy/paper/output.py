"""The draft and its tables as files: LaTeX, Word, HTML, CSV.

LaTeX is plain: ``article`` with booktabs and graphicx, for pdfTeX or XeTeX. Everything that comes from
the user's tables is escaped.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from vibstudy.corpus.atomic import replacing, write_text
from vibstudy.corpus.tables import write_frame
from vibstudy.pages.examples import PLOT
from vibstudy.pages.html import environment as html_environment
from vibstudy.paper.book import Book
from vibstudy.paper.references import WORKS
from vibstudy.paper.slide_sounds import SoundSlide
from vibstudy.paper.tables import PRINTED, PrintedTable
from vibstudy.playing.tones import HEARING_CAUTION, RIGHTS_CAUTION

_TEX = {
    "\\": r"\textbackslash{}", "&": r"\&", "%": r"\%", "$": r"\$", "#": r"\#", "_": r"\_", "{": r"\{",
    "}": r"\}", "~": r"\textasciitilde{}", "^": r"\textasciicircum{}", "<": r"\textless{}",
    ">": r"\textgreater{}", "±": r"$\pm$", "\N{MINUS SIGN}": "$-$", "×": r"$\times$", "♯": r"$\sharp$",
    "♭": r"$\flat$", "≤": r"$\le$", "≥": r"$\ge$", "“": "``", "”": "''", "–": "--", "²": r"$^2$",
    "·": r"$\cdot$", "∞": r"$\infty$", "…": r"\dots{}",
}  # fmt: skip
"""Characters that LaTeX would take for commands, or that its oldest engine lacks."""


_HASH = re.compile(r"[0-9a-f]{40,}")
"""A hash, which may be broken at the end of a line."""


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
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

    rooms = ("vibstudy.paper", "vibstudy.pages")  # the picture of an example is the pages'
    loader = ChoiceLoader([PackageLoader(room, "templates") for room in rooms])
    if not latex:
        return html_environment(loader)
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
        align = _tex_align(heads, rows)
        write_text(folder / f"{table.name}.tex", template.render(heads=heads, rows=rows, align=align))
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


_LONG = 36
"""Letters from which on a column is broken into lines: a third of a line of the draft."""


def _tex_align(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """As :func:`_align`; columns of long texts are broken into lines, by their share of the page."""
    longest = [max(len(cell) for cell in column) for column in zip(heads, *rows, strict=True)]
    sides = _align(rows)
    room = 0.94 - 0.014 * sum(n for n in longest if n <= _LONG)  # a letter takes about 1.4 % of the line
    wordy = sum(min(n, 3 * _LONG) for n in longest if n > _LONG)
    return "".join(
        rf">{{\raggedright\arraybackslash}}p{{{max(0.15, room * min(n, 3 * _LONG) / wordy):.2f}\linewidth}}"
        if n > _LONG
        else side
        for side, n in zip(sides, longest, strict=True)
    )


# --- the draft


def floats_of(book: Book) -> list[list[dict[str, Any]]]:
    """Return, for each section, the tables and figures first spoken of there, as the templates print them."""
    tables = {table.name: (table, heads, rows) for table, heads, rows in printed_tables(book)}
    out = []
    for section in book.sections:
        here = []
        for kind, name, number in section.floats:
            item: dict[str, Any] = {"kind": kind, "name": name, "number": number}
            if kind == "table":
                table, heads, rows = tables[name]
                item |= {"title": table.title, "heads": heads, "rows": rows, "align": _align(rows)}
            here.append(item)
        out.append(here)
    return out


def write_tex(book: Book, captions: Mapping[str, str], title: str, path: Path) -> None:
    """Write the draft as LaTeX; figures and tables are read from the folders beside it."""
    page = environment(latex=True).get_template("paper.tex")
    sections = list(zip(book.sections, floats_of(book), strict=True))
    write_text(path, page.render(title=title, sections=sections, captions=captions))


def write_html(book: Book, captions: Mapping[str, str], title: str, path: Path, figures: Path) -> None:
    """Write the draft as one HTML file that holds its figures."""
    pictures = {
        name: base64.b64encode((figures / "column" / f"{name}.svg").read_bytes()).decode("ascii")
        for name, _ in book.numbered("figure")
    }
    page = environment(latex=False).get_template("paper.html")
    sections = list(zip(book.sections, floats_of(book), strict=True))
    text = page.render(
        title=title, sections=sections, captions=captions, pictures=pictures,
        references=_used_references(book),
    )  # fmt: skip
    write_text(path, text)


def write_slides(
    slides: Sequence[tuple[str, str]],
    title: str,
    path: Path,
    figures: Path,
    sounds: Mapping[str, Sequence[SoundSlide]] | None = None,
    demo: bool = False,
) -> None:
    """Write slides of 16:9 as one HTML file: one figure and one sentence each, the first of its caption.

    Parameters
    ----------
    slides : sequence of (str, str)
        File name without ending, and caption.
    title, path, figures
        Of the pack, the file to write, and the folder of figures.
    sounds : mapping of str to sequence of SoundSlide | None
        Slides with sound that follow a figure, by the name of its file.
    demo : bool
        Whether the study is invented.
    """
    shown = [
        {
            "sentence": re.split(r"(?<=[^.\d])\. (?=[A-Z])", caption)[0].rstrip(".") + ".",
            "picture": base64.b64encode((figures / "slide" / f"{name}.png").read_bytes()).decode("ascii"),
            "sounds": (sounds or {}).get(name, ()),
        }
        for name, caption in slides
    ]
    page = environment(latex=False).get_template("slides.html")
    text = page.render(
        title=title, slides=shown, sounding=bool(sounds), demo=demo, plot=PLOT,
        hearing=HEARING_CAUTION, rights=RIGHTS_CAUTION,
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


def write_docx(book: Book, captions: Mapping[str, str], title: str, path: Path, figures: Path) -> None:
    """Write the draft for Word."""
    from docx.shared import Cm

    tables = {table.name: (table, heads, rows) for table, heads, rows in printed_tables(book)}

    def references(document: Any) -> None:
        document.add_heading("References", 1)
        for entry in _used_references(book):
            document.add_paragraph(entry)

    def fill(document: Any) -> None:
        document.core_properties.title = title
        document.core_properties.author = ""
        document.core_properties.comments = ""
        document.add_heading(title, 0)
        appendices = 0
        for section in book.sections:
            if section.appendix:
                if not appendices:
                    references(document)
                appendices += 1
            document.add_heading(("Appendix: " if section.appendix else "") + section.title, 1)
            for paragraph in section.paragraphs:
                document.add_paragraph(paragraph)
            for kind, name, number in section.floats:
                if kind == "table":
                    _docx_table(document, *tables[name], number=number)
                else:
                    document.add_picture(str(figures / "column" / f"{name}.png"), width=Cm(8.64))
                    document.paragraphs[-1].paragraph_format.keep_with_next = True
                    document.add_paragraph(f"Figure {number}. {captions[name]}", style="Caption")
        if not appendices:
            references(document)

    _write_docx(path, fill)


def _write_docx(path: Path, fill: Any) -> None:
    from docx import Document
    from docx.shared import Pt, RGBColor

    document = Document()
    document.styles["Normal"].font.size = Pt(10.5)
    caption = document.styles["Caption"].font
    caption.size, caption.bold, caption.color.rgb = Pt(9), False, RGBColor(0, 0, 0)
    fill(document)
    with replacing(path) as stream:
        document.save(stream)


def _docx_table(
    document: Any, table: PrintedTable, heads: list[str], rows: list[list[str]], number: int = 0
) -> None:
    from docx.enum.text import WD_ALIGN_PARAGRAPH
    from docx.shared import Cm, Pt

    title = f"Table {number}. {table.title}" if number else table.title
    document.add_paragraph(title, style="Caption").paragraph_format.keep_with_next = True
    grid = document.add_table(rows=1 + len(rows), cols=len(heads))
    grid.autofit = False
    _narrow_cells(grid)
    widths = [Cm(width) for width in column_widths_cm(heads, rows)]
    for column, width in zip(grid.columns, widths, strict=True):
        column.width = width
    last = len(rows)
    for place, (row, cells) in enumerate(zip(grid.rows, [heads, *rows], strict=True)):
        lines = [side for side, here in (("top", place == 0), ("bottom", place in (0, last))) if here]
        _keep_row(row, head=place == 0)
        for cell, text, side, width in zip(row.cells, cells, _align(rows), widths, strict=True):
            cell.width = width
            _rule(cell, lines)
            paragraph = cell.paragraphs[0]
            paragraph.paragraph_format.space_before = paragraph.paragraph_format.space_after = Pt(1.5)
            run = paragraph.add_run(text)
            run.font.size = Pt(_TABLE_PT)
            run.bold = place == 0
            if side == "r":
                paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
    document.add_paragraph()


_TABLE_PT = 7.5
_LETTER_CM = 0.175
"""Width of a letter of a table, with room for the wide fonts that stand in for Word's own: a letter of DejaVu
Serif at 7.5 pt, measured over the tables of the demo."""
_BOLD = 1.25
"""How much wider the letters of the heads are."""
_CELL_CM = 0.16
"""Room beside the letters of a cell."""


def column_widths_cm(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> list[float]:
    """Return the widths of the columns of a Word table: no word is broken, long texts get what is left.

    Where even the longest words do not fit, all columns are narrowed alike.
    """
    sides = _align(rows)
    words = [
        max(
            _BOLD * max(map(len, head.split())),
            *(len(word) for text in column for word in ([text] if side == "r" else text.split())),
            2,
        )
        for head, side, column in zip(heads, sides, zip(*rows, strict=True), strict=True)
    ]
    least = [_LETTER_CM * word + _CELL_CM for word in words]
    left = _TEXT_CM - sum(least)
    if left < 0:
        return [width * _TEXT_CM / sum(least) for width in least]
    longest = [max(map(len, column)) for column in zip(heads, *rows, strict=True)]
    wish = [_LETTER_CM * max(long - word, 0) for long, word in zip(longest, words, strict=True)]
    share = min(1.0, left / sum(wish)) if sum(wish) else 0.0
    return [width + share * more for width, more in zip(least, wish, strict=True)]


def _element(name: str, **attributes: str) -> Any:
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    made = OxmlElement(f"w:{name}")
    for key, value in attributes.items():
        made.set(qn(f"w:{key}"), value)
    return made


def _narrow_cells(grid: Any) -> None:
    """Little room beside the letters of each cell."""
    margins = _element("tblCellMar")
    for side in ("left", "right"):
        margins.append(_element(side, w=str(round(_CELL_CM / 2 / 2.54 * 1440)), type="dxa"))
    grid._tbl.tblPr.append(margins)


def _keep_row(row: Any, head: bool) -> None:
    """No row breaks over two pages; the heads stand on each page."""
    properties = row._tr.get_or_add_trPr()
    properties.append(_element("cantSplit"))
    if head:
        properties.append(_element("tblHeader"))


def _rule(cell: Any, sides: Sequence[str]) -> None:
    """Draw lines above or below a cell, as tables of journals have them."""
    if sides:
        borders = _element("tcBorders")
        for side in sides:
            borders.append(_element(side, val="single", sz="6", space="0", color="auto"))
        cell._tc.get_or_add_tcPr().append(borders)
