"""A note as it was played, and with its vibrato taken out: the picture that shows whether its line is right.

The measured line is taken out of the sound by warping its time
(:func:`vibstudy.pitch.straighten.straightened_sound`). Where the line is right, every harmonic of the
soloist becomes a straight line, the twelfth as well as the first. Where it is too narrow, too wide or
another's, waves remain. What a room or an accompaniment adds was not sung at that pitch at that moment, and
becomes wavy instead. So anybody can see, without trusting a figure, that the figures hold.

``steady_share`` says the same in a number: of the power about the harmonics, the share within the narrowest
line that a note of this length can have (the main lobe of a Hann window over the whole of it).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from vibstudy.errors import VibstudyError
from vibstudy.figures.recording import note_name
from vibstudy.figures.style import HouseFigure, house_style
from vibstudy.pitch.straighten import straightened_sound
from vibstudy.units import to_midi

HARMONICS = 12
"""Harmonics shown at most; the upper ones move furthest."""
HIGHEST_HZ = 6000.0
"""Above it there is little of a wind but breath."""
SHOWN_DB = 30.0
"""Span from white to black."""
WINDOW_S, LEAST_PERIODS = 0.035, 4.0
"""Length of the window, a fifth of a cycle of usual vibrato, so that it sees the waves; but a Hann window
needs four periods to part harmonics (Harris 1978, Proc. IEEE 66(1):51-83)."""
STANDS_DB = 6.0
"""A harmonic that stands less above what lies halfway to the next is hardly seen; all above the last that
does are left out."""
SHORTEST_S = 0.25
"""One cycle of a slow vibrato; less shows nothing."""
COLUMNS = 400


@dataclass(frozen=True, eq=False)
class StraightenedPicture:
    """Two spectrograms of a note.

    Parameters
    ----------
    pitch_hz : float
        The note's geometric mean.
    harmonics : int
        Harmonics shown.
    frequency_hz : ndarray [shape=(bins,)]
    time_s : ndarray [shape=(frames,)]
        From the note's beginning.
    played_db, straight_db : ndarray [shape=(bins, frames)]
        Level, dB from -:data:`SHOWN_DB` to 0, as played and with the line taken out; each harmonic re the
        greatest it has in either, so that all can be seen.
    played_share, straight_share : float [range 0..1]
        ``steady_share`` of both.
    """

    pitch_hz: float
    harmonics: int
    frequency_hz: np.ndarray
    time_s: np.ndarray
    played_db: np.ndarray
    straight_db: np.ndarray
    played_share: float
    straight_share: float

    def grey(self, straight: bool) -> np.ndarray:
        """One of the two as bytes [shape=(bins, frames), uint8]: 0 is loudest (black); low bins first."""
        level = self.straight_db if straight else self.played_db
        return np.round(-255.0 * level / SHOWN_DB).astype(np.uint8)

    def words(self) -> str:
        """Say what the two numbers mean."""
        return (
            f"Of the sound about its {self.harmonics} harmonics, {100 * self.played_share:.0f} % stands in "
            f"steady lines as played, {100 * self.straight_share:.0f} % with the measured pitch taken out."
        )


def straightened_picture(
    samples: np.ndarray, rate_hz: float, time_s: np.ndarray, f0_hz: np.ndarray
) -> StraightenedPicture | None:
    """Make the two spectrograms of a note.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        The sound, one channel.
    rate_hz : float
        Its sampling rate.
    time_s, f0_hz : ndarray [shape=(frames,)]
        The note's line, as in :class:`~vibstudy.pitch.refine.NoteLine` or in the stored line of a recording;
        times from the first sample. Missing pitches are left out.

    Returns
    -------
    StraightenedPicture | None
        None for a note shorter than :data:`SHORTEST_S`, or not in `samples`.
    """
    known = np.isfinite(f0_hz) & (f0_hz > 0.0)
    time_s, f0_hz = np.asarray(time_s, float)[known], np.asarray(f0_hz, float)[known]
    if len(time_s) < 4 or time_s[-1] - time_s[0] < SHORTEST_S:
        return None
    first, last = round(rate_hz * time_s[0]), round(rate_hz * time_s[-1])
    if first < 0 or last >= len(samples):
        return None
    played = np.asarray(samples[first : last + 1], dtype=float)
    straight = straightened_sound(samples, rate_hz, time_s, f0_hz).astype(float)
    pitch_hz = float(np.exp(np.mean(np.log(f0_hz))))
    highest = min(HIGHEST_HZ, 0.45 * rate_hz)
    harmonics = int(np.clip(highest / pitch_hz - 0.5, 1, HARMONICS))
    window_s = max(LEAST_PERIODS / pitch_hz, WINDOW_S)
    both = [_power(sound, rate_hz, window_s, (harmonics + 0.5) * pitch_hz) for sound in (played, straight)]
    frequency_hz, at_s = both[0][:2]
    frames = min(power.shape[1] for _, _, power in both)
    powers = np.stack([power[:, :frames] for _, _, power in both])
    harmonics = _standing(np.median(powers[1], axis=1), frequency_hz / pitch_hz, harmonics)
    shown = frequency_hz <= (harmonics + 0.5) * pitch_hz
    frequency_hz, powers = frequency_hz[shown], powers[:, shown]
    loudest = powers.max(axis=(0, 2))
    number = np.clip(np.rint(frequency_hz / pitch_hz), 1, harmonics).astype(int)
    own = np.array([loudest[number == k].max() for k in range(1, harmonics + 1)])
    # a tilt from one harmonic to the next, not steps between them
    tilt = np.interp(frequency_hz, pitch_hz * np.arange(1, harmonics + 1), np.log10(np.maximum(own, 1e-30)))
    level = np.clip(10 * np.log10(np.maximum(powers, 1e-30)) - 10 * tilt[:, None], -SHOWN_DB, 0.0)
    return StraightenedPicture(
        pitch_hz,
        harmonics,
        frequency_hz,
        at_s[:frames],
        level[0],
        level[1],
        *(_steady_share(sound, rate_hz, pitch_hz, harmonics) for sound in (played, straight)),
    )


def _standing(power: np.ndarray, number: np.ndarray, harmonics: int) -> int:
    """The last harmonic that stands above what is beside it; `number` is frequency over pitch."""
    for k in range(harmonics, 1, -1):
        on, between = np.abs(number - k) < 0.1, np.abs(np.abs(number - k) - 0.5) < 0.05
        if power[on].max() > power[between].max() * 10 ** (STANDS_DB / 10):
            return k
    return 1


def _power(
    sound: np.ndarray, rate_hz: float, window_s: float, highest_hz: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Frequency, time and power of a spectrogram up to a frequency."""
    from scipy.signal import ShortTimeFFT
    from scipy.signal.windows import hann

    size = max(16, round(window_s * rate_hz))
    hop = max(size // 16, len(sound) // COLUMNS, 1)
    analysis = ShortTimeFFT(hann(size), hop=hop, fs=rate_hz, mfft=4 * size)
    inside = slice(analysis.lower_border_end[1], max(analysis.upper_border_begin(len(sound))[1], 1))
    keep = analysis.f <= highest_hz
    return analysis.f[keep], analysis.t(len(sound))[inside], analysis.spectrogram(sound)[keep, inside]


def _steady_share(sound: np.ndarray, rate_hz: float, pitch_hz: float, harmonics: int) -> float:
    """Share of the power about the harmonics that stands in the narrowest lines."""
    power = np.abs(np.fft.rfft(sound * np.hanning(len(sound)))) ** 2
    frequency_hz = np.arange(len(power)) * rate_hz / len(sound)
    from_line_hz = np.abs(frequency_hz / pitch_hz - np.rint(frequency_hz / pitch_hz)) * pitch_hz
    inside = (frequency_hz > 0.5 * pitch_hz) & (frequency_hz < (harmonics + 0.5) * pitch_hz)
    steady = inside & (from_line_hz <= 2.0 * rate_hz / len(sound))
    return float(power[steady].sum() / max(power[inside].sum(), 1e-300))


def draw_straightened(picture: StraightenedPicture, size: str = "column") -> tuple[HouseFigure, pd.DataFrame]:
    """Draw a note's two spectrograms side by side.

    Parameters
    ----------
    picture : StraightenedPicture
        From :func:`straightened_picture`.
    size : {"column", "slide"}
        What the figure is for.

    Returns
    -------
    figure : HouseFigure
    table : DataFrame
        ``picture`` (as played, vibrato taken out), ``steady_share``, ``pitch_hz, harmonics``.
    """
    pictures = {
        "As played": (picture.played_db, picture.played_share),
        "Vibrato taken out": (picture.straight_db, picture.straight_share),
    }
    with house_style(size) as page:
        figure = page.figure(0.85)
        axes = figure.subplots(1, 2, sharex=True, sharey=True)
        for axis, (title, (level, _)) in zip(axes, pictures.items(), strict=True):
            axis.pcolormesh(
                picture.time_s, picture.frequency_hz / picture.pitch_hz, level,
                cmap="Greys", vmin=-SHOWN_DB, vmax=0.0, shading="nearest", rasterized=True,
            )  # fmt: skip
            axis.set(title=title, xlabel="Time (s)", ylim=(0.5, picture.harmonics + 0.5))
        axes[0].set(ylabel="Harmonic", yticks=range(1, picture.harmonics + 1, 1 + picture.harmonics // 8))
        figure.caption = (
            f"A note of {note_name(to_midi(picture.pitch_hz))} ({picture.pitch_hz:.0f} Hz) as it was played, "
            f"and with the pitch that was measured taken out; each harmonic is drawn as dark as the others. "
            f"Straight lines mean that rate and extent are right. {picture.words()}"
        )
        figure.numbers = {
            "pitch of the note": (picture.pitch_hz, "Hz"),
            "steady as played": (100 * picture.played_share, "%"),
            "steady with the vibrato taken out": (100 * picture.straight_share, "%"),
            "harmonics": (picture.harmonics, ""),
        }
    table = pd.DataFrame(
        [(title, share) for title, (_, share) in pictures.items()], columns=["picture", "steady_share"]
    )
    return figure, table.assign(pitch_hz=picture.pitch_hz, harmonics=picture.harmonics)


def picture_of(
    samples: np.ndarray, rate_hz: float, line: pd.DataFrame, note: pd.Series, origin_s: float = 0.0
) -> StraightenedPicture:
    """Make the picture of a note of the note table.

    Parameters
    ----------
    samples, rate_hz
        Sound of the recording, at true speed.
    line : DataFrame
        The recording's measured line: ``time_s, f0_hz``.
    note : Series
        Row of the note table: ``onset_s, offset_s``.
    origin_s : float
        Time of the first sample on the clock of the note table.

    Raises
    ------
    VibstudyError
        When the note is too short, or its line or sound is not there.
    """
    own = line[line["time_s"].between(note["onset_s"], note["offset_s"]) & line["f0_hz"].notna()]
    picture = straightened_picture(
        samples, rate_hz, own["time_s"].to_numpy(float) - origin_s, own["f0_hz"].to_numpy(float)
    )
    if picture is None:
        raise VibstudyError(
            f"the picture of a straightened note needs a measured line of {SHORTEST_S:g} s and its sound"
        )
    return picture
