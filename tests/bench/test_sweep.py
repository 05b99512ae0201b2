"""One state on the simulated rig: the level asked for, what the rate carries, and what is left on disk."""

import math
import tomllib
from dataclasses import replace

import numpy as np
import pytest
from helpers.paths import RIGS
from helpers.simulated_rig import simulated_rig

from tsfit.base.errors import TsfitError
from tsfit.bench.file import SweepTable
from tsfit.bench.sweep import Specimen, average, choose_level, measure, plan
from tsfit.capture.excitation import Wanted
from tsfit.capture.level_limit import LIMIT_DBFS, QUIET_DBFS
from tsfit.capture.rig import read_rig
from tsfit.formats.curve import read_curve
from tsfit.formats.driver import read_driver, read_softening

RIG = read_rig(RIGS / "simulated.toml")
BARE = replace(RIG, level_dbfs=None, volts_per_full_scale=None)
QUICK = Wanted(seconds=2.5, high_hz=4000.0)
LOUD = replace(RIG, level_dbfs=-12.0, volts_per_full_scale=4.0)


@pytest.mark.parametrize(
    ("rig", "dbfs", "volts", "level"),
    [
        (BARE, None, None, QUIET_DBFS),
        (LOUD, None, None, -12.0),
        (LOUD, -20.0, None, -20.0),
        # 0.4 V of 4 V at full scale.
        (LOUD, None, 0.4, -20.0),
    ],
)
def test_the_level_that_is_played(rig, dbfs, volts, level):
    assert choose_level(rig, dbfs, volts) == pytest.approx(level)


@pytest.mark.parametrize("level", [math.nan, -math.inf, math.inf])
def test_what_is_no_level_is_refused(level):
    with pytest.raises(TsfitError) as refused:
        choose_level(RIG, level, None)
    assert refused.value.code == "wrong_value"


@pytest.mark.parametrize(
    ("rig", "dbfs", "volts", "code"),
    [
        (BARE, None, 0.4, "usage"),
        (LOUD, -20.0, 0.4, "usage"),
        (LOUD, None, 0.0, "usage"),
        (LOUD, None, math.nan, "usage"),
        (LOUD, LIMIT_DBFS + 0.1, None, "level_limit"),
    ],
)
def test_levels_that_are_not_played(rig, dbfs, volts, code):
    with pytest.raises(TsfitError) as refused:
        choose_level(rig, dbfs, volts)
    assert refused.value.code == code


def test_the_top_is_lowered_where_the_rate_cannot_carry_it():
    made = plan(replace(RIG, sample_rate_hz=16000.0), Wanted(seconds=3.0, high_hz=20000.0))
    assert made.sample_rate_hz == 16000.0
    assert 6000.0 < made.high_hz < 8000.0
    assert plan(RIG, Wanted(seconds=3.0, high_hz=5000.0)).high_hz == 5000.0


@pytest.fixture
def rig(tmp_path):
    return read_rig(simulated_rig(tmp_path))


def test_what_a_sweep_leaves(rig, tmp_path):
    table = SweepTable(recording="-", state="added mass", mass_g=30.0)
    excitation = plan(rig, replace(QUICK, seconds=6.0, level_dbfs=-20.0))
    loud = replace(rig, volts_per_full_scale=2.0)
    told = measure(loud, tmp_path / "a.wav", table, excitation, specimen=Specimen(12.0, "7"))
    assert sorted(path.name for path in tmp_path.glob("a.*")) == ["a.toml", "a.txt", "a.wav"]
    conditions = tomllib.loads((tmp_path / "a.toml").read_text())
    assert (conditions["hours_of_use"], conditions["serial"], conditions["complete"]) == (12.0, "7", True)
    assert conditions["sweep"]["mass_g"] == 30.0
    assert conditions["excitation"]["level_v"] == pytest.approx(0.2)
    assert conditions["stream"]["frames"] == len(excitation.samples)
    np.testing.assert_allclose(read_curve(told.curve_file).impedance_ohm, told.curve.impedance_ohm, rtol=1e-5)
    # 30 g on the cone of the driver file after 12 hours: the resonance falls by the root of the masses' ratio.
    driver = read_softening(rig.simulated_driver).after(read_driver(rig.simulated_driver), 12.0)
    peak = told.curve.frequency_hz[np.argmax(np.abs(told.curve.impedance_ohm))]
    assert peak == pytest.approx(driver.Fs * np.sqrt(driver.Mms / (driver.Mms + 0.030)), rel=0.01)
    with pytest.raises(TsfitError) as error:
        measure(rig, tmp_path / "a.wav", table, excitation)
    assert error.value.code == "exists"


def test_repeats_are_averaged_and_each_is_told(rig, tmp_path):
    table, excitation = SweepTable(recording="-", state="free air"), plan(rig, QUICK)
    measured = [measure(rig, tmp_path / f"r{k}.wav", table, excitation) for k in range(2)]
    found = average(measured, tmp_path / "mean.txt")
    wanted = (measured[0].curve.impedance_ohm + measured[1].curve.impedance_ohm) / 2
    np.testing.assert_allclose(found.curve.impedance_ohm, wanted)
    assert found.agreement.repeats == 2
    assert tomllib.loads((tmp_path / "r1.toml").read_text())["repeats"]["repeats"] == 2
