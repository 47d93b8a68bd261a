"""Pictures of the program's own pages for the site, as a musician meets them.

``uv run python -m docs.page_pictures STUDY`` takes a finished demo study (``vibstudy demo``), makes its pages
in it, opens them in Chromium without a window, and writes ``docs/pictures/page_*.png``. Run it after a page's
look has changed.
"""

from __future__ import annotations

import sys
import tempfile
import time
from io import BytesIO
from pathlib import Path
from typing import Any

from PIL import Image

from docs.room_pictures import PICTURES
from tests.lab import chromium
from vibstudy.pages.first_look import write_first_look
from vibstudy.pages.listening import write_listening_page
from vibstudy.pages.passage import Passage, bars_from_text, write_passage_page
from vibstudy.pages.write import write_pages
from vibstudy.playing.practice import make_target, practise

WIDTH, HEIGHT = 1100, 760
TAKE = "stallowen_1970_2"
PRACTISED = ("vanholt_1970_1", "marrowind_1960_4", "stallowen_1970_2")
PIECE, BARS = "Salt Road", "1-2"


def make_pages(study: Path) -> None:
    """Every page that is shown, made by the program."""
    write_first_look(study / "results", "demo-study")
    write_pages(study)
    write_listening_page(study, most=4)
    write_passage_page(study, Passage(PIECE, None, bars_from_text(BARS), ()))


def keep(image: Image.Image, name: str) -> None:
    """Write a picture small enough for a page."""
    PICTURES.mkdir(exist_ok=True)
    few = image.convert("RGB").quantize(256, method=Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE)
    few.save(PICTURES / f"page_{name}.png", optimize=True)


def taken(browser: Any, page: Path, scroll_to: str = "") -> Image.Image:
    """What one sees of a page on opening it, or where it is scrolled to."""
    tab = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT})
    tab.goto(page.absolute().as_uri())
    if scroll_to:
        tab.locator(scroll_to).first.evaluate("node => node.scrollIntoView()")
    time.sleep(0.5)
    image = Image.open(BytesIO(tab.screenshot()))
    tab.close()
    return image


def progress_of(study: Path) -> Image.Image:
    """The progress of a player who practises: takes of the demonstration against a target."""
    with tempfile.TemporaryDirectory() as folder:
        history = Path(folder) / "practice.csv"
        for take in PRACTISED:
            practise(study / "audio" / f"{take}.flac", make_target(5.5, 25.0), history)
        image = Image.open(history.with_name("practice_progress.png"))
        return image.resize((WIDTH // 2, round(image.height * WIDTH / 2 / image.width)))


def main(study: Path) -> None:
    """Take all pictures."""
    make_pages(study)
    keep(progress_of(study), "practice")
    with chromium() as browser:
        keep(taken(browser, study / "results" / "first-look.html"), "first_look")
        keep(taken(browser, study / "recording-pages" / "index.html"), "corpus")
        recording = study / "recording-pages" / "recording" / f"{TAKE}.html"
        keep(taken(browser, recording), "recording")
        keep(taken(browser, recording, "h2"), "recording_line")
        keep(taken(browser, study / "listening.html"), "listening")
        keep(taken(browser, study / "passage.html"), "passage")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
