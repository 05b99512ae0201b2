"""``tsfit try``: a page whose knobs turn."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tsfit.cli.output import PATH, Outputs, measured_options, sheets_option, with_outputs
from tsfit.cli.printing import hint, say
from tsfit.cli.sheets import sheet_of_each

if TYPE_CHECKING:
    from tsfit.live.state import Tried


@click.command(name="try")
@click.argument("drivers", nargs=-1, required=True, type=PATH, metavar="DRIVER [DRIVER ...]")
@click.option("--box", type=PATH, metavar="FILE", help="Begin with a planned box (TOML).")
@sheets_option
@measured_options(several=True)
@click.option("--cost", type=float, multiple=True, help="What a driver costs, in the order of drivers.")
@click.option("--no-browser", is_flag=True, help="Only print the address.")
@click.option("--keep", is_flag=True, help="Go on when the last page is closed, until Ctrl-C.")
@with_outputs("as_json")
def live(
    drivers: tuple[Path, ...],
    box: Path | None,
    sheets: tuple[Path, ...],
    travel: tuple[Path, ...],
    heat: tuple[Path, ...],
    cost: tuple[float, ...],
    no_browser: bool,
    keep: bool,
    outputs: Outputs,
) -> None:
    """Turn the knobs of a box for one driver or several, on a page.

    The page is served to this computer alone, at an address that nobody can guess. It ends with Ctrl-C, or when the page
    is closed. Nothing is written; what you take away is saved by the browser.

    With --travel and --heat the measured limits count, and harmonics and the heat of the coil are drawn. With --cost, and a
    price of board told on the page, it says what a box costs.

    \b
    Example:
      tsfit try fit.json
      tsfit try old.json new.json --box box.toml \\
          --sheet old.toml --sheet new.toml
    """  # noqa: D301
    for flag, given in (("--sheet", sheets), ("--cost", cost)):
        if len(given) > len(drivers):
            raise click.UsageError(f"more {flag} than drivers; give one each, in the same order.")
    from tsfit.box.file import read_box
    from tsfit.live.server import Served, Trial
    from tsfit.live.state import first_state, state_of

    tried = _priced(_named(_measured(_tried(drivers, sheets), travel, heat)), cost)
    start = first_state(tried) if box is None else state_of(read_box(box))
    served = Served(Trial(tried, start), keep=keep)

    def tables() -> None:
        say(served.address)
        hint("Ctrl-C ends it." if keep else "It ends with Ctrl-C, or when the page is closed.")

    outputs.show({"page": served.address}, tables)
    if not no_browser:
        import threading
        import webbrowser

        # A browser in the terminal would not come back before it is left.
        threading.Thread(target=webbrowser.open, args=(served.address,), daemon=True).start()
    served.run()


def _measured(tried: list[Tried], travel: tuple[Path, ...], heat: tuple[Path, ...]) -> list[Tried]:
    """Give each driver what was measured of it, which limits it as it does in other commands."""
    if not travel and not heat:
        return tried
    from dataclasses import replace

    from tsfit.box.measured import assigned, with_measured
    from tsfit.formats.measured import read_measured

    drivers = [one.driver for one in tried]
    found: list[Tried] = []
    files = [*(("--travel", path) for path in travel), *(("--heat", path) for path in heat)]
    results = [read_measured(*((path, None) if flag == "--travel" else (None, path))) for flag, path in files]
    for one, measured in zip(tried, assigned(drivers, results), strict=True):
        words = tuple(
            str(word)
            for file, told in zip(files, results, strict=True)
            if any((told.travel or told.heat) is its for its in (measured.travel, measured.heat))
            for word in file
        )
        found.append(replace(one, driver=with_measured(one.driver, measured), measured=measured, words=words))
    return found


def _priced(tried: list[Tried], cost: tuple[float, ...]) -> list[Tried]:
    from dataclasses import replace

    from tsfit.box.told import within

    costs = [within(each, 0.0, 1e9, "--cost", "") for each in cost]
    return [replace(one, cost=each) for one, each in zip(tried, [*costs, *[None] * len(tried)], strict=False)]


def _tried(paths: tuple[Path, ...], sheets: tuple[Path, ...]) -> list[Tried]:
    from tsfit.driver.record import rated
    from tsfit.formats.driver import read_driver_or_fit
    from tsfit.live.state import Tried

    found = []
    read = [read_driver_or_fit(path) for path in paths]
    for path, (driver, fit), sheet in zip(paths, read, sheet_of_each(sheets, [one for one, _ in read]), strict=True):
        if sheet is not None:
            driver = rated(driver, sheet.values(), sheet.name)
        found.append(Tried(str(path), driver, fit))
    return found


def _named(found: list[Tried]) -> list[Tried]:
    """Tell drivers of one name apart by their number and file."""
    from dataclasses import replace

    names = [one.driver.name for one in found]
    if len(set(names)) == len(names):
        return found
    return [
        replace(one, driver=replace(one.driver, name=f"{one.driver.name} ({number}, {Path(one.named).stem})"))
        for number, one in enumerate(found, start=1)
    ]
