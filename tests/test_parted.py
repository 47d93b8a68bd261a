"""Notes that a room parted: joined where they swing, left alone where they do not or were tongued."""

import itertools

import numpy as np
import pytest

from vibstudy.pitch.contour import Contour
from vibstudy.vibrato.oversegmentation import merge_oversegmented

RATE_HZ, F0_HZ, END_S = 22_050, 440.0, 1.4
CUTS_S = (0.5, 0.7, 0.9)


def swinging(extent_cents: float, gap_s: float = 0.0) -> np.ndarray:
    """Six harmonics of a swinging tone with noise 20 dB below; all silent `gap_s` before and after 0.7 s."""
    t = np.arange(int((END_S + 0.2) * RATE_HZ)) / RATE_HZ
    cents = extent_cents * np.sin(2 * np.pi * 5.5 * t)
    phase = 2 * np.pi * np.cumsum(F0_HZ * 2 ** (cents / 1200)) / RATE_HZ
    sound = sum(np.cos(k * phase) / k for k in range(1, 7))
    sound = sound * np.clip((t - 0.1) / 0.03, 0, 1) * np.clip((END_S - t) / 0.03, 0, 1)
    if gap_s:
        sound = sound * np.clip((np.abs(t - 0.7) - gap_s) / 0.02, 0.01, 1)
    return 0.1 * (sound + 0.25 * np.random.default_rng(1).standard_normal(len(t)))


def pieces() -> list[dict]:
    """The tone, cut at `CUTS_S`."""
    edges = (0.1, *CUTS_S, END_S)
    return [
        {"onset_s": a, "offset_s": b, "pitch_hz": F0_HZ, "note_kind": "note", "quality": "ok"}
        for a, b in itertools.pairwise(edges)
    ]


def line() -> Contour:
    time_s = np.arange(0.0, END_S, 0.01)
    return Contour(time_s, np.full(len(time_s), F0_HZ), np.ones(len(time_s)), "flat")


def joined(sound: np.ndarray, rows: list[dict]) -> list[float]:
    return [row["onset_s"] for row in merge_oversegmented(sound, RATE_HZ, line(), rows)]


def test_pieces_of_one_vibrato_are_one_note():
    (whole,) = merge_oversegmented(swinging(30.0), RATE_HZ, line(), pieces())
    assert (whole["onset_s"], whole["offset_s"], whole["note_kind"]) == (0.1, END_S, "note")
    assert whole["pitch_hz"] == pytest.approx(F0_HZ)


@pytest.mark.parametrize(
    ("extent_cents", "unclear", "kind"),
    [(30.0, [1, 3], "unclear"), (30.0, [1, 2], "note"), (20.0, [1, 3], "note")],
)
def test_what_mostly_may_be_a_trill_stays_so(extent_cents, unclear, kind):
    """Where it is as wide as a trill: the room may have swung a piece wider than the whole."""
    rows = pieces()
    for at in unclear:
        rows[at] |= {"note_kind": "unclear", "trill_p": 0.4}
    (whole,) = merge_oversegmented(swinging(extent_cents), RATE_HZ, line(), rows)
    assert (whole["note_kind"], "trill_p" in whole) == (kind, kind == "unclear")


def test_sound_between_the_lines_keeps_pieces_apart_until_their_pitch_is_settled():
    """Others' steady notes an octave below look like an octave of the note's own."""
    t = np.arange(int((END_S + 0.2) * RATE_HZ)) / RATE_HZ
    others = sum(np.cos(np.pi * k * F0_HZ * t + k) / k for k in (1, 3, 5, 7))
    sound = swinging(30.0) + 0.1 * others
    rows = merge_oversegmented(sound, RATE_HZ, line(), pieces())
    assert [row["onset_s"] for row in rows] == [0.1, *CUTS_S]
    (whole,) = merge_oversegmented(sound, RATE_HZ, line(), rows, settled=True)
    assert whole["offset_s"] == END_S


def test_what_was_asked_of_the_same_pieces_is_not_asked_again():
    rows = merge_oversegmented(swinging(30.0, gap_s=0.02), RATE_HZ, line(), pieces())
    again = merge_oversegmented(swinging(30.0), RATE_HZ, line(), rows, settled=True)
    assert [row["onset_s"] for row in again] == [0.1, 0.7]
    rows[0].pop("asked")
    assert len(merge_oversegmented(swinging(30.0), RATE_HZ, line(), rows, settled=True)) == 1


def test_short_pieces_lead_from_no_step_to_the_next():
    """Each lies within 60 cents of the one before, the last a semitone above the first."""
    rows = pieces()
    for row, cents in zip(rows, (0.0, 20.0, 55.0, 100.0), strict=True):
        row["pitch_hz"] = F0_HZ * 2 ** (cents / 1200)
    assert joined(swinging(30.0), rows) == [0.1, 0.9]


def test_cuts_of_a_straight_note_stand():
    assert joined(swinging(0.0), pieces()) == [0.1, *CUTS_S]


def test_a_cut_at_which_all_harmonics_stop_stands():
    assert joined(swinging(30.0, gap_s=0.02), pieces()) == [0.1, 0.7]


@pytest.mark.parametrize("changed", [{"pitch_hz": 466.0}, {"octave_below": 0.9}, {"note_kind": "trill"}])
def test_notes_of_another_pitch_or_kind_are_not_joined(changed):
    rows = pieces()
    rows[2] |= changed
    assert joined(swinging(30.0), rows) == [0.1, 0.7, 0.9]
