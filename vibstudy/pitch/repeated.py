r"""Where a note is begun anew, though a room fills the silence before it.

A room's tail, or others, sound on between two notes on one pitch, so that their level hardly dips. But along
the found course the direct sound is steady, and in the silence it is not there. So a silence within a note is
a model of its harmonics (:mod:`vibstudy.pitch.course`): the same slow levels, from which the frames of the
silence are left out, where there is noise alone. Both models have as many levels, and one power of the noise,
for a room's tail is about as strong just after the direct sound as beside it. So the silence gains

.. math:: \sum_k N_k \ln\frac{\|b_k - P_k\|^2}{\|b_k - G P_k\|^2}

in log likelihood, *G* the gate and *P* each model's likeliest levels; they may follow the course and its
slope, as loudness vibrato does, whose troughs are no silences. What it is charged for its two ends is half
the logarithm of the number of values for each (Schwarz 1978, Ann. Stat. 6:461-464).
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np

from vibstudy.pitch.calculus import solve_root, to_root
from vibstudy.pitch.course import FLOOR, Bank, power_of
from vibstudy.pitch.refine import CENTS_PER_NEPER

EVERY = 4  # frames from one end that is tried to the next: 14 ms
LONGEST_S = 0.25  # the longest rest that the line of held pitches was seen to hold through
LEAST_S = 0.12  # on either side: a shorter note is an ornament


@dataclass(frozen=True, eq=False)
class Silences:
    """What silences within a note gain in log likelihood.

    Parameters
    ----------
    begin_s, end_s : ndarray [shape=(n,)]
        Of each silence that was tried, s from the first sample.
    gain : ndarray [shape=(n,)]
        What it gains.
    charge : float
        What it must gain.
    """

    begin_s: np.ndarray
    end_s: np.ndarray
    gain: np.ndarray
    charge: float

    def likeliest(self) -> tuple[float, float] | None:
        """Begin and end of the likeliest one, s; None where the note as one is likelier."""
        if not self.gain.max(initial=-np.inf) > self.charge:
            return None
        best = int(np.argmax(self.gain))
        return float(self.begin_s[best]), float(self.end_s[best])

    def near(self, at_s: float, within_s: float) -> bool:
        """Tell whether one about a time, or within so much of it, is likelier than none."""
        close = (self.begin_s - within_s < at_s) & (at_s < self.end_s + within_s)
        return bool(np.any(self.gain[close] > self.charge))


def silences(bank: Bank, onset_s: float) -> Silences:
    """Try silences within a note.

    Parameters
    ----------
    bank : Bank
        Its harmonics along its course.
    onset_s : float
        Where it begins, s from the first sample.
    """
    cents = CENTS_PER_NEPER * np.log(bank.base_hz / bank.base_hz[0])
    bank = bank.reflected(np.column_stack([cents, np.gradient(cents)]))
    n, least, longest = len(bank.time_s), round(LEAST_S / bank.hop_s), round(LONGEST_S / bank.hop_s)
    begins = np.arange(least, n - least - EVERY, EVERY)
    lengths = np.arange(EVERY, longest + 1, EVERY)
    rest = bank.b - (bank.b @ bank.levels) @ bank.levels.T
    floor = FLOOR * bank.total
    counts = bank.coloured(rest)
    values = np.ascontiguousarray(np.concatenate([bank.b.real, bank.b.imag]).T)
    lost = _lost(values, np.ascontiguousarray(bank.levels), bank.total, begins, lengths, n - least)
    # rounding may leave less than nothing of what is all steady
    lost = np.maximum(np.nan_to_num(lost, nan=np.inf), 0.0) + floor
    gain = np.log((power_of(rest) + floor) / lost) @ counts
    at, length = (each.ravel() for each in np.meshgrid(begins, lengths, indexing="ij"))
    tried = at + length <= n - least
    at_s = bank.time_s + onset_s
    return Silences(
        at_s[at[tried]], at_s[(at + length)[tried]], gain.ravel()[tried], float(np.log(counts.sum()))
    )


@numba.njit(cache=True, error_model="numpy")
def _lost(values, levels, total, begins, lengths, last):
    """Power that is not steady but in a silence [begins, lengths, rows]; infinite beyond `last`.

    `values` [n, 2 rows]: real parts of all rows, then imaginary ones.
    """
    (n, m), columns = levels.shape, values.shape[1]
    rows = columns // 2
    gram, dots = np.zeros((m, m)), np.zeros((m, columns))
    for i in range(n):
        for a in range(m):
            for column in range(columns):
                dots[a, column] += levels[i, a] * values[i, column]
    out = np.full((len(begins), len(lengths), rows), np.inf)
    for number in range(len(begins)):
        begin = begins[number]
        gram[:] = 0.0
        for a in range(m):
            gram[a, a] = 1.0
        left, i = dots.copy(), begin
        for which in range(len(lengths)):
            end = begin + lengths[which]
            if end > last:
                break
            while i < end:
                for a in range(m):
                    for b in range(a + 1):
                        gram[a, b] -= levels[i, a] * levels[i, b]
                    for column in range(columns):
                        left[a, column] -= levels[i, a] * values[i, column]
                i += 1
            root, steady = gram.copy(), left.copy()
            to_root(root)
            for row in range(rows):
                out[number, which, row] = total[row]
            solve_root(root, steady)
            for a in range(m):
                for column in range(columns):
                    out[number, which, column % rows] -= steady[a, column] ** 2
    return out
