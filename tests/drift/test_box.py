"""A planned cabinet with the driver as it was and as it is."""

import numpy as np
import pytest
from helpers.boxes import box_plan
from helpers.made_histories import FRESH, MASS, made_fit

from tsfit.base.errors import TsfitError
from tsfit.drift.box import boxed_change, driver_of, sentence
from tsfit.drift.entry import entry_of
from tsfit.driver.formulas import compliance

CLOSED = box_plan("closed", volume=0.095)
VENTED = box_plan("vented", volume=0.150, tuning=24.0)


def _pair(seed, **later):
    rng = np.random.default_rng(seed)
    errors = rng.standard_normal(2)
    fits = [made_fit({**FRESH, **truth}, rng, errors) for truth in ({}, later)]
    return [entry_of(fit, hours) for fit, hours in zip(fits, (0.0, 12.0), strict=True)]


def test_softening_hardly_moves_a_closed_box():
    first, last = _pair(1, Cms=1.15 * FRESH["Cms"])
    boxed = boxed_change(CLOSED, first, last, np.random.default_rng(0))
    assert boxed.found.outcome == "holds"
    assert "still holds at 12 h" in sentence(boxed)
    # Qtc = Qts √(1 + Vas/Vb), both by hand from the truth.
    omega = 1.0 / np.sqrt(FRESH["Mms"] * FRESH["Cms"] * np.array([1.0, 1.15]))
    qes, qms = omega * FRESH["Mms"] * FRESH["Re"] / FRESH["Bl"] ** 2, omega * FRESH["Mms"] / FRESH["Rms"]
    vas = 1.4013e5 * 1.01325 * 0.0515**2 * FRESH["Cms"] * np.array([1.0, 1.15])
    qtc = np.sqrt(1.0 + vas / 0.095) * qes * qms / (qes + qms)
    assert boxed.found.figures["qtc"].change.value == pytest.approx(qtc[1] - qtc[0], abs=0.004)


def test_a_weaker_motor_needs_another_box():
    first, last = _pair(2, Bl=0.8 * FRESH["Bl"])
    boxed = boxed_change(CLOSED, first, last, np.random.default_rng(0))
    assert boxed.found.outcome in ("adjust", "differs")
    assert "The cabinet planned on the driver at 0 h" in sentence(boxed)
    assert ("needs" in sentence(boxed)) == (boxed.found.outcome == "adjust")


def test_vented_boxes_too():
    first, last = _pair(3, Cms=1.2 * FRESH["Cms"])
    boxed = boxed_change(VENTED, first, last, np.random.default_rng(0))
    assert boxed.before.numbers()["f3_hz"] != boxed.after.numbers()["f3_hz"]
    assert boxed.found.tuning_hz == pytest.approx(24.0)


def test_what_both_fits_share_cancels():
    first, last = _pair(4)
    boxed = boxed_change(CLOSED, first, last, np.random.default_rng(0))
    fc = boxed.found.figures["fc_hz"]
    alone, change = (0.5 * (band.high - band.low) for band in (fc.before, fc.change))
    # The box rests on the area, known to 1 %; it is the same cone at both hours.
    assert change < 0.5 * alone
    assert MASS > 0.0


def test_the_driver_stands_at_common_conditions():
    first, _ = _pair(5)
    driver = driver_of(first)
    assert compliance(driver.Fs, driver.Mms) == pytest.approx(FRESH["Cms"], rel=0.02)
    assert driver.Bl == pytest.approx(FRESH["Bl"], rel=0.01)
    assert driver.air.temperature_c == 20.0


def test_free_air_alone_cannot_be_boxed():
    rng = np.random.default_rng(6)
    entries = [entry_of(made_fit(FRESH, rng, (0.0, 0.0), with_mass=False), hours) for hours in (0.0, 1.0)]
    with pytest.raises(TsfitError) as caught:
        boxed_change(CLOSED, *entries, rng)
    assert caught.value.code == "incomplete_driver"
    assert "Mms" in caught.value.message


@pytest.mark.parametrize("place", [0, 1, 2])
def test_one_fit_with_a_mass_is_enough_for_a_log(place):
    """Wherever it stands among fits in free air: the box then is that of fits which all had a mass."""
    truths = [{**FRESH, "Cms": factor * FRESH["Cms"]} for factor in (1.0, 1.1, 1.2)]

    def log(with_mass):
        rng = np.random.default_rng(8)
        fits = [made_fit(truth, rng, (0.0, 0.0), with_mass=one) for truth, one in zip(truths, with_mass, strict=True)]
        return [entry_of(fit, hours) for fit, hours in zip(fits, (0.0, 6.0, 12.0), strict=True)]

    whole, lean = log([True] * 3), log([k == place for k in range(3)])
    expected = boxed_change(CLOSED, whole[0], whole[-1], np.random.default_rng(0)).found
    found = boxed_change(CLOSED, lean[0], lean[-1], np.random.default_rng(0), lean).found
    for name in ("qtc", "fc_hz"):
        one, other = (each.figures[name].change for each in (found, expected))
        assert one.value == pytest.approx(other.value, rel=0.1)
        assert one.high - one.low == pytest.approx(other.high - other.low, rel=0.5)
        alone = found.figures[name].before
        assert alone.high - alone.low == pytest.approx(
            expected.figures[name].before.high - expected.figures[name].before.low, rel=0.5
        )


def test_a_box_told_by_its_qtc_keeps_the_volume_of_the_driver_as_it_was():
    first, last = _pair(5, Cms=1.2 * FRESH["Cms"])
    boxed = boxed_change(box_plan("closed", qtc=0.8), first, last, np.random.default_rng(0))
    volumes = [box.numbers()["volume_l"] for box in (boxed.before, boxed.after)]
    assert volumes[1] == volumes[0]
    assert boxed.before.numbers()["qtc"] == pytest.approx(0.8, rel=1e-5)
    assert boxed.after.numbers()["qtc"] != pytest.approx(0.8, rel=1e-3)
