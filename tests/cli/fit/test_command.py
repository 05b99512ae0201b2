"""``tsfit fit`` as a command: fixed form, tables, files that are never overwritten."""

import json

import pytest
from helpers.paths import SAMPLES

from tsfit.cli import run
from tsfit.formats.fit import read_fit

BENCH = str(SAMPLES / "saltwit-12-shunt-bench.toml")


@pytest.fixture(scope="module")
def fitted(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fit")
    assert run(["fit", BENCH, "-o", str(folder / "fit.json"), "--plot", str(folder / "fit.svg")]) == 0
    return folder


def test_the_fixed_form(fitted):
    data = json.loads((fitted / "fit.json").read_text())
    assert data["schema"] == 1
    assert data["driver"]["name"] == "Saltwit 12"
    assert set(data["model"]) == {"coil", "suspension"}
    named = {
        "Re",
        "Fs",
        "Qms",
        "Qes",
        "Qts",
        "Vas",
        "Mms",
        "Cms",
        "Rms",
        "Bl",
        "Sd",
        "eta0",
        "sensitivity_1W",
        "sensitivity_2V83",
    }
    assert named <= data["parameters"].keys()
    for estimate in data["parameters"].values():
        assert set(estimate) == {"value", "stdev", "interval95", "unit"}
        low, high = estimate["interval95"]
        assert low < estimate["value"] < high
        assert estimate["stdev"] > 0.0
    names, matrix = data["correlation"]["names"], data["correlation"]["matrix"]
    assert len(matrix) == len(names) == len(matrix[0])
    assert all(matrix[k][k] == pytest.approx(1.0) for k in range(len(names)))
    for note in data["quality"]:
        assert set(note) == {"sweep", "code", "severity", "message"}
        assert note["severity"] in {"refuse", "warn", "note"}
    assert data["provenance"]["software"].startswith("tsfit ")


def test_the_file_reads_back_and_feeds_a_box(fitted, capsys):
    result = read_fit(fitted / "fit.json")
    assert result.driver.Qts == pytest.approx(result.parameters["Qts"].value, rel=1e-9)
    assert run(["box", "closed", str(fitted / "fit.json"), "--qtc", "0.707", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["design"]["qtc"] == pytest.approx(0.707)


def test_a_figure_on_request(fitted):
    text = (fitted / "fit.svg").read_text()
    assert text.lstrip().startswith("<?xml")
    assert "Saltwit" in text or "<path" in text


def test_nothing_is_overwritten(fitted, capsys):
    before = (fitted / "fit.json").read_bytes()
    assert run(["fit", BENCH, "-o", str(fitted / "fit.json")]) == 2
    assert "--replace" in capsys.readouterr().err
    assert (fitted / "fit.json").read_bytes() == before
    assert run(["fit", BENCH, "-o", str(fitted / "fit.json"), "--replace"]) == 0


def test_a_table_for_people(capsys):
    assert run(["fit", BENCH, "--coil", "ladder-2", "--suspension", "ideal"]) == 0
    out = capsys.readouterr().out
    assert "Saltwit 12" in out
    assert "95 % interval" in out
    assert "\nnote: " in out


def test_candidates_on_request(capsys):
    assert run(["fit", BENCH, "--coil", "ladder-2", "--candidates"]) == 0
    out = capsys.readouterr().out
    assert "ΔBIC" in out
    assert all(name in out for name in ("ideal", "log-creep", "fractional", "structural"))


def test_budget_on_request(capsys):
    assert run(["fit", BENCH, "--coil", "ladder-2", "--suspension", "ideal", "--budget"]) == 0
    out = capsys.readouterr().out
    assert "uncertainty of Vas" in out
    assert "effective area" in out
    assert "to improve it first" in out.replace("\n", " ")


def test_a_forced_model_that_does_not_exist(capsys):
    assert run(["fit", BENCH, "--coil", "ladder-9"]) == 2
    assert "ladder-2" in capsys.readouterr().err


def test_an_unwritable_figure_name_is_refused_before_the_work(fitted, capsys):
    assert run(["fit", BENCH, "--plot", str(fitted / "fit.bmp"), "-o", str(fitted / "other.json")]) == 2
    assert ".png" in capsys.readouterr().err
    assert not (fitted / "other.json").exists()


def test_a_subcircuit_on_request(tmp_path, capsys):
    path = tmp_path / "driver.cir"
    assert run(["fit", BENCH, "--coil", "ladder-2", "--suspension", "ideal", "--spice", str(path)]) == 0
    assert ".subckt driver_Saltwit_12 plus minus" in path.read_text()
    assert run(["fit", BENCH, "--spice", str(path)]) == 2
    assert "--replace" in capsys.readouterr().err


def test_monte_carlo_on_request(capsys):
    forced = ["--coil", "ladder-2", "--suspension", "ideal"]
    assert run(["fit", BENCH, *forced, "--monte-carlo", "200"]) == 0
    out = capsys.readouterr().out
    assert "200 Monte Carlo trials" in out
    assert "shortest 95 %" in out
    for number, word in (("50", "200 to 1000000"), ("many", "neither a number")):
        assert run(["fit", BENCH, *forced, "--monte-carlo", number]) == 2
        assert word in capsys.readouterr().err
