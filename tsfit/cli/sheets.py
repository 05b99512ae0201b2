"""Which of several drivers a sheet on the command line rates."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tsfit.cli.printing import say_error

if TYPE_CHECKING:
    from tsfit.driver.record import Driver
    from tsfit.formats.sheet import Sheet


def sheet_of_each(paths: Sequence[Path], drivers: Sequence[Driver]) -> list[Sheet | None]:
    """Read the sheets, no more than `drivers`, and return that of each driver, None where it has none.

    As many as drivers are in their order. Fewer go by their names; one of no namesake to the only driver without ratings.
    Raises click.UsageError where names are against the order, or do not tell.
    """
    from tsfit.driver.record import same_name
    from tsfit.formats.sheet import read_sheet

    found: list[Sheet | None] = [None] * len(drivers)
    for number, path in enumerate(paths):
        sheet = read_sheet(path)
        named = [k for k, driver in enumerate(drivers) if same_name(driver.name, sheet.name)]
        if len(paths) < len(drivers):
            place = _place(path, sheet, drivers, named)
            if found[place] is not None:
                raise click.UsageError(f"{path}: {drivers[place].name} has a sheet already; give each driver one.")
            say_error(f"{path} rates {drivers[place].name}.")
        elif named and number not in named:
            raise click.UsageError(
                f"{path} is the sheet of {sheet.name}, and would rate {drivers[number].name}; give the sheets in the order "
                "of the drivers."
            )
        else:
            place = number
        if place not in named:
            say_error(
                f"warn: {drivers[place].name} is rated by {path}, the sheet of {sheet.name}: check it if these differ."
            )
        found[place] = sheet
    return found


def _place(path: Path, sheet: Sheet, drivers: Sequence[Driver], named: Sequence[int]) -> int:
    """Return the place of the driver that a sheet rates, as far as names or lacking ratings tell."""
    if len(named) == 1:
        return named[0]
    bare = [k for k, driver in enumerate(drivers) if driver.Xmax is None and driver.Pe is None]
    if not named and len(bare) == 1:
        return bare[0]
    are = f"{len(named)} of the drivers have that name" if named else "none of the drivers has that name"
    raise click.UsageError(
        f"{path} is the sheet of {sheet.name}, and {are}; give a --sheet for each driver, in their order, or write the "
        "name of its driver into it."
    )
