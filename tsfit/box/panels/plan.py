"""What a box of boards is to be: volume, sizes, boards, and what goes through them."""

import math
from dataclasses import dataclass
from typing import Annotated

from tsfit.base.errors import TsfitError
from tsfit.box.kinds import PROPORTIONS, ClosedPlan, PassivePlan, VentedPlan
from tsfit.box.plan import BoxPlan
from tsfit.box.ports import Port
from tsfit.box.told import LITRE, MM, Told, within
from tsfit.circuit.load import vented_box
from tsfit.driver.air import REFERENCE_AIR, Air

Sides = tuple[float, float, float]
Place = tuple[float, float]
"""Middle of an opening, m from the left and from the lower edge of the outside, as seen from there."""
DENSITY = 720.0
"""Of fibre board, kg/m³ (common practice, no source)."""


@dataclass(frozen=True)
class Tube:
    """A port of known length (m) over all: tubes, or slots made of the box's own board."""

    port: Port
    length: float


@dataclass(frozen=True)
class CabinetPlan:
    """What a box of boards is to be, m and m³. Raises ``wrong_value`` or ``usage`` for what cannot be.

    Outside sizes may be fixed, at most two; the others keep the proportions inside, of which drivers, ports and braces take
    some. Openings whose places are not told stand one above the other: ports lowest, then radiators, then drivers.
    """

    net: Annotated[float, Told("volume_l", LITRE)]  # volume that the air shall have
    driver: Annotated[float, Told("driver_l", LITRE)] = 0.0  # what each driver takes of the inside
    port: Annotated[float, Told("port_l", LITRE)] = 0.0  # what the port takes, where no `tube` tells it
    thickness: Annotated[float, Told("thickness_mm", MM)] = 0.019  # of the board
    width: Annotated[float | None, Told("width_mm", MM)] = None
    height: Annotated[float | None, Told("height_mm", MM)] = None
    depth: Annotated[float | None, Told("depth_mm", MM)] = None
    proportions: Sides = (PROPORTIONS[1], PROPORTIONS[2], PROPORTIONS[0])  # width, height, depth
    double_front: bool = False  # a second board is glued behind the front, between the other panels
    braces: int = 0  # boards across the inside, parallel to top and bottom
    brace_open: float = 0.5  # share of their area that is cut away
    drivers: int = 1
    cutout: Annotated[float | None, Told("cutout_mm", MM)] = None  # diameter of a driver's opening
    cutout_at: Annotated[tuple[Place, ...], Told("cutout_at_mm", MM)] = ()  # in the front
    radiators: int = 0
    radiator_cutout: Annotated[float | None, Told("radiator_cutout_mm", MM)] = None  # in the front too
    tube: Tube | None = None
    port_at: Annotated[tuple[Place, ...], Told("port_at_mm", MM)] = ()  # of round ports, in the front
    terminal: Annotated[float | None, Told("terminal_mm", MM)] = None  # diameter of the terminal cup's opening
    terminal_at: Annotated[Place | None, Told("terminal_at_mm", MM)] = None  # in the back
    sheet: Annotated[tuple[float, float], Told("sheet_mm", MM)] = (2.5, 1.25)
    kerf: Annotated[float, Told("kerf_mm", MM)] = 0.004  # width of the saw cut
    density: float = DENSITY  # of the board, kg/m³

    def __post_init__(self) -> None:
        within(self.net / LITRE, 0.01, 1e5, "volume", "l")
        within(self.thickness / MM, 1.0, 100.0, "thickness", "mm")
        within((self.driver * self.drivers + self.port) / LITRE, 0.0, 1e5, "displaced volume", "l")
        within(self.braces, 0, 20, "number of braces", "")
        within(self.drivers, 1, 100, "number of drivers", "")
        within(self.brace_open, 0.1, 0.95, "open share of a brace", "")
        within(self.kerf / MM, 0.0, 20.0, "kerf", "mm")
        within(self.density, 50.0, 3000.0, "density", "kg/m3")
        for edge, name in zip(self.sheet, ("sheet length", "sheet width"), strict=True):
            within(edge / MM, 50.0, 1e4, name, "mm")
        for side, wall, name in zip(self.fixed, self.walls, ("width", "height", "depth"), strict=True):
            if side is not None:
                within(side / MM, wall / MM + 10.0, 1e4, name, "mm")
        for ratio in self.proportions:
            within(ratio, 0.05, 20.0, "proportion", "")
        for size, name in (
            (self.cutout, "cutout"),
            (self.radiator_cutout, "radiator's cutout"),
            (self.terminal, "terminal"),
        ):
            if size is not None:
                within(size / MM, 10.0, 1e4, name, "mm")
        if self.tube is not None and self.port:
            raise TsfitError("The box file tells the port, and with it what it takes; leave --port-l out.", code="usage")
        tubes = self.tube.port.count if self.tube is not None and self.tube.port.diameter is not None else 0
        for places, count, name in ((self.cutout_at, self.drivers, "driver"), (self.port_at, tubes, "round port")):
            if places and len(places) != count:
                told = f"{len(places)} places are told for {count} openings; tell all or none"
                raise TsfitError(f"{name}: {told}.", code="usage")
        if (self.cutout_at and self.cutout is None) or (self.terminal_at and self.terminal is None):
            raise TsfitError("A place of an opening is told without its diameter; tell that too.", code="usage")

    @property
    def fixed(self) -> tuple[float | None, float | None, float | None]:
        """Outside width, height and depth that are fixed, m."""
        return self.width, self.height, self.depth

    @property
    def front(self) -> float:
        """Thickness of the front, m."""
        return (2.0 if self.double_front else 1.0) * self.thickness

    @property
    def walls(self) -> Sides:
        """What the boards take of the outside width, height and depth, m."""
        return 2.0 * self.thickness, 2.0 * self.thickness, self.front + self.thickness

    def inside(self, gross: float) -> Sides:
        """Width, height and depth inside (m) of `gross` volume (m³); fixed sides stay, the others keep the proportions.
        Raises ``usage`` when all three are fixed.
        """
        given = [None if side is None else side - wall for side, wall in zip(self.fixed, self.walls, strict=True)]
        if None not in given:
            raise TsfitError("Width, height and depth are all given, so the volume is too; leave one out.", code="usage")
        known = math.prod(side for side in given if side is not None)
        free = [ratio for side, ratio in zip(given, self.proportions, strict=True) if side is None]
        scale = (gross / (known * math.prod(free))) ** (1.0 / len(free))
        w, h, d = (ratio * scale if side is None else side for side, ratio in zip(given, self.proportions, strict=True))
        return w, h, d


