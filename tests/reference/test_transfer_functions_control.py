"""Closed and vented responses against state-space models in python-control, written from Newton's second law.

Le = 0. State: cone travel and speed; with a port also the volume that has left through it and its flow. The output is
the volume acceleration of the box air, which is the far pressure but for ρ/(2πr).
"""

import math

import numpy as np
import pytest

from tsfit.box.enclosure import Enclosure, step_response
from tsfit.circuit.load import Losses, closed_box, vented_box
from tsfit.circuit.response import Circuit, Response, Source
from tsfit.driver.air import Air
from tsfit.driver.record import Driver

control = pytest.importorskip("control", reason="package control is not installed")

AIR = Air(18.0, 1000.0, 45.0)
P = {"Re": 5.6, "Bl": 9.1, "Mms": 0.052, "Cms": 5.1e-4, "Rms": 2.2, "Sd": 0.0346, "Le": 0.0}
DAMPING = P["Rms"] + P["Bl"] ** 2 / P["Re"]
F = np.geomspace(5.0, 1000.0, 120)


def closed_model(volume):
    spring = AIR.stiffness / volume
    stiffness = 1.0 / P["Cms"] + P["Sd"] ** 2 * spring
    speed = [-stiffness / P["Mms"], -DAMPING / P["Mms"]]
    push = P["Bl"] / P["Re"] / P["Mms"]
    return control.ss([[0.0, 1.0], speed], [[0.0], [push]], [[P["Sd"] * x for x in speed]], [[P["Sd"] * push]])


def vented_model(volume, tuning, port_q):
    """The box air has lost the volume Sd·x + y, so its pressure is −(Sd·x + y)·ρc²/V; it drives cone and port alike."""
    spring, omega = AIR.stiffness / volume, 2.0 * math.pi * tuning
    mass = spring / omega**2
    loss = omega * mass / port_q
    pull = P["Sd"] * spring
    cone = np.array([-(1.0 / P["Cms"] + P["Sd"] * pull), -DAMPING, -pull, 0.0]) / P["Mms"]
    port = np.array([-pull, 0.0, -spring, -loss]) / mass
    push = P["Bl"] / P["Re"] / P["Mms"]
    a = [[0.0, 1.0, 0.0, 0.0], cone, [0.0, 0.0, 0.0, 1.0], port]
    return control.ss(a, [[0.0], [push], [0.0], [0.0]], [P["Sd"] * cone + port], [[P["Sd"] * push]])


BOXES = {
    "closed": (lambda: closed_model(0.03), closed_box(0.03, AIR)),
    "vented": (lambda: vented_model(0.06, 34.0, 40.0), vented_box(0.06, 34.0, AIR, losses=Losses(port_q=40.0))),
}


@pytest.mark.against(
    "transfer functions and group delay of boxes", "python-control, state space from Newton's law", "1e-8, 1e-4"
)
@pytest.mark.parametrize("box", BOXES)
def test_response_and_group_delay(box):
    model, load = BOXES[box][0](), BOXES[box][1]
    omega = 2.0 * np.pi * F
    pressure = Response(F, P, Circuit(), load, Source(voltage=1.0, air=AIR)).pressure
    far = np.asarray(model(1j * omega)) * AIR.density / (2.0 * np.pi)
    np.testing.assert_allclose(pressure, far, rtol=1e-8)

    # Group delay of a rational function: −Re of its logarithmic derivative by s.
    transfer = control.tf(model)
    num, den = transfer.num[0][0], transfer.den[0][0]
    s = 1j * omega
    by_control = -np.real(
        np.polyval(np.polyder(num), s) / np.polyval(num, s) - np.polyval(np.polyder(den), s) / np.polyval(den, s)
    )
    # Only relative steps this wide keep both rounding and curvature of the phase below what is compared.
    near = np.stack([F * (1.0 - 1e-5), F * (1.0 + 1e-5)])
    low, high = (Response(f, P, Circuit(), load, Source(voltage=1.0, air=AIR)).pressure for f in near)
    delay = -np.angle(high / low) / (2.0 * np.pi * (near[1] - near[0]))
    np.testing.assert_allclose(delay, by_control, rtol=1e-4, atol=1e-9)


@pytest.mark.against("step response as drawn", "python-control", "0.2 % of the jump")
@pytest.mark.parametrize("box", BOXES)
def test_the_drawn_step_response(box):
    """`tsfit.box.enclosure` against control.step_response, half a millisecond away from the jump."""
    model, load = BOXES[box][0](), BOXES[box][1]
    driver = Driver("P", Re=P["Re"], Fs=30.905, Qms=1.0, Qes=1.0, Mms=P["Mms"], Sd=P["Sd"], air=AIR)
    time, pressure = step_response(Enclosure("closed", driver, load, 2.0, sets=P))
    after = time > 5e-4
    grid = np.linspace(0.0, time[-1], 4001)
    theirs = 2.0 * np.asarray(control.step_response(model, grid).outputs) * AIR.density / (2.0 * np.pi)
    jump = 2.0 * float(model.D[0, 0]) * AIR.density / (2.0 * np.pi)
    np.testing.assert_allclose(pressure[after], np.interp(time[after], grid, theirs), atol=2e-3 * jump, rtol=0.0)
    assert np.max(np.abs(pressure[time < -5e-4])) < 2e-3 * jump


@pytest.mark.parametrize("box", BOXES)
def test_step_response(box):
    """The pressure after a voltage step, from our spectrum by inverse Fourier transform of a slow square wave."""
    model, load = BOXES[box][0](), BOXES[box][1]
    rate, period = 8192.0, 2.0
    n = int(rate * period)
    f = np.fft.rfftfreq(n, 1.0 / rate)[1:]
    pressure = Response(f, P, Circuit(), load, Source(voltage=1.0, air=AIR)).pressure
    odd = np.arange(1, n // 2 + 1) % 2 == 1
    # Square wave of ±1/2: odd harmonics 1/(jπk) of the fundamental, a step of 1 at t = 0 and of −1 at half the period.
    # The jump of the response itself, which no finite spectrum draws, is taken out and put back.
    jump = float(model.D[0, 0]) * AIR.density / (2.0 * np.pi)
    spectrum = np.concatenate([[0.0], np.where(odd, (pressure - jump) / (1j * np.pi * np.arange(1, n // 2 + 1)), 0.0)])
    ours = np.fft.irfft(spectrum, n) * n + 0.5 * jump
    t = np.arange(n // 2) / rate
    theirs = control.step_response(model, t).outputs * AIR.density / (2.0 * np.pi)
    inside = slice(8, n // 4)
    np.testing.assert_allclose(ours[inside], theirs[inside], atol=2e-4 * jump, rtol=0.0)
