"""Small covariances whitened and inverted: against numpy.linalg (LAPACK)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from vibstudy.pitch.hermitian import invert, whiten


def covariance_of(n: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    sound = rng.standard_normal((2, n, n + 3))
    return (sound[0] + 1j * sound[1]) @ (sound[0] + 1j * sound[1]).conj().T + 0.1 * np.eye(n)


def planes(matrix: np.ndarray) -> np.ndarray:
    return np.array([matrix.real, matrix.imag])


@given(n=st.integers(1, 24), columns=st.integers(1, 5), seed=st.integers(0, 2**32 - 1))
def test_whitened_columns_have_the_products_of_the_inverse(n, columns, seed):
    matrix = covariance_of(n, seed)
    rng = np.random.default_rng(seed)
    heard = rng.standard_normal((n, columns)) + 1j * rng.standard_normal((n, columns))
    white = planes(heard)
    log_det = whiten(planes(matrix), white)
    whitened = white[0] + 1j * white[1]
    assert log_det == pytest.approx(np.linalg.slogdet(matrix)[1], abs=1e-8)
    products = heard.conj().T @ np.linalg.solve(matrix, heard)
    assert_allclose(whitened.conj().T @ whitened, products, rtol=1e-7, atol=1e-8)


@given(n=st.integers(1, 24), seed=st.integers(0, 2**32 - 1))
def test_inverse(n, seed):
    matrix = covariance_of(n, seed)
    upper = planes(np.triu(matrix))  # the lower part is not asked
    log_det = invert(upper)
    assert log_det == pytest.approx(np.linalg.slogdet(matrix)[1], abs=1e-8)
    assert_allclose(np.triu(upper[0] + 1j * upper[1]), np.triu(np.linalg.inv(matrix)), rtol=1e-6, atol=1e-8)
