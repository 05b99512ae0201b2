"""Calibration on the simulated rig: what is planted is found, and what a voltmeter's reading means."""

import math
import tomllib
from dataclasses import replace
from datetime import datetime

import pytest
from helpers.simulated_rig import simulated_rig

from tsfit.base.errors import TsfitError
from tsfit.bench.calibrate import (
    KnownThing,
    dated_folder,
    play_tone,
    prove,
    record_standard,
    write_calibrated,
    write_trimmed,
    write_volts,
)
from tsfit.bench.sweep import plan
from tsfit.capture.excitation import Wanted, make_tone
from tsfit.capture.player import Hung, open_player
from tsfit.capture.rig import read_rig


@pytest.fixture
def rig(tmp_path):
    return read_rig(simulated_rig(tmp_path))


@pytest.fixture
def recorded(rig):
    """Record something known in the driver's place."""
    excitation = plan(rig, Wanted(seconds=2.0))

    def record(ohm):
        thing = KnownThing(ohm, None, rig.path.with_name(f"{ohm:g}.wav"))
        record_standard(rig, thing, excitation)
        return thing

    return record


def wrong(rig):
    """Rig file whose reference is 3 % off: the scale of the ratio is off by what a calibration must find."""
    path = rig.path.with_name("wrong.toml")
    path.write_text(rig.path.read_text().replace("reference_ohm = 100.0", "reference_ohm = 103.0"))
    return read_rig(path)


def test_a_gain_error_is_trimmed_away(rig, recorded):
    known, proof = recorded(10.0), recorded(4.7)
    assert prove(wrong(rig), proof).median_percent > 2.5
    trimmed = write_trimmed(wrong(rig), known, rig.path.with_name("trimmed.toml"))
    assert trimmed.gain_trim == pytest.approx(1.0 / 1.027, abs=0.01)
    assert prove(trimmed, proof).median_percent < 0.2


def test_three_terms_take_a_wrong_reference_away(rig, recorded):
    things = [recorded(ohm) for ohm in (math.inf, 0.0, 10.0)]
    assert [thing.name for thing in things] == ["open circuit", "short circuit", "10 ohm"]
    path = rig.path.with_name("calibrated.toml")
    calibrated = write_calibrated(wrong(rig), things, path, datetime(2026, 5, 4, 3, 2, 1))
    assert prove(calibrated, recorded(22.0)).median_percent < 0.2
    table = tomllib.loads(path.read_text())["calibration"]
    assert (table["open"], table["short"], table["known"][0]["ohm"]) == ("inf.wav", "0.wav", 10.0)
    with pytest.raises(TsfitError) as error:
        write_calibrated(rig, things[:2], rig.path.with_name("two.toml"), datetime(2026, 5, 4))
    assert error.value.code == "wrong_value"


@pytest.mark.parametrize("second", [0.0, 22.0])
def test_a_recording_that_is_the_one_before_again_is_refused_at_once(rig, second, recorded):
    first = recorded(10.0)
    thing = KnownThing(second, None, rig.path.with_name("again.wav"))
    hung = replace(rig, simulated_driver=None)
    with pytest.MonkeyPatch.context() as patch:
        # Nobody has plugged anything else.
        patch.setattr("tsfit.bench.calibrate.open_player", lambda _, __: open_player(rig, Hung(known_ohm=10.0)))
        with pytest.raises(TsfitError, match="do not differ as they should") as error:
            record_standard(hung, thing, plan(rig, Wanted(seconds=2.0)), before=[first])
    assert error.value.code == "calibration"
    record_standard(
        rig, KnownThing(second, None, rig.path.with_name("well.wav")), plan(rig, Wanted(seconds=2.0)), before=[first]
    )


def test_a_voltmeter_tells_what_full_scale_gives(rig):
    tone = make_tone(130.0, sample_rate_hz=48000.0, seconds=1.0, level_dbfs=-20.0)
    assert play_tone(rig, tone) == pytest.approx(-20.0, abs=0.05)
    # A sine of 0.1 V RMS has a peak of 0.1414 V, ten times of which full scale would give.
    told = write_volts(rig, -20.0, 0.1, rig.path.with_name("volts.toml"))
    assert told.volts_per_full_scale == pytest.approx(1.4142, abs=1e-4)
    with pytest.raises(TsfitError) as error:
        play_tone(rig, replace(tone, samples=1e-6 * tone.samples))
    assert error.value.code == "not_heard"


def test_recordings_get_a_dated_folder_beside_the_rig(rig):
    now = datetime(2026, 5, 4, 3, 2, 1)
    assert dated_folder(rig, now).name == "simulated-calibration-2026-05-04-030201"
    with pytest.raises(TsfitError) as error:
        dated_folder(rig, now)
    assert error.value.code == "cannot_write"


def test_a_copy_in_another_folder_names_the_same_files(rig, recorded):
    things = [recorded(ohm) for ohm in (math.inf, 0.0, 10.0)]
    beside = write_calibrated(rig, things, rig.path.with_name("calibrated.toml"), datetime(2026, 5, 4))
    away = rig.path.parent / "away"
    away.mkdir()
    copy = write_volts(beside, -20.0, 0.1, away / "volts.toml")
    assert copy.simulated_driver.resolve() == rig.simulated_driver.resolve()
    table = tomllib.loads(copy.path.read_text())["calibration"]
    assert (table["open"], table["known"][0]["recording"]) == ("../inf.wav", "../10.wav")
    assert prove(copy, things[2]).median_percent < 0.2
