"""``tsfit box design``: find the box for a driver."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tsfit.cli.box.deliver import BoxOutputs, print_box
from tsfit.cli.box.options import (
    aim_options,
    bound_options,
    box_options,
    drive_options,
    driver_argument,
    plan_options,
    radiator_options,
    read_limited,
    rear_options,
    result_options,
    shape_options,
)
from tsfit.cli.groups import NamingGroup
from tsfit.cli.output import PATH
from tsfit.cli.printing import hint, is_full, print_table, say

if TYPE_CHECKING:
    from tsfit.box.design.proposal import Proposal

QUANTITIES = ("f3", "ripple", "group delay")
NUMBERS = ("f3_hz", "f3_upper_hz", "ripple_db", "qtc")


@click.group(cls=NamingGroup)
def design() -> None:
    """Find a box by what it shall do, and how sure that is.

    The spread of f3, ripple and Qtc is that of the driver's uncertainty (with a fit) and of building errors: volume within
    5 %, tuning within 3 %.

    \b
    Example:
      tsfit box design closed fit.json --f3-hz 45
      tsfit box design vented fit.json --largest-volume-l 80 \\
          --port-speed-m-s 15 --power-w 50 --map map.png
    """  # noqa: D301


@design.command()
@driver_argument
@click.option("--qtc", type=float, help="Wanted total Q of the lossless box.")
@click.option("--f3-hz", type=float, help="Wanted f3, coil and losses counted; the smaller of two boxes.")
@click.option("--volume-l", type=float, help="Volume, to see what it gives.")
@click.option("--largest-volume-l", type=float, help="Take the lowest f3 within this volume.")
@plan_options
def closed(driver: Path, **options: Any) -> None:
    """Closed box by Qtc, f3 or volume, or the lowest f3 within a volume.

    \b
    Example:
      tsfit box design closed fit.json --f3-hz 45
      tsfit box design closed fit.json --largest-volume-l 40 \\
          --plot box.png
      tsfit box design closed fit.json --qtc 0.7 --drivers 2 \\
          --save-box box.toml
    """  # noqa: D301
    from tsfit.box.design.proposal import ClosedAim, propose_closed
    from tsfit.box.kinds import ClosedPlan
    from tsfit.box.told import made

    asked = BoxOutputs.of(options)
    read, fit = read_limited(driver, options)
    plan = made(ClosedPlan, options)
    frequency_hz = asked.frequency_hz
    _deliver(propose_closed(read, made(ClosedAim, options), plan, fit=fit, frequency_hz=frequency_hz), asked)


@design.command()
@driver_argument
@click.option("--family", type=click.Choice(["B4", "QB3", "C4", "SC4"]), help="Box of a named fourth-order family.")
@aim_options
@click.option("--level-db", type=float, help="Mid-band level that the port is sized for.  [default: the most output]")
@bound_options
@click.option(
    "--port-speed-m-s",
    type=float,
    help="Fastest air in the port, peak, at the level; tells how wide it is.  [default: by its ends]",
)
@click.option("--longest-port-cm", type=float, help="Longest port.  [default: what fits straight in]")
@shape_options
@box_options
@drive_options
@click.option("--map", "map_file", type=PATH, metavar="FILE", help="Write a map of what boxes give.")
@click.option(
    "--map-of",
    type=click.Choice(["f3 and ripple", *QUANTITIES]),
    default="f3 and ripple",
    show_default=True,
    help="Contours of the map.",
)
@result_options
def vented(driver: Path, map_file: Path | None, map_of: Any, **options: Any) -> None:
    """Vented box by family, or the best within limits.

    Without an aim the lowest f3 is sought. A level that lingers below the mid-band counts as ripple.

    \b
    Example:
      tsfit box design vented fit.json --family QB3 \\
          --leak-q 10
      tsfit box design vented fit.json --largest-volume-l 80 \\
          --port-speed-m-s 15 --power-w 50 --map map.png
      tsfit box design vented fit.json \\
          --largest-volume-l 120 --drivers 2 \\
          --port-width-cm 30 --port-height-cm 4 \\
          --port-on-wall
    """  # noqa: D301
    from tsfit.box.design.proposal import VentedAim, VentedBounds, propose_vented
    from tsfit.box.kinds import VentedPlan
    from tsfit.box.told import made

    asked = BoxOutputs.of(options, plots=[map_file])
    read, fit = read_limited(driver, options)
    sized = any(options[f"port_{side}_cm"] is not None for side in ("diameter", "width", "height"))
    if not sized:
        # Any section does, since it is scaled.
        options["port_diameter_cm"] = 10.0
    plan = made(VentedPlan, {**options, "volume_l": math.nan})
    bounds = dataclasses.replace(made(VentedBounds, options), fixed_port=sized)
    frequency_hz = asked.frequency_hz
    proposal = propose_vented(read, made(VentedAim, options), bounds, plan, fit=fit, frequency_hz=frequency_hz)
    if map_file is not None:
        from tsfit.plots.design import map_plot

        quantities: Any = tuple(map_of.split(" and "))
        figure = map_plot(proposal.map(), proposal.place, quantities, filling=plan.filling.factor)
        asked.outputs.write_plot(figure, map_file)
    _deliver(proposal, asked)


@design.command()
@driver_argument
@radiator_options
@aim_options
@bound_options
@click.option("--largest-added-mass-g", type=float, help="Most that each radiator bears.  [default: twice its own mass]")
@plan_options
def passive(driver: Path, **options: Any) -> None:
    """Box for given passive radiators: volume, and the mass to add to each.

    Without an aim the lowest f3 is sought. With ratings it is told how far the radiators travel, and how many stand it.

    \b
    Example:
      tsfit box design passive fit.json \\
          --radiator-mass-g 110 --radiator-area-cm2 480 \\
          --radiator-fs-hz 20 --radiator-xmax-mm 12 \\
          --largest-volume-l 60
    """  # noqa: D301
    from tsfit.box.design.passive import propose_passive
    from tsfit.box.design.proposal import VentedAim, VentedBounds
    from tsfit.box.kinds import PassivePlan
    from tsfit.box.told import made

    asked = BoxOutputs.of(options)
    read, fit = read_limited(driver, options)
    plan = made(PassivePlan, {**options, "volume_l": math.nan})
    aim, bounds, hz = made(VentedAim, options), made(VentedBounds, options), asked.frequency_hz
    _deliver(propose_passive(read, aim, bounds, plan, fit=fit, frequency_hz=hz), asked)


@design.command()
@driver_argument
@click.option("--largest-volume-l", type=float, help="Most volume, both chambers and port.  [default: 2 Vas]")
@click.option("--upper-f3-hz", type=float, help="Play up to here at least.  [default: an octave above f3]")
@click.option("--largest-loss-db", type=float, help="How far below the drivers in a baffle it may play.  [default: 0]")
@click.option("--ripple-db", type=float, help="Most ripple.  [default: 0.5]")
@click.option("--level-db", type=float, help="Level that the port is sized for.  [default: the most output]")
@click.option("--port-speed-m-s", type=float, help="Fastest air in the port, peak, at the level.  [default: by its ends]")
@rear_options
@shape_options
@plan_options
def bandpass(driver: Path, **options: Any) -> None:
    """Band-pass box: both volumes and the tuning with the lowest f3 within limits.

    Filling and displaced volume are those of the closed chamber; the loss factors without "rear" those of the vented one.

    \b
    Example:
      tsfit box design bandpass fit.json --largest-volume-l 60
      tsfit box design bandpass fit.json \\
          --largest-volume-l 60 --upper-f3-hz 110 \\
          --level-db 105 --save-box box.toml
    """  # noqa: D301
    from tsfit.box.design.band_pass import BandPassBounds, propose_band_pass
    from tsfit.box.kinds import BandPassPlan
    from tsfit.box.told import made

    asked = BoxOutputs.of(options)
    read, fit = read_limited(driver, options)
    plan = made(BandPassPlan, {**options, "rear_volume_l": math.nan, "front_volume_l": math.nan})
    found = propose_band_pass(read, made(BandPassBounds, options), plan, fit=fit, frequency_hz=asked.frequency_hz)
    _deliver(found, asked)


def _deliver(proposal: Proposal, asked: BoxOutputs) -> None:
    proposal = dataclasses.replace(proposal, result=asked.in_room(proposal.result))
    asked.write(proposal.plan, proposal.result, proposal)
    asked.outputs.show(proposal, lambda: _print(proposal))


def _print(proposal: Proposal) -> None:
    from tsfit.box.told import NAMES, headed, unit_of

    print_box(proposal.result, levels=False)
    found = proposal.sensitivity
    building = f"volume within {100 * found.volume_error:g} %"
    building += f", tuning within {100 * found.tuning_error:g} %" if proposal.result.opening.fb else ""
    rows = []
    for source, spreads in found.spreads.items():
        for key in NUMBERS:
            if (spread := spreads.get(key)) is not None:
                (low, high), (least, most) = spread.interval95, spread.outermost
                told = (f"{value:.{NAMES[key][1]}f}" for value in (low, high, least, most))
                rows.append([source, headed(key), *told])
    if is_full():
        print_table(("spread by", "of", "95 % from", "to", "least", "most"), rows)
        say(f"Building: {building}.")
    else:
        _, widest = list(found.spreads.items())[-1]
        kind = proposal.result.enclosure.kind
        ends = ", ".join(
            f"{_name(key, kind)} {low:.{NAMES[key][1]}f} to {high:.{NAMES[key][1]}f} {unit_of(key)}".rstrip()
            for key in NUMBERS
            if (spread := widest.get(key)) is not None
            for low, high in [spread.interval95]
        )
        whose = "the driver's ± and " if "driver" in found.spreads else ""
        say(f"With {whose}a careful builder's errors ({building}), 95 %: {ends}.")
    if "driver" not in found.spreads:
        hint("The driver's own uncertainty is not known: give a fit instead of a sheet.")
    for other in proposal.others:
        say(f"Also: {other}.")
    hint("--full adds levels, travel, what stops them, and the spread by its sources.")


def _name(key: str, kind: str) -> str:
    """What a number of the design is called: all that a closed box can have of a ripple is a peak."""
    from tsfit.box.told import headed

    return "peak" if (key, kind) == ("ripple_db", "closed") else headed(key).partition(",")[0]
