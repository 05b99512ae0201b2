"""What goes wrong with real sound systems, done to a real one: killed servers, vanished devices, busy machines."""

import signal
import time

import numpy as np
import pytest
import soundfile
from helpers.sound_system import outcome

SECONDS_TO_NOTICE = 4.0
"""1.5 s until the deadline, 0.5 s at most to close a stream whose device is gone, and the end of a Python process that may
share its processor with others."""


def partial(folder):
    """Recorded part, which must be readable."""
    samples, rate = soundfile.read(folder / "a.partial.wav")
    assert len(samples) > 0.5 * rate
    assert np.all(np.isfinite(samples))
    return samples


def stopped(system, folder, what):
    """Record, do `what` in the middle of the sweep, and return what the recording process had to say."""
    child = system.record(folder / "a.wav", seconds=8)
    child.wait_for("recording")
    time.sleep(0.9)
    what()
    began = time.monotonic()
    status, answer = outcome(child, 15)
    assert time.monotonic() - began < SECONDS_TO_NOTICE
    assert status == 2
    assert not (folder / "a.wav").exists()
    assert len(partial(folder)) > 0
    return answer["error"]


def test_server_killed_in_mid_sweep(own_sound_system, tmp_path):
    error = stopped(own_sound_system, tmp_path, lambda: own_sound_system.jackd.signal(signal.SIGKILL))
    assert error["code"] == "device_vanished"
    assert "vanished" in error["message"]


def test_device_vanishes_in_mid_sweep(own_sound_system, tmp_path):
    error = stopped(own_sound_system, tmp_path, lambda: own_sound_system.driver.signal(signal.SIGKILL))
    assert error["code"] == "device_vanished"
    assert "silent" in error["message"]


def test_server_that_hangs_is_not_waited_for(own_sound_system, tmp_path):
    jackd = own_sound_system.jackd
    try:
        error = stopped(own_sound_system, tmp_path, lambda: jackd.signal(signal.SIGSTOP))
    finally:
        jackd.signal(signal.SIGCONT)
    assert error["code"] in ("stalled", "device_vanished")


def test_overruns_during_the_sweep_are_reported(sound_system, tmp_path):
    child = sound_system.record(tmp_path / "a.wav", seconds=2.5)
    child.wait_for("recording")
    time.sleep(1.2)
    sound_system.driver.signal(signal.SIGUSR2)
    status, report = outcome(child, 30)
    assert status == 0
    kinds = {kind for _, kind in report["flags"]}
    assert kinds & {"input overflow", "output underflow"}
    assert all(frame >= report["excited"][0] for frame, _ in report["flags"])


@pytest.mark.parametrize("name", ["a.wav", "a.partial.wav"])
def test_an_earlier_recording_is_never_touched(sound_system, tmp_path, name):
    (tmp_path / name).write_bytes(b"earlier")
    status, answer = outcome(sound_system.record(tmp_path / "a.wav", seconds=2), 30)
    assert (status, answer["error"]["code"]) == (2, "exists")
    assert (tmp_path / name).read_bytes() == b"earlier"
    assert [path.name for path in tmp_path.glob("a*")] == [name]


def test_full_disk_during_the_sweep_keeps_what_fitted_on_it(sound_system, small_disk):
    status, answer = outcome(sound_system.record(small_disk / "a.wav", seconds=4), 30)
    assert (status, answer["error"]["code"]) == (2, "disk_full")
    assert len(partial(small_disk)) > 2 * sound_system.rate


def test_recording_process_killed_during_the_sweep_leaves_a_readable_part(sound_system, tmp_path):
    child = sound_system.record(tmp_path / "a.wav", seconds=4)
    child.wait_for("recording")
    time.sleep(1.3)
    child.signal(signal.SIGKILL)
    child.end()
    assert not (tmp_path / "a.wav").exists()
    assert len(partial(tmp_path)) > sound_system.rate
