r"""The room of a recording: how long it rings, and how much of the sound is direct.

Where a note ends, its direct sound stops at once and the room's tail goes on, an exponential decay. What is
read is the level of the note's own harmonics from before its end into the tail, wherever no harmonic of the
notes that follow lies near, so that rests are not needed.

How likely a decay and a direct sound are is told in :mod:`vibstudy.sound.freedecay`. Added to the errors it
finds is what its model leaves in doubt (:data:`MODEL_LOG`, :data:`MODEL_DB`, :data:`RELEASE_S`): rooms are no
pure exponentials, releases no steps.

What is told
------------
``room_decay_s``
    Time in which the tail falls by 60 dB.
``direct_to_room_db``
    Power of the direct sound, with what follows it so soon that a release does not part it (some 15 ms), over
    that of all that comes later, dB, as an impulse response gives it: what is left of the level before the
    end when the tail is taken away. Missing where that is not sure. Near reflections of a small studio count
    as direct: there it lies some 3 dB above the ratio whose limit is 2 ms.

Missing where the tail cannot be told: too few notes end, others play throughout, or nothing rings longer than
:data:`SHORTEST_S`, as in a dry studio, where what is seen is the instrument's own release.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import scipy.fft

from vibstudy.sound.freedecay import LEAST_DIRECT_DB, free_decay, power

SHORTEST_S, LONGEST_S = 0.22, 8.0
"""Decays told. Sampled and played winds let go within 0.2 s."""
MOST_RELEASES = 300
"""Ends of notes looked at; so many tell any room, and bound time and memory."""
SURE_LOG, SURE_DB = 0.25, 5.0
"""The decay is told when its relative standard error is less, and the direct sound when its own is (half of
that of which nothing is known, 10 dB)."""
MODEL_LOG, MODEL_DB, RELEASE_S = 0.1, 3.0, 0.02
"""What stays in doubt beside the likelihood's error: of the decay (log), of the direct sound (dB), and when
it stops, which times the tail's slope is an error of its level. A room's tail does not begin at once
nor fall alike from its beginning: in simulated rooms of 0.4 to 2.5 s the direct sound is told up to 5 dB too
low near and 3 too high far, however many notes end. With these 95 % intervals hold there, with half 88 %."""
LAST_S, SMOOTH_S = 1.2, 0.05
"""Of a note's level so much is looked at for its end; what it does within the second is one value."""
STANDS_DB = 6.0
"""A tail so much above what others play is read within a decibel."""

_HOP_S, _BEFORE_S, _AFTER_S = 0.016, 0.29, 1.0
_TIME_S = np.arange(-_BEFORE_S, _AFTER_S, _HOP_S)
_STEADY = _TIME_S < -0.14
_LEAST_NOTE_S = 0.34
_DETACHED_S = 0.1
_MARGIN_S = 0.1
_HARMONICS = 12
_SHARE = 0.025
"""Half of a harmonic's band: a vibrato of 43 cents stays within."""
_LOW_HZ, _LONGEST_WINDOW = 250.0, 2048
_SOFTER_DB = 20.0
"""Harmonics so much softer than the strongest are still looked at: short takes end few notes (from 12 dB on,
``benchmarks/room_facts.py`` tells a tenth more of them, no worse; with 30 dB decays come out longer)."""
_BESIDE = 2.0 ** (np.array([0.5, -0.5, 2, -2, 1, -1, 3, -3]) / 12)
_FEWEST_BANDS, _FEWEST_TIMES = 5, 12


