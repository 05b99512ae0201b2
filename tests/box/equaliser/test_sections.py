"""Equaliser sections against the formulas of the W3C note, scipy's filters, and the boxes that they are for."""

import math

import numpy as np
import pytest
from helpers.boxes import closed_box
from scipy import signal

from tsfit.base.errors import TsfitError
from tsfit.base.forms import plain
from tsfit.box.equaliser.sections import KINDS, FilterSection, gain_db
from tsfit.box.equaliser.target import flat_target_db
from tsfit.driver.record import Driver

DRIVER = Driver("x", 5.6, 26.0, 5.0, 0.42, Mms=0.1, Sd=0.052)
F = np.geomspace(5.0, 500.0, 300)


def cookbook(kind, f0, rate, q, gain):
    """The note's own formulas (https://www.w3.org/TR/audio-eq-cookbook/), typed off in its notation; from memory."""
    a, w0 = 10.0 ** (gain / 40.0), 2.0 * math.pi * f0 / rate
    cos, alpha = math.cos(w0), math.sin(w0) / (2.0 * q)
    two = 2.0 * math.sqrt(a) * alpha
    table = {
        "low-pass": ([(1 - cos) / 2, 1 - cos, (1 - cos) / 2], [1 + alpha, -2 * cos, 1 - alpha]),
        "high-pass": ([(1 + cos) / 2, -(1 + cos), (1 + cos) / 2], [1 + alpha, -2 * cos, 1 - alpha]),
        "peaking": ([1 + alpha * a, -2 * cos, 1 - alpha * a], [1 + alpha / a, -2 * cos, 1 - alpha / a]),
        "low shelf": (
            [a * ((a + 1) - (a - 1) * cos + two), 2 * a * ((a - 1) - (a + 1) * cos), a * ((a + 1) - (a - 1) * cos - two)],
            [(a + 1) + (a - 1) * cos + two, -2 * ((a - 1) + (a + 1) * cos), (a + 1) + (a - 1) * cos - two],
        ),
        "high shelf": (
            [a * ((a + 1) + (a - 1) * cos + two), -2 * a * ((a - 1) + (a + 1) * cos), a * ((a + 1) + (a - 1) * cos - two)],
            [(a + 1) - (a - 1) * cos + two, 2 * ((a - 1) - (a + 1) * cos), (a + 1) - (a - 1) * cos - two],
        ),
    }
    b, d = (np.array(side) for side in table[kind])
    return b / d[0], d / d[0]


@pytest.mark.against("digital sections", "W3C Audio EQ Cookbook, formulas typed from memory", "1e-9")
@pytest.mark.parametrize("kind", KINDS[:-1])
@pytest.mark.parametrize(("f0", "q", "gain"), [(30.0, 0.7071, 6.0), (1000.0, 2.0, -9.0), (12000.0, 0.5, 3.0)])
def test_digital_sections_are_those_of_the_note(kind, f0, q, gain):
    for ours, theirs in zip(
        FilterSection(kind, f0, q, gain).biquad(48000.0), cookbook(kind, f0, 48000.0, q, gain), strict=True
    ):
        np.testing.assert_allclose(ours, theirs, rtol=1e-9, atol=1e-12)


@pytest.mark.against("digital sections in the bass", "scipy.signal.freqz", "0.01 dB")
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("rate", [44100.0, 48000.0, 96000.0])
def test_digital_and_analog_agree_in_the_bass(kind, rate):
    """scipy.signal.freqz of the coefficients against the prototype: 0.01 dB to 500 Hz."""
    section = FilterSection(kind, 40.0, 0.8, 7.0, from_hz=55.0, from_q=1.1)
    b, a = section.biquad(rate)
    _, digital = signal.freqz(b, a, worN=F, fs=rate)
    np.testing.assert_allclose(20 * np.log10(np.abs(digital)), gain_db([section], F), atol=0.01)


def test_prototypes_against_scipy():
    """A second-order Butterworth is scipy.signal.butter's; gains of peaking and shelves where they are stated."""
    b, a = signal.butter(2, 2 * math.pi * 40.0, "highpass", analog=True)
    _, h = signal.freqs(b, a, 2 * math.pi * F)
    np.testing.assert_allclose(FilterSection("high-pass", 40.0).response(F), h, rtol=1e-9)
    assert gain_db([FilterSection("peaking", 40.0, 2.0, 5.0)], [40.0])[0] == pytest.approx(5.0)
    assert gain_db([FilterSection("low shelf", 40.0, 0.7, 5.0)], [0.01])[0] == pytest.approx(5.0, abs=1e-3)
    assert gain_db([FilterSection("high shelf", 40.0, 0.7, 5.0)], [1e6])[0] == pytest.approx(5.0, abs=1e-3)
    assert gain_db([FilterSection("low shelf", 40.0, 0.7, 5.0)], [40.0])[0] == pytest.approx(2.5)


def test_a_pole_shift_makes_a_closed_box_another():
    """A lossless box with (fc, Qtc) behind the section is the second-order system with the wanted poles, to 1e-6 dB."""
    box = closed_box(DRIVER, volume=0.03, frequency_hz=F)
    fc, qtc = box.numbers()["fc_hz"], box.numbers()["qtc"]
    section = FilterSection("pole shift", 25.0, from_hz=fc, from_q=qtc)
    level = box.enclosure.without_coil.level_db(F) + gain_db([section], F)
    np.testing.assert_allclose(level, flat_target_db(F, 25.0, 2), atol=1e-6)
    assert gain_db([section], [1e-3])[0] == pytest.approx(40.0 * math.log10(fc / 25.0), abs=1e-3)


@pytest.mark.parametrize(
    "wrong", [{"kind": "notch"}, {"frequency_hz": 0.0}, {"q": -1.0}, {"gain_db": 99.0}, {"kind": "pole shift"}]
)
def test_wrong_sections_are_refused(wrong):
    with pytest.raises(TsfitError):
        FilterSection(**({"kind": "peaking", "frequency_hz": 40.0} | wrong))


def test_machine_form_holds_coefficients():
    data = plain(FilterSection("peaking", 40.0, 2.0, 5.0))
    b, a = FilterSection("peaking", 40.0, 2.0, 5.0).biquad(48000.0)
    assert data["biquads"]["48000"] == {"b": list(b), "a": list(a[1:])}
