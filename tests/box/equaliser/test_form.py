"""What JSON holds of an equaliser: its boost and its digital coefficients, by scipy."""

import json

import numpy as np
import pytest
from helpers.boxes import closed_box
from helpers.made_fit import made_driver
from scipy.signal import freqz

from tsfit.base.files import to_json
from tsfit.box.equaliser.equalised import at_level, equalise
from tsfit.box.equaliser.form import equaliser_form
from tsfit.box.equaliser.sections import FilterSection


def test_coefficients_of_the_form_give_the_boost_that_it_tells():
    equalised = equalise(closed_box(made_driver(), qtc=0.8), [FilterSection("peaking", 40.0, 1.2, 6.0)])
    data = json.loads(to_json(equaliser_form(equalised, at_level(equalised, 85.0))))
    assert data["kind"] == "equaliser"
    digital = data["sections"][0]["biquads"]["48000"]
    _, h = freqz(digital["b"], [1.0, *digital["a"]], worN=[40.0], fs=48000.0)
    assert data["boost_db"] == pytest.approx(20.0 * np.log10(abs(h[0])), abs=0.01)
    assert data["boost_hz"] == pytest.approx(40.0, rel=0.01)
    gained = np.array(data["after_db"]) - np.array(data["before_db"])
    np.testing.assert_allclose(gained, data["gain_db"], atol=1e-9)
    power = np.array(data["power_after_w"]) / np.array(data["power_before_w"])
    np.testing.assert_allclose(10.0 * np.log10(power), data["gain_db"], atol=1e-9)
