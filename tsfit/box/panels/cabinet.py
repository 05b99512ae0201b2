"""A box of boards: from net volume to outside size, cut list, openings, layout on sheets with its cuts, and weight.

A rectangular box with six panels. Front and back are as large as the outside; top and bottom lie between them over the
whole width; the sides stand between all four. A front of two layers is two boards, the second one inside the outline. A
slot is a board above its air, walls beside and between, and, where it does not lie on the lower wall, a board below.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import ClassVar

from tsfit.base.errors import TsfitError
from tsfit.box.panels.layout import Blank, Laid, SawCut, laid_out
from tsfit.box.panels.openings import Hole, Slots, back_openings, brace_heights, brace_window, front_openings, slots
from tsfit.box.panels.plan import CabinetPlan, Sides
from tsfit.box.told import LITRE

CAUTIONS = (
    "Saws and routers maim: read their manual, guard the blade, hold the work with clamps, not with a hand.",
    "Wood and board dust harms the lungs and may burn: draw it off, wear a mask and eye and ear protection.",
    "Boards and a finished cabinet are heavy: two people lift them. Local rules for workshops go before this list.",
)
LEAST_CUTOUT = 0.06
"""Diameter (m) of the opening of the smallest woofers (common practice, no source)."""


@dataclass(frozen=True)
class BoardHole:
    """An opening: its middle from the left and the lower edge of a board that stands with its length upright, as seen from
    outside; its diameter, or its size across and upright.
    """

    what: str
    x_mm: float
    y_mm: float
    diameter_mm: float | None = None
    across_mm: float | None = None
    upright_mm: float | None = None

    @property
    def sides_mm(self) -> tuple[float, float]:
        """Size across and upright."""
        return self.diameter_mm or self.across_mm or 0.0, self.diameter_mm or self.upright_mm or 0.0

    @property
    def size(self) -> str:
        """Its size in mm, as a list tells it."""
        return f"round, {self.diameter_mm:.1f}" if self.diameter_mm else " x ".join(f"{side:.1f}" for side in self.sides_mm)

    def laid(self, one: Laid, width_mm: float) -> "BoardHole":
        """Return it as it lies on the sheet with its board of that width: the middle from the sheet's corner, and sides."""
        if one.turned:
            return replace(self, x_mm=one.x_mm + self.x_mm, y_mm=one.y_mm + self.y_mm)
        place = one.x_mm + self.y_mm, one.y_mm + width_mm - self.x_mm
        return replace(self, x_mm=place[0], y_mm=place[1], across_mm=self.upright_mm, upright_mm=self.across_mm)


