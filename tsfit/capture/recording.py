"""Read a two-channel recording, and refuse one that cannot be trusted before anything is computed from it."""

from __future__ import annotations

import contextlib
import logging
import math
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

import numpy as np
from numpy.typing import NDArray

from tsfit.base.arrays import Real
from tsfit.base.causes import refused
from tsfit.base.files import has_read, sha256

if TYPE_CHECKING:
    from soundfile import SoundFile

log = logging.getLogger(__name__)
MIN_SECONDS = 0.5
BEYOND_SCALE = 1e4
"""Times full scale beyond which a sample is a torn file's; its square would be beyond all numbers."""
MOST_BYTES = 464 << 20
"""What the samples may take, 10.5 minutes at 96 kHz in single precision: 512 MiB with all else."""
LONGEST_HOURS = 6.0
"""Of what is read in blocks: a power run of four hours and as much of it again as cools."""
NOT_TOLD = (1 << 63) - 1
"""Length of a FLAC file whose encoder did not come to write it, as libsndfile tells it."""
FINE = ("PCM_32", "DOUBLE")
"""Forms whose samples single precision does not hold as they are."""
DEAD = 1e-5
"""RMS over full scale (-100 dB) below which a channel carries nothing but its own floor."""
TOP_WIDTH, STEPS, FEWEST_STEPS, COARSE = 1e-4, 4.0, 1.5, 0.1
"""Width of the amplitude bin at the peak in which clipping piles samples up: over the peak, or in steps of a converter; in
fewer of them where two bins would be more than a share of the peak."""
PILE_UP = 6.0
"""Samples in the top bin over those in the next; a sine has 2.4 (arcsine law), noise about 1, a clipped signal hundreds."""
MIN_PILE = 12
MIN_OCCASIONS = 6
"""Unlike neighbours of samples in the top bin that tell a clipped signal from the one peak of a repeated period."""
LEAST_RUN, LONG_RUN, MIN_TOPS, MOST_RUNS = 3, 8, 2, 200
"""Samples in a row that are a top, and a long one; how many tops tell a shape, and of how many it is asked."""
FEW_STEPS, QUIET = 8.0, 0.1
"""Peak over a converter's step, and of full scale, below which a channel has no tops but the steps themselves."""
NEAR_TOP, MIN_STEPS = 0.98, 8
"""Share of the peak above which the converter's step is read, and how many steps that takes."""
LOSSY = ("VORBIS", "OPUS", "MPEG", "LAW", "ADPCM", "GSM", "DPCM", "DWVW", "VOX", "G72")
BLOCK = 1 << 16
ENOUGH = 1 << 15
"""Samples of which a converter's step is read, from all over a recording."""
UNKNOWN_SIZE = 0xFFFFFFFF
PARTIAL = ".partial.wav"
"""Ending of a recording that stopped before its end, or is still being made."""


@dataclass(frozen=True)
class Recording:
    """`samples` (n, 2) of full scale 1, in single precision where that holds them; rate in Hz, file and its hash.

    Samples of a file can be let go, and read again piece by piece.
    """

    path: Path
    samples: Real
    sample_rate_hz: float
    sha256: str
    first: int = 0  # of the samples in the file

    @cached_property
    def rms(self) -> tuple[float, float, float]:
        """RMS about the mean of both channels and of their difference."""
        one, other, apart = strength(self.samples).tolist()
        return one, other, apart

    def released(self) -> Recording:
        """Let the samples go, where a file can give them again."""
        return replace(self, samples=np.empty((0, 2))) if self.sha256 else self

    def between(self, start: int, stop: int) -> Real:
        """Samples (k, 2) from `start` up to `stop`, as far as there are any."""
        if len(self.samples):
            return self.samples[start:stop]
        with _opened(self.path) as sound:
            sound.seek(min(self.first + start, sound.frames))
            return np.asarray(sound.read(stop - start, dtype="float64"))


