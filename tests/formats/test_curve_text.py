"""Dialects of text one by one: encodings, separators, decimal signs, names of columns."""

import numpy as np
import pytest
from helpers.read_curves import PATH, refused, table

from tsfit.base.errors import TsfitError
from tsfit.formats.curve_text import decode

ROWS = [[10.0, 6.5, -3.25], [20.5, 7.0, 12.0], [41.0, 30.125, 1.5]]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"])
@pytest.mark.parametrize("text", ["1 2 3\n" * 30, "12\n", "12", "1 2 3 ° µ\n" * 3])
def test_every_encoding_comes_back(encoding, text):
    assert decode(text.encode(encoding), PATH) == text


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_without_byte_order_mark_the_digits_tell_what_it_is(encoding):
    """Over half of the characters, here 11 of 19, have to be of the first 256; two bytes make one."""
    text = "Ω — Ω—" * 2
    assert decode(f"{text}1 2 3\n4".encode(encoding), PATH) == f"{text}1 2 3\n4"
    for broken in ("ΩΩΩΩ1 2".encode(encoding), f"{text}1 2 3\n4".encode(encoding)[:-1]):
        with pytest.raises(TsfitError, match="is not a text file"):
            decode(broken, PATH)


@pytest.mark.parametrize("raw", [b"a\x00b", b"\x00a\x00", b"1 2 3\x07\n", b"\x00" * 40, b"1\x00" * 20 + b"\x00\x00"])
def test_bytes_that_are_no_text(raw):
    with pytest.raises(TsfitError) as caught:
        decode(raw, PATH)
    assert caught.value.code == "not_text"


def test_a_minus_sign_of_typographers_and_an_old_end_of_file():
    assert decode("\u22121.5\x1a".encode(), PATH) == "-1.5"


@pytest.mark.parametrize(
    "lines",
    [
        ["10;6.5;-3.25", "20.5;7;12", "41;30.125;1.5"],
        ["10;6,5;-3,25", "20,5;7;12", "41;30,125;1,5"],
        ["10\t6.5\t-3.25", "20.5\t7\t12", "41\t30.125\t1.5"],
        ["10\t6,5\t-3,25", "20,5\t7\t12", "41\t30,125\t1,5"],
        ["10 6.5 -3.25", "20.5  7 12", "41 30.125   1.5"],
        ["10 6,5 -3,25", "20,5  7 12", "41 30,125   1,5"],
        ["10,6.5,-3.25", "20.5, 7 ,12", "41,30.125,1.5"],
        ["10;6.5;-3.25;", "20.5;7;12;", "41;30.125;1.5;"],
        ["1.0e1 65e-1 -3.25E0", "20.5 +7 12.", "41 30.125 1.5"],
    ],
)
def test_rows_of_every_dialect(lines):
    found = table(*lines)
    np.testing.assert_array_equal(found.values, ROWS)
    assert found.lines.tolist() == [1, 2, 3]
    assert found.columns is None


def test_whole_numbers_between_commas():
    np.testing.assert_array_equal(table("10,6,3", "20,7,12").values, [[10, 6, 3], [20, 7, 12]])


@pytest.mark.parametrize(
    "lines",
    [
        ["10;6,5;3.0"],
        ["10\t6,5\t3.0"],
        ["10,5,6,5,3,0"],  # commas for both
        ["10 6,5,3 2,0"],
        ["10, 6 3,0", "20, 7 4,0"],
    ],
)
def test_a_comma_of_two_meanings_is_refused(lines):
    assert refused(*lines)[0] == "separators"


def test_places_are_named():
    assert refused("1;2;3", "", "4;5") == (
        "ragged",
        "curve.txt, line 3: 2 columns where the first row has 3; complete the row or remove it.",
    )
    assert refused("1 2 3", "seven", "7 8 9")[1].startswith("curve.txt, line 2: 'seven' is not a row of numbers")
    assert table("1 2 3", "4 5 6", "seven 8 9").odd == {0: (3, "seven")}
    assert table("1 2 3", "4 5 x", "7 8 y").odd == {2: (2, "x")}
    assert table("1 2 3", "4 nan 6").odd == {1: (2, "nan")}
    assert refused("1 2 3", "9" * 2001)[1].startswith("curve.txt, line 2: is longer than 2000 characters")
    assert table("1 2 3", "# " + "9" * 1998).values.shape == (1, 3)
