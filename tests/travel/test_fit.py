from dataclasses import replace

import numpy as np
import pytest
from helpers.made_travel import DRIVERS, levels_of, start_of

from tsfit.base.errors import TsfitError
from tsfit.travel.fit import settle


@pytest.mark.against(
    "curves over travel from recordings", "a driver simulated in fluxes by Kutta's 3/8 rule, no polynomials", "0.3 %"
)
def test_curves_of_an_18_inch_driver(fitted):
    truth, settled = fitted
    driver = settled.problem.driver(settled.x)
    inward, outward = settled.reached[:, 0].min(), settled.reached[:, 1].max()
    x = np.linspace(0.95 * inward, 0.95 * outward, 41)
    assert outward - inward > 0.04
    assert np.abs(driver.at("Bl", x) / truth.bl(x) - 1.0).max() < 3e-3
    assert np.abs(driver.at("K", x) / truth.stiffness(x) - 1.0).max() < 3e-3
    assert np.abs(driver.at("shape", x) / truth.shape(x) - 1.0).max() < 3e-3
    for level in range(2):
        assert settled.problem.driver(settled.x, level).Re == pytest.approx(truth.Re, rel=5e-4)


def test_what_is_left_is_noise(fitted):
    _, settled = fitted
    noise = np.array([level.noise for level in settled.problem.levels])
    np.testing.assert_allclose(settled.left, noise, rtol=0.1)
    assert settled.floor < 1e-4


def test_a_current_that_no_voltage_explains_is_refused():
    truth = DRIVERS[0]
    levels, _ = levels_of(truth, (0.2,), period_s=0.5)
    wrong = replace(levels[0], amperes=np.random.default_rng(0).permutation(levels[0].amperes))
    with pytest.raises(TsfitError, match="no driver explains its current") as refusal:
        settle(start_of(truth), [wrong])
    assert refusal.value.code == "no_fit"
