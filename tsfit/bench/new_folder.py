"""A new bench folder: a ready rig with its drawing, and commented files to fill in."""

import shutil
from pathlib import Path

from tsfit.base.errors import TsfitError
from tsfit.base.files import packaged, write_new
from tsfit.formats.sheet import empty_sheet

RIGS = (
    "line-divider", "amplifier-divider", "amplifier-shunt", "balanced-divider", "power-shunt", "simulated",
    "simulated-power",
)  # fmt: skip

AT_POWER = ("power-shunt", "simulated-power")


def next_steps(rig: str) -> str:
    """Return the text of NEXT.txt in a folder with that ready rig."""
    return template("NEXT-power.txt" if rig in AT_POWER else "NEXT.txt")


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
    contents = {
        "NEXT.txt": next_steps(rig),
        "rig.toml": (source / f"{rig}.toml").read_text(encoding="utf-8").replace(f"{rig}.svg", "rig.svg"),
        "rig.svg": (source / f"{rig}.svg").read_text(encoding="utf-8"),
        "bench.toml": template("bench.toml"),
        "sheet.toml": empty_sheet(),
        "box.toml": template("box.toml"),
    }
    for name, text in contents.items():
        write_new(folder / name, text)
    if read_rig(folder / "rig.toml").simulated_driver is not None:
        shutil.copytree(source / "drivers", folder / "drivers")
    return [folder / name for name in contents]
