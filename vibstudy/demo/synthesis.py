"""A woodwind-like tone from a description of its notes, with the exact truth of its vibrato.

Model
-----
All curves are computed at a control rate of one value every 32 samples (689 a second at 22,050 Hz)
and interpolated linearly from there, so the truth is read from the very curves that sound.

* Pitch, in cents re 440 Hz: the note's target; a glide of 15-40 ms between slurred notes (its middle
  is the boundary of the notes, and the phase runs on); a scoop from below at some attacks; slow
  drift and micro-jitter; vibrato.
* Vibrato of a note: ``E(t) * w(phi(t))``. ``E`` is the extent, HALF of peak-to-peak, in cents: it
  fades in around the onset delay, grows or shrinks, and wanders smoothly from cycle to cycle.
  ``phi`` is the integral of the rate, which has a slope and wanders likewise. ``w`` is a cycle of
  peak 1 between a sine (``triangle`` = 0) and the first three harmonics of a triangle (1).
* Level of harmonic ``k``, in dB: ``R(k f0) + c_k L + b log2(k)``. ``R`` is a curve of the instrument
  over absolute frequency (a cut-off, a high-pass, resonances), so that vibrato moves the harmonics
  under it; ``L`` is the level of the line re its loudest (dynamic, attack, release, intensity
  modulation); ``c_k`` grows with ``k``, so that brightness follows level and harmonics enter in order
  in the attack; ``b`` is the timbre modulation.
  A harmonic is mute above 0.97 of the Nyquist frequency and fades towards it.
* Breath noise: shaped noise that follows the level, with a burst at tongued attacks.

References
----------
The cut-off of the woodwinds' tone holes: Benade 1976, *Fundamentals of Musical Acoustics*, ch. 21.
Upper harmonics growing faster than the fundamental with level: Worman 1971, doctoral thesis, Case
Western Reserve. Both as shapes only, the figures here are by ear; cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.interpolate import CubicSpline

from vibstudy.units import to_hz

SAMPLE_RATE_HZ = 22_050
"""Rate of everything rendered here, samples a second."""

_HOP = 32
_EDGE_DB = -20.0
"""A note begins and ends where its level passes this much below its own steady level."""
_EDGE_SHARE = float(np.arccos(1 - 2 * 10 ** (_EDGE_DB / 20)) / np.pi)
"""Where on a raised-cosine rise (0..1) that level is passed."""
_SILENCE_DB = -120.0
_UNSTEADY_S = 0.012


@dataclass(frozen=True)
class Vibrato:
    """Vibrato of one note, as asked for. What came of it is in the truth table.

    Parameters
    ----------
    rate_hz : float
        Cycles a second in the middle of the vibrato.
    extent_cents : float
        HALF of peak-to-peak in the middle of the vibrato, cents.
    delay_s : float
        From the onset of the note to the middle of the fade-in.
    fade_in_s : float
        Length of the fade-in; at most twice the delay.
    growth : float
        Relative change of extent a second.
    rate_slope_hz_per_s : float
        Linear change of rate.
    rate_irregularity, extent_irregularity : float
        Standard deviation from cycle to cycle, relative.
    triangle : float
        0 = sine, 1 = triangle.
    upward : bool
        Whether the first excursion is above the note.
    intensity_depth_db : float
        HALF of peak-to-peak of the level modulation put on the line, dB.
    intensity_phase_rad : float
        Positive = level leads pitch.
    timbre_depth_db : float
        Modulation of the spectral slope, dB an octave of harmonic number, in phase with the level.
    """

    rate_hz: float
    extent_cents: float
    delay_s: float
    fade_in_s: float = 0.12
    growth: float = 0.0
    rate_slope_hz_per_s: float = 0.0
    rate_irregularity: float = 0.0
    extent_irregularity: float = 0.0
    triangle: float = 0.0
    upward: bool = True
    intensity_depth_db: float = 0.0
    intensity_phase_rad: float = 0.0
    timbre_depth_db: float = 0.0


@dataclass(frozen=True)
class Note:
    """One note of a line.

    Parameters
    ----------
    start_s, end_s : float
        Beginning of the attack, end of the release, s. A slurred note starts where the one before ends.
    midi : int
        Note number (69 = A4).
    cents : float
        Intonation, cents above the tempered pitch.
    level_db : float
        Dynamic, dB re the loudest the instrument plays (0 or less).
    swell_db : float
        How much louder the middle of the note is than its ends.
    slurred : bool
        Whether the note is reached from the one before without a new attack.
    attack_s, release_s : float
        Rise of a tongued note, fall of a note that is not slurred onwards.
    glide_s : float
        Length of the pitch transition into a slurred note.
    scoop_cents : float
        How far below the note a tongued attack begins.
    vibrato : Vibrato | None
        None for a straight note.
    """

    start_s: float
    end_s: float
    midi: int
    cents: float = 0.0
    level_db: float = -6.0
    swell_db: float = 0.0
    slurred: bool = False
    attack_s: float = 0.04
    release_s: float = 0.06
    glide_s: float = 0.025
    scoop_cents: float = 0.0
    vibrato: Vibrato | None = None


@dataclass(frozen=True)
class Voice:
    """An instrument in the hands of a player.

    Parameters
    ----------
    cutoff_hz : float
        Where the harmonics begin to fall.
    rolloff_db_per_octave : float
        How fast, well above it.
    highpass_hz : float
        Where the radiation of low harmonics begins to fall, 6 dB an octave.
    resonances : sequence of (float, float, float)
        Frequency in Hz, gain in dB, width in octaves.
    breath_db : float
        Breath noise re the tone at the loudest level.
    jitter_cents, drift_cents : float
        Standard deviation of the fast (below about 40 Hz) and slow (below about 1 Hz) unsteadiness.
    shimmer_db : float
        Standard deviation of each harmonic's own unsteadiness of level (below about 40 Hz).
    """

    cutoff_hz: float
    rolloff_db_per_octave: float = 14.0
    highpass_hz: float = 250.0
    resonances: tuple[tuple[float, float, float], ...] = ()
    breath_db: float = -44.0
    jitter_cents: float = 1.2
    drift_cents: float = 2.5
    shimmer_db: float = 0.7

    def gain_db(self, frequency_hz: np.ndarray) -> np.ndarray:
        """Gain over absolute frequency, dB [same shape as `frequency_hz`, which is above 0]."""
        ratio = frequency_hz / self.cutoff_hz
        gain = -10 * np.log10(1 + ratio ** (self.rolloff_db_per_octave / 3.0103))
        gain -= 10 * np.log10(1 + (self.highpass_hz / frequency_hz) ** 2)
        for centre_hz, peak_db, width in self.resonances:
            gain += peak_db * np.exp(-((np.log2(frequency_hz / centre_hz) / width) ** 2))
        return gain


@dataclass(frozen=True, eq=False)
class Line:
    """A rendered line.

    Parameters
    ----------
    samples : ndarray [shape=(n,), float64]
        The sound, at :data:`SAMPLE_RATE_HZ`, not normalised.
    truth : DataFrame
        One row a note: what was synthesised, in the names of :mod:`vibstudy.schema`.
    """

    samples: np.ndarray
    truth: pd.DataFrame


@dataclass(eq=False)
class _Curves:
    """What the notes write into, on the control grid."""

    time_s: np.ndarray
    cents: np.ndarray
    level_db: np.ndarray
    slope_db: np.ndarray
    chiff_db: np.ndarray


@dataclass(eq=False)
class _VibratoCurves:
    """A note's vibrato on its part of the control grid, and where it lasts."""

    index: np.ndarray
    extent_cents: np.ndarray
    phase_rad: np.ndarray
    begin_s: float
    end_s: float


