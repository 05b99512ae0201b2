"""The numbers that describe a finished box."""

from __future__ import annotations

import numpy as np

from tsfit.base.arrays import Real
from tsfit.box.enclosure import Enclosure
from tsfit.box.numbers import resonance_with_losses
from tsfit.box.verify.unknowns import closed_resonance, sizes
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.formulas import mechanical_resistance, resonance

UNITS = (
    dict.fromkeys(("volume", "rear_volume", "front_volume"), "m³")
    | dict.fromkeys(("fc", "fb", "fL", "fH", "fp", "hole"), "Hz")
    | {"radiator_mass": "kg"}
)
"""SI units, of those that have one."""
BEYOND, COARSE, FINE = 10.0, 200, 1e-3
"""How far from the tuning a peak is looked for, at how many frequencies, and the step (relative) that then tells it."""


def numbers(box: Enclosure, losses: tuple[str, ...], filling: float) -> dict[str, float]:
    """Net volumes and resonances of a box, and its losses by name; where there are several, their sum at fb too."""
    part, fc = box.load.outlet, closed_resonance(box)
    found = sizes(box)
    found.pop("compliance_share", None)
    found[next(iter(found))] /= filling
    if part.sprung and box.port_area is not None:
        found["fp"] = float(resonance(part.port_mass, part.passive_compliance))
        found["radiator_mass"] = float(part.port_mass * box.port_area**2)
    if box.kind == "closed":
        if part.ported:
            found["hole"] = float(part.tuning)
        boxed = resonance_with_losses(box)
        if boxed is not None:
            found |= dict(zip(("fc", "qtc"), boxed, strict=True))
    else:
        found |= {"fL": _peak(box, found["fb"], 1.0 / BEYOND), "fH": _peak(box, found["fb"], BEYOND)}
    at = found.get("fb") or found.get("hole") or fc
    factors = {
        name: float(part.loss_factor(name, at)) for name in losses if name != "hole" and not name.startswith("rear_")
    }
    if box.kind != "closed" and len(factors) > 1:
        found["box_q"] = 1.0 / sum(1.0 / factor for factor in factors.values())
    if part.sprung and factors.pop("port_q", None) is not None:
        # A radiator's Q is stated at its own resonance.
        factors["radiator_q"] = float(mechanical_resistance(found["fp"], part.port_mass, part.port_resistance))
    rear = [name for name in losses if name.startswith("rear_")]
    return found | factors | {name: float(box.load.loss_factor(name.removeprefix("rear_"), fc)) for name in rear}


def _peak(box: Enclosure, fb: float, reach: float) -> float:
    """Frequency (Hz) of the peak of the motional impedance between fb and `reach` times that."""
    still = {**box.driver.values(), "Le": 0.0}

    def top(log: Real) -> float:
        """Logarithm of frequency where a parabola through the highest point and its neighbours has its top."""
        z = np.abs(impedance(np.exp(log), still, Circuit("simple", box.driver.suspension), box.load))
        at = min(max(int(np.argmax(z)), 1), len(log) - 2)
        before, here, after = z[at - 1 : at + 2]
        bend = before - 2.0 * here + after
        return float(log[at] + (log[1] - log[0]) * (0.5 * (before - after) / bend if bend < 0.0 else 0.0))

    near = top(np.log(np.geomspace(min(fb, reach * fb), max(fb, reach * fb), COARSE)))
    # Once more about what the first parabola tells, so that the result does not jump where another point is the highest.
    return float(np.exp(top(np.array([near - FINE, near, near + FINE]))))
