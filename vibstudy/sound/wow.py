"""Wow: a slow periodic deviation of speed, common to all notes of a recording.

A disc with its hole off centre sways the pitch once a turn: 0.556 Hz at 33⅓ rpm, 0.75 Hz at 45 rpm,
1.304 Hz at 78.26 rpm (arithmetic). Unlike vibrato and drift it keeps one phase through all notes.

Model
    deviation of a note from its own mean = a cos 2πft + b sin 2πft, less its mean over the note,
    + a shape common to all notes (scoops, falls: five functions of the time in the note, so that
    even notes on a regular beat do not pass for wow) + the note's own drift and vibrato.
    Where notes begin in step with the frequency found, nothing is claimed.
Statistic
    z(f) = |Σ g_j|² / Σ |g_j|² over notes j, with g_j the note's share of the least-squares score. The
    notes' own drifts have independent phases, so without wow z is exponential with mean 1, whatever
    each note does (a periodogram with the cluster-robust variance of Liang & Zeger 1986, Biometrika
    73:13-22). The search over frequencies is accounted for by W e^(-z) √z, W = band x T,
    T = √(4π var t) (Baluev 2008, MNRAS 385:1279-1285), and for the four bands searched.
depth
    Zero to peak, in cents and in per cent (0.1 % = 1.73 cents).
weighted depth
    Times the weighting of IEC 60386 / AES6 at that frequency: greatest at 4 Hz, about 6 dB an octave
    down on either side and steeper below 0.5 Hz (AES standards blog, 2009). The table itself is from
    memory and agrees with a transcription found in a public program; neither was checked against the
    standard, so take the weighted figure as approximate.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass

import numpy as np

from vibstudy.units import ratio

ROTATION_HZ: dict[str, float] = {
    "33⅓ rpm": (100 / 3) / 60,
    "45 rpm": 45 / 60,
    "78 rpm": 3600 / 46 / 60,
}
"""Turns a second."""

FREE_BAND_HZ = (0.3, 2.5)
FOUND_BELOW_P = 0.001
_ROTATION_TOLERANCE = 0.05
_BIN_S = 0.1
_STRETCH_S = 300.0
_FEWEST_NOTES = 12
_SCOOP_S = 0.1
_LOCKED, _LOCKED_IN_TURN = 0.4, 0.7
_WORKSPACE = 200_000
_KEPT = (
    "rate_hz",
    "depth_cents",
    "depth_se_cents",
    "phase_rad",
    "p",
    "beat_locked",
    "limit_cents",
    "stretch_s",
)

_WEIGHTING_HZ = np.array([0.2, 0.315, 0.4, 0.63, 0.8, 1.0, 2.0, 4.0, 6.3, 10, 20, 40, 100, 200])
_WEIGHTING_DB = np.array(
    [-30.6, -19.7, -15.0, -8.4, -6.0, -4.2, -0.9, 0.0, -0.9, -2.1, -5.9, -10.4, -17.3, -23.0]
)


@dataclass(frozen=True, eq=False)
class Wow:
    """Wow of one recording.

    Parameters
    ----------
    found : bool
        Whether there is any; the other figures are those of the likeliest candidate.
    rate_hz : float
        Its frequency; NaN when too few notes were given.
    depth_cents, depth_se_cents : float
        Zero to peak, and standard error.
    phase_rad : float
        Of the first stretch: the deviation is ``depth * sin(2π rate time + phase)``.
    p : float [range 0..1]
        False-alarm probability, the search accounted for.
    beat_locked : bool
        The notes begin in step with this frequency or a multiple, so that it may be their playing.
    limit_cents : float
        Depth that would have been found at a typical frequency: absence means less than this.
    stretch_s : float
        The phase is estimated anew after this long.
    stretches : ndarray of complex [shape=(n,)]
        a - ib of each stretch.
    """

    found: bool
    rate_hz: float
    depth_cents: float
    depth_se_cents: float
    phase_rad: float
    p: float
    beat_locked: bool
    limit_cents: float
    stretch_s: float
    stretches: np.ndarray

    @property
    def depth_percent(self) -> float:
        """Zero to peak, per cent of speed."""
        return 100 * (float(ratio(self.depth_cents)) - 1)

    @property
    def weighted_percent(self) -> float:
        """Depth as weighted by IEC 60386 (approximate, see the module)."""
        return self.depth_percent * 10 ** (weighting_db(self.rate_hz) / 20)

    @property
    def rotation(self) -> str:
        """Which turntable speed the frequency fits within 2 %; "" for none."""
        for name, f_hz in ROTATION_HZ.items():
            if abs(self.rate_hz / f_hz - 1) < 0.02:
                return name
        return ""

    def cents(self, time_s: np.ndarray) -> np.ndarray:
        """Deviation at `time_s`, cents; zero when none was found."""
        time_s = np.asarray(time_s, dtype=float)
        if not self.found:
            return np.zeros_like(time_s)
        stretch = np.clip((time_s / self.stretch_s).astype(int), 0, len(self.stretches) - 1)
        return np.real(self.stretches[stretch] * np.exp(2j * np.pi * self.rate_hz * time_s))

    def to_json(self) -> str | None:
        """What :meth:`cents` needs, to be kept beside the measurement; None when none was found."""
        if not self.found:
            return None
        fields = {name: getattr(self, name) for name in _KEPT}
        cycle = [[value.real, value.imag] for value in self.stretches.tolist()]
        return json.dumps(fields | {"stretches": cycle})

    @classmethod
    def from_json(cls, kept: str | None) -> Wow:
        """The wow of :meth:`to_json`; no wow for None."""
        if kept is None:
            nan = math.nan
            return cls(False, nan, nan, nan, nan, 1.0, False, nan, _STRETCH_S, np.zeros(0, complex))
        fields = json.loads(kept)
        cycle = np.array([complex(*value) for value in fields.pop("stretches")])
        return cls(found=True, stretches=cycle, **fields)

    def words(self) -> str:
        """Say it plainly."""
        if not math.isfinite(self.rate_hz):
            return "Too few notes to look for wow."
        if self.beat_locked and self.p < FOUND_BELOW_P:
            return (
                f"Pitch sways at {self.rate_hz:.2f} Hz, but in step with the notes: "
                "the playing cannot be told from wow, and nothing is removed."
            )
        if not self.found:
            limit = 100 * (ratio(self.limit_cents) - 1)
            return f"No wow found; more than about ± {limit:.2f} % would have been."
        name = f", one turn at {self.rotation}" if self.rotation else ""
        return (
            f"Wow of ± {self.depth_percent:.2f} % (± {self.depth_cents:.1f} cents) "
            f"at {self.rate_hz:.3f} Hz{name}; about ± {self.weighted_percent:.2f} % weighted."
        )


def estimate_wow(time_s: np.ndarray, cents: np.ndarray, note: np.ndarray) -> Wow:
    """Look for wow in the fine pitch of all notes.

    Parameters
    ----------
    time_s : ndarray [shape=(n,)]
        Time in the recording.
    cents : ndarray [shape=(n,)]
        Pitch less the note's own mean; missing values are left out.
    note : ndarray [shape=(n,)]
        To which note each value belongs. Steady partials of the accompaniment may be given as
        further notes; notes may overlap.

    Returns
    -------
    Wow
    """
    series = _binned(time_s, cents, note)
    if series is None or len(series.starts) < _FEWEST_NOTES:
        return Wow.from_json(None)
    bands = [
        (name_hz * (1 - _ROTATION_TOLERANCE), name_hz * (1 + _ROTATION_TOLERANCE))
        for name_hz in ROTATION_HZ.values()
    ]
    bands.append(FREE_BAND_HZ)
    grid = np.arange(FREE_BAND_HZ[0], FREE_BAND_HZ[1], 1 / (4 * series.length_s))
    z = _z(series, grid)
    best_p, best_hz = 1.0, float(grid[np.argmax(z)])
    for low, high in bands:
        inside = (grid >= low) & (grid <= high)
        at = np.flatnonzero(inside)[np.argmax(z[inside])]
        p = min(_false_alarm(z[at], (high - low) * series.spread_s) * len(bands), 1.0)
        if p < best_p:
            best_p, best_hz = p, float(grid[at])
    rate_hz = _refined(series, best_hz, grid[1] - grid[0])
    amplitudes, depth, error = _amplitudes(series, rate_hz)
    needed = _needed_z((FREE_BAND_HZ[1] - FREE_BAND_HZ[0]) * series.spread_s, len(bands))
    locked = _beat_locked(series, rate_hz)
    return Wow(
        found=best_p < FOUND_BELOW_P and not locked,
        rate_hz=rate_hz,
        depth_cents=depth,
        depth_se_cents=error,
        phase_rad=float(np.angle(1j * amplitudes[0])),
        p=best_p,
        beat_locked=locked,
        limit_cents=_limit(series, needed),
        stretch_s=series.stretch_s,
        stretches=amplitudes,
    )


def weighting_db(f_hz: float) -> float:
    """Weighting of wow and flutter of IEC 60386, dB (approximate, see the module).

    Parameters
    ----------
    f_hz : float
        Frequency of the deviation; below 0.2 Hz the slope there is continued.
    """
    octave = np.log2(_WEIGHTING_HZ)
    x = math.log2(f_hz)
    if x < octave[0]:
        slope = (_WEIGHTING_DB[1] - _WEIGHTING_DB[0]) / (octave[1] - octave[0])
        return float(_WEIGHTING_DB[0] + slope * (x - octave[0]))
    return float(np.interp(x, octave, _WEIGHTING_DB))


# ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Series:
    """Tenth-second means, sorted by note and then by time."""

    time_s: np.ndarray
    cents: np.ndarray
    weight: np.ndarray
    starts: np.ndarray
    basis: np.ndarray
    stretch: np.ndarray
    stretch_s: float

    @property
    def length_s(self) -> float:
        """Length within which one phase is assumed."""
        return min(float(np.ptp(self.time_s)), self.stretch_s)

    @property
    def spread_s(self) -> float:
        """Baluev's effective length."""
        mean = np.average(self.time_s, weights=self.weight)
        spread = math.sqrt(np.average((self.time_s - mean) ** 2, weights=self.weight))
        return min(math.sqrt(4 * np.pi) * spread, self.stretch_s)


