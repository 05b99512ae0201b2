"""Where audio callback, writing thread and watching thread meet: a ring of samples that one fills and one empties."""

import math
import threading
import time
from dataclasses import dataclass

import numpy as np

from tsfit.capture.excitation import Excitation
from tsfit.capture.level_limit import playable
from tsfit.capture.stream import Block, Levels, Sink, Stopped, Watch, levels_of

CHANNELS = 2
RING_SECONDS = 20.0
"""How long the disk may hesitate before samples are lost."""
IDLE_SECONDS = 0.02
SETTLED_SECONDS, LEAST_CLOCK_SECONDS = 0.5, 2.0
"""From when on callbacks come evenly, and how long they must be watched to tell the sample rate."""
DELAY_SECONDS = 0.5
"""How much of the excitation's end is looked for in the recording to tell the delay."""
LEAST_CORRELATION, AMBIGUOUS = 0.3, 0.95
HUSH_SECONDS = 0.01
"""In which what is stopped fades away."""
STUCK_SECONDS = 1.0
"""Without a callback, or without anybody who looks after the playing, for so long: what is watched ends in silence."""


@dataclass
class Clock:
    """Sample rate against the computer's clock, from the callbacks of the first and of the last third that came earliest.

    A busy machine calls late by up to a block, but never early.
    """

    rate: float
    expected: int
    began: float = 0.0
    early: tuple[float, int] = (math.inf, 0)
    final: tuple[float, int] = (math.inf, 0)

    def note(self, frame: int, now: float) -> None:
        """Tell that `frame` frames had passed at `now` (s)."""
        if not self.began:
            self.began = now
        late = now - self.began - frame / self.rate
        if SETTLED_SECONDS * self.rate < frame < self.expected / 3:
            self.early = min(self.early, (late, frame))
        elif frame > 2 * self.expected / 3:
            self.final = min(self.final, (late, frame))

    def rate_hz(self) -> float | None:
        """Measured sample rate, None after too short a time."""
        (late, frame), (later, last) = self.early, self.final
        if math.isinf(late + later) or last - frame < LEAST_CLOCK_SECONDS * self.rate:
            return None
        return (last - frame) / ((last - frame) / self.rate + later - late)


class Exchange:
    """What callback, writing thread and watching thread share; each variable is written by one of them only."""

    def __init__(
        self, excitation: Excitation, outputs: int, sink: Sink, stop: type[Exception], watch: Watch | None = None
    ) -> None:
        self.excitation = excitation
        self.rate = excitation.sample_rate_hz
        self.expected = len(excitation.samples)
        self.played = playable(excitation.samples, excitation.level_dbfs)[:, None]
        self.outputs = outputs
        self.sink = sink
        self.stop_exception = stop
        self.watch = watch
        self.alarm: BaseException | None = None
        self.hush = False
        self.tended = time.perf_counter()
        self.ring = np.zeros((round(RING_SECONDS * self.rate), CHANNELS), dtype=np.float32)
        self.clock = Clock(self.rate, self.expected)
        self.flags: list[tuple[int, str]] = []
        self.recorded = 0
        self.called = time.perf_counter()
        self.full = False
        self.taken = 0
        self.handed = 0.0
        self.zeros = 0
        self.heard = False
        self.levels: Levels | None = None
        self.failure: BaseException | None = None
        self.last = threading.Event()
        before = min(round(DELAY_SECONDS * self.rate), excitation.stop - excitation.start)
        self.end_at = excitation.stop - before
        self.end = np.zeros((self.expected - self.end_at, CHANNELS), dtype=np.float32)

    def callback(self, came: Block, goes: Block, frames: int, _: object, status: object) -> None:
        """Copy one block each way; what came is watched before any more goes out."""
        before, self.called = self.called, time.perf_counter()
        first, size = self.recorded, len(self.ring)
        count = min(frames, self.expected - first)
        goes.fill(0.0)
        if first + count - self.taken > size:
            self.full = True
            raise self.stop_exception
        self.clock.note(first, self.called)
        if status:
            self.flags.append((first, str(status)))
        goes[:count, : self.outputs] = self.played[first : first + count]
        at = first % size
        head = min(count, size - at)
        self.ring[at : at + head] = came[:head, :CHANNELS]
        self.ring[: count - head] = came[head:count, :CHANNELS]
        self.recorded = first + count
        if self.watch is not None:
            self._watched(self.watch, came[:count, :CHANNELS], before)
        if self.hush or self.alarm is not None or self.failure is not None:
            fading = min(round(HUSH_SECONDS * self.rate), count)
            goes[:fading] *= np.linspace(1.0, 0.0, fading, dtype=np.float32)[:, None]
            goes[fading:] = 0.0
            raise self.stop_exception
        if self.recorded == self.expected:
            raise self.stop_exception

    def _watched(self, watch: Watch, came: Block, before: float) -> None:
        """Raise the alarm over what came, or over time that nobody knows of; once raised it stays."""
        try:
            if self.alarm is None:
                if self.recorded > len(came) and self.called - min(before, self.tended) > STUCK_SECONDS:
                    message = "The playing was stuck for a second; let nothing else run on this computer, and begin again."
                    raise Stopped(message, code="stalled")
                watch(came)
        except BaseException as error:
            self.alarm = error

    def write(self) -> None:
        """Hand on what the callback leaves in the ring until all of it is there, or `last` tells that no more will come."""
        try:
            while self.taken < self.expected:
                told = self.last.is_set()
                at, waiting = self.taken % len(self.ring), self.recorded - self.taken
                if waiting:
                    block = self.ring[at : at + waiting].copy()
                    self.taken += len(block)
                    self._look_at(block)
                    self.sink(block)
                    self.handed = time.perf_counter()
                elif told:
                    return
                else:
                    time.sleep(IDLE_SECONDS)
        except BaseException as error:
            self.failure = error

    def _look_at(self, block: Block) -> None:
        self.levels = levels_of(block, self.taken, self.expected)
        first = self.taken - len(block)
        excited = block[max(self.excitation.start - first, 0) : max(self.excitation.stop - first, 0)]
        sounding = np.flatnonzero(excited.any(axis=1))
        self.zeros = len(excited) - 1 - int(sounding[-1]) if len(sounding) else self.zeros + len(excited)
        self.heard = self.heard or bool(block.any())
        skip = max(self.end_at - first, 0)
        at = first + skip - self.end_at
        if skip < len(block):
            self.end[at : at + len(block) - skip] = block[skip:]

    def delay(self) -> int | None:
        """Frames from playback to recording, by correlation of the excitation's end; None where it has no one peak."""
        from scipy import signal

        played = self.excitation.samples[self.end_at : self.excitation.stop]
        louder = self.end[:, int(np.argmax(np.sum(self.end**2, axis=0)))].astype(float)
        found = np.abs(signal.correlate(louder, played, mode="valid"))
        best = int(np.argmax(found))
        scale = np.linalg.norm(played) * np.linalg.norm(louder[best : best + len(played)])
        others = np.concatenate([found[: max(best - 2, 0)], found[best + 3 :]])
        if found[best] < LEAST_CORRELATION * scale or not scale or others.max(initial=0.0) > AMBIGUOUS * found[best]:
            return None
        return best
