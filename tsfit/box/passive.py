"""The box with passive radiators in place of a port."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar

from tsfit.base.errors import TsfitError
from tsfit.box.bounds import within
from tsfit.box.enclosure import Kind
from tsfit.box.parts import Filled, Radiator
from tsfit.box.plan import BoxPlan, Built, Setup
from tsfit.box.result import ChamberNumbers, OpeningNumbers
from tsfit.box.told import LITRE, Inside, Told
from tsfit.circuit.load import Load, Losses, PassiveRadiator, passive_radiator_box
from tsfit.driver.formulas import resonance


@dataclass(frozen=True, kw_only=True)
class PassivePlan(BoxPlan, Filled):
    """A box with one or more equal passive radiators.

    Volume in m³; the tuning, Hz, is the one that the mass added to each radiator is to bring, unless that mass is told, or
    neither. Losses hold at the tuning.
    """

    kind: ClassVar[Kind] = "passive"
    volume: Annotated[float, Told("volume_l", LITRE, above=0.0)]
    tuning: Annotated[float | None, Told("tuning_hz", above=0.0)] = None
    radiator: Annotated[Radiator, Inside("radiator")]

    def put(self, given: Setup) -> Built:
        """Build the box.
        Raises ``tuning_too_high`` too, when the bare radiator already tunes the box lower than asked for.
        """
        one, acting = self.radiator, self.filling.acting(self.volume)
        if one.added_mass is not None and self.tuning is not None:
            raise TsfitError("Both an added mass and a tuning are given; keep one of them.", code="usage")
        added = one.added_mass or 0.0
        if self.tuning is not None:
            within(self.tuning, 1.0, 5000.0, "tuning", "Hz")
            highest = float(self._load(acting, one.mass, given).tuning)
            added = one.mass * ((highest / self.tuning) ** 2 - 1.0)
            if added < 0.0:
                raise TsfitError(
                    f"tuning: {self.tuning:.4g} Hz is more than the {highest:.4g} Hz that the bare radiator gives in this "
                    "box; ask for less, or take a lighter radiator.",
                    code="tuning_too_high",
                )
        within(added, 0.0, 1e3, "mass added to the radiator", "kg")
        box = self._load(acting, one.mass + added, given)
        opened = OpeningNumbers(
            fb=float(box.tuning),
            h=float(box.tuning) / given.driver.Fs,
            radiator_added_mass=added,
            radiator_fs=float(resonance(box.port_mass, box.passive_compliance)),
        )
        chamber = ChamberNumbers.of(acting, self.filling, given.driver.Vas)
        return Built(box, self.losses.factors(), chamber, opened, one.count * one.area)

    def _load(self, acting: float, mass: float, given: Setup) -> Load:
        """Load with radiators of that `mass` each.

        n equal radiators in one box move as one of n times the mass, area and resistance, and an nth of the compliance.
        """
        one, count = self.radiator, self.radiator.count
        moving = PassiveRadiator(count * mass, count * one.area, one.spring() / count, count * one.resistance())
        losses = Losses(**self.losses.factors())
        return passive_radiator_box(acting, moving, given.driver.air, losses=losses, added_mass=given.added_mass)
