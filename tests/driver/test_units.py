import math

import pytest
from helpers.hostile import CHARACTERS
from hypothesis import given, settings
from hypothesis import strategies as st

from tsfit.base.errors import TsfitError
from tsfit.driver.parameters import PARAMETERS
from tsfit.driver.units import Printed, display, parse_printed, scale_to_si

FIXED = settings(derandomize=True, max_examples=200, deadline=None, database=None)


# The inch is 25.4 mm, the foot 304.8 mm and the pound 0.45359237 kg exactly (international yard and pound agreement, 1959);
# cubic feet, square inches, ounces worked by hand from these.
@pytest.mark.parametrize(
    ("text", "si", "value", "half_digit"),
    [
        ("31.5 Hz", "Hz", 31.5, 0.05),
        ("1.00 ft^3", "m³", 0.028316846592, 0.005 * 0.028316846592),
        ("1.00 cu ft", "m³", 0.028316846592, 0.005 * 0.028316846592),
        ("10 in^2", "m²", 0.0064516, 0.5 * 0.00064516),
        ("1 oz", "kg", 0.028349523125, 0.5 * 0.028349523125),
        ("0.21 mm/N", "m/N", 0.21e-3, 0.005e-3),
        ("648.3 µm/N", "m/N", 648.3e-6, 0.05e-6),
        ("648.3 μm/N", "m/N", 648.3e-6, 0.05e-6),
        ("0,21 mm/N", "m/N", 0.21e-3, 0.005e-3),
        ("335 cm²", "m²", 0.0335, 0.5e-4),
        ("335 cm2", "m²", 0.0335, 0.5e-4),
        ("4.0 dm3", "m³", 0.004, 0.05e-3),
        ("63.0 l", "m³", 0.063, 0.05e-3),
        ("63 litres", "m³", 0.063, 0.5e-3),
        ("12 cc", "m³", 12e-6, 0.5e-6),
        ("9.3 T·m", "T·m", 9.3, 0.05),
        ("9.3 Tm", "T·m", 9.3, 0.05),
        ("9.3 N/A", "T·m", 9.3, 0.05),
        ("2.5 N·s/m", "N·s/m", 2.5, 0.05),
        ("2.5 Ns/m", "N·s/m", 2.5, 0.05),
        ("2.5 kg/s", "N·s/m", 2.5, 0.05),
        ("5.7 Ω", "ohm", 5.7, 0.05),
        ("5.7 \N{OHM SIGN}", "ohm", 5.7, 0.05),
        ("0.9 mH", "H", 0.9e-3, 0.05e-3),
        ("1.2e-3 H", "H", 1.2e-3, 0.05e-3),
        ("88.1 dB", "dB", 88.1, 0.05),
        ("0.38", "1", 0.38, 0.005),
        (0.38, "1", 0.38, 0.005),
        (5, "1", 5.0, 0.5),
        ("950 Hz", "Hz", 950.0, 5.0),
        ("951 Hz", "Hz", 951.0, 0.5),
        ("950.0 Hz", "Hz", 950.0, 0.05),
        ("30 Hz", "Hz", 30.0, 0.5),
        ("1200 W", "W", 1200.0, 5.0),
    ],
)
def test_printed_values_become_si_with_half_of_their_last_digit(text, si, value, half_digit):
    printed = parse_printed(text, si, "sheet")
    assert printed.value == pytest.approx(value, rel=1e-12)
    assert printed.half_digit == pytest.approx(half_digit, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "si", "code"),
    [
        ("31.5", "Hz", "wrong_unit"),
        ("31.5 s", "Hz", "wrong_unit"),
        ("31.5 furlong", "Hz", "wrong_unit"),
        ("5 m^2", "m³", "wrong_unit"),
        ("0.4 mm", "m/N", "wrong_unit"),
        ("0.38 %", "1", "wrong_unit"),
        ("1 200 W", "W", "wrong_unit"),
        ("8 1/2 in", "m", "wrong_unit"),
        ("about 30 Hz", "Hz", "wrong_value"),
        ("", "Hz", "wrong_value"),
        ("nan Hz", "Hz", "wrong_value"),
        ("1e999 Hz", "Hz", "wrong_value"),
        ("1,200 W", "W", "wrong_value"),
    ],
)
def test_what_is_no_such_quantity_is_refused(text, si, code):
    with pytest.raises(TsfitError) as caught:
        parse_printed(text, si, "sheet.toml: published.Fs")
    assert caught.value.code == code
    assert caught.value.message.startswith("sheet.toml: published.Fs")
    assert caught.value.message.endswith(".")


