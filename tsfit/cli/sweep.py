"""``tsfit sweep``: record one state of a driver, or be led through all of them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tsfit.cli.output import hint, json_option, print_json, print_table, say, shows_bars

if TYPE_CHECKING:
    from tsfit.bench.file import SweepTable
    from tsfit.bench.sweep import Averaged, Measurement
    from tsfit.capture.rig import Rig
    from tsfit.capture.stream import Levels
    from tsfit.driver.curve import ImpedanceCurve

CAUTIONS = (
    "Before sound: the amplifier's minus terminal may not be ground, and line inputs die of speaker level. Headphones off "
    "your ears, volume down, no DC at the output, driver blocked against rolling."
)
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
    metavar="WHAT",
    help="What is played: exponential sweep, multisine, odd multisine or stepped sine.",
)
@click.option(
    "--seconds",
    type=click.FloatRange(1.0, 600.0),
    default=8.0,
    show_default=True,
    help="Length of it; 8 periods of the lowest frequency or more.",
)
@click.option("--low-hz", type=float, default=5.0, show_default=True, help="Lowest frequency.")
@click.option("--high-hz", type=float, default=20000.0, show_default=True, help="Highest frequency.")
@click.option("--periods", type=click.IntRange(2, 1000), default=4, show_default=True, help="Periods of a multisine.")
@click.option("--repeats", type=click.IntRange(1, 100), default=1, show_default=True, help="Recordings in a row.")
@click.option("--level-dbfs", type=float, help="Peak level re full scale.  [default: the rig's, else -30]")
@click.option("--level-v", type=float, help="Peak volts at the total channel, where the rig's output is calibrated.")
@click.option("-o", "--output", type=click.Path(path_type=Path), metavar="FILE.wav", help="Name of the recording.")
@click.option("--no-figure", is_flag=True, help="Draw no figure.")
@click.option("--guided", is_flag=True, help="Be led through free air, mass and box, to a bench file for tsfit fit.")
@click.option("--yes", is_flag=True, help="Do not ask before a level above the quiet -30 dBFS.")
@json_option
def sweep(rig: Path, guided: bool, repeats: int, output: Path | None, as_json: bool, **options: Any) -> int:
    """Record one state of a driver on RIG, with its conditions, verdict, impedance curve and figure beside the recording.

    The raw recording is written while it is made; whatever stops it leaves a readable partial one, which is never fitted.
    Nothing is ever overwritten. Repeats keep their recordings and are compared and averaged into one more curve.

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
        return _guided(read, repeats, options)
    table = _table(rig, options)
    path = output or Path(f"{_stem(table)}.wav")
    options["level_dbfs"] = confirmed_level(
        read, options["level_dbfs"], options["level_v"], yes=options["yes"], quiet=as_json
    )
    measured, averaged = _repeat(read, table, path, repeats, options, quiet=as_json)
    if as_json:
        found: dict[str, Any] = {"sweeps": [_plain(one) for one in measured]}
        if averaged is not None:
            found["average"] = {"curve": str(averaged.curve_file), **averaged.agreement.to_dict()}
        print_json(found)
    return 2 if any(one.curve is None for one in measured) else 0


def _table(rig: Path, options: dict[str, Any]) -> SweepTable:
    """State and conditions as the bench file would hold them."""
    from tsfit.bench.file import SweepTable
    from tsfit.formats.toml import validated

    given = {name: options[name] for name in SweepTable.model_fields if options.get(name) is not None}
    return validated(rig, {"recording": "-", **given}, SweepTable, "sweep")


def _stem(table: SweepTable) -> str:
    stem = table.state.replace(" ", "-")
    if table.mass_g is not None:
        stem += f"-{table.mass_g:g}g"
    return stem if table.volume_l is None else f"{stem}-{table.volume_l:g}l"


def _names(path: Path, repeats: int) -> list[Path]:
    return [path] if repeats == 1 else [path.with_stem(f"{path.stem}-{number}") for number in range(1, repeats + 1)]


def confirmed_level(rig: Rig, level_dbfs: float | None, level_v: float | None = None, *, yes: bool, quiet: bool) -> float:
    """Show the cautions, ask before anything above the quiet default, and return the peak level re full scale."""
    from tsfit.base.errors import TsfitError
    from tsfit.bench.sweep import choose_level
    from tsfit.capture.excitation import QUIET_DBFS

    level = choose_level(rig, level_dbfs, level_v)
    if not quiet:
        say(CAUTIONS)
    if level > QUIET_DBFS and not yes:
        if quiet:
            raise TsfitError(
                f"The level of {level:.1f} dBFS is above the quiet {QUIET_DBFS:g}; add --yes when it is meant.",
                code="confirm",
            )
        click.confirm(f"Play at {level:.1f} dBFS, above the quiet {QUIET_DBFS:g}?", abort=True)
    return level


def _repeat(
    rig: Rig, table: SweepTable, path: Path, repeats: int, options: dict[str, Any], *, quiet: bool
) -> tuple[list[Measurement], Averaged | None]:
    """Record one state so many times, and average where there are several and all can be used."""
    from tsfit.base.files import refuse_existing
    from tsfit.bench.sweep import average

    names = _names(path, repeats)
    for name in (path, *names):
        refuse_existing(name.with_suffix(".txt"))
        if not options["no_figure"]:
            refuse_existing(name.with_suffix(".png"))
    measured = [_record(rig, table, name, options, quiet=quiet) for name in names]
    if repeats == 1 or any(one.curve is None for one in measured):
        return measured, None
    averaged = average(measured, path.with_suffix(".txt"))
    _draw(path, averaged.curve, table, options, averaged.repeats)
    if not quiet:
        _print_average(averaged)
    return measured, averaged


