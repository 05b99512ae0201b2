"""``tsfit demo``: the whole job on the sample data."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tsfit.cli.output import PATH, Outputs, with_outputs
from tsfit.cli.printing import hint, print_table, progress, say
from tsfit.driver.parameters import PARAMETERS

if TYPE_CHECKING:
    from tsfit.demo import DemoResult

SHOWN = ("Re", "Fs", "Qms", "Qes", "Qts", "Vas", "Mms", "Bl", "sensitivity_2V83")


@click.command()
@click.option(
    "--folder",
    type=PATH,
    default=Path("tsfit-demo"),
    show_default=True,
    help="Where to leave the page and JSON; a number is added when it exists.",
)
@with_outputs("as_json")
def demo(folder: Path, outputs: Outputs) -> None:
    """Play the whole job on the sample data: recordings, fit, check, travel, break-in, comparison, page.

    The scenario is invented: a harbour picture-house asks whether the successor of its old 12-inch woofer is worth new
    cabinets. Nothing is played or recorded, and no hardware is needed.

    \b
    Example:
      tsfit demo
      tsfit demo --folder somewhere-else
    """  # noqa: D301
    from tsfit.demo import free_folder, play

    with progress(quiet=outputs.as_json) as step:
        result = play(free_folder(folder), step)
    data = {"folder": str(result.folder), "files": [path.name for path in result.files]}
    outputs.show(data, lambda: _print(result))


def _print(result: DemoResult) -> None:
    from tsfit.box.compare.short import in_short
    from tsfit.demo import DRIVERS

    say("1. Which of them, in which box")
    for sentence in in_short(result.comparison):
        say(f"  - {sentence}")
    for case in result.comparison.cases:
        say(f"  - {case.case[:1].upper()}{case.case[1:]}: {case.words[0]}")
    say("2. What the bench measured (value ± standard uncertainty)")
    fits = [result.fits[stem] for stem in DRIVERS]
    rows = []
    for name in SHOWN:
        told = [fit.parameters[name].shown(name) for fit in fits]
        rows.append([PARAMETERS[name].heading, *(f"{each.value} ± {each.spread}" for each in told)])
    print_table(["parameter", *(fit.driver.name for fit in fits)], rows)
    say("3. What the datasheets are worth")
    for stem, fit in result.fits.items():
        check = result.checks[stem]
        outside = [item.name for item in check.figures if item.verdict == "outside"]
        named = f": {', '.join(outside)}" if outside else ""
        say(f"  - {fit.driver.name}: {check.verdict}{named}. {check.pattern.sentence}")
        for item in check.figures:
            if item.name == "Xmax" and item.note:
                say(f"    Travel on trial, measured at full drive: {item.note}.")
    say("4. What its hours of use did to the successor")
    for drifted in result.drift:
        say(f"  - {drifted}")
    say(f"The page to show others: {result.page}")
    say(f"To turn the knobs of a box for both: {result.knobs}")
    hint("The drivers and the picture-house are invented; these numbers say nothing about any product.")
