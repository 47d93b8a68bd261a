"""Testing a corpus that grows: what each further look costs.

Whoever tests at 5 % whenever some recordings have come in will find something in time, nothing being
there: with six looks in about one corpus of six. Two ways out:

* **With a plan.** The claim says how large the corpus is to become. Each look may spend as much of the 5 %
  as the spending function of Lan & DeMets allows (the type of O'Brien & Fleming: hardly anything early,
  nearly all at the end), ::

      spent(t) = 4 - 4 Phi(z(alpha / 4) / sqrt(t)),    t = share of the planned corpus

  and its boundary follows from the looks before it (:func:`boundaries`). Looks need not be equally
  spaced, nor their number be known.
* **Without a plan.** From the second look on a verdict is provisional; p becomes the probability that
  the most extreme of all looks so far had come out as extreme (:func:`any_look_p`).

Looks are correlated as sums of independent parts are: sqrt(t_j / t_k). The p-value of a t-test enters as
the normal deviate of the same p (Jennison & Turnbull 1999, ch. 3.3: significance-level approach).

References
----------
Lan & DeMets 1983, Biometrika 70(3):659-663; O'Brien & Fleming 1979, Biometrics 35(3):549-556; Armitage,
McPherson & Rowe 1969, J. R. Stat. Soc. A 132(2):235-244 (the integration); Jennison & Turnbull 1999,
Group Sequential Methods, ch. 9 (repeated p-values and intervals).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

NODES = 160
"""Points of the Gauss-Legendre rule between the boundaries: 80 give the same four decimals."""

FAR = 9.0
"""Boundaries are looked for up to this many standard deviations: beyond lies less than 1e-18."""


def spent(share: float, alpha: float = 0.05) -> float:
    """Error probability, both sides, that may be spent up to a share of the planned corpus."""
    if share >= 1:
        return alpha
    return float(4 * stats.norm.sf(stats.norm.isf(alpha / 4) / np.sqrt(share)))


class _Walk:
    """Density of the sum at the last look, over paths that crossed no boundary so far."""

    def __init__(self) -> None:
        self.time, self.points, self.mass = 0.0, np.zeros(1), np.ones(1)

    def crossing(self, time: float, bound: float) -> float:
        """Probability to lie outside ± `bound` (a deviate) at `time`, having stayed inside before."""
        step, edge = np.sqrt(time - self.time), bound * np.sqrt(time)
        beyond = stats.norm.sf((edge - self.points) / step) + stats.norm.cdf((-edge - self.points) / step)
        return float(self.mass @ beyond)

    def stay(self, time: float, bound: float) -> None:
        """Go on with the paths inside ± `bound`."""
        nodes, weights = np.polynomial.legendre.leggauss(NODES)
        edge, step = min(bound, FAR) * np.sqrt(time), np.sqrt(time - self.time)
        points = edge * nodes
        density = stats.norm.pdf((points[:, None] - self.points[None, :]) / step) / step
        self.time, self.points, self.mass = time, points, edge * weights * (density @ self.mass)


def boundaries(shares: Sequence[float], alpha: float = 0.05) -> np.ndarray:
    """Two-sided boundaries, as normal deviates, of looks at growing shares of the planned corpus.

    Parameters
    ----------
    shares : sequence of float, growing, in (0, 1]
    alpha : float
        Error probability of all looks together.

    Returns
    -------
    ndarray [shape=(looks,)]
        ``inf`` where nothing may be spent.
    """
    walk, out, before = _Walk(), [], 0.0
    for share in shares:
        allowed = spent(share, alpha) - before
        before = spent(share, alpha)
        bound = np.inf
        if allowed > walk.crossing(share, FAR):
            bound = float(
                optimize.brentq(
                    lambda b, share=share, allowed=allowed: walk.crossing(share, b) - allowed, 0.0, FAR
                )
            )
        out.append(bound)
        walk.stay(share, bound)
    return np.array(out)


def planned_p(p: float, shares: Sequence[float]) -> float:
    """Smallest error probability of all looks together at which the last look crosses its boundary.

    It takes the place of `p` wherever p would be compared with 0.05, Holm's correction included.
    """
    if not np.isfinite(p) or len(shares) == 0 or (len(shares) == 1 and shares[0] >= 1):
        return p
    z = float(stats.norm.isf(p / 2))

    def short(log_alpha: float) -> float:
        bound = boundaries(shares, float(np.exp(log_alpha)))[-1]
        return min(bound, FAR) - min(z, FAR)

    low, high = np.log(max(p, 1e-12)), np.log(0.999)
    if short(high) >= 0:
        return 1.0
    if short(low) <= 0:
        return float(np.exp(low))
    return float(np.exp(optimize.brentq(short, low, high, xtol=1e-4)))


def any_look_p(p: float, sizes: Sequence[float]) -> float:
    """Probability that at some of these looks chance alone gives a p as small as this one.

    Parameters
    ----------
    p : float
        Two-sided p of one look.
    sizes : sequence of float
        Size of the corpus at every look.
    """
    times = np.unique(np.asarray(sizes, float))
    if not np.isfinite(p) or len(times) < 2:
        return p
    z, walk, total = float(stats.norm.isf(p / 2)), _Walk(), 0.0
    for time in times / times[-1]:
        total += walk.crossing(time, z)
        walk.stay(time, z)
    return min(1.0, total)


def nominal_level(shares: Sequence[float], sizes: Sequence[float], alpha: float = 0.05) -> float:
    """The p that the last look must fall below, so that all looks together err with `alpha`.

    `shares` of the planned corpus, or, where there is no plan (empty), the `sizes` at all looks.
    """
    if len(shares):
        return float(2 * stats.norm.sf(boundaries(shares, alpha)[-1]))
    if len(set(sizes)) < 2:
        return alpha
    return float(optimize.brentq(lambda p: any_look_p(p, sizes) - alpha, alpha / (2 * len(sizes)), alpha))


@dataclass(frozen=True)
class Standing:
    """Where a look stands among the others, and what it costs.

    Parameters
    ----------
    look : int
        Number of this look, from 1.
    size : int
        Players or recordings now.
    share : float
        Of the corpus planned; missing without a plan.
    provisional : bool
        Whether it is a further look that no plan foresaw.
    p : float
        p of all looks together, in place of the look's own.
    nominal : float
        What the look's own p must fall below at 5 % for all looks together.
    low, high : float
        The interval as wide as that costs; filled in by whoever knows the estimate.
    """

    look: int = 1
    size: int = 0
    share: float = float("nan")
    provisional: bool = False
    p: float = float("nan")
    nominal: float = 0.05
    low: float = float("nan")
    high: float = float("nan")

    @property
    def interval_per_cent(self) -> float:
        """Nominal level of the interval, in per cent."""
        return 100 * (1 - self.nominal)


def standing_of(
    p: float, earlier: Sequence[int], size: int, planned: int | None, alpha: float = 0.05
) -> Standing:
    """Weigh a look's p among the looks so far.

    Parameters
    ----------
    p : float
        The look's own.
    earlier : sequence of int
        Size of the corpus at the looks before.
    size : int
        Its size now.
    planned : int | None
        The size it is to have at the end.
    """
    look = len(earlier) + 1
    share = float("nan") if planned is None else min(1.0, size / planned)
    foreseen = planned is not None and not any(planned <= s < size for s in earlier)
    if foreseen and planned is not None:
        shares = sorted({min(1.0, s / planned) for s in (*earlier, size) if s <= size})
        if shares == [1.0]:
            return Standing(look, size, share, False, p, alpha)
        return Standing(look, size, share, False, planned_p(p, shares), nominal_level(shares, (), alpha))
    sizes = [*earlier, size]
    return Standing(look, size, share, look > 1, any_look_p(p, sizes), nominal_level((), sizes, alpha))
