"""``tsfit sweep``: record one state of a driver, or be led through all of them."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.cli.numbers import asked_name, asked_size, confirm_size, refuse_unfit_sizes
from tsfit.cli.output import PATH, Outputs, with_outputs
from tsfit.cli.printing import hint, print_json, print_notes, print_table, say
from tsfit.cli.sound import confirmed_level, goes_on, live_levels, swept_again

if TYPE_CHECKING:
    from tsfit.bench.file import SweepTable
    from tsfit.bench.guided import Guided
    from tsfit.bench.how_long import Aim, Need
    from tsfit.bench.sweep import Averaged, Measurement, Specimen
    from tsfit.capture.excitation import Wanted
    from tsfit.capture.rig import Rig
    from tsfit.driver.curve import ImpedanceCurve

LEAST_PERCENT = 0.01
MOST_REPEATS = 20
"""Of recordings until an aim is reached, where nothing else is said."""
STATES = ("free air", "added mass", "closed box", "infinite baffle")
DRIVEN = ("full travel", "power run")


@dataclass(frozen=True)
class SweepRun:
    """What is played on which driver, how often, and what is said of it.

    The level of what is `wanted` counts once `confirmed`; `level_dbfs` and `level_v` (V peak at the total channel) are
    those asked for, None for the rig's own. `state` holds state and conditions, by their keys in a bench file.
    """

    wanted: Wanted
    specimen: Specimen
    repeats: int
    level_dbfs: float | None
    level_v: float | None
    state: Mapping[str, object]
    points_per_octave: int
    aim: Aim | None
    draws: bool
    yes: bool
    quiet: bool

    def confirmed(self, rig: Rig) -> SweepRun:
        """Return this with the level that `rig` plays, after the cautions, and after a question if it is loud."""
        one, times = self.wanted, f", {self.repeats} times" if self.repeats > 1 else ""
        what = f"{one.kind}, {one.low_hz:g} to {one.high_hz:g} Hz, {one.seconds:g} s{times}"
        level = confirmed_level(rig, what, self.level_dbfs, self.level_v, yes=self.yes, quiet=self.quiet)
        return replace(self, wanted=replace(self.wanted, level_dbfs=level))

    def table(self, **more: object) -> SweepTable:
        """State and conditions as the bench file would hold them; `more` replaces what was asked for."""
        from tsfit.bench.file import SweepTable
        from tsfit.formats.toml import validated

        asked = {**self.state, "level_dbfs": self.level_dbfs, "level_v": self.level_v, **more}
        given = {name: value for name, value in asked.items() if value is not None}
        return validated(Path("command line"), {"recording": "-", **given}, SweepTable, "sweep")


@click.command()
@click.argument("rig", type=PATH)
@click.option(
    "--state", type=click.Choice((*STATES, *DRIVEN)), default="free air", show_default=True, metavar="STATE",
    help=f"State of the driver: {', '.join((*STATES, *DRIVEN))}.",
)  # fmt: skip
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
@click.option("--low-hz", default=5.0, show_default=True, help="Lowest frequency.")
@click.option("--high-hz", default=20000.0, show_default=True, help="Highest frequency.")
@click.option("--periods", type=click.IntRange(2, 1000), default=4, show_default=True, help="Periods of a multisine.")
@click.option(
    "--repeats", type=click.IntRange(1, 100), help="Numbered recordings, with --until at most.  [default: 1 or 20]"
)
@click.option("--until", metavar="AIM", help="Repeat until a standard uncertainty is reached, as in 'Fs 0.1 %'.")
@click.option(
    "--points-per-octave", type=click.IntRange(6, 192), default=48, show_default=True, help="Density of the curve."
)
@click.option("--level-dbfs", type=float, help="Peak level re full scale.  [default: the rig's, else -30]")
@click.option("--level-v", type=float, help="Peak volts at the total channel, where the rig's output is calibrated.")
@click.option("-o", "--output", type=PATH, metavar="FILE.wav", help="Name of the recording; of several FILE-1.wav, ….")
@click.option("--no-figure", is_flag=True, help="Draw no plot.")
@click.option("--driver", type=PATH, help="Fit or driver file of what is driven to full travel or to a power run.")
@click.option("--limit-travel-mm", type=click.FloatRange(0.01, 200.0), help="Travel each way not to be exceeded.")
@click.option(
    "--limit-coil-c", type=click.FloatRange(25.0, 400.0), default=120.0, show_default=True, help="Likewise of the coil."
)
@click.option("--limit-v", type=click.FloatRange(1e-3, 1e3), help="Likewise, peak volts at the total channel.")
@click.option("--levels", type=click.IntRange(2, 6), default=4, show_default=True, help="To full travel or to the run.")
@click.option(
    "--minutes", type=click.FloatRange(0.1, 240.0), default=30.0, show_default=True, help="Of a power run at its level."
)
@click.option(
    "--ambient-c", type=click.FloatRange(-40.0, 60.0), default=20.0, show_default=True, help="Of the room, there."
)
@click.option("--guided", is_flag=True, help="Be led through free air, mass and box, to a bench file for tsfit fit.")
@click.option("--yes", is_flag=True, help="Do not ask before a level above the quiet -30 dBFS, nor for odd sizes.")
@with_outputs("as_json")
def sweep(rig: Path, output: Path | None, guided: bool, outputs: Outputs, **options: Any) -> int:
    """Record one state of a driver on RIG, with its conditions, verdict, impedance curve and plot beside the recording.

    The raw recording is written while it is made; whatever stops it leaves a readable partial one, which is never fitted.
    Nothing is ever overwritten. Repeats keep their recordings and are compared and averaged into one more curve.

    \b
    Example:
      tsfit sweep rig.toml --state "added mass" --mass-g 40
      tsfit sweep rig.toml --guided
      tsfit sweep power.toml --state "full travel"
        --driver fit.json --limit-travel-mm 10
    """  # noqa: D301
    from tsfit.bench.how_long import aim_of
    from tsfit.bench.sweep import Specimen, free_names
    from tsfit.capture.excitation import Wanted
    from tsfit.capture.rig import read_rig

    def taken(*names: str) -> dict[str, Any]:
        return {name: options.pop(name) for name in names}

    read, quiet = read_rig(rig), outputs.as_json
    driven = taken("driver", "limit_travel_mm", "limit_coil_c", "limit_v", "levels", "minutes", "ambient_c")
    if options["state"] in DRIVEN:
        if guided:
            raise click.UsageError("--guided leads through small-signal states; leave it out.")
        from tsfit.cli.ramp import driven_up

        return driven_up(read, output, {**options, **driven}, quiet=quiet)
    wanted = Wanted(**taken("kind", "seconds", "low_hz", "high_hz", "periods"))
    specimen = Specimen(options.pop("hours") or None, options.pop("serial") or None)
    until = options.pop("until")
    aim = None if until is None else aim_of(until)
    if not guided:
        refuse_unfit_sizes(options["state"], mass_g=options["mass_g"], volume_l=options["volume_l"])
    if aim is not None and (guided or options["state"] != "free air"):
        raise click.UsageError("--until reckons with free air; leave out --guided and other states.")
    repeats = options.pop("repeats") or (1 if aim is None else MOST_REPEATS)
    draws, run = not options.pop("no_figure"), taken("level_dbfs", "level_v", "yes", "points_per_octave")
    asked = SweepRun(wanted, specimen, repeats, state=options, aim=aim, draws=draws, quiet=quiet, **run)
    if guided:
        if quiet:
            raise click.UsageError("--guided asks questions; leave out --json.")
        return _guided(read, asked)
    table = asked.table()
    path = output or Path(f"{_stem(table)}.wav")
    free_names(path, asked.repeats, draws=draws)
    for what, size in (("mass", table.mass_g), ("volume", table.volume_l)):
        if size is not None:
            confirm_size(what, size, yes=asked.yes, quiet=quiet)
    with goes_on(swept_again):
        measured, averaged, need = _repeat(read, table, path, asked.confirmed(read))
    if quiet:
        print_json(_machine(measured, averaged, need))
    if any(one.curve is None for one in measured):
        return 2
    return int(need is not None and need.reached > need.wanted)


def _stem(table: SweepTable) -> str:
    stem = table.state.replace(" ", "-")
    if table.mass_g is not None:
        stem += f"-{table.mass_g:g}g"
    return stem if table.volume_l is None else f"{stem}-{table.volume_l:g}l"


def _repeat(
    rig: Rig, table: SweepTable, path: Path, asked: SweepRun
) -> tuple[list[Measurement], Averaged | None, Need | None]:
    """Record one state so often, or until an aim is reached, and average where there are several and all can be used."""
    from tsfit.bench.sweep import average, free_names

    measured: list[Measurement] = []
    need = None
    for name in free_names(path, asked.repeats, draws=asked.draws):
        measured.append(_record(rig, table, name, asked))
        if measured[-1].curve is None and asked.aim is not None:
            break
        need = _so_far(rig, measured, asked)
        if need is not None and (need.seconds is None or need.reached <= need.wanted):
            break
    if len(measured) == 1 or any(one.curve is None for one in measured):
        return measured, None, need
    averaged = average(measured, path.with_suffix(".txt"))
    _draw(path, averaged.curve, table, asked, averaged.repeats)
    if not asked.quiet:
        _print_average(averaged)
    return measured, averaged, need


def _so_far(rig: Rig, measured: Sequence[Measurement], asked: SweepRun) -> Need | None:
    """What the repeats have reached together and what is still to do; None without an aim."""
    if asked.aim is None:
        return None
    from tsfit.bench.how_long import needs
    from tsfit.capture.repeats import average_curves

    curve = average_curves([one.curve for one in measured if one.curve is not None])
    [need] = needs(curve, asked.wanted.seconds * len(measured), rig, [asked.aim])
    left = 0.0 if need.seconds is None else max(need.seconds - need.swept_s, 0.0)
    said = f"  {need.parameter} to {asked.aim.said(need.reached)} after {len(measured)}"
    if not asked.quiet:
        if need.reached <= need.wanted:
            say(f"{said}: reached.")
        elif need.seconds is None:
            say(f"{said}. {need.sentence}")
        elif len(measured) == asked.repeats:
            say(f"{said}, and no more may be recorded; {left:.0f} s were still to go.")
        else:
            say(f"{said}; about {left:.0f} s to go.")
    return need


def _draw(
    path: Path, curve: ImpedanceCurve, table: SweepTable, asked: SweepRun, repeats: Sequence[ImpedanceCurve] = ()
) -> None:
    """Draw the curve beside the recording."""
    if not asked.draws:
        return
    from tsfit.bench.file import state_of
    from tsfit.plots.fit import state_name
    from tsfit.plots.save import save_plot
    from tsfit.plots.sweep import sweep_plot

    subtitle = f"{state_name(state_of(table))}; {asked.wanted.kind} at {asked.wanted.level_dbfs:.0f} dBFS" + (
        f"; average of {len(repeats)} sweeps, drawn thin" if repeats else ""
    )
    save_plot(path.with_suffix(".png"), sweep_plot(curve, path.stem, subtitle, repeats))


def _record(rig: Rig, table: SweepTable, path: Path, asked: SweepRun) -> Measurement:
    """Record once, draw and print."""
    from tsfit.bench.sweep import measure, plan

    excitation = plan(rig, asked.wanted)
    with live_levels(excitation.seconds, quiet=asked.quiet) as show:
        measured = measure(
            rig, path, table, excitation,
            specimen=asked.specimen, points_per_octave=asked.points_per_octave, on_level=show,
        )  # fmt: skip
    if measured.curve is not None:
        _draw(path, measured.curve, table, asked)
    if not asked.quiet:
        _print(measured)
        if asked.aim is None and table.state == "free air" and measured.curve is not None:
            _print_how_long(rig, measured.curve, asked.wanted.seconds)
    return measured


def _print(measured: Measurement) -> None:
    verdict = measured.verdict
    say(f"{measured.recording}: {(verdict.action[:1].lower() + verdict.action[1:]).replace('good: ', 'good, ')}")
    rows = []
    for octave, percent in verdict.percent_per_octave.items():
        told = in_figures(percent, 2) if percent > LEAST_PERCENT else f"<{LEAST_PERCENT:g}"
        rows.append([octave, told, f"{20.0 * math.log10(100.0 / max(percent, 1e-9)):.0f}"])
    if rows:
        print_table(["octave, Hz", "uncertainty, %", "signal over noise, dB"], rows)
    if verdict.distortion is not None:
        say(f"  distortion: {verdict.distortion.summary}")
    print_notes([note for note in verdict.notes if not verdict.action.endswith(note.message)], indent="  ")
    if measured.curve_file is not None and measured.curve is not None:
        plot = ", .png its plot" if measured.curve_file.with_suffix(".png").exists() else ""
        points = len(measured.curve.frequency_hz)
        say(f"  {measured.curve_file}: {points} points of impedance; beside it .toml says how it was swept{plot}")


def _print_how_long(rig: Rig, curve: ImpedanceCurve, seconds: float) -> None:
    """Say how long to sweep; nothing where no driver's resonance is in the curve."""
    from tsfit.bench.how_long import needs

    with contextlib.suppress(TsfitError):
        for need in needs(curve, seconds, rig):
            say(f"  {need.sentence}")


