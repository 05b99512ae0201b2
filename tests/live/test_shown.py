"""What is drawn is what the box has: room, equaliser and the drive to the limit included."""

from itertools import pairwise

import numpy as np
import pytest
from helpers.tried import two_drivers

from tsfit.box.equaliser.sections import parse_section
from tsfit.live.shown import frequencies, show
from tsfit.live.state import PageState

DRIVERS = two_drivers()
VENTED = {"volume_l": 60, "tuning_hz": 31, "port.diameter_cm": 8}


def shown(**more):
    return show(PageState(kind="vented", values=VENTED, **more), DRIVERS)


def test_curves_are_those_of_the_box():
    found = shown()
    box = PageState(kind="vented", values=VENTED).plan.build(DRIVERS[0].driver, found.frequency_hz)
    first = found.drivers[0]
    assert first.curves["spl_db"] == pytest.approx(box.curves.spl_db)
    assert first.curves["max_spl_db"] == pytest.approx(box.maximum.spl_db)
    assert first.limits["excursion_mm"] == pytest.approx(6.0)
    # Whose fit is known has bands about the curves, here read at the frequencies of the bands.
    band = first.bands["excursion_mm"]
    middle = np.interp(np.log(found.band_hz), np.log(found.frequency_hz), first.curves["excursion_mm"])
    assert np.mean((band.low <= middle * 1.01) & (middle * 0.99 <= band.high)) > 0.9
    assert found.drivers[1].bands == {}


def test_limits_follow_one_another_over_the_whole_range():
    found = shown()
    stops = found.drivers[0].stops
    assert stops[0].from_hz == pytest.approx(found.frequency_hz[0])
    assert stops[-1].to_hz == pytest.approx(found.frequency_hz[-1])
    assert {stop.limit for stop in stops} <= {"power", "travel", "port speed"}
    assert all(one.to_hz < after.from_hz and one.limit != after.limit for one, after in pairwise(stops))


def test_an_equaliser_moves_level_travel_and_delay():
    plain = shown().drivers[0].curves
    asked = [{"kind": "peaking", "frequency_hz": 40.0, "q": 1.2, "gain_db": 6.0}]
    found = shown(sections=asked)
    curves, hz = found.drivers[0].curves, found.frequency_hz
    gain = curves["spl_db"] - plain["spl_db"]
    assert gain.max() == pytest.approx(6.0, abs=0.05)
    assert curves["excursion_mm"] / plain["excursion_mm"] == pytest.approx(10.0 ** (gain / 20.0))
    assert curves["max_spl_db"] == pytest.approx(plain["max_spl_db"])
    # Delay against the plain difference quotient of the phase.
    phase = np.unwrap(np.angle(parse_section("peaking 40 Hz, Q 1.2, +6 dB").response(hz)))
    delay = -1e3 * np.gradient(phase, hz) / (2.0 * np.pi)
    assert (curves["group_delay_ms"] - plain["group_delay_ms"])[5:-5] == pytest.approx(delay[5:-5], abs=0.1)
    assert any("times the power" in sentence for sentence in found.drivers[0].sentences)


def test_at_the_limit_each_driver_stands_at_what_stops_it():
    found = shown(to_limit=True)
    for driver in found.drivers:
        assert driver.curves["spl_db"] == pytest.approx(driver.curves["max_spl_db"])
        for stop in driver.stops:
            inside = (found.frequency_hz >= stop.from_hz) & (found.frequency_hz <= stop.to_hz)
            if stop.limit == "travel":
                assert driver.curves["excursion_mm"][inside] == pytest.approx(driver.limits["excursion_mm"])
            if stop.limit == "port speed":
                assert driver.curves["port_speed_m_s"][inside] == pytest.approx(driver.limits["port_speed_m_s"])


def test_a_room_lifts_the_bottom():
    lift = shown(room_m=5.0).drivers[0].curves["spl_db"] - shown().drivers[0].curves["spl_db"]
    assert lift[0] == pytest.approx(12.0)
    assert lift[-1] == 0.0


def test_the_verdict_names_who_leads():
    verdict = shown().verdict
    assert verdict.startswith("f3 ")
    assert all(name in verdict for name in ("Wagtail 8", "Dipper 8"))
    assert "at 25 Hz" in verdict
    bare = show(PageState(kind="vented", values={"volume_l": 60.0, "tuning_hz": 30.0}), DRIVERS).verdict
    assert "loudest, with air speed in the port, leaks and heat not counted, at 25 Hz" in bare
    lone = show(PageState(kind="closed", values={"qtc": 0.8}), DRIVERS[1:]).verdict
    assert "by" not in lone


def test_a_small_driver_is_drawn_where_it_plays():
    assert frequencies(50.0, 3)[0] == pytest.approx(5.0)
    assert frequencies(400.0, 3)[0] == pytest.approx(50.0)
