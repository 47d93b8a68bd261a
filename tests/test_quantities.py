"""The one frame of results: counted by hand, and found again wherever a number is printed."""

from __future__ import annotations

import json
import re

import numpy as np
import pandas as pd
import pytest

from tests.frame_numbers import found, missing, numbers_of
from tests.invented_study import invented_notes
from tests.test_package import write_measured_study
from vibstudy.corpus.tables import write_frame
from vibstudy.figures.quantities import (
    LEFT_OUT,
    of_kind,
    player_means,
    quantities,
    row,
    value_of,
    why_left_out,
    write_quantities,
)
from vibstudy.figures.quantity_rows import effect_rows
from vibstudy.pages.corpus import corpus_page
from vibstudy.pages.first_look import write_first_look
from vibstudy.schema import LOG_COLUMNS, QUANTITY_COLUMNS


@pytest.fixture(scope="module")
def notes() -> pd.DataFrame:
    table = invented_notes(players=4, recordings=2, notes=14)
    straight = table["player"].eq("Player Dogwood")
    table.loc[straight & table["has_vibrato"].notna(), "has_vibrato"] = False
    table.loc[straight, ["rate_hz", "extent_cents"]] = np.nan
    return table


@pytest.fixture(scope="module")
def frame(notes) -> pd.DataFrame:
    return quantities(notes)


def test_counts_have_their_numerator_and_denominator(notes, frame):
    share = frame[(frame["kind"] == "study") & (frame["quantity"] == "share_with_vibrato")].iloc[0]
    judged = value_of(frame, "study", "study", "notes_judged")
    heard = value_of(frame, "study", "study", "notes_judged_with_vibrato")
    assert (share["numerator"], share["denominator"]) == (heard, judged)
    assert share["value"] == pytest.approx(100 * heard / judged) and "long enough" in share["rule"]
    assert value_of(frame, "study", "study", "notes") == len(notes)


def test_a_straight_player_is_a_row(frame):
    table = of_kind(frame, "player").set_index("name")
    straight = table.loc["Player Dogwood"]
    assert straight["share_with_vibrato"] == 0 and straight["share_with_vibrato_high"] > 0
    assert np.isnan(straight["rate_hz"]) and straight["notes_vibrato"] == 0 and straight["notes_judged"] > 0


def test_the_interval_of_a_player_by_hand():
    """Two players, two recordings each: pooled scatter of recordings about their player, 2 degrees of
    freedom.

    t(0.975, 2) = 4.303 (tables of Student's t).
    """
    rows = [("A", "a1", 5.0), ("A", "a2", 5.4), ("B", "b1", 6.0), ("B", "b2", 6.2)]
    notes = pd.DataFrame(rows, columns=["player", "recording_id", "rate_hz"])
    notes = notes.assign(has_vibrato=True, extent_cents=20.0)
    table = player_means(notes, "rate_hz")
    spread = np.sqrt((2 * 0.2**2 + 2 * 0.1**2) / 2)
    assert table.loc["A", "value"] == pytest.approx(5.2)
    assert table.loc["A", "high"] - 5.2 == pytest.approx(4.303 * spread / np.sqrt(2), rel=1e-4)
    alone = player_means(notes.drop_duplicates("player"), "rate_hz")
    assert alone["low"].isna().all()


def test_each_note_left_out_has_one_reason():
    table = pd.DataFrame(
        {
            "note_kind": ["note", "trill", "note", "note", "note", "note", "note"],
            "reviewed": ["auto", "auto", "rejected", "auto", "auto", "auto", "auto"],
            "quality": ["ok", "ok", "ok", "too_short;masked", "masked;noisy", "few_cycles", "ok"],
            "usable": [True, True, True, False, False, True, True],
            "has_vibrato": pd.array([True, True, True, pd.NA, True, True, pd.NA], dtype="boolean"),
            "rate_hz": 5.0,
            "extent_cents": 20.0,
        }
    )
    wanted = ["", "no_note", "rejected", "too_short", "masked", "", "no_answer"]
    assert why_left_out(table).tolist() == wanted
    assert set(wanted) - {""} <= set(LEFT_OUT)


def test_no_key_stands_twice(notes, frame):
    assert not frame.duplicated(["kind", "name", "quantity"]).any()
    again = row("study", "study", "notes", 3.0, "notes", "found")
    with pytest.raises(ValueError, match="study, study, notes stands twice"):
        quantities(notes, further=[again])


def test_the_parts_of_every_side_sum_to_its_notes(frame):
    for kind in ("study", "player", "recording", "decade", "medium"):
        table = of_kind(frame, kind)
        parts = [name for name in table if name.startswith("left_out_")]
        assert (table[["notes_usable", *parts]].sum(axis=1) == table["notes"]).all(), kind


