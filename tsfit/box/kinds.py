"""Every kind of box that can be planned: closed, vented, with passive radiators, infinite baffle, band-pass."""

import math
from dataclasses import dataclass, replace
from typing import Annotated, ClassVar

from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.base.notes import QualityNote
from tsfit.box.enclosure import Enclosure, Kind
from tsfit.box.parts import Filled, Filling, Opening, Radiator, StatedLosses
from tsfit.box.plan import BoxPlan, Built
from tsfit.box.result import ChamberNumbers, OpeningNumbers, odd_volume
from tsfit.box.told import LITRE, Inside, Told, within
from tsfit.circuit import load
from tsfit.driver.air import Air
from tsfit.driver.formulas import closed_box_ratio, closed_box_volume, resonance
from tsfit.driver.record import Driver
from tsfit.driver.sizes import UNLIKE_ANY

LOWEST_QTC, HIGHEST_QTC, FIRM_QTS = 0.4, 1.6, 0.3
"""Qtc beyond which none is asked for, and Qts below which a low one may be meant (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class ClosedPlan(BoxPlan, Filled):
    """A closed box of a given volume, or of the volume that gives a wanted Qtc.

    Volume in m³, or total Q of the lossless box, above Qts: Vb = Vas/((Qtc/Qts)² − 1), Small, JAES 20(10), 1972. Losses
    hold at fc of that box.
    """

    kind: ClassVar[Kind] = "closed"
    volume: Annotated[float | None, Told("volume_l", LITRE, above=0.0)] = None
    qtc: Annotated[float | None, Told("qtc", above=0.0)] = None

    def acting(self, given: Enclosure) -> float:
        """Volume (m³) that acts. Raises ``unreachable_qtc``, ``usage`` or ``wrong_value``."""
        one, qts = given.driver, given.braked.Qts
        if (self.volume is None) == (self.qtc is None):
            raise TsfitError("A closed box needs either a volume or a Qtc; give one of the two.", code="usage")
        if self.volume is not None:
            return self.filling.acting(self.volume)
        assert self.qtc is not None
        if self.qtc <= qts:
            raise TsfitError(
                f"{one.name}: Qtc {in_figures(self.qtc, 4)} cannot be had, because no closed box brings it below "
                f"the driver's Qts of {in_figures(qts, 4)}; ask for more than that.",
                code="unreachable_qtc",
            )
        within(self.qtc, 0.0, 100.0, "Qtc", "")
        acting = float(closed_box_volume(one.Vas, qts, self.qtc))
        self.filling.acting(self.filling.around(acting), f"{one.name}: the volume for Qtc {self.qtc:.6g}")
        return acting

    def settled(self, given: Enclosure) -> BoxPlan:
        """The box of the volume that the Qtc asks for; raises as `acting`."""
        if self.qtc is None:
            return self
        return replace(self, volume=self.filling.around(self.acting(given)), qtc=None)

    def put(self, given: Enclosure) -> Built:
        """Build the box; raises as `acting` too."""
        acting, one = self.acting(given), given.driver
        ratio = float(closed_box_ratio(one.Vas, acting))
        factors = self.losses.factors()
        losses, added = load.Losses(**factors), given.load.added_mass
        box = load.closed_box(acting, one.air, resonance=one.Fs * ratio, added_mass=added, losses=losses)
        numbers = ChamberNumbers.of(acting, self.filling, one.Vas, fc=one.Fs * ratio, qtc=given.braked.Qts * ratio)
        return Built(box, factors, numbers, notes=self._odd(given.braked.Qts))

    def _odd(self, qts: float) -> tuple[QualityNote, ...]:
        """Warn of a Qtc that nobody asks for; a driver of a low `qts` may be meant to have a low one."""
        if self.qtc is None or (self.qtc <= HIGHEST_QTC and (self.qtc >= LOWEST_QTC or qts < FIRM_QTS)):
            return ()
        why = "it booms; ask for less" if self.qtc > 1.0 else "its air hardly pushes back; ask for more"
        odd = f"A Qtc of {in_figures(self.qtc, 3)} is hardly meant (usual 0.5 to 1.2): {why}."
        return (QualityNote(UNLIKE_ANY, "warn", odd),)


@dataclass(frozen=True, kw_only=True)
class BafflePlan(BoxPlan):
    """An infinite baffle: no air spring, nothing from behind; fc is Fs and Qtc is Qts."""

    kind: ClassVar[Kind] = "baffle"

    def put(self, given: Enclosure) -> Built:
        """Build the baffle."""
        numbers = ChamberNumbers(fc=given.driver.Fs, qtc=given.braked.Qts)
        return Built(given.load, {}, numbers)


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

    def put(self, given: Enclosure) -> Built:
        """Build the box. Raises ``port_too_short`` too, when no tube of that section is short enough."""
        acting, one = self.filling.acting(self.volume), given.driver
        tuning = self.opening.tunes(self.tuning, acting, one.air)
        factors = self.losses.factors(port_q=self.port_q)
        box = load.vented_box(acting, tuning, one.air, added_mass=given.load.added_mass, losses=load.Losses(**factors))
        opened, notes = _opened(self.opening, float(box.port_mass), tuning, acting, given.driver)
        takes, told = opened.port_volume or 0.0, self.filling.displaced
        if 0.0 < told < 0.99 * takes:
            notes = (QualityNote("little_displaced", "warn", self._little(takes, one.air)), *notes)
        chamber = ChamberNumbers.of(acting, self.filling, one.Vas)
        return Built(box, factors, chamber, opened, notes=notes)

    def _little(self, takes: float, air: Air) -> str:
        """Say that a port which `takes` more (m³) than all that is displaced was left out of it, and what it is with it."""
        port, told = self.opening.port, self.filling.displaced
        assert port is not None
        said = f"{in_figures(told / LITRE, 3)} l displaced"
        least = f"the port takes {in_figures(takes / LITRE, 3)} l"
        # In less air the port of the same tuning is longer, and takes more.
        inner = takes
        for _ in range(100):
            if told + inner >= self.volume:
                return f"{said} should count the port too, and {least}; take a larger box."
            acting = replace(self.filling, displaced=told + inner).acting(self.volume)
            tuning = self.opening.tunes(self.tuning, acting, air)
            mass = float(load.vented_box(acting, tuning, air).port_mass)
            length = self.opening.length or port.length(mass, air, tuning)
            inner = float(port.displaced(length))
        together = f"{math.ceil((told + inner) / LITRE * 10.0 - 1e-6) / 10.0:.1f}"
        return (
            f"{said} should count the port too, and {least}. If they are driver and braces alone, tell all of it: "
            f"--displaced-l {together}."
        )


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

    def put(self, given: Enclosure) -> Built:
        """Build the box; raises as `VentedPlan.put`."""
        one = given.driver
        acting = self.rear.filling.acting(self.rear.volume, "rear volume")
        front = Filling().acting(self.front.volume, "front volume")
        tuning = self.opening.tunes(self.front.tuning, front, one.air)
        ratio = float(closed_box_ratio(one.Vas, acting))
        fc, qtc = one.Fs * ratio, given.braked.Qts * ratio
        front_factors = self.front.losses.factors(port_q=self.front.port_q)
        factors = {**self.rear.losses.factors("rear_"), **front_factors}
        behind = load.Losses(self.rear.losses.leak_q, self.rear.losses.absorption_q)
        closed = load.closed_box(acting, one.air, resonance=fc, losses=behind, added_mass=given.load.added_mass)
        vented = load.vented_box(front, tuning, one.air, losses=load.Losses(**front_factors))
        box = load.band_pass_box(closed, vented)
        opened, notes = _opened(self.opening, float(vented.port_mass), tuning, front, one)
        chamber = ChamberNumbers.of(acting, self.rear.filling, one.Vas, front=front, fc=fc, qtc=qtc)
        return Built(box, factors, chamber, opened, notes=notes)


_WIDE = 0.5
"""Of the edge of a cube of the chamber, across which no port is built (common practice, no source)."""


def _no_room(opening: Opening, mass: float, acting: float, driver: Driver, taken: float) -> TsfitError:
    """Refuse a port that takes more (m³) than its chamber of `acting` m³; name the unit that explains it, if one does."""
    port = opening.port
    assert port is not None
    meant = None if driver.Sd is None or driver.Mms is None else odd_volume(acting, driver.Vas)
    unit = ""
    if meant is None and port.diameter is not None and port.across > _WIDE * acting ** (1.0 / 3.0):
        small = replace(port, diameter=0.1 * port.diameter)
        length = float(opening.length or small.any_length(mass, driver.air))
        if length > 0.0 and float(small.displaced(length)) < acting:
            typed = 100.0 * port.diameter
            unit = f"{in_figures(0.1 * typed, 4)} cm if {in_figures(typed, 4)} is mm, else "
    said = f"port: it takes {taken / LITRE:,.0f} l, and the chamber has {in_figures(acting / LITRE, 3)} l"
    other = "take a narrower one, which is for less level, or a passive radiator."
    return TsfitError(meant or f"{said}; {unit}{other}", code="wrong_value")


PROPORTIONS = (1.0, 1.26, 1.59)
"""Depth, width and height inside, as third parts of an octave apart, so that no two standing waves meet. Common practice,
no source."""
USUAL_DEPTH = PROPORTIONS[0] / math.prod(PROPORTIONS) ** (1.0 / 3.0)
"""Inner depth of a box whose proportions nobody told, per edge of a cube as large."""
PIPE_CLEAR = 6.0
"""Times the tuning at which the port's own resonance is out of the way (common practice, no source)."""


