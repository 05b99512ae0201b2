"""The demonstration: from the sample recordings to a decision between two drivers, without any hardware."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tsfit.box.enclosures import closed_box, vented_box
from tsfit.box.result import BoxResult
from tsfit.check.verdict import CheckResult
from tsfit.errors import TsfitError
from tsfit.files import packaged
from tsfit.records import FitResult

DRIVERS = {"saltwit-12": "the favourite", "saltwit-12b": "its successor"}
CABINET_L = 95.0
EQUAL_QTC = 0.707
LOW_TUNING_HZ = 22.0
PORT_DIAMETER_CM = 10.0


@dataclass(frozen=True)
class DemoResult:
    """What the demonstration found, by driver file stem; `files` are those it wrote into `folder`."""

    folder: Path
    fits: dict[str, FitResult]
    checks: dict[str, CheckResult]
    boxes: dict[str, dict[str, BoxResult]]
    files: list[Path]


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
    """Fit both sample drivers, judge their sheets, put them into the same boxes, and leave JSON and figures in `folder`.

    Raises
    ------
    TsfitError
        ``cannot_write`` when the folder cannot be made.
    """
    from tsfit.bench import fit_bench
    from tsfit.check.sheet import read_sheet
    from tsfit.sheet_check import check_sheet

    data = sample_data()
    try:
        folder.mkdir(parents=True)
    except OSError as error:
        raise TsfitError(
            f"{folder}: cannot be made ({error.strerror}); name another with --folder.", code="cannot_write", file=folder
        ) from error
    fits, checks, boxes = {}, {}, {}
    for stem in DRIVERS:
        fits[stem] = fit_bench(data / f"{stem}-bench.toml", on_step=on_step)
        checks[stem] = check_sheet(fits[stem], read_sheet(data / f"{stem}-sheet.toml"))
        on_step(f"boxes for {fits[stem].driver.name}")
        driver = fits[stem].driver
        boxes[stem] = {
            "equal-q": closed_box(driver, qtc=EQUAL_QTC),
            "cabinet": closed_box(driver, volume=1e-3 * CABINET_L),
            "vented": vented_box(
                driver, volume=1e-3 * CABINET_L, tuning=LOW_TUNING_HZ, port_diameter=1e-2 * PORT_DIAMETER_CM, leak_q=10.0
            ),
        }
    on_step("figures")
    files = _write(folder, fits, checks, boxes)
    return DemoResult(folder, fits, checks, boxes, files)


def _write(
    folder: Path,
    fits: dict[str, FitResult],
    checks: dict[str, CheckResult],
    boxes: dict[str, dict[str, BoxResult]],
) -> list[Path]:
    from tsfit.figures.box import box_figure
    from tsfit.figures.fit import fit_figure
    from tsfit.figures.save import save_figure
    from tsfit.files import to_json, write_new
    from tsfit.fit_file import fit_to_dict

    files = []
    for stem in fits:
        machine = {
            f"{stem}-fit.json": fit_to_dict(fits[stem]),
            f"{stem}-check.json": checks[stem].to_dict(),
            **{f"{stem}-{kind}.json": box.to_dict() for kind, box in boxes[stem].items()},
        }
        for name, content in machine.items():
            write_new(folder / name, to_json(content))
            files.append(folder / name)
        figures = {
            f"{stem}-fit.png": fit_figure(fits[stem]),
            **{f"{stem}-{kind}.png": box_figure(box) for kind, box in boxes[stem].items()},
        }
        for name, figure in figures.items():
            save_figure(folder / name, figure)
            files.append(folder / name)
    return files
