"""The Kramers-Kronig test on curves of drivers: silent on sound ones, loud on broken ones, exact about noise."""

import math

import kernel_cases
import numpy as np
import pytest

from tsfit.circuit.kramers_kronig import kramers_kronig
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver import mechanical_resistance

FREQUENCY = np.geomspace(5.0, 20000.0, 575)
JW = 2j * math.pi * FREQUENCY


def curve(coil="ladder-2", suspension="ideal", load="free air", **changed):
    values = kernel_cases.DRIVER | kernel_cases.COILS[coil] | kernel_cases.SUSPENSIONS[suspension] | changed
    return impedance(FREQUENCY, values, Circuit(coil, suspension), kernel_cases.LOADS[load])


# Wright's four exponents need not be causal, hence are missing here.
@pytest.mark.parametrize("coil", ["simple", "ladder-2", "ladder-3", "power-law", "semi-inductance"])
@pytest.mark.parametrize("suspension", ["ideal", "log-creep"])
def test_every_causal_driver_passes(coil, suspension):
    assert kramers_kronig(FREQUENCY, curve(coil, suspension)).rms < 1e-4


@pytest.mark.parametrize("load", kernel_cases.LOADS)
def test_every_load_passes(load):
    assert kramers_kronig(FREQUENCY, curve(load=load)).rms < 1e-4


@pytest.mark.parametrize("qms", [1.5, 5.0, 20.0])
def test_resonance_is_found(qms):
    fs = 1.0 / (2.0 * math.pi * math.sqrt(kernel_cases.DRIVER["Mms"] * kernel_cases.DRIVER["Cms"]))
    found = kramers_kronig(FREQUENCY, curve(Rms=mechanical_resistance(fs, kernel_cases.DRIVER["Mms"], qms)))
    assert found.rms < 1e-4
    assert np.abs(found.poles_hz / fs - 1.0).min() < 1e-3


def test_one_resonator_cannot_be_made_of_rc_elements():
    assert kramers_kronig(FREQUENCY, curve(), most_resonances=0).rms > 0.05


@pytest.mark.parametrize("noise", [1e-4, 1e-3, 1e-2])
def test_residual_of_a_sound_curve_is_its_noise(noise):
    ratios = []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        z = curve() * (1.0 + noise / math.sqrt(2.0) * (rng.standard_normal(575) + 1j * rng.standard_normal(575)))
        ratios.append(kramers_kronig(FREQUENCY, z, noise=noise).rms / noise)
    # RMS of 575 complex numbers, less what a few moved poles take: 3 % one sigma.
    assert np.all(np.abs(np.array(ratios) - 1.0) < 0.12)
    assert abs(np.mean(ratios) - 1.0) < 0.04


def broken():
    z = curve()
    ratio = z / (z + 100.0) * np.exp(JW / 48000.0)
    return {
        "coil warms by 10 % while sweeping": z + 0.56 * np.log(FREQUENCY / 5.0) / math.log(4000.0),
        "gain steps by 2 %": z * np.where(FREQUENCY > 300.0, 1.02, 1.0),
        "phase turned by 2 degrees": z * np.exp(0.035j),
        "conjugate": z.conj(),
        "second channel a sample early": 100.0 * ratio / (1.0 - ratio),
    }


@pytest.mark.parametrize("name", broken())
def test_a_broken_curve_shows(name):
    assert kramers_kronig(FREQUENCY, broken()[name]).rms > 3e-3


def test_noise_stops_the_search():
    z = curve()
    assert len(kramers_kronig(FREQUENCY, z, noise=1e-3).poles_hz) == 1


def test_few_points():
    few = slice(0, 575, 48)
    found = kramers_kronig(FREQUENCY[few], curve()[few])
    assert math.isfinite(found.rms)
    assert found.residual.shape == (12,)
