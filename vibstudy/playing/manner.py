r"""The same note in another manner: its vibrato taken out, and one of a chosen rate, extent, delay put in.

What a vibrato does to a phrase is heard best when nothing else changes. The vibrato of a note is taken
away and another laid on, both by the warp of :mod:`vibstudy.playing.resynthesis`: the sound itself stays
the player's.

A manner
--------
Rate *r* (Hz), extent *e* (± cents, half of peak-to-peak), delay *d* (s, a straight beginning), and how much
cycles differ: coefficients of variation of rate and extent from cycle to cycle, as in the note table.
Cycle *i* has the rate :math:`r (1 + \sigma_r z_i)` and the extent :math:`e (1 + \sigma_e y_i)`, with *z* and
*y* standard normal, drawn from a seed and centred, so that the means are those asked for. Between cycles
both are joined smoothly (monotone cubic). A cycle is a sine, begins at the centre and rises. The vibrato
is on the clock of the new sound: the warp is solved for it by repetition.

Level in step with the vibrato, where a note has it, goes with the old vibrato and comes back with the new:
the same depth and the same lead, at the new rate.

A typical manner
----------------
Of a player or a group: medians over its vibrato notes, every player counting the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.interpolate import PchipInterpolator

from vibstudy.errors import VibstudyError, raise_any
from vibstudy.figures.data import player_weights
from vibstudy.playing.resynthesis import RealNote, frames_around, in_step, played_at, warped
from vibstudy.playing.tones import outside

LIMITS = {
    "rate_hz": (1.0, 15.0, "Hz"),
    "extent_cents": (0.0, 300.0, "± cents"),
    "delay_s": (0.0, 10.0, "s"),
    "rate_irregularity": (0.0, 0.3, ""),
    "extent_irregularity": (0.0, 0.6, ""),
}
"""What can be asked for: wider than any player's use (rates of 3 to 10 Hz, at most ± 150 cents)."""
_LOWEST_FACTOR = 0.1
"""No cycle is slower or narrower than this share of the mean: a normal draw has no floor of its own."""
_TURNS = 4
"""Repetitions of the solution for the new clock; each shrinks its error to below a twentieth (the warp is
within 6 % of true speed for ± 100 cents)."""


@dataclass(frozen=True)
class Manner:
    """A vibrato to be given to a note.

    Parameters
    ----------
    rate_hz : float [range 1..15]
        Cycles a second.
    extent_cents : float [range 0..300]
        HALF of peak-to-peak; 0 is straight.
    delay_s : float [range 0..10]
        Straight beginning.
    rate_irregularity : float [range 0..0.3]
        Coefficient of variation of rate from cycle to cycle.
    extent_irregularity : float [range 0..0.6]
        Coefficient of variation of extent from cycle to cycle.

    Raises
    ------
    VibstudyError
        With every value that is out of range.
    """

    rate_hz: float
    extent_cents: float
    delay_s: float = 0.0
    rate_irregularity: float = 0.0
    extent_irregularity: float = 0.0

    def __post_init__(self) -> None:
        raise_any(outside(LIMITS, self))

    @property
    def words(self) -> str:
        """The manner in words."""
        if self.extent_cents == 0:
            return "no vibrato"
        text = f"{self.rate_hz:.1f} Hz, ± {self.extent_cents:.0f} cents"
        return f"{text}, after {self.delay_s:.2f} s" if self.delay_s >= 0.005 else text


def typical_manner(notes: pd.DataFrame) -> Manner:
    """Return the medians of vibrato notes, every player counting the same.

    Parameters
    ----------
    notes : DataFrame
        Vibrato notes of a note table (:func:`vibstudy.figures.data.vibrato_notes`).

    Raises
    ------
    VibstudyError
        When there are none.
    """
    if notes.empty:
        raise VibstudyError("no note with vibrato to take a manner from")
    values = {}
    for name, (low, high, _) in LIMITS.items():
        column = "vibrato_onset_s" if name == "delay_s" else name
        own, middle = notes[notes[column].notna()], 0.0
        if len(own):
            known, weights = own[column].to_numpy(float), player_weights(own)
            middle = float(np.quantile(known, 0.5, weights=weights, method="inverted_cdf"))
        values[name] = float(np.clip(middle, low, high))
    return Manner(**values)


def own_manner(note: RealNote, rate_factor: float = 1.0) -> Manner:
    """Return the manner of a note's own vibrato, `rate_factor` times as quick."""
    fit = note.vibrato
    values = {
        "rate_hz": fit.rate_hz * rate_factor,
        "extent_cents": fit.extent_cents,
        "delay_s": fit.start_s,
        "rate_irregularity": fit.rate_irregularity,
        "extent_irregularity": fit.extent_irregularity,
    }
    return Manner(
        **{name: float(np.clip(values[name], low, high)) for name, (low, high, _) in LIMITS.items()}
    )


