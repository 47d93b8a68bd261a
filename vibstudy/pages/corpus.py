"""The corpus page: a strip of all recordings for each measure, and the list of recordings.

Each point is one recording, its figures those of the frame of results
(:mod:`vibstudy.figures.quantities`): means of rate and extent over its usable notes with vibrato, the
share of its notes long enough to tell that have vibrato, of all its notes those that can be used. Rows of
a strip are decades, or players where decades are missing; marker and colour tell the region (house style:
told by shape as well as by colour). Points that would cover each other are moved up or down.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from vibstudy.figures.quantities import of_kind, quantities
from vibstudy.figures.style import looks
from vibstudy.pages.trust import used_words

WIDTH, LEFT, RIGHT, TOP, BOTTOM = 1200, 96, 24, 10, 40
LANE, RADIUS = 44, 5.5
_MOST_GROUPS = 6

MEASURES: tuple[tuple[str, str, float], ...] = (
    ("rate_hz", "Rate (Hz)", 1.0),
    ("extent_cents", "Extent (± cents, half of peak-to-peak)", 5.0),
    ("vibrato_share", "Share of notes with vibrato", 1.0),
    ("vibrato_onset_s", "Onset delay (s)", 0.2),
    ("intensity_depth_db", "Intensity depth (± dB, half of peak-to-peak)", 1.0),
    ("tuning_hz", "A4 as it sounds (Hz)", 5.0),
    ("snr_db", "Line above noise and other players (dB)", 5.0),
    ("trusted", "Share of notes that can be used", 1.0),
)
"""A column, its words, and the least span of its axis: a smaller difference is not heard, or is chance."""

_OUTLINES: dict[str, list[tuple[float, float]]] = {
    "^": [(0, -1.2), (1.1, 0.8), (-1.1, 0.8)],
    "v": [(0, 1.2), (1.1, -0.8), (-1.1, -0.8)],
    "D": [(0, -1.25), (1.1, 0), (0, 1.25), (-1.1, 0)],
    "P": [
        *((-0.4, -1.1), (0.4, -1.1), (0.4, -0.4), (1.1, -0.4), (1.1, 0.4), (0.4, 0.4)),
        *((0.4, 1.1), (-0.4, 1.1), (-0.4, 0.4), (-1.1, 0.4), (-1.1, -0.4), (-0.4, -0.4)),
    ],
}
_STAR = [(0, -1.2), (0.4, -0.4), (1.2, 0), (0.4, 0.4), (0, 1.2), (-0.4, 0.4), (-1.2, 0), (-0.4, -0.4)]
"""Outlines of markers, in radii; every other marker is a star."""
_SHARES = {"vibrato_share", "trusted"}


@dataclass(frozen=True, eq=False)
class Strip:
    """One measure, all recordings; coordinates in the drawing's own units."""

    title: str
    height: int
    lanes: list[tuple[float, str]]
    ticks: list[tuple[float, str]]
    marks: list[dict[str, Any]]


@dataclass(frozen=True, eq=False)
class CorpusPage:
    """Content of the corpus page."""

    lane_name: str
    group_name: str
    legend: list[dict[str, Any]]
    strips: list[Strip]
    table: list[dict[str, Any]]


def recording_figures(recordings: pd.DataFrame, notes: pd.DataFrame) -> pd.DataFrame:
    """Return one row a recording with the measures of the strips.

    Parameters
    ----------
    recordings : DataFrame
        One row a recording, with the manifest's columns.
    notes : DataFrame
        The note table.
    """
    frame = of_kind(quantities(notes, recordings, tags=()), "recording").set_index("name")
    out = recordings.drop(columns=[*FROM_FRAME, "used"], errors="ignore").reset_index(drop=True)
    ids = out["recording_id"].astype(str)
    for name, quantity in FROM_FRAME.items():
        values = frame[quantity] if quantity in frame else pd.Series(dtype=float)
        out[name] = ids.map(values).astype(float)
    out["vibrato_share"] /= 100
    out["trusted"] = out["usable_notes"] / out["count"].where(out["count"] > 0)
    own = dict(list(notes.groupby(notes["recording_id"].astype(str))))
    out["used"] = [used_words(own.get(name, notes.iloc[:0])) for name in ids]
    return out.assign(count=out["count"].fillna(0).astype(int))


FROM_FRAME = {
    "rate_hz": "rate_hz", "extent_cents": "extent_cents", "vibrato_onset_s": "vibrato_onset_s",
    "intensity_depth_db": "intensity_depth_db", "vibrato_share": "share_with_vibrato", "snr_db": "snr_db",
    "tuning_hz": "tuning_hz", "count": "notes", "usable_notes": "notes_usable",
}  # fmt: skip
"""Measures of the page, and the quantities they are."""