@dataclass(frozen=True)
class Board:
    """So many equal boards; `cutout_mm` is the diameter of a driver's opening, which stands among `holes` too."""

    name: str
    count: int
    length_mm: float
    width_mm: float
    cutout_mm: float | None
    holes: tuple[BoardHole, ...] = ()


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
    brace_at_mm: tuple[float, ...] = ()  # lower side of each brace above the inner lower wall
    port_length_mm: float | None = None  # over all, the front included
    port_l: float = 0.0  # what port and its boards take of the inside
    sheet_mm: tuple[float, float]  # length and width of one sheet
    sheets: int  # how many
    kerf_mm: float
    layout: tuple[Laid, ...]
    cuts: tuple[SawCut, ...] = ()  # in the order of work
    waste: float  # share of the sheets that no board takes
    weight_kg: float  # of the boards, openings taken off
    remarks: tuple[str, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS


@dataclass(frozen=True)
class _Panel:
    """`count` equal boards of `length` × `width` (m) with their openings, `x` of these along the width."""

    name: str
    count: int
    length: float
    width: float
    holes: tuple[Hole, ...] = ()


def cabinet(plan: CabinetPlan) -> Cabinet:
    """Work out the boards of a box. Raises ``wrong_value`` for what cannot be; ``usage`` for three fixed sizes;
    ``too_large`` for a board that no sheet holds.
    """
    inside, gross = _inside(plan)
    made = slots(plan, inside)
    front, back = front_openings(plan, inside, made), back_openings(plan, inside)
    try:
        braces = brace_heights(plan, inside, (*front, *back), made)
    except TsfitError:
        if not (front or back):
            raise
        front = front_openings(plan, inside, made, reserve=True)
        back = back_openings(plan, inside, front)
        braces = brace_heights(plan, inside, (*front, *back), made)
    panels = tuple(_panels(plan, inside, made, front, back))
    blanks = [Blank(one.name, one.length, one.width) for one in panels for _ in range(one.count)]
    placed, cuts = laid_out(blanks, plan.sheet, plan.kerf)
    sheets = max(one.sheet for one in placed)
    area = sum(one.count * one.length * one.width for one in panels)
    holes = sum(one.count * hole.area for one in panels for hole in one.holes)
    return Cabinet(
        net_volume_l=plan.net / LITRE,
        gross_volume_l=gross / LITRE,
        inside_mm=_mm(inside),
        outside_mm=_mm(side + wall for side, wall in zip(inside, plan.walls, strict=True)),
        thickness_mm=1e3 * plan.thickness,
        panels=tuple(_board(one) for one in panels),
        brace_at_mm=tuple(1e3 * height for height in braces),
        port_length_mm=None if plan.tube is None else 1e3 * plan.tube.length,
        port_l=_port(plan, made) / LITRE,
        sheet_mm=(1e3 * plan.sheet[0], 1e3 * plan.sheet[1]),
        sheets=sheets,
        kerf_mm=1e3 * plan.kerf,
        layout=placed,
        cuts=cuts,
        waste=1.0 - area / (sheets * plan.sheet[0] * plan.sheet[1]),
        weight_kg=plan.density * plan.thickness * (area - holes),
        remarks=tuple(_remarks(plan, inside)),
    )


def _mm(sides: Iterable[float]) -> Sides:
    w, h, d = (1e3 * side for side in sides)
    return w, h, d


def _inside(plan: CabinetPlan) -> tuple[Sides, float]:
    """Width, height and depth inside, and their volume: net, and what drivers, port and braces take."""
    within = gross = plan.net + plan.drivers * plan.driver
    # Braces and slots take what goes with the inside sizes only: solve for it by repetition, which contracts.
    for _ in range(200):
        w, h, d = plan.inside(gross)
        braces = plan.braces * (1.0 - plan.brace_open) * w * d * plan.thickness
        last, gross = gross, within + _port(plan, slots(plan, (w, h, d))) + braces
        if math.isclose(last, gross, rel_tol=1e-12):
            return (w, h, d), gross
    raise TsfitError("braces: they take more than the box has; take fewer, or thinner board.", code="wrong_value")


def _port(plan: CabinetPlan, made: Slots | None) -> float:
    """Volume (m³) that the port takes of the inside."""
    if made is not None:
        return made.solid
    if plan.tube is None:
        return plan.port
    return float(plan.tube.port.displaced(max(plan.tube.length - plan.front, 0.0)))


def _remarks(plan: CabinetPlan, inside: Sides) -> Iterable[str]:
    """Say what is left open and what is tight. Raises ``wrong_value`` for a port that no depth holds."""
    if plan.cutout is None:
        room = "" if plan.driver else " (and --driver-l for its room)"
        tube = plan.tube is not None and plan.tube.port.diameter is not None and not plan.port_at
        low = "; the port stands low to leave it a place" * tube
        yield f"No opening for the driver: --cutout-mm{room}{low}{'; the braces may lie behind it' * (plan.braces > 0)}."
    elif plan.cutout < LEAST_CUTOUT:
        yield f"An opening of {1e3 * plan.cutout:.3g} mm is hardly a woofer's: --cutout-mm is in millimetres."
    elif not plan.driver:
        yield "Nothing of the inside is counted for the driver: --driver-l."
    if plan.tube is not None:
        port, length = plan.tube.port, plan.tube.length - plan.front
        free, mouth = inside[2] - length, port.height or port.across
        within = f", {1e3 * plan.front:.0f} mm of it in the front," * (plan.front > 0.0)
        ends = f"ends {1e3 * free:.0f} mm before the back" if free > 0.0 else f"is {-1e3 * free:.0f} mm too long"
        told = f"the port of {1e3 * plan.tube.length:.0f} mm{within} {ends}"
        if free < 0.5 * mouth:
            depth = 1e3 * (length + mouth + plan.walls[2])
            raise TsfitError(
                f"port: in {1e3 * inside[2]:.0f} mm of inner depth {told}; make the box {depth:.0f} mm deep outside "
                "(--depth-mm), or take a smaller port.",
                code="wrong_value",
            )
        if free < mouth:
            yield f"Mind that {told}; one diameter, or height of a slot, is better left free behind it."


def _panels(
    plan: CabinetPlan, inside: Sides, made: Slots | None, front: tuple[Hole, ...], back: tuple[Hole, ...]
) -> Iterable[_Panel]:
    w, h, d = inside
    t, deep = plan.thickness, d + plan.walls[2] - 2.0 * plan.thickness
    yield _Panel("front", 1, h + 2.0 * t, w + 2.0 * t, front)
    if plan.double_front:
        yield _Panel("front, inner layer", 1, h, w, tuple(replace(hole, x=hole.x - t, y=hole.y - t) for hole in front))
    yield _Panel("back", 1, h + 2.0 * t, w + 2.0 * t, back)
    yield _Panel("top and bottom", 2, w + 2.0 * t, deep)
    yield _Panel("sides", 2, h, deep)
    if plan.braces:
        yield _Panel("braces", plan.braces, w, d, (brace_window(plan, inside),))
    if made is not None and made.length > 0.0:
        name, count = ("slot, above and below", 2) if made.floor else ("slot, above", 1)
        yield _Panel(name, count, made.across, made.length)
        walls = made.count - 1 + 2 * made.beside
        if walls:
            yield _Panel("slot, walls", walls, made.length, made.height)


def _board(one: _Panel) -> Board:
    drivers = [hole.width for hole in one.holes if hole.what == "driver"]
    holes = tuple(
        BoardHole(hole.what, 1e3 * hole.x, 1e3 * hole.y, diameter_mm=1e3 * hole.width)
        if hole.round
        else BoardHole(hole.what, 1e3 * hole.x, 1e3 * hole.y, across_mm=1e3 * hole.width, upright_mm=1e3 * hole.height)
        for hole in one.holes
    )
    return Board(one.name, one.count, 1e3 * one.length, 1e3 * one.width, 1e3 * drivers[0] if drivers else None, holes)
