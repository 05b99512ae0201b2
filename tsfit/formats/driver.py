"""Read whatever names a driver: a fit (JSON), a published sheet or a driver file (both TOML).

A driver file gives any set of parameters from which the rest follows::

    [driver]
    name = "Wagtail 8"
    wiring = "series"          # of two coils, for which the parameters hold; or "parallel", "one coil"
    [parameters]
    Re = "5.7 ohm"
    Fs = "31.5 Hz"
    …
    Le = "0.6 mH"              # with L2 and R2, L3 and R3, or Leb, Kss and Rss where more is known of the coil
    [softening]                # optional; what use does to a simulated driver
    gain_percent = 12
    time_constant_h = 4
    [at_power]                 # optional; what a simulated driver does at full travel and how it warms
    travel_mm = [-12, 0, 12]
    bl_percent = [70, 100, 78]
    stiffness_percent = [190, 100, 170]
    inductance_percent = [115, 100, 88]
    rtv_k_per_w = 1.1          # coil to magnet, cone at rest
    ctv_j_per_k = 40
    rtm_k_per_w = 0.5          # magnet to air
    ctm_j_per_k = 2500
    g_w_per_k_per_m_s = 0.2    # what the cone's draught carries off
"""

from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import Field, model_validator

from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.base.files import is_json
from tsfit.circuit.coil import COIL_MODELS
from tsfit.driver.fit_result import FitResult
from tsfit.driver.formulas import Wiring, complete
from tsfit.driver.parameters import BASIC, LEVELS, PUBLISHED
from tsfit.driver.record import AtPower, Driver, Softening, driver_from_parameters
from tsfit.driver.units import Printed, display
from tsfit.formats.fit import read_fit
from tsfit.formats.foreign import reads
from tsfit.formats.sheet import DriverTable, read_parameters, read_sheet
from tsfit.formats.toml import Table, load_toml, validated

APART, APART_DB = 0.1, 3.0
"""How far, as a logarithm or a level, a parameter may be from what the others make of it: beyond any rounding and any
air. Common practice, no source."""

COIL_TERMS = {name: tuple(term.name for term in model.parameters) for name, model in COIL_MODELS.items()}
"""Terms of each coil model; those that a driver file gives tell which it is."""


class _Softening(Table):
    gain_percent: Annotated[float, Field(gt=-90.0, le=200.0)]
    time_constant_h: Annotated[float, Field(gt=0.0)]


Curve = list[Annotated[float, Field(gt=0.0, le=1e4)]]
Positive = Annotated[float, Field(gt=0.0, le=1e6)]


class _AtPower(Table):
    travel_mm: Annotated[list[Annotated[float, Field(ge=-200.0, le=200.0)]], Field(min_length=3, max_length=15)]
    bl_percent: Curve
    stiffness_percent: Curve
    inductance_percent: Curve
    rtv_k_per_w: Positive | None = None
    ctv_j_per_k: Positive | None = None
    rtm_k_per_w: Positive | None = None
    ctm_j_per_k: Positive | None = None
    g_w_per_k_per_m_s: Annotated[float, Field(ge=0.0, le=1e3)] = 0.0

    @model_validator(mode="after")
    def _whole(self) -> "_AtPower":
        rising = all(a < b for a, b in pairwise(self.travel_mm))
        if not rising or 0.0 not in self.travel_mm:
            raise ValueError("travel_mm must rise, and 0 must be among it")
        for name in ("bl_percent", "stiffness_percent", "inductance_percent"):
            curve = getattr(self, name)
            if len(curve) != len(self.travel_mm) or curve[self.travel_mm.index(0.0)] != 100.0:
                raise ValueError(f"{name} needs a value for each travel_mm, 100 at 0")
        given = [self.rtv_k_per_w, self.ctv_j_per_k, self.rtm_k_per_w, self.ctm_j_per_k]
        if None in given and any(value is not None for value in given):
            raise ValueError("heat needs all of rtv_k_per_w, ctv_j_per_k, rtm_k_per_w, ctm_j_per_k")
        return self

    def record(self) -> AtPower:
        heat = (self.rtv_k_per_w, self.ctv_j_per_k, self.rtm_k_per_w, self.ctm_j_per_k, self.g_w_per_k_per_m_s)
        curves = (self.bl_percent, self.stiffness_percent, self.inductance_percent)
        bl, k, inductance = (tuple(0.01 * value for value in curve) for curve in curves)
        known = tuple(value for value in heat if value is not None)
        return AtPower(tuple(1e-3 * x for x in self.travel_mm), bl, k, inductance, known if len(known) == 5 else None)


class _DriverTable(DriverTable):
    wiring: Wiring | None = None


class _DriverFile(Table):
    driver: _DriverTable
    parameters: dict[str, object]
    softening: _Softening | None = None
    at_power: _AtPower | None = None


@reads("fit", "sheet", "driver")
def read_driver_or_fit(path: Path, *, assuming: bool = False) -> tuple[Driver, FitResult | None]:
    """Read the driver that `path` describes, and the fit it comes from, if it is one; raises as `read_driver`.

    With `assuming` a sheet may leave out what is then taken as usual (`Driver.assumed`).
    """
    if is_json(path):
        fit = read_fit(path)
        return fit.driver, fit
    return read_driver(path, assuming=assuming), None


