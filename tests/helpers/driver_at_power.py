"""A driver of `helpers.made_travel` on a shunt rig, answered block by block, and what can go wrong while it plays.

Of the package only the exchange of the audio callback is used, which is under test; it computes nothing of what comes. A
`Fault` begins at a sample of what comes out of the device.
"""

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.polynomial import chebyshev

from helpers.made_travel import (
    DECADES,
    LEAD,
    REFERENCE_FULL_SCALE,
    SHUNT,
    TOTAL_FULL_SCALE,
    start_of,
    three_eighths,
)
from tsfit.capture.exchange import STUCK_SECONDS, Exchange
from tsfit.capture.level_limit import playable
from tsfit.capture.stream import Stopped, StreamReport
from tsfit.circuit.large_signal import resting

PER_K, TURN_S, SPEED_S = 0.00393, 0.2, 0.5
RIG_FILE = f"""name = "at power"
topology = "shunt"
reference_ohm = {SHUNT}
[channels]
total = 1
reference = 2
total_v_full_scale = {TOTAL_FULL_SCALE}
reference_v_full_scale = {REFERENCE_FULL_SCALE}
[leads]
resistance_ohm = {LEAD}
"""


@dataclass(frozen=True)
class Fault:
    """`kind` with a `size` from sample `at` on; see `DriverAtPower`."""

    kind: str = "none"
    at: int = 0
    size: float = 0.0


TURNED = ("gain turned up", "amplifier off")


def turned(at, fault, rate):
    """By which factor the amplifier gives more than before at samples `at`: a hand takes its time."""
    return 1.0 + (fault.size - 1.0) * np.clip((at - fault.at) / (TURN_S * rate), 0.0, 1.0)


class DriverAtPower:
    """Amplifier, rig and driver; `heard_wrong` is the first sample in which a fault shows in what comes back.

    `volts` (peak) come of full scale. `hottest_k` is the largest rise of the coil. `network` (Rtv0, Ctv, Rtm, Ctm, g), if
    there is one, warms coil and magnet; heat in the iron is left out.
    """

    def __init__(self, truth, rate, volts, fault=None, *, noise_dbfs=-90.0, delay=500, seed=0, network=None):
        self.truth, self.rate, self.volts, self.fault = truth, rate, volts, fault or Fault()
        self.noise, self.rng = 10.0 ** (noise_dbfs / 20.0), np.random.default_rng(seed)
        self.p, self.tau = truth.vector, 10.0**DECADES / (2.0 * math.pi * truth.Fs)
        self.p[0] += SHUNT + LEAD
        self.y, self.before = np.zeros(4 + len(self.tau)), np.zeros(1)
        self.waiting = np.zeros((delay, 2))
        self.done, self.hottest_k, self.farthest, self.warm_k = 0, 0.0, 0.0, 0.0
        self.network, self.magnet_k, self.speed2, self.at = network, 0.0, 0.0, 0.0

    def __call__(self, x):
        """Answer (n, 2) to a block (n,) that goes out."""
        fault, first = self.fault, self.done
        at = np.arange(first, first + len(x))
        self.done += len(x)
        on = at >= fault.at
        u = self.volts * x.astype(float)
        if fault.kind in TURNED:
            u = u * turned(at, fault, self.rate)
        elif fault.kind == "clipped amplifier":
            u = np.where(on, np.clip(u, -fault.size, fault.size), u)
        warm = np.maximum(at - fault.at, 0) / self.rate * (fault.size if fault.kind == "runaway Re" else 0.0)
        warm = warm + PER_K * self.warm_k
        self.hottest_k = max(self.hottest_k, float(warm.max()) / PER_K)
        fine = np.interp(np.arange(3 * len(x)) / 3.0, np.arange(len(x) + 1), np.append(self.before, u))
        out = three_eighths(fine, 1.0 / self.rate, self.p, self.tau, warm * self.truth.Re / self.p[0], self.y)
        self.before = u[-1:]
        i = out[:, 0]
        if self.network is not None:
            self._warm(i, out[:, 1])
        self.farthest = max(self.farthest, float(np.abs(out[:, 1]).max()))
        if fault.kind == "lost current":
            i = np.where(on, fault.size * i, i)
        elif fault.kind == "rubbing":
            # The coil scrapes once a swing: current comes in bursts that the volts know nothing of.
            i = i + np.where(on & (out[:, 1] > 0.0), fault.size * np.std(i) * self.rng.standard_normal(len(i)), 0.0)
        both = np.column_stack([u / TOTAL_FULL_SCALE, SHUNT * i / REFERENCE_FULL_SCALE])
        if fault.kind in ("total channel off", "reference channel off"):
            both[on, ["total channel off", "reference channel off"].index(fault.kind)] = 0.0
        elif fault.kind == "no numbers":
            both[on] = fault.size
        joined = np.concatenate([self.waiting, both])
        self.waiting = joined[len(x) :]
        return (joined[: len(x)] + self.noise * self.rng.standard_normal(both.shape)).astype(np.float32)

    def _warm(self, i, x):
        """Warm coil and magnet by what flowed in a block, in steps that are short beside both time constants."""
        rtv0, ctv, rtm, ctm, g = self.network
        seconds = len(i) / self.rate
        speed2 = float(np.mean((np.diff(x, prepend=self.at) * self.rate) ** 2))
        self.at = x[-1]
        self.speed2 += (speed2 - self.speed2) * -math.expm1(-seconds / SPEED_S)
        out = 1.0 / rtv0 + g * math.sqrt(self.speed2)
        square, steps = float(np.mean(i**2)), max(math.ceil(200.0 * seconds), 1)
        for _ in range(steps):
            flow = (self.warm_k - self.magnet_k) * out
            heat = self.truth.Re * (1.0 + PER_K * self.warm_k) * square
            self.warm_k += seconds / steps * (heat - flow) / ctv
            self.magnet_k += seconds / steps * (flow - self.magnet_k / rtm) / ctm


