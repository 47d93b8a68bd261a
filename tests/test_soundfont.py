"""The main job on sound from outside the project: sampled saxophones whose vibrato is a published one.

Source: SoundFont Technical Specification 2.04. Section 8.4.6 (default modulators): MIDI controller 1 turns
the vibrato oscillator up to 50 cents; section 8.1.3: that oscillator runs at 8.176 Hz by default; section
9.1.6: it is a triangle. A controller value c stands for c/128 of its range (section 9.5.3; from memory).
Extent is half of peak-to-peak, so that a triangle of 50 cents peak has an extent of 50 cents (its first
harmonic is 8/pi² of that, 40.5).
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from tests.fluid import BARITONE_SAX, CLARINET, TENOR_SAX, TRUMPET, Tone, need_fluidsynth, render
from vibstudy import measure_recording

RATE_HZ, DEPTH_CENTS = 8.176, 50.0

LINE = [Tone(0.5 + 2.2 * n, 1.9 + 2.2 * n, midi) for n, midi in enumerate((53, 55, 58, 60, 63))]
"""Long notes, far enough apart for the samples to die away."""

CHORDS = [
    Tone(tone.onset_s, tone.onset_s + 1.9, tone.midi - below, velocity=80)
    for tone in LINE
    for below in (24, 17, 8)
]
"""An open major chord under each note: root two octaves below, fifth, third."""


def _heard(found: pd.DataFrame, tone: Tone) -> pd.Series:
    """Return the note that shares most time with `tone`."""
    begin = found["onset_s"].clip(lower=tone.onset_s)
    shared_s = found["offset_s"].clip(upper=tone.offset_s) - begin
    return found.loc[shared_s.idxmax()]


@pytest.mark.parametrize(
    ("program", "cc1"),
    [(TENOR_SAX, 127), (TENOR_SAX, 75), (BARITONE_SAX, 127), (CLARINET, 100), (TRUMPET, 100)],
    ids=str,
)
def test_solo_instrument_has_the_published_vibrato(program: int, cc1: int, tmp_path: Path) -> None:
    need_fluidsynth()
    found = measure_recording(render(tmp_path / "solo.wav", LINE, program, cc1=cc1))
    for tone in LINE:
        note = _heard(found, tone)
        assert note["midi"] == tone.midi
        assert abs(note["pitch_cents"]) < 15
        assert note["has_vibrato"]
        assert note["rate_hz"] == pytest.approx(RATE_HZ, abs=0.05)
        assert note["extent_cents"] == pytest.approx(DEPTH_CENTS * cc1 / 128, abs=1.5)
        assert note["waveform"] == pytest.approx(1, abs=0.25)


def test_saxophone_is_measured_through_a_piano(tmp_path: Path) -> None:
    """The saxophone is about 10 dB louder than the piano."""
    need_fluidsynth()
    path = render(
        tmp_path / "duo.wav", LINE, TENOR_SAX, cc1=127, accompaniment=CHORDS, accompaniment_volume=90
    )
    found = measure_recording(path)
    for tone in LINE:
        note = _heard(found, tone)
        assert note["midi"] == tone.midi
        assert abs(note["onset_s"] - tone.onset_s) < 0.05
        assert abs(note["pitch_cents"]) < 15
        assert note["rate_hz"] == pytest.approx(RATE_HZ, abs=0.15)
        assert note["extent_cents"] == pytest.approx(DEPTH_CENTS * 127 / 128, abs=2.5)


def test_without_the_controller_there_is_next_to_no_vibrato(tmp_path: Path) -> None:
    """The vibrato above is the modulator's: the tenor saxophone's own samples are nearly straight."""
    need_fluidsynth()
    found = measure_recording(render(tmp_path / "straight.wav", LINE, TENOR_SAX, cc1=0))
    for tone in LINE:
        extent = _heard(found, tone)["extent_cents"]
        assert pd.isna(extent) or extent < 8
