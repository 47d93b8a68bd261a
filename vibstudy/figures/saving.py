"""How a figure is saved: the picture, its numbers and its caption, all of it or nothing."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd
from matplotlib.figure import Figure

from vibstudy.corpus.atomic import put_in_place
from vibstudy.corpus.tables import write_frame
from vibstudy.figures.style import PAGES

_LONGEST_PIXELS = 6000
_PRINT_DPI = 600
_SCREEN_DPI = 144
"""Of a slide: 1,920 pixels, as wide as a projector shows."""


@dataclass(frozen=True)
class SavedFigure:
    """Where a figure went. In a notebook it shows itself with its caption.

    Parameters
    ----------
    files : dict of str to Path
        Kind ("pdf", "png", "csv", "txt", ...) to file.
    caption : str
        Caption, with the numbers of players, recordings and notes.
    width_in : float
        Printed width.
    """

    files: dict[str, Path]
    caption: str
    width_in: float
    _screen_dpi: int = field(default=140, repr=False)

    def _repr_html_(self) -> str:
        import base64
        import html
        from io import BytesIO

        from PIL import Image

        width = round(self.width_in * self._screen_dpi)
        picture = Image.open(self.files["png"]).convert("RGB")
        picture.thumbnail((2 * width, 100 * width))
        packed = BytesIO()
        # A palette of 128 shades is plenty for a line drawing and keep the notebook small.
        picture.quantize(128).save(packed, "PNG")
        data = base64.b64encode(packed.getvalue()).decode("ascii")
        caption = html.escape(self.caption)
        kinds = ", ".join(sorted(kind.upper() for kind in self.files if kind != "txt"))
        return (
            f'<figure style="margin:0 0 1em 0; max-width:{max(width, 560)}px">'
            f'<img alt="{html.escape(self.caption, quote=True)}" style="width:{width}px; max-width:100%" '
            f'src="data:image/png;base64,{data}">'
            f'<figcaption style="font-size:90%; line-height:1.4">{caption}<br>'
            f"<em>Saved as {html.escape(self.files['png'].stem)} ({kinds}).</em></figcaption></figure>"
        )


def save_figure(
    figure: Figure,
    table: pd.DataFrame,
    folder: str | Path,
    name: str,
    caption: str | None = None,
    formats: Sequence[str] = ("pdf", "png"),
) -> SavedFigure:
    """Save a figure with its numbers and its caption; all of it, or nothing.

    Writes ``NAME.pdf``, ``NAME.png`` (600 dpi; slides 1,920 pixels wide), ``NAME.csv``
    (the plotted numbers) and ``NAME.txt`` (the caption). The same figure gives the same bytes.

    Parameters
    ----------
    figure : Figure
        What a figure function returned first.
    table : DataFrame
        What it returned second: exactly the numbers that were drawn.
    folder : str | Path
        Where to; made when missing.
    name : str
        File name without ending.
    caption : str | None
        Caption; None takes the one the figure function wrote.
    formats : sequence of str
        Picture formats; "svg" is possible too.

    Returns
    -------
    SavedFigure
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    text = caption if caption is not None else getattr(figure, "caption", "")
    width, height = figure.get_size_inches()
    page = getattr(figure, "page", None)
    dpi = min(_SCREEN_DPI if page is PAGES["slide"] else _PRINT_DPI, _LONGEST_PIXELS / max(width, height))
    # The metadata leaves the date out: an unchanged figure is an unchanged file.
    metadata: dict[str, dict[str, Any]] = {
        "pdf": {"CreationDate": None, "Title": name},
        "svg": {"Date": None, "Title": name},
        "png": {"Title": name, "Description": text},
    }
    files: dict[str, Path] = {}
    with tempfile.TemporaryDirectory(dir=folder, prefix=".saving-") as draft_name:
        draft = Path(draft_name)
        for kind in sorted(formats, key="png".__ne__):  # laid out once, as finely as it is ever drawn
            figure.savefig(draft / f"{name}.{kind}", dpi=dpi, metadata=metadata.get(kind))
            figure.set_layout_engine(None)
        write_frame(draft / f"{name}.csv", _plain(table))
        (draft / f"{name}.txt").write_text(text + "\n", encoding="utf-8")
        for kind in (*formats, "csv", "txt"):
            files[kind] = folder / f"{name}.{kind}"
            put_in_place(draft / f"{name}.{kind}", files[kind])
    return SavedFigure(files, text, float(width))


def _plain(table: pd.DataFrame) -> pd.DataFrame:
    """Return `table` with categories as text, as a spreadsheet wants it."""
    kinds = {name: "string" for name in table if isinstance(table[name].dtype, pd.CategoricalDtype)}
    return table.astype(kinds).reset_index(drop=True)
