"""A box of boards: from net volume to outside size, cut list, layout on sheets, and weight.

A rectangular box with six panels. Front and back are as large as the outside; top and bottom lie between them over the
whole width; the sides stand between all four. A front of two layers is two boards, the second one inside the outline.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from tsfit.base.errors import TsfitError
from tsfit.box.bounds import within
from tsfit.box.told import LITRE

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
class Placed:
    """A board on a sheet: its lower left corner and its size there, m; turned by a right angle where `turned`."""

    panel: Panel
    sheet: int
    x: float
    y: float
    length: float
    width: float

    @property
    def turned(self) -> bool:
        """Whether its length runs across the sheet."""
        return not math.isclose(self.length, self.panel.length)


@dataclass(frozen=True)
class Cabinet:
    """A cut list and what belongs to it, SI.

    Attributes
    ----------
    net, gross : inside volume without and with what is in it, m³
    inside, outside : width, height, depth, m
    thickness : m
    panels : tuple of Panel
    placed : tuple of Placed
    sheet : length and width of one sheet, m
    sheets : how many
    kerf : m
    weight : of the boards, cutouts taken off, kg
    """

    net: float
    gross: float
    inside: tuple[float, float, float]
    outside: tuple[float, float, float]
    thickness: float
    panels: tuple[Panel, ...]
    placed: tuple[Placed, ...]
    sheet: tuple[float, float]
    sheets: int
    kerf: float
    weight: float

    @property
    def area(self) -> float:
        """Of all boards, cutouts not taken off, m²."""
        return sum(panel.count * panel.length * panel.width for panel in self.panels)

    @property
    def waste(self) -> float:
        """Share of the sheets that no board takes."""
        return 1.0 - self.area / (self.sheets * self.sheet[0] * self.sheet[1])

    def to_dict(self) -> dict[str, Any]:
        """Return the fixed machine form."""
        return {
            "net_volume_l": self.net / LITRE,
            "gross_volume_l": self.gross / LITRE,
            "inside_mm": [1e3 * side for side in self.inside],
            "outside_mm": [1e3 * side for side in self.outside],
            "thickness_mm": 1e3 * self.thickness,
            "panels": [
                {
                    "name": panel.name,
                    "count": panel.count,
                    "length_mm": 1e3 * panel.length,
                    "width_mm": 1e3 * panel.width,
                    "cutout_mm": None if panel.cutout is None else 1e3 * panel.cutout,
                }
                for panel in self.panels
            ],
            "sheet_mm": [1e3 * side for side in self.sheet],
            "sheets": self.sheets,
            "kerf_mm": 1e3 * self.kerf,
            "layout": [
                {
                    "panel": one.panel.name,
                    "sheet": one.sheet + 1,
                    "x_mm": 1e3 * one.x,
                    "y_mm": 1e3 * one.y,
                    "length_mm": 1e3 * one.length,
                    "width_mm": 1e3 * one.width,
                    "turned": one.turned,
                }
                for one in self.placed
            ],
            "waste": self.waste,
            "weight_kg": self.weight,
            "cautions": list(CAUTIONS),
        }


def inside_size(
    gross: float,
    *,
    width: float | None = None,
    height: float | None = None,
    depth: float | None = None,
    proportions: tuple[float, float, float] = (PROPORTIONS[1], PROPORTIONS[2], PROPORTIONS[0]),
) -> tuple[float, float, float]:
    """Width, height and depth inside (m) of `gross` volume (m³); sides that are given stay, the others keep proportions.

    Raises
    ------
    TsfitError
        ``usage`` when all three are given.
    """
    given = (width, height, depth)
    if None not in given:
        raise TsfitError("Width, height and depth are all given, so the volume is too; leave one out.", code="usage")
    for ratio in proportions:
        within(ratio, 0.05, 20.0, "proportion", "")
    known = math.prod(side for side in given if side is not None)
    free = [ratio for side, ratio in zip(given, proportions, strict=True) if side is None]
    scale = (gross / (known * math.prod(free))) ** (1.0 / len(free))
    w, h, d = (ratio * scale if side is None else side for side, ratio in zip(given, proportions, strict=True))
    return w, h, d


def cabinet(
    net: float,
    *,
    thickness: float = 0.019,
    displaced: float = 0.0,
    width: float | None = None,
    height: float | None = None,
    depth: float | None = None,
    proportions: tuple[float, float, float] = (PROPORTIONS[1], PROPORTIONS[2], PROPORTIONS[0]),
    double_front: bool = False,
    braces: int = 0,
    brace_open: float = 0.5,
    cutout: float | None = None,
    sheet: tuple[float, float] = (2.5, 1.25),
    kerf: float = 0.004,
    density: float = DENSITY,
) -> Cabinet:
    """Work out the boards of a box.

    Parameters
    ----------
    net : float
        Volume that the air shall have, m³.
    displaced : float
        What driver and port take of the inside, m³.
    width, height, depth : float
        Outside sizes that are fixed, m; at most two.
    proportions : tuple of float
        Of the inside width, height and depth, for the sizes that are not fixed.
    double_front : bool
        Glue a second board behind the front, which fits between the other panels.
    braces : int
        Boards across the inside, parallel to top and bottom, with `brace_open` of their area cut away.
    cutout : float
        Diameter of the driver's opening, m.
    sheet, kerf : size of a sheet and width of the saw cut, m
    density : of the board, kg/m³

    Raises
    ------
    TsfitError
        ``wrong_value`` for what cannot be; ``usage`` for three fixed sizes; ``too_large`` for a board that no sheet holds.
    """
    within(net / LITRE, 0.01, 1e5, "volume", "l")
    within(1e3 * thickness, 1.0, 100.0, "thickness", "mm")
    within(displaced / LITRE, 0.0, 1e5, "displaced volume", "l")
    within(braces, 0, 20, "number of braces", "")
    within(brace_open, 0.0, 0.95, "open share of a brace", "")
    within(1e3 * kerf, 0.0, 20.0, "kerf", "mm")
    within(density, 50.0, 3000.0, "density", "kg/m3")
    for edge, name in ((sheet[0], "sheet length"), (sheet[1], "sheet width")):
        within(1e3 * edge, 50.0, 1e4, name, "mm")
    walls = (2.0 * thickness, 2.0 * thickness, (3.0 if double_front else 2.0) * thickness)
    fixed: list[float | None] = []
    for side, wall, name in zip((width, height, depth), walls, ("width", "height", "depth"), strict=True):
        if side is not None:
            within(1e3 * side, 1e3 * wall + 10.0, 1e4, name, "mm")
        fixed.append(None if side is None else side - wall)
    # Braces take a share of the volume that goes with the inside height only: solve for it by repetition, which contracts.
    gross = net + displaced
    for _ in range(60):
        w, h, d = inside_size(gross, width=fixed[0], height=fixed[1], depth=fixed[2], proportions=proportions)
        gross = net + displaced + braces * (1.0 - brace_open) * w * d * thickness
    if not math.isclose(w * h * d, gross, rel_tol=1e-6):
        raise TsfitError("braces: they take more than the box has; take fewer, or thinner board.", code="wrong_value")
    outside = w + walls[0], h + walls[1], d + walls[2]
    if cutout is not None:
        within(1e3 * cutout, 10.0, 1e3 * min(w, h), "cutout", "mm")
    panels = [Panel("front", 1, outside[1], outside[0], cutout)]
    if double_front:
        panels.append(Panel("front, inner layer", 1, h, w, cutout))
    panels += [
        Panel("back", 1, outside[1], outside[0]),
        Panel("top and bottom", 2, outside[0], d + walls[2] - 2.0 * thickness),
        Panel("sides", 2, h, d + walls[2] - 2.0 * thickness),
    ]
    if braces:
        panels.append(Panel("braces", braces, w, d))
    placed, sheets = layout(panels, sheet, kerf)
    holes = sum(math.pi / 4.0 * panel.cutout**2 for panel in panels if panel.cutout is not None)
    area = sum(panel.count * panel.length * panel.width for panel in panels) - holes - braces * brace_open * w * d
    return Cabinet(
        net, gross, (w, h, d), outside, thickness, tuple(panels), placed, sheet, sheets, kerf, density * thickness * area
    )


def layout(panels: list[Panel], sheet: tuple[float, float], kerf: float) -> tuple[tuple[Placed, ...], int]:
    """Place all boards on as few sheets as the packing finds, a kerf between any two; returns them and the sheet count.

    Raises
    ------
    TsfitError
        ``too_large`` when a board fits on no sheet.
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
        size = (panel.length, panel.width) if straight else (panel.width, panel.length)
        placed.append(Placed(panel, number, x * unit, y * unit, *size))
    return tuple(placed), 1 + max(one.sheet for one in placed)