@dataclass(frozen=True)
class Asked:
    """What a planned box asks of its boards: net volume (m³), how many drivers and radiators, the port, and the air by
    which its length was reckoned where that is not told.
    """

    net: float
    drivers: int
    radiators: int = 0
    tube: Tube | None = None
    air: Air | None = None


def asked_by(box: BoxPlan) -> Asked:
    """Return what `box` asks of its boards: its volume less what it says is displaced, for boards count that anew.
    Raises ``usage`` for a box that is not one chamber of known volume; ``port_too_short``.
    """
    if not isinstance(box, (ClosedPlan, VentedPlan, PassivePlan)):
        raise TsfitError(f"A box of the kind {box.kind!r} is not one chamber; give --volume-l of each.", code="usage")
    if box.volume is None:
        raise TsfitError("The box is told by its Qtc; save it anew with --save-box, which tells its litres.", code="usage")
    net, count = box.volume - box.filling.displaced, box.drivers.count
    if isinstance(box, PassivePlan):
        return Asked(net, count, box.radiator.count)
    if isinstance(box, ClosedPlan):
        return Asked(net, count)
    port, air = box.opening.port, box.air or REFERENCE_AIR
    if port is None:
        raise TsfitError(
            "The box tells no size of its port; add a [port] table with diameter_cm to its file.", code="usage"
        )
    acting = box.filling.acting(box.volume)
    tuning = box.opening.tunes(box.tuning, acting, air)
    if box.opening.length is not None:
        return Asked(net, count, tube=Tube(port, box.opening.length))
    length = port.length(float(vented_box(acting, tuning, air).port_mass), air, tuning)
    return Asked(net, count, tube=Tube(port, length), air=air)
