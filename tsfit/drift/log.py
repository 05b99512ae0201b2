"""The log of one driver: one line of JSON an entry, only ever added to.

::

    {"crc32":"5f3a09c1","entry":{"schema":1,"hours":12.0,"added":"2026-03-01T10:00:00+00:00","driver":{…},…}}

The checksum is over the text of the entry as it stands in the line. Who adds holds a lock, writes the line in one go and
flushes it to the disk, so that entries of two processes never mix and a killed one leaves a damaged last line at worst.
The next to add moves such a line to ``LOG.damaged`` and says so; readers leave it out and say so.
"""

import os
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from tsfit.base.errors import TsfitError
from tsfit.base.files import read_bytes, refuse_special, unreadable, unwritable, watch
from tsfit.base.notes import QualityNote
from tsfit.drift.entry import SCHEMA, Entry, differences, once
from tsfit.formats.foreign import reads

LARGEST_BYTES = 1_000_000_000
LOCK_SECONDS = 60.0
"""How long to wait for another process that is adding."""
_HEAD, _MIDDLE, _TAIL = b'{"crc32":"', b'","entry":', b"}"
_START = len(_HEAD) + 8 + len(_MIDDLE)


@dataclass(frozen=True)
class Log:
    """What a log holds: the readable entries in the order in which they were added, and remarks on what is not readable."""

    path: Path
    entries: tuple[Entry, ...]
    notes: tuple[QualityNote, ...]


@reads("drift log")
def read_log(path: Path) -> Log:
    """Read a log, damaged lines remarked. Raises TsfitError ``missing_file``, ``not_a_log``, ``newer_schema``."""
    try:
        data = read_bytes(
            path, LARGEST_BYTES, "too large for a drift log; name one that 'tsfit drift add' wrote.", "not_a_log"
        )
    except OSError as error:
        raise unreadable(path, error, "name a log that 'tsfit drift add' wrote") from error
    entries, bad = [], []
    for number, (start, stop) in enumerate(_lines(data), 1):
        entry = _entry(path, data, start, stop)
        if entry is not None:
            entries.append(entry)
        elif stop > start:
            bad.append(number)
    if not entries and data.strip():
        raise _no_log(path)
    notes = tuple(
        QualityNote("damaged_line", "warn", f"Line {number} of {path.name} is damaged and left out; add that fit again.")
        for number in bad
    )
    return Log(path, tuple(entries), notes)


def _refuse_other(path: Path) -> None:
    """Refuse a file that holds no entry at its beginning before a lock is laid beside it."""
    try:
        with path.open("rb") as stream:
            begins = stream.read(1_000_000)
    except FileNotFoundError:
        return
    except OSError as error:
        raise unreadable(path, error, "name a log that 'tsfit drift add' wrote, or a new file") from error
    if begins.strip() and _HEAD not in begins:
        raise _no_log(path)


def _no_log(path: Path) -> TsfitError:
    message = f"{path}: not a drift log; name one that 'tsfit drift add' wrote, or a new file."
    return TsfitError(message, code="not_a_log", file=path)


def _lines(data: bytes) -> Iterator[tuple[int, int]]:
    """First byte and end of each line, without copying it."""
    start = 0
    while start < len(data):
        stop = data.find(b"\n", start)
        stop = len(data) if stop < 0 else stop
        yield start, stop
        start = stop + 1


@cache
def _form() -> TypeAdapter[Entry]:
    return TypeAdapter(Entry)


def _entry(path: Path, data: bytes, start: int, stop: int) -> Entry | None:
    """Read the entry in ``data[start:stop]``; None when that is damaged."""
    head = data[start : start + _START]
    text = data[start + _START : stop - len(_TAIL)]
    whole = head.startswith(_HEAD) and head.endswith(_MIDDLE) and data[stop - len(_TAIL) : stop] == _TAIL
    if not whole or head[len(_HEAD) : -len(_MIDDLE)] != b"%08x" % zlib.crc32(text):
        return None
    try:
        entry = _form().validate_json(text)
    except ValidationError:
        entry = None
    if entry is None or entry.schema > SCHEMA:
        message = f"{path}: holds entries of a form that this tsfit does not know; use a newer tsfit."
        raise TsfitError(message, code="newer_schema", file=path)
    return entry


