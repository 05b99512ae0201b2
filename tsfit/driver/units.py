"""Units at the edges: what a person or a datasheet writes, to SI and back.

A printed value keeps its digits: "8.2 ft^3" is 0.2322 m³ within half of its last digit. The units are those that
datasheets and benches use and no others, so that a slip is not read as an exotic unit.
"""

import math
import re
from dataclasses import dataclass
from difflib import get_close_matches

from tsfit.base.errors import TsfitError
from tsfit.driver.parameters import PARAMETERS, PLAIN

_PREFIXES = {"": 1.0, "k": 1e3, "d": 1e-1, "c": 1e-2, "m": 1e-3, "µ": 1e-6}
_LENGTHS = {
    "m": 1.0, "dm": 1e-1, "cm": 1e-2, "mm": 1e-3, "µm": 1e-6, "in": 0.0254, "inch": 0.0254, "ft": 0.3048, "foot": 0.3048,
}  # fmt: skip
_OUNCE = 28.349523125e-3


def _prefixed(unit: str, *spellings: str, scale: float = 1.0) -> dict[str, float]:
    """Factors of a unit that is `scale` of the SI one, with every prefix, for each spelling."""
    return {prefix + name: factor * scale for name in (unit, *spellings) for prefix, factor in _PREFIXES.items()}


_UNITS: dict[str, dict[str, float]] = {
    "ohm": _prefixed("ohm"),
    "Hz": _prefixed("Hz"),
    "m³": _prefixed("l", "L", "litre", "liter", "litres", "liters", scale=1e-3)
    | {f"{name}3": length**3 for name, length in _LENGTHS.items()}
    | {"cc": 1e-6, "cuft": 0.3048**3, "cu ft": 0.3048**3, "cu.ft": 0.3048**3, "cuin": 0.0254**3, "cu in": 0.0254**3},
    "kg": _prefixed("g", scale=1e-3) | {"oz": _OUNCE, "ounce": _OUNCE, "lb": 16.0 * _OUNCE, "pound": 16.0 * _OUNCE},
    "m/N": {f"{name}/N": length for name, length in _LENGTHS.items()},
    "N·s/m": _prefixed("Ns/m") | {"kg/s": 1.0, "g/s": 1e-3},
    "T·m": _prefixed("Tm") | {"N/A": 1.0},
    "H": _prefixed("H"),
    "ohm·s^0.5": {"ohms0.5": 1.0, "sH": 1.0},
    "ohm·s^n": {"ohmsn": 1.0},
    "ohm·s^Xr": {"ohmsXr": 1.0},
    "ohm·s^Xx": {"ohmsXx": 1.0},
    "m²": {f"{name}2": length**2 for name, length in _LENGTHS.items()},
    "m": _LENGTHS,
    "W": _prefixed("W"),
    "V": _prefixed("V"),
    "A": _prefixed("A"),
    "dB": {"dB": 1.0},
}
"""Factor to the SI unit (outer key) of every unit that datasheets and benches use, in plain spelling (`_plain`)."""
_USUAL = {
    "ohm": ("ohm", "Ohm"), "Hz": ("Hz", "kHz"), "m³": ("l", "litre", "liter", "cm^3", "ft^3", "in^3"),
    "kg": ("kg", "g", "oz"), "m/N": ("m/N", "mm/N", "um/N"), "N·s/m": ("N*s/m", "Ns/m", "kg/s"),
    "T·m": ("T*m", "Tm", "N/A"), "H": ("H", "mH", "uH"), "m²": ("m^2", "cm^2", "cm2", "in^2", "in2"),
    "m": ("m", "cm", "mm", "in"),
}  # fmt: skip
"""Spellings that a refusal suggests."""

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


def _plain(unit: str) -> str:
    """Return a unit in the one spelling of `_UNITS`: no signs of multiplication or power, no look-alike letters."""
    for sign, plain in (("²", "2"), ("³", "3"), ("Ω", "ohm"), ("\N{OHM SIGN}", "ohm"), ("Ohm", "ohm"), ("μ", "µ")):
        unit = unit.replace(sign, plain)
    unit = re.sub(r"\s*(?:\^|\*\*?|·|⋅)\s*", "", unit)
    return f"µ{unit[1:]}" if unit.startswith("u") else unit


