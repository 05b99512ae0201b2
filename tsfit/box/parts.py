"""What boxes have in common: losses, filling, port and radiator as built, how the drivers are wired, what drives them.

SI inside; how a file or an option tells each value stands in its annotation (`tsfit.box.told`).
"""

import math
from dataclasses import dataclass
from typing import Annotated, Literal

from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.box.ports import Port
from tsfit.box.told import CM, CM2, GRAM, LITRE, Inside, Told, within
from tsfit.circuit.load import PassiveRadiator, box_compliance
from tsfit.circuit.wiring import Arrangement
from tsfit.driver.air import Air
from tsfit.driver.formulas import Wiring, compliance, mechanical_resistance, resonance
from tsfit.driver.record import Driver

STANDARD_DRIVE = 2.83
USUAL_LEAK_Q = 7.0
"""Of leaks in a ported box of common make (Small, JAES 21(5), 1973: 5 to 20, typically 7; from memory)."""
AirLoad = Literal["free air", "baffle"]


@dataclass(frozen=True)
class StatedLosses:
    """Loss factors of a box or chamber (Small, JAES 21(5), 1973): of leaks and of absorption; infinite for none."""

    leak_q: Annotated[float, Told("leak_q", above=0.0)] = math.inf
    absorption_q: Annotated[float, Told("absorption_q", above=0.0)] = math.inf

    def factors(self, prefix: str = "", **more: float) -> dict[str, float]:
        """Return them and `more` by name, `prefix` before it, once each is sure to be 0.1 or more."""
        named = {prefix + name: q for name, q in {**vars(self), **more}.items()}
        return {name: within(q, 0.1, math.inf, name.replace("_q", " Q").replace("_", " "), "") for name, q in named.items()}


@dataclass(frozen=True)
class Filling:
    """What is in a box: times the net volume that the air acts as (1 to 1.4), and what is taken off the volume, m³."""

    factor: Annotated[float, Told("filling", least=1.0, most=1.4)] = 1.0
    displaced: Annotated[float, Told("displaced_l", LITRE, least=0.0)] = 0.0

    def acting(self, volume: float, name: str = "volume") -> float:
        """Volume (m³) that acts: what is left of `volume` (m³) beside what is in it, times what filling makes of it.
        Raises ``wrong_value``.
        """
        within(volume / LITRE, 1e-4, 1e5, name, "l")
        within(self.factor, 1.0, 1.4, f"filling of the {name}", "")
        within(self.displaced / LITRE, 0.0, 1e5, "displaced volume", "l")
        if self.displaced >= volume:
            raise TsfitError(
                f"{name}: {in_figures(self.displaced / LITRE, 4)} l of driver, port and braces leave nothing of "
                f"{in_figures(volume / LITRE, 4)} l; take a larger box.",
                code="wrong_value",
            )
        return (volume - self.displaced) * self.factor

    def around(self, acting: float) -> float:
        """Volume (m³) with all that is in it, of which so much acts."""
        return acting / self.factor + self.displaced


@dataclass(frozen=True, kw_only=True)
class Filled:
    """A box, or its closed chamber, with losses and filling."""

    losses: Annotated[StatedLosses, Inside()] = StatedLosses()
    filling: Annotated[Filling, Inside()] = Filling()


@dataclass(frozen=True)
class Opening:
    """How a chamber opens: its port where that is known, its length over all, m, and the inner depth along it, m.

    An `effective` length (m), which holds what moves along at both ends, goes before the package's end corrections.
    """

    port: Annotated[Port | None, Inside()] = None
    length: Annotated[float | None, Told("length_cm", CM, "port_length_cm", above=0.0)] = None
    depth: Annotated[float | None, Told("box_depth_cm", CM, above=0.0)] = None
    effective: Annotated[float | None, Told("effective_length_cm", CM, "port_effective_cm", above=0.0)] = None

    def tunes(self, tuning: float | None, acting: float, air: Air) -> float:
        """Return the `tuning` (Hz) that is wanted, or the one that the port's length gives with the `acting` volume (m³).
        Raises ``usage`` unless one of the two is told; ``wrong_value``.
        """
        if (tuning is None) == (self.length is None and self.effective is None):
            raise TsfitError("A vented box needs either a tuning or a port length; give one of the two.", code="usage")
        if tuning is None:
            if self.port is None:
                raise TsfitError("A port length tunes a box only with the port's section; give its diameter.", code="usage")
            mass = self.port.mass(self.length, air) if self.length is not None else 0.0
            if self.effective is not None:
                mass = air.density * within(self.effective / CM, 0.1, 1e4, "effective length", "cm") * CM / self.port.area
            tuning = float(resonance(mass, box_compliance(acting, air)))
        return within(tuning, 1.0, 5000.0, "tuning", "Hz")

    def reach(self, acting: float) -> float:
        """Longest port (m) that fits straight into the `acting` volume (m³): what the depth leaves with one diameter free
        behind it, else the edge of a cube. Raises ``wrong_value``.
        """
        if self.depth is None or self.port is None:
            return float(acting ** (1.0 / 3.0))
        return within(self.depth / CM, 1.0, 1e4, "box depth", "cm") * CM - self.port.across


