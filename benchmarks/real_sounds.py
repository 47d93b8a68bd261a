"""How well single notes and trills by real players are measured.

    uv run python -m benchmarks.real_sounds FOLDER [--half development|held-out|all] [--pattern REGEX]
    uv run python -m benchmarks.real_sounds --reading

FOLDER holds sound files, one note or one trill each, whose names tell what is played. Nothing of them is kept
in the project: get them where their makers give them, and mind their licence. The default pattern reads names
such as ``bass-clarinet_As3_05_forte_normal.mp3`` (instrument, pitch with ``s`` for sharp, length, dynamic,
articulation): those of the samples that a London orchestra gives away. ``--pattern`` is a regular
expression with groups of these names; only ``pitch`` must be there.

Halves
------
What needs tuning is tuned on :data:`DEVELOPMENT` alone; all other instruments are held out, for the last run.

Printed by instrument, and for all
----------------------------------
* single notes: files, notes a file, right pitch (the longest note within 70 cents of the label),
  ``edge_unsure``, covered (:data:`COVERED`), share with vibrato, quartiles of rate and extent;
* rates within 0.1 Hz of an independent reading (:func:`independent_rate_hz`), of clear notes (rate known to
  0.1 Hz, ± 8 cents and more, :data:`CLEAR_CYCLES` cycles and more) and, in rows of their own, of shorter
  ones. Of fewer cycles the reading itself cannot say so much (``--reading``): where the rate changes by 6 %
  from cycle to cycle, it is within 0.1 Hz of the cycles counted for 72 of 100 vibratos of four cycles, 87 of
  five, 90 of six, all of fifteen;
* trills: files, heard as trills (trills make up more than half of what sounds), unclear, with a note called
  usable vibrato, and with one as wide as the narrowest trill (a note held after the trill may vibrate).

Labels that are off by a constant number of semitones for a whole instrument or dynamic are told as the set's,
and count as right only with ``--mend-labels``.

``--reading`` prints how far the independent reading itself is from the truth, by the number of cycles and by
how irregular they are: tones of eight harmonics, 25 dB above noise, ± 8 to 20 cents at 5 to 6 Hz, whose rate
(and, half as much again, extent) is drawn anew for each cycle. The true rate counts the cycles.
"""

from __future__ import annotations

import argparse
import itertools
import re
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

import librosa
import numpy as np
import pandas as pd
import soundfile
from rich.console import Console
from rich.table import Table
from scipy.optimize import least_squares

from vibstudy.corpus.settings import settings_from
from vibstudy.errors import VibstudyError
from vibstudy.notes.alternation import LEAST_CENTS
from vibstudy.recording import measure_file
from vibstudy.stats.selection import is_proper, is_vibrato

PATTERN = "_".join(
    (
        r"(?P<instrument>[a-z-]+)",
        r"(?P<pitch>[A-G]s?\d)",
        r"(?P<length>[^_]+)",
        r"(?P<dynamic>[^_]+)",
        r"(?P<articulation>[^_]*)",
    )
)
DEVELOPMENT = frozenset({"flute", "clarinet", "bassoon", "contrabassoon", "trombone", "cello"})
SINGLE = re.compile(r"(arco-)?(normal|vibrato|molto-vibrato|non-vibrato)")
COVERED = frozenset({"masked", "noisy", "outlier_harmonics"})
CENTS = 70.0
ATTACK_S = (0.03, 0.08)  # how fast a bend at the attack decays
CLEAR_SE_HZ, CLEAR_EXTENT_CENTS, CLEAR_CYCLES = 0.1, 8.0, 6.0
STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
STRINGS = frozenset({"violin", "viola", "cello", "double-bass"})


def midi(label: str) -> int:
    """MIDI number of a pitch such as ``As3``."""
    return STEPS[label[0]] + ("s" in label[1:]) + 12 * (int(label[-1]) + 1)


