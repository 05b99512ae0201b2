"""A file given where another kind belongs is told by what it is, and which command takes it.

Kinds are told by what is in a file, its name counts only for curves in text. One that is like no kind, or like the one
that is wanted but with a fault in it, keeps the sentence of its reader.
"""

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import wraps
from pathlib import Path
from typing import Concatenate, ParamSpec, TypeVar

from tsfit.base.errors import TsfitError
from tsfit.base.files import RECORDINGS

HEAD_BYTES = 1_000_000
"""So much of a file tells its kind; what a person writes is no longer."""
LEAST_ROWS = 5

Given = ParamSpec("Given")
Read = TypeVar("Read")


@dataclass(frozen=True)
class FileKind:
    """A kind of file: what it is, and who takes it."""

    what: str
    taken: str


BENCH = "name it in a bench file for tsfit fit (tsfit guide files)"
KINDS: Mapping[str, FileKind] = {
    "rig": FileKind("a rig file", "tsfit rig and tsfit sweep take it"),
    "bench": FileKind("a bench file", "tsfit fit takes it, and tsfit travel or tsfit heat"),
    "sheet": FileKind("a datasheet", "tsfit check takes it, and tsfit box or tsfit compare"),
    "driver": FileKind("a driver file", "tsfit box, tsfit compare and tsfit try take it"),
    "box": FileKind("a box file", "tsfit box show takes it, and --box of other commands"),
    "rule": FileKind("a file of tolerances", "tsfit check takes it with --rules"),
    "equaliser": FileKind("a file of an equaliser's sections", "tsfit box equalise takes it"),
    "conditions": FileKind("the conditions beside a recording", BENCH.replace("it", "the recording", 1)),
    "fit": FileKind("a fit", "tsfit check, tsfit box, tsfit compare, tsfit drift add and tsfit report take it"),
    "travel": FileKind("a result of tsfit travel", "--travel and tsfit report take it"),
    "heat": FileKind("a result of tsfit heat", "--heat and tsfit report take it"),
    "drift log": FileKind("a drift log", "tsfit drift and tsfit report take it"),
    "result": FileKind("a result", "tsfit report takes it"),
    "JSON": FileKind("JSON, as tsfit writes its results", "scripts read it"),
    "recording": FileKind("a recording", BENCH),
    "curve": FileKind("an impedance curve", "tsfit fit takes it, and tsfit box verify"),
    "picture": FileKind("a picture", "a picture viewer shows it"),
    "page": FileKind("a page", "a browser shows it"),
}
WANTED: Mapping[str, str] = {
    "sheet": "datasheet",
    "rule": "file of tolerances",
    "equaliser": "file of sections",
    "curve": "impedance curve",
    "fit": "fit",
    "driver": "fit, datasheet or driver file",
    "result": "result",
    "travel": "result of tsfit travel",
    "heat": "result of tsfit heat",
    "drift log": "drift log",
}
"""What belongs in a place, where it is no "… file"."""
_BEGINNINGS = {
    **dict.fromkeys(RECORDINGS, "recording"),
    b"\x89PNG": "picture", b"\xff\xd8\xff": "picture", b"%PDF": "picture", b"<?xml": "picture", b"<svg": "picture",
    b"<!doctype html": "page", b'{"crc32":': "drift log",
}  # fmt: skip
_KIND = re.compile(rb'"kind"\s*:\s*"([\w ]+)"')
_WRITTEN_BY = {
    "check": "check", "lot": "check", "box": "box", "comparison": "compare", "boards": "box panels",
    "equaliser": "box equalise", "built box": "box verify",
}  # fmt: skip
"""Which command writes the results, beside fits, travel and heat, that a page is made from."""
_BOXES = ("closed", "vented", "passive", "baffle", "bandpass")


def _is_text(tables: Mapping[str, object], key: str) -> bool:
    return isinstance(tables.get(key), str)


