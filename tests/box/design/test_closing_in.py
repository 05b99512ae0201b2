"""The search of many variables on functions whose least value is known."""

import numpy as np
import pytest

from tsfit.box.design.closing_in import closing_in


@pytest.mark.parametrize("centre", [(0.3, 20.0), (0.3, 20.0, 4.0)])
def test_the_least_is_found(centre):
    def evaluate(points):
        return points, np.zeros(points.shape[1]), np.sum((np.log(points.T) - np.log(centre)) ** 2, axis=1)

    points, k = closing_in([(0.5 * value / 3.0, 40.0 * value) for value in centre], evaluate)
    assert points[:, k] == pytest.approx(centre, rel=2e-3)


def test_a_small_feasible_region_is_found_and_kept_to():
    """A disc of 2 % around a point, and of its points the one of the least sum: 0.02/√2 below its middle, each way."""

    def evaluate(points):
        away = np.log(points.T / [3.0, 70.0])
        return points, np.maximum(np.hypot(*away.T) - 0.02, 0.0), np.sum(away, axis=1)

    points, k = closing_in([(1.0, 10.0), (10.0, 100.0)], evaluate)
    away = np.log(points[:, k] / [3.0, 70.0])
    assert np.hypot(*away) <= 0.02
    assert away == pytest.approx([-0.0141, -0.0141], abs=0.003)
