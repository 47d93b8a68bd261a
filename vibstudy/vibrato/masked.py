"""Whether a note in a room or with accompaniment is so far covered that its vibrato cannot be told.

An error is no reason: a note counts with its standard errors. But these are those of the optimum found. Where
what the sound leaves open is so wide that the true vibrato may be another one, there is no single optimum. It
is asked of notes that stand out by less than 18 dB or are mostly room: others nobody covers
(:mod:`vibstudy.recording.measured`), and their errors are those of any short vibrato. The next rate that fits
is one cycle more or less in the same span; three standard errors must stay on this side of half-way to it.
And two of them, the 95 % interval, must hold nothing that would be called wrong: rates `WRONG_HZ` and extents
`WRONG_SHARE` away. (With three, narrow vibratos were left out and wide ones not.) Only that part of the
errors is asked which room and other players make, and doubt about where the vibrato begins, with what the
halves of the harmonics say (:func:`vibstudy.vibrato.note.widening`): that an irregular vibrato's mean is not
known better is so in the driest take, and who left such notes out would choose among players.

A note without vibrato says so only where one that can be heard would have been found: where the narrowest
that the test would show (``extent_limit_cents``) is below `HEARD_CENTS`. In rooms the lines of narrow
vibratos passed for restless straight ones. (Of 262 notes said to be straight in rooms and with others 40
vibrated; 8 of these counted while only their sway was asked, 2 with this; of the straight ones 189 and 186.)
So a restless one is covered where it stands out by less than 18 dB; where it stands out by more, nobody
covers it, and whether it vibrates is left open (:func:`may_hide_vibrato`): so are a third of the straight
notes of a flute alone.
One that stands out by less than that may be another player's, so it must not sway either: whatever moves its
line at vibrato rates, attack and release left out, or the difference of its halves. One that stands out, and
whose line no room draws, need not have more than one harmonic, as high notes have not.

The limits were set on mixtures of sampled winds with piano, strings and a second wind as loud as they (see
``benchmarks/recordings.py``) and in rooms (``benchmarks/rooms.py``).
"""

from __future__ import annotations

import numpy as np
from numpy.polynomial.chebyshev import chebvander
from scipy.integrate import trapezoid

from vibstudy.pitch.refine import NoteLine
from vibstudy.vibrato.noise import thin
from vibstudy.vibrato.note import HEARD_CENTS, widening
from vibstudy.vibrato.realised import VibratoFit

EXTENT_LIMIT_CENTS = 1.4
"""As well as this a narrow vibrato is known outside rooms and without accompaniment, whatever its share."""
WRONG_SHARE, WRONG_HZ = 0.25, 0.3
SWAY_LIMITS_CENTS, SWAY_LIMITS_DB = (1.5, 3.0, np.inf), (6.0, 18.0)
"""For a note said to be straight: the less it stands out, the less it may sway."""
LEAST_BALANCE = 0.15
_BAND_HZ = (3.0, 10.0)
_RATE_HZ = 64.0
_ATTACK_S, _RELEASE_S, _LEAST_S = 0.08, 0.03, 0.25


def is_masked(line: NoteLine, fit: VibratoFit | None, limit_cents: float = 0.0) -> bool:
    """Tell whether the figures of a note with accompaniment could be far off.

    Parameters
    ----------
    line : NoteLine
        The note.
    fit : VibratoFit | None
        Its vibrato, from :func:`vibstudy.vibrato.note.measure_note`; None where it is straight.
    limit_cents : float
        The narrowest vibrato that would have been found; asked where it is straight.
    """
    clear = line.snr_db >= SWAY_LIMITS_DB[-1] and not line.straightened
    if line.balance < LEAST_BALANCE and not clear:  # one harmonic alone: nothing to hold it against
        return True
    if fit is None and clear:
        return False
    since_s = line.time_s - line.onset_s
    time_s, apart = thin(since_s, np.gradient(line.halves, line.hop_s), _RATE_HZ)
    if fit is None:
        _, cents = thin(since_s, line.cents, _RATE_HZ)
        step_s = float(time_s[1] - time_s[0])
        inner = slice(*np.searchsorted(time_s, [_ATTACK_S, time_s[-1] - _RELEASE_S]))
        if (inner.stop - inner.start) * step_s < _LEAST_S:
            inner = slice(None)
        limit = SWAY_LIMITS_CENTS[int(np.searchsorted(SWAY_LIMITS_DB, line.snr_db))]
        sway = max(_in_band(_level(moving[inner]), step_s) for moving in (apart, cents))
        unheard = limit_cents > HEARD_CENTS and line.snr_db < SWAY_LIMITS_DB[-1]
        return unheard or sway > limit
    wider, limit = widening(line, fit), fit.first_cents * WRONG_SHARE / 2.0
    extent_se = wider * fit.seen_first_se_cents
    if not line.straightened:
        extent_se = float(np.hypot(extent_se, _at_rate(time_s, _level(apart), fit.rate_hz)))
        limit = max(limit, EXTENT_LIMIT_CENTS)
    rate_se, halfway_hz = wider * fit.seen_rate_se_hz, 0.5 / (fit.end_s - fit.start_s)
    return rate_se > min(halfway_hz / 3.0, WRONG_HZ / 2.0) or extent_se > limit


def may_hide_vibrato(line: NoteLine, limit_cents: float) -> bool:
    """Tell whether a vibrato that can be heard could hide in a straightened line said to be straight.

    Parameters
    ----------
    line : NoteLine
        The note.
    limit_cents : float
        The narrowest vibrato that would have been found.
    """
    return line.straightened and limit_cents > HEARD_CENTS


def sway_apart_cents(line: NoteLine) -> float:
    """How far the halves of a note's harmonics part at vibrato rates, root mean square over the note."""
    return _in_band(_level(np.gradient(line.halves, line.hop_s)), line.hop_s)


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
