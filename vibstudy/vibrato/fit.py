r"""The vibrato of one note: rate, extent, start, shape, steadiness, each with its error.

Model
-----
The pitch of a note, in cents, is

.. math:: c(t) = d(t) + g(t)\, e(t)\, P(\psi(t)) + \text{noise},

* ``d``: background of the note: drift, scoops at its edges, bends of its attack, wander and jitter
  (:mod:`vibstudy.vibrato.noise`);
* ``g``: gate: 0 before the vibrato starts, 1 while it lasts, with a smooth step of `FADE_CYCLES`
  cycles. Start and end are where the gate is one half;
* ``e``: extent = mean + linear growth + smooth random part (white from cycle to cycle);
* ``ψ``: phase of the cycle: mean rate + linear change of rate + smooth random part (rate white from
  cycle to cycle, so that its phase is a random walk);
* ``P``: one cycle: a sine, with a share of the odd harmonics of a triangle (averaged over the models
  with and without), and with a second harmonic where the sound shows it beyond doubt.

All is linear but ψ, which is found by Gauss-Newton steps. It is fitted to the running integral of the pitch,
where measurement noise is white. Random parts are predicted and their variances estimated by REML; those that
run towards nothing are left out where the sound is as probable without them. So a perfect sine gets the
efficiency of a model with constant rate and extent (Cramér-Rao bound), and an irregular vibrato gets honest
errors: rate and extent are those of the realised cycles,

.. math:: \text{rate} = \frac{\psi(t_2) - \psi(t_1)}{2\pi (t_2 - t_1)}, \qquad
          \text{extent} = \frac{1}{t_2 - t_1}\int_{t_1}^{t_2} g\,e\,dt .

Whether vibrato begins with the note or later is often in doubt. The more probable beginning is fitted;
what rate and extent would be with every other one is found with all else held, and both are averaged
over the beginnings with their probabilities (Hoeting et al. 1999, Statist. Sci. 14(4):382-417), so that
their errors hold this doubt too. Where the sound does not decide, the figures follow what is usual (a
sine; `SINE_PRIOR`), the errors also what is not (`SINE_DOUBTFUL`, `AT_ONCE_DOUBTFUL`).

Extent is HALF of peak-to-peak. The triangle of half peak-to-peak *E* has a fundamental of
:math:`8E/\pi^2`; the whole cycle counts, not its fundamental.

Irregularity is the coefficient of variation from cycle to cycle, about the linear trend, as
predicted (posterior mean of the realised variance): measurement noise is not counted.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from scipy.fft import idct
from scipy.special import expit, logit

from vibstudy.pitch.refine import running_integral
from vibstudy.vibrato.noise import MixedFit, Series, fit_variances

FADE_CYCLES = 0.6
ATTACK_CENTS = 5.0  # first guess of how far the attack bends the pitch
LOCAL_CYCLES = 1.5
WHOLE_NOTE_PRIOR = 8.0  # by how much -2 log likelihood must fall before vibrato ends early
AT_ONCE_PRIOR = 0.5  # probability that vibrato begins with the note; else its delay is exponential
AT_ONCE_DOUBTFUL = 0.2  # the same where errors are concerned
LEAST_DELAY_CYCLES = 0.2  # a vibrato that begins sooner begins with the note
DELAY_S = 0.2  # mean of the delay
GROWTH = 0.1  # prior standard deviation of the growth of the extent over a note, as a share
TRIANGLE_FUNDAMENTAL = 8.0 / np.pi**2
CORNER = 1.0 - TRIANGLE_FUNDAMENTAL * (1.0 + 1.0 / 9.0 + 1.0 / 25.0)  # height of what lies above the 5th
CORNER_WHOLE_PRIOR = 0.9  # probability that the corner is the triangle's
CORNER_ROUGH = 0.1  # standard error of the corner, as a share, that the linear solution has in clean sound
CORNER_PRIOR = 0.58  # as much as if any share of them, from none to all, were missing
SECOND_HARMONIC_CHI2 = 13.0  # what a second harmonic must reach before it counts
SINE_PRIOR = 0.9
NARROW_CENTS, NARROW_SINE_PRIOR = (4.0, 8.0), 0.6  # so narrow, neither shape may be off by 0.3 cents
SINE_DOUBTFUL = 0.6  # the same where errors are concerned
TRIANGLE_PRIOR = (0.7, 0.5)  # mean and SD of the triangle's share where it is not a sine
MAX_RANDOM = 40
SETTLED_RAD = 0.06  # a phase that moves less from turn to turn stands still
RANDOM_PER_CYCLE = 1.6
END_TURN = (0.18, 0.2)
"""Standard deviation of the turns unseen at an end, in units of the spread of the rate: at the note's own
edge, and where vibrato fades in or out. Found by simulation (``benchmarks/intervals.py``)."""
EDGE_TURN = 0.4
"""Turns that are missed or added by a beginning or an end that is a turn off. Found likewise."""
END_EXTENT = (0.04, 0.2)
"""The same for extent, in cycles of the spread of the extent."""
WITHIN_CYCLE = 0.02
"""The same for what the extent does within a cycle."""


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


def _triangle_rest(psi: np.ndarray) -> np.ndarray:
    """Odd harmonics from the third on of a triangle in phase with a cosine, peak 1."""
    triangle = 1.0 - 2.0 * np.abs(np.mod(psi / np.pi + 1.0, 2.0) - 1.0)
    return triangle - TRIANGLE_FUNDAMENTAL * np.cos(psi)


def _triangle_tail(psi: np.ndarray) -> np.ndarray:
    """The same from the seventh on."""
    low = np.cos(3.0 * psi) / 9.0 + np.cos(5.0 * psi) / 25.0
    return _triangle_rest(psi) - TRIANGLE_FUNDAMENTAL * low


def _smooth_step(x: np.ndarray) -> np.ndarray:
    """0 below -1/2, 1 above 1/2, a half at 0, smooth between."""
    u = np.clip(x + 0.5, 0.0, 1.0)
    return u * u * (3.0 - 2.0 * u)


_NO_VARIANCE = 1e-6
"""Of the mean: no vibrato is as regular as a millionth, and no recording could tell."""


class _Basis:
    """What extent and phase are made of over the vibrato's span.

    Extent: constant, slope, and cosines of equal prior variance. Phase: constant, slope (the mean rate),
    and the sines of a Brownian bridge, so that with free ends it is a random walk. Random columns come
    last.
    """

    def __init__(self, t: np.ndarray, duration: float, start: float, end: float, rate: float):
        self.start, self.end = start, end
        self.inside = slice(*np.searchsorted(t, [start, end]))
        self.gate = _gate(t, start, end, duration, 1.0 / rate)
        u = np.clip((t - start) / (end - start), 0.0, 1.0)
        top = int(np.clip(RANDOM_PER_CYCLE * (end - start) * rate, 2, MAX_RANDOM))
        k = np.arange(2, top + 1)
        waves = np.sqrt(2.0) * np.cos(np.pi * k * u[:, None])
        one, line = np.ones_like(t), 2.0 * u - 1.0
        full = 2.0 * (t - start) / (end - start) - 1.0
        self.extent = np.column_stack([one, line, waves])
        turn = 2.0 * np.pi * rate * (end - start)
        k -= 1
        bridge = np.sqrt(2.0) * np.sin(np.pi * k * u[:, None]) / (np.pi * k)
        self.phase = np.column_stack([one, full, bridge * turn])
        self.random = top - 1


@dataclass
class _State:
    """The curve as it stands: coefficients of extent and phase, and the shape of the cycle."""

    basis: _Basis
    extent_c: np.ndarray
    phase_c: np.ndarray
    second: np.ndarray  # cosine and sine of the second harmonic, in units of the extent
    triangle: float  # share of the triangle's odd harmonics, in units of the extent

    @property
    def extent(self) -> np.ndarray:
        return self.basis.extent @ self.extent_c

    @property
    def psi(self) -> np.ndarray:
        return self.basis.phase @ self.phase_c

    def on(self, basis: _Basis, t: np.ndarray) -> _State:
        """The same curve on another basis (least squares inside its span)."""
        inside = (t >= basis.start) & (t <= basis.end)

        def carry(columns: np.ndarray, values: np.ndarray) -> np.ndarray:
            return np.linalg.lstsq(columns[inside], values[inside], rcond=1e-8)[0]

        return _State(
            basis, carry(basis.extent, self.extent), carry(basis.phase, self.psi), self.second, self.triangle
        )


class _Problem:
    """The note's data on the fine grid (frames) and on the thin grid (fit)."""

    def __init__(self, time_s: np.ndarray, integral: np.ndarray, duration_s: float, block: int):
        n = len(time_s) // block * block
        self.t = time_s[:n]
        self.block = block
        self.series = Series(self._thin(self.t), self._thin(integral[:n]), True, duration_s)
        self.y = self.series.spectrum(self.series.values)
        self.straight = self.series.background()
        self.background = self.series.spectrum(self.straight)
        # drift and scoops are random effects: where there are none they must cost nothing
        self.drift_scale = np.sqrt(np.mean(self.background[:, 1:] ** 2, axis=0))
        self.drift = self.background[:, 1:] / self.drift_scale
        self.steady = self.background[:, :1]
        self.bends = self.series.attack()
        self.attack = self.series.spectrum(self.bends)
        self.shapes = self.series.noise_shapes()

    def _thin(self, values: np.ndarray) -> np.ndarray:
        thinned = values[:: self.block].copy()
        for i in range(1, self.block):
            thinned += values[i :: self.block]
        return thinned / self.block

    def columns(self, cents: np.ndarray) -> np.ndarray:
        """Transformed columns of the integral for columns in cents [shape=(n, q)]."""
        return self.transform(running_integral(cents, float(self.t[1] - self.t[0])))

    def transform(self, integral: np.ndarray) -> np.ndarray:
        """Thinned and transformed columns [shape=(n, ...)] of integrals."""
        return self.series.spectrum(self._thin(integral))


