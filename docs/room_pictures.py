"""Pictures of the listening room for the site, taken from a running notebook of invented recordings.

``uv run python -m docs.room_pictures FOLDER`` makes a small study in FOLDER (some minutes), opens its
listening notebook in JupyterLab and Chromium without a window, and writes ``docs/pictures/room_*.png``.
Run it after the room's look has changed.
"""

from __future__ import annotations

import shutil
import sys
import time
from io import BytesIO
from pathlib import Path
from typing import Any

import jupytext
import pandas as pd
from PIL import Image

from tests.lab import CELL_MS, chromium, jupyter_lab, open_and_run
from vibstudy.demo.corpus import recordings, write_demo_corpus
from vibstudy.measure import measure_corpus
from vibstudy.review.launch import NOTEBOOK
from vibstudy.review.queue import by_suspicion, read_queue_columns

ROOT = Path(__file__).parents[1]
PICTURES = Path(__file__).parent / "pictures"
PLAYERS = 10
COLOURS = 96  # of a picture: letters and lines need no more, and it stays small


def make_study(folder: Path) -> Path:
    """A study of a few invented players of two regions, measured."""
    study = folder / "study"
    if (study / "results" / "notes.csv").exists():
        return study
    firsts = {}
    for recording in recordings():
        firsts.setdefault(recording.player.key, recording)
    write_demo_corpus(study, workers=1, chosen=list(firsts.values())[:PLAYERS])
    shutil.copy(ROOT / "vibstudy" / "demo" / "claims.toml", study / "claims.toml")
    measure_corpus(study / "corpus_manifest.csv", study / "results", workers=1)
    return study


def put_notebook(study: Path, order: str, place: int = 0) -> None:
    """The listening notebook in the study, with its notes in an order, open at one of them."""
    text = (ROOT / "notebooks" / f"{NOTEBOOK}.py").read_text(encoding="utf-8")
    (study / "notebooks").mkdir(exist_ok=True)
    text = text.replace('ORDER = "suspicion"', f'ORDER = "{order}"')
    text = text.replace("display(room)", f'room.receive({{"do": "go", "to": {place}}}); display(room)')
    notebook = jupytext.reads(text, fmt="py:percent")
    jupytext.write(notebook, study / "notebooks" / f"{NOTEBOOK}.ipynb")


def telling(study: Path) -> int:
    """Place in the queue of a long, clear note with vibrato."""
    figures = pd.read_csv(study / "results" / "notes.csv").set_index("note_id")
    queue = figures.loc[by_suspicion(read_queue_columns(study))["note_id"]]
    clear = queue["has_vibrato"].eq(True) & queue["quality"].eq("ok")
    return int((queue["duration_s"].clip(upper=2.0) * clear * queue["snr_db"]).to_numpy().argmax())


def keep(node: Any, name: str) -> None:
    """Write a picture of a part of the page."""
    time.sleep(1.0)
    image = Image.open(BytesIO(node.screenshot())).convert("RGB")
    PICTURES.mkdir(exist_ok=True)
    image.quantize(COLOURS).save(PICTURES / f"room_{name}.png", optimize=True)


def opened(browser: Any, address: str, size: tuple[int, int]) -> tuple[Any, Any]:
    """The room, once every cell has run."""
    page, room = open_and_run(browser, address, size)
    room.locator(".head .title").wait_for(timeout=CELL_MS)
    page.locator("text=For the paper").last.wait_for(state="attached", timeout=CELL_MS)
    page.get_by_text("| Idle").wait_for(timeout=CELL_MS)
    time.sleep(2.0)
    return page, room


def main(folder: Path) -> None:
    """Take all pictures."""
    study = make_study(folder)
    put_notebook(study, "suspicion", telling(study))
    with chromium() as browser:
        with jupyter_lab(study, NOTEBOOK) as address:
            page, room = opened(browser, address, (1280, 800))
            room.focus()
            keep(page, "in_jupyterlab")
            page.keyboard.press("?")
            keep(room, "words_and_keys")
            page.context.close()
        with jupyter_lab(study, NOTEBOOK, "JupyterLab Dark") as address:
            page, room = opened(browser, address, (1920, 1080))
            keep(room, "dark")
            page.context.close()
        put_notebook(study, "settle")
        with jupyter_lab(study, NOTEBOOK) as address:
            page, room = opened(browser, address, (1500, 1050))
            room.focus()
            for _ in range(3):
                before = room.locator(".count").inner_text()
                page.keyboard.press("y")
                room.locator(".count").filter(has_not_text=before).wait_for(timeout=CELL_MS)
            keep(room, "settling")
            page.context.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
