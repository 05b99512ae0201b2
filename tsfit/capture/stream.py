"""What passes between the player of an excitation and the writer of what comes back."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol, TypeAlias

import numpy as np
from numpy.typing import NDArray

from tsfit.base.errors import TsfitError
from tsfit.capture.excitation import Excitation

Block: TypeAlias = NDArray[np.float32]
"""Both channels (k, 2) of a stretch of recording, full scale 1."""
Sink: TypeAlias = Callable[[Block], None]
"""Takes the recorded blocks in order; called outside the audio callback."""
Watch: TypeAlias = Callable[[Block], None]
"""Looks at each block before any more is played, so it must be quick; whatever it raises ends the playing in silence."""


class Stopped(TsfitError):  # noqa: N818
    """A recording that ended before its time: ``device_vanished``, ``stalled``, ``interrupted``, ``disk_full``, or what a
    `Watch` saw.
    """


@dataclass(frozen=True)
class Levels:
    """Level of both channels in the latest stretch, dB re full scale, and how far the recording is."""

    rms_dbfs: tuple[float, float]
    peak_dbfs: tuple[float, float]
    frame: int
    expected: int


def levels_of(block: Block, frame: int, expected: int) -> Levels:
    """Levels of a `block` (k, 2) that ends at `frame` of `expected`; silence is -300 dBFS."""
    rms, peak = np.sqrt(np.mean(block.astype(float) ** 2, axis=0)), np.abs(block).max(axis=0)
    (rms_1, rms_2), (peak_1, peak_2) = 20.0 * np.log10(np.maximum([rms, peak], 1e-15))
    return Levels((float(rms_1), float(rms_2)), (float(peak_1), float(peak_2)), frame, expected)


@dataclass(frozen=True)
class StreamReport:
    """How the recording went; None for what could not be told."""

    device: str
    frames: int  # recorded
    expected: int  # to be recorded
    seconds: float  # how long it took by the computer's clock
    measured_rate_hz: float | None  # against the computer's clock
    delay_samples: int | None  # from playback to recording
    # frame and kind ("input overflow", "output underflow", …) of every dropout after the excitation's start that the sound
    # system owned up to
    flags: tuple[tuple[int, str], ...] = ()

    def form(self) -> dict[str, object]:
        """It as the conditions beside a recording hold it."""
        return vars(self) | {"flags": [f"{frame}: {kind}" for frame, kind in self.flags]}


class Player(Protocol):
    """What plays an excitation and records both channels: a sound card, or a bench that is simulated."""

    @property
    def in_real_time(self) -> bool:
        """Whether playing takes the time that the excitation lasts, and a coil the time that it takes to cool."""

    def play(
        self,
        excitation: Excitation,
        sink: Sink,
        *,
        on_level: Callable[[Levels], None] | None = None,
        watch: Watch | None = None,
    ) -> StreamReport:
        """Play `excitation` and hand what comes back to `sink`, block by block; whatever `sink` or `watch` raises stops it.

        Raises TsfitError for what the device or the simulated bench refuses; `Stopped` when the recording ends before
        its time.
        """