def _integral_of_triangle(extent: np.ndarray, psi: np.ndarray, t: np.ndarray) -> np.ndarray:
    """Running integral of extent times the triangle's odd harmonics.

    By parts, since the corners fall between frames.
    """
    turn = np.mod(psi + np.pi, 2.0 * np.pi) - np.pi
    area = turn - np.sign(turn) * turn**2 / np.pi - TRIANGLE_FUNDAMENTAL * np.sin(turn)
    step = float(t[1] - t[0])
    slow = extent / np.gradient(psi, step)
    return slow * area - running_integral(np.gradient(slow, step) * area, step)


def _gate(t: np.ndarray, start: Any, end: Any, duration: float, period: float) -> np.ndarray:
    """Gate at `t`; `start` and `end` may be arrays that broadcast with it."""
    fade = FADE_CYCLES * period
    gate = np.ones(np.broadcast_shapes(np.shape(t), np.shape(start), np.shape(end)))
    if np.any(start > 0.0):
        gate *= np.where(start > 0.0, _smooth_step((t - start) / fade), 1.0)
    if np.any(end < duration):
        gate *= np.where(end < duration, _smooth_step((end - t) / fade), 1.0)
    return gate


def fit_vibrato(
    time_s: np.ndarray,
    integral: np.ndarray,
    duration_s: float,
    rate_hz: float,
    noise: np.ndarray,
    within_s: tuple[float, float] | None = None,
) -> VibratoFit | None:
    """Fit the vibrato of one note.

    Parameters
    ----------
    time_s : ndarray [shape=(n,)]
        Frame times from the note's onset.
    integral : ndarray [shape=(n,)]
        Running integral of the pitch, cents s.
    duration_s : float
        Length of the note.
    rate_hz : float
        Where to begin: the rate found by the detector.
    noise : ndarray [shape=(3,)]
        Variances of the background found by the detector (per value of its thinned series).
    within_s : (float, float) | None
        Where to begin: the stretch in which the detector found it, when it is but a part of the note.

    Returns
    -------
    VibratoFit | None
        None when no vibrato can be fitted (less than a cycle and a half).
    """
    step = float(time_s[1] - time_s[0])
    target = 100.0 if duration_s < 2.5 else 70.0
    problem = _Problem(time_s, integral, duration_s, max(1, round(1.0 / (target * step))))
    state = _start(problem, rate_hz, within_s)
    scale = float(np.std(problem.y))
    background = np.maximum(noise, noise[0] * np.array([1.0, 1e-4, 1e-6]))
    spread = np.array([(0.01 * scale) ** 2 + 1e-12, ATTACK_CENTS**2, (0.1 * state.extent_c[0]) ** 2, 0.05**2])
    variances = _Variances(background, spread)
    if not _improve(problem, state, variances, NO_SHAPE, turns=1, iterations=2):
        return None
    rate = state.phase_c[1] / (np.pi * (state.basis.end - state.basis.start))
    cycle = _judge_cycle(problem, state, variances)
    state.triangle = cycle.triangle
    start, end = _edges(problem, state, rate, variances)
    return _fit_span(problem, state, variances, cycle, rate, start, end)