@reads("fit", "sheet", "driver")
def read_driver(path: Path, *, assuming: bool = False) -> Driver:
    """Read the driver that `path` describes, `assuming` what is usual where a sheet does not print all.

    Of a fit, the fitted one in the air of its sweeps, without Mms where only free air was swept; of a sheet or driver file,
    at reference air, with a plain coil inductance unless the driver file has the terms of another model.

    Raises TsfitError ``incomplete_driver``, or ``missing_key`` of a coil, naming what to add; else as the readers of fits
    and sheets.
    """
    if is_json(path):
        return read_fit(path).driver
    tables = load_toml(path, "driver")
    if "published" in tables and "parameters" not in tables:
        sheet = read_sheet(path)
        driver = sheet.driver(assuming=assuming)
        refuse_contradiction(path, sheet.figures)
        return driver
    if "parameters" not in tables:
        message = f"{path}: has neither [parameters] nor [published]; name a fit, a published sheet or a driver file."
        raise TsfitError(message, code="missing_key", file=path)
    file = validated(path, tables, _DriverFile, "driver")
    names = tuple(dict.fromkeys((*PUBLISHED, *(term for terms in COIL_TERMS.values() for term in terms))))
    parameters = read_parameters(path, file.parameters, "parameters", "driver", names)
    values = {name: printed.value for name, printed in parameters.items()}
    driver = driver_from_parameters(file.driver.name, values, where=str(path))
    refuse_contradiction(path, parameters)
    return replace(_with_coil(path, driver, values), wiring=file.driver.wiring)


def _with_coil(path: Path, driver: Driver, values: Mapping[str, float]) -> Driver:
    """`driver` with the coil model that has just those terms which stand among `values` (SI); raises ``missing_key``."""
    given = {name for terms in COIL_TERMS.values() for name in terms if name in values}
    if given <= {"Le"}:
        return driver
    name, terms = min(COIL_TERMS.items(), key=lambda model: len(given.symmetric_difference(model[1])))
    if given != set(terms):
        add, drop = ", ".join(term for term in terms if term not in given), ", ".join(sorted(given.difference(terms)))
        remedy = " and ".join(f"{verb} {what}" for verb, what in (("add", add), ("leave out", drop)) if what)
        message = f"{path}: {', '.join(sorted(given))} make no model of a coil; for the one called {name} {remedy}."
        raise TsfitError(message, code="missing_key", file=path)
    return replace(driver, coil=name, coil_values={term: values[term] for term in terms})


def refuse_contradiction(path: Path, figures: Mapping[str, Printed]) -> None:
    """Refuse `figures` of which one is not what the others make it, whatever their roundings, naming those;
    ``contradiction``.
    """
    values = {name: printed.value for name, printed in figures.items()}
    for name in sorted(values, key=lambda name: name in BASIC):
        needs = [other for other in values if other != name]
        if name not in complete({other: values[other] for other in needs}):
            continue
        for other in tuple(needs):
            fewer = [each for each in needs if each != other]
            if name in complete({each: values[each] for each in fewer}):
                needs = fewer
        if _apart(name, figures[name], {each: figures[each] for each in needs}):
            made = float(complete({each: values[each] for each in needs})[name])
            (stated, unit), (follows, _) = display(name, values[name]), display(name, made)
            told = (
                f"{name} is {in_figures(stated, 4)} {unit}".rstrip()
                + f", but {', '.join(needs)} make it {in_figures(follows, 4)} {unit}".rstrip()
            )
            message = f"{path}: {told}; correct the one that is wrong, or leave {name} out."
            raise TsfitError(message, code="contradiction", file=path)


def _apart(name: str, printed: Printed, needs: Mapping[str, Printed]) -> bool:
    """Whether no value that rounds to the `printed` one comes near any that rounded `needs` allow.

    The relations are monotonic, so the corners of the roundings hold the extremes.
    """
    given, *corners = (each.value + each.half_digit * np.array([-1.0, 1.0]) for each in (printed, *needs.values()))
    known = dict(zip(needs, (corner.ravel() for corner in np.meshgrid(*corners)), strict=True))
    with np.errstate(divide="ignore", invalid="ignore"):
        made, level = np.asarray(complete(known)[name]), name in LEVELS
    # A corner may be no driver at all, as where Qts rounds to Qms: then nothing is ruled out.
    if not np.all(np.isfinite(made)) or (not level and min(made.min(), given[0]) <= 0.0):
        return False
    low, high, least, most = (float(end if level else np.log(end)) for end in (made.min(), made.max(), *given))
    return max(low - most, least - high) > (APART_DB if level else APART)


def read_softening(path: Path) -> Softening | None:
    """Read how the driver of a driver file softens with use, None where nothing says so; raises as `read_driver`."""
    file = _simulated(path, "softening")
    table = None if file is None else file.softening
    return None if table is None else Softening(0.01 * table.gain_percent, table.time_constant_h)


def read_at_power(path: Path) -> AtPower:
    """Read what the driver of a driver file does at power; one that nothing bends or warms where nothing says so."""
    file = _simulated(path, "at_power")
    return AtPower() if file is None or file.at_power is None else file.at_power.record()


def _simulated(path: Path, part: str) -> _DriverFile | None:
    """The driver file, None where it says nothing of what only a simulated driver does."""
    if is_json(path) or part not in (tables := load_toml(path, "driver")):
        return None
    return validated(path, tables, _DriverFile, "driver")
