"""Proposals against textbook formulas (Small, JAES 20(10), 1972), and questions that are none."""

import math
from dataclasses import replace

import pytest
from helpers.boxes import box_plan
from helpers.made_fit import made_driver

from tsfit.base.errors import TsfitError
from tsfit.box.design.proposal import ClosedAim, VentedAim, VentedBounds, propose_closed, propose_vented

DRIVER = made_driver()
VENTED = box_plan("vented", volume=math.nan)


def test_a_closed_box_by_qtc_has_the_volume_of_the_textbook():
    found = propose_closed(DRIVER, ClosedAim(qtc=0.8))
    assert found.result.chamber.volume == pytest.approx(DRIVER.Vas / ((0.8 / DRIVER.Qts) ** 2 - 1.0))
    assert found.asked == "closed box by Qtc 0.8"


def test_both_boxes_of_one_f3_have_it():
    """|G|² = 1/2 at f3 for a second-order high-pass with the fc and Qtc of either volume."""
    f3 = 2.0 * DRIVER.Fs
    without_coil = replace(DRIVER, coil="simple", coil_values={"Le": 0.0})
    found = propose_closed(without_coil, ClosedAim(f3=f3))
    larger = [1e-3 * float(words.split()[0]) for words in found.others]
    assert len(larger) == 1
    for volume, exact in ((found.plan.volume, 1e-7), (larger[0], 5e-3)):
        ratio = math.sqrt(1.0 + DRIVER.Vas / volume)
        x, q = (f3 / (DRIVER.Fs * ratio)) ** 2, DRIVER.Qts * ratio
        assert x**2 / ((1.0 - x) ** 2 + x / q**2) == pytest.approx(0.5, rel=exact)


def test_the_largest_volume_counts_what_is_displaced():
    like = box_plan("closed", qtc=0.7, displaced=0.002)
    assert propose_closed(DRIVER, ClosedAim(largest_volume=0.012), like).plan.volume <= 0.012 + 1e-12


@pytest.mark.parametrize("aim", [ClosedAim(), ClosedAim(qtc=0.7, f3=50.0)])
def test_a_closed_box_is_asked_for_by_one_thing(aim):
    with pytest.raises(TsfitError, match="exactly one"):
        propose_closed(DRIVER, aim)


def test_aims_of_a_vented_box_exclude_each_other():
    with pytest.raises(TsfitError, match="keep one"):
        VentedAim("B4", least_ripple=True)
    with pytest.raises(TsfitError, match="smallest volume is above"):
        VentedBounds(largest_volume=0.02, smallest_volume=0.03).limits(DRIVER, VENTED.filling)


def test_a_vented_box_keeps_its_bounds():
    found = propose_vented(DRIVER, VentedAim(), VentedBounds(largest_volume=0.05, ripple_db=0.3), VENTED)
    assert found.plan.volume <= 0.05 * (1.0 + 1e-9)
    assert found.result.pass_band.ripple_db <= 0.3 + 0.02
    assert found.limits.volume[1] == pytest.approx(0.05)
