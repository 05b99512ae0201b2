"""The demonstration: from the sample recordings to a decision between two drivers, without any hardware."""

import shlex
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tsfit.base.errors import TsfitError
from tsfit.base.files import packaged, to_json, write_new
from tsfit.bench.batch import fit_many
from tsfit.box.compare.conditions import Candidate, Case, in_baffle, in_box, same_qtc, same_volume
from tsfit.box.compare.drivers import compare
from tsfit.box.compare.result import CHOICE_DB, DriverComparison
from tsfit.box.frequencies import LOUDEST_HZ
from tsfit.box.kinds import ClosedPlan, VentedPlan
from tsfit.box.measured import with_measured
from tsfit.box.parts import Opening, StatedLosses
from tsfit.box.ports import Port
from tsfit.check.boxes import check_sheet
from tsfit.check.forms import check_form
from tsfit.check.verdict import CheckResult
from tsfit.drift.history import history
from tsfit.drift.log import read_log
from tsfit.driver.fit_result import FitResult
from tsfit.driver.measured import NOT_MEASURED, Measured
from tsfit.driver.record import rated
from tsfit.formats.fit import read_fit
from tsfit.formats.measured import read_travel
from tsfit.formats.sheet import read_sheet
from tsfit.report.blocks import text
from tsfit.report.page import read_part, render

DRIVERS = {"saltwit-12": "the favourite", "saltwit-12b": "its successor"}
LOG = "saltwit-12b.drift"
MEASURED, TRAVEL = "saltwit-12b", "saltwit-12b-travel.json"
"""Whose travel was measured, and what that told."""
CABINET = ClosedPlan(volume=0.095)
LOW_VENTED = VentedPlan(volume=0.14, tuning=20.0, opening=Opening(Port(0.1)), losses=StatedLosses(leak_q=10.0))
VENTED = in_box(LOW_VENTED, "vented, 140 l, tuned to 20 Hz, port 10 cm, leak Q 10")
CASES: tuple[Case, ...] = (
    in_box(CABINET, "the picture-house's cabinets, closed, 95 l"),
    same_qtc(0.707),
    replace(same_volume(0.14), name="larger, closed, 140 l, with equalisation", flat_to_hz=25.0),
    VENTED,
    in_baffle(),
)


@dataclass(frozen=True)
class DemoResult:
    """What the demonstration found, by driver file stem; `files` are those it wrote into `folder`, `page` shows it all."""

    folder: Path
    fits: dict[str, FitResult]
    checks: dict[str, CheckResult]
    drift: list[str]
    comparison: DriverComparison
    files: list[Path]
    page: Path

    @property
    def knobs(self) -> str:
        """Command that turns the knobs of a box for both drivers."""
        fits = [str(self.folder / f"{stem}-fit.json") for stem in self.fits]
        sheets = [word for stem in self.fits for word in ("--sheet", str(self.folder / f"{stem}-sheet.toml"))]
        return shlex.join(["tsfit", "try", *fits, *sheets, "--travel", str(self.folder / TRAVEL)])


def new_cabinets(comparison: DriverComparison) -> str:
    """Say what the larger vented cabinets bring in the bass, and whether they bring it to the newcomer alone."""
    hz = LOUDEST_HZ[0]
    standing, new = (
        case.level_db["limits"][:, np.searchsorted(case.frequency_hz, hz)]
        for case in (comparison.cases[0], comparison.cases[CASES.index(VENTED)])
    )
    (old, its), (one, other) = new - standing, (each.name for each in comparison.compared)
    if its < CHOICE_DB:
        return f"No: vented ones, of 140 l, play no louder at {hz:g} Hz with the {other}."
    bring = f"bring {its:.1f} dB at {hz:g} Hz ({standing[1]:.0f} to {new[1]:.0f} dB)"
    if max(abs(its - old), abs(standing[1] - standing[0])) < CHOICE_DB:
        either = f"either from {standing[1]:.0f} to {new[1]:.0f} dB"
        return f"Not by itself: at {hz:g} Hz it plays as loud as the {one}. Vented ones, of 140 l, bring {either} there."
    worth = "Yes" if its > old else "Not by itself"
    return f"{worth}: vented ones, of 140 l, {bring}, where the {one} gains {old:.1f} dB."


