"""Drawings of the rigs taken as circuits: what the lines of an SVG connect, solved by nodal analysis."""

import importlib.util
import itertools
import math
import re
import sys
import xml.etree.ElementTree as ET

import numpy as np

from helpers.paths import RIGS
from tsfit.capture.rig import read_rig

ROOT = RIGS
NAMES = sorted(path.stem for path in ROOT.glob("*.toml"))
HARDWARE = [name for name in NAMES if not name.startswith("simulated")]
SVG = "{http://www.w3.org/2000/svg}"


def _script(name):
    spec = importlib.util.spec_from_file_location(f"rigs_{name}", ROOT / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


LEVELS, DRAW = _script("levels"), _script("draw_rigs")


def _point(text):
    return tuple(float(part) for part in text.split(","))


class Drawing:
    """What an SVG connects: `parts` name -> (value, node, node), `sockets` name -> node, `ground` the grounds' node."""

    def __init__(self, name):
        root = ET.parse(ROOT / f"{name}.svg").getroot()
        assert root.tag == f"{SVG}svg"
        wires = [[_point(p) for p in line.get("points").split()] for line in root.iter(f"{SVG}polyline")]
        self.lines = [pair for wire in wires for pair in itertools.pairwise(wire)]
        self.joints = {_point(joint.get("data-joint")) for joint in root.iter() if joint.get("data-joint")}
        groups = {g.get("data-part"): g for g in root.iter(f"{SVG}g") if g.get("data-part")}
        pins = {part: [_point(p) for p in g.get("data-pins").split()] for part, g in groups.items()}
        sockets = {c.get("data-socket"): _point(c.get("data-pin")) for c in root.iter() if c.get("data-socket")}
        grounds = [_point(g.get("data-pin")) for g in root.iter() if g.get("data-ground") is not None]
        self.pins = [*(p for pair in pins.values() for p in pair), *sockets.values(), *grounds]
        self.texts = [(t, "".join(t.itertext())) for t in root.iter(f"{SVG}text")]
        self.boxes = [g.find(f"{SVG}rect") for g in groups.values()]
        self.view = [float(v) for v in root.get("viewBox").split()]
        self._up = {}
        for p, q in self.lines:
            self._join(p, q)
            for other in self.points():
                if self.on(other, (p, q)):
                    self._join(other, p)
        for other in grounds[1:]:
            self._join(grounds[0], other)
        self.parts = {part: (groups[part].get("data-value"), *(self._find(p) for p in two)) for part, two in pins.items()}
        self.sockets = {name: self._find(p) for name, p in sockets.items()}
        self.ground = self._find(grounds[0]) if grounds else self.sockets.get("ground")

    def points(self):
        return [*(end for line in self.lines for end in line), *self.pins]

    @staticmethod
    def on(point, line):
        return math.isclose(math.dist(line[0], point) + math.dist(point, line[1]), math.dist(*line), abs_tol=1e-9)

    def _find(self, point):
        while self._up.get(point, point) != point:
            point = self._up[point]
        return point

    def _join(self, p, q):
        self._up[self._find(p)] = self._find(q)

    def ends_at(self, point):
        """How many lines and parts meet in `point`, a line that runs through counting twice."""
        lines = sum(1 if point in line else 2 for line in self.lines if self.on(point, line))
        return lines + self.pins.count(point)


def ohm(value):
    number, unit = re.fullmatch(r"([\d.]+) (k?Ω)", value).groups()
    return float(number) * (1e3 if unit == "kΩ" else 1.0)


def _volts(elements, sources, ground):
    """Voltages by node of `elements` (node, node, ohm) and `sources` (node, node, volt, ohm), by nodal analysis."""
    nodes = [n for n in dict.fromkeys(n for e in [*elements, *sources] for n in e[:2]) if n != ground]
    at = {node: k for k, node in enumerate(nodes)}
    matrix, right = np.zeros((len(nodes), len(nodes)), complex), np.zeros(len(nodes), complex)
    for a, b, *rest in [*elements, *sources]:
        volt, ohm = rest if len(rest) == 2 else (0.0, rest[0])
        for node, other, sign in ((a, b, 1.0), (b, a, -1.0)):
            if node in at:
                matrix[at[node], at[node]] += 1.0 / ohm
                right[at[node]] += sign * volt / ohm
                if other in at:
                    matrix[at[node], at[other]] -= 1.0 / ohm
    solved = np.linalg.solve(matrix, right)
    return {**{node: solved[k] for node, k in at.items()}, ground: 0.0}


def simulate(name, z, volt=1.0, *, bench=None, one_sided=False, drawing=None):
    """Voltages across the driver, at input 1 and at input 2, of the rig as drawn with `z` ohm for a driver."""
    drawing = Drawing(name) if drawing is None else drawing
    rig = read_rig(ROOT / f"{name}.toml")
    bench = LEVELS.BENCHES[name] if bench is None else bench
    ground, sockets = drawing.ground or "earth", drawing.sockets
    source = bench.source_ohm
    elements = [(a, b, ohm(value)) for part, (value, a, b) in drawing.parts.items() if part not in ("driver", "F1")]
    if "F1" in drawing.parts:
        elements.append((*drawing.parts["F1"][1:], 0.1))
        source -= 0.1
    _, top, foot = drawing.parts["driver"]
    terminal = "terminal" if rig.lead_ohm else top
    if rig.lead_ohm:
        elements.append((top, terminal, rig.lead_ohm))
    elements.append((terminal, foot, z if z else 1e-7))
    if name == "balanced-divider":
        elements += [(sockets[f"in {k} {sign}"], ground, bench.input_ohm / 2) for k in "12" for sign in "+-"]
        sources = [
            (sockets["out +"], ground, volt if one_sided else volt / 2, source / 2),
            (sockets["out -"], ground, 0.0 if one_sided else -volt / 2, source / 2),
        ]
        pairs = [("in 1 +", "in 1 -"), ("in 2 +", "in 2 -")]
    else:
        elements += [(sockets[f"input {k}"], ground, bench.input_ohm) for k in "12"]
        hot, cold = ("red", "black") if "red" in sockets else ("output", "ground")
        sources = [(sockets[hot], sockets[cold], volt, source)]
        pairs = [("input 1", "ground"), ("input 2", "ground")]
    found = _volts(elements, sources, ground)
    first, second = (found[sockets[a]] - found[sockets[b]] for a, b in pairs)
    return found[terminal] - found[foot], first, second
