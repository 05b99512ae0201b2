"""What is being done, on standard error where that is a terminal."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click

from tsfit.cli.printing import is_quiet, no_colour, printable


@contextmanager
def progress(*, quiet: bool) -> Iterator[Callable[[str], None]]:
    """Show on standard error what is being done, when that is a terminal; yield the function that says it."""
    from rich.console import Console

    console = Console(stderr=True)
    if quiet or is_quiet() or not console.is_terminal:
        yield lambda step: None
    elif no_colour():
        yield lambda step: click.echo(printable(step), err=True)
    else:
        with console.status("starting") as status:
            yield lambda step: status.update(printable(step))


def shows_bars(*, quiet: bool) -> bool:
    """Whether moving bars may be drawn on standard error."""
    return sys.stderr.isatty() and not (quiet or is_quiet() or no_colour())
