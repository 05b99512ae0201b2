"""Commas and points that may set thousands apart: told by the whole column, or refused with the way out; never guessed."""

import contextlib
import itertools
import os

import numpy as np
import pytest
from helpers.dialects import F, Z, body, grouped, number

from tsfit.base.errors import TsfitError
from tsfit.formats.curve import read_curve
from tsfit.formats.curve_cells import Dialect

EVERY = int(os.environ.get("TSFIT_CELLS", "3"))
"""Of all ways to write three columns, each so many-th is read, others in each kind of file; 1 reads them all."""
WRITERS = {
    "three decimals": lambda value: f"{value:.3f}",
    "up to three decimals": lambda value: f"{value:.3f}".rstrip("0").rstrip("."),
    "whole": lambda value: f"{value:.0f}",
    "whole, thousands apart": lambda value: f"{value:,.0f}",
    "four digits": lambda value: f"{value:.4g}",
}


def written(path, columns, writers, sign, header):
    """Rows in which `sign` is the comma of the writers, and the other sign their point."""
    swapped = str.maketrans(",.", sign)
    told = [
        [write(value).translate(swapped) for value in one.tolist()] for one, write in zip(columns, writers, strict=True)
    ]
    path.write_text("\n".join([header, *map(";".join, zip(*told, strict=True))]) + "\n")


@pytest.mark.parametrize(
    ("names", "scale", "sign"),
    [("f;Z;phase", 0.35, ",."), ("f;re;im", 0.35, ".,"), ("f;re;im", 1.0, ",."), ("f;Z;phase", 40.0, ".,")],
)
def test_no_way_of_writing_numbers_is_read_wrong(tmp_path, names, scale, sign):
    """Every writer in every column, from 2 to 240 ohm: each file is the curve, or refused."""
    path = tmp_path / "curve.txt"
    z = scale * Z
    parts = (np.abs(z), np.degrees(np.angle(z))) if "Z" in names else (z.real, z.imag)
    read, ways = 0, list(itertools.product(WRITERS.values(), repeat=3))[int(10.0 * scale) % EVERY :: EVERY]
    for writers in ways:
        written(path, (F, *parts), writers, sign, names)
        try:
            curve = read_curve(path)
        except TsfitError:
            continue
        at = np.argmin(np.abs(np.log(curve.frequency_hz[:, None] / F)), axis=1)
        np.testing.assert_allclose(curve.frequency_hz, F[at], atol=0.6)
        # Whole numbers cost half an ohm, and half a degree.
        assert np.max(np.abs(curve.impedance_ohm - z[at])) < 0.8 + 0.02 * scale * 40.0
        read += 1
    assert read >= len(ways) - 2


def text(f, z, phase, header="f;Z;phase"):
    return "\n".join([header, *(f"{a};{b};{c}" for a, b, c in zip(f, z, phase, strict=True))]) + "\n"


HZ = np.array([20, 25, 32, 40, 50, 63, 80, 100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600, 2000])
AT = 6.1 + 2.0j * np.pi * HZ * 0.35e-3 + 34.0 / (1.0 + 1j * 3.1 * (HZ / 41.0 - 41.0 / HZ))
OHM, TURN = np.abs(AT).round().astype(int), np.degrees(np.angle(AT)).round().astype(int)


@pytest.mark.parametrize("mark", [",", "."])
@pytest.mark.parametrize("step", [1, -1])
def test_an_order_of_frequencies_tells(tmp_path, mark, step):
    """1,000 after 800 is a thousand, rising or falling."""
    path = tmp_path / "curve.txt"
    f = [f"{value:,}".replace(",", mark) for value in HZ]
    path.write_text(text(f[::step], OHM[::step], TURN[::step]))
    np.testing.assert_array_equal(read_curve(path).frequency_hz, HZ)
    # Four digits without a mark beside it change nothing.
    path.write_text(text([f[k] if k == 17 else HZ[k] for k in range(21)][::step], OHM[::step], TURN[::step]))
    np.testing.assert_array_equal(read_curve(path).frequency_hz, HZ)


