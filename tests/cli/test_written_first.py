"""Whoever reads only the first lines of what is printed, as ``tsfit … | head`` does, still gets every file."""

import os
import shutil
from contextlib import redirect_stdout

import numpy as np
import pytest
from helpers.made_fit import made_fit
from helpers.paths import SAMPLES

from tsfit.base.files import to_json
from tsfit.circuit import load
from tsfit.circuit.response import Circuit, impedance
from tsfit.cli import run
from tsfit.driver.curve import ImpedanceCurve
from tsfit.formats.curve import write_curve
from tsfit.formats.fit import fit_to_dict

SHEET, LOG = str(SAMPLES / "saltwit-12b-sheet.toml"), str(SAMPLES / "saltwit-12b.drift")
VENTED = ("vented", "fit.json", "--volume-l", "45", "--tuning-hz", "33")


@pytest.fixture
def folder(made, tmp_path, monkeypatch):
    """That folder, fresh for each run; drawing takes its time and is tested elsewhere, here each plot is written empty."""
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    monkeypatch.setattr("matplotlib.figure.Figure.savefig", lambda self, stream, **_: stream.write(b"plot"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A folder with all that the commands read."""
    folder = tmp_path_factory.mktemp("made")
    fit = made_fit()
    f = np.geomspace(8.0, 2000.0, 250)
    driver = fit.driver
    for name, around in (
        ("free-air", load.free_air()),
        ("cabinet", load.vented_box(0.045, 36.0, losses=load.Losses(leak_q=8.0))),
    ):
        z = impedance(f, driver.values(), Circuit(driver.coil, driver.suspension), around)
        write_curve(ImpedanceCurve(f, z), folder / f"{name}.txt")
    (folder / "fit.json").write_text(to_json(fit_to_dict(fit)))
    (folder / "box.toml").write_text('kind = "vented"\nvolume_l = 45\ntuning_hz = 33\n')
    return folder


def run_unread(*arguments):
    """Run with standard output going into a pipe whose other end is closed; return the exit code."""
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "w", buffering=1) as stream, redirect_stdout(stream):
        return run([*arguments])


@pytest.mark.parametrize(
    "command",
    [
        ("box", *VENTED, "--save-box", "o.toml", "-o", "o.json", "--plot", "o.png", "--plot-step", "o.svg"),
        ("box", "show", "box.toml", "fit.json", "-o", "o.json"),
        ("box", "design", "vented", "fit.json", "--family", "C4", "-o", "o.json", "--plot", "o.png", "--map", "o.svg"),
        ("box", "equalise", "fit.json", "--box", "box.toml", "--section", "low-pass 90 Hz, Q 0.7", "-o", "o.json"),
        ("box", "verify", "cabinet.txt", "--driver", "fit.json", "--box", "box.toml", "-o", "o.json", "--plot", "o.png"),
        ("box", "panels", "--volume-l", "60", "-o", "o.json", "--plot", "o.svg", "--dxf", "o.dxf"),
        ("compare", "fit.json", SHEET, "--qtc", "0.9", "-o", "o.json", "--plot", "o.png"),
        ("check", "fit.json", SHEET, "-o", "o.json", "--plot", "o.png"),
        ("check", SHEET, "-o", "o.json"),
        ("drift", "show", LOG, "--box", "box.toml", "-o", "o.json", "--plot", "o.png", "--box-plot", "o.svg"),
        ("drift", "change", LOG, "first", "last", "--box", "box.toml", "--box-plot", "o.png"),
        ("fit", "free-air.txt", "--coil", "ladder-2", "-o", "o.json", "--spice", "o.cir"),
        ("report", "fit.json", "-o", "o.html"),
    ],
    ids=lambda command: "-".join(command[:3]),
)
def test_files_are_there_when_nobody_reads_the_tables(folder, command):
    for arguments in (command, (*command, "--replace", "--json")):
        assert run_unread(*arguments) == 2
        for name in (word for word in command if word.startswith("o.")):
            assert (folder / name).exists(), name
            (folder / name).unlink()
