"""What drivers of a size are like, and which slip of the hand explains one that is not.

One table of wide ranges by effective diameter holds what is published of drivers, from a telephone's to a 24-inch one
(common practice, no source). A driver may stand at the edge of one range, hardly at that of several at once. A slip is a
factor on what was typed; the ones that leave nothing beyond its range are named.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from tsfit.base.figures import in_figures
from tsfit.driver.formulas import complete
from tsfit.driver.parameters import LEVELS, PARAMETERS, PUBLISHED
from tsfit.driver.record import Driver
from tsfit.driver.units import display

_DIAMETER = np.array([0.01, 0.025, 0.05, 0.10, 0.13, 0.165, 0.21, 0.26, 0.33, 0.39, 0.55])
_BY_DIAMETER: Mapping[str, tuple[Sequence[float], Sequence[float]]] = {
    "Fs": (
        (150, 60, 50, 25, 20, 15, 13, 11, 10, 9, 7),
        (3000, 3000, 1500, 500, 300, 250, 200, 160, 130, 110, 80),
    ),
    "Mms": (
        (1e-5, 8e-5, 4e-4, 2e-3, 3.5e-3, 6e-3, 9e-3, 0.014, 0.025, 0.05, 0.1),
        (6e-4, 4e-3, 0.01, 0.05, 0.1, 0.2, 0.33, 0.5, 0.8, 1.2, 2.0),
    ),
    "motor": (
        (0.01, 0.05, 0.25, 0.8, 1.2, 1.6, 2.2, 3.0, 5.0, 8.0, 12.0),
        (1.0, 6, 12, 35, 55, 80, 120, 180, 280, 400, 600),
    ),
    "Vas": (
        (5e-8, 2e-7, 5e-6, 2e-4, 6e-4, 1.5e-3, 4e-3, 8e-3, 0.02, 0.03, 0.06),
        (1e-4, 1e-3, 0.01, 0.07, 0.15, 0.3, 0.55, 0.9, 2.2, 3.0, 4.0),
    ),
    "Pe": (
        (0.1, 0.5, 0.5, 2, 3, 4, 5, 6, 8, 10, 20),
        (150, 250, 200, 400, 800, 2000, 3500, 6000, 8000, 10000, 10000),
    ),
    "sensitivity_1W": (
        (60, 67, 72, 75, 76, 77, 78, 78, 79, 80, 80),
        (105, 107, 105, 103, 104, 105, 106, 107, 107, 108, 108),
    ),
}  # fmt: skip
"""SI; the motor is Bl²/Re, which no winding changes."""
_ALWAYS: Mapping[str, tuple[float, float]] = {
    "Re": (0.3, 100.0), "Znom": (0.3, 100.0), "Qms": (0.3, 50.0), "Qes": (0.05, 10.0), "Qts": (0.05, 10.0),
    "Cms": (5e-6, 2e-2), "Rms": (0.002, 60.0), "Le": (2e-6, 2e-2), "Sd": (5e-5, 0.3), "diameter": (0.008, 0.62),
    "Xmax": (5e-5, 0.06), "Ppeak": (0.2, 4e4), "sensitivity_2V83": (60.0, 118.0),
}  # fmt: skip
_CONE, _CONE_RE = 0.06, (0.7, 25.0)
"""Effective diameter (m) from which a driver is no tweeter, telephone's or headphone's, and Re (ohm) of one coil then."""
_ANY_BL = 0.2, 80.0
"""T·m."""
_SWAPPED = 0.5
"""Qms per Qes of a cone below which the two are likelier to have been swapped."""
UNLIKE_ANY = "implausible"
"""Code of the note."""
_LIKE_NONE = "Hardly any driver of that size is like this"
_LOOK = "Look for a slip in a unit or a decimal point"
MOST_NAMED = 3
"""Parameters that a doubt names."""
_TOLD_TOGETHER = ("Mms", "Fs", "Bl")
_TOGETHER = 1.4
"""How far a driver may be from the middle of its ranges, in their half widths, all of them together."""

_TENS = {
    10.0 ** (sign * power): f"its decimal point or unit is off by a factor of {10**power}"
    for power in (3, 1, 2)
    for sign in (1, -1)
}
_OWN: Mapping[str, Mapping[float, str]] = {
    "Vas": {0.3048**3 / 1e-3: "cubic feet were taken for litres", 1e-3 / 0.3048**3: "litres were taken for cubic feet"},
    "Sd": {
        0.0254**2 / 1e-4: "square inches were taken for square centimetres",
        1e-4 / 0.0254**2: "square centimetres were taken for square inches",
        0.01: "square millimetres were taken for square centimetres",
        1e4: "square metres were taken for square centimetres",
        0.25: "it was worked out with the diameter in place of the radius",
        4.0: "it was worked out with the radius in place of the diameter",
    },
    "diameter": {
        2.0: "it is the radius",
        0.5: "it is twice the diameter",
        2.54: "inches were taken for centimetres",
        1.0 / 2.54: "centimetres were taken for inches",
        1.0 / 25.4: "millimetres were taken for inches",
    },
    "Mms": {28.349523125: "ounces were taken for grams", 1.0 / 28.349523125: "grams were taken for ounces"},
    "Xmax": {0.5: "the travel is told from peak to peak", 0.1: "centimetres were given for millimetres"},
    "Pe": {0.5: "it is a power of peaks, or has a digit too many"},
}


def plain_slips(parameter: str) -> dict[float, str]:
    """Factors from printed to meant with their words; none for a level, of which ten times is not a slip of a digit."""
    return {} if parameter in LEVELS else {**_OWN.get(parameter, {}), **_TENS, **_OWN.get(parameter, {})}


def range_of(name: str, diameter: float | None, re: float | None = None, wiring: str | None = None) -> tuple[float, float]:
    """Lowest and highest of a parameter, SI, that drivers of an effective `diameter` (m) have; of any size without it.

    Bl hangs on `re`, where that is told, and Re on the wiring of two coils.
    """
    if name == "Re" and diameter is not None and diameter >= _CONE:
        low, high = _CONE_RE
        return low * (0.4 if wiring == "parallel" else 1.0), high * (2.0 if wiring == "series" else 1.0)
    if name == "Bl":
        if diameter is None:
            return _ANY_BL
        low, high = range_of("motor", diameter)
        return math.sqrt(low * (re or _CONE_RE[0])), min(math.sqrt(high * (re or _CONE_RE[1])), _ANY_BL[1])
    if name not in _BY_DIAMETER:
        return _ALWAYS.get(name, (-math.inf, math.inf))
    lows, highs = _BY_DIAMETER[name]
    if diameter is None:
        return float(min(lows)), float(max(highs))
    low, high = (float(np.exp(np.interp(math.log(diameter), np.log(_DIAMETER), np.log(end)))) for end in (lows, highs))
    return low, high


@dataclass(frozen=True)
class Slip:
    """What may have been given wrong: factors from what came of it to what would have come, by parameter, and words."""

    factors: Mapping[str, float]
    words: str


_TYPED = (
    *(Slip({name: factor}, f"{words} ({name})") for name in ("Sd", "Mms") for factor, words in _OWN[name].items()),
    Slip({"Sd": 2.54**2}, "inches of the diameter were taken for centimetres"),
    *(
        Slip({name: k}, f"{words} ({name})")
        for name in ("Mms", "Sd", "Re", "Fs", "Qms", "Qes")
        for k, words in _TENS.items()
    ),
)
"""Slips of who types a driver's parameters, the ones with a name first."""
_OUNCE = 28.35
_FITTED: Mapping[str, Sequence[tuple[Mapping[str, float], str]]] = {
    "mass": (
        ({"Mms": _OUNCE}, "ounces of the added mass were taken for grams"),
        ({"Mms": 0.1}, "the added mass was given ten times too large"),
        ({"Mms": 10.0}, "the added mass was given ten times too small"),
        ({"Mms": 1.0 / _OUNCE}, "grams of the added mass were taken for ounces"),
        ({"Mms": 1e-3}, "milligrams of the added mass were taken for grams, or grams for kilograms"),
        ({"Mms": 1e3}, "kilograms of the added mass were taken for grams"),
    ),
    "box": (
        ({"Mms": 10.0}, "the volume of the test box was given ten times too large"),
        ({"Mms": 0.1}, "the volume of the test box was given ten times too small"),
        ({"Mms": 1e3}, "cubic centimetres of the test box were taken for litres"),
        ({"Mms": 1e-3}, "cubic metres of the test box were taken for litres"),
        ({"Mms": _OUNCE}, "cubic feet of the test box were meant where litres were taken"),
        ({"Mms": 1.0 / _OUNCE}, "litres of the test box were meant where cubic feet were taken"),
    ),
    "rig": (
        ({"Re": 0.1}, "the reference resistor in the rig file is ten times too large"),
        ({"Re": 10.0}, "the reference resistor in the rig file is ten times too small"),
    ),
}
_SMALLER = "the diameter was given as the radius or in inches"
_DIAMETERS = {
    2.0: _SMALLER, 2.54: _SMALLER, 0.5: "the diameter was doubled", 10.0: "the diameter is ten times too small",
    0.1: "millimetres of the diameter were taken for centimetres",
    100.0: "metres of the diameter were taken for centimetres",
}  # fmt: skip


