"""Closed boxes by f3: without a coil against the textbook, with one against the formula of the whole circuit."""

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.closed_with_coil import last_crossing
from helpers.made_fit import made_driver

from tsfit.base.errors import TsfitError
from tsfit.box.design.closed import deepest_volume, volumes_for_f3
from tsfit.box.kinds import ClosedPlan
from tsfit.box.numbers import HALF_POWER_DB
from tsfit.box.parts import Filling
from tsfit.driver.record import Driver


def with_qts(qts):
    return Driver(
        "Tern", Re=6.0, Fs=30.0, Qms=1e6, Qes=qts / (1.0 - 1e-6 * qts), Mms=0.08, Sd=0.05, coil_values={"Le": 0.0}
    )


def textbook_volumes(driver, f3):
    """Small, JAES 20(10), 1972: x² − 2yx − y² + y/Qts² = 0 with x = 1 + Vas/Vb, y = (f3/Fs)²."""
    y = (f3 / driver.Fs) ** 2
    under = math.sqrt(2.0 * y**2 - y / driver.Qts**2)
    return [driver.Vas / (x - 1.0) for x in (y + under, y - under) if x > 1.0]


@pytest.mark.parametrize("qts", [0.3, 0.5, 0.69])
def test_without_a_coil_they_are_those_of_the_textbook(qts):
    driver, lowest = with_qts(qts), 30.0 / (qts * math.sqrt(2.0))
    for wanted in (1.004 * lowest, 1.1 * lowest, 1.3 * lowest):
        expected = [volume for volume in textbook_volumes(driver, wanted) if volume < 100.0 * driver.Vas]
        assert volumes_for_f3(ClosedPlan(), driver, wanted) == pytest.approx(expected, rel=1e-5)
    with pytest.raises(TsfitError, match=f"the nearest, .* has {lowest:.4g} Hz") as refused:
        volumes_for_f3(ClosedPlan(), driver, 0.98 * lowest)
    assert refused.value.code == "unreachable_f3"


def test_weak_motors_end_in_an_endless_volume():
    driver = with_qts(0.9)
    assert len(volumes_for_f3(ClosedPlan(), driver, 1.2 * driver.Fs)) == 1
    with pytest.raises(TsfitError, match="in an endless volume"):
        volumes_for_f3(ClosedPlan(), driver, 0.5 * driver.Fs)


@pytest.mark.parametrize("inductance", [0.3e-3, 1.5e-3, 4e-3])
@pytest.mark.parametrize("above_the_lowest", [1.05, 1.3])
def test_coil_and_filling_count(inductance, above_the_lowest):
    driver = replace(made_driver(), coil="simple", coil_values={"Le": inductance})
    plan = ClosedPlan(filling=Filling(factor=1.2, displaced=0.003))
    volumes = 1e-3 * np.geomspace(3.0, 3000.0, 50)
    f3 = above_the_lowest * min(last_crossing(driver, volume, HALF_POWER_DB) for volume in volumes)
    assert volumes_for_f3(plan, driver, f3)
    for volume in volumes_for_f3(plan, driver, f3):
        assert last_crossing(driver, 1.2 * (volume - 0.003), HALF_POWER_DB) == pytest.approx(f3, abs=0.01)


@pytest.mark.parametrize("inductance", [0.0, 2e-3])
@pytest.mark.parametrize("qts", [0.4, 0.9])
@pytest.mark.parametrize("litres", [10.0, 1000.0])
def test_the_deepest_is_the_one_that_a_scan_of_the_formula_finds(qts, litres, inductance):
    driver = replace(with_qts(qts), coil_values={"Le": inductance})
    f3 = [last_crossing(driver, volume, HALF_POWER_DB) for volume in 1e-3 * np.geomspace(1.0, litres, 60)]
    found = deepest_volume(ClosedPlan(), driver, 1e-3 * litres)
    assert found <= 1e-3 * litres
    assert last_crossing(driver, found, HALF_POWER_DB) <= min(f3) * (1.0 + 1e-9)
