"""Agreement: of two listeners, of machine and ear, of a measurement repeated.

Intraclass correlation
----------------------
n targets, k judges; mean squares between targets (BMS), within targets (WMS), between judges (JMS),
residual (EMS)::

    ICC(1,1) = (BMS - WMS) / (BMS + (k-1) WMS)                        each target has its own judges
    ICC(2,1) = (BMS - EMS) / (BMS + (k-1) EMS + k (JMS - EMS) / n)    judges are a sample: absolute agreement
    ICC(3,1) = (BMS - EMS) / (BMS + (k-1) EMS)                        these judges only: consistency

and ICC(·,k) for the mean of the k judges.

References
----------
Shrout & Fleiss 1979, Psychol. Bull. 86(2):420-428; Cohen 1960, Educ. Psychol. Meas. 20(1):37-46
(through statsmodels); Bland & Altman 1986, Lancet 327(8476):307-310; 1999, Stat. Methods Med. Res.
8(2):135-160 (errors of the limits).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from vibstudy.errors import VibstudyError


def icc(ratings: pd.DataFrame | np.ndarray, level: float = 0.95) -> pd.DataFrame:
    """All six intraclass correlations of Shrout and Fleiss.

    Parameters
    ----------
    ratings : DataFrame or ndarray [shape=(targets, judges)]
        Targets with a missing rating are left out.
    level : float
        Confidence level.

    Returns
    -------
    DataFrame
        Indexed by form ("ICC(1,1)" ... "ICC(3,k)"): ``icc, low, high, f, df1, df2, p, targets, judges``.
        p tests that the correlation is zero.
    """
    x = np.asarray(ratings, float)
    if x.ndim != 2 or x.shape[1] < 2:
        raise VibstudyError("ratings need one row a target and at least two columns", got=str(x.shape))
    x = x[np.all(np.isfinite(x), axis=1)]
    n, k = x.shape
    if n < 2:
        raise VibstudyError("at least two complete targets are needed", got=str(n))
    mean = x.mean()
    targets = k * np.sum((x.mean(axis=1) - mean) ** 2)
    judges = n * np.sum((x.mean(axis=0) - mean) ** 2)
    total = np.sum((x - mean) ** 2)
    bms, wms = targets / (n - 1), (total - targets) / (n * (k - 1))
    jms, ems = judges / (k - 1), (total - targets - judges) / ((n - 1) * (k - 1))
    alpha = 1 - level
    rows = {}
    for name, error, df2 in (("1", wms, n * (k - 1)), ("3", ems, (n - 1) * (k - 1))):
        f = bms / error
        low_f = f / stats.f.ppf(1 - alpha / 2, n - 1, df2)
        high_f = f * stats.f.ppf(1 - alpha / 2, df2, n - 1)
        test = (f, n - 1, df2, stats.f.sf(f, n - 1, df2))
        single = [(v - 1) / (v + k - 1) for v in (f, low_f, high_f)]
        rows[f"ICC({name},1)"] = (*single, *test)
        rows[f"ICC({name},k)"] = (*[1 - 1 / v for v in (f, low_f, high_f)], *test)
    single2 = (bms - ems) / (bms + (k - 1) * ems + k * (jms - ems) / n)
    mean2 = (bms - ems) / (bms + (jms - ems) / n)
    low, high = _random_judges(single2, bms, jms, ems, n, k, alpha)
    test = rows["ICC(3,1)"][3:]
    rows["ICC(2,1)"] = (single2, low, high, *test)
    rows["ICC(2,k)"] = (mean2, *[k * v / (1 + (k - 1) * v) for v in (low, high)], *test)
    frame = pd.DataFrame.from_dict(
        rows, orient="index", columns=["icc", "low", "high", "f", "df1", "df2", "p"]
    ).rename_axis("form")
    frame["targets"], frame["judges"] = n, k
    return frame.sort_index()


def _random_judges(
    value: float, bms: float, jms: float, ems: float, n: int, k: int, alpha: float
) -> tuple[float, float]:
    """Interval of ICC(2,1), Shrout & Fleiss 1979, p. 424."""
    ratio = jms / ems
    a = k * value * ratio + n * (1 + (k - 1) * value) - k * value
    v = (
        (k - 1)
        * (n - 1)
        * a**2
        / ((n - 1) * k**2 * value**2 * ratio**2 + (n * (1 + (k - 1) * value) - k * value) ** 2)
    )
    upper = stats.f.ppf(1 - alpha / 2, n - 1, v)
    lower = stats.f.ppf(1 - alpha / 2, v, n - 1)
    spread = k * jms + (k * n - k - n) * ems
    low = n * (bms - upper * ems) / (upper * spread + n * bms)
    high = n * (lower * bms - ems) / (spread + n * lower * bms)
    return float(low), float(high)


@dataclass(frozen=True)
class Kappa:
    """Chance-corrected agreement of two judges.

    Parameters
    ----------
    kappa, se, low, high : float
    agreement : float
        Share of items on which both said the same.
    p : float
        That agreement is no better than chance.
    n : int
        Items both judged.
    table : DataFrame
        Counts: rows first judge, columns second.
    """

    kappa: float
    se: float
    low: float
    high: float
    agreement: float
    p: float
    n: int
    table: pd.DataFrame

    def __str__(self) -> str:
        return (
            f"Cohen's kappa {self.kappa:.2f} (95 % interval {self.low:.2f} to {self.high:.2f}; "
            f"{self.n} items, {100 * self.agreement:.0f} % alike)"
        )


def cohen_kappa(
    first: Sequence | pd.Series, second: Sequence | pd.Series, weights: str | None = None
) -> Kappa:
    """Cohen's kappa of two judges on the same items.

    Parameters
    ----------
    first, second : sequences of equal length
        Judgements; items with a missing one are left out.
    weights : {None, "linear", "quadratic"}
        For ordered categories (in sorted order).
    """
    frame = pd.DataFrame({"first": list(first), "second": list(second)}).dropna()
    if frame.empty:
        raise VibstudyError("The two judges have no item in common.")
    levels = sorted(set(frame["first"]) | set(frame["second"]), key=lambda v: (str(type(v)), v))
    table = pd.crosstab(frame["first"], frame["second"]).reindex(index=levels, columns=levels, fill_value=0)
    return kappa_of_table(table, weights)


def kappa_of_table(table: pd.DataFrame | np.ndarray, weights: str | None = None) -> Kappa:
    """Cohen's kappa of a square table of counts (rows first judge, columns second)."""
    from statsmodels.stats.inter_rater import cohens_kappa

    counts = np.asarray(table, float)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1]:
        raise VibstudyError("the table of counts must be square", got=str(counts.shape))
    kinds = {None: None, "linear": "linear", "quadratic": "fc"}
    if weights not in kinds:
        raise VibstudyError(
            "no such weights", column="weights", got=str(weights), repair="Use linear or quadratic."
        )
    shown = pd.DataFrame(table)
    total, alike = counts.sum(), np.trace(counts)
    if len(counts) < 2 or alike == total == counts.max():  # both used one and the same category throughout
        nan = float("nan")
        return Kappa(nan, nan, nan, nan, float(alike / total), nan, int(total), shown)
    found = cohens_kappa(counts, wt=kinds[weights])
    return Kappa(
        float(found.kappa), float(found.std_kappa), float(found.kappa_low), float(found.kappa_upp),
        float(alike / total), float(found.pvalue_one_sided), int(total), shown,
    )  # fmt: skip


