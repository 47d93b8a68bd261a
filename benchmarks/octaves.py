"""From what the true octave of a note with accompaniment is learnt, and how well it is told.

Run with ``uv run python -m benchmarks.octaves`` (needs the programs and SoundFonts of ``recordings.py``, and
TimGM6mb: Debian's package ``timgm6mb-soundfont``; about ten minutes on two cores). It prints the weights that
stand in :mod:`vibstudy.pitch.octaves`, and errors on takes that were left out of the learning.
``--keep FOLDER`` keeps the rendered sound, ``--out FOLDER`` writes one row a note as CSV.

Material
--------
The soloists and accompaniments of ``recordings.py``, other seeds than its published runs, and rows of
``rooms.py``, among them winds of weak fundamental. Each note found is refined as the line held it, and
straightened where a room or others may draw it. It is a case when the pitch sent (MIDI, 440 Hz) is the one
held, or an octave or a twelfth away, and the sound gives reason to ask (the gates of
:func:`vibstudy.pitch.octaves.true_pitch`).

Learning
--------
Logistic regression, standardised figures, unit penalty; a weight has the sign that makes sense. A weak
fundamental is an answer of its own, for it is told by other figures. Errors by cross-validation in eight
parts; no take is in two of them. "Other SoundFont": learnt without TimGM6mb, told of its notes.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import NamedTuple

import joblib
import numpy as np
import pandas as pd
import soundfile
from rich.console import Console
from rich.table import Table
from scipy.optimize import minimize
from scipy.special import logsumexp
from sklearn.model_selection import GroupKFold

from benchmarks import rooms
from benchmarks.recordings import RATE_HZ, SOUNDFONT, Sounded, accompanied, alone_takes, mixed
from vibstudy.corpus.settings import Settings
from vibstudy.pitch import octaves
from vibstudy.pitch.accompaniment import find_accompaniment
from vibstudy.pitch.refine import refine_note
from vibstudy.recording.flow import BLOCK_S, OVERLAP_S
from vibstudy.recording.found import find_line, undrawn
from vibstudy.sound.media import MediaMeter
from vibstudy.sound.reading import iter_blocks

ROWS = {row.name: row for row in rooms.ROWS}
WEAK = tuple(row.name for row in rooms.ROWS if row.weak)
IN_ROOMS = ("recital middle", "studio middle", "church near", "recital near, piano -6 dB")
ROOM_TAKES = 9
WEAK_COUNTS = 0.05
"""A case of a weak fundamental counts so much: there are far more of them here than there would be elsewhere,
and where they count more, others' sound is taken for one."""
OTHER_SOUNDFONT = SOUNDFONT.with_name("TimGM6mb.sf2")
RUNS: tuple[tuple[str, int, Path], ...] = (
    *(("piano", seed, SOUNDFONT) for seed in (61, 71, 202)),
    ("strings", 61, SOUNDFONT),
    ("second wind", 61, SOUNDFONT),
    ("piano", 301, OTHER_SOUNDFONT),
)
ROOM_RUNS = tuple((name, seed) for name in WEAK + IN_ROOMS for seed in (401, 402))
"""Names of rows of ``rooms.py``."""
LONG_S = 0.2
FIGURES = ("weakest_db", "middle_db", "apart_db", "lowest_db", "decay_db_s", "own")
SPEAKS_FOR = dict.fromkeys(("weakest_db", "middle_db", "lowest_db", "own", "lower_share", "share"), 1)
SPEAKS_FOR |= {"apart_db": -1, "decay_db_s": 0, "snr_db": 0}
PREFIXES = {2.0: "lower", 3.0: "twelfth", 0.5: "higher"}
QUESTIONS = {
    "octave lower": ("lower", 12, (*FIGURES, "lower_share")),
    "twelfth lower": ("twelfth", 19, (*FIGURES[:3], "snr_db")),
    "octave higher": ("higher", -12, (*FIGURES, "share")),
}
"""Name: its prefix, semitones of the line above the truth where it is so, what it is told from."""


