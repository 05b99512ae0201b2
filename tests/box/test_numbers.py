"""The last rise through a level, against the closed box of the textbooks, on frequencies of any spacing."""

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.boxes import closed_box
from helpers.closed_with_coil import last_crossing, level_db
from helpers.made_fit import made_driver

from tsfit.box.compare.consequence import consequence, exact
from tsfit.box.numbers import last_rise

HALF_POWER_DB = -10.0 * math.log10(2.0)


def closed_box_db(frequency_hz, fc, qtc):
    """Second-order high-pass (Small, JAES 20(10), 1972)."""
    ratio = frequency_hz / fc
    return 20.0 * np.log10(ratio**2 / np.hypot(1.0 - ratio**2, ratio / qtc))


def textbook_f3(fc, qtc):
    b = 1.0 / qtc**2 - 2.0
    return fc * math.sqrt((b + math.sqrt(b**2 + 4.0)) / 2.0)


@pytest.mark.parametrize("uneven", [False, True])
def test_the_last_rise_is_the_f3_of_the_textbook(uneven):
    steps = np.random.default_rng(5).uniform(0.01, 0.03, 250) if uneven else np.full(250, 0.02)
    frequency = 5.0 * np.exp(np.cumsum(steps))
    boxes = [(fc, qtc) for fc in (20.0, 35.0, 70.0) for qtc in (0.5, 0.707, 1.2)]
    level = np.array([closed_box_db(frequency, *box) for box in boxes]).reshape(3, 3, -1)
    expected = np.reshape([textbook_f3(*box) for box in boxes], (3, 3))
    np.testing.assert_allclose(last_rise(level - HALF_POWER_DB, frequency), expected, rtol=2e-5)


def test_of_several_rises_the_last_counts_and_none_is_none():
    frequency = np.array([10.0, 20.0, 40.0, 80.0, 160.0])
    level = np.array([[-1.0, 1.0, -1.0, 1.0, 1.0], [-1.0, 1.0, -1.0, -1.0, -1.0], [1.0, 1.0, 1.0, 1.0, -1.0]])
    found = last_rise(level, frequency)
    assert 40.0 < found[0] < 80.0
    assert found[1] == pytest.approx(math.sqrt(10.0 * 20.0))
    assert np.isnan(found[2])


def test_one_frequency_has_no_rise():
    assert np.isnan(last_rise(np.array([[-1.0]]), np.array([20.0]))).all()


@pytest.mark.parametrize("inductance", [0.0, 1e-3, 4e-3])
@pytest.mark.parametrize("litres", [12.0, 60.0])
def test_a_box_and_a_check_tell_the_f3_of_one_formula(inductance, litres):
    """f3, f6 and f10 with the coil counted; ripple is the peak of the same level."""
    driver = replace(made_driver(), coil="simple", coil_values={"Le": inductance})
    box = closed_box(driver, volume=1e-3 * litres)
    told = box.numbers()
    for key, below_db in (("f3_hz", HALF_POWER_DB), ("f6_hz", -6.0), ("f10_hz", -10.0)):
        assert told[key] == pytest.approx(last_crossing(driver, 1e-3 * litres, below_db), rel=1e-6)
    peak = max(0.0, np.max(level_db(driver, 1e-3 * litres, np.geomspace(10.0, 2000.0, 20000))))
    assert told["ripple_db"] == pytest.approx(peak, abs=1e-3)
    judged = consequence(box.enclosure, exact(driver), exact(driver)).figures
    assert judged["f3_hz"].before.value == pytest.approx(told["f3_hz"], rel=2e-4)
    assert judged["ripple_db"].after.value == pytest.approx(told["ripple_db"], abs=1e-3)
