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
"""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import Field

from tsfit.base.errors import TsfitError
from tsfit.base.files import is_json
from tsfit.circuit.coil import COIL_MODELS
from tsfit.driver.fit_result import FitResult
from tsfit.driver.formulas import Wiring, complete
from tsfit.driver.parameters import BASIC, LEVELS, PUBLISHED
from tsfit.driver.record import Driver, Softening, driver_from_parameters
from tsfit.driver.units import Printed, display
from tsfit.formats.fit import read_fit
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


class _DriverTable(DriverTable):
    wiring: Wiring | None = None


class _DriverFile(Table):
    driver: _DriverTable
    parameters: dict[str, object]
    softening: _Softening | None = None


def read_driver_or_fit(path: Path, *, assuming: bool = False) -> tuple[Driver, FitResult | None]:
    """Read the driver that `path` describes, and the fit it comes from, if it is one; raises as `read_driver`.

    With `assuming` a sheet may leave out what is then taken as usual (`Driver.assumed`).
    """
    if is_json(path):
        fit = read_fit(path)
        return fit.driver, fit
    return read_driver(path, assuming=assuming), None


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
                f"{name} is {stated:.4g} {unit}".rstrip()
                + f", but {', '.join(needs)} make it {follows:.4g} {unit}".rstrip()
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
    if is_json(path) or "softening" not in (tables := load_toml(path, "driver")):
        return None
    table = validated(path, tables, _DriverFile, "driver").softening
    return None if table is None else Softening(0.01 * table.gain_percent, table.time_constant_h)
