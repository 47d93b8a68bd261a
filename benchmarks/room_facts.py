"""What is told of rooms, and of loudness vibrato in them: rooms of known decay and direct sound, two tables.

    uv run python -m benchmarks.room_facts [--seed 1] [--takes 6] [--cache FOLDER]

Lines of the invented demo corpus, drawn anew, and their true ends of notes, so that the room alone is asked;
each line by itself, and all of them as one recording (*whole*). *Exponential*: a direct sample and noise
that decays (:meth:`vibstudy.sound.room.Room.response`). *Simulated*: the responses that
``benchmarks/rooms.py`` left in its cache, if it was run (pyroomacoustics; decay of the tail by its Schroeder
integration, Schroeder 1965, JASA 37:409-412); direct is what comes within 10 ms, the middle of what ends of
notes do not part from it. *held*: truth within 1.96 standard errors. *right*: depth of loudness vibrato
within 1 dB or 15 % of the level that was synthesised, half of peak-to-peak.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.signal import fftconvolve

from benchmarks.rooms import DELAY, over_rest_db, schroeder_decay_s
from vibstudy.corpus.settings import Settings
from vibstudy.demo import corpus
from vibstudy.demo.synthesis import SAMPLE_RATE_HZ, Note, Vibrato, Voice, render_line
from vibstudy.pitch.contour import Contour
from vibstudy.recording.found import find_note
from vibstudy.recording.measured import measure_vibrato
from vibstudy.sound.reading import Audio
from vibstudy.sound.room import Room, RoomMeter
from vibstudy.sound.wow import estimate_wow

EARLY_S = 0.010
WHOLE, MOST_RESPONSES = ", whole", 2
VOICES = (
    Voice(1000, 14, 200, ((900, 2, 0.5), (2500, 3, 0.4)), breath_db=-40),
    Voice(760, 13, 180, ((620, 2, 0.5), (1700, 3, 0.4)), breath_db=-41),
    Voice(620, 12, 150, ((480, 2, 0.5), (1300, 3, 0.4)), breath_db=-41),
)
HEARD_IN = (Room(0.4, 0.05, 6, 2), Room(1.2, 0.12, 6, 1.5), Room(1.2, 0.12, 0, 1.5), Room(2.0, 0.2, 3, 1.5))


def lines(count: int, rng: np.random.Generator) -> list[tuple[np.ndarray, list[dict[Any, Any]]]]:
    """Dry lines and their notes."""
    every = corpus.recordings()
    made = []
    for place in rng.permutation(len(every))[:count]:
        drawn = corpus.plan(every[place], seed=int(rng.integers(1 << 30)))
        length_s = drawn.notes[-1].end_s + 2.0
        line = render_line(drawn.notes, drawn.voice, rng, length_s=length_s, tuning_hz=drawn.tuning_hz)
        notes = line.truth.assign(note_kind="note").to_dict("records")
        made.append((line.samples / np.abs(line.samples).max(), notes))
    return made


def told(
    response: np.ndarray, played: list[tuple[np.ndarray, list[dict[Any, Any]]]], delay: int
) -> list[tuple[str, Room]]:
    """What is told of each line heard through a response, and of all of them."""
    rooms, whole = [], RoomMeter()
    for samples, notes in played:
        heard = fftconvolve(samples, response)[delay:].astype(np.float32)
        meter = RoomMeter()
        for one in (meter, whole):
            one.add(heard, SAMPLE_RATE_HZ, notes)
        rooms.append(("", meter.room()))
    return [*rooms, (WHOLE, whole.room())]


def room_facts(count: int, rng: np.random.Generator, cache: Path) -> pd.DataFrame:
    """One row a take, and a recording of all of them: kind of room, truth and what was told."""
    rows = []
    played = lines(count, rng)
    for decay_s in (0.5, 1.0, 1.8, 2.6):
        for direct_db in (0.0, 6.0, 10.0):
            response = Room(decay_s, 0, direct_db, 0).response(SAMPLE_RATE_HZ, rng)
            for whole, room in told(response, played, 0):
                rows.append((f"exponential{whole}", decay_s, direct_db, room))
    for kind in ("studio", "recital", "church"):
        for place in ("near", "middle"):
            for path in sorted(cache.glob(f"{kind}_{place}_*.npz"))[:MOST_RESPONSES]:
                with np.load(path) as file:
                    response = file["sound"][0, 0]
                decay_s, direct_db = schroeder_decay_s(response, EARLY_S), over_rest_db(response, EARLY_S)
                for whole, room in told(response, played, DELAY):
                    rows.append((f"{kind} {place}{whole}", decay_s, direct_db, room))
    return pd.DataFrame(
        [
            {"kind": kind, "true_decay_s": decay_s, "true_direct_db": direct_db, **room.columns()}
            for kind, decay_s, direct_db, room in rows
        ]
    )


def depths(count: int, rng: np.random.Generator) -> pd.DataFrame:
    """One row a note with vibrato: depth of its loudness vibrato, true and told, the room being known."""
    rows = []
    none = estimate_wow(np.zeros(0), np.zeros(0), np.zeros(0))
    for room in HEARD_IN:
        for voice in VOICES:
            notes, at_s = [], 0.3
            for _ in range(count):
                end_s = at_s + rng.uniform(0.6, 1.4)
                vibrato = Vibrato(
                    rng.uniform(4.8, 6.8),
                    float(np.exp(rng.uniform(np.log(10), np.log(50)))),
                    delay_s=0.08,
                    rate_irregularity=0.04,
                    extent_irregularity=0.07,
                    triangle=0.2,
                    intensity_depth_db=float(rng.choice((0, rng.uniform(0.5, 3)))),
                    intensity_phase_rad=float(rng.uniform(-1, 1)),
                    timbre_depth_db=float(rng.uniform(0, 1)),
                )
                notes.append(Note(at_s, end_s, int(rng.integers(58, 76)), level_db=-4, vibrato=vibrato))
                at_s = end_s + 0.05
            line = render_line(notes, voice, rng, length_s=at_s + 0.5)
            heard = fftconvolve(line.samples, room.response(SAMPLE_RATE_HZ, rng))[: len(line.samples)]
            heard = 0.5 * heard / np.abs(heard).max() + 1e-4 * rng.standard_normal(len(heard))
            audio = Audio(
                heard.astype(np.float32), SAMPLE_RATE_HZ, SAMPLE_RATE_HZ, 1, len(heard) / SAMPLE_RATE_HZ,
                "mono", "", 1.0, 0.0, 1.0, 0.0,
            )  # fmt: skip
            for true in line.truth.to_dict("records"):
                edges = {"onset_s": true["onset_s"] + 0.01, "offset_s": true["offset_s"] - 0.01}
                time_s = np.arange(true["onset_s"], true["offset_s"], 0.01)
                known = Contour(time_s, np.full(len(time_s), true["pitch_hz"]), np.ones(len(time_s)), "known")
                note = find_note(audio, known, {**edges, "octave_below": None})
                measure_vibrato(note, none, Settings(), {}, room)
                if note.values.get("has_vibrato"):
                    rows.append(
                        {
                            "room": f"{room.decay_s:g} s, direct {room.direct_db:+g} dB",
                            "true": true["intensity_depth_db"],
                            "told": note.values.get("intensity_depth_db", np.nan),
                            "se": note.values.get("intensity_depth_se_db", np.nan),
                        }
                    )
    return pd.DataFrame(rows).dropna()


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--takes", type=int, default=6, help="lines, and notes a voice and room")
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "vibstudy-rooms")
    args = parser.parse_args()
    rng = np.random.default_rng(args.seed)
    rooms = room_facts(args.takes, rng, args.cache)
    decay = rooms["room_decay_s"] - rooms["true_decay_s"]
    direct = rooms["direct_to_room_db"] - rooms["true_direct_db"]
    share = decay / rooms["true_decay_s"]
    every = pd.DataFrame(
        {
            "kind": rooms["kind"],
            "told": rooms["room_decay_s"].notna().astype(float),
            "decay, off": share,
            "decay, more than 15 % off": (share.abs() > 0.15).where(share.notna()).astype(float),
            "decay held": (decay.abs() < 1.96 * rooms["room_decay_se_s"]).where(share.notna()).astype(float),
            "direct, off (dB)": direct,
            "direct held": (direct.abs() < 1.96 * rooms["direct_to_room_se_db"])
            .where(direct.notna())
            .astype(float),
        }
    )
    how = {name: "median" if name.endswith((", off", "(dB)")) else "mean" for name in every.columns[1:]}
    whole = every["kind"].str.endswith(WHOLE)
    for frame in (every, every.assign(kind=np.where(whole, "all, whole", "all"))):
        table = frame.groupby("kind").agg(how).join(frame.groupby("kind").size().rename("takes"))
        print(table.round(2).to_string())
    notes = depths(args.takes, rng)
    off = notes["told"] - notes["true"]
    notes = notes.assign(
        off=off,
        right=off.abs() < np.maximum(1.0, 0.15 * notes["true"]),
        held=off.abs() < 1.96 * notes["se"],
    )
    for by in ("room", notes["room"].map(lambda _: "all")):
        print(
            notes.groupby(by).agg(
                notes=("off", "size"), bias=("off", "mean"), right=("right", "mean"), held=("held", "mean")
            ).round(2)
        )  # fmt: skip


if __name__ == "__main__":
    main()