def read_recording(path: Path, may_be_silent: int | None = None) -> Recording:
    """Read a WAV, RF64 or FLAC file of two channels.

    Parameters
    ----------
    path : Path
    may_be_silent : int, optional
        Channel (0 or 1) that rightly carries nothing, such as that of a shunt's resistor with the circuit open.

    Raises
    ------
    TsfitError
        ``missing_file``, ``partial``, ``not_audio``, ``truncated``, ``empty``, ``too_long``, ``too_short``, ``mono``,
        ``channels``, ``lossy``, ``not_finite``, ``dead_channel``, ``clipping``; each names the file and the remedy.
    """
    _check_file(path)
    has_read(path)
    found = _decoded(path)
    if len(found.samples) < found.frames or _promises_more(path):
        raise refused(path, "truncated")
    _check_form(path, found)
    recording = Recording(path, found.samples, found.rate, sha256(path))
    _refuse_silent(path, recording.rms, may_be_silent)
    _refuse_clipped(path, recording.samples, found.subtype)
    return recording


def read_blocks(path: Path, seconds: float) -> tuple[float, Iterator[Real]]:
    """Sample rate in Hz of a long recording of two channels, and its samples (n, 2) in blocks of `seconds`.

    Each block is judged when it is read.

    Raises
    ------
    TsfitError
        As `read_recording`; ``too_long`` is what outlasts `LONGEST_HOURS`, and a channel is dead that is so throughout.
    """
    import soundfile

    _check_file(path)
    has_read(path)
    if _promises_more(path):
        raise refused(path, "truncated")
    try:
        with _opened(path) as sound:
            rate, frames, subtype = float(sound.samplerate), sound.frames, sound.subtype
            first = sound.read(max(int(MIN_SECONDS * rate) + 1, 1), dtype="float32", always_2d=True)
    except (soundfile.SoundFileError, OSError, RuntimeError) as error:
        raise refused(path, "not_audio") from error
    _check_form(path, _Decoded(first, frames, rate, subtype))
    if NOT_TOLD != frames > _most(rate):
        raise refused(path, "too_long, hours", hours=LONGEST_HOURS)
    return rate, _blocks(path, int(seconds * rate), frames, subtype)


def _most(rate: float) -> float:
    return LONGEST_HOURS * 3600.0 * rate


def _blocks(path: Path, size: int, frames: int, subtype: str) -> Iterator[Real]:
    import soundfile

    loudest, read = np.zeros(3), 0
    try:
        with _opened(path) as sound:
            while len(block := sound.read(size, dtype="float32", always_2d=True)):
                if not _numbers(block):
                    raise refused(path, "not_finite")
                # Each channel in one piece: whoever goes through one of them need not skip the other.
                block = block.T.copy().T
                _refuse_clipped(path, block, subtype)
                if loudest.min() < DEAD:
                    loudest = np.maximum(loudest, strength(block))
                read += len(block)
                if read > _most(sound.samplerate):
                    raise refused(path, "too_long, hours", hours=LONGEST_HOURS)
                yield block
    except (soundfile.SoundFileError, OSError, RuntimeError) as error:
        raise refused(path, "truncated, data") from error
    if read < frames != NOT_TOLD:
        raise refused(path, "truncated")
    _refuse_silent(path, loudest.tolist())


@dataclass(frozen=True)
class _Decoded:
    """Samples (n, channels), how many frames the header promises, rate in Hz, and the form in which samples are stored."""

    samples: Real
    frames: int
    rate: float
    subtype: str


def _check_file(path: Path) -> None:
    try:
        if not path.is_file():
            raise refused(path, "missing_file")
        with path.open("rb") as stream:
            empty = not stream.read(1)
    except OSError as error:
        raise refused(path, "missing_file, unreadable", why=error.strerror) from error
    if path.name.lower().endswith(PARTIAL):
        raise refused(path, "partial")
    if empty:
        raise refused(path, "empty")


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[SoundFile]:
    """Open a sound file to be read from front to back, where each number of samples is asked for."""
    import soundfile

    class Forward(soundfile.SoundFile):  # type: ignore[misc]
        def seekable(self) -> bool:
            # Else it seeks after each reading, which fails at the end of a file that does not tell its length.
            return False

    with path.open("rb") as stream, Forward(stream) as sound:
        yield sound


