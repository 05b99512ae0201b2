"""The parts of the uncertainty add up to it, and each is what its source does."""

import math
from dataclasses import replace

import numpy as np
import pytest
from made_curves import make

from tsfit.fitting.budget import advice
from tsfit.fitting.fit import fit
from tsfit.fitting.model import Known

STATES = ("free air", "added mass", "closed box")


def _fit(relative_noise=2e-3, area_share=0.01, mass=None, states=STATES):
    curves, area, _ = make(states, np.random.default_rng(4), relative_noise=relative_noise)
    if mass is not None:
        curves[1] = (curves[1][0], replace(curves[1][1], mass_uncertainty=mass))
    return fit(curves, sd=Known(area.value, area_share * area.value), coil="ladder-2", suspension="ideal")


def test_the_squares_add_up():
    for result in (_fit(), fit(make(STATES, np.random.default_rng(4))[0], sd=Known(0.05, 5e-4))):
        for name, sources in result.budget.items():
            assert math.hypot(*sources.values()) == pytest.approx(result.parameters[name].stdev, rel=1e-6), name
            assert list(sources.values()) == sorted(sources.values(), reverse=True)


def test_each_source_is_named_and_weighs_what_it_should():
    result = _fit()
    assert {
        "noise",
        "effective area",
        "mass of 40 g",
        "volume of 30 l",
        "air load, closed box",
        "reference resistor",
    } <= set(result.budget["Vas"])
    # The clock moves Fs and nothing else of the free-air figures: 50 parts in a million of it.
    assert result.budget["Fs"]["sample clock"] == pytest.approx(5e-5 * result.parameters["Fs"].value, rel=1e-3)
    assert result.budget["Qts"].get("effective area", 0.0) < 1e-2 * result.parameters["Qts"].stdev


@pytest.mark.parametrize(
    ("options", "first", "word"),
    [
        ({"area_share": 0.1, "mass": 1e-5}, "volume of 30 l", "filling"),
        ({"relative_noise": 0.1, "area_share": 1e-4, "mass": 1e-6}, "noise", "repeats"),
        ({"states": STATES[:2], "area_share": 0.02}, "effective area", "diameter"),
    ],
)
def test_the_largest_source_gets_the_advice(options, first, word):
    result = _fit(**options)
    said = next(note.message for note in result.quality if note.code == "budget")
    assert said == advice(result.budget)
    largest = next(iter(result.budget["Vas"]))
    assert largest in said
    assert largest == first
    assert word in said
