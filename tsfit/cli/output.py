"""What all commands share: the `--json` flag, tables for people, files that are never overwritten."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from rich.console import RenderableType

Command = TypeVar("Command", bound=Callable[..., Any])


def json_option(command: Command) -> Command:
    """Add ``--json``: the machine form on standard output instead of tables."""
    return click.option("--json", "as_json", is_flag=True, help="Print the machine form instead of tables.")(command)


def output_options(command: Command) -> Command:
    """Add ``-o FILE``, ``--plot FILE`` and ``--replace``."""
    command = click.option("--replace", is_flag=True, help="Allow files that are there to be replaced.")(command)
    command = click.option(
        "--plot", type=click.Path(path_type=Path), metavar="FILE", help="Write the figure, as .png, .svg or .pdf."
    )(command)
    return click.option(
        "-o", "--output", type=click.Path(path_type=Path), metavar="FILE", help="Write the machine form to a JSON file."
    )(command)


def print_json(data: Any) -> None:
    """Print `data` as JSON on standard output."""
    from tsfit.files import to_json

    click.echo(to_json(data), nl=False)


def refuse_outputs(output: Path | None, plot: Path | None, *, replace: bool) -> None:
    """Refuse before the work the files that could not be written after it."""
    from tsfit.figures.save import figure_kind
    from tsfit.files import refuse_existing

    for path in (output, plot):
        refuse_existing(path, replace=replace)
    if plot is not None:
        figure_kind(plot)


def save_json(path: Path, data: Any, *, replace: bool) -> None:
    """Write `data` as a JSON file, whole or not at all."""
    from tsfit.files import to_json, write_new

    write_new(path, to_json(data), replace=replace)


def printable(text: str) -> str:
    """Return text from a file without control characters, so that a name cannot steer the terminal."""
    return re.sub(r"[\x00-\x1f\x7f-\x9f]", "�", text)


def print_table(columns: Sequence[str], rows: Sequence[Sequence[str]], title: str | None = None) -> None:
    """Print a table; the first column is left-aligned, the others right, text in the last one left."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(title=None if title is None else Text(printable(title)), box=box.SIMPLE_HEAD, title_justify="left")
    for index, column in enumerate(columns):
        numeric = bool(index) and all(not row[index] or row[index][0] in "+-−0123456789±.[" for row in rows)
        table.add_column(column, justify="right" if numeric else "left", overflow="fold")
    for row in rows:
        table.add_row(*(Text(printable(cell)) for cell in row))
    print_rendered(table)


def print_rendered(content: RenderableType, *, most_columns: int | None = None) -> None:
    """Print what rich renders, at most so many columns wide; a reader who has gone away is left to click, as elsewhere."""
    from rich.console import Console

    console = Console(highlight=False)
    console.width = min(console.width, most_columns or console.width)
    with console.capture() as captured:
        console.print(content)
    click.echo(captured.get(), nl=False)


@contextmanager
def progress(*, quiet: bool) -> Iterator[Callable[[str], None]]:
    """Show on standard error what is being done, when that is a terminal; yield the function that says it."""
    from rich.console import Console

    console = Console(stderr=True)
    if quiet or not console.is_terminal:
        yield lambda step: None
        return
    with console.status("starting") as status:
        yield lambda step: status.update(printable(step))
