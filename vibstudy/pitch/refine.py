r"""Pitch of one note from the waveform itself.

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

from dataclasses import dataclass, replace
from functools import cached_property

import numba
import numpy as np

from vibstudy.pitch.calculus import Spline, derivative, derivative_gain
from vibstudy.pitch.contour import Contour
from vibstudy.pitch.demodulate import Demodulator, sharpened, slow_course, snr_db, thinness_of
from vibstudy.threads import one_thread
from vibstudy.units import to_hz

CENTS_PER_NEPER = 1200.0 / np.log(2.0)
MAX_HARMONICS = 16  # for speed: higher ones are weak in most winds
STILL_CENTS = 0.6  # a base line that moves less from pass to pass stands still
AUDIBLE = 5.0  # power over noise from which a harmonic has a phase in every frame
COHERENT = 12.0  # power over the noise of the whole note from which a harmonic is used


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
    integral : ndarray [shape=(n,)]
        Running integral of the pitch in cents times s; its noise is white.
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
    drawn : bool
        Whether a room, or others, may draw it: its halves disagree, or there are none.
    straightened : bool
        Whether the line was found by straightening (:mod:`vibstudy.pitch.straighten`): in a room, or
        with accompaniment.
    reflected : ndarray [shape=(n,)] | None
        By how much a straightened line's pitch, in cents, is another one where the harmonics' levels may
        follow it; None where it was not straightened.
    covered : bool
        Whether most of a straightened note is not steady along its course: a room's tail, or others.
    rows : complex ndarray [shape=(harmonics * channels, n), complex64] | None
        Its harmonics at rest along a straightened line, every channel's of one harmonic after another; None
        where it was not straightened.
    """

    onset_s: float
    offset_s: float
    time_s: np.ndarray
    reference_hz: float
    cents: np.ndarray
    integral: np.ndarray
    harmonic_db: np.ndarray
    weight: np.ndarray
    snr_db: float
    halves: np.ndarray
    balance: float
    disagreement: float
    drawn: bool = False
    straightened: bool = False
    reflected: np.ndarray | None = None
    covered: bool = False
    rows: np.ndarray | None = None

    @property
    def f0_hz(self) -> np.ndarray:
        """Pitch in Hz [shape=(n,)]."""
        return to_hz(self.cents, self.reference_hz)

    @cached_property
    def level_db(self) -> np.ndarray:
        """Level of all harmonics together [shape=(n,)], dB re full scale."""
        return 10.0 * np.log10(np.sum(10.0 ** (self.harmonic_db / 10.0), axis=0))

    @property
    def hop_s(self) -> float:
        """Seconds from frame to frame."""
        return float(self.time_s[1] - self.time_s[0])

    def until(self, end_s: float) -> NoteLine:
        """The note with an earlier end, s from the first sample."""
        kept = self.time_s <= end_s
        frames = ("time_s", "cents", "integral", "harmonic_db", "halves")
        return replace(
            self,
            offset_s=end_s,
            reflected=None if self.reflected is None else self.reflected[kept],
            rows=None if self.rows is None else self.rows[:, kept],
            **{name: getattr(self, name)[..., kept] for name in frames},
        )


