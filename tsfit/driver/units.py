"""Units at the edges: what a person or a datasheet writes, to SI and back.

A printed value keeps its digits: "8.2 ft^3" is 0.2322 m³ within half of its last digit. Units are those that datasheets
and benches use; the parsing is pint's, on a registry of our own that knows nothing else, so a slip is not read as an
exotic unit. The spellings that sheets use most stand in a table, so that reading one need not load pint.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from typing import Any

from tsfit.base.errors import TsfitError

UNIT_DEFINITIONS = """
micro- = 1e-6 = µ- = μ- = u-
milli- = 1e-3 = m-
centi- = 1e-2 = c-
deci- = 1e-1 = d-
kilo- = 1e3 = k-
metre = [length] = m
gram = [mass] = g
second = [time] = s
ampere = [current] = A
kelvin = [temperature] = K
decibel = [level] = dB
inch = 0.0254 * metre = in
foot = 12 * inch = ft
litre = 1e-3 * metre ** 3 = l = L = liter
cc = 1e-6 * metre ** 3
ounce = 28.349523125 * gram = oz
pound = 16 * ounce = lb
newton = kilogram * metre / second ** 2 = N
pascal = newton / metre ** 2 = Pa
watt = newton * metre / second = W
volt = watt / ampere = V
ohm = volt / ampere = Ω = Ohm
henry = ohm * second = H
tesla = newton / ampere / metre = T
Tm = tesla * metre
Ns = newton * second
hertz = 1 / second = Hz
"""

SI_UNITS: dict[str, str] = {
    "Re": "ohm", "Znom": "ohm", "Fs": "Hz", "Qms": "", "Qes": "", "Qts": "", "Vas": "m^3", "Mms": "kg", "Cms": "m/N",
    "Rms": "N*s/m", "Bl": "T*m", "Le": "H", "Sd": "m^2", "diameter": "m", "Xmax": "m", "Pe": "W", "Ppeak": "W",
    "sensitivity_1W": "dB", "sensitivity_2V83": "dB", "EBP": "Hz", "eta0": "", "Le_1kHz": "H",
}  # fmt: skip
"""SI unit of every figure that a datasheet or a fit names; "" for a plain number."""

DISPLAY_UNITS: dict[str, tuple[float, str]] = {
    "Re": (1.0, "Ω"), "Znom": (1.0, "Ω"), "Vas": (1e3, "l"), "Mms": (1e3, "g"), "Cms": (1e3, "mm/N"), "Rms": (1.0, "N·s/m"),
    "Bl": (1.0, "T·m"), "Sd": (1e4, "cm²"), "diameter": (1e2, "cm"), "Xmax": (1e3, "mm"), "eta0": (1e2, "%"),
    **dict.fromkeys(("Le", "Le_1kHz", "L2", "L3", "Leb"), (1e3, "mH")),
    "Re_20C": (1.0, "Ω"), "Vas_1013hPa": (1e3, "l"), **dict.fromkeys(("Mms_without_air", "Mms_in_baffle"), (1e3, "g")),
    **dict.fromkeys(("R2", "R3", "Rss"), (1.0, "Ω")),
}  # fmt: skip
"""Factor from SI and unit in which the trade speaks of a figure; what is not here is shown in SI."""

COMMON_UNITS: dict[str, dict[str, float]] = {
    "ohm": {"ohm": 1.0, "Ohm": 1.0, "Ω": 1.0},
    "Hz": {"Hz": 1.0, "kHz": 1e3},
    "m^3": {
        "l": 1e-3, "L": 1e-3, "litre": 1e-3, "liter": 1e-3, "litres": 1e-3, "liters": 1e-3, "dm^3": 1e-3, "m^3": 1.0,
        "ft^3": 0.3048**3, "ft3": 0.3048**3, "ft³": 0.3048**3, "cm^3": 1e-6,
    },
    "kg": {"kg": 1.0, "g": 1e-3, "oz": 28.349523125e-3},
    "m/N": {"m/N": 1.0, "mm/N": 1e-3, "µm/N": 1e-6, "μm/N": 1e-6, "um/N": 1e-6},
    "N*s/m": {"N*s/m": 1.0, "N·s/m": 1.0, "Ns/m": 1.0, "kg/s": 1.0},
    "T*m": {"T*m": 1.0, "T·m": 1.0, "Tm": 1.0, "N/A": 1.0},
    "H": {"H": 1.0, "mH": 1e-3, "µH": 1e-6, "μH": 1e-6, "uH": 1e-6},
    "m^2": {"m^2": 1.0, "cm^2": 1e-4, "cm2": 1e-4, "cm²": 1e-4, "in^2": 0.0254**2, "in2": 0.0254**2, "in²": 0.0254**2},
    "m": {"m": 1.0, "cm": 1e-2, "mm": 1e-3, "in": 0.0254},
    "W": {"W": 1.0},
    "dB": {"dB": 1.0},
}  # fmt: skip
"""Factor to the SI unit (outer key) of the spellings met most."""

_AMBIGUOUS = re.compile(r"^[+-]?[1-9]\d{0,2},\d{3}$")
_NUMBER = re.compile(r"^\s*([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*$")


@dataclass(frozen=True)
class Printed:
    """A value as printed: SI value, half of its last printed digit in SI, and the text.

    A whole number of three digits or more that ends in 0 counts as rounded to ten: nobody can see whether that 0 was
    measured.
    """

    value: float
    half_digit: float
    text: str

    def shown(self, factor: float = 1.0) -> str:
        """Return `factor` times the value as text, with about as many digits as were printed."""
        place = -math.floor(math.log10(2.0 * self.half_digit * factor) + 1e-9)
        return f"{round(self.value * factor, place):.{max(place, 0)}f}"


@cache
def _registry() -> Any:
    import pint

    registry: Any = pint.UnitRegistry(None)
    registry.load_definitions(UNIT_DEFINITIONS.strip().splitlines())
    return registry


def _unit(text: str) -> Any:
    plain = text.replace("²", "^2").replace("³", "^3").replace("·", "*").replace("⋅", "*").replace("Ω", "ohm")
    plain = re.sub(r"(?<=[A-Za-z])(?=[23](?!\d))", "^", plain).replace("\N{OHM SIGN}", "ohm")
    plain = plain.replace("−", "-").replace("^", "**")
    return _registry().parse_units(plain)


def scale_to_si(unit: str, si: str, where: str) -> float:
    """Return the factor from `unit` to the SI unit `si`.

    Raises
    ------
    TsfitError
        ``wrong_unit`` when `unit` is unknown or of another dimension; the sentence starts with `where`.
    """
    common = COMMON_UNITS.get(si, {}).get(unit)
    if common is not None:
        return common
    try:
        return float(_registry().Quantity(1.0, _unit(unit)).to(_unit(si)).magnitude)
    except Exception as error:
        usual = list(COMMON_UNITS.get(si, {si: 1.0}))
        near = get_close_matches(unit, usual, n=2, cutoff=0.5)
        names = ", ".join(near or [name for name in usual if name.isascii()][:6])
        wanted = f"a unit of {si} such as {names}" if si else "a plain number"
        raise TsfitError(f"{where}: unit {unit!r} does not fit here; write {wanted}.", code="wrong_unit") from error


def parse_printed(text: str | float, si: str, where: str) -> Printed:
    """Read "8.2 ft^3", "0,21 mm/N" or a bare number of a figure that has no unit.

    Parameters
    ----------
    text : str or float
        Number and unit as printed; decimal point or comma. A bare float counts with the digits Python shows.
    si : str
        SI unit of the figure, "" for a plain number.
    where : str
        File and key, for the sentence of an error.

    Raises
    ------
    TsfitError
        ``wrong_value`` (no number), ``wrong_unit`` (missing, unknown or of another dimension).
    """
    match = _NUMBER.match(str(text))
    if match is None:
        example = f'"12.3 {si}"' if si else '"0.38"'
        raise TsfitError(f"{where}: {text!r} is not a number with its unit; write it like {example}.", code="wrong_value")
    if _AMBIGUOUS.match(match.group(1)):
        raise TsfitError(
            f"{where}: {text!r} may be thousands or a decimal comma; write it without the comma or with a point.",
            code="wrong_value",
        )
    number, unit = match.group(1).replace(",", "."), match.group(2)
    if si and not unit:
        raise TsfitError(f'{where}: {text!r} has no unit; write it like "{number} {si}".', code="wrong_unit")
    factor = scale_to_si(unit, si, where) if unit or si else 1.0
    mantissa, _, exponent = number.lower().partition("e")
    decimals = len(mantissa.partition(".")[2])
    if re.fullmatch(r"[+-]?[1-9]\d+0", number):
        decimals = -1
    try:
        value, half = float(number) * factor, 0.5 * 10.0 ** (int(exponent or 0) - decimals) * factor
    except (OverflowError, ValueError):
        value = half = math.inf
    if not (math.isfinite(value) and 0.0 < half < math.inf):
        raise TsfitError(f"{where}: {text!r} is beyond any figure; correct it.", code="wrong_value")
    return Printed(value, half, str(text))


def display(name: str, value: float, unit: str = "") -> tuple[float, str]:
    """Return the SI `value` of the figure `name` in the unit that the trade uses, and that unit.

    `unit` is the SI unit to fall back on for a name that is not a datasheet figure.
    """
    factor, shown = DISPLAY_UNITS.get(name, (1.0, SI_UNITS.get(name, unit)))
    return value * factor, shown


def rounded(value: float, spread: float) -> str:
    """Return `value` rounded to the second digit of its standard uncertainty (JCGM 100:2008, 7.2.6)."""
    if not (math.isfinite(spread) and spread > 0.0):
        return f"{value:.6g}"
    decimals = 1 - math.floor(math.log10(spread))
    return f"{round(value, decimals):.{max(decimals, 0)}f}"
