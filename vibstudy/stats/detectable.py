"""Detectable differences: how small, for the claims to be decided, and how many players that would need.

Of each claim that was tested the error of its contrast is known. A corpus of the same kind that is k times
as large, in players as in all they played, would have an error smaller by the root of k and k times the
degrees of freedom. A difference of ``(t(0.975) + t(0.8)) se`` is found, at the level of 5 %, by 80 % of such
studies; what a claim's margin asks for comes on top. Of a claim of equality the two one-sided tests hold,
where there is no difference, in 80 % when the margin is ``(t(0.95) + t(0.9)) se``. Nothing is simulated, and
the observed difference plays no part: it says what p says already (Hoenig & Heisey 2001, Am. Stat.
55(1):19-24).

References
----------
Cohen 1988, Statistical power analysis for the behavioral sciences, 2nd ed., ch. 2 (difference of means).
Julious 2004, Stat. Med. 23(12):1921-1986 (equivalence, no true difference).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from vibstudy.stats.finding import ALPHA
from vibstudy.stats.power import TARGET

COLUMNS = (
    "claim", "sentence", "verdict", "unit", "expect", "se", "df", "margin", "players_from", "players_to",
    "reach", "half", "needed",
)  # fmt: skip

MOST = 400.0
"""Players a side up to which it is reckoned how many are needed: no study of recordings has more."""


def reach(se: float, df: float, times: float = 1.0, equal: bool = False) -> float:
    """Return the smallest difference that 80 % of studies find, on the scale of `se`.

    Parameters
    ----------
    se, df : float
        Standard error of the contrast and its degrees of freedom, in the corpus as it is.
    times : float
        How many times as large the corpus is.
    equal : bool
        Whether equality is claimed: then the smallest margin within which it is found.
    """
    from scipy.stats import t

    ends = (1 - ALPHA, (1 + TARGET) / 2) if equal else (1 - ALPHA / 2, TARGET)
    return float(sum(t.ppf(end, df * times) for end in ends) * se / np.sqrt(times))


def times_needed(se: float, df: float, difference: float, equal: bool = False) -> float:
    """Return how many times as large a corpus must be to find `difference`; infinite beyond reason."""
    from scipy.optimize import brentq

    def short(log_times: float) -> float:
        return reach(se, df, float(np.exp(log_times)), equal) - difference

    low, high = np.log(max(1.0 / df, 1e-3)), np.log(1e4)  # one degree of freedom is the least there is
    if not short(high) < 0:
        return float("inf")
    return 1.0 / df if short(low) <= 0 else float(np.exp(brentq(short, low, high)))


def shown(difference: float, unit: str) -> float:
    """Return a difference on the scale of the model in the unit of the claim: per cent of a logarithm."""
    return 100 * float(np.expm1(difference)) if unit.startswith("%") else difference


def on_scale(value: float, unit: str) -> float:
    """Return a value in the unit of the claim on the scale of the model."""
    return float(np.log1p(value / 100)) if unit.startswith("%") else value


def reach_table(
    claims: pd.DataFrame, players: Mapping[str, tuple[int, int]], margins: Mapping[str, float]
) -> pd.DataFrame:
    """Return what the corpus could decide of each claim that was tested.

    Parameters
    ----------
    claims : DataFrame
        From :func:`vibstudy.stats.evaluate_claims`, with ``expect``.
    players : mapping of str to (int, int)
        Players on the two sides of each claim.
    margins : mapping of str to float
        Margins of the claims that have one, in the claim's unit.

    Returns
    -------
    DataFrame
        :data:`COLUMNS`: ``se`` on the model's scale; ``reach``, the smallest difference found by 80 % of
        studies (of a claim of equality: the smallest margin), ``half`` of it (there: the claim's margin),
        both in the claim's unit, and ``needed``, players a side to find that; missing beyond :data:`MOST`.
    """
    from scipy.stats import t

    rows = []
    for claim in claims[claims["estimate"].notna()].to_dict("records") if len(claims) else ():
        name, unit, df = str(claim["claim"]), str(claim["unit"]), float(claim["df"])
        if name not in players or not df > 0:
            continue
        low, high = (on_scale(float(claim[side]), unit) for side in ("low", "high"))
        # per cent to one tail
        se = (high - low) / 2 / float(t.ppf(0.5 + float(claim["interval_per_cent"]) / 200, df))
        if not (np.isfinite(se) and se > 0):
            continue
        equal = str(claim["expect"]) == "equal"
        margin = on_scale(abs(float(margins.get(name, 0.0))), unit)
        now = reach(se, df, equal=equal)
        asked = margin if equal else now / 2
        first, second = players[name]
        needed = np.ceil(times_needed(se, df, asked, equal) * (first + second) / 2)
        beyond = 0.0 if equal else margin
        rows.append(
            (name, claim["sentence"], claim["verdict"], unit, claim["expect"], se, df, margin, first, second,
             shown(now + beyond, unit), shown(asked + beyond, unit), needed if needed <= MOST else np.nan)
        )  # fmt: skip
    return pd.DataFrame(rows, columns=list(COLUMNS))


def reach_curve(row: Mapping[str, float | str], sides: np.ndarray) -> np.ndarray:
    """Return the smallest difference found by 80 % of studies, for numbers of players a side."""
    today = (float(row["players_from"]) + float(row["players_to"])) / 2
    equal, unit = row["expect"] == "equal", str(row["unit"])
    beyond = 0.0 if equal else float(row["margin"])
    se, df = float(row["se"]), float(row["df"])
    return np.array([shown(reach(se, df, side / today, equal) + beyond, unit) for side in sides])
