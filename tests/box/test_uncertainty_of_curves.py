from dataclasses import replace

import numpy as np
import pytest
from helpers.boxes import band_pass_box, closed_box, infinite_baffle, passive_box, vented_box
from helpers.made_fit import made_driver, made_fit

from tsfit.base.forms import plain
from tsfit.box.limits import maximum_output
from tsfit.box.result import box_form
from tsfit.box.uncertainty import driver_draws, with_bands
from tsfit.driver.record import Driver

RATINGS = {"power_w": 90.0, "xmax_m": 0.005}
NAMES = ("Re", "Fs", "Qms", "Qes", "Mms", "Sd")


def fit_of(spread):
    fit = made_fit(spread=spread)
    return replace(fit, correlation_names=NAMES, correlation=np.eye(6))


FIT = fit_of(0.01)
BOXES = {
    "closed": lambda driver, **more: closed_box(driver, volume=0.02, ratings=RATINGS, **more),
    "vented": lambda driver, **more: vented_box(
        driver, volume=0.03, tuning=33.0, port_diameter=0.07, leak_q=8.0, ratings=RATINGS, **more
    ),
    "baffle": lambda driver, **more: infinite_baffle(driver, ratings=RATINGS, **more),
}


def drivers(fit, draws):
    """The same draws as drivers of their own, one after the other."""
    drawn = driver_draws(fit, draws, np.random.default_rng(3))
    for k in range(draws):
        p = {name: float(value[k]) for name, value in drawn.items()}
        ws = 1.0 / np.sqrt(p["Mms"] * p["Cms"])
        yield Driver(
            "drawn", Re=p["Re"], Fs=ws / (2.0 * np.pi), Qms=ws * p["Mms"] / p["Rms"],
            Qes=ws * p["Mms"] * p["Re"] / p["Bl"] ** 2, Mms=p["Mms"], Sd=p["Sd"],
            coil="ladder-2", coil_values={name: p[name] for name in ("Le", "L2", "R2")},
        )  # fmt: skip


def ends(result, name):
    band = result.bands.curves[name]
    return np.array([band.low, band.high])


@pytest.mark.parametrize("kind", BOXES)
@pytest.mark.parametrize("more", [{}, {"drivers": 4, "in_series": 2, "source_ohm": 0.2, "air_load": "baffle"}])
def test_the_bands_are_those_of_boxes_built_one_by_one(kind, more):
    """Forty draws: the bounds are the 1st and the 39th (JCGM 101, 7.7.2), whichever way the boxes are evaluated."""
    result = with_bands(BOXES[kind](FIT.driver, **more), FIT, draws=40, generator=np.random.default_rng(3))
    frequency = result.curves.frequency_hz
    one_by_one = [BOXES[kind](driver, **more) for driver in drivers(FIT, 40)]
    # The losses and volume of the box as planned, not those that the same wish would give for another driver.
    boxes = [replace(box.enclosure, load=result.enclosure.load) for box in one_by_one]

    def bounds(values):
        return np.sort(np.stack(values), axis=0)[[0, 38]]

    if "air_load" not in more:
        spl = bounds([box.respond(frequency).spl_db for box in boxes])
        np.testing.assert_allclose(ends(result, "spl_db"), spl, rtol=1e-9)
        most = bounds([maximum_output(box, frequency, result.ratings).spl_db for box in boxes])
        np.testing.assert_allclose(ends(result, "max_spl_db"), most, rtol=1e-9)
    for name in set(result.bands.design) & {"f3_hz", "qtc", "fc_hz", "reference_db"}:
        expected = bounds([box.numbers()[name] for box in one_by_one])
        assert result.bands.design[name] == pytest.approx(tuple(expected), rel=2e-3), name


@pytest.mark.parametrize("kind", BOXES)
def test_twice_the_uncertainty_is_twice_the_band(kind):
    widths = [
        np.diff(ends(with_bands(BOXES[kind](FIT.driver), fit_of(spread)), "spl_db"), axis=0) for spread in (4e-3, 8e-3)
    ]
    np.testing.assert_allclose(widths[1] / widths[0], 2.0, rtol=0.1)


def test_level_of_the_mid_band_is_as_sure_as_the_formula_says():
    """η0 goes with Fs³ Vas/Qes = Bl²Sd²/(Re Mms²): of independent Re, Fs, Qes, Mms, Sd a known spread of the level."""
    low, high = with_bands(BOXES["baffle"](FIT.driver), FIT, draws=4000).bands.design["reference_db"]
    # Level at a voltage: 10·lg(Sd² Fs/(Re Qes Mms)), each 1 %.
    expected = 10.0 / np.log(10.0) * 0.01 * np.sqrt(4.0 + 1.0 + 1.0 + 1.0 + 1.0)
    assert (high - low) / 2.0 == pytest.approx(1.96 * expected, rel=0.06)


def test_every_kind_has_bands_and_a_machine_form():
    port = {"tuning": 50.0, "rear_volume": 0.02, "front_volume": 0.02}
    radiator = {"volume": 0.03, "radiator_mass": 0.09, "radiator_area": 0.03, "radiator_fs": 18.0}
    for result in (band_pass_box(FIT.driver, **port), passive_box(FIT.driver, **radiator)):
        data = plain(box_form(with_bands(result, FIT, draws=50)))
        assert np.all(np.asarray(data["bands"]["curves"]["spl_db"]["low"]) <= np.asarray(data["spl_db"]))
        assert set(data["bands"]["design"]) >= {"reference_db", "excursion_max_mm"}
        assert "max_spl_db" not in data["bands"]["curves"]
    assert box_form(result).bands is None


def test_a_fit_that_states_no_uncertainty_gives_no_bands():
    sure = replace(FIT, correlation_names=(), correlation=np.zeros((0, 0)))
    assert with_bands(BOXES["closed"](made_driver()), sure).bands is None
