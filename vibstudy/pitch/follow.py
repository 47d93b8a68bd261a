r"""A rough course of the pitch, followed through a note whose harmonics a room or other players cover.

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
    b = bank.b[asked, : hops * HOP_FRAMES].astype(np.complex64)
    # how often the fundamental's phasor is multiplied from one row to the next
    steps = np.diff(bank.order[asked], prepend=0)
    independent = HOP_FRAMES * min(1.0, bank.bandwidth_hz * bank.hop_s)
    rad = 2.0 * np.pi * f0_hz / CENTS_PER_NEPER  # phase of the fundamental per cent and second
    pitches = np.arange(-REACH_CENTS, REACH_CENTS + 1e-9, CELL_CENTS)
    slopes = np.arange(-STEEPEST_CENTS_PER_S, STEEPEST_CENTS_PER_S + 1e-9, CELL_CENTS_PER_S)
    cents, slope = np.repeat(pitches, len(slopes)), np.tile(slopes, len(pitches))
    b = b.reshape(len(b), hops, HOP_FRAMES)
    course = _followed(b, steps, bank.hop_s, rad, independent, cents, slope, len(pitches), len(slopes))
    middles = (np.arange(hops) + 0.5) * HOP_FRAMES - 0.5
    return np.interp(np.arange(bank.b.shape[1]), middles, course)


@numba.njit(cache=True, error_model="numpy", fastmath={"contract"})
def _followed(b, steps, hop_s, rad, independent, cents, slope, pitches, slopes):
    """Cents at the middle of every hop of the likeliest course; `b` [rows, hops, frames of a hop].

    `cents`, `slope`: of the cells, where courses begin; `pitches`, `slopes`: how many there are of each.
    Loops are quicker to compile than expressions of arrays.
    """
    rows, hops, count = b.shape
    span = count * hop_s
    kept = np.float32(np.exp(-span / MEMORY_S))
    bent = _bent(steps, hop_s, rad)
    many = len(cents)
    phase, likelihood = np.zeros(many), np.zeros(many)
    level = np.zeros((rows, 2, many), dtype=np.float32)
    power, whole, weight = np.zeros(rows, dtype=np.float32), np.empty(rows), 0.0
    parents = np.empty((hops, max(many, SURVIVORS)), dtype=np.int32)
    middles = np.empty((hops, max(many, SURVIVORS)))
    for i in range(hops):
        weight = kept * weight + count
        for row in range(rows):
            power[row] *= kept
            for j in range(count):
                power[row] += b[row, i, j].real ** 2 + b[row, i, j].imag ** 2
        back = _turned_back(b[:, i], steps, cents, slope, phase, hop_s, rad)
        for row in range(rows):
            for k in range(len(cents)):
                level[row, 0, k] *= kept
                level[row, 1, k] *= kept
            whole[row] = weight * power[row]
        lost, opposite = _lost(level, back, bent, whole)
        best, parent, way = _best_in_cells(
            cents, slope, likelihood, lost, opposite, span, independent, pitches, slopes
        )
        cell = _survivors(best)
        level = _levels_after(level, back, bent, parent, way, cell)
        state = np.empty((4, len(cell)))
        for k in range(len(cell)):
            before, bend = parent[cell[k]], way[cell[k]] * TURN_STEP
            at, rise = cents[before], slope[before]
            parents[i, k], middles[i, k] = before, at + 0.5 * span * rise
            state[0, k] = at + span * (rise + 0.5 * span * bend)
            state[1, k] = rise + span * bend
            state[2, k] = _phase_at(phase[before], rad, span, at, rise, bend)
            state[3, k] = best[cell[k]]
        cents, slope, phase, likelihood = state[0], state[1], state[2], state[3]
    course, survivor = np.empty(hops), 0
    for k in range(len(likelihood)):
        survivor = k if likelihood[k] > likelihood[survivor] else survivor
    for i in range(hops - 1, -1, -1):
        course[i], survivor = middles[i, survivor], int(parents[i, survivor])
    return course


@numba.njit(cache=True, error_model="numpy", fastmath={"contract"})
def _survivors(best):
    """The likeliest cells, in order: those not too far behind the first, and no more than `SURVIVORS`."""
    high = -np.inf
    for likelihood in best:
        high = max(high, likelihood)
    low, count = high - BEHIND, 0
    near = np.empty(len(best))
    for likelihood in best:
        if likelihood >= low:
            near[count] = likelihood
            count += 1
    near = near[:count]
    for _ in range(50):  # halves the interval in which the least one's likelihood lies
        if count <= SURVIVORS:
            break
        middle, above = 0.5 * (low + high), 0
        for likelihood in near:
            above += 1 if likelihood >= middle else 0
        if above >= SURVIVORS:
            low, count = middle, above
        else:
            high = middle
    cells, found = np.empty(min(count, SURVIVORS), dtype=np.int64), 0
    for cell in range(len(best)):
        if best[cell] >= low and found < len(cells):
            cells[found] = cell
            found += 1
    return cells


@numba.njit(cache=True, error_model="numpy", fastmath={"contract"})
def _phase_at(phase, rad, tau, cents, slope, bend):
    """Phase of the fundamental a time after a hop began."""
    return phase + rad * tau * (cents + tau * (slope / 2.0 + tau * bend / 6.0))


@numba.njit(cache=True, error_model="numpy", fastmath={"contract"})
def _bent(steps, hop_s, rad):
    """What turns each row back by a bend alone [shape=(rows, ways, frames of a hop, 2)]; no bend at first."""
    out = np.empty((len(steps), TURNS + 1, HOP_FRAMES, 2), dtype=np.float32)
    order = np.cumsum(steps)
    for row in range(len(steps)):
        for way in range(TURNS + 1):
            for j in range(HOP_FRAMES):
                phase = order[row] * _phase_at(0.0, rad, (j + 0.5) * hop_s, 0.0, 0.0, way * TURN_STEP)
                out[row, way, j, 0], out[row, way, j, 1] = np.cos(phase), -np.sin(phase)
    return out


@numba.njit(cache=True, error_model="numpy", fastmath={"contract"})
def _turned_back(frames, steps, cents, slope, phase, hop_s, rad):
    """Rows of a hop turned back along each course, as if it went on straight.

    Shape (rows, frames of a hop, 2, courses), real and imaginary parts apart: all courses side by side, so
    that the processor takes several at once.
    """
    (rows, count), many = frames.shape, len(cents)
    out = np.empty((rows, count, 2, many), dtype=np.float32)
    one, turned = np.empty((2, many), dtype=np.float32), np.empty((2, many), dtype=np.float32)
    for j in range(count):
        _phasors(phase, rad, (j + 0.5) * hop_s, cents, slope, one)
        turned[0], turned[1] = 1.0, 0.0
        for row in range(rows):
            x, y = frames[row, j].real, frames[row, j].imag
            for _ in range(steps[row]):
                for i in range(many):
                    u, v = turned[0, i], turned[1, i]
                    turned[0, i] = u * one[0, i] - v * one[1, i]
                    turned[1, i] = u * one[1, i] + v * one[0, i]
            for i in range(many):
                out[row, j, 0, i] = turned[0, i] * x - turned[1, i] * y
                out[row, j, 1, i] = turned[0, i] * y + turned[1, i] * x
    return out


@numba.njit(cache=True, error_model="numpy", fastmath={"contract"})
def _phasors(phase, rad, tau, cents, slope, out):
    """Cosine and minus sine of :func:`_phase_at` without bend, into `out` [2, courses].

    By their series up to a quarter turn, and of twice that: the processor takes several at once, as it
    cannot of the library's.
    """
    real, imag = out[0], out[1]
    for i in range(len(real)):
        turns = (phase[i] + rad * tau * (cents[i] + tau * slope[i] / 2.0)) / (2.0 * np.pi)
        x = np.pi * (turns - np.floor(turns + 0.5))
        y = x * x
        sine = x * (1 - y / 6 * (1 - y / 20 * (1 - y / 42 * (1 - y / 72 * (1 - y / 110)))))
        cosine = 1 - y / 2 * (1 - y / 12 * (1 - y / 30 * (1 - y / 56 * (1 - y / 90 * (1 - y / 132)))))
        real[i], imag[i] = cosine * cosine - sine * sine, -2.0 * sine * cosine


@numba.njit(cache=True, error_model="numpy", fastmath={"contract"})
def _lost(level, back, bent, whole):
    """Share of the power that is not coherent, all rows multiplied [shape=(ways, courses), twice].

    With each bend, and with its opposite: both share their products. The three frames of a hop are
    written out, so that all courses stand side by side in the innermost loop.
    """
    (rows, ways), many = bent.shape[:2], level.shape[2]
    there, opposite = np.ones((ways, many), dtype=np.float32), np.ones((ways, many), dtype=np.float32)
    least, one = np.float32(LEAST_LOST), np.float32(1.0)
    for row in range(rows):
        over_whole = one / np.float32(whole[row] + 1e-30)
        real, imag = level[row, 0], level[row, 1]
        x0, x1, x2 = back[row, 0, 0], back[row, 1, 0], back[row, 2, 0]
        y0, y1, y2 = back[row, 0, 1], back[row, 1, 1], back[row, 2, 1]
        for way in range(ways):
            u0, u1, u2 = bent[row, way, 0, 0], bent[row, way, 1, 0], bent[row, way, 2, 0]
            v0, v1, v2 = bent[row, way, 0, 1], bent[row, way, 1, 1], bent[row, way, 2, 1]
            left, right = there[way], opposite[way]
            for i in range(many):
                a = real[i] + x0[i] * u0 + x1[i] * u1 + x2[i] * u2
                b = imag[i] + y0[i] * u0 + y1[i] * u1 + y2[i] * u2
                c = y0[i] * v0 + y1[i] * v1 + y2[i] * v2
                d = x0[i] * v0 + x1[i] * v1 + x2[i] * v2
                share = one - ((a - c) * (a - c) + (b + d) * (b + d)) * over_whole
                left[i] *= share if share > least else least
                share = one - ((a + c) * (a + c) + (b - d) * (b - d)) * over_whole
                right[i] *= share if share > least else least
    return there, opposite


@numba.njit(cache=True, error_model="numpy", fastmath={"contract"})
def _best_in_cells(cents, slope, likelihood, lost, opposite, span, independent, pitches, slopes):
    """The likeliest way on into each cell of pitch and slope: its likelihood, its parent and its turn."""
    cells, many, most = pitches * slopes, len(cents), likelihood.max()
    # held against one another as powers, so that a logarithm is only taken of the best of each cell
    best, weight, score = np.zeros(cells), np.empty(many), np.empty(many)
    parents, ways = np.zeros(cells, dtype=np.int64), np.zeros(cells, dtype=np.int64)
    cell = np.empty(many, dtype=np.int64)
    for parent in range(many):
        weight[parent] = np.exp((likelihood[parent] - most) / independent)
    for way in range(-TURNS, TURNS + 1):
        bend = way * TURN_STEP
        price = np.exp(-0.5 * (bend / TURN_CENTS) ** 2 / independent)
        left = (lost if way > 0 else opposite)[abs(way)]
        for parent in range(many):
            at, rise = cents[parent], slope[parent]
            pitch = np.floor((at + span * (rise + 0.5 * span * bend)) / CELL_CENTS + 0.5) + pitches // 2
            steep = np.floor((rise + span * bend) / CELL_CENTS_PER_S + 0.5) + slopes // 2
            inside = (pitch >= 0) & (pitch < pitches) & (steep >= 0) & (steep < slopes)
            score[parent] = weight[parent] * price / left[parent] if inside else 0.0
            cell[parent] = int(pitch * slopes + steep) if inside else 0
        for parent in range(many):
            if score[parent] > best[cell[parent]]:
                best[cell[parent]] = score[parent]
                parents[cell[parent]], ways[cell[parent]] = parent, way
    for at in range(cells):
        best[at] = most + independent * np.log(best[at]) if best[at] > 0.0 else -np.inf
    return best, parents, ways


@numba.njit(cache=True, error_model="numpy", fastmath={"contract"})
def _levels_after(level, back, bent, parent, way, cell):
    """Levels of each course's harmonics after a hop [shape=(rows, 2, courses)]."""
    rows, many = len(back), len(cell)
    out = np.empty((rows, 2, many), dtype=np.float32)
    before, bend, sign = parent[cell], np.abs(way[cell]), np.empty(many, dtype=np.float32)
    for i in range(many):
        sign[i] = 1.0 if way[cell[i]] > 0 else -1.0
    for row in range(rows):
        real, imag, own, turn = level[row, 0], level[row, 1], back[row], bent[row]
        left, right = out[row, 0], out[row, 1]
        for i in range(many):
            left[i], right[i] = real[before[i]], imag[before[i]]
        for j in range(len(own)):
            x, y, u, v = own[j, 0], own[j, 1], turn[:, j, 0], turn[:, j, 1]
            for i in range(many):
                a, b, c, d = x[before[i]], y[before[i]], u[bend[i]], sign[i] * v[bend[i]]
                left[i] += a * c - b * d
                right[i] += a * d + b * c
    return out