def independent_rate_hz(path: Path, note: pd.Series) -> float:
    """Rate from a plain YIN contour (de Cheveigné and Kawahara 2002; librosa's) and a sine with drift.

    Of the stretch that was called vibrato; NaN where the contour is no sinusoid (explains less than 60 %).
    Two decays (:data:`ATTACK_S`) take the bend of an attack; without them the sine does, and is slower by
    0.07 Hz in flutes.
    """
    start = note["onset_s"] + note["vibrato_onset_s"]
    length = note["vibrato_fraction"] * note["duration_s"]
    samples, rate = librosa.load(path, sr=None, offset=float(start), duration=float(length))
    period = rate / note["pitch_hz"]
    frame = int(max(4 * period, 0.02 * rate))
    hop = int(0.005 * rate)
    if len(samples) < 4 * frame:
        return np.nan
    f0 = librosa.yin(
        samples,
        fmin=0.7 * note["pitch_hz"],
        fmax=min(1.5 * note["pitch_hz"], 0.4 * rate),
        sr=rate,
        frame_length=max(frame, int(3.2 * rate / (0.7 * note["pitch_hz"]))),
        hop_length=hop,
    )
    cents = 1200 * np.log2(f0 / np.median(f0))
    time = np.arange(len(cents)) * hop / rate
    keep = np.abs(cents) < 200
    time, cents = time[keep], cents[keep]
    if len(cents) < 20:
        return np.nan
    span = time[-1] - time[0]

    def fitted(rate_hz: float) -> tuple[np.ndarray, float]:
        turn = 2 * np.pi * rate_hz * time
        x = 2 * (time - time[0]) / span - 1
        slow_parts = [x**power for power in range(4)] + [np.exp(-(time - time[0]) / s) for s in ATTACK_S]
        basis = np.stack([*slow_parts, np.sin(turn), np.cos(turn)], axis=1)
        rest = cents - basis @ np.linalg.lstsq(basis, cents, rcond=None)[0]
        slow = cents - basis[:, :-2] @ np.linalg.lstsq(basis[:, :-2], cents, rcond=None)[0]
        return rest, float(1 - (rest @ rest) / (slow @ slow))

    rates = np.arange(3.0, 10.0, 0.05)
    shares = [fitted(r)[1] for r in rates]
    best = rates[int(np.argmax(shares))]
    fine = least_squares(lambda r: fitted(r[0])[0], [best], x_scale=0.01)
    return float(fine.x[0]) if max(shares) > 0.6 else np.nan


def reading_error_hz(rng: np.random.Generator, cycles: int, irregularity: float, folder: Path) -> float:
    """The independent reading of one invented vibrato, less its true rate."""
    sampling_hz, before_s = 22_050, 0.15
    rate_hz, f0_hz = rng.uniform(5.0, 6.0), rng.choice([262.0, 440.0, 700.0])
    length_s = cycles / rate_hz
    time = np.arange(round((length_s + 2 * before_s) * sampling_hz)) / sampling_hz
    draws = rng.standard_normal((2, cycles + 4))
    at = np.arange(draws.shape[1]) / rate_hz
    rates = rate_hz * (1 + irregularity * np.interp(time, at, draws[0]))
    extents = rng.uniform(8.0, 20.0) * (1 + 1.5 * irregularity * np.interp(time, at, draws[1]))
    turn = np.cumsum(rates) / sampling_hz
    cents = extents * np.sin(2 * np.pi * (turn + rng.uniform()))
    phase = 2 * np.pi * np.cumsum(f0_hz * 2 ** (cents / 1200)) / sampling_hz
    tone = sum(np.cos(k * phase + rng.uniform(0, 6)) / k for k in range(1, 9))
    tone = tone / np.std(tone) + 10 ** (-25 / 20) * rng.standard_normal(len(time))
    path = folder / "tone.wav"
    soundfile.write(path, 0.1 * tone, sampling_hz)
    known = {"onset_s": 0.0, "vibrato_onset_s": before_s, "vibrato_fraction": 1.0}
    read_hz = independent_rate_hz(path, pd.Series({**known, "duration_s": length_s, "pitch_hz": f0_hz}))
    first, last = np.searchsorted(time, [before_s, before_s + length_s])
    return read_hz - (turn[last] - turn[first]) / length_s


def print_reading() -> None:
    """Print the independent reading's own error."""
    table = Table(title="The reading's own error: 60 tones a row")
    for head in ("cycles", "irregularity", "within 0.1 Hz", "root mean square, Hz"):
        table.add_column(head)
    rng = np.random.default_rng(11)
    with tempfile.TemporaryDirectory() as folder:
        for cycles, irregularity in itertools.product((4, 5, 6, 8, 15), (0.0, 0.03, 0.06)):
            away = np.array([reading_error_hz(rng, cycles, irregularity, Path(folder)) for _ in range(60)])
            away = away[np.isfinite(away)]
            within = share(np.abs(away) < 0.1)
            table.add_row(str(cycles), f"{irregularity:.0%}", within, f"{np.sqrt(np.mean(away**2)):.3f}")
    Console(width=100).print(table)