@dataclass(frozen=True)
class Room:
    """What is known of a recording's room; NaN where nothing is.

    Parameters
    ----------
    decay_s, decay_se_s : float
        Time of decay by 60 dB, and standard error.
    direct_db, direct_se_db : float
        Direct sound over all that follows, dB, and standard error.
    """

    decay_s: float = math.nan
    decay_se_s: float = math.nan
    direct_db: float = math.nan
    direct_se_db: float = math.nan

    @property
    def known(self) -> bool:
        """Whether there is a room to tell of."""
        return math.isfinite(self.decay_s)

    @classmethod
    def from_columns(cls, values: Mapping[str, Any]) -> Room:
        """The room of a row of the table of recordings; absent or empty cells: nothing is known."""
        figures = (values.get(name) for name in cls().columns())
        return cls(*(math.nan if value is None or value != value else float(value) for value in figures))

    def modulation(self, rate_hz: float, *, swings: bool = False) -> complex:
        r"""What becomes of a modulation of intensity at a rate: share of its depth, and its shift of phase.

        An exponential tail passes :math:`1 / (1 + i 2\pi F T / 13.8)` of it (Houtgast & Steeneken 1973,
        Acustica 28:66-73, whose magnitude is :math:`1 / \sqrt{1 + (2\pi F T / 13.8)^2}`), the direct sound
        all of it; their intensities add. 1 where direct sound and decay are not both known.

        Parameters
        ----------
        rate_hz : float
            The rate.
        swings : bool
            Whether the pitch swings, too. Then direct sound and tail beat: levels in dB are those of a Rice
            law, on whose mean the direct sound has a share of :math:`1 - e^{-K}`, *K* being the ratio of
            powers (the mean of a log Rice power is :math:`\ln K + E_1(K)`).
        """
        ratio = 10 ** (self.direct_db / 10)
        if not math.isfinite(ratio) or not self.known:
            return 1.0 + 0.0j
        passed = 1 / (1 + 2j * math.pi * rate_hz * self.decay_s / (6 * math.log(10)))
        direct = -math.expm1(-ratio) if swings else ratio / (ratio + 1)
        return direct + (1 - direct) * passed

    def modulation_se(self, rate_hz: float, *, swings: bool = False) -> float:
        """Relative standard error of :meth:`modulation` that the errors of decay and direct sound leave."""
        passed = abs(self.modulation(rate_hz, swings=swings))
        longer = replace(self, decay_s=self.decay_s + self.decay_se_s)
        drier = replace(self, direct_db=self.direct_db + self.direct_se_db)
        off = [abs(other.modulation(rate_hz, swings=swings)) - passed for other in (longer, drier)]
        return float(np.hypot(*np.nan_to_num(off)) / passed)

    def response(self, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
        """An impulse response of such a room: direct sound of power 1, and noise that decays.

        Parameters
        ----------
        rate_hz : float
            Sampling rate.
        rng : numpy.random.Generator
            For the noise.

        Returns
        -------
        ndarray [shape=(n,)]
            One sample of 1 where direct sound and decay are not both known.
        """
        if not (self.known and math.isfinite(self.direct_db)):
            return np.ones(1)
        time_s = np.arange(round(self.decay_s * rate_hz)) / rate_hz
        tail = rng.standard_normal(len(time_s)) * 10 ** (-3 * time_s / self.decay_s)
        tail[0] = 0.0
        tail *= 10 ** (-self.direct_db / 20) / np.sqrt(np.sum(tail**2))
        tail[0] = 1.0
        return tail

    def sentences(self) -> list[str]:
        """Say the same in plain words."""
        if not self.known:
            return ["Of the room nothing can be told: it is dry, or too little of it is heard alone."]
        said = [f"The room rings for {self.decay_s:.1f} ± {self.decay_se_s:.1f} s (decay by 60 dB)."]
        if math.isfinite(self.direct_db):
            than = "above" if self.direct_db >= 0 else "below"
            said.append(
                f"The direct sound is {abs(self.direct_db):.0f} ± {self.direct_se_db:.0f} dB {than} it."
            )
        return said

    def columns(self) -> dict[str, float]:
        """Figures by column name, for the table of recordings."""
        return {
            "room_decay_s": self.decay_s,
            "room_decay_se_s": self.decay_se_s,
            "direct_to_room_db": self.direct_db,
            "direct_to_room_se_db": self.direct_se_db,
        }


def end_of_direct(time_s: np.ndarray, level_db: np.ndarray, room: Room) -> float | None:
    """When the direct sound of a note stops and only its room goes on.

    To the level of the note's last second two courses are fitted: a line all through, and a line up to an end
    from which the level falls as the room's tail does, by as much at once as the direct sound was above it.
    The second stands where it is likelier by more than its one parameter costs (Schwarz 1978, Ann. Stat.
    6:461-464).

    Parameters
    ----------
    time_s, level_db : ndarray [shape=(n,)]
        Level of the note's harmonics, evenly spaced.
    room : Room
        Of the recording.

    Returns
    -------
    float | None
        The end, on the clock of `time_s`; None where the level tells of none.
    """
    late = time_s > time_s[-1] - LAST_S
    t, level = time_s[late] - time_s[-1], level_db[late]
    if not room.known or len(t) < 8 or t[-1] - t[0] < 4 * SMOOTH_S:
        return None
    step_db = 10 * math.log10(1 + 10 ** (room.direct_db / 10)) if math.isfinite(room.direct_db) else 0.0
    fall = 60.0 / room.decay_s

    def misfits(ends_s: np.ndarray) -> np.ndarray:
        since = np.maximum(t - ends_s[:, None], 0.0)
        y = level + fall * since + step_db * np.minimum(since / RELEASE_S, 1.0)
        x = np.minimum(t, ends_s[:, None])
        y, x = (one - one.mean(axis=1, keepdims=True) for one in (y, x))
        return np.sum(y * y, axis=1) - np.sum(x * y, axis=1) ** 2 / np.sum(x * x, axis=1)

    ends = t[(t > t[0] + 2 * SMOOTH_S) & (t < -SMOOTH_S)]
    *fits, through = misfits(np.append(ends, 0.0))
    independent = (t[-1] - t[0]) / SMOOTH_S
    gain = independent * math.log(through / max(min(fits), 1e-12))
    if gain <= math.log(independent):
        return None
    begins = float(ends[int(np.argmin(fits))])  # of the release
    return float(time_s[-1] + min(begins + SMOOTH_S, 0.0))


class RoomMeter:
    """Collects the ends of a recording's notes, block by block."""

    def __init__(self) -> None:
        self._own: list[np.ndarray] = []
        self._beside: list[np.ndarray] = []

    def add(
        self,
        samples: np.ndarray,
        rate_hz: float,
        notes: Sequence[Mapping[Any, Any]],
        first_s: float = -np.inf,
        last_s: float = np.inf,
    ) -> None:
        """Look at the ends of notes.

        Parameters
        ----------
        samples : ndarray [shape=(n,)]
            Mono sound, clicks bridged.
        rate_hz : float
            Sample rate.
        notes : sequence of mapping
            ``onset_s, offset_s`` from the first sample, ``pitch_hz`` and ``note_kind``, in the order of time.
        first_s, last_s : float
            Only notes that begin between these are looked at.
        """
        plain = [note for note in notes if note["note_kind"] == "note" and np.isfinite(note["pitch_hz"])]
        onset, offset, pitch = (
            np.array([float(note[name]) for note in plain]) for name in ("onset_s", "offset_s", "pitch_hz")
        )
        following = np.append(onset[1:], np.inf)
        joined = following - offset < _DETACHED_S
        end = np.minimum(offset, following)
        if len(samples) < _LONGEST_WINDOW:
            return
        chosen = joined & (end - onset > _LEAST_NOTE_S) & (onset > first_s) & (onset < last_s)
        for i in np.flatnonzero(chosen):
            if len(self._own) >= MOST_RELEASES:
                return
            near = slice(max(i - 3, 0), i + 9)
            seen = _levels(
                samples, rate_hz, float(end[i]), float(pitch[i]), onset[near] - end[i], pitch[near]
            )
            if seen is not None:
                self._own.append(seen[0])
                self._beside.append(seen[1])

    def room(self) -> Room:
        """Sum up."""
        own, beside = self._own, self._beside
        if not _enough(own):
            return Room()
        told = free_decay(own, beside, _TIME_S)
        decay_s = math.exp(told.log_decay)
        if not SHORTEST_S < decay_s < LONGEST_S or not _stands(told.likeliest, beside):
            return Room()
        if told.log_decay_se > SURE_LOG:
            return Room()
        decay_se_s = decay_s * math.hypot(told.log_decay_se, MODEL_LOG)
        if told.direct_se_db > SURE_DB or told.direct_db < LEAST_DIRECT_DB + 0.1:
            return Room(decay_s, decay_se_s)
        direct_se_db = math.hypot(told.direct_se_db, MODEL_DB, RELEASE_S * 60.0 / decay_s)
        return Room(decay_s, decay_se_s, told.direct_db, direct_se_db)


def _spectra(
    samples: np.ndarray, rate_hz: float, at_s: np.ndarray, pitch_hz: float
) -> tuple[np.ndarray, float, np.ndarray, np.ndarray]:
    """Running sum of power over frequency, its step in Hz, which times lie in the sound, and harmonics."""
    size = _LONGEST_WINDOW // (2 if pitch_hz > _LOW_HZ else 1)
    first = np.rint(at_s * rate_hz).astype(int) - size // 2
    inside = (first >= 0) & (first + size <= len(samples))
    frames = np.lib.stride_tricks.sliding_window_view(samples, size)[first[inside]]
    spectrum = scipy.fft.rfft(frames * np.hanning(size + 1)[:-1].astype(np.float32), axis=1)
    below = np.zeros((len(frames), size // 2 + 2))
    np.cumsum(spectrum.real**2 + spectrum.imag**2, axis=1, out=below[:, 1:])
    step = rate_hz / size
    centre = pitch_hz * np.arange(1, _HARMONICS + 1)
    return below, step, inside, centre[(centre < 0.4 * rate_hz) & (2 * _SHARE * centre + 4 * step < pitch_hz)]


def _levels(
    samples: np.ndarray,
    rate_hz: float,
    end_s: float,
    pitch_hz: float,
    since_s: np.ndarray,
    others_hz: np.ndarray,
) -> tuple[np.ndarray, np.ndarray] | None:
    """Level about a note's end in the bands of its harmonics, and beside them [shape=(bands, times)].

    dB re the harmonic's own while it lasts; NaN from where another note comes into the band. Others begin at
    `since_s` from the end.
    """
    below, step, inside, centre = _spectra(samples, rate_hz, end_s + _TIME_S, pitch_hz)
    if not inside[0] or inside.sum() < np.sum(_TIME_S < 0.1) or not len(centre):
        return None
    power = _in_bands(below, centre, step)
    steady = power[:, _STEADY[inside]].mean(axis=1)
    loud = steady > steady.max() * 10 ** (-_SOFTER_DB / 10)
    if not loud.any():  # digital silence
        return None
    centre, power, steady = centre[loud], power[loud], steady[loud]
    later = since_s > 0.0 - _DETACHED_S
    until = _free_until(centre, since_s[later], others_hz[later], step)
    own = np.where(_TIME_S[inside] < until[:, None] - _MARGIN_S, power / steady[:, None], np.nan)

    around = np.outer(centre, _BESIDE)
    free = _free_until(around.ravel(), np.where(later, since_s, -np.inf), others_hz, step).reshape(
        around.shape
    )
    row = np.arange(len(centre))
    best = free.argmax(axis=1)
    power = _in_bands(below, around[row, best], step)
    beside = np.where(_TIME_S[inside] < free[row, best][:, None] - _MARGIN_S, power / steady[:, None], np.nan)
    whole = np.full((2, len(centre), len(_TIME_S)), np.nan, dtype=np.float32)
    whole[0][:, inside], whole[1][:, inside] = (10 * np.log10(part + 1e-12) for part in (own, beside))
    return whole[0], whole[1]


def _in_bands(below: np.ndarray, centre_hz: np.ndarray, step_hz: float) -> np.ndarray:
    """Power in bands about some frequencies [shape=(bands, frames)]; `below` is its sum over the bins."""
    low = np.floor(centre_hz * (1 - _SHARE) / step_hz - 1).astype(int)
    high = np.ceil(centre_hz * (1 + _SHARE) / step_hz + 1).astype(int) + 1
    return (below[:, high] - below[:, low]).T


def _free_until(
    centre_hz: np.ndarray, since_s: np.ndarray, others_hz: np.ndarray, step_hz: float
) -> np.ndarray:
    """When the first harmonic of other notes comes into each band; inf for never."""
    number = np.maximum(np.rint(centre_hz[:, None] / others_hz), 1)
    near = np.abs(number * others_hz - centre_hz[:, None])
    clash = near < _SHARE * (number * others_hz + centre_hz[:, None]) + 3 * step_hz
    return np.where(clash, since_s, np.inf).min(axis=1, initial=np.inf)


def _medians(levels: Sequence[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Median over bands at each time, and of how many."""
    every = np.sort(np.concatenate(levels), axis=0)  # NaN last
    count = np.isfinite(every).sum(axis=0)
    column = np.arange(every.shape[1])
    low, high = (
        every[np.maximum(count - 1, 0) // 2, column],
        every[count // 2 - (count == len(every)), column],
    )
    return np.where(count > 0, 0.5 * (low + np.where(count % 2, low, high)), np.nan), count


def _enough(own: Sequence[np.ndarray]) -> bool:
    """Whether enough bands are heard after enough ends."""
    if not own:
        return False
    return bool(np.sum((_medians(own)[1] >= _FEWEST_BANDS) & (_TIME_S > 0)) >= _FEWEST_TIMES)


def _stands(p: np.ndarray, beside: Sequence[np.ndarray]) -> bool:
    """Whether the tail stands out of what others play beside it, soon after the end."""
    soon = (_TIME_S > 0.08) & (_TIME_S < 0.16)
    others, _ = _medians(beside)
    if not np.isfinite(others[soon]).any():
        return True
    tail = 10 * np.log10(power(p, _TIME_S[soon]))
    return bool(np.median(tail) > np.nanmedian(others[soon]) + STANDS_DB)
