"""``tsfit try``: the drivers it takes, where it begins, that it ends."""

import json
from dataclasses import replace

import pytest
from helpers.made_fit import made_fit
from helpers.made_travel_result import made_travel_result
from helpers.paths import SAMPLES

from tsfit.base.files import to_json
from tsfit.base.forms import plain
from tsfit.cli import run
from tsfit.driver.record import NamedDriver
from tsfit.formats.fit import fit_to_dict
from tsfit.live.server import Served


@pytest.fixture
def trials(tmp_path, monkeypatch):
    """What would be served."""
    found = []
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(Served, "run", lambda self: found.append(self))
    init = Served.__init__

    def told(self, trial, **more):
        init(self, trial, **more)
        self.trial = trial

    monkeypatch.setattr(Served, "__init__", told)
    (tmp_path / "fit.json").write_text(to_json(fit_to_dict(made_fit())))
    (tmp_path / "box.toml").write_text('kind = "vented"\nvolume_l = 45\ntuning_hz = 33\n')
    yield found
    for served in found:
        served.stop()


def test_it_tells_the_address_and_begins_with_the_box(trials, capsys, tmp_path):
    (tmp_path / "bare.toml").write_text('[driver]\nname = "Dunlin"\n[published]\nFs = "30 Hz"\n')
    sheets = ["--sheet", str(SAMPLES / "saltwit-12-sheet.toml"), "--sheet", "bare.toml"]
    assert run(["try", "fit.json", "fit.json", "--box", "box.toml", *sheets, "--no-browser", "--json"]) == 0
    (served,) = trials
    assert json.loads(capsys.readouterr().out) == {"page": served.address}
    first, second = served.trial.drivers
    assert first.driver.name != second.driver.name
    assert first.driver.Xmax is not None
    assert second.driver.Xmax is None
    assert first.fit is not None
    assert served.trial.start.values == {"volume_l": 45.0, "tuning_hz": 33.0}


def test_people_are_told_how_it_ends(trials, capsys):
    assert run(["try", "fit.json", "--no-browser"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("http://127.0.0.1:")
    assert "Ctrl-C" in said


def test_it_takes_prices_and_what_was_measured(trials, tmp_path):
    told = replace(made_travel_result(), driver=NamedDriver(made_fit().driver.name))
    (tmp_path / "travel.json").write_text(to_json(plain(told)))
    assert run(["try", "fit.json", "fit.json", "--travel", "travel.json", "--cost", "90", "--no-browser"]) == 0
    first, second = trials[0].trial.drivers
    assert (first.cost, second.cost) == (90.0, None)
    assert first.driver.measured.xmax_m == pytest.approx(0.0118)
    assert first.words == ("--travel", "travel.json")
    assert second.words == ()


def test_more_sheets_than_drivers_and_what_is_no_driver_are_refused(trials, capsys):
    assert run(["try", "fit.json", "--sheet", "a.toml", "--sheet", "b.toml", "--no-browser"]) == 2
    assert run(["try", "box.toml", "--no-browser"]) == 2
    assert "is no fit, datasheet or driver file but a box file" in capsys.readouterr().err
    assert trials == []
