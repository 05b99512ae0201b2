"""The vented box, and the band-pass box, whose driver stands between a closed chamber and a vented one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, ClassVar

from tsfit.base.notes import QualityNote
from tsfit.box.bounds import within
from tsfit.box.enclosure import Kind
from tsfit.box.parts import Filled, Filling, Opening, StatedLosses, loss_factor
from tsfit.box.plan import BoxPlan, Built, Setup
from tsfit.box.result import ChamberNumbers, OpeningNumbers
from tsfit.box.told import LITRE, Inside, Told
from tsfit.circuit import load
from tsfit.driver.formulas import closed_box_ratio
from tsfit.driver.record import Driver


@dataclass(frozen=True, kw_only=True)
class VentedPlan(BoxPlan, Filled):
    """A vented box tuned to `tuning` (Hz), or by the length of its port.

    Volume in m³; losses and `port_q` hold at the tuning. With the section of the port come its length and air speed.
    """

    kind: ClassVar[Kind] = "vented"
    volume: Annotated[float, Told("volume_l", LITRE, above=0.0)]
    tuning: Annotated[float | None, Told("tuning_hz", above=0.0)] = None
    port_q: Annotated[float, Told("port_q", above=0.0)] = math.inf
    opening: Annotated[Opening, Inside("port")] = Opening()

    def factors(self) -> dict[str, float]:
        """Loss factors by name, once checked."""
        return {**self.losses.factors(), "port_q": loss_factor(self.port_q, "port_q")}

    def put(self, given: Setup) -> Built:
        """Build the box. Raises ``port_too_short`` too, when no tube of that section is short enough."""
        acting, one = self.filling.acting(self.volume), given.driver
        tuning = self.opening.tunes(self.tuning, acting, one.air)
        factors = self.factors()
        box = load.vented_box(acting, tuning, one.air, added_mass=given.added_mass, losses=load.Losses(**factors))
        opened, notes = _opened(self.opening, float(box.port_mass), tuning, acting, given.driver)
        chamber = ChamberNumbers.of(acting, self.filling, one.Vas)
        return Built(box, factors, chamber, opened, _area(self.opening), notes)


@dataclass(frozen=True, kw_only=True)
class ClosedChamber(Filled):
    """The closed chamber of a band-pass box: volume, m³, and losses at its fc."""

    losses: Annotated[StatedLosses, Inside(option="rear_")] = StatedLosses()
    volume: Annotated[float, Told("volume_l", LITRE, "rear_volume_l", above=0.0)]


@dataclass(frozen=True, kw_only=True)
class VentedChamber:
    """The vented chamber of a band-pass box: volume, m³, tuning, Hz, and losses at the tuning."""

    losses: Annotated[StatedLosses, Inside()] = StatedLosses()
    volume: Annotated[float, Told("volume_l", LITRE, "front_volume_l", above=0.0)]
    tuning: Annotated[float | None, Told("tuning_hz", above=0.0)] = None
    port_q: Annotated[float, Told("port_q", above=0.0)] = math.inf

    def factors(self) -> dict[str, float]:
        """Loss factors by name, once checked."""
        return {**self.losses.factors(), "port_q": loss_factor(self.port_q, "port_q")}


@dataclass(frozen=True, kw_only=True)
class BandPassPlan(BoxPlan):
    """A driver between a closed chamber behind it and a vented one before it, with the `opening` as for `VentedPlan`."""

    kind: ClassVar[Kind] = "bandpass"
    rear: Annotated[ClosedChamber, Inside("rear")]
    front: Annotated[VentedChamber, Inside("front")]
    opening: Annotated[Opening, Inside("port")] = Opening()

    @property
    def contents(self) -> Filling:
        """Filling of the closed chamber."""
        return self.rear.filling

    def put(self, given: Setup) -> Built:
        """Build the box; raises as `VentedPlan.put`."""
        one = given.driver
        acting = self.rear.filling.acting(self.rear.volume, "rear volume")
        front = Filling().acting(self.front.volume, "front volume")
        tuning = self.opening.tunes(self.front.tuning, front, one.air)
        ratio = float(closed_box_ratio(one.Vas, acting))
        fc, qtc = one.Fs * ratio, given.braked.Qts * ratio
        factors = {**self.rear.losses.factors("rear_"), **self.front.factors()}
        behind = load.Losses(self.rear.losses.leak_q, self.rear.losses.absorption_q)
        closed = load.closed_box(acting, one.air, resonance=fc, losses=behind, added_mass=given.added_mass)
        vented = load.vented_box(front, tuning, one.air, losses=load.Losses(**self.front.factors()))
        box = load.band_pass_box(closed, vented)
        opened, notes = _opened(self.opening, float(vented.port_mass), tuning, front, one)
        chamber = ChamberNumbers.of(acting, self.rear.filling, one.Vas, front=front, fc=fc, qtc=qtc)
        return Built(box, factors, chamber, opened, _area(self.opening), notes)


def _area(opening: Opening) -> float | None:
    return None if opening.port is None else opening.port.area


def _opened(
    opening: Opening, mass: float, tuning: float, acting: float, driver: Driver
) -> tuple[OpeningNumbers, tuple[QualityNote, ...]]:
    """Numbers of the port of a chamber of that `acting` volume (m³), and a remark when it does not fit."""
    port, air, h = opening.port, driver.air, tuning / driver.Fs
    if port is None:
        return OpeningNumbers(fb=tuning, h=h), ()
    length, depth = port.length(mass, air, tuning), opening.depth
    reach = acting ** (1.0 / 3.0)
    if depth is not None:
        reach = within(100.0 * depth, 1.0, 1e4, "box depth", "cm") / 100.0 - port.across
    notes: tuple[QualityNote, ...] = ()
    if length > reach:
        room = "the edge of a cube of this volume" if depth is None else "the depth leaves with one diameter free behind it"
        said = f"The port is {100.0 * length:.1f} cm long, more than {room}: bend it, or take a smaller one."
        notes = (QualityNote("long_port", "note", said),)
    numbers = OpeningNumbers(
        fb=tuning,
        h=h,
        port_diameter=port.diameter,
        port_length=length,
        port_area=port.area,
        port_volume=port.displaced(length),
        port_resonance=port.resonance(length, air),
        port_speed_limit=port.speed_limit(air),
    )
    return numbers, notes
