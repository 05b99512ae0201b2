"""What all kinds of boxes share: several drivers, the air load, whose rating counts."""

import math

import pytest
from helpers.boxes import box_plan
from helpers.made_fit import made_driver

from tsfit.base.errors import TsfitError
from tsfit.box.limits import Ratings

BAFFLE = box_plan("baffle")


def test_two_drivers_side_by_side_by_hand():
    """In parallel at the same volts both move as one did: twice the volume velocity; in series each has half the volts."""
    one = made_driver()
    alone = BAFFLE.build(one)
    parallel, series = (box_plan("baffle", drivers=2, in_series=n).build(one) for n in (1, 2))
    assert parallel.enclosure.driver.Re == pytest.approx(0.5 * one.Re)
    assert series.enclosure.driver.Re == pytest.approx(2.0 * one.Re)
    assert parallel.enclosure.driver.Sd == pytest.approx(2.0 * one.Sd)
    assert parallel.enclosure.driver.Fs == pytest.approx(one.Fs)
    assert parallel.at(80.0).spl_db - alone.at(80.0).spl_db == pytest.approx(20.0 * math.log10(2.0))
    assert series.at(80.0).spl_db == pytest.approx(alone.at(80.0).spl_db)


def test_the_air_load_of_a_baffle_is_eight_thirds_of_the_cubed_radius():
    one = made_driver()
    added = box_plan("baffle", air_load="baffle").setup(one).load.added_mass
    assert added == pytest.approx(8.0 / 3.0 * one.air.density * (one.Sd / math.pi) ** 1.5)
    assert BAFFLE.setup(one).load.added_mass == 0.0


def test_what_is_stated_goes_before_the_plan_and_the_plan_before_the_sheet():
    plan = box_plan("baffle", ratings={"power_w": 90.0, "amplifier_v": 40.0, "amplifier_a": 9.0})
    one = made_driver()
    stated = plan.with_ratings(Ratings(amplifier_v=20.0)).build(one).ratings
    assert (stated.power_w, stated.amplifier_v, stated.amplifier_a) == (90.0, 20.0, None)
    assert stated.xmax_m == one.Xmax


def test_an_unknown_air_load_is_refused():
    with pytest.raises(TsfitError, match="air load"):
        box_plan("baffle", air_load="none").setup(made_driver())