def _binned(time_s: np.ndarray, cents: np.ndarray, note: np.ndarray) -> _Series | None:
    t, c, note = np.asarray(time_s, float), np.asarray(cents, float), np.asarray(note)
    order = np.lexsort((t, note))
    order = order[(np.isfinite(t) & np.isfinite(c))[order]]
    if not len(order):
        return None
    t, c, note = t[order], c[order], note[order]
    starts = _changes(note)
    counts = np.diff(np.append(starts, len(t)))
    since = t - np.repeat(t[starts], counts)
    until = np.repeat(t[starts + counts - 1], counts) - t
    bins = _changes(note, (since / _BIN_S).astype(int))
    size = np.diff(np.append(bins, len(t)))
    t, c, since, until = (np.add.reduceat(values, bins) / size for values in (t, c, since, until))
    w, note = size.astype(float), note[bins]
    counts = np.diff(np.append(_changes(note), len(t)))
    enough = np.repeat(counts >= 4, counts)
    if not enough.any():
        return None
    t, c, w, since, until, note = (values[enough] for values in (t, c, w, since, until, note))
    starts = _changes(note)
    place = since / (since + until) - 0.5
    shapes = [np.exp(-since / _SCOOP_S), np.exp(-until / _SCOOP_S), place, place**2, since - until]
    w = w * np.repeat(_note_weights(c, w, starts), np.diff(np.append(starts, len(c))))
    w = w / w.mean()
    basis = _centred(np.column_stack(shapes), w, starts)
    q, _ = np.linalg.qr(basis * np.sqrt(w)[:, None])
    c = _centred(c[:, None], w, starts)[:, 0]
    root = np.sqrt(w)
    c = c - (q @ (q.T @ (root * c))) / root
    count = max(round(t.max() / _STRETCH_S), 1)
    stretch_s = t.max() / count
    stretch = np.clip((t / stretch_s).astype(int), 0, count - 1)
    return _Series(t, c, w, starts, q, stretch, stretch_s)


