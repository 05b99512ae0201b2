"""The simulated rig at power: a driver that bends and warms, taken step by step through what an ideal amplifier gives it.

For learning and for tests without hardware, as `tsfit.capture.simulated`; the steps are those of the fit at full travel and
prove nothing about it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.polynomial import chebyshev

from tsfit.base.arrays import Real
from tsfit.capture.excitation import Excitation
from tsfit.capture.level_limit import playable
from tsfit.capture.rig import Rig
from tsfit.capture.simulated import hand_on, report_of
from tsfit.capture.stream import Block, Levels, Sink, StreamReport, Watch
from tsfit.circuit.large_signal import LargeSignal, move, resting
from tsfit.circuit.large_signal_start import start_of
from tsfit.circuit.thermal import conductance
from tsfit.driver.formulas import COPPER_PER_K
from tsfit.driver.record import AtPower, Driver

BLOCK_S = 0.05
"""Handed on at a time; the coil's temperature stands still in it."""
CONTEXT = 8
"""Samples on either side of a block that those between its samples are told from."""


@dataclass(frozen=True)
class SimulatedPowerBench:
    """A `Player` with a driver at full travel on a rig that knows its volts."""

    driver: Driver
    at_power: AtPower
    rig: Rig
    volts_per_full_scale: float  # peak volts across everything that a full-scale output gives
    noise_dbfs: float = -95.0  # RMS of white noise in each channel
    delay_samples: int = 600
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(0), compare=False)

    @property
    def in_real_time(self) -> bool:
        """No: it plays faster, and begins with a cold coil each time."""
        return False

    def play(
        self,
        excitation: Excitation,
        sink: Sink,
        *,
        on_level: Callable[[Levels], None] | None = None,
        watch: Watch | None = None,
    ) -> StreamReport:
        """Take the steps block by block, and hand them on as they come; raises `Stopped` ``interrupted``."""
        samples = playable(excitation.samples, excitation.level_dbfs)
        name, n = f"simulated ({self.driver.name})", len(samples)
        hand_on(name, self._pieces(samples, excitation.sample_rate_hz), n, sink, on_level, watch)
        return report_of(name, n, excitation.sample_rate_hz, self.delay_samples)

    def _pieces(self, samples: Real, rate: float) -> Iterator[Block]:
        rig, at = self.rig, bent(start_of(self.driver), self.at_power)
        loaded = rig.reference_ohm / (1.0 + rig.reference_ohm * rig.input_siemens)
        share = 1.0 / (1.0 + rig.reference_ohm * rig.input_siemens) if rig.topology == "divider" else 1.0
        doublings = max(math.ceil(math.log2(2.0 * at.steps_hz() / rate)), 1)
        state, warm, size = np.zeros(7), np.zeros(2), round(BLOCK_S * rate)
        waiting = np.zeros((self.delay_samples, 2), dtype=np.float32)
        late = np.concatenate([np.zeros(CONTEXT), samples[: size + CONTEXT]])
        for first in range(0, len(samples), size):
            count = min(size, len(samples) - first)
            if first:
                late = samples[first - CONTEXT : first + count + CONTEXT]
            late = np.pad(late, (0, count + 2 * CONTEXT - len(late))).astype(float)
            volts = self.volts_per_full_scale * between(late, doublings)
            ohm = at.Re * (1.0 + COPPER_PER_K * warm[0])
            # The source behind the reference resistor, the other input beside it: one voltage behind one resistance.
            moved = move(
                replace(at, Re=ohm + loaded + rig.lead_ohm), share * volts, rate * 2 ** (doublings - 1), start=state,
            )  # fmt: skip
            per_sample = 2 ** (doublings - 1)
            current = np.concatenate([state[:1], moved.states[:, 0]])[:-1:per_sample]
            warm = self._warmed(warm, moved.states, ohm, at.R2, len(current) / rate)
            state = moved.states[-1]
            yield from self._heard(volts[: -1 : 2 * per_sample], current, loaded, share, waiting)

    def _warmed(self, warm: Real, states: Real, ohm: float, ring: float, seconds: float) -> Real:
        """Rise of coil and magnet (2,) after a block, by one of Euler's steps."""
        if self.at_power.network is None:
            return warm
        network = np.array(self.at_power.network)
        _, ctv, rtm, ctm, _ = network
        flow = (warm[0] - warm[1]) * float(conductance(network, float(np.sqrt(np.mean(states[:, 3] ** 2)))))
        iron = ring * float(np.mean((states[:, 0] - states[:, 1]) ** 2))
        heat = ohm * float(np.mean(states[:, 0] ** 2))
        return warm + seconds * np.array([(heat - flow) / ctv, (flow + iron - warm[1] / rtm) / ctm])

    def _heard(self, volts: Real, current: Real, loaded: float, share: float, waiting: Block) -> Iterator[Block]:
        """What both channels read of a block, so late as the round trip is."""
        rig, both = self.rig, np.empty((len(volts), 2))
        total = rig.total_v or self.volts_per_full_scale
        both[:, rig.total] = volts / total
        across = loaded * current if rig.topology == "shunt" else share * volts - loaded * current
        both[:, rig.second] = across / (rig.second_v or total)
        out = np.concatenate([waiting, both.astype(np.float32)])
        waiting[:] = out[len(volts) :]
        noise = 10.0 ** (self.noise_dbfs / 20.0) * self.rng.standard_normal(both.shape)
        yield np.clip(out[: len(volts)] + noise, -1.0, 1.0).astype(np.float32)


def bent(driver: LargeSignal, at_power: AtPower) -> LargeSignal:
    """Return `driver` with curves over travel."""
    if not at_power.travel:
        return driver
    x0 = max(abs(x) for x in at_power.travel)
    z, order = np.array(at_power.travel) / x0, len(at_power.travel) - 1
    bl, k, shape = (chebyshev.chebfit(z, curve, order) for curve in (at_power.Bl, at_power.K, at_power.L))
    return replace(driver, x0=x0, Bl=driver.Bl[0] * bl, K=driver.K[0] * k, shape=resting(np.asarray(shape, dtype=float)))


def between(samples: Real, doublings: int) -> Real:
    """Samples without their context, twice as dense `doublings` times, the one after the last among them.

    The midpoints are those of a polynomial through six neighbours.
    """
    dense, context = samples, CONTEXT
    for _ in range(doublings):
        middle = np.convolve(dense, np.array([3.0, -25.0, 150.0, 150.0, -25.0, 3.0]) / 256.0, mode="valid")
        # middle[k] lies between dense[k + 2] and dense[k + 3]
        joined = np.empty(2 * len(middle))
        joined[0::2], joined[1::2] = dense[2 : 2 + len(middle)], middle
        dense, context = joined, 2 * (context - 2)
    count = (len(samples) - 2 * CONTEXT) * 2**doublings + 1
    return dense[context : context + count]
