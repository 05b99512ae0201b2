"""The drawings: up to date, legible, and electrically what the rig files say."""

import pytest
from helpers.drawn_circuit import DRAW, HARDWARE, NAMES, ROOT, Drawing, simulate

from tsfit.capture.rig import read_rig

IMPEDANCES = (0.0, 3.0, 6.0 + 4.0j, 60.0 - 25.0j, 400.0)


@pytest.mark.parametrize("name", NAMES)
def test_drawing_is_what_the_script_draws(name):
    assert (ROOT / f"{name}.svg").read_text(encoding="utf-8") == DRAW.draw(name)


@pytest.mark.parametrize("name", NAMES)
def test_drawing_joins_what_it_dots_and_nothing_hangs_loose(name):
    drawing = Drawing(name)
    ends = {point: drawing.ends_at(point) for point in drawing.points()}
    assert {point for point, count in ends.items() if count >= 3} == drawing.joints
    assert min(ends.values()) == 2, "loose end"


@pytest.mark.parametrize("name", NAMES)
def test_drawing_is_legible(name):
    drawing = Drawing(name)
    spans = []
    for element, words in drawing.texts:
        size, x, y = (float(element.get(key)) for key in ("font-size", "x", "y"))
        assert size >= 13, "under 12 pixels on a phone 360 wide"
        # Wide sans-serif faces take 0.6 of their size for a letter, 0.68 in bold.
        width = len(words) * size * (0.68 if element.get("font-weight") == "bold" else 0.6)
        left = x - (width / 2 if element.get("text-anchor") == "middle" else 0.0)
        spans.append((left, y - 0.75 * size, left + width, y + 0.2 * size, words))
    for k, (left, top, right, bottom, words) in enumerate(spans):
        assert left >= 0, words
        assert right <= drawing.view[2], words
        assert bottom <= drawing.view[3], words
        for x1, y1, x2, y2, other in spans[:k]:
            assert left >= x2 or x1 >= right or top >= y2 or y1 >= bottom, (words, other)
        for (x1, y1), (x2, y2) in drawing.lines:
            crosses = min(x1, x2) < right and max(x1, x2) > left and min(y1, y2) < bottom and max(y1, y2) > top
            assert not crosses, (words, (x1, y1), (x2, y2))
        for box in drawing.boxes:
            x1, y1, wide, high = (float(box.get(key)) for key in ("x", "y", "width", "height"))
            assert left >= x1 + wide or x1 >= right or top >= y1 + high or y1 >= bottom, words


@pytest.mark.parametrize("name", HARDWARE)
@pytest.mark.parametrize("z", IMPEDANCES)
def test_the_circuit_as_drawn_has_the_ratio_that_the_rig_file_gives(name, z):
    rig = read_rig(ROOT / f"{name}.toml")
    _, first, second = simulate(name, z)
    assert second / first == pytest.approx(rig.ratio(z), rel=1e-6, abs=1e-8)


def test_inputs_measure_what_the_notes_say():
    # A driver of 5 ohm: dividers show R1 + driver and driver, the shunt driver + R1 and R1.
    for name, ratio in (("line-divider", 5 / 105), ("amplifier-divider", 5 / 15), ("amplifier-shunt", 1 / 6)):
        _, first, second = simulate(name, 5.0)
        assert second / first == pytest.approx(ratio, rel=0.01)


def test_swapped_inputs_would_be_noticed():
    drawing = Drawing("line-divider")
    drawing.sockets["input 1"], drawing.sockets["input 2"] = drawing.sockets["input 2"], drawing.sockets["input 1"]
    _, first, second = simulate("line-divider", 6.0, drawing=drawing)
    assert abs(second / first) > 10 * abs(read_rig(ROOT / "line-divider.toml").ratio(6.0))


def test_amplifier_black_is_ground_and_no_balanced_leg_is():
    for name in ("amplifier-shunt", "amplifier-divider", "power-shunt"):
        drawing = Drawing(name)
        assert drawing.sockets["black"] == drawing.sockets["ground"] == drawing.ground
        assert drawing.sockets["red"] != drawing.ground
    assert Drawing("balanced-divider").ground is None


@pytest.mark.parametrize("one_sided", [False, True])
def test_balanced_halves_cancel_what_flows_to_ground(one_sided):
    rig = read_rig(ROOT / "balanced-divider.toml")
    for z in IMPEDANCES:
        _, first, second = simulate("balanced-divider", z, one_sided=one_sided)
        assert second / first == pytest.approx(rig.ratio(z), rel=1e-8, abs=1e-8)


def test_one_sided_resistor_errs_as_the_readme_says():
    drawing = Drawing("balanced-divider")
    parts = drawing.parts
    parts["R1"], parts["R2"] = ("100 Ω", *parts["R1"][1:]), ("0.000001 Ω", *parts["R2"][1:])
    _, first, second = simulate("balanced-divider", 6.0, drawing=drawing)
    z = read_rig(ROOT / "balanced-divider.toml").bilinear().impedance(second / first)
    assert float(abs(z) / 6.0 - 1.0) == pytest.approx(0.005, rel=0.1)
    assert "0.5 % wrong" in (ROOT / "README.md").read_text(encoding="utf-8")
