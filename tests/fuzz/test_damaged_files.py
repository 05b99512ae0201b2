"""Good files, damaged byte by byte: every command answers in a sentence or with a result, and loses nothing.

``TSFIT_FUZZ`` multiplies the number of cases: 1 is what every run plays, about 1,500; 15 is the long run.
"""

import math
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
from damage import damaged, hold
from made_fit import made_fit

from tsfit.cli import _run
from tsfit.files import to_json
from tsfit.fit_file import fit_to_dict
from tsfit.fitting.curve import read_curve

TIMES = float(os.environ.get("TSFIT_FUZZ", "1"))
ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_data"


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    """One good file of every kind."""
    folder = tmp_path_factory.mktemp("good")
    for name in ("saltwit-12-sheet.toml", "saltwit-12b-sheet.toml"):
        shutil.copy(SAMPLES / name, folder)
    shutil.copy(ROOT / "rigs" / "simulated.toml", folder / "rig.toml")
    shutil.copytree(ROOT / "rigs" / "drivers", folder / "drivers")
    shutil.copy(ROOT / "rigs" / "drivers" / "dunlin-10.toml", folder / "driver.toml")
    (folder / "fit.json").write_text(to_json(fit_to_dict(made_fit())))
    sweep = ["sweep", str(folder / "rig.toml"), "-o", str(folder / "sweep.wav"), "--seconds", "2", "--low-hz", "10"]
    assert _run([*sweep, "--high-hz", "4000", "--no-figure", "--json"]) == 0
    shutil.copy(folder / "sweep.txt", folder / "curve.txt")
    (folder / "curve.s1p").write_text(_touchstone(folder / "sweep.txt"))
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
ONE_MODEL = ("--coil", "simple", "--suspension", "ideal", "--points-per-octave", "12")

KINDS = {
    "sheet": ("saltwit-12-sheet.toml", ["check", "{}", "--json"], 220),
    "sheet in words": ("saltwit-12-sheet.toml", ["check", "{}"], 120),
    "sheet against a fit": ("saltwit-12b-sheet.toml", ["check", "fit.json", "{}", "--json"], 120),
    "fit": ("fit.json", ["check", "{}", "saltwit-12-sheet.toml", "--json"], 160),
    "fit in a box": ("fit.json", ["box", "closed", "{}", "--qtc", "0.8", "--json"], 120),
    "driver": ("driver.toml", ["box", "vented", "{}", "--volume-l", "60", "--tuning-hz", "30", "--json"], 200),
    "sheet in a box": ("saltwit-12-sheet.toml", ["box", "closed", "{}", "--volume-l", "60", "--json"], 120),
    "frequencies": (
        "frequencies.txt",
        ["box", "closed", "driver.toml", "--volume-l", "40", "--frequencies", "{}", "--json"],
        100,
    ),
    "rig": ("rig.toml", ["fit", "bench.toml", *ONE_MODEL, "--json"], 80),
    "bench": ("bench.toml", ["fit", "{}", *ONE_MODEL, "--json"], 80),
    "recording": ("sweep.wav", ["fit", "bench.toml", *ONE_MODEL, "--json"], 60),
    "curve": ("curve.txt", ["fit", "{}", *ONE_MODEL, "--json"], 120),
    "touchstone": ("curve.s1p", ["fit", "{}", *ONE_MODEL, "--json"], 60),
    "box file": ("box.toml", ["box", "show", "{}", "driver.toml", "--json"], 120),
    "drift log": ("log.drift", ["drift", "show", "{}", "--json"], 60),
    "comparison": ("driver.toml", ["compare", "{}", "saltwit-12-sheet.toml", "--volume-l", "60", "--json"], 40),
    "page": ("fit.json", ["report", "{}", "-o", "out.html"], 20),
}


@pytest.mark.parametrize("kind", KINDS)
def test_damaged_files_are_answered(kind, good, tmp_path, monkeypatch):
    name, arguments, cases = KINDS[kind]
    folder = tmp_path / "work"
    shutil.copytree(good, folder)
    monkeypatch.chdir(folder)
    original = (good / name).read_bytes()
    filled = [part.replace("{}", name) for part in arguments]
    assert hold(filled, folder) < 2, "the good file is good"
    Path("out.html").unlink(missing_ok=True)
    answers = {0: 0, 1: 0, 2: 0}
    for case in range(math.ceil(cases * TIMES)):
        data = damaged(original, np.random.default_rng([case, len(kind)]))
        Path(name).write_bytes(data)
        try:
            answers[hold(filled, folder)] += 1
        except BaseException:
            print(f"case {case}: {data[:4000]!r}")
            raise
        Path("out.html").unlink(missing_ok=True)
    print(kind, answers)
    assert answers[2] > 0, "nothing was refused: the damage does not reach the reader"
