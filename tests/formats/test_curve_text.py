"""Dialects of text one by one: encodings, separators, decimal signs, names of columns."""

from pathlib import Path

import numpy as np
import pytest

from tsfit.base.errors import TsfitError
from tsfit.formats.curve_text import Column, column_of, decode, read_table

PATH = Path("curve.txt")
ROWS = [[10.0, 6.5, -3.25], [20.5, 7.0, 12.0], [41.0, 30.125, 1.5]]


def table(*lines):
    return read_table("\n".join(lines), PATH)


def refused(*lines):
    with pytest.raises(TsfitError) as caught:
        table(*lines)
    return caught.value.code, caught.value.message


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
    assert refused("1 2 3", "4 5 6", "seven 8 9")[1].startswith("curve.txt, line 3: 'seven 8 9' is not a row of numbers")
    assert refused("1 2 3", "4 5 x")[1].startswith("curve.txt, line 2: 'x' is not a number")
    assert refused("1 2 3", "4 nan 6")[1].startswith("curve.txt, line 2: 'nan' is not a finite number")
    assert refused("1 2 3", "9" * 2001)[1].startswith("curve.txt, line 2: is longer than 2000 characters")
    assert table("1 2 3", "# " + "9" * 1998).values.shape == (1, 3)


@pytest.mark.parametrize(
    ("cell", "column"),
    [
        ("Frequency (Hz)", Column("frequency")),
        ("f [kHz]", Column("frequency", 1e3)),
        ("freq in MHz", Column("frequency", 1e6)),
        ("|Z|", Column("magnitude")),
        ("|Z| (kohm)", Column("magnitude", 1e3)),
        ("Z", Column("magnitude")),
        ("Ω", Column("magnitude")),
        ("impedance magnitude [ohm]", Column("magnitude")),
        ("phase", Column("phase")),
        ("phase angle (deg)", Column("phase", 1.0, "deg")),
        ("Phase [°]", Column("phase", 1.0, "deg")),
        ("phase in radians", Column("phase", 1.0, "rad")),
        ("real part of Z", Column("real")),
        ("Re(Z)", Column("real")),
        ("Im(Z) (kohm)", Column("imaginary", 1e3)),
        ("stdev (ohm)", Column("stdev")),
        ("part of the", Column("")),
        ("SPL (dB)", Column("")),
        ("freq spl", Column("")),
        ("freq phase", Column("")),
        ("42", Column("")),
        ("", Column("")),
    ],
)
def test_names_of_columns(cell, column):
    assert column_of(cell) == column


@pytest.mark.parametrize(
    ("header", "roles"),
    [
        ("Hz;ohm;deg", ("frequency", "magnitude", "phase")),
        ("phase (deg);freq (Hz);mag (ohm)", ("phase", "frequency", "magnitude")),
        ("# f;re;im", ("frequency", "real", "imaginary")),
    ],
)
def test_the_header_stands_above_the_numbers(header, roles):
    found = table("Bench 3", header, "10;6;3", "20;7;12")
    assert tuple(column.role for column in found.columns) == roles
    assert found.lines.tolist() == [3, 4]


@pytest.mark.parametrize(
    ("header", "rows", "words"),
    [
        ("freq;mag;level", ("10;6;3",), "line 1: the header 'freq;mag;level' does not name frequency with magnitude and"),
        ("freq;mag", ("10;6",), "line 1: the header 'freq;mag' does not name"),
        ("freq;freq;mag;phase", ("10;6;3;4",), "line 1: the header"),
        ("freq;mag;mag;phase", ("10;6;3;4",), "line 1: the header"),
        ("level;mag;phase", ("10;6;3",), "line 1: 'level;mag;phase' does not name the 3 columns below it"),
        ("# sweep (kHz)", ("10;6;3",), "line 1: '# sweep (kHz)' tells of units but does not name all 3 columns"),
        ("mag;phase;x", ("10;6;3",), "line 1: 'mag;phase;x' does not name the 3 columns"),
    ],
)
def test_a_header_that_does_not_name_all_is_refused(header, rows, words):
    code, message = refused(header, *rows)
    assert code == "columns"
    assert words in message


def test_a_remark_is_no_header():
    assert table("# made on Tuesday", "10;6;3").columns is None
    assert table("# Hz", "10").columns is None
    assert table("# Hz", "10;").columns is None


def test_of_a_long_line_its_beginning_is_told():
    """Forty characters of a row or cell, sixty of a header."""
    assert f"line 2: '{'x' * 40}' is not a row" in refused("1 2 3", "x" * 50)[1]
    assert f"line 2: '4{'x' * 39}' is not a number" in refused("1 2 3", f"5 6 4{'x' * 50}")[1]
    names = f"freq;mag;{'x' * 51}"
    assert f"line 1: the header '{names}' does not name frequency" in refused(f"{names}yz", "10;6;3")[1]
    assert f"line 1: '{'x' * 60}' does not name the 3 columns" in refused("x" * 70, "10;6;3")[1]
    assert f"line 1: '# in kHz {'x' * 51}' tells of units" in refused(f"# in kHz {'x' * 60}", "10;6;3")[1]
