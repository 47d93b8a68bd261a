"""All vibrato figures of one note.

What is decided here
--------------------
* A note spanning fewer than :data:`MIN_CYCLES` cycles of the fastest vibrato cannot tell; a note
  in which no vibrato was found, but in which a slow one would not have had :data:`MIN_CYCLES` cycles,
  cannot tell either. Both are missing, with the reason ``too_short``.
* Vibrato is present when the false-alarm probability is below the level asked for and the extent is
  at least :data:`SMALLEST_EXTENT_CENTS`.
* Rate, extent and the rest are given only for notes with vibrato.

The fusion limit is a rule of thumb (common practice, no source): at 5 Hz about 20 cents, at 8 Hz about
100 cents, straight on a log scale between, held constant outside. Below it vibrato is heard as an
enriched tone rather than as moving pitch.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from vibstudy.pitch.refine import NoteLine
from vibstudy.schema import LIMITS
from vibstudy.threads import one_thread
from vibstudy.units import fusion_limit_cents
from vibstudy.vibrato.detect import Search, detect
from vibstudy.vibrato.direct import of_direct_sound, tells_direct_sound
from vibstudy.vibrato.fit import fit_vibrato
from vibstudy.vibrato.level import (
    centroid_cents,
    harmonic_depth_db,
    in_step,
    is_articulated,
    shared_level_db,
)
from vibstudy.vibrato.noise import Series, thin
from vibstudy.vibrato.realised import VibratoFit

MIN_CYCLES = 2.0
SLOW_RATE_HZ = 4.5
SMALLEST_EXTENT_CENTS = 1.5
SMALLEST_INTENSITY_DB = 0.2
HEARD_DB, HEARD_CENTS = 0.5, 3.0
"""Depths (half of peak-to-peak) from which a modulation of loudness and of pitch is heard at all: half the
differences just noticed, about 1 dB and 6 cents (common practice, no source)."""
DOUBTFUL_P = 0.1
ANYWHERE_ABOVE_DB = 15.0
"""A note that stands out by less may have others beside it, whose entries look like a short vibrato; there
it is looked for in the whole note and its later part only."""
COVERED_SE = 1.35
"""By this the errors of notes that are mostly a room's tail, or others, are larger than their line's noise
says: what these leave in it comes in bursts, and draws (``benchmarks/rooms.py``). The extent's error over its
standard error has a root mean square of 1.5 (262 such notes in rooms beside a piano as loud, and dry beside
piano and strings), of 0.8 in others (136)."""
_SE_COLUMNS = ("rate_se_hz", "extent_se_cents", "extent_first_se_cents")
EDGE_S = 0.04  # attack and release of the level, left out


def pulses_per_beat(rate_hz: float | np.ndarray, tempo_bpm: float | np.ndarray) -> Any:
    """Vibrato cycles to a beat: 288 pulses a minute (4.8 Hz) are four to a beat at 72."""
    return np.asarray(rate_hz) * 60.0 / np.asarray(tempo_bpm)


def _thin_rate_hz(duration_s: float) -> float:
    return 100.0 if duration_s < 1.5 else 64.0  # six values to a cycle of 10 Hz; short notes need each


def pitch_series(line: NoteLine) -> Series:
    """Thinned running integral of the pitch of a note."""
    duration = line.offset_s - line.onset_s
    time_s, values = thin(line.time_s - line.onset_s, line.integral, _thin_rate_hz(duration))
    return Series(time_s, values, True, duration)


def _thin_level(line: NoteLine, levels: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Thinned levels (along the last axis) of the note without its attack and release."""
    time_s = line.time_s - line.onset_s
    duration = line.offset_s - line.onset_s
    inner = slice(*np.searchsorted(time_s, [EDGE_S, duration - EDGE_S]))
    if inner.stop - inner.start < 4:  # nothing left between attack and release
        inner = slice(None)
    return thin(time_s[inner], levels[..., inner], 64.0)  # six values to a cycle of 10 Hz


def level_series(line: NoteLine, level_db: np.ndarray) -> Series:
    """Thinned level of a note, its attack and release left out."""
    return Series(*_thin_level(line, level_db), False, line.offset_s - line.onset_s)


