"""``tsfit sweep``: record one state of a driver, or be led through all of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tsfit.cli.output import json_option, print_json, printable

if TYPE_CHECKING:
    from tsfit.bench import SweepTable
    from tsfit.capture.rig import Rig
    from tsfit.capture.stream import Levels
    from tsfit.measure import Measurement

CAUTIONS = """\
Before sound: the amplifier's minus terminal may not be ground, and line inputs die of speaker level.
Headphones off your ears, volume down, no DC at the output, driver blocked against rolling."""
STATES = ("free air", "added mass", "closed box", "infinite baffle")


@click.command()
@click.argument("rig", type=click.Path(path_type=Path))
@click.option("--state", type=click.Choice(STATES), default="free air", show_default=True, help="State of the driver.")
@click.option("--mass-g", type=float, help="Added mass.")
@click.option("--mass-uncertainty-g", type=float, help="Its standard uncertainty.")
@click.option("--volume-l", type=float, help="Net volume of the closed box.")
@click.option("--volume-uncertainty-l", type=float, help="Its standard uncertainty.")
@click.option("--coil-temperature-c", type=float, help="Temperature of the coil.")
@click.option("--air-temperature-c", type=float, help="Temperature of the air.")
@click.option("--pressure-hpa", type=float, help="Barometric pressure at the place.")
@click.option("--humidity-percent", type=float, help="Relative humidity.")
@click.option("--hours", type=float, help="Hours the driver has been used.")
@click.option("--serial", help="Serial number of the driver.")
@click.option(
    "--excitation",
    "kind",
    type=click.Choice(["exponential sweep", "multisine", "odd multisine", "stepped sine"]),
    default="exponential sweep",
    show_default=True,
    help="What is played.",
)
@click.option("--seconds", type=click.FloatRange(1.0, 600.0), default=8.0, show_default=True, help="Length of it.")
@click.option("--low-hz", type=float, default=5.0, show_default=True, help="Lowest frequency.")
@click.option("--high-hz", type=float, default=20000.0, show_default=True, help="Highest frequency.")
@click.option("--periods", type=click.IntRange(2, 1000), default=4, show_default=True, help="Periods of a multisine.")
@click.option("--repeats", type=click.IntRange(1, 100), default=1, show_default=True, help="Recordings in a row.")
@click.option("--level-dbfs", type=float, help="Peak level re full scale.  [default: the rig's, else -30]")
@click.option("--level-v", type=float, help="Peak volts at the total channel, where the rig's output is calibrated.")
@click.option("-o", "--output", type=click.Path(path_type=Path), metavar="FILE.wav", help="Name of the recording.")
@click.option("--guided", is_flag=True, help="Be led through free air, mass and box, to a bench file for tsfit fit.")
@click.option("--yes", is_flag=True, help="Do not ask before a level above the quiet -30 dBFS.")
@json_option
def sweep(rig: Path, guided: bool, repeats: int, output: Path | None, as_json: bool, **options: Any) -> int:
    """Record one state of a driver on RIG, with its conditions, verdict and impedance curve beside the recording.

    The raw recording is written while it is made; whatever stops it leaves a readable partial one, which is never fitted.
    Nothing is ever overwritten.

    \b
    Example:
      tsfit sweep rig.toml
      tsfit sweep rig.toml --state "added mass" --mass-g 40
      tsfit sweep rig.toml --guided
    """  # noqa: D301
    from tsfit.capture.rig import read_rig

    read = read_rig(rig)
    if guided:
        if as_json:
            raise click.UsageError("--guided asks questions; leave out --json.")
        return _guided(read, options)
    table = _table(rig, options)
    names = _names(output or Path(f"{_stem(table)}.wav"), repeats)
    _confirm(read, options, quiet=as_json)
    measured = [_record(read, table, name, options, quiet=as_json) for name in names]
    if as_json:
        print_json([_plain(one) for one in measured])
    return 2 if any(one.curve is None for one in measured) else 0


def _table(rig: Path, options: dict[str, Any]) -> SweepTable:
    """State and conditions as the bench file would hold them."""
    from tsfit.bench import SweepTable
    from tsfit.toml_file import validated

    given = {name: options[name] for name in SweepTable.model_fields if options.get(name) is not None}
    return validated(rig, {"recording": "-", **given}, SweepTable, "sweep")


def _stem(table: SweepTable) -> str:
    stem = table.state.replace(" ", "-")
    if table.mass_g is not None:
        stem += f"-{table.mass_g:g}g"
    return stem if table.volume_l is None else f"{stem}-{table.volume_l:g}l"


def _names(path: Path, repeats: int) -> list[Path]:
    return [path] if repeats == 1 else [path.with_stem(f"{path.stem}-{number}") for number in range(1, repeats + 1)]


def _confirm(rig: Rig, options: dict[str, Any], *, quiet: bool) -> None:
    """Show the cautions, and ask before anything above the quiet default."""
    from tsfit.capture.excitation import QUIET_DBFS
    from tsfit.errors import TsfitError
    from tsfit.measure import choose_level

    level = choose_level(rig, options["level_dbfs"], options["level_v"])
    if not quiet:
        click.echo(CAUTIONS)
    if level > QUIET_DBFS and not options["yes"]:
        if quiet:
            raise TsfitError(
                f"The level of {level:.1f} dBFS is above the quiet {QUIET_DBFS:g}; add --yes when it is meant.",
                code="confirm",
            )
        click.confirm(f"Play at {level:.1f} dBFS, above the quiet {QUIET_DBFS:g}?", abort=True)


def _record(rig: Rig, table: SweepTable, path: Path, options: dict[str, Any], *, quiet: bool) -> Measurement:
    from tsfit.measure import choose_level, measure, plan

    excitation = plan(
        rig,
        options["kind"],
        choose_level(rig, options["level_dbfs"], options["level_v"]),
        seconds=options["seconds"],
        low_hz=options["low_hz"],
        high_hz=options["high_hz"],
        periods=options["periods"],
    )
    conditions = {name: options[key] for name, key in (("hours_of_use", "hours"), ("serial", "serial")) if options[key]}
    with live_levels(excitation.seconds, quiet=quiet) as show:
        measured = measure(rig, path, table, excitation, conditions=conditions, on_level=show)
    if not quiet:
        _print(measured)
    return measured


@contextmanager
def live_levels(seconds: float, *, quiet: bool) -> Iterator[Callable[[Levels], None]]:
    """Show progress, time left and the level of both channels on standard error, when that is a terminal."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    if quiet or not console.is_terminal:
        yield lambda levels: None
        return
    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console) as bar:
        task = bar.add_task("recording", total=seconds)

        def show(levels: Levels) -> None:
            one, two = levels.peak_dbfs
            text = f"channel 1 {one:6.1f} dBFS, channel 2 {two:6.1f} dBFS"
            bar.update(task, completed=seconds * levels.frame / levels.expected, description=text)

        yield show


