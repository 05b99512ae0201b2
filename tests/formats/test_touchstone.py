"""Touchstone of one port: every form of one impedance says the same, and what is none is refused with its line."""

from pathlib import Path

import numpy as np
import pytest

from tsfit.base.errors import TsfitError
from tsfit.formats.touchstone import is_touchstone, read_touchstone, touchstone_text

PATH = Path("a.s1p")
F = np.array([20.0, 100.0, 1000.0])
Z = np.array([6.0 + 2.0j, 40.0 - 5.0j, 7.0 + 9.0j])


def rows(value, form):
    first, second = {
        "RI": (value.real, value.imag),
        "MA": (np.abs(value), np.degrees(np.angle(value))),
        "DB": (20.0 * np.log10(np.abs(value)), np.degrees(np.angle(value))),
    }[form]
    return "".join(f"{f:.12g} {a:.15g} {b:.15g}\n" for f, a, b in zip(F, first, second, strict=True))


@pytest.mark.parametrize("form", ["RI", "MA", "DB"])
@pytest.mark.parametrize("parameter", ["S", "Z", "Y"])
@pytest.mark.parametrize("ohm", [50.0, 8.0])
def test_every_form_says_the_same_impedance(parameter, form, ohm):
    value = {"S": (Z - ohm) / (Z + ohm), "Z": Z / ohm, "Y": ohm / Z}[parameter]
    f, z, lines, told = read_touchstone(f"! made\n# Hz {parameter} {form} R {ohm:g}\n{rows(value, form)}", PATH)
    np.testing.assert_allclose(f, F)
    np.testing.assert_allclose(z, Z, rtol=1e-12)
    assert lines.tolist() == [3, 4, 5]
    assert told == f"{parameter} {form} R {ohm:g}"


def test_what_is_written_is_read():
    f, z, _, _ = read_touchstone(touchstone_text(F, Z), PATH)
    np.testing.assert_array_equal(f, F)
    np.testing.assert_allclose(z, Z, rtol=1e-13)


@pytest.mark.parametrize(
    ("text", "code", "line"),
    [
        ("[Version] 2.0\n", "touchstone", 1),
        ("1 0.5 0\n# Hz S MA\n", "touchstone", 2),
        ("# Hz H MA\n1 0.5 0\n", "touchstone", 1),
        ("# Hz S MA R 0\n1 0.5 0\n", "touchstone", 1),
        ("# Hz S MA\n1 0.5\n", "columns", 2),
        ("# Hz S MA\n1 nan 0\n", "not_a_number", 2),
        ("# Hz S RI\n1 0.5 0\n2 1 0\n", "impedance", 3),
        ("# Hz S DB\n1 4000 0\n", "impedance", None),
        ("! nothing\n", "empty", None),
    ],
)
def test_what_is_none_is_refused_with_its_place(text, code, line):
    with pytest.raises(TsfitError) as refused:
        read_touchstone(text, PATH)
    assert refused.value.code == code
    assert "a.s1p" in refused.value.message
    assert line is None or str(line) in refused.value.message.split(": ", 1)[0] + refused.value.message


@pytest.mark.parametrize(
    ("text", "name", "answer"),
    [
        ("1 2 3\n", "a.S1P", True),
        ("! x\n# MHz S RI\n1 2 3\n", "a.txt", True),
        ("# f, z, phase\n1 2 3\n", "a.txt", False),
        ("", "a.txt", False),
    ],
)
def test_it_is_told_by_suffix_or_option_line(text, name, answer):
    assert is_touchstone(text, Path(name)) == answer


def test_two_ports_are_none():
    with pytest.raises(TsfitError, match="one port") as refused:
        is_touchstone("", Path("a.s2p"))
    assert refused.value.code == "columns"
