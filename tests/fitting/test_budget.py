"""The parts of the uncertainty add up to it, and each is what its source does."""

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.made_curves import FREQUENCY_HZ, make

from tsfit.fitting.budget import advice, shares_of
from tsfit.fitting.fit import fit
from tsfit.fitting.sweep import Known

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
            assert min(sources.values()) > 0.0


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
    assert "coil heat and contacts between sweeps" in result.budget["Re"]
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


def test_shares_are_of_the_variance():
    sources = {"a": 4.0, "b": 3.0, "c": 0.5, "d": 0.4, "e": 0.1}
    total = 16.0 + 9.0 + 0.25 + 0.16 + 0.01
    assert shares_of(sources) == pytest.approx({"a": 16.0 / total, "b": 9.0 / total})
    assert shares_of(sources, least=0.25 / total, most=4) == pytest.approx(
        {"a": 16.0 / total, "b": 9.0 / total, "c": 0.25 / total}
    )
    assert list(shares_of(dict.fromkeys("wxyz", 1.0))) == ["w", "x", "y"]
    assert shares_of({"a": 0.0}) == {}


def test_advice_tells_what_brings_most_and_what_lowers_it():
    told = advice({"Qts": {"noise": 4.0, "sample clock": 3.0}, "Re": {"noise": 1.0}})
    assert told == (
        "Most of the ± of Qts comes from the noise (64 %): sweep again longer, louder within the small-signal range, or "
        "with repeats."
    )
    assert advice({"Vas": {"reference resistor": 1.0}, "Qts": {"noise": 1.0}}) == (
        "Most of the ± of Vas comes from the reference resistor (100 %): calibrate the rig, with resistors known closely."
    )
    assert advice({"Vas": {"what the circuit misses": 1.0, "noise": 1.0, "mass": 1.0}}).startswith(
        "The largest part of the ± of Vas comes from what the circuit misses (33 %): sweep from lower"
    )
    assert advice({}) is advice({"Qts": {"noise": 0.0}}) is None


def test_the_part_of_noise_is_how_repeated_sweeps_scatter():
    """A curve that bends where no model does, swept again and again: only the noise differs."""
    f = FREQUENCY_HZ
    bend = 1.0 + 0.006 * np.sin(3.0 * np.log(f))
    found = []
    for seed in range(30):
        ((curve, state),), _, _ = make(("free air",), np.random.default_rng(seed), relative_noise=2e-3, errors=False)
        bent = replace(curve, impedance_ohm=curve.impedance_ohm * bend)
        found.append(fit([(bent, state)], coil="ladder-2", suspension="ideal"))
    for name in ("Re", "Fs", "Qms", "Qts"):
        scatter = np.std([each.parameters[name].value for each in found], ddof=1)
        noise = np.mean([each.budget[name]["noise"] for each in found])
        assert noise < 0.5 * np.mean([each.parameters[name].stdev for each in found]), name
        # One sigma of the scatter of 30 is 13 %.
        assert scatter / noise == pytest.approx(1.0, abs=0.42), name
