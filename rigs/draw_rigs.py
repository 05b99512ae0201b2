"""Draw the wiring of every rig in this folder as SVG: ``python rigs/draw_rigs.py`` writes them beside the rig files.

What is drawn is also what the tests simulate: every part carries its name and the places of its two ends, and ends that
meet on a line are joined. A line that only crosses another is not joined to it.
"""

from __future__ import annotations

import itertools
import math
import tomllib
import xml.etree.ElementTree as ET
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
WIDTH = 400
INK, PAPER = "#111", "#fff"
RAIL = 118
"""Height of the sound card's sockets below the top of a sheet."""
SHUNT = "1 kΩ"
"""The lower resistor of both attenuators."""

Point = tuple[float, float]


class Sheet:
    """One drawing in the making."""

    def __init__(self, title: str, said: str, height: float) -> None:
        self.root = ET.Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "viewBox": f"0 0 {WIDTH} {height:g}",
                "role": "img",
                "font-family": "sans-serif",
                "font-size": "13",
                "fill": INK,
                "stroke-linecap": "square",
            },
        )
        ET.SubElement(self.root, "title").text = title
        ET.SubElement(self.root, "desc").text = said
        self._add("rect", x=0, y=0, width=WIDTH, height=height, fill=PAPER)
        self._lines: list[tuple[Point, Point]] = []
        self._ends: list[Point] = []
        self._sockets: list[tuple[Point, str]] = []
        self.text(14, 28, title, size=16, bold=True)

    def _add(self, tag: str, within: ET.Element | None = None, /, **attributes: Any) -> ET.Element:
        named = {name.replace("_", "-"): f"{v:g}" if isinstance(v, (int, float)) else v for name, v in attributes.items()}
        return ET.SubElement(self.root if within is None else within, tag, named)

    def text(self, x: float, y: float, words: str, *, anchor: str = "start", bold: bool = False, size: float = 13) -> None:
        """Write one line."""
        weight = "bold" if bold else "normal"
        self._add("text", x=x, y=y, text_anchor=anchor, font_size=size, font_weight=weight).text = words

    def wire(self, *points: Point) -> None:
        """Draw a line that joins whatever ends on it."""
        joined = " ".join(f"{x:g},{y:g}" for x, y in points)
        self._add("polyline", points=joined, fill="none", stroke=INK, stroke_width=1.8, data_wire="")
        for line in itertools.pairwise(points):
            self._lines.append(line)
            self._ends += line

    def _part(self, name: str, value: str, p: Point, q: Point) -> ET.Element:
        self._ends += [p, q]
        return self._add("g", data_part=name, data_value=value, data_pins=f"{p[0]:g},{p[1]:g} {q[0]:g},{q[1]:g}")

    def resistor(self, name: str, value: str, p: Point, q: Point, *lines: str) -> None:
        """Draw a resistor from `p` to `q`, upright or level, with `lines` of text beside or above it."""
        group = self._part(name, value, p, q)
        self._body(group, p, q, 20)
        self._beside(p, q, (f"{name}: {value}", *lines))

    def fuse(self, name: str, value: str, p: Point, q: Point) -> None:
        """Draw a quick fuse: a box with the wire running through."""
        group = self._part(name, value, p, q)
        self._body(group, p, q, 14)
        self._add("line", group, x1=p[0], y1=p[1], x2=q[0], y2=q[1], stroke=INK, stroke_width=1.8)
        self._beside(p, q, (f"{name}: {value}", "quick"))

    def driver(self, p: Point, q: Point, *lines: str) -> None:
        """Draw the driver under test, upright."""
        group = self._part("driver", "", p, q)
        x, middle = p[0], (p[1] + q[1]) / 2
        cone = [(x + 11, middle - 18), (x + 34, middle - 32), (x + 34, middle + 32), (x + 11, middle + 18)]
        for start, stop in ((p[1], middle - 18), (middle + 18, q[1])):
            self._add("line", group, x1=x, y1=start, x2=x, y2=stop, stroke=INK, stroke_width=1.8)
        self._add("rect", group, x=x - 11, y=middle - 18, width=22, height=36, fill=PAPER, stroke=INK, stroke_width=1.8)
        corners = " ".join(f"{a:g},{b:g}" for a, b in cone)
        self._add("polygon", group, points=corners, fill=PAPER, stroke=INK, stroke_width=1.8)
        self._stack(x + 44, middle, lines)

    def _body(self, group: ET.Element, p: Point, q: Point, thick: float) -> None:
        if p[0] == q[0]:
            box = {"x": p[0] - thick / 2, "y": min(p[1], q[1]), "width": thick, "height": abs(q[1] - p[1])}
        else:
            box = {"x": min(p[0], q[0]), "y": p[1] - thick / 2, "width": abs(q[0] - p[0]), "height": thick}
        self._add("rect", group, **box, fill=PAPER, stroke=INK, stroke_width=1.8)

    def _beside(self, p: Point, q: Point, lines: Sequence[str]) -> None:
        if p[0] == q[0]:
            self._stack(p[0] + 18, (p[1] + q[1]) / 2, lines)
        else:
            self.text((p[0] + q[0]) / 2, p[1] - 17, " ".join(lines), anchor="middle")

    def _stack(self, x: float, middle: float, lines: Sequence[str]) -> None:
        for k, line in enumerate(lines):
            self.text(x, middle + 5 + 17 * (k - (len(lines) - 1) / 2), line)

    def ground(self, x: float, y: float) -> None:
        """Draw a ground sign hanging at the point; all of them are one point."""
        self._ends.append((x, y))
        group = self._add("g", data_ground="", data_pin=f"{x:g},{y:g}")
        self._add("line", group, x1=x, y1=y, x2=x, y2=y + 8, stroke=INK, stroke_width=1.8)
        for k, half in enumerate((12, 8, 4)):
            level = y + 8 + 5 * k
            self._add("line", group, x1=x - half, y1=level, x2=x + half, y2=level, stroke=INK, stroke_width=1.8)

    def box(self, x: float, y: float, width: float, height: float, *, dashed: bool = False) -> None:
        """Draw the outline of an apparatus."""
        dash = {"stroke_dasharray": "6 5"} if dashed else {}
        self._add("rect", x=x, y=y, width=width, height=height, rx=6, fill="none", stroke=INK, stroke_width=1.2, **dash)

    def socket(self, x: float, y: float, net: str, *lines: str) -> None:
        """Draw a socket on the lower edge of an apparatus, its label above."""
        self._ends.append((x, y))
        self._sockets.append(((x, y), net))
        for k, line in enumerate(lines):
            self.text(x, y - 12 - 16 * (len(lines) - 1 - k), line, anchor="middle")

    def notes(self, y: float, *lines: str) -> None:
        """Write the notes at the foot; a line that starts with ! is bold."""
        for k, line in enumerate(lines):
            self.text(14, y + 19 * k, line.lstrip("!"), bold=line.startswith("!"))

    def svg(self) -> str:
        """Return the drawing, with a dot wherever three or more ends meet and the sockets over their wires."""
        for x, y in sorted(set(self._ends)):
            through = sum(_inside((x, y), line) for line in self._lines)
            if self._ends.count((x, y)) + 2 * through >= 3:
                self._add("circle", cx=x, cy=y, r=4, data_joint=f"{x:g},{y:g}")
        for (x, y), net in self._sockets:
            place = {"data_socket": net, "data_pin": f"{x:g},{y:g}"}
            self._add("circle", cx=x, cy=y, r=4.5, fill=PAPER, stroke=INK, stroke_width=1.8, **place)
        ET.indent(self.root)
        return ET.tostring(self.root, encoding="unicode") + "\n"


