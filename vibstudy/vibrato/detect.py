r"""Is there vibrato? A likelihood-ratio test against a straight note that drifts, wanders and jitters.

Definition
----------
Twice the log likelihood ratio of (background + a sinusoid of any rate in the range, in one of several
windows) against the background alone, both maximised over the background's
variances (:mod:`vibstudy.vibrato.noise`). With one fixed rate the ratio of residual sums of squares
has the exact null distribution of a periodogram with estimated noise,
:math:`p_1 = (SSR_1/SSR_0)^{(\nu)/2}`. The search over rates is accounted for by the expected number
of up-crossings (Davies 1987, Biometrika 74:33-43; in the form of Baluev 2008, MNRAS 385:1279-1285):

.. math:: p = 1 - (1 - p_1)\,e^{-\tau}, \qquad \tau = c\,W\,p_1 \sqrt{\ln(1/p_1)},
          \qquad W = \Delta f\,T.

*c* is 1. A bend of a short note looks like one turn of slow vibrato, so here the drift of the pitch goes up
to the fourth power of time.

The windows are the whole note, its later part, and stretches anywhere of two cycles and more, each half as
long as those before and overlapping by half (:func:`_windows`). Each has a share of the false alarms (most
to the first two), and the smallest probability over its share counts. Windows that overlap see much of the
same noise: the ratios of two windows for one sinusoid are correlated by the square of what they have in
common over the product of their lengths, and a set of them counts as :math:`(\sum\sqrt{\lambda})^2 /
\sum\lambda` windows, with λ the eigenvalues of these correlations (Galwey 2009, Genet. Epidemiol.
33:559-568, from memory). So the first two count; the stretches, which a single late scoop or bad splice
sets off, are counted one by one (Bonferroni). The probability of the stretches is raised to the power
`TAIL` first.

The background is estimated, from few values in a short note: of straight notes drawn from this model, too
few reach the formula's probability where the background is white, up to three times too many where it
falls. So it is multiplied by what such draws say (:data:`COLOURED`), in the mean (of logarithms) over the
backgrounds, each as likely as the straight note makes it: a parametric bootstrap, drawn once for all. What
pitch lines hold beside the model is in :data:`CALIBRATION`. The probability is nearly uniform for straight
notes (``benchmarks/false_alarms.py``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize

from vibstudy.vibrato.noise import Series

TOP_HZ = 24.0
"""What lies above says nothing of the background at the vibrato's rates."""

BENT_S = 0.4  # duration from which a straight note may bend to and fro
ANYWHERE, TAIL = 0.3, 0.5
"""Share of the false alarms allowed to stretches anywhere, and the power of their probability that holds:
what is not stationary (a late scoop, a bad splice of the line) is found by short windows first. Where
stretches are not looked at, their share is nobody's."""
# 0.4 s: two cycles at 5 Hz
SHRINK, SHORTEST_S, SHORTEST = 0.55, 0.4, 0.1
LEAST_CYCLES = 2.0
LATE = 0.45  # share of a long note from which vibrato is looked for too

COLOURED_FREE, COLOURED_DB = (15.0, 25.0, 40.0, 60.0, 100.0), (0.5, 5.0, 10.0)
COLOURED = np.array(
    [[-1.4, -0.5, 0.8], [-0.95, 0.3, 1.0], [-0.55, 0.3, 0.35], [-0.6, -0.05, -0.05], [-0.6, -0.3, -0.35]]
)
"""Log of how often straight notes drawn from the model reach the formula's probability of a tenth, over a
tenth, by the degrees of freedom and by how the background falls from the slowest rate to `TOP_HZ`, dB an
octave (``benchmarks/false_alarms.py --colours``)."""

