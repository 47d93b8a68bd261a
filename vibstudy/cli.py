"""The command line.

A command is a function with a panel: add one by writing it below ``@app.command(rich_help_panel=...)``;
what it needs is imported inside, so that ``vibstudy --help`` stays quick. A command raises VibstudyError
for input that cannot be used, and ``typer.Exit(code)`` otherwise:

====  =======================================================================================
code  meaning
====  =======================================================================================
0     all went well
1     some recordings failed: they are named, with the reason and the repair; the rest is done
2     the input cannot be used, or the disk is full: every problem is told
3     a fault of the tool itself: the details are in a file
130   stopped by Ctrl-C: what is done is kept
====  =======================================================================================
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console

from vibstudy.corpus import MANIFEST_NAME
from vibstudy.errors import Problem, VibstudyError, nearest
from vibstudy.terminal import busy, put, say

if TYPE_CHECKING:
    from rich.progress import TaskID

    from vibstudy.corpus.settings import Settings
    from vibstudy.measure import MeasureReport, Progress

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
_MANIFEST = Path(MANIFEST_NAME)


# --- begin


@app.command(rich_help_panel=FIRST)
def demo(
    into: Annotated[Path, typer.Option(metavar="DIR", help="Folder to make.")] = Path("demo-study"),
    workers: Annotated[int, typer.Option(min=0, help="Recordings at a time; 0 = all cores.")] = 0,
) -> None:
    """Try everything on an invented corpus whose truth is known (about 4 minutes)."""
    from vibstudy.demo.run import run_demo

    raise typer.Exit(run_demo(into, workers, Console()))


@app.command(rich_help_panel=FIRST)
def new(
    path: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make.")],
) -> None:
    """Make a folder for a study of your own, with everything explained in it."""
    from vibstudy.corpus.newstudy import make_study
    from vibstudy.demo.resources import notebook_sources
    from vibstudy.stats.claimfile import EXAMPLE

    made, kept = make_study(path, EXAMPLE, notebook_sources())
    _say(f"{path} is ready." if made else f"{path} had everything already.")
    for name in made:
        _say(f"  made  {name}")
    for name in kept:
        _say(f"  kept  {name} (it was there)")
    _say(
        f"Next: read {path / 'README.txt'}, fill in {path / _MANIFEST}, then type '{_typed('check')}' there."
    )


# --- measure


@app.command(rich_help_panel=FIRST)
def check(
    manifest: Manifest = _MANIFEST,
    audio: Annotated[bool, typer.Option(help="Look into sound files, note lists and scores, too.")] = True,
) -> None:
    """Tell every mistake in the table of recordings, and how to mend it. Changes nothing."""
    from vibstudy.corpus.manifest import inspect_manifest
    from vibstudy.corpus.settings import load_settings
    from vibstudy.measure import check_lists_and_scores

    manifest = _find_manifest(manifest)
    found = inspect_manifest(manifest, audio)
    try:
        load_settings(manifest.parent)
    except VibstudyError as error:
        found.problems += error.problems
    if audio and found.frame is not None:
        found.problems += check_lists_and_scores(manifest, found.frame)
    _say_all(found.notes, "To know (nothing must be done):")
    if found.problems:
        raise VibstudyError(found.problems)
    _say(f"{manifest}: {_count(found.rows, 'recording')}, nothing to mend. Next: {_typed('measure')}")


@app.command(rich_help_panel=FIRST)
def measure(
    manifest: Manifest = _MANIFEST,
    out: Out = None,
    workers: Annotated[
        int | None,
        typer.Option(min=0, help="Recordings at a time; 0 = all cores.", show_default="as in the settings"),
    ] = None,
    tracker: Annotated[
        str | None,
        typer.Option(
            help="What finds the notes: swift-f0, pyin, crepe-tiny or crepe-full.", show_default=False
        ),
    ] = None,
    settings: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Settings.", show_default="study.toml beside the manifest, if any"),
    ] = None,
    cache: Annotated[
        bool, typer.Option("--cache/--no-cache", help="Keep what is measured, or measure all again.")
    ] = True,
    cluster: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS", help="Dask scheduler to use, as tcp://host:8786.", show_default=False
        ),
    ] = None,
) -> None:
    """Measure every note. What is measured is kept: only new or changed recordings take time."""
    from vibstudy.measure import measure_corpus

    manifest = _find_manifest(manifest)
    chosen = _settings(settings, manifest, tracker)
    out = _results(manifest, out)
    _log_claims(manifest, out)
    with _Display() as display:
        report = measure_corpus(manifest, out, chosen, workers, display.show, cluster, fresh=not cache)
    _say_report(report, manifest)
    _show_first_look(report)
    if report.failed:
        raise typer.Exit(FAILED)


@app.command(rich_help_panel=LISTEN)
def status(
    manifest: Manifest = _MANIFEST,
    out: Out = None,
    settings: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Settings.", show_default="study.toml beside the manifest, if any"),
    ] = None,
    why: Annotated[
        str | None,
        typer.Option(
            metavar="RECORDING", help="Why this recording would be measured again.", show_default=False
        ),
    ] = None,
) -> None:
    """Show what is measured, what failed and why, and how decades, regions and players are covered."""
    from vibstudy.corpus.overview import explain_recording, overview

    manifest = _find_manifest(manifest)
    chosen = _settings(settings, manifest, None)
    console = Console()
    if why is not None:
        _say(explain_recording(manifest, _results(manifest, out), chosen, why))
        return
    for part in overview(manifest, _results(manifest, out), chosen):
        put(console, part)


# --- look and listen


@app.command(rich_help_panel=FIRST)
def lab(
    study: Annotated[Path, typer.Argument(metavar="DIR", help="Study folder.")] = Path(),
) -> None:
    """Open the study's notebooks in the browser (JupyterLab). Ctrl-C here closes it."""
    from vibstudy.review.launch import run_lab

    folder = _study(study) / "notebooks"
    if not any(folder.glob("*.ipynb")):
        raise VibstudyError(
            "there are no notebooks here",
            str(folder),
            repair="Go to a study folder, or make one with 'vibstudy new' or 'vibstudy demo'",
        )
    raise typer.Exit(run_lab(study, "notebooks"))


