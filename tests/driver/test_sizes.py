"""Drivers that are like others of their size are left alone; those that a slip of the hand made are named with it.

The drivers are typical of what is sold, from a telephone's to a 24-inch one, by their table: effective diameter in cm, Re,
Fs, Qms, Qes, Mms in g (common practice, no source; from memory).
"""

import math
import os
import re
from dataclasses import replace

import numpy as np
import pytest
from helpers.made_sheets import drawn_driver

from tsfit.driver.record import Driver
from tsfit.driver.sizes import doubt, fitted_slips, odd_size, unusual

SOLD = (
    (1.18, 7.25, 950, 5.5, 5.8, 0.043), (3.0, 5.5, 700, 3, 1.2, 0.35), (2.9, 5.8, 1500, 2.2, 1.8, 0.3),
    (3.0, 3.4, 160, 4, 0.8, 1.3), (4.2, 3.5, 130, 4, 0.7, 1.7), (6.3, 6.2, 85, 4, 0.6, 2.5), (6, 5.5, 350, 3, 1, 2.5),
    (8, 5.6, 60, 4, 0.45, 4.5), (8, 3.6, 55, 4, 0.6, 10), (10.4, 5.5, 40, 4, 0.38, 9), (10.4, 3.4, 42, 4, 0.5, 30),
    (13, 5.6, 33, 5, 0.38, 14), (13.3, 5.3, 90, 5, 0.35, 10), (13, 3.2, 38, 6, 0.55, 60), (16.6, 5.3, 70, 6, 0.35, 20),
    (16.6, 3.6, 28, 5, 0.4, 75), (16.6, 3.4, 30, 5, 0.5, 140), (16.6, 7, 45, 6, 0.5, 7.5), (20.8, 6.5, 110, 10, 0.9, 17),
    (20.8, 3.3, 25, 5, 0.45, 150), (26, 6.6, 75, 9, 1, 28), (26, 5.2, 50, 5, 0.3, 50), (26, 3.4, 20, 5, 0.45, 250),
    (26, 3.4, 16, 5, 0.5, 350), (26, 6, 35, 5, 1.4, 35), (33.3, 5.3, 38, 6, 0.3, 95), (33.3, 1.8, 28, 5, 0.4, 450),
    (33.3, 6.5, 28, 7, 0.7, 60), (39.3, 5.2, 33, 6, 0.3, 200), (39.3, 1.7, 24, 5, 0.5, 600),
    (46, 5.2, 30, 6.5, 0.3, 330), (53, 3.5, 18, 5, 0.4, 600),
)  # fmt: skip
DRAWN = int(os.environ.get("TSFIT_MADE_DRIVERS", "100"))


def sold(cm, re, fs, qms, qes, grams):
    return Driver("Wagtail", re, fs, qms, qes, 1e-3 * grams, math.pi / 4.0 * (0.01 * cm) ** 2)


def test_drivers_that_are_sold_or_drawn_are_left_alone():
    rng = np.random.default_rng(21)
    drawn = [drawn_driver(rng) for _ in range(DRAWN)]
    basic = ("Re", "Fs", "Qms", "Qes", "Mms", "Sd")
    drivers = [sold(*row) for row in SOLD] + [Driver("x", *(one[name] for name in basic)) for one in drawn]
    assert [told for one in drivers if (told := doubt(one))] == []


HEAVY, USUAL, LIGHT = sold(26, 3.4, 20, 5, 0.45, 250), sold(26, 5.5, 26, 4.5, 0.42, 87), sold(16.6, 5.3, 70, 6, 0.35, 20)
TYPED = {
    "kilograms for grams": (lambda d: replace(d, Mms=1e3 * d.Mms), r"factor of 1000 \(Mms\)"),
    "grams typed as kilograms": (lambda d: replace(d, Mms=1e-3 * d.Mms), r"factor of 1000 \(Mms\)"),
    "ounces as grams": (lambda d: replace(d, Mms=d.Mms / 28.35), r"ounces were taken for grams \(Mms\)"),
    "Sd in mm²": (lambda d: replace(d, Sd=100.0 * d.Sd), r"square millimetres .*\(Sd\)"),
    "Qms and Qes swapped": (lambda d: replace(d, Qms=d.Qes, Qes=d.Qms), "Qms and Qes were swapped"),
}


@pytest.mark.parametrize("driver", [HEAVY, USUAL, LIGHT], ids=["heavy", "usual", "light"])
@pytest.mark.parametrize("slip", TYPED)
def test_a_typed_slip_is_named(driver, slip):
    apply, words = TYPED[slip]
    told = doubt(apply(driver))
    assert told is not None
    assert re.search(words, told)


FITTED = {
    "reference ten times too large": (lambda d: replace(d, Re=10.0 * d.Re), "reference resistor", {"mass": True}),
    "reference ten times too small": (lambda d: replace(d, Re=0.1 * d.Re), "reference resistor", {"mass": True}),
    "ounces as grams": (lambda d: replace(d, Mms=d.Mms / 28.35), "ounces of the added mass", {"mass": True}),
    "mass in kilograms": (lambda d: replace(d, Mms=1e3 * d.Mms), "grams for kilograms", {"mass": True}),
    "mass ten times too large": (lambda d: replace(d, Mms=10.0 * d.Mms), "ten times too large", {"mass": True}),
    "box ten times too large": (lambda d: replace(d, Mms=0.1 * d.Mms), "ten times too large", {"box": True}),
    "box ten times too small": (lambda d: replace(d, Mms=10.0 * d.Mms), "ten times too small", {"box": True}),
    "diameter in inches": (lambda d: replace(d, Sd=d.Sd / 2.54**2), "radius or in inches", {"mass": True}),
    "diameter in inches, box": (
        lambda d: replace(d, Sd=d.Sd / 2.54**2, Mms=d.Mms / 2.54**4), "radius or in inches", {"box": True},
    ),
    "diameter in mm": (lambda d: replace(d, Sd=100.0 * d.Sd), "millimetres", {"mass": True}),
}  # fmt: skip


