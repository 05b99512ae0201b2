"""``tsfit sweep --state "full travel"`` and ``"power run"`` on the simulated rig: asked, confirmed, stopped."""

import json
import tomllib

import click
import pytest
from helpers.power_rig import DRIVER, power_rig

from tsfit.cli import run


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    power_rig(tmp_path)
    return tmp_path


def led(*options, state="full travel"):
    return run(["sweep", "power.toml", "--state", state, "--driver", DRIVER, "--limit-travel-mm", "3", *options])


def test_a_run_in_one_file_and_its_bench(folder, capsys, monkeypatch):
    monkeypatch.setattr("tsfit.bench.ramp.PILOT_S", 1.0)
    options = ("--level-v", "4", "--levels", "2", "--minutes", "0.1", "--yes", "--json")
    assert led(*options, state="power run") == 0
    found = json.loads(capsys.readouterr().out)
    bench = tomllib.loads((folder / found["bench"]).read_text())
    assert [sweep["state"] for sweep in bench["sweep"]] == ["full travel", "power run"]
    assert (folder / "power-run-run.wav").exists()
    assert found["levels"][0]["peak_travel_m"] < 1e-3


def test_another_name_stops_after_the_quiet_level_which_is_kept(folder, monkeypatch, capsys):
    monkeypatch.setattr(click, "prompt", lambda text, **_: "Another")
    assert led("--levels", "2") == 2
    said = capsys.readouterr()
    assert "not the driver's name" in said.err
    assert "hot coil" in said.out
    assert sorted(path.name for path in folder.glob("full-travel*")) == [
        "full-travel-1.toml",
        "full-travel-1.wav",
        "full-travel-bench.toml",
    ]


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
