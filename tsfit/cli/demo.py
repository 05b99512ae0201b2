"""``tsfit demo``: the whole job on the sample data."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tsfit.base.figures import in_figures
from tsfit.cli.output import PATH, Outputs, with_outputs
from tsfit.cli.printing import hint, print_table, progress, say, say_command
from tsfit.driver.parameters import PARAMETERS

if TYPE_CHECKING:
    from tsfit.demo import DemoResult

SHOWN = ("Fs", "Qts", "Vas", "Bl", "sensitivity_2V83")


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
    from tsfit.box.compare.short import how_sure, in_short, of_measured
    from tsfit.check.limits import UNDEFINED
    from tsfit.demo import DRIVERS, MEASURED, new_cabinets

    old, new = (one.name for one in result.comparison.compared)
    hint(f"A picture-house asks: is the new {new} worth new cabinets? (Invented.)")
    say(new_cabinets(result.comparison))
    say(f"1. Which of the two, over these boxes (f3 of {old}, then of {new})")
    say(f"  - {' '.join([*in_short(result.comparison), how_sure(result.comparison)])}")
    say(f"  - {' '.join(of_measured(result.comparison))}")
    for case in result.comparison.cases:
        f3 = " and ".join(in_figures(design["f3_hz"], 3) for design in case.designs if design["f3_hz"] is not None)
        litres = list(dict.fromkeys(in_figures(design["volume_l"], 3) for design in case.designs if design["volume_l"]))
        size = f", {' and '.join(litres)} l" if len(litres) > 1 else ""
        before = " before it" if case.equalised else ""
        say(f"  - {case.case[:1].upper()}{case.case[1:]}: f3 {f3} Hz{before}{size}")
    say("2. What the bench measured (value ± standard uncertainty)")
    fits = [result.fits[stem] for stem in DRIVERS]
    rows = []
    for name in SHOWN:
        told = [fit.parameters[name].shown(name) for fit in fits]
        rows.append(
            [
                f"{PARAMETERS[name].heading}{', dB' * PARAMETERS[name].level}",
                *(f"{each.value} ± {each.spread}" for each in told),
            ]
        )
    print_table(["parameter", *(fit.driver.name for fit in fits)], rows)
    said = ["3. What the datasheets are worth."]
    for stem, fit in result.fits.items():
        check = result.checks[stem]
        outside = [PARAMETERS[item.name].called for item in check.figures if item.verdict == "outside"]
        named = f": {', '.join(outside)}" if outside else ""
        said.append(f"{fit.driver.name}: {check.verdict}{f'{named}. {check.pattern.sentence}' if named else '.'}")
        for item in check.figures:
            if item.name == "Xmax" and item.note:
                printed, met, *_ = item.note.split("; ")
                vague = ", of no stated meaning, at its mildest" * (UNDEFINED in item.note)
                said.append(f"Travel on trial: {printed}{vague or ';'} {met}; boxes count 10 %.")
    say(" ".join(said))
    say(f"4. What hours of use did to {result.fits[MEASURED].driver.name}: {' '.join(result.drift)}")
    say(f"Page to show others: {result.page}. To turn the knobs of a box for both:")
    say_command(result.knobs)
