"""The step of a closed box against scipy.signal's step of the textbook's high-pass."""

import math

import numpy as np
import pytest
from helpers.boxes import closed_box
from scipy import signal

from tsfit.box.enclosure import step_response
from tsfit.driver.record import Driver

HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346)


@pytest.mark.parametrize("qtc", [0.5001, 0.707, 1.2])
def test_a_closed_box_is_a_high_pass_of_second_order(qtc):
    box = closed_box(HERON, qtc=qtc, voltage=2.0)
    time, pressure = step_response(box.enclosure)
    alpha = (qtc / HERON.Qts) ** 2 - 1.0
    w = 2.0 * math.pi * HERON.Fs * math.sqrt(1.0 + alpha)
    after = time > 1e-3
    even, course = signal.step(([1.0, 0.0, 0.0], [1.0, w / qtc, w**2]), T=np.linspace(0.0, time[-1], 4001))
    wanted = np.interp(time[after], even, course)
    # p = ρ Sd a/(2π r) at 1 m in half space; a = Bl U/(Re Mms) at the first moment.
    first = HERON.air.density * HERON.Sd * HERON.Bl * 2.0 / (HERON.Re * HERON.Mms) / (2.0 * math.pi)
    np.testing.assert_allclose(pressure[after], first * wanted, atol=0.004 * first)
    assert np.abs(pressure[time < -1e-3]).max() < 0.004 * first
