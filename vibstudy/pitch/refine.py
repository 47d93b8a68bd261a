r"""Pitch of one note from the waveform itself, with its error.

Why
---
A tracker's frame is a low-pass filter on the vibrato: it shrinks extent by 10 to 55 %, more for
faster vibrato. So the tracker's line only says where to listen. The figures come from the phase of
the harmonics.

Definition
----------
With a base line :math:`f_b(t)` (first the tracker's, then each improved one) harmonic *k* is brought
to rest,

.. math:: b_k(t) = \big(h * x\,e^{-i k \phi_b}\big)(t), \qquad \phi_b(t) = 2\pi\int f_b\,dt,

where *h* is a Blackman window three periods long: its zeros lie on the neighbouring harmonics. What
is left of the phase is the error of the base line, *k* times over. All harmonics are pooled with
weights :math:`k^2 |b_k|^2 / \sigma_k^2`, the inverse of the variance that noise gives to
:math:`\theta_k / k` (maximum likelihood for white noise; Rife & Boorstyn 1974, IEEE Trans. Inf.
Theory 20:591-598). The pooled error corrects the base line, and the step is repeated.

Only windows that lie wholly inside the note are used: nothing leaks in from the neighbours.

:math:`\sigma_k` is found from the sound: the larger of the frame-to-frame roughness of :math:`b_k`
and of the disagreement of its phase with the other harmonics'. A harmonic that shares its place with
an accompaniment's partial disagrees, and loses its weight. What is left of it in the pooled line shows in
the difference between two halves of the harmonics (:attr:`NoteLine.halves`).

Conventions
-----------
Time in s from the first sample given; cents re a reference pitch of the note; level in dB re full
scale (a full-scale sine is -3.01 dB). ``integral`` is the running integral of the line in cents times
seconds. It is kept because measurement noise is white there, while it is blue in the pitch itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from scipy.linalg.lapack import dptsv
from scipy.ndimage import convolve1d, uniform_filter1d
from scipy.signal.windows import blackman

from vibstudy.pitch.contour import Contour

CENTS_PER_NEPER = 1200.0 / np.log(2.0)
MAX_HARMONICS = 16
PERIODS = 3  # length of the window in periods: its first zero falls on the neighbouring harmonic
HOPS = 2.2  # and in hops, so that no sound between two frames is lost
MIN_FRAME_RATE_HZ = 250.0
MAX_FRAME_RATE_HZ = 320.0
STILL_CENTS = 0.6  # a base line that moves less from pass to pass stands still
SLOPE_REACH_S = 0.010  # keeps what is below about 40 Hz
AUDIBLE = 5.0  # power over noise from which a harmonic has a phase in every frame
COHERENT = 12.0  # power over the noise of the whole note from which a harmonic is used
COURSE_S = 0.045  # a harmonic's level and phase are smooth over this, once the line is followed
_NOISE_BANDWIDTH = 1.7268  # equivalent noise bandwidth of a Blackman window, in 1 / length


@dataclass(frozen=True, eq=False)
class NoteLine:
    """One note's pitch, level and harmonics on a uniform grid.

    Parameters
    ----------
    onset_s, offset_s : float
        The note, in s from the first sample given.
    time_s : ndarray [shape=(n,)]
        Frame centres.
    reference_hz : float
        Pitch that 0 cents stands for: the note's geometric mean.
    cents : ndarray [shape=(n,)]
        Pitch re `reference_hz`.
    cents_se : ndarray [shape=(n,)]
        Standard error of `cents` that measurement noise gives, for the smoothing used here.
    integral : ndarray [shape=(n,)]
        Running integral of the pitch in cents times s; its noise is white.
    integral_se : ndarray [shape=(n,)]
        Standard error of each value of `integral`.
    harmonic_db : ndarray [shape=(harmonics, n), float32]
        Level of each harmonic, dB re full scale.
    weight : ndarray [shape=(harmonics,)]
        Share each harmonic had in the pitch; sums to 1.
    snr_db : float
        Power of the harmonics over noise and other sounds in the band they span: what is left of each
        harmonic when its own slow course is taken out.
    halves : ndarray [shape=(n,)]
        Running integral, in cents times s, of half the difference between the pitch from one half of the
        harmonics and from the other: error only, for both carry the same modulation.
    balance : float [range 0..0.5]
        Share of the lighter half; 0 when one harmonic alone was used.
    disagreement : float
        Spread of the harmonics' pitch about the pooled one over the spread that noise explains;
        about 1 when all harmonics carry the same modulation.
    straightened : bool
        Whether the line was found by straightening (:mod:`vibstudy.pitch.straighten`): in a room, in company.
    """

    onset_s: float
    offset_s: float
    time_s: np.ndarray
    reference_hz: float
    cents: np.ndarray
    cents_se: np.ndarray
    integral: np.ndarray
    integral_se: np.ndarray
    harmonic_db: np.ndarray
    weight: np.ndarray
    snr_db: float
    halves: np.ndarray
    balance: float
    disagreement: float
    straightened: bool = False

    @property
    def f0_hz(self) -> np.ndarray:
        """Pitch in Hz [shape=(n,)]."""
        return self.reference_hz * 2.0 ** (self.cents / 1200.0)

    @cached_property
    def level_db(self) -> np.ndarray:
        """Level of all harmonics together [shape=(n,)], dB re full scale."""
        return 10.0 * np.log10(np.sum(10.0 ** (self.harmonic_db / 10.0), axis=0))

    @property
    def hop_s(self) -> float:
        """Seconds from frame to frame."""
        return float(self.time_s[1] - self.time_s[0])


def _base_line(contour: Contour, onset_s: float, offset_s: float) -> tuple[np.ndarray, np.ndarray] | None:
    """Times and log2 pitch of the tracker inside the note, jumps and gaps left out."""
    inside = (contour.time_s >= onset_s) & (contour.time_s <= offset_s) & contour.voiced
    if not inside.any():
        middle = 0.5 * (onset_s + offset_s)
        near = np.flatnonzero(contour.voiced)
        if near.size == 0:
            return None
        inside = np.zeros(len(contour.time_s), dtype=bool)
        inside[near[np.argmin(np.abs(contour.time_s[near] - middle))]] = True
    times, octaves = contour.time_s[inside], np.log2(contour.f0_hz[inside])
    middle_octave = np.sort(octaves)[len(octaves) // 2]
    keep = np.abs(octaves - middle_octave) < 3.5 / 12.0
    return times[keep], octaves[keep]


class _Line:
    """A natural cubic spline through values on a uniform grid, as its coefficients.

    SciPy's ``CubicSpline`` gives the same for any grid and takes ten times as long to set up; there are
    four to a note.
    """

    def __init__(self, values: np.ndarray, step_s: float):
        bend = np.zeros_like(values)  # second derivative times the step squared, over 6
        turn = values[2:] - 2.0 * values[1:-1] + values[:-2]
        _, _, bend[1:-1], _ = dptsv(np.full(len(turn), 4.0), np.ones(len(turn) - 1), turn)
        left, right = bend[:-1], bend[1:]
        slope = np.diff(values) - 2.0 * left - right
        # of the integral from the first point, in powers of the share of a step
        self.pieces = step_s * np.stack(
            [np.zeros_like(slope), values[:-1], slope / 2.0, left, (right - left) / 4.0], axis=1
        )
        self.pieces[1:, 0] = np.cumsum(self.pieces[:-1].sum(axis=1))

    def integral(self) -> np.ndarray:
        """Running integral at the points of the grid [shape=(n,)]."""
        return np.append(self.pieces[:, 0], self.pieces[-1].sum())

    def integral_between(self, per_step: int, before: float, count: int) -> np.ndarray:
        """Running integral at `count` points, `per_step` to a step, the first `before` points too early."""
        lead = int(np.ceil(before))
        steps = len(self.pieces)
        late = (np.arange(per_step) + lead - before) / per_step
        early = (np.arange(lead) - before) / per_step
        after = late[0] + np.arange(count - lead - steps * per_step) / per_step + 1.0
        return np.concatenate(
            [
                np.vander(early, 5, increasing=True) @ self.pieces[0],
                (self.pieces @ np.vander(late, 5, increasing=True).T).ravel(),
                np.vander(after, 5, increasing=True) @ self.pieces[-1],
            ]
        )


class _Demodulator:
    """Brings the harmonics of one stretch of sound to rest along a base line."""

    def __init__(self, samples: np.ndarray, rate_hz: float, start_s: float, f0_hz: float):
        self.rate_hz = rate_hz
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
        # columns: the window cut into hops, so that filtering and thinning are one matrix product
        self._window = window.reshape(self.overlap, self.hop).T.astype(np.float32)
        used = (self.frames + self.overlap - 1) * self.hop
        self._samples = samples[:used].astype(np.float32)
        self._centre = lead + 0.5 * (length - 1)
        self.time_s = start_s + (np.arange(self.frames) * self.hop + self._centre) / rate_hz

    @classmethod
    def of_note(
        cls, samples: np.ndarray, rate_hz: float, onset_s: float, offset_s: float, f0_hz: float
    ) -> _Demodulator:
        """The stretch from `onset_s` to `offset_s`, as far as there is sound."""
        first = max(0, round(onset_s * rate_hz))
        last = min(len(samples), round(offset_s * rate_hz))
        return cls(samples[first:last], rate_hz, first / rate_hz, f0_hz)

    def rest(self, line_hz: np.ndarray, harmonics: int) -> np.ndarray:
        """Complex amplitudes [shape=(harmonics, frames)] along the base line [shape=(frames,)]."""
        line = _Line(line_hz, self.hop / self.rate_hz)
        turns = line.integral_between(self.hop, self._centre, len(self._samples))
        phase = (2.0 * np.pi * (turns - np.floor(turns))).astype(np.float32)
        carrier = np.stack([np.cos(phase), np.sin(phase)])
        # cos(k x) = 2 cos(x) cos((k - 1) x) - cos((k - 2) x), and the same for the sine
        product = np.empty((harmonics, *carrier.shape), dtype=np.float32)
        np.multiply(carrier, self._samples, out=product[0])
        twice = 2.0 * carrier[0]
        before = np.stack([self._samples, np.zeros_like(self._samples)])
        for k in range(1, harmonics):
            np.multiply(product[k - 1], twice, out=product[k])
            product[k] -= product[k - 2] if k > 1 else before
        hops = (product.reshape(-1, self.hop) @ self._window).reshape(harmonics, 2, -1, self.overlap)
        out = hops[:, :, : self.frames, 0].astype(np.float64)
        for j in range(1, self.overlap):
            out += hops[:, :, j : j + self.frames, j]
        return out[:, 0] - 1j * out[:, 1]


def _pool(
    b: np.ndarray, thinness: float, rounds: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, float]:
    """Phase error of the base line from all harmonics.

    Parameters
    ----------
    b : complex ndarray [shape=(harmonics, n)]
        Harmonics at rest.
    thinness : float
        Variance of the second difference of the filter's noise over 6 times its variance.
    rounds : int
        How often phase and weights are improved in turn.

    Returns
    -------
    phase : ndarray [shape=(n,)]
        Error of the fundamental's phase, rad.
    variance : ndarray [shape=(n,)]
        Variance that noise gives to `phase`, rad².
    share : ndarray [shape=(harmonics,)]
        Mean share of each harmonic.
    noise : ndarray [shape=(harmonics,)]
        Noise power of each harmonic, both quadratures.
    disagreement : float
        Spread of the harmonics about the pooled phase over that expected.
    """
    harmonics = len(b)
    order = np.arange(1, harmonics + 1)[:, None]
    power = b.real**2 + b.imag**2
    magnitude = np.sqrt(power)
    # roughness of the amplitude: half of the complex noise lies along it
    noise = _roughness(magnitude) / thinness + 1e-20
    # a harmonic lost in noise says nothing, however high its number
    mean_power = power.mean(axis=1)
    heard = mean_power > AUDIBLE * noise
    if not heard.any():
        heard[np.argmax(mean_power / noise)] = True
    weight = power * np.where(heard, order[:, 0] ** 2 / noise, 0.0)[:, None]

    step = np.angle(b[:, 1:] * np.conj(b[:, :-1]))
    pair = weight[:, 1:] * weight[:, :-1] / (weight[:, 1:] + weight[:, :-1] + 1e-300)
    slope = np.einsum("ij,ij->j", pair / order, step) / np.einsum("ij->j", pair)
    phase = np.concatenate([[0.0], np.cumsum(slope)])

    variance_k = np.zeros(harmonics)
    disagreement = 1.0
    for number in range(rounds):
        still = b * np.cumprod(np.broadcast_to(np.exp(-1j * phase), b.shape), axis=0)
        rest = np.sum(still, axis=1, keepdims=True)  # each harmonic's own, steady phase
        still = still * (np.conj(rest) / (np.abs(rest) + 1e-300))
        if number == 0:
            amplitude = magnitude
            theta = np.angle(still) / order
        else:
            # the score of maximum likelihood: it needs no phase of a single frame, so that harmonics too weak
            # to have one still count for what they are worth
            noise = _roughness(still.real) / thinness + 1e-20
            mean = np.abs(rest) / b.shape[1]
            amplitude = np.maximum(uniform_filter1d(still.real, 9, axis=1, mode="nearest"), 0.1 * mean)
            theta = still.imag / (order * amplitude)
            steady = np.abs(rest[:, 0]) ** 2 / b.shape[1]
            heard = steady > COHERENT * noise
            if not heard.any():
                heard[np.argmax(steady / noise)] = True
        level = amplitude**2
        own = (noise / (2.0 * order[:, 0] ** 2))[:, None] / (level + 1e-300)
        weight = heard[:, None] / (own + variance_k[:, None])
        whole = np.einsum("ij->j", weight)
        common = np.einsum("ij,ij->j", weight, theta) / whole
        phase = phase + common
        gap = theta - common
        level /= np.einsum("ij->i", level)[:, None]
        gap -= np.einsum("ij,ij->i", level, gap)[:, None]
        share = weight / whole
        mean_share = share.mean(axis=1)
        # spread of a harmonic about a mean that holds a share of it
        seen = np.einsum("ij,ij,ij->i", level, gap, gap)
        level *= 1.0 - share
        expected_own = np.einsum("ij,ij->i", level, own)
        expected = expected_own + variance_k * np.einsum("ij->i", level)
        extra = np.maximum(seen - expected_own, 0.0)
        excess = seen > 1.5 * expected
        variance_k = np.where(excess, extra / np.maximum(1.0 - mean_share, 0.2), variance_k)
        if harmonics > 1:
            spread = float(expected @ mean_share)
            disagreement = float(seen @ mean_share) / spread if spread > 0.0 else 1.0
    return phase, 1.0 / whole, mean_share, noise, disagreement


def _roughness(values: np.ndarray) -> np.ndarray:
    """Mean square of the second difference along the rows, over 3: noise of both quadratures if white."""
    rough = values[:, 2:] - 2.0 * values[:, 1:-1] + values[:, :-2]
    return np.einsum("ij,ij->i", rough, rough) / (3.0 * rough.shape[1])


def refine_note(
    samples: np.ndarray,
    rate_hz: float,
    contour: Contour,
    onset_s: float,
    offset_s: float,
    *,
    passes: int = 8,
) -> NoteLine | None:
    """Measure the pitch of one note from the waveform.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        Mono sound, full scale ±1.
    rate_hz : float > 0
        Sample rate.
    contour : Contour
        A tracker's line; only its values inside the note are used.
    onset_s, offset_s : float
        The note, in s from ``samples[0]``.
    passes : int > 1
        How often the base line is improved at most; fewer where it stands still sooner.

    Returns
    -------
    NoteLine | None
        None when the note is shorter than five windows or holds no pitch.
    """
    found = _base_line(contour, onset_s, offset_s)
    if found is None:
        return None
    times, octaves = found
    f0 = float(2.0 ** np.median(octaves))
    demodulator = _Demodulator.of_note(samples, rate_hz, onset_s, offset_s, f0)
    if demodulator.frames < 5:
        return None
    t = demodulator.time_s
    line_hz = 2.0 ** np.interp(t, times, octaves)
    highest = float(np.clip(0.485 * rate_hz / line_hz.max(), 1, MAX_HARMONICS))
    harmonics = int(highest)
    thinness = _thinness(demodulator.hop / rate_hz, demodulator.window_s)

    hop_s = demodulator.hop / rate_hz
    low, high = 2.0 ** (octaves.min() - 0.25), 2.0 ** (octaves.max() + 0.25)
    count = min(harmonics, 6)  # the first, roughest base line would carry high harmonics out of the window
    for number in range(passes):
        b = demodulator.rest(line_hz, count)
        phase, variance, share, _, disagreement = _pool(b, thinness, 1 if number == 0 else 2)
        gain = CENTS_PER_NEPER / (2.0 * np.pi * line_hz)  # cents s per rad
        moved = _slope(phase, hop_s)
        settled = float(np.std(moved * gain)) < max(
            STILL_CENTS, 1.5 * _slope_gain(hop_s, len(t)) * float(np.mean(gain * np.sqrt(variance)))
        )
        if number == passes - 1 or (number >= 1 and settled):
            break
        line_hz = np.clip(line_hz + moved / (2.0 * np.pi), low, high)
        count = harmonics if number == 0 else int(np.flatnonzero(share > 0.0)[-1]) + 1

    reference = float(2.0 ** np.mean(np.log2(line_hz)))
    base_cents = 1200.0 * np.log2(line_hz / reference)
    course = slow_course(b, hop_s)
    turns, balance = _halves(course, phase, share)
    phase, louder = _sharpened(phase, hop_s, demodulator.window_s)
    integral = _Line(base_cents, hop_s).integral() + gain * phase
    cents = base_cents + _slope(phase, hop_s) * gain
    integral_se = gain * np.sqrt(variance) * louder
    return NoteLine(
        onset_s=onset_s,
        offset_s=offset_s,
        time_s=t,
        reference_hz=reference,
        cents=cents,
        cents_se=integral_se * _slope_gain(hop_s, len(t)),
        integral=integral,
        integral_se=integral_se,
        harmonic_db=(10.0 * np.log10(2.0 * np.abs(b) ** 2 + 1e-20)).astype(np.float32),
        weight=share,
        snr_db=_snr_db(b, course, f0, hop_s, demodulator.window_s),
        halves=gain * turns,
        balance=balance,
        disagreement=disagreement,
    )


def harmonics_along(
    samples: np.ndarray, rate_hz: float, line: NoteLine, parts: int
) -> tuple[np.ndarray, np.ndarray]:
    """Bring the harmonics of a `parts`-th of a note's pitch to rest along its line.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        The sound `line` was refined from.
    rate_hz : float > 0
        Its sampling rate.
    line : NoteLine
        The note.
    parts : int > 0
        1: its own harmonics; 2: those of the octave below, which are its own and those halfway between.

    Returns
    -------
    time_s : ndarray [shape=(frames,)]
        Frame centres; none when the note is shorter than the window.
    harmonics : complex ndarray [shape=(harmonics, frames)]
        Amplitudes (half of a full-scale sine is 0.5), phase re that of the line.
    """
    span = line.onset_s, line.offset_s
    demodulator = _Demodulator.of_note(samples, rate_hz, *span, line.reference_hz / parts)
    if demodulator.frames < 5:
        return np.zeros(0), np.zeros((1, 0), dtype=complex)
    line_hz = np.interp(demodulator.time_s, line.time_s, line.f0_hz) / parts
    count = int(np.clip(0.485 * rate_hz / line_hz.max(), 1, MAX_HARMONICS))
    return demodulator.time_s, demodulator.rest(line_hz, count)


def running_integral(values: np.ndarray, step: float) -> np.ndarray:
    """Running integral along the first axis from its first value, 0 there; exact for cubics."""
    pieces = 13.0 * (values[:-1] + values[1:])
    pieces[1:] -= values[:-2]
    pieces[:-1] -= values[2:]
    pieces[0] -= 3 * (values[0] - values[1]) + values[2]
    pieces[-1] -= 3 * (values[-1] - values[-2]) + values[-3]
    pieces *= step / 24.0
    out = np.zeros_like(values)
    np.cumsum(pieces, axis=0, out=out[1:])
    return out


def slow_course(b: np.ndarray, hop_s: float) -> np.ndarray:
    """Harmonics at rest, smoothed over `COURSE_S`; at the ends over what there is."""
    window = _course_window(hop_s)
    whole = convolve1d(np.ones(b.shape[1]), window, mode="constant")
    return convolve1d(b, window, axis=1, mode="constant") / whole


@lru_cache(maxsize=4096)
def _course_window(hop_s: float) -> np.ndarray:
    half = max(1, round(0.5 * COURSE_S / hop_s))
    return blackman(2 * half + 3)[1:-1]


def _snr_db(b: np.ndarray, course: np.ndarray, f0_hz: float, hop_s: float, window_s: float) -> float:
    """Power of the harmonics' slow courses over that of all else in the band they span."""
    seen_hz = _NOISE_BANDWIDTH / window_s - _NOISE_BANDWIDTH / (len(_course_window(hop_s)) * hop_s)
    rest = b - course
    # the median of an exponential variable, so that the attack does not count as noise
    density = np.sum(np.median(rest.real**2 + rest.imag**2, axis=1)) / np.log(2.0) / max(seen_hz, 1.0)
    power = np.sum(np.mean(course.real**2 + course.imag**2, axis=1))
    return float(10.0 * np.log10(power / max(density * f0_hz, 1e-30)))