CALIBRATION = (0.5, 0.82)
"""Factor and power that make a small probability the one found on simulated straight notes with noise, drift,
jitter and accompaniment (``benchmarks/false_alarms.py``, seeds 91 to 94)."""


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
    start_s, end_s : float
        The window it was found in, from the onset.
    noise : ndarray [shape=(3,)]
        v, s1 and s2 of the background at the best fit.
    usual : bool
        Whether that is the whole note or its later part.
    limit : float
        Amplitude at which vibrato all through the note would be found in half of all cases, in the units of
        the series.
    """

    p: float
    rate_hz: float
    amplitude: float
    start_s: float
    end_s: float
    noise: np.ndarray
    usual: bool = True
    limit: float = float("nan")


def _windows(duration_s: float, rate_min_hz: float, anywhere: bool) -> list[tuple[float, float]]:
    """Where vibrato is looked for, start and end.

    The whole note, its later part, and stretches anywhere: their lengths fall by a factor of `SHRINK` to
    `SHORTEST_S` or a share `SHORTEST` of the note; those of one length overlap by half.
    """
    windows = [(0.0, duration_s)]
    if (1.0 - LATE) * duration_s > max(0.4, 2.5 / rate_min_hz):  # two and a half cycles of the slowest
        windows.append((LATE * duration_s, duration_s))
    length = SHRINK * duration_s if anywhere else 0.0
    while length >= max(SHORTEST_S, SHORTEST * duration_s):
        count = int(np.ceil((duration_s - length) / (0.5 * length))) + 1
        windows += [(float(at), float(at + length)) for at in np.linspace(0.0, duration_s - length, count)]
        length *= SHRINK
    return windows


def _independent(windows: np.ndarray) -> float:
    """How many independent windows as many false alarms would come from [shape of windows=(n, 2)], s."""
    if not len(windows):
        return 1.0
    start, end = windows.T
    common = np.minimum(end[:, None], end) - np.maximum(start[:, None], start)
    length = end - start
    correlation = np.maximum(common, 0.0) ** 2 / (length[:, None] * length)
    roots = np.sqrt(np.maximum(np.linalg.eigvalsh(correlation), 0.0))
    return float(roots.sum() ** 2 / len(windows))


def _sinusoids(series: Series, rates_hz: np.ndarray, start_s: float, end_s: float) -> np.ndarray:
    """Cosine, then sine columns [shape=(n, 2 * rates)] of a modulation between two times."""
    w = 2.0 * np.pi * rates_hz
    first = int(np.searchsorted(series.time_s, start_s))
    last = int(np.searchsorted(series.time_s, end_s))
    turn = np.ones((len(series.time_s), len(w)), dtype=complex)
    turn[first:last] = np.exp(1j * w * (series.time_s[first:last, None] - start_s))
    if series.integrated:
        turn[last:] = np.exp(1j * w * (end_s - start_s))
        return np.concatenate([turn.imag / w, (1.0 - turn.real) / w], axis=1)
    turn[:first] = turn[last:] = 0.0
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
    anywhere : bool
        Whether to look in stretches anywhere, too, not only in the whole note and its later part.
    """

    def __init__(self, series: Series, rate_min_hz: float, rate_max_hz: float, anywhere: bool = False):
        self.series = series
        self.windows = _windows(series.duration_s, rate_min_hz, anywhere)
        rates, which, cosines, sines = [], [], [], []
        for number, (start, end) in enumerate(self.windows):
            length = min(end, series.time_s[-1]) - start
            lowest = max(rate_min_hz, LEAST_CYCLES / length)
            if number and lowest >= rate_max_hz:
                continue
            own = np.arange(
                min(lowest, rate_max_hz) if number else rate_min_hz, rate_max_hz + 1e-9, _step_hz(length)
            )
            rates.append(own)
            which.append(np.full(len(own), number))
            both = _sinusoids(series, own, start, end)
            cosines.append(both[:, : len(own)])
            sines.append(both[:, len(own) :])
        self.rates, self.which = np.concatenate(rates), np.concatenate(which)
        self.firsts = np.flatnonzero(np.diff(self.which, prepend=-1))
        self.width = np.array(
            [
                (own[-1] - own[0]) * (self.windows[at[0]][1] - self.windows[at[0]][0])
                for own, at in zip(rates, which, strict=True)
            ]
        )
        late = len(self.windows) > 1 and self.windows[1] == (LATE * series.duration_s, series.duration_s)
        self.usual = usual = self.which[self.firsts] <= late
        searched = np.array(self.windows)[self.which[self.firsts]]
        self.shares = np.where(
            usual,
            (1.0 - ANYWHERE) / _independent(searched[usual]),
            ANYWHERE / max(int(np.sum(~usual)), 1),
        )
        self.tail = np.where(usual, 1.0, TAIL)
        background = _background(series)
        p = background.shape[1]
        spectra = series.spectrum(np.concatenate([background, *cosines, *sines], axis=1), TOP_HZ)
        m = len(spectra)
        x = spectra[:, :p]
        x = x / np.sqrt(np.einsum("ij,ij->j", x, x))
        self.count = len(self.rates)
        self.c = spectra[:, p:]  # cosines, then sines
        self.x, self.free = x, m - p
        d = series.noise_grid(means=True) @ series.noise_shapes(means=True)[:, :m]
        self.coloured = _coloured(falls_db(d, rate_min_hz, series.span_s), self.free)
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

    def test(self, values: np.ndarray, false_alarm: float = 0.01) -> Detection:
        """Test one series for a sinusoidal modulation.

        Parameters
        ----------
        values : ndarray [shape=(n,)]
            At the times of the series.
        false_alarm : float [range 0..1]
            Probability below which vibrato counts as found, for the limit.
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
        best = like1.max(axis=0)
        statistic = 2.0 * (np.maximum.reduceat(best, self.firsts) - like0.max())
        chances = self._probability(statistic) ** self.tail / self.shares
        at = int(np.argmin(chances))
        last = self.firsts[at + 1] if at + 1 < len(self.firsts) else self.count
        r = int(self.firsts[at] + np.argmax(best[self.firsts[at] : last]))
        g = int(np.argmax(like1[:, r]))
        cosine = (self.a22[g, r] * b1[g, r] - self.a12[g, r] * b2[g, r]) / self.det[g, r]
        sine = (self.a11[g, r] * b2[g, r] - self.a12[g, r] * b1[g, r]) / self.det[g, r]
        freedom = max(self.free - 2, 1)
        start, end = self.windows[self.which[r]]
        likely = np.exp(like0 - like0.max())
        p_value = _calibrated(float(chances[at] * np.exp(likely @ self.coloured / likely.sum())))
        # the noise of the model that the test chooses
        straight = int(np.argmax(like0))
        chosen = (straight, float(ssr0[straight]) / self.free)
        if p_value < false_alarm:
            chosen = (g, float(ssr1[g, r]) / freedom)
        return Detection(
            p=p_value,
            rate_hz=float(self.rates[r]),
            amplitude=float(np.hypot(cosine, sine)),
            start_s=start,
            end_s=end,
            noise=self._at_points(y, r),
            usual=bool(self.usual[at]),
            limit=self._limit(*chosen, false_alarm),
        )

    def _at_points(self, y: np.ndarray, r: int) -> np.ndarray:
        """v, s1 and s2 beside one sinusoid as they are at points, where a fit begins."""
        grid = self.series.noise_grid()
        d = grid @ self.series.noise_shapes()[:, : len(y)]
        columns = np.concatenate([self.x, self.c[:, [r, r + self.count]]], axis=1)
        wx = columns.T / d[:, None, :]
        xx, xy = wx @ columns, wx @ y
        ssr = (1.0 / d) @ y[:, 0] ** 2 - np.sum(xy * np.linalg.solve(xx, xy), axis=(1, 2))
        ssr = np.maximum(ssr, 1e-300)
        straight = self.x.shape[1]
        log_det = np.sum(np.log(d), axis=1) + np.linalg.slogdet(xx[:, :straight, :straight])[1]
        g = int(np.argmin(log_det + self.free * np.log(ssr)))
        return grid[g] * ssr[g] / max(self.free - 2, 1)

    def _limit(self, g: int, noise: float, false_alarm: float) -> float:
        """Amplitude that is found in half of all cases, in the first window and at the median of its rates.

        With a background known to be `noise` times that of the grid, an amplitude A of unknown phase adds
        A² (a11 + a22) / 2 to the sum of squares, in the mean over phases.
        """
        own = slice(0, self.firsts[1] if len(self.firsts) > 1 else self.count)
        known = float(np.median((self.a11[g, own] + self.a22[g, own]) / 2.0)) / noise
        steep = np.exp(self.coloured[-1])  # what swings, taken for straight, falls as the steepest do

        def chance(statistic: float) -> float:
            first = self._probability(np.full(len(self.width), statistic))[0] / self.shares[0]
            return _calibrated(float(first * steep)) - false_alarm

        high = 1.0
        while chance(high) > 0.0 and high < 1e4:  # no note tells more
            high *= 2.0
        if not known > 0.0 or high >= 1e4:
            return float("nan")
        statistic = float(optimize.brentq(chance, high / 2.0 if high > 1.0 else 0.0, high, xtol=1e-3))
        return float(np.sqrt(self.free * np.expm1(statistic / self.free) / known))

    def _probability(self, statistic: np.ndarray) -> np.ndarray:
        """Probability that a straight note reaches these likelihood ratios, one a window."""
        log_p1 = -0.5 * np.maximum(statistic, 0.0) * max(self.free - 2, 1) / self.free
        crossings = self.width * np.exp(log_p1) * np.sqrt(-log_p1)
        return -np.expm1(np.log1p(-np.minimum(np.exp(log_p1), 1 - 1e-16)) - crossings)


def falls_db(power: np.ndarray, rate_min_hz: float, span_s: float) -> np.ndarray:
    """By how much backgrounds fall from the slowest rate on, dB an octave [shape of power=(grid, m)]."""
    rates = np.arange(1, power.shape[1] + 1) / (2.0 * span_s)
    told = rates >= min(rate_min_hz, rates[-2])  # two at least
    octaves = np.log2(rates[told])
    octaves -= octaves.mean()
    return -10.0 * (np.log10(power[:, told]) @ octaves) / (octaves @ octaves)


def _coloured(falls: np.ndarray, free: int) -> np.ndarray:
    """Log of the factor that draws from backgrounds that fall so say."""
    by_free = [np.interp(np.log(free), np.log(COLOURED_FREE), column) for column in COLOURED.T]
    return np.interp(falls, COLOURED_DB, by_free)


def _calibrated(p: float) -> float:
    """The formula's probability made the one found on simulated straight notes."""
    factor, power = CALIBRATION
    p = min(p, 1.0)
    return p**power * (factor + (1.0 - factor) * p)


def _step_hz(length_s: float) -> float:
    return min(0.3, 1.0 / (3.0 * length_s))  # a third of what the length resolves


def detect(
    series: Series,
    rate_min_hz: float,
    rate_max_hz: float,
    *,
    anywhere: bool = False,
    false_alarm: float = 0.01,
) -> Detection:
    """Test one series for a sinusoidal modulation of a rate in this range (:class:`Search`)."""
    return Search(series, rate_min_hz, rate_max_hz, anywhere).test(series.values, false_alarm)
