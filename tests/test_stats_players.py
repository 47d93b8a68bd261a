"""Players' own slopes, unequal spreads, shared errors and weights: against R and against known truth.

R's numbers are in ``reference/stats/reference_players.csv``, with the script that made them. Tolerance: four
significant digits.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from tests.invented_study import invented_notes
from vibstudy.errors import VibstudyError
from vibstudy.stats import fit_mixed, fit_presence, leave_out, measurement_weights
from vibstudy.stats.mixed import MixedResult
from vibstudy.stats.priors import posterior, prior_table
from vibstudy.stats.smallsample import KenwardRoger, Satterthwaite, flat_directions, second_order

HERE = Path(__file__).parent / "reference" / "stats"
FOUR_DIGITS = 1e-4


@cache
def corpus(name: str) -> pd.DataFrame:
    frame = pd.read_csv(HERE / f"{name}.csv")
    frame["x"] = (frame["decade"] - 1950) / 30
    return frame


@cache
def numbers() -> pd.DataFrame:
    return pd.read_csv(HERE / "reference_players.csv", keep_default_na=False)


def stored(model: str, kind: str) -> dict[str, float]:
    rows = numbers()[(numbers()["model"] == model) & (numbers()["kind"] == kind)]
    assert len(rows)
    return dict(zip(rows["term"], rows["value"].astype(float), strict=True))


def check(table: pd.DataFrame, column: str, values: dict[str, float], names: dict[str, str]) -> None:
    for term, value in values.items():
        name = names.get(term, term)
        assert table.loc[name, column] == pytest.approx(value, rel=FOUR_DIGITS), (term, column)


def test_players_variances_by_group_agree_with_glmmtmb_and_nlme() -> None:
    result = fit_mixed(corpus("slope"), "rate ~ region + midi", recording="recording", slopes=None)
    sd = result.variance_components()["sd"]
    for model in ("spread", "spread nlme"):
        values = stored(model, "sd")
        assert sd["player", "region A"] == pytest.approx(values["regionA"], rel=FOUR_DIGITS)
        assert sd["player", "region B"] == pytest.approx(values["regionB"], rel=FOUR_DIGITS)
        assert result.deviance == pytest.approx(stored(model, "criterion")[""], abs=1e-4)
    names = {"(Intercept)": "Intercept", "regionB": "region[T.B]"}
    check(result.table(), "estimate", stored("spread", "estimate"), names)
    # glmmTMB's errors count the variances as estimated; nlme's, as lme4's, do not
    check(result.table(), "se", stored("spread nlme", "se"), names)


def test_notes_variances_by_group_agree_with_nlme() -> None:
    result = fit_mixed(
        corpus("slope"), "rate ~ region + midi", recording="recording", slopes=None, spread="equal",
        notes_spread="region",
    )  # fmt: skip
    assert result.prepared.notes_sd is not None
    for level, value in stored("notes", "sd").items():
        assert result.prepared.notes_sd[level] == pytest.approx(value, rel=FOUR_DIGITS)
    names = {"(Intercept)": "Intercept", "regionB": "region[T.B]"}
    check(result.table(), "estimate", stored("notes", "estimate"), names)
    check(result.table(), "se", stored("notes", "se"), names)
    assert "standard deviation by region" in " ".join(result.remarks)


def own_slopes() -> MixedResult:
    return fit_mixed(corpus("slope_independent"), "rate ~ x + midi", recording="recording")


def test_own_slopes_agree_with_lmer() -> None:
    result = own_slopes()
    sd = result.variance_components()["sd"]
    names = {"rec (Intercept)": ("player:recording", "Intercept"), "player z": ("player", "x")}
    names |= {"player m": ("player", "midi"), "player (Intercept)": ("player", "Intercept")}
    for term, value in stored("own slopes", "sd").items():
        place = names.get(term, ("residual", ""))
        assert sd[place] == pytest.approx(value, rel=3e-4 if term == "player m" else FOUR_DIGITS), term
    assert result.deviance == pytest.approx(stored("own slopes", "criterion")[""], abs=1e-4)
    shift = {"(Intercept)": "Intercept"}
    for kind, column in (("Estimate", "estimate"), ("Std. Error", "se")):
        check(result.table(), column, stored("own slopes", kind), shift)
    df = stored("own slopes", "df")
    table = result.table()
    assert table.loc["x", "df"] == pytest.approx(df["x"], rel=1e-3)
    # midi changes within all ten players: lmerTest's 9.3 degrees of freedom are more than they allow
    assert df["midi"] > 9
    assert table.loc["midi", "df"] == pytest.approx(9)


def test_own_deviations_of_a_factor_agree_with_lmer() -> None:
    frame = corpus("unbalanced")
    frame = frame.assign(register=np.where(frame["midi"] > frame["midi"].median(), "high", "low"))
    result = fit_mixed(frame, "rate ~ register", recording="recording")
    sd = result.variance_components()["sd"].droplevel(1)
    names = {"rec": "player:recording", "Residual": "residual"}
    for term, value in stored("own factor", "sd").items():
        assert sd[names.get(term, term)] == pytest.approx(value, rel=FOUR_DIGITS), term
    assert result.deviance == pytest.approx(stored("own factor", "criterion")[""], abs=1e-4)
    names = {"(Intercept)": "Intercept", "registerlow": "register[T.low]"}
    for kind, column in (("Estimate", "estimate"), ("Std. Error", "se"), ("df", "df")):
        values = {k: v for k, v in stored("own factor", kind).items() if k != "(Intercept)" or kind != "df"}
        check(result.table(), column, values, names)


# --- known answers


def drawn(players: int = 8, recordings: int = 4, notes: int = 20, seed: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    rows = [(f"P{p:02d}", f"P{p:02d}/{r}", 1930 + 10 * r) for p in range(players) for r in range(recordings)]
    frame = pd.DataFrame(rows, columns=["player", "recording_id", "decade"]).loc[
        np.repeat(np.arange(len(rows)), notes)
    ]
    frame = frame.reset_index(drop=True)
    level = rng.normal(0, 0.25, players)[frame["player"].str[1:].astype(int)]
    own = rng.normal(0, 0.12, len(rows))[pd.factorize(frame["recording_id"])[0]]
    frame["rate_hz"] = 6 + level + own + rng.normal(0, 0.3, len(frame))
    return frame


def test_a_balanced_trend_within_players_is_the_t_test_of_their_slopes() -> None:
    # Textbook result: with balanced recordings the mean slope is judged by the spread of the players' slopes,
    # players - 1 degrees of freedom (summary measures: Matthews et al. 1990, BMJ 300:230-235).
    rng = np.random.default_rng(3)
    frame = drawn(seed=3)
    player = pd.factorize(frame["player"])[0]
    frame["rate_hz"] += 0.03 * rng.normal(size=8)[player] * (frame["decade"] - 1945)
    slopes = [np.polyfit(own["decade"], own["rate_hz"], 1)[0] for _, own in frame.groupby("player")]
    textbook = stats.ttest_1samp(slopes, 0)
    row = fit_mixed(frame, "rate_hz ~ decade").table().loc["decade"]
    assert row["df"] == pytest.approx(7, abs=1e-3)
    assert row["t"] == pytest.approx(textbook.statistic, rel=1e-4)
    assert row["p"] == pytest.approx(textbook.pvalue, rel=1e-3)


def test_groups_of_unequal_spread_give_welchs_test_of_players_means() -> None:
    # Welch 1947, Biometrika 34:28-35, as scipy computes it.
    rng = np.random.default_rng(5)
    frame = drawn(11, seed=5)
    frame["school"] = np.where(frame["player"] < "P04", "new", "old")
    frame["rate_hz"] += (
        np.where(frame["school"] == "new", 1.0, 0.1) * rng.normal(size=11)[pd.factorize(frame["player"])[0]]
    )
    means = frame.groupby(["school", "player"])["rate_hz"].mean()
    textbook = stats.ttest_ind(means["old"], means["new"], equal_var=False)
    result = fit_mixed(frame, "rate_hz ~ school")
    row = result.table().loc["school[T.old]"]
    assert row["t"] == pytest.approx(textbook.statistic, rel=1e-4)
    first_order = Satterthwaite(result.fit.solution).df(np.array([0.0, 1.0]))
    assert first_order == pytest.approx(textbook.df, rel=1e-3)
    own = means.groupby("school").agg(["var", "size"])
    parts = (own["var"] / own["size"]).loc[["new", "old"]].to_numpy()
    df = second_order(textbook.df, parts / parts.sum(), own["size"].loc[["new", "old"]].to_numpy() - 1.0)
    assert row["df"] == pytest.approx(df, rel=1e-3)
    assert df < textbook.df
    equal = fit_mixed(frame, "rate_hz ~ school", spread="equal").table().loc["school[T.old]"]
    assert equal["t"] == pytest.approx(stats.ttest_ind(means["old"], means["new"]).statistic, rel=1e-4)


def test_the_second_order_of_welchs_series_keeps_its_promise_where_the_first_does_not() -> None:
    # 4 players against 20, their spreads alike: simulated. With one group the series is that of Student's t.
    assert second_order(5.0, np.array([1.0, 0.0]), np.array([5.0, 9.0])) == pytest.approx(5.0, rel=1e-6)
    rng = np.random.default_rng(8)
    parts = np.column_stack([rng.chisquare(3, 4000) / 3 / 4, rng.chisquare(19, 4000) / 19 / 20])
    shares, spare = parts / parts.sum(axis=1, keepdims=True), np.array([3.0, 19.0])
    first = 1 / np.sum(shares**2 / spare, axis=1)
    second = np.array([second_order(df, own, spare) for df, own in zip(first, shares, strict=True)])
    size = np.sqrt(parts.sum(axis=1) / (1 / 4 + 1 / 20))  # of the standard error, against the true one
    alarms = [100 * np.mean(2 * stats.norm.sf(stats.t.isf(0.025, df) * size)) for df in (first, second)]
    assert alarms[0] > 5.9
    assert 4.8 < alarms[1] < 5.8


def test_where_only_some_players_are_in_both_periods_a_variance_of_zero_is_uncertain() -> None:
    frame = drawn(8, seed=4)
    number = frame["player"].str[1:].astype(int)
    both = (number < 3) & (frame["decade"] >= 1950)
    frame["period"] = np.where(both | ((number >= 3) & (number % 2 == 1)), "modern", "old")
    result = fit_mixed(frame, "rate_hz ~ period")
    row = np.array([0.0, 1.0])
    usual = Satterthwaite(result.fit.solution).df(row)
    careful = KenwardRoger(result.fit.solution).df(row)
    assert result.table().loc["period[T.old]", "df"] == pytest.approx(min(usual, careful, 7.0), rel=1e-6)
    assert careful < usual  # no variance of the players' own is seen here


def test_small_groups_are_judged_by_their_own_players() -> None:
    frame = drawn(9, seed=2)
    for few, most in ((3, 8), (2, 1)):
        frame["school"] = np.where(frame["player"] < f"P{few:02d}", "new", "old")
        df = fit_mixed(frame, "rate_hz ~ school").table().loc["school[T.old]", "df"]
        assert df <= most + 1e-9
    frame["school"] = np.where(frame["player"] < "P01", "new", "old")
    result = fit_mixed(frame, "rate_hz ~ school")
    row = result.table().loc["school[T.old]"]
    assert list(result.table().columns) == ["estimate", "se", "df", "t", "p", "low", "high"]
    assert np.isfinite(row["estimate"])
    assert row[["se", "df", "t", "p", "low", "high"]].isna().all()
    assert "rests on one player, P00" in result.untestable(np.array([0.0, 1.0]))


def test_no_mean_has_less_than_one_degree_of_freedom() -> None:
    """Four players a region, hardly two of a decade: nothing tells each region's spread where it is asked."""
    rng = np.random.default_rng(7)
    player = np.repeat(np.arange(12), 24)
    odd = np.where(player % 3 == 0, np.arange(288) % 2, player % 3 - 1)
    decade = player // 3 * 2 + odd
    frame = pd.DataFrame({"player": player, "recording_id": player * 2 + np.arange(288) % 2})
    frame["region"], frame["decade"] = np.array(list("abc"))[player % 3], decade
    least = []
    for _ in range(8):
        frame["y"] = rng.normal(0, 0.25, 12)[player] + rng.normal(0, 0.3, 288)
        assert (fit_mixed(frame, "y ~ C(decade) + region").means("region")["df"] > 1).all()  # one spread
        apart = fit_mixed(frame, "y ~ C(decade) + region", spread="region", df="kenward-roger")
        least.append(apart.means("region")["df"].min())
    assert min(least) == 1.0  # the case is one in which it matters
    alone = fit_mixed(frame, "y ~ region").means("region")["df"]
    assert np.all((alone > 2.5) & (alone < 3.5))  # players of the region less one