def corpus_page(recordings: pd.DataFrame, notes: pd.DataFrame) -> CorpusPage:
    """Return the content of the corpus page."""
    figures = recording_figures(recordings, notes)
    lane = next((name for name in ("decade", "year", "player") if _filled(figures, name)), "recording_id")
    group = next((name for name in ("region", "player") if _filled(figures, name) and name != lane), None)
    figures["lane"] = figures[lane].map(_words)
    figures["group"] = figures[group].map(_words) if group else ""
    common = figures["group"].value_counts().index[:_MOST_GROUPS]
    figures["group"] = figures["group"].where(figures["group"].isin(common), "others")
    styles = looks(sorted(figures["group"].unique(), key=lambda name: (name == "others", name)))
    legend = [
        {"name": name, "colour": look.colour, "shape": shape(look.marker, 8, 8, RADIUS)}
        for name, look in styles.items()
        if name
    ]
    order = sorted(figures[lane].dropna().unique(), key=lambda value: (str(type(value)), value))
    lanes = [_words(value) for value in order]
    strips = [
        _strip(figures.dropna(subset=[name]), name, title, least, lanes, styles)
        for name, title, least in MEASURES
        if figures[name].notna().any()
    ]
    table = figures.sort_values(["lane", "recording_id"]).to_dict("records")
    return CorpusPage(lane.replace("_", " "), (group or "").replace("_", " "), legend, strips, [
        _table_row(row) for row in table
    ])  # fmt: skip


def _filled(frame: pd.DataFrame, name: str) -> bool:
    return name in frame and bool(frame[name].notna().any())


def _words(value: Any) -> str:
    if pd.isna(value):
        return "not given"
    return f"{value:g}" if isinstance(value, (int, float, np.number)) else str(value)


def _strip(
    figures: pd.DataFrame,
    name: str,
    title: str,
    least: float,
    lanes: list[str],
    styles: Mapping[Any, Any],
) -> Strip:
    values = figures[name].to_numpy(float)
    shares = [0.0, 0.25, 0.5, 0.75, 1.0]
    ticks = shares if name in _SHARES else _ticks(float(values.min()), float(values.max()), least)
    low, high = ticks[0], ticks[-1]

    def x(value: float) -> float:
        return round(LEFT + (WIDTH - LEFT - RIGHT) * (value - low) / (high - low), 1)

    places = {lane: TOP + LANE * (i + 0.5) for i, lane in enumerate(lanes)}
    marks = []
    for lane in lanes:
        part = figures[figures["lane"] == lane].sort_values(name)
        at = np.array([x(value) for value in part[name]])
        for row, px, dy in zip(part.to_dict("records"), at, _apart(at), strict=True):
            look, identity = styles[row["group"]], str(row["recording_id"])
            form = shape(look.marker, float(px), round(places[lane] + dy, 1), RADIUS)
            who = " · ".join(_words(row[k]) for k in ("player", "decade", "region") if pd.notna(row.get(k)))
            words = f"{identity} ({who}): {row[name]:.3g}"
            marks.append({"id": identity, "shape": form, "colour": look.colour, "words": words})
    height = TOP + BOTTOM + LANE * len(lanes)
    at_left = [(place, lane) for lane, place in places.items()]
    return Strip(title, height, at_left, [(x(value), f"{value:g}") for value in ticks], marks)


def _ticks(low: float, high: float, least: float) -> list[float]:
    """Round values that span `low` to `high`, and `least` at least; below 0 only where there is something."""
    from matplotlib.ticker import MaxNLocator

    if high - low < least:
        begin = 0.5 * (low + high - least)
        low = begin if low < 0 else max(begin, 0.0)
        high = low + least
    return [
        round(float(value), 10) for value in MaxNLocator(8, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
    ]


def _apart(x: np.ndarray) -> np.ndarray:
    """Return steps up and down so that points at `x` (sorted) do not cover each other."""
    levels = [0.0] + [sign * 0.5 * step * 2 * RADIUS for step in (1, 2, 3) for sign in (-1, 1)]
    last = dict.fromkeys(levels, -np.inf)
    out = np.zeros(len(x))
    for i, place in enumerate(x):
        free = [level for level in levels if place - last[level] > 1.9 * RADIUS]
        near = [other for other in levels if place - last[other] <= 1.9 * RADIUS]
        clear = [level for level in free if all(abs(other - level) >= 1.9 * RADIUS for other in near)]
        out[i] = (clear or free or [min(last, key=last.__getitem__)])[0]
        last[out[i]] = place
    return out


def shape(marker: str, x: float, y: float, r: float) -> dict[str, Any]:
    """Return the SVG element of a marker: its name and attributes."""
    if marker == "o":
        return {"element": "circle", "attributes": {"cx": x, "cy": y, "r": r}}
    if marker == "s":
        side = round(0.9 * r, 1)
        box = {"x": round(x - side, 1), "y": round(y - side, 1), "width": 2 * side, "height": 2 * side}
        return {"element": "rect", "attributes": box}
    outline = _OUTLINES.get(marker, _STAR)
    path = "L".join(f"{x + r * a:.1f} {y + r * b:.1f}" for a, b in outline)
    return {"element": "path", "attributes": {"d": f"M{path}Z"}}


def _table_row(row: Mapping[Any, Any]) -> dict[str, Any]:
    def text(name: str, pattern: str, times: float = 1.0) -> str:
        value = row.get(name)
        return "" if value is None or pd.isna(value) else pattern.format(times * float(value))

    tags = {name: row.get(name) for name in ("player", "decade", "region")}
    return {
        "id": str(row["recording_id"]),
        **{name: "" if pd.isna(value) else _words(value) for name, value in tags.items()},
        "notes": str(row["count"]),
        "trusted": str(row["used"]),
        "share": text("vibrato_share", "{:.0f} %", 100),
        "rate": text("rate_hz", "{:.2f}"),
        "extent": text("extent_cents", "{:.1f}"),
        "tuning": text("tuning_hz", "{:.1f}"),
    }
