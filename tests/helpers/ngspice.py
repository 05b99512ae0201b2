"""A driver in its box as a netlist for ngspice, written from the equations of motion and independent of tsfit's formulas.

Three sections in the impedance analogue, joined by controlled sources:

- electrical: volt and ampere. Source, Re, coil ladder, and the back-EMF Bl·v.
- mechanical: newton is volt, metre per second is ampere. One loop: mass is an inductor, compliance a capacitor. It is
  driven by Bl·i and by the box pressure on the cone, Sd·p.
- acoustic: pascal is volt, cubic metre per second is ampere. The cone moving out draws Sd·v from the box node; box air,
  leak and port (or passive radiator) stand between that node and ground, which is the room.

To see or rerun a netlist by hand: ``print(netlist(...))``, then ``ngspice -b`` on it; it writes answer.txt.
Loss factors are Small's (JAES 20(10), 1972; 21(5), 1973), all at the box's resonance or tuning.
"""

import math
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

# ngspice finds an operating point first and needs a DC path to every node. These resistors are ten million times and
# more what they bridge, at any frequency in use.
MECHANICAL_BLEED, ACOUSTIC_BLEED = 1e9, 1e14


@dataclass(frozen=True)
class Box:
    """What stands behind the cone; SI units. Without a volume: free air or a baffle."""

    added_mass: float = 0.0
    volume: float | None = None
    reference_hz: float = math.nan
    leak_q: float = math.inf
    absorption_q: float = math.inf
    tuning_hz: float | None = None
    port_q: float = math.inf
    passive_mass: float | None = None
    passive_area: float = math.nan
    passive_compliance: float = math.nan
    passive_resistance: float = 0.0
    front: "Box | None" = None


def _acoustic(box: Box, density: float, sound_speed: float) -> list[str]:
    """Elements of a chamber without the cone. Node `box` is the pressure in it, currents to ground leave it."""
    compliance = box.volume / (density * sound_speed**2)
    reactance = 1.0 / (2.0 * math.pi * box.reference_hz * compliance)
    lines = [f"Cab box boxair {compliance:.15g}", f"Rbleed2 box boxair {ACOUSTIC_BLEED:g}"]
    lines += [f"Rab boxair 0 {reactance / box.absorption_q:.15g}" if math.isfinite(box.absorption_q) else "Vab boxair 0 0"]
    if math.isfinite(box.leak_q):
        lines += ["Vleak box leak 0", f"Ral leak 0 {reactance * box.leak_q:.15g}"]
    if box.passive_mass is not None:
        lines += [
            "Vport box port 0",
            f"Lap port port2 {box.passive_mass / box.passive_area**2:.15g}",
            f"Rap port2 port3 {box.passive_resistance / box.passive_area**2:.15g}",
            f"Cap port3 0 {box.passive_compliance * box.passive_area**2:.15g}",
            f"Rbleed3 port3 0 {ACOUSTIC_BLEED:g}",
        ]
    elif box.tuning_hz is not None:
        omega = 2.0 * math.pi * box.tuning_hz
        lines += ["Vport box port 0", f"Lap port port2 {1.0 / (omega**2 * compliance):.15g}"]
        lines += [
            f"Rap port2 0 {1.0 / (omega * compliance * box.port_q):.15g}" if math.isfinite(box.port_q) else "Vap port2 0 0"
        ]
    return lines


