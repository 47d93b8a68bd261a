r"""The curve of a vibrato (:mod:`vibstudy.vibrato.fit` has the model): its cycle, gate, extent and phase.

Everything is a function of coefficients; nothing here knows of a sound. One cycle is
:math:`P(\psi) = \cos\psi + a\cos 2\psi + b\sin 2\psi + s\,R(\psi)`, where *R* is what a triangle has above
its fundamental, so that *s* = 0 is a sine and :math:`s = \pi^2/8` a triangle.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from vibstudy.pitch.calculus import running_integral

FADE_CYCLES = 0.6  # in which a vibrato comes and goes
TRIANGLE_FUNDAMENTAL = 8.0 / np.pi**2  # first Fourier coefficient of a triangle of peak 1
MAX_RANDOM = 40  # columns at most, for speed: longer notes are followed somewhat less closely
RANDOM_PER_CYCLE = 1.6  # irregularity from cycle to cycle, and a little within


def triangle_rest(psi: np.ndarray) -> np.ndarray:
    """Odd harmonics from the third on of a triangle in phase with a cosine, peak 1."""
    triangle = 1.0 - 2.0 * np.abs(np.mod(psi / np.pi + 1.0, 2.0) - 1.0)
    return triangle - TRIANGLE_FUNDAMENTAL * np.cos(psi)


def triangle_tail(psi: np.ndarray) -> np.ndarray:
    """The same from the seventh on."""
    low = np.cos(3.0 * psi) / 9.0 + np.cos(5.0 * psi) / 25.0  # 1 / k^2
    return triangle_rest(psi) - TRIANGLE_FUNDAMENTAL * low


def integral_of_triangle(extent: np.ndarray, psi: np.ndarray, t: np.ndarray) -> np.ndarray:
    """Running integral of extent times the triangle's odd harmonics.

    By parts, since the corners fall between frames.
    """
    turn = np.mod(psi + np.pi, 2.0 * np.pi) - np.pi
    area = turn - np.sign(turn) * turn**2 / np.pi - TRIANGLE_FUNDAMENTAL * np.sin(turn)
    step = float(t[1] - t[0])
    slow = extent / np.gradient(psi, step)
    return slow * area - running_integral(np.gradient(slow, step) * area, step)


def wave_at(second: np.ndarray, triangle: float, psi: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The cycle P(ψ) and its derivative."""
    wave, sine = np.cos(psi), np.sin(psi)
    slope = -sine
    if second.any():
        a, b = second
        twice, sine_twice = np.cos(2 * psi), np.sin(2 * psi)
        wave = wave + a * twice + b * sine_twice
        slope = slope - 2 * a * sine_twice + 2 * b * twice
    if triangle:
        wave = wave + triangle * triangle_rest(psi)
        square = np.where(sine >= 0.0, -2.0 / np.pi, 2.0 / np.pi)
        slope = slope + triangle * (square + TRIANGLE_FUNDAMENTAL * sine)
    return wave, slope


def extremes(second: np.ndarray, triangle: float) -> tuple[float, float]:
    """How far one cycle of unit extent goes above and below its centre."""
    if not second.any():
        return (1.0 + triangle * (1.0 - TRIANGLE_FUNDAMENTAL),) * 2
    cycle, _ = wave_at(second, triangle, np.linspace(0.0, 2.0 * np.pi, 721))  # half a degree
    return float(cycle.max()), float(-cycle.min())


def _smooth_step(x: np.ndarray) -> np.ndarray:
    """0 below -1/2, 1 above 1/2, a half at 0, smooth between."""
    u = np.clip(x + 0.5, 0.0, 1.0)
    return u * u * (3.0 - 2.0 * u)  # smooth at both ends


def gate_at(t: np.ndarray, start: Any, end: Any, duration: float, period: float) -> np.ndarray:
    """Gate at `t`; `start` and `end` may be arrays that broadcast with it."""
    fade = FADE_CYCLES * period
    gate = np.ones(np.broadcast_shapes(np.shape(t), np.shape(start), np.shape(end)))
    if np.any(start > 0.0):
        gate *= np.where(start > 0.0, _smooth_step((t - start) / fade), 1.0)
    if np.any(end < duration):
        gate *= np.where(end < duration, _smooth_step((end - t) / fade), 1.0)
    return gate


class Basis:
    """What extent and phase are made of over the vibrato's span.

    Extent: constant, slope, and cosines of equal prior variance. Phase: constant, slope (the mean rate),
    and the sines of a Brownian bridge, so that with free ends it is a random walk. Random columns come
    last.
    """

    def __init__(self, t: np.ndarray, duration: float, start: float, end: float, rate: float):
        self.start, self.end = start, end
        self.inside = slice(*np.searchsorted(t, [start, end]))
        self.gate = gate_at(t, start, end, duration, 1.0 / rate)
        u = np.clip((t - start) / (end - start), 0.0, 1.0)
        top = int(np.clip(RANDOM_PER_CYCLE * (end - start) * rate, 2, MAX_RANDOM))
        k = np.arange(2, top + 1)
        waves = np.sqrt(2.0) * np.cos(np.pi * k * u[:, None])
        one, line = np.ones_like(t), 2.0 * u - 1.0
        full = 2.0 * (t - start) / (end - start) - 1.0
        self.extent = np.column_stack([one, line, waves])
        turn = 2.0 * np.pi * rate * (end - start)
        k -= 1
        bridge = np.sqrt(2.0) * np.sin(np.pi * k * u[:, None]) / (np.pi * k)
        self.phase = np.column_stack([one, full, bridge * turn])
        self.random = top - 1


@dataclass
class State:
    """The curve as it stands: coefficients of extent and phase, and the shape of the cycle."""

    basis: Basis
    extent_c: np.ndarray
    phase_c: np.ndarray
    second: np.ndarray  # cosine and sine of the second harmonic, in units of the extent
    triangle: float  # share of the triangle's odd harmonics, in units of the extent

    @property
    def extent(self) -> np.ndarray:
        """Extent at the frames, cents [shape=(n,)]."""
        return self.basis.extent @ self.extent_c

    @property
    def psi(self) -> np.ndarray:
        """Phase of the cycle at the frames, rad [shape=(n,)]."""
        return self.basis.phase @ self.phase_c

    def on(self, basis: Basis, t: np.ndarray) -> State:
        """The same curve on another basis (least squares inside its span)."""
        inside = (t >= basis.start) & (t <= basis.end)

        def carry(columns: np.ndarray, values: np.ndarray) -> np.ndarray:
            return np.linalg.lstsq(columns[inside], values[inside], rcond=1e-8)[0]

        return State(
            basis, carry(basis.extent, self.extent), carry(basis.phase, self.psi), self.second, self.triangle
        )
