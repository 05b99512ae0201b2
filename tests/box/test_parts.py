"""Losses, filling, radiators and drive, by hand."""

import math

import pytest
from helpers.made_fit import made_driver

from tsfit.base.errors import TsfitError
from tsfit.box.parts import Filling, Radiator, StatedDrive, StatedLosses


def test_a_filling_acts_on_what_driver_and_braces_leave():
    filling = Filling(factor=1.2, displaced=0.004)
    assert filling.acting(0.054) == pytest.approx(0.06)
    assert filling.around(0.06) == pytest.approx(0.054)
    with pytest.raises(TsfitError, match="leave nothing of 4 l"):
        filling.acting(0.004)


def test_the_spring_of_a_radiator_is_that_of_a_mass_on_it():
    """ω² = 1/(M C), and Rms = ωM/Q."""
    omega = 2.0 * math.pi * 20.0
    one = Radiator(0.11, 0.048, fs=20.0, qms=8.0)
    assert one.spring() == pytest.approx(1.0 / (omega**2 * 0.11))
    assert one.resistance() == pytest.approx(omega * 0.11 / 8.0)
    assert Radiator(0.11, 0.048, compliance=one.spring()).spring() == pytest.approx(one.spring())
    assert Radiator(0.11, 0.048, fs=20.0).resistance() == 0.0
    with pytest.raises(TsfitError, match="its resonance or its compliance"):
        Radiator(0.11, 0.048).spring()


def test_watts_into_re_are_volts():
    driver = made_driver()
    assert StatedDrive(power=50.0).volts(driver) ** 2 / driver.Re == pytest.approx(50.0)
    assert StatedDrive(voltage=4.0).volts(driver) == 4.0
    assert StatedDrive().volts(driver) == 2.83
    with pytest.raises(TsfitError, match="keep one"):
        StatedDrive(voltage=4.0, power=50.0).volts(driver)


def test_a_loss_factor_below_a_tenth_is_a_slip():
    assert StatedLosses(7.0).factors("rear_", port_q=60.0) == {
        "rear_leak_q": 7.0, "rear_absorption_q": math.inf, "rear_port_q": 60.0,
    }  # fmt: skip
    with pytest.raises(TsfitError, match="leak Q"):
        StatedLosses(0.05).factors()
