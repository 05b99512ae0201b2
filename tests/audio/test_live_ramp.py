"""A driver is led up through a real PortAudio stream, with one that bends and its amplifier in the loop."""

import json
import signal
import time

import numpy as np
import pytest
import soundfile
from helpers.driver_at_power import RIG_FILE, DriverAtPower
from helpers.made_fit import made_fit
from helpers.made_travel import driver_of
from helpers.power_in_the_loop import TRUTH, VOLTS
from helpers.sound_system import NAME, PERIOD, running

from tsfit.base.files import to_json
from tsfit.formats.fit import fit_to_dict


@pytest.fixture
def start(need_audio, tmp_path_factory):
    """What starts a sound system with the driver at power in the loop."""
    # Compiled here, with all the time that it takes, and found compiled in the loop.
    DriverAtPower(TRUTH, 48000, VOLTS)(np.zeros(64))
    return lambda period: running(tmp_path_factory.mktemp("power"), script="power_in_the_loop.py", period=period)


@pytest.fixture
def power_system(start):
    with start(PERIOD) as system:
        yield system


@pytest.fixture
def patient_system(start):
    """One whose period leaves a busy machine time."""
    with start(4 * PERIOD) as system:
        yield system


@pytest.fixture
def folder(tmp_path):
    playback = f'[playback]\ndevice = "{NAME}"\nsample_rate_hz = 48000\nvolts_per_full_scale = {VOLTS}\n'
    (tmp_path / "rig.toml").write_text(RIG_FILE + playback)
    (tmp_path / "fit.json").write_text(to_json(fit_to_dict(made_fit(driver_of(TRUTH), 0.003))))
    return tmp_path


def answered(child, seconds):
    """Exit status and what the command printed, within `seconds`."""
    try:
        status = child.process.wait(seconds)
        return status, json.loads("\n".join(child.lines()))
    finally:
        child.end()


def told(system, word, after, seconds=20.0):
    """What the loop has to tell after so many lines, the first that begins with `word`."""
    until = time.monotonic() + seconds
    while True:
        found = [line.split() for line in system.driver.lines()[after:] if line.startswith(word)]
        if found:
            return found[0]
        assert time.monotonic() < until, system.driver.lines()
        time.sleep(0.02)


@pytest.mark.against(
    "driver led to full travel through a real stream", "a driver of other equations in the loop", "travel 5 %"
)
def test_two_levels_to_a_limit_of_travel(patient_system, folder):
    # A busy machine loses samples or is stuck, which is told; then once more.
    for name in ("one", "two", "three", "four"):
        options = ("--levels", 2, "--limit-travel-mm", 4, "-o", name)
        status, found = answered(patient_system.run("lead_up.py", folder, *options), 120)
        if status == 0 or found["error"]["code"] not in ("dropout", "stalled"):
            break
    assert status == 0, found
    before = len(patient_system.driver.lines())
    patient_system.driver.signal(signal.SIGUSR1)
    _, farthest, loudest, _ = told(patient_system, "farthest", before)
    quiet, loud = found["levels"]
    assert loud["peak_travel_m"] == pytest.approx(float(farthest), rel=0.05)
    assert 2.5e-3 < float(farthest) < 4e-3
    assert quiet["level_dbfs"] == -30.0
    assert float(loudest) <= 10.0 ** (loud["level_dbfs"] / 20.0) * 1.001
    assert (folder / found["bench"]).exists()


def test_a_killed_process_leaves_silence_and_what_it_recorded(power_system, folder):
    before = len(power_system.driver.lines())
    child = power_system.run("lead_up.py", folder, "--limit-travel-mm", 4)
    told(power_system, "sounds", before, 60.0)
    time.sleep(1.5)
    child.signal(signal.SIGKILL)
    power_system.driver.signal(signal.SIGUSR1)
    passed = int(told(power_system, "farthest", before)[3])
    silent = int(told(power_system, "silent", before)[1])
    child.end()
    # What the server has in hand at the kill, and no period of 43 ms more.
    assert silent - passed <= PERIOD
    assert sorted(path.name for path in folder.glob("full-travel*")) == [
        "full-travel-1.partial.toml",
        "full-travel-1.partial.wav",
    ]
    samples, _ = soundfile.read(folder / "full-travel-1.partial.wav")
    assert len(samples) > 48000


def test_an_amplifier_turned_up_is_hushed(power_system, folder):
    before = len(power_system.driver.lines())
    child = power_system.run("lead_up.py", folder, "--limit-travel-mm", 4)
    told(power_system, "sounds", before, 60.0)
    power_system.driver.signal(signal.SIGUSR2)
    status, answer = answered(child, 60)
    told(power_system, "silent", before)
    assert (status, answer["error"]["code"]) == (2, "too_loud"), json.dumps(answer)
    assert not (folder / "full-travel-1.wav").exists()
