"""What ends a playing, and how soon: faults in what a driver answers, judged by the samples that reached the device.

Driver, amplifier and rig are those of `helpers.driver_at_power`, which shares nothing with the guard. For each fault the
test itself says, of what was asked of the amplifier, in which sample it can first be told.
"""

import math
import os
from dataclasses import replace

import numpy as np
import pytest
from helpers.driver_at_power import PER_K, RIG_FILE, DriverAtPower, Fault, known_of, played, turned
from helpers.made_travel import DRIVERS, TOTAL_FULL_SCALE, driver_of

from tsfit.bench.guard import NotBeyond, Watchdog
from tsfit.bench.ramp import Ramp, next_offer
from tsfit.capture.absolute import scale_of
from tsfit.capture.exchange import STUCK_SECONDS
from tsfit.capture.rig import read_rig
from tsfit.circuit.large_signal_start import start_of

ALL = os.environ.get("TSFIT_FAULTS") == "all"
"""Whether a hundred faults are put in, and not one of each kind."""
RATE, SILENT_S, DELAY, DBFS = 16000, 0.05, 500, -10.0
HOT_AFTER_S, LATE_S, READ_K = 6.0, 1.5, 10.0
"""When a runaway coil reaches its limit, how late that may be seen, and by how many kelvin it may be misread."""
OVER = 1.12
"""By which factor more may come than was confirmed."""
TOLD_S = {
    "lost current": 0.0, "clipped amplifier": 0.01, "gain turned up": 0.0, "no numbers": 0.0, "input clipped": 0.0,
    "stuck callback": 0.0, "left alone": STUCK_SECONDS, "amplifier off": 0.75, "total channel off": 0.5,
    "reference channel off": 0.0, "rubbing": 0.75, "sudden heat": 1.5, "runaway Re": 0.0,
}  # fmt: skip
"""Seconds of sound that it takes to tell a fault from what is healthy, once it shows."""
SIZES = {
    "lost current": (0.0, 1e-4, 1e-3), "clipped amplifier": (0.3, 0.5, 0.7), "gain turned up": (1.2, 1.6, 4.0),
    "no numbers": (math.nan, math.inf, -math.inf), "input clipped": (1.0, -1.0, 1.5), "rubbing": (0.5, 1.0, 2.0),
    "sudden heat": (0.4, 1.0, 3.0), "runaway Re": (0.02, 0.04, 0.08),
}  # fmt: skip
"""Of the current that is left; of the peak at which the amplifier clips; of Re, a second."""


@pytest.fixture(scope="module")
def rig(tmp_path_factory):
    path = tmp_path_factory.mktemp("power") / "rig.toml"
    path.write_text(RIG_FILE + f'[playback]\ndevice = "none"\nsample_rate_hz = {RATE}\n')
    return read_rig(path)


def excitation_of(rig, driver, seconds):
    """What a ramp plays to the driver, at `DBFS`, cut off after so long."""
    ramp = Ramp(rig, driver, NotBeyond(0.012, 120.0), rig.path.with_name("a"))
    quiet = next_offer(ramp, []).excitation
    n = min(round(seconds * RATE), len(quiet.samples))
    samples = quiet.samples[:n] * 10.0 ** ((DBFS - quiet.level_dbfs) / 20.0)
    return replace(quiet, samples=samples, level_dbfs=DBFS, stop=min(n, quiet.stop))


def first_told(kind, size, wanted, at, confirmed):
    """The first sample from `at` on in which a fault shows, of the volts `wanted` (n,) of the amplifier."""
    after = np.arange(len(wanted)) >= at
    if kind == "clipped amplifier":
        after &= np.abs(wanted) > size
    elif kind == "gain turned up":
        after &= np.abs(turned(np.arange(len(wanted)), Fault(kind, at, size), RATE) * wanted) > OVER * confirmed
    elif kind in ("lost current", "reference channel off"):
        # Of silence nobody tells a lost current; 25 ms of one percent of full scale are none.
        squares = np.convolve(wanted**2, np.ones(400) / 400.0)[: len(wanted)]
        after = (np.arange(len(wanted)) >= at + 400) & (squares > (1e-2 * TOTAL_FULL_SCALE) ** 2)
    return int(np.flatnonzero(after)[0])


PLANS = [
    (kind, size, *at)
    for number, at in enumerate([(0, 0.3), (1, 1.0), (2, 0.05)] if ALL else [(0, 0.3)])
    for kind in TOLD_S
    for size in (SIZES.get(kind, (0.0,) * 3) if ALL else SIZES.get(kind, (0.0,))[:1])
]


