"""Numbers of many boxes at once against those of each box found by itself, to the stated share."""

import numpy as np
import pytest
from helpers.boxes import band_pass_box, vented_box

from tsfit.box.enclosure import Enclosure
from tsfit.box.numbers import band_merits, merit_frequencies, merits
from tsfit.circuit import load
from tsfit.driver.record import Driver

HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346, coil_values={"Le": 1.2e-3})
VOLUME = np.array([0.04, 0.06, 0.09])
TUNING = np.array([36.0, 31.0, 27.0])


@pytest.fixture(scope="module")
def found():
    boxes = load.vented_box(VOLUME, TUNING, HERON.air, losses=load.Losses(leak_q=10.0))
    return merits(merit_frequencies(20.0, 40.0), Enclosure("vented", HERON, boxes, 2.83))


def test_each_is_what_the_box_alone_says(found):
    for k, (volume, tuning) in enumerate(zip(VOLUME, TUNING, strict=True)):
        alone = vented_box(HERON, volume=volume, tuning=tuning, leak_q=10.0)
        told = alone.numbers()
        assert found.f3_hz[k] == pytest.approx(told["f3_hz"], rel=5e-4)
        assert found.ripple_db[k] == pytest.approx(told["ripple_db"], abs=0.01)
        heard = alone.at(np.geomspace(0.5 * told["f3_hz"], 400.0, 2000))
        assert 1e3 * found.delay_s[k] == pytest.approx(np.max(heard.group_delay_ms), rel=3e-3)


def test_a_box_has_the_same_numbers_whatever_it_is_evaluated_with():
    few, many = merit_frequencies(20.0, 40.0), merit_frequencies(10.0, 80.0)
    assert set(few) <= set(many)
    assert np.diff(np.log(many)) == pytest.approx(0.02)
    assert many[0] <= 10.0 / 6.0
    assert many[-1] >= 12.0 * 80.0 * np.exp(-0.02)


def test_each_band_pass_is_what_the_box_alone_says():
    rear = np.array([0.03, 0.025, 0.02])
    closed, vented = load.closed_box(rear, HERON.air), load.vented_box(0.5 * VOLUME, 1.7 * TUNING, HERON.air)
    boxes = Enclosure("bandpass", HERON, load.band_pass_box(closed, vented), 2.83)
    found = band_merits(merit_frequencies(31.0, 100.0), boxes)
    for k in range(3):
        alone = band_pass_box(HERON, rear_volume=rear[k], front_volume=0.5 * VOLUME[k], tuning=1.7 * TUNING[k])
        told = alone.numbers()
        assert found.f3_hz[k] == pytest.approx(told["f3_hz"], rel=5e-4)
        assert found.f3_upper_hz[k] == pytest.approx(told["f3_upper_hz"], rel=5e-4)
        assert found.ripple_db[k] == pytest.approx(told["ripple_db"], abs=0.01)
        assert found.gain_db[k] == pytest.approx(told["reference_db"] - alone.enclosure.reference_db, abs=0.01)
        assert found.unevenness_db[k] >= found.ripple_db[k]
