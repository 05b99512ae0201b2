"""``tsfit box panels``: from a volume to boards."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tsfit.cli.output import json_option, output_options, print_json, print_table, refuse_outputs, save_json, say

if TYPE_CHECKING:
    from tsfit.box.panels import Cabinet


@click.command()
@click.option("--volume-l", type=float, required=True, help="Net volume: the air that the plan of the box counts on.")
@click.option("--driver-l", type=float, default=0.0, show_default=True, help="What the driver takes of the inside.")
@click.option("--port-l", type=float, default=0.0, show_default=True, help="What the port takes of it.")
@click.option("--thickness-mm", type=float, default=19.0, show_default=True, help="Of the board.")
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
@click.option("--braces", type=int, default=0, show_default=True, help="Boards across the inside.")
@click.option("--brace-open", type=float, default=0.5, show_default=True, help="Share of a brace that is cut away.")
@click.option("--cutout-mm", type=float, help="Diameter of the driver's opening in the front.")
@click.option("--sheet-mm", type=float, nargs=2, default=(2500.0, 1250.0), show_default=True, help="Size of a sheet.")
@click.option("--kerf-mm", type=float, default=4.0, show_default=True, help="Width of the saw cut.")
@click.option("--density", type=float, default=720.0, show_default=True, help="Of the board, kg/m³.")
@click.option("--dxf", type=click.Path(path_type=Path), metavar="FILE", help="Write the drawing as DXF, in mm.")
@output_options
@json_option
def panels(
    volume_l: float,
    driver_l: float,
    port_l: float,
    thickness_mm: float,
    width_mm: float | None,
    height_mm: float | None,
    depth_mm: float | None,
    proportions: tuple[float, float, float],
    double_front: bool,
    braces: int,
    brace_open: float,
    cutout_mm: float | None,
    sheet_mm: tuple[float, float],
    kerf_mm: float,
    density: float,
    dxf: Path | None,
    output: Path | None,
    plot: Path | None,
    replace: bool,
    as_json: bool,
) -> None:
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
    from tsfit.base.files import refuse_existing, write_new
    from tsfit.box.panels import cabinet

    refuse_outputs(output, plot, replace=replace)
    refuse_existing(dxf, replace=replace)

    def metres(value: float | None) -> float | None:
        return None if value is None else 1e-3 * value

    built = cabinet(
        1e-3 * volume_l,
        thickness=1e-3 * thickness_mm,
        displaced=1e-3 * (driver_l + port_l),
        width=metres(width_mm),
        height=metres(height_mm),
        depth=metres(depth_mm),
        proportions=proportions,
        double_front=double_front,
        braces=braces,
        brace_open=brace_open,
        cutout=metres(cutout_mm),
        sheet=(1e-3 * sheet_mm[0], 1e-3 * sheet_mm[1]),
        kerf=1e-3 * kerf_mm,
        density=density,
    )
    if output is not None:
        save_json(output, built.to_dict(), replace=replace)
    if plot is not None:
        from tsfit.plots.panels import panels_figure
        from tsfit.plots.save import save_figure

        save_figure(plot, panels_figure(built.to_dict()), replace=replace)
    if dxf is not None:
        from tsfit.plots.panels import panels_dxf

        write_new(dxf, panels_dxf(built), replace=replace)
    if as_json:
        print_json(built.to_dict())
    else:
        _print(built)


def _print(built: Cabinet) -> None:
    from tsfit.box.panels import CAUTIONS

    inside, outside = (" x ".join(f"{1e3 * side:.1f}" for side in sides) for sides in (built.inside, built.outside))
    rows = [
        ("net volume, gross volume", f"{1e3 * built.net:.2f} l, {1e3 * built.gross:.2f} l"),
        ("inside width, height, depth", f"{inside} mm"),
        ("outside width, height, depth", f"{outside} mm"),
        ("weight of the boards", f"{built.weight:.1f} kg"),
        (
            "sheets, waste",
            f"{built.sheets} of {1e3 * built.sheet[0]:.0f} x {1e3 * built.sheet[1]:.0f} mm, {built.waste:.0%}",
        ),
    ]
    print_table(("box", "value"), rows)
    boards = [
        [
            panel.name,
            f"{panel.count}",
            f"{1e3 * panel.length:.1f}",
            f"{1e3 * panel.width:.1f}",
            "" if panel.cutout is None else f"{1e3 * panel.cutout:.1f}",
        ]
        for panel in built.panels
    ]
    print_table(("board", "how many", "length, mm", "width, mm", "round cutout, mm"), boards)
    for caution in CAUTIONS:
        say(caution)