@pytest.mark.parametrize(("kind", "size", "which", "share"), PLANS)
def test_every_fault_ends_in_silence_within_50_ms_of_audio(rig, monkeypatch, kind, size, which, share):
    truth, rng, slow = DRIVERS[which], np.random.default_rng([which, len(kind)]), kind == "runaway Re"
    driver, confirmed = driver_of(truth), share * truth.volts
    excitation = excitation_of(rig, driver, {"runaway Re": 14.0, "rubbing": 6.5}.get(kind, 5.0))
    block = int(rng.choice([64, 128, 256, 512])) if ALL else 512
    # That it rubs is told against what it did in two seconds of the same loudness.
    at = int(rng.integers(3.0 * RATE, 3.6 * RATE)) + 2 * RATE * (kind == "rubbing")
    limit_k = HOT_AFTER_S * size / PER_K if slow else 100.0
    full = confirmed * 10.0 ** (-DBFS / 20.0)
    done = size * confirmed if kind == "clipped amplifier" else size
    fault = Fault({"sudden heat": "runaway Re", "input clipped": "no numbers"}.get(kind, kind), at, done)
    device = DriverAtPower(truth, RATE, full, fault, delay=DELAY)
    limits = NotBeyond(0.03, 20.0 + limit_k)
    guard = Watchdog(scale_of(rig), driver, known_of(truth), limits, excitation, confirmed)
    late = {"stuck callback": {"stuck_at": at}, "left alone": {"left_alone_at": at}}.get(kind, {})
    ended = played(excitation, device, guard, block, monkeypatch, **late)
    assert ended.alarm is not None
    assert np.all(np.isfinite(ended.out))
    assert np.abs(ended.out).max() <= np.abs(excitation.samples).max() + 1e-7
    assert ended.sounding - ended.block <= SILENT_S * RATE
    if slow:
        assert ended.alarm.code in ("hot", "residual")
        assert device.hottest_k < limit_k + READ_K + LATE_S * size / PER_K
    else:
        came = 0 if late else DELAY + block
        told = first_told(kind, done, full * excitation.samples, at, confirmed) + came + round(TOLD_S[kind] * RATE)
        # A quiet level's corners are nearer to the noise.
        assert ended.sounding - told <= SILENT_S * RATE + 0.5 * RATE * (kind == "clipped amplifier" and share < 0.1)


@pytest.mark.parametrize("share", [0.05, 0.3, 1.0] if ALL else [1.0])
@pytest.mark.parametrize("which", range(len(DRIVERS)) if ALL else [2])
def test_a_healthy_driver_is_left_alone(rig, monkeypatch, which, share):
    truth = DRIVERS[which]
    driver, confirmed = driver_of(truth), share * truth.volts
    excitation = excitation_of(rig, driver, 15.0 if ALL else 5.0)
    device = DriverAtPower(truth, RATE, confirmed * 10.0 ** (-DBFS / 20.0), delay=DELAY)
    guard = Watchdog(scale_of(rig), driver, known_of(truth), NotBeyond(0.03, 120.0), excitation, confirmed)
    ended = played(excitation, device, guard, 512, monkeypatch)
    assert ended.alarm is None
    assert guard.farthest == pytest.approx(device.farthest, rel=0.02)
    assert guard.hottest < 30.0


@pytest.mark.parametrize(("limits", "code"), [({"travel": 0.002}, "too_far"), ({"volts": 5.0}, "too_loud")])
def test_a_limit_is_one(rig, monkeypatch, limits, code):
    truth, volts = DRIVERS[0], 0.3 * DRIVERS[0].volts
    driver = driver_of(truth)
    excitation = excitation_of(rig, driver, 5.0)
    device = DriverAtPower(truth, RATE, volts * 10.0 ** (-DBFS / 20.0), delay=DELAY)
    given = NotBeyond(**{"travel": 0.012, "coil_c": 120.0, **limits})
    ended = played(
        excitation, device, Watchdog(scale_of(rig), driver, start_of(driver), given, excitation), 256, monkeypatch
    )
    assert ended.alarm.code == code
    # Three blocks and the round trip later the cone has gone on.
    assert device.farthest < 0.004


def test_a_current_that_runs_the_other_way_is_told_at_once(rig, monkeypatch):
    truth = DRIVERS[0]
    driver = driver_of(truth)
    excitation = excitation_of(rig, driver, 4.0)
    device = DriverAtPower(truth, RATE, 10.0 * 10.0 ** (-DBFS / 20.0), delay=DELAY)
    guard = Watchdog(scale_of(rig), driver, start_of(driver), NotBeyond(0.012, 120.0), excitation, 10.0)
    ended = played(excitation, lambda x: device(x) * np.float32([1.0, -1.0]), guard, 512, monkeypatch)
    assert ended.alarm.code == "residual"
    assert ended.block < 3 * RATE