def test_the_only_modern_player_who_also_plays_before_cannot_be_told_from_himself() -> None:
    frame = drawn()
    frame["period"] = np.where((frame["player"] == "P03") & (frame["decade"] >= 1950), "modern", "old")
    result = fit_mixed(frame, "rate_hz ~ period")
    assert np.isnan(result.table().loc["period[T.old]", "p"])
    assert "rests on one player" in result.untestable(np.array([0.0, 1.0]))
    assert np.isnan(result.tests().loc["period", "p"])
    assert np.isnan(result.contrasts("period")["p"].iloc[0])


def test_one_player_in_both_periods_counts_once_on_each_side() -> None:
    frame = drawn()
    number = frame["player"].str[1:].astype(int)
    frame["period"] = np.where(number % 2, "modern", "old")
    frame.loc[(number == 1) & (frame["decade"] < 1950), "period"] = "old"
    result = fit_mixed(frame, "rate_hz ~ period")
    assert "Only P01 has notes at more than one period" in " ".join(result.remarks)
    assert result.prepared.players.players == 8
    assert result.n["player"] == 9
    assert result.table().loc["period[T.old]", "df"] <= 8 - 2


def test_a_number_that_changes_within_one_player_alone_is_judged_between_players() -> None:
    frame = drawn()
    number = frame["player"].str[1:].astype(int)
    frame["when"] = np.where(number == 2, frame["decade"], 1930 + 10 * (number % 4))
    result = fit_mixed(frame, "rate_hz ~ when")
    at_mean = frame.assign(when=np.where(number == 2, 1945, frame["when"]))
    other = fit_mixed(at_mean, "rate_hz ~ when")
    pd.testing.assert_frame_equal(result.table(), other.table(), rtol=1e-6)
    assert "counted at his mean" in " ".join(result.remarks)