def netlist(
    driver: dict[str, float],
    box: Box,
    density: float,
    sound_speed: float,
    sweep: str,
    *,
    volt: float = 1.0,
    source_ohm: float = 0.0,
) -> str:
    """Return the netlist text.

    `driver` holds Re, Bl, Mms, Cms, Rms, Sd and the coil: Le and any of the pairs L2, R2 and L3, R3.
    `sweep` is what follows ``ac``, such as ``"dec 50 5 1000"``.
    """
    lines = ["driver and box", f"Vsource amplifier 0 dc 0 ac {volt:.15g}", "Vcurrent amplifier lead 0"]
    lines += [f"Rg lead terminal {source_ohm:.15g}" if source_ohm else "Vg lead terminal 0"]
    lines += [f"Re terminal coil {driver['Re']:.15g}"]
    rungs = [k for k in (2, 3) if f"L{k}" in driver]
    nodes = ["coil", "inner", *(f"rung{k}" for k in rungs[1:]), "emf"] if rungs else ["coil", "emf"]
    lines += [f"Le coil {nodes[1]} {driver['Le']:.15g}" if driver["Le"] else f"Vle coil {nodes[1]} 0"]
    for k, start, end in zip(rungs, nodes[1:], nodes[2:], strict=False):
        lines += [f"Lrung{k} {start} {end} {driver[f'L{k}']:.15g}", f"Rrung{k} {start} {end} {driver[f'R{k}']:.15g}"]
    lines += [
        f"Hemf emf 0 Vvelocity {driver['Bl']:.15g}",
        f"Hforce force 0 Vcurrent {driver['Bl']:.15g}",
        "Vvelocity force cone 0",
        f"Lmass cone cone2 {driver['Mms'] + box.added_mass:.15g}",
        f"Rms cone2 cone3 {driver['Rms']:.15g}",
        f"Cms cone3 cone4 {driver['Cms']:.15g}",
        f"Rbleed1 cone3 cone4 {MECHANICAL_BLEED:g}",
    ]
    sd = f"{driver['Sd']:.15g}"
    vectors = ["v(terminal)", "i(vcurrent)", "i(vvelocity)"]
    if box.volume is None:
        lines += ["Vback back 0 0"]
    else:
        # The box pushes the cone outward: it drives the loop like the coil's force, hence the turned terminals.
        lines += [f"Epressure 0 back box 0 {sd}", f"Fcone box 0 Vvelocity {sd}"]
        lines += _acoustic(box, density, sound_speed)
        vectors += ["v(box)"]
        vectors += ["i(vport)"] if box.tuning_hz is not None or box.passive_mass is not None else []
        vectors += ["i(vleak)"] if math.isfinite(box.leak_q) else []
    if box.front is None:
        lines += ["Vfront cone4 back 0"]
    else:
        # The cone moving out pushes Sd·v into the front chamber, whose pressure holds it back.
        lines += [f"Efront cone4 back frontbox 0 {sd}", f"Fpush 0 frontbox Vvelocity {sd}"]
        for line in _acoustic(box.front, density, sound_speed):
            name, start, end, value = line.split()
            nodes = [node if node == "0" else f"front{node}" for node in (start, end)]
            lines += [f"{name}front {' '.join(nodes)} {value}"]
        vectors += ["v(frontbox)", "i(vportfront)"] + ["i(vleakfront)"] * math.isfinite(box.front.leak_q)
    lines += [
        ".control",
        "set numdgt=12",
        "set wr_singlescale",
        "set wr_vecnames",
        f"ac {sweep}",
        f"wrdata answer.txt {' '.join(vectors)}",
    ]
    lines += ["quit", ".endc", ".end", ""]
    return "\n".join(lines)


def need() -> str:
    """Return the path of ngspice, or skip the test."""
    program = shutil.which("ngspice")
    if program is None:
        pytest.skip("ngspice is not installed")
    return program


def table_of(text: str, folder: Path) -> tuple[list[str], np.ndarray]:
    """Run a netlist in `folder`; return heads and rows of the answer.txt that it writes."""
    program = need()
    (folder / "netlist.cir").write_text(text, encoding="ascii")
    done = subprocess.run([program, "-b", "netlist.cir"], cwd=folder, capture_output=True, text=True, check=False)
    answer = folder / "answer.txt"
    assert answer.exists(), done.stdout + done.stderr
    names, *_ = answer.read_text(encoding="ascii").splitlines()
    return names.split(), np.loadtxt(answer, skiprows=1, ndmin=2)


def run(text: str, folder: Path) -> dict[str, np.ndarray]:
    """Run a netlist in `folder`; return ``frequency`` (Hz) and the complex vectors by their names in the netlist."""
    names, table = table_of(text, folder)
    out = {"frequency": table[:, 0]}
    for position, name in enumerate(dict.fromkeys(names[1:])):
        out[name] = table[:, 1 + 2 * position] + 1j * table[:, 2 + 2 * position]
    return out
