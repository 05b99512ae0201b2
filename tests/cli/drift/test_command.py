"""``tsfit drift``: from fit files to a log, what moved, and the sentences that say so."""

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from helpers.made_histories import FRESH, made_fit
from helpers.simulated_rig import simulated_rig

from tsfit.cli import run
from tsfit.formats.fit import fit_to_dict

HOURS = (0.0, 0.0, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0)


@pytest.fixture(scope="module")
def fits(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fits")
    rng = np.random.default_rng(21)
    files = []
    for k, hours in enumerate(HOURS):
        truth = {**FRESH, "Cms": FRESH["Cms"] * (1.0 + 0.12 * -np.expm1(-hours / 3.0))}
        path = folder / f"fit-{k}.json"
        path.write_text(json.dumps(fit_to_dict(made_fit(truth, rng, (0.5, -0.5)))))
        files.append(path)
    return files


@pytest.fixture
def log(fits, tmp_path):
    path = tmp_path / "saltwit.drift"
    for fit, hours in zip(fits, HOURS, strict=True):
        assert run(["drift", "add", str(fit), "--log", str(path), "--hours", str(hours)]) == 0
    return path


def test_add_says_what_it_did(fits, tmp_path, capsys):
    log = str(tmp_path / "log")
    assert run(["drift", "add", str(fits[0]), "--log", log, "--hours", "0"]) == 0
    assert "entry 1, Saltwit 12 after 0 h" in " ".join(capsys.readouterr().out.split())
    assert run(["drift", "add", str(fits[1]), "--log", log, "--hours", "12", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {
        "schema": 1, "kind": "drift entry", "entry": 2, "hours": 12.0, "notes": [],
    }  # fmt: skip
    assert run(["drift", "add", str(fits[1]), "--log", log, "--hours", "12"]) == 2
    assert "already holds this fit" in capsys.readouterr().err
    assert run(["drift", "add", str(fits[1]), "--log", log, "--hours", "-1"]) == 2


def test_entries_are_numbered_alike_where_copies_do_not_count(tmp_path, capsys):
    log, fit = tmp_path / "log", made_fit(FRESH, np.random.default_rng(3), (0.5, -0.5))

    def add(hours, *recordings):
        file = tmp_path / "fit.json"
        made_of = {"sweeps": [{"sha256": one} for one in recordings]}
        file.write_text(json.dumps(fit_to_dict(replace(fit, provenance=made_of)) | {"note": hours}))
        assert run(["drift", "add", str(file), "--log", str(log), "--hours", str(hours), "--json"]) == 0
        return json.loads(capsys.readouterr().out)["entry"]

    assert [add(8, "a"), add(9, "a"), add(2, "b", "c"), add(3, "b")] == [1, 1, 1, None]
    assert add(5, "d") == 2
    assert run(["drift", "show", str(log), "--json"]) == 0
    assert [entry["hours"] for entry in json.loads(capsys.readouterr().out)["entries"]] == [2.0, 5.0, 9.0]
    assert run(["drift", "change", str(log), "2", "3"]) == 0
    assert run(["drift", "change", str(log), "1", "4"]) == 2
    assert "give a number from 1 to 3" in capsys.readouterr().err


def test_show_names_the_cause_and_the_end(log, capsys):
    capsys.readouterr()
    assert run(["drift", "show", str(log)]) == 0
    out = capsys.readouterr().out
    assert "compliance (Cms) changed by +1" in out
    told = " ".join(out.split())
    assert "has settled: within 1 % of its final value" in told
    assert re.search(r"Measured first and last: Fs from [\d.]+ to [\d.]+ Hz and Qts from 0\.\d+ to 0\.\d+\.", told)
    assert run(["drift", "show", str(log), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["drifted"] == ["compliance"]
    one = data["causes"]["compliance"]
    assert one["course"] == "exponential"
    assert one["band95"][0] < one["end"] < one["band95"][1]
    assert one["end"] == pytest.approx(1.12 * FRESH["Cms"], rel=0.02)
    assert data["causes"]["motor"]["course"] == "constant"
    assert [entry["hours"] for entry in data["entries"]] == list(HOURS)


def test_change_between_any_two(log, capsys):
    capsys.readouterr()
    assert run(["drift", "change", str(log), "first", "last"]) == 0
    assert "compliance" in capsys.readouterr().out
    assert run(["drift", "change", str(log), "1", "8", "--json"]) == 0
    causes = json.loads(capsys.readouterr().out)["causes"]
    assert [name for name, one in causes.items() if one["beyond_repeatability"]] == ["compliance"]
    assert causes["compliance"]["change"] == pytest.approx(0.12, abs=0.01)
    assert causes["compliance"]["e_n"] > 3.0
    for wrong in ("0", "9", "middle", "-1"):
        assert run(["drift", "change", str(log), "--", wrong, "last"]) == 2
        assert "give a number from 1 to 8" in capsys.readouterr().err


def test_refusals(tmp_path, fits, capsys):
    assert run(["drift", "show", str(tmp_path / "none")]) == 2
    assert "tsfit drift add" in capsys.readouterr().err
    (tmp_path / "notes").write_text("hello")
    assert run(["drift", "show", str(tmp_path / "notes"), "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["error"]["code"] == "not_a_log"
    (tmp_path / "empty").write_text("")
    assert run(["drift", "show", str(tmp_path / "empty")]) == 2
    assert run(["drift", "add", str(fits[0]), "--log", str(tmp_path / "no" / "log"), "--hours", "0"]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_a_planned_cabinet_and_its_figures(log, tmp_path, capsys):
    box = tmp_path / "box.toml"
    box.write_text('kind = "closed"\nvolume_l = 95\n')
    capsys.readouterr()
    plots = [str(tmp_path / name) for name in ("drift.svg", "box.png")]
    command = ["drift", "show", str(log), "--box", str(box), "--plot", plots[0], "--box-plot", plots[1]]
    assert run([*command, "-o", str(tmp_path / "show.json")]) == 0
    out = capsys.readouterr().out
    assert "still holds at 32 h" in out
    assert "Qtc" in out
    saved = json.loads((tmp_path / "show.json").read_text())
    assert saved["box"]["outcome"] == "holds"
    assert saved["box"]["frequency_hz"][0] == 20.0
    assert all(Path(plot).stat().st_size > 5000 for plot in plots)
    assert run(command) == 2
    assert "--replace" in capsys.readouterr().err
    assert run(["drift", "change", str(log), "1", "3", "--box", str(box), "--json"]) == 0
    assert "summary" in json.loads(capsys.readouterr().out)["box"]
    assert run(["drift", "show", str(log), "--box-plot", str(tmp_path / "other.png")]) == 2
    assert "--box BOX" in capsys.readouterr().err


def test_a_guided_break_in(tmp_path, capsys):
    rig = str(simulated_rig(tmp_path))
    command = ["drift", "routine", rig, "-o", str(tmp_path / "kept"), "--name", "Dunlin 10", "--hours", "0.1"]
    assert run([*command, "--json"]) == 2
    assert "--yes" in json.loads(capsys.readouterr().out)["error"]["message"]
    assert run([*command, "--yes"]) == 0
    out = capsys.readouterr().out
    assert "protect your hearing" in out
    assert "All hours are played" in out
    assert run([*command, "--yes", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["why"] == "time"
    assert run(["drift", "show", str(tmp_path / "kept" / "drift.log")]) == 0
    assert run([*command, "--level-dbfs", "-1", "--yes"]) == 2
