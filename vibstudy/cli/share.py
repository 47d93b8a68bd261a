"""Write and share: the paper, packages of data, studies pooled."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from vibstudy.cli.base import FAILED, SHARE, StudyFolder, app, count, maybe, say_all, study_folder
from vibstudy.terminal import busy, say, typed


@app.command(rich_help_panel=SHARE)
def paper(
    study: StudyFolder = Path(),
    out: Annotated[Path | None, maybe("Folder to write.", "DIR", "paper in the study")] = None,
    title: Annotated[str, typer.Option(help="Title of the draft.")] = "Vibrato in recordings: a draft",
) -> None:
    """Write figures, tables, references and a draft (Word, LaTeX, HTML) from what was measured."""
    from vibstudy.paper.write import write_paper

    with busy(Console(), "Writing the paper") as tell:
        report = write_paper(study_folder(study), out, title, lambda what: tell(f"Writing the paper: {what}"))
    for figure in report.figures:
        if figure.reason:
            say(f"Not drawn: {figure.name}. {figure.reason}")
    drawn = sum(not figure.reason for figure in report.figures)
    say(
        f"{report.folder}: draft.docx, draft.tex, draft.html, {count(drawn, 'figure')}. Where each of its "
        f"{report.numbers:,} numbers and quoted cells came from stands in tables/numbers.csv."
    )


@app.command(rich_help_panel=SHARE)
def package(
    study: StudyFolder = Path(),
    out: Annotated[Path | None, maybe("Folder to make.", "DIR", "data-package in the study")] = None,
    title: Annotated[str, typer.Option(help="Title of the data.")] = "Vibrato measured note by note",
    author: Annotated[str, typer.Option(help="Author, for the citation.")] = "",
    licence: Annotated[str, typer.Option(help="Licence of the data (SPDX name).")] = "CC-BY-4.0",
    remarks: Annotated[
        bool, typer.Option("--remarks", help="Let listeners' remarks, comments and labels of notes go along.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask after showing what goes out.")] = False,
) -> None:
    """Pack the figures for others, without sound, paths, remarks and listeners' names; shows it first."""
    from vibstudy.paper.contents import Contents
    from vibstudy.paper.package import make_package
    from vibstudy.paper.parts import PACKAGE_FOLDER, About

    def approve(contents: Contents) -> bool:
        for line in contents.lines():
            say(line)
        return yes or not sys.stdin.isatty() or typer.confirm("Write it?", default=True)

    out = study / PACKAGE_FOLDER if out is None else out
    files = make_package(study_folder(study), out, About(title, author, licence), remarks, approve)
    if not files:
        say("Nothing was written.")
        return
    say(f"{out} is written. Next: {typed('verify')} {out}")


@app.command(rich_help_panel=SHARE)
def verify(
    folder: Annotated[Path, typer.Argument(metavar="PACKAGE", help="Folder made by 'vibstudy package'.")],
) -> None:
    """Check a package: nothing missing or added, all figures of models and claims computed again."""
    from vibstudy.paper.verify import TOLERANCE, verify_package

    found = verify_package(folder)
    if found.problems:
        say_all(found.problems, f"{folder} does not agree with itself:", error=True)
        raise typer.Exit(FAILED)
    largest = found.figures["relative"].max() if len(found.figures) else 0.0
    say(
        f"{folder}: all {found.files} files are as they were packed; {count(len(found.figures), 'cell')} of "
        f"models and claims computed again, all the same (largest relative difference {largest:.1g}, allowed "
        f"{TOLERANCE:g})."
    )
    say(
        "This proves that models and verdicts follow from the notes, claims and log in the package. It does "
        "not prove that the notes were measured from those recordings: measure them, their hashes are listed."
    )


@app.command(rich_help_panel=SHARE)
def pool(
    packages: Annotated[
        list[str],
        typer.Argument(
            metavar="PACKAGE...", help="Folders made by 'vibstudy package'; NAME=FOLDER names a study."
        ),
    ],
    out: Annotated[Path, typer.Option(metavar="DIR", help="Study folder to make.")] = Path("pooled-study"),
    names: Annotated[
        Path | None,
        typer.Option(metavar="CSV", help="Table 'study, player, pooled': which players are the same person."),
    ] = None,
) -> None:
    """Join the packages of several studies, each checked first, and test their claims on all of them."""
    from vibstudy.paper.pool import pool_packages

    found = pool_packages(packages, out, names)
    for sentence in found.told:
        say(sentence)
    studies = ", ".join(f"{name} ({count(n, 'recording')})" for name, n in found.studies.items())
    say(
        f"{found.folder}: {studies}; {count(found.players, 'player')}, {count(found.notes, 'note')}, "
        f"{count(found.claims, 'claim')}. Next: vibstudy claims {found.folder}"
    )
