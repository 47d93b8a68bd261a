"""The channel of a stereo file that is measured.

Of a stereo file, the one of left, right, mid = (left + right)/2 and side = (left - right)/2 that
has the best tonal signal-to-noise ratio among those with nearly the most tonal power; mid when
nothing is clearly better. The noise of the two groove walls of a mono disc is largely
independent, so mid gains up to 3 dB; vertically cut discs come out in side.
"""

from __future__ import annotations

import math

import numpy as np

from vibstudy.corpus.files import LOUDEST
from vibstudy.sound.opening import read_or_nothing, seek


def choose_channel(handle, first: int, last: int, wanted: str | None) -> tuple[str, np.ndarray]:
    """Name of the wanted channel, or else the best, and its weights [shape=(channels,)]."""
    names = _candidates(handle.channels)
    if wanted in names:
        return wanted, names[wanted]
    if len(names) == 1:
        return next(iter(names.items()))
    heard = np.concatenate(excerpt(handle, first, last))
    if not np.all(np.abs(heard) <= LOUDEST) or np.allclose(heard, heard[:, :1], atol=2.0**-17):
        return ("mid", names["mid"])
    tonal_db, snr_db = np.transpose([tonal_snr(heard @ mix, handle.samplerate) for mix in names.values()])
    # Side of a well-kept stereo recording can be clean and yet hold only the hall.
    eligible = tonal_db >= tonal_db.max() - 3.0
    score = np.where(eligible, snr_db, -np.inf)
    labels = list(names)
    best = labels[int(score.argmax())]
    mid = labels.index("mid")
    if score[mid] >= score.max() - 1.0:
        best = "mid"
    return best, names[best]


def _candidates(channels: int) -> dict[str, np.ndarray]:
    unit = np.eye(channels, dtype=np.float32)
    if channels == 1:
        return {"mono": unit[0]}
    mid = (unit[0] + unit[1]) / 2
    side = (unit[0] - unit[1]) / 2
    if channels == 2:
        return {"left": unit[0], "right": unit[1], "mid": mid, "side": side}
    return {f"channel {i + 1}": unit[i] for i in range(channels)} | {"mid": mid}


def excerpt(handle, first: int, last: int, pieces: int = 6, piece_s: float = 1.5) -> list[np.ndarray]:
    """A few pieces spread over the part to be read, float32 [frames, channels] each."""
    length = min(round(piece_s * handle.samplerate), (last - first) // pieces or 1)
    found = []
    for start in np.linspace(first, last - length, pieces).astype(int):
        seek(handle, int(start))
        found.append(read_or_nothing(handle, length))
    return found


def tonal_snr(samples: np.ndarray, rate_hz: float) -> tuple[float, float]:
    """Power of what stands out as narrow peaks between 150 and 4000 Hz, and its ratio to the rest.

    Cheap, and meant only to compare channels of one recording: the floor is the running median of
    the spectrum over about 200 Hz.

    Returns
    -------
    tonal_db, snr_db : float
        -300 for silence.
    """
    from scipy.ndimage import median_filter
    from scipy.signal import stft

    size = 1 << round(math.log2(0.09 * rate_hz))
    if len(samples) < size or not samples.any():
        return -300.0, -300.0
    freqs, _, spectrum = stft(samples, rate_hz, nperseg=size, noverlap=size // 2, boundary=None, padded=False)
    band = (freqs >= 150) & (freqs <= 4000)
    power = np.abs(spectrum[band]) ** 2
    floor = median_filter(power, size=(2 * round(100 / freqs[1]) + 1, 1)) / math.log(2)
    tonal = np.where(power > 6 * floor, power - floor, 0.0).sum()
    noise = np.minimum(power, floor).sum()
    return 10 * math.log10(tonal + 1e-30), 10 * math.log10((tonal + 1e-30) / (noise + 1e-30))
