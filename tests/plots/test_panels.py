"""The boards drawn: on paper and, read again by another program, to cut from."""

import contextlib
import io
import math
import os

import numpy as np
import pytest
from matplotlib.patches import Circle, Rectangle

from tsfit.base.errors import TsfitError
from tsfit.box.panels.cabinet import cabinet
from tsfit.box.panels.plan import CabinetPlan, Tube
from tsfit.box.ports import Port
from tsfit.plots.panels import BOARD_LAYER, CUTOUT_LAYER, SHEET_LAYER, UNDRIVEN, panels_dxf, panels_plot

BOXES = int(os.environ.get("TSFIT_CABINETS", "8"))


def test_drawing_read_again_holds_every_board_in_millimetres():
    import ezdxf

    built = cabinet(CabinetPlan(0.15, double_front=True, braces=2, cutout=0.25, sheet=(1.25, 1.0)))
    drawing = ezdxf.read(io.StringIO(panels_dxf(built).decode()))
    assert drawing.units == ezdxf.units.MM
    assert not drawing.audit().errors
    space = drawing.modelspace()
    assert len(space.query(f'LWPOLYLINE[layer=="{SHEET_LAYER}"]')) == built.sheets > 1
    found = []
    for line in space.query(f'LWPOLYLINE[layer=="{BOARD_LAYER}"]'):
        (x0, y0), (x1, y1) = line.get_points("xy")[0], line.get_points("xy")[2]
        found.append(tuple(sorted((round(x1 - x0, 3), round(y1 - y0, 3)))))
    wanted = [
        tuple(sorted((round(panel.length_mm, 3), round(panel.width_mm, 3))))
        for panel in built.panels
        for _ in range(panel.count)
    ]
    assert sorted(found) == sorted(wanted)
    assert [circle.dxf.radius for circle in space.query(f'CIRCLE[layer=="{CUTOUT_LAYER}"]')] == [125.0, 125.0]


AT_CUTOUT = ((0.21, 0.42),)
SLOT, WALL_SLOT = Port(width=0.2, height=0.03, count=2), Port(width=0.25, height=0.04, on_wall=True)


@pytest.mark.parametrize(
    "told",
    [
        {"braces": 3, "cutout": 0.2, "cutout_at": AT_CUTOUT},
        {"braces": 1, "tube": Tube(WALL_SLOT, 0.22), "double_front": True, "cutout": 0.2, "drivers": 2},
        {"braces": 2, "tube": Tube(SLOT, 0.2), "width": 0.62, "brace_open": 0.3, "terminal": 0.05, "cutout": 0.2},
        {"braces": 2, "tube": Tube(Port(0.07, count=2), 0.25), "radiators": 2, "radiator_cutout": 0.16, "cutout": 0.16},
    ],
)
def test_net_volume_is_what_the_drawing_leaves(told):
    """All solids of the drawing, taken out of the outside of the box, leave the air that was asked for."""
    leaves_the_net_volume(CabinetPlan(0.08, driver=0.0013, **told))


@pytest.mark.against(
    "cut lists, `TSFIT_CABINETS` drawn boxes",
    "volume that the boards of the DXF drawing leave",
    "0.1 %; ezdxf audits clean",
)
def test_boards_of_drawn_boxes_leave_the_volume_that_was_asked_for():
    """A box that cannot be built says so; most can."""
    built = 0
    for seed in range(BOXES):
        with contextlib.suppress(TsfitError):
            leaves_the_net_volume(drawn_plan(np.random.default_rng(seed)))
            built += 1
    assert built >= 0.6 * BOXES


