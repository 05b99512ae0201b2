"""Proposals against textbook formulas (Small, JAES 20(10), 1972), and questions that are none."""

import math
import re
from dataclasses import replace

import pytest
from helpers.boxes import box_plan
from helpers.made_fit import made_driver

from tsfit.base.errors import TsfitError
from tsfit.box.design.alignments import possible_alignments
from tsfit.box.design.closed import volumes_for_f3
from tsfit.box.design.proposal import ClosedAim, VentedAim, VentedBounds, propose_closed, propose_vented
from tsfit.box.kinds import ClosedPlan

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


def test_a_box_that_nobody_builds_is_not_told():
    """One of some 50 Vas has the f3 of the small one too (Small's formula)."""
    without_coil = replace(DRIVER, coil="simple", coil_values={"Le": 0.0})
    f3 = 2.1 * DRIVER.Fs
    assert volumes_for_f3(ClosedPlan(), without_coil, f3)[-1] > 10.0 * DRIVER.Vas
    assert propose_closed(without_coil, ClosedAim(f3=f3)).others == ()


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


@pytest.mark.parametrize("ripple_db", [0.3, 1.0])
def test_a_port_that_takes_of_the_volume_leaves_the_ripple_within_its_limit(ripple_db):
    """The best without its port is tuned too high for the air that the port leaves."""
    driver = replace(DRIVER, Pe=200.0, Xmax=0.008)
    whole = 1.2 * DRIVER.Vas
    found = propose_vented(driver, VentedAim(), VentedBounds(largest_volume=whole, ripple_db=ripple_db), VENTED)
    alone = propose_vented(DRIVER, VentedAim(), VentedBounds(largest_volume=whole, ripple_db=ripple_db), VENTED)
    assert found.plan.opening.port is not None
    assert alone.plan.opening.port is None
    assert found.plan.filling.acting(found.plan.volume) < 0.97 * whole
    uneven = [note for note in found.result.notes if note.code == "uneven"]
    assert uneven or found.result.pass_band.ripple_db <= ripple_db + 0.06


def test_a_limit_that_the_port_leaves_no_room_for_is_said():
    """Just the volume that the ripple needs, before the port takes of it."""
    driver = replace(DRIVER, Pe=200.0, Xmax=0.008)
    needed = _least_volume(0.3)
    found = propose_vented(driver, VentedAim(), VentedBounds(largest_volume=1.01 * needed, ripple_db=0.3), VENTED)
    assert found.result.pass_band.ripple_db > 0.35
    assert "more than the 0.3 dB asked for" in next(note.message for note in found.result.notes if note.code == "uneven")


def _least_volume(ripple_db):
    low, high = ends = 0.4 * DRIVER.Vas, 0.65 * DRIVER.Vas
    for _ in range(6):
        middle = math.sqrt(low * high)
        try:
            propose_vented(DRIVER, VentedAim(), VentedBounds(largest_volume=middle, ripple_db=ripple_db), VENTED)
            high = middle
        except TsfitError:
            low = middle
    assert ends[0] < low < high < ends[1]
    return high


@pytest.mark.parametrize(("displaced", "filling"), [(0.0, 1.0), (0.004, 1.0), (0.004, 1.2), (0.012, 1.0)])
def test_other_families_tell_the_volumes_that_they_tell_when_asked_for(displaced, filling):
    """The net volume first, and with all that is in it where that is more than asked for."""
    plan = box_plan("vented", volume=math.nan, port_diameter=0.07, displaced=displaced, filling=filling, leak_q=7.0)
    family = next(iter(possible_alignments(DRIVER, 7.0)))
    chamber = propose_vented(DRIVER, VentedAim(family), VentedBounds(), plan).result.chamber
    found = propose_vented(DRIVER, VentedAim(), VentedBounds(largest_volume=0.98 * chamber.gross), plan)
    (told,) = (one for one in found.others if family in one.partition(" alignment")[0])
    net, gross, taken = re.search(
        r"alignment: (\S+) l \((\S+) l (in all|with its port), more than asked for\)", told
    ).groups()
    assert float(net) == pytest.approx(1e3 * chamber.volume, rel=6e-3)
    assert float(gross) == pytest.approx(1e3 * chamber.gross, rel=6e-3)
    assert taken == ("in all" if displaced else "with its port")


@pytest.mark.parametrize(("off", "named"), [(0.0, 1), (0.03, 2), (-0.05, 2)])
def test_families_that_no_digit_tells_apart_are_named_once(off, named):
    """At the Qts of B4, 0.383 without leaks (Thiele 1971), the families about it are one box."""
    driver = replace(DRIVER, Qes=1.0 / (1.0 / (0.38268 * (1.0 + off)) - 1.0 / DRIVER.Qms))
    families = set(possible_alignments(driver))
    others = propose_vented(driver, VentedAim(), VentedBounds(), VENTED).others
    said = [name for one in others for name in re.findall(r"[A-Z]+\d", one.partition(" alignment: ")[0])]
    assert sorted(said) == sorted(families)
    assert len({one.partition(" alignment: ")[2] for one in others}) == len(others)
    assert len(others) == min(named, len(families))
