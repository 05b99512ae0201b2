"""Read no more than is sensible; write files whole or not at all, and never over something that is there."""

import contextlib
import errno
import hashlib
import json
import logging
import os
import platform
import re
import stat
import tempfile
import time
import zlib
from pathlib import Path
from typing import BinaryIO

from tsfit.base.errors import TsfitError
from tsfit.base.forms import plain

log = logging.getLogger(__name__)
STEERING = re.compile("[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]")
"""Characters that steer a terminal or turn the direction of text (ECMA-48; Unicode Standard Annex 9)."""
RECORDINGS = (b"RIFF", b"RF64", b"fLaC", b"FORM", b"OggS", b"caff")
"""How the containers of sound begin: what was recorded cannot be made again by a command."""
UNFINISHED = ".tsfit-"
"""How the names of files begin that are being written: then machine, process, and a name of their own."""


def packaged(name: str, mark: str) -> Path:
    """Return the folder `name` of data that holds `mark`: inside an installed package, or beside it in a checkout.

    Raises TsfitError ``missing_file`` when the installation lacks it.
    """
    here = Path(__file__).parents[1]
    for folder in (here / name, here.parent / name):
        if (folder / mark).is_file():
            return folder
    message = f"{here}: {name} is missing from this installation; install tsfit again from a complete copy."
    raise TsfitError(message, code="missing_file", file=here)


def opened(path: Path) -> BinaryIO:
    """Open a file to be read. OSError when it cannot be, also by a name that no file can have, as one with a NUL."""
    try:
        return path.open("rb")
    except ValueError as error:
        raise OSError(errno.EINVAL, f"no file can be named so: {error}", str(path)) from error


def read_bytes(path: Path, most: int, too_large: str, code: str) -> bytes:
    """Read a file of at most `most` bytes; one that tells no size, such as a pipe or a device, is read no further either.

    Raises TsfitError `code`, saying `too_large` of the path. OSError when it cannot be read.
    """
    with opened(path) as stream:
        data = stream.read(most + 1)
    has_read(path)
    if len(data) > most:
        raise TsfitError(f"{path}: {too_large}", code=code, file=path)
    log.info("read %s, %d bytes", path, len(data))
    return data


def unreadable(path: Path, error: OSError, remedy: str) -> TsfitError:
    """Return the refusal of a file that cannot be read: ``missing_file``."""
    return TsfitError(f"{path}: cannot be read ({error.strerror or error}); {remedy}.", code="missing_file", file=path)


