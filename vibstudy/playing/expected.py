"""What to expect of a recording: tones of known vibrato, given its noise, bandwidth and room, measured again.

For each rate and extent a few tones, at the pitch of the recording's notes and at the level of its loud
tenth, are heard in its room, beside a piano if one is asked for, cut to the recording's bandwidth and laid
into its noise (:func:`vibstudy.sound.media.simulate_medium`). They are then measured as the notes of a study
are, by the same calls (:func:`vibstudy.recording.found.find_note`,
:func:`vibstudy.recording.measured.measure_vibrato`). Their beginnings and ends are taken as known.

Room
    As far as it can be told from the recording (:mod:`vibstudy.sound.room`), or as the user says: a tail of
    noise with its decay and level. A tone sounds into the tail of the tone before, as notes do.
Accompaniment
    Chords of a synthesised piano in the same room (:mod:`vibstudy.playing.piano`), at a level re the tones.

The vibrato is as irregular as a player's: its rate wanders by 5 %, its extent by 7.5 % from cycle to cycle,
as in ``benchmarks/rooms.py``. True is what the very cycles played are on the mean. Hum, clicks and wow are
not in it. Where a cycle begins, irregularity, chords and noise are drawn from the generator given.

usable
    Share of the tones whose figures would count: the soloist's, with errors that hold.
bias
    Mean of measured less true, over usable tones on which vibrato was found.
error
    Root mean square of measured less true, over the same tones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.interpolate import CubicSpline
from scipy.signal import fftconvolve

from vibstudy.corpus.settings import Settings
from vibstudy.errors import VibstudyError
from vibstudy.figures.style import EXTENT_NOTE, HouseFigure, house_style, legend_below, looks
from vibstudy.playing.piano import chords
from vibstudy.playing.tones import ToneSpec, make_tone
from vibstudy.sound.media import MediaFindings, find_media, simulate_medium
from vibstudy.sound.reading import Audio, iter_blocks
from vibstudy.sound.room import Room, RoomMeter

if TYPE_CHECKING:
    from rich.table import Table

RATES_HZ = (4.5, 6.0, 7.5)
EXTENTS_CENTS = (0.0, 10.0, 20.0, 40.0, 80.0)
TONES = 4
TONE_S = 1.0
PITCH_HZ = 440.0
RATE_WANDERS, EXTENT_WANDERS = 0.05, 0.075
_GAP_S = 0.25
_EDGE_S = 0.012
_RATE_HZ = 22050


def expected_errors(
    findings: MediaFindings,
    rng: np.random.Generator,
    pitch_hz: float = PITCH_HZ,
    rates_hz: Sequence[float] | None = None,
    extents_cents: Sequence[float] | None = None,
    tones: int = TONES,
    room: Room | None = None,
    tone_s: float = TONE_S,
    piano_db: float | None = None,
) -> pd.DataFrame:
    """Measure tones of known vibrato as a recording's room and medium would have kept them.

    Parameters
    ----------
    findings : MediaFindings
        Of the recording.
    rng : numpy.random.Generator
        For noise, pitch (within a fourth of `pitch_hz`) and the beginning of the cycle.
    pitch_hz : float
        Middle of the recording's pitches.
    rates_hz, extents_cents : sequence of float | None
        True rates, and true extents (half of peak-to-peak); extent 0 asks for false alarms. None:
        :data:`RATES_HZ`, :data:`EXTENTS_CENTS`.
    tones : int
        Tones of each rate and extent.
    room : Room | None
        Of the recording; None: dry.
    tone_s : float [range 0.15..10]
        Length of the tones.
    piano_db : float | None
        Level of a piano re the tones, dB: 0 is as loud; None: alone.

    Returns
    -------
    DataFrame
        One row a rate and extent: ``rate_hz, extent_cents, tones, found`` (share with vibrato found),
        ``usable`` (share whose figures count), ``extent_bias_cents, extent_error_cents,
        rate_bias_hz, rate_error_hz``.
    """
    room = room or Room()
    rows = []
    for rate in rates_hz or RATES_HZ:
        for extent in extents_cents or EXTENTS_CENTS:
            heard, played = _played(rng, pitch_hz, rate, extent, tones, tone_s, room, piano_db)
            kept = simulate_medium(heard, _RATE_HZ, findings, rng)
            compared = _compared(kept, played, tone_s, room)
            rows.append({"rate_hz": rate, "extent_cents": extent, **compared})
    return pd.DataFrame(rows)


@dataclass(frozen=True)
class _Played:
    """A tone: when it begins, s, and the means of the cycles played."""

    begin_s: float
    rate_hz: float
    extent_cents: float


def _irregular(
    rng: np.random.Generator, count: int, rate: float, extent: float
) -> tuple[np.ndarray, float, float]:
    """Course of a vibrato in cents [shape=(count,)], its mean rate and its mean extent."""
    time_s = np.arange(count) / _RATE_HZ
    knots = np.arange(0.0, time_s[-1] + 3.0 / rate, 1.0 / rate)
    wander = CubicSpline(knots, rng.standard_normal((2, len(knots))), axis=1)(time_s)
    rates = rate * (1.0 + RATE_WANDERS * wander[0])
    extents = extent * np.maximum(1.0 + EXTENT_WANDERS * wander[1], 0.1)
    phase = rng.uniform(0.0, 2.0 * np.pi) + 2.0 * np.pi * np.cumsum(rates) / _RATE_HZ
    return extents * np.sin(phase), float(rates.mean()), float(extents.mean())


def _played(
    rng: np.random.Generator,
    pitch_hz: float,
    rate: float,
    extent: float,
    tones: int,
    tone_s: float,
    room: Room,
    piano_db: float | None,
) -> tuple[np.ndarray, list[_Played]]:
    """Tones in a row, as heard in the room and with accompaniment; and what was played."""
    gap = np.zeros(round(_GAP_S * _RATE_HZ))
    pieces, played, at = [gap], [], len(gap)
    for _ in range(tones):
        spec = ToneSpec(
            pitch_hz=float(np.clip(pitch_hz * 2.0 ** rng.uniform(-0.4, 0.4), 60.0, 1800.0)),
            duration_s=max(tone_s, 0.2),
        )
        cents, true_rate, true_extent = _irregular(rng, round(spec.duration_s * _RATE_HZ), rate, extent)
        tone = make_tone(spec, _RATE_HZ, cents)[: round(tone_s * _RATE_HZ)]
        pieces += [tone, gap]
        played.append(_Played(at / _RATE_HZ, true_rate, true_extent))
        at += len(tone) + len(gap)
    dry = np.concatenate(pieces)
    heard = fftconvolve(dry, room.response(_RATE_HZ, rng))[: len(dry)]
    if piano_db is not None:
        piano = chords(len(dry), _RATE_HZ, pitch_hz, rng)
        piano = fftconvolve(piano, room.response(_RATE_HZ, rng))[: len(dry)]
        heard = heard + piano * 10 ** (piano_db / 20) * heard.std() / piano.std()
    return heard, played


def _compared(kept: np.ndarray, played: Sequence[_Played], tone_s: float, room: Room) -> dict[str, Any]:
    """Measure the tones as a study does, and hold them against the truth."""
    from vibstudy.pitch.octaves import octave_below
    from vibstudy.recording.found import find_line, find_note
    from vibstudy.recording.measured import measure_vibrato
    from vibstudy.sound.wow import estimate_wow

    audio = Audio(kept, _RATE_HZ, _RATE_HZ, 1, len(kept) / _RATE_HZ, "mono", "", 1.0, 0.0, 1.0, 0.0)
    solo = find_line(audio, Settings())
    none = estimate_wow(np.zeros(0), np.zeros(0), np.zeros(0))
    off, usable, found = [], 0, 0
    before_hz = None
    for tone in played:
        edges = {"onset_s": tone.begin_s + _EDGE_S, "offset_s": tone.begin_s + tone_s - _EDGE_S}
        lower = octave_below(solo.line, solo.tracked, **edges)
        note = find_note(audio, solo.line, {**edges, "octave_below": lower}, before_hz=before_hz)
        measure_vibrato(note, none, Settings(), {}, room)
        values = note.values
        before_hz = values["pitch_hz"] if np.isfinite(values["pitch_hz"]) else before_hz
        counts = bool(values["usable"]) and values.get("has_vibrato") is not None
        usable += counts
        if values.get("has_vibrato"):
            found += 1
            if counts:
                off.append((values["extent_cents"] - tone.extent_cents, values["rate_hz"] - tone.rate_hz))
    extent_off, rate_off = np.array(off or [(np.nan, np.nan)]).T
    if not any(tone.extent_cents for tone in played):
        rate_off = np.array([np.nan])
    return {
        "tones": len(played),
        "found": found / len(played),
        "usable": usable / len(played),
        "extent_bias_cents": float(extent_off.mean()),
        "extent_error_cents": float(np.sqrt(np.mean(extent_off**2))),
        "rate_bias_hz": float(rate_off.mean()),
        "rate_error_hz": float(np.sqrt(np.mean(rate_off**2))),
    }


def expected_of(
    path: str | Path,
    out: str | Path,
    *,
    pitch_hz: float = PITCH_HZ,
    start_s: float | None = None,
    end_s: float | None = None,
    tone_s: float = TONE_S,
    decay_s: float | None = None,
    direct_db: float | None = None,
    piano_db: float | None = None,
    seed: int = 1,
) -> tuple[MediaFindings, Room, pd.DataFrame, list[Path]]:
    """Study a file's medium, and write table and figure of what to expect of it.

    Parameters
    ----------
    path : path
        Sound file.
    out : path
        File to write without its ending: ``.csv``, ``.png`` and ``.pdf`` are added.
    pitch_hz : float
        Middle of the recording's pitches.
    start_s, end_s : float | None
        Part of the file.
    tone_s : float
        Length of the notes asked about.
    decay_s, direct_db : float | None
        Another room than the one the file tells of: time of decay, and direct sound over its tail, dB. One
        that is not given is taken from the file.
    piano_db : float | None
        Level of a piano re the soloist, dB; None: alone.
    seed : int
        Of the noise and the tones.

    Returns
    -------
    findings : MediaFindings
    room : Room
    table : DataFrame
        As :func:`expected_errors`.
    written : list of Path

    Raises
    ------
    VibstudyError
        When one of decay and direct sound is given, and the file does not tell the other.
    """
    from vibstudy.corpus.atomic import replacing
    from vibstudy.corpus.tables import write_frame

    findings = find_media(path, start_s, end_s)
    room = _room_of(path, start_s, end_s)
    if decay_s is not None or direct_db is not None:
        room = _asked(room, decay_s, direct_db)
    table = expected_errors(
        findings, np.random.default_rng(seed), pitch_hz, room=room, tone_s=tone_s, piano_db=piano_db
    )
    out = Path(out)
    figure = draw_expected(table, Path(path).name)
    written = [out.with_name(out.name + ending) for ending in (".csv", ".png", ".pdf")]
    write_frame(written[0], table)
    for target in written[1:]:
        with replacing(target) as stream:
            figure.savefig(stream, format=target.suffix[1:], dpi=300)
    return findings, room, table, written


def _asked(told: Room, decay_s: float | None, direct_db: float | None) -> Room:
    """The room a user asks about; what was not said is as the file tells."""
    room = Room(
        told.decay_s if decay_s is None else decay_s,
        told.decay_se_s if decay_s is None else 0.0,
        told.direct_db if direct_db is None else direct_db,
        told.direct_se_db if direct_db is None else 0.0,
    )
    if not (np.isfinite(room.decay_s) and np.isfinite(room.direct_db)):
        missing = "--direct" if np.isfinite(room.decay_s) else "--decay"
        raise VibstudyError(
            "a room needs its decay and its direct sound, and this file does not tell both",
            repair=f"Give {missing}, too: --decay 1.8 --direct 3 is a hall near the player",
        )
    return room


def _room_of(path: str | Path, start_s: float | None, end_s: float | None) -> Room:
    """The room of a file, from the ends of its notes."""
    from vibstudy.recording.found import find_line

    meter = RoomMeter()
    for block in iter_blocks(path, 60.0, 0.0, start_s=start_s, end_s=end_s):
        meter.add(block.samples, block.rate_hz, find_line(block, Settings()).rows)
    return meter.room()


def as_rich_table(table: pd.DataFrame) -> Table:
    """Return the table for a terminal."""
    from rich.table import Table

    shown = Table(title="Measured on tones of known vibrato, kept as this recording keeps them")
    for head, _, _, _ in SHOWN:
        shown.add_column(head, justify="right")
    for row in table.to_dict("records"):
        figures = [(times * row[name], pattern) for _, name, times, pattern in SHOWN]
        shown.add_row(*("" if np.isnan(value) else pattern.format(value) for value, pattern in figures))
    return shown


SHOWN = (
    ("true rate (Hz)", "rate_hz", 1, "{:g}"), ("true extent (± c)", "extent_cents", 1, "{:g}"),
    ("vibrato found", "found", 100, "{:.0f} %"), ("usable", "usable", 100, "{:.0f} %"),
    ("extent: bias (c)", "extent_bias_cents", 1, "{:+z.2f}"),
    ("error (c)", "extent_error_cents", 1, "{:.2f}"),
    ("rate: bias (Hz)", "rate_bias_hz", 1, "{:+z.3f}"), ("error (Hz)", "rate_error_hz", 1, "{:.3f}"),
)  # fmt: skip
"""Columns as they are shown: head, column, how many times its figure, and how it is written."""


def draw_expected(table: pd.DataFrame, name: str = "") -> HouseFigure:
    """Draw bias and error of the extent against the true extent, and the share found.

    Parameters
    ----------
    table : DataFrame
        As :func:`expected_errors` gives it.
    name : str
        Name of the recording, for the caption.
    """
    extents = sorted(table["extent_cents"].unique())
    place = {extent: i for i, extent in enumerate(extents)}
    rates = sorted(table["rate_hz"].unique())
    with house_style() as page:
        figure = page.figure(1.15)
        above, below = figure.subplots(2, 1, sharex=True, height_ratios=[1.7, 1])
        above.axhline(0.0, color="black", lw=0.5 * page.line_pt)
        handles = []
        for i, (rate, look) in enumerate(looks(rates).items()):
            part = table[(table["rate_hz"] == rate)].sort_values("extent_cents")
            x = part["extent_cents"].map(place).to_numpy(float) + 0.16 * (i - 0.5 * (len(rates) - 1))
            scatter = np.sqrt(
                np.maximum(part["extent_error_cents"] ** 2 - part["extent_bias_cents"] ** 2, 0.0)
            )
            handles.append(
                above.errorbar(
                    x,
                    part["extent_bias_cents"],
                    scatter,
                    fmt=look.marker,
                    color=look.colour,
                    lw=0.8 * page.line_pt,
                    label=f"{rate:g} Hz",
                )
            )
            below.plot(x, 100 * part["found"], look.marker, color=look.colour)
        reach = max(1.0, float(np.abs(above.get_ylim()).max()))
        above.set(ylabel="Extent: measured\nless true (cents)", ylim=(-reach, reach))
        below.set_xticks(range(len(extents)), [f"{extent:g}" for extent in extents])
        below.set(xlabel="True extent (± cents)", ylabel="Vibrato\nfound (%)", ylim=(-6, 106))
        legend_below(figure, handles, columns=len(rates), title="True rate")
        tones = int(table["tones"].sum())
        figure.caption = (
            f"Tones of known vibrato in the room, noise and bandwidth of {name or 'a recording'}, measured "
            f"again: mean error and scatter (one standard deviation) of the extent of usable tones, and how "
            f"often vibrato was found (at extent 0: false alarms). {EXTENT_NOTE} n = {tones} tones."
        )
    return figure
