"""What all commands share: options, words and tables as wide as the terminal, files that are never overwritten.

How much is said is kept in click's context: ``--quiet`` leaves results alone, ``--verbose`` prints on standard error what
the package logs, which is what it reads, tries and writes.
"""

from __future__ import annotations

import functools
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO, TypeVar

import click

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from rich.console import RenderableType

NO_EDGE = 10_000
"""A width that nothing reaches."""
LONGEST_NAME = 20
PADDING, EDGE = 3, 1
"""What a table takes beside its cells: for each column, and once."""
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


@dataclass(frozen=True)
class Outputs:
    """Where a command's result goes: into files named beforehand, then onto standard output.

    Attributes
    ----------
    output : JSON file of ``-o``, if asked for
    plot : file of ``--plot``, if asked for
    replace : whether files that are there may be replaced
    as_json : whether the machine form is printed instead of tables
    """

    output: Path | None = None
    plot: Path | None = None
    replace: bool = False
    as_json: bool = False

    def refuse_existing(self, *files: Path | None, plots: Sequence[Path | None] = ()) -> None:
        """Refuse before the work what could not be written after it: ``-o``, ``--plot``, more `files` and `plots`.

        Raises
        ------
        TsfitError
            ``exists`` for a file that is there; ``wrong_file_type`` for a plot in a format that is not drawn.
        """
        from tsfit.base.files import refuse_existing
        from tsfit.plots.save import figure_kind

        drawn = (self.plot, *plots)
        for path in (self.output, *drawn, *files):
            refuse_existing(path, replace=self.replace)
        for path in drawn:
            if path is not None:
                figure_kind(path)

    def write_json(self, data: object) -> None:
        """Write `data` to the file of ``-o``, whole or not at all, if it was asked for."""
        if self.output is not None:
            from tsfit.base.files import to_json

            self.write_file(self.output, to_json(data))

    def write_plot(self, figure: Figure, path: Path | None = None) -> None:
        """Write `figure` to `path`, or to the file of ``--plot``, if it was asked for."""
        from tsfit.plots.save import save_figure

        if (named := path or self.plot) is not None:
            save_figure(named, figure, replace=self.replace)

    def write_file(self, path: Path, content: str | bytes) -> None:
        """Write another file, whole or not at all."""
        from tsfit.base.files import write_new

        write_new(path, content, replace=self.replace)

    def show(self, data: object, tables: Callable[[], None]) -> None:
        """Print `data` as JSON where that is asked for, else what `tables` prints; comes after all files."""
        if self.as_json:
            print_json(data)
        else:
            tables()


OPTIONS = {
    "output": click.option(
        "-o", "--output", type=click.Path(path_type=Path), metavar="FILE", help="Write the machine form to a JSON file."
    ),
    "plot": click.option(
        "--plot", type=click.Path(path_type=Path), metavar="FILE", help="Write the figure, as .png, .svg or .pdf."
    ),
    "replace": click.option("--replace", is_flag=True, help="Allow files that are there to be replaced."),
    "as_json": click.option("--json", "as_json", is_flag=True, help="Print the machine form instead of tables."),
}
"""Option for each field of `Outputs`."""


def with_outputs(*fields: str) -> Callable[[Callable[..., object]], Callable[..., object]]:
    """Add the options of some `fields` of `Outputs`, of all if left out; the command gets one argument, ``outputs``."""
    taken = fields or tuple(OPTIONS)

    def decorate(command: Callable[..., object]) -> Callable[..., object]:
        @functools.wraps(command)
        def run(*arguments: object, **options: Any) -> object:
            given = {field: options.pop(field) for field in taken}
            return command(*arguments, outputs=Outputs(**given), **options)

        decorated: Callable[..., object] = run
        for field in reversed(taken):
            decorated = OPTIONS[field](decorated)
        return decorated

    return decorate


def print_json(data: Any) -> None:
    """Print `data` as JSON on standard output."""
    from tsfit.base.files import to_json

    click.echo(to_json(data), nl=False)


def refuse_outputs(output: Path | None, plot: Path | None, *, replace: bool) -> None:
    """Refuse before the work the files that could not be written after it."""
    from tsfit.base.files import refuse_existing
    from tsfit.plots.save import figure_kind

    for path in (output, plot):
        refuse_existing(path, replace=replace)
    if plot is not None:
        figure_kind(plot)


def save_json(path: Path, data: Any, *, replace: bool) -> None:
    """Write `data` as a JSON file, whole or not at all."""
    from tsfit.base.files import to_json, write_new

    write_new(path, to_json(data), replace=replace)


def printable(text: str) -> str:
    """Return text from a file without control characters, so that a name cannot steer the terminal."""
    return re.sub(r"[\x00-\x1f\x7f-\x9f]", "�", text)


def columns(stream: TextIO | None = None) -> int:
    """Width to write in, on standard output if left out: what COLUMNS or the terminal says; a pipe or file has no edge."""
    told = os.environ.get("COLUMNS", "")
    if told.isdecimal() and int(told):
        return int(told)
    stream = stream or sys.stdout
    if not stream.isatty():
        return NO_EDGE
    try:
        return os.get_terminal_size(stream.fileno()).columns or shutil.get_terminal_size().columns
    except (OSError, ValueError):
        return shutil.get_terminal_size().columns


def wrapped(text: str, width: int, indent: str = "") -> str:
    """Break `text` between words, so that a file's name stays whole; lines after the first are indented."""
    if len(text) <= width:
        return text
    return textwrap.fill(text, max(width, 30), subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)