def drawn_plan(generator):
    """Boxes of 8 to 200 litres with drivers, ports or slots, braces, cups and boards as builders take them."""
    uniform, pick = generator.uniform, generator.integers
    net = math.exp(uniform(math.log(0.008), math.log(0.2)))
    side = net ** (1 / 3)
    round_port = Port(side * uniform(0.1, 0.2), count=int(pick(1, 3)))
    slot = Port(width=side * uniform(0.3, 0.5), height=0.03, count=1, on_wall=bool(pick(2)))
    port = (None, round_port, slot)[pick(3)]
    told = {
        "driver": net * uniform(0.0, 0.04),
        "thickness": float(generator.choice([0.012, 0.016, 0.019, 0.022])),
        "double_front": bool(pick(2)),
        "braces": int(pick(0, 4)),
        "brace_open": uniform(0.3, 0.6),
        "drivers": int(pick(1, 3)),
        "cutout": side * uniform(0.25, 0.5),
        "terminal": 0.05 if pick(2) else None,
        "tube": None if port is None else Tube(port, side * uniform(0.3, 0.6)),
    }
    return CabinetPlan(net, **told)


def leaves_the_net_volume(plan):
    import ezdxf

    built = cabinet(plan)
    space = ezdxf.read(io.StringIO(panels_dxf(built).decode())).modelspace()
    assert not space.doc.audit().errors

    def sizes(layer):
        for line in space.query(f'LWPOLYLINE[layer=="{layer}"]'):
            (x0, y0), (x1, y1) = line.get_points("xy")[0], line.get_points("xy")[2]
            yield x0, y0, x1, y1

    wood = sum((x1 - x0) * (y1 - y0) for x0, y0, x1, y1 in sizes(BOARD_LAYER))
    windows = mouths = 0.0
    for x0, y0, x1, y1 in sizes(CUTOUT_LAYER):
        # A window is far larger than the mouth of a slot, which is in each layer of the front.
        if min(x1 - x0, y1 - y0) > 50.0:
            windows += (x1 - x0) * (y1 - y0)
        else:
            mouths += (x1 - x0) * (y1 - y0) / (2 if plan.double_front else 1)
    ports = tube = 0.0
    if plan.tube is not None:
        behind, across = 1e3 * (plan.tube.length - plan.front), plan.tube.port.diameter
        ports = mouths * behind
        if across is not None:
            tube = plan.tube.port.count * behind * math.pi / 4 * (1e3 * across + 6.0) ** 2
    taken = plan.drivers * 1e9 * plan.driver
    net = math.prod(built.outside_mm) - built.thickness_mm * (wood - windows) - ports - tube - taken
    assert net == pytest.approx(1e9 * plan.net, rel=1e-3)
    # Letters are hardly wider than high; each name lies on its own board.
    for text in space.query("TEXT"):
        (_, at, _), high = text.get_placement(), text.dxf.height
        reach = (0.5 * high * len(text.dxf.text), 0.5 * high)[:: -1 if text.dxf.rotation else 1]
        around = (at.x - reach[0], at.y - reach[1], at.x + reach[0], at.y + reach[1])
        assert any(
            x0 <= around[0] + 1e-6 and y0 <= around[1] + 1e-6 and x1 >= around[2] - 1e-6 and y1 >= around[3] - 1e-6
            for x0, y0, x1, y1 in sizes(BOARD_LAYER)
        )
    circles = [round(2.0 * circle.dxf.radius, 3) for circle in space.query(f'CIRCLE[layer=="{CUTOUT_LAYER}"]')]
    listed = [round(hole.diameter_mm, 3) for one in built.panels for hole in one.holes if hole.diameter_mm]
    assert sorted(circles) == sorted(listed)


