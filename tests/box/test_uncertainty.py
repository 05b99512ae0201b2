"""Spread of a box's numbers against first-order propagation, against boxes evaluated one by one, and its edge cases."""

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.boxes import band_pass_box, closed_box, passive_box, vented_box
from helpers.made_fit import made_driver, made_fit

from tsfit.base.forms import plain
from tsfit.box.uncertainty import driver_draws, sensitivity

DRIVER = made_driver()


def correlated(fit, names=("Fs", "Qes"), r=-0.8):
    return replace(fit, correlation_names=names, correlation=np.array([[1.0, r], [r, 1.0]]))


def test_draws_have_the_covariance_of_the_fit():
    fit = correlated(made_fit(spread=0.02))
    drawn = driver_draws(fit, 20_000, np.random.default_rng(3))
    fs = 1.0 / (2.0 * math.pi * np.sqrt(drawn["Mms"] * drawn["Cms"]))
    qes = 2.0 * math.pi * fs * drawn["Mms"] * drawn["Re"] / drawn["Bl"] ** 2
    logs = np.log([fs / DRIVER.Fs, qes / DRIVER.Qes])
    np.testing.assert_allclose(np.cov(logs), 4e-4 * np.array([[1.0, -0.8], [-0.8, 1.0]]), rtol=0.04)
    for name in ("Re", "Mms", "Sd", "L2"):
        assert np.all(drawn[name] == {**DRIVER.values()}[name])


def test_a_fit_without_correlation_is_drawn_as_it_stands():
    drawn = driver_draws(
        replace(made_fit(), correlation_names=(), correlation=np.zeros((0, 0))), 3, np.random.default_rng(3)
    )
    for name, value in DRIVER.values().items():
        np.testing.assert_allclose(drawn[name], value, rtol=1e-12)


def test_qtc_of_a_closed_box_spreads_as_first_order_propagation_says():
    """Qtc = Qts √(1 + Vas/Vb): the part of a 2 % Fs, with Mms fixed, acts through Vas only (Vas goes with Fs⁻²)."""
    fit = correlated(made_fit(spread=0.02), ("Fs", "Qms"), 0.0)
    volume = 0.02
    found = sensitivity(closed_box(DRIVER, volume=volume), fit, draws=8_000)
    alpha = DRIVER.Vas / volume
    by_fs = 0.02 * alpha / (1.0 + alpha)
    by_qms = 0.02 * DRIVER.Qts / DRIVER.Qms
    low, high = found.spreads["driver"]["qtc"].interval95
    planned = found.spreads["driver"]["qtc"].planned
    assert (high - low) / planned == pytest.approx(2.0 * 1.96 * math.hypot(by_fs, by_qms), rel=0.04)


def test_building_errors_stay_within_what_the_corners_give():
    volume, tuning = 0.05, 31.0
    found = sensitivity(vented_box(DRIVER, volume=volume, tuning=tuning, leak_q=9.0))
    corners = [
        vented_box(DRIVER, volume=volume * v, tuning=tuning * t, leak_q=9.0).numbers()
        for v in (0.95, 1.0, 1.05)
        for t in (0.97, 1.0, 1.03)
    ]
    assert set(found.spreads) == {"building"}
    for name, tolerance in (("f3_hz", 0.01), ("ripple_db", 0.01)):
        spread, values = found.spreads["building"][name], [corner[name] for corner in corners]
        assert spread.planned == pytest.approx(corners[4][name], abs=tolerance)
        assert min(values) - tolerance <= spread.outermost[0] <= spread.interval95[0]
        assert spread.interval95[1] <= spread.outermost[1] <= max(values) + tolerance
    f3 = found.spreads["building"]["f3_hz"]
    widest = max(corner["f3_hz"] for corner in corners) - min(corner["f3_hz"] for corner in corners)
    assert f3.outermost[1] - f3.outermost[0] > 0.85 * widest
    assert "qtc" not in found.spreads["building"]


def test_both_together_spread_more_than_either():
    found = sensitivity(closed_box(DRIVER, volume=0.03, absorption_q=20.0), correlated(made_fit(spread=0.03)))
    widths = {source: np.diff(numbers["f3_hz"].interval95)[0] for source, numbers in found.spreads.items()}
    assert widths["both"] > max(widths["driver"], widths["building"]) > 0.0
    planned = {numbers["f3_hz"].planned for numbers in found.spreads.values()}
    assert max(planned) == pytest.approx(min(planned), rel=1e-3)
    expected = closed_box(DRIVER, volume=0.03, absorption_q=20.0).numbers()["f3_hz"]
    assert max(planned) == pytest.approx(expected, rel=3e-4)


def test_the_same_box_has_the_same_spread_and_its_machine_form():
    first, second = (plain(sensitivity(closed_box(DRIVER, volume=0.03), made_fit())) for _ in range(2))
    assert first == second
    assert first["volume_error"] == 0.05
    assert set(first["spreads"]) == {"driver", "building", "both"}
    assert set(first["spreads"]["both"]["qtc"]) == {"planned", "interval95", "outermost", "share_without"}


def test_numbers_that_do_not_exist_are_counted():
    """Without an f3 anywhere (a coil that eats the whole pass-band) all draws are without."""
    dull = replace(DRIVER, coil="simple", coil_values={"Le": 5.0})
    f3 = sensitivity(closed_box(dull, volume=0.03)).spreads["building"]["f3_hz"]
    assert f3.share_without == 1.0
    assert math.isnan(f3.planned)


@pytest.mark.parametrize("kind", ["passive", "bandpass"])
def test_spread_of_boxes_with_radiators_and_of_band_pass_boxes_is_within_what_the_corners_give(kind):
    """Every corner built by itself; a band-pass has both chambers off alike."""

    def built(v, t):
        if kind == "bandpass":
            return band_pass_box(DRIVER, rear_volume=0.03 * v, front_volume=0.02 * v, tuning=55.0 * t, rear_leak_q=15.0)
        own = {"radiator_mass": 0.05, "radiator_area": 0.03, "radiator_fs": 18.0}
        return passive_box(DRIVER, volume=0.05 * v, tuning=31.0 * t, absorption_q=30.0, **own)

    found = sensitivity(built(1.0, 1.0)).spreads["building"]
    corners = [built(v, t).numbers() for v in (0.95, 1.0, 1.05) for t in (0.97, 1.0, 1.03)]
    names = ["f3_hz"] + ["f3_upper_hz"] * (kind == "bandpass")
    assert found.keys() == {"ripple_db", *names}
    for name in names:
        values = [corner[name] for corner in corners]
        (low, high), least, most = found[name].outermost, min(values), max(values)
        assert found[name].planned == pytest.approx(corners[4][name], rel=5e-4)
        assert least * (1.0 - 1e-3) <= low
        assert high <= most * (1.0 + 1e-3)
        assert high - low > 0.8 * (most - least)
