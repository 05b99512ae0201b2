"""``tsfit travel``: recordings at full travel in, how far the driver goes out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tsfit.base.figures import in_figures
from tsfit.cli.output import PATH, Outputs, with_outputs
from tsfit.cli.printing import print_notes, print_table, progress, say

if TYPE_CHECKING:
    from tsfit.driver.travel_result import TravelResult


@click.command()
@click.argument("bench", type=PATH)
@with_outputs()
def travel(bench: Path, outputs: Outputs) -> None:
    """Tell how far the driver of a BENCH goes before its force factor, suspension or coil lets it down.

    It plays nothing. Whoever records at full travel: ears covered, driver clamped, fingers away, no DC, a cool coil, never
    alone; see tsfit guide travel.

    The bench file holds recordings of state "full travel", one a level, and what sets the scale: small-signal sweeps with
    an added mass, or from = "fit.json" in [driver]. The rig file needs the volts of both channels at full scale.

    \b
    Example:
      tsfit travel bench.toml -o travel.json --plot travel.png
    """  # noqa: D301
    from tsfit.bench.travel import travel_bench

    outputs.refuse_existing()
    with progress(quiet=outputs.as_json) as step:
        told = travel_bench(bench, on_step=step)
    outputs.write_json(told)
    if outputs.plot is not None:
        from tsfit.plots.travel import travel_plot

        outputs.write_plot(travel_plot(told))
    outputs.show(told, lambda: _print(told))


def _print(told: TravelResult) -> None:
    """Print how far it goes, then each limit, each level, and what holds at rest."""
    from tsfit.driver.travel_result import SIDES

    for answer in told.answers():
        say(answer)
    sides = [f"{told.side(side)}, mm" for side in SIDES]
    heads = ["limit", *(f"{side} (95 %)" for side in sides)]
    print_table(heads, told.rows(), title="Where each curve reaches its limit")
    levels = [
        [
            each.recording, f"{1e3 * each.peak_outward_m:.2f}", f"{1e3 * each.peak_inward_m:.2f}",
            in_figures(each.Re_ohm, 4), in_figures(each.left_percent, 2),
            in_figures(each.noise_percent, 2) if each.noise_percent else "not told",
        ]
        for each in told.levels
    ]  # fmt: skip
    print_table(["level", *sides, "Re, Ω", "unexplained, %", "noise, %"], levels)
    held = [
        [
            each.recording, f"{1e3 * each.x_m:+.4g}", *(
                f"{in_figures(scale * value, 4)} ± {in_figures(scale * stdev, 1)}"
                for value, stdev, scale in (
                    (each.Bl, each.Bl_stdev, 1.0), (each.K, each.K_stdev, 1e-3), (each.L, each.L_stdev, 1e3)
                )
            ),
            *([in_figures(value, 2) for value in each.E_n.values()] or ["", "", ""]),
        ]
        for each in told.offsets
    ]  # fmt: skip
    if held:
        heads = ["held at", "mm", "Bl, T·m", "d(K x)/dx, N/mm", "L, mH", *(f"E_n {name}" for name in ("Bl", "K", "L"))]
        print_table(heads, held, title="cone held aside; up to an E_n of 1 it agrees with full travel")
    at_rest = [[told.called(name), *estimate.shown(name).cells] for name, estimate in told.parameters.items()]
    print_table(["at rest", "value", "±1σ", "95 % interval", "unit"], at_rest)
    print_notes(told.quality)
