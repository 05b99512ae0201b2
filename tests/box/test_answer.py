"""What is said first of a box, and the table of its levels."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from helpers.boxes import box_plan
from helpers.made_fit import made_driver

from tsfit.box.answer import answer, counted, levels, with_remedies
from tsfit.box.frequencies import LOUDEST_HZ
from tsfit.box.limits import Ratings
from tsfit.box.ports import Port
from tsfit.box.result import box_form
from tsfit.driver.record import MeasuredLimits

HZ = (20.0, 50.0)
MEASURED = MeasuredLimits(xmax_m=0.00661, travel="Travel measured: 6.61 mm.")


def test_the_answer_says_how_loud_and_what_stops_it():
    said = answer(box_plan("closed", volume=0.045, ratings={"power_w": 100.0, "xmax_m": 0.005}).build(made_driver()))
    assert said[0].startswith("Wagtail 8, closed box: 45.0 l, f3 ")
    assert said[1].startswith("Loudest at 1 m in half space, and what stops it: ")
    assert "25 Hz (travel)" in said[1]
    assert answer(box_plan("closed", volume=0.045).build(made_driver()))[1].startswith("How loud it plays is open")


@pytest.mark.parametrize(
    ("driver", "ratings", "count", "told"),
    [
        ({"Xmax": 0.009, "Pe": 400.0}, {}, 1, "Limits: Xmax 9 mm and Pe 400 W, as printed."),
        ({"Xmax": 0.009, "Pe": 400.0}, {}, 2, "Limits of each driver: Xmax 9 mm and Pe 400 W, as printed."),
        ({"Xmax": 0.009, "Pe": 400.0}, {"xmax_m": 0.0055}, 1, "Limits: Xmax 5.5 mm as stated, Pe 400 W as printed."),
        ({"Xmax": 0.009, "measured": MEASURED}, {}, 1, "Limits: Xmax 6.61 mm, as measured."),
        (
            {"Xmax": 0.009, "Pe": 400.0, "measured": MEASURED},
            {},
            1,
            "Limits: Xmax 6.61 mm as measured, Pe 400 W as printed.",
        ),
        ({}, {"power_w": 150.0, "amplifier_v": 20.0}, 1, "Limits: Pe 150 W, as stated; amplifier 20 V."),
        ({}, {"amplifier_v": 20.0}, 2, "Limits: amplifier 20 V."),
    ],
)
def test_the_limits_that_count_are_named_and_whose_they_are(driver, ratings, count, told):
    bare = replace(made_driver(), Xmax=None, Pe=None, Ppeak=None)
    result = box_plan("closed", volume=0.045, ratings=ratings, drivers=count).build(replace(bare, **driver))
    assert told in answer(result)[1]
    form = box_form(result)
    assert counted(form.ratings, form.ratings_by or {}, form.drivers) == [told]


def test_of_a_file_that_does_not_say_whose_the_limits_are_nothing_is_guessed():
    assert counted(Ratings(power_w=400.0, xmax_m=0.009), {}, 1) == ["Limits: Xmax 9 mm and Pe 400 W."]
    assert counted(Ratings(), {}, 1) == []


@pytest.mark.parametrize(("wall_mm", "across_cm"), [(3.0, 4.6), (0.0, 4.0), (18.0, 7.6)])
def test_a_port_says_which_wall_its_room_counts_and_which_speed_stops_it(wall_mm, across_cm):
    """A tube of 4 cm with walls of 3 mm is 4.6 cm across; 5 % of 343 m/s is commonly where a port gets noisy."""
    rated = {"power_w": 100.0, "xmax_m": 0.005}
    narrow = box_plan("vented", volume=0.06, tuning=30.0, port=Port(0.04, wall=1e-3 * wall_mm), ratings=rated)
    size, loud = answer(narrow.build(made_driver()))
    taken, length = re.search(r"([\d.]+) l more", size)[1], re.search(r"([\d.]+) cm long", size)[1]
    assert f"l more, {wall_mm:.1f} mm of wall counted" in size
    assert float(taken) == pytest.approx(1e-3 * math.pi / 4.0 * across_cm**2 * float(length), abs=0.051)
    assert "(port speed)" in loud
    limit = float(
        re.search(
            r"Air in the port is held to ([\d.]+) m/s, above which ports like this are commonly called noisy\.$", loud
        )[1]
    )
    assert limit == pytest.approx(0.05 * 343.0, rel=0.01)
    wide = box_plan("vented", volume=0.06, tuning=30.0, port=Port(0.15), ratings=rated).build(made_driver())
    assert "held to" not in answer(wide)[1]


@pytest.mark.parametrize("count", [1, 2])
@pytest.mark.parametrize("ratings", [{"xmax_m": 0.005}, {"power_w": 100.0}, {"amplifier_v": 20.0}])
def test_what_has_no_rating_is_not_counted_and_what_that_asks_is_said(ratings, count):
    """W = V²/Re of each driver wired in parallel, and travel goes with the voltage."""
    driver = made_driver()
    result = box_plan("closed", volume=0.045, ratings=ratings, drivers=count).build(driver)
    said, most = answer(result)[1], result.loudest
    heat, travel = "power_w" not in ratings, "xmax_m" not in ratings
    assert ("heat" in said, "travel not counted" in said) == (heat, travel)
    assert ("--rated-power-w" in said, "--xmax-mm" in said) == (heat, travel)
    assert not said.startswith("Loudest")
    if heat:
        told = float(re.search(r"would be ([\d.]+) (k?)W", said)[1]) * (1e3 if " kW" in said else 1.0)
        assert told == pytest.approx(float(max(most.voltage_v)) ** 2 / driver.Re, rel=0.005)
    if travel:
        moved = result.at(LOUDEST_HZ).excursion_mm * most.voltage_v / result.enclosure.voltage
        assert float(re.search(r"the cone ([\d.]+) mm", said)[1]) == pytest.approx(max(moved), rel=0.06)


@pytest.mark.against("length of a port of ordinary size", "Helmholtz, from memory", "3 digits")
@pytest.mark.parametrize(("volume", "tuning"), [(0.03, 40.0), (0.06, 31.0), (0.12, 24.0)])
def test_a_box_without_a_port_says_how_long_an_ordinary_one_is(volume, tuning):
    """fb = c/(2π) √(S/(V·(L + 1.4621 a)))."""
    driver = made_driver()
    (said,) = with_remedies(box_plan("vented", volume=volume, tuning=tuning).build(driver))
    assert said.startswith("Not counted: air speed in the port (--port-diameter-cm) and leaks (--leak-q; 7 in a box")
    words = said[said.index("A port") :].split()
    a, length = 0.5e-2 * float(words[2]), 1e-2 * float(words[words.index("be") + 1])
    whole = math.pi * a**2 / volume * (driver.air.sound_speed / (2.0 * math.pi * tuning)) ** 2
    assert length == pytest.approx(whole - 1.4621 * a, rel=0.005, abs=0.0006)
    assert 0.2 < a / math.sqrt(driver.Sd / math.pi) < 0.5
    known = box_plan("vented", volume=volume, tuning=tuning, port=Port(0.05, count=2)).build(driver)
    assert with_remedies(known) == ["Not counted: leaks (--leak-q; 7 in a box of common make)."]
    assert "2 ports, each 5.0 cm across, " in answer(known)[0]
    assert with_remedies(box_plan("closed", volume=volume).build(driver)) == []
    small = with_remedies(box_plan("vented", volume=0.03, tuning=150.0).build(driver))
    assert "too wide for that tuning" in small[0]


def test_the_table_is_that_of_the_curves():
    result = box_plan("closed", volume=0.045, ratings={"xmax_m": 0.005}).build(made_driver())
    columns = levels(result, HZ)
    assert list(columns) == ["Hz", "dB at 2.83 V", "peak mm", "dB, heat not counted", "at V", "stopped by"]
    assert [float(cell) for cell in columns["peak mm"]] == pytest.approx(result.at(HZ).excursion_mm, abs=0.005)
    # Travel goes with the voltage, and the level with its logarithm.
    volts = 2.83 * 5.0 / np.array([float(cell) for cell in columns["peak mm"]])
    assert [float(cell) for cell in columns["at V"]] == pytest.approx(volts, rel=0.01)


@pytest.mark.parametrize(
    ("displaced_l", "told"), [(0.0, "1.3 l more, "), (3.0, "1.3 of the 3.0 l displaced (63.0 l in all), ")]
)
def test_what_the_port_takes_is_more_or_part_of_what_is_displaced(displaced_l, told):
    plan = box_plan("vented", volume=0.06 + 1e-3 * displaced_l, tuning=30.0, port=Port(0.08), displaced=1e-3 * displaced_l)
    assert told in answer(plan.build(made_driver()))[0]


def test_what_a_closed_chamber_holds_is_not_told_of_the_port_before_it():
    chambers = {"rear_volume": 0.03, "displaced": 0.003, "front_volume": 0.03, "tuning": 55.0, "port": Port(0.08)}
    (size, *_) = answer(box_plan("bandpass", **chambers).build(made_driver()))
    assert " l more, 3.0 mm of wall counted" in size