def _inside(point: Point, line: tuple[Point, Point]) -> bool:
    """Whether `point` lies on `line` and not at its ends."""
    p, q = line
    return point not in line and math.isclose(math.dist(p, point) + math.dist(point, q), math.dist(p, q))


def _card(sheet: Sheet, name: str, sockets: dict[str, tuple[float, tuple[str, ...]]]) -> None:
    sheet.box(10, 44, WIDTH - 20, RAIL - 44)
    sheet.text(20, 62, name, bold=True)
    for net, (x, lines) in sockets.items():
        sheet.socket(x, RAIL, net, *lines)


def line_divider(rig: dict[str, Any]) -> Sheet:
    """Line output, resistor and driver in one column; the inputs above and below the resistor's lower end."""
    sheet = Sheet(
        "100 Ω divider, line output",
        "The output feeds the resistor R1 and behind it the driver. Input 1 lies across both, input 2 across the driver.",
        592,
    )
    _sockets_and_divider(sheet, "sound card", rig, ("driver", "under test"))
    sheet.notes(
        500,
        "input 1 (total) sees R1 + driver",
        "input 2 (driver) sees the driver alone",
        "ground: all sleeves, joined at the driver",
        "!Never from a loudspeaker terminal.",
        "!Check first: output sleeve must be ground.",
    )
    return sheet


def simulated(rig: dict[str, Any]) -> Sheet:
    """Draw the divider again, with everything computed."""
    return _reckoned(
        Sheet("Simulated rig", "The same divider, reckoned by the program from a driver file; nothing is connected.", 592),
        rig,
        "input 1 (total) sees R1 + driver",
        "input 2 (driver) sees the driver alone",
        "dashed: equations, no hardware",
        "!Invented numbers. On a true bench,",
        "!read the cautions of the rig you build.",
    )


