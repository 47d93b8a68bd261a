"""Bootstrap, permutation, influence, sensitivity, several tests at once, equivalence."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from vibstudy.errors import VibstudyError
from vibstudy.stats import fit_mixed, holm, leave_out, parametric_bootstrap, permutation_test, tost
from vibstudy.stats.fitted import Scale
from vibstudy.stats.influence import _Apart, influence_sentences, subset
from vibstudy.stats.moments import Moments
from vibstudy.stats.resampling import Refit, contrast_row
from vibstudy.stats.sensitivity import Sensitivity, check_sensitivity
from vibstudy.stats.smallsample import Satterthwaite


def corpus(players: int = 8, seed: int = 1, effect: float = 0.0, star: float = 0.0) -> pd.DataFrame:
    """An invented corpus of two schools; `star` is added to the notes of player p1."""
    rng = np.random.default_rng(seed)
    rows = []
    for player in range(players):
        level = effect * (player % 2) + star * (player == 1) + rng.normal(0, 0.4)
        for recording in range(1 + int(rng.integers(1, 4))):
            own, medium = rng.normal(0, 0.2), ("acoustic_disc", "tape_lp")[recording % 2]
            for _ in range(int(rng.integers(4, 9))):
                value = 5.5 + level + own + rng.normal(0, 0.4)
                rows.append((f"p{player}", f"p{player}r{recording}", "ab"[player % 2], medium, value))
    frame = pd.DataFrame(rows, columns=["player", "recording_id", "school", "medium", "rate_hz"])
    frame["midi"] = rng.integers(55, 80, len(frame))
    frame["piece"] = [f"w{k}" for k in rng.integers(0, 3, len(frame))]
    frame["quality"] = np.where(rng.random(len(frame)) < 0.8, "ok", "noisy")
    frame["snr_db"] = rng.uniform(12, 40, len(frame))
    frame["extent_cents"] = 2.0 ** frame["rate_hz"]
    return frame


FORMULA, TERM = "rate_hz ~ school + midi", "school[T.b]"


# --- several tests, equivalence


def test_holm_worked_example() -> None:
    # Holm 1979, Scand. J. Stat. 6(2):65-70; the example by hand: sorted .005*4, .01*3, .03*2, .04 -> max
    np.testing.assert_allclose(holm([0.01, 0.04, 0.03, 0.005]), [0.03, 0.06, 0.06, 0.02])


def test_holm_passes_over_missing() -> None:
    out = holm([0.01, np.nan, 0.02])
    np.testing.assert_allclose(out, [0.02, np.nan, 0.02])
    assert np.isnan(holm([np.nan])).all()


def test_tost_worked_example() -> None:
    # Schuirmann 1987, J. Pharmacokinet. Biopharm. 15(6):657-680: two groups of 20, difference 0.1, pooled
    # deviation 1, margin 0.8; figures computed from the t distribution.
    found = tost(0.1, np.sqrt(2 / 20), 38, 0.8)
    assert found.p_lower == pytest.approx(0.0035486, rel=1e-4)
    assert found.p_upper == pytest.approx(0.0164668, rel=1e-4)
    assert found.p == found.p_upper
    assert (found.low, found.high) == pytest.approx((-0.433146, 0.633146), abs=1e-6)
    assert found.equivalent
    assert "smaller than 0.8" in str(found)
    assert not tost(0.1, np.sqrt(2 / 20), 38, 0.5).equivalent
    with pytest.raises(VibstudyError, match="above 0"):
        tost(0.1, 1.0, 38, 0.0)


def test_tost_agrees_with_its_interval() -> None:
    for estimate, se, df, margin in itertools.product((-0.4, 0.0, 0.3), (0.1, 0.25), (4, 30), (0.3, 0.6)):
        found = tost(estimate, se, df, margin)
        assert found.equivalent == (-margin < found.low and found.high < margin)


def test_equivalence_of_a_term_and_of_a_ratio() -> None:
    frame = corpus(16)
    plain = fit_mixed(frame, FORMULA)
    row = plain.table().loc[TERM]
    assert plain.equivalence(TERM, 0.5).p == tost(row["estimate"], row["se"], row["df"], 0.5).p
    ratio = fit_mixed(frame, "log2(extent_cents) ~ school").equivalence("school: b - a", 1.25)
    assert ratio.margin == pytest.approx(np.log2(1.25))
    with pytest.raises(VibstudyError, match="ratio above 1"):
        fit_mixed(frame, "log(extent_cents) ~ school").equivalence(TERM, 0.2)
    with pytest.raises(VibstudyError, match="Did you mean 'school: b - a'"):
        plain.equivalence("school: b-a", 0.5)


# --- bootstrap and permutation


def test_refitting_gives_what_fitting_gives() -> None:
    frame = corpus()
    result = fit_mixed(frame, FORMULA, crossed="piece", weights="snr_db")
    rng = np.random.default_rng(4)
    for _ in range(3):
        y = rng.normal(5, 0.7, len(frame)) + 0.5 * rng.normal(size=8)[pd.factorize(frame["player"])[0]]
        again = fit_mixed(frame.assign(rate_hz=y), FORMULA, crossed="piece", weights="snr_db")
        refitted = Refit(result)(y)
        assert refitted.deviance == pytest.approx(again.deviance, abs=1e-6)
        np.testing.assert_allclose(refitted.beta, again.beta, rtol=1e-4, atol=1e-5)


def test_simulated_outcomes_have_the_model_s_variances() -> None:
    result = fit_mixed(corpus(), FORMULA, slopes=None, spread="equal")
    refit, solution = Refit(result), result.fit.solution
    rng = np.random.default_rng(2)
    draws = np.array([refit.simulate(solution, solution.beta, rng) for _ in range(4000)])
    codes = [t.codes for t in result.prepared.terms]
    variance = result.variance_components()["variance"].to_numpy()
    covariance = np.cov(draws[:, :12].T)
    for i, j in itertools.combinations_with_replacement(range(12), 2):
        expected = sum(v * (c[i] == c[j]) for v, c in zip(variance[:-1], codes, strict=True)) + variance[
            -1
        ] * (i == j)
        assert covariance[i, j] == pytest.approx(expected, abs=0.03)


def test_bootstrap_agrees_with_t_where_theory_is_exact() -> None:
    # Balanced players: the t-test with players - 2 df is exact, so the bootstrap must agree to within
    # its own error (299 draws: two standard errors of p = 0.3 are 0.053).
    frame = corpus(6, seed=3).groupby("recording_id").head(4)
    frame = frame[frame["recording_id"].str[-1].isin(["0", "1"])]
    result = fit_mixed(frame, "rate_hz ~ school", df="kenward-roger")
    assert frame.groupby("player").size().nunique() == 1
    table = result.table().loc[TERM]
    found = parametric_bootstrap(result, TERM, draws=299, seed=1)
    assert found.p == pytest.approx(table["p"], abs=0.06)
    assert found.low == pytest.approx(table["low"], abs=0.25 * (table["high"] - table["low"]))
    assert found.high == pytest.approx(table["high"], abs=0.25 * (table["high"] - table["low"]))
    assert found.smallest_p == 1 / 300


def test_bootstrap_is_repeatable_and_sees_a_large_effect() -> None:
    result = fit_mixed(corpus(10, effect=2.0), FORMULA)
    first, second = (parametric_bootstrap(result, TERM, draws=60, seed=7) for _ in range(2))
    assert first == second
    assert first.p == 1 / 61
    assert first.low > 0


def test_permutation_by_hand() -> None:
    # Six players, one figure each: the p of a difference of means under all 720 orders is the share of
    # the 20 choices of three that differ as much. Here the two groups do not overlap: 2 of 20.
    figures = [1.0, 2.0, 3.0, 7.0, 8.0, 10.0]
    rng = np.random.default_rng(1)
    rows = [
        (f"p{k}", f"p{k}r{r}", "ab"[k > 2], value + offset + 0.01 * rng.choice([-1, 1]))
        for k, value in enumerate(figures)
        for r, offset in ((0, -0.1), (1, 0.1))
        for _ in range(2)
    ]
    frame = pd.DataFrame(rows, columns=["player", "recording_id", "school", "rate_hz"])
    found = permutation_test(fit_mixed(frame, "rate_hz ~ school"), TERM)
    assert found.draws == 720
    assert found.p == pytest.approx(2 / 20)
    assert found.smallest_p == pytest.approx(2 / 20)
    assert np.isnan(found.low)


def test_permutation_refuses_what_varies_within_players() -> None:
    with pytest.raises(VibstudyError, match="varies within players"):
        permutation_test(fit_mixed(corpus(), FORMULA), "midi")


def test_permutation_keeps_its_level_and_is_repeatable() -> None:
    p = [permutation_test(fit_mixed(corpus(7, seed=s), FORMULA), TERM).p for s in range(30)]
    assert stats.kstest(p, "uniform").pvalue > 0.01
    result = fit_mixed(corpus(12), FORMULA)
    first, second = (permutation_test(result, TERM, 500, seed=3) for _ in range(2))
    assert first.p == second.p


def test_contrasts_are_found_by_name() -> None:
    result = fit_mixed(corpus(), FORMULA)
    np.testing.assert_allclose(contrast_row(result, "school: b - a"), contrast_row(result, TERM))
    with pytest.raises(VibstudyError, match="Did you mean 'midi'"):
        contrast_row(result, "mid")


def test_false_alarms_of_the_default_and_of_the_careless_test() -> None:
    # 400 corpora without any effect: two standard errors of 5 % are 2.2 %. The long version is
    # benchmarks/calibration.py.
    frame = corpus(8)
    result = fit_mixed(frame, "rate_hz ~ school")
    refit, rng = Refit(result), np.random.default_rng(1)
    player, recording = (pd.factorize(frame[name])[0] for name in ("player", "recording_id"))
    row, careful, careless = np.array([0.0, 1.0]), 0, 0
    for _ in range(400):
        y = 0.4 * rng.normal(size=8)[player] + 0.2 * rng.normal(size=40)[recording]
        y += 0.4 * rng.normal(size=len(frame))
        inference = Satterthwaite(refit(y))
        t = (row @ inference.solution.beta) / np.sqrt(row @ inference.covariance @ row)
        careful += 2 * stats.t.sf(abs(t), inference.df(row)) < 0.05
        first = (frame["school"] == "a").to_numpy()
        careless += stats.ttest_ind(y[first], y[~first]).pvalue < 0.05
    assert 0.028 <= careful / 400 <= 0.072
    assert careless / 400 > 0.4


def test_the_stored_calibration_supports_the_default() -> None:
    # The table that benchmarks/calibration.py made; two standard errors of 4000 corpora are 0.7 %.
    table = pd.read_csv(Path(__file__).parent.parent / "docs" / "tables" / "calibration.csv")
    assert (table["corpora"] >= 2000).all()  # one standard error: 0.5 %
    for players in (6, 8, 12, 20):
        for kind in ("balanced", "unbalanced", "unbalanced, long-tailed", "unbalanced, heavy-tailed"):
            assert f"{players} players, {kind}" in set(table["design"])
    default = table[table["method"] == "Satterthwaite"].set_index("design")
    cautious = ["6 players, unbalanced, heavy-tailed", "8 players, balanced, players identical"]
    usual = default.drop(index=cautious)
    assert usual["false_alarms_percent"].between(4, 6).all()
    assert usual["coverage_percent"].between(94, 96).all()
    assert (default.loc[cautious, "false_alarms_percent"] < 4).all()
    bootstrap = table[table["method"] == "parametric bootstrap"]
    assert bootstrap["false_alarms_percent"].between(3.9, 6).all()
    assert (table.loc[table["method"] == "t-test over notes", "false_alarms_percent"] > 35).all()


def test_the_stored_verdicts_are_never_liberal_where_players_are_what_is_hard() -> None:
    table = pd.read_csv(Path(__file__).parent.parent / "docs" / "tables" / "calibration.csv")
    table = table[table["method"] == "verdict of the tool"].set_index("design")
    assert len(table) >= 38
    refused = table["refused_percent"] > 50
    assert list(table.index[refused]) == ["period, the only modern player in both"]
    told = table[~refused]
    assert (told["false_alarms_percent"] <= 6.5).all()
    assert (told["coverage_percent"] >= 93.5).all()
    few = told.index.str.match("groups, [23] players")
    power = told.loc[~few, "power_percent"].dropna()  # presence has none
    assert len(power) >= 30
    assert (power > 15).all()


def test_the_documented_calibration_is_the_stored_one() -> None:
    docs = Path(__file__).parent.parent / "docs"
    table = pd.read_csv(docs / "tables" / "calibration.csv").set_index(["design", "method"])
    methods = [
        "t-test over notes", "Wald z", "Satterthwaite", "Kenward-Roger", "parametric bootstrap",
        "player-level permutation",
    ]  # fmt: skip
    kinds = {"": "unbalanced", "a few extreme": "unbalanced, heavy-tailed"}
    special = {
        "6 players who hardly differ": "6 players, unbalanced, players alike",
        "8 players who do not differ at all": "8 players, balanced, players identical",
    }
    rows = re.findall(r"^\| (\d+ players.*?) \|(.*)\|$", (docs / "statistics.md").read_text("utf-8"), re.M)
    assert len(rows) == 10
    for name, cells in rows:
        players, _, kind = name.partition(", ")
        design = special.get(name) or f"{players}, {kinds[kind.partition(' (')[0]]}"
        for method, cell in zip(methods, cells.split("|"), strict=True):
            text = cell.strip(" *")
            if text:
                value = table.loc[(design, method), "false_alarms_percent"]
                assert float(text) == pytest.approx(value, abs=0.5 if "." not in text else 0.0501), (
                    name,
                    method,
                )
            else:
                assert (design, method) not in table.index


# --- influence


def test_leaving_out_a_player_is_fitting_without_him() -> None:
    frame = corpus()
    result = fit_mixed(frame, FORMULA)
    found = leave_out(result).set_index(["left_out", "term"])
    for player in ("p0", "p5"):
        direct = fit_mixed(frame[frame["player"] != player], FORMULA).table()
        for term in direct.index:
            row = found.loc[(player, term)]
            assert row["estimate"] == pytest.approx(direct.loc[term, "estimate"], rel=1e-4, abs=1e-6)
            assert row["p"] == pytest.approx(direct.loc[term, "p"], rel=1e-3)
        assert found.loc[(player, TERM), "notes"] == (frame["player"] == player).sum()


@pytest.mark.parametrize("formula", [FORMULA, "rate_hz ~ school", "rate_hz ~ snr_db + school"])
@pytest.mark.parametrize("weights", [None, "snr_db"])
def test_leaving_out_a_player_without_passing_over_the_notes(
    monkeypatch: pytest.MonkeyPatch, formula: str, weights: str | None
) -> None:
    result = fit_mixed(corpus(), formula, weights=weights)
    quick = leave_out(result)
    asked = []
    monkeypatch.setattr(_Apart, "without", lambda _, code: asked.append(code))
    slow = leave_out(result)
    assert len(asked) == 8
    pd.testing.assert_frame_equal(quick, slow, rtol=1e-4, atol=1e-7, check_exact=False)


@pytest.mark.parametrize("weights", [None, "snr_db"])
def test_leaving_out_a_recording_is_exact_at_the_same_variances(weights: str | None) -> None:
    result = fit_mixed(corpus(), FORMULA, crossed="piece", weights=weights)
    found = leave_out(result, "recording").set_index(["left_out", "term"])["estimate"]
    nested = result.prepared.terms[1]
    for code, label in list(enumerate(nested.levels))[::5]:
        rest = subset(result.prepared, nested.codes != code)
        moments = Moments.of(rest.y, rest.estimable, rest.terms, rest.weights)
        direct = moments.at(result.fit.factors, result.fit.solution.sigma).beta
        np.testing.assert_allclose(found[label].to_numpy(), direct, rtol=1e-7)


def test_a_star_who_carries_the_effect_is_named() -> None:
    frame = corpus(8, seed=5, star=6.0)
    diagnosis = fit_mixed(frame, "rate_hz ~ school").diagnose(influence=True)
    assert diagnosis.influence is not None
    strongest = diagnosis.influence.loc[diagnosis.influence["change_in_se"].abs().idxmax()]
    assert strongest["left_out"] == "p1"
    assert "Without player p1" in str(diagnosis)


def test_a_level_that_rests_on_one_player_is_told() -> None:
    frame = corpus()
    frame["school"] = frame["school"].where(frame["player"] != "p3", "c")
    result = fit_mixed(frame, "rate_hz ~ school")
    sentences = influence_sentences(leave_out(result))
    assert any("Without player p3 the model cannot be fitted" in s for s in sentences)


def test_influence_of_one_contrast_and_of_nothing() -> None:
    result = fit_mixed(corpus(16, effect=2.0), FORMULA)
    found = leave_out(result, label="school: b - a")
    assert len(found) == 16
    assert set(found["term"]) == {"school: b - a"}
    assert "No single player carries an effect" in influence_sentences(found)[0]
    with pytest.raises(VibstudyError, match="player or recording"):
        leave_out(result, "note")


def test_influence_and_sensitivity_speak_in_words_and_the_readers_units() -> None:
    # exp(0.1) - 1 = 10.5 %, exp(0.2) - 1 = 22.1 % (arithmetic)
    result = fit_mixed(corpus(), "log(rate_hz) ~ snr_db + school")
    made = pd.DataFrame(
        {"left_out": "p1", "term": [TERM, "snr_db"], "all": 0.2, "estimate": 0.1, "change_in_se": [3.0, 2.0],
         "p": 0.2, "changes_verdict": True}
    )  # fmt: skip
    first, second = influence_sentences(made, model=result)
    assert first == (
        "Without player p1, school b against a would be +10.5 % instead of +22.1 % (p = 0.2); the verdict "
        "would change."
    )
    assert "the change per unit of snr_db would be +10.5 %" in second
    assert "p1, the gap would be" in influence_sentences(made, model=result, words={TERM: "the gap"})[0]

    table = pd.DataFrame(
        {"check": ["as fitted", "without tape_lp"], "estimate": [0.2, -0.1], "low": [0.1, -0.2],
         "high": [0.3, 0.1], "p": [0.01, 0.4], "same_direction": [True, False],
         "same_verdict": [True, False], "remark": ""}
    )  # fmt: skip
    assert Sensitivity("school b against a", table, Scale("log"), "%").sentences == [
        "Without tape_lp: school b against a would be -9.52 % (-18.1 to +10.5 %) instead of "
        "+22.1 % (+10.5 to +35 %)."
    ]
    found = check_sensitivity(corpus(), "rate_hz ~ school", TERM, speed_draws=0)
    assert (found.label, found.unit) == ("school b against a", "Hz")
    pd.testing.assert_frame_equal(found.shown, found.table)


# --- sensitivity


def test_sensitivity_refits_every_choice() -> None:
    frame = corpus(10, effect=1.5)
    other = frame.assign(rate_hz=frame["rate_hz"] + 0.02)
    found = check_sensitivity(frame, FORMULA, TERM, other_trackers={"pyin": other}, speed_draws=20)
    checks = list(found.table["check"])
    assert checks == [
        "as fitted",
        "only notes of quality ok",
        "only notes 20 dB above the noise",
        "without acoustic_disc",
        "without tape_lp",
        "tracker pyin",
        "playback speed uncertain",
    ]
    rows = found.table.set_index("check")
    direct = fit_mixed(frame[frame["quality"] == "ok"], FORMULA).table().loc[TERM]
    assert rows.loc["only notes of quality ok", "estimate"] == pytest.approx(direct["estimate"], rel=1e-6)
    base, speed = rows.loc["as fitted"], rows.loc["playback speed uncertain"]
    assert speed["high"] - speed["low"] > base["high"] - base["low"]
    assert speed["estimate"] == pytest.approx(base["estimate"], abs=0.1)
    assert "keeps its direction and verdict" in str(found)


def test_sensitivity_says_what_cannot_be_checked() -> None:
    frame = corpus()
    frame.loc[frame["school"] == "a", "medium"] = "tape_lp"
    found = check_sensitivity(frame, "rate_hz ~ school", TERM, speed_draws=0)
    assert "Without tape_lp: cannot be fitted" in str(found)


def test_what_lost_notes_could_do_stands_among_the_checks() -> None:
    frame = corpus(12).assign(duration_s=0.5)
    frame.loc[::3, "duration_s"] = 0.2
    gone = (frame["school"] == "b") & (frame["rate_hz"] < frame["rate_hz"].median())
    found = check_sensitivity(frame[~gone], "rate_hz ~ school", TERM, lost=frame[gone], speed_draws=0)
    rows = found.table.set_index("check")["estimate"]
    lowest, highest = (rows[f"worst case: the notes lost were the {way}"] for way in ("lowest", "highest"))
    truth = fit_mixed(frame, "rate_hz ~ school").table().loc[TERM, "estimate"]
    assert lowest < rows["as fitted"] < highest
    assert abs(lowest - truth) < abs(rows["as fitted"] - truth)
    assert "notes weighted by the chance to be kept" in rows


def test_speed_says_nothing_of_extent() -> None:
    # A speed error multiplies pitch and rate and leaves cents alone (arithmetic).
    found = check_sensitivity(corpus(), "log(extent_cents) ~ school", TERM, speed_sd=0.05)
    assert "playback speed uncertain" not in set(found.table["check"])
