"""The listening notebook in real JupyterLab, driven in headless Chromium: hear, decide, close, reopen."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import jupytext
import pandas as pd
import pytest

from tests.axe import faults
from tests.lab import CELL_MS, CHROMIUM, chromium, jupyter_lab, open_and_run
from tests.review_study import PITCHES_HZ, make_review_study
from vibstudy.decisions.edits import read_edits
from vibstudy.review.launch import NOTEBOOK

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.timeout(600)]

SOURCE = Path(__file__).parents[1] / "notebooks" / f"{NOTEBOOK}.py"


@pytest.fixture(scope="module")
def browser():
    if CHROMIUM is None:
        words = "Chromium is missing: install Debian's package chromium"
        pytest.fail(words) if os.environ.get("CI") == "true" else pytest.skip(words)
    with chromium() as opened:
        yield opened


@pytest.fixture
def study(tmp_path):
    folder = make_review_study(tmp_path / "study", recordings=1)
    (folder / "notebooks").mkdir()
    jupytext.write(jupytext.read(SOURCE), folder / "notebooks" / f"{NOTEBOOK}.ipynb")
    table = folder / "results" / "notes.parquet"
    pd.read_parquet(table).assign(player="<b>Player</b>").to_parquet(table)  # what looks like markup is text
    return folder


def wait_until(what, seconds: float = 30.0) -> None:
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, what
        time.sleep(0.1)


def decisions(study: Path) -> list[str]:
    return [edit.what for edit in read_edits(study / "edits.csv")[0]]


def drag(page, grip, by_px: float) -> None:
    box = grip.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + by_px, y, steps=5)
    page.mouse.up()


def seconds(room, end: str) -> float:
    return float(room.locator(f"input.{end}").input_value())


def test_hear_decide_close_and_reopen(browser, study, tmp_path):
    with jupyter_lab(study, NOTEBOOK) as address:
        page, room = open_and_run(browser, address)
        errors: list[str] = []
        page.on("pageerror", lambda error: errors.append(str(error)))
        title = room.locator(".head .title")
        room.locator(".title", has_text="take0/").wait_for(timeout=CELL_MS)

        # all cells have run, and the page stands at the room, ready for keys
        wait_until(lambda: page.evaluate("document.activeElement.className").startswith("vibstudy-room"))
        page.locator("text=For the paper").last.wait_for(state="attached", timeout=CELL_MS)
        page.get_by_text("| Idle").wait_for(timeout=CELL_MS)
        wait_until(lambda: 0 <= room.bounding_box()["y"] < 300)
        assert title.inner_text() == "take0/0001"
        assert room.locator(".tags").inner_text().startswith("<b>Player</b>, 1950")
        page.screenshot(path=tmp_path / "1_opened.png")

        # everything has a name, letters stand out of their ground, and Tab goes through in reading order
        for light in ("true", "false"):
            page.evaluate(f"document.body.dataset.jpThemeLight = '{light}'")
            assert faults(page, ".vibstudy-room") == []
        page.evaluate("document.body.dataset.jpThemeLight = 'true'")
        room.focus()
        stops = []
        for _ in range(30):
            page.keyboard.press("Tab")
            stop = page.evaluate(
                "(() => { const n = document.activeElement; if (!n.closest('.vibstudy-room')) return null;"
                " return [n.getAttribute('aria-label') || n.textContent || n.tagName,"
                " n.getBoundingClientRect().top]; })()"
            )
            if stop is None:
                break
            stops.append(stop)
        names = [name for name, _ in stops]
        assert names[1:5] == ["Words and keys", "Beginning of the note", "Mark", "End of the note"]
        assert names.index("As played") < names.index("Right") < names.index("Note before")
        assert stops[names.index("As played")][1] > stops[2][1]

        # signs; plays, at a safe volume, and the sound moves on
        room.locator(".signed input").fill("Ear Three")
        room.locator(".signed input").press("Enter")
        room.focus()
        audio = room.locator("audio")
        page.keyboard.press("p")
        wait_until(lambda: audio.evaluate("node => node.currentTime") > 0.1)
        page.keyboard.press("p")  # the same key stops it
        assert audio.evaluate("node => node.paused")
        heard = {audio.evaluate("node => node.src")}
        for key in ("s", "v", "h", "Space"):  # these are short, and end by themselves
            page.keyboard.press(key)
            wait_until(lambda: audio.evaluate("node => node.src") not in heard)
            wait_until(lambda: audio.evaluate("node => node.paused && node.currentTime") > 0.5)
            assert audio.evaluate("node => node.volume") == pytest.approx(0.1)
            heard.add(audio.evaluate("node => node.src"))
        assert len(heard) == 5 and all(source.startswith("blob:") for source in heard)

        # words and keys are shown on demand
        page.keyboard.press("?")
        sheet = room.locator(".sheet")
        assert sheet.is_visible() and "Not the soloist" in sheet.inner_text()
        page.screenshot(path=tmp_path / "2_sheet.png")
        page.keyboard.press("y")  # nothing is decided under it
        page.keyboard.press("?")
        assert not sheet.is_visible() and decisions(study) == []
        page.keyboard.press("?")
        page.keyboard.press("Escape")
        assert not sheet.is_visible()

        # leaves a note out by a key, and goes on
        page.keyboard.press("n")
        room.locator(".title", has_text="take0/0002").wait_for()
        assert decisions(study) == ["reject"]
        first = read_edits(study / "edits.csv")[0][0]
        assert (first.who, first.why) == ("Ear Three", "not the soloist")

        # moves the beginning by the handle on the ribbon, then by keys, then to the mark
        before = seconds(room, "begin")
        begin = room.get_by_role("slider", name="Beginning of the note")
        drag(page, begin, 25)
        wait_until(lambda: decisions(study) == ["reject", "edges"])
        wait_until(lambda: room.locator(".state").inner_text() == "mended")
        moved = seconds(room, "begin")
        assert 0.01 < moved - before < 0.2
        begin.focus()
        page.keyboard.press("ArrowRight")
        page.keyboard.press("ArrowRight")  # gathered into one decision
        wait_until(lambda: decisions(study) == ["reject", "edges", "edges"])
        wait_until(lambda: abs(seconds(room, "begin") - moved - 0.02) < 0.002)
        page.keyboard.press("u")
        wait_until(lambda: abs(seconds(room, "begin") - moved) < 0.002)
        mark = room.get_by_role("slider", name="Mark", exact=True)
        drag(page, mark, -150)
        at = float(mark.get_attribute("aria-valuenow"))
        page.keyboard.press("b")
        wait_until(lambda: abs(seconds(room, "begin") - at) < 0.002)
        page.keyboard.press("u")
        wait_until(lambda: abs(seconds(room, "begin") - moved) < 0.002)

        # what is typed out of range is told, and the figure goes back
        count = len(decisions(study))
        for _ in range(2):
            room.locator("input.begin").fill("-7")
            room.locator("input.begin").press("Tab")
            wait_until(lambda: "Give seconds from" in room.locator(".say").inner_text())
            wait_until(lambda: abs(seconds(room, "begin") - moved) < 0.002)
        assert len(decisions(study)) == count

        # corrects an octave by mouse, and takes it back
        pitch = room.locator("dd", has_text="Hz").first
        room.get_by_role("button", name="An octave up").click()
        wait_until(lambda: f"{2 * PITCHES_HZ[1]:.0f}" in pitch.inner_text().replace("679", "680"))
        page.screenshot(path=tmp_path / "3_octave.png")
        room.get_by_role("button", name="Take back").click()
        wait_until(lambda: decisions(study)[-2:] == ["octave", "undo"])
        wait_until(lambda: "Taken back" in room.locator(".say").inner_text())
        assert errors == []
        page.context.close()

    with jupyter_lab(study, NOTEBOOK) as address:  # a new server, a new kernel
        page, room = open_and_run(browser, address)
        room.locator(".title", has_text="take0/").wait_for(timeout=CELL_MS)
        table = page.locator("table", has_text="reviewed")
        table.wait_for(timeout=CELL_MS, state="attached")
        text = table.inner_text()
        assert "take0/0001" in text and "rejected" in text and "edited" in text
        # what was rejected or edited is not asked again; the signature is still there
        room.locator(".head .title", has_text="take0/0003").wait_for(timeout=CELL_MS)
        wait_until(lambda: "of 2" in room.locator(".count").inner_text())
        assert room.locator(".signed input").input_value() == "Ear Three"
        page.context.close()

    program = "from vibstudy.cli import main; raise SystemExit(main())"
    command = [sys.executable, "-c", program, "measure", str(study / "corpus_manifest.csv")]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    notes = pd.read_csv(study / "results" / "notes.csv")
    assert notes["reviewed"].tolist() == ["rejected", "edited", "auto", "auto"]
    assert notes["onset_s"][1] == pytest.approx(moved, abs=0.002)
