"""Read a TOML file that a person wrote into a pydantic model, with one clear sentence when something is off.

Keys carry their unit (``mass_g``). Where a key ends in a unit, the same key without it may hold a printed value with unit
instead (``mass = "40 g"``).
"""

import contextlib
import difflib
import math
import re
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, TypeVar, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError, model_validator

from tsfit.base.errors import TsfitError
from tsfit.base.files import read_bytes, unreadable
from tsfit.driver.units import parse_printed
from tsfit.formats.foreign import wanted

UNIT_SUFFIXES = {
    "g": "g", "l": "l", "cm2": "cm^2", "cm": "cm", "ohm": "ohm", "hz": "Hz", "mm": "mm", "w": "W", "v": "V", "a": "A",
}  # fmt: skip
OTHER_UNITS = {
    "g": ("kg", "mg"), "l": ("m^3", "cm^3"), "cm2": ("mm^2", "m^2"), "cm": ("mm", "m"), "mm": ("m", "um"), "hz": ("kHz",),
    "ohm": ("mohm", "kohm"), "v": ("mV",),
}  # fmt: skip
"""In which a value may have been meant that is beyond its bounds."""
MOST_MEANT = 1e9
MAX_BYTES = 1_000_000


class WrittenFloat(float):
    """A float of a TOML file that still knows its digits: ``str()`` gives them as written."""

    def __init__(self, text: str) -> None:
        self._text = text

    def __str__(self) -> str:
        return self._text


class Table(BaseModel):
    """Base of every table: unknown keys are refused, values stay as they are, printed values with unit are converted."""

    # Built once a file is read as one: few of them are in one run.
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, strict=True, defer_build=True)

    @model_validator(mode="before")
    @classmethod
    def _printed_values(cls, data: object) -> object:
        if not isinstance(data, dict):
            return data
        out = dict(data)
        for field in cls.model_fields:
            stem, _, suffix = field.rpartition("_")
            if stem and suffix in UNIT_SUFFIXES and isinstance(out.get(stem), str) and stem not in cls.model_fields:
                try:
                    out[field] = parse_printed(out.pop(stem), UNIT_SUFFIXES[suffix], stem).value
                except TsfitError as error:
                    raise ValueError(error.message) from error
        return out


_DECIMAL_COMMA = re.compile(rb"^([^#=\n\"]*=\s*)([+-]?\d+),(\d+)\s*(?:#.*)?$", re.MULTILINE)
AnyModel = TypeVar("AnyModel", bound=BaseModel)


def read_toml(path: Path, model: type[AnyModel], kind: str) -> AnyModel:
    """Read `path` as `model`; `kind` ("rig", "bench", "sheet", "driver") names the sort of file in messages.

    Raises TsfitError ``missing_file``, ``not_toml``, ``wrong_key``, ``missing_key`` or ``wrong_value``, naming file,
    key and remedy.
    """
    with wanted(path, kind):
        return validated(path, load_toml(path, kind), model, kind)


def load_toml(path: Path, kind: str) -> dict[str, object]:
    """Read the tables of `path` as they are, floats as `WrittenFloat`. Raises TsfitError ``missing_file``, ``not_toml``."""
    try:
        data = read_bytes(path, MAX_BYTES, f"too large for a {kind} file; name a TOML text.", "not_toml")
        return tomllib.loads(data.decode("utf-8-sig"), parse_float=WrittenFloat)
    except OSError as error:
        raise unreadable(path, error, f"name an existing {kind} file") from error
    except (ValueError, RecursionError) as error:
        comma = _DECIMAL_COMMA.search(data)
        message = f"{path}: not a valid TOML {kind} file ({error}); mend that place."
        if comma is not None:
            whole, part = comma[2].decode(), comma[3].decode()
            number = data.count(b"\n", 0, comma.start(2)) + 1
            message = (
                f"{path}, line {number}: {whole},{part} has a decimal comma; a {kind} file wants a point: {whole}.{part}."
            )
        raise TsfitError(message, code="not_toml", file=path) from error


