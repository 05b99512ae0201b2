"""Write a recording while it is made, so that whatever stops it leaves what is there readable, and marked partial.

The samples go to ``NAME.partial.wav`` block by block. After each block the header, which has a fixed length, is brought up
to date in one write, so the file is a valid one at any instant. Only a complete recording gets the name ``NAME.wav``.
Beside it ``NAME.toml`` holds the conditions. Float WAV; beyond 4 GB the same header becomes RF64 (EBU Tech 3306).
"""

from __future__ import annotations

import contextlib
import errno
import math
import os
import struct
import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

import numpy as np

from tsfit.base.errors import TsfitError
from tsfit.base.files import name_once, watch, write_new
from tsfit.base.forms import plain
from tsfit.capture.recording import PARTIAL
from tsfit.capture.stream import Block, Stopped
from tsfit.formats.toml import load_toml

CHANNELS = 2
FRAME_BYTES = 4 * CHANNELS
IEEE_FLOAT = 3
UNKNOWN_SIZE = 0xFFFFFFFF
LARGEST_WAV = UNKNOWN_SIZE - 1
"""Bytes after the first eight from which the header has to be RF64."""
SYNC_SECONDS = 1.0
"""How often the file is forced onto the disk, against power failure; a killed process loses nothing even between."""


def wav_header(frames: int, sample_rate_hz: int) -> bytes:
    """Header of a two-channel 32-bit float WAV or RF64 file of `frames`; its length does not depend on them."""
    data = frames * FRAME_BYTES
    bytes_a_second = sample_rate_hz * FRAME_BYTES
    rest = struct.pack("<4sIHHIIHHH", b"fmt ", 18, IEEE_FLOAT, CHANNELS, sample_rate_hz, bytes_a_second, FRAME_BYTES, 32, 0)
    rest += struct.pack("<4sI", b"fact", 4)
    riff = 4 + 36 + len(rest) + 4 + 8 + data
    if riff > LARGEST_WAV:
        start = struct.pack("<4sI4s4sIQQQI", b"RF64", UNKNOWN_SIZE, b"WAVE", b"ds64", 28, riff, data, frames, 0)
        return start + rest + struct.pack("<I4sI", UNKNOWN_SIZE, b"data", UNKNOWN_SIZE)
    # A chunk that readers skip keeps the place of the sizes that RF64 needs.
    start = struct.pack("<4sI4s4sI28x", b"RIFF", riff, b"WAVE", b"JUNK", 28)
    return start + rest + struct.pack("<I4sI", frames, b"data", data)


def refuse_wrong_name(path: Path) -> None:
    """Raise ``wrong_name`` where `path` is none for a finished recording."""
    if path.suffix.lower() != ".wav" or path.name.lower().endswith(PARTIAL):
        message = f"{path}: a recording needs a name that ends in .wav and not in {PARTIAL}; choose another."
        raise TsfitError(message, code="wrong_name", file=path)


