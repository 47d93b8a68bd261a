"""Which notes settle the claims, and when it is enough: published numbers, hand cases, simulated corpora."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibstudy.errors import VibstudyError
from vibstudy.review.settle import SHARES, Need, allot, needs_of, notes_needed, propose, worst, wrong_at_most
from vibstudy.stats.claimfile import Claim, Contrast


def test_the_rule_of_three():
    """Hanley & Lippman-Hand 1983, JAMA 249:1743-1745: none of n means at most about 3/n (95 %)."""
    for n in (50, 100, 300):
        assert wrong_at_most(0, n) == pytest.approx(3 / n, rel=0.04)
    assert wrong_at_most(0, 100) == pytest.approx(1 - 0.05**0.01)  # exactly
    assert wrong_at_most(0, 0) == wrong_at_most(3, 3) == 1.0


def test_clopper_and_pearson():
    """Upper limit of 1 in 10, one-sided 95 %: 0.3942 (tables after Clopper & Pearson 1934, from memory)."""
    assert wrong_at_most(1, 10) == pytest.approx(0.3942, abs=1e-4)


def test_fifty_nine_notes():
    """Wilks 1941, Ann. Math. Stat. 12:91-96: 59 without failure show 95 % with 95 % confidence."""
    assert notes_needed(0.05, 0, 0) == 59
    assert notes_needed(0.01, 0, 0) == 299
    assert notes_needed(0.0, 0, 0) is None
    assert notes_needed(0.2, 0, 100) == 100  # enough already
    more = notes_needed(0.15, 5, 50)
    assert more > 50 and wrong_at_most(-(-more // 10), more) <= 0.15 < wrong_at_most(5, 50)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.02, 0.6), st.integers(0, 5), st.integers(5, 60))
def test_what_is_needed_is_enough_and_no_more(bears, wrong, heard):
    found = notes_needed(bears, wrong, heard)
    if found is not None:
        expected = int(np.ceil(wrong + wrong / heard * (found - heard)))
        assert found >= heard and wrong_at_most(expected, found) <= bears


def test_the_worst_notes_by_hand():
    values = np.array([1.0, 2, 3, 4, 11, 12, 13, 14, 99])
    side = np.array([-1] * 4 + [1] * 4 + [0])
    keep = worst(values, side, np.ones(9, bool), 0.5, 1)  # the second side's highest, the first side's lowest
    assert values[keep].tolist() == [3, 4, 11, 12, 99]
    assert values[worst(values, side, np.ones(9, bool), 0.5, -1)].tolist() == [1, 2, 13, 14, 99]
    heard = values > 12
    assert values[worst(values, side, ~heard, 1.0, 1)].tolist() == [13, 14, 99]
    assert worst(values, side, np.ones(9, bool), 0.0, 1).all()


def test_many_notes_go_as_neyman_says():
    """Neyman 1934: sizes in proportion to the spread (here 3 : 1, none where nothing pulls)."""
    order = allot({"a": 0.3, "b": 0.1, "c": 0.0}, {"a": 900, "b": 900, "c": 9}, {}, 0.1, 400)
    assert order.count("a") == pytest.approx(300, abs=3) and "c" not in order
    assert order[0] == "a"
    few = allot({"a": 0.3, "b": 0.1}, {"a": 2, "b": 5}, {}, 0.1, 400)
    assert sorted(few) == ["a"] * 2 + ["b"] * 5  # no more than there are
    known = allot({"a": 0.1, "b": 0.1}, {"a": 9, "b": 9}, {"a": 50}, 0.1, 4)
    assert known == ["b"] * 4  # who has been heard much teaches less


def corpus(difference: float, notes: int = 12, seed: int = 3) -> pd.DataFrame:
    """Ten players of two regions, two recordings each."""
    rng = np.random.default_rng(seed)
    rows = []
    for k in range(10):
        own = rng.normal(5.5 + difference * (k % 2), 0.12)
        for take in range(2):
            played = rng.normal(own, 0.05)
            for i in range(notes):
                name = f"p{k}-{take}"
                rows.append((f"{name}/{i:03d}", name, f"Player {k}", "ns"[k % 2], rng.normal(played, 0.2)))
    frame = pd.DataFrame(rows, columns=["note_id", "recording_id", "player", "region", "rate_hz"])
    return frame.assign(
        extent_cents=20.0,
        has_vibrato=True,
        note_kind="note",
        quality="ok",
        reviewed="auto",
        onset_s=0.0,
        offset_s=1.0,
    )


def claim(expect="higher", **more) -> Claim:
    contrast = Contrast("region", more.pop("start", "n"), "s")
    return Claim("faster", "s is faster.", "rate_hz", contrast, expect, **more)


def test_a_clear_difference_bears_much_and_a_close_one_little():
    clear, close = (needs_of([claim()], corpus(d))[0] for d in (1.0, 0.24))
    assert clear.verdict == "supported" and clear.bears >= 0.2
    assert close.bears < clear.bears and close.needed > clear.needed
    assert set(clear.members) == set(corpus(1.0)["note_id"]) and len(clear.unheard) == 240
    assert sum(clear.weights.values()) == pytest.approx(1.0) and len(clear.weights) == 10


def test_enough_is_said_and_is_true():
    """The notes proposed are heard and all right: the claim is settled, and no removal of as many wrong notes
    as there can be changes its verdict."""
    notes = corpus(0.6)
    proposal = propose([claim()], notes, seed=5)
    (need,) = proposal.needs
    assert not need.settled and len(proposal.queue) == need.needed
    assert "about" in need.words() and need.share == 0.0
    counts = proposal.players()["notes"]
    assert len(counts) == 10 and counts.min() >= 1
    heard = dict.fromkeys(proposal.queue["note_id"], True)
    done = need.after(heard)
    assert done.settled and done.at_most <= done.bears and "will not change it" in done.words()
    (told,) = proposal.progress(heard)
    assert told["share"] == 1.0 and "Player" not in told["words"]
    after = notes.assign(reviewed=np.where(notes["note_id"].isin(list(heard)), "accepted", "auto"))
    again = propose([claim()], after, seed=5)
    assert again.queue.empty and again.needs[0].settled
    rng = np.random.default_rng(1)
    for _ in range(3):  # any notes, as many as the limit allows
        unheard = after.index[after["reviewed"] == "auto"]
        gone = rng.choice(unheard, int(done.at_most * len(unheard)), replace=False)
        left = after.assign(reviewed=after["reviewed"].where(~after.index.isin(gone), "rejected"))
        assert needs_of([claim()], left)[0].verdict == "supported"


def test_claims_that_few_notes_settle_come_first():
    notes = corpus(0.6).assign(extent_cents=corpus(0.24)["rate_hz"])
    hanging = Claim(
        "wider", "s is wider.", "extent_cents", Contrast("region", "n", "s"), "higher", scale="log"
    )
    proposal = propose([hanging, claim()], notes)
    wider, faster = proposal.needs
    assert wider.needed > faster.needed == 10
    assert len(proposal.queue) == wider.needed
    assert proposal.queue["player"].head(10).nunique() == 10
    assert faster.after(dict.fromkeys(proposal.queue["note_id"].head(10), True)).settled


def test_notes_left_out_and_trills_count_as_wrong():
    notes = corpus(0.6)
    notes.loc[0, "reviewed"] = "rejected"
    notes.loc[1, ["reviewed", "note_kind", "rate_hz"]] = "edited", "trill", np.nan
    notes.loc[2, "reviewed"] = "accepted"
    (need,) = needs_of([claim()], notes)
    assert (need.heard, need.wrong, len(need.unheard)) == (3, 2, 237)
    again = need.after(dict(zip(notes["note_id"][:3], (False, False, True), strict=True)))
    assert (again.heard, again.wrong, again.needed) == (3, 2, need.needed)


def test_wrong_notes_ask_for_more():
    notes = corpus(0.6)
    (need,) = needs_of([claim()], notes)
    ids = notes["note_id"].tolist()[: need.needed]
    worse = need.after({note: i % 4 != 0 for i, note in enumerate(ids)})
    assert worse.wrong == -(-len(ids) // 4) and not worse.settled and worse.needed > need.needed


def test_what_cannot_be_tested_needs_no_ear():
    need = needs_of([claim(start="x")], corpus(0.5))[0]
    assert need.verdict == "not testable here" and need.settled and need.needed == 0
    assert "cannot tell" in need.words()
    proposal = propose([claim(start="x")], corpus(0.5))
    assert proposal.queue.empty
    with pytest.raises(VibstudyError, match="no claim"):
        propose([], corpus(0.5))
    with pytest.raises(VibstudyError, match="player"):
        needs_of([claim()], corpus(0.5).drop(columns="player"))


def test_the_same_seed_proposes_the_same_notes():
    notes = corpus(0.5)
    first, same, other = (propose([claim()], notes, seed=s).queue["note_id"].tolist() for s in (1, 1, 2))
    assert first == same != other and len(set(first)) == len(first)
    fewer = propose([claim()], notes, decided=first[:5]).queue["note_id"]
    assert not set(first[:5]) & set(fewer)


def test_every_note_heard_is_the_end():
    need = Need("c", "undecided", 0.0, frozenset({"a", "b"}), frozenset(), {}, 2, 1)
    assert need.settled and "every note" in need.words()
    hanging = Need("c", "supported", 0.0, frozenset({"a", "b"}), frozenset({"a", "b"}), {}, 0, 0)
    assert not hanging.settled and "hear all 2" in hanging.words()
    assert SHARES[0] == 0.0
