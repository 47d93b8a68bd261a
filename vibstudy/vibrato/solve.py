"""Fits a vibrato's curve to the sound: Gauss-Newton turns, each a linear model with random parts (REML).

About a curve as it stands (:class:`~vibstudy.vibrato.curve.State`) the model of :mod:`vibstudy.vibrato.fit`
is linear (:func:`linearised`); its variances and coefficients come from
:func:`vibstudy.vibrato.noise.fit_variances`, and the curve moves there (:func:`improve`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vibstudy.pitch.calculus import running_integral
from vibstudy.vibrato.curve import Basis, State, integral_of_triangle, triangle_rest, triangle_tail, wave_at
from vibstudy.vibrato.noise import MixedFit, Series, fit_variances

SETTLED_RAD = 0.06  # a phase that moves less from turn to turn stands still


class Problem:
    """The note's data on the fine grid (frames) and on the thin grid (fit)."""

    def __init__(
        self, time_s: np.ndarray, integral: np.ndarray, duration_s: float, block: int, *, tail: bool = False
    ):
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
        attack = self.series.attack()
        at_end = self.series.tail() if tail else attack[:, :0]
        self.bends = np.concatenate([attack, at_end], axis=1)
        self.attack, self.tail = self.series.spectrum(attack), self.series.spectrum(at_end)
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


@dataclass
class Variances:
    """Variances carried from step to step: background (v, s1, s2); drift, attack, extent, phase, tail.

    `least`: what the latter are at least.
    """

    noise: np.ndarray
    spread: np.ndarray
    least: np.ndarray


@dataclass(frozen=True)
class Shape:
    """Which shapes of the cycle are fitted."""

    second: bool
    triangle: bool


NO_SHAPE = Shape(False, False)


class Places:
    """Where each kind of coefficient stands in a solution."""

    def __init__(self, problem: Problem, basis: Basis, shape: Shape):
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
            "room": problem.tail.shape[1],
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

    def fit(self, variances: Variances, iterations: int) -> MixedFit:
        """Fit, and take its variances; coefficients are the new values, not steps."""
        used = [self.groups[g] for g in self.used]
        spread, least = variances.spread[self.used], variances.least[self.used]
        fit = fit_variances(self.y, self.fixed, used, self.shapes, variances.noise, spread, iterations, least)
        variances.noise = fit.noise
        variances.spread[self.used] = fit.spread
        return fit

    def bare(self, fit: MixedFit, variances: Variances) -> MixedFit:
        """Without the variances that were falling, if the sound is as probable without them."""
        falling = fit.falling & [False, *[True] * (len(fit.falling) - 1)]
        if not falling.any():
            return fit
        kept = np.where(falling, 0.0, np.append(fit.noise, fit.spread))
        spread = variances.spread.copy()
        spread[self.used] = kept[3:]
        trial = replace(variances, noise=kept[:3], spread=spread)
        bare = self.fit(trial, 0)
        if bare.deviance > fit.deviance:
            return fit
        variances.noise, variances.spread = trial.noise, trial.spread
        return bare


def linearised(problem: Problem, state: State, shape: Shape) -> _Linear:
    """Linearise about `state`."""
    basis, psi, extent = state.basis, state.psi, state.extent
    wave, slope = wave_at(state.second, state.triangle, psi)
    up = (basis.gate * wave)[:, None] * basis.extent
    across = (basis.gate * extent * slope)[:, None] * basis.phase
    blocks = [up[:, :2], across[:, :2]]
    values = [state.extent_c[:2], state.phase_c[:2]]
    if shape.second:
        blocks.append((basis.gate * extent)[:, None] * np.column_stack([np.cos(2 * psi), np.sin(2 * psi)]))
        values.append(state.second)
    if shape.triangle:
        odd = np.column_stack([triangle_rest(psi), triangle_tail(psi)])
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
        smooth += corner * triangle_rest(psi)
    both = problem.columns(np.column_stack([columns, smooth]))
    if state.triangle:
        both[:, -1] -= problem.transform(integral_of_triangle(corner, psi, problem.t))
    fixed = np.concatenate([problem.steady, both[:, :fixed_count]], axis=1)
    random = both[:, fixed_count:-1]
    groups = [
        problem.drift,
        problem.attack,
        random[:, : basis.random],
        random[:, basis.random :],
        problem.tail,
    ]
    return _Linear(problem.y + both[:, -1], fixed, groups, problem.shapes)


def improve(
    problem: Problem, state: State, variances: Variances, shape: Shape, turns: int, iterations: int
) -> MixedFit | None:
    """Gauss-Newton turns until the phase stands still, in place; None when the vibrato gets lost."""
    places = Places(problem, state.basis, shape)
    for _ in range(turns):
        linear = linearised(problem, state, shape)
        fit = linear.fit(variances, iterations)
        c = fit.coefficients
        worst = move(state, c, places)
        if shape.second:
            # a larger one would make two crests of one
            state.second = np.clip(c[places.of["second"]], -0.6, 0.6)
        if shape.triangle:
            # far beyond any share of a triangle
            state.triangle = float(np.clip(c[places.of["triangle"]][0], -1.0, 3.0))
        rate = state.phase_c[1] / (np.pi * (state.basis.end - state.basis.start))
        if not 1.0 < rate < 20.0 or state.extent_c[0] <= 0.0:
            return None
        if worst < SETTLED_RAD:
            break
    fit = linear.bare(fit, variances)
    move(state, fit.coefficients, places)
    return fit


def move(state: State, coefficients: np.ndarray, places: Places) -> float:
    """Take extent and phase from a solution, in place; how far the phase is off, rad."""
    step = coefficients[places.phase] - state.phase_c
    worst = float(np.abs(state.basis.phase @ step)[state.basis.inside].max())
    # rad a turn: the sine is nearly straight there
    state.phase_c = state.phase_c + step * min(1.0, 0.8 / (worst + 1e-12))
    state.extent_c = coefficients[places.extent]
    return worst
