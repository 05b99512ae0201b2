"""``tsfit fit`` as a command: fixed form, tables, files that are never overwritten."""

import json

import pytest
from helpers.dialects import F, body
from helpers.made_bench import FORCED, NAME, made_bench

from tsfit.cli import run
from tsfit.formats.fit import read_fit


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    return str(made_bench(tmp_path_factory.mktemp("bench")))


@pytest.fixture(scope="module")
def fitted(bench, tmp_path_factory):
    folder = tmp_path_factory.mktemp("fit")
    assert run(["fit", bench, "-o", str(folder / "fit.json"), "--plot", str(folder / "fit.svg")]) == 0
    return folder


def test_the_fixed_form(fitted):
    data = json.loads((fitted / "fit.json").read_text())
    assert data["schema"] == 1
    assert data["driver"]["name"] == NAME
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


def test_the_file_reads_back_and_feeds_a_box(bench, fitted, capsys):
    result = read_fit(fitted / "fit.json")
    assert result.driver.Qts == pytest.approx(result.parameters["Qts"].value, rel=1e-9)
    assert run(["box", "closed", str(fitted / "fit.json"), "--qtc", "0.707", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["design"]["qtc"] == pytest.approx(0.707)


def test_a_figure_on_request(fitted):
    text = (fitted / "fit.svg").read_text()
    assert text.lstrip().startswith("<?xml")
    assert "Sanderling" in text or "<path" in text


def test_nothing_is_overwritten(bench, fitted, capsys):
    before = (fitted / "fit.json").read_bytes()
    assert run(["fit", bench, "-o", str(fitted / "fit.json")]) == 2
    assert "--replace" in capsys.readouterr().err
    assert (fitted / "fit.json").read_bytes() == before
    assert run(["fit", bench, "-o", str(fitted / "fit.json"), "--replace"]) == 0


def test_a_table_for_people(bench, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "120")
    assert run(["fit", bench, *FORCED]) == 0
    out = capsys.readouterr().out
    assert out.startswith(f"{NAME}: Fs ")
    assert "95 % interval" in out
    assert len(out.splitlines()) <= 25


def test_everything_on_request(bench, capsys):
    assert run(["fit", bench, *FORCED, "--full"]) == 0
    out = capsys.readouterr().out
    assert "\nnote: " in out
    assert "more remark" not in out
    assert "Mms in a baffle" in out


def test_candidates_on_request(bench, capsys):
    assert run(["fit", bench, "--coil", "ladder-2", "--candidates"]) == 0
    out = capsys.readouterr().out
    assert "ΔBIC" in out
    assert all(name in out for name in ("ideal", "log-creep", "fractional", "structural"))


def test_budget_on_request(bench, capsys):
    assert run(["fit", bench, *FORCED, "--budget"]) == 0
    out = capsys.readouterr().out
    assert "uncertainty of Vas" in out
    assert "effective area" in out
    assert "of the ± of" in out.replace("\n", " ")


def test_a_forced_model_that_does_not_exist(bench, capsys):
    assert run(["fit", bench, "--coil", "ladder-9"]) == 2
    assert "ladder-2" in capsys.readouterr().err


def test_an_unwritable_figure_name_is_refused_before_the_work(bench, fitted, capsys):
    assert run(["fit", bench, "--plot", str(fitted / "fit.bmp"), "-o", str(fitted / "other.json")]) == 2
    assert ".png" in capsys.readouterr().err
    assert not (fitted / "other.json").exists()


def test_a_subcircuit_on_request(bench, tmp_path, capsys):
    path = tmp_path / "driver.cir"
    assert run(["fit", bench, *FORCED, "--spice", str(path)]) == 0
    assert ".subckt driver_Sanderling_12 plus minus" in path.read_text()
    assert run(["fit", bench, "--spice", str(path)]) == 2
    assert "--replace" in capsys.readouterr().err


def test_monte_carlo_on_request(bench, capsys):
    assert run(["fit", bench, *FORCED, "--monte-carlo", "200"]) == 0
    out = capsys.readouterr().out
    assert "200 Monte Carlo trials" in out
    assert "shortest 95 %" in out
    for number, word in (("50", "200 to 1000000"), ("many", "neither a number")):
        assert run(["fit", bench, *FORCED, "--monte-carlo", number]) == 2
        assert word in capsys.readouterr().err


def test_a_person_names_the_columns_of_a_curve(tmp_path, capsys):
    """Written without the reader's tables; in kilohertz, with a column of no use and no header."""
    curve = tmp_path / "curve.txt"
    curve.write_text("\n".join(body("nfzp", f=F / 1e3)))
    assert run(["fit", str(curve)]) == 2
    assert 'say which is which with --columns "Hz, ohm, degrees"' in capsys.readouterr().err
    assert run(["fit", str(curve), "--columns", "-, kHz, ohm, degrees", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["parameters"]["Fs"]["value"] == pytest.approx(41.0, rel=1e-3)
    assert told["parameters"]["Re"]["value"] == pytest.approx(6.1, rel=1e-2)
    assert run(["fit", str(curve), "--columns", "Hz, ohm"]) == 2
    assert "are not as many" in capsys.readouterr().err