@reads("drift log")
def add_entry(path: Path, entry: Entry) -> Log:
    """Add `entry` to the log at `path`, which is made where it is missing, and return the log as it stands then.

    It has remarks on what had to be set aside and on what is unlike the entries before.

    Raises TsfitError ``other_driver``, ``other_wiring``, ``already_logged``, ``busy``, ``cannot_write``; as `read_log`.
    """
    import filelock

    # The lock would make the folder.
    if not path.parent.is_dir():
        raise unwritable(path, "no such folder")
    refuse_special(path)  # a pipe or device, which would be waited for
    _refuse_other(path)
    try:
        with filelock.FileLock(f"{os.path.realpath(path)}.lock", timeout=LOCK_SECONDS):
            aside = _set_damage_aside(path) if path.exists() else ()
            before = read_log(path) if path.exists() else Log(path, (), ())
            notes = _unlike(path, before.entries, entry)
            _append(path, line_of(entry))
    except filelock.Timeout:
        message = f"{path}: another program has been adding to it for {LOCK_SECONDS:g} s; end that and add again."
        raise TsfitError(message, code="busy", file=path) from None
    except OSError as error:
        raise unwritable(path, error.strerror or str(error)) from error
    entries = (*before.entries, entry)
    return Log(path, entries, (*aside, *before.notes, *notes, *once(entries)[1]))


def line_of(entry: Entry) -> bytes:
    """Return the line that holds `entry`, its end included."""
    text = _form().dump_json(entry)
    return b'{"crc32":"%08x","entry":%b}\n' % (zlib.crc32(text), text)


def _append(path: Path, line: bytes) -> None:
    new = not path.exists()
    watch(path)
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0), 0o666)
    try:
        length = os.fstat(handle).st_size
        try:
            left = memoryview(line)
            while left:
                left = left[os.write(handle, left) :]
            os.fsync(handle)
        except OSError:
            os.ftruncate(handle, length)
            raise
    finally:
        os.close(handle)
    if new and os.name == "posix":
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _set_damage_aside(path: Path) -> tuple[QualityNote, ...]:
    """Move what a killed writer left after the last whole line to the side file; a whole line without its end gets it."""
    data = path.read_bytes()
    kept = data.rfind(b"\n") + 1
    rest = data[kept:]
    if not rest:
        return ()
    if _entry(path, data, kept, len(data)) is not None:
        _append(path, b"\n")
        return ()
    begun = rest.startswith(_HEAD[: len(rest)])
    if not (any(_entry(path, data, *line) for line in _lines(data[:kept])) if kept else begun):
        raise _no_log(path)
    aside = path.with_name(f"{path.name}.damaged")
    _append(aside, rest + b"\n")
    with path.open("r+b") as stream:
        stream.truncate(kept)
        os.fsync(stream.fileno())
    message = (
        f"The last line of {path.name} was damaged ({len(rest)} bytes) and moved to {aside.name}, the rest kept; add that "
        "fit again."
    )
    return (QualityNote("damaged_line", "warn", message),)


def _unlike(path: Path, entries: tuple[Entry, ...], entry: Entry) -> list[QualityNote]:
    """Refuse what does not belong into the log; remark what cannot be compared without more ado."""
    if not entries:
        return []
    first = entries[0]
    for what, one, other in (
        ("driver", first.driver.name, entry.driver.name),
        ("serial", first.driver.serial, entry.driver.serial),
        ("wiring", first.driver.wiring, entry.driver.wiring),
    ):
        if one != other:
            message = (
                f"{path}: is the log of {what} {one or 'not stated'}, and the fit's is {other or 'not stated'}; "
                "start a log of its own, or correct the bench file and fit again."
            )
            raise TsfitError(message, code="other_wiring" if what == "wiring" else "other_driver", file=path)
    mine = entry.source("fit").get("sha256")
    for number, known in enumerate(entries, 1):
        if mine is not None and mine == known.source("fit").get("sha256") and known.hours == entry.hours:
            message = f"{path}: already holds this fit at {entry.hours:g} h, as entry {number}; nothing was added."
            raise TsfitError(message, code="already_logged", file=path)
    return differences(first, entry)
