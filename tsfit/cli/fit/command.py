"""``tsfit fit``: a bench file or a curve in, parameters out."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Unpack

import click

from tsfit.cli.output import PATH, Outputs, with_outputs

if TYPE_CHECKING:
    from tsfit.cli.fit.batch import AskedBatch, AskedFit, Trials
    from tsfit.driver.fit_result import FitResult


def _trials(ctx: click.Context, param: click.Parameter, value: str | None) -> int | str | None:
    """Read a number of Monte Carlo trials, or the word auto."""
    if value is None or value == "auto":
        return value
    try:
        return int(value)
    except ValueError:
        raise click.BadParameter(f"{value!r} is neither a number of trials nor auto.", ctx, param) from None


def _parts(option: str, given: tuple[str, ...]) -> dict[str, str]:
    """What is said of each parameter by an option like ``--hold Re=5.42``."""
    found = {}
    for text in given:
        name, equals, value = text.partition("=")
        if not (name.strip() and equals and value.strip()):
            raise click.UsageError(f"{option} {text}: write the name of a parameter, =, and what it shall be.")
        if name.strip() in found:
            raise click.UsageError(f"{option} {name.strip()}: given twice; keep one of them.")
        found[name.strip()] = value.strip()
    return found


@click.command()
@click.argument("benches", type=PATH, metavar="BENCH...", nargs=-1, required=True)
@click.option("--coil", metavar="MODEL", help="Force a coil model: simple, ladder-2, ladder-3, power-law, ...")
@click.option("--suspension", metavar="MODEL", help="Force a suspension model: ideal, log-creep, fractional, structural.")
@click.option(
    "--points-per-octave", type=click.IntRange(6, 192), default=48, show_default=True, help="Density of recorded curves."
)
@click.option(
    "--columns", metavar="NAMES", help='Name the columns of a text curve: "Hz, ohm, degrees"; - for one not used.'
)
@click.option("--candidates", is_flag=True, help="Print every choice of circuit models that was fitted, best first.")
@click.option("--spice", type=PATH, metavar="FILE", help="Write the driver as a SPICE subcircuit, in free air.")
@click.option("--summary", type=PATH, metavar="FILE", help="Write a .csv file with a row for each bench, SI.")
@click.option(
    "--monte-carlo",
    callback=_trials,
    metavar="N",
    help="Refit N curves with errors drawn anew, at least 200, and print the intervals so found; auto adds trials until "
    "they settle.",
)
@click.option(
    "--hold",
    multiple=True,
    metavar="NAME=VALUE",
    help="Hold a parameter at a value, with its unit or in the one that is printed; may be given again.",
)
@click.option(
    "--bounds", multiple=True, metavar="NAME=LOW,HIGH", help="Keep a parameter between two values; may be given again."
)
@click.option("--budget", is_flag=True, help="Print what contributes how much to the uncertainty of each parameter.")
@with_outputs()
def fit(
    benches: tuple[Path, ...],
    candidates: bool,
    spice: Path | None,
    summary: Path | None,
    hold: tuple[str, ...],
    bounds: tuple[str, ...],
    budget: bool,
    outputs: Outputs,
    **asked: Unpack[AskedBatch],
) -> int:
    """Fit all the sweeps that a bench file names, together.

    BENCH is a bench file (TOML), or an impedance curve made elsewhere: text with columns of frequency and impedance,
    or Touchstone .s1p. A lone curve counts as one free-air sweep. Several are fitted in parallel, each to its own
    BENCH.fit.json beside it or in the folder that -o names; one that fails does not stop the others.

    \b
    Example:
      tsfit fit bench.toml -o fit.json --plot fit.png
      tsfit fit curve.txt --coil ladder-2 --spice driver.cir
      tsfit fit curve.txt --columns "Hz, ohm, degrees"
      tsfit fit bench.toml --candidates --budget
      tsfit fit bench.toml --monte-carlo 10000
      tsfit fit bench.toml --hold Re=5.42 --bounds Qms=2,12
      tsfit fit lot/*.toml -o fits --summary lot.csv
    """  # noqa: D301
    from tsfit.fitting.demands import demands_of

    ends = {name: value.split(",") for name, value in _parts("--bounds", bounds).items()}
    for name, both in ends.items():
        if len(both) != 2:
            raise click.UsageError(f"--bounds {name}: give the lowest and the highest with a comma between: {name}=20,40.")
    asked["demands"] = demands_of(_parts("--hold", hold), ends, "command line")
    if len(benches) > 1 or summary is not None:
        from tsfit.cli.fit.batch import fit_all

        if outputs.plot is not None or spice is not None or candidates or budget:
            raise click.UsageError("--plot, --spice, --candidates and --budget are for one bench; give it alone.")
        return fit_all(benches, summary, outputs, **asked)
    from tsfit.cli.fit.tables import print_fit

    outputs.refuse_existing(spice)
    result, data = _fitted(benches[0], outputs.as_json, **asked), None
    if outputs.formed:
        from tsfit.formats.fit import fit_to_dict

        data = fit_to_dict(result)
    outputs.write_json(data)
    if outputs.plot is not None:
        from tsfit.plots.fit import fit_plot

        outputs.write_plot(fit_plot(result))
    if spice is not None:
        from tsfit.formats.spice import spice_subcircuit

        outputs.write_file(spice, spice_subcircuit(result.driver))
    outputs.show(data, lambda: print_fit(result, candidates=candidates, budget=budget))
    return 0


def _fitted(bench: Path, quiet: bool, monte_carlo: Trials, **asked: Unpack[AskedFit]) -> FitResult:
    """Fit one bench, with Monte Carlo trials where they are asked for, and tell how far it is."""
    from tsfit.bench.fit import fit_bench
    from tsfit.cli.printing import progress
    from tsfit.fitting.monte_carlo import check_trials, with_trials

    if monte_carlo is not None:
        check_trials(monte_carlo)
    with progress(quiet=quiet) as step:
        result = fit_bench(bench, on_step=step, **asked)
        if monte_carlo is None:
            return result
        of = "" if monte_carlo == "auto" else f" of {monte_carlo}"
        workers = os.cpu_count() or 1
        return with_trials(result, monte_carlo, workers=workers, on_trials=lambda n: step(f"Monte Carlo trial {n}{of}"))
