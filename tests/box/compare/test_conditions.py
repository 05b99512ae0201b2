"""Equal conditions: what is said to be equal is, whatever the driver."""

from dataclasses import replace

import pytest

from tsfit.base.errors import TsfitError
from tsfit.box.compare.conditions import Candidate, in_baffle, same_cabinet, same_f3, same_qtc, same_vented, same_volume
from tsfit.driver.air import Air
from tsfit.driver.record import Driver

OLD = Driver("Dunlin 12", 5.4, 25.0, 5.0, 0.42, Mms=0.11, Sd=0.052, Xmax=0.022, Pe=300.0)
DRIVERS = [Candidate(OLD), Candidate(replace(OLD, name="Dunlin 12 S", Qes=0.30), displaced=0.004)]


def boxes(case):
    return [case.build(one) for one in DRIVERS]


@pytest.mark.parametrize(
    ("case", "name", "value"),
    [
        (same_qtc(0.707), "qtc", 0.707),
        (same_f3(70.0), "f3_hz", 70.0),
        (same_volume(0.08), "volume_l", 80.0),
        (same_vented(0.09, 24.0), "fb_hz", 24.0),
    ],
    ids=lambda value: getattr(value, "name", None),
)
def test_it_is_equal(case, name, value):
    assert [box.numbers()[name] for box in boxes(case)] == pytest.approx([value] * 2, rel=1e-4)


def test_in_one_cabinet_a_larger_driver_leaves_less_air():
    assert [box.numbers()["volume_l"] for box in boxes(same_cabinet(0.08))] == pytest.approx([80.0, 76.0])


def test_the_air_is_that_of_all():
    """At a given Qtc the volume goes with Vas, and that with the pressure: ρc² is γp (ideal gas)."""
    high = [replace(one, air=Air(20.0, 700.0)) for one in DRIVERS]
    low = [replace(one, air=Air(20.0, 1013.25)) for one in DRIVERS]
    here, there = ([same_qtc(0.707).build(one).chamber.volume for one in some] for some in (low, high))
    assert [b / a for a, b in zip(here, there, strict=True)] == pytest.approx([700.0 / 1013.25] * 2, rel=2e-3)


def test_a_baffle_has_no_volume():
    assert [box.enclosure.kind for box in boxes(in_baffle())] == ["baffle"] * 2


def test_an_f3_that_no_closed_box_has():
    with pytest.raises(TsfitError, match="no closed box has its f3 at 12 Hz"):
        boxes(same_f3(12.0))


@pytest.mark.parametrize("case", [same_volume(30.0), same_cabinet(30.0), same_vented(30.0, 20.0)])
def test_no_volume_is_told_in_powers_of_ten(case):
    assert "30000 l" in case.name
