"""Render MIDI with FluidSynth and its General MIDI soundfont: an instrument from outside the project.

Debian packages ``fluidsynth`` and ``fluid-soundfont-gm``. Reverb and chorus are off, so that nothing
but the sample and its modulators sounds.

SoundFont Technical Specification 2.04, section 8.4.6: by default MIDI controller 1 adds up to 50 cents
of vibrato-oscillator depth to the pitch. Section 8.1.3: that oscillator (``freqVibLFO``, 0 absolute
cents) runs at 8.176 Hz; section 9.1.6: it is a triangle.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import mido
import pytest

SOUNDFONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
SAMPLE_RATE_HZ = 44_100
TENOR_SAX, BARITONE_SAX, PIANO, TRUMPET, CLARINET = 66, 67, 0, 56, 71
"""General MIDI programs, counted from 0."""

_TICKS_A_SECOND = 1000


@dataclass(frozen=True)
class Tone:
    """One note to play: s from the beginning, MIDI number, velocity."""

    onset_s: float
    offset_s: float
    midi: int
    velocity: int = 100

    @property
    def pitch_hz(self) -> float:
        """Tempered pitch at A4 = 440 Hz."""
        return 440 * 2 ** ((self.midi - 69) / 12)


def need_fluidsynth() -> None:
    """Skip the test where FluidSynth is not installed, and say what to install; fail in CI."""
    if shutil.which("fluidsynth") and SOUNDFONT.exists():
        return
    message = f"needs fluidsynth and {SOUNDFONT}: apt-get install fluidsynth fluid-soundfont-gm"
    if os.environ.get("CI") == "true":
        pytest.fail(message)
    pytest.skip(message)


def render(
    path: Path,
    tones: Sequence[Tone],
    program: int,
    *,
    cc1: int = 0,
    accompaniment: Sequence[Tone] = (),
    accompaniment_program: int = PIANO,
    accompaniment_volume: int = 127,
) -> Path:
    """Render a line, with or without accompaniment, to a stereo WAV file at `path`; return it.

    Parameters
    ----------
    path : Path
        The WAV file to write; the MIDI file is left beside it.
    tones, accompaniment : sequence of Tone
        What the soloist and the accompanist play.
    program, accompaniment_program : int
        General MIDI programs, from 0.
    cc1 : int
        Modulation (MIDI controller 1) of the soloist, 0 to 127.
    accompaniment_volume : int
        MIDI controller 7 of the accompanist, 0 to 127.
    """
    score = mido.MidiFile(ticks_per_beat=_TICKS_A_SECOND)
    solo = [mido.Message("control_change", control=1, value=cc1)]
    score.tracks.append(_track(tones, program, 0, solo))
    volume = [mido.Message("control_change", channel=1, control=7, value=accompaniment_volume)]
    score.tracks.append(_track(accompaniment, accompaniment_program, 1, volume))
    midi_path = path.with_suffix(".mid")
    score.save(midi_path)
    command = ["fluidsynth", "-ni", "-q", "-g", "0.5", "-R", "0", "-C", "0", "-r", str(SAMPLE_RATE_HZ)]
    subprocess.run(
        [*command, "-F", str(path), str(SOUNDFONT), str(midi_path)],
        check=True,
        capture_output=True,
        timeout=60,
    )
    return path


def _track(tones: Sequence[Tone], program: int, channel: int, controls: list[mido.Message]) -> mido.MidiTrack:
    timed = [(0.0, mido.Message("program_change", channel=channel, program=program))]
    timed += [(0.0, control) for control in controls]
    for tone in tones:
        named = {"channel": channel, "note": tone.midi}
        timed.append((tone.onset_s, mido.Message("note_on", velocity=tone.velocity, **named)))
        timed.append((tone.offset_s, mido.Message("note_off", **named)))
    timed.sort(key=lambda entry: (entry[0], entry[1].type == "note_on"))
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=1_000_000)])
    last = 0
    for at_s, message in timed:
        tick = round(at_s * _TICKS_A_SECOND)
        track.append(message.copy(time=tick - last))
        last = tick
    track.append(mido.MetaMessage("end_of_track", time=_TICKS_A_SECOND))
    return track
