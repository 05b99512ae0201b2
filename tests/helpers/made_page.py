"""The files of a page, made without any recording; one of every kind."""

import math
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np

from helpers.boxes import box_plan, closed_box
from helpers.made_fit import made_driver, made_fit
from helpers.paths import SAMPLES
from tsfit.base.files import to_json
from tsfit.box.compare.conditions import Candidate, in_baffle, same_volume
from tsfit.box.compare.drivers import compare
from tsfit.box.equaliser.equalised import at_level, flat
from tsfit.box.equaliser.form import equaliser_form
from tsfit.box.panels.cabinet import cabinet
from tsfit.box.panels.plan import CabinetPlan
from tsfit.box.result import box_form
from tsfit.box.verify.verify import verify
from tsfit.check.boxes import check_sheet
from tsfit.check.forms import check_form
from tsfit.check.lot import check_lot
from tsfit.circuit.load import Load, Losses, vented_box
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.fit_result import FittedState
from tsfit.formats.fit import fit_to_dict
from tsfit.formats.sheet import read_sheet

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


def built_box(fit):
    """A vented box tuned higher than planned."""
    driver, frequency = fit.driver, np.geomspace(8.0, 2000.0, 250)
    circuit = Circuit(driver.coil, driver.suspension)
    z = impedance(frequency, driver.values(), circuit, vented_box(0.045, 36.0, losses=Losses(leak_q=8.0)))
    plan = box_plan("vented", volume=0.045, tuning=33.0, port_diameter=0.08)
    return verify(ImpedanceCurve(frequency, z), plan, driver, fit)


def lot(fit):
    """Four samples against their sheet, one of them unlike the others in Fs."""
    figures = [(33.0, 0.400), (33.1, 0.402), (32.9, 0.398), (33.05, 0.401), (32.95, 0.399), (38.0, 0.4)]
    fits = []
    for number, (fs, qes) in enumerate(figures, start=1):
        driver = replace(made_driver(Fs=fs, Qes=qes), name=fit.driver.name, serial=f"{fit.driver.name} {number}")
        fits.append(made_fit(driver))
    return fits


def write_files(folder: Path, name="Wagtail 8") -> list[Path]:
    """Write one file of every kind that a page is made from."""
    fit = drawn_fit(name)
    sheet = folder / "sheet.toml"
    sheet.write_text(SHEET)
    other = replace(fit, driver=replace(fit.driver, name=f"{name} B", Qes=0.4))
    pair = [Candidate(one.driver, one) for one in (fit, other)]
    contents = {
        "fit.json": fit_to_dict(fit),
        "check.json": check_form(check_sheet(fit, read_sheet(sheet))),
        "box.json": box_form(closed_box(fit.driver, qtc=0.707)),
        "compare.json": compare(pair, [replace(same_volume(0.03), flat_to_hz=30.0), in_baffle()], draws=50),
    }
    plain = closed_box(fit.driver, qtc=0.8)
    equalised = flat(plain, 40.0)
    contents |= {
        "equaliser.json": equaliser_form(equalised, at_level(equalised, 85.0)),
        "built.json": built_box(fit),
        "boards.json": cabinet(CabinetPlan(0.045, driver=0.003, braces=1, double_front=True, cutout=0.232)),
        "lot.json": check_lot(lot(fit), read_sheet(sheet)),
    }
    for file, data in contents.items():
        (folder / file).write_text(to_json(data))
    shutil.copy(SAMPLES / "saltwit-12b.drift", folder / "log.drift")
    return [*(folder / file for file in contents), folder / "log.drift"]