@cache
def fitted_slips(*, mass: bool, box: bool) -> tuple[Slip, ...]:
    """Slips of who measures: in the diameter, in added mass or box where such were swept, in the reference."""
    kinds = [*["mass"] * mass, *["box"] * (box and not mass), "rig"]
    power = 4.0 if box and not mass else 0.0  # a box tells Mms by the square of the area
    return (
        *(Slip({"Sd": factor**2, "Mms": factor**power}, words) for factor, words in _DIAMETERS.items()),
        *(Slip(factors, words) for kind in kinds for factors, words in _FITTED[kind]),
    )


LONG_TRAVEL = 0.11
"""One-way travel per effective diameter above which it is likelier told from peak to peak (common practice, no source)."""
_TRAVEL, _PEAKS = (3e-4, 0.06), 5.0
"""One-way travel of a cone, m, and short-term over the largest continuous power (common practice, no source)."""
_ADDED, _BOXED = (0.05, 3.0), (1.0 / 30.0, 3.0)
"""Least and most of an added mass over Mms, and of a test box over Vas, that tell anything (common practice, no source)."""
_UNITS = {
    "diameter": ("cm", "cone diameter", {0.1: "mm", 100.0: "m"}),
    "mass": ("g", "added mass", {1e3: "kg", 1e-3: "mg"}),
    "volume": ("l", "test box", {1e3: "m^3", 1e-3: "cm^3"}),
    "travel": ("mm", "travel each way", {1e3: "m", 10.0: "cm", 0.5: "from peak to peak"}),
    "power": ("W", "rated power", {0.5: "of peaks", 0.1: "a digit too many", 1e3: "kW", 1e-3: "mW"}),
    "peak power": ("W", "short-term power", {0.1: "a digit too many", 1e3: "kW", 1e-3: "mW"}),
}