def _opened(
    opening: Opening, mass: float, tuning: float, acting: float, driver: Driver
) -> tuple[OpeningNumbers, tuple[QualityNote, ...]]:
    """Numbers of the port of a chamber of that `acting` volume (m³), and remarks on what keeps it from being built.
    Raises ``wrong_value`` for a port that has no room in the chamber.
    """
    port, air, h = opening.port, driver.air, tuning / driver.Fs
    if port is None:
        return OpeningNumbers(fb=tuning, h=h), ()
    stated = opening.length if opening.effective is not None else None
    length, depth = stated or port.length(mass, air, tuning), opening.depth
    reach = opening.reach(acting)
    taken, pipe = float(port.displaced(length)), port.resonance(mass, air)
    if taken >= acting:
        raise _no_room(opening, mass, acting, driver, taken)
    notes: tuple[QualityNote, ...] = ()
    if length > reach:
        room = "a cube of this volume has" if depth is None else "the depth leaves with one diameter free behind it"
        said = (
            f"The port is {100.0 * length:.1f} cm long, more than the {100.0 * reach:.1f} cm that {room}: bend it, or take "
            "a smaller one."
        )
        notes = (QualityNote("long_port", "warn", said),)
    elif depth is None and length + port.across > USUAL_DEPTH * reach:
        said = f"The port wants {100.0 * (length + port.across):.0f} cm of inner depth, with one diameter free behind it."
        notes = (QualityNote("deep_port", "note", said),)
    if pipe < PIPE_CLEAR * tuning:
        said = (
            f"The port sounds as a pipe at {in_figures(pipe, 3)} Hz, less than {PIPE_CLEAR:g} times the tuning: "
            f"take a shorter one, "
            "or a passive radiator."
        )
        notes = (*notes, QualityNote("port_resonance", "warn", said))
    numbers = OpeningNumbers(
        fb=tuning,
        h=h,
        port_diameter=port.diameter,
        port_length=length,
        port_area=port.area,
        port_volume=taken,
        port_wall=port.wall,
        port_resonance=pipe,
        port_speed_limit=port.speed_limit(air),
    )
    return numbers, notes


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

    def put(self, given: Enclosure) -> Built:
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
            if added < -1e-9 * one.mass:
                raise TsfitError(
                    f"tuning: {in_figures(self.tuning, 4)} Hz is more than the {in_figures(highest, 4)} Hz that "
                    f"the bare radiator gives in this "
                    "box; ask for less, or take a lighter radiator.",
                    code="tuning_too_high",
                )
            added = max(added, 0.0)
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

    def _load(self, acting: float, mass: float, given: Enclosure) -> load.Load:
        """Load with radiators of that `mass` each."""
        losses, added = load.Losses(**self.losses.factors()), given.load.added_mass
        return load.passive_radiator_box(
            acting, self.radiator.together(mass), given.driver.air, losses=losses, added_mass=added
        )


PLANS: dict[Kind, type[BoxPlan]] = {
    plan.kind: plan for plan in (ClosedPlan, VentedPlan, PassivePlan, BafflePlan, BandPassPlan)
}
