"""How the fields of a record are told from outside: key in a box file, option of the command, unit, bounds.

Each field says it once, in its annotation; file, command and machine form read it there::

    volume: Annotated[float, Told("volume_l", LITRE, above=0.0)]
    losses: Annotated[Losses, Inside()]
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any, TypeVar, get_args, get_origin, get_type_hints

from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures

if TYPE_CHECKING:
    from _typeshed import DataclassInstance


LITRE, CM, MM, CM2, GRAM = 1e-3, 1e-2, 1e-3, 1e-4, 1e-3
"""SI values of the units in which boxes are told."""
Record = TypeVar("Record", bound="DataclassInstance")
Value = float | str | bool | None


@dataclass(frozen=True)
class Told:
    """A value as people write it."""

    key: str  # in a box file, with its table before a dot where that is not the table of the record
    scale: float = 1.0  # SI value of its unit
    option: str = ""  # name of the command's option; the key where left out
    above: float | None = None  # bounds in the file, in its unit
    least: float | None = None
    most: float | None = None
    beside: str = ""  # told only where the outer record has a field of this name


@dataclass(frozen=True)
class Inside:
    """A record within a record: the table of a file that holds its fields, and how their options begin."""

    table: str = ""
    option: str = ""


@dataclass(frozen=True)
class Leaf:
    """One told value of a record: the attributes that lead to it, how it is told, its type, its default as told."""

    path: tuple[str, ...]
    told: Told
    hint: Any
    default: object

    @property
    def key(self) -> str:
        """Dotted key in a file."""
        return self.told.key

    @property
    def option(self) -> str:
        """Name of the option."""
        return self.told.option or self.told.key


@cache
def _marked(record: type[DataclassInstance]) -> dict[str, tuple[object, Told | Inside]]:
    """Type and mark of every field, by name; one that says nothing is told by its name, in SI."""
    found: dict[str, tuple[object, Told | Inside]] = {}
    hints = get_type_hints(record, include_extras=True)
    for item in fields(record):
        hint, *marks = get_args(hints[item.name]) if get_origin(hints[item.name]) is Annotated else (hints[item.name],)
        found[item.name] = hint, next((mark for mark in marks if isinstance(mark, (Told, Inside))), Told(item.name))
    return found


def _record_in(hint: object) -> type[DataclassInstance]:
    return next(part for part in (hint, *get_args(hint)) if isinstance(part, type) and is_dataclass(part))


@cache
def leaves(record: type[DataclassInstance]) -> tuple[Leaf, ...]:
    """Every told value of `record` and of the records in it; those told beside something come last."""
    marked, found = _marked(record), list[Leaf]()
    for item in fields(record):
        hint, mark = marked[item.name]
        if isinstance(mark, Told):
            found.append(Leaf((item.name,), mark, hint, _as_written(item.default, mark.scale)))
        else:
            found += [_within(item.name, mark, leaf) for leaf in leaves(_record_in(hint))]
    return tuple(sorted(found, key=lambda leaf: bool(leaf.told.beside)))


def _within(name: str, mark: Inside, leaf: Leaf) -> Leaf:
    key = leaf.key if "." in leaf.key or not mark.table else f"{mark.table}.{leaf.key}"
    return replace(leaf, path=(name, *leaf.path), told=replace(leaf.told, key=key, option=f"{mark.option}{leaf.option}"))


def leaves_of_kind(record: type[DataclassInstance]) -> tuple[Leaf, ...]:
    """Leaves of an outermost `record`: those beside something that it has not are none of its."""
    own = {item.name for item in fields(record)}
    return tuple(leaf for leaf in leaves(record) if not leaf.told.beside or leaf.told.beside in own)


def made(
    record: type[Record], given: Mapping[str, object], name: Callable[[Leaf], str] = lambda leaf: leaf.option
) -> Record:
    """Make a `record` of what is `given` in the units of people, by what `name` calls each value: its option, or its key.

    What is not given, or None, has its default.
    """
    values = {
        leaf.path: _si(leaf, value) for leaf in leaves_of_kind(record) if (value := given.get(name(leaf))) is not None
    }
    return _made(record, values)


def _si(leaf: Leaf, value: object) -> object:
    if isinstance(value, tuple):
        return tuple(_si(leaf, one) for one in value)
    if leaf.told.scale != 1.0 and isinstance(value, int | float):
        return value * leaf.told.scale
    return float(value) if isinstance(value, float) else value


def _made(record: type[Record], values: Mapping[tuple[str, ...], object]) -> Record:
    arguments = {path[0]: value for path, value in values.items() if len(path) == 1}
    for name, (hint, mark) in _marked(record).items():
        if not isinstance(mark, Inside):
            continue
        inner = {path[1:]: value for path, value in values.items() if len(path) > 1 and path[0] == name}
        kind = _record_in(hint)
        # A record that may be absent is there when something is told that it does not have by itself.
        needed = {leaf.path for leaf in leaves(kind) if leaf.default is None or leaf.default is MISSING} or inner.keys()
        if type(None) not in get_args(hint) or needed & inner.keys():
            arguments[name] = _made(kind, inner)
    return record(**arguments)


def told(record: DataclassInstance) -> dict[str, Value]:
    """Return the values of `record` in the units of people by their keys; None for what it has not, or is infinite.

    Twelve digits are more than anyone measures, and keep 0.3 from being written as 0.30000000000000004.
    """
    found: dict[str, Value] = {}
    for leaf in leaves_of_kind(type(record)):
        value: Any = record
        for name in leaf.path:
            value = None if value is None else getattr(value, name)
        found[leaf.key] = None if isinstance(value, float) and math.isinf(value) else _as_written(value, leaf.told.scale)
    return found


def _as_written(value: Any, scale: float) -> Any:
    """`value` of a record in the unit of people, whose SI value is `scale`."""
    plain = scale == 1.0 or not isinstance(value, float) or math.isinf(value)
    return value if plain else float(f"{value / scale:.12g}")


def in_units(record: DataclassInstance) -> dict[str, float | None]:
    """Return the numbers of a flat `record` in the units of people, unrounded, by their keys."""
    return {
        leaf.key: None if (value := getattr(record, leaf.path[0])) is None else value / leaf.told.scale
        for leaf in leaves(type(record))
    }


def within(value: float, low: float, high: float, name: str, unit: str) -> float:
    """Return `value` if it lies between `low` and `high`. Raises ``wrong_value``."""
    if not low <= value <= high:
        unit = f" {unit}" if unit else ""
        allowed = f"{low:g}{unit} or more" if math.isinf(high) else f"a value between {low:g} and {high:g}{unit}"
        raise TsfitError(f"{name}: {value:.6g}{unit} cannot be; give {allowed}.", code="wrong_value")
    return float(value)


UNITS = {
    "hz": "Hz",
    "l": "l",
    "db": "dB",
    "cm": "cm",
    "mm": "mm",
    "ms": "ms",
    "v": "V",
    "w": "W",
    "percent": "%",
    "cm2": "cm²",
    "g": "g",
    "ohm": "Ω",
    "c": "°C",
    "hpa": "hPa",
    "dbfs": "dBFS",
}
"""Unit by the ending of a key."""
NAMES = {
    "qtc": ("Qtc", 3),
    "fc_hz": ("fc", 1),
    "f3_hz": ("f3", 1),
    "f3_upper_hz": ("upper f3", 1),
    "ripple_db": ("ripple", 2),
    "reference_db": ("mid-band level", 1),
    "excursion_max_mm": ("largest travel", 2),
    "acting_volume_l": ("volume as the air acts", 2),
    "alpha": ("Vas / volume", 2),
    "fc_circuit_hz": ("fc of the circuit", 1),
    "qtc_circuit": ("Qtc of the circuit", 3),
    "fb_hz": ("tuning fb", 1),
    "h": ("tuning / Fs", 2),
    "port_resonance_hz": ("first resonance of the tube", 1),
    "radiator_added_mass_g": ("added to each radiator", 2),
    "radiator_fs_hz": ("radiator's own resonance then", 1),
    "excursion_max_hz": ("largest travel at", 1),
    "excursion_above_fb_mm": ("largest travel above tuning", 2),
    "excursion_above_fb_hz": ("largest travel above tuning at", 1),
    "port_speed_max_m_s": ("fastest port air", 2),
    "port_speed_limit_m_s": ("port air allowed", 2),
    "radiator_excursion_max_mm": ("radiator's largest travel", 2),
}
"""What tables call the numbers of a box, and how many digits stand after the point."""


def unit_of(key: str) -> str:
    """Return the unit in which a machine form holds `key`, by its ending; "" for a plain number."""
    return "m/s" if key.endswith("_m_s") else UNITS.get(key.rsplit("_", 1)[-1], "") if "_" in key else ""


def shown_key(key: str) -> str:
    """Return `key` in words, without its unit."""
    bare = key.removesuffix("_m_s") if key.endswith("_m_s") else key.rsplit("_", 1)[0] if unit_of(key) else key
    return bare.replace("_", " ")


def headed(key: str) -> str:
    """Return the name of a number in a machine form and its unit, as a table heads a row."""
    name, unit = NAMES[key][0] if key in NAMES else shown_key(key), unit_of(key)
    return f"{name}, {unit}" if unit else name


def written(value: float | None, unit: str) -> str:
    """Three digits, never an exponent; decibels to a tenth."""
    if value is None or abs(value) < 1e-3:
        return "-" if value is None else f"0 {unit}".rstrip()
    told = f"{value:.1f}" if unit == "dB" else in_figures(value, 3, zeros=True)
    return f"{told} {unit}".rstrip()