@one_thread
def measure_note(
    line: NoteLine,
    *,
    rate_min_hz: float = 3.0,
    rate_max_hz: float = 10.0,
    false_alarm: float = 0.01,
    tempo_bpm: float | None = None,
) -> tuple[dict[str, Any], VibratoFit | None]:
    """Measure the vibrato of one note.

    Parameters
    ----------
    line : NoteLine
        The note from :func:`vibstudy.pitch.refine.refine_note`.
    rate_min_hz, rate_max_hz : float
        Rates looked for.
    false_alarm : float [range 0..1]
        Level of the test for presence.
    tempo_bpm : float | None
        Beats a minute, for pulses per beat.

    Returns
    -------
    values : dict
        Columns of the note table, with ``quality`` a list of reasons.
    fit : VibratoFit | None
        The fitted vibrato, when there is one.
    """
    values: dict[str, Any] = {"quality": []}
    span = line.offset_s - line.onset_s
    # values at 100 a second
    if span * rate_max_hz < MIN_CYCLES or len(line.time_s) * line.hop_s * 100.0 < 16.0:
        values["quality"].append("too_short")
        return values, None
    series = pitch_series(line)
    if len(series.time_s) < 14:  # as many as the background and a sinusoid have columns, and some
        values["quality"].append("too_short")
        return values, None
    anywhere = line.snr_db > ANYWHERE_ABOVE_DB
    found = detect(series, rate_min_hz, rate_max_hz, anywhere=anywhere, false_alarm=false_alarm)
    values["vibrato_p"] = found.p
    values["extent_limit_cents"] = max(found.limit, SMALLEST_EXTENT_CENTS)
    fit = None
    if found.p < false_alarm:
        part = None if found.usual else (found.start_s, found.end_s)
        time_s = line.time_s - line.onset_s
        fit = fit_vibrato(time_s, line.integral, span, found.rate_hz, found.noise, part, drawn=line.drawn)
        # a tenth beyond what was asked
        if fit is not None and not rate_min_hz * 0.9 <= fit.rate_hz <= rate_max_hz * 1.1:
            fit = None
        # two slow cycles and the drift may undo each other: nothing swings wider than its line
        if fit is not None and fit.first_cents > np.ptp(line.cents):
            fit = None
    values.update(_presence(fit, span))
    if values.get("has_vibrato") is None:
        values["quality"].append("too_short")
    if values.get("has_vibrato"):
        assert fit is not None
        values.update(_pitch_columns(fit, span, tempo_bpm))
        wider = widening(line, fit)
        values.update({name: wider * values[name] for name in _SE_COLUMNS})
        if (fit.end_s - fit.start_s) * fit.rate_hz < LIMITS["few_cycles"]:
            values["quality"].append("few_cycles")
    else:
        fit = None
    values.update(_level_columns(line, fit, rate_min_hz, rate_max_hz, false_alarm))
    values.update(_carried_by(values))
    return values, fit


def _carried_by(values: dict[str, Any]) -> dict[str, Any]:
    """Whether the note vibrates at all, and by what: an air vibrato may be nearly all loudness."""
    pitch, level = values.get("has_vibrato"), values.get("has_intensity_vibrato")
    swells = bool(level) and values.get("intensity_depth_db", 0.0) >= HEARD_DB
    heard = bool(pitch) and not (swells and values["extent_cents"] < HEARD_CENTS)
    columns: dict[str, Any] = {"vibrates": True if swells else pitch}
    if heard or swells:
        columns["vibrato_in"] = "both" if heard and swells else "pitch" if heard else "loudness"
    return columns


def _presence(fit: VibratoFit | None, span_s: float) -> dict[str, Any]:
    if fit is None:
        return {"has_vibrato": False if span_s * SLOW_RATE_HZ >= MIN_CYCLES else None}
    if (fit.end_s - fit.start_s) * fit.rate_hz < MIN_CYCLES - 0.2:  # its ends are known to a fifth of a cycle
        return {"has_vibrato": None}
    return {"has_vibrato": fit.extent_cents >= SMALLEST_EXTENT_CENTS}


