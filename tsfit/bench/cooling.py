"""A coil cools before it is driven harder: a quiet level is played now and then, and its resistance tells when."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

import numpy as np

from tsfit.base.arrays import Real
from tsfit.bench.guard import NotBeyond, Watchdog, told_ohm
from tsfit.bench.ramp import JudgedLevel, Ramp
from tsfit.capture.player import Hung, open_player
from tsfit.capture.recording import read_recording
from tsfit.capture.stream import Block
from tsfit.heating.readout import read_out

COOLED = 0.3
"""Share of the rise that a coil may take, below which it is cool enough for another level."""
EVERY_S = 15.0


def cool_enough_c(limits: NotBeyond) -> float:
    """Temperature of the coil below which the next level may be played, °C."""
    return limits.ambient_c + COOLED * (limits.coil_c - limits.ambient_c)


def cooled(ramp: Ramp, judged: Sequence[JudgedLevel], hottest_c: float, told: Callable[[float], None]) -> float:
    """Wait until the coil, at `hottest_c` in the last level, is cool enough; return its temperature then, °C.

    The first, quiet level is played for it every `EVERY_S`; `told` hears each temperature that is too high. Nobody waits
    for the simulated rig, where nothing has to cool. Raises what the guard, the device and Ctrl-C raise.
    """
    quiet, now, cold = judged[0].offer, hottest_c, None
    player = open_player(ramp.rig, Hung(at_power=True))
    while now > cool_enough_c(ramp.limits):
        told(now)
        if player.in_real_time:
            time.sleep(EVERY_S)
        blocks: list[Block] = []
        guard = Watchdog(ramp.scale, ramp.driver, judged[0].model, ramp.limits, quiet.excitation, judged[0].volts)
        player.play(quiet.excitation, blocks.append, watch=guard.watch)
        if cold is None:
            cold = _ohm(ramp, read_recording(ramp.stem.with_name(judged[0].sweep.recording or "")).samples)
        now = ramp.limits.heated_to(_ohm(ramp, np.concatenate(blocks)) / cold)
    return now


def _ohm(ramp: Ramp, samples: Real) -> float:
    """Resistance of the coil in a recording of the quiet level (n, 2)."""
    readings = read_out([ramp.scale.electrical(np.asarray(samples, dtype=float))], ramp.rig.plays_at_hz, ramp.driver)
    _, ohm, weight = told_ohm(readings)
    return float(np.average(ohm, weights=weight**2))
