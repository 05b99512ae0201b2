"""How much is said: ``--quiet`` prints results alone, ``--verbose`` on standard error what is done, ``--full`` all tables.

It is kept in click's context, so that the flags may stand anywhere on a command line.
"""

import click

from tsfit.cli.printing import printable


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
