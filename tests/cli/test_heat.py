"""``tsfit heat``: what it prints, and refuses before it works."""

import pytest
from helpers.made_heat_result import heat_result

import tsfit.bench.heat
from tsfit.cli import run


@pytest.fixture
def found(monkeypatch):
    def put(result):
        monkeypatch.setattr(tsfit.bench.heat, "heat_bench", lambda path, on_step: result)

    return put


def test_network_powers_and_compression_are_printed(found, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "100")
    found(heat_result())
    assert run(["heat", "power.toml", "--coil-c", "180"]) == 0
    shown = capsys.readouterr().out
    for text in (
        "coil to magnet, cone as in the run",
        "magnet to air",
        "160",
        "180",
        "1 min",
        "20 to 160 °C",
        "carried on from there",
        "1 more remark",
    ):
        assert text in shown


def test_the_power_that_it_stands_is_told_before_the_network(found, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "120")
    found(heat_result())
    assert run(["heat", "power.toml"]) == 0
    # As made: as many watts as the coil is kelvins above 20 °C.
    assert "it stands 130 W at 150 °C, 180 W at 200 °C, 230 W at 250 °C" in capsys.readouterr().out.splitlines()[1]


def test_a_short_run_has_no_table_of_powers(found, capsys):
    found(heat_result(told=False))
    assert run(["heat", "power.toml"]) == 0
    shown = capsys.readouterr().out
    assert "Continuous power" not in shown
    assert "Too short." in shown
    assert "Too short." in shown.splitlines()[1]


def test_nothing_is_overwritten(found, tmp_path, capsys):
    found(heat_result())
    (tmp_path / "heat.json").write_text("mine")
    assert run(["heat", "power.toml", "-o", str(tmp_path / "heat.json")]) == 2
    assert (tmp_path / "heat.json").read_text() == "mine"
    assert "already there" in capsys.readouterr().err


def test_cautions_stand_in_the_help(capsys):
    assert run(["heat", "--help"]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    for text in ("burns skin", "no DC", "ears covered", "never leave it alone"):
        assert text in shown
