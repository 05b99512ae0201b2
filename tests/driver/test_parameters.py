"""The registry of parameters: units whose dimensions agree with the relations of the trade."""

import functools
import math

import pint
import pytest

from tsfit.driver.parameters import BASIC, LEVELS, MEASURED, PARAMETERS, PUBLISHED

UNITS = functools.cache(pint.UnitRegistry)
AS_PINT = {"1": "dimensionless", "N·s/m": "N*s/m", "T·m": "T*m", "m³": "m**3", "m²": "m**2", "Ω": "ohm", "%": "percent"}


def dimension(name):
    unit = PARAMETERS[name].unit
    return UNITS()(AS_PINT.get(unit, unit)).to_base_units()


@pytest.mark.parametrize(
    ("left", "right"),
    [
        (lambda q: q("Fs") ** 2 * q("Mms") * q("Cms"), lambda q: q("Qms")),
        (lambda q: q("Fs") * q("Mms"), lambda q: q("Rms") * q("Qms")),
        (lambda q: q("Bl") ** 2 / q("Re"), lambda q: q("Rms")),
        (lambda q: q("Le") * q("Fs"), lambda q: q("Re")),
        (lambda q: q("diameter") ** 2, lambda q: q("Sd")),
        (lambda q: q("Lambda"), lambda q: 1.0 / q("Cms")),
    ],
)
def test_units_are_those_of_the_relations(left, right):
    assert left(dimension).dimensionality == right(dimension).dimensionality


@pytest.mark.parametrize("name", [name for name, one in PARAMETERS.items() if one.shown and "^" not in one.unit])
def test_what_is_shown_is_the_same_quantity(name):
    one = PARAMETERS[name]
    if one.level:
        assert (one.unit, one.shown, one.factor) == ("dB", "dB", 1.0)
        return
    shown = AS_PINT.get(one.shown, {"cm²": "cm**2", "N·s/m": "N*s/m"}.get(one.shown, one.shown))
    assert math.isclose((1.0 * dimension(name)).to(shown).magnitude, one.factor, rel_tol=1e-12)


def test_lists_of_names_are_of_the_registry():
    assert set(LEVELS) == {"sensitivity_1W", "sensitivity_2V83"}
    assert {*BASIC, *MEASURED, *PUBLISHED} <= PARAMETERS.keys()
    assert all(PARAMETERS[name].positive for name in MEASURED)
