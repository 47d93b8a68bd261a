"""What takes from a verdict: decades as named, rivals, notes lost, looks, a log not to be talked round."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console
from scipy.stats import norm, ttest_ind

from tests.test_stats_claims import claim, corpus, measured_study, write
from vibstudy.errors import VibstudyError
from vibstudy.stats import fit_mixed
from vibstudy.stats.claimfile import Plan, claims_text, read_claims
from vibstudy.stats.claims import Contrast, evaluate_claims, examine, run_claims
from vibstudy.stats.history import Recordings, fingerprint, same_notes
from vibstudy.stats.ledger import Ledger
from vibstudy.stats.lineage import lineage_of
from vibstudy.stats.logbook import log_new
from vibstudy.stats.looks import _Walk, all_looks_p, boundaries, lasting, nominal_level, spent, standing_of
from vibstudy.stats.missingness import chance_weights, observed_shares, trimmed
from vibstudy.stats.multiple import Evidence, evidence, tost
from vibstudy.stats.multiverse import all_ways
from vibstudy.stats.question import Question
from vibstudy.stats.selection import is_observed, is_usable, vibrato_notes
from vibstudy.stats.words import qualification

# --- looks


@pytest.mark.parametrize(
    ("looks", "published"),
    [
        # Reboussin, DeMets, Kim & Lan 2000, Control. Clin. Trials 21(3):190-207, and their program's manual:
        # two-sided 0.05, O'Brien-Fleming type spending, equally spaced looks (values from memory)
        (2, [2.9626, 1.9686]),
        (3, [3.7103, 2.5114, 1.9930]),
        (4, [4.3326, 2.9631, 2.3590, 2.0141]),
        (5, [4.8769, 3.3569, 2.6803, 2.2898, 2.0310]),
    ],
)
def test_boundaries_agree_with_the_published_table(looks: int, published: list[float]) -> None:
    np.testing.assert_allclose(boundaries(np.arange(1, looks + 1) / looks), published, atol=2e-4)


@pytest.mark.parametrize(
    ("looks", "per_cent"),
    # Armitage, McPherson & Rowe 1969, J. R. Stat. Soc. A 132(2):235-244, table 2: repeated tests at 5 %
    # (values from memory)
    [(2, 8.3), (3, 10.7), (4, 12.6), (5, 14.2), (10, 19.3)],
)
def test_repeated_tests_at_five_per_cent(looks: int, per_cent: float) -> None:
    walk, crossed = _Walk(), 0.0
    for look in range(1, looks + 1):
        crossed += walk.crossing(look, 1.959964)
        walk.stay(look, 1.959964)
    assert 100 * crossed == pytest.approx(per_cent, abs=0.06)


def test_what_is_spent() -> None:
    assert spent(1.0) == 0.05
    # by hand: 4 - 4 Phi(2.2414 / sqrt(0.5)) = 4 (1 - Phi(3.1698)) = 0.00305
    assert spent(0.5) == pytest.approx(0.00305, abs=1e-5)


def test_a_planned_look_pays_what_its_boundary_costs() -> None:
    shares = [0.3, 0.6, 1.0]
    level = nominal_level(shares)
    assert all_looks_p(level, shares) == pytest.approx(0.05, abs=1e-4)
    assert all_looks_p(0.03, [1.0]) == pytest.approx(0.03, abs=1e-5)
    assert all_looks_p(1e-9, [0.05]) > 0.05  # hardly anything may be spent so early


def test_without_a_plan_the_five_per_cent_are_never_used_up() -> None:
    # by hand: half at the first look, half of the rest at each doubling: 2.5, 3.75, 4.375 ... of 5 %
    np.testing.assert_allclose(
        [lasting(10)(size, 0.05) for size in (10, 20, 40, 1e9)], [0.025, 0.0375, 0.04375, 0.05]
    )
    sizes = [10, 12, 20, 25, 60, 200]
    bounds, walk, crossed = boundaries(sizes, spending=lasting(10)), _Walk(), 0.0
    for size, bound in zip(sizes, bounds, strict=True):
        crossed += walk.crossing(size, bound)
        walk.stay(size, bound)
    assert crossed == pytest.approx(0.05 * (1 - 10 / 400), abs=1e-6)
    first, second = 2 * norm.sf(bounds[:2])
    assert first == pytest.approx(0.025, abs=1e-9)
    assert nominal_level([10, 12], spending=lasting(10)) == pytest.approx(second)
    assert all_looks_p(second, [10, 12], lasting(10)) == pytest.approx(0.05, abs=1e-4)


def test_where_a_look_stands() -> None:
    first = standing_of(0.03, [], 10, None)
    assert (first.look, first.provisional, first.p, first.nominal) == (1, False, 0.03, 0.05)
    assert first.lasting_p == pytest.approx(0.06, abs=1e-4)  # half of the 5 % are for later looks
    second = standing_of(0.03, [10], 20, None)
    assert second.provisional
    assert second.p > 0.05 > second.nominal
    interim = standing_of(0.03, [10], 15, 20)
    assert not interim.provisional
    assert interim.p > 0.05
    final = standing_of(0.03, [10, 15], 20, 20)
    assert 0.03 < final.p == final.lasting_p < 0.05
    beyond = standing_of(0.001, [20], 25, 20)
    assert beyond.provisional
    assert beyond.beyond
    assert beyond.lasting_p == 1.0  # the plan has spent all
    late = standing_of(0.03, [10], 20, 20, late=True)
    assert (late.p, late.nominal) == (second.p, second.nominal)  # a plan made after looking is none
    smaller = standing_of(0.03, [20, 10], 15, None)
    assert smaller.p > second.p  # no smaller corpus undoes the looks at a larger one


@settings(max_examples=8, deadline=None)
@given(
    st.lists(st.floats(0.05, 1.0), min_size=1, max_size=5, unique_by=lambda t: round(t, 2)),
    st.floats(1e-4, 0.9),
)
def test_a_plan_never_makes_p_smaller(shares: list[float], p: float) -> None:
    assert all_looks_p(p, sorted(shares)) >= p * 0.999
    assert all_looks_p(p, sorted(shares), lasting(min(shares))) >= p * 0.999


# --- claims mean what they say


@settings(max_examples=200, deadline=None)
@given(st.floats(-3, 3), st.floats(0.01, 2), st.floats(1, 50), st.floats(0.01, 2))
def test_equal_and_different_answer_each_other(estimate: float, se: float, df: float, margin: float) -> None:
    equal, different = (evidence(e, estimate, se, df, margin) for e in ("equal", "different"))
    assert (equal.support, equal.against) == (different.against, different.support)
    assert {equal.verdict(), different.verdict()} in ({"supported", "against"}, {"undecided"})
    assert min(equal.support, tost(estimate, se, df, margin).p) == equal.support
    higher, lower = evidence("higher", estimate, se, df, margin), evidence("lower", estimate, se, df, margin)
    assert (higher.support, higher.against) == (lower.against, lower.support)


def test_by_at_least_by_hand() -> None:
    # t = (1.0 - 0.4) / 0.2 = 3 with 10 df: two-sided p = 0.01334 (t table: 2.764 is 2 %, 3.169 is 1 %)
    found = evidence("higher", 1.0, 0.2, 10, 0.4)
    assert found.support == pytest.approx(0.01334, abs=2e-5)
    assert found.verdict() == "supported"
    assert evidence("higher", 0.2, 0.05, 10, 0.4).verdict() == "against"
    assert evidence("higher", 0.5, 0.2, 10, 0.4).verdict() == "undecided"


def test_at_least_in_a_claim() -> None:
    notes = corpus(24, effect=-1.0).drop(columns="medium")

    def answer(margin: float | None) -> str:
        return str(evaluate_claims([claim(margin=margin)], notes)["verdict"].iloc[0])

    assert (answer(None), answer(0.3), answer(3.0)) == ("supported", "supported", "against")
    narrow = corpus(24).drop(columns="medium")
    narrow.loc[narrow["decade"] == 1970, "extent_cents"] *= 0.6
    one = claim(outcome="extent_cents", scale="log", margin=10.0)
    reply = Question(one, narrow).ask()
    assert reply.margin == pytest.approx(np.log2(0.9))  # lower by at least 10 per cent: 0.9 times
    assert reply.evidence.verdict() == "supported"


@pytest.mark.parametrize(
    "term", ["decade ** 2", "0", "-1", "region^2", "a b", "exec(x)", "C(decade) - 1", ""]
)
def test_what_cannot_be_held_equal_is_refused(tmp_path: Path, term: str) -> None:
    text = GOOD.replace("# adjust", f'adjust = ["{term}"]')
    with pytest.raises(VibstudyError, match="adjust"):
        read_claims(write(tmp_path, text))


GOOD = """
[[claim]]
id = "slower"
sentence = "Vibrato became slower."
outcome = "rate_hz"
contrast = { column = "decade", from = 1930, to = 1970 }
expect = "lower"
# adjust
"""


def test_the_new_keys_are_read(tmp_path: Path) -> None:
    text = GOOD.replace("to = 1970 }", 'to = 1970, shape = "trend" }') + "plan = { players = 20 }\n"
    (one,) = read_claims(write(tmp_path, text))
    assert one.contrast.shape == "trend"
    assert one.plan == Plan("players", 20)
    broken = GOOD.replace("from = 1930, to = 1970", "break = 1950").replace(
        "# adjust", 'adjust = ["I(midi ** 2)"]'
    )
    (two,) = read_claims(write(tmp_path, broken))
    assert two.contrast.cut == 1950
    assert len({one.sha256, two.sha256, claim().sha256}) == 3
    assert read_claims(write(tmp_path, claims_text([one]))) == [one]
    assert read_claims(write(tmp_path, claims_text([two]))) == [two]


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ("to = 1970 }", 'to = 1970, shape = "band" }', "Did you mean 'bands'?"),
        ("to = 1970 }", "to = 1970, break = 1950, factor = true }", "stands by itself"),
        ("from = 1930, to = 1970", "break = true", "must be a number"),
        ("# adjust", "plan = { notes = 20 }", "plan = { players = 20 }"),
        ("# adjust", "plan = { players = 0.5 }", "plan = { players = 20 }"),
    ],
)
def test_mistakes_in_the_new_keys_are_named(tmp_path: Path, before: str, after: str, words: str) -> None:
    with pytest.raises(VibstudyError, match="claim slower") as error:
        read_claims(write(tmp_path, GOOD.replace(before, after)))
    assert words in str(error.value)


# --- time


def careers(step: float = 0.0, trend: float = 0.0, players: int = 16, seed: int = 1) -> pd.DataFrame:
    """Careers of three decades; the rate falls by `step` after 1960 and by `trend` a decade."""
    rng = np.random.default_rng(seed)
    rows = []
    for p in range(players):
        begin, own = p % 6, rng.normal(0, 0.1)
        for r in range(3):
            decade, take = begin + r, rng.normal(0, 0.05)
            level = 6 + own + take - step * (decade > 3) - trend * decade
            rows += [
                (f"p{p}", f"p{p}/{r}", 1930 + 10 * decade, rate) for rate in level + rng.normal(0, 0.2, 12)
            ]
    return pd.DataFrame(rows, columns=["player", "recording_id", "decade", "rate_hz"])


def test_a_step_after_1960_is_no_change_from_1930_to_1960() -> None:
    notes = careers(step=0.6)
    named = evaluate_claims([claim(contrast=Contrast("decade", 1930, 1960))], notes).iloc[0]
    line = evaluate_claims([claim(contrast=Contrast("decade", 1930, 1960, shape="trend"))], notes).iloc[0]
    assert named["verdict"] == "undecided"
    assert abs(named["estimate"]) < 0.15
    assert line["verdict"] == "undecided"  # a trend counts over the span claimed
    assert "left out" not in line["caveats"]
    every = fit_mixed(notes, "rate_hz ~ decade").table()
    assert every.loc["decade", "p"] < 0.05  # what a line over all decades makes of it
    whole = evaluate_claims([claim(contrast=Contrast("decade", 1930, 2000))], notes).iloc[0]
    assert whole["estimate"] == pytest.approx(-0.6, abs=0.2)
    assert "decade 1930 is represented by 1930 to" in whole["caveats"]


def test_a_break_and_a_trend_can_be_claimed() -> None:
    notes = careers(step=0.6)
    row = evaluate_claims([claim(contrast=Contrast("decade", None, None, cut=1970))], notes).iloc[0]
    assert row["verdict"] == "supported"
    assert row["compared"] == "decade from 1970 on against before 1970"
    assert row["estimate"] == pytest.approx(-0.6, abs=0.15)
    bent = careers(trend=0.0)
    bent["rate_hz"] -= 0.03 * ((bent["decade"] - 1965) / 10) ** 2
    told = evaluate_claims([claim(contrast=Contrast("decade", 1930, 2000, shape="trend"))], bent).iloc[0]
    assert "The change with decade bends" in told["caveats"]
    straight = careers(trend=0.1)
    line = evaluate_claims([claim(contrast=Contrast("decade", 1930, 2000, shape="trend"))], straight).iloc[0]
    assert line["estimate"] == pytest.approx(-0.7, abs=0.15)
    assert "along a straight line" in line["answer"]
    assert not line["but"]  # with decades told alike, a bend takes nothing from it
    curve = evaluate_claims([claim(contrast=Contrast("decade", 1930, 2000, shape="curve"))], straight).iloc[0]
    assert curve["estimate"] == pytest.approx(-0.7, abs=0.3)
    assert curve["formula"] == "rate_hz ~ decade_curve1 + decade_curve2 + decade_curve3"


def test_bands_are_widened_inwards_only_and_players_alone_decide() -> None:
    notes = careers()
    axis = Question(claim(contrast=Contrast("decade", 1940, 1990)), notes).axis
    start = sorted(notes.loc[axis.side == -1, "decade"].unique())
    end = sorted(notes.loc[axis.side == 1, "decade"].unique())
    assert start[0] == 1940 and end[-1] == 1990
    assert max(start) < min(end)
    shuffled = notes.assign(rate_hz=notes["rate_hz"].to_numpy()[::-1])
    again = Question(claim(contrast=Contrast("decade", 1940, 1990)), shuffled).axis
    np.testing.assert_array_equal(axis.side, again.side)


def test_decades_without_recordings_are_told() -> None:
    notes = careers()
    notes = notes[~notes["decade"].isin([1950, 1960])]
    row = evaluate_claims([claim(contrast=Contrast("decade", 1930, 2000))], notes).iloc[0]
    assert "There are no recordings of decade 1950 to 1960: the claim reaches over them." in row["caveats"]


def test_years_are_banded_by_decades() -> None:
    notes = careers(step=0.6).rename(columns={"decade": "year"})
    notes["year"] += np.arange(len(notes)) % 10
    row = evaluate_claims([claim(contrast=Contrast("year", 1934, 2003))], notes).iloc[0]
    assert row["formula"] == "rate_hz ~ year_band"
    assert row["verdict"] == "supported"


# --- rivals


def two_eras(
    medium_effect: float, effect: float = 0.0, exceptions: bool = True, seed: int = 3
) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    rows = []
    for p in range(16):
        late = p % 2 == 1
        own = rng.normal(0, 0.1)
        for r in range(3):
            tape = late ^ (exceptions and r == 0 and p % 8 < 2)
            level = 6 + own + effect * late + medium_effect * tape + rng.normal(0, 0.05)
            rows += [
                (f"p{p}", f"p{p}/{r}", ("early", "late")[late], ("disc", "tape")[tape], rate)
                for rate in level + rng.normal(0, 0.2, 12)
            ]
    return pd.DataFrame(rows, columns=["player", "recording_id", "period", "medium", "rate_hz"])


PERIOD = Contrast("period", "early", "late")


def test_a_rival_tag_is_part_of_the_verdict() -> None:
    one = claim(contrast=PERIOD, expect="higher")
    row = evaluate_claims([one], two_eras(medium_effect=0.8)).iloc[0]
    assert row["verdict"] == "supported"
    assert row["but"] == "these recordings cannot tell period from medium"
    assert row["answer"].startswith(
        "Supported, but these recordings cannot tell period from medium: period late"
    )
    assert "With medium in the model it is" in row["caveats"]
    clean = evaluate_claims([one], two_eras(medium_effect=0.0, effect=0.8)).iloc[0]
    assert (clean["verdict"], clean["but"]) == ("supported", "")


def test_perfect_twins_are_not_testable() -> None:
    notes = two_eras(medium_effect=0.0, effect=0.8, exceptions=False)
    row = evaluate_claims([claim(contrast=PERIOD, expect="higher")], notes).iloc[0]
    assert row["verdict"] == "not testable here"
    assert row["reason"] == (
        "period and medium go together without exception: these recordings cannot tell them apart."
    )
    # the corpus of which period, decade and region were all "supported"
    notes["decade"] = np.where(notes["period"] == "early", 1950, 1990)
    notes["region"] = np.where(notes["period"] == "early", "A", "B")
    contrasts = [PERIOD, Contrast("decade", 1950, 1990), Contrast("region", "A", "B")]
    table = evaluate_claims([claim(id=str(k), contrast=c) for k, c in enumerate(contrasts)], notes)
    assert list(table["verdict"]) == ["not testable here"] * 3


def test_whether_the_speed_is_known_is_a_tag() -> None:
    notes = two_eras(0.0, effect=0.8).drop(columns="medium")
    notes["speed_factor"] = np.where(notes["period"] == "late", 1.02, np.nan)
    row = evaluate_claims([claim(contrast=PERIOD, expect="higher")], notes).iloc[0]
    assert "speed_known" in row["reason"]


# --- notes lost


def lossy(seed: int = 5) -> pd.DataFrame:
    """One era with piano, one alone, equally wide; a piano hides what is narrow."""
    rng = np.random.default_rng(seed)
    rows = []
    for p in range(16):
        piano, own = p % 2 == 1, rng.normal(0, 0.1)
        for r in range(3):
            level = np.log(20) + own + rng.normal(0, 0.05)
            for extent in np.exp(level + rng.normal(0, 0.3, 25)):
                usable = extent > 20 * np.exp(rng.normal(0, 0.1)) if piano else True
                era = ("early", "late")[piano]
                rows.append((f"p{p}", f"p{p}/{r}", era, ("none", "piano")[piano], extent, usable))
    columns = ["player", "recording_id", "period", "accompaniment", "extent_cents", "usable"]
    return pd.DataFrame(rows, columns=columns).assign(has_vibrato=True, duration_s=0.6)


def test_a_piano_that_hides_narrow_vibrato_is_told_and_bounded() -> None:
    notes = lossy().drop(columns="accompaniment")
    one = claim(outcome="extent_cents", scale="log", contrast=PERIOD, expect="higher")
    finding = examine(one, notes)
    assert finding.verdict() == "supported"  # falsely: the eras are alike
    assert finding.told[0] == 1.0 and finding.told[1] < 0.6
    lowest = next(o for o in finding.others if o.name == "lowest")
    truth = Question(one, notes.assign(usable=True)).ask().shown
    assert abs(lowest.estimate - truth) < 0.3 * (finding.estimate - truth)
    row = evaluate_claims([one], notes).iloc[0]
    assert row["but"] == "the notes lost to measuring could make it"
    assert "Of the notes of early 100 % could be told, of late" in row["caveats"]
    everything = notes.assign(usable=True)
    assert evaluate_claims([one], everything).iloc[0]["verdict"] == "undecided"


def test_shares_and_trimming_by_hand() -> None:
    notes = pd.DataFrame(
        {
            "has_vibrato": [True, True, False, True, True, pd.NA],
            "rate_hz": [5.0, 6.0, np.nan, 5.5, np.nan, np.nan],
            "extent_cents": [20.0, 30.0, np.nan, 25.0, np.nan, np.nan],
            "usable": [True, False, True, True, True, True],
        }
    )
    side = np.array([-1, -1, -1, 1, 1, 1])
    assert is_observed(notes, "extent_cents").tolist() == [True, False, True, True, False, False]
    assert observed_shares(notes, "extent_cents", side) == pytest.approx((2 / 3, 1 / 3))
    values = np.array([4.0, 1.0, 3.0, 2.0, 9.0])
    # the first side was told in 100 %, the second in 50 %: the first gives up half of its four
    keep = trimmed(values, np.array([-1, -1, -1, -1, 1]), (1.0, 0.5), lowest=True)
    assert keep.tolist() == [True, False, True, False, True]
    keep = trimmed(values, np.array([-1, -1, -1, -1, 1]), (1.0, 0.5), lowest=False)
    assert keep.tolist() == [False, True, False, True, True]


def test_weights_mend_what_the_columns_tell() -> None:
    """Short notes are lost with a piano, and short notes are narrow: length alone tells the chance."""
    rng = np.random.default_rng(2)
    n = 4000
    duration = np.exp(rng.normal(-0.3, 0.5, n))
    value = np.log(duration) + rng.normal(0, 0.2, n)
    kept = rng.random(n) < 1 / (1 + np.exp(-2 * np.log2(duration)))
    notes = pd.DataFrame(
        {"duration_s": duration, "accompaniment": np.where(rng.random(n) < 0.5, "piano", "none")}
    )
    weights = chance_weights(notes, kept)
    assert weights is not None
    plain, weighted = value[kept].mean(), np.average(value[kept], weights=weights[kept])
    assert abs(weighted - value.mean()) < 0.25 * abs(plain - value.mean())
    assert chance_weights(notes, np.ones(n, bool)) is None


def test_usable_takes_the_place_of_quality() -> None:
    notes = corpus(4).assign(has_vibrato=True, quality="masked")
    assert len(vibrato_notes(notes)) == 0
    assert len(vibrato_notes(notes.assign(usable=True))) == len(notes)
    assert is_usable(notes.assign(usable=pd.array([pd.NA] * len(notes), dtype="boolean"))).sum() == 0


# --- a log that cannot be talked round


def study(folder: Path, claims: str, notes: pd.DataFrame, sha256: str = "abc") -> pd.DataFrame:
    """Write claims and tables, run 'vibstudy claims', return its table."""
    write(folder, claims)
    measured_study(folder, notes)
    recordings = pd.DataFrame({"recording_id": notes["recording_id"].unique()})
    recordings["audio_sha256"] = sha256 + recordings["recording_id"].astype(str)
    recordings.to_csv(folder / "results" / "recordings.csv", index=False)
    run_claims(folder, Console(file=io.StringIO(), width=300))
    return pd.read_csv(folder / "results" / "claims.csv").set_index("claim")


def blocks(*names: str, more: str = "") -> str:
    """One claim a filter: the same question of notes that differ by one bar of rate."""
    return "\n".join(
        f'[[claim]]\nid = "{name}"\nsentence = "s"\noutcome = "rate_hz"\nexpect = "different"\n'
        f'contrast = {{ column = "region", from = "North", to = "South" }}\nfilter = "rate_hz > {k}"\n{more}'
        for k, name in enumerate(names)
    )


def test_deleting_what_failed_does_not_help(tmp_path: Path) -> None:
    notes = corpus(16, effect=0.0)
    names = [f"c{k}" for k in range(4)]
    write(tmp_path, blocks(*names))
    run_claims(tmp_path, Console(file=io.StringIO()))
    before = study(tmp_path, blocks(*names), notes)
    assert set(before["standing"]) == {"written first"}
    after = study(tmp_path, blocks(names[0]), notes)
    assert after.loc["c0", "p_holm"] == pytest.approx(min(1.0, 4 * after.loc["c0", "p"]))
    stream = io.StringIO()
    run_claims(tmp_path, Console(file=stream, width=300))
    assert "3 withdrawn (c1, c2, c3)" in stream.getvalue()
    assert "Holm counts 3 tests that the log holds and the file does not" in stream.getvalue()
    hidden = study(tmp_path, blocks(names[0], more="exploratory = true\n"), notes)
    assert hidden.loc["c0", "p_holm"] == pytest.approx(min(1.0, 4 * hidden.loc["c0", "p"]))
    assert "called exploratory later" in hidden.loc["c0", "standing"]


def test_withdrawn_before_anything_was_measured_is_no_test(tmp_path: Path) -> None:
    write(tmp_path, blocks("c0", "c1"))
    run_claims(tmp_path, Console(file=io.StringIO()))
    write(tmp_path, blocks("c0"))
    run_claims(tmp_path, Console(file=io.StringIO()))
    table = study(tmp_path, blocks("c0"), corpus())
    assert table.loc["c0", "p_holm"] == pytest.approx(table.loc["c0", "p"])


def test_what_was_found_by_looking_stays_exploratory(tmp_path: Path) -> None:
    write(tmp_path, blocks("c0", more="exploratory = true\n"))
    run_claims(tmp_path, Console(file=io.StringIO()))
    table = study(tmp_path, blocks("c0"), corpus())
    assert table.loc["c0", "standing"] == "logged as exploratory first: read it as exploratory"


def test_wordings_looks_and_changes_are_counted(tmp_path: Path) -> None:
    notes = corpus(16)
    few = notes[notes["player"].isin([f"Player {k}" for k in range(8)])]
    first = study(tmp_path, blocks("c0"), few)
    assert pd.isna(first.loc["c0", "history"])
    assert study(tmp_path, blocks("c0"), few).loc["c0", "look"] == 1  # the same notes: no new look
    second = study(tmp_path, blocks("c0").replace('"s"', '"t"'), notes)
    assert second.loc["c0", "look"] == 2
    assert second.loc["c0", "history"] == "2 wordings, 2 looks"
    assert second.loc["c0", "provisional"]
    assert second.loc["c0", "interval_per_cent"] > 95
    plain = evaluate_claims(read_claims(tmp_path), notes).iloc[0]
    assert second.loc["c0", "high"] - second.loc["c0", "low"] > plain["high"] - plain["low"]
    (tmp_path / "study.toml").write_text("[measure]\nfmin_hz = 60\n", encoding="utf-8")
    third = study(tmp_path, blocks("c0").replace('"s"', '"t"'), notes)
    assert third.loc["c0", "history"].endswith("changed since the first look: settings 1 time")
    log = Ledger(tmp_path / "results" / "claims_log.csv")
    assert log.broken is None


def test_a_plan_pays_for_looks(tmp_path: Path) -> None:
    notes = corpus(16)
    few = notes[notes["player"].isin([f"Player {k}" for k in range(8)])]
    plan = "plan = { players = 16 }\n"
    first = study(tmp_path, blocks("c0", more=plan), few)
    assert not first.loc["c0", "provisional"]
    assert first.loc["c0", "interval_per_cent"] == pytest.approx(99.69, abs=0.02)  # half: spent 0.00305
    assert "Look 1, at 8 of 16 players planned" in first.loc["c0", "caveats"]
    last = study(tmp_path, blocks("c0", more=plan), notes)
    assert last.loc["c0", "interval_per_cent"] == pytest.approx(95.1, abs=0.05)  # z = 1.9686, as tabled
    assert not last.loc["c0", "provisional"]


def test_a_corpus_measured_anew_has_not_grown(tmp_path: Path) -> None:
    notes = corpus(16)
    first = study(tmp_path, blocks("c0"), notes)
    lost = notes.assign(rate_hz=notes["rate_hz"].where(notes["recording_id"] != "rec3-1"))
    again = study(tmp_path, blocks("c0"), lost)
    assert (first.loc["c0", "recordings"], again.loc["c0", "recordings"]) == (48, 47)
    assert (first.loc["c0", "look"], again.loc["c0", "look"]) == (1, 2)
    assert again.loc["c0", "interval_per_cent"] == pytest.approx(95)
    assert not again.loc["c0", "provisional"]


def test_a_plan_made_after_looking_is_none(tmp_path: Path) -> None:
    notes = corpus(16)
    few = notes[notes["player"].isin([f"Player {k}" for k in range(8)])]
    study(tmp_path, blocks("c0"), few)
    last = study(tmp_path, blocks("c0", more="plan = { players = 16 }\n"), notes)
    assert last.loc["c0", "provisional"]
    assert last.loc["c0", "interval_per_cent"] > 98  # with the plan from the first: 95.1
    assert "plan was written after the first look" in last.loc["c0", "caveats"]


def test_a_first_look_that_leaves_nothing_to_later_ones_says_so(tmp_path: Path) -> None:
    drawn = (corpus(8, effect=0.35, seed=seed).drop(columns="medium") for seed in range(40))
    notes = next(notes for notes in drawn if 0.025 < Question(claim(), notes).ask().evidence.p < 0.05)
    first = evaluate_claims([claim()], notes).iloc[0]
    assert first["verdict"] in ("supported", "against")
    assert "it holds only as long as this is the only look at the corpus" in first["answer"]
    assert first["interval_per_cent"] == pytest.approx(95)
    whole = evaluate_claims([claim(plan=Plan("players", notes["player"].nunique()))], notes).iloc[0]
    assert whole["verdict"] == first["verdict"]
    assert "only look" not in whole["answer"]  # a corpus said to be complete owes nothing to later looks


def test_a_file_encoded_anew_is_the_same_recording(tmp_path: Path) -> None:
    notes = corpus(4)
    study(tmp_path, blocks("c0"), notes)
    late = blocks("c0", "late")
    table = study(tmp_path, late, notes, sha256="encoded anew ")
    assert table.loc["late", "standing"] == "written after measuring: read it as exploratory"


def test_a_recording_is_known_by_its_notes(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    onset = np.cumsum(rng.uniform(0.2, 0.8, 20))
    take = pd.DataFrame({"onset_s": onset, "midi": rng.integers(55, 70, 20)})
    print_ = fingerprint(take)
    shifted = take.assign(onset_s=onset + 0.05 + rng.normal(0, 0.004, 20))  # a codec's delay and its edges
    assert same_notes(print_, fingerprint(shifted))
    other_take = take.assign(onset_s=np.cumsum(rng.uniform(0.2, 0.8, 20)))
    assert not same_notes(print_, fingerprint(other_take))
    ledger = Ledger(tmp_path / "log.csv")
    ledger.append([("recording", "old", "aaa", print_), ("recording", "other", "ccc", "")])
    seen = Recordings(ledger)
    assert seen.first("new", "bbb", fingerprint(shifted)) == 0
    assert seen.first("other", "ddd") == 1
    assert seen.first("new", "ccc") == 1
    assert seen.first("new", "bbb", fingerprint(other_take)) is None


def test_tags_that_change_are_logged(tmp_path: Path) -> None:
    notes = corpus(4)
    recordings = notes.drop_duplicates("recording_id")[["recording_id", "region", "decade"]].assign(
        audio_sha256="x"
    )
    recordings[1950] = 3  # a name that is no text
    log_new(tmp_path, [], recordings, notes)
    ledger = log_new(tmp_path, [], recordings, notes)
    assert [r[4] for r in ledger.rows if r[1] == "tags"] == ["first"] * len(recordings)
    moved = recordings.assign(region=recordings["region"].where(recordings.index > 0, "West"))
    ledger = log_new(tmp_path, [], moved, notes)
    assert [r[2] for r in ledger.rows if r[1] == "tags" and r[4] == "changed"] == [
        recordings["recording_id"].iloc[0]
    ]
    (tmp_path / "edits.csv").write_text("a\n", encoding="utf-8")
    log_new(tmp_path, [], moved, notes)
    (tmp_path / "edits.csv").write_text("a\nb\n", encoding="utf-8")
    ledger = log_new(tmp_path, [], moved, notes)
    assert [r[4] for r in ledger.rows if r[1] == "edits"] == ["first", "changed"]


# --- many ways


def test_all_ways_are_asked_and_the_claimed_one_is_among_them() -> None:
    notes = careers(step=0.6)
    notes["duration_s"] = 0.3 + np.arange(len(notes)) % 7 / 10
    notes["quality"] = np.where(np.arange(len(notes)) % 9 == 0, "few_cycles", "ok")
    one = claim(contrast=Contrast("decade", 1930, 2000))
    found = all_ways(one, notes)
    table = found.table
    choices = 3 + ("slopes" in table)
    players = (table["without"] != "").sum()
    assert 12 <= players <= 16  # some may carry a decade alone
    assert len(table) - players + found.lost == 2**choices
    assert table["estimate"].is_monotonic_increasing
    base = table[table["as_claimed"]].iloc[0]
    assert len(table[table["as_claimed"]]) == 1
    row = evaluate_claims([one], notes).iloc[0]
    assert (base["estimate"], base["low"]) == pytest.approx((row["estimate"], row["low"]))
    assert 0 < found.agree <= len(table)
    assert set(table["notes"]) == {"all", "strict"}
    assert table.loc[table["notes"] == "strict", "notes_used"].max() < base["notes_used"]


def grouped(seed: int, spread: float) -> pd.DataFrame:
    """Eighteen players of six schools, three schools a region, `spread` between schools."""
    rng = np.random.default_rng(seed)
    player, take = np.repeat(np.arange(18), 24), np.repeat(np.arange(36), 12)
    school = player % 6
    y = 6 + rng.normal(0, spread, 6)[school] + rng.normal(0, 0.2, 18)[player] + rng.normal(0, 0.3, 432)
    frame = pd.DataFrame({"player": player, "recording_id": take, "school": school, "rate_hz": y})
    frame["region"] = np.where(player % 2, "B", "A")
    return frame.astype({"player": str, "recording_id": str, "school": str})


@pytest.mark.parametrize("column", ["school", "orchestra"])
def test_players_of_a_school_are_alike_and_three_schools_are_no_region(column: str) -> None:
    """Also where the column is one that only this manifest has; a school is drawn as a player is."""
    one = claim(contrast=Contrast("region", "A", "B"), expect="different")
    notes = grouped(9, 0.5).rename(columns={"school": column})
    row = evaluate_claims([one], notes).iloc[0]
    assert row["verdict"] == "supported"
    assert row["but"] == f"these recordings cannot tell region from {column}"  # and from nothing else
    drawn = fit_mixed(notes, "rate_hz ~ region", crossed=(column,)).table().loc["region[T.B]"]
    assert drawn["df"] <= 4  # six schools less two means
    shifted = notes.assign(rate_hz=notes["rate_hz"] + 2.0 * (notes["region"] == "B"))
    assert not examine(one, shifted).turned_by()


def test_a_number_of_the_users_own_is_held_equal_and_names_of_one_recording_are_not() -> None:
    rng = np.random.default_rng(3)
    player, take = np.repeat(np.arange(12), 40), np.repeat(np.arange(48), 10)
    year = take % 4
    frame = pd.DataFrame({"player": player, "recording_id": take, "decade": 1930 + 10 * year})
    frame["age"] = 25 + 10 * year + rng.integers(0, 10, 12)[player]
    frame["matrix_number"] = [f"m{k}" for k in take]
    slope = rng.normal(0.2, 0.02, 12)[player]
    frame["rate_hz"] = 6 - slope * year + rng.normal(0, 0.2, 12)[player] + rng.normal(0, 0.2, 480)
    finding = examine(claim(contrast=Contrast("decade", 1930, 1960)), frame)
    assert [other.name for other in finding.others] == ["age"]
    assert [other.name for other in finding.turned_by()] == ["age"]


def test_three_levels_are_no_line_and_a_trend_that_turns_says_so() -> None:
    rng = np.random.default_rng(4)
    player, take = np.repeat(np.arange(18), 24), np.repeat(np.arange(36), 12)
    own = rng.normal(0, 0.2, 18)[player] + rng.normal(0, 0.3, 432)
    frame = pd.DataFrame({"player": player, "recording_id": take, "era": player % 3 + 1})
    frame["rate_hz"] = 6 + own + 1.0 * (frame["era"] == 3)
    finding = examine(claim(contrast=Contrast("era", 1, 2), expect="different"), frame)
    assert finding.verdict() == "undecided"
    assert (
        examine(claim(contrast=Contrast("era", 1, 2, shape="trend"), expect="higher"), frame).verdict()
        == "supported"
    )
    step = np.array([0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3, 5, 6])[player]
    frame["decade"] = 1930 + 10 * step
    frame["rate_hz"] = 6 + own + np.minimum(0.25 * step, 1.25 * (6 - step))  # in the end where it was
    rose = evaluate_claims(
        [claim(contrast=Contrast("decade", 1930, 1990, shape="trend"), expect="higher")], frame
    )
    assert rose["verdict"].iloc[0] == "supported"
    assert "a steady change from one that turns" in rose["but"].iloc[0]


def test_what_is_played_higher_is_no_region() -> None:
    """Register alone decides, and one region plays higher: with register in the model nothing is left."""
    rng = np.random.default_rng(5)
    frame = grouped(3, 0.0).drop(columns="school")
    late = (frame["region"] == "B").to_numpy()
    frame["midi"] = np.round(rng.normal(66, 4, len(frame)) + 10 * late)
    frame["duration_s"] = np.exp(rng.normal(-0.5, 0.4, len(frame)))
    frame["rate_hz"] += 0.08 * (frame["midi"] - 70)
    one = claim(contrast=Contrast("region", "A", "B"), expect="higher")
    finding = examine(one, frame)
    assert finding.verdict() == "supported"
    assert [other.name for other in finding.others] == ["midi", "duration_s"]
    assert [other.name for other in finding.turned_by()] == ["midi"]
    assert evaluate_claims([one], frame)["but"].iloc[0] == "these recordings cannot tell region from register"


def test_teachers_make_lineages() -> None:
    links = {"A": None, "B": "A", "C": "X", "D": "X", "E": "B", "F": None}
    notes = pd.DataFrame({"player": list(links), "teacher": list(links.values())})
    assert lineage_of(notes).tolist() == ["A", "A", "C", "C", "A", "F"]


def test_players_of_one_lineage_are_alike_and_two_lineages_are_no_region() -> None:
    rng = np.random.default_rng(10)
    frame = grouped(4, 0.0).drop(columns="school")
    tree = frame["player"].astype(int) % 4  # two a region
    frame["rate_hz"] += rng.normal(0, 0.6, 4)[tree]
    frame["teacher"] = ("root " + tree.astype(str)).astype("string")
    one = claim(contrast=Contrast("region", "A", "B"), expect="different")
    finding = examine(one, frame)
    assert finding.verdict() == "supported"
    assert [other.name for other in finding.turned_by()] == ["lineage"]
    assert evaluate_claims([one], frame)["but"].iloc[0] == "these recordings cannot tell region from teacher"


def test_presence_is_asked_as_a_share_too() -> None:
    """By hand: in a balanced corpus the difference is that of the players' mean shares, tested by them."""
    shares = {"A": [0.9, 0.8, 1.0, 0.9, 0.7, 0.9], "B": [0.2, 0.3, 0.0, 0.1, 0.4, 0.2]}
    rows = [
        (f"{region}{k}", f"{region}{k}/{take}", region, note < 10 * share)
        for region, all_shares in shares.items()
        for k, share in enumerate(all_shares)
        for take in range(2)
        for note in range(10)
    ]
    notes = pd.DataFrame(rows, columns=["player", "recording_id", "region", "has_vibrato"])
    one = claim(outcome="has_vibrato", contrast=Contrast("region", "A", "B"), expect="lower")
    (other,) = examine(one, notes).others
    assert (other.kind, other.name) == ("scale", "shares")
    welch = ttest_ind(shares["B"], shares["A"], equal_var=False)
    assert other.estimate == pytest.approx(100 * (np.mean(shares["B"]) - np.mean(shares["A"])))
    assert other.evidence is not None
    assert np.log10(other.evidence.support) == pytest.approx(np.log10(welch.pvalue), abs=0.5)
    unsure = replace(other, evidence=Evidence(0.2, 1.0))
    text = qualification(examine(one, notes), [unsure])
    assert text == "it does not show where shares of notes are compared in place of odds"
