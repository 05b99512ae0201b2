"""A coil's losses told by the recording, where the driver's file tells none."""

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.made_heat import FINE, Truth, drive, simulated

from tsfit.driver.record import Driver
from tsfit.heating.readout import read_out

RATE = 4000
RINGS = {"usual": (1.6e-3, 1.4e-3, 4.0), "weak": (0.5e-3, 0.4e-3, 8.0), "heavy": (1.0e-3, 3.0e-3, 3.0)}


def typed(truth, le):
    """What somebody types from a datasheet."""
    qes = 2.0 * math.pi * truth.Fs * truth.Mms * truth.Re / truth.Bl**2
    return Driver(truth.name, truth.Re, truth.Fs, truth.Qms, qes, truth.Mms, truth.Sd, "simple", {"Le": le})


@pytest.mark.against("resistance of a coil whose losses nobody told", "a driver simulated in time", "0.7 %")
@pytest.mark.parametrize(("ring", "printed"), [("usual", 0.0), ("usual", 1.6e-3), ("weak", 0.9e-3), ("heavy", 2.0e-3)])
def test_what_the_coil_loses_does_not_pass_for_resistance(ring, printed):
    le, l2, r2 = RINGS[ring]
    truth = Truth(Le=le, L2=l2, R2=r2, Ctv=15.0, Ctm=300.0)
    volts = drive(RATE, 30, 1500.0, 45.0, np.random.default_rng(4), pilot_s=7.0, run_s=15.0)
    current, coil, _ = simulated(truth, volts, RATE)
    ohm = truth.Re * (1.0 + truth.alpha * coil.reshape(-1, RATE).mean(axis=1))
    found = read_out([(volts[::FINE], current)], RATE, typed(truth, printed))
    for part in (slice(1, 6), slice(9, 21), slice(24, 29)):
        assert found.resistance[part].mean() == pytest.approx(ohm[part].mean(), rel=7e-3)
    assert found.coil_told["R2"] == pytest.approx(r2, rel=0.1)
    assert found.coil_told["Le"] + found.coil_told["L2"] == pytest.approx(le + l2, rel=0.05)


@pytest.mark.parametrize("top_hz", [60.0, 100.0])
def test_what_is_only_played_about_the_resonance_tells_no_coil(top_hz):
    truth = Truth(Ctv=15.0)
    volts = drive(RATE, 20, top_hz, 30.0, np.random.default_rng(5), pilot_s=0.0)
    current, *_ = simulated(truth, volts, RATE)
    assert read_out([(volts[::FINE], current)], RATE, typed(truth, 1e-3)).coil_told is None


def test_a_coil_whose_losses_are_told_is_taken_as_it_is():
    truth = Truth()
    volts = drive(RATE, 12, 1500.0, 30.0, np.random.default_rng(6), pilot_s=3.0, run_s=6.0)
    current, *_ = simulated(truth, volts, RATE)
    told = replace(typed(truth, 0.0), coil="ladder-2", coil_values={"Le": 1.6e-3, "L2": 1.4e-3, "R2": 4.0})
    assert read_out([(volts[::FINE], current)], RATE, told).coil_told is None
