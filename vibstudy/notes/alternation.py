"""Is a quick swing of pitch a trill or a vibrato?

Definition
----------
A trill stays on two pitches 1 to 2.5 semitones apart and changes between them quickly, 4.6 to 13
times a second and back; a vibrato sweeps. So the pitch of a trill is nearly a square wave, whose
third harmonic is +1/3 of the first (in phase at the zero crossings); that of a vibrato is a sine
(0) or a triangle (-1/9). The pitch is taken from the sound itself, every 2.5 ms through windows of
three periods of the tone, since a tracker's frame rounds a trill into a sine.

Measured on 100 rendered trills against 219 vibratos: a third harmonic of 0.05 to 0.38 (5 % and 95
%) against 0.01 at most; share of the time in the outer halves 0.70 to 0.97 against 0.69 at most.

References
----------
Fourier series of the square and the triangle wave.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter, uniform_filter1d

HOP_S = 0.0025
_TOP_HZ = 1500.0
_RATE_HZ = (3.3, 13.0)
_TRILL_HZ = 4.6
_HALF_CENTS = (32.0, 150.0)
_THIRD = 0.05
_OUTER = 0.72
_CYCLES = 2.4


@dataclass(frozen=True)
class Swing:
    """A periodic swing of pitch.

    Parameters
    ----------
    rate_hz, half_cents : float
        Cycles a second and half the peak-to-peak swing.
    third : float
        In-phase third harmonic over the first: 1/3 square, 0 sine, -1/9 triangle.
    outer : float
        Share of the time in the outer halves of the swing: 1 square, 2/3 sine, 1/2 triangle.
    periodic : float
        Share of the power that lies at the rate and at three times the rate.
    """

    rate_hz: float
    half_cents: float
    third: float
    outer: float
    periodic: float

    @property
    def is_trill(self) -> bool:
        """Whether the pitch stays on two notes in turn."""
        wide = _HALF_CENTS[0] <= self.half_cents <= _HALF_CENTS[1]
        flat = self.third > _THIRD and self.outer > (_OUTER if self.third < 2 * _THIRD else 0.6)
        return wide and flat and self.rate_hz >= _TRILL_HZ and self.periodic > 0.6

    @property
    def is_vibrato(self) -> bool:
        """Whether the pitch sweeps regularly about one centre."""
        return self.third <= _THIRD and self.outer <= _OUTER and self.periodic > 0.6


def fine_pitch(
    samples: np.ndarray, rate_hz: float, begin_s: float, end_s: float, base_hz: float
) -> np.ndarray:
    """Pitch in cents from `base_hz` every 2.5 ms, from the phase of the low harmonics."""
    half = int(max(1.5 / base_hz, 0.004) * rate_hz)
    hop = round(HOP_S * rate_hz)
    centres = np.arange(round(begin_s * rate_hz), round(end_s * rate_hz), hop)
    centres = centres[(centres >= half) & (centres < len(samples) - half)]
    if len(centres) < 3:
        return np.empty(0)
    at = np.arange(-half, half)
    frames = np.lib.stride_tricks.sliding_window_view(samples, 2 * half)[centres - half]
    order = np.arange(1, max(1, min(6, int(_TOP_HZ / base_hz))) + 1)
    turn = 2 * np.pi * base_hz * order / rate_hz
    angle = at[:, None] * turn
    tones = np.hanning(2 * half)[:, None] * np.concatenate([np.cos(angle), np.sin(angle)], axis=1)
    parts = frames.astype(np.float32) @ tones.astype(np.float32)
    harmonics = parts[:, : len(order)] - 1j * parts[:, len(order) :]
    change = harmonics[1:] * harmonics[:-1].conj()
    weight = np.abs(change) * order**2
    away = np.angle(change * np.exp(-1j * turn * hop)) * rate_hz / hop / (2 * np.pi) / order
    deviation = (weight * away).sum(axis=1) / (weight.sum(axis=1) + 1e-20)
    return 1200 * np.log2(np.maximum(1 + deviation / base_hz, 0.5))


def describe_swing(cents: np.ndarray) -> Swing | None:
    """Describe the periodic swing of a fine pitch; None when there is none."""
    if len(cents) < 0.25 / HOP_S:
        return None
    smooth = median_filter(np.clip(cents, -500, 500), 5)
    away = smooth - uniform_filter1d(smooth, min(round(0.3 / HOP_S), len(smooth)))
    low, high = np.percentile(away, [5, 95])
    away = np.clip(away, low - 20, high + 20)
    away -= away.mean()
    half, middle = (high - low) / 2, (high + low) / 2
    size = 4096
    window = np.hanning(len(away))
    power = np.abs(np.fft.rfft(away * window, size))
    rates = np.fft.rfftfreq(size, HOP_S)
    inside = (rates > _RATE_HZ[0]) & (rates < _RATE_HZ[1])
    rate = float(rates[np.argmax(power * inside)])
    if half < 10 or rate * len(away) * HOP_S < _CYCLES:
        return None
    time = np.arange(len(away)) * HOP_S
    first = np.sum(window * away * np.exp(-2j * np.pi * rate * time))
    near = rate * np.linspace(0.97, 1.03, 9)
    thirds = (window * away) @ np.exp(-6j * np.pi * time[:, None] * near)
    third = thirds[np.argmax(np.abs(thirds))]
    phase = 3 * (np.angle(first) + np.pi / 2) - np.pi / 2
    total = np.sum((window * away) ** 2) * window.sum() ** 2 / np.sum(window**2) / 2
    return Swing(
        rate,
        float(half),
        float((third * np.exp(-1j * phase)).real / np.abs(first)),
        float(np.mean(np.abs(away - middle) > half / 2)),
        float((np.abs(first) ** 2 + np.abs(third) ** 2) / (total + 1e-12)),
    )
