"""The coil models by hand: values at one frequency, and what each turns into at its ends."""

import math

import numpy as np
import pytest
from helpers.kernel_cases import COILS

from tsfit.circuit.coil import COIL_MODELS


def blocked(name, omega, **changes):
    z, _ = COIL_MODELS[name].evaluate(1j * np.atleast_1d(float(omega)), {**COILS[name], **changes})
    return complex(z[0])


def test_ladders_are_all_inductance_at_the_bottom_and_lose_their_rungs_at_the_top():
    low, high = blocked("ladder-3", 1.0), blocked("ladder-3", 1e9)
    assert low.imag == pytest.approx(2e-4 + 9e-4 + 3e-4, rel=1e-6)
    assert high.real == pytest.approx(6.0 + 40.0, rel=1e-6)
    assert high.imag == pytest.approx(1e9 * 2e-4, rel=1e-6)


def test_a_rung_at_its_corner_is_half_its_resistance_each_way():
    """At ω = R/L: jR/(1 + j) = R/2 + jR/2."""
    corner = 6.0 / 9e-4
    assert blocked("ladder-2", corner, Le=0.0) == pytest.approx(3.0 + 3.0j, rel=1e-12)


def test_power_law_has_one_slope_and_one_angle():
    """Leach, JAES 50(6), 2002: K(jω)^n, so |Z| rises as ω^n and the angle stands at n·90°."""
    z = blocked("power-law", 1000.0)
    assert abs(z) == pytest.approx(0.012 * 1000.0**0.68, rel=1e-12)
    assert math.degrees(math.atan2(z.imag, z.real)) == pytest.approx(0.68 * 90.0, rel=1e-12)
    assert blocked("power-law", 1000.0, n=1.0) == pytest.approx(12.0j, abs=1e-12)


def test_four_exponents_are_two_straight_lines():
    """Wright, JAES 38(10), 1990: Kr ω^Xr + j Kx ω^Xx."""
    z = blocked("four-exponent", 1e4)
    assert z.real == pytest.approx(0.004 * 10.0 ** (4 * 0.72), rel=1e-12)
    assert z.imag == pytest.approx(0.02 * 10.0 ** (4 * 0.66), rel=1e-12)


def test_semi_inductance_passes_from_inductor_to_root_to_resistor():
    """Vanderkooy, JAES 37(3), 1989; Thorborg & Futtrup, JAES 59(9), 2011: three branches side by side, Leb in series."""
    alone = {"Leb": 0.0}
    assert blocked("semi-inductance", 1e-3, **alone) == pytest.approx(1e-3j * 3e-3, rel=3e-3)
    root = blocked("semi-inductance", 1e5, **alone, Le=1e6, Rss=1e9)
    assert root == pytest.approx(0.06 * math.sqrt(1e5 / 2.0) * (1.0 + 1.0j), rel=1e-4)
    assert blocked("semi-inductance", 1e14, **alone) == pytest.approx(300.0, rel=1e-3)


@pytest.mark.parametrize("name", COILS)
def test_every_parameter_has_a_unit_and_a_label(name):
    model = COIL_MODELS[name]
    assert {parameter.name for parameter in model.parameters} == set(COILS[name])
    assert all(parameter.unit and parameter.label for parameter in model.parameters)
