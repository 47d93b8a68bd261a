r"""Reference tones: any pitch, with a vibrato that is exactly known.

Definition
----------
The pitch of a tone, in cents about its centre, is

.. math:: c(t) = e(t)\, P(2\pi r (t - d)) \quad (t \ge d), \qquad c(t) = 0 \quad (t < d),

with rate *r*, onset delay *d*, and one cycle *P* of peak 1 that starts at the centre and rises: a sine,
or a triangle. Extent *e* is HALF of peak-to-peak; with growth *g* it changes along a straight line about
its mean, so that the mean over the vibrato is what was asked for. The phase of the sound is the running
integral of :math:`f_0 2^{c/1200}` at the sample rate: nothing jumps, and no table of a cycle is read.

Level may move too, by ± *i* dB at the same rate: in phase it is loudest where the pitch is highest; a
positive phase means that the level leads.

Rates may be told as a teacher tells them: four pulses to a beat at 72 are :math:`4 \cdot 72 / 60 = 4.8`
Hz.

Timbres
-------
pure
    A sine: easiest on analysis, not on the ear.
reed-like
    Harmonics falling with their number, faster above 1.5 kHz. An invented spectrum, not that of any
    instrument. Harmonics keep their amplitude while the pitch moves.

Level
-----
The peak is at -20 dB re full scale unless asked otherwise, and never above -12. Tones are faded in and out
over 50 ms. What that is at the ear depends on the amplifier.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.signal import sawtooth

from vibstudy.corpus.atomic import replacing
from vibstudy.errors import Problem, VibstudyError, raise_any
from vibstudy.sound.writing import fades, wav_bytes
from vibstudy.units import fusion_limit_cents, to_hz

SAMPLE_RATE_HZ = 44_100
PEAK_DBFS = -20.0
HIGHEST_PEAK_DBFS = -12.0
FADE_S = 0.05
GAP_S = 0.6
"""Silence between the tones of a ladder."""

WAVEFORMS = ("sine", "triangle")
TIMBRES = ("pure", "reed-like")

_KNEE_HZ = 1500.0
_HIGHEST_PARTIAL_HZ = 12_000.0

HEARING_CAUTION = (
    "Caution: test tones can hurt. Turn the volume down before you play this, above all with headphones, "
    "and turn it up slowly. Long listening at a high level damages hearing for good."
)

RIGHTS_CAUTION = (
    "Rights: excerpts of a recording stay on this computer unless you send them on. Before you publish or "
    "play them in public, ask what the law of your country allows; a librarian or a lawyer can tell."
)


def outside(limits: Mapping[str, tuple[float, float, str]], of: object) -> list[Problem]:
    """Problems of an object's fields that are outside their limits (low, high, unit)."""
    return [
        Problem(
            f"{_CALLED.get(name, name)} is outside {_from_to(low, high, unit)}",
            got=f"{value:g}",
            repair=_INSIDE,
        )
        for name, (low, high, unit) in limits.items()
        if not low <= (value := getattr(of, name)) <= high
    ]


def _from_to(low: float, high: float, unit: str) -> str:
    sign = "± " * unit.startswith("± ")  # of the numbers, not of their unit
    return f"{sign}{low:g} to {sign}{high:g} {unit.removeprefix(sign)}".rstrip()


_INSIDE = "Choose a value inside"
_CALLED = {"peak_dbfs": "the level (peak_dbfs)"}


