"""Groups of commands: one names the command closest to a misspelt one, one imports a command only to run it."""

import importlib
import os
import sys

import click

from tsfit.cli.commands import COMMANDS, STEPS
from tsfit.cli.numbers import with_numbers
from tsfit.cli.printing import with_how_much


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
            if args[0] == "help":
                remedy = f"{ctx.command_path} --help lists them."
            elif "." in args[0]:
                # A file where a command is wanted: which of them takes it, its help says.
                remedy = f"a file comes after one of {', '.join(known)}."
            raise click.UsageError(f"{args[0]!r} is not a command of {ctx.command_path}; {remedy}")
        return super().resolve_command(ctx, args)


class JobGroup(NamingGroup):
    """A group that knows its commands by name and imports one only to run it."""

    def invoke(self, ctx: click.Context) -> object:
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
        return with_how_much(with_numbers(command))

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands by the steps of the job, without importing them."""
        for step, names in STEPS.items():
            rows = [(name, COMMANDS[name][1]) for name in names if name in COMMANDS]
            if rows:
                with formatter.section(step):
                    formatter.write_dl(rows, col_max=12)
