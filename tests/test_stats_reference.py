"""Mixed models against R (lme4, lmerTest, pbkrtest, emmeans) and against published values.

The numbers of R are in ``reference/stats/reference_numbers.csv``, with the script that made them;
R is not needed here. Tolerance: four significant digits (relative 1e-4, half a unit in the fourth digit
at worst), three for the binomial models.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import pandas as pd
import pytest
import statsmodels

from vibstudy.stats import fit_mixed
from vibstudy.stats.mixed import MixedResult

HERE = Path(__file__).parent / "reference" / "stats"
SHIPPED = Path(statsmodels.__file__).parent / "regression" / "tests" / "results"
FOUR_DIGITS = 1e-4

PLAIN = {"recording": "recording"}
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
    "slope_independent": ("slope_independent", "rate ~ x + midi", {"slopes": ("x",), "slope_correlation": False}),
    "weighted": ("weighted", "rate ~ C(period) + midi", {"weights": "weight"}),
    "weighted_crossed": ("weighted_crossed", "rate ~ C(period)", {"weights": "weight", "crossed": ("piece",)}),
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
}  # fmt: skip
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


def our_name(term: str) -> str:
    """R's name of a term as formulaic writes it."""
    term = term.replace("(Intercept)", "Intercept")
    term = re.sub(r"period(\d+)", r"C(period)[T.\1]", term)
    return re.sub(r"region(\w)", r"region[T.\1]", term)


def test_every_model_has_reference_numbers() -> None:
    assert set(MODELS) | {"presence", "presence_crossed", "presence_boundary"} == set(numbers()["model"])
    simulated = {data for data, _, _ in MODELS.values() if (HERE / f"{data}.csv").exists()}
    assert len(simulated) >= 12


@pytest.mark.parametrize("df", ["satterthwaite", "kenward-roger"])
@pytest.mark.parametrize("model", MODELS)
def test_fixed_effects_agree_with_r(model: str, df: str) -> None:
    if not stored(model, f"{df} Estimate"):
        assert MODELS[model][2].get("weights"), "R gives Kenward-Roger for all but weighted models"
        pytest.skip("pbkrtest takes no weights")
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


@pytest.mark.parametrize("df", ["satterthwaite", "kenward-roger"])
@pytest.mark.parametrize(
    "model", [m for m in MODELS if m in ("unbalanced", "one_recording", "crossed", "heavy_tailed")]
)
def test_joint_tests_agree_with_r(model: str, df: str) -> None:
    term = "C(period):region" if "*" in MODELS[model][1] else "C(period)"
    ours = fitted(model, df).tests().loc[term]
    for r_column, column in {"F value": "f", "DenDF": "df2", "Pr(>F)": "p"}.items():
        (value,) = stored(model, f"joint {df} {r_column}").values()
        assert ours[column] == pytest.approx(value, rel=FOUR_DIGITS), column


@pytest.mark.parametrize("df", ["satterthwaite", "kenward-roger"])
@pytest.mark.parametrize(
    "model",
    [m for m in MODELS if m not in ("pastes", "pastes_wrong") and not m.startswith(("dietox", "slope"))],
)
def test_means_and_contrasts_agree_with_emmeans(model: str, df: str) -> None:
    estimates = stored(model, f"pairs {df} estimate")
    if not estimates:
        pytest.skip("pbkrtest takes no weights")
    result = fitted(model, df)
    variable = "region" if model == "crossed_unbalanced" else "period"
    means = result.means(variable).set_index(result.means(variable)[variable].astype(str))
    for r_column, column in {
        "emmean": "mean",
        "SE": "se",
        "df": "df",
        "lower.CL": "low",
        "upper.CL": "high",
    }.items():
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