_TABLES: Mapping[str, Callable[[Mapping[str, object]], bool]] = {
    "rig": lambda t: "channels" in t or "topology" in t,
    "bench": lambda t: isinstance(t.get("sweep"), list) or ("driver" in t and _is_text(t, "rig")),
    "sheet": lambda t: "published" in t or "series" in t or "parallel" in t,
    "driver": lambda t: "parameters" in t,
    "box": lambda t: t.get("kind") in _BOXES,
    "rule": lambda t: t.keys() == {"tolerance"},
    "equaliser": lambda t: isinstance(t.get("section"), list),
    "conditions": lambda t: _is_text(t, "recording") and "recorded_at" in t,
}
"""What only a kind of TOML file has."""


def kinds_of(path: Path) -> list[str]:
    """Return the kinds of file, of `KINDS`, that `path` is like; none where it cannot be read or is like none."""
    # A pipe or a device would be waited for.
    if not path.is_file():
        return []
    try:
        with path.open("rb") as stream:
            head = stream.read(HEAD_BYTES).removeprefix(b"\xef\xbb\xbf").lstrip()
    except OSError:
        return []
    for begins, kind in _BEGINNINGS.items():
        if head[: len(begins)].lower() == begins.lower():
            return [kind]
    if head.startswith(b"{"):
        return [_result(head)]
    try:
        text = head.decode("utf-8")
    except ValueError:
        return []
    try:
        tables = tomllib.loads(text)
    except (ValueError, RecursionError):
        return ["curve"] if _has_rows(text) else []
    return [kind for kind, belongs in _TABLES.items() if belongs(tables)]


def _kind(head: bytes) -> str:
    found = _KIND.search(head[:4096])
    return "" if found is None else found[1].decode()


def _result(head: bytes) -> str:
    kind = _kind(head)
    return kind if kind in ("fit", "travel", "heat") else "result" if kind in _WRITTEN_BY else "JSON"


def _told(path: Path, kind: str) -> FileKind:
    """Return what a file of that kind is, of a result also which command wrote it."""
    if kind != "result":
        return KINDS[kind]
    with path.open("rb") as stream:
        command = _WRITTEN_BY[_kind(stream.read(4096))]
    return replace(KINDS[kind], what=f"a result of tsfit {command}")


def _has_rows(text: str) -> bool:
    """Whether there are rows of three numbers, as exported curves have them."""
    number = r"[-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?"
    row = re.compile(rf"\s*{number}(?:\s*[;,\t ]\s*{number}){{2,}}\s*$")
    return sum(row.match(line) is not None for line in text.splitlines()[:200]) >= LEAST_ROWS


@contextmanager
def wanted(path: Path, *kinds: str) -> Iterator[None]:
    """Have what cannot be read of `path` in here named by what it is, where that is none of the `kinds` wanted."""
    try:
        yield
    except TsfitError as error:
        found = kinds_of(path) if error.file is not None and str(error.file) == str(path) else []
        # Whether JSON of no kind is a damaged one of what is wanted, its reader knows.
        unknown = found == ["JSON"] and not set(kinds).isdisjoint({"fit", "travel", "heat", "drift log", "result"})
        if not found or unknown or not set(found).isdisjoint(kinds):
            raise
        place = WANTED.get(kinds[-1], f"{kinds[-1]} file")
        kind = _told(path, found[0])
        raise TsfitError(f"{path}: is no {place} but {kind.what}; {kind.taken}.", code=error.code, file=path) from error


def reads(
    *kinds: str,
) -> Callable[[Callable[Concatenate[Path, Given], Read]], Callable[Concatenate[Path, Given], Read]]:
    """Make a function that reads a path a reader of `kinds`, as `wanted` does."""

    def decorated(reader: Callable[Concatenate[Path, Given], Read]) -> Callable[Concatenate[Path, Given], Read]:
        @wraps(reader)
        def read(path: Path, /, *args: Given.args, **kwargs: Given.kwargs) -> Read:
            with wanted(path, *kinds):
                return reader(path, *args, **kwargs)

        return read

    return decorated
