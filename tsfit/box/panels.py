"""A box of boards: from net volume to outside size, cut list, layout on sheets, and weight.

A rectangular box with six panels. Front and back are as large as the outside; top and bottom lie between them over the
whole width; the sides stand between all four. A front of two layers is two boards, the second one inside the outline.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, ClassVar

from tsfit.base.errors import TsfitError
from tsfit.box.told import LITRE, MM, Told, within

Sides = tuple[float, float, float]
PROPORTIONS = (1.0, 1.26, 1.59)
"""Depth, width and height inside, as third parts of an octave apart, so that no two standing waves meet. Common practice,
no source."""
DENSITY = 720.0
"""Of fibre board, kg/m³ (common practice, no source)."""
CAUTIONS = (
    "Saws and routers maim: read their manual, guard the blade, hold the work with clamps, not with a hand.",
    "Wood and board dust harms the lungs and may burn: draw it off, wear a mask and eye and ear protection.",
    "Boards and a finished cabinet are heavy: two people lift them. Local rules for workshops go before this list.",
)


@dataclass(frozen=True)
class Panel:
    """`count` equal boards of `length` × `width` (m), with a round cutout of diameter `cutout` (m) in its middle if any."""

    name: str
    count: int
    length: float
    width: float
    cutout: float | None = None


@dataclass(frozen=True)
class Board:
    """So many equal boards, with a round cutout in the middle if any."""

    name: str
    count: int
    length_mm: float
    width_mm: float
    cutout_mm: float | None


@dataclass(frozen=True)
class Laid:
    """A board on a sheet: its lower left corner and its size there, turned by a right angle or not."""

    panel: str
    sheet: int
    x_mm: float
    y_mm: float
    length_mm: float
    width_mm: float
    turned: bool = False


@dataclass(frozen=True, kw_only=True)
class Cabinet:
    """A cut list and what belongs to it."""

    KIND: ClassVar = "boards"

    net_volume_l: float  # inside, without what is in it
    gross_volume_l: float  # with it
    inside_mm: Sides  # width, height, depth
    outside_mm: Sides
    thickness_mm: float
    panels: tuple[Board, ...]
    sheet_mm: tuple[float, float]  # length and width of one sheet
    sheets: int  # how many
    kerf_mm: float
    layout: tuple[Laid, ...]
    waste: float  # share of the sheets that no board takes
    weight_kg: float  # of the boards, cutouts taken off
    cautions: tuple[str, ...] = CAUTIONS


@dataclass(frozen=True)
class CabinetPlan:
    """What a box of boards is to be, m and m³. Raises ``wrong_value`` for what cannot be.

    Outside sizes may be fixed, at most two; the others keep the proportions inside, of which `driver` and `port` take some.
    """

    net: Annotated[float, Told("volume_l", LITRE)]  # volume that the air shall have
    driver: Annotated[float, Told("driver_l", LITRE)] = 0.0
    port: Annotated[float, Told("port_l", LITRE)] = 0.0
    thickness: Annotated[float, Told("thickness_mm", MM)] = 0.019  # of the board
    width: Annotated[float | None, Told("width_mm", MM)] = None
    height: Annotated[float | None, Told("height_mm", MM)] = None
    depth: Annotated[float | None, Told("depth_mm", MM)] = None
    proportions: Sides = (PROPORTIONS[1], PROPORTIONS[2], PROPORTIONS[0])  # width, height, depth
    double_front: bool = False  # a second board is glued behind the front, between the other panels
    braces: int = 0  # boards across the inside, parallel to top and bottom
    brace_open: float = 0.5  # share of their area that is cut away
    cutout: Annotated[float | None, Told("cutout_mm", MM)] = None  # diameter of the driver's opening
    sheet: Annotated[tuple[float, float], Told("sheet_mm", MM)] = (2.5, 1.25)
    kerf: Annotated[float, Told("kerf_mm", MM)] = 0.004  # width of the saw cut
    density: float = DENSITY  # of the board, kg/m³

    def __post_init__(self) -> None:
        within(self.net / LITRE, 0.01, 1e5, "volume", "l")
        within(self.thickness / MM, 1.0, 100.0, "thickness", "mm")
        within(self.displaced / LITRE, 0.0, 1e5, "displaced volume", "l")
        within(self.braces, 0, 20, "number of braces", "")
        within(self.brace_open, 0.0, 0.95, "open share of a brace", "")
        within(self.kerf / MM, 0.0, 20.0, "kerf", "mm")
        within(self.density, 50.0, 3000.0, "density", "kg/m3")
        for edge, name in zip(self.sheet, ("sheet length", "sheet width"), strict=True):
            within(edge / MM, 50.0, 1e4, name, "mm")
        for side, wall, name in zip(self.fixed, self.walls, ("width", "height", "depth"), strict=True):
            if side is not None:
                within(side / MM, wall / MM + 10.0, 1e4, name, "mm")
        for ratio in self.proportions:
            within(ratio, 0.05, 20.0, "proportion", "")

    @property
    def displaced(self) -> float:
        """What driver and port take of the inside, m³."""
        return self.driver + self.port

    @property
    def fixed(self) -> tuple[float | None, float | None, float | None]:
        """Outside width, height and depth that are fixed, m."""
        return self.width, self.height, self.depth

    @property
    def walls(self) -> Sides:
        """What the boards take of the outside width, height and depth, m."""
        return 2.0 * self.thickness, 2.0 * self.thickness, (3.0 if self.double_front else 2.0) * self.thickness

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


def cabinet(plan: CabinetPlan) -> Cabinet:
    """Work out the boards of a box. Raises ``wrong_value`` for what cannot be; ``usage`` for three fixed sizes;
    ``too_large`` for a board that no sheet holds.
    """
    # Braces take a share of the volume that goes with the inside height only: solve for it by repetition, which contracts.
    gross, solid = plan.net + plan.displaced, 1.0 - plan.brace_open
    for _ in range(60):
        w, h, d = plan.inside(gross)
        gross = plan.net + plan.displaced + plan.braces * solid * w * d * plan.thickness
    if not math.isclose(w * h * d, gross, rel_tol=1e-6):
        raise TsfitError("braces: they take more than the box has; take fewer, or thinner board.", code="wrong_value")
    if plan.cutout is not None:
        within(plan.cutout / MM, 10.0, min(w, h) / MM, "cutout", "mm")
    outside = w + plan.walls[0], h + plan.walls[1], d + plan.walls[2]
    panels = _panels(plan, (w, h, d), outside)
    placed, sheets = layout(panels, plan.sheet, plan.kerf)
    holes = sum(math.pi / 4.0 * panel.cutout**2 for panel in panels if panel.cutout is not None)
    area = sum(panel.count * panel.length * panel.width for panel in panels)
    return Cabinet(
        net_volume_l=plan.net / LITRE,
        gross_volume_l=gross / LITRE,
        inside_mm=(1e3 * w, 1e3 * h, 1e3 * d),
        outside_mm=(1e3 * outside[0], 1e3 * outside[1], 1e3 * outside[2]),
        thickness_mm=1e3 * plan.thickness,
        panels=tuple(
            Board(one.name, one.count, 1e3 * one.length, 1e3 * one.width, one.cutout and 1e3 * one.cutout) for one in panels
        ),
        sheet_mm=(1e3 * plan.sheet[0], 1e3 * plan.sheet[1]),
        sheets=sheets,
        kerf_mm=1e3 * plan.kerf,
        layout=placed,
        waste=1.0 - area / (sheets * plan.sheet[0] * plan.sheet[1]),
        weight_kg=plan.density * plan.thickness * (area - holes - plan.braces * plan.brace_open * w * d),
    )


def _panels(plan: CabinetPlan, inside: Sides, outside: Sides) -> tuple[Panel, ...]:
    w, h, d = inside
    deep = d + plan.walls[2] - 2.0 * plan.thickness
    return (
        Panel("front", 1, outside[1], outside[0], plan.cutout),
        *([Panel("front, inner layer", 1, h, w, plan.cutout)] if plan.double_front else []),
        Panel("back", 1, outside[1], outside[0]),
        Panel("top and bottom", 2, outside[0], deep),
        Panel("sides", 2, h, deep),
        *([Panel("braces", plan.braces, w, d)] if plan.braces else []),
    )


def layout(panels: Sequence[Panel], sheet: tuple[float, float], kerf: float) -> tuple[tuple[Laid, ...], int]:
    """Place all boards on as few sheets as the packing finds, a kerf between any two; returns them and the sheet count.
    Raises ``too_large`` when a board fits on no sheet.
    """
    from rectpack import newPacker

    unit = 1e-5
    boards = [panel for panel in panels for _ in range(panel.count)]
    for panel in boards:
        if max(panel.length, panel.width) > max(sheet) or min(panel.length, panel.width) > min(sheet):
            raise TsfitError(
                f"{panel.name}: {1e3 * panel.length:.0f} x {1e3 * panel.width:.0f} mm does not fit on a sheet of "
                f"{1e3 * sheet[0]:.0f} x {1e3 * sheet[1]:.0f} mm; take a larger sheet or other proportions.",
                code="too_large",
            )
    # Every board, and the sheet, is a kerf larger each way: so no board is nearer than a kerf to the next one.
    packer = newPacker(rotation=True)
    for number, panel in enumerate(boards):
        packer.add_rect(*(math.ceil((side + kerf) / unit - 1e-6) for side in (panel.length, panel.width)), rid=number)
    packer.add_bin(*(math.ceil((side + kerf) / unit) for side in sheet), count=len(boards))
    packer.pack()
    placed = []
    for number, x, y, length, _, board in packer.rect_list():
        panel = boards[board]
        straight = abs(length * unit - kerf - panel.length) <= abs(length * unit - kerf - panel.width)
        along, across = (panel.length, panel.width) if straight else (panel.width, panel.length)
        turned = not math.isclose(along, panel.length)
        place = 1e3 * (x * unit), 1e3 * (y * unit)
        placed.append(Laid(panel.name, number + 1, *place, 1e3 * along, 1e3 * across, turned))
    return tuple(placed), max(one.sheet for one in placed)
