"""Further questions: each recovers a simulated truth, and refuses a corpus too small for it.

All corpora are invented, with truths drawn here.
"""

from __future__ import annotations

import re
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW
from typer.testing import CliRunner

from vibstudy.cli import app
from vibstudy.errors import VibstudyError
from vibstudy.stats.amount import amount_by_group, compare_amounts, player_amounts, vibrato_amount
from vibstudy.stats.answers import PlayerFigures, player_figures, welch
from vibstudy.stats.claimfile import Claim, Contrast
from vibstudy.stats.dispersion import compare_spread, spread_ratio
from vibstudy.stats.exploratory import Groups, ask_all, groups_of, table_of
from vibstudy.stats.lineage import distances, lineages, nearness, pupils_near_teachers
from vibstudy.stats.mixture import kinds_of_use, two_kinds
from vibstudy.stats.multiple import holm
from vibstudy.stats.regularity import compare_regularity
from vibstudy.stats.same_notes import compare_same_notes
from vibstudy.stats.tradeoff import correlation, trade


def corpus(
    rates: np.ndarray,
    log_extents: np.ndarray,
    shares: np.ndarray | None = None,
    recordings: int = 3,
    notes: int = 25,
    seed: int = 1,
    spread: float | np.ndarray = 0.25,
) -> pd.DataFrame:
    """Notes of players with given mean rate, mean log2 extent and share; half of the players are "late"."""
    rng = np.random.default_rng(seed)
    players = len(rates)
    p = np.repeat(np.arange(players), recordings * notes)
    r = np.tile(np.repeat(np.arange(recordings), notes), players)
    take = rng.normal(0, 0.1, (players, recordings, 2))[p, r]
    n = len(p)
    wide = np.broadcast_to(spread, players)[p]
    has = rng.random(n) < (np.full(players, 1.0) if shares is None else shares)[p]
    frame = pd.DataFrame({
        "player": [f"P{k:02d}" for k in p],
        "recording_id": [f"P{k:02d}r{j}" for k, j in zip(p, r, strict=True)],
        "duration_s": np.exp(rng.normal(-0.3, 0.4, n)), "has_vibrato": pd.array(has, "boolean"),
        "rate_hz": rates[p] + take[:, 0] + wide * rng.normal(size=n),
        "extent_cents": 2 ** (log_extents[p] + take[:, 1] + wide * rng.normal(size=n)),
        "vibrato_fraction": 0.8, "vibrato_onset_s": 0.15,
        "period": np.where(p < players / 2, "early", "late"),
    })  # fmt: skip
    frame.loc[~has, ["rate_hz", "extent_cents", "vibrato_fraction", "vibrato_onset_s"]] = np.nan
    return frame


def even(players: int, seed: int = 3, sd: float = 0.3) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    return corpus(rng.normal(5.5, sd, players), rng.normal(5, sd, players), seed=seed)


# --- shared


def test_figures_of_a_balanced_corpus_are_plain_means_with_the_textbook_error():
    # Balanced nested design: variance of a player's mean = mean square of recordings / notes a player
    # (Searle, Casella & McCulloch 1992, ch. 3; from memory).
    notes = even(6)
    found = player_figures(notes, ["rate_hz"])
    takes = notes.groupby(["player", "recording_id"])["rate_hz"].mean()
    np.testing.assert_allclose(found.values[:, 0], takes.groupby("player").mean(), rtol=1e-12)
    square = takes.groupby("player").var().mean() * 25
    np.testing.assert_allclose(found.errors[:, 0, 0], square / 75, rtol=1e-9)


def test_without_a_second_recording_of_anybody_it_is_said_what_is_not_apart():
    notes = even(6).groupby("player").head(25)
    assert not player_figures(notes, ["rate_hz"]).apart
    assert "No player has two recordings" in trade(notes).sentence()


def test_welch_agrees_with_a_library():
    rng = np.random.default_rng(0)
    a, b = rng.normal(0, 1, 5), rng.normal(1, 3, 9)
    _, low, high, p = welch(a, b)
    other = CompareMeans(DescrStatsW(b), DescrStatsW(a))
    assert (low, high) == pytest.approx(other.tconfint_diff(usevar="unequal"))
    assert p == pytest.approx(other.ttest_ind(usevar="unequal")[1])


