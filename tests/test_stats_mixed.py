"""Mixed models of the note table: frames, refusals, numbers against definitions written out in full."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from vibstudy.errors import VibstudyError
from vibstudy.stats import fit_extent, fit_mixed, fit_presence, measurement_weights
from vibstudy.stats.frames import estimable_columns
from vibstudy.stats.moments import Moments
from vibstudy.stats.smallsample import BetweenWithin, KenwardRoger, Satterthwaite
from vibstudy.stats.terms import RandomTerm, random_intercepts, unpack


def corpus(
    players: int = 9, recordings: int = 3, notes: int = 8, seed: int = 1, effect: float = 0.0
) -> pd.DataFrame:
    """An invented corpus: periods and regions of players, decades of recordings."""
    rng = np.random.default_rng(seed)
    rows = []
    for player in range(players):
        period, region = (1930, 1950, 1970)[player % 3], "AB"[player // 3 % 2]
        level = rng.normal(0, 0.5)
        for recording in range(recordings):
            own, decade = rng.normal(0, 0.25), period + 10 * int(rng.integers(0, 2))
            for _ in range(notes):
                rate = 5.8 + effect * (period - 1950) / 20 + level + own + rng.normal(0, 0.5)
                rows.append((f"Player {player}", f"r{recording}", period, decade, region, rate))
    frame = pd.DataFrame(rows, columns=["player", "recording_id", "period", "decade", "region", "rate_hz"])
    frame["midi"] = rng.integers(55, 80, len(frame))
    frame["piece"] = [f"piece {k}" for k in rng.integers(0, 4, len(frame))]
    frame["rate_se_hz"] = rng.uniform(0.02, 0.3, len(frame))
    frame["extent_cents"] = np.round(2.0 ** frame["rate_hz"], 3)
    frame["extent_se_cents"] = 2.0
    frame["has_vibrato"] = rng.random(len(frame)) < 0.7
    return frame


# --- term names, dtypes, missing values


def test_terms_are_named_as_documented() -> None:
    table = fit_mixed(corpus(), "rate_hz ~ C(period) * region + midi").table()
    assert list(table.index) == [
        "Intercept",
        "C(period)[T.1950]",
        "C(period)[T.1970]",
        "region[T.B]",
        "midi",
        "C(period)[T.1950]:region[T.B]",
        "C(period)[T.1970]:region[T.B]",
    ]
    assert table.index.name == "term"
    assert list(table.columns) == ["estimate", "se", "df", "t", "p", "low", "high"]


@pytest.mark.parametrize(
    "dtypes",
    [
        {
            "player": "string",
            "recording_id": "string",
            "region": "string",
            "period": "Int64",
            "midi": "Int64",
        },
        {"player": "category", "recording_id": "category", "region": "category", "midi": "Float64"},
        {"player": object, "recording_id": object, "region": object, "period": "float64", "midi": "float32"},
        {"player": "string[pyarrow]", "region": "string[pyarrow]", "period": "Int16", "rate_hz": "Float64"},
    ],
)
def test_every_dtype_of_pandas_gives_the_same(dtypes: dict) -> None:
    plain = fit_mixed(corpus(), "rate_hz ~ C(period) + region + midi").table()
    other = fit_mixed(corpus().astype(dtypes), "rate_hz ~ C(period) + region + midi").table()
    pd.testing.assert_frame_equal(plain, other, rtol=1e-5)


def test_true_and_false_is_a_factor() -> None:
    frame = corpus().assign(muted=lambda d: pd.array(d["midi"] > 68, dtype="boolean"))
    assert "muted[T.True]" in fit_mixed(frame, "rate_hz ~ muted").table().index


def test_order_and_index_of_rows_do_not_matter() -> None:
    frame = corpus()
    shuffled = frame.sample(frac=1, random_state=3).set_index(np.arange(len(frame)) % 7)
    for formula in ("rate_hz ~ C(period) + midi", "log(extent_cents) ~ C(period)"):
        first, second = (fit_mixed(f, formula, crossed=["piece"]).table() for f in (frame, shuffled))
        pd.testing.assert_frame_equal(first, second, rtol=1e-5)


def test_left_out_notes_are_counted() -> None:
    frame = corpus().astype({"period": "Int64"})
    frame.loc[[3, 4], "rate_hz"] = np.nan
    frame.loc[4, "region"] = None
    frame.loc[30, "period"] = pd.NA
    result = fit_mixed(frame, "rate_hz ~ C(period) + region")
    dropped = result.dropped.set_index(["by", "level"])
    assert dropped.loc[("all", "all")].tolist() == [216, 3, 213]
    assert dropped.loc[("missing", "rate_hz"), "dropped"] == 2
    assert dropped.loc[("missing", "period"), "dropped"] == 1
    assert dropped.loc[("player", "Player 0"), "dropped"] == 2
    assert dropped.loc[("player", "Player 1"), "dropped"] == 1
    assert dropped.loc[("region", "(missing)")].tolist() == [1, 1, 0]
    for by in ("decade", "region", "player"):
        assert dropped.loc[by, "notes"].sum() == 216
    assert result.n["notes"] == 213
    assert "3 of 216 notes were left out" in str(result.diagnose())


# --- refusals, each naming what would be right


@pytest.mark.parametrize(
    ("formula", "settings_", "words"),
    [
        ("rate_hz ~ C(perod)", {}, ["column perod", "Did you mean 'period'?"]),
        ("rate_hz ~ region", {"player": "plyer"}, ["column plyer", "Did you mean 'player'?"]),
        ("rate_hz ~ region", {"crossed": ("pieces",)}, ["Did you mean 'piece'?"]),
        ("rate_hz ~ region + (1 | player)", {}, ["random part", "player="]),
        ("rate_hz", {}, ["no outcome or no '~'"]),
        ("rate_hz ~ C(region", {}, ["cannot be read"]),
        ("rate_hz + midi ~ region", {}, ["more than one outcome"]),
        ("region ~ midi", {}, ["not a number", "fit_presence"]),
        ("log(midi - 60) ~ region", {}, ["no finite value", "logarithm"]),
        ("rate_hz ~ region", {"df": "kenward"}, ["Did you mean 'kenward-roger'?"]),
        ("rate_hz ~ region", {"slopes": ("piece",)}, ["random slope needs a number"]),
        ("rate_hz ~ region", {"weights": "rate_sehz"}, ["Did you mean 'rate_se_hz'?"]),
    ],
)
def test_refusals_name_the_repair(formula: str, settings_: dict, words: list[str]) -> None:
    with pytest.raises(VibstudyError) as error:
        fit_mixed(corpus(), formula, **settings_)
    for word in words:
        assert word in str(error.value)


@pytest.mark.parametrize(
    "formula",
    [
        "rate_hz ~ __import__('os').getcwd()",
        "rate_hz ~ np.linalg.norm(midi)",
        "rate_hz ~ eval('1')",
        "rate_hz ~ midi.sum()",
        "rate_hz ~ (lambda: midi)()",
        "open('x') ~ midi",
    ],
)
def test_a_formula_cannot_run_code(formula: str) -> None:
    with pytest.raises(VibstudyError):
        fit_mixed(corpus(), formula)


def test_all_problems_are_told_at_once() -> None:
    with pytest.raises(VibstudyError) as error:
        fit_mixed(corpus(), "rate ~ perod", player="plyer")
    assert {p.column for p in error.value.problems} == {"rate", "perod", "plyer"}


def test_factors_with_one_level_are_refused_by_name() -> None:
    one_region = corpus()[lambda d: d["region"] == "A"]
    with pytest.raises(VibstudyError, match=r"column region: has only one value.*Leave region out"):
        fit_mixed(one_region, "rate_hz ~ region + C(period)")
    one_player = corpus()[lambda d: d["player"] == "Player 1"]
    with pytest.raises(VibstudyError, match="column player: has a single level"):
        fit_mixed(one_player, "rate_hz ~ midi")
    with pytest.raises(VibstudyError, match="column piece: has a single level"):
        fit_mixed(corpus().assign(piece="x"), "rate_hz ~ midi", crossed="piece")
    with pytest.raises(VibstudyError, match="the outcome is the same in every note"):
        fit_mixed(corpus().assign(rate_hz=5.0), "rate_hz ~ midi")


def test_empty_tables_and_empty_columns_are_refused() -> None:
    with pytest.raises(VibstudyError, match="empty"):
        fit_mixed(corpus().iloc[:0], "rate_hz ~ midi")
    with pytest.raises(VibstudyError, match="column rate_hz: missing in every note"):
        fit_mixed(corpus().assign(rate_hz=np.nan), "rate_hz ~ midi")
    with pytest.raises(VibstudyError, match="too few"):
        fit_mixed(corpus().iloc[[0, 30, 60]], "rate_hz ~ midi + decade", recording=None)


# --- what the data cannot tell apart


def test_players_with_one_recording_each() -> None:
    one = corpus(recordings=1)
    result = fit_mixed(one, "rate_hz ~ C(period)")
    assert result.n == {"notes": 72, "player": 9}
    assert "cannot be told apart" in str(result.diagnose())
    some = pd.concat([one, corpus()[lambda d: d["player"] == "Player 2"]])
    assert fit_mixed(some, "rate_hz ~ C(period)").n["player:recording_id"] == 11


def test_recordings_with_one_note_each_leave_the_recording_out() -> None:
    result = fit_mixed(corpus(notes=1), "rate_hz ~ C(period)")
    assert "player:recording_id" not in result.n
    assert "single note" in str(result.diagnose())


def test_a_table_without_recordings_is_fitted_without_and_says_so() -> None:
    frame = corpus().drop(columns="recording_id")
    result = fit_mixed(frame, "rate_hz ~ region")
    assert result.n == {"notes": 216, "player": 9}
    assert "no column recording_id" in str(result.diagnose())
    with pytest.raises(VibstudyError, match="Did you mean 'recordings_id'"):
        fit_mixed(frame.assign(recordings_id="r"), "rate_hz ~ region")


def test_the_same_recording_name_by_two_players_counts_twice() -> None:
    assert fit_mixed(corpus(), "rate_hz ~ midi").n["player:recording_id"] == 27


def test_empty_cells_are_left_out_and_their_contrasts_missing() -> None:
    frame = corpus(18)
    frame = frame[~((frame["period"] == 1970) & (frame["region"] == "B"))]
    result = fit_mixed(frame, "rate_hz ~ C(period) * region")
    assert result.prepared.aliased == ("C(period)[T.1970]:region[T.B]",)
    contrasts = result.contrasts()
    assert np.isfinite(contrasts.loc["period: 1950 - 1930", "estimate"])
    assert contrasts.loc[["period: 1970 - 1930", "region: B - A"], "estimate"].isna().all()
    apart = result.contrasts("period", by="region")
    assert np.isfinite(apart.loc["period: 1970 - 1930, region A", "p"])
    assert np.isnan(apart.loc["period: 1970 - 1930, region B", "p"])
    assert "cannot estimate C(period)[T.1970]:region[T.B]" in str(result.diagnose())


def test_aliased_columns_are_found_in_order() -> None:
    rng = np.random.default_rng(1)
    a, b = rng.normal(size=(2, 20))
    assert estimable_columns(np.column_stack([np.ones(20), a, 2 * a + 3, b, a - b])) == (0, 1, 3)


# --- numbers against the definitions, with n x n matrices


def dense(y: np.ndarray, x: np.ndarray, terms: list[RandomTerm], w: np.ndarray, parameters: np.ndarray):
    """V, its derivatives G, and restricted deviance from their definitions."""
    n = len(y)
    g = [np.diag(1 / w)]
    for term in terms:
        z = np.eye(len(term.levels))[term.codes]
        for i, j in term.free:
            a, b = z * term.design[:, [i]], z * term.design[:, [j]]
            g.append(a @ a.T if i == j else a @ b.T + b @ a.T)
    v = sum(p * m for p, m in zip(parameters, g, strict=True))
    inverse = np.linalg.inv(v)
    phi = np.linalg.inv(x.T @ inverse @ x)
    projection = inverse - inverse @ x @ phi @ x.T @ inverse
    deviance = (
        np.linalg.slogdet(v)[1]
        - np.linalg.slogdet(phi)[1]
        + y @ projection @ y
        + (n - x.shape[1]) * np.log(2 * np.pi)
    )
    return g, phi, projection, deviance


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.booleans(), st.booleans())
def test_moments_agree_with_their_definition(seed: int, slope: bool, correlated: bool) -> None:
    rng = np.random.default_rng(seed)
    n, players, pieces = 30, 5, 4
    x = np.column_stack([np.ones(n), rng.normal(size=(n, 2))])
    w = rng.uniform(0.3, 3.0, n)
    codes = np.concatenate([np.arange(players), rng.integers(0, players, n - players)])
    columns = ("Intercept", "s") if slope else ("Intercept",)
    design = np.column_stack([np.ones(n), rng.normal(size=n)])[:, : len(columns)]
    levels = tuple(map(str, range(players)))
    terms = [RandomTerm("player", codes, levels, columns, design, correlated)]
    pieces_codes = np.concatenate([np.arange(pieces), rng.integers(0, pieces, n - pieces)])
    terms.append(random_intercepts("piece", pieces_codes, [str(k) for k in range(pieces)]))
    y = rng.normal(size=n)
    size = sum(len(t.free) for t in terms)
    factors = unpack(terms, rng.uniform(0.2, 1.5, size))
    solution = Moments.of(y, x, terms, w).at(factors, sigma=0.8)
    parameters = [0.64]
    for term, factor in zip(terms, factors, strict=True):
        covariance = 0.64 * factor @ factor.T
        parameters += [covariance[i, j] for i, j in term.free]
    g, phi, projection, deviance = dense(y, x, terms, w, np.array(parameters))
    assert solution.deviance == pytest.approx(deviance, rel=1e-9)
    # a note of weight 0 is not there
    fewer = [replace(term, codes=term.codes[:-1], design=term.design[:-1]) for term in terms]
    without = Moments.of(y, x, terms, w).over(y, x, np.append(w[:-1], 0.0)).at(factors, sigma=0.8)
    left_out = Moments.of(y[:-1], x[:-1], fewer, w[:-1]).at(factors, sigma=0.8)
    assert without.deviance == pytest.approx(left_out.deviance, rel=1e-9)
    assert without.beta == pytest.approx(left_out.beta, rel=1e-9)
    np.testing.assert_allclose(solution.covariance, phi, rtol=1e-8)
    py = projection @ y
    gradient = [np.trace(projection @ m) - py @ m @ py for m in g]
    expected = [[np.trace(projection @ a @ projection @ b) for b in g] for a in g]
    hessian = [
        [-e + 2 * py @ a @ projection @ b @ py for b, e in zip(g, row, strict=True)]
        for a, row in zip(g, expected, strict=True)
    ]
    np.testing.assert_allclose(solution.gradient, gradient, rtol=1e-7, atol=1e-7)
    np.testing.assert_allclose(solution.expected, expected, rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(solution.hessian, hessian, rtol=1e-6, atol=1e-6)


def test_derivatives_by_factors_agree_with_differences() -> None:
    frame = corpus()
    result = fit_mixed(frame.assign(x=(frame["decade"] - 1950) / 30), "rate_hz ~ x", slopes=("x",))
    moments, terms = result.fit.solution.moments, result.prepared.terms
    point = np.array([0.7, 0.2, 0.4, 0.5, 0.6])

    def deviance(v: np.ndarray) -> float:
        return moments.at(unpack(terms, v[:-1]), v[-1]).deviance

    step = 1e-4 * np.eye(5)
    gradient = [(deviance(point + s) - deviance(point - s)) / 2e-4 for s in step]
    hessian = [
        [
            (
                deviance(point + a + b)
                - deviance(point + a - b)
                - deviance(point - a + b)
                + deviance(point - a - b)
            )
            / 4e-8
            for b in step
        ]
        for a in step
    ]
    solution = moments.at(unpack(terms, point[:-1]), point[-1])
    np.testing.assert_allclose(solution.factor_gradient, gradient, rtol=1e-5, atol=1e-4)
    np.testing.assert_allclose(solution.factor_hessian, hessian, rtol=2e-3, atol=0.5)


# --- known answers


def test_balanced_players_give_the_t_test_of_their_means() -> None:
    # With balanced data and a comparison of players, the mixed model is the t-test of player means,
    # with players - 2 degrees of freedom (textbook result: Searle, Casella & McCulloch 1992).
    frame = corpus(8, seed=4)
    frame["school"] = np.where(frame["player"].str[-1].astype(int) % 2, "new", "old")
    means = frame.groupby(["school", "player"])["rate_hz"].mean()
    textbook = stats.ttest_ind(means["old"], means["new"])
    for df in ("satterthwaite", "kenward-roger"):
        row = fit_mixed(frame, "rate_hz ~ school", df=df, spread="equal").table().loc["school[T.old]"]
        assert row["df"] == pytest.approx(6, abs=1e-3)
        assert abs(row["t"]) == pytest.approx(abs(textbook.statistic), rel=1e-5)
        assert row["p"] == pytest.approx(textbook.pvalue, rel=1e-4)


def test_intervals_and_p_follow_from_estimate_se_and_df() -> None:
    table = fit_mixed(corpus(), "rate_hz ~ C(period) + midi").table(level=0.9)
    half = stats.t.ppf(0.95, table["df"]) * table["se"]
    np.testing.assert_allclose(table["high"] - table["estimate"], half)
    np.testing.assert_allclose(table["p"], 2 * stats.t.sf(np.abs(table["t"]), table["df"]))


def test_one_contrast_has_the_f_of_its_t_squared() -> None:
    for df in ("satterthwaite", "kenward-roger"):
        result = fit_mixed(corpus(), "rate_hz ~ region + midi", df=df)
        joint, row = result.tests().loc["region"], result.table().loc["region[T.B]"]
        assert joint["f"] == pytest.approx(row["t"] ** 2)
        assert joint[["df2", "p"]].to_numpy() == pytest.approx(row[["df", "p"]].to_numpy())


def test_compare_is_a_difference_of_means() -> None:
    result = fit_mixed(corpus(18), "rate_hz ~ C(period) * region + midi")
    means = result.means("period", by="region").set_index(["region", "period"])["mean"]
    row = result.compare({"period": 1970, "region": "B"}, {"period": "1930", "region": "A"}).iloc[0]
    assert row["estimate"] == pytest.approx(means["B", 1970] - means["A", 1930])
    with pytest.raises(VibstudyError, match=r"column region.*The levels are: A, B"):
        result.compare({"region": "Zz"}, {"region": "A"})
    with pytest.raises(VibstudyError, match="Did you mean 'region'"):
        result.contrasts("regions")


def test_extent_is_modelled_as_a_ratio_and_shown_in_cents() -> None:
    frame = corpus()
    frame.loc[0, "extent_cents"] = 0.0
    result = fit_extent(frame, "C(period) + midi")
    assert result.n["notes"] == 215
    row = result.contrasts("period").loc["period: 1970 - 1930"]
    assert row["ratio"] == pytest.approx(2 ** row["estimate"])
    means = result.means("period").set_index("period")
    assert means.loc[1970, "typical"] / means.loc[1930, "typical"] == pytest.approx(row["ratio"])
    assert 10 < means["typical"].min() < means["typical"].max() < 200  # cents, not octaves
    natural = fit_mixed(frame[frame["extent_cents"] > 0], "np.log(extent_cents) ~ C(period) + midi")
    assert natural.contrasts("period").loc["period: 1970 - 1930", "ratio"] == pytest.approx(row["ratio"])


def test_slopes_of_numbers() -> None:
    frame = corpus()
    result = fit_mixed(frame, "rate_hz ~ decade * region")
    table = result.table()
    apart = result.contrasts("decade", by="region")["estimate"]
    assert apart["slope of decade, region A"] == pytest.approx(table.loc["decade", "estimate"], rel=1e-6)
    both = table.loc["decade", "estimate"] + table.loc["decade:region[T.B]", "estimate"]
    assert apart["slope of decade, region B"] == pytest.approx(both, rel=1e-6)
    assert result.contrasts("decade").loc["slope of decade", "estimate"] == pytest.approx(
        apart.mean(), rel=1e-6
    )


def test_weights_scale_out_and_noisy_notes_count_less() -> None:
    frame = corpus()
    one, two = (
        fit_mixed(frame, "rate_hz ~ midi", weights=w).table() for w in (frame["midi"], 7.0 * frame["midi"])
    )
    pd.testing.assert_frame_equal(one, two, rtol=1e-6)
    weights = measurement_weights(frame, "rate_hz ~ midi")
    order = np.argsort(frame["rate_se_hz"].to_numpy())
    assert np.all(np.diff(weights[order]) <= 0)
    by_name = fit_mixed(frame, "rate_hz ~ midi", weights="measurement")
    pd.testing.assert_frame_equal(
        by_name.table(), fit_mixed(frame, "rate_hz ~ midi", weights=weights).table()
    )
    with pytest.raises(VibstudyError, match="no standard error"):
        fit_mixed(frame.assign(depth_db=frame["rate_hz"]), "depth_db ~ midi", weights="measurement")
    with pytest.raises(VibstudyError, match="zero or negative"):
        fit_mixed(frame.assign(w=0), "rate_hz ~ midi", weights="w")


def test_measurement_weights_of_a_logarithm_use_the_relative_error() -> None:
    frame = corpus()
    weights = measurement_weights(frame, "log2(extent_cents) ~ midi")
    result = fit_mixed(frame, "log2(extent_cents) ~ midi", weights=weights)
    fitted = 2 ** result.residuals()["fitted"]
    relative = frame["extent_se_cents"] / fitted / np.log(2)
    inverse = 1 / weights - relative**2  # the true scatter, the same for all
    assert inverse.std() == pytest.approx(0, abs=1e-7)


def test_residuals_and_random_effects_add_up() -> None:
    result = fit_mixed(corpus(), "rate_hz ~ C(period)")
    parts = result.residuals()
    np.testing.assert_allclose(parts["fitted"] + parts["residual"], result.prepared.y)
    effects = result.random_effects()
    assert len(effects) == 9 + 27
    # predicted effects are shrunk means: they sum to zero within each period
    players = effects[effects["group"] == "player"].set_index("level")["effect"]
    period = corpus().groupby("player")["period"].first()
    np.testing.assert_allclose(players.groupby(period).sum(), 0, atol=1e-8)


def test_variances_shares_and_r2_are_consistent() -> None:
    result = fit_mixed(corpus(), "rate_hz ~ C(period)", spread="equal")
    variances = result.variance_components()
    assert variances["share"].sum() == pytest.approx(1)
    assert result.icc()["player"] == pytest.approx(variances.loc[("player", "Intercept"), "share"])
    r2 = result.r2()
    assert 0 <= r2["marginal"] <= r2["conditional"] <= 1


# --- presence


def test_presence_takes_true_false_missing_and_texts() -> None:
    frame = corpus(9, 2, 5)
    variants = [
        frame["has_vibrato"],
        frame["has_vibrato"].astype("boolean"),
        frame["has_vibrato"].astype(int),
        frame["has_vibrato"].map({True: "True", False: "false"}),
        frame["has_vibrato"].astype(object),
    ]
    tables = [fit_presence(frame.assign(has_vibrato=v), "has_vibrato ~ region").table() for v in variants]
    for table in tables[1:]:
        pd.testing.assert_frame_equal(tables[0], table)
    unsure = frame["has_vibrato"].astype("boolean").mask(frame.index < 5)
    result = fit_presence(frame.assign(has_vibrato=unsure), "has_vibrato ~ region")
    assert result.dropped.iloc[0]["dropped"] == 5
    with pytest.raises(VibstudyError, match="true or false"):
        fit_presence(frame, "rate_hz ~ region")


def test_presence_is_judged_by_players_not_notes() -> None:
    formula = "has_vibrato ~ C(period) + midi"
    df = fit_presence(corpus(18), formula).table()["df"]
    assert df["C(period)[T.1970]"] == 18 - 3
    assert df["midi"] == 18 - 3  # midi has a slope of each player's own
    assert fit_presence(corpus(18), formula, slopes=None).table().loc["midi", "df"] > 300


def test_predicted_players_of_presence_solve_the_score_equations() -> None:
    # At the mode of the random effects b: sum over a player's notes of (y - p) = b / variance.
    rng = np.random.default_rng(3)
    players = np.repeat(np.arange(12), 40)
    y = rng.random(len(players)) < 1 / (1 + np.exp(-(0.3 + rng.normal(0, 1, 12)[players])))
    frame = pd.DataFrame({"player": players.astype(str), "has_vibrato": y})
    result = fit_presence(frame, "has_vibrato ~ 1", recording=None)
    effects = result.random_effects().set_index("level")["effect"]
    variance = result.variance_components().loc[("player", "Intercept"), "variance"]
    p = 1 / (1 + np.exp(-(result.beta[0] + effects[frame["player"]].to_numpy())))
    scores = pd.Series(y - p).groupby(frame["player"]).sum()
    assert scores[effects.index].to_numpy() == pytest.approx(effects.to_numpy() / variance, abs=1e-5)


def test_presence_without_exception_is_told() -> None:
    frame = corpus(18)
    frame["has_vibrato"] |= frame["region"] == "B"
    result = fit_presence(frame, "has_vibrato ~ region")
    assert result.separated() == ["region B"]
    assert "odds there are infinite" in str(result.diagnose())


@pytest.mark.parametrize("seed", [1, 9, 51])
@pytest.mark.filterwarnings("error")
def test_a_tiny_corpus_without_exceptions_is_fitted_quietly(seed: int) -> None:
    # The search for the variances meets odds so large that nothing is left to know of an effect.
    rng = np.random.default_rng(seed)
    rows = []
    for player in range(rng.integers(3, 7)):
        for recording in range(rng.integers(1, 3)):
            share = rng.choice([0.05, 0.5, 0.95, 1.0, 0.0])
            for _ in range(rng.integers(2, 9)):
                medium = rng.choice(["x", "y"])
                rows.append(
                    (f"p{player}", f"p{player}r{recording}", "AB"[player % 2], medium, rng.random() < share)
                )
    frame = pd.DataFrame(rows, columns=["player", "recording_id", "region", "medium", "has_vibrato"])
    for formula in ("has_vibrato ~ region", "has_vibrato ~ region * medium"):
        for crossed in ((), ("medium",)):
            table = fit_presence(frame, formula, crossed=crossed).table()
            assert list(table["estimate"].isna()) == list(table["se"].isna())


def test_between_within_counts_units_by_hand() -> None:
    # 4 players, 2 recordings each, 3 notes each: intercept and region by players, decade by recordings,
    # midi by notes.
    player = np.repeat(np.arange(4), 6)
    recording = np.repeat(np.arange(8), 3)
    rng = np.random.default_rng(1)
    decade = rng.normal(size=8)[recording]
    x = np.column_stack([np.ones(24), player % 2, decade, rng.normal(size=24)])
    terms = [
        random_intercepts("player", player, list("abcd")),
        random_intercepts("r", recording, list("abcdefgh")),
    ]
    method = BetweenWithin(np.eye(4), x, terms)
    assert [method.df(row) for row in np.eye(4)] == [2, 2, 8 - 3, 24 - 4]
    assert method.df(np.array([0, 1, 1, 0])) == 2


# --- diagnosis


def test_a_sound_fit_and_few_players() -> None:
    assert fit_mixed(corpus(), "rate_hz ~ C(period)").diagnose().verdict == "sound"
    few = fit_mixed(corpus(4, seed=2), "rate_hz ~ C(period)").diagnose()
    assert few.verdict == "few players"
    assert "4 players carry 3 terms" in str(few)


def test_a_perfect_correlation_is_named() -> None:
    # players whose level and trend are one and the same random number
    rng = np.random.default_rng(5)
    frame = corpus(10, 6, 6)
    frame["x"] = rng.uniform(-1, 1, 60)[pd.factorize(frame["player"] + frame["recording_id"])[0]]
    own = rng.normal(size=10)[frame["player"].str.split().str[1].astype(int)]
    frame["rate_hz"] = 6 + own * (1 + frame["x"]) + rng.normal(0, 0.6, len(frame))
    result = fit_mixed(frame, "rate_hz ~ x", slopes=("x",), recording=None)
    diagnosis = result.diagnose()
    assert diagnosis.boundary == ("correlation by player",)
    assert "slope_correlation=False" in str(diagnosis)


def test_satterthwaite_at_the_boundary_ignores_the_player_and_kenward_roger_does_not() -> None:
    rng = np.random.default_rng(2)
    frame = corpus(6, 4, 10)
    # players made equal on purpose: each player's notes have the same mean
    frame["rate_hz"] = rng.normal(0, 0.5, len(frame))
    frame["rate_hz"] -= frame.groupby("player")["rate_hz"].transform("mean")
    frame["region"] = np.where(frame["player"].str[-1].astype(int) % 2, "A", "B")
    result = fit_mixed(frame, "rate_hz ~ region", spread="equal")
    assert result.variance_components()["sd"].iloc[0] == 0
    assert Satterthwaite(result.fit.solution).df(np.array([0, 1.0])) > 15
    assert KenwardRoger(result.fit.solution).df(np.array([0, 1.0])) < 15
    assert "Keep player in the model" in str(result.diagnose())


def test_a_search_that_begins_where_the_deviance_bends_the_other_way_arrives() -> None:
    # one of 900 such corpora: there Newton's step leads a thousand times too far
    rng = np.random.default_rng(94)
    player, take = np.repeat(np.arange(16), 75), np.repeat(np.arange(48), 25)
    y = rng.normal(0, 0.25, 16)[player] + rng.normal(0, 0.12, 48)[take] + rng.normal(0, 0.3, 1200)
    period = np.where(player % 2, "late", "early")
    frame = pd.DataFrame({"player": player, "recording_id": take, "period": period, "y": y})
    assert fit_mixed(frame, "y ~ period").converged
