"""What the page of one recording shows: its sound and line, its medium, its notes, and how far to trust it.

Everything is plain data for the template ``recording.html``: texts (escaped there), and points of drawings
in the drawing's own units. The sound is drawn as rows of :data:`ROW_S` seconds, longer where there would
be more than :data:`MOST_ROWS`, so that a page of an hour weighs no more than one of eight minutes.

How far to trust it
-------------------
Of the notes of at least :data:`TELLING_S` and not too short to tell, the share that is ``usable``: most
(:data:`MOST` and more), part (:data:`PART` and more), or few. The limits are ours; the share is printed.
"""

from __future__ import annotations

import base64
import io
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.figures.data import plural
from vibstudy.figures.recording import note_name
from vibstudy.schema import HARMLESS, QUALITY_REASONS, reasons_of
from vibstudy.sound.media import MediaFindings
from vibstudy.sound.room import Room
from vibstudy.stats.selection import is_usable
from vibstudy.units import to_cents

ROW_S = 20.0
MOST_ROWS = 24
TELLING_S = 0.3
MOST, PART = 0.8, 0.5

WIDTH, LEFT, RIGHT = 1200, 54, 10
SOUND_TOP, SOUND_HEIGHT = 6, 176
LANE_TOP, LANE_HEIGHT = 194, 84
ROW_HEIGHT = 306
"""A row, in its own units: the sound above, each note about its own mean below."""

_PIXELS = (1136, 176)
_SHOWN_DB = 60.0
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


@dataclass(frozen=True, eq=False)
class RecordingPage:
    """Content of one recording's page.

    Parameters
    ----------
    name : str
        recording_id.
    tags : dict of str to str
        The manifest's cells.
    verdict : str
        Most, part or few of the notes can be used.
    doubts : list of str
        Sentences on how far to trust the figures.
    cards : list of (str, str)
        A figure and what it is.
    rows : list of Row
    missing_sound : str
        Why the sound could not be drawn; "" when it was.
    medium, tuning, wow : list of str
        Sentences.
    scatter, steps : dict
        Drawings: rate against extent, and notes about the tempered scale.
    measured, rejected : list of dict
        Rows of the two tables of notes.
    """

    name: str
    tags: dict[str, str]
    verdict: str
    doubts: list[str]
    cards: list[tuple[str, str]]
    rows: list[Row]
    missing_sound: str
    medium: list[str]
    tuning: list[str]
    wow: list[str]
    room: list[str]
    scatter: dict[str, Any]
    steps: dict[str, Any]
    measured: list[dict[str, str]]
    rejected: list[dict[str, str]]
    expected: list[dict[str, str]] = field(default_factory=list)


# --- how far to trust it


def usable(notes: pd.DataFrame) -> pd.Series:
    """Return which notes' figures count, boolean [shape=(n,)]."""
    heard = notes["reviewed"].fillna("auto").ne("rejected").astype(bool)
    return heard & is_usable(notes)


def trusted_share(notes: pd.DataFrame) -> float:
    """Return the share of usable notes among those long enough to tell; NaN without any."""
    long = notes[telling(notes)]
    return float(usable(long).mean()) if len(long) else float("nan")


def telling(notes: pd.DataFrame) -> pd.Series:
    """Return which notes are long enough to tell, boolean [shape=(n,)]."""
    short = notes["quality"].fillna("ok").astype(str).str.contains("too_short")
    long = (notes["duration_s"] >= TELLING_S) & ~short & notes["note_kind"].fillna("note").eq("note")
    return long.fillna(False).astype(bool)


def verdict_words(share: float) -> str:
    """Say in a line how much of a recording can be used."""
    if not np.isfinite(share):
        return "There is no note long enough to measure."
    if share >= MOST:
        return "Most of its notes can be used."
    return "Part of its notes can be used." if share >= PART else "Few of its notes can be used."