def simulated_power(rig: dict[str, Any]) -> Sheet:
    """Draw the shunt for full travel, with everything computed."""
    what = "Driver and shunt, reckoned by the program from a driver file that bends and warms; nothing is connected."
    return _reckoned(
        Sheet("Simulated power rig", what, 592),
        rig,
        "input 1 (total) sees driver + R1",
        "input 2 (reference) sees R1 alone",
        "dashed: equations, no hardware",
        "!Invented numbers. Before any true power,",
        "!read the cautions of power-shunt.toml.",
    )


def _reckoned(sheet: Sheet, rig: dict[str, Any], *notes: str) -> Sheet:
    sheet.box(24, 134, WIDTH - 48, 334, dashed=True)
    driver = ("driver file:", Path(rig["playback"]["driver"]).name)
    _sockets_and_divider(sheet, "tsfit instead of a sound card", rig, driver)
    sheet.notes(500, *notes)
    return sheet


def _sockets_and_divider(sheet: Sheet, card: str, rig: dict[str, Any], driver: tuple[str, str]) -> None:
    """Draw resistor and driver in one column, that below of which input 2 sees alone."""
    sockets = {"output": 70.0, "input 1": 205.0, "input 2": 285.0, "ground": 352.0}
    _card(sheet, card, {net: (x, (net,)) for net, x in sockets.items()})
    x, a, b, g = 70.0, 160.0, 290.0, 446.0
    sheet.wire((x, RAIL), (x, a))
    sheet.wire((x, a), (sockets["input 1"], a), (sockets["input 1"], RAIL))
    sheet.wire((x, a), (x, a + 26))
    ends = [((x, a + 26), (x, b - 34)), ((x, b + 30), (x, g - 34))]
    if rig["topology"] == "shunt":
        ends.reverse()
    sheet.resistor("R1", f"{rig['reference_ohm']:g} Ω", *ends[0], "reference")
    sheet.wire((x, b - 34), (x, b))
    sheet.wire((x, b), (sockets["input 2"], b), (sockets["input 2"], RAIL))
    sheet.wire((x, b), (x, b + 30))
    sheet.driver(*ends[1], *driver)
    sheet.wire((x, g - 34), (x, g))
    sheet.wire((x, g), (sockets["ground"], g), (sockets["ground"], RAIL))


def balanced_divider(rig: dict[str, Any]) -> Sheet:
    """Draw the divider split into both legs, each input reaching over what it measures like a bracket."""
    half = f"{rig['reference_ohm'] / 2:g} Ω"
    sheet = Sheet(
        "Balanced 100 Ω divider",
        "The output feeds R1, the driver and R2 in a row. Input 1 lies across all three, input 2 across the driver.",
        682,
    )
    x = 92.0
    places = {"out -": 40.0, "out +": x, "in 1 +": 160.0, "in 2 +": 222.0, "in 2 -": 284.0, "in 1 -": 350.0}
    _card(sheet, "sound card, balanced", {net: (at, (net[:-2], net[-1].replace("-", "−"))) for net, at in places.items()})
    levels = {"in 1 +": 160.0, "in 2 +": 290.0, "in 2 -": 414.0, "in 1 -": 546.0}
    for net, y in levels.items():
        sheet.wire((x, y), (places[net], y), (places[net], RAIL))
    top, above, below, bottom = levels.values()
    sheet.wire((x, RAIL), (x, top + 28))
    sheet.resistor("R1", half, (x, top + 28), (x, above - 32))
    sheet.wire((x, above - 32), (x, above + 24))
    sheet.driver((x, above + 24), (x, below - 24), "driver", "under test")
    sheet.wire((x, below - 24), (x, below + 32))
    sheet.resistor("R2", half, (x, below + 32), (x, bottom - 28))
    sheet.wire((x, bottom - 28), (x, bottom))
    sheet.wire((x, bottom), (places["out -"], bottom), (places["out -"], RAIL))
    sheet.notes(
        586,
        "input 1 (total) sees R1 + driver + R2",
        "input 2 (driver) sees the driver's own terminals",
        "shields: joined at the sound card only",
        "!No leg to ground. Phantom power off.",
        "!Never from a loudspeaker terminal.",
    )
    return sheet