def render_line(
    notes: Sequence[Note],
    voice: Voice,
    rng: np.random.Generator,
    *,
    length_s: float,
    tuning_hz: float = 440.0,
) -> Line:
    """Render a monophonic line.

    Parameters
    ----------
    notes : sequence of Note
        In time order, not overlapping.
    voice : Voice
        The instrument.
    rng : numpy Generator
        Source of the noise and of all irregularity.
    length_s : float
        Length of the sound; at least the end of the last note.
    tuning_hz : float
        Frequency of A4.
    """
    frames = int(np.ceil(length_s * SAMPLE_RATE_HZ / _HOP)) + 1
    time_s = np.arange(frames) * _HOP / SAMPLE_RATE_HZ
    curves = _Curves(
        time_s,
        cents=_pitch_targets(notes, time_s),
        level_db=np.full(frames, _SILENCE_DB),
        slope_db=np.zeros(frames),
        chiff_db=np.full(frames, _SILENCE_DB),
    )
    curves.cents += voice.drift_cents * _smooth_noise(time_s, 0.6, rng)
    curves.cents += voice.jitter_cents * _smooth_noise(time_s, _UNSTEADY_S, rng)
    edges = [_write_level(notes, i, curves) for i in range(len(notes))]
    vibratos = [
        _write_vibrato(note, edge, _fade_out_s(notes, i), curves, rng)
        for i, (note, edge) in enumerate(zip(notes, edges, strict=True))
    ]
    f0_hz = to_hz(curves.cents, tuning_hz)
    harmonics_db = _harmonic_levels(f0_hz, curves, voice)
    harmonics_db += voice.shimmer_db * _smooth_noise(time_s, _UNSTEADY_S, rng, len(harmonics_db))
    samples = _sum_harmonics(f0_hz, harmonics_db, rng) + _breath(curves, voice, rng)
    truth = pd.DataFrame(
        [
            _truth(note, edge, vibrato, f0_hz, harmonics_db, time_s)
            for note, edge, vibrato in zip(notes, edges, vibratos, strict=True)
        ]
    )
    return Line(samples[: int(length_s * SAMPLE_RATE_HZ)], truth)


