"""Letters of a figure, for tests that they can be read."""

from __future__ import annotations

from matplotlib.figure import Figure
from matplotlib.text import Text


def smallest_letter_pt(figure: Figure) -> float:
    """Return the size of the smallest visible letter of `figure`, in points."""
    figure.draw_without_rendering()
    sizes = [
        text.get_fontsize() for text in figure.findobj(Text) if text.get_visible() and text.get_text().strip()
    ]
    return float(min(sizes)) if sizes else float("nan")
