"""Reasons of ``quality`` as cells, and pitch in Hz, cents and notes (beside librosa's conversions)."""

from __future__ import annotations

import librosa
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibstudy.schema import HARMLESS, QUALITY_REASONS, REASONS, quality_of, reasons_of
from vibstudy.units import nearest_note, to_cents, to_hz, to_midi


@given(st.lists(st.sampled_from(list(QUALITY_REASONS))))
def test_a_cell_holds_each_reason_once_in_the_order_of_the_table(given_reasons):
    cell = quality_of(given_reasons)
    assert reasons_of(cell) == [name for name in QUALITY_REASONS if name in given_reasons]
    assert cell == quality_of(reversed(given_reasons))


@pytest.mark.parametrize("cell", ["ok", None, pd.NA, float("nan")])
def test_no_reason(cell):
    assert reasons_of(cell) == []
    assert quality_of([]) == "ok"


def test_what_a_listener_or_an_older_version_wrote_is_kept():
    assert quality_of(["by ear", "noisy"]) == "noisy;by ear"


def test_every_rule_tells_its_limit():
    for reason in REASONS:
        assert ("{limit" in reason.rule) == np.isfinite(reason.limit), reason
    remarks = {"noisy", "clipped", "gap", "few_cycles", "edge_unsure", "outlier_harmonics"}
    assert {"ok", *remarks} == HARMLESS  # an error says what they cost; another's note no error heals


@settings(deadline=None)  # librosa loads slowly
@given(st.floats(20.0, 4000.0), st.floats(400.0, 470.0))
def test_notes_and_cents_agree_with_librosa(f0_hz, tuning_hz):
    expected = float(librosa.hz_to_midi(f0_hz * 440.0 / tuning_hz))
    assert to_midi(f0_hz, tuning_hz) == pytest.approx(expected)
    midi, cents = nearest_note(f0_hz, tuning_hz)
    assert midi + cents / 100.0 == pytest.approx(expected) and abs(cents) <= 50.0
    assert to_hz(to_cents(f0_hz, tuning_hz), tuning_hz) == pytest.approx(f0_hz)
    assert to_cents(f0_hz, tuning_hz) == pytest.approx(100.0 * (expected - 69.0))
