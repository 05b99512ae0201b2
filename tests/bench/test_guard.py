"""What ends a playing, and how soon: faults in what a driver answers, judged by the samples that reached the device."""

import math
import os
from dataclasses import replace

import numpy as np
import pytest
from helpers.power_rig import DRIVER, power_rig

from tsfit.bench.guard import NotBeyond, Watchdog
from tsfit.bench.ramp import Ramp, next_offer
from tsfit.capture.absolute import scale_of
from tsfit.capture.exchange import STUCK_SECONDS, Exchange
from tsfit.capture.player import Hung, open_player
from tsfit.capture.rig import read_rig
from tsfit.capture.simulated_power import SimulatedPowerBench
from tsfit.capture.stream import Stopped
from tsfit.circuit.large_signal_start import start_of
from tsfit.driver.record import AtPower
from tsfit.formats.driver import read_driver

FAULTS = int(os.environ.get("TSFIT_FAULTS", "6"))
"""How many faults are put in."""
RATE, SILENT_S = 16000, 0.05
KINDS = ("lost current", "clipped", "no numbers", "too loud", "stuck callback", "stuck watcher")


class StandInStop(Exception):  # noqa: N818
    pass


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """Rig, driver, an excitation 18 dB above the quiet beginning, and what the simulated rig answers to it."""
    folder = tmp_path_factory.mktemp("power")
    rig = read_rig(power_rig(folder))
    driver = read_driver(folder / DRIVER)
    quiet = next_offer(Ramp(rig, driver, NotBeyond(0.012, 120.0), folder / "a"), []).excitation
    samples = 8.0 * quiet.samples[: 5 * RATE]
    loud = replace(quiet, samples=samples, level_dbfs=quiet.level_dbfs + 20 * math.log10(8.0), stop=5 * RATE)
    blocks = []
    open_player(rig, Hung(at_power=True)).play(loud, blocks.append)
    return rig, driver, loud, np.concatenate(blocks)


def guard_of(bench, **limits):
    rig, driver, _, _ = bench
    given = {"travel": 0.012, "coil_c": 120.0, **limits}
    return Watchdog(scale_of(rig), driver, start_of(driver), NotBeyond(**given), RATE)


def followed(answer, *looks):
    for first in range(0, len(answer), 700):
        for look in looks:
            look(answer[first : first + 700])


def test_a_healthy_driver_is_left_alone(bench):
    guard = guard_of(bench)
    answer = bench[3]
    followed(answer, guard.watch, guard.look)
    assert 0.002 < guard.farthest < 0.006


def damaged(kind, answer, at, rig, guard):
    """The answer (n, 2) with a fault from sample `at` on."""
    answer = answer.copy()
    if kind == "lost current":
        answer[at:, rig.second] *= 1e-3
    elif kind == "clipped":
        answer[at, rig.second] = 1.0
    elif kind == "no numbers":
        answer[at] = np.nan
    elif kind == "too loud":
        answer[at, rig.total] = 1.01 * guard.limits.volts / guard.scale.total_v
    return answer


@pytest.mark.parametrize("number", range(FAULTS))
def test_every_fault_ends_in_silence_within_50_ms_of_audio(bench, number, monkeypatch):
    rig, _, excitation, answer = bench
    rng = np.random.default_rng(number)
    kind, size, at = KINDS[number % len(KINDS)], int(rng.choice([128, 256, 512])), int(rng.integers(3 * RATE, 4 * RATE))
    guard = guard_of(bench, volts=40.0)
    answer = damaged(kind, answer, at, rig, guard)
    exchange = Exchange(excitation, 1, lambda block: None, StandInStop, guard.watch)
    now = {"t": 0.0}
    monkeypatch.setattr("time.perf_counter", lambda: now["t"])
    played, stopped = [], False
    for first in range(0, len(answer), size):
        goes = np.full((size, 2), np.nan, dtype=np.float32)
        stuck = first <= at < first + size
        now["t"] += 1.1 * STUCK_SECONDS if stuck and kind == "stuck callback" else size / RATE
        if kind != "stuck watcher" or first + size <= at - RATE * STUCK_SECONDS:
            exchange.tended = now["t"]
        try:
            exchange.callback(answer[first : first + size], goes, size, None, "")
        except StandInStop:
            stopped = True
        played.append(goes[:, 0].copy())
        if stopped:
            break
    out = np.concatenate(played)
    assert stopped
    assert isinstance(exchange.alarm, Stopped)
    assert np.all(np.isfinite(out))
    assert np.abs(out).max() <= np.abs(excitation.samples).max() + 1e-7
    sounding = int(np.flatnonzero(out)[-1])
    # What a stuck device repeats of itself is not ours; the time until then counts from when it is called again.
    assert sounding - at <= SILENT_S * RATE + size * (kind == "stuck watcher"), (kind, sounding - at)


@pytest.mark.parametrize(("limits", "code"), [({"travel": 0.002}, "too_far"), ({"volts": 1.0}, "too_loud")])
def test_a_limit_is_one(bench, limits, code):
    guard, answer = guard_of(bench, **limits), bench[3]
    with pytest.raises(Stopped) as refusal:
        followed(answer, guard.watch, guard.look)
    assert refusal.value.code == code
    assert guard.farthest < 0.0025


def test_runaway_resistance_is_seen_and_another_driver_is(bench):
    rig, driver, excitation, answer = bench
    samples = np.concatenate([excitation.samples, np.tile(excitation.samples[RATE * 3 :], 5)])
    hot = AtPower(network=(200.0, 0.1, 0.1, 1e4, 0.0))
    guard = guard_of(bench, coil_c=60.0)
    with pytest.raises(Stopped) as refusal:
        SimulatedPowerBench(driver, hot, rig, 60.0).play(replace(excitation, samples=samples), guard.look)
    assert refusal.value.code == "hot"
    strange = answer.copy()
    strange[:, rig.second] *= -1.0
    with pytest.raises(Stopped) as refusal:
        followed(strange, guard_of(bench).look)
    assert refusal.value.code == "residual"