def _decoded(path: Path) -> _Decoded:
    import soundfile

    try:
        with _opened(path) as sound:
            frames, most, told = sound.frames, MOST_BYTES // (4 * sound.channels), sound.frames != NOT_TOLD
            if not told:
                frames = most + 1
            elif frames > most:
                raise refused(path, "too_long")
            kind = "float64" if sound.subtype in FINE and 2 * frames <= most else "float32"
            # Read in place; what a header promises and the file does not hold is never touched, and costs no memory.
            samples = sound.read(frames, dtype=kind, always_2d=True)
            if len(samples) > most:
                raise refused(path, "too_long")
            return _Decoded(samples, frames if told else len(samples), float(sound.samplerate), sound.subtype)
    except (soundfile.SoundFileError, OSError, RuntimeError) as error:
        if _promises_more(path) or _is_flac(path):
            raise refused(path, "truncated, header or data") from error
        raise refused(path, "not_audio") from error


def _check_form(path: Path, found: _Decoded) -> None:
    (n, channels), rate = found.samples.shape, found.rate
    if n == 0:
        raise refused(path, "empty, no samples")
    if channels == 1:
        raise refused(path, "mono")
    log.info("read %s, %d samples at %g Hz", path, n, rate)
    if channels != 2:
        raise refused(path, "channels", channels=channels)
    if any(word in found.subtype for word in LOSSY):
        raise refused(path, "lossy")
    if not all(_numbers(found.samples[start : start + BLOCK]) for start in range(0, n, BLOCK)):
        raise refused(path, "not_finite")
    if n < MIN_SECONDS * rate:
        raise refused(path, "too_short", seconds=n / rate, least=MIN_SECONDS)


def _numbers(block: Real) -> bool:
    """Whether all samples are numbers that a converter may have given; no comparison holds for what is none."""
    return bool(np.abs(block).max() <= BEYOND_SCALE)


