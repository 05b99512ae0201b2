"""A driver in free air as a SPICE subcircuit with the driver's impedance between its two pins.

Mechanics in the impedance analogue (newton is volt, metre per second is ampere): one loop of mass, suspension and the
force Bl·i, joined to the electrical side by current-controlled sources. Ladder coils and the ideal suspension are drawn
exactly. The others have no finite circuit: their impedance becomes a sum of RL sections (coil) or RC sections (suspension)
of fixed, log-spaced time constants, whose values non-negative least squares finds on the relative error of the impedance
(Lawson & Hanson, "Solving Least Squares Problems", 1974). Their largest error over the band stands in the netlist.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tsfit.base.arrays import Complex, Real
from tsfit.base.errors import TsfitError
from tsfit.circuit.coil import COIL_MODELS, laplace
from tsfit.circuit.response import Circuit, impedance
from tsfit.circuit.sprung import left_behind, parts_among, terms_of
from tsfit.circuit.suspension import SUSPENSION_MODELS
from tsfit.driver.record import Driver

BAND_HZ = (5.0, 20_000.0)
BEYOND = 30.0
"""Factor by which time constants reach beyond the band."""
PER_DECADE = 4
POINTS = 400
BLEED_OHM = 1e9
"""Direct-current path across the suspension, which the simulator's operating point needs; far above any impedance there."""
EXACT_COILS = ("simple", "ladder-2", "ladder-3")


def spice_subcircuit(driver: Driver) -> str:
    """Return the netlist text of one ``.subckt``, pins plus and minus, for any SPICE.

    Without a measured Mms the mechanical side is scaled to 1 kg, which the impedance cannot notice.

    Raises TsfitError ``incomplete_driver`` when the suspension model has a term that the sweeps could not tell.
    """
    missing = [p.name for p in SUSPENSION_MODELS[driver.suspension].extra if p.name not in driver.suspension_values]
    if missing:
        raise TsfitError(
            f"{driver.name}: {missing[0]} of the {driver.suspension} suspension is not known without a second state; sweep "
            "one, or fit with --suspension ideal.",
            code="incomplete_driver",
        )
    values = replace(driver, Mms=driver.Mms or 1.0, Sd=driver.Sd or 1.0).values()
    f = np.geomspace(*BAND_HZ, POINTS)
    s = laplace(f)
    z: Complex = np.asarray(impedance(f, values, Circuit(driver.coil, driver.suspension)), dtype=complex)
    ws = 2.0 * math.pi * driver.Fs
    suspension = SUSPENSION_MODELS[driver.suspension].evaluate(s, ws, values)[0]
    coil = COIL_MODELS[driver.coil].evaluate(s, values)[0]
    parts = [[values[name] for name in terms_of(label)] for label in parts_among(values)]
    masses = s * values["Mms"] + sum((z for name, z in left_behind(s, values).items() if name.startswith("mp")), 0.0)
    mechanical = masses + suspension
    coil_lines, drawn_coil = _coil(driver.coil, values, s, coil, z)
    weight = values["Bl"] ** 2 / mechanical**2 / np.abs(z)
    suspension_lines, drawn_suspension = _suspension(driver.suspension, values, s, suspension, weight)
    drawn = values["Re"] + drawn_coil + values["Bl"] ** 2 / (masses + drawn_suspension)
    name = _name(driver.name)
    lines = [
        f"* {_plain(driver.name)}: impedance in free air, coil {driver.coil}, suspension {driver.suspension}",
        f"* {_accuracy(driver, float(np.max(np.abs(drawn / z - 1.0))))}",
        *([] if driver.Mms else ["* Mms is not known: the mechanical side is scaled to 1 kg"]),
        f".subckt {name} plus minus",
        "Vcurrent plus lead 0",
        f"Re lead coil0 {values['Re']:.12g}",
        *coil_lines,
        f"Hemf emf minus Vvelocity {values['Bl']:.12g}",
        f"Hforce force 0 Vcurrent {values['Bl']:.12g}",
        "Vvelocity force cone 0",
        f"Lmass cone {'part0' if parts else 'sus0'} {values['Mms'] * (1.0 - sum(part[1] for part in parts)):.12g}",
        *_sprung(parts, values["Mms"]),
        *suspension_lines,
        f"Rbleed sus0 0 {BLEED_OHM:g}",
        f".ends {name}",
    ]
    return "\n".join(lines) + "\n"


def _sprung(parts: Sequence[Sequence[float]], mms: float) -> list[str]:
    """Lines from part0 to sus0: each part (resonance in Hz, mass over `mms`, Q) a mass beside its damper and spring."""
    lines = []
    for k, (hz, share, q) in enumerate(parts):
        here, there = f"part{k}", "sus0" if k + 1 == len(parts) else f"part{k + 1}"
        mass, w = share * mms, 2.0 * math.pi * hz
        lines += [
            f"Lpart{k} {here} {there} {mass:.12g}",
            f"Rpart{k} {here} spring{k} {mass * w / q:.12g}",
            f"Cpart{k} spring{k} {there} {1.0 / (mass * w**2):.12g}",
        ]
    return lines


