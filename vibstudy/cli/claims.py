"""Test and write: what was claimed before looking."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from vibstudy.cli.base import TEST, app, study_folder


@app.command(rich_help_panel=TEST)
def claims(
    study: Annotated[Path, typer.Argument(metavar="DIR", help="Study folder.")] = Path(),
) -> None:
    """Log the claims in claims.toml, test them on what is measured, and answer in words."""
    from vibstudy.stats.claims import run_claims

    raise typer.Exit(run_claims(study_folder(study), Console()))
