"""A planned box as a TOML file that a person writes, or that ``tsfit box … --save-box`` wrote.

::

    kind = "vented"                 # closed, vented, passive, baffle or bandpass
    volume_l = 95                   # or volume = "3.35 ft^3"
    tuning_hz = 26                  # or length_cm of the port
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

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from tsfit.base.errors import TsfitError
from tsfit.base.files import write_new
from tsfit.box.enclosure import Kind
from tsfit.box.plan import BoxPlan
from tsfit.box.ports import Port
from tsfit.driver.air import COLDEST, DENSEST, THINNEST, WARMEST, Air
from tsfit.driver.formulas import Wiring
from tsfit.formats.toml import Table, load_toml, validated, wrong_key

Positive = Annotated[float, Field(gt=0.0)]
Count = Annotated[int, Field(ge=1, le=100)]


class _Port(Table):
    diameter_cm: Positive | None = None
    width_cm: Positive | None = None
    height_cm: Positive | None = None
    length_cm: Positive | None = None
    count: Count = 1
    flare_cm: Annotated[float, Field(ge=0.0)] = 0.0
    ends: Literal["one flush", "both flush", "both free"] = "one flush"
    on_wall: bool = False
    box_depth_cm: Positive | None = None
    speed_limit_m_s: Positive | None = None


class _Radiator(Table):
    mass_g: Positive
    area_cm2: Positive
    fs_hz: Positive | None = None
    compliance_mm_n: Positive | None = None
    qms: Positive | None = None
    count: Count = 1
    added_mass_g: Annotated[float, Field(ge=0.0)] | None = None
    xmax_mm: Positive | None = None


class _Drivers(Table):
    count: Count = 1
    in_series: Count = 1
    wiring: Wiring | None = None
    arrangement: Literal["side by side", "push-push", "face to face"] = "side by side"
    rated_power_w: Positive | None = None
    peak_power_w: Positive | None = None
    rating_ohm: Positive | None = None
    xmax_mm: Positive | None = None


class _Drive(Table):
    voltage_v: Positive | None = None
    power_w: Positive | None = None
    source_ohm: Annotated[float, Field(ge=0.0)] = 0.0


class _Amplifier(Table):
    voltage_v: Positive | None = None
    current_a: Positive | None = None
    power_w: Positive | None = None
    load_ohm: Positive | None = None


class _Air(Table):
    temperature_c: Annotated[float, Field(ge=COLDEST, le=WARMEST)] = 20.0
    pressure_hpa: Annotated[float, Field(ge=THINNEST, le=DENSEST)] = 1013.25
    humidity_percent: Annotated[float, Field(ge=0.0, le=100.0)] = 50.0


class _Box(Table):
    kind: Kind
    name: str | None = None
    note: str | None = None
    air_load: Literal["free air", "baffle"] = "free air"
    drivers: _Drivers | None = None
    drive: _Drive | None = None
    amplifier: _Amplifier | None = None
    air: _Air | None = None


class _Losses(Table):
    leak_q: Positive | None = None
    absorption_q: Positive | None = None


class _Filled(_Losses):
    filling: Annotated[float, Field(ge=1.0, le=1.4)] = 1.0
    displaced_l: Annotated[float, Field(ge=0.0)] = 0.0


class _Closed(_Box, _Filled):
    volume_l: Positive | None = None
    qtc: Positive | None = None


class _Vented(_Box, _Filled):
    volume_l: Positive
    tuning_hz: Positive | None = None
    port_q: Positive | None = None
    port: _Port | None = None


class _Passive(_Box, _Filled):
    volume_l: Positive
    tuning_hz: Positive | None = None
    radiator: _Radiator


class _Rear(_Filled):
    volume_l: Positive


class _Front(_Losses):
    volume_l: Positive
    tuning_hz: Positive | None = None
    port_q: Positive | None = None


class _BandPass(_Box):
    rear: _Rear
    front: _Front
    port: _Port | None = None


MODELS: dict[str, type[_Box]] = {
    "closed": _Closed,
    "vented": _Vented,
    "passive": _Passive,
    "baffle": _Box,
    "bandpass": _BandPass,
}
ARGUMENTS: dict[str, str] = {
    "volume_l": "volume",
    "tuning_hz": "tuning",
    "displaced_l": "displaced",
    "port.length_cm": "port_length",
    "port.box_depth_cm": "depth",
    "port.speed_limit_m_s": "ratings.port_speed_m_s",
    **{f"port.{key}_cm": f"port.{key}" for key in ("diameter", "width", "height", "flare")},
    "radiator.mass_g": "radiator_mass",
    "radiator.area_cm2": "radiator_area",
    "radiator.fs_hz": "radiator_fs",
    "radiator.compliance_mm_n": "radiator_compliance",
    "radiator.qms": "radiator_qms",
    "radiator.count": "radiators",
    "radiator.added_mass_g": "added_mass",
    "radiator.xmax_mm": "ratings.radiator_xmax_m",
    "rear.volume_l": "rear_volume",
    "rear.leak_q": "rear_leak_q",
    "rear.absorption_q": "rear_absorption_q",
    "rear.filling": "filling",
    "rear.displaced_l": "displaced",
    "front.volume_l": "front_volume",
    "front.tuning_hz": "tuning",
    **{f"front.{key}": key for key in ("leak_q", "absorption_q", "port_q")},
    "drivers.count": "drivers",
    "drivers.in_series": "in_series",
    "drivers.arrangement": "arrangement",
    "drivers.wiring": "wiring",
    "drivers.rated_power_w": "ratings.power_w",
    "drivers.peak_power_w": "ratings.peak_power_w",
    "drivers.rating_ohm": "ratings.power_ohm",
    "drivers.xmax_mm": "ratings.xmax_m",
    "drive.voltage_v": "voltage",
    "drive.power_w": "power",
    "drive.source_ohm": "source_ohm",
    "amplifier.voltage_v": "ratings.amplifier_v",
    "amplifier.current_a": "ratings.amplifier_a",
    "amplifier.power_w": "ratings.amplifier_w",
    "amplifier.load_ohm": "ratings.amplifier_load_ohm",
}
"""Argument of the functions in `tsfit.box.build` that a key gives; a key that is not here has the argument's name."""
SCALES = {"_mm_n": 1e-3, "_cm2": 1e-4, "_cm": 1e-2, "_mm": 1e-3, "_l": 1e-3, "_g": 1e-3}


