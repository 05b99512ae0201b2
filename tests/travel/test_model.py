from dataclasses import replace

import numpy as np
import pytest
from helpers.made_large_signal import CURVED
from helpers.made_travel import DRIVERS, levels_of

from tsfit.travel.model import FullTravel


@pytest.fixture(scope="module")
def problem():
    levels, _ = levels_of(DRIVERS[0], (0.2, 0.5), period_s=0.5)
    return FullTravel(replace(CURVED, Mms=0.13), tuple(levels), (4, 4, 3), ("Rv", "Rv2", "arm"), np.array([0.01, 0.02]),
                      np.array([2e-4, -5e-4]))  # fmt: skip


def test_variables_begin_as_the_driver_they_stand_for(problem):
    driver = problem.driver(problem.start())
    for name in ("Re", "Le", "L2", "R2", "Rms", "Rv", "Rv2", "arm", "Bl", "K", "shape"):
        np.testing.assert_allclose(getattr(driver, name), getattr(problem.base, name), rtol=1e-12)


def test_slopes_are_those_of_the_misfits(problem):
    x = problem.start()
    x[1], x[2] = 0.05, 0.3
    slopes = problem.slopes(x)
    for misfit, (told, _) in zip(problem.misfits(x), slopes, strict=True):
        np.testing.assert_allclose(misfit, told, atol=1e-9)
    for n, unit in enumerate(np.eye(len(x))):
        up, down = (problem.misfits(x + sign * 1e-5 * unit) for sign in (1.0, -1.0))
        size = max(np.abs(rows[n]).max() for _, rows in slopes)
        for (_, rows), one, other in zip(slopes, up, down, strict=True):
            assert np.abs(rows[n] - (one - other) / 2e-5).max() < 1e-5 * size, problem.names[n]


def test_another_scale_changes_nothing_within_the_travel(problem):
    """Where the cone stays within both, and the orders are not lowered."""
    x = problem.start()
    told = problem.on_scale(x, 0.9 * problem.base.x0, problem.orders)
    assert np.abs(problem.reached(x)).max() < told.base.x0
    for one, other in zip(problem.misfits(x), told.misfits(told.start()), strict=True):
        np.testing.assert_allclose(one, other, atol=1e-6)


def test_a_motion_that_runs_away_is_a_misfit_and_no_number(problem):
    lost = replace(problem, base=replace(problem.base, Mms=-0.1))
    assert all(np.all(each == 1000.0) for each in lost.misfits(lost.start()))
    assert all(np.all(np.isfinite(rows)) for _, rows in lost.slopes(lost.start()))
