"""Pieces of a page: numbers as a spreadsheet reads them, tables that know their words, nested data laid flat."""

import math

import pytest

from tsfit.report.blocks import flat, number, table


@pytest.mark.parametrize(
    ("value", "digits", "written"),
    [
        (31.23456, 4, "31.23"),
        (1.25e-5, 3, "0.0000125"),
        (123456.0, 4, "123456"),
        (0.0, 4, "0"),
        (None, 4, ""),
        (math.nan, 4, ""),
        (True, 4, "True"),
        ("ladder-2", 4, "ladder-2"),
    ],
)
def test_a_number_has_no_exponent(value, digits, written):
    assert number(value, digits) == written


def test_a_column_of_words_is_told_from_numbers():
    made = table("x", ("what", "value", "unit"), [["Fs", "31.2", "Hz"], ["Re", "", "Ω"]])
    assert made.words == {2}


def test_every_value_of_nested_data_has_its_place():
    found = dict(flat({"fit": {"sweeps": [{"rig": "line divider"}, {"rig": None}]}, "points": 400}))
    assert found == {"fit.sweeps 1.rig": "line divider", "fit.sweeps 2.rig": "", "points": "400"}
