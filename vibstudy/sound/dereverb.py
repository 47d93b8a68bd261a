r"""Sound without most of its room: where a course of pitch is looked for, never what is measured.

Late reverberation is predicted, band by band of a short-time spectrum, from what sounded `DELAY` frames
before and earlier, in every channel, and taken away: weighted prediction error, the likeliest prediction
where the direct sound is Gaussian and its power changes with time (Nakatani et al. 2010, doi
10.1109/TASL.2010.2052251; of several channels, Yoshioka & Nakatani 2012, doi 10.1109/TASL.2012.2210879), by
the library `nara_wpe`. Two channels tell more than one: what reaches both, later and otherwise, is the room.

A steady tone, which its own past predicts, loses more than a moving one, and a beginning less than an end. So
nothing is measured here.

Pieces of :data:`EVERY_S` are cut on the recording's own clock, with what is about them. Which piece a note is
looked for in depends on where it is in the recording, not on how much of it is being read.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from vibstudy.threads import one_thread

RATE_HZ = 12000.0
"""Harmonics up to 5,000 Hz are asked of a note in a room (:mod:`vibstudy.pitch.reverberant`); at 6,000 Hz
fewer courses were found."""
WINDOW, HOP = 512, 128  # samples: 43 and 11 ms
DELAY, TAPS, ROUNDS = 3, 20, 3
"""Frames that are left to the direct sound, as in the literature; frames that predict, 0.21 s; rounds in
which its power settles. Over 0.13 s and in two rounds fewer notes far away were usable, over 0.3 s as many;
with frames every 16 ms it takes a third of the time, and extents come out 1 % narrower
(``benchmarks/rooms.py``)."""
EVERY_S, ABOUT_S = 30.0, 5.0
"""Long against a decay, so that many notes tell of the room; a note lies within what is about it."""
APART_DB = -30.0
"""Two channels whose difference lies further below their mean are one: their past says the same twice."""


@dataclass(frozen=True, eq=False)
class Dereverberated:
    """A recording without most of its room, piece by piece as it is asked for.

    Parameters
    ----------
    heard : callable
        Gives the channels of the recording between two moments, s, at :data:`RATE_HZ` [shape=(channels, n)],
        as far as they are there, and the moment of the first sample.
    origin_s : float
        The moment of the recording from which times are counted.
    """

    heard: Callable[[float, float], tuple[np.ndarray, float]]
    origin_s: float = 0.0
    _kept: dict[int, tuple[np.ndarray, float]] = field(default_factory=dict)

    @classmethod
    def of(
        cls, samples: np.ndarray, rate_hz: float, first_s: float = 0.0, origin_s: float = 0.0
    ) -> Dereverberated:
        """Of samples [shape=(n,) or (channels, n)], the first of them at a moment of the recording."""
        import soxr

        def heard(begin_s: float, end_s: float) -> tuple[np.ndarray, float]:
            first = max(0, round((begin_s - first_s) * rate_hz))
            piece = np.atleast_2d(samples)[:, first : max(first, round((end_s - first_s) * rate_hz))]
            return soxr.resample(piece.T, rate_hz, RATE_HZ).T, first_s + first / rate_hz

        return cls(heard, origin_s)

    def about(self, onset_s: float, offset_s: float) -> tuple[np.ndarray, float]:
        """Sound that a note lies in, and when its first sample is.

        Parameters
        ----------
        onset_s, offset_s : float
            Of the note, from :attr:`origin_s`.

        Returns
        -------
        samples : ndarray [shape=(n,), float32]
            Mean of the channels, at :data:`RATE_HZ`.
        start_s : float
            From :attr:`origin_s`.
        """
        number = max(0, int((self.origin_s + 0.5 * (onset_s + offset_s)) // EVERY_S))
        begin_s = max(0.0, number * EVERY_S - ABOUT_S)
        if number not in self._kept:
            if self._kept:  # notes are asked for in the order of time
                self._kept.pop(min(self._kept))
            heard, first_s = self.heard(begin_s, (number + 1) * EVERY_S + ABOUT_S)
            self._kept[number] = dereverberated(heard), first_s
        samples, first_s = self._kept[number]
        return samples, first_s - self.origin_s


@one_thread
def dereverberated(channels: np.ndarray) -> np.ndarray:
    """Take late reverberation away.

    Parameters
    ----------
    channels : ndarray [shape=(channels, n)]
        Sound at :data:`RATE_HZ`.

    Returns
    -------
    ndarray [shape=(n,), float32]
        Mean of the channels.
    """
    from nara_wpe.wpe import wpe_v8
    from scipy.signal import istft, stft

    channels = np.atleast_2d(channels).astype(np.float64)
    mean = channels.mean(axis=0)
    if channels.shape[1] < WINDOW or not mean.any():
        return mean.astype(np.float32)
    if np.std(channels - mean) < 10 ** (APART_DB / 20) * np.std(mean):
        channels = mean[None]
    _, _, spectra = stft(channels, nperseg=WINDOW, noverlap=WINDOW - HOP)  # channels, bands, frames
    each = np.ascontiguousarray(spectra.swapaxes(0, 1))
    bands = [wpe_v8(band, TAPS, DELAY, ROUNDS).mean(axis=0) for band in each]
    _, sound = istft(np.array(bands), nperseg=WINDOW, noverlap=WINDOW - HOP)
    return sound[: channels.shape[1]].astype(np.float32)
