from dataclasses import replace

import numpy as np
import pytest
from helpers.made_travel import DRIVERS, levels_of, start_of

from tsfit.base.errors import TsfitError
from tsfit.travel.fit import looked, settle


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


def test_a_first_look_goes_on_where_the_coil_is_badly_told():
    """Steep curves, creep and friction: low orders explain them badly, and no motion may run away over it."""
    truth = replace(
        DRIVERS[0], Re=4.05, Bl=17.0, Qms=5.64, Le=0.80e-3, L2=0.845e-3, R2=5.52, middle=0.82e-3, reach=0.01144,
        steep=5.54, k1=-18.5, k2=1662.0, k4=4.55e6, slope=0.233, wide=0.00964, creep=0.0916, friction=0.349, warming=0.05,
    )  # fmt: skip
    levels, heard = levels_of(truth, (0.1, 0.3), 5011000, period_s=2.0, periods=1)
    problem, x = looked(start_of(truth), levels)
    np.testing.assert_allclose(problem.reached(x), [(each.inward, each.outward) for each in heard], rtol=0.15)
    for misfit, sigma, level in zip(problem.misfits(x), problem.sigma, problem.levels, strict=True):
        assert np.std(misfit) * sigma < 0.1 * level.rms
