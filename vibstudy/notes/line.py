"""The line of held notes: which pitch the soloist holds, frame by frame, or rest.

Definition
----------
Two witnesses say in each frame what the pitch may be: the tracker's contour, and the peaks of a
harmonic-sum salience of the spectrum (a weighted sum of compressed, whitened magnitudes at the
multiples of each pitch). The tracker is exact but follows one pitch only and may go over to the
accompaniment; the salience nearly always holds the solo pitch among its strongest peaks.

The line is the cheapest path through held pitches and rest, with one price for every change
(Potts model, Viterbi search). A held pitch costs its distance in cents from each witness, absolute
and capped. So a vibrato of ±100 cents is cheaper to hold than to follow; a semitone step that
lasts is cheaper to follow than to hold; and a few frames of an octave error or of another
instrument never split a note.

References
----------
Harmonic-sum salience and its weights: A. Klapuri, "Multiple fundamental frequency estimation by
summing harmonic amplitudes", Proc. ISMIR 2006, 216-221. Path search: A. J. Viterbi, IEEE Trans.
Inf. Theory 13(2), 1967, 260-269. Potts segmentation: F. Friedrich et al., J. Comput. Graph. Stat.
17(1), 2008, 201-224.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import scipy.fft
from scipy.ndimage import maximum_filter1d, median_filter, uniform_filter1d
from scipy.sparse import csr_array

from vibstudy.pitch.contour import Contour
from vibstudy.units import ratio, to_cents, to_hz

HOP_S = 0.016  # a grid fine enough for a note of 50 ms; edges are placed by notes/edges.py
_WINDOW_S = 0.0929  # 2048 samples at 22,050 Hz
_STEP_CENTS = 100.0 / 3  # of the pitches held: three to a semitone
_LOWEST_HZ, _HIGHEST_HZ = 47.0, 2100.0  # F#1 to C7: all winds and strings but the extremes
_LOWER_HZ, _HIGHER_HZ = 26.0, 4300.0  # where the tracker heard such pitches
_SELDOM = 0.005  # share of the frames heard beyond, below which they are errors
_HARMONICS = 10
_TOP_HZ = 8000.0  # above it shellac and old tape hold noise alone
_COARSE = 20
_PEAKS = 6  # the solo pitch is nearly always among so many
_BLOCK = 48  # frames at a time: few enough for the processor's cache

_CHANGE = 280.0  # price of a change, cents x frames: half a semitone for 90 ms; see benchmarks/notes.py
_CAP = 300.0  # cents from which a witness is no farther off, but wrong
_OCTAVE = 140.0  # cost of the tracker an octave away: less than wrong, for that it often is
_WEAKER = 800.0  # cost of a peak of no strength, beside the strongest
_SHARE = (0.1, 0.5)  # of the tracker among the witnesses: with accompaniment, and alone
# of tracker and salience: with a second instrument, and alone
_AGREEMENT = (0.945, 0.975)
_EXPLAINED = (0.82, 0.9)  # share of the power: with a second instrument, and alone
_COMPANY_S = 20.0
_UNVOICED = 100.0
_REST = 160.0  # cost of a rest where a pitch is heard
_CONTRAST = (1.45, 1.7)  # of noise, and of a tone surely heard (see _View)
_CARRYING_HZ = (700.0, 4000.0)  # where a wind or string is strong and a piano weak
_CARRYING_DB = (-13.0, -8.0)  # re its upper third: surely a rest, surely the soloist
_REGISTER = (40, 95)  # percentiles of what is surely the soloist
_OUTSIDE, _OUTSIDE_MOST = 0.08, 150.0  # cost a cent outside of these, and at most: never as much as wrong
_RANGE_DB = 40.0
_OFFSET_BINS = 100  # so far an offset of the file, which is no sound, is above -100 dB in the window's lobes
_NEAR = 150.0
_LOW_HZ, _MULTIPLES, _MULTIPLE_CENTS = 180.0, (2, 16), 80.0  # below it the second harmonic often leads
# power that only the lower pitch explains; a quarter second
_OWN_SHARE, _OWN_ALL, _OWN_FRAMES = 0.04, 0.9, 15


@dataclass(frozen=True, eq=False)
class HeldLine:
    """The line, one value a frame of 16 ms.

    Parameters
    ----------
    time_s : ndarray [shape=(n,)]
        Frame centres.
    held_cents : ndarray [shape=(n,)]
        Pitch held, cents re 440 Hz; NaN = rest.
    cents : ndarray [shape=(n,)]
        Pitch heard: the tracker's within 150 cents of the one held, else the nearest peak of the
        salience; NaN where there is none.
    alone : ndarray [shape=(n,), range 0..1]
        1 where the soloist is alone, 0 with accompaniment (some twenty seconds decide).
    carried_db : ndarray [shape=(n,)]
        Level between 0.7 and 4 kHz re a loud moment of the passages with accompaniment; 0 elsewhere.
    """

    time_s: np.ndarray
    held_cents: np.ndarray
    cents: np.ndarray
    alone: np.ndarray
    carried_db: np.ndarray


@dataclass(frozen=True, eq=False)
class _View:
    """What the spectrum shows, frame by frame.

    `peaks` and `strength` [n, peaks]: cents and relative strength of the salience's peaks.
    `contrast` [n]: best over median salience (1.4-1.6 for noise, 2 for a tone in equal noise, more
    for a clear tone). `level_db`, `carrying_db` [n]: level, in all and between 0.7 and 4 kHz.
    `by_peak`, `by_tracker` [n]: share of the power at the multiples of the best peak, of the tracker's pitch.
    """

    peaks: np.ndarray
    strength: np.ndarray
    contrast: np.ndarray
    level_db: np.ndarray
    carrying_db: np.ndarray
    by_peak: np.ndarray
    by_tracker: np.ndarray


def hold_line(samples: np.ndarray, rate_hz: float, contour: Contour) -> HeldLine:
    """Return the line of held pitches.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        Mono sound.
    rate_hz : float > 0
        Sample rate, Hz.
    contour : Contour
        The tracker's line.
    """
    heard_hz = contour.f0_hz[contour.voiced]
    seldom = _SELDOM * len(heard_hz)
    # a semitone within the end
    lowest = _LOWER_HZ if np.sum(heard_hz < _LOWEST_HZ * 1.05) > seldom else _LOWEST_HZ
    highest = _HIGHER_HZ if np.sum(heard_hz > _HIGHEST_HZ * 0.95) > seldom else _HIGHEST_HZ
    grid = np.arange(to_cents(lowest), to_cents(highest), _STEP_CENTS)
    time = np.arange(0, len(samples) / rate_hz, HOP_S)
    tracked = _on_grid(contour, time)
    view = _look(samples, rate_hz, grid, tracked)
    alone = _alone(view, tracked)
    view = _with_low_pitch(view, tracked, alone)
    share = np.interp(alone, (0, 1), _SHARE)[:, None]
    grid = _within_reach(grid, tracked, view.peaks[:, 0])
    cost = (1 - share) * _peak_cost(view, grid) + share * _tracker_cost(tracked, grid)
    # a phrase; smoothed against beats
    loudest = maximum_filter1d(uniform_filter1d(view.level_db, 5), round(4.0 / HOP_S))
    silent = view.level_db < np.maximum(loudest - _RANGE_DB, -90.0)  # 16 bits end at -96 dB
    cost[silent] = _CAP
    carried_db = _carried(view, alone, silent)
    carried = np.interp(carried_db, _CARRYING_DB, (0.0, 1.0))
    pitched = np.interp(view.contrast, _CONTRAST, (0.0, 1.0))
    rest = alone * (pitched + np.isfinite(tracked)) / 2 + (1 - alone) * carried
    rest = np.where(silent, 0.0, _REST * rest)
    held = _held(cost, rest, grid)
    if alone.min() < 0.5:  # somewhere rather not alone
        sure = np.isfinite(held) & (carried > 0.9)  # nearly the level of a soft note
        cost += (1 - alone)[:, None] * _register_cost(held[sure], grid)
        held = _held(cost, rest, grid)
    return HeldLine(time, held, _heard(held, tracked, view.peaks), alone, carried_db)


def _held(cost: np.ndarray, rest: np.ndarray, grid: np.ndarray) -> np.ndarray:
    path = _cheapest_path(np.column_stack([cost, rest]))
    return np.append(grid, np.nan)[path]


def _carried(view: _View, alone: np.ndarray, silent: np.ndarray) -> np.ndarray:
    """Level between 0.7 and 4 kHz re its upper third with accompaniment, dB: it tells the soloist's rests.

    There a wind or string tone has strong harmonics and a piano or a soft orchestra has few.
    """
    with_company = (alone < 0.5) & ~silent  # rather not alone
    if not with_company.any():
        return np.zeros(len(alone))
    level = median_filter(view.carrying_db, 7)  # 0.1 s
    return np.where(alone < 1, level - np.quantile(level[with_company], 0.7), 0.0)


def _register_cost(held: np.ndarray, grid: np.ndarray) -> np.ndarray:
    """Small cost of pitches outside the upper register in which the soloist surely plays.

    A soloist mostly lies above the accompaniment, whose notes would draw the line down.
    """
    if not len(held):
        return np.zeros(len(grid))
    low, high = np.percentile(held, _REGISTER)
    outside = np.maximum(low - grid, grid - high)
    return np.clip(_OUTSIDE * outside, 0, _OUTSIDE_MOST)


def _heard(held: np.ndarray, tracked: np.ndarray, peaks: np.ndarray) -> np.ndarray:
    """The tracker's pitch where it is near the one held, else the nearest peak, else NaN."""
    away = np.abs(peaks - held[:, None])
    away[~np.isfinite(away)] = np.inf
    nearest = away.argmin(axis=1)[:, None]
    peak = np.take_along_axis(peaks, nearest, axis=1)[:, 0]
    peak[np.take_along_axis(away, nearest, axis=1)[:, 0] > _NEAR] = np.nan
    return np.where(np.abs(tracked - held) <= _NEAR, tracked, peak)