@app.command(rich_help_panel=LISTEN)
def pages(
    study: Annotated[Path, typer.Argument(metavar="DIR", help="Study folder.")] = Path(),
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Folder to write.", show_default="recording-pages in the study"),
    ] = None,
) -> None:
    """Make a page of every recording to look at, and one of all that opens them; only what changed."""
    from vibstudy.pages.write import write_pages

    with busy(Console(), "Making pages") as tell:
        made = write_pages(
            _study(study), out, lambda done, of, name: tell(f"Making pages: {done} of {of}, {name}")
        )
    _say(f"{_count(made.made, 'page')} made, {made.unchanged:,} unchanged. Open {made.index} in a browser.")
    for name, reason in made.without_sound:
        _say(f"  {name}: without its sound. {reason}")


@app.command(rich_help_panel=LISTEN)
def expect(
    recording: Annotated[Path, typer.Argument(metavar="FILE", help="Sound file.")],
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="NAME", help="Files to write, without ending.", show_default="in the study, or here"
        ),
    ] = None,
    pitch: Annotated[float, typer.Option(metavar="HZ", help="Middle of its pitches.")] = 440.0,
    start: Annotated[
        float | None, typer.Option(metavar="S", help="Only from here.", show_default=False)
    ] = None,
    end: Annotated[float | None, typer.Option(metavar="S", help="Only to here.", show_default=False)] = None,
) -> None:
    """Tell what errors to expect of a recording: room, noise and bandwidth laid on tones of known vibrato."""
    from vibstudy.playing.expected import as_rich_table, expected_of

    recording = recording.absolute()
    out = _beside_study(recording) / f"{recording.stem}_expected" if out is None else out
    findings, room, table, written = expected_of(recording, out, pitch_hz=pitch, start_s=start, end_s=end)
    for sentence in [*findings.sentences(), *room.sentences()]:
        _say(sentence)
    put(Console(), as_rich_table(table))
    _say("Extent is half of peak-to-peak. Hum, clicks and other players are not in it.")
    _say(f"Written: {', '.join(str(path) for path in written)}")


@app.command(rich_help_panel=LISTEN)
def review(
    study: Annotated[Path, typer.Argument(metavar="DIR", help="Study folder.")] = Path(),
) -> None:
    """Hear notes one at a time, accept or mend them, and see how well machine and ear agree."""
    from vibstudy.review.launch import run_review

    raise typer.Exit(run_review(_study(study), Console()))


