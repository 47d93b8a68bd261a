"""What to expect of a recording: tones of known vibrato, given its noise and bandwidth and measured again.

For each rate and extent a few tones, at the pitch of the recording's notes and at the level of its loud
tenth, are cut to the recording's bandwidth, laid into its noise
(:func:`vibstudy.sound.media.simulate_medium`), and measured as notes are: tracker, refinement, vibrato. Their
beginnings and ends are taken as known. The room, as far as it can be told from the recording
(:mod:`vibstudy.sound.room`), is put in before, as a tail of its decay and level. Hum, clicks, wow and other
players are not in it. Starting points of vibrato and noise are drawn from the generator given.

bias
    Mean of measured less true, over tones on which vibrato was found.
error
    Root mean square of measured less true, over the same tones.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.signal import fftconvolve

from vibstudy.corpus.settings import Settings
from vibstudy.figures.style import EXTENT_NOTE, HouseFigure, house_style, legend_below, looks
from vibstudy.playing.tones import ToneSpec, make_tone
from vibstudy.sound.media import MediaFindings, find_media, simulate_medium
from vibstudy.sound.reading import iter_blocks
from vibstudy.sound.room import Room, RoomMeter

if TYPE_CHECKING:
    from rich.table import Table

RATES_HZ = (4.5, 6.0, 7.5)
EXTENTS_CENTS = (0.0, 5.0, 10.0, 20.0, 40.0, 80.0)
TONES = 6
TONE_S = 1.0
PITCH_HZ = 440.0
_GAP_S = 0.25
_EDGE_S = 0.012
_RATE_HZ = 22050


def expected_errors(
    findings: MediaFindings,
    rng: np.random.Generator,
    pitch_hz: float = PITCH_HZ,
    rates_hz: Sequence[float] = RATES_HZ,
    extents_cents: Sequence[float] = EXTENTS_CENTS,
    tones: int = TONES,
    room: Room | None = None,
) -> pd.DataFrame:
    """Measure tones of known vibrato as a recording's medium would have kept them.

    Parameters
    ----------
    findings : MediaFindings
        Of the recording.
    rng : numpy.random.Generator
        For noise, pitch (within a fourth of `pitch_hz`) and the beginning of the cycle.
    pitch_hz : float
        Middle of the recording's pitches.
    rates_hz, extents_cents : sequence of float
        True rates, and true extents (half of peak-to-peak); extent 0 asks for false alarms.
    tones : int
        Tones of each rate and extent.
    room : Room | None
        Of the recording; None: dry.

    Returns
    -------
    DataFrame
        One row a rate and extent: ``rate_hz, extent_cents, tones, found`` (share with vibrato found),
        ``usable`` (share measured and not covered by noise), ``extent_bias_cents, extent_error_cents,
        rate_bias_hz, rate_error_hz``.
    """
    response = (room or Room()).response(_RATE_HZ, rng)
    rows = [
        {
            "rate_hz": rate,
            "extent_cents": extent,
            **_one_cell(findings, rng, pitch_hz, rate, extent, tones, response),
        }
        for rate in rates_hz
        for extent in extents_cents
    ]
    return pd.DataFrame(rows)


def _one_cell(
    findings: MediaFindings,
    rng: np.random.Generator,
    pitch_hz: float,
    rate: float,
    extent: float,
    tones: int,
    response: np.ndarray,
) -> dict[str, Any]:
    gap = np.zeros(round(_GAP_S * _RATE_HZ))
    pieces, begins, at = [gap], [], len(gap)
    for _ in range(tones):
        lead = rng.uniform(0.0, 1.0 / rate)
        spec = ToneSpec(
            pitch_hz=float(np.clip(pitch_hz * 2.0 ** rng.uniform(-0.4, 0.4), 60.0, 1800.0)),
            rate_hz=rate,
            extent_cents=extent,
            duration_s=TONE_S + lead,
        )
        # cut at any place of the cycle, and begun anew
        tone = make_tone(spec, _RATE_HZ)[round(lead * _RATE_HZ) :]
        ramp = np.minimum(np.arange(len(tone)) / (0.02 * _RATE_HZ), 1.0)
        pieces += [tone * ramp, gap]
        begins.append(at / _RATE_HZ)
        at += len(tone) + len(gap)
    heard = fftconvolve(np.concatenate(pieces), response)[:at]
    kept = simulate_medium(heard, _RATE_HZ, findings, rng)
    return _compared(kept, begins, rate, extent)


def _compared(kept: np.ndarray, begins: Sequence[float], rate: float, extent: float) -> dict[str, Any]:
    """Measure the tones, and hold them against the truth."""
    from vibstudy.pitch.refine import refine_note
    from vibstudy.pitch.trackers import track_line
    from vibstudy.vibrato.covered import is_covered
    from vibstudy.vibrato.note import measure_note

    contour = track_line(kept, _RATE_HZ)
    off, usable, found = [], 0, 0
    for begin in begins:
        line = refine_note(kept, _RATE_HZ, contour, begin + _EDGE_S, begin + TONE_S - _EDGE_S)
        values = measure_note(line)[0] if line is not None else {}
        if line is not None and values.get("has_vibrato") is not None:
            usable += not is_covered(line, values)
        if values.get("has_vibrato"):
            found += 1
            off.append((values["extent_cents"] - extent, values["rate_hz"] - rate))
    extent_off, rate_off = np.array(off or [(np.nan, np.nan)]).T
    if extent == 0.0:
        rate_off = np.array([np.nan])
    return {
        "tones": len(begins),
        "found": found / len(begins),
        "usable": usable / len(begins),
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
    seed : int
        Of the noise and the tones.

    Returns
    -------
    findings : MediaFindings
    room : Room
    table : DataFrame
        As :func:`expected_errors`.
    written : list of Path
    """
    from vibstudy.corpus.tables import put_in_place, write_frame

    findings = find_media(path, start_s, end_s)
    room = _room_of(path, start_s, end_s)
    table = expected_errors(findings, np.random.default_rng(seed), pitch_hz, room=room)
    out = Path(out)
    figure = draw_expected(table, Path(path).name)
    written = [out.with_name(out.name + ending) for ending in (".csv", ".png", ".pdf")]
    write_frame(written[0], table)
    for target in written[1:]:
        temporary = target.with_name(target.name + ".part")
        figure.savefig(temporary, format=target.suffix[1:], dpi=300)
        put_in_place(temporary, target)
    return findings, room, table, written


