"""Tones with known vibrato, for tests and benchmarks. Extent is HALF of peak-to-peak."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.signal import sawtooth

RATE_HZ = 22050
PAD_S = 0.15


@dataclass(frozen=True)
class Tone:
    """Sound with silence of `PAD_S` on both sides, and what is in it."""

    samples: np.ndarray
    onset_s: float
    offset_s: float
    time_s: np.ndarray
    cents: np.ndarray
    psi: np.ndarray
    extent: np.ndarray


def smooth_noise(time_s: np.ndarray, spacing_s: float, rng: np.random.Generator) -> np.ndarray:
    """Unit normal values `spacing_s` apart, joined by a cubic spline."""
    knots = np.arange(time_s[0] - 3 * spacing_s, time_s[-1] + 3 * spacing_s, spacing_s)
    return CubicSpline(knots, rng.standard_normal(len(knots)))(time_s)


def tone(
    rng: np.random.Generator,
    *,
    f0_hz: float = 440.0,
    rate_hz: float = 5.5,
    extent_cents: float = 30.0,
    duration_s: float = 1.0,
    snr_db: float = 40.0,
    triangle: bool = False,
    rate_cv: float = 0.0,
    extent_cv: float = 0.0,
    delay_s: float = 0.0,
    level_db: float = 0.0,
    level_lead_rad: float = 0.0,
    harmonics: int = 12,
    cents: np.ndarray | None = None,
) -> Tone:
    """One note of `harmonics` harmonics falling as 1/k, in white noise."""
    n = round((duration_s + 2 * PAD_S) * RATE_HZ)
    t = np.arange(n) / RATE_HZ - PAD_S
    rate = np.full(n, rate_hz)
    extent = np.full(n, float(extent_cents))
    if rate_cv:
        rate *= 1 + rate_cv * smooth_noise(t, 1 / rate_hz, rng)
    if extent_cv:
        extent *= np.maximum(1 + extent_cv * smooth_noise(t, 1 / rate_hz, rng), 0.05)
    if delay_s:
        u = np.clip((t - delay_s) * rate_hz / 0.6 + 0.5, 0, 1)
        extent = extent * u * u * (3 - 2 * u)
    psi = 2 * np.pi * np.cumsum(rate) / RATE_HZ + rng.uniform(0, 2 * np.pi)
    cycle = sawtooth(psi + np.pi, 0.5) if triangle else np.cos(psi)
    curve = extent * cycle + (
        0.0 if cents is None else np.interp(t, np.linspace(0, duration_s, len(cents)), cents)
    )
    phase = 2 * np.pi * np.cumsum(f0_hz * 2 ** (curve / 1200)) / RATE_HZ
    x = np.zeros(n)
    for k in range(1, harmonics + 1):
        if k * f0_hz * 1.1 < RATE_HZ / 2:
            x += np.cos(k * phase + rng.uniform(0, 2 * np.pi)) / k
    x *= 0.2 / np.std(x)
    x *= 10 ** (level_db * np.cos(psi + level_lead_rad) / 20)
    x *= np.clip(np.minimum(t, duration_s - t) / 0.01, 0, 1)
    x += rng.standard_normal(n) * 0.2 * 10 ** (-snr_db / 20)
    return Tone(x.astype(np.float32), PAD_S, PAD_S + duration_s, t + PAD_S, curve, psi, extent)


def bound(
    *,
    f0_hz: float,
    rate_hz: float,
    extent_cents: float,
    duration_s: float,
    snr_db: float,
    triangle: bool = False,
    harmonics: int = 12,
) -> tuple[float, float]:
    """Cramér-Rao bounds of rate (Hz) and extent (cents) for the tone of :func:`tone`.

    Numeric Fisher information of the full harmonic model in white noise; unknown are phase, pitch, rate,
    extent and phase of the cycle, and for a triangle the share of its odd harmonics (a sine's is taken as
    known). Amplitudes and phases of the harmonics are orthogonal to these but for the common phase.
    """
    k = np.array([k for k in range(1, harmonics + 1) if k * f0_hz * 1.1 < RATE_HZ / 2])
    amplitude = (1.0 / k) * 0.2 * np.sqrt(2.0 / np.sum(1.0 / k**2))
    noise = (0.2 * 10 ** (-snr_db / 20)) ** 2
    information = np.sum((k * amplitude) ** 2) / (2 * noise)
    t = (np.arange(round(duration_s * RATE_HZ)) + 0.5) / RATE_HZ - duration_s / 2

    def phase(q: np.ndarray) -> np.ndarray:
        psi = 2 * np.pi * q[3] * t + q[4]
        cycle = np.cos(psi)
        if triangle:
            fundamental = 8 / np.pi**2
            rest = sawtooth(psi + np.pi, 0.5) - fundamental * np.cos(psi)
            cycle = (np.cos(psi) + q[5] * rest) / (1 + q[5] * (1 - fundamental))
        return q[0] + 2 * np.pi * f0_hz * np.cumsum(2 ** ((q[1] + q[2] * cycle) / 1200)) / RATE_HZ

    q0 = np.array([0.0, 0.0, extent_cents, rate_hz, 0.7, np.pi**2 / 8])[: 6 if triangle else 5]
    steps = np.array([1e-4, 1e-3, 1e-3, 1e-5, 1e-4, 1e-4])[: len(q0)]
    jacobian = [
        (phase(q0 + step) - phase(q0 - step)) / (2 * h) for h, step in zip(steps, np.diag(steps), strict=True)
    ]
    fisher = information * np.array(jacobian) @ np.array(jacobian).T
    scale = 1 / np.sqrt(np.diag(fisher))
    covariance = np.linalg.inv(fisher * scale * scale[:, None]) * scale * scale[:, None]
    return float(np.sqrt(covariance[3, 3])), float(np.sqrt(covariance[2, 2]))
