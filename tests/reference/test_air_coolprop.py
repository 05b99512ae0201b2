"""Air against CoolProp's humid air (ASHRAE RP-1485 virial mixture): density and speed of sound within 0.1 %.

CoolProp's humid air has no speed of sound, so it is put together from what it has, exactly and at fixed composition:
c² = (cp/cv)·(∂p/∂ρ)_T, the slope taken numerically. Dry air also against CoolProp's equation of state of air (Lemmon et
al., J. Phys. Chem. Ref. Data 29(3), 2000), which has one of its own.
"""

import math

import pytest

from tsfit.driver.air import Air

TEMPERATURES = (0.05, 10.0, 20.0, 30.0)  # above the triple point of water, where humidity over liquid is defined
PRESSURES = (600.0, 800.0, 1013.25, 1100.0)


@pytest.fixture(scope="module")
def coolprop():
    return pytest.importorskip("CoolProp.CoolProp", reason="package CoolProp is not installed")


@pytest.mark.against("density and sound speed of humid air", "CoolProp, humid air of ASHRAE RP-1485", "0.1 %")
@pytest.mark.parametrize("humidity", [0.0, 25.0, 50.0, 100.0])
@pytest.mark.parametrize("pressure", PRESSURES)
@pytest.mark.parametrize("temperature", TEMPERATURES)
def test_humid_air(coolprop, temperature, pressure, humidity):
    state = ("T", temperature + 273.15, "P", 100.0 * pressure)
    moisture = coolprop.HAPropsSI("W", *state, "R", humidity / 100.0)

    def density(pascal):
        return 1.0 / coolprop.HAPropsSI("Vha", "T", temperature + 273.15, "P", pascal, "W", moisture)

    step = 1e-4 * 100.0 * pressure
    slope = 2.0 * step / (density(100.0 * pressure + step) - density(100.0 * pressure - step))
    ratio = coolprop.HAPropsSI("cp_ha", *state, "W", moisture) / coolprop.HAPropsSI("cv_ha", *state, "W", moisture)
    air = Air(temperature, pressure, humidity)
    assert air.density == pytest.approx(density(100.0 * pressure), rel=1e-3)
    assert air.sound_speed == pytest.approx(math.sqrt(ratio * slope), rel=1e-3)


@pytest.mark.against(
    "density and sound speed of dry air", "CoolProp, equation of state of air by Lemmon et al. 2000", "0.1 %"
)
@pytest.mark.parametrize("pressure", PRESSURES)
@pytest.mark.parametrize("temperature", TEMPERATURES)
def test_dry_air(coolprop, temperature, pressure):
    state = ("T", temperature + 273.15, "P", 100.0 * pressure, "Air")
    air = Air(temperature, pressure, 0.0)
    assert air.density == pytest.approx(coolprop.PropsSI("D", *state), rel=1e-3)
    assert air.sound_speed == pytest.approx(coolprop.PropsSI("A", *state), rel=1e-3)


@pytest.mark.against("water vapour in air", "CoolProp, humid air of ASHRAE RP-1485", "0.1 %")
@pytest.mark.parametrize("pressure", PRESSURES)
@pytest.mark.parametrize("temperature", TEMPERATURES)
def test_vapour_fraction(coolprop, temperature, pressure):
    expected = coolprop.HAPropsSI("psi_w", "T", temperature + 273.15, "P", 100.0 * pressure, "R", 0.5)
    assert Air(temperature, pressure, 50.0).vapour_fraction == pytest.approx(expected, rel=1e-3)
