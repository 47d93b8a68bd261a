"""Open the listening notebook of a study in the browser."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from rich.console import Console

from vibstudy.errors import VibstudyError
from vibstudy.study import FOLDER_VARIABLE
from vibstudy.terminal import put

NOTEBOOK = "07_listen_and_correct"


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
    command = [sys.executable, "-m", "jupyter", "lab", f"--ServerApp.root_dir={study_folder.absolute()}"]
    command += [f"--LabApp.default_url=/lab/tree/notebooks/{notebook.name}"]
    environment = {**os.environ, FOLDER_VARIABLE: str(study_folder.absolute())}
    try:
        return subprocess.run(command, check=False, env=environment).returncode
    except KeyboardInterrupt:
        return 0


def _notebook(study_folder: Path) -> Path:
    folder = study_folder / "notebooks"
    wanted, text = folder / f"{NOTEBOOK}.ipynb", folder / f"{NOTEBOOK}.py"
    if not wanted.exists() and text.exists():
        import jupytext

        jupytext.write(jupytext.read(text), wanted)
    if not wanted.exists():
        raise VibstudyError(
            f"there is no notebook {NOTEBOOK} here",
            str(folder),
            repair="Go to a study folder, or make one with 'vibstudy new' or 'vibstudy demo'",
        )
    return wanted