def measured(path: Path, facts: dict[str, str], settings: Any) -> list[dict[str, Any]]:
    """Rows of the notes of one file."""
    row = {"recording_id": path.stem}
    if facts.get("instrument"):
        row["instrument"] = facts["instrument"].replace("-", " ")
    try:
        notes = measure_file(path, settings, row).notes
    except Exception as error:
        if not isinstance(error.__cause__ or error, VibstudyError):
            raise
        return [{"file": path.name, **facts, "failed": str(error.__cause__ or error)[:120]}]
    if notes.empty:
        return [{"file": path.name, **facts}]
    notes["proper"], notes["vibrato"] = is_proper(notes), is_vibrato(notes)
    rows = []
    for _, note in notes.iterrows():
        own = note.dropna().to_dict()
        if (
            own.get("vibrato")
            and own["rate_se_hz"] < CLEAR_SE_HZ
            and own["extent_cents"] > CLEAR_EXTENT_CENTS
        ):
            own["independent_rate_hz"] = independent_rate_hz(path, note)
        rows.append({"file": path.name, **facts, **own})
    return rows


def measure_folder(folder: Path, pattern: str, half: str) -> pd.DataFrame:
    """One row a note found, or a file without any."""
    settings = settings_from({})
    rows = []
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        known = re.match(pattern, path.stem)
        if known is None:
            continue
        facts = {key: value or "" for key, value in known.groupdict().items()}
        developing = facts.get("instrument") in DEVELOPMENT
        if half == "all" or developing == (half == "development"):
            rows += measured(path, facts, settings)
    return pd.DataFrame(rows)


def by_file(notes: pd.DataFrame) -> pd.DataFrame:
    """One row a file: its longest note, and counts."""
    notes = notes.assign(length_s=notes["duration_s"].fillna(0.0))
    longest = notes.sort_values("length_s").groupby("file").tail(1).set_index("file")
    grouped = notes.groupby("file")
    longest["found"] = grouped["note_id"].count()
    total = grouped["length_s"].sum()
    for kind in ("trill", "unclear"):
        own = notes[notes["note_kind"].eq(kind)].groupby("file")["length_s"].sum()
        longest[kind] = (own.reindex(longest.index).fillna(0.0) / total).fillna(0.0)
    longest["vibrato_found"] = grouped["vibrato"].apply(lambda found: bool(found.eq(True).any()))
    wide = notes["vibrato"].eq(True) & notes["extent_cents"].ge(LEAST_CENTS / 2)
    longest["wide_found"] = wide.groupby(notes["file"]).any()
    longest["away"] = 69 + 12 * np.log2(longest["pitch_hz"] / 440) - longest["pitch"].map(midi)
    return longest


def set_offsets(single: pd.DataFrame) -> dict[tuple[str, str], int]:
    """Semitones by which more than 0.6 of an instrument's labels of one dynamic are off, 0 left out."""
    found = {}
    for key, part in single.groupby(["instrument", "dynamic"]):
        away = part["away"].dropna().round()
        if len(away) >= 3:
            value, count = Counter(away.astype(int)).most_common(1)[0]
            if value and count > 0.6 * len(away):
                found[key] = value
    return found


def reasons(files: pd.DataFrame) -> pd.Series:
    return files["quality"].fillna("none").str.split(";").map(set)


def share(values: Any) -> str:
    values = np.asarray(values, dtype=float)
    return f"{100 * values.mean():.1f} %" if len(values) else ""


def quartiles(values: pd.Series, digits: int) -> str:
    values = values.dropna()
    return " ".join(f"{q:.{digits}f}" for q in values.quantile([0.25, 0.5, 0.75])) if len(values) else ""


def single_row(files: pd.DataFrame) -> list[str]:
    why = reasons(files)
    judged = files[files["has_vibrato"].notna() & files["found"].gt(0)]
    vibrato = files[files["vibrato"].eq(True)]
    return [
        str(len(files)),
        f"{files['found'].mean():.3f}",
        share(files["right"]),
        share(why.map(lambda r: "edge_unsure" in r)),
        share(why.map(lambda r: bool(r & COVERED))),
        share(judged["has_vibrato"].astype(float)),
        quartiles(vibrato["rate_hz"], 2) if len(vibrato) else "",
        quartiles(vibrato["extent_cents"], 1) if len(vibrato) else "",
    ]


