"""The command line: each command parses, calls one function, prints. Nothing is computed here.

Commands are loaded when they are called, so that ``tsfit --help`` is immediate.
"""

from __future__ import annotations

import contextlib
import errno
import importlib
import io
import os
import sys
from typing import Any

import click

from tsfit.base.errors import TsfitError
from tsfit.cli.output import with_how_much

COMMANDS: dict[str, tuple[str, str]] = {
    "devices": ("tsfit.cli.devices:devices", "List the sound devices that can run a rig."),
    "rig": ("tsfit.cli.rig:rig", "Check a rig, calibrate it, and prove the calibration."),
    "sweep": ("tsfit.cli.sweep:sweep", "Record one state of a driver on a rig."),
    "fit": ("tsfit.cli.fit.command:fit", "Turn all sweeps of one driver into parameters with uncertainty."),
    "check": ("tsfit.cli.check:check", "Judge a published datasheet against a fit."),
    "drift": ("tsfit.cli.drift:drift", "Log a driver's fits; see what its hours of use moved."),
    "box": ("tsfit.cli.box.group:box", "Plan, equalise, draw and verify a box for a driver."),
    "compare": ("tsfit.cli.compare:compare", "Compare drivers in the same boxes: which, where, how sure."),
    "report": ("tsfit.cli.report:report", "Make one page of fits, checks, boxes, comparisons and logs."),
    "start": ("tsfit.cli.start:start", "Make a new bench folder with files to fill in."),
    "guide": ("tsfit.cli.guide:guide", "Read a short guide to a choice at the bench."),
    "completion": ("tsfit.cli.completion:completion", "Print what makes your shell complete tsfit's words."),
    "demo": ("tsfit.cli.demo:demo", "Play the whole job on the sample data; needs no hardware."),
}
"""Where each command lives and its line in the overview, in the order of the job."""


STEPS: dict[str, tuple[str, ...]] = {
    "Measure": ("devices", "rig", "sweep", "fit"),
    "Judge": ("check", "drift"),
    "Decide": ("box", "compare"),
    "Show": ("report",),
    "Get used to it": ("demo", "start", "guide", "completion"),
}
"""Steps of the job, under which the overview lists its commands."""


class NamingGroup(click.Group):
    """A group that answers a misspelt command with the closest one it has, and a bare call with its help."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Print the help when nothing is asked for."""
        if not args and not ctx.resilient_parsing:
            click.echo(ctx.get_help())
            ctx.exit()
        return super().parse_args(ctx, args)

    def resolve_command(self, ctx: click.Context, args: list[str]) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command, or name the closest one."""
        known = self.list_commands(ctx)
        if args and not args[0].startswith("-") and args[0] not in known:
            import difflib

            close = difflib.get_close_matches(args[0], known, n=1, cutoff=0.5)
            remedy = f"did you mean {close[0]!r}?" if close else f"use one of {', '.join(known)}."
            raise click.UsageError(f"{args[0]!r} is not a command of {ctx.command_path}; {remedy}")
        return super().resolve_command(ctx, args)


class JobGroup(NamingGroup):
    """A group that knows its commands by name and imports one only to run it."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run, and leave with 2 when nobody reads to the end: 1, which click gives then, is a verdict here, and so is 0."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            ctx.exit(2)

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands in the order of the job."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the command asked for."""
        if cmd_name not in COMMANDS:
            return None
        module, _, attribute = COMMANDS[cmd_name][0].partition(":")
        command: click.Command = getattr(importlib.import_module(module), attribute)
        return with_how_much(command)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands by the steps of the job, without importing them."""
        for step, names in STEPS.items():
            rows = [(name, COMMANDS[name][1]) for name in names if name in COMMANDS]
            if rows:
                with formatter.section(step):
                    formatter.write_dl(rows, col_max=12)


def _version(ctx: click.Context, _parameter: click.Parameter, value: bool) -> None:
    if value and not ctx.resilient_parsing:
        from importlib.metadata import version

        click.echo(f"tsfit {version('tsfit')}")
        ctx.exit()


@click.group(cls=JobGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--version", is_flag=True, expose_value=False, is_eager=True, callback=_version, help="Print the version.")
def tsfit() -> None:
    """Measure a low-frequency driver, judge its datasheet, choose its box.

    \b
    Example:
      tsfit demo
      tsfit fit bench.toml -o fit.json
      tsfit check fit.json sheet.toml
      tsfit box closed fit.json --qtc 0.707
    """  # noqa: D301


with_how_much(tsfit)


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and leave with 0 (done), 1 (judged outside) or 2 (could not be done)."""
    arguments = sys.argv[1:] if arguments is None else arguments
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    # All matrices here are small: threads of the linear algebra would only wait for each other.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(_run(arguments))


def _run(arguments: list[str]) -> int:
    try:
        status = tsfit.main(args=arguments, prog_name="tsfit", standalone_mode=False)
        return status if isinstance(status, int) else 0
    except TsfitError as error:
        return _refuse(error, arguments)
    except click.exceptions.Exit as leave:
        return leave.exit_code
    except click.Abort:
        return _refuse(TsfitError("Interrupted; nothing was written.", code="interrupted"), arguments)
    except click.ClickException as error:
        return _refuse(TsfitError(" ".join(error.format_message().split()), code="usage"), arguments)
    except Exception as error:
        if os.environ.get("TSFIT_TRACEBACK"):
            raise
        if isinstance(error, OSError) and (error.filename is not None or error.errno == errno.ENOSPC):
            return _refuse(_by_the_system(error), arguments)
        cause = f"{type(error).__name__}: {error}"
        message = f"tsfit itself failed ({cause}); run again with TSFIT_TRACEBACK=1 and report what it prints."
        return _refuse(TsfitError(" ".join(message.split()), code="internal"), arguments)


def _by_the_system(error: OSError) -> TsfitError:
    """Say what the system answered: a name too long to look up, a folder closed to the user, no room for the output."""
    if error.filename is None:
        return TsfitError(f"standard output: {error.strerror}; make room or send it elsewhere.", code="cannot_write")
    name = os.fsdecode(error.filename)
    return TsfitError(f"{name}: {error.strerror}; name another file or folder.", code="cannot_read", file=name)


def _refuse(error: TsfitError, arguments: list[str]) -> int:
    from tsfit.cli.output import printable, say_error

    error = _with_near_name(error)
    error = TsfitError(printable(error.message), code=error.code, file=error.file)
    with contextlib.suppress(OSError):  # there may be no room for the output, nor a reader
        if "--json" in arguments:
            click.echo(_json(error.to_dict()), nl=False)
            return 2
    with contextlib.suppress(OSError):
        say_error(error.message)
    return 2


def _with_near_name(error: TsfitError) -> TsfitError:
    """Name the file that was probably meant, when the one asked for is not there."""
    import difflib
    from pathlib import Path

    path = None if error.file is None else Path(error.file)
    if path is None or error.code not in {"missing_file", "cannot_read"}:
        return error
    try:
        there = [] if path.exists() else [entry.name for entry in path.parent.iterdir()]
    except OSError:
        return error
    near = difflib.get_close_matches(path.name, there, n=1, cutoff=0.7)
    if not near:
        return error
    message = f"{error.message.removesuffix('.')} (there is {str(path.with_name(near[0]))!r})."
    return TsfitError(message, code=error.code, file=error.file)


def _json(data: Any) -> str:
    from tsfit.base.files import to_json

    return to_json(data)
