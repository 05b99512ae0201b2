"""``tsfit box level``: what a wanted level takes."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tsfit.cli.box.options import amplifier_options, driver_argument, limit_options, read_limited
from tsfit.cli.output import PATH, Outputs, with_outputs
from tsfit.cli.printing import print_table, say, say_warnings

if TYPE_CHECKING:
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
@with_outputs("as_json")
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
    an amplifier given here stands in for that of the box file.

    \b
    Example:
      tsfit box level box.toml fit.json --target-db 105 \\
          --distance-m 4
    """  # noqa: D301
    from tsfit.box.file import read_box
    from tsfit.box.limits import Ratings
    from tsfit.box.loudness import level_report
    from tsfit.box.told import made

    one, _ = read_limited(driver, options)
    result = read_box(plan).with_ratings(made(Ratings, options)).build(one)
    report = level_report(result, target_db, distance_m=distance_m, low_hz=from_hz, high_hz=to_hz)
    outputs.show(asdict(report), lambda: _print(result, report, f"{target_db:g} dB at {distance_m:g} m, half space"))


def _print(result: BoxResult, report: LevelReport, wanted: str) -> None:
    needs = report.needs
    say_warnings(result.notes)
    say(f"{result.enclosure.driver.name}, {wanted}:")
    for sentence in (*report.sentences(), *result.measured):
        say(sentence)
    columns = ["Hz", "V", "W into Re", "W real", "travel mm"]
    rows = [
        [f"{f:.3g}", f"{volts:.3g}", f"{watts:.3g}", f"{real:.3g}", f"{travel:.2f}"]
        for f, volts, watts, real, travel in zip(
            needs.frequency_hz, needs.voltage_v, needs.power_w, needs.real_power_w, needs.excursion_mm, strict=True
        )
    ]
    if needs.margin_db is not None and needs.limited_by is not None:
        columns += ["spare dB", "first limit"]
        for row, margin, limit in zip(rows, needs.margin_db, needs.limited_by, strict=True):
            row += [f"{margin:+.1f}", str(limit)]
    print_table(columns, rows)
