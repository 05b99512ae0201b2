"""Sections found for a target: as near as is worth it, and such as a person would type in."""

import math

import numpy as np
import pytest
from helpers.boxes import closed_box, vented_box
from scipy import signal

from tsfit.base.errors import TsfitError
from tsfit.box.equaliser.sections import gain_db
from tsfit.box.equaliser.target import flat_target_db, reach
from tsfit.driver.record import Driver

DRIVER = Driver("x", 5.6, 26.0, 5.0, 0.42, Mms=0.1, Sd=0.052)
F = np.geomspace(5.0, 500.0, 300)


def test_flat_target_is_a_butterworth():
    for order in (2, 4):
        b, a = signal.butter(order, 2 * math.pi * 31.0, "highpass", analog=True)
        _, h = signal.freqs(b, a, 2 * math.pi * F)
        np.testing.assert_allclose(flat_target_db(F, 31.0, order), 20 * np.log10(np.abs(h)), atol=1e-9)


@pytest.mark.parametrize("to_hz", [22.0, 30.0, 45.0])
def test_a_closed_box_is_made_flat(to_hz):
    box = closed_box(DRIVER, volume=0.03, leak_q=15.0, frequency_hz=F)
    level = box.curves.spl_db - box.numbers()["reference_db"]
    poles = (box.numbers()["fc_circuit_hz"], box.numbers()["qtc_circuit"])
    sections = reach(F, level, flat_target_db(F, to_hz, 2), to_hz, poles=poles)
    inside = (0.8 * to_hz < F) & (F < 200.0)
    left = level + gain_db(sections, F) - flat_target_db(F, to_hz, 2)
    assert np.abs(left[inside]).max() < 0.3


def test_a_vented_box_is_made_flat_or_like_another():
    box = vented_box(DRIVER, volume=0.12, tuning=22.0, leak_q=10.0, frequency_hz=F)
    other = vented_box(DRIVER, volume=0.08, tuning=27.0, leak_q=10.0, frequency_hz=F)
    theirs = other.curves.spl_db - other.pass_band.reference_db
    for target, lowest in ((flat_target_db(F, 28.0, 4), 28.0), (theirs, 27.0)):
        level = box.curves.spl_db - box.numbers()["reference_db"]
        sections = reach(F, level, target, lowest)
        inside = (lowest < F) & (F < 200.0)
        assert np.abs((level + gain_db(sections, F) - target)[inside]).max() < 0.6
        assert len(sections) <= 3


def test_what_no_driver_stands_is_refused():
    box = closed_box(DRIVER, volume=0.03, frequency_hz=F)
    level = box.curves.spl_db - box.numbers()["reference_db"]
    with pytest.raises(TsfitError, match="dB of boost"):
        reach(F, level, flat_target_db(F, 6.0, 2), 6.0)


@pytest.mark.parametrize(
    ("fs", "qes", "tuned", "volume", "to_hz"),
    [
        (25.4, 0.30, 0.83, 0.21, 33.4),
        (31.0, 0.55, 1.2, 0.05, 24.0),
        (44.0, 0.42, 0.75, 0.03, 61.0),
        (38.0, 0.70, 1.1, 0.09, 30.0),
    ],
)
def test_no_section_takes_away_what_another_adds(fs, qes, tuned, volume, to_hz):
    """Filters of +18 and -18 dB side by side met such targets within 0.2 dB: nobody types them in."""
    box = vented_box(Driver("x", 5.6, fs, 5.0, qes, Mms=0.06, Sd=0.035), volume=volume, tuning=tuned * fs, frequency_hz=F)
    level, target = box.enclosure.level_db(F), flat_target_db(F, to_hz, 4)
    sections = reach(F, level, target, to_hz)
    inside = (to_hz < F) & (F < 200.0)
    alone = np.array([gain_db([one], F[inside]) for one in sections if one.gain_db is not None])
    both = np.sum(np.abs(alone), axis=0) - np.abs(np.sum(alone, axis=0))
    assert np.max(both, initial=0.0) < 3.0
    assert np.max(np.abs(level + gain_db(sections, F) - target)[inside]) < 1.0


@pytest.mark.against("a high-pass found with the pole shift", "scipy.signal.butter, fourth order", "0.3 dB")
def test_a_high_pass_and_a_pole_shift_make_one_butterworth():
    """Of second order each, with the box of fourth together; both stand at the end of the band."""
    box = closed_box(DRIVER, volume=0.05, frequency_hz=F)
    level = box.enclosure.without_coil.level_db(F)
    poles = (box.numbers()["fc_hz"], box.numbers()["qtc"])
    sections = reach(F, level, flat_target_db(F, 30.0, 4), 30.0, poles=poles, high_pass=2)
    assert [one.kind for one in sections] == ["pole shift", "high-pass"]
    assert all(24.0 <= one.frequency_hz <= 37.5 for one in sections)
    b, a = signal.butter(4, 2 * math.pi * 30.0, "highpass", analog=True)
    _, h = signal.freqs(b, a, 2 * math.pi * F)
    left = (level + gain_db(sections, F) - 20 * np.log10(np.abs(h)))[F > 24.0]
    assert np.max(np.abs(left)) < 0.3
