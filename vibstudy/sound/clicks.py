"""Clicks of discs: found in the prediction residual, and bridged.

Method (Godsill & Rayner, *Digital Audio Restoration*, Springer 1998, chapter 5): music is predicted
well from its own recent past (autoregressive model), a click is not. The residual of a short block's
model is set against its own robust spread. The residual of a reed or brass tone is a train of pulses
too, and an attack is a burst; so a click must besides stand above the block's usual peaks, be
short, and leave the residual as it was before it. A click spoils the forward prediction for some
time after it and the backward one before it; the smaller of the two marks its place.
Bridging is the least-squares autoregressive interpolation of Janssen, Veldhuis & Vries, IEEE Trans.
ASSP 34(2):317-330 (1986).

Thresholds are ours, set so that rendered wind and piano attacks stay untouched.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

_ORDER_S = 0.0014
_BLOCK_S = 0.05
_SPREADS = 4.5
_USUAL_PEAKS = 2.0
_PARTS = 8
_AT_ONCE = 64  # blocks: few enough for the processor's cache
_OFTEN = 2.2
_LONGEST_S = 0.0016
_MARGIN_S = 0.00014
_AFTERMATH_S = 0.006
_AFTERMATH = 5.0


@dataclass(frozen=True, eq=False)
class Clicks:
    """Where clicks stand.

    Parameters
    ----------
    begins, ends : ndarray of int [shape=(n,)]
        First sample, and first sample after, of each.
    """

    begins: np.ndarray
    ends: np.ndarray

    def __len__(self) -> int:
        return len(self.begins)


_NONE = Clicks(np.empty(0, dtype=int), np.empty(0, dtype=int))


def repair_clicks(samples: np.ndarray, rate_hz: float) -> tuple[np.ndarray, Clicks]:
    """Bridge clicks; all other samples stay exactly as they are.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        Mono sound.
    rate_hz : float
        Its sampling rate.

    Returns
    -------
    repaired : ndarray [shape=(n,)]
        A copy.
    clicks : Clicks
        What was bridged.
    """
    sound = np.asarray(samples, dtype=np.float64)
    if len(sound) < 2 * round(_BLOCK_S * rate_hz):
        return np.array(samples), _NONE
    models = _models(sound, rate_hz)
    clicks = _find(sound, models, rate_hz)
    if len(clicks):
        # Loud clicks bend the model of their block; bridged, they let it see the smaller ones.
        rough = _bridge(sound, clicks, models, rate_hz)
        models = _models(rough, rate_hz)
        clicks = _merged(clicks, _find(rough, models, rate_hz), len(sound))
        sound = _bridge(rough, clicks, models, rate_hz)
    return sound.astype(np.asarray(samples).dtype), clicks


def _find(samples: np.ndarray, models: np.ndarray, rate_hz: float) -> Clicks:
    block, order, margin = _sizes(rate_hz)
    level = _surprise(samples, models, block)
    blocks = _in_blocks(level, block)
    ranks = (block // 2, round(0.97 * (block - 1)))
    middle, often = np.partition(blocks, ranks, axis=1)[:, ranks].T
    threshold = np.maximum(_SPREADS * 1.4826 * middle, _OFTEN * often)
    # The blocks beside it also know what is usual: half of a block may be silence before an attack.
    beside = np.pad(threshold, 1, mode="edge")
    threshold = np.maximum.reduce([beside[:-2], threshold, beside[2:], _USUAL_PEAKS * _usual_peak(blocks)])
    threshold = np.maximum(np.repeat(threshold, block)[: len(samples)], 2.0**-15)
    begins, ends = _runs(level > threshold, gap=2 * margin)
    keep = [_stands_alone(level, b, e, rate_hz) for b, e in zip(begins, ends, strict=True)]
    begins, ends = begins[keep] - margin, ends[keep] + margin
    inside = (begins > order) & (ends < len(samples) - order)
    return Clicks(begins[inside], ends[inside])


def _usual_peak(blocks: np.ndarray) -> np.ndarray:
    """Height that the tallest sample of 6 ms usually has, in each block and its neighbours."""
    parts = np.array_split(blocks, _PARTS, axis=1)
    peaks = np.column_stack([part.max(axis=1) for part in parts])
    beside = np.pad(peaks, ((1, 1), (0, 0)), mode="edge")
    return np.quantile(np.column_stack([beside[:-2], peaks, beside[2:]]), 0.75, axis=1)


def _sizes(rate_hz: float) -> tuple[int, int, int]:
    """Samples in a block, order of its model, margin round a click."""
    return round(_BLOCK_S * rate_hz), round(_ORDER_S * rate_hz), max(round(_MARGIN_S * rate_hz), 2)


def _in_blocks(values: np.ndarray, block: int) -> np.ndarray:
    """[blocks, block]; the last block is filled up from its end backwards."""
    missing = -len(values) % block
    return np.concatenate([values, values[::-1][:missing]]).reshape(-1, block)


def _models(samples: np.ndarray, rate_hz: float) -> np.ndarray:
    """Prediction-error filter of each block, [blocks, order + 1], by the autocorrelation method."""
    from scipy.fft import irfft, next_fast_len, rfft
    from scipy.linalg import toeplitz

    block, order, _ = _sizes(rate_hz)
    frames = _in_blocks(samples.astype(np.float32), block)
    window = np.hanning(block).astype(np.float32)
    size = next_fast_len(block + order, real=True)
    correlation = np.empty((len(frames), order + 1))
    for first in range(0, len(frames), _AT_ONCE):
        some = slice(first, first + _AT_ONCE)
        spectrum = rfft(frames[some] * window, size, axis=1)
        power = spectrum.real**2 + spectrum.imag**2
        correlation[some] = irfft(power, size, axis=1)[:, : order + 1]
    correlation[:, 0] = correlation[:, 0] * (1 + 1e-6) + 1e-12
    lags = toeplitz(np.arange(order))
    ahead = np.linalg.solve(correlation[:, lags], correlation[:, 1:, None])[..., 0]
    return np.concatenate([np.ones((len(frames), 1)), -ahead], axis=1)


def _surprise(samples: np.ndarray, models: np.ndarray, block: int) -> np.ndarray:
    """Smaller of the errors of predicting each sample from before and from after it."""
    from scipy.fft import irfft, next_fast_len, rfft

    order = models.shape[1] - 1
    size = next_fast_len(block + 2 * order, real=True)
    padded = np.pad(samples.astype(np.float32), (order, order + -len(samples) % block))
    frames = np.lib.stride_tricks.sliding_window_view(padded, block + 2 * order)[::block]
    forward, backward = np.empty((2, len(models), block), dtype=np.float32)
    for first in range(0, len(models), _AT_ONCE):
        some = slice(first, first + _AT_ONCE)
        spectrum = rfft(frames[some], size, axis=1)
        response = rfft(models[some].astype(np.float32), size, axis=1)
        ahead = irfft(spectrum * response, size, axis=1)[:, order : order + block]
        back = irfft(spectrum * response.conj(), size, axis=1)[:, order : order + block]
        np.abs(ahead, out=forward[some])
        np.abs(back, out=backward[some])
    # A sharp beginning surprises only from before it, by a sample or two.
    errors = (forward.ravel()[: len(samples)], backward.ravel()[: len(samples)])
    return np.minimum(*(_tallest_of_five(error) for error in errors))


def _tallest_of_five(values: np.ndarray) -> np.ndarray:
    """Of each sample and its two neighbours on either side; ten times as fast as SciPy's running maximum."""
    padded = np.pad(values, 2, mode="edge")
    twos = np.maximum(padded[:-1], padded[1:])
    fours = np.maximum(twos[:-2], twos[2:])
    return np.maximum(fours[:-1], padded[4:])


