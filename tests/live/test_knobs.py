"""Every knob turns something that a box has, and where it starts a box can be built."""

from typing import get_args

import pytest
from helpers.tried import random_states, two_drivers

from tsfit.base.errors import TsfitError
from tsfit.box.enclosure import Kind
from tsfit.live.knobs import groups_of, setup_of
from tsfit.live.state import OWN, PageState, first_state

DRIVERS = two_drivers()


@pytest.mark.parametrize("kind", get_args(Kind))
def test_every_way_starts_with_a_box(kind):
    groups = groups_of(kind, DRIVERS)
    for group in groups:
        for way in group.ways:
            chosen = [knob for other in groups if other is not group for knob in other.ways[0].knobs if not knob.optional]
            values = {knob.key: knob.usual for knob in (*chosen, *way.knobs) if knob.key not in OWN}
            if "port.length_cm" in values:
                values["port.diameter_cm"] = 8.0
            for one in DRIVERS:
                state = PageState(kind=kind, values=values)
                assert state.plan.build(one.driver).f3_hz > 0.0, (group.title, way.name)


def test_what_is_usual_lies_between_the_ends():
    for groups in setup_of(DRIVERS, first_state(DRIVERS)).groups.values():
        for knob in (knob for group in groups for way in group.ways for knob in way.knobs):
            assert knob.usual in knob.words if knob.words else knob.low <= knob.usual <= knob.high, knob
            assert knob.step or knob.words or knob.low > 0.0, knob


def test_much_of_what_can_be_turned_to_can_be_built():
    refused = []
    for state in random_states(60, DRIVERS):
        try:
            state.plan.build(DRIVERS[0].driver)
        except TsfitError as error:
            refused.append(error.code)
    assert set(refused) <= {"port_too_short", "tuning_too_high", "wrong_value", "usage", "unreachable_qtc"}
    assert len(refused) < 40, refused
