"""What looks after a driver while it is driven hard: limits of travel, heat and volts, and what no sound driver does.

`Watchdog.watch` belongs into the audio callback: clipped or senseless samples, more volts than were confirmed, corners that
nobody played, a current or volts that broke off, and a model of the driver that the measured voltage moves: its travel, and
what is left of the current when the model's is taken off. `Watchdog.look` follows behind, while recording: the coil's
resistance second by second.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.figures import in_figures
from tsfit.capture.absolute import Scale
from tsfit.capture.excitation import Excitation
from tsfit.capture.stream import Block, Stopped
from tsfit.circuit.large_signal import LargeSignal, move
from tsfit.driver.formulas import COPPER_PER_K
from tsfit.driver.record import Driver
from tsfit.heating.losses import LOSSLESS, WITH_LOSSES
from tsfit.heating.readout import Readings, read_out

CLIPPED = 0.999
"""Share of full scale from which a channel counts as clipped."""
LOST_S, LOST = 0.015, 5e-3
"""A current below this share of volts over Re, for so long, has broken off; resonance peaks are lower."""
HEARD = 10.0 ** (-50.0 / 20.0)
"""RMS of the total channel, of full scale, from which there is something to judge."""
OVER = 1.12
"""Peak volts over those that were confirmed; more is another gain than that which was planned with."""
CORNER, CORNERS, ORDER, OF_HISS = 2.0, 0.007, 6, 3.0
"""From which multiple of the highest frequency played, from which share of the peak, and from which multiple of what comes
before anything is played, something comes that was not played; an amplifier that runs against its supply makes it. Common
practice, no source."""
WITHOUT_V, UNHEARD = 3.0, 0.25
"""Volts that a current seems to need, over those that come, and volts that come over those expected: a channel is off."""
READ_S, BEHIND_S, EDGE = 8, 4.0, 2
"""Seconds that a resistance is read from, how far behind it is, and seconds at either end that do not count."""
LEAST_READ, BLIND = 3, 4
"""Readings that tell a resistance, and how often in a row there may be fewer."""
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

    def heated_to(self, over_cold: float) -> float:
        """Temperature of the coil, °C, whose resistance is so many times that at ambient temperature."""
        return self.ambient_c + (over_cold - 1.0) / COPPER_PER_K


class Watchdog:
    """Looks after the recording of one `excitation`; `cold_ohm` is the coil's resistance at ambient temperature, `model`
    moves beside it, `confirmed_v` are the peak volts that somebody agreed to, None where they are not known.

    `hottest` and `farthest` are what was seen so far, °C and m; `ohm` the latest resistance.
    """

    def __init__(
        self, scale: Scale, driver: Driver, model: LargeSignal, limits: NotBeyond, excitation: Excitation,
        confirmed_v: float | None = None,
    ) -> None:  # fmt: skip
        from scipy.signal import butter

        self.scale, self.driver, self.model, self.limits = scale, driver, model, limits
        if driver.coil == LOSSLESS:
            # No time to read the coil while it plays: the model has one.
            coil = {"Le": model.Le, "L2": model.L2, "R2": model.R2}
            self.driver = replace(driver, coil=WITH_LOSSES, coil_values=coil)
        self.rate = rate = excitation.sample_rate_hz
        self.cold_ohm, self.confirmed_v = model.Re, confirmed_v
        self.ohm, self.hottest, self.farthest = model.Re, limits.ambient_c, 0.0
        self._heard = HEARD * scale.total_v
        self._piece = max(round(LOST_S * rate), 2)
        self._tail = np.zeros((2, 0))
        self._high_pass = butter(ORDER, min(CORNER * excitation.high_hz, 0.4 * rate), "high", fs=rate, output="sos")
        self._passed: Real | None = None
        self._loudest, self._silent = 0.0, excitation.start
        self._hiss = 0.1 * self._heard
        self._state, self._last = np.zeros(7), 0.0
        self._dense = 2 * math.ceil(model.steps_hz() / rate)
        self._size = round(WINDOW_S * rate)
        self._window, self._done = np.zeros((3, 0)), 0
        self._left: list[float] = []
        self._loudness, self._unheard = 0.0, 0
        self._expected = self._volts_of(excitation)
        self._kept: list[Real] = []
        self._waiting, self._blind = 0, 0
        # Compiled before anything plays, and not in the callback.
        self._moved(np.zeros(2))

    def _volts_of(self, excitation: Excitation) -> Real:
        """RMS volts of each window as it is played, of it and its neighbours the least; zeros where they are not known."""
        count = len(excitation.samples) // self._size
        if self.confirmed_v is None or not count:
            return np.zeros(1)
        played = np.asarray(excitation.samples[: count * self._size]).reshape(count, -1)
        rms = self.confirmed_v * 10.0 ** (-excitation.level_dbfs / 20.0) * np.sqrt(np.einsum("ij,ij->i", played, played))
        around = np.pad(rms / math.sqrt(self._size), (2, 1))
        return np.asarray(np.lib.stride_tricks.sliding_window_view(around, 4).min(axis=1))

    def watch(self, block: Block) -> None:
        """Raise `Stopped` ``not_finite``, ``clipping``, ``too_loud``, ``corners``, ``lost_current``, ``lost_volts``,
        ``unheard``, ``too_far`` or ``residual`` at what came last (k, 2).
        """
        if not len(block):
            return
        largest = float(np.abs(block).max())
        if not math.isfinite(largest):
            raise _stopped("not_finite", "a channel delivers no numbers; look after the sound system")
        if largest >= CLIPPED:
            raise _stopped("clipping", "a channel is clipped; lower its input gain or ask for less")
        samples = block.astype(float)
        self._judge_volts(self.scale.total_v * samples[:, self.scale.rig.total])
        u, i = self.scale.electrical(samples)
        self._judge_current(u, i)
        self._judge_windows(u, i, self._moved(u))

    def _judge_volts(self, volts: Real) -> None:
        from scipy.signal import sosfilt, sosfilt_zi

        peak = float(np.abs(volts).max())
        if peak > self.limits.volts:
            raise _stopped(
                "too_loud", f"{in_figures(peak, 3)} V peak came, and the limit is {in_figures(self.limits.volts, 3)} V"
            )
        if self.confirmed_v is not None and peak > max(OVER * self.confirmed_v, self._heard):
            message = (
                f"{in_figures(peak, 3)} V peak came where {in_figures(self.confirmed_v, 3)} V were "
                f"confirmed: somebody turned up a gain"
            )
            raise _stopped("too_loud", message)
        self._loudest = max(self._loudest, peak)
        if self._passed is None:
            # As if what comes first, an offset, had always been there.
            self._passed = sosfilt_zi(self._high_pass) * volts[0]
        filtered, self._passed = sosfilt(self._high_pass, volts, zi=self._passed)
        sharp = float(np.abs(filtered).max())
        if self._silent > 0:
            self._silent -= len(volts)
            self._hiss = max(self._hiss, OF_HISS * sharp)
        elif sharp > max(CORNERS * self._loudest, self._hiss):
            message = (
                "what comes has corners that were not played: the amplifier clips, a contact is loose or samples are lost"
            )
            raise _stopped("corners", message)

    def _judge_current(self, u: Real, i: Real) -> None:
        squares = np.concatenate([self._tail, [u * u, i * i]], axis=1)
        sums = np.cumsum(np.pad(squares, ((0, 0), (1, 0))), axis=1)
        ends = np.arange(self._piece, sums.shape[1], self._piece // 2)
        pairs = (sums[:, ends] - sums[:, ends - self._piece]) / self._piece
        self._tail = squares[:, -self._piece :]
        heard = pairs[0] > self._heard**2
        if np.any(heard & (pairs[1] < (LOST / self.driver.Re) ** 2 * pairs[0])):
            raise _stopped("lost_current", "the current broke off: an open coil, a blown fuse, or a clip that came off")

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
            raise _stopped("too_far", f"{message} {in_figures(1e3 * self.limits.travel, 3)} mm")
        return np.asarray(moved.states[dense // 2 - 1 :: dense // 2, 0])

    def _judge_windows(self, u: Real, i: Real, model: Real) -> None:
        """Judge each window that is full: whether both channels hear, and what the model leaves of the current."""
        self._window = np.concatenate([self._window, [u * u, i * i, (i - model) ** 2]], axis=1)
        while self._window.shape[1] >= self._size:
            volts, amperes, left = np.sqrt(self._window[:, : self._size].mean(axis=1)).tolist()
            self._window = self._window[:, self._size :]
            expected = self._expected[min(self._done, len(self._expected) - 1)]
            self._done += 1
            if amperes * self.driver.Re > max(WITHOUT_V * volts, self._heard):
                message = "a current flows without volts: the total channel is off, or something shorts the driver"
                raise _stopped("lost_volts", message)
            self._unheard = self._unheard + 1 if expected > max(volts / UNHEARD, self._heard) else 0
            if self._unheard > 1:
                message = (
                    f"{in_figures(volts, 2)} V come where {in_figures(expected, 2)} V RMS are played: "
                    f"output, amplifier or total channel is off"
                )
                raise _stopped("unheard", message)
            if volts >= self._heard and amperes >= LOST * self._heard / self.driver.Re:
                self._judge_left(amperes, left)

    def _judge_left(self, loud: float, left: float) -> None:
        """Compare what the model leaves of the current with what it left at first."""
        if not 0.5 < loud / (self._loudness or 1e-30) < 2.0:
            # Another level than before, or the beginning: what is left begins anew.
            self._left, self._loudness = [], loud
        self._left.append(left / loud)
        latest = self._left[-2:]
        first = float(np.median(self._left[:FIRST_WINDOWS]))
        grown = len(self._left) > FIRST_WINDOWS and min(latest) > max(GROWN * first, LEAST_LEFT)
        if grown or (len(latest) > 1 and min(latest) > STRANGE):
            message = f"{100.0 * latest[-1]:.0f} % of the current are not what the driver draws"
            raise _stopped("residual", f"{message}: it rubs, strikes or comes loose, or another driver hangs there")

    def look(self, block: Block) -> None:
        """Raise `Stopped` ``hot``, or ``blind`` where no resistance can be read, at what came since (k, 2)."""
        self._kept.append(np.array(self.scale.electrical(block.astype(float)), dtype=np.float32))
        self._waiting += len(block)
        if self._waiting >= self.rate:
            self._waiting = 0
            self._judge_heat()

    def _judge_heat(self) -> None:
        kept = np.concatenate(self._kept, axis=1)[:, -round(READ_S * self.rate) :]
        self._kept = [kept]
        if kept.shape[1] < READ_S * self.rate or float(np.std(kept[0])) < 0.5 * self._heard:
            return
        readings = read_out([(kept[0], kept[1])], self.rate, self.driver)
        at, ohm, weight = told_ohm(readings)
        self._blind = 0 if len(at) >= LEAST_READ else self._blind + 1
        if self._blind > BLIND:
            raise _stopped("blind", "the coil's resistance can no longer be read, so nobody knows how hot it is")
        if self._blind:
            return
        slope = float(np.polyfit(at, ohm, 1, w=weight)[0])
        self.ohm = float(np.average(ohm, weights=weight**2))
        now = self.ohm + max(slope, 0.0) * BEHIND_S
        warm = self.limits.heated_to(now / self.cold_ohm)
        self.hottest = max(self.hottest, warm)
        if warm > self.limits.coil_c:
            message = f"the coil is at {warm:.0f} °C by its resistance, and the limit is {self.limits.coil_c:.0f} °C"
            raise _stopped("hot", message)


def told_ohm(readings: Readings) -> tuple[Real, Real, Real]:
    """Seconds, resistance and its weight, 1/ohm, all (k,), where one can be read."""
    ohm, weight = readings.resistance[EDGE:-EDGE], 1.0 / readings.stdev[EDGE:-EDGE]
    told = np.isfinite(ohm) & np.isfinite(weight) & (weight > 0.0)
    return np.flatnonzero(told).astype(float), ohm[told], weight[told]


def _stopped(code: str, what: str) -> Stopped:
    message = f"Stopped: {what}."
    return Stopped(message, code=code)
