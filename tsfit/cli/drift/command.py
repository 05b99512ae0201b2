"""``tsfit drift``: a driver's log, what changed in it, and where it is going."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tsfit.cli.groups import NamingGroup
from tsfit.cli.output import PATH, Outputs, with_outputs
from tsfit.cli.printing import hint, is_quiet, print_notes, say
from tsfit.cli.sound import CAUTIONS, goes_on, live_levels

if TYPE_CHECKING:
    from tsfit.bench.break_in import Routine
    from tsfit.drift.box import BoxedChange
    from tsfit.drift.entry import Entry

HOURS_OF_LOW_NOTES = (
    "Hours of low notes move the cone far and heat the coil: choose the level by eye, well within its travel, clamp the "
    "driver, keep things and fingers off the cone, have nothing near that burns, do not leave it alone, and protect your "
    "hearing."
)


def box_options(command: Callable[..., object]) -> Callable[..., object]:
    """Add ``--box BOX`` and ``--box-plot FILE``."""
    command = click.option("--box-plot", type=PATH, metavar="FILE", help="Write the plot of the box.")(command)
    return click.option("--box", type=PATH, metavar="BOX", help="Box file of a planned cabinet to judge.")(command)


FREE_AIR_ALONE = (
    "It sweeps in free air alone, which tells Fs and the Qs, but not what a box would do. For that the log needs one fit "
    "with a mass: tsfit sweep RIG --guided, the tsfit fit that it names, and tsfit drift add to the same log, with the "
    "hours of that day."
)
"""What to know before hours of low notes."""


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
@click.argument("fit", type=PATH)
@click.option("--log", "log", type=PATH, required=True, metavar="LOG", help="The driver's log.")
@click.option("--hours", type=float, required=True, help="Hours of use so far.")
@with_outputs("as_json")
def add(fit: Path, log: Path, hours: float, outputs: Outputs) -> None:
    """Add the fit file FIT to a driver's log, which is made where it is missing.

    The log is only ever added to; conditions, rig and provenance come with the fit. Entries are numbered by their hours, as
    `show` and `change` do.

    \b
    Example:
      tsfit drift add fit.json --log saltwit.drift --hours 12
    """  # noqa: D301
    from tsfit.base.files import sha256
    from tsfit.drift.entry import entry_of, once
    from tsfit.drift.log import add_entry
    from tsfit.formats.fit import read_fit

    entry = entry_of(read_fit(fit), hours, file={"file": str(fit.resolve()), "sha256": sha256(fit)})
    after = add_entry(log, entry)
    number = next((k for k, one in enumerate(once(after.entries)[0], 1) if one is entry), None)

    def tables() -> None:
        what = "an entry that does not count" if number is None else f"entry {number}"
        say(f"{log}: {what}, {entry.driver.name} after {hours:g} h")
        print_notes(after.notes)

    data = {"schema": 1, "kind": "drift entry", "entry": number, "hours": hours, "notes": after.notes}
    outputs.show(data, tables)


@drift.command()
@click.argument("log", type=PATH)
@box_options
@with_outputs()
def show(log: Path, box: Path | None, box_plot: Path | None, outputs: Outputs) -> None:
    """Show what moved with the hours in LOG, where it ends, and whether it is there yet.

    With --box also what that does to a planned cabinet, first entry against last.

    \b
    Example:
      tsfit drift show saltwit.drift --plot drift.png
      tsfit drift show saltwit.drift --box box.toml \\
          --box-plot box.png
    """  # noqa: D301
    from tsfit.cli.drift.tables import print_history
    from tsfit.drift.forms import drift_form
    from tsfit.drift.history import history
    from tsfit.drift.log import read_log

    _refuse_existing(outputs, box, box_plot)
    judged = history(read_log(log))
    boxed = None if box is None else _boxed(box, judged.entries[0], judged.entries[-1], judged.entries)
    data = drift_form(judged, boxed)
    outputs.write_json(data)
    if outputs.plot is not None:
        from tsfit.plots.drift import drift_plot

        outputs.write_plot(drift_plot(judged))
    _plot_box(outputs, box_plot, boxed)
    outputs.show(data, lambda: print_history(judged, boxed))


@drift.command()
@click.argument("log", type=PATH)
@click.argument("one", metavar="FROM")
@click.argument("other", metavar="TO")
@box_options
@with_outputs("replace", "as_json")
def change(log: Path, one: str, other: str, box: Path | None, box_plot: Path | None, outputs: Outputs) -> None:
    """Tell what changed in LOG from one entry to another, each a number as `show` prints it, or first or last.

    Fits with different circuit models are made anew with a common one where their sweeps are still there.

    \b
    Example:
      tsfit drift change saltwit.drift first last
      tsfit drift change saltwit.drift 2 5 --box box.toml
    """  # noqa: D301
    from tsfit.bench.refit import change_between
    from tsfit.cli.drift.tables import print_change
    from tsfit.cli.printing import progress
    from tsfit.drift.forms import change_form
    from tsfit.drift.log import read_log

    _refuse_existing(outputs, box, box_plot)
    with progress(quiet=outputs.as_json) as step:
        whole = read_log(log)
        first, second, found = change_between(whole, one, other, on_step=step)
    boxed = None if box is None else _boxed(box, first, second, whole.entries)
    _plot_box(outputs, box_plot, boxed)
    outputs.show(change_form(found, boxed), lambda: print_change(first, second, found, boxed))


@drift.command()
@click.argument("rig", type=PATH)
@click.option("-o", "--output", type=PATH, required=True, metavar="FOLDER", help="Kept there.")
@click.option("--name", "driver", required=True, help="Name of the driver.")
@click.option("--hours", type=float, required=True, help="Hours to play at most.")
@click.option("--hours-before", default=0.0, show_default=True, help="Hours the driver had been used.")
@click.option("--interval-h", default=1.0, show_default=True, help="Hours between sweeps.")
@click.option("--pause-s", default=60.0, show_default=True, help="For the coil to cool before a sweep.")
@click.option("--low-hz", default=15.0, show_default=True, help="Lowest of the low notes.")
@click.option("--high-hz", default=60.0, show_default=True, help="Highest of the low notes.")
@click.option("--hottest-k", default=10.0, show_default=True, help="Rise of the coil at which to stop.")
@click.option("--level-dbfs", type=float, help="Peak level of the low notes.  [default: the rig's, else -30]")
@click.option("--yes", is_flag=True, help="Do not ask before playing.")
@with_outputs("as_json")
def routine(rig: Path, output: Path, level_dbfs: float | None, yes: bool, outputs: Outputs, **planned: float | str) -> int:
    """Break a driver in on RIG: low notes, a pause, a sweep, its fit into a log, until it has settled.

    It stops by itself when the compliance is within 1 % of its end, when Re shows a hot coil, or after the hours. Started
    again with the same FOLDER and options it goes on where it was interrupted.

    \b
    Example:
      tsfit drift routine rig.toml -o bittern \\
          --name "Bittern 12" --hours 20 --level-dbfs -12
    """  # noqa: D301
    from tsfit.bench.break_in import ended, make_routine, run
    from tsfit.capture.rig import read_rig

    read, as_json = read_rig(rig), outputs.as_json
    plan = make_routine(read, level_dbfs=level_dbfs, **planned)
    ending = ended(output, plan)
    if ending is None:
        _confirm(output, plan, as_json=as_json, yes=yes)
        on_step = (lambda step: None) if as_json or is_quiet() else _say_once()
        again = "Start it again with the same folder and options, and it goes on from there."
        with goes_on(lambda _: again), live_levels(60.0, quiet=as_json) as show:
            ending = run(read, output, plan, on_step=on_step, on_level=show)

    def tables() -> None:
        say(ending.message)
        hint(f"Now: tsfit drift show {ending.log}")

    found = {"schema": 1, "kind": "break-in", "why": ending.why, "hours": ending.hours}
    found |= {"message": ending.message, "log": ending.log}
    outputs.show(found, tables)
    return 1 if ending.why == "hot" else 0


def _confirm(folder: Path, plan: Routine, *, as_json: bool, yes: bool) -> None:
    """Show the cautions and what will be played where, and ask."""
    from tsfit.bench.break_in import begun

    if not as_json:
        going_on = begun(folder, plan)
        say(CAUTIONS)
        say(HOURS_OF_LOW_NOTES)
        say(f"Goes on in {folder}." if going_on else f"Everything is kept in {folder}.")
        if not going_on:
            say(FREE_AIR_ALONE)
    if not yes:
        if as_json:
            raise click.UsageError("--json cannot ask; add --yes when all is ready.")
        notes = f"{plan.low_hz:g} to {plan.high_hz:g} Hz at {plan.level_dbfs:.1f} dBFS for {plan.hours:g} h at most"
        click.confirm(f"Play {notes}, and sweeps from 5 Hz to 20 kHz at {plan.sweep_dbfs:.1f} dBFS?", abort=True)


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


def _refuse_existing(outputs: Outputs, box: Path | None, box_plot: Path | None) -> None:
    """Refuse before the work what could not be written after it."""
    outputs.refuse_existing(plots=(box_plot,))
    if box_plot is not None and box is None:
        raise click.UsageError("--box-plot needs a box; give --box BOX.")


def _boxed(box: Path, first: Entry, other: Entry, log: Sequence[Entry]) -> BoxedChange:
    import numpy as np

    from tsfit.box.file import read_box
    from tsfit.drift.box import boxed_change

    return boxed_change(read_box(box), first, other, np.random.default_rng(0), log)


def _plot_box(outputs: Outputs, path: Path | None, boxed: BoxedChange | None) -> None:
    if path is None or boxed is None:
        return
    from tsfit.plots.drift import box_drift_plot

    outputs.write_plot(box_drift_plot(boxed), path)
