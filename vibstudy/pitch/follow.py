r"""A rough course of the pitch, followed through a note whose harmonics a room or company covers.

Short pieces of sound are ambiguous in a room: its tail dwells where the pitch has dwelt. What tells them
apart is coherence: along the true course each harmonic of the direct sound keeps its phase from cycle to
cycle, along any other it soon loses it. So courses are followed from one end of the note to the other, many
side by side, each with the complex levels of its own harmonics (per-survivor processing; Raheli, Polydoros &
Tzou 1995, doi 10.1109/26.380012, from memory):

1. From hop to hop each course goes on with one of several accelerations, with a normal prior.
2. With the course's phase taken out, each harmonic's level is what it was, forgotten over `MEMORY_S`, and
   what the hop adds. The hop counts by the share :math:`c_k` of the remembered power that is coherent,
   :math:`-N \sum_k \ln(1 - c_k)`, *N* independent values a hop.
3. Of courses that are at the same pitch and slope (within a cell) the likeliest is kept; of all, the
   `SURVIVORS` likeliest.

It needs no start, and no vibrato. Followed from the end backwards, another course may be found; the whole
likelihood (:mod:`vibstudy.pitch.course`) tells which is right.
"""

from __future__ import annotations

from dataclasses import replace

import numba
import numpy as np

from vibstudy.pitch.course import Bank
from vibstudy.pitch.refine import CENTS_PER_NEPER

REACH_CENTS = 132.0  # about the note's pitch: a vibrato of ±100 cents, a third of it off centre
STEEPEST_CENTS_PER_S = 2700.0  # ±100 cents at 4.3 Hz, ±60 at 7 Hz
CELL_CENTS, CELL_CENTS_PER_S = 4.0, 250.0
"""About a quarter of a line's width over the memory, in the highest harmonic asked."""
TURNS, TURN_STEP = 7, 16_000.0
"""Accelerations each way, and their step, cents per s²: up to those of ±50 cents at 7.5 Hz."""
TURN_CENTS = 52_000.0
"""Standard deviation of the acceleration, cents per s²: that of ±50 cents at 6 Hz."""
SURVIVORS = 400
"""In simulated rooms with the tail as loud as the direct sound (``benchmarks/rooms.py``, takes of a seed of
their own) one note in eight goes astray with 150, one in 24 with 400, one in 33 with 1,000."""
BEHIND = 15.0  # of log likelihood are never made good: 25, 40, 80 and no limit find the same courses
MEMORY_S = 0.1  # 0.08 to 0.12 s find as many courses, 0.2 s fewer: wide vibratos lose their way
TOP_HZ = 5000.0  # up to 3,500 Hz twice as many go astray; beyond, phases turn too far in a cell
HOP_FRAMES = 3
LEAST_LOST = 0.01  # of a harmonic's power, at least, is not coherent: 20 dB
LEAST_HOPS = 6


