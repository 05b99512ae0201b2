"""What may be equal for all drivers of a comparison: Qtc, volume, tuning, cabinet, f3, a planned box, a baffle."""

from collections.abc import Callable
from dataclasses import dataclass, replace

from tsfit.base.figures import in_figures
from tsfit.box.compare.circumstances import PLAIN, Circumstances
from tsfit.box.design.closed import volumes_for_f3
from tsfit.box.kinds import BafflePlan, ClosedPlan, VentedPlan
from tsfit.box.limits import Ratings
from tsfit.box.parts import DriverSet, Filling, Opening
from tsfit.box.plan import BoxPlan
from tsfit.box.ports import Port
from tsfit.box.result import BoxResult
from tsfit.driver.air import Air
from tsfit.driver.fit_result import FitResult
from tsfit.driver.record import Driver


@dataclass(frozen=True)
class Candidate:
    """A driver to compare; with its fit differences have an uncertainty. `displaced` (m³) counts in the same cabinet.

    `ratings` replace those of its sheet and of a planned box.
    """

    driver: Driver
    fit: FitResult | None = None
    cost: float | None = None
    displaced: float = 0.0
    ratings: Ratings = Ratings()
    together: DriverSet | None = None  # how many share a box, in place of what a planned box says
    air: Air | None = None  # likewise, in and around the box

    @property
    def xmax_m(self) -> float | None:
        """One-way peak travel that counts, m, unless a planned box states another."""
        return self.ratings.xmax_m or self.driver.measured.xmax_m or self.driver.Xmax

    @property
    def power_w(self) -> float | None:
        """Continuous rating that counts, W, unless a planned box states another."""
        return self.ratings.power_w or self.driver.measured.power_w or self.driver.Pe

    @property
    def limits(self) -> tuple[str, ...]:
        """Which limits are measured ones, in words."""
        found = self.driver.measured
        told = ((found.travel, self.ratings.xmax_m), (found.power, self.ratings.power_w))
        return tuple(words for words, stated in told if words and stated is None)

    @property
    def printed(self) -> tuple[str, ...]:
        """Which limits only the sheet tells, as `limited_by` names them, unless a planned box states another."""
        found, own = self.driver.measured, self.ratings
        told = (
            ("travel", self.driver.Xmax, found.xmax_m, own.xmax_m),
            ("power", self.driver.Pe, found.power_w, own.power_w),
        )
        return tuple(
            name for name, sheet, measured, stated in told if sheet is not None and measured is None and stated is None
        )

    def put_into(self, plan: BoxPlan) -> BoxResult:
        """Build `plan` with this driver, whose own ratings go before those of the plan."""
        rated = plan.with_ratings(self.ratings)
        if self.together is not None:
            rated = replace(rated, drivers=self.together)
        if self.air is not None:
            rated = replace(rated, air=self.air)
        return rated.build(self.driver)


@dataclass(frozen=True)
class Case:
    """A condition that is equal for all candidates, each equalised flat down to `flat_to_hz` where that is told."""

    name: str
    build: Callable[[Candidate], BoxResult]
    flat_to_hz: float | None = None
    played: Circumstances = PLAIN


def same_qtc(qtc: float) -> Case:
    """Closed boxes of one and the same Qtc; each driver gets the volume that it takes."""
    return in_box(ClosedPlan(qtc=qtc), f"closed, Qtc {qtc:g}")


def same_volume(volume: float) -> Case:
    """Closed boxes of one and the same net volume, m³."""
    return in_box(ClosedPlan(volume=volume), f"closed, {in_figures(1e3 * volume, 4)} l net")


def same_cabinet(volume: float) -> Case:
    """One and the same closed cabinet of inner `volume` (m³), of which each driver takes its own room."""

    def build(one: Candidate) -> BoxResult:
        return one.put_into(ClosedPlan(volume=volume, filling=Filling(displaced=one.displaced)))

    return Case(f"closed, cabinet of {in_figures(1e3 * volume, 4)} l", build)


def same_f3(f3_hz: float) -> Case:
    """Closed boxes of one and the same f3: the larger of the volumes that give it, where there are two."""

    def build(one: Candidate) -> BoxResult:
        return one.put_into(ClosedPlan(volume=volumes_for_f3(ClosedPlan(air=one.air), one.driver, f3_hz)[-1]))

    return Case(f"closed, f3 {f3_hz:g} Hz", build)


def same_vented(volume: float, tuning: float, port_diameter: float | None = None) -> Case:
    """Vented boxes of one and the same net volume (m³), tuning (Hz) and, where given, inner diameter of the port (m)."""
    through = "" if port_diameter is None else f", port of {in_figures(100.0 * port_diameter, 3)} cm"
    opening = Opening(None if port_diameter is None else Port(port_diameter))
    name = f"vented, {in_figures(1e3 * volume, 4)} l net, {in_figures(tuning, 3)} Hz{through}"
    return in_box(VentedPlan(volume=volume, tuning=tuning, opening=opening), name)


def in_baffle() -> Case:
    """Infinite baffle."""
    return in_box(BafflePlan(), "infinite baffle")


def in_box(plan: BoxPlan, name: str) -> Case:
    """A planned box as it is."""
    return Case(name, lambda one: one.put_into(plan))
