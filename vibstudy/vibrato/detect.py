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

*c* is 1. A bend of a short note looks like one turn of slow vibrato, so here the drift of the pitch goes up
to the fourth power of time. The background is estimated from few values and the search goes over windows
too, so the formula is too confident where it is small; the probability given is
:math:`p + 0.06\,p^{0.35} (1 - p)^4`, calibrated by simulation (``benchmarks/false_alarms.py``). It is nearly
uniform for straight notes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vibstudy.vibrato.noise import Series

TOP_HZ = 24.0
"""What lies above says nothing of the background at the vibrato's rates."""

BENT_S = 0.4  # duration from which a straight note may bend to and fro
LATE = 0.45  # share of a long note from which vibrato is looked for too

CALIBRATION = (0.06, 0.35, 4.0)
"""What is added to the formula's probability, so that it is the one found on simulated straight notes with
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
    """Cosine, then sine columns [shape=(n, 2 * rates)] of a modulation that begins at `start_s`."""
    w = 2.0 * np.pi * rates_hz
    first = int(np.searchsorted(series.time_s, start_s))
    turn = np.ones((len(series.time_s), len(w)), dtype=complex)
    turn[first] = np.exp(1j * w * (series.time_s[first] - start_s))
    turn[first + 1 :] = np.exp(1j * w * series.step_s)
    np.multiply.accumulate(turn[first:], axis=0, out=turn[first:])
    if series.integrated:
        return np.concatenate([turn.imag / w, (1.0 - turn.real) / w], axis=1)
    turn[:first] = 0.0
    return np.concatenate([turn.real, turn.imag], axis=1)


def _background(series: Series) -> np.ndarray:
    """Background of a straight note [shape=(n, p)], with more drift of the pitch than else."""
    columns = series.background()
    if not series.integrated or series.duration_s <= BENT_S:
        return columns
    x = 2.0 * series.time_s / series.duration_s - 1.0
    return np.column_stack([columns, x**4, x**5])


class Search:
    """What the test needs besides the values; one for all series at the same times.

    Parameters
    ----------
    series : Series
        Integral of pitch, or level.
    rate_min_hz, rate_max_hz : float
        Range searched.
    """

    def __init__(self, series: Series, rate_min_hz: float, rate_max_hz: float):
        self.series = series
        span, duration = series.span_s, series.duration_s
        self.rates = np.arange(rate_min_hz, rate_max_hz + 1e-9, min(0.3, 1.0 / (3.0 * span)))
        self.width = (rate_max_hz - rate_min_hz) * span
        late = (1.0 - LATE) * duration > max(0.4, 2.5 / rate_min_hz)
        self.starts = [0.0, LATE * duration] if late else [0.0]
        background = _background(series)
        p = background.shape[1]
        columns = [background, *(_sinusoids(series, self.rates, start) for start in self.starts)]
        spectra = series.spectrum(np.concatenate(columns, axis=1), TOP_HZ)
        m = len(spectra)
        x = spectra[:, :p]
        x = x / np.sqrt(np.einsum("ij,ij->j", x, x))
        c = spectra[:, p:].reshape(m, len(self.starts), 2, -1).transpose(0, 2, 1, 3)
        self.count = c.shape[2] * c.shape[3]
        self.c = c.reshape(m, -1)  # cosines, then sines
        self.free = m - p
        self.grid = series.noise_grid()
        d = self.grid @ series.noise_shapes()[:, :m]
        self.w = 1.0 / d

        # sums over the spectrum for every background of the grid at once; what the background takes is out
        self.wx = (self.w[:, None, :] * x.T).reshape(-1, m)
        seen = (self.wx @ np.concatenate([x, self.c], axis=1)).reshape(len(d), p, -1)
        xx = seen[:, :, :p]
        xx[:, np.arange(p), np.arange(p)] *= 1.0 + 1e-10
        root = np.linalg.cholesky(xx)
        self.log_det = np.sum(np.log(d), axis=1) + 2.0 * np.sum(np.log(np.einsum("gii->gi", root)), axis=1)
        self.root = np.linalg.inv(root)
        self.taken = self.root @ seen[:, :, p:]
        square = self.w @ self.c**2 - np.einsum("gpi,gpi->gi", self.taken, self.taken)
        cosine, sine = slice(None, self.count), slice(self.count, None)
        self.a11, self.a22 = square[:, cosine], square[:, sine]
        self.a12 = self.w @ (self.c[:, cosine] * self.c[:, sine])
        self.a12 -= np.einsum("gpi,gpi->gi", self.taken[:, :, cosine], self.taken[:, :, sine])
        det = self.a11 * self.a22 - self.a12**2
        self.det = np.where(det > 1e-9 * self.a11 * self.a22, det, np.inf)  # else of no use: no gain

    def test(self, values: np.ndarray) -> Detection:
        """Test one series for a sinusoidal modulation.

        Parameters
        ----------
        values : ndarray [shape=(n,)]
            At the times of the series.
        """
        y = self.series.spectrum(values[:, None], TOP_HZ)
        ty = self.root @ (self.wx @ y).reshape(len(self.w), -1, 1)
        b = self.w @ (y * self.c) - (ty.transpose(0, 2, 1) @ self.taken)[:, 0]
        b1, b2 = b[:, : self.count], b[:, self.count :]
        ssr0 = self.w @ y[:, 0] ** 2 - np.einsum("gpi,gpi->g", ty, ty)
        gain = (self.a22 * b1**2 - 2.0 * self.a12 * b1 * b2 + self.a11 * b2**2) / self.det
        ssr1 = np.maximum(ssr0[:, None] - np.maximum(gain, 0.0), 1e-9 * ssr0[:, None] + 1e-300)
        like0 = -0.5 * (self.log_det + self.free * np.log(np.maximum(ssr0, 1e-300)))
        like1 = -0.5 * (self.log_det[:, None] + self.free * np.log(ssr1))
        g, r = np.unravel_index(np.argmax(like1), like1.shape)
        cosine = (self.a22[g, r] * b1[g, r] - self.a12[g, r] * b2[g, r]) / self.det[g, r]
        sine = (self.a11[g, r] * b2[g, r] - self.a12[g, r] * b1[g, r]) / self.det[g, r]
        freedom = max(self.free - 2, 1)
        late, rate = divmod(int(r), len(self.rates))
        return Detection(
            p=self._probability(2.0 * (like1[g, r] - like0.max())),
            rate_hz=float(self.rates[rate]),
            amplitude=float(np.hypot(cosine, sine)),
            start_s=self.starts[late],
            noise=self.grid[g] * ssr1[g, r] / freedom,
        )

    def _probability(self, statistic: float) -> float:
        """Probability that a straight note reaches this likelihood ratio."""
        log_p1 = -0.5 * max(statistic, 0.0) * max(self.free - 2, 1) / self.free
        crossings = self.width * np.exp(log_p1) * np.sqrt(-log_p1)
        p_value = float(-np.expm1(np.log1p(-min(np.exp(log_p1), 1 - 1e-16)) - crossings))
        factor, small, large = CALIBRATION
        return p_value + factor * p_value**small * (1.0 - p_value) ** large


def detect(series: Series, rate_min_hz: float, rate_max_hz: float) -> Detection:
    """Test one series for a sinusoidal modulation of a rate in this range."""
    return Search(series, rate_min_hz, rate_max_hz).test(series.values)
