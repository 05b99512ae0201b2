"""The coil's resistance read out of made voltage and current, against the one that made them."""

import math

import numpy as np
import pytest
from helpers.made_heat import FINE, Truth, drive, simulated

from tsfit.driver.record import Driver
from tsfit.heating.readout import STEP_S, read_out

RATE = 1000


def described(truth):
    ws = 2.0 * math.pi * truth.Fs
    return Driver(
        truth.name, truth.Re, truth.Fs, truth.Qms, ws * truth.Mms * truth.Re / truth.Bl**2, truth.Mms, truth.Sd, "ladder-2",
        {"Le": truth.Le, "L2": truth.L2, "R2": truth.R2},
    )  # fmt: skip


@pytest.fixture(scope="module")
def run():
    """Truth, voltage, current, and the resistance of each second weighted by the current."""
    truth = Truth(Ctv=12.0, Ctm=300.0)
    volts = drive(RATE, 50, 350.0, 45.0, np.random.default_rng(1), pilot_s=10.0, run_s=30.0)
    current, coil, _ = simulated(truth, volts, RATE)
    square = np.add.reduceat(current**2, np.arange(0, len(current), RATE))
    ohm = truth.Re * (1.0 + truth.alpha * coil)
    return truth, volts[::FINE], current, np.add.reduceat(ohm * current**2, np.arange(0, len(current), RATE)) / square


@pytest.mark.against("resistance of a warming coil, second by second", "a driver simulated in time", "0.2 %")
def test_resistance_is_that_of_the_coil(run):
    truth, volts, current, ohm = run
    found = read_out([(volts, current)], RATE, described(truth))
    # A second that follows a switch still holds what rings on from before it.
    inside = np.r_[1:9, 11:39, 42:49]
    assert found.resistance[inside] == pytest.approx(ohm[inside], rel=2e-3)
    assert ohm[38] > 1.2 * truth.Re


def test_powers_are_means_over_each_second(run):
    truth, volts, current, _ = run
    found = read_out([(volts, current)], RATE, described(truth))
    whole = slice(20 * RATE, 21 * RATE)
    for name, product in (("square", current**2), ("voltage2", volts**2), ("power", volts * current)):
        assert getattr(found, name)[20] == pytest.approx(product[whole].mean(), rel=1e-5)


def test_blocks_do_not_matter(run):
    truth, volts, current, _ = run
    whole = read_out([(volts, current)], RATE, described(truth))
    cuts = np.array([777, 2600, 2601, 19000, 40123])
    blocks = zip(np.split(volts, cuts), np.split(current, cuts), strict=True)
    parts = read_out(blocks, RATE, described(truth))
    assert parts.resistance == pytest.approx(whole.resistance, rel=1e-5)
    assert parts.velocity == pytest.approx(whole.velocity, rel=1e-5)


def test_velocity_and_iron_of_a_driver_with_closed_answers():
    """A resistor and a mass on a motor: v = Bl i/|jωM + R + 1/(jωC)|."""
    driver = Driver("x", 5.0, 3.0, 1.0, 1.0, 0.5, 0.05, "simple", {"Le": 0.0})
    t = np.arange(40 * RATE) / RATE
    current = 2.0 * np.sin(2.0 * np.pi * 10.0 * t)
    found = read_out([(5.0 * current, current)], RATE, driver)
    w = 2.0 * math.pi * 10.0
    expected = driver.Bl * math.sqrt(2.0) / abs(1j * w * 0.5 + driver.Rms + 1.0 / (1j * w * driver.Cms))
    assert found.velocity[3:-3] == pytest.approx(expected, rel=5e-3)
    assert found.spectrum.magnet_ohm(np.array([5.0])) == pytest.approx(0.0, abs=1e-12)


def test_where_nothing_is_played_nothing_is_read():
    driver = described(Truth())
    silent = np.zeros(40 * RATE)
    noise = np.random.default_rng(2).normal(0.0, 1.0, 40 * RATE)
    found = read_out([(np.concatenate([silent, 6.0 * noise]), np.concatenate([silent, noise]))], RATE, driver)
    assert not np.isfinite(found.stdev[:30] / STEP_S).any() or np.all(found.square[:30] == 0.0)
    assert np.isfinite(found.stdev[45:75]).all()


@pytest.mark.parametrize("aside", [0.0, 5.0, 20.0])
def test_what_is_loud_beside_a_quiet_second_does_not_shift_it(aside):
    """What a driver whose coil rests aside adds at 40 dB more must not ring into the seconds before and after."""
    rate = RATE
    truth = Truth(bl1=aside, bl2=60.0, k2=150.0, Ctv=40.0)
    volts = drive(rate, 24, 350.0, 45.0, np.random.default_rng(3), pilot_s=7.0, run_s=8.0)
    current, coil, _ = simulated(truth, volts, rate)
    found = read_out([(volts[::FINE], current)], rate, described(truth))
    ohm = truth.Re * (1.0 + truth.alpha * coil.reshape(-1, rate).mean(axis=1))
    for quiet in (slice(1, 6), slice(18, 22)):
        assert found.resistance[quiet] == pytest.approx(ohm[quiet], rel=2e-3)