def _print(measured: Measurement) -> None:
    click.echo(printable(f"{measured.recording}"))
    for note in measured.verdict.notes:
        click.echo(printable(f"  {note.severity}: {note.message}"))
    click.echo(printable(f"  {measured.verdict.action}"))
    if measured.curve_file is not None and measured.curve is not None:
        points = len(measured.curve.frequency_hz)
        click.echo(printable(f"  {measured.curve_file}: {points} points of impedance"))


def _plain(measured: Measurement) -> dict[str, Any]:
    return {
        "recording": str(measured.recording),
        "conditions": str(measured.conditions),
        "curve": None if measured.curve_file is None else str(measured.curve_file),
        "verdict": measured.verdict.to_dict(),
    }


def _guided(rig: Rig, options: dict[str, Any]) -> int:
    """Lead through free air, added mass and, if there is one, a test box; write the bench file."""
    from tsfit.bench import write_bench
    from tsfit.files import refuse_existing

    folder = Path(click.prompt("Folder for this driver", default="bench", type=click.Path(path_type=Path)))
    bench = folder / "bench.toml"
    refuse_existing(bench)
    driver: dict[str, Any] = {"name": click.prompt("Name of the driver")}
    driver["effective_diameter_cm"] = click.prompt("Cone diameter to the middle of the surround, cm", type=float)
    _confirm(rig, options, quiet=False)
    folder.mkdir(parents=True, exist_ok=True)
    sweeps = []
    for state in STATES[:3]:
        chosen = _ask(state, options)
        if chosen is None:
            continue
        table = _table(rig.path, chosen)
        path = folder / f"{_stem(table)}.wav"
        measured = _record(rig, table, path, chosen, quiet=False)
        if measured.curve is None:
            click.echo("This sweep cannot be used; put right what is said above and start again.")
            return 2
        sweeps.append(table.model_copy(update={"recording": path.name}))
    write_bench(bench, rig.path, driver, sweeps)
    click.echo(printable(f"Now: tsfit fit {bench} -o {folder / 'fit.json'}"))
    return 0


def _ask(state: str, options: dict[str, Any]) -> dict[str, Any] | None:
    chosen = {**options, "state": state}
    if state == "free air":
        click.prompt("Hold the driver free in air, away from walls; press Enter", default="", show_default=False)
    elif state == "added mass":
        chosen["mass_g"] = click.prompt("Fix a mass to the cone, about half of what the cone weighs; its grams", type=float)
    else:
        volume = click.prompt("Seal the driver onto a closed box; its net litres (0: no box)", type=float)
        if volume == 0.0:
            return None
        chosen["volume_l"] = volume
    return chosen