def _on_grid(contour: Contour, time_s: np.ndarray) -> np.ndarray:
    """Contour in cents at `time_s`, from the nearest of its frames; NaN = unvoiced."""
    at = np.searchsorted(contour.time_s, time_s - contour.hop_s / 2)
    at = np.clip(at, 0, len(contour.time_s) - 1)
    near = np.abs(contour.time_s[at] - time_s) <= max(contour.hop_s, HOP_S)
    return np.where(near, to_cents(contour.f0_hz[at]), np.nan)


def _within_reach(grid: np.ndarray, *witnesses: np.ndarray) -> np.ndarray:
    """The part of `grid` where a witness is, now and then."""
    cents = np.concatenate(witnesses)
    cents = cents[np.isfinite(cents)]
    if not len(cents):
        return grid
    low, high = np.percentile(cents, [0.5, 99.5])  # one frame in a hundred may be an error
    return grid[(grid > low - 250) & (grid < high + 250)]


def _alone(view: _View, tracked: np.ndarray) -> np.ndarray:
    """How surely the soloist is alone, 0 to 1, over some twenty seconds.

    Either one pitch explains nearly all of the power (noise breaks this), or tracker and salience
    nearly always agree, octaves aside (a second instrument breaks this).
    """
    fold = np.abs((tracked - view.peaks[:, 0] + 600.0) % 1200.0 - 600.0)  # half an octave either way
    sounding = view.level_db > np.quantile(view.level_db, 0.9) - 25.0  # noise explains nothing
    explained = _local_mean(np.maximum(view.by_peak, view.by_tracker), sounding)
    agreed = _local_mean(fold < 120.0, np.isfinite(fold))  # a semitone, and the widest usual vibrato
    return np.maximum(np.interp(explained, _EXPLAINED, (0, 1)), np.interp(agreed, _AGREEMENT, (0, 1)))


