"""Testing a corpus that grows: what each further look costs.

Whoever tests at 5 % whenever some recordings have come in will find something in time, nothing being
there: with six looks in about one corpus of six. Two ways out:

* **With a plan.** The claim says how large the corpus is to become. Each look may spend as much of the 5 %
  as the spending function of Lan & DeMets allows (the type of O'Brien & Fleming: hardly anything early,
  nearly all at the end), ::

      spent(t) = 4 - 4 Phi(z(alpha / 4) / sqrt(t)),    t = share of the planned corpus

  and its boundary follows from the looks before it (:func:`boundaries`). Looks need not be equally
  spaced, nor their number be known.
* **Without a plan.** Nobody knows how far the corpus will grow, so the 5 % must never be used up: half of
  them are for the first look, and at every doubling of the corpus half of what was left (:func:`lasting`), ::

      spent(n) = alpha (1 - n_1 / (2 n)),    n_1 = size at the first look

  However often it is looked at, chance alone is called real at some look in 5 % at most. Three looks stand
  out of this promise, and are told to:

  - A first look that stays the only one owes nothing to others, and is judged at 5 %. Where it would not
    have been decided at its half, it holds only as long as it stays the only one
    (:attr:`Standing.lasting_p`). Both at once, 5 % for the first look and something left for later ones,
    cannot be had: who stops at such a verdict, and else goes on, errs in up to 7.5 %.
  - The same corpus, measured or edited anew, has not grown: that look stands where the one before stood, and
    the log counts it (:mod:`vibstudy.stats.history`).
  - A look beyond the plan comes after all 5 % are spent: nothing is decided by it for good. A plan that was
    not there at the first look is none.

Looks are correlated as sums of independent parts are: sqrt(t_j / t_k). The p-value of a t-test enters as
the normal deviate of the same p (Jennison & Turnbull 1999, ch. 3.3: significance-level approach).

References
----------
Lan & DeMets 1983, Biometrika 70(3):659-663; O'Brien & Fleming 1979, Biometrics 35(3):549-556; Armitage,
McPherson & Rowe 1969, J. R. Stat. Soc. A 132(2):235-244 (the integration); Jennison & Turnbull 1999,
Group Sequential Methods, ch. 9 (repeated p-values and intervals).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
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


Spending = Callable[[float, float], float]
"""What of an error probability may be spent up to a share of the corpus."""


def lasting(first: float) -> Spending:
    """Spending where nobody knows how far the corpus will grow: half, and half of the rest at each doubling.

    Parameters
    ----------
    first : float
        Size at the first look, in the unit of the sizes that the function takes.
    """

    def spending(size: float, alpha: float) -> float:
        return alpha * (1 - first / (2 * size))

    return spending


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


def boundaries(shares: Sequence[float], alpha: float = 0.05, spending: Spending = spent) -> np.ndarray:
    """Two-sided boundaries, as normal deviates, of looks at a growing corpus.

    Parameters
    ----------
    shares : sequence of float, growing
        Of the planned corpus, in (0, 1]; with :func:`lasting` sizes in any unit.
    alpha : float
        Error probability of all looks together.
    spending : callable

    Returns
    -------
    ndarray [shape=(looks,)]
        ``inf`` where nothing may be spent.
    """
    walk, out, before = _Walk(), [], 0.0
    for share in shares:
        allowed = spending(share, alpha) - before
        before = spending(share, alpha)
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


def all_looks_p(p: float, shares: Sequence[float], spending: Spending = spent) -> float:
    """Smallest error probability of all looks together at which the last look crosses its boundary.

    It takes the place of `p` wherever p would be compared with 0.05, Holm's correction included.
    """
    if not np.isfinite(p):
        return p
    z = float(stats.norm.isf(p / 2))

    def short(log_alpha: float) -> float:
        bound = boundaries(shares, float(np.exp(log_alpha)), spending)[-1]
        return min(bound, FAR) - min(z, FAR)

    low, high = np.log(max(p, 1e-12)), np.log(0.999)
    if low >= high or short(high) >= 0:
        return 1.0
    if short(low) <= 0:
        return float(np.exp(low))
    return float(np.exp(optimize.brentq(short, low, high, xtol=1e-4)))


def nominal_level(shares: Sequence[float], alpha: float = 0.05, spending: Spending = spent) -> float:
    """The p that the last look must fall below, so that all looks together err with `alpha`."""
    return float(2 * stats.norm.sf(boundaries(shares, alpha, spending)[-1]))


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
    lasting_p : float
        The same with what further looks must be left; 1 beyond a plan.
    nominal : float
        What the look's own p must fall below at 5 % for all looks together.
    low, high : float
        The interval as wide as that costs; filled in by whoever knows the estimate.
    late : bool
        Whether the plan was not there at an earlier look, and counts for none.
    """

    look: int = 1
    size: int = 0
    share: float = float("nan")
    provisional: bool = False
    p: float = float("nan")
    lasting_p: float = float("nan")
    nominal: float = 0.05
    low: float = float("nan")
    high: float = float("nan")
    late: bool = False

    @property
    def interval_per_cent(self) -> float:
        """Nominal level of the interval, in per cent."""
        return 100 * (1 - self.nominal)

    @property
    def beyond(self) -> bool:
        """Whether a plan was there, and the look comes after it."""
        return self.provisional and not self.late and np.isfinite(self.share)


def standing_of(
    p: float,
    earlier: Sequence[int],
    size: int,
    planned: int | None,
    alpha: float = 0.05,
    late: bool = False,
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
    late : bool
        Whether some look before was without this plan.
    """
    look = len(earlier) + 1
    share = float("nan") if planned is None else min(1.0, size / planned)
    if planned is not None and not late and not any(planned <= s < size for s in earlier):
        shares = sorted({min(1.0, s / planned) for s in (*earlier, size) if s <= size})
        if shares == [1.0]:
            return Standing(look, size, share, False, p, p, alpha)
        whole = all_looks_p(p, shares)
        return Standing(look, size, share, False, whole, whole, nominal_level(shares, alpha))
    sizes = sorted({float(s) for s in (*earlier, size)})  # smaller now: judged as at the largest so far
    shares = [s / sizes[-1] for s in sizes]
    spending = lasting(shares[0])
    whole = all_looks_p(p, shares, spending)
    if len(sizes) == 1:
        return Standing(look, size, share, False, p, whole, alpha, late=late)
    beyond = planned is not None and not late
    nominal = nominal_level(shares, alpha, spending)
    return Standing(look, size, share, True, whole, 1.0 if beyond else whole, nominal, late=late)
