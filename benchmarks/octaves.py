"""From what the true octave of a note with accompaniment is learnt, and how well it is told.

Run with ``uv run python -m benchmarks.octaves`` (needs the programs and SoundFonts of ``recordings.py``, and
TimGM6mb: Debian's package ``timgm6mb-soundfont``; about ten minutes on two cores). It prints the weights that
stand in :mod:`vibstudy.pitch.octaves`, and errors on takes that were left out of the learning.
``--keep FOLDER`` keeps the rendered sound, ``--out FOLDER`` writes one row a note as CSV.

Material
--------
The soloists and accompaniments of ``recordings.py``, other seeds than its published runs. Each note found is
refined as the line held it. It is a case when the pitch sent (MIDI, 440 Hz) is the one held, or an octave or
a twelfth away, and the sound gives reason to ask (the gates of :func:`vibstudy.pitch.octaves.true_pitch`).

Learning
--------
Logistic regression, standardised figures, unit penalty. Errors by cross-validation in eight parts; no take is
in two of them. "Other SoundFont": learnt without TimGM6mb, told of its notes.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import asdict, replace
from pathlib import Path

import joblib
import numpy as np
import pandas as pd
import soundfile
from rich.console import Console
from rich.table import Table
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import GroupKFold, cross_val_predict
from sklearn.pipeline import Pipeline, make_pipeline
from sklearn.preprocessing import StandardScaler

from benchmarks.recordings import RATE_HZ, SOUNDFONT, Sounded, accompanied, alone_takes, mixed
from vibstudy.corpus.settings import Settings
from vibstudy.pitch import octaves
from vibstudy.pitch.accompaniment import find_accompaniment
from vibstudy.pitch.refine import refine_note
from vibstudy.recording.flow import BLOCK_S, OVERLAP_S
from vibstudy.recording.found import find_line
from vibstudy.sound.media import MediaMeter
from vibstudy.sound.reading import iter_blocks

OTHER_SOUNDFONT = SOUNDFONT.with_name("TimGM6mb.sf2")
RUNS: tuple[tuple[str, int, Path], ...] = (
    *(("piano", seed, SOUNDFONT) for seed in (61, 62, 63, 71, 113, 114, 121, 122, 201, 202, 203, 204)),
    *(("strings", seed, SOUNDFONT) for seed in (61, 113)),
    *(("second wind", seed, SOUNDFONT) for seed in (61, 113)),
    ("piano, softer", 203, SOUNDFONT),
    *(("piano", seed, OTHER_SOUNDFONT) for seed in (301, 302)),
)
LONG_S = 0.2
FIGURES = ("weakest_db", "middle_db", "apart_db", "lowest_db", "decay_db_s")
PREFIXES = {2.0: "lower", 3.0: "twelfth", 0.5: "higher"}
QUESTIONS = {
    "octave lower": ("lower", 12, (*FIGURES, "lower_share")),
    "twelfth lower": ("twelfth", 19, (*FIGURES[:3], "snr_db")),
    "octave higher": ("higher", -12, (*FIGURES, "share")),
}
"""Name: its prefix, semitones of the line above the truth where it is so, what it is told from."""


def cases(folder: Path, kind: str, seed: int, soundfont: Path) -> pd.DataFrame:
    """One row a note of at least 0.2 s: what is asked of it, and how far the line lies above the truth."""
    rows = []
    folder = folder / f"{soundfont.stem} {kind}"  # runs side by side write no file twice
    folder.mkdir(exist_ok=True)
    for soloist, melody, line, sound in alone_takes(folder, seed, soundfont):
        other, below_db = accompanied(folder / str(seed), kind, soloist, melody, line, soundfont)
        samples = mixed(sound, other, below_db)
        path = folder / f"take {kind} {seed}.wav"
        soundfile.write(path, 0.5 * samples / np.abs(samples).max(), RATE_HZ, subtype="PCM_16")
        block = next(iter_blocks(path, block_s=BLOCK_S + OVERLAP_S, overlap_s=OVERLAP_S))
        audio = replace(block, samples=MediaMeter().add(block))
        solo = find_line(audio, Settings())
        told = {"kind": kind, "take": f"{soundfont.stem} {kind} {seed} {soloist.name} {melody.name}"}
        for row in solo.rows:
            sent = _sent(line, row["onset_s"], row["offset_s"])
            if sent is None or row["note_kind"] != "note" or row["offset_s"] - row["onset_s"] < LONG_S:
                continue
            note = refine_note(audio.samples, audio.rate_hz, solo.line, row["onset_s"], row["offset_s"])
            if note is None:
                continue
            accompaniment = find_accompaniment(audio.samples, audio.rate_hz, note)
            said = row["octave_below"]
            case = told | {
                "soloist": soloist.name,
                "above": 12 * np.log2(note.reference_hz / 440) - (sent - 69),
                "snr_db": note.snr_db,
                "lower_share": said,
                "share": octaves.share_between(note, 2),
            }
            for divisor, (parts, below) in octaves.octave_candidates(note, accompaniment, said).items():
                prefix = PREFIXES[divisor]
                found = octaves.look_between(audio.samples, audio.rate_hz, note, parts, below)
                if found is not None:
                    case |= {f"{prefix}_{name}": value for name, value in asdict(found).items()}
            rows.append(case)
    return pd.DataFrame(rows)


def _sent(line: list[Sounded], onset_s: float, offset_s: float) -> int | None:
    """MIDI number of the note that sounds through most of a span, if through more than half."""
    shared = [min(note.offset_s, offset_s) - max(note.onset_s, onset_s) for note in line]
    best = int(np.argmax(shared))
    return line[best].midi if shared[best] > 0.5 * (offset_s - onset_s) else None


def asked_of(rows: pd.DataFrame, question: str) -> tuple[pd.DataFrame, np.ndarray]:
    """Cases of a question, and whether the answer is the lower of the two pitches."""
    prefix, above, names = QUESTIONS[question]
    columns = {f"{prefix}_{name}": name for name in FIGURES}
    away = rows["above"].round()
    right = (rows["above"] - away).abs() < 0.5
    own = rows[right & away.isin([0, above]) & rows[f"{prefix}_{FIGURES[0]}"].notna()]
    lower = own["above"].round() == max(0, above)
    return own.rename(columns=columns)[[*names, "kind", "take"]], lower.to_numpy()


def _learner() -> Pipeline:
    return make_pipeline(StandardScaler(), LogisticRegression(max_iter=5000))


def weights(figures: pd.DataFrame, lower: np.ndarray) -> np.ndarray:
    """Constant and weights, for figures as they are."""
    scaler, model = (step for _, step in _learner().fit(figures, lower).steps)
    by_figure = model.coef_[0] / scaler.scale_
    return np.append(model.intercept_[0] - by_figure @ scaler.mean_, by_figure)


def errors_table(rows: pd.DataFrame) -> Table:
    """Cases, how many of the rarer answer, errors of both kinds; left-out takes."""
    table = Table(title="The true octave, told of takes left out of the learning")
    for head in ("question", "accompaniment", "cases", "so", "missed", "wrongly moved"):
        table.add_column(head, justify="left" if head in ("question", "accompaniment") else "right")
    for question, (_, above, names) in QUESTIONS.items():
        figures, lower = asked_of(rows, question)
        columns = list(names)
        told = cross_val_predict(
            _learner(), figures[columns], lower, groups=figures["take"], cv=GroupKFold(8)
        )
        other = figures["take"].str.startswith(OTHER_SOUNDFONT.stem).to_numpy()
        parts = {
            str(kind): ((figures["kind"] == kind).to_numpy() & ~other, told)
            for kind in figures["kind"].unique()
        }
        parts["all"] = (np.ones(len(told), dtype=bool), told)
        if other.any():
            learnt = _learner().fit(figures.loc[~other, columns], lower[~other])
            parts["other SoundFont"] = (other, learnt.predict(figures[columns]))
        for name, (own, said) in parts.items():
            so, moved = (lower, said) if above > 0 else (~lower, ~said)
            counts = (own.sum(), (own & so).sum(), (own & so & ~moved).sum(), (own & ~so & moved).sum())
            table.add_row(question, name, *(f"{count}" for count in counts))
    return table


def main() -> None:
    """Render, learn, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--keep", type=Path, help="folder for the rendered sound")
    parser.add_argument("--out", type=Path, help="folder for one row a note, as CSV")
    parser.add_argument("--jobs", type=int, default=2)
    chosen = parser.parse_args()
    console = Console()
    with tempfile.TemporaryDirectory() as temporary:
        folder = chosen.keep or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        runs = [run for run in RUNS if run[2].exists()]
        tables = joblib.Parallel(chosen.jobs)(joblib.delayed(cases)(folder, *run) for run in runs)
    rows = pd.concat(tables, ignore_index=True)
    if chosen.out:
        chosen.out.mkdir(parents=True, exist_ok=True)
        rows.to_csv(chosen.out / "octaves.csv", index=False)
    console.print(errors_table(rows))
    for question, (*_, names) in QUESTIONS.items():
        figures, lower = asked_of(rows, question)
        found = weights(figures[list(names)], lower)
        console.print(f"{question}: {', '.join(f'{value:.3f}' for value in found)}", highlight=False)


if __name__ == "__main__":
    main()