@pytest.mark.parametrize("driver", [HEAVY, USUAL, LIGHT], ids=["heavy", "usual", "light"])
@pytest.mark.parametrize("slip", FITTED)
def test_a_slip_at_the_bench_is_named(driver, slip):
    apply, words, swept = FITTED[slip]
    told = doubt(apply(driver), fitted_slips(**{"mass": False, "box": False, **swept}))
    assert told is not None
    assert words in told


@pytest.mark.parametrize("driver", [HEAVY, USUAL, sold(33.3, 1.8, 28, 5, 0.4, 450)])
def test_a_radius_is_named_where_it_makes_the_cone_too_heavy(driver):
    """A light driver at its radius is like a good smaller one: nobody can tell."""
    told = doubt(replace(driver, Sd=0.25 * driver.Sd), fitted_slips(mass=True, box=False))
    assert told is not None
    assert "the radius" in told


def test_what_a_lone_sheet_says_is_held_against_its_size():
    assert unusual({"Sd": 0.053, "sensitivity_1W": 91.0, "Fs": 26.0}) is None
    assert "SPL 1 W 64 dB" in unusual({"Sd": 0.053, "sensitivity_1W": 64.0})
    assert "Bl 384 T·m" in unusual({"Sd": 0.053, "Bl": 384.0, "Re": 5.5})


def test_two_coils_have_a_resistance_of_their_own():
    half = sold(26, 0.45, 26, 4.5, 0.42, 150)
    assert doubt(half)
    assert doubt(replace(half, wiring="parallel")) is None


@pytest.mark.parametrize(
    ("what", "typed", "diameter", "word"),
    [
        ("diameter", 254.0, None, "25.4 cm if 254 is mm"), ("diameter", 0.254, None, "25.4 cm if 0.254 is m"),
        ("diameter", 97.0, None, "9.7 cm if 97 is mm"), ("diameter", 0.02, None, "2 cm if 0.02 is m"),
        ("mass", 0.03, 25.4, "30 g if 0.03 is kg"), ("mass", 0.1, 33.0, "100 g if 0.1 is kg"),
        ("mass", 0.005, 13.0, "5 g if 0.005 is kg"), ("mass", 30000.0, 25.4, "30 g if 30000 is mg"),
        ("volume", 0.03, 25.4, "30 l if 0.03 is m^3"), ("volume", 12000.0, 16.5, "12 l if 12000 is cm^3"),
        ("volume", 0.002, 13.0, "2 l if 0.002 is m^3"), ("mass", 1e9, 25.4, "hardly meant"),
        ("travel", 40.0, 26.0, "20 mm if 40 is from peak"), ("travel", 22.0, 13.0, "11 mm if 22 is from peak"),
        ("power", 8000.0, 26.0, "4000 W if 8000 is of peaks"), ("power", 800.0, 8.0, "80 W if 800 is a digit too many"),
        ("power", 0.3, 26.0, "300 W if 0.3 is kW"), ("peak power", 40000.0, 26.0, "4000 W if 40000 is a digit too many"),
    ],
)  # fmt: skip
def test_a_size_that_nobody_means_is_told_with_its_likelier_unit(what, typed, diameter, word):
    assert word in odd_size(what, typed, diameter)


@pytest.mark.parametrize("row", SOLD)
@pytest.mark.parametrize("share", [0.2, 0.5, 1.5])
def test_masses_and_boxes_that_people_use_are_left_alone(row, share):
    """A fifth to one and a half of what the cone weighs; a box from a third of Vas to all of it."""
    cm, *_, grams = row
    litres = 1e3 * sold(*row).Vas
    assert odd_size("diameter", cm) is None
    assert odd_size("mass", share * grams, cm) is None
    assert odd_size("volume", share * litres, cm) is None


RATED = (
    (1.18, 0.5, 0.1), (2.9, 100, 0.5), (4.2, 20, 3), (6.3, 30, 4), (8, 60, 5), (8, 10, 2), (10.4, 150, 8), (13, 250, 10),
    (13, 400, 12), (16.6, 10, 1), (16.6, 1000, 16), (20.8, 1500, 20), (26, 30, 0.8), (26, 2500, 27), (26, 700, 8),
    (33.3, 4000, 35), (33.3, 1000, 12), (39.3, 2000, 15), (39.3, 5000, 40), (46, 1800, 14), (53, 2000, 20),
)  # fmt: skip
"""Effective diameter in cm, continuous power in W and one-way travel in mm of drivers that are sold (from memory)."""


@pytest.mark.parametrize(("cm", "watts", "mm"), RATED)
def test_ratings_of_what_is_sold_are_left_alone(cm, watts, mm):
    assert odd_size("power", watts, cm) is None
    assert all(odd_size("peak power", times * watts, cm) is None for times in (1.0, 2.0, 4.0))
    assert odd_size("travel", mm, cm) is None


def test_an_odd_volume_is_told_in_plain_figures():
    assert odd_size("volume", 3e7) == "30000000 l of test box is hardly meant (usual 0.0000017 to 12000)"
