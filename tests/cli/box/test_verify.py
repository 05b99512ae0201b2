import json

import numpy as np
import pytest
from helpers.made_fit import made_fit

from tsfit.base.files import to_json
from tsfit.circuit import load
from tsfit.circuit.response import Circuit, impedance
from tsfit.cli import main
from tsfit.driver.curve import ImpedanceCurve
from tsfit.formats.curve import write_curve
from tsfit.formats.fit import fit_to_dict


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    fit = made_fit()
    f = np.geomspace(8.0, 2000.0, 250)
    driver = fit.driver
    z = impedance(
        f,
        driver.values(),
        Circuit(driver.coil, driver.suspension),
        load.vented_box(0.045, 36.0, losses=load.Losses(leak_q=8.0)),
    )
    write_curve(ImpedanceCurve(f, z), tmp_path / "cabinet.txt")
    (tmp_path / "fit.json").write_text(to_json(fit_to_dict(fit)))
    (tmp_path / "box.toml").write_text('kind = "vented"\nvolume_l = 45\ntuning_hz = 33\n[port]\ndiameter_cm = 8\n')
    return tmp_path


def run(*arguments):
    with pytest.raises(SystemExit) as left:
        main(["box", "verify", "cabinet.txt", "--driver", "fit.json", "--box", "box.toml", *arguments])
    return left.value.code


def test_a_wrong_tuning_is_printed_with_its_remedy_and_leaves_with_one(folder, capsys):
    assert run("--plot", "cabinet.png") == 1
    out = capsys.readouterr().out
    assert "mm longer" in out
    assert (folder / "cabinet.png").stat().st_size > 10_000


def test_the_verdict_comes_first(folder, capsys):
    run()
    assert capsys.readouterr().out.startswith("Not as planned: fb 36 Hz instead of 33.")


def test_machine_form_and_nothing_overwritten(folder, capsys):
    assert run("--json", "-o", "built.json") == 1
    data = json.loads(capsys.readouterr().out)
    assert data["built"]["fb"]["value"] == pytest.approx(36.0, rel=2e-3)
    assert json.loads((folder / "built.json").read_text()) == data
    assert run("-o", "built.json") == 2
    assert "already there" in capsys.readouterr().err
