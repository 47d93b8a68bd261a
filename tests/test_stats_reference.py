"""Mixed models against R (lme4, lmerTest, pbkrtest, emmeans) and against published values.

The numbers of R are in ``reference/stats/reference_numbers.csv``, with the script that made them;
R is not needed here. Tolerance: four significant digits (relative 1e-4, half a unit in the fourth digit
at worst), three for the binomial models.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import mixedlm
import numpy as np
import pandas as pd
import pytest
import statsmodels

from benchmarks.solvers import lme4_frame
from vibstudy.stats import fit_mixed, fit_presence
from vibstudy.stats.laplace import Laplace, restricted_factors
from vibstudy.stats.mixed import MixedResult
from vibstudy.stats.presence import PresenceResult
from vibstudy.stats.terms import RandomTerm, random_intercepts, unpack

HERE = Path(__file__).parent / "reference" / "stats"
SHIPPED = Path(statsmodels.__file__).parent / "regression" / "tests" / "results"
FOUR_DIGITS = 1e-4
THREE_DIGITS = 1e-3

LME4 = {"slopes": None, "spread": "equal"}
"""The model as lme4 writes it: no slopes but those named, one variance of players."""

PLAIN = {"recording": "recording", **LME4}
MODELS: dict[str, tuple[str, str, dict]] = {
    "balanced": ("balanced", "rate ~ C(period)", {}),
    "six_players": ("six_players", "rate ~ C(period)", {}),
    "unbalanced": ("unbalanced", "rate ~ C(period) * region + midi", {}),
    "one_recording": ("one_recording", "rate ~ C(period) + region + midi", {}),
    "crossed": ("crossed", "rate ~ C(period) + midi", {"crossed": ("piece",)}),
    "crossed_unbalanced": ("crossed_unbalanced", "rate ~ x + region", {"crossed": ("piece",)}),
    "boundary_player": ("boundary_player", "rate ~ C(period)", {}),
    "boundary_recording": ("boundary_recording", "rate ~ C(period) + midi", {}),
    "slope": ("slope", "rate ~ x", {"slopes": ("x",)}),
    "slope_independent": (
        "slope_independent",
        "rate ~ x + midi",
        {"slopes": ("x",), "slope_correlation": False},
    ),
    "weighted": ("weighted", "rate ~ C(period) + midi", {"weights": "weight"}),
    "weighted_crossed": (
        "weighted_crossed",
        "rate ~ C(period)",
        {"weights": "weight", "crossed": ("piece",)},
    ),
    "heavy_tailed": ("heavy_tailed", "rate ~ C(period) * region", {}),
    "log_extent": ("unbalanced", "log2(extent) ~ C(period) + midi", {}),
    "dietox": ("dietox", "Weight ~ Time", {"player": "Pig", "recording": None}),
    "dietox_slope": ("dietox", "Weight ~ Time", {"player": "Pig", "recording": None, "slopes": ("Time",)}),
    "dietox_independent": (
        "dietox",
        "Weight ~ Time",
        {"player": "Pig", "recording": None, "slopes": ("Time",), "slope_correlation": False},
    ),
    "pastes": ("pastes", "strength ~ 1", {"player": "batch", "recording": "cask"}),
    "pastes_wrong": ("pastes", "strength ~ 1", {"player": "batch", "recording": None, "crossed": ("cask",)}),
}
R_COLUMNS = {"Estimate": "estimate", "Std. Error": "se", "df": "df", "t value": "t", "Pr(>|t|)": "p"}


@cache
def corpus(name: str) -> pd.DataFrame:
    shipped = SHIPPED / f"{name}.csv"
    frame = pd.read_csv(shipped if shipped.exists() else HERE / f"{name}.csv")
    if "decade" in frame:
        frame["x"] = (frame["decade"] - 1950) / 30
    return frame


@cache
def fitted(name: str, df: str = "satterthwaite") -> MixedResult:
    data, formula, settings = MODELS[name]
    return fit_mixed(corpus(data), formula, df=df, **{**PLAIN, **settings})


@cache
def numbers() -> pd.DataFrame:
    return pd.read_csv(HERE / "reference_numbers.csv", keep_default_na=False)


def stored(model: str, kind: str) -> dict[str, float]:
    table = numbers()
    rows = table[(table["model"] == model) & (table["kind"] == kind)]
    return dict(zip(rows["term"], rows["value"].astype(float), strict=True))


def stored_models(column: str, kind: str = "") -> list[tuple[str, str]]:
    """(model, df) pairs for which R's numbers are stored; pbkrtest takes no weights."""
    kinds = set(zip(numbers()["model"], numbers()["kind"], strict=True))
    ways = ("satterthwaite", "kenward-roger")
    return [(m, df) for m in MODELS for df in ways if (m, f"{kind}{df} {column}") in kinds]


