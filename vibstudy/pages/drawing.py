"""Drawings of a recording's page: its sound and line row by row, rate against extent, notes about the scale.

The sound is drawn as rows of :data:`ROW_S` seconds, longer where there would be more than
:data:`MOST_ROWS`, so that a page of an hour weighs no more than one of eight minutes. Points are in the
drawing's own units.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.figures.data import plural
from vibstudy.figures.recording import note_name
from vibstudy.pages.html import data_uri
from vibstudy.pages.trust import TELLING_S, reason_words, usable
from vibstudy.units import to_cents

ROW_S = 20.0
MOST_ROWS = 24
WIDTH, LEFT, RIGHT = 1200, 54, 10
SOUND_TOP, SOUND_HEIGHT = 6, 176
LANE_TOP, LANE_HEIGHT = 194, 84
ROW_HEIGHT = 306
"""A row, in its own units: the sound above, each note about its own mean below."""

_PIXELS = (1136, 176)
_SHOWN_DB = 60.0
_LIFTED_DB = 15.0
"""A soft row is drawn as dark as a loud one, so that its harmonics show; a row softer than this is not."""
_GREYS = 20
_MOST_POINTS = 2400
_FFT_S = 0.06
_TICKS_HZ = (60, 100, 200, 300, 500, 800, 1200, 2000, 3000, 5000)


@dataclass(frozen=True, eq=False)
class Row:
    """One row of the drawing; points are in its own units."""

    start_s: float
    image: str
    line: list[str]
    lanes: list[dict[str, Any]]
    notes: list[dict[str, Any]]
    ticks_s: list[tuple[float, str]]
    ticks_hz: list[tuple[float, str]]
    reach_cents: float


def row_seconds(duration_s: float) -> float:
    """Return the length of a row for a recording of this length, s."""
    if duration_s < ROW_S:
        return max(duration_s, 0.1)
    return max(ROW_S, float(np.ceil(duration_s / MOST_ROWS)))


def frequency_span(notes: pd.DataFrame) -> tuple[float, float]:
    """Return the frequencies shown, Hz: from below the lowest note to four times the highest."""
    pitch = notes["pitch_hz"].dropna().astype(float)
    if pitch.empty:
        return 100.0, 3000.0
    return 0.8 * float(pitch.quantile(0.01)), min(4.2 * float(pitch.quantile(0.99)), 10_000.0)


def picture(
    samples: np.ndarray, rate_hz: float, seconds: float, span_hz: tuple[float, float], loud_db: float
) -> str:
    """Return the spectrogram of a row as a data URI: dark is loud, frequency upwards on a log axis.

    A row quieter than `loud_db` (dB re full scale, RMS) by more than :data:`_LIFTED_DB` is not lifted to
    black: silence stays white.
    """
    from PIL import Image
    from scipy.signal import ShortTimeFFT
    from scipy.signal.windows import hann

    width, height = _PIXELS
    size = int(_FFT_S * rate_hz)
    samples = np.pad(samples, (0, max(0, round(seconds * rate_hz) - len(samples))))
    hop = max(len(samples) // width, 1)
    window = hann(size)
    analysis = ShortTimeFFT(window, hop=hop, fs=rate_hz, mfft=4 * size)
    first = int(np.searchsorted(analysis.f, span_hz[0] / 1.2))
    power = analysis.spectrogram(samples)[first:, : width + 1]
    rows = np.geomspace(span_hz[1], span_hz[0], height)
    at = np.clip(np.searchsorted(analysis.f[first:], rows), 0, len(power) - 1)
    level = 10 * np.log10(power[at] + 1e-12)
    of_a_sine_db = 20 * np.log10(window.sum() / np.sqrt(2))  # of RMS 1, in the units of `power`
    top = max(float(np.quantile(level, 0.998)), loud_db - _LIFTED_DB + of_a_sine_db)
    dark = np.clip((level - top) / _SHOWN_DB + 1, 0, 1) ** 1.6
    grey = np.round((1 - 0.82 * dark) * (_GREYS - 1)) / (_GREYS - 1)
    packed = io.BytesIO()
    Image.fromarray(np.uint8(255 * grey)).quantize(_GREYS).save(packed, "PNG", optimize=True)
    return data_uri("image/png", packed.getvalue())


def draw_row(
    samples: np.ndarray | None,
    rate_hz: float,
    start_s: float,
    seconds: float,
    line: pd.DataFrame,
    notes: pd.DataFrame,
    span_hz: tuple[float, float],
    reach_cents: float,
    loud_db: float,
) -> Row:
    """Draw one row.

    Parameters
    ----------
    samples : ndarray [shape=(n,)] | None
        Its sound; None when there is none to draw.
    rate_hz : float
        Sample rate.
    start_s, seconds : float
        Where the row begins on the clock of the note table, and how long it is.
    line, notes : DataFrame
        Of the recording.
    span_hz : tuple of float
        Frequencies shown.
    reach_cents : float
        Greatest deviation shown below.
    loud_db : float
        Level of the recording's loud passages, dB re full scale.
    """
    end_s = start_s + seconds
    sounding_s = seconds if samples is None else len(samples) / rate_hz

    def x(time_s: Any) -> Any:
        return LEFT + (WIDTH - LEFT - RIGHT) * (np.asarray(time_s) - start_s) / seconds

    def y_hz(f_hz: Any) -> Any:
        share = np.log(np.asarray(f_hz) / span_hz[0]) / np.log(span_hz[1] / span_hz[0])
        return SOUND_TOP + SOUND_HEIGHT * (1 - np.clip(share, 0, 1))

    def y_cents(cents: Any) -> Any:
        return LANE_TOP + LANE_HEIGHT * (0.5 - 0.5 * np.clip(np.asarray(cents) / reach_cents, -1, 1))

    part = line[line["time_s"].between(start_s, end_s)]
    step = max(1, -(-len(part) // _MOST_POINTS))
    pitch = notes.reset_index(drop=True)["pitch_hz"].astype(float)
    drawn, lanes, boxes = [], [], []
    fine = usable(notes).to_numpy()
    for number in part["note_number"].astype(int).unique():
        at = int(number) - 1
        points = part[part["note_number"] == number]
        thin = points.iloc[::step]
        drawn.append(_points(x(thin["time_s"]), y_hz(thin["f0_hz"])))
        if 0 <= at < len(pitch) and np.isfinite(pitch[at]):
            cents = to_cents(thin["f0_hz"].to_numpy(float), pitch[at])
            lanes.append({"points": _points(x(thin["time_s"]), y_cents(cents)), "sure": bool(fine[at])})
    for at, note in enumerate(notes.to_dict("records")):
        if note["offset_s"] < start_s or note["onset_s"] > end_s:
            continue
        left, right = float(x(max(note["onset_s"], start_s))), float(x(min(note["offset_s"], end_s)))
        vibrato = pd.notna(note["has_vibrato"]) and bool(note["has_vibrato"])
        extent = float(note["extent_cents"]) if vibrato and pd.notna(note["extent_cents"]) else 0.0
        top, bottom = float(y_cents(extent)), float(y_cents(-extent))
        boxes.append(
            {
                "x": round(left, 1),
                "width": round(max(right - left, 1.0), 1),
                "top": round(top, 1),
                "height": round(bottom - top, 1),
                "sure": bool(fine[at]),
                "name": note_name(note["midi"]) if pd.notna(note["midi"]) and right - left > 26 else "",
                "words": _note_title(at + 1, note),
                "at_s": round(float(note["onset_s"]), 3),
            }
        )
    second = next(size for size in (1, 2, 5, 10, 20, 50, 100, 200, 500) if seconds / size <= 20)
    times_s = np.arange(np.ceil(start_s / second) * second, min(end_s, start_s + sounding_s), second)
    pitches_hz = [f for f in _TICKS_HZ if span_hz[0] * 1.1 < f < span_hz[1] / 1.05]
    return Row(
        start_s=start_s,
        image=picture(samples, rate_hz, seconds, span_hz, loud_db) if samples is not None else "",
        line=drawn,
        lanes=lanes,
        notes=boxes,
        ticks_s=[(round(float(x(t)), 1), _clock(t)) for t in times_s],
        ticks_hz=[(round(float(y_hz(f)), 1), f"{f:g}") for f in pitches_hz],
        reach_cents=reach_cents,
    )


def _points(x: Any, y: Any) -> str:
    return " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True))


def _clock(seconds: float) -> str:
    return f"{int(seconds // 60)}:{int(seconds % 60):02d}"


def _note_title(number: int, note: Mapping[Any, Any]) -> str:
    name = note_name(note["midi"]) if pd.notna(note["midi"]) else "note"
    text = f"{number}. {name}, {_clock(note['onset_s'])}, {note['duration_s']:.2f} s"
    if pd.notna(note["has_vibrato"]):
        text += (
            f": {note['rate_hz']:.2f} Hz, ± {note['extent_cents']:.1f} cents"
            if note["has_vibrato"]
            else ": straight"
        )
    return f"{text}. {reason_words(note['quality'])}"


def scatter(notes: pd.DataFrame) -> dict[str, Any]:
    """Return the drawing of rate against extent, one point a note that can be used, with its errors."""
    used = notes[usable(notes) & notes["has_vibrato"].fillna(False).astype(bool)]
    used = used[used["rate_hz"].notna() & used["extent_cents"].notna()]
    names = ("rate_hz", "extent_cents", "rate_se_hz", "extent_se_cents")
    return _plane(*(used[name].to_numpy(float) for name in names))


def _plane(x: np.ndarray, y: np.ndarray, x_se: np.ndarray, y_se: np.ndarray) -> dict[str, Any]:
    width, height, left, bottom, top, right = 520, 316, 52, 42, 28, 14
    if not len(x):
        return {}
    x0, x1 = np.floor(x.min() - 0.3), np.ceil(x.max() + 0.3)
    step = next(s for s in (5, 10, 20, 50, 100, 200) if y.max() / s <= 5 or s == 200)
    y1 = step * np.ceil(1.08 * y.max() / step)

    def px(v: Any) -> Any:
        return left + (width - left - right) * (v - x0) / (x1 - x0)

    def py(v: Any) -> Any:
        return height - bottom - (height - bottom - top) * v / y1

    off_x, off_y = np.nan_to_num(x_se), np.nan_to_num(y_se)
    places = {"x": px(x), "left": px(x - off_x), "right": px(x + off_x)}
    places |= {"y": py(y), "high": py(y + off_y), "low": py(np.maximum(y - off_y, 0))}
    marks = pd.DataFrame(places).map(lambda place: round(float(place), 1)).to_dict("records")
    every_x = np.arange(x0, x1 + 0.1, 0.5 if x1 - x0 <= 4 else 1)
    return {
        "width": width, "height": height, "left": left, "base": height - bottom, "top": top,
        "end": width - right, "marks": marks,
        "ticks_x": [(round(float(px(v)), 1), f"{v:g}") for v in every_x],
        "ticks_y": [(round(float(py(v)), 1), f"{v:.0f}") for v in np.arange(0, y1 + 0.1, step)],
        "middle_x": round(float(px(np.median(x))), 1), "middle_y": round(float(py(np.median(y))), 1),
    }  # fmt: skip


def steps(notes: pd.DataFrame) -> dict[str, Any]:
    """Return how the notes lie about the tempered scale at the tuning used, counted in 5 cents."""
    cents = notes.loc[notes["duration_s"] >= TELLING_S, "pitch_cents"].dropna().to_numpy(float)
    if not len(cents):
        return {}
    edges = np.arange(-50, 51, 5)
    counts, _ = np.histogram(np.clip(cents, -49.9, 49.9), edges)
    width, height, left, base = 520, 150, 52, 116
    step = (width - left - 14) / len(counts)
    return {
        "width": width,
        "height": height,
        "base": base,
        "bars": [
            {
                "x": round(left + i * step + 1, 1),
                "width": round(step - 2, 1),
                "y": round(base - 96 * c / counts.max(), 1),
                "height": round(96 * c / counts.max(), 1),
                "words": f"{edges[i]} to {edges[i + 1]} cents: {plural(int(c), 'note')}",
            }
            for i, c in enumerate(counts)
        ],
        "ticks": [
            (round(left + (c + 50) / 5 * step, 1), f"{c:+d}" if c else "0") for c in (-50, -25, 0, 25, 50)
        ],
        "left": left,
        "end": width - 14,
        "most": int(counts.max()),
    }
