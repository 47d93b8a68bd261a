"""Open the listening notebook of a study in the browser."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

from rich.console import Console

from vibstudy.corpus.atomic import write_text
from vibstudy.corpus.newstudy import read_notebook
from vibstudy.errors import VibstudyError
from vibstudy.study import FOLDER_VARIABLE
from vibstudy.terminal import put

NOTEBOOK = "07_listen_and_correct"
_QUIET = Path(__file__).with_name("lab")
"""Settings of JupyterLab under a study's own: it neither asks about news nor looks for them."""
_PATIENCE_S = 20.0
"""How long a server may take to end its kernels."""


def run_review(study_folder: Path, console: Console) -> int:
    """Open JupyterLab at the listening notebook of a study; it ends with Ctrl-C.

    A notebook that the study has as text only is made from it.

    Parameters
    ----------
    study_folder : Path
        Study folder.
    console : Console
        Where to say what happens.

    Returns
    -------
    int
        Exit code of JupyterLab.

    Raises
    ------
    VibstudyError
        When the study has no such notebook.
    """
    notebook = _notebook(study_folder)
    put(
        console,
        f"Opening {notebook.name} in your browser: choose Run, Run All Cells there. Ctrl-C here closes it.",
    )
    environment = {**os.environ, FOLDER_VARIABLE: str(study_folder.absolute())}
    # one document: beside the list of files the room would be 28 px wide in a window of 390
    return run_lab(study_folder, f"doc/tree/notebooks/{notebook.name}", environment)


def run_lab(study_folder: Path, page: str, environment: Mapping[str, str] | None = None) -> int:
    """Run JupyterLab until it ends, and end it when this program is ended.

    Parameters
    ----------
    study_folder : Path
        What the server shows.
    page : str
        What to open: ``lab/tree/`` (with the list of files) or ``doc/tree/`` (one notebook alone, over the
        whole width) and the folder or notebook, relative to it.
    environment : mapping of str to str | None
        Variables of the server; None: as here.

    Returns
    -------
    int
        Its exit code; 0 after Ctrl-C; 128 and the number of the signal after another signal to end.
    """
    command = [sys.executable, "-m", "jupyter", "lab", f"--ServerApp.root_dir={study_folder.absolute()}"]
    command.append(f"--LabApp.default_url=/{page}")
    if hasattr(os, "geteuid") and os.geteuid() == 0:  # in a container everybody is root
        command.append("--allow-root")
    variables = dict(os.environ if environment is None else environment)
    quiet = [str(_QUIET), *filter(None, [variables.get("JUPYTER_CONFIG_PATH")])]
    variables["JUPYTER_CONFIG_PATH"] = os.pathsep.join(quiet)
    before = {number: signal.signal(number, _end) for number in _ENDING}
    server = None
    try:
        server = subprocess.Popen(command, env=variables)
        return server.wait()
    except KeyboardInterrupt:
        return 0
    except _Ended as end:
        return 128 + end.args[0]
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        if server is not None:
            _stop(server)


class _Ended(BaseException):
    """A signal asked this program to end; its number is the argument."""


_ENDING = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]


def _end(number: int, _: object) -> None:
    raise _Ended(number)


def _stop(server: subprocess.Popen[bytes]) -> None:
    """Ask the server to end, which ends its kernels; insist when it does not."""
    if server.poll() is None:
        server.terminate()
        try:
            server.wait(_PATIENCE_S)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()


def _notebook(study_folder: Path) -> Path:
    folder = study_folder / "notebooks"
    wanted, text = folder / f"{NOTEBOOK}.ipynb", folder / f"{NOTEBOOK}.py"
    if not wanted.exists() and text.exists():
        write_text(wanted, json.dumps(read_notebook(text), indent=1))
    if not wanted.exists():
        raise VibstudyError(
            f"there is no notebook {NOTEBOOK} here",
            str(folder),
            repair="Go to a study folder, or make one with 'vibstudy new' or 'vibstudy demo'",
        )
    return wanted
