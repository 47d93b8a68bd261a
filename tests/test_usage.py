"""The usage model: context of notes, continuity and ornament gap, whole pulses to the beat.

Outside checks: Newcombe's published example, Wilson's interval by its own formula, and simulations with
known truth.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.invented_study import invented_notes
from vibstudy.errors import VibstudyError
from vibstudy.figures.usage import along_the_score
from vibstudy.stats.amount import player_amounts
from vibstudy.stats.selection import assessable_notes
from vibstudy.stats.usage import (
    _newcombe,
    add_context,
    design_effect,
    length_class,
    note_tempo,
    recording_correlation,
    scored_notes,
    tempo_test,
    usage_index,
)


def some_notes(**columns) -> pd.DataFrame:
    """A note table with plain columns; what is not given is the same for all notes."""
    frame = pd.DataFrame(columns)
    defaults = {
        "recording_id": "r1",
        "player": "A",
        "duration_s": 1.0,
        "has_vibrato": True,
        "note_kind": "note",
        "quality": "ok",
        "reviewed": "auto",
        "rate_hz": 5.0,
        "extent_cents": 20.0,
    }
    for name, value in defaults.items():
        if name not in frame:
            frame[name] = value
    return frame


def presence_corpus(
    rng: np.random.Generator, chances: dict[str, float], recordings: int, notes: int, spread: float
) -> pd.DataFrame:
    """Players with known chances of vibrato; on the logit scale recordings differ by `spread`."""
    rows = []
    for player, chance in chances.items():
        for r in range(recordings):
            own = 1 / (1 + np.exp(-(np.log(chance / (1 - chance)) + spread * rng.standard_normal())))
            for has in rng.random(notes) < own:
                rows.append((player, f"{player}{r}", float(rng.uniform(0.3, 2)), bool(has)))
    frame = pd.DataFrame(rows, columns=["player", "recording_id", "duration_s", "has_vibrato"])
    return some_notes(**{name: frame[name] for name in frame})


# --- context


def test_context_by_hand():
    notes = some_notes(
        onset_s=[0.0, 0.5, 1.0, 3.0, 4.0],
        offset_s=[0.5, 1.0, 2.0, 3.25, 4.5],
        pitch_hz=[220.0, 440.0, 220.0, 220.0, 220.0],
        level_db=[-20.0, -14.0, -20.0, -20.0, -23.0],
    )
    context = add_context(notes.sample(frac=1, random_state=1))
    assert context["phrase"].tolist() == [1, 1, 1, 2, 3]
    assert context["place"].tolist() == ["first", "inside", "last", "alone", "alone"]
    assert context["phrase_peak"].tolist() == [False, True, False, True, True]
    assert context["doublings"].tolist() == [0, 0, 1, -1, 0]
    assert context["register_octaves"].tolist() == [0, 1, 0, 0, 0]
    assert context["loudness_db"].tolist() == [0, 6, 0, 0, -3]


def scored(**columns) -> pd.DataFrame:
    """Eight notes of two bars of four beats at 120 beats a minute, laid on their score."""
    count = 8
    onset = 0.5 * np.arange(count)
    standard = {
        "note_id": [f"r1/{k}" for k in range(count)],
        "onset_s": onset,
        "offset_s": onset + 0.45,
        "pitch_hz": 440 * 2 ** (np.arange(count) / 12),
        "level_db": -20.0,
        "score_match": ["matched"] * 6 + ["unsure", "added"],
        "written_midi": [*range(78, 85), np.nan],
        "notated_beats": [1.0, 0, 2, 1, 0.5, 1, 1, np.nan],
        "measure": [1, 1, 1, 1, 2, 2, 2, np.nan],
        "beat": [1.0, 2, 3, 4, 1, 2, 3, np.nan],
        "slur_position": ["first", "inside", "last", "none", "first", "last", "none", None],
        "dynamic": ["p", "p", "p", "p", "mf", "mf", "ff", None],
        "local_tempo_bpm": [120.0] * 7 + [np.nan],
        "vibrato_onset_s": 0.1,
        "vibrato_fraction": 0.5,
        "has_vibrato": [True, False] * 4,
    }
    return some_notes(**(standard | columns))


def test_terms_of_the_score_by_hand():
    context = add_context(scored())
    assert context["notated_doublings"].tolist() == pytest.approx(
        [0, np.nan, 1, 0, -1, 0, 0, np.nan], nan_ok=True
    )
    assert context["dynamic_steps"].tolist() == pytest.approx([-2] * 4 + [0, 0, 2, np.nan], nan_ok=True)


def test_only_sure_notes_of_the_score_are_modelled():
    written = scored_notes(add_context(scored()))
    assert written["note_id"].tolist() == [f"r1/{k}" for k in range(6)]
    assert list(written["slur_position"].cat.categories) == ["none", "first", "inside", "last"]


def test_without_a_score_one_is_told_how_to_give_it():
    with pytest.raises(VibstudyError, match="score_path"):
        scored_notes(add_context(invented_notes(players=2)))


def test_tempo_of_the_note_before_that_of_the_manifest():
    notes = scored(tempo_bpm=90.0)
    assert note_tempo(notes).tolist() == [120.0] * 7 + [90.0]
    assert note_tempo(notes.drop(columns="tempo_bpm")).isna().sum() == 1
    assert note_tempo(some_notes(onset_s=[0.0])).isna().all()


def test_a_passage_beside_its_score():
    line = pd.DataFrame({"time_s": np.arange(0, 4, 0.01), "f0_hz": 440.0})
    figure, table = along_the_score(line, scored())
    above, strip = figure.axes
    bars = {round(float(lined.get_xdata()[0]), 3) for lined in strip.lines}
    assert bars == {0.0, 2.0}  # a bar is four beats of half a second
    assert {text.get_text().strip() for text in strip.texts} == {"1", "2", "p", "mf", "ff"}
    assert table["vibrato_start_s"].dropna().tolist() == pytest.approx([0.1, 1.1, 2.1, 3.1])
    assert table["vibrato_end_s"].dropna().tolist() == pytest.approx([0.325, 1.325, 2.325, 3.325])
    assert "n = 8 notes, 4 with vibrato" in figure.caption
    filled = [patch for patch in strip.patches if patch.get_width() == pytest.approx(0.225)]
    assert len(filled) == 4
    assert above.get_ylabel() == "Pitch"


def test_a_passage_off_the_score_says_so():
    line = pd.DataFrame({"time_s": [0.0], "f0_hz": [440.0]})
    with pytest.raises(VibstudyError, match="choose another passage"):
        along_the_score(line, scored(measure=np.nan))


def test_phrases_do_not_run_on_from_one_recording_to_the_next():
    notes = some_notes(
        recording_id=["a", "b"], onset_s=[0.0, 0.5], offset_s=[0.5, 1.0], pitch_hz=[220.0, 220.0]
    )
    assert add_context(notes)["place"].tolist() == ["alone", "alone"]


def test_length_classes_are_thirds():
    classes = length_class(pd.Series(np.arange(1, 10, dtype=float)))
    assert list(classes) == ["short"] * 3 + ["middle"] * 3 + ["long"] * 3


# --- the index


def test_newcombe_published_example():
    """56/70 against 48/80: Newcombe 1998, Stat. Med. 17:873-890, table II, method 10 (from memory)."""
    assert _newcombe(56 / 70, 70, 48 / 80, 80) == pytest.approx((0.0524, 0.3339), abs=5e-5)


def test_index_by_hand():
    """Three notes in each third, all long ones and one short one with vibrato."""
    has = [True, False, False, True, True, False, True, True, True]
    table = usage_index(some_notes(duration_s=np.arange(1, 10, dtype=float), has_vibrato=has))
    row = table.iloc[0]
    assert row["continuity"] == pytest.approx((1 / 3 + 2 / 3 + 1) / 3)
    assert row["gap"] == pytest.approx(1 - 1 / 3)
    assert row["share"] == pytest.approx(6 / 9)
    assert "one recording a player" in row["remark"]


def test_a_player_of_slow_pieces_is_not_more_continuous_for_it():
    """Two players with the same chance at each length, one with many long notes, one with many short."""
    rows = []
    for player, counts in (("slow", (30, 60, 90)), ("fast", (90, 60, 30))):
        for length, count in zip((0.4, 0.8, 1.6), counts, strict=True):
            share = {0.4: 1 / 3, 0.8: 1 / 2, 1.6: 1.0}[length]
            hits = round(share * count)
            rows += [(player, f"{player}{k % 3}", length, k < hits) for k in range(count)]
    notes = pd.DataFrame(rows, columns=["player", "recording_id", "duration_s", "has_vibrato"])
    table = usage_index(some_notes(**{name: notes[name] for name in notes})).set_index("player")
    assert table.loc["slow", "share"] - table.loc["fast", "share"] > 0.2
    assert table.loc["slow", "continuity"] == pytest.approx(table.loc["fast", "continuity"])


def test_players_are_named_by_their_use():
    table = usage_index(invented_notes(16, 3, 40)).set_index("player")["use"]
    # The corpus is made so that players alternate.
    kinds = [table[f"Player {name}"] for name in ("Birch", "Dogwood", "Fern", "Aster", "Cedar", "Gorse")]
    assert kinds == ["continuous"] * 3 + ["ornamental"] * 3
    straight = usage_index(invented_notes(4, 3, 40, vibrato=False))
    assert (straight["use"] == "straight").all() and (straight["continuity"] == 0).all()
    assert (straight["continuity_high"] > 0).all()


def test_design_effect_is_kishs():
    notes = some_notes(recording_id=["a"] * 10 + ["b"] * 10)
    assert design_effect(notes, 0.1) == pytest.approx(1 + 9 * 0.1)
    assert design_effect(notes, 0.0) == 1
    assert design_effect(notes, float("nan")) == 1


def test_recordings_that_agree_have_no_correlation_and_others_do():
    rng = np.random.default_rng(5)
    chances = {f"p{k}": 0.5 for k in range(40)}
    assert recording_correlation(presence_corpus(rng, chances, 4, 30, 0.0)) < 0.02
    rho = recording_correlation(presence_corpus(rng, chances, 4, 30, 1.0))
    # On the probability scale, the variance of the chances over p(1-p), from the same distribution.
    drawn = 1 / (1 + np.exp(-np.random.default_rng(6).standard_normal(200_000)))
    assert rho == pytest.approx(np.var(drawn) / 0.25, abs=0.03)


@pytest.mark.parametrize("spread", [0.0, 0.7])
def test_intervals_cover_the_truth(spread):
    """Nominal 95 %; 30 corpora of 10 players. Without the design effect the second row would be near 75 %."""
    rng = np.random.default_rng(11)
    chances = {f"p{k}": chance for k, chance in enumerate(np.linspace(0.15, 0.85, 10))}
    inside = []
    for _ in range(30):
        notes = presence_corpus(rng, chances, 4, 25, spread)
        table = usage_index(notes).set_index("player")
        for player, chance in chances.items():
            logit = np.log(chance / (1 - chance)) + spread * np.random.default_rng(1).standard_normal(4000)
            truth = np.mean(1 / (1 + np.exp(-logit)))
            row = table.loc[player]
            inside.append(row["continuity_low"] <= truth <= row["continuity_high"])
    assert 0.91 <= np.mean(inside) <= 0.99


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from("ABC"), st.sampled_from("xyz"), st.booleans()), min_size=1, max_size=40
    )
)
def test_index_stays_within_its_bounds(rows):
    frame = pd.DataFrame(rows, columns=["player", "recording", "has_vibrato"])
    notes = some_notes(
        player=frame["player"],
        recording_id=frame["player"] + frame["recording"],
        has_vibrato=frame["has_vibrato"],
        duration_s=np.linspace(0.4, 2, len(frame)),
    )
    table = usage_index(notes)
    low, middle, high = (
        table[name].to_numpy(float) for name in ("continuity_low", "continuity", "continuity_high")
    )
    assert ((low >= -1e-9) & (low <= middle + 1e-9) & (middle <= high + 1e-9) & (high <= 1 + 1e-9)).all()
    gaps = table.dropna(subset=["gap"])
    assert ((gaps["gap_low"] <= gaps["gap"] + 1e-9) & (gaps["gap"] <= gaps["gap_high"] + 1e-9)).all()
    assert table["notes"].sum() == len(frame)


# --- rate and tempo


def beat_corpus(rng: np.random.Generator, players: int, keeps_pulses: bool) -> pd.DataFrame:
    rows = []
    for p in range(players):
        own_rate, pulses = rng.normal(5.5, 0.5), int(rng.integers(3, 6))
        for r in range(3):
            tempo = float(rng.uniform(55, 100))
            rate = pulses * tempo / 60 if keeps_pulses else own_rate * np.exp(0.03 * rng.standard_normal())
            for _ in range(15):
                rows.append((f"p{p}", f"p{p}r{r}", rate * np.exp(0.02 * rng.standard_normal()), tempo))
    frame = pd.DataFrame(rows, columns=["player", "recording_id", "rate_hz", "tempo_bpm"])
    notes = some_notes(**{name: frame[name] for name in frame})
    return notes.assign(pulses_per_beat=notes["rate_hz"] * 60 / notes["tempo_bpm"])


def test_whole_pulses_are_found():
    test = tempo_test(beat_corpus(np.random.default_rng(3), 8, keeps_pulses=True))
    assert test.statistic > 0.7 and test.p < 0.002


def test_rates_that_ignore_the_beat_are_seldom_called_whole():
    """Nominal 5 %; 160 corpora without any relation: binomial 95 % range about 2 to 9 %."""
    rng = np.random.default_rng(8)
    p = np.array([tempo_test(beat_corpus(rng, 6, False), draws=200).p for _ in range(160)])
    assert 0.01 <= np.mean(p < 0.05) <= 0.09
    assert 0.40 <= np.mean(p) <= 0.60


def test_statistic_by_hand():
    """Whole pulses give 1, half pulses -1; recordings count the same."""
    notes = some_notes(
        recording_id=["a", "b", "b", "b"], pulses_per_beat=[4.0, 4.5, 4.5, 4.5], rate_hz=[5.0] * 4
    )
    assert tempo_test(notes, draws=10).statistic == pytest.approx(0.0, abs=1e-9)
    assert tempo_test(notes.iloc[:1], draws=10).statistic == pytest.approx(1.0)


def test_four_to_the_beat_at_72_is_288_pulses_a_minute():
    """Arithmetic: 4 x 72 = 288 a minute = 4.8 Hz."""
    notes = invented_notes(2, 1, 5).assign(rate_hz=4.8, tempo_bpm=72.0)
    assert (notes["rate_hz"] * 60 / notes["tempo_bpm"]).iloc[0] == pytest.approx(4.0)


def test_draws_come_from_the_seed_alone():
    notes = beat_corpus(np.random.default_rng(3), 4, False)
    state = np.random.get_state()[1].copy()  # noqa: NPY002  (that the global state is left alone)
    first, second, other = (tempo_test(notes, seed=seed).p for seed in (1, 1, 2))
    assert first == second != other
    assert (np.random.get_state()[1] == state).all()  # noqa: NPY002


def test_no_tempo_says_how_to_give_one():
    with pytest.raises(VibstudyError, match="tempo_bpm in the manifest"):
        tempo_test(invented_notes(2, 1, 20).assign(pulses_per_beat=np.nan))


def test_a_vibrato_in_loudness_alone_counts_as_vibrato_and_has_no_extent():
    notes = some_notes(duration_s=[1.0] * 4, has_vibrato=[True, False, False, pd.NA])
    notes["vibrato_in"] = ["pitch", "loudness", None, "loudness"]
    notes.loc[1:, ["rate_hz", "extent_cents"]] = np.nan
    assert assessable_notes(notes)["has_vibrato"].tolist() == [True, True, False, True]
    assert assessable_notes(notes.drop(columns="vibrato_in"))["has_vibrato"].tolist() == [True, False, False]
    row = usage_index(notes).iloc[0]
    assert row["share"] == 0.75
    assert "vibrato in loudness alone: 2 of 3 notes with vibrato" in row["remark"]
    assert player_amounts(notes)["share"].tolist() == [0.25]
