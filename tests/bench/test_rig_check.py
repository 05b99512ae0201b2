"""The check of a rig on the simulated bench: what is planted is found, what is well is left alone."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from helpers.paths import RIGS
from helpers.simulated_rig import QUICK_HZ

from tsfit.base.files import to_json
from tsfit.base.forms import plain, read_form
from tsfit.bench.rig_check import RigCheck, check_rig, hum_level
from tsfit.bench.sweep import plan
from tsfit.capture.excitation import Wanted
from tsfit.capture.player import Hung, open_player
from tsfit.capture.rig import read_rig

# A rate at which a sweep costs a third of what it costs at the file's own.
RIG = replace(read_rig(RIGS / "simulated.toml"), sample_rate_hz=QUICK_HZ)


def checked(level_dbfs=-30.0, known_ohm=10.0, **changes):
    """Check the simulated rig with changes to what is simulated."""
    player = replace(open_player(RIG, Hung(known_ohm=known_ohm)), rng=np.random.default_rng(1), **changes)
    excitation = plan(RIG, Wanted(seconds=3.0, level_dbfs=level_dbfs, silence_s=2.0))
    return check_rig(RIG, excitation, known_ohm=known_ohm, player=player)


def test_a_sound_rig_needs_nothing():
    found = checked()
    assert found.advice == ()
    assert found.hum_found_hz is None
    assert found.gain_percent == pytest.approx(0.0, abs=0.05)
    assert found.verdict.delay_samples == 600
    assert found.verdict.noise_dbfs == pytest.approx((-100.0, -100.0), abs=1.0)
    assert max(found.verdict.peak_dbfs) == pytest.approx(-30.0, abs=0.2)


@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_hum_is_told_and_named(mains):
    found = checked(hum_dbfs=-70.0, mains_hz=mains)
    assert found.hum_found_hz == mains
    assert any(f"{mains:g} Hz" in sentence for sentence in found.advice)


def test_hum_level_of_a_known_hum():
    rate, mains = 48000, 50.0
    time = np.arange(2 * rate) / rate
    hum = 0.01 * np.sin(2 * np.pi * mains * time + 0.3) + 0.005 * np.cos(2 * np.pi * 3 * mains * time)
    level = hum_level(np.column_stack([hum, 0.1 * hum]), rate, mains)
    assert level == pytest.approx((10 * np.log10(1.25e-4), 10 * np.log10(1.25e-6)), abs=0.05)


def test_unlike_gains_are_told_with_a_known_resistor():
    found = checked(channel_gain=1.02)
    assert found.gain_percent == pytest.approx(2.0, abs=0.05)
    assert any("gains differ" in sentence for sentence in found.advice)
    assert checked(known_ohm=None).gain_percent is None


def test_levels_say_which_way_to_turn():
    assert any("Turn up" in sentence for sentence in checked(input_gain_db=-25.0).advice)
    assert any("clipped" in sentence for sentence in checked(input_gain_db=40.0).advice)
    assert any("Turn down" in sentence for sentence in checked(input_gain_db=28.5).advice)


def test_a_wrong_clock_is_told():
    assert any("clock" in sentence for sentence in checked(true_rate_hz=47950.0).advice)


def test_the_machine_form_is_read_as_it_was_written():
    found = checked(hum_dbfs=-50.0)
    data = json.loads(to_json(found))
    assert data["kind"] == "rig check"
    again = read_form(Path("check.json"), data, RigCheck)
    assert (again.hum_found_hz, again.advice) == (found.hum_found_hz, found.advice)
    assert again.hum_found_hz == 50.0
    assert json.loads(json.dumps(plain(again))) == data