def doubts(recording: Mapping[str, Any], notes: pd.DataFrame) -> list[str]:
    """Return sentences on what to mind before using this recording's figures."""
    said = []
    share = trusted_share(notes)
    if np.isfinite(share):
        said.append(
            f"{100 * share:.0f} % of the notes long enough to tell can be used, with their errors; the "
            "others are listed below with the reason, and figures and models leave them out."
        )
    counted = Counter(word for cell in notes["quality"] for word in reasons_of(cell) if word not in HARMLESS)
    for word, count in counted.most_common(3):
        said.append(f"{plural(count, 'note')}: {QUALITY_REASONS.get(word, word)}.")
    used = notes[usable(notes)]
    low, high = (used[name].astype(float).median() for name in ("rate_low_hz", "rate_high_hz"))
    if np.isfinite(low) and np.isfinite(high) and high - low > 0.005:
        said.append(
            f"Its true speed is not known. Over the speeds plausible for this medium the median rate could "
            f"be anything from {low:.2f} to {high:.2f} Hz; the extent does not depend on the speed."
        )
    snr = used["snr_db"].astype(float).median()
    if np.isfinite(snr) and snr < 15:
        said.append(
            f"The line stands only {snr:.0f} dB above noise and other players: standard errors are larger."
        )
    if _number(recording, "wow_hz") is not None:
        said.append("The disc or tape sways; the sway was taken out before vibrato was measured.")
    if (_number(recording, "high_edge_hz") or np.inf) < 2500:
        said.append("Its upper harmonics are missing: timbre and intensity figures say little.")
    return said


# --- the sound, row by row


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