# --- test and write


@app.command(rich_help_panel=TEST)
def claims(
    study: Annotated[Path, typer.Argument(metavar="DIR", help="Study folder.")] = Path(),
) -> None:
    """Log the claims in claims.toml, test them on what is measured, and answer in words."""
    from vibstudy.stats.claims import run_claims

    raise typer.Exit(run_claims(_study(study), Console()))


# --- play and practise


@app.command(rich_help_panel=PLAY)
def tone(
    out: Annotated[Path, typer.Argument(metavar="FILE", help="WAV file to write.")] = Path("tone.wav"),
    pitch: Annotated[str, typer.Option(help="Sounding note or Hz: A4, Bb3, 440.")] = "A4",
    tuning: Annotated[float, typer.Option(metavar="HZ", help="Frequency of A4.")] = 440.0,
    rate: Annotated[str, typer.Option(metavar="HZ", help="Vibrato rate; a ladder: 4,5,6,7.")] = "5",
    pulses: Annotated[
        float | None, typer.Option(help="Instead of --rate: pulses to a beat.", show_default=False)
    ] = None,
    beat: Annotated[
        float | None, typer.Option(metavar="BPM", help="Metronome value for --pulses.", show_default=False)
    ] = None,
    extent: Annotated[
        str, typer.Option(metavar="CENTS", help="± cents, half of peak to peak; a ladder: 0,10,20,40.")
    ] = "20",
    waveform: Annotated[str, typer.Option(help="Cycle of the vibrato: sine or triangle.")] = "sine",
    timbre: Annotated[str, typer.Option(help="pure or reed-like.")] = "reed-like",
    intensity: Annotated[float, typer.Option(metavar="DB", help="Level vibrato, ± dB.")] = 0.0,
    intensity_phase: Annotated[
        float,
        typer.Option(metavar="DEGREES", help="0 = loudest at the highest pitch; positive = level leads."),
    ] = 0.0,
    delay: Annotated[float, typer.Option(metavar="S", help="Straight beginning.")] = 0.0,
    growth: Annotated[float, typer.Option(metavar="CENTS", help="Growth of extent a second.")] = 0.0,
    duration: Annotated[float, typer.Option(metavar="S", help="Length of a tone.")] = 4.0,
    level: Annotated[float, typer.Option(metavar="DB", help="Peak, dB re full scale; at most -12.")] = -20.0,
    source: Annotated[
        Path | None,
        typer.Option(
            "--from", metavar="TAKE", help="Instead: a note of this recording, its vibrato changed."
        ),
    ] = None,
    at: Annotated[float | None, typer.Option(metavar="S", help="A moment inside that note.")] = None,
    with_level: Annotated[bool, typer.Option(help="Change that note's level vibrato, too.")] = False,
) -> None:
    """Make reference tones with an exactly known vibrato, or a real note with its vibrato changed."""
    from vibstudy.playing.tones import ToneRequest, write_note_versions, write_tones

    if source is not None:
        lines = write_note_versions(source, at, out, level, with_level)
    else:
        lines = write_tones(
            ToneRequest(pitch, tuning, rate, pulses, beat, extent),
            out,
            waveform=waveform,
            timbre=timbre,
            intensity_db=intensity,
            intensity_phase_deg=intensity_phase,
            delay_s=delay,
            growth_cents_per_s=growth,
            duration_s=duration,
            peak_dbfs=level,
        )
    for line in lines:
        _say(line)


@app.command(rich_help_panel=PLAY)
def practice(
    take: Annotated[Path, typer.Argument(metavar="TAKE", help="Recording of yourself, one line alone.")],
    rate: Annotated[float | None, typer.Option(metavar="HZ", help="Target rate.", show_default=False)] = None,
    extent: Annotated[
        float | None,
        typer.Option(
            metavar="CENTS", help="Target extent, ± cents (half of peak to peak).", show_default=False
        ),
    ] = None,
    like: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Instead: like this player or group.", show_default=False),
    ] = None,
    study: Annotated[Path, typer.Option(metavar="DIR", help="The measured study for --like.")] = Path(),
    beat: Annotated[
        float | None, typer.Option(metavar="BPM", help="Metronome value.", show_default=False)
    ] = None,
    history: Annotated[Path, typer.Option(metavar="FILE", help="Where takes are remembered.")] = Path(
        "practice.csv"
    ),
) -> None:
    """Compare your own playing with a target, note by note, and keep its history."""
    from vibstudy.playing.practice import as_rich_table, in_words, make_target, practise, target_like

    target = target_like(study, like) if like is not None else make_target(rate, extent)
    compared, values, past = practise(take, target, history, beat)
    put(Console(), as_rich_table(compared))
    for line in in_words(values):
        _say(line)
    picture = history.with_name(f"{history.stem}_progress.png")
    _say(f"{_count(len(past), 'take')} in {history}; progress drawn in {picture}")