def _fit_span(
    problem: _Problem,
    state: _State,
    variances: _Variances,
    cycle: _Cycle,
    rate: float,
    start: _Edge,
    end: _Edge,
) -> VibratoFit | None:
    """Fit the vibrato between two edges."""
    if (end.time_s - start.time_s) * rate < 1.3:
        return None
    if (start.time_s, end.time_s) == (state.basis.start, state.basis.end):
        state = replace(state)
    else:
        basis = _Basis(problem.t, problem.series.duration_s, start.time_s, end.time_s, rate)
        state = state.on(basis, problem.t)
    shape = _Shape(cycle.second, False)
    fit = _improve(problem, state, variances, shape, turns=4, iterations=3)
    if fit is None:
        return None
    return _report(problem, state, fit, variances, shape, cycle, start, end)


def _local_cycles(series: Series, rate_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Phase and extent round each point: a sinusoid on a parabola, fitted over `LOCAL_CYCLES` cycles.

    Fitted to the integral, where noise is white. Both [shape=(n,)], the phase unwrapped.
    """
    t, z = series.time_s, series.values
    n = len(t)
    reach = max(3, round(0.5 * LOCAL_CYCLES / (rate_hz * series.step_s)))
    lag = np.arange(-reach, reach + 1)
    # near the ends the window stops at the end, and the sinusoid is read off centre
    middle = np.clip(np.arange(n), min(reach, n // 2), max(n - 1 - reach, n // 2))
    place = np.clip(middle[:, None] + lag, 0, n - 1)
    w = 2.0 * np.pi * rate_hz
    tau = lag * series.step_s
    columns = np.stack(
        [np.sin(w * tau) / w, (1.0 - np.cos(w * tau)) / w, np.ones_like(tau), tau, tau**2], axis=1
    )
    window = np.hanning(len(lag) + 2)[1:-1]
    weighted = columns * window[:, None]
    solve = np.linalg.solve(weighted.T @ columns, weighted.T)
    a, b = (z[place] @ solve.T)[:, :2].T
    off = w * (t - t[middle])
    phase = np.unwrap(np.arctan2(-b, a) + off - w * t) + w * t
    return phase, np.hypot(a, b)


def _start(problem: _Problem, rate_hz: float, within_s: tuple[float, float] | None = None) -> _State:
    """First guess: local cycles, where they are strong; steady beyond."""
    series, duration = problem.series, problem.series.duration_s
    phase, extent = _local_cycles(series, rate_hz)
    if within_s is not None:  # half a cycle more, for the window is one of a grid
        inside = np.abs(series.time_s - np.mean(within_s)) <= 0.5 * np.ptp(within_s) + 0.5 / rate_hz
        extent = np.where(inside, extent, 0.0)
    told = np.sort(extent[extent > 0.0])
    level = float(told[int(0.75 * (len(told) - 1))])
    # the longest strong stretch, gaps of less than a cycle closed
    gap = max(1, round(1.0 / (rate_hz * series.step_s)))
    strong = np.flatnonzero(extent > 0.4 * level)
    breaks = np.flatnonzero(np.diff(strong) > gap)
    firsts, lasts = strong[np.append(0, breaks + 1)], strong[np.append(breaks, -1)]
    widest = np.argmax(lasts - firsts)
    longest = np.arange(firsts[widest], lasts[widest] + 1)
    first, last = series.time_s[longest[0]], series.time_s[longest[-1]]
    start = 0.0 if first < 1.0 / rate_hz else float(first)
    end = duration if duration - last < 1.0 / rate_hz else float(last)
    rate = rate_hz
    if len(longest) * series.step_s * rate_hz > 1.0:
        at = series.time_s[longest]
        rate = _trend(at - at.mean(), phase[longest]) / (2.0 * np.pi)
        rate = float(np.clip(rate, 0.7 * rate_hz, 1.4 * rate_hz))
    basis = _Basis(problem.t, duration, start, end, rate)
    on = np.interp(series.time_s[longest], problem.t, np.arange(len(problem.t))).round().astype(int)
    weight = (extent[longest] / level)[:, None]

    def carry(columns: np.ndarray, values: np.ndarray) -> np.ndarray:
        # a little ridge on the random columns: the guess is rough
        ridge = np.zeros(columns.shape[1])
        ridge[2:] = 0.05
        x = columns[on] * weight
        return np.linalg.solve(
            x.T @ x + np.diag(ridge * np.diag(x.T @ x) + 1e-9), x.T @ (values * weight[:, 0])
        )

    return _State(
        basis, carry(basis.extent, extent[longest]), carry(basis.phase, phase[longest]), np.zeros(2), 0.0
    )


def _wave(second: np.ndarray, triangle: float, psi: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The cycle P(ψ) and its derivative."""
    wave, sine = np.cos(psi), np.sin(psi)
    slope = -sine
    if second.any():
        a, b = second
        twice, sine_twice = np.cos(2 * psi), np.sin(2 * psi)
        wave = wave + a * twice + b * sine_twice
        slope = slope - 2 * a * sine_twice + 2 * b * twice
    if triangle:
        wave = wave + triangle * _triangle_rest(psi)
        square = np.where(sine >= 0.0, -2.0 / np.pi, 2.0 / np.pi)
        slope = slope + triangle * (square + TRIANGLE_FUNDAMENTAL * sine)
    return wave, slope


def _extremes(second: np.ndarray, triangle: float) -> tuple[float, float]:
    """How far one cycle of unit extent goes above and below its centre."""
    if not second.any():
        return (1.0 + triangle * (1.0 - TRIANGLE_FUNDAMENTAL),) * 2
    cycle, _ = _wave(second, triangle, np.linspace(0.0, 2.0 * np.pi, 721))
    return float(cycle.max()), float(-cycle.min())


@dataclass
class _Variances:
    """Variances carried from step to step: background (v, s1, s2); drift, attack, extent, phase."""

    noise: np.ndarray
    spread: np.ndarray


@dataclass(frozen=True)
class _Shape:
    """Which shapes of the cycle are fitted."""

    second: bool
    triangle: bool


NO_SHAPE = _Shape(False, False)


class _Places:
    """Where each kind of coefficient stands in a solution."""

    def __init__(self, problem: _Problem, basis: _Basis, shape: _Shape):
        sizes = {
            "steady": problem.steady.shape[1],
            "extent": 2,
            "phase": 2,
            "second": 2 * shape.second,
            "triangle": int(shape.triangle),
            "tail": int(shape.triangle),
            "drift": problem.drift.shape[1],
            "attack": problem.attack.shape[1],
            "extent_random": basis.random,
            "phase_random": basis.random,
        }
        at = 0
        self.of: dict[str, np.ndarray] = {}
        for name, size in sizes.items():
            self.of[name] = np.arange(at, at + size)
            at += size
        self.total = at
        self.extent = np.concatenate([self.of["extent"], self.of["extent_random"]])
        self.phase = np.concatenate([self.of["phase"], self.of["phase_random"]])


@dataclass(frozen=True)
class _Linear:
    """The model linearised about a state: data, fixed columns, groups of random ones."""

    y: np.ndarray
    fixed: np.ndarray
    groups: list[np.ndarray]
    shapes: np.ndarray

    @property
    def used(self) -> list[int]:
        """Groups that have columns."""
        return [g for g, block in enumerate(self.groups) if block.shape[1]]

    def fit(self, variances: _Variances, iterations: int) -> MixedFit:
        """Fit, and take its variances; coefficients are the new values, not steps."""
        used = [self.groups[g] for g in self.used]
        spread = variances.spread[self.used]
        fit = fit_variances(self.y, self.fixed, used, self.shapes, variances.noise, spread, iterations)
        variances.noise = fit.noise
        variances.spread[self.used] = fit.spread
        return fit

    def bare(self, fit: MixedFit, variances: _Variances) -> MixedFit:
        """Without the variances that were falling, if the sound is as probable without them."""
        falling = fit.falling & [False, *[True] * (len(fit.falling) - 1)]
        if not falling.any():
            return fit
        kept = np.where(falling, 0.0, np.append(fit.noise, fit.spread))
        spread = variances.spread.copy()
        spread[self.used] = kept[3:]
        trial = _Variances(kept[:3], spread)
        bare = self.fit(trial, 0)
        if bare.deviance > fit.deviance:
            return fit
        variances.noise, variances.spread = trial.noise, trial.spread
        return bare


def _linear(problem: _Problem, state: _State, shape: _Shape) -> _Linear:
    """Linearise about `state`."""
    basis, psi, extent = state.basis, state.psi, state.extent
    wave, slope = _wave(state.second, state.triangle, psi)
    up = (basis.gate * wave)[:, None] * basis.extent
    across = (basis.gate * extent * slope)[:, None] * basis.phase
    blocks = [up[:, :2], across[:, :2]]
    values = [state.extent_c[:2], state.phase_c[:2]]
    if shape.second:
        blocks.append((basis.gate * extent)[:, None] * np.column_stack([np.cos(2 * psi), np.sin(2 * psi)]))
        values.append(state.second)
    if shape.triangle:
        odd = np.column_stack([_triangle_rest(psi), _triangle_tail(psi)])
        blocks.append((basis.gate * extent)[:, None] * odd)
        values.append(np.array([state.triangle, 0.0]))
    curve = basis.gate * extent * wave
    fixed_count = sum(block.shape[1] for block in blocks)
    blocks += [up[:, 2:], across[:, 2:]]
    values += [state.extent_c[2:], state.phase_c[2:]]
    columns = np.concatenate(blocks, axis=1)
    # working response: what the linear model should reproduce
    smooth = columns @ np.concatenate(values) - curve
    if state.triangle:
        corner = basis.gate * extent * state.triangle
        smooth += corner * _triangle_rest(psi)
    both = problem.columns(np.column_stack([columns, smooth]))
    if state.triangle:
        both[:, -1] -= problem.transform(_integral_of_triangle(corner, psi, problem.t))
    fixed = np.concatenate([problem.steady, both[:, :fixed_count]], axis=1)
    random = both[:, fixed_count:-1]
    groups = [problem.drift, problem.attack, random[:, : basis.random], random[:, basis.random :]]
    return _Linear(problem.y + both[:, -1], fixed, groups, problem.shapes)


def _improve(
    problem: _Problem, state: _State, variances: _Variances, shape: _Shape, turns: int, iterations: int
) -> MixedFit | None:
    """Gauss-Newton turns until the phase stands still, in place; None when the vibrato gets lost."""
    places = _Places(problem, state.basis, shape)
    for _ in range(turns):
        linear = _linear(problem, state, shape)
        fit = linear.fit(variances, iterations)
        c = fit.coefficients
        worst = _move(state, c, places)
        if shape.second:
            state.second = np.clip(c[places.of["second"]], -0.6, 0.6)
        if shape.triangle:
            state.triangle = float(np.clip(c[places.of["triangle"]][0], -1.0, 3.0))
        rate = state.phase_c[1] / (np.pi * (state.basis.end - state.basis.start))
        if not 1.0 < rate < 20.0 or state.extent_c[0] <= 0.0:
            return None
        if worst < SETTLED_RAD:
            break
    fit = linear.bare(fit, variances)
    _move(state, fit.coefficients, places)
    return fit


def _move(state: _State, coefficients: np.ndarray, places: _Places) -> float:
    """Take extent and phase from a solution, in place; how far the phase is off, rad."""
    step = coefficients[places.phase] - state.phase_c
    worst = float(np.abs(state.basis.phase @ step)[state.basis.inside].max())
    state.phase_c = state.phase_c + step * min(1.0, 0.8 / (worst + 1e-12))
    state.extent_c = coefficients[places.extent]
    return worst


@dataclass(frozen=True)
class _Cycle:
    """Shape of the cycle: whether it has a second harmonic, its triangle's share, what its corner lacks.

    The triangle's share is averaged over two models: a sine (prior `SINE_PRIOR`), and a share from the
    normal prior `TRIANGLE_PRIOR` (Savage-Dickey ratio). So neither a sine in clean sound nor a share
    too small to be beyond doubt biases the extent. The harmonics from the seventh on, which make the corner,
    are taken to be the triangle's; how far they seem not to be is in the error of the extent.
    """

    second: bool
    triangle: float
    triangle_sd: float
    corner_sd: float


def _none_or_some(
    seen: float, variance: float, centre: float, width: float, none_prior: float, doubtful_prior: float
) -> tuple[float, float]:
    """Mean and error of what is either nothing or drawn from a normal prior.

    `doubtful_prior` is the probability of nothing where the error is concerned.
    """
    after = 1.0 / (1.0 / variance + 1.0 / width**2)
    mean = after * (seen / variance + centre / width**2)
    log_odds = 0.5 * np.log(width**2 / after) - 0.5 * (mean**2 / after - centre**2 / width**2)
    none, doubtful = (float(expit(log_odds + logit(prior))) for prior in (none_prior, doubtful_prior))
    middle = (1.0 - none) * mean
    spread = (1.0 - doubtful) * (after + (mean - middle) ** 2) + doubtful * middle**2
    return middle, float(np.sqrt(spread))


def _judge_cycle(problem: _Problem, state: _State, variances: _Variances) -> _Cycle:
    """Shape of the cycle from one solution with all shapes free; extent and phase move to it."""
    everything = _Shape(True, True)
    trial = _Variances(variances.noise.copy(), variances.spread.copy())
    fit = _linear(problem, state, everything).fit(trial, 1)
    everywhere = _Places(problem, state.basis, everything)
    places = everywhere.of
    at = places["second"]
    value = fit.coefficients[at]
    chi2 = float(value @ np.linalg.solve(fit.covariance[np.ix_(at, at)], value))
    _move(state, fit.coefficients, everywhere)
    k = places["triangle"][0]
    seen, variance = float(fit.coefficients[k]), max(float(fit.covariance[k, k]), 1e-12)
    sine = float(np.interp(state.extent_c[0], NARROW_CENTS, (NARROW_SINE_PRIOR, SINE_PRIOR)))
    share, spread = _none_or_some(seen, variance, *TRIANGLE_PRIOR, sine, SINE_DOUBTFUL)
    tail = places["tail"][0]
    corner, corner_sd = _none_or_some(
        float(fit.coefficients[tail]),
        float(fit.covariance[tail, tail]) + (CORNER_ROUGH * share) ** 2,
        0.0,
        CORNER_PRIOR * abs(share) + 1e-6,
        CORNER_WHOLE_PRIOR,
        CORNER_WHOLE_PRIOR,
    )
    return _Cycle(chi2 > SECOND_HARMONIC_CHI2, share, spread, float(np.hypot(corner, corner_sd)))


@dataclass(frozen=True)
class _Edge:
    """Where vibrato begins or ends, with its standard error.

    What the doubt about it does to rate and extent: by how much their means over all edges differ from their
    values at this one, and their standard deviations (extent: as a share).
    """

    time_s: float
    se_s: float
    rate_shift_hz: float = 0.0
    rate_doubt_hz: float = 0.0
    extent_shift: float = 0.0
    extent_doubt: float = 0.0


@dataclass(frozen=True)
class _Gated:
    """Steady vibrato in each of several gates: cost of the fit, its rate and extent [shape=(gates,)]."""

    cost: np.ndarray
    rate_hz: np.ndarray
    extent_cents: np.ndarray

    def merged(self, grid: np.ndarray, fine: np.ndarray, other: _Gated) -> tuple[np.ndarray, _Gated]:
        """With the gates of another grid, in order."""
        whole = np.concatenate([grid, fine])
        order = np.argsort(whole)
        columns = (
            (self.cost, other.cost),
            (self.rate_hz, other.rate_hz),
            (self.extent_cents, other.extent_cents),
        )
        return whole[order], _Gated(*(np.concatenate(pair)[order] for pair in columns))


class _Gates:
    """Fits the vibrato so far, with its extent and rate steady or changing linearly, in any gates."""

    def __init__(self, problem: _Problem, state: _State, variances: _Variances, period: float):
        self.series, self.period = problem.series, period
        self.t, self.duration = self.series.time_s, self.series.duration_s
        self.psi = np.interp(self.t, problem.t, state.psi)
        wave, slope = _wave(state.second, state.triangle, self.psi)
        self.level = float(np.mean(state.extent))
        self.u = (self.t - self.t.mean()) / self.duration
        up = np.stack([wave, self.level * slope], axis=1)
        self.carrier = np.concatenate([up, up * self.u[:, None]], axis=1)
        self.w = 1.0 / np.sqrt(variances.noise @ problem.shapes)
        attack = problem.attack * np.sqrt(variances.spread[1])
        taken = np.concatenate([problem.background, attack], axis=1) * self.w[:, None]
        self.drawn = attack.shape[1]  # rows below the data that hold the attack to its variance
        held = np.eye(self.drawn, taken.shape[1], problem.background.shape[1])
        self.q, _ = np.linalg.qr(np.concatenate([taken, held]))
        self.y = self._clear(problem.y[:, None])[:, 0]
        self.scale = 0.0  # of the cost: so that the best of the first gates fits as well as it should

    def _clear(self, spectra: np.ndarray) -> np.ndarray:
        columns = np.concatenate([spectra * self.w[:, None], np.zeros((self.drawn, spectra.shape[1]))])
        return columns - self.q @ (self.q.T @ columns)

    def fit(self, starts: Any, ends: Any) -> _Gated:
        """Vibrato from `starts` to `ends`, either of which may be an array."""
        gates = _gate(self.t[:, None], starts, ends, self.duration, self.period)
        columns = (self.carrier[:, :, None] * gates[:, None, :]).reshape(len(self.t), -1)
        c = self._clear(self.series.spectrum(running_integral(columns, self.series.step_s)))
        c = np.moveaxis(c.reshape(len(c), 4, -1), 2, 0)
        normal = c.transpose(0, 2, 1) @ c
        normal[:, np.arange(4), np.arange(4)] *= 1.0 + 1e-9
        normal[:, 2, 2] += (GROWTH * self.level) ** -2.0
        right = self.y @ c
        b = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
        rest = self.y @ self.y - np.einsum("gi,gi->g", right, b)
        extent = (b[:, 0] + b[:, 2] * (gates.T @ self.u) / gates.sum(axis=0)) * gates.mean(axis=0)
        extent *= self.duration / (ends - starts)
        turned = np.interp(ends, self.t, self.psi) - np.interp(starts, self.t, self.psi)
        covered = np.minimum(ends, self.t[-1]) - np.maximum(starts, self.t[0])
        rate = (turned / covered + b[:, 3] / self.duration) / (2.0 * np.pi)
        if not self.scale:
            self.scale = max(len(self.y) - self.q.shape[1] - 5, 1) / max(rest.min(), 1e-300)
        return _Gated(rest * self.scale, rate, extent)


def _edges(problem: _Problem, state: _State, rate: float, variances: _Variances) -> tuple[_Edge, _Edge]:
    """Beginning and end of vibrato."""
    duration = problem.series.duration_s
    period = 1.0 / rate
    step = min(period / 4.0, 0.06)
    first = max(step, LEAST_DELAY_CYCLES * period)
    grid = np.append(0.0, np.arange(first, max(duration - 1.3 * period, 1e-9), step))
    if len(grid) < 2:
        return _Edge(0.0, float("nan")), _Edge(duration, 0.0)
    gates = _Gates(problem, state, variances, period)
    found = gates.fit(grid, duration)
    # closer round the best of the late ones
    fine = grid[1 + np.argmin(found.cost[1:])] + step * np.array([-0.5, -0.3, -0.15, 0.15, 0.3, 0.5])
    fine = fine[fine > LEAST_DELAY_CYCLES * period]
    start = _start_edge(*found.merged(grid, fine, gates.fit(fine, duration)))
    ends = duration - np.arange(0.0, max(duration - start.time_s - 1.3 * period, 1e-9), step)
    if len(ends) < 2 or state.basis.end == duration:  # strong up to the end
        return start, _Edge(duration, 0.0)
    end = _end(ends, gates.fit(start.time_s, ends).cost)
    return start, end if duration - end.time_s >= 0.6 * period else _Edge(duration, 0.0)


def _start_edge(grid: np.ndarray, found: _Gated) -> _Edge:
    """Beginning with the note or later, whichever is more probable."""
    width = np.gradient(grid[1:]) if len(grid) > 2 else np.ones(1)
    delayed = np.exp(-grid[1:] / DELAY_S) * width
    delayed /= delayed.sum()
    likelihood = np.exp(-0.5 * (found.cost - found.cost.min()))

    def weights(at_once: float) -> np.ndarray:
        weight = np.append(at_once, (1.0 - at_once) * delayed) * likelihood
        return weight / weight.sum()

    weight, doubtful = weights(AT_ONCE_PRIOR), weights(AT_ONCE_DOUBTFUL)
    if weight[0] > 0.5:
        edge = _Edge(0.0, float(grid[1]) / np.sqrt(12.0))
    else:
        edge = _late_edge(grid[1:], weight[1:], found.cost[1:])
    rate, extent = (
        values - np.interp(edge.time_s, grid, values)
        for values in (found.rate_hz, found.extent_cents / max(weight @ found.extent_cents, 1e-9))
    )
    rate_shift, extent_shift = weight @ rate, weight @ extent
    return replace(
        edge,
        rate_shift_hz=float(rate_shift),
        rate_doubt_hz=float(np.sqrt(doubtful @ (rate - rate_shift) ** 2)),
        extent_shift=float(extent_shift),
        extent_doubt=float(np.sqrt(doubtful @ (extent - extent_shift) ** 2)),
    )


def _late_edge(grid: np.ndarray, weight: np.ndarray, cost: np.ndarray) -> _Edge:
    """Posterior mean and standard deviation; between the points of the grid where narrower than these."""
    edge = _mean_edge(grid, weight)
    best = int(np.argmin(cost))
    if not 0 < best < len(grid) - 1 or abs(edge.time_s - grid[best]) > grid[best + 1] - grid[best - 1]:
        return edge
    before, after = grid[best - 1] - grid[best], grid[best + 1] - grid[best]
    rise = (cost[best - 1] - cost[best]) / before, (cost[best + 1] - cost[best]) / after
    bend = (rise[1] - rise[0]) / (after - before)  # of the parabola through the three
    slope = rise[0] - bend * before
    if bend * (grid[best + 1] - grid[best - 1]) ** 2 < 16.0:  # two standard deviations to a point
        return edge
    time_s = float(np.clip(grid[best] - 0.5 * slope / bend, grid[best - 1], grid[best + 1]))
    return _Edge(time_s, float(np.hypot(bend**-0.5, 0.1 * (grid[best + 1] - grid[best - 1]))))


def _end(grid: np.ndarray, cost: np.ndarray) -> _Edge:
    """End of vibrato; the first of the grid is the end of the note."""
    if cost[0] - cost.min() < WHOLE_NOTE_PRIOR:
        return _Edge(float(grid[0]), 0.0)
    return _mean_edge(grid, np.exp(-0.5 * (cost - cost.min())))


def _mean_edge(grid: np.ndarray, weight: np.ndarray) -> _Edge:
    """Posterior mean and standard deviation."""
    weight = weight / weight.sum()
    mean = float(weight @ grid)
    step = abs(float(grid[-1] - grid[0])) / max(len(grid) - 1, 1)
    return _Edge(mean, float(np.sqrt(weight @ (grid - mean) ** 2 + step**2 / 12.0)))


def _report(
    problem: _Problem,
    state: _State,
    fit: MixedFit,
    variances: _Variances,
    shape: _Shape,
    cycle: _Cycle,
    begins: _Edge,
    ends_at: _Edge,
) -> VibratoFit:
    t, basis = problem.t, state.basis
    start, end = begins.time_s, ends_at.time_s
    places = _Places(problem, basis, shape)
    inside = np.flatnonzero((t >= start) & (t <= end))
    extent, psi = state.extent, state.psi

    high, low = _extremes(state.second, state.triangle)
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
            gradient[index] = mean * (0.5 * sum(_extremes(moved, state.triangle)) - half) / 1e-4
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
    rate_se = np.linalg.norm(
        [
            np.sqrt(turn @ phase_covariance @ turn),
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
    first_se = np.linalg.norm([np.sqrt(first @ fit.covariance @ first), *besides])
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

    wave, _ = _wave(state.second, state.triangle, psi)
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
        above_cents=mean * high,
        below_cents=mean * low,
        start_s=start,
        start_se_s=begins.se_s,
        end_s=end,
        rate_slope_hz_per_s=_trend(centred, momentary),
        growth_cents_per_s=_trend(centred, extent[inside]) * half,
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


def _trend(centred: np.ndarray, values: np.ndarray) -> float:
    return float(np.sum(centred * values) / np.sum(centred**2))


def _background_curve(problem: _Problem, fit: MixedFit, places: _Places) -> np.ndarray:
    """Pitch of the background (drift, scoops and predicted wander) at the frames, cents."""
    series = problem.series
    columns = problem.straight
    integral = columns[:, :1] @ fit.coefficients[places.of["steady"]]
    integral = integral + (columns[:, 1:] / problem.drift_scale) @ fit.coefficients[places.of["drift"]]
    integral = integral + problem.bends @ fit.coefficients[places.of["attack"]]
    slow = fit.noise[1:] @ problem.shapes[1:]
    wander = np.concatenate([[0.0], fit.residual * slow / fit.variance])
    integral = integral + idct(wander, type=2, norm="ortho")
    return np.interp(problem.t, series.time_s, np.gradient(integral, series.step_s))


def _irregularity(
    t: np.ndarray, state: _State, fit: MixedFit, places: _Places, rate: float, mean: float
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
