"""Where in a note its vibrato begins and ends, with what the doubt about it does to rate and extent.

Beginning with the note or later, until the note's end or not so long, are models among which the sound
decides: each is fitted with the phase held (:class:`_Gates`), and weighed by its likelihood and its prior.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from vibstudy.pitch.calculus import running_integral
from vibstudy.vibrato.curve import State, gate_at, wave_at
from vibstudy.vibrato.solve import Problem, Variances

AT_ONCE_PRIOR = 0.5  # probability that vibrato begins with the note; else its delay is exponential
AT_ONCE_DOUBTFUL = 0.2  # the same where errors are concerned
DELAY_S = 0.2  # mean of the delay
LEAST_DELAY_CYCLES = 0.2  # a vibrato that begins sooner begins with the note
WHOLE_NOTE_PRIOR = 8.0  # by how much -2 log likelihood must fall before vibrato ends early
GROWTH = 0.1  # prior standard deviation of the growth of the extent over a note, as a share


@dataclass(frozen=True)
class Edge:
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


def find_edges(problem: Problem, state: State, rate: float, variances: Variances) -> tuple[Edge, Edge]:
    """Beginning and end of vibrato."""
    duration = problem.series.duration_s
    period = 1.0 / rate
    step = min(period / 4.0, 0.06)  # the best is refined by a parabola
    first = max(step, LEAST_DELAY_CYCLES * period)
    # as much vibrato as vibrato/fit.py needs
    grid = np.append(0.0, np.arange(first, max(duration - 1.3 * period, 1e-9), step))
    if len(grid) < 2:
        return Edge(0.0, float("nan")), Edge(duration, 0.0)
    gates = _Gates(problem, state, variances, period)
    found = gates.fit(grid, duration)
    # closer round the best of the late ones
    fine = grid[1 + np.argmin(found.cost[1:])] + step * np.array([-0.5, -0.3, -0.15, 0.15, 0.3, 0.5])
    fine = fine[fine > LEAST_DELAY_CYCLES * period]
    start = _start_edge(*found.merged(grid, fine, gates.fit(fine, duration)))
    ends = duration - np.arange(0.0, max(duration - start.time_s - 1.3 * period, 1e-9), step)
    if len(ends) < 2 or state.basis.end == duration:  # strong up to the end
        return start, Edge(duration, 0.0)
    return start, _end(ends, gates.fit(start.time_s, ends).cost)


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

    def __init__(self, problem: Problem, state: State, variances: Variances, period: float):
        self.series, self.period = problem.series, period
        self.t, self.duration = self.series.time_s, self.series.duration_s
        self.psi = np.interp(self.t, problem.t, state.psi)
        wave, slope = wave_at(state.second, state.triangle, self.psi)
        self.level = float(np.mean(state.extent))
        self.u = (self.t - self.t.mean()) / self.duration
        up = np.stack([wave, self.level * slope], axis=1)
        self.carrier = np.concatenate([up, up * self.u[:, None]], axis=1)
        self.w = 1.0 / np.sqrt(variances.noise @ problem.shapes)
        attack, tail = (
            block * np.sqrt(variances.spread[g]) for block, g in ((problem.attack, 1), (problem.tail, 4))
        )
        taken = np.concatenate([problem.background, attack, tail], axis=1) * self.w[:, None]
        # rows below the data that hold attack and tail to their variances
        self.drawn = attack.shape[1] + tail.shape[1]
        held = np.eye(self.drawn, taken.shape[1], problem.background.shape[1])
        self.q, _ = np.linalg.qr(np.concatenate([taken, held]))
        self.y = self._clear(problem.y[:, None])[:, 0]
        self.scale = 0.0  # of the cost: so that the best of the first gates fits as well as it should

    def _clear(self, spectra: np.ndarray) -> np.ndarray:
        columns = np.concatenate([spectra * self.w[:, None], np.zeros((self.drawn, spectra.shape[1]))])
        return columns - self.q @ (self.q.T @ columns)

    def fit(self, starts: Any, ends: Any) -> _Gated:
        """Vibrato from `starts` to `ends`, either of which may be an array."""
        gates = gate_at(self.t[:, None], starts, ends, self.duration, self.period)
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


def _start_edge(grid: np.ndarray, found: _Gated) -> Edge:
    """Beginning with the note or later, whichever is more probable."""
    width = np.gradient(grid[1:]) if len(grid) > 2 else np.ones(1)
    delayed = np.exp(-grid[1:] / DELAY_S) * width
    delayed /= delayed.sum()
    likelihood = np.exp(-0.5 * (found.cost - found.cost.min()))

    def weights(at_once: float) -> np.ndarray:
        weight = np.append(at_once, (1.0 - at_once) * delayed) * likelihood
        return weight / weight.sum()

    weight, doubtful = weights(AT_ONCE_PRIOR), weights(AT_ONCE_DOUBTFUL)
    if weight[0] > 0.5:  # the likelier
        edge = Edge(0.0, float(grid[1]) / np.sqrt(12.0))
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


def _late_edge(grid: np.ndarray, weight: np.ndarray, cost: np.ndarray) -> Edge:
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
    # the parabola's own error: a tenth of the points' distance
    return Edge(time_s, float(np.hypot(bend**-0.5, 0.1 * (grid[best + 1] - grid[best - 1]))))


def _end(grid: np.ndarray, cost: np.ndarray) -> Edge:
    """End of vibrato; the first of the grid is the end of the note."""
    if cost[0] - cost.min() < WHOLE_NOTE_PRIOR:
        return Edge(float(grid[0]), 0.0)
    return _mean_edge(grid, np.exp(-0.5 * (cost - cost.min())))


def _mean_edge(grid: np.ndarray, weight: np.ndarray) -> Edge:
    """Posterior mean and standard deviation."""
    weight = weight / weight.sum()
    mean = float(weight @ grid)
    step = abs(float(grid[-1] - grid[0])) / max(len(grid) - 1, 1)
    return Edge(mean, float(np.sqrt(weight @ (grid - mean) ** 2 + step**2 / 12.0)))
