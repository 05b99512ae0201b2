"""``tsfit box panels``: the boards enclose the volume that was asked for, as printed and in the machine form."""

import json
import re

import pytest


def test_the_printed_boards_enclose_the_volume(tsfit):
    asked = ("panels", "--volume-l", "60", "--driver-l", "2", "--thickness-mm", "18")
    data = json.loads(tsfit(*asked, "--json")[1])
    width, height, depth = data["inside_mm"]
    assert 1e-6 * width * height * depth == pytest.approx(62.0, rel=1e-6)
    around = [outer - inner for outer, inner in zip(data["outside_mm"], data["inside_mm"], strict=True)]
    assert around == pytest.approx([36.0] * 3)
    code, out, _ = tsfit(*asked)
    assert code == 0
    front = re.search(r"front +1 +([\d.]+) +([\d.]+)", out)
    assert [float(side) for side in front.groups()] == pytest.approx(
        [height + 36.0, width + 36.0], abs=0.251
    )  # half a millimetre is printed
    assert "60.00 l, 62.00 l" in out
    assert out.startswith("6 boards from 1 sheet of 2500 x 1250 mm")
    assert "No opening for the driver: --cutout-mm." in " ".join(out.split()[:40])


def test_what_cannot_be_is_refused(tsfit):
    code, _, err = tsfit("panels", "--volume-l", "60", "--width-mm", "30")
    assert code == 2
    assert "width" in err
