"""The figures under other conditions than those of the bench."""

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.made_curves import AREA, make

from tsfit.circuit.load import air_load_change
from tsfit.driver.air import Air
from tsfit.fitting.fit import fit
from tsfit.fitting.sweep import Known

FORCED = {"coil": "ladder-2", "suspension": "ideal"}


@pytest.mark.parametrize(("first", "kelvin"), [(35.0, 1.0), (None, 2.0)])
def test_resistance_at_20_degrees_is_as_unsure_as_the_coil_is_warm(first, kelvin):
    """1 K where the temperature of the first sweep is stated, 2 K where it is taken from the air; copper 0.00393/K."""
    curves, _, _ = make(("free air", "free air"), np.random.default_rng(1), errors=False)
    (first_curve, one), (second_curve, two) = curves
    other = None if first else 35.0
    told = [
        (first_curve, replace(one, coil_temperature_c=first)),
        (second_curve, replace(two, coil_temperature_c=other)),
    ]
    found = fit(told, **FORCED)
    assert set(found.conditions) == {"Re_20C"}
    at_20, warm = found.conditions["Re_20C"], found.parameters["Re"]
    factor = 1.0 + 0.00393 * ((first or one.air.temperature_c) - 20.0)
    assert at_20.value == pytest.approx(warm.value / factor, rel=1e-9)
    assert at_20.stdev == pytest.approx(math.hypot(warm.stdev / factor, at_20.value * 0.00393 * kelvin), rel=1e-6)


def test_figures_under_other_conditions():
    thin = Air(25.0, 850.0, 40.0)
    curves, _, true = make(("free air", "added mass"), np.random.default_rng(1), errors=False)
    curves = [(curve, replace(state, air=thin, coil_temperature_c=35.0)) for curve, state in curves]
    found = fit(curves, sd=Known(AREA, 1e-4), **FORCED)
    assert found.conditions["Re_20C"].value == pytest.approx(true["Re"] / (1.0 + 0.00393 * 15.0), rel=2e-3)
    assert found.conditions["Re_20C"].stdev > 0.00393 * true["Re"] * 0.9
    ratio = found.conditions["Vas_1013hPa"].value / found.parameters["Vas"].value
    assert ratio == pytest.approx(1013.25 / 850.0, rel=2e-3)
    load = air_load_change(AREA, thin)
    assert found.conditions["Mms_without_air"].value == pytest.approx(found.parameters["Mms"].value - load, rel=1e-6)
    assert found.conditions["Mms_in_baffle"].value == pytest.approx(found.parameters["Mms"].value + load, rel=1e-6)


def test_a_cone_lighter_than_its_air_has_no_mass_without_it():
    """A mass or an area that was mistaken: the air of a cone of 500 cm² weighs 6.4 g."""
    curves, _, _ = make(("free air", "added mass"), np.random.default_rng(1), errors=False, Mms=0.005, mass=0.004)
    found = fit(curves, sd=Known(AREA, 1e-4), **FORCED).conditions
    assert set(found) == {"Re_20C", "Vas_1013hPa", "Mms_in_baffle"}
    assert found["Mms_in_baffle"].value == pytest.approx(0.005 + air_load_change(AREA), rel=0.01)