@dataclass(frozen=True)
class Radiator:
    """Passive radiators, all equal: resonance or compliance is told. Mass is added to each, unless the tuning tells it."""

    mass: Annotated[float, Told("mass_g", GRAM, "radiator_mass_g", above=0.0)]  # moving mass of one
    area: Annotated[float, Told("area_cm2", CM2, "radiator_area_cm2", above=0.0)]  # effective, of one
    fs: Annotated[float | None, Told("fs_hz", 1.0, "radiator_fs_hz", above=0.0)] = None  # in free air, nothing added
    compliance: Annotated[float | None, Told("compliance_mm_n", 1e-3, "radiator_compliance_mm_n", above=0.0)] = None
    qms: Annotated[float, Told("qms", 1.0, "radiator_qms", above=0.0)] = math.inf  # mechanical Q at that resonance
    count: Annotated[int, Told("count", 1.0, "radiators", least=1, most=100)] = 1
    added_mass: Annotated[float | None, Told("added_mass_g", GRAM, least=0.0)] = None

    def spring(self) -> float:
        """Compliance (m/N) of one, once all is checked.
        Raises ``usage`` unless resonance or compliance is told; ``wrong_value``.
        """
        if (self.fs is None) == (self.compliance is None):
            raise TsfitError("A passive radiator needs its resonance or its compliance; give one of the two.", code="usage")
        within(1e3 * self.mass, 0.01, 1e5, "radiator mass", "g")
        within(1e4 * self.area, 0.1, 1e5, "radiator area", "cm2")
        within(self.count, 1, 100, "number of radiators", "")
        within(self.qms, 0.1, math.inf, "radiator Qms", "")
        if self.compliance is not None:
            return within(1e3 * self.compliance, 1e-5, 1e4, "radiator compliance", "mm/N") * 1e-3
        assert self.fs is not None
        return float(compliance(within(self.fs, 0.1, 5000.0, "radiator Fs", "Hz"), self.mass))

    def resistance(self) -> float:
        """Mechanical resistance (N·s/m) of one."""
        if math.isinf(self.qms):
            return 0.0
        return float(mechanical_resistance(resonance(self.mass, self.spring()), self.mass, self.qms))

    def together(self, mass: float) -> PassiveRadiator:
        """All of them, of that moving `mass` (kg) each: n times the mass, area and resistance, an nth of the compliance."""
        n = self.count
        return PassiveRadiator(n * mass, n * self.area, self.spring() / n, n * self.resistance())


@dataclass(frozen=True)
class DriverSet:
    """How many equal drivers share a box, how many of them in each series string, how their two coils are wired."""

    count: Annotated[int, Told("count", 1.0, "drivers", least=1, most=100)] = 1
    in_series: Annotated[int, Told("in_series", least=1, most=100)] = 1
    wiring: Annotated[Wiring | None, Told("wiring")] = None
    arrangement: Annotated[Arrangement, Told("arrangement")] = "side by side"


@dataclass(frozen=True)
class StatedDrive:
    """V RMS at the amplifier, or W into Re: 2.83 V where neither is told; and the resistance (Ω) of amplifier and leads."""

    voltage: Annotated[float | None, Told("voltage_v", 1.0, "drive_v", above=0.0)] = None
    power: Annotated[float | None, Told("power_w", above=0.0)] = None
    source_ohm: Annotated[float, Told("source_ohm", least=0.0)] = 0.0

    def volts(self, driver: Driver) -> float:
        """V RMS at the amplifier for `driver`, all drivers of the box as one.
        Raises ``usage`` for both voltage and power; ``wrong_value``.
        """
        if self.voltage is not None and self.power is not None:
            raise TsfitError("Both a drive voltage and a power are given; keep one of them.", code="usage")
        if self.power is not None:
            return math.sqrt(within(self.power, 1e-9, 1e6, "power", "W") * driver.Re)
        return STANDARD_DRIVE if self.voltage is None else within(self.voltage, 1e-6, 1e4, "drive", "V")

    @property
    def given(self) -> bool:
        """Whether a voltage or a power is told."""
        return self.voltage is not None or self.power is not None
