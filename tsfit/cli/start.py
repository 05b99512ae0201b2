"""``tsfit start``: a new bench folder with files to fill in."""

from __future__ import annotations

from pathlib import Path

import click

from tsfit.bench.new_folder import RIGS
from tsfit.cli.output import hint, is_quiet, json_option, print_json, say


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--rig",
    type=click.Choice(RIGS),
    metavar="NAME",
    default="line-divider",
    show_default=True,
    help="Which ready rig to copy: " + ", ".join(RIGS) + ".",
)
@json_option
def start(folder: Path, rig: str, as_json: bool) -> None:
    """Make FOLDER for one driver: a ready rig with its drawing, commented files to fill in, and what to do next.

    With the simulated rig everything can be tried at once, with no hardware.

    \b
    Example:
      tsfit start my-woofer
      tsfit start try-it --rig simulated
    """  # noqa: D301
    from tsfit.bench.new_folder import NEXT, start_folder

    files = start_folder(folder, rig)
    if as_json:
        print_json({"folder": str(folder), "files": [path.name for path in files]})
        return
    say(f"{folder}: {', '.join(path.name for path in files)}")
    hint("")
    hint("Next, in that folder (the same stands in NEXT.txt):")
    hint("")
    if not is_quiet():
        click.echo(NEXT, nl=False)
