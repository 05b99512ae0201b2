"""The boards drawn: on paper and, read again by another program, to cut from."""

import io

import pytest
from matplotlib.patches import Circle, Rectangle

from tsfit.box.panels import CabinetPlan, cabinet
from tsfit.plots.panels import BOARD_LAYER, CUTOUT_LAYER, SHEET_LAYER, panels_dxf, panels_plot


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


def test_plot_shows_each_board_to_scale_on_its_sheet():
    """The areas of the rectangles, as drawn, are those of the sheets and of all boards."""
    built = cabinet(CabinetPlan(0.15, double_front=True, braces=2, cutout=0.25, sheet=(1.25, 1.0)))
    drawn = panels_plot(built)
    assert len(drawn.axes) == built.sheets
    patches = [patch for panel in drawn.axes for patch in panel.patches]
    areas = sorted(patch.get_width() * patch.get_height() for patch in patches if isinstance(patch, Rectangle))
    assert areas[-built.sheets :] == pytest.approx([1250.0 * 1000.0] * built.sheets)
    wanted = sum(panel.count * panel.length_mm * panel.width_mm for panel in built.panels)
    assert sum(areas[: -built.sheets]) == pytest.approx(wanted)
    assert [patch.radius for patch in patches if isinstance(patch, Circle)] == [125.0, 125.0]
    for panel in drawn.axes:
        assert panel.get_aspect() == 1.0