def our_name(term: str) -> str:
    """R's name of a term as ours reads."""
    term = term.replace("(Intercept)", "Intercept")
    term = re.sub(r"period(\d+)", r"C(period)[T.\1]", term)
    return re.sub(r"region(\w)", r"region[T.\1]", term)


def test_every_model_has_reference_numbers() -> None:
    assert set(MODELS) | {"presence", "presence_crossed", "presence_boundary"} == set(numbers()["model"])
    simulated = {data for data, _, _ in MODELS.values() if (HERE / f"{data}.csv").exists()}
    assert len(simulated) >= 12


@pytest.mark.parametrize(("model", "df"), stored_models("Estimate"))
def test_fixed_effects_agree_with_r(model: str, df: str) -> None:
    table = fitted(model, df).table()
    for r_column, column in R_COLUMNS.items():
        values = {our_name(k): v for k, v in stored(model, f"{df} {r_column}").items()}
        assert set(values) == set(table.index)
        for term, value in values.items():
            assert table.loc[term, column] == pytest.approx(value, rel=FOUR_DIGITS, abs=1e-300), (
                term,
                column,
            )


@pytest.mark.parametrize("model", MODELS)
def test_variances_and_criterion_agree_with_r(model: str) -> None:
    result = fitted(model)
    assert result.deviance == pytest.approx(stored(model, "criterion")[""], abs=1e-4)
    ours = result.variance_components()
    pairs = {}
    names = {"player": "player", "rec": "player:recording", "piece": "piece", "Pig": "Pig", "batch": "batch"}
    names |= {"sample": "batch:cask", "cask": "cask", "Residual": "residual"}
    for term, value in stored(model, "sdcor").items():
        group, first, second = [*re.split(r" ", term), "", ""][:3]
        column = first.replace("(Intercept)", "Intercept")
        if second:
            pairs[term] = (ours.loc[(names[group], second), "correlation"], value)
        else:
            pairs[term] = (ours.loc[(names[group], column), "sd"], value)
    assert len(pairs) == len(ours) + ours["correlation"].notna().sum()
    for term, (got, value) in pairs.items():
        assert got == pytest.approx(value, rel=FOUR_DIGITS, abs=2e-4), term


@pytest.mark.parametrize(("model", "df"), stored_models("F value", kind="joint "))
def test_joint_tests_agree_with_r(model: str, df: str) -> None:
    term = "C(period):region" if "*" in MODELS[model][1] else "C(period)"
    ours = fitted(model, df).tests().loc[term]
    for r_column, column in {"F value": "f", "DenDF": "df2", "Pr(>F)": "p"}.items():
        (value,) = stored(model, f"joint {df} {r_column}").values()
        assert ours[column] == pytest.approx(value, rel=FOUR_DIGITS), column


@pytest.mark.parametrize(("model", "df"), stored_models("estimate", kind="pairs "))
def test_means_and_contrasts_agree_with_emmeans(model: str, df: str) -> None:
    result = fitted(model, df)
    variable = "region" if model == "crossed_unbalanced" else "period"
    means = result.means(variable)
    means.index = means[variable].astype(str)
    columns = {"emmean": "mean", "SE": "se", "df": "df", "lower.CL": "low", "upper.CL": "high"}
    for r_column, column in columns.items():
        for level, value in stored(model, f"means {df} {r_column}").items():
            assert means.loc[level, column] == pytest.approx(value, rel=FOUR_DIGITS), (level, column)
    contrasts = result.contrasts(variable)
    columns = {
        "estimate": "estimate",
        "SE": "se",
        "df": "df",
        "t.ratio": "t",
        "p.value": "p",
        "p.holm": "p_holm",
    }
    for r_column, column in {**columns, "lower.CL": "low", "upper.CL": "high"}.items():
        for pair, value in stored(model, f"pairs {df} {r_column}").items():
            label = f"{variable}: {pair.replace('period', '')}"
            assert contrasts.loc[label, column] == pytest.approx(value, rel=FOUR_DIGITS, abs=2e-6), (
                pair,
                column,
            )


