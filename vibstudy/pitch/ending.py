r"""Where the direct sound of a note ends, though a room, or others, sound on.

Along its course a note's direct sound is steady. After it the room decays freely, and nothing is steady. So
an end at a frame *t* is a model of the note's harmonics (:mod:`vibstudy.pitch.course`): slow levels and
noise until *t*; from *t* on noise of another power, which falls exponentially (a free decay: Ratnam et al.
2003, doi 10.1121/1.1616578). The likeliest end is taken, of those behind which the sound does not go on as
the note does. If it went on, slow levels would be likelier there than a free decay by what they say within
the note, or by less where there is more noise behind; if it ended, by nothing. Half-way between lies as far
from the one as from the other (`HALF`). What levels and course gain because they are free is taken off
first: where there is nothing, a half for each of their coefficients on average (Wilks 1938, Ann. Math. Stat.
9:60-62). So a new chord of the piano, which changes the noise, ends no note. (Charged as a choice of model
is, several times as much, a note that others half cover seemed to say nothing while it sounds, and ended:
in the middle of a hall with a piano as loud, one in six.)

In simulated rooms (``benchmarks/rooms.py``) 90 of 100 notes end within -50 to 60 ms of the truth near, and
within -75 to 80 ms (a church 240) in the middle of a hall; their tails sound on for 0.1 to 1 s.
"""

from __future__ import annotations

import numba
import numpy as np

from vibstudy.pitch.calculus import solve_root, to_root
from vibstudy.pitch.course import ATTACK_S, COURSE_HZ, FLOOR, LEVEL_HZ, RELEASE_S, Bank

DECAYS_S = (np.inf, 4.0, 2.0, 1.2, 0.7, 0.4, 0.2)
"""Times in which a room falls by 60 dB; infinite: others sound."""
NEPERS_60_DB = float(np.log(1e6))
HALF = 0.5
LEAST_SHARE = 0.3  # of the note: with less before its end there would be nothing to compare with
EVERY = 5  # frames from one end that is tried to the next: 16 ms


def last_frame(bank: Bank, least_frames: int) -> int:
    """Tell how many frames of a note there are until its direct sound ends.

    What sounds on blurs the levels before it, so the rest is asked again until nothing more is taken.

    Parameters
    ----------
    bank : Bank
        Its harmonics along its course.
    least_frames : int
        At least so many are left.
    """
    n = bank.b.shape[1]
    last = _end(bank, least_frames)
    return last if last == n else last_frame(bank.until(last), least_frames)


def _end(bank: Bank, least_frames: int) -> int:
    """The likeliest end; the number of frames where there is none before."""
    n = bank.b.shape[1]
    ends = np.arange(max(least_frames, int(LEAST_SHARE * n)), n - EVERY, EVERY)
    if not len(ends):
        return n
    power = bank.b.real**2 + bank.b.imag**2
    floor = FLOOR * bank.total / n
    rest = bank.b - (bank.b @ bank.levels) @ bank.levels.T
    rest_power = rest.real**2 + rest.imag**2 + floor[:, None]
    independent = bank.coloured(rest) / n  # values a frame, of each row
    until = np.cumsum(power, axis=1)[:, ends - 1].T
    values = np.concatenate([bank.b.real, bank.b.imag]).T
    steady = _steady_until(np.ascontiguousarray(values), bank.hop_s, ends)
    left = (
        np.maximum(until - steady[:, : len(bank.b)] - steady[:, len(bank.b) :], 0.0) + floor * ends[:, None]
    )
    free = _decaying(power + floor[:, None], bank.hop_s, ends, independent)
    going = _decaying(rest_power, bank.hop_s, ends, independent)
    cost = ends * (np.log(left / ends[:, None]) @ independent) + free
    charge = _free_a_second(len(bank.b)) * bank.hop_s
    gained = (free - going) / (n - ends) - charge
    behind = np.cumsum(rest_power[:, ::-1], axis=1)[:, ::-1][:, ends].T / (n - ends)[:, None]
    within = np.log(until / left) @ independent
    going_on = np.log1p((until - left) / ends[:, None] / behind) @ independent
    cost[gained > HALF * (np.minimum(within, going_on) - charge)] = np.inf
    best = int(np.argmin(cost))
    whole = n * float(np.log(rest_power.mean(axis=1)) @ independent)
    return int(ends[best]) if cost[best] < whole else n


def _free_a_second(rows: int) -> float:
    """What slow levels of so many rows and a course gain a second where there is nothing."""
    levels, course = 2 * 2.0 * LEVEL_HZ, 2.0 * COURSE_HZ  # coefficients a second: levels are complex
    return 0.5 * (levels * rows + course)


@numba.njit(cache=True)
def _steady_until(values, hop_s, ends):
    """Power times frames of each column [n, columns] until each end that slow levels explain.

    Of :func:`vibstudy.pitch.course.slow_levels`, which are other ones for each end. Shape (ends, columns).
    """
    columns = values.shape[1]
    out = np.zeros((len(ends), columns))
    for number in range(len(ends)):
        end = ends[number]
        span = (end - 1) * hop_s
        count = 3 + int(2.0 * LEVEL_HZ * span)
        gram, dots, level = np.zeros((count, count)), np.zeros((count, columns)), np.empty(count)
        for i in range(end):
            turn = np.cos(np.pi * i / (end - 1))
            level[0], level[1] = 1.0, turn
            for j in range(2, count - 2):
                level[j] = 2.0 * turn * level[j - 1] - level[j - 2]
            level[count - 2] = np.exp(-i * hop_s / ATTACK_S)
            level[count - 1] = np.exp(-(end - 1 - i) * hop_s / RELEASE_S)
            for a in range(count):
                for b in range(a + 1):
                    gram[a, b] += level[a] * level[b]
                for column in range(columns):
                    dots[a, column] += level[a] * values[i, column]
        to_root(gram)  # by which levels become orthonormal
        solve_root(gram, dots)
        for a in range(count):
            for column in range(columns):
                out[number, column] += dots[a, column] ** 2
    return out


@numba.njit(cache=True)
def _decaying(power, hop_s, ends, independent):
    """Cost of rows as noise that decays from each end on, by the likeliest of `DECAYS_S` [shape=(ends,)].

    Of a row whose variance is ``v exp(-d t)``: the sum of its logarithm over frames, *v* being the likeliest.
    """
    rows, n = power.shape
    out, whole = np.full(len(ends), np.inf), independent.sum()
    for decay_s in DECAYS_S:
        fall, costs = NEPERS_60_DB / decay_s, np.zeros(len(ends))
        # raised to what they would be at the last frame
        raised = np.exp(-fall * hop_s * np.arange(n - 1, -1, -1))
        for row in range(rows):
            after, frame = 0.0, n
            for i in range(len(ends) - 1, -1, -1):
                while frame > ends[i]:
                    frame -= 1
                    after += power[row, frame] * raised[frame]
                costs[i] += independent[row] * np.log(after / (n - ends[i]))
        for i in range(len(ends)):
            count = n - ends[i]
            from_last = hop_s * 0.5 * count * (count - 1)  # sum over frames of the time to the last
            out[i] = min(out[i], count * costs[i] + whole * fall * from_last)
    return out