def test_the_frame_is_written_and_described(frame, tmp_path):
    write_quantities(tmp_path, frame)
    described = json.loads((tmp_path / "datapackage.json").read_text(encoding="utf-8"))["resources"]
    fields = {field["name"]: field for field in described[0]["schema"]["fields"]}
    assert described[0]["path"] == "quantities.csv"
    assert list(fields) == [column.name for column in QUANTITY_COLUMNS]
    back = pd.read_csv(tmp_path / "quantities.csv")
    np.testing.assert_allclose(back["value"], frame["value"].astype(float))


def test_what_cannot_be_judged_has_no_value():
    effects = pd.DataFrame(
        [{"model": "rate", "variant": "", "words": "from one decade to the next", "estimate": np.nan,
        "low": np.nan,
          "high": np.nan, "unit": "Hz", "se": np.nan, "df": np.nan, "t": np.nan, "p": np.nan, "players": 4,
          "recordings": 8, "notes": 90}]
    )  # fmt: skip
    rows = effect_rows(effects)
    assert np.isnan(rows[0]["value"]) and rows[-1]["value"] == 90


def test_the_corpus_page_prints_the_frame(notes, frame):
    """Each number of its table under the recording's own name, and the same n as everywhere."""
    recordings = notes.drop_duplicates("recording_id").assign(tuning_hz=441.5)
    own = quantities(notes, recordings)
    rows = corpus_page(recordings, notes).table
    assert len(rows) == recordings["recording_id"].nunique()
    for printed in rows:
        here = own[(own["kind"] == "recording") & (own["name"] == printed["id"])]
        units = {"rate": "Hz", "extent": "cents", "tuning": "Hz"}
        told = [f"{printed[name]} {unit}" for name, unit in units.items() if printed[name]]
        assert len(told) >= 1 and missing(here, f"{', '.join(told)}, {printed['share']}") == []
        assert int(printed["notes"]) == value_of(own, "recording", printed["id"], "notes")
        usable, of, *why = (int(number) for number, _ in numbers_of(printed["trusted"]))
        assert usable == value_of(own, "recording", printed["id"], "notes_usable")
        assert of == int(printed["notes"]) == usable + sum(why)
    for kind in ("notes", "notes_usable"):
        assert of_kind(own, "recording")[kind].sum() == value_of(frame, "study", "study", kind)


FIRST_LOOK = {
    2: "recordings", 3: "notes", 4: "notes_judged", 5: "notes_judged_with_vibrato", 6: "notes_vibrato",
    7: "rate_hz", 8: "extent_cents",
}  # fmt: skip
"""Columns of the table of the first look, and the quantities they are."""


def test_the_first_look_prints_the_frame(notes, frame, tmp_path):
    folder = write_measured_study(tmp_path, notes)
    log = pd.DataFrame({"recording_id": notes["recording_id"].unique(), "success": True, "message": ""})
    write_frame(folder / "results/log.csv", log, LOG_COLUMNS)
    page = write_first_look(folder / "results").read_text(encoding="utf-8")
    rows = [re.findall(r"<td[^>]*>(.*?)</td>", row) for row in re.findall(r"<tr><td>.*?</tr>", page)]
    assert [row[0] for row in rows] == sorted(of_kind(frame, "player")["name"])
    for row_ in rows:
        for place, quantity in FIRST_LOOK.items():
            value, printed = value_of(frame, "player", row_[0], quantity), row_[place - 1]
            if np.isnan(value):
                assert printed in ("straight", "")
            else:
                assert float(printed) == pytest.approx(
                    value, abs=0.5 * 10.0 ** -len(printed.partition(".")[2])
                )
    assert any("straight" in row_ for row_ in rows) and "medians" not in page
    assert "demonstration are invented" not in page
    (folder / "truth").mkdir()
    (folder / "truth" / "truth.csv").touch()
    assert "demonstration are invented" in write_first_look(folder / "results").read_text(encoding="utf-8")


def test_the_finder_finds_and_misses():
    frame = pd.DataFrame(
        [{"value": 61.03, "unit": "%", "numerator": 36.0, "denominator": 59.0, "rule": "notes found"}]
    ).reindex(columns=[column.name for column in QUANTITY_COLUMNS])
    text = "In 1930 36 of 59 notes, 61 % (Holm 1979), Figure 3, “about 12 Hz”, decade 2000 against 1930"
    assert numbers_of(text) == [("36", ""), ("59", "notes"), ("61", "%")]
    assert missing(frame, text) == []
    assert missing(frame, "62 %, 61 Hz, 37 notes") == [("62", "%"), ("61", "Hz"), ("37", "notes")]
    assert found(frame, "61.0", "%") and not found(frame, "61.1", "%")