@dataclass(frozen=True)
class ToneSpec:
    """What a reference tone is.

    Parameters
    ----------
    pitch_hz : float [range 20..8000]
        Centre.
    rate_hz : float [range 0..20]
        Vibrato cycles a second.
    extent_cents : float [range 0..600]
        HALF of peak-to-peak, mean over the vibrato.
    waveform : {"sine", "triangle"}
        One cycle of the vibrato.
    timbre : {"pure", "reed-like"}
        Spectrum.
    intensity_db : float [range 0..20]
        HALF of the peak-to-peak change of level.
    intensity_phase_deg : float
        0 = loudest where the pitch is highest; positive = the level leads.
    delay_s : float
        Straight beginning.
    growth_cents_per_s : float
        Linear change of extent, about its mean.
    duration_s : float [range 0.2..120]
        Length.
    peak_dbfs : float [range -80..-12]
        Peak, dB re full scale.
    """

    pitch_hz: float = 440.0
    rate_hz: float = 5.0
    extent_cents: float = 20.0
    waveform: str = "sine"
    timbre: str = "reed-like"
    intensity_db: float = 0.0
    intensity_phase_deg: float = 0.0
    delay_s: float = 0.0
    growth_cents_per_s: float = 0.0
    duration_s: float = 4.0
    peak_dbfs: float = PEAK_DBFS

    def __post_init__(self) -> None:
        limits = {
            "pitch_hz": (20.0, 8000.0, "Hz"),
            "rate_hz": (0.0, 20.0, "Hz"),
            "extent_cents": (0.0, 600.0, "± cents"),
            "intensity_db": (0.0, 20.0, "± dB"),
            "duration_s": (0.2, 120.0, "s"),
            "peak_dbfs": (-80.0, HIGHEST_PEAK_DBFS, "dB re full scale"),
            "delay_s": (0.0, max(self.duration_s - 0.1, 0.0), "s"),
        }
        problems = outside(limits, self)
        for name, known in (("waveform", WAVEFORMS), ("timbre", TIMBRES)):
            if (value := getattr(self, name)) not in known:
                problems.append(Problem(f"unknown {name}", got=value, repair=f"One of: {', '.join(known)}"))
        lasts_s, growth = self.duration_s - self.delay_s, self.growth_cents_per_s
        if 0.5 * abs(growth) * max(lasts_s, 0.0) > self.extent_cents + 1e-9:
            most = (
                f"At most {2 * self.extent_cents / lasts_s:.3g} cents/s either way for this extent and length"
            )
            message = "with this growth the extent would fall below 0"
            problems.append(Problem(message, got=f"{growth:g} cents/s", repair=most))
        raise_any(problems)


def pitch_from_text(text: str, tuning_hz: float = 440.0) -> float:
    """Return a pitch in Hz from "440", "A4", "Bb3" or "F#5" (sounding pitch; A4 is `tuning_hz`).

    Raises
    ------
    VibstudyError
        When it is neither.
    """
    try:
        return float(text)
    except ValueError:
        pass
    from librosa import ParameterError, note_to_hz

    try:
        return float(note_to_hz(text.strip())) * tuning_hz / 440.0
    except (ParameterError, ValueError):
        raise VibstudyError(
            "this is no pitch", got=text, repair="Write a note such as A4, Bb3 or F#5, or Hz: 440"
        ) from None


def rate_from_pulses(pulses: float, beat_bpm: float) -> float:
    """Rate in Hz of `pulses` to a beat, at `beat_bpm` beats a minute."""
    return pulses * beat_bpm / 60.0


def numbers_from_text(text: str, what: str) -> list[float]:
    """Return the numbers of "5", or of a ladder "5,10,20"."""
    try:
        return [float(part) for part in text.split(",")]
    except ValueError:
        raise VibstudyError(
            f"{what} is no number", got=text, repair="Write one, as 5.5, or several, as 5,10,20"
        ) from None


def pitch_cents(spec: ToneSpec, time_s: np.ndarray) -> np.ndarray:
    """Pitch of the tone about its centre [shape=(n,)], in cents, at `time_s`."""
    since = time_s - spec.delay_s
    psi = 2.0 * np.pi * spec.rate_hz * since
    cycle = np.sin(psi) if spec.waveform == "sine" else sawtooth(psi + 0.5 * np.pi, 0.5)
    middle = 0.5 * (spec.duration_s - spec.delay_s)
    extent = spec.extent_cents + spec.growth_cents_per_s * (since - middle)
    return np.where(since >= 0.0, extent * cycle, 0.0)


