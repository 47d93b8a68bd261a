"""What the invented media do to the sound: band, noise, clicks. Nothing that changes the pitch.

* ``digital``: a noise floor 70 dB below the music.
* ``tape_lp``: hiss 36-42 dB below the music.
* ``electrical_disc``: a worn disc, 250-3500 Hz, surface noise 18-24 dB below the music, about eight
  clicks a second.

The figures are by ear; common practice, no source.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import butter, sosfiltfilt

from vibstudy.demo.synthesis import SAMPLE_RATE_HZ

MEDIA = ("electrical_disc", "tape_lp", "digital")
"""The media of the corpus, oldest first."""

_DISC_BAND_HZ = (250.0, 3500.0)
_CLICKS_A_SECOND = 8.0


def through_medium(samples: np.ndarray, medium: str, rng: np.random.Generator) -> np.ndarray:
    """Return `samples` (RMS 1) as they come off `medium`, one of :data:`MEDIA`."""
    if medium == "digital":
        return samples + 10 ** (-70 / 20) * rng.standard_normal(len(samples))
    if medium == "tape_lp":
        return samples + 10 ** (-rng.uniform(36, 42) / 20) * rng.standard_normal(len(samples))
    if medium == "electrical_disc":
        return _worn_disc(samples, rng)
    raise ValueError(f"medium must be one of {', '.join(MEDIA)}; got {medium!r}")


def _worn_disc(samples: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    band = butter(4, _DISC_BAND_HZ, "bandpass", fs=SAMPLE_RATE_HZ, output="sos")
    music, surface = sosfiltfilt(band, np.stack([samples, rng.standard_normal(len(samples))]))
    below_db = rng.uniform(18, 24)
    surface *= music.std() / surface.std() * 10 ** (-below_db / 20)
    return music + surface + sosfiltfilt(band, _clicks(len(samples), rng))


def _clicks(count: int, rng: np.random.Generator) -> np.ndarray:
    """Short bursts at random times, most small and a few large, re a music RMS of 1."""
    clicks = np.zeros(count)
    length = int(0.0012 * SAMPLE_RATE_HZ)
    decay = np.exp(-np.arange(length) / (0.0003 * SAMPLE_RATE_HZ))
    for start in rng.integers(0, count - length, rng.poisson(_CLICKS_A_SECOND * count / SAMPLE_RATE_HZ)):
        clicks[start : start + length] += rng.lognormal(0.3, 0.7) * decay * rng.standard_normal(length)
    return clicks