def _amplifier(sheet: Sheet, rig: dict[str, Any], fuse: str, series: str = "20 kΩ") -> None:
    sockets = {"output": 70.0, "input 1": 218.0, "input 2": 304.0, "ground": 359.0}
    _card(sheet, "sound card", {net: (at, (net,)) for net, at in sockets.items()})
    x, a, b, g = 104.0, 330.0, 480.0, 636.0
    sheet.wire((70, RAIL), (70, 150))
    sheet.box(10, 150, 136, 92)
    sheet.socket(70, 150, "amplifier")
    sheet.text(78, 188, "power amplifier", anchor="middle", bold=True)
    sheet.socket(38, 242, "black", "black")
    sheet.socket(x, 242, "red", "red")
    sheet.wire((x, 242), (x, 262))
    sheet.fuse("F1", fuse, (x, 262), (x, 302))
    sheet.wire((x, 302), (x, a + 30))
    reference = (f"{rig['reference_ohm']:g} Ω", "reference,", "heat sink")
    if rig["topology"] == "divider":
        sheet.resistor("R1", reference[0], (x, a + 30), (x, b - 40), *reference[1:])
        sheet.wire((x, b - 40), (x, b + 36))
        sheet.driver((x, b + 36), (x, g - 30), "driver", "under test")
    else:
        sheet.driver((x, a + 30), (x, b - 30), "driver")
        sheet.wire((x, b - 30), (x, b + 40))
        sheet.resistor("R1", reference[0], (x, b + 40), (x, g - 36), *reference[1:])
    sheet.wire((x, g - 30 if rig["topology"] == "divider" else g - 36), (x, g))
    sheet.wire((x, g), (38, g), (38, 242))
    sheet.ground(x, g)
    for net, y, names in (("input 1", a, ("R2", "R3")), ("input 2", b, ("R4", "R5"))):
        at = sockets[net]
        sheet.wire((x, y), (136, y))
        sheet.resistor(names[0], series, (136, y), (194, y))
        sheet.wire((194, y), (at, y), (at, RAIL))
        sheet.wire((at, y), (at, y + 16))
        sheet.resistor(names[1], SHUNT, (at, y + 16), (at, y + 66))
        sheet.ground(at, y + 66)
    sheet.wire((sockets["ground"], RAIL), (sockets["ground"], 150))
    sheet.ground(sockets["ground"], 150)


def amplifier_divider(rig: dict[str, Any]) -> Sheet:
    """Amplifier, fuse, resistor and driver in one column; an attenuator before each input."""
    sheet = Sheet(
        "10 Ω divider, power amplifier",
        "The amplifier feeds the fuse F1, the resistor R1 and the driver. Input 1 lies across R1 and driver "
        "through R2 and R3, input 2 across the driver through R4 and R5.",
        786,
    )
    _amplifier(sheet, rig, "1 A")
    sheet.notes(
        690,
        "input 1 (total) sees R1 + driver, attenuated",
        "input 2 (driver) sees the driver, attenuated",
        "all ground signs are one point, at the driver",
        "!Black terminal must be ground: check first.",
        "!Never bridged. Never without R2 to R5.",
    )
    return sheet


def _on_a_shunt(title: str, rig: dict[str, Any], *parts: str) -> Sheet:
    """Amplifier, fuse, driver and shunt in one column; an attenuator before each input."""
    sheet = Sheet(
        title,
        "The amplifier feeds the fuse F1, the driver and the shunt R1. Input 1 lies across driver and R1 "
        "through R2 and R3, input 2 across R1 through R4 and R5.",
        786,
    )
    _amplifier(sheet, rig, *parts)
    sheet.notes(
        690,
        "input 1 (total) sees driver + R1, attenuated",
        "input 2 (reference) sees R1, attenuated",
        "all ground signs are one point, at R1's foot",
        "!Black terminal must be ground: check first.",
        "!Never bridged. Never without R2 to R5.",
    )
    return sheet


def amplifier_shunt(rig: dict[str, Any]) -> Sheet:
    """The shunt for small signals."""
    return _on_a_shunt("1 Ω shunt, power amplifier", rig, "2 A")


def power_shunt(rig: dict[str, Any]) -> Sheet:
    """The shunt for full travel and power runs."""
    return _on_a_shunt("0.1 Ω shunt, full power", rig, "10 A", "47 kΩ")


DRAWINGS: dict[str, Callable[[dict[str, Any]], Sheet]] = {
    "line-divider": line_divider,
    "amplifier-shunt": amplifier_shunt,
    "amplifier-divider": amplifier_divider,
    "power-shunt": power_shunt,
    "balanced-divider": balanced_divider,
    "simulated": simulated,
    "simulated-power": simulated_power,
}


def draw(name: str) -> str:
    """Return the SVG of the rig file `name` (without suffix)."""
    return DRAWINGS[name](tomllib.loads((HERE / f"{name}.toml").read_text(encoding="utf-8"))).svg()


if __name__ == "__main__":
    for rig_name in DRAWINGS:
        (HERE / f"{rig_name}.svg").write_text(draw(rig_name), encoding="utf-8")
