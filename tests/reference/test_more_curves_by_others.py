"""Further curves that others measured: what each is of, beside what its source made of it, in a table (``-s``)."""

import numpy as np
import pytest
from helpers.paths import SHARED

from tsfit.formats.curve import read_curve

FOLDER = SHARED / "more-curves"
STATED = {
    "cone-driver-e-free": {},
    "field-coil-12-inch-i": {},
    "field-coil-12-inch-j": {},
    "woofer-f-free": {"Re": 4.926, "Fs": 57.7, "Qms": 5.06, "Qes": 2.36, "Qts": 1.61},
    "woofer-g-free": {"Re": 3.719, "Fs": 84.4, "Qms": 3.95, "Qes": 0.975, "Qts": 0.782},
}
"""Bare drivers in free air, with what the source's instrument made of them."""
OTHERS = ("resistor-k", "tweeter-behind-capacitor-d", "two-way-with-crossover-a", "vented-c", "vented-damped-second-peak-b")
"""No bare drivers, each refused by its name in fitting/test_kinds.py."""
WITH_A_MASS = ("cone-driver-e-mass", "woofer-g-mass")
"""Of a mass that is not stated, so that they are only read."""

pytestmark = pytest.mark.skipif(not FOLDER.is_dir(), reason="shared data with more curves are absent")


def test_no_file_is_left_out():
    assert sorted(path.stem for path in FOLDER.glob("*.txt")) == sorted([*STATED, *OTHERS, *WITH_A_MASS])


@pytest.mark.parametrize("name", [*STATED, *WITH_A_MASS])
def test_read_as_it_stands(name):
    f, size, degrees = np.loadtxt(FOLDER / f"{name}.txt", unpack=True, skiprows=1)
    curve = read_curve(FOLDER / f"{name}.txt")
    kept = np.isin(f, curve.frequency_hz)
    np.testing.assert_allclose(curve.impedance_ohm, (size * np.exp(1j * np.radians(degrees)))[kept], rtol=1e-9)
    assert np.any(~kept) == any(note.code == "repeated_rows" for note in curve.notes)


@pytest.mark.against("further curves by others", "what their source's instrument made of them", "3 %; Qs 10 %")
@pytest.mark.parametrize(("name", "stated"), STATED.items())
def test_bare_drivers(name, stated, fit_of_others):
    found = fit_of_others(f"more-curves/{name}").parameters
    ours = {key: found[key].value for key in ("Re", "Fs", "Qms", "Qes", "Qts")}
    print(f"\n{name:28s}", *(f"{key} {value:.4g} ({stated.get(key, '-')})" for key, value in ours.items()))
    assert ours["Re"] > 0.0
    for key, value in stated.items():
        assert ours[key] == pytest.approx(value, rel=0.03 if key in ("Re", "Fs") else 0.1)
