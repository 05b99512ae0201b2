"""``tsfit box design``: find the box for a driver."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tsfit.cli import NamingGroup
from tsfit.cli.box_options import amplifier_options, ratings
from tsfit.cli.output import json_option, output_options, print_json, print_table, refuse_outputs, save_json

if TYPE_CHECKING:
    from tsfit.box.proposal import Proposal

DRIVER = click.argument("driver", type=click.Path(path_type=Path))
QUANTITIES = ("f3", "ripple", "group delay")
NUMBERS = (("f3_hz", "f3, Hz", ".1f"), ("ripple_db", "ripple, dB", ".2f"), ("qtc", "Qtc", ".3f"))


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
@DRIVER
@click.option("--qtc", type=float, help="Wanted total Q of the lossless box.")
@click.option("--f3-hz", type=float, help="Wanted half-power frequency of the lossless box; the smaller of two boxes.")
@click.option("--volume-l", type=float, help="Net volume, to see what it gives.")
@click.option("--largest-volume-l", type=float, help="Take the lowest f3 within this volume.")
@click.option("--leak-q", type=float, default=math.inf, help="Loss factor of leaks.  [default: no loss]")
@click.option("--absorption-q", type=float, default=math.inf, help="Loss factor of absorption.  [default: no loss]")
@click.option("--drive-v", type=float, help="Drive in V RMS.  [default: 2.83]")
@click.option("--power-w", type=float, help="Drive in W into Re instead of --drive-v.")
@json_option
@output_options
def closed(
    driver: Path,
    qtc: float | None,
    f3_hz: float | None,
    volume_l: float | None,
    largest_volume_l: float | None,
    drive_v: float | None,
    power_w: float | None,
    **options: Any,
) -> None:
    """Closed box by Qtc, f3 or volume, or the lowest f3 within a volume.

    \b
    Example:
      tsfit box design closed fit.json --f3-hz 45
      tsfit box design closed fit.json --largest-volume-l 40 --plot box.png
    """  # noqa: D301
    from tsfit.box.proposal import propose_closed
    from tsfit.driver_file import read_driver_or_fit

    refuse_outputs(options["output"], options["plot"], replace=options["replace"])
    read, fit = read_driver_or_fit(driver)
    proposal = propose_closed(
        read,
        qtc=qtc,
        f3_hz=f3_hz,
        volume=_scaled(volume_l, 1e-3),
        largest_volume=_scaled(largest_volume_l, 1e-3),
        fit=fit,
        leak_q=options.pop("leak_q"),
        absorption_q=options.pop("absorption_q"),
        voltage=drive_v,
        power=power_w,
    )
    _deliver(proposal, **options)


@design.command()
@DRIVER
@click.option("--family", type=click.Choice(["B4", "QB3", "C4", "SC4"]), help="Box of a named fourth-order family.")
@click.option("--least-ripple", is_flag=True, help="Aim at the least ripple instead of the lowest f3.")
@click.option("--most-output-hz", type=float, help="Aim at the most output at this frequency; needs ratings.")
@click.option("--largest-volume-l", type=float, help="Most net volume.  [default: 3 Vas]")
@click.option("--smallest-volume-l", type=float, help="Least net volume.  [default: a fiftieth of the most]")
@click.option("--ripple-db", type=float, help="Most ripple.  [default: 0.5]")
@click.option("--group-delay-ms", type=float, help="Most group delay, from half of f3 up.  [default: any]")
@click.option("--port-speed-m-s", type=float, help="Fastest air in the port, peak, at the drive.  [default: any]")
@click.option("--port-diameter-cm", type=float, help="Of one round port.  [default: the narrowest that keeps the speed]")
@click.option("--longest-port-cm", type=float, help="Longest port.  [default: edge of a cube of the volume]")
@click.option("--leak-q", type=float, default=math.inf, help="Loss factor of leaks.  [default: no loss]")
@click.option("--absorption-q", type=float, default=math.inf, help="Loss factor of absorption.  [default: no loss]")
@click.option("--port-q", type=float, default=math.inf, help="Loss factor of the port.  [default: no loss]")
@click.option("--drive-v", type=float, help="Drive in V RMS.  [default: 2.83]")
@click.option("--power-w", type=float, help="Drive in W into Re instead of --drive-v.")
@click.option("--rated-power-w", type=float, help="Continuous rating.  [default: the sheet's]")
@click.option("--rating-ohm", type=float, help="Resistance that the rating refers to.  [default: Re]")
@click.option("--xmax-mm", type=float, help="One-way peak travel allowed.  [default: the sheet's]")
@amplifier_options
@click.option("--map", "map_file", type=click.Path(path_type=Path), metavar="FILE", help="Write a map of what boxes give.")
@click.option(
    "--map-of", type=click.Choice(["all", *QUANTITIES]), default="all", show_default=True, help="Contours of the map."
)
@json_option
@output_options
def vented(
    driver: Path,
    family: Any,
    least_ripple: bool,
    most_output_hz: float | None,
    drive_v: float | None,
    power_w: float | None,
    map_file: Path | None,
    map_of: Any,
    **options: Any,
) -> None:
    """Vented box by family, or the best within limits.

    Without an aim the lowest f3 is sought. A level that lingers below the mid-band counts as ripple.

    \b
    Example:
      tsfit box design vented fit.json --family QB3 --leak-q 10
      tsfit box design vented fit.json --largest-volume-l 80 \\
          --port-speed-m-s 15 --power-w 50 --map map.png
    """  # noqa: D301
    from tsfit.box.proposal import propose_vented, vented_aim, vented_limits
    from tsfit.driver_file import read_driver_or_fit

    refuse_outputs(options["output"], options["plot"], replace=options["replace"])
    refuse_outputs(None, map_file, replace=options["replace"])
    read, fit = read_driver_or_fit(driver)
    limits = vented_limits(
        read,
        largest_volume=_scaled(options.pop("largest_volume_l"), 1e-3),
        smallest_volume=_scaled(options.pop("smallest_volume_l"), 1e-3),
        ripple_db=options.pop("ripple_db"),
        delay=_scaled(options.pop("group_delay_ms"), 1e-3),
        port_speed=options.pop("port_speed_m_s"),
        port_diameter=_scaled(options.pop("port_diameter_cm"), 1e-2),
        port_length=_scaled(options.pop("longest_port_cm"), 1e-2),
    )
    rated = ratings(options)
    proposal = propose_vented(
        read,
        family=family,
        aim=vented_aim(family, least_ripple=least_ripple, output_hz=most_output_hz),
        output_hz=most_output_hz,
        limits=limits,
        fit=fit,
        **{name: options.pop(name) for name in ("leak_q", "absorption_q", "port_q")},
        voltage=drive_v,
        power=power_w,
        ratings=rated,
    )
    if map_file is not None:
        from tsfit.figures.design import map_figure
        from tsfit.figures.save import save_figure

        quantities: Any = QUANTITIES if map_of == "all" else (map_of,)
        figure = map_figure(proposal.map(), proposal.place, quantities)
        save_figure(map_file, figure, replace=options["replace"])
    _deliver(proposal, **options)


def _scaled(value: float | None, unit: float) -> float | None:
    return None if value is None else value * unit


def _deliver(proposal: Proposal, *, as_json: bool, output: Path | None, plot: Path | None, replace: bool) -> None:
    if output is not None:
        save_json(output, proposal.to_dict(), replace=replace)
    if plot is not None:
        from tsfit.figures.box import box_figure
        from tsfit.figures.save import save_figure

        save_figure(plot, box_figure(proposal.result), replace=replace)
    if as_json:
        print_json(proposal.to_dict())
    else:
        _print(proposal)


def _print(proposal: Proposal) -> None:
    from tsfit.cli.box import print_box

    click.echo(f"Designed: {proposal.asked}")
    print_box(proposal.result)
    found = proposal.sensitivity
    building = f"volume within {100 * found.volume_error:g} %"
    building += f", tuning within {100 * found.tuning_error:g} %" if proposal.result.design["fb_hz"] else ""
    rows = []
    for source, spreads in found.spreads.items():
        for key, label, style in NUMBERS:
            if (spread := spreads.get(key)) is not None:
                (low, high), (least, most) = spread.interval95, spread.outermost
                rows.append([source, label, *(format(value, style) for value in (low, high, least, most))])
    print_table(("spread by", "of", "95 % from", "to", "least", "most"), rows)
    click.echo(f"Building: {building}.")
    if "driver" not in found.spreads:
        click.echo("The driver's own uncertainty is not known: give a fit instead of a sheet.")
    for other in proposal.others:
        click.echo(f"Also: {other}.")
