"""Where the program is entered: run the command asked for, and say in one sentence what could not be done."""

import errno
import io
import os
import sys

import click

from tsfit.base.errors import TsfitError
from tsfit.base.files import forget_written, written
from tsfit.cli.groups import JobGroup
from tsfit.cli.how_much import with_how_much
from tsfit.cli.refusal import by_the_system, refuse


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
    sys.exit(run(arguments))


def run(arguments: list[str]) -> int:
    """Run one command line and return its exit code: 0 (done), 1 (judged outside) or 2 (could not be done)."""
    forget_written()
    try:
        status = tsfit.main(args=arguments, prog_name="tsfit", standalone_mode=False)
        return status if isinstance(status, int) else 0
    except TsfitError as error:
        return refuse(error, arguments)
    except click.exceptions.Exit as leave:
        return leave.exit_code
    except click.Abort:
        kept = ", ".join(map(str, written()))
        said = f"what was written until then is kept: {kept}" if kept else "nothing was written"
        return refuse(TsfitError(f"Interrupted; {said}.", code="interrupted"), arguments)
    except click.ClickException as error:
        return refuse(TsfitError(" ".join(error.format_message().split()), code="usage"), arguments)
    except Exception as error:
        if os.environ.get("TSFIT_TRACEBACK"):
            raise
        if isinstance(error, OSError) and (error.filename is not None or error.errno == errno.ENOSPC):
            return refuse(by_the_system(error), arguments)
        cause = f"{type(error).__name__}: {error}"
        message = f"tsfit itself failed ({cause}); run again with TSFIT_TRACEBACK=1 and report what it prints."
        return refuse(TsfitError(" ".join(message.split()), code="internal"), arguments)