@pytest.mark.parametrize("mark", [",", "."])
def test_one_row_apart_does_not_become_one_hertz(tmp_path, mark):
    """Where no order tells, the law of phase does, or nothing."""
    path = tmp_path / "curve.txt"
    rows = np.roll(np.arange(21), 5)
    path.write_text(text([f"{HZ[k]:,}".replace(",", mark) for k in rows], OHM[rows], TURN[rows]))
    found = np.array([])
    with contextlib.suppress(TsfitError):
        found = read_curve(path).frequency_hz
    assert found.tolist() in ([], HZ.tolist())


@pytest.mark.parametrize("mark", [",", "."])
def test_what_can_not_be_told_is_refused_and_a_person_tells_it(tmp_path, mark):
    """From 1 to 900 Hz or from 1 to 900 kHz: nothing in the file says which."""
    path = tmp_path / "curve.txt"
    f = np.geomspace(1.0, 900.0, 40).round(3)
    z = 600.0 + 3400.0 / (1.0 + 1j * 3.1 * (f / 41.0 - 41.0 / f))
    parts = np.abs(z).round().astype(int), np.degrees(np.angle(z)).round().astype(int)
    cells = [f"{value:.3f}".replace(".", mark) for value in f]
    path.write_text(text(cells, *parts))
    with pytest.raises(TsfitError, match=r"line 2: 1 or 1000\?|line 2: 1000 or 1\?") as caught:
        read_curve(path)
    assert caught.value.code == "separators"
    assert '"decimal comma" or "decimal point"' in caught.value.message
    decimal, thousands = ("comma", "point") if mark == "," else ("point", "comma")
    kept = slice(6, None)
    np.testing.assert_allclose(read_curve(path, f"Hz, ohm, degrees, decimal {decimal}").frequency_hz[-34:], f[kept])
    np.testing.assert_allclose(read_curve(path, f"decimal {thousands}").frequency_hz[-34:], 1e3 * f[kept])
    # One number that only decimals can be decides for the whole file.
    path.write_text(text([*cells, f"1100{mark}5"], *([*part, 7] for part in parts)))
    np.testing.assert_allclose(read_curve(path).frequency_hz[-35:-1], f[kept])


@pytest.mark.parametrize(
    ("cell", "decimal", "apart", "value"),
    [
        ("1,000", ".", True, 1000.0), ("1,000", ",", False, 1.0), ("1,000", ".", False, None),
        ("1.000", ",", True, 1000.0), ("1.000", ".", False, 1.0),
        ("0,512", ".", True, None), ("1,00", ".", True, None),
        ("1000,000", ".", True, None), ("1,234.5", ".", True, 1234.5),
        ("1.234,5", ",", True, 1234.5), ("1'000", ".", False, 1000.0), ("1 000,5", ",", False, 1000.5),
        ("1,000,000", ".", True, 1e6), ("1,000,00", ".", True, None),
        ("-2,571", ".", True, -2571.0), ("10,", ",", False, None),
    ],
)  # fmt: skip
def test_cells_one_by_one(cell, decimal, apart, value):
    assert Dialect(";", decimal, apart).number(cell) == value


def test_mixed_marks_are_told_by_one_cell(tmp_path):
    """1.000 beside 6,5 is a thousand; 1.000 beside 6.500,5 too."""
    path = tmp_path / "curve.txt"
    path.write_text("\n".join(["f;Z;phase", *body("fzp", write=lambda value: grouped(value, ".", ","))]))
    np.testing.assert_allclose(read_curve(path).frequency_hz, F, atol=6e-5)
    path.write_text("\n".join(["f;Z;phase", *body("fzp", write=number), "6100,5;7;3"]))
    with pytest.raises(TsfitError, match="one decimal sign"):
        read_curve(path)
