"""An empty study folder, explained, for the user's own recordings."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
import textwrap
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from vibstudy.corpus import MANIFEST_NAME
from vibstudy.corpus.settings import FILE_NAME as SETTINGS_NAME
from vibstudy.corpus.settings import template as settings_template
from vibstudy.errors import VibstudyError
from vibstudy.schema import MANIFEST_COLUMNS

_EXAMPLE = {
    "recording_id": "# example_1954",
    "path": "audio/example_1954.wav",
    "player": "Invented Player",
    "decade": "1950",
    "region": "Invented Region",
    "instrument": "alto saxophone",
    "piece": "Invented Sonata",
    "movement": "2",
    "medium": "tape_lp",
    "accompaniment": "piano",
    "start_s": "12.5",
    "end_s": "48",
    "tempo_bpm": "72",
    "comment": "Rows that begin with # are passed over. README.txt explains the columns.",
}

_CLAIMS = """\
# Claims of this study, written down BEFORE looking at the figures.
#
# A claim is a sentence that the recordings can support or contradict. The date of writing is what makes a
# test of it worth something: "vibstudy claims" logs it. Below are examples; take the # away to use one.

"""

_README = """\
A vibrato study

What to do, in this order:

  1. Put your recordings (WAV, FLAC, MP3, OGG, AIFF; M4A where ffmpeg is installed) into the folder
     "audio", or anywhere else on this computer.
  2. Open {manifest} in a spreadsheet and write one row for each recording. Save it as CSV.
  3. In a terminal, in this folder, type

         vibstudy check        tells every mistake in the table, and how to mend it
         vibstudy measure      measures every note; type it again after adding recordings
         vibstudy status       shows what is measured, and how decades and regions are covered
         vibstudy claims       logs what you claim, and tests it
         vibstudy lab          opens the notebooks with the figures

     If the terminal does not know "vibstudy": it was not put on this computer's path. In the folder
     of the program type  uv tool install .  once, then open a new terminal.

The files:

  {manifest}   your recordings; the only file you must write
  {settings}            settings; all may stay as they are
  claims.toml           what you want to test, written before you look
  notebooks/            the figures, to be read and run from top to bottom
  results/              made by the tool: notes.csv has one row a note
  figures/              made by the notebooks

The columns of {manifest} (those marked * must be filled):

{columns}

Any other column is kept and stands in every table, so that you can study it, too. Leave a cell empty when
you do not know. Times are those a player's clock shows, in seconds.

Extent is always HALF of the distance from the lowest to the highest pitch of the vibrato: a vibrato of
35 cents goes 35 cents up and 35 cents down.

Three cautions. Begin listening at a low volume: loud tones and loops can hurt the ear. Whether you may
copy or show excerpts of a recording depends on the law where you live; ask a lawyer who knows it. And
recordings that happened to be made and kept are no experiment: a difference between two groups of them
does not show its cause.
"""


def make_study(
    path: str | Path, claims: str = "", notebooks: Sequence[Path] = ()
) -> tuple[list[str], list[str]]:
    """Make a study folder; nothing that exists is overwritten.

    Parameters
    ----------
    path : path
        The folder.
    claims : str
        Examples for ``claims.toml``, as remarks.
    notebooks : sequence of Path
        Notebooks to bring along (:func:`read_notebook`); they become ``.ipynb``.

    Returns
    -------
    made, kept : list of str
        Files made, and those that were there already.

    Raises
    ------
    VibstudyError
        When the folder cannot be made.
    """
    study = Path(path)
    made: list[str] = []
    kept: list[str] = []
    try:
        (study / "audio").mkdir(parents=True, exist_ok=True)
        for name, content in _files(claims, notebooks):
            file = study / name
            file.parent.mkdir(exist_ok=True)
            try:
                with file.open("xb") as stream:
                    stream.write(content)
                made.append(name)
            except FileExistsError:
                kept.append(name)
    except OSError as error:
        raise VibstudyError(
            f"the study folder cannot be made: {error.strerror or error}",
            str(error.filename or path),
            repair="Choose another place, or allow writing there",
        ) from None
    return made, kept


def _files(claims: str, notebooks: Sequence[Path]) -> Iterator[tuple[str, bytes]]:
    """Name and content of every file of a new study."""
    readme = _README.format(manifest=MANIFEST_NAME, settings=SETTINGS_NAME, columns=_columns())
    yield MANIFEST_NAME, _manifest().encode()
    yield SETTINGS_NAME, settings_template().encode()
    yield "claims.toml", (_CLAIMS + claims).encode()
    yield "README.txt", readme.encode()
    for source in notebooks:
        yield f"notebooks/{source.stem}.ipynb", json.dumps(read_notebook(source), indent=1).encode()


def read_notebook(source: Path) -> dict[str, Any]:
    """Read a notebook; its code is folded, one click away from its reader.

    Parameters
    ----------
    source : Path
        ``.ipynb``, or text whose cells begin with ``# %%`` ("percent" format).

    Returns
    -------
    dict
        As nbformat 4.5 keeps it. Read here, since loading a library for it takes ten times as long as all
        else that ``vibstudy new`` does; ``tests/test_notebooks.py`` holds it against jupytext.
    """
    text = source.read_text(encoding="utf-8")
    notebook = json.loads(text) if source.suffix == ".ipynb" else _from_percent(text)
    for cell in notebook["cells"]:
        if cell["cell_type"] == "code":
            cell["metadata"].setdefault("jupyter", {})["source_hidden"] = True
    return notebook


def _from_percent(text: str) -> dict[str, Any]:
    """A notebook from text; what stands above the first cell is about the text."""
    cells: list[dict[str, Any]] = []
    for number, (head, body) in enumerate(re.findall(r"^# %%(.*)\n((?:(?!# %%).*\n?)*)", text, re.M)):
        lines = body.strip("\n").split("\n")
        cell: dict[str, Any] = {"cell_type": "markdown", "metadata": {}}
        if "[markdown]" in head:
            lines = [line.removeprefix("#").removeprefix(" ") for line in lines]
        else:
            cell |= {"cell_type": "code", "execution_count": None, "outputs": []}
        cell["id"] = hashlib.sha256(f"{number} {body}".encode()).hexdigest()[:8]
        cell["source"] = [f"{line}\n" for line in lines[:-1]] + lines[-1:]
        cells.append(cell)
    kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
    return {"cells": cells, "metadata": {"kernelspec": kernel}, "nbformat": 4, "nbformat_minor": 5}


def _manifest() -> str:
    """Header and one example, which is a remark."""
    names = [column.name for column in MANIFEST_COLUMNS if column.name != "year"]
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, names, restval="")
    writer.writeheader()
    writer.writerow(_EXAMPLE)
    return text.getvalue()


def _columns() -> str:
    lines = []
    for column in MANIFEST_COLUMNS:
        mark = "*" if column.constraints.get("required") or column.name == "decade" else " "
        words = column.constraints.get("enum")
        meaning = f"{column.definition} Usual: {', '.join(words)}." if words else column.definition
        lines += textwrap.wrap(
            meaning, 104, initial_indent=f"{mark} {column.name:15} ", subsequent_indent=" " * 18
        )
    return "\n".join(lines)
