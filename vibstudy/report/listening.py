"""The listening page: notes to play in a lecture, in one file that needs nothing else.

Every example is a note of the study, as played and without its vibrato
(:mod:`vibstudy.report.resynthesis`), with its line in cents and a cursor that runs along it. Sounds, lines
and the little program that moves the cursor stand in the page itself: it works from a memory stick, on a
computer without a network, and asks for nothing from one (its content security policy forbids it).

Level: both versions of a note get the gain that brings the note as played to :data:`LOUDNESS_LUFS`
(ITU-R BS.1770 loudness), or less where peaks would pass :data:`HIGHEST_PEAK`. A sound too short to have
such a loudness (below 0.4 s) is levelled by its RMS. Fades of :data:`FADE_S`.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.corpus.tables import read_notes
from vibstudy.errors import Problem, VibstudyError, nearest
from vibstudy.report.figures_data import vibrato_notes
from vibstudy.report.figures_recording import note_name, note_words
from vibstudy.report.paper_output import environment, write_text
from vibstudy.report.resynthesis import RealNote, cut_out, scale_vibrato, vibrato_cents
from vibstudy.report.study import SAFE_LEVEL_DB, Study, open_study
from vibstudy.report.tones import HEARING_CAUTION, RIGHTS_CAUTION

LOUDNESS_LUFS = -23.0
HIGHEST_PEAK = 0.5
FADE_S = 0.03
_SHORTEST_FOR_LOUDNESS_S = 0.4

WIDTH, HEIGHT = 720, 220
LEFT, RIGHT, TOP, BOTTOM = 56, 12, 12, 34
"""The plot, in its own units, and the room around it."""


@dataclass(frozen=True, eq=False)
class Example:
    """One example of the page.

    Parameters
    ----------
    title, words : str
        Heading, and what was measured.
    sounds : dict of str to str
        Words to data URI.
    plot : dict
        What the page draws: ``played, without`` (points of polylines), ``ticks_x, ticks_y`` and
        ``duration_s``.
    """

    title: str
    words: str
    sounds: dict[str, str]
    plot: dict[str, Any]


def gain_for(samples: np.ndarray, rate_hz: float) -> float:
    """Return the gain that brings a sound to :data:`LOUDNESS_LUFS`."""
    import pyloudnorm

    peak = float(np.abs(samples).max(initial=0.0))
    if peak == 0.0:
        return 1.0
    if len(samples) > _SHORTEST_FOR_LOUDNESS_S * rate_hz:
        meter = pyloudnorm.Meter(rate_hz, block_size=_SHORTEST_FOR_LOUDNESS_S)
        gain = 10.0 ** ((LOUDNESS_LUFS - meter.integrated_loudness(np.asarray(samples, float))) / 20.0)
    else:
        gain = 10.0 ** (SAFE_LEVEL_DB / 20.0) / float(np.sqrt(np.mean(np.square(samples))))
    return min(gain, HIGHEST_PEAK / peak)


def wav_uri(samples: np.ndarray, rate_hz: float) -> str:
    """Return a sound, faded in and out, as a data URI (16-bit WAV)."""
    import soundfile

    faded = np.array(samples, float)
    fade = min(round(FADE_S * rate_hz), len(faded) // 2)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / max(fade, 1))
    faded[:fade] *= ramp
    faded[len(faded) - fade :] *= ramp[::-1]
    packed = io.BytesIO()
    soundfile.write(packed, np.clip(faded, -HIGHEST_PEAK, HIGHEST_PEAK), round(rate_hz), format="WAV")
    return f"data:audio/wav;base64,{base64.b64encode(packed.getvalue()).decode('ascii')}"


def plot_of(note: RealNote) -> dict[str, Any]:
    """Return polylines of the line as played and without its vibrato, and the ticks."""
    played = note.line.cents
    without = played - vibrato_cents(note)
    duration_s = len(note.samples) / note.rate_hz
    reach = max(25.0, 1.15 * float(np.percentile(np.abs(played), 98)))
    step = next(size for size in (10, 20, 50, 100, 200, 500) if reach / size <= 3 or size == 500)
    top = step * np.ceil(reach / step)

    def x(time_s: Any) -> Any:
        return LEFT + (WIDTH - LEFT - RIGHT) * np.asarray(time_s) / duration_s

    def y(cents: Any) -> Any:
        return TOP + (HEIGHT - TOP - BOTTOM) * (1.0 - (np.clip(cents, -top, top) + top) / (2.0 * top))

    def points(cents: np.ndarray) -> str:
        pairs = zip(x(note.line.time_s), y(cents), strict=True)
        return " ".join(f"{a:.1f},{b:.1f}" for a, b in pairs)

    tick_s = 0.5 if duration_s > 1.2 else 0.2
    return {
        "played": points(played),
        "without": points(without),
        "ticks_x": [(float(x(t)), f"{t:g}") for t in np.round(np.arange(0.0, duration_s, tick_s), 3)],
        "ticks_y": [(float(y(c)), f"{c:+.0f}" if c else "0") for c in np.arange(-top, top + 1, step)],
        "duration_s": duration_s,
    }


def make_example(study: Study, note: pd.Series) -> Example | None:
    """Return the example of a note of the study; None when its vibrato cannot be taken away."""
    sound = study.audio(str(note["recording_id"]))
    onset_s, offset_s = (float(note[name]) - sound.origin_s for name in ("onset_s", "offset_s"))
    cut = cut_out(sound.samples, sound.rate_hz, onset_s, offset_s)
    if cut is None:
        return None
    gain = gain_for(cut.samples, cut.rate_hz)
    straight = scale_vibrato(cut, 0.0)
    who = ", ".join(str(note[name]) for name in ("player", "decade", "region") if pd.notna(note.get(name)))
    pitch = f", {note_name(note['midi'])}" if pd.notna(note["midi"]) else ""
    return Example(
        f"{who}{pitch}" if who else str(note["note_id"]),
        f"{note['note_id']}. {note_words(note)}",
        {
            "As played": wav_uri(gain * cut.samples, cut.rate_hz),
            "Without its vibrato": wav_uri(gain * straight, cut.rate_hz),
        },
        plot_of(cut),
    )


def chosen_notes(notes: pd.DataFrame, wanted: Sequence[str], most: int) -> pd.DataFrame:
    """Return the notes named, or the longest clean vibrato note of each player, `most` at most.

    Raises
    ------
    VibstudyError
        With every name that is not there, or when no note has vibrato.
    """
    used = vibrato_notes(notes)
    if wanted:
        known = used.set_index("note_id", drop=False)
        problems = [
            Problem("there is no such note with vibrato", got=name, repair=nearest(name, list(known.index)))
            for name in wanted
            if name not in known.index
        ]
        if problems:
            raise VibstudyError(problems)
        return known.loc[list(wanted)].reset_index(drop=True)
    if used.empty:
        raise VibstudyError(Problem("no note of this study has a vibrato to listen to"))
    clean = used[used["quality"].eq("ok").fillna(False)]
    pool = clean if len(clean) else used
    longest = pool.sort_values("duration_s", ascending=False, kind="stable").drop_duplicates("player")
    return longest.head(most).sort_values(["player", "note_id"], ignore_index=True)


def write_listening_page(
    study_folder: str | Path, out: str | Path | None = None, wanted: Sequence[str] = (), most: int = 8
) -> tuple[Path, int]:
    """Write the page.

    Parameters
    ----------
    study_folder : path
        Study folder, with its sound.
    out : path | None
        HTML file; None is ``listening.html`` in the study.
    wanted : sequence of str
        note_id of the examples; empty chooses.
    most : int
        How many are chosen.

    Returns
    -------
    path : Path
    examples : int
    """
    study = open_study(study_folder)
    path = Path(out) if out is not None else study.folder / "listening.html"
    if not path.parent.is_dir():
        raise VibstudyError(Problem("there is no such folder", str(path.parent), repair="Make it first"))
    rows = chosen_notes(read_notes(study.folder), wanted, most)
    made = (make_example(study, row) for _, row in rows.iterrows())
    examples = [example for example in made if example is not None]
    if not examples:
        raise VibstudyError(Problem("none of these notes could be cut out", repair="Choose others"))
    page = environment(latex=False).get_template("listening.html")
    text = page.render(
        examples=examples, demo=study.is_demo, rights=RIGHTS_CAUTION, hearing=HEARING_CAUTION,
        width=WIDTH, height=HEIGHT, left=LEFT, right=RIGHT, top=TOP, bottom=BOTTOM,
    )  # fmt: skip
    write_text(path, text)
    return path, len(examples)
