"""What the cone works against: nothing but air, an added mass, a baffle, a box.

A box is an acoustic network behind the cone (Small, JAES 20(10), 1972; 21(5-8), 1973; 22(8-9), 1974)::

    1/Zrear = 1/(R_AB + 1/(s C_AB)) + G_AL + 1/(R_AP + s M_AP [+ 1/(s C_AP) with a passive radiator])

with box compliance C_AB, absorption R_AB, leak conductance G_AL = 1/R_AL, port or passive-radiator mass M_AP, its loss R_AP
and compliance C_AP. A chamber in front of the cone is the same network once more, in series with the one behind it; the
cone then no longer radiates itself, what leaves that chamber does. SI acoustic units: m³/Pa, Pa·s/m³, kg/m⁴. Every value
may be an array of parameter sets ``(...)``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tsfit.base.errors import TsfitError
from tsfit.driver.air import REFERENCE_AIR, Air
from tsfit.driver.formulas import resonance

FLANGED_END = 8.0 / (3.0 * math.pi)
"""End correction of a flanged opening per radius, 0.8488 (low-frequency piston in a baffle)."""
FREE_END = 0.6133
"""End correction of a free opening per radius (Levine & Schwinger, 1948)."""

BOX_AIR_LOAD = (0.8, 0.4)
"""Gain of air load in a test box as a share of the baffle value: between a tube's end and a wall, barely known."""
BAFFLE_AIR_LOAD = (1.0, 0.15)
"""The same in a real, finite baffle."""


@dataclass(frozen=True)
class Load:
    """Acoustic load of one driver. Use the functions below rather than the bare constructor.

    Attributes
    ----------
    added_mass : float or array (...)
        Mass that moves with the cone beyond Mms, kg: a bench mass, or the change of air load.
    compliance : float or array (...) or None
        C_AB, m³/Pa; None when there is no box.
    absorption, leak_conductance, port_resistance : float or array (...)
        R_AB (Pa·s/m³), G_AL (m³/(Pa·s)), R_AP (Pa·s/m³).
    port_mass, passive_compliance : float or array (...) or None
        M_AP (kg/m⁴) and C_AP (m³/Pa); None where absent.
    front : Load or None
        Chamber in front of the cone: the acoustic values of another load.
    baffled : bool
        False when front and back radiate into the same air and cancel far away.
    """

    added_mass: Any = 0.0
    compliance: Any = None
    absorption: Any = 0.0
    leak_conductance: Any = 0.0
    port_mass: Any = None
    port_resistance: Any = 0.0
    passive_compliance: Any = None
    front: Load | None = None
    baffled: bool = True

    def parameters(self) -> dict[str, Any]:
        """Return the values that the circuit uses, by name."""
        names = ["added_mass", *self._network()]
        chamber = {} if self.front is None else {name: getattr(self.front, name) for name in self.front._network()}
        return {name: getattr(self, name) for name in names} | {f"front_{name}": value for name, value in chamber.items()}

    def _network(self) -> list[str]:
        names = []
        if self.compliance is not None:
            names += ["compliance", "absorption", "leak_conductance"]
            names += ["port_mass", "port_resistance"] if self.port_mass is not None else []
            names += ["passive_compliance"] if self.passive_compliance is not None else []
        return names

    def volume(self, air: Air) -> Any:
        """Volume (m³) that acts; see `box_compliance`."""
        return self.compliance * air.stiffness

    @property
    def tuning(self) -> Any:
        """Resonance (Hz) of the port with the air of the box, or of a passive radiator with that and its own compliance."""
        spring = self.compliance
        if self.passive_compliance is not None:
            spring = 1.0 / (1.0 / self.compliance + 1.0 / self.passive_compliance)
        return resonance(self.port_mass, spring)

    def loss_factor(self, name: str, frequency_hz: Any) -> Any:
        """``leak_q``, ``absorption_q`` or ``port_q`` at a frequency; see `vented_box`."""
        reactance = 1.0 / (2.0 * math.pi * frequency_hz * self.compliance)
        if name == "leak_q":
            return 1.0 / (reactance * self.leak_conductance)
        return reactance / (self.absorption if name == "absorption_q" else self.port_resistance)

    def take(self, part: slice) -> Load:
        """Return the load with some of its parameter sets."""
        names = ("added_mass", *self._network())
        cut = {name: getattr(self, name)[part] for name in names if np.ndim(getattr(self, name))}
        return replace(self, **cut, front=self.front and self.front.take(part))


def piston_radius(area: Any) -> Any:
    """Radius (m) of a round piston of effective area `area` (m²)."""
    return np.sqrt(np.asarray(area) / math.pi)


def air_load_change(area: Any, air: Air = REFERENCE_AIR) -> Any:
    """Mass (kg) that a cone gains from free air to an infinite baffle, area in m².

    Free disc, both sides together (8/3)ρa³; in a baffle (8/3)ρa³ per side, low ka (Lamb; Beranek).
    """
    return 8.0 / 3.0 * air.density * piston_radius(area) ** 3


def free_air() -> Load:
    """Return the bench state that defines Mms: front and back open, air load of a free disc included in Mms."""
    return Load(baffled=False)


def added_mass(mass: Any) -> Load:
    """Free air with `mass` (kg) fixed to the cone."""
    return Load(added_mass=mass, baffled=False)


def infinite_baffle(area: Any, air: Air = REFERENCE_AIR, air_load: Any = 1.0) -> Load:
    """Return the load of an infinite baffle; `air_load` scales the change of air load (0 leaves it out)."""
    return Load(added_mass=air_load * air_load_change(area, air))


