"""``tsfit box verify``: hold a finished cabinet against its plan."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tsfit.base.figures import in_figures
from tsfit.cli.output import PATH, Outputs, with_outputs
from tsfit.cli.printing import print_notes, print_table, say

if TYPE_CHECKING:
    from tsfit.box.verify.findings import BuiltBox


@click.command()
@click.argument("curve", type=PATH)
@click.option("--driver", type=PATH, required=True, help="Fit of the driver, or its sheet.")
@click.option("--box", "plan", type=PATH, required=True, help="Box file of the plan.")
@click.option("--rig", type=PATH, help="CURVE is a recording made on this rig.")
@click.option("--lead-ohm", default=0.0, help="Resistance of leads within the curve.  [default: found with the box]")
@with_outputs()
def verify(curve: Path, driver: Path, plan: Path, rig: Path | None, lead_ohm: float, outputs: Outputs) -> int:
    """Tell from one impedance curve what was built.

    CURVE is the impedance at the terminals of the finished box, without crossover: text, Touchstone, or with --rig a
    recording. Leaves with 1 for another driver, or when the box leaks or is surely further from its plan than a careful
    builder gets (volume 5 %, tuning 3 %).

    \b
    Example:
      tsfit box verify cabinet.txt --driver fit.json \\
          --box box.toml
      tsfit box verify cabinet.wav --rig rig.toml \\
          --driver fit.json --box box.toml \\
          --plot cabinet.png
    """  # noqa: D301
    from tsfit.bench.cabinet import read_cabinet
    from tsfit.box.file import read_box
    from tsfit.box.verify.verify import verify as verify_box
    from tsfit.formats.driver import read_driver_or_fit

    outputs.refuse_existing()
    planned = read_box(plan)
    one, fit = read_driver_or_fit(driver)
    built = verify_box(read_cabinet(curve, rig), planned, one, fit, lead_ohm=lead_ohm)
    outputs.write_json(built)
    if outputs.plot is not None:
        from tsfit.plots.box_verify import verify_plot

        outputs.write_plot(verify_plot(built))
    outputs.show(built, lambda: _print(built))
    return int(built.outside)


def _print(built: BuiltBox) -> None:
    from tsfit.box.verify.findings import number_rows, summary, verdict

    say(verdict(built))
    say(summary(built))
    for sentence in built.advice:
        say(sentence)
    if not built.advice:
        say("Nothing needs to be changed, as far as this curve can tell.")
    print_notes(built.notes)
    rows = [
        [
            f"{what}, {unit}" if unit else what,
            planned or "-",
            found,
            f"{low} … {high}" if low != high else "within 0.1 %",
            judged,
        ]
        for what, planned, found, low, high, unit, judged in number_rows(built)
    ]
    print_table(("", "planned", "built", "95 % interval", "verdict"), rows)
    say(f"The fit misses the curve by {in_figures(100 * built.misfit, 2)} %.")
