from dataclasses import replace

import numpy as np
import pytest
from helpers.made_travel import DRIVERS, levels_of, start_of

from tsfit.travel.evidence import covariance, points_per_error
from tsfit.travel.fit import settle


def test_neighbours_that_err_alike_are_counted():
    rng = np.random.default_rng(0)
    white = rng.standard_normal(20000)
    assert points_per_error([white]) == pytest.approx(1.0, abs=0.1)
    assert points_per_error([np.convolve(white, np.ones(8), "valid")]) == pytest.approx(8.0, rel=0.25)


def test_orders_follow_the_curves(fitted):
    """A flat, then steep Bl needs many; a stiffness of fourth order is taken for one."""
    _, settled = fitted
    bl, k, _ = settled.problem.orders
    assert bl >= 8
    assert k in (4, 5)
    assert settled.problem.extras == ()


def test_a_creeping_suspension_is_told():
    slack = replace(DRIVERS[0], creep=0.1, friction=0.3)
    levels, _ = levels_of(slack, (0.3, 0.8), period_s=1.0)
    settled = settle(start_of(slack), levels)
    assert settled.problem.extras == ("Rv2", "arm")
    driver = settled.problem.driver(settled.x)
    assert driver.arm / float(driver.at("K", 0.0)) == pytest.approx(0.1, rel=0.1)


def test_misfit_beyond_noise_widens_the_covariance(fitted):
    _, settled = fitted
    x = settled.x.copy()
    x[-1] += 0.01
    wider, right = (np.sqrt(np.diag(covariance(settled.problem, at))) for at in (x, settled.x))
    assert np.median(wider / right) > 2.0