def known_of(truth):
    """The driver as a fit to its louder levels would have it: the curves, in polynomials of travel."""
    x0 = 0.027
    z = np.cos(math.pi * (np.arange(60) + 0.5) / 60.0)
    bl, k, shape = (
        chebyshev.chebfit(z, curve(x0 * z), 8) for curve in (truth.bl, truth.stiffness, truth.shape)
    )  # fmt: skip
    return replace(start_of(truth, 1.0), x0=x0, Bl=bl, K=k, shape=resting(shape))


@dataclass(frozen=True)
class Ended:
    """How a playing ended: what went out (n,), what stopped it, and the first sample of the block in which it did."""

    out: np.ndarray
    alarm: BaseException | None
    block: int

    @property
    def sounding(self):
        """The last sample that sounds."""
        return int(np.flatnonzero(self.out)[-1])


class StandInStop(Exception):  # noqa: N818
    pass


def played(excitation, answers, guard, size, monkeypatch, *, stuck_at=None, left_alone_at=None):
    """Play through the exchange of the audio callback, `size` samples at a time, in its own time.

    The callback is too late at the sample `stuck_at`; nobody looks after the playing from `left_alone_at` on.
    """
    rate, now = excitation.sample_rate_hz, {"t": 0.0}
    monkeypatch.setattr("time.perf_counter", lambda: now["t"])
    exchange = Exchange(excitation, 1, lambda block: None, StandInStop, guard.watch)
    goes, parts, first = np.zeros((size, 2), dtype=np.float32), [], 0
    for first in range(0, len(excitation.samples), size):
        came = answers(goes[:, 0])
        late = stuck_at is not None and first <= stuck_at < first + size
        now["t"] += 1.1 * STUCK_SECONDS if late else size / rate
        if left_alone_at is None or first <= left_alone_at:
            exchange.tended = now["t"]
        goes = np.full((size, 2), np.nan, dtype=np.float32)
        try:
            exchange.callback(came, goes, size, None, "")
        except StandInStop:
            parts.append(goes[:, 0])
            break
        parts.append(goes[:, 0])
        try:
            guard.look(came)
        except Stopped as stop:
            exchange.failure = stop
    monkeypatch.undo()
    return Ended(np.concatenate(parts), exchange.alarm or exchange.failure, first)


@dataclass
class PlayerAtPower:
    """A `Player` with a `device` on it; what is asked to be played is kept."""

    device: DriverAtPower
    in_real_time: bool = True
    excitations: list = field(default_factory=list)

    def play(self, excitation, sink, *, on_level=None, watch=None):
        self.excitations.append(excitation)
        samples, rate = playable(excitation.samples, excitation.level_dbfs), excitation.sample_rate_hz
        size = round(0.05 * rate)
        for first in range(0, len(samples), size):
            came = self.device(samples[first : first + size])
            sink(came)
            if watch is not None:
                watch(came)
        n = len(samples)
        return StreamReport("stand-in", n, n, n / rate, rate, len(self.device.waiting))