def _accuracy(driver: Driver, error: float) -> str:
    band = f"{BAND_HZ[0]:g} Hz to {BAND_HZ[1] / 1e3:g} kHz"
    if driver.coil in EXACT_COILS and driver.suspension == "ideal":
        return f"the circuit of the fit itself, {band} and beyond"
    return f"sections stand in for the models; largest error of the impedance {100.0 * error:.2g} % from {band}, not beyond"


def _plain(text: str) -> str:
    """Text for a comment: one line of printable ASCII, so that a name cannot become a netlist line."""
    return re.sub(r"[^ -~]", "?", text)


def _name(text: str) -> str:
    """Name for a subcircuit: letters, digits and underscores, a letter first."""
    return "driver_" + (re.sub(r"[^A-Za-z0-9]+", "_", text).strip("_") or "unnamed")


def _rates() -> Real:
    """Corner frequencies of the sections, rad/s."""
    low, high = 2.0 * math.pi * BAND_HZ[0] / BEYOND, 2.0 * math.pi * BAND_HZ[1] * BEYOND
    return np.geomspace(low, high, round(PER_DECADE * math.log10(high / low)) + 1)


def _shares(columns: Complex, target: Complex, weight: Real | Complex) -> Real:
    """Non-negative shares (m,) of `columns` (n, m) that come closest to `target` (n,), weighted by `weight` (n,)."""
    from scipy.optimize import nnls

    rows, wanted = columns * weight[:, None], target * weight
    stacked = np.vstack([rows.real, rows.imag])
    scale = np.linalg.norm(stacked, axis=0)
    found, _ = nnls(stacked / scale, np.concatenate([wanted.real, wanted.imag]), maxiter=50 * len(scale))
    return np.asarray(found / scale)


def _chain(parts: list[tuple[str, ...]], first: str, last: str) -> list[str]:
    """Lines of sections in series from node `first`; each part holds elements in parallel, with {} for its two nodes."""
    stem = first[:-1]
    nodes = [first, *(f"{stem}{k}" for k in range(1, len(parts))), last]
    return [line.format(f"{a} {b}") for part, a, b in zip(parts, nodes, nodes[1:], strict=False) for line in part]


def _coil(kind: str, p: dict[str, float], s: Complex, target: Complex, z: Complex) -> tuple[list[str], Complex]:
    """Lines from coil0 to emf, and the impedance that they have."""
    if kind in EXACT_COILS:
        parts: list[tuple[str, ...]] = [(f"Le {{}} {p['Le']:.12g}",) if p["Le"] > 0.0 else ("Vle {} 0",)]
        parts += [(f"Lr{k} {{}} {p[f'L{k}']:.12g}", f"Rr{k} {{}} {p[f'R{k}']:.12g}") for k in (2, 3) if f"L{k}" in p]
        return _chain(parts, "coil0", "emf"), target
    rates = _rates()
    columns = np.column_stack([np.ones_like(s), s, s[:, None] / (s[:, None] + rates)])
    shares = _shares(columns, target, 1.0 / np.abs(z))
    parts = [("Vcoil {} 0",)]
    parts += [(f"Rcoil {{}} {shares[0]:.12g}",)] if shares[0] > 0.0 else []
    parts += [(f"Lcoil {{}} {shares[1]:.12g}",)] if shares[1] > 0.0 else []
    told = enumerate(zip(shares[2:], rates, strict=True))
    parts += [(f"Rc{k} {{}} {r:.12g}", f"Lc{k} {{}} {r / rate:.12g}") for k, (r, rate) in told if r > 0.0]
    return _chain(parts, "coil0", "emf"), np.asarray(columns @ shares)


def _suspension(kind: str, p: dict[str, float], s: Complex, target: Complex, weight: Complex) -> tuple[list[str], Complex]:
    """Lines from sus0 to ground, and the impedance that they have."""
    if kind == "ideal":
        parts: list[tuple[str, ...]] = [(f"Rms {{}} {p['Rms']:.12g}",), (f"Cms {{}} {p['Cms']:.12g}",)]
        return _chain(parts, "sus0", "0"), target
    rates = _rates()
    columns = np.column_stack([np.ones_like(s), 1.0 / s, 1.0 / (1.0 + s[:, None] / rates)])
    shares = _shares(columns, target, weight)
    parts = [(f"Rms {{}} {shares[0]:.12g}",)] if shares[0] > 0.0 else []
    parts += [(f"Cms {{}} {1.0 / shares[1]:.12g}",)] if shares[1] > 0.0 else []
    told = enumerate(zip(shares[2:], rates, strict=True))
    parts += [(f"Rs{k} {{}} {r:.12g}", f"Cs{k} {{}} {1.0 / (r * rate):.12g}") for k, (r, rate) in told if r > 0.0]
    return _chain(parts, "sus0", "0"), np.asarray(columns @ shares)
