"""Powers between those that were told."""

import math

import pytest
from helpers.made_heat_result import heat_result


def test_between_the_told_temperatures_power_goes_with_the_rise():
    found = heat_result()
    between = found.power_for(180.0)
    assert between.value == pytest.approx(160.0)
    assert between.stdev == pytest.approx(0.02 * 160.0)
    assert between.voltage.value == pytest.approx(math.sqrt(5.0 * 160.0))
    assert between.interval95 == pytest.approx((160.0 * (1 - 0.0392), 160.0 * (1 + 0.0392)))
    assert found.power_for(200.0).value == pytest.approx(180.0)


@pytest.mark.parametrize("coil", [90.0, 310.0])
def test_beyond_them_there_is_no_number(coil):
    assert heat_result().power_for(coil) is None
    assert heat_result(told=False).power_for(200.0) is None


def test_temperature_that_a_power_holds():
    assert heat_result().coil_at(180.0) == pytest.approx(200.0)
    assert math.isnan(heat_result().coil_at(1000.0))
    assert math.isnan(heat_result(told=False).coil_at(100.0))


def test_it_shows_itself():
    found = heat_result()
    assert found.to_dict()["kind"] == "heat"
    assert "coil to magnet, cone as in the run" in found._repr_html_()
    assert found.plot() is not None
    assert found.shown()["magnet to air"].unit == "K/W"
