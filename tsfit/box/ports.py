"""Ports: their acoustic mass, the length that gives a tuning, their own resonance, the air speed they stand.

The mass of a port is that of the air in it and of what moves along at its two ends (SI, kg/m⁴ for all ports together)::

    M = ρ/n · [ ∫dx/S(x) + (δ₁ + δ₂)/S_mouth ]

End corrections δ: 0.8488 a for an end flush with a panel (piston in a baffle, low frequency), 0.6133 a for one that stands
free (Levine & Schwinger, 1948). The flush end of a w × h slot is the rectangular piston's own, in closed form; its free end
is taken smaller by the same factor as a round one's. A slot that lies on a wall sees its mirror image there, at the inner
end, and counts as w × 2h. A rounding of radius r_f widens a round port from radius a to a + r_f in a quarter circle; the
integral is taken over it in one dimension.
"""

import math
from dataclasses import dataclass, replace
from typing import Annotated, Literal

import numpy as np

from tsfit.base.arrays import Number
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.box.told import CM, MM, Told, within
from tsfit.circuit.load import FLANGED_END, FREE_END
from tsfit.driver.air import Air

Ends = Literal["one flush", "both flush", "both free"]
ENDS: tuple[Ends, ...] = ("one flush", "both flush", "both free")
SPEED_AT_EDGE, SPEED_AT_MOST = 0.05, 0.10
"""Port speeds per speed of sound: at the edge of the mouth, and anywhere (common practice, no source)."""


PORT_WALL = 0.003
"""Thickness (m) of a port's own wall, of which nobody told another: common practice, no source."""


