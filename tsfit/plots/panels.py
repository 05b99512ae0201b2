"""The boards of a box on their sheets: a plot to look at, a DXF drawing to cut from."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

from tsfit.base.figures import in_figures
from tsfit.box.panels.cabinet import Board, Cabinet
from tsfit.box.panels.layout import Laid, half_mm

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BETWEEN_SHEETS, LETTER_MM = 100.0, 15.0
"""In the drawing, mm: what is left between sheets, and how high letters are where there is room."""
MARGIN_IN, HEAD_IN, CAPTION_IN, LINE_IN = 0.12, 0.3, 0.33, 0.2
NARROW_IN, HIGHEST_IN = 4.1, 5.0
"""Width for a phone, and how high a sheet may become."""
MOSTLY = 0.9
"""A sheet used beyond this share of its side is drawn whole."""
LEAST_PT = 5.0
"""Size of letters below which the size of an opening stands above it, not in it."""
UNDRIVEN = "without an opening for the driver, whose size was not told"
SHEET_LAYER, BOARD_LAYER, CUTOUT_LAYER, TEXT_LAYER = "SHEET", "BOARDS", "CUTOUTS", "TEXT"


def panels_plot(data: Cabinet, *, narrow: bool = False) -> Figure:
    """Draw the used part of each sheet to scale, the boards on it with names and sizes in millimetres.

    What stays whole of a sheet is told, and drawn only where there is room. A `narrow` figure is for the width of a phone.
    """
    from matplotlib.figure import Figure
    from matplotlib.patches import Rectangle

    from tsfit.plots.style import HAIR, INK, QUIET, SMALL, TEXT, TITLE, WIDTH_IN

    boards = {one.name: one for one in data.panels}
    used = [_used(data, number) for number in range(1, data.sheets + 1)]
    wide = NARROW_IN if narrow else WIDTH_IN
    room = wide - 2.0 * MARGIN_IN
    scale = min(room / max(length for length, _ in used), HIGHEST_IN / max(width for _, width in used))
    undriven = all(one.cutout_mm is None for one in data.panels)
    head = HEAD_IN + LINE_IN * undriven
    height = head + sum(width * scale + CAPTION_IN for _, width in used) + MARGIN_IN
    figure = Figure(figsize=(wide, height))
    w, h, d = map(half_mm, data.outside_mm)
    title = f"Boards of {in_figures(data.thickness_mm, 3)} mm for a box {w} wide, {h} high, {d} mm deep"
    figure.text(
        0.01, 1.0 - 0.07 / height, title, va="top", fontsize=SMALL if narrow else TITLE, color=INK, weight="bold"
    )  # fmt: skip
    if undriven:
        figure.text(0.01, 1.0 - (0.07 + LINE_IN) / height, UNDRIVEN, va="top", fontsize=TEXT - 2.0 * narrow, color=QUIET)
    foot = height - head
    for number, (taken, width) in enumerate(used, start=1):
        # What stays whole fills the room that is left beside the boards.
        length = min(max(taken, room / scale), data.sheet_mm[0])
        foot -= width * scale + CAPTION_IN
        axes = figure.add_axes((MARGIN_IN / wide, foot / height, length * scale / wide, width * scale / height))
        axes.set(xlim=(0.0, length), ylim=(0.0, width))
        axes.axis("off")
        axes.set_title(_caption(data, number, (taken, width)), loc="left", fontsize=TEXT - 2.0 * narrow, color=QUIET)
        axes.add_patch(Rectangle((0.0, 0.0), length, width, facecolor=HAIR, edgecolor="none"))
        # Where the sheet goes on, it has no edge.
        whole_length, whole_width = length == data.sheet_mm[0], width == data.sheet_mm[1]
        for x, y, edge in (
            ((0.0, 0.0), (0.0, width), True),
            ((0.0, length), (0.0, 0.0), True),
            ((length, length), (0.0, width), whole_length),
            ((0.0, length), (width, width), whole_width),
        ):
            look = "solid" if edge else (0, (1.5, 3.0))
            axes.plot(x, y, color=QUIET, linewidth=1.2, linestyle=look, clip_on=False)
        for one in (placed for placed in data.layout if placed.sheet == number):
            _board(axes, one, boards[one.panel], scale)
    return figure


def _used(data: Cabinet, sheet: int) -> tuple[float, float]:
    """Length and width of the part of a sheet that boards take, or of all of it where little is left, mm."""
    ends = [
        max((corner + size for number, corner, size in along if number == sheet), default=0.0) + data.kerf_mm
        for along in (
            [(one.sheet, one.x_mm, one.length_mm) for one in data.layout],
            [(one.sheet, one.y_mm, one.width_mm) for one in data.layout],
        )
    ]
    length, width = (end if end < MOSTLY * side else side for end, side in zip(ends, data.sheet_mm, strict=True))
    return length, width


def _caption(data: Cabinet, sheet: int, used: tuple[float, float]) -> str:
    (length, width), kerf = data.sheet_mm, data.kerf_mm
    said = f"sheet {sheet}: {length:.0f} × {width:.0f} mm, saw cut {in_figures(kerf, 2)} mm"
    left = length - used[0]
    return f"{said}; {left:.0f} mm to the right stay whole" if left else said


def _board(axes: Axes, one: Laid, board: Board, scale: float) -> None:
    """Draw one board; `scale` is inches per millimetre."""
    from matplotlib.patches import Circle, Patch, Rectangle

    from tsfit.plots.style import INK, LINES, SMALL

    x, y = one.x_mm, one.y_mm
    along, across = one.length_mm, one.width_mm
    axes.add_patch(Rectangle((x, y), along, across, facecolor="white", edgecolor=LINES[0][0], linewidth=0.9))
    for hole in (hole.laid(one, board.width_mm) for hole in board.holes):
        shape: Patch
        if hole.diameter_mm is not None:
            shape = Circle((hole.x_mm, hole.y_mm), 0.5 * hole.diameter_mm)
        else:
            across_mm, upright_mm = hole.sides_mm
            shape = Rectangle((hole.x_mm - 0.5 * across_mm, hole.y_mm - 0.5 * upright_mm), across_mm, upright_mm)
        shape.set(fill=False, edgecolor=LINES[1][0], linestyle="--", linewidth=0.8)
        axes.add_patch(shape)
    x, y, along, across = _widest_strip(one, board, windows=True)
    x, y = x + 0.5 * along, y + 0.5 * across
    for hole in (hole.laid(one, board.width_mm) for hole in board.holes):
        width, height = hole.sides_mm
        said = f"Ø {half_mm(width)}" if hole.diameter_mm is not None else f"{half_mm(width)} × {half_mm(height)}"
        size = min(SMALL, 72.0 * scale * width / (0.62 * (len(said) + 2)), 72.0 * scale * height / 2.0)
        if abs(hole.x_mm - x) < 0.5 * width and abs(hole.y_mm - y) < 0.5 * height:
            continue  # the board's name stands there
        beside = size < LEAST_PT
        axes.text(
            hole.x_mm, hole.y_mm + beside * (0.5 * height + 2.0 / (72.0 * scale)), said, ha="center",
            va="bottom" if beside else "center", fontsize=max(size, LEAST_PT), color=LINES[1][0],
        )  # fmt: skip
    upright = across > along
    if upright:
        along, across = across, along
    label = f"{board.name}\n{half_mm(board.length_mm)} × {half_mm(board.width_mm)}"
    # A letter is about 0.6 of its size wide; small boards get smaller writing, to stay inside.
    longest = max(map(len, label.split("\n")))
    size = min(SMALL, 72.0 * scale * along / (0.62 * longest), 72.0 * scale * across / 2.9)
    axes.text(x, y, label, ha="center", va="center", rotation=90 * upright, fontsize=size, color=INK)


def _widest_strip(one: Laid, board: Board, *, windows: bool = False) -> tuple[float, float, float, float]:
    """Left, lower, length and width (mm) of the largest part of a board beside, above or below all its openings.

    What shall only be read, not cut, may stand in `windows`, too.
    """
    left, low, right, high = one.x_mm, one.y_mm, one.x_mm + one.length_mm, one.y_mm + one.width_mm
    holes = [hole.laid(one, board.width_mm) for hole in board.holes]
    if not holes:
        return left, low, one.length_mm, one.width_mm
    spots = [((hole.x_mm, hole.y_mm), hole.sides_mm) for hole in holes]
    least_x, most_x, least_y, most_y = (
        end(place[k] + sign * 0.5 * sides[k] for place, sides in spots)
        for k in (0, 1)
        for end, sign in ((min, -1.0), (max, 1.0))
    )
    strips = [
        (left, low, least_x - left, high - low),
        (most_x, low, right - most_x, high - low),
        (left, low, right - left, least_y - low),
        (left, most_y, right - left, high - most_y),
    ]
    if windows:
        for hole in holes:
            # A round one holds a square of 0.7 of its diameter.
            along, across = (side * (1.0 if hole.diameter_mm is None else 0.7) for side in hole.sides_mm)
            strips.append((hole.x_mm - 0.5 * along, hole.y_mm - 0.5 * across, along, across))
    # Writing is long and low: a strip counts by the letters that it holds.
    return max(strips, key=lambda strip: min(min(strip[2:]), 0.2 * max(strip[2:])))


def panels_dxf(cabinet: Cabinet) -> bytes:
    """Return the layout as a DXF drawing in millimetres: outlines, cutouts and names on layers of their own."""
    from ezdxf import units
    from ezdxf.document import Drawing
    from ezdxf.enums import TextEntityAlignment

    drawing = Drawing.new()
    drawing.units = units.MM
    space = drawing.modelspace()
    for layer, colour in ((SHEET_LAYER, 8), (BOARD_LAYER, 7), (CUTOUT_LAYER, 1), (TEXT_LAYER, 8)):
        drawing.layers.add(layer, color=colour)
    (sheet, width), step = cabinet.sheet_mm, cabinet.sheet_mm[1] + BETWEEN_SHEETS
    boards = {board.name: board for board in cabinet.panels}

    def outline(x: float, y: float, length: float, width: float, layer: str) -> None:
        corners = [(x, y), (x + length, y), (x + length, y + width), (x, y + width)]
        space.add_lwpolyline(corners, close=True, dxfattribs={"layer": layer})

    for number in range(cabinet.sheets):
        outline(0.0, -number * step, sheet, width, SHEET_LAYER)
    for one in cabinet.layout:
        foot = one.y_mm - (one.sheet - 1) * step
        outline(one.x_mm, foot, one.length_mm, one.width_mm, BOARD_LAYER)
        board = boards[one.panel]
        for hole in (hole.laid(one, board.width_mm) for hole in board.holes):
            x, y = hole.x_mm, hole.y_mm - (one.sheet - 1) * step
            if hole.diameter_mm is not None:
                space.add_circle((x, y), 0.5 * hole.diameter_mm, dxfattribs={"layer": CUTOUT_LAYER})
            else:
                across_mm, upright_mm = hole.sides_mm
                outline(x - 0.5 * across_mm, y - 0.5 * upright_mm, across_mm, upright_mm, CUTOUT_LAYER)
        left, low, along, up = _widest_strip(one, board)
        middle = left + 0.5 * along, low + 0.5 * up - (one.sheet - 1) * step
        height = min(LETTER_MM, max(along, up) / len(one.panel), 0.7 * min(along, up))
        turned = {"rotation": 90.0} if up > along else {}
        text = space.add_text(one.panel, height=height, dxfattribs={"layer": TEXT_LAYER, **turned})
        text.set_placement(middle, align=TextEntityAlignment.MIDDLE_CENTER)
    stream = io.StringIO()
    drawing.write(stream)
    return stream.getvalue().encode(drawing.output_encoding)
