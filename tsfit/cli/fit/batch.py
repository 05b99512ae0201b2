"""Many bench files for ``tsfit fit``: progress, a table, a summary, and which of them could not be done."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tsfit.base.files import refuse_existing, write_new
from tsfit.bench.batch import Outcome, Summary, fit_many, fit_names, summary_csv
from tsfit.cli.output import print_json, print_table, say_error, shows_bars
from tsfit.driver.units import display, rounded

SHOWN = ("Re", "Fs", "Qts", "Vas")


def fit_all(
    benches: Sequence[Path], folder: Path | None, summary: Path | None, *, replace: bool, as_json: bool, **options: Any
) -> int:
    """Fit `benches`, print what came of each in their order, and return the exit code."""
    names = fit_names(benches, folder)
    refuse_existing(summary, replace=replace)
    outcomes = _followed(benches, names, replace=replace, quiet=as_json, **options)
    if summary is not None:
        write_new(summary, summary_csv(outcomes), replace=replace)
    if as_json:
        print_json({"fits": [_machine(outcome) for outcome in outcomes]})
    else:
        rows = [_cells(outcome, outcome.summary) for outcome in outcomes if outcome.summary is not None]
        if rows:
            print_table(["bench", "driver", *SHOWN, "warnings"], rows)
        for outcome in outcomes:
            if outcome.error is not None:
                say_error(outcome.error.message)
    failed = [str(outcome.bench) for outcome in outcomes if outcome.error is not None]
    if failed and not as_json:
        say_error(f"{len(failed)} of {len(outcomes)} could not be done: {', '.join(failed)}")
    return 2 if failed else 0


def _followed(benches: Sequence[Path], names: Sequence[Path], *, quiet: bool, **options: Any) -> list[Outcome]:
    """Outcomes in the order of `benches`, with a bar on standard error where that is a terminal."""
    place = {bench: k for k, bench in enumerate(benches)}
    done = fit_many(benches, names, **options)
    if shows_bars(quiet=quiet):
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (TextColumn("fitting"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
        with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
            outcomes = list(bar.track(done, total=len(benches)))
    else:
        outcomes = list(done)
    return sorted(outcomes, key=lambda outcome: place[outcome.bench])


def _machine(outcome: Outcome) -> dict[str, Any]:
    error = None if outcome.error is None else outcome.error.to_dict()["error"]
    return {
        "bench": outcome.bench,
        "fit": outcome.fit_file,
        "summary": None if outcome.summary is None else outcome.summary.row(),
        "error": error,
    }


def _cells(outcome: Outcome, summary: Summary) -> list[str]:
    cells = [outcome.bench.name, summary.driver if summary.serial is None else f"{summary.driver} {summary.serial}"]
    for name in SHOWN:
        found = summary.parameters[name]
        if found is None:
            cells.append("")
            continue
        value, unit = display(name, found[0])
        cells.append(f"{rounded(value, found[1] * value / found[0])} {unit}".strip())
    return [*cells, str(summary.warnings)]
