"""``tsfit box panels``: from a volume to boards."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tsfit.cli.output import PATH, Outputs, with_outputs
from tsfit.cli.printing import print_table, say

if TYPE_CHECKING:
    from tsfit.box.panels import Cabinet


@click.command()
@click.option("--volume-l", type=float, required=True, help="Net volume: the air that the plan of the box counts on.")
@click.option("--driver-l", default=0.0, show_default=True, help="What the driver takes of the inside.")
@click.option("--port-l", default=0.0, show_default=True, help="What the port takes of it.")
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
@click.option("--cutout-mm", type=float, help="Diameter of the driver's opening in the front.")
@click.option("--sheet-mm", type=float, nargs=2, default=(2500.0, 1250.0), show_default=True, help="Size of a sheet.")
@click.option("--kerf-mm", default=4.0, show_default=True, help="Width of the saw cut.")
@click.option("--density", default=720.0, show_default=True, help="Of the board, kg/m³.")
@click.option("--dxf", type=PATH, metavar="FILE", help="Write the drawing as DXF, in mm.")
@with_outputs()
def panels(dxf: Path | None, outputs: Outputs, **options: Any) -> None:
    """List the boards of a rectangular box, and lay them out on sheets.

    Front and back cover the whole outline; top and bottom lie between them over the whole width, the sides between all
    four.

    \b
    Example:
      tsfit box panels --volume-l 60 --driver-l 2.1 \\
          --port-l 1.4 --double-front --braces 1 \\
          --cutout-mm 232 --plot boards.svg
      tsfit box panels --volume-l 60 --width-mm 380 \\
          --dxf boards.dxf
    """  # noqa: D301
    from tsfit.box.panels import CabinetPlan, cabinet
    from tsfit.box.told import made

    outputs.refuse_existing(dxf)
    built = cabinet(made(CabinetPlan, options))
    outputs.write_json(built)
    if outputs.plot is not None:
        from tsfit.plots.panels import panels_plot

        outputs.write_plot(panels_plot(built))
    if dxf is not None:
        from tsfit.plots.panels import panels_dxf

        outputs.write_file(dxf, panels_dxf(built))
    outputs.show(built, lambda: _print(built))


def _print(built: Cabinet) -> None:
    inside, outside = (" x ".join(f"{side:.1f}" for side in sides) for sides in (built.inside_mm, built.outside_mm))
    length, width = built.sheet_mm
    rows = [
        ("net volume, gross volume", f"{built.net_volume_l:.2f} l, {built.gross_volume_l:.2f} l"),
        ("inside width, height, depth", f"{inside} mm"),
        ("outside width, height, depth", f"{outside} mm"),
        ("weight of the boards", f"{built.weight_kg:.1f} kg"),
        ("sheets, waste", f"{built.sheets} of {length:.0f} x {width:.0f} mm, {built.waste:.0%}"),
    ]
    print_table(("box", "value"), rows)
    sizes = [(one.length_mm, one.width_mm, one.cutout_mm) for one in built.panels]
    boards = [
        [one.name, f"{one.count}", *(f"{size:.1f}" if size else "" for size in sides)]
        for one, sides in zip(built.panels, sizes, strict=True)
    ]
    print_table(("board", "how many", "length, mm", "width, mm", "round cutout, mm"), boards)
    for caution in built.cautions:
        say(caution)
