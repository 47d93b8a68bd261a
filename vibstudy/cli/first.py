"""What most people need: try it, make a study, check and measure it, open its notebooks."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console

from vibstudy.cli.base import (
    FAILED,
    FIRST,
    LISTEN,
    MANIFEST,
    Manifest,
    Out,
    SettingsFile,
    StudyFolder,
    app,
    count,
    find_manifest,
    maybe,
    say_all,
    study_folder,
)
from vibstudy.cli.progress import Display
from vibstudy.errors import VibstudyError
from vibstudy.terminal import put, say, typed

if TYPE_CHECKING:
    from vibstudy.corpus.settings import Settings
    from vibstudy.measure import MeasureReport


@app.command(rich_help_panel=FIRST)
def demo(
    path: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make.")] = Path("demo-study"),
    into: Annotated[Path | None, typer.Option(metavar="DIR", hidden=True)] = None,
    workers: Annotated[int, typer.Option(min=0, help="Recordings at a time; 0 = all cores.")] = 0,
) -> None:
    """Try everything on an invented corpus whose truth is known (about 4 minutes)."""
    from vibstudy.demo.run import run_demo

    raise typer.Exit(run_demo(into or path, workers, Console()))


@app.command(rich_help_panel=FIRST)
def new(
    path: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make.")],
) -> None:
    """Make a folder for a study of your own, with everything explained in it."""
    from vibstudy.corpus.newstudy import make_study
    from vibstudy.demo.resources import notebook_sources
    from vibstudy.stats import CLAIMS_EXAMPLE

    made, kept = make_study(path, CLAIMS_EXAMPLE.read_text(encoding="utf-8"), notebook_sources())
    say(f"{path} is ready." if made else f"{path} had everything already.")
    for name in made:
        say(f"  made  {name}")
    for name in kept:
        say(f"  kept  {name} (it was there)")
    say(f"Next: read {path / 'README.txt'}, fill in {path / MANIFEST}, then type '{typed('check')}' there.")


@app.command(rich_help_panel=FIRST)
def check(
    manifest: Manifest = MANIFEST,
    audio: Annotated[bool, typer.Option(help="Look into sound files, note lists and scores, too.")] = True,
) -> None:
    """Tell every mistake in the table of recordings, and how to mend it. Changes nothing."""
    from vibstudy.corpus.manifest import inspect_manifest
    from vibstudy.corpus.settings import load_settings
    from vibstudy.measure import check_lists_and_scores

    manifest = find_manifest(manifest)
    found = inspect_manifest(manifest, audio)
    try:
        load_settings(manifest.parent)
    except VibstudyError as error:
        found.problems += error.problems
    if audio:
        found.problems += check_lists_and_scores(found.beside)
    say_all(found.notes, "To know (nothing must be done):")
    if found.problems:
        raise VibstudyError(found.problems)
    there = "" if manifest == MANIFEST else f" {manifest}"
    say(f"{manifest}: {count(found.rows, 'recording')}, nothing to mend. Next: {typed('measure')}{there}")


@app.command(rich_help_panel=FIRST)
def measure(
    manifest: Manifest = MANIFEST,
    out: Out = None,
    workers: Annotated[
        int | None, maybe("Recordings at a time; 0 = all cores.", shown="as in the settings", min=0)
    ] = None,
    tracker: Annotated[
        str | None, maybe("What finds the notes: swift-f0, pyin, crepe-tiny or crepe-full.")
    ] = None,
    settings: SettingsFile = None,
    cache: Annotated[
        bool, typer.Option("--cache/--no-cache", help="Keep what is measured, or measure all again.")
    ] = True,
    cluster: Annotated[str | None, maybe("Dask scheduler to use, as tcp://host:8786.", "ADDRESS")] = None,
) -> None:
    """Measure every note. What is measured is kept: only new or changed recordings take time."""
    from vibstudy.measure import measure_corpus

    manifest = find_manifest(manifest)
    chosen = _settings(settings, manifest, tracker)
    out = _results(manifest, out)
    _log_claims(manifest, out)
    with Display() as display:
        report = measure_corpus(manifest, out, chosen, workers, display.show, cluster, fresh=not cache)
    _say_report(report, manifest)
    _show_first_look(report)
    if report.failed:
        raise typer.Exit(FAILED)


@app.command(rich_help_panel=LISTEN)
def status(
    manifest: Manifest = MANIFEST,
    out: Out = None,
    settings: SettingsFile = None,
    why: Annotated[str | None, maybe("Why this recording would be measured again.", "RECORDING")] = None,
) -> None:
    """Show what is measured, what failed and why, and how decades, regions and players are covered."""
    from vibstudy.corpus.overview import explain_recording, overview

    manifest = find_manifest(manifest)
    chosen = _settings(settings, manifest, None)
    console = Console()
    if why is not None:
        say(explain_recording(manifest, _results(manifest, out), chosen, why))
        return
    for part in overview(manifest, _results(manifest, out), chosen):
        put(console, part)


@app.command(rich_help_panel=FIRST)
def lab(study: StudyFolder = Path()) -> None:
    """Open the study's notebooks in the browser (JupyterLab). Ctrl-C here closes it."""
    from vibstudy.review.launch import run_lab

    folder = study_folder(study) / "notebooks"
    if not any(folder.glob("*.ipynb")):
        raise VibstudyError(
            "there are no notebooks here",
            str(folder),
            repair="Go to a study folder, or make one with 'vibstudy new' or 'vibstudy demo'",
        )
    say("Opening the notebooks in your browser; begin with 01. Where none opens by itself, copy the address")
    say("below that begins with http://localhost into one. Ctrl-C here closes it.")
    raise typer.Exit(run_lab(study, "lab/tree/notebooks"))


