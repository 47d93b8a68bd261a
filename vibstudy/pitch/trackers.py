"""Coarse pitch trackers behind one function.

A tracker finds the line; it does not measure vibrato (see :mod:`vibstudy.pitch.contour`). Times are
frame centres in s from the first sample. A frame without a pitch is NaN.

=============  ======  ======================================================================
name           hop     what it is
=============  ======  ======================================================================
swift-f0       16 ms   small convolutional network in its own package; voiced at confidence 0.5. It hears
                       47 to 2,094 Hz; higher notes are played to it at half speed, lower ones at double
pyin           11.6 ms probabilistic YIN with Viterbi smoothing (Mauch & Dixon, ICASSP 2014), librosa
crepe-tiny     10 ms   convolutional network on the waveform (Kim, Salamon, Li & Bello, ICASSP 2018)
crepe-full     10 ms   the same, 40 times larger; extra ``crepe-full``
=============  ======  ======================================================================
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from importlib.metadata import version

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from vibstudy.errors import VibstudyError, nearest
from vibstudy.pitch.contour import Contour

DEFAULT_TRACKER = "swift-f0"

_SWIFT_VOICED = 0.5  # even odds
_SWIFT_LOUD = 0.1  # -20 dB re full scale: softer sound is raised to it for the network
_SWIFT_HZ = (46.875, 2093.75)  # the network's own range (its package)
_SWIFT_LOW_HZ, _SWIFT_HIGH_HZ, _SWIFT_SURE = 45.0, 1900.0, 0.8  # where that range begins to end; convention
# 1024 samples; what the network hears beside a note; memory
_BRIGHT_S, _BRIGHT_PAD_S, _BRIGHT_FRAMES = 0.046, 0.2, 256
_SWIFT_PIECE = 6 * 16000  # the network is quickest on pieces of this length
_PYIN_FRAME_S = 0.093  # 2,048 samples of 22,050 a second: librosa's default
_PYIN_HOP_S = 0.0116  # 256 of them
_PYIN_NO_TROUGH = 0.01  # librosa's default


def track_line(
    samples: np.ndarray,
    rate_hz: float,
    tracker: str = DEFAULT_TRACKER,
    fmin_hz: float = 45.0,
    fmax_hz: float = 4200.0,
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
    contour = _swift_at_speed(samples, rate_hz, 1.0, fmin_hz, fmax_hz)
    if fmin_hz < _SWIFT_LOW_HZ:
        slow = _swift_at_speed(samples, rate_hz, 2.0, fmin_hz, fmax_hz)
        contour = _surer(contour, slow, slow.f0_hz < 1.2 * _SWIFT_HZ[0])  # where its range begins to end
    if fmax_hz > _SWIFT_HIGH_HZ:
        for begin, end in _bright(samples, rate_hz, contour):
            part = samples[begin:end]
            quick = _swift_at_speed(part, rate_hz, 0.5, fmin_hz, fmax_hz)
            quick = replace(quick, time_s=quick.time_s + begin / rate_hz)
            contour = _surer(contour, quick, quick.f0_hz > _SWIFT_HIGH_HZ)
    return contour


def _surer(contour: Contour, other: Contour, where: np.ndarray) -> Contour:
    """`contour`, with the pitch of `other` (any grid) in frames `where` it is voiced and the surer."""
    if len(other.time_s) < 2 or not where.any():
        return contour
    at = np.rint((contour.time_s - other.time_s[0]) / other.hop_s).astype(int)
    inside = (at >= 0) & (at < len(other.time_s))
    at = np.clip(at, 0, len(other.time_s) - 1)
    better = inside & where[at] & other.voiced[at]
    better &= ~contour.voiced | (other.confidence[at] > contour.confidence)
    return replace(
        contour,
        f0_hz=np.where(better, other.f0_hz[at], contour.f0_hz),
        confidence=np.where(better, other.confidence[at], contour.confidence),
    )


def _bright(samples: np.ndarray, rate_hz: float, contour: Contour) -> list[tuple[int, int]]:
    """Stretches (samples) in which the tracker is unsure and the strongest frequency is a high one."""
    length = round(_BRIGHT_S * rate_hz)
    hop = round(contour.hop_s * rate_hz) if len(contour.time_s) > 1 else length
    if len(samples) < length:
        return []
    frames = np.lib.stride_tricks.sliding_window_view(samples, length)[::hop]
    window = np.hanning(length).astype(np.float32)
    bright = np.zeros(len(frames), dtype=bool)
    level = np.zeros(len(frames))
    for a in range(0, len(frames), _BRIGHT_FRAMES):
        spectrum = np.abs(np.fft.rfft(frames[a : a + _BRIGHT_FRAMES] * window, axis=1))
        # two semitones below
        bright[a : a + _BRIGHT_FRAMES] = spectrum.argmax(axis=1) * rate_hz / length > 0.9 * _SWIFT_HIGH_HZ
        level[a : a + _BRIGHT_FRAMES] = spectrum.max(axis=1)
    centre = (np.arange(len(frames)) * hop + length / 2) / rate_hz
    sure = np.interp(centre, contour.time_s, np.where(contour.voiced, contour.confidence, 0.0)) > _SWIFT_SURE
    asked = bright & ~sure & (level > 0.01 * level.max())  # -40 dB: what is softer is no note
    asked = minimum_filter1d(asked, 3)  # one frame is no note
    reach = round(_BRIGHT_PAD_S / (hop / rate_hz))
    asked = maximum_filter1d(asked, 2 * reach + 1)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], asked, [False]])))
    return [(int(a) * hop, min(int(b) * hop + length, len(samples))) for a, b in edges.reshape(-1, 2)]


def _swift_at_speed(
    samples: np.ndarray, rate_hz: float, speed: float, fmin_hz: float, fmax_hz: float
) -> Contour:
    """What the network hears when the sound is played at another speed; times and pitches as they are."""
    import soxr
    from swift_f0.core import HOP, SAMPLE_RATE

    if rate_hz * speed != SAMPLE_RATE:
        samples = soxr.resample(samples, rate_hz * speed, SAMPLE_RATE, quality="HQ")
    if len(samples) < HOP:
        samples = np.pad(samples, (0, HOP - len(samples)))
    # The network's package takes what peaks below -60 dBFS for silence; a quiet transfer is not.
    loud = float(np.percentile(np.abs(samples[::5]), 99.0))
    if np.finfo(np.float32).tiny < loud < _SWIFT_LOUD:  # below it a float is no sound, and has no inverse
        samples = samples * np.float32(_SWIFT_LOUD / loud)
    low, high = np.clip((fmin_hz * speed, fmax_hz * speed), *_SWIFT_HZ)
    stream = _swift_session().stream(low, high)  # the same figures in a fraction of the memory
    begins = range(0, len(samples), _SWIFT_PIECE)
    pieces = [stream.push(samples[at : at + _SWIFT_PIECE], SAMPLE_RATE) for at in begins]
    pieces.append(stream.flush())
    time_s, pitch_hz, confidence = (
        np.concatenate([getattr(piece, name) for piece in pieces])
        for name in ("timestamps", "pitch_hz", "confidence")
    )
    f0 = np.where(confidence >= _SWIFT_VOICED, pitch_hz, np.nan) / speed
    return Contour(time_s * speed, f0, confidence, f"swift-f0 {version('swift-f0')}")


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
