"""What sections cost: held against the box itself, driven as the sections drive it."""

from dataclasses import replace

import numpy as np
import pytest
from helpers.boxes import band_pass_box, closed_box, infinite_baffle, vented_box

from tsfit.base.errors import TsfitError
from tsfit.box.equaliser.equalised import at_level, equalise, flat, like, words
from tsfit.box.equaliser.form import equaliser_form
from tsfit.box.equaliser.sections import FilterSection
from tsfit.box.equaliser.target import flat_target_db
from tsfit.box.ports import Port
from tsfit.driver.record import Driver

HERON = Driver("Heron 10", 5.6, 31.0, 4.6, 0.42, Mms=0.052, Sd=0.0346, Xmax=0.006, Pe=150.0)
OTHER = replace(HERON, name="Heron 10 S", Qes=0.30, Mms=0.06)
PEAK = FilterSection("peaking", 40.0, 1.2, 3.0)


def test_costs_are_those_of_the_box_at_that_drive():
    """Travel, level and power of a box driven with the voltage that the sections make of it, at single frequencies."""
    box = closed_box(HERON, volume=0.03)
    found = equalise(box, [PEAK, FilterSection("high-pass", 22.0)])
    taken = at_level(found, 95.0)
    for wanted in (20.0, 40.0, 125.0):
        k = int(np.searchsorted(found.frequency_hz, wanted))
        volts = box.enclosure.voltage * 10.0 ** ((95.0 - box.numbers()["reference_db"] + found.gain_db[k]) / 20.0)
        driven = closed_box(HERON, volume=0.03, voltage=volts, frequency_hz=[wanted])
        assert driven.curves.excursion_mm[0] == pytest.approx(taken.excursion_after_mm[k], rel=1e-9)
        assert driven.curves.spl_db[0] == pytest.approx(95.0 + found.after_db[k], abs=1e-9)
        assert volts**2 / HERON.Re == pytest.approx(taken.power_after_w[k], rel=1e-9)
        assert driven.maximum.spl_db[0] - driven.curves.spl_db[0] == pytest.approx(taken.headroom_after_db[k], abs=1e-9)
        assert driven.maximum.limited_by[0] == taken.headroom_limited_by[k]


def test_ten_decibels_are_ten_times_the_power_and_three_times_the_travel():
    """Common practice, no source; 10^(10/10) and 10^(10/20) = 3.16."""
    found = equalise(closed_box(HERON, volume=0.03), [FilterSection("peaking", 40.0, 1.0, 10.0)])
    taken = at_level(found, 80.0)
    k = int(np.searchsorted(found.frequency_hz, 40.0))
    assert taken.power_after_w[k] / taken.power_before_w[k] == pytest.approx(10.0, rel=1e-6)
    assert taken.excursion_after_mm[k] / taken.excursion_before_mm[k] == pytest.approx(3.162, rel=1e-3)
    assert taken.headroom_before_db[k] - taken.headroom_after_db[k] == pytest.approx(10.0)
    gain, at = found.boost
    assert (gain, at) == (pytest.approx(10.0), pytest.approx(40.0))
    assert "10 times the power, 3.16 times the travel" in words(found, taken)[0]


@pytest.mark.parametrize("port", [None, Port(diameter=0.07)])
def test_at_the_loudest_level_nothing_is_left_and_the_limit_is_named(port):
    box = vented_box(HERON, volume=0.06, tuning=27.0, port=port)
    found = equalise(box, [PEAK], from_hz=25.0)
    loudest, at_hz, limit = found.loudest
    taken = at_level(found, loudest)
    played = (found.frequency_hz >= 25.0) & (found.frequency_hz <= 200.0)
    assert taken.headroom_after_db[played].min() == pytest.approx(0.0, abs=1e-9)
    k = int(np.argmin(np.where(played, taken.headroom_after_db, np.inf)))
    assert found.frequency_hz[k] == at_hz
    assert limit == taken.headroom_limited_by[k]
    assert limit == ("travel" if port is None else "port speed")
    assert "dB too much" in " ".join(words(found, at_level(found, loudest + 3.0)))
    assert "There are 3.0 dB left" in " ".join(words(found, at_level(found, loudest - 3.0)))


@pytest.mark.parametrize(
    ("box", "order"),
    [(closed_box(HERON, volume=0.03), 2), (infinite_baffle(HERON), 2), (vented_box(HERON, volume=0.07, tuning=26.0), 4)],
)
def test_flat_is_flat(box, order):
    found = flat(box, 30.0)
    inside = (found.frequency_hz > 30.0) & (found.frequency_hz < 200.0)
    left = found.after_db - flat_target_db(found.frequency_hz, 30.0, order)
    assert np.abs(left[inside]).max() < 0.6
    assert found.error_db == pytest.approx(np.abs(left[inside]).max(), abs=0.05)
    assert found.played_hz == (30.0, 200.0)
    assert "is met within" in " ".join(words(found, at_level(found, 90.0)))


