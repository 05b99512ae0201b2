"""``tsfit box``: put a driver into an enclosure."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tsfit.cli.box.deliver import BoxOutputs, print_box
from tsfit.cli.box.design import design
from tsfit.cli.box.equalise import equalise
from tsfit.cli.box.level import level
from tsfit.cli.box.options import (
    drive_options,
    driver_argument,
    limit_options,
    plan_options,
    port_options,
    radiator_options,
    read_limited,
    rear_options,
    result_options,
)
from tsfit.cli.box.panels import panels
from tsfit.cli.box.verify import verify
from tsfit.cli.groups import NamingGroup
from tsfit.cli.output import PATH

if TYPE_CHECKING:
    from tsfit.box.plan import BoxPlan


@click.group(cls=NamingGroup)
def box() -> None:
    """Put a driver into an enclosure.

    DRIVER is a fit (JSON), a published sheet (TOML) or a driver file (TOML). The maximum output needs ratings: those of the
    sheet or driver file (Pe, Ppeak, Xmax), before them what --travel and --heat measured, and before all the options.

    \b
    Example:
      tsfit box closed fit.json --qtc 0.707
      tsfit box vented sheet.toml --volume-l 60 \\
          --tuning-hz 31 --port-diameter-cm 8
    """  # noqa: D301


def of_its_kind(described: Callable[[], None]) -> Callable[..., None]:
    """Make of a function that only has a docstring what plans the kind of box that it is named after, from options."""

    @functools.wraps(described)
    def run(driver: Path, **options: Any) -> None:
        from tsfit.box.kinds import PLANS
        from tsfit.box.told import made

        plan = next(plan for kind, plan in PLANS.items() if kind == described.__name__)
        _show(made(plan, options), driver, BoxOutputs.of(options), options)

    return run


@box.command()
@driver_argument
@click.option("--volume-l", type=float, help="Net volume in litres.")
@click.option("--qtc", type=float, help="Wanted total Q of the lossless box; sets the volume.")
@plan_options
@of_its_kind
def closed() -> None:
    """Closed box, by volume or by Qtc.

    \b
    Example:
      tsfit box closed fit.json --qtc 0.707 --plot box.png
      tsfit box closed fit.json --volume-l 35 --power-w 50
    """  # noqa: D301


@box.command()
@driver_argument
@click.option("--volume-l", type=float, required=True, help="Net volume in litres.")
@click.option("--tuning-hz", type=float, help="Resonance of port and box air.")
@port_options
@plan_options
@of_its_kind
def vented() -> None:
    """Vented box, by volume and tuning or port.

    \b
    Example:
      tsfit box vented fit.json --volume-l 60 --tuning-hz 31
      tsfit box vented fit.json --volume-l 60 --tuning-hz 31 \\
          --port-diameter-cm 8 --leak-q 7 --power-w 50 \\
          --json
    """  # noqa: D301


@box.command()
@driver_argument
@click.option("--volume-l", type=float, required=True, help="Net volume in litres.")
@radiator_options
@click.option("--added-mass-g", type=float, help="Mass fixed to each radiator.")
@click.option("--tuning-hz", type=float, help="Wanted tuning instead; gives the mass to add.")
@plan_options
@of_its_kind
def passive() -> None:
    """Box with one or more passive radiators.

    \b
    Example:
      tsfit box passive fit.json --volume-l 60 \\
          --radiator-mass-g 110 --radiator-area-cm2 480 \\
          --radiator-fs-hz 20 --tuning-hz 26
    """  # noqa: D301


@box.command()
@driver_argument
@drive_options
@result_options
@of_its_kind
def baffle() -> None:
    """Infinite baffle: a wall with nothing behind it that pushes back.

    \b
    Example:
      tsfit box baffle fit.json --air-load baffle \\
          --power-w 100
    """  # noqa: D301


@box.command()
@driver_argument
@click.option("--rear-volume-l", type=float, required=True, help="Net volume of the closed chamber, litres.")
@click.option("--front-volume-l", type=float, required=True, help="Net volume of the vented chamber, litres.")
@click.option("--tuning-hz", type=float, help="Resonance of port and front chamber.")
@rear_options
@port_options
@plan_options
@of_its_kind
def bandpass() -> None:
    """Band-pass box: closed chamber behind the driver, vented one before it.

    Filling and displaced volume are those of the closed chamber; the loss factors without "rear" those of the vented one.

    \b
    Example:
      tsfit box bandpass fit.json --rear-volume-l 30 \\
          --front-volume-l 25 --tuning-hz 50 \\
          --port-diameter-cm 12
    """  # noqa: D301


@box.command()
@click.argument("plan", type=PATH, metavar="BOX")
@driver_argument
@click.option("--drive-v", type=float, help="Drive in V RMS at the amplifier.  [default: the box file's]")
@click.option("--power-w", type=float, help="Drive in W into Re instead.  [default: the box file's]")
@limit_options
@result_options
def show(plan: Path, driver: Path, **options: Any) -> None:
    """Put a driver into the box that a box file plans.

    BOX is a box file (TOML): written by hand, or by --save-box of the other commands.

    \b
    Example:
      tsfit box vented fit.json --volume-l 60 --tuning-hz 31 \\
          --save-box box.toml
      tsfit box show box.toml other-fit.json --power-w 50
    """  # noqa: D301
    from tsfit.box.file import read_box
    from tsfit.box.limits import Ratings
    from tsfit.box.told import made

    asked, volts, power = BoxOutputs.of(options), options.pop("drive_v"), options.pop("power_w")
    planned = read_box(plan).with_ratings(made(Ratings, options))
    if volts is not None or power is not None:
        planned = replace(planned, drive=replace(planned.drive, voltage=volts, power=power))
    _show(planned, driver, asked, options)


for command in (design, level, verify, panels, equalise):
    box.add_command(command)


def _show(plan: BoxPlan, driver: Path, asked: BoxOutputs, options: dict[str, Any]) -> None:
    from tsfit.box.uncertainty import with_bands

    frequency_hz = asked.frequency_hz
    one, fit = read_limited(driver, options, assuming=True)
    result = plan.build(one, frequency_hz)
    if fit is not None:
        result = with_bands(result, fit)
    result = asked.in_room(result)
    from tsfit.box.result import box_form

    data = box_form(result)
    asked.write(plan, result, data)
    asked.outputs.show(data, lambda: print_box(result))