def _print_average(averaged: Averaged) -> None:
    from tsfit.driver.units import with_decimals

    points = len(averaged.curve.frequency_hz)
    say(f"{averaged.curve_file}: average of {len(averaged.repeats)} sweeps, {points} points")
    agreement = averaged.agreement
    print_notes(agreement.notes, indent="  ")
    worst = max(agreement.scatter_percent.values(), default=0.0)
    warmer = f"coil {with_decimals(agreement.warming_k[-1], 1, '+')} K since the first"
    say(f"  One repeat scatters by at most {in_figures(worst, 2)} % in an octave; {warmer}.")


def _plain(measured: Measurement) -> dict[str, object]:
    from tsfit.capture.forms import sweep_verdict_form

    return {
        "recording": str(measured.recording),
        "conditions": str(measured.conditions),
        "curve": None if measured.curve_file is None else str(measured.curve_file),
        "verdict": sweep_verdict_form(measured.verdict),
    }


def _machine(measured: Sequence[Measurement], averaged: Averaged | None, need: Need | None) -> dict[str, object]:
    found: dict[str, object] = {"sweeps": [_plain(one) for one in measured]}
    if need is not None:
        found["until"] = vars(need)
    if averaged is not None:
        from tsfit.capture.forms import repeats_form

        found["average"] = {"curve": str(averaged.curve_file), **vars(repeats_form(averaged.agreement))}
    return found