def picture(samples: np.ndarray, rate_hz: float, seconds: float, span_hz: tuple[float, float]) -> str:
    """Return the spectrogram of a row as a data URI: dark is loud, frequency upwards on a log axis."""
    from PIL import Image
    from scipy.signal import ShortTimeFFT
    from scipy.signal.windows import hann

    width, height = _PIXELS
    size = int(_FFT_S * rate_hz)
    samples = np.pad(samples, (0, max(0, round(seconds * rate_hz) - len(samples))))
    hop = max(len(samples) // width, 1)
    analysis = ShortTimeFFT(hann(size), hop=hop, fs=rate_hz, mfft=4 * size)
    first = int(np.searchsorted(analysis.f, span_hz[0] / 1.2))
    power = analysis.spectrogram(samples)[first:, : width + 1]
    rows = np.geomspace(span_hz[1], span_hz[0], height)
    at = np.clip(np.searchsorted(analysis.f[first:], rows), 0, len(power) - 1)
    level = 10 * np.log10(power[at] + 1e-12)
    top = np.quantile(level, 0.998)
    dark = np.clip((level - top) / _SHOWN_DB + 1, 0, 1) ** 1.6
    grey = np.round((1 - 0.82 * dark) * (_GREYS - 1)) / (_GREYS - 1)
    packed = io.BytesIO()
    Image.fromarray(np.uint8(255 * grey)).quantize(_GREYS).save(packed, "PNG", optimize=True)
    return f"data:image/png;base64,{base64.b64encode(packed.getvalue()).decode('ascii')}"


def draw_row(
    samples: np.ndarray | None,
    rate_hz: float,
    start_s: float,
    seconds: float,
    line: pd.DataFrame,
    notes: pd.DataFrame,
    span_hz: tuple[float, float],
    reach_cents: float,
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
    """
    end_s = start_s + seconds

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
        if at < len(pitch) and np.isfinite(pitch[at]):
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
            }
        )
    second = next(size for size in (1, 2, 5, 10, 20, 50, 100, 200, 500) if seconds / size <= 20)
    return Row(
        start_s=start_s,
        image=picture(samples, rate_hz, seconds, span_hz) if samples is not None else "",
        line=drawn,
        lanes=lanes,
        notes=boxes,
        ticks_s=[
            (round(float(x(t)), 1), _clock(t))
            for t in np.arange(np.ceil(start_s / second) * second, end_s, second)
        ],
        ticks_hz=[
            (round(float(y_hz(f)), 1), f"{f:g}")
            for f in _TICKS_HZ
            if span_hz[0] * 1.1 < f < span_hz[1] / 1.05
        ],
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


# --- tables and small drawings


def reason_words(quality: Any) -> str:
    """Say the reasons of a ``quality`` cell in words."""
    return "; ".join(QUALITY_REASONS.get(word, word) for word in reasons_of(quality)) or "nothing against it"


def note_rows(notes: pd.DataFrame) -> Iterator[tuple[bool, dict[str, str]]]:
    """Yield each note as texts for the table, and whether it is usable."""
    fine = usable(notes)
    for number, (sure, note) in enumerate(zip(fine, notes.to_dict("records"), strict=True), start=1):
        heard = note["has_vibrato"]
        kind = note.get("note_kind")
        yield (
            bool(sure),
            {
                "number": str(number),
                "at": f"{int(note['onset_s'] // 60)}:{note['onset_s'] % 60:04.1f}",
                "name": note_name(note["midi"]) if pd.notna(note["midi"]) else "",
                "duration": _text(note["duration_s"], 2),
                "vibrato": (str(kind) if pd.notna(kind) and kind != "note" else "not known")
                if pd.isna(heard)
                else ("yes" if heard else "none"),
                "rate": _with_error(note["rate_hz"], note["rate_se_hz"], 2),
                "extent": _with_error(note["extent_cents"], note["extent_se_cents"], 1),
                "delay": _text(note["vibrato_onset_s"], 2),
                "snr": _text(note["snr_db"], 0),
                "why": "rejected by ear" if note["reviewed"] == "rejected" else reason_words(note["quality"]),
            },
        )


def expected_words(cell: Mapping[Any, Any]) -> dict[str, str]:
    """Return a row of the table of what to expect, as texts."""
    return {
        "extent": f"{cell['extent_cents']:g}",
        "found": f"{100 * cell['found']:.0f} %",
        "bias": "" if pd.isna(cell["extent_bias_cents"]) else f"{cell['extent_bias_cents']:+.1f}",
        "error": _text(cell["extent_error_cents"], 1),
        "rate_error": _text(cell["rate_error_hz"], 2),
    }


def scatter(notes: pd.DataFrame) -> dict[str, Any]:
    """Return the drawing of rate against extent, one point a note that can be used, with its errors."""
    used = notes[usable(notes) & notes["has_vibrato"].fillna(False).astype(bool)]
    used = used[used["rate_hz"].notna() & used["extent_cents"].notna()]
    return _plane(
        used["rate_hz"].to_numpy(float),
        used["extent_cents"].to_numpy(float),
        used["rate_se_hz"].to_numpy(float),
        used["extent_se_cents"].to_numpy(float),
    )


def _plane(x: np.ndarray, y: np.ndarray, x_se: np.ndarray, y_se: np.ndarray) -> dict[str, Any]:
    width, height, left, bottom, top, right = 520, 300, 52, 42, 12, 14
    if not len(x):
        return {}
    x0, x1 = np.floor(x.min() - 0.3), np.ceil(x.max() + 0.3)
    step = next(s for s in (5, 10, 20, 50, 100, 200) if y.max() / s <= 5 or s == 200)
    y1 = step * np.ceil(1.08 * y.max() / step)

    def px(v: Any) -> Any:
        return left + (width - left - right) * (v - x0) / (x1 - x0)

    def py(v: Any) -> Any:
        return height - bottom - (height - bottom - top) * v / y1

    marks = [
        {
            "x": round(float(px(a)), 1),
            "y": round(float(py(b)), 1),
            "left": round(float(px(a - da)), 1),
            "right": round(float(px(a + da)), 1),
            "high": round(float(py(b + db)), 1),
            "low": round(float(py(max(b - db, 0))), 1),
        }
        for a, b, da, db in zip(x, y, np.nan_to_num(x_se), np.nan_to_num(y_se), strict=True)
    ]
    return {
        "width": width,
        "height": height,
        "left": left,
        "base": height - bottom,
        "top": top,
        "end": width - right,
        "marks": marks,
        "ticks_x": [
            (round(float(px(v)), 1), f"{v:g}") for v in np.arange(x0, x1 + 0.1, 0.5 if x1 - x0 <= 4 else 1)
        ],
        "ticks_y": [(round(float(py(v)), 1), f"{v:.0f}") for v in np.arange(0, y1 + 0.1, step)],
        "middle_x": round(float(px(np.median(x))), 1),
        "middle_y": round(float(py(np.median(y))), 1),
    }


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


# --- sentences


def medium_words(recording: Mapping[str, Any]) -> list[str]:
    """Say what was found about the medium, from the recording's row."""
    names = (
        "low_edge_hz high_edge_hz noise_db noise_tilt_db_per_octave programme_db hum_hz hum_db clicks_per_s "
        "clipped_fraction clipped_runs_per_s codec_cutoff_hz dc"
    )
    figures = {name: _number(recording, name) for name in names.split()}
    known = {name: np.nan if value is None else value for name, value in figures.items()}
    channel = recording.get("channel")
    found = MediaFindings(
        channel=str(channel) if pd.notna(channel) else "not known",
        hum_lines_hz=(),
        noise_freqs_hz=np.empty(0),
        noise_density=np.empty(0),
        **known,
    )
    tilt = known["noise_tilt_db_per_octave"]
    more = [f"The noise tilts by {tilt:+.0f} dB an octave (white noise: 0)."] if np.isfinite(tilt) else []
    return found.sentences() + more


def tuning_words(recording: Mapping[str, Any]) -> list[str]:
    """Say both readings of the tuning, and what is known of the speed."""
    words = recording.get("tuning_words")
    said = [str(words)] if pd.notna(words) and str(words) else []
    tuning = _number(recording, "tuning_hz")
    if not said and tuning is not None:
        said = [f"Notes are named at A4 = {tuning:.1f} Hz ({recording.get('tuning_source')})."]
    factor = _number(recording, "speed_factor")
    if factor is not None and factor != 1:
        said.append(
            f"The manifest says that the file plays at {factor:g} of its true speed; pitch, rates and times "
            "are corrected for it."
        )
    return said


def wow_words(recording: Mapping[str, Any]) -> list[str]:
    """Say whether the speed sways."""
    rate, depth, weighted = (
        _number(recording, name) for name in ("wow_hz", "wow_percent", "wow_weighted_percent")
    )
    if rate is None or depth is None:
        return ["No sway common to all notes was found."]
    said = [f"All notes sway together by ± {depth:.2f} % at {rate:.3f} Hz; it was taken out."]
    if weighted is not None:
        said.append(
            f"Weighted after the shape of IEC 60386 (the table is from memory, so about): ± {weighted:.2f} %."
        )
    return said


def room_words(recording: Mapping[str, Any]) -> list[str]:
    """Say what is known of the room."""
    return Room.from_columns(recording).sentences()


def cards(recording: Mapping[str, Any], notes: pd.DataFrame) -> list[tuple[str, str]]:
    """Return the few figures at the head of the page."""
    fine = notes[usable(notes)]
    with_vibrato = fine[fine["has_vibrato"].fillna(False).astype(bool)]
    out = [(f"{len(notes):,}", "notes found"), (f"{len(with_vibrato):,}", "usable notes with vibrato")]
    if len(with_vibrato):
        out.append((f"{with_vibrato['rate_hz'].median():.2f} Hz", "median rate"))
        out.append((f"± {with_vibrato['extent_cents'].median():.0f} cents", "median extent"))
    tuning = _number(recording, "tuning_hz")
    if tuning is not None:
        out.append((f"{tuning:.1f} Hz", "A4 as it sounds"))
    return out


def tags_of(recording: Mapping[str, Any], manifest_columns: list[str]) -> dict[str, str]:
    """Return the manifest's cells that are filled, as texts."""
    out = {}
    for name in manifest_columns:
        value = recording.get(name)
        if name in ("recording_id", "audio_path", "manifest_row", "path", "exclude") or pd.isna(value):
            continue
        whole = isinstance(value, float) and value.is_integer()
        out[name.replace("_", " ")] = str(int(value)) if whole else str(value)
    return out


def _number(recording: Mapping[str, Any], name: str) -> float | None:
    value = recording.get(name)
    return None if value is None or pd.isna(value) else float(value)


def _text(value: Any, decimals: int) -> str:
    return "" if pd.isna(value) else f"{float(value):.{decimals}f}"


def _with_error(value: Any, error: Any, decimals: int) -> str:
    if pd.isna(value):
        return ""
    text = _text(value, decimals)
    return text if pd.isna(error) else f"{text} (s.e. {float(error):.{decimals}f})"