def rates_table(files: pd.DataFrame) -> Table:
    """How many rates lie within 0.1 Hz of the independent reading, clear notes and shorter ones apart."""
    table = Table(title="Rates within 0.1 Hz of the reading")
    for head in ("instrument", "cycles", "notes", "within 0.1 Hz"):
        table.add_column(head)
    read = files[files["independent_rate_hz"].notna()]
    cycles = read["rate_hz"] * read["vibrato_fraction"] * read["duration_s"]
    for name, part in [*read.groupby("instrument"), ("all", read)]:
        within = (part["rate_hz"] - part["independent_rate_hz"]).abs() < 0.1
        clear = cycles[part.index] >= CLEAR_CYCLES
        for words, own in ((f"{CLEAR_CYCLES:.0f} and more", within[clear]), ("fewer", within[~clear])):
            table.add_row(str(name), words, str(len(own)), share(own))
    return table


def print_tables(files: pd.DataFrame, mend: bool) -> None:
    """Print what was found."""
    console = Console(width=150)
    alone = files["articulation"].map(lambda a: bool(SINGLE.fullmatch(a))) & files["length"].ne("phrase")
    single = files[alone].copy()
    trills = files[files["articulation"].str.contains("trill")]
    offsets = set_offsets(single)
    for (instrument, dynamic), semitones in offsets.items():
        console.print(
            f"{instrument}, {dynamic}: labels are mostly {semitones:+d} semitones from what is heard"
        )
    shift = [
        offsets.get(key, 0) if mend else 0
        for key in zip(single["instrument"], single["dynamic"], strict=True)
    ]
    single["right"] = (single["away"] - shift).abs() < CENTS / 100
    heads = (
        "instrument",
        "files",
        "notes a file",
        "right pitch",
        "edge unsure",
        "covered",
        "vibrato",
        "rate, Hz",
        "extent, ± cents",
    )
    table = Table(title="Single notes")
    for head in heads:
        table.add_column(head)
    winds = single[~single["instrument"].isin(STRINGS)]
    for name, part in [*single.groupby("instrument"), ("winds", winds), ("all", single)]:
        table.add_row(str(name), *single_row(part))
    console.print(table)
    console.print(rates_table(single))
    table = Table(title="By dynamic")
    for head in ("dynamic", *heads[1:]):
        table.add_column(head)
    for name, part in single.groupby("dynamic"):
        table.add_row(str(name), *single_row(part))
    console.print(table)
    why = Counter(reason for found in reasons(single) for reason in found)
    console.print(", ".join(f"{name} {count}" for name, count in why.most_common()))
    table = Table(title="Trills")
    for head in (
        "instrument",
        "files",
        "heard as trills",
        "unclear",
        "called vibrato",
        "wide ones",
        "notes a file",
    ):
        table.add_column(head)
    wind_trills = trills[~trills["instrument"].isin(STRINGS)]
    for name, part in [*trills.groupby("instrument"), ("winds", wind_trills)]:
        table.add_row(
            str(name),
            str(len(part)),
            share(part["trill"] > 0.5),
            share(part["unclear"] > 0.5),
            str(int(part["vibrato_found"].sum())),
            str(int(part["wide_found"].sum())),
            f"{part['found'].mean():.1f}",
        )
    console.print(table)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--reading", action="store_true", help="the independent reading's own error, alone")
    parser.add_argument("--half", choices=("development", "held-out", "all"), default="development")
    parser.add_argument("--pattern", default=PATTERN, help="regular expression for the names of the files")
    parser.add_argument("--mend-labels", action="store_true", help="take constant offsets out")
    parser.add_argument("--out", type=Path, help="write the notes to this CSV, or read them from it")
    options = parser.parse_args()
    if options.reading:
        print_reading()
        return
    if options.folder is None:
        parser.error("which folder? Or --reading")
    if options.out and options.out.exists():
        notes = pd.read_csv(options.out, dtype={"length": str, "articulation": str})
        notes["articulation"] = notes["articulation"].fillna("")
    else:
        notes = measure_folder(options.folder, options.pattern, options.half)
        if options.out:
            notes.to_csv(options.out, index=False)
    if notes.empty:
        parser.error(f"no file of {options.folder} has a name as the pattern says")
    for column, usual in (
        ("instrument", "any"),
        ("length", ""),
        ("dynamic", "any"),
        ("articulation", "normal"),
        ("independent_rate_hz", np.nan),
        ("rate_hz", np.nan),
        ("vibrato_fraction", np.nan),
        ("extent_cents", np.nan),
    ):
        if column not in notes:
            notes[column] = usual
    print_tables(by_file(notes), options.mend_labels)


if __name__ == "__main__":
    main()
