"""The shape of the cycle: is there a second harmonic, and how much of a triangle's corner."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit, logit

from vibstudy.vibrato.curve import State
from vibstudy.vibrato.solve import Places, Problem, Shape, Variances, linearised, move

SECOND_HARMONIC_CHI2 = 13.0  # what a second harmonic must reach before it counts
SINE_PRIOR = 0.9  # probability that a cycle is a sine, before the sound is asked
NARROW_CENTS, NARROW_SINE_PRIOR = (4.0, 8.0), 0.6  # so narrow, neither shape may be off by 0.3 cents
SINE_DOUBTFUL = 0.6  # the same where errors are concerned
TRIANGLE_PRIOR = (0.7, 0.5)  # mean and SD of the triangle's share where it is not a sine
CORNER_PRIOR = 0.58  # as much as if any share of them, from none to all, were missing
CORNER_WHOLE_PRIOR = 0.9  # probability that the corner is the triangle's
CORNER_ROUGH = 0.1  # standard error of the corner, as a share, that the linear solution has in clean sound


@dataclass(frozen=True)
class Cycle:
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


def select_cycle_shape(problem: Problem, state: State, variances: Variances) -> Cycle:
    """Shape of the cycle from one solution with all shapes free; extent and phase move to it."""
    everything = Shape(True, True)
    trial = replace(variances, noise=variances.noise.copy(), spread=variances.spread.copy())
    fit = linearised(problem, state, everything).fit(trial, 1)
    everywhere = Places(problem, state.basis, everything)
    places = everywhere.of
    at = places["second"]
    value = fit.coefficients[at]
    chi2 = float(value @ np.linalg.solve(fit.covariance[np.ix_(at, at)], value))
    move(state, fit.coefficients, everywhere)
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
    return Cycle(chi2 > SECOND_HARMONIC_CHI2, share, spread, float(np.hypot(corner, corner_sd)))


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
