"""Many benches at once: each fitted in a process of its own, and one row of a table for each."""

from __future__ import annotations

import csv
import io
import logging
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tsfit.base.errors import TsfitError
from tsfit.base.processes import processes
from tsfit.driver.fit_result import FitResult

log = logging.getLogger(__name__)
SUMMARY = (
    "Re", "Fs", "Qms", "Qes", "Qts", "Vas", "Mms", "Cms", "Rms", "Bl", "Sd", "Le_1kHz", "sensitivity_1W",
    "sensitivity_2V83",
)  # fmt: skip
"""Figures of the summary, SI, each followed by its standard uncertainty."""


@dataclass(frozen=True)
class Outcome:
    """What became of one bench: the file of its fit and the row of the summary, or why it could not be done."""

    bench: Path
    fit_file: Path | None
    row: dict[str, Any]
    error: TsfitError | None


def fit_names(benches: Sequence[Path], folder: Path | None) -> list[Path]:
    """Return where the fit of each bench goes: ``<bench>.fit.json`` beside it or in `folder`.

    Raises
    ------
    TsfitError
        ``usage`` when two benches would write one file; ``cannot_write`` when `folder` is none.
    """
    if folder is not None and not folder.is_dir():
        raise TsfitError(f"{folder}: no such folder for the fits; make it first.", code="cannot_write", file=folder)
    names = [(folder or bench.parent) / f"{bench.stem}.fit.json" for bench in benches]
    seen: dict[Path, Path] = {}
    for bench, name in zip(benches, names, strict=True):
        if name.resolve() in seen:
            raise TsfitError(
                f"{bench}: its fit would go to {name} like that of {seen[name.resolve()]}; rename one or fit it apart.",
                code="usage",
                file=bench,
            )
        seen[name.resolve()] = bench
    return names


def fit_many(
    benches: Sequence[Path], names: Sequence[Path], *, replace: bool = False, workers: int | None = None, **options: Any
) -> Iterator[Outcome]:
    """Fit `benches` in parallel processes and write each fit to its name; yield the outcomes as they come.

    A bench that cannot be fitted, or whose fit cannot be written, has an error and does not stop the others.

    Parameters
    ----------
    benches, names : sequences of Path, of one length
    replace : bool
        Allow fits that are there to be replaced.
    workers : int, optional
        Number of processes; by default one a core.
    options : keywords of `tsfit.bench.file.fit_bench`, and ``monte_carlo``, a number of trials, "auto" or None
    """
    from concurrent.futures import as_completed

    with processes(min(workers or os.cpu_count() or 1, len(benches))) as pool:
        waiting = {
            pool.submit(fit_one, bench, name, replace=replace, options=options): (bench, name)
            for bench, name in zip(benches, names, strict=True)
        }
        for done in as_completed(waiting):
            bench, name = waiting[done]
            fault = done.exception()
            if fault is not None:
                error = TsfitError(f"{bench}: its process ended ({fault}); fit it alone.", code="internal", file=bench)
                yield Outcome(bench, None, {}, error)
                continue
            row, told = done.result()
            log.info("fitted %s", bench)
            yield Outcome(bench, name if told is None else None, row, None if told is None else TsfitError(**told))


def fit_one(
    bench: Path, name: Path, *, replace: bool, options: dict[str, Any]
) -> tuple[dict[str, Any], dict[str, Any] | None]:
    """Fit one bench and write it: the row of the summary, and what a `TsfitError` is made of where it could not be done."""
    from tsfit.base.files import refuse_existing, to_json, write_new
    from tsfit.bench.fit import fit_bench
    from tsfit.fitting.monte_carlo import with_trials
    from tsfit.formats.fit import fit_to_dict

    try:
        refuse_existing(name, replace=replace)
        trials = options.get("monte_carlo")
        result = fit_bench(bench, **{name: value for name, value in options.items() if name != "monte_carlo"})
        if trials is not None:
            result = with_trials(result, trials)
        write_new(name, to_json(fit_to_dict(result)), replace=replace)
    except TsfitError as error:
        return {}, {"message": error.message, "code": error.code, "file": error.file}
    except Exception as error:
        cause = " ".join(f"{type(error).__name__}: {error}".split())
        return {}, {"message": f"{bench}: tsfit itself failed ({cause}).", "code": "internal", "file": bench}
    return summary_row(result), None


def summary_row(result: FitResult) -> dict[str, Any]:
    """Return one row of the summary: who, which models, the figures with their uncertainty (SI), how many warnings."""
    row: dict[str, Any] = {"driver": result.driver.name, "serial": result.driver.serial}
    row |= {"coil": result.driver.coil, "suspension": result.driver.suspension}
    for figure in SUMMARY:
        estimate = result.parameters.get(figure)
        row[figure] = None if estimate is None else estimate.value
        row[f"{figure}_stdev"] = None if estimate is None else estimate.stdev
    row["warnings"] = sum(note.severity == "warn" for note in result.quality)
    return row


def summary_csv(outcomes: Sequence[Outcome]) -> str:
    """Return the summary as text with comma-separated values; a bench that could not be fitted has its reason."""
    columns = ["driver", "serial", "coil", "suspension"]
    columns += [column for figure in SUMMARY for column in (figure, f"{figure}_stdev")]
    text = io.StringIO()
    # Ends of lines as in RFC 4180: with any other, a lone carriage return in a name is not quoted.
    writer = csv.DictWriter(text, ["bench", *columns, "warnings", "error"], lineterminator="\r\n")
    writer.writeheader()
    for outcome in outcomes:
        error = None if outcome.error is None else outcome.error.message
        writer.writerow({"bench": str(outcome.bench), **outcome.row, "error": error})
    return text.getvalue()
