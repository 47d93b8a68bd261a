"""Look and listen: pages of recordings, what errors to expect, the listening room."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from vibstudy.cli.base import LISTEN, MANIFEST, StudyFolder, app, count, maybe, study_folder
from vibstudy.terminal import busy, put, say


@app.command(rich_help_panel=LISTEN)
def pages(
    study: StudyFolder = Path(),
    out: Annotated[Path | None, maybe("Folder to write.", "DIR", "recording-pages in the study")] = None,
) -> None:
    """Make a page of every recording to look at, and one of all that opens them; only what changed."""
    from vibstudy.pages.write import write_pages

    with busy(Console(), "Making pages") as tell:
        made = write_pages(
            study_folder(study), out, lambda done, of, name: tell(f"Making pages: {done} of {of}, {name}")
        )
    say(f"{count(made.made, 'page')} made, {made.unchanged:,} unchanged. Open {made.index} in a browser.")
    for name, reason in made.without_sound:
        say(f"  {name}: without its sound. {reason}")


@app.command(rich_help_panel=LISTEN)
def expect(
    recording: Annotated[Path, typer.Argument(metavar="FILE", help="Sound file.")],
    out: Annotated[
        Path | None, maybe("Files to write, without ending.", "NAME", "in the study, or here")
    ] = None,
    pitch: Annotated[float, typer.Option(metavar="HZ", help="Middle of its pitches.")] = 440.0,
    start: Annotated[float | None, maybe("Only from here.", "S")] = None,
    end: Annotated[float | None, maybe("Only to here.", "S")] = None,
    length: Annotated[
        float, typer.Option(metavar="S", min=0.15, max=10.0, help="Length of the notes asked about.")
    ] = 1.0,
    decay: Annotated[
        float | None, maybe("Decay of the room (60 dB).", "S", "as it is heard", min=0.05, max=20.0)
    ] = None,
    direct: Annotated[
        float | None, maybe("Direct sound over the room.", "DB", "as it is heard", min=-40.0, max=60.0)
    ] = None,
    piano: Annotated[
        float | None,
        maybe("A piano so loud re the player (-6 is softer).", "DB", "none", min=-60.0, max=30.0),
    ] = None,
) -> None:
    """Tell what errors to expect: a recording's room, noise and band laid on tones of known vibrato."""
    from vibstudy.playing.expected import as_rich_table, expected_of

    recording = recording.absolute()
    out = _beside_study(recording) / f"{recording.stem}_expected" if out is None else out
    findings, room, table, written = expected_of(
        recording, out, pitch_hz=pitch, start_s=start, end_s=end, tone_s=length,
        decay_s=decay, direct_db=direct, piano_db=piano,
    )  # fmt: skip
    for sentence in [*findings.sentences(), *room.sentences()]:
        say(sentence)
    put(Console(), as_rich_table(table))
    heard = "alone" if piano is None else f"with a piano at {piano:+g} dB"
    say(f"Notes of {length:g} s, {heard}. Extent is half of peak-to-peak. Hum and clicks are not in it.")
    say(f"Written: {', '.join(str(path) for path in written)}")


@app.command(rich_help_panel=LISTEN)
def review(study: StudyFolder = Path()) -> None:
    """Hear notes one at a time, accept or mend them, and see how well machine and ear agree."""
    from vibstudy.review.launch import run_review

    raise typer.Exit(run_review(study_folder(study), Console()))


def _beside_study(recording: Path) -> Path:
    """The study that a recording lies in; for any other, the working folder. Folders of sound stay clean."""
    return next((place for place in recording.parents if (place / MANIFEST).is_file()), Path())