def box_compliance(volume: Any, air: Air = REFERENCE_AIR) -> Any:
    """C_AB = V/(ρc²) in m³/Pa for a volume in m³. Filling is a larger volume, up to 1.4 times."""
    return np.asarray(volume) / air.stiffness


def _losses(compliance: Any, omega: Any, leak_q: Any, absorption_q: Any) -> dict[str, Any]:
    """Small's loss factors at ω: Q_L = ω C_AB R_AL, Q_A = 1/(ω C_AB R_AB)."""
    return {
        "leak_conductance": omega * compliance / np.asarray(leak_q),
        "absorption": 1.0 / (omega * compliance * np.asarray(absorption_q)),
    }


def closed_box(
    volume: Any,
    air: Air = REFERENCE_AIR,
    *,
    resonance: Any = None,
    leak_q: Any = math.inf,
    absorption_q: Any = math.inf,
    added_mass: Any = 0.0,
) -> Load:
    """Closed box of `volume` (m³); the loss factors hold at `resonance` (Hz), which they need.

    Raises
    ------
    TsfitError
        ``usage`` when a loss factor comes without `resonance`.
    """
    compliance = box_compliance(volume, air)
    if resonance is None:
        if not np.all(np.isinf(leak_q)) or not np.all(np.isinf(absorption_q)):
            raise TsfitError("closed box: a leak Q or absorption Q holds at the resonance; give it too.", code="usage")
        return Load(added_mass=added_mass, compliance=compliance)
    losses = _losses(compliance, 2 * math.pi * np.asarray(resonance), leak_q, absorption_q)
    return Load(added_mass=added_mass, compliance=compliance, **losses)


def vented_box(
    volume: Any,
    tuning: Any,
    air: Air = REFERENCE_AIR,
    *,
    leak_q: Any = math.inf,
    absorption_q: Any = math.inf,
    port_q: Any = math.inf,
    added_mass: Any = 0.0,
) -> Load:
    """Vented box of `volume` (m³) tuned to `tuning` (Hz), with Small's Q_L, Q_A and Q_P at the tuning."""
    compliance = box_compliance(volume, air)
    omega = 2 * math.pi * np.asarray(tuning)
    return Load(
        added_mass=added_mass,
        compliance=compliance,
        port_mass=1.0 / (omega**2 * compliance),
        port_resistance=1.0 / (omega * compliance * np.asarray(port_q)),
        **_losses(compliance, omega, leak_q, absorption_q),
    )


def passive_radiator_box(
    volume: Any,
    mass: Any,
    area: Any,
    passive_compliance: Any,
    air: Air = REFERENCE_AIR,
    *,
    resistance: Any = 0.0,
    leak_q: Any = math.inf,
    absorption_q: Any = math.inf,
    added_mass: Any = 0.0,
) -> Load:
    """Box with a passive radiator of moving `mass` (kg), `area` (m²), compliance (m/N) and `resistance` (N·s/m).

    The loss factors of the box hold at the tuning: the radiator's mass against box air and its own compliance.
    """
    compliance = box_compliance(volume, air)
    squared = np.asarray(area) ** 2
    acoustic_mass, acoustic_compliance = np.asarray(mass) / squared, np.asarray(passive_compliance) * squared
    box = Load(
        added_mass=added_mass,
        compliance=compliance,
        port_mass=acoustic_mass,
        port_resistance=np.asarray(resistance) / squared,
        passive_compliance=acoustic_compliance,
    )
    return replace(box, **_losses(compliance, 2.0 * math.pi * box.tuning, leak_q, absorption_q))


def band_pass_box(
    rear_volume: Any,
    front_volume: Any,
    tuning: Any,
    air: Air = REFERENCE_AIR,
    *,
    rear_resonance: Any = None,
    rear_leak_q: Any = math.inf,
    rear_absorption_q: Any = math.inf,
    leak_q: Any = math.inf,
    absorption_q: Any = math.inf,
    port_q: Any = math.inf,
    added_mass: Any = 0.0,
) -> Load:
    """Closed chamber behind the cone, vented chamber before it; only what leaves through the port (and leaks) is heard.

    The loss factors of the front chamber hold at its `tuning` (Hz), those of the rear one at `rear_resonance` (Hz).
    """
    rear = closed_box(
        rear_volume,
        air,
        resonance=rear_resonance,
        leak_q=rear_leak_q,
        absorption_q=rear_absorption_q,
        added_mass=added_mass,
    )
    return replace(
        rear, front=vented_box(front_volume, tuning, air, leak_q=leak_q, absorption_q=absorption_q, port_q=port_q)
    )


def port_mass(length: Any, radius: Any, air: Air = REFERENCE_AIR, ends: float = FLANGED_END + FREE_END) -> Any:
    """Acoustic mass (kg/m⁴) of a round tube: M_AP = ρ(L + ends·a)/(πa²)."""
    return air.density * (np.asarray(length) + ends * np.asarray(radius)) / (math.pi * np.asarray(radius) ** 2)


def port_length(mass: Any, radius: Any, air: Air = REFERENCE_AIR, ends: float = FLANGED_END + FREE_END) -> Any:
    """Length (m) of the round tube that has acoustic mass `mass`; negative when no tube is short enough."""
    return np.asarray(mass) * math.pi * np.asarray(radius) ** 2 / air.density - ends * np.asarray(radius)