def _local_mean(values: np.ndarray, where: np.ndarray) -> np.ndarray:
    width = round(_COMPANY_S / HOP_S)
    weight = uniform_filter1d(where.astype(float), width)
    return uniform_filter1d(values * where, width, output=float) / np.maximum(weight, 1e-3)


def _with_low_pitch(view: _View, tracked: np.ndarray, alone: np.ndarray) -> _View:
    """The view, with the tracker's pitch among the peaks where the best one is a multiple of it.

    The salience of a low note (below 180 Hz) often peaks at its second or third harmonic. The lower
    pitch is right when there is power at those of its multiples that the higher one has not.
    """
    usual = median_filter(np.nan_to_num(tracked, nan=np.inf), _OWN_FRAMES)  # vibrato must not cross it
    low_note = usual < to_cents(_LOW_HZ)
    multiple = np.rint(ratio(view.peaks[:, 0] - tracked))
    low, high = _MULTIPLES
    with np.errstate(divide="ignore", invalid="ignore"):
        away = np.abs(view.peaks[:, 0] - tracked - 1200 * np.log2(multiple))
    own = (alone > 0.5) | (median_filter(view.by_tracker, _OWN_FRAMES) > _OWN_ALL)  # nothing else sounds
    agrees = own & low_note & (multiple >= low) & (multiple <= high) & (away < _MULTIPLE_CENTS)
    agrees &= median_filter(view.by_tracker - view.by_peak, _OWN_FRAMES) > _OWN_SHARE
    return replace(
        view,
        peaks=np.column_stack([view.peaks, np.where(agrees, tracked, np.nan)]),
        strength=np.column_stack([view.strength, agrees.astype(float)]),
    )