def test_what_is_still_boosted_below_is_said():
    said = " ".join(words(found := flat(closed_box(HERON, volume=0.02), 28.0), at_level(found, 90.0)))
    assert "Below 28 Hz travel stops it" in said
    assert "keep out with a high-pass" in said
    cut = equalise(closed_box(HERON, volume=0.02), [FilterSection("high-pass", 22.0)])
    assert "keep out" not in " ".join(words(cut, at_level(cut, 90.0)))


@pytest.mark.parametrize("xmax", [0.006, None])
@pytest.mark.parametrize("box", [{"volume": 0.03}, {"volume": 0.06, "tuning": 29.0}])
def test_a_high_pass_is_found_with_which_nothing_stops_it_below_the_band(box, xmax):
    """The cone travels no further below the band than within it."""
    make, driver = vented_box if "tuning" in box else closed_box, replace(HERON, Xmax=xmax, Pe=150.0 if xmax else None)
    found = flat(make(driver, **box), 28.0, high_pass=None)
    passes = [one for one in found.sections if one.kind == "high-pass"]
    assert len(passes) == (2 if "tuning" in box else 1)
    assert "keep out" not in " ".join(words(found, at_level(found, 90.0)))
    assert found.error_db < 0.5
    drive = at_level(found, 90.0)
    within, below = (
        drive.excursion_after_mm[found.frequency_hz >= 28.0],
        drive.excursion_after_mm[found.frequency_hz < 28.0],
    )
    assert np.max(below) < 1.06 * np.max(within)
    if xmax is None:
        fixed = flat(make(driver, **box), 28.0, high_pass=2 * len(passes))
        assert fixed.sections == found.sections


def test_own_sections_stand_beside_those_found():
    box = closed_box(HERON, volume=0.03)
    found = flat(box, 28.0, [PEAK])
    assert found.sections[0] == PEAK
    assert found.error_db < 0.3
    assert np.abs(found.after_db - flat(box, 28.0).after_db)[found.played].max() < 0.5


def test_a_driver_is_given_the_response_of_another():
    box, other = (closed_box(driver, volume=0.04) for driver in (HERON, OTHER))
    found = like(box, other)
    inside = (found.frequency_hz > other.numbers()["f3_hz"]) & (found.frequency_hz < 200.0)
    assert np.abs(found.before_db - other.enclosure.level_db(found.frequency_hz))[inside].max() > 1.0
    assert np.abs(found.after_db - other.enclosure.level_db(found.frequency_hz))[inside].max() < 0.3
    same = like(box, box)
    assert np.abs(same.gain_db[inside]).max() < 0.05
    assert like(box, other, 40.0).target_from_hz == 40.0


def test_unrated_drivers_have_no_headroom():
    found = equalise(closed_box(replace(HERON, Xmax=None, Pe=None), volume=0.03), [PEAK])
    taken = at_level(found, 90.0)
    assert found.loudest is None
    assert (taken.headroom_after_db, taken.headroom_limited_by) == (None, None)
    assert "not known without ratings" in " ".join(words(found, taken))
    assert equaliser_form(found, taken).loudest_db is None


def test_a_small_driver_is_looked_at_where_it_plays():
    small = Driver("Wren 1", 6.0, 480.0, 5.0, 0.9, Mms=0.0006, Sd=0.0008)
    assert equalise(closed_box(small, volume=2e-5), [PEAK]).played_hz == (200.0, 2000.0)


def test_what_cannot_be_equalised_is_refused():
    band = band_pass_box(HERON, rear_volume=0.03, front_volume=0.025, tuning=50.0)
    with pytest.raises(TsfitError, match="not made flat"):
        flat(band, 30.0)
    box = closed_box(HERON, volume=0.03)
    for refused in (
        lambda: equalise(box, []),
        lambda: equalise(box, [PEAK], from_hz=100.0, to_hz=50.0),
        lambda: flat(box, 0.0),
        lambda: flat(box, 5.0),
        lambda: flat(box, 30.0, high_pass=3),
        lambda: at_level(equalise(box, [PEAK]), 500.0),
    ):
        with pytest.raises(TsfitError):
            refused()


def test_kilowatts_are_written_out():
    found = equalise(closed_box(HERON, volume=0.03), [PEAK])
    assert "e+0" not in " ".join(words(found, at_level(found, 130.0)))
