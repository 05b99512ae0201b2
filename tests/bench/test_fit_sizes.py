"""Sizes in the bench file that nobody means, where no circuit fits; curves of too few points for any."""

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