def _halves(course: np.ndarray, phase: np.ndarray, share: np.ndarray) -> tuple[np.ndarray, float]:
    """Half the difference of the fundamental's phase from two halves of the harmonics, and their balance."""
    order = np.arange(1, len(course) + 1)[:, None]
    still = course * np.exp(-1j * order * phase)
    still *= np.exp(-1j * np.angle(still.sum(axis=1, keepdims=True)))
    theta = np.unwrap(np.angle(still), axis=1) / order
    weights = [0.0, 0.0]
    sums = np.zeros((2, course.shape[1]))
    for k in np.argsort(-share, kind="stable"):  # the heaviest first, each to the lighter half
        half = int(weights[1] < weights[0])
        weights[half] += share[k]
        sums[half] += share[k] * theta[k]
    balance = min(weights) / sum(weights)
    if balance <= 0.0:
        return np.zeros(course.shape[1]), 0.0
    return (sums[0] / weights[0] - sums[1] / weights[1]) * np.sqrt(balance * (1.0 - balance)), balance


def _sharpened(phase: np.ndarray, hop_s: float, window_s: float) -> tuple[np.ndarray, float]:
    """Give back what the window took from fast changes, but for its square; and by how much noise grows.

    One step of Van Cittert's iteration (1931, Z. Phys. 69:298-308): a response *H* becomes *H* (2 - *H*).
    """
    kernel, louder = _window_in_frames(hop_s, window_s)
    half = len(kernel) // 2
    if not 0 < half < len(phase):
        return phase, 1.0
    smooth = np.convolve(np.pad(phase, half, mode="reflect", reflect_type="odd"), kernel, mode="valid")
    return 2.0 * phase - smooth, louder


