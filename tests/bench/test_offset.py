"""Sweeps of a cone held aside: its impedance in closed form, from curves that are no polynomials."""

from dataclasses import replace

import numpy as np
import pytest
from helpers.made_travel import driver_of, fitted_once, held_curve

from tsfit.base.errors import TsfitError
from tsfit.bench.file import BenchTable
from tsfit.bench.offset import agreement_of, held_offsets
from tsfit.driver.record import NamedDriver
from tsfit.formats.toml import read_toml
from tsfit.travel.limits import ScaleErrors
from tsfit.travel.result import result_of

SD, VOLUME = 0.12, 0.15
AIR = 1.2041 * 343.2**2
"""Bulk modulus of air at 20 °C, Pa (density and speed of sound of dry air, from memory; 0.3 % from those of moist air)."""
FREE, BOX = 'state = "free air"\noffset_mm = ', f'state = "closed box"\nvolume_l = {1e3 * VOLUME}\noffset_mm = '
SCALE = ScaleErrors(np.array([1e-3, 0.0, 0.0]), np.array([0.0, 1e-3, 0.0]), np.array([0.0, 0.0, 3e-3]))


@pytest.fixture(scope="module")
def measured(made_once):
    truth, settled = fitted_once(made_once)
    told = result_of(settled, SCALE, NamedDriver(truth.name), outward_known=True)

    def held(folder, sweeps, sd=SD):
        text = f'[driver]\nname = "{truth.name}"\n'
        for number, (x, more, keys) in enumerate(sweeps):
            held_curve(folder / f"held-{number}.csv", truth, x, seed=number, **more)
            text += f'[[sweep]]\ncurve = "held-{number}.csv"\n{keys}\noffset_uncertainty_mm = 0.1\n'
        path = folder / "bench.toml"
        path.write_text(text)
        table = read_toml(path, BenchTable, "bench")
        return held_offsets(path, table, None, replace(driver_of(truth), Sd=sd), settled, SCALE, told, lambda step: None)

    return truth, held, told


@pytest.mark.against("curves at held offsets", "impedance in closed form, curves that are no polynomials", "1 %")
def test_held_offsets_tell_the_curves_and_agree(measured, tmp_path):
    truth, held, told = measured
    box = {"spring": AIR * SD**2 / VOLUME, "added": 0.8 * 8.0 / 3.0 * 1.204 * (SD / np.pi) ** 1.5}
    found = held(tmp_path, [
        (-0.012, {}, FREE + "-12.0"), (0.006, {}, FREE + "6.0"), (0.014, box, BOX + "14.0"), (0.03, {}, FREE + "30.0")
    ])  # fmt: skip
    for one in found:
        _, k = truth.held(1.0, one.x_m)
        boxed = one.x_m == pytest.approx(0.014)
        assert one.Bl == pytest.approx(float(truth.bl(one.x_m)), rel=5e-3)
        assert abs(one.K / k - 1.0) < (0.02 if boxed else 5e-3)
        assert abs(one.L / ((truth.Le + truth.L2) * truth.shape(one.x_m)) - 1.0) < 0.01
        assert abs(one.K - k) < 2.5 * one.K_stdev
        assert (one.E_n == {}) == (one.x_m > 0.025)
        assert all(each <= 1.0 for each in one.E_n.values())
    (note,) = agreement_of(found, told)
    assert note.severity == "note"
    assert note.message.startswith("3 sweeps with the cone held aside say the same")


@pytest.mark.parametrize(("stated", "at"), [(14.0, 0.012), (-10.0, 0.010)])
def test_a_gauge_that_lies_is_told(measured, tmp_path, stated, at):
    """Two millimetres off; and the wrong sign."""
    _, held, told = measured
    (note,) = agreement_of(held(tmp_path, [(at, {}, f"{FREE}{stated}")]), told)
    assert note.severity == "warn"
    assert f"Held at {stated:+g} mm" in note.message
    assert "every sign turned" not in note.message


@pytest.mark.parametrize(("stated", "turned"), [((-10.0, 8.0), True), ((-10.0, 8.8), False)])
def test_where_nobody_knows_which_way_is_out_signs_that_are_all_turned_are_told(measured, tmp_path, stated, turned):
    _, held, told = measured
    found = held(tmp_path, [(0.010, {}, f"{FREE}{stated[0]}"), (-0.008, {}, f"{FREE}{stated[1]}")])
    (note,) = agreement_of(found, replace(told, outward_known=False))
    assert note.severity == "warn"
    assert ("all agree with every sign turned" in note.message) == turned


def test_a_box_needs_the_area_that_its_air_acts_on(measured, tmp_path):
    _, held, _ = measured
    with pytest.raises(TsfitError, match="nothing tells the cone's area") as refusal:
        held(tmp_path, [(0.01, {}, BOX + "10.0")], sd=None)
    assert refusal.value.code == "no_area"
