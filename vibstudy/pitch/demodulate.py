"""Harmonics brought to rest along a base line, and what their window does to them.

:mod:`vibstudy.pitch.refine` has the definition: a Blackman window of `PERIODS` periods, its zeros on the
neighbouring harmonics. Thinning to frames and filtering are one matrix product.
"""

from __future__ import annotations

from functools import lru_cache

import numba
import numpy as np
from scipy.ndimage import convolve1d
from scipy.signal.windows import blackman

from vibstudy.pitch.calculus import Spline

PERIODS = 3  # length of the window in periods: its first zero falls on the neighbouring harmonic
HOPS = 2.2  # and in hops, so that no sound between two frames is lost
MIN_FRAME_RATE_HZ = 250.0  # many to a cycle of vibrato
MAX_FRAME_RATE_HZ = 320.0  # more tell nothing that the window has not smoothed away
COURSE_S = 0.045  # a harmonic's level and phase are smooth over this, once the line is followed
NOISE_BANDWIDTH = 1.7268  # equivalent noise bandwidth of a Blackman window, in 1 / length


class Demodulator:
    """Brings the harmonics of one stretch of sound to rest along a base line."""

    def __init__(self, samples: np.ndarray, rate_hz: float, start_s: float, f0_hz: float):
        self.rate_hz, self.start_s = rate_hz, start_s
        frame_rate = np.clip(f0_hz, MIN_FRAME_RATE_HZ, MAX_FRAME_RATE_HZ)
        self.hop = max(1, round(rate_hz / frame_rate))
        length = max(round(PERIODS * rate_hz / f0_hz), round(HOPS * self.hop))
        self.overlap = -(-length // self.hop)
        frames = len(samples) // self.hop - self.overlap + 1
        self.frames = max(frames, 0)
        if not self.frames:
            return
        window = np.zeros(self.overlap * self.hop)
        lead = (len(window) - length) // 2
        window[lead : lead + length] = blackman(length + 2)[1:-1]
        window /= window.sum()
        self.window_s = length / rate_hz
        self._window = window.reshape(self.overlap, self.hop).astype(np.float32)
        used = (self.frames + self.overlap - 1) * self.hop
        self._samples = samples[:used].astype(np.float32)
        self._centre = lead + 0.5 * (length - 1)
        self.time_s = start_s + (np.arange(self.frames) * self.hop + self._centre) / rate_hz

    @classmethod
    def of_note(
        cls, samples: np.ndarray, rate_hz: float, onset_s: float, offset_s: float, f0_hz: float
    ) -> Demodulator:
        """The stretch from `onset_s` to `offset_s`, as far as there is sound."""
        first = max(0, round(onset_s * rate_hz))
        last = min(len(samples), round(offset_s * rate_hz))
        return cls(samples[first:last], rate_hz, first / rate_hz, f0_hz)

    def rest(self, line_hz: np.ndarray, harmonics: int) -> np.ndarray:
        """Complex amplitudes [shape=(harmonics, frames)] along the base line [shape=(frames,)]."""
        phase = self._phase(line_hz)
        return _at_rest(self._samples, np.cos(phase), np.sin(phase), self._window, harmonics)

    def without(self, line_hz: np.ndarray, harmonics: int) -> np.ndarray:
        """The sound less what its harmonics along a line do slowly (:func:`slow_course`) [shape=(n,)]."""
        steady = slow_course(self.rest(line_hz, harmonics), self.hop / self.rate_hz).astype(np.complex64)
        phase = self._phase(line_hz)
        turn = np.stack([np.cos(phase), np.sin(phase)])
        return _less(self._samples, np.stack([steady.real, steady.imag]), turn, self.hop, self._centre)

    def _phase(self, line_hz: np.ndarray) -> np.ndarray:
        """Phase of a line at the samples, from 0 to 2π [shape=(n,), float32]."""
        line = Spline(line_hz, self.hop / self.rate_hz)
        turns = line.integral_between(self.hop, self._centre, len(self._samples))
        return _within_turn(turns)


@numba.njit(cache=True)
def _within_turn(turns):
    """Phase from 0 to 2π of turns [shape=(n,), float32]."""
    phase = np.empty(len(turns), dtype=np.float32)
    for t in range(len(turns)):
        phase[t] = 2.0 * np.pi * (turns[t] - np.floor(turns[t]))
    return phase


@numba.njit(cache=True, error_model="numpy", fastmath={"contract", "reassoc"})
def _at_rest(samples, cosine, sine, window, harmonics):
    """Sound turned back by each harmonic's phase, smoothed and thinned [shape=(harmonics, frames)].

    `cosine`, `sine`: those of the fundamental. `window` [overlap, hop]: cut into hops. A hop is turned back
    for all harmonics before the next, so that what is worked on stays near the processor.
    """
    overlap, hop = window.shape
    frames = len(samples) // hop - overlap + 1
    out = np.zeros((harmonics, frames), dtype=np.complex128)
    last, turned = np.empty((2, 2, hop), dtype=np.float32), np.empty(hop, dtype=np.float32)
    for number in range(frames + overlap - 1):
        first = number * hop
        sound, turned[:] = samples[first : first + hop], 2.0 * cosine[first : first + hop]
        # cos(k x) = 2 cos(x) cos((k - 1) x) - cos((k - 2) x), and the same for the sine
        for t in range(hop):
            last[0, 0, t], last[0, 1, t] = sound[t] * cosine[first + t], sound[t] * sine[first + t]
            last[1, 0, t], last[1, 1, t] = sound[t], 0.0
        for k in range(harmonics):
            now = last[k % 2]
            real, imag = now[0], now[1]
            for j in range(max(0, number - frames + 1), min(overlap, number + 1)):
                own, u, v = window[j], np.float32(0.0), np.float32(0.0)
                for t in range(hop):
                    u += own[t] * real[t]
                    v += own[t] * imag[t]
                out[k, number - j] += complex(u, -v)
            before = last[1 - k % 2]
            x, y = before[0], before[1]
            for t in range(hop):
                x[t] = real[t] * turned[t] - x[t]
                y[t] = imag[t] * turned[t] - y[t]
    return out


@numba.njit(cache=True)
def _less(samples, steady, turn, hop, centre):
    """Samples less harmonics whose slow courses are `steady` [2, harmonics, frames], real and imaginary.

    `turn` [2, n]: cosine and sine of the fundamental's phase.
    """
    _, harmonics, frames = steady.shape
    n, rest = len(samples), samples.copy()
    power, later = np.empty((2, n), dtype=np.float32), np.empty(n, dtype=np.float32)
    for frame in range(frames - 1):  # from its centre to the next; the outermost reach to the ends
        first = int(np.ceil(centre + frame * hop)) if frame else 0
        last = int(np.ceil(centre + (frame + 1) * hop)) if frame < frames - 2 else n
        for t in range(first, last):
            later[t] = min(max((t - centre) / hop - frame, 0.0), 0.999)
            power[0, t], power[1, t] = 1.0, 0.0
        for k in range(harmonics):
            a, b = np.float32(2.0) * steady[0, k, frame], np.float32(2.0) * steady[1, k, frame]
            c, d = np.float32(2.0) * steady[0, k, frame + 1], np.float32(2.0) * steady[1, k, frame + 1]
            for t in range(first, last):
                x, y = power[0, t], power[1, t]
                power[0, t] = x * turn[0, t] - y * turn[1, t]
                power[1, t] = x * turn[1, t] + y * turn[0, t]
                rest[t] -= (a + later[t] * (c - a)) * power[0, t] - (b + later[t] * (d - b)) * power[1, t]
    return rest


def slow_course(b: np.ndarray, hop_s: float) -> np.ndarray:
    """Harmonics at rest, smoothed over `COURSE_S`; at the ends over what there is."""
    window = _course_window(hop_s)
    whole = convolve1d(np.ones(b.shape[1]), window, mode="constant")
    return convolve1d(b, window, axis=1, mode="constant") / whole


@lru_cache(maxsize=4096)
def _course_window(hop_s: float) -> np.ndarray:
    half = max(1, round(0.5 * COURSE_S / hop_s))
    return blackman(2 * half + 3)[1:-1]


def snr_db(b: np.ndarray, course: np.ndarray, f0_hz: float, hop_s: float, window_s: float) -> float:
    """Power of the harmonics' slow courses over that of all else in the band they span."""
    seen_hz = NOISE_BANDWIDTH / window_s - NOISE_BANDWIDTH / (len(_course_window(hop_s)) * hop_s)
    rest = b - course
    # the median of an exponential variable, so that the attack does not count as noise
    density = np.sum(np.median(rest.real**2 + rest.imag**2, axis=1)) / np.log(2.0) / max(seen_hz, 1.0)
    power = np.sum(np.mean(course.real**2 + course.imag**2, axis=1))
    return float(10.0 * np.log10(power / max(density * f0_hz, 1e-30)))


def sharpened(phase: np.ndarray, hop_s: float, window_s: float) -> np.ndarray:
    """Give back what the window took from fast changes, but for its square.

    One step of Van Cittert's iteration (1931, Z. Phys. 69:298-308): a response *H* becomes *H* (2 - *H*).
    """
    kernel = _window_in_frames(hop_s, window_s)
    half = len(kernel) // 2
    if not 0 < half < len(phase):
        return phase
    smooth = np.convolve(np.pad(phase, half, mode="reflect", reflect_type="odd"), kernel, mode="valid")
    return 2.0 * phase - smooth


@lru_cache(maxsize=4096)
def _window_in_frames(hop_s: float, window_s: float) -> np.ndarray:
    """The demodulator's window at frames, sum 1."""
    window = blackman(259)  # a table fine enough that interpolating it adds nothing
    half = int(0.5 * window_s / hop_s)
    at_s = np.arange(-half, half + 1) * hop_s
    kernel = np.interp(at_s, np.linspace(-0.5, 0.5, len(window)) * window_s, window)
    return kernel / kernel.sum()


@lru_cache(maxsize=4096)
def thinness_of(hop_s: float, window_s: float) -> float:
    """Variance of the second difference of filtered white noise over 6 times its variance."""
    window = blackman(259)[1:-1]  # a table of 257 points, lags of 256 either way
    full = np.correlate(window, window, mode="full")
    lag_s = np.arange(-256, 257) * window_s / 257
    r1, r2 = np.interp([hop_s, 2.0 * hop_s], lag_s, full / full.max(), left=0.0, right=0.0)
    return float((6.0 - 8.0 * r1 + 2.0 * r2) / 6.0)  # 1, -2, 1 with itself: 6, and -4, 1 either way
