"""The house style of every figure.

Rules, all of them tested
-------------------------
* Two sizes: ``column`` (3.4 in wide: one column of a two-column journal, so that the printed size
  is the drawn size) and ``slide`` (for a lecture: as wide as a
  slide of 16:9, and no taller than leaves room for a sentence above it).
* No letter smaller than 7 pt at one column.
* One meaning a colour: hue is the group that is compared (region, or the user's own), lightness the period,
  hatch the medium; verdicts are ink, told by shape; plum is a measured line and nothing else.
* Extent stands on a logarithmic scale wherever notes or players are drawn.
* Players are called by their family names, with as many first letters as tell them apart, in the order of
  these names.
* Nothing is told by colour alone: every group also has its own marker and line style. The first
  four colours differ by at least 20 steps of lightness, so they survive a black-and-white printer
  and the three common kinds of colour blindness.
* Fonts are embedded as TrueType (``pdf.fonttype`` 42), so that text in the PDF stays text.
* Style is applied inside :func:`house_style` only. Matplotlib's global settings are never touched,
  and figures do not pass through ``pyplot``, so none stays open behind the user's back.

References
----------
Lightness and colour-vision simulation: Luo, Cui & Li 2006, Color Res. Appl. 31(4):320-330
(CAM02-UCS); Machado, Oliveira & Fernandes 2009, IEEE TVCG 15(6):1291-1298.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Literal

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

COLOURS: tuple[str, ...] = ("#004488", "#C4553B", "#E0AF3A", "#0E0E0E", "#7FB7C9", "#6B6B6B")
"""Group colours, told apart by lightness first: blue, brick, ochre, black, pale blue, grey."""

MARKERS: tuple[str, ...] = ("o", "s", "^", "D", "v", "P", "X", "*")
LINES: tuple[Any, ...] = ("-", (0, (5, 1.5)), (0, (1.2, 1.2)), (0, (5, 1.5, 1.2, 1.5)))
HATCHES: tuple[str, ...] = ("", "////", "....", "xxxx", "----", "\\\\\\\\")

INK = "#1F1F1F"
MINUS = "\N{MINUS SIGN}"
MUTED = "#767676"
FAINT = "#D8D8D8"

LINE = "#8F3B76"
"""The measured line of a recording, plum: no group is drawn in it."""

BAND = "#DDC3D5"
"""The extent about a measured line."""

SOUNDING = "#4A4A4A"
"""Where vibrato lasts, in strips of notes."""

EXTENT_NOTE = "Extent is half of peak-to-peak (± cents)."
"""Stands on every figure that shows extent."""

SMALLEST_PT = 7.0


@dataclass(frozen=True)
class Page:
    """One size a figure is drawn for.

    Parameters
    ----------
    name : str
        "column" or "slide".
    width_in : float
        Width in inches.
    font_pt, small_pt : float
        Size of titles and labels, and of ticks and notes.
    line_pt, marker_pt : float
        Width of lines and size of markers.
    tallest : float
        The tallest a figure may be, as a share of its width.
    """

    name: str
    width_in: float
    font_pt: float
    small_pt: float
    line_pt: float
    marker_pt: float
    tallest: float = float("inf")

    @property
    def settings(self) -> Any:
        """Matplotlib settings of this size, a mapping of names to values."""
        return {
            "font.family": "sans-serif",
            "font.sans-serif": ["DejaVu Sans"],
            "font.size": self.font_pt,
            "axes.titlesize": self.font_pt,
            "axes.labelsize": self.font_pt,
            "figure.titlesize": self.font_pt,
            "figure.labelsize": self.small_pt,
            "xtick.labelsize": self.small_pt,
            "ytick.labelsize": self.small_pt,
            "legend.fontsize": self.small_pt,
            "legend.title_fontsize": self.small_pt,
            "axes.titlelocation": "left",
            "axes.spines.top": False,
            "axes.spines.right": False,
            "axes.linewidth": 0.5 * self.line_pt,
            "xtick.major.width": 0.5 * self.line_pt,
            "ytick.major.width": 0.5 * self.line_pt,
            "axes.edgecolor": INK,
            "axes.labelcolor": INK,
            "xtick.color": INK,
            "ytick.color": INK,
            "text.color": INK,
            "lines.linewidth": self.line_pt,
            "lines.markersize": self.marker_pt,
            "hatch.linewidth": 0.4 * self.line_pt,
            "legend.frameon": False,
            "legend.handlelength": 2.2,
            "figure.facecolor": "white",
            "figure.constrained_layout.use": True,
            "savefig.facecolor": "white",
            "pdf.fonttype": 42,
            "ps.fonttype": 42,
            "svg.fonttype": "none",
            "svg.hashsalt": "vibstudy",
            # A name from the manifest may hold a dollar sign; it is not mathematics.
            "text.parse_math": False,
        }

    def figure_of_lines(self, lines: float) -> HouseFigure:
        """A figure as high as so many lines of text."""
        return self.figure(lines * self.font_pt / 72 / self.width_in)

    def figure(self, height: float = 0.75) -> HouseFigure:
        """Return an empty figure of this size; `height` is a share of its width, at most ``tallest``."""
        return HouseFigure(page=self, figsize=(self.width_in, min(height, self.tallest) * self.width_in))


PAGES: dict[str, Page] = {
    "column": Page("column", 3.4, 8.0, SMALLEST_PT, 1.2, 4.0),
    "slide": Page("slide", 40 / 3, 18.0, 15.0, 2.6, 9.0, 0.47),
}
"""A slide is 13.33 by 7.5 in, as programs for slides have it; 0.47 of its width is left below a
sentence of two lines."""


class HouseFigure(Figure):
    """A matplotlib figure that remembers its size, its caption, and the numbers of the caption that no table
    of the results holds (name: value and unit), which go into the frame of results.

    Ticks are made when a figure is drawn, long after the function that planned it has returned, so
    the style has to be put on again for drawing and saving.
    """

    def __init__(self, page: Page, **options: Any):
        super().__init__(**options)
        self.page = page
        self.caption = ""
        self.numbers: Mapping[str, tuple[float, str]] = {}

    def draw(self, renderer: Any) -> None:
        """Draw in the house style."""
        with matplotlib.rc_context(self.page.settings):
            super().draw(renderer)

    def savefig(self, fname: Any, **options: Any) -> None:
        """Save in the house style."""
        with matplotlib.rc_context(self.page.settings):
            super().savefig(fname, **options)


@contextmanager
def house_style(size: str = "column") -> Iterator[Page]:
    """Draw in the house style, and leave matplotlib as it was.

    Parameters
    ----------
    size : {"column", "slide"}
        What the figure is for.

    Yields
    ------
    Page
        The size, to make figures with.
    """
    if size not in PAGES:
        raise ValueError(f"size must be one of {', '.join(PAGES)}; got {size!r}")
    page = PAGES[size]
    with matplotlib.rc_context(page.settings):
        yield page


@dataclass(frozen=True)
class Look:
    """How one group is drawn: colour, marker and line style say the same thing."""

    colour: str
    marker: str
    line: Any

    @property
    def scatter(self) -> dict[str, Any]:
        """Options of a scatter or a line of markers."""
        return {"color": self.colour, "marker": self.marker}


def looks(groups: Sequence[Any]) -> dict[Any, Look]:
    """Return a look for each of `groups`, in their order; more than eight start again."""
    kinds = (COLOURS, MARKERS, LINES)
    return {group: Look(*(kind[k % len(kind)] for kind in kinds)) for k, group in enumerate(groups)}


def each_group(
    table: pd.DataFrame, group: str, coded: Mapping[Any, Look]
) -> Iterator[tuple[pd.DataFrame, dict]]:
    """Rows of each group that has a look, with its markers; without groups all rows, in ink."""
    if not coded:
        yield table, {"color": INK, "marker": "o"}
    for name, look in coded.items():
        yield table[table[group] == name], look.scatter


def legend_marker(label: str, **look: Any) -> Line2D:
    """A marker as it stands in a legend."""
    return Line2D([], [], ls="", label=label, **look)


def legend_markers(coded: Mapping[Any, Look], **further: Any) -> list[Any]:
    """The markers of groups as they stand in a legend."""
    return [legend_marker(str(name), **look.scatter, **further) for name, look in coded.items()]


def extent_words(outcome: str) -> str:
    """What a caption says of extents; "" of other outcomes."""
    return f" {EXTENT_NOTE}" if outcome.startswith("extent") else ""


def shade(place: int, count: int) -> str:
    """Return the grey of a period: the later, the darker."""
    return str(round(0.72 - 0.6 * (place / max(1, count - 1)), 2))


def hatches(names: Sequence[Any]) -> dict[Any, str]:
    """Return the hatch of each medium, in their order."""
    return {name: HATCHES[k % len(HATCHES)] for k, name in enumerate(names)}


LETTER_EM = 0.6
"""Width of a letter of DejaVu Sans over the size of its type (its average over English text)."""
_HANDLE_LETTERS = 6
"""What the sample of a legend takes, in letters."""
_LONGEST_LINE = 34
"""Letters after which a name is broken into lines."""


PANEL_LETTERS = 13
"""Letters that fit above a panel of four in a column of 85 mm."""


def broken(name: object, letters: int) -> str:
    """Return a long name in lines of at most `letters`, three at most."""
    lines = textwrap.wrap(str(name), max(letters, 6)) or [""]
    return "\n".join(lines[:3]) + ("…" if len(lines) > 3 else "")


def _in_columns(lengths: Sequence[int], columns: int) -> list[Sequence[int]]:
    """What stands in each column of a legend: filled from above, the first columns with one more."""
    each, more = divmod(len(lengths), columns)
    ends = np.cumsum([each + (k < more) for k in range(columns)])
    return [part for a, b in zip([0, *ends[:-1]], ends, strict=True) if (part := lengths[a:b])]


def legend_below(
    figure: Figure,
    handles: Sequence[Any],
    columns: int,
    title: str | None = None,
    place: Literal["outside lower center", "outside upper center"] = "outside lower center",
) -> None:
    """Put the legend of the whole figure under it, or where `place` says, clear of the data.

    Long names are broken into lines, and the columns are fewer where they would not fit.
    """
    page = getattr(figure, "page", PAGES["column"])
    letters = figure.get_size_inches()[0] * 72 / (LETTER_EM * page.small_pt)
    for handle in handles:
        handle.set_label(broken(handle.get_label(), int(min(letters - _HANDLE_LETTERS, _LONGEST_LINE))))
    lengths = [max(map(len, handle.get_label().split("\n"))) + _HANDLE_LETTERS for handle in handles]
    while columns > 1 and sum(max(part) for part in _in_columns(lengths, columns)) > letters:
        columns -= 1
    figure.legend(
        handles=list(handles),
        loc=place,
        ncols=columns,
        title=title,
        columnspacing=1.2,
        handletextpad=0.5,
    )


def readable_log_axis(axis: Any, values: Sequence[float]) -> None:
    """Label a logarithmic axis with plain numbers at `values`."""
    from matplotlib.ticker import FixedLocator, NullFormatter, NullLocator

    axis.set_major_locator(FixedLocator(list(values)))
    axis.set_major_formatter(lambda value, _: f"{value:g}")
    axis.set_minor_locator(NullLocator())
    axis.set_minor_formatter(NullFormatter())


def _plain_ticks(low: float, high: float) -> list[float]:
    """At least two round numbers from `low` to `high`, the roundest that give so many."""
    decades = range(int(np.floor(np.log10(low))), int(np.ceil(np.log10(high))) + 1)
    for leading in ((1, 2, 5), (1, 1.5, 2, 3, 4, 5, 6, 8), (1, 1.2, 1.4, 1.6, 1.8, *np.arange(2, 10, 0.5))):
        ticks = [float(f"{digit * 10.0**power:.6g}") for power in decades for digit in leading]
        if len(within := [tick for tick in ticks if low <= tick <= high]) >= 2:
            return within
    return [float(f"{low:.3g}"), float(f"{high:.3g}")]


def log_extent_axis(axis: Any, *values: pd.Series) -> None:
    """Make an axis of extent logarithmic, around all `values`, with plain numbers."""
    known = pd.concat([pd.Series(part).astype(float).dropna() for part in values])
    low, high = 0.8 * float(known.min()), 1.25 * float(known.max())
    name = axis.axis_name
    getattr(axis.axes, f"set_{name}scale")("log")
    readable_log_axis(axis, _plain_ticks(low, high))
    getattr(axis.axes, f"set_{name}lim")(low, high)


def separate_labels(
    ax: Axes,
    x: np.ndarray,
    y: np.ndarray,
    names: Sequence[str],
    page: Page,
    others: tuple[np.ndarray, np.ndarray] | None = None,
) -> None:
    """Write `names` beside their points, moved apart where they would lie on each other or on markers.

    Parameters
    ----------
    ax : Axes
    x, y : ndarray [shape=(n,)]
        Where the named points are.
    names : sequence of str [shape=(n,)]
    page : Page
        The size that is drawn for.
    others : (ndarray, ndarray) | None
        Places of all markers, where more are drawn than are named.
    """
    from adjustText import adjust_text
    from matplotlib.patheffects import withStroke

    halo = [withStroke(linewidth=1.5, foreground="white")]
    texts = [
        ax.text(float(a), float(b), name, fontsize=page.small_pt, path_effects=halo, zorder=5)
        for a, b, name in zip(x, y, names, strict=True)
    ]
    if not texts:
        return
    figure = ax.get_figure(root=True)
    assert figure is not None
    markers = ax.scatter(*(others or (x, y)), s=(1.4 * page.marker_pt) ** 2, alpha=0)  # room for them
    figure.draw_without_rendering()
    adjust_text(
        texts,
        x=np.asarray(x, float),
        y=np.asarray(y, float),
        ax=ax,
        iter_lim=200,
        time_lim=None,
        objects=markers,
        expand=(1.1, 1.35),
        ensure_inside_axes=True,
        arrowprops={"arrowstyle": "-", "color": MUTED, "lw": 0.35 * page.line_pt},
    )
    markers.remove()