def test_decimal_comma_of_three_digits_is_read_where_it_cannot_be_thousands():
    assert parse_printed("0,383", "1", "x").value == 0.383
    assert parse_printed("12,3456 g", "kg", "x").value == pytest.approx(12.3456e-3)


@FIXED
@given(
    st.text(CHARACTERS, max_size=30), st.sampled_from(sorted({one.unit for one in PARAMETERS.values() if one.published}))
)
def test_any_text_is_either_finite_or_refused_in_words(text, si):
    try:
        printed = parse_printed(text, si, "here")
    except TsfitError as error:
        code = error.code
    else:
        code = None
        assert math.isfinite(printed.value)
        assert printed.half_digit > 0.0
    assert code in (None, "wrong_value", "wrong_unit")


@FIXED
@given(
    st.decimals(min_value="0.001", max_value="99999", places=3),
    st.sampled_from(["m^3", "l", "ft^3", "in^3", "cm^3", "cc", "mm^3", "dm^3", "mL"]),
)
def test_every_volume_unit_returns_to_the_number_it_came_from(number, unit):
    printed = parse_printed(f"{number} {unit}", "m³", "here")
    assert printed.value / scale_to_si(unit, "m³", "here") == pytest.approx(float(number), rel=1e-12)


# Worked by hand.
@pytest.mark.parametrize(
    ("name", "si", "shown"),
    [
        ("Vas", 0.063, (63.0, "l")),
        ("Mms", 0.032, (32.0, "g")),
        ("Cms", 0.8e-3, (0.8, "mm/N")),
        ("Le", 0.9e-3, (0.9, "mH")),
        ("Sd", 0.0236, (236.0, "cm²")),
        ("Xmax", 0.006, (6.0, "mm")),
        ("Fs", 31.5, (31.5, "Hz")),
        ("Qts", 0.38, (0.38, "")),
    ],
)
def test_figures_are_shown_in_the_units_of_the_trade(name, si, shown):
    value, unit = display(name, si)
    assert (value, unit) == (pytest.approx(shown[0]), shown[1])


def test_a_term_without_unit_of_its_own_keeps_the_one_given():
    assert display("K", 0.02, "ohm·s^n") == (0.02, "ohm·s^n")


@pytest.mark.parametrize("name", sorted(n for n, one in PARAMETERS.items() if one.published and one.unit != "1"))
def test_display_factor_and_unit_say_the_same(name):
    factor, unit = PARAMETERS[name].factor, PARAMETERS[name].shown
    assert factor * scale_to_si(unit, PARAMETERS[name].unit, name) == pytest.approx(1.0)


# 4.6 ft^3 is 130.26 l ± 1.4 l; 950 printed without a decimal is good to ten.
@pytest.mark.parametrize(
    ("printed", "factor", "text"),
    [
        (Printed(5.7, 0.05, "5.7"), 1.0, "5.7"),
        (Printed(3.9, 0.005, "3.90"), 1.0, "3.90"),
        (Printed(0.032, 0.00005, "32.0 g"), 1e3, "32.0"),
        (Printed(0.130257, 0.0014158, "4.6 ft^3"), 1e3, "130"),
        (Printed(950.0, 5.0, "950"), 1.0, "950"),
    ],
)
def test_a_printed_value_is_shown_with_the_digits_it_had(printed, factor, text):
    assert printed.shown(factor) == text