class Heard(NamedTuple):
    """A take: its name, its soloist, the notes sent, the sound and its sampling rate."""

    take: str
    soloist: str
    line: list[Sounded]
    samples: np.ndarray
    rate_hz: int


def dry_takes(folder: Path, kind: str, seed: int, soundfont: Path) -> Iterator[Heard]:
    """Sampled winds with an accompaniment as loud."""
    for soloist, melody, line, sound in alone_takes(folder, seed, soundfont):
        other, below_db = accompanied(folder / str(seed), kind, soloist, melody, line, soundfont)
        take = f"{soundfont.stem} {kind} {seed} {soloist.name} {melody.name}"
        yield Heard(take, soloist.name, line, mixed(sound, other, below_db), RATE_HZ)


def room_takes(folder: Path, kind: str, seed: int) -> Iterator[Heard]:
    """Takes of a row of ``rooms.py``."""
    row = ROWS[kind]
    cache = folder / "responses"
    for number, take in enumerate(rooms.takes_of(row.low, ROOM_TAKES, seed, folder, weak=row.weak)):
        sound, _ = rooms.sound_of(row, take, number, seed, folder, cache)
        name = f"{kind} {seed} {number}"
        yield Heard(name, take.soloist.name, take.line, sound[0], rooms.SAMPLE_RATE_HZ)


