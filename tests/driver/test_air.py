import pytest

from tsfit.driver.air import REFERENCE_AIR, Air


@pytest.mark.against("density of air", "CIPM-2007 (Picard et al. 2008), from memory", "0.04 %")
def test_density_of_the_cipm_reference_example():
    """Near 20 °C, 1013.25 hPa and 50 % the density is 1.199 kg/m³ (CIPM-2007; Picard et al. 2008, from memory)."""
    assert REFERENCE_AIR.density == pytest.approx(1.199, abs=5e-4)


@pytest.mark.against("speed of sound at 0 °C", "Cramer, JASA 93(5), 1993, from memory", "0.05 m/s")
def test_speed_of_sound_at_the_ice_point():
    """331.45 m/s in dry air at 0 °C and one atmosphere (Cramer, JASA 93(5), 1993; from memory)."""
    assert Air(0.0, 1013.25, 0.0).sound_speed == pytest.approx(331.45, abs=0.05)


def test_dry_air_is_an_ideal_gas_to_a_tenth_of_a_percent():
    """ρ = pM/(RT), c = √(γRT/M) with γ = 1.4, M = 28.965 g/mol, worked by hand for 25 °C and 900 hPa."""
    air = Air(25.0, 900.0, 0.0)
    assert air.density == pytest.approx(90000.0 * 0.028965 / (8.314 * 298.15), rel=1e-3)
    assert air.sound_speed == pytest.approx((1.4 * 8.314 * 298.15 / 0.028965) ** 0.5, rel=1e-3)


def test_stiffness_follows_the_barometer_and_not_the_thermometer():
    """ρc² = γp: 1.40 times the pressure, whatever the temperature, to 0.3 % (γ of air moves with humidity and heat)."""
    for temperature in (0.0, 15.0, 30.0):
        for pressure in (700.0, 1013.25):
            assert Air(temperature, pressure, 30.0).stiffness == pytest.approx(1.40 * 100.0 * pressure, rel=3e-3)


def test_moist_air_is_lighter_and_faster():
    dry, moist = Air(25.0, 1000.0, 0.0), Air(25.0, 1000.0, 100.0)
    assert moist.density < 0.99 * dry.density
    assert moist.sound_speed > 1.004 * dry.sound_speed
    assert dry.vapour_fraction == 0.0
