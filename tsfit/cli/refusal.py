"""What could not be done, in one sentence on standard error, or as JSON on standard output."""

import contextlib
import os

from tsfit.base.errors import TsfitError
from tsfit.cli.printing import print_json, printable, say_error


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
