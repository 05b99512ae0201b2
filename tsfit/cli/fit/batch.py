"""Many bench files for ``tsfit fit``: progress, a table, a summary, and which of them could not be done."""

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Literal, NotRequired, TypedDict, Unpack

import click

from tsfit.base.files import has_read, refuse_existing, refuse_read
from tsfit.bench.batch import Outcome, Summary, fit_many, fit_names, summary_csv
from tsfit.cli.output import Outputs
from tsfit.cli.printing import hint, is_full, print_table, say_error, shows_bars
from tsfit.driver.units import display, shown_decimals, with_decimals
from tsfit.fitting.demands import Demands

SHOWN = ("Re", "Fs", "Qts", "Vas")

Trials = int | Literal["auto"] | None


class AskedFit(TypedDict):
    """How each bench is to be fitted."""

    coil: str | None
    suspension: str | None
    points_per_octave: int
    columns: str | None
    demands: NotRequired[Demands]


class AskedBatch(AskedFit):
    """The same, and with how many Monte Carlo trials."""

    monte_carlo: Trials


def fit_all(benches: Sequence[Path], summary: Path | None, outputs: Outputs, **asked: Unpack[AskedBatch]) -> int:
    """Fit `benches` into the folder of ``-o``, print what came of each in their order, and return the exit code."""
    names = fit_names(benches, outputs.output)
    refuse_existing(summary, replace=outputs.replace)
    for bench in benches:
        with contextlib.suppress(OSError):  # which is told when its turn comes
            has_read(bench)
    for path in [*names, *([] if summary is None else [summary])]:
        refuse_read(path)
    if summary is not None and summary.resolve() in {name.resolve() for name in names}:
        raise click.UsageError("A fit and the summary would go to one file; name another for the summary.")
    outcomes = _followed(benches, fit_many(benches, names, replace=outputs.replace, **asked), quiet=outputs.as_json)
    if summary is not None:
        outputs.write_file(summary, summary_csv(outcomes))
    outputs.show({"fits": [_machine(outcome) for outcome in outcomes]}, lambda: _print(outcomes))
    return 2 if any(outcome.error is not None for outcome in outcomes) else 0


def _followed(benches: Sequence[Path], done: Iterator[Outcome], *, quiet: bool) -> list[Outcome]:
    """Outcomes in the order of `benches`, with a bar on standard error where that is a terminal."""
    place = {bench: k for k, bench in enumerate(benches)}
    if shows_bars(quiet=quiet):
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (TextColumn("fitting"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
        with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
            outcomes = list(bar.track(done, total=len(benches)))
    else:
        outcomes = list(done)
    return sorted(outcomes, key=lambda outcome: place[outcome.bench])


def _print(outcomes: Sequence[Outcome]) -> None:
    """Print a row for each fit, and on standard error what could not be done."""
    rows = [_cells(outcome, outcome.summary) for outcome in outcomes if outcome.summary is not None]
    if rows:
        print_table(["bench", "driver", *SHOWN, "warnings"], rows)
    if not any(outcome.bench.suffix == ".toml" for outcome in outcomes):
        hint("Each curve counts as a driver of its own; one driver's states go into a bench file: tsfit guide files.")
    failed = {str(outcome.bench): outcome.error.message for outcome in outcomes if outcome.error is not None}
    for message in failed.values():
        say_error(message)
    if failed:
        say_error(f"{len(failed)} of {len(outcomes)} could not be done: {', '.join(failed)}")


def _machine(outcome: Outcome) -> dict[str, object]:
    return {
        "bench": outcome.bench,
        "fit": outcome.fit_file,
        "summary": None if outcome.summary is None else outcome.summary.row(),
        "error": None if outcome.error is None else vars(outcome.error),
    }


def _cells(outcome: Outcome, summary: Summary) -> list[str]:
    cells = [outcome.bench.name, summary.driver if summary.serial is None else f"{summary.driver} {summary.serial}"]
    for name in SHOWN:
        found = summary.parameters[name]
        if found is None:
            cells.append("")
            continue
        value, unit = display(name, found[0])
        decimals = shown_decimals(value, found[1] * value / found[0], unit, full=is_full())
        cells.append(f"{with_decimals(value, decimals)} {unit}".strip())
    return [*cells, str(summary.warnings)]