@app.command(rich_help_panel=PLAY)
def listening(
    study: Annotated[Path, typer.Argument(metavar="DIR", help="Study folder.")] = Path(),
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="HTML file to write.", show_default="listening.html in the study"),
    ] = None,
    note: Annotated[
        list[str] | None,
        typer.Option(metavar="ID", help="note_id of an example; again for more.", show_default=False),
    ] = None,
    most: Annotated[int, typer.Option(min=1, help="Without --note: examples to choose.")] = 8,
) -> None:
    """Make a page to play notes from in a lecture: one file, no network, a cursor along the line."""
    from vibstudy.pages.listening import write_listening_page

    path, count = write_listening_page(_study(study), out, note or (), most)
    _say(f"{path}: {_count(count, 'example')}. Open it in a browser; it works without a network.")
    _say("It holds excerpts of recordings: before you pass it on, ask what the law of your country allows.")


# --- write and share


@app.command(rich_help_panel=SHARE)
def paper(
    study: Annotated[Path, typer.Argument(metavar="DIR", help="Study folder.")] = Path(),
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder to write.", show_default="paper in the study")
    ] = None,
    title: Annotated[str, typer.Option(help="Title of the draft.")] = "Vibrato in recordings: a draft",
) -> None:
    """Write figures, tables, references and a draft (Word, LaTeX, HTML) from what was measured."""
    from vibstudy.paper.write import write_paper

    with busy(Console(), "Writing the paper") as tell:
        report = write_paper(_study(study), out, title, lambda what: tell(f"Writing the paper: {what}"))
    for figure in report.figures:
        if figure.reason:
            _say(f"Not drawn: {figure.name}. {figure.reason}")
    drawn = sum(not figure.reason for figure in report.figures)
    _say(
        f"{report.folder}: draft.docx, draft.tex, draft.html, {_count(drawn, 'figure')}. Where each of its "
        f"{report.numbers:,} numbers and quoted cells came from stands in tables/numbers.csv."
    )


@app.command(rich_help_panel=SHARE)
def package(
    study: Annotated[Path, typer.Argument(metavar="DIR", help="Study folder.")] = Path(),
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Folder to make.", show_default="data-package in the study"),
    ] = None,
    title: Annotated[str, typer.Option(help="Title of the data.")] = "Vibrato measured note by note",
    author: Annotated[str, typer.Option(help="Author, for the citation.")] = "",
    licence: Annotated[str, typer.Option(help="Licence of the data (SPDX name).")] = "CC-BY-4.0",
    remarks: Annotated[
        bool, typer.Option("--remarks", help="Let listeners' remarks, comments and labels of notes go along.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask after showing what goes out.")] = False,
) -> None:
    """Pack the figures for others, without sound, paths, remarks and listeners' names; shows it first."""
    from vibstudy.paper.package import Contents, make_package
    from vibstudy.paper.parts import About

    def approve(contents: Contents) -> bool:
        for line in contents.lines():
            _say(line)
        return yes or not sys.stdin.isatty() or typer.confirm("Write it?", default=True)

    out = study / "data-package" if out is None else out
    files = make_package(_study(study), out, About(title, author, licence), remarks, approve)
    if not files:
        _say("Nothing was written.")
        return
    _say(f"{out} is written. Next: {_typed('verify')} {out}")