def test_four_players_a_side_are_enough_for_welch_and_three_are_not():
    # The rule behind LEAST_A_SIDE: the small side three times as varied. False alarms of 20,000 corpora.
    rng = np.random.default_rng(8)
    rate = {}
    for few, many in ((3, 9), (4, 8)):
        a, b = rng.normal(0, 3, (20_000, few)), rng.normal(0, 1, (20_000, many))
        rate[few] = np.mean(stats.ttest_ind(a, b, axis=1, equal_var=False).pvalue < 0.05)
    assert rate[4] < 0.065 < rate[3]


def test_a_level_that_is_not_there_is_told_with_those_that_are():
    with pytest.raises(VibstudyError, match=r"got 'lat'.*early, late"):
        compare_amounts(even(8), "period", "early", "lat")


def test_players_on_both_sides_are_left_out_and_named():
    notes = even(10)
    notes.loc[notes["recording_id"] == "P00r0", "period"] = "late"
    answer = compare_amounts(notes, "period", "early", "late")
    assert answer.players == 9 and "P00" in answer.sentence()


# --- how much in all


def test_amount_by_hand():
    notes = pd.DataFrame({
        "player": ["a"] * 3 + ["b"] * 2, "recording_id": ["a1"] * 3 + ["b1"] * 2,
        "duration_s": [1.0, 1.0, 2.0, 1.0, 1.0], "has_vibrato": pd.array([True, True, False, False, False]),
        "rate_hz": [5.0, 5.0, np.nan, np.nan, np.nan], "extent_cents": [20.0, 40.0, np.nan, np.nan, np.nan],
        "vibrato_fraction": [1.0, 0.5, np.nan, np.nan, np.nan],
    })  # fmt: skip
    table = player_amounts(notes)
    # a: 1 s at 20 and 0.5 s at 40 of 4 s: share 1.5 / 4, extent 40 / 1.5, amount 40 / 4
    assert table.loc["a", ["share", "extent_cents", "amount_cents"]].tolist() == pytest.approx(
        [0.375, 80 / 3, 10]
    )
    assert table.loc["b", "amount_cents"] == 0 and np.isnan(table.loc["b", "extent_cents"])
    answer = vibrato_amount(notes)
    assert "2 players" in answer.cannot_tell and np.isnan(answer.low)


def test_vibrato_that_cannot_be_measured_counts_in_the_share():
    notes = even(8)
    masked = notes.assign(quality=np.where(np.arange(len(notes)) % 2, "ok", "masked"))
    whole, half = player_amounts(notes), player_amounts(masked)
    np.testing.assert_allclose(half["share"], whole["share"])
    np.testing.assert_allclose(half["amount_cents"], whole["amount_cents"], rtol=0.1)
    nothing = player_amounts(notes.assign(quality="masked"))
    assert nothing["amount_cents"].isna().all()  # unknown, not none


@given(st.floats(0.1, 10), st.integers(1, 5))
@settings(max_examples=15, deadline=None)
def test_amount_follows_extent_and_not_how_long_one_was_recorded(factor, copies):
    notes = even(4)
    wider = notes.assign(extent_cents=notes["extent_cents"] * factor)
    np.testing.assert_allclose(
        player_amounts(wider)["amount_cents"], player_amounts(notes)["amount_cents"] * factor, rtol=1e-9
    )
    more = pd.concat([notes, *[notes[notes["player"] == "P00"]] * copies], ignore_index=True)
    assert vibrato_amount(more).estimate == pytest.approx(vibrato_amount(notes).estimate)


def test_intervals_of_amounts_hold_the_truth():
    # Truth: mean over players of 0.8 share 2^extent; players drawn anew each time; notes made exact.
    rng = np.random.default_rng(20)
    truth = 0.8 * 0.5 * 2**5 * np.exp((0.3 * np.log(2)) ** 2 / 2)
    inside = 0
    for seed in range(60):
        shares = rng.uniform(0.2, 0.8, 10)
        notes = corpus(np.full(10, 5.5), rng.normal(5, 0.3, 10), shares, 2, 60, seed, 0.05)
        answer = vibrato_amount(notes)
        inside += answer.low <= truth <= answer.high
    assert inside >= 52  # of 60 where 57 are meant; fewer than 52 by chance: 0.8 %


