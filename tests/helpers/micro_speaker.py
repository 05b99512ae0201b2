"""The recordings of a micro-speaker that somebody else made, and their fit."""

import json

import pytest

from helpers.paths import SHARED
from tsfit.cli import run

DATA = SHARED / "micro-speaker"

RIG = """
name = "150 ohm divider"
topology = "divider"
reference_ohm = 148.7
[channels]
total = 1
driver = 2
"""
BENCH = """
{trim}
rig = "rig.toml"
[driver]
name = "micro-speaker"
sd_cm2 = 1.10
dc_resistance_ohm = 7.42
dc_resistance_uncertainty_ohm = 0.05
[[sweep]]
recording = "{data}/free-air.wav"
state = "free air"
[[sweep]]
recording = "{data}/closed-box-4cc.wav"
state = "closed box"
volume_l = 0.0040
"""
SHEET = """
[driver]
name = "micro-speaker, the maker's table"
[published]
Re = "7.25 ohm"
Bl = "0.582 T*m"
Mms = "43.1 mg"
Cms = "648.3 um/N"
Rms = "0.0467 N*s/m"
Fs = "950 Hz"
Qms = "5.48"
Qes = "5.82"
Qts = "2.80"
Vas = "1.11 cm^3"
sensitivity_1W = "74.41 dB"
"""


def fitted(folder, trim="", *options):
    if not DATA.is_dir():
        pytest.skip("shared data with the micro-speaker recordings are absent")
    (folder / "rig.toml").write_text(RIG)
    (folder / "sheet.toml").write_text(SHEET)
    (folder / "bench.toml").write_text(BENCH.format(trim=trim, data=DATA.as_posix()))
    assert run(["fit", str(folder / "bench.toml"), "-o", str(folder / "fit.json"), *options]) == 0
    return json.loads((folder / "fit.json").read_text())
