"""The closed box, and the infinite baffle, which is one without end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar

from tsfit.base.errors import TsfitError
from tsfit.box.bounds import within
from tsfit.box.enclosure import Kind
from tsfit.box.parts import Filled
from tsfit.box.plan import BoxPlan, Built, Setup
from tsfit.box.result import ChamberNumbers
from tsfit.box.told import LITRE, Told
from tsfit.circuit import load
from tsfit.driver.formulas import closed_box_ratio, closed_box_volume


@dataclass(frozen=True, kw_only=True)
class ClosedPlan(BoxPlan, Filled):
    """A closed box of a given volume, or of the volume that gives a wanted Qtc.

    Volume in m³, or total Q of the lossless box, above Qts: Vb = Vas/((Qtc/Qts)² − 1), Small, JAES 20(10), 1972. Losses
    hold at fc of that box.
    """

    kind: ClassVar[Kind] = "closed"
    volume: Annotated[float | None, Told("volume_l", LITRE, above=0.0)] = None
    qtc: Annotated[float | None, Told("qtc", above=0.0)] = None

    def acting(self, given: Setup) -> float:
        """Volume (m³) that acts. Raises ``unreachable_qtc``, ``usage`` or ``wrong_value``."""
        one, qts = given.driver, given.braked.Qts
        if (self.volume is None) == (self.qtc is None):
            raise TsfitError("A closed box needs either a volume or a Qtc; give one of the two.", code="usage")
        if self.volume is not None:
            return self.filling.acting(self.volume)
        assert self.qtc is not None
        if self.qtc <= qts:
            raise TsfitError(
                f"{one.name}: Qtc {self.qtc:.4g} cannot be had, because no closed box brings it below the driver's "
                f"Qts of {qts:.4g}; ask for more than that.",
                code="unreachable_qtc",
            )
        within(self.qtc, 0.0, 100.0, "Qtc", "")
        acting = float(closed_box_volume(one.Vas, qts, self.qtc))
        self.filling.acting(self.filling.around(acting), f"{one.name}: the volume for Qtc {self.qtc:.6g}")
        return acting

    def put(self, given: Setup) -> Built:
        """Build the box; raises as `acting` too."""
        acting, one = self.acting(given), given.driver
        ratio = float(closed_box_ratio(one.Vas, acting))
        factors = self.losses.factors()
        box = load.closed_box(
            acting, one.air, resonance=one.Fs * ratio, added_mass=given.added_mass, losses=load.Losses(**factors)
        )
        numbers = ChamberNumbers.of(acting, self.filling, one.Vas, fc=one.Fs * ratio, qtc=given.braked.Qts * ratio)
        return Built(box, factors, numbers)


@dataclass(frozen=True, kw_only=True)
class BafflePlan(BoxPlan):
    """An infinite baffle: no air spring, nothing from behind; fc is Fs and Qtc is Qts."""

    kind: ClassVar[Kind] = "baffle"

    def put(self, given: Setup) -> Built:
        """Build the baffle."""
        numbers = ChamberNumbers(fc=given.driver.Fs, qtc=given.braked.Qts)
        return Built(load.Load(added_mass=given.added_mass), {}, numbers)
