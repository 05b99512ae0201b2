"""What a fit is told: the shift of a sweep by a fault of the bench as coefficients, and inputs known with uncertainty."""

import numpy as np
import pytest
from helpers.made_curves import FREQUENCY_HZ

from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.fitting.sweep import Prior, make_sweep

Z = 5.0 + 40.0 / (1.0 + 3j * (FREQUENCY_HZ / 40.0 - 40.0 / FREQUENCY_HZ)) + 2j * np.pi * FREQUENCY_HZ * 1e-3
S = 1j * FREQUENCY_HZ
FAULTS = {
    # A reference that is off; a lead in series; an input in parallel: bilinear in Z, alike at all frequencies.
    "scale": 1e-3 * Z,
    "lead": np.full(len(Z), 0.02 + 0j),
    "input": 1e-5 * Z**2,
    # A delay, a coupling: they rise and fall with frequency.
    "delay": 1e-7 * S * Z,
    "coupling": 0.5 / S * Z,
}


@pytest.mark.parametrize("name", FAULTS)
def test_coefficients_give_back_the_shift(name):
    used = (FREQUENCY_HZ > 10.0) & (FREQUENCY_HZ < 3000.0)
    curve = ImpedanceCurve(FREQUENCY_HZ, Z, None, {name: FAULTS[name]})
    sweep = make_sweep(curve, State(), 2, used)
    c = sweep.systematic[name]
    z = Z[used]
    np.testing.assert_allclose(c[0] + c[1] * z + c[2] * z**2, FAULTS[name][used], rtol=1e-6)
    assert (np.ptp(np.abs(c), axis=1) < 1e-9 * np.abs(c).max()).all() == (name in ("scale", "lead", "input"))
    assert (sweep.number, len(sweep.noise), sweep.noise.max()) == (2, used.sum(), 0.0)


def test_only_the_points_that_are_used_are_kept():
    used = np.arange(len(Z)) % 3 == 0
    sweep = make_sweep(ImpedanceCurve(FREQUENCY_HZ, Z, np.arange(len(Z)) + 1.0), State("added mass", mass=0.02), 0, used)
    np.testing.assert_array_equal(sweep.frequency_hz, FREQUENCY_HZ[::3])
    np.testing.assert_array_equal(sweep.impedance_ohm, Z[::3])
    np.testing.assert_array_equal(sweep.noise, np.arange(len(Z))[::3] + 1.0)
    assert sweep.state.mass == 0.02


def test_a_prior_is_off_by_so_many_of_its_uncertainties():
    assert Prior("mass", "mass_1", "mass of 40 g", 0.040, 0.0002).at(-1.5) == pytest.approx(0.0397)
