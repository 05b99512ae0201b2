"""What looks after a driver while it is driven hard: limits of travel, heat and volts, and what no sound driver does.

`Watchdog.watch` is quick and belongs into the audio callback: clipped or senseless samples, too many volts, a current that
broke off. `Watchdog.look` follows behind, while recording: a model of the driver moved by the measured voltage, the coil's
resistance second by second, and what is left of the current when the model's is taken off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from tsfit.base.arrays import Real
from tsfit.capture.absolute import Scale
from tsfit.capture.stream import Block, Stopped
from tsfit.circuit.large_signal import LargeSignal, move
from tsfit.driver.formulas import COPPER_PER_K
from tsfit.driver.record import Driver
from tsfit.heating.readout import read_out

CLIPPED = 0.999
"""Share of full scale from which a channel counts as clipped."""
LOST_S, LOST = 0.015, 5e-3
"""A current below this share of volts over Re, for so long, has broken off; resonance peaks are lower."""
HEARD = 10.0 ** (-50.0 / 20.0)
"""RMS of the total channel, of full scale, from which there is something to judge."""
READ_S, BEHIND_S, EDGE = 8, 4.0, 2
"""Seconds that a resistance is read from, how far behind it is, and seconds at either end that do not count."""
WINDOW_S = 0.25
FIRST_WINDOWS = 8
GROWN, LEAST_LEFT, STRANGE = 3.0, 0.15, 0.7
"""What is left of the current may grow to so much of what it was at first, and to this share of it at least; beyond the
last another thing than the driver hangs there. Common practice, no source."""


@dataclass(frozen=True)
class NotBeyond:
    """What is not to be exceeded: travel either way, m; temperature of the coil, °C; peak volts across everything."""

    travel: float
    coil_c: float
    volts: float = math.inf
    ambient_c: float = 20.0


class Watchdog:
    """Looks after one recording; `cold_ohm` is the coil's resistance at ambient temperature, `model` moves beside it.

    `hottest` and `farthest` are what was seen so far, °C and m; `ohm` the latest resistance.
    """

    def __init__(self, scale: Scale, driver: Driver, model: LargeSignal, limits: NotBeyond, rate_hz: float) -> None:
        self.scale, self.driver, self.model, self.limits, self.rate = scale, driver, model, limits, rate_hz
        self.cold_ohm = model.Re
        self.ohm, self.hottest, self.farthest = model.Re, limits.ambient_c, 0.0
        self._piece = max(round(LOST_S * rate_hz), 2)
        self._tail = np.zeros((2, 0))
        self._state, self._last = np.zeros(7), 0.0
        self._dense = 2 * math.ceil(model.steps_hz() / rate_hz)
        self._kept: list[Real] = []
        self._waiting = 0
        self._window = np.zeros((2, 0))
        self._left: list[float] = []
        self._loudness = 0.0

    def watch(self, block: Block) -> None:
        """Raise `Stopped` ``not_finite``, ``clipping``, ``too_loud`` or ``lost_current`` at what came last (k, 2)."""
        largest = float(np.abs(block).max(initial=0.0))
        if not math.isfinite(largest):
            raise _stopped("not_finite", "a channel delivers no numbers; look after the sound system")
        if largest >= CLIPPED:
            raise _stopped("clipping", "a channel is clipped; lower its input gain or ask for less")
        samples = block.astype(float)
        volts = self.scale.total_v * samples[:, self.scale.rig.total]
        if float(np.abs(volts).max(initial=0.0)) > self.limits.volts:
            message = f"{float(np.abs(volts).max()):.3g} V peak came, and the limit is {self.limits.volts:.3g} V"
            raise _stopped("too_loud", message)
        u, i = self.scale.electrical(samples)
        squares = np.concatenate([self._tail, [u * u, i * i]], axis=1)
        sums = np.cumsum(np.pad(squares, ((0, 0), (1, 0))), axis=1)
        ends = np.arange(self._piece, sums.shape[1], self._piece // 2)
        pairs = (sums[:, ends] - sums[:, ends - self._piece]) / self._piece
        self._tail = squares[:, -self._piece :]
        heard = pairs[0] > (HEARD * self.scale.total_v) ** 2
        if np.any(heard & (pairs[1] < (LOST / self.driver.Re) ** 2 * pairs[0])):
            raise _stopped("lost_current", "the current broke off: an open coil, a blown fuse, or a clip that came off")

    def look(self, block: Block) -> None:
        """Raise `Stopped` ``too_far``, ``hot`` or ``residual`` at what came since (k, 2)."""
        if not len(block):
            return
        u, i = self.scale.electrical(block.astype(float))
        self._judge_left(u, i, self._moved(u))
        self._kept.append(np.array([u, i], dtype=np.float32))
        self._waiting += len(block)
        if self._waiting >= self.rate:
            self._waiting = 0
            self._judge_heat()

    def _moved(self, u: Real) -> Real:
        """Current (n,) of the model that `u` (n,) moves on."""
        dense, count = self._dense, len(u)
        grid = np.arange(dense * count + 1) / dense
        fine = np.interp(grid, np.arange(count + 1), np.concatenate([[self._last], u]))
        at = replace(self.model, Re=self.ohm)
        moved = move(at, fine, self.rate * dense / 2, start=self._state)
        self._state, self._last = moved.states[-1], float(u[-1])
        far = moved.farthest
        self.farthest = max(self.farthest, far)
        if far > self.limits.travel:
            message = f"the cone goes {1e3 * far:.1f} mm by the model of the driver, and the limit is"
            raise _stopped("too_far", f"{message} {1e3 * self.limits.travel:.3g} mm")
        return np.asarray(moved.states[dense // 2 - 1 :: dense // 2, 0])

    def _judge_left(self, u: Real, i: Real, model: Real) -> None:
        """Compare what the model leaves of the current with what it left at first."""
        self._window = np.concatenate([self._window, [i * i, (i - model) ** 2]], axis=1)
        if self._window.shape[1] < WINDOW_S * self.rate:
            return
        square, left = self._window.mean(axis=1)
        self._window = np.zeros((2, 0))
        loud = math.sqrt(square)
        if loud < LOST * HEARD * self.scale.total_v / self.driver.Re or float(np.std(u)) < HEARD * self.scale.total_v:
            return
        if not 0.5 < loud / (self._loudness or 1e-30) < 2.0:
            # Another level than before, or the beginning: what is left begins anew.
            self._left, self._loudness = [], loud
        self._left.append(math.sqrt(left) / loud)
        latest = self._left[-2:]
        first = float(np.median(self._left[:FIRST_WINDOWS]))
        grown = len(self._left) > FIRST_WINDOWS and min(latest) > max(GROWN * first, LEAST_LEFT)
        if grown or (len(latest) > 1 and min(latest) > STRANGE):
            message = f"{100.0 * latest[-1]:.0f} % of the current are not what the driver draws"
            raise _stopped("residual", f"{message}: it rubs, strikes or comes loose, or another driver hangs there")

    def _judge_heat(self) -> None:
        kept = np.concatenate(self._kept, axis=1)[:, -round(READ_S * self.rate) :]
        self._kept = [kept]
        if kept.shape[1] < READ_S * self.rate or float(np.std(kept[0])) < 0.5 * HEARD * self.scale.total_v:
            return
        readings = read_out([(kept[0], kept[1])], self.rate, self.driver)
        ohm = readings.resistance[EDGE:-EDGE]
        if not np.all(np.isfinite(ohm)):
            return
        slope = float(np.polyfit(np.arange(len(ohm)), ohm, 1)[0])
        now = float(ohm.mean()) + max(slope, 0.0) * BEHIND_S
        self.ohm = float(ohm.mean())
        warm = self.limits.ambient_c + (now / self.cold_ohm - 1.0) / COPPER_PER_K
        self.hottest = max(self.hottest, warm)
        if warm > self.limits.coil_c:
            message = f"the coil is at {warm:.0f} °C by its resistance, and the limit is {self.limits.coil_c:.0f} °C"
            raise _stopped("hot", message)


def _stopped(code: str, what: str) -> Stopped:
    message = f"Stopped: {what}. What was recorded is kept as a partial recording."
    return Stopped(message, code=code)
