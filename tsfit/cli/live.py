"""``tsfit try``: a page whose knobs turn."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tsfit.cli.output import PATH, Outputs, sheets_option, with_outputs
from tsfit.cli.printing import hint, say

if TYPE_CHECKING:
    from tsfit.live.state import Tried


@click.command(name="try")
@click.argument("drivers", nargs=-1, required=True, type=PATH, metavar="DRIVER [DRIVER ...]")
@click.option("--box", type=PATH, metavar="FILE", help="Begin with a planned box (TOML).")
@sheets_option
@click.option("--no-browser", is_flag=True, help="Only print the address.")
@click.option("--keep", is_flag=True, help="Go on when the last page is closed, until Ctrl-C.")
@with_outputs("as_json")
def live(
    drivers: tuple[Path, ...], box: Path | None, sheets: tuple[Path, ...], no_browser: bool, keep: bool, outputs: Outputs
) -> None:
    """Turn the knobs of a box for one driver or several, on a page.

    The page is served to this computer alone, at an address that nobody can guess. It ends with Ctrl-C, or when the page
    is closed. Nothing is written; what you take away is saved by the browser.

    \b
    Example:
      tsfit try fit.json
      tsfit try old.json new.json --box box.toml \\
          --sheet old.toml --sheet new.toml
    """  # noqa: D301
    if len(sheets) > len(drivers):
        raise click.UsageError("more --sheet than drivers; give one each, in the same order.")
    from tsfit.box.file import read_box
    from tsfit.live.server import Served, Trial
    from tsfit.live.state import first_state, state_of

    tried = _tried(drivers, sheets)
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


def _tried(paths: tuple[Path, ...], sheets: tuple[Path, ...]) -> list[Tried]:
    from dataclasses import replace
    from itertools import chain, repeat

    from tsfit.driver.record import rated
    from tsfit.formats.driver import read_driver_or_fit
    from tsfit.formats.sheet import read_sheet
    from tsfit.live.state import Tried

    found = []
    for path, sheet in zip(paths, chain(sheets, repeat(None)), strict=False):
        driver, fit = read_driver_or_fit(path)
        if sheet is not None:
            driver = rated(driver, read_sheet(sheet).values())
        found.append(Tried(str(path), driver, fit))
    names = [one.driver.name for one in found]
    if len(set(names)) == len(names):
        return found
    return [
        replace(one, driver=replace(one.driver, name=f"{one.driver.name} ({number}, {path.stem})"))
        for number, (one, path) in enumerate(zip(found, paths, strict=True), start=1)
    ]
