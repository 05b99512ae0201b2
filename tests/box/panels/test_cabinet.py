"""Boards against sizes worked out by hand, and layouts against what no saw can break: overlap, edges, the saw cut."""

import itertools
import json
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tsfit.base.errors import TsfitError
from tsfit.box.panels.cabinet import cabinet
from tsfit.box.panels.plan import CabinetPlan, Tube
from tsfit.box.ports import Port
from tsfit.cli import main


def boards(net, **wanted):
    return cabinet(CabinetPlan(net, **wanted))


def area_of(built):
    """Area of all boards, m²."""
    return 1e-6 * sum(panel.count * panel.length_mm * panel.width_mm for panel in built.panels)


def test_an_opening_in_centimetres_is_told_before_it_is_cut():
    small, large = (boards(0.06, thickness=0.02, cutout=across).remarks for across in (0.0232, 0.232))
    assert any("23.2 mm is hardly a woofer's" in note for note in small)
    assert not any("hardly" in note for note in large)


def test_a_box_worked_out_by_hand():
    """24 l inside as 0.3 × 0.4 × 0.2 m, boards of 20 mm: outside 340 × 440 × 240 mm."""
    built = boards(0.024, thickness=0.02, proportions=(3.0, 4.0, 2.0), cutout=0.2, density=700.0)
    assert built.outside_mm == pytest.approx((340.0, 440.0, 240.0))
    sizes = {panel.name: (panel.count, 1e-3 * panel.length_mm, 1e-3 * panel.width_mm) for panel in built.panels}
    assert sizes == {
        "front": (1, pytest.approx(0.44), pytest.approx(0.34)),
        "back": (1, pytest.approx(0.44), pytest.approx(0.34)),
        "top and bottom": (2, pytest.approx(0.34), pytest.approx(0.2)),
        "sides": (2, pytest.approx(0.4), pytest.approx(0.2)),
    }
    area = 2 * 0.44 * 0.34 + 2 * 0.34 * 0.2 + 2 * 0.4 * 0.2
    assert area_of(built) == pytest.approx(area)
    assert built.weight_kg == pytest.approx(700.0 * 0.02 * (area - math.pi / 4 * 0.04))


@pytest.mark.parametrize("double", [False, True])
def test_wood_and_inside_make_the_outside(double):
    built = boards(0.06, thickness=0.019, driver=0.003, double_front=double, width=0.4)
    wood = 1e3 * area_of(built) * 0.019
    assert wood + built.gross_volume_l == pytest.approx(1e-6 * math.prod(built.outside_mm))
    assert built.gross_volume_l == pytest.approx(63.0)
    assert built.outside_mm[0] == pytest.approx(400.0)


def test_a_slot_and_a_window_worked_out_by_hand():
    """A slot of 20 × 3 cm, 18 cm over all, in board of 20 mm: behind the front 16 cm; the board over its air and the walls
    beside it is 24 cm wide, so 24 × 5 × 16 cm of the inside are gone. The window in half of a brace of 30 × 20 cm has the
    same frame f all around: (30 − 2f)(20 − 2f) = 300 gives f = 3.486 cm.
    """
    slot = Tube(Port(width=0.2, height=0.03, on_wall=True), 0.18)
    taken = 0.24 * 0.05 * 0.16 + 0.5 * 0.3 * 0.2 * 0.02
    built = boards(0.024 - taken, thickness=0.02, width=0.34, height=0.44, tube=slot, braces=1)
    assert built.inside_mm == pytest.approx((300.0, 400.0, 200.0))
    sizes = {one.name: (one.count, one.length_mm, one.width_mm) for one in built.panels}
    assert sizes["slot, above"] == (1, pytest.approx(240.0), pytest.approx(160.0))
    assert sizes["slot, walls"] == (2, pytest.approx(160.0), pytest.approx(30.0))
    (window,) = next(one for one in built.panels if one.name == "braces").holes
    assert (window.across_mm, window.upright_mm) == pytest.approx((200.0 - 69.72, 300.0 - 69.72), abs=0.01)
    (mouth,) = built.panels[0].holes
    assert (mouth.x_mm, mouth.y_mm, mouth.across_mm, mouth.upright_mm) == pytest.approx((170.0, 35.0, 200.0, 30.0))


