"""A new bench folder: a ready rig with its drawing, and commented files to fill in."""

import math
import shutil
from pathlib import Path

from tsfit.base.errors import TsfitError
from tsfit.base.files import packaged, write_new
from tsfit.bench.file import TEMPLATE
from tsfit.formats.sheet import empty_sheet

RIGS = (
    "line-divider", "amplifier-divider", "amplifier-shunt", "balanced-divider", "power-shunt", "simulated",
    "simulated-power",
)  # fmt: skip

AT_POWER = ("power-shunt", "simulated-power")
SIMULATED = ("simulated", "simulated-power")

SIMULATED_POWER = """\
   stay beside it. Here it is reckoned in five minutes or so,
   into 0.6 GB; below 20 minutes no continuous power follows,
   and step 6 leaves the printed power open:
"""


SHEET = " \\\n         --sheet sheet.toml"


def next_steps(rig: str) -> str:
    """Return the text of NEXT.txt in a folder with that ready rig."""
    simulated = rig in SIMULATED
    steps = template("rig-simulated.txt" if simulated else "rig.txt")
    if rig not in AT_POWER:
        # A simulated driver has no printed sheet.
        sheet = "; the\n   simulated driver has none, so leave this out" if simulated else ""
        rated, option = ("", "") if simulated else (", with the sheet for how loud", SHEET)
        known = ", of\n   10.0 ohm here" if simulated else ", with\n   its measured value for the 10.0"
        return template("NEXT.txt").format(rig=steps, known=known, sheet=sheet, rated=rated, option=option)
    steps += template("rig-simulated-power.txt" if simulated else "rig-power.txt")
    # The simulated driver comes to harm nowhere, and reaches its limits of travel by these.
    limits = "--limit-travel-mm 12 --limit-v 60" if simulated else "--limit-travel-mm 10 --limit-v 40"
    # The shortest run that tells continuous power is long enough where it is only reckoned.
    minutes = " \\\n         --minutes 20" if simulated else ""
    power = SIMULATED_POWER if simulated else "   stay beside it:\n"
    return template("NEXT-power.txt").format(rig=steps, limits=limits, power=power, minutes=minutes)


def template(name: str) -> str:
    """Return the text of a file that a new folder has."""
    return (Path(__file__).with_name("new") / name).read_text(encoding="utf-8")


def start_folder(folder: Path, rig: str = "line-divider") -> list[Path]:
    """Make `folder` with a copy of the ready `rig` and files to fill in; return them in the order of their use.

    Raises TsfitError ``exists`` when the folder is there and not empty; ``cannot_write``.
    """
    from tsfit.capture.rig import read_rig

    source = packaged("rigs", "README.md")
    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise TsfitError(f"{folder}: already there and not empty; name a new folder.", code="exists", file=folder)
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        message = f"{folder}: cannot be made ({error.strerror}); name a place that you may write to."
        raise TsfitError(message, code="cannot_write", file=folder) from error
    own = (source / f"{rig}.toml").read_text(encoding="utf-8")
    contents = {
        "NEXT.txt": f"Everything here is done in this folder.\n\n{next_steps(rig)}",
        "rig.toml": own.replace(f"{rig}.svg", "rig.svg").replace("README.md", "rigs.md"),
        "rig.svg": (source / f"{rig}.svg").read_text(encoding="utf-8"),
        "rigs.md": (source / "README.md").read_text(encoding="utf-8"),
        "bench.toml": template("bench.toml"),
        "sheet.toml": empty_sheet(),
        "box.toml": template("box.toml"),
    }
    for name, text in contents.items():
        write_new(folder / name, text)
    simulated = read_rig(folder / "rig.toml").simulated_driver
    if simulated is not None:
        shutil.copytree(source / "drivers", folder / "drivers")
        _described(folder / "bench.toml", simulated)
    return [folder / name for name in (*contents, *["drivers"] * (simulated is not None))]


def _described(bench: Path, driver_file: Path) -> None:
    """Put name and diameter of a simulated driver into a new bench file."""
    from tsfit.formats.driver import read_driver

    driver = read_driver(driver_file)
    name, diameter_cm = TEMPLATE
    text = bench.read_text(encoding="utf-8").replace(f'name = "{name}"', f'name = "{driver.name}"')
    if driver.Sd is not None:
        own = f"effective_diameter_cm = {200.0 * math.sqrt(driver.Sd / math.pi):.2f}"
        text = text.replace(f"effective_diameter_cm = {diameter_cm:.1f} ", own)
    write_new(bench, text, replace=True)
