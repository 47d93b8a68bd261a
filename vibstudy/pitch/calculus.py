"""Derivative and integral of lines on a uniform grid."""

from __future__ import annotations

from functools import lru_cache

import numba
import numpy as np

SLOPE_REACH_S = 0.010  # keeps what is below about 40 Hz


class Spline:
    """A natural cubic spline through values on a uniform grid, as its coefficients.

    SciPy's ``CubicSpline`` gives the same for any grid and takes ten times as long to set up; there are
    four to a note.
    """

    def __init__(self, values: np.ndarray, step_s: float):
        self.pieces = _spline_integral(np.ascontiguousarray(values, dtype=np.float64), step_s)

    def integral(self) -> np.ndarray:
        """Running integral at the points of the grid [shape=(n,)]."""
        return np.append(self.pieces[:, 0], self.pieces[-1].sum())

    def integral_between(self, per_step: int, before: float, count: int) -> np.ndarray:
        """Running integral at `count` points, `per_step` to a step, the first `before` points too early."""
        return _between(self.pieces, per_step, before, count)


@numba.njit(cache=True, error_model="numpy")
def _spline_integral(values, step_s):
    """The integral of a natural spline from the first point, in powers of the share of a step [n - 1, 5]."""
    n = len(values)
    bend, share = np.zeros(n), np.zeros(n)  # second derivative times the step squared, over 6
    for i in range(1, n - 1):  # natural spline: 1, 4, 1
        share[i] = 1.0 / (4.0 - share[i - 1])
        bend[i] = (values[i + 1] - 2.0 * values[i] + values[i - 1] - bend[i - 1]) * share[i]
    for i in range(n - 3, 0, -1):
        bend[i] -= share[i] * bend[i + 1]
    pieces, whole = np.empty((n - 1, 5)), 0.0
    for i in range(n - 1):
        slope = values[i + 1] - values[i] - 2.0 * bend[i] - bend[i + 1]
        pieces[i, 0], pieces[i, 1], pieces[i, 2] = whole, step_s * values[i], step_s * slope / 2.0
        pieces[i, 3], pieces[i, 4] = step_s * bend[i], step_s * (bend[i + 1] - bend[i]) / 4.0
        whole += pieces[i, 1] + pieces[i, 2] + pieces[i, 3] + pieces[i, 4]
    return pieces


@numba.njit(cache=True, error_model="numpy")
def _between(pieces, per_step, before, count):
    out, lead = np.empty(count), int(np.ceil(before))
    late = (np.arange(per_step) + (lead - before)) / per_step
    for i in range(lead):
        out[i] = _quartic(pieces[0], (i - before) / per_step)
    for number in range(len(pieces)):
        first = lead + number * per_step
        here = out[first : first + per_step]
        for i in range(len(here)):
            here[i] = _quartic(pieces[number], late[i])
    for i in range(lead + len(pieces) * per_step, count):
        out[i] = _quartic(pieces[-1], (i - before) / per_step - (len(pieces) - 1))
    return out


@numba.njit(cache=True, error_model="numpy", inline="always")
def _quartic(piece, x):
    return piece[0] + x * (piece[1] + x * (piece[2] + x * (piece[3] + x * piece[4])))


def running_integral(values: np.ndarray, step: float) -> np.ndarray:
    """Running integral along the first axis from its first value, 0 there; exact for cubics."""
    if len(values) < 3:
        raise ValueError(f"three values are the fewest of a parabola; got {len(values)}")
    flat = np.ascontiguousarray(values, dtype=np.float64).reshape(len(values), -1)
    return integral_of_columns(flat, step).reshape(values.shape)


@numba.njit(cache=True)
def integral_of_columns(values, step):
    """Running integral of each column [shape=(n, columns)], `n` of 3 and more."""
    n, columns = values.shape
    out = np.empty((n, columns))
    out[0] = 0.0
    for i in range(n - 1):
        for j in range(columns):
            piece = 13.0 * (values[i, j] + values[i + 1, j])  # through four points: Newton-Cotes, 24ths
            if i > 0:  # (-1, 13, 13, -1)
                piece -= values[i - 1, j]
            if i < n - 2:
                piece -= values[i + 2, j]
            # at the ends through three: 10, 16, -2
            if i == 0:
                piece -= 3 * (values[0, j] - values[1, j]) + values[2, j]
            if i == n - 2:
                piece -= 3 * (values[n - 1, j] - values[n - 2, j]) + values[n - 3, j]
            out[i + 1, j] = out[i, j] + piece * (step / 24.0)
    return out


def derivative(values: np.ndarray, hop_s: float) -> np.ndarray:
    """Derivative of a noisy series: local cubics (Savitzky & Golay 1964), one-sided at the ends."""
    rows = _derivative_matrix(hop_s, len(values))
    width, half = len(rows), len(rows) // 2
    out = np.empty_like(values)
    out[half : len(values) - half] = np.correlate(values, rows[half], mode="valid")
    out[:half] = rows[:half] @ values[:width]
    out[len(values) - half :] = rows[width - half :] @ values[-width:]
    return out


def derivative_gain(hop_s: float, n: int) -> float:
    """Standard error of :func:`derivative` for white noise of unit variance."""
    rows = _derivative_matrix(hop_s, n)
    return float(np.linalg.norm(rows[len(rows) // 2]))


def _derivative_matrix(hop_s: float, n: int) -> np.ndarray:
    """Rows that give the slope at each place of a window of twice `SLOPE_REACH_S`; of `n` values at most."""
    # points: fewest of a parabola with an error
    return _derivative_rows(hop_s, max(min(n - (n + 1) % 2, 2 * round(SLOPE_REACH_S / hop_s) + 1), 5))


@lru_cache(maxsize=4096)
def _derivative_rows(hop_s: float, width: int) -> np.ndarray:
    x = (np.arange(width) - width // 2) * hop_s
    order = np.arange(4 if width > 5 else 3)  # a cubic, where there are points for it
    fit = np.linalg.pinv(x[:, None] ** order)
    return (order[1:] * x[:, None] ** (order[1:] - 1)) @ fit[1:]


@numba.njit(cache=True, error_model="numpy")
def to_root(matrix):
    """Turn a positive definite matrix in place into its lower root (Cholesky); its upper part stays."""
    for i in range(len(matrix)):
        for j in range(i + 1):
            for k in range(j):
                matrix[i, j] -= matrix[i, k] * matrix[j, k]
            matrix[i, j] = np.sqrt(matrix[i, i]) if i == j else matrix[i, j] / matrix[j, j]


@numba.njit(cache=True, error_model="numpy")
def solve_root(root, columns):
    """Solve a lower root [m, m] times what is sought for the columns [m, n], in place."""
    for i in range(len(root)):
        for k in range(i):
            for column in range(columns.shape[1]):
                columns[i, column] -= root[i, k] * columns[k, column]
        for column in range(columns.shape[1]):
            columns[i, column] /= root[i, i]