def write_new(path: Path, content: str | bytes, *, replace: bool = False) -> None:
    """Write `content` beside `path`, flush it, then give it its name; a link is written through, never replaced.

    Raises TsfitError ``exists`` when `path` is there and `replace` is not set; ``cannot_write`` when the folder is
    missing, read-only or full, or the path is a device, a pipe or a folder.
    """
    data, named = content.encode() if isinstance(content, str) else content, path
    watch(path)
    path = _whole_file(path, replace=replace)
    _refuse_recording(path)
    try:
        _clear_up(path.parent)
        handle, beside = tempfile.mkstemp(prefix=f"{UNFINISHED}{_host()}-{os.getpid()}-", dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            umask = os.umask(0)
            os.umask(umask)
            Path(beside).chmod(0o666 & ~umask)
            if replace:
                Path(beside).replace(path)
            else:
                name_once(beside, path)
        finally:
            Path(beside).unlink(missing_ok=True)
    except FileExistsError as error:
        raise _exists(path) from error
    except OSError as error:
        raise unwritable(path, error.strerror or str(error)) from error
    log.info("wrote %s, %d bytes", named, len(data))


_before: dict[Path, tuple[int, int, int] | None] = {}
_read: set[tuple[int, int]] = set()


def watch(*paths: Path) -> None:
    """Remember how `paths` are before they are written to."""
    for path in paths:
        _before.setdefault(path, _state(path))


def forget_written() -> None:
    """Begin anew: what is read and written from now on counts."""
    _before.clear()
    _read.clear()


def has_read(path: Path) -> None:
    """Remember that this file gave what is being worked on."""
    found = path.stat()
    _read.add((found.st_dev, found.st_ino))


def read_so_far() -> frozenset[tuple[int, int]]:
    """Return what `has_read` remembers, for the process that this one works for."""
    return frozenset(_read)


def have_read(found: frozenset[tuple[int, int]]) -> None:
    """Remember what another process has read for what is being worked on."""
    _read.update(found)


def refuse_read(path: Path) -> None:
    """Refuse to write over what the same command has read, whatever is asked for. Raises ``exists``."""
    with contextlib.suppress(OSError):
        found = path.stat()
        if (found.st_dev, found.st_ino) in _read:
            message = f"{path}: was read for this result and is left as it is; write to another file."
            raise TsfitError(message, code="exists", file=path)


def written() -> list[Path]:
    """Return which of the watched files are there and not as they were."""
    return [path for path, state in _before.items() if _state(path) not in (None, state)]


def _state(path: Path) -> tuple[int, int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_ino, found.st_size, found.st_mtime_ns


def _host() -> str:
    return f"{zlib.crc32(platform.node().encode()):08x}"


def _clear_up(folder: Path) -> None:
    """Remove what writers that were killed on this machine left unfinished in `folder`."""
    for left in folder.glob(f"{UNFINISHED}{_host()}-*"):
        writer = left.name.split("-")[2]
        if writer.isdigit() and not _alive(int(writer), left):
            with contextlib.suppress(OSError):
                left.unlink()


def _alive(process: int, file: Path) -> bool:
    if os.name == "nt":
        # Asking for a process by a signal would end it there; no file takes an hour to write.
        return time.time() - file.stat().st_mtime < 3600.0
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def refuse_existing(path: Path | None, *, replace: bool | None = False) -> None:
    """Refuse before the work what `write_new` would refuse after it; `replace` is None where nobody can ask for it."""
    if path is not None:
        _whole_file(path, replace=replace)
        _refuse_recording(path)


def refuse_special(path: Path) -> None:
    """Refuse to add to what is a folder, a device or a pipe. Raises TsfitError ``cannot_write``."""
    _whole_file(path, replace=True)


def _whole_file(path: Path, *, replace: bool | None) -> Path:
    """Where `path` leads if it is to be written whole; raises as `write_new` does for what is there."""
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        # A link into nothing is a name that is taken.
        if path.is_symlink() and not replace:
            raise _exists(path, offered=replace is not None) from None
        return Path(os.path.realpath(path))
    except OSError as error:
        raise unwritable(path, error.strerror or str(error)) from error
    if not stat.S_ISREG(mode):
        message = f"{path}: is a {'folder' if stat.S_ISDIR(mode) else 'device or pipe'}, not a file; name a file."
        raise TsfitError(message, code="cannot_write", file=path)
    if not replace:
        raise _exists(path, offered=replace is not None)
    return Path(os.path.realpath(path))


def _refuse_recording(path: Path) -> None:
    """Refuse to replace a file that holds sound."""
    with contextlib.suppress(OSError), path.open("rb") as stream:
        if stream.read(4) in RECORDINGS:
            message = f"{path}: is a recording, which no result replaces; write to another file."
            raise TsfitError(message, code="exists", file=path)


def unwritable(path: Path, reason: str) -> TsfitError:
    """Return the refusal of a file that cannot be written: ``cannot_write``."""
    message = f"{path}: cannot be written ({reason}); name a folder that exists and has room."
    return TsfitError(message, code="cannot_write", file=path)


def _exists(path: Path, *, offered: bool = True) -> TsfitError:
    remedy = "name another file or add --replace" if offered else "choose another name or move it away"
    message = f"{path}: already there and left as it is; {remedy}."
    return TsfitError(message, code="exists", file=path)


def name_once(beside: str | Path, path: Path) -> None:
    """Give the finished file its name unless the name is taken, also on file systems without hard links."""
    try:
        os.link(beside, path)
    except FileExistsError:
        raise
    except OSError:
        if path.exists():
            raise FileExistsError(path) from None
        Path(beside).replace(path)


def sha256(path: Path) -> str:
    """SHA-256 of a file, hexadecimal, for provenance."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def to_json(data: object) -> str:
    """Return `data`, a record or what records hold, as JSON text (`tsfit.base.forms.plain`).

    What JSON would let pass as it is and terminals obey (`STEERING`) is escaped.
    """
    text = json.dumps(plain(data), indent=2, ensure_ascii=False, allow_nan=False)
    # All of its many new lines are its own.
    return re.sub(f"(?!\n){STEERING.pattern}", lambda found: f"\\u{ord(found[0]):04x}", text) + "\n"


def is_json(path: Path) -> bool:
    """Tell whether `path` holds JSON (what the program writes) rather than TOML (what a person writes), by content or name.

    Raises TsfitError ``missing_file`` when it cannot be read.
    """
    try:
        with opened(path) as stream:
            start = stream.read(64)
    except OSError as error:
        raise unreadable(path, error, "name an existing file") from error
    return start.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"{") or path.suffix.lower() == ".json"
