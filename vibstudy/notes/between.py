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
plateaus of the pitch nearer to each other than the notes are. What is strongest at the edge of what is looked
at is no level: it, or the slope of the note's own line, goes on there. Then it is looked once more, twice as
far apart. The *gap* is the mean power over the middle three tenths between the levels, over that at the
levels (dB); a room passes every frequency differently, so its error is that of a mean over the harmonics.

The two notes of an alternation *take turns*, each is louder in its own half cycles than in the other's, also
where echoes leave of it nearly as much. What stands at the levels all the while, as a piano's note, is as
strong in either: upper less lower level (dB, the same average, in windows half as long, and no longer than a
half cycle) must be greater above than below by :data:`_SURELY` of its error over the half cycles. What does
not take turns has no gap. Where nothing stands at the levels, either, since they are no louder than what lies
between them (by as much of the gap's error), there is but noise, and nothing is told.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numba
import numpy as np

_CYCLES, _TOP_HZ = 8.0, 5000.0
_WINDOW = 12.0  # over the distance of the two: a main lobe (4 over the window) of a third of it
_LEAST_POWER = 0.003  # of the strongest harmonic; below it is noise
_AROUND = np.linspace(-0.6, 1.6, 45)  # 0 and 1: the two pitches; farther apart neighbours of a scale may be
_WIDER = (1.0, 2.0)  # times the distance: in rooms of little direct sound plateaus may be as near as half
_APART, _MIDDLE = 0.3, 0.15  # of the distance: least of the levels, and half of what is their middle
_BLOCK = 64  # samples: about the root of the windows' length
_SURELY = 2.0  # the usual 95 %; of 120 vibratos and trills by an invented voice in rooms 114 have 4 and more
_USUAL_SPREAD_DB, _USUAL_COUNT = 5.0, 3  # of one harmonic's half cycle, in rooms and dry; what it is worth
_GAP_SPREAD_DB, _GAP_COUNT = 4.0, 2  # of a harmonic's gap, the same


@dataclass(frozen=True)
class Between:
    """Levels of an alternation in its mean spectrum, and how empty it is between them.

    Parameters
    ----------
    low, high : float
        The levels, as shares of the way from the lower to the upper pitch they were looked for about.
    gap_db : float
        Power between them over that at them; NaN where they take no turns.
    gap_se_db : float
        Its error.
    turns : bool
        Whether they take turns.
    """

    low: float
    high: float
    gap_db: float
    gap_se_db: float
    turns: bool


def seen_between(
    sound: np.ndarray,
    sampling_hz: float,
    low_hz: float,
    high_hz: float,
    cuts: np.ndarray,
    upper: np.ndarray,
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
    cuts : ndarray of int [shape=(half cycles + 1,)]
        First sample of each half cycle, and the end of the last.
    upper : ndarray of bool [shape=(half cycles,)]
        Whether it is on the upper note.
    """
    if high_hz <= low_hz or not len(sound):
        return None
    cycles_hz = 0.5 * len(upper) * sampling_hz / (cuts[-1] - cuts[0])
    sound = sound.astype(np.float32)
    found = _levels_about(sound, sampling_hz, low_hz, high_hz, cycles_hz)
    if found is None:
        return None
    look, levels, shares = found
    gap_db, gap_se_db = look.gap_db(levels)
    if _take_turns(look.by_halves(sound, levels, cuts), look.weights, upper):
        return Between(float(shares[0]), float(shares[1]), gap_db, gap_se_db, True)
    standing = gap_db < -_SURELY * gap_se_db
    return Between(0.0, 1.0, np.nan, np.nan, False) if standing else None


def _levels_about(
    sound: np.ndarray, sampling_hz: float, low_hz: float, high_hz: float, cycles_hz: float
) -> tuple[_Look, np.ndarray, np.ndarray] | None:
    """The look that shows two levels, its places of them, and their shares of the way between the pitches."""
    for times in _WIDER:
        beyond = (high_hz / low_hz) ** ((times - 1) / 2)
        look = _Look.at(sound, sampling_hz, low_hz / beyond, high_hz * beyond, cycles_hz)
        if look is None:
            return None
        levels = look.levels()
        if levels is not None:
            return look, levels, 0.5 + times * (levels - 0.5)
    return None


@dataclass(frozen=True, eq=False)
class _Look:
    """The mean spectrum about two pitches, at the harmonics that tell.

    Parameters
    ----------
    sampling_hz, low_hz, high_hz : float
        Of the sound, and the two pitches.
    orders, weights : ndarray [shape=(harmonics,)]
        Which harmonics, and what they count.
    spectra_db : ndarray [shape=(harmonics, places)]
        At :data:`_AROUND`, over their mean.
    longest : int
        Samples of a half cycle.
    """

    sampling_hz: float
    low_hz: float
    high_hz: float
    orders: np.ndarray
    weights: np.ndarray
    spectra_db: np.ndarray
    longest: int

    @classmethod
    def at(
        cls, sound: np.ndarray, sampling_hz: float, low_hz: float, high_hz: float, cycles_hz: float
    ) -> _Look | None:
        """Of a sound that alternates so often; None where no harmonic tells."""
        apart_hz = high_hz - low_hz
        first = max(
            int(np.ceil(_CYCLES * cycles_hz / apart_hz)),
            int(_WINDOW / apart_hz * sampling_hz / len(sound)) + 1,
        )
        orders = np.arange(first, int(min(_TOP_HZ, 0.42 * sampling_hz) / high_hz) + 1)
        if not len(orders):
            return None
        own = cls(sampling_hz, low_hz, high_hz, orders, orders, orders, int(0.5 * sampling_hz / cycles_hz))
        mean = np.array([own.power(sound, int(order), _AROUND, _WINDOW)[0].mean(axis=0) for order in orders])
        total = mean.mean(axis=1)
        told = total > max(_LEAST_POWER * total.max(), 1e-20)
        if not told.any():
            return None
        spectra = 10 * np.log10(mean[told] / total[told, None] + 1e-6)
        return replace(own, orders=orders[told], weights=np.sqrt(total[told]), spectra_db=spectra)

    def power(
        self,
        sound: np.ndarray,
        order: int,
        places: np.ndarray,
        window: float,
        longest: int | None = None,
    ) -> tuple[np.ndarray, np.ndarray]:
        """At places from the lower to the upper pitch, frame by frame; and the frames' centres."""
        pitches_hz = order * self.low_hz * (self.high_hz / self.low_hz) ** places
        length = int(window / (order * (self.high_hz - self.low_hz)) * self.sampling_hz)
        return _power(sound, pitches_hz / self.sampling_hz, min(length, longest or length))

    def levels(self) -> np.ndarray | None:
        """Places where it is strongest on either side of the middle; None at the edge."""
        spectrum = np.average(self.spectra_db, axis=0, weights=self.weights)
        below, beyond = _AROUND <= 0.5 - _APART / 2, _AROUND >= 0.5 + _APART / 2
        levels = np.array([_AROUND[side][np.argmax(spectrum[side])] for side in (below, beyond)])
        return None if levels[0] == _AROUND[0] or levels[1] == _AROUND[-1] else levels

    def gap_db(self, levels: np.ndarray) -> tuple[float, float]:
        """Power in the middle between two places over that at them, and its error."""
        low, high = levels
        inner = low + (high - low) * np.linspace(0.5 - _MIDDLE, 0.5 + _MIDDLE, 13)

        def gap(spectrum: np.ndarray) -> float:
            middle_db = 10 * np.log10(np.mean(10 ** (np.interp(inner, _AROUND, spectrum) / 10)))
            return float(middle_db - np.interp(levels, _AROUND, spectrum).mean())

        share = self.weights / self.weights.sum()
        each = np.array([gap(spectrum) for spectrum in self.spectra_db])
        squares = _GAP_COUNT * _GAP_SPREAD_DB**2 + np.sum(share * len(each) * (each - share @ each) ** 2)
        variance = squares / (_GAP_COUNT + len(each) - 1)
        return gap(share @ self.spectra_db), float(np.sqrt(variance * np.sum(share**2)))

    def by_halves(self, sound: np.ndarray, levels: np.ndarray, cuts: np.ndarray) -> np.ndarray:
        """Upper less lower level (dB) [harmonic, half cycle], in windows no longer than a half cycle."""
        return np.array(
            [
                _by_halves(*self.power(sound, order, levels, _WINDOW / 2, self.longest), cuts)
                for order in self.orders
            ]
        )


def _power(sound: np.ndarray, turns: np.ndarray, length: int) -> tuple[np.ndarray, np.ndarray]:
    """Power at frequencies (of the sampling rate) in windows that follow by half of their length.

    Tones go through one block of a window, and the blocks are put together by what the tones turn from one
    to the next: a tone need not be made for all of a window.
    """
    hop = max(length // 2, 1)
    frames = np.lib.stride_tricks.sliding_window_view(sound, length)[::hop]
    blocks = -(-length // _BLOCK)
    seen = np.zeros((len(frames), blocks * _BLOCK), dtype=np.float32)
    np.multiply(frames, np.hanning(length).astype(np.float32), out=seen[:, :length])
    parts = seen.reshape(-1, _BLOCK) @ _tones(turns, _BLOCK).view(np.float64).astype(np.float32)
    parts = parts.view(np.complex64).reshape(len(frames), blocks, len(turns))
    whole = np.einsum("fbt,bt->ft", parts, _tones(turns * _BLOCK, blocks))
    power = (whole.real**2 + whole.imag**2) * 8 / (3 * max(length - 1, 1))
    return power, np.arange(len(frames)) * hop + length // 2


@numba.njit(cache=True)
def _tones(turns, length):
    """Complex tones [shape=(length, tones)]."""
    out = np.ones((length, len(turns)), dtype=np.complex128)
    step = np.exp(2j * np.pi * turns)
    for t in range(1, length):
        for i in range(len(turns)):
            out[t, i] = out[t - 1, i] * step[i]
    return out


def _by_halves(power: np.ndarray, centres: np.ndarray, cuts: np.ndarray) -> np.ndarray:
    """Upper less lower level (dB) in each half cycle; NaN where no window's centre is in it."""
    count = len(cuts) - 1
    half = np.clip(np.searchsorted(cuts, centres, side="right") - 1, 0, count - 1)
    low, high = (10 * np.log10(np.bincount(half, own, count) + 1e-20) for own in power.T)
    return np.where(np.bincount(half, minlength=count) > 0, high - low, np.nan)


def _take_turns(levels_db: np.ndarray, weights: np.ndarray, upper: np.ndarray) -> bool:
    """Whether upper less lower level [harmonic, half cycle] surely is greater in the upper half cycles."""
    weight = weights[:, None] * np.isfinite(levels_db)
    known = weight.sum(axis=0) > 0
    level = np.nansum(weight * levels_db, axis=0)[known] / weight.sum(axis=0)[known]
    sides = [level[upper[known] == side] for side in (True, False)]
    if not all(map(len, sides)):
        return False
    squares = sum(float(np.sum((side - side.mean()) ** 2)) for side in sides)
    freedom = _USUAL_COUNT + sum(len(side) - 1 for side in sides)
    usual = _USUAL_SPREAD_DB**2 * float(np.sum((weights / weights.sum()) ** 2))
    variance = (_USUAL_COUNT * usual + squares) / freedom
    error = np.sqrt(variance * sum(1 / len(side) for side in sides))
    return bool(sides[0].mean() - sides[1].mean() > _SURELY * error)
