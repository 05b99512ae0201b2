"""``tsfit rig calibrate`` on the simulated rig: three terms, the trim, their proof, and what may not happen."""

import json
import tomllib
from datetime import datetime, timedelta
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from helpers.simulated_rig import simulated_rig

from tsfit.capture.impedance import impedance_from_recording
from tsfit.capture.rig import read_rig
from tsfit.cli import run, tsfit


@pytest.fixture
def rig(tmp_path):
    return simulated_rig(tmp_path)


def _calibrate(rig, capsys, *options):
    short = [] if "--seconds" in options else ["--seconds", "2"]
    status = run(["rig", "calibrate", str(rig), "--json", *short, *options])
    return status, json.loads(capsys.readouterr().out)


def test_three_terms_are_recorded_written_and_proved(rig, capsys):
    # Each run draws its noise anew; 8 s keep the worst of some 500 points well below the bound.
    status, found = _calibrate(rig, capsys, "--known-ohm", "10.012", "--proof-ohm", "22.08", "--seconds", "8")
    assert status == 0
    assert found["proof"]["percent"] < 0.2
    assert found["proof"]["degrees"] < 0.2
    written = tomllib.loads(Path(found["rig"]).read_text())
    assert written["calibration"]["rig"] == written["name"]
    assert isinstance(written["calibration"]["made"], datetime)
    assert Path(found["recordings"]).is_dir()
    assert "Cautions" in Path(found["rig"]).read_text(), "the comments of the rig file are kept"
    assert read_rig(Path(found["rig"])).calibration is not None


def test_the_shortest_sweep_that_is_offered_is_long_enough(rig, capsys):
    assert run(["rig", "check", str(rig), "--seconds", "1.6", "--known-ohm", "10"]) == 0
    assert "Nothing needs turning" in capsys.readouterr().out
    for command in (["check", str(rig)], ["calibrate", str(rig), "--known-ohm", "10", "--yes"]):
        assert run(["rig", *command, "--seconds", "1.59"]) == 2
        assert "1.6<=x<=60" in capsys.readouterr().err