def test_share_and_extent_that_make_up_for_each_other_are_no_difference_in_all():
    rng = np.random.default_rng(5)
    late = np.arange(16) >= 8
    notes = corpus(
        np.full(16, 5.5), np.where(late, 4.0, 5.0) + rng.normal(0, 0.1, 16), np.where(late, 0.9, 0.45),
        notes=60, seed=5,
    )  # fmt: skip
    answer = compare_amounts(notes, "period", "early", "late")
    assert answer.low < 0 < answer.high
    parts = amount_by_group(notes, "period")["estimate"].unstack("part")
    assert parts.loc["late", "share"] / parts.loc["early", "share"] == pytest.approx(2, rel=0.1)
    assert parts.loc["late", "extent_cents"] / parts.loc["early", "extent_cents"] == pytest.approx(
        0.5, rel=0.1
    )


def test_amounts_of_three_against_three_cannot_be_told():
    answer = compare_amounts(even(6), "period", "early", "late")
    assert "3 and 3 players" in answer.cannot_tell and np.isnan(answer.p)
    assert "cannot tell" in answer.sentence()


# --- more alike


def test_without_sampling_error_equal_spreads_are_judged_by_the_f_distribution():
    # The restricted likelihood ratio is a function of F alone; its p is the two-sided one of that ratio.
    rng = np.random.default_rng(4)
    a, b = rng.normal(0, 1, 6), rng.normal(0, 2.2, 9)
    ratio, low, high, p = spread_ratio([a, b], [np.zeros(6), np.zeros(9)], rng, 4000)
    f = np.var(b, ddof=1) / np.var(a, ddof=1)
    assert ratio == pytest.approx(np.sqrt(f), rel=0.1)

    def lr(f):  # of equal spreads, for 5 and 8 degrees of freedom
        return 13 * np.log((5 + 8 * f) / 13) - 8 * np.log(f)

    drawn = stats.f(8, 5).rvs(200_000, random_state=1)
    assert p == pytest.approx(np.mean(lr(drawn) >= lr(f)), abs=0.03)
    assert low < np.sqrt(f) < high


def test_intervals_of_the_ratio_of_spreads_hold_the_truth():
    rng = np.random.default_rng(21)
    inside = 0
    for _ in range(80):
        errors = [rng.uniform(0.05, 0.12, n) ** 2 for n in (8, 8)]
        values = [rng.normal(0, np.sqrt(t**2 + e)) for t, e in zip((0.4, 0.2), errors, strict=True)]
        _, low, high, _ = spread_ratio(values, errors, rng, 199)
        inside += low <= 0.5 <= high
    assert inside >= 70  # of 80 where 76 are meant; fewer by chance: 0.5 %


def test_players_more_alike_are_found_and_few_are_refused():
    rng = np.random.default_rng(6)
    sd = np.repeat([0.5, 0.08], 10)
    notes = corpus(np.full(20, 5.5), 5 + sd * rng.normal(size=20))
    answer = compare_spread(notes, "period", "early", "late")
    assert answer.p < 0.01 and answer.low < 0.08 / 0.5 < answer.high < 1
    assert "3 and 3 players" in compare_spread(even(6), "period", "early", "late").cannot_tell


def test_players_who_do_not_differ_at_all_cannot_be_compared():
    # Whatever ratio is named between two spreads of nothing, it may not be told from equal.
    rng = np.random.default_rng(30)
    open_ends = 0
    for _ in range(40):
        errors = [np.full(5, 0.04), np.full(5, 0.04)]
        ratio, low, high, p = spread_ratio([rng.normal(0, 0.2, 5) for _ in range(2)], errors, rng, 199)
        assert 1 / 30 <= ratio <= 30 and (p <= 0.05 or low <= 1 <= high)
        open_ends += low < 1 / 29 and high > 29
    assert open_ends >= 20


# --- more regular


def test_regularity_within_and_between_notes_are_told_apart():
    spread = np.repeat([0.3, 0.15], 8)
    notes = corpus(np.full(16, 5.5), np.full(16, 5.0), spread=spread, seed=2)
    rng = np.random.default_rng(2)
    notes["rate_irregularity"] = np.maximum(0.08 + 0.05 * rng.normal(size=len(notes)), 0)
    between = compare_regularity(notes, "period", "early", "late", where="from note to note")
    assert between.low < 0.5 < between.high and between.p < 1e-6
    within = compare_regularity(notes, "period", "early", "late")
    assert within.low < 1 < within.high


