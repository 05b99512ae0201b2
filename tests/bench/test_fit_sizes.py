"""Sizes in the bench file that nobody means, where no circuit fits; curves of too few points for any."""

import re

import numpy as np
import pytest

from tsfit.base.errors import TsfitError
from tsfit.bench.fit import fit_bench


@pytest.mark.parametrize(
    ("diameter", "mass", "litres", "words"),
    [
        (19.5, None, 12000.0, ["12 l if 12000 is cm^3"]), (0.195, None, 12.0, ["19.5 cm if 0.195 is m"]),
        (19.5, 0.03, None, ["30 g if 0.03 is kg"]), (19.5, 25000.0, 0.02, ["25 g if 25000 is mg", "20 l if 0.02 is m^3"]),
        (19.5, 30.0, 12.0, []),
    ],
)  # fmt: skip
def test_where_no_circuit_fits_sizes_that_nobody_means_are_named(tmp_path, monkeypatch, diameter, mass, litres, words):
    """The fit is made to fail: what it says is kept, and what is typed is looked at."""

    def never(*_, **__):
        raise TsfitError("x.wav: no driver circuit fits.", code="no_fit", file="x.wav")

    monkeypatch.setattr("tsfit.bench.fit.fit", never)
    (tmp_path / "x.txt").write_text("# Hz, ohm, degrees\n" + "".join(f"{10 + k} {6 + k % 7} {k}\n" for k in range(60)))
    sweeps = '[[sweep]]\ncurve = "x.txt"\nstate = "free air"\n'
    if mass is not None:
        sweeps += f'[[sweep]]\ncurve = "x.txt"\nstate = "added mass"\nmass_g = {mass}\n'
    if litres is not None:
        sweeps += f'[[sweep]]\ncurve = "x.txt"\nstate = "closed box"\nvolume_l = {litres}\n'
    (tmp_path / "bench.toml").write_text(f'[driver]\nname = "x"\neffective_diameter_cm = {diameter}\n{sweeps}')
    with pytest.raises(TsfitError) as error:
        fit_bench(tmp_path / "bench.toml")
    assert error.value.code == "no_fit"
    assert error.value.message.startswith("x.wav: no driver circuit fits.")
    for word in words:
        assert word in error.value.message
    assert ("hardly meant" in error.value.message) == bool(words)


@pytest.mark.parametrize("above", [5, 7, 9])
def test_a_curve_of_few_points_for_a_fit_is_refused_by_that(tmp_path, above):
    """The foot of a resonance, and a coil beyond the 2 kHz up to which a fit looks, with something that ends at 4 kHz."""
    foot = [(4.69, 5.706, 2.319), (8.13, 5.874, 4.186), (8.44, 5.897, 4.362), (8.75, 5.922, 4.558), (9.06, 5.958, 4.742)]
    f = np.geomspace(2300.0, 3600.0, above - 1)
    top = [*((each, 5.6, 0.005 * each) for each in f), (4300.0, 5.864, 20.904)]
    (tmp_path / "x.txt").write_text(
        "Hz, real ohm, imag ohm\n" + "".join(f"{a:.6g},{b},{c:.6g}\n" for a, b, c in foot + top)
    )
    with pytest.raises(TsfitError) as error:
        fit_bench(tmp_path / "x.txt")
    assert error.value.code == "short_range"
    assert "points around the resonance" in error.value.message


def _swept(path, mass=0.0, stiffness=1.0, scale=1.0):
    """A driver of 5.4 ohm and 38 Hz, 48 g, by its lumped circuit; all ohms times `scale`."""
    f = np.geomspace(8.0, 6000.0, 300)
    s = 2j * np.pi * f
    w = 2.0 * np.pi * 38.0
    mechanical = s * (0.048 + mass) + w * 0.048 / 4.2 + stiffness * w**2 * 0.048 / s
    z = scale * (5.4 + 0.3e-3 * s + 1.0 / (1.0 / (0.6e-3 * s) + 1.0 / 6.0) + w * 0.048 * 5.4 / 0.46 / mechanical)
    rows = zip(f, z.real, z.imag, strict=True)
    path.write_text("Hz, real ohm, imag ohm\n" + "".join(f"{a:.7g},{b:.7g},{c:.7g}\n" for a, b, c in rows))


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"scale": 1.06}, 6.0), ({"scale": 0.9}, -10.0), ({"scale": 1.5}, 50.0),
        ({"scale": 1.01}, None), ({"stiffness": 1.5}, None), ({"mass": 0.06}, None),
    ],
)  # fmt: skip
def test_where_no_circuit_fits_a_gain_that_was_changed_between_sweeps_is_told(tmp_path, monkeypatch, changed, told):
    def never(*_, **__):
        raise TsfitError("x.txt: no driver circuit fits.", code="no_fit", file="x.txt")

    monkeypatch.setattr("tsfit.bench.fit.fit", never)
    _swept(tmp_path / "free.txt")
    _swept(tmp_path / "mass.txt", **{"mass": 0.03, **changed})
    (tmp_path / "bench.toml").write_text(
        '[driver]\nname = "x"\nsd_cm2 = 346\n[[sweep]]\ncurve = "free.txt"\nstate = "free air"\n'
        '[[sweep]]\ncurve = "mass.txt"\nstate = "added mass"\nmass_g = 30\n'
    )
    with pytest.raises(TsfitError) as error:
        fit_bench(tmp_path / "bench.toml")
    assert ("a gain, a resistor or a contact" in error.value.message) == (told is not None)
    if told is not None:
        found = float(re.search(r"shows ([-+]\d+\.?\d*) %", error.value.message)[1])
        assert found == pytest.approx(told, abs=1.5)