def with_how_much(command: click.Command) -> click.Command:
    """Give `command`, and all commands below it, ``--quiet`` and ``--verbose``, so that they may stand anywhere."""
    if any(option.name == "verbose" for option in command.params):
        return command
    for flag, help_text in (
        ("quiet", "Print results only: no hints, no progress."),
        ("verbose", "Say what is being done."),
    ):
        option = click.Option(
            [f"-{flag[0]}", f"--{flag}"], is_flag=True, expose_value=False, is_eager=True, callback=_said, help=help_text
        )
        command.params.append(option)
    if isinstance(command, click.Group):
        for inner in command.commands.values():
            with_how_much(inner)
    return command


def _said(context: click.Context, option: click.Parameter, value: bool) -> None:
    root = context.find_root()
    key = f"tsfit.{option.name}"
    if not value or root.meta.get(key):
        return
    root.meta[key] = True
    if option.name == "verbose":
        import logging

        class Plain(logging.Handler):
            def emit(self, record: logging.LogRecord) -> None:
                click.echo(printable(record.getMessage()), err=True)

        handler, log = Plain(), logging.getLogger("tsfit")
        log.addHandler(handler)
        log.setLevel(logging.INFO)

        def leave() -> None:
            log.removeHandler(handler)
            log.setLevel(logging.NOTSET)

        root.call_on_close(leave)
    if root.meta.get("tsfit.quiet") and root.meta.get("tsfit.verbose"):
        raise click.UsageError("--quiet and --verbose exclude each other; leave one away.")


def is_quiet() -> bool:
    """Whether only results are wanted."""
    context = click.get_current_context(silent=True)
    return context is not None and bool(context.find_root().meta.get("tsfit.quiet"))


def say(text: str) -> None:
    """Print one paragraph, wrapped where the terminal ends and indented as its beginning is."""
    text = printable(text)
    indent = " " * (len(text) - len(text.lstrip()) + 2 * text.lstrip().startswith("- "))
    click.echo(wrapped(text, columns(), indent))


def say_error(text: str) -> None:
    """Print on standard error what could not be done: wrapped on a terminal, else one line, which a program can read."""
    text = printable(f"tsfit: {text}")
    click.echo(wrapped(text, columns(sys.stderr)) if sys.stderr.isatty() else text, err=True)


def hint(text: str) -> None:
    """Print a paragraph that is no result: what a number means, what to do next; nothing when only results are wanted."""
    if not is_quiet():
        say(text)


def print_table(heads: Sequence[str], rows: Sequence[Sequence[str]], title: str | None = None, *, leading: int = 1) -> None:
    """Print a table; the first column is left-aligned, numbers right.

    Where the terminal is too narrow, words are wrapped, and then columns go into a further table with the `leading` ones
    repeated: no number is ever cut or broken.
    """
    from rich import box
    from rich.table import Table
    from rich.text import Text

    cells = [[printable(cell) for cell in row] for row in rows]
    numeric = [
        bool(index) and all(not row[index] or row[index][0] in "+-−0123456789±.[" for row in cells)
        for index in range(len(heads))
    ]
    widest = [max(map(len, (head, *(row[index] for row in cells)))) for index, head in enumerate(heads)]
    least = [
        _least(head, [row[index] for row in cells], whole=numeric[index] or (index == 0 and widest[0] <= LONGEST_NAME))
        for index, head in enumerate(heads)
    ]
    room = columns() - EDGE
    for number, group in enumerate(_groups(least, room, leading)):
        wide = _shared([widest[index] for index in group], [least[index] for index in group], room)
        named = None if title is None or number else Text(printable(title))
        table = Table(title=named, box=box.SIMPLE_HEAD, title_justify="left")
        for index, width in zip(group, wide, strict=True):
            table.add_column(
                Text(heads[index]), justify="right" if numeric[index] else "left", overflow="fold", width=width
            )
        for row in cells:
            table.add_row(*(Text(row[index]) for index in group))
        print_rendered(table)


def _least(head: str, cells: Sequence[str], *, whole: bool) -> int:
    """Width below which a column can not be read: numbers and short names stay whole, the rest is broken between words."""
    words = [word for text in ([head] if whole else [head, *cells]) for word in text.split()]
    return max([1, *map(len, cells if whole else ()), *map(len, words)])


def _groups(least: Sequence[int], width: int, leading: int) -> list[list[int]]:
    """Columns that fit beside each other, the leading ones at the beginning of each group."""
    groups = [list(range(leading))]
    for index in range(leading, len(least)):
        taken = sum(least[k] + PADDING for k in (*groups[-1], index))
        if taken > width and len(groups[-1]) > leading:
            groups.append(list(range(leading)))
        groups[-1].append(index)
    return groups


def _shared(widest: Sequence[int], least: Sequence[int], width: int) -> list[int]:
    """Widths of columns in a line of `width`: the widest give first."""
    shared = list(widest)
    while sum(shared) + PADDING * len(shared) > width:
        spare = [index for index in range(len(shared)) if shared[index] > least[index]]
        if not spare:
            break
        shared[max(spare, key=lambda index: shared[index])] -= 1
    return shared


def print_rendered(content: RenderableType, *, most_columns: int | None = None) -> None:
    """Print what rich renders, at most so many columns wide; a reader who has gone away is left to click, as elsewhere."""
    from rich.console import Console

    console = Console(highlight=False, width=min(columns(), most_columns or NO_EDGE), **_plain())
    with console.capture() as captured:
        console.print(content)
    click.echo("\n".join(line.rstrip() for line in captured.get().split("\n")), nl=False)


def _plain() -> dict[str, Any]:
    """Settings of a rich console that keep it from escape codes where they are not wanted."""
    return {"color_system": None} if no_colour() else {}


def no_colour() -> bool:
    """Whether the user wants no escape codes: NO_COLOR (no-color.org), or a terminal that knows none."""
    return bool(os.environ.get("NO_COLOR")) or os.environ.get("TERM") == "dumb"


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