def followed(bank: Bank, f0_hz: float, *, backwards: bool = False) -> np.ndarray | None:
    """Follow the likeliest course through a note.

    Parameters
    ----------
    bank : Bank
        Its harmonics along a steady base line.
    f0_hz : float > 0
        The base line.
    backwards : bool
        From the end to the beginning.

    Returns
    -------
    ndarray [shape=(n,)] | None
        Cents re the base line at the bank's frames; None when the note is too short.
    """
    hops = bank.b.shape[1] // HOP_FRAMES
    if hops < LEAST_HOPS:
        return None
    if backwards:  # the phase of a sound played backwards runs backwards
        course = followed(replace(bank, b=np.conj(bank.b[:, ::-1])), f0_hz)
        return None if course is None else course[::-1]

    asked = np.flatnonzero((bank.order * f0_hz <= TOP_HZ) | (bank.order <= bank.order[0] + 1))
    b = bank.b[asked].astype(np.complex64)
    # how often the fundamental's phasor is multiplied from one row to the next
    steps = np.diff(bank.order[asked], prepend=0)
    span = HOP_FRAMES * bank.hop_s
    rad = 2.0 * np.pi * f0_hz / CENTS_PER_NEPER  # phase of the fundamental per cent and second
    turn = np.arange(-TURNS, TURNS + 1) * TURN_STEP
    price = 0.5 * (turn / TURN_CENTS) ** 2
    independent = HOP_FRAMES * min(1.0, bank.bandwidth_hz * bank.hop_s)
    kept = np.float32(np.exp(-span / MEMORY_S))

    pitches, slopes = (
        np.arange(-top, top + 1e-9, step)
        for top, step in ((REACH_CENTS, CELL_CENTS), (STEEPEST_CENTS_PER_S, CELL_CENTS_PER_S))
    )
    cents, slope = np.repeat(pitches, len(slopes)), np.tile(slopes, len(pitches))
    phase, likelihood = np.zeros(len(cents)), np.zeros(len(cents))
    level = np.zeros((2, len(b), len(cents)), dtype=np.float32)
    power, weight = np.zeros(len(b), dtype=np.float32), 0.0
    trail = []
    for i in range(hops):
        frames = np.ascontiguousarray(b[:, i * HOP_FRAMES : (i + 1) * HOP_FRAMES].T)
        power = kept * power + (frames.real**2 + frames.imag**2).sum(axis=0)
        weight = float(kept) * weight + HOP_FRAMES
        whole = (weight * power + 1e-30).astype(np.float32)
        best, parent, way = _best_in_cells(
            cents, slope, phase, likelihood, level, frames, steps, whole, kept, bank.hop_s, rad,
            turn, price, independent, len(pitches), len(slopes),
        )  # fmt: skip
        cell = np.flatnonzero(best > best.max() - BEHIND)
        cell = cell[np.argsort(-best[cell], kind="stable")[:SURVIVORS]]
        parent, bend = parent[cell], turn[way[cell]]
        at, rise = cents[parent], slope[parent]
        trail.append((parent, at + 0.5 * span * rise))
        level = _levels_after(
            at, rise, bend, phase[parent], level[:, :, parent], frames, steps, kept, bank.hop_s, rad
        )
        phase = _phase_at.py_func(phase[parent], rad, span, at, rise, bend)
        cents, slope, likelihood = at + span * (rise + 0.5 * span * bend), rise + span * bend, best[cell]

    course, survivor = np.empty(hops), int(np.argmax(likelihood))
    for i in reversed(range(hops)):
        parent, middle = trail[i]
        course[i], survivor = middle[survivor], parent[survivor]
    middles = (np.arange(hops) + 0.5) * HOP_FRAMES - 0.5
    return np.interp(np.arange(bank.b.shape[1]), middles, course)


@numba.njit(cache=True)
def _phase_at(phase, rad, tau, cents, slope, bend):
    """Phase of the fundamental a time after a hop began."""
    return phase + rad * tau * (cents + tau * (slope / 2.0 + tau * bend / 6.0))


@numba.njit(cache=True)
def _back(phase):
    """What turns a fundamental of this phase back to rest."""
    return np.complex64(complex(np.cos(phase), -np.sin(phase)))


