"""Propagation of uncertainty: exact for linear functions, and the products and powers of JCGM 100:2008, 5.1.6."""

import numpy as np
import pytest

from tsfit.fitting.propagation import propagate, slopes_at

X = np.array([2.0, 5.0, 0.5])
COVARIANCE = np.diag([0.01, 0.02, 0.0]) + 0.002 * np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 0.0]])


def test_a_linear_function_is_exact():
    matrix = np.array([[1.0, -2.0, 3.0], [0.5, 0.0, 1.0]])
    found = propagate(lambda x: matrix @ np.moveaxis(x, -1, 0), X, COVARIANCE)
    np.testing.assert_allclose(found, matrix @ COVARIANCE @ matrix.T, rtol=1e-9)


def test_relative_variances_of_a_product_of_powers_add():
    found = propagate(lambda x: (x[..., 0] ** 2 / np.sqrt(x[..., 1]))[np.newaxis], X, np.diag([1e-4, 4e-4, 0.0]))
    value = 4.0 / np.sqrt(5.0)
    assert np.sqrt(found[0, 0]) / value == pytest.approx(np.hypot(2.0 * 0.01 / 2.0, 0.5 * 0.02 / 5.0), rel=1e-6)


def test_a_variable_without_uncertainty_has_a_slope_all_the_same():
    slopes = slopes_at(lambda x: np.stack([x[..., 2] ** 3, x[..., 0] * x[..., 2]]), X, COVARIANCE)
    np.testing.assert_allclose(slopes, [[0.0, 0.0, 0.75], [0.5, 0.0, 2.0]], atol=1e-6)
