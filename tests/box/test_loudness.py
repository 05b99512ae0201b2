import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.boxes import closed_box, vented_box
from scipy.signal import butter, freqs

from tsfit.base.errors import TsfitError
from tsfit.box.limits import maximum_output
from tsfit.box.loudness import (
    HighPass,
    amplifier_need,
    butterworth_gain,
    level_needs,
    level_report,
    protecting_high_passes,
    sensible_first,
    watts,
)
from tsfit.driver.record import Driver

HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346, Xmax=0.006, Pe=200.0)
CLOSED = closed_box(HERON, volume=0.04)
VENTED = vented_box(HERON, volume=0.06, tuning=31.0, port_diameter=0.08, leak_q=10.0)
F = np.array([40.0, 63.0, 125.0])


@pytest.mark.parametrize("box", [CLOSED, VENTED])
def test_driven_with_what_it_needs_the_box_gives_the_level(box):
    needs = level_needs(box, 104.0, F, distance_m=4.0)
    for k, frequency in enumerate(F):
        driven = replace(box.enclosure, voltage=needs.voltage_v[k]).respond(np.array([frequency]))
        assert driven.spl_db[0] - 20.0 * math.log10(4.0) == pytest.approx(104.0, abs=1e-9)
        assert 1e3 * driven.peak_travel[0] == pytest.approx(needs.excursion_mm[k])
        power = (np.conj(driven.current) * driven.current * driven.impedance).real[0]
        assert needs.real_power_w[k] == pytest.approx(power)
    np.testing.assert_allclose(needs.power_w, needs.voltage_v**2 / 5.6)


def test_three_db_more_is_twice_the_power_and_twice_the_distance_four_times():
    once, louder = (level_needs(CLOSED, level, F).power_w for level in (100.0, 103.0103))
    np.testing.assert_allclose(louder / once, 2.0, rtol=1e-5)
    np.testing.assert_allclose(level_needs(CLOSED, 100.0, F, distance_m=2.0).power_w / once, 4.0, rtol=1e-9)


@pytest.mark.parametrize(("short_db", "boxes"), [(-0.1, 1), (0.1, 2), (5.9, 2), (6.1, 3), (12.0, 4), (12.1, 5)])
def test_boxes_add_six_db_per_doubling(short_db, boxes):
    """Common practice, no source: equal boxes close together, each at its own limit."""
    most = float(np.min(maximum_output(CLOSED.enclosure, F, CLOSED.ratings).spl_db))
    assert level_needs(CLOSED, most + short_db, F).boxes == boxes


def test_the_margin_is_that_of_the_maximum_output():
    needs = level_needs(VENTED, 100.0, F)
    most = maximum_output(VENTED.enclosure, F, VENTED.ratings)
    np.testing.assert_allclose(needs.margin_db, most.spl_db - 100.0)
    np.testing.assert_array_equal(needs.limited_by, most.limited_by)
    unrated = closed_box(replace(HERON, Xmax=None, Pe=None), volume=0.04)
    needs = level_needs(unrated, 100.0, F)
    assert (needs.margin_db, needs.limited_by, needs.boxes) == (None, None, None)


@pytest.mark.parametrize("order", [1, 2, 3, 4])
def test_butterworth_gain(order):
    b, a = butter(order, 2.0 * np.pi * 25.0, btype="highpass", analog=True)
    _, response = freqs(b, a, 2.0 * np.pi * F)
    np.testing.assert_allclose(butterworth_gain(F, order, 25.0), np.abs(response), rtol=1e-9)


def test_a_high_pass_just_keeps_the_travel_within_xmax():
    volts, f3 = 2.83 * 0.8 * 6.0 / VENTED.numbers()["excursion_above_fb_mm"], VENTED.numbers()["f3_hz"]
    found = protecting_high_passes(VENTED.enclosure, VENTED.ratings, f3, volts)
    assert found
    frequency = np.geomspace(5.0, 300.0, 2000)
    travel = replace(VENTED.enclosure, voltage=volts).respond(frequency).peak_travel
    assert np.max(travel) > 0.006
    for item in found:
        assert np.max(travel * butterworth_gain(frequency, item.order, item.corner_hz)) <= 0.006 * 1.001
        assert np.max(travel * butterworth_gain(frequency, item.order, 0.985 * item.corner_hz)) > 0.006
        assert item.corner_hz < f3
        assert item.loss_db == pytest.approx(-20.0 * math.log10(butterworth_gain(f3, item.order, item.corner_hz)))
    assert [item.loss_db for item in found] == sorted(item.loss_db for item in found)