def test_openings_lie_on_their_boards_as_they_are_told():
    """A driver 21 cm from the left and 42 cm from below: the same distances from two edges of its board in the drawing."""
    import ezdxf

    built = cabinet(CabinetPlan(0.08, cutout=0.2, cutout_at=AT_CUTOUT))
    space = ezdxf.read(io.StringIO(panels_dxf(built).decode())).modelspace()
    (circle,) = space.query(f'CIRCLE[layer=="{CUTOUT_LAYER}"]')
    x, y = circle.dxf.center.x, circle.dxf.center.y
    for line in space.query(f'LWPOLYLINE[layer=="{BOARD_LAYER}"]'):
        (x0, y0), (x1, y1) = line.get_points("xy")[0], line.get_points("xy")[2]
        if x0 < x < x1 and y0 < y < y1:
            upright = y1 - y0 == pytest.approx(built.outside_mm[1])
            # Upright as it stands; lying, turned to the right: the left edge is then the upper one.
            at = (x - x0, y - y0) if upright else (y1 - y, x - x0)
            assert at == pytest.approx((210.0, 420.0))


def test_plot_shows_each_board_to_scale_on_its_sheet():
    """The areas of the rectangles, as drawn, are those of all boards; all stand within what is drawn of their sheet."""
    built = cabinet(CabinetPlan(0.15, double_front=True, braces=2, cutout=0.25, sheet=(1.25, 1.0)))
    for drawn in (panels_plot(built), panels_plot(built, narrow=True)):
        assert len(drawn.axes) == built.sheets
        found, scales = 0.0, []
        for panel in drawn.axes:
            sheet, *boards = [patch for patch in panel.patches if isinstance(patch, Rectangle) and patch.get_fill()]
            for board in boards:
                found += board.get_width() * board.get_height()
                assert board.get_x() + board.get_width() <= sheet.get_width() <= 1250.0
                assert board.get_y() + board.get_height() <= sheet.get_height() <= 1000.0
            place = panel.get_position()
            width, height = drawn.get_size_inches()
            scales += [place.width * width / sheet.get_width(), place.height * height / sheet.get_height()]
        assert found == pytest.approx(sum(panel.count * panel.length_mm * panel.width_mm for panel in built.panels))
        assert scales == pytest.approx([scales[0]] * len(scales))
        circles = [patch.radius for panel in drawn.axes for patch in panel.patches if isinstance(patch, Circle)]
        assert circles == [125.0, 125.0]


@pytest.mark.parametrize(("narrow", "of_it"), [(False, 0.35), (True, 0.6)])
def test_a_small_box_on_a_large_sheet_leaves_no_empty_half(narrow, of_it):
    """Boards of 1.3 m² on a sheet of 3.1 m²: what is not cut is told, and fills what the boards leave of the width."""
    built = cabinet(CabinetPlan(0.045, braces=1, cutout=0.2))
    (panel,) = panels_plot(built, narrow=narrow).axes
    sheet, *boards = [patch for patch in panel.patches if isinstance(patch, Rectangle) and patch.get_fill()]
    assert panel.get_position().width > 0.92
    assert sum(one.get_width() * one.get_height() for one in boards) > of_it * sheet.get_width() * sheet.get_height()
    left = built.sheet_mm[0] - max(one.get_x() + one.get_width() for one in boards) - built.kerf_mm
    assert left > 1000.0
    assert f"{left:.0f} mm to the right stay whole" in panel.get_title(loc="left")


def test_openings_are_told_in_millimetres_off_the_names_of_their_boards():
    figure = panels_plot(cabinet(CabinetPlan(0.046, driver=0.0021, cutout=0.232, terminal=0.052, braces=1)))
    figure.canvas.draw()
    texts = [text for panel in figure.axes for text in panel.texts]
    written = {text.get_text(): text.get_window_extent() for text in texts}
    assert {"Ø 232", "Ø 52"} <= written.keys()
    names = [box for words, box in written.items() if "\n" in words]
    for size in ("Ø 232", "Ø 52"):
        assert not any(written[size].overlaps(name) for name in names)


@pytest.mark.parametrize("cutout", [None, 0.2])
def test_a_front_without_a_driver_is_drawn_with_a_word(cutout):
    figure = panels_plot(cabinet(CabinetPlan(0.06, tube=Tube(Port(0.1), 0.15), cutout=cutout)))
    assert (UNDRIVEN in [text.get_text() for text in figure.texts]) == (cutout is None)