def scale_to_si(unit: str, si: str, where: str) -> float:
    """Return the factor from `unit` to `si`, a unit of the SI or another one (for "1", a plain number, there is none).

    Raises TsfitError ``wrong_unit`` when `unit` is unknown or of another dimension; the sentence starts with `where`.
    """
    plain, wanted = _plain(unit), _plain(si)
    for known, table in _UNITS.items():
        if plain in table and (known == si or wanted in table):
            return table[plain] / (1.0 if known == si else table[wanted])
    usual = _USUAL.get(si, (si,))
    names = ", ".join(get_close_matches(unit, usual, n=2, cutoff=0.5) or usual[:6])
    fitting = "a plain number" if si == PLAIN else f"a unit of {si} such as {names}"
    raise TsfitError(f"{where}: unit {unit!r} does not fit here; write {fitting}.", code="wrong_unit")


def parse_printed(text: str | float, si: str, where: str, usual: str = "") -> Printed:
    """Read "8.2 ft^3", "0,21 mm/N" or a bare number of a parameter that has no unit (`si` is "1").

    A bare float counts with the digits Python shows. `where` (file and key) is for the sentence of an error, which suggests
    the `usual` unit.

    Raises TsfitError ``wrong_value`` (no number), ``wrong_unit`` (missing, unknown or of another dimension).
    """
    match = _NUMBER.match(str(text))
    if match is None:
        example = '"0.38"' if si == PLAIN else f'"12.3 {usual or si}"'
        raise TsfitError(f"{where}: {text!r} is not a number with its unit; write it like {example}.", code="wrong_value")
    if _AMBIGUOUS.match(match.group(1)):
        message = f"{where}: {text!r} may be thousands or a decimal comma; write it without the comma or with a point."
        raise TsfitError(message, code="wrong_value")
    number, unit = match.group(1).replace(",", "."), match.group(2)
    if si != PLAIN and not unit:
        raise TsfitError(f'{where}: {text!r} has no unit; write it like "{number} {usual or si}".', code="wrong_unit")
    factor = scale_to_si(unit, si, where) if unit not in ("", si) else 1.0
    mantissa, _, exponent = number.lower().partition("e")
    decimals = len(mantissa.partition(".")[2])
    if re.fullmatch(r"[+-]?[1-9]\d+0", number):
        decimals = -1
    try:
        value, half = float(number) * factor, 0.5 * 10.0 ** (int(exponent or 0) - decimals) * factor
    except (OverflowError, ValueError):
        value = half = math.inf
    if not (math.isfinite(value) and 0.0 < half < math.inf):
        raise TsfitError(f"{where}: {text!r} is beyond any parameter; correct it.", code="wrong_value")
    return Printed(value, half, str(text))


def display(name: str, value: float, unit: str = PLAIN) -> tuple[float, str]:
    """Return the SI `value` of the parameter `name` in the unit that the trade uses, and that unit.

    `unit` is the SI unit to fall back on for a name that is no parameter.
    """
    parameter = PARAMETERS.get(name)
    if parameter is None:
        return value, "" if unit == PLAIN else unit
    return value * parameter.factor, parameter.shown


def decimals_of(spread: float) -> int | None:
    """Return the decimals down to the second digit of a standard uncertainty (JCGM 100:2008, 7.2.6), None without one."""
    return 1 - math.floor(math.log10(spread)) if math.isfinite(spread) and spread > 0.0 else None


def believable(value: float, unit: str) -> int:
    """Return the decimals beyond which nobody believes a measured `value`: of its thousandth, 0.01 dB or 10 µm."""
    least = 0.01 if unit == "dB" else abs(value) / 1000.0
    if unit == "mm" and abs(value) > 1.0:
        least = max(least, 0.01)
    return -math.floor(math.log10(least)) if least > 0.0 else 6


def shown_decimals(value: float, spread: float, unit: str, *, full: bool) -> int | None:
    """Return the decimals of a measured `value`: those of its `spread`, and unless `full` none that nobody believes."""
    decimals = decimals_of(spread)
    return decimals if decimals is None or full else min(decimals, believable(value, unit))


def with_decimals(value: float, decimals: int | None, sign: str = "") -> str:
    """Return `value` rounded to `decimals`, or with six digits where these are None; no zero has a minus.

    With the `sign` "+" one of more than zero has its own.
    """
    return f"{value:{sign}.6g}" if decimals is None else f"{round(value, decimals) + 0.0:{sign}.{max(decimals, 0)}f}"


def spread_shown(spread: float, decimals: int | None) -> str:
    """Return a standard uncertainty with the `decimals` of its value; "<0.01" where these leave nothing of it."""
    told = with_decimals(spread, decimals)
    return told if decimals is None or float(told) else f"<{with_decimals(10.0**-decimals, decimals)}"


def rounded(value: float, spread: float) -> str:
    """Return `value` rounded to the second digit of its standard uncertainty."""
    return with_decimals(value, decimals_of(spread))