def _guided(rig: Rig, asked: SweepRun) -> int:
    """Lead through free air, added mass and, if there is one, a test box; write the bench file."""
    from tsfit.bench.guided import begun

    folder = Path(click.prompt("Folder for this driver", default="bench", type=PATH))
    done = begun(folder, rig.path)
    if done is not None:
        say(f"Goes on in {folder}, where a run broke off: {', '.join(done.states)} of {done.driver.name} done.")
        say(f"It counts on {done.told}. To correct that, stop with Ctrl-C, edit {done.partial}, and start again.")
    again = "Start it again with the same folder: what is done counts, the state that broke off is swept anew."
    with goes_on(lambda kept: again if kept else ""):
        return _led(rig, asked, folder, done)


def _led(rig: Rig, asked: SweepRun, folder: Path, done: Guided | None) -> int:
    """Lead through the states that are not `done`."""
    from tsfit.bench.file import BenchDriverTable
    from tsfit.bench.guided import Guided
    from tsfit.formats.toml import validated

    if done is None:
        given = {
            "name": asked_name("Name of the driver"),
            "effective_diameter_cm": asked_size("diameter", "Cone diameter to the middle of the surround, cm") or None,
        }
        done = Guided(folder, rig.path, validated(folder / "bench.toml", given, BenchDriverTable, "driver"))
    asked = asked.confirmed(rig)
    # In the bench file stands the level that was played, in dBFS unless volts were asked for.
    played = {} if asked.level_v is not None else {"level_dbfs": asked.wanted.level_dbfs}
    folder.mkdir(parents=True, exist_ok=True)
    for state in STATES[:3]:
        chosen = None if state in done.states else _ask(state, done.driver.effective_diameter_cm)
        if chosen is None:
            continue
        table = asked.table(state=state, **chosen, **played)
        measured, *_ = _repeat(rig, table, folder / f"{done.free_stem(_stem(table))}.wav", asked)
        if any(one.curve is None for one in measured):
            say("This sweep cannot be used; put right what is said above and start again with the same folder.")
            return 2
        done = done.keep([table.model_copy(update={"recording": one.recording.name}) for one in measured])
    hint(done.unasked)
    hint(f"Now: tsfit fit {done.finish()} -o {folder / 'fit.json'}")
    return 0


def _ask(state: str, diameter_cm: float | None) -> dict[str, float] | None:
    """Ask for what a state needs, for a cone of that effective diameter; None where it is left out."""
    if state == "free air":
        click.prompt("Hold the driver free in air, away from walls; press Enter", default="", show_default=False)
        return {}
    if state == "added mass":
        question = "Fix a mass to the cone, about half of what the cone weighs; its grams (0: no mass)"
        return {"mass_g": mass} if (mass := asked_size("mass", question, diameter_cm)) else None
    question = "No mass on the cone any more: seal the driver onto a closed box; its net litres (0: no box)"
    return {"volume_l": volume} if (volume := asked_size("volume", question, diameter_cm)) else None
