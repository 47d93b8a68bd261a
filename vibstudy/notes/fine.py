"""The pitch of the sound itself, every 2.5 ms: fine enough to see how a swing goes from side to side.

Definition
----------
The phase of the low harmonics of a pitch that is roughly known, through windows of three periods of the tone:
a tracker's frame rounds a trill into a sine. With it how far the harmonics disagree, the level in the same
windows, and whether the pitch it was taken about is but a harmonic of the one that sounds.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numba
import numpy as np

HOP_S = 0.0025
_TOP_HZ, _HARMONICS = 1500.0, 6
_PARTS, _BETWEEN_SHARE, _LOWEST_HZ, _LOOKS = (2, 3, 5), 0.1, 26.0, 60
# the share was 0.16 and more for the two of 60 trills that were read at a harmonic, 0.08 and less for others


@dataclass(frozen=True, eq=False)
class FinePitch:
    """Pitch of the sound itself, every 2.5 ms.

    Parameters
    ----------
    cents : ndarray [shape=(n,)]
        From the pitch it was taken about.
    apart_cents : ndarray [shape=(n,)]
        How far the harmonics disagree (weighted standard deviation); NaN where there is but one.
    level_db : ndarray [shape=(n,)]
        Level of the sound in the same windows.
    base_hz : float
        The pitch it was taken about: it tells the window.
    sound : ndarray [shape=(m,)]
        The sound itself, from the first value to the last.
    sampling_hz : float > 0
        Its sampling rate.
    """

    cents: np.ndarray
    apart_cents: np.ndarray
    level_db: np.ndarray
    base_hz: float
    sound: np.ndarray = field(default_factory=lambda: np.empty(0))
    sampling_hz: float = 1.0


def fine_pitch(
    samples: np.ndarray, rate_hz: float, begin_s: float, end_s: float, base_hz: float
) -> FinePitch:
    """Pitch every 2.5 ms, from the phase of the low harmonics of `base_hz`."""
    half = int(half_window_s(base_hz) * rate_hz)
    hop = round(HOP_S * rate_hz)
    centres = np.arange(round(begin_s * rate_hz), round(end_s * rate_hz), hop)
    centres = centres[(centres >= half) & (centres < len(samples) - half)]
    if len(centres) < 3:
        return FinePitch(np.empty(0), np.empty(0), np.empty(0), base_hz)
    at = np.arange(-half, half)
    frames = np.lib.stride_tricks.sliding_window_view(samples, 2 * half)[centres - half]
    order = np.arange(1, max(1, min(_HARMONICS, int(0.4 * rate_hz / base_hz))) + 1)
    turn = 2 * np.pi * base_hz * order / rate_hz
    angle = at[:, None] * turn
    tones = np.hanning(2 * half)[:, None] * np.concatenate([np.cos(angle), np.sin(angle)], axis=1)
    parts = frames.astype(np.float32) @ tones.astype(np.float32)
    harmonics = parts[:, : len(order)] - 1j * parts[:, len(order) :]
    change = harmonics[1:] * harmonics[:-1].conj()
    weight = np.abs(change) * order**2
    low = weight * (
        (order == 1) | (order * base_hz <= _TOP_HZ)
    )  # the phase of higher ones may wrap in a jump
    away = np.angle(change * np.exp(-1j * turn * hop)) / (turn * hop)
    deviation = (low * away).sum(axis=1) / (low.sum(axis=1) + 1e-20)
    rest = np.angle(change * np.exp(-1j * turn * hop * (1 + deviation[:, None]))) / (turn * hop)
    spread = np.sqrt((weight * rest**2).sum(axis=1) / (weight.sum(axis=1) + 1e-20))
    apart = 1200 / np.log(2) * spread if len(order) > 1 else np.full(len(away), np.nan)
    power = np.square(frames[:-1], dtype=np.float64) @ np.hanning(2 * half) ** 2
    cents = 1200 * np.log2(np.maximum(1 + deviation, 0.5))
    sound = samples[centres[0] : centres[-1] + 1]
    return FinePitch(cents, apart, 10 * np.log10(power + 1e-12), base_hz, sound, rate_hz)


def half_window_s(base_hz: float) -> float:
    """Half of the window through which a pitch is seen, s."""
    return max(1.5 / base_hz, 0.004)


def sounding_base_hz(samples: np.ndarray, rate_hz: float, begin_s: float, pitch: FinePitch) -> float:
    """The pitch that a fine pitch was taken about, or its half, third or fifth where it is but a harmonic.

    A lower pitch sounds where its harmonics between those of the one it was taken about, less what lies
    half-way between them, hold more than :data:`_BETWEEN_SHARE` of their power, along the line; of several,
    the one for which they hold most.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        Sound.
    rate_hz : float > 0
        Its sampling rate.
    begin_s : float
        Where `pitch` begins.
    pitch : FinePitch
        From :func:`fine_pitch`.
    """
    base_hz, hop = pitch.base_hz, round(HOP_S * rate_hz)
    shares = {base_hz: _BETWEEN_SHARE}
    since = max(int(begin_s * rate_hz), int(half_window_s(base_hz) * rate_hz))
    for parts in _PARTS:
        lower = base_hz / parts
        half = int(2 / lower * rate_hz)  # a window of four periods, which parts its harmonics
        step = max(half // hop, len(pitch.cents) // _LOOKS, 1)
        at = since + np.arange(0, len(pitch.cents), step) * hop
        inside = (at >= half) & (at < len(samples) - half)
        if lower < _LOWEST_HZ or inside.sum() < 3:
            continue
        cents = pitch.cents[::step][inside]
        frames = np.lib.stride_tricks.sliding_window_view(samples, 2 * half)[at[inside] - half]
        count = min(3 * parts, int(0.4 * rate_hz / lower))
        window = np.hanning(2 * half).astype(np.float32)
        angle = np.pi * lower / rate_hz * (np.arange(half) + 0.5) * 2.0 ** (cents[:, None] / 1200)
        half_step = angle.astype(np.float32)
        power = _powers(frames.astype(np.float32), window, np.cos(half_step), np.sin(half_step), 2 * count)
        whole, beside = power[::2], power[1::2]
        between = np.arange(1, count + 1) % parts > 0
        share = (whole[between] - beside[between]).sum(axis=0) / (whole.sum(axis=0) + 1e-20)
        shares[lower] = float(np.median(share))
    return max(shares, key=shares.__getitem__)


@numba.njit(cache=True, error_model="numpy", fastmath={"contract", "reassoc"})
def _powers(frames, window, cosine, sine, count):
    """Power of each frame at whole harmonics and half-way behind each [shape=(count, frames)].

    `cosine`, `sine` [frames, half]: of half the fundamental's phase, from the middle of a frame [2 half] on.
    """
    half, power = cosine.shape[1], np.empty((count, len(frames)))
    tones, sound = np.empty((2, 2, half), dtype=np.float32), np.empty((2, half), dtype=np.float32)
    for frame in range(len(frames)):
        own, even, odd = frames[frame], sound[0], sound[1]
        twice = np.float32(2.0) * cosine[frame]
        for t in range(half):
            # what is even about the middle, and what is odd: cosines and sines from there on are enough
            later, earlier = own[half + t] * window[half + t], own[half - 1 - t] * window[half - 1 - t]
            even[t], odd[t] = later + earlier, later - earlier
            # cos(k x) = 2 cos(x) cos((k - 1) x) - cos((k - 2) x), and the same for the sine
            tones[0, 0, t], tones[0, 1, t] = twice[t] * cosine[frame, t] - 1.0, twice[t] * sine[frame, t]
            tones[1, 0, t], tones[1, 1, t] = cosine[frame, t], sine[frame, t]
        for k in range(count):
            now, before, u, v = tones[k % 2], tones[1 - k % 2], np.float32(0.0), np.float32(0.0)
            x, y, p, q = now[0], now[1], before[0], before[1]
            for t in range(half):
                u += x[t] * even[t]
                v += y[t] * odd[t]
            for t in range(half):
                p[t] = twice[t] * x[t] - p[t]
                q[t] = twice[t] * y[t] - q[t]
            power[k, frame] = np.float64(u) ** 2 + np.float64(v) ** 2
    return power
