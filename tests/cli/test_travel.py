import json
from dataclasses import replace

from helpers.made_travel import DRIVERS, bench_folder, held_curve, settled_bench
from helpers.made_travel_result import made_travel_result

import tsfit
from tsfit.cli import run
from tsfit.formats.measured import read_travel


def test_the_answer_comes_first(tmp_path, made_once, capsys, monkeypatch):
    settled = settled_bench(made_once)
    monkeypatch.setattr("tsfit.bench.travel.settle", lambda *_: settled)
    monkeypatch.setenv("COLUMNS", "120")
    bench = bench_folder(tmp_path, DRIVERS[0])
    held_curve(tmp_path / "held.csv", DRIVERS[0], 0.006)
    bench.write_text(f'{bench.read_text()}[[sweep]]\ncurve = "held.csv"\nstate = "free air"\noffset_mm = 6.0\n')
    out, plot = tmp_path / "travel.json", tmp_path / "travel.png"
    assert run(["travel", str(bench), "-o", str(out), "--plot", str(plot)]) == 0
    printed = capsys.readouterr().out
    assert printed.startswith("10 % limit: 9.7")
    assert "mm one way, set by the compliance; 10.6" in printed.splitlines()[0]
    assert "mm the other way, set by the force factor." in printed.splitlines()[0]
    told = ("force factor down to 82 %", "over ", "level-1.wav", "the other less one way", "1.5 V cell", "cone held aside")
    for word in (*told, "E_n"):
        assert word in " ".join(printed.split())
    assert "outward" not in " ".join(printed.split()).replace('outward = "positive"', "")
    assert "inward" not in printed
    assert plot.stat().st_size > 10_000
    found = read_travel(out)
    assert found.driver.serial == "A-1"
    assert found.offsets[0].x_m == 0.006
    assert "held_offset" in [note.code for note in found.quality]
    assert run(["travel", str(bench), "-o", str(out), "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["error"]["code"] == "exists"


def test_noise_that_nothing_tells_is_not_called_none(capsys, monkeypatch):
    told = made_travel_result()
    unknown = replace(told, levels=(replace(told.levels[0], noise_percent=0.0), *told.levels[1:]))
    monkeypatch.setattr("tsfit.bench.travel.travel_bench", lambda *_, **__: unknown)
    assert run(["travel", "bench.toml"]) == 0
    assert capsys.readouterr().out.count("not told") == 1


def test_a_result_shows_itself():
    told = made_travel_result()
    assert told.answers()[0] == (
        "10 % limit: 11.80 mm outward, set by the force factor; 12.90 mm inward, set by the force factor."
    )
    assert "12.90 (12.86 … 12.94)" in told._repr_html_()
    assert told.to_dict()["kind"] == "travel"
    assert isinstance(told, tsfit.Travel)