def _draw(
    path: Path,
    curve: ImpedanceCurve,
    table: SweepTable,
    options: dict[str, Any],
    repeats: Sequence[ImpedanceCurve] = (),
) -> None:
    """Write the figure beside the recording."""
    if options["no_figure"]:
        return
    from tsfit.bench.file import state_of
    from tsfit.plots.fit import state_name
    from tsfit.plots.save import save_figure
    from tsfit.plots.sweep import sweep_figure

    subtitle = f"{state_name(state_of(table))}; {options['kind']} at {options['level_dbfs']:.0f} dBFS" + (
        f"; average of {len(repeats)} sweeps, drawn thin" if repeats else ""
    )
    save_figure(path.with_suffix(".png"), sweep_figure(curve, path.stem, subtitle, repeats))


def _record(rig: Rig, table: SweepTable, path: Path, options: dict[str, Any], *, quiet: bool) -> Measurement:
    from tsfit.bench.sweep import Specimen, measure, plan
    from tsfit.capture.excitation import Wanted

    asked = ("kind", "level_dbfs", "seconds", "low_hz", "high_hz", "periods")
    excitation = plan(rig, Wanted(**{name: options[name] for name in asked}))
    specimen = Specimen(options["hours"] or None, options["serial"] or None)
    with live_levels(excitation.seconds, quiet=quiet) as show:
        measured = measure(rig, path, table, excitation, specimen=specimen, on_level=show)
    if measured.curve is not None:
        _draw(path, measured.curve, table, options)
    if not quiet:
        _print(measured)
    return measured


@contextmanager
def live_levels(seconds: float, *, quiet: bool) -> Iterator[Callable[[Levels], None]]:
    """Show progress, time left and the level of both channels on standard error, when that is a terminal."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    if not shows_bars(quiet=quiet):
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
    say(f"{measured.recording}")
    verdict = measured.verdict
    rows = [
        [octave, f"{percent:.2g}", f"{20.0 * math.log10(100.0 / max(percent, 1e-9)):.0f}"]
        for octave, percent in verdict.percent_per_octave.items()
    ]
    if rows:
        print_table(["octave, Hz", "uncertainty, %", "signal over noise, dB"], rows)
    if verdict.distortion is not None:
        say(f"  distortion: {verdict.distortion.summary}")
    for note in verdict.notes:
        say(f"  {note.severity}: {note.message}")
    say(f"  {verdict.action}")
    if measured.curve_file is not None and measured.curve is not None:
        points = len(measured.curve.frequency_hz)
        say(f"  {measured.curve_file}: {points} points of impedance")


def _print_average(averaged: Averaged) -> None:
    points = len(averaged.curve.frequency_hz)
    say(f"{averaged.curve_file}: average of {len(averaged.repeats)} sweeps, {points} points")
    agreement = averaged.agreement
    for note in agreement.notes:
        say(f"  {note.severity}: {note.message}")
    worst = max(agreement.scatter_percent.values(), default=0.0)
    warmer = f"{agreement.warming_k[-1]:+.1f} K"
    say(f"  One repeat scatters by at most {worst:.2g} % in an octave; the coil is at {warmer} since the first.")


def _plain(measured: Measurement) -> dict[str, Any]:
    return {
        "recording": str(measured.recording),
        "conditions": str(measured.conditions),
        "curve": None if measured.curve_file is None else str(measured.curve_file),
        "verdict": measured.verdict.to_dict(),
    }


def _guided(rig: Rig, repeats: int, options: dict[str, Any]) -> int:
    """Lead through free air, added mass and, if there is one, a test box; write the bench file."""
    from tsfit.base.files import refuse_existing
    from tsfit.bench.file import BenchDriverTable, write_bench
    from tsfit.formats.toml import validated

    folder = Path(click.prompt("Folder for this driver", default="bench", type=click.Path(path_type=Path)))
    bench = folder / "bench.toml"
    refuse_existing(bench)
    given = {
        "name": click.prompt("Name of the driver"),
        "effective_diameter_cm": click.prompt("Cone diameter to the middle of the surround, cm", type=float),
    }
    driver = validated(bench, given, BenchDriverTable, "driver")
    options["level_dbfs"] = confirmed_level(rig, options["level_dbfs"], options["level_v"], yes=options["yes"], quiet=False)
    folder.mkdir(parents=True, exist_ok=True)
    sweeps = []
    for state in STATES[:3]:
        chosen = _ask(state, options)
        if chosen is None:
            continue
        table = _table(rig.path, chosen)
        measured, _ = _repeat(rig, table, folder / f"{_stem(table)}.wav", repeats, chosen, quiet=False)
        if any(one.curve is None for one in measured):
            say("This sweep cannot be used; put right what is said above and start again.")
            return 2
        sweeps += [table.model_copy(update={"recording": one.recording.name}) for one in measured]
    write_bench(bench, rig.path, driver, sweeps)
    hint(f"Now: tsfit fit {bench} -o {folder / 'fit.json'}")
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
