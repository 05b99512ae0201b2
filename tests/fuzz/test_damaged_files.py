"""Good files, damaged byte by byte: every command answers in a sentence or with a result, and loses nothing.

``TSFIT_FUZZ`` multiplies the number of cases, as helpers/hostile.py says.
"""

import shutil
from pathlib import Path

import numpy as np
import pytest
from helpers.damage import damaged, held
from helpers.hostile import PART

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
def test_damaged_files_are_answered(kind, fold, good, tmp_path, monkeypatch):
    name, arguments, cases = KINDS[kind]
    folder = tmp_path / "work"
    shutil.copytree(good, folder)
    monkeypatch.chdir(folder)
    original = (good / name).read_bytes()
    filled = [part.replace("{}", name) for part in arguments]
    assert held(filled, folder)[0] < 2, "the good file is good"
    Path("out.html").unlink(missing_ok=True)
    answers, noticed = {0: 0, 1: 0, 2: 0}, 0
    for case in range(cases):
        if case >= cases * PART and noticed:
            break
        data = damaged(original, np.random.default_rng([fold * cases + case, len(kind)]))
        Path(name).write_bytes(data)
        try:
            status, printed = held(filled, folder)
            answers[status] += 1
            # A log goes on without the lines that are damaged, and says so.
            noticed += status == 2 or "damaged_line" in printed
        except BaseException:
            print(f"fold {fold}, case {case}: {data[:4000]!r}")
            raise
        Path("out.html").unlink(missing_ok=True)
    print(kind, answers)
    assert noticed > 0, "nothing was refused: the damage does not reach the reader"
