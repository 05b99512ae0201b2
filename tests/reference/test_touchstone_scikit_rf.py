"""Touchstone files against scikit-rf: what it writes is read the same, and what is written here it reads the same."""

import itertools
import warnings

import numpy as np
import pytest

from tsfit.base.errors import TsfitError
from tsfit.driver.curve import ImpedanceCurve
from tsfit.formats.curve import read_curve, write_curve

skrf = pytest.importorskip("skrf", reason="scikit-rf is not installed")

F = np.geomspace(10.0, 5000.0, 90)
S = 2j * np.pi * F
# Re, coil, and a resonance near 40 Hz: any driver-like impedance does.
Z = 5.5 + 0.7e-3 * S + 1.0 / (1.0 / 40.0 + 1.0 / (0.032 * S) + 5e-4 * S)
UNITS = {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}
FORMS = list(itertools.product("SZY", ("RI", "MA", "DB"), UNITS, (50.0, 8.0, 1.0)))


def network(path):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return skrf.Network(str(path))


def content(parameter, form, unit, reference, z=Z):
    value = {"S": (z - reference) / (z + reference), "Z": z / reference, "Y": reference / z}[parameter]
    angle = np.degrees(np.angle(value))
    pair = {
        "RI": (value.real, value.imag),
        "MA": (np.abs(value), angle),
        "DB": (20.0 * np.log10(np.abs(value)), angle),
    }[form]
    rows = "".join(f"{f!r} {a!r} {b!r} ! row\n" for f, a, b in np.column_stack([F / UNITS[unit], *pair]).tolist())
    return f"! by hand\n# {unit} {parameter} {form} R {reference:g} ! options\n{rows}"


@pytest.mark.against("Touchstone files read", "scikit-rf, Network", "1e-12")
@pytest.mark.parametrize(("parameter", "form", "unit", "reference"), FORMS)
def test_every_form_is_read_alike(tmp_path, parameter, form, unit, reference):
    path = tmp_path / "curve.s1p"
    path.write_text(content(parameter, form, unit, reference), encoding="utf-8")
    other = path
    if parameter == "Y":
        # Version 1 holds Y·R, so Y comes of a division by R; scikit-rf (2.2.0) multiplies, which is right for R 1 alone.
        other = tmp_path / "other.s1p"
        other.write_text(content(parameter, form, unit, 1.0), encoding="utf-8")
    ours, theirs = read_curve(path), network(other)
    np.testing.assert_allclose(ours.frequency_hz, theirs.f, rtol=1e-12)
    np.testing.assert_allclose(ours.impedance_ohm, theirs.z[:, 0, 0], rtol=1e-12)
    np.testing.assert_allclose(ours.impedance_ohm, Z, rtol=1e-12)
    assert ours.provenance["format"] == "touchstone"


@pytest.mark.parametrize("form", ["ri", "ma", "db"])
def test_theirs_is_read(tmp_path, form):
    made = skrf.Network(f=F, f_unit="Hz", s=((Z - 50.0) / (Z + 50.0))[:, None, None], z0=50.0)
    made.write_touchstone("curve", dir=str(tmp_path), form=form, format_spec_A="{:.17g}", format_spec_B="{:.17g}")
    ours = read_curve(tmp_path / "curve.s1p")
    np.testing.assert_allclose(ours.frequency_hz, F, rtol=1e-12)
    np.testing.assert_allclose(ours.impedance_ohm, Z, rtol=1e-12)


@pytest.mark.against("Touchstone files written", "scikit-rf, Network", "1e-12")
def test_ours_is_read(tmp_path):
    write_curve(ImpedanceCurve(F, Z), tmp_path / "curve.s1p")
    theirs = network(tmp_path / "curve.s1p")
    np.testing.assert_allclose(theirs.f, F, rtol=1e-12)
    np.testing.assert_allclose(theirs.z[:, 0, 0], Z, rtol=1e-12)


@pytest.mark.parametrize("short", ["#", "!"])
def test_defaults_of_a_short_option_line_and_of_none(tmp_path, short):
    path = tmp_path / "curve.s1p"
    path.write_text(content("S", "MA", "GHz", 50.0).replace("# GHz S MA R 50", short), encoding="utf-8")
    for f, z in (
        (read_curve(path).frequency_hz, read_curve(path).impedance_ohm),
        (network(path).f, network(path).z[:, 0, 0]),
    ):
        np.testing.assert_allclose(f, F, rtol=1e-12)
        np.testing.assert_allclose(z, Z, rtol=1e-12)


def test_options_in_any_order_and_angles_beyond_a_turn(tmp_path):
    path = tmp_path / "curve.s1p"
    rows = [row.split()[:3] for row in content("Z", "MA", "Hz", 8.0).splitlines() if row[:1].isdigit()]
    turned = [f"{f} {size} {float(angle) + 720.0!r}" for f, size, angle in rows]
    path.write_text("\n".join(["# R 8 MA Hz Z", *turned]), encoding="utf-8")
    np.testing.assert_allclose(read_curve(path).impedance_ohm, Z, rtol=1e-12)


def test_option_line_is_obeyed_under_another_suffix(tmp_path):
    path = tmp_path / "curve.txt"
    path.write_text(content("S", "RI", "Hz", 50.0), encoding="utf-8")
    np.testing.assert_allclose(read_curve(path).impedance_ohm, Z, rtol=1e-12)


GOOD = content("S", "RI", "Hz", 50.0)
TWO_PORTS = "# Hz S RI R 50\n" + "".join(f"{f:g} 1 2 3 4 5 6 7 8\n" for f in F)


@pytest.mark.parametrize(
    ("name", "text", "code"),
    [
        ("two.s2p", TWO_PORTS, "columns"),
        ("two.s1p", TWO_PORTS, "columns"),
        ("newer.s1p", "[Version] 2.0\n" + GOOD, "touchstone"),
        ("hybrid.s1p", GOOD.replace(" S RI", " G RI"), "touchstone"),
        ("reference.s1p", GOOD.replace("R 50", "R -50"), "touchstone"),
        ("reference.s1p", GOOD.replace("R 50", "R"), "touchstone"),
        ("late.s1p", "10 0.1 0.1\n" + GOOD, "touchstone"),
        ("open.s1p", GOOD + "6000 1 0\n", "impedance"),
        ("words.s1p", GOOD + "6000 nan 0\n", "not_a_number"),
        ("mirrored.s1p", content("Z", "RI", "Hz", 50.0, Z.conj()), "mirrored_phase"),
        ("empty.s1p", "# Hz S RI R 50\n", "empty"),
    ],
)
def test_refusals(tmp_path, name, text, code):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    with pytest.raises(TsfitError) as caught:
        read_curve(path)
    assert caught.value.code == code
    assert str(path) in caught.value.message
