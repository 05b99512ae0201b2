"""One curve in many dialects: read right, or refused with the way out; never read wrong."""

import numpy as np
import pytest
from helpers.dialects import SIZE, F, Z, body, dialects

from tsfit.base.errors import TsfitError
from tsfit.formats.curve import read_curve

ALL = dialects()


def outcome(path, dialect):
    """Whether it was read; what is read must be the curve at every frequency it claims."""
    path.write_bytes(dialect.content)
    try:
        curve = read_curve(path)
    except TsfitError as error:
        refused = error.message
    else:
        refused = ""
    if refused:
        assert refused.startswith(str(path))
        assert refused.endswith(".")
        return False
    at = np.argmin(np.abs(np.log(curve.frequency_hz[:, None] / F)), axis=1)
    np.testing.assert_allclose(curve.frequency_hz, F[at], rtol=1e-4, atol=6e-4, err_msg=dialect.name)
    assert np.max(np.abs(curve.impedance_ohm - Z[at]) / SIZE[at]) < 1e-3, dialect.name
    assert len(curve.frequency_hz) >= len(F) - 1
    return True


@pytest.mark.parametrize("dialect", ALL, ids=lambda one: one.name)
def test_read_right_or_refused_by_name(tmp_path, dialect):
    assert outcome(tmp_path / "curve.txt", dialect) or not dialect.must


def test_most_dialects_are_read(tmp_path):
    assert len({one.content for one in ALL}) == len(ALL) >= 120
    assert sum(one.must for one in ALL) >= 110


@pytest.mark.parametrize(
    ("lines", "columns"),
    [
        (["uno;due;tre", *body("fzp")], "Hz, ohm, degrees"),
        (body("fzp", p=np.angle(Z)), "Hz, ohm, radians"),
        (["f;mag (dB);phase", *body("fzp", z=20.0 * np.log10(SIZE))], "Hz, dB, degrees"),
        (["f;Z;phase", *body("fzp", p=-np.degrees(np.angle(Z)))], "Hz, ohm, -degrees"),
        (body("nfrx"), "-, Hz, R, X"),
        (["a;b;c", *body("frx", f=F / 1e3)], "kHz; re; im"),
    ],
)
def test_a_person_names_the_columns(tmp_path, lines, columns):
    path = tmp_path / "curve.txt"
    path.write_text("\n".join(lines))
    with pytest.raises(TsfitError, match=r"--columns|names"):
        read_curve(path)
    curve = read_curve(path, columns)
    np.testing.assert_allclose(curve.frequency_hz, F, rtol=1e-4, atol=6e-4)
    np.testing.assert_allclose(curve.impedance_ohm, Z, rtol=1e-3)


@pytest.mark.parametrize(
    ("columns", "words"), [("Hz, ohm", "not as many"), ("Hz, ohm, mH", "do not tell"), ("", "not as many")]
)
def test_names_that_do_not_do(tmp_path, columns, words):
    path = tmp_path / "curve.txt"
    path.write_text("\n".join(body("fzp")))
    with pytest.raises(TsfitError, match=words) as caught:
        read_curve(path, columns)
    assert caught.value.code == "columns"


def notes(tmp_path, lines):
    path = tmp_path / "curve.txt"
    path.write_text("\n".join(lines))
    return {note.code: note.message for note in read_curve(path).notes}


def test_what_is_left_out_or_averaged_is_counted(tmp_path):
    header, rows = "f (Hz);Z (ohm);phase (deg)", body("fzp")
    told = notes(tmp_path, [header, *rows[:5], "20;;", *rows[5:], "21;7;", rows[9], rows[9], "the end", "of all"])
    assert "2, the first in line 7" in told["empty_cells"]
    assert "1 of its frequencies" in told["averaged_rows"]
    assert "3 rows" in told["averaged_rows"]
    assert told["footer"].startswith("2 lines")


def test_one_frequency_is_averaged_and_a_quarrel_refused(tmp_path):
    path = tmp_path / "curve.txt"
    rows = body("frx")
    f, r, x = (float(cell) for cell in rows[10].split(";"))
    path.write_text("\n".join(["f;re;im", *rows, f"{f};{r * 1.02};{x}"]))
    read = read_curve(path)
    assert read.impedance_ohm[np.isclose(read.frequency_hz, f)].real == pytest.approx(1.01 * r)
    path.write_text("\n".join(["f;re;im", *rows, f"{f};{r * 2.0};{x}"]))
    with pytest.raises(TsfitError, match="stands there 2 times"):
        read_curve(path)


def test_a_very_long_curve_is_averaged(tmp_path):
    """A closed form at 50,000 steps comes back at few, with the variance of means."""
    f = np.geomspace(12.0, 6000.0, 50_000)
    z = 6.1 + 2.0j * np.pi * f * 0.35e-3 + 34.0 / (1.0 + 1j * 3.1 * (f / 41.0 - 41.0 / f))
    path = tmp_path / "long.txt"
    rows = np.column_stack([f, z.real, z.imag, np.full(len(f), 0.02)])
    path.write_text("f;re;im;stdev\n" + "\n".join(";".join(map(repr, row)) for row in rows.tolist()))
    curve = read_curve(path)
    assert len(curve.frequency_hz) < 2000
    g = curve.frequency_hz
    true = 6.1 + 2.0j * np.pi * g * 0.35e-3 + 34.0 / (1.0 + 1j * 3.1 * (g / 41.0 - 41.0 / g))
    assert np.max(np.abs(curve.impedance_ohm / true - 1.0)) < 1e-4
    each = 50_000 / (192 * np.log2(500.0))
    assert np.median(np.sqrt(curve.variance_ohm2)) == pytest.approx(0.02 / np.sqrt(each), rel=0.1)