def read_box(path: Path) -> BoxPlan:
    """Read the box that `path` plans.

    Raises
    ------
    TsfitError
        ``missing_file``, ``not_toml``, ``wrong_key``, ``missing_key`` or ``wrong_value``, naming file, key and remedy.
    """
    data = load_toml(path, "box")
    kind = data.get("kind")
    if kind is None:
        close = next((key for key in data if key.lower().startswith("kin")), None)
        if close is not None:
            raise wrong_key(close, close, ["kind"], "box", path)
        raise TsfitError(
            f"{path}: kind is missing; add one of {', '.join(MODELS)} to the box file.", code="missing_key", file=path
        )
    if not isinstance(kind, str) or kind not in MODELS:
        raise TsfitError(
            f"{path}: kind {kind!r} is not known; use one of {', '.join(MODELS)}.", code="wrong_value", file=path
        )
    file = validated(path, data, MODELS[kind], "box")
    flat = _flat(file.model_dump(exclude_none=True, exclude_defaults=True, exclude={"kind", "name", "note"}))
    values: dict[str, Any] = {}
    for key, value in flat.items():
        group, _, argument = ARGUMENTS.get(key, key).rpartition(".")
        (values.setdefault(group, {}) if group else values)[argument] = _scaled(key, value)
    try:
        if {"diameter", "width", "height"} & values.get("port", {}).keys():
            values["port"] = Port(**values["port"])
        else:
            values.pop("port", None)
    except TsfitError as error:
        raise TsfitError(f"{path}: {error.message}", code=error.code, file=path) from error
    if "air" in values:
        values["air"] = Air(**values["air"])
    return BoxPlan(file.kind, values, file.name)


def write_box(path: Path, plan: BoxPlan, *, replace: bool = False) -> None:
    """Write `plan` as a box file; what has its default is left out.

    Raises
    ------
    TsfitError
        ``exists`` or ``cannot_write``.
    """
    import tomlkit

    given = dict(plan.values)
    for group in ("port", "air", "ratings"):
        inner = given.pop(group, None)
        fields = inner if isinstance(inner, Mapping) else vars(inner) if inner is not None else {}
        given |= {f"{group}.{name}": value for name, value in fields.items()}
    tables: dict[str, Any] = {"kind": plan.kind, "name": plan.name}
    for key in _flat_keys(MODELS[plan.kind]):
        value = given.get(ARGUMENTS.get(key, key))
        if value is None or (isinstance(value, float) and math.isinf(value)):
            continue
        table, _, name = key.rpartition(".")
        (tables.setdefault(table, {}) if table else tables)[name] = _scaled(key, value, back=True)
    model = validated(path, tables, MODELS[plan.kind], "box")
    written = {"kind": plan.kind, **model.model_dump(exclude_none=True, exclude_defaults=True)}
    text = tomlkit.dumps({name: value for name, value in written.items() if value != {}})
    write_new(path, text, replace=replace)


def _flat(tables: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for name, value in tables.items():
        flat |= _flat(value, f"{prefix}{name}.") if isinstance(value, Mapping) else {prefix + name: value}
    return flat


def _flat_keys(model: type[Table]) -> list[str]:
    keys = []
    for name, field in model.model_fields.items():
        inner = [field.annotation, *getattr(field.annotation, "__args__", ())]
        table = next((part for part in inner if isinstance(part, type) and issubclass(part, Table)), None)
        keys += [name] if table is None else [f"{name}.{key}" for key in _flat_keys(table)]
    return keys


def _scaled(key: str, value: Any, *, back: bool = False) -> Any:
    scale = next((scale for suffix, scale in SCALES.items() if key.endswith(suffix)), None)
    if scale is None or isinstance(value, str):
        return float(value) if isinstance(value, float) else value
    # Twelve digits are more than anyone measures, and keep 0.3 from being written as 0.30000000000000004.
    return float(f"{value / scale:.12g}") if back else value * scale
