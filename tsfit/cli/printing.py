"""Words, tables, JSON and progress on the terminal: as wide as it is, without what could steer it, colour where wanted.

``--quiet`` leaves results alone, ``--verbose`` prints on standard error what is read, tried and written; how much is said
is kept in click's context, so that the flags may stand anywhere on a command line.
"""

from __future__ import annotations

import logging
import os
import re
import shlex
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import accumulate
from typing import TYPE_CHECKING, TextIO

import click

from tsfit.base.files import STEERING

if TYPE_CHECKING:
    from rich.console import RenderableType

    from tsfit.base.notes import Gathered, QualityNote

BOUND = "\N{NO-BREAK SPACE}"
NO_EDGE = 10_000
"""A width that nothing reaches."""
LONGEST_NAME = 20
MOST_NOTES, MOST_LINES, USUAL_COLUMNS = 3, 5, 80
"""Remarks that are printed where no more is asked for, and lines on a usual terminal within which those are that are no
warnings: which are told hangs on no width."""
PADDING, EDGE = 3, 1
"""What a table takes beside its cells: for each column, and once."""


def printable(text: str) -> str:
    """Return text from a file without control characters, so that a name cannot steer the terminal."""
    return STEERING.sub("�", text)


class Printable(logging.Formatter):
    """Lines of a log as `printable` text."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the message alone."""
        return printable(record.getMessage())


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
    """Break `text` between words, so that a file's name or a number with its unit and ± stays whole; lines after the first
    are indented.
    """
    if len(text) <= width:
        return text
    bound = re.sub(r"(?<=\d) (?=[±%°Ω]|[A-Za-zµ·/]{1,3}\b)|(?<=±) ", BOUND, text)
    lines = textwrap.fill(bound, max(width, 30), subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
    return lines.replace(BOUND, " ")


def _wanted(how: str) -> bool:
    context = click.get_current_context(silent=True)
    return context is not None and bool(context.find_root().meta.get(f"tsfit.{how}"))


def is_quiet() -> bool:
    """Whether only results are wanted."""
    return _wanted("quiet")


def is_full() -> bool:
    """Whether every table and digit is wanted."""
    return _wanted("full")


AFTER_TABLE = "tsfit.after_table"


def say(text: str) -> None:
    """Print one paragraph, wrapped where the terminal ends and indented as its beginning is; a table stands off from it."""
    text = printable(text)
    indent = " " * (len(text) - len(text.lstrip()) + 2 * text.lstrip().startswith("- "))
    context = click.get_current_context(silent=True)
    if context is not None and context.find_root().meta.pop(AFTER_TABLE, False):
        click.echo()
    click.echo(wrapped(text, columns(), indent))


def say_command(command: str) -> None:
    """Print a command to be pasted as it stands: where the terminal ends, a backslash joins its lines."""
    words = [shlex.quote(word).replace(" ", BOUND) for word in shlex.split(printable(command))]
    bound = re.sub(r"(?<= )(--\S+) (?!--)", rf"\1{BOUND}", " ".join(words))
    lines = textwrap.wrap(
        bound, max(columns() - 2, 30), initial_indent="  ", subsequent_indent="    ", break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip
    click.echo(" \\\n".join(lines).replace(BOUND, " "))


def say_error(text: str) -> None:
    """Print on standard error what could not be done: wrapped on a terminal, else one line, which a program can read."""
    text = printable(f"tsfit: {text}")
    click.echo(wrapped(text, columns(sys.stderr)) if sys.stderr.isatty() else text, err=True)


def hint(text: str) -> None:
    """Print a paragraph that is no result: what a number means, what to do next; nothing when only results are wanted."""
    if not is_quiet():
        say(text)


def print_notes(notes: Iterable[QualityNote], indent: str = "", most: int = MOST_NOTES, *, sweeps: int = 0) -> None:
    """Print remarks: the gravest `most` once each, with the ones of so many `sweeps` that they are about; all where more is
    wanted.

    Where only results are wanted there are none, and standard error says how many of them are warnings.
    """
    from tsfit.base.notes import gathered

    told = gathered(notes, sweeps)
    first = [each for each in told if each.matters]
    if is_quiet():
        warnings = sum(each.severity != "note" for each in told)
        if warnings:
            click.echo(f"{warnings} warning{'s'[: warnings > 1]} not shown; leave -q away to read.", err=True)
        return
    lines = [f"{indent}{each.severity}: {each.sentence}" for each in told]
    shown = told if is_full() or _wanted("verbose") else _few(first[:most], lines)
    for line in lines[: len(shown)]:
        say(line)
    if len(told) > len(shown):
        warnings = sum(each.severity != "note" for each in first[most:])
        of_them = f", {warnings} of them warnings" if warnings else ""
        context = click.get_current_context(silent=True)
        given = {} if context is None else context.params
        files = [f"{option} {given[name]}" for name, option in (("output", "-o"), ("plot", "--plot")) if given.get(name)]
        instead = f" in place of {' '.join(files)}" if files else ""
        many = f"{len(told) - len(shown)} more remark{'s'[: len(told) - len(shown) > 1]}"
        hint(f"{indent}{many}{of_them}: repeat the command with --full{instead}.")


def _few(told: Sequence[Gathered], lines: Sequence[str]) -> Sequence[Gathered]:
    """Return those remarks, the gravest of which come first, that leave the screen to the rest."""
    taken = list(accumulate(wrapped(line, USUAL_COLUMNS).count("\n") + 1 for line in lines))
    return [one for one, so_far in zip(told, taken, strict=False) if so_far <= MOST_LINES or one.severity != "note"]


def say_warnings(notes: Iterable[QualityNote]) -> None:
    """Say those remarks that are grave, before anything else."""
    for note in notes:
        if note.severity != "note":
            say(f"{note.severity}: {note.message}")


def print_json(data: object) -> None:
    """Print `data` as JSON on standard output."""
    from tsfit.base.files import to_json

    click.echo(to_json(data), nl=False)


def print_table(heads: Sequence[str], rows: Sequence[Sequence[str]], title: str | None = None, *, leading: int = 1) -> None:
    """Print a table; the first column is left-aligned, numbers right.

    Where the terminal is too narrow, words are wrapped, and then columns go into a further table with the `leading` ones
    repeated: no number is ever cut or broken.
    """
    from rich import box
    from rich.table import Table
    from rich.text import Text

    heads, *cells = ([printable(cell) for cell in row] for row in (heads, *rows))
    numeric = [
        bool(index) and all(not row[index] or row[index][0] in "+-−<0123456789±.[" for row in cells)
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
        click.echo()
        if title is not None and not number:
            click.echo(wrapped(printable(title), columns()))
        table = Table(box=box.SIMPLE_HEAD)
        for index, width in zip(group, wide, strict=True):
            table.add_column(
                Text(heads[index]), justify="right" if numeric[index] else "left", overflow="fold", width=width
            )
        for row in cells:
            table.add_row(*(Text(row[index]) for index in group))
        click.echo(_rendered(table).strip("\n"))
    if (context := click.get_current_context(silent=True)) is not None:
        context.find_root().meta[AFTER_TABLE] = True


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
    click.echo(_rendered(content, most_columns=most_columns), nl=False)


def _rendered(content: RenderableType, *, most_columns: int | None = None) -> str:
    from rich.console import Console

    console = Console(
        highlight=False, width=min(columns(), most_columns or NO_EDGE), color_system=None if no_colour() else "auto"
    )
    with console.capture() as captured:
        console.print(content, crop=False)
    return "\n".join(line.rstrip() for line in captured.get().split("\n"))


def no_colour() -> bool:
    """Whether the user wants no escape codes: NO_COLOR (no-color.org), or a terminal that knows none."""
    return bool(os.environ.get("NO_COLOR")) or os.environ.get("TERM") == "dumb"


def with_how_much(command: click.Command) -> click.Command:
    """Give `command`, and all commands below it, these flags, so that they may stand anywhere."""
    if any(option.name == "verbose" for option in command.params):
        return command
    for names, help_text in (
        (["--full"], "Print every table, digit and remark."),
        (["-q", "--quiet"], "Print results only: no hints, no progress."),
        (["-v", "--verbose"], "Say what is being done, and every remark."),
    ):
        option = click.Option(names, is_flag=True, expose_value=False, is_eager=True, callback=_said, help=help_text)
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
    if root.meta.get("tsfit.quiet") and root.meta.get("tsfit.verbose"):
        raise click.UsageError("--quiet and --verbose exclude each other; leave one away.")
    if option.name == "verbose":
        handler, log = logging.StreamHandler(), logging.getLogger("tsfit")
        handler.setFormatter(Printable())
        log.addHandler(handler)
        log.setLevel(logging.INFO)

        def leave() -> None:
            log.removeHandler(handler)
            log.setLevel(logging.NOTSET)

        root.call_on_close(leave)


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
