"""Several tests at once, and tests that there is no difference worth speaking of.

Evidence for and against
------------------------
A margin cuts the line of possible differences in two: those that fulfil a claim and those that do not. The
true one lies on one side, so both may be asked at once (:func:`evidence`), and "equal" and "different" with
the same margin are the same question with the answers exchanged.

References
----------
Holm 1979, Scand. J. Stat. 6(2):65-70 (through statsmodels); Schuirmann 1987, J. Pharmacokinet.
Biopharm. 15(6):657-680 (two one-sided tests).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from vibstudy.errors import VibstudyError


def holm(p: Sequence[float] | np.ndarray) -> np.ndarray:
    """Adjust p-values by Holm's method; missing ones stay missing and do not count as tests."""
    from statsmodels.stats.multitest import multipletests

    values = np.asarray(p, float)
    out = np.full(values.shape, np.nan)
    known = np.isfinite(values)
    if known.any():
        out[known] = multipletests(values[known], method="holm")[1]
    return out


@dataclass(frozen=True)
class Equivalence:
    """Result of two one-sided tests (TOST).

    Parameters
    ----------
    estimate, se, df : float
        The difference tested.
    margin : float
        Differences between -margin and +margin count as none.
    p_lower, p_upper : float
        One-sided p that the difference is not above -margin, not below +margin.
    p : float
        The larger of the two: p for "the difference is smaller than the margin".
    low, high : float
        The (1 - 2 alpha) interval that goes with the test (90 % for alpha = 0.05).
    alpha : float
        Level of each one-sided test.
    """

    estimate: float
    se: float
    df: float
    margin: float
    p_lower: float
    p_upper: float
    p: float
    low: float
    high: float
    alpha: float

    @property
    def equivalent(self) -> bool:
        """Whether a difference as large as the margin is rejected."""
        return self.p < self.alpha

    def __str__(self) -> str:
        level = 100 * (1 - 2 * self.alpha)
        verdict = (
            f"the difference is smaller than {self.margin:g}"
            if self.equivalent
            else f"a difference of {self.margin:g} or more cannot be excluded"
        )
        return (
            f"{self.estimate:.3g} ({level:.0f} % interval {self.low:.3g} to {self.high:.3g}), "
            f"p = {self.p:.3g}: {verdict}."
        )


def tost(estimate: float, se: float, df: float, margin: float, alpha: float = 0.05) -> Equivalence:
    """Test that a difference lies between -margin and +margin."""
    if not margin > 0:
        raise VibstudyError("the margin must be above 0", column="margin", got=str(margin))
    p_lower = float(stats.t.sf((estimate + margin) / se, df))
    p_upper = float(stats.t.cdf((estimate - margin) / se, df))
    half = float(stats.t.ppf(1 - alpha, df)) * se
    return Equivalence(
        estimate, se, df, margin, p_lower, p_upper, max(p_lower, p_upper), estimate - half, estimate + half,
        alpha,
    )  # fmt: skip


@dataclass(frozen=True)
class Evidence:
    """What an estimate says for and against an expectation.

    Parameters
    ----------
    support, against : float
        p of the test that speaks for, and against, what was expected.
    """

    support: float
    against: float

    @property
    def p(self) -> float:
        """The smaller of the two: the p that is corrected and reported."""
        return min(self.support, self.against)

    def verdict(self, factor: float = 1.0, alpha: float = 0.05) -> str:
        """Return supported, against or undecided, with p raised by `factor` (Holm, looks)."""
        if not self.p * factor < alpha:
            return "undecided"
        return "supported" if self.support <= self.against else "against"


def evidence(expect: str, estimate: float, se: float, df: float, margin: float = np.nan) -> Evidence:
    """Test an expectation both ways.

    Parameters
    ----------
    expect : {"lower", "higher", "different", "equal"}
    estimate, se, df : float
        The difference on the model's scale.
    margin : float
        With lower and higher: the least difference claimed, with its sign (missing: 0). With different and
        equal: differences between -margin and +margin count as none (missing: exactly 0 is none).

    Returns
    -------
    Evidence
        One-sided tests are doubled, as two-sided ones are reported; only "smaller than the margin" is
        the larger of two one-sided p (Schuirmann 1987).
    """
    if expect in ("lower", "higher"):
        bound = margin if np.isfinite(margin) else 0.0
        t = (estimate - bound) / se * (1 if expect == "higher" else -1)
        p = float(2 * stats.t.sf(abs(t), df))
        return Evidence(p, 1.0) if t > 0 else Evidence(1.0, p)
    if not np.isfinite(margin):
        return Evidence(float(2 * stats.t.sf(abs(estimate) / se, df)), 1.0)
    beyond = min(1.0, float(2 * stats.t.sf((abs(estimate) - margin) / se, df)))
    within = tost(estimate, se, df, margin).p
    return Evidence(within, beyond) if expect == "equal" else Evidence(beyond, within)
