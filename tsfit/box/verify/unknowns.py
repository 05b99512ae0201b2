"""What is unknown of a finished box and of the drivers in it, and the box that values of it make.

The driver is known from its fit, as far as that knows it: the logarithms of its parameters are variables with the
covariance of the fit as prior, beside the sizes and losses of the box, which are free. What the box adds to the air that
moves with the cone is a variable too, as in the fit of a test box. Sizes are volumes and the tuning; of a passive radiator
its compliance too, as a share of that of the box, which sets its own resonance: fp = fb/√(1 + C_AP/C_AB).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tsfit.box.enclosure import Enclosure, Kind
from tsfit.box.numbers import resonance_with_losses
from tsfit.circuit import load
from tsfit.circuit.load import BOX_AIR_LOAD
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.fit_result import FitResult
from tsfit.driver.formulas import closed_box_ratio, mechanical_resistance, resonance
from tsfit.driver.record import Driver

Array = NDArray[np.float64]
BASIC = ("Re", "Fs", "Qms", "Qes", "Mms", "Sd")
WITHOUT_FIT = {"Re": 0.03, "Fs": 0.08, "Qms": 0.2, "Qes": 0.1, "Mms": 0.05, "Sd": 0.03}
"""Relative standard uncertainties of a driver that comes without a fit; coil terms have `COIL_WITHOUT_FIT`. Common
practice, no source."""
COIL_WITHOUT_FIT = 0.3
RE_LATER = 0.01
"""How far Re of another day, through other leads, differs (2.5 K of copper). Common practice, no source."""
TYPICAL_Q, Q_SPREAD = 15.0, 1.5
"""Prior of a loss factor: its typical value, and the standard deviation of its logarithm. Wide; it only keeps a loss that
the curve does not show from running away."""
SIZE_SPREAD = 0.7
"""Standard deviation of the logarithm of a size about the plan. Wide."""
LOSSES: dict[Kind, tuple[tuple[str, ...], ...]] = {
    "closed": (("absorption_q",), ("leak_q",), ("absorption_q", "leak_q"), ("hole", "port_q")),
    "vented": (("leak_q",), ("leak_q", "absorption_q"), ("leak_q", "port_q")),
    "passive": (("leak_q", "port_q"), ("leak_q", "port_q", "absorption_q")),
    "bandpass": (
        ("leak_q", "rear_absorption_q"),
        ("leak_q", "rear_absorption_q", "port_q"),
        ("leak_q", "rear_absorption_q", "absorption_q"),
        ("leak_q", "rear_leak_q"),
    ),
}
"""Losses that are tried, the plainest first. A hole is an opening with air in it that resonates with the box."""
FACTORS = ("leak_q", "absorption_q", "port_q")


class Unknowns:
    """Box and drivers as functions of the variables ``theta``: unit normals of driver and curve, logarithms of the box.

    `latent` is how many of the former there are, `sizes` holds the sizes of the plan by name, `directions` what else may be
    wrong with the curve, in ohm per unit.
    """

    def __init__(self, planned: Enclosure, one: Driver, fit: FitResult | None, directions: list[Any]) -> None:
        self.planned, self.directions = planned, directions
        self.names, self.root = _prior(one, fit)
        # The last one is what the box adds to the air that moves with the cone.
        self.latent = len(self.names) + len(directions) + 1
        cones = planned.driver.values()["Sd"] / one.values()["Sd"]
        self.air = cones * float(load.air_load_change(one.values()["Sd"], planned.driver.air))
        self.sizes = sizes(planned)

    def start(self, losses: tuple[str, ...]) -> Array:
        """Return the centre of the prior, the box as planned."""
        centres = [math.log(TYPICAL_Q if name != "hole" else 0.3 * self.planned.driver.Fs) for name in losses]
        return np.array([*[0.0] * self.latent, *[math.log(size) for size in self.sizes.values()], *centres])

    def widths(self, losses: tuple[str, ...]) -> Array:
        """Return the standard deviations of the prior."""
        return np.array([*[1.0] * self.latent, *[SIZE_SPREAD] * len(self.sizes), *[Q_SPREAD] * len(losses)])

    def enclosure(self, theta: Array, losses: tuple[str, ...]) -> Enclosure:
        """Build the box with what `theta` says of it and of the drivers."""
        shifts = dict(zip(self.names, np.exp(self.root @ theta[: len(self.names)]), strict=True))
        driver = self.planned.driver

        def shifted(name: str, value: float) -> float:
            return value * float(shifts.get(name, 1.0))

        basic: dict[str, Any] = {name: shifted(name, getattr(driver, name)) for name in BASIC}
        driver = replace(
            driver,
            **basic,
            coil_values={name: shifted(name, value) for name, value in driver.coil_values.items()},
            suspension_values={name: shifted(name, value) for name, value in driver.suspension_values.items()},
        )
        logs = theta[self.latent :]
        built = dict(zip(self.sizes, np.exp(logs[: len(self.sizes)]), strict=True))
        factors = dict(zip(losses, np.exp(logs[len(self.sizes) :]), strict=True))
        mass = self.air * max(BOX_AIR_LOAD[0] + BOX_AIR_LOAD[1] * float(theta[self.latent - 1]), 0.0)
        return replace(self.planned, driver=driver, load=_load(self.planned.kind, driver, mass, built, factors))

    def impedance(self, frequency_hz: Array, theta: Array, losses: tuple[str, ...]) -> Any:
        """Impedance at the terminals, as it would have been measured."""
        z = impedance_of(self.enclosure(theta, losses), frequency_hz)
        for place, direction in enumerate(self.directions, len(self.names)):
            z = z + theta[place] * direction
        return z


def _prior(driver: Driver, fit: FitResult | None) -> tuple[list[str], Array]:
    """Names of the driver's uncertain parameters, and a root of their logarithms' covariance."""
    terms = {**driver.coil_values, **driver.suspension_values}
    values = {name: value for name in (*BASIC, *terms) if (value := terms.get(name, getattr(driver, name, None)))}
    if fit is None:
        names = list(values)
        spread = np.array([WITHOUT_FIT.get(name, COIL_WITHOUT_FIT) for name in names])
        correlation = np.eye(len(names))
    else:
        names = [name for name in values if name in fit.parameters and fit.parameters[name].value > 0.0]
        spread = np.array([fit.parameters[name].stdev / fit.parameters[name].value for name in names])
        known = {name: fit.correlation_names.index(name) for name in names if name in fit.correlation_names}
        correlation = np.eye(len(names))
        for row, first in enumerate(names):
            for column, second in enumerate(names):
                if first in known and second in known:
                    correlation[row, column] = fit.correlation[known[first], known[second]]
    covariance = correlation * np.outer(spread, spread)
    if "Re" in names:
        covariance[names.index("Re"), names.index("Re")] += RE_LATER**2
    powers, axes = np.linalg.eigh(covariance)
    return names, axes * np.sqrt(np.maximum(powers, 0.0))


def impedance_of(box: Enclosure, frequency_hz: Array) -> Any:
    """Impedance of a box without its source resistance."""
    return impedance(frequency_hz, box.driver.values(), Circuit(box.driver.coil, box.driver.suspension), box.load)


def _load(kind: Kind, driver: Driver, mass: float, built: Mapping[str, float], factors: Mapping[str, float]) -> load.Load:
    """Load of a box of `built` sizes; losses hold at the tuning, in a closed box or chamber at fc."""
    air = driver.air
    if kind == "bandpass":
        volume = built["rear_volume"]
        own = {name.removeprefix("rear_"): q for name, q in factors.items() if name.startswith("rear_")}
        rear = load.closed_box(volume, air, resonance=_fc(driver, volume), losses=load.Losses(**own), added_mass=mass)
        losses = load.Losses(**{name: q for name, q in factors.items() if not name.startswith("rear_")})
        return load.band_pass_box(rear, load.vented_box(built["front_volume"], built["fb"], air, losses=losses))
    losses = load.Losses(**{name: q for name, q in factors.items() if name != "hole"})
    volume, tuning = built["volume"], built["fb"] if kind != "closed" else factors.get("hole")
    if tuning is None:
        return load.closed_box(volume, air, resonance=_fc(driver, volume), losses=losses, added_mass=mass)
    box = load.vented_box(volume, tuning, air, losses=losses, added_mass=mass)
    if kind != "passive":
        return box
    share = built["compliance_share"]
    return replace(box, port_mass=box.port_mass * (1.0 + 1.0 / share), passive_compliance=share * box.compliance)


def _fc(driver: Driver, acting: float) -> float:
    return driver.Fs * float(closed_box_ratio(driver.Vas, acting))


def sizes(box: Enclosure) -> dict[str, float]:
    """Volumes that act (m³), tuning (Hz) and share of compliance of a box, those that its kind has."""
    air, part = box.driver.air, box.load
    volume = float(part.volume(air))
    if box.kind == "closed":
        return {"volume": volume}
    if box.kind == "bandpass":
        return {
            "rear_volume": volume,
            "front_volume": float(part.outlet.volume(air)),
            "fb": float(part.outlet.tuning),
        }
    share = {} if box.kind == "vented" else {"compliance_share": float(part.passive_compliance / part.compliance)}
    return {"volume": volume, "fb": float(part.tuning), **share}


def numbers(box: Enclosure, losses: tuple[str, ...], filling: float) -> dict[str, float]:
    """Net volumes and resonances of a box, and its losses by name; where there are several, their sum at fb too."""
    part = box.load.outlet
    found = sizes(box)
    passive = found.pop("compliance_share", None) is not None
    found[next(iter(found))] /= filling
    fc = _fc(box.driver, float(box.load.volume(box.driver.air)))
    if passive:
        found["fp"] = float(resonance(part.port_mass, part.passive_compliance))
        found["radiator_mass"] = float(part.port_mass * box.port_area**2)
    if box.kind == "closed":
        if part.ported:
            found["hole"] = float(part.tuning)
        boxed = resonance_with_losses(box)
        if boxed is not None:
            found |= dict(zip(("fc", "qtc"), boxed, strict=True))
    else:
        found |= dict(zip(("fL", "fH"), _peaks(box, found["fb"]), strict=True))
    at = found.get("fb") or found.get("hole") or fc
    factors = {name: float(part.loss_factor(name, at)) for name in losses if name in FACTORS}
    if box.kind != "closed" and len(factors) > 1:
        found["box_q"] = 1.0 / sum(1.0 / factor for factor in factors.values())
    if passive and factors.pop("port_q", None) is not None:
        # A radiator's Q is stated at its own resonance.
        factors["radiator_q"] = float(mechanical_resistance(found["fp"], part.port_mass, part.port_resistance))
    rear = [name for name in losses if name.startswith("rear_")]
    return found | factors | {name: float(box.load.loss_factor(name.removeprefix("rear_"), fc)) for name in rear}


def _peaks(box: Enclosure, fb: float) -> tuple[float, float]:
    """Frequencies of the two peaks of the motional impedance, below and above the tuning."""
    still = {**box.driver.values(), "Le": 0.0}
    found = []
    for low, high in ((0.1 * fb, fb), (fb, 10.0 * fb)):
        f = np.geomspace(low, high, 600)
        size = np.abs(impedance(f, still, Circuit("simple", box.driver.suspension), box.load))
        at = min(max(int(np.argmax(size)), 1), len(f) - 2)
        a, b, c = size[at - 1 : at + 2]
        bend = a - 2.0 * b + c
        found.append(float(f[at] * (f[1] / f[0]) ** (0.5 * (a - c) / bend if bend else 0.0)))
    return found[0], found[1]
