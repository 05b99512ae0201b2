"""Openings and braces keep clear of walls and of each other, or a sentence says what is in the way."""

import itertools
import math

import pytest

from tsfit.base.errors import TsfitError
from tsfit.box.panels.cabinet import cabinet
from tsfit.box.panels.plan import CabinetPlan, Tube
from tsfit.box.ports import Port

ROUND, SLOT = Tube(Port(0.07, count=2), 0.12), Tube(Port(width=0.1, height=0.03, count=2), 0.12)


@pytest.mark.parametrize("tube", [None, ROUND, SLOT])
@pytest.mark.parametrize("braces", [0, 1, 3])
@pytest.mark.parametrize(
    "several", [{"drivers": 1}, {"drivers": 4}, {"drivers": 1, "radiators": 2, "radiator_cutout": 0.13}]
)
def test_nothing_overlaps(tube, braces, several):
    plan = CabinetPlan(0.07, tube=tube, braces=braces, cutout=0.12, terminal=0.05, **several)
    built = cabinet(plan)
    width, height, _ = built.inside_mm
    wall = built.thickness_mm
    front = next(one for one in built.panels if one.name == "front").holes
    assert len(front) == plan.drivers + plan.radiators + (0 if tube is None else 2)
    for hole in front:
        for at, half, side in ((hole.x_mm, 0, width), (hole.y_mm, 1, height)):
            reach = 0.5 * hole.sides_mm[half]
            assert wall + reach - 1e-6 <= at <= wall + side - reach + 1e-6
    for one, other in itertools.combinations([hole for hole in front if hole.diameter_mm], 2):
        apart = math.hypot(one.x_mm - other.x_mm, one.y_mm - other.y_mm)
        assert apart > 0.5 * (one.diameter_mm + other.diameter_mm)
    assert len(built.brace_at_mm) == braces
    back = next(one for one in built.panels if one.name == "back").holes
    for low in built.brace_at_mm:
        for hole in (*front, *back):
            middle, reach = hole.y_mm - wall, 0.5 * hole.sides_mm[1]
            assert low + wall <= middle - reach or low >= middle + reach
    ends = [0.0, *(edge for low in built.brace_at_mm for edge in (low, low + wall)), height]
    assert ends == sorted(ends)


def test_an_opening_stands_where_it_is_told():
    built = cabinet(CabinetPlan(0.06, cutout=0.2, cutout_at=((0.25, 0.3),), terminal=0.05, terminal_at=(0.1, 0.12)))
    (driver,), (cup,) = (next(one for one in built.panels if one.name == name).holes for name in ("front", "back"))
    assert (driver.x_mm, driver.y_mm) == pytest.approx((250.0, 300.0))
    assert (cup.x_mm, cup.y_mm) == pytest.approx((100.0, 120.0))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"cutout": 0.2, "cutout_at": ((0.1, 0.3),)}, "reaches into the walls"),
        ({"drivers": 2, "cutout": 0.2, "cutout_at": ((0.2, 0.2), (0.2, 0.35))}, "no wood between them"),
        ({"drivers": 9, "cutout": 0.2}, "do not fit"),
        ({"tube": Tube(Port(width=0.5, height=0.03), 0.1)}, "slots with their boards are"),
        ({"tube": SLOT, "cutout": 0.2, "cutout_at": ((0.2, 0.16),)}, "slot's boards|no wood between"),
        ({"braces": 18}, "^braces: 18 do not fit into"),
        ({"braces": 1, "brace_open": 0.95}, "of wood around"),
    ],
)
def test_what_is_in_the_way_is_told(changes, words):
    with pytest.raises(TsfitError, match=words) as refused:
        cabinet(CabinetPlan(0.05, **changes))
    assert refused.value.code == "wrong_value"


@pytest.mark.parametrize("tube", [ROUND, Tube(Port(0.1), 0.2), SLOT, None])
def test_a_driver_whose_opening_is_not_told_is_missed_and_left_a_place(tube):
    """More than half of the front, from above, stays free: there a driver goes, above the port (common practice)."""
    built = cabinet(CabinetPlan(0.06, tube=tube))
    (said,) = built.remarks
    assert said.startswith("No opening for the driver: --cutout-mm (and --driver-l for its room)")
    front = next(one for one in built.panels if one.name == "front")
    assert front.cutout_mm is None
    assert ("the port stands low" in said) == (tube in {ROUND, Tube(Port(0.1), 0.2)})
    assert all(hole.y_mm + 0.5 * hole.sides_mm[1] < 0.5 * built.outside_mm[1] for hole in front.holes)
    told = cabinet(CabinetPlan(0.06, tube=tube, cutout=0.2, driver=0.002))
    assert told.remarks == ()


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        (CabinetPlan(0.06, cutout=0.2), "Nothing of the inside is counted for the driver: --driver-l."),
        (CabinetPlan(0.06, driver=0.002), "No opening for the driver: --cutout-mm."),
        (
            CabinetPlan(0.06, driver=0.002, braces=1),
            "No opening for the driver: --cutout-mm; the braces may lie behind it.",
        ),
    ],
)
def test_what_is_not_told_of_the_driver_is_asked_for(plan, words):
    assert cabinet(plan).remarks == (words,)
