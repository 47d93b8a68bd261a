"""Agreement statistics against published worked examples."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.anova import AnovaRM

from vibstudy.errors import VibstudyError
from vibstudy.review.agreement import pair_words
from vibstudy.stats import acceptance, cohen_kappa, icc, kappa_of_table, limits_of_agreement

# Shrout & Fleiss 1979, Psychol. Bull. 86(2):420-428, table 2: 6 targets, 4 judges.
JUDGES = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]])


@pytest.mark.parametrize(
    ("form", "value", "printed", "low", "high"),
    [
        ("ICC(1,1)", 0.165742, 0.17, -0.132932, 0.722560),
        ("ICC(2,1)", 0.289764, 0.29, 0.018787, 0.761084),
        ("ICC(3,1)", 0.714841, 0.71, 0.342465, 0.945858),
        ("ICC(1,k)", 0.442797, 0.44, -0.884442, 0.912415),
        ("ICC(2,k)", 0.620051, 0.62, None, None),
        ("ICC(3,k)", 0.909316, 0.91, 0.675675, 0.985892),
    ],
)
def test_icc_of_shrout_and_fleiss(
    form: str, value: float, printed: float, low: float | None, high: float | None
) -> None:
    row = icc(JUDGES).loc[form]
    assert row["icc"] == pytest.approx(value, abs=1e-6)
    assert round(row["icc"], 2) == printed  # as the paper prints it
    if low is not None:
        assert (row["low"], row["high"]) == pytest.approx((low, high), abs=1e-6)


def test_the_interval_is_that_of_the_level_asked_for() -> None:
    # A known slip in circulation gives (-.0967, .6434) as the 95 % interval of ICC(1,1): it is the 90 % one.
    ninety = icc(JUDGES, level=0.90).loc["ICC(1,1)"]
    assert (ninety["low"], ninety["high"]) == pytest.approx((-0.0967, 0.6434), abs=5e-5)


def test_the_f_of_icc_is_that_of_the_repeated_measures_anova() -> None:
    # statsmodels: F of judges is JMS / EMS; JMS = 32.486111 and EMS = 1.019444 as computed from the paper
    frame = pd.DataFrame(JUDGES).stack().rename("score").rename_axis(["target", "judge"]).reset_index()
    f = AnovaRM(frame, "score", "target", within=["judge"]).fit().anova_table["F Value"].iloc[0]
    assert f == pytest.approx(32.486111 / 1.019444, rel=1e-5)
    assert icc(JUDGES).loc["ICC(3,1)", "f"] == pytest.approx(11.241667 / 1.019444, rel=1e-5)


def test_icc_leaves_out_incomplete_targets() -> None:
    more = np.vstack([JUDGES, [5, np.nan, 5, 5]])
    pd.testing.assert_frame_equal(icc(more), icc(JUDGES))
    with pytest.raises(VibstudyError, match="two columns"):
        icc(JUDGES[:, :1])
    with pytest.raises(VibstudyError, match="two complete targets"):
        icc(JUDGES[:1])


def test_kappa_as_sas_prints_it() -> None:
    # SAS output quoted in statsmodels' test_inter_rater.py
    found = kappa_of_table([[0, 4, 1], [0, 8, 0], [0, 1, 5]])
    assert (found.kappa, found.se) == pytest.approx((0.4842, 0.1380), abs=5e-5)
    assert (found.low, found.high) == pytest.approx((0.2137, 0.7547), abs=5e-5)
    linear = kappa_of_table([[0, 4, 1], [0, 8, 0], [0, 1, 5]], "linear")
    assert (linear.kappa, linear.se) == pytest.approx((0.4701, 0.1457), abs=5e-5)


def test_kappa_of_two_listeners() -> None:
    # textbook table [[20, 5], [10, 15]]: observed .7, by chance .5, kappa .4 exactly (Cohen 1960)
    first = ["accept"] * 25 + ["reject"] * 25 + ["accept"]
    second = ["accept"] * 20 + ["reject"] * 5 + ["accept"] * 10 + ["reject"] * 15 + [None]
    found = cohen_kappa(first, second)
    assert found.kappa == pytest.approx(0.4)
    assert found.agreement == pytest.approx(0.7)
    assert found.n == 50
    assert found.table.loc["accept", "reject"] == 5
    assert "kappa 0.40" in str(found)


def test_kappa_is_unknown_when_both_say_the_same_throughout() -> None:
    found = cohen_kappa(["ok"] * 5, ["ok"] * 5)
    assert np.isnan(found.kappa)
    assert found.agreement == 1
    with pytest.raises(VibstudyError, match="no item in common"):
        cohen_kappa([None], ["ok"])
    with pytest.raises(VibstudyError, match="square"):
        kappa_of_table([[1, 2, 3], [4, 5, 6]])
    with pytest.raises(VibstudyError, match="no such weights"):
        kappa_of_table([[1, 2], [4, 5]], "cubic")


def test_limits_of_agreement_by_hand() -> None:
    # differences .1, .3, .2, .2, -.3: mean .1, deviation sqrt(.22 / 4); Bland & Altman 1986: +- 1.96 sd;
    # interval of a limit: t(4) = 2.776445, sd sqrt(1/5 + 1.96^2 / 8) (Bland & Altman 1999)
    first = [5.0, 5.5, 6.0, 6.5, 7.0, np.nan]
    second = [5.1, 5.8, 6.2, 6.7, 6.7, 5.0]
    found = limits_of_agreement(first, second)
    sd = np.sqrt(0.22 / 4)
    assert found.n == 5
    assert (found.bias, found.sd) == pytest.approx((0.1, sd))
    assert (found.lower, found.upper) == pytest.approx((0.1 - 1.96 * sd, 0.1 + 1.96 * sd))
    assert found.bias_high - found.bias == pytest.approx(2.776445 * sd / np.sqrt(5), rel=1e-6)
    half = 2.776445 * sd * np.sqrt(1 / 5 + 1.96**2 / 8)
    assert found.upper_high - found.upper == pytest.approx(half, rel=1e-6)
    assert found.pairs["mean"].iloc[0] == pytest.approx(5.05)
    assert "bias 0.1" in str(found)
    again = [value + sign * 0.2 for value, sign in zip(first, [1, -1, 1, -1, -0.01, 0], strict=True)]
    assert "bias +0.00 Hz" in pair_words(pd.Series(first[:5]), pd.Series(again[:5]), "Hz")
    with pytest.raises(VibstudyError, match="differ in length"):
        limits_of_agreement([1, 2, 3], [1, 2])
    with pytest.raises(VibstudyError, match="three complete pairs"):
        limits_of_agreement([1, 2, np.nan], [1, 2, 3])


def test_acceptance_by_medium() -> None:
    frame = pd.DataFrame(
        {
            "reviewed": ["accepted"] * 8 + ["rejected"] * 2 + ["auto"] * 5 + ["edited", "accepted"],
            "medium": ["tape_lp"] * 15 + ["acoustic_disc"] * 2,
        }
    )
    all_ = acceptance(frame).iloc[0]
    assert tuple(all_[["heard", "accepted"]]) == (12, 9)
    by = acceptance(frame, ["medium"]).set_index("medium")
    assert by.loc["tape_lp", "share"] == pytest.approx(0.8)
    # Wilson 1927: 8 of 10 -> .4902 to .9433 (the usual textbook example)
    assert (by.loc["tape_lp", "low"], by.loc["tape_lp", "high"]) == pytest.approx((0.4902, 0.9433), abs=5e-5)
    with pytest.raises(VibstudyError, match="Did you mean 'medium'"):
        acceptance(frame, ["mediun"])