def _runs(flags: np.ndarray, gap: int) -> tuple[np.ndarray, np.ndarray]:
    """Begin and end of runs of True; runs closer than `gap` are one."""
    at = np.flatnonzero(flags)
    if len(at) == 0:
        return np.empty(0, int), np.empty(0, int)
    breaks = np.flatnonzero(np.diff(at) > gap)
    return at[np.r_[0, breaks + 1]], at[np.r_[breaks, len(at) - 1]] + 1


def _stands_alone(level: np.ndarray, begin: int, end: int, rate_hz: float) -> bool:
    """Short, and the residual after it is as small as before it (an attack is neither)."""
    if end - begin > _LONGEST_S * rate_hz:
        return False
    reach, rest = round(_AFTERMATH_S * rate_hz), _sizes(rate_hz)[2]
    before = level[max(begin - rest - reach, 0) : max(begin - rest, 1)]
    after = level[end + rest : end + rest + reach]
    if len(after) == 0:
        return False
    quiet = np.sqrt(np.mean(before**2)) + 2.0**-17
    return bool(np.sqrt(np.mean(after**2)) < _AFTERMATH * quiet)


def _merged(a: Clicks, b: Clicks, n: int) -> Clicks:
    flags = np.zeros(n, dtype=bool)
    for clicks in (a, b):
        for begin, end in zip(clicks.begins, clicks.ends, strict=True):
            flags[begin:end] = True
    return Clicks(*_runs(flags, gap=1))


def _bridge(samples: np.ndarray, clicks: Clicks, models: np.ndarray, rate_hz: float) -> np.ndarray:
    """Replace the samples of each click by what the model of their block expects from both sides."""
    from scipy.linalg import solve_toeplitz

    block, order, _ = _sizes(rate_hz)
    out = samples.copy()
    for begin, end in zip(clicks.begins, clicks.ends, strict=True):
        model = models[begin // block]
        known = out[begin - order : end + order].copy()
        known[order : order + end - begin] = 0.0
        error = np.convolve(known, model)[order : end - begin + 2 * order]
        column = np.zeros(end - begin)
        stiffness = np.correlate(model, model, "full")[order:]
        column[: order + 1] = stiffness[: end - begin]
        out[begin:end] = solve_toeplitz(column, -np.correlate(error, model, "valid"))
    return out