@numba.njit(cache=True)
def _best_in_cells(
    cents, slope, phase, likelihood, level, frames, steps, whole, kept, hop_s, rad, turn, price,
    independent, pitches, slopes,
):  # fmt: skip
    """The likeliest way on into each cell of pitch and slope: its likelihood, its parent and its turn."""
    count, rows = frames.shape
    many, span, least = len(cents), count * hop_s, np.float32(LEAST_LOST)
    best = np.full(pitches * slopes, -np.inf)
    parents = np.zeros(pitches * slopes, dtype=np.int64)
    ways = np.zeros(pitches * slopes, dtype=np.int64)
    # all parents side by side, real and imaginary parts apart, so that the processor takes several at once
    steady = np.empty((2, count, many), dtype=np.float32)
    for j in range(count):
        for parent in range(many):
            tau = (j + 0.5) * hop_s
            back = _back(_phase_at(phase[parent], rad, tau, cents[parent], slope[parent], 0.0))
            steady[0, j, parent], steady[1, j, parent] = back.real, back.imag
    real, imag = kept * level[0], kept * level[1]
    one, turned = np.empty_like(steady), np.empty_like(steady)
    new, lost = np.empty((2, many), dtype=np.float32), np.empty(many, dtype=np.float32)
    for way in range(len(turn)):
        for j in range(count):
            back = _back(_phase_at(0.0, rad, (j + 0.5) * hop_s, 0.0, 0.0, turn[way]))
            one[0, j] = steady[0, j] * back.real - steady[1, j] * back.imag
            one[1, j] = steady[0, j] * back.imag + steady[1, j] * back.real
        turned[0], turned[1], lost[:] = 1.0, 0.0, 1.0
        for row in range(rows):
            # loops, not slices: to make one takes longer than to turn a few courses
            over_whole = np.float32(1.0) / whole[row]
            for i in range(many):
                new[0, i], new[1, i] = real[row, i], imag[row, i]
            for j in range(count):
                x, y = frames[j, row].real, frames[j, row].imag
                for _ in range(steps[row]):
                    for i in range(many):
                        u, v = turned[0, j, i], turned[1, j, i]
                        turned[0, j, i] = u * one[0, j, i] - v * one[1, j, i]
                        turned[1, j, i] = u * one[1, j, i] + v * one[0, j, i]
                for i in range(many):
                    new[0, i] += turned[0, j, i] * x - turned[1, j, i] * y
                    new[1, i] += turned[0, j, i] * y + turned[1, j, i] * x
            for i in range(many):
                left = np.float32(1.0) - (new[0, i] * new[0, i] + new[1, i] * new[1, i]) * over_whole
                lost[i] *= left if left > least else least
        for parent in range(many):
            at, rise = cents[parent], slope[parent]
            pitch = round((at + span * (rise + 0.5 * span * turn[way])) / CELL_CENTS) + pitches // 2
            steep = round((rise + span * turn[way]) / CELL_CENTS_PER_S) + slopes // 2
            if not (0 <= pitch < pitches and 0 <= steep < slopes):
                continue
            found = likelihood[parent] - independent * np.log(lost[parent]) - price[way]
            cell = pitch * slopes + steep
            if found > best[cell]:
                best[cell], parents[cell], ways[cell] = found, parent, way
    return best, parents, ways


@numba.njit(cache=True)
def _levels_after(cents, slope, bend, phase, level, frames, steps, kept, hop_s, rad):
    """Levels of each course's harmonics after a hop [shape=(2, rows, courses)], real and imaginary."""
    (count, rows), many = frames.shape, len(cents)
    after = kept * level
    turned, one = np.empty((2, many), dtype=np.float32), np.empty((2, many), dtype=np.float32)
    for j in range(count):
        for course in range(many):
            tau = (j + 0.5) * hop_s
            back = _back(_phase_at(phase[course], rad, tau, cents[course], slope[course], bend[course]))
            one[0, course], one[1, course] = back.real, back.imag
        turned[0], turned[1] = 1.0, 0.0
        for row in range(rows):
            x, y = frames[j, row].real, frames[j, row].imag
            for _ in range(steps[row]):
                for course in range(many):
                    u, v = turned[0, course], turned[1, course]
                    turned[0, course] = u * one[0, course] - v * one[1, course]
                    turned[1, course] = u * one[1, course] + v * one[0, course]
            for course in range(many):
                after[0, row, course] += turned[0, course] * x - turned[1, course] * y
                after[1, row, course] += turned[0, course] * y + turned[1, course] * x
    return after
