r"""Where the direct sound of a note ends, though a room, or others, sound on.

Along its course a note's direct sound is steady. After it the room decays freely, and nothing is steady. So
an end at a frame *t* is a model of the note's harmonics (:mod:`vibstudy.pitch.course`): slow levels and
noise until *t*; from *t* on noise of another power, which falls exponentially (a free decay: Ratnam et al.
2003, doi 10.1121/1.1616578). The likeliest end is taken, of those behind which the note seems not to go on.
Asked for each is the same model whose slow levels, and nothing else, go on over *t*: others may change there
in both, so that a new chord of the piano ends no note, and levels may bend towards *t* in both. Held against
levels that bend at the last frame alone, free decay seemed the less likely in the last tenth of a second of
many a note: in the middle of a hall with a piano as loud one end in six was more than 0.1 s late.

By how much levels that go on are likelier is about known in either case, but for chance. If the note ended,
they gain one for each complex coefficient that they have more, with as much variance (Wilks 1938, Ann. Math.
Stat. 9:60-62). If it goes on, they gain besides what levels say within the note, or less where there is more
noise behind, with twice as much variance (a known sound in Gaussian noise). By how much the line of pitch
outlasts a note is not known even roughly: the odds of an end fall as one over the time behind it.

In simulated rooms (``benchmarks/rooms.py``, seed 71502) 90 of 100 notes are told to end within -50 to 60 ms
of the truth near, and within -190 to 75 ms in the middle of a room, silences found within them included;
their tails sound on for 0.1 to 1 s.
"""

from __future__ import annotations

import numba
import numpy as np

from vibstudy.pitch.calculus import solve_root, to_root
from vibstudy.pitch.course import ATTACK_S, FLOOR, LEVEL_HZ, RELEASE_S, Bank

DECAYS_S = (np.inf, 4.0, 2.0, 1.2, 0.7, 0.4, 0.2)
"""Times in which a room falls by 60 dB; infinite: others sound."""
NEPERS_60_DB = float(np.log(1e6))
LEAST_SHARE = 0.3  # of the note: with less before its end there would be nothing to compare with
EVERY = 5  # frames from one end that is tried to the next: 16 ms


def last_frame(bank: Bank, least_frames: int) -> int:
    """Tell how many frames of a note there are until its direct sound ends.

    What sounds on blurs the levels before it, so the rest is asked again until nothing more is taken.

    Parameters
    ----------
    bank : Bank
        Its harmonics along its course, of `n` frames from its onset to where it may have ended already.
    least_frames : int [range 1..n]
        At least so many are left: levels can be fitted to no shorter note.

    Returns
    -------
    int [range least_frames..n]
        Frames from the onset to the end; `n` where there is none before.
    """
    n = bank.b.shape[1]
    last = _end(bank, least_frames)
    return last if last == n else last_frame(bank.until(last), least_frames)


def _end(bank: Bank, least_frames: int) -> int:
    """The likeliest end; the number of frames where there is none before."""
    rows, n = bank.b.shape
    ends = np.arange(max(least_frames, int(LEAST_SHARE * n)), n - EVERY, EVERY)
    if not len(ends):
        return n
    power = bank.b.real**2 + bank.b.imag**2
    floor = FLOOR * bank.total / n
    rest = bank.b - (bank.b @ bank.levels) @ bank.levels.T
    rest_power = np.ascontiguousarray((rest.real**2 + rest.imag**2 + floor[:, None]).T)
    independent = bank.coloured(rest) / n  # values a frame, of each row
    until = np.cumsum(power, axis=1)[:, ends - 1].T
    values = np.ascontiguousarray(np.concatenate([bank.b.real, bank.b.imag]).T)
    steady = _steady_until(values, bank.hop_s, ends)
    left = np.maximum(until - steady[:, :rows] - steady[:, rows:], 0.0) + floor * ends[:, None]
    cost = ends * (np.log(left / ends[:, None]) @ independent)
    cost += _decaying(np.ascontiguousarray(power.T + floor), bank.hop_s, ends, independent)
    levels = np.ascontiguousarray(bank.levels)
    going, behind = _going_on(values, levels, rest_power, floor, bank.hop_s, ends, independent)
    # what is left of noise is less by what levels explain of it
    free = 3.0 + 2.0 * LEVEL_HZ * bank.hop_s * ends[:, None]
    noise_share = 1.0 - free / np.maximum(independent * ends[:, None], free + 1.0)
    over_noise = np.maximum(until / left * noise_share - 1.0, 0.0)
    behind_noise = over_noise * left / noise_share / ends[:, None] / behind
    said = np.minimum(np.log1p(over_noise) @ independent, np.log1p(behind_noise) @ independent)
    chance = rows * (1.0 + 2.0 * LEVEL_HZ * bank.hop_s * (n - ends))
    cost[_goes_on(cost - going, chance, chance + (n - ends) * said, (n - ends) / EVERY)] = np.inf
    best = int(np.argmin(cost))
    whole = n * float(np.log(rest_power.mean(axis=0)) @ independent)
    return int(ends[best]) if cost[best] < whole else n