@dataclass(frozen=True)
class Port:
    """One port, or several equal ones; m, of a round one its diameter, of a slot width and height."""

    diameter: Annotated[float | None, Told("diameter_cm", CM, "port_diameter_cm", above=0.0)] = None
    width: Annotated[float | None, Told("width_cm", CM, "port_width_cm", above=0.0)] = None
    height: Annotated[float | None, Told("height_cm", CM, "port_height_cm", above=0.0)] = None
    count: Annotated[int, Told("count", 1.0, "ports", least=1, most=100)] = 1
    flare: Annotated[float, Told("flare_cm", CM, least=0.0)] = 0.0  # radius of the rounding at both ends of a round port
    ends: Annotated[Ends, Told("ends", 1.0, "port_ends")] = "one flush"
    on_wall: Annotated[bool, Told("on_wall", 1.0, "port_on_wall")] = False  # one long side of the slot is a wall of the box
    wall: Annotated[float, Told("wall_mm", MM, "port_wall_mm", least=0.0)] = PORT_WALL  # of the port's own, thickness

    def __post_init__(self) -> None:
        slot = self.width is not None and self.height is not None
        if (self.diameter is None) == (not slot) or (self.width is None) != (self.height is None):
            raise TsfitError("A port has either a diameter, or a width and a height; give one of the two.", code="usage")
        for value, name in ((self.diameter, "port diameter"), (self.width, "port width"), (self.height, "port height")):
            if value is not None:
                within(100.0 * value, 0.05, 300.0, name, "cm")
        within(self.count, 1, 100, "number of ports", "")
        within(100.0 * self.flare, 0.0, 50.0, "port flare", "cm")
        within(1e3 * self.wall, 0.0, 100.0, "port wall", "mm")
        if self.ends not in ENDS:
            raise TsfitError(f"port ends: {self.ends!r} is not known; use one of {', '.join(ENDS)}.", code="wrong_value")
        if slot and self.flare:
            raise TsfitError("port flare: only round ports are reckoned with one; leave it out.", code="usage")
        if self.on_wall and not slot:
            raise TsfitError("Only a slot can lie on a wall; give a width and a height.", code="usage")

    @property
    def section(self) -> float:
        """Section of one port, m²."""
        return math.pi / 4.0 * self.diameter**2 if self.diameter is not None else math.prod(self.slot)

    @property
    def slot(self) -> tuple[float, float]:
        """Width and height of a slot, m."""
        assert self.width is not None
        assert self.height is not None
        return self.width, self.height

    @property
    def across(self) -> float:
        """Diameter of one port, m; of a slot that of the round port of its section."""
        return math.sqrt(4.0 * self.section / math.pi)

    @property
    def area(self) -> float:
        """Section of all ports together, m²."""
        return self.count * self.section

    def ends_mass(self, scale: Number = 1.0) -> Number:
        """What moves at the two ends of one port, and in its roundings, ∫dx/S in 1/m; the section's sides times `scale`."""
        flush_ends = {"one flush": 1, "both flush": 2, "both free": 0}[self.ends]
        if self.diameter is not None:
            radius = 0.5 * self.diameter * scale
            mouth = radius + self.flare
            ends = flush_ends * FLANGED_END + (2 - flush_ends) * FREE_END
            return ends / (math.pi * mouth) + 2.0 * _rounding(radius, self.flare)
        width, height = self.slot
        outer = slot_end(width, height)
        inner = slot_end(width, 2.0 * height) if self.on_wall else outer
        free = FREE_END / FLANGED_END
        lengths = {"one flush": outer + free * inner, "both flush": outer + inner, "both free": free * (outer + inner)}
        return lengths[self.ends] / self.section / scale

    def any_length(self, mass: Number, air: Air, scale: Number = 1.0) -> Number:
        """Length (m) as `length` gives it, for arrays and scaled sections, also where no tube is short enough."""
        air_length = mass * self.count / air.density - self.ends_mass(scale)
        return air_length * self.section * scale**2 + 2.0 * self.flare

    def length(self, mass: float, air: Air, tuning: float) -> float:
        """Length (m) over all, roundings included, that gives all ports together the acoustic `mass` (kg/m⁴).
        Raises ``port_too_short`` when the ends alone are too heavy; names what would do.
        """
        length = float(self.any_length(mass, air))
        if length <= 2.0 * self.flare:
            remedy = "take a wider port, more ports, or a lower tuning"
            if self.diameter is not None and not self.flare:
                # ∫dx/S of the ends falls as 1/diameter, so the smallest that still has a length follows at once.
                smallest = self.diameter * self.ends_mass() / (mass * self.count / air.density)
                remedy = f"take more than {in_figures(100.0 * smallest, 3)} cm, or a lower tuning"
            size = f"{in_figures(100.0 * self.across, 4)} cm"
            raise TsfitError(
                f"port diameter: at {in_figures(tuning, 4)} Hz a port of {size} would need a negative length in "
                f"this volume; "
                f"{remedy}.",
                code="port_too_short",
            )
        return length

    def mass(self, length: float, air: Air) -> float:
        """Acoustic mass (kg/m⁴) of all ports together, `length` (m) over all.
        Raises ``wrong_value`` for a length that the roundings alone exceed.
        """
        within(100.0 * length, 200.0 * self.flare, 1e4, "port length", "cm")
        return float(air.density / self.count * ((length - 2.0 * self.flare) / self.section + self.ends_mass()))

    def resonance(self, mass: float, air: Air) -> float:
        """First standing wave (Hz) in ports of that `mass` (kg/m⁴): half a wavelength over the effective length."""
        return air.sound_speed / (2.0 * mass * self.area / air.density)

    def speed_limit(self, air: Air) -> float:
        """Peak air speed (m/s) in the port above which it is commonly called noisy.

        5 % of the speed of sound at the edge of the mouth, which a rounding makes wider, and never more than 10 % inside:
        common practice, no source.
        """
        wider = 1.0 if self.diameter is None else (1.0 + 2.0 * self.flare / self.diameter) ** 2
        return min(SPEED_AT_EDGE * wider, SPEED_AT_MOST) * air.sound_speed

    def displaced(self, length: Number, scale: Number = 1.0) -> Number:
        """Room (m³) that all ports and their walls take inside the box; the section's sides times `scale`."""
        if self.diameter is not None:
            return self.count * length * math.pi / 4.0 * (self.diameter * scale + 2.0 * self.wall) ** 2
        width, height = self.slot
        return self.count * length * (width * scale + 2.0 * self.wall) * (height * scale + 2.0 * self.wall)

    def wider(self, factor: float) -> "Port":
        """Return the same port with its section's sides times `factor`."""

        def times(value: float | None) -> float | None:
            return None if value is None else value * factor

        return replace(self, diameter=times(self.diameter), width=times(self.width), height=times(self.height))


def slot_end(width: float, height: float) -> float:
    """End correction δ (m) of a rectangular opening flush with a panel: S·m of the rectangular piston, low frequency.

    δ = 1/(2πS) ∬∬ dS dS'/r, and the integral over a rectangle w × h is
    (2/3)[3w²h·asinh(h/w) + 3wh²·asinh(w/h) + w³ + h³ − (w² + h²)^1.5].
    """
    w, h = width, height
    integral = (2.0 / 3.0) * (
        3.0 * w**2 * h * math.asinh(h / w) + 3.0 * w * h**2 * math.asinh(w / h) + w**3 + h**3 - math.hypot(w, h) ** 3
    )
    return integral / (2.0 * math.pi * w * h)


def _rounding(radius: Number, flare: float) -> Number:
    """∫dx/S over a quarter-round widening from `radius` (...) by `flare`, 1/m; Gauss-Legendre in the angle."""
    if not flare:
        return 0.0
    nodes, weights = np.polynomial.legendre.leggauss(24)
    angle = 0.25 * math.pi * (nodes + 1.0)
    # x = flare·sin(angle) along the axis, radius grows by flare·(1 − cos(angle)).
    area = math.pi * (np.asarray(radius)[..., np.newaxis] + flare * (1.0 - np.cos(angle))) ** 2
    return np.asarray(0.25 * math.pi * np.sum(weights * flare * np.cos(angle) / area, axis=-1))
