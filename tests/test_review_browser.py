"""The listening notebook in real JupyterLab, driven in headless Chromium: hear, decide, close, reopen."""

from __future__ import annotations

import os
import secrets
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from contextlib import contextmanager
from pathlib import Path

import jupytext
import pandas as pd
import pytest

from tests.review_study import PITCHES_HZ, make_review_study
from vibstudy.decisions.edits import read_edits
from vibstudy.review.launch import NOTEBOOK

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.timeout(600)]

SOURCE = Path(__file__).parents[1] / "notebooks" / f"{NOTEBOOK}.py"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
CELL_MS = 90_000


@pytest.fixture(scope="module")
def browser():
    if CHROMIUM is None:
        words = "Chromium is missing: install Debian's package chromium"
        pytest.fail(words) if os.environ.get("CI") == "true" else pytest.skip(words)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture
def study(tmp_path):
    folder = make_review_study(tmp_path / "study", recordings=1)
    (folder / "notebooks").mkdir()
    jupytext.write(jupytext.read(SOURCE), folder / "notebooks" / f"{NOTEBOOK}.ipynb")
    return folder


@contextmanager
def jupyter_lab(study: Path):
    """JupyterLab on a free port of this computer; yields the notebook's address."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    token = secrets.token_hex(16)
    command = [sys.executable, "-m", "jupyter", "lab", "--no-browser", "--allow-root", "--ip=127.0.0.1"]
    command += [f"--port={port}", "--ServerApp.port_retries=0", f"--IdentityProvider.token={token}"]
    command += [f"--ServerApp.root_dir={study}"]
    own = study.parent / "jupyter"
    quiet = own / "settings" / "@jupyterlab" / "apputils-extension" / "notification.jupyterlab-settings"
    quiet.parent.mkdir(parents=True, exist_ok=True)
    quiet.write_text('{"fetchNews": "false", "checkForUpdates": false}', encoding="utf-8")
    environment = {
        **os.environ,
        "JUPYTER_CONFIG_DIR": str(own / "config"),
        "JUPYTER_RUNTIME_DIR": str(own / "runtime"),
        "JUPYTERLAB_WORKSPACES_DIR": str(own / "workspaces"),
        "JUPYTERLAB_SETTINGS_DIR": str(own / "settings"),
        "VIBSTUDY_STUDY": str(study),
        "PYTHONPATH": os.pathsep.join(path for path in sys.path if path),
    }
    with (study.parent / "lab.log").open("wb") as log:
        server = subprocess.Popen(command, stdout=log, stderr=log, env=environment)
        try:
            base = f"http://127.0.0.1:{port}"
            for _ in range(240):
                try:
                    urllib.request.urlopen(f"{base}/api/status?token={token}", timeout=2).close()
                    break
                except OSError:
                    assert server.poll() is None, (study.parent / "lab.log").read_text()
                    time.sleep(0.5)
            yield f"{base}/lab/tree/notebooks/{NOTEBOOK}.ipynb?token={token}"
        finally:
            server.terminate()
            server.wait(timeout=30)


def open_and_run(browser, address: str):
    """The notebook, all of its cells run, and the review room in it."""
    page = browser.new_context(viewport={"width": 1500, "height": 1050}).new_page()
    page.goto(address, timeout=CELL_MS)
    page.locator(".jp-Notebook .jp-Cell").first.wait_for(timeout=CELL_MS)
    page.get_by_text("| Idle").wait_for(timeout=CELL_MS)  # the kernel is there, told by the status bar
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
    room = page.locator(".vibstudy-room")
    room.wait_for(timeout=CELL_MS)
    room.locator(".title", has_text="take0/").wait_for(timeout=CELL_MS)
    return page, room


def wait_until(what, seconds: float = 20.0) -> None:
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, what
        time.sleep(0.1)


def decisions(study: Path) -> list[str]:
    return [edit.what for edit in read_edits(study / "edits.csv")[0]]


def test_hear_decide_close_and_reopen(browser, study, tmp_path):
    with jupyter_lab(study) as address:
        page, room = open_and_run(browser, address)
        errors: list[str] = []
        page.on("pageerror", lambda error: errors.append(str(error)))
        room.scroll_into_view_if_needed()
        room.focus()
        first = room.locator(".title").inner_text()
        assert first == "take0/0001"
        page.screenshot(path=tmp_path / "1_opened.png")

        # plays, at a safe volume, and the sound moves on
        page.keyboard.press("w")
        audio = room.locator("audio")
        wait_until(lambda: audio.evaluate("node => node.currentTime") > 0.3)
        assert audio.evaluate("node => node.volume") == pytest.approx(0.1)
        assert audio.evaluate("node => node.src").startswith("blob:")
        page.screenshot(path=tmp_path / "2_playing.png")
        page.keyboard.press("w")
        assert audio.evaluate("node => node.paused")

        # rejects with a reason, by keys, and goes on
        page.keyboard.press("r")
        page.screenshot(path=tmp_path / "3_why.png")
        page.keyboard.press("1")
        room.locator(".title", has_text="take0/0002").wait_for()
        assert decisions(study) == ["reject"]

        # moves an edge with the mouse
        before = float(room.locator("input.begin").input_value())
        box = room.locator("canvas").bounding_box()
        x = page.evaluate(
            """() => { const c = document.querySelector('.vibstudy-room canvas');
                       const y = 10 * devicePixelRatio;
                       const d = c.getContext('2d').getImageData(0, y, c.width, 1).data;
                       for (let i = 50; i < c.width - 50; i++)  // the black handle of the beginning
                         if (d[4*i] < 40 && d[4*i+1] < 40 && d[4*(i+5)] < 40)
                           return (i + 4) / devicePixelRatio;
                       return -1; }"""
        )
        assert x > 0
        page.mouse.move(box["x"] + x, box["y"] + 100)
        page.mouse.down()
        page.mouse.move(box["x"] + x + 25, box["y"] + 100, steps=5)
        page.mouse.up()
        wait_until(lambda: decisions(study) == ["reject", "edges"])
        wait_until(lambda: room.locator(".state").inner_text() == "edited")
        moved = float(room.locator("input.begin").input_value())
        assert 0.02 < moved - before < 0.5

        # corrects an octave, and takes it back
        pitch = room.locator("td", has_text="Hz").first
        page.keyboard.press("ArrowUp")
        wait_until(lambda: f"{2 * PITCHES_HZ[1]:.0f}" in pitch.inner_text().replace("679", "680"))
        page.screenshot(path=tmp_path / "4_octave.png")
        page.keyboard.press("u")
        wait_until(lambda: decisions(study) == ["reject", "edges", "octave", "undo"])
        wait_until(lambda: "Taken back" in room.locator(".say").inner_text())
        page.screenshot(path=tmp_path / "5_undone.png")
        assert errors == []
        page.context.close()

    with jupyter_lab(study) as address:  # a new server, a new kernel
        page, room = open_and_run(browser, address)
        table = page.locator("table", has_text="reviewed")
        table.wait_for(timeout=CELL_MS)
        text = table.inner_text()
        assert "take0/0001" in text and "rejected" in text and "edited" in text
        table.scroll_into_view_if_needed()
        page.screenshot(path=tmp_path / "6_table.png")
        # what was rejected or edited is not asked again
        assert room.locator(".title").inner_text() == "take0/0003"
        assert "of 2" in room.locator(".count").inner_text()
        page.locator("table", has_text="accepted").last.scroll_into_view_if_needed()
        page.screenshot(path=tmp_path / "7_agreement.png")
        page.context.close()

    program = "from vibstudy.cli import main; raise SystemExit(main())"
    command = [sys.executable, "-c", program, "measure", str(study / "corpus_manifest.csv")]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    notes = pd.read_csv(study / "results" / "notes.csv")
    assert notes["reviewed"].tolist() == ["rejected", "edited", "auto", "auto"]
    assert notes["onset_s"][1] == pytest.approx(moved, abs=0.002)
