"""One good file of every kind, for damage and for hostile values."""

import shutil

import numpy as np
import pytest
from helpers.hostile import FOLDS
from helpers.made_fit import made_fit
from helpers.paths import ROOT
from helpers.simulated_rig import simulated_rig

from tsfit.base.files import to_json
from tsfit.cli import run
from tsfit.formats.curve import read_curve
from tsfit.formats.fit import fit_to_dict

SAMPLES = ROOT / "sample_data"


BOX = """kind = "vented"
volume_l = 95.0
tuning_hz = 26.0
leak_q = 10.0
[port]
diameter_cm = 10.0
count = 2
[drivers]
rated_power_w = 400.0
xmax_mm = 9.0
"""


ROWS = 150
"""Of the curve that is played with: enough for a fit, and few to read so often."""


def pytest_generate_tests(metafunc):
    if "fold" in metafunc.fixturenames:
        metafunc.parametrize("fold", FOLDS)


@pytest.fixture(scope="session")
def good(tmp_path_factory):
    """One good file of every kind."""
    folder = tmp_path_factory.mktemp("good")
    for name in ("saltwit-12-sheet.toml", "saltwit-12b-sheet.toml"):
        shutil.copy(SAMPLES / name, folder)
    simulated_rig(folder, "rig.toml")
    shutil.copy(folder / "drivers" / "dunlin-10.toml", folder / "driver.toml")
    (folder / "fit.json").write_text(to_json(fit_to_dict(made_fit())))
    sweep = ["sweep", str(folder / "rig.toml"), "-o", str(folder / "sweep.wav"), "--seconds", "2", "--low-hz", "10"]
    assert run([*sweep, "--high-hz", "4000", "--no-figure", "--json"]) == 0
    head, *rows = (folder / "sweep.txt").read_text().splitlines(keepends=True)
    taken = sorted(set(np.geomspace(8, len(rows) - 1, ROWS).astype(int)))
    (folder / "curve.txt").write_text("".join([head, *(rows[row] for row in taken)]))
    (folder / "curve.s1p").write_text(_touchstone(folder / "curve.txt"))
    (folder / "bench.toml").write_text(
        'rig = "rig.toml"\n[driver]\nname = "Bittern 12"\neffective_diameter_cm = 25.8\n'
        '[[sweep]]\nrecording = "sweep.wav"\nstate = "free air"\n'
    )
    (folder / "box.toml").write_text(BOX)
    shutil.copy(SAMPLES / "saltwit-12b.drift", folder / "log.drift")
    (folder / "frequencies.txt").write_text("20\n31.5\n50\n80\n")
    return folder


def _touchstone(curve):
    """The same curve as reflection in 50 ohm."""
    lines = ["# Hz S RI R 50"]
    read = read_curve(curve)
    for f, z in zip(read.frequency_hz, read.impedance_ohm, strict=True):
        s = (z - 50.0) / (z + 50.0)
        lines.append(f"{f:.6f} {s.real:.9f} {s.imag:.9f}")
    return "\n".join(lines) + "\n"
