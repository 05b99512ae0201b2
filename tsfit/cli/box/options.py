"""Options that the commands of ``tsfit box`` share; which field of a plan each gives stands there (`tsfit.box.told`)."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from tsfit.cli.output import PATH, measured_options, with_outputs

if TYPE_CHECKING:
    from tsfit.driver.fit_result import FitResult
    from tsfit.driver.record import Driver

Command = TypeVar("Command", bound=Callable[..., Any])


def _add(*options: Callable[[Command], Command]) -> Callable[[Command], Command]:
    def decorate(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


AIR_LOAD_WORDS = "Air load of the cone: as measured in free air, or with what a baffle adds."


def _choice(flag: str, *values: str, words: str) -> Callable[[Command], Command]:
    """Return an option that is one of `values`, the first where left out."""
    return click.option(flag, type=click.Choice(values), default=values[0], show_default=True, help=words)


driver_argument = click.argument("driver", type=PATH)

box_options = _add(
    click.option("--leak-q", default=math.inf, help="Loss factor of leaks.  [default: no loss]"),
    click.option("--absorption-q", default=math.inf, help="Loss factor of absorption.  [default: no loss]"),
    click.option("--filling", default=1.0, show_default=True, help="Times the volume that the air acts as, 1 to 1.4."),
    click.option("--displaced-l", default=0.0, help="Driver, braces and port, all in all; off the volume.  [default: 0]"),
)

shape_options = _add(
    click.option("--port-diameter-cm", type=float, help="Inner diameter of a round port; adds length and air speed."),
    click.option("--port-width-cm", type=float, help="Width of a slot, with --port-height-cm."),
    click.option("--port-height-cm", type=float, help="Height of a slot."),
    click.option("--ports", default=1, show_default=True, help="How many equal ports."),
    click.option("--flare-cm", default=0.0, help="Radius of the rounding at both ends.  [default: 0]"),
    _choice("--port-ends", "one flush", "both flush", "both free", words="Which ends are flush with a panel."),
    click.option("--port-on-wall", is_flag=True, help="A long side of the slot is a wall of the box."),
    click.option("--port-wall-mm", type=float, default=3.0, show_default=True, help="Thickness of the port's own wall."),
    click.option("--box-depth-cm", type=float, help="Inner depth along the port, to tell whether it fits."),
    click.option("--port-q", default=math.inf, help="Loss factor of the port.  [default: no loss]"),
)

port_options = _add(
    click.option("--port-length-cm", type=float, help="Length over all, instead of --tuning-hz."),
    click.option("--port-effective-cm", type=float, help="Effective length, ends counted, where it is known better."),
    shape_options,
    click.option("--port-limit-m-s", type=float, help="Peak air speed allowed.  [default: 17, more with a flare]"),
)

radiator_options = _add(
    click.option("--radiator-mass-g", type=float, required=True, help="Moving mass of one radiator."),
    click.option("--radiator-area-cm2", type=float, required=True, help="Effective area of one radiator."),
    click.option("--radiator-fs-hz", type=float, help="Its resonance in free air, nothing added."),
    click.option("--radiator-compliance-mm-n", type=float, help="Its compliance instead, mm/N."),
    click.option("--radiator-qms", default=math.inf, help="Its mechanical Q.  [default: no loss]"),
    click.option("--radiators", default=1, show_default=True, help="How many equal radiators."),
    click.option("--radiator-xmax-mm", type=float, help="One-way peak travel of a radiator.  [default: any]"),
)

rear_options = _add(
    click.option("--rear-leak-q", default=math.inf, help="Leaks of the closed chamber.  [default: no loss]"),
    click.option("--rear-absorption-q", default=math.inf, help="Its absorption.  [default: no loss]"),
)

aim_options = _add(
    click.option("--least-ripple", is_flag=True, help="Aim at the least ripple instead of the lowest f3."),
    click.option("--most-output-hz", type=float, help="Aim at the most output at this frequency; needs ratings."),
)

bound_options = _add(
    click.option("--largest-volume-l", type=float, help="Most volume.  [default: 3 Vas]"),
    click.option("--smallest-volume-l", type=float, help="Least volume.  [default: a fiftieth of the most]"),
    click.option("--ripple-db", type=float, help="Most ripple.  [default: 0.5]"),
    click.option("--group-delay-ms", type=float, help="Most group delay, from half of f3 up.  [default: any]"),
)

result_options = _add(
    click.option(
        "--frequencies",
        type=PATH,
        metavar="FILE",
        help="Text of frequencies in Hz, one a line, for curves.  [default: 5 Hz to 2 kHz, 48 per octave]",
    ),
    click.option("--plot-step", type=PATH, metavar="FILE", help="Write a plot of the step response."),
    click.option("--room-m", type=float, help="Tell the gain of a closed room of this longest side, a rule of thumb."),
    with_outputs("as_json", "output", "plot", "replace"),
)

wiring_option = click.option(
    "--wiring",
    type=click.Choice(["series", "parallel", "one coil"]),
    help="How the two coils of each driver are wired.  [default: as its parameters hold]",
)

amplifier_options = _add(
    click.option("--amplifier-v", type=float, help="Most V RMS that the amplifier gives.  [default: any]"),
    click.option("--amplifier-a", type=float, help="Most A RMS that the amplifier gives.  [default: any]"),
    click.option("--amplifier-w", type=float, help="Its rating in W, with --amplifier-load-ohm, instead of --amplifier-v."),
    click.option("--amplifier-load-ohm", type=float, help="Load for which --amplifier-w holds."),
)

air_options = _add(
    click.option("--temperature-c", type=float, help="Of the air in and around the box.  [default: the driver's]"),
    click.option("--pressure-hpa", type=float, help="Of that air, at the place.  [default: 1013.25 or the driver's]"),
    click.option("--humidity-percent", type=float, help="Of that air.  [default: 50 or the driver's]"),
)

limit_options = _add(
    click.option("--rated-power-w", type=float, help="Continuous rating of one driver.  [default: its sheet's]"),
    click.option("--peak-power-w", type=float, help="Short-term rating of one driver.  [default: its sheet's]"),
    click.option("--rating-ohm", type=float, help="Resistance that the ratings refer to.  [default: Re]"),
    click.option("--xmax-mm", type=float, help="One-way peak travel allowed.  [default: the sheet's]"),
    click.option("--sheet", type=PATH, metavar="FILE", help="Sheet from which a fit takes its rated power and travel."),
    measured_options(),
    click.option(
        "--distortion", type=click.Choice(["10 %", "20 %"]), default="10 %", show_default=True,
        help="Which measured limit of travel counts.",
    ),
    click.option("--coil-c", type=float, help="Coil temperature that counts.  [default: 200]"),
)  # fmt: skip


def read_limited(path: Path, options: dict[str, Any], *, assuming: bool = False) -> tuple[Driver, FitResult | None]:
    """Read a driver, and its fit if it is one, limited by what the `limit_options` name, which are taken out."""
    from tsfit.box.measured import USUAL_COIL_C, with_measured
    from tsfit.driver.record import rated
    from tsfit.formats.driver import read_driver_or_fit
    from tsfit.formats.measured import read_measured
    from tsfit.formats.sheet import read_sheet

    driver, fit = read_driver_or_fit(path, assuming=assuming)
    if (sheet := options.pop("sheet")) is not None:
        printed = read_sheet(sheet)
        driver = rated(driver, printed.values(), printed.name)
    found = read_measured(options.pop("travel"), options.pop("heat"))
    coil_c = options.pop("coil_c")
    how = options.pop("distortion")
    return with_measured(driver, found, distortion=how, coil_c=USUAL_COIL_C if coil_c is None else coil_c), fit


drive_options = _add(
    click.option("--drive-v", type=float, help="Drive in V RMS at the amplifier.  [default: 2.83]"),
    click.option("--power-w", type=float, help="Drive in W into Re instead of --drive-v."),
    click.option("--source-ohm", default=0.0, help="Resistance of amplifier and leads.  [default: 0]"),
    click.option("--drivers", default=1, show_default=True, help="How many equal drivers."),
    click.option("--in-series", default=1, show_default=True, help="Drivers in each series string; strings in parallel."),
    wiring_option,
    _choice("--arrangement", "side by side", "push-push", "face to face", words="How several drivers stand."),
    limit_options,
    amplifier_options,
    air_options,
    _choice("--air-load", "free air", "baffle", words=AIR_LOAD_WORDS),
    click.option("--save-box", type=PATH, metavar="FILE", help="Write the box as a file for tsfit box show."),
)

plan_options = _add(box_options, drive_options, result_options)
