"""Between two levels: a coil that cools by itself is waited for, and not longer."""

import math

import pytest
from helpers.driver_at_power import RIG_FILE, DriverAtPower, PlayerAtPower
from helpers.made_travel import DRIVERS, driver_of

from tsfit.bench.cooling import COOLED, EVERY_S, cool_enough_c, cooled
from tsfit.bench.guard import NotBeyond
from tsfit.bench.ramp import JudgedLevel, Ramp, next_offer, play
from tsfit.capture.rig import read_rig
from tsfit.capture.stream import Stopped
from tsfit.circuit.large_signal_start import start_of

TAU_S = 40.0
"""In which what is left of a warm coil falls to 1/e here."""


@pytest.fixture(scope="module")
def led(tmp_path_factory):
    """A ramp after its quiet level, the player of it, and its coil."""
    folder = tmp_path_factory.mktemp("cooling")
    (folder / "rig.toml").write_text(
        RIG_FILE + '[playback]\ndevice = "none"\nsample_rate_hz = 8000\nvolts_per_full_scale = 60\n'
    )
    driver = driver_of(DRIVERS[0])
    ramp = Ramp(read_rig(folder / "rig.toml"), driver, NotBeyond(0.012, 120.0), folder / "a")
    player = PlayerAtPower(DriverAtPower(DRIVERS[0], 8000, 60.0, noise_dbfs=-100.0))
    offer = next_offer(ramp, [])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("tsfit.bench.ramp.open_player", lambda *_: player)
        sweep, *_ = play(ramp, offer, [])
    level = JudgedLevel(sweep, offer, offer.volts, 1e-3, 20.0, 0.0, None, start_of(driver), ())
    return ramp, player, [level]


@pytest.mark.parametrize("warm_k", [35.0, 60.0])
def test_a_warm_coil_is_waited_for(led, monkeypatch, warm_k):
    ramp, player, judged = led
    waited, told = [], []

    def sleep(seconds):
        waited.append(seconds)
        player.device.warm_k = warm_k * math.exp(-sum(waited) / TAU_S)

    monkeypatch.setattr("time.sleep", sleep)
    monkeypatch.setattr("tsfit.bench.cooling.open_player", lambda *_: player)
    enough = cool_enough_c(ramp.limits)
    assert enough == pytest.approx(20.0 + 100.0 * COOLED)
    now = cooled(ramp, judged, 20.0 + warm_k, told.append)
    # The times at which it was looked at follow from the law by which it cools here.
    needed = math.ceil(TAU_S * math.log(warm_k / (enough - 20.0)) / EVERY_S)
    assert len(waited) == needed
    assert now == pytest.approx(20.0 + warm_k * math.exp(-needed * EVERY_S / TAU_S), abs=2.0)
    assert [round(one) for one in told[:1]] == [round(20.0 + warm_k)]
    assert all(one > enough for one in told)
    assert max(one.level_dbfs for one in player.excitations) <= judged[0].offer.excitation.level_dbfs


def test_a_cool_one_is_not(led, monkeypatch):
    monkeypatch.setattr("tsfit.bench.cooling.open_player", lambda *_: led[1])
    before = len(led[1].excitations)
    assert cooled(led[0], led[2], 45.0, lambda now: None) == 45.0
    assert len(led[1].excitations) == before


def test_the_guard_looks_after_the_quiet_level_too(led, monkeypatch):
    ramp, _, judged = led
    monkeypatch.setattr("time.sleep", lambda seconds: None)
    louder = PlayerAtPower(DriverAtPower(DRIVERS[0], 8000, 90.0))
    monkeypatch.setattr("tsfit.bench.cooling.open_player", lambda *_: louder)
    with pytest.raises(Stopped) as refusal:
        cooled(ramp, judged, 90.0, lambda now: None)
    assert refusal.value.code == "too_loud"