# --- binomial models


PRESENCE = {
    "presence": ("present ~ C(period)", ()),
    "presence_crossed": ("present ~ x + region", ("piece",)),
    "presence_boundary": ("present ~ C(period)", ()),
}


@cache
def fitted_presence(name: str) -> PresenceResult:
    formula, crossed = PRESENCE[name]
    return fit_presence(corpus(name), formula, recording="recording", crossed=crossed, slopes=None)


@pytest.mark.parametrize("model", PRESENCE)
def test_presence_agrees_with_glmer(model: str) -> None:
    result = fitted_presence(model)
    assert result.converged
    assert result.deviance == pytest.approx(stored(model, "criterion")[""], abs=1e-4)
    table = result.table()
    likelihood_se = pd.Series(result.likelihood_se, index=table.index)
    for kind, ours in (("estimate", table["estimate"]), ("se", likelihood_se)):
        for term, value in stored(model, kind).items():
            assert ours[our_name(term)] == pytest.approx(value, rel=THREE_DIGITS), (term, kind)
    assert (table["se"] >= likelihood_se).all()  # freed of the bias of maximum likelihood
    given = np.sqrt(np.diag(result.fit.covariance_given))
    assert given == pytest.approx(list(stored(model, "se given variances").values()), rel=THREE_DIGITS)
    names = {"player": "player", "rec": "player:recording", "piece": "piece"}
    for term, value in stored(model, "sdcor").items():
        ours = result.variance_components().loc[(names[term.split()[0]], "Intercept"), "sd"]
        assert ours == pytest.approx(value, rel=THREE_DIGITS, abs=1e-4), term


@pytest.mark.parametrize("model", ["presence", "presence_boundary"])
def test_restricted_likelihood_of_presence_agrees_with_glmmtmb(model: str) -> None:
    # glmmTMB with REML = TRUE, stored with its script (reference_presence.R): deviations to four digits;
    # standard errors to two per cent, as they are taken at other estimates (of maximum likelihood).
    table = pd.read_csv(HERE / "reference_presence.csv").query("model == @model").set_index(["kind", "term"])
    result = fitted_presence(model)
    found = restricted_factors(result.fit.likelihood, result.beta, result.fit.factors)
    assert found is not None
    deviations = [factor[0, 0] for factor in found]
    assert deviations == pytest.approx(table.loc["sd", "value"].tolist(), rel=2e-4, abs=1e-3)
    assert result.table()["se"].tolist() == pytest.approx(table.loc["se", "value"].tolist(), rel=0.02)


def test_presence_means_and_contrasts_agree_with_emmeans() -> None:
    result = fitted_presence("presence")
    means = result.means("period")
    for level, value in stored("presence", "probability").items():
        row = means[means["period"].astype(str) == level].iloc[0]
        assert row["typical"] == pytest.approx(value, rel=THREE_DIGITS)
        assert row["typical_low"] < row["typical"] < row["typical_high"]
    contrasts = result.contrasts("period")
    for pair, value in stored("presence", "pairs").items():
        row = contrasts.loc[f"period: {pair.replace('period', '')}"]
        assert row["estimate"] == pytest.approx(value, rel=THREE_DIGITS)
        assert row["ratio"] == pytest.approx(np.exp(value), rel=THREE_DIGITS)


def test_a_recording_variance_of_zero_is_told() -> None:
    diagnosis = fitted_presence("presence_boundary").diagnose()
    assert diagnosis.boundary == ("player:recording",)
    assert diagnosis.verdict == "simplify"


# --- published values (reference given beside each)