def test_what_varies_decides_which_slopes_players_get() -> None:
    frame = drawn(8)
    rng = np.random.default_rng(0)
    frame["midi"] = rng.normal(70, 5, len(frame))
    frame["register"] = np.where(frame["midi"] > 72, "high", "low")
    frame["region"] = np.where(frame["player"] < "P05", "A", "B")

    def terms(formula: str, **settings: object) -> list[tuple[str, tuple[str, ...]]]:
        prepared = fit_mixed(frame, formula, **settings).prepared
        return [(t.group, t.columns) for t in prepared.terms if t.group != "player:recording_id"]

    assert terms("rate_hz ~ region") == [("player", ("region A", "region B"))]
    assert terms("rate_hz ~ region", spread="equal") == [("player", ("Intercept",))]
    assert terms("rate_hz ~ midi") == [("player", ("Intercept", "midi"))]
    assert terms("rate_hz ~ midi", slopes=None) == [("player", ("Intercept",))]
    assert terms("rate_hz ~ register") == [("player", ("Intercept",)), ("player:register", ("Intercept",))]
    crossing = terms("rate_hz ~ decade * region")  # the slope of decade serves its interaction with region
    assert crossing == [("player", ("region A", "region B", "decade"))]
    # each decade is one recording of a player: his own deviation there is the recording's
    assert terms("rate_hz ~ C(decade)") == [("player", ("Intercept",))]


