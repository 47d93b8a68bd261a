r"""A note as it is drawn: its ribbon, its folded cycles, its straightened spectrum, its place on a staff.

Ribbon
    Pitch in cents re the note's reference; thickness is loudness as a share of the note's loudest moment,
    10 dB counting twice (Stevens 1955, J. Acoust. Soc. Am. 27:815-829); shade is brightness, the centroid
    of the harmonics in octaves above the fundamental (:func:`vibstudy.vibrato.level.centroid_cents`), re
    the note's own median.
Folded cycles
    The line less its running mean over one cycle, cut into cycles of the one length that the measured rate
    gives and laid over each other. The running mean of a whole cycle holds none of the vibrato, whatever
    its shape. Cycles that keep the rate fall on one another; a rate that strays, or an extent that changes,
    opens the bundle, and the mean cycle is then narrower than the mean extent.
Straightened spectrum
    A band of neighbouring harmonics, each at its own brightness, as played and with the movement of the
    line taken out (:func:`vibstudy.pitch.straighten.straightened_sound`): straight where the line is right.
Staff
    Where written music would place the sounding pitch: steps from the bottom line, G clef from middle C up,
    F clef below.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.lib.stride_tricks import sliding_window_view
from scipy.fft import next_fast_len, rfft

from vibstudy.corpus.entries import number_of
from vibstudy.decisions.phrase import Measured, Phrase
from vibstudy.figures.recording import NOTE_NAMES, note_name
from vibstudy.pitch.refine import NoteLine
from vibstudy.pitch.straighten import straightened_sound
from vibstudy.sound.writing import fades
from vibstudy.units import to_cents, to_midi
from vibstudy.vibrato.level import centroid_cents
from vibstudy.vibrato.realised import VibratoFit

MOST_POINTS = 1200
"""Points of a curve: more than the pixels of a wide screen tell nothing."""
POINTS_IN_CYCLE = 64
"""Points of a folded cycle: a triangle's corner is cut by less than 2 % of its height."""
SPECTRUM = (132, 320)
"""Rows and columns of each of the two spectra."""
HARMONICS_SHOWN = 6
HIGHEST_HARMONIC = 12
CARRIED = 0.95
"""The band ends where the harmonics up to there carried this share of the weight in the pitch."""
SHADED_DB = 35.0
"""From a harmonic's strongest place to paper."""
_WINDOW_S = 0.06
"""A window of the spectrum: less than half of the shortest cycle, and three periods of the lowest note."""

_STEPS = (0, 0, 1, 2, 2, 3, 3, 4, 5, 5, 6, 6)
_BOTTOM = {"G": 7 * 4 + 2, "F": 7 * 2 + 4}
"""Steps from C0 to the bottom line of each clef: E4 and G2."""
_MIDDLE_C = 60


# --- the ribbon


def loudness_share(level_db: np.ndarray) -> np.ndarray:
    """Loudness as a share of the loudest moment [shape=(n,), range 0..1]: 10 dB less is half as loud."""
    level = np.where(np.isfinite(level_db), level_db, -np.inf)
    loudest = level.max(initial=-np.inf)
    return 2.0 ** ((level - loudest) / 10.0) if np.isfinite(loudest) else np.zeros(len(level))