@dataclass(frozen=True)
class Limits:
    """Limits of agreement of two measurements of the same things (second minus first).

    Parameters
    ----------
    bias, bias_low, bias_high : float
        Mean difference and its 95 % interval.
    lower, lower_low, lower_high : float
        Lower limit (bias - 1.96 sd) and its interval.
    upper, upper_low, upper_high : float
        Upper limit and its interval.
    sd : float
        Standard deviation of the differences.
    n : int
    pairs : DataFrame
        ``mean, difference`` of each pair, for the plot.
    """

    bias: float
    bias_low: float
    bias_high: float
    lower: float
    lower_low: float
    lower_high: float
    upper: float
    upper_low: float
    upper_high: float
    sd: float
    n: int
    pairs: pd.DataFrame

    def __str__(self) -> str:
        return (
            f"bias {self.bias:.3g} ({self.bias_low:.3g} to {self.bias_high:.3g}); 95 % of differences "
            f"between {self.lower:.3g} and {self.upper:.3g} (n = {self.n})"
        )


def limits_of_agreement(first: Sequence[float] | pd.Series, second: Sequence[float] | pd.Series) -> Limits:
    """Limits of agreement (Bland & Altman) of two measurements; incomplete pairs are left out."""
    a, b = (pd.Series(list(v)).astype("Float64").to_numpy(float, na_value=np.nan) for v in (first, second))
    if len(a) != len(b):
        raise VibstudyError("the two measurements differ in length", got=f"{len(a)} and {len(b)}")
    both = np.isfinite(a) & np.isfinite(b)
    a, b = a[both], b[both]
    n = len(a)
    if n < 3:
        raise VibstudyError("at least three complete pairs are needed", got=str(n))
    difference = b - a
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    t = float(stats.t.ppf(0.975, n - 1))
    bias_half = t * sd / np.sqrt(n)
    limit_half = t * sd * np.sqrt(1 / n + 1.96**2 / (2 * (n - 1)))
    lower, upper = bias - 1.96 * sd, bias + 1.96 * sd
    return Limits(
        bias, bias - bias_half, bias + bias_half,
        lower, lower - limit_half, lower + limit_half,
        upper, upper - limit_half, upper + limit_half,
        sd, n, pd.DataFrame({"mean": (a + b) / 2, "difference": difference}),
    )  # fmt: skip


def acceptance(reviewed: pd.DataFrame, by: Sequence[str] = ()) -> pd.DataFrame:
    """Share of the machine's notes that the ear accepted, with Wilson's 95 % interval.

    Parameters
    ----------
    reviewed : DataFrame
        Note table; ``reviewed`` is accepted, edited or rejected (auto: not heard, left out).
    by : sequence of str
        Columns to split by, e.g. ``("medium",)``.

    Returns
    -------
    DataFrame
        The columns of `by`, ``heard, accepted, share, low, high``.
    """
    from statsmodels.stats.proportion import proportion_confint

    from vibstudy.stats.frames import check_columns

    check_columns(reviewed, ["reviewed", *by])
    heard = reviewed[reviewed["reviewed"].isin(["accepted", "edited", "rejected"])]
    groups = heard.groupby(list(by), observed=True, dropna=False) if by else [((), heard)]
    rows = []
    for key, part in groups:
        n, yes = len(part), int((part["reviewed"] == "accepted").sum())
        low, high = proportion_confint(yes, n, method="wilson") if n else (np.nan, np.nan)
        rows.append(
            (*(key if isinstance(key, tuple) else (key,)), n, yes, yes / n if n else np.nan, low, high)
        )
    return pd.DataFrame(rows, columns=[*by, "heard", "accepted", "share", "low", "high"])