def validated(path: Path, data: object, model: type[AnyModel], kind: str) -> AnyModel:
    """Return `data` of `path` as `model`; text: JSON. Raises TsfitError ``wrong_key``, ``missing_key``, ``wrong_value``."""
    try:
        return model.model_validate_json(data) if isinstance(data, str) else model.model_validate(data)
    except ValidationError as error:
        raise _sentence(path, model, kind, error) from None


def wrong_key(place: str, key: str, known: Iterable[str], kind: str, path: Path) -> TsfitError:
    """Return the error for a key that is not `known`, with the closest one that is, whatever its case."""
    by_lower = {name.lower(): name for name in known}
    close = difflib.get_close_matches(key.lower(), by_lower, n=1)
    remedy = f"did you mean {by_lower[close[0]]!r}?" if close else f"use one of {', '.join(by_lower.values())}."
    return TsfitError(f"{path}: {place} is not a key of a {kind} file; {remedy}", code="wrong_key", file=path)


def _fields_at(model: type[BaseModel], location: tuple[int | str, ...]) -> list[str]:
    """Names of the keys that the table at `location` takes."""
    current: Any = model
    for step in location:
        if isinstance(step, int):
            continue
        field = current.model_fields.get(step)
        current = field.annotation if field is not None else None
        for inner in [current, *getattr(current, "__args__", ())]:
            inner = getattr(inner, "__args__", (inner,))[0] if not isinstance(inner, type) else inner
            if isinstance(inner, type) and issubclass(inner, BaseModel):
                current = inner
                break
        else:
            return []
    return [field.alias or name for name, field in current.model_fields.items()]


def _place(location: tuple[int | str, ...]) -> str:
    text = ""
    for step in location:
        text += f"[{step + 1}]" if isinstance(step, int) else f".{step}" if text else str(step)
    return text


def _sentence(path: Path, model: type[BaseModel], kind: str, error: ValidationError) -> TsfitError:
    errors = error.errors()
    # A misspelt key is reported as missing too; the misspelling is what helps.
    first = next((item for item in errors if item["type"] == "extra_forbidden"), errors[0])
    location = first["loc"]
    place = _place(location) or "the file"
    if first["type"] == "extra_forbidden":
        if len(location) > 1 and (absent := _absent_table(model, errors)):
            told = f"{path}: {place} is not a key of a {kind} file; the line [{absent}] is missing, perhaps above it."
            return TsfitError(told, code="wrong_key", file=path)
        return wrong_key(place, str(location[-1]), _fields_at(model, location[:-1]), kind, path)
    if first["type"] == "missing" and not isinstance(location[-1], int):
        return TsfitError(f"{path}: {place} is missing; add it to the {kind} file.", code="missing_key", file=path)
    reason = first["msg"].removeprefix("Value error, ")
    reason = reason[0].lower() + reason[1:]
    shown = first.get("input")
    given = f" (given: {shown!r})" if isinstance(shown, (str, int, float, bool)) else ""
    meant = _meant(str(location[-1]) if location else "", shown, first.get("ctx", {}))
    return TsfitError(f"{path}: {place}: {reason}{given}; correct it{meant}.", code="wrong_value", file=path)


def _absent_table(model: type[BaseModel], errors: Iterable[Mapping[str, Any]]) -> str | None:
    """Name of a table that is missing, to which keys below another one may belong."""
    names = [str(item["loc"][0]) for item in errors if item["type"] == "missing" and len(item["loc"]) == 1]
    tables = [name for name, field in model.model_fields.items() if get_origin(field.annotation) is dict]
    return next((name for name in names if name in tables), None)


def _meant(key: str, value: object, bounds: dict[str, Any]) -> str:
    """How to write a value beyond its bounds in the unit in which it would be within; "" where there is none."""
    stem, _, suffix = key.rpartition("_")
    if not stem or not isinstance(value, float | int) or not 0.0 < value < MOST_MEANT:
        return ""
    for unit in OTHER_UNITS.get(suffix, ()):
        with contextlib.suppress(TsfitError):
            meant = parse_printed(f"{float(value):g} {unit}", UNIT_SUFFIXES[suffix], stem).value
            if bounds.get("ge", 0.0) <= meant <= bounds.get("le", math.inf):
                return f', or write {stem} = "{float(value):g} {unit}" if that is what it is in'
    return ""
