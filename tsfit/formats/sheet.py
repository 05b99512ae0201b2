"""A published datasheet: the parameters as printed, and how far a sample may be off; ``sheet.toml`` is an empty one."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from tsfit.base.errors import TsfitError
from tsfit.driver.air import DENSEST, THINNEST
from tsfit.driver.formulas import COLDEST_COIL, HOTTEST_COIL, Wiring
from tsfit.driver.parameters import LEVELS, PARAMETERS, PUBLISHED
from tsfit.driver.record import Driver, driver_from_parameters, with_usual
from tsfit.driver.units import Printed, parse_printed
from tsfit.formats.toml import Table, read_toml, wrong_key

LARGEST = 1e9
"""No parameter of a driver, nor its inverse, is larger than this in SI units."""
UNNAMED = "name of the driver"
"""Name in the empty sheet, which nobody has filled in yet."""

_PEAK_TO_PEAK = re.compile(r"\s*\(?\b(?:p-p|pp|pk-pk|peak[- ]to[- ]peak)\)?\s*$", re.IGNORECASE)
_TOLERANCE = re.compile(r"^\s*(?:±|\+/-)?\s*(\d+(?:[.,]\d+)?)\s*(%|dB)\s*$")


class Conditions(Table):
    """For what a sheet was printed; None where it does not say. The air load is what is counted in Mms, Fs and the Qs."""

    pressure_hpa: Annotated[float, Field(ge=THINNEST, le=DENSEST)] | None = None
    coil_temperature_c: Annotated[float, Field(ge=COLDEST_COIL, le=HOTTEST_COIL)] | None = None
    wiring: Wiring | None = None
    air_load: Literal["free air", "baffle"] | None = None
    xmax_definition: Literal["geometric", "10 %", "20 %"] | None = None  # what Xmax is read off, or the distortion there
    coil_length_mm: Annotated[float, Field(gt=0.0, le=200.0)] | None = None
    gap_height_mm: Annotated[float, Field(gt=0.0, le=200.0)] | None = None
    rated_coil_c: Annotated[float, Field(ge=50.0, le=400.0)] | None = None
    power_definition: Annotated[str, Field(min_length=1)] | None = None


@dataclass(frozen=True)
class Sheet:
    """A published sheet."""

    name: str
    figures: Mapping[str, Printed]  # SI values by trade name, with the rounding of the print
    tolerances: Mapping[str, float] = field(default_factory=dict)  # stated: fraction of the printed value; dB for a level
    serial: str | None = None
    file: str = ""
    conditions: Conditions = field(default_factory=Conditions)  # for what it was printed
    rewired: "Sheet | None" = None  # the same sheet with its two coils wired in the other way that it prints

    def values(self) -> dict[str, float]:
        """Return the printed parameters as plain SI values."""
        return {name: printed.value for name, printed in self.figures.items()}

    def driver(self, *, assuming: bool = False) -> Driver:
        """Return the driver that it describes, `assuming` what is usual of Qms and Sd where it does not print them.
        Raises TsfitError ``incomplete_driver`` naming what it does not tell.
        """
        values, said = with_usual(self.values()) if assuming else (self.values(), ())
        driver = driver_from_parameters(self.name, values, where=self.file or self.name)
        return replace(driver, wiring=self.conditions.wiring, assumed=said)


class DriverTable(Table):
    """The [driver] table of a sheet or driver file."""

    name: Annotated[str, Field(min_length=1)]
    serial: str | None = None
    note: str | None = None


class _SheetFile(Table):
    driver: DriverTable
    published: dict[str, object]
    series: dict[str, object] = Field(default_factory=dict)
    parallel: dict[str, object] = Field(default_factory=dict)
    tolerance: dict[str, object] = Field(default_factory=dict)
    conditions: Conditions = Conditions()


class _RulesFile(Table):
    tolerance: dict[str, object]


def empty_sheet() -> str:
    """Return the text of a sheet to fill in, with every key explained."""
    return Path(__file__).with_name("sheet.toml").read_text(encoding="utf-8")


def read_parameters(
    path: Path, table: Mapping[str, object], section: str, kind: str, names: tuple[str, ...] = PUBLISHED
) -> dict[str, Printed]:
    """Read the parameters of `table`, of those `names`, found as [`section`] in the `kind` ("sheet", "driver") file `path`.

    Raises TsfitError ``wrong_key``, ``wrong_unit`` or ``wrong_value`` (no number, not positive, none at all).
    """
    if not table:
        message = f'{path}: [{section}] is empty; add at least one, like Fs = "31.5 Hz".'
        raise TsfitError(message, code="missing_key", file=path)
    parameters = {}
    for name, value in table.items():
        place = f"{section}.{name}"
        if name not in names:
            raise wrong_key(place, name, names, kind, path)
        if isinstance(value, bool) or not isinstance(value, (str, int, float)):
            message = f"{path}: {place} must be a number with its unit, not a {type(value).__name__}; correct it."
            raise TsfitError(message, code="wrong_value", file=path)
        text, ways = _one_way(str(value)) if name == "Xmax" else (value, 1)
        try:
            printed = parse_printed(text, PARAMETERS[name].unit, f"{path}: {place}", PARAMETERS[name].shown)
        except TsfitError as error:
            raise TsfitError(error.message, code=error.code, file=path) from error
        if ways == 2:
            printed = Printed(0.5 * printed.value, 0.5 * printed.half_digit, str(value))
        if abs(printed.value) > LARGEST or (name not in LEVELS and 0.0 < printed.value < 1.0 / LARGEST):
            message = f"{path}: {place} = {printed.text!r} is beyond any driver; correct it."
            raise TsfitError(message, code="wrong_value", file=path)
        if name not in LEVELS and printed.value <= 0.0:
            message = f"{path}: {place} must be positive, not {printed.text!r}; correct it."
            raise TsfitError(message, code="wrong_value", file=path)
        parameters[name] = printed
    return parameters


def _one_way(text: str) -> tuple[str, int]:
    """Return a travel without the words that say how it was told, and in how many ways it goes, 1 or 2."""
    number = text.strip().removeprefix("±").removeprefix("+/-")
    match = _PEAK_TO_PEAK.search(number)
    return (number[: match.start()], 2) if match else (number, 1)


def read_sheet(path: Path) -> Sheet:
    """Read a published sheet from its TOML file. Of two coils it may print some parameters in [series] and in [parallel];
    the sheet is then that of the wiring that its conditions state, else of the coils in series, and the other beside it.
    Raises TsfitError as `read_toml` and `read_parameters`.
    """
    file = read_toml(path, _SheetFile, "sheet")
    tables: dict[Wiring, dict[str, object]] = {"series": file.series, "parallel": file.parallel}
    wired = {wiring: table for wiring, table in tables.items() if table}
    if wired and file.conditions.wiring not in (None, *wired):
        message = (
            f"{path}: conditions.wiring is {file.conditions.wiring!r}, but [{next(iter(wired))}] is printed; correct one."
        )
        raise TsfitError(message, code="wrong_value", file=path)
    for wiring, table in wired.items():
        if twice := file.published.keys() & table.keys():
            message = f"{path}: {min(twice)} stands in [published] and in [{wiring}]; keep it in one of them."
            raise TsfitError(message, code="wrong_key", file=path)
    if not wired:
        return _sheet(path, file, file.published, "published", file.conditions)
    first = file.conditions.wiring or next(iter(wired))
    sheets: dict[Wiring | None, Sheet] = {
        wiring: _sheet(
            path, file, {**file.published, **table}, wiring, file.conditions.model_copy(update={"wiring": wiring})
        )
        for wiring, table in wired.items()
    }
    return replace(sheets[first], rewired=next((one for wiring, one in sheets.items() if wiring != first), None))


def _sheet(path: Path, file: _SheetFile, table: Mapping[str, object], section: str, conditions: Conditions) -> Sheet:
    parameters = read_parameters(path, table, section, "sheet")
    for name in file.tolerance:
        if name in PUBLISHED and name not in parameters:
            message = f"{path}: tolerance.{name} has no published parameter; add published.{name} or drop the tolerance."
            raise TsfitError(message, code="wrong_key", file=path)
    return Sheet(
        name=file.driver.name,
        serial=file.driver.serial,
        figures=parameters,
        tolerances={name: _tolerance(path, name, value, "sheet") for name, value in file.tolerance.items()},
        file=str(path),
        conditions=conditions,
    )


def read_rules(path: Path) -> dict[str, float]:
    """Read the tolerances of a rule file: a [tolerance] table like that of a sheet, for any parameters; raises as that."""
    file = read_toml(path, _RulesFile, "rule")
    return {name: _tolerance(path, name, value, "rule") for name, value in file.tolerance.items()}


def _tolerance(path: Path, name: str, value: object, kind: str) -> float:
    place = f"tolerance.{name}"
    if name not in PUBLISHED:
        raise wrong_key(place, name, PUBLISHED, kind, path)
    unit = "dB" if name in LEVELS else "%"
    match = _TOLERANCE.match(value) if isinstance(value, str) else None
    if match is None or match.group(2) != unit:
        example = "1 dB" if name in LEVELS else "15 %"
        message = f'{path}: {place} is {str(value)!r}; write it in {unit}, like "{example}".'
        raise TsfitError(message, code="wrong_unit", file=path)
    number = float(match.group(1).replace(",", "."))
    if number == 0.0:
        message = f"{path}: {place} of 0 can be met by nothing; write what is allowed."
        raise TsfitError(message, code="wrong_value", file=path)
    return number if unit == "dB" else number / 100.0