class Recorder:
    """A recording in the making; use it as a context manager, `write` every block, `finish` when all of it is there.

    Left without `finish`, or by a process that dies, it keeps what is recorded under its partial name. `conditions` are
    what a person should know about the recording `path`; nested mappings become tables, None is left out.

    Raises TsfitError ``wrong_name`` when `path` does not end in ``.wav``; ``exists`` when a recording, a partial one or
    conditions of this name are there; ``cannot_write`` when the folder is missing, read-only or full.
    """

    def __init__(self, path: Path, sample_rate_hz: float, conditions: Mapping[str, object]) -> None:
        refuse_wrong_name(path)
        self.path = path
        self.partial = path.with_suffix(PARTIAL)
        self.frames = 0
        self._rate = round(sample_rate_hz)
        self._conditions = dict(conditions) | {"recorded_at": datetime.now().astimezone()}
        for name in (path, self.partial, conditions_path(path), conditions_path(self.partial)):
            if name.exists():
                raise _exists(name)

    def __enter__(self) -> Recorder:
        watch(self.path)
        write_new(self.partial, wav_header(0, self._rate))
        write_new(conditions_path(self.partial), _toml(self.partial, self._conditions | {"complete": False}))
        self._stream: BinaryIO = self.partial.open("r+b", buffering=0)
        self._stream.seek(0, os.SEEK_END)
        self._synced = time.monotonic()
        return self

    def write(self, block: Block) -> None:
        """Append `block` (k, 2), full scale 1, and bring the header up to date.

        Raises `Stopped` ``disk_full``; TsfitError ``cannot_write`` for any other reason that the operating system gives.
        """
        data = memoryview(np.asarray(block, dtype="<f4").tobytes())
        try:
            while data:
                data = data[self._stream.write(data) :]
            self.frames += len(block)
            self._head()
            if time.monotonic() - self._synced >= SYNC_SECONDS:
                os.fsync(self._stream.fileno())
                self._synced = time.monotonic()
        except OSError as error:
            raise self._cannot_write(error) from error

    def _head(self) -> None:
        end = self._stream.tell()
        self._stream.seek(0)
        self._stream.write(wav_header(self.frames, self._rate))
        self._stream.seek(end)

    def finish(self, **found: object) -> None:
        """Give recording and conditions their final names; `found` is what is known only afterwards.

        Raises TsfitError ``exists`` when somebody has taken the name meanwhile; ``cannot_write``; `Stopped`
        ``disk_full``. The partial recording stays.
        """
        try:
            os.fsync(self._stream.fileno())
            self._stream.close()
        except OSError as error:
            raise self._cannot_write(error) from error
        whole = self._conditions | {"complete": True, "frames": self.frames} | found
        # Conditions first: whoever finds the recording under its name finds them too.
        write_new(conditions_path(self.path), _toml(self.path, whole))
        try:
            name_once(self.partial, self.path)
        except FileExistsError as error:
            raise _exists(self.path) from error
        except OSError as error:
            raise self._cannot_write(error) from error
        self._clear()

    def _clear(self) -> None:
        for left_over in (self.partial, conditions_path(self.partial)):
            left_over.unlink(missing_ok=True)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._stream.close()
        if error is not None and not self.frames:
            self._clear()
        elif error is not None and self.partial.exists():
            stopped = error.code if isinstance(error, TsfitError) else type(error).__name__
            text = _toml(self.partial, self._conditions | {"complete": False, "stopped": stopped, "frames": self.frames})
            # On a full disk the conditions written at the start have to do.
            with contextlib.suppress(TsfitError):
                write_new(conditions_path(self.partial), text, replace=True)
            if isinstance(error, Stopped) and error.file is None:
                message = f"{error.message} What was recorded is kept as {self.partial}, which is never fitted."
                raise Stopped(message, code=error.code, file=self.partial) from error

    def _cannot_write(self, error: OSError) -> TsfitError:
        seconds = self.frames / self._rate
        kept = f"after {seconds:.1f} s, which are kept" if self.frames else "before anything was recorded"
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            message = f"{self.partial}: the disk is full {kept}; make room and record again."
            return Stopped(message, code="disk_full", file=self.partial)
        message = (
            f"{self.partial}: cannot be written any further ({error.strerror or error}) {kept}; "
            "look after the disk and record again."
        )
        return TsfitError(message, code="cannot_write", file=self.partial)


def _exists(path: Path) -> TsfitError:
    message = f"{path}: already there, and no recording is ever overwritten; choose another name or move it away."
    return TsfitError(message, code="exists", file=path)


def conditions_path(recording: Path) -> Path:
    """Where the conditions of a recording stand: ``NAME.toml`` for ``NAME.wav``."""
    return recording.with_suffix(".toml")


@dataclass(frozen=True)
class Played:
    """The excitation as the conditions tell it: kind, peak volts, peak dB re full scale; None for what they do not tell.

    `state` is that of the driver.
    """

    kind: str | None = None
    level_v: float | None = None
    level_dbfs: float | None = None
    state: str | None = None


def played(recording: Path) -> Played:
    """Read what was played from the conditions beside a recording, or beside its curve; nothing where there are none."""
    path = conditions_path(recording)
    try:
        conditions = load_toml(path, "conditions")
    except TsfitError:
        return Played()
    told, swept = (table if isinstance(table := conditions.get(key), dict) else {} for key in ("excitation", "sweep"))

    def number(key: str) -> float | None:
        value = told.get(key)
        return float(value) if isinstance(value, (int, float)) and math.isfinite(value) else None

    kind, state = (value if isinstance(value, str) else None for value in (told.get("kind"), swept.get("state")))
    volts = number("level_v")
    return Played(kind, volts if volts is not None and volts > 0.0 else None, number("level_dbfs"), state)


def add_conditions(recording: Path, **found: object) -> None:
    """Add what was found since to a recording's conditions. Raises TsfitError as `load_toml`; ``cannot_write``."""
    path = conditions_path(recording)
    write_new(path, _toml(recording, load_toml(path, "conditions") | found), replace=True)


def _toml(recording: Path, conditions: Mapping[str, object]) -> str:
    import tomlkit

    told = _without_none(plain({"recording": recording.name} | dict(conditions)))
    assert isinstance(told, dict)
    # Scalars go before tables: after a table's header they would belong to it.
    return tomlkit.dumps(dict(sorted(told.items(), key=lambda item: isinstance(item[1], dict))))


def _without_none(value: object) -> object:
    """Leave out what is None, which TOML cannot say."""
    if isinstance(value, dict):
        return {key: _without_none(inner) for key, inner in value.items() if inner is not None}
    return [_without_none(inner) for inner in value if inner is not None] if isinstance(value, list) else value