def test_spread_from_note_to_note_is_unbiased_on_short_recordings():
    # 3 notes a recording on one side, 30 on the other: the raw mean log spread differs by 0.26.
    a = corpus(np.full(20, 5.5), np.full(20, 5.0), recordings=20, notes=3, seed=3)
    b = corpus(np.full(20, 5.5), np.full(20, 5.0), recordings=2, notes=30, seed=4)
    b["player"], b["recording_id"] = "x" + b["player"], "x" + b["recording_id"]
    both = pd.concat([a.assign(side="a"), b.assign(side="b")], ignore_index=True)
    answer = compare_regularity(both, "side", "a", "b", where="from note to note")
    assert answer.estimate == pytest.approx(1, abs=0.06)


def test_a_noisier_group_is_told():
    notes = even(12)
    notes["rate_se_hz"] = np.where(notes["period"] == "late", 0.3, 0.02)
    answer = compare_regularity(notes, "period", "early", "late", where="from note to note")
    assert "second group is measured less exactly" in answer.sentence()


def test_regularity_of_few_is_refused():
    answer = compare_regularity(even(6), "period", "early", "late", where="from note to note")
    assert answer.cannot_tell


# --- traded


def test_without_sampling_error_the_correlation_is_pearsons_with_its_t_test():
    rng = np.random.default_rng(7)
    y = rng.normal(size=(12, 2)) @ np.array([[1, 0.7], [0, 0.7]])
    figures = PlayerFigures(
        tuple(map(str, range(12))), y, np.zeros((12, 2, 2)), np.full(12, 2), np.full(12, 9), True
    )
    estimate, low, high, p = correlation(figures, np.zeros(12, int))
    r, p_pearson = stats.pearsonr(*y.T)
    assert estimate == pytest.approx(r, abs=0.03) and p == pytest.approx(p_pearson, rel=0.02)
    fisher = stats.pearsonr(*y.T).confidence_interval()  # Fisher 1921
    assert (low, high) == pytest.approx((fisher.low, fisher.high), abs=0.08)


def test_the_trade_between_players_is_found_through_notes_that_say_the_opposite():
    rng = np.random.default_rng(11)
    z = rng.normal(size=(24, 2))
    rates, extents = 5.5 + 0.3 * z[:, 0], 5 + 0.3 * (-0.85 * z[:, 0] + 0.53 * z[:, 1])
    notes = corpus(rates, extents, recordings=2, notes=12, seed=11)
    within = notes["rate_hz"] - notes.groupby("recording_id")["rate_hz"].transform("mean")
    notes["extent_cents"] *= 2 ** (1.5 * within)  # within a recording, faster notes are wider
    answer = trade(notes)
    assert answer.high < 0 and answer.low < -0.85 < answer.high


def test_two_periods_make_no_trade_of_their_own():
    rng = np.random.default_rng(12)
    late = np.arange(20) >= 10
    notes = corpus(5.5 + late + rng.normal(0, 0.2, 20), 5 - late + rng.normal(0, 0.2, 20))
    mixed, apart = trade(notes), trade(notes, within="period")
    assert mixed.high < -0.5 and apart.low < 0 < apart.high


def test_five_players_cannot_tell_a_trade():
    assert "degrees of freedom" in trade(even(5)).cannot_tell


# --- two kinds


def test_two_kinds_against_a_library_mixture():
    from sklearn.mixture import GaussianMixture

    rng = np.random.default_rng(2)
    x = rng.normal(size=(40, 2))
    x[:15] += (4, 2)
    statistic, _, second = two_kinds(x[None])
    two = GaussianMixture(
        2, covariance_type="tied", n_init=10, tol=1e-9, max_iter=500, reg_covar=0, random_state=0
    )
    one = GaussianMixture(1, covariance_type="tied", reg_covar=0, random_state=0).fit(x)
    best = two.fit(x).score(x) - one.score(x)
    assert statistic[0] == pytest.approx(2 * 40 * best, rel=1e-3)
    assert np.corrcoef(second[0], two.predict_proba(x)[:, 0])[0, 1] ** 2 > 0.99


