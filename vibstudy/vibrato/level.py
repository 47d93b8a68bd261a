r"""How much of a vibrato is loudness, and how much is timbre.

Definitions
-----------
intensity depth
    HALF of the peak-to-peak modulation of the note's level (dB, all harmonics together) at the
    vibrato's own cycle: the amplitude of the component in step with the fitted phase ψ of the pitch.
intensity phase
    Phase of the level against the pitch: 0 = loudest where the pitch is highest; positive = the level
    leads. On winds level, brightness and pitch all move at the vibrato rate (Gilbert, Simon & Terroir
    2005, JASA 118(4):2649-2655; figures not used).
timbre depth
    HALF of the peak-to-peak modulation of the spectral centroid counted in harmonic numbers,
    :math:`1200 \log_2 (\sum k P_k / \sum P_k)` in cents. Counted so, a rise of pitch alone leaves it
    where it is; what moves it is the harmonics' balance: brightness of the source, or harmonics
    sliding under a fixed resonance.
depth per harmonic
    Median over harmonics of the HALF peak-to-peak level modulation of each. Under a fixed resonance
    every partial is modulated although the whole is not (Mellody & Wakefield 2000, JASA
    107(1):598-611): a large value with a small intensity depth is the sign of it.

A vibrato of air alone (level moves, pitch does not) is found by the same test on the level as is
made on the pitch, unless the level falls in short dips from a plateau, or rises in short bursts: one pitch
tongued again and again, not breath (:func:`is_articulated`). It must stand out both of the level of all
harmonics together and of the median of the harmonics' own levels: a partial of an accompaniment beats with
one or two harmonics, a player's breath moves them all. Depths are freed of the bias that noise gives to an
amplitude:
:math:`A^2 \approx \hat a^2 + \hat b^2 - \mathrm{var}(\hat a) - \mathrm{var}(\hat b)`.

Of a note in a room, or beside others, the intensity is the direct sound's: :mod:`vibstudy.vibrato.direct`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vibstudy.vibrato.noise import Series

MOST_SKEWNESS = 0.7
"""Of the level of a breath; see :func:`is_articulated`."""


@dataclass(frozen=True)
class Modulation:
    """A component in step with a given phase.

    Parameters
    ----------
    depth : float
        HALF of peak-to-peak, in the units of the series.
    depth_se : float
        Its standard error.
    phase_rad : float
        Phase by which the series leads the cosine of the given phase, -π..π.
    """

    depth: float
    depth_se: float
    phase_rad: float

    @classmethod
    def of(cls, step: np.ndarray, covariance: np.ndarray) -> Modulation:
        """From the factors of cosine and sine [2], and the covariance of their errors."""
        raw = float(np.hypot(*step))
        direction = step / max(raw, 1e-300)
        se = float(np.sqrt(direction @ covariance @ direction))
        depth = float(np.sqrt(max(raw**2 - np.trace(covariance), 0.0)))
        return cls(depth, se, float(np.arctan2(-step[1], step[0])))


def in_step(series: Series, psi: np.ndarray, gate: np.ndarray) -> list[Modulation]:
    """Component of each of several levels in step with the vibrato.

    Parameters
    ----------
    series : Series
        Levels, not integrated [shape of its values=(n, levels)].
    psi : ndarray [shape=(n,)]
        Phase of the vibrato at the series' times.
    gate : ndarray [shape=(n,), range 0..1]
        Where the vibrato is.
    """
    steps = np.stack([gate * np.cos(psi), gate * np.sin(psi)], axis=1)
    x = series.spectrum(np.concatenate([steps, series.background()], axis=1))
    y = series.spectrum(series.values)
    shapes = series.noise_grid() @ series.noise_shapes()
    w = 1.0 / shapes
    m, p = x.shape
    seen = (w[:, None, :] * x.T).reshape(-1, m) @ np.concatenate([x, y], axis=1)
    seen = seen.reshape(len(w), p, -1)
    xx, xy = seen[:, :, :p], seen[:, :, p:]
    xx[:, np.arange(p), np.arange(p)] *= 1.0 + 1e-9
    beta = np.linalg.solve(xx, xy)
    rest = np.maximum(w @ y**2 - np.einsum("gpi,gpi->gi", xy, beta), 1e-300)
    free = max(m - p, 1)
    log_det = np.sum(np.log(shapes), axis=1) + np.linalg.slogdet(xx)[1]
    best = np.argmin(log_det[:, None] + free * np.log(rest), axis=0)
    return [
        Modulation.of(beta[g, :2, i], np.linalg.inv(xx[g])[:2, :2] * rest[g, i] / free)
        for i, g in enumerate(best)
    ]


def is_articulated(level_db: np.ndarray) -> bool:
    """Whether a level that goes up and down does so as repeated attacks do, not as breath does.

    By its skewness, a cubic drift taken out. A breath swells and ebbs: a sine with a second harmonic of 0.4
    comes to 0.7 at worst, and that of real flutes' and cellos' vibratos is mostly below 0.3. Dips of a
    quarter of the cycle and shorter exceed it.
    """
    x = np.linspace(-1.0, 1.0, len(level_db))
    # swell and fade
    rest = level_db - np.polynomial.polynomial.polyval(x, np.polynomial.polynomial.polyfit(x, level_db, 3))
    return bool(abs(np.mean(rest**3)) > MOST_SKEWNESS * np.mean(rest**2) ** 1.5)


def harmonic_depth_db(harmonic_db: np.ndarray, psi: np.ndarray, gate: np.ndarray) -> float:
    """Median over harmonics of the HALF peak-to-peak level modulation in step with the vibrato.

    Parameters
    ----------
    harmonic_db : ndarray [shape=(harmonics, n)]
        Levels of the harmonics heard.
    psi, gate : ndarray [shape=(n,)]
        As in :func:`in_step`.
    """
    inside = gate > 0.5  # where the vibrato has come to half
    n = int(inside.sum())
    if n < 8 or not len(harmonic_db):  # six columns are fitted
        return float("nan")
    u = np.linspace(-1.0, 1.0, n)
    x = np.stack([np.cos(psi[inside]), np.sin(psi[inside]), np.ones(n), u, u**2, u**3], axis=1)
    inverse = np.linalg.pinv(x.T @ x)
    beta = inverse @ x.T @ harmonic_db[:, inside].T
    rest = harmonic_db[:, inside].T - x @ beta
    noise = np.sum(rest**2, axis=0) / (n - 6) * np.trace(inverse[:2, :2])  # of six columns
    return float(np.median(np.sqrt(np.maximum(beta[0] ** 2 + beta[1] ** 2 - noise, 0.0))))


def shared_level_db(harmonic_db: np.ndarray) -> np.ndarray:
    """What most harmonics' levels do [shape=(n,)]: the median of their deviations from their own means."""
    return np.median(harmonic_db - harmonic_db.mean(axis=1, keepdims=True), axis=0)


def centroid_cents(harmonic_db: np.ndarray) -> np.ndarray:
    """Spectral centroid counted in harmonic numbers, in cents re the fundamental [shape=(n,)]."""
    power = 10.0 ** (harmonic_db / 10.0)
    order = np.arange(1, len(power) + 1)[:, None]
    return 1200.0 * np.log2(np.sum(order * power, axis=0) / np.sum(power, axis=0))
