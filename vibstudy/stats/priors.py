"""A tiny corpus with stated priors: what is believed beforehand of the players' spread, and what it changes.

With four players the data say next to nothing of how much players differ, and the test is as wide as that
costs. Who is willing to say beforehand how much players may differ gets an answer that rests on it, and must
show what another belief would have given. :func:`prior_table` puts the default model and three priors into
one table; where they disagree, the prior speaks, not the recordings.

Model and priors
----------------
The mixed model of :func:`vibstudy.stats.fit_mixed`, its random part as it is there. Fixed effects: flat.
Standard deviation of every random column: half-normal with the scale stated, in the outcome's unit (of a
slope: per standard deviation of its column), independent of each other. Standard deviation of the notes: its
restricted likelihood estimate, taken as known (of 100 notes it is known to 7 %).

Given the standard deviations the posterior of a contrast is normal (generalised least squares); they are
integrated out on a product of Gauss–Legendre nodes between the bounds beyond which nothing is left. So it is
exact up to the nodes, needs no sampler, no seed and no further package, and takes a second.

References
----------
Gelman 2006, Bayesian Anal. 1(3):515-534 (half-normal and half-t priors of standard deviations); Röver 2020,
J. Stat. Softw. 93(6) (the same by integration, for meta-analysis).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import optimize, stats

from vibstudy.errors import VibstudyError, unknown
from vibstudy.stats.mixed import MixedResult
from vibstudy.stats.terms import unpack
from vibstudy.threads import one_thread

MOST_COLUMNS = 3
"""Random columns that are integrated at most, those of the players first; others stay at their estimate."""

NODES = 20
"""Nodes a column: with 40 no figure of the tests moves by a thousandth of the posterior's deviation."""

LOST = 12.0
"""Where the log posterior lies this far below its top, nothing is left (e^-12 is six in a million)."""

PARTS = (0.5, 1.0, 2.0)
"""Default scales, in units of the standard deviation of the outcome."""


@dataclass(frozen=True, eq=False)
class Posterior:
    """A contrast after looking: a mixture of normal distributions.

    Parameters
    ----------
    weights, centres, errors : ndarray [shape=(k,)]
    players_sd : float
        Posterior mean of the standard deviation of players' levels (of the first group).
    """

    weights: np.ndarray
    centres: np.ndarray
    errors: np.ndarray
    players_sd: float

    @property
    def mean(self) -> float:
        """Posterior mean."""
        return float(self.weights @ self.centres)

    def below(self, value: float) -> float:
        """Probability that the contrast is below `value`."""
        return float(self.weights @ stats.norm.cdf((value - self.centres) / self.errors))

    def quantile(self, share: float) -> float:
        """The value below which it lies with probability `share`."""
        reach = 40 * float(self.errors.max()) + float(np.ptp(self.centres))  # where the search may begin
        middle = self.mean
        return float(optimize.brentq(lambda v: self.below(v) - share, middle - reach, middle + reach))