@given(st.integers(0, 10_000))
@settings(max_examples=20, deadline=None)
def test_kinds_do_not_depend_on_units(seed):
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(16, 2))
    scale = rng.normal(size=(2, 2)) + 2 * np.eye(2)
    if abs(np.linalg.det(scale)) < 0.1:
        return
    a, b = two_kinds(x[None])[0][0], two_kinds((x * (100, 0.01) + 7)[None])[0][0]
    assert a == pytest.approx(b, rel=1e-6, abs=1e-6)


def test_two_kinds_are_found_and_each_player_is_put_where_he_belongs():
    rng = np.random.default_rng(13)
    narrow = np.arange(20) < 10
    notes = corpus(
        np.full(20, 5.5),
        np.where(narrow, 4.0, 6.0) + rng.normal(0, 0.2, 20),
        np.where(narrow, 0.95, 0.4),
        seed=13,
    )
    answer = kinds_of_use(notes)
    assert answer.p < 0.01 and answer.estimate > 4
    assert ((answer.table["second"].to_numpy() > 0.5) == ~narrow).all()


def test_one_kind_of_few_players_is_no_verdict():
    rng = np.random.default_rng(14)
    varied = corpus(np.full(16, 5.5), rng.normal(5, 0.3, 16), rng.uniform(0.4, 0.8, 16), seed=14)
    answer = kinds_of_use(varied)
    assert "one kind would do" in answer.cannot_tell
    found = float(re.search(r"found in only (\d+) of 100 corpora", answer.cannot_tell)[1])
    # asked again with other draws of players four standard deviations apart; errors of both are below 0.025
    apart, null = rng.normal(size=(2, 399, 16, 2))
    apart[..., 0] += 4 * (rng.random((399, 16)) < 0.5)
    again = np.mean(two_kinds(apart)[0] > np.quantile(two_kinds(null)[0], 0.95))
    assert found == pytest.approx(100 * again, abs=12)
    assert "11 players" in kinds_of_use(even(11)).cannot_tell
    assert "do not vary" in kinds_of_use(even(16)).cannot_tell  # all vibrate on every note


# --- pupils and teachers


