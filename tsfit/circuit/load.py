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

import numpy as np

from tsfit.base.arrays import Number
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
BOX_LOSS = 0.1
"""Usual 1/Q of leaks, and of absorption, in a closed test box (Q from 10 up). Common practice, no source."""


@dataclass(frozen=True)
class Losses:
    """Small's loss factors of a box or chamber, infinite where nothing is lost; the functions below say where."""

    leak_q: Number = math.inf  # Q_L = ω C_AB R_AL, of leaks
    absorption_q: Number = math.inf  # Q_A = 1/(ω C_AB R_AB), of what is inside
    port_q: Number = math.inf  # Q_P = ω M_AP/R_AP, of the port; nothing where there is none


LOSSLESS = Losses()


@dataclass(frozen=True)
class Load:
    """Acoustic load of one driver. Use the functions below rather than the bare constructor."""

    # Mass that moves with the cone beyond Mms, kg: a bench mass, or the change of air load.
    added_mass: Number = 0.0
    compliance: Number = math.inf  # C_AB, m³/Pa; infinite when there is no box
    # absorption, leak_conductance, port_resistance: R_AB (Pa·s/m³), G_AL (m³/(Pa·s)), R_AP (Pa·s/m³).
    absorption: Number = 0.0
    leak_conductance: Number = 0.0
    # port_mass, passive_compliance: M_AP (kg/m⁴) and C_AP (m³/Pa); infinite where absent.
    port_mass: Number = math.inf
    port_resistance: Number = 0.0
    passive_compliance: Number = math.inf
    front: Load | None = None  # chamber in front of the cone: the acoustic values of another load
    baffled: bool = True  # False when front and back radiate into the same air and cancel far away

    @property
    def boxed(self) -> bool:
        """Whether the air behind the cone is shut in."""
        return not _absent(self.compliance)

    @property
    def ported(self) -> bool:
        """Whether there is a port or passive radiator."""
        return not _absent(self.port_mass)

    @property
    def sprung(self) -> bool:
        """Whether that is a passive radiator."""
        return not _absent(self.passive_compliance)

    @property
    def outlet(self) -> Load:
        """The chamber with the port: that before the cone where there is one."""
        return self.front or self

    def parameters(self) -> dict[str, Number]:
        """Return the values that the circuit uses, by name."""
        names = ["added_mass", *self._network()]
        chamber = {} if self.front is None else {name: getattr(self.front, name) for name in self.front._network()}
        return {name: getattr(self, name) for name in names} | {f"front_{name}": value for name, value in chamber.items()}

    def _network(self) -> list[str]:
        if not self.boxed:
            return []
        port = ["port_mass", "port_resistance"] * self.ported + ["passive_compliance"] * self.sprung
        return ["compliance", "absorption", "leak_conductance", *port]

    def volume(self, air: Air) -> Number:
        """Volume (m³) that acts; see `box_compliance`."""
        return self.compliance * air.stiffness

    @property
    def tuning(self) -> Number:
        """Resonance (Hz) of the port with the air of the box, or of a passive radiator with that and its own compliance."""
        spring = 1.0 / (1.0 / self.compliance + 1.0 / self.passive_compliance) if self.sprung else self.compliance
        return resonance(self.port_mass, spring)

    def loss_factor(self, name: str, frequency_hz: Number) -> Number:
        """One of `Losses` at a frequency (Hz)."""
        reactance = 1.0 / (2.0 * math.pi * frequency_hz * self.compliance)
        if name == "leak_q":
            return 1.0 / (reactance * self.leak_conductance)
        return reactance / (self.absorption if name == "absorption_q" else self.port_resistance)

    def take(self, part: slice) -> Load:
        """Return the load with some of its parameter sets."""
        names = ("added_mass", *self._network())
        cut = {name: getattr(self, name)[part] for name in names if np.ndim(getattr(self, name))}
        return replace(self, **cut, front=self.front and self.front.take(part))


def _absent(value: Number) -> bool:
    return isinstance(value, float) and math.isinf(value)


def piston_radius(area: Number) -> Number:
    """Radius (m) of a round piston of effective area `area` (m²)."""
    return np.sqrt(np.asarray(area) / math.pi)


def air_load_change(area: Number, air: Air = REFERENCE_AIR) -> Number:
    """Mass (kg) that a cone gains from free air to an infinite baffle, area in m².

    Free disc, both sides together (8/3)ρa³; in a baffle (8/3)ρa³ per side, low ka (Lamb; Beranek).
    """
    return 8.0 / 3.0 * air.density * piston_radius(area) ** 3


def free_air() -> Load:
    """Return the bench state that defines Mms: front and back open, air load of a free disc included in Mms."""
    return Load(baffled=False)


def added_mass(mass: Number) -> Load:
    """Free air with `mass` (kg) fixed to the cone."""
    return Load(added_mass=mass, baffled=False)


