"""Play and practise: reference tones, a take against a target, a page to play from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from vibstudy.cli.base import PLAY, StudyFolder, app, count, maybe, study_folder
from vibstudy.terminal import put, say


@app.command(rich_help_panel=PLAY)
def tone(
    out: Annotated[Path, typer.Argument(metavar="FILE", help="WAV file to write.")] = Path("tone.wav"),
    pitch: Annotated[str, typer.Option(help="Sounding note or Hz: A4, Bb3, 440.")] = "A4",
    tuning: Annotated[float, typer.Option(metavar="HZ", help="Frequency of A4.")] = 440.0,
    rate: Annotated[str, typer.Option(metavar="HZ", help="Vibrato rate; a ladder: 4,5,6,7.")] = "5",
    pulses: Annotated[float | None, maybe("Instead of --rate: pulses to a beat.")] = None,
    beat: Annotated[float | None, maybe("Metronome value for --pulses.", "BPM")] = None,
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
            ToneRequest(pitch, tuning, rate, pulses, beat, extent), out,
            waveform=waveform, timbre=timbre, intensity_db=intensity, intensity_phase_deg=intensity_phase,
            delay_s=delay, growth_cents_per_s=growth, duration_s=duration, peak_dbfs=level,
        )  # fmt: skip
    for line in lines:
        say(line)


@app.command(rich_help_panel=PLAY)
def practice(
    take: Annotated[Path, typer.Argument(metavar="TAKE", help="Recording of yourself, one line alone.")],
    rate: Annotated[float | None, maybe("Target rate.", "HZ")] = None,
    extent: Annotated[float | None, maybe("Target extent, ± cents (half of peak to peak).", "CENTS")] = None,
    like: Annotated[str | None, maybe("Instead: like this player or group.", "NAME")] = None,
    study: Annotated[Path, typer.Option(metavar="DIR", help="The measured study for --like.")] = Path(),
    beat: Annotated[float | None, maybe("Metronome value.", "BPM")] = None,
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
        say(line)
    picture = history.with_name(f"{history.stem}_progress.png")
    say(f"{count(len(past), 'take')} in {history}; progress drawn in {picture}")


@app.command(rich_help_panel=PLAY)
def listening(
    study: StudyFolder = Path(),
    out: Annotated[Path | None, maybe("HTML file to write.", "FILE", "listening.html in the study")] = None,
    note: Annotated[list[str] | None, maybe("note_id of an example; again for more.", "ID")] = None,
    most: Annotated[int, typer.Option(min=1, help="Without --note: examples to choose.")] = 8,
    wider: Annotated[list[float] | None, maybe("Also with this many times the extent.", "FACTOR")] = None,
    quicker: Annotated[list[float] | None, maybe("Also at this many times the rate.", "FACTOR")] = None,
    like: Annotated[
        list[str] | None, maybe('Also with the typical vibrato of these notes, as "decade < 1950".', "FILTER")
    ] = None,
) -> None:
    """Make a page to play notes from in a lecture: one file, no network, a cursor along the line."""
    from vibstudy.pages.listening import write_listening_page

    path, examples = write_listening_page(
        study_folder(study), out, note or (), most, wider=wider or (), quicker=quicker or (), like=like or ()
    )
    _say_page(path, count(examples, "example"))


@app.command(rich_help_panel=PLAY)
def passage(
    study: StudyFolder = Path(),
    piece: Annotated[str | None, maybe("Piece with a score.", "NAME")] = None,
    movement: Annotated[str | None, maybe("Movement of the piece.", "NAME")] = None,
    bars: Annotated[str | None, maybe("Measures, first and last.", "5-8")] = None,
    take: Annotated[
        list[str] | None, maybe("Instead: a stretch of a recording; again for more.", "ID,FROM,TO")
    ] = None,
    out: Annotated[Path | None, maybe("HTML file to write.", "FILE", "passage.html in the study")] = None,
) -> None:
    """Put the same passage by several players under each other: a figure, and a page to hear them in turn."""
    from vibstudy.pages.passage import Passage, bars_from_text, write_passage_page

    wanted = Passage(piece, movement, bars_from_text(bars) if bars is not None else None, tuple(take or ()))
    path, players = write_passage_page(study_folder(study), wanted, out)
    _say_page(path, count(len(players), "recording"))


@app.command(rich_help_panel=PLAY)
def audience(
    study: StudyFolder = Path(),
    group: Annotated[
        list[str] | None,
        maybe('Twice: the groups to tell apart, as "decade < 1950".', "FILTER", "first and last period"),
    ] = None,
    pairs: Annotated[int, typer.Option(min=1, max=40, help="How many pairs.")] = 6,
    seed: Annotated[
        int, typer.Option(min=0, help="Draws notes and orders; the same gives the same page.")
    ] = 0,
    out: Annotated[Path | None, maybe("HTML file to write.", "FILE", "audience.html in the study")] = None,
) -> None:
    """Make a page that asks the ear: pairs without names, and where vibrato becomes one warm tone."""
    from vibstudy.pages.audience import write_audience_page

    path, made = write_audience_page(study_folder(study), out, group or (), pairs, seed)
    _say_page(path, count(made, "pair"))


def _say_page(path: Path, holds: str) -> None:
    say(f"{path}: {holds}. Open it in a browser; it works without a network.")
    say("It holds excerpts of recordings: before you pass it on, ask what the law of your country allows.")