def unit_of_size(what: str) -> str:
    """Unit in which `odd_size` takes a size."""
    return _UNITS[what][0]


def odd_size(what: str, typed: float, diameter_cm: float | None = None, *, at_least: float = 0.0) -> str | None:
    """Say of a "diameter" in cm, an added "mass" in g, the "volume" of a test box in l, a "travel" in mm, a rated "power"
    or "peak power" in W that nobody means it for such a cone, and how it was likelier told; None for what may be meant.
    Where no cone is told, a stricter `at_least` may count.
    """
    unit, called, others = _UNITS[what]
    diameter = None if diameter_cm is None else 0.01 * diameter_cm
    if what == "diameter":
        low, high = (100.0 * end for end in range_of("diameter", None))
    elif what in ("power", "peak power"):
        low, high = range_of("Pe", diameter)
        high *= 1.0 if what == "power" else _PEAKS
    elif what == "travel":
        ends = _TRAVEL if diameter is not None and diameter >= _CONE else range_of("Xmax", None)
        low, high = 1e3 * ends[0], 1e3 * min(ends[1], LONG_TRAVEL * (diameter or math.inf))
    else:
        name, (least, most) = ("Mms", _ADDED) if what == "mass" else ("Vas", _BOXED)
        low, high = (1e3 * end * share for end, share in zip(range_of(name, diameter), (least, most), strict=True))
    low = max(low, at_least)
    if low <= typed <= high:
        return None
    told = in_figures(typed, 6)
    meant = next((f"; {in_figures(factor * typed, 3)} {unit} if {told} is {other}" for factor, other in others.items()
                  if low <= factor * typed <= high), "")  # fmt: skip
    cone = "" if diameter_cm is None else f" for a cone of {diameter_cm:g} cm"
    usual = f"{in_figures(low, 2)} to {in_figures(float(f'{high:.2g}'))}"
    return f"{told} {unit} of {called} is hardly meant{cone} (usual {usual}){meant}"


_BASIC = ("Re", "Fs", "Qms", "Qes", "Mms", "Sd")
_LOOKED_AT = ("Re", "Fs", "Qms", "Qes", "Mms", "Bl", "Vas", "Sd", "sensitivity_1W")


