"""A coarse line of pitch: what a tracker hands on.

Conventions: time in s from the start of the samples, at frame centres; pitch in Hz; unvoiced
frames are NaN, never 0. A contour only says where the notes are: its extent of vibrato is too
small, since a tracker's frame is a low-pass filter on the vibrato. Figures come from
:mod:`vibstudy.pitch.refine`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, eq=False)
class Contour:
    """Pitch against time, one value a frame.

    Parameters
    ----------
    time_s : ndarray [shape=(n,)]
        Frame centres, uniform and increasing.
    f0_hz : ndarray [shape=(n,)]
        Pitch; NaN where unvoiced.
    confidence : ndarray [shape=(n,), range 0..1]
        The tracker's own confidence. Not comparable between trackers.
    tracker : str
        Name and version, e.g. "swift-f0 0.3.0".
    heard : ndarray of bool [shape=(n,)] | None
        Frames in which the tracker itself heard a pitch, where the line was mended; None: those voiced.
    """

    time_s: np.ndarray
    f0_hz: np.ndarray
    confidence: np.ndarray
    tracker: str
    heard: np.ndarray | None = None

    def __post_init__(self) -> None:
        if not self.time_s.shape == self.f0_hz.shape == self.confidence.shape:
            raise ValueError("time_s, f0_hz and confidence must have the same length")

    @property
    def voiced(self) -> np.ndarray:
        """Boolean [shape=(n,)]: frames with a pitch."""
        return np.isfinite(self.f0_hz)

    def heard_share(self, onset_s: float, offset_s: float) -> float:
        """Share of the frames between two times in which the tracker heard a pitch; NaN without frames."""
        inside = (self.time_s >= onset_s) & (self.time_s <= offset_s)
        heard = (self.voiced if self.heard is None else self.heard)[inside]
        return float(heard.mean()) if len(heard) else float("nan")

    def nearest(self, time_s: np.ndarray) -> np.ndarray:
        """Frame [shape=(m,)] nearest to each time [shape=(m,)]."""
        return np.clip(np.searchsorted(self.time_s, time_s - self.hop_s / 2), 0, len(self.time_s) - 1)

    @property
    def hop_s(self) -> float:
        """Seconds from frame to frame."""
        return float(self.time_s[1] - self.time_s[0]) if len(self.time_s) > 1 else float("nan")