def test_one_sensible_high_pass_stands_just_below_the_tuning():
    """21.7 Hz is 0.7 of 31 Hz; by hand |H|² = 1/(1 + (fc/f)^2n)."""
    first = sensible_first([HighPass(4, 5.32, 0.0), HighPass(2, 8.0, 0.01)], 34.0, 31.0)[0]
    assert (first.order, first.corner_hz) == (2, pytest.approx(21.7))
    assert first.loss_db == pytest.approx(10.0 * math.log10(1.0 + (21.7 / 34.0) ** 4))
    # One that has to stand so high that it takes much gives way to a steeper one.
    assert sensible_first([HighPass(1, 30.0, 2.5), HighPass(3, 26.0, 0.8)], 34.0, 31.0)[0].order == 3
    report = level_report(VENTED, 112.0, distance_m=3.0)
    assert report.high_passes[0].corner_hz >= 0.7 * 31.0 * 0.999
    said = " ".join(report.sentences())
    assert said.count("order") == 1
    assert "For each box, an amplifier" in said
    assert (watts(66_000.0), watts(999.4)) == ("66 kW", "999 W")


def test_none_is_offered_where_none_is_needed():
    assert protecting_high_passes(VENTED.enclosure, VENTED.ratings, 40.0, 1.0) is None
    assert protecting_high_passes(VENTED.enclosure, VENTED.ratings, 40.0, 500.0) == []
    with pytest.raises(TsfitError) as refused:
        protecting_high_passes(VENTED.enclosure, replace(VENTED.ratings, xmax_m=None), 40.0, 1.0)
    assert refused.value.code == "no_rating"


def test_the_amplifier_reaches_the_power_rating_and_stands_the_lowest_impedance():
    need = amplifier_need(CLOSED, 40.0, 200.0)
    assert need.bound_by == "power"
    assert need.voltage_v == pytest.approx(math.sqrt(200.0 * 5.6))
    frequency = np.geomspace(40.0, 200.0, 4000)
    lowest = np.min(np.abs(CLOSED.enclosure.respond(frequency).impedance))
    assert need.lowest_ohm == pytest.approx(lowest, rel=1e-3)
    # 80 % of 4 ohm is not more than 5.7 ohm, 80 % of 8 ohm is.
    assert need.rated_load_ohm == 4.0
    assert need.power_w == pytest.approx(200.0 * 5.6 / 4.0)
    assert need.current_a <= need.voltage_v / need.lowest_ohm
    assert amplifier_need(closed_box(replace(HERON, Xmax=None, Pe=None), volume=0.04), 40.0, 200.0) is None


def test_the_report_says_it_in_words():
    report = level_report(VENTED, 112.0, distance_m=3.0)
    said = " ".join(report.sentences())
    assert f"It takes {report.needs.boxes} such boxes" in said
    assert "Butterworth high-pass of order" in said
    assert "W into 4 ohm" in said
    assert report.needs.frequency_hz[0] == pytest.approx(VENTED.numbers()["f3_hz"])
    assert 100.0 in report.needs.frequency_hz
    assert report.needs.frequency_hz[-1] == 200.0
    assert "no high-pass below f3" in " ".join(level_report(VENTED, 111.0, low_hz=100.0).sentences())
    assert level_report(CLOSED, 90.0, low_hz=60.0).sentences()[0] == "One such box reaches it within its limits."


@pytest.mark.parametrize(
    ("target", "more"), [(float("nan"), {}), (300.0, {}), (100.0, {"distance_m": 0.0}), (100.0, {"low_hz": 250.0})]
)
def test_wishes_that_cannot_be(target, more):
    with pytest.raises(TsfitError) as refused:
        level_report(CLOSED, target, **more)
    assert refused.value.code == "wrong_value"