def cycle_shape(phase_rad: np.ndarray, triangle: float) -> np.ndarray:
    """One vibrato cycle of peak 1, from a sine (0) to the first harmonics of a triangle (1).

    ``sin x - (q/9) sin 3x + (q/25) sin 5x`` over its peak: the ratio of third to first harmonic is
    ``q/9``, as in the triangle's Fourier series at ``q = 1``.
    """
    shape = np.sin(phase_rad) - triangle / 9 * np.sin(3 * phase_rad) + triangle / 25 * np.sin(5 * phase_rad)
    return shape / (1 + triangle / 9 + triangle / 25)


def _smooth_noise(
    time_s: np.ndarray, spacing_s: float, rng: np.random.Generator, rows: int | None = None
) -> np.ndarray:
    """Gaussian noise of unit variance at knots `spacing_s` apart, joined by a cubic spline.

    One curve [shape=(n,)], or `rows` independent ones [shape=(rows, n)].
    """
    first, last = float(time_s[0]), float(time_s[-1])
    knots = np.arange(first, last + 3 * spacing_s, spacing_s)
    values = rng.standard_normal(len(knots) if rows is None else (rows, len(knots)))
    return CubicSpline(knots, values, axis=-1)(time_s)


def _rise(share: np.ndarray) -> np.ndarray:
    """Raised cosine from 0 (share <= 0) to 1 (share >= 1)."""
    return 0.5 - 0.5 * np.cos(np.pi * np.clip(share, 0, 1))


def _in_db(gain: np.ndarray) -> np.ndarray:
    return 20 * np.log10(np.maximum(gain, 10 ** (_SILENCE_DB / 20)))


def _pitch_targets(notes: Sequence[Note], time_s: np.ndarray) -> np.ndarray:
    """Cents re A4 without vibrato: targets, glides and scoops."""
    targets = [100.0 * (note.midi - 69) + note.cents for note in notes]
    cents = np.full(len(time_s), targets[0])
    for i, (note, target) in enumerate(zip(notes, targets, strict=True)):
        if note.slurred:
            share = (time_s - note.start_s) / note.glide_s + 0.5
            cents += (target - targets[i - 1]) * _rise(share)
            continue
        after = time_s >= note.start_s
        cents[after] = target - note.scoop_cents * np.exp(-(time_s[after] - note.start_s) / 0.03)
    return cents


def _slurs_on(notes: Sequence[Note], i: int) -> bool:
    return i + 1 < len(notes) and notes[i + 1].slurred


def _fade_out_s(notes: Sequence[Note], i: int) -> float:
    """How long before the note's end vibrato fades: into a slur, half the glide."""
    return notes[i + 1].glide_s / 2 if _slurs_on(notes, i) else 0.0


def _write_level(notes: Sequence[Note], i: int, curves: _Curves) -> tuple[float, float]:
    """Write the note's level; return where it begins and ends (see ``_EDGE_DB``), s."""
    note = notes[i]
    onset_s, offset_s = note.start_s, note.end_s
    index = np.flatnonzero((curves.time_s >= note.start_s) & (curves.time_s < note.end_s))
    since_s = curves.time_s[index] - note.start_s
    left_s = note.end_s - curves.time_s[index]
    level = note.level_db + note.swell_db * np.sin(np.pi * since_s / (note.end_s - note.start_s))
    if note.slurred:  # a small give between the fingers, and the dynamic moves over 60 ms
        step_db = notes[i - 1].level_db - note.level_db
        level += step_db * (1 - _rise(since_s / 0.06)) - 2.5 * np.exp(-((since_s / 0.012) ** 2))
    else:
        level += _in_db(_rise(since_s / note.attack_s))
        onset_s += _EDGE_SHARE * note.attack_s
        burst = np.exp(-(((since_s - 0.4 * note.attack_s) / (0.5 * note.attack_s)) ** 2))
        curves.chiff_db[index] = note.level_db + _in_db(burst)
    if _slurs_on(notes, i):
        level -= 2.5 * np.exp(-((left_s / 0.012) ** 2))
    else:
        level += _in_db(_rise(left_s / note.release_s))
        offset_s -= _EDGE_SHARE * note.release_s
    curves.level_db[index] = np.maximum(level, _SILENCE_DB)
    return onset_s, offset_s


