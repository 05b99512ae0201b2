"""The files of a page, made without any recording; one of every kind."""

import math
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
from made_fit import made_driver, made_fit

from tsfit.box.enclosures import closed_box
from tsfit.check.sheet import read_sheet
from tsfit.circuit.load import Load
from tsfit.circuit.response import Circuit, impedance
from tsfit.compare import compare
from tsfit.equal_conditions import Candidate, in_baffle, same_volume
from tsfit.files import to_json
from tsfit.fit_file import fit_to_dict
from tsfit.records import FittedState, ImpedanceCurve, State
from tsfit.sheet_check import check_sheet

SAMPLES = Path(__file__).parents[2] / "sample_data"

SHEET = """
[driver]
name = "Wagtail 8"
[published]
Re = "5.6 ohm"
Fs = "34 Hz"
Qts = "0.30"
Vas = "60 l"
"""


def drawn_fit(name="Wagtail 8"):
    """A fit with two sweeps, so that it can be drawn."""
    driver = replace(made_driver(), name=name)
    frequency = np.geomspace(5.0, 20e3, 400)
    states = []
    for state in (State("free air"), State("added mass", mass=0.02)):
        z = impedance(
            frequency, driver.values(), Circuit(driver.coil, driver.suspension), Load(added_mass=state.mass or 0.0)
        )
        curve = ImpedanceCurve(frequency, z * 1.001)
        states.append(FittedState(curve, state, np.full(len(z), True), z, 0.002 * np.abs(z) / math.sqrt(2.0)))
    return replace(made_fit(driver), states=tuple(states))


def write_files(folder: Path, name="Wagtail 8") -> list[Path]:
    """Write a fit, a check and a box."""
    fit = drawn_fit(name)
    sheet = folder / "sheet.toml"
    sheet.write_text(SHEET)
    other = replace(fit, driver=replace(fit.driver, name=f"{name} B", Qes=0.4))
    pair = [Candidate(one.driver, one) for one in (fit, other)]
    contents = {
        "fit.json": fit_to_dict(fit),
        "check.json": check_sheet(fit, read_sheet(sheet)).to_dict(),
        "box.json": closed_box(fit.driver, qtc=0.707).to_dict(),
        "compare.json": compare(pair, [replace(same_volume(0.03), flat_to_hz=30.0), in_baffle()], draws=50).to_dict(),
    }
    for file, data in contents.items():
        (folder / file).write_text(to_json(data))
    shutil.copy(SAMPLES / "saltwit-12b.drift", folder / "log.drift")
    return [*(folder / file for file in contents), folder / "log.drift"]
