from dataclasses import replace

import numpy as np
import pytest
from helpers.made_travel import DRIVERS, driver_of

from tsfit.circuit.coil import COIL_MODELS, laplace
from tsfit.circuit.large_signal_start import start_of


def test_a_ladder_is_taken_as_it_is():
    driver = driver_of(DRIVERS[0])
    start = start_of(driver)
    assert (start.Le, start.L2, start.R2) == pytest.approx((0.8e-3, 1.0e-3, 4.0), rel=0.02)
    assert (float(start.at("Bl", 0.0)), start.friction) == pytest.approx((driver.Bl, driver.Rms))


@pytest.mark.parametrize(
    ("coil", "values", "apart"), [("power-law", {"K": 0.02, "n": 0.7}, 0.12), ("simple", {"Le": 1.2e-3}, 0.03)]
)
def test_another_coil_does_about_the_same(coil, values, apart):
    driver = replace(driver_of(DRIVERS[0]), coil=coil, coil_values=values)
    start = start_of(driver)
    s = laplace(np.geomspace(0.5, 15.0, 20) * driver.Fs)
    ours, _ = COIL_MODELS["ladder-2"].evaluate(s, {"Le": start.Le, "L2": start.L2, "R2": start.R2})
    wanted, _ = COIL_MODELS[coil].evaluate(s, values)
    assert np.abs((ours + driver.Re) / (wanted + driver.Re) - 1.0).max() < apart
