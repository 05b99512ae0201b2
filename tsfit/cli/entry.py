"""Where the program is entered: run the command asked for, and say in one sentence what could not be done."""

import contextlib
import errno
import io
import logging
import os
import sys
import warnings
from typing import NoReturn

import click

from tsfit.base.errors import TsfitError
from tsfit.base.files import forget_written, written
from tsfit.cli.groups import JobGroup
from tsfit.cli.printing import Printable, print_json, printable, say_error, with_how_much


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


def main(arguments: list[str] | None = None) -> NoReturn:
    """Run the command line and leave with 0 (done), 1 (judged outside) or 2 (could not be done)."""
    arguments = sys.argv[1:] if arguments is None else arguments
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    # Libraries may quote a name that a file gives.
    warnings.formatwarning = lambda message, *_, **__: printable(f"tsfit: {message}") + "\n"
    if logging.lastResort is not None:
        logging.lastResort.setFormatter(Printable())
    # All matrices here are small: threads of the linear algebra would only wait for each other.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(_delivered(run(arguments), arguments))


def _delivered(status: int, arguments: list[str]) -> int:
    """Exit code once all output has left, of which Python keeps some until the end."""
    try:
        sys.stdout.flush()
    except OSError as error:
        # What is kept would be tried again as the interpreter ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 2 if status == 2 or isinstance(error, BrokenPipeError) else refuse(by_the_system(error), arguments)
    return status


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
    except (click.Abort, KeyboardInterrupt) as abort:
        kept = ", ".join(map(str, written()))
        said = f"what was written until then is kept: {kept}" if kept else "nothing was written"
        how = getattr(abort, "how", "")
        what = "The input ended where an answer was wanted" if _input_ended(abort) else "Interrupted"
        if _declined(abort):
            what = "Stopped, as answered"
        return refuse(TsfitError(f"{what}; {said}. {how}".strip(), code="interrupted"), arguments)
    except click.ClickException as error:
        return refuse(TsfitError(_with_usage(error), code="usage"), arguments)
    except Exception as error:
        if os.environ.get("TSFIT_TRACEBACK"):
            raise
        if isinstance(error, OSError) and (error.filename is not None or error.errno == errno.ENOSPC):
            return refuse(by_the_system(error), arguments)
        cause = f"{type(error).__name__}: {error}"
        message = f"tsfit itself failed ({cause}); run again with TSFIT_TRACEBACK=1 and report what it prints."
        return refuse(TsfitError(" ".join(message.split()), code="internal"), arguments)


def _input_ended(abort: BaseException | None) -> bool:
    """Whether nobody stopped the command: a prompt found the end of its input, which click tells as the same."""
    while abort is not None and not isinstance(abort, EOFError):
        abort = abort.__context__
    return abort is not None


def _declined(abort: BaseException) -> bool:
    """Whether nobody broke anything off: a question was answered with no, which click tells as the same."""
    while abort.__context__ is not None:
        abort = abort.__context__
    return type(abort) is click.Abort


def _with_usage(error: click.ClickException) -> str:
    """What is wrong with a command line; where click says so, which knows no remedy, followed by how the line goes."""
    said = " ".join(error.format_message().split())
    own = isinstance(error, click.NoSuchOption | click.MissingParameter) or said.startswith("Got unexpected extra")
    context = error.ctx if isinstance(error, click.UsageError) else None
    if isinstance(error, click.NoSuchOption) and error.option_name == "--replace" and context is not None:
        return f"{context.command_path} replaces nothing, so that no recording is lost; name another file."
    if not own or context is None or "Did you mean" in said:
        return said
    line = " ".join(context.command.get_usage(context).removeprefix("Usage:").split())
    return f"{said.rstrip('.')}. It goes: {line} ({context.command_path} --help)."


def by_the_system(error: OSError) -> TsfitError:
    """Say what the system answered: a name too long to look up, a folder closed to the user, no room for the output."""
    if error.filename is None:
        return TsfitError(f"standard output: {error.strerror}; make room or send it elsewhere.", code="cannot_write")
    name = os.fsdecode(error.filename)
    return TsfitError(f"{name}: {error.strerror}; name another file or folder.", code="cannot_read", file=name)


def refuse(error: TsfitError, arguments: list[str]) -> int:
    """Tell `error`, naming the file that was probably meant, and return the exit code 2."""
    error = _with_near_name(error)
    error = TsfitError(printable(error.message), code=error.code, file=error.file)
    with contextlib.suppress(OSError):  # there may be no room for the output, nor a reader
        if "--json" in arguments:
            print_json({"error": vars(error)})
            sys.stdout.flush()
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
    near = [
        name
        for name in difflib.get_close_matches(path.name, there, n=3, cutoff=0.7)
        # Of a short name the ending alone would do.
        if difflib.SequenceMatcher(None, path.stem.lower(), Path(name).stem.lower()).ratio() >= 0.6
    ]
    if not near:
        return error
    message = f"{error.message.removesuffix('.')} (there is {str(path.with_name(near[0]))!r})."
    return TsfitError(message, code=error.code, file=error.file)