def _write_vibrato(
    note: Note,
    edge: tuple[float, float],
    fade_out_s: float,
    curves: _Curves,
    rng: np.random.Generator,
) -> _VibratoCurves | None:
    """Add the note's vibrato to the curves of pitch, level and timbre."""
    asked = note.vibrato
    if asked is None:
        return None
    begin_s, end_s = edge[0] + asked.delay_s, edge[1] - fade_out_s / 2
    first_s = max(begin_s - asked.fade_in_s / 2, note.start_s)
    index = np.flatnonzero((curves.time_s >= first_s) & (curves.time_s < note.end_s))
    time_s = curves.time_s[index]
    from_middle_s = time_s - (begin_s + end_s) / 2
    spacing_s = 1 / asked.rate_hz
    rate = asked.rate_hz + asked.rate_slope_hz_per_s * from_middle_s
    rate *= 1 + asked.rate_irregularity * _smooth_noise(time_s, spacing_s, rng)
    extent = asked.extent_cents * np.maximum(1 + asked.growth * from_middle_s, 0.1)
    extent *= np.maximum(1 + asked.extent_irregularity * _smooth_noise(time_s, spacing_s, rng), 0.1)
    extent *= _rise((time_s - begin_s) / asked.fade_in_s + 0.5)
    if fade_out_s:
        extent *= _rise((note.end_s - time_s) / fade_out_s)
    phase = 2 * np.pi * np.concatenate([[0.0], np.cumsum((rate[1:] + rate[:-1]) / 2)])
    phase *= _HOP / SAMPLE_RATE_HZ
    phase += 0.0 if asked.upward else np.pi
    curves.cents[index] += extent * cycle_shape(phase, asked.triangle)
    level = extent / asked.extent_cents * np.sin(phase + asked.intensity_phase_rad)
    curves.level_db[index] += asked.intensity_depth_db * level
    curves.slope_db[index] += asked.timbre_depth_db * level
    return _VibratoCurves(index, extent, phase, begin_s, end_s)


def _harmonic_levels(f0_hz: np.ndarray, curves: _Curves, voice: Voice) -> np.ndarray:
    """Level of every harmonic on the control grid, dB [shape=(harmonics, frames)]."""
    nyquist_hz = SAMPLE_RATE_HZ / 2
    sounding = curves.level_db > _SILENCE_DB
    highest = int(0.97 * nyquist_hz / f0_hz[sounding].min())
    number = np.arange(1, highest + 1)[:, np.newaxis]
    frequency_hz = number * f0_hz
    level = voice.gain_db(frequency_hz)
    level += (1 + 0.11 * np.minimum(number - 1, 10)) * curves.level_db
    level += curves.slope_db * np.log2(number)
    level += _in_db(_rise((0.97 - frequency_hz / nyquist_hz) / 0.07))
    audible = level.max(axis=1) > level.max() - 90
    return np.maximum(level[: np.flatnonzero(audible)[-1] + 1], 2 * _SILENCE_DB)


def _upsample(curve: np.ndarray) -> np.ndarray:
    """Control grid to samples, linearly."""
    ramp = np.arange(_HOP) / _HOP
    return (curve[:-1, np.newaxis] + np.diff(curve)[:, np.newaxis] * ramp).ravel()


