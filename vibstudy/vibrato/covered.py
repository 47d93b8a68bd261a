"""Whether other players or noise cover a note so far that its vibrato cannot be told to a few cents.

Three witnesses, in cents:

* the standard errors of rate and extent, and the false-alarm probability: the beats of other sounds are less
  often taken for vibrato where it is asked to be smaller;
* the halves: the harmonics of a note carry the same modulation, so that the pitch from one half of them less
  the pitch from the other holds nothing but error (:attr:`NoteLine.halves`); its part at the vibrato's rate
  is an error of the extent that was really made;
* what else moves: whatever sways the line at vibrato rates, its attack and release left out, and is not the
  vibrato found. A straight note has little of it; less is allowed to one that hardly stands out and may be
  another player's.

The limits were set on mixtures of sampled winds with piano, strings and a second wind as loud as they (see
``benchmarks/recordings.py``), so that of the notes that pass nearly all are within 4 cents and 0.3 Hz.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.polynomial.chebyshev import chebvander
from scipy.integrate import trapezoid

from vibstudy.pitch.refine import NoteLine
from vibstudy.vibrato.noise import thin

EXTENT_LIMIT_CENTS = 1.4
RATE_LIMIT_HZ = 0.06
P_LIMIT = 0.001
SWAY_LIMITS_CENTS, SWAY_LIMITS_DB = (1.5, 3.0, 6.0), (6.0, 18.0)
"""For a note said to be straight: the less it stands out, the less it may sway."""
REST_LIMIT_CENTS, REST_LIMIT_SHARE = 2.5, 0.35
LEAST_BALANCE = 0.15
_BAND_HZ = (3.0, 10.0)
_RATE_HZ = 64.0
_ATTACK_S, _RELEASE_S, _LEAST_S = 0.08, 0.03, 0.25


def is_covered(line: NoteLine, values: Mapping[str, Any]) -> bool:
    """Tell whether the figures of a note in company could be far off.

    Parameters
    ----------
    line : NoteLine
        The note.
    values : mapping
        What :func:`vibstudy.vibrato.note.measure_note` found on it.
    """
    if line.balance < LEAST_BALANCE:  # one harmonic alone: nothing to hold it against
        return True
    time_s, cents = thin(line.time_s - line.onset_s, line.cents, _RATE_HZ)
    _, apart = thin(line.time_s - line.onset_s, np.gradient(line.halves, line.hop_s), _RATE_HZ)
    step_s = float(time_s[1] - time_s[0])
    inner = slice(*np.searchsorted(time_s, [_ATTACK_S, time_s[-1] - _RELEASE_S]))
    if (inner.stop - inner.start) * step_s < _LEAST_S:
        inner = slice(None)
    sway = _in_band(_level(cents[inner]), step_s)
    if not values.get("has_vibrato"):
        limit = SWAY_LIMITS_CENTS[int(np.searchsorted(SWAY_LIMITS_DB, line.snr_db))]
        return max(sway, _in_band(_level(apart[inner]), step_s)) > limit
    apart = _level(apart)
    extent, rate = float(values["extent_cents"]), float(values["rate_hz"])
    error = np.hypot(float(values["extent_se_cents"]), _at_rate(time_s, apart, rate))
    rest = np.sqrt(max(sway**2 - 0.5 * extent**2, 0.0))
    return bool(
        error > EXTENT_LIMIT_CENTS
        or float(values["rate_se_hz"]) > RATE_LIMIT_HZ
        or float(values["vibrato_p"]) > P_LIMIT
        or rest > max(REST_LIMIT_CENTS, REST_LIMIT_SHARE * extent)
    )


def _level(cents: np.ndarray) -> np.ndarray:
    """Without a cubic drift."""
    drift = chebvander(np.linspace(-1.0, 1.0, len(cents)), min(3, len(cents) - 1))
    return cents - drift @ np.linalg.lstsq(drift, cents, rcond=None)[0]


def _in_band(cents: np.ndarray, step_s: float) -> float:
    """Root mean square of what moves at vibrato rates."""
    spectrum = np.fft.rfft(cents)
    f_hz = np.fft.rfftfreq(len(cents), step_s)
    inside = (f_hz >= _BAND_HZ[0]) & (f_hz <= _BAND_HZ[1])
    return float(np.sqrt(2.0 * np.sum(np.abs(spectrum[inside]) ** 2)) / len(cents))


def _at_rate(time_s: np.ndarray, cents: np.ndarray, rate_hz: float) -> float:
    """Amplitude at one rate."""
    window = np.hanning(len(time_s) + 2)[1:-1]
    wave = window * cents * np.exp(-2j * np.pi * rate_hz * time_s)
    return float(2.0 * np.abs(trapezoid(wave)) / trapezoid(window))
