"""Files of valid structure with hostile values: each is answered in a sentence or with sane numbers, nothing is lost."""

import shutil
from pathlib import Path

import numpy as np
import pytest
from helpers.damage import hold
from helpers.hostile import cases, hostile_columns, hostile_json, hostile_log, hostile_toml, hostile_touchstone
from hypothesis import given
from hypothesis import strategies as st

LINES = 2000
"""Most of a file that is played with."""
ONE_MODEL = ("--coil", "simple", "--suspension", "ideal", "--points-per-octave", "12")

KINDS = {
    "sheet": ("saltwit-12-sheet.toml", hostile_toml, ["check", "{}", "--json"], 60),
    "sheet in words": ("saltwit-12-sheet.toml", hostile_toml, ["check", "{}"], 40),
    "sheet against a fit": ("saltwit-12b-sheet.toml", hostile_toml, ["check", "fit.json", "{}", "--json"], 40),
    "driver": ("driver.toml", hostile_toml, ["box", "vented", "{}", "--volume-l", "60", "--tuning-hz", "30", "--json"], 50),
    "sheet in a box": ("saltwit-12-sheet.toml", hostile_toml, ["box", "closed", "{}", "--volume-l", "60"], 30),
    "box file": ("box.toml", hostile_toml, ["box", "show", "{}", "driver.toml", "--json"], 50),
    "rig": ("rig.toml", hostile_toml, ["fit", "bench.toml", *ONE_MODEL, "--json"], 20),
    "rig that listens": ("rig.toml", hostile_toml, ["rig", "check", "{}", "--seconds", "1", "--json"], 10),
    "bench": ("bench.toml", hostile_toml, ["fit", "{}", *ONE_MODEL, "--json"], 30),
    "fit": ("fit.json", hostile_json, ["check", "{}", "saltwit-12-sheet.toml", "--json"], 60),
    "fit in a box": ("fit.json", hostile_json, ["box", "closed", "{}", "--qtc", "0.8", "--json"], 40),
    "fit for a log": ("fit.json", hostile_json, ["drift", "add", "{}", "--log", "new.drift", "--hours", "1", "--json"], 30),
    "drift log": ("log.drift", hostile_log, ["drift", "show", "{}", "--json"], 40),
    "drift log, two entries": ("log.drift", hostile_log, ["drift", "change", "{}", "1", "2"], 20),
    "curve": ("curve.txt", hostile_columns, ["fit", "{}", *ONE_MODEL, "--json"], 40),
    "touchstone": ("curve.s1p", hostile_touchstone, ["fit", "{}", *ONE_MODEL, "--json"], 30),
    "frequencies": (
        "frequencies.txt",
        hostile_columns,
        ["box", "closed", "driver.toml", "--volume-l", "40", "--frequencies", "{}", "--json"],
        30,
    ),
    "comparison": (
        "driver.toml",
        hostile_toml,
        ["compare", "{}", "saltwit-12-sheet.toml", "--volume-l", "60", "--json"],
        10,
    ),
    "page": ("fit.json", hostile_json, ["report", "{}", "-o", "out.html"], 10),
}


@pytest.fixture
def work(good, tmp_path, monkeypatch):
    """A folder of good files to work in; what a case adds is taken away again by `only`."""
    folder = tmp_path / "work"
    shutil.copytree(good, folder)
    monkeypatch.chdir(folder)
    return folder


def only(folder: Path, names: set[str]) -> None:
    """Take away from `folder` what is not among `names`."""
    for path in folder.iterdir():
        if path.name not in names:
            shutil.rmtree(path) if path.is_dir() else path.unlink()


@pytest.mark.filterwarnings("ignore:Generating overly large repr")
@pytest.mark.parametrize("kind", KINDS)
def test_hostile_values_are_answered(fold, kind, good, work):
    name, strategy, arguments, count = KINDS[kind]
    filled = [part.replace("{}", name) for part in arguments]
    there = {path.name for path in work.iterdir()}
    answers = {0: 0, 1: 0, 2: 0}

    @cases(count, fold)
    @given(strategy("".join((good / name).read_text(encoding="utf-8").splitlines(keepends=True)[:LINES])))
    def play(text):
        (work / name).write_bytes(text.encode("utf-8", "replace"))
        answers[hold(filled, work)] += 1
        only(work, there)

    play()
    print(kind, answers)
    assert answers[2] > 0, "nothing was refused: the values do not reach the reader"


@st.composite
def no_driver(draw):
    """Rows of frequency, magnitude and phase that no driver has: scatter, a flat line, a ramp, one row over and over."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    rows = draw(st.integers(2, 400))
    f = np.geomspace(*sorted(draw(st.tuples(st.floats(1.0, 40.0), st.floats(100.0, 20000.0)))), rows)
    flat = np.full(rows, draw(st.floats(0.1, 100.0)))
    size, phase = {
        "scatter": lambda: (np.exp(rng.uniform(-1.0, 5.0, rows)), rng.uniform(-180.0, 180.0, rows)),
        "flat": lambda: (flat, 0.0 * flat),
        "noise": lambda: (flat * np.exp(0.3 * rng.standard_normal(rows)), 10.0 * rng.standard_normal(rows)),
        "ramp": lambda: (flat * f / f[0], np.full(rows, 90.0)),
        "capacitor": lambda: (flat * f[0] / f, np.full(rows, -90.0)),
        "steps": lambda: (flat * np.round(1.0 + rng.uniform(0.0, 5.0, rows)), 0.0 * flat),
    }[draw(st.sampled_from(("scatter", "flat", "noise", "ramp", "capacitor", "steps")))]()
    return "\n".join(f"{a:.9g} {b:.9g} {c:.9g}" for a, b, c in zip(f, size, phase, strict=True)) + "\n"


def test_no_parameters_come_from_what_is_no_driver(fold, work):
    @cases(60, fold)
    @given(no_driver())
    def play(text):
        (work / "curve.txt").write_text(text)
        assert hold(["fit", "curve.txt", *ONE_MODEL, "--json"], work) == 2

    play()
