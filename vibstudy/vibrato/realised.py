"""Rate and extent of the cycles that were played, and all else a solution says, each with its error.

The solution (:mod:`vibstudy.vibrato.solve`) gives a curve and the covariance of its coefficients; the figures
are functions of them. To their errors comes what the solution cannot know: what irregular turns do where they
are seen from one side only, and the doubt about the cycle's shape and the vibrato's beginning and end.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.fft import idct

from vibstudy.vibrato.curve import FADE_CYCLES, TRIANGLE_FUNDAMENTAL, State, extremes, wave_at
from vibstudy.vibrato.cycle import Cycle
from vibstudy.vibrato.noise import MixedFit
from vibstudy.vibrato.solve import Places, Problem, Shape, Variances
from vibstudy.vibrato.span import Edge

CORNER = 1.0 - TRIANGLE_FUNDAMENTAL * (1.0 + 1.0 / 9.0 + 1.0 / 25.0)  # height of what lies above the 5th
END_TURN = (0.18, 0.2)
"""Standard deviation of the turns unseen at an end, in units of the spread of the rate: at the note's own
edge, and where vibrato fades in or out. Found by simulation (``benchmarks/intervals.py``)."""
EDGE_TURN = 0.4
"""Turns that are missed or added by a beginning or an end that is a turn off. Found likewise."""
END_EXTENT = (0.04, 0.2)
"""The same for extent, in cycles of the spread of the extent."""
WITHIN_CYCLE = 0.02
"""The same for what the extent does within a cycle."""
_NO_VARIANCE = 1e-6
"""Of the mean: no vibrato is as regular as a millionth, and no recording could tell."""


@dataclass(frozen=True, eq=False)
class VibratoFit:
    """Vibrato of one note. Times in s from the note's onset; extent is HALF of peak-to-peak.

    Parameters
    ----------
    rate_hz, rate_se_hz, extent_cents, extent_se_cents : float
        Realised means with standard errors.
    first_cents, first_se_cents : float
        Mean amplitude of the cycle's first harmonic, with its standard error: what rounding or pointing of
        the cycle does not move.
    seen_rate_se_hz, seen_first_se_cents : float
        What of the standard errors the sound leaves open: how sharp the optimum is and, of the rate, where
        the vibrato begins. The rest is what its own irregularity leaves open at its ends.
    above_cents, below_cents : float
        Extremes of the mean cycle above and below its centre.
    start_s, start_se_s, end_s : float
        Where the vibrato begins and ends.
    rate_slope_hz_per_s, growth_cents_per_s : float
        Linear trends.
    rate_irregularity, extent_irregularity : float
        Coefficients of variation from cycle to cycle.
    waveform : float
        0 sine, 1 triangle.
    centre_cents : float
        Mean of the background while vibrato lasts, re the line's reference.
    straight_cents : float
        Mean of the line before vibrato starts; NaN when there is no such stretch.
    time_s, curve_cents, phase_rad, envelope_cents : ndarray [shape=(n,)]
        The fitted pitch, phase of the cycle, and extent, at the frames of the line.
    """

    rate_hz: float
    rate_se_hz: float
    extent_cents: float
    extent_se_cents: float
    first_cents: float
    first_se_cents: float
    seen_rate_se_hz: float
    seen_first_se_cents: float
    above_cents: float
    below_cents: float
    start_s: float
    start_se_s: float
    end_s: float
    rate_slope_hz_per_s: float
    growth_cents_per_s: float
    rate_irregularity: float
    extent_irregularity: float
    waveform: float
    centre_cents: float
    straight_cents: float
    time_s: np.ndarray = field(repr=False)
    curve_cents: np.ndarray = field(repr=False)
    phase_rad: np.ndarray = field(repr=False)
    envelope_cents: np.ndarray = field(repr=False)


def realised(
    problem: Problem,
    state: State,
    fit: MixedFit,
    variances: Variances,
    shape: Shape,
    cycle: Cycle,
    begins: Edge,
    ends_at: Edge,
) -> VibratoFit:
    """All figures of a solution, between two edges."""
    t, basis = problem.t, state.basis
    start, end = begins.time_s, ends_at.time_s
    places = Places(problem, basis, shape)
    inside = np.flatnonzero((t >= start) & (t <= end))
    extent, psi = state.extent, state.psi

    high, low = extremes(state.second, state.triangle)
    half = 0.5 * (high + low)

    phase_covariance = fit.covariance[np.ix_(places.phase, places.phase)]
    phase_variance = np.sum((basis.phase[inside] @ phase_covariance) * basis.phase[inside], axis=1)
    gate = basis.gate[inside]
    mean = float(np.mean(gate * extent[inside]))
    mean *= 1.0 - 0.5 * float(np.mean(np.minimum(phase_variance, 0.5)))  # phase errors feed the amplitude
    gradient = np.zeros(places.total)
    gradient[places.extent] = (gate @ basis.extent[inside]) / len(inside) * half
    if shape.second:
        for j, index in enumerate(places.of["second"]):
            moved = state.second.copy()
            moved[j] += 1e-4
            gradient[index] = mean * (0.5 * sum(extremes(moved, state.triangle)) - half) / 1e-4
    first, last = inside[0], inside[-1]
    span = t[last] - t[first]
    turn = (basis.phase[last] - basis.phase[first]) / (2.0 * np.pi * span)
    rate = float(turn @ state.phase_c)
    # at its ends a vibrato is seen from one side only; what its irregularity does there is not known
    cycles = span * rate
    ends = np.array([start > 0.0, end < problem.series.duration_s])
    unseen_turn, unseen_extent = (
        (1.0 + short / cycles) * float(np.sqrt(np.sum(np.where(ends, fading, free) ** 2)))
        for short, (free, fading) in ((1.5, END_TURN), (4.0, END_EXTENT))
    )
    rate_spread, extent_spread = np.sqrt(basis.random * variances.spread[[3, 2]])
    late = np.linalg.norm([edge.se_s for edge, fades in zip((begins, ends_at), ends, strict=True) if fades])
    seen_rate_se = float(np.sqrt(turn @ phase_covariance @ turn))
    rate_se = np.linalg.norm(
        [
            seen_rate_se,
            unseen_turn * rate_spread / span,
            begins.rate_doubt_hz,
            EDGE_TURN * rate / span * late,
        ]
    )
    first = np.zeros(places.total)
    first[places.extent] = gradient[places.extent] / half
    # errors of the first harmonic's amplitude besides that of the linear solution
    besides = [
        unseen_extent * extent_spread / cycles,
        WITHIN_CYCLE * extent_spread / np.sqrt(cycles),
        mean * begins.extent_doubt,
        # where it fades half of the extent is reached; what is there counts or not
        0.5 * mean / span * late,
    ]
    seen_first_se = float(np.sqrt(first @ fit.covariance @ first))
    first_se = np.linalg.norm([seen_first_se, *besides])
    extent_se = np.linalg.norm(
        [
            np.sqrt(gradient @ fit.covariance @ gradient),
            half * np.linalg.norm(besides),
            mean * (1.0 - TRIANGLE_FUNDAMENTAL) * cycle.triangle_sd,
            mean * CORNER * cycle.corner_sd,
        ]
    )
    centred = t[inside] - t[inside].mean()
    momentary = np.gradient(psi[inside], float(t[1] - t[0])) / (2.0 * np.pi)
    rate_cv, extent_cv = _irregularity(t, state, fit, places, rate, mean)

    wave, _ = wave_at(state.second, state.triangle, psi)
    rest = _background_curve(problem, fit, places)
    before = (t > 0.03) & (t < start - 0.5 * FADE_CYCLES / rate)
    straight = float(np.mean(rest[before])) if start > 0.08 and before.sum() >= 4 else float("nan")
    mean *= 1.0 + begins.extent_shift
    return VibratoFit(
        rate_hz=rate + begins.rate_shift_hz,
        rate_se_hz=float(rate_se),
        extent_cents=mean * half,
        extent_se_cents=float(extent_se),
        first_cents=mean,
        first_se_cents=float(first_se),
        seen_rate_se_hz=float(np.hypot(seen_rate_se, begins.rate_doubt_hz)),
        seen_first_se_cents=seen_first_se,
        above_cents=mean * high,
        below_cents=mean * low,
        start_s=start,
        start_se_s=begins.se_s,
        end_s=end,
        rate_slope_hz_per_s=trend(centred, momentary),
        growth_cents_per_s=trend(centred, extent[inside]) * half,
        rate_irregularity=rate_cv,
        extent_irregularity=extent_cv,
        waveform=state.triangle * TRIANGLE_FUNDAMENTAL,
        centre_cents=float(np.mean(rest[inside])),
        straight_cents=straight,
        time_s=t,
        curve_cents=rest + basis.gate * extent * wave,
        phase_rad=psi,
        envelope_cents=basis.gate * extent * half,
    )


def trend(centred: np.ndarray, values: np.ndarray) -> float:
    """Slope of the straight line through `values` at places whose mean is 0."""
    return float(np.sum(centred * values) / np.sum(centred**2))


def _background_curve(problem: Problem, fit: MixedFit, places: Places) -> np.ndarray:
    """Pitch of the background (drift, scoops and predicted wander) at the frames, cents."""
    series = problem.series
    columns = problem.straight
    integral = columns[:, :1] @ fit.coefficients[places.of["steady"]]
    integral = integral + (columns[:, 1:] / problem.drift_scale) @ fit.coefficients[places.of["drift"]]
    bends = np.concatenate([places.of["attack"], places.of["room"]])
    integral = integral + problem.bends @ fit.coefficients[bends]
    slow = fit.noise[1:] @ problem.shapes[1:]
    wander = np.concatenate([[0.0], fit.residual * slow / fit.variance])
    integral = integral + idct(wander, type=2, norm="ortho")
    return np.interp(problem.t, series.time_s, np.gradient(integral, series.step_s))


def _irregularity(
    t: np.ndarray, state: State, fit: MixedFit, places: Places, rate: float, mean: float
) -> tuple[float, float]:
    """Coefficients of variation from cycle to cycle of rate and extent, trend left out."""
    basis = state.basis
    cycles = int((basis.end - basis.start) * rate)
    if cycles < 4:
        return float("nan"), float("nan")
    edges = np.linspace(basis.start, basis.end, cycles + 1)
    at = np.clip(np.searchsorted(t, edges), 0, len(t) - 1)
    line = np.linspace(-1, 1, cycles)
    remove_trend = np.eye(cycles) - 1.0 / cycles - line * line[:, None] / (line @ line)

    def variation(functional: np.ndarray, coefficients: np.ndarray, where: np.ndarray, about: float) -> float:
        functional = remove_trend @ functional
        values = functional @ coefficients
        error = functional @ fit.covariance[np.ix_(where, where)] @ functional.T
        # posterior mean of the realised variance: of the prediction, plus its error
        found = float(np.sqrt((values @ values + np.trace(error)) / (cycles - 2))) / about
        # where the likelihood wants no variance at all, what is left of it is rounding
        return found if found > _NO_VARIANCE else 0.0

    length = np.maximum(np.diff(t[at]), 1e-6)[:, None]
    rates = np.diff(basis.phase[at, 2:], axis=0) / length / (2.0 * np.pi)
    sums = np.concatenate([np.zeros((1, basis.random)), np.cumsum(basis.extent[:, 2:], axis=0)])
    extents = np.diff(sums[at], axis=0) / np.maximum(np.diff(at), 1)[:, None]
    return (
        variation(rates, state.phase_c[2:], places.of["phase_random"], rate),
        variation(extents, state.extent_c[2:], places.of["extent_random"], mean),
    )
