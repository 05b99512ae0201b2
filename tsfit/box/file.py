"""A planned box as a TOML file that a person writes, or that ``tsfit box … --save-box`` wrote.

::

    kind = "vented"                 # closed, vented, passive, baffle or bandpass
    volume_l = 95                   # or volume = "3.35 ft^3"
    tuning_hz = 26                  # or length_cm or effective_length_cm of the port
    leak_q = 10
    [port]
    diameter_cm = 10
    count = 2
    [drivers]
    count = 2
    in_series = 2
    wiring = "series"               # of the two coils of each
    rated_power_w = 400
    xmax_mm = 9
    [amplifier]
    voltage_v = 60                  # or power_w = 400 and load_ohm = 8

``volume_l`` and ``tuning_hz`` of a band-pass stand in its ``[rear]`` and ``[front]`` tables. What is left out has
the default of the command line.
"""

import math
from dataclasses import MISSING, replace
from functools import cache
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, create_model

from tsfit.base.errors import TsfitError
from tsfit.base.files import write_new
from tsfit.box.enclosure import Enclosure, Kind
from tsfit.box.kinds import PLANS, BandPassPlan, VentedPlan
from tsfit.box.plan import BoxPlan
from tsfit.box.told import Leaf, Value, leaves_of_kind, made, told
from tsfit.driver.air import COLDEST, DENSEST, THINNEST, WARMEST
from tsfit.formats.foreign import reads
from tsfit.formats.toml import Table, load_toml, validated, wrong_key

TABLES = ("", "drivers", "drive", "amplifier", "air", "rear", "front", "port", "radiator")
"""In the order in which they are written; the first holds the keys that stand in no table."""
AIR = {
    "air.temperature_c": (COLDEST, WARMEST),
    "air.pressure_hpa": (THINNEST, DENSEST),
    "air.humidity_percent": (0.0, 100.0),
}
"""Bounds of the air of a box; its record belongs to the driver and tells none."""


class _File(Table):
    kind: Kind
    note: str | None = None


def _field(leaf: Leaf) -> tuple[Any, Any]:
    """Type and default of a key, as pydantic wants them; what is infinite by itself is left out in a file."""
    bounds = leaf.told
    low, high = AIR.get(leaf.key, (bounds.least, bounds.most))
    checks = Field(gt=bounds.above, ge=low, le=high)
    if leaf.default is MISSING:
        return Annotated[leaf.hint, checks], ...
    if leaf.default in (None, math.inf):
        return Annotated[leaf.hint | None, checks], None
    return Annotated[leaf.hint, checks], leaf.default


@cache
def file_form(kind: Kind) -> type[Table]:
    """Return the tables of a file of that `kind`: the keys that its plan tells."""
    keys: dict[str, dict[str, Any]] = {table: {} for table in TABLES}
    for leaf in leaves_of_kind(PLANS[kind]):
        table, _, key = leaf.key.rpartition(".")
        keys[table][key] = _field(leaf)
    fields = keys.pop("")
    for table, inner in keys.items():
        if inner:
            form = create_model(table, __base__=Table, **inner)
            needed = any(default is ... for _, default in inner.values())
            fields[table] = (form, ...) if needed else (form | None, None)
    return create_model(kind, __base__=_File, **fields)


@reads("box")
def read_box(path: Path) -> BoxPlan:
    """Read the box that `path` plans. Raises ``missing_file``, ``not_toml``, ``wrong_key``, ``missing_key`` or
    ``wrong_value``, naming file, key and remedy.
    """
    data = load_toml(path, "box")
    kind = data.get("kind")
    if kind is None:
        close = next((key for key in data if key.lower().startswith("kin")), None)
        if close is not None:
            raise wrong_key(close, close, ["kind"], "box", path)
        raise TsfitError(
            f"{path}: kind is missing; add one of {', '.join(PLANS)} to the box file.", code="missing_key", file=path
        )
    if not isinstance(kind, str) or kind not in PLANS:
        raise TsfitError(
            f"{path}: kind {kind!r} is not known; use one of {', '.join(PLANS)}.", code="wrong_value", file=path
        )
    return planned(path, kind, data)


def planned(path: Path, kind: Kind, tables: object) -> BoxPlan:
    """Return the plan of that `kind` that the `tables` of a box file tell; raises as `read_box`."""
    form = validated(path, tables, file_form(kind), "box")
    try:
        return made(PLANS[kind], _flat(form.model_dump(exclude_none=True, exclude_defaults=True)), lambda leaf: leaf.key)
    except TsfitError as error:
        raise TsfitError(f"{path}: {error.message}", code=error.code, file=path) from error


def write_box(path: Path, plan: BoxPlan, *, note: str | None = None, replace: bool = False) -> None:
    """Write `plan` as a box file; raises ``exists``, ``cannot_write``, and as `box_text`."""
    write_new(path, box_text(path, plan, note), replace=replace)


def as_found(plan: BoxPlan, found: Enclosure) -> tuple[BoxPlan, str | None]:
    """Return `plan` as the box of wood that was `found`, whatever driver it will hold, with a note of what by.

    A port has its length in the air that it was reckoned for, so that goes along.
    """
    asked, settled = getattr(plan, "qtc", None), plan.settled(found)
    if isinstance(settled, (VentedPlan, BandPassPlan)) and settled.opening.port is not None and settled.air is None:
        settled = replace(settled, air=found.driver.air)
    return settled, asked and f"Qtc {asked:g} with {found.driver.name}"


def box_text(path: Path, plan: BoxPlan, note: str | None = None) -> str:
    """Return `plan` as the text of the box file `path`, with a `note`; what has its default is left out.
    Raises ``wrong_value`` for a plan that no box file may hold.
    """
    import tomlkit

    tables: dict[str, Any] = {"kind": plan.kind, "note": note}
    for key, value in told(plan).items():
        if value is not None:
            table, _, name = key.rpartition(".")
            (tables.setdefault(table, {}) if table else tables)[name] = value
    form = validated(path, tables, file_form(plan.kind), "box")
    written = {"kind": plan.kind, **form.model_dump(exclude_none=True, exclude_defaults=True)}
    return tomlkit.dumps({name: value for name, value in written.items() if value != {}})


def _flat(tables: dict[str, Any], prefix: str = "") -> dict[str, Value]:
    flat: dict[str, Value] = {}
    for name, value in tables.items():
        flat |= _flat(value, f"{prefix}{name}.") if isinstance(value, dict) else {prefix + name: value}
    return flat
