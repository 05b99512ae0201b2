"""Recordings through real PortAudio streams, with the driver in the loop."""

import math
import os
import signal
import subprocess
import sys

import pytest
import soundfile
from helpers.driver_in_the_loop import DRIVER, LATE, MASS, RIG
from helpers.sound_system import NAME, PERIOD, environment, outcome

from tsfit.bench.fit import fit_bench
from tsfit.capture.recording import read_recording
from tsfit.driver.air import REFERENCE_AIR
from tsfit.driver.formulas import electrical_q, equivalent_volume, mechanical_resistance, resonance, total_q

SECONDS = float(os.environ.get("TSFIT_LIVE_SECONDS", "4"))
"""Length of a sweep, which a test waits for; a user's is ten seconds, and errs less."""


def recorded(system, file):
    """Status and report of a sweep; once or twice again where a busy machine held up the server, whose clock stood."""
    for again in range(3):
        for written in file.parent.glob(f"{file.stem}.*") if again else ():
            written.rename(written.with_name(f"held-up-{again}-{written.name}"))
        status, report = outcome(system.record(file, seconds=SECONDS), 60)
        if status == 0 and report["measured_rate_hz"] == pytest.approx(48000, rel=1e-3):
            break
    return status, report


@pytest.fixture(scope="module")
def sweep_pair(sound_system, tmp_path_factory):
    """Bench file of two sweeps, free air and added mass, and the reports of both."""
    folder = tmp_path_factory.mktemp("pair")
    reports = []
    for name, state in (("free", "state 1"), ("mass", "state 0")):
        reports.append(recorded(sound_system, folder / f"{name}.wav"))
        sound_system.driver.signal(signal.SIGUSR1)
        sound_system.driver.wait_for(state)
    (folder / "rig.toml").write_text(f"""
name = "driver in the loop"
topology = "divider"
reference_ohm = {RIG.reference}
reference_uncertainty_ohm = 0.001
[channels]
total = 1
driver = 2
gain_uncertainty_percent = 0.0
[inputs]
impedance_ohm = {RIG.input}
""")
    bench = folder / "bench.toml"
    bench.write_text(f"""
rig = "rig.toml"
[driver]
name = "In the loop"
sd_cm2 = {1e4 * DRIVER.Sd}
[[sweep]]
recording = "free.wav"
state = "free air"
[[sweep]]
recording = "mass.wav"
state = "added mass"
mass_g = {1e3 * MASS}
mass_uncertainty_g = 0.01
""")
    return bench, reports


def test_sweep_pair_finds_the_driver_in_the_loop(sweep_pair):
    bench, reports = sweep_pair
    assert [status for status, _ in reports] == [0, 0]
    found = fit_bench(bench).parameters
    fs = resonance(DRIVER.Mms, DRIVER.Cms)
    qms = mechanical_resistance(fs, DRIVER.Mms, DRIVER.Rms)
    truth = {
        "Re": (DRIVER.Re, 0.005),
        "Fs": (fs, 0.005),
        "Qts": (total_q(qms, electrical_q(fs, DRIVER.Mms, DRIVER.Re, DRIVER.Bl)), 0.01),
        "Vas": (equivalent_volume(DRIVER.Cms, DRIVER.Sd, REFERENCE_AIR), 0.015),
    }
    errors = {name: found[name].value / value - 1.0 for name, (value, _) in truth.items()}
    print({name: f"{100.0 * error:+.3f} %" for name, error in errors.items()})
    for name, (_, allowed) in truth.items():
        assert abs(errors[name]) < allowed, name


def test_report_tells_frames_rate_and_delay(sweep_pair):
    bench, reports = sweep_pair
    for (_, report), name in zip(reports, ("free", "mass"), strict=True):
        recording = read_recording(bench.parent / f"{name}.wav")
        assert report["frames"] == report["expected"] == len(recording.samples)
        assert report["seconds"] > report["frames"] / 48000
        # The server passes one period on to the next, and the driver in the loop is late by its filter.
        assert report["delay_samples"] == PERIOD + LATE
        assert report["measured_rate_hz"] == pytest.approx(48000, rel=1e-3)
        assert all(math.isfinite(frame) and frame >= report["excited"][0] for frame, _ in report["flags"])
        assert report["device"].startswith(NAME)


def test_rate_that_the_server_has_not_is_refused_in_one_sentence(sound_system, tmp_path):
    status, answer = outcome(sound_system.record(tmp_path / "a.wav", seconds=2, rate=44100), 30)
    assert status == 2
    assert answer["error"]["code"] == "sample_rate"
    assert "44100" in answer["error"]["message"]
    assert "48000" in answer["error"]["message"]
    assert list(tmp_path.glob("a*")) == []


def test_unknown_device_is_answered_with_those_that_are_there(sound_system, tmp_path):
    status, answer = outcome(sound_system.record(tmp_path / "a.wav", seconds=2, device="nightjar"), 30)
    assert (status, answer["error"]["code"]) == (2, "no_device")
    assert NAME in answer["error"]["message"]


def test_devices_are_listed_with_the_rate_that_they_take(sound_system):
    code = "from tsfit.capture.device import *\nfor d in list_devices(): print(d.label, d.inputs, d.outputs, d.rates_hz)"
    listed = subprocess.run(
        [sys.executable, "-c", code], env=environment(sound_system.name), capture_output=True, text=True, check=True
    )
    assert f"{NAME} (JACK Audio Connection Kit) 2 2 (48000.0,)" in listed.stdout.splitlines()


def test_interrupted_recording_stays_as_a_readable_partial_one(sound_system, tmp_path):
    child = sound_system.record(tmp_path / "a.wav", seconds=8)
    child.wait_for("recording")
    child.signal(signal.SIGINT)
    status, answer = outcome(child, 60)
    assert (status, answer["error"]["code"]) == (2, "interrupted")
    assert not (tmp_path / "a.wav").exists()
    assert soundfile.info(tmp_path / "a.partial.wav").frames > 0
    assert 'stopped = "interrupted"' in (tmp_path / "a.partial.toml").read_text()
