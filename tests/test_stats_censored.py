"""Extents with the notes in which no vibrato was found, as far as their limits allow."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import special

from benchmarks.calibration_claims import lossy
from vibstudy.stats.censored import _log_i0e, ask_with_limits, hidden, joined
from vibstudy.stats.claimfile import Claim, Contrast
from vibstudy.stats.examine import examine
from vibstudy.stats.question import Question
from vibstudy.stats.words import said

CLAIM = Claim("c", "", "extent_cents", Contrast("period", "early", "late"), "higher", adjust=(), scale="log")


def asked(notes: pd.DataFrame) -> tuple[float, float]:
    """Contrast of the notes found, and with the limits (log2)."""
    question = Question(CLAIM, notes)
    base = question.ask()
    found = ask_with_limits(question, base)
    assert found is not None
    return base.estimate, found.estimate


@pytest.mark.parametrize("straight", [0.0, 0.3])
def test_equally_wide_eras_come_out_equally_wide(straight: float) -> None:
    rng = np.random.default_rng(2)
    off = []
    for _ in range(3):
        notes = lossy(rng, straight=straight)
        vibrating = notes[notes["vibrates_truly"]]
        whole = vibrating.assign(extent_cents=vibrating["true_cents"], has_vibrato=True, usable=True)
        truth = Question(CLAIM, whole).ask().estimate
        off.append([value - truth for value in asked(notes)])
    found, limits = np.mean(off, axis=0)
    assert found > 0.15  # a piano hides what is narrow: 11 per cent and more
    assert abs(limits) < 0.3 * found


def test_nothing_hidden_changes_nothing_and_draws_are_repeatable() -> None:
    notes = lossy(np.random.default_rng(4), players=8)
    assert asked(notes) == asked(notes)
    clear = notes[notes["has_vibrato"]]
    question = Question(CLAIM, clear)
    assert not hidden(question).any()
    assert ask_with_limits(question, question.ask()) is None
    without = Question(CLAIM, notes.drop(columns="extent_limit_cents"))
    assert ask_with_limits(without, without.ask()) is None


def test_straight_notes_far_above_the_limit_s_reach_are_no_vibrato() -> None:
    """Limits far below all extents: who is not found there is straight, and the answer stays."""
    notes = lossy(np.random.default_rng(5), players=8, straight=0.4)
    vibrates = notes["vibrates_truly"]
    notes = notes.assign(
        extent_cents=notes["true_cents"].where(vibrates), extent_se_cents=0.1, extent_limit_cents=0.4,
        has_vibrato=vibrates, usable=True,
    )  # fmt: skip
    base, limits = asked(notes)
    assert limits == pytest.approx(base, abs=0.01)


def test_which_notes_may_hide_a_vibrato() -> None:
    notes = lossy(np.random.default_rng(6), players=8).assign(vibrato_p=0.001)
    lost = np.flatnonzero(~notes["has_vibrato"])
    notes["vibrato_p"] = notes["vibrato_p"].where(notes["has_vibrato"], 0.3)
    notes["has_vibrato"] = notes["has_vibrato"].astype("boolean")
    notes["quality"] = "ok"
    notes.loc[lost[:3], "quality"] = ["masked", "too_short", "masked;too_short"]
    notes.loc[lost[3:5], "has_vibrato"] = pd.NA
    notes.loc[lost[3], "vibrato_p"] = 0.0005  # found, but of too few cycles
    notes.loc[lost[5], "extent_limit_cents"] = np.nan
    found = hidden(Question(CLAIM, notes))
    assert set(lost) - set(np.flatnonzero(found)) == {lost[0], lost[2], lost[3], lost[5]}
    rate = Claim("r", "", "extent_cents", Contrast("period", "early", "late"), "higher", scale="plain")
    assert not hidden(Question(rate, notes)).any()


def test_fits_are_joined_by_rubins_rule() -> None:
    """By hand: variance 4 within; estimates 1, 2, 3 add (1 + 1/3) * 1; df of the sum by Satterthwaite."""
    estimate, se, df = joined(np.array([[1.0, 2.0, 10.0], [2.0, 2.0, 10.0], [3.0, 2.0, 10.0]]))
    assert estimate == 2.0
    assert se == pytest.approx(np.sqrt(4 + 4 / 3))
    assert df == pytest.approx((16 / 3) ** 2 / (16 / 10 + (16 / 9) / 2))
    assert joined(np.array([[1.0, 2.0, 10.0]] * 4)) == pytest.approx((1.0, 2.0, 10.0))


def test_a_verdict_is_told_what_the_limits_say() -> None:
    rng = np.random.default_rng(8)
    for _ in range(20):
        notes = lossy(rng)
        finding = examine(CLAIM, notes.drop(columns="accompaniment"))
        if finding.verdict() == "supported":
            break
    assert finding.verdict() == "supported"
    assert [o.name for o in finding.others].count("limits") == 1
    (told,) = [r for r in finding.remarks if r.kind == "limits"]
    assert told.values["notes"] == int((~notes["has_vibrato"]).sum())
    assert "each straight or narrower than could be found in it" in said(told)


def test_the_series_of_the_bessel_function_is_scipys() -> None:
    z = np.geomspace(1e-3, 1e6, 2000)
    assert np.exp(_log_i0e(z, np.log(z)) - np.log(special.i0e(z))) == pytest.approx(np.ones(2000), abs=2e-6)