@app.command(rich_help_panel=SHARE)
def verify(
    folder: Annotated[Path, typer.Argument(metavar="PACKAGE", help="Folder made by 'vibstudy package'.")],
) -> None:
    """Check a package: nothing missing or added, all figures of models and claims computed again."""
    from vibstudy.paper.verify import TOLERANCE, verify_package

    found = verify_package(folder)
    if found.problems:
        _say_all(found.problems, f"{folder} does not agree with itself:", error=True)
        raise typer.Exit(FAILED)
    largest = found.figures["relative"].max() if len(found.figures) else 0.0
    _say(
        f"{folder}: all {found.files} files are as they were packed; {_count(len(found.figures), 'cell')} of "
        f"models and claims computed again, all the same (largest relative difference {largest:.1g}, allowed "
        f"{TOLERANCE:g})."
    )
    _say(
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
        _say(sentence)
    studies = ", ".join(f"{name} ({_count(n, 'recording')})" for name, n in found.studies.items())
    _say(
        f"{found.folder}: {studies}; {_count(found.players, 'player')}, {_count(found.notes, 'note')}, "
        f"{_count(found.claims, 'claim')}. Next: vibstudy claims {found.folder}"
    )


# --- what the commands share


def _typed(command: str) -> str:
    """A command as this user types it: within the program's folder through uv, else by its name."""
    return f"uv run vibstudy {command}" if "UV_RUN_RECURSION_DEPTH" in os.environ else f"vibstudy {command}"


def _find_manifest(path: Path) -> Path:
    """The manifest, when a study folder is named instead."""
    if path.is_dir() or not path.exists():
        return _study(path if path != _MANIFEST else Path()) / _MANIFEST
    return path


def _study(folder: Path) -> Path:
    """The folder, when it is a study: with the table of recordings, or what was measured of them."""
    if (folder / _MANIFEST).is_file() or (folder / "results").is_dir():
        return folder
    beside = folder.absolute().parent if not folder.is_dir() else folder
    studies = sorted(found.parent.name for found in beside.glob(f"*/{_MANIFEST}"))
    tables = sorted(found.name for found in beside.glob("*.csv"))
    repair = nearest(folder.name, [*studies, *tables])
    if not repair and studies:
        repair = f"Studies in {beside}: {', '.join(studies[:5])}"
    wrong = "this folder is no study: it holds no" if folder.is_dir() else "there is no such study or"
    raise VibstudyError(
        Problem(
            f"{wrong} {_MANIFEST if folder.is_dir() else 'table of recordings'}",
            str(folder.absolute() if folder == Path() else folder),
            repair=repair or "Go to your study folder, or make one: vibstudy new my-study",
        )
    )


def _beside_study(recording: Path) -> Path:
    """The study that a recording lies in; for any other, the working folder. Folders of sound stay clean."""
    return next((place for place in recording.parents if (place / _MANIFEST).is_file()), Path())


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
    if out.absolute() != study / "results":
        return
    from vibstudy.stats.claims import log_claims

    try:
        log_claims(study)
    except VibstudyError as error:
        title = "These claims could not be logged before measuring; mend them and run 'vibstudy claims':"
        _say_all(error.problems, title, error=True)


def _show_first_look(report: MeasureReport) -> None:
    """Draw what is measured so far; where nothing changed, the page stands as it is."""
    from vibstudy.pages import FIRST_LOOK

    page = report.out / FIRST_LOOK
    if report.measured or not page.is_file():
        from vibstudy.pages.first_look import write_first_look

        try:
            page = write_first_look(report.out)
        except VibstudyError:  # nothing measured: said already
            return
    _say(f"Open {page} in a browser: players at a glance, and what to do next.")


def _say(text: str, *, error: bool = False) -> None:
    say(text, error=error)


def _say_all(problems: Sequence[Problem], title: str, *, error: bool = False) -> None:
    if problems:
        _say("\n".join([title, *(f"  {problem}" for problem in problems)]), error=error)


def _count(number: int, thing: str) -> str:
    return f"{number:,} {thing}{'' if number == 1 else 's'}"


def _say_report(report: MeasureReport, manifest: Path) -> None:
    parts = [f"{report.measured:,} measured", f"{report.unchanged:,} unchanged"]
    parts += [
        f"{number:,} {word}"
        for number, word in ((report.failed, "failed"), (report.excluded, "excluded"))
        if number
    ]
    notes = int(report.log["notes"].sum())
    _say(
        f"{', '.join(parts)} in {report.seconds:.1f} s. {_count(notes, 'note')} in {report.out / 'notes.csv'}"
    )
    if report.notes:
        _say(f"{_count(len(report.notes), 'remark')} on the manifest: {_typed('check')} {manifest}")
    if report.decisions is not None:
        _say("Listeners' decisions (edits.csv) are in the tables.")
        _say_all(report.decisions, "To hear again:")
    if report.failures:
        lines = [f"  {name}: {message}" for name, message in report.failures]
        _say("\n".join(["These recordings could not be measured:", *lines]), error=True)


class _Display:
    """Live progress on a terminal; plain lines elsewhere."""

    def __init__(self) -> None:
        from rich.progress import (
            BarColumn,
            MofNCompleteColumn,
            TextColumn,
            TimeElapsedColumn,
            TimeRemainingColumn,
        )
        from rich.progress import Progress as Bar

        self._console = Console()
        self._bar = Bar(
            TextColumn("{task.description}"),
            BarColumn(),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            TimeRemainingColumn(),
            console=self._console,
            disable=not self._console.is_terminal,
        )
        self._task: TaskID | None = None

    def __enter__(self) -> _Display:
        return self

    def __exit__(self, *_: object) -> None:
        self._bar.stop()

    def show(self, progress: Progress) -> None:
        """Show where the run stands."""
        if not progress.total:
            return
        if self._task is None:
            self._task = self._bar.add_task("Measuring", total=progress.total)
            self._bar.start()
        if self._console.is_terminal:
            failed = f" ({progress.failed} failed)" if progress.failed else ""
            self._bar.update(self._task, completed=progress.done, description=f"Measuring{failed}")
        elif progress.recording_id:
            result = "failed" if progress.message else _count(progress.notes or 0, "note")
            _say(f"{progress.done} of {progress.total}  {progress.recording_id}  {result}")


def _version(wanted: bool) -> None:
    if wanted:
        from vibstudy import __version__

        _say(f"vibstudy {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show a programmer's details of a fault.")] = False,
) -> None:
    pass