def ribbon(line: NoteLine, start_s: float) -> dict[str, list[float | None]]:
    """The note's ribbon.

    Parameters
    ----------
    line : NoteLine
        On the clock of the phrase.
    start_s : float
        First sample of the phrase, on the clock of the note table.

    Returns
    -------
    dict of lists
        ``t`` (s), ``cents``, ``loud`` (0..1), ``bright`` (octaves re the note's median).
    """
    step = max(1, -(-len(line.time_s) // MOST_POINTS))
    octaves = centroid_cents(line.harmonic_db) / 1200.0
    return {
        "t": rounded(start_s + line.time_s[::step], 4),
        "cents": rounded(line.cents[::step], 2),
        "loud": rounded(loudness_share(line.level_db)[::step], 3),
        "bright": rounded((octaves - np.nanmedian(octaves))[::step], 3),
    }


def around(phrase: Phrase, reference_hz: float) -> dict[str, list[float | None]]:
    """The soloist's line in the whole phrase as it was found at first: ``t``, ``cents``."""
    contour = phrase.contour
    cents = np.where(
        contour.voiced, to_cents(np.where(contour.voiced, contour.f0_hz, 1.0), reference_hz), np.nan
    )
    return {"t": rounded(phrase.start_s + contour.time_s, 3), "cents": rounded(cents, 1)}


def fitted(fit: VibratoFit, onset_s: float) -> dict[str, list[float | None]]:
    """The fitted pitch while vibrato lasts: ``t``, ``cents``."""
    inside = np.flatnonzero((fit.time_s >= fit.start_s) & (fit.time_s <= fit.end_s))
    inside = inside[:: max(1, -(-len(inside) // MOST_POINTS))]
    return {"t": rounded(onset_s + fit.time_s[inside], 4), "cents": rounded(fit.curve_cents[inside], 2)}


def rounded(values: np.ndarray, places: int) -> list[float | None]:
    """Numbers for the page; None where there is none."""
    return [round(float(v), places) if np.isfinite(v) else None for v in values]


# --- folded cycles


@dataclass(frozen=True, eq=False)
class Folded:
    """All whole cycles of a note, laid over each other at the measured rate.

    Parameters
    ----------
    each : ndarray [shape=(cycles, POINTS_IN_CYCLE)]
        Cents about the running mean; a cycle begins where the mean cycle rises through it.
    mean, sd : ndarray [shape=(POINTS_IN_CYCLE,)]
        Mean, and standard deviation from cycle to cycle (missing with one cycle).
    rate_hz : float
        What they were folded at.
    """

    each: np.ndarray
    mean: np.ndarray
    sd: np.ndarray
    rate_hz: float

    @property
    def extent_cents(self) -> float:
        """HALF of peak-to-peak of the mean cycle."""
        return 0.5 * float(np.ptp(self.mean))

    @property
    def openness_cents(self) -> float:
        """How far the bundle opens: root mean square of the spread."""
        return float(np.sqrt(np.mean(self.sd**2)))


def fold(line: NoteLine, start_s: float, end_s: float, rate_hz: float) -> Folded | None:
    """Fold a line at a rate; None when no whole cycle is left.

    Parameters
    ----------
    line : NoteLine
        The note.
    start_s, end_s : float
        Where vibrato lasts, on the clock of `line`.
    rate_hz : float > 0
        Cycles a second.
    """
    period = 1.0 / rate_hz
    start, end = max(start_s, line.time_s[0]), min(end_s, line.time_s[-1])
    if not end - start >= period:
        return None
    middle = line.time_s[
        (line.time_s >= line.time_s[0] + period / 2) & (line.time_s <= line.time_s[-1] - period / 2)
    ]
    if len(middle) < 2:
        return None
    # the integral's values belong to the frames, so the difference over a cycle is the cycle's mean
    ahead, behind = (np.interp(middle + way * period / 2, line.time_s, line.integral) for way in (1, -1))
    swing = line.cents - np.interp(line.time_s, middle, (ahead - behind) / period)
    inside = (line.time_s >= start) & (line.time_s <= end)
    turning = np.exp(-2j * np.pi * rate_hz * (line.time_s[inside] - start))
    phase = np.angle(np.sum(swing[inside] * turning))  # swing ~ cos(2 pi rate (t - start) + phase)
    first = (-0.5 * np.pi - phase) / (2.0 * np.pi) % 1.0 * period  # there it rises through its middle
    cycles = int((end - start - first) * rate_hz + 1e-9)
    if cycles < 1:
        first, cycles = 0.0, int((end - start) * rate_hz + 1e-9)
    share = np.arange(POINTS_IN_CYCLE) / POINTS_IN_CYCLE
    at = start + first + (np.arange(cycles)[:, None] + share) * period
    each = np.interp(at, line.time_s, swing)
    sd = each.std(axis=0, ddof=1) if cycles > 1 else np.full(POINTS_IN_CYCLE, np.nan)
    return Folded(each, each.mean(axis=0), sd, rate_hz)


def folded(measured: Measured) -> dict[str, Any] | None:
    """The folded cycles of a measured note for the page; None where there is no vibrato."""
    line, fit = measured.line, measured.fit
    if line is None or fit is None:
        return None
    found = fold(line, line.onset_s + fit.start_s, line.onset_s + fit.end_s, fit.rate_hz)
    if found is None:
        return None
    return {
        "each": [rounded(cycle, 1) for cycle in found.each],
        "mean": rounded(found.mean, 2),
        "sd": rounded(found.sd, 2),
        "rate_hz": found.rate_hz,
        "words": cycle_words(found, fit),
    }


def cycle_words(found: Folded, fit: VibratoFit) -> list[str]:
    """What is to be read off the folded cycles, in lines."""
    count = len(found.each)
    pure = "sine" if fit.waveform < 1 / 3 else "triangle" if fit.waveform > 2 / 3 else ""
    shape = pure or "between sine and triangle"
    lines = [
        f"{count} {'cycle' if count == 1 else 'cycles'} at {fit.rate_hz:.2f} Hz",
        f"mean cycle ± {found.extent_cents:.1f} cents",
    ]
    if count > 1:
        lines.append(f"opens by {found.openness_cents:.1f} cents")
    return [*lines, f"shape: {shape}"]


# --- the straightened spectrum


def harmonics_shown(line: NoteLine, rate_hz: float) -> tuple[int, int]:
    """First and last harmonic of the band shown: of those that told the pitch the highest sway most."""
    carried = np.cumsum(line.weight[:HIGHEST_HARMONIC]) / max(
        float(line.weight[:HIGHEST_HARMONIC].sum()), 1e-12
    )
    last = max(int(np.searchsorted(carried, CARRIED)) + 1, min(HARMONICS_SHOWN, len(line.weight)))
    while last > 1 and (last + 0.5) * line.reference_hz >= 0.5 * rate_hz:
        last -= 1
    return max(1, last - HARMONICS_SHOWN + 1), last


def spectra(phrase: Phrase, line: NoteLine) -> tuple[bytes, dict[str, Any]]:
    """The note's harmonics as played, and with the vibrato taken out.

    Returns
    -------
    pixels : bytes
        Two pictures of :data:`SPECTRUM`, one after the other; the first row is the highest frequency, 255
        the strongest place of each harmonic's own band.
    about : dict
        ``rows, columns, first, last`` (harmonics).
    """
    rate = phrase.audio.rate_hz
    first, last = harmonics_shown(line, rate)
    a, b = (max(0, round(t * rate)) for t in (line.time_s[0], line.time_s[-1]))
    straight = straightened_sound(phrase.audio.samples, rate, line.time_s, line.f0_hz)
    pictures = [
        _bands(sound * fades(len(sound), rate, 0.5 * _WINDOW_S), rate, line.reference_hz, first, last)
        for sound in (phrase.audio.samples[a : b + 1], straight)
    ]
    about = {"rows": SPECTRUM[0], "columns": SPECTRUM[1], "first": first, "last": last}
    return b"".join(picture.tobytes() for picture in pictures), about


def _bands(sound: np.ndarray, rate_hz: float, f0_hz: float, first: int, last: int) -> np.ndarray:
    from scipy.ndimage import map_coordinates

    rows, columns = SPECTRUM
    length = max(16, round(_WINDOW_S * rate_hz))
    size = next_fast_len(2 * length, real=True)
    padded = np.pad(np.asarray(sound, np.float32), (length // 2, length))
    starts = (np.linspace(0.5, columns - 0.5, columns) / columns * len(sound)).astype(int)
    frames = sliding_window_view(padded, length)[starts] * np.hanning(length).astype(np.float32)
    level = 10.0 * np.log10(np.abs(rfft(frames, size, axis=1)) ** 2 + 1e-12)
    harmonic = np.linspace(last + 0.5, first - 0.5, rows)
    at = np.meshgrid(np.arange(columns), harmonic * f0_hz * size / rate_hz)
    shown = map_coordinates(level, at, order=1, mode="nearest")
    nearest = np.clip(np.round(harmonic), first, last)
    for k in range(first, last + 1):
        shown[nearest == k] -= shown[nearest == k].max()
    return np.clip(255.0 * (1.0 + shown / SHADED_DB), 0, 255).astype(np.uint8)


# --- the staff


def staff(
    notes: pd.DataFrame, here: str, span: tuple[float, float], decided: Collection[str]
) -> dict[str, Any]:
    """Notes of a phrase on a staff.

    Parameters
    ----------
    notes : DataFrame
        Notes of the recording: ``note_id, onset_s, offset_s, pitch_hz, midi, reviewed``.
    here : str
        The note that is being looked at.
    span : tuple of float
        The phrase, in s.
    decided : collection of str
        Notes that somebody decided on.

    Returns
    -------
    dict
        ``clef`` (G or F), ``notes``: each ``on, off`` (s), ``step`` (from the bottom line, upwards), ``sign``
        (♯, ♭ or ""), ``name``, ``decided``, ``out`` (left out), ``here``.
    """
    near = notes[(notes["offset_s"] > span[0]) & (notes["onset_s"] < span[1])].sort_values("onset_s")
    placed = []
    for row in near.to_dict("records"):
        midi, hertz = number_of(row, "midi"), number_of(row, "pitch_hz")
        if midi is None and hertz is not None and hertz > 0:
            midi = to_midi(hertz)
        if midi is not None:
            placed.append((row, round(midi)))
    if not placed:
        return {"clef": "G", "notes": []}
    clef = "G" if float(np.median([midi for _, midi in placed])) >= _MIDDLE_C else "F"
    return {
        "clef": clef,
        "notes": [
            {
                "on": round(float(row["onset_s"]), 3),
                "off": round(float(row["offset_s"]), 3),
                "step": 7 * (midi // 12 - 1) + _STEPS[midi % 12] - _BOTTOM[clef],
                "sign": NOTE_NAMES[midi % 12][1:],
                "name": note_name(midi),
                "decided": row["note_id"] in decided or row.get("reviewed") not in (None, "auto"),
                "out": row.get("reviewed") == "rejected",
                "here": row["note_id"] == here,
            }
            for row, midi in placed
        ],
    }
