r"""The vibrato of one note: rate, extent, start, shape, steadiness, each with its error.

Model
-----
The pitch of a note, in cents, is

.. math:: c(t) = d(t) + g(t)\, e(t)\, P(\psi(t)) + \text{noise},

* ``d``: background of the note: drift, scoops at its edges, bends of its attack and of a room's tail,
  wander and jitter
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
their errors hold this doubt too. Where the sound does not decide, the figures follow what is usual
(``SINE_PRIOR``), the errors also what is not (``SINE_DOUBTFUL``, ``AT_ONCE_DOUBTFUL``).

Extent is HALF of peak-to-peak. The triangle of half peak-to-peak *E* has a fundamental of
:math:`8E/\pi^2`; the whole cycle counts, not its fundamental.

Irregularity is the coefficient of variation from cycle to cycle, about the linear trend, as
predicted (posterior mean of the realised variance): measurement noise is not counted.

The way of a note: a first guess, here; the cycle's shape (:mod:`~vibstudy.vibrato.cycle`); beginning and end
(:mod:`~vibstudy.vibrato.span`); the fit between them (:mod:`~vibstudy.vibrato.solve`, of a
:mod:`~vibstudy.vibrato.curve`); its figures (:mod:`~vibstudy.vibrato.realised`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vibstudy.vibrato.curve import Basis, State
from vibstudy.vibrato.cycle import Cycle, select_cycle_shape
from vibstudy.vibrato.noise import Series
from vibstudy.vibrato.realised import VibratoFit, realised, trend
from vibstudy.vibrato.solve import NO_SHAPE, Problem, Shape, Variances, improve
from vibstudy.vibrato.span import Edge, find_edges

BEND_CENTS = 5.0
"""First guess of how far attack and tail bend the pitch; in rooms the least (3 and 10 do as well): where the
most probable variances of a short note leave them out, what they bend becomes an irregular rate."""
LOCAL_CYCLES = 1.5  # as short as a phase and an extent can be told


def fit_vibrato(
    time_s: np.ndarray,
    integral: np.ndarray,
    duration_s: float,
    rate_hz: float,
    noise: np.ndarray,
    within_s: tuple[float, float] | None = None,
    *,
    drawn: bool = False,
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
    drawn : bool
        Whether a room, or others, may draw the line: they bend its ends.

    Returns
    -------
    VibratoFit | None
        None when no vibrato can be fitted (less than a cycle and a half).
    """
    step = float(time_s[1] - time_s[0])
    target = 100.0 if duration_s < 2.5 else 70.0  # values a second: seven to the fastest cycle, for speed
    problem = Problem(time_s, integral, duration_s, max(1, round(1.0 / (target * step))), tail=drawn)
    state = _start(problem, rate_hz, within_s)
    scale = float(np.std(problem.y))
    # first guess: jitter and wander that are hardly there
    background = np.maximum(noise, noise[0] * np.array([1.0, 1e-4, 1e-6]))
    # first guess: extent varies by a tenth, rate by a twentieth
    extent = (0.1 * state.extent_c[0]) ** 2
    spread = np.array([(0.01 * scale) ** 2 + 1e-12, BEND_CENTS**2, extent, 0.05**2, BEND_CENTS**2])
    # where a room, or others, may draw the line, its ends are never known to be straight
    bends = BEND_CENTS**2 * np.array([0.0, 1.0, 0.0, 0.0, 1.0])
    variances = Variances(background, spread, bends if drawn else np.zeros(5))
    if not improve(problem, state, variances, NO_SHAPE, turns=1, iterations=2):
        return None
    rate = state.phase_c[1] / (np.pi * (state.basis.end - state.basis.start))
    cycle = select_cycle_shape(problem, state, variances)
    state.triangle = cycle.triangle
    start, end = find_edges(problem, state, rate, variances)
    return _fit_span(problem, state, variances, cycle, rate, start, end)


def _fit_span(
    problem: Problem,
    state: State,
    variances: Variances,
    cycle: Cycle,
    rate: float,
    start: Edge,
    end: Edge,
) -> VibratoFit | None:
    """Fit the vibrato between two edges."""
    if (end.time_s - start.time_s) * rate < 1.3:  # of fewer cycles rate and extent are one number
        return None
    if (start.time_s, end.time_s) == (state.basis.start, state.basis.end):
        state = replace(state)
    else:
        basis = Basis(problem.t, problem.series.duration_s, start.time_s, end.time_s, rate)
        state = state.on(basis, problem.t)
    shape = Shape(cycle.second, False)
    # at most: it mostly stands still before
    fit = improve(problem, state, variances, shape, turns=4, iterations=3)
    if fit is None:
        return None
    return realised(problem, state, fit, variances, shape, cycle, start, end)


def _start(problem: Problem, rate_hz: float, within_s: tuple[float, float] | None = None) -> State:
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
    # first guess of where it lasts; vibrato/span.py places the edges
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
        rate = trend(at - at.mean(), phase[longest]) / (2.0 * np.pi)
        # farther from the detector's it is another peak
        rate = float(np.clip(rate, 0.7 * rate_hz, 1.4 * rate_hz))
    basis = Basis(problem.t, duration, start, end, rate)
    on = np.interp(series.time_s[longest], problem.t, np.arange(len(problem.t))).round().astype(int)
    weight = (extent[longest] / level)[:, None]

    def carry(columns: np.ndarray, values: np.ndarray) -> np.ndarray:
        # a little ridge on the random columns: the guess is rough
        ridge = np.zeros(columns.shape[1])
        ridge[2:] = 0.05  # first guess: nearly steady
        x = columns[on] * weight
        return np.linalg.solve(
            x.T @ x + np.diag(ridge * np.diag(x.T @ x) + 1e-9), x.T @ (values * weight[:, 0])
        )

    return State(
        basis, carry(basis.extent, extent[longest]), carry(basis.phase, phase[longest]), np.zeros(2), 0.0
    )


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
