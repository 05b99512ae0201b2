"""A fit brought to the conditions of a sheet: what moves, by hand, and what stays."""

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.made_fit import FREE_AIR_ONLY, made_driver, made_fit

from tsfit.base.errors import TsfitError
from tsfit.check.conditions import at_conditions
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.fit_result import FittedState
from tsfit.formats.sheet import Conditions


def swept(fit, **state):
    """That fit, from one sweep in such a state."""
    curve = ImpedanceCurve(np.array([20.0, 200.0]), np.array([6.0 + 0j, 7.0 + 0j]))
    sweep = FittedState(curve, State(**state), np.full(2, True), curve.impedance_ohm, np.full(2, 0.01))
    return replace(fit, states=(sweep,))


def ratios(fit, **wanted):
    found, said = at_conditions(fit, Conditions(**wanted))
    return {name: one.value / fit.parameters[name].value for name, one in found.items()}, said


def test_a_silent_sheet_changes_nothing_in_reference_air():
    moved, said = ratios(made_fit())
    assert list(moved.values()) == pytest.approx([1.0] * len(moved), rel=1e-12)
    assert said == ()


def test_a_warm_coil_has_0_393_percent_a_kelvin_more_resistance():
    moved, said = ratios(swept(made_fit(), coil_temperature_c=20.0), coil_temperature_c=70.0)
    factor = 1.0 + 0.00393 * 50.0
    assert moved["Re"] == pytest.approx(factor)
    # Qes goes with Re, Bl and mass stay.
    assert moved["Qes"] == pytest.approx(factor)
    for name in ("Bl", "Mms", "Fs", "Qms", "Sd"):
        assert moved[name] == 1.0
    assert "20 °C to 70 °C" in said[0]


@pytest.mark.parametrize(("was", "to", "re", "bl"), [("series", "parallel", 0.25, 0.5), ("parallel", "series", 4.0, 2.0)])
def test_two_coils_rewired(was, to, re, bl):
    fit = swept(made_fit(), wiring=was)
    moved, said = ratios(fit, wiring=to)
    assert (moved["Re"], moved["Bl"]) == pytest.approx((re, bl))
    assert moved["Qes"] == pytest.approx(1.0)
    assert moved["Le"] == pytest.approx(re)
    before, after = fit.parameters, at_conditions(fit, Conditions(wiring=to))[0]
    # As loud for the same power; for the same voltage by as much as the power differs.
    assert after["sensitivity_1W"].value == pytest.approx(before["sensitivity_1W"].value)
    louder = after["sensitivity_2V83"].value - before["sensitivity_2V83"].value
    assert louder == pytest.approx(-10.0 * math.log10(re))
    assert said == (f"The coils were taken from {was} to {to}.",)


def test_a_baffle_adds_eight_thirds_of_rho_a_cubed_less_what_free_air_holds():
    driver = made_driver()
    moved, _ = ratios(made_fit(), air_load="baffle")
    added = (moved["Mms"] - 1.0) * driver.Mms
    radius = math.sqrt(driver.Sd / math.pi)
    # Rayleigh's piston, (8/3)ρa³ on each side in a baffle; in free air both sides together have as much as one of them.
    assert added == pytest.approx(8.0 / 3.0 * driver.air.density * radius**3, rel=1e-6)
    root = math.sqrt(moved["Mms"])
    assert moved["Fs"] == pytest.approx(1.0 / root)
    assert (moved["Qms"], moved["Qes"], moved["Qts"]) == pytest.approx((root, root, root))


@pytest.mark.parametrize(("wanted", "word"), [({"wiring": "parallel"}, "wired"), ({"air_load": "baffle"}, "Mms and Sd")])
def test_what_a_fit_does_not_tell_it_cannot_be_brought_from(wanted, word):
    fit = made_fit(made_driver(Mms=None, Sd=None), only=FREE_AIR_ONLY)
    with pytest.raises(TsfitError, match=word) as refused:
        at_conditions(fit, Conditions(**wanted))
    assert refused.value.code == "unknown_condition"
