"""``tsfit box panels``: from a volume to boards."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tsfit.cli.output import PATH, Outputs, with_outputs
from tsfit.cli.printing import hint, is_full, print_table, say

if TYPE_CHECKING:
    from tsfit.box.panels.cabinet import Cabinet
    from tsfit.box.panels.plan import CabinetPlan


_at = functools.partial(click.option, type=float, nargs=2, metavar="X Y")


@click.command()
@click.option("--box", "box_file", type=PATH, metavar="FILE", help="Planned box (TOML): volume, drivers, port, radiators.")
@click.option("--volume-l", type=float, help="Net volume instead: the air that the plan of the box counts on.")
@click.option("--drivers", type=int, help="How many drivers.  [default: the box file's, else 1]")
@click.option("--driver-l", default=0.0, show_default=True, help="What each driver takes of the inside.")
@click.option("--port-l", default=0.0, show_default=True, help="What the port takes of it, without a box file.")
@click.option("--thickness-mm", default=19.0, show_default=True, help="Of the board.")
@click.option("--width-mm", type=float, help="Outside width, if it is fixed.")
@click.option("--height-mm", type=float, help="Outside height, if it is fixed.")
@click.option("--depth-mm", type=float, help="Outside depth, if it is fixed.")
@click.option(
    "--proportions",
    type=float,
    nargs=3,
    default=(1.26, 1.59, 1.0),
    show_default=True,
    help="Inside width, height and depth, where not fixed.",
)
@click.option("--double-front", is_flag=True, help="Glue a second layer behind the front.")
@click.option("--braces", default=0, show_default=True, help="Boards across the inside.")
@click.option("--brace-open", default=0.5, show_default=True, help="Share of a brace that is cut away.")
@click.option("--cutout-mm", type=float, help="Diameter of a driver's opening in the front.")
@_at("--cutout-at-mm", multiple=True, help="Its middle from the left and lower edge; once for each driver.")
@click.option("--radiator-cutout-mm", type=float, help="Diameter of a passive radiator's opening in the front.")
@_at("--port-at-mm", multiple=True, help="Middle of a round port in the front; once for each.")
@click.option("--terminal-mm", type=float, help="Diameter of the terminal cup's opening in the back.")
@_at("--terminal-at-mm", help="Its middle from the left and lower edge of the back.")
@click.option("--sheet-mm", type=float, nargs=2, default=(2500.0, 1250.0), show_default=True, help="Size of a sheet.")
@click.option("--kerf-mm", default=4.0, show_default=True, help="Width of the saw cut.")
@click.option("--density", default=720.0, show_default=True, help="Of the board, kg/m³.")
@click.option("--dxf", type=PATH, metavar="FILE", help="Write the drawing as DXF, in mm.")
@with_outputs()
def panels(box_file: Path | None, dxf: Path | None, outputs: Outputs, **options: Any) -> None:
    """List the boards of a rectangular box with their openings, and lay them out on sheets as a panel saw cuts them.

    Front and back cover the whole outline; top and bottom lie between them over the whole width, the sides between all
    four. Openings that are told no place stand one above the other. --full lists the cuts in the order of work.

    \b
    Example:
      tsfit box panels --box box.toml --driver-l 2.1 \\
          --cutout-mm 232 --terminal-mm 52 --braces 1
      tsfit box panels --volume-l 60 --driver-l 2.1 \\
          --port-l 1.4 --double-front --braces 1 \\
          --cutout-mm 232 --plot boards.svg
      tsfit box panels --volume-l 60 --width-mm 380 \\
          --dxf boards.dxf
    """  # noqa: D301
    from tsfit.box.panels.cabinet import cabinet

    outputs.refuse_existing(dxf)
    plan, air = _plan(box_file, options)
    built = cabinet(plan)
    outputs.write_json(built)
    if outputs.plot is not None:
        from tsfit.plots.panels import panels_plot

        outputs.write_plot(panels_plot(built))
    if dxf is not None:
        from tsfit.plots.panels import panels_dxf

        outputs.write_file(dxf, panels_dxf(built))
    outputs.show(built, lambda: _print(built, air))


def _plan(box_file: Path | None, options: dict[str, Any]) -> tuple[CabinetPlan, str]:
    """The plan, and the air for which a port is reckoned, in words."""
    from tsfit.base.errors import TsfitError
    from tsfit.box.panels.plan import CabinetPlan, asked_by
    from tsfit.box.told import LITRE, made

    if (box_file is None) == (options["volume_l"] is None):
        raise click.UsageError("panels takes either --box, a planned box, or --volume-l; give one of the two.")
    if box_file is None:
        return made(CabinetPlan, options), ""
    from tsfit.box.file import read_box

    plan = read_box(box_file)
    try:
        asked = asked_by(plan)
    except TsfitError as error:
        raise TsfitError(f"{box_file}: {error.message}", code=error.code, file=box_file) from error
    own = {"volume_l": asked.net / LITRE, "drivers": options["drivers"] or asked.drivers}
    air = asked.air
    told = "" if air is None else f" ({air.temperature_c:.0f} °C, {air.pressure_hpa:.0f} hPa)"
    return made(CabinetPlan, {**options, **own, "radiators": asked.radiators, "tube": asked.tube}), told


def _print(built: Cabinet, air: str) -> None:
    from tsfit.box.panels.layout import half_mm

    inside, outside = (" x ".join(map(half_mm, sides)) for sides in (built.inside_mm, built.outside_mm))
    length, width = built.sheet_mm
    rows = [
        ("net volume, gross volume", f"{built.net_volume_l:.2f} l, {built.gross_volume_l:.2f} l"),
        ("inside width, height, depth", f"{inside} mm"),
        ("outside width, height, depth", f"{outside} mm"),
        ("weight of the boards", f"{built.weight_kg:.1f} kg"),
        ("sheets, waste", f"{built.sheets} of {length:.0f} x {width:.0f} mm, {built.waste:.0%}"),
    ]
    if built.port_length_mm is not None:
        rows.insert(3, (f"port over all{air}, its room", f"{built.port_length_mm:.1f} mm, {built.port_l:.2f} l"))
    if built.brace_at_mm:
        heights = ", ".join(f"{height:.0f}" for height in built.brace_at_mm)
        rows.insert(3, ("braces above the inner lower wall", f"{heights} mm"))
    count, sheets = sum(one.count for one in built.panels), f"{built.sheets} sheet{'s' * (built.sheets > 1)}"
    say(f"{count} boards from {sheets} of {length:.0f} x {width:.0f} mm, {built.weight_kg:.1f} kg; outside {outside} mm.")
    for remark in built.remarks:
        say(remark)
    print_table(("box", "value"), rows)
    boards = [[one.name, f"{one.count}", half_mm(one.length_mm), half_mm(one.width_mm)] for one in built.panels]
    print_table(("board", "how many", "length, mm", "width, mm"), boards)
    openings = [
        [one.name, hole.what, half_mm(hole.x_mm), half_mm(hole.y_mm), hole.size]
        for one in built.panels
        for hole in one.holes
    ]
    if openings:
        columns = ("in the", "opening", "from left, mm", "from below, mm", "size, mm")
        print_table(columns, openings, title="middle of each opening, as seen from outside, the board's length upright")
    if is_full():
        cuts = []
        for number, one in enumerate(built.cuts, start=1):
            left, low, right, high = one.piece_mm
            way = "across" if one.across_length else "along"
            cuts.append([f"{number}", f"{one.sheet}", f"{right - left:.1f} x {high - low:.1f}", way, f"{one.keep_mm:.1f}"])
        title = f"cuts in their order, each through its whole piece; the saw takes {built.kerf_mm:g} mm beyond"
        print_table(("cut", "sheet", "piece, mm", "sheet's length", "keep left or low, mm"), cuts, title=title)
    else:
        hint(f"{len(built.cuts)} saw cuts, each through a whole piece; --full lists them in their order.")
    for caution in built.cautions:
        say(caution)
