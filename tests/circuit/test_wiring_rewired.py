"""Two coils of 2 ohm on one former, wired in every way."""

from dataclasses import replace

import numpy as np
import pytest
from helpers.boxes import closed_box
from helpers.made_fit import made_fit

from tsfit.base.errors import TsfitError
from tsfit.box.compare.consequence import consequence, exact
from tsfit.box.uncertainty import drawn_box, driver_draws
from tsfit.circuit.coil import COIL_MODELS
from tsfit.circuit.load import infinite_baffle
from tsfit.circuit.response import Circuit, Response, Source
from tsfit.circuit.wiring import rewired, together
from tsfit.driver.record import Driver

LADDER = {"Le": 3e-4, "L2": 9e-4, "R2": 6.0}
SERIES = Driver(
    "Siskin 10", Re=4.0, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346, Pe=200.0, Ppeak=400.0, coil="ladder-2",
    coil_values=LADDER, wiring="series", coupling=1.0,
)  # fmt: skip
F = np.geomspace(10.0, 500.0, 50)


def answer(driver):
    circuit = Circuit(driver.coil, driver.suspension)
    return Response(F, driver.values(), circuit, infinite_baffle(driver.Sd), Source(voltage=2.83))


@pytest.mark.against("two coils of 2 Ω rewired", "common practice, no source: 4 Ω and 1 Ω", "1e-6")
def test_two_coils_of_2_ohm_are_4_or_1_ohm_and_the_rest_stays():
    parallel = rewired(SERIES, "parallel")
    assert parallel.Re == pytest.approx(1.0)
    assert parallel.Bl == pytest.approx(SERIES.Bl / 2.0)
    for name in ("Fs", "Qms", "Mms", "Sd", "Pe", "Vas"):
        assert getattr(parallel, name) == getattr(SERIES, name)
    assert parallel.Qes == pytest.approx(SERIES.Qes)
    assert parallel.wiring == "parallel"


def test_parallel_is_6_db_louder_at_the_same_voltage():
    """Fully coupled coils in parallel are one coil with half the turns: the impedance is a quarter everywhere."""
    series, parallel = answer(SERIES), answer(rewired(SERIES, "parallel"))
    np.testing.assert_allclose(parallel.spl_db - series.spl_db, 20.0 * np.log10(2.0), atol=1e-9)
    np.testing.assert_allclose(parallel.impedance, series.impedance / 4.0, rtol=1e-12)


def test_one_coil_has_twice_the_qes_and_half_the_rating():
    one = rewired(SERIES, "one coil")
    assert (one.Re, one.Qes) == pytest.approx((2.0, 2.0 * SERIES.Qes))
    assert (one.Bl, one.Pe, one.Ppeak) == pytest.approx((SERIES.Bl / 2.0, 100.0, 200.0))
    assert rewired(one, "series").Pe == 100.0


@pytest.mark.against("two coils in every wiring", "Kirchhoff's laws for two coupled coils", "1e-12")
@pytest.mark.parametrize("coupling", [0.6, 1.0])
def test_two_coils_of_stated_coupling_against_kirchhoff(coupling):
    """Series is 2(Zown + Zmutual), parallel half of Zown + Zmutual, one coil Zown, the other open."""
    driver = replace(SERIES, coupling=coupling)
    one, parallel, series = (answer(rewired(driver, way)).impedance for way in ("one coil", "parallel", "series"))
    blocked = COIL_MODELS["ladder-2"].evaluate(2j * np.pi * F, rewired(driver, "one coil").coil_values)[0]
    mutual = one - 2.0 - blocked + coupling * blocked
    np.testing.assert_allclose(series, 2.0 * (one + mutual), rtol=1e-12)
    np.testing.assert_allclose(parallel, (one + mutual) / 2.0, rtol=1e-12)


def test_there_and_back():
    for way in ("parallel", "one coil"):
        again = rewired(rewired(replace(SERIES, Pe=None, Ppeak=None), way), "series")
        assert again.values() == pytest.approx(SERIES.values(), rel=1e-12)


def test_a_driver_of_unknown_wiring_is_refused_and_no_wiring_changes_nothing():
    single = replace(SERIES, wiring=None)
    assert rewired(single, None) is single
    assert rewired(SERIES, None) is rewired(SERIES, "series") is SERIES
    with pytest.raises(TsfitError, match="Siskin 10: wiring: 'series' needs a driver") as caught:
        closed_box(single, volume=0.05, wiring="series")
    assert caught.value.code == "unknown_wiring"


def test_a_box_of_rewired_drivers_is_the_box_of_those_drivers():
    box = closed_box(SERIES, volume=0.05, wiring="parallel", drivers=2, in_series=2)
    assert box.enclosure.driver == together(rewired(SERIES, "parallel"), 2, 2)


def test_draws_of_the_fit_are_rewired_too():
    names = ("Re", "Fs", "Qms", "Qes", "Mms", "Sd")
    fit = replace(made_fit(SERIES, spread=0.01), correlation_names=names, correlation=np.eye(6))
    many = drawn_box(closed_box(SERIES, volume=0.05, wiring="one coil").enclosure, fit, 5, np.random.default_rng(1))
    drawn = driver_draws(fit, 5, np.random.default_rng(1))
    ratio = {"Re": 0.5, "Bl": 0.5, "Le": 0.25, "L2": 0.25, "R2": 0.25}
    for name in SERIES.values():
        np.testing.assert_allclose(many.parameters[name], ratio.get(name, 1.0) * drawn[name], rtol=1e-12, err_msg=name)


def test_another_driver_is_wired_as_the_one_that_the_box_was_planned_for():
    other = replace(SERIES, Qes=0.5)
    box = closed_box(SERIES, volume=0.05, wiring="one coil").enclosure
    found = consequence(box, exact(SERIES), exact(other))
    qtc = closed_box(other, volume=0.05, wiring="one coil").numbers()["qtc"]
    assert found.figures["qtc"].after.value == pytest.approx(qtc, rel=1e-9)
