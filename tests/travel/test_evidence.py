from dataclasses import replace

import numpy as np
import pytest
from helpers.made_large_signal import CURVED
from helpers.made_travel import DRIVERS, levels_of, start_of

from tsfit.driver.travel_result import SIDES
from tsfit.travel.evidence import covariance, points_per_error
from tsfit.travel.fit import settle
from tsfit.travel.limits import ScaleErrors, limits
from tsfit.travel.model import FullTravel


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


@pytest.mark.against(
    "travel limits of a suspension that creeps", "a driver simulated with more arms", "3 standard errors, 1 %"
)
def test_a_creeping_suspension_is_told():
    """Its slowest creep, which the model has not, moves the middle of the motion: the limits' own intervals know."""
    slack = replace(DRIVERS[0], creep=0.1, friction=0.3)
    levels, _ = levels_of(slack, (0.3, 0.8), period_s=0.5)
    settled = settle(start_of(slack), levels)
    assert settled.problem.extras == ("Rv2", "arm")
    driver = settled.problem.driver(settled.x)
    assert driver.arm / float(driver.at("K", 0.0)) == pytest.approx(0.1, rel=0.1)
    found = limits(settled, ScaleErrors(*np.zeros((3, 1))))
    for name in ("Bl82", "C75", "L10", "Bl70"):
        for side, way in zip(SIDES, (1, -1), strict=True):
            told, true = getattr(found[name], side), slack.limit(name, way)
            assert not told.reached or abs(told.value - true) < min(3.0 * told.stdev, 0.01 * true), (name, side)


def test_misfit_beyond_noise_widens_the_covariance(fitted):
    _, settled = fitted
    x = settled.x.copy()
    x[-1] += 0.01
    wider, right = (np.sqrt(np.diag(covariance(settled.problem, at))) for at in (x, settled.x))
    assert np.median(wider / right) > 2.0


@pytest.mark.against("stated uncertainty at full travel", "the bound by central differences, of noise alone", "15 %")
def test_where_only_noise_is_left_the_uncertainty_is_the_bound():
    levels, _ = levels_of(DRIVERS[0], (0.2, 0.5), period_s=0.5)
    sigma = np.array([1e-3, 2e-3])
    problem = FullTravel(replace(CURVED, Mms=0.13), tuple(levels), (4, 4, 3), ("Rv", "arm"), sigma)
    x, rng = problem.start(), np.random.default_rng(0)
    heard = []
    for number, level in enumerate(levels):
        right = problem.moved(x, number).states[level.skipped :, 0]
        noisy = right + sigma[number] * rng.standard_normal(len(right))
        heard.append(replace(level, amperes=noisy, noise=float(sigma[number])))
    problem = problem.of(heard)
    slopes = np.array([
        np.concatenate([(up - down) / 2e-4 for up, down in zip(*(problem.misfits(x + 1e-4 * way * unit) for way in (1, -1)),
                                                               strict=True)])
        for unit in np.eye(len(x))
    ])  # fmt: skip
    bound = np.linalg.inv(slopes @ slopes.T + np.diag(problem.spreads**-2.0))
    ratio = np.sqrt(np.diag(covariance(problem, x)) / np.diag(bound))
    assert np.all((ratio > 0.9) & (ratio < 1.15))
