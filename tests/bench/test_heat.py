"""The whole way from a recording of a power run: a driver that warms in minutes, simulated in time, on a shunt rig."""

import json
import math
import os

import numpy as np
import pytest
from helpers.made_heat import RIG, Truth, drive, recorded

from tsfit.base.errors import TsfitError
from tsfit.bench.heat import heat_bench
from tsfit.cli import run
from tsfit.driver.heat_result import HeatResult
from tsfit.formats.result import read_result

RATE = 1000
BENCH = """rig = "rig.toml"
[driver]
name = "Dunlin 15"
from = "driver.toml"
[[sweep]]
recording = "power.wav"
state = "power run"
ambient_temperature_c = 20.0
"""
SLOW = [Truth(), Truth("Knot 12", 5.6, 13.0, 0.11, 28.0, 4.0, 0.053, Rtv0=1.3, g=0.2, Ctv=28.0, Rtm=0.7, Ctm=1500.0),
        Truth("Curlew 18", 3.3, 22.0, 0.35, 26.0, 7.0, 0.122, Rtv0=0.6, g=0.5, Ctv=95.0, Rtm=0.3, Ctm=7000.0)]  # fmt: skip


def write(folder, truth, *, seconds, run_s, volts, seed=1):
    """Folder with rig, driver file and bench; rise of the coil, K; velocity²."""
    rng = np.random.default_rng(seed)
    (folder / "rig.toml").write_text(RIG)
    (folder / "bench.toml").write_text(BENCH)
    (folder / "driver.toml").write_text(
        f'[driver]\nname = "{truth.name}"\n[parameters]\nRe = "{truth.Re} ohm"\nFs = "{truth.Fs} Hz"\nQms = "{truth.Qms}"\n'
        f'Mms = "{1e3 * truth.Mms} g"\nBl = "{truth.Bl} T*m"\nSd = "{1e4 * truth.Sd} cm^2"\nLe = "{1e3 * truth.Le} mH"\n'
    )
    return recorded(folder / "power.wav", truth, drive(RATE, seconds, 250.0, volts, rng, run_s=run_s), RATE, rng)


@pytest.fixture(scope="module")
def quick(tmp_path_factory):
    """A coil of 8 s on a magnet of 50 s: what else takes an hour."""
    folder = tmp_path_factory.mktemp("heat")
    truth = Truth(R2=1e-9, Ctv=14.0, Rtm=0.4, Ctm=125.0, bl2=30.0, k2=80.0)
    return folder, truth, *write(folder, truth, seconds=230, run_s=150, volts=45.0)


@pytest.mark.against("thermal network from a recording", "a driver simulated in time, not linear", "3 %; temperature 5 %")
def test_the_network_of_a_recording(quick):
    folder, truth, coil, speed2 = quick
    found = heat_bench(folder / "bench.toml")
    told = found.parameters
    # The cone of a stiffening suspension is slower than the circuit says; what heat takes is its true speed.
    path = 1.0 / (1.0 / truth.Rtv0 + truth.g * math.sqrt(speed2[25 * RATE : 165 * RATE].mean()))
    assert told["Rtv_run"].value == pytest.approx(path, rel=0.03)
    assert told["tau_v"].value == pytest.approx(path * truth.Ctv, rel=0.03)
    assert told["Rtm"].value == pytest.approx(truth.Rtm, rel=0.05)
    assert found.run.coil_c - 20.0 == pytest.approx(coil.max(), rel=0.03)
    measured = np.array([np.nan if value is None else value for value in found.course.delta_k])
    assert np.nanmax(measured) == pytest.approx(coil.max(), rel=0.05)


def test_what_is_written_is_read_and_drawn(quick, tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "100")
    folder, *_ = quick
    out, plot = tmp_path / "heat.json", tmp_path / "heat.png"
    assert run(["heat", str(folder / "bench.toml"), "-o", str(out), "--plot", str(plot), "--coil-c", "180"]) == 0
    shown = capsys.readouterr().out
    assert "coil to magnet" in shown
    assert "180" in shown
    data = json.loads(out.read_text())
    assert (data["schema"], data["kind"]) == (1, "heat")
    assert {"value", "stdev", "interval95", "unit"} <= data["parameters"]["Rtv0"].keys()
    assert {"1 s", "1 min", "1 h", "for ever"} == data["compression_db"].keys()
    assert {"t_s", "delta_k"} <= data["course"].keys()
    assert plot.stat().st_size > 10_000
    found = read_result(out, HeatResult, "heat")
    assert found.power_for(200.0).value == pytest.approx(next(e["value"] for e in data["power_at"] if e["coil_c"] == 200.0))


def test_without_volts_or_a_run_it_says_what_to_add(quick, tmp_path):
    folder, *_ = quick
    for name in ("driver.toml", "power.wav"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    (tmp_path / "rig.toml").write_text("\n".join(line for line in RIG.splitlines() if "full_scale" not in line))
    (tmp_path / "bench.toml").write_text(BENCH)
    with pytest.raises(TsfitError) as error:
        heat_bench(tmp_path / "bench.toml")
    assert error.value.code == "no_scale"
    (tmp_path / "bench.toml").write_text(
        BENCH.replace('"power run"', '"free air"').replace("ambient_temperature_c = 20.0", "")
    )
    with pytest.raises(TsfitError) as error:
        heat_bench(tmp_path / "bench.toml")
    assert error.value.code == "no_run"


@pytest.mark.skipif("TSFIT_HEAT_RUNS" not in os.environ, reason="optional, minutes each: TSFIT_HEAT_RUNS=1")
@pytest.mark.parametrize("truth", SLOW, ids=lambda truth: truth.name)
def test_twenty_minutes_of_large_drivers(tmp_path, truth):
    from dataclasses import replace

    truth = replace(truth, R2=1e-9, bl2=30.0, k2=80.0)
    coil, speed2 = write(tmp_path, truth, seconds=1800, run_s=1200, volts=40.0)
    found = heat_bench(tmp_path / "bench.toml")
    # The cone of a stiffening suspension is slower than the circuit says; what heat takes is its true speed.
    path = 1.0 / (1.0 / truth.Rtv0 + truth.g * math.sqrt(speed2[20 * RATE : 1220 * RATE].mean()))
    assert found.run.coil_c - 20.0 == pytest.approx(coil.max(), rel=0.01)
    assert found.parameters["Rtv_run"].value == pytest.approx(path, rel=0.03)
    assert found.parameters["tau_v"].value == pytest.approx(path * truth.Ctv, rel=0.03)
    assert found.parameters["Rtm"].value == pytest.approx(truth.Rtm, rel=0.05)