def _pitch_columns(fit: VibratoFit, span_s: float, tempo_bpm: float | None) -> dict[str, Any]:
    columns: dict[str, Any] = {
        "rate_hz": fit.rate_hz,
        "rate_se_hz": fit.rate_se_hz,
        "extent_cents": fit.extent_cents,
        "extent_se_cents": fit.extent_se_cents,
        "extent_first_cents": fit.first_cents,
        "extent_first_se_cents": fit.first_se_cents,
        "extent_above_cents": fit.above_cents,
        "extent_below_cents": fit.below_cents,
        "centre_shift_cents": fit.centre_cents - fit.straight_cents,
        "vibrato_onset_s": fit.start_s,
        "vibrato_onset_se_s": fit.start_se_s,
        "vibrato_fraction": (fit.end_s - fit.start_s) / span_s,
        "rate_slope_hz_per_s": fit.rate_slope_hz_per_s,
        "extent_growth_cents_per_s": fit.growth_cents_per_s,
        "rate_irregularity": fit.rate_irregularity,
        "extent_irregularity": fit.extent_irregularity,
        "waveform": fit.waveform,
        "fusion_share": fit.extent_cents / float(fusion_limit_cents(fit.rate_hz)),
    }
    if tempo_bpm is not None and np.isfinite(tempo_bpm):
        columns["pulses_per_beat"] = float(pulses_per_beat(fit.rate_hz, tempo_bpm))
    return columns


def widening(line: NoteLine, fit: VibratoFit) -> float:
    """By how much the standard errors of a straightened note are wider than its fit says; else 1.

    The halves of its harmonics are witnesses: their difference, in step with the vibrato, is one draw (two
    degrees of freedom) of the error of the extent; so is what the course would be with levels that follow it
    (:attr:`NoteLine.reflected`). The fit's own counts as four.

    Parameters
    ----------
    line : NoteLine
        The note.
    fit : VibratoFit
        Its vibrato.
    """
    if not line.straightened:
        return 1.0
    time_s = line.time_s - line.onset_s
    inside = (time_s >= fit.start_s) & (time_s <= fit.end_s)
    turn = np.exp(-1j * np.interp(time_s, fit.time_s, fit.phase_rad))[inside]
    assert line.reflected is not None  # of a straightened note
    # both courses err: a difference has the error of two
    witnesses = np.gradient(line.halves, line.hop_s), line.reflected / np.sqrt(2.0)
    seen = sum(np.abs(2.0 * np.mean(cents[inside] * turn)) ** 2 / 2.0 for cents in witnesses)
    # four degrees of freedom, and two of each
    said = (4.0 + 2.0 * seen / fit.first_se_cents**2) / 8.0
    return (COVERED_SE if line.covered else 1.0) * max(1.0, said) ** 0.5


def _level_columns(
    line: NoteLine, fit: VibratoFit | None, rate_min_hz: float, rate_max_hz: float, false_alarm: float
) -> dict[str, Any]:
    level = level_series(line, line.level_db)
    if len(level.time_s) < 14:  # as for the pitch
        return {}
    search = Search(level, rate_min_hz, rate_max_hz)
    found = search.test(level.values)
    if found.p < DOUBTFUL_P:  # the beat of one harmonic with another sound is no vibrato
        shared = level_series(line, shared_level_db(line.harmonic_db[line.weight > 0.0]))
        found = replace(found, p=max(found.p, search.test(shared.values).p))
    present = found.p < false_alarm and found.amplitude >= SMALLEST_INTENSITY_DB
    present = present and (fit is not None or not is_articulated(level.values))
    long_enough = (line.offset_s - line.onset_s) * SLOW_RATE_HZ >= MIN_CYCLES
    values: dict[str, Any] = {
        "intensity_p": found.p,
        "has_intensity_vibrato": bool(present) if present or long_enough else None,
    }
    if present:
        values["intensity_rate_hz"] = found.rate_hz
    if fit is not None:
        at = level.time_s
        psi = np.interp(at, fit.time_s, fit.phase_rad)
        gate = ((at >= fit.start_s) & (at <= fit.end_s)).astype(float)
        heard = line.harmonic_db[line.weight > 0.0]
        centroid = level_series(line, centroid_cents(heard)).values
        step, timbre = in_step(replace(level, values=np.stack([level.values, centroid], axis=1)), psi, gate)
        if tells_direct_sound(line):
            step = of_direct_sound(line, fit)
        values["intensity_depth_db"] = step.depth
        values["intensity_depth_se_db"] = step.depth_se
        if step.depth > 2.0 * step.depth_se:
            values["intensity_phase_rad"] = step.phase_rad
        values["timbre_depth"] = timbre.depth
        _, thinned = _thin_level(line, heard)
        values["harmonic_depth_db"] = harmonic_depth_db(thinned, psi, gate)
    elif present:
        psi = 2.0 * np.pi * found.rate_hz * level.time_s
        gate = (level.time_s >= found.start_s).astype(float)
        (step,) = in_step(replace(level, values=level.values[:, None]), psi, gate)
        values["intensity_depth_db"] = step.depth
        values["intensity_depth_se_db"] = step.depth_se
    return values
