"""``tsfit fit`` on many benches: every fit written, a bad one named and survived, a summary that reads back."""

import csv
import json
import re
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from helpers.made_bench import FORCED

from tsfit.circuit.response import Circuit, impedance
from tsfit.cli import run
from tsfit.driver.record import Driver
from tsfit.formats.fit import read_fit

FREQUENCY_HZ = np.geomspace(8.0, 4000.0, 200)


def make_bench(folder, name, fs):
    driver = Driver(name, 5.4, fs, 5.0, 0.4, 1.0, 1.0, coil="ladder-2", coil_values={"Le": 9e-4, "L2": 8e-4, "R2": 6.0})
    z = impedance(FREQUENCY_HZ, driver.values(), Circuit("ladder-2"))
    z = z * (1.0 + 1e-3 * np.random.default_rng(round(fs)).standard_normal(len(z)))
    lines = [f"{f:.7g} {value.real:.7g} {value.imag:.7g}" for f, value in zip(FREQUENCY_HZ, z, strict=True)]
    (folder / f"{name}.txt").write_text("\n".join(["Hz real imaginary", *lines]))
    bench = folder / f"{name}.toml"
    bench.write_text(f'[driver]\nname = "{name}"\n[[sweep]]\ncurve = "{name}.txt"\nstate = "free air"\n')
    return str(bench)


@pytest.fixture
def lot(tmp_path):
    benches = [make_bench(tmp_path, f"dunlin{k}", 30.0 + 5.0 * k) for k in range(3)]
    bad = tmp_path / "bad.toml"
    bad.write_text('[driver]\nname = "bad"\n[[sweep]]\ncurve = "nowhere.txt"\nstate = "free air"\n')
    return [benches[0], str(bad), *benches[1:]]


def test_one_bad_bench_does_not_stop_the_rest(lot, tmp_path, capsys):
    summary, fits = tmp_path / "lot.csv", tmp_path / "fits"
    fits.mkdir()
    assert run(["fit", *lot, *FORCED, "-o", str(fits), "--summary", str(summary)]) == 2
    out, err = capsys.readouterr()
    assert "dunlin2" in out
    assert "1 of 4 could not be done" in err
    assert "nowhere.txt" in err
    assert sorted(path.name for path in fits.iterdir()) == [f"dunlin{k}.fit.json" for k in range(3)]
    with summary.open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["bench"] for row in rows] == lot
    assert [bool(row["error"]) for row in rows] == [False, True, False, False]
    for k, row in enumerate(rows[i] for i in (0, 2, 3)):
        fit = read_fit(fits / f"dunlin{k}.fit.json")
        assert float(row["Fs"]) == fit.parameters["Fs"].value
        assert float(row["Fs_stdev"]) == fit.parameters["Fs"].stdev
        assert float(row["Fs"]) == pytest.approx(30.0 + 5.0 * k, rel=2e-3)
        assert row["Vas"] == ""


def test_fits_go_beside_their_benches_and_nothing_is_overwritten(lot, tmp_path, capsys, monkeypatch):
    # In threads: each process loads everything once more, and the test above starts them.
    monkeypatch.setattr("tsfit.bench.batch.processes", ThreadPoolExecutor)
    good = [path for path in lot if "bad" not in path][:2]
    assert run(["fit", *good, *FORCED, "--json", "--monte-carlo", "200"]) == 0
    told = json.loads(capsys.readouterr().out)["fits"]
    assert [each["error"] for each in told] == [None, None]
    written = tmp_path / "dunlin0.fit.json"
    assert read_fit(written).monte_carlo.trials == 200
    before = written.read_bytes()
    assert run(["fit", *good, *FORCED, "--json"]) == 2
    told = json.loads(capsys.readouterr().out)["fits"]
    assert [each["error"]["code"] for each in told] == ["exists", "exists"]
    assert written.read_bytes() == before


@pytest.mark.parametrize(
    ("extra", "word"),
    [
        (["--plot", "lot.png"], "--plot"),
        (["-o", "no-such-folder"], "no-such-folder"),
        (["--summary", "{first}"], "--replace"),
    ],
)
def test_what_a_batch_cannot_do_is_refused_before_the_work(lot, extra, word, capsys):
    assert run(["fit", *lot, *(argument.format(first=lot[0]) for argument in extra)]) == 2
    assert word in capsys.readouterr().err


def test_two_benches_that_would_write_one_fit_are_refused(lot, capsys):
    assert run(["fit", lot[0], lot[0]]) == 2
    assert "dunlin0.fit.json" in capsys.readouterr().err


def test_no_summary_and_no_fit_goes_over_what_a_bench_is_made_of(lot, tmp_path, capsys, monkeypatch):
    """Its benches are refused before the work, their curves, read by another process, before the summary is written."""
    monkeypatch.setattr("os.cpu_count", lambda: 1)
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    assert run(["fit", *lot[:2], "--summary", lot[0], "--replace"]) == 2
    assert "was read for this result" in capsys.readouterr().err
    assert run(["fit", *lot[:2], "--summary", str(tmp_path / "bad.fit.json"), "--replace"]) == 2
    assert "would go to one file" in capsys.readouterr().err
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before
    assert run(["fit", *lot[:2], *FORCED, "--summary", str(tmp_path / "dunlin0.txt"), "--replace"]) == 2
    assert "dunlin0.txt: was read for this result" in capsys.readouterr().err
    assert {path: path.read_bytes() for path in before} == before


def test_curves_without_a_bench_count_as_a_driver_each_and_that_is_said(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("tsfit.bench.batch.processes", ThreadPoolExecutor)
    curves = [make_bench(tmp_path, name, 30.0).replace(".toml", ".txt") for name in ("one", "two")]
    assert run(["fit", *curves, *FORCED]) == 0
    out, err = capsys.readouterr()
    assert "Each curve counts as a driver of its own" in out + err
    # Digits that a person believes: no more than a thousandth of the value.
    assert re.search(r" 30\.0\d? Hz ", out)