@dataclass(frozen=True)
class _Size:
    """Parameters of a driver (SI), what follows from them, and how they stand in their ranges."""

    values: Mapping[str, float]
    wiring: str | None

    @classmethod
    def of(cls, basic: Mapping[str, float], wiring: str | None) -> "_Size":
        known = complete(basic)
        return cls({name: float(known[name]) for name in _LOOKED_AT if name in known}, wiring)

    @property
    def diameter(self) -> float | None:
        """Effective diameter, m."""
        return 2.0 * math.sqrt(self.values["Sd"] / math.pi) if "Sd" in self.values else None

    def range_of(self, name: str) -> tuple[float, float]:
        """Range of a parameter for this driver."""
        return range_of(name, self.diameter, self.values.get("Re"), self.wiring)

    def beyond(self) -> list[str]:
        """Parameters that are beyond their ranges, or that stand at the edge of several at once."""
        out = self.outside()
        if "Sd" in out:
            return ["Sd"]  # there are none of that size, whatever else they are like
        cone = self.diameter is not None and self.diameter >= _CONE
        if cone and self.values["Qms"] < _SWAPPED * self.values["Qes"]:
            out = ["Qms", "Qes", *(name for name in out if name not in ("Qms", "Qes"))]
        return out or ([*_TOLD_TOGETHER] if self.off() > _TOGETHER else [])

    def outside(self) -> list[str]:
        """Parameters that are beyond their ranges."""
        return [name for name in self.values if not self.range_of(name)[0] <= self.values[name] <= self.range_of(name)[1]]

    def off(self) -> float:
        """How far the driver is from the middle of its ranges, in their half widths, several together; 0 if not told."""
        if self.diameter is None or not set(_TOLD_TOGETHER) <= self.values.keys():
            return 0.0
        ends = [[math.log(each) for each in (*self.range_of(name), self.values[name])] for name in _TOLD_TOGETHER]
        return math.hypot(*((2.0 * value - low - high) / (high - low) for low, high, value in ends))

    def told(self, name: str) -> str:
        """A parameter and its range in words."""
        (value, unit), *ends = (display(name, each) for each in (self.values[name], *self.range_of(name)))
        usual = " to ".join(in_figures(end, 2) for end, _ in ends)
        shown = in_figures(value, 3)
        return " ".join(f"{PARAMETERS[name].called} {shown} {unit} (usual {usual})".split())


def unusual(values: Mapping[str, float]) -> str | None:
    """Say which parameters, of any that are told (SI), no driver of that size has, and the slip; as `doubt`."""
    if set(_BASIC) <= values.keys():
        told = _doubt({name: values[name] for name in _BASIC}, None, _TYPED)
        if told is not None:
            return told
    size = _Size({name: values[name] for name in values if name in PUBLISHED}, None)
    out = size.beyond() if {"Re", "Qms", "Qes"} <= values.keys() else size.outside()
    return f"{_LIKE_NONE}: {', '.join(map(size.told, out[:MOST_NAMED]))}. {_LOOK}." if out else None


def doubt(driver: Driver, slips: Sequence[Slip] = _TYPED) -> str | None:
    """Say which parameters no driver of that size has, and which of `slips` would explain it; None where all is usual."""
    return _doubt({name: value for name in _BASIC if (value := getattr(driver, name)) is not None}, driver.wiring, slips)


def _doubt(basic: Mapping[str, float], wiring: str | None, slips: Sequence[Slip]) -> str | None:
    size = _Size.of(basic, wiring)
    out = size.beyond()
    if not out:
        return None
    swapped = Slip({"Qms": basic["Qes"] / basic["Qms"], "Qes": basic["Qms"] / basic["Qes"]}, "Qms and Qes were swapped")
    explained: dict[str, tuple[float, str]] = {}
    for slip in (swapped,) if "Qms" in out else slips:
        meant = _Size.of({name: value * slip.factors.get(name, 1.0) for name, value in basic.items()}, wiring)
        if not meant.beyond():
            explained.setdefault(next(iter(slip.factors)), (meant.off(), slip.words))
    why = [words for _, words in sorted(explained.values())][:2]
    cause = f"Probably {', or '.join(why)}: mend that" if why else _LOOK
    told = ", ".join(map(size.told, out[:MOST_NAMED]))
    if out == ["Qms", "Qes"]:
        told += ", Qms the smaller one"
    return f"{_LIKE_NONE}: {told}. {cause} before believing what follows from it."
