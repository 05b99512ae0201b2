"""Harmonics of a planned box: what the kernel's tone makes of them, and what is not told."""

import math

import numpy as np
import pytest
from helpers.made_curves_over_travel import driver_of, travel_of
from helpers.made_large_signal import CURVED

from tsfit.box.distortion import distortion
from tsfit.box.kinds import BafflePlan, ClosedPlan, VentedPlan
from tsfit.box.parts import DriverSet, StatedDrive
from tsfit.circuit.large_signal_steady import large_signal_of, steady

TOLD = travel_of()


def test_the_driver_of_a_result_has_its_curves():
    again, x = large_signal_of(TOLD), np.linspace(-0.011, 0.011, 9)
    for name in ("Bl", "K", "shape"):
        assert again.at(name, x) == pytest.approx(CURVED.at(name, x), rel=1e-3)
    assert again.friction == pytest.approx(CURVED.friction, rel=1e-3)


def test_in_a_baffle_harmonics_of_the_pressure_are_those_of_the_acceleration():
    box = BafflePlan().build(driver_of(TOLD)).enclosure
    found = distortion(box, TOLD, np.array([40.0]), np.array([25.0]))
    tone = steady(large_signal_of(TOLD), 40.0, 25.0, lambda frequency: 0j * np.asarray(frequency))
    second, third = (100.0 * n**2 * abs(tone.travel[n] / tone.travel[1]) for n in (2, 3))
    assert (found.second_percent[0], found.third_percent[0]) == pytest.approx((second, third), rel=1e-6)
    assert found.travel_mm[0] == pytest.approx(1e3 * max(tone.outward, -tone.inward))
    assert "largest at 40 Hz" in found.sentence()


def test_little_drive_distorts_little_and_the_port_is_counted_at_each_harmonic():
    frequency, volts = np.array([30.0, 60.0]), np.array([0.3, 0.3])
    for plan in (ClosedPlan(volume=0.06), VentedPlan(volume=0.1, tuning=30.0)):
        quiet, louder = (distortion(plan.build(driver_of(TOLD)).enclosure, TOLD, frequency, k * volts) for k in (1.0, 10.0))
        assert np.all(quiet.second_percent < 0.5)
        # Second harmonics grow with the drive, third ones with its square.
        assert louder.second_percent / quiet.second_percent == pytest.approx([10.0, 10.0], rel=0.1)
        assert louder.third_percent / quiet.third_percent == pytest.approx([100.0, 100.0], rel=0.2)


def test_two_drivers_at_the_same_volts_in_twice_the_box_distort_as_one():
    one = ClosedPlan(volume=0.06, drive=StatedDrive(source_ohm=0.2)).build(driver_of(TOLD)).enclosure
    plan = ClosedPlan(volume=0.12, drivers=DriverSet(count=2), drive=StatedDrive(source_ohm=0.1))
    two = plan.build(driver_of(TOLD)).enclosure
    frequency, volts = np.array([35.0]), np.array([20.0])
    first, second = (distortion(box, TOLD, frequency, volts) for box in (one, two))
    assert second.second_percent == pytest.approx(first.second_percent, rel=1e-6)
    assert second.third_percent == pytest.approx(first.third_percent, rel=1e-6)


def test_beyond_the_curves_nothing_is_told():
    found = distortion(BafflePlan().build(driver_of(TOLD)).enclosure, TOLD, np.array([20.0, 90.0]), np.array([60.0, 20.0]))
    assert math.isnan(found.second_percent[0])
    assert found.second_percent[1] > 0.0
    assert "beyond the measured curves at 20 Hz" in found.sentence()
    none = distortion(BafflePlan().build(driver_of(TOLD)).enclosure, TOLD, np.array([20.0]), np.array([60.0]))
    assert none.sentence().startswith("The cone goes beyond")