def test_leaving_out_a_player_keeps_the_judgement_by_players() -> None:
    frame = drawn()
    table = leave_out(fit_mixed(frame, "rate_hz ~ decade"))
    assert (table.loc[table["term"] == "decade", "df"] <= 6 + 1e-9).all()


def test_spread_names_are_checked() -> None:
    frame = drawn().assign(region=lambda f: np.where(f["player"] < "P04", "A", "B"))
    with pytest.raises(VibstudyError, match="spread names no factor"):
        fit_mixed(frame, "rate_hz ~ region", spread="regoin")
    halves = frame.assign(half=np.where(frame["decade"] < 1950, "early", "late"))
    with pytest.raises(VibstudyError, match="varies within players"):
        fit_mixed(halves, "rate_hz ~ region + half", spread="half")


# --- weights and shared errors


def test_weights_by_the_fitted_value_do_not_draw_extents_up() -> None:
    # Extents of 20 cents, measured with errors of 5: weights from the measured values count chance's large
    # ones as the surest. Known truth: log(20), to within three standard errors of the mean.
    rng = np.random.default_rng(8)
    frame = drawn(6, 4, 100, seed=8)
    true = 20 * np.exp(0.1 * rng.normal(size=len(frame)))
    frame["extent_cents"] = np.maximum(true + 5 * rng.normal(size=len(frame)), 2)
    frame["extent_se_cents"] = 5.0
    measured = 1 / (0.1**2 + (5 / frame["extent_cents"]) ** 2)
    weights = measurement_weights(frame, "log(extent_cents) ~ 1")
    values = np.log(frame["extent_cents"])
    plain, fitted, drawn_up = (
        np.exp(np.average(values, weights=w)) for w in (np.ones(len(frame)), weights, measured)
    )
    assert drawn_up > 1.05 * plain
    assert fitted == pytest.approx(plain, rel=0.005)


