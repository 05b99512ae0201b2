"""The air load of a piston against radiation theory, worked with scipy's special functions and integrals.

In a baffle, one side of a piston has the radiation reactance ρcS·H1(2ka)/(ka), H1 the Struve function (Rayleigh; from
memory): 8/3 ρa³ at low ka. Without a baffle both sides together carry what a disc carries that moves broadside through
unbounded fluid, again 8/3 ρa³ (Lamb, Hydrodynamics, the ellipsoid's limit; from memory).
"""

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import struve

from tsfit.circuit.load import air_load_change, infinite_baffle, piston_radius
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.air import Air

AIR = Air(22.0, 990.0, 40.0)


def baffled_side(radius, frequency_hz):
    """Mass in kg that one side of a piston in a baffle moves."""
    omega = 2.0 * math.pi * frequency_hz
    ka = omega / AIR.sound_speed * radius
    reactance = AIR.density * AIR.sound_speed * math.pi * radius**2 * struve(1, 2.0 * ka) / ka
    return reactance / omega


def free_disc(radius, flatness=1e-4):
    """Mass in kg that a disc moves broadside: an oblate spheroid of semi-axes a, a, c with c → 0.

    Lamb, art. 114: γ0 = a²c ∫0^∞ dλ/((a² + λ)(c² + λ)^(3/2)), mass = γ0/(2 − γ0) times that of the fluid displaced.
    """
    c = flatness * radius
    # λ = c² t² − c² turns the integral into 2a²∫dt/(t²(a² + c²(t² − 1))), t from 1 to ∞; u = 1/t makes it finite.
    integral, _ = quad(
        lambda u: 2.0 * u**2 / (u**2 + flatness**2 * (1.0 - u**2)), 0.0, 1.0, epsabs=1e-13, points=[flatness]
    )
    return integral / (2.0 - integral) * 4.0 / 3.0 * math.pi * AIR.density * radius**2 * c


@pytest.mark.against("air load of a cone", "scipy.special.struve (Rayleigh's piston), Lamb's disc, from memory", "0.1 %")
@pytest.mark.parametrize("area", [0.0025, 0.0346, 0.12])
def test_what_a_cone_gains_from_free_air_to_a_baffle(area):
    """Two baffled sides less the free disc; at 5 Hz ka is below 0.02."""
    radius = math.sqrt(area / math.pi)
    gain = 2.0 * baffled_side(radius, 5.0) - free_disc(radius)
    assert air_load_change(area, AIR) == pytest.approx(gain, rel=1e-3)
    assert piston_radius(area) == pytest.approx(radius, rel=1e-15)


def test_the_low_frequency_mass_holds_at_a_tenth_of_ka_and_not_at_one():
    """H1(z) = 2z²/(3π)·(1 − z²/15 + …), so the mass falls by 4/15·(ka)²: 0.27 % at ka = 0.1."""
    area = 0.0346
    at_one = AIR.sound_speed / (2.0 * math.pi * math.sqrt(area / math.pi))
    ratio = [baffled_side(math.sqrt(area / math.pi), ka * at_one) / air_load_change(area, AIR) for ka in (0.1, 1.0)]
    assert ratio[0] == pytest.approx(1.0 - 0.01 * 4.0 / 15.0, rel=1e-4)
    assert ratio[1] < 0.85


@pytest.mark.against("air load of an 18-inch cone in a baffle", "common practice, no source: 20 g", "20 %")
def test_an_18_inch_cone_gains_about_20_grams():
    """Common practice, no source: about 20 g; Sd of an 18-inch cone about 0.12 m²."""
    assert air_load_change(0.12) == pytest.approx(0.020, rel=0.2)


@pytest.mark.parametrize("air_load", [0.0, 0.5, 1.0])
def test_the_baffle_lowers_resonance_by_that_mass(air_load):
    values = {"Re": 5.6, "Bl": 9.1, "Mms": 0.052, "Cms": 5.1e-4, "Rms": 2.2, "Sd": 0.0346, "Le": 0.0}
    mass = 0.052 + air_load * 8.0 / 3.0 * AIR.density * (0.0346 / math.pi) ** 1.5
    at = 1.0 / (2.0 * math.pi * math.sqrt(mass * 5.1e-4))
    (z,) = impedance([at], values, Circuit(), infinite_baffle(0.0346, AIR, air_load))
    assert z == pytest.approx(5.6 + 9.1**2 / 2.2, rel=1e-9)
    assert np.isclose(z.imag, 0.0, atol=1e-9)
