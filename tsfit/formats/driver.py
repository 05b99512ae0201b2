"""Read whatever names a driver: a fit (JSON), a published sheet or a driver file (both TOML).

A driver file gives any set of parameters from which the rest follows::

    [driver]
    name = "Wagtail 8"
    wiring = "series"          # of two coils, for which the parameters hold; or "parallel", "one coil"
    [parameters]
    Re = "5.7 ohm"
    Fs = "31.5 Hz"
    …
    [softening]                # optional; what use does to a simulated driver
    gain_percent = 12
    time_constant_h = 4
"""

from dataclasses import replace
from pathlib import Path
from typing import Annotated

from pydantic import Field

from tsfit.base.errors import TsfitError
from tsfit.base.files import is_json
from tsfit.driver.fit_result import FitResult
from tsfit.driver.formulas import Wiring
from tsfit.driver.record import Driver, Softening, driver_from_parameters
from tsfit.formats.fit import read_fit
from tsfit.formats.sheet import DriverTable, read_parameters, read_sheet
from tsfit.formats.toml import Table, load_toml, validated


class _Softening(Table):
    gain_percent: Annotated[float, Field(gt=-90.0, le=200.0)]
    time_constant_h: Annotated[float, Field(gt=0.0)]


class _DriverTable(DriverTable):
    wiring: Wiring | None = None


class _DriverFile(Table):
    driver: _DriverTable
    parameters: dict[str, object]
    softening: _Softening | None = None


def read_driver_or_fit(path: Path) -> tuple[Driver, FitResult | None]:
    """Read the driver that `path` describes, and the fit it comes from, if it is one; raises as `read_driver`."""
    if is_json(path):
        fit = read_fit(path)
        return fit.driver, fit
    return read_driver(path), None


def read_driver(path: Path) -> Driver:
    """Read the driver that `path` describes.

    Of a fit, the fitted one in the air of its sweeps, without Mms where only free air was swept; of a sheet or driver file,
    at reference air with a plain coil inductance.

    Raises TsfitError ``incomplete_driver`` naming what to add; else as the readers of fits and sheets.
    """
    if is_json(path):
        return read_fit(path).driver
    tables = load_toml(path, "driver")
    if "published" in tables and "parameters" not in tables:
        return read_sheet(path).driver()
    if "parameters" not in tables:
        message = f"{path}: has neither [parameters] nor [published]; name a fit, a published sheet or a driver file."
        raise TsfitError(message, code="missing_key", file=path)
    file = validated(path, tables, _DriverFile, "driver")
    parameters = read_parameters(path, file.parameters, "parameters", "driver")
    driver = driver_from_parameters(
        file.driver.name, {name: printed.value for name, printed in parameters.items()}, where=str(path)
    )
    return replace(driver, wiring=file.driver.wiring)


def read_softening(path: Path) -> Softening | None:
    """Read how the driver of a driver file softens with use, None where nothing says so; raises as `read_driver`."""
    if is_json(path) or "softening" not in (tables := load_toml(path, "driver")):
        return None
    table = validated(path, tables, _DriverFile, "driver").softening
    return None if table is None else Softening(0.01 * table.gain_percent, table.time_constant_h)
