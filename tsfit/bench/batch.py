"""Many benches at once: each fitted in a process of its own, and one row of a table for each."""

import csv
import io
import logging
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tsfit.base.errors import TsfitError
from tsfit.base.files import STEERING, have_read, read_so_far, refuse_existing, refuse_read, to_json, watch, write_new
from tsfit.base.processes import processes
from tsfit.driver.fit_result import FitResult

log = logging.getLogger(__name__)
SUMMARY = (
    "Re", "Fs", "Qms", "Qes", "Qts", "Vas", "Mms", "Cms", "Rms", "Bl", "Sd", "Le_1kHz", "sensitivity_1W",
    "sensitivity_2V83",
)  # fmt: skip
"""Parameters of the summary, SI, each followed by its standard uncertainty."""


@dataclass(frozen=True)
class Summary:
    """A fit in one row: who, which models, value and standard uncertainty of each parameter (SI), how many warnings."""

    driver: str
    serial: str | None
    coil: str
    suspension: str
    parameters: dict[str, tuple[float, float] | None]
    warnings: int

    def row(self) -> dict[str, str | float | None]:
        """Return it by the summary's columns."""
        row: dict[str, str | float | None] = {"driver": self.driver, "serial": self.serial}
        row |= {"coil": self.coil, "suspension": self.suspension}
        for name, found in self.parameters.items():
            row[name], row[f"{name}_stdev"] = found or (None, None)
        return row | {"warnings": self.warnings}


@dataclass(frozen=True)
class Outcome:
    """What became of one bench: the file of its fit and its summary, or why it could not be done.

    `read` holds the files that its process read, as `tsfit.base.files.has_read` remembers them.
    """

    bench: Path
    fit_file: Path | None
    summary: Summary | None
    error: TsfitError | None
    read: frozenset[tuple[int, int]] = frozenset()


def fit_names(benches: Sequence[Path], folder: Path | None) -> list[Path]:
    """Return where the fit of each bench goes: ``<bench>.fit.json`` beside it or in `folder`.

    Raises TsfitError ``usage`` when two benches would write one file; ``cannot_write`` when `folder` is none.
    """
    if folder is not None and not folder.is_dir():
        raise TsfitError(f"{folder}: no such folder for the fits; make it first.", code="cannot_write", file=folder)
    names = [(folder or bench.parent) / f"{bench.stem}.fit.json" for bench in benches]
    seen: dict[Path, Path] = {}
    for bench, name in zip(benches, names, strict=True):
        if name.resolve() in seen:
            message = (
                f"{bench}: its fit would go to {name} like that of {seen[name.resolve()]}; rename one or fit it apart."
            )
            raise TsfitError(message, code="usage", file=bench)
        seen[name.resolve()] = bench
    return names


def fit_many(
    benches: Sequence[Path], names: Sequence[Path], *, replace: bool = False, workers: int | None = None, **options: Any
) -> Iterator[Outcome]:
    """Fit `benches` in parallel processes and write each fit to its name; yield the outcomes as they come.

    A bench that cannot be fitted, or whose fit cannot be written, has an error and does not stop the others. There is one
    worker a core unless told otherwise. `options` are those of `tsfit.bench.fit.fit_bench`, and ``monte_carlo``, a number
    of trials, "auto" or None.
    """
    from concurrent.futures import as_completed

    watch(*names)
    with processes(min(workers or os.cpu_count() or 1, len(benches))) as pool:
        waiting = {
            pool.submit(fit_one, bench, name, replace=replace, options=options): bench
            for bench, name in zip(benches, names, strict=True)
        }
        for done in as_completed(waiting):
            bench = waiting[done]
            fault = done.exception()
            if fault is not None:
                error = TsfitError(f"{bench}: its process ended ({fault}); fit it alone.", code="internal", file=bench)
                yield Outcome(bench, None, None, error)
                continue
            log.info("fitted %s", bench)
            outcome = done.result()
            have_read(outcome.read)
            yield outcome


def fit_one(bench: Path, name: Path, *, replace: bool, options: dict[str, Any]) -> Outcome:
    """Fit one bench and write it."""
    from tsfit.bench.fit import fit_bench
    from tsfit.fitting.monte_carlo import with_trials
    from tsfit.formats.fit import fit_to_dict

    try:
        refuse_existing(name, replace=replace)
        trials = options.get("monte_carlo")
        result = fit_bench(bench, **{name: value for name, value in options.items() if name != "monte_carlo"})
        if trials is not None:
            result = with_trials(result, trials)
        refuse_read(name)
        write_new(name, to_json(fit_to_dict(result)), replace=replace)
    except TsfitError as error:
        return Outcome(bench, None, None, error, read_so_far())
    except Exception as error:
        cause = " ".join(f"{type(error).__name__}: {error}".split())
        return Outcome(
            bench, None, None, TsfitError(f"{bench}: tsfit itself failed ({cause}).", code="internal", file=bench)
        )
    return Outcome(bench, name, summary_of(result), None, read_so_far())


def summary_of(result: FitResult) -> Summary:
    """Return the summary of a fit."""
    found = {name: result.parameters.get(name) for name in SUMMARY}
    return Summary(
        driver=result.driver.name,
        serial=result.driver.serial,
        coil=result.driver.coil,
        suspension=result.driver.suspension,
        parameters={name: None if each is None else (each.value, each.stdev) for name, each in found.items()},
        warnings=sum(note.severity == "warn" for note in result.quality),
    )


def summary_csv(outcomes: Sequence[Outcome]) -> str:
    """Return the summary as text with comma-separated values; a bench that could not be fitted has its reason."""
    columns = ["driver", "serial", "coil", "suspension"]
    columns += [column for name in SUMMARY for column in (name, f"{name}_stdev")]
    text = io.StringIO()
    # Ends of lines as in RFC 4180: with any other, a lone carriage return in a name is not quoted.
    writer = csv.DictWriter(text, ["bench", *columns, "warnings", "error"], lineterminator="\r\n")
    writer.writeheader()
    for outcome in outcomes:
        error = None if outcome.error is None else outcome.error.message
        row = {} if outcome.summary is None else outcome.summary.row()
        cells = {"bench": str(outcome.bench), **row, "error": error}
        writer.writerow({name: _text(cell) if isinstance(cell, str) else cell for name, cell in cells.items()})
    return text.getvalue()


def _text(cell: str) -> str:
    """Text that a spreadsheet shows and does not run: an apostrophe before what would be a formula, no steering."""
    cell = STEERING.sub("\ufffd", cell)
    return f"'{cell}" if cell.lstrip().startswith(("=", "+", "-", "@", "\ufffd")) else cell
