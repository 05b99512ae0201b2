"""Where a command's result goes: files refused before the work and written after it, then standard output."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tsfit.cli.printing import hint, print_json

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PATH = click.Path(path_type=Path)
"""Type of arguments and options that name a file or folder."""
WRITTEN = "tsfit.written"


@dataclass(frozen=True)
class Outputs:
    """Where a command's result goes: into files named beforehand, then onto standard output; each field is an option."""

    output: Path | None = None
    plot: Path | None = None
    replace: bool = False
    as_json: bool = False

    @property
    def formed(self) -> bool:
        """Whether the machine form is asked for, in a file or printed."""
        return self.as_json or self.output is not None

    def refuse_existing(self, *files: Path | None, plots: Sequence[Path | None] = ()) -> None:
        """Refuse before the work what could not be written after it: ``-o``, ``--plot``, more `files` and `plots`.
        Raises ``exists`` for a file that is there; ``wrong_file_type`` for a plot in a format that is not drawn.
        """
        from tsfit.base.files import refuse_existing
        from tsfit.plots.save import plot_kind

        drawn = (self.plot, *plots)
        named = [path for path in (self.output, *drawn, *files) if path is not None]
        for each in named:
            refuse_existing(each, replace=self.replace)
        if len({path.resolve() for path in named}) < len(named):
            raise click.UsageError("Two results would go to one file; name another for one of them.")
        for path in drawn:
            if path is not None:
                plot_kind(path)

    def write_json(self, data: object) -> None:
        """Write `data` to the file of ``-o``, whole or not at all, if it was asked for."""
        if self.output is not None:
            from tsfit.base.files import to_json

            self.write_file(self.output, to_json(data))

    def write_plot(self, figure: Figure, path: Path | None = None) -> None:
        """Write `figure` to `path`, or to the file of ``--plot``, if it was asked for."""
        from tsfit.plots.save import save_plot

        if (named := path or self.plot) is not None:
            self.refuse_read(named)
            save_plot(named, figure, replace=self.replace)
            self.wrote(named)

    def write_file(self, path: Path, content: str | bytes) -> None:
        """Write another file, whole or not at all."""
        from tsfit.base.files import write_new

        self.refuse_read(path)
        write_new(path, content, replace=self.replace)
        self.wrote(path)

    def wrote(self, path: Path) -> None:
        """Have `show` name a file that was asked for and is there now."""
        if (context := click.get_current_context(silent=True)) is not None:
            context.find_root().meta.setdefault(WRITTEN, []).append(path)

    def refuse_read(self, path: Path) -> None:
        """Refuse what the command has read itself, also where files may be replaced."""
        from tsfit.base.files import refuse_read

        refuse_read(path)

    def show(self, data: object, tables: Callable[[], None]) -> None:
        """Print `data` as JSON where that is asked for, else what `tables` prints and which files there are; comes last."""
        if self.as_json:
            print_json(data)
        else:
            tables()
            context = click.get_current_context(silent=True)
            if context is not None and (files := context.find_root().meta.pop(WRITTEN, None)):
                hint(f"Written: {', '.join(map(str, files))}")


OPTIONS = {
    "output": click.option("-o", "--output", type=PATH, metavar="FILE", help="Write the machine form to a JSON file."),
    "plot": click.option("--plot", type=PATH, metavar="FILE", help="Write the plot, as .png, .svg or .pdf."),
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


def measured_options(*, several: bool = False) -> Callable[[Callable[..., object]], Callable[..., object]]:
    """Add --travel and --heat; of `several` drivers each may be given once for each."""
    of = "one of the drivers; may be repeated" if several else "the driver"

    def decorate(command: Callable[..., object]) -> Callable[..., object]:
        for flag in ("heat", "travel"):
            words = f"What 'tsfit {flag}' wrote of {of}."
            command = click.option(f"--{flag}", type=PATH, multiple=several, metavar="FILE", help=words)(command)
        return command

    return decorate


sheets_option = click.option(
    "--sheet",
    "sheets",
    type=PATH,
    multiple=True,
    help="Sheet from which a fit takes its rated power and travel, in the order of drivers.",
)