def infinite_baffle(area: Number, air: Air = REFERENCE_AIR, air_load: Number = 1.0) -> Load:
    """Return the load of an infinite baffle; `air_load` scales the change of air load (0 leaves it out)."""
    return Load(added_mass=air_load * air_load_change(area, air))


def box_compliance(volume: Number, air: Air = REFERENCE_AIR) -> Number:
    """C_AB = V/(ρc²) in m³/Pa for a volume in m³. Filling is a larger volume, up to 1.4 times."""
    return np.asarray(volume) / air.stiffness


def closed_box(
    volume: Number,
    air: Air = REFERENCE_AIR,
    *,
    resonance: Number | None = None,
    losses: Losses = LOSSLESS,
    added_mass: Number = 0.0,
) -> Load:
    """Closed box of `volume` (m³); its leak Q and absorption Q hold at `resonance` (Hz), which they need.

    Raises TsfitError ``usage`` when a loss factor comes without `resonance`.
    """
    compliance = box_compliance(volume, air)
    if resonance is None:
        if not np.all(np.isinf(losses.leak_q)) or not np.all(np.isinf(losses.absorption_q)):
            raise TsfitError("closed box: a leak Q or absorption Q holds at the resonance; give it too.", code="usage")
        return Load(added_mass=added_mass, compliance=compliance)
    return _lossy(Load(added_mass=added_mass, compliance=compliance), resonance, losses)


def vented_box(
    volume: Number,
    tuning: Number,
    air: Air = REFERENCE_AIR,
    *,
    losses: Losses = LOSSLESS,
    added_mass: Number = 0.0,
) -> Load:
    """Vented box of `volume` (m³) tuned to `tuning` (Hz), where its loss factors hold."""
    compliance = box_compliance(volume, air)
    omega = 2.0 * math.pi * np.asarray(tuning)
    box = Load(
        added_mass=added_mass,
        compliance=compliance,
        port_mass=1.0 / (omega**2 * compliance),
        port_resistance=1.0 / (omega * compliance * np.asarray(losses.port_q)),
    )
    return _lossy(box, tuning, losses)


@dataclass(frozen=True)
class PassiveRadiator:
    """Moving mass (kg), area (m²), compliance (m/N) and resistance (N·s/m) of a cone without a motor, or of several."""

    mass: Number
    area: Number
    compliance: Number
    resistance: Number = 0.0


def passive_radiator_box(
    volume: Number,
    radiator: PassiveRadiator,
    air: Air = REFERENCE_AIR,
    *,
    losses: Losses = LOSSLESS,
    added_mass: Number = 0.0,
) -> Load:
    """Box of `volume` (m³) with a passive radiator, whose own loss is its resistance.

    Leak Q and absorption Q hold at the tuning: the radiator's mass against box air and its own compliance.
    """
    squared = np.asarray(radiator.area) ** 2
    box = Load(
        added_mass=added_mass,
        compliance=box_compliance(volume, air),
        port_mass=np.asarray(radiator.mass) / squared,
        port_resistance=np.asarray(radiator.resistance) / squared,
        passive_compliance=np.asarray(radiator.compliance) * squared,
    )
    return _lossy(box, box.tuning, losses)


def band_pass_box(rear: Load, front: Load) -> Load:
    """Closed box `rear` behind the cone, vented box `front` before it; only what leaves `front` is heard (and leaks)."""
    return replace(rear, front=front)


def _lossy(box: Load, frequency_hz: Number, losses: Losses) -> Load:
    """Give `box` leaks and absorption, whose factors hold at a frequency (Hz)."""
    return leaking(box, frequency_hz, 1.0 / np.asarray(losses.leak_q), 1.0 / np.asarray(losses.absorption_q))


def leaking(box: Load, frequency_hz: Number, leak: Number, absorption: Number) -> Load:
    """Give `box` leaks and absorption by 1/Q_L and 1/Q_A, which may be 0, at a frequency (Hz)."""
    susceptance = 2.0 * math.pi * np.asarray(frequency_hz) * box.compliance
    return replace(box, leak_conductance=susceptance * leak, absorption=absorption / susceptance)


def port_mass(length: Number, radius: Number, air: Air = REFERENCE_AIR, ends: float = FLANGED_END + FREE_END) -> Number:
    """Acoustic mass (kg/m⁴) of a round tube: M_AP = ρ(L + ends·a)/(πa²)."""
    return air.density * (length + ends * radius) / (math.pi * radius**2)


def port_length(mass: Number, radius: Number, air: Air = REFERENCE_AIR, ends: float = FLANGED_END + FREE_END) -> Number:
    """Length (m) of the round tube that has acoustic mass `mass`; negative when no tube is short enough."""
    return mass * math.pi * radius**2 / air.density - ends * radius
