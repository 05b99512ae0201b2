"""Damage to good files, and the harness that runs a command on them and holds it to its promises."""

import contextlib
import io
import json
import os
import re
import signal
from pathlib import Path
from unittest import mock

import numpy as np

from tsfit.cli import run

EXTREMES = (
    b"nan", b"inf", b"-inf", b"1e308", b"-1e308", b"1e-320", b"0", b"-0.0", b"-1", b"9" * 40, b"0x1F", b"1_000", b"1,5",
    b"true", b'""', b'"x"', b"[]", b"{}", b"null", b"2026-11-25", b"1e999", b"'''", b"\xef\xbc\x91",
)  # fmt: skip
HOSTILE = (
    b"\x00", b"\x1b[31m", b"\xff\xfe", b"\xef\xbb\xbf", b"../../../etc/passwd", b"<script>", b"$(reboot)", b"%s%n",
    "\u202e\u0000é\U0001f50a".encode(), b"\r", b"\n\n[sweep]\n", b"\t" * 9, b"]]" * 50, b"[[" * 50, b"a.b.c = 1\n",
    b"__import__('os')", b"A" * 5000,
)  # fmt: skip
SECONDS, WAITED = 10, 300
"""Of the processor in which a command must have answered, and of the clock, which runs on while others have the machine."""


class TooSlowError(Exception):
    """A command that did not answer in time."""


def damaged(good: bytes, rng: np.random.Generator) -> bytes:
    """Return `good` with one to three injuries, mostly one."""
    data = bytearray(good)
    for _ in range(int(rng.choice([1, 2, 3], p=[0.7, 0.2, 0.1]))):
        _INJURIES[int(rng.integers(len(_INJURIES)))](data, rng)
    return bytes(data)


def _span(data, rng, most=64):
    at = int(rng.integers(0, max(len(data), 1)))
    return at, min(len(data), at + int(rng.integers(1, most)))


def _flip(data, rng):
    for at in rng.integers(0, max(len(data), 1), size=int(rng.integers(1, 9))):
        if data:
            data[at] ^= 1 << int(rng.integers(8))


def _cut(data, rng):
    at, end = _span(data, rng)
    del data[at:end]


def _double(data, rng):
    at, end = _span(data, rng, 400)
    data[at:at] = data[at:end] * int(rng.integers(1, 4))


def _truncate(data, rng):
    del data[int(rng.integers(0, max(len(data), 1))) :]


def _insert(data, rng):
    at, _ = _span(data, rng)
    data[at:at] = HOSTILE[int(rng.integers(len(HOSTILE)))]


def _number(data, rng):
    found = list(re.finditer(rb"-?\d+(?:\.\d+)?(?:e[-+]?\d+)?", bytes(data[:200_000])))
    if found:
        place = found[int(rng.integers(len(found)))]
        data[place.start() : place.end()] = EXTREMES[int(rng.integers(len(EXTREMES)))]


def _scale(data, rng):
    found = list(re.finditer(rb"\d+\.\d+", bytes(data[:200_000])))
    if found:
        place = found[int(rng.integers(len(found)))]
        value = float(place[0]) * 10.0 ** float(rng.integers(-9, 10)) * float(rng.choice([-1.0, 1.0]))
        data[place.start() : place.end()] = repr(value).encode()


def _line(data, rng):
    lines = bytes(data).split(b"\n")
    if len(lines) > 1:
        first, second = rng.integers(0, len(lines), size=2)
        lines[first], lines[second] = lines[second], lines[first]
        data[:] = b"\n".join(lines if rng.random() < 0.5 else [*lines[:first], *lines[first + 1 :]])


def _word(data, rng):
    found = list(re.finditer(rb"[A-Za-z_]{2,}", bytes(data[:200_000])))
    if found:
        place = found[int(rng.integers(len(found)))]
        word = bytearray(place[0])
        word[int(rng.integers(len(word)))] = int(rng.integers(97, 123))
        data[place.start() : place.end()] = word


def _encode(data, rng):
    with contextlib.suppress(UnicodeError):
        data[:] = bytes(data).decode().encode(str(rng.choice(["utf-16", "utf-32", "latin-1", "utf-8-sig", "cp1252"])))


_INJURIES = (
    _flip, _cut, _double, _truncate, _insert, _number, _number, _scale, _scale, _scale, _scale, _scale, _line, _word,
    _encode,
)  # fmt: skip


LONG_AGO_NS = 10**18
"""A time of change that no write leaves behind: whoever touches a file so marked is found without reading it."""


def marked(folder: Path) -> dict[Path, tuple[int, int]]:
    """Mark every file below `folder` with `LONG_AGO_NS`; return which file it is, and its size."""
    for path in _files(folder):
        os.utime(path, ns=(LONG_AGO_NS, LONG_AGO_NS))
    return untouched(folder)


def untouched(folder: Path) -> dict[Path, tuple[int, int]]:
    """Return which file it is, and its size, of every file below `folder` that has its mark still."""
    found = {path: path.stat() for path in _files(folder)}
    return {path: (stat.st_ino, stat.st_size) for path, stat in found.items() if stat.st_mtime_ns == LONG_AGO_NS}


def _files(folder):
    return [Path(place, name) for place, _, names in os.walk(folder) for name in names]


def answer(arguments: list[str]) -> tuple[int, str, str]:
    """Run a command with nobody at the keyboard; return its exit code and what it printed."""

    def late(*_):
        raise TooSlowError

    out, err = io.StringIO(), io.StringIO()
    before = [(which, signal.signal(which, late)) for which in (signal.SIGPROF, signal.SIGALRM)]
    signal.setitimer(signal.ITIMER_PROF, SECONDS)
    signal.alarm(WAITED)
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), mock.patch("sys.stdin", io.StringIO()):
            status = run(arguments)
    finally:
        signal.alarm(0)
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        for which, handler in before:
            signal.signal(which, handler)
    return status, out.getvalue(), err.getvalue()


def hold(arguments: list[str], folder: Path, sentences: int = 1) -> int:
    """Run a command on what lies in `folder` and hold it to its promises; return its exit code."""
    return held(arguments, folder, sentences)[0]


def held(arguments: list[str], folder: Path, sentences: int = 1) -> tuple[int, str]:
    """Do the same; return what the command printed, too.

    Whatever it reads, it leaves with 0, 1 or 2; with 2 it says one sentence (of several files to fit: one for each, at most
    `sentences` in all), or one JSON object under ``--json``, and never
    that it failed itself; numbers it prints as JSON are finite, parameters of a fit positive; no file is changed or lost.
    """
    before = marked(folder)
    status, out, err = answer(arguments)
    after = untouched(folder)
    assert {name: after.get(name) for name in before} == before, "a file was changed or lost"
    assert status in {0, 1, 2}
    assert "itself failed" not in err + out, err + out
    if "--json" in arguments:
        data = json.loads(out, parse_constant=lambda word: (_ for _ in ()).throw(AssertionError(f"{word} in JSON")))
        for name, estimate in data.get("parameters", {}).items() if status < 2 else ():
            assert estimate["value"] > 0.0 or name.startswith("sensitivity"), (name, estimate)
            assert estimate["stdev"] >= 0.0, (name, estimate)
        if status == 2 and "error" in data:
            assert data["error"]["code"] != "internal", data
            assert "\n" not in data["error"]["message"]
    elif status == 2:
        assert all(line.startswith("tsfit: ") for line in err.splitlines()), err
        assert 1 <= err.count("\n") <= sentences, err
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f]", err + out), "control characters reach the terminal"
    return status, out + err
