"""The application, its panels, and what its commands share."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from vibstudy.corpus import MANIFEST_NAME
from vibstudy.errors import Problem, VibstudyError, first_of, nearest
from vibstudy.terminal import say

FIRST = "What most people need, in this order"
LISTEN = "Look and listen"
PLAY = "Play and practise"
SHARE = "Write and share"
TEST = "Test and write"

FAILED, UNUSABLE, FAULT, STOPPED = 1, 2, 3, 130

app = typer.Typer(
    name="vibstudy",
    help="Measure vibrato in recordings, note by note, and compare players, periods and regions. "
    "Try it first:  vibstudy demo",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

Manifest = Annotated[
    Path,
    typer.Argument(
        metavar="MANIFEST",
        help="The table of recordings, or the study folder that holds it.",
        show_default=True,
    ),
]

Out = Annotated[
    Path | None,
    typer.Option("--out", metavar="DIR", help="Results folder.", show_default="results beside the manifest"),
]

StudyFolder = Annotated[Path, typer.Argument(metavar="DIR", help="Study folder.")]
SettingsFile = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="Settings.", show_default="study.toml beside the manifest, if any"),
]
MANIFEST = Path(MANIFEST_NAME)


def maybe(help: str, metavar: str | None = None, shown: str | bool = False, **limits: Any) -> Any:
    """An option that may be left out; `shown` tells what is taken where it is."""
    return typer.Option(metavar=metavar, help=help, show_default=shown, **limits)


def find_manifest(path: Path) -> Path:
    """The manifest, when a study folder is named instead."""
    if path.is_dir() or not path.exists():
        return study_folder(path if path != MANIFEST else Path()) / MANIFEST
    return path


def study_folder(folder: Path) -> Path:
    """The folder, when it is a study: with the table of recordings, or what was measured of them."""
    if (folder / MANIFEST).is_file() or (folder / "results").is_dir():
        return folder
    beside = folder.absolute().parent if not folder.is_dir() else folder
    studies = sorted(found.parent.name for found in beside.glob(f"*/{MANIFEST}"))
    tables = sorted(found.name for found in beside.glob("*.csv"))
    repair = nearest(folder.name, [*studies, *tables])
    if not repair and studies:
        where = "here" if beside == Path() else f"in {beside}"
        repair = f"Studies {where}: {first_of(studies)}"
    wrong = "this folder is no study: it holds no" if folder.is_dir() else "there is no such study or"
    raise VibstudyError(
        f"{wrong} {MANIFEST if folder.is_dir() else 'table of recordings'}",
        str(folder.absolute() if folder == Path() else folder),
        repair=repair or "Go to your study folder, or make one: vibstudy new my-study",
    )


def say_all(problems: Sequence[Problem], title: str, *, error: bool = False) -> None:
    """Print a title with the problems below it; nothing where there is none."""
    if problems:
        say("\n".join([title, *(f"  {problem}" for problem in problems)]), error=error)


def count(number: int, thing: str) -> str:
    """Return a number with what it counts."""
    return f"{number:,} {thing}{'' if number == 1 else 's'}"


def _version(wanted: bool) -> None:
    if wanted:
        from vibstudy import __version__

        say(f"vibstudy {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show a programmer's details of a fault.")] = False,
) -> None:
    pass
