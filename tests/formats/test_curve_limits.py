"""Where a curve that others made stops being one of a driver: the limits themselves, and which row is named."""

from pathlib import Path

import numpy as np
import pytest
from helpers.made_curves import make

from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.formats.curve import DEGREES, RADIANS, RECTANGULAR, check_units, possible, read_curve

((CURVE, _),) = make(["free air"], np.random.default_rng(7), errors=False, frequency_hz=np.geomspace(9.0, 4000.0, 120))[0]
F, Z = CURVE.frequency_hz, CURVE.impedance_ohm
POLAR = np.column_stack([F, np.abs(Z), np.degrees(np.angle(Z))])
CARTESIAN = np.column_stack([F, Z.real, Z.imag])


def text(rows, header=""):
    return header + "".join(",".join(repr(float(value)) for value in row) + "\n" for row in rows)


def refusal(path):
    with pytest.raises(TsfitError) as caught:
        read_curve(path)
    return caught.value


@pytest.mark.parametrize(
    ("first", "last", "ohm", "code"),
    [
        (10.0, 25.0, 8.0, None),
        (10.0, 24.9, 8.0, "frequency"),
        (10.0, 1e6, 8.0, None),
        (10.0, 1e6 + 0.5, 8.0, "frequency"),
        (4999.0, 9e3, 8.0, None),
        (5000.0, 9e3, 8.0, "frequency"),
        (10.0, 1e3, 0.05, None),
        (10.0, 1e3, 0.049, "impedance"),
        (10.0, 1e3, 3000.0, None),
        (10.0, 1e3, 3000.5, "impedance"),
    ],
)
def test_where_units_were_confused_begins_at(first, last, ohm, code):
    """25 Hz to 1 MHz at the top, 5 kHz at the bottom, 0.05 to 3000 ohm."""
    asked = np.array([first, 0.5 * (first + last), last]), np.array([0.01, ohm, 1e5]) * 1j, Path("made.txt")
    if code is None:
        check_units(*asked)
        return
    with pytest.raises(TsfitError) as caught:
        check_units(*asked)
    assert caught.value.code == code
    told = {
        "frequency": f"covers {in_figures(first, 6)} to {in_figures(last, 6)} Hz",
        "impedance": f"shows about {in_figures(ohm, 2)} ohm",
    }[code]
    assert caught.value.message.startswith(
        f"made.txt: {told}, no driver's" if code == "impedance" else f"made.txt: {told},"
    )


@pytest.mark.parametrize(
    ("reading", "usual", "odd"),
    [
        (RECTANGULAR, (6.0, 3.0), (-0.1, 3.0)),
        (DEGREES, (0.5, 92.0), (0.5, 93.0)),
        (DEGREES, (0.5, 720.0 - 92.0), (0.5, 720.0 - 93.0)),
        (RADIANS, (0.5, 4.0 * np.pi + 1.6), (0.5, 4.0 * np.pi + 1.63)),
    ],
)
def test_a_tenth_of_the_points_may_lie_where_no_passive_driver_is(reading, usual, odd):
    """Resistance not negative, phase within ±90 degrees and what noise adds."""
    for count, could_be in ((0, True), (1, True), (2, False)):
        assert possible(reading, *np.array([odd] * count + [usual] * (10 - count)).T) == could_be, count
    if reading != RECTANGULAR:
        assert not possible(reading, *np.array([(0.0, usual[1])] + [usual] * 9).T)


@pytest.mark.parametrize(("radians", "told"), [(0.005, False), (0.016, False), (0.019, True)])
def test_a_phase_of_next_to_nothing_does_not_tell_its_unit(written, radians, told):
    """Where radians would miss the law of phase by less than a degree, they obey it as well as degrees do."""
    flat = np.column_stack([F, 8.0 + 1e-4 * (np.arange(120) % 2), np.full(120, radians)])
    path = written(text(flat, header="freq,mag,phase\n"))
    if told:
        assert read_curve(path).provenance["columns"] == DEGREES
    else:
        assert "does not tell whether its columns are" in refusal(path).message


@pytest.mark.parametrize(("rows", "header"), [(POLAR, "f,mag,phase (deg)\n"), (CARTESIAN, "f,re,im\n"), (CARTESIAN, "")])
def test_half_an_ohm_is_a_driver(written, rows, header):
    scale = [1.0, 0.1, 1.0 if rows is POLAR else 0.1]
    np.testing.assert_allclose(read_curve(written(text(rows * scale, header))).impedance_ohm, 0.1 * Z, rtol=1e-12)


def test_of_several_faults_the_first_is_named(written):
    rows = POLAR.copy()
    rows[[40, 60], 1] = 0.0
    header = "f,mag,phase (deg)\n"
    assert "line 42: a magnitude must be positive" in refusal(written(text(rows, header=header))).message
    rows = np.concatenate([POLAR, POLAR[[30, 70]] * [1.0, 2.0, 1.0]])
    assert f"line 121: {F[30]:g} Hz stands there 2 times" in refusal(written(text(rows))).message


def test_bounds_of_rows_belong_to_what_is_read(written):
    header = "f,re,im\n"
    slow = np.concatenate([[[1e-3, 6.0, 0.1]], CARTESIAN])
    assert read_curve(written(text(slow, header=header))).frequency_hz[0] == 1e-3
    fast = np.concatenate([CARTESIAN, [[1e8, 6.0, 0.1]]])
    assert "covers 9 to 100000000 Hz" in refusal(written(text(fast, header=header))).message
    assert len(read_curve(written(text(CARTESIAN[::12], header=header))).frequency_hz) == 10
    for count in (12, 13):
        odd = CARTESIAN.copy()
        odd[-count:, 1] = -0.5
        path = written(text(odd, header=header))
        if count == 12:
            np.testing.assert_allclose(read_curve(path).impedance_ohm, odd[:, 1] + 1j * odd[:, 2], rtol=1e-12)
        else:
            assert "has negative resistance" in refusal(path).message


@pytest.mark.parametrize(("name", "head"), [("many.txt", "Hz ohm degrees\n"), ("many.s1p", "# Hz Z RI R 1\n")])
def test_rows_without_end_are_refused_once_they_are_too_many(tmp_path, monkeypatch, name, head):
    for module in ("curve_text", "touchstone"):
        monkeypatch.setattr(f"tsfit.formats.{module}.MOST_ROWS", 300)
    path = tmp_path / name
    path.write_text(head + "100.0 8.0 12.0\n" * 400)
    assert refusal(path).code == "too_large"
    frequency = np.geomspace(9.0, 4000.0, 300)
    path.write_text(head + "".join(f"{f:.3f} {8.0 + 1e-3 * f:.6f} {1e-3 * f:.6f}\n" for f in frequency))
    assert len(read_curve(path).frequency_hz) == 300
