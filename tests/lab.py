"""JupyterLab on this computer, and a browser without a window, for whoever tests or shows the notebooks."""

from __future__ import annotations

import os
import secrets
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

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


@contextmanager
def chromium() -> Iterator[Any]:
    """A browser without a window."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield opened
        opened.close()


@contextmanager
def jupyter_lab(study: Path, notebook: str, theme: str = "JupyterLab Light") -> Iterator[str]:
    """JupyterLab on a free port of this computer; yields the notebook's address."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    token = secrets.token_hex(16)
    command = [sys.executable, "-m", "jupyter", "lab", "--no-browser", "--allow-root", "--ip=127.0.0.1"]
    command += [f"--port={port}", "--ServerApp.port_retries=0", f"--IdentityProvider.token={token}"]
    command += [f"--ServerApp.root_dir={study}"]
    own = study.parent / "jupyter"
    settings = own / "settings" / "@jupyterlab" / "apputils-extension"
    settings.mkdir(parents=True, exist_ok=True)
    quiet = '{"fetchNews": "false", "checkForUpdates": false}'
    (settings / "notification.jupyterlab-settings").write_text(quiet, encoding="utf-8")
    (settings / "themes.jupyterlab-settings").write_text(f'{{"theme": "{theme}"}}', encoding="utf-8")
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
            yield f"{base}/lab/tree/notebooks/{notebook}.ipynb?token={token}"
        finally:
            server.terminate()
            server.wait(timeout=30)


def open_and_run(browser: Any, address: str, size: tuple[int, int] = (1500, 1050)) -> tuple[Any, Any]:
    """The notebook, all of its cells run, and the listening room in it."""
    page = browser.new_context(viewport={"width": size[0], "height": size[1]}).new_page()
    page.goto(address, timeout=CELL_MS)
    page.locator(".jp-Notebook .jp-Cell").first.wait_for(timeout=CELL_MS)
    page.get_by_text("| Idle").wait_for(timeout=CELL_MS)  # the kernel is there, told by the status bar
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
    room = page.locator(".vibstudy-room")
    room.wait_for(timeout=CELL_MS)
    return page, room
