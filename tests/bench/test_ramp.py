"""A simulated driver led up: what is offered, expected, judged and written."""

import os
from dataclasses import replace

import numpy as np
import pytest
from helpers.driver_at_power import RIG_FILE, DriverAtPower, PlayerAtPower
from helpers.made_travel import DRIVERS, driver_of
from helpers.power_rig import DRIVER, power_rig

from tsfit.base.errors import TsfitError
from tsfit.bench.guard import NotBeyond
from tsfit.bench.ramp import (
    PILOT_DB,
    Ramp,
    judge_level,
    next_offer,
    play,
    refuse_small_rig,
)
from tsfit.capture.level_limit import QUIET_DBFS, playable
from tsfit.capture.rig import read_rig
from tsfit.capture.stream import Stopped
from tsfit.formats.driver import read_driver

HEALTHY = 20 if os.environ.get("TSFIT_FAULTS") == "all" else 1
"""How many healthy drivers are led up."""


@pytest.fixture(scope="module")
def led(tmp_path_factory):
    """A ramp of two levels, and what was judged of each."""
    folder = tmp_path_factory.mktemp("led")
    rig = read_rig(power_rig(folder))
    ramp = Ramp(rig, read_driver(folder / DRIVER), NotBeyond(4e-3, 120.0), folder / "up", count=2)
    judged = []
    while (offer := next_offer(ramp, judged)) is not None:
        sweep, report, guard = play(ramp, offer, judged)
        judged.append(judge_level(ramp, offer, sweep, report, judged))
        assert guard.farthest <= ramp.limits.travel
    return ramp, judged


def test_levels_rise_to_the_limit_and_each_does_what_was_expected(led):
    ramp, judged = led
    assert len(judged) == 2
    assert all(one.usable for one in judged)
    assert judged[0].offer.excitation.level_dbfs <= QUIET_DBFS
    assert judged[-1].offer.last
    assert judged[-1].offer.bound == "the limit of travel"
    for one in judged:
        assert one.volts == pytest.approx(one.offer.volts, rel=0.01)
    # A quiet level hardly tells how the curves bend.
    assert judged[1].travel == pytest.approx(judged[1].offer.travel, rel=0.15)
    assert 0.75 * ramp.limits.travel < judged[-1].travel < ramp.limits.travel
    assert judged[-1].left < 0.02


def test_volts_and_the_driver_bind(led, tmp_path):
    ramp, judged = led
    quieter = replace(ramp, limits=replace(ramp.limits, volts=3.0))
    offer = next_offer(replace(quieter, count=2), judged[:1])
    assert (offer.bound, offer.volts) == ("the limit of volts", pytest.approx(3.0))
    spoilt = replace(judged[0], notes=(replace_note(),))
    assert next_offer(ramp, [spoilt]) is None
    with pytest.raises(TsfitError) as refusal:
        refuse_small_rig(replace(ramp, rig=replace(ramp.rig, total_v=None)))
    assert refusal.value.code == "no_scale"
    with pytest.raises(TsfitError) as refusal:
        refuse_small_rig(replace(ramp, driver=replace(ramp.driver, Mms=None)))
    assert refusal.value.code == "incomplete_driver"


@pytest.mark.parametrize("times", [1.2, 1.5, 4.0])
def test_an_amplifier_that_was_turned_up_is_stopped(led, tmp_path, times):
    """Its gain is another than that of the level before: what comes is not what was confirmed, whatever else allows it."""
    ramp, judged = led
    rig = replace(ramp.rig, volts_per_full_scale=times * ramp.rig.volts_per_full_scale)
    turned = replace(ramp, rig=rig, limits=NotBeyond(0.2, 120.0), stem=tmp_path / "turned")
    with pytest.raises(Stopped) as refusal:
        play(turned, judged[1].offer, judged[:1])
    assert refusal.value.code == "too_loud"


def replace_note():
    from tsfit.base.notes import QualityNote

    return QualityNote("residual", "refuse", "It rubs.")


def test_a_power_run_is_pilot_power_pilot_and_no_louder_than_offered(led):
    ramp, judged = led
    run = replace(ramp, run_s=10.0, cool_s=6.0, top_v=6.0, count=2)
    offer = next_offer(run, judged[:1])
    assert offer.run
    assert offer.volts == pytest.approx(6.0)
    # Pink from above the resonance: heat, not travel, is what it is for.
    assert offer.excitation.low_hz == pytest.approx(2.0 * ramp.driver.Fs)
    assert offer.travel < 0.3 * judged[0].travel * offer.volts / judged[0].volts
    excitation = offer.excitation
    samples = playable(excitation.samples, excitation.level_dbfs)
    assert np.abs(samples).max() <= 10.0 ** (excitation.level_dbfs / 20.0) * 1.0001
    rms = [float(np.std(samples[round(t * 16e3) : round((t + 2.0) * 16e3)])) for t in (10.0, 26.0, 36.0)]
    assert 20.0 * np.log10(rms[0] / rms[1]) == pytest.approx(PILOT_DB, abs=0.3)
    assert rms[0] == pytest.approx(rms[2], rel=0.02)


@pytest.mark.parametrize("number", range(HEALTHY))
def test_no_healthy_driver_is_stopped(tmp_path, monkeypatch, number):
    """Drivers of other equations than the guard's model, and files of them that are off by what fits are off."""
    rng = np.random.default_rng(number)

    def off(values, spread):
        return {name: value * float(np.exp(rng.uniform(-spread, spread))) for name, value in values.items()}

    base = DRIVERS[number % len(DRIVERS)]
    of_driver = ("Re", "Bl", "Mms", "Fs", "Qms", "Le", "L2", "R2", "k2", "k4", "slope")
    truth = replace(base, **off({name: getattr(base, name) for name in of_driver}, 0.2), creep=float(rng.uniform(0.0, 0.1)),
                    friction=float(rng.uniform(0.0, 1.0)))  # fmt: skip
    exact = driver_of(truth)
    driver = replace(exact, **off({name: getattr(exact, name) for name in ("Re", "Qms", "Qes", "Fs", "Mms")}, 0.02))
    rig = tmp_path / "rig.toml"
    rig.write_text(RIG_FILE + '[playback]\ndevice = "none"\nsample_rate_hz = 8000\nvolts_per_full_scale = 120\n')
    player = PlayerAtPower(DriverAtPower(truth, 8000, float(120.0 * rng.uniform(0.95, 1.05)), seed=number))
    monkeypatch.setattr("tsfit.bench.ramp.open_player", lambda *_: player)
    if HEALTHY == 1:
        monkeypatch.setattr("tsfit.bench.ramp.PERIOD_S", 1.0)
    limit = float(rng.uniform(0.005, 0.014))
    ramp = Ramp(read_rig(rig), driver, NotBeyond(limit, 120.0), tmp_path / "up", count=2 if HEALTHY == 1 else 4)
    judged = []
    while (offer := next_offer(ramp, judged)) is not None:
        sweep, report, _ = play(ramp, offer, judged)
        judged.append(judge_level(ramp, offer, sweep, report, judged))
        assert judged[-1].usable, judged[-1].notes
    assert judged[-1].offer.last
    assert 0.6 * limit < player.device.farthest < 1.03 * limit
