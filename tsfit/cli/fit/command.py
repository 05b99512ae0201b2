"""``tsfit fit``: a bench file or a curve in, parameters out."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from tsfit.cli.output import json_option, output_options, say

if TYPE_CHECKING:
    from tsfit.driver.fit_result import Estimate


def _trials(ctx: click.Context, param: click.Parameter, value: str | None) -> int | str | None:
    """Read a number of Monte Carlo trials, or the word auto."""
    if value is None or value == "auto":
        return value
    try:
        return int(value)
    except ValueError:
        raise click.BadParameter(f"{value!r} is neither a number of trials nor auto.", ctx, param) from None


@click.command()
@click.argument("benches", type=click.Path(path_type=Path), metavar="BENCH...", nargs=-1, required=True)
@click.option("--coil", metavar="MODEL", help="Force a coil model: simple, ladder-2, ladder-3, power-law, ...")
@click.option("--suspension", metavar="MODEL", help="Force a suspension model: ideal, log-creep, fractional, structural.")
@click.option(
    "--points-per-octave", type=click.IntRange(6, 192), default=48, show_default=True, help="Density of recorded curves."
)
@click.option("--candidates", is_flag=True, help="Print every choice of circuit models that was fitted, best first.")
@click.option(
    "--spice", type=click.Path(path_type=Path), metavar="FILE", help="Write the driver as a SPICE subcircuit, in free air."
)
@click.option(
    "--summary",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write a .csv file with a row for each bench, SI.",
)
@click.option(
    "--monte-carlo",
    callback=_trials,
    metavar="N",
    help="Refit N curves with errors drawn anew, at least 200, and print the intervals so found; auto adds trials until "
    "they settle.",
)
@click.option("--budget", is_flag=True, help="Print what contributes how much to the uncertainty of each parameter.")
@output_options
@json_option
def fit(
    benches: tuple[Path, ...],
    coil: str | None,
    suspension: str | None,
    points_per_octave: int,
    candidates: bool,
    spice: Path | None,
    summary: Path | None,
    monte_carlo: int | Literal["auto"] | None,
    budget: bool,
    output: Path | None,
    plot: Path | None,
    replace: bool,
    as_json: bool,
) -> int:
    """Fit all the sweeps that a bench file names, together.

    BENCH is a bench file (TOML), or an impedance curve made elsewhere: text with frequency and impedance in three columns,
    or Touchstone .s1p. A lone curve counts as one free-air sweep. Several are fitted in parallel, each to its own
    BENCH.fit.json beside it or in the folder that -o names; one that fails does not stop the others.

    \b
    Example:
      tsfit fit bench.toml -o fit.json --plot fit.png
      tsfit fit curve.txt --coil ladder-2 --spice driver.cir
      tsfit fit bench.toml --candidates --budget
      tsfit fit bench.toml --monte-carlo 10000
      tsfit fit lot/*.toml -o fits --summary lot.csv
    """  # noqa: D301
    from tsfit.base.files import refuse_existing, write_new
    from tsfit.bench.fit import fit_bench
    from tsfit.cli.fit.tables import print_budget, print_candidates
    from tsfit.cli.output import print_json, progress, refuse_outputs, save_json
    from tsfit.fitting.monte_carlo import check_trials, with_trials
    from tsfit.formats.fit import fit_to_dict

    if len(benches) > 1 or summary is not None:
        from tsfit.cli.fit.batch import fit_all

        if plot is not None or spice is not None or candidates or budget:
            raise click.UsageError("--plot, --spice, --candidates and --budget are for one bench; give it alone.")
        models = {
            "coil": coil,
            "suspension": suspension,
            "points_per_octave": points_per_octave,
            "monte_carlo": monte_carlo,
        }
        return fit_all(benches, output, summary, replace=replace, as_json=as_json, **models)
    (bench,) = benches
    refuse_outputs(output, plot, replace=replace)
    refuse_existing(spice, replace=replace)
    if monte_carlo is not None:
        check_trials(monte_carlo)
    with progress(quiet=as_json) as step:
        result = fit_bench(
            bench,
            coil=coil,
            suspension=suspension,
            points_per_octave=points_per_octave,
            on_step=step,
        )
        if monte_carlo is not None:
            told = "" if monte_carlo == "auto" else f" of {monte_carlo}"
            result = with_trials(
                result,
                monte_carlo,
                workers=os.cpu_count() or 1,
                on_trials=lambda done: step(f"Monte Carlo trial {done}{told}"),
            )
    data = fit_to_dict(result)
    if output is not None:
        save_json(output, data, replace=replace)
    if plot is not None:
        from tsfit.plots.fit import fit_figure
        from tsfit.plots.save import save_figure

        save_figure(plot, fit_figure(result), replace=replace)
    if spice is not None:
        from tsfit.formats.spice import spice_subcircuit

        write_new(spice, spice_subcircuit(result.driver), replace=replace)
    if as_json:
        print_json(data)
    else:
        print_fit(result)
        if candidates:
            print_candidates(result)
        if budget:
            print_budget(result)
    return 0


def print_fit(result: object) -> None:
    """Print the parameters with their uncertainty, then what the fit has to remark."""
    from tsfit.cli.fit.tables import print_levels, print_monte_carlo
    from tsfit.cli.output import print_table
    from tsfit.driver.fit_result import FitResult

    assert isinstance(result, FitResult)
    rows = []
    for name, estimate in {**result.parameters, **result.conditions}.items():
        told = estimate.shown(name)
        traced = " *" if estimate.interval_from == "profile" else ""
        rows.append([name, told.value, told.spread, f"{told.low} … {told.high}{traced}", told.unit])
    print_table(["figure", "value", "±1σ", "95 % interval", "unit"], rows, title=result.driver.name)
    if result.wirings:
        print_table(
            ["wiring", *next(iter(result.wirings.values()))], [_wiring_row(*item) for item in result.wirings.items()]
        )
    print_levels(result)
    print_monte_carlo(result)
    for note in result.quality:
        place = "" if note.sweep is None else f"sweep {note.sweep + 1}: "
        say(f"{note.severity}: {place}{note.message}")


def _wiring_row(wiring: str, figures: Mapping[str, Estimate]) -> list[str]:

    cells = [wiring]
    for name, estimate in figures.items():
        told = estimate.shown(name)
        cells.append(f"{told.value} {'' if told.unit == '1' else told.unit}".strip())
    return cells
