"""``tsfit sweep --state "full travel"`` and ``"power run"`` on the simulated rig: asked, confirmed, stopped."""

import json
import tomllib

import click
import pytest
from helpers.made_fit import made_fit
from helpers.power_rig import DRIVER, power_rig

from tsfit.base.files import to_json
from tsfit.cli import run
from tsfit.formats.driver import read_driver
from tsfit.formats.fit import fit_to_dict

SHEET = """[driver]
name = "Godwit 15"
[published]
Re = "5.3 ohm"
Fs = "27 Hz"
Qms = "5.2"
Qes = "0.365"
Mms = "180 g"
Sd = "870 cm^2"
Xmax = "6 mm"
Pe = "500 W"
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    power_rig(tmp_path)
    return tmp_path


def led(*options, state="full travel"):
    options = options if "--limit-travel-mm" in options else ("--limit-travel-mm", "3", *options)
    return run(["sweep", "power.toml", "--state", state, "--driver", DRIVER, *options])


def test_the_whole_chain_from_the_first_level_to_the_verdict(folder, capsys, monkeypatch):
    monkeypatch.setattr("tsfit.bench.ramp.PILOT_S", 4.0)
    monkeypatch.setattr("tsfit.bench.ramp.PERIOD_S", 1.0)
    # The output's own limit binds: rounding must not refuse what lies at it.
    options = ("--limit-travel-mm", "25", "--level-v", "58", "--levels", "3", "--minutes", "0.7", "--yes", "--json")
    assert led(*options, state="power run") == 0
    found = json.loads(capsys.readouterr().out)
    bench = tomllib.loads((folder / found["bench"]).read_text())
    assert [sweep["state"] for sweep in bench["sweep"]] == ["full travel", "full travel", "power run"]
    assert (folder / "power-run-run.wav").exists()
    assert run(["travel", found["bench"], "-o", "travel.json"]) == 0
    travel = json.loads((folder / "travel.json").read_text())
    for level, played in zip(travel["levels"], found["levels"], strict=True):
        farthest = max(level["peak_outward_m"], level["peak_inward_m"])
        assert farthest == pytest.approx(played["peak_travel_m"], rel=0.02)
    # 7 mm are less than what takes any curve of the driver's file to its limit.
    assert all(side["at_least"] > 7e-3 for limit in travel["limits"].values() for side in limit.values())
    assert run(["heat", found["bench"], "-o", "heat.json"]) == 0
    heat = json.loads((folder / "heat.json").read_text())
    # So short a run tells no continuous power: the printed one stays open. The printed travel was reached before any limit.
    assert heat["power_at"] == []
    # What it does tell holds the driver's own: 0.95 K/W at rest, less by 0.25 W/K for each m/s of the cone.
    rtv, told = 1.0 / (1.0 / 0.95 + 0.25 * heat["run"]["cone_velocity_m_s"]), heat["parameters"]["Rtv_run"]
    assert told["interval95"][0] <= rtv <= told["interval95"][1]
    assert told["value"] == pytest.approx(rtv, rel=0.1)
    (folder / "fit.json").write_text(to_json(fit_to_dict(made_fit(read_driver(folder / DRIVER), 0.003))))
    (folder / "sheet.toml").write_text(SHEET)
    measured = ["--travel", "travel.json", "--heat", "heat.json"]

    def said(*command):
        capsys.readouterr()
        assert run([*command, *measured]) == 0
        return " ".join(capsys.readouterr().out.split())

    verdict = said("check", "fit.json", "sheet.toml")
    assert "Pe not judged" in verdict
    assert "Xmax, inside: printed 6 mm" in verdict
    assert "Travel measured: 7.2" in said("box", "closed", "fit.json", "--qtc", "0.7")
    compared = said("compare", "fit.json", "sheet.toml")
    assert "Travel measured: 7.2" in compared
    assert "too short to tell continuous power." in compared


def test_another_name_stops_after_the_quiet_level_from_which_the_same_command_goes_on(folder, monkeypatch, capsys):
    monkeypatch.setattr("tsfit.bench.ramp.PERIOD_S", 1.0)
    typed = iter(["Another", "godwit 15", "Godwit", "Gotwit 15", "Godwit 15"])
    monkeypatch.setattr(click, "prompt", lambda text, **_: next(typed))
    monkeypatch.setattr("tsfit.cli.ramp.confirmed_level", lambda *_, **__: None)
    assert led("--levels", "2") == 2
    said = capsys.readouterr()
    assert "The driver was not named" in said.err
    assert "Another is not its name" in said.out
    assert "hot coil" in said.out
    assert "the same command goes on from here" in " ".join(said.out.split())
    assert sorted(path.name for path in folder.glob("full-travel*")) == [
        "full-travel-1.toml",
        "full-travel-1.wav",
        "full-travel-bench.toml",
    ]
    quiet = (folder / "full-travel-1.wav").stat().st_mtime_ns
    (folder / "full-travel-2.partial.wav").write_text("broken off")
    (folder / "full-travel-2-b.wav").write_text("no good")
    assert led("--levels", "2") == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "full-travel-bench.toml: goes on after its 1 level" in said
    assert "Gotwit 15 is not its name" in said
    assert "hot coil" in said
    assert (folder / "full-travel-1.wav").stat().st_mtime_ns == quiet
    bench = tomllib.loads((folder / "full-travel-bench.toml").read_text())
    assert [sweep["recording"] for sweep in bench["sweep"]] == ["full-travel-1.wav", "full-travel-2-c.wav"]
    assert (folder / "full-travel-2.partial.wav").read_text() == "broken off"
    assert led("--levels", "2", "--yes") == 2
    said = " ".join(capsys.readouterr().err.split())
    assert "nothing is left to be played: the limit of travel" in said
    assert "higher --limit-travel-mm" in said
    # As `tsfit travel` says: the same command with higher limits goes on, in steps of 6 dB, and keeps what was written.
    bench = folder / "full-travel-bench.toml"
    bench.write_text(bench.read_text().replace("[driver]\n", '[driver]\noutward = "positive"\n'))
    assert led("--limit-travel-mm", "5", "--levels", "2", "--yes") == 0
    found = tomllib.loads(bench.read_text())
    assert [each["recording"] for each in found["sweep"]][1:] == ["full-travel-2-c.wav", "full-travel-3.wav"]
    assert found["driver"]["outward"] == "positive"
    assert "cone 4." in capsys.readouterr().out.split("full-travel-3.wav")[1]


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (["--state", "full travel"], "--driver"),
        (["--state", "full travel", "--driver", DRIVER], "--limit-travel-mm"),
        (["--state", "power run", "--driver", DRIVER, "--limit-travel-mm", "5"], "--level-v"),
        (["--state", "full travel", "--guided"], "--guided"),
    ],
)
def test_what_is_missing_is_named(folder, capsys, options, word):
    assert run(["sweep", "power.toml", *options]) == 2
    assert word in capsys.readouterr().err


def test_a_rig_without_volts_is_refused(folder, capsys):
    text = (folder / "power.toml").read_text()
    (folder / "power.toml").write_text(text.replace("total_v_full_scale = 62.5\n", ""))
    assert led("--yes") == 2
    assert "total_v_full_scale" in capsys.readouterr().err
    assert not list(folder.glob("full-travel*"))


def test_without_its_volts_the_first_level_has_a_limit_all_the_same(folder, capsys, monkeypatch):
    rig = folder / "power.toml"
    rig.write_text(rig.read_text().replace("volts_per_full_scale = 60\n", ""))
    assert led("--yes") == 2
    assert "--limit-v" in capsys.readouterr().err
    assert not list(folder.glob("full-travel*"))
    monkeypatch.setattr("tsfit.bench.ramp.PERIOD_S", 0.5)
    assert led("--limit-v", "0.5", "--yes", "-o", "at 0.5") == 2
    said = capsys.readouterr()
    assert (folder / "at 0.5-1.partial.wav").exists()
    assert "stopped at 0.5 V peak" in said.out
    assert "the limit is 0.5 V" in said.err
    assert not (folder / "full-travel-1.wav").exists()


def test_a_taken_name_is_not_to_be_replaced(folder, capsys):
    (folder / "full-travel-3.wav").write_text("earlier")
    assert led("--yes") == 2
    said = capsys.readouterr().err
    assert "full-travel-3.wav" in said
    assert "another name" in said
    assert "--replace" not in said


@pytest.mark.parametrize("output", [".", "/"])
def test_a_folder_is_no_name_of_recordings(output, folder, capsys):
    assert led("--yes", "-o", output) == 2
    assert f"{output} is a folder; give -o a name in it" in capsys.readouterr().err
