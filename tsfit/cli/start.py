"""``tsfit start``: a new bench folder with files to fill in."""

import shlex
from pathlib import Path

import click

from tsfit.bench.new_folder import RIGS
from tsfit.cli.output import PATH, Outputs, with_outputs
from tsfit.cli.printing import hint, is_quiet, say


@click.command()
@click.argument("folder", type=PATH)
@click.option(
    "--rig",
    type=click.Choice(RIGS),
    metavar="NAME",
    default="line-divider",
    show_default=True,
    help="Which ready rig to copy: " + ", ".join(RIGS) + ".",
)
@with_outputs("as_json")
def start(folder: Path, rig: str, outputs: Outputs) -> None:
    """Make FOLDER for one driver: a ready rig with its drawing, commented files to fill in, and what to do next.

    With the simulated rig everything can be tried at once, with no hardware; power-shunt is for full travel and power.

    \b
    Example:
      tsfit start my-woofer
      tsfit start try-it --rig simulated
    """  # noqa: D301
    from tsfit.bench.new_folder import start_folder

    files = start_folder(folder, rig)
    names = [path.name + "/" * path.is_dir() for path in files]
    outputs.show({"folder": str(folder), "files": names}, lambda: _print(folder, rig, names))


def _print(folder: Path, rig: str, names: list[str]) -> None:
    from tsfit.bench.new_folder import next_steps

    say(f"{folder}: {', '.join(names)}")
    hint("")
    hint(f"Next, in that folder (cd {shlex.quote(str(folder))}; the same stands in NEXT.txt):")
    hint("")
    if not is_quiet():
        click.echo(next_steps(rig), nl=False)
