"""Calibration on the simulated rig: what is planted is found, and what a voltmeter's reading means."""

import math
import tomllib
from dataclasses import replace
from datetime import datetime

import pytest
from helpers.simulated_rig import simulated_rig

from tsfit.base.errors import TsfitError
from tsfit.bench.calibrate import (
    HeardTone,
    KnownThing,
    dated_folder,
    play_tone,
    prove,
    record_standard,
    refuse_reading,
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
    heard = play_tone(rig, tone)
    assert heard.total_dbfs == pytest.approx(-20.0, abs=0.05)
    # Of 5.6 ohm or so beside 100.
    assert -50.0 < heard.second_dbfs < -35.0
    # A sine of 0.1 V RMS has a peak of 0.1414 V, ten times of which full scale would give.
    told = write_volts(rig, -20.0, 0.1, rig.path.with_name("volts.toml"))
    assert told.volts_per_full_scale == pytest.approx(1.4142, abs=1e-4)
    with pytest.raises(TsfitError) as error:
        play_tone(rig, replace(tone, samples=1e-6 * tone.samples))
    assert error.value.code == "not_heard"


@pytest.mark.parametrize(
    ("factor", "word"),
    [
        (1000.0, "millivolts were typed as volts"), (0.001, "volts were typed as millivolts"),
        (2.828, "from peak to peak"), (1.414, "a peak, not RMS"), (10.0, "attenuator that total_v_full_scale leaves out"),
        (0.1, "attenuator that is not in the circuit"), (160.0, "another range, other points"),
        (0.03, "another range, other points"), (1.25, "another range, other points"), (0.06, "across the driver"),
    ],
)  # fmt: skip
def test_a_reading_that_the_channel_cannot_have_shown_is_refused_by_its_cause(rig, factor, word):
    told = replace(rig, total_v=2.0, second_v=2.0)
    # 2 V peak fill the channel, a tenth of which is heard: 0.1414 V RMS, of which the driver has 6 of 106 parts.
    heard = HeardTone(-20.0, -20.0 + 20.0 * math.log10(0.06))
    with pytest.raises(TsfitError, match=word) as error:
        refuse_reading(told, -30.0, factor * 0.141421, heard)
    assert error.value.code == "wrong_reading"
    assert "0.141 V RMS" in error.value.message


@pytest.mark.parametrize("off", [0.93, 1.0, 1.08])
def test_a_meter_that_errs_by_percents_is_believed(rig, off):
    refuse_reading(replace(rig, total_v=2.0), -30.0, off * 0.141421, HeardTone(-20.0, -45.0))


@pytest.mark.parametrize(
    ("reading", "refused"), [(700.0, True), (20.0, True), (10.0, False), (0.001, False), (0.0001, True)]
)
def test_without_stated_volts_only_what_no_output_gives_is_refused(rig, reading, refused):
    """At -30 dBFS: 700 V would be 31 kV of full scale, 0.1 mV less than 5 mV."""
    if refused:
        with pytest.raises(TsfitError, match="which nothing gives") as error:
            refuse_reading(rig, -30.0, reading, HeardTone(-30.0, -55.0))
        assert error.value.code == "wrong_reading"
    else:
        refuse_reading(rig, -30.0, reading, HeardTone(-30.0, -55.0))


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
