"""Tuning reference of a recording, and what an unknown speed does to the figures.

Tuning
    Every note's pitch is folded to its deviation from the tempered scale, modulo 100 cents, and the
    deviations are averaged on the circle (Fisher, *Statistical Analysis of Circular Data*, Cambridge
    1993, section 2.3), then by a bisquare M-estimate about that point (Beaton & Tukey 1974,
    Technometrics 16:147-185), so that blown-out or bent notes do not count. Its standard error lets
    notes of one pitch class err together (leading notes are played high alike): the larger of the
    plain one and the jackknife over pitch classes.
Half-semitone rule
    Deviations modulo a semitone cannot tell A = 415 Hz from A = 440 Hz played a semitone lower. The
    value within ±50 cents of 440 Hz is reported.
Two readings
    A recording that sounds at 436 Hz may be true to a tuning of 436 Hz, or be a 440 Hz tuning that
    plays 0.9 % slow; the sound alone cannot tell. Both are said. Concert pitch was not always 440:
    435 Hz in French law (1859), 439 Hz in London (1896), 440 Hz ISO 16 (1955); bands used 452 Hz and
    more until about 1915.
Speed of media
    See :data:`SPEED_RANGES` for the ranges and their sources. A file that plays k times too fast
    reads k times too high a rate; the extent in cents does not change.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from vibstudy.units import CONCERT_HZ, to_cents, to_hz

_BISQUARE = 4.685
_LEAST_SPREAD_CENTS = 2.0
_SEMITONE_ERROR_CENTS = 100 / math.sqrt(12)
"""Standard deviation of a deviation about which nothing is known."""


@dataclass(frozen=True)
class Tuning:
    """Tuning reference of a recording.

    Parameters
    ----------
    tuning_hz : float
        Frequency of A4; NaN without notes.
    se_cents : float
        Its standard error; NaN with fewer than three notes.
    notes : int
        Notes used.
    chance_p : float [range 0..1]
        Probability that notes with no common tuning would agree this well (Rayleigh test).
    """

    tuning_hz: float
    se_cents: float
    notes: int
    chance_p: float

    def words(self) -> str:
        """Both readings, and how sure."""
        if not math.isfinite(self.tuning_hz):
            return "No notes, so no tuning."
        if self.chance_p > 0.01:
            return "The notes agree on no common tuning."
        sure = f" (± {1.96 * self.se_cents:.0f} cents)" if math.isfinite(self.se_cents) else ""
        off = 100 * (self.tuning_hz / CONCERT_HZ - 1)
        if abs(off) < 0.05:
            return f"Tuned to {self.tuning_hz:.1f} Hz{sure}."
        way = "fast" if off > 0 else "slow"
        text = (
            f"Tuned to {self.tuning_hz:.1f} Hz{sure} at true speed, "
            f"or at {CONCERT_HZ:.0f} Hz, playing {abs(off):.1f} % {way}."
        )
        if abs(to_cents(self.tuning_hz, CONCERT_HZ)) > 40:
            other = self.tuning_hz * 2 ** ((1 if self.tuning_hz < CONCERT_HZ else -1) / 12)
            text += f" Half a semitone from {CONCERT_HZ:.0f} Hz: {other:.1f} Hz fits as well."
        return text


def estimate_tuning(
    pitch_hz: Iterable[float],
    duration_s: Iterable[float] | None = None,
    level_db: Iterable[float] | None = None,
) -> Tuning:
    """Estimate the tuning from the mean pitches of the notes.

    Parameters
    ----------
    pitch_hz : array [shape=(n,)]
        Mean pitch of each note; missing ones are left out.
    duration_s, level_db : array [shape=(n,)] | None
        Weights: long notes count more (up to 1 s), soft ones less. Missing values count as the median.

    Returns
    -------
    Tuning
    """
    pitch = np.asarray(pitch_hz, dtype=float)
    usable = np.isfinite(pitch) & (pitch > 0)
    weights = _weights(usable, duration_s, level_db)
    cents = to_cents(pitch[usable], CONCERT_HZ)
    n = len(cents)
    if n == 0:
        nan = float("nan")
        return Tuning(nan, nan, 0, 1.0)
    turn = 2 * np.pi / 100
    resultant = np.average(np.exp(1j * turn * cents), weights=weights)
    centre = float(np.angle(resultant) / turn)
    effective = weights.sum() ** 2 / (weights**2).sum()
    chance_p = float(np.exp(-effective * np.abs(resultant) ** 2))
    for _ in range(30):
        off = _fold(cents - centre)
        spread = max(1.4826 * _weighted_median(np.abs(off), weights), _LEAST_SPREAD_CENTS)
        # Never so narrow that the first guess decides which of two camps is heard.
        robust = weights * np.maximum(1 - (off / (_BISQUARE * max(spread, 5.0))) ** 2, 0) ** 2
        step = float(np.average(off, weights=robust)) if robust.sum() > 0 else 0.0
        centre += step
        if abs(step) < 1e-6:
            break
    centre = float(_fold(centre))
    off = _fold(cents - centre)
    error = _standard_error(off, robust, np.round((cents - centre) / 100) % 12) if n >= 3 else float("nan")
    return Tuning(float(to_hz(centre)), error, n, chance_p)


def _weights(
    usable: np.ndarray,
    duration_s: Iterable[float] | None,
    level_db: Iterable[float] | None,
) -> np.ndarray:
    def filled(values: Iterable[float]) -> np.ndarray:
        array = np.asarray(values, dtype=float)[usable]
        known = np.isfinite(array)
        return np.where(known, array, np.median(array[known]) if known.any() else 1.0)

    weights = np.ones(int(usable.sum()))
    if duration_s is not None:
        weights *= np.clip(filled(duration_s), 0.05, 1.0)
    if level_db is not None:
        level = filled(level_db)
        weights *= np.clip(10 ** ((level - np.median(level)) / 20), 0.1, 1.0) if len(level) else 1.0
    return weights


def _fold(cents):
    """Into -50..50."""
    return (np.asarray(cents) + 50) % 100 - 50


def _weighted_median(values: np.ndarray, weights: np.ndarray) -> float:
    order = np.argsort(values)
    passed = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(passed, passed[-1] / 2)])


def _standard_error(off: np.ndarray, weights: np.ndarray, pitch_class: np.ndarray) -> float:
    from scipy.stats import t as student_t

    total = weights.sum()
    plain = math.sqrt((weights**2 * off**2).sum()) / total
    # Delete one pitch class at a time (jackknife); a class that holds everything says nothing.
    sums = np.bincount(pitch_class.astype(int), weights * off, minlength=12)
    shares = np.bincount(pitch_class.astype(int), weights, minlength=12)
    there = (shares > 0) & (shares < total)
    classes = int(there.sum())
    by_class = 0.0
    if classes > 1:
        left_out = (sums.sum() - sums[there]) / (total - shares[there])
        by_class = math.sqrt((classes - 1) / classes * ((left_out - sums.sum() / total) ** 2).sum())
        # So that ±1.96 of it is a 95 % interval with few classes.
        by_class *= student_t.ppf(0.975, classes - 1) / 1.96
    return float(min(max(plain, by_class), _SEMITONE_ERROR_CENTS))


# ---------------------------------------------------------------------------------------------
# Speed of media


@dataclass(frozen=True)
class SpeedRange:
    """Plausible speeds of a medium.

    Parameters
    ----------
    low, high : float
        True speed over the speed of the transfer: the factor by which a rate read from the file may
        have to be multiplied.
    source : str
        Where the range comes from.
    """

    low: float
    high: float
    source: str


SPEED_RANGES: dict[str, SpeedRange] = {
    "acoustic_disc": SpeedRange(
        74 / 78.26,
        82 / 78.26,
        "74 to 82 rpm over 1900-1925 (Gelatt 1955, The Fabulous Phonograph, p. 66), transferred at 78.26; "
        "the earliest discs went down to 68 rpm (Beardsley 1999, Classic Record Collector)",
    ),
    "electrical_disc": SpeedRange(
        76.5 / 78.26,
        80 / 78.26,
        "78.26 rpm (3600/46, 60 Hz mains) and 77.92 rpm (3000/38.5, 50 Hz); some makers stayed at 80 rpm "
        "until about 1931 (common practice, no source); the same margin below is assumed",
    ),
    "tape_lp": SpeedRange(
        1 / 1.015,
        1 / 0.985,
        "mean speed within ±1.5 % (DIN 45 500, minimum requirements of tape machines, quoted by a museum); "
        "taken for long-playing discs too",
    ),
    "digital": SpeedRange(1.0, 1.0, "crystal clock: deviations are far below what matters here"),
}
"""Plausible speeds by medium, with their sources."""


def rate_range(medium: str | None, rate_hz: float) -> tuple[float, float]:
    """Lowest and highest true rate of a vibrato, over the plausible speeds of the medium.

    For recordings whose ``speed_factor`` is not known. Extent in cents has no such range.

    Parameters
    ----------
    medium : str | None
        As in the manifest; None or "" = not known.
    rate_hz : float
        Rate as the file plays.

    Returns
    -------
    rate_low_hz, rate_high_hz : float
        NaN for an unknown medium.
    """
    if not isinstance(medium, str) or medium not in SPEED_RANGES:
        return float("nan"), float("nan")
    speeds = SPEED_RANGES[medium]
    return rate_hz * speeds.low, rate_hz * speeds.high