def _changes(*labels: np.ndarray) -> np.ndarray:
    """Where runs of equal labels begin."""
    new = np.zeros(len(labels[0]), dtype=bool)
    new[:1] = True
    for label in labels:
        new[1:] |= label[1:] != label[:-1]
    return np.flatnonzero(new)


def _note_weights(cents: np.ndarray, weight: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """Notes that wander more than usual count less."""
    total = np.add.reduceat(weight, starts)
    mean = np.add.reduceat(weight * cents, starts) / total
    power = np.add.reduceat(weight * cents**2, starts) / total - mean**2
    usual = np.median(power) + 1e-9
    return 1 / (1 + np.maximum(power, 0) / usual)


def _centred(values: np.ndarray, weight: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """Less each note's weighted mean, by column."""
    counts = np.diff(np.append(starts, len(values)))
    total = np.add.reduceat(weight, starts)
    mean = np.add.reduceat(weight[:, None] * values, starts, axis=0) / total[:, None]
    return values - np.repeat(mean, counts, axis=0)


def _waves(series: _Series, f_hz: np.ndarray) -> np.ndarray:
    """exp(2πift), as what is left of it when note means and common shape are taken out, complex [n, f]."""
    waves = np.exp(2j * np.pi * np.outer(series.time_s, f_hz))
    # A tenth-second mean lets less of a faster sway through.
    waves *= np.sinc(f_hz * _BIN_S)
    waves = _centred(waves, series.weight, series.starts)
    root = np.sqrt(series.weight)[:, None]
    return waves - (series.basis @ (series.basis.T @ (root * waves))) / root


def _note_scores(series: _Series, f_hz: np.ndarray) -> np.ndarray:
    """Each note's share of the least-squares score, complex [notes, f]."""
    # Means and common shape are out of `cents` already, so they need not be taken out of the wave.
    waves = np.exp(-2j * np.pi * np.outer(series.time_s, f_hz))
    waves *= (series.weight * series.cents)[:, None]
    return np.add.reduceat(waves, series.starts, axis=0)


def _z(series: _Series, f_hz: np.ndarray) -> np.ndarray:
    """The statistic at each frequency [shape=(f,)]."""
    from scipy.special import gammaincc

    parts = np.flatnonzero(np.diff(series.stretch[series.starts], prepend=-1))
    out = np.empty(len(f_hz))
    step = max(_WORKSPACE // len(series.time_s), 1)
    for first in range(0, len(f_hz), step):
        by_note = _note_scores(series, f_hz[first : first + step])
        together = np.abs(np.add.reduceat(by_note, parts, axis=0)) ** 2
        apart = np.add.reduceat(np.abs(by_note) ** 2, parts, axis=0)
        # Stretches add up to a gamma variable; said as the exponential variable equally unlikely.
        out[first : first + step] = -np.log(gammaincc(len(parts), (together / apart).sum(axis=0)) + 1e-300)
    return out


def _limit(series: _Series, z: float) -> float:
    """Depth that gives `z` at a middling frequency, cents."""
    f_hz = np.linspace(*FREE_BAND_HZ, 12)
    scatter = (np.abs(_note_scores(series, f_hz)) ** 2).sum(axis=0)
    power = (series.weight[:, None] * np.abs(_waves(series, f_hz)) ** 2).sum(axis=0)
    return float(np.median(2 * np.sqrt(z * scatter) / power))


def _false_alarm(z: float, width: float) -> float:
    return float(min(math.exp(-z) * (1 + width * math.sqrt(z)), 1.0))


def _needed_z(width: float, bands: int) -> float:
    from scipy.optimize import brentq

    return float(brentq(lambda z: _false_alarm(z, width) * bands - FOUND_BELOW_P, 1.0, 200.0))


def _beat_locked(series: _Series, rate_hz: float) -> bool:
    """Whether note beginnings gather at one phase of `rate_hz`, or nearly all at a few in turn.

    What all notes do alike adds up at one phase only; at phases in turn it cancels, unless notes on and off
    the beat are played differently.
    """
    onsets = series.time_s[series.starts]
    multiples = rate_hz * np.arange(1, 5)
    gathered = np.abs(np.exp(2j * np.pi * np.outer(onsets, multiples)).mean(axis=0))
    chance = 2.5 / math.sqrt(len(onsets))
    return bool(gathered[0] > max(_LOCKED, chance) or gathered[1:].max() > max(_LOCKED_IN_TURN, chance))


def _refined(series: _Series, near_hz: float, step_hz: float) -> float:
    from scipy.optimize import minimize_scalar

    found = minimize_scalar(
        lambda f: -_z(series, np.array([f]))[0],
        bounds=(near_hz - step_hz, near_hz + step_hz),
        method="bounded",
        options={"xatol": step_hz / 50},
    )
    return float(found.x)


def _amplitudes(series: _Series, rate_hz: float) -> tuple[np.ndarray, float, float]:
    """a - ib of every stretch by least squares; the mean depth, and its standard error.

    Stretches with too few notes get 0: nothing is known there.
    """
    wave = _waves(series, np.array([rate_hz]))[:, 0]
    design = np.column_stack([wave.real, wave.imag])
    note = np.repeat(np.arange(len(series.starts)), np.diff(np.append(series.starts, len(wave))))
    out = np.zeros(int(series.stretch.max()) + 1, complex)
    found = []
    for i in range(len(out)):
        here = (series.stretch == i) & (series.weight > 0)
        notes, index = np.unique(note[here], return_inverse=True)
        if len(notes) < _FEWEST_NOTES:
            continue
        x, w = design[here], series.weight[here]
        inverse = np.linalg.pinv(x.T @ (w[:, None] * x))
        pair = inverse @ (x.T @ (w * series.cents[here]))
        out[i] = pair[0] - 1j * pair[1]
        sums = np.zeros((len(notes), 2))
        np.add.at(sums, index, x * (w * (series.cents[here] - x @ pair))[:, None])
        along = pair / max(np.hypot(*pair), 1e-12)
        found.append((w.sum(), abs(out[i]), along @ inverse @ (sums.T @ sums) @ inverse @ along))
    if not found:
        return out, float("nan"), float("nan")
    weight, depth, variance = np.array(found).T
    share = weight / weight.sum()
    return out, float(share @ depth), float(np.sqrt(share**2 @ variance))