def lme4_data(name: str) -> pd.DataFrame:
    """Data sets of lme4 (GPL), as mixedlm installs them; not part of this repository."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the loader's own use of pandas
        return getattr(mixedlm.datasets, f"load_{name}")()


def test_sleepstudy_as_lme4_prints_it() -> None:
    # Bates et al. 2015, J. Stat. Softw. 67(1); lme4 docs/reference/lmer.html; exact fixed effects from
    # lme4's own tests/lmer-1.R. R2 computed from the definition (fixed-part variance over n - 1).
    data = lme4_data("sleepstudy")
    result = fit_mixed(data, "Reaction ~ Days", player="Subject", recording=None, slopes=("Days",))
    table = result.table()
    assert result.deviance == pytest.approx(1743.6283, abs=1e-3)
    assert table["estimate"].to_numpy() == pytest.approx([251.405104848485, 10.467285959595], rel=1e-9)
    assert table["se"].to_numpy() == pytest.approx([6.82456, 1.545789], rel=FOUR_DIGITS)
    assert table["df"].to_numpy() == pytest.approx([17.0, 17.0], abs=1e-3)
    assert table.loc["Days", "t"] == pytest.approx(6.77148, rel=FOUR_DIGITS)
    assert table.loc["Days", "p"] == pytest.approx(3.2638e-6, rel=FOUR_DIGITS)
    variances = result.variance_components()
    assert variances["sd"].to_numpy() == pytest.approx([24.7405, 5.92214, 25.59181], rel=FOUR_DIGITS)
    assert variances.loc[("Subject", "Days"), "correlation"] == pytest.approx(0.0656, abs=1e-3)
    assert result.r2().to_numpy() == pytest.approx([0.278652, 0.799219], rel=FOUR_DIGITS)


def test_sleepstudy_with_parallel_lines() -> None:
    # 161 = 180 - 18 - 1: balanced-design theory. Others: lme4, as above.
    data = lme4_data("sleepstudy")
    result = fit_mixed(data, "Reaction ~ Days", player="Subject", recording=None, **LME4)
    assert result.deviance == pytest.approx(1786.4651, abs=1e-3)
    row = result.table().loc["Days"]
    assert row[["t", "df"]].to_numpy() == pytest.approx([13.01543, 161], rel=FOUR_DIGITS)
    assert result.tests().loc["Days", "f"] == pytest.approx(169.4014, rel=FOUR_DIGITS)
    assert result.r2().to_numpy() == pytest.approx([0.279886, 0.704255], rel=FOUR_DIGITS)
    assert result.icc()["Subject"] == pytest.approx(0.589309, rel=FOUR_DIGITS)
    independent = fit_mixed(
        data, "Reaction ~ Days", player="Subject", recording=None, slopes="Days", slope_correlation=False
    )
    assert independent.deviance == pytest.approx(1743.6693, abs=1e-3)
    sd = independent.variance_components()["sd"]
    assert sd.to_numpy() == pytest.approx([25.0513, 5.98817, 25.56529], rel=FOUR_DIGITS)


def test_penicillin_crossed_as_lme4_prints_it() -> None:
    # lme4 docs/reference/Penicillin.html
    result = fit_mixed(
        lme4_data("penicillin"), "diameter ~ 1", player="plate", recording=None, crossed="sample", **LME4
    )
    assert result.deviance == pytest.approx(330.8606, abs=1e-3)
    assert result.variance_components()["sd"].to_numpy() == pytest.approx([0.8467, 1.9316, 0.5499], abs=5e-5)
    assert result.table().loc["Intercept", "estimate"] == pytest.approx(22.972222, rel=1e-6)
    assert result.table().loc["Intercept", "se"] == pytest.approx(0.808574, rel=FOUR_DIGITS)


def test_pastes_nested_and_the_trap_of_wrong_nesting() -> None:
    # lme4 docs/reference/Pastes.html. Casks are named a, b, c in every batch: taken as crossed, the
    # result is the wrong one that lme4's own documentation prints as a warning.
    data = pd.read_csv(SHIPPED / "pastes.csv")
    right = fit_mixed(data, "strength ~ 1", player="batch", recording="cask")
    assert right.deviance == pytest.approx(246.9907, abs=1e-3)
    sd = right.variance_components()["sd"]
    assert sd["batch:cask"].iloc[0] == pytest.approx(2.9041, abs=5e-5)
    assert sd["batch"].iloc[0] == pytest.approx(1.2874, abs=5e-5)
    assert right.table().loc["Intercept", "se"] == pytest.approx(0.676870, rel=FOUR_DIGITS)
    wrong = fit_mixed(data, "strength ~ 1", player="batch", recording=None, crossed="cask")
    assert wrong.deviance == pytest.approx(301.4709, abs=1e-3)
    assert wrong.variance_components()["sd"].to_numpy() == pytest.approx([1.8341, 0.3856, 2.7030], abs=5e-5)


def test_dyestuff_and_its_singular_twin() -> None:
    # Dyestuff: computed from the definition. Dyestuff2: MixedModels.jl test/pls.jl (ML): batch SD 0,
    # b0 5.6656.
    usual = fit_mixed(lme4_data("dyestuff"), "Yield ~ 1", player="Batch", recording=None)
    assert usual.deviance == pytest.approx(319.654277, abs=1e-4)
    assert usual.variance_components()["sd"].to_numpy() == pytest.approx([42.0006, 49.5101], rel=FOUR_DIGITS)
    assert usual.table().loc["Intercept", "se"] == pytest.approx(19.3834, rel=FOUR_DIGITS)
    singular = fit_mixed(lme4_data("dyestuff2"), "Yield ~ 1", player="Batch", recording=None)
    assert singular.variance_components()["sd"].iloc[0] == 0.0
    assert singular.table().loc["Intercept", "estimate"] == pytest.approx(5.6656, abs=5e-5)
    diagnosis = singular.diagnose()
    assert diagnosis.converged
    assert diagnosis.boundary == ("Batch",)
    assert "estimated as zero" in str(diagnosis)


def test_dietox_as_the_statsmodels_notebook_prints_lme4() -> None:
    # statsmodels examples/notebooks/mixed_lm_example.ipynb
    level = fitted("dietox")
    assert level.deviance == pytest.approx(4809.5507, abs=1e-3)
    assert level.table()["estimate"].to_numpy() == pytest.approx([15.723523, 6.942505], rel=1e-6)
    assert level.variance_components()["variance"].to_numpy() == pytest.approx(
        [40.394, 11.36692], rel=FOUR_DIGITS
    )
    slope = fitted("dietox_slope")
    assert slope.table()["se"].to_numpy() == pytest.approx([0.550125, 0.0798253], rel=FOUR_DIGITS)
    assert slope.variance_components()["variance"].to_numpy() == pytest.approx(
        [19.4934, 0.416061, 6.037452], rel=FOUR_DIGITS
    )


def _fit_with_statsmodels(
    y: np.ndarray, x: np.ndarray, terms: Sequence[RandomTerm]
) -> dict[str, np.ndarray | float]:
    """Fit the same model (random intercepts, no weights) with statsmodels.

    Powell's method is asked for: the default (BFGS) stops short of the optimum on small corpora.

    Returns
    -------
    dict
        ``beta`` [shape=(p,)], ``se`` [shape=(p,)], ``variances`` (one a random term, in order),
        ``sigma`` and ``deviance`` (restricted).
    """
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

    n = len(y)
    matrices, names, columns = [], [], []
    for term in terms:
        indicator = np.zeros((n, len(term.levels)))
        indicator[np.arange(n), term.codes] = 1.0
        matrices.append([indicator])
        names.append(term.group)
        columns.append([list(term.levels)])
    spec = VCSpec(names, columns, matrices)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = MixedLM(y, x, groups=np.zeros(n), exog_vc=spec).fit(reml=True, method="powell")
    return {
        "beta": np.asarray(fit.fe_params),
        "se": np.asarray(fit.bse_fe),
        "variances": np.asarray(fit.vcomp),
        "sigma": float(np.sqrt(fit.scale)),
        "deviance": float(-2 * fit.llf),
    }


@pytest.mark.parametrize("model", ["balanced", "unbalanced", "crossed", "boundary_player"])
def test_statsmodels_finds_the_same_by_another_road(model: str) -> None:
    prepared = fitted(model).prepared
    ours = fitted(model).fit.solution
    other = _fit_with_statsmodels(prepared.y, prepared.estimable, prepared.terms)
    assert other["deviance"] == pytest.approx(ours.deviance, abs=1e-3)
    assert other["beta"] == pytest.approx(ours.beta, rel=1e-3, abs=1e-3)
    assert other["se"] == pytest.approx(np.sqrt(np.diag(ours.covariance)), rel=1e-2)
    variances = fitted(model).variance_components()["variance"].to_numpy()
    assert other["variances"] == pytest.approx(variances[:-1], rel=0.02, abs=2e-3)


@pytest.mark.parametrize("model", ["crossed_unbalanced", "boundary_player", "slope", "dietox_independent"])
def test_another_solver_reaches_the_same_optimum(model: str) -> None:
    # mixedlm, a compiled core with lme4's formulas; hundreds of fits: benchmarks/solvers.py.
    prepared = fitted(model).prepared
    frame, formula = lme4_frame(prepared.y, prepared.estimable, prepared.terms)
    library = mixedlm.lmer(formula, frame)
    assert library.deviance == pytest.approx(fitted(model).deviance, abs=1e-3)


def presence_of_eight() -> Laplace:
    rng = np.random.default_rng(3)
    codes = np.repeat(np.arange(8), 30)
    y = (rng.random(240) < 1 / (1 + np.exp(-rng.normal(0, 1, 8)[codes]))).astype(float)
    term = random_intercepts("player", codes, [str(k) for k in range(8)])
    return Laplace(y, np.ones((240, 1)), [term])


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_deviations_beyond_all_measure_are_refused_in_silence() -> None:
    likelihood, where = presence_of_eight(), np.zeros(9)
    value, _, mode = likelihood.restricted(where, [np.array([[1e200]])])
    assert value == np.inf
    np.testing.assert_array_equal(mode, where)
    assert np.isfinite(likelihood.restricted(where, [np.array([[1.0]])])[0])
    assert restricted_factors(likelihood, np.array([np.nan]), [np.array([[0.5]])]) is None


def test_slopes_of_both_likelihoods_are_their_differences() -> None:
    """By central differences; players with own slopes, recordings within them, a factor crossed or not."""
    rng = np.random.default_rng(5)
    player, take, piece = (
        np.repeat(np.arange(4), 40),
        np.repeat(np.arange(12), 14)[:160],
        rng.integers(0, 3, 160),
    )
    x = np.column_stack([np.ones(160), rng.normal(size=160)])
    y = (rng.random(160) < 0.4).astype(float)
    own = RandomTerm("player", player, tuple("abcd"), ("Intercept", "x"), x, correlated=False)
    nested = random_intercepts("take", player * 3 + take % 3, [str(k) for k in range(12)])
    crossed = random_intercepts("piece", piece, list("uvw"))
    for terms in ([own, nested], [own, nested, crossed]):
        likelihood, given = Laplace(y, x, terms), np.array([0.7, 0.3, 0.5, 0.4][: len(terms) + 1])
        beta, point = np.array([-0.3, 0.2]), np.zeros(2 + likelihood.effects)
        value, slope = likelihood.with_gradient(beta, unpack(terms, given))
        assert value == pytest.approx(likelihood.deviance(beta, unpack(terms, given)))
        free = likelihood.restricted(point, unpack(terms, given))[1]
        for k, step in enumerate(1e-4 * np.eye(2 + len(given))):
            ends = [
                likelihood.deviance(beta + way * step[:2], unpack(terms, given + way * step[2:]))
                for way in (1, -1)
            ]
            assert slope[k] == pytest.approx((ends[0] - ends[1]) / 2e-4, abs=1e-4)
        for k, step in enumerate(1e-4 * np.eye(len(given))):
            ends = [likelihood.restricted(point, unpack(terms, given + way * step))[0] for way in (1, -1)]
            assert free[k] == pytest.approx((ends[0] - ends[1]) / 2e-4, abs=1e-4)


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_where_slopes_say_nothing_the_search_goes_on_without_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond a wall the curvature is infinite; the optimum of what is left lies at the wall."""
    likelihood = presence_of_eight()
    start = [np.array([[0.5]])]
    free = restricted_factors(likelihood, np.zeros(1), start)
    assert free is not None
    best, plain = float(free[0][0, 0]), likelihood.restricted
    for wall in (0.50005, 0.9 * best):

        def walled(
            point: np.ndarray, factors: list[np.ndarray], wall: float = wall
        ) -> tuple[float, np.ndarray, np.ndarray]:
            inside = abs(factors[0][0, 0]) <= wall
            return plain(point, factors) if inside else (np.inf, np.full(1, np.nan), point)

        monkeypatch.setattr(likelihood, "restricted", walled)
        found = restricted_factors(likelihood, np.zeros(1), start)
        assert found is not None
        assert float(found[0][0, 0]) == pytest.approx(wall, rel=0.02)
        assert found[0][0, 0] <= wall