def _results(manifest: Path, out: Path | None) -> Path:
    return manifest.parent / "results" if out is None else out


def _settings(file: Path | None, manifest: Path, tracker: str | None) -> Settings:
    from dataclasses import replace

    from vibstudy.corpus.settings import load_settings

    settings = load_settings(file if file is not None else manifest.parent)
    return replace(settings, tracker=tracker) if tracker is not None else settings


def _log_claims(manifest: Path, out: Path) -> None:
    """Log what is claimed before the data are there; claims with mistakes do not stop the measuring."""
    study = manifest.absolute().parent
    if out.absolute() != study / "results" or not _claimed(study):
        return
    from vibstudy.stats.logbook import log_claims

    try:
        log_claims(study)
    except VibstudyError as error:
        title = "These claims could not be logged before measuring; mend them and run 'vibstudy claims':"
        say_all(error.problems, title, error=True)


def _claimed(study: Path) -> bool:
    """Whether there is anything to log: most studies begin without, and need not wait for the statistics."""
    from vibstudy.stats.ledger import FILE_NAME

    if (study / "results" / FILE_NAME).exists():
        return True
    try:
        text = (study / "claims.toml").read_bytes()
    except OSError:
        return (study / "claims.toml").exists()
    return any(line.strip() and not line.lstrip().startswith(b"#") for line in text.splitlines())


def _show_first_look(report: MeasureReport) -> None:
    """Draw what is measured so far; where nothing changed, the page stands as it is."""
    from vibstudy.pages.first_look import renewed_first_look

    page = renewed_first_look(report.out, changed=report.measured > 0)
    if page is None:  # nothing measured: said already
        return
    say(f"Open {page} in a browser: players at a glance, and what to do next.")


def _say_report(report: MeasureReport, manifest: Path) -> None:
    parts = [f"{report.measured:,} measured", f"{report.unchanged:,} unchanged"]
    parts += [
        f"{number:,} {word}"
        for number, word in ((report.failed, "failed"), (report.excluded, "excluded"))
        if number
    ]
    notes = int(report.log["notes"].sum())
    say(f"{', '.join(parts)} in {report.seconds:.1f} s. {count(notes, 'note')} in {report.out / 'notes.csv'}")
    if report.notes:
        say(f"{count(len(report.notes), 'remark')} on the manifest: {typed('check')} {manifest}")
    if report.decisions is not None:
        say("Listeners' decisions (edits.csv) are in the tables.")
        say_all(report.decisions, "To hear again:")
    if report.failures:
        lines = [f"  {name}: {message}" for name, message in report.failures]
        say("\n".join(["These recordings could not be measured:", *lines]), error=True)
