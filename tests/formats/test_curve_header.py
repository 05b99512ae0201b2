"""Names of columns one by one, and lines above the numbers that are a header, a remark, or neither."""

import pytest
from helpers.read_curves import refused, table

from tsfit.formats.curve_header import Column, column_of


@pytest.mark.parametrize(
    ("cell", "column"),
    [
        ("Frequency (Hz)", Column("frequency", 1.0, "Hz")),
        ("f [kHz]", Column("frequency", 1e3, "kHz")),
        ("freq in MHz", Column("frequency", 1e6, "MHz")),
        ("|Z|", Column("magnitude")),
        ("|Z| (kohm)", Column("magnitude", 1e3, "kohm")),
        ("Z", Column("magnitude")),
        ("Ω", Column("magnitude", 1.0, "ohm")),
        ("impedance magnitude [ohm]", Column("magnitude", 1.0, "ohm")),
        ("phase", Column("phase")),
        ("phase angle (deg)", Column("phase", 1.0, "deg")),
        ("Phase [°]", Column("phase", 1.0, "deg")),
        ("phase in radians", Column("phase", 1.0, "rad")),
        ("real part of Z", Column("real")),
        ("Re(Z)", Column("real")),
        ("Im(Z) (kohm)", Column("imaginary", 1e3, "kohm")),
        ("stdev (ohm)", Column("stdev", 1.0, "ohm")),
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
        ("freq;mag;level", ("10;6;3",), "line 1: 'freq;mag;level' does not name the 3 columns below it"),
        ("freq;mag", ("10;6",), "has 2 columns; export the phase too"),
        ("freq;freq;mag;phase", ("10;6;3;4",), "line 1: 'freq;freq;"),
        ("freq;mag;mag;phase", ("10;6;3;4",), "line 1: 'freq;mag;"),
        ("level;mag;phase", ("10;6;3",), "line 1: 'level;mag;phase' does not name the 3 columns below it"),
        ("# sweep (kHz)", ("10;6;3",), "line 1: '# sweep (kHz)' does not name the 3 columns below it"),
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
    assert f"line 2: '{'x' * 40}' is not a row" in refused("1 2 3", "x" * 50, "4 5 6")[1]
    names = f"freq;mag;{'x' * 51}"
    assert f"line 1: '{names}' does not name the 3 columns" in refused(f"{names}yz", "10;6;3")[1]
    assert f"line 1: '{'x' * 60}' does not name the 3 columns" in refused(f"{'x' * 66};y;z", "10;6;3")[1]
    assert f"line 1: '# in kHz {'x' * 51}' does not name" in refused(f"# in kHz {'x' * 60}", "10;6;3")[1]