def make_tone(
    spec: ToneSpec, sample_rate_hz: int = SAMPLE_RATE_HZ, cents: np.ndarray | None = None
) -> np.ndarray:
    """Return the tone [shape=(n,)], full scale ±1.

    Parameters
    ----------
    spec : ToneSpec
        What it is.
    sample_rate_hz : int
    cents : ndarray [shape=(n,)] | None
        Another course of pitch about the centre than the spec's, sample by sample.
    """
    n = round(spec.duration_s * sample_rate_hz)
    time_s = np.arange(n) / sample_rate_hz
    # values in the middle of each step: the integral is then exact to second order
    course = pitch_cents(spec, time_s + 0.5 / sample_rate_hz) if cents is None else cents
    f0_hz = to_hz(course, spec.pitch_hz)
    phase = 2.0 * np.pi * np.concatenate([[0.0], np.cumsum(f0_hz[:-1])]) / sample_rate_hz
    sound = np.zeros(n)
    for order, amplitude in _partials(spec, sample_rate_hz, float(f0_hz.max())):
        sound += amplitude * np.sin(order * phase)
    if spec.intensity_db:
        lead = np.deg2rad(spec.intensity_phase_deg)
        psi = 2.0 * np.pi * spec.rate_hz * (time_s - spec.delay_s) + lead
        # eased in over half a cycle, so that the level does not jump where the vibrato starts
        ease = np.clip(2.0 * spec.rate_hz * (time_s - spec.delay_s), 0.0, 1.0) if spec.delay_s else 1.0
        sound *= 10.0 ** (spec.intensity_db * ease * np.sin(psi) / 20.0)
    sound *= fades(n, sample_rate_hz, FADE_S)
    return sound * 10.0 ** (spec.peak_dbfs / 20.0) / np.abs(sound).max()


def _partials(spec: ToneSpec, sample_rate_hz: int, highest_f0_hz: float) -> list[tuple[int, float]]:
    if spec.timbre == "pure":
        return [(1, 1.0)]
    top = min(_HIGHEST_PARTIAL_HZ, 0.45 * sample_rate_hz)
    orders = range(1, max(1, int(top / highest_f0_hz)) + 1)
    return [(k, 1.0 / (k * (1.0 + (k * spec.pitch_hz / _KNEE_HZ) ** 2))) for k in orders]


def ladder(spec: ToneSpec, rates_hz: Sequence[float], extents_cents: Sequence[float]) -> list[ToneSpec]:
    """Return one tone, a ladder of extents at one rate, or a ladder of rates at one extent.

    Raises
    ------
    VibstudyError
        When both have several steps.
    """
    if len(rates_hz) > 1 and len(extents_cents) > 1:
        raise VibstudyError(
            "a ladder climbs in rate or in extent, not in both", repair="Give one number to one of them"
        )
    return [replace(spec, rate_hz=rate, extent_cents=extent) for rate in rates_hz for extent in extents_cents]


def join(tones: Sequence[np.ndarray], sample_rate_hz: int = SAMPLE_RATE_HZ) -> np.ndarray:
    """Return tones one after the other with :data:`GAP_S` of silence between."""
    gap = np.zeros(round(GAP_S * sample_rate_hz))
    parts = [part for tone in tones for part in (tone, gap)]
    return np.concatenate(parts[:-1])


def write_wav(path: Path, samples: np.ndarray, sample_rate_hz: float) -> None:
    """Write a 24-bit WAV file in one step.

    Raises
    ------
    VibstudyError
        When the peak is above :data:`HIGHEST_PEAK_DBFS`, or the folder does not exist.
    """
    if np.abs(samples).max(initial=0.0) > 10.0 ** (HIGHEST_PEAK_DBFS / 20.0) * (1.0 + 1e-9):
        raise VibstudyError("this would be too loud", str(path), repair="Lower its level")
    if path.suffix.lower() != ".wav":
        raise VibstudyError("tones are written as WAV", got=path.name, repair="End the name in .wav")
    with replacing(path) as stream:
        stream.write(wav_bytes(samples, sample_rate_hz, "PCM_24"))


