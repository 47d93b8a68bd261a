"""The demonstration from end to end: an invented corpus, measured, analysed and held against its truth.

Everything goes into one new folder, a study like the user's own. The same command goes on where a
broken-off run stopped, and measures and composes nothing twice. A notebook that the user has changed is
run as it stands, never replaced.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from joblib import Parallel, cpu_count, delayed

from vibstudy.corpus import MANIFEST_NAME
from vibstudy.corpus.atomic import write_json, write_text
from vibstudy.demo.resources import CLAIMS, notebook_sources
from vibstudy.errors import VibstudyError
from vibstudy.terminal import put

if TYPE_CHECKING:
    from rich.console import Console

    from vibstudy.demo.notebooks import NotebookRun
    from vibstudy.measure import MeasureReport

_STATE = ".demo.json"
_README = """\
THIS STUDY IS INVENTED. Its players, regions, schools, melodies and recordings do not exist; the sound is
synthesised. It says nothing about real playing. It is here to show what the tool does, on recordings whose
truth is known: truth/truth.csv has every note as it was put into the sound.

  pages/        the notebooks with their results, to read in a browser
  notebooks/    the same, to run and change (type: vibstudy lab)
  figures/      every figure as PDF and PNG, its numbers as CSV
  results/      notes.csv has one row a note; recordings.csv, log.csv
  audio/        the recordings; begin listening at a low volume
  scores/       what was written of their melodies (MusicXML)
"""

Advance = Callable[[int, int], None]


def run_demo(into: Path, workers: int | None, console: Console) -> int:
    """Make the demonstration, or go on with it.

    Parameters
    ----------
    into : Path
        Folder to make; one that this function made before is gone on with.
    workers : int | None
        Processes; None or 0 for all cores.
    console : rich Console
        Where progress and summary go.

    Returns
    -------
    int
        Exit code: 0, or 1 when a recording or a notebook failed.

    Raises
    ------
    VibstudyError
        When the folder holds something else, or cannot be made.
    """
    from vibstudy.demo.summary import print_summary
    from vibstudy.pages.first_look import renewed_first_look
    from vibstudy.stats.claims import read_claims
    from vibstudy.stats.logbook import log_new

    began = time.perf_counter()
    workers = workers or cpu_count()
    into = Path(into)
    state = _State(into)
    put(console, "The players, regions and recordings of this demonstration are invented.", "bold")
    _compose(into, state, workers, console)
    log_new(into, read_claims(into / CLAIMS.name), None)  # before anything is measured
    report = _measure(into, workers, console)
    page = renewed_first_look(report.out, changed=report.measured > 0)
    if page is not None:
        put(console, f"A first look, while the notebooks are run: open {page} in a browser.")
    runs = _run_notebooks(into, state, workers, console)
    print_summary(into, report, runs, time.perf_counter() - began, console)
    return 1 if report.failed or any(run.failure for run in runs) else 0


class _State:
    """What a demonstration folder remembers of the runs before.

    Parameters
    ----------
    folder : Path
        Made when it does not exist.

    Raises
    ------
    VibstudyError
        When the folder is not empty and no demonstration, or cannot be made.
    """

    def __init__(self, folder: Path):
        self._path = folder / _STATE
        self.composed = ""
        self.notebooks: dict[str, str] = {}
        try:
            folder.mkdir(parents=True, exist_ok=True)
            if self._path.is_file():
                self._read()
            elif any(folder.iterdir()):
                raise VibstudyError(
                    "this folder holds something else, which the demonstration will not touch",
                    str(folder),
                    repair="Name a new one:  vibstudy demo my-demo",
                )
            else:
                self.save()
        except OSError as error:
            raise VibstudyError(
                f"the folder cannot be made: {error.strerror or error}",
                str(folder),
                repair="Name one in a place where you may write:  vibstudy demo my-demo",
            ) from None

    def _read(self) -> None:
        try:
            kept = json.loads(self._path.read_text(encoding="utf-8"))
            self.composed, self.notebooks = str(kept["composed"]), dict(kept["notebooks"])
        except (ValueError, KeyError, TypeError):  # composed again; notebooks there count as the user's
            return

    def save(self) -> None:
        """Write the state, whole or not at all."""
        write_json(self._path, {"composed": self.composed, "notebooks": self.notebooks})


def _compose(into: Path, state: _State, workers: int, console: Console) -> None:
    """Write the corpus and the files of a study, unless the same corpus is there."""
    from vibstudy.corpus.settings import FILE_NAME as SETTINGS
    from vibstudy.corpus.settings import template
    from vibstudy.demo.corpus import recordings, write_demo_corpus

    texts = {SETTINGS: template(), CLAIMS.name: CLAIMS.read_text(encoding="utf-8"), "README.txt": _README}
    for name, text in texts.items():
        if not (into / name).exists():
            write_text(into / name, text)
    recipe = _recipe()
    wanted = [into / recording.path for recording in recordings()]
    with _step(console, "Composing and recording", len(wanted)) as advance:
        if state.composed != recipe or not all(path.is_file() for path in wanted):
            write_demo_corpus(into, workers=workers, progress=advance)
            state.composed = recipe
            state.save()


def _recipe() -> str:
    """Fingerprint of the code that makes the corpus: another code, another corpus."""
    names = [f"{name}.py" for name in ("cast", "corpus", "media", "melodies", "synthesis")]
    names += ["../playing/piano.py", "../sound/room.py"]
    folder = Path(__file__).parent
    return hashlib.sha256(b"".join((folder / name).read_bytes() for name in names)).hexdigest()


def _measure(into: Path, workers: int, console: Console) -> MeasureReport:
    from vibstudy.corpus.settings import load_settings
    from vibstudy.measure import Progress, measure_corpus

    with _step(console, "Measuring every note") as advance:

        def tell(progress: Progress) -> None:
            advance(progress.done, progress.total)

        return measure_corpus(into / MANIFEST_NAME, into / "results", load_settings(into), workers, tell)


def _run_notebooks(into: Path, state: _State, workers: int, console: Console) -> list[NotebookRun]:
    """Run every notebook: as packaged, or as the user left it."""
    from vibstudy.demo.notebooks import run_notebook, source_hash

    sources = [_own_or_packaged(into, source, state) for source in notebook_sources()]
    runs: list[NotebookRun] = []
    with _step(console, "Running the notebooks", len(sources)) as advance:
        parallel = Parallel(n_jobs=min(workers, len(sources)), return_as="generator")
        for run in parallel(delayed(run_notebook)(source, into) for source in sources):
            if sources[len(runs)] != _own(into, run.name):
                state.notebooks[run.name] = source_hash(_own(into, run.name))
                state.save()
            runs.append(run)
            advance(len(runs), len(sources))
    return runs


def _own(into: Path, name: str) -> Path:
    return into / "notebooks" / f"{name}.ipynb"


def _own_or_packaged(into: Path, packaged: Path, state: _State) -> Path:
    """The user's notebook where it is no longer what was put there, else the packaged one."""
    from vibstudy.demo.notebooks import source_hash

    own = _own(into, packaged.stem)
    if own.is_file() and source_hash(own) != state.notebooks.get(packaged.stem):
        return own
    return packaged


@contextmanager
def _step(console: Console, title: str, total: int | None = None) -> Iterator[Advance]:
    """One step of the way: a bar while it runs on a terminal, a line when it is done."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    began = time.perf_counter()
    columns = (TextColumn("{task.description:26}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(title, total=total)
        yield lambda done, of: bar.update(task, completed=done, total=of)
    seconds = time.perf_counter() - began
    put(console, f"  {title:26} {seconds:6.1f} s")
