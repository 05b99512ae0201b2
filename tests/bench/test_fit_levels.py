"""Benches swept at several levels: told in the bench file, or by the conditions beside the recordings; refusals."""

import json
import shutil

import numpy as np
import pytest
from helpers.made_bench import FORCED, MODELS

from tsfit.base.errors import TsfitError
from tsfit.bench.fit import fit_bench
from tsfit.circuit.response import Circuit, impedance
from tsfit.cli import run
from tsfit.driver.curve import ImpedanceCurve
from tsfit.driver.formulas import compliance, force_factor, mechanical_resistance
from tsfit.formats.curve import write_curve

VOLTS = (0.1, 0.5, 1.0)


@pytest.fixture
def bench(tmp_path):
    """Three free-air curves whose Fs falls by 4 % with the square of level, 1 V the highest."""
    rng = np.random.default_rng(0)
    f = np.geomspace(8.0, 6000.0, 400)
    text = '[driver]\nname = "Siskin 10"\n'
    for volts in VOLTS:
        fs, mms = 30.0 * np.sqrt(1.0 - 0.08 * volts**2), 0.05
        values = {"Re": 5.4, "Mms": mms, "Cms": compliance(fs, mms), "Rms": mechanical_resistance(fs, mms, 4.0)}
        values |= {"Bl": force_factor(30.0, mms, 5.4, 0.4), "Le": 9e-4, "L2": 8e-4, "R2": 6.0, "Sd": 0.0}
        z = impedance(f, values, Circuit("ladder-2", "ideal"))
        noise = 2e-3 * np.abs(z) / np.sqrt(2.0)
        z = z + noise * (rng.standard_normal(400) + 1j * rng.standard_normal(400))
        write_curve(ImpedanceCurve(f, z, 2.0 * noise**2), tmp_path / f"at-{volts}.txt")
        text += f'[[sweep]]\nstate = "free air"\ncurve = "at-{volts}.txt"\nlevel_v = {volts}\n'
    path = tmp_path / "bench.toml"
    path.write_text(text)
    return path


def test_a_bench_file_with_levels_gives_figures_against_level(bench, tmp_path, capsys):
    result = fit_bench(bench, **MODELS)
    assert result.levels.unit == "V"
    assert [each.level for each in result.levels.at] == pytest.approx(VOLTS)
    assert abs(result.levels.limit["Fs"].value - 30.0) < 4.0 * result.levels.limit["Fs"].stdev
    assert abs(result.parameters["Fs"].value - result.levels.at[0].figures["Fs"].value) < 0.01
    out = tmp_path / "fit.json"
    assert run(["fit", str(bench), "-o", str(out), *FORCED]) == 0
    printed = capsys.readouterr().out
    assert "Parameters against level" in printed
    assert "level, V peak" in printed
    assert [each["level"] for each in json.loads(out.read_text())["levels"]["at"]] == pytest.approx(VOLTS)


def test_printed_volts_are_understood(bench):
    bench.write_text(bench.read_text().replace("level_v = 0.5", 'level = "500 mV"'))
    assert fit_bench(bench, **MODELS).levels.at[1].level == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("level_v = 0.5", "level_v = 0"),
        ("level_v = 0.5", "level_v = -1.0"),
        ("level_v = 0.5", "level_v = nan"),
        ("level_v = 0.5", "level_v = 5e3"),
        ("level_v = 0.5", "level_v = 0.5\nlevel_dbfs = -6"),
        ("level_v = 0.5", "level_dbfs = 3"),
        ("level_v = 0.5", 'level = "5 ohm"'),
    ],
)
def test_levels_that_cannot_be_are_refused(bench, old, new):
    bench.write_text(bench.read_text().replace(old, new))
    with pytest.raises(TsfitError) as caught:
        fit_bench(bench)
    assert caught.value.code == "wrong_value"
    assert "level" in caught.value.message
    assert "\n" not in caught.value.message


def _recorded(quick_bench, folder, conditions):
    """The bench of the quick rig, its free air recorded a second time; `conditions` stand beside the two."""
    shutil.copytree(quick_bench, folder, dirs_exist_ok=True)
    free = folder / "recordings/shunt-saltwit-12-free-air.flac"
    again = folder / "recordings/again.flac"
    shutil.copy(free, again)
    for path, text in zip((free, again), conditions, strict=True):
        path.with_suffix(".toml").write_text(text)
    extra = '\n[[sweep]]\nstate = "free air"\nrecording = "recordings/again.flac"\n'
    path = folder / "bench.toml"
    path.write_text((folder / "saltwit-12-shunt-bench.toml").read_text() + extra)
    return path


def test_levels_are_read_from_the_conditions(quick_bench, tmp_path):
    """One recording under two levels: no dependence, so the lowest is as good as the limit."""
    path = _recorded(
        quick_bench,
        tmp_path,
        [f"[excitation]\nlevel_dbfs = {db}\nlevel_v = {v}\n" for db, v in ((-30.0, 0.2), (-20.0, 0.63))],
    )
    result = fit_bench(path, **MODELS)
    assert (result.levels.unit, [each.level for each in result.levels.at]) == ("V", pytest.approx([0.2, 0.63]))
    assert result.levels.small_signal
    for name, apart in result.levels.highest_from_limit.items():
        assert abs(apart.value) < 1e-4 * result.levels.limit[name].value, name


@pytest.mark.parametrize(
    "conditions",
    [["[excitation", "[excitation]\nlevel_dbfs = -20.0\n"], ["excitation = 3\n", "[excitation]\nlevel_v = -1.0\n"]],
)
def test_conditions_that_tell_no_level_leave_all_sweeps_together(quick_bench, tmp_path, conditions):
    result = fit_bench(_recorded(quick_bench, tmp_path, conditions), **MODELS)
    assert result.levels is None
    assert len(result.states) == 3


def test_levels_of_different_excitations_are_not_compared(quick_bench, tmp_path):
    kinds = (("sweep", -30.0), ("multisine", -20.0))
    path = _recorded(quick_bench, tmp_path, [f'[excitation]\nkind = "{kind}"\nlevel_dbfs = {db}\n' for kind, db in kinds])
    result = fit_bench(path, **MODELS)
    assert result.levels is None
    assert len(result.states) == 3
    assert "multisine and sweep" in next(note.message for note in result.quality if note.code == "mixed_excitation")