@one_thread
def posterior(result: MixedResult, contrast: np.ndarray, scale: float) -> Posterior:
    """Return the posterior of one contrast.

    Parameters
    ----------
    result : MixedResult
    contrast : ndarray [shape=(p,)]
    scale : float
        Scale of the half-normal priors, in the outcome's unit.
    """
    solution, terms = result.fit.solution, result.prepared.terms
    sigma, moments = solution.sigma, solution.moments
    start = np.array([f[i, j] for t, f in zip(terms, result.fit.factors, strict=True) for i, j in t.free])
    diagonal = [k for k, (i, j) in enumerate(e for t in terms for e in t.free) if i == j]
    free = diagonal[:MOST_COLUMNS]

    def at(deviations: np.ndarray) -> tuple[float, float, float]:
        vector = start.copy()
        vector[free] = deviations / sigma
        solved = moments.at(unpack(terms, vector), sigma)
        error = float(np.sqrt(contrast @ solved.covariance @ contrast))
        log = -solved.deviance / 2 - float(np.sum((deviations / scale) ** 2)) / 2
        return log, float(contrast @ solved.beta), error

    found = np.abs(start[free]) * sigma
    bounds = []
    for k in range(len(free)):
        # of a half-normal of that scale: beyond is 2e-9
        tried = np.concatenate([[0.0], scale * np.geomspace(1e-3, 6, 25)])
        logs = np.array([at(np.where(np.arange(len(free)) == k, value, found))[0] for value in tried])
        left = np.flatnonzero(logs > logs.max() - LOST)
        bounds.append((tried[max(left[0] - 1, 0)], tried[min(left[-1] + 1, len(tried) - 1)]))
    nodes, weight = np.polynomial.legendre.leggauss(NODES)
    unit = (nodes + 1) / 2  # squared: closer where a deviation is small, and the posterior changes fastest
    axes = [low + (high - low) * unit**2 for low, high in bounds]
    points = np.array(list(itertools.product(*axes)))
    product = np.array([np.prod(w) for w in itertools.product(weight * unit, repeat=len(free))])
    logs, centres, errors = np.array([at(point) for point in points]).T
    density = product * np.exp(logs - logs.max())
    density /= density.sum()
    return Posterior(density, centres, errors, float(density @ points[:, 0]))


def prior_table(
    result: MixedResult, contrast: Sequence[float] | str, scales: Sequence[float] | None = None
) -> pd.DataFrame:
    """The default model and three priors side by side.

    Parameters
    ----------
    result : MixedResult
    contrast : str or sequence of float [shape=(p,)]
        A term of ``result.table()``, or weights of all its terms.
    scales : sequence of float | None
        Scales of the half-normal prior of every standard deviation, in the outcome's unit ("players differ
        by about this much or less"). By default 0.5, 1 and 2 standard deviations of the outcome.

    Returns
    -------
    DataFrame
        Indexed by model: ``prior_scale, estimate, low, high`` (95 % interval), ``above_zero`` (probability
        that the contrast is above 0; missing for the default model), ``p`` (default model only),
        ``players_sd``.

    Raises
    ------
    VibstudyError
        When the term is unknown, a scale is not above 0, or the model's random part is correlated.
    """
    row = _row(result, contrast)
    if scales is None:
        scales = [part * float(np.std(result.prepared.y, ddof=1)) for part in PARTS]
    wrong = [s for s in scales if not (np.isfinite(s) and s > 0)]
    if wrong:
        raise VibstudyError("the scale of a prior is above 0", column="scales", got=str(wrong[0]))
    if any(t.correlated and len(t.columns) > 1 for t in result.prepared.terms):
        raise VibstudyError(
            "priors are stated for slopes that are not correlated", repair="slope_correlation=False"
        )
    usual = result.infer([row]).iloc[0]
    spread = result.fit.solution.sigma * result.fit.factors[0][0, 0]
    rows = {"default": (np.nan, usual["estimate"], usual["low"], usual["high"], np.nan, usual["p"], spread)}
    for scale in scales:
        found = posterior(result, row, scale)
        low, high = found.quantile(0.025), found.quantile(0.975)
        rows[f"prior {scale:.3g}"] = (
            scale, found.mean, low, high, 1 - found.below(0.0), np.nan, found.players_sd,
        )  # fmt: skip
    columns = ["prior_scale", "estimate", "low", "high", "above_zero", "p", "players_sd"]
    return pd.DataFrame.from_dict(rows, orient="index", columns=columns).rename_axis("model")


def _row(result: MixedResult, contrast: Sequence[float] | str) -> np.ndarray:
    if not isinstance(contrast, str):
        return np.asarray(contrast, float)
    names = list(result.names)
    if contrast not in names:
        raise VibstudyError(unknown("no such term in the model", contrast, names, "Terms"))
    return np.eye(len(names))[names.index(contrast)]
