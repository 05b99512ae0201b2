"""Options that the commands of ``tsfit box`` share, and how their values become arguments in SI."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

import click

from tsfit.cli.output import json_option, output_options

Command = TypeVar("Command", bound=Callable[..., Any])

RENAMED = {"drive": "voltage", "box_depth": "depth"}
"""Argument of the functions in `tsfit.box.build` of options that people know by another word."""
SCALES = {"l": 1e-3, "cm": 1e-2, "mm": 1e-3, "g": 1e-3, "cm2": 1e-4}
"""SI value of the units that names of options end in."""
RATINGS = {
    "rated_power_w": "power_w",
    "peak_power_w": "peak_power_w",
    "rating_ohm": "power_ohm",
    "xmax_mm": "xmax_m",
    "radiator_xmax_mm": "radiator_xmax_m",
    "port_limit_m_s": "port_speed_m_s",
    "amplifier_v": "amplifier_v",
    "amplifier_a": "amplifier_a",
    "amplifier_w": "amplifier_w",
    "amplifier_load_ohm": "amplifier_load_ohm",
}
"""Field of `tsfit.box.limits.Ratings` that each option gives."""

_Q: dict[str, Any] = {"type": float, "default": math.inf}


def _add(*options: Callable[[Command], Command]) -> Callable[[Command], Command]:
    def decorate(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


driver_argument = click.argument("driver", type=click.Path(path_type=Path))

box_options = _add(
    click.option("--leak-q", **_Q, help="Loss factor of leaks.  [default: no loss]"),
    click.option("--absorption-q", **_Q, help="Loss factor of absorption.  [default: no loss]"),
    click.option(
        "--filling", type=float, default=1.0, show_default=True, help="Times the volume that the air acts as, 1 to 1.4."
    ),
    click.option(
        "--displaced-l", type=float, default=0.0, help="Driver, port and braces, taken off the volume.  [default: 0]"
    ),
)

shape_options = _add(
    click.option("--port-diameter-cm", type=float, help="Inner diameter of a round port; adds length and air speed."),
    click.option("--port-width-cm", type=float, help="Width of a slot, with --port-height-cm."),
    click.option("--port-height-cm", type=float, help="Height of a slot."),
    click.option("--ports", type=int, default=1, show_default=True, help="How many equal ports."),
    click.option("--flare-cm", type=float, default=0.0, help="Radius of the rounding at both ends.  [default: 0]"),
    click.option(
        "--port-ends",
        type=click.Choice(["one flush", "both flush", "both free"]),
        default="one flush",
        show_default=True,
        help="Which ends are flush with a panel.",
    ),
    click.option("--port-on-wall", is_flag=True, help="A long side of the slot is a wall of the box."),
    click.option("--box-depth-cm", type=float, help="Inner depth along the port, to tell whether it fits."),
    click.option("--port-q", **_Q, help="Loss factor of the port.  [default: no loss]"),
)

port_options = _add(
    click.option("--port-length-cm", type=float, help="Length over all, instead of --tuning-hz."),
    shape_options,
    click.option("--port-limit-m-s", type=float, help="Peak air speed allowed.  [default: by its ends]"),
)

result_options = _add(
    click.option(
        "--frequencies",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="Text of frequencies in Hz, one a line, for curves.  [default: 5 Hz to 2 kHz, 48 per octave]",
    ),
    click.option(
        "--plot-step", type=click.Path(path_type=Path), metavar="FILE", help="Write a figure of the step response."
    ),
    click.option("--room-m", type=float, help="Tell the gain of a closed room of this longest side, a rule of thumb."),
    json_option,
    output_options,
)

wiring_option = click.option(
    "--wiring",
    type=click.Choice(["series", "parallel", "one coil"]),
    help="How the two coils of each driver are wired.  [default: as its figures hold]",
)

amplifier_options = _add(
    click.option("--amplifier-v", type=float, help="Most V RMS that the amplifier gives.  [default: any]"),
    click.option("--amplifier-a", type=float, help="Most A RMS that the amplifier gives.  [default: any]"),
    click.option("--amplifier-w", type=float, help="Its rating in W, with --amplifier-load-ohm, instead of --amplifier-v."),
    click.option("--amplifier-load-ohm", type=float, help="Load for which --amplifier-w holds."),
)

drive_options = _add(
    click.option("--drive-v", type=float, help="Drive in V RMS at the amplifier.  [default: 2.83]"),
    click.option("--power-w", type=float, help="Drive in W into Re instead of --drive-v."),
    click.option("--source-ohm", type=float, default=0.0, help="Resistance of amplifier and leads.  [default: 0]"),
    click.option("--drivers", type=int, default=1, show_default=True, help="How many equal drivers."),
    click.option(
        "--in-series", type=int, default=1, show_default=True, help="Drivers in each series string; strings in parallel."
    ),
    wiring_option,
    click.option(
        "--arrangement",
        type=click.Choice(["side by side", "push-push", "face to face"]),
        default="side by side",
        show_default=True,
        help="How several drivers stand.",
    ),
    click.option("--rated-power-w", type=float, help="Continuous rating of one driver.  [default: its sheet's]"),
    click.option("--peak-power-w", type=float, help="Short-term rating of one driver.  [default: its sheet's]"),
    click.option("--rating-ohm", type=float, help="Resistance that the ratings refer to.  [default: Re]"),
    click.option("--xmax-mm", type=float, help="One-way peak travel allowed.  [default: the sheet's]"),
    amplifier_options,
    click.option(
        "--air-load",
        type=click.Choice(["free air", "baffle"]),
        default="free air",
        show_default=True,
        help="Air load of the cone: as measured in free air, or with what a baffle adds.",
    ),
    click.option(
        "--save-box", type=click.Path(path_type=Path), metavar="FILE", help="Write the box as a file for tsfit box show."
    ),
)


def si(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return `options` without their units in the names, values in SI: ``volume_l=60`` gives ``volume=0.06``."""
    out = {}
    for name, value in options.items():
        stem, _, unit = name.rpartition("_")
        if unit in SCALES and stem:
            out[stem] = None if value is None else value * SCALES[unit]
        else:
            out[name.removesuffix("_hz").removesuffix("_v").removesuffix("_w")] = value
    return {RENAMED.get(name, name): value for name, value in out.items()}


def ratings(options: dict[str, Any]) -> dict[str, float | None]:
    """Take the ratings out of `options`, in SI, by the fields of `tsfit.box.limits.Ratings`."""
    taken = {field: options.pop(name, None) for name, field in RATINGS.items()}
    for name in ("xmax_m", "radiator_xmax_m"):
        taken[name] = None if taken[name] is None else taken[name] * SCALES["mm"]
    return taken


def port(options: dict[str, Any], otherwise_cm: float | None = None) -> Any:
    """Take the port's section and ends out of `options`; without a section a round one so wide, or None."""
    from tsfit.box.ports import Port

    given = {name: options.pop(f"port_{name}_cm") for name in ("diameter", "width", "height")}
    shape = {name: None if value is None else value * SCALES["cm"] for name, value in given.items()}
    count, flare = options.pop("ports"), options.pop("flare_cm") * SCALES["cm"]
    ends, on_wall = options.pop("port_ends"), options.pop("port_on_wall")
    if all(value is None for value in shape.values()):
        if otherwise_cm is None:
            return None
        shape["diameter"] = otherwise_cm * SCALES["cm"]
    return Port(**shape, count=count, flare=flare, ends=ends, on_wall=on_wall)