# --- the way in and out


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; the exit code is returned."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    debug = "--debug" in words
    words = [word for word in words if word != "--debug"]
    for stream in (sys.stdout, sys.stderr):  # a console that lacks a letter shows another one
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    return _guarded(lambda: app(words, prog_name="vibstudy"), debug)


def _guarded(run: Callable[[], object], debug: bool) -> int:
    """Turn whatever ends the command into an exit code and plain words."""
    try:
        run()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 0
        if code == STOPPED:
            _say("Stopped. What is done is kept; the same command goes on from there.", error=True)
        return code
    except VibstudyError as error:
        found = error.problems
        _say("\n".join(str(problem) for problem in found), error=True)
        if len(found) > 1:
            _say(f"{len(found)} problems. Mend them and run the same command again.", error=True)
        return UNUSABLE
    except Exception as error:
        if debug:
            raise
        told = _told_by_the_system(error)
        if told:
            _say(told, error=True)
            return UNUSABLE
        _say(
            f"vibstudy made a mistake ({type(error).__name__}: {error}). What was finished before is kept; "
            f"details are in {_write_details(error)}",
            error=True,
        )
        return FAULT
    return 0


def _told_by_the_system(error: BaseException) -> str:
    """What to say of a full disk, a lack of memory and the like; "" for a mistake of the tool's own."""
    from vibstudy.corpus.batch import explain

    if not isinstance(error, OSError | MemoryError) or isinstance(error, FileNotFoundError):
        return ""
    words, detail = explain(error)
    return "" if detail else f"{words} What was finished before is kept."


def _write_details(error: BaseException) -> str:
    """Write the traceback where logs belong on this system; return where."""
    import platform
    import tempfile
    import traceback
    from datetime import datetime

    from platformdirs import user_log_path

    from vibstudy import __version__

    text = f"vibstudy {__version__}, Python {platform.python_version()}, {platform.platform()}\n"
    text += "".join(traceback.format_exception(error))
    name = f"fault-{datetime.now():%Y%m%d-%H%M%S}.txt"
    for folder in (user_log_path("vibstudy", appauthor=False), Path(tempfile.gettempdir())):
        try:
            folder.mkdir(parents=True, exist_ok=True)
            (folder / name).write_text(text, encoding="utf-8")
            return str(folder / name)
        except OSError:
            continue
    return "no file (none could be written); run it again with --debug"