def cases(folder: Path, kind: str, seed: int, soundfont: Path | None = None) -> pd.DataFrame:
    """One row a note of at least 0.2 s: what is asked of it, and how far the line lies above the truth."""
    rows = []
    folder = (
        folder / f"{soundfont.stem if soundfont else seed} {kind}"
    )  # runs side by side write no file twice
    folder.mkdir(exist_ok=True)
    heard = dry_takes(folder, kind, seed, soundfont) if soundfont else room_takes(folder, kind, seed)
    for take, soloist, line, samples, rate_hz in heard:
        path = folder / f"take {kind} {seed}.wav"
        soundfile.write(path, 0.5 * samples / np.abs(samples).max(), rate_hz, subtype="PCM_16")
        block = next(iter_blocks(path, block_s=BLOCK_S + OVERLAP_S, overlap_s=OVERLAP_S))
        audio = replace(block, samples=MediaMeter().add(block))
        solo = find_line(audio, Settings())
        told = {"kind": kind, "take": take}
        for row in solo.rows:
            sent = _sent(line, row["onset_s"], row["offset_s"])
            if sent is None or row["note_kind"] != "note" or row["offset_s"] - row["onset_s"] < LONG_S:
                continue
            note = refine_note(audio.samples, audio.rate_hz, solo.line, row["onset_s"], row["offset_s"])
            if note is None:
                continue
            note, _ = undrawn(audio.samples, audio.rate_hz, note)
            accompaniment = find_accompaniment(audio.samples, audio.rate_hz, note)
            said = row["octave_below"]
            case = told | {
                "soloist": soloist,
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
    """Cases of a question, and the answer: 0 the higher of the two pitches, 1 the lower, 2 so, a weak one."""
    prefix, above, names = QUESTIONS[question]
    columns = {f"{prefix}_{name}": name for name in FIGURES}
    away = rows["above"].round()
    right = (rows["above"] - away).abs() < 0.5
    own = rows[right & away.isin([0, above]) & rows[f"{prefix}_{FIGURES[0]}"].notna()]
    lower = (own["above"].round() == max(0, above)).astype(int)
    if prefix == "lower":
        lower += lower * own["kind"].isin(WEAK)
    return own.rename(columns=columns)[[*names, "kind", "take"]], lower.to_numpy()


def weights(figures: pd.DataFrame, answer: np.ndarray, kind: pd.Series) -> np.ndarray:
    """Constant and weights, for figures as they are, of every answer but the first against it.

    Logistic regression. What speaks for a harmonic as the note's own (:data:`SPEAKS_FOR`) never counts
    against it.
    """
    counts = np.where(kind.isin(WEAK), WEAK_COUNTS, 1.0)
    middle, spread = figures.mean().to_numpy(), figures.std().to_numpy()
    standard = np.column_stack([np.ones(len(figures)), (figures.to_numpy(dtype=float) - middle) / spread])
    shape = (int(answer.max()), standard.shape[1])
    given = np.eye(shape[0] + 1)[answer]

    def cost(flat: np.ndarray) -> tuple[float, np.ndarray]:
        rows = flat.reshape(shape)
        log_odds = np.column_stack([np.zeros(len(standard)), standard @ rows.T])
        whole = logsumexp(log_odds, axis=1)
        slope = ((np.exp(log_odds - whole[:, None]) - given) * counts[:, None]).T[1:] @ standard
        slope[:, 1:] += rows[:, 1:]
        missed = counts @ (whole - (log_odds * given).sum(axis=1))
        return missed + 0.5 * (rows[:, 1:] ** 2).sum(), slope.ravel()

    sides = {1: (0.0, None), -1: (None, 0.0), 0: (None, None)}
    bounds = [sides[0], *(sides[SPEAKS_FOR[name]] for name in figures)] * shape[0]
    found = minimize(cost, np.zeros(np.prod(shape)), jac=True, method="L-BFGS-B", bounds=bounds).x.reshape(
        shape
    )
    by_figure = found[:, 1:] / spread
    return np.column_stack([found[:, 0] - by_figure @ middle, by_figure])


def lower_told(figures: pd.DataFrame, rows: np.ndarray) -> np.ndarray:
    """Whether one or another of the lower answers is likelier, by rows of weights."""
    return logsumexp(np.column_stack([np.ones(len(figures)), figures]) @ rows.T, axis=1) > 0.0


def errors_table(rows: pd.DataFrame) -> Table:
    """Cases, how many of the rarer answer, errors of both kinds; left-out takes."""
    table = Table(title="The true octave, told of takes left out of the learning")
    for head in ("question", "accompaniment", "cases", "so", "missed", "wrongly moved"):
        table.add_column(head, justify="left" if head in ("question", "accompaniment") else "right")
    for question, (_, above, names) in QUESTIONS.items():
        figures, answer = asked_of(rows, question)
        columns, lower = list(names), answer > 0
        told = np.zeros(len(lower), dtype=bool)
        for learn, left_out in GroupKFold(8).split(figures, groups=figures["take"]):
            part = figures.iloc[learn]
            learnt = weights(part[columns], answer[learn], part["kind"])
            told[left_out] = lower_told(figures.iloc[left_out][columns], learnt)
        other = figures["take"].str.startswith(OTHER_SOUNDFONT.stem).to_numpy()
        parts = {
            str(kind): ((figures["kind"] == kind).to_numpy() & ~other, told)
            for kind in figures["kind"].unique()
        }
        parts["all"] = (np.ones(len(told), dtype=bool), told)
        if other.any():
            learnt = weights(figures.loc[~other, columns], answer[~other], figures.loc[~other, "kind"])
            parts["other SoundFont"] = (other, lower_told(figures[columns], learnt))
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
        tables = joblib.Parallel(chosen.jobs)(
            joblib.delayed(cases)(folder, *run) for run in (*runs, *ROOM_RUNS)
        )
    rows = pd.concat(tables, ignore_index=True)
    if chosen.out:
        chosen.out.mkdir(parents=True, exist_ok=True)
        rows.to_csv(chosen.out / "octaves.csv", index=False)
    console.print(errors_table(rows))
    for question, (*_, names) in QUESTIONS.items():
        figures, answer = asked_of(rows, question)
        for found in weights(figures[list(names)], answer, figures["kind"]):
            console.print(f"{question}: {', '.join(f'{value:.3f}' for value in found)}", highlight=False)


if __name__ == "__main__":
    main()