def test_a_shared_error_widens_what_lies_between_its_levels_and_nothing_else() -> None:
    # By hand: two media against each other, each shifted by an error of standard deviation s: the difference
    # of their means has a further variance of 2 s².
    frame = drawn(8)
    rng = np.random.default_rng(0)
    frame["medium"] = np.where(frame["player"] < "P04", "disc", "tape")
    frame["midi"] = rng.permuted(np.tile(np.arange(20.0), (32, 1)), axis=1).ravel()
    formula = "rate_hz ~ medium + midi"
    plain = fit_mixed(frame, formula).table()
    shared = fit_mixed(frame, formula, shared={"medium": 0.1}).table()
    assert shared.loc["medium[T.tape]", "se"] ** 2 == pytest.approx(
        plain.loc["medium[T.tape]", "se"] ** 2 + 2 * 0.01, rel=1e-6
    )
    assert shared.loc["medium[T.tape]", "df"] > plain.loc["medium[T.tape]", "df"]
    assert shared.loc["midi", "se"] == pytest.approx(plain.loc["midi", "se"], rel=1e-6)
    one = fit_mixed(frame, formula, shared={"medium": {"disc": 0.1}}).table()
    assert one.loc["medium[T.tape]", "se"] ** 2 == pytest.approx(
        plain.loc["medium[T.tape]", "se"] ** 2 + 0.01, rel=1e-6
    )
    column = fit_mixed(frame.assign(speed_se=0.1), formula, shared={"medium": "speed_se"}).table()
    pd.testing.assert_frame_equal(column, shared)
    with pytest.raises(VibstudyError, match="no shared error"):
        fit_mixed(frame.assign(speed_se=-1.0), formula, shared={"medium": "speed_se"})


def test_shared_errors_are_the_covariance_of_simulated_shifts() -> None:
    rng = np.random.default_rng(4)
    frame = drawn(7, seed=4)
    frame["medium"] = np.where(frame["player"] < "P03", "disc", "tape")
    frame["w"] = rng.uniform(0.5, 2.0, len(frame))
    result = fit_mixed(frame, "rate_hz ~ decade", weights="w", shared={"medium": 0.2})
    plain = fit_mixed(frame, "rate_hz ~ decade", weights="w")
    moved = []
    for level in ("disc", "tape"):  # the estimates are linear in the outcome at given variances
        shift = 0.2 * (frame["medium"] == level).to_numpy(float)
        moments = plain.fit.solution.moments.with_outcome(
            *_design(plain), plain.prepared.y + shift, plain.prepared.weights
        )
        moved.append(moments.at(plain.fit.factors).beta - plain.beta)
    added = np.array(moved).T @ np.array(moved)
    np.testing.assert_allclose(
        result.inference.covariance, plain.inference.covariance + added, rtol=1e-6, atol=1e-12
    )


def _design(result: MixedResult) -> tuple:
    from vibstudy.stats.terms import random_design

    prepared = result.prepared
    return random_design(prepared.terms, len(prepared.y))[0], prepared.estimable


def test_presence_has_own_slopes_too() -> None:
    rng = np.random.default_rng(2)
    frame = drawn(8, seed=2)
    frame["long"] = rng.random(len(frame)) < 0.5
    own = rng.normal(0, 1.0, 8)[pd.factorize(frame["player"])[0]]
    frame["has_vibrato"] = rng.random(len(frame)) < 1 / (1 + np.exp(-own * frame["long"]))
    result = fit_presence(frame, "has_vibrato ~ long")
    assert "player:long" in [t.group for t in result.prepared.terms]
    assert result.table().loc["long[T.True]", "df"] <= 7


# --- priors


