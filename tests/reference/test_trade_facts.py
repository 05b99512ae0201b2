"""What the trade knows about loudness; common practice, no source, unless said otherwise."""

from dataclasses import replace

import numpy as np
import pytest
from helpers.boxes import closed_box, vented_box

from tsfit.box.limits import Ratings, maximum_output
from tsfit.driver.record import Driver

F = np.geomspace(10.0, 200.0, 80)
STOUT = Driver("Heron 18", Re=3.4, Fs=26.0, Qms=5.0, Qes=0.33, Mms=0.31, Sd=0.124, Xmax=0.022)
BOXES = {
    "closed": lambda driver: closed_box(driver, volume=0.12).enclosure,
    "vented": lambda driver: vented_box(driver, volume=0.18, tuning=24.0).enclosure,
}


@pytest.mark.against(
    "output where travel binds, 28 against 22 mm", "common practice, no source: 2.1 dB", "0.001 dB of 20 lg(28/22)"
)
@pytest.mark.parametrize("kind", BOXES)
def test_28_mm_against_22_mm_is_2_1_db_wherever_travel_binds(kind):
    """20·lg(28/22) = 2.095 dB, whatever the motor."""
    short = BOXES[kind](STOUT)
    long = BOXES[kind](replace(STOUT, Qes=0.41, Mms=0.36, Fs=24.0))
    level = [maximum_output(box, F, Ratings(power_w=50e3, xmax_m=xmax)) for box, xmax in ((short, 0.022), (long, 0.028))]
    both = (level[0].limited_by == "travel") & (level[1].limited_by == "travel")
    assert np.count_nonzero(both) > 15
    np.testing.assert_allclose((level[1].spl_db - level[0].spl_db)[both], 2.0947, atol=1e-3)


@pytest.mark.against(
    "twice the power, and a peak rating of twice", "common practice, no source: 3 dB", "1e-4 dB of 10 lg 2"
)
@pytest.mark.parametrize("kind", BOXES)
def test_twice_the_power_is_3_db_and_so_is_a_peak_rating_of_twice_the_continuous_one(kind):
    box = BOXES[kind](STOUT)
    once, twice = Ratings(power_w=100.0, peak_power_w=200.0), Ratings(power_w=200.0)
    continuous = maximum_output(box, F, once).spl_db
    np.testing.assert_allclose(maximum_output(box, F, twice).spl_db - continuous, 3.0103, atol=1e-4)
    np.testing.assert_allclose(maximum_output(box, F, once, peak=True).spl_db - continuous, 3.0103, atol=1e-4)


@pytest.mark.against(
    "two closed boxes of equal Q, one driver more sensitive", "common practice, no source", "0.1 dB of the hand-worked lead"
)
def test_of_two_equal_q_closed_boxes_the_sensitive_driver_leads_in_the_upper_bass_only_and_needs_the_larger_box():
    """Same cone area and suspension; the second has a lighter cone and, with it, a somewhat weaker motor.

    By hand, with B = Bl²/Re, mass M and total stiffness k: mid-band level √B/M, bottom √B/k, and Qtc² = kM/B² fixes k.
    M times 0.7 and B times 0.8 make 2.1 dB more above and 0.2 dB less below.
    """
    mass, motor = 0.7, 0.8
    plain = STOUT
    light = replace(
        plain, Mms=plain.Mms * mass, Fs=plain.Fs / mass**0.5, Qes=plain.Qes * mass**0.5 / motor, Qms=plain.Qms * mass**0.5
    )
    first, second = (closed_box(driver, qtc=0.707, power=100.0) for driver in (plain, light))
    lead = second.at([10.0, 400.0]).spl_db - first.at([10.0, 400.0]).spl_db
    assert lead[1] == pytest.approx(10.0 * np.log10(motor / mass**2), abs=0.1)
    assert abs(lead[0]) < 0.5
    assert second.numbers()["volume_l"] > 1.05 * first.numbers()["volume_l"]
