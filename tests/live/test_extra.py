"""Price, heat of the coil and harmonics stand beside the curves where more is known of a driver."""

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.made_curves_over_travel import travel_of
from helpers.made_heat_result import heat_result
from helpers.tried import two_drivers

from tsfit.box.distortion import distortion
from tsfit.box.measured import with_measured
from tsfit.driver.measured import Measured
from tsfit.driver.record import NamedDriver
from tsfit.live.shown import distorted, show
from tsfit.live.state import PageState
from tsfit.live.take import command_lines

DRIVERS = two_drivers()
VENTED = {"volume_l": 60, "tuning_hz": 31, "port.diameter_cm": 8, "drive.voltage_v": 12.0}
NAME = NamedDriver(DRIVERS[0].driver.name)


def known(**what):
    """The first driver with what was measured of it."""
    measured = Measured(**{key: replace(one, driver=NAME) for key, one in what.items()})
    words = tuple(word for key in what for word in (f"--{key}", f"{key}.json"))
    return replace(DRIVERS[0], driver=with_measured(DRIVERS[0].driver, measured), measured=measured, words=words)


def told_price(one, **more):
    (shown,) = show(PageState(kind="closed", values={"volume_l": 40.0, "drivers.count": 2}, **more), [one]).drivers
    return [sentence for sentence in shown.sentences if sentence.startswith("Price")]


def test_a_price_is_said_only_where_one_was_told_and_of_what():
    assert told_price(DRIVERS[0]) == []
    assert told_price(replace(DRIVERS[0], cost=90.0)) == [
        "Price: 180 (2 x 90 for drivers), without boards, port, filling, waste and work."
    ]


def test_boards_cost_by_their_area():
    """Against the six walls of the outside: 40 l net in the proportions 1 : 1.26 : 1.59, of 19 mm board."""
    (said,) = told_price(replace(DRIVERS[0], cost=90.0), board_price=20.0)
    d, w, h = (p * (0.040 / (1.26 * 1.59)) ** (1.0 / 3.0) for p in (1.0, 1.26, 1.59))
    t = 0.019
    area = 2.0 * ((h + 2 * t) * (w + 2 * t) + (w + 2 * t) * d + h * d)
    verdict = show(PageState(kind="closed", values={"volume_l": 40.0}, board_price=20.0), [DRIVERS[0]]).verdict
    assert verdict.endswith(f"Price {20.0 * area:.4g} with Wagtail 8.")
    assert f"{area:.2f} m² of 19 mm board at 20" in said
    assert float(said.split()[1]) == pytest.approx(180.0 + 20.0 * area, rel=1e-3)


def test_boards_that_cannot_be_had_leave_the_price_open():
    (shown,) = show(PageState(kind="baffle", board_price=20.0), DRIVERS[:1]).drivers
    assert "Price: open, for the boards are: A box of the kind 'baffle' is not one chamber" in shown.sentences[-1]


def test_a_coil_rests_where_the_run_says_it_does():
    """The made run has one degree for each watt from 20 °C; power is V² Re(1/Z)."""
    state = PageState(kind="vented", values=VENTED)
    found = show(state, [known(heat=heat_result())])
    box = state.plan.build(DRIVERS[0].driver)
    power = 12.0**2 * np.real(1.0 / box.enclosure.impedance(found.frequency_hz))
    assert found.drivers[0].curves["coil_c"] == pytest.approx(20.0 + power)
    loud = state.model_copy(update={"values": {**VENTED, "drive.voltage_v": 100.0}})
    assert np.any(np.isnan(show(loud, [known(heat=heat_result())]).drivers[0].curves["coil_c"]))
    assert "coil_c" not in show(state, DRIVERS).drivers[0].curves


def test_harmonics_are_those_of_the_drive():
    one, state = known(travel=travel_of()), PageState(kind="vented", values=VENTED)
    curve = distorted(state, [DRIVERS[1], one]).curves[1]
    hz = show(state, [DRIVERS[1], one]).frequency_hz
    k = int(np.flatnonzero(np.isfinite(curve))[-1])
    found = distortion(state.plan.build(one.driver).enclosure, one.measured.travel, hz[k : k + 1], np.array([12.0]))
    assert curve[k] == pytest.approx(math.hypot(found.second_percent[0], found.third_percent[0]))
    assert np.isnan(curve[0])
    assert np.isnan(curve[-1])


def test_the_command_is_told_of_what_was_measured():
    one = known(travel=travel_of(), heat=heat_result())
    (line,) = command_lines(PageState(kind="vented", values=VENTED), [one])
    assert line.endswith("--travel travel.json --heat heat.json")
    assert "--xmax-mm" not in line
    assert "--rated-power-w" not in line
