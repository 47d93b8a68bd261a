"""What lies between the two notes of an alternation, in the mean spectrum of all of it.

Definition
----------
A trill stays on its two notes and hardly ever sounds between them, a vibrato passes through all that is
between its turns; and the echoes of a room sound where the notes do, whenever they come. So the mean spectrum
over the whole stretch tells a trill even where a room blurs its jumps: it is empty between two pitches.

The power is taken at pitches about the two, at every harmonic that holds them at least :data:`_CYCLES`
cycles of the alternation apart (closer ones its sidebands fill), up to :data:`_TOP_HZ`, through Hann windows
whose main lobe is a third of the distance, and averaged over the harmonics (dB, by the square root of their
power). The *levels* are where it is strongest on either side of the middle: echoes of the other note draw
plateaus of the pitch nearer to each other than the notes are. The *gap* is the mean power over the middle
three tenths between the levels, over that at the levels (dB).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

_CYCLES, _TOP_HZ = 8.0, 5000.0
_WINDOW = 12.0  # over the distance of the two: a main lobe (4 over the window) of a third of it
_LEAST_POWER = 0.003  # of the strongest harmonic; below it is noise
_AROUND = np.linspace(-0.6, 1.6, 45)  # 0 and 1: the two pitches; farther apart neighbours of a scale may be
_APART, _MIDDLE = 0.3, 0.15  # of the distance: least of the levels, and half of what is their middle


@dataclass(frozen=True)
class Between:
    """Levels of an alternation in its mean spectrum, and how empty it is between them.

    Parameters
    ----------
    low, high : float
        The levels, as shares of the way from the lower to the upper pitch they were looked for about.
    gap_db : float
        Power between them over that at them.
    """

    low: float
    high: float
    gap_db: float


def seen_between(
    sound: np.ndarray, sampling_hz: float, low_hz: float, high_hz: float, cycles_hz: float
) -> Between | None:
    """What the mean spectrum holds about two pitches; None where no harmonic tells.

    Parameters
    ----------
    sound : ndarray [shape=(n,)]
        The alternation.
    sampling_hz : float > 0
        Its sampling rate.
    low_hz, high_hz : float > 0
        Where about the two pitches are.
    cycles_hz : float > 0
        Rate of the alternation.
    """
    if high_hz <= low_hz:
        return None
    spectra = []
    first = int(np.ceil(_CYCLES * cycles_hz / (high_hz - low_hz)))
    for order in range(max(first, 1), int(min(_TOP_HZ, 0.42 * sampling_hz) / high_hz) + 1):
        length = int(_WINDOW / (order * (high_hz - low_hz)) * sampling_hz)
        if length > len(sound):
            continue
        frames = np.lib.stride_tricks.sliding_window_view(sound, length)[:: max(length // 2, 1)]
        turn = 2 * np.pi * order * low_hz * (high_hz / low_hz) ** _AROUND / sampling_hz
        angle = np.arange(length)[:, None] * turn
        tones = np.hanning(length)[:, None] * np.concatenate([np.cos(angle), np.sin(angle)], axis=1)
        parts = frames.astype(np.float32) @ tones.astype(np.float32)
        power = np.square(parts, dtype=np.float64).mean(axis=0) / np.sum(np.hanning(length) ** 2)
        spectra.append(power[: len(_AROUND)] + power[len(_AROUND) :])
    if not spectra:
        return None
    power = np.array(spectra)
    total = power.mean(axis=1)
    told = total > max(_LEAST_POWER * total.max(), 1e-20)
    if not told.any():
        return None
    spectrum = np.average(
        10 * np.log10(power[told] / total[told, None] + 1e-6), axis=0, weights=np.sqrt(total[told])
    )
    below, above = _AROUND <= 0.5 - _APART / 2, _AROUND >= 0.5 + _APART / 2
    low, high = (float(_AROUND[side][np.argmax(spectrum[side])]) for side in (below, above))
    inner = low + (high - low) * np.linspace(0.5 - _MIDDLE, 0.5 + _MIDDLE, 13)
    middle_db = 10 * np.log10(np.mean(10 ** (np.interp(inner, _AROUND, spectrum) / 10)))
    return Between(low, high, float(middle_db - np.interp([low, high], _AROUND, spectrum).mean()))