def sample_data() -> Path:
    """Return the folder of the sample data."""
    return packaged("sample_data", "truth.json")


def free_folder(wanted: Path) -> Path:
    """Return `wanted`, or the first of its numbered neighbours that does not exist, so that nothing is written over."""
    folder, number = wanted, 1
    while folder.exists():
        number += 1
        folder = wanted.with_name(f"{wanted.name}-{number}")
    return folder


def play(folder: Path, on_step: Callable[[str], None] = lambda step: None) -> DemoResult:
    """Fit both sample drivers, judge their sheets, with the successor's travel as measured, look at the break-in, compare
    them in five boxes, and make a page of it.
    Raises ``cannot_write`` when the folder cannot be made.
    """
    data = sample_data()
    try:
        folder.mkdir(parents=True)
    except OSError as error:
        raise TsfitError(
            f"{folder}: cannot be made ({error.strerror}); name another with --folder.", code="cannot_write", file=folder
        ) from error
    on_step("fitting both drivers")
    files = [folder / f"{stem}-fit.json" for stem in DRIVERS]
    for outcome in fit_many([data / f"{stem}-bench.toml" for stem in DRIVERS], files):
        if outcome.error is not None:
            raise outcome.error
    fits = {stem: read_fit(path) for stem, path in zip(DRIVERS, files, strict=True)}
    sheets = {stem: read_sheet(data / f"{stem}-sheet.toml") for stem in DRIVERS}
    on_step("holding both datasheets against them")
    plans = [("the picture-house's cabinet", CABINET)]
    measured = {**dict.fromkeys(DRIVERS, NOT_MEASURED), MEASURED: Measured(travel=read_travel(data / TRAVEL))}
    checks = {stem: check_sheet(fits[stem], sheets[stem], plans=plans, limits=measured[stem]) for stem in DRIVERS}
    on_step("comparing them in the same boxes")
    # What was not measured, travel and power that the coil stands, a sheet alone tells.
    printed = {stem: rated(fit.driver, sheets[stem].values()) for stem, fit in fits.items()}
    candidates = [Candidate(with_measured(printed[stem], measured[stem]), fit) for stem, fit in fits.items()]
    comparison = compare(candidates, CASES)
    drift = history(read_log(data / LOG)).sentences()
    # Beside the fits, wherever the sample data is installed: what is asked next takes short names.
    copies = [*(folder / f"{stem}-sheet.toml" for stem in DRIVERS), folder / TRAVEL]
    for copy in copies:
        write_new(copy, (data / copy.name).read_bytes())
    machine: dict[str, object] = {f"{stem}-check.json": check_form(check) for stem, check in checks.items()}
    machine["compare.json"] = comparison
    for name, content in machine.items():
        write_new(folder / name, to_json(content))
        files.append(folder / name)
    on_step("making the page")
    page = folder / "page.html"
    # The answer before what it rests on.
    parts = [*reversed(files), data / TRAVEL, data / LOG]
    names = [each.name for each in comparison.compared]
    title = f"Is the {names[1]}, in place of the {names[0]}, worth new cabinets?"
    told = [read_part(path, f"part-{number}") for number, path in enumerate(parts, start=1)]
    # Its answer stands right below, before what of the drivers is told in whatever cabinets.
    told[0] = replace(told[0], answer=[text(new_cabinets(comparison), strong=True), *told[0].answer])
    write_new(page, render(told, title))
    return DemoResult(folder, fits, checks, drift, comparison, [*files, *copies, page], page)