def test_check_says_what_it_heard(rig, capsys):
    assert run(["rig", "check", str(rig), "--seconds", "2", "--known-ohm", "10"]) == 0
    out = capsys.readouterr().out
    for word in ("may not be ground", "peak dBFS", "50 Hz", "60 Hz", "Round trip", "gains differ", "Nothing needs turning"):
        assert word in out
    assert run(["rig", "check", str(rig), "--seconds", "2", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["advice"] == []
    assert found["gain_percent"] is None
    assert not list(rig.parent.glob("*.wav")), "a check keeps nothing"


def test_wiring_resistors_do_without_open_and_short(rig, capsys):
    known = [option for ohm in ("4.7", "10", "33", "82") for option in ("--known-ohm", ohm)]
    status, found = _calibrate(rig, capsys, *known, "--no-open", "--no-short", "--proof-ohm", "22")
    assert status == 0
    assert found["proof"]["percent"] < 0.3


def test_one_resistor_trims_the_gains(rig, capsys):
    text = rig.read_text()
    rig.write_text(text.replace("reference_ohm = 100.0", "reference_ohm = 103.0"))
    status, found = _calibrate(rig, capsys, "--trim", "--known-ohm", "10", "--proof-ohm", "22.08")
    # The simulation draws its circuit from the rig file, so nothing is off and the trim must be one.
    assert status == 0
    assert read_rig(Path(found["rig"])).gain_trim == pytest.approx(1.0, abs=1e-3)


def test_one_resistor_alone_is_a_calibration_and_says_what_stays_on_trust(rig, capsys):
    status, found = _calibrate(rig, capsys, "--known-ohm", "10", "--no-open", "--no-short")
    assert status == 0
    assert "crosstalk stay on trust" in found["on_trust"]
    written = read_rig(Path(found["rig"]))
    assert list(tomllib.loads(written.path.read_text())["calibration"]) == ["made", "rig", "known"]
    notes = impedance_from_recording(Path(found["recordings"]) / "known-10-ohm.wav", written).notes
    assert "few_standards" in {note.code for note in notes}


def test_an_old_or_foreign_calibration_is_warned_about(rig, capsys):
    _, found = _calibrate(rig, capsys, "--known-ohm", "10", "--proof-ohm", "22")
    path = Path(found["rig"])
    proof = Path(found["recordings"]) / "proof-22-ohm.wav"
    assert not {note.code for note in impedance_from_recording(proof, read_rig(path)).notes} & {
        "old_calibration",
        "foreign_calibration",
    }
    made = tomllib.loads(path.read_text())["calibration"]["made"]
    old = (made - timedelta(days=200)).isoformat().replace("+00:00", "Z")
    text = path.read_text().replace(made.isoformat().replace("+00:00", "Z"), old)
    path.write_text(text.replace('name = "simulated 100 ohm divider"', 'name = "another"', 1))
    codes = {note.code for note in impedance_from_recording(proof, read_rig(path)).notes}
    assert {"old_calibration", "foreign_calibration"} <= codes


@pytest.mark.parametrize(
    ("options", "word"),
    [
        ([], "--known-ohm"),
        (["--trim"], "--known-ohm"),
        (["--trim", "--known-ohm", "10", "--known-ohm", "22"], "exactly one"),
        (["--known-ohm", "10", "--level-dbfs", "0"], "limit"),
        (["--known-ohm", "-3"], "-3"),
    ],
)
def test_wrong_options_are_one_sentence(rig, capsys, options, word):
    assert run(["rig", "calibrate", str(rig), "--yes", *options]) == 2
    err = capsys.readouterr().err
    assert word in err
    assert err.count("\n") == 1


def test_nothing_is_overwritten(rig, capsys):
    _, found = _calibrate(rig, capsys, "--trim", "--known-ohm", "10", "-o", str(rig.with_name("mine.toml")))
    before = Path(found["rig"]).read_bytes()
    assert run(["rig", "calibrate", str(rig), "--yes", "--trim", "--known-ohm", "10", "-o", found["rig"]]) == 2
    assert Path(found["rig"]).read_bytes() == before
    capsys.readouterr()


def test_a_voltmeter_calibrates_the_output(rig, capsys):
    status, found = _calibrate(rig, capsys, "--volts", "--reading-v", "0.02236")
    assert status == 0
    # 22.36 mV RMS are 31.62 mV peak, and -30 dB is a factor of 31.62.
    assert found["volts_per_full_scale"] == pytest.approx(1.0, rel=1e-3)
    written = Path(found["rig"])
    assert read_rig(written).volts_per_full_scale == found["volts_per_full_scale"]
    assert "Cautions" in written.read_text()
    status = run(["sweep", str(written), "--level-v", "0.02", "--seconds", "2", "-o", str(rig.parent / "x.wav"), "--json"])
    assert status == 0
    conditions = tomllib.loads((rig.parent / "x.toml").read_text())
    assert conditions["excitation"]["level_v"] == pytest.approx(0.02)
    assert conditions["excitation"]["level_dbfs"] == pytest.approx(-33.98, abs=0.01)


def test_a_reading_in_millivolts_is_refused_and_nothing_is_written(rig, capsys):
    rig.write_text(rig.read_text().replace("driver = 2\n", "driver = 2\ntotal_v_full_scale = 1.0\n", 1))
    there = set(rig.parent.iterdir())
    status, found = _calibrate(rig, capsys, "--volts", "--reading-v", "22.36")
    assert status == 2
    assert "millivolts were typed as volts" in found["error"]["message"]
    assert set(rig.parent.iterdir()) == there
    status, found = _calibrate(rig, capsys, "--volts", "--reading-v", "0.0221")
    assert status == 0


def test_the_reading_is_asked_for_after_the_tone(rig):
    command = ["rig", "calibrate", str(rig), "--volts", "-o", str(rig.parent / "v.toml")]
    told = CliRunner().invoke(tsfit, command, input="\n0.1\n")
    assert told.exit_code == 0, told.output
    assert "\ufffd" not in told.output
    assert told.output.index("may not be ground") < told.output.index("voltmeter") < told.output.index("Reading, V RMS")
    assert read_rig(rig.parent / "v.toml").volts_per_full_scale == pytest.approx(0.1 * 2**0.5 * 10**1.5, rel=1e-4)


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (["--volts"], "--reading-v"),
        (["--volts", "--trim", "--known-ohm", "10"], "stands alone"),
        (["--known-ohm", "10", "--reading-v", "1"], "belongs to --volts"),
        (["--volts", "--reading-v", "1", "--level-dbfs", "-6"], "--yes"),
        (["--volts", "--reading-v", "1", "--level-dbfs", "0", "--yes"], "limit"),
    ],
)
def test_volts_refused_in_one_sentence(rig, capsys, options, word):
    status, found = _calibrate(rig, capsys, *options)
    assert status == 2
    assert word in found["error"]["message"]
    assert len(list(rig.parent.iterdir())) == 2, "nothing is left behind"


def test_an_interruption_tells_what_was_written(rig, monkeypatch, capsys):
    def prompt(text, **_):
        if "short" in text:
            raise click.Abort

    monkeypatch.setattr(click, "prompt", prompt)
    assert run(["rig", "calibrate", str(rig), "--known-ohm", "10", "--seconds", "2"]) == 2
    said = capsys.readouterr().err
    assert "open.wav" in said
    assert all(path.name in said for path in rig.parent.glob("*calibration*/*"))
    monkeypatch.setattr(click, "prompt", lambda text, **_: prompt("short"))
    assert run(["rig", "calibrate", str(rig), "--known-ohm", "10", "-o", str(rig.with_name("o.toml"))]) == 2
    assert "nothing was written" in capsys.readouterr().err
    assert len(list(rig.parent.glob("*calibration*"))) == 1


@pytest.mark.parametrize("command", [["check"], ["calibrate", "--known-ohm", "10"]])
def test_a_louder_rig_asks_before_the_sound(rig, command):
    rig.write_text(rig.read_text().replace("level_dbfs = -30", "level_dbfs = -12"))
    told = CliRunner().invoke(tsfit, ["rig", command[0], str(rig), *command[1:]], input="n\n")
    assert "above the quiet -30" in told.output
    assert told.exit_code != 0
    assert len(list(rig.parent.iterdir())) == 2
