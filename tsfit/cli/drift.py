"""``tsfit drift``: a driver's log, what changed in it, and where it is going."""

from __future__ import annotations

from math import exp
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tsfit.cli.groups import NamingGroup
from tsfit.cli.output import (
    Command,
    hint,
    is_quiet,
    json_option,
    output_options,
    print_json,
    print_table,
    progress,
    refuse_outputs,
    save_json,
    say,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from tsfit.base.notes import QualityNote
    from tsfit.drift.box import BoxedChange
    from tsfit.drift.change import Change
    from tsfit.drift.entry import Entry
    from tsfit.drift.history import History

HOURS_OF_LOW_NOTES = (
    "Hours of low notes move the cone far and heat the coil: choose the level by eye, well within its travel, clamp the "
    "driver, keep things and fingers off the cone, have nothing near that burns, do not leave it alone, and protect your "
    "hearing."
)
BOX_FIGURES = {
    "f3_hz": "f3, Hz",
    "fc_hz": "fc, Hz",
    "qtc": "Qtc",
    "ripple_db": "ripple, dB",
    "reference_db": "mid-band, dB",
}
LEAST_SPREAD = 0.05
"""Nobody builds by more digits than this leaves, whatever the fits say."""
SHOWN = 12
"""Entries of a long log that are printed at either end."""


def box_options(command: Command) -> Command:
    """Add ``--box BOX`` and ``--box-plot FILE``."""
    path = click.Path(path_type=Path)
    command = click.option("--box-plot", type=path, metavar="FILE", help="Write the figure of the box.")(command)
    return click.option("--box", type=path, metavar="BOX", help="Box file of a planned cabinet to judge.")(command)


@click.group(cls=NamingGroup)
def drift() -> None:
    """Keep a log of a driver's fits and see what moves with its hours.

    \b
    Example:
      tsfit drift add fit.json --log saltwit.drift --hours 12
      tsfit drift show saltwit.drift --plot drift.png
      tsfit drift change saltwit.drift first last
      tsfit drift routine rig.toml -o bittern \\
          --name "Bittern 12" --hours 20
    """  # noqa: D301


@drift.command()
@click.argument("fit", type=click.Path(path_type=Path))
@click.option("--log", "log", type=click.Path(path_type=Path), required=True, metavar="LOG", help="The driver's log.")
@click.option("--hours", type=float, required=True, help="Hours of use so far.")
@json_option
def add(fit: Path, log: Path, hours: float, as_json: bool) -> None:
    """Add the fit file FIT to a driver's log, which is made where it is missing.

    The log is only ever added to; conditions, rig and provenance come with the fit.

    \b
    Example:
      tsfit drift add fit.json --log saltwit.drift --hours 12
    """  # noqa: D301
    from tsfit.base.files import sha256
    from tsfit.drift.entry import entry_of
    from tsfit.drift.log import add_entry
    from tsfit.formats.fit import read_fit

    entry = entry_of(read_fit(fit), hours, file={"file": str(fit.resolve()), "sha256": sha256(fit)})
    after = add_entry(log, entry)
    number = len(after.entries)
    if as_json:
        print_json({"schema": 1, "entry": number, "hours": hours, "notes": [note.to_dict() for note in after.notes]})
        return
    say(f"{log}: entry {number}, {entry.driver.name} after {hours:g} h")
    _print_notes(after.notes)


@drift.command()
@click.argument("log", type=click.Path(path_type=Path))
@box_options
@output_options
@json_option
def show(
    log: Path, box: Path | None, box_plot: Path | None, output: Path | None, plot: Path | None, replace: bool, as_json: bool
) -> None:
    """Show what moved with the hours in LOG, where it ends, and whether it is there yet.

    With --box also what that does to a planned cabinet, first entry against last.

    \b
    Example:
      tsfit drift show saltwit.drift --plot drift.png
      tsfit drift show saltwit.drift --box box.toml \\
          --box-plot box.png
    """  # noqa: D301
    from tsfit.drift.history import history
    from tsfit.drift.log import read_log
    from tsfit.drift.summary import history_to_dict, sentences

    _refuse(output, plot, box, box_plot, replace=replace)
    judged = history(read_log(log))
    boxed = None if box is None else _boxed(box, judged.entries[0], judged.entries[-1])
    data = {**history_to_dict(judged), **_box_part(boxed)} if as_json or output is not None else {}
    if output is not None:
        save_json(output, data, replace=replace)
    if plot is not None:
        from tsfit.plots.drift import drift_figure
        from tsfit.plots.save import save_figure

        save_figure(plot, drift_figure(judged), replace=replace)
    _plot_box(box_plot, boxed, replace=replace)
    if as_json:
        print_json(data)
        return
    _print_history(judged)
    for sentence in sentences(judged):
        say(sentence)
    _print_box(boxed)
    _print_notes(judged.notes)


@drift.command()
@click.argument("log", type=click.Path(path_type=Path))
@click.argument("one", metavar="FROM")
@click.argument("other", metavar="TO")
@box_options
@click.option("--replace", is_flag=True, help="Allow files that are there to be replaced.")
@json_option
def change(log: Path, one: str, other: str, box: Path | None, box_plot: Path | None, replace: bool, as_json: bool) -> None:
    """Tell what changed in LOG from one entry to another, each a number as `show` prints it, or first or last.

    Fits with different circuit models are made anew with a common one where their sweeps are still there.

    \b
    Example:
      tsfit drift change saltwit.drift first last
      tsfit drift change saltwit.drift 2 5 --box box.toml
    """  # noqa: D301
    from tsfit.bench.refit import change_between
    from tsfit.drift.log import read_log
    from tsfit.drift.summary import change_to_dict

    _refuse(None, None, box, box_plot, replace=replace)
    with progress(quiet=as_json) as step:
        first, second, found = change_between(read_log(log), one, other, on_step=step)
    boxed = None if box is None else _boxed(box, first, second)
    _plot_box(box_plot, boxed, replace=replace)
    if as_json:
        print_json({"schema": 1, **change_to_dict(found), **_box_part(boxed)})
        return
    _print_change(found)
    _print_box(boxed)
    _print_notes(found.notes)


@drift.command()
@click.argument("rig", type=click.Path(path_type=Path))
@click.option("-o", "--output", type=click.Path(path_type=Path), required=True, metavar="FOLDER", help="Kept there.")
@click.option("--name", "driver", required=True, help="Name of the driver.")
@click.option("--hours", type=float, required=True, help="Hours to play at most.")
@click.option("--hours-before", type=float, default=0.0, show_default=True, help="Hours the driver had been used.")
@click.option("--interval-h", type=float, default=1.0, show_default=True, help="Hours between sweeps.")
@click.option("--pause-s", type=float, default=60.0, show_default=True, help="For the coil to cool before a sweep.")
@click.option("--low-hz", type=float, default=15.0, show_default=True, help="Lowest of the low notes.")
@click.option("--high-hz", type=float, default=60.0, show_default=True, help="Highest of the low notes.")
@click.option("--hottest-k", type=float, default=10.0, show_default=True, help="Rise of the coil at which to stop.")
@click.option("--level-dbfs", type=float, help="Peak level of the low notes.  [default: the rig's, else -30]")
@click.option("--yes", is_flag=True, help="Do not ask before playing.")
@json_option
def routine(rig: Path, output: Path, yes: bool, as_json: bool, **options: Any) -> int:
    """Break a driver in on RIG: low notes, a pause, a sweep, its fit into a log, until it has settled.

    It stops by itself when the compliance is within 1 % of its end, when Re shows a hot coil, or after the hours. Started
    again with the same FOLDER and options it goes on where it was interrupted.

    \b
    Example:
      tsfit drift routine rig.toml -o bittern \\
          --name "Bittern 12" --hours 20 --level-dbfs -12
    """  # noqa: D301
    from tsfit.bench.break_in import make_routine, open_folder, run
    from tsfit.capture.rig import read_rig
    from tsfit.cli.sweep import CAUTIONS, live_levels

    read = read_rig(rig)
    planned = make_routine(read, **options)
    going_on = open_folder(output, planned)
    if not as_json:
        say(CAUTIONS)
        say(HOURS_OF_LOW_NOTES)
        say(f"Goes on in {output}." if going_on else f"Everything is kept in {output}.")
    if not yes:
        if as_json:
            raise click.UsageError("--json cannot ask; add --yes when all is ready.")
        low, high, level = planned.low_hz, planned.high_hz, planned.level_dbfs
        click.confirm(f"Play {low:g} to {high:g} Hz at {level:.1f} dBFS for {planned.hours:g} h at most?", abort=True)
    on_step = (lambda step: None) if as_json or is_quiet() else _say_once()
    with live_levels(60.0, quiet=as_json) as show:
        ending = run(read, output, planned, on_step=on_step, on_level=show)
    if as_json:
        print_json({"schema": 1, "why": ending.why, "hours": ending.hours, "message": ending.message, "log": ending.log})
    else:
        say(ending.message)
        hint(f"Now: tsfit drift show {ending.log}")
    return 1 if ending.why == "hot" else 0


def _say_once() -> Callable[[str], None]:
    """Print each step; low notes only when a new stretch begins."""
    said = ""

    def said_step(step: str) -> None:
        nonlocal said
        kind = step.partition(",")[0] if step.startswith("low notes") else step
        if kind != said:
            say(f"  {step}")
        said = kind

    return said_step


def _refuse(output: Path | None, plot: Path | None, box: Path | None, box_plot: Path | None, *, replace: bool) -> None:
    """Refuse before the work what could not be written after it."""
    refuse_outputs(output, plot, replace=replace)
    refuse_outputs(None, box_plot, replace=replace)
    if box_plot is not None and box is None:
        raise click.UsageError("--box-plot needs a box; give --box BOX.")


def _boxed(box: Path, first: Entry, other: Entry) -> BoxedChange:
    import numpy as np

    from tsfit.box.file import read_box
    from tsfit.drift.box import boxed_change

    return boxed_change(read_box(box), first, other, np.random.default_rng(0))


def _box_part(boxed: BoxedChange | None) -> dict[str, Any]:
    if boxed is None:
        return {}
    from tsfit.drift.box import sentence

    return {"box": {**boxed.found.to_dict(), "summary": sentence(boxed)}}


def _plot_box(path: Path | None, boxed: BoxedChange | None, *, replace: bool) -> None:
    if path is None or boxed is None:
        return
    from tsfit.plots.drift import box_drift_figure
    from tsfit.plots.save import save_figure

    save_figure(path, box_drift_figure(boxed), replace=replace)


def _print_box(boxed: BoxedChange | None) -> None:
    if boxed is None:
        return
    from tsfit.drift.box import sentence
    from tsfit.driver.units import rounded

    rows = []
    for name, one in boxed.found.figures.items():
        spread = max(float(one.change.high - one.change.low) / 4.0, LEAST_SPREAD)
        values = [rounded(float(band.value), spread) for band in (one.before, one.after, one.change)]
        low, high = (rounded(float(bound), spread) for bound in (one.change.low, one.change.high))
        rows.append([BOX_FIGURES.get(name, name), *values, f"{low} … {high}"])
    hours = [f"{entry.hours:g} h" for entry in (boxed.first, boxed.other)]
    print_table(["in the box", *hours, "change", "95 %"], rows, title=boxed.found.box)
    frequency, level = boxed.found.frequency_hz, boxed.found.level_change_db
    both = [box.at(frequency).spl_db for box in (boxed.before, boxed.after)]
    columns = zip(frequency, *both, level.value, level.low, level.high, strict=True)
    print_table(
        ["Hz", *(f"{text}, dB" for text in (*hours, "change")), "95 %"],
        [[f"{f:g}", f"{a:.1f}", f"{b:.1f}", f"{c:+.2f}", f"{low:+.2f} … {high:+.2f}"] for f, a, b, c, low, high in columns],
    )
    say(sentence(boxed))


def _print_history(judged: History) -> None:
    from tsfit.driver.units import display

    driver = judged.entries[0].driver
    rows = []
    numbered = list(enumerate(judged.entries, 1))
    shown = numbered if len(numbered) <= 2 * SHOWN else [*numbered[:SHOWN], None, *numbered[-SHOWN:]]
    for item in shown:
        if item is None:
            rows.append(["…", *[""] * 7])
            continue
        number, entry = item
        figures = [
            f"{display(name, entry.parameters[name][0])[0]:.4g}" if name in entry.parameters else "−"
            for name in ("Re", "Fs", "Qts", "Mms", "Bl")
        ]
        rows.append([str(number), f"{entry.hours:g}", *figures, f"{entry.conditions.temperature_c:.1f}"])
    title = driver.name if driver.serial is None else f"{driver.name}, {driver.serial}"
    print_table(["entry", "hours", "Re, Ω", "Fs, Hz", "Qts", "Mms, g", "Bl, T·m", "air, °C"], rows, title=title)
    courses = []
    for one in judged.causes.values():
        end, course = one.settling, one.settling.course
        value, unit = display(one.figure, 1.0)
        known = judged.absolute or one.figure == "Re"
        courses.append(
            [
                one.cause,
                one.figure,
                f"{100.0 * one.relative:+.2f} %",
                course if end.enough else "too few",
                f"{value * exp(end.end):.4g} {unit}" if known and end.enough else "−",
                "yes" if one.drifted else "no",
            ]
        )
    print_table(["cause", "figure", "change", "course", "ends at", "drifted"], courses)


def _print_change(found: Change) -> None:
    rows = []
    for one in found.causes:
        shown = f"{100.0 * one.relative:+.2f} %"
        spread = f"{100.0 * one.stdev:.2f} %"
        if one.kelvin is not None:
            shown, spread = f"{one.kelvin:+.1f} K", f"{one.stdev_kelvin:.1f} K"
        rows.append([one.cause, one.figure, shown, spread, f"{one.e_n:+.2f}", "yes" if one.beyond else "no"])
    print_table(["cause", "figure", "change", "±1σ", "E_n", "beyond"], rows)
    rows = [[name, f"{100.0 * value:+.2f} %", f"{100.0 * spread:.2f} %"] for name, (value, spread) in found.figures.items()]
    print_table(["figure at 20 °C, reference air", "change", "±1σ"], rows)


def _print_notes(notes: Iterable[QualityNote]) -> None:
    for note in notes:
        say(f"{note.severity}: {note.message}")
