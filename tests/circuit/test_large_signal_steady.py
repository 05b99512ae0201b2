"""A tone for ever, against another integrator with the equations in fluxes, and where a formula is known."""

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.made_large_signal import CURVED, STRAIGHT
from numpy.polynomial import chebyshev
from scipy.integrate import solve_ivp

from tsfit.base.errors import TsfitError
from tsfit.circuit.large_signal import APART, ARMS, LargeSignal
from tsfit.circuit.large_signal_steady import Tone, steady

BOX = 6000.0
"""Stiffness of the air of a closed box, N/m."""


def box(frequency_hz):
    return BOX / (2j * math.pi * np.asarray(frequency_hz))


def nothing(frequency_hz):
    return 0.0j * np.asarray(frequency_hz)


def integrated(driver: LargeSignal, frequency_hz: float, volts: float, start: Tone) -> np.ndarray:
    """Peak phasors of the travel in the third period from where `start` says that it begins, the ring without current.

    States are the fluxes of coil and ring, travel and momentum.
    """
    w, tau = 2.0 * math.pi * frequency_hz, 10.0**ARMS / driver.ws
    powers = [
        (chebyshev.cheb2poly(one) / driver.x0 ** np.arange(len(one))).tolist()
        for one in (driver.Bl, driver.K, driver.shape)
    ]
    powers.append((np.arange(1, len(powers[2])) * powers[2][1:]).tolist())

    def at(which, x):
        total = 0.0
        for one in reversed(powers[which]):
            total = total * x + one
        return total

    def rate(t, y):
        coil, ring, x, momentum, *crept = y
        s, v = at(2, x), momentum / driver.Mms
        i, i2 = coil / (driver.Le * s), ring / (driver.L2 * s)
        across = driver.R2 * s * (i - i2)
        force = at(0, x) * i + 0.5 * at(3, x) * (driver.Le * i**2 + driver.L2 * i2**2) - (at(1, x) + BOX) * x
        force -= (driver.Rms + driver.Rv * abs(v) + driver.Rv2 * v**2) * v + APART * driver.arm * sum(x - q for q in crept)
        u = math.sqrt(2.0) * volts * math.cos(w * t)
        return [
            u - driver.Re * i - across - at(0, x) * v,
            across,
            v,
            force,
            *((x - q) / one for q, one in zip(crept, tau, strict=True)),
        ]

    s = 1j * w * np.arange(len(start.travel))
    x, v, i = (float(np.sum(one.real)) for one in (start.travel, s * start.travel, start.current))
    crept = [float(np.sum((start.travel / (1.0 + s * one)).real)) for one in tau]
    begin = [driver.Le * at(2, x) * i, 0.0, x, driver.Mms * v, *crept]
    t = (2.0 + np.arange(64) / 64.0) / frequency_hz
    found = solve_ivp(rate, (0.0, t[-1]), begin, "DOP853", t, rtol=1e-8, atol=1e-10)
    return np.fft.rfft(found.y[2]) / 32.0


@pytest.mark.against(
    "harmonics of travel of a tone in a box", "scipy solve_ivp, equations in fluxes", "0.1 %, of the first 1e-4"
)
@pytest.mark.parametrize(("frequency_hz", "volts"), [(30.0, 30.0), (60.0, 50.0)])
def test_harmonics_of_a_tone_in_a_closed_box(frequency_hz, volts):
    found = steady(CURVED, frequency_hz, volts, box)
    told = integrated(CURVED, frequency_hz, volts, found)
    assert 0.006 < found.outward < CURVED.x0
    assert abs(found.travel[1] / told[1] - 1.0) < 1e-3
    assert np.all(np.abs(found.travel[2:5] - told[2:5]) < 1e-4 * abs(told[1]) + 1e-3 * np.abs(told[2:5]))
    assert np.abs(found.travel[3] / found.travel[1]) > 3e-3


@pytest.mark.against(
    "third harmonic of a stiffening spring", "perturbation, kx³/4 over what moves at 3 f, from memory", "1 %"
)
def test_a_cubic_spring_at_little_travel():
    k0, hard, x0 = float(STRAIGHT.K[0]), 0.2, STRAIGHT.x0
    # K = k0 (1 + hard z²) by Chebyshev: z² = (1 + T2)/2.
    driver = replace(STRAIGHT, K=k0 * np.array([1.0 + 0.5 * hard, 0.0, 0.5 * hard]))
    f = 25.0
    found = steady(driver, f, 1.0, nothing)
    x1 = abs(found.travel[1])
    s3 = 2j * math.pi * 3.0 * f
    shape = s3 * driver.L2 * driver.R2 / (driver.R2 + s3 * driver.L2)
    motional = float(driver.Bl[0]) ** 2 * s3 / (driver.Re + s3 * driver.Le + shape)
    third = 0.25 * k0 * hard / x0**2 * x1**3 / abs(k0 + s3**2 * driver.Mms + s3 * driver.Rms + motional)
    assert abs(found.travel[3]) == pytest.approx(third, rel=0.01)
    assert abs(found.travel[2]) < 1e-9 * x1


def test_a_straight_driver_has_no_harmonics_and_the_circuit_s_own_travel():
    found = steady(STRAIGHT, 40.0, 5.0, box, source_ohm=0.3)
    s = 2j * math.pi * 40.0
    coil = STRAIGHT.Re + 0.3 + s * STRAIGHT.Le + 1.0 / (1.0 / (s * STRAIGHT.L2) + 1.0 / STRAIGHT.R2)
    zm = s * STRAIGHT.Mms + STRAIGHT.Rms + (float(STRAIGHT.K[0]) + BOX) / s
    bl = float(STRAIGHT.Bl[0])
    x = math.sqrt(2.0) * 5.0 * bl / (coil * zm + bl**2) / s
    assert found.travel[1] == pytest.approx(x, rel=1e-8)
    assert np.abs(found.travel[2:]).max() < 1e-10 * abs(x)
    assert found.outward == pytest.approx(-found.inward) == pytest.approx(abs(x), rel=2e-3)


def test_where_no_answer_is_found_that_is_said(monkeypatch):
    monkeypatch.setattr("tsfit.circuit.large_signal_steady.NEWTON_STEPS", 1)
    with pytest.raises(TsfitError, match=r"At 25 Hz and 40 V the driver comes to no steady state; drive it less\."):
        steady(CURVED, 25.0, 40.0, nothing)
