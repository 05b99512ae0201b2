"""A new bench folder: a ready rig with its drawing, and commented files to fill in."""

import shutil
from pathlib import Path

from tsfit.base.errors import TsfitError
from tsfit.base.files import packaged, write_new
from tsfit.formats.sheet import empty_sheet

RIGS = ("line-divider", "amplifier-divider", "amplifier-shunt", "balanced-divider", "simulated")

BENCH = """\
# One driver on the bench: what it is, and what was recorded in which state.
# Fill in what you know, record with the commands in NEXT.txt, then: tsfit fit bench.toml -o fit.json --plot fit.png

rig = "rig.toml"

[driver]
name = "My driver"
# serial = "0001"
effective_diameter_cm = 21.0              # cone to the middle of the surround on both sides; or sd_cm2
effective_diameter_uncertainty_cm = 0.1   # what your ruler and your eye are good for
# coils = 2                               # then state the wiring of each sweep: tsfit guide dual-coils
# dc_resistance_ohm = 5.6                 # an ohmmeter's reading, leads taken off: a witness

[[sweep]]
recording = "free-air.wav"
state = "free air"
# air_temperature_c = 21.0
# pressure_hpa = 1004                     # matters for Vas: from a weather station near you, not reduced to sea level
# coil_temperature_c = 21.0

[[sweep]]
recording = "added-mass-30g.wav"
state = "added mass"
mass_g = 30.0                             # about half of what the cone weighs: tsfit guide mass
mass_uncertainty_g = 0.05

# A closed box of known volume, for a better Vas: tsfit guide box-or-mass
# [[sweep]]
# recording = "closed-box-20l.wav"
# state = "closed box"
# volume_l = 20.0                         # net
# volume_uncertainty_l = 0.2
"""

BOX = """\
# A planned box: for tsfit box show box.toml fit.json, and for --box of tsfit check, compare and drift.

kind = "closed"                           # closed, vented, passive, baffle or bandpass
volume_l = 45.0                           # net: without driver, port and braces
# leak_q = 15                             # 5 to 20 for boxes as they are built
# With the kind vented also:
# tuning_hz = 28
# [port]
# diameter_cm = 10
# [drivers]
# rated_power_w = 250
# xmax_mm = 6.5                           # one way
# [amplifier]
# voltage_v = 40
"""

NEXT = """\
1. Wiring. Look at rig.svg in a browser, read the cautions
   in rig.toml, build it with everything off, and write the
   values of your parts and the name of your sound card into
   rig.toml. This prints the name:
     tsfit devices
2. Levels:
     tsfit rig check rig.toml
3. Calibration, by one known resistor, or by open, short and
   a resistor; then name the new file as rig in bench.toml
   and below:
     tsfit rig calibrate rig.toml --trim --known-ohm 10.0 \\
         -o rig-trimmed.toml
4. Sweeps:
     tsfit sweep rig.toml
     tsfit sweep rig.toml --state "added mass" --mass-g 30
5. Parameters:
     tsfit fit bench.toml -o fit.json --plot fit.png
6. Datasheet. Type it into sheet.toml, as printed:
     tsfit check fit.json sheet.toml
7. Box:
     tsfit box closed fit.json --qtc 0.707 -o box.json
8. To show it to others:
     tsfit report fit.json box.json

Advice on each choice:
     tsfit guide
"""


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
        "NEXT.txt": NEXT,
        "rig.toml": (source / f"{rig}.toml").read_text(encoding="utf-8").replace(f"{rig}.svg", "rig.svg"),
        "rig.svg": (source / f"{rig}.svg").read_text(encoding="utf-8"),
        "bench.toml": BENCH,
        "sheet.toml": empty_sheet(),
        "box.toml": BOX,
    }
    for name, text in contents.items():
        write_new(folder / name, text)
    if read_rig(folder / "rig.toml").simulated_driver is not None:
        shutil.copytree(source / "drivers", folder / "drivers")
    return [folder / name for name in contents]
