"""What a corpus can tell (coverage, confounds), and what to record next (power, plan)."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.outliers_influence import variance_inflation_factor

from vibstudy.errors import VibstudyError
from vibstudy.stats import coverage, fit_extent, fit_mixed, plan_next, simulate_power
from vibstudy.stats.confounds import find_confounds, inflation
from vibstudy.stats.frames import prepare


def corpus(players: int = 12, recordings: int = 2, notes: int = 6, seed: int = 1) -> pd.DataFrame:
    """An invented, balanced corpus of two regions and three periods."""
    rng = np.random.default_rng(seed)
    rows = []
    for player in range(players):
        level = rng.normal(0, 0.5)
        for recording in range(recordings):
            own = rng.normal(0, 0.2)
            for _ in range(notes):
                rate = 5.5 + level + own + rng.normal(0, 0.4)
                rows.append(
                    (
                        f"P{player}",
                        f"P{player}r{recording}",
                        (1930, 1950, 1970)[player % 3],
                        "AB"[player // 3 % 2],
                        rate,
                    )
                )
    frame = pd.DataFrame(rows, columns=["player", "recording_id", "decade", "region", "rate_hz"])
    frame["medium"] = np.where(frame["decade"] < 1960, "electrical_disc", "tape_lp")
    frame["extent_cents"] = 30 * 2.0 ** (frame["rate_hz"] - 5.5)
    frame["midi"] = rng.integers(50, 80, len(frame))
    return frame


# --- coverage


def test_every_cell_is_counted_the_empty_ones_too() -> None:
    frame = corpus()
    table = coverage(frame, by=("decade", "region")).set_index(["decade", "region"])
    assert len(table) == 6
    assert table["players"].sum() == 12
    assert table["notes"].sum() == len(frame)
    assert tuple(table.loc[("1930", "A"), ["players", "recordings", "notes"]]) == (2, 4, 24)
    frame = frame[~((frame["decade"] == 1950) & (frame["region"] == "B"))]
    frame = frame[(frame["player"] != "P0")]
    table = coverage(frame, by=("decade", "region")).set_index(["decade", "region"])
    assert tuple(table.loc[("1950", "B"), ["players", "recordings", "notes"]]) == (0, 0, 0)
    assert table.loc[("1930", "A"), "only_player"] == "P6"


def test_missing_tags_are_a_level_and_unknown_ones_named() -> None:
    frame = corpus().astype({"decade": "Int64"})
    frame.loc[:11, "decade"] = pd.NA
    table = coverage(frame)
    assert "(missing)" in set(table["decade"])
    assert "1930" in set(table["decade"])
    with pytest.raises(VibstudyError, match="Did you mean 'region'"):
        coverage(frame, by=("regions",))


# --- confounds


def test_a_cell_of_one_player_is_told_in_a_sentence() -> None:
    frame = corpus()
    frame = frame[~((frame["decade"] == 1950) & (frame["region"] == "B") & (frame["player"] != "P4"))]
    told = str(find_confounds(frame))
    assert (
        "All notes of decade 1950, region B are by one player (P4, medium electrical_disc): there this "
        "corpus cannot tell player, region and medium apart." in told
    )
    assert "Each decade has a single medium" in told
    assert "Only two players: decade 1930, region A" in told


def test_tags_that_go_together_and_empty_cells() -> None:
    frame = corpus().assign(school=lambda d: d["region"].map({"A": "old", "B": "new"}))
    frame = frame[~((frame["decade"] == 1950) & (frame["region"] == "B"))]
    found = find_confounds(frame, "rate_hz ~ C(decade) * region + school", by=("decade", "region"))
    assert set(found.aliased) == {"school[T.old]", "C(decade)[T.1950]:region[T.B]"}
    assert "region and school go together without exception" in str(found)
    assert "No notes at all: decade 1950, region B" in str(found)
    assert found.sentences[0].startswith("These notes cannot estimate")


def test_a_clean_corpus_has_nothing_to_tell() -> None:
    found = find_confounds(corpus(18), "rate_hz ~ C(decade) + region", by=("decade", "region"))
    assert found.sentences == ("Every cell has at least three players, and no tag is tied to another.",)
    assert found.inflation["factor"].max() == pytest.approx(1.0)


def test_inflation_is_the_root_of_the_variance_inflation_factor() -> None:
    # statsmodels computes the usual factor; with one column a term, ours is its root, over recordings.
    rng = np.random.default_rng(3)
    frame = corpus(12, 3)
    year = rng.normal(size=36)
    codes = pd.factorize(frame["recording_id"])[0]
    frame["year"] = year[codes]
    frame["tempo"] = (0.95 * year + 0.3 * rng.normal(size=36))[codes]
    prepared = prepare(frame, "rate_hz ~ year + tempo")
    found = inflation(prepared)
    units = np.unique(codes, return_index=True)[1]
    expected = np.sqrt(variance_inflation_factor(prepared.x[units], 1))
    assert found.loc["year", "factor"] == pytest.approx(expected, rel=1e-9)
    assert expected > 2
    assert found["nearly_aliased"].all()
    assert "year is entangled with the other terms" in str(find_confounds(frame, "rate_hz ~ year + tempo"))


def test_a_model_that_cannot_be_built_is_told_not_raised() -> None:
    assert "Did you mean 'region'" in str(find_confounds(corpus(), "rate_hz ~ regoin"))


# --- power


def test_power_agrees_with_theory_where_theory_is_exact() -> None:
    # Balanced players: the test is a t-test of player means with players - 2 df; its power is that of
    # the noncentral t (scipy).
    frame = corpus(12)
    result = fit_mixed(frame, "rate_hz ~ region", df="kenward-roger")
    difference = 0.45
    row = result.table().loc["region[T.B]"]
    shift = difference / row["se"]
    critical = stats.t.ppf(0.975, 10)
    theory = stats.nct.sf(critical, 10, shift) + stats.nct.cdf(-critical, 10, shift)
    found = simulate_power(result, "region: B - A", difference, players=(0,), recordings=(), draws=400)
    simulated = found.table["power"].iloc[0]
    assert simulated == pytest.approx(theory, abs=0.075)  # three standard errors of 400 draws
    assert 0.3 < simulated < 0.95
    assert found.table["low"].iloc[0] < simulated < found.table["high"].iloc[0]


def test_more_players_help_and_more_recordings_soon_do_not() -> None:
    result = fit_mixed(corpus(8), "rate_hz ~ region")
    found = simulate_power(result, "region[T.B]", 0.35, players=(0, 6), recordings=(0, 6), draws=120)
    power = found.table.set_index(["what", "added"])["power"]
    assert power["players a cell", 6] > power["players a cell", 0] + 0.2
    assert power["recordings a player", 6] < power["players a cell", 6] - 0.1
    rows = found.table.set_index(["what", "added"])
    assert rows.loc[("players a cell", 6), "players"] == 8 + 2 * 6
    assert rows.loc[("players a cell", 6), "recordings"] == 16 + 2 * 6 * 2
    assert rows.loc[("recordings a player", 6), "recordings"] == 16 + 8 * 6


def test_the_answer_is_a_sentence() -> None:
    result = fit_extent(corpus(12), "region")
    found = simulate_power(result, "region: B - A", 10, at=40, players=(0, 8), recordings=(0,), draws=60)
    assert found.difference == pytest.approx(np.log2(50 / 40))
    assert "A difference of 10 cents (from 40) in region: B - A would be found by" in str(found)
    assert found.needed("players a cell") in (None, 8)
    per_cent = simulate_power(result, "region: B - A", 25, players=(0,), recordings=(), draws=5)
    assert per_cent.difference == pytest.approx(found.difference)
    with pytest.raises(VibstudyError, match="must not be 0"):
        simulate_power(result, "region: B - A", 0)


def test_power_is_repeatable() -> None:
    result = fit_mixed(corpus(8), "rate_hz ~ region + midi")
    first, second = (
        simulate_power(result, "midi", 0.02, players=(0, 1), recordings=(0,), draws=20, seed=5).table
        for _ in range(2)
    )
    pd.testing.assert_frame_equal(first, second)


# --- plan


def test_the_thin_cell_is_recorded_next() -> None:
    frame = corpus(12)
    frame = frame[~((frame["region"] == "B") & frame["player"].isin(["P3", "P4", "P5", "P9"]))]
    result = fit_mixed(frame, "rate_hz ~ region")
    found = plan_next(result, "region: B - A", by=("region",))
    best = found.table.iloc[0]
    assert (best["what"], best["place"]) == ("a new player", "region B")
    assert "Most would help: a new player (region B)" in str(found)
    assert found.table["narrower"].is_monotonic_decreasing


def test_the_promised_narrowing_comes_true_for_fitted_variances() -> None:
    # one more player like the others of his region: the interval over player means follows by hand
    frame = corpus(12)
    result = fit_mixed(frame, "rate_hz ~ region", spread="equal")
    found = plan_next(result, "region: B - A", by=("region",))
    new = found.table[(found.table["what"] == "a new player") & (found.table["place"] == "region B")].iloc[0]
    assert new["narrower"] == pytest.approx(1 - np.sqrt((1 / 6 + 1 / 7) / (1 / 6 + 1 / 6)), rel=1e-6)


# --- what could be decided


def test_the_reach_is_cohens():
    """Two groups of 64, d = 0.5: power 80 % at the 5 % level, two-sided (Cohen 1988, table 2.4.1)."""
    from vibstudy.stats.detectable import reach, times_needed

    assert reach(np.sqrt(2 / 64), 126) == pytest.approx(0.5, abs=0.002)
    assert 64 * times_needed(np.sqrt(2 / 64), 126, 0.2) == pytest.approx(393, abs=2)  # d = 0.2: 393 a group


@pytest.mark.parametrize(("side", "d"), [(10, 1.0), (25, 0.6), (6, 1.8)])
def test_the_reach_against_a_reference_library(side, d):
    """The noncentral t of statsmodels (TTestIndPower): the shift by quantiles is its usual approximation."""
    from statsmodels.stats.power import TTestIndPower

    from vibstudy.stats.detectable import times_needed

    exact = TTestIndPower().solve_power(effect_size=d, alpha=0.05, power=0.8)
    found = side * times_needed(np.sqrt(2 / side), 2 * (side - 1), d)
    assert found == pytest.approx(exact, rel=0.06, abs=0.6)


def test_equality_needs_the_margin_of_two_one_sided_tests():
    """By hand, many degrees of freedom: (1.645 + 1.282) se = 2.926 se (tables of the normal distribution)."""
    from vibstudy.stats.detectable import reach, reach_table

    assert reach(1.0, 1e6, equal=True) == pytest.approx(2.926, abs=0.002)
    claim = {"claim": "same", "sentence": "s", "verdict": "undecided", "unit": "Hz", "expect": "equal",
             "estimate": 0.0, "low": -0.98, "high": 0.98, "interval_per_cent": 95.0, "df": 1e6}  # fmt: skip
    row = reach_table(pd.DataFrame([claim]), {"same": (10, 10)}, {"same": 0.5}).iloc[0]
    assert row["se"] == pytest.approx(0.5, abs=0.001) and row["half"] == 0.5
    assert row["needed"] == np.ceil(10 * (2.926 * 0.5 / 0.5) ** 2)


def test_what_cannot_be_reached_is_not_told_in_numbers():
    from vibstudy.stats.detectable import reach_table

    claim = {"claim": "c", "sentence": "s", "verdict": "undecided", "unit": "%", "expect": "higher",
             "estimate": 5.0, "low": -60.0, "high": 175.0, "interval_per_cent": 95.0, "df": 4.0}  # fmt: skip
    wide = pd.DataFrame([claim, claim | {"claim": "endless", "high": np.inf}, claim | {"claim": "untested",
                        "estimate": np.nan}])  # fmt: skip
    table = reach_table(wide, dict.fromkeys(("c", "endless", "untested"), (3, 3)), {})
    assert table["claim"].tolist() == ["c"]
    assert table["half"].iloc[0] < table["reach"].iloc[0] and table["needed"].iloc[0] > 3
    far = reach_table(wide.head(1), {"c": (399, 399)}, {})
    assert np.isnan(far["needed"].iloc[0])


def test_the_reach_against_simulated_studies():
    """80 % of studies drawn from the fitted corpus find it, within what 150 draws can tell (± 3 errors)."""
    from vibstudy.stats.detectable import reach

    model = fit_mixed(corpus(players=16), "rate_hz ~ region")
    row = model.table().loc["region[T.B]"]
    power = simulate_power(
        model, "region[T.B]", reach(row["se"], row["df"]), players=(0,), recordings=(0,), draws=150
    )
    assert power.table["power"].iloc[0] == pytest.approx(0.8, abs=3 * np.sqrt(0.8 * 0.2 / 150))