@one_thread
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
    demodulator = Demodulator.of_note(samples, rate_hz, onset_s, offset_s, f0)
    if demodulator.frames < 5:  # second differences, and what they scatter
        return None
    t = demodulator.time_s
    line_hz = 2.0 ** np.interp(t, times, octaves)
    # just below half the rate
    highest = float(np.clip(0.485 * rate_hz / line_hz.max(), 1, MAX_HARMONICS))
    harmonics = int(highest)
    thinness = thinness_of(demodulator.hop / rate_hz, demodulator.window_s)

    hop_s = demodulator.hop / rate_hz
    low, high = 2.0 ** (octaves.min() - 0.25), 2.0 ** (octaves.max() + 0.25)
    count = min(harmonics, 6)  # the first, roughest base line would carry high harmonics out of the window
    for number in range(passes):
        b = demodulator.rest(line_hz, count)
        phase, variance, share, disagreement = _pool(b, thinness, 1 if number == 0 else 2)
        gain = CENTS_PER_NEPER / (2.0 * np.pi * line_hz)  # cents s per rad
        moved = derivative(phase, hop_s)
        settled = float(np.std(moved * gain)) < max(
            # or moves by little more than noise
            STILL_CENTS,
            1.5 * derivative_gain(hop_s, len(t)) * float(np.mean(gain * np.sqrt(variance))),
        )
        if number == passes - 1 or (number >= 1 and settled):
            break
        line_hz = np.clip(line_hz + moved / (2.0 * np.pi), low, high)
        count = harmonics if number == 0 else int(np.flatnonzero(share > 0.0)[-1]) + 1

    reference = float(2.0 ** np.mean(np.log2(line_hz)))
    base_cents = 1200.0 * np.log2(line_hz / reference)
    course = slow_course(b, hop_s)
    turns, balance = _halves(course, phase, share)
    phase = sharpened(phase, hop_s, demodulator.window_s)
    integral = Spline(base_cents, hop_s).integral() + gain * phase
    cents = base_cents + derivative(phase, hop_s) * gain
    return NoteLine(
        onset_s=onset_s,
        offset_s=offset_s,
        time_s=t,
        reference_hz=reference,
        cents=cents,
        integral=integral,
        harmonic_db=(10.0 * np.log10(2.0 * np.abs(b) ** 2 + 1e-20)).astype(np.float32),
        weight=share,
        snr_db=snr_db(b, course, f0, hop_s, demodulator.window_s),
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
    demodulator = Demodulator.of_note(samples, rate_hz, *span, line.reference_hz / parts)
    if demodulator.frames < 5:
        return np.zeros(0), np.zeros((1, 0), dtype=complex)
    line_hz = np.interp(demodulator.time_s, line.time_s, line.f0_hz) / parts
    count = int(np.clip(0.485 * rate_hz / line_hz.max(), 1, MAX_HARMONICS))  # just below half the rate
    return demodulator.time_s, demodulator.rest(line_hz, count)


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
    # semitones: wider than any vibrato, narrower than a wrong octave
    keep = np.abs(octaves - middle_octave) < 3.5 / 12.0
    return times[keep], octaves[keep]


def _pool(b: np.ndarray, thinness: float, rounds: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
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
    disagreement : float
        Spread of the harmonics about the pooled phase over that expected.
    """
    return _pooled(b.real.copy(), b.imag.copy(), thinness, rounds)


@numba.njit(cache=True, error_model="numpy", fastmath={"contract", "reassoc"})
def _pooled(real, imag, thinness, rounds):
    harmonics, n = real.shape
    magnitude, noise, variance_k = np.empty((harmonics, n)), np.empty(harmonics), np.zeros(harmonics)
    over_noise = np.empty(harmonics)
    for k in range(harmonics):
        magnitude[k] = np.sqrt(real[k] ** 2 + imag[k] ** 2)
        # roughness of the amplitude: half of the complex noise lies along it
        noise[k] = _roughness(magnitude[k]) / thinness + 1e-20
        over_noise[k] = np.sum(magnitude[k] ** 2) / n / noise[k]
    # a harmonic lost in noise says nothing, however high its number
    heard = _above(over_noise, AUDIBLE)
    phase = _by_steps(real, imag, magnitude, heard, noise)

    along, across = np.empty((harmonics, n)), np.empty((harmonics, n))
    level, theta, own = np.empty((harmonics, n)), np.empty((harmonics, n)), np.empty((harmonics, n))
    whole, common, mean_share, disagreement = np.empty(n), np.empty(n), np.empty(harmonics), 1.0
    for number in range(rounds):
        _turn_back(real, imag, phase, along, across)
        for k in range(harmonics):
            order, x, y = k + 1, along[k], across[k]
            u, v = np.sum(x), np.sum(y)  # each harmonic's own, steady phase
            rest = np.hypot(u, v)
            u, v = u / (rest + 1e-300), v / (rest + 1e-300)
            for t in range(n):
                x[t], y[t] = x[t] * u + y[t] * v, y[t] * u - x[t] * v
            if number == 0:
                for t in range(n):
                    theta[k, t] = np.arctan2(y[t], x[t]) / order
                    level[k, t] = magnitude[k, t] ** 2
                continue
            # the score of maximum likelihood: it needs no phase of a single frame, so that harmonics too weak
            # to have one still count for what they are worth
            noise[k] = _roughness(x) / thinness + 1e-20
            amplitude = np.maximum(_smoothed(x), 0.1 * rest / n)
            for t in range(n):
                theta[k, t] = y[t] / (order * amplitude[t])
                level[k, t] = amplitude[t] ** 2
            over_noise[k] = rest * rest / n / noise[k]
        if number > 0:
            heard = _above(over_noise, COHERENT)
        whole[:], common[:] = 0.0, 0.0
        for k in range(harmonics):
            for t in range(n):
                own[k, t] = noise[k] / (2.0 * (k + 1) ** 2) / (level[k, t] + 1e-300)
                weight = heard[k] / (own[k, t] + variance_k[k])
                whole[t] += weight
                common[t] += weight * theta[k, t]
        common /= whole
        phase = phase + common
        expected, seen = np.zeros(harmonics), np.zeros(harmonics)
        for k in range(harmonics):
            power, gap, told, mean_share[k] = np.sum(level[k]), 0.0, 0.0, 0.0
            for t in range(n):
                gap += level[k, t] / power * (theta[k, t] - common[t])
            for t in range(n):
                part, share = level[k, t] / power, heard[k] / (own[k, t] + variance_k[k]) / whole[t]
                mean_share[k] += share / n
                # spread of a harmonic about a mean that holds a share of it
                seen[k] += part * (theta[k, t] - common[t] - gap) ** 2
                told += part * (1.0 - share) * own[k, t]
                expected[k] += part * (1.0 - share)
            expected[k] = told + variance_k[k] * expected[k]
            if seen[k] > 1.5 * expected[k]:  # above what chance scatters
                # one that has nearly all the weight has no other to be held against
                variance_k[k] = max(seen[k] - told, 0.0) / max(1.0 - mean_share[k], 0.2)
        if harmonics > 1:
            spread = np.sum(expected * mean_share)
            disagreement = np.sum(seen * mean_share) / spread if spread > 0.0 else 1.0
    return phase, 1.0 / whole, mean_share, disagreement


@numba.njit(cache=True, error_model="numpy")
def _above(over_noise, least):
    """1 for harmonics so far above their noise, at least for one; else 0."""
    heard = (over_noise > least).astype(np.float64)
    if not heard.any():
        heard[np.argmax(over_noise)] = 1.0
    return heard


@numba.njit(cache=True, error_model="numpy", fastmath={"contract", "reassoc"})
def _by_steps(real, imag, magnitude, heard, noise):
    """Phase of the fundamental from how far each harmonic turns from frame to frame."""
    harmonics, n = real.shape
    phase = np.zeros(n)
    slope, whole = np.zeros(n - 1), np.full(n - 1, 1e-300)
    for k in range(harmonics):
        if not heard[k]:
            continue
        order, over = k + 1, (k + 1) ** 2 / noise[k]
        for t in range(n - 1):
            u = real[k, t + 1] * real[k, t] + imag[k, t + 1] * imag[k, t]
            v = imag[k, t + 1] * real[k, t] - real[k, t + 1] * imag[k, t]
            later, before = over * magnitude[k, t + 1] ** 2, over * magnitude[k, t] ** 2
            pair = later * before / (later + before + 1e-300)
            slope[t] += pair / order * np.arctan2(v, u)
            whole[t] += pair
    for t in range(n - 1):
        phase[t + 1] = phase[t] + slope[t] / whole[t]
    return phase


@numba.njit(cache=True, error_model="numpy", fastmath={"contract", "reassoc"})
def _turn_back(real, imag, phase, along, across):
    """Turn each harmonic back by a phase of the fundamental, into `along`, `across` [harmonics, n]."""
    harmonics, n = real.shape
    cosine, sine = np.cos(phase), np.sin(phase)
    power, turned = cosine.copy(), sine.copy()
    for k in range(harmonics):
        for t in range(n):
            u, v = power[t], turned[t]
            along[k, t] = real[k, t] * u + imag[k, t] * v
            across[k, t] = imag[k, t] * u - real[k, t] * v
            power[t], turned[t] = u * cosine[t] - v * sine[t], u * sine[t] + v * cosine[t]


@numba.njit(cache=True, error_model="numpy", fastmath={"contract", "reassoc"})
def _smoothed(values):
    """Running mean over 9 frames, 30 ms; the ends go on as they are."""
    n, half = len(values), 4
    padded = np.empty(n + 2 * half)
    padded[:half], padded[half : half + n], padded[half + n :] = values[0], values, values[-1]
    out = np.zeros(n)
    for j in range(2 * half + 1):
        for t in range(n):
            out[t] += padded[j + t] / 9.0
    return out


@numba.njit(cache=True, error_model="numpy", fastmath={"contract", "reassoc"})
def _roughness(values):
    """Mean square of the second difference, over 3: noise of both quadratures if white."""
    whole = 0.0
    for t in range(len(values) - 2):
        whole += (values[t + 2] - 2.0 * values[t + 1] + values[t]) ** 2
    return whole / (3.0 * (len(values) - 2))


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