def school(seed: int, near: float, teachers: int = 6) -> pd.DataFrame:
    """Teachers, two pupils of each, all of one decade and region; pupils differ from teachers by `near`."""
    rng = np.random.default_rng(seed)
    master = rng.normal(size=(teachers, 2))
    pupils = np.repeat(master, 2, axis=0) * np.sqrt(1 - near**2) + near * rng.normal(size=(2 * teachers, 2))
    z = np.concatenate([master, pupils])
    notes = corpus(5.5 + 0.4 * z[:, 0], 5 + 0.4 * z[:, 1], recordings=2, notes=20, seed=seed)
    number = notes["player"].str[1:].astype(int)
    teacher = ((number - teachers) // 2).where(number >= teachers)
    notes["teacher"] = teacher.map(lambda k: f"P{int(k):02d}" if np.isfinite(k) else pd.NA).astype("string")
    return notes.assign(decade=1950, region="Keldria")


def test_near_pupils_are_found():
    answer = pupils_near_teachers(school(1, 0.3), draws=1999)
    assert answer.p < 0.01 and answer.high < 1 and len(answer.table) == 12


def test_what_decade_and_region_explain_is_no_lineage():
    # Pupils share their teachers' region, and regions differ; lineage itself adds nothing: 5 % are meant.
    rng = np.random.default_rng(15)
    teacher, pupil = np.repeat(np.arange(6), 2), np.arange(6, 18)
    region = np.concatenate([np.arange(6), teacher]) % 2
    p = {"blind": [], "fair": []}
    for _ in range(300):
        far = distances(rng.normal(size=(18, 4)) + 2.0 * region[:, None])
        for name, strata in (("blind", 0 * region), ("fair", region)):
            p[name].append(nearness(far, pupil, teacher, strata, 199, rng)[2])
    assert np.mean(np.array(p["blind"]) < 0.05) > 0.9
    assert np.mean(np.array(p["fair"]) < 0.05) < 0.095  # more by chance: 0.05 %


def test_few_lineages_cannot_tell():
    notes = school(3, 0.3)
    few = notes.assign(teacher=notes["teacher"].where(notes["teacher"].isin(["P00", "P01"])))
    assert "4 pupils of 2 teachers" in pupils_near_teachers(few, draws=99).cannot_tell
    for unnamed in (notes.drop(columns="teacher"), notes.assign(teacher=pd.NA)):
        said = pupils_near_teachers(unnamed, draws=99).sentence()
        assert "no teachers are named. Add a column 'teacher' to the manifest" in said
        assert "tracker" not in said
    alone = notes.assign(region=notes["teacher"].fillna(notes["player"]))
    # each lineage its own stratum: exchange within it says nothing of a teacher against strangers
    answer = pupils_near_teachers(alone.assign(decade=notes["player"]), draws=99)
    assert "so few others" in answer.cannot_tell


@pytest.mark.parametrize(("regions", "told"), [((3, 3, 3), True), ((3, 4, 2), False)])
def test_what_strata_allow_by_hand(regions, told):
    """A pair is the nearest of its region's in 1 of 3 exchanges of three players, of 6 of four, of 1 of two.

    So p is at least 1/27 = 0.037, which can be told, or 1/18 = 0.056, which cannot.
    """
    teachers, players = len(regions), sum(regions)
    region = np.repeat(np.arange(teachers), regions)
    first = np.searchsorted(region, np.arange(teachers))
    rng = np.random.default_rng(6)
    notes = corpus(5.5 + rng.normal(0, 0.4, players), rng.normal(5, 0.4, players), recordings=1, notes=8)
    number = notes["player"].str[1:].astype(int).to_numpy()
    pupils = dict(zip(first + 1, first, strict=True))
    notes["teacher"] = pd.Series([f"P{pupils[k]:02d}" if k in pupils else pd.NA for k in number], notes.index)
    answer = pupils_near_teachers(notes.assign(decade=1950, region=region[number].astype(str)))
    assert ("so few others" not in answer.cannot_tell) == told


def test_a_teacher_who_is_nearly_a_player_is_asked_about():
    notes = school(4, 0.3)
    for name in ("player", "teacher"):
        notes[name] = notes[name].str.replace("P00", "Player Juniper")
    notes["teacher"] = notes["teacher"].str.replace("Juniper", "Junipr")
    answer = pupils_near_teachers(notes, draws=99)
    assert "'Player Junipr' is no player here; is 'Player Juniper' meant?" in " ".join(answer.cautions)


def test_two_teachers_and_ones_own_are_told_at_once():
    notes = school(4, 0.3, 3)
    notes.loc[notes["recording_id"] == "P05r0", "teacher"] = "P02"
    notes.loc[notes["player"] == "P06", "teacher"] = "P06"
    with pytest.raises(VibstudyError) as told:
        lineages(notes)
    assert len(told.value.problems) == 2


# --- same written notes


def scored(players: int = 12, written: int = 30, step_hz: float = 0.3, seed: int = 5) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    late = np.arange(players) >= players / 2
    notes = corpus(
        5.5 + step_hz * late + rng.normal(0, 0.1, players), np.full(players, 5.0), None, 1, written, seed, 0.1
    )
    place = notes.groupby("recording_id").cumcount()
    notes["rate_hz"] += rng.normal(0, 0.8, written)[place]  # what the written note does, to everybody
    return notes.assign(
        piece="Invented study", movement=pd.NA, measure=place // 4, beat=place % 4 + 1.0,
        written_midi=60 + place % 7, score_match="matched",
    )  # fmt: skip


def test_the_same_written_notes_show_a_difference_that_notes_hide():
    answer = compare_same_notes(scored(), "period", "early", "late")
    assert answer.low < 0.3 < answer.high and answer.p < 0.01
    assert "30 written notes are shared" in answer.sentence()


def test_written_notes_of_one_group_only_do_not_count():
    notes = scored()
    half = (notes["period"] == "late") & (notes["measure"] >= 2)
    answer = compare_same_notes(notes[~half], "period", "early", "late")
    assert "8 written notes" in answer.cannot_tell
    assert "3 and 3 players" in compare_same_notes(scored(6), "period", "early", "late").cannot_tell


# --- the page that tells of it


def test_every_example_of_the_page_runs(monkeypatch):
    notes = scored(16).assign(
        decade=lambda t: np.where(t["period"] == "late", 1970, 1930),
        region=lambda t: np.where(t["player"].str[-1].isin(list("02468")), "Keldria", "Aubrisk"),
    )
    notes["rate_irregularity"] = 0.1 + 0.01 * (notes["rate_hz"] % 1)
    notes["teacher"] = pd.Series(pd.NA, index=notes.index, dtype="string").mask(
        notes["player"] == "P01", "P00"
    )
    page = (Path(__file__).parent.parent / "docs" / "how-to" / "questions.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```python\n(.*?)```", page, re.DOTALL)
    monkeypatch.setattr("vibstudy.study.open_study", lambda: SimpleNamespace(notes=notes))
    room: dict = {}
    for block in blocks:
        exec(block, room)
    assert len(blocks) == 9 and room["vibrato_amount"](notes).players == 16


def test_sentences_hold_figures_or_the_reason_why_not():
    whole = vibrato_amount(even(8)).sentence()
    assert re.search(r"± [\d.]+ cents over all sounding time, 95 % interval [\d.]+ to [\d.]+ \(8 p", whole)
    straight = vibrato_amount(corpus(np.full(4, 5.5), np.full(4, 5.0), np.zeros(4))).sentence()
    assert "cannot tell: no player here uses any" in straight and "interval" not in straight


def test_a_player_without_any_irregularity_is_told_and_not_left_out():
    rng = np.random.default_rng(3)
    notes = corpus(rng.normal(6, 0.3, 12), np.full(12, 4.5))
    notes["rate_irregularity"] = np.where(notes["player"] == "P03", 1e-151, 0.05)
    answer = compare_regularity(notes, "period", "early", "late")
    assert "P03" in answer.cannot_tell
    assert np.isnan(answer.p)


def test_all_questions_are_asked_at_once(tmp_path):
    rng = np.random.default_rng(4)
    notes = corpus(rng.normal(6, 0.3, 12), rng.normal(4.5, 0.3, 12), np.full(12, 0.7))
    claims = [
        Claim("a", "", "rate_hz", Contrast("period", "early", "late"), "higher"),
        Claim("b", "", "rate_hz", Contrast("midi", 60, 72, shape="trend"), "higher"),
    ]
    assert groups_of(claims) == [Groups("period", "early", "late")]
    answers = ask_all(notes, groups_of(claims))
    table = table_of(answers)
    alone = compare_amounts(notes, "period", "early", "late")
    row = table[(table["question"] == "amount") & (table["by"] == "period")].iloc[0]
    assert row["sentence"] == alone.sentence()
    assert row["p"] == alone.p
    tested = table["p"].notna()
    assert tested.sum() > 5
    assert table.loc[tested, "p_holm"].tolist() == pytest.approx(holm(table.loc[tested, "p"].to_numpy()))
    teachers = table[table["question"] == "teachers"].iloc[0]
    assert "teacher" in teachers["cannot_tell"]
    assert np.isnan(teachers["p"])


def test_the_command_writes_what_it_says(tmp_path, capsys):
    notes = corpus(np.linspace(5, 6, 12), np.full(12, 4.5), np.full(12, 0.7))
    (tmp_path / "results").mkdir()
    notes.to_csv(tmp_path / "results" / "notes.csv", index=False)
    recordings = notes[["recording_id", "player", "period"]].drop_duplicates()
    recordings.to_csv(tmp_path / "results" / "recordings.csv", index=False)
    runner = CliRunner()
    found = runner.invoke(
        app, ["questions", str(tmp_path), "--by", "period", "--from", "early", "--to", "late"]
    )
    assert found.exit_code == 0, found.output
    table = pd.read_csv(tmp_path / "results" / "questions.csv")
    assert set(table["by"].dropna()) == {"period"}
    assert "exploratory" in found.output
    half = runner.invoke(app, ["questions", str(tmp_path), "--by", "period"])
    assert half.exit_code != 0
    assert "--from, --to" in str(half.exception)


def test_a_spread_beyond_the_grid_of_ratios_has_an_interval_without_end():
    """Seven players who agree to a tenth, nine spread a hundred times as wide: no ratio to 30 is likely."""
    rng = np.random.default_rng(5)
    values, errors = [0.1 * rng.normal(size=7), 10 * rng.normal(size=9)], [np.full(7, 1e-6), np.full(9, 1e-6)]
    ratio, low, high, p = spread_ratio(values, errors, rng, draws=99)
    assert ratio == 30 and (low, high) == (30, np.inf) and p == pytest.approx(0.01)
    ratio, low, high, _ = spread_ratio(values[::-1], errors[::-1], rng, draws=99)
    assert ratio == pytest.approx(1 / 30) and (low, high) == (0, pytest.approx(1 / 30))