def hann(length: int) -> np.ndarray:
    """Window of a spectrum."""
    return np.hanning(length + 1)[:-1].astype(np.float32)


def unit_window(length: int) -> np.ndarray:
    """The same, scaled so that a sinusoid's line is as high as its amplitude."""
    window = hann(length)
    return window * np.float32(2 / window.sum())


def _look(samples: np.ndarray, rate_hz: float, grid: np.ndarray, tracked: np.ndarray) -> _View:
    """Take the spectrum every 16 ms (:class:`_View`)."""
    length = 2 * round(_WINDOW_S * rate_hz / 2)
    n_fft = scipy.fft.next_fast_len(2 * length, real=True)
    window = unit_window(length)
    padded = np.pad(np.asarray(samples, dtype=np.float32), length // 2)
    offset = scipy.fft.rfft(window, n_fft)[:_OFFSET_BINS]
    offset /= offset[0]
    start = np.rint(np.arange(len(tracked)) * HOP_S * rate_hz).astype(int)
    frames = np.lib.stride_tricks.sliding_window_view(padded, length)
    top = int(min(_TOP_HZ, 0.45 * rate_hz) * n_fft / rate_hz) // _COARSE * _COARSE  # just below half the rate
    salience = _salience_weights(grid, n_fft / rate_hz, top)
    cents = np.full((len(start), _PEAKS), np.nan)
    strength = np.zeros((len(start), _PEAKS))
    contrast, level, carrying = (np.zeros(len(start)) for _ in range(3))
    explained = np.zeros((2, len(start)))
    carry = slice(*(int(hertz * n_fft / rate_hz) for hertz in _CARRYING_HZ))
    for a in range(0, len(start), _BLOCK):
        b = min(a + _BLOCK, len(start))
        spectrum = scipy.fft.rfft(frames[start[a:b]] * window, n_fft, axis=1)[:, :top]
        spectrum[:, :_OFFSET_BINS] -= spectrum[:, :1] * offset
        power = spectrum.real**2 + spectrum.imag**2
        whole = np.einsum("ij->i", power)
        level[a:b] = 10 * np.log10(whole / 4 + 1e-12)  # a scale: only differences of level are used
        carrying[a:b] = 10 * np.log10(power[:, carry].sum(axis=1) / 4 + 1e-12)
        flat = _compress(power)
        total = np.ascontiguousarray((salience @ flat.T).T)
        middle = total.shape[1] // 2
        contrast[a:b] = total.max(axis=1) / (np.partition(total, middle, axis=1)[:, middle] + 1e-9)
        cents[a:b], strength[a:b] = _strongest(total, grid)
        nines = _nines(power)
        for share, pitch in zip(explained, (cents[a:b, 0], tracked[a:b]), strict=True):
            share[a:b] = _explained(nines, to_hz(pitch) * n_fft / rate_hz) / (whole + 1e-9)
    return _View(cents, strength, contrast, level, carrying, *explained)


def _salience_weights(grid: np.ndarray, bins_per_hz: float, top: int) -> csr_array:
    """Weight of each bin of the spectrum in the salience of each pitch [grid, top]."""
    hertz = to_hz(grid)
    order = np.arange(1, _HARMONICS + 1)[:, None]
    at = np.rint(order * hertz * bins_per_hz).astype(int)
    # Klapuri 2006: (f + 27 Hz) / (k f + 320 Hz)
    weight = ((hertz + 27) / (order * hertz + 320)).astype(np.float32)
    rows = np.broadcast_to(np.arange(len(grid)), at.shape)
    inside = at < top
    return csr_array((weight[inside], (rows[inside], at[inside])), shape=(len(grid), top))


def _nines(power: np.ndarray) -> np.ndarray:
    """Sum of each bin and the eight after it; a column of zeros stands for all beyond the last bin."""
    padded = np.pad(power, ((0, 0), (0, 9)))  # as many as are summed
    twos = padded[:, :-1] + padded[:, 1:]
    fours = twos[:, :-2] + twos[:, 2:]
    return fours[:, :-5] + fours[:, 4:-1] + padded[:, 8:]


def _explained(nines: np.ndarray, f0_bins: np.ndarray) -> np.ndarray:
    """Power that lies within four bins of the multiples of a pitch (0 for none); `nines` as they come."""
    # thirty harmonics hold all of any tone
    centre = np.nan_to_num(f0_bins, nan=np.inf)[:, None] * np.arange(1, 31)
    first = np.clip(centre - 3.5, 0, nines.shape[1] - 1).astype(np.int32)  # four bins below, rounded
    return nines[np.arange(len(nines))[:, None], first].sum(axis=1)


def _compress(power: np.ndarray) -> np.ndarray:
    """Half-whitened magnitude (over the root of its neighbourhood's) to the power 3/8."""
    rows, bins = power.shape
    parts = power.reshape(rows, bins // _COARSE, _COARSE)
    coarse = np.einsum("ijk->ij", parts) / np.float32(_COARSE)
    smooth = uniform_filter1d(coarse, 10, axis=1, mode="nearest")  # running sums may end just below 0
    around = np.sqrt(np.maximum(smooth, 0.0)) + np.float32(1e-5)
    quarter = (parts / around[:, :, None]).reshape(rows, bins)
    for _ in range(3):  # power to 1/8; with its root, magnitude to 3/8
        np.sqrt(quarter, out=quarter)
    return quarter * np.sqrt(quarter)


def _strongest(total: np.ndarray, grid: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Place (parabola through three points) and strength re the frame's best of the top peaks."""
    inner = total[:, 1:-1]
    peak = (inner > total[:, :-2]) & (inner >= total[:, 2:])
    masked = np.where(peak, inner, -1.0)
    order = np.argpartition(-masked, _PEAKS, axis=1)[:, :_PEAKS]
    height = np.take_along_axis(masked, order, axis=1)
    left = np.take_along_axis(total, order, axis=1)
    right = np.take_along_axis(total, order + 2, axis=1)
    bend = left - 2 * height + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, 1.0), 0.0)
    cents = grid[order + 1] + np.clip(shift, -0.5, 0.5) * _STEP_CENTS  # within the bin
    cents[height < 0] = np.nan
    best = height.max(axis=1, keepdims=True)
    return cents, height / np.where(best > 0, best, 1.0)


def _peak_cost(view: _View, grid: np.ndarray) -> np.ndarray:
    """Cost of holding each pitch given the salience peaks [n, grid]."""
    cost = np.full((len(view.peaks), len(grid)), float(_CAP))
    for peak, strength in zip(view.peaks.T, view.strength.T, strict=True):
        away = np.abs(np.nan_to_num(peak, nan=1e6)[:, None] - grid)
        np.minimum(cost, away + (_WEAKER * (1 - strength))[:, None], out=cost)
    return cost


def _tracker_cost(tracked: np.ndarray, grid: np.ndarray) -> np.ndarray:
    """Cost of holding each pitch given the tracker's [n, grid]."""
    voiced = np.isfinite(tracked)
    away = np.abs(np.where(voiced, tracked, 0.0)[:, None] - grid)
    cost = np.minimum(np.minimum(away, np.abs(away - 1200.0) + _OCTAVE), _CAP)
    cost[~voiced] = _UNVOICED
    return cost


def _cheapest_path(cost: np.ndarray) -> np.ndarray:
    """State per frame of the cheapest path; every change costs :data:`_CHANGE`."""
    back = np.empty(cost.shape, dtype=np.int32)
    stay = np.arange(cost.shape[1], dtype=np.int32)
    total = cost[0].copy()
    for i in range(1, len(cost)):
        best = int(total.argmin())
        change = total[best] + _CHANGE
        moved = total > change
        back[i] = np.where(moved, best, stay)
        total = np.minimum(total, change) + cost[i]
    path = np.empty(len(cost), dtype=int)
    path[-1] = int(total.argmin())
    for i in range(len(cost) - 1, 0, -1):
        path[i - 1] = back[i, path[i]]
    return path