def _sum_harmonics(f0_hz: np.ndarray, levels_db: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Add the harmonics: one running phase, its powers by repeated multiplication."""
    turn = np.exp(2j * np.pi * np.cumsum(_upsample(f0_hz)) / SAMPLE_RATE_HZ)
    start = np.exp(2j * np.pi * rng.random(len(levels_db)))
    power = np.ones_like(turn)
    samples = np.zeros(len(turn))
    for level_db, offset in zip(levels_db, start, strict=True):
        power *= turn
        gain = _upsample(10 ** (level_db / 20))
        samples += gain * (power.real * offset.real - power.imag * offset.imag)
    return samples


def _breath(curves: _Curves, voice: Voice, rng: np.random.Generator) -> np.ndarray:
    """Breath noise: band-shaped, louder relative to the tone when the tone is soft."""
    count = (len(curves.time_s) - 1) * _HOP
    spectrum = np.fft.rfft(rng.standard_normal(count))
    ratio = np.maximum(np.fft.rfftfreq(count, 1 / SAMPLE_RATE_HZ), 1.0) / (1.6 * voice.cutoff_hz)
    spectrum *= ratio / (1 + ratio**2) ** 1.2
    noise = np.fft.irfft(spectrum, count)
    noise /= noise.std()
    steady_db = np.where(curves.level_db > _SILENCE_DB, 0.7 * curves.level_db, _SILENCE_DB)
    gain = 10 ** (steady_db / 20) + 10 ** ((curves.chiff_db + 7) / 20)
    return 10 ** (voice.breath_db / 20) * _upsample(gain) * noise


def _truth(
    note: Note,
    edge: tuple[float, float],
    vibrato: _VibratoCurves | None,
    f0_hz: np.ndarray,
    harmonics_db: np.ndarray,
    time_s: np.ndarray,
) -> dict[str, object]:
    """What was synthesised, read from the curves."""
    onset_s, offset_s = edge
    inside = (time_s >= onset_s) & (time_s < offset_s)
    row: dict[str, object] = {
        "onset_s": onset_s,
        "offset_s": offset_s,
        "duration_s": offset_s - onset_s,
        "midi": note.midi,
        "pitch_hz": float(np.exp(np.log(f0_hz[inside]).mean())),
        "has_vibrato": vibrato is not None,
    }
    if vibrato is None or note.vibrato is None:
        return row
    kept = (time_s[vibrato.index] >= vibrato.begin_s) & (time_s[vibrato.index] < vibrato.end_s)
    index, phase = vibrato.index[kept], vibrato.phase_rad[kept]
    extent, at_s = vibrato.extent_cents[kept], time_s[vibrato.index[kept]]
    cycles = (phase - phase[0]) / (2 * np.pi)
    level_db = 10 * np.log10((10 ** (harmonics_db[:, index] / 10)).sum(axis=0))
    # what attack and release do to the level is no modulation
    steady = (at_s > onset_s + note.attack_s) & (at_s < offset_s - note.release_s)
    depth_db, lead_rad = _depth_and_lead(level_db[steady], at_s[steady], phase[steady])
    rate = np.gradient(cycles, at_s)
    row |= {
        "rate_hz": float(cycles[-1] / (at_s[-1] - at_s[0])),
        "extent_cents": float(extent.mean()),
        "vibrato_onset_s": vibrato.begin_s - onset_s,
        "vibrato_fraction": (vibrato.end_s - vibrato.begin_s) / (offset_s - onset_s),
        "rate_slope_hz_per_s": float(np.polyfit(at_s, rate, 1)[0]),
        "extent_growth_cents_per_s": float(np.polyfit(at_s, extent, 1)[0]),
        "rate_irregularity": _irregularity(rate, cycles),
        "extent_irregularity": _irregularity(extent, cycles),
        "waveform": note.vibrato.triangle,
        "intensity_depth_db": depth_db,
        "intensity_phase_rad": lead_rad,
    }
    return row


def _depth_and_lead(level_db: np.ndarray, time_s: np.ndarray, phase_rad: np.ndarray) -> tuple[float, float]:
    """Amplitude of level at the vibrato rate (dB), and how far it leads pitch (rad)."""
    x = (time_s - time_s.mean()) / np.ptp(time_s)
    design = np.column_stack([np.ones_like(x), x, x**2, np.sin(phase_rad), np.cos(phase_rad)])
    sine, cosine = np.linalg.lstsq(design, level_db, rcond=None)[0][3:]
    return float(np.hypot(sine, cosine)), float(np.arctan2(cosine, sine))


def _irregularity(curve: np.ndarray, cycles: np.ndarray) -> float:
    """Coefficient of variation of the means of whole cycles, linear trend removed; NaN below 3."""
    whole = int(cycles[-1])
    if whole < 3:
        return float("nan")
    means = np.array([curve[(cycles >= n) & (cycles < n + 1)].mean() for n in range(whole)])
    number = np.arange(whole)
    rest = means - np.polyval(np.polyfit(number, means, 1), number)
    return float(np.sqrt((rest**2).sum() / (whole - 2)) / means.mean())
