"""``tsfit box level``: what a wanted level takes."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tsfit.base.figures import in_figures
from tsfit.cli.box.options import amplifier_options, driver_argument, limit_options, read_limited
from tsfit.cli.output import PATH, Outputs, with_outputs
from tsfit.cli.printing import print_table, say, say_warnings

if TYPE_CHECKING:
    from tsfit.box.distortion import BoxDistortion
    from tsfit.box.loudness import LevelReport
    from tsfit.box.result import BoxResult


@click.command()
@click.argument("plan", type=PATH, metavar="BOX")
@driver_argument
@click.option("--target-db", type=float, required=True, help="Wanted level, dB re 20 µPa.")
@click.option("--distance-m", default=1.0, show_default=True, help="Where it is wanted; half space, no room.")
@click.option("--from-hz", type=float, help="Lowest frequency at which it is wanted.  [default: f3]")
@click.option("--to-hz", default=200.0, show_default=True, help="Highest one.")
@limit_options
@amplifier_options
@with_outputs("as_json", "plot", "replace")
def level(
    plan: Path,
    driver: Path,
    target_db: float,
    distance_m: float,
    from_hz: float | None,
    to_hz: float,
    outputs: Outputs,
    **options: Any,
) -> None:
    """Volts, watts, travel, boxes, amplifier and high-pass for a level.

    BOX is a box file, as `tsfit box show` takes it. Ratings come from the box file, else from the driver's sheet;
    an amplifier given here stands in for that of the box file. With --travel it also tells, and plots, the second and third
    harmonic of the pressure at that level, from what was measured of Bl, stiffness and inductance over travel.

    \b
    Example:
      tsfit box level box.toml fit.json --target-db 105 \\
          --distance-m 4
      tsfit box level box.toml fit.json --target-db 95 \\
          --travel travel.json --plot distortion.png
    """  # noqa: D301
    from tsfit.box.file import read_box
    from tsfit.box.limits import Ratings
    from tsfit.box.loudness import level_report
    from tsfit.box.told import made

    outputs.refuse_existing()
    travel: Path | None = options["travel"]
    if outputs.plot is not None and travel is None:
        raise click.UsageError("--plot draws the distortion, which --travel tells; give it too.")
    one, _ = read_limited(driver, options)
    result = read_box(plan).with_ratings(made(Ratings, options)).build(one)
    report = level_report(result, target_db, distance_m=distance_m, low_hz=from_hz, high_hz=to_hz)
    wanted = f"{target_db:g} dB at {distance_m:g} m, half space"
    found = None if travel is None else _distortion(result, report, travel, outputs, wanted)
    data = asdict(report) if found is None else {**asdict(report), "distortion": asdict(found)}
    outputs.show(data, lambda: _print(result, report, found, wanted))


def _distortion(result: BoxResult, report: LevelReport, travel: Path, outputs: Outputs, wanted: str) -> BoxDistortion:
    """Harmonics at the level that was asked for; drawn, if that was asked for, at more frequencies."""
    import numpy as np

    from tsfit.box.distortion import distortion
    from tsfit.formats.measured import read_travel

    told, needs, box = read_travel(travel), report.needs, result.enclosure
    if outputs.plot is not None:
        from tsfit.plots.distortion import distortion_plot

        frequency = np.geomspace(needs.frequency_hz[0], needs.frequency_hz[-1], 40)
        # The voltage goes with the wanted level over that of the drive, whose ratio the table's first row tells.
        lift = needs.voltage_v[0] / box.voltage * 10.0 ** (box.respond(needs.frequency_hz[:1]).spl_db[0] / 20.0)
        volts = box.voltage * lift * 10.0 ** (-box.respond(frequency).spl_db / 20.0)
        outputs.write_plot(distortion_plot(distortion(box, told, frequency, volts), box.driver.name, wanted))
    return distortion(box, told, needs.frequency_hz, needs.voltage_v)


def _print(result: BoxResult, report: LevelReport, found: BoxDistortion | None, wanted: str) -> None:
    from tsfit.box.limits import unrated

    needs = report.needs
    say_warnings(result.notes)
    low, high = (in_figures(float(needs.frequency_hz[k]), 3) for k in (0, -1))
    say(f"{result.enclosure.driver.name}, {wanted}, from {low} to {high} Hz (--from-hz, --to-hz):")
    for sentence in (
        *unrated(result.ratings),
        *report.sentences(),
        *result.measured,
        *([] if found is None else [found.sentence()]),
    ):
        say(sentence)
    columns = ["Hz", "V", "W into Re", "W real", "travel mm"]
    rows = [
        [
            in_figures(f, 3),
            *(in_figures(each, 3, zeros=True) for each in (volts, power, real)),
            f"{travel:.2f}",
        ]
        for f, volts, power, real, travel in zip(
            needs.frequency_hz, needs.voltage_v, needs.power_w, needs.real_power_w, needs.excursion_mm, strict=True
        )
    ]
    if needs.margin_db is not None and needs.limited_by is not None:
        columns += ["spare dB", "first limit"]
        for row, margin, limit in zip(rows, needs.margin_db, needs.limited_by, strict=True):
            row += [f"{margin:+.1f}", str(limit)]
    if found is not None:
        columns += ["2nd %", "3rd %"]
        for row, second, third in zip(rows, found.second_percent, found.third_percent, strict=True):
            row += [in_figures(each, 2) if each == each else "-" for each in (second, third)]
    print_table(columns, rows)
