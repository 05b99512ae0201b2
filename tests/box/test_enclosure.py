"""The step of a closed box against scipy.signal's step of the textbook's high-pass; a ringing part against two masses."""

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.boxes import closed_box
from scipy import signal

from tsfit.box.enclosure import RINGING, step_response
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


@pytest.mark.against("kink that a part of the cone makes in the level", "equations of motion of two masses, solved", "2 %")
@pytest.mark.parametrize("q", [3.0, 10.0, 30.0])
def test_what_rings_at_the_least_that_is_named(q):
    """From crest to trough, two masses beside one; share times Q of 0.05 makes 0.43 dB where Q is high."""
    hz, share = 760.0, RINGING / q
    part = {"Fp1": hz, "mp1": 1.001 * share, "Qp1": q}
    box = closed_box(replace(HERON, suspension_values={**HERON.suspension_values, **part}), qtc=0.707).enclosure
    assert box.ringing_hz == (hz,)
    assert replace(box, driver=replace(box.driver, suspension_values={**part, "mp1": 0.999 * share})).ringing_hz == ()
    f, w = np.geomspace(0.5 * hz, 2.0 * hz, 2000), 2.0 * math.pi * hz
    cone = []
    for s in 2j * math.pi * f:
        joint = HERON.Mms * share * (w / q + w**2 / s)
        motion = np.diag(
            [HERON.Mms * (1.0 - share) * s + HERON.Bl**2 / HERON.Re, HERON.Mms * share * s]
        ) + joint * np.array([[1.0, -1.0], [-1.0, 1.0]])
        cone.append(np.linalg.solve(motion, [1.0, 0.0])[0] * (HERON.Mms * s + HERON.Bl**2 / HERON.Re))
    kink = np.ptp(20.0 * np.log10(np.abs(cone)))
    assert np.ptp(box.level_db(f) - box.without_parts.level_db(f)) == pytest.approx(kink, rel=0.02)
    assert kink == pytest.approx(20.0 / math.log(10.0) * RINGING, rel=0.06)
