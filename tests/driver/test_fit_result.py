"""An estimate in words: in the unit of the trade, with the digits that its standard uncertainty deserves."""

from dataclasses import replace

import pytest
from helpers.made_fit import made_fit

from tsfit.base.forms import plain
from tsfit.driver.fit_result import Estimate, Shown


@pytest.mark.parametrize(
    ("name", "estimate", "shown"),
    [
        ("Fs", Estimate(31.23456, 0.0456, (31.145, 31.324), "Hz"), Shown("31.235", "0.046", "31.145", "31.324", "Hz")),
        ("Mms", Estimate(0.0321049, 0.000213, (0.03169, 0.03252), "kg"), Shown("32.10", "0.21", "31.69", "32.52", "g")),
        ("Vas", Estimate(0.0630512, 0.00121, (0.0607, 0.0654), "m³"), Shown("63.1", "1.2", "60.7", "65.4", "l")),
        ("sensitivity_1W", Estimate(88.6123, 0.1, (88.4, 88.8), "dB"), Shown("88.61", "0.10", "88.40", "88.80", "dB")),
    ],
)
def test_an_estimate_with_all_its_digits(name, estimate, shown):
    """Two digits of the standard uncertainty: JCGM 100:2008, 7.2.6."""
    assert estimate.shown(name, full=True) == shown
    assert shown.interval == f"{shown.low} … {shown.high}"


@pytest.mark.parametrize(
    ("name", "estimate", "told", "interval"),
    [
        ("Fs", Estimate(31.23456, 0.0456, (31.145, 31.324), "Hz"), "31.23 ± 0.05", "31.14 … 31.32"),
        ("Qes", Estimate(0.4372977, 7.5e-6, (0.4372827, 0.4373127), "1"), "0.4373 ± <0.0001", ""),
        ("Vas", Estimate(0.0630512, 0.00121, (0.0607, 0.0654), "m³"), "63.1 ± 1.2", "60.7 … 65.4"),
        ("sensitivity_1W", Estimate(88.6123, 0.0013, (88.6097, 88.6149), "dB"), "88.61 ± <0.01", ""),
        ("Re", Estimate(5.0, 0.0, (5.0, 5.0), "ohm"), "5 ± 0", ""),
    ],
)
def test_no_digit_that_nobody_believes(name, estimate, told, interval):
    """No better than 0.1 % of the value, or 0.01 dB; an interval that shows nothing more is left out."""
    shown = estimate.shown(name)
    assert f"{shown.value} ± {shown.spread}" == told
    assert shown.interval == interval


def test_where_an_interval_comes_from_is_told_only_of_a_profile():
    simple = Estimate(1.0, 0.1, (0.8, 1.2), "1")
    assert plain(simple) == {"value": 1.0, "stdev": 0.1, "interval95": [0.8, 1.2], "unit": "1"}
    assert plain(Estimate(1.0, 0.1, (0.8, 1.3), "1", "profile"))["interval_from"] == "profile"


def test_in_a_row_stands_what_is_asked_for_first_with_its_uncertainty():
    found = made_fit(only=("Re", "Fs", "Qts", "Rms"))
    fs, re, qts = (found.parameters[name].shown(name) for name in ("Fs", "Re", "Qts"))
    assert found.in_short == (
        f"Fs {fs.value} ± {fs.spread} Hz, Qts {qts.value} ± {qts.spread}, Re {re.value} ± {re.spread} Ω"
    )
    exact = replace(found.parameters["Re"], stdev=0.0)
    assert replace(found, parameters={"Re": exact}).in_short == f"Re {exact.shown('Re').value} Ω"