def _room_of(path: str | Path, start_s: float | None, end_s: float | None) -> Room:
    """The room of a file, from the ends of its notes."""
    from vibstudy.recording import find_line

    meter = RoomMeter()
    for block in iter_blocks(path, 60.0, 0.0, start_s=start_s, end_s=end_s):
        meter.add(block.samples, block.rate_hz, find_line(block, Settings()).rows)
    return meter.room()


def as_rich_table(table: pd.DataFrame) -> Table:
    """Return the table for a terminal."""
    from rich.table import Table

    shown = Table(title="Measured on tones of known vibrato in this medium")
    for head in (
        "true rate (Hz)",
        "true extent (± c)",
        "vibrato found",
        "extent: bias (c)",
        "error (c)",
        "rate: bias (Hz)",
        "error (Hz)",
    ):
        shown.add_column(head, justify="right")
    for row in table.to_dict("records"):
        figures = (
            (row["extent_bias_cents"], "+.2f"),
            (row["extent_error_cents"], ".2f"),
            (row["rate_bias_hz"], "+.3f"),
            (row["rate_error_hz"], ".3f"),
        )
        shown.add_row(
            f"{row['rate_hz']:g}",
            f"{row['extent_cents']:g}",
            f"{100 * row['found']:.0f} %",
            *("" if np.isnan(value) else format(value, pattern) for value, pattern in figures),
        )
    return shown


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
        below.set(
            xticks=range(len(extents)),
            xticklabels=[f"{extent:g}" for extent in extents],
            xlabel="True extent (± cents)",
            ylabel="Vibrato\nfound (%)",
            ylim=(-6, 106),
        )
        legend_below(figure, handles, columns=len(rates), title="True rate")
        tones = int(table["tones"].sum())
        figure.caption = (
            f"Tones of known vibrato in the noise and bandwidth of {name or 'a recording'}, measured again: "
            f"mean error and scatter (one standard deviation) of the extent, and how often vibrato was found "
            f"(at extent 0: false alarms). {EXTENT_NOTE} n = {tones} tones."
        )
    return figure