def _quantum(subtype: str) -> float:
    """Step between neighbouring sample values, over full scale; 0 for floating point."""
    bits = {"PCM_U8": 8, "PCM_S8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}.get(subtype)
    return 0.0 if bits is None else 2.0 ** (1 - bits)


def strength(samples: Real) -> Real:
    """RMS (3,) about the mean of both channels of `samples` (n, 2) and of their difference, by blocks."""
    total, squares = np.zeros(3), np.zeros(3)
    for start in range(0, len(samples), BLOCK):
        first, second = (samples[start : start + BLOCK].astype(np.float64) - samples[0]).T.copy()
        rows = np.stack([first, second, first - second])
        total += rows.sum(axis=1)
        squares += np.einsum("ij,ij->i", rows, rows)
    return np.sqrt(np.maximum(squares / len(samples) - (total / len(samples)) ** 2, 0.0))


def _refuse_silent(path: Path, rms: Sequence[float], may_be_silent: int | None = None) -> None:
    """Refuse a channel without signal, and two that carry the same, by the `rms` of both and of their difference."""
    *both, apart = rms
    for channel in range(2):
        if both[channel] < DEAD and channel != may_be_silent:
            raise refused(path, "dead_channel", channel=channel + 1)
    if apart < 1e-6 * max(both):
        raise refused(path, "mono, twice")


def _refuse_clipped(path: Path, samples: Real, stored: str) -> None:
    for channel in range(2):
        if _clipped(samples[:, channel], _quantum(stored)):
            raise refused(path, "clipping", channel=channel + 1)


def _clipped(x: Real, step: float) -> bool:
    """Whether a channel piles up at its own extreme, in flat tops or on many occasions."""
    for sign, peak in ((1.0, float(x.max())), (-1.0, -float(x.min()))):
        if peak <= 0.0:
            continue
        near = _beyond(x, sign, NEAR_TOP * peak)
        fine = _step(x, near, peak, step)
        if peak < min(FEW_STEPS * fine, QUIET):
            continue
        width = max(TOP_WIDTH * peak, STEPS * fine)
        coarse = 2.0 * width > COARSE * peak
        if coarse:
            width = FEWEST_STEPS * fine
        if 2.0 * width > (1.0 - NEAR_TOP) * peak:
            near = _beyond(x, sign, peak - 2.0 * width)
        side = sign * x[near].astype(np.float64)
        top = near[side >= peak - width]
        below = int(np.count_nonzero(side >= peak - 2.0 * width)) - len(top)
        if len(top) < MIN_PILE or len(top) <= PILE_UP * max(below, 1):
            continue
        runs = np.split(top, np.flatnonzero(np.diff(top) > 1) + 1)
        long = sorted((run for run in runs if len(run) >= LEAST_RUN), key=len)[-MOST_RUNS:]
        if len(long) >= MIN_TOPS and float(np.median([_missing(x, sign, run) for run in long])) > peak + 0.5 * width:
            return True
        alone = np.array([run[0] for run in runs if len(run) < LEAST_RUN and run[0] > 0], dtype=int)
        before = x[alone - 1].astype(np.float64)
        if not coarse and len(alone) >= MIN_PILE and len(np.unique(np.rint(before / (0.02 * peak)))) >= MIN_OCCASIONS:
            return True
    return False


def _missing(x: Real, sign: float, run: NDArray[np.intp]) -> float:
    """Height that the flanks of a `run` of samples at the top promise in its middle, by a parabola."""
    wide = max(3, len(run) // 2)
    places = np.concatenate(
        [np.arange(max(run[0] - wide, 0), run[0]), np.arange(run[-1] + 1, min(run[-1] + 1 + wide, len(x)))]
    )
    height = sign * x[places].astype(np.float64)
    beside = (places - 0.5 * (run[0] + run[-1])) / len(run)
    rising = height > 0.0
    if min(np.count_nonzero(rising[beside < 0.0]), np.count_nonzero(rising[beside > 0.0])) < 2:
        # Edges as steep as that belong to a top as short, or to no top at all.
        return math.inf if len(run) >= LONG_RUN else -math.inf
    return float(np.polynomial.polynomial.polyfit(beside[rising], height[rising], 2)[0])


def _beyond(x: Real, sign: float, limit: float) -> NDArray[np.intp]:
    """Places where `sign` times `x` is beyond `limit`, which is not rounded to the precision of the samples."""
    return np.flatnonzero(x > np.float64(limit) if sign > 0.0 else x < np.float64(-limit))


def _step(x: Real, near: NDArray[np.intp], peak: float, stored: float) -> float:
    """Step between neighbouring sample values near the top: a converter's may be coarser than the `stored` one."""
    steps = np.diff(np.unique(x[near[:: len(near) // ENOUGH + 1]]))
    if len(steps) < MIN_STEPS:
        steps = np.diff(np.unique(x[:: len(x) // ENOUGH + 1]))
    return max(stored, float(steps.min(initial=peak)))


def _is_flac(path: Path) -> bool:
    with path.open("rb") as stream:
        return stream.read(4) == b"fLaC"


def _promises_more(path: Path) -> bool:
    """Whether a RIFF header names more data than the file holds; libsndfile lets that pass."""
    size = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(12)
        if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64") or head[8:12] != b"WAVE":
            return False
        return _data_end(stream, size) > size


def _data_end(stream: BinaryIO, size: int) -> int:
    """Offset at which the data chunk should end; a header that breaks off before it counts as beyond the end."""
    long_data = 0
    while True:
        header = stream.read(8)
        if len(header) < 8:
            return size + 1
        name, length = header[:4], struct.unpack("<I", header[4:])[0]
        here = stream.tell()
        if name == b"ds64":
            long_data = struct.unpack("<QQ", stream.read(16))[1]
        elif name == b"data":
            if length == UNKNOWN_SIZE:
                length = long_data
            if length == 0 and size - here > 8:
                return size + 1
            return here + int(length)
        stream.seek(here + length + (length & 1))