def describe(spec: ToneSpec, beat_bpm: float | None = None) -> str:
    """Say what a tone is."""
    words = f"{spec.pitch_hz:.5g} Hz, {spec.rate_hz:.4g} Hz vibrato"
    if beat_bpm:
        words += f" ({spec.rate_hz * 60.0 / beat_bpm:.3g} to a beat at {beat_bpm:g})"
    words += f", ± {spec.extent_cents:g} cents ({2 * spec.extent_cents:g} from peak to peak)"
    if spec.growth_cents_per_s:
        words += f" growing by {spec.growth_cents_per_s:g} cents/s"
    if spec.intensity_db:
        words += f", level ± {spec.intensity_db:g} dB"
    limit = float(fusion_limit_cents(spec.rate_hz))
    side = "above" if spec.extent_cents > limit + 0.05 else "not above"  # as exactly as it is printed
    return f"{words}; {side} the fusion limit (about ± {limit:.0f} cents at this rate, a rule of thumb)"


# --- what the command does


@dataclass(frozen=True)
class ToneRequest:
    """Pitch, rate and extent as the user tells them.

    Parameters
    ----------
    pitch : str
        A note or Hz.
    tuning_hz : float
        Frequency of A4.
    rate : str
        Hz; several with commas make a ladder.
    pulses, beat_bpm : float | None
        Instead of the rate: pulses to a beat, and beats a minute.
    extent : str
        ± cents; several with commas make a ladder.
    """

    pitch: str = "A4"
    tuning_hz: float = 440.0
    rate: str = "5"
    pulses: float | None = None
    beat_bpm: float | None = None
    extent: str = "20"

    def rates_hz(self) -> list[float]:
        """Return the rates asked for."""
        if self.pulses is None:
            return numbers_from_text(self.rate, "the rate")
        if not self.beat_bpm or self.beat_bpm <= 0 or self.pulses <= 0:
            raise VibstudyError(
                "pulses to a beat need a metronome value", repair="As in --pulses 4 --beat 72"
            )
        return [rate_from_pulses(self.pulses, self.beat_bpm)]


def write_tones(request: ToneRequest, out: Path, **options: Any) -> list[str]:
    """Write a tone or a ladder as one WAV file; return what to tell the user.

    Parameters
    ----------
    request : ToneRequest
    out : Path
        WAV file.
    **options
        Further fields of :class:`ToneSpec`.
    """
    growth = options.pop("growth_cents_per_s", 0.0)
    base = ToneSpec(pitch_hz=pitch_from_text(request.pitch, request.tuning_hz), **options)
    base_steps = ladder(base, request.rates_hz(), numbers_from_text(request.extent, "the extent"))
    steps = [replace(step, growth_cents_per_s=growth) for step in base_steps]
    write_wav(out, join([make_tone(step) for step in steps]), SAMPLE_RATE_HZ)
    lines = [f"{out}:"]
    lines += [f"  {number}. {describe(step, request.beat_bpm)}" for number, step in enumerate(steps, 1)]
    return [*lines, HEARING_CAUTION]


def write_note_versions(
    source: Path, at_s: float | None, out: Path, peak_dbfs: float = PEAK_DBFS, level: bool = False
) -> list[str]:
    """Write a note as played, without its vibrato, with half and twice of it; return what to tell the user.

    The files are named after `out`: ``NAME_as_played.wav``, ``NAME_without.wav`` and so on. All have the
    same gain.
    """
    from vibstudy.playing.resynthesis import FACTORS, cut_note, scale_vibrato

    if at_s is None:
        raise VibstudyError("which note?", repair="Name a moment inside it, in seconds: --at 12.5")
    ToneSpec(peak_dbfs=peak_dbfs)  # refuses a level that is too high
    note = cut_note(source, at_s)
    sounds = {name: scale_vibrato(note, factor, level=level) for name, factor in FACTORS.items()}
    gain = 10.0 ** (peak_dbfs / 20.0) / max(float(np.abs(sound).max()) for sound in sounds.values())
    lines = [
        f"The note at {at_s:g} s as played: {note.vibrato.rate_hz:.2f} Hz, "
        f"± {note.vibrato.extent_cents:.1f} cents."
    ]
    for name, sound in sounds.items():
        path = out.with_name(f"{out.stem}_{name}.wav")
        write_wav(path, sound * gain * fades(len(sound), note.rate_hz, FADE_S), note.rate_hz)
        lines.append(f"  {path}: {FACTORS[name]:g} times its vibrato")
    return [*lines, RIGHTS_CAUTION, HEARING_CAUTION]
