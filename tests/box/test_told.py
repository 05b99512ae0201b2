"""How the fields of a record are told: by option or key, in the units of people, and back."""

import math
from dataclasses import dataclass
from typing import Annotated

import pytest

from tsfit.base.errors import TsfitError
from tsfit.box.told import LITRE, MM, Inside, Told, in_units, leaves, leaves_of_kind, made, told, within


@dataclass(frozen=True)
class Hole:
    width: Annotated[float | None, Told("width_mm", MM, "hole_mm")] = None
    count: Annotated[int, Told("count")] = 1
    depth: Annotated[float | None, Told("lid.depth_mm", MM, beside="lid")] = None


@dataclass(frozen=True)
class Crate:
    volume: Annotated[float, Told("volume_l", LITRE)]
    hole: Annotated[Hole | None, Inside("hole", "first_")] = None


@dataclass(frozen=True)
class Lidded(Crate):
    lid: Annotated[float, Told("lid_kg")] = 2.0


def test_values_are_read_by_option_and_by_key():
    by_option = made(Crate, {"volume_l": 30, "first_hole_mm": 8.0, "first_count": 2, "other": 1.0})
    by_key = made(Crate, {"volume_l": 30, "hole.width_mm": 8.0, "hole.count": 2}, lambda leaf: leaf.key)
    assert by_option == by_key == Crate(pytest.approx(0.03), Hole(pytest.approx(0.008), 2))


def test_a_record_that_may_be_absent_is_there_when_what_it_needs_is_told():
    assert made(Crate, {"volume_l": 30.0, "first_count": 3}).hole is None
    assert made(Crate, {"volume_l": 30.0, "first_hole_mm": None}).hole is None


def test_what_is_told_beside_something_is_no_value_without_it():
    assert "lid.depth_mm" in {leaf.key for leaf in leaves(Crate)}
    assert "lid.depth_mm" not in {leaf.key for leaf in leaves_of_kind(Crate)}
    assert [leaf.key for leaf in leaves_of_kind(Lidded)][-1] == "lid.depth_mm"


def test_values_are_told_in_the_units_of_people():
    assert told(Crate(0.3 * LITRE, Hole(0.008))) == {"volume_l": 0.3, "hole.width_mm": 8.0, "hole.count": 1}
    assert told(Crate(float("inf")))["volume_l"] is None
    assert told(Crate(0.03))["hole.count"] is None
    assert in_units(Hole(0.008, 2)) == {"width_mm": 8.0, "count": 2.0, "lid.depth_mm": None}


@pytest.mark.parametrize("value", [0.0, 5, 10.0])
def test_the_bounds_belong_to_it(value):
    assert within(value, 0.0, 10.0, "tuning", "Hz") == value


@pytest.mark.parametrize(
    ("value", "high", "says"),
    [
        (-0.1, 10.0, "tuning: -0.1 Hz cannot be; give a value between 0 and 10 Hz."),
        (10.1, 10.0, "tuning: 10.1 Hz cannot be; give a value between 0 and 10 Hz."),
        (math.nan, 10.0, "tuning: nan Hz cannot be; give a value between 0 and 10 Hz."),
        (-1.0, math.inf, "tuning: -1 Hz cannot be; give 0 Hz or more."),
    ],
)
def test_beyond_them_it_is_refused(value, high, says):
    with pytest.raises(TsfitError) as refused:
        within(value, 0.0, high, "tuning", "Hz")
    assert (refused.value.message, refused.value.code) == (says, "wrong_value")
