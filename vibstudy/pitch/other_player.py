"""Whether another player, about as loud as a note, has vibrato: then whose note it is cannot be told.

What the note's own harmonics do slowly is taken out first, for the window of a harmonic reaches as far as
its neighbours. Of the rest only those harmonics of the other pitch are asked that lie clear of the note's
own swing. They are straightened like a note (:mod:`vibstudy.pitch.straighten`), once freely and once with
a course that drifts, or moves as the note does: such a line is the note's own, for no two players swing
alike cycle by cycle. The other moves where its vibrato is far likelier, every coefficient of its course
charged (`SURE`), swings visibly (`SWING_CENTS`), and is one line: it turns a good part of that sound
steady (`STEADY`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vibstudy.pitch.course import Bank, Course, log_evidence, power_of, settle
from vibstudy.pitch.demodulate import Demodulator
from vibstudy.pitch.follow import TOP_HZ
from vibstudy.pitch.refine import NoteLine
from vibstudy.pitch.straighten import LEAST_FRAMES, harmonics_in_reach, search
from vibstudy.units import ratio

SURE = 5.0
"""Log of a Bayes factor: "very strong" evidence of Kass & Raftery (1995, JASA 90:773-795)."""
STEADY, SWING_CENTS = 0.3, 3.0
"""Share of power; amplitude. Set on mixtures of sampled winds with a piano and with a second wind
(``benchmarks/rooms.py``)."""
CLEAR_HZ = 20.0  # beyond the note's swing: about the line of a note of half a second
DRIFT_HZ = 2.0  # what a pitch does without vibrato lies below
LEAST_HARMONICS = 2


def other_vibrates(samples: np.ndarray, rate_hz: float, line: NoteLine, other_hz: float) -> bool:
    """Tell whether a line at another pitch has a vibrato of its own while a note sounds.

    Parameters
    ----------
    samples : ndarray [shape=(n,)]
        The sound `line` was refined from.
    rate_hz : float > 0
        Its sampling rate.
    line : NoteLine
        The note.
    other_hz : float > 0
        The other pitch, from :func:`vibstudy.pitch.accompaniment.find_accompaniment`.
    """
    f0 = line.reference_hz
    note = Demodulator.of_note(samples, rate_hz, line.onset_s, line.offset_s, f0)
    if note.frames < LEAST_FRAMES:
        return False
    line_hz = np.interp(note.time_s, line.time_s, line.f0_hz)
    own_count, count = (min(harmonics_in_reach(rate_hz, hz), int(TOP_HZ / hz)) for hz in (f0, other_hz))
    if own_count < 1 or count < LEAST_HARMONICS:
        return False
    rest = note.without(line_hz, own_count)
    demodulator = Demodulator(rest, rate_hz, note.start_s, other_hz)
    if demodulator.frames < LEAST_FRAMES:
        return False
    bank = Bank.along([demodulator], line.onset_s, np.full(demodulator.frames, other_hz), count)
    nearest_hz = np.maximum(np.rint(bank.order * other_hz / f0), 1.0) * f0
    swing = float(ratio(np.quantile(np.abs(line.cents), 0.95))) - 1.0
    rows = np.abs(bank.order * other_hz - nearest_hz) > nearest_hz * swing + CLEAR_HZ
    if rows.sum() < LEAST_HARMONICS:
        return False
    bank, _ = replace(bank, b=bank.b[rows], order=bank.order[rows]).thinned()
    course = Course.over(bank.time_s)
    found = search(bank, other_hz, course)
    if found is None:
        return False
    counts = bank.coloured(found[1].rest(bank))
    x, seen = settle(bank, course, found[0], counts, 4)
    still = course.below(bank.time_s, DRIFT_HZ)

    def without_drift(cents: np.ndarray) -> np.ndarray:
        return cents - still.basis @ np.linalg.lstsq(still.basis, cents, rcond=None)[0]

    moved = without_drift(course.basis @ x)
    own = without_drift(np.interp(bank.time_s + line.onset_s, line.time_s, line.cents))
    plain = still.along_with(own)
    steady = 1.0 - power_of(seen.rest(bank)).sum() / bank.total.sum()
    if steady < STEADY or np.sqrt(2.0) * np.std(moved) < SWING_CENTS:
        return False
    drift = still.start(course.basis @ x - moved)
    starts = (np.append(drift, 0.0), np.append(drift, 1.0), np.append(0.0 * drift, 1.0))
    y, plainly = min(
        (settle(bank, plain, start, counts, 12) for start in starts), key=lambda one: one[1].cost
    )
    odds = log_evidence(bank, course, x, counts, seen) - log_evidence(bank, plain, y, counts, plainly)
    return bool(odds > SURE)
