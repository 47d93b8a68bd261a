r"""Is there vibrato? A likelihood-ratio test against a straight note that drifts, wanders and jitters.

Definition
----------
Twice the log likelihood ratio of (background + a sinusoid of any rate in the range, over the whole
note or over its later part) against the background alone, both maximised over the background's
variances (:mod:`vibstudy.vibrato.noise`). With one fixed rate the ratio of residual sums of squares
has the exact null distribution of a periodogram with estimated noise,
:math:`p_1 = (SSR_1/SSR_0)^{(\nu)/2}`. The search over rates is accounted for by the expected number
of up-crossings (Davies 1987, Biometrika 74:33-43; in the form of Baluev 2008, MNRAS 385:1279-1285):

.. math:: p = 1 - (1 - p_1)\,e^{-\tau}, \qquad \tau = c\,W\,p_1 \sqrt{\ln(1/p_1)},
          \qquad W = \Delta f\,T.

*c* is 1. The background is estimated from few values and the search goes over windows too, so the
formula is too confident for real noise; the probability given is :math:`0.36\,p^{0.52}`, calibrated by
simulation (``benchmarks/false_alarms.py``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vibstudy.vibrato.noise import Series

TOP_HZ = 24.0
"""What lies above says nothing of the background at the vibrato's rates."""

CALIBRATION = (0.36, 0.52)
"""Factor and power that turn the formula's probability into the one found on simulated straight notes with
noise, drift, jitter and accompaniment (``benchmarks/false_alarms.py``)."""


@dataclass(frozen=True)
class Detection:
    """Outcome of the test.

    Parameters
    ----------
    p : float
        False-alarm probability.
    rate_hz : float
        Rate of the best sinusoid.
    amplitude : float
        Its amplitude, in the units of the series (cents or dB).
    start_s : float
        Start of the window it was found in, from the onset.
    noise : ndarray [shape=(3,)]
        v, s1 and s2 of the background at the best fit.
    """

    p: float
    rate_hz: float
    amplitude: float
    start_s: float
    noise: np.ndarray


def _sinusoids(series: Series, rates_hz: np.ndarray, start_s: float) -> np.ndarray:
    """Cosine and sine columns [shape=(n, 2, rates)] of a modulation that begins at `start_s`."""
    t = np.maximum(series.time_s - start_s, 0.0)[:, None]
    w = 2.0 * np.pi * rates_hz
    if series.integrated:
        return np.stack([np.sin(w * t) / w, (1.0 - np.cos(w * t)) / w], axis=1)
    on = (series.time_s >= start_s)[:, None]
    return np.stack([np.cos(w * t) * on, np.sin(w * t) * on], axis=1)


def detect(series: Series, rate_min_hz: float, rate_max_hz: float) -> Detection:
    """Test one series for a sinusoidal modulation.

    Parameters
    ----------
    series : Series
        Integral of pitch, or level.
    rate_min_hz, rate_max_hz : float
        Range searched.
    """
    span = series.span_s
    rates = np.arange(rate_min_hz, rate_max_hz + 1e-9, min(0.3, 1.0 / (3.0 * span)))
    starts = [0.0]
    for share in (0.45,):
        if (1.0 - share) * series.duration_s > max(0.4, 2.5 / rate_min_hz):
            starts.append(share * series.duration_s)
    y = series.spectrum(series.values, TOP_HZ)
    x = series.spectrum(series.background(), TOP_HZ)
    columns = np.concatenate([_sinusoids(series, rates, start) for start in starts], axis=2)
    c = series.spectrum(columns, TOP_HZ)  # (m, 2, R)
    scale = np.sqrt(np.sum(x**2, axis=0))
    x = x / scale
    grid = series.noise_grid()
    d = grid @ series.noise_shapes()[:, : len(y)]
    m, p = x.shape
    count = c.shape[2]

    w = 1.0 / d  # (G, m)
    log_d = np.sum(np.log(d), axis=1)
    xx = (w @ (x[:, :, None] * x[:, None, :]).reshape(m, -1)).reshape(-1, p, p)
    xx[:, np.arange(p), np.arange(p)] *= 1.0 + 1e-10
    xy = w @ (x * y[:, None])
    yy = w @ y**2
    right = np.concatenate([c.reshape(m, -1), y[:, None]], axis=1)
    xr = np.stack([(w * x[:, i]) @ right for i in range(p)], axis=1)  # (G, p, 2R + 1)
    solved = np.linalg.inv(xx) @ xr
    ssr0 = yy - np.sum(xy * solved[:, :, -1], axis=1)
    cc = np.stack([w @ (c[:, 0] ** 2), w @ (c[:, 0] * c[:, 1]), w @ (c[:, 1] ** 2)], axis=1)
    cy = (w @ (c.reshape(m, -1) * y[:, None])).reshape(-1, 2, count)
    xc = xr[:, :, :-1].reshape(-1, p, 2, count)
    sc = solved[:, :, :-1].reshape(-1, p, 2, count)
    a11 = cc[:, 0] - np.sum(xc[:, :, 0] * sc[:, :, 0], axis=1)
    a12 = cc[:, 1] - np.sum(xc[:, :, 0] * sc[:, :, 1], axis=1)
    a22 = cc[:, 2] - np.sum(xc[:, :, 1] * sc[:, :, 1], axis=1)
    b = cy - np.einsum("gp,gpir->gir", solved[:, :, -1], xc)
    det = a11 * a22 - a12**2
    usable = det > 1e-9 * a11 * a22
    safe = np.where(usable, det, 1.0)
    gain = (a22 * b[:, 0] ** 2 - 2.0 * a12 * b[:, 0] * b[:, 1] + a11 * b[:, 1] ** 2) / safe
    gain = np.where(usable, np.clip(gain, 0.0, None), 0.0)
    ssr1 = np.maximum(ssr0[:, None] - gain, 1e-9 * ssr0[:, None] + 1e-300)

    log_xx = np.linalg.slogdet(xx)[1]
    free = m - p
    like0 = -0.5 * (log_d + log_xx + free * np.log(np.maximum(ssr0, 1e-300)))
    like1 = -0.5 * ((log_d + log_xx)[:, None] + free * np.log(ssr1))
    g, r = np.unravel_index(np.argmax(like1), like1.shape)
    statistic = max(2.0 * (like1[g, r] - like0.max()), 0.0)
    amplitude = np.hypot(
        (a22[g, r] * b[g, 0, r] - a12[g, r] * b[g, 1, r]) / safe[g, r],
        (a11[g, r] * b[g, 1, r] - a12[g, r] * b[g, 0, r]) / safe[g, r],
    )
    freedom = max(m - p - 2, 1)
    log_p1 = -0.5 * statistic * freedom / free
    crossings = (rate_max_hz - rate_min_hz) * span * np.exp(log_p1) * np.sqrt(-log_p1)
    p_value = float(-np.expm1(np.log1p(-min(np.exp(log_p1), 1 - 1e-16)) - crossings))
    factor, power = CALIBRATION
    return Detection(
        p=min(factor * p_value**power, 1.0),
        rate_hz=float(rates[r % len(rates)]),
        amplitude=float(amplitude),
        start_s=float(starts[r // len(rates)]),
        noise=grid[g] * ssr1[g, r] / freedom,
    )
