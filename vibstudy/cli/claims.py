"""Test and write: what was claimed before looking, and what else may be asked."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from vibstudy.cli.base import TEST, StudyFolder, app, study_folder
from vibstudy.errors import VibstudyError


@app.command(rich_help_panel=TEST)
def claims(study: StudyFolder = Path()) -> None:
    """Log the claims in claims.toml, test them on what is measured, and answer in words."""
    from vibstudy.stats.claims import run_claims

    raise typer.Exit(run_claims(study_folder(study), Console()))


@app.command(rich_help_panel=TEST)
def questions(
    study: StudyFolder = Path(),
    by: Annotated[str, typer.Option("--by", metavar="COLUMN", help="Tag whose groups are compared.")] = "",
    start: Annotated[str, typer.Option("--from", metavar="VALUE", help="First of its values.")] = "",
    end: Annotated[str, typer.Option("--to", metavar="VALUE", help="Second of its values.")] = "",
) -> None:
    """Ask what else a committee asks: more regular? traded? two kinds? how much in all? pupils and teachers?

    The groups compared are those named, or those of the claims in claims.toml.
    """
    from vibstudy.stats.exploratory import Groups, run_questions

    given = {"--by": by, "--from": start, "--to": end}
    if any(given.values()) and not all(given.values()):
        absent = [name for name, value in given.items() if not value]
        raise VibstudyError(f"groups are named by all three: {', '.join(absent)} is missing")
    pair = Groups(by, start, end) if by else None
    raise typer.Exit(run_questions(study_folder(study), pair, Console()))