@lru_cache(maxsize=4096)
def _window_in_frames(hop_s: float, window_s: float) -> tuple[np.ndarray, float]:
    """The demodulator's window at frames, sum 1, and the growth of noise that `_sharpened` gives."""
    window = blackman(259)
    half = int(0.5 * window_s / hop_s)
    at_s = np.arange(-half, half + 1) * hop_s
    kernel = np.interp(at_s, np.linspace(-0.5, 0.5, len(window)) * window_s, window)
    kernel /= kernel.sum()
    response = np.abs(np.fft.rfft(window / window.sum(), 1 << 14))
    return kernel, float(np.linalg.norm(response * (2.0 - response)) / np.linalg.norm(response))


@lru_cache(maxsize=4096)
def _thinness(hop_s: float, window_s: float) -> float:
    """Variance of the second difference of filtered white noise over 6 times its variance."""
    window = blackman(259)[1:-1]
    full = np.correlate(window, window, mode="full")
    lag_s = np.arange(-256, 257) * window_s / 257
    r1, r2 = np.interp([hop_s, 2.0 * hop_s], lag_s, full / full.max(), left=0.0, right=0.0)
    return float((6.0 - 8.0 * r1 + 2.0 * r2) / 6.0)


def _slope_matrix(hop_s: float, n: int) -> np.ndarray:
    """Rows that give the slope at each place of a window of twice `SLOPE_REACH_S`; of `n` values at most."""
    return _slope_rows(hop_s, max(min(n - (n + 1) % 2, 2 * round(SLOPE_REACH_S / hop_s) + 1), 5))


@lru_cache(maxsize=4096)
def _slope_rows(hop_s: float, width: int) -> np.ndarray:
    x = (np.arange(width) - width // 2) * hop_s
    order = np.arange(4 if width > 5 else 3)
    fit = np.linalg.pinv(x[:, None] ** order)
    return (order[1:] * x[:, None] ** (order[1:] - 1)) @ fit[1:]


def _slope(values: np.ndarray, hop_s: float) -> np.ndarray:
    """Derivative of a noisy series: local cubics (Savitzky & Golay 1964), one-sided at the ends."""
    rows = _slope_matrix(hop_s, len(values))
    width, half = len(rows), len(rows) // 2
    out = np.empty_like(values)
    out[half : len(values) - half] = np.correlate(values, rows[half], mode="valid")
    out[:half] = rows[:half] @ values[:width]
    out[len(values) - half :] = rows[width - half :] @ values[-width:]
    return out


def _slope_gain(hop_s: float, n: int) -> float:
    """Standard error of :func:`_slope` for white noise of unit variance."""
    rows = _slope_matrix(hop_s, n)
    return float(np.linalg.norm(rows[len(rows) // 2]))
