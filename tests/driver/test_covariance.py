"""Covariance of named parameters and draws from it, against numpy's own."""

import numpy as np
import pytest
from helpers.made_fit import made_fit

from tsfit.driver.covariance import covariance_of, draw, root_of

COVARIANCE = np.array([[4.0, 1.2, 0.0], [1.2, 1.0, -0.1], [0.0, -0.1, 0.25]])


def test_named_parameters_keep_their_correlation_and_others_stand_alone():
    fit = made_fit()
    assert fit.correlation_names == ("Re", "Fs")
    found = covariance_of(fit, ("Qms", "Fs", "Re"), (3.0, 2.0, 1.0))
    assert found == pytest.approx(np.array([[9.0, 0.0, 0.0], [0.0, 4.0, 0.2], [0.0, 0.2, 1.0]]))


def test_root():
    assert root_of(COVARIANCE) @ root_of(COVARIANCE).T == pytest.approx(COVARIANCE)


def test_draws_are_those_of_numpys_multivariate_normal():
    ours = draw(COVARIANCE, 50, np.random.default_rng(7))
    theirs = np.random.default_rng(7).multivariate_normal(np.zeros(3), COVARIANCE, size=50, method="eigh")
    assert ours == pytest.approx(theirs)


def test_a_direction_that_rounding_made_negative_is_none():
    assert np.all(np.isfinite(draw(np.array([[1.0, 1.0 + 1e-12], [1.0 + 1e-12, 1.0]]), 5, np.random.default_rng(1))))