def manner_cents(
    manner: Manner, since_s: np.ndarray, duration_s: float, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Return the vibrato of a manner.

    Parameters
    ----------
    manner : Manner
    since_s : ndarray [shape=(n,)]
        Times after the note's beginning, s.
    duration_s : float
        How long the note lasts; before its beginning, its delay and after its end there is no vibrato.
    rng : numpy.random.Generator
        Draws what differs from cycle to cycle.

    Returns
    -------
    cents : ndarray [shape=(n,)]
    phase_rad : ndarray [shape=(n,)]
        Of the cycle, 0 where it begins.
    """
    lasts_s = max(duration_s - manner.delay_s, 0.0)
    heard = max(round(lasts_s * manner.rate_hz), 1)
    extents = manner.extent_cents * _factors(manner.extent_irregularity, heard, rng)
    lengths_s = 1.0 / (manner.rate_hz * _factors(manner.rate_irregularity, heard, rng))
    lengths_s *= 1.0 / (manner.rate_hz * lengths_s.mean())
    # one more cycle as the mean has it, for what is left of the note
    count = heard + 2
    lengths_s = np.append(lengths_s, [1.0 / manner.rate_hz] * 2)
    extents = np.append(extents, [manner.extent_cents] * 2)
    begins = np.concatenate([[0.0], np.cumsum(lengths_s)])
    since = np.asarray(since_s, float) - manner.delay_s
    inside = (since >= 0.0) & (since <= lasts_s)
    clipped = np.clip(since, 0.0, begins[-1])
    phase = 2.0 * np.pi * PchipInterpolator(begins, np.arange(count + 1.0))(clipped)
    middles = 0.5 * (begins[1:] + begins[:-1])
    extent = PchipInterpolator(middles, extents)(np.clip(clipped, middles[0], middles[-1]))
    return np.where(inside, extent * np.sin(phase), 0.0), phase


def _factors(spread: float, count: int, rng: np.random.Generator) -> np.ndarray:
    """Factors of mean 1 and coefficient of variation `spread`, one a cycle."""
    z = rng.standard_normal(count)
    z = (z - z.mean()) / (z.std() or 1.0)
    factors = np.maximum(1.0 + spread * z, _LOWEST_FACTOR)
    return factors / factors.mean()


def in_manner(note: RealNote, manner: Manner, seed: int = 0) -> np.ndarray:
    """Return a note's sound with the vibrato of `manner` in place of its own [shape=(n,)].

    Parameters
    ----------
    note : RealNote
        From :func:`~vibstudy.playing.resynthesis.cut_out`; it may be straight.
    manner : Manner
        What it gets.
    seed : int
        Of what differs from cycle to cycle; the same seed gives the same sound.
    """
    line, samples = note.line, note.samples
    t = frames_around(note)
    own = in_step(note, line.cents) if note.fit is not None else np.zeros(len(t))
    begin_s, end_s = line.time_s[0], line.time_s[-1]

    def wanted(times_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        rng = np.random.default_rng(seed)  # the same cycles at every repetition
        return manner_cents(manner, times_s - begin_s, end_s - begin_s, rng)

    played = t
    for _ in range(_TURNS):
        cents, phase = wanted(played)
        change = own - cents
        played = played_at(t, change, note.rate_hz, len(samples))
    if note.fit is not None and manner.extent_cents > 0:
        depth_db, lead_rad = _level_in_step(note)
        db = np.where(cents != 0.0, depth_db * np.sin(phase + lead_rad), 0.0)
        # eased in over half a cycle, so that the level does not jump where the vibrato starts
        db *= np.clip(phase / np.pi, 0.0, 1.0)
    else:
        db = np.zeros(len(t))
    if note.fit is not None:
        db = db - in_step(note, line.level_db)
    time_s = np.arange(len(samples)) / note.rate_hz
    samples = samples * 10.0 ** (np.interp(time_s, t, db, left=0.0, right=0.0) / 20.0)
    return warped(samples, note.rate_hz, t, change)


def _level_in_step(note: RealNote) -> tuple[float, float]:
    """Depth (± dB) of the level in step with a note's vibrato, and its lead on the pitch (rad)."""
    pitch, level = in_step(note, note.line.cents), in_step(note, note.line.level_db)
    # the Hilbert pair of a vibrato is its quarter-cycle shift: its derivative, up to a factor
    slope = np.gradient(pitch)
    slope *= np.std(pitch) / (np.std(slope) or 1.0)
    columns = np.column_stack([pitch, slope])
    a, b = np.linalg.lstsq(columns, level, rcond=None)[0] * np.std(pitch) * np.sqrt(2.0)
    return float(np.hypot(a, b)), float(np.arctan2(b, a))