def _goes_on(gained: np.ndarray, chance: np.ndarray, expected: np.ndarray, late: np.ndarray) -> np.ndarray:
    """Tell of ends whether the note is likelier to go on, by what its levels gained behind.

    Of them the gains are known that are to be expected by chance, and of a note that goes on; `late`: how
    many times less likely an end is than none before anything is heard.
    """
    ended = 0.5 * (np.maximum(gained - chance, 0.0) ** 2 / chance + np.log(chance)) + np.log(late)
    on = 0.25 * np.maximum(expected - gained, 0.0) ** 2 / expected + 0.5 * np.log(2.0 * expected)
    return ~(ended <= on)  # nor where nothing is known


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
def _going_on(values, levels, power, floor, hop_s, ends, independent):
    """Cost of slow levels that go on over each end [ends]; power of what is left behind it [ends, rows].

    Levels [n, m] may bend towards the end. They are the likeliest for the noise before and behind, as it is
    found with levels that do not bend: `power` [n, rows]. What is before and behind an end differs by few
    frames from what is before and behind the last one, so sums over frames go on from there.
    """
    (n, columns), m = values.shape, levels.shape[1]
    rows, raised = columns // 2, _raised(n, hop_s)
    bend = np.exp(-hop_s / RELEASE_S * np.arange(n - 1.0, -1.0, -1.0))
    # before the end and behind it: sums of the levels' products, and theirs with the values
    grams, dots = np.zeros((2, m + 1, m + 1)), np.zeros((2, m + 1, columns))
    squares, noise, done = np.zeros(columns), np.zeros((2, rows)), 0
    grams[1, :m, :m], dots[1, :m] = np.dot(levels.T, levels), np.dot(levels.T, values)
    for i in range(n):
        noise[1] += power[i]
    costs, behind, level = np.zeros(len(ends)), np.zeros((len(ends), rows)), np.empty((m + 1, columns))
    for number in range(len(ends)):
        end = ends[number]
        added = np.dot(levels[done:end].T, levels[done:end]), np.dot(levels[done:end].T, values[done:end])
        for side, sign in ((0, 1.0), (1, -1.0)):
            grams[side, :m, :m] += sign * added[0]
            dots[side, :m] += sign * added[1]
            for i in range(done, end):
                noise[side] += sign * power[i]
        for i in range(done, end):
            squares += values[i] ** 2
        done, bent = end, bend[n - end :]
        grams[0, m, :m], grams[0, m, m] = np.dot(bent, levels[:end]), np.dot(bent, bent)
        dots[0, m] = np.dot(bent, values[:end])
        for row in range(rows):
            weight = (noise[0, row] / end) / (noise[1, row] / (n - end))
            root = grams[0] + weight * grams[1]
            to_root(root)
            for at in (row, rows + row):
                level[:, at] = dots[0, :, at] + weight * dots[1, :, at]
            own = level[:, row::rows]
            solve_root(root, own)
            before = end * floor[row]
            for part in range(2):
                for a in range(m, -1, -1):
                    for b in range(a + 1, m + 1):
                        own[a, part] -= root[b, a] * own[b, part]
                    own[a, part] /= root[a, a]
                before += squares[row + part * rows]
                for a in range(m + 1):
                    each = grams[0, a, a] * own[a, part] - 2.0 * dots[0, a, row + part * rows]
                    for b in range(a):
                        each += 2.0 * grams[0, a, b] * own[b, part]
                    before += own[a, part] * each
            costs[number] += independent[row] * end * np.log(before / end)
        rest = values[end:] - np.dot(levels[end:], level[:m])
        left = rest[:, :rows] ** 2 + rest[:, rows:] ** 2 + floor
        behind[number] = left.sum(axis=0) / (n - end)
        costs[number] += _decay_cost(np.dot(raised[end:].T, left), n - end, hop_s, independent)
    return costs, behind


@numba.njit(cache=True)
def _decaying(power, hop_s, ends, independent):
    """Cost of rows [n, rows] as noise that decays from each end on [shape=(ends,)]."""
    n, rows = power.shape
    raised, out = _raised(n, hop_s), np.empty(len(ends))
    after, begun = np.zeros((len(DECAYS_S), rows)), n
    for i in range(len(ends) - 1, -1, -1):
        after += np.dot(raised[ends[i] : begun].T, power[ends[i] : begun])
        begun = ends[i]
        out[i] = _decay_cost(after, n - begun, hop_s, independent)
    return out


@numba.njit(cache=True)
def _raised(n, hop_s):
    """By what powers are raised to what they would be at the last frame, by `DECAYS_S` [n, decays]."""
    out = np.empty((n, len(DECAYS_S)))
    for i in range(n):
        for at, decay_s in enumerate(DECAYS_S):
            out[i, at] = np.exp(-NEPERS_60_DB / decay_s * hop_s * (n - 1 - i))
    return out


@numba.njit(cache=True)
def _decay_cost(after, count, hop_s, independent):
    """Cost of noise that decays for `count` frames, by the likeliest of `DECAYS_S`.

    Of a row whose variance is ``v exp(-d t)``: the sum of its logarithm over frames, *v* being the likeliest.
    `after` [decays, rows]: power, raised, of all frames.
    """
    least, from_last = np.inf, hop_s * 0.5 * count * (count - 1)  # sum over frames of the time to the last
    for at, decay_s in enumerate(DECAYS_S):
        cost = 0.0
        for row in range(len(independent)):
            cost += independent[row] * np.log(after[at, row] / count)
        least = min(least, count * cost + independent.sum() * NEPERS_60_DB / decay_s * from_last)
    return least
