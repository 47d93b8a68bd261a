"""Coarse pitch trackers behind one function.

A tracker finds the line; it does not measure vibrato (see :mod:`vibstudy.pitch.contour`). Times are
frame centres in s from the first sample. A frame without a pitch is NaN.

=============  ======  ======================================================================
name           hop     what it is
=============  ======  ======================================================================
swift-f0       16 ms   small convolutional network in its own package; voiced at confidence 0.5
pyin           11.6 ms probabilistic YIN with Viterbi smoothing (Mauch & Dixon, ICASSP 2014), librosa
crepe-tiny     10 ms   convolutional network on the waveform (Kim, Salamon, Li & Bello, ICASSP 2018)
crepe-full     10 ms   the same, 40 times larger; extra ``crepe-full``
=============  ======  ======================================================================
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from importlib.metadata import version

import numpy as np

from vibstudy.errors import VibstudyError, nearest
from vibstudy.pitch.contour import Contour

DEFAULT_TRACKER = "swift-f0"

_SWIFT_VOICED = 0.5
_SWIFT_LOUD = 0.1
_SWIFT_PIECE = 6 * 16000  # the network is quickest on pieces of this length
_PYIN_FRAME_S = 0.093
_PYIN_HOP_S = 0.0116
_PYIN_NO_TROUGH = 0.01


def track_line(
    samples: np.ndarray,
    rate_hz: float,
    tracker: str = DEFAULT_TRACKER,
    fmin_hz: float = 50.0,
    fmax_hz: float = 2000.0,
) -> Contour:
    """Follow the line of pitch.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        Mono sound, finite.
    rate_hz : float > 0
        Sampling rate.
    tracker : str
        One of :data:`TRACKERS`.
    fmin_hz, fmax_hz : float
        Pitches looked for.

    Returns
    -------
    Contour

    Raises
    ------
    VibstudyError
        For an unknown tracker, or one whose weights are not installed.
    """
    if tracker not in TRACKERS:
        raise VibstudyError(
            "no such tracker",
            column="tracker",
            got=tracker,
            repair=nearest(tracker, list(TRACKERS)) or f"Known: {', '.join(TRACKERS)}",
        )
    if not 0 < fmin_hz < fmax_hz:
        raise VibstudyError("the lowest pitch must be below the highest", got=f"{fmin_hz} and {fmax_hz} Hz")
    samples = np.ascontiguousarray(samples, dtype=np.float32)
    return TRACKERS[tracker](samples, float(rate_hz), float(fmin_hz), float(fmax_hz))


def second_opinion(a: Contour, b: Contour) -> np.ndarray:
    """Octaves by which tracker `b` differs from `a`, on the frames of `a`.

    Parameters
    ----------
    a, b : Contour
        Two contours of the same samples.

    Returns
    -------
    ndarray [shape=(len(a.time_s),)]
        log2(f_b / f_a), `b` taken at its nearest frame; +1 = `b` an octave higher. NaN where either
        hears no pitch.
    """
    if len(b.time_s) == 0:
        return np.full(len(a.time_s), np.nan)
    after = np.clip(np.searchsorted(b.time_s, a.time_s), 1, max(len(b.time_s) - 1, 1))
    before = after - 1
    after = np.minimum(after, len(b.time_s) - 1)
    nearer = np.where(a.time_s - b.time_s[before] <= b.time_s[after] - a.time_s, before, after)
    return np.log2(b.f0_hz[nearer] / a.f0_hz)


# ---------------------------------------------------------------------------------------------


@cache
def _swift_session():
    from swift_f0 import SwiftF0

    return SwiftF0(threads=1, spin=False)


def _track_swift(samples: np.ndarray, rate_hz: float, fmin_hz: float, fmax_hz: float) -> Contour:
    import soxr
    from swift_f0.core import HOP, SAMPLE_RATE

    if rate_hz != SAMPLE_RATE:
        samples = soxr.resample(samples, rate_hz, SAMPLE_RATE, quality="HQ")
    if len(samples) < HOP:
        samples = np.pad(samples, (0, HOP - len(samples)))
    # The network's package takes what peaks below -60 dBFS for silence; a quiet transfer is not.
    loud = float(np.percentile(np.abs(samples[::5]), 99.0))
    if 0 < loud < _SWIFT_LOUD:
        samples = samples * np.float32(_SWIFT_LOUD / loud)
    stream = _swift_session().stream(fmin_hz, fmax_hz)  # the same figures in a fraction of the memory
    begins = range(0, len(samples), _SWIFT_PIECE)
    pieces = [stream.push(samples[at : at + _SWIFT_PIECE], SAMPLE_RATE) for at in begins]
    pieces.append(stream.flush())
    time_s, pitch_hz, confidence = (
        np.concatenate([getattr(piece, name) for piece in pieces])
        for name in ("timestamps", "pitch_hz", "confidence")
    )
    f0 = np.where(confidence >= _SWIFT_VOICED, pitch_hz, np.nan)
    return Contour(time_s, f0, confidence, f"swift-f0 {version('swift-f0')}")


def _track_pyin(samples: np.ndarray, rate_hz: float, fmin_hz: float, fmax_hz: float) -> Contour:
    import librosa

    # At least two periods of the lowest pitch must fit in the frame.
    frame = 1 << round(np.log2(max(_PYIN_FRAME_S, 3.0 / fmin_hz) * rate_hz))
    hop = round(_PYIN_HOP_S * rate_hz)
    f0, _, probability = librosa.pyin(
        samples,
        fmin=fmin_hz,
        fmax=min(fmax_hz, rate_hz / 2),
        sr=rate_hz,
        frame_length=frame,
        hop_length=hop,
        no_trough_prob=_PYIN_NO_TROUGH,
    )
    # librosa calls frames voiced in which it found no trough, that is, nothing periodic.
    f0 = np.where(probability > 1.001 * _PYIN_NO_TROUGH, f0, np.nan)
    time_s = np.arange(len(f0)) * hop / rate_hz
    return Contour(time_s, f0, probability, f"pyin (librosa {version('librosa')})")


def _track_crepe(size: str) -> Callable[[np.ndarray, float, float, float], Contour]:
    def track(samples: np.ndarray, rate_hz: float, fmin_hz: float, fmax_hz: float) -> Contour:
        from vibstudy.pitch.crepe import track_crepe

        return track_crepe(samples, rate_hz, size, fmin_hz=fmin_hz, fmax_hz=fmax_hz)

    return track


TRACKERS: dict[str, Callable[[np.ndarray, float, float, float], Contour]] = {
    "swift-f0": _track_swift,
    "pyin": _track_pyin,
    "crepe-tiny": _track_crepe("tiny"),
    "crepe-full": _track_crepe("full"),
}
"""Trackers by name."""