def six_players() -> pd.DataFrame:
    rng = np.random.default_rng(1)
    player, take = np.repeat(np.arange(6), 12), np.repeat(np.arange(18), 4)
    level = rng.normal(0, 0.3, 6)[player] + rng.normal(0, 0.12, 18)[take]
    return pd.DataFrame({
        "player": [f"P{k}" for k in player], "recording_id": [f"R{k}" for k in take],
        "period": np.where(player % 2, "late", "early"),
        "rate_hz": 6 + level + 0.3 * (player % 2) + rng.normal(0, 0.3, 72),
    })  # fmt: skip


def test_the_posterior_is_that_of_plain_integration() -> None:
    # By hand: the density of all notes at once (scipy), on a plain grid over both standard deviations, the
    # fixed effects integrated out by the formula for a flat prior (Gelman et al. 2013, BDA3, sec. 14.2).
    frame = six_players()
    result = fit_mixed(frame, "rate_hz ~ period", spread="equal")
    sigma = result.fit.solution.sigma
    x = np.column_stack([np.ones(72), frame["period"] == "late"]).astype(float)
    same = [np.equal.outer(frame[c].to_numpy(), frame[c].to_numpy()) for c in ("player", "recording_id")]
    y, grid = frame["rate_hz"].to_numpy(), (np.arange(20) + 0.5) / 20
    logs, centres, errors = [], [], []
    for players in 1.5 * grid:
        for takes in 0.6 * grid:
            v = players**2 * same[0] + takes**2 * same[1] + sigma**2 * np.eye(72)
            weighted = np.linalg.solve(v, x)
            phi = np.linalg.inv(x.T @ weighted)
            beta = phi @ weighted.T @ y
            density = stats.multivariate_normal.logpdf(y - x @ beta, cov=v)
            prior = stats.halfnorm.logpdf([players, takes], scale=0.3).sum()
            logs.append(density + np.linalg.slogdet(phi)[1] / 2 + prior)
            centres.append(beta[1])
            errors.append(np.sqrt(phi[1, 1]))
    weight = np.exp(np.array(logs) - max(logs))
    weight /= weight.sum()
    found = posterior(result, np.array([0.0, 1.0]), 0.3)
    assert found.mean == pytest.approx(weight @ centres, abs=2e-4)
    for value in (-0.2, 0.0, 0.3, 0.7):
        by_hand = weight @ stats.norm.cdf((value - np.array(centres)) / errors)
        assert found.below(value) == pytest.approx(by_hand, abs=2e-3)
    assert found.below(found.quantile(0.975)) == pytest.approx(0.975, abs=1e-9)


def test_priors_and_default_stand_in_one_table() -> None:
    result = fit_mixed(six_players(), "rate_hz ~ period")
    table = prior_table(result, "period[T.late]", (0.05, 0.3, 5.0))
    usual = result.table().loc["period[T.late]"]
    assert table.loc["default", ["estimate", "low", "high", "p"]].tolist() == usual[
        ["estimate", "low", "high", "p"]
    ].tolist()  # fmt: skip
    width = (table["high"] - table["low"]).iloc[1:].to_numpy()
    assert (np.diff(width) > 0).all(), "the less is believed beforehand, the wider"
    assert (np.diff(table["players_sd"].iloc[1:]) > 0).all()
    for wrong, words in ((("perid", None), "period"), (("period[T.late]", (0.0,)), "above 0")):
        with pytest.raises(VibstudyError, match=words):
            prior_table(result, *wrong)


def test_variances_that_nothing_tells_apart_are_not_told_apart() -> None:
    # one player in each cell of eight decades and three regions: wider spreads of two regions and wider own
    # ways with the decade give the same differences, and the search ends anywhere on that ridge
    notes = invented_notes(12, 2, 14)
    formula = "log(extent_cents) ~ C(decade) + region"
    result = fit_mixed(notes, formula)
    assert result.prepared.players.spread is None
    assert any("cannot be told apart by these notes" in remark for remark in result.prepared.remarks)
    assert result.means("region")["df"].min() > 2
    apart = fit_mixed(notes, formula, spread="region")
    means, contrasts = apart.means("region"), apart.contrasts("region")
    assert means[["low", "high"]].isna().all(axis=None)
    assert contrasts[["low", "high"]].notna().all(axis=None)  # these do not move along the ridge
    size = np.abs(apart.fit.solution.expected).max()
    flat = flat_directions(apart.fit.solution)
    assert flat.shape[1] == 1
    np.testing.assert_allclose(apart.fit.solution.expected @ flat, 0, atol=1e-9 * size)
