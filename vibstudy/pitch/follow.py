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

import numpy as np

from vibstudy.pitch.course import Bank
from vibstudy.pitch.refine import CENTS_PER_NEPER

REACH_CENTS = 132.0  # about the note's pitch: a vibrato of ±100 cents, a third of it off centre
STEEPEST_CENTS_PER_S = 2700.0  # ±100 cents at 4.3 Hz, ±60 at 7 Hz
CELL_CENTS, CELL_CENTS_PER_S = 4.0, 250.0
"""About a quarter of a line's width over the memory, in the highest harmonic asked."""
TURNS, TURN_STEP = 5, 16_000.0  # accelerations each way, and their step, cents per s²
TURN_CENTS = 52_000.0
"""Standard deviation of the acceleration, cents per s²: that of ±50 cents at 6 Hz."""
SURVIVORS = 500
"""In simulated rooms with the tail as loud as the direct sound (``benchmarks/rooms.py``, takes of a seed of
their own) one note in eight goes astray with 150, one in 24 with 400, one in 33 with 1,000."""
MEMORY_S = 0.1  # 0.08 to 0.12 s find as many courses, 0.2 s fewer: wide vibratos lose their way
TOP_HZ = 5000.0  # up to 3,500 Hz twice as many go astray; beyond, phases turn too far in a cell
HOP_FRAMES = 2
LEAST_LOST = 0.01  # of a harmonic's power is never coherent: 20 dB
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

    grid = np.meshgrid(
        np.arange(-REACH_CENTS, REACH_CENTS + 1e-9, CELL_CENTS),
        np.arange(-STEEPEST_CENTS_PER_S, STEEPEST_CENTS_PER_S + 1e-9, CELL_CENTS_PER_S),
        indexing="ij",
    )
    cents, slope = (axis.ravel() for axis in grid)
    phase, likelihood = np.zeros(len(cents)), np.zeros(len(cents))
    level = np.zeros((len(b), len(cents)), dtype=np.complex64)
    power, weight = np.zeros(len(b), dtype=np.float32), 0.0
    trail = []
    for i in range(hops):
        frames = b[:, i * HOP_FRAMES : (i + 1) * HOP_FRAMES]
        power = kept * power + (frames.real**2 + frames.imag**2).sum(axis=1)
        weight = float(kept) * weight + HOP_FRAMES
        parent, way = np.nonzero(np.abs(slope[:, None] + turn * span) <= STEEPEST_CENTS_PER_S)
        at, rise, bend = cents[parent], slope[parent], turn[way]
        next_level = kept * level[:, parent]
        for j in range(HOP_FRAMES):
            tau = (j + 0.5) * bank.hop_s
            psi = phase[parent] + rad * tau * (at + tau * (rise / 2.0 + tau * bend / 6.0))
            one = np.exp(-1j * psi).astype(np.complex64)
            turned = np.ones_like(one)
            for row, times in enumerate(steps):
                for _ in range(times):
                    turned = turned * one
                next_level[row] += frames[row, j] * turned
        coherent = next_level.real**2 + next_level.imag**2
        coherent /= (weight * power + 1e-30)[:, None]
        gain = np.log(np.maximum(1.0 - coherent, LEAST_LOST)).sum(axis=0)
        next_likelihood = likelihood[parent] - independent * gain - price[way]
        next_cents = at + span * (rise + 0.5 * span * bend)
        next_slope = rise + span * bend
        next_likelihood[np.abs(next_cents) > REACH_CENTS] = -np.inf
        best = _survivors(next_likelihood, next_cents, next_slope)
        trail.append((parent[best], at[best] + 0.5 * span * rise[best]))
        phase = phase[parent[best]] + rad * span * (
            at[best] + span * (rise[best] / 2.0 + span * bend[best] / 6.0)
        )
        cents, slope = next_cents[best], next_slope[best]
        level, likelihood = next_level[:, best], next_likelihood[best]

    course, survivor = np.empty(hops), int(np.argmax(likelihood))
    for i in reversed(range(hops)):
        parent, middle = trail[i]
        course[i], survivor = middle[survivor], parent[survivor]
    middles = (np.arange(hops) + 0.5) * HOP_FRAMES - 0.5
    return np.interp(np.arange(bank.b.shape[1]), middles, course)


def _survivors(likelihood: np.ndarray, cents: np.ndarray, slope: np.ndarray) -> np.ndarray:
    """Which courses go on: the likeliest of each cell of pitch and slope, the likeliest first."""
    most = min(8 * SURVIVORS, len(likelihood))
    likely = np.argpartition(-likelihood, most - 1)[:most]
    likely = likely[np.argsort(-likelihood[likely], kind="stable")]
    across = 2 * int(STEEPEST_CENTS_PER_S / CELL_CENTS_PER_S) + 3
    cell = np.rint(cents[likely] / CELL_CENTS) * across + np.rint(slope[likely] / CELL_CENTS_PER_S)
    first = np.unique(cell, return_index=True)[1]
    return likely[np.sort(first)[:SURVIVORS]]
