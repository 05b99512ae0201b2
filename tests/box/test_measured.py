"""Boxes limited by what was measured: worked by hand where one limit alone binds."""

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.made_heat_result import heat_result
from helpers.made_travel_result import made_travel_result

from tsfit.base.errors import TsfitError
from tsfit.box.compare.conditions import Candidate, in_baffle
from tsfit.box.compare.drivers import compare
from tsfit.box.kinds import BafflePlan, ClosedPlan
from tsfit.box.limits import Ratings
from tsfit.box.measured import assigned, with_measured
from tsfit.circuit.wiring import rewired
from tsfit.driver.measured import Measured
from tsfit.driver.record import Driver, NamedDriver

PRINTED = Driver("Dunlin 12", 5.0, 28.0, 6.0, 0.35, Mms=0.13, Sd=0.053, Xmax=0.015, Pe=300.0, serial="A-1")
HEAT = replace(heat_result(), driver=NamedDriver("Dunlin 12"))
TRAVEL = made_travel_result()
HOT = (1.0 + 0.00393 * 180.0) / 1.0
"""200 °C over 20 °C, copper."""


@pytest.mark.against("output by measured travel", "20 lg of the ratio of travels", "1e-9 dB")
@pytest.mark.parametrize(("distortion", "travel_mm"), [("10 %", 11.8), ("20 %", 13.9)])
def test_travel_as_measured_limits_the_output(distortion, travel_mm):
    measured = with_measured(replace(PRINTED, Pe=None), Measured(TRAVEL), distortion=distortion)
    before, after = (ClosedPlan(volume=0.08).build(one).maximum_at([20.0]) for one in (replace(PRINTED, Pe=None), measured))
    assert after.spl_db - before.spl_db == pytest.approx([20.0 * math.log10(travel_mm / 15.0)], abs=1e-9)
    told = ClosedPlan(volume=0.08).build(measured).measured[0]
    assert told.startswith(f"Travel measured: {travel_mm} mm outward ({distortion} distortion, ")


def test_a_limit_that_was_not_reached_counts_as_far_as_the_recording_went():
    far = replace(TRAVEL, travel={"10 %": TRAVEL.travel["20 %"]})
    far = replace(far, travel={"10 %": replace(far.travel["10 %"], outward=far.travel["10 %"].inward)})
    found = with_measured(PRINTED, Measured(far)).measured
    assert (found.xmax_m, found.ten_percent_m) == (0.0145, None)
    assert "where the recording ended" in found.travel


@pytest.mark.against(
    "level of a hot coil far above resonance", "Small's mid-band, P into hot Re: -10 lg of the ratio", "0.02 dB"
)
def test_power_as_measured_is_told_hot():
    """180 W instead of 300 W, and at equal power a hot coil is quieter by 10 lg of its resistance over the cold one."""
    measured = with_measured(replace(PRINTED, Xmax=None), Measured(heat=HEAT))
    before, after = (BafflePlan().build(one).maximum_at([3000.0]) for one in (replace(PRINTED, Xmax=None), measured))
    drop = 10.0 * math.log10(180.0 / 300.0) - 10.0 * math.log10(HOT)
    assert after.spl_db - before.spl_db == pytest.approx([drop], abs=0.01)
    cooler = with_measured(PRINTED, Measured(heat=HEAT), coil_c=150.0).measured
    assert (cooler.power_w, cooler.hot_ratio) == pytest.approx((130.0, 1.0 + 0.00393 * 130.0))


def test_what_is_stated_goes_before_what_was_measured():
    measured = with_measured(PRINTED, Measured(TRAVEL, HEAT))
    stated = ClosedPlan(volume=0.08, ratings=Ratings(power_w=100.0, xmax_m=0.009)).build(measured)
    assert (stated.ratings.power_w, stated.ratings.xmax_m, stated.ratings.hot_ratio) == (100.0, 0.009, None)
    assert stated.measured == ()
    both = ClosedPlan(volume=0.08).build(measured)
    assert (both.ratings.power_w, both.ratings.xmax_m) == (pytest.approx(180.0), 0.0118)
    assert [note.code for note in both.notes][:2] == ["measured_limit"] * 2
    two = ClosedPlan(volume=0.16).build(measured)
    assert two.ratings.power_w == both.ratings.power_w
    one_coil = rewired(replace(measured, wiring="parallel"), "one coil")
    assert one_coil.measured.power_w == pytest.approx(90.0)


def test_a_short_run_leaves_the_printed_power():
    short = replace(heat_result(told=False), driver=HEAT.driver)
    found = with_measured(PRINTED, Measured(heat=short))
    assert ClosedPlan(volume=0.08).build(found).ratings.power_w == 300.0
    assert "the printed one stands" in found.measured.power
    none_printed = with_measured(replace(PRINTED, Pe=None), Measured(heat=short)).measured.power
    assert none_printed == "The run at power was too short to tell continuous power."
    with pytest.raises(TsfitError, match="350 °C is beyond the 100 to 300 °C"):
        with_measured(PRINTED, Measured(heat=HEAT), coil_c=350.0)


def test_results_find_their_driver_in_any_order():
    other = replace(PRINTED, name="Curlew 15")
    found = assigned([other, PRINTED], [Measured(heat=HEAT), Measured(TRAVEL)])
    assert (found[0], found[1]) == (Measured(), Measured(TRAVEL, HEAT))
    twins = [replace(PRINTED, serial="A-2"), PRINTED]
    assert assigned(twins, [Measured(TRAVEL)]) == [Measured(), Measured(TRAVEL)]
    with pytest.raises(TsfitError, match="about Dunlin 12"):
        assigned([other, other], [Measured(TRAVEL)])
    with pytest.raises(TsfitError, match="Dunlin 12: two results of travel"):
        assigned([other, PRINTED], [Measured(TRAVEL), Measured(TRAVEL)])


def test_comparisons_at_ten_percent_and_at_rated_power_hot():
    """One driver twice, the second with 1 dB less travel, a coil that gets 1 dB hotter being its printed power's affair."""
    one = with_measured(PRINTED, Measured(TRAVEL, HEAT))
    # √(300·5) V: 1500 V², of which the run says 5·(T − 20), beyond its 300 °C.
    assert one.measured.rated_hot_ratio is None
    weaker = replace(PRINTED, Pe=200.0)
    one, two = (with_measured(each, Measured(TRAVEL, HEAT)) for each in (weaker, replace(weaker, Pe=100.0)))
    assert one.measured.rated_hot_ratio == pytest.approx(1.0 + 0.00393 * 200.0)
    two = replace(two, name="Dunlin 12 B", measured=replace(two.measured, ten_percent_m=0.0118 * 10**-0.05))
    case = compare([Candidate(one), Candidate(two)], [in_baffle()]).cases[0]
    assert case.differences["10 % distortion"][0].db == pytest.approx(np.full(len(case.frequency_hz), -1.0))
    k = int(np.argmin(np.abs(case.frequency_hz - 1000.0)))
    cooler = 20.0 * math.log10((1.0 + 0.00393 * 200.0) / (1.0 + 0.00393 * 100.0))
    assert case.differences["rated power, hot"][0].db[k] == pytest.approx(-10.0 * math.log10(2.0) + cooler, abs=0.02)
    assert any(word.startswith("At 10 % distortion, Dunlin 12 leads") for word in case.words)
    result = compare([Candidate(one), Candidate(replace(PRINTED, name="C"), ratings=Ratings(xmax_m=0.01))], [in_baffle()])
    assert [len(each.measured) for each in result.compared] == [2, 0]
    assert "10 % distortion" not in result.cases[0].level_db