def test_braces_and_what_is_inside_come_on_top_of_the_net_volume():
    built = boards(0.06, driver=0.002, braces=2, brace_open=0.4)
    wood = 2 * 0.6 * built.inside_mm[0] * built.inside_mm[2] * 19.0
    assert 1e-6 * (math.prod(built.inside_mm) - wood) - 2.0 == pytest.approx(60.0)
    assert built.gross_volume_l == pytest.approx(1e-6 * math.prod(built.inside_mm))


@settings(deadline=None, max_examples=40)
@given(st.floats(0.005, 0.25), st.floats(0.009, 0.03), st.integers(0, 3), st.booleans(), st.floats(0.0, 0.008))
def test_boards_keep_a_saw_cut_from_each_other_and_stay_on_the_sheet(volume, thickness, braces, double, kerf):
    built = boards(volume, thickness=thickness, braces=braces, double_front=double, kerf=kerf)
    assert len(built.layout) == sum(panel.count for panel in built.panels)
    area = sum(one.length_mm * one.width_mm for one in built.layout)
    assert area == pytest.approx(1e6 * area_of(built))
    assert built.waste == pytest.approx(1.0 - area / (built.sheets * math.prod(built.sheet_mm)))
    for one in built.layout:
        assert min(one.x_mm, one.y_mm) >= 0.0
        assert one.x_mm + one.length_mm <= built.sheet_mm[0] + 2e-2
        assert one.y_mm + one.width_mm <= built.sheet_mm[1] + 2e-2
    for a, b in itertools.combinations(built.layout, 2):
        aside = max(a.x_mm - b.x_mm - b.length_mm, b.x_mm - a.x_mm - a.length_mm)
        above = max(a.y_mm - b.y_mm - b.width_mm, b.y_mm - a.y_mm - a.width_mm)
        assert a.sheet != b.sheet or max(aside, above) >= 1e3 * kerf - 1e-6


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"net": 1.5, "sheet": (0.8, 0.6)}, "too_large"),
        ({"width": 0.3, "height": 0.4, "depth": 0.3}, "usage"),
        ({"thickness": 0.0}, "wrong_value"),
        ({"width": 0.03}, "wrong_value"),
        ({"cutout": 0.9}, "wrong_value"),
        ({"net": math.nan}, "wrong_value"),
        ({"net": 0.001, "braces": 20, "brace_open": 0.1, "height": 0.1}, "wrong_value"),
        ({"net": 0.0005, "braces": 20}, "wrong_value"),
        ({"brace_open": 0.0, "braces": 1}, "wrong_value"),
        ({"drivers": 2, "cutout": 0.2, "cutout_at": ((0.2, 0.2),)}, "usage"),
        ({"terminal_at": (0.2, 0.2)}, "usage"),
        ({"tube": Tube(Port(0.08), 0.5), "depth": 0.3}, "wrong_value"),
    ],
)
def test_what_cannot_be_built_is_refused(changes, code):
    with pytest.raises(TsfitError) as refused:
        boards(**{"net": 0.05, **changes})
    assert refused.value.code == code


def test_command_prints_cautions_and_writes_the_drawing(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as left:
        main(
            ["box", "panels", "--volume-l", "60", "--cutout-mm", "232", "--dxf", "b.dxf", "--plot", "b.svg", "-o", "b.json"]
        )
    assert left.value.code == 0
    out = capsys.readouterr().out
    assert "dust" in out
    assert "blade" in out
    assert (tmp_path / "b.svg").read_text().startswith("<?xml")
    assert json.loads((tmp_path / "b.json").read_text())["net_volume_l"] == pytest.approx(60.0)
